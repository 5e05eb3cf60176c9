"""The figures of a plan that its outputs share: circuits, stocks, energy, peaks, savings.

Owns every sum and mean that a report shows, over the plan day and over the horizon. Wording, names of
outputs and layout are elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.horizon import Array, Integers, Mask
from models.order import Lot
from models.pieces import Stock, Variable
from scheduler.result import Comparison, Plan, Status

POWER_GROUPS = ("energy", "demand")
"""Cost groups that are the power cost."""
RATE_TOLERANCE_T_PER_H = 1e-4
"""Rate up to which nothing is loaded. [t/h]"""


def on_horizon(plan: Plan, variable: Variable) -> Array:
    """Return a variable on every interval, 0 outside the intervals on which it lives.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    variable : Variable
        An interval variable of the declaration. [-]

    Returns
    -------
    ndarray
        Values. Shape (n,). [unit of the variable]

    Raises
    ------
    ValueError
        If the variable is labelled, so it does not live on intervals.
    """
    if variable.intervals is None:
        raise ValueError(f"'{variable.key}' does not live on intervals")
    values = np.zeros(len(plan.horizon))
    values[variable.intervals] = plan.audit.values[variable.key]
    return values


def owner(plan: Plan, key: str) -> str | None:
    """Return the unit to which a key `{unit}_{piece}` belongs.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    key : str
        Key of a record. [-]

    Returns
    -------
    str or None
        Longest name of a unit with which the key starts; None if it belongs to the contract. [-]
    """
    return plan.site.owner_of(key) or None


def plan_mask(plan: Plan) -> Mask:
    """Return which intervals belong to the plan day.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    ndarray of bool
        True on the plan day. Shape (n,). [-]
    """
    return np.arange(len(plan.horizon)) < plan.horizon.plan_intervals


def plan_day_end_min(plan: Plan) -> int:
    """Return the end of the plan day.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    int
        Minute since 1970-01-01T00:00Z. [min]
    """
    last = plan.horizon.plan_intervals - 1
    return int(plan.horizon.starts_min[last] + plan.horizon.lengths_min[last])


def circuit_names(plan: Plan) -> tuple[str, ...]:
    """Return the circuits of the site: the units whose simulation reads a DC power.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of str
        Names in the order of the site. [-]
    """
    return tuple(
        unit.name
        for unit in plan.site.units
        if unit.name in plan.audit.simulations and "dc_power_mw" in plan.audit.simulations[unit.name].readings
    )


def load_variable(plan: Plan, circuit: str) -> Variable:
    """Return the load of a circuit: its first interval variable in kA.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    circuit : str
        Name of the circuit. [-]

    Returns
    -------
    Variable
        The record. [-]

    Raises
    ------
    ValueError
        If the circuit declares none.
    """
    for variable in plan.declaration.variables:
        if variable.unit == "kA" and variable.intervals is not None and owner(plan, variable.key) == circuit:
            return variable
    raise ValueError(f"the circuit '{circuit}' declares no load in kA")


TOUCHING = 1e-4
"""Share of a stock's range within which a level counts as touching its limit."""


@dataclass(frozen=True)
class CircuitFigures:
    """What a circuit does over a span of intervals.

    Parameters
    ----------
    name : str
        Name of the circuit. [-]
    load_min_ka, load_mean_ka, load_max_ka : float
        Least, time-weighted mean and highest load. [kA]
    chlorine_t : float
        Chlorine made, as Cl2. [t]
    alkali_t : float
        Alkali made, dry NaOH or KOH. [t]
    hydrogen_kg : float
        Hydrogen made. [kg]
    dc_mwh, ac_mwh : float
        Energy behind and before the rectifier, auxiliaries left out. [MWh]
    """

    name: str
    load_min_ka: float
    load_mean_ka: float
    load_max_ka: float
    chlorine_t: float
    alkali_t: float
    hydrogen_kg: float
    dc_mwh: float
    ac_mwh: float

    @property
    def dc_kwh_per_t(self) -> float | None:
        """DC energy per tonne of chlorine; None without production. [kWh/t]."""
        return self.dc_mwh / self.chlorine_t * 1000.0 if self.chlorine_t > 0 else None

    @property
    def ac_kwh_per_t(self) -> float | None:
        """AC energy per tonne of chlorine, auxiliaries left out; None without production. [kWh/t]."""
        return self.ac_mwh / self.chlorine_t * 1000.0 if self.chlorine_t > 0 else None


