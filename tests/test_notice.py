"""A pipeline customer's notice: how long ahead a change of his rate must be announced.

Sites are those of `tests.binding_cases`; expected rates follow by hand from what was announced.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.checks import InvalidValues
from models.horizon import Horizon, Series
from models.order import ANNOUNCED_ROUNDING_T_PER_H, Pipeline
from models.pieces import Rows
from models.situation import Availability, Situation
from scheduler.given import judge, replan
from scheduler.plan import make_plan
from scheduler.read.earlier import open_earlier
from scheduler.report.tables import write_plan_csv
from scheduler.result import Plan, Status
from tests.binding_cases import T_PER_KA, Small, customer, fact, gas_store, hours, room

C = T_PER_KA
VINYL = Pipeline(
    "customer",
    "chlorine",
    5.0 * C,
    min_t_per_h=2.0 * C,
    max_t_per_h=8.0 * C,
    notice_minutes=120.0,
)
"""Takes 2 to 8 kA's worth, 5 on the day's mean, and wants two hours' notice."""
FOUR = (20.0, 100.0, 20.0, 100.0)


def rates(horizon: Horizon, values: list[float], first: int = 0) -> Series:
    """Return a rate in kA's worth on intervals from one on."""
    at = slice(first, first + len(values))
    return Series("rate", horizon.starts_min[at], horizon.lengths_min[at], C * np.array(values))


def before(horizon: Horizon, value: float) -> Series:
    """Return a rate in kA's worth in the hour before a horizon."""
    return Series("rate", horizon.starts_min[:1] - 60, np.array([60], dtype=np.int64), np.array([C * value]))


def family(unit: Pipeline, situation: Situation, key: str, n: int = 4) -> Rows | None:
    """Return rows of a customer by key."""
    found = [rows for rows in unit.declare(hours(n), situation).rows if rows.key == key]
    return found[0] if found else None


def take_ka(plan: Plan) -> np.ndarray:
    """Return what the customer takes, in kA's worth."""
    return np.asarray(plan.audit.values["customer_take"] / C)


def test_without_a_known_rate_nothing_is_held() -> None:
    """Nobody knows what he takes now, so the plan is as free as without notice."""
    assert family(VINYL, Situation(), "customer_notice") is None


def test_announced_rates_are_held_for_the_notice_time() -> None:
    """Announced 3, 6 and 4 kA's worth; two hours of notice hold the first two, to the rounding of files."""
    known = Situation(announced_t_per_h={"customer": rates(hours(4), [3.0, 6.0, 4.0])})
    rows = family(VINYL, known, "customer_notice")
    assert rows is not None
    np.testing.assert_array_equal(rows.intervals, [0, 1])
    np.testing.assert_allclose(rows.lower, C * np.array([3.0, 6.0]) - ANNOUNCED_ROUNDING_T_PER_H)
    np.testing.assert_allclose(rows.upper, C * np.array([3.0, 6.0]) + ANNOUNCED_ROUNDING_T_PER_H)
    assert rows.meaning == "rate announced to customer, within his 120 min of notice"


def test_the_present_rate_goes_on_where_nothing_else_was_announced() -> None:
    """On a morning with a known rate of 4 kA's worth the first two hours stay at it."""
    known = Situation(announced_t_per_h={"customer": before(hours(4), 4.0)})
    rows = family(VINYL, known, "customer_notice")
    assert rows is not None
    np.testing.assert_allclose((rows.lower + rows.upper) / 2, [4.0 * C] * 2)


def test_a_rate_of_long_ago_is_not_his_present_rate() -> None:
    """A rate that ended an hour before the horizon says nothing about now."""
    old = before(hours(4), 4.0)
    old = replace(old, starts_min=old.starts_min - 60)
    assert family(VINYL, Situation(announced_t_per_h={"customer": old}), "customer_notice") is None


def test_his_own_news_needs_no_notice() -> None:
    """He says himself that he takes 3 at most, then nothing: he is held to what is left of 6, then free."""
    known = Situation(
        announced_t_per_h={"customer": rates(hours(4), [6.0, 6.0])},
        availability=(fact("customer", "max_t_per_h", 3.0 * C), fact("customer", "turnaround", 0, 1, 1)),
    )
    rows = family(VINYL, known, "customer_notice")
    assert rows is not None
    np.testing.assert_array_equal(rows.intervals, [0])
    assert rows.upper[0] == pytest.approx(3.0 * C, abs=1.1e-4)


def test_the_first_movement_starts_from_his_present_rate() -> None:
    """At 4 kA's worth and 1.5 an hour he takes 2.5 to 5.5 in the first hour."""
    unit = replace(VINYL, ramp_t_per_h_per_h=1.5 * C, notice_minutes=0.0)
    known = Situation(announced_t_per_h={"customer": before(hours(4), 4.0)})
    rows = family(unit, known, "customer_first_movement")
    assert rows is not None
    np.testing.assert_array_equal(rows.intervals, [0])
    np.testing.assert_allclose([rows.lower[0], rows.upper[0]], [2.5 * C, 5.5 * C], atol=1.1e-4)
    assert family(unit, Situation(), "customer_first_movement") is None


