"""Shifts on the local clock: labels, quiet times, days with a clock change, bad values."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from models.checks import InvalidValues
from models.horizon import Horizon
from models.shifts import ShiftCalendar

BERLIN = ZoneInfo("Europe/Berlin")
THREE = ShiftCalendar(("06:00", "14:00", "22:00"), 15.0, 30.0)


def at(text: str) -> dt.datetime:
    """Return a local moment."""
    return dt.datetime.fromisoformat(text).replace(tzinfo=BERLIN)


@pytest.mark.parametrize(
    ("moment", "label"),
    [
        ("2026-06-08T06:00", "2026-06-08 06:00"),
        ("2026-06-08T13:59", "2026-06-08 06:00"),
        ("2026-06-08T14:00", "2026-06-08 14:00"),
        ("2026-06-08T22:00", "2026-06-08 22:00"),
        ("2026-06-09T00:00", "2026-06-08 22:00"),
        ("2026-06-09T05:59", "2026-06-08 22:00"),
        ("2026-07-01T03:00", "2026-06-30 22:00"),
        ("2027-01-01T03:00", "2026-12-31 22:00"),
    ],
)
def test_a_night_shift_keeps_the_label_of_the_evening_it_began(moment: str, label: str) -> None:
    """Before the day's first change the shift is the last one of the day before."""
    assert THREE.label(at(moment)) == label


def test_without_starts_the_local_day_is_one_shift_and_nothing_is_quiet() -> None:
    """An empty calendar has one shift per local day and no quiet time, whatever the quiet minutes."""
    calendar = ShiftCalendar((), 60.0, 60.0)
    assert calendar.label(at("2026-06-08T23:59")) == "2026-06-08"
    assert not any(calendar.is_quiet(at(f"2026-06-08T{hour:02d}:00")) for hour in range(24))


def test_a_single_start_makes_shifts_of_a_whole_day() -> None:
    """With one change a day at 07:00, 06:59 belongs to the day before."""
    calendar = ShiftCalendar(("07:00",))
    assert calendar.label(at("2026-06-08T06:59")) == "2026-06-07 07:00"
    assert calendar.label(at("2026-06-08T07:00")) == "2026-06-08 07:00"


@pytest.mark.parametrize(
    ("clock", "quiet"),
    [
        ("05:44", False),
        ("05:45", True),
        ("06:00", True),
        ("06:29", True),
        ("06:30", False),
        ("13:45", True),
        ("14:30", False),
    ],
)
def test_quiet_time_holds_its_first_minute_and_not_its_last(clock: str, quiet: bool) -> None:
    """The quiet window [start - before, start + after) is closed below and open above."""
    assert THREE.is_quiet(at(f"2026-06-08T{clock}")) is quiet


@pytest.mark.parametrize(
    ("start", "clock", "quiet"),
    [
        ("00:00", "23:44", False),
        ("00:00", "23:45", True),
        ("00:00", "00:29", True),
        ("00:00", "00:30", False),
        ("23:50", "00:19", True),
        ("23:50", "00:20", False),
        ("00:10", "23:54", False),
        ("00:10", "23:55", True),
    ],
)
def test_quiet_time_goes_over_midnight(start: str, clock: str, quiet: bool) -> None:
    """A change near midnight is quiet on both days."""
    assert ShiftCalendar((start,), 15.0, 30.0).is_quiet(at(f"2026-06-08T{clock}")) is quiet


@pytest.mark.parametrize(
    ("before", "after", "expected"), [(0.0, 0.0, []), (0.0, 15.0, [0]), (15.0, 0.0, [-15])]
)
def test_zero_quiet_time_on_one_side_leaves_that_side_free(
    before: float, after: float, expected: list[int]
) -> None:
    """Without a quiet time after it the change of shift itself is free; without any, nothing is quiet."""
    calendar = ShiftCalendar(("06:00",), before, after)
    quarters = range(-30, 31, 15)
    six = at("2026-06-08T06:00")
    assert [m for m in quarters if calendar.is_quiet(six + dt.timedelta(minutes=m))] == expected