def circuit_figures(plan: Plan, span: Mask) -> tuple[CircuitFigures, ...]:
    """Return the figures of every circuit over a span.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    span : ndarray of bool
        Intervals that count. Shape (n,). [-]

    Returns
    -------
    tuple of CircuitFigures
        One per circuit, in the order of the site. [-]
    """
    hours = plan.horizon.hours[span]
    figures = []
    for name in circuit_names(plan):
        readings = plan.audit.simulations[name].readings
        load = on_horizon(plan, load_variable(plan, name))[span]
        total = {
            reading: float(np.sum(readings[reading][span] * hours))
            for reading in (
                "chlorine_t_per_h",
                "alkali_t_per_h",
                "hydrogen_kg_per_h",
                "dc_power_mw",
                "ac_power_mw",
            )
        }
        figures.append(
            CircuitFigures(
                name,
                float(load.min()),
                float(np.sum(load * hours) / np.sum(hours)),
                float(load.max()),
                total["chlorine_t_per_h"],
                total["alkali_t_per_h"],
                total["hydrogen_kg_per_h"],
                total["dc_power_mw"],
                total["ac_power_mw"],
            )
        )
    return tuple(figures)


@dataclass(frozen=True)
class StockFigures:
    """How a stock moves over the horizon; levels stand at the start and at the end of each interval.

    Parameters
    ----------
    key : str
        Key of the level. [-]
    unit : str
        Unit of the level. [-]
    meaning : str
        What is stored. [-]
    start, plan_day_end, end : float
        Level at the start of the horizon, at the end of the plan day, at the end of the horizon. [unit]
    least, most : float
        Least and highest level, the start included. [unit]
    least_at_min, most_at_min : int
        When they are reached first, since 1970-01-01T00:00Z. [min]
    lower, upper : float
        Lowest lower and highest upper limit over the horizon; may be infinite. [unit]
    end_lower : float
        Lower limit at the end of the horizon. [unit]
    """

    key: str
    unit: str
    meaning: str
    start: float
    plan_day_end: float
    end: float
    least: float
    most: float
    least_at_min: int
    most_at_min: int
    lower: float
    upper: float
    end_lower: float


def stock_figures(plan: Plan) -> tuple[StockFigures, ...]:
    """Return the figures of every stock, in order of declaration.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of StockFigures
        One per stock. [-]
    """
    return tuple(_stock(plan, stock) for stock in plan.declaration.stocks)


def _stock(plan: Plan, stock: Stock) -> StockFigures:
    levels = np.concatenate([[stock.initial], plan.audit.values[stock.key]])
    edges = edges_min(plan)
    least, most = int(np.argmin(levels)), int(np.argmax(levels))
    return StockFigures(
        stock.key,
        stock.unit,
        stock.meaning,
        float(levels[0]),
        float(levels[plan.horizon.plan_intervals]),
        float(levels[-1]),
        float(levels[least]),
        float(levels[most]),
        int(edges[least]),
        int(edges[most]),
        float(np.min(stock.lower)),
        float(np.max(stock.upper)),
        float(stock.lower[-1]),
    )


@dataclass(frozen=True)
class TouchedLimit:
    """A limit of a stock that the plan goes up or down to.

    Parameters
    ----------
    key : str
        Key of the level. [-]
    side : str
        'upper' or 'lower'. [-]
    limit : float
        The limit, its margin taken off. [unit]
    unit : str
        Unit of the level. [-]
    interval : int
        First interval at whose end it is touched. [-]
    """

    key: str
    side: str
    limit: float
    unit: str
    interval: int


def touched_limits(plan: Plan) -> tuple[TouchedLimit, ...]:
    """Return the planning limits that stocks touch; an end stock that is just reached is none.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of TouchedLimit
        In order of declaration, at most one per stock and side. [-]
    """
    found = []
    for stock in plan.declaration.stocks:
        level = plan.audit.values[stock.key]
        room = TOUCHING * np.maximum(stock.upper - stock.lower, 0.0)
        lower = np.where(stock.lower > np.min(stock.lower), -np.inf, stock.lower)
        if stock.initial == 0.0:
            # What starts with nothing, as wagons to be loaded, is not planned down to it.
            lower = np.where(lower == 0.0, -np.inf, lower)
        for side, limit, gap in (
            ("upper", stock.upper, stock.upper - level),
            ("lower", lower, level - lower),
        ):
            at = np.flatnonzero(np.isfinite(limit) & (gap <= np.where(np.isfinite(room), room, TOUCHING)))
            if at.size:
                t = int(at[0])
                found.append(TouchedLimit(stock.key, side, float(limit[t]), stock.unit, t))
    return tuple(found)


