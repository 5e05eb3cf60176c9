"""Small invented sites for the tests of planning, each with duties that a constant load can meet.

Owns the making of sites and situations; no expected value stands here. Limits are drawn around the
trajectory of a constant base load, so that every site is feasible and its limits still matter.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from models.alkali_density import dry_tonnes
from models.busbar import Busbar
from models.cell_voltage import CellVoltage
from models.circuit import Circuit
from models.compressor import Compressor
from models.contract.component import Component, Contract
from models.contract.demand import DemandCharge
from models.contract.spot import Adder, SpotEnergy
from models.current_efficiency import CurrentEfficiency
from models.horizon import Array, Horizon, Series, day_start_minute
from models.liquefier import Liquefier
from models.meter import SiteMeter
from models.order import Lot, Pipeline
from models.rectifier import Rectifier
from models.site import Site
from models.situation import Situation
from models.tank import AlkaliTank, ChlorineStore, ProductStore, ValueStep
from models.trade import Outlet, OwnUse
from models.unit import Unit
from scheduler.cuts import SearchOptions
from scheduler.plan import Planner, PlanOptions
from scheduler.result import Plan

ZONE = "Europe/Berlin"
DAY = dt.date(2026, 6, 8)
CHLORINE_T_PER_KAH = 2 * 35.453 / (2 * 96485.33212) * 3.6
"""Chlorine of one cell per kiloampere-hour at full efficiency, by Faraday's law. [t/kAh]"""


@dataclass(frozen=True)
class Case:
    """What one plan needs.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What is known. [-]
    """

    site: Site
    horizon: Horizon
    situation: Situation

    def planner(self, search: SearchOptions | None = None) -> Planner:
        """Return a planner that compares with nothing. [-]."""
        options = PlanOptions(search or SearchOptions(), compare=False)
        return Planner(self.site, self.horizon, self.situation, options)

    def plan(self, search: SearchOptions | None = None) -> Plan:
        """Return the plan. [-]."""
        return self.planner(search).plan()

    def priced(self, values: Array) -> Case:
        """Return the same case at other index prices. [-]."""
        series = {**self.situation.series, "day_ahead": prices_on(self.horizon, values)}
        return replace(self, situation=replace(self.situation, series=series))

    def on(self, horizon: Horizon) -> Case:
        """Return the same case on other intervals of the same hours. [-]."""
        return replace(self, horizon=horizon)

    @property
    def prices(self) -> Array:
        """Index prices on the intervals. Shape (n,). [currency/MWh]."""
        return self.situation.series["day_ahead"].on(self.horizon)

    def units(self, kind: type[Unit]) -> list[Unit]:
        """Return the units of one class. [-]."""
        return [unit for unit in self.site.units if isinstance(unit, kind)]


def intervals(count: int, minutes: int = 60, day: dt.date = DAY, zone: str = ZONE) -> Horizon:
    """Return so many intervals from a local midnight."""
    starts = day_start_minute(day, zone) + minutes * np.arange(count, dtype=np.int64)
    return Horizon(starts, np.full(count, minutes, dtype=np.int64), zone, count)


def prices_on(horizon: Horizon, values: Array) -> Series:
    """Return an index with one price on each interval."""
    return Series("day_ahead", horizon.starts_min, horizon.lengths_min, np.asarray(values, dtype=np.float64))


def spot_contract(*components: Component, adder: float = 0.0) -> Contract:
    """Return a contract at the index with one adder, and further components."""
    adders = (Adder("grid", adder),) if adder else ()
    return Contract("test", "XTS", (SpotEnergy("spot", adders_per_mwh=adders), *components))


def plain_circuit(name: str = "room", **changes: object) -> Circuit:
    """Return a membrane circuit that runs from 5 to 15 kA without losses beside the cells.

    At full efficiency its 150 cells give 150 * `CHLORINE_T_PER_KAH` t/h per kA, about 0.198.
    """
    circuit = Circuit(
        name,
        "membrane_zero_gap",
        "NaCl",
        cells_in_series=150,
        area_m2=2.5,
        density_min_ka_per_m2=2.0,
        density_max_ka_per_m2=6.0,
        rectifier=Rectifier(1, 100.0, 1000.0, drop_v=0.0),
        alkali="naoh_32",
        voltage=CellVoltage(2.4, 0.12),
        efficiency=CurrentEfficiency(1.0),
        chlorine="chlorine",
    )
    return replace(circuit, **changes)  # type: ignore[arg-type]


