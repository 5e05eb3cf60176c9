"""A price-quantity bid of a buyer in an auction: what is bought at which price, interval by interval.

Owns the shape of a bid (quantities that never rise with the price, lots, price ticks, number of steps) and
what it buys at a price. Which quantities are worth offering stands in `scheduler.studies.scenarios`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import above, at_least, check, in_order
from models.horizon import Array, Integers

SAME_TICK = 1e-6
"""How far, as a share of a tick, a price may lie off one by rounding."""
SAME_PRICE = 1e-9
"""Difference of two prices that counts as none. [currency/MWh]"""
SAME_MW = 1e-9
"""Difference of two quantities that counts as none. [MW]"""


@dataclass(frozen=True)
class Auction:
    """What an auction takes.

    Parameters
    ----------
    lot_mw : float
        Quantities are whole multiples of it, above 0. [MW]
    tick_per_mwh : float
        Prices are whole multiples of it, above 0. [currency/MWh]
    price_min_per_mwh, price_max_per_mwh : float
        Least and greatest price it allows. The usual -500 and 4,000 are values from memory of European
        day-ahead auctions in EUR/MWh: state those of yours. [currency/MWh]
    steps_most : int or None
        Greatest number of price steps in an interval, 1 or more; None for no limit. [-]

    Raises
    ------
    InvalidValues
        If a value is outside its range.
    """

    lot_mw: float = 0.1
    tick_per_mwh: float = 0.01
    price_min_per_mwh: float = -500.0
    price_max_per_mwh: float = 4000.0
    steps_most: int | None = None

    def __post_init__(self) -> None:
        check(
            self,
            lot_mw=above(0, "MW"),
            tick_per_mwh=above(0, "currency/MWh"),
            steps_most=at_least(1),
        )
        in_order(self, "price_min_per_mwh", "price_max_per_mwh", "currency/MWh")

    def ranks(self, prices: Array) -> Integers:
        """Return the order of some prices of one interval, as an offer can tell them apart.

        Parameters
        ----------
        prices : ndarray
            Prices. Shape (s,). [currency/MWh]

        Returns
        -------
        ndarray
            0 for the lowest; prices between which no tick lies have the same. Shape (s,). [-]
        """
        ticks = np.ceil(prices / self.tick_per_mwh - SAME_TICK)
        ranks: Integers = np.unique(ticks, return_inverse=True)[1].astype(np.int64)
        return ranks

    def fewer_ranks(self, ranks: Integers, mw: Array, weights: Array) -> Integers:
        """Return ranks of which neighbours are put together until there are no more than the steps allowed.

        The cut into groups is the one with the least weighted sum of squared distances of the quantities
        from the mean of their group, by dynamic programming.

        Parameters
        ----------
        ranks : ndarray
            Ranks, one for each price. Shape (s,). [-]
        mw : ndarray
            Quantity at each price, equal where ranks are. Shape (s,). [MW]
        weights : ndarray
            Weight of each price, above 0. Shape (s,). [-]

        Returns
        -------
        ndarray
            New ranks in the same order. Shape (s,). [-]
        """
        count = int(ranks.max()) + 1
        if self.steps_most is None or count <= self.steps_most:
            return ranks
        weight = np.bincount(ranks, weights, count)
        first = np.bincount(ranks, weights * mw, count)
        second = np.bincount(ranks, weights * mw**2, count)
        sums = [np.concatenate([[0.0], np.cumsum(part)]) for part in (weight, first, second)]

        def spread(low: int, high: int) -> float:
            w, x, xx = (float(part[high] - part[low]) for part in sums)
            return xx - x * x / w

        best = [[np.inf] * (count + 1) for _ in range(self.steps_most + 1)]
        cut = [[0] * (count + 1) for _ in range(self.steps_most + 1)]
        best[0][0] = 0.0
        for groups in range(1, self.steps_most + 1):
            for end in range(1, count + 1):
                for start in range(groups - 1, end):
                    total = best[groups - 1][start] + spread(start, end)
                    if total < best[groups][end]:
                        best[groups][end], cut[groups][end] = total, start
        group_of = np.zeros(count, dtype=np.int64)
        end = count
        for groups in range(self.steps_most, 0, -1):
            group_of[cut[groups][end] : end] = groups - 1
            end = cut[groups][end]
        result: Integers = group_of[ranks]
        return result

    def curve(self, prices: Array, ranks: Integers, mw: Array) -> BidCurve:
        """Return the bid of one interval: whole lots, with a price limit for each quantity.

        Between two scenarios the limit is the tick nearest the middle of their prices; the last quantity is
        bought up to the greatest price of the auction.

        Parameters
        ----------
        prices : ndarray
            Price in each scenario. Shape (s,). [currency/MWh]
        ranks : ndarray
            Rank of each scenario's price, lowest first. Shape (s,). [-]
        mw : ndarray
            Quantity in each scenario, equal for equal ranks, not rising with them. Shape (s,). [MW]

        Returns
        -------
        BidCurve
            The bid. [-]

        Raises
        ------
        ValueError
            If a price lies outside those the auction allows.
        """
        if prices.min() < self.price_min_per_mwh or prices.max() > self.price_max_per_mwh:
            raise ValueError(
                f"prices from {prices.min():g} to {prices.max():g} do not lie between the auction's limits "
                f"{self.price_min_per_mwh:g} and {self.price_max_per_mwh:g}: state its limits"
            )
        limits: list[float] = []
        lots: list[int] = []
        for rank in range(int(ranks.max()) + 1):
            inside = ranks == rank
            lot = round(float(mw[inside][0]) / self.lot_mw)
            if lots and lot >= lots[-1]:
                limits.pop()
            else:
                lots.append(lot)
            limits.append(self._limit(float(prices[inside].max()), prices[ranks == rank + 1]))
        return BidCurve(np.array(limits), np.array([round(lot * self.lot_mw, 9) for lot in lots]))

    def _limit(self, highest: float, above_it: Array) -> float:
        if not above_it.size:
            return self.price_max_per_mwh
        tick, next_price = self.tick_per_mwh, float(above_it.min())
        low = np.ceil(highest / tick - SAME_TICK)
        high = np.ceil(next_price / tick - SAME_TICK) - 1
        return round(float(np.clip(np.round(0.5 * (highest + next_price) / tick), low, high)) * tick, 9)


@dataclass(frozen=True, eq=False)
class BidCurve:
    """The bid for one interval.

    Parameters
    ----------
    limits_per_mwh : ndarray
        Highest price at which each quantity is bought, ascending. Shape (k,). [currency/MWh]
    mw : ndarray
        Quantities, falling. Shape (k,). [MW]

    Raises
    ------
    ValueError
        If prices do not rise or quantities do not fall.
    """

    limits_per_mwh: Array
    mw: Array

    def __post_init__(self) -> None:
        if len(self.mw) != len(self.limits_per_mwh) or not len(self.mw):
            raise ValueError("a bid needs one price for each quantity, and one or more of them")
        if np.any(np.diff(self.limits_per_mwh) <= 0) or np.any(np.diff(self.mw) > -SAME_MW):
            raise ValueError("prices of a bid must rise and its quantities must fall")

    def cleared_mw(self, price_per_mwh: float) -> float:
        """Return what is bought at a market price.

        Parameters
        ----------
        price_per_mwh : float
            Market price. [currency/MWh]

        Returns
        -------
        float
            The quantity with the lowest limit that is not below the price. [MW]

        Raises
        ------
        ValueError
            If the price lies above the last limit.
        """
        at = int(np.searchsorted(self.limits_per_mwh + SAME_PRICE, price_per_mwh))
        if at == len(self.mw):
            raise ValueError(f"the price {price_per_mwh:g} lies above the last limit of the bid")
        return float(self.mw[at])
