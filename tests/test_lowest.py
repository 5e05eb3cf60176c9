"""The search for the lowest point of a cost that is dear to ask: against curves whose bottom is known."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.studies.lowest import lowest

STEP, WORTH = 0.012, 1e-6


def asked_and_found(
    bottom: float, bend: float, edge: float, first: float = 100.0
) -> tuple[list[float], float]:
    """Search a parabola that has no plan above an edge; return what was asked for and what was found."""
    asked: list[float] = []

    def cost(x: float) -> float:
        asked.append(x)
        return math.inf if x > edge else 1000.0 + bend * (x - bottom) ** 2

    return asked, lowest(cost, first, STEP, WORTH)


@given(bottom=st.floats(60.0, 160.0), bend=st.floats(0.05, 5.0))
def test_the_bottom_of_a_parabola_is_found_with_few_questions(bottom: float, bend: float) -> None:
    """Three points around the bottom give it: the parabola through them is the curve."""
    asked, found = asked_and_found(bottom, bend, math.inf)
    assert len(asked) <= 9
    assert len(set(asked)) == len(asked)
    # Not closer than a step's quarter to what was asked, nor where a move is worth less than stated.
    assert abs(found - bottom) <= 0.25 * STEP * 100.0 + math.sqrt(WORTH * 1100.0 / bend)


@given(edge=st.floats(100.0, 140.0))
def test_where_no_plan_is_beyond_an_edge_the_way_to_it_is_halved(edge: float) -> None:
    """With a falling cost the best lies at the edge: a quarter of the last step is left at most."""
    asked, found = asked_and_found(1000.0, 0.05, edge)
    assert found <= edge
    beyond = min(x for x in asked if x > edge)
    last = max(x for x in asked if x <= edge)
    assert found == last
    assert edge - found <= beyond - found
    assert beyond - found <= max(0.25 * (edge - 100.0) + 0.5 * STEP * 100.0, STEP * 100.0)


@pytest.mark.parametrize(("bottom", "side"), [(80.0, -1.0), (120.0, 1.0)])
def test_it_goes_down_only_where_up_does_not_pay(bottom: float, side: float) -> None:
    """The second question is the step up; where it is worse the third is the step down."""
    asked, _ = asked_and_found(bottom, 1.0, math.inf)
    assert asked[0] == 100.0
    assert asked[1] == pytest.approx(101.2)
    assert (asked[2] < 100.0) == (side < 0)


def test_a_flat_cost_is_left_where_it_is() -> None:
    """Noise below what is worth a question moves nothing."""
    asked: list[float] = []

    def cost(x: float) -> float:
        asked.append(x)
        return 1000.0 + 1e-5 * math.sin(50.0 * x)

    found = lowest(cost, 100.0, STEP, WORTH)
    assert len(asked) == 3
    assert found in asked