def free_outlets() -> tuple[Unit, ...]:
    """Return takers of alkali and hydrogen without limit or price, and a meter without limit."""
    return (
        Outlet("alkali_out", "naoh_32", rate_max_per_h=1e4),
        Outlet("hydrogen_out", "hydrogen", rate_max_per_h=1e6),
        SiteMeter("meter", import_max_mw=1e4),
    )


def plain_case(
    units: tuple[Unit, ...],
    prices: Array,
    horizon: Horizon | None = None,
    components: tuple[Component, ...] = (),
    **situation: object,
) -> Case:
    """Return a case of given units with free outlets of alkali and hydrogen, at the index."""
    over = intervals(len(prices)) if horizon is None else horizon
    site = Site("test", ZONE, spot_contract(*components), (*units, *free_outlets()))
    known = Situation(series={"day_ahead": prices_on(over, prices)}, **situation)  # type: ignore[arg-type]
    return Case(site, over, known)


# ---------------------------------------------------------------- random sites


def _mercury(rng: np.random.Generator) -> Circuit:
    return Circuit(
        "room_m",
        "mercury",
        "NaCl",
        cells_in_series=int(rng.integers(20, 40)),
        area_m2=float(rng.uniform(18, 30)),
        density_min_ka_per_m2=float(rng.uniform(4, 5)),
        density_max_ka_per_m2=float(rng.uniform(9, 12)),
        rectifier=Rectifier(4, 100.0, 250.0, float(rng.uniform(0.05, 0.2)), 1.0, float(rng.uniform(2, 8))),
        alkali="naoh_50",
        voltage=CellVoltage(float(rng.uniform(3.1, 3.2)), float(rng.uniform(0.07, 0.11))),
        efficiency=CurrentEfficiency(float(rng.uniform(0.95, 0.98)), float(rng.uniform(0, 0.15)), 0.97),
        busbar=Busbar(float(rng.uniform(1, 5))),
        auxiliary_fixed_mw=float(rng.uniform(0.2, 0.9)),
        auxiliary_kwh_per_t=float(rng.uniform(30, 80)),
    )


def _membrane(rng: np.random.Generator, name: str) -> Circuit:
    voltage = CellVoltage(
        float(rng.uniform(2.4, 2.5)),
        float(rng.uniform(0.1, 0.16)),
        age_years=float(rng.uniform(0, 4)),
        drift_v_per_year=0.02,
    )
    return Circuit(
        name,
        "membrane_zero_gap",
        "NaCl",
        cells_in_series=int(rng.integers(90, 160)),
        area_m2=2.8,
        density_min_ka_per_m2=float(rng.uniform(1.5, 2.0)),
        density_max_ka_per_m2=float(rng.uniform(5.0, 6.0)),
        rectifier=Rectifier(1, 50.0, 600.0, float(rng.uniform(0.02, 0.08)), 1.0, float(rng.uniform(80, 250))),
        alkali="naoh_32",
        electrolysers_in_parallel=2,
        voltage=voltage,
        efficiency=CurrentEfficiency(float(rng.uniform(0.95, 0.97)), float(rng.uniform(0, 0.05))),
        busbar=Busbar(float(rng.uniform(10, 40))),
        auxiliary_fixed_mw=float(rng.uniform(0.1, 0.5)),
        auxiliary_kwh_per_t=45.0,
    )


@dataclass
class _Base:
    """A constant load of each circuit and what it makes."""

    loads_ka: Mapping[str, float]
    chlorine: float
    alkali: Mapping[str, float]
    power: float


def _base(rng: np.random.Generator, circuits: list[Circuit]) -> _Base:
    hour = intervals(1)
    loads: dict[str, float] = {}
    alkali: dict[str, float] = {}
    chlorine = power = 0.0
    for circuit in circuits:
        state = circuit.state(hour, Situation())
        low, high = float(state.load_min_ka[0]), float(state.load_max_ka[0])
        loads[circuit.name] = low + float(rng.uniform(0.35, 0.8)) * (high - low)
        flows = circuit.simulate(
            hour, Situation(), {circuit.key("load"): np.array([loads[circuit.name]])}
        ).flows
        chlorine += float(flows[circuit.chlorine][0])
        alkali[circuit.alkali] = alkali.get(circuit.alkali, 0.0) + float(flows[circuit.alkali][0])
        power -= float(flows["power"][0])
    return _Base(loads, chlorine, alkali, power)