def test_a_negative_notice_is_refused() -> None:
    """A notice is 0 or more."""
    with pytest.raises(InvalidValues, match=r"'notice_minutes' must be at least 0 \[min\]"):
        replace(VINYL, notice_minutes=-1.0)


def small(unit: Pipeline = VINYL, **changes: object) -> Small:
    """Return the circuit with the customer alone: he takes what it makes."""
    asked = ((("customer", "2026-06-08"), 20.0 * C),)
    return Small((room(), unit), prices=FOUR, nominations=asked, **changes)  # type: ignore[arg-type]


def test_notice_in_a_morning_plan_costs_what_it_should() -> None:
    """Free he takes 8, 2, 8 and 2; held at 4 kA's worth for two hours, 4, 4 and then 8, 4.

    20 kA h in all; in the last two hours 8 is his most. Cost of the circuit: 0.2 I + 0.01 I2 MW.
    """
    case = small()
    free = case.plan()
    np.testing.assert_allclose(take_ka(free), [8.0, 2.0, 8.0, 2.0], atol=1e-4)
    known = replace(case.situation(), announced_t_per_h={"customer": before(hours(4), 4.0)})
    plan = make_plan(case.site(), hours(4), known)
    assert plan.status is Status.PLAN
    np.testing.assert_allclose(take_ka(plan), [4.0, 4.0, 8.0, 4.0], atol=2e-3)


def test_a_replan_keeps_what_the_running_plan_announced(tmp_path: Path) -> None:
    """Prices turn to 20, 100 and 20 after the first hour of a plan of 8, 2, 8 and 2 kA's worth.

    With two hours of notice 2 and 8 stay and the rest of the day's 20 kA h, 2, is due in the last hour.
    Without notice the 12 left go evenly into the two cheap hours beside his least in the dear one. The rates
    are read again from the plan's own table.
    """
    whole = replace(hours(4), plan_intervals=4)
    case = small(replace(VINYL, notice_minutes=120.0))
    write_plan_csv(case.plan(), tmp_path / "plan.csv")
    running = open_earlier(tmp_path)
    rest = whole.starting(int(whole.starts_min[1]))
    turned = replace(small(), prices=(0.0, 20.0, 100.0, 20.0)).situation()
    for notice, expected in ((120.0, [2.0, 8.0, 2.0]), (0.0, [5.0, 2.0, 5.0])):
        site = small(replace(VINYL, notice_minutes=notice)).site()
        made = replan(
            site,
            rest,
            turned,
            running.loads(site),
            0.0,
            delivered_t=running.delivered_t(rest.start_min),
            announced_t_per_h=running.takes(site),
        )
        assert made.plan.status is Status.PLAN
        np.testing.assert_allclose(take_ka(made.plan), expected, atol=0.05)


def test_a_works_that_cannot_keep_the_rate_misses_it_by_name() -> None:
    """Announced 8 kA's worth, the circuit can give 6 today: 2 for two hours are missed, by that name."""
    case = small(facts=(fact("room", "load_max_ka", 6.0, 0, 3),))
    known = replace(case.situation(), announced_t_per_h={"customer": rates(hours(4), [8.0, 8.0])})
    plan = make_plan(case.site(), hours(4), known)
    assert plan.status is Status.MISSES
    short = {miss.key: miss for miss in plan.misses}["customer_short"]
    assert short.quantity == pytest.approx(4.0 * C, abs=1e-3)
    assert short.meaning.endswith("or the rate announced to him")


def test_a_sheet_that_gives_him_more_breaks_his_notice_by_name() -> None:
    """A sheet of 6 kA where 3 were announced and nothing stores the rest: NOT A PLAN names his notice."""
    case = small()
    n = hours(4)
    locks = {"room": Series("sheet", n.starts_min, n.lengths_min, np.full(4, 6.0))}
    known = replace(case.situation(), locks=locks, announced_t_per_h={"customer": rates(n, [3.0, 3.0])})
    plan = judge(case.site(), n, known)
    assert plan.status is Status.NOT_A_PLAN
    assert "rate announced to customer, within his 120 min of notice" in {
        violation.meaning for violation in plan.audit.violations
    }


def test_a_store_takes_what_he_cannot_be_given() -> None:
    """With a store the circuit still runs at 9 kA in the cheap hour while he stays at 4."""
    units = (room(), gas_store(), customer(min_t_per_h=2 * C, max_t_per_h=8 * C, notice_minutes=60.0))
    case = Small(units, stocks=(("store", 0.0),))
    known = replace(case.situation(), announced_t_per_h={"customer": before(hours(2), 4.0)})
    plan = make_plan(case.site(), hours(2), known)
    assert take_ka(plan)[0] == pytest.approx(4.0, abs=2e-3)
    assert plan.audit.values["room_load"][0] == pytest.approx(9.0, abs=1e-3)


def test_a_turnaround_of_the_future_is_known_as_a_fact() -> None:
    """`Availability` of the customer is his own news and is never a miss of the works."""
    gone = Availability("customer", "turnaround", 0, hours(4).start_min, hours(4).start_min + 120)
    known = Situation(
        announced_t_per_h={"customer": rates(hours(4), [5.0, 5.0, 5.0, 5.0])}, availability=(gone,)
    )
    assert family(VINYL, known, "customer_notice") is None
