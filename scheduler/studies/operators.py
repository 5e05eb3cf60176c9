"""What a shift does with a plan on a day that differs from it, for many days at once.

Owns the house rules of the operators and the run of one plan day under them, by the units' exact models
and the stocks' integrals. What the days look like is drawn in `robustness`; nobody plans again inside a day.

House rules, in this order:

1. Every circuit stands at its planned load, or at what its DC voltage allows if that is less; a tripped
   circuit stands still and then goes back to the plan.
2. Pipeline customers take what they ask for. Lots are loaded at the planned rates, later if their tankers
   or wagons come later; what does not fit into the day stays in store.
3. Where header chlorine is short: less liquefaction down to its least feed, then the vaporisers (a cold one
   gives nothing until its start time has passed), then less acid, less hypochlorite, then customers down to
   their least rates, and last below them, the last customer of the site file first.
4. Where it is left over: less is vaporised, then more liquefaction, acid, hypochlorite.
5. Acid takes the tail gas as it comes and less or more from the header for it. Evaporators stay as planned.
6. Hydrogen: the vent gives way, then boilers, then customers down to their least rates. Steam: purchases
   give way, then outlets.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from models.brine import BrineCircuit
from models.chlorine_products import AcidUnit, HypochloriteUnit
from models.circuit import Circuit
from models.compressor import Compressor
from models.horizon import Array, Horizon, Mask
from models.hydrogen import HydrogenBoiler
from models.liquefier import Liquefier, Vaporiser
from models.order import Lot, Pipeline
from models.pieces import Stock
from models.rectifier import Rectifier
from models.site import Site
from models.situation import Situation
from models.trade import Outlet, Purchase
from models.unit import Unit
from scheduler.result import Plan

GRID_MIN = 15
"""Length of the intervals on which a day is run. [min]"""
SMALL = 1e-9
"""What counts as nothing of a flow. [t/h, kg/h]"""


@dataclass(frozen=True, eq=False)
class Days:
    """How many days differ from the plan; what is not named is as planned.

    Parameters
    ----------
    count : int
        Number of days D. [-]
    voltage : mapping
        Cell voltage over that of the model, by circuit. Each shape (D,). [-]
    take : mapping
        What a pipeline customer asks for over what was expected, by customer. Each shape (D,). [-]
    late_min : mapping
        How late the tankers or wagons of a lot are, by lot. Each shape (D,). [min]
    tripped : mapping
        Start and length of a trip after the day's start, by circuit; a length of 0 is no trip. Each two
        arrays of shape (D,). [min]
    """

    count: int
    voltage: Mapping[str, Array] = field(default_factory=dict)
    take: Mapping[str, Array] = field(default_factory=dict)
    late_min: Mapping[str, Array] = field(default_factory=dict)
    tripped: Mapping[str, tuple[Array, Array]] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Run:
    """What the days came to.

    Parameters
    ----------
    horizon : Horizon
        Intervals of the plan day. [-]
    setpoints : mapping
        Value of every variable that lives on intervals, by key. Each shape (D, n). [as declared]
    flows : mapping
        Net flow of each unit by (unit, commodity). Each shape (D, n). [commodity unit]
    levels : mapping
        Content at the END of each interval, by commodity; where a commodity has several stocks their sum.
        Each shape (D, n). [t]
    missing, left_over : mapping
        What a bus without a stock lacks, or has too much of, after all house rules, by commodity. Each
        shape (D, n). [commodity unit]
    asked : mapping
        What each pipeline customer asks for. Each shape (D, n). [t/h]
    held_back_ka : mapping
        Planned load that the DC voltage does not allow, by circuit. Each shape (D, n). [kA]
    on_site : mapping
        What stands loaded on site at the END of each interval, by the account that counts it. A late lot
        leaves as much later. Each shape (D, n). [t]
    """

    horizon: Horizon
    setpoints: Mapping[str, Array]
    flows: Mapping[tuple[str, str], Array]
    levels: Mapping[str, Array]
    missing: Mapping[str, Array]
    left_over: Mapping[str, Array]
    asked: Mapping[str, Array]
    held_back_ka: Mapping[str, Array]
    on_site: Mapping[str, Array] = field(default_factory=dict)


def plan_day(plan: Plan) -> tuple[Horizon, dict[str, Array]]:
    """Return the plan day in short intervals and the planned value of every variable on them.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple
        Intervals of at most `GRID_MIN`, and values by key, 0 where a variable does not live. Each shape
        (n,). [-], [as declared]
    """
    n = plan.horizon.plan_intervals
    lengths = plan.horizon.lengths_min[:n]
    parts = np.maximum(lengths // GRID_MIN, 1)
    short = np.repeat(lengths // parts, parts)
    starts = np.concatenate([[0], np.cumsum(short)[:-1]]) + plan.horizon.start_min
    horizon = Horizon(starts, short, plan.horizon.timezone, len(short), plan.horizon.shifts)
    planned = {}
    for variable in plan.declaration.variables:
        if variable.intervals is None:
            continue
        values = np.zeros(len(plan.horizon))
        values[variable.intervals] = plan.audit.values[variable.key]
        planned[variable.key] = np.repeat(values[:n], parts)
    return horizon, planned


@dataclass(frozen=True, eq=False)
class _Lever:
    """A variable that gives way so that a bus closes.

    A coupled variable moves with it: by `factor` for each unit, so that what acid burns stays the same when
    its tail gas changes.
    """

    key: str
    coefficient: float
    lower: Array
    upper: Array
    coupled: tuple[tuple[str, float, float], ...] = ()

    def move(self, x: dict[str, Array], surplus: Array, where: Mask) -> Array:
        """Move towards closing the bus where asked; return what is left of the surplus."""
        rate = self.coefficient + sum(factor * coefficient for _, factor, coefficient in self.coupled)
        wanted = np.where(where, -surplus / rate, 0.0)
        # Where the plan itself stands outside the range, it stays there but goes no further out.
        step = np.clip(
            wanted, np.minimum(self.lower - x[self.key], 0), np.maximum(self.upper - x[self.key], 0)
        )
        x[self.key] = x[self.key] + step
        for key, factor, _ in self.coupled:
            x[key] = x[key] + factor * step
        return surplus + rate * step


def run(plan: Plan, days: Days) -> Run:
    """Run a plan day as the operators would on days that differ from it.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    days : Days
        How the days differ. [-]

    Returns
    -------
    Run
        What they came to. [-]
    """
    horizon, planned = plan_day(plan)
    return _Shift(plan.site, plan.situation, horizon, planned, days).run(plan)


def with_margins(site: Site, factor: float) -> Site:
    """Return a site whose plans keep a multiple of its margins.

    Parameters
    ----------
    site : Site
        The works. [-]
    factor : float
        Multiple of every margin: 0 none, 2 doubled. 0 or more. [-]

    Returns
    -------
    Site
        The same works with other margins. [-]
    """
    return replace(site, units=tuple(_margins(unit, factor) for unit in site.units))


MARGINS = ("margin_percent", "margin_mw")
"""Fields of units that hold a margin."""


def _margins(unit: Any, factor: float) -> Any:
    changed: dict[str, Any] = {}
    for part in fields(unit):
        value = getattr(unit, part.name)
        if part.name in MARGINS:
            changed[part.name] = factor * value
        elif isinstance(value, Rectifier):
            changed[part.name] = _margins(value, factor)
    return replace(unit, **changed) if changed else unit


class _Shift:
    def __init__(
        self, site: Site, situation: Situation, horizon: Horizon, planned: Mapping[str, Array], days: Days
    ) -> None:
        # Operators use what equipment can do; margins are for plans.
        self.site, self.situation, self.horizon, self.days = with_margins(site, 0.0), situation, horizon, days
        self.planned_for = {unit.name: unit for unit in site.units}
        shape = (days.count, len(horizon))
        self.x = {key: np.broadcast_to(value, shape).copy() for key, value in planned.items()}
        self.flows: dict[tuple[str, str], Array] = {}
        self.asked: dict[str, Array] = {}
        self.on_site: dict[str, Array] = {}
        self.held_back: dict[str, Array] = {}
        self.stored = {record.commodity for record in _stocks(site, horizon, situation)}

    def of(self, *kinds: type[Unit]) -> Iterator[Unit]:
        return (unit for unit in self.site.units if isinstance(unit, kinds))

    def run(self, plan: Plan) -> Run:
        for unit in self.site.units:
            if isinstance(unit, Circuit):
                self._run_circuit(unit)
            elif isinstance(unit, Pipeline):
                self._ask(unit)
            elif isinstance(unit, Lot):
                self._load(unit)
            else:
                self._simulate(unit)
        for buses in (
            self._wet_and_brine(),
            self._header(),
            self._tail(),
            self._hydrogen(),
            self._steam(),
        ):
            for unit in buses:
                self._simulate(unit)
        self._simulate_meter()
        self._simulate_closings()
        net = self._net()
        levels = {}
        for name in self.stored & set(net):
            initial = sum(s.initial for s in plan.declaration.stocks if s.commodity == name)
            levels[name] = initial + np.cumsum(net[name] * self.horizon.hours, axis=-1)
        open_ = {name: value for name, value in net.items() if name not in self.stored}
        return Run(
            self.horizon,
            self.x,
            self.flows,
            levels,
            {name: np.maximum(-value, 0.0) for name, value in open_.items()},
            {name: np.maximum(value, 0.0) for name, value in open_.items()},
            self.asked,
            self.held_back,
            self.on_site,
        )

    def _simulate(self, unit: Unit) -> None:
        setpoints = {
            v.key: self.x[v.key][:, v.intervals]
            for v in unit.declare(self.horizon, self.situation).variables
            if v.intervals is not None and v.key in self.x
        }
        reads = unit.declare(self.horizon, self.situation).reads
        setpoints.update({key: self.x[key] for key in reads if key in self.x})
        made = unit.simulate(self.horizon, self.situation, setpoints)
        for commodity, flow in made.flows.items():
            self.flows[unit.name, commodity] = np.broadcast_to(flow, (self.days.count, len(self.horizon)))

    def _net(self) -> dict[str, Array]:
        net: dict[str, Array] = {}
        for (_, commodity), flow in self.flows.items():
            net[commodity] = net[commodity] + flow if commodity in net else flow
        return net

    def _surplus(self, commodity: str) -> Array:
        zero = np.zeros((self.days.count, len(self.horizon)))
        return sum((f for (_, name), f in self.flows.items() if name == commodity), zero)

    def _run_circuit(self, circuit: Circuit) -> None:
        """Run a circuit at each of its cell voltages; days with the same voltage together."""
        key, situation = circuit.key("load"), replace(self.situation, locks={})
        factors = self.days.voltage.get(circuit.name, np.ones(self.days.count))
        planned, load = self.x[key], self.x[key].copy()
        start, length = self.days.tripped.get(circuit.name, (np.zeros(self.days.count),) * 2)
        since = (self.horizon.starts_min - self.horizon.start_min)[None, :]
        out = (since + self.horizon.lengths_min > start[:, None]) & (since < (start + length)[:, None])
        out &= length[:, None] > 0
        flows: dict[str, Array] = {}
        for factor in np.unique(factors):
            at = np.flatnonzero(factors == factor)
            real = replace(
                circuit,
                voltage=circuit.cell_voltage.scaled(float(factor)),
                # A reading of single days in a row: the room's temperature.
                thermal=None,
            )
            ceiling = real.state(self.horizon, situation).ceilings_ka["rectifier DC voltage"]
            load[at] = np.where(out[at], 0.0, np.minimum(load[at], ceiling))
            made = real.simulate(self.horizon, situation, {key: load[at]})
            for commodity, flow in made.flows.items():
                flows.setdefault(commodity, np.zeros(load.shape))[at] = flow
        self.held_back[circuit.name] = np.where(out, 0.0, planned - load)
        self.x[key] = load
        self.flows.update({(circuit.name, commodity): flow for commodity, flow in flows.items()})

    def _ask(self, customer: Pipeline) -> None:
        """Let a customer ask for his share of what was planned for him; the plan may hold a margin."""
        factor = self.days.take.get(customer.name, np.ones(self.days.count))
        key = customer.key("take")
        # Without any difference he takes what is planned, margin included: the margin is for days with one.
        expected = 1.0 + getattr(self.planned_for[customer.name], "margin_percent", 0.0) / 100.0
        margin = np.where(factor == 1.0, 1.0, expected)
        self.x[key] = self.x[key] * (factor / margin)[:, None]
        self.asked[customer.name] = self.x[key]
        self.flows[customer.name, customer.commodity] = -self.x[key]

    def _load(self, lot: Lot) -> None:
        """Load a lot as planned, later by what its tankers are late."""
        key = lot.key("loading")
        if key not in self.x:
            return
        late = self.days.late_min.get(lot.name, np.zeros(self.days.count))
        ends = np.cumsum(self.horizon.hours) * 60.0
        starts = ends - self.horizon.lengths_min
        done = np.concatenate([[0.0], np.cumsum(self.x[key][0] * self.horizon.hours)])
        clock = np.concatenate([[0.0], ends])
        to = np.interp(ends[None, :] - late[:, None], clock, done, left=0.0)
        fro = np.interp(starts[None, :] - late[:, None], clock, done, left=0.0)
        self.x[key] = (to - fro) / self.horizon.hours
        self.flows[lot.name, lot.commodity] = -self.x[key]
        if lot.standing is not None:
            leaves = lot.window_end_min if lot.leaves_min is None else lot.leaves_min
            gone = self.horizon.starts_min[None, :] >= leaves + late[:, None]
            on_site = lot.loaded_t + np.cumsum(self.x[key] * self.horizon.hours, axis=-1)
            before = self.on_site.get(lot.standing, np.zeros(gone.shape))
            self.on_site[lot.standing] = before + np.where(gone, 0.0, on_site)

    def _bounds(self, unit: Unit, piece: str) -> tuple[Array, Array]:
        for variable in unit.declare(self.horizon, self.situation).variables:
            if variable.key == unit.key(piece):
                return variable.lower, variable.upper
        raise KeyError(unit.key(piece))

    def _close(self, commodity: str, short: Iterable[_Lever], over: Iterable[_Lever]) -> None:
        """Let levers give way, those for a lack and those for a surplus, the first first."""
        surplus = self._surplus(commodity)
        for lever in short:
            surplus = lever.move(self.x, surplus, surplus < -SMALL)
        for lever in over:
            surplus = lever.move(self.x, surplus, surplus > SMALL)

    def _wet_and_brine(self) -> Iterator[Unit]:
        for unit in self.of(BrineCircuit, Compressor):
            if isinstance(unit, BrineCircuit):
                salt = unit.depletion_g_per_l / 1000.0
                lever = _Lever(unit.key("flow"), salt, *self._bounds(unit, "flow"))
                self._close(unit.salt, (lever,), (lever,))
            elif isinstance(unit, Compressor):
                lever = _Lever(unit.key("flow"), -1.0, *self._bounds(unit, "flow"))
                self._close(unit.inlet, (lever,), (lever,))
            yield unit

    def _header(self) -> Iterator[Unit]:
        takers = list(self.of(Liquefier, Vaporiser, AcidUnit, HypochloriteUnit, Pipeline))
        headers = [unit.gas for unit in takers if isinstance(unit, Liquefier | Vaporiser | AcidUnit)]
        headers += [unit.gas for unit in takers if isinstance(unit, HypochloriteUnit)]
        headers += [unit.commodity for unit in takers if isinstance(unit, Pipeline)]
        for header in dict.fromkeys(headers):
            if header not in self.stored:
                self._close_header(header)
        yield from (unit for unit in takers if not isinstance(unit, Pipeline))
        for customer in self.of(Pipeline):
            if isinstance(customer, Pipeline):
                self.flows[customer.name, customer.commodity] = -self.x[customer.key("take")]

    def _close_header(self, header: str) -> None:
        liquefiers = [u for u in self.of(Liquefier) if isinstance(u, Liquefier) and u.gas == header]
        acids = [u for u in self.of(AcidUnit) if isinstance(u, AcidUnit) and u.gas == header]
        feeds = [self._feed(unit, acids) for unit in liquefiers]
        plain = [replace(lever, coupled=()) for lever in feeds]
        self._close(header, feeds, ())
        lack = self._again(header) < -SMALL
        up, down = self._vaporisers(header, lack)
        bleach = [
            _Lever(unit.key("chlorine"), -1.0, *self._bounds(unit, "chlorine"))
            for unit in self.of(HypochloriteUnit)
            if isinstance(unit, HypochloriteUnit) and unit.gas == header
        ]
        self._close(header, up, (*down, *feeds))
        for unit in acids:
            gas = unit.key("header_gas")
            self.x[gas] = np.maximum(self.x[gas], 0.0)
        self._again(header)
        acid = [self._acid(unit) for unit in acids]
        customers = [u for u in self.of(Pipeline) if isinstance(u, Pipeline) and u.commodity == header]
        to_least = [self._customer(unit, least=True) for unit in reversed(customers)]
        below = [self._customer(unit, least=False) for unit in reversed(customers)]
        self._close(header, (*plain, *acid, *bleach, *to_least, *below), (*plain, *acid, *bleach))

    def _again(self, header: str) -> Array:
        """Compute anew the flows of the units on a header, and its surplus."""
        for unit in self.of(Liquefier, Vaporiser, AcidUnit, HypochloriteUnit):
            self._simulate(unit)
        return self._surplus(header)

    def _feed(self, unit: Liquefier, acids: list[AcidUnit]) -> _Lever:
        """Return the feed as a lever; acid that burns its tail gas then takes as much less of the header."""
        share = 1.0 - unit.liquefaction_yield
        home = next((acid for acid in acids if acid.tail == unit.tail), None)
        coupled = () if home is None else ((home.key("header_gas"), -share, -1.0),)
        return _Lever(unit.key("feed"), -1.0, *self._bounds(unit, "feed"), coupled)

    def _acid(self, unit: AcidUnit) -> _Lever:
        rows = unit.declare(self.horizon, self.situation).rows[0]
        tail = sum(
            (flow for (_, name), flow in self.flows.items() if name == unit.tail and unit.tail != unit.gas),
            np.zeros((self.days.count, len(self.horizon))),
        ) - self.flows.get((unit.name, unit.tail), 0.0)
        low = np.maximum(rows.lower - tail, 0.0)
        return _Lever(unit.key("header_gas"), -1.0, low, np.maximum(rows.upper - tail, low))

    def _customer(self, customer: Pipeline, least: bool) -> _Lever:
        key = customer.key("take")
        low = np.zeros(len(self.horizon))
        if least and customer.min_t_per_h is not None:
            low = np.full(len(self.horizon), customer.min_t_per_h)
        elif least:
            return _Lever(key, -1.0, self.x[key], self.x[key])
        return _Lever(key, -1.0, np.minimum(low, self.x[key]), self.x[key])

    def _vaporisers(self, header: str, lack: Mask) -> tuple[list[_Lever], list[_Lever]]:
        """Return the vaporisers as levers up, where hot, and down."""
        up, down = [], []
        for unit in self.of(Vaporiser):
            if isinstance(unit, Vaporiser) and unit.gas == header:
                key = unit.key("rate")
                low, high = self._bounds(unit, "rate")
                hot = (self.x[key] > SMALL) | (self._waited(lack) >= unit.cold_start_min)
                up.append(_Lever(key, 1.0, low, np.where(hot, high, self.x[key])))
                down.append(_Lever(key, 1.0, low, high))
        return up, down

    def _waited(self, lack: Mask) -> Array:
        """Return for how long chlorine has been short without a break before each interval. [min]."""
        waited = np.zeros(lack.shape)
        for t in range(1, lack.shape[1]):
            so_far = waited[:, t - 1] + self.horizon.lengths_min[t - 1]
            waited[:, t] = np.where(lack[:, t - 1], so_far, 0.0)
        return waited

    def _tail(self) -> Iterator[Unit]:
        for unit in self.of(AcidUnit):
            if isinstance(unit, AcidUnit) and unit.tail != unit.gas and unit.tail not in self.stored:
                low, high = self._bounds(unit, "tail_gas")
                lever = _Lever(unit.key("tail_gas"), -1.0, low, high)
                self._close(unit.tail, (lever,), (lever,))
            yield unit

    def _hydrogen(self) -> Iterator[Unit]:
        names = {unit.hydrogen for unit in self.of(Circuit) if isinstance(unit, Circuit)}
        for commodity in sorted(names - self.stored):
            outlets = [u for u in self.of(Outlet) if isinstance(u, Outlet) and u.commodity == commodity]
            free = [self._rate(u, -1.0) for u in outlets if u.credit <= 0]
            paid = [self._rate(u, -1.0) for u in outlets if u.credit > 0]
            boilers = [
                _Lever(unit.key("hydrogen"), -1.0, *self._bounds(unit, "hydrogen"))
                for unit in self.of(HydrogenBoiler)
                if commodity == "hydrogen"
            ]
            self._close(commodity, (*free, *boilers, *paid), (*free, *boilers, *paid))
        yield from self.of(HydrogenBoiler, Outlet)

    def _steam(self) -> Iterator[Unit]:
        trades = [u for u in self.of(Purchase, Outlet) if isinstance(u, Purchase | Outlet)]
        done = {unit.hydrogen for unit in self.of(Circuit) if isinstance(unit, Circuit)}
        for commodity in sorted({unit.commodity for unit in trades} - done - self.stored - {"power"}):
            here = [unit for unit in trades if unit.commodity == commodity]
            levers = [self._rate(u, 1.0) for u in here if isinstance(u, Purchase)]
            levers += [self._rate(u, -1.0) for u in here if isinstance(u, Outlet)]
            self._close(commodity, levers, levers)
        yield from trades

    def _rate(self, unit: Unit, sign: float) -> _Lever:
        return _Lever(unit.key("rate"), sign, *self._bounds(unit, "rate"))

    def _simulate_meter(self) -> None:
        """Let the meter read what all units draw."""
        unit = next((u for u in self.site.units if self.site.meter.startswith(f"{u.name}_")), None)
        if unit is None or self.site.meter not in self.x:
            return
        others = {pair: f for pair, f in self.flows.items() if pair[1] == "power" and pair[0] != unit.name}
        self.x[self.site.meter] = -sum(others.values(), np.zeros((self.days.count, len(self.horizon))))
        self._simulate(unit)

    def _simulate_closings(self) -> None:
        """Let units that take up what others leave, such as reactive power, do so last."""
        for unit in self.site.units:
            declared = unit.declare(self.horizon, self.situation)
            for closing in declared.closings:
                self.x[closing.variable] = self.x[closing.variable] - self._surplus(closing.commodity)
            if declared.closings or declared.reads:
                self._simulate(unit)


def _stocks(site: Site, horizon: Horizon, situation: Situation) -> list[Stock]:
    return [stock for unit in site.units for stock in unit.declare(horizon, situation).stocks]
