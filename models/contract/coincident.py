"""Coincident peaks: a charge for load in the few hours in which the grid has its peaks.

Owns the charge by weights of intervals: expected ones for a plan, settled ones for a bill. Which hours are
settled, and how probable an hour is to be one, comes as a profile.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import at_least, check
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.index import series_of
from models.contract.term import Rate, Term
from models.horizon import Array, Horizon, Integers
from models.situation import Situation


@component_kind("coincident_peak")
@dataclass(frozen=True)
class CoincidentPeak(Component):
    """A price on the weighted mean of the load in the intervals of the grid's peaks.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    per_mw : float
        Price of the weighted mean, 0 or more; the weights of all settled intervals add up to 1. [currency/MW]
    settled : str
        Name of the profile of settled weights: 1/4 on each of four peaks, 0 elsewhere; where an interval has
        a value there it counts. [-]
    expected : str, optional
        Name of the profile of expected weights (probability of being a peak / number of peaks), used where
        nothing is settled; without it nothing is charged there. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.

    Notes
    -----
    ``charge = per_mw * sum_t w_t * P_t``, with w settled or expected: linear in the load, so that an expected
    charge is the mean over what may come. A weight belongs to a whole interval of its profile; an interval
    that holds part of it gets its share, one that holds several their sum.
    """

    name: str
    per_mw: float
    settled: str
    expected: str | None = None

    def __post_init__(self) -> None:
        check(self, name=key_name(), per_mw=at_least(0, "currency/MW"))

    def series_needed(self) -> tuple[str, ...]:
        """Return the name of the expected weights, if any. [-]."""
        return () if self.expected is None else (self.expected,)

    def weights(self, horizon: Horizon, situation: Situation) -> tuple[Array, Array]:
        """Return the settled and the expected weight of each interval.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Holds the profiles. [-]

        Returns
        -------
        tuple of ndarray
            Settled and expected weights. Each shape (n,). [-]

        Raises
        ------
        ValueError
            If a profile of expected weights is named and not given.
        """
        n = len(horizon)
        known = situation.series.get(self.settled)
        settled, given = np.zeros(n), np.zeros(n, dtype=np.bool_)
        if known is not None:
            given, _ = known.where_given(horizon)
            settled = _sums(known.starts_min, known.lengths_min, known.values, horizon)
        expected = np.zeros(n)
        if self.expected is not None:
            likely = series_of(self.name, self.expected, situation)
            likely.on(horizon)  # names what is missing
            expected = np.where(
                given, 0.0, _sums(likely.starts_min, likely.lengths_min, likely.values, horizon)
            )
        return settled, expected

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the weights as prices of energy (see `Component.terms`)."""
        settled, expected = self.weights(horizon, situation)
        price = self.per_mw * (settled + expected) / horizon.hours
        return (Rate("coincident", price, "demand"),)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return a line for what is settled and one for what is expected (see `Component.bill`)."""
        lines = []
        for label, weight, formula in zip(
            ("settled", "expected"),
            self.weights(profile.horizon, situation),
            (
                "sum of settled weight x load in the grid's peaks x price",
                "sum of expected weight x load x price: an expectation, settled later",
            ),
            strict=True,
        ):
            mean = float(np.dot(weight, profile.power_mw))
            if label == "settled" or self.expected is not None:
                lines.append(
                    BillLine(
                        self.name,
                        f"load in the grid's peaks, {label}",
                        mean,
                        "MW",
                        self.per_mw,
                        mean * self.per_mw,
                        "demand",
                        formula,
                    )
                )
        return tuple(lines)


def _sums(starts: Integers, lengths: Integers, values: Array, horizon: Horizon) -> Array:
    """Spread weights, each of a whole interval, over the intervals of a horizon."""
    result = np.zeros(len(horizon))
    for i in np.flatnonzero(values):
        start, length = int(starts[i]), int(lengths[i])
        overlap = horizon.share_inside(start, start + length) * horizon.lengths_min / length
        result += values[i] * overlap
    return result
