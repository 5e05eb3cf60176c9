"""What a tonne costs from each room, of the site as it is and with hypothetical rooms.

Owns the planning of each variant of the site, the prices that follow from its plan, and the cost curves at
those prices. Items and formulas are in `models.running_cost`, curves in `models.load_cost`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from models.circuit import Circuit
from models.contract.component import BillLine, Component
from models.contract.periods import Cycle
from models.cost_tables import CostTables, Hypothetical, rooms_of
from models.cost_values import Room, Value
from models.evaporator import Evaporator
from models.faraday import alkali_of, mass_ratio
from models.horizon import Array, Horizon
from models.load_cost import LoadCost, PriceSteps, Split, indifference_price, price_steps, split
from models.running_cost import PricedPeriod, RoomCost, Supply, room_cost, supply_of, together
from models.site import Site
from models.situation import Situation
from scheduler.exact import energy_prices
from scheduler.plan import PlanOptions, make_plan
from scheduler.result import Audit, Plan, Status
from scheduler.studies.annual import best_year
from scheduler.studies.year import YearOptions, YearRun

ALL_ROOMS = "all rooms"
"""Name of all rooms of a variant taken together."""
LONGEST_PLAN_DAYS = 40.0
"""Longest period that is planned as one; a longer one is cut into windows. [d]"""
_PERIOD = re.compile(r"\d{4}(?P<month>-\d{2})?$")
"""End of the label of a line that is charged for a month or a year."""
_NO_STEPS: Mapping[str, Any] = {
    "step_ka": None,
    "changes_per_shift": None,
    "changes_per_day": None,
    "dwell_minutes": 0.0,
    "tap_positions_ka": (),
    "tap_range_ka": 0.0,
    "tap_changes_per_day": None,
}
"""Keys of a circuit that put its load on steps or count its changes, with what leaves the load free."""
POINTS = 41
"""Points of a cost curve."""


@dataclass(frozen=True, eq=False)
class Planned:
    """A planned period of one variant of the site.

    Parameters
    ----------
    period : PricedPeriod
        Loads and power prices. [-]
    evaporated_t_per_h : mapping
        Mean dry alkali through each evaporator. [t/h]
    bill : float
        Charges of the contract for the period. [currency]
    import_mwh : float
        Metered energy. [MWh]
    status : Status
        Kind of result. [-]
    warnings : tuple of str
        What is wrong with the plan: missed duties, broken limits. [-]
    """

    period: PricedPeriod
    evaporated_t_per_h: Mapping[str, float]
    bill: float
    import_mwh: float
    status: Status
    warnings: tuple[str, ...] = ()


PlanPeriod = Callable[[Site, Horizon, Situation], Planned]
"""Plans a period: one horizon, or a year of chained windows."""


def planned_of(plan: Plan) -> Planned:
    """Return a plan as a planned period.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Planned
        The period. [-]
    """
    return planned(
        plan.site,
        plan.horizon,
        plan.situation,
        plan.audit,
        plan.energy_price_per_mwh,
        plan.status,
        f"gap {plan.certificate.gap:.1e}",
    )


def planned_of_year(run: YearRun) -> Planned:
    """Return a year of chained windows as a planned period.

    Parameters
    ----------
    run : YearRun
        The year. [-]

    Returns
    -------
    Planned
        The period. [-]
    """
    worst = max((window.gap for window in run.windows), default=0.0)
    return planned(
        run.formulation.site,
        run.formulation.horizon,
        run.formulation.situation,
        run.audit,
        energy_prices(run.formulation),
        run.status,
        f"worst gap of a window {worst:.1e}",
    )


def period_planner(
    options: PlanOptions, year: YearOptions | None = None, longest_days: float = LONGEST_PLAN_DAYS
) -> PlanPeriod:
    """Return what plans a period: a short one as one plan, a long one as the year of a tariff study.

    Parameters
    ----------
    options : PlanOptions
        How to plan. [-]
    year : YearOptions, optional
        How a long period is cut. [-]
    longest_days : float
        Longest period that is planned as one. [d]

    Returns
    -------
    PlanPeriod
        Plans a period. [-]
    """

    def plan(site: Site, horizon: Horizon, situation: Situation) -> Planned:
        if float(np.sum(horizon.hours)) <= 24.0 * longest_days:
            return planned_of(make_plan(site, horizon, situation, options))
        return planned_of_year(best_year(site, horizon, situation, year).run)

    return plan


def planned(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    audit: Audit,
    energy_price_per_mwh: Array,
    status: Status,
    gap: str,
) -> Planned:
    """Return what was planned and audited as a planned period: a plan, or a year of chained plans.

    A demand charge is for whole months or years: of it the period bears the share of their time that it
    covers. What the contract charges and no hourly rate explains is spread over the metered energy.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What was known, outages included. [-]
    audit : Audit
        The exact simulation. [-]
    energy_price_per_mwh : ndarray
        Sum of the contract's energy rates. Shape (n,). [currency/MWh]
    status : Status
        Kind of result. [-]
    gap : str
        How far from the cheapest it may be, in words. [-]

    Returns
    -------
    Planned
        The period. [-]
    """
    hours = horizon.hours
    metered = audit.values[site.meter] * hours
    components = {component.name: component for component in site.contract.components}
    borne = [(line, _share(line, components.get(line.component), horizon)) for line in audit.bill]
    bill = float(sum(line.amount * share for line, share in borne))
    parts = [f"{line.label} x {share:.4g}" for line, share in borne if share < 1.0]
    hourly = float(np.sum(energy_price_per_mwh * metered))
    energy = float(np.sum(metered))
    label = f"{horizon.days[0].isoformat()} to {horizon.days[-1].isoformat()}"
    warnings = []
    if status is Status.SOLVER_LIMIT:
        warnings.append(f"the plan of {label} stopped before its gap was closed ({gap})")
    elif status is not Status.PLAN:
        warnings.append(f"the plan of {label} is '{status.value}': its costs are those of a plan that fails")
    return Planned(
        PricedPeriod(
            label,
            horizon,
            situation,
            {unit.name: audit.values[unit.key("load")] for unit in site.units if isinstance(unit, Circuit)},
            energy_price_per_mwh,
            (bill - hourly) / energy if energy > 0 else 0.0,
            f"the hourly energy rates of the contract '{site.contract.name}'",
            f"(charges of the period {bill:.2f} less hourly energy {hourly:.2f}) / {energy:.3f} MWh metered; "
            f"{'shares: ' + ', '.join(parts) if parts else 'all charges in full'}",
        ),
        {
            unit.name: float(np.sum(audit.flows[unit.name, unit.strong] * hours) / np.sum(hours))
            for unit in site.units
            if isinstance(unit, Evaporator)
        },
        bill,
        energy,
        status,
        tuple(warnings),
    )


def _share(line: BillLine, component: Component | None, horizon: Horizon) -> float:
    """Return the share of a line that a period bears: of a demand charge that of its month or year."""
    if line.group != "demand" or getattr(component, "price_per_day", False):
        return 1.0
    label = _PERIOD.search(line.label)
    if label is None:
        return 1.0
    cycle = Cycle(
        "month" if label["month"] else "year",
        getattr(component, "billing_day", 1),
        getattr(component, "first_month", 1),
    )
    for period in cycle.periods(horizon):
        if period.label == label.group():
            inside = min(period.end_min, horizon.end_min) - max(period.start_min, horizon.start_min)
            return inside / (period.end_min - period.start_min)
    return 1.0


@dataclass(frozen=True, eq=False)
class CurvePoints:
    """Average and marginal cost of a room over its chlorine, its circuits loaded at equal marginal cost.

    Parameters
    ----------
    room : str
        Name of the room. [-]
    power_only, with_steam : Split
        The room's totals with the cost of power alone, and with steam and all that goes with a tonne. [-]
    """

    room: str
    power_only: Split
    with_steam: Split


@dataclass(frozen=True, eq=False)
class SaltSplit:
    """The cheapest split of a total over all circuits of one salt.

    Parameters
    ----------
    salt : str
        'NaCl' or 'KCl': circuits of different salts make different alkali and are not compared. [-]
    power_only, with_steam : Split
        Split by the cost of power alone, and by all that goes with a tonne. [-]
    """

    salt: str
    power_only: Split
    with_steam: Split


@dataclass(frozen=True)
class Steps:
    """Power prices at which the cheapest load of a circuit leaves its ends.

    Parameters
    ----------
    prices : PriceSteps
        The prices. [-]
    value_per_t : float
        Worth of one more tonne. [currency/t]
    value_from : str
        Where the worth comes from. [-]
    """

    prices: PriceSteps
    value_per_t: float
    value_from: str


@dataclass(frozen=True, eq=False)
class PriceCurve:
    """Cheapest load of a circuit over the power price, for a worth of a tonne.

    Parameters
    ----------
    name : str
        Name of the circuit. [-]
    power_price_per_mwh, load_ka : ndarray
        Prices, and the cheapest load at each. Shape (m,). [currency/MWh], [kA]
    """

    name: str
    power_price_per_mwh: Array
    load_ka: Array


@dataclass(frozen=True)
class Indifference:
    """Power price at which a tonne costs the same from two rooms, each at its least load.

    Parameters
    ----------
    first, second : str
        Circuits; above the price the first is the cheaper one, below it the second. [-]
    power_price_per_mwh : float
        The price. [currency/MWh]
    """

    first: str
    second: str
    power_price_per_mwh: float


@dataclass(frozen=True, eq=False)
class Variant:
    """The site as it is, or with a hypothetical room.

    Parameters
    ----------
    name, meaning : str
        Name, and what it is in words. [-]
    planned : Planned
        Its planned period. [-]
    rooms : tuple of RoomCost
        Running cost of each room. [-]
    values : tuple of Value
        Every price and use that entered. [-]
    power_price_per_mwh : float
        Mean energy rate of the period over the rooms' energy; the curves are drawn at it. [currency/MWh]
    steam_price_per_t : float
        Price of steam. [currency/t]
    curves : tuple of CurvePoints
        Cost of each room over its load. [-]
    splits : tuple of SaltSplit
        Cheapest split of each total, by salt. [-]
    steps : tuple of Steps
        Power prices at which loads leave their ends. [-]
    price_curves : tuple of PriceCurve
        Cheapest load of each circuit over the power price. [-]
    indifferences : tuple of Indifference
        Power prices at which the order of two circuits reverses. [-]
    capacity_t_per_h : mapping
        Greatest chlorine of each room, everything in service. [t/h]
    """

    name: str
    meaning: str
    planned: Planned
    rooms: tuple[RoomCost, ...]
    values: tuple[Value, ...]
    power_price_per_mwh: float
    steam_price_per_t: float
    curves: tuple[CurvePoints, ...]
    splits: tuple[SaltSplit, ...]
    steps: tuple[Steps, ...]
    price_curves: tuple[PriceCurve, ...]
    indifferences: tuple[Indifference, ...]
    capacity_t_per_h: Mapping[str, float]

    @property
    def whole(self) -> RoomCost:
        """All rooms together. [-]."""
        return together(ALL_ROOMS, self.rooms)


@dataclass(frozen=True, eq=False)
class Technologies:
    """The study: the site as it is first, then each hypothetical one.

    Parameters
    ----------
    site_name, currency : str
        Site and currency. [-]
    variants : tuple of Variant
        The variants. [-]
    notes : tuple of str
        Sentences that must stand on every output. [-]
    """

    site_name: str
    currency: str
    variants: tuple[Variant, ...]
    notes: tuple[str, ...]

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is wrong with the plans. [-]."""
        return tuple(f"{v.name}: {text}" for v in self.variants for text in v.planned.warnings)


