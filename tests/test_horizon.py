"""Intervals, local days of 23, 24 and 25 hours, and series on other intervals."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from models.horizon import Horizon, Series, day_start_minute, instant_of, minute_of
from tests.binding_cases import hours

BERLIN = "Europe/Berlin"
SPRING, AUTUMN = dt.date(2026, 3, 29), dt.date(2026, 10, 25)


def series(values: list[float], start: int = 0, minutes: int = 60) -> Series:
    """Return a series from some minutes after the start of `hours`."""
    first = hours(1).start_min + start
    starts = first + minutes * np.arange(len(values), dtype=np.int64)
    return Series("price", starts, np.full(len(values), minutes, dtype=np.int64), np.array(values))


def test_minute_and_instant() -> None:
    """Minutes count from 1970-01-01T00:00Z whatever the offset; an hour has 60 of them."""
    assert minute_of(dt.datetime(1970, 1, 2, tzinfo=dt.UTC)) == 1440
    east = dt.datetime(1970, 1, 1, 3, tzinfo=dt.timezone(dt.timedelta(hours=2)))
    assert minute_of(east) == 60
    assert instant_of(1440) == dt.datetime(1970, 1, 2, tzinfo=dt.UTC)
    moment = dt.datetime(2026, 6, 8, 14, 15, tzinfo=ZoneInfo(BERLIN))
    assert instant_of(minute_of(moment)) == moment


@pytest.mark.parametrize(
    ("moment", "message"),
    [
        (dt.datetime(2026, 6, 8), r"an instant needs an offset from UTC \(got 2026-06-08T00:00:00\)"),
        (dt.datetime(2026, 6, 8, 0, 0, 30, tzinfo=dt.UTC), "an instant must be on a whole minute"),
    ],
)
def test_instants_that_are_refused(moment: dt.datetime, message: str) -> None:
    """An instant without offset or with seconds is ambiguous or lost."""
    with pytest.raises(ValueError, match=message):
        minute_of(moment)


@pytest.mark.parametrize(("day", "length"), [(dt.date(2026, 6, 8), 24), (SPRING, 23), (AUTUMN, 25)])
def test_length_of_a_local_day(day: dt.date, length: int) -> None:
    """Days of the EU's changes of the clock (Directive 2000/84/EC) have 23 and 25 hours."""
    for minutes in (60, 30, 15):
        horizon = Horizon.of_days(day, BERLIN, minutes)
        assert len(horizon) == length * 60 // minutes
        assert float(np.sum(horizon.hours)) == pytest.approx(length)
        assert set(horizon.days) == {day}


def test_local_times_of_the_long_night() -> None:
    """02:00 comes twice, first at +02:00, then at +01:00."""
    horizon = Horizon.of_days(AUTUMN, BERLIN)
    shown = [start.isoformat(timespec="minutes") for start in horizon.local_starts[2:4]]
    assert shown == ["2026-10-25T02:00+02:00", "2026-10-25T02:00+01:00"]
    assert horizon.months == ("2026-10",) * 25


def test_look_ahead_of_other_intervals() -> None:
    """A day of quarters and two days of hours follow each other without a gap."""
    horizon = Horizon.of_days(dt.date(2026, 6, 30), BERLIN, 15, 2, 60)
    assert (len(horizon), horizon.plan_intervals) == (96 + 48, 96)
    assert horizon.lengths_min[95:97].tolist() == [15, 60]
    assert horizon.months[-1] == "2026-07"
    assert horizon.end_min - horizon.start_min == 3 * 1440
    assert horizon.end_min == day_start_minute(dt.date(2026, 7, 3), BERLIN)


@pytest.mark.parametrize(
    ("starts", "lengths", "plan", "message"),
    [
        ([], [], 1, "a horizon needs one start and one length for each of one or more intervals"),
        ([0, 60], [60], 1, "a horizon needs one start and one length"),
        ([0, 45], [45, 60], 1, r"interval lengths must be one of \(5, 15, 30, 60\) \[min\] \(got \[45\]\)"),
        ([0, 90], [60, 60], 1, r"must follow each other without gap or overlap \(broken at 1970-01-01T01:00"),
        ([0, 30], [60, 60], 1, "must follow each other without gap or overlap"),
        ([0, 60], [60, 60], 0, r"'plan_intervals' must be between 1 and 2 \(got 0\)"),
        ([0, 60], [60, 60], 3, r"'plan_intervals' must be between 1 and 2 \(got 3\)"),
    ],
)
def test_horizons_that_are_refused(starts: list[int], lengths: list[int], plan: int, message: str) -> None:
    """Intervals that leave a gap, overlap or have another length are no horizon."""
    with pytest.raises(ValueError, match=message):
        Horizon(np.array(starts, dtype=np.int64), np.array(lengths, dtype=np.int64), BERLIN, plan)


