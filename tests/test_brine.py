"""Brine circuits: salt, its cost and pumping from the flow."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.brine import BrineCircuit
from models.checks import InvalidValues
from models.situation import Situation
from tests.binding_cases import fact, hours

BRINE = BrineCircuit("brine", "brine_mercury", 560.0, 37.5, 48.0, 0.35)


def test_flow_carries_salt() -> None:
    """500 m3/h at 37.5 g/l give up 18.75 t/h of salt and take 0.175 MW of pumping: by hand."""
    simulation = BRINE.simulate(hours(1), Situation(), {"brine_flow": np.array([500.0])})
    assert simulation.flows["brine_mercury"][0] == pytest.approx(18.75)
    assert simulation.flows["power"][0] == pytest.approx(-0.175)


def test_flow_per_tonne_of_chlorine() -> None:
    """1.6485 t of salt per t Cl2 at 37.5 g/l are 44 m3, within the trade's 40 to 45 (value from memory)."""
    assert 40.0 < 1.6485 / 0.0375 < 45.0
    per_m3 = BRINE.simulate(hours(1), Situation(), {"brine_flow": np.array([1.0])}).flows["brine_mercury"][0]
    assert 40.0 < 1.6485 / per_m3 < 45.0


def test_salt_is_paid_by_the_hour() -> None:
    """A m3/h for an hour takes 0.0375 t at 48: 1.80; for a quarter 0.45; at no price no cost line."""
    (cost,) = BRINE.declare(hours(1), Situation()).costs
    assert (cost.group, cost.coefficient[0]) == ("materials", pytest.approx(1.80))
    (cost,) = BRINE.declare(hours(1, 15), Situation()).costs
    assert cost.coefficient[0] == pytest.approx(0.45)
    assert replace(BRINE, price_per_t=0.0).declare(hours(1), Situation()).costs == ()


def test_flow_of_today() -> None:
    """A fact lowers the flow where it is touched."""
    facts = Situation(availability=(fact("brine", "flow_max_m3_per_h", 300.0, 1, 1),))
    assert BRINE.declare(hours(3), facts).variables[0].upper == pytest.approx([560.0, 300.0, 560.0])


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"flow_max_m3_per_h": 0.0}, r"'flow_max_m3_per_h' must be above 0 \[m3/h\]"),
        ({"depletion_g_per_l": 0.0}, r"'depletion_g_per_l' must be above 0 \[g/l\]"),
        ({"price_per_t": -1.0}, r"'price_per_t' must be at least 0 \[currency/t\]"),
        ({"kwh_per_m3": -1.0}, r"'kwh_per_m3' must be at least 0 \[kWh/m3\]"),
    ],
)
def test_values_that_break_a_rule(changes: dict[str, Any], message: str) -> None:
    """Each rule of the record is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(BRINE, **changes)
