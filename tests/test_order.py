"""Customers: pipelines with range, movement, daily total and turnaround; lots with windows."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.checks import InvalidValues
from models.horizon import Horizon
from models.misses import ORDER, PIPELINE
from models.order import Lot, Pipeline
from models.pieces import Declaration, Rows, Variable
from models.situation import Situation
from scheduler.result import Status
from tests.binding_cases import T_PER_KA, ZONE, Small, customer, fact, hours, room

NOTHING = Situation()
VINYL = Pipeline("vinyl", "chlorine", 13.0, 10.5, 14.0, 1.0, 3.0)
STEADY = Pipeline("organics", "chlorine", 4.2)
START = hours(1).start_min
LOT = Lot("rail", "chlorine_liquid", 56.0, START + 60, START + 180, 60.0, "rail customers", "rail")


def variable(records: Declaration, key: str) -> Variable:
    """Return a variable by key."""
    return next(v for v in records.variables if v.key == key)


def family(records: Declaration, key: str) -> Rows:
    """Return rows by key."""
    return next(rows for rows in records.rows if rows.key == key)


def test_range_of_a_pipeline() -> None:
    """The greatest rate is a bound, the least a duty whose missing part is a miss of the first class."""
    records = VINYL.declare(hours(2), NOTHING)
    assert variable(records, "vinyl_take").upper == pytest.approx([14.0, 14.0])
    assert variable(records, "vinyl_short").upper == pytest.approx([10.5, 10.5])
    assert variable(records, "vinyl_short").miss_class == PIPELINE
    assert family(records, "vinyl_least").lower == pytest.approx([10.5, 10.5])
    assert not family(records, "vinyl_least").breakable


def test_steady_pipeline_needs_no_daily_total() -> None:
    """A customer without a range takes his nominal rate, whose total follows."""
    records = STEADY.declare(hours(2), NOTHING)
    assert variable(records, "organics_take").upper == pytest.approx([4.2, 4.2])
    assert [rows.key for rows in records.rows] == ["organics_least"]


def test_daily_totals() -> None:
    """13 t/h make 312 t on a day of 24 hours, 299 on one of 23 and 325 on one of 25, +- 3 %."""
    for day, length in ((dt.date(2026, 6, 8), 24), (dt.date(2026, 3, 29), 23), (dt.date(2026, 10, 25), 25)):
        horizon = Horizon.of_days(day, ZONE)
        total = family(VINYL.declare(horizon, NOTHING), "vinyl_daily_total")
        assert total.labels == (day.isoformat(),)
        assert total.lower == pytest.approx([13.0 * length * 0.97])
        assert total.upper == pytest.approx([13.0 * length * 1.03])


def test_daily_totals_of_several_days_and_parts() -> None:
    """36 hours are a day of 312 t and half a day of 156 t; quarters weigh a quarter."""
    records = replace(VINYL, daily_tolerance_percent=0.0).declare(hours(36), NOTHING)
    assert family(records, "vinyl_daily_total").lower == pytest.approx([312.0, 156.0])
    quarters = family(VINYL.declare(hours(96, 15), NOTHING), "vinyl_daily_total")
    assert quarters.entries[0].coefficients == pytest.approx(np.full(96, 0.25))
    assert quarters.lower == pytest.approx([312.0 * 0.97])


def test_nomination_replaces_the_contract() -> None:
    """What was asked for on one day counts for this day only."""
    situation = Situation(nominations_t_per_d={("vinyl", "2026-06-09"): 300.0})
    total = family(VINYL.declare(hours(48), situation), "vinyl_daily_total")
    assert total.lower == pytest.approx([312.0 * 0.97, 300.0 * 0.97])
    assert total.upper == pytest.approx([312.0 * 1.03, 300.0 * 1.03])


def test_turnaround_of_the_customer() -> None:
    """While he stands still nothing is due, nothing can be sent, and his day is shorter by those hours."""
    facts = Situation(availability=(fact("vinyl", "turnaround", 0, 6, 11),))
    records = VINYL.declare(hours(24), facts)
    inside = np.arange(24)[6:12]
    assert variable(records, "vinyl_take").upper[inside] == pytest.approx(np.zeros(6))
    assert family(records, "vinyl_least").lower[inside] == pytest.approx(np.zeros(6))
    assert family(records, "vinyl_daily_total").lower == pytest.approx([13.0 * 18 * 0.97])


def test_limit_of_today() -> None:
    """A lower limit today also lowers the least rate, so that nothing impossible is due."""
    facts = Situation(availability=(fact("vinyl", "max_t_per_h", 8.0, 1, 1),))
    records = VINYL.declare(hours(2), facts)
    assert variable(records, "vinyl_take").upper == pytest.approx([14.0, 8.0])
    assert family(records, "vinyl_least").lower == pytest.approx([10.5, 8.0])


def test_margin_plans_more_than_asked_for() -> None:
    """1 % more: range and total rise by it."""
    records = replace(VINYL, margin_percent=1.0).declare(hours(24), NOTHING)
    assert variable(records, "vinyl_take").upper == pytest.approx(np.full(24, 14.14))
    assert family(records, "vinyl_least").lower == pytest.approx(np.full(24, 10.605))
    assert family(records, "vinyl_daily_total").upper == pytest.approx([312.0 * 1.01 * 1.03])


@pytest.mark.parametrize(("minutes", "count"), [(60, 3), (15, 6), (30, 5)])
def test_movement_within_an_hour(minutes: int, count: int) -> None:
    """1 t/h within 60 min: neighbours at 60 min, gaps of 0 and 30 at 30 min, up to 30 at 15 min."""
    rows = family(VINYL.declare(hours(4, minutes), NOTHING), "vinyl_movement")
    assert rows.size == count
    assert rows.upper == pytest.approx(np.ones(count))
    assert rows.lower == pytest.approx(-np.ones(count))


def test_movement_stops_at_a_turnaround() -> None:
    """A customer who shuts down moves as he likes: no row ties an open and a closed hour."""
    facts = Situation(availability=(fact("vinyl", "turnaround", 0, 1, 1),))
    rows = family(VINYL.declare(hours(5), facts), "vinyl_movement")
    assert rows.intervals is not None
    assert rows.intervals.tolist() == [3, 4]


def test_missed_rate_in_a_plan() -> None:
    """9 kA at most for a customer of 10: 1 kA's worth is missed in both hours."""
    plan = Small((room(), customer(10.0))).plan()
    assert plan.status is Status.MISSES
    (miss,) = plan.misses
    assert (miss.key, miss.miss_class, miss.interval) == ("customer_short", PIPELINE, 0)
    assert miss.quantity == pytest.approx(2 * T_PER_KA, rel=1e-5)