def study_technologies(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    costs: CostTables,
    plan_period: PlanPeriod,
    tell: Callable[[str], None] = lambda text: None,
) -> Technologies:
    """Plan the site as it is and with each hypothetical room, and cost every room.

    Parameters
    ----------
    site : Site
        The works, orders included. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What is known. [-]
    costs : CostTables
        Prices, rooms and hypothetical rooms. [-]
    plan_period : callable
        Plans a period. [-]
    tell : callable
        Takes progress in words. [-]

    Returns
    -------
    Technologies
        The study. [-]

    Raises
    ------
    ValueError
        If tables contradict each other or the site.
    """
    cases: list[tuple[Hypothetical | None, Site, Situation]] = [(None, site, situation)]
    cases += [(one, *one.applied(site, situation)) for one in costs.hypotheticals]
    variants = []
    for hypothetical, works, known in cases:
        name = "as_is" if hypothetical is None else hypothetical.name
        tell(f"planning {len(horizon)} intervals: {name} ...")
        done = plan_period(freely(works), horizon, known)
        rooms = (*costs.rooms, *(hypothetical.rooms if hypothetical is not None else ()))
        meaning = "the site as it is" if hypothetical is None else hypothetical.meaning
        variants.append(variant_of(name, meaning, works, done, costs, rooms))
    without = [one.name for one in costs.hypotheticals if not one.availability]
    notes = [
        f"The new units of '{name}' run the whole period without outages; state theirs as "
        "[[hypothetical.outage]]."
        for name in without
    ]
    return Technologies(site.name, site.contract.currency, tuple(variants), (*site.notes, *notes))


