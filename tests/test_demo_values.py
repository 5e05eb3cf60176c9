"""The invented demo site: figures of its cells, the size of its plan, and an afternoon of negative prices.

Anchors are hand arithmetic on the invented values of `tariffs_demo/site.toml`, stated beside each.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import tariffs_demo
from models.circuit import Circuit
from models.horizon import Array
from models.liquefier import Vaporiser
from models.situation import Situation
from scheduler.cuts import SearchOptions
from scheduler.plan import PlanOptions, make_plan
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.result import Plan, Status
from tests.binding_cases import hours

SITE = Path(tariffs_demo.__file__).parent / "site.toml"
ROOMS = ("room_m", "room_b1", "room_b2", "room_c")
AFTERNOON_PRICE = -200.0


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    """Return the demo's inputs."""
    return read_inputs(SITE)


@pytest.fixture(scope="module")
def plan(inputs: Inputs) -> Plan:
    """Return the demo's plan with its comparison."""
    # A shared machine may be slow: the time limit must not decide what is tested.
    options = PlanOptions(search=SearchOptions(seconds=600.0))
    return make_plan(inputs.site, inputs.horizon, inputs.situation, options)


@pytest.fixture(scope="module")
def negative_hours(inputs: Inputs) -> Array:
    """Return which hours of the horizon have a negative index."""
    negative: Array = inputs.situation.series["day_ahead"].on(inputs.horizon) < 0.0
    return negative


@pytest.fixture(scope="module")
def negative_plan(inputs: Inputs) -> Plan:
    """Return the plan with -200 per MWh in every hour whose index is negative, not put on steps."""
    prices = inputs.situation.series["day_ahead"]
    values = np.where(prices.values < 0.0, AFTERNOON_PRICE, prices.values)
    series = {**inputs.situation.series, "day_ahead": replace(prices, values=values)}
    situation = replace(inputs.situation, series=series)
    free = {"step_ka": None, "changes_per_shift": None, "changes_per_day": None, "dwell_minutes": 0.0}
    units = (replace(unit, **free) if isinstance(unit, Circuit) else unit for unit in inputs.site.units)
    site = replace(inputs.site, units=tuple(units))
    return make_plan(site, inputs.horizon, situation, PlanOptions(compare=False))


def _rooms(inputs: Inputs) -> dict[str, Circuit]:
    return {unit.name: unit for unit in inputs.site.units if isinstance(unit, Circuit)}


@pytest.mark.parametrize(
    ("name", "cells", "load_ka", "density", "ce0", "leak", "volts", "chlorine", "dc_mw"),
    [
        # 3.15 + 0.09 * 11 = 4.14 V; 36 * 4.14 = 149.04 V; * 264 kA = 39.35 MW.
        ("room_m", 36, 264.0, 11.0, 0.972, 0.10, 149.04, 12.106, 39.347),
        # 2.44 + 0.115 * 5.786 = 3.1054 V; * 150 = 465.8 V; * 32.4 kA = 15.09 MW.
        ("room_b1", 150, 32.4, 5.786, 0.968, 0.035, 465.8, 6.184, 15.09),
        # 2.43 + 0.125 * 5 = 3.055 V; * 96 = 293.3 V; * 28 kA = 8.21 MW.
        ("room_c", 96, 28.0, 5.0, 0.962, 0.035, 293.28, 3.396, 8.212),
    ],
)
def test_rooms_at_their_greatest_density(
    inputs: Inputs,
    name: str,
    cells: int,
    load_ka: float,
    density: float,
    ce0: float,
    leak: float,
    volts: float,
    chlorine: float,
    dc_mw: float,
) -> None:
    """Each room's products and voltage are hand arithmetic: n * 1.3228 kg/kAh * (CE0 - jL / j) * I."""
    circuit = _rooms(inputs)[name]
    assert cells * 1.3228e-3 * (ce0 - leak / density) * load_ka == pytest.approx(chlorine, rel=5e-4)
    load = np.array([circuit.density_max_ka_per_m2 * circuit.area_m2 * circuit.electrolysers_in_parallel])
    readings = circuit.simulate(hours(1), Situation(), {circuit.key("load"): load}).readings
    assert readings["chlorine_t_per_h"][0] == pytest.approx(chlorine, rel=5e-4)
    assert readings["dc_power_mw"][0] == pytest.approx(dc_mw, rel=1e-3)
    cell_volts = cells * readings["cell_voltage_v"][0]
    assert cell_volts == pytest.approx(volts, rel=1e-3)


def test_capacity_of_the_cells(inputs: Inputs) -> None:
    """12.11 + 2 * 6.18 + 3.40 = 27.87 t/h of chlorine at the greatest densities, to 0.1 %."""
    total = 0.0
    for circuit in _rooms(inputs).values():
        load = circuit.density_max_ka_per_m2 * circuit.area_m2 * circuit.electrolysers_in_parallel
        made = circuit.simulate(hours(1), Situation(), {circuit.key("load"): np.array([load])})
        total += float(made.readings["chlorine_t_per_h"][0])
    assert total == pytest.approx(27.87, rel=1e-3)


