"""The primitives in which components state what the program may be charged.

Owns what a term is, and the plain ones: a rate per interval, a peak, and money that no load can change.
Charges on totals, chosen capacity and room that must be left stand in `primitives`, jumps in `cliff`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field, replace

import numpy as np

from models.horizon import Array, Horizon, Integers
from models.pieces import Cost, Declaration, Entry, Rows, Variable
from models.ramping import RampResults

LARGEST_PEAK_MW = 1e5
"""Peak beyond which none is looked for. [MW]"""
PEAK_TOLERANCE_MW = 1e-7
"""How far a metered mean may stand above a peak by rounding. [MW]"""


class Term(ABC):
    """A primitive in which a component states what the program may be charged.

    A term evaluates itself exactly at any profile and declares itself as linear records. Both must
    agree: the records at the least of their variables give `cost` less `sunk`.
    """

    name: str
    group: str

    @abstractmethod
    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the exact charge at a profile.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        power_mw : ndarray
            Mean import on each interval. Shape (n,). [MW]

        Returns
        -------
        float
            Charge, not rounded. [currency]
        """

    def sunk(self) -> float:
        """Return the part of the charge that no load of this horizon can change. [currency]."""
        return 0.0

    def exact(self, prefix: str, power_mw: Array) -> dict[str, Array]:
        """Return the exact values of the term's own variables at a profile.

        Parameters
        ----------
        prefix : str
            Start of every key of the term, as in `declare`. [-]
        power_mw : ndarray
            Mean import on each interval. Shape (n,). [MW]

        Returns
        -------
        dict
            Values by key; empty for a term without variables. [as declared]
        """
        return {}

    def energy_per_mwh(self, horizon: Horizon) -> Array | None:
        """Return an energy price that stands in no cost record on the metered power itself.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]

        Returns
        -------
        ndarray or None
            Price on each interval, for the gap's denominator and for reports; None for a term without one.
            Shape (n,). [currency/MWh]
        """
        return None

    def exact_on(self, horizon: Horizon, prefix: str, power_mw: Array) -> dict[str, Array]:
        """Return the same as `exact`, for a term whose variables depend on the length of intervals.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        prefix : str
            Start of every key of the term, as in `declare`. [-]
        power_mw : ndarray
            Mean import on each interval. Shape (n,). [MW]

        Returns
        -------
        dict
            Values by key; those of `exact` unless overridden. [as declared]
        """
        return self.exact(prefix, power_mw)

    def peaks_in(self, prefix: str) -> tuple[tuple[str, Peak], ...]:
        """Return the peaks that the term charges, each with the key of its variable.

        Parameters
        ----------
        prefix : str
            Start of every key of the term, as in `declare`. [-]

        Returns
        -------
        tuple of (str, Peak)
            Peaks; none for a term without. [-]
        """
        return ()

    def ramp_prices(self, horizon: Horizon) -> Array:
        """Return what a unit of ramp energy at the start of each interval can cost at most.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]

        Returns
        -------
        ndarray
            Zeros for a term that does not count ramps. Shape (n,). [currency/MWh]
        """
        return np.zeros(len(horizon))

    def with_ramps(self, ramp_mwh: Array) -> Term:
        """Return the term that counts the energy of given ramps beside a profile.

        Parameters
        ----------
        ramp_mwh : ndarray
            Energy of the ramps at the start of each interval. Shape (n,). [MWh]

        Returns
        -------
        Term
            The term itself where it does not count ramps. [-]
        """
        return self

    def declare_ramps(self, horizon: Horizon, prefix: str, meter: str, ramps: RampResults) -> Declaration:
        """Return what the term adds to `declare` where ramps are declared.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        prefix : str
            Start of every key of the term, as in `declare`. [-]
        meter : str
            Key of the metered import. [-]
        ramps : RampResults
            Keys of the energies of ramps. [-]

        Returns
        -------
        Declaration
            Nothing for a term that does not count ramps. [-]
        """
        return Declaration()

    @abstractmethod
    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return the term as linear records on the metered power.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        prefix : str
            Start of every key of the term: the component's name and the term's. [-]
        meter : str
            Key of the metered import, an interval variable in MW. [-]

        Returns
        -------
        Declaration
            Records whose cost, at the optimum, is `cost` less `sunk`. [-]
        """


@dataclass(frozen=True, eq=False)
class Rate(Term):
    """A price on every interval's energy.

    Parameters
    ----------
    name : str
        Name of the term, lower case with underscores. [-]
    per_mwh : ndarray
        Price on each interval; may be negative. Shape (n,). [currency/MWh]
    group : str
        Cost group. [-]
    """

    name: str
    per_mwh: Array
    group: str = "energy"

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return sum of price times energy (see `Term.cost`)."""
        return float(np.sum(self.per_mwh * horizon.hours * power_mw))

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return one cost record on the metered power (see `Term.declare`)."""
        return Declaration(costs=(Cost(prefix, self.group, meter, self.per_mwh * horizon.hours),))


@dataclass(frozen=True, eq=False)
class Peak(Term):
    """A price on the highest metered mean: rate * max(floor, max over metering periods of the mean).

    Parameters
    ----------
    name : str
        Name of the term, lower case with underscores, with its billing period if there are several. [-]
    per_mw : float
        Price, 0 or more. [currency/MW]
    period : ndarray
        Number 0 .. k-1 of the metering period of each weight. Shape (w,). [-]
    position : ndarray
        Horizon interval of each weight. Shape (w,). [-]
    weight : ndarray
        Share of that interval in the metering period's mean; sums to 1 for a period wholly inside
        the horizon. Shape (w,). [-]
    floor_mw : float
        Peak that is charged anyway: the highest so far, or the target of a longer plan. [MW]
    group : str
        Cost group. [-]
    ramp_period, ramp_position : ndarray
        Metering period in which a ramp at the start of a horizon interval counts, and that interval.
        Shape (r,). [-]
    ramp_per_h : ndarray
        One over the length of that period. Shape (r,). [1/h]
    ramp_mwh : ndarray, optional
        Energy of ramps at the start of each interval, beside a profile; none unless given. Shape (n,). [MWh]

    Notes
    -----
    The whole of a ramp counts in the metering period in which it starts. A period counts by the greater of
    its mean without ramps and its mean with them: where an interval is longer than a period, later periods
    have the mean without.
    """

    name: str
    per_mw: float
    period: Integers
    position: Integers
    weight: Array
    floor_mw: float = 0.0
    group: str = "demand"
    ramp_period: Integers = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    ramp_position: Integers = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    ramp_per_h: Array = field(default_factory=lambda: np.zeros(0))
    ramp_mwh: Array | None = None

    def peak_mw(self, power_mw: Array) -> float:
        """Return the highest metered mean of a profile, without the floor.

        Parameters
        ----------
        power_mw : ndarray
            Mean import on each interval. Shape (n,). [MW]

        Returns
        -------
        float
            Highest mean; 0 if no metering period counts. [MW]
        """
        means, ramped = self._means(power_mw)
        return float(max(np.max(means, initial=0.0), np.max(ramped, initial=0.0)))

    def _means(self, power_mw: Array) -> tuple[Array, Array]:
        """Return the mean over each metering period, without and with ramps."""
        if len(self.period) == 0:
            return np.zeros(0), np.zeros(0)
        means: Array = np.bincount(self.period, weights=self.weight * power_mw[self.position]).astype(
            np.float64
        )
        if self.ramp_mwh is None:
            return means, means
        extra = np.bincount(
            self.ramp_period,
            weights=self.ramp_per_h * self.ramp_mwh[self.ramp_position],
            minlength=len(means),
        )
        return means, means + extra

    def ramp_prices(self, horizon: Horizon) -> Array:
        """Return the price of a metered mean by the length of its period (see `Term.ramp_prices`)."""
        prices = np.zeros(len(horizon))
        np.maximum.at(prices, self.ramp_position, self.per_mw * self.ramp_per_h)
        return prices

    def with_ramps(self, ramp_mwh: Array) -> Peak:
        """Return the same with the energy of ramps (see `Term.with_ramps`)."""
        return replace(self, ramp_mwh=ramp_mwh)

    def peaks_in(self, prefix: str) -> tuple[tuple[str, Peak], ...]:
        """Return the peak itself (see `Term.peaks_in`)."""
        return ((f"{prefix}_peak", self),)

    def ramps_above(self, power_mw: Array, peak_mw: float) -> Array:
        """Return which ramps lift a metered mean above a peak, by their price.

        Parameters
        ----------
        power_mw : ndarray
            Mean import on each interval. Shape (n,). [MW]
        peak_mw : float
            The peak. [MW]

        Returns
        -------
        ndarray
            Price of ramp energy at the start of each interval that stands in such a mean, else 0.
            Shape (n,). [currency/MWh]
        """
        prices = np.zeros(len(power_mw))
        means, ramped = self._means(power_mw)
        above = (ramped > means) & (ramped > peak_mw + PEAK_TOLERANCE_MW)
        lifted = above[self.ramp_period]
        np.maximum.at(prices, self.ramp_position[lifted], self.per_mw * self.ramp_per_h[lifted])
        return prices

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the full charge of the billing period (see `Term.cost`)."""
        return self.per_mw * max(self.floor_mw, self.peak_mw(power_mw))

    def sunk(self) -> float:
        """Return the charge of the floor. [currency]."""
        return self.per_mw * self.floor_mw

    def exact(self, prefix: str, power_mw: Array) -> dict[str, Array]:
        """Return the billed peak (see `Term.exact`)."""
        return {f"{prefix}_peak": np.array([max(self.floor_mw, self.peak_mw(power_mw))])}

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return a peak variable above every metered mean (see `Term.declare`)."""
        key = f"{prefix}_peak"
        periods = int(self.period.max()) + 1 if len(self.period) else 0
        each = np.arange(periods)
        first = np.zeros(periods, dtype=np.int64)
        first[self.period[::-1]] = self.position[::-1]
        peak = Variable(
            key,
            "MW",
            np.array([self.floor_mw]),
            # Not infinite: planes below a look-ahead's cost may fall with the peak for ever.
            np.array([max(LARGEST_PEAK_MW, self.floor_mw)]),
            labels=(self.name,),
            meaning=f"billed peak of {self.name}",
        )
        above = Rows(
            f"{prefix}_above",
            "MW",
            (
                Entry(key, each, np.zeros(periods, dtype=np.int64), np.ones(periods)),
                Entry(meter, self.period, self.position, -self.weight),
            ),
            np.zeros(periods),
            np.full(periods, np.inf),
            intervals=first,
            breakable=False,
            meaning=f"the billed peak of {self.name} is at least every metered mean",
        )
        cost = Cost(prefix, self.group, key, np.array([self.per_mw]), constant=-self.sunk())
        return Declaration(variables=(peak,), rows=(above,), costs=(cost,))

    def declare_ramps(self, horizon: Horizon, prefix: str, meter: str, ramps: RampResults) -> Declaration:
        """Return the peak above every metered mean with ramps (see `Term.declare_ramps`)."""
        if not len(self.ramp_period) or not ramps.keys:
            return Declaration()
        periods, rows = np.unique(self.ramp_period, return_inverse=True)
        each = np.arange(len(periods))
        kept = np.isin(self.period, periods)
        first = np.zeros(len(periods), dtype=np.int64)
        first[rows[::-1]] = self.ramp_position[::-1]
        above = Rows(
            f"{prefix}_above_ramps",
            "MW",
            (
                Entry(f"{prefix}_peak", each, np.zeros(len(periods), dtype=np.int64), np.ones(len(periods))),
                Entry(
                    meter,
                    np.searchsorted(periods, self.period[kept]),
                    self.position[kept],
                    -self.weight[kept],
                ),
                *(Entry(name, rows, self.ramp_position, -self.ramp_per_h) for name in ramps.keys),
            ),
            np.zeros(len(periods)),
            np.full(len(periods), np.inf),
            intervals=first,
            breakable=False,
            meaning=f"the billed peak of {self.name} is at least every metered mean, ramps included",
        )
        return Declaration(rows=(above,))


@dataclass(frozen=True)
class Fixed(Term):
    """Money that the load cannot change.

    Parameters
    ----------
    name : str
        Name of the term, lower case with underscores. [-]
    amount : float
        Amount. [currency]
    group : str
        Cost group. [-]
    """

    name: str
    amount: float
    group: str = "other"

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the amount (see `Term.cost`)."""
        return self.amount

    def sunk(self) -> float:
        """Return the amount. [currency]."""
        return self.amount

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return nothing: the load cannot change it (see `Term.declare`)."""
        return Declaration()
