"""Mean and tail of a cost, against a brute-force sort and the program of Rockafellar and Uryasev (2000)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.checks import InvalidValues
from models.risk import Risk, cvar, mean

COSTS = st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=12)


@given(COSTS, st.integers(0, 19), st.integers(0, 10_000))
def test_the_tail_is_the_mean_of_the_dearest_outcomes(costs: list[float], twentieths: int, seed: int) -> None:
    """Each scenario is written out as often as its weight says; the dearest share of the list is averaged."""
    weights = np.random.default_rng(seed).integers(1, 6, len(costs))
    # 20 copies for each weight, so that the dearest share is a whole number of entries.
    outcomes = np.sort(np.repeat(costs, 20 * weights))[::-1]
    count = len(outcomes) * (20 - twentieths) // 20
    found = cvar(np.array(costs), weights / weights.sum(), twentieths / 20)
    assert found == pytest.approx(float(np.mean(outcomes[:count])), abs=1e-9)


@given(COSTS, st.floats(0.0, 0.99), st.integers(0, 10_000))
def test_the_tail_is_the_optimum_of_its_program(costs: list[float], level: float, seed: int) -> None:
    """Min over z of z + E[max(C - z, 0)] / (1 - level); the least is reached at one of the costs."""
    chances = np.random.default_rng(seed).dirichlet(np.ones(len(costs)))
    values = np.array(costs)
    program = min(z + float(chances @ np.maximum(values - z, 0.0)) / (1.0 - level) for z in costs)
    assert cvar(values, chances, level) == pytest.approx(program, abs=1e-7)


def test_mean_tail_and_mix_by_hand() -> None:
    """Costs 10, 20, 40 with 0.5, 0.3, 0.2: mean 19; dearest 40 %: (0.2 x 40 + 0.2 x 20) / 0.4 = 30."""
    costs, chances = np.array([10.0, 20.0, 40.0]), np.array([0.5, 0.3, 0.2])
    assert mean(costs, chances) == pytest.approx(19.0)
    assert cvar(costs, chances, 0.6) == pytest.approx(30.0)
    assert cvar(costs, chances, 0.0) == pytest.approx(19.0)
    assert Risk(0.25, 0.6).of(costs, chances) == pytest.approx(0.75 * 19.0 + 0.25 * 30.0)


@pytest.mark.parametrize(("weight", "level"), [(-0.1, 0.9), (1.1, 0.9), (0.5, 1.0), (0.5, -0.1)])
def test_values_outside_their_range_are_refused(weight: float, level: float) -> None:
    """A weight is between 0 and 1; a tail of nothing has no mean."""
    with pytest.raises(InvalidValues):
        Risk(weight, level)
