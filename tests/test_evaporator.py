"""Evaporators: ranges in service and steam."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.checks import InvalidValues
from models.evaporator import Evaporator
from models.situation import Situation
from tests.binding_cases import fact, hours

UNIT = Evaporator("evaporator", "naoh_32", "naoh_50", 4.5, 9.0, 0.56, 0.2, 12.0)
NOTHING = Situation()


def test_flows_by_hand() -> None:
    """6.64 t/h dry: 0.56 * 6.64 + 0.2 = 3.918 t/h of steam and 12 kWh/t * 6.64 = 0.0797 MW."""
    simulation = UNIT.simulate(hours(1), NOTHING, {"evaporator_rate": np.array([6.64])})
    flows = {name: float(values[0]) for name, values in simulation.flows.items()}
    assert flows == pytest.approx(
        {"naoh_32": -6.64, "naoh_50": 6.64, "steam": -3.9184, "power": -0.07968}, rel=1e-9
    )


def test_range_and_steam_in_service() -> None:
    """Out of service it takes neither alkali nor the fixed steam; today's limit holds where it is touched."""
    facts = Situation(
        availability=(
            fact("evaporator", "in_service", 0, 1, 1),
            fact("evaporator", "rate_max_t_per_h", 6.0, 2, 2),
        )
    )
    records = UNIT.declare(hours(3), facts)
    assert records.variables[0].lower == pytest.approx([4.5, 0.0, 4.5])
    assert records.variables[0].upper == pytest.approx([9.0, 0.0, 6.0])
    steam = next(flow for flow in records.flows if flow.commodity == "steam")
    assert steam.constant == pytest.approx([-0.2, 0.0, -0.2])
    simulation = UNIT.simulate(hours(3), facts, {"evaporator_rate": np.array([5.0, 0.0, 5.0])})
    assert simulation.flows["steam"] == pytest.approx([-3.0, 0.0, -3.0])


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"rate_min_t_per_h": -1.0}, r"'rate_min_t_per_h' must be at least 0 \[t/h\]"),
        ({"rate_max_t_per_h": 0.0}, r"'rate_max_t_per_h' must be above 0 \[t/h\]"),
        (
            {"rate_min_t_per_h": 9.5},
            r"'rate_min_t_per_h' must be at most rate_max_t_per_h 9 \[t/h\] \(got 9.5",
        ),
        ({"steam_t_per_t": -0.1}, r"'steam_t_per_t' must be at least 0 \[t/t\]"),
        ({"steam_fixed_t_per_h": -0.1}, r"'steam_fixed_t_per_h' must be at least 0 \[t/h\]"),
        ({"kwh_per_t": -0.1}, r"'kwh_per_t' must be at least 0 \[kWh/t\]"),
    ],
)
def test_values_that_break_a_rule(changes: dict[str, Any], message: str) -> None:
    """Each rule of the record is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(UNIT, **changes)
