"""How often a plan's limits break when the day turns out otherwise, and what margins buy.

Owns the draw of the days, the limits that are counted, and the rates by limit and by cause. The run of a
day stands in `operators`. Limits are the true ones, without the margins that a plan keeps from them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType
from typing import Any

import numpy as np

from models.checks import above, at_least, between, check
from models.circuit import Circuit
from models.contract.term import Peak
from models.horizon import Array, Mask
from models.liquefier import Liquefier
from models.meter import SiteMeter
from models.order import Lot, Pipeline
from models.site import Site
from models.tail_gas import hydrogen_fraction
from models.tank import ChlorineStore, Store
from models.unit import Unit
from scheduler.result import Plan, Status
from scheduler.studies.operators import Days, Run, run, with_margins

TOLERANCE = 1e-6
"""Excess over a limit, as a share of its size, that counts as none. [-]"""
PEAK_ROOM_MW = 0.1
"""Excess over the billed peak that does not count: inside what meters round. [MW]"""
BOUND = 0.05
"""Share of the days without a trip on which a limit of plant or permit may break. [-]"""
TWO_SIDED_95 = 1.959963984540054
"""Standard deviations to either side that hold 95 % of a normal distribution. [-]"""


class Kind(Enum):
    """What breaks when a limit does."""

    PLANT = "plant"
    """A tank, a rectifier, a compressor, the import: chlorine, alkali or power has no place."""
    PERMIT = "permit"
    """The content that authorities allow."""
    CUSTOMER = "customer"
    """A customer gets less than his least rate or daily total."""
    RESERVE = "reserve"
    """Liquid kept for a trip is drawn on."""
    PEAK = "peak"
    """The billed peak is passed: that costs money."""


@dataclass(frozen=True)
class Uncertainty:
    """How days differ from a plan; every draw is independent of the others.

    Parameters
    ----------
    voltage_percent : float
        Cell voltage of each circuit over the model's, the same all day: normal around 0, 95 % of the days
        within so much. 1 to 2 is what the model is good for (value from memory). 0 or more. [%]
    take_percent : float
        What each pipeline customer asks for over what was expected, the same all day: normal around 0,
        95 % of the days within so much. 0 or more. [%]
    late_share : float
        Share of lots whose tankers or wagons are late, 0 to 1. [-]
    late_mean_h, late_max_h : float
        How late these are: exponential with this mean before it is cut at the greatest. Above 0. [h]
    trip_share : float
        Share of the days with the trip of one circuit, each as likely, at a random time. 0 to 1. [-]
    trip_min_h, trip_max_h : float
        How long the circuit stands, uniform between these, 0 or more. [h]

    Notes
    -----
    All defaults but the first are assumptions of this project, not measurements: replace them.
    """

    voltage_percent: float = 1.0
    take_percent: float = 2.0
    late_share: float = 0.3
    late_mean_h: float = 2.0
    late_max_h: float = 8.0
    trip_share: float = 0.1
    trip_min_h: float = 1.0
    trip_max_h: float = 4.0

    def __post_init__(self) -> None:
        check(
            self,
            voltage_percent=between(0, 50, "%"),
            take_percent=between(0, 50, "%"),
            late_share=between(0, 1),
            late_mean_h=above(0, "h"),
            late_max_h=above(0, "h"),
            trip_share=between(0, 1),
            trip_min_h=at_least(0, "h"),
            trip_max_h=at_least(0, "h"),
        )


CAUSES = ("voltage", "take", "late", "trip")
"""What makes days differ."""
CAUSE_WORDS = MappingProxyType(
    {
        "voltage": "cell voltage",
        "take": "customers' take",
        "late": "late tankers and wagons",
        "trip": "trips",
    }
)
"""The same in words."""


def draw(plan: Plan, uncertainty: Uncertainty, count: int, seed: int) -> Days:
    """Draw days at random.

    Parameters
    ----------
    plan : Plan
        The plan: gives circuits, customers, lots and the length of the day. [-]
    uncertainty : Uncertainty
        How days differ. [-]
    count : int
        Number of days, 1 or more. [-]
    seed : int
        Start of the random numbers: the same seed gives the same days. [-]

    Returns
    -------
    Days
        The days. [-]
    """
    # One stream for each cause, so that one more customer does not change the trips.
    streams = [np.random.default_rng([seed, number]) for number in range(len(CAUSES))]
    units = plan.site.units
    circuits = [unit.name for unit in units if isinstance(unit, Circuit)]
    lots = [unit.name for unit in units if isinstance(unit, Lot)]
    customers = [unit.name for unit in units if isinstance(unit, Pipeline)]

    def factors(names: list[str], percent: float, stream: np.random.Generator) -> dict[str, Array]:
        sigma = percent / 100.0 / TWO_SIDED_95
        return {name: 1.0 + sigma * stream.standard_normal(count) for name in names}

    late = {}
    for name in lots:
        is_late = streams[2].random(count) < uncertainty.late_share
        hours = np.minimum(streams[2].exponential(uncertainty.late_mean_h, count), uncertainty.late_max_h)
        late[name] = np.where(is_late, 60.0 * hours, 0.0)
    day_min = float(np.sum(plan.horizon.lengths_min[: plan.horizon.plan_intervals]))
    trips = streams[3].random(count) < uncertainty.trip_share
    which = streams[3].integers(0, max(len(circuits), 1), count)
    start = streams[3].random(count) * day_min
    length = 60.0 * streams[3].uniform(uncertainty.trip_min_h, uncertainty.trip_max_h, count)
    tripped = {
        name: (start, np.where(trips & (which == number), length, 0.0))
        for number, name in enumerate(circuits)
    }
    return Days(
        count,
        factors(circuits, uncertainty.voltage_percent, streams[0]),
        factors(customers, uncertainty.take_percent, streams[1]),
        late,
        tripped,
    )


def only(days: Days, cause: str) -> Days:
    """Return the same days with one cause alone.

    Parameters
    ----------
    days : Days
        The days. [-]
    cause : str
        One of `CAUSES`. [-]

    Returns
    -------
    Days
        The days as planned but for that cause. [-]
    """
    field = {"voltage": "voltage", "take": "take", "late": "late_min", "trip": "tripped"}[cause]
    part: dict[str, Any] = {field: getattr(days, field)}
    return Days(days.count, **part)


def with_trip(days: Days) -> Mask:
    """Return which days have a trip. Shape (D,).

    Parameters
    ----------
    days : Days
        The days. [-]

    Returns
    -------
    ndarray of bool
        Days with a trip. Shape (D,). [-]
    """
    found = np.zeros(days.count, dtype=bool)
    for _, length in days.tripped.values():
        found |= length > 0
    return found


@dataclass(frozen=True, eq=False)
class Broken:
    """By how much a limit is passed.

    Parameters
    ----------
    name : str
        The limit in words. [-]
    kind : Kind
        What breaks. [-]
    unit : str
        Unit of the excess. [-]
    excess : ndarray
        How far beyond the limit, 0 within. Shape (D, m), one column for each interval or other period the
        limit is checked on. [unit]
    """

    name: str
    kind: Kind
    unit: str
    excess: Array


def broken(plan: Plan, days: Days, result: Run) -> tuple[Broken, ...]:
    """Hold what days came to against every true limit.

    Parameters
    ----------
    plan : Plan
        The plan that was run. [-]
    days : Days
        The days. [-]
    result : Run
        What they came to. [-]

    Returns
    -------
    tuple of Broken
        Every limit that is counted, broken or not. [-]
    """
    return tuple(_limits(plan, result))


def _over(value: Array, upper: Array | float) -> Array:
    limit = np.asarray(upper, dtype=np.float64)
    room = TOLERANCE * np.maximum(np.where(np.isfinite(limit), np.abs(limit), 1.0), 1.0)
    return np.where(value > limit + room, value - limit, 0.0)


def _limits(plan: Plan, result: Run) -> Iterator[Broken]:
    yield from _stock_limits(plan, result)
    for name, held_ka in result.held_back_ka.items():
        yield Broken(f"DC voltage of {name} (load held back)", Kind.PLANT, "kA", _over(held_ka, 0.0))
    for commodity, flow in result.left_over.items():
        unit = plan.site.commodities[commodity].unit
        size = max(float(np.max(np.abs(f))) for (_, name), f in result.flows.items() if name == commodity)
        room = TOLERANCE * size
        if commodity == "power":
            continue
        over = np.where(flow > room, flow, 0.0)
        lack = np.where(result.missing[commodity] > room, result.missing[commodity], 0.0)
        yield Broken(f"{commodity} with no place to go", Kind.PLANT, unit, over)
        yield Broken(f"{commodity} missing", Kind.CUSTOMER, unit, lack)
    yield from _row_limits(plan, result)
    yield from _hydrogen_limits(plan, result)
    yield from _customer_limits(plan, result)
    yield from _power_limits(plan, result)


def _stock_limits(plan: Plan, result: Run) -> Iterator[Broken]:
    bare = with_margins(plan.site, 0.0)
    for commodity, level in result.levels.items():
        stores = [u for u in bare.units if isinstance(u, Store) and u.commodity == commodity]
        if not stores:
            continue
        name = " and ".join(store.name for store in stores)
        planned = _planned_level(plan, commodity, result)
        # Where the plan itself stands outside, only what is further out is the day's doing.
        low = np.minimum(sum(_lowest(store) for store in stores), planned)
        high = np.full(level.shape[-1], 0.0)
        for store in stores:
            most = store.range_t()[1] if not isinstance(store, ChlorineStore) else _vessels(store)
            high = high + plan.situation.available(store.name, "level_max_t", most, result.horizon)
        yield Broken(f"{name} too low", Kind.PLANT, "t", _over(low - level, 0.0))
        yield Broken(f"{name} too high", Kind.PLANT, "t", _over(level, np.maximum(high, planned)))
        permits = [store for store in stores if isinstance(store, ChlorineStore)]
        if permits:
            permit = sum(store.permit_t - store.wagons_t for store in permits)
            nothing = np.zeros(level.shape)
            wagons = sum((result.on_site.get(store.loaded, nothing) for store in permits), nothing)
            cover = sum(store.cover_min_t for store in permits)
            yield Broken(
                f"permit of {name}, wagons included",
                Kind.PERMIT,
                "t",
                _over(level + wagons, np.maximum(permit, planned)),
            )
            yield Broken(
                f"{name} below its cover for a trip",
                Kind.RESERVE,
                "t",
                _over(np.minimum(cover, planned) - level, 0.0),
            )


def _vessels(store: ChlorineStore) -> float:
    return (store.vessels - store.empty_vessels) * store.vessel_t


def _lowest(store: Store) -> float:
    """Return what a store must hold: a store of liquid chlorine may be emptied, its cover is for that."""
    return 0.0 if isinstance(store, ChlorineStore) else store.range_t()[0]


def _planned_level(plan: Plan, commodity: str, result: Run) -> Array:
    """Return the plan's content at the end of each short interval: straight between the plan's own."""
    stocks = [stock for stock in plan.declaration.stocks if stock.commodity == commodity]
    ends = plan.horizon.starts_min + plan.horizon.lengths_min
    clock = np.concatenate([[plan.horizon.start_min], ends])
    total = np.zeros(len(clock))
    for stock in stocks:
        total += np.concatenate([[stock.initial], plan.audit.values[stock.key]])
    level: Array = np.interp(result.horizon.starts_min + result.horizon.lengths_min, clock, total)
    return level


def _row_limits(plan: Plan, result: Run) -> Iterator[Broken]:
    """Hold the run against rows of single intervals, such as the range of what acid burns."""
    n = len(result.horizon)
    for unit in plan.site.units:
        if isinstance(unit, Circuit | Pipeline | Lot | Store):
            continue
        for rows in unit.declare(result.horizon, plan.situation).rows:
            keys = {entry.variable for entry in rows.entries}
            if rows.movement or rows.size != n or not keys <= set(result.setpoints):
                continue
            left = np.zeros((next(iter(result.levels.values())).shape[0], n))
            for entry in rows.entries:
                part = entry.coefficients * result.setpoints[entry.variable][:, entry.positions]
                np.add.at(left.T, entry.rows, part.T)
            over = _over(left, rows.upper) + _over(-left, -rows.lower)
            yield Broken(rows.meaning, Kind.PLANT, rows.unit, over)


def _hydrogen_limits(plan: Plan, result: Run) -> Iterator[Broken]:
    for unit in plan.site.units:
        if isinstance(unit, Liquefier):
            feed = result.setpoints[unit.key("feed")]
            share = hydrogen_fraction(
                unit.feed_hydrogen_percent / 100.0,
                unit.feed_chlorine_percent / 100.0,
                unit.liquefaction_yield,
            )
            percent = np.where(feed > 0, 100.0 * share, 0.0)
            over = _over(percent, unit.tail_hydrogen_max_percent)
            yield Broken(f"hydrogen in the tail gas of {unit.name}", Kind.PLANT, "vol%", over)


def _customer_limits(plan: Plan, result: Run) -> Iterator[Broken]:
    hours = result.horizon.hours
    for unit in plan.site.units:
        if not isinstance(unit, Pipeline):
            continue
        given, asked = result.setpoints[unit.key("take")], result.asked[unit.name]
        least = asked if unit.min_t_per_h is None else np.minimum(asked, unit.min_t_per_h)
        yield Broken(f"least rate of {unit.name}", Kind.CUSTOMER, "t/h", _over(least - given, 0.0))
        if unit.min_t_per_h is not None:
            owed = (asked @ hours) * (1.0 - unit.daily_tolerance_percent / 100.0)
            short = _over(owed - given @ hours, 0.0)
            yield Broken(f"daily total of {unit.name}", Kind.CUSTOMER, "t", short[:, None])


def _power_limits(plan: Plan, result: Run) -> Iterator[Broken]:
    drawn = result.setpoints.get(plan.site.meter)
    if drawn is None:
        return
    for unit in plan.site.units:
        if isinstance(unit, SiteMeter) and unit.key("import") == plan.site.meter:
            most = plan.situation.available(unit.name, "import_max_mw", unit.import_max_mw, result.horizon)
            yield Broken("import limit", Kind.PLANT, "MW", _over(drawn, most))
    for prefix, term in plan.site.contract.terms(result.horizon, plan.situation):
        if isinstance(term, Peak) and len(term.period):
            billed = float(plan.audit.values[f"{prefix}_peak"][0])
            means = np.zeros((drawn.shape[0], int(term.period.max()) + 1))
            np.add.at(means.T, term.period, (term.weight * drawn[:, term.position]).T)
            yield Broken(
                f"billed peak of the plan, {term.name}", Kind.PEAK, "MW", _over(means, billed + PEAK_ROOM_MW)
            )


@dataclass(frozen=True)
class Rate:
    """How often a limit breaks.

    Parameters
    ----------
    name : str
        The limit in words. [-]
    kind : Kind
        What breaks. [-]
    unit : str
        Unit of the excess. [-]
    checked : int
        How often it was checked: days times intervals. [-]
    broken : int
        How often it was passed. [-]
    days : int
        Days on which it was passed. [-]
    days_without_trip : int
        Of these, days without a trip. [-]
    worst : float
        Greatest excess. [unit]
    by_cause : mapping
        Days on which it is passed when this is all that differs, by cause. [-]
    """

    name: str
    kind: Kind
    unit: str
    checked: int
    broken: int
    days: int
    days_without_trip: int
    worst: float
    by_cause: Mapping[str, int]


@dataclass(frozen=True)
class Robustness:
    """How a plan holds on many days.

    Parameters
    ----------
    margins : float
        Multiple of the site's margins that the plan keeps. [-]
    status : Status
        Kind of plan. [-]
    cost : float
        Cost of the plan over its horizon. [currency]
    days, trip_days : int
        Days run, and those with a trip. [-]
    rates : tuple of Rate
        Every limit counted. [-]
    broken_days : mapping
        Days without a trip on which any limit of a kind breaks, by kind. [-]
    broken_trip_days : mapping
        The same for days with a trip. [-]
    serious_days : int
        Days without a trip on which a limit of plant or permit breaks. [-]
    """

    margins: float
    status: Status
    cost: float
    days: int
    trip_days: int
    rates: tuple[Rate, ...]
    broken_days: Mapping[Kind, int]
    broken_trip_days: Mapping[Kind, int]
    serious_days: int

    @property
    def serious_share(self) -> float:
        """Share of the days without a trip on which a limit of plant or permit breaks. [-]."""
        quiet = self.days - self.trip_days
        return self.serious_days / quiet if quiet else 0.0

    @property
    def per_day(self) -> float:
        """Limits broken a day, of every kind: each counted once a day. [-]."""
        return sum(rate.days for rate in self.rates) / self.days

    @property
    def per_thousand(self) -> float:
        """Limits broken in a thousand checks, a check being one limit on one interval. [-]."""
        return 1000.0 * sum(rate.broken for rate in self.rates) / sum(rate.checked for rate in self.rates)


def robustness(plan: Plan, days: Days, margins: float = 1.0) -> Robustness:
    """Run a plan day on many days and count the limits that break.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    days : Days
        The days. [-]
    margins : float
        Multiple of the site's margins that the plan keeps, for the record. [-]

    Returns
    -------
    Robustness
        The rates. [-]
    """
    found = broken(plan, days, run(plan, days))
    alone = {cause: broken(plan, days, run(plan, only(days, cause))) for cause in CAUSES}
    trips = with_trip(days)
    rates = []
    any_of = {kind: np.zeros(days.count, dtype=bool) for kind in Kind}
    for number, limit in enumerate(found):
        hit = np.any(limit.excess > 0, axis=1)
        any_of[limit.kind] |= hit
        rates.append(
            Rate(
                limit.name,
                limit.kind,
                limit.unit,
                limit.excess.size,
                int(np.count_nonzero(limit.excess)),
                int(hit.sum()),
                int((hit & ~trips).sum()),
                float(limit.excess.max()),
                {c: int(np.any(alone[c][number].excess > 0, axis=1).sum()) for c in CAUSES},
            )
        )
    return Robustness(
        margins,
        plan.status,
        plan.audit.cost,
        days.count,
        int(trips.sum()),
        tuple(rates),
        {kind: int((hit & ~trips).sum()) for kind, hit in any_of.items()},
        {kind: int((hit & trips).sum()) for kind, hit in any_of.items()},
        int(((any_of[Kind.PLANT] | any_of[Kind.PERMIT]) & ~trips).sum()),
    )


MULTIPLES = (1.0, 0.0, 2.0)
"""Multiples of the margins that are compared: as stated, none, doubled."""


def margins_compared(
    site: Site,
    make: Callable[[Site], Plan],
    uncertainty: Uncertainty,
    count: int,
    seed: int,
    multiples: tuple[float, ...] = MULTIPLES,
) -> tuple[Robustness, ...]:
    """Plan a day with several multiples of its margins and run each plan on the same days.

    Parameters
    ----------
    site : Site
        The works. [-]
    make : callable
        Makes the plan of a site. [-]
    uncertainty : Uncertainty
        How days differ. [-]
    count : int
        Number of days. [-]
    seed : int
        Start of the random numbers. [-]
    multiples : tuple of float
        Multiples of the margins. [-]

    Returns
    -------
    tuple of Robustness
        One for each multiple. [-]
    """
    results = []
    for multiple in multiples:
        plan = make(with_margins(site, multiple))
        results.append(robustness(plan, draw(plan, uncertainty, count, seed), multiple))
    return tuple(results)


def units_with_margins(site: Site) -> tuple[Unit, ...]:
    """Return the units of a site whose plans keep a margin.

    Parameters
    ----------
    site : Site
        The works. [-]

    Returns
    -------
    tuple of Unit
        Units with a margin above 0. [-]
    """
    bare = with_margins(site, 0.0).units
    return tuple(unit for unit, without in zip(site.units, bare, strict=True) if without != unit)
