"""Demand charge: metering periods, windows, months, floors and targets."""

import datetime as dt

import numpy as np
import pytest

from models.checks import InvalidValues
from models.contract.component import Profile
from models.contract.demand import DemandCharge
from models.contract.term import Peak
from models.horizon import Horizon, minute_of
from models.situation import Situation

DAY = Horizon.of_days(dt.date(2026, 6, 1), "Europe/Berlin", 15)
HOURS = Horizon.of_days(dt.date(2026, 6, 1), "Europe/Berlin", 60)
NOW = Situation()


def billed_mw(
    component: DemandCharge, horizon: Horizon, power_mw: np.ndarray, now: Situation = NOW
) -> dict[str, float]:
    """Return the billed peak of each line, after a check that terms agree with it."""
    lines = component.bill(Profile(horizon, power_mw), now)
    terms = component.terms(horizon, now)
    assert [line.amount for line in lines] == pytest.approx([t.cost(horizon, power_mw) for t in terms])
    return {line.label: line.quantity for line in lines}


@pytest.mark.parametrize(("minutes", "peak"), [(15, 40.0), (30, 35.0), (60, 25.0)])
def test_shorter_intervals_are_averaged(minutes: int, peak: float) -> None:
    """Quarters of 10, 20, 30, 40 MW: highest mean of 15, 30 and 60 minutes by hand."""
    power = np.zeros(96)
    power[32:36] = [10.0, 20.0, 30.0, 40.0]
    assert billed_mw(DemandCharge("grid", 1000.0, minutes), DAY, power) == pytest.approx(
        {"demand of 2026-06": peak}
    )


@pytest.mark.parametrize("minutes", [15, 30, 60])
def test_splitting_intervals_leaves_the_peak_unchanged(minutes: int) -> None:
    """Hours cut in quarters, with the load repeated, have the same peak."""
    component = DemandCharge("grid", 1000.0, minutes, from_time="07:00", to_time="21:00")
    power = 50.0 + 40.0 * np.sin(np.arange(24.0))
    whole = billed_mw(component, HOURS, power)
    assert billed_mw(component, HOURS.split(4), np.repeat(power, 4)) == pytest.approx(whole)


def test_longer_intervals_have_one_row_each() -> None:
    """In hours metered by quarters, each hour stands once in the rows, with weight 1."""
    (term,) = DemandCharge("grid", 1000.0, 15).terms(HOURS, NOW)
    assert isinstance(term, Peak)
    assert list(term.position) == list(range(24))
    assert list(term.period) == list(range(24))
    assert list(term.weight) == [1.0] * 24


@pytest.mark.parametrize(("loaded_hour", "peak"), [(15, 0.0), (16, 0.0), (17, 8.0), (19, 8.0), (20, 0.0)])
def test_a_metering_period_counts_if_it_starts_inside_the_window(loaded_hour: int, peak: float) -> None:
    """Of a window 16:30-19:30, the hour from 16:00 does not count and the hour from 19:00 does."""
    component = DemandCharge("grid", 1000.0, 60, from_time="16:30", to_time="19:30")
    power = np.where(np.arange(24) == loaded_hour, 8.0, 0.0)
    assert billed_mw(component, HOURS, power) == {"demand of 2026-06": peak}


def test_an_hour_counts_if_one_of_its_quarters_starts_inside_the_window() -> None:
    """Metered by quarters, the flat hour from 16:00 counts for a window from 16:30."""
    component = DemandCharge("grid", 1000.0, 15, from_time="16:30", to_time="19:30")
    power = np.where(np.arange(24) == 16, 8.0, 0.0)
    assert billed_mw(component, HOURS, power) == {"demand of 2026-06": 8.0}


def test_a_period_across_the_horizons_edge_is_the_mean_of_the_part_covered() -> None:
    """A horizon 00:30-02:45: first half hour mean of 6 and 8, last three quarters mean of 3, 3, 30."""
    start = DAY.start_min + 30
    horizon = Horizon(start + 15 * np.arange(9), np.full(9, 15), "Europe/Berlin", 9)
    component = DemandCharge("grid", 1000.0, 60)
    head = np.array([6.0, 8.0, 1, 1, 1, 1, 0, 0, 0])
    tail = np.array([6.0, 8.0, 1, 1, 1, 1, 3, 3, 30])
    assert billed_mw(component, horizon, head) == pytest.approx({"demand of 2026-06": 7.0})
    assert billed_mw(component, horizon, tail) == pytest.approx({"demand of 2026-06": 12.0})


def test_periods_follow_the_local_clock_not_utc() -> None:
    """At an offset of 5:30, the half hours from 00:30 and 01:00 UTC are one local hour."""
    start = minute_of(dt.datetime(2025, 6, 1, tzinfo=dt.UTC))
    horizon = Horizon(start + 30 * np.arange(4), np.full(4, 30), "Asia/Kolkata", 4)
    power = np.array([0.0, 10.0, 20.0, 0.0])
    assert billed_mw(DemandCharge("grid", 1.0, 60), horizon, power) == pytest.approx(
        {"demand of 2025-06": 15.0}
    )


