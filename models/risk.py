"""What an uncertain cost counts: its mean, its tail, or a mix of both.

Owns the measures of a cost that is known by scenario. Knows no prices and no plan.

References
----------
R. T. Rockafellar, S. Uryasev, "Optimization of conditional value-at-risk", Journal of Risk 2 (3), 2000:
the conditional value at risk (CVaR) and its program, ``min over z of z + E[max(C - z, 0)] / (1 - level)``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import between, check
from models.horizon import Array


def mean(costs: Array, probabilities: Array) -> float:
    """Return the expected cost.

    Parameters
    ----------
    costs : ndarray
        Cost in each scenario. Shape (s,). [currency]
    probabilities : ndarray
        Of each scenario; they add up to 1. Shape (s,). [-]

    Returns
    -------
    float
        The mean. [currency]
    """
    return float(probabilities @ costs)


def cvar(costs: Array, probabilities: Array, level: float) -> float:
    """Return the conditional value at risk: the mean cost of the dearest ``1 - level`` of all outcomes.

    Where the share cuts through a scenario, that scenario counts with the part of its probability that is
    still missing (Rockafellar and Uryasev 2000 give the same by their program).

    Parameters
    ----------
    costs : ndarray
        Cost in each scenario. Shape (s,). [currency]
    probabilities : ndarray
        Of each scenario; they add up to 1. Shape (s,). [-]
    level : float
        From 0 (the mean) to below 1. [-]

    Returns
    -------
    float
        The tail's mean. [currency]
    """
    order = np.argsort(-costs, kind="stable")
    tail = 1.0 - level
    before = np.concatenate([[0.0], np.cumsum(probabilities[order])[:-1]])
    counted = np.clip(tail - before, 0.0, probabilities[order])
    return float(counted @ costs[order]) / float(np.sum(counted))


@dataclass(frozen=True)
class Risk:
    """How much the tail of a cost counts beside its mean.

    Parameters
    ----------
    weight : float
        0 counts the mean alone, 1 the tail alone. [-]
    level : float
        Level of the tail: 0.9 means the dearest tenth. From 0 to 0.999. [-]

    Raises
    ------
    InvalidValues
        If a value is outside its range.

    Notes
    -----
    ``(1 - weight) * E[C] + weight * CVaR_level(C)``. It never falls when a cost rises, so what is cheaper in
    every scenario is better whatever the weight.
    """

    weight: float = 0.0
    level: float = 0.9

    def __post_init__(self) -> None:
        check(self, weight=between(0, 1), level=between(0, 0.999))

    def of(self, costs: Array, probabilities: Array) -> float:
        """Return what some costs count.

        Parameters
        ----------
        costs : ndarray
            Cost in each scenario. Shape (s,). [currency]
        probabilities : ndarray
            Of each scenario; they add up to 1. Shape (s,). [-]

        Returns
        -------
        float
            Mean and tail, weighted. [currency]
        """
        tail = cvar(costs, probabilities, self.level) if self.weight else 0.0
        return (1.0 - self.weight) * mean(costs, probabilities) + self.weight * tail
