"""Blocks at a fixed price: energy bought ahead, with its surplus sold back.

Owns the volumes of blocks and the settlement of what is not used. The energy component charges all energy
at the index; a block swaps the index for its price on its volume, so the marginal price of load stays the
index.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues, above, at_least, check, finite
from models.contract import calendar
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.imbalance import Deviation
from models.contract.index import index_of, validity_share
from models.contract.term import Fixed, Term
from models.horizon import Array, Horizon
from models.situation import Situation


@dataclass(frozen=True)
class Block:
    """A constant volume in a window at a fixed price.

    Parameters
    ----------
    name : str
        Name, lower case with underscores. [-]
    volume_mw : float
        Volume, above 0. [MW]
    per_mwh : float
        Price. [currency/MWh]
    valid_from, valid_to : date, optional
        First local day of delivery, and first day after it; no limit if not given. [-]
    seasons, day_types, from_time, to_time : optional
        Window of delivery, as in `models.contract.time_of_use.Band`: all hours unless given. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.
    """

    name: str
    volume_mw: float
    per_mwh: float
    valid_from: dt.date | None = None
    valid_to: dt.date | None = None
    seasons: tuple[int, ...] = ()
    day_types: tuple[str, ...] = ()
    from_time: str = "00:00"
    to_time: str = "24:00"

    def __post_init__(self) -> None:
        calendar.check_with_window(
            self,
            lambda: self.window,
            name=key_name(),
            volume_mw=above(0, "MW"),
            per_mwh=finite(),
        )

    @property
    def window(self) -> calendar.ClockWindow:
        """The window of delivery. [-]."""
        return calendar.ClockWindow(self.seasons, self.day_types, self.from_time, self.to_time)


@component_kind("blocks")
@dataclass(frozen=True)
class Blocks(Component):
    """Blocks bought ahead, settled against the index.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    blocks : tuple of Block
        The blocks; their names differ. [-]
    index : str
        Name of the price series at which the energy component charges the rest. [-]
    resale_fee_per_mwh : float
        What is lost of the index on energy that is not used and sold back, 0 or more. [currency/MWh]
    surplus_is_lost : bool
        Whether unused energy is worth nothing instead of being sold back. [-]
    holidays : tuple of date
        Days of the type 'holiday'. [-]

    Raises
    ------
    InvalidValues
        If two blocks share a name or a value breaks its rule.

    Notes
    -----
    With V the sum of the volumes, E the energy and p the index of an interval, this component adds
    ``sum price * V - p * V + fee * max(0, V - E)``; with the energy component's ``p * E`` that is the
    blocks at their price and the rest at the index, bought or sold. Where surplus is lost the fee is p
    itself, which a program can hold only while p is not negative.
    """

    name: str
    blocks: tuple[Block, ...]
    index: str = "day_ahead"
    resale_fee_per_mwh: float = 0.0
    surplus_is_lost: bool = False
    holidays: tuple[dt.date, ...] = ()

    def __post_init__(self) -> None:
        check(self, name=key_name(), resale_fee_per_mwh=at_least(0, "currency/MWh"))
        names = [block.name for block in self.blocks]
        problems = []
        if not names:
            problems.append(("blocks", "'blocks' must hold one block or more"))
        if len(set(names)) < len(names):
            problems.append(("blocks", f"'blocks' must have different names (got {', '.join(names)})"))
        if self.surplus_is_lost and self.resale_fee_per_mwh:
            problems.append(("surplus_is_lost", "give 'surplus_is_lost' or 'resale_fee_per_mwh', not both"))
        if problems:
            raise InvalidValues(problems)

    def series_needed(self) -> tuple[str, ...]:
        """Return the name of the index. [-]."""
        return (self.index,)

    def volumes(self, horizon: Horizon) -> Array:
        """Return the mean volume of each block on each interval.

        Parameters
        ----------
        horizon : Horizon
            The intervals; its time zone is the local clock. [-]

        Returns
        -------
        ndarray
            Volumes. Shape (blocks, n). [MW]
        """
        shares = calendar.shares(horizon, [block.window for block in self.blocks], self.holidays)
        rows = [
            block.volume_mw * share * validity_share(horizon, block.valid_from, block.valid_to)
            for block, share in zip(self.blocks, shares, strict=True)
        ]
        result: Array = np.array(rows)
        return result

    def _fee(self, index: Array, horizon: Horizon) -> Array:
        return index if self.surplus_is_lost else np.full(len(horizon), self.resale_fee_per_mwh)

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the blocks' fixed money and the loss on what is not used (see `Component.terms`)."""
        volumes = self.volumes(horizon)
        index = index_of(self.name, self.index, situation).on(horizon)
        prices = np.array([block.per_mwh for block in self.blocks])
        fixed = float(np.sum((prices @ volumes - index * volumes.sum(axis=0)) * horizon.hours))
        fee = self._fee(index, horizon)
        volume = volumes.sum(axis=0)
        terms: list[Term] = [Fixed("blocks", fixed, "energy")]
        if np.any((fee != 0) & (volume > 0)):
            terms.append(Deviation("unused", volume, volume > 0, 0.0, fee, "energy"))
        return tuple(terms)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return lines for each block, its volume at the index and what is unused (see `Component.bill`)."""
        horizon = profile.horizon
        volumes = self.volumes(horizon)
        index = index_of(self.name, self.index, situation).on(horizon)
        lines = []
        for block, volume in zip(self.blocks, volumes, strict=True):
            bought = float(np.sum(volume * horizon.hours))
            if bought:
                lines.append(
                    BillLine(
                        self.name,
                        f"block {block.name.replace('_', ' ')}",
                        bought,
                        "MWh",
                        block.per_mwh,
                        bought * block.per_mwh,
                        "energy",
                        f"{block.volume_mw:g} MW x hours of the block x price",
                    )
                )
        volume = volumes.sum(axis=0) * horizon.hours
        bought = float(np.sum(volume))
        credited = -float(np.sum(volume * index))
        unused = np.maximum(volume - profile.power_mw * horizon.hours, 0.0)
        lost = float(np.sum(unused * self._fee(index, horizon)))
        mean = float(np.mean(index)) if not bought else credited / bought
        lines.append(
            BillLine(
                self.name,
                f"volume of the blocks, credited at the index {self.index}",
                bought,
                "MWh",
                mean,
                credited,
                "energy",
                "minus sum of volume x index: the energy component charges all energy at the index",
            )
        )
        spare = float(np.sum(unused))
        lines.append(
            BillLine(
                self.name,
                "energy of the blocks not used",
                spare,
                "MWh",
                lost / spare if spare else 0.0,
                lost,
                "energy",
                "volume less load, where above 0, x "
                + ("index: it is lost" if self.surplus_is_lost else "fee of resale"),
            )
        )
        return tuple(lines)
