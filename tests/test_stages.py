"""The order of the stages, by situations small enough to work out by hand.

Most sites here have one circuit that is held at a known chlorine rate by an availability limit, one store and
duties that add up to more than there is.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from models.circuit import Circuit
from models.contract.demand import DemandCharge
from models.horizon import Array, Horizon
from models.meter import SiteMeter
from models.misses import END_STOCK, ORDER, PIPELINE, RECOVERY
from models.order import Lot, Pipeline
from models.situation import Availability, Situation
from models.tank import ProductStore
from models.trade import OwnUse
from models.unit import Unit
from scheduler import plan as planning
from scheduler.lp import build
from scheduler.result import Plan, Status
from tests.small_sites import CHLORINE_T_PER_KAH, Case, intervals, plain_case, plain_circuit, random_case

T_PER_KA = 150 * CHLORINE_T_PER_KAH
"""Chlorine of the plain circuit per load, about 0.198. [t/kAh]"""
HOURS = 8


def making(t_per_h: float, least_t_per_h: float = 0.5) -> Circuit:
    """Return a circuit that makes at least and at most so much chlorine."""
    return plain_circuit(
        density_min_ka_per_m2=least_t_per_h / T_PER_KA / 2.5, density_max_ka_per_m2=t_per_h / T_PER_KA / 2.5
    )


def missed(plan: Plan) -> dict[str, float]:
    """Return the missed quantities by key, rounded to a kilogram."""
    return {miss.key: round(miss.quantity, 3) for miss in plan.misses}


def duties(capacity: float, lot_hours: tuple[int, int]) -> Case:
    """Return a pipeline of 3 t/h, a lot of 10 t, and a store at 4 t that wants 10 t, and 20 t at the end."""
    horizon = intervals(HOURS)
    first, last = (horizon.start_min + 60 * hour for hour in lot_hours)
    return plain_case(
        (
            making(capacity),
            Pipeline("pipeline", "chlorine", 3.0),
            Lot("lot", "chlorine", 10.0, first, last, rate_max_t_per_h=10.0),
            ProductStore("store", "chlorine", 10.0, 100.0, end_min_t=20.0),
        ),
        np.full(HOURS, 50.0),
        stocks={"store": 4.0},
    )


@pytest.mark.parametrize(
    ("capacity", "lot_hours", "expected"),
    [
        # 7 t/h: 4 t/h over the pipeline. The level is 8, 12 ...: 2 t h under its least level in the first
        # hour. 4 + 32 - 10 = 26 t are left at the end, enough for the target; the lot waits.
        (7.0, (0, 8), {"store_under": 2.0}),
        # 5 t/h: 2 t/h over. Under by 4 and 2 t; 4 + 16 - 10 = 10 t at the end, 10 less than the target.
        (5.0, (0, 8), {"store_end_short": 10.0, "store_under": 6.0}),
        # The lot's window ends after 6 hours, at a level of 16 - 10 = 6 t: recovery waits for the order.
        # Under by 4, 2 and, after the lot, 4 and 2 t.
        (5.0, (0, 6), {"store_end_short": 10.0, "store_under": 12.0}),
        # Its window ends after 4 hours with 12 t in sight, of which 4 may not leave: 8 t are loaded, in the
        # fourth hour. Under by 4, 2, 0 and 6 in the window and by 4, 2, 0, 0 after it; 12 t at the end.
        (5.0, (0, 4), {"lot_short": 2.0, "store_end_short": 8.0, "store_under": 18.0}),
        # 3.5 t/h: 4 t over the pipeline in all, which go to the order in the last hour; the end is at 4 t
        # again. Under by 5.5, 5 ... 2.5 and 6.
        (3.5, (0, 8), {"lot_short": 6.0, "store_end_short": 16.0, "store_under": 34.0}),
        # 2.5 t/h: 4 t are missing in the pipeline. The hour does not matter to that class, and early is best
        # for the store: 3 t in the first hour, 1 t in the second, levels 6.5, 7 and then half a tonne less
        # each hour. Under by 3.5, 3, 3.5, 4, 4.5, 5, 5.5 and 6.
        (
            2.5,
            (0, 8),
            {"pipeline_short": 4.0, "lot_short": 10.0, "store_end_short": 16.0, "store_under": 35.0},
        ),
    ],
    ids=["recovery", "end_stock", "order_before_recovery", "order", "order_and_end_stock", "pipeline"],
)
def test_misses_come_last_class_first(
    capacity: float, lot_hours: tuple[int, int], expected: dict[str, float]
) -> None:
    """What is short is taken from recovery, then end stock, then order, and last from the pipeline."""
    plan = duties(capacity, lot_hours).plan()
    assert plan.status is Status.MISSES
    assert plan.audit.violations == ()
    assert missed(plan) == pytest.approx(expected, abs=0.002)


def test_misses_are_told_most_important_class_first() -> None:
    """A plan lists pipeline, order, end stock and recovery in this order."""
    plan = duties(2.5, (0, 8)).plan()
    assert [miss.miss_class for miss in plan.misses] == [PIPELINE, ORDER, END_STOCK, RECOVERY]


def test_no_miss_is_accepted_for_money() -> None:
    """However dear the power and however small the duty, what can be met is met."""
    lot = Lot("lot", "chlorine", 0.5, intervals(1).start_min, intervals(1).start_min + 480, 1.0)
    store = ProductStore("store", "chlorine", 0.0, 100.0)
    case = plain_case(
        (making(3.0), Pipeline("pipeline", "chlorine", 0.5), lot, store),
        np.full(HOURS, 1e6),
        stocks={"store": 0.0},
    )
    plan = case.plan()
    assert plan.status is Status.PLAN
    assert plan.misses == ()
    made = float(np.sum(plan.audit.flows["room", "chlorine"]))
    assert made == pytest.approx(HOURS * 0.5 + 0.5, rel=1e-9)


# ---------------------------------------------------------------- recovery


@pytest.mark.parametrize(
    ("start", "levels"),
    [
        # Least level 10: the circuit gives at most 4, the use takes 2.
        (5.0, [7.0, 9.0, 10.0]),
        # Greatest level 40: the circuit gives at least 1, the use takes 2.
        (42.5, [41.5, 40.5, 40.0]),
    ],
    ids=["below", "above"],
)
@pytest.mark.parametrize("price", [-80.0, 80.0])
def test_a_stock_outside_its_range_comes_back_as_fast_as_possible(
    start: float, levels: list[float], price: float
) -> None:
    """Whatever the price, a stock outside its range moves at full or least load until it is back."""
    case = plain_case(
        (
            making(4.0, 1.0),
            OwnUse("use", "chlorine", rate_per_h=2.0),
            ProductStore("store", "chlorine", 10.0, 40.0),
        ),
        np.full(6, price),
        stocks={"store": start},
    )
    plan = case.plan()
    assert plan.status is Status.MISSES
    level = plan.audit.values["store_level"]
    np.testing.assert_allclose(level[:2], levels[:2], atol=1e-4)
    assert level[2:].min() >= 10.0 - 1e-4
    assert level[2:].max() <= 40.0 + 1e-4
    (miss,) = plan.misses
    assert miss.miss_class == RECOVERY
    outside = 3.0 + 1.0 if start < 10.0 else 1.5 + 0.5
    assert miss.quantity == pytest.approx(outside, abs=1e-3)
    assert miss.unit == "t h"
    assert miss.interval == 0


# ---------------------------------------------------------------- NOT A PLAN


def not_a_plan(count: int, units: tuple[Unit, ...], **situation: object) -> Plan:
    """Return the result of a situation that breaks a limit."""
    plan = plain_case(units, np.full(count, 50.0), **situation).plan()  # type: ignore[arg-type]
    assert plan.status is Status.NOT_A_PLAN
    assert plan.audit.violations
    return plan


def test_chlorine_with_nowhere_to_go_is_not_a_plan() -> None:
    """A least load of 5 t/h, a customer of 3 t/h and 4 t of room: 6 * 2 - 4 = 8 t have nowhere to go."""
    plan = not_a_plan(
        6,
        (
            making(6.0, 5.0),
            Pipeline("pipeline", "chlorine", 3.0),
            ProductStore("store", "chlorine", 0.0, 30.0),
        ),
        stocks={"store": 26.0},
    )
    made = plan.audit.flows["room", "chlorine"]
    np.testing.assert_allclose(made, 5.0, rtol=1e-6)
    assert plan.misses == ()
    # The simulated store holds what was made and not taken: 26 + 12 t, 8 t above its limit at the end.
    assert plan.audit.values["store_level"][-1] == pytest.approx(38.0, abs=1e-3)
    found = {violation.key: violation for violation in plan.audit.violations}
    assert found["store_level"].amount == pytest.approx(8.0, abs=1e-3)
    assert found["store_level"].interval == 5
    assert "above its upper limit" in found["store_level"].meaning


def test_chlorine_without_any_store_says_how_much_and_when() -> None:
    """With no store, 5 - 3 = 2 t/h have nowhere to go, in the hours of the customer's turnaround 5 t/h."""
    horizon = intervals(6)
    stop = Availability("pipeline", "turnaround", 0.0, horizon.start_min + 120, horizon.start_min + 240)
    plan = not_a_plan(6, (making(6.0, 5.0), Pipeline("pipeline", "chlorine", 3.0)), availability=(stop,))
    (violation,) = plan.audit.violations
    assert violation.key == "balance_chlorine"
    assert "nowhere to go" in violation.meaning
    assert violation.interval in (2, 3)
    assert violation.amount == pytest.approx(5.0, abs=1e-3)
    net = sum(flow for (_, name), flow in plan.audit.flows.items() if name == "chlorine")
    np.testing.assert_allclose(net, [2.0, 2.0, 5.0, 5.0, 2.0, 2.0], atol=1e-4)


