"""A revised planner keeps its program where it can, and always plans like a fresh one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from models.liquefier import Liquefier, Vaporiser
from models.situation import Availability, Situation
from models.tank import ChlorineStore
from models.trade import Outlet, OwnUse, Purchase
from scheduler.plan import Planner
from scheduler.result import Plan, Status
from tests.small_sites import (
    Case,
    intervals,
    plain_case,
    plain_circuit,
    prices_on,
    random_case,
    random_prices,
)

SEEDS = range(4)


@pytest.fixture(params=SEEDS)
def case(request: pytest.FixtureRequest) -> Case:
    """Return random sites, some with liquid chlorine, all with a pipeline, lots and tanks."""
    seed = int(request.param)
    return random_case(np.random.default_rng(100 + seed), intervals(24), liquid=seed % 2 == 0)


def fresh(planner: Planner, situation: Situation) -> Plan:
    """Return the plan of a planner that never saw another situation."""
    old = planner.formulation
    return Planner(old.site, old.horizon, situation, planner.options).plan()


def assert_same_optimum(one: Plan, other: Plan) -> None:
    """Assert that two plans have costs and bounds within both gaps, and the same status and misses."""
    a, b = one.certificate, other.certificate
    room = 1e-7 * b.denominator
    assert one.status is other.status
    assert a.gap <= 1e-5
    assert b.gap <= 1e-5
    assert a.lower_bound <= b.cost + room
    assert b.lower_bound <= a.cost + room
    assert one.audit.violations == other.audit.violations == ()
    assert [m.key for m in one.misses] == [m.key for m in other.misses]
    for first, second in zip(one.misses, other.misses, strict=True):
        assert first.quantity == pytest.approx(second.quantity, abs=1e-5)


def new_prices(case: Case) -> Situation:
    """Return other prices."""
    values = random_prices(np.random.default_rng(1), case.horizon)[::-1]
    return replace(case.situation, series={"day_ahead": prices_on(case.horizon, values)})


def negative_prices(case: Case) -> Situation:
    """Return prices of which some are negative."""
    values = random_prices(np.random.default_rng(2), case.horizon, low=-200.0) - 60.0
    return replace(case.situation, series={"day_ahead": prices_on(case.horizon, values)})


def other_stocks(case: Case) -> Situation:
    """Return a little more in the tank and in the chlorine store."""
    stocks = dict(case.situation.stocks)
    for store in case.site.units:
        if store.name in stocks:
            high = store.range_t()[1]  # type: ignore[attr-defined]
            stocks[store.name] += 0.2 * (high - stocks[store.name])
    return replace(case.situation, stocks=stocks)


def other_nominations(case: Case) -> Situation:
    """Return 1 % more for the pipeline customer than his contract says."""
    (pipeline,) = (unit for unit in case.site.units if unit.name == "pipeline")
    asked = 1.01 * 24.0 * pipeline.nominal_t_per_h  # type: ignore[attr-defined]
    return replace(case.situation, nominations_t_per_d={("pipeline", "2026-06-08"): asked})


def other_targets(case: Case) -> Situation:
    """Return a lower target for the tank."""
    return replace(case.situation, end_stocks={"tank": 0.8 * case.situation.stocks["tank"]})


def other_loads_and_peak(case: Case) -> Situation:
    """Return other loads before the start and a higher peak so far."""
    loads = {name: 0.97 * load for name, load in case.situation.loads_before.items()}
    peaks = {key: 1.05 * peak for key, peak in case.situation.peaks_mw.items()}
    return replace(case.situation, loads_before=loads, peaks_mw=peaks)


@pytest.mark.parametrize(
    "change",
    [new_prices, negative_prices, other_stocks, other_nominations, other_targets, other_loads_and_peak],
)
def test_revised_planner_keeps_its_program_and_meets_the_same_optimum(
    case: Case, change: Callable[[Case], Situation]
) -> None:
    """Prices, stocks, nominations, targets, loads and peaks change in place, to a fresh plan's optimum."""
    planner = case.planner()
    planner.plan()
    program, solver = planner.program, planner.solver
    situation = change(case)
    assert planner.revise(situation)
    assert planner.program is program
    assert planner.solver is solver
    assert_same_optimum(planner.plan(), fresh(planner, situation))