def edges_min(plan: Plan) -> Array:
    """Return the borders of the intervals: every start and the end of the horizon.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    ndarray
        Instants since 1970-01-01T00:00Z. Shape (n + 1,). [min]
    """
    return np.append(plan.horizon.starts_min, plan.horizon.end_min).astype(np.float64)


@dataclass(frozen=True)
class EnergyFigures:
    """Metered import over a span and what its energy costs.

    Parameters
    ----------
    energy_mwh : float
        Metered import. [MWh]
    mean_mw, max_mw : float
        Time-weighted mean and highest interval mean. [MW]
    max_at_min : int
        Start of the first interval with the highest mean, since 1970-01-01T00:00Z. [min]
    cost : float
        Energy at the energy rates of the contract. [currency]
    time_mean_price_per_mwh : float
        Mean of the energy price over time, whatever the load. [currency/MWh]
    """

    energy_mwh: float
    mean_mw: float
    max_mw: float
    max_at_min: int
    cost: float
    time_mean_price_per_mwh: float

    @property
    def price_per_mwh(self) -> float | None:
        """Average price paid: energy rates weighted with the import; None without import. [currency/MWh]."""
        return self.cost / self.energy_mwh if self.energy_mwh > 0 else None


def energy_figures(plan: Plan, span: Mask) -> EnergyFigures:
    """Return the metered import over a span.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    span : ndarray of bool
        Intervals that count. Shape (n,). [-]

    Returns
    -------
    EnergyFigures
        Energy, peak and price. [-]
    """
    hours, price = plan.horizon.hours[span], plan.energy_price_per_mwh[span]
    power = plan.audit.values[plan.site.meter][span]
    energy = float(np.sum(power * hours))
    highest = int(np.argmax(power))
    return EnergyFigures(
        energy,
        energy / float(np.sum(hours)),
        float(power[highest]),
        int(plan.horizon.starts_min[span][highest]),
        float(np.sum(power * hours * price)),
        float(np.sum(price * hours) / np.sum(hours)),
    )


@dataclass(frozen=True)
class BilledPeak:
    """A peak that a demand charge bills.

    Parameters
    ----------
    key : str
        Key of the variable. [-]
    label : str
        Term and billing period. [-]
    peak_mw : float
        Billed peak, what was reached before the horizon included. [MW]
    """

    key: str
    label: str
    peak_mw: float


def billed_peaks(plan: Plan) -> tuple[BilledPeak, ...]:
    """Return the peaks billed by the contract: its labelled variables in MW.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of BilledPeak
        In order of declaration. [-]
    """
    return tuple(
        BilledPeak(variable.key, label, float(value))
        for variable in plan.declaration.variables
        if variable.unit == "MW" and variable.labels is not None
        for label, value in zip(variable.labels, plan.audit.values[variable.key], strict=True)
    )


def power_cost(plan: Plan) -> float:
    """Return the energy and demand charges that this horizon can change.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    float
        Power cost. [currency]
    """
    return float(sum(plan.audit.costs.get(group, 0.0) for group in POWER_GROUPS))


def comparable(plan: Plan) -> bool:
    """Return whether a saving means anything: the plan keeps all limits and meets all duties.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    bool
        False for a plan with missed duties or broken limits. [-]
    """
    return plan.status in (Status.PLAN, Status.SOLVER_LIMIT) and not plan.misses


def saving(plan: Plan, comparison: Comparison) -> float | None:
    """Return what the plan costs less than another way of running.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    comparison : Comparison
        The other way. [-]

    Returns
    -------
    float or None
        Saving, negative if the plan is dearer; None if the other way is not possible. [currency]
    """
    return None if comparison.cost is None else comparison.cost - plan.audit.cost


def saving_percent(plan: Plan, comparison: Comparison) -> float | None:
    """Return the saving as a share of the other way's energy charges.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    comparison : Comparison
        The other way. [-]

    Returns
    -------
    float or None
        Share; None without energy charges above 0, where a share means nothing. [%]
    """
    amount = saving(plan, comparison)
    if amount is None or comparison.energy_cost is None or comparison.energy_cost <= 0:
        return None
    return amount / comparison.energy_cost * 100.0


def worst_balance(plan: Plan) -> tuple[str | None, float]:
    """Return the commodity whose balance closes least well.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of (str or None, float)
        Commodity, and its largest residual as a share of its capacity. [-]
    """
    errors = plan.audit.balance_error
    name = max(errors, key=lambda commodity: errors[commodity], default=None)
    return name, errors[name] if name is not None else 0.0