@pytest.mark.parametrize(("day", "rows"), [(dt.date(2026, 10, 25), 8), (dt.date(2026, 3, 29), 0)])
def test_the_doubled_hour_counts_twice_and_the_skipped_one_never(day: dt.date, rows: int) -> None:
    """A window 02:00-03:00 has 8 quarters on the day of 25 hours and none on the day of 23."""
    horizon = Horizon.of_days(day, "Europe/Berlin", 15)
    (term,) = DemandCharge("grid", 1.0, 15, from_time="02:00", to_time="03:00").terms(horizon, NOW)
    assert isinstance(term, Peak)
    assert len(term.position) == rows


def test_each_local_month_is_charged_by_itself() -> None:
    """A horizon over the end of November has two peaks, named for their months."""
    horizon = Horizon.of_days(dt.date(2026, 11, 30), "Europe/Berlin", 60, look_ahead_days=1)
    component, power = DemandCharge("grid", 1000.0, 60), np.arange(48.0)
    assert billed_mw(component, horizon, power) == pytest.approx(
        {"demand of 2026-11": 23.0, "demand of 2026-12": 47.0}
    )
    assert [term.name for term in component.terms(horizon, NOW)] == ["2026_11", "2026_12"]


def test_a_month_out_of_season_is_not_charged() -> None:
    """A winter charge has no term and no line in June, whatever the state of the bill says."""
    component = DemandCharge("grid", 1000.0, 15, seasons=(1, 2, 12))
    assert component.terms(HOURS, Situation(peaks_mw={("grid", "2026-06"): 9.0})) == ()
    assert component.bill(Profile(HOURS, np.ones(24)), NOW) == ()


def test_holidays_do_not_count_where_only_weekdays_do() -> None:
    """Monday 2026-06-01 counts as a weekday, and not if it is listed as a holiday."""
    power = np.full(24, 5.0)
    assert billed_mw(DemandCharge("grid", 1.0, 15, day_types=("weekday",)), HOURS, power) == {
        "demand of 2026-06": 5.0
    }
    listed = DemandCharge("grid", 1.0, 15, day_types=("weekday",), holidays=(dt.date(2026, 6, 1),))
    assert billed_mw(listed, HOURS, power) == {"demand of 2026-06": 0.0}


def test_a_horizon_without_counting_periods_still_owes_the_peak_so_far() -> None:
    """On a Saturday of a weekday charge the month's peak so far is charged, and all of it is sunk."""
    saturday = Horizon.of_days(dt.date(2026, 6, 6), "Europe/Berlin", 60)
    component = DemandCharge("grid", 10.0, 15, day_types=("weekday",))
    now = Situation(peaks_mw={("grid", "2026-06"): 7.0})
    assert billed_mw(component, saturday, np.full(24, 99.0), now) == {"demand of 2026-06": 7.0}
    (term,) = component.terms(saturday, now)
    assert term.cost(saturday, np.full(24, 99.0)) == term.sunk() == 70.0


def test_the_floor_is_the_greater_of_peak_so_far_and_target() -> None:
    """Of a peak so far of 20 MW and a target of 25 MW the plan starts from 25, the bill from 20."""
    component = DemandCharge("grid", 10.0, 15)
    peaks, targets = {("grid", "2026-06"): 20.0}, {("grid", "2026-06"): 25.0, ("other", "2026-06"): 90.0}
    now = Situation(peaks_mw=peaks, peak_targets_mw=targets)
    (term,) = component.terms(HOURS, now)
    assert term.cost(HOURS, np.full(24, 22.0)) == term.sunk() == 250.0
    assert term.cost(HOURS, np.full(24, 30.0)) == pytest.approx(300.0)
    (line,) = component.bill(Profile(HOURS, np.full(24, 22.0)), now)
    assert line.amount == pytest.approx(220.0)
    (low_target,) = component.terms(
        HOURS, Situation(peaks_mw=peaks, peak_targets_mw={("grid", "2026-06"): 5.0})
    )
    assert low_target.sunk() == 200.0


def test_export_is_not_charged_and_earns_nothing() -> None:
    """A site that only exports has a peak of 0."""
    assert billed_mw(DemandCharge("grid", 10.0, 15), HOURS, np.full(24, -5.0)) == {"demand of 2026-06": 0.0}


def test_wrong_values_are_named_together() -> None:
    """A negative price, a length no meter has and month 13 come in one error."""
    with pytest.raises(InvalidValues, match=r"at least 0.*one of 15, 30, 60.*months 1 to 12") as caught:
        DemandCharge("grid", -1.0, 20, seasons=(13,))
    assert [field for field, _ in caught.value.problems] == ["per_mw_month", "metering_minutes", "seasons"]
