"""Very small invented sites in which one limit decides the load, for the tests of limits.

Owns the making of sites and the hand arithmetic of their one circuit; what a limit is worth stands in the
tests. Every site has the same circuit: 100 cells of 1 m2 with U = 2 + 0.1 j and full efficiency, so that
its power is 0.2 I + 0.01 I2 MW at I kA, between 1 and 9 kA where nothing else is said, and it makes
`T_PER_KA` tonnes of chlorine an hour and kA.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.alkali_density import dry_tonnes
from models.cell_voltage import CellVoltage
from models.circuit import Circuit
from models.contract.component import Component, Contract
from models.contract.spot import Adder, SpotEnergy
from models.current_efficiency import CurrentEfficiency
from models.horizon import Horizon, Series, day_start_minute
from models.meter import SiteMeter
from models.order import Pipeline
from models.rectifier import Rectifier
from models.site import Site
from models.situation import Availability, Situation
from models.tank import AlkaliTank, ProductStore
from models.trade import Outlet
from models.unit import Unit
from scheduler.audit import row_values
from scheduler.cuts import SearchOptions
from scheduler.plan import PlanOptions, make_plan
from scheduler.result import Plan

ZONE = "Europe/Berlin"
DAY = dt.date(2026, 6, 8)
CHEAP_THEN_DEAR = (20.0, 100.0)

KG_PER_KAH = 2 * 35.453 * 3600.0 / (2 * 96485.33212)
"""Chlorine of one cell by Faraday's law, M Q / (z F). [kg/kAh]"""
T_PER_KA = 100 * KG_PER_KAH / 1000.0
"""Chlorine of the circuit per kA. [t/h per kA]"""
ALKALI_PER_KA = T_PER_KA * 2 * 39.99676928 / 70.906
"""Caustic soda of the circuit per kA: 2 NaOH go with one Cl2. [t/h per kA]"""
SALT_PER_KA = T_PER_KA * 2 * 58.44276928 / 70.906
"""Salt of the circuit per kA: 2 NaCl go with one Cl2. [t/h per kA]"""
HYDROGEN_KG_PER_KA = 1000.0 * T_PER_KA * 2.016 / 70.906
"""Hydrogen of the circuit per kA: one H2 goes with one Cl2. [kg/h per kA]"""


def power_mw(load_ka: float) -> float:
    """Return 100 cells * (2 + 0.1 I) V * I kA / 1000. [MW]."""
    return 0.2 * load_ka + 0.01 * load_ka**2


def energy_cost(loads_ka: Sequence[float], prices: Sequence[float] = CHEAP_THEN_DEAR) -> float:
    """Return the sum of price times power of hours at given loads. [currency]."""
    return sum(price * power_mw(load) for price, load in zip(prices, loads_ka, strict=True))


def hours(count: int, minutes: int = 60, day: dt.date = DAY) -> Horizon:
    """Return so many intervals from a local midnight."""
    starts = day_start_minute(day, ZONE) + minutes * np.arange(count, dtype=np.int64)
    return Horizon(starts, np.full(count, minutes, dtype=np.int64), ZONE, count)


def fact(unit: str, what: str, value: float, first: int = 0, last: int = 0) -> Availability:
    """Return an availability fact over whole hours of the horizon, from the first to the last."""
    start = day_start_minute(DAY, ZONE)
    return Availability(unit, what, value, start + 60 * first, start + 60 * (last + 1))


def index(horizon: Horizon, prices: Sequence[float]) -> Series:
    """Return an index with one price on each interval."""
    return Series("day_ahead", horizon.starts_min, horizon.lengths_min, np.array(prices, dtype=np.float64))


def room(**changes: Any) -> Circuit:
    """Return the circuit of the module's docstring, with changes."""
    circuit = Circuit(
        "room",
        "membrane_zero_gap",
        "NaCl",
        cells_in_series=100,
        area_m2=1.0,
        density_min_ka_per_m2=1.0,
        density_max_ka_per_m2=9.0,
        rectifier=Rectifier(1, 1e3, 1e4, drop_v=0.0),
        alkali="naoh_50",
        voltage=CellVoltage(2.0, 0.1),
        efficiency=CurrentEfficiency(1.0, 0.0, 1.0),
        chlorine="chlorine",
    )
    return replace(circuit, **changes)


def gas_store(max_ka_h: float = 1e3, commodity: str = "chlorine", **changes: Any) -> ProductStore:
    """Return an invented store that holds what the circuit makes in so many kAh."""
    return ProductStore("store", commodity, 0.0, max_ka_h * T_PER_KA, **changes)


def customer(
    nominal_ka: float = 5.0, commodity: str = "chlorine", per_ka: float = T_PER_KA, **changes: Any
) -> Pipeline:
    """Return a pipeline customer who takes what the circuit makes at so many kA."""
    return Pipeline("customer", commodity, nominal_ka * per_ka, **changes)


def outlet(commodity: str, **changes: Any) -> Outlet:
    """Return a free taker of a commodity."""
    return replace(Outlet(f"{commodity}_out", commodity, rate_max_per_h=1e6), **changes)