def freely(site: Site) -> Site:
    """Return the site with loads that may take any value and change at any hour, at their ramps.

    Whole steps and counted changes hold for the day that people run; they are known to cost little, take long
    to plan, and would bind the first day of a long period only.

    Parameters
    ----------
    site : Site
        The works. [-]

    Returns
    -------
    Site
        The same without steps. [-]
    """
    stated = {field.name for field in fields(Circuit)}
    free: dict[str, Any] = {key: value for key, value in _NO_STEPS.items() if key in stated}
    return replace(
        site,
        units=tuple(replace(unit, **free) if isinstance(unit, Circuit) else unit for unit in site.units),
    )


def variant_of(
    name: str, meaning: str, site: Site, planned: Planned, costs: CostTables, rooms: Sequence[Room]
) -> Variant:
    """Return the costs of one planned variant.

    Parameters
    ----------
    name, meaning : str
        Name, and what it is in words. [-]
    site : Site
        The works. [-]
    planned : Planned
        Its planned period; a day, a week, or a year of chained plans. [-]
    costs : CostTables
        Prices. [-]
    rooms : sequence of Room
        Rooms that were stated. [-]

    Returns
    -------
    Variant
        Running costs and cost curves. [-]

    Raises
    ------
    ValueError
        If tables contradict the site.
    """
    prices = costs.prices.resolved()
    values: list[Value] = list(prices.values())
    done: list[RoomCost] = []
    curves: dict[str, LoadCost] = {}
    members: dict[str, tuple[Circuit, ...]] = {}
    for room, circuits in rooms_of(site.units, rooms):
        uses = room.resolved(circuits[0].technology)
        supplies = {
            one.name: supply_of(one, site.units, room, uses, prices, planned.evaporated_t_per_h)
            for one in circuits
        }
        cost = room_cost(room, circuits, supplies, planned.period, uses, prices)
        done.append(cost)
        members[room.name] = circuits
        first = supplies[circuits[0].name]
        values += [*uses.values(), first.steam, first.salt_price]
        for one in circuits:
            curves[one.name] = _curve(one, supplies[one.name], cost)
    steam = prices["steam_price_per_t"].value
    power = _mean_price(done)
    splits, reversals = _splits(members, curves, power, steam)
    steps = tuple(
        _steps(one, curves[one.name], planned.period, power, steam, costs.prices.ecu_value_per_t)
        for circuits in members.values()
        for one in circuits
    )
    return Variant(
        name,
        meaning,
        planned,
        tuple(done),
        tuple(dict.fromkeys(values)),
        power,
        steam,
        tuple(
            CurvePoints(room, *_both([curves[one.name] for one in circuits], power, steam))
            for room, circuits in members.items()
            if power > 0
        ),
        splits,
        steps,
        _price_curves(steps, curves, steam),
        reversals,
        {
            room: sum(_chlorine(curves[one.name], curves[one.name].load_max_ka) for one in circuits)
            for room, circuits in members.items()
        },
    )


