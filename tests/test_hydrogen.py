"""The hydrogen boiler: steam by heat balance, range in service."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.checks import InvalidValues
from models.hydrogen import HydrogenBoiler
from models.situation import Situation
from tests.binding_cases import fact, hours

BOILER = HydrogenBoiler("boiler", 420.0)


def test_steam_by_heat_balance() -> None:
    """340 kg/h * 119.96 MJ/kg * 0.9 over 700 kWh/t = 2.52 GJ/t: 14.57 t/h of steam.

    The lower heating value is that of the NIST WebBook's enthalpies; 0.9 and 700 kWh/t are from memory.
    """
    simulation = BOILER.simulate(hours(1), Situation(), {"boiler_hydrogen": np.array([340.0])})
    assert simulation.flows["hydrogen"][0] == -340.0
    assert simulation.flows["steam"][0] == pytest.approx(340.0 * 119.96 * 0.9 / 2520.0, rel=2e-4)
    assert simulation.flows["steam"][0] == pytest.approx(14.6, abs=0.05)


def test_range_in_service() -> None:
    """Facts close the boiler or lower its limit."""
    facts = Situation(
        availability=(
            fact("boiler", "in_service", 0, 1, 1),
            fact("boiler", "hydrogen_max_kg_per_h", 300.0, 2, 2),
        )
    )
    (fuel,) = replace(BOILER, hydrogen_min_kg_per_h=50.0).declare(hours(3), facts).variables
    assert fuel.lower == pytest.approx([50.0, 0.0, 50.0])
    assert fuel.upper == pytest.approx([420.0, 0.0, 300.0])
    assert fuel.unit == "kg/h"


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"hydrogen_max_kg_per_h": 0.0}, r"'hydrogen_max_kg_per_h' must be above 0 \[kg/h\]"),
        ({"hydrogen_min_kg_per_h": -1.0}, r"'hydrogen_min_kg_per_h' must be at least 0 \[kg/h\]"),
        (
            {"hydrogen_min_kg_per_h": 500.0},
            "'hydrogen_min_kg_per_h' must be at most hydrogen_max_kg_per_h 420",
        ),
        ({"efficiency": 1.2}, r"'efficiency' must be between 0 and 1 \(got 1.2\)"),
        ({"steam_kwh_per_t": 0.0}, r"'steam_kwh_per_t' must be above 0 \[kWh/t\]"),
    ],
)
def test_values_that_break_a_rule(changes: dict[str, Any], message: str) -> None:
    """Each rule of the record is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(BOILER, **changes)
