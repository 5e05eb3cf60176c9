"""What every contract component is: it bills a profile, and it states its terms.

Owns the interface, the primitives in which terms are stated, the register of kinds, and the
contract as a list of components. A new kind is a frozen dataclass with the decorator
`component_kind`; nothing else has to be edited.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any, ClassVar, TypeVar

import numpy as np

from models.checks import Rule, between, check
from models.contract.state import Carried
from models.horizon import Array, Horizon, Integers
from models.pieces import Cost, Declaration, Entry, Ramp, Rows, Variable
from models.ramping import RampResults, declare_ramps
from models.situation import Situation

LARGEST_PEAK_MW = 1e5
"""Peak beyond which none is looked for. [MW]"""
PEAK_TOLERANCE_MW = 1e-7
"""How far a metered mean may stand above a peak by rounding. [MW]"""

_KEY_NAME = re.compile(r"[a-z][a-z0-9_]*")


def key_name() -> Rule:
    """Rule: the value can begin or end a key: lower case, digits and underscores, a letter first.

    Returns
    -------
    Rule
        The rule.
    """

    def rule(value: Any) -> str | None:
        good = isinstance(value, str) and _KEY_NAME.fullmatch(value) is not None
        return None if good else "must be lower case letters, digits and underscores, a letter first"

    return rule


@dataclass(frozen=True, eq=False)
class Profile:
    """A metered load profile: mean power on each interval.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    power_mw : ndarray
        Mean import on each interval, positive when drawing. Shape (n,). [MW]
    reactive_mvar : ndarray, optional
        Mean reactive power on each interval, positive when drawn as by an inductive load; None if it was
        not metered. Shape (n,). [Mvar]
    made_per_h : mapping
        What was made on each interval, by commodity. Each shape (n,). [t/h]
    ramp_mwh : ndarray, optional
        Energy that ramps at the start of each interval draw beyond it (see `models.ramping`); none unless
        given. Shape (n,). [MWh]
    """

    horizon: Horizon
    power_mw: Array
    reactive_mvar: Array | None = None
    made_per_h: Mapping[str, Array] = field(default_factory=dict)
    ramp_mwh: Array | None = None


@dataclass(frozen=True)
class BillLine:
    """One line of a bill.

    Parameters
    ----------
    component : str
        Name of the component. [-]
    label : str
        What is charged, in words. [-]
    quantity : float
        Quantity charged. [quantity_unit]
    quantity_unit : str
        'MWh', 'MW', 'MVA', 'Mvarh', 't', 'month', 'day'. [-]
    rate : float
        Price per unit of the quantity (for a line of many prices, the weighted mean). [currency/unit]
    amount : float
        Amount, not rounded. [currency]
    group : str
        'energy', 'demand' or 'other' (see `models.pieces.COST_GROUPS`). [-]
    formula : str
        How the amount follows from quantity and rate, in words. [-]
    """

    component: str
    label: str
    quantity: float
    quantity_unit: str
    rate: float
    amount: float
    group: str
    formula: str


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


@dataclass(frozen=True, eq=False)
class OutputRate:
    """Money for each tonne that the units of the site make of a commodity.

    Parameters
    ----------
    name : str
        Name of the rate, lower case with underscores. [-]
    commodity : str
        Commodity; what is made of it is the sum of all flows onto its bus from units that make it. [-]
    per_t : ndarray
        Money on each interval, negative for income. Shape (n,). [currency/t]
    group : str
        Cost group. [-]
    """

    name: str
    commodity: str
    per_t: Array
    group: str = "other"

    def cost(self, horizon: Horizon, made_per_h: Array) -> float:
        """Return the money for what was made.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        made_per_h : ndarray
            What was made. Shape (n,). [t/h]

        Returns
        -------
        float
            Sum over the intervals. [currency]
        """
        return float(np.sum(self.per_t * horizon.hours * made_per_h))


@dataclass(frozen=True, eq=False)
class Call:
    """A call for less or more load that a site is paid to answer at any hour.

    Parameters
    ----------
    component : str
        Name of the component. [-]
    case : str
        Case of the component in which the call is paid. [-]
    drop_mw : ndarray
        By how much the import must fall when called on an interval, negative where it must rise; 0 where
        there is no call. Shape (n,). [MW]
    notice_min : float
        Time from the call until the load must be down. [min]
    hours : float
        How long the load stays down. [h]
    fast : bool
        Whether circuits may be unloaded and loaded again faster than their usual rates of change. [-]
    """

    component: str
    case: str
    drop_mw: Array
    notice_min: float
    hours: float
    fast: bool = False


class Component(ABC):
    """A part of a supply contract.

    Subclasses are frozen dataclasses whose fields are the keys of their table in the contract. The
    first field is `name`, lower case with underscores.
    """

    name: str
    kind: ClassVar[str] = ""

    @abstractmethod
    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return what the component charges over a horizon, as primitives.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]

        Returns
        -------
        tuple of Term
            The terms. [-]
        """

    @abstractmethod
    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return the component's bill lines for a metered profile.

        The sum of the amounts equals the sum of `Term.cost` of `terms` for the same profile when no
        peak target is set; bill and terms are written apart so that a test can compare them.

        Parameters
        ----------
        profile : Profile
            Metered load. [-]
        situation : Situation
            Prices, and the state of the billing periods; targets are ignored. [-]

        Returns
        -------
        tuple of BillLine
            The lines, not rounded. [-]
        """

    def series_needed(self) -> tuple[str, ...]:
        """Return the names of the price series the component needs. [-]."""
        return ()

    def cases(self, horizon: Horizon, situation: Situation) -> tuple[str, ...]:
        """Return the sides of a cliff on which a plan may stand.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]

        Returns
        -------
        tuple of str
            Names of the cases; none for a component whose charge is convex in the load. A plan is made for
            each and the cheapest kept; `terms` reads the chosen one from `Situation.state`. [-]
        """
        return ()

    def carried(self, profile: Profile) -> tuple[Carried, ...]:
        """Return what a profile adds to the component's state.

        Parameters
        ----------
        profile : Profile
            Metered load. [-]

        Returns
        -------
        tuple of Carried
            One for each billing period; none for a component without state. [-]
        """
        return ()

    def output_rates(self, horizon: Horizon, situation: Situation) -> tuple[OutputRate, ...]:
        """Return what the component pays or charges for what is made, beside what is drawn.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]

        Returns
        -------
        tuple of OutputRate
            Rates on products. [-]
        """
        return ()

    def calls(self, horizon: Horizon, situation: Situation) -> tuple[Call, ...]:
        """Return the calls that the component is paid to answer.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]

        Returns
        -------
        tuple of Call
            The calls; none for a component that is not paid for any. [-]
        """
        return ()


@dataclass(frozen=True)
class Contract:
    """A supply contract: a list of components in one currency.

    Parameters
    ----------
    name : str
        Name for people. [-]
    currency : str
        ISO 4217 code. [-]
    components : tuple of Component
        The components; names are unique. [-]
    vat_percent : float
        Value-added tax on the sum of all lines, 0 to 100; 0 where it is reclaimed. Plans leave it out. [%]
    round_digits : int, optional
        Decimal places to which each line of a bill is rounded, half up; not rounded unless given. [-]
    """

    name: str
    currency: str
    components: tuple[Component, ...] = field(default_factory=tuple)
    vat_percent: float = 0.0
    round_digits: int | None = None

    def __post_init__(self) -> None:
        check(self, vat_percent=between(0, 100, "%"), round_digits=between(0, 6))
        names = [component.name for component in self.components]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"two components share a name: {', '.join(twice)}")

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[tuple[str, Term], ...]:
        """Return all terms, each with the start of its keys.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]

        Returns
        -------
        tuple of (str, Term)
            Prefix `{component}_{term}` and term. [-]
        """
        return tuple(
            (f"{component.name}_{term.name}", term)
            for component in self.components
            for term in component.terms(horizon, situation)
        )

    def choices(self, horizon: Horizon, situation: Situation) -> tuple[dict[str, str], ...]:
        """Return every combination of cases that is still to be chosen.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Prices, and the state of the billing periods; a component whose case it names has no choice. [-]

        Returns
        -------
        tuple of dict
            Case by component; one empty choice where there is nothing to choose. [-]

        Raises
        ------
        ValueError
            If the state names a case that its component does not have.
        """
        for part in self.components:
            named = situation.state.cases.get(part.name)
            known = () if named is None else part.cases(horizon, situation)
            if known and not any(named == case or {named} == set(case.split("+")) for case in known):
                raise ValueError(
                    f"the state of the bill names the case '{named}' of component '{part.name}', which has "
                    "only " + ", ".join(f"'{case}'" for case in known)
                )
        open_ = {
            part.name: found
            for part in self.components
            if part.name not in situation.state.cases and (found := part.cases(horizon, situation))
        }
        return tuple(dict(zip(open_, chosen, strict=True)) for chosen in product(*open_.values()))

    def after(self, profile: Profile, situation: Situation) -> Situation:
        """Return the situation with the state of the bill after a metered profile.

        Parameters
        ----------
        profile : Profile
            What was metered since. [-]
        situation : Situation
            Holds the state before it. [-]

        Returns
        -------
        Situation
            The same with peaks so far and totals so far carried on; targets, expectations and cases as they
            were. [-]
        """
        peaks, energy = dict(situation.peaks_mw), dict(situation.state.energy_mwh)
        for part in self.components:
            for found in part.carried(profile):
                key = (part.name, found.period)
                if found.peak is not None:
                    peaks[key] = max(peaks.get(key, 0.0), found.peak)
                if found.energy_mwh is not None:
                    energy[key] = energy.get(key, 0.0) + found.energy_mwh
        return replace(situation, peaks_mw=peaks, state=replace(situation.state, energy_mwh=energy))

    def output_rates(self, horizon: Horizon, situation: Situation) -> tuple[tuple[str, OutputRate], ...]:
        """Return all rates on products, each with the start of its keys.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]

        Returns
        -------
        tuple of (str, OutputRate)
            Prefix `{component}_{rate}` and rate. [-]
        """
        return tuple(
            (f"{part.name}_{rate.name}", rate)
            for part in self.components
            for rate in part.output_rates(horizon, situation)
        )

    def declare(self, horizon: Horizon, situation: Situation, meter: str) -> Declaration:
        """Return all terms as linear records on the metered power.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]
        meter : str
            Key of the metered import. [-]

        Returns
        -------
        Declaration
            The records. [-]
        """
        return Declaration.merged(
            term.declare(horizon, prefix, meter) for prefix, term in self.terms(horizon, situation)
        )

    def declare_ramps(
        self, horizon: Horizon, situation: Situation, meter: str, ramps: tuple[Ramp, ...]
    ) -> tuple[Declaration, RampResults]:
        """Return what the terms ask of ramps as records: nothing where no term counts them.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]
        meter : str
            Key of the metered import. [-]
        ramps : tuple of Ramp
            How setpoints travel after a change. [-]

        Returns
        -------
        tuple of (Declaration, RampResults)
            Records beside those of `declare`, and the keys of the ramps' energies. [-]
        """
        terms = self.terms(horizon, situation)
        asked = np.zeros(len(horizon), dtype=bool)
        for _, term in terms:
            asked |= term.ramp_prices(horizon) > 0
        # What is not yet decided in steps of hours has no ramps worth telling.
        asked[horizon.plan_intervals :] = False
        travelling, results = declare_ramps(ramps, horizon, asked)
        rows = [term.declare_ramps(horizon, prefix, meter, results) for prefix, term in terms]
        return Declaration.merged((travelling, *rows)), results

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return the bill of a profile, line by line.

        Parameters
        ----------
        profile : Profile
            Metered load. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]

        Returns
        -------
        tuple of BillLine
            The lines, not rounded. [-]
        """
        return tuple(line for component in self.components for line in component.bill(profile, situation))


COMPONENT_KINDS: dict[str, type[Component]] = {}
"""Kinds a contract may name, in order of registration."""

ComponentType = TypeVar("ComponentType", bound=type[Component])


def component_kind(kind: str) -> Callable[[ComponentType], ComponentType]:
    """Return a decorator that registers a class of components under the name used in contracts.

    Parameters
    ----------
    kind : str
        Name of the kind, lower case with underscores. [-]

    Returns
    -------
    callable
        The decorator. [-]

    Raises
    ------
    ValueError
        If another class has the name already.
    """

    def register(cls: ComponentType) -> ComponentType:
        known = COMPONENT_KINDS.get(kind)
        if known is not None and known.__qualname__ != cls.__qualname__:
            raise ValueError(f"the component kind '{kind}' is already taken by {known.__name__}")
        cls.kind = kind
        COMPONENT_KINDS[kind] = cls
        return cls

    return register