def test_duties_are_given_up_before_a_limit_is_broken() -> None:
    """A store that may not fall under 10 t keeps them: the customer misses tonnes, no limit is broken."""
    case = plain_case(
        (
            making(2.0, 1.0),
            Pipeline("pipeline", "chlorine", 3.0),
            ProductStore("store", "chlorine", 10.0, 40.0),
        ),
        np.full(6, 50.0),
        stocks={"store": 12.0},
    )
    plan = case.plan()
    assert plan.status is Status.MISSES
    assert missed(plan) == pytest.approx({"pipeline_short": 6 * 3.0 - 6 * 2.0 - 2.0}, abs=1e-3)


def test_a_broken_ramp_of_a_site_with_duties_is_not_a_plan() -> None:
    """From 1 kA with 3 kA an hour 4 kA are in reach and 5 kA the least: 1 kA too much; no duty is missed."""
    room = plain_circuit(ramp_ka_per_min=3.0 / 60.0, ramp_minutes=60.0)
    plan = not_a_plan(
        4,
        (room, ProductStore("store", "chlorine", 0.0, 1e4, end_min_t=1.0)),
        stocks={"store": 0.0},
        loads_before={"room": 1.0},
    )
    (violation,) = plan.audit.violations
    assert violation.key == "room_first_ramp"
    assert violation.amount == pytest.approx(1.0, abs=1e-4)
    assert plan.misses == ()


