"""Reactive power of rectifiers, filter steps, and limits at the meter.

Check values: the textbook relations of the ideal line-commutated bridge (cos phi = U_d / U_di0, apparent
power of the fundamental U_di0 I), as in W. Shepherd and L. Zhang, Power Converter Circuits, 2004 (value
from memory); the factor 0.95 is from memory.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.cell_voltage import CellVoltage
from models.checks import InvalidValues
from models.circuit import Circuit
from models.horizon import Array
from models.reactive import REACTIVE, FilterBank, line_above, rectifier_mvar
from models.rectifier import Rectifier
from models.situation import Situation
from models.trade import OwnUse
from scheduler.plan import PlanOptions, make_plan
from scheduler.report.columns import columns
from scheduler.result import Plan, Status
from tests.binding_cases import T_PER_KA, Small, fact, hours, power_mw, room
from tests.test_limits_bind import stored

THYRISTORS = Rectifier(1, 1e3, 300.0, drop_v=0.0, no_load_voltage_v=300.0, distortion=0.95)
"""The circuit of `tests.binding_cases` has 100 (2 + 0.1 I) V, so 200 to 290 V; here of 300 V at no load."""
BANK = FilterBank("filters", 4, 0.2)


def mvar(load: Array | float) -> Array:
    """Return I sqrt((300 / 0.95)^2 - U_d^2) with U_d = 200 + 10 I. [Mvar]."""
    load = np.asarray(load, dtype=np.float64)
    return np.asarray(load * np.sqrt((300.0 / 0.95) ** 2 - (200.0 + 10.0 * load) ** 2) / 1000.0)


def room_m() -> Circuit:
    """Return 36 invented mercury cells of 24 m2 with U = 3.15 + 0.09 j behind 175 V at no load."""
    return replace(
        room(name="room_m"),
        technology="mercury",
        cells_in_series=36,
        area_m2=24.0,
        density_min_ka_per_m2=4.5,
        density_max_ka_per_m2=11.0,
        voltage=CellVoltage(3.15, 0.09),
        rectifier=Rectifier(4, 72.0, 165.0, no_load_voltage_v=175.0),
    )


def site(bank: FilterBank = BANK, prices: tuple[float, ...] = (20.0, 100.0), **changes: Any) -> Small:
    """Return circuit, store and customer of 5 kA's worth behind a bank."""
    small = stored(room(rectifier=THYRISTORS), **changes)
    return replace(small, units=(*small.units, bank), prices=prices)


def reading(plan: Plan, name: str) -> Array:
    """Return a reading of the bank."""
    return plan.audit.simulations["filters"].readings[name]


# ---------------------------------------------------------------- the law


def test_reactive_power_by_hand() -> None:
    """10 kA at 240 V of 300 V at no load, f = 1: S = 3 MVA, P = 2.4 MW, Q = 1.8 Mvar, a 3-4-5 triangle."""
    assert rectifier_mvar(10.0, 240.0, 300.0, 1.0) == pytest.approx(1.8, rel=1e-12)


@pytest.mark.parametrize("share", [0.5, 0.8, 1.0])
def test_power_factor_is_a_share_of_the_voltage(share: float) -> None:
    """P / S is 0.95 U_d / U_di0 whatever the current."""
    power = 20.0 * share * 300.0 / 1000.0
    reactive = rectifier_mvar(20.0, share * 300.0, 300.0, 0.95)
    assert power / np.hypot(power, reactive) == pytest.approx(0.95 * share, rel=1e-12)


def test_reactive_power_is_concave_in_the_load() -> None:
    """Over both load ranges second differences are below 0: no tangent bounds it from below."""
    for circuit, low, high in ((room(rectifier=THYRISTORS), 1.0, 9.0), (room_m(), 108.0, 264.0)):
        state = circuit.state(hours(101), Situation())
        load = np.linspace(low, high, 101)
        values = circuit._reactive(load, np.arange(101), state)
        assert np.all(np.diff(values, 2) < 0)


