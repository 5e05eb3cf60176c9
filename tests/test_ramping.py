"""Ramps inside an interval: what a metered mean sees while loads travel, by hand and by fine sums.

The physics stands here once more: 150 cells of 2.4 V + 0.12 V m2/kA * j on 2.5 m2 without other losses, so
the power of a load x in kA is 0.36 x + 0.0072 x^2 MW.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.contract.component import Contract, Profile
from models.contract.demand import DemandCharge
from models.horizon import Array, Horizon, Series
from models.situation import Situation
from models.trade import OwnUse
from scheduler.audit import audit
from scheduler.result import Plan, Status
from tests.small_sites import CHLORINE_T_PER_KAH, Case, intervals, plain_case, plain_circuit

T_PER_KA = 150 * CHLORINE_T_PER_KAH
SLOW, FAST = 0.2, 2.0
PRICE, DEMAND = 50.0, 20.0
CALM_KA = 0.12
"""How far the calmer plan may stand from the optimum: 0.36 (2 x^2) XTS within 1e-5 of 860 XTS. [kA]"""
TOP_SLOPE = 0.36 + 2.0 * 0.0072 * 15.0
"""Power per kA at 15 kA, the greatest load of the circuit: the derivative by hand. [MW/kA]"""
K = TOP_SLOPE / (2.0 * SLOW * 60.0) / 0.5
"""What a fall of the slow room adds to a half-hour's mean, by the square of the fall. [MW/kA2]"""


def power_of(load: Array | float) -> Array:
    """Return the power of one room by hand. [MW]."""
    return 0.36 * np.asarray(load) + 0.0072 * np.square(load)


def two_rooms(demand: DemandCharge | None, **situation: object) -> Case:
    """Return two rooms that share 20 kA for two hours; the slow one is given 8 kA in the second."""
    horizon = intervals(2)
    given = Series("slow", horizon.starts_min[1:], horizon.lengths_min[1:], np.array([8.0]))
    return plain_case(
        (
            plain_circuit("slow", ramp_ka_per_min=SLOW, ramp_minutes=30.0),
            plain_circuit("fast", ramp_ka_per_min=FAST, ramp_minutes=30.0),
            OwnUse("use", "chlorine", rate_per_h=20.0 * T_PER_KA),
        ),
        np.full(2, PRICE),
        horizon,
        () if demand is None else (demand,),
        locks={"slow": given},
        **situation,
    )


def loads(plan: Plan) -> list[float]:
    """Return the loads of the slow and the fast room, hour by hour. [kA]."""
    values = plan.audit.values
    return [*values["slow_load"], *values["fast_load"]]


def metered_mean(before: list[float], after: list[float], minutes: float) -> float:
    """Return the mean of a metering period in which loads travel, second by second. [MW]."""
    clock = (np.arange(int(minutes * 600)) + 0.5) / 600.0
    total = np.zeros(len(clock))
    for start, end, rate in zip(before, after, (SLOW, FAST), strict=True):
        way = np.minimum(rate * clock, abs(end - start))
        total += power_of(start + np.sign(end - start) * way)
    return float(np.mean(total))


def test_without_a_demand_charge_the_rooms_share_evenly_and_nothing_is_added() -> None:
    """10 kA each is cheapest by symmetry; no record of a ramp is in the program."""
    plan = two_rooms(None).plan()
    assert loads(plan) == pytest.approx([10.0, 8.0, 10.0, 12.0], abs=CALM_KA)
    assert not any(curve.unit == "MWh" for curve in plan.declaration.curves)


