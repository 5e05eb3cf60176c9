"""Several tanks of one product: what is made is filled in, what leaves is drawn, nothing else moves stock.

Expected figures follow by hand from Faraday's law: at 15 kA the 150 cells of the room make
15 * 150 * `CHLORINE_T_PER_KAH` t/h of chlorine, and 2 * 39.997 / (2 * 35.453) t of NaOH with each (molar
masses of NaOH and Cl: IUPAC abridged weights).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.order import Lot, Pipeline
from models.pieces import Declaration
from models.situation import Availability, Situation
from models.tank import ChlorineStore, ProductStore
from models.tank_header import on_headers
from models.trade import Outlet
from models.unit import Unit
from scheduler.audit import audit
from scheduler.direct import written
from scheduler.explain import Explainer
from scheduler.highs import Solver, arrays_of
from scheduler.lp import build, formulate
from scheduler.report.page import page_html
from scheduler.report.sheet import load_sheet
from scheduler.report.summary import summary_text
from scheduler.report.tables import plan_csv
from scheduler.result import Plan, Status
from scheduler.studies.year import Chain, YearOptions
from tests.small_sites import CHLORINE_T_PER_KAH, Case, intervals, plain_case, plain_circuit

SODA_PER_KA = 150 * CHLORINE_T_PER_KAH * 39.997 / 35.453
"""Caustic of the room per kA. [t/h]"""
MOST, LEAST = 15.0 * SODA_PER_KA, 5.0 * SODA_PER_KA
TAKEN = 2.0


def tank(name: str, most: float = 1000.0, **changes: object) -> ProductStore:
    """Return a tank of caustic."""
    return ProductStore(name, "naoh_32", 0.0, most, **changes)  # type: ignore[arg-type]


def case(
    *tanks: Unit, stocks: dict[str, float], hours: int = 6, taken: float = TAKEN, **more: object
) -> Case:
    """Return the room with tanks of its caustic and one customer for it; chlorine leaves freely."""
    units = (plain_circuit(), *tanks, Outlet("gas", "chlorine", rate_max_per_h=1e4))
    one = plain_case(
        (*units, Pipeline("soda", "naoh_32", taken)), np.full(hours, 50.0), stocks=stocks, **more
    )
    kept = tuple(unit for unit in one.site.units if unit.name != "alkali_out")
    return replace(one, site=replace(one.site, units=kept))


def test_two_tanks_exchange_nothing_without_a_pump() -> None:
    """600 t are wanted in a tank that starts empty, 620 t stand in the other: it gets only what is made."""
    plan = case(tank("a"), tank("b", end_min_t=600.0), stocks={"a": 620.0, "b": 0.0}).plan()
    assert plan.status is Status.MISSES
    assert plan.misses[0].quantity == pytest.approx(600.0 - 6 * MOST, rel=1e-4)
    assert plan.audit.values["b_level"] == pytest.approx(MOST * np.arange(1, 7), rel=1e-4)
    assert plan.audit.values["a_level"] == pytest.approx(620.0 - TAKEN * np.arange(1, 7))


def test_a_pump_moves_its_rate_and_no_more() -> None:
    """With a pump of 30 t/h six hours bring 180 t beside what is made."""
    plan = case(
        tank("a", transfer_max_t_per_h=30.0), tank("b", end_min_t=600.0), stocks={"a": 620.0, "b": 0.0}
    ).plan()
    assert plan.misses[0].quantity == pytest.approx(600.0 - 6 * (MOST + 30.0), rel=1e-4)
    assert plan.audit.values["a_transfer"] == pytest.approx(-30.0)
    assert plan.audit.values["b_transfer"] == pytest.approx(30.0)


def test_a_tank_without_a_pump_gives_nothing_through_the_pump_of_another() -> None:
    """Tank a has a pump and is empty, b is full and has none, c wants 600 t: it gets only what is made."""
    tanks = (tank("a", transfer_max_t_per_h=30.0), tank("b"), tank("c", end_min_t=600.0))
    plan = case(*tanks, stocks={"a": 0.0, "b": 620.0, "c": 0.0}).plan()
    assert plan.misses[0].quantity == pytest.approx(600.0 - 6 * MOST, rel=1e-4)
    assert np.all(plan.audit.values["b_transfer"] >= -1e-9)


def test_a_pump_that_is_not_needed_stands() -> None:
    """Where a transfer gains nothing, the calm plan has none."""
    plan = case(tank("a", transfer_max_t_per_h=30.0), tank("b"), stocks={"a": 300.0, "b": 300.0}).plan()
    assert plan.status is Status.PLAN
    assert plan.audit.values["a_transfer"] == pytest.approx(0.0, abs=1e-9)


@settings(deadline=None, max_examples=12)
@given(
    start=st.tuples(st.floats(0, 1000), st.floats(0, 1000)),
    wish=st.tuples(st.floats(0, 1000), st.floats(0, 1000)),
    pump=st.sampled_from([0.0, 7.0]),
)
def test_no_level_moves_faster_than_made_sent_and_pumped(
    start: tuple[float, float], wish: tuple[float, float], pump: float
) -> None:
    """Whatever is wanted at the end: a tank gains at most what is made and pumped, loses what is sent."""
    one = tank("a", end_min_t=wish[0], transfer_max_t_per_h=pump)
    plan = case(one, tank("b", end_min_t=wish[1]), stocks={"a": start[0], "b": start[1]}, hours=3).plan()
    made = plan.audit.flows["room", "naoh_32"]
    for key, first, out, into in (("a_level", start[0], pump, 0.0), ("b_level", start[1], 0.0, pump)):
        steps = np.diff(plan.audit.values[key], prepend=first)
        assert np.all(steps <= made + into + 1e-5)
        assert np.all(steps >= -(TAKEN + out) - 1e-5)


def test_rates_of_filling_and_drawing_bind() -> None:
    """Tank a is filled with at most 1 t/h and gives at most 0.5 t/h; tank b does the rest."""
    slow = tank("a", fill_max_t_per_h=1.0, draw_max_t_per_h=0.5, end_min_t=1000.0)
    plan = case(slow, tank("b"), stocks={"a": 500.0, "b": 500.0}).plan()
    assert plan.audit.values["a_fill"] == pytest.approx(1.0)
    assert plan.audit.values["b_draw"] == pytest.approx(TAKEN)
    slow = replace(slow, end_min_t=None)
    plan = case(slow, tank("b", end_min_t=990.0), stocks={"a": 500.0, "b": 990.0}).plan()
    assert plan.audit.values["a_draw"] == pytest.approx(0.5)


def test_a_rate_limits_a_single_tank_too_and_a_calendar_fact_stops_it() -> None:
    """What the room must make at least cannot be filled at half of it: the limit is broken by name."""
    plan = case(tank("a", fill_max_t_per_h=LEAST / 2), stocks={"a": 500.0}).plan()
    assert plan.status is Status.NOT_A_PLAN
    assert "greatest rate of filling of a" in [found.meaning for found in plan.audit.violations]
    two = case(tank("a"), tank("b", end_min_t=500.0), stocks={"a": 500.0, "b": 500.0})
    start = two.horizon.start_min
    shut = Availability("b", "draw_max_t_per_h", 0.0, start, start + 120)
    shut_a = Availability("a", "draw_max_t_per_h", 0.0, start + 120, start + 240)
    now = replace(two.situation, availability=(shut, shut_a))
    plan = replace(two, situation=now).plan()
    assert plan.audit.values["a_draw"][:4] == pytest.approx([TAKEN, TAKEN, 0.0, 0.0], abs=1e-6)
    assert plan.audit.values["b_draw"][:4] == pytest.approx([0.0, 0.0, TAKEN, TAKEN], abs=1e-6)


def test_the_audit_names_an_exchange_in_disguise() -> None:
    """Filling one tank with what the other gives keeps the sum of stocks, and breaks what is made."""
    one = case(tank("a"), tank("b"), stocks={"a": 620.0, "b": 0.0})
    plan = one.plan()
    values = {key: np.array(value) for key, value in plan.audit.values.items()}
    values["a_draw"][2] += 600.0
    values["b_fill"][2] += 600.0
    found = audit(formulate(one.site, one.horizon, one.situation), values)
    assert found.values["b_level"][2] >= 600.0
    keys = {violation.key: violation.amount for violation in found.violations}
    assert keys["balance_naoh_32, made against filled"] == pytest.approx(600.0, rel=1e-3)
    assert keys["naoh_32_is_filled"] == pytest.approx(600.0, rel=1e-2)


def test_one_tank_without_rates_has_the_records_it_had() -> None:
    """Nothing is added where one tank alone holds a product."""
    one = case(tank("a"), stocks={"a": 500.0})
    units = Declaration.merged(one.site.parts(one.horizon, one.situation).values())
    assert on_headers(units, one.horizon) is units


def test_a_transfer_from_an_only_tank_is_refused() -> None:
    """Nobody could get what it gives."""
    one = case(tank("a", transfer_max_t_per_h=5.0), stocks={"a": 500.0})
    with pytest.raises(ValueError, match="'transfer_max_t_per_h' of a: no other tank holds naoh_32"):
        formulate(one.site, one.horizon, one.situation)


def test_loaded_wagons_stay_with_the_permit_they_were_counted_in() -> None:
    """Two stores share the account of loaded wagons: what stands loaded never changes its store."""
    liquid = {"commodity": "chlorine", "margin_percent": 0.0}
    permits = (("old", 60.0), ("new", 90.0))
    stores = [ChlorineStore(name, 3, 100.0, permit, **liquid) for name, permit in permits]
    base = plain_circuit()
    prices = np.array([20.0, 90.0, 90.0, 20.0])
    one = plain_case((base, *stores, Pipeline("gas", "chlorine", 1.0)), prices)
    start = one.horizon.start_min
    lot = Lot("lot", "chlorine", 30.0, start, start + 120, 20.0, standing="chlorine_loaded", mode="rail",
              leaves_min=start + 180)  # fmt: skip
    known = Situation(series=one.situation.series, stocks={"old": 50.0, "new": 50.0})
    plan = replace(one, site=one.site.with_units((lot,)), situation=known).plan()
    assert plan.status is Status.PLAN
    standing = {name: plan.audit.values[f"{name}_wagons"] for name in ("old", "new")}
    assert (standing["old"] + standing["new"])[1:].tolist() == pytest.approx([30.0, 30.0, 0.0])
    for wagons in standing.values():
        assert np.all(np.diff(wagons[:3]) >= -1e-6)
        assert wagons[2] == pytest.approx(wagons[1], abs=1e-6)


@pytest.fixture(scope="module")
def shown() -> Plan:
    """Return a plan of two tanks with a pump, where a is full and b must be filled up."""
    return case(
        tank("a", transfer_max_t_per_h=10.0), tank("b", end_min_t=75.0), stocks={"a": 620.0, "b": 0.0}
    ).plan()


def test_sheet_page_and_summary_say_which_tank_is_filled_and_loaded(shown: Plan) -> None:
    """15 kA for six hours fill 20.1 t, six hours of pump 54.9 t: b is filled, a loaded from, all day."""
    line = load_sheet(shown).tanks[0]
    assert line.startswith("naoh_32: fill b all day at 2.5 t/h on the mean, draw from a all day at 2.0 t/h")
    assert "pump into b all day at" in line
    assert line in " ".join(summary_text(shown).split())
    html = page_html(shown, {})
    assert line in html
    for name in ("a_fill", "b_draw", "b_transfer"):
        assert f"{name}, t/h" in html
        assert f"{name}_t_per_h" in plan_csv(shown).splitlines()[0]


def test_the_program_as_arrays_and_values_know_shared_tanks() -> None:
    """The program as arrays costs the same; a tonne in a tank is worth what a new plan with it saves."""
    one = case(tank("a", end_min_t=500.0), tank("b", end_min_t=500.0), stocks={"a": 500.0, "b": 500.0})
    formulation = formulate(one.site, one.horizon, one.situation)
    costs = [
        Solver(a).solve().objective for a in (arrays_of(build(formulation).model), written(formulation)[1])
    ]
    assert costs[1] == pytest.approx(costs[0], rel=1e-8)
    base = one.plan()
    value = Explainer(one.site, one.horizon, one.situation).values(only=("a_level.start",))[0]
    more = replace(one, situation=replace(one.situation, stocks={"a": 501.0, "b": 500.0})).plan()
    assert value.up.cost_per_unit == pytest.approx(more.audit.cost - base.audit.cost, rel=1e-2)


def test_a_chain_of_windows_keeps_the_rule_over_its_joint() -> None:
    """Two days in two windows: one balance, and tanks that move no faster than product is made and sent."""
    one = case(tank("a"), tank("b", end_min_t=100.0), stocks={"a": 620.0, "b": 0.0}, hours=48)
    one = one.on(intervals(48))
    year = Chain(one.site, one.horizon, one.situation, YearOptions(look_ahead_days=0, kept_days=1)).run(
        one.situation
    )
    assert not year.audit.violations
    steps = np.diff(year.audit.values["b_level"], prepend=0.0)
    assert np.all(steps <= year.audit.flows["room", "naoh_32"] + 1e-5)