@pytest.mark.parametrize(
    ("law", "low", "high"),
    [
        (lambda x, t: mvar(x), 1.0, 9.0),
        (lambda x, t: x**2, -1.0, 2.0),
        (lambda x, t: x**3 - x, -1.0, 1.5),
        (lambda x, t: 3.0 * x + 1.0, 0.0, 5.0),
    ],
    ids=["concave", "convex", "both", "straight"],
)
def test_the_line_lies_above_any_curve_and_not_far(law: Any, low: float, high: float) -> None:
    """No point of the curve is above the line, and the line touches it to a thousandth of its height."""
    zero = np.array([0])
    slope, constant = line_above(law, np.array([low]), np.array([high]), zero)
    x = np.linspace(low, high, 1003)
    above = constant[0] + slope[0] * x - law(x, 0)
    assert np.min(above) >= -1e-12
    chord = law(np.array([low]), zero) + slope * (x - low)
    assert np.min(above) <= 2e-3 * np.max(law(x, 0) - chord) + 1e-9


def test_a_fixed_load_has_its_own_reactive_power() -> None:
    """Where there is nothing to decide the line is the value."""
    slope, constant = line_above(lambda x, t: mvar(x), np.array([4.0]), np.array([4.0]), np.array([0]))
    assert (slope[0], constant[0]) == (0.0, pytest.approx(float(mvar(4.0))))


# ---------------------------------------------------------------- a circuit


def test_a_circuit_draws_by_its_law_and_the_plan_by_a_line_above() -> None:
    """Simulated flows are the law's; declared ones are never less, nor more than the raised chord.

    From 1 to 9 kA the voltage goes from 210 to 290 of 316 V, so the curve bends much: the line is up to
    0.3 Mvar above it.
    """
    circuit = room(rectifier=THYRISTORS)
    n = hours(9)
    load = np.linspace(1.0, 9.0, 9)
    drawn = -circuit.simulate(n, Situation(), {"room_load": load}).flows[REACTIVE]
    np.testing.assert_allclose(drawn, mvar(load), rtol=1e-12)
    (flow,) = [f for f in circuit.declare(n, Situation()).flows if f.commodity == REACTIVE]
    planned = -(flow.coefficient * load + flow.constant)
    assert np.all(planned >= drawn)
    assert np.all(planned <= drawn + 0.31)


def test_no_reactive_power_where_nothing_is_stated_or_nothing_runs() -> None:
    """Without a no-load voltage the circuit has no such flow; out of service it draws none."""
    assert REACTIVE not in {f.commodity for f in room().declare(hours(1), Situation()).flows}
    out = Situation(availability=(fact("room", "in_service", 0),))
    (flow,) = [f for f in room(rectifier=THYRISTORS).declare(hours(1), out).flows if f.commodity == REACTIVE]
    assert np.all(np.asarray(flow.coefficient) == 0)
    assert np.all(np.asarray(flow.constant) == 0)


def test_a_no_load_voltage_below_the_dc_voltage_is_refused() -> None:
    """A bridge cannot give more than at no load."""
    with pytest.raises(InvalidValues, match="'dc_voltage_max_v' must be at most no_load_voltage_v"):
        Rectifier(1, 10.0, 300.0, no_load_voltage_v=290.0)


# ---------------------------------------------------------------- steps


def test_as_few_steps_as_keep_the_limit() -> None:
    """0.9, 1.1, 1.29, 0.2 and 2.0 with a limit of 0.5 and steps of 0.2 need 2, 3, 4, 0 and all 4."""
    steps = BANK.switched(np.array([0.9, 1.1, 1.29, 0.2, 2.0]), np.full(5, 0.5), np.full(5, 4.0))
    np.testing.assert_array_equal(steps, [2, 3, 4, 0, 4])


def test_a_step_leaves_only_with_room_to_spare() -> None:
    """With 0.1 of hysteresis 3 steps stay at 0.85 (2 would leave 0.45) and fall to 2 at 0.79."""
    bank = replace(BANK, hysteresis_mvar=0.1)
    demand = np.array([1.1, 0.85, 0.79])
    np.testing.assert_array_equal(bank.switched(demand, np.full(3, 0.5), np.full(3, 4.0)), [3, 3, 2])
    np.testing.assert_array_equal(BANK.switched(demand, np.full(3, 0.5), np.full(3, 4.0)), [3, 2, 2])