@dataclass(frozen=True, eq=False)
class Loading:
    """A lot, its window and how it is loaded over the horizon.

    Parameters
    ----------
    lot, customer, mode, commodity : str
        Number of the order, for whom, how, and what. [-]
    quantity_t : float
        The whole lot. [t]
    window_start_min, window_end_min : int
        Window since 1970-01-01T00:00Z. [min]
    rate_t_per_h : ndarray
        Loading on every interval. Shape (n,). [t/h]
    """

    lot: str
    customer: str
    mode: str
    commodity: str
    quantity_t: float
    window_start_min: int
    window_end_min: int
    rate_t_per_h: Array

    def quantity_in(self, hours: Array, span: Mask) -> float:
        """Return what is loaded over a span.

        Parameters
        ----------
        hours : ndarray
            Lengths of the intervals. Shape (n,). [h]
        span : ndarray of bool
            Intervals that count. Shape (n,). [-]

        Returns
        -------
        float
            Quantity. [t]
        """
        return float(np.sum((self.rate_t_per_h * hours)[span]))

    def intervals(self, span: Mask) -> Integers:
        """Return the intervals of a span in which the lot is loaded.

        Parameters
        ----------
        span : ndarray of bool
            Intervals that count. Shape (n,). [-]

        Returns
        -------
        ndarray of int
            Positions of the intervals. Shape (k,). [-]
        """
        return np.flatnonzero(span & (self.rate_t_per_h > RATE_TOLERANCE_T_PER_H))


def loadings(plan: Plan) -> tuple[Loading, ...]:
    """Return the lots of the horizon, in the order of their windows.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of Loading
        Lots whose window touches the horizon. [-]
    """
    variables = {variable.key: variable for variable in plan.declaration.variables}
    found = [
        Loading(
            lot.name,
            lot.customer,
            lot.mode,
            lot.commodity,
            lot.quantity_t,
            lot.window_start_min,
            lot.window_end_min,
            on_horizon(plan, variables[lot.key("loading")]),
        )
        for lot in plan.site.units
        if isinstance(lot, Lot) and lot.key("loading") in variables
    ]
    return tuple(sorted(found, key=lambda loading: (loading.window_start_min, loading.lot)))


def total_reading(plan: Plan, reading: str) -> Array:
    """Return a reading summed over all circuits.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    reading : str
        Name of the reading, for example 'chlorine_t_per_h'. [-]

    Returns
    -------
    ndarray
        Sum on every interval. Shape (n,). [unit of the reading]
    """
    total = np.zeros(len(plan.horizon))
    for name in circuit_names(plan):
        total = total + plan.audit.simulations[name].readings[reading]
    return total


def alkali_t_per_h(plan: Plan) -> dict[str, Array]:
    """Return the alkali made, by kind.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    dict
        Rate on every interval by 'NaOH', 'KOH' or, for circuits that state no salt, 'alkali'.
        Each shape (n,). [t/h]
    """
    made: dict[str, Array] = {}
    units = {unit.name: unit for unit in plan.site.units}
    for name in circuit_names(plan):
        salt = getattr(units[name], "salt", None)
        kind = salt.replace("Cl", "OH") if isinstance(salt, str) else "alkali"
        rate = plan.audit.simulations[name].readings["alkali_t_per_h"]
        made[kind] = made.get(kind, np.zeros(len(plan.horizon))) + rate
    return made


def peak_so_far_mw(plan: Plan) -> Array:
    """Return the highest mean import of the billing month so far, at the end of every interval.

    It starts from the peaks that are known to the situation; the import counts by the means of intervals,
    so it is the billed peak where those are as long as the metering.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    ndarray
        Peak so far. Shape (n,). [MW]
    """
    power = plan.audit.values[plan.site.meter]
    known: dict[str, float] = {}
    for (_, month), peak in plan.situation.peaks_mw.items():
        known[month] = max(known.get(month, 0.0), peak)
    so_far = np.zeros(len(plan.horizon))
    for t, month in enumerate(plan.horizon.months):
        known[month] = max(known.get(month, 0.0), float(power[t]))
        so_far[t] = known[month]
    return so_far


def full_load_ka(plan: Plan, circuit: str) -> float:
    """Return the highest load a circuit may have anywhere on the horizon.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    circuit : str
        Name of the circuit. [-]

    Returns
    -------
    float
        Full load, above 0. [kA]
    """
    variable = load_variable(plan, circuit)
    finite = variable.upper[np.isfinite(variable.upper)]
    highest = float(plan.audit.values[variable.key].max())
    return max(highest, float(finite.max()) if finite.size else 0.0) or 1.0
