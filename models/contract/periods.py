"""Billing periods: months and years that need not be the calendar's, and what of a horizon lies in them.

Owns where a period begins and ends, and the metering periods that count in it. Clock, day types and
windows stand in `calendar`; prices in the components.
"""

from __future__ import annotations

import calendar as gregorian
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from models.checks import Rule, between
from models.contract import calendar
from models.contract.calendar import ClockWindow, LocalMonth
from models.contract.component import Profile
from models.contract.demand import metered_means, ramps_inside, telling_periods
from models.contract.term import Peak
from models.horizon import Array, Horizon, Integers, day_start_minute, instant_of

Per = Literal["month", "year"]
"""Length of a billing period."""

LAST_BILLING_DAY = 28
"""Latest day of the month on which a billing period may begin: every month has it."""


def billing_day_rule() -> Rule:
    """Rule: the value is a day of the month that every month has.

    Returns
    -------
    Rule
        The rule.
    """
    return between(1, LAST_BILLING_DAY)


@dataclass(frozen=True)
class Cycle:
    """When billing periods begin.

    Parameters
    ----------
    per : str
        'month' or 'year'. [-]
    first_day : int
        Day of the month on which a period begins, 1 to 28. [-]
    first_month : int
        Month in which a year begins, 1 to 12; not used for months. [-]
    """

    per: Per = "month"
    first_day: int = 1
    first_month: int = 1

    def periods(self, horizon: Horizon) -> tuple[LocalMonth, ...]:
        """Return the billing periods in which a horizon has time.

        Parameters
        ----------
        horizon : Horizon
            The intervals; its time zone is the local clock. [-]

        Returns
        -------
        tuple of LocalMonth
            The periods in order, each from its first to its last day; labelled 'YYYY-MM' or 'YYYY' by the
            first day, numbered by its month. [-]
        """
        ends = np.array([horizon.start_min, horizon.end_min - 1], dtype=np.int64)
        first, last = (
            day.astype("datetime64[D]").item() for day in calendar.local_times(ends, horizon.timezone).day
        )
        starts = [self._start_of(first)]
        while starts[-1] <= last:
            starts.append(self._next(starts[-1]))
        return tuple(
            LocalMonth(
                f"{a.year:04d}-{a.month:02d}" if self.per == "month" else f"{a.year:04d}",
                a.month,
                day_start_minute(a, horizon.timezone),
                day_start_minute(b, horizon.timezone),
            )
            for a, b in pairwise(starts)
        )

    def _start_of(self, day: dt.date) -> dt.date:
        if self.per == "month":
            start = day.replace(day=self.first_day)
            return start if start <= day else self._before(start)
        start = dt.date(day.year, self.first_month, self.first_day)
        return start if start <= day else dt.date(day.year - 1, self.first_month, self.first_day)

    def _before(self, start: dt.date) -> dt.date:
        return (start.replace(day=1) - dt.timedelta(days=1)).replace(day=self.first_day)

    def _next(self, start: dt.date) -> dt.date:
        if self.per == "year":
            return start.replace(year=start.year + 1)
        days = gregorian.monthrange(start.year, start.month)[1]
        return (start.replace(day=1) + dt.timedelta(days=days)).replace(day=self.first_day)


def ends_inside(horizon: Horizon, period: LocalMonth) -> bool:
    """Return whether a billing period ends within a horizon, so that nothing is left after it.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    period : LocalMonth
        The billing period. [-]

    Returns
    -------
    bool
        Whether the horizon reaches the period's end. [-]
    """
    return period.end_min <= horizon.end_min


def days_in(horizon: Horizon, period: LocalMonth) -> float:
    """Return the local days of a billing period that a horizon covers, parts of days counted as parts.

    Parameters
    ----------
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    period : LocalMonth
        The billing period. [-]

    Returns
    -------
    float
        Days; one of 23 or 25 hours is one day. [d]
    """
    zone = horizon.timezone
    start, end = max(period.start_min, horizon.start_min), min(period.end_min, horizon.end_min)
    if end <= start:
        return 0.0
    ends = np.array([start, end - 1], dtype=np.int64)
    first, last = (d.astype("datetime64[D]").item() for d in calendar.local_times(ends, zone).day)
    total = 0.0
    day = first
    while day <= last:
        a = day_start_minute(day, zone)
        b = day_start_minute(day + dt.timedelta(days=1), zone)
        total += (min(b, end) - max(a, start)) / (b - a)
        day += dt.timedelta(days=1)
    return total


def share_covered(horizon: Horizon, period: LocalMonth) -> float:
    """Return the share of a billing period's elapsed time that a horizon covers.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    period : LocalMonth
        The billing period. [-]

    Returns
    -------
    float
        Share from 0 to 1. [-]
    """
    start, end = max(period.start_min, horizon.start_min), min(period.end_min, horizon.end_min)
    return max(end - start, 0) / (period.end_min - period.start_min)