def test_a_step_out_cannot_be_switched() -> None:
    """With one of four steps in service there is one."""
    assert BANK.switched(np.array([2.0]), np.array([0.5]), np.array([1.0]))[0] == 1


def test_limit_is_the_least_of_all() -> None:
    """At 3 MW: cos phi 0.8 allows 2.25 Mvar, 3.4 MVA sqrt(3.4^2 - 9) = 1.6, the limit 2: 1.6."""
    bank = replace(BANK, reactive_max_mvar=2.0, power_factor_min=0.8, apparent_max_mva=3.4)
    assert bank.limit_mvar(np.array([3.0]))[0] == pytest.approx(1.6)
    assert replace(bank, apparent_max_mva=None).limit_mvar(np.array([1.0]))[0] == pytest.approx(0.75)
    assert BANK.limit_mvar(np.array([1.0]))[0] == np.inf


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"steps": -1}, "'steps' must be at least 0"),
        ({"step_mvar": 0.0}, r"'step_mvar' must be above 0 \[Mvar\]"),
        ({"power_factor_min": 1.1}, "'power_factor_min' must be at most 1"),
        ({"hysteresis_mvar": -0.1}, r"'hysteresis_mvar' must be at least 0 \[Mvar\]"),
        ({"apparent_max_mva": 0.1}, r"'apparent_max_mva' must be above half a step, 0.1 \[MVA\] \(got 0.1\)"),
    ],
)
def test_values_that_break_a_rule(changes: dict[str, Any], message: str) -> None:
    """Each rule of the bank is told."""
    with pytest.raises(InvalidValues, match=message):
        replace(BANK, **changes)


# ---------------------------------------------------------------- plans


def test_without_a_limit_the_plan_is_what_it_was() -> None:
    """Loads of 9 and 1 kA as without reactive power; no step is needed; the meter reads the law's sum."""
    plan = site().plan()
    assert plan.status is Status.PLAN
    assert plan.audit.values["room_load"] == pytest.approx([9.0, 1.0], abs=1e-4)
    np.testing.assert_array_equal(reading(plan, "filter_steps"), 0)
    np.testing.assert_allclose(reading(plan, "reactive_mvar"), mvar([9.0, 1.0]), rtol=1e-4)
    assert plan.audit.balance_error[REACTIVE] < 1e-9


def test_a_limit_on_reactive_power_moves_loads_and_is_kept_exactly() -> None:
    """9 kA draw 1.13 Mvar. Without filters and 1.0 Mvar allowed the first hour falls, and the audit agrees.

    Two steps of 0.2 Mvar give it back: 9 and 1 kA again, with one step switched in and out.
    """
    none = FilterBank("filters", 0, 0.2, reactive_max_mvar=1.0)
    bound = site(none).plan()
    assert bound.status is Status.PLAN
    assert bound.audit.values["room_load"][0] < 8.0
    assert np.max(reading(bound, "reactive_mvar")) <= 1.0 + 1e-6
    # The line above the curve costs at most the raised chord: no more than 0.15 Mvar are left unused.
    assert np.max(reading(bound, "reactive_mvar")) >= 0.85
    helped = site(replace(none, steps=3)).plan()
    assert helped.status is Status.PLAN
    assert helped.audit.values["room_load"] == pytest.approx([9.0, 1.0], abs=1e-4)
    np.testing.assert_array_equal(reading(helped, "filter_steps"), [1, 0])
    np.testing.assert_array_equal(reading(helped, "filter_switches"), [0, 1])
    assert helped.audit.cost < bound.audit.cost


def test_a_step_out_of_service_binds() -> None:
    """The calendar takes all steps: the limit binds as without filters."""
    bank = FilterBank("filters", 3, 0.2, reactive_max_mvar=1.0)
    out = site(bank, facts=(fact("filters", "steps", 0, 0, 1),)).plan()
    assert out.audit.values["room_load"][0] < 8.0


