"""The situation of one morning: what is known now and changes from day to day.

Owns stocks, loads before the start, availability, series (prices, profiles), orders' lots and the
state of the bill. What a plant *is* stands in `models.site`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from models.contract.state import State
from models.horizon import Array, Horizon, Series


@dataclass(frozen=True)
class Availability:
    """A calendar fact about a unit: from when to when, what is in service.

    Parameters
    ----------
    unit : str
        Name of the unit. [-]
    what : str
        What is limited, one of the unit's `availabilities`, for example 'in_service',
        'electrolysers', 'rectifier_units', 'load_max_ka'. [-]
    value : float
        Value while it holds (0 or 1 for 'in_service', a number of machines, a limit). [as named]
    start_min, end_min : int
        From when to when, since the epoch. [min]
    note : str
        Reason, for people. [-]
    """

    unit: str
    what: str
    value: float
    start_min: int
    end_min: int
    note: str = ""


@dataclass(frozen=True, eq=False)
class Situation:
    """What is known on the morning of planning.

    Parameters
    ----------
    stocks : mapping
        Level of each tank at the horizon's start, by unit name. [t]
    loads_before : mapping
        Load of each circuit just before the horizon, by unit name; a circuit not named may start
        anywhere in its range. [kA]
    availability : tuple of Availability
        Outages and limits. [-]
    series : mapping
        Prices and profiles by name. [as named]
    peaks_mw : mapping
        Highest metered mean so far in a billing period, by (component, 'YYYY-MM' or 'YYYY'). [MW]
    peak_targets_mw : mapping
        Peak a longer plan expects to reach in that period anyway, by (component, 'YYYY-MM' or 'YYYY'). [MW]
    end_stocks : mapping
        Least level at the horizon's end, by unit name, where it differs from the site file. [t]
    nominations_t_per_d : mapping
        Daily quantity a pipeline customer asked for, by (unit, 'YYYY-MM-DD'), where it differs from
        his contract. [t/d]
    taken_t : mapping
        What a pipeline customer took of a day before the horizon, by (unit, 'YYYY-MM-DD'); his daily total
        is then that of the whole day. [t]
    locks : mapping
        Loads that are given and not planned, by circuit: hours a planner locked, the next minutes that
        are frozen, or a whole sheet of loads. [kA]
    announced_t_per_h : mapping
        Rates that pipeline customers know of, by unit: what they took up to the horizon's start and what
        was announced to them after it, as the running plan has it. [t/h]
    past_loads : mapping
        Loads of the running day before the horizon, by circuit, so that changes already made count. [kA]
    state : State
        Totals of the billing periods so far, what is expected after the horizon, and the sides of cliffs. [-]
    """

    stocks: Mapping[str, float] = field(default_factory=dict)
    loads_before: Mapping[str, float] = field(default_factory=dict)
    availability: tuple[Availability, ...] = ()
    series: Mapping[str, Series] = field(default_factory=dict)
    peaks_mw: Mapping[tuple[str, str], float] = field(default_factory=dict)
    peak_targets_mw: Mapping[tuple[str, str], float] = field(default_factory=dict)
    end_stocks: Mapping[str, float] = field(default_factory=dict)
    nominations_t_per_d: Mapping[tuple[str, str], float] = field(default_factory=dict)
    taken_t: Mapping[tuple[str, str], float] = field(default_factory=dict)
    locks: Mapping[str, Series] = field(default_factory=dict)
    announced_t_per_h: Mapping[str, Series] = field(default_factory=dict)
    past_loads: Mapping[str, Series] = field(default_factory=dict)
    state: State = field(default_factory=State)

    def available(self, unit: str, what: str, normal: float, horizon: Horizon) -> Array:
        """Return what is in service on each interval: the least of the normal value and all facts.

        An interval that a fact touches only in part counts as touched, so that no plan runs into an
        outage that begins inside an interval.

        Parameters
        ----------
        unit : str
            Name of the unit. [-]
        what : str
            What is limited. [-]
        normal : float
            Value without any fact. [as named]
        horizon : Horizon
            The intervals. [-]

        Returns
        -------
        ndarray
            Value on each interval. Shape (n,). [as named]
        """
        result = np.full(len(horizon), float(normal))
        for fact in self.availability:
            if fact.unit == unit and fact.what == what:
                touched = horizon.share_inside(fact.start_min, fact.end_min) > 0
                result[touched] = np.minimum(result[touched], fact.value)
        return result