def test_the_plan_lowers_the_slow_room_before_its_limit_because_its_ramp_is_metered() -> None:
    """Half-hour means: the slow room starts lower, as far as the derivation by hand says.

    With a in the first hour the slow room falls by d = a - 8 and the fast one rises by as much. On the way
    down the slow room adds K d^2 to the first half hour's mean, K = s / (2 0.2 kA/min) / 60 / 0.5 h. The cost
    that a can change is 50 * 0.0072 (a^2 + (20 - a)^2) + 20 K (a - 8)^2; its derivative is zero at the a
    below.
    """
    curve = PRICE * 0.0072
    a = (40.0 * curve + 16.0 * DEMAND * K) / (4.0 * curve + 2.0 * DEMAND * K)
    assert a == pytest.approx(8.8571, abs=1e-4)
    plan = two_rooms(DemandCharge("grid", DEMAND, 30)).plan()
    assert plan.status is Status.PLAN
    assert loads(plan) == pytest.approx([a, 8.0, 20.0 - a, 12.0], abs=CALM_KA)
    steady = float(power_of(8.0) + power_of(12.0))
    peak = float(plan.audit.values["grid_2026_06_peak"][0])
    assert peak == pytest.approx(steady + K * (loads(plan)[0] - 8.0) ** 2, abs=1e-6)
    assert plan.certificate.gap <= 1e-5
    energy = PRICE * float(np.sum(power_of(np.array(loads(plan)))))
    assert plan.audit.cost == pytest.approx(energy + DEMAND * peak, rel=1e-6)
    assert sum(line.amount for line in plan.audit.bill) == pytest.approx(plan.audit.cost, rel=1e-9)


def test_a_peak_of_the_month_above_the_ramp_leaves_the_plan_alone() -> None:
    """With 9 MW reached this month already the ramp to 8.89 MW costs nothing: 10 kA each."""
    case = two_rooms(DemandCharge("grid", DEMAND, 30), peaks_mw={("grid", "2026-06"): 9.0})
    plan = case.plan()
    assert loads(plan) == pytest.approx([10.0, 8.0, 10.0, 12.0], abs=CALM_KA)
    assert plan.audit.values["grid_2026_06_peak"][0] == pytest.approx(9.0)


def test_a_peak_of_the_month_just_below_the_ramp_caps_the_fall() -> None:
    """With 8.74 MW reached, the slow room starts as high as its ramp stays below: K d^2 = 8.74 - 8.6976."""
    so_far = 8.74
    a = 8.0 + np.sqrt((so_far - float(power_of(8.0) + power_of(12.0))) / K)
    demand = DemandCharge("grid", 1e4, 30)
    plan = two_rooms(demand, peaks_mw={("grid", "2026-06"): so_far}).plan()
    assert loads(plan)[0] == pytest.approx(a, abs=CALM_KA)
    assert plan.audit.values["grid_2026_06_peak"][0] == pytest.approx(so_far, abs=1e-4)


@pytest.mark.parametrize("minutes", [30, 60])
def test_the_simulated_energy_of_ramps_is_that_of_a_fine_sum(minutes: int) -> None:
    """The mean of the metering period in which the loads travel, second by second, is the audit's."""
    plan = two_rooms(DemandCharge("grid", DEMAND, minutes)).plan()
    slow_0, slow_1, fast_0, fast_1 = loads(plan)
    simulations = plan.audit.simulations
    ramp = sum(float(simulations[name].readings["ramp_energy_mwh"][1]) for name in ("slow", "fast"))
    steady = float(power_of(slow_1) + power_of(fast_1))
    expected = metered_mean([slow_0, fast_0], [slow_1, fast_1], minutes)
    assert steady + ramp / (minutes / 60.0) == pytest.approx(expected, abs=1e-6)


def test_the_audit_tells_the_peak_of_the_power_curve_beside_the_billed_one() -> None:
    """Billed on the safe side, told with the curve: both stand above the two hours' loads."""
    plan = two_rooms(DemandCharge("grid", DEMAND, 30)).plan()
    slow_0, slow_1, fast_0, fast_1 = loads(plan)
    (told,) = plan.audit.metered_peaks
    assert told.key == "grid_2026_06_peak"
    assert told.simulated_mw == pytest.approx(metered_mean([slow_0, fast_0], [slow_1, fast_1], 30), abs=1e-6)
    assert told.without_ramps_mw == pytest.approx(float(power_of(8.0) + power_of(12.0)), abs=1e-6)
    assert told.billed_mw >= told.simulated_mw > told.without_ramps_mw


