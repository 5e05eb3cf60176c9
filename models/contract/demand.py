"""Monthly demand charge: a price on the month's highest metered mean.

Owns the rule which metering periods count and what a plan is charged for them. Knows no ratchet,
no annual peak and no contracted power.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from models.checks import at_least, one_of
from models.contract import calendar
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.state import Carried
from models.contract.term import Peak, Term
from models.horizon import Array, Horizon, Integers
from models.situation import Situation


@component_kind("demand")
@dataclass(frozen=True)
class DemandCharge(Component):
    """A price on the highest metered mean of each local calendar month.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    per_mw_month : float
        Price, 0 or more. [currency/MW]
    metering_minutes : int
        Length of a metering period, 15, 30 or 60. [min]
    seasons : tuple of int
        Months in which the charge exists, 1 to 12; empty for all. [-]
    day_types : tuple of str
        Some of 'weekday', 'saturday', 'sunday', 'holiday' on which a peak counts; empty for all. [-]
    from_time, to_time : str
        First clock time at which a peak counts and first at which it no longer does, 'HH:MM';
        `to_time` may be '24:00', and comes before `from_time` where the window wraps midnight. [-]
    holidays : tuple of date
        Local days of the day type 'holiday'. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.

    Notes
    -----
    Metering periods follow each other from local midnight. A period counts if it *starts* inside the
    window, also where it ends outside. A period that the horizon covers only in part (at its edge)
    is measured by the mean over the part covered. A horizon interval longer than the metering
    metering period counts by itself, its load being constant inside; of shorter ones the mean counts.
    Where loads travel to their new value at a rate, what they draw on the way counts in the period in
    which they start (see `models.ramping`), so a period may stand above both intervals' loads.

    A month of the horizon is charged ``per_mw_month * max(floor, highest mean)``: for a bill the
    floor is the month's highest mean so far, for a plan also the target of a longer plan. A month
    outside `seasons` is not charged.
    """

    name: str
    per_mw_month: float
    metering_minutes: int
    seasons: tuple[int, ...] = ()
    day_types: tuple[str, ...] = ()
    from_time: str = "00:00"
    to_time: str = "24:00"
    holidays: tuple[dt.date, ...] = ()

    def __post_init__(self) -> None:
        calendar.check_with_window(
            self,
            self._window,
            name=key_name(),
            per_mw_month=at_least(0, "currency/MW"),
            metering_minutes=one_of(*calendar.METERING_MINUTES),
        )

    @property
    def cycle(self) -> tuple[str, int, int]:
        """The calendar month (see `Component.cycle`). [-]."""
        return ("month", 1, 1)

    @property
    def restates(self) -> bool:
        """A later bill states the month's peak anew (see `Component.restates`). [-]."""
        return True

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return one peak for each local calendar month that is charged (see `Component.terms`).

        Parameters
        ----------
        horizon : Horizon
            The intervals; its time zone is the local clock. [-]
        situation : Situation
            Holds the peaks so far and the targets, by (component, month). [-]

        Returns
        -------
        tuple of Term
            Peaks named for their month, like '2026_11'; one in whose month no metering period of the
            horizon counts has no weights, and charges its floor. [-]
        """
        terms = []
        for month, starts, ends in self._counted(horizon):
            key = (self.name, month.label)
            floor = max(situation.peaks_mw.get(key, 0.0), situation.peak_targets_mw.get(key, 0.0), 0.0)
            starts, ends = telling_periods(horizon, starts, ends)
            period, position, weight = metered_means(horizon, starts, ends)
            ramp_period, ramp_position, per_h = ramps_inside(horizon, starts, ends)
            terms.append(
                Peak(
                    month.label.replace("-", "_"),
                    self.per_mw_month,
                    period,
                    position,
                    weight,
                    floor_mw=floor,
                    ramp_period=ramp_period,
                    ramp_position=ramp_position,
                    ramp_per_h=per_h,
                )
            )
        return tuple(terms)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for each local calendar month that is charged (see `Component.bill`).

        Parameters
        ----------
        profile : Profile
            Metered load; the time zone of its horizon is the local clock. [-]
        situation : Situation
            Holds the peaks so far; targets are ignored. [-]

        Returns
        -------
        tuple of BillLine
            The lines, not rounded. [-]
        """
        horizon = profile.horizon
        lines = []
        for month, starts, ends in self._counted(horizon):
            starts, ends = np.maximum(starts, horizon.start_min), np.minimum(ends, horizon.end_min)
            energy = calendar.energy_mwh(horizon, profile.power_mw, starts, ends)
            hours = (ends - starts) / 60.0
            highest = float(np.max(energy / hours, initial=0.0))
            if profile.ramp_mwh is not None:
                for i, ramp in enumerate(profile.ramp_mwh.tolist()):
                    # Ramps of a shorter interval join the others of their period.
                    now = (starts <= horizon.starts_min[i]) & (horizon.starts_min[i] < ends)
                    energy[now] += ramp
                highest = max(highest, float(np.max(energy / hours, initial=0.0)))
            so_far = situation.peaks_mw.get((self.name, month.label), 0.0)
            billed = max(highest, so_far)
            lines.append(
                BillLine(
                    self.name,
                    f"demand of {month.label}",
                    billed,
                    "MW",
                    self.per_mw_month,
                    self.per_mw_month * billed,
                    "demand",
                    f"greater of the highest {self.metering_minutes}-minute mean and the month's peak "
                    "before the profile x price",
                )
            )
        return tuple(lines)

    def carried(self, profile: Profile) -> tuple[Carried, ...]:
        """Return the highest mean of each month (see `Component.carried`)."""
        return tuple(
            Carried(line.label.removeprefix("demand of "), peak=line.quantity)
            for line in self.bill(profile, Situation())
        )

    def _window(self) -> calendar.ClockWindow:
        return calendar.ClockWindow(self.seasons, self.day_types, self.from_time, self.to_time)

    def _counted(self, horizon: Horizon) -> list[tuple[calendar.LocalMonth, Integers, Integers]]:
        """Return each month that is charged, with the metering periods that count."""
        starts, ends = calendar.metering_periods(horizon, self.metering_minutes)
        local = calendar.local_times(starts, horizon.timezone, self.holidays)
        counts = self._window().holds(local.month, local.day_type, local.minute)
        found = []
        for month in calendar.months(horizon):
            if not self.seasons or month.number in self.seasons:
                here = counts & (starts >= month.start_min) & (starts < month.end_min)
                found.append((month, starts[here], ends[here]))
        return found