def _price_curves(
    steps: Sequence[Steps], curves: Mapping[str, LoadCost], steam: float
) -> tuple[PriceCurve, ...]:
    """Return the cheapest load over prices that hold every step; none where no price above 0 does."""
    ends = [end for s in steps for end in (s.prices.full_below_per_mwh, s.prices.least_above_per_mwh)]
    if not ends or max(ends) <= 0:
        return ()
    low, high = max(0.9 * min(ends), 0.01 * max(ends)), 1.1 * max(ends)
    prices: Array = np.linspace(low, high, POINTS)
    found = []
    for step in steps:
        curve = curves[step.prices.name]
        worth = np.array([step.value_per_t])
        loads = [float(curve.load_at(worth, float(price), steam)[0]) for price in prices]
        found.append(PriceCurve(curve.name, prices, np.array(loads)))
    return tuple(found)


def _mean_price(rooms: Sequence[RoomCost]) -> float:
    lines = [
        room.item(key) for room in rooms for key in ("power_dc", "power_rectification", "power_auxiliaries")
    ]
    energy = sum(line.quantity for line in lines)
    return sum(line.amount for line in lines) / energy if energy > 0 else 0.0


_WITH_CHLORINE = (
    "salt",
    "brine_treatment",
    "acid",
    "water",
    "mercury_makeup",
    "mercury_control",
    "mercury_waste",
    "maintenance",
    "hydrogen",
)


