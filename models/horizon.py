"""Time: the intervals of a plan, and series of values on intervals.

Owns intervals (UTC instants with a length), their local days and months, and the mapping of a
series (prices, profiles) onto them. Knows nothing of files: readers hand over minutes and values.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from models.shifts import ShiftCalendar

Array = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

ALLOWED_LENGTHS_MIN = (5, 15, 30, 60)
"""Lengths of an interval of a plan. [min]"""
FAR_LENGTHS_MIN = (120, 180, 240, 360, 480, 720, 1440)
"""Further lengths, for the far look-ahead of a study, where only the worth of stocks matters. [min]"""
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def minute_of(instant: dt.datetime) -> int:
    """Return the whole minutes from 1970-01-01T00:00Z to an instant.

    Parameters
    ----------
    instant : datetime
        Instant with its offset from UTC, on a whole minute. [-]

    Returns
    -------
    int
        Minutes since the epoch. [min]

    Raises
    ------
    ValueError
        If the instant has no offset or is not on a whole minute.
    """
    if instant.tzinfo is None:
        raise ValueError(f"an instant needs an offset from UTC (got {instant.isoformat()})")
    minutes, rest = divmod(instant - _EPOCH, dt.timedelta(minutes=1))
    if rest:
        raise ValueError(f"an instant must be on a whole minute (got {instant.isoformat()})")
    return minutes


def instant_of(minute: int) -> dt.datetime:
    """Return the UTC instant of a minute since 1970-01-01T00:00Z.

    Parameters
    ----------
    minute : int
        Minutes since the epoch. [min]

    Returns
    -------
    datetime
        Instant in UTC. [-]
    """
    return _EPOCH + dt.timedelta(minutes=int(minute))


def day_start_minute(day: dt.date, timezone: str) -> int:
    """Return the minute at which a local calendar day starts.

    Parameters
    ----------
    day : date
        Local calendar day. [-]
    timezone : str
        IANA name of the time zone. [-]

    Returns
    -------
    int
        Minutes since the epoch. [min]
    """
    return minute_of(dt.datetime.combine(day, dt.time(), tzinfo=ZoneInfo(timezone)))


@dataclass(frozen=True, eq=False)
class Horizon:
    """The intervals a plan decides about: a plan day and its look-ahead.

    Parameters
    ----------
    starts_min : ndarray
        Start of each interval since 1970-01-01T00:00Z, ascending, without gaps. Shape (n,). [min]
    lengths_min : ndarray
        Length of each interval, one of `ALLOWED_LENGTHS_MIN` or `FAR_LENGTHS_MIN`; may change inside the
        horizon. Shape (n,). [min]
    timezone : str
        IANA name of the zone in which people read times and days begin. [-]
    plan_intervals : int
        How many intervals, from the first, belong to the plan proper; the rest is look-ahead. [-]
    shifts : ShiftCalendar
        When shifts change, on the local clock. [-]

    Raises
    ------
    ValueError
        If the intervals are empty, overlap, leave a gap or have another length.
    """

    starts_min: Integers
    lengths_min: Integers
    timezone: str
    plan_intervals: int
    shifts: ShiftCalendar = field(default_factory=ShiftCalendar)

    def __post_init__(self) -> None:
        if len(self.starts_min) == 0 or len(self.starts_min) != len(self.lengths_min):
            raise ValueError("a horizon needs one start and one length for each of one or more intervals")
        known = (*ALLOWED_LENGTHS_MIN, *FAR_LENGTHS_MIN)
        wrong = [int(x) for x in np.unique(self.lengths_min) if x not in known]
        if wrong:
            raise ValueError(f"interval lengths must be one of {ALLOWED_LENGTHS_MIN} [min] (got {wrong})")
        ends = self.starts_min + self.lengths_min
        bad = np.flatnonzero(self.starts_min[1:] != ends[:-1])
        if bad.size:
            at = instant_of(int(ends[bad[0]])).isoformat()
            raise ValueError(f"intervals must follow each other without gap or overlap (broken at {at})")
        if not 1 <= self.plan_intervals <= len(self.starts_min):
            raise ValueError(
                f"'plan_intervals' must be between 1 and {len(self.starts_min)} (got {self.plan_intervals})"
            )

    @classmethod
    def of_days(
        cls,
        first_day: dt.date,
        timezone: str,
        minutes: int = 60,
        look_ahead_days: int = 0,
        look_ahead_minutes: int | None = None,
        shifts: ShiftCalendar | None = None,
    ) -> Horizon:
        """Return a horizon of one plan day and some days of look-ahead.

        Parameters
        ----------
        first_day : date
            Plan day, from local midnight to local midnight (23, 24 or 25 hours). [-]
        timezone : str
            IANA name of the time zone. [-]
        minutes : int
            Length of an interval on the plan day. [min]
        look_ahead_days : int
            Days after the plan day, 0 or more. [d]
        look_ahead_minutes : int, optional
            Length of an interval after the plan day; as on the plan day unless given. [min]
        shifts : ShiftCalendar, optional
            When shifts change; one shift a day unless given. [-]

        Returns
        -------
        Horizon
            The intervals. [-]

        Raises
        ------
        ValueError
            If the intervals do not fill the days, as on a day changed by half an hour.
        """
        bounds = [
            day_start_minute(first_day + dt.timedelta(days=d), timezone) for d in (0, 1, 1 + look_ahead_days)
        ]
        for length, low, high in ((minutes, *bounds[:2]), (look_ahead_minutes or minutes, *bounds[1:])):
            if (high - low) % length:
                raise ValueError(
                    f"intervals of {length} min do not fill the days from {first_day}: choose a shorter one"
                )
        plan = np.arange(bounds[0], bounds[1], minutes, dtype=np.int64)
        later_minutes = look_ahead_minutes or minutes
        later = np.arange(bounds[1], bounds[2], later_minutes, dtype=np.int64)
        lengths = np.concatenate([np.full(len(plan), minutes), np.full(len(later), later_minutes)])
        return cls(
            np.concatenate([plan, later]),
            lengths.astype(np.int64),
            timezone,
            len(plan),
            shifts or ShiftCalendar(),
        )

    def __len__(self) -> int:
        """Return the number of intervals."""
        return len(self.starts_min)

    @property
    def start_min(self) -> int:
        """First minute of the horizon since the epoch. [min]."""
        return int(self.starts_min[0])

    @property
    def end_min(self) -> int:
        """Minute at which the horizon ends, since the epoch. [min]."""
        return int(self.starts_min[-1] + self.lengths_min[-1])

    @cached_property
    def hours(self) -> Array:
        """Length of each interval. Shape (n,). [h]."""
        result: Array = self.lengths_min / 60.0
        return result

    @cached_property
    def local_starts(self) -> tuple[dt.datetime, ...]:
        """Start of each interval in local time with its offset. Length n. [-]."""
        zone = ZoneInfo(self.timezone)
        return tuple(instant_of(int(m)).astimezone(zone) for m in self.starts_min)

    @cached_property
    def days(self) -> tuple[dt.date, ...]:
        """Local calendar day of each interval. Length n. [-]."""
        return tuple(start.date() for start in self.local_starts)

    @cached_property
    def months(self) -> tuple[str, ...]:
        """Local calendar month of each interval, as 'YYYY-MM'. Length n. [-]."""
        return tuple(f"{day.year:04d}-{day.month:02d}" for day in self.days)

    @cached_property
    def shift_labels(self) -> tuple[str, ...]:
        """Shift in which each interval starts, by local day and starting time. Length n. [-]."""
        return tuple(self.shifts.label(start) for start in self.local_starts)

    @cached_property
    def quiet_starts(self) -> Mask:
        """Whether an interval starts in a quiet time: no load may change there. Shape (n,). [-]."""
        return np.array([self.shifts.is_quiet(start) for start in self.local_starts])

    def share_inside(self, start_min: int, end_min: int) -> Array:
        """Return which share of each interval lies inside a window.

        Parameters
        ----------
        start_min, end_min : int
            Window [start, end) since the epoch. [min]

        Returns
        -------
        ndarray
            Shares from 0 to 1. Shape (n,). [-]
        """
        ends = self.starts_min + self.lengths_min
        overlap = np.minimum(ends, end_min) - np.maximum(self.starts_min, start_min)
        share: Array = np.clip(overlap, 0, None) / self.lengths_min
        return share

    def pairs_within(self, minutes: float) -> tuple[Integers, Integers]:
        """Return all pairs of intervals that a movement limit "per so many minutes" ties together.

        Two intervals are tied when the gap between the earlier one's end and the later one's start is
        less than the given time. Stated so, a limit means the same at every resolution: a plan that
        keeps it keeps it when its intervals are cut into parts.

        Parameters
        ----------
        minutes : float
            Time over which a movement is limited, above 0. [min]

        Returns
        -------
        tuple of ndarray
            Positions of the earlier and of the later interval. Each shape (k,). [-]
        """
        ends = self.starts_min + self.lengths_min
        earlier: list[Integers] = []
        later: list[Integers] = []
        for distance in range(1, len(self)):
            gap = self.starts_min[distance:] - ends[:-distance]
            first = np.flatnonzero(gap < minutes)
            if not first.size:
                break
            earlier.append(first)
            later.append(first + distance)
        if not earlier:
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
        return np.concatenate(earlier), np.concatenate(later)

    def starting(self, minute: int) -> Horizon:
        """Return what is left of the horizon from an instant on.

        Parameters
        ----------
        minute : int
            Start of one of the plan's intervals, since the epoch. [min]

        Returns
        -------
        Horizon
            The rest; its plan proper is the rest of the plan day. [-]

        Raises
        ------
        ValueError
            If no interval of the plan proper starts at that instant.
        """
        first = np.flatnonzero(self.starts_min[: self.plan_intervals] == minute)
        if not first.size:
            raise ValueError(
                f"no interval of the plan day starts at {instant_of(minute).isoformat(timespec='minutes')}: "
                "name the start of one of its intervals"
            )
        i = int(first[0])
        return Horizon(
            self.starts_min[i:],
            self.lengths_min[i:],
            self.timezone,
            self.plan_intervals - i,
            self.shifts,
        )

    def split(self, parts: int) -> Horizon:
        """Return the same horizon with every interval cut in equal parts.

        Parameters
        ----------
        parts : int
            Parts per interval; the length of a part must be an allowed interval length. [-]

        Returns
        -------
        Horizon
            The finer horizon. [-]
        """
        lengths = np.repeat(self.lengths_min // parts, parts)
        offsets = np.tile(np.arange(parts), len(self)) * lengths
        return Horizon(
            np.repeat(self.starts_min, parts) + offsets,
            lengths,
            self.timezone,
            self.plan_intervals * parts,
            self.shifts,
        )


@dataclass(frozen=True, eq=False)
class Series:
    """Values that hold over intervals of their own: prices, site load, profiles.

    Parameters
    ----------
    name : str
        What the values are, used in messages. [-]
    starts_min : ndarray
        Start of each interval since the epoch, ascending, not overlapping. Shape (m,). [min]
    lengths_min : ndarray
        Length of each interval. Shape (m,). [min]
    values : ndarray
        One finite value per interval. Shape (m,). [unit of the series]

    Raises
    ------
    ValueError
        If starts are not ascending, intervals overlap or a value is not finite.
    """

    name: str
    starts_min: Integers
    lengths_min: Integers
    values: Array

    def __post_init__(self) -> None:
        if not len(self.starts_min) == len(self.lengths_min) == len(self.values):
            raise ValueError(f"{self.name}: starts, lengths and values differ in number")
        overlap = np.flatnonzero(self.starts_min[1:] < (self.starts_min + self.lengths_min)[:-1])
        if overlap.size:
            at = instant_of(int(self.starts_min[overlap[0] + 1])).isoformat()
            raise ValueError(f"{self.name}: two values for the interval at {at}")
        if not np.all(np.isfinite(self.values)):
            at = instant_of(int(self.starts_min[np.flatnonzero(~np.isfinite(self.values))[0]])).isoformat()
            raise ValueError(f"{self.name}: the value at {at} is not a finite number")

    @classmethod
    def constant(cls, name: str, value: float, horizon: Horizon) -> Series:
        """Return a series with one value over a whole horizon.

        Parameters
        ----------
        name : str
            What the value is. [-]
        value : float
            The value. [unit of the series]
        horizon : Horizon
            The intervals to cover. [-]

        Returns
        -------
        Series
            The series. [unit of the series]
        """
        return cls(
            name, horizon.starts_min, horizon.lengths_min, np.full(len(horizon), value, dtype=np.float64)
        )

    def missing_on(self, horizon: Horizon) -> tuple[int, ...]:
        """Return the intervals of a horizon that the series does not wholly cover.

        Parameters
        ----------
        horizon : Horizon
            The intervals to cover. [-]

        Returns
        -------
        tuple of int
            Positions of the intervals that are not wholly covered. [-]
        """
        covered = self._integral(horizon, np.ones(len(self.values)))
        return tuple(int(i) for i in np.flatnonzero(covered < horizon.lengths_min))

    def where_given(self, horizon: Horizon) -> tuple[Mask, Array]:
        """Return the intervals of a horizon that the series wholly covers, and its mean on them.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]

        Returns
        -------
        tuple of ndarray
            Whether an interval is covered, and the value there (0 elsewhere). Each shape (n,).
            [-], [unit of the series]
        """
        given = np.ones(len(horizon), dtype=bool)
        given[list(self.missing_on(horizon))] = False
        values: Array = np.where(given, self._integral(horizon, self.values) / horizon.lengths_min, 0.0)
        return given, values

    def on(self, horizon: Horizon) -> Array:
        """Return the time-weighted mean of the series on each interval of a horizon.

        A finer horizon repeats values (an hour's price holds for its quarters); a coarser one takes
        the mean, which is exact for a load that is constant inside the interval.

        Parameters
        ----------
        horizon : Horizon
            The intervals to cover. [-]

        Returns
        -------
        ndarray
            One value per interval. Shape (n,). [unit of the series]

        Raises
        ------
        ValueError
            If any interval is not wholly covered; the message names the first ones.
        """
        missing = self.missing_on(horizon)
        if missing:
            zone = ZoneInfo(horizon.timezone)
            named = ", ".join(
                instant_of(int(horizon.starts_min[i])).astimezone(zone).isoformat(timespec="minutes")
                for i in missing[:5]
            )
            more = f" and {len(missing) - 5} more" if len(missing) > 5 else ""
            raise ValueError(f"{self.name}: no value for {len(missing)} interval(s): {named}{more}")
        result: Array = self._integral(horizon, self.values) / horizon.lengths_min
        return result

    def _integral(self, horizon: Horizon, values: Array) -> Array:
        edges = np.unique(
            np.concatenate(
                [horizon.starts_min, [horizon.end_min], self.starts_min, self.starts_min + self.lengths_min]
            )
        )
        edges = edges[(edges >= horizon.start_min) & (edges <= horizon.end_min)]
        left = edges[:-1]
        if len(self.starts_min) == 0:
            return np.zeros(len(horizon))
        own = np.searchsorted(self.starts_min, left, side="right") - 1
        inside = (own >= 0) & (left < (self.starts_min + self.lengths_min)[own])
        piece = np.where(inside, values[own], 0.0) * np.diff(edges)
        target = np.searchsorted(horizon.starts_min, left, side="right") - 1
        sums: Array = np.bincount(target, weights=piece, minlength=len(horizon)).astype(np.float64)
        return sums


def hull(series: Sequence[Series]) -> tuple[int, int]:
    """Return the first and last minute covered by any of some series.

    Parameters
    ----------
    series : sequence of Series
        One or more series. [-]

    Returns
    -------
    tuple of int
        First minute and end minute since the epoch. [min]
    """
    return (
        min(int(s.starts_min[0]) for s in series),
        max(int(s.starts_min[-1] + s.lengths_min[-1]) for s in series),
    )
