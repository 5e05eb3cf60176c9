"""Price scenarios: what the market price of the coming day may turn out to be, and how likely.

Owns the record. Reading stands in `scheduler.read.scenarios`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.horizon import Array, Horizon, Series


@dataclass(frozen=True, eq=False)
class PriceScenarios:
    """Prices that one price series may take over the same intervals.

    Parameters
    ----------
    names : tuple of str
        Name of each scenario. Length s. [-]
    probabilities : ndarray
        Of each scenario, above 0; they add up to 1. Shape (s,). [-]
    series : tuple of Series
        Prices of each scenario, on the same intervals without gaps. Length s. [currency/MWh]

    Raises
    ------
    ValueError
        If there is no scenario, numbers differ, intervals differ, or probabilities do not add up to 1.
    """

    names: tuple[str, ...]
    probabilities: Array
    series: tuple[Series, ...]

    def __post_init__(self) -> None:
        if not self.names or not len(self.names) == len(self.probabilities) == len(self.series):
            raise ValueError("scenarios need a name, a probability and prices each, and one or more of them")
        if np.any(self.probabilities <= 0) or abs(float(np.sum(self.probabilities)) - 1.0) > 1e-9:
            raise ValueError("probabilities of scenarios must be above 0 and add up to 1")
        first = self.series[0]
        for other in self.series[1:]:
            if not (
                np.array_equal(other.starts_min, first.starts_min)
                and np.array_equal(other.lengths_min, first.lengths_min)
            ):
                raise ValueError("scenarios must have prices for the same intervals")

    def __len__(self) -> int:
        """Return the number of scenarios."""
        return len(self.names)

    def on(self, horizon: Horizon) -> Array:
        """Return the prices on the intervals of a horizon that all scenarios cover.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]

        Returns
        -------
        ndarray
            One row for each scenario. Shape (s, n). [currency/MWh]
        """
        return np.stack([series.on(horizon) for series in self.series])

    def mean(self) -> Series:
        """Return the expected price, weighted by probability. [currency/MWh]."""
        first = self.series[0]
        values = self.probabilities @ np.stack([series.values for series in self.series])
        return Series(first.name, first.starts_min, first.lengths_min, values)

    def spliced(self, base: Series, own: Series) -> Series:
        """Return a price series that takes the scenario's prices where it has some, and another's elsewhere.

        Parameters
        ----------
        base : Series
            Prices outside the time of the scenarios. [currency/MWh]
        own : Series
            Prices of a scenario, or their mean. [currency/MWh]

        Returns
        -------
        Series
            The prices of both. [currency/MWh]
        """
        start = int(own.starts_min[0])
        end = int(own.starts_min[-1] + own.lengths_min[-1])
        before = base.starts_min + base.lengths_min <= start
        after = base.starts_min >= end
        return Series(
            base.name,
            np.concatenate([base.starts_min[before], own.starts_min, base.starts_min[after]]),
            np.concatenate([base.lengths_min[before], own.lengths_min, base.lengths_min[after]]),
            np.concatenate([base.values[before], own.values, base.values[after]]),
        )
