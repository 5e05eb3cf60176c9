"""A circuit: products, power and limits of its load against hand arithmetic and published figures.

Hand arithmetic uses Faraday's factors 1.3228 kg Cl2, 1.49235 kg NaOH, 2.0934 kg KOH and 0.037610 kg H2 per
kAh and cell (M Q / z F with CODATA and IUPAC values). The rooms are those of an invented site.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.busbar import Busbar
from models.cell_voltage import CellVoltage
from models.checks import InvalidValues
from models.circuit import Circuit
from models.constants import MOLAR_MASS_G_PER_MOL, NORMAL_MOLAR_VOLUME_L_PER_MOL
from models.current_efficiency import CurrentEfficiency
from models.horizon import Array, Horizon
from models.pieces import Declaration, Rows
from models.rectifier import Rectifier
from models.situation import Availability, Situation
from models.technology import DEFAULTS
from tests.binding_cases import fact, hours

NOTHING = Situation()
MERCURY = Circuit(
    "room_m",
    "mercury",
    "NaCl",
    cells_in_series=36,
    jumpering=True,
    area_m2=24.0,
    density_min_ka_per_m2=4.5,
    density_max_ka_per_m2=11.0,
    rectifier=Rectifier(4, 72.0, 165.0, 0.16, 1.0, 5.0),
    alkali="naoh_50",
    voltage=CellVoltage(3.15, 0.09),
    efficiency=CurrentEfficiency(0.972, 0.10, 0.97),
    busbar=Busbar(3.0),
    brine="brine_mercury",
    auxiliary_fixed_mw=0.85,
    auxiliary_kwh_per_t=70.0,
    ramp_ka_per_min=4.0 / 3.0,
    ramp_minutes=30.0,
)
MEMBRANE = Circuit(
    "room_b",
    "membrane_zero_gap",
    "NaCl",
    cells_in_series=150,
    electrolysers_in_parallel=2,
    area_m2=2.8,
    density_min_ka_per_m2=1.8,
    density_max_ka_per_m2=32.4 / 5.6,
    rectifier=Rectifier(1, 33.0, 480.0, 0.06, 1.0, 240.0),
    alkali="naoh_32",
    voltage=CellVoltage(2.44, 0.115),
    efficiency=CurrentEfficiency(0.968, 0.035, 0.995),
)
POTASH = Circuit(
    "room_c",
    "membrane_zero_gap",
    "KCl",
    cells_in_series=96,
    electrolysers_in_parallel=2,
    area_m2=2.8,
    density_min_ka_per_m2=1.8,
    density_max_ka_per_m2=5.0,
    rectifier=Rectifier(1, 30.0, 330.0),
    alkali="koh_32",
    voltage=CellVoltage(2.43, 0.125),
    efficiency=CurrentEfficiency(0.962, 0.035, 0.995),
)
LOG = replace(MERCURY, voltage=CellVoltage(3.05, 0.08, log_v=0.06), name="room_log")
ALL = [MERCURY, MEMBRANE, POTASH, LOG]


def readings(circuit: Circuit, load_ka: float, situation: Situation = NOTHING) -> dict[str, float]:
    """Return the readings of one hour at a load."""
    simulation = circuit.simulate(hours(1), situation, {circuit.key("load"): np.array([load_ka])})
    return {name: float(values[0]) for name, values in simulation.readings.items()}


def simulated(circuit: Circuit, load_ka: float) -> dict[str, float]:
    """Return the flows of one hour at a load."""
    simulation = circuit.simulate(hours(1), NOTHING, {circuit.key("load"): np.array([load_ka])})
    return {name: float(values[0]) for name, values in simulation.flows.items()}


def declared(
    circuit: Circuit, load_ka: float, situation: Situation = NOTHING, n: int = 1
) -> dict[str, Array]:
    """Return the flows that the records give at a load."""
    records = circuit.declare(hours(n), situation)
    curve = records.curves[0]
    values = {curve.of: np.full(n, load_ka)}
    values[curve.key] = curve.value(values[curve.of], np.arange(n))
    flows: dict[str, Array] = {}
    for flow in records.flows:
        part = flow.coefficient * values[flow.variable] + flow.constant
        flows[flow.commodity] = flows.get(flow.commodity, np.zeros(n)) + part
    return flows


def family(records: Declaration, key: str) -> Rows:
    """Return a family of rows by key."""
    return next(rows for rows in records.rows if rows.key == key)


@pytest.mark.parametrize(
    ("circuit", "load_ka", "chlorine", "dc_mw", "volts"),
    [
        # j 11: CE 0.972 - 0.1 / 11 = 0.96291; 36 * 1.3228e-3 * 264 * CE = 12.106; U 4.14; 149.04 V * 264 kA.
        (MERCURY, 264.0, 12.106, 39.347, 149.04),
        # j 5.786: CE 0.96195; 150 * 1.3228e-3 * 32.4 * CE = 6.184; U 3.1054; 465.8 V * 32.4 kA.
        (MEMBRANE, 32.4, 6.184, 15.092, 465.80),
        # j 5: CE 0.955; 96 * 1.3228e-3 * 28 * CE = 3.396; U 3.055; 293.28 V * 28 kA.
        (POTASH, 28.0, 3.396, 8.212, 293.28),
    ],
    ids=["mercury", "membrane", "potash"],
)
def test_rooms_at_full_load(
    circuit: Circuit, load_ka: float, chlorine: float, dc_mw: float, volts: float
) -> None:
    """Chlorine, DC power and voltage of the invented rooms by hand: 12.11, 6.18 and 3.40 t/h."""
    found = readings(circuit, load_ka)
    assert found["chlorine_t_per_h"] == pytest.approx(chlorine, rel=2e-4)
    assert found["dc_power_mw"] == pytest.approx(dc_mw, rel=2e-4)
    assert circuit.cells_in_series * found["cell_voltage_v"] == pytest.approx(volts, rel=2e-4)


def test_published_worked_example_of_faraday() -> None:
    """30 kA for 8 h make 317.473 kg of chlorine: Silberberg, Chemistry, problem 22.53, through a circuit."""
    cell = replace(
        MEMBRANE,
        cells_in_series=1,
        electrolysers_in_parallel=1,
        area_m2=6.0,
        efficiency=CurrentEfficiency(1.0, 0.0, 1.0),
    )
    records = cell.declare(hours(8), NOTHING)
    slope = next(flow for flow in records.flows if flow.commodity == "chlorine_wet")
    made = 1000.0 * np.sum(slope.coefficient * 30.0 + slope.constant)
    assert made == pytest.approx(317.473, abs=0.005)


def test_daily_make_of_a_hundred_cells() -> None:
    """100 cells at 10 kA and CE 0.95 make 30.16 t of chlorine a day: hand arithmetic, 31.747 * 0.95."""
    circuit = replace(
        MERCURY,
        cells_in_series=100,
        area_m2=1.0,
        efficiency=CurrentEfficiency(0.95, 0.0, 0.95),
        rectifier=Rectifier(1, 20.0, 500.0),
    )
    assert 24.0 * simulated(circuit, 10.0)["chlorine_wet"] == pytest.approx(30.16, abs=0.005)


def test_regulatory_production_factor() -> None:
    """US 40 CFR 63.8234, Equation 2: 1.3e-6 Mg Cl2 per hour, ampere and mercury cell, rounded 1.7 % down."""
    circuit = replace(MERCURY, efficiency=CurrentEfficiency(1.0, 0.0, 1.0))
    factor = simulated(circuit, 264.0)["chlorine_wet"] / (264e3 * 36)
    assert factor == pytest.approx(1.3e-6, rel=0.02)
    assert round(factor * 1e6, 1) == 1.3


@pytest.mark.parametrize(("circuit", "ratio"), [(MERCURY, 1.128), (MEMBRANE, 1.128), (POTASH, 1.5825)])
def test_alkali_per_chlorine(circuit: Circuit, ratio: float) -> None:
    """1.128 t NaOH, 1.5825 t KOH per t Cl2: stoichiometry; Clorosur prints 1.1 t of caustic soda."""
    flows = simulated(circuit, circuit.density_max_ka_per_m2 * circuit.area_m2)
    assert flows[circuit.alkali] / flows["chlorine_wet"] == pytest.approx(ratio, rel=3e-4)


def test_hydrogen_per_chlorine() -> None:
    """At equal efficiencies 28.43 kg or 316 Nm3 of hydrogen go with a tonne of chlorine: stoichiometry.

    With 99.5 % for hydrogen and CE 0.96195 for chlorine the room makes 29.41 kg/t.
    """
    equal = replace(MEMBRANE, efficiency=CurrentEfficiency(0.96, 0.0, 0.96))
    flows = simulated(equal, 30.0)
    kg_per_t = flows["hydrogen"] / flows["chlorine_wet"]
    assert kg_per_t == pytest.approx(28.43, abs=0.005)
    normal_m3 = kg_per_t / MOLAR_MASS_G_PER_MOL["H2"] * NORMAL_MOLAR_VOLUME_L_PER_MOL
    assert normal_m3 == pytest.approx(316.0, abs=0.5)
    flows = simulated(MEMBRANE, 32.4)
    assert flows["hydrogen"] / flows["chlorine_wet"] == pytest.approx(28.43 * 0.995 / 0.96195, rel=2e-4)


def test_salt_taken_from_the_brine() -> None:
    """1.6485 t NaCl go with a tonne of chlorine: 2.18058 over 1.3228 kg per kAh."""
    flows = simulated(MERCURY, 200.0)
    assert -flows["brine_mercury"] / flows["chlorine_wet"] == pytest.approx(2.18058 / 1.3228, rel=1e-4)


@pytest.mark.parametrize("circuit", ALL, ids=lambda c: c.name)
@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 1.0])
def test_records_agree_with_the_simulation(circuit: Circuit, share: float) -> None:
    """What the program is told and what the audit computes from the laws are the same at any load."""
    state = circuit.state(hours(1), NOTHING)
    load = float(state.load_min_ka[0] + share * (state.load_max_ka - state.load_min_ka)[0])
    flows = simulated(circuit, load)
    told = declared(circuit, load)
    assert set(flows) == set(told)
    for commodity, value in flows.items():
        assert told[commodity][0] == pytest.approx(value, rel=1e-12), commodity


@pytest.mark.parametrize("circuit", ALL, ids=lambda c: c.name)
def test_slope_of_the_power(circuit: Circuit) -> None:
    """The slope of the AC power agrees with a central finite difference of its value."""
    (curve,) = circuit.declare(hours(5), NOTHING).curves
    state = circuit.state(hours(5), NOTHING)
    t = np.arange(5)
    x = state.load_min_ka + np.linspace(0.0, 1.0, 5) * (state.load_max_ka - state.load_min_ka)
    step = 1e-4
    difference = (curve.value(x + step, t) - curve.value(x - step, t)) / (2 * step)
    assert curve.slope(x, t) == pytest.approx(difference, rel=1e-8)


def test_ac_power_by_hand() -> None:
    """264 kA: 39.3466 MW of cells, 3 uohm of bars 0.2091, rectifier 0.16 + 0.264 + 5 uohm 0.3485 MW."""
    (curve,) = MERCURY.declare(hours(1), NOTHING).curves
    by_hand = 39.34656 + 3e-6 * 264**2 + 0.16 + 0.264 + 5e-6 * 264**2
    assert curve.value(np.array([264.0]), np.array([0]))[0] == pytest.approx(by_hand, rel=1e-9)


def test_auxiliaries() -> None:
    """0.85 MW and 70 kWh per tonne on top of the rectifier: at 12.106 t/h 1.697 MW."""
    flows, found = simulated(MERCURY, 264.0), readings(MERCURY, 264.0)
    assert -flows["power"] - found["ac_power_mw"] == pytest.approx(0.85 + 0.07 * 12.106, abs=1e-3)


def test_load_range_by_density() -> None:
    """4.5 and 11 kA/m2 on 24 m2 are 108 and 264 kA; two electrolysers of 2.8 m2 at 1.8 are 10.08 kA."""
    state = MERCURY.state(hours(2), NOTHING)
    assert state.load_min_ka == pytest.approx([108.0, 108.0])
    assert state.load_max_ka == pytest.approx([264.0, 264.0])
    assert MEMBRANE.state(hours(1), NOTHING).load_min_ka == pytest.approx([10.08])


def test_dc_voltage_ceiling_of_a_line_with_busbar() -> None:
    """At the ceiling n (U0 + k I / A) + R I is exactly the limit.

    150 - 36 * 3.15 = 36.6 V over 36 * 0.09 / 24 + 0.003 = 0.138 V/kA are 265.217 kA.
    """
    circuit = replace(MERCURY, density_max_ka_per_m2=12.0, rectifier=Rectifier(4, 72.0, 150.0))
    ceiling = circuit.state(hours(1), NOTHING).ceilings_ka["rectifier DC voltage"]
    assert ceiling[0] == pytest.approx(36.6 / 0.138, rel=1e-12)
    assert readings(circuit, float(ceiling[0]))["dc_voltage_v"] == pytest.approx(150.0, rel=1e-12)


def test_dc_voltage_ceiling_with_a_logarithm() -> None:
    """With busbar and logarithm the voltage at the ceiling, summed here term by term, is the limit."""
    circuit = replace(LOG, rectifier=Rectifier(4, 72.0, 146.0), density_max_ka_per_m2=12.0)
    load = float(circuit.state(hours(1), NOTHING).ceilings_ka["rectifier DC voltage"][0])
    density = load / 24.0
    volts = 36 * (3.05 + 0.08 * density + 0.06 * math.log(density)) + 0.003 * load
    assert volts == pytest.approx(146.0, rel=1e-12)


def test_dc_voltage_ceiling_falls_with_age() -> None:
    """0.12 V of ageing: (480 / 150 - 2.56) / 0.115 * 5.6 = 31.165 kA instead of more than 33."""
    old = replace(MEMBRANE, voltage=CellVoltage(2.44, 0.115, age_years=4.0, drift_v_per_year=0.03))
    assert old.state(hours(1), NOTHING).load_max_ka[0] == pytest.approx(0.64 / 0.115 * 5.6, rel=1e-12)


@pytest.mark.parametrize(
    ("circuit", "what", "value", "lowest", "highest"),
    [
        # 3 of 4 rectifier units: 216 kA.
        (MERCURY, "rectifier_units", 3, 108.0, 216.0),
        # One electrolyser: half the area, half the range.
        (MEMBRANE, "electrolysers", 1, 5.04, 16.2),
        # Two cells jumpered: the range of the load stays.
        (MERCURY, "cells", 34, 108.0, 264.0),
        (MERCURY, "load_max_ka", 200.0, 108.0, 200.0),
        (MERCURY, "in_service", 0, 0.0, 0.0),
        (MERCURY, "rectifier_units", 0, 0.0, 0.0),
        (MEMBRANE, "electrolysers", 0, 0.0, 0.0),
        (MERCURY, "cells", 0, 0.0, 0.0),
    ],
)
def test_calendar_facts(circuit: Circuit, what: str, value: float, lowest: float, highest: float) -> None:
    """A fact holds on the intervals it touches, and only there."""
    facts = Situation(availability=(fact(circuit.name, what, value, 1, 1),))
    normal = circuit.state(hours(1), NOTHING)
    state = circuit.state(hours(3), facts)
    assert state.load_min_ka[1] == pytest.approx(lowest)
    assert state.load_max_ka[1] == pytest.approx(highest)
    assert state.load_min_ka[[0, 2]] == pytest.approx(normal.load_min_ka[0])
    assert state.load_max_ka[[0, 2]] == pytest.approx(normal.load_max_ka[0])


def test_jumpered_cells_make_nothing() -> None:
    """34 of 36 cells make 34/36 of the products and of the cells' voltage at the same load."""
    facts = Situation(availability=(fact("room_m", "cells", 34),))
    for name in ("chlorine_t_per_h", "alkali_t_per_h", "hydrogen_kg_per_h", "dc_power_mw"):
        assert readings(MERCURY, 200.0, facts)[name] == pytest.approx(
            readings(MERCURY, 200.0)[name] * 34 / 36, rel=1e-12
        )