def test_least_loads_above_the_import_limit_are_not_a_plan() -> None:
    """Least loads that need more than the meter allows leave power missing, by just the difference."""
    room = plain_circuit()
    horizon = intervals(3)
    least = room.simulate(horizon, Situation(), {"room_load": np.full(3, 5.0)}).flows["power"]
    limit = Availability("meter", "import_max_mw", 1.5, horizon.start_min, horizon.end_min)
    plan = not_a_plan(
        3,
        (room, ProductStore("store", "chlorine", 0.0, 1e4, end_min_t=0.5)),
        stocks={"store": 0.0},
        availability=(limit,),
    )
    found = {violation.key: violation for violation in plan.audit.violations}
    assert found["balance_power"].amount == pytest.approx(float(-least[0]) - 1.5, rel=1e-3)
    assert "missing" in found["balance_power"].meaning


def test_a_commodity_that_rests_for_some_hours_can_be_planned() -> None:
    """With the circuit out of service and no lot open, chlorine has no flow: there is nothing to balance."""
    horizon = intervals(8)
    made = 4 * 10.0 * T_PER_KA
    lot = Lot("lot", "chlorine", made, horizon.start_min, horizon.start_min + 240, 100.0)
    outage = Availability("room", "in_service", 0.0, horizon.start_min + 240, horizon.end_min)
    plan = plain_case((plain_circuit(), lot), np.full(8, 50.0), availability=(outage,)).plan()
    assert plan.status is Status.PLAN
    np.testing.assert_allclose(plan.audit.values["room_load"], [10.0] * 4 + [0.0] * 4, rtol=1e-2)