def test_a_limit_on_apparent_power() -> None:
    """9 kA are 2.61 MW and 1.13 Mvar, 2.84 MVA; 2.5 MVA hold the first hour below 9 kA."""
    plan = make_plan(*_of(site(FilterBank("filters", 0, 0.2, apparent_max_mva=2.5))))
    assert plan.status is Status.PLAN
    apparent = reading(plan, "apparent_mva")
    assert 2.4 < np.max(apparent) <= 2.5 * (1 + 1e-6)
    assert plan.audit.values["room_load"][0] < 8.5


def test_a_limit_on_the_power_factor() -> None:
    """At 1 kA the factor is 0.95 * 210 / 300 = 0.67: a least of 0.7 holds the low hour up, the high down."""
    plan = make_plan(*_of(site(FilterBank("filters", 0, 0.2, power_factor_min=0.7))))
    assert plan.status is Status.PLAN
    load = plan.audit.values["room_load"]
    assert load[1] > 1.5
    assert np.min(reading(plan, "power_factor")) >= 0.7 - 1e-6


@pytest.mark.parametrize("limit", [{"apparent_max_mva": 2.5}, {"power_factor_min": 0.75}])
def test_limits_with_active_power_hold_where_power_is_paid_for(limit: dict[str, float]) -> None:
    """Where power is paid for a program would claim more to keep a factor; the audit sees the true one."""
    bank = FilterBank("filters", 2, 0.2, **limit)  # type: ignore[arg-type]
    plan = make_plan(*_of(site(bank, prices=(-50.0, -100.0))))
    assert plan.status is Status.PLAN
    assert not plan.audit.violations
    assert np.max(reading(plan, "apparent_mva")) <= limit.get("apparent_max_mva", np.inf) * (1 + 1e-6)


def test_other_load_has_reactive_power_too() -> None:
    """Motors with 0.5 Mvar are a use like any other: the meter reads the sum."""
    small = site()
    motors = OwnUse("motors", REACTIVE, rate_per_h=0.5, unit="Mvar")
    plan = replace(small, units=(*small.units, motors)).plan()
    np.testing.assert_allclose(reading(plan, "reactive_mvar"), mvar([9.0, 1.0]) + 0.5, rtol=1e-4)


def test_a_limit_that_cannot_be_kept_is_named() -> None:
    """0.1 Mvar allowed where 1 kA draws 0.24: NOT A PLAN names the limit at the meter."""
    plan = site(FilterBank("filters", 0, 0.2, reactive_max_mvar=0.1)).plan()
    assert plan.status is Status.NOT_A_PLAN
    assert any(v.meaning.startswith("limit on reactive power at the meter") for v in plan.audit.violations)


@pytest.mark.parametrize(
    ("limit", "words"),
    [({"power_factor_min": 0.97}, "least power factor"), ({"apparent_max_mva": 0.3}, "apparent power")],
)
def test_limits_with_active_power_that_cannot_be_kept_are_named(limit: dict[str, float], words: str) -> None:
    """No load has a factor of 0.97 or draws 0.3 MVA and serves the customer: NOT A PLAN names the limit."""
    plan = make_plan(*_of(site(FilterBank("filters", 0, 0.2, **limit))))  # type: ignore[arg-type]
    assert plan.status is Status.NOT_A_PLAN
    assert any(words in violation.meaning for violation in plan.audit.violations)
    # Both limits are broken least at the least load.
    assert plan.audit.values["room_load"] == pytest.approx([1.0, 1.0], abs=0.05)


def test_readings_are_columns() -> None:
    """Steps, switchings and the reactive power at the meter stand in plan.csv, units in their names."""
    names = {column.name for column in columns(site().plan())}
    assert {
        "filters_reactive_mvar",
        "filters_filter_steps",
        "filters_filter_switches",
        "filters_apparent_mva",
    } <= names


def test_the_sites_of_this_module_draw_what_the_docstrings_say() -> None:
    """9 kA: 2.61 MW and 1.13 Mvar; 1 kA: 0.24 Mvar."""
    assert power_mw(9.0) == pytest.approx(2.61)
    np.testing.assert_allclose(mvar([9.0, 1.0]), [1.125, 0.236], atol=1e-3)
    assert T_PER_KA > 0


def _of(small: Small) -> tuple[Any, Any, Any, PlanOptions]:
    return small.site(), small.intervals(), small.situation(), PlanOptions(compare=False)