def test_circuit_out_of_service_is_dead() -> None:
    """Out of service there is no product, no power and no auxiliary power, in records and simulation."""
    facts = Situation(availability=(fact("room_m", "in_service", 0, 0, 1),))
    simulation = MERCURY.simulate(hours(2), facts, {"room_m_load": np.zeros(2)})
    for commodity, flow in declared(MERCURY, 0.0, facts, n=2).items():
        assert flow == pytest.approx([0.0, 0.0])
        assert simulation.flows[commodity] == pytest.approx([0.0, 0.0])


def test_limits_of_the_simulation() -> None:
    """The audit's limits are density, DC voltage and rectifier current; beyond them a load is told."""
    simulation = MERCURY.simulate(hours(1), NOTHING, {"room_m_load": np.array([300.0])})
    limits = {limit.name: limit for limit in simulation.limits}
    assert limits["current density of room_m"].value[0] == pytest.approx(12.5)
    assert limits["current density of room_m"].upper == 11.0
    assert limits["rectifier current of room_m"].value[0] > np.asarray(
        limits["rectifier current of room_m"].upper
    )
    assert limits["DC voltage of room_m"].value[0] == pytest.approx(36 * (3.15 + 0.09 * 12.5) + 0.9)


@pytest.mark.parametrize(
    ("minutes", "pairs"),
    [
        # 30 min tie neighbours of 60 min (gap 0).
        (60, [(0, 1), (1, 2), (2, 3)]),
        # Of 15 min: the next and the one after it (gap 15).
        (15, [(0, 1), (1, 2), (2, 3), (0, 2), (1, 3)]),
        # Of 5 min: gaps of 0, 5, 10 (and up to 25) min; four intervals are all tied.
        (5, [(0, 1), (1, 2), (2, 3), (0, 2), (1, 3), (0, 3)]),
    ],
)
def test_ramp_ties_pairs_within_its_time(minutes: int, pairs: list[tuple[int, int]]) -> None:
    """40 kA within any 30 min, whatever the length of the intervals."""
    ramp = family(MERCURY.declare(hours(4, minutes), NOTHING), "room_m_ramp")
    later, earlier = ramp.entries
    assert list(zip(earlier.positions.tolist(), later.positions.tolist(), strict=True)) == pairs
    assert later.coefficients == pytest.approx(np.ones(len(pairs)))
    assert earlier.coefficients == pytest.approx(-np.ones(len(pairs)))
    assert ramp.upper == pytest.approx(np.full(len(pairs), 40.0))
    assert ramp.lower == pytest.approx(np.full(len(pairs), -40.0))


