"""Acid and hypochlorite: stoichiometry against the equations, ranges in service."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.checks import InvalidValues
from models.chlorine_products import AcidUnit, HypochloriteUnit
from models.situation import Situation
from tests.binding_cases import fact, hours

ACID = AcidUnit("acid", 0.8, 2.2)
BLEACH = HypochloriteUnit("bleach", 0.8)
NOTHING = Situation()


def _flows(unit: AcidUnit | HypochloriteUnit, **setpoints: float) -> dict[str, float]:
    values = {unit.key(piece): np.array([value]) for piece, value in setpoints.items()}
    return {name: float(flow[0]) for name, flow in unit.simulate(hours(1), NOTHING, values).flows.items()}


def test_chlorine_of_a_tonne_of_acid() -> None:
    """Cl2 + H2 -> 2 HCl: 70.906 / (2 * 36.461) = 0.972 t of chlorine for a tonne of HCl."""
    flows = _flows(ACID, header_gas=1.0, tail_gas=0.0)
    assert flows["chlorine"] / flows["hydrochloric_acid"] == pytest.approx(-0.972, abs=5e-4)


def test_hydrogen_of_the_acid() -> None:
    """28.43 kg of hydrogen per tonne of chlorine and 5 % more: 1.6 t/h take 47.8 kg/h."""
    flows = _flows(ACID, header_gas=1.37, tail_gas=0.23)
    assert flows["hydrogen"] == pytest.approx(-1.6 * 28.43 * 1.05, rel=2e-4)
    assert flows["tail_gas"] == -0.23
    assert flows["chlorine"] == -1.37
    exact = _flows(replace(ACID, hydrogen_excess_percent=0.0), header_gas=1.0, tail_gas=0.0)
    mass_in = 1.0 - exact["hydrogen"] / 1000.0
    assert mass_in == pytest.approx(exact["hydrochloric_acid"], rel=1e-12)


def test_acid_range_is_of_both_gases_together() -> None:
    """The range limits header and tail gas together; out of service it is closed."""
    facts = Situation(
        availability=(
            fact("acid", "in_service", 0, 1, 1),
            fact("acid", "chlorine_max_t_per_h", 1.5, 2, 2),
        )
    )
    records = ACID.declare(hours(3), facts)
    (total,) = records.rows
    assert total.lower == pytest.approx([0.8, 0.0, 0.8])
    assert total.upper == pytest.approx([2.2, 0.0, 1.5])
    assert {entry.variable for entry in total.entries} == {"acid_header_gas", "acid_tail_gas"}
    assert all(variable.upper == pytest.approx([2.2, 0.0, 1.5]) for variable in records.variables)


def test_caustic_of_hypochlorite() -> None:
    """2 NaOH + Cl2 -> NaOCl + NaCl + H2O: 1.128 t NaOH per t Cl2, 3 % more; counted as chlorine bound."""
    flows = _flows(BLEACH, chlorine=1.0)
    assert flows["naoh_32"] == pytest.approx(-1.1282 * 1.03, rel=1e-4)
    assert flows["hypochlorite"] == 1.0
    assert _flows(replace(BLEACH, alkali_excess_percent=0.0), chlorine=1.0)["naoh_32"] == pytest.approx(
        -1.128, abs=5e-4
    )


def test_hypochlorite_range() -> None:
    """The unit may stand still; facts close it or lower its limit."""
    facts = Situation(
        availability=(
            fact("bleach", "in_service", 0, 1, 1),
            fact("bleach", "chlorine_max_t_per_h", 0.3, 2, 2),
        )
    )
    (rate,) = BLEACH.declare(hours(3), facts).variables
    assert rate.lower == pytest.approx([0.0, 0.0, 0.0])
    assert rate.upper == pytest.approx([0.8, 0.0, 0.3])


@pytest.mark.parametrize(
    ("unit", "changes", "message"),
    [
        (ACID, {"chlorine_min_t_per_h": -1.0}, r"'chlorine_min_t_per_h' must be at least 0 \[t/h\]"),
        (ACID, {"chlorine_max_t_per_h": 0.0}, r"'chlorine_max_t_per_h' must be above 0 \[t/h\]"),
        (
            ACID,
            {"chlorine_min_t_per_h": 3.0},
            "'chlorine_min_t_per_h' must be at most chlorine_max_t_per_h 2.2",
        ),
        (ACID, {"hydrogen_excess_percent": -1.0}, r"'hydrogen_excess_percent' must be at least 0 \[%\]"),
        (BLEACH, {"chlorine_max_t_per_h": 0.0}, r"'chlorine_max_t_per_h' must be above 0 \[t/h\]"),
        (BLEACH, {"alkali_excess_percent": -1.0}, r"'alkali_excess_percent' must be at least 0 \[%\]"),
    ],
)
def test_values_that_break_a_rule(unit: Any, changes: dict[str, Any], message: str) -> None:
    """Each rule of the records is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(unit, **changes)
