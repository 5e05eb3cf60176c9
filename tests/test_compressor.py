"""Compressors: power with its recycle floor, machines in service, and the step of the site's chlorine."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.checks import InvalidValues
from models.compressor import Compressor
from models.situation import Situation
from tests.binding_cases import fact, hours

STATION = Compressor("station", 2, 16.0, 0.68, 30.0)
NOTHING = Situation()
SURGE = 0.68 * 32.0


@pytest.mark.parametrize(
    ("flow", "power"),
    [
        # Two machines of 16 t/h surge below 0.68 * 32 = 21.76 t/h: 30 kWh/t * 21.76 = 0.6528 MW.
        (0.0, 0.6528),
        (15.0, 0.6528),
        (21.76, 0.6528),
        (25.0, 0.750),
        (32.0, 0.960),
    ],
)
def test_power_is_flat_below_surge(flow: float, power: float) -> None:
    """Below the surge flow the machines recycle and draw what they draw at it: hand arithmetic."""
    (curve,) = STATION.declare(hours(1), NOTHING).curves
    assert curve.value(np.array([flow]), np.array([0]))[0] == pytest.approx(power)
    simulation = STATION.simulate(hours(1), NOTHING, {"station_flow": np.array([flow])})
    assert -simulation.flows["power"][0] == pytest.approx(power)
    assert simulation.readings["recycle_t_per_h"][0] == pytest.approx(max(SURGE - flow, 0.0))


@pytest.mark.parametrize("flow", [1.0, 21.0, 22.5, 31.0])
def test_slope_of_the_power(flow: float) -> None:
    """The slope agrees with a central finite difference on both sides of the surge flow."""
    (curve,) = STATION.declare(hours(1), NOTHING).curves
    x, t, step = np.array([flow]), np.array([0]), 1e-4
    difference = (curve.value(x + step, t) - curve.value(x - step, t)) / (2 * step)
    assert curve.slope(x, t) == pytest.approx(difference, abs=1e-9)


def test_one_machine_out() -> None:
    """With one machine capacity is 16 t/h and the floor 10.88 t/h, on the touched hour only."""
    facts = Situation(availability=(fact("station", "machines", 1, 1, 1),))
    records = STATION.declare(hours(3), facts)
    assert records.variables[0].upper == pytest.approx([32.0, 16.0, 32.0])
    low = records.curves[0].value(np.zeros(3), np.arange(3))
    assert low == pytest.approx([0.6528, 0.3264, 0.6528])


def test_no_machine_no_power() -> None:
    """Without a machine nothing flows and nothing is drawn."""
    facts = Situation(availability=(fact("station", "machines", 0),))
    records = STATION.declare(hours(1), facts)
    assert records.variables[0].upper[0] == 0.0
    assert records.curves[0].value(np.zeros(1), np.arange(1))[0] == 0.0


def test_chlorine_passes_whole() -> None:
    """What is taken wet is delivered dry, as Cl2, and the simulation states its limit."""
    simulation = STATION.simulate(hours(1), NOTHING, {"station_flow": np.array([33.0])})
    assert simulation.flows["chlorine"][0] == 33.0
    assert simulation.flows["chlorine_wet"][0] == -33.0
    (limit,) = simulation.limits
    assert limit.value[0] > np.asarray(limit.upper)[0] == 32.0


@pytest.mark.parametrize(("minutes", "count"), [(60, 3), (15, 3), (5, 6)])
def test_step_of_the_sites_chlorine(minutes: int, count: int) -> None:
    """2.5 t/h within any 15 min: neighbours at 60 and 15 min; at 5 min gaps of 0, 5 and 10 min, 3 + 2 + 1."""
    records = replace(STATION, step_t_per_h=2.5).declare(hours(4, minutes), NOTHING)
    (rows,) = records.rows
    assert rows.size == count
    assert rows.upper == pytest.approx(np.full(count, 2.5))
    assert rows.lower == pytest.approx(np.full(count, -2.5))
    assert STATION.declare(hours(4, minutes), NOTHING).rows == ()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"machines": 0}, r"'machines' must be at least 1 \(got 0\)"),
        ({"capacity_t_per_h": 0.0}, r"'capacity_t_per_h' must be above 0 \[t/h\]"),
        ({"surge_share": 1.1}, r"'surge_share' must be between 0 and 1 \(got 1.1\)"),
        ({"kwh_per_t": -1.0}, r"'kwh_per_t' must be at least 0 \[kWh/t\]"),
        ({"step_t_per_h": 0.0}, r"'step_t_per_h' must be above 0 \[t/h\]"),
        ({"step_minutes": 0.0}, r"'step_minutes' must be above 0 \[min\]"),
    ],
)
def test_values_that_break_a_rule(changes: dict[str, Any], message: str) -> None:
    """Each rule of the record is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(STATION, **changes)