@pytest.mark.parametrize(
    ("day", "night_h"),
    [(dt.date(2026, 6, 8), 6), (dt.date(2026, 3, 29), 5), (dt.date(2026, 10, 25), 7)],
    ids=["plain", "23 hours", "25 hours"],
)
def test_the_night_shift_takes_the_clock_change(day: dt.date, night_h: int) -> None:
    """From midnight the night shift has 6 hours, 5 where the clock goes forward and 7 where it goes back.

    The clock of Central Europe changes at 01:00 UTC on the last Sundays of March and October (Directive
    2000/84/EC).
    """
    horizon = Horizon.of_days(day, "Europe/Berlin", shifts=THREE)
    evening = (day - dt.timedelta(days=1)).isoformat()
    assert [horizon.shift_labels.count(label) for label in dict.fromkeys(horizon.shift_labels)] == [
        night_h,
        8,
        8,
        2,
    ]
    assert horizon.shift_labels[0] == f"{evening} 22:00"
    assert [
        start.hour for start, quiet in zip(horizon.local_starts, horizon.quiet_starts, strict=True) if quiet
    ] == [
        6,
        14,
        22,
    ]


def test_a_quiet_time_in_the_repeated_hour_holds_twice() -> None:
    """A quiet time from 02:00 to 02:30 holds in both hours that the clock calls two o'clock."""
    horizon = Horizon.of_days(
        dt.date(2026, 10, 25), "Europe/Berlin", 15, shifts=ShiftCalendar(("02:00",), 0.0, 30.0)
    )
    quiet = [
        start.isoformat() for start, q in zip(horizon.local_starts, horizon.quiet_starts, strict=True) if q
    ]
    assert quiet == [
        "2026-10-25T02:00:00+02:00",
        "2026-10-25T02:15:00+02:00",
        "2026-10-25T02:00:00+01:00",
        "2026-10-25T02:15:00+01:00",
    ]


def test_a_shift_that_starts_in_the_repeated_hour_starts_once() -> None:
    """No label comes back after another one: a shift is one stretch of time."""
    horizon = Horizon.of_days(
        dt.date(2026, 10, 25), "Europe/Berlin", 30, shifts=ShiftCalendar(("02:30", "14:00"))
    )
    labels = horizon.shift_labels
    stretches = 1 + sum(a != b for a, b in pairwise(labels))
    assert stretches == len(set(labels))


@pytest.mark.parametrize("text", ["6:00", "24:00", "06:60", "morning", ""])
def test_a_start_that_is_no_clock_time_is_refused(text: str) -> None:
    """The message names the key and the value."""
    with pytest.raises(
        InvalidValues, match=rf"'starts' must hold clock times such as '06:00' \(got '{text}'\)"
    ):
        ShiftCalendar((text,))


@pytest.mark.parametrize("text", ["06:00:30", "06:00+02:00", "06", "0600", "T06:00"])
def test_a_start_that_is_not_hours_and_minutes_is_refused(text: str) -> None:
    """Seconds and offsets would be dropped without a word."""
    with pytest.raises(InvalidValues, match="'starts' must hold clock times"):
        ShiftCalendar((text,))


@pytest.mark.parametrize("starts", [("14:00", "06:00"), ("06:00", "06:00"), ("22:00", "06:00", "14:00")])
def test_starts_that_do_not_ascend_are_refused(starts: tuple[str, ...]) -> None:
    """Starts stand in the order of the day, each once."""
    with pytest.raises(InvalidValues, match="'starts' must ascend through the day"):
        ShiftCalendar(starts)


@pytest.mark.parametrize("key", ["quiet_before_min", "quiet_after_min"])
@pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
def test_a_bad_quiet_time_is_refused(key: str, value: float) -> None:
    """A quiet time is a finite number of minutes, 0 or more."""
    with pytest.raises(InvalidValues, match=f"'{key}' must be"):
        ShiftCalendar(("06:00",), **{key: value})


def test_both_bad_quiet_times_are_told_at_once() -> None:
    """All problems of the table come in one error."""
    with pytest.raises(InvalidValues, match=r"(?s)quiet_before_min.*quiet_after_min"):
        ShiftCalendar(("06:00",), -1.0, -2.0)
