"""Liquefaction and vaporisation: yield by the tail gas, ranges, and the rule that keeps them apart."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.checks import InvalidValues
from models.liquefier import Liquefier, Vaporiser
from models.situation import Situation
from models.tail_gas import hydrogen_fraction
from tests.binding_cases import fact, hours

TRAIN = Liquefier("train", 1.6, 8.0)
VAPORISER = Vaporiser("vaporiser", 6.0, not_with="train_feed", not_with_floor=1.6)
NOTHING = Situation()


@pytest.mark.parametrize(
    ("hydrogen_percent", "limit_percent", "expected"),
    [
        # (1 - h / limit) / 0.98: 0.1 % under 3 % allows 98.6 %, so the design's 95 % holds.
        (0.1, 3.0, 0.95),
        (0.1, 2.0, 0.95),
        # 0.3 %: 0.9 / 0.98 at 3 %, 0.925 / 0.98 at 4 %.
        (0.3, 3.0, 0.9 / 0.98),
        (0.3, 4.0, 0.925 / 0.98),
        (0.5, 3.0, (5.0 / 6.0) / 0.98),
    ],
)
def test_yield_is_the_lesser_of_design_and_tail_gas(
    hydrogen_percent: float, limit_percent: float, expected: float
) -> None:
    """At 0.1 to 0.3 % hydrogen the yield is 90 to 95 % (common practice, no source), by x = h / (1 - c y).

    The limit of 3 % is that of Euro Chlor GEST 91/168 for gas at 20 to 100 C (see `models.tail_gas`).
    """
    train = replace(TRAIN, feed_hydrogen_percent=hydrogen_percent, tail_hydrogen_max_percent=limit_percent)
    assert train.liquefaction_yield == pytest.approx(expected, rel=1e-12)
    left = hydrogen_fraction(hydrogen_percent / 100, 0.98, train.liquefaction_yield)
    assert left <= limit_percent / 100 * (1 + 1e-12)
    if hydrogen_percent <= 0.3:
        assert 0.90 <= train.liquefaction_yield <= 0.95


def test_feed_is_liquid_and_tail_gas() -> None:
    """4.59 t/h at 95 % are 4.36 t/h of liquid and 0.23 t/h of tail gas, at 65 kWh/t 0.298 MW: by hand."""
    simulation = TRAIN.simulate(hours(1), NOTHING, {"train_feed": np.array([4.59])})
    flows = {name: float(values[0]) for name, values in simulation.flows.items()}
    assert flows["chlorine"] == -4.59
    assert flows["chlorine_liquid"] == pytest.approx(4.3605)
    assert flows["tail_gas"] == pytest.approx(0.2295)
    assert flows["power"] == pytest.approx(-0.29835)


def test_range_in_service() -> None:
    """Out of service nothing is fed; a limit of today holds where it is touched."""
    facts = Situation(
        availability=(fact("train", "in_service", 0, 1, 1), fact("train", "feed_max_t_per_h", 5.0, 2, 2))
    )
    (feed,) = TRAIN.declare(hours(3), facts).variables
    assert feed.lower == pytest.approx([1.6, 0.0, 1.6])
    assert feed.upper == pytest.approx([8.0, 0.0, 5.0])


def test_vaporiser_takes_liquid_and_steam() -> None:
    """4 t/h at 75 kWh/t take 0.5 t/h of steam of 600 kWh/t: values from memory, arithmetic by hand."""
    simulation = VAPORISER.simulate(hours(1), NOTHING, {"vaporiser_rate": np.array([4.0])})
    flows = {name: float(values[0]) for name, values in simulation.flows.items()}
    assert flows == pytest.approx({"chlorine_liquid": -4.0, "chlorine": 4.0, "steam": -0.5})


def test_vaporiser_and_its_rule() -> None:
    """The record says what must not run together, and from which value on."""
    facts = Situation(
        availability=(
            fact("vaporiser", "in_service", 0, 0, 0),
            fact("vaporiser", "rate_max_t_per_h", 2.0, 1, 1),
        )
    )
    records = VAPORISER.declare(hours(3), facts)
    assert records.variables[0].upper == pytest.approx([0.0, 2.0, 6.0])
    (rule,) = records.exclusives
    assert (rule.first, rule.second) == ("train_feed", "vaporiser_rate")
    assert (rule.first_floor, rule.second_floor) == (1.6, 0.0)
    assert replace(VAPORISER, not_with=None).declare(hours(1), NOTHING).exclusives == ()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"feed_min_t_per_h": -1.0}, r"'feed_min_t_per_h' must be at least 0 \[t/h\]"),
        ({"feed_max_t_per_h": 0.0}, r"'feed_max_t_per_h' must be above 0 \[t/h\]"),
        ({"feed_min_t_per_h": 9.0}, r"'feed_min_t_per_h' must be at most feed_max_t_per_h 8 \[t/h\]"),
        ({"yield_design": 1.1}, "'yield_design' must be between 0 and 1"),
        ({"kwh_per_t": -1.0}, r"'kwh_per_t' must be at least 0 \[kWh/t\]"),
        ({"feed_hydrogen_percent": 6.0}, r"'feed_hydrogen_percent' must be between 0 and 5 \[vol%\]"),
        ({"feed_chlorine_percent": 40.0}, r"'feed_chlorine_percent' must be between 50 and 100 \[vol%\]"),
        ({"tail_hydrogen_max_percent": 0.0}, r"'tail_hydrogen_max_percent' must be above 0 \[vol%\]"),
    ],
)
def test_liquefier_values_that_break_a_rule(changes: dict[str, Any], message: str) -> None:
    """Each rule of the record is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(TRAIN, **changes)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"rate_max_t_per_h": 0.0}, r"'rate_max_t_per_h' must be above 0 \[t/h\]"),
        ({"heat_kwh_per_t": -1.0}, r"'heat_kwh_per_t' must be at least 0 \[kWh/t\]"),
        ({"steam_kwh_per_t": 0.0}, r"'steam_kwh_per_t' must be above 0 \[kWh/t\]"),
        ({"not_with_floor": -1.0}, r"'not_with_floor' must be at least 0 \[t/h\]"),
    ],
)
def test_vaporiser_values_that_break_a_rule(changes: dict[str, Any], message: str) -> None:
    """Each rule of the record is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(VAPORISER, **changes)


def test_feed_above_the_limit_of_the_tail_gas() -> None:
    """A feed with more hydrogen than the tail gas may have cannot be liquefied at all: it is told."""
    with pytest.raises(
        InvalidValues, match="'feed_hydrogen_percent' must be at most tail_hydrogen_max_percent"
    ):
        replace(TRAIN, feed_hydrogen_percent=3.5, feed_chlorine_percent=96.0)


def test_feed_of_more_than_the_whole_is_refused() -> None:
    """Hydrogen and chlorine of a feed together are at most 100 vol%."""
    with pytest.raises(InvalidValues, match="'feed_chlorine_percent' must be at most 100 less the hydrogen"):
        replace(TRAIN, feed_hydrogen_percent=2.5, feed_chlorine_percent=98.0)


def test_margin_of_the_feed_is_left_free() -> None:
    """6 % of 8 t/h leave 7.52; the least feed stays possible when a fact allows hardly more than it."""
    train = replace(TRAIN, margin_percent=6.0)
    assert train.declare(hours(1), NOTHING).variables[0].upper == pytest.approx([7.52])
    tight = Situation(availability=(fact("train", "feed_max_t_per_h", 1.65),))
    variable = train.declare(hours(1), tight).variables[0]
    assert variable.lower == pytest.approx([1.6])
    assert variable.upper == pytest.approx([1.6])
