"""Local clock and calendar of contracts: day types, clock windows, metering periods, months.

Owns the step from UTC minutes to the local clock (days of 23, 24 and 25 hours), the share of an
interval inside a window of clock, day types and months, and the periods a demand meter averages
over. Knows no price; named holiday calendars are resolved to dates before they get here.

Every instant is judged by its own local date: in a window that wraps midnight, the hours after
midnight belong to the day type and month of the day they fall on.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from models.checks import InvalidValues, Rule, check
from models.horizon import Array, Horizon, Integers, Mask, day_start_minute, instant_of

DAY_TYPES = ("weekday", "saturday", "sunday", "holiday")
"""Kinds of day; a holiday is only a holiday, whatever its day of the week."""

METERING_MINUTES = (15, 30, 60)
"""Lengths of a metering period that a demand charge may use. [min]"""

MINUTES_PER_DAY = 1440

_FIRST_DAY = dt.date(1970, 1, 1)
_CLOCK = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")
# A zone that changed its offset twice within this span, to and fro, would go unseen; none does.
_OFFSET_SAMPLE_MIN = 360


def clock_minute(text: str) -> int:
    """Return the minute of the day of a clock time.

    Parameters
    ----------
    text : str
        Clock time 'HH:MM', from '00:00' to '24:00'. [-]

    Returns
    -------
    int
        Minutes since midnight by the clock, 0 to 1440. [min]

    Raises
    ------
    ValueError
        If the text is not a clock time.
    """
    if text == "24:00":
        return MINUTES_PER_DAY
    found = _CLOCK.fullmatch(text)
    if found is None:
        raise ValueError(f"a clock time must be 'HH:MM' from '00:00' to '24:00' (got {text!r})")
    return 60 * int(found[1]) + int(found[2])


def clock_text(minute: int) -> str:
    """Return the clock time of a minute of the day.

    Parameters
    ----------
    minute : int
        Minutes since midnight by the clock, 0 to 1440. [min]

    Returns
    -------
    str
        Clock time 'HH:MM'. [-]
    """
    return f"{minute // 60:02d}:{minute % 60:02d}"


def months_text(months: Sequence[int]) -> str:
    """Return months in words, neighbours joined.

    Parameters
    ----------
    months : sequence of int
        Months, 1 to 12, ascending. [-]

    Returns
    -------
    str
        Such as 'months 1-3, 11-12'. [-]
    """
    runs: list[list[int]] = []
    for month in months:
        if runs and month == runs[-1][-1] + 1:
            runs[-1].append(month)
        else:
            runs.append([month])
    return "months " + ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]}-{r[-1]}" for r in runs)


def clock_time(last: str = "23:59") -> Rule:
    """Rule: the value is a clock time 'HH:MM'.

    Parameters
    ----------
    last : str
        Latest time allowed, '23:59' or '24:00'. [-]

    Returns
    -------
    Rule
        The rule.
    """

    def rule(value: Any) -> str | None:
        good = isinstance(value, str) and (_CLOCK.fullmatch(value) is not None or value == last)
        return None if good else f"must be a clock time 'HH:MM' from '00:00' to '{last}'"

    return rule


def month_numbers() -> Rule:
    """Rule: the value holds months from 1 to 12, each at most once.

    Returns
    -------
    Rule
        The rule.
    """

    def rule(value: Any) -> str | None:
        good = isinstance(value, (tuple, list)) and all(
            isinstance(month, int) and not isinstance(month, bool) and 1 <= month <= 12 for month in value
        )
        return None if good and len(set(value)) == len(value) else "must hold months 1 to 12, each once"

    return rule


def day_type_names() -> Rule:
    """Rule: the value holds names of day types, each at most once.

    Returns
    -------
    Rule
        The rule.
    """

    def rule(value: Any) -> str | None:
        good = isinstance(value, (tuple, list)) and all(name in DAY_TYPES for name in value)
        if good and len(set(value)) == len(value):
            return None
        return "must hold some of " + ", ".join(map(repr, DAY_TYPES)) + ", each once"

    return rule


def day_type(day: dt.date, holidays: Sequence[dt.date] = ()) -> str:
    """Return the day type of a local calendar day.

    Parameters
    ----------
    day : date
        Local calendar day. [-]
    holidays : sequence of date
        Days that count as holidays. [-]

    Returns
    -------
    str
        One of `DAY_TYPES`. [-]
    """
    number = np.array([(day - _FIRST_DAY).days], dtype=np.int64)
    return DAY_TYPES[int(_day_type_codes(number, holidays)[0])]


@dataclass(frozen=True, eq=False)
class LocalTimes:
    """What the local calendar and clock show at some instants.

    Parameters
    ----------
    day : ndarray
        Local calendar day, counted from 1970-01-01. Shape (m,). [d]
    month : ndarray
        Month of that day, 1 to 12. Shape (m,). [-]
    day_type : ndarray
        Position of the day's type in `DAY_TYPES`. Shape (m,). [-]
    minute : ndarray
        Minutes since midnight by the clock, 0 to 1439. Shape (m,). [min]
    """

    day: Integers
    month: Integers
    day_type: Integers
    minute: Integers


@dataclass(frozen=True)
class ClockWindow:
    """A window of the local clock on some day types in some months.

    Parameters
    ----------
    seasons : tuple of int
        Months, 1 to 12; empty for all. [-]
    day_types : tuple of str
        Day types, some of `DAY_TYPES`; empty for all. [-]
    from_time : str
        First clock time inside, 'HH:MM'. [-]
    to_time : str
        First clock time outside, 'HH:MM' or '24:00'; before `from_time` for a window that wraps
        midnight ('00:00' means the same as '24:00'). [-]

    Raises
    ------
    InvalidValues
        If a month, day type or time is not one, or both times are the same.
    """

    seasons: tuple[int, ...] = ()
    day_types: tuple[str, ...] = ()
    from_time: str = "00:00"
    to_time: str = "24:00"

    def __post_init__(self) -> None:
        check(
            self,
            seasons=month_numbers(),
            day_types=day_type_names(),
            from_time=clock_time(),
            to_time=clock_time("24:00"),
        )
        if self.from_time == self.to_time:
            text = (
                "'to_time' must differ from 'from_time' (got "
                f"{self.to_time!r} for both); write '00:00' and '24:00' for the whole day"
            )
            raise InvalidValues([("to_time", text)])

    @property
    def edges(self) -> tuple[int, int]:
        """First minute of the day inside and first minute outside. [min]."""
        return clock_minute(self.from_time), clock_minute(self.to_time) or MINUTES_PER_DAY

    def holds(self, month: Integers, day_type: Integers, minute: Integers) -> Mask:
        """Return which instants lie inside the window.

        Parameters
        ----------
        month : ndarray
            Months, 1 to 12. Shape (m,), or any shapes that broadcast. [-]
        day_type : ndarray
            Positions in `DAY_TYPES`. Shape (m,). [-]
        minute : ndarray
            Minutes of the day, 0 to 1439. Shape (m,). [min]

        Returns
        -------
        ndarray
            Whether the instant is inside. Shape (m,). [-]
        """
        start, end = self.edges
        inside = (minute >= start) & (minute < end) if start < end else (minute >= start) | (minute < end)
        in_season = np.isin(month, self.seasons) if self.seasons else np.ones_like(month, dtype=np.bool_)
        codes = [DAY_TYPES.index(name) for name in self.day_types]
        on_day = np.isin(day_type, codes) if codes else np.ones_like(day_type, dtype=np.bool_)
        result: Mask = inside & in_season & on_day
        return result


def check_with_window(record: Any, window: Callable[[], ClockWindow], **rules: Rule) -> None:
    """Check a record that has the fields of a window beside others, and report all problems at once.

    Parameters
    ----------
    record : dataclass instance
        Record to check.
    window : callable
        Builds the window from the record's fields, and so checks them. [-]
    **rules : Rule
        Rules for the other fields, under the name of the field.

    Raises
    ------
    InvalidValues
        When a value of the record or of its window breaks a rule.
    """
    problems: list[tuple[str, str]] = []
    for checked in (lambda: check(record, **rules), window):
        try:
            checked()
        except InvalidValues as error:
            problems.extend(error.problems)
    if problems:
        raise InvalidValues(problems)


@dataclass(frozen=True)
class LocalMonth:
    """A local calendar month and when it begins and ends.

    Parameters
    ----------
    label : str
        Month as 'YYYY-MM'. [-]
    number : int
        Month of the year, 1 to 12. [-]
    start_min, end_min : int
        From local midnight to local midnight, since the epoch. [min]
    """

    label: str
    number: int
    start_min: int
    end_min: int


@dataclass(frozen=True, eq=False)
class Slices:
    """A horizon cut so finely that inside a slice no window begins or ends.

    Parameters
    ----------
    starts_min, lengths_min : ndarray
        Start since the epoch and length of each slice, ascending, without gaps. Shape (s,). [min]
    position : ndarray
        Horizon interval each slice lies in. Shape (s,). [-]
    inside : ndarray
        Whether the slice is inside each window. Shape (windows, s). [-]
    """

    starts_min: Integers
    lengths_min: Integers
    position: Integers
    inside: Mask


def local_times(minutes: Integers, timezone: str, holidays: Sequence[dt.date] = ()) -> LocalTimes:
    """Return what the local calendar and clock show at some instants.

    Parameters
    ----------
    minutes : ndarray
        Instants since the epoch, one or more. Shape (m,). [min]
    timezone : str
        IANA name of the time zone. [-]
    holidays : sequence of date
        Days that count as holidays. [-]

    Returns
    -------
    LocalTimes
        Day, month, day type and minute of the day. [-]
    """
    since, offsets = _offset_steps(int(minutes.min()), int(minutes.max()) + 1, timezone)
    local = minutes + offsets[np.searchsorted(since, minutes, side="right") - 1]
    day, minute = np.divmod(local, MINUTES_PER_DAY)
    months_since_epoch = day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    return LocalTimes(day, months_since_epoch % 12 + 1, _day_type_codes(day, holidays), minute)


def slices(horizon: Horizon, windows: Sequence[ClockWindow], holidays: Sequence[dt.date] = ()) -> Slices:
    """Return a horizon cut at every edge of some windows, at midnights and at clock changes.

    Parameters
    ----------
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    windows : sequence of ClockWindow
        The windows. [-]
    holidays : sequence of date
        Days that count as holidays. [-]

    Returns
    -------
    Slices
        The slices, and in which windows each lies. [-]
    """
    clock_edges = sorted({0, *(edge % MINUTES_PER_DAY for window in windows for edge in window.edges)})
    since, offsets = _offset_steps(horizon.start_min, horizon.end_min, horizon.timezone)
    cuts = [horizon.starts_min, since]
    for start, end, offset in zip(since, [*since[1:], horizon.end_min], offsets, strict=True):
        days = np.arange((start + offset) // MINUTES_PER_DAY, (end + offset) // MINUTES_PER_DAY + 1)
        at = (days[:, None] * MINUTES_PER_DAY + np.array(clock_edges)[None, :]).ravel() - offset
        cuts.append(at[(at > start) & (at < end)])
    starts = np.unique(np.concatenate(cuts))
    lengths = np.diff(np.append(starts, horizon.end_min))
    position = np.searchsorted(horizon.starts_min, starts, side="right") - 1
    local = local_times(starts, horizon.timezone, holidays)
    inside = np.zeros((len(windows), len(starts)), dtype=np.bool_)
    for row, window in enumerate(windows):
        inside[row] = window.holds(local.month, local.day_type, local.minute)
    return Slices(starts, lengths, position.astype(np.int64), inside)


def shares(horizon: Horizon, windows: Sequence[ClockWindow], holidays: Sequence[dt.date] = ()) -> Array:
    """Return which share of each interval lies inside each window.

    Parameters
    ----------
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    windows : sequence of ClockWindow
        The windows. [-]
    holidays : sequence of date
        Days that count as holidays. [-]

    Returns
    -------
    ndarray
        Shares of elapsed time from 0 to 1. Shape (windows, n). [-]
    """
    cut = slices(horizon, windows, holidays)
    result = np.zeros((len(windows), len(horizon)))
    for row, inside in enumerate(cut.inside):
        minutes = np.bincount(cut.position, weights=cut.lengths_min * inside, minlength=len(horizon))
        result[row] = minutes / horizon.lengths_min
    return result


def months(horizon: Horizon) -> tuple[LocalMonth, ...]:
    """Return the local calendar months in which a horizon has time.

    Parameters
    ----------
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]

    Returns
    -------
    tuple of LocalMonth
        The months, in order, each from its first to its last day. [-]
    """
    ends = np.array([horizon.start_min, horizon.end_min - 1], dtype=np.int64)
    first, last = local_times(ends, horizon.timezone).day.astype("datetime64[D]").astype("datetime64[M]")
    starts = [month.astype("datetime64[D]").item() for month in np.arange(first, last + 2)]
    return tuple(
        LocalMonth(
            f"{start.year:04d}-{start.month:02d}",
            start.month,
            day_start_minute(start, horizon.timezone),
            day_start_minute(end, horizon.timezone),
        )
        for start, end in pairwise(starts)
    )


def metering_periods(horizon: Horizon, minutes: int) -> tuple[Integers, Integers]:
    """Return the metering periods that a horizon touches.

    Periods follow each other from each local midnight to the next, so a day of 23 or 25 hours has
    fewer or more of them; where a clock change leaves a rest, the day's last period is shorter.

    Parameters
    ----------
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    minutes : int
        Length of a metering period. [min]

    Returns
    -------
    starts_min, ends_min : ndarray
        Start and end of each period since the epoch, also where the first or the last reaches
        beyond the horizon. Each shape (k,). [min]
    """
    ends = np.array([horizon.start_min, horizon.end_min - 1], dtype=np.int64)
    first, last = (int(day) for day in local_times(ends, horizon.timezone).day)
    midnights = [
        day_start_minute(_FIRST_DAY + dt.timedelta(days=day), horizon.timezone)
        for day in range(first, last + 2)
    ]
    period_starts = np.concatenate([np.arange(a, b, minutes, dtype=np.int64) for a, b in pairwise(midnights)])
    period_ends = np.append(period_starts[1:], midnights[-1])
    touched = (period_ends > horizon.start_min) & (period_starts < horizon.end_min)
    return period_starts[touched], period_ends[touched]


def energy_mwh(horizon: Horizon, power_mw: Array, starts_min: Integers, ends_min: Integers) -> Array:
    """Return the energy drawn in some spans of time.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    power_mw : ndarray
        Mean import on each interval, constant inside it. Shape (n,). [MW]
    starts_min, ends_min : ndarray
        Spans since the epoch; what lies outside the horizon counts nothing. Each shape (k,). [min]

    Returns
    -------
    ndarray
        Energy of each span. Shape (k,). [MWh]
    """
    edges = np.append(horizon.starts_min, horizon.end_min)
    drawn = np.concatenate([[0.0], np.cumsum(power_mw * horizon.hours)])
    result: Array = np.interp(ends_min, edges, drawn) - np.interp(starts_min, edges, drawn)
    return result


def _day_type_codes(day: Integers, holidays: Sequence[dt.date]) -> Integers:
    # 1970-01-01 was a Thursday: Monday is 0.
    weekday = (day + 3) % 7
    codes = np.where(weekday == 5, 1, np.where(weekday == 6, 2, 0))
    free = np.array([(holiday - _FIRST_DAY).days for holiday in holidays], dtype=np.int64)
    return np.where(np.isin(day, free), DAY_TYPES.index("holiday"), codes).astype(np.int64)


def _offset_steps(start_min: int, end_min: int, timezone: str) -> tuple[Integers, Integers]:
    """Return from which minute on which offset from UTC holds, within [start, end)."""
    zone = ZoneInfo(timezone)

    def offset(minute: int) -> int:
        instant = instant_of(minute)
        return (instant.astimezone(zone).replace(tzinfo=dt.UTC) - instant) // dt.timedelta(minutes=1)

    steps = [(start_min, offset(start_min))]
    for left, right in pairwise([*range(start_min, end_min, _OFFSET_SAMPLE_MIN), end_min]):
        low, high = left, right
        if offset(right) == steps[-1][1]:
            continue
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if offset(middle) == steps[-1][1] else (low, middle)
        if high < end_min:
            steps.append((high, offset(high)))
    since, offsets = np.array(steps, dtype=np.int64).T
    return since, offsets
