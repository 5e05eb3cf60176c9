"""The program of price scenarios: by hand, by brute force, and against an independent program in cvxpy.

Values of information are defined as in J. R. Birge, F. Louveaux, Introduction to Stochastic Programming,
2nd ed., Springer 2011, chapter 4; the tail as in R. T. Rockafellar, S. Uryasev, Journal of Risk 2 (3), 2000.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import cvxpy as cp
import numpy as np
import pytest

from models.bid import Auction
from models.contract.imbalance import Imbalance
from models.horizon import Array
from models.risk import Risk, cvar
from models.situation import Situation
from scheduler.errors import StudyError
from scheduler.studies.scenarios import ScenarioOptions, ScenarioStudy, study
from tests.binding_cases import index, power_mw
from tests.scenario_case import scenarios_of, store_room, studied

FINE = ScenarioOptions(auction=Auction(lot_mw=0.001), joint_gap=1e-6, gap=1e-6)
MIRROR = np.array([[20.0, 80.0], [80.0, 20.0]])


def test_two_hours_and_two_scenarios_by_hand() -> None:
    """10 kAh over two hours at prices 20 and 80 or 80 and 20; more costs 10, less 20 over the price.

    With prices known the cheap hour has 9 kA (2.61 MW), the dear one 1 kA (0.21 MW): 20 x 2.61 + 80 x 0.21 =
    69; the slope there, 20 x 0.38 below 80 x 0.22, says that more would move if it could. The mean prices
    are equal, so by convexity the mean-price plan has 5 kA (1.25 MW) in both hours. Nominating n in an hour,
    both scenarios still draw 2.61 and 0.21, so an hour costs 0.5 (10 (2.61 - n) + 20 (n - 0.21)) on top:
    least at n = 0.21, 12 an hour; at 1.25 it is 17.2. So EEV 69 + 34.4, RP 69 + 24, WS 69. The bid draws
    what it buys in both scenarios and costs 69 as well.
    """
    found = studied(5.0, MIRROR, 10.0, 20.0, FINE)
    assert found.mean_price.value == pytest.approx(103.4, abs=2e-3)
    assert found.nomination.value == pytest.approx(93.0, abs=2e-3)
    assert found.prices_known.value == pytest.approx(69.0, abs=2e-3)
    assert found.bid.value == pytest.approx(69.0, abs=2e-3)
    assert found.offered.value == pytest.approx(69.0, abs=0.02)
    assert found.vss == pytest.approx(10.4, abs=4e-3)
    assert found.evpi == pytest.approx(24.0, abs=4e-3)
    np.testing.assert_allclose(found.nomination.bought_mw, 0.21, atol=1e-4)
    for curve in found.curves:
        assert curve.limits_per_mwh.tolist() == [50.0, 4000.0]
        np.testing.assert_allclose(curve.mw, [2.61, 0.21], atol=1e-9)


def test_where_nobody_deviates_the_mean_price_decides() -> None:
    """Moving from 60 to 40 saves 20 a MWh moved, and two MWh deviate at 12 each: nobody moves.

    So both nominations are 5 kA twice, 2 x 50 x 1.25 = 125, and the value of the stochastic solution is 0.
    """
    dear = np.array([[40.0, 60.0], [60.0, 40.0]])
    found = studied(5.0, dear, 12.0, 12.0, FINE)
    assert found.mean_price.value == pytest.approx(125.0, abs=2e-3)
    assert found.vss == pytest.approx(0.0, abs=2e-3)
    np.testing.assert_allclose(found.nomination.import_mw, 1.25, atol=3e-3)
    assert found.evpi > 5.0


def test_a_falling_bid_costs_money_where_the_dear_scenario_wants_more() -> None:
    """At 60 an hour at 160 follows, at 50 one at 30: in the first hour more is wanted at 60 than at 50.

    Brute force over the loads of the first hour: what a falling bid cannot buy deviates, so each hour adds
    half of 25 x what the dearer scenario draws beyond the cheaper one.
    """
    prices = np.array([[60.0, 160.0], [50.0, 30.0]])
    found = studied(5.0, prices, 25.0, 25.0, FINE)
    grid = np.linspace(1.0, 9.0, 1601)
    a, b = power_mw(grid)[:, None], power_mw(grid)[None, :]
    a2, b2 = power_mw(10.0 - grid)[:, None], power_mw(10.0 - grid)[None, :]
    free = 0.5 * (60 * a + 160 * a2) + 0.5 * (50 * b + 30 * b2)
    tied = free + 12.5 * np.maximum(a - b, 0.0) + 12.5 * np.maximum(a2 - b2, 0.0)
    assert found.prices_known.value == pytest.approx(float(free.min()), rel=1e-5)
    assert found.bid.value == pytest.approx(float(tied.min()), rel=1e-5)
    assert found.bid.value > found.prices_known.value + 1.0
    first = found.bid.bought_mw[:, 0]
    assert first[1] >= first[0] - 1e-7  # the scenario at 50 buys at least what that at 60 does


class Reference:
    """The same program in cvxpy: quadratic power, what is bought, deviations, and the tail."""

    def __init__(self, mean_ka: float, prices: Array, up: float, down: float, chances: Array) -> None:
        self.prices, self.chances = prices, chances
        self.load = cp.Variable(prices.shape)
        self.bought = cp.Variable(prices.shape)
        power = 0.2 * self.load + 0.01 * cp.square(self.load)
        # Convex where the price is at least the surcharge for less: more power never pays.
        self.more, drawn = cp.Variable(prices.shape), cp.Variable(prices.shape)
        self.less = cp.Variable(prices.shape)
        self.costs = cp.sum(cp.multiply(prices, drawn) + up * self.more + down * self.less, axis=1)
        self.rules = [
            self.load >= 1.0,
            self.load <= 9.0,
            cp.sum(self.load, axis=1) >= mean_ka * prices.shape[1],
            drawn >= power,
            drawn - self.more + self.less == self.bought,
            self.more >= 0.0,
            self.less >= 0.0,
        ]

    def least(self, ties: list[cp.Constraint], risk: Risk) -> float:
        """Return the least mean and tail with what is bought tied."""
        threshold = cp.Variable()
        tail = threshold + self.chances @ cp.pos(self.costs - threshold) / (1.0 - risk.level)
        goal = (1.0 - risk.weight) * (self.chances @ self.costs) + risk.weight * tail
        problem = cp.Problem(cp.Minimize(goal), [*self.rules, *ties])
        problem.solve(solver=cp.CLARABEL)
        assert problem.status == cp.OPTIMAL
        return float(problem.value)

    def falling(self) -> list[cp.Constraint]:
        """Return the ties of a bid: from the lowest price of an interval to the highest nothing rises."""
        ties = []
        for t in range(self.prices.shape[1]):
            order = np.argsort(self.prices[:, t])
            for low, high in pairwise(order):
                gap = self.bought[int(low), t] - self.bought[int(high), t]
                ties.append(gap == 0 if self.prices[low, t] == self.prices[high, t] else gap >= 0)
        return ties


def random_study(seed: int, risk: Risk) -> tuple[ScenarioStudy, Array, Array, float]:
    """Return a study of random prices at least as high as the surcharges, some of them equal."""
    rng = np.random.default_rng(seed)
    prices = np.round(rng.uniform(30, 150, (4, 5)))
    prices[1, 2] = prices[0, 2]
    chances, mean_ka = rng.dirichlet(np.full(4, 5.0)), float(rng.uniform(3, 7))
    options = replace(FINE, risk=risk)
    return studied(mean_ka, prices, 15.0, 10.0, options, chances), prices, chances, mean_ka


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("risk", [Risk(), Risk(0.6, 0.7)])
def test_an_independent_program_finds_the_same(seed: int, risk: Risk) -> None:
    """Best nomination, best bid and prices known cost what clarabel finds, between bound and cost."""
    found, prices, chances, mean_ka = random_study(seed, risk)
    reference = Reference(mean_ka, prices, 15.0, 10.0, chances)
    one = [reference.bought[s, :] == reference.bought[0, :] for s in range(1, 4)]
    for way, ties in (
        (found.nomination, one),
        (found.bid, reference.falling()),
        (found.prices_known, []),
    ):
        best = reference.least(ties, risk)
        assert way.value == pytest.approx(best, rel=3e-6)
        assert way.bound <= best * (1.0 + 1e-7)
    # More freedom costs no more (Birge and Louveaux 2011, section 4.3), and each bound is below all costs.
    ways = [found.prices_known, found.bid, found.nomination, found.mean_price]
    assert all(a.value <= b.value for a, b in pairwise(ways))
    assert found.vss >= 0.0
    assert found.evpi >= 0.0
    # The tail that the study counts is that of the costs it reports.
    tail = cvar(found.bid.costs, chances, risk.level)
    mean = float(chances @ found.bid.costs)
    assert found.bid.value == pytest.approx((1 - risk.weight) * mean + risk.weight * tail)


def test_risk_buys_a_lower_tail_with_a_higher_mean() -> None:
    """The best nomination for the tail has a lower tail and a higher mean than that for the mean."""
    calm, _, chances, _ = random_study(1, Risk())
    wary, *_ = random_study(1, Risk(1.0, 0.7))
    assert cvar(wary.nomination.costs, chances, 0.7) < cvar(calm.nomination.costs, chances, 0.7) - 0.01
    assert chances @ wary.nomination.costs > chances @ calm.nomination.costs + 0.01


def test_fewer_price_steps_cost_more_and_are_kept() -> None:
    """With two steps an interval the bid costs more than with all, and less than a nomination."""
    free, prices, chances, mean_ka = random_study(2, Risk())
    few = replace(FINE, auction=replace(FINE.auction, steps_most=2))
    tied = studied(mean_ka, prices, 15.0, 10.0, few, chances)
    assert max(len(curve.mw) for curve in free.curves) > 2
    assert max(len(curve.mw) for curve in tied.curves) == 2
    assert free.bid.value < tied.bid.value < free.nomination.value


def test_a_given_plan_keeps_its_loads() -> None:
    """7 and 3 kA at 20 and 80 or 80 and 20: 1.89 and 0.69 MW cost 93 and 165, mean 129, tail 165."""
    site, horizon = store_room(5.0, 2)
    known = Situation(stocks={"store": 0.0}, series={"day_ahead": index(horizon, [50.0, 50.0])})
    loads = {"room": index(horizon, [7.0, 3.0])}
    options = replace(FINE, deviation=Imbalance("deviation", 10.0, 20.0))
    drawn = index(horizon, [1.89, 0.69])
    found = study(site, horizon, known, scenarios_of(horizon, MIRROR), options, loads, drawn)
    assert found.given is not None
    assert found.given.costs.tolist() == pytest.approx([93.0, 165.0], abs=1e-3)


def test_what_cannot_be_studied_is_said() -> None:
    """Unknown surcharges, a contract without the index, a day whose duties no scenario lets be met."""
    site, horizon = store_room(5.0, 2)
    known = Situation(stocks={"store": 0.0}, series={"day_ahead": index(horizon, [50.0, 50.0])})
    prices = scenarios_of(horizon, MIRROR)
    with pytest.raises(ValueError, match="--up-per-mwh"):
        study(site, horizon, known, prices)
    priced = replace(FINE, deviation=Imbalance("deviation", 10.0, 20.0))
    flat = replace(site, contract=replace(site.contract, components=()))
    with pytest.raises(ValueError, match="charges the price series 'day_ahead'"):
        study(flat, horizon, known, prices, priced)
    short, _ = store_room(9.5, 2)
    with pytest.raises(StudyError, match="scenario 's0'"):
        study(short, horizon, known, prices, priced)