def _curve(circuit: Circuit, supply: Supply, room: RoomCost) -> LoadCost:
    """Return the cost curve of a circuit; what goes with a tonne is the mean of its room."""
    made = room.chlorine_t
    other = sum(room.item(key).amount for key in _WITH_CHLORINE) / made if made > 0 else 0.0
    alkali = mass_ratio(alkali_of(circuit.salt))
    pumps = supply.pump_kwh_per_t_salt * mass_ratio(circuit.salt) + supply.evaporation_kwh_per_t * alkali
    return LoadCost.of(circuit, supply.steam.value * alkali, other, pumps)


def _chlorine(curve: LoadCost, load_ka: float) -> float:
    return float(curve.chlorine(np.array([load_ka]))[0])


def _power_only(curve: LoadCost) -> LoadCost:
    """Return the curve without anything but power."""
    return replace(curve, other_per_t=0.0, steam_t_per_t=0.0)


def _both(curves: Sequence[LoadCost], power: float, steam: float) -> tuple[Split, Split]:
    low = sum(_chlorine(curve, curve.load_min_ka) for curve in curves)
    high = sum(_chlorine(curve, curve.load_max_ka) for curve in curves)
    totals: Array = np.linspace(low, high, POINTS)
    return (
        split([_power_only(curve) for curve in curves], totals, power, 0.0),
        split(curves, totals, power, steam),
    )


def _splits(
    members: Mapping[str, tuple[Circuit, ...]], curves: Mapping[str, LoadCost], power: float, steam: float
) -> tuple[tuple[SaltSplit, ...], tuple[Indifference, ...]]:
    splits, reversals = [], []
    by_salt: dict[str, list[Circuit]] = {}
    for circuits in members.values():
        for one in circuits:
            by_salt.setdefault(one.salt, []).append(one)
    for salt, same in by_salt.items():
        if power > 0:
            splits.append(SaltSplit(salt, *_both([curves[one.name] for one in same], power, steam)))
        for i, a in enumerate(same):
            for b in same[i + 1 :]:
                found = _indifference(curves[a.name], curves[b.name], steam)
                if found is not None:
                    reversals.append(found)
    return tuple(splits), tuple(reversals)


def _indifference(first: LoadCost, second: LoadCost, steam: float) -> Indifference | None:
    """Return where the order of two circuits at least load reverses, if at a price above 0."""
    price = indifference_price(first, first.load_min_ka, second, second.load_min_ka, steam)
    if price is None or price <= 0:
        return None
    energies = [float(c.marginal_mwh_per_t(np.array([c.load_min_ka]))[0]) for c in (first, second)]
    lean, other = (first, second) if energies[0] < energies[1] else (second, first)
    return Indifference(lean.name, other.name, price)


def _steps(
    circuit: Circuit,
    curve: LoadCost,
    period: PricedPeriod,
    power: float,
    steam: float,
    ecu_value: float | None,
) -> Steps:
    """Return the price steps at the stated worth of an ECU, or at what the tonne costs at another hour."""
    if ecu_value is not None and circuit.salt == "NaCl":
        return Steps(price_steps(curve, ecu_value, steam), ecu_value, "site file, [costs]: ecu_value_per_t")
    loads = period.loads_ka[circuit.name]
    hours = period.horizon.hours * (loads > 0)
    mean = float(np.sum(loads * hours) / np.sum(hours)) if np.sum(hours) > 0 else curve.load_min_ka
    mean = float(np.clip(mean, curve.load_min_ka, curve.load_max_ka))
    value = float(curve.marginal(np.array([mean]), power, steam)[0])
    return Steps(
        price_steps(curve, value, steam),
        value,
        f"marginal cost of the circuit at its mean load, {mean:.4g} kA, and the mean energy rate, "
        f"{power:.4g} per MWh: what the tonne costs when it is made at another hour",
    )