def test_first_ramp_from_the_load_before() -> None:
    """From 150 kA the first load is 110 to 190; a circuit that was off, or is not known, starts anywhere."""
    first = family(MERCURY.declare(hours(2), Situation(loads_before={"room_m": 150.0})), "room_m_first_ramp")
    assert (first.lower[0], first.upper[0]) == pytest.approx((110.0, 190.0))
    for before in ({}, {"room_m": 0.0}):
        keys = [rows.key for rows in MERCURY.declare(hours(2), Situation(loads_before=before)).rows]
        assert "room_m_first_ramp" not in keys


def test_no_ramp_where_equipment_is_switched() -> None:
    """When an electrolyser leaves the load must jump: only hours with the same equipment are tied."""
    circuit = replace(MEMBRANE, ramp_ka_per_min=0.1, ramp_minutes=60.0)
    facts = Situation(availability=(fact("room_b", "electrolysers", 1, 2, 3),))
    ramp = family(circuit.declare(hours(6), facts), "room_b_ramp")
    later, earlier = ramp.entries
    assert list(zip(earlier.positions.tolist(), later.positions.tolist(), strict=True)) == [
        (0, 1),
        (2, 3),
        (4, 5),
    ]


def test_technology_gives_what_is_not_stated() -> None:
    """Voltage and efficiency come from the technology's defaults until the plant states its own."""
    circuit = replace(MEMBRANE, voltage=None, efficiency=None)
    assert circuit.cell_voltage is DEFAULTS["membrane_zero_gap"].voltage
    assert circuit.current_efficiency is DEFAULTS["membrane_zero_gap"].efficiency
    assert circuit.cell_voltage.voltage(5.5) == pytest.approx(2.9775)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"technology": "membrain"}, "'technology' must be one of 'mercury'"),
        ({"salt": "Nacl"}, "'salt' must be one of 'NaCl', 'KCl', did you mean 'NaCl'"),
        ({"cells_in_series": 0}, r"'cells_in_series' must be at least 1 \(got 0\)"),
        ({"electrolysers_in_parallel": 0}, "'electrolysers_in_parallel' must be at least 1"),
        ({"area_m2": 0.0}, r"'area_m2' must be above 0 \[m2\] \(got 0.0\)"),
        ({"density_min_ka_per_m2": 0.0}, r"'density_min_ka_per_m2' must be above 0 \[kA/m2\]"),
        ({"density_max_ka_per_m2": -1.0}, r"'density_max_ka_per_m2' must be above 0 \[kA/m2\]"),
        (
            {"density_min_ka_per_m2": 12.0},
            r"'density_min_ka_per_m2' must be at most density_max_ka_per_m2 11 \[kA/m2\] \(got 12\)",
        ),
        ({"auxiliary_fixed_mw": -1.0}, r"'auxiliary_fixed_mw' must be at least 0 \[MW\]"),
        ({"auxiliary_kwh_per_t": -1.0}, r"'auxiliary_kwh_per_t' must be at least 0 \[kWh/t\]"),
        ({"ramp_ka_per_min": 0.0}, r"'ramp_ka_per_min' must be above 0 \[kA/min\]"),
        ({"ramp_minutes": 0.0}, r"'ramp_minutes' must be above 0 \[min\]"),
        (
            {"voltage": CellVoltage(3.5, -0.01)},
            r"'voltage' makes the power a non-convex function of the load between 4.5 and 11 \[kA/m2\] "
            r"\(k -0.01, log term 0\): fit again with k at least 0, or narrow the density range",
        ),
    ],
)
def test_values_that_break_a_rule(changes: dict[str, Any], message: str) -> None:
    """Each rule of the record is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(MERCURY, **changes)


def test_all_broken_rules_are_told_at_once() -> None:
    """A record with several bad values is told once, with all of them."""
    with pytest.raises(InvalidValues, match=r"'area_m2'.*; 'ramp_minutes'"):
        replace(MERCURY, area_m2=-1.0, ramp_minutes=-1.0)


@pytest.mark.parametrize(
    ("what", "value", "cause"),
    [
        ("rectifier_units", 1, "rectifier current allows 72.0"),
        ("load_max_ka", 50.0, "availability allows 50.0"),
    ],
)
def test_ceiling_below_the_least_load(what: str, value: float, cause: str) -> None:
    """A ceiling under the least load is told with time and cause: the plan cannot guess what is meant."""
    facts = Situation(availability=(fact("room_m", what, value, 2, 2),))
    message = (
        rf"room_m: at 2026-06-08T02:00\+02:00 the {cause} kA, below the least load 108.0 kA: "
        "declare the circuit out of service or change the limit"
    )
    with pytest.raises(ValueError, match=message):
        MERCURY.state(hours(4), facts)


def test_a_fact_inside_an_interval_counts_for_all_of_it() -> None:
    """An outage that begins inside an hour takes the whole hour, so that no plan runs into it."""
    horizon: Horizon = hours(3)
    start = horizon.start_min + 75
    facts = Situation(availability=(Availability("room_m", "in_service", 0, start, start + 10),))
    assert MERCURY.state(horizon, facts).in_service.tolist() == [True, False, True]


# ---------------------------------------------------------------- bypass and low load


def test_an_element_of_a_bipolar_electrolyser_cannot_be_bypassed() -> None:
    """A fact on single cells is refused where they cannot be jumpered, and taken where they can."""
    horizon = Horizon.of_days(dt.date(2026, 6, 8), "Europe/Berlin")
    fact = Availability("room", "cells", 9.0, horizon.start_min, horizon.end_min)
    membrane = replace(low_room(), name="room", jumpering=False)
    with pytest.raises(ValueError, match="single elements of a bipolar electrolyser cannot be bypassed"):
        membrane.state(horizon, Situation(availability=(fact,)))
    mercury = replace(membrane, jumpering=True)
    assert np.all(mercury.state(horizon, Situation(availability=(fact,))).cells == 9.0)


def low_room() -> Circuit:
    """Return a circuit of 10 elements of 2 m2, 0.5 to 5 kA/m2."""
    return Circuit(
        "room",
        "membrane_zero_gap",
        "NaCl",
        10,
        2.0,
        0.5,
        5.0,
        Rectifier(1, 20.0, 100.0),
        "naoh_32",
    )


def test_a_circuit_does_not_stay_at_low_density() -> None:
    """Over any 3 h the mean is at least 1.5 kA/m2: 3 x 1.5 x 2 m2 = 9 kA h in each of 22 windows of a day."""
    room = replace(low_room(), low_density_ka_per_m2=1.5, low_density_hours=3.0)
    horizon = Horizon.of_days(dt.date(2026, 6, 8), "Europe/Berlin")
    (rows,) = [r for r in room.declare(horizon, Situation()).rows if r.key == "room_not_low_for_long"]
    assert rows.size == 22
    np.testing.assert_allclose(rows.lower, 9.0)
    left = np.zeros(22)
    load = np.array([1.0, 4.0, 4.0] * 8)
    np.add.at(left, rows.entries[0].rows, load[rows.entries[0].positions])
    np.testing.assert_allclose(left, 9.0)
    quarters = room.declare(horizon.split(4), Situation())
    (fine,) = [r for r in quarters.rows if r.key == "room_not_low_for_long"]
    np.testing.assert_allclose(fine.lower, 9.0)
