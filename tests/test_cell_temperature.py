"""The temperature of a room follows its load late: exponential response, means, and the lag voltage.

Expected values follow by hand from dT/dt = (Ts - T) / tau. Constants of the default room are from memory.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from models.cell_temperature import ThermalLag
from models.checks import InvalidValues
from models.faraday import dc_kwh_per_t
from models.horizon import Array
from models.situation import Situation
from tests.binding_cases import fact
from tests.small_sites import intervals, plain_circuit

ROOM = ThermalLag(nominal_density_ka_per_m2=6.0, cold_density_max_ka_per_m2=4.0)
"""Steady at 86 C at 6 kA/m2, 3 K colder per kA/m2, time constant 1.5 h."""
UNEVEN = np.array([6.0, 2.0, 2.0, 5.0, 3.5, 6.0, 6.0, 2.5])
LENGTHS = np.array([1.0, 1.0, 0.5, 0.25, 0.25, 1.0, 1.0, 0.5])


def test_a_raise_is_an_exponential_step() -> None:
    """From 2 to 6 kA/m2 the room starts 12 K short and closes 1 - exp(-t/tau) of it: hand arithmetic."""
    run = ROOM.run(np.array([2.0, 6.0, 6.0, 6.0]), np.array([1.0, 1.0, 0.5, 0.5]))
    assert run.start_c[:2] == pytest.approx([74.0, 74.0])
    short = [12.0 * math.exp(-1.0 / 1.5), 12.0 * math.exp(-1.0), 12.0 * math.exp(-2.0 / 1.5)]
    assert run.end_c[1:] == pytest.approx([86.0 - x for x in short])
    assert run.start_lag_v[1] == pytest.approx(12.0 * 0.0115)
    # Mean of 12 exp(-t/1.5) over the first hour: 12 * 1.5 * (1 - exp(-2/3)) = 8.7585 K.
    assert run.mean_c[1] == pytest.approx(86.0 - 8.7585, abs=1e-4)
    assert run.mean_lag_v[1] == pytest.approx(8.7585 * 0.0115, abs=1e-6)


def test_a_cut_gains_what_the_same_raise_costs() -> None:
    """After a cut the room is still warm: the lag voltage is the negative of that after the raise."""
    up = ROOM.run(np.array([2.0, 6.0]), np.ones(2)).mean_lag_v
    down = ROOM.run(np.array([6.0, 2.0]), np.ones(2)).mean_lag_v
    assert up[1] > 0
    assert down == pytest.approx(-up)


def test_eight_kelvin_colder_cost_80_to_100_mv_and_60_to_75_kwh_per_tonne() -> None:
    """The default coefficient meets trade experience (value from memory); energy by Faraday's law.

    0.1 V / 1.3228 kg Cl2 per kAh is 75.6 kWh/t at full efficiency.
    """
    volts = 8.0 * ROOM.volts_per_c
    assert 0.080 <= volts <= 0.100
    assert dc_kwh_per_t(0.1, "Cl2") == pytest.approx(75.6, abs=0.05)
    assert 60.0 <= dc_kwh_per_t(volts, "Cl2", 0.96) <= 75.0


def test_means_and_ends_agree_with_numerical_integration() -> None:
    """The closed form equals an integration of the differential equation (scipy's solver) and its mean."""
    run = ROOM.run(UNEVEN, LENGTHS, density_before=4.0)
    now = 86.0 - 3.0 * (6.0 - 4.0)
    for t, (density, length) in enumerate(zip(UNEVEN, LENGTHS, strict=True)):
        target = 86.0 - 3.0 * (6.0 - density)

        def rate(_: float, y: Array, target: float = target) -> list[float]:
            return [(target - float(y[0])) / 1.5, float(y[0])]

        done = solve_ivp(rate, (0.0, float(length)), [now, 0.0], rtol=1e-10, atol=1e-10)
        assert run.start_c[t] == pytest.approx(now, abs=1e-7)
        now = float(done.y[0, -1])
        assert run.end_c[t] == pytest.approx(now, abs=1e-7)
        assert run.mean_c[t] == pytest.approx(float(done.y[1, -1]) / length, abs=1e-7)


def test_a_constant_load_has_no_lag() -> None:
    """Where nothing changes, the room stands where the voltage line was fitted."""
    run = ROOM.run(np.full(6, 3.7), np.ones(6))
    assert not run.mean_lag_v.any()
    assert run.mean_c == pytest.approx(np.full(6, 86.0 - 3.0 * 2.3))


def test_cutting_hours_into_quarters_changes_nothing() -> None:
    """Ends of hours and means over hours are the same when each hour is four equal quarters."""
    hour = ROOM.run(UNEVEN, np.ones(8), density_before=5.0)
    quarter = ROOM.run(np.repeat(UNEVEN, 4), np.full(32, 0.25), density_before=5.0)
    assert quarter.end_c[3::4] == pytest.approx(hour.end_c, abs=1e-10)
    assert quarter.mean_lag_v.reshape(8, 4).mean(axis=1) == pytest.approx(hour.mean_lag_v, abs=1e-12)


def test_swinging_costs_energy_on_balance() -> None:
    """Over a swing that repeats, the mean lag is 0, and the energy above 0: cold time has the higher load."""
    density = np.tile(np.repeat([6.0, 2.0], 4), 40)
    lag = ROOM.run(density, np.ones(len(density))).mean_lag_v[-8:]
    assert lag.mean() == pytest.approx(0.0, abs=1e-9)
    assert float(np.sum(lag * density[-8:])) > 0.1


def test_values_out_of_range_are_all_named() -> None:
    """A time constant of 0 and a negative rise are refused together."""
    with pytest.raises(
        InvalidValues, match=r"'time_constant_h' must be above 0.*'rise_c_per_ka_per_m2' must"
    ):
        replace(ROOM, time_constant_h=0.0, rise_c_per_ka_per_m2=-1.0)


# ---------------------------------------------------------------- in a circuit


def test_the_circuit_reads_temperature_and_lag_and_leaves_the_rest() -> None:
    """From 5 to 15 kA (2 to 6 kA/m2): 150 cells * 8.7585 K * 11.5 mV/K * 15 kA = 0.22663 MW; flows stay."""
    circuit = plain_circuit(thermal=ROOM)
    load = {"room_load": np.array([5.0, 15.0])}
    late = circuit.simulate(intervals(2), Situation(), load)
    steady = plain_circuit().simulate(intervals(2), Situation(), load)
    assert late.readings["cell_temperature_c"] == pytest.approx([74.0, 77.2415], abs=1e-4)
    assert late.readings["lag_voltage_v"] == pytest.approx([0.0, 0.1007228], abs=1e-6)
    assert late.readings["lag_power_mw"] == pytest.approx([0.0, 0.226626], abs=1e-6)
    assert "lag_power_mw" not in steady.readings
    for commodity, flow in steady.flows.items():
        assert late.flows[commodity].tolist() == flow.tolist()


def test_the_load_before_the_horizon_sets_the_first_temperature() -> None:
    """A room that ran at 15 kA before starts at 86 C; half of its electrolysers carry twice the density."""
    circuit = plain_circuit(thermal=ROOM)
    known = Situation(loads_before={"room": 15.0})
    run = circuit.temperature(intervals(2), known, np.array([5.0, 5.0]))
    assert run is not None
    assert run.start_c[0] == pytest.approx(86.0)
    two = replace(circuit, electrolysers_in_parallel=2)
    cut = Situation(availability=(fact("room", "electrolysers", 1.0, 1, 1),))
    run = two.temperature(intervals(2), cut, np.array([15.0, 15.0]))
    assert run is not None
    assert run.start_lag_v == pytest.approx([0.0, 3.0 * 3.0 * 0.0115])


def test_a_room_out_of_service_has_no_lag_power_and_comes_back_cold() -> None:
    """Out of service the room tends to 86 - 3 * 6 = 68 C, takes no power, and its first hour back costs."""
    circuit = plain_circuit(thermal=ROOM)
    out = Situation(availability=(fact("room", "in_service", 0.0, 1, 2),))
    load = np.array([15.0, 0.0, 0.0, 15.0])
    readings = circuit.simulate(intervals(4), out, {"room_load": load}).readings
    assert readings["lag_power_mw"][:3].tolist() == [0.0, 0.0, 0.0]
    short = 18.0 * (1.0 - math.exp(-2.0 / 1.5))
    mean = short * 1.5 * (1.0 - math.exp(-1.0 / 1.5))
    assert readings["lag_power_mw"][3] == pytest.approx(150 * 0.0115 * mean * 15.0 / 1000.0)
