"""Local clock of contracts: day types, windows, metering periods, months, clock changes.

Clock changes used: European Union, 01:00 UTC on the last Sundays of March and October (Directive
2000/84/EC, value from memory); United States, second Sunday of March and first of November (Energy
Policy Act of 2005, value from memory).
"""

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from models.checks import InvalidValues
from models.contract import calendar
from models.contract.calendar import ClockWindow
from models.horizon import Horizon, instant_of, minute_of

SPRING, AUTUMN = dt.date(2026, 3, 29), dt.date(2026, 10, 25)


def utc(text: str) -> int:
    """Return the minute of a UTC time."""
    return minute_of(dt.datetime.fromisoformat(text + "+00:00"))


def share_by_the_minute(horizon: Horizon, window: ClockWindow, holidays: tuple[dt.date, ...]) -> list[float]:
    """Return the shares counted minute by minute with the standard library's local time."""
    zone = ZoneInfo(horizon.timezone)
    names = ["weekday"] * 5 + ["saturday", "sunday"]
    start, end = window.from_time, window.to_time
    result = []
    for first, length in zip(horizon.starts_min, horizon.lengths_min, strict=True):
        count = 0
        for minute in range(int(first), int(first + length)):
            local = instant_of(minute).astimezone(zone)
            kind = "holiday" if local.date() in holidays else names[local.weekday()]
            clock = f"{local:%H:%M}"
            inside = start <= clock < end if start < end else clock >= start or clock < end
            in_season = not window.seasons or local.month in window.seasons
            count += inside and in_season and (not window.day_types or kind in window.day_types)
        result.append(count / int(length))
    return result


@pytest.mark.parametrize(
    ("timezone", "day"),
    [
        ("Europe/Berlin", SPRING),
        ("Europe/Berlin", AUTUMN),
        ("America/Los_Angeles", dt.date(2025, 3, 9)),
        ("America/Los_Angeles", dt.date(2025, 11, 2)),
        # Half an hour of clock change, clock change at midnight, an offset of 5:30.
        ("Australia/Lord_Howe", dt.date(2025, 4, 6)),
        ("Africa/Cairo", dt.date(2024, 4, 26)),
        ("Asia/Kolkata", dt.date(2025, 1, 1)),
    ],
)
def test_shares_are_those_of_a_count_by_the_minute(timezone: str, day: dt.date) -> None:
    """Around clock changes the shares equal a count of the minutes by the standard library's clock."""
    horizon = Horizon.of_days(day - dt.timedelta(days=1), timezone, 30, look_ahead_days=2)
    holidays = (day + dt.timedelta(days=1),)
    windows = (
        ClockWindow(),
        ClockWindow(from_time="01:50", to_time="02:10"),
        ClockWindow(from_time="22:00", to_time="06:00", day_types=("sunday", "holiday")),
        ClockWindow(seasons=(1, 3, 11), from_time="00:00", to_time="12:01"),
    )
    shares = calendar.shares(horizon, windows, holidays)
    for share, window in zip(shares, windows, strict=True):
        assert share == pytest.approx(share_by_the_minute(horizon, window, holidays), abs=1e-12)


@pytest.mark.parametrize(("year", "hours"), [(2024, 8784), (2026, 8760)])
def test_a_year_of_clock_windows_sums_to_its_hours(year: int, hours: int) -> None:
    """Night and day windows of a year hold 8760 or 8784 h, days of 23 and 25 hours included.

    Both are 8760 and 8784 hours in all (the two clock changes cancel); the spring night is an hour
    short and the autumn night an hour long, so the nights sum to 8 h per day exactly.
    """
    days = hours // 24
    horizon = Horizon.of_days(dt.date(year, 1, 1), "Europe/Berlin", 60, look_ahead_days=days - 1)
    night, day = calendar.shares(
        horizon,
        [ClockWindow(from_time="22:00", to_time="06:00"), ClockWindow(from_time="06:00", to_time="22:00")],
    )
    assert night @ horizon.hours == pytest.approx(8 * days)
    assert day @ horizon.hours == pytest.approx(16 * days)


@pytest.mark.parametrize(("day", "hours", "night_hours"), [(SPRING, 23, 7), (AUTUMN, 25, 9)])
def test_days_of_23_and_25_hours(day: dt.date, hours: int, night_hours: int) -> None:
    """By hand: on the short day the hours 00-06 last 5 h, on the long day 7 h; 22-24 adds 2 h."""
    horizon = Horizon.of_days(day, "Europe/Berlin", 60)
    (night,) = calendar.shares(horizon, [ClockWindow(from_time="22:00", to_time="06:00")])
    starts, ends = calendar.metering_periods(horizon, 15)
    assert len(horizon) == hours
    assert night.sum() == pytest.approx(night_hours)
    assert len(starts) == 4 * hours
    assert set(ends - starts) == {15}


def test_the_doubled_hour_is_inside_twice_and_the_skipped_one_never() -> None:
    """The clock hour 02-03 lasts 2 h on the autumn day, and does not exist on the spring day."""
    window = [ClockWindow(from_time="02:00", to_time="03:00")]
    autumn = Horizon.of_days(AUTUMN, "Europe/Berlin", 60)
    spring = Horizon.of_days(SPRING, "Europe/Berlin", 60)
    (inside,) = calendar.shares(autumn, window)
    # 00:00 and 01:00 UTC: 02:00 with offset +02:00, then 02:00 with +01:00.
    assert [int(autumn.starts_min[i]) for i in np.flatnonzero(inside)] == [
        utc("2026-10-25T00:00"),
        utc("2026-10-25T01:00"),
    ]
    assert calendar.shares(spring, window).sum() == 0.0