def test_loads_given_by_people_are_charged_their_ramps() -> None:
    """10 kA each, then 8 and 12: the bill's peak has the ramp of 2 kA, by the formula."""
    case = two_rooms(DemandCharge("grid", DEMAND, 30))
    horizon = case.horizon
    locks = {
        name: Series(name, horizon.starts_min, horizon.lengths_min, np.array(values))
        for name, values in (("slow", [10.0, 8.0]), ("fast", [10.0, 12.0]))
    }
    plan = replace(case, situation=replace(case.situation, locks=locks)).plan()
    peak = float(power_of(8.0) + power_of(12.0)) + 4.0 * K
    assert plan.audit.values["grid_2026_06_peak"][0] == pytest.approx(peak, abs=1e-9)
    assert plan.certificate.gap <= 1e-9


def test_a_change_from_the_load_before_the_horizon_is_metered_too() -> None:
    """From 12 kA before, the first half hour holds the way down; a steady start adds nothing."""
    case = two_rooms(DemandCharge("grid", DEMAND, 30), loads_before={"slow": 12.0, "fast": 10.0})
    horizon = case.horizon
    locks = {
        name: Series(name, horizon.starts_min, horizon.lengths_min, np.array(values))
        for name, values in (("slow", [8.0, 8.0]), ("fast", [12.0, 12.0]))
    }
    plan = replace(case, situation=replace(case.situation, locks=locks)).plan()
    peak = float(power_of(8.0) + power_of(12.0)) + 16.0 * K
    assert plan.audit.values["grid_2026_06_peak"][0] == pytest.approx(peak, abs=1e-9)


# ---------------------------------------------------------------- terms and bills


@st.composite
def travels(draw: st.DrawFn) -> tuple[Horizon, Array, Array, DemandCharge]:
    """Draw a profile, ramp energies of both signs and a demand charge."""
    minutes = draw(st.sampled_from([15, 30, 60]))
    horizon = intervals(draw(st.integers(2, 30)), minutes)
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    start, end = draw(st.sampled_from([("00:00", "24:00"), ("00:30", "05:00"), ("01:15", "02:00")]))
    demand = DemandCharge("grid", 1000.0, draw(st.sampled_from([15, 30, 60])), from_time=start, to_time=end)
    return horizon, rng.uniform(5, 50, len(horizon)), rng.normal(0, 1, len(horizon)), demand


@settings(max_examples=60, deadline=None)
@given(travels())
def test_a_metered_peak_is_never_below_the_interval_means(
    case: tuple[Horizon, Array, Array, DemandCharge],
) -> None:
    """With ramps of any size and sign the peak is at least the peak without; term and bill agree."""
    horizon, power, ramp, demand = case
    now = Situation()
    (term,) = demand.terms(horizon, now)
    with_ramps = term.with_ramps(ramp).cost(horizon, power)
    assert with_ramps >= term.cost(horizon, power) - 1e-9
    (line,) = demand.bill(Profile(horizon, power, ramp_mwh=ramp), now)
    assert line.amount == pytest.approx(with_ramps, rel=1e-9)
    if demand.from_time == "00:00" and demand.metering_minutes <= horizon.lengths_min[0]:
        assert line.quantity >= power.max() - 1e-9


def test_the_program_charges_what_the_audit_charges_on_random_days() -> None:
    """Two rooms at random prices under a demand charge: the bound stays below the exact cost."""
    rng = np.random.default_rng(11)
    for _ in range(3):
        case = two_rooms(DemandCharge("grid", float(rng.uniform(5, 200)), int(rng.choice([15, 30]))))
        case = case.priced(rng.uniform(-20, 90, 2))
        plan = case.plan()
        again = audit(case.planner().formulation, plan.audit.values)
        assert again.cost == pytest.approx(plan.audit.cost, rel=1e-9)
        assert plan.certificate.lower_bound <= plan.audit.cost + 1e-6
        assert plan.certificate.gap <= 1e-5


def test_a_contract_without_demand_charge_asks_for_no_ramps() -> None:
    """The records of a room's ramps stay out where nobody counts them."""
    case = two_rooms(None)
    records = case.site.units[0].declare(case.horizon, case.situation)
    assert len(records.ramps) == 1
    more, results = Contract("c", "XTS").declare_ramps(
        case.horizon, case.situation, "meter_import", records.ramps
    )
    assert (more.variables, more.curves, more.rows, results.keys) == ((), (), (), ())