@dataclass(frozen=True, eq=False)
class Metered:
    """The metering periods of one billing period that count, as weights on intervals.

    Parameters
    ----------
    starts_min, ends_min : ndarray
        The metering periods, cut to the horizon. Each shape (k,). [min]
    period, position : ndarray
        Metering period and horizon interval of each weight. Each shape (w,). [-]
    weight : ndarray
        Share of that interval in the metering period's mean. Shape (w,). [-]
    ramp_period, ramp_position : ndarray
        Metering period in which a ramp at the start of an interval counts, and that interval. Each shape
        (r,). [-]
    ramp_per_h : ndarray
        One over the length of that period. Shape (r,). [1/h]
    """

    starts_min: Integers
    ends_min: Integers
    period: Integers
    position: Integers
    weight: Array
    ramp_period: Integers
    ramp_position: Integers
    ramp_per_h: Array

    def highest(self, profile: Profile) -> float:
        """Return the highest mean of a profile over the metering periods, from its integral.

        Parameters
        ----------
        profile : Profile
            Metered load; energy of ramps counts in the metering period in which they start. [-]

        Returns
        -------
        float
            Highest mean, at least 0; 0 where no metering period counts. [MW]
        """
        horizon, starts, ends = profile.horizon, self.starts_min, self.ends_min
        energy = calendar.energy_mwh(horizon, profile.power_mw, starts, ends)
        hours = (ends - starts) / 60.0
        highest = float(np.max(energy / hours, initial=0.0))
        if profile.ramp_mwh is None or not len(starts):
            return highest
        here = np.searchsorted(starts, horizon.starts_min, side="right") - 1
        counts = (here >= 0) & (horizon.starts_min < ends[here])
        np.add.at(energy, here[counts], profile.ramp_mwh[counts])
        return max(highest, float(np.max(energy / hours, initial=0.0)))

    def peak(self, name: str, per_mw: float, floor_mw: float) -> Peak:
        """Return a peak over the metering periods.

        Parameters
        ----------
        name : str
            Name of the term. [-]
        per_mw : float
            Price, 0 or more. [currency/MW]
        floor_mw : float
            Peak that is charged anyway. [MW]

        Returns
        -------
        Peak
            The peak. [-]
        """
        return joined_peak(name, per_mw, [(self, 1.0)], floor_mw)

    def means(self, values: Array) -> Array:
        """Return the mean of a profile over each metering period that the weights tell apart.

        Parameters
        ----------
        values : ndarray
            Value on each interval. Shape (n,). [any]

        Returns
        -------
        ndarray
            Means. Shape (k,). [as the values]
        """
        if not len(self.period):
            return np.zeros(0)
        result = np.bincount(self.period, weights=self.weight * values[self.position])
        return result.astype(np.float64)


def metered(
    horizon: Horizon, period: LocalMonth, minutes: int, window: ClockWindow, holidays: Sequence[dt.date] = ()
) -> Metered:
    """Return the metering periods of a billing period that count: those that start inside a window.

    Parameters
    ----------
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    period : LocalMonth
        The billing period. [-]
    minutes : int
        Length of a metering period. [min]
    window : ClockWindow
        When a metering period counts. [-]
    holidays : sequence of date
        Days of the type 'holiday'. [-]

    Returns
    -------
    Metered
        The metering periods. [-]
    """
    starts, ends = calendar.metering_periods(horizon, minutes)
    local = calendar.local_times(starts, horizon.timezone, holidays)
    counts = window.holds(local.month, local.day_type, local.minute)
    counts &= (starts >= period.start_min) & (starts < period.end_min)
    starts, ends = starts[counts], ends[counts]
    telling = telling_periods(horizon, starts, ends)
    return Metered(
        np.maximum(starts, horizon.start_min),
        np.minimum(ends, horizon.end_min),
        *metered_means(horizon, *telling),
        *ramps_inside(horizon, *telling),
    )


def joined_peak(name: str, per_mw: float, parts: Sequence[tuple[Metered, float]], floor_mw: float) -> Peak:
    """Return a peak over several sets of metering periods, each counted by a factor.

    Parameters
    ----------
    name : str
        Name of the term. [-]
    per_mw : float
        Price, 0 or more. [currency/MW]
    parts : sequence of (Metered, float)
        Metering periods and the factor on their means. [-]
    floor_mw : float
        Peak that is charged anyway. [MW]

    Returns
    -------
    Peak
        The peak. [-]
    """
    first = np.concatenate([[0], np.cumsum([1 + int(m.period.max(initial=-1)) for m, _ in parts])])
    pairs = list(zip(parts, first[:-1].tolist(), strict=True))
    return Peak(
        name,
        per_mw,
        np.concatenate([m.period + start for (m, _), start in pairs]),
        np.concatenate([m.position for m, _ in parts]),
        np.concatenate([factor * m.weight for m, factor in parts]),
        floor_mw=floor_mw,
        ramp_period=np.concatenate([m.ramp_period + start for (m, _), start in pairs]),
        ramp_position=np.concatenate([m.ramp_position for m, _ in parts]),
        ramp_per_h=np.concatenate([factor * m.ramp_per_h for m, factor in parts]),
    )


def share_in(
    horizon: Horizon, period: LocalMonth, window: ClockWindow, holidays: Sequence[dt.date] = ()
) -> Array:
    """Return which share of each interval lies inside a window and a billing period.

    Parameters
    ----------
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    period : LocalMonth
        The billing period; periods begin at local midnights. [-]
    window : ClockWindow
        The window. [-]
    holidays : sequence of date
        Days of the type 'holiday'. [-]

    Returns
    -------
    ndarray
        Shares of elapsed time from 0 to 1. Shape (n,). [-]
    """
    cut = calendar.slices(horizon, [window], holidays)
    inside = cut.inside[0] & (cut.starts_min >= period.start_min) & (cut.starts_min < period.end_min)
    minutes = np.bincount(cut.position, weights=cut.lengths_min * inside, minlength=len(horizon))
    result: Array = minutes / horizon.lengths_min
    return result


def day_text(minute: int, timezone: str) -> str:
    """Return the local calendar day of an instant.

    Parameters
    ----------
    minute : int
        Minutes since the epoch. [min]
    timezone : str
        IANA name of the time zone. [-]

    Returns
    -------
    str
        Day 'YYYY-MM-DD'. [-]
    """
    return instant_of(minute).astimezone(ZoneInfo(timezone)).date().isoformat()