def test_day_changed_by_half_an_hour() -> None:
    """Lord Howe Island moves its clock by 30 minutes: hours do not fill such a day, half hours do."""
    day = dt.date(2026, 4, 5)
    with pytest.raises(ValueError, match="intervals of 60 min do not fill the days from 2026-04-05"):
        Horizon.of_days(day, "Australia/Lord_Howe", 60)
    assert len(Horizon.of_days(day, "Australia/Lord_Howe", 30)) == 49


def test_share_inside_a_window() -> None:
    """A window of 00:45 to 02:30 covers a quarter, all and half of three hours, and nothing of the fourth."""
    horizon = hours(4)
    share = horizon.share_inside(horizon.start_min + 45, horizon.start_min + 150)
    assert share == pytest.approx([0.25, 1.0, 0.5, 0.0])


def test_pairs_within_a_time_of_mixed_intervals() -> None:
    """Quarters before hours: tied where the gap is less than 60 min."""
    start = hours(1).start_min
    horizon = Horizon(
        start + np.array([0, 15, 30, 90], dtype=np.int64), np.array([15, 15, 60, 60]), BERLIN, 4
    )
    earlier, later = horizon.pairs_within(60.0)
    # Gaps: 0-1 0, 1-2 0, 2-3 0, 0-2 15, 1-3 60 (not less than 60), 0-3 75.
    pairs = set(zip(earlier.tolist(), later.tolist(), strict=True))
    assert pairs == {(0, 1), (1, 2), (2, 3), (0, 2)}


def test_pairs_of_one_interval() -> None:
    """One interval has nothing to be tied to."""
    earlier, later = hours(1).pairs_within(60.0)
    assert (earlier.size, later.size) == (0, 0)


@pytest.mark.parametrize("minutes", [15.0, 30.0, 60.0, 120.0])
def test_finer_intervals_keep_the_limit_of_movement(minutes: float) -> None:
    """Parts that are tied lie in one interval or in tied ones, so a plan keeps its limit when cut."""
    whole = hours(5)
    tied = set(zip(*(ends.tolist() for ends in whole.pairs_within(minutes)), strict=True))
    earlier, later = whole.split(4).pairs_within(minutes)
    for a, b in zip((earlier // 4).tolist(), (later // 4).tolist(), strict=True):
        assert a == b or (a, b) in tied


def test_split() -> None:
    """An hour in four parts is four quarters at the same place; the plan day keeps its length."""
    fine = Horizon.of_days(SPRING, BERLIN, 60, 1).split(4)
    assert fine.plan_intervals == 23 * 4
    assert fine.lengths_min.tolist() == [15] * 47 * 4
    assert np.array_equal(fine.starts_min, Horizon.of_days(SPRING, BERLIN, 15, 1).starts_min)


def test_series_on_finer_intervals_repeats() -> None:
    """An hour's price holds for its quarters."""
    assert series([40.0, 80.0]).on(hours(8, 15)) == pytest.approx([40.0] * 4 + [80.0] * 4)


def test_series_on_coarser_intervals_is_the_mean() -> None:
    """Quarters of 10, 20, 30 and 60 make an hour of 30."""
    assert series([10.0, 20.0, 30.0, 60.0], minutes=15).on(hours(1)) == pytest.approx([30.0])


def test_series_that_starts_inside_an_interval() -> None:
    """Hours from 23:30 to 01:30 give the hour from 00:00 half of each."""
    assert series([10.0, 50.0], start=-30).on(hours(1)) == pytest.approx([30.0])


def test_constant_series() -> None:
    """A constant is the same on any intervals."""
    assert Series.constant("x", 7.0, hours(2)).on(hours(8, 15)) == pytest.approx(np.full(8, 7.0))


def test_series_with_missing_intervals() -> None:
    """Missing intervals are named in local time, five of them and how many more."""
    short = series([10.0])
    assert short.missing_on(hours(3)) == (1, 2)
    message = r"price: no value for 7 interval\(s\): 2026-06-08T01:00\+02:00, .*T05:00\+02:00 and 2 more"
    with pytest.raises(ValueError, match=message):
        short.on(hours(8))
    half = series([10.0], start=30)
    assert half.missing_on(hours(2)) == (0, 1)


@pytest.mark.parametrize(
    ("starts", "values", "message"),
    [
        ([0], [1.0, 2.0], "price: starts, lengths and values differ in number"),
        ([0, 30], [1.0, 2.0], r"price: two values for the interval at 1970-01-01T00:30:00\+00:00"),
        ([60, 0], [1.0, 2.0], "price: two values for the interval at"),
        ([0, 60], [1.0, float("nan")], r"price: the value at 1970-01-01T01:00:00\+00:00 is not a finite"),
    ],
)
def test_series_that_are_refused(starts: list[int], values: list[float], message: str) -> None:
    """Two values for one time, or no number, are refused with the time."""
    lengths = np.full(len(starts), 60, dtype=np.int64)
    with pytest.raises(ValueError, match=message):
        Series("price", np.array(starts, dtype=np.int64), lengths, np.array(values))