def test_ageing_caps_the_second_membrane_circuit(inputs: Inputs) -> None:
    """480 V less 1.2 % of margin, and 30 uohm of bar, over 150 elements of 2.56 V and 0.115 j.

    (0.988 * 3.2 - 2.56) / (0.115 / 5.6 + 2e-4) is 29.01 kA; without the margin it would be 30.86 kA, and the
    density allows 32.4.
    """
    ceilings = _rooms(inputs)["room_b2"].state(hours(1), Situation()).ceilings_ka
    assert ceilings["rectifier DC voltage"][0] == pytest.approx((0.988 * 3.2 - 2.56) / (0.115 / 5.6 + 2e-4))
    assert ceilings["rectifier DC voltage"][0] == pytest.approx(29.01, abs=0.01)


def test_demo_is_a_plan_without_misses(plan: Plan) -> None:
    """Every duty is met, every limit kept, and the gap is at most 1e-5."""
    assert plan.status is Status.PLAN
    assert plan.misses == ()
    assert plan.audit.violations == ()
    assert -1e-9 <= plan.certificate.gap <= 1e-5


def test_buses_close(plan: Plan) -> None:
    """The exact models leave no flow over on any commodity."""
    assert max(plan.audit.balance_error.values()) < 1e-6


def test_mean_load_of_the_week(plan: Plan) -> None:
    """About 85 % of 27.87 t/h, 23.7 t/h, is due; the plan makes 80 to 88 % with the stocks it starts with."""
    made = sum(plan.audit.flows[room, "chlorine_wet"] for room in ROOMS)
    assert 0.80 * 27.87 < float(np.mean(made)) < 0.88 * 27.87


def test_mean_import_of_the_week(plan: Plan) -> None:
    """62.6 MW DC, 1.6 of rectifiers, 3.8 and 0.3 of auxiliaries and 9.0 of other load: 77.3 MW, to 4 %."""
    assert float(np.mean(plan.audit.values["meter_import"])) == pytest.approx(77.3, rel=0.04)


def test_plan_is_cheaper_than_a_constant_load(plan: Plan) -> None:
    """The cheapest constant load with the same duties and stocks costs more, by 1 to 10 % of the energy."""
    constant = plan.comparisons[0]
    assert constant.name == "cheapest constant load"
    assert constant.cost is not None
    saving = constant.cost - plan.audit.cost
    assert 0.01 < saving / plan.audit.costs["energy"] < 0.10


def test_loads_of_a_constant_plan_are_constant(plan: Plan) -> None:
    """A room without a calendar fact keeps one load all week in the comparison."""
    assert np.ptp(plan.comparisons[0].loads_ka["room_b1"]) < 1e-6


def test_demo_plan_bills_what_it_costs(plan: Plan) -> None:
    """The electricity bill is energy, demand and what is sunk, to a thousandth of a unit.

    The billed peak is above the month's peak so far and at or above its target, so both agree.
    """
    energy = sum(line.amount for line in plan.audit.bill if line.group == "energy")
    assert energy == pytest.approx(plan.audit.costs["energy"], abs=1e-3)


def test_negative_afternoon_is_used_up_to_a_ceiling(
    inputs: Inputs, negative_plan: Plan, negative_hours: Array
) -> None:
    """At -200 every load stands at its ceiling, or the import at the billed peak.

    Within 0.1 % of the peak: a MWh more would earn 200 less 8.8 of adders but raises the month's charge.
    """
    assert negative_plan.status is Status.PLAN
    values = negative_plan.audit.values
    peak = float(values["demand_2026_06_peak"][0])
    ceilings = {
        room: circuit.state(inputs.horizon, inputs.situation).load_max_ka
        for room, circuit in _rooms(inputs).items()
    }
    at_ceiling = np.all([values[f"{room}_load"] >= ceilings[room] * (1 - 1e-6) for room in ROOMS], axis=0)
    at_peak = values["meter_import"] >= peak * (1 - 1e-3)
    first = np.flatnonzero(negative_hours)[:6]
    assert np.all((at_ceiling | at_peak)[first])


def test_negative_afternoon_draws_more_than_the_week(negative_plan: Plan, negative_hours: Array) -> None:
    """Hours that pay for drawing draw more than the mean of the others."""
    drawn = negative_plan.audit.values["meter_import"]
    assert float(np.mean(drawn[negative_hours])) > float(np.mean(drawn[~negative_hours])) + 3.0


def test_no_loop_of_liquefier_and_vaporiser(inputs: Inputs, negative_plan: Plan) -> None:
    """Even at -200 chlorine is never liquefied above the least feed and vaporised in the same hour."""
    vaporiser = next(unit for unit in inputs.site.units if isinstance(unit, Vaporiser))
    values = negative_plan.audit.values
    both = np.minimum(values["liquefier_feed"] - vaporiser.not_with_floor, values[vaporiser.key("rate")])
    assert float(np.max(both)) <= 1e-6


def test_gap_closes_at_negative_prices(negative_plan: Plan) -> None:
    """Where more power pays, the certificate still holds to 1e-5."""
    assert -1e-9 <= negative_plan.certificate.gap <= 1e-5
