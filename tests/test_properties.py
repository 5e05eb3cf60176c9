"""Properties that every plan has, whatever the site: random sites and prices by hypothesis."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import models.kinds
from models.cell_voltage import CellVoltage
from models.circuit import Circuit
from models.horizon import Array, Horizon
from models.order import Pipeline
from models.pieces import Declaration
from models.tank import ProductStore
from models.trade import OwnUse
from models.unit import UNIT_KINDS, Unit
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.result import Plan, Status
from tests.small_sites import Case, intervals, plain_case, plain_circuit, random_case
from tests.strategies import LONG, PLANS, SEEDS, cases, prices

DEMO = Path(models.kinds.__file__).parents[1] / "tariffs_demo" / "site.toml"


def assert_sound(plan: Plan) -> None:
    """Assert that a plan keeps balances, limits and the target gap."""
    assert plan.status is Status.PLAN
    assert plan.misses == ()
    assert max(plan.audit.balance_error.values()) <= 1e-6
    assert plan.audit.violations == ()
    assert -1e-9 <= plan.certificate.gap <= 1e-5


def allowed(*plans: Plan) -> float:
    """Return the money by which costs of plans may be above their optima, all together."""
    return sum(1e-5 * plan.certificate.denominator for plan in plans)


# ---------------------------------------------------------------- balances and limits


@PLANS
@given(cases())
def test_balances_close_and_limits_hold(case: Case) -> None:
    """Every balance closes within 1e-6 of its greatest flow and no limit is broken."""
    plan = case.plan()
    assert_sound(plan)
    # Once more without the audit: stocks and loads of the plan against the units' own limits.
    for store in case.site.units:
        if store.initial_stocks():
            level = plan.audit.values[store.key("level")]
            low, high = store.range_t()  # type: ignore[attr-defined]
            assert level.min() >= low - 1e-6 * high
            assert level.max() <= high + 1e-6 * high
            assert level[-1] >= store.end_min_t - 1e-6 * high  # type: ignore[attr-defined]
    for room in case.units(Circuit):
        assert isinstance(room, Circuit)
        density = plan.audit.values[room.key("load")] / (room.area_m2 * room.electrolysers_in_parallel)
        assert density.min() >= room.density_min_ka_per_m2 * (1 - 1e-6)
        assert density.max() <= room.density_max_ka_per_m2 * (1 + 1e-6)


@settings(PLANS, max_examples=5 * LONG)
@given(cases(low_price=-60.0))
def test_negative_prices_keep_balances_and_limits(case: Case) -> None:
    """With negative prices among the others the same holds."""
    assert_sound(case.plan())


# ---------------------------------------------------------------- declared and simulated


@pytest.fixture(scope="module")
def demo() -> Inputs:
    """Return the demo site as read from its files."""
    return read_inputs(DEMO)


def declared_flows(declaration: Declaration, values: Mapping[str, Array], n: int) -> dict[str, Array]:
    """Return the sum of the declared flows of a unit on each commodity."""
    result: dict[str, Array] = {}
    places = {v.key: v.intervals for v in declaration.variables}
    for flow in declaration.flows:
        at = places.get(flow.variable, np.arange(n))
        net = result.setdefault(flow.commodity, np.zeros(n))
        net[at] += flow.coefficient * values[flow.variable] + flow.constant
    return result


def random_setpoints(rng: np.random.Generator, declaration: Declaration) -> dict[str, Array]:
    """Return values of all variables inside their bounds; an open bound is replaced by a wide one."""
    values = {}
    for variable in declaration.variables:
        low = np.where(np.isfinite(variable.lower), variable.lower, -1e3)
        high = np.where(np.isfinite(variable.upper), variable.upper, np.maximum(low, 0.0) + 1e3)
        values[variable.key] = low + rng.uniform(size=variable.size) * (high - low)
    return values


def test_the_demo_site_holds_most_kinds(demo: Inputs) -> None:
    """The demo site has units of nearly every kind, so the next test is about all of them."""
    held = {unit.kind for unit in demo.site.units}
    # A cover requirement and a limit on quality declare rows on others' variables, no flow of their own;
    # the bar of reactive power is simulated by laws that its plan only bounds (tests/test_reactive.py).
    assert set(UNIT_KINDS) - held <= {"trip_cover", "filter_bank", "quality_limit"}


def test_settings_of_units_are_variables_of_theirs(demo: Inputs) -> None:
    """What a unit names as set by a shift is one of its rates, so the load sheet shows it."""
    for unit in demo.site.units:
        declared = {v.key: v.unit for v in unit.declare(demo.horizon, demo.situation).variables}
        assert {declared[unit.key(piece)] for piece in unit.settings} <= {"t/h"}


@PLANS
@given(seed=SEEDS)
def test_simulation_equals_declared_flows(demo: Inputs, seed: int) -> None:
    """At random setpoints every unit of the demo site simulates the flows it declares."""
    rng = np.random.default_rng(seed)
    n = len(demo.horizon)
    for unit in demo.site.units:
        declaration = unit.declare(demo.horizon, demo.situation)
        values = random_setpoints(rng, declaration)
        simulated = unit.simulate(demo.horizon, demo.situation, values).flows
        for curve in declaration.curves:
            values[curve.key] = curve.value(values[curve.of], np.arange(n))
        declared = declared_flows(declaration, values, n)
        assert set(simulated) == set(declared), unit.name
        for commodity, flow in declared.items():
            scale = 1e-9 * max(float(np.max(np.abs(flow))), 1e-3)
            np.testing.assert_allclose(simulated[commodity], flow, rtol=1e-9, atol=scale, err_msg=unit.name)


@PLANS
@given(seed=SEEDS)
def test_slopes_of_curves_are_their_derivatives(demo: Inputs, seed: int) -> None:
    """At random points the declared slope of every curve is its central difference, kinks left out."""
    rng = np.random.default_rng(seed)
    each = np.arange(len(demo.horizon))
    for unit in demo.site.units:
        declaration = unit.declare(demo.horizon, demo.situation)
        bounds = {v.key: v for v in declaration.variables}
        for curve in declaration.curves:
            low, high = bounds[curve.of].lower, bounds[curve.of].upper
            live = each[high > low]
            step = 1e-4 * (high - low)[live]
            x = low[live] + (high - low)[live] * rng.uniform(0.01, 0.99, len(live))
            difference = (curve.value(x + step, live) - curve.value(x - step, live)) / (2 * step)
            slope = curve.slope(x, live)
            kinked = curve.slope(x - step, live) < 0.5 * curve.slope(x + step, live)
            np.testing.assert_allclose(slope[~kinked], difference[~kinked], rtol=1e-6, err_msg=curve.key)


# ---------------------------------------------------------------- prices


@PLANS
@given(data=st.data())
def test_bound_never_rises_when_prices_fall(data: st.DataObject) -> None:
    """With lower prices, none negative, neither the optimum nor its bound is higher."""
    case = data.draw(cases())
    fall = data.draw(prices(len(case.horizon), 0.0, 80.0))
    before, after = case.plan(), case.priced(np.maximum(case.prices - fall, 0.0)).plan()
    rounding = 1e-7 * before.certificate.denominator
    assert after.certificate.lower_bound <= before.certificate.cost + rounding
    assert after.certificate.lower_bound <= before.certificate.lower_bound + allowed(before) + rounding


@PLANS
@given(case=cases(demand=False, credit=False), factor=st.floats(0.2, 8.0))
def test_scaled_prices_scale_the_energy_cost(case: Case, factor: float) -> None:
    """Where only energy costs money, prices times a factor give the cost times the factor."""
    (spot,) = case.site.contract.components
    adders = tuple(replace(a, per_mwh=a.per_mwh * factor) for a in spot.adders_per_mwh)  # type: ignore[attr-defined]
    contract = replace(case.site.contract, components=(replace(spot, adders_per_mwh=adders),))  # type: ignore[type-var]
    scaled = replace(case, site=replace(case.site, contract=contract)).priced(case.prices * factor)
    one, many = case.plan(), scaled.plan()
    assert set(one.audit.costs) <= {"energy", "other", "hydrogen", "end stock"}
    assert one.audit.cost == pytest.approx(one.audit.costs["energy"], rel=1e-12)
    tolerance = factor * allowed(one) + allowed(many)
    assert many.audit.costs["energy"] == pytest.approx(factor * one.audit.costs["energy"], abs=tolerance)


# ---------------------------------------------------------------- resolution


def split_in_four(case: Case) -> Case:
    """Return a case on quarters of its hours."""
    return case.on(case.horizon.split(4))


@st.composite
def hourly_cases(draw: st.DrawFn, ramps: bool) -> Case:
    """Draw a site on 12 hours; lots have windows of whole hours, so that quarters do not know them better."""
    case = random_case(
        np.random.default_rng(draw(SEEDS)),
        intervals(12),
        circuits=draw(st.integers(1, 2)),
        liquid=draw(st.booleans()),
        ramps=ramps,
        demand=draw(st.booleans()),
        window_minutes=60,
    )
    return case.priced(draw(prices(12)))


@PLANS
@given(hourly_cases(ramps=True))
def test_quarters_are_never_dearer_than_hours(case: Case) -> None:
    """A plan on hours is also one on quarters, so the best on quarters costs no more."""
    hours, quarters = case.plan(), split_in_four(case).plan()
    assert_sound(quarters)
    rounding = 1e-7 * hours.certificate.denominator
    assert quarters.certificate.lower_bound <= hours.certificate.cost + rounding
    assert quarters.certificate.cost <= hours.certificate.cost + allowed(quarters) + rounding


@PLANS
@given(hourly_cases(ramps=False))
def test_quarters_cost_the_same_as_hours_without_ramps(case: Case) -> None:
    """Without limits of movement the mean of four quarters is at least as good: power is convex.

    The prices are those of the hours, so nothing is gained by moving inside an hour.
    """
    hours, quarters = case.plan(), split_in_four(case).plan()
    tolerance = allowed(hours, quarters)
    assert quarters.certificate.cost == pytest.approx(hours.certificate.cost, abs=tolerance)


# ---------------------------------------------------------------- marginal costs


def marginal(room: Circuit, load_ka: Array) -> tuple[Array, float]:
    """Return d(AC power)/d(chlorine) at a load and d2(AC power)/d(chlorine)2. [MWh/t], [MWh h/t2].

    From AC power = n (U0 I + k I2 / A) / 1000 + R I2 and chlorine = n c CE0 I - constant.
    """
    volts, rectifier = room.cell_voltage, room.rectifier
    n, m2 = room.cells_in_series, room.area_m2 * room.electrolysers_in_parallel
    square = (
        n * volts.k_effective / m2 / 1e3 + (rectifier.resistance_uohm + room.busbar.resistance_uohm) / 1e6
    )
    line = n * volts.intercept_effective / 1e3 + rectifier.drop_v / 1e3
    per_ka = n * 70.906 / (2 * 96485.33212) * 3.6 / 1e3 * 1e3 * room.current_efficiency.ce0
    auxiliary = room.auxiliary_kwh_per_t / 1e3
    return (line + 2 * square * load_ka) / per_ka + auxiliary, 2 * square / per_ka**2


@PLANS
@given(
    k=st.tuples(st.floats(0.08, 0.2), st.floats(0.08, 0.2)),
    u0=st.floats(-0.05, 0.05),
    share=st.floats(0.25, 0.75),
    price=st.floats(5.0, 150.0),
)
def test_flat_prices_give_rooms_equal_marginal_costs(
    k: tuple[float, float], u0: float, share: float, price: float
) -> None:
    """At one price and with nothing else in the way, the last tonne costs the same in both rooms.

    How close: moving x t/h between two rooms whose marginals differ by d changes the power by
    -d x + (c1 + c2) x2 / 2, with c the second derivatives, so at best by -d2 / (2 (c1 + c2)). A plan whose
    cost is at most `gap * cost of energy` above the optimum has therefore
    sum of price * hours * d2 / (2 (c1 + c2)) <= gap * cost of energy,
    if the move stays inside both ranges: a bound on the root mean square of d.
    """
    rooms = (
        plain_circuit("room_a", voltage=CellVoltage(2.4, k[0])),
        plain_circuit("room_b", voltage=CellVoltage(2.4 + u0, k[1]), auxiliary_kwh_per_t=20.0),
    )
    n = 12
    per_ka = 150 * 70.906 / (2 * 96485.33212) * 3.6
    use = per_ka * 2 * (5.0 + share * 10.0)
    case = plain_case(
        (
            *rooms,
            ProductStore("store", "chlorine", 0.0, 1e3, end_min_t=500.0),
            OwnUse("use", "chlorine", rate_per_h=use),
        ),
        np.full(n, price),
        stocks={"store": 500.0},
    )
    plan = case.plan()
    (first, c1), (second, c2) = (marginal(r, plan.audit.values[r.key("load")]) for r in rooms)
    sure = plan.certificate
    excess_mwh = max(sure.gap, 1e-9) * sure.denominator / price
    allowed_square = 2.0 * (c1 + c2) * excess_mwh
    difference = first - second
    move_ka = np.abs(difference) / (c1 + c2) / per_ka
    inside = np.ones(n, dtype=bool)
    for room in rooms:
        load = plan.audit.values[room.key("load")]
        inside &= (load - move_ka > 5.0) & (load + move_ka < 15.0)
    assume(bool(np.any(inside)))
    assert float(np.sum(difference[inside] ** 2)) <= allowed_square + 1e-12


# ---------------------------------------------------------------- days and resolutions


@pytest.mark.parametrize(
    ("day", "hours"),
    [(dt.date(2026, 3, 29), 23), (dt.date(2026, 10, 25), 25), (dt.date(2026, 6, 8), 24)],
    ids=["23", "25", "24"],
)
@pytest.mark.parametrize("minutes", [60, 30, 15])
def test_days_of_23_24_and_25_hours_at_every_resolution(day: dt.date, hours: int, minutes: int) -> None:
    """On short, long and usual days at every resolution a day's total is its rate times its hours."""
    case = random_case(
        np.random.default_rng(hours + minutes), Horizon.of_days(day, "Europe/Berlin", minutes), circuits=2
    )
    plan = case.plan()
    assert_sound(plan)
    assert len(plan.horizon) == hours * 60 // minutes
    (pipeline,) = case.units(Pipeline)
    assert isinstance(pipeline, Pipeline)
    taken = float(np.sum(plan.horizon.hours * plan.audit.values["pipeline_take"]))
    asked = pipeline.nominal_t_per_h * hours
    slack = pipeline.daily_tolerance_percent / 100.0
    assert asked * (1 - slack) * (1 - 1e-6) <= taken <= asked * (1 + slack) * (1 + 1e-6)


@pytest.mark.parametrize(
    ("fine", "coarse", "count"),
    [(15, 60, 100 + 24), (30, 60, 50 + 24), (15, 30, 100 + 48)],
    ids=["15_60", "30_60", "15_30"],
)
def test_resolution_may_change_inside_a_horizon(fine: int, coarse: int, count: int) -> None:
    """A fine plan day of 25 hours with a coarser look-ahead is planned like any other horizon."""
    horizon = Horizon.of_days(dt.date(2026, 10, 25), "Europe/Berlin", fine, 1, coarse)
    case = random_case(np.random.default_rng(count), horizon, liquid=True)
    plan = case.plan()
    assert_sound(plan)
    assert len(plan.horizon) == count
    level = plan.audit.values["store_level"]
    net = np.diff(level, prepend=case.situation.stocks["store"])
    moved = sum(
        flow * plan.horizon.hours for (_, name), flow in plan.audit.flows.items() if name == "chlorine_liquid"
    )
    np.testing.assert_allclose(net, moved, atol=1e-6)


def test_every_unit_kind_is_a_unit() -> None:
    """The register holds units only, so that the tests over it are about units."""
    assert all(issubclass(kind, Unit) for kind in UNIT_KINDS.values())
