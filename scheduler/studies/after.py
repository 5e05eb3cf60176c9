"""After the day: why the power bill differs from the plan's, and how much chlorine was made.

Owns the effects and their rounding, energy per tonne, and the three counts of chlorine with their
uncertainties. How plans, actuals and balances are written in files stands in `scheduler.read`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import combinations
from types import MappingProxyType

import numpy as np

from models.circuit import Circuit
from models.contract.component import Contract, Profile
from models.faraday import alkali_of, mass_ratio
from models.horizon import Array, Horizon
from models.site import Site
from models.situation import Situation

PRICES, LOADS, ENERGY, OTHER = "price", "volume", "efficiency", "other_load"
FACTORS = (PRICES, LOADS, ENERGY, OTHER)
"""What may differ from the plan: prices, loads, energy per kA, other load of the site."""
CENTS = 100

CURRENT_PERCENT = 0.5
"""Uncertainty (95 %) of a metered direct current: value from memory. [%]"""
EFFICIENCY_PERCENT = 1.0
"""Uncertainty (95 %) of a current efficiency from analyses: value from memory. [%]"""
SCALE_PERCENT = 0.5
"""Uncertainty (95 %) of a quantity sold or used, by scales or meters: value from memory. [%]"""
LEVEL_PERCENT = 1.0
"""Uncertainty (95 %) of a stock by its level, strength included: value from memory. [%]"""
RATIO_PERCENT = 1.0
"""Uncertainty (95 %) of chlorine per alkali: their losses of current differ: value from memory. [%]"""


def shapley(factors: Sequence[str], cost: Callable[[frozenset[str]], float]) -> dict[str, Fraction]:
    """Return the effect of each factor: the mean over all orders in which they can change.

    Parameters
    ----------
    factors : sequence of str
        Names of the factors. Length n, small: the cost is asked 2^n times. [-]
    cost : callable
        Cost with these factors as they were, the others as planned. [currency]

    Returns
    -------
    dict
        Effects, as exact fractions of the binary numbers that `cost` gave; their sum is exactly
        the cost with all factors less that with none. [currency]

    Notes
    -----
    effect_i = sum over sets S without i of |S|! (n - |S| - 1)! / n! [cost(S + i) - cost(S)]: Shapley's value
    (L. S. Shapley, A value for n-person games, 1953; from memory). A factor that changes nothing gets 0.
    """
    n = len(factors)
    known = {
        frozenset(some): Fraction(cost(frozenset(some)))
        for size in range(n + 1)
        for some in combinations(factors, size)
    }
    return {
        factor: sum(
            (
                Fraction(math.factorial(len(some)) * math.factorial(n - len(some) - 1), math.factorial(n))
                * (value_with - known[some])
                for some, value_with in (
                    (others, known[others | {factor}]) for others in known if factor not in others
                )
            ),
            Fraction(0),
        )
        for factor in factors
    }


def in_cents(effects: Mapping[str, Fraction], total: int) -> dict[str, int]:
    """Return effects rounded to cents such that they add up to a total.

    Each is rounded to the nearest cent; what is then missing goes, cent by cent, to those that were rounded
    furthest the other way (largest remainder). An effect of exactly 0 stays 0 while another is not.

    Parameters
    ----------
    effects : mapping
        Effects. [currency]
    total : int
        What they must add up to. [cent]

    Returns
    -------
    dict
        Rounded effects. [cent]

    Raises
    ------
    ValueError
        If the effects do not add up to the total but for rounding.
    """
    exact = {name: value * CENTS for name, value in effects.items()}
    rounded = {name: round(value) for name, value in exact.items()}
    missing = total - sum(rounded.values())
    moving = [name for name, value in exact.items() if value]
    if abs(missing) > len(moving):
        raise ValueError(f"effects of {float(sum(exact.values())):.3f} cents cannot add up to {total}")
    step = 1 if missing > 0 else -1
    moving.sort(key=lambda name: step * (exact[name] - rounded[name]), reverse=True)
    for name in moving[: abs(missing)]:
        rounded[name] += step
    return rounded


@dataclass(frozen=True, eq=False)
class Side:
    """The plan, or what came of it: what the power bill follows from.

    Parameters
    ----------
    situation : Situation
        Prices. [-]
    load_ka : mapping
        Load by circuit. Each shape (n,). [kA]
    model_mw : mapping
        AC power before the rectifiers by the model at these loads. Each shape (n,). [MW]
    auxiliary_mw : mapping
        Auxiliaries of the circuit by the model at these loads. Each shape (n,). [MW]
    chlorine_t_per_h : mapping
        Chlorine by the model (Faraday's law and current efficiency). Each shape (n,). [t/h]
    factor : mapping
        Metered AC power over that of the model; 1 for the plan and where the model draws nothing. Each
        shape (n,). [-]
    other_mw : ndarray
        Import less all of that. Shape (n,). [MW]
    made_per_h : mapping
        What circuits make by the model, by commodity, for contracts that pay for it. Each shape (n,).
        [unit of the commodity]
    """

    situation: Situation
    load_ka: Mapping[str, Array]
    model_mw: Mapping[str, Array]
    auxiliary_mw: Mapping[str, Array]
    chlorine_t_per_h: Mapping[str, Array]
    factor: Mapping[str, Array]
    other_mw: Array
    made_per_h: Mapping[str, Array] = field(default_factory=dict)

    def ac_mw(self, circuit: str) -> Array:
        """Return the AC power of a circuit's rectifiers.

        Parameters
        ----------
        circuit : str
            Circuit. [-]

        Returns
        -------
        ndarray
            Shape (n,). [MW]
        """
        return self.model_mw[circuit] * self.factor[circuit]

    def import_mw(self) -> Array:
        """Return the import of the site. Shape (n,). [MW]."""
        return _import(self, self, self)


def _import(loads: Side, energy: Side, other: Side) -> Array:
    power = other.other_mw
    for name, model in loads.model_mw.items():
        power = power + model * energy.factor[name] + loads.auxiliary_mw[name]
    return power


def side(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    load_ka: Mapping[str, Array],
    import_mw: Array,
    ac_mw: Mapping[str, Array] | None = None,
) -> Side:
    """Return the plan or the actual day as loads, energy per kA and other load.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        Prices and availability. [-]
    load_ka : mapping
        Load by circuit. Each shape (n,). [kA]
    import_mw : ndarray
        Import of the site. Shape (n,). [MW]
    ac_mw : mapping, optional
        Metered AC power before the rectifiers by circuit; that of the model unless given. [MW]

    Returns
    -------
    Side
        What the bill follows from. [-]

    Notes
    -----
    import = sum over circuits of model(load) factor + auxiliaries(load) + other. What circuits draw where the
    model gives them no power, because they stand, is part of the other load.
    """
    model, auxiliary, chlorine, factor = {}, {}, {}, {}
    made: dict[str, Array] = {}
    for unit in site.units:
        if not isinstance(unit, Circuit):
            continue
        simulated = unit.simulate(horizon, situation, {unit.key("load"): load_ka[unit.name]})
        ac = simulated.readings["ac_power_mw"]
        model[unit.name] = ac
        auxiliary[unit.name] = -simulated.flows["power"] - ac
        chlorine[unit.name] = simulated.readings["chlorine_t_per_h"]
        for commodity, flow in simulated.flows.items():
            made[commodity] = made.get(commodity, np.zeros(len(horizon))) + np.maximum(flow, 0.0)
        factor[unit.name] = np.ones(len(horizon))
        if ac_mw is not None:
            factor[unit.name] = np.divide(ac_mw[unit.name], ac, out=np.ones(len(horizon)), where=ac > 0)
    drawn: Array = np.sum([model[name] * factor[name] + auxiliary[name] for name in model], axis=0)
    return Side(situation, load_ka, model, auxiliary, chlorine, factor, import_mw - drawn, made)


@dataclass(frozen=True, eq=False)
class Effects:
    """Why the power bill differs from the plan's.

    Parameters
    ----------
    plan, actual : float
        Bill of the planned and of the actual day, not rounded. [currency]
    exact : mapping
        Effect of each factor; their sum is exactly actual less plan. [currency]
    cents : mapping
        The same in cents; their sum is the difference of the rounded bills. [cent]
    """

    plan: float
    actual: float
    exact: Mapping[str, Fraction]
    cents: Mapping[str, int]

    @property
    def plan_cents(self) -> int:
        """Planned bill. [cent]."""
        return round(Fraction(self.plan) * CENTS)

    @property
    def actual_cents(self) -> int:
        """Actual bill. [cent]."""
        return round(Fraction(self.actual) * CENTS)


def effects(contract: Contract, horizon: Horizon, plan: Side, actual: Side) -> Effects:
    """Return the price, volume and efficiency effects and that of the other load.

    Parameters
    ----------
    contract : Contract
        What is billed. [-]
    horizon : Horizon
        The intervals. [-]
    plan, actual : Side
        The two days. [-]

    Returns
    -------
    Effects
        Each effect from bills of its own; none is a remainder. [-]

    Raises
    ------
    ValueError
        If a component bills what a profile of loads does not tell.
    """

    def cost(changed: frozenset[str]) -> float:
        prices, loads, energy, other = (actual if factor in changed else plan for factor in FACTORS)
        profile = Profile(horizon, _import(loads, energy, other), made_per_h=loads.made_per_h)
        return math.fsum(line.amount for line in contract.bill(profile, prices.situation))

    exact = shapley(FACTORS, cost)
    before, after = cost(frozenset()), cost(frozenset(FACTORS))
    total = round(Fraction(after) * CENTS) - round(Fraction(before) * CENTS)
    return Effects(before, after, MappingProxyType(exact), MappingProxyType(in_cents(exact, total)))


@dataclass(frozen=True)
class EnergyPerTonne:
    """AC energy before the rectifiers per tonne of chlorine of a circuit.

    Parameters
    ----------
    circuit : str
        Circuit. [-]
    chlorine_t : float
        Chlorine by kAh on the actual day. [t]
    planned, model, actual : float or None
        At planned loads, by the model at actual loads, metered at actual loads; None without chlorine.
        [kWh/t]
    """

    circuit: str
    chlorine_t: float
    planned: float | None
    model: float | None
    actual: float | None


def energy_per_tonne(horizon: Horizon, plan: Side, actual: Side) -> tuple[EnergyPerTonne, ...]:
    """Return the AC energy per tonne of each circuit, tonnes by kAh.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    plan, actual : Side
        The two days. [-]

    Returns
    -------
    tuple of EnergyPerTonne
        In the order of the site. [-]
    """
    hours = horizon.hours

    def per_t(mwh: float, tonnes: float) -> float | None:
        return 1000.0 * mwh / tonnes if tonnes > 0 else None

    found = []
    for name in actual.load_ka:
        planned_t = float(np.dot(hours, plan.chlorine_t_per_h[name]))
        made_t = float(np.dot(hours, actual.chlorine_t_per_h[name]))
        found.append(
            EnergyPerTonne(
                name,
                made_t,
                per_t(float(np.dot(hours, plan.ac_mw(name))), planned_t),
                per_t(float(np.dot(hours, actual.model_mw[name])), made_t),
                per_t(float(np.dot(hours, actual.ac_mw(name))), made_t),
            )
        )
    return tuple(found)


@dataclass(frozen=True)
class BalanceItem:
    """A quantity that left production, or went into a stock.

    Parameters
    ----------
    species : str
        'Cl2', 'NaOH' or 'KOH'. [-]
    item : str
        What it is, in words. [-]
    quantity_t : float
        Sold or used; for a stock its rise, negative if it fell. [t, dry]
    uncertainty_t : float
        Half width of its 95 % interval, 0 or more. [t]
    from_memory : bool
        Whether the uncertainty follows from a default of this module. [-]
    """

    species: str
    item: str
    quantity_t: float
    uncertainty_t: float
    from_memory: bool


def sold(species: str, item: str, quantity_t: float, percent: float | None = None) -> BalanceItem:
    """Return a quantity that was sold or used.

    Parameters
    ----------
    species : str
        'Cl2', 'NaOH' or 'KOH'. [-]
    item : str
        What it is. [-]
    quantity_t : float
        Quantity. [t, dry]
    percent : float, optional
        Uncertainty (95 %) of the quantity; `SCALE_PERCENT` unless given. [%]

    Returns
    -------
    BalanceItem
        The item. [-]
    """
    share = SCALE_PERCENT if percent is None else percent
    return BalanceItem(species, item, quantity_t, abs(quantity_t) * share / 100.0, percent is None)


def stock_change(
    species: str, item: str, start_t: float, end_t: float, percent: float | None = None
) -> BalanceItem:
    """Return the rise of a stock between two gaugings whose errors are independent.

    Parameters
    ----------
    species : str
        'Cl2', 'NaOH' or 'KOH'. [-]
    item : str
        What it is. [-]
    start_t, end_t : float
        Stock before and after, 0 or more. [t, dry]
    percent : float, optional
        Uncertainty (95 %) of one gauging; `LEVEL_PERCENT` unless given. [%]

    Returns
    -------
    BalanceItem
        The item. [-]
    """
    share = (LEVEL_PERCENT if percent is None else percent) / 100.0
    return BalanceItem(species, item, end_t - start_t, share * math.hypot(start_t, end_t), percent is None)


@dataclass(frozen=True)
class Count:
    """Chlorine of the day by one way of counting.

    Parameters
    ----------
    way : str
        'kah', 'sales' or 'alkali'. [-]
    chlorine_t : float
        Chlorine made. [t]
    uncertainty_t : float
        Half width of its 95 % interval. [t]
    from_memory : bool
        Whether an uncertainty in it is a default of this module. [-]
    """

    way: str
    chlorine_t: float
    uncertainty_t: float
    from_memory: bool


@dataclass(frozen=True)
class Discrepancy:
    """How far two counts are apart.

    Parameters
    ----------
    first, second : str
        Ways of counting. [-]
    difference_t : float
        First less second. [t]
    uncertainty_t : float
        Half width of its 95 % interval. [t]
    """

    first: str
    second: str
    difference_t: float
    uncertainty_t: float

    @property
    def within(self) -> bool:
        """Whether the uncertainties explain the difference. [-]."""
        return abs(self.difference_t) <= self.uncertainty_t


KAH, SALES, ALKALI = "kah", "sales", "alkali"


def chlorine_counts(
    site: Site,
    horizon: Horizon,
    actual: Side,
    items: Sequence[BalanceItem],
    current_percent: float | None = None,
    efficiency_percent: float | None = None,
) -> tuple[tuple[Count, ...], tuple[str, ...]]:
    """Return chlorine by kAh, by sales plus stock change, and by alkali, each as it is.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The intervals. [-]
    actual : Side
        The actual day. [-]
    items : sequence of BalanceItem
        Sales, uses and stocks; none gives the count by kAh alone. [-]
    current_percent, efficiency_percent : float, optional
        Uncertainties (95 %) of current and current efficiency of a circuit; defaults of this module
        unless given. [%]

    Returns
    -------
    tuple of (tuple of Count, tuple of str)
        The counts that can be made, and why others cannot. [-]

    Notes
    -----
    Uncertainties of parts that are measured apart add as squares (JCGM 100:2008, clause 5.1), 95 % taken as
    twice the standard uncertainty. Circuits count as measured apart. By alkali: NaOH and KOH over their
    masses per chlorine of Faraday's law.
    """
    hours = horizon.hours
    share = math.hypot(
        CURRENT_PERCENT if current_percent is None else current_percent,
        EFFICIENCY_PERCENT if efficiency_percent is None else efficiency_percent,
    )
    parts = {name: float(np.dot(hours, rate)) for name, rate in actual.chlorine_t_per_h.items()}
    counts = [
        Count(
            KAH,
            math.fsum(parts.values()),
            math.hypot(*parts.values()) * share / 100.0,
            current_percent is None or efficiency_percent is None,
        )
    ]
    notes = []
    chlorine = [item for item in items if item.species == "Cl2"]
    if chlorine:
        counts.append(
            Count(
                SALES,
                math.fsum(item.quantity_t for item in chlorine),
                math.hypot(*(item.uncertainty_t for item in chlorine)),
                any(item.from_memory for item in chlorine),
            )
        )
    else:
        notes.append("no count by sales: the balance has no chlorine (species Cl2)")
    made = {
        alkali_of(unit.salt)
        for unit in site.units
        if isinstance(unit, Circuit) and parts.get(unit.name, 0.0) > 0
    }
    missing = sorted(made - {item.species for item in items})
    if missing:
        notes.append(f"no count by alkali: the balance has no {' and no '.join(missing)}, which was made")
    else:
        equal = [
            (item.quantity_t / mass_ratio(item.species), item.uncertainty_t / mass_ratio(item.species))
            for item in items
            if item.species != "Cl2"
        ]
        total = math.fsum(quantity for quantity, _ in equal)
        counts.append(
            Count(
                ALKALI,
                total,
                math.hypot(total * RATIO_PERCENT / 100.0, *(u for _, u in equal)),
                # The uncertainty of chlorine per alkali has no input of its own.
                True,
            )
        )
    return tuple(counts), tuple(notes)


def discrepancies(counts: Sequence[Count]) -> tuple[Discrepancy, ...]:
    """Return how far each two counts are apart, against their combined uncertainty.

    Parameters
    ----------
    counts : sequence of Count
        Counts of the same day. [-]

    Returns
    -------
    tuple of Discrepancy
        Each pair once. [-]
    """
    return tuple(
        Discrepancy(
            one.way,
            other.way,
            one.chlorine_t - other.chlorine_t,
            math.hypot(one.uncertainty_t, other.uncertainty_t),
        )
        for one, other in combinations(counts, 2)
    )