def short_of_power(seed: int, import_share: float, targets: Mapping[str, float]) -> Case:
    """Return a random site under part of its import limit, with targets as multiples of what is there."""
    case = random_case(np.random.default_rng(seed), intervals(24), liquid=False)
    units = tuple(
        replace(unit, import_max_mw=import_share * unit.import_max_mw)
        if isinstance(unit, SiteMeter)
        else unit
        for unit in case.site.units
    )
    ends = {name: factor * case.situation.stocks[name] for name, factor in targets.items()}
    site, situation = replace(case.site, units=units), replace(case.situation, end_stocks=ends)
    return replace(case, site=site, situation=situation)


@pytest.mark.parametrize("tangents", [6, 12])
@pytest.mark.parametrize(
    ("seed", "import_share", "targets"),
    [
        (19, 0.9, {"tank": 1.2, "store": 1.2}),
        (57, 0.9, {"tank": 3.0, "store": 3.0}),
        (103, 1.0, {"tank": 3.0}),
    ],
)
def test_misses_under_a_binding_import_limit_are_planned(
    seed: int,
    import_share: float,
    targets: Mapping[str, float],
    tangents: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whatever the tangents of the first program, a site short of power is told what it misses."""
    monkeypatch.setattr(planning, "build", partial(build, tangents=tangents))
    plan = short_of_power(seed, import_share, targets).plan()
    assert plan.status is Status.MISSES
    assert plan.certificate.gap <= 1e-5


# ---------------------------------------------------------------- ramps


def ramped(before: float, minutes: float, horizon: Horizon, step: float = 3.0, price: float = 50.0) -> Plan:
    """Return a plan of the plain circuit, 5 to 15 kA, that moves by at most a step in some minutes.

    The store is wide, so the load goes to its least as fast as it may.
    """
    room = plain_circuit(ramp_ka_per_min=step / minutes, ramp_minutes=minutes)
    case = plain_case(
        (room, ProductStore("store", "chlorine", 0.0, 1e4)),
        np.full(len(horizon), price),
        horizon=horizon,
        stocks={"store": 0.0},
        loads_before={"room": before},
    )
    return case.plan()


def test_ramps_start_from_the_load_before() -> None:
    """From 14 kA with 3 kA an hour the load is 11, 8 and then its least, 5 kA."""
    plan = ramped(14.0, 60.0, intervals(5))
    assert plan.status is Status.PLAN
    np.testing.assert_allclose(plan.audit.values["room_load"], [11.0, 8.0, 5.0, 5.0, 5.0], rtol=1e-3)


def test_negative_price_ramps_up_from_the_load_before() -> None:
    """Paid for drawing, the load goes up from 6 kA as fast as it may: 9, 12, 15 kA."""
    plan = ramped(6.0, 60.0, intervals(5), price=-50.0)
    np.testing.assert_allclose(plan.audit.values["room_load"], [9.0, 12.0, 15.0, 15.0, 15.0], rtol=1e-3)


def test_ramp_over_several_intervals_counts_every_start() -> None:
    """With 3 kA in any 30 minutes and quarters, the load may fall by 3 kA in every second quarter only."""
    plan = ramped(15.0, 30.0, intervals(8, 15))
    load = np.concatenate([[15.0], plan.audit.values["room_load"]])
    assert np.all(load[:-1] - load[1:] <= 3.0 + 1e-6)
    inside = plan.audit.values["room_load"]
    assert np.all(inside[:-2] - inside[2:] <= 3.0 + 1e-6)


def test_load_before_ties_every_interval_within_the_time_of_the_ramp() -> None:
    """From 15 kA with 3 kA in any 30 minutes, neither of the first two quarters is under 12 kA."""
    load = ramped(15.0, 30.0, intervals(8, 15)).audit.values["room_load"]
    assert np.all(load[:2] >= 12.0 - 1e-6)


def test_a_load_before_far_outside_the_range_is_not_a_plan() -> None:
    """From 1 kA with 3 kA an hour, 4 kA are in reach and 5 kA the least: 1 kA too much, once."""
    plan = ramped(1.0, 60.0, intervals(4))
    assert plan.status is Status.NOT_A_PLAN
    (violation,) = plan.audit.violations
    assert violation.key == "room_first_ramp"
    assert violation.amount == pytest.approx(1.0, abs=1e-4)


# ---------------------------------------------------------------- peaks


def peaked(horizon: Horizon, prices: Array, rate: float, **situation: object) -> Plan:
    """Return a plan of the plain circuit with 2 t/h of use, a wide store and a demand charge."""
    case = plain_case(
        (
            plain_circuit(),
            OwnUse("use", "chlorine", rate_per_h=2.0),
            ProductStore("store", "chlorine", 0.0, 100.0, end_min_t=50.0),
        ),
        prices,
        horizon=horizon,
        components=(DemandCharge("demand", rate, 15),),
        stocks={"store": 50.0},
        **situation,
    )
    plan = case.plan()
    assert plan.status is Status.PLAN
    return plan


CHEAP_NIGHT = np.array([10.0] * 12 + [90.0] * 12)
KEY = ("demand", "2026-06")


def test_peak_so_far_is_free_and_above_it_costs() -> None:
    """Under the month's peak so far the load is free to move; without it the charge flattens the load."""
    free = peaked(intervals(24), CHEAP_NIGHT, 5000.0, peaks_mw={KEY: 40.0})
    paid = peaked(intervals(24), CHEAP_NIGHT, 5000.0, peaks_mw={KEY: 3.0})
    unpriced = peaked(intervals(24), CHEAP_NIGHT, 0.0)
    assert free.audit.costs["demand"] == pytest.approx(0.0, abs=1e-6)
    assert free.audit.cost == pytest.approx(unpriced.audit.cost, rel=2e-5)
    peak = float(paid.audit.values["meter_import"].max())
    assert paid.audit.costs["demand"] == pytest.approx(5000.0 * (peak - 3.0), rel=1e-9)
    assert paid.audit.sunk == pytest.approx(5000.0 * 3.0, rel=1e-12)
    assert peak < float(free.audit.values["meter_import"].max()) - 0.1
    # 5000 for a MW is more than 12 hours of it can save at 80 a MWh, so the load is flat.
    assert np.ptp(paid.audit.values["room_load"]) < 0.05


@pytest.mark.parametrize(("so_far", "target"), [(4.5, 5.0), (5.0, 4.5), (0.0, 5.0)])
def test_greater_of_peak_so_far_and_target_is_the_floor(so_far: float, target: float) -> None:
    """The charge counts from the greater of peak so far and target: a dear peak stops just there."""
    plan = peaked(intervals(24), CHEAP_NIGHT, 5000.0, peaks_mw={KEY: so_far}, peak_targets_mw={KEY: target})
    assert plan.audit.sunk == pytest.approx(5000.0 * 5.0, rel=1e-12)
    assert plan.audit.values["demand_2026_06_peak"][0] == pytest.approx(5.0, rel=1e-4)
    assert float(plan.audit.values["meter_import"].max()) == pytest.approx(5.0, rel=1e-4)


def test_a_horizon_over_a_month_end_has_two_peaks() -> None:
    """On 30 June and 1 July each month has its peak, floor and charge; the bill has a line for each."""
    horizon = Horizon.of_days(dt.date(2026, 6, 30), "Europe/Berlin", 60, 1)
    floors = {KEY: 5.5, ("demand", "2026-07"): 3.0}
    plan = peaked(horizon, np.concatenate([CHEAP_NIGHT, CHEAP_NIGHT]), 5000.0, peaks_mw=floors)
    drawn = plan.audit.values["meter_import"]
    june, july = float(drawn[:24].max()), float(drawn[24:].max())
    assert plan.audit.values["demand_2026_06_peak"][0] == pytest.approx(max(june, 5.5), rel=1e-12)
    assert plan.audit.values["demand_2026_07_peak"][0] == pytest.approx(max(july, 3.0), rel=1e-12)
    charge = 5000.0 * (max(june - 5.5, 0.0) + max(july - 3.0, 0.0))
    assert plan.audit.costs["demand"] == pytest.approx(charge, rel=1e-9)
    # June's higher floor is used for what July would have to pay for.
    assert june == pytest.approx(5.5, rel=1e-4)
    assert july < june - 0.1
    lines = [line for line in plan.audit.bill if line.component == "demand"]
    assert [line.label for line in lines] == ["demand of 2026-06", "demand of 2026-07"]
