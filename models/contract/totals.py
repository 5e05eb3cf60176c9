"""Totals of billing periods: what of a horizon counts in them, what was before and what comes after.

Owns the step from the state of the bill to a total. What a total costs stands in the components.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.contract import calendar
from models.contract.calendar import ClockWindow, LocalMonth
from models.contract.component import Profile
from models.contract.periods import Cycle, ends_inside, share_in
from models.contract.state import Carried
from models.horizon import Array, Horizon
from models.situation import Situation

ALWAYS = ClockWindow()
"""The window that holds every instant."""


@dataclass(frozen=True, eq=False)
class PeriodTotal:
    """The total of one billing period around a horizon.

    Parameters
    ----------
    period : LocalMonth
        The billing period. [-]
    share : ndarray
        Share of each interval that counts in it. Shape (n,). [-]
    so_far_mwh, rest_mwh : float
        What the period had before the horizon, and is expected to have after it. [MWh]
    finished : bool
        Whether the horizon reaches the period's end. [-]
    missing : str
        What a plan must be told first; empty if nothing is missing. [-]
    """

    period: LocalMonth
    share: Array
    so_far_mwh: float
    rest_mwh: float
    finished: bool
    missing: str


def period_totals(
    name: str,
    horizon: Horizon,
    situation: Situation,
    cycle: Cycle,
    window: ClockWindow = ALWAYS,
    holidays: Sequence[dt.date] = (),
) -> tuple[PeriodTotal, ...]:
    """Return the total of each billing period in which a horizon has time.

    Parameters
    ----------
    name : str
        Name of the component. [-]
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    situation : Situation
        Holds the state of the bill. [-]
    cycle : Cycle
        When billing periods begin. [-]
    window : ClockWindow
        When energy counts. [-]
    holidays : sequence of date
        Days of the type 'holiday'. [-]

    Returns
    -------
    tuple of PeriodTotal
        The totals, in order. [-]
    """
    found = []
    for period in cycle.periods(horizon):
        key = (name, period.label)
        finished = ends_inside(horizon, period)
        rest = situation.state.rest_mwh.get(key)
        missing = (
            ""
            if finished or rest is not None
            else f"component '{name}' is charged on a total of {period.label}, of which the horizon is a "
            "part: give 'rest_mwh', the energy expected after the horizon, in the state of the bill "
            f"(component '{name}', period '{period.label}')"
        )
        found.append(
            PeriodTotal(
                period,
                share_in(horizon, period, window, holidays),
                situation.state.energy_mwh.get(key, 0.0),
                0.0 if finished or rest is None else rest,
                finished,
                missing,
            )
        )
    return tuple(found)


def drawn_mwh(
    profile: Profile, period: LocalMonth, window: ClockWindow = ALWAYS, holidays: Sequence[dt.date] = ()
) -> float:
    """Return the energy of a profile inside a billing period and a window, from its integral.

    Parameters
    ----------
    profile : Profile
        Metered load. [-]
    period : LocalMonth
        The billing period. [-]
    window : ClockWindow
        When energy counts. [-]
    holidays : sequence of date
        Days of the type 'holiday'. [-]

    Returns
    -------
    float
        Energy. [MWh]
    """
    cut = calendar.slices(profile.horizon, [window], holidays)
    inside = cut.inside[0] & (cut.starts_min >= period.start_min) & (cut.starts_min < period.end_min)
    drawn = calendar.energy_mwh(
        profile.horizon, profile.power_mw, cut.starts_min, cut.starts_min + cut.lengths_min
    )
    return float(np.sum(drawn[inside]))


def carried_energy(
    profile: Profile, cycle: Cycle, window: ClockWindow = ALWAYS, holidays: Sequence[dt.date] = ()
) -> tuple[Carried, ...]:
    """Return what a profile adds to the total of each billing period.

    Parameters
    ----------
    profile : Profile
        Metered load. [-]
    cycle : Cycle
        When billing periods begin. [-]
    window : ClockWindow
        When energy counts. [-]
    holidays : sequence of date
        Days of the type 'holiday'. [-]

    Returns
    -------
    tuple of Carried
        One for each period. [-]
    """
    return tuple(
        Carried(period.label, energy_mwh=drawn_mwh(profile, period, window, holidays))
        for period in cycle.periods(profile.horizon)
    )


def term_name(period: LocalMonth) -> str:
    """Return the name of a term of a billing period.

    Parameters
    ----------
    period : LocalMonth
        The billing period. [-]

    Returns
    -------
    str
        Its label with underscores, begun with a letter. [-]
    """
    return f"of_{period.label.replace('-', '_')}"