def test_lot_in_its_window() -> None:
    """From 01:00 to 03:00 at up to 60 t/h, 56 t in all, or a miss of the second class."""
    records = LOT.declare(hours(6), NOTHING)
    loading = variable(records, "rail_loading")
    assert loading.intervals is not None
    assert loading.intervals.tolist() == [1, 2]
    assert loading.upper == pytest.approx([60.0, 60.0])
    short = variable(records, "rail_short")
    assert (short.upper[0], short.miss_class) == (56.0, ORDER)
    row = family(records, "rail_quantity")
    assert (row.lower[0], row.upper[0]) == (56.0, 56.0)


def test_lot_window_inside_an_interval() -> None:
    """A window of 01:15 to 02:30 allows 45 and 30 minutes of the greatest rate in these hours."""
    lot = replace(LOT, window_start_min=START + 75, window_end_min=START + 150)
    assert variable(lot.declare(hours(4), NOTHING), "rail_loading").upper == pytest.approx([45.0, 30.0])


@pytest.mark.parametrize(
    ("start", "end", "due"),
    [
        # Wholly inside.
        (60, 180, 56.0),
        # Ends an hour after the horizon of four hours: 3 of 4 hours lie inside.
        (60, 300, 42.0),
        # Began two hours before: what is still to load is due in what is left.
        (-120, 120, 56.0),
        # Begins before and ends after: 4 of the 7 hours that are left lie inside.
        (-60, 420, 32.0),
        # Wholly outside.
        (240, 300, 0.0),
        (-120, -60, 0.0),
    ],
)
def test_lot_partly_outside_the_horizon(start: int, end: int, due: float) -> None:
    """Due is the share of the window's remaining hours that lies inside, so that later days are not free."""
    lot = replace(LOT, window_start_min=START + start, window_end_min=START + end)
    assert lot.due_t(hours(4)) == pytest.approx(due)
    records = lot.declare(hours(4), NOTHING)
    assert bool(records.variables) == (due > 0)


def test_missed_lot_in_a_plan() -> None:
    """20 kAh's worth in two hours at 9 kA: 2 kAh's worth is not loaded."""
    lot = Lot("lot", "chlorine", 20 * T_PER_KA, START, START + 120, 20 * T_PER_KA)
    plan = Small((room(), lot)).plan()
    assert plan.status is Status.MISSES
    (miss,) = plan.misses
    assert (miss.key, miss.miss_class) == ("lot_short", ORDER)
    assert miss.quantity == pytest.approx(2 * T_PER_KA, rel=1e-5)


def test_pipeline_comes_before_a_lot() -> None:
    """Of 18 kAh's worth the customer gets his 10 whole; the lot of 10 misses 2."""
    lot = Lot("lot", "chlorine", 10 * T_PER_KA, START, START + 120, 20 * T_PER_KA)
    plan = Small((room(), customer(), lot)).plan()
    assert [miss.key for miss in plan.misses] == ["lot_short"]
    assert plan.misses[0].quantity == pytest.approx(2 * T_PER_KA, rel=1e-5)


@pytest.mark.parametrize(
    ("unit", "changes", "message"),
    [
        (VINYL, {"min_t_per_h": -1.0}, r"'min_t_per_h' must be at least 0 \[t/h\]"),
        (VINYL, {"max_t_per_h": -1.0}, r"'max_t_per_h' must be at least 0 \[t/h\]"),
        (STEADY, {"nominal_t_per_h": -1.0}, r"'nominal_t_per_h' must be at least 0 \[t/h\]"),
        (VINYL, {"ramp_t_per_h_per_h": 0.0}, r"'ramp_t_per_h_per_h' must be above 0 \[t/h per h\]"),
        (VINYL, {"daily_tolerance_percent": -1.0}, r"'daily_tolerance_percent' must be at least 0 \[%\]"),
        (VINYL, {"margin_percent": -1.0}, r"'margin_percent' must be at least 0 \[%\]"),
        (
            VINYL,
            {"nominal_t_per_h": 15.0},
            r"'nominal_t_per_h' must be between min_t_per_h 10.5 and max_t_per_h 14 \[t/h\] \(got 15\)",
        ),
        (LOT, {"quantity_t": 0.0}, r"'quantity_t' must be above 0 \[t\]"),
        (LOT, {"rate_max_t_per_h": 0.0}, r"'rate_max_t_per_h' must be above 0 \[t/h\]"),
        (LOT, {"window_end_min": START}, "'window_start_min' must be at most window_end_min"),
    ],
)
def test_values_that_break_a_rule(unit: Any, changes: dict[str, Any], message: str) -> None:
    """Each rule of the records is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(unit, **changes)