def alkali_tank(max_percent: float, min_percent: float = 0.0) -> AlkaliTank:
    """Return a tank of 50 % caustic that is full with what the circuit makes in 10 kAh."""
    per_m3 = float(dry_tonnes(1.0, "NaOH", 50.0, 40.0))
    return AlkaliTank(
        "tank",
        "naoh_50",
        1,
        10.0 * ALKALI_PER_KA / per_m3,
        "NaOH",
        50.0,
        40.0,
        min_percent=min_percent,
        max_percent=max_percent,
    )


@dataclass(frozen=True)
class Small:
    """A site of the module's circuit and further units, at an index without adders.

    Parameters
    ----------
    units : tuple of Unit
        Units beside the takers of alkali and hydrogen and the meter. [-]
    prices : tuple of float
        Index of each hour. [currency/MWh]
    takes : tuple of str
        Commodities of the circuit that leave the site free of charge. [-]
    components : tuple of Component
        Components beside the index. [-]
    adder : float
        Adder to the index. [currency/MWh]
    meter : SiteMeter
        Meter. [-]
    stocks, loads_before, end_stocks, peaks_mw, peak_targets_mw, nominations : mapping, optional
        Of the situation. [-]
    facts : tuple of Availability
        Of the situation. [-]
    horizon : Horizon, optional
        Intervals; hours unless given. [-]
    """

    units: tuple[Unit, ...]
    prices: tuple[float, ...] = CHEAP_THEN_DEAR
    takes: tuple[str, ...] = ("naoh_50", "hydrogen")
    components: tuple[Component, ...] = ()
    adder: float = 0.0
    meter: SiteMeter = SiteMeter("meter", import_max_mw=1e4)  # noqa: RUF009 frozen, so safe to share
    stocks: tuple[tuple[str, float], ...] = ()
    loads_before: tuple[tuple[str, float], ...] = ()
    end_stocks: tuple[tuple[str, float], ...] = ()
    peaks_mw: tuple[tuple[tuple[str, str], float], ...] = ()
    peak_targets_mw: tuple[tuple[tuple[str, str], float], ...] = ()
    nominations: tuple[tuple[tuple[str, str], float], ...] = ()
    facts: tuple[Availability, ...] = ()
    horizon: Horizon | None = None

    def site(self) -> Site:
        """Return the site."""
        adders = (Adder("adder", self.adder),) if self.adder else ()
        contract = Contract("test", "XTS", (SpotEnergy("spot", adders_per_mwh=adders), *self.components))
        return Site("test", ZONE, contract, (*self.units, *map(outlet, self.takes), self.meter))

    def situation(self) -> Situation:
        """Return the situation."""
        return Situation(
            stocks=dict(self.stocks),
            loads_before=dict(self.loads_before),
            availability=self.facts,
            series={"day_ahead": index(self.intervals(), self.prices)},
            peaks_mw=dict(self.peaks_mw),
            peak_targets_mw=dict(self.peak_targets_mw),
            end_stocks=dict(self.end_stocks),
            nominations_t_per_d=dict(self.nominations),
        )

    def intervals(self) -> Horizon:
        """Return the intervals."""
        return self.horizon or hours(len(self.prices))

    def plan(self) -> Plan:
        """Return the plan, at a gap far below the differences that tests look for."""
        options = PlanOptions(SearchOptions(gap=1e-10, seconds=20.0), compare=False)
        return make_plan(self.site(), self.intervals(), self.situation(), options)


@dataclass(frozen=True)
class At:
    """Where a limit is reached: a variable, curve or level at a value.

    Parameters
    ----------
    key : str
        Key of the variable, curve result or stock level. [-]
    position : int
        Index position. [-]
    value : float
        The limit. [as declared]
    """

    key: str
    position: int
    value: float

    def reached(self, plan: Plan) -> tuple[float, float]:
        """Return the plan's value and the limit."""
        return float(plan.audit.values[self.key][self.position]), self.value


@dataclass(frozen=True)
class OnRow:
    """Where a limit is reached: a row at its lower or upper limit.

    Parameters
    ----------
    key : str
        Key of the family. [-]
    row : int
        Row. [-]
    side : str
        'lower' or 'upper'. [-]
    """

    key: str
    row: int
    side: str

    def reached(self, plan: Plan) -> tuple[float, float]:
        """Return the plan's left-hand side and the limit."""
        rows = next(rows for rows in plan.declaration.rows if rows.key == self.key)
        left, _ = row_values(rows, plan.audit.values)
        return float(left[self.row]), float(getattr(rows, self.side)[self.row])


@dataclass(frozen=True)
class Binding:
    """A limit, the same site without it, and what it costs.

    Parameters
    ----------
    name : str
        The limit in words. [-]
    limited, relaxed : callable
        Make the site with and without the limit. [-]
    difference : float
        Cost with the limit less cost without, by hand. [currency]
    at : At or OnRow
        Where the limit is reached. [-]
    loads_ka : tuple of float
        Loads with the limit, by hand. [kA]
    """

    name: str
    limited: Callable[[], Small]
    relaxed: Callable[[], Small]
    difference: float
    at: At | OnRow
    loads_ka: tuple[float, ...] = (8.0, 2.0)