def _lots(
    rng: np.random.Generator,
    horizon: Horizon,
    name: str,
    commodity: str,
    made: float,
    count: int,
    grid_min: int,
) -> tuple[list[Lot], Array]:
    """Return lots that take most of a constant flow, and the loading that meets them evenly."""
    lots, loading = [], np.zeros(len(horizon))
    total = made * float(np.sum(horizon.hours)) * float(rng.uniform(0.7, 1.0))
    steps = (horizon.end_min - horizon.start_min) // grid_min
    for i, share in enumerate(rng.dirichlet(np.full(count, 3.0)) if count else ()):
        first = int(rng.integers(0, steps // 2 + 1))
        last = int(rng.integers(min(first + max(steps // 6, 1), steps), steps + 1))
        start, end = horizon.start_min + grid_min * first, horizon.start_min + grid_min * last
        rate = share * total / ((end - start) / 60.0)
        most = rate * float(rng.uniform(1.2, 4.0))
        lots.append(Lot(f"{name}_{i + 1}", commodity, share * total, start, end, most))
        loading += rate * horizon.share_inside(start, end)
    return lots, loading


def _around(rng: np.random.Generator, levels: Array, initial: float, room: float) -> tuple[float, float]:
    low, high = min(float(levels.min()), initial), max(float(levels.max()), initial)
    return low - room * float(rng.uniform(0.05, 1.0)), high + room * float(rng.uniform(0.05, 1.0))


def _with_ramp(rng: np.random.Generator, circuit: Circuit, minutes: float) -> Circuit:
    width = (circuit.density_max_ka_per_m2 - circuit.density_min_ka_per_m2) * circuit.area_m2
    step = float(rng.uniform(0.1, 0.6)) * width * circuit.electrolysers_in_parallel
    return replace(circuit, ramp_ka_per_min=step / minutes, ramp_minutes=minutes)


def random_prices(rng: np.random.Generator, horizon: Horizon, low: float = 0.0) -> Array:
    """Return prices with a daily shape and noise, none below `low`."""
    hour = np.array([start.hour + start.minute / 60.0 for start in horizon.local_starts])
    shape = 60.0 - 35.0 * np.exp(-(((hour - 13.0) / 3.0) ** 2)) + 40.0 * np.exp(-(((hour - 19.0) / 2.0) ** 2))
    return np.asarray(np.maximum(shape + rng.normal(0.0, 15.0, len(horizon)), low))


def random_case(
    rng: np.random.Generator,
    horizon: Horizon,
    *,
    circuits: int = 2,
    liquid: bool = False,
    ramps: bool = True,
    demand: bool = True,
    credit: bool = True,
    lots: int = 2,
    window_minutes: int = 30,
) -> Case:
    """Return a site of mercury and membrane cells with a chlorine and an alkali store.

    Parameters
    ----------
    rng : Generator
        Source of every value. [-]
    horizon : Horizon
        The intervals. [-]
    circuits : int
        Circuits, the first with mercury cells, 1 or more. [-]
    liquid : bool
        Whether chlorine is compressed, liquefied and stored as liquid; otherwise gas is stored. [-]
    ramps : bool
        Whether loads and the pipeline have limits of movement. [-]
    demand : bool
        Whether there is a demand charge. [-]
    credit : bool
        Whether alkali, hydrogen and end stocks are worth money. [-]
    lots : int
        Lots of chlorine, and of alkali, each. [-]
    window_minutes : int
        Grid on which windows of lots begin and end. [min]

    Returns
    -------
    Case
        The site, feasible at a constant load. [-]
    """
    rooms = [_mercury(rng), *(_membrane(rng, f"room_{i}") for i in range(1, circuits))]
    base = _base(rng, rooms)
    before: dict[str, float] = {}
    if ramps:
        shortest = int(horizon.lengths_min.min())
        minutes = float(rng.choice([m for m in (15, 30, 60) if m <= 2 * shortest]))
        rooms = [_with_ramp(rng, room, minutes) for room in rooms]
        for room in rooms:
            room_step = float(room.ramp_ka_per_min or 0.0) * minutes
            before[room.name] = base.loads_ka[room.name] + float(rng.uniform(-0.9, 0.9)) * room_step
    hours, elapsed = horizon.hours, np.cumsum(horizon.hours)
    units: list[Unit] = []
    stocks: dict[str, float] = {}
    share = float(rng.uniform(0.2, 0.5))
    to_store, power = share * base.chlorine, base.power
    store_commodity = "chlorine_liquid" if liquid else "chlorine"
    rooms = [replace(room, chlorine="chlorine_wet" if liquid else "chlorine") for room in rooms]
    if liquid:
        compressor = Compressor("compressor", 2, 0.75 * base.chlorine, 0.68, 30.0)
        liquefier = Liquefier("liquefier", 0.2 * to_store, 2.5 * to_store, kwh_per_t=65.0)
        tail = Outlet("tail", "tail_gas", rate_max_per_h=base.chlorine)
        units += [compressor, liquefier, tail]
        power += 0.03 * 1.05 * base.chlorine + 0.065 * to_store
        to_store *= liquefier.liquefaction_yield
    # Pipeline first, then lots from the store.
    rate = (1.0 - share) * base.chlorine
    units.append(
        Pipeline(
            "pipeline",
            "chlorine",
            rate,
            min_t_per_h=0.8 * rate,
            max_t_per_h=1.15 * rate,
            ramp_t_per_h_per_h=0.1 * rate if ramps else None,
            daily_tolerance_percent=float(rng.choice([0.0, 2.0])),
        )
    )
    chlorine_lots, loading = _lots(rng, horizon, "lot", store_commodity, to_store, lots, window_minutes)
    room_t = 6.0 * to_store
    initial = room_t + float(np.sum(loading * hours))
    levels = initial + np.cumsum((to_store - loading) * hours)
    low, high = _around(rng, levels, initial, room_t)
    target = float(levels[-1]) * float(rng.uniform(0.9, 1.0))
    if liquid:
        units.append(
            ChlorineStore(
                "store", 1, high / 0.9, high / 0.95, empty_vessels=0, cover_min_t=low, end_min_t=target
            )
        )
    else:
        units.append(ProductStore("store", "chlorine", low, high, end_min_t=target))
    stocks["store"] = initial
    # The mercury room's alkali has a tank; the other rooms' is sold as it is made.
    made = base.alkali["naoh_50"]
    alkali_lots, loading = _lots(rng, horizon, "alkali", "naoh_50", made, lots, window_minutes)
    initial = 8.0 * made + float(np.sum(loading * hours))
    levels = initial + made * elapsed - np.cumsum(loading * hours)
    low, high = _around(rng, levels, initial, 6.0 * made)
    per_m3 = float(dry_tonnes(1.0, "NaOH", 50.0, 40.0))
    volume = 1.2 * high / per_m3
    end = float(levels[-1])
    worth = float(rng.uniform(60, 200))
    values = (ValueStep(end, worth), ValueStep(0.1 * end, 0.6 * worth), ValueStep(end, 0.1 * worth))
    units.append(
        AlkaliTank(
            "tank",
            "naoh_50",
            1,
            volume,
            "NaOH",
            50.0,
            40.0,
            min_percent=100.0 * low / (volume * per_m3),
            max_percent=100.0 * high / (volume * per_m3),
            end_min_t=0.9 * end,
            end_values=values if credit else (),
        )
    )
    stocks["tank"] = initial
    if circuits > 1:
        worth = float(rng.uniform(0, 60)) if credit else 0.0
        units.append(Outlet("alkali_out", "naoh_32", 1e3, credit=worth))
    units.append(Outlet("hydrogen_out", "hydrogen", 1e5, credit=0.5 if credit else 0.0, group="hydrogen"))
    own = float(rng.uniform(2, 8))
    power += own
    units += [
        OwnUse("other_load", "power", rate_per_h=own, unit="MW"),
        SiteMeter("meter", import_max_mw=power * float(rng.uniform(1.03, 1.4))),
    ]
    components: list[Component] = [
        SpotEnergy("spot", adders_per_mwh=(Adder("grid", 5.0), Adder("levy", 1.0, False)), losses_percent=1.0)
    ]
    peaks = {}
    if demand:
        metering = int(rng.choice([15, 30, 60]))
        components.append(DemandCharge("demand", float(rng.uniform(500, 6000)), metering))
        peaks = {("demand", month): power * float(rng.uniform(0.8, 1.1)) for month in set(horizon.months)}
    return Case(
        Site(
            "random site",
            ZONE,
            Contract("test", "XTS", tuple(components)),
            (*rooms, *units, *chlorine_lots, *alkali_lots),
        ),
        horizon,
        Situation(
            stocks=stocks,
            loads_before=before,
            series={"day_ahead": prices_on(horizon, random_prices(rng, horizon))},
            peaks_mw=peaks,
        ),
    )