def _touched(horizon: Horizon, starts: Integers, ends: Integers) -> tuple[Integers, Integers]:
    """Return the first and the last interval that each metering period touches."""
    first = np.searchsorted(horizon.starts_min, starts, side="right") - 1
    last = np.searchsorted(horizon.starts_min, ends, side="left") - 1
    return first, last


def telling_periods(horizon: Horizon, starts: Integers, ends: Integers) -> tuple[Integers, Integers]:
    """Return the parts of metering periods inside the horizon, without those that tell nothing new.

    Periods inside one interval all have its load as their mean, and ramps count in the first: that one is
    enough.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    starts, ends : ndarray
        Metering periods that touch the horizon. Each shape (k,). [min]

    Returns
    -------
    tuple of ndarray
        Starts and ends of the periods that are kept. Each shape (m,). [min]
    """
    starts, ends = np.maximum(starts, horizon.start_min), np.minimum(ends, horizon.end_min)
    first, last = _touched(horizon, starts, ends)
    alone = np.flatnonzero(first == last)
    kept = np.union1d(np.flatnonzero(first != last), alone[np.unique(first[alone], return_index=True)[1]])
    return starts[kept], ends[kept]


def ramps_inside(horizon: Horizon, starts: Integers, ends: Integers) -> tuple[Integers, Integers, Array]:
    """Return which ramps count in which metering period.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    starts, ends : ndarray
        Metering periods inside the horizon, from `telling_periods`. Each shape (k,). [min]

    Returns
    -------
    tuple of ndarray
        Period, interval at whose start the ramp is, and one over the period's length. Each shape (r,).
        [-], [-], [1/h]
    """
    # Periods of one month neither overlap nor touch out of order, so a search finds the only one.
    period = np.searchsorted(starts, horizon.starts_min, side="right") - 1
    inside = np.flatnonzero((period >= 0) & (horizon.starts_min < ends[period])) if len(starts) else starts
    period = period[inside]
    return period.astype(np.int64), inside.astype(np.int64), 60.0 / (ends - starts)[period]


def metered_means(horizon: Horizon, starts: Integers, ends: Integers) -> tuple[Integers, Integers, Array]:
    """Return the means over metering periods as weights on intervals.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    starts, ends : ndarray
        Metering periods inside the horizon, from `telling_periods`. Each shape (k,). [min]

    Returns
    -------
    tuple of ndarray
        Number of the period, position of the interval and share of the interval in the mean, for each
        weight. Each shape (w,). [-]
    """
    first, last = _touched(horizon, starts, ends)
    parts = last - first + 1
    period = np.repeat(np.arange(len(starts)), parts)
    position = np.arange(len(period)) - np.repeat(np.cumsum(parts) - parts, parts) + first[period]
    part_starts = np.maximum(horizon.starts_min[position], starts[period])
    part_ends = np.minimum((horizon.starts_min + horizon.lengths_min)[position], ends[period])
    weight = (part_ends - part_starts) / (ends - starts)[period]
    return period.astype(np.int64), position.astype(np.int64), weight
