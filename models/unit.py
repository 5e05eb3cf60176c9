"""What every unit of a site is: it declares itself and simulates itself.

Owns the interface and the register of kinds by which a site file names them. A new kind is a frozen
dataclass with the decorator `unit_kind`; nothing else has to be edited.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from typing import ClassVar, TypeVar

import numpy as np

from models.horizon import Array, Horizon
from models.pieces import Declaration, Simulation
from models.situation import Situation


class Unit(ABC):
    """A part of the site, or a duty to a customer.

    Subclasses are frozen dataclasses whose fields are the keys of their table in the site file. The
    first field is `name`.
    """

    name: str
    kind: ClassVar[str] = ""
    availabilities: ClassVar[tuple[str, ...]] = ()
    """What an availability fact may limit."""
    settings: ClassVar[tuple[str, ...]] = ()
    """Pieces that a shift sets, or that are told to a customer, beside loads and tanks: rates in t/h."""

    @abstractmethod
    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the unit's records over a horizon.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            What is known this morning. [-]

        Returns
        -------
        Declaration
            The records. [-]
        """

    def simulate(self, horizon: Horizon, situation: Situation, setpoints: Mapping[str, Array]) -> Simulation:
        """Return what the unit really does at given setpoints, by its exact models.

        A unit whose flows are linear in its variables is its own exact model, so the default
        evaluates the declared flows, with the exact value of every curve. Units with laws of their
        own (cells, compressors) override it and compute from those laws.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            What is known this morning. [-]
        setpoints : mapping
            Values of the unit's own variables, by key, and of those it declares to read; the last axis is
            that of the variable, axes before it are so many days at once. Curve results are not setpoints.
            [as declared]

        Returns
        -------
        Simulation
            Flows, limits and readings. [-]
        """
        declaration = self.declare(horizon, situation)
        everywhere = np.arange(len(horizon))
        values = dict(setpoints)
        places = {v.key: v.intervals for v in declaration.variables}
        for curve in declaration.curves:
            values[curve.key] = curve.value(values[curve.of], everywhere)
        days = np.broadcast_shapes(*(np.shape(value)[:-1] for value in values.values()))
        flows: dict[str, Array] = {}
        for flow in declaration.flows:
            at = places.get(flow.variable)
            at = everywhere if at is None else at
            net = flows.setdefault(flow.commodity, np.zeros((*days, len(horizon))))
            net[..., at] += flow.coefficient * values[flow.variable] + flow.constant
        return Simulation(flows)

    def key(self, piece: str) -> str:
        """Return the key of one of the unit's pieces.

        Parameters
        ----------
        piece : str
            Name of the piece. [-]

        Returns
        -------
        str
            `{unit}_{piece}`. [-]
        """
        return f"{self.name}_{piece}"

    def series_needed(self) -> tuple[str, ...]:
        """Return the names of the series the unit needs, for example a profile. [-]."""
        return ()

    def initial_stocks(self) -> tuple[str, ...]:
        """Return the names of the stocks whose level must be given for each plan. [-]."""
        return ()


UNIT_KINDS: dict[str, type[Unit]] = {}
"""Kinds a site file may name, in order of registration."""

UnitType = TypeVar("UnitType", bound=type[Unit])


def unit_kind(kind: str) -> Callable[[UnitType], UnitType]:
    """Return a decorator that registers a class of units under the name used in site files.

    Parameters
    ----------
    kind : str
        Name of the kind, lower case with underscores. [-]

    Returns
    -------
    callable
        The decorator. [-]

    Raises
    ------
    ValueError
        If another class has the name already.
    """

    def register(cls: UnitType) -> UnitType:
        known = UNIT_KINDS.get(kind)
        if known is not None and known.__qualname__ != cls.__qualname__:
            raise ValueError(f"the unit kind '{kind}' is already taken by {known.__name__}")
        cls.kind = kind
        UNIT_KINDS[kind] = cls
        return cls

    return register
