"""What every contract component is: it bills a profile, and it states its terms.

Owns the interface, the register of kinds, and the contract as a list of components. The primitives in
which terms are stated stand in `term`, `primitives` and `cliff`. A new kind is a frozen dataclass with the
decorator `component_kind`; nothing else has to be edited.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any, ClassVar, TypeVar

import numpy as np

from models.checks import Rule, between, check
from models.contract.state import Carried
from models.contract.term import Term
from models.horizon import Array, Horizon
from models.pieces import Declaration, Ramp
from models.ramping import RampResults, declare_ramps
from models.situation import Situation

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

    def remarks(self, profile: Profile, situation: Situation) -> tuple[str, ...]:
        """Return where a metered profile goes beyond the contract, in words; it is billed all the same.

        Parameters
        ----------
        profile : Profile
            Metered load. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]

        Returns
        -------
        tuple of str
            Sentences; none where all agrees. [-]
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

    @property
    def cycle(self) -> tuple[str, int, int] | None:
        """Period of the charge ('month' or 'year'), first day, a year's first month; None if any. [-]."""
        return None

    @property
    def restates(self) -> bool:
        """Whether a bill states a period so far anew, as for a peak, in place of adding to it. [-]."""
        return False

    def beside(self, components: tuple[Component, ...]) -> Component:
        """Return the component that knows the others of its contract.

        Parameters
        ----------
        components : tuple of Component
            All components of the contract. [-]

        Returns
        -------
        Component
            The component itself where it charges by nothing of the others. [-]
        """
        return self

    def misfits(self, components: tuple[Component, ...]) -> tuple[tuple[str, str], ...]:
        """Return what of the component does not fit the others of its contract.

        Parameters
        ----------
        components : tuple of Component
            All components of the contract. [-]

        Returns
        -------
        tuple of (str, str)
            Key and sentence for each problem. [-]
        """
        return ()

    def charged(self, profile: Profile, situation: Situation) -> tuple[Carried, ...]:
        """Return the money that a profile adds to the component's state.

        Parameters
        ----------
        profile : Profile
            Metered load. [-]
        situation : Situation
            Prices, and the state of the billing periods before the profile. [-]

        Returns
        -------
        tuple of Carried
            One for each billing period; none for a component that looks at no charges. [-]
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
        misfits = [
            f"component '{part.name}': {text}"
            for part in self.components
            for _, text in part.misfits(self.components)
        ]
        if misfits:
            raise ValueError("; ".join(misfits))
        # What charges by the sum of others is handed them here, and so follows every change of the contract.
        bound = tuple(part.beside(self.components) for part in self.components)
        object.__setattr__(self, "components", bound)

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
            The same with peaks, totals and charges so far carried on; targets, expectations and cases as they
            were. [-]
        """
        return carried_on(self.components, profile, situation)

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

    def remarks(self, profile: Profile, situation: Situation) -> tuple[str, ...]:
        """Return where a metered profile goes beyond the contract, in words.

        Parameters
        ----------
        profile : Profile
            Metered load. [-]
        situation : Situation
            Prices, and the state of the billing periods. [-]

        Returns
        -------
        tuple of str
            Sentences. [-]
        """
        return tuple(text for part in self.components for text in part.remarks(profile, situation))


def carried_on(components: Iterable[Component], profile: Profile, situation: Situation) -> Situation:
    """Return the situation with the state of some components after a metered profile.

    Parameters
    ----------
    components : iterable of Component
        The components. [-]
    profile : Profile
        What was metered since. [-]
    situation : Situation
        Holds the state before it. [-]

    Returns
    -------
    Situation
        The same with peaks, totals and charges so far carried on. [-]
    """
    state = situation.state
    peaks, energy, charged = dict(situation.peaks_mw), dict(state.energy_mwh), dict(state.charged)
    for part in components:
        for found in (*part.carried(profile), *part.charged(profile, situation)):
            key = (part.name, found.period)
            if found.peak is not None:
                peaks[key] = max(peaks.get(key, 0.0), found.peak)
            if found.energy_mwh is not None:
                energy[key] = energy.get(key, 0.0) + found.energy_mwh
            if found.charged is not None:
                charged[key] = charged.get(key, 0.0) + found.charged
    return replace(situation, peaks_mw=peaks, state=replace(state, energy_mwh=energy, charged=charged))


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
