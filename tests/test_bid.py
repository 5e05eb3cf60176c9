"""The shape of a bid: lots, ticks, price limits, fewer steps, and what it buys at a price."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.bid import Auction, BidCurve
from models.checks import InvalidValues


def test_a_bid_by_hand() -> None:
    """Prices 20, 50, 50 and 80 with 9.04, 5.06, 5.06 and 2 MW: limits half way, quantities in lots of 0.1."""
    auction = Auction()
    prices, mw = np.array([50.0, 20.0, 80.0, 50.0]), np.array([5.06, 9.04, 2.0, 5.06])
    ranks = auction.ranks(prices)
    assert ranks.tolist() == [1, 0, 2, 1]
    curve = auction.curve(prices, ranks, mw)
    assert curve.limits_per_mwh.tolist() == [35.0, 65.0, 4000.0]
    assert curve.mw.tolist() == [9.0, 5.1, 2.0]
    bought = {-500.0: 9.0, 35.0: 9.0, 35.01: 5.1, 65.0: 5.1, 65.01: 2.0, 4000.0: 2.0}
    assert {price: curve.cleared_mw(price) for price in bought} == bought
    with pytest.raises(ValueError, match="above the last limit"):
        curve.cleared_mw(4000.01)


def test_quantities_of_one_lot_are_one_step() -> None:
    """9.04 and 8.96 MW are both 9.0 MW in lots of 0.1: one step with the higher limit."""
    auction = Auction()
    prices = np.array([10.0, 20.0, 30.0])
    curve = auction.curve(prices, auction.ranks(prices), np.array([9.04, 8.96, 3.0]))
    assert curve.limits_per_mwh.tolist() == [25.0, 4000.0]
    assert curve.mw.tolist() == [9.0, 3.0]


def test_prices_that_no_tick_parts_are_one() -> None:
    """At ticks of 1 no limit parts 20.2, 20.9 and 21.0; a limit of 21 parts 21.0 and 21.1."""
    assert Auction(tick_per_mwh=1.0).ranks(np.array([20.2, 20.9, 21.0, 21.1])).tolist() == [0, 0, 0, 1]


@given(st.integers(0, 10_000), st.sampled_from([0.01, 0.1, 5.0]), st.integers(2, 12))
def test_every_scenario_clears_its_own_quantity(seed: int, tick: float, count: int) -> None:
    """At the price of each scenario the bid buys its quantity to half a lot, whatever the ticks."""
    rng = np.random.default_rng(seed)
    auction = Auction(lot_mw=0.5, tick_per_mwh=tick)
    prices = np.round(rng.uniform(-40, 60, count), 2)
    ranks = auction.ranks(prices)
    mw = np.sort(rng.uniform(0, 20, count))[::-1][ranks]
    curve = auction.curve(prices, ranks, mw)
    assert np.all(np.diff(curve.mw) < 0)
    np.testing.assert_allclose(curve.mw / 0.5, np.round(curve.mw / 0.5), atol=1e-9)
    ticks = curve.limits_per_mwh[:-1] / tick
    np.testing.assert_allclose(ticks, np.round(ticks), atol=1e-6)
    for price, quantity in zip(prices, mw, strict=True):
        assert abs(curve.cleared_mw(float(price)) - quantity) <= 0.25 + 1e-9


@given(st.integers(0, 10_000), st.integers(2, 7), st.integers(1, 4))
def test_fewer_steps_are_the_nearest_ones(seed: int, count: int, most: int) -> None:
    """Of all cuts of the prices into so many neighbouring groups, the one with the least squares is taken."""
    rng = np.random.default_rng(seed)
    mw, weights = np.sort(rng.uniform(0, 10, count))[::-1], rng.uniform(0.1, 1, count)
    groups = Auction(steps_most=most).fewer_ranks(np.arange(count), mw, weights)
    assert len(set(groups.tolist())) == min(most, count)
    assert np.all(np.diff(groups) >= 0)

    def squares(group_of: np.ndarray) -> float:
        total = 0.0
        for group in set(group_of.tolist()):
            inside = group_of == group
            middle = np.average(mw[inside], weights=weights[inside])
            total += float(weights[inside] @ (mw[inside] - middle) ** 2)
        return total

    cuts = itertools.combinations(range(1, count), min(most, count) - 1)
    best = min(squares(np.searchsorted(np.array(cut), np.arange(count), side="right")) for cut in cuts)
    assert squares(groups) == pytest.approx(best, abs=1e-9)


def test_what_no_auction_takes_is_refused() -> None:
    """Lots of nothing, limits the wrong way round, prices outside them, a bid that rises."""
    with pytest.raises(InvalidValues):
        Auction(lot_mw=0.0)
    with pytest.raises(InvalidValues):
        Auction(price_min_per_mwh=10.0, price_max_per_mwh=5.0)
    prices = np.array([10.0, 5000.0])
    with pytest.raises(ValueError, match="state its limits"):
        Auction().curve(prices, np.array([0, 1]), np.array([2.0, 1.0]))
    with pytest.raises(ValueError, match="quantities must fall"):
        BidCurve(np.array([1.0, 2.0]), np.array([1.0, 2.0]))