def test_a_chain_of_revisions_ends_where_a_fresh_plan_does(case: Case) -> None:
    """Cuts and branches of earlier situations do not disturb later ones, and the first can be had again."""
    planner = case.planner()
    first = planner.plan()
    program = planner.program
    for change in (negative_prices, other_stocks, other_nominations, new_prices):
        situation = change(case)
        assert planner.revise(situation)
        assert_same_optimum(planner.plan(), fresh(planner, situation))
    assert planner.revise(case.situation)
    assert planner.program is program
    assert_same_optimum(planner.plan(), first)


def test_planning_twice_gives_the_same(case: Case) -> None:
    """A second plan of the same situation has the same optimum."""
    planner = case.planner()
    assert_same_optimum(planner.plan(), planner.plan())


@pytest.mark.parametrize("case", [0, 1, 2], indirect=True)
def test_revising_to_misses_and_back_leaves_nothing_behind(case: Case) -> None:
    """What was held while duties were missed is let go when they can be met again."""
    planner = case.planner()
    first = planner.plan()
    too_much = replace(case.situation, end_stocks={"tank": 3.0 * case.situation.stocks["tank"]})
    assert planner.revise(too_much)
    missed = planner.plan()
    assert missed.status is Status.MISSES
    assert_same_optimum(missed, fresh(planner, too_much))
    assert planner.revise(case.situation)
    assert_same_optimum(planner.plan(), first)


def test_an_outage_builds_the_program_again(case: Case) -> None:
    """With a limit on a circuit the domain of its curve changes: a new program, equal to a fresh one."""
    planner = case.planner()
    planner.plan()
    program = planner.program
    start = case.horizon.start_min + 300
    (load,) = (v for v in planner.formulation.declaration.variables if v.key == "room_m_load")
    outage = Availability("room_m", "load_max_ka", 0.9 * float(load.upper[0]), start, start + 240)
    situation = replace(case.situation, availability=(outage,))
    assert not planner.revise(situation)
    assert planner.program is not program
    revised, anew = planner.plan(), fresh(planner, situation)
    assert_same_optimum(revised, anew)
    touched = slice(5, 9)
    assert np.all(revised.audit.values["room_m_load"][touched] <= outage.value * (1 + 1e-6))


def test_a_stock_outside_its_range_builds_the_program_again(case: Case) -> None:
    """A stock that starts below its range needs the records of recovery: a new program, then the old kind."""
    planner = case.planner()
    first = planner.plan()
    (tank,) = (unit for unit in case.site.units if unit.name == "tank")
    below = 0.98 * tank.range_t()[0]  # type: ignore[attr-defined]
    situation = replace(case.situation, stocks={**case.situation.stocks, "tank": below})
    assert not planner.revise(situation)
    assert_same_optimum(planner.plan(), fresh(planner, situation))
    assert not planner.revise(case.situation)
    assert_same_optimum(planner.plan(), first)


def apart(feed_max: float | None) -> Case:
    """Return a site that is paid to liquefy and to vaporise, but not both in one hour; a full store."""
    horizon = intervals(6)
    units = (
        plain_circuit(),
        Liquefier("liquefier", 0.0, 0.5, feed_hydrogen_percent=0.0),
        Vaporiser("vaporiser", 2.0, not_with="liquefier_feed"),
        ChlorineStore("store", 2, 100.0, 200.0, empty_vessels=0, margin_percent=0.0),
        Outlet("tail", "tail_gas", 100.0),
        Purchase("steam", "steam", 10.0, 0.0),
        OwnUse("use", "chlorine", rate_per_h=1.5),
    )
    limits = () if feed_max is None else (("liquefier", "feed_max_t_per_h", feed_max),)
    facts = tuple(Availability(*limit, horizon.start_min, horizon.end_min) for limit in limits)
    return plain_case(units, np.full(6, -50.0), stocks={"store": 200.0}, availability=facts)


def test_a_site_with_a_rule_of_exclusion_keeps_its_program() -> None:
    """A liquefier and a vaporiser that never run at once do not hinder a change in place."""
    planner = apart(None).planner()
    planner.plan()
    assert planner.revise(apart(None).situation)


def test_a_rule_of_exclusion_follows_new_limits() -> None:
    """When the liquefier's limit is lifted its whole feed counts, however the rule was branched on before."""
    planner = apart(0.1).planner()
    planner.plan()
    assert planner.search.binaries > 0
    situation = apart(None).situation
    planner.revise(situation)
    assert_same_optimum(planner.plan(), fresh(planner, situation))