def test_an_interval_across_an_edge_is_inside_in_part() -> None:
    """An hour is half inside a window from 16:30, and a sixth inside one to 16:10."""
    horizon = Horizon.of_days(dt.date(2026, 6, 1), "Europe/Berlin", 60)
    later, sooner = calendar.shares(horizon, [ClockWindow(from_time="16:30"), ClockWindow(to_time="16:10")])
    assert later[15:18] == pytest.approx([0.0, 0.5, 1.0])
    assert sooner[15:18] == pytest.approx([1.0, 1 / 6, 0.0])


def test_hours_after_midnight_belong_to_the_day_they_fall_on() -> None:
    """A weekday window 22:00-06:00 ends at midnight on Friday and begins again at 00:00 on Monday."""
    friday = Horizon.of_days(dt.date(2026, 6, 5), "Europe/Berlin", 60, look_ahead_days=3)
    (inside,) = calendar.shares(
        friday, [ClockWindow(day_types=("weekday",), from_time="22:00", to_time="06:00")]
    )
    assert list(np.flatnonzero(inside)) == [*range(6), 22, 23, *range(72, 78), 94, 95]


def test_day_types() -> None:
    """A Saturday, a Sunday, a weekday; a listed day is a holiday and nothing else."""
    # ISO 8601 week: 2026-06-05 is 2026-W23-5, a Friday.
    friday = dt.date.fromisocalendar(2026, 23, 5)
    assert friday == dt.date(2026, 6, 5)
    days = [friday + dt.timedelta(days=d) for d in range(4)]
    assert [calendar.day_type(day) for day in days] == ["weekday", "saturday", "sunday", "weekday"]
    assert calendar.day_type(days[1], (days[1],)) == "holiday"


def test_midnight_as_end_may_be_written_both_ways() -> None:
    """To 00:00 is to the end of the day."""
    assert ClockWindow(from_time="22:00", to_time="00:00").edges == (1320, 1440)
    assert ClockWindow(from_time="22:00", to_time="24:00").edges == (1320, 1440)
    assert calendar.clock_text(calendar.clock_minute("09:05")) == "09:05"


def test_a_wrong_window_names_every_problem() -> None:
    """Month 13, an unknown day type and a time beyond the clock are reported together."""
    with pytest.raises(InvalidValues, match="months 1 to 12, each once") as caught:
        ClockWindow(seasons=(13,), day_types=("friday",), from_time="24:00", to_time="7:00")
    assert [field for field, _ in caught.value.problems] == ["seasons", "day_types", "from_time", "to_time"]


def test_an_empty_window_is_refused() -> None:
    """The same time twice could mean nothing or all day."""
    with pytest.raises(InvalidValues, match="'to_time' must differ from 'from_time'"):
        ClockWindow(from_time="06:00", to_time="06:00")


def test_a_text_that_is_no_clock_time_is_refused() -> None:
    """25:00 is not on the clock."""
    with pytest.raises(ValueError, match=r"must be 'HH:MM' from '00:00' to '24:00' \(got '25:00'\)"):
        calendar.clock_minute("25:00")


def test_months_run_from_local_midnight_to_local_midnight() -> None:
    """March 2026 in Berlin has 743 h (31 days less one hour), October 745 h."""
    horizon = Horizon.of_days(dt.date(2026, 3, 31), "Europe/Berlin", 60, look_ahead_days=1)
    march, april = calendar.months(horizon)
    assert (march.label, march.number, april.label) == ("2026-03", 3, "2026-04")
    assert march.end_min - march.start_min == 743 * 60
    assert march.end_min == april.start_min == utc("2026-03-31T22:00")
    (october,) = calendar.months(Horizon.of_days(AUTUMN, "Europe/Berlin", 60))
    assert october.end_min - october.start_min == 745 * 60


def test_december_ends_with_the_year() -> None:
    """The month after December is January of the next year."""
    (december,) = calendar.months(Horizon.of_days(dt.date(2026, 12, 31), "Europe/Berlin", 60))
    assert (december.label, december.end_min) == ("2026-12", utc("2026-12-31T23:00"))


def test_metering_periods_follow_the_local_clock() -> None:
    """At an offset of 5:30 hourly periods begin at half past the hour of UTC."""
    start = utc("2025-06-01T00:00")
    horizon = Horizon(start + 30 * np.arange(4), np.full(4, 30), "Asia/Kolkata", 4)
    starts, ends = calendar.metering_periods(horizon, 60)
    assert list(starts - start) == [-30, 30, 90]
    assert list(ends - start) == [30, 90, 150]


def test_a_clock_change_of_half_an_hour_leaves_a_short_last_period() -> None:
    """Lord Howe's clocks go back by 30 minutes on 2025-04-06 (value from memory): a day of 24.5 h."""
    horizon = Horizon.of_days(dt.date(2025, 4, 6), "Australia/Lord_Howe", 30)
    starts, ends = calendar.metering_periods(horizon, 60)
    assert list(ends - starts) == [60] * 24 + [30]


def test_energy_of_spans() -> None:
    """Spans across intervals and beyond the horizon draw what lies inside it, by hand."""
    start = utc("2026-06-01T00:00")
    horizon = Horizon(start + 60 * np.arange(2), np.full(2, 60), "UTC", 2)
    spans = start + np.array([[0, 60], [30, 75], [90, 500], [-60, 0]])
    drawn = calendar.energy_mwh(horizon, np.array([10.0, 20.0]), spans[:, 0], spans[:, 1])
    assert drawn == pytest.approx([10.0, 5.0 + 5.0, 10.0, 0.0])
