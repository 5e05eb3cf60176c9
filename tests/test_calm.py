"""The calm plan among equals: no movement without a reason, and never above the allowed cost."""

from __future__ import annotations

import numpy as np
import pytest

from models.horizon import Array
from models.tank import ProductStore
from models.trade import OwnUse
from scheduler.calm import calmest
from scheduler.cuts import Found
from scheduler.exact import exact_costs
from scheduler.lp import Formulation
from scheduler.plan import Planner
from scheduler.result import Status
from tests.small_sites import Case, intervals, plain_case, plain_circuit, random_case

T_PER_H = 2.0


def flat_case(prices: Array, circuits: int = 1) -> Case:
    """Return circuits on a wide store that must end where it began."""
    rooms = tuple(plain_circuit(f"room_{i}") for i in range(circuits))
    units = (
        *rooms,
        OwnUse("use", "chlorine", rate_per_h=T_PER_H * circuits),
        ProductStore("store", "chlorine", 0.0, 200.0, end_min_t=50.0),
    )
    return plain_case(units, prices, stocks={"store": 50.0})


def movement(formulation: Formulation, found: Found) -> float:
    """Return the sum of all changes on the plan day, each as a share of its setpoint's range."""
    variables = {v.key: v for v in formulation.declaration.variables}
    total = 0.0
    for moves in formulation.declaration.moves:
        variable = variables[moves.variable]
        spread = float(np.max(variable.upper) - np.min(variable.lower))
        if 0.0 < spread < np.inf:
            values = found.values[moves.variable][: formulation.horizon.plan_intervals + 1]
            total += float(np.abs(np.diff(values)).sum()) / spread
    return total


@pytest.mark.parametrize(("price", "circuits"), [(50.0, 1), (0.0, 1), (50.0, 2), (0.0, 2), (50.0, 3)])
def test_at_a_flat_price_nothing_moves(price: float, circuits: int) -> None:
    """With one price for every hour, loads stand still; the cost is within the gap of the bound."""
    plan = flat_case(np.full(24, price), circuits).plan()
    assert plan.status is Status.PLAN
    for i in range(circuits):
        assert np.ptp(plan.audit.values[f"room_{i}_load"]) <= 1e-6
    assert plan.certificate.gap <= 1e-5
    assert plan.audit.cost - plan.certificate.lower_bound <= 1e-5 * plan.certificate.denominator


def test_two_prices_need_two_movements() -> None:
    """With one cheap block in a flat day the load moves in and out of it once, not within it."""
    prices = np.full(24, 60.0)
    prices[8:14] = 20.0
    load = flat_case(prices).plan().audit.values["room_0_load"]
    assert np.ptp(load[:8]) <= 1e-6
    assert np.ptp(load[8:14]) <= 1e-6
    assert np.ptp(load[14:]) <= 1e-6
    assert load[8] - load[7] > 1.0


def searched(case: Case) -> tuple[Planner, Found, float]:
    """Return a planner with its least-cost plan, and the cost of that plan's energy."""
    planner = case.planner()
    found = planner.search.least_cost()
    assert found.values
    scale = float(np.sum(np.abs(case.prices * case.horizon.hours * found.values["meter_import"])))
    return planner, found, scale


@pytest.mark.parametrize("share", [1e-6, 1e-5, 1e-3])
@pytest.mark.parametrize("seed", range(4))
def test_cost_stays_within_the_allowance_and_movement_never_grows(seed: int, share: float) -> None:
    """Whatever is allowed, the calm plan's exact cost is not above it, and it moves no more than before."""
    horizon = intervals(24)
    case = random_case(np.random.default_rng(seed), horizon, demand=bool(seed % 2), credit=False)
    planner, found, scale = searched(case)
    before = movement(planner.formulation, found)
    most = found.cost + share * scale
    calm = calmest(planner.search, found, most, 10.0)
    assert sum(exact_costs(planner.formulation, calm.values).values()) == pytest.approx(calm.cost, rel=1e-12)
    assert calm.cost <= most
    assert calm.bound == found.bound
    assert movement(planner.formulation, calm) <= before * (1 + 1e-9) + 1e-7
    assert planner.search.keeps_limits(calm.values)


@pytest.mark.parametrize("seed", range(2))
def test_a_large_allowance_buys_calm(seed: int) -> None:
    """With a percent to spare a varied day becomes clearly calmer."""
    case = random_case(np.random.default_rng(seed), intervals(24), ramps=False, demand=False, credit=False)
    planner, found, scale = searched(case)
    calm = calmest(planner.search, found, found.cost + 1e-2 * scale, 10.0)
    assert movement(planner.formulation, calm) < 0.9 * movement(planner.formulation, found)


def test_no_allowance_costs_nothing() -> None:
    """Where nothing may be spent, the plan costs no more than before, and moves no more."""
    planner, found, _ = searched(flat_case(np.linspace(20.0, 80.0, 12)))
    for most in (found.cost, found.cost - 1.0):
        calm = calmest(planner.search, found, most, 10.0)
        assert calm.cost <= found.cost
        assert movement(planner.formulation, calm) <= movement(planner.formulation, found) + 1e-9


def test_the_program_is_as_before_afterwards() -> None:
    """Costs are given back and the new rows promise nothing: the next search finds the same cost."""
    planner, found, scale = searched(flat_case(np.linspace(20.0, 80.0, 12)))
    costs, offset = planner.solver.objective()
    calmest(planner.search, found, found.cost + 1e-3 * scale, 10.0)
    after, same_offset = planner.solver.objective()
    np.testing.assert_array_equal(after[: len(costs)], costs)
    assert not after[len(costs) :].any()
    assert same_offset == offset
    again = planner.search.least_cost()
    assert again.cost == pytest.approx(found.cost, abs=1e-5 * scale)
