"""A small plan written by hand, for the tests of the reports.

Two circuits, one tank and a day of 25 hours (Europe/Berlin, 25 October 2026, when clocks go back at 03:00
summer time), then 23 hours of look-ahead: 48 intervals. All numbers are invented and simple enough to check
by hand; see the tests. Nothing here is optimal or physical.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from models.contract.component import BillLine, Contract
from models.horizon import Array, Horizon, day_start_minute
from models.misses import ORDER
from models.pieces import Curve, Declaration, Flow, Simulation, Stock, Variable
from models.site import Site
from models.situation import Situation
from models.unit import Unit
from scheduler.result import Audit, Certificate, Comparison, Miss, Plan, Status, Violation

N = 48
HOURS_OF_DAY = 25
DEAR = np.arange(N) % 12 < 6
"""Intervals at which the invented plan runs low."""


@dataclass(frozen=True)
class Named(Unit):
    """A unit that only has a name."""

    name: str

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return nothing."""
        return Declaration()

    def simulate(self, horizon: Horizon, situation: Situation, setpoints: Mapping[str, Array]) -> Simulation:
        """Return nothing."""
        return Simulation({})


def horizon_of_25_hours() -> Horizon:
    """Return 48 hours from local midnight of a day of 25 hours."""
    start = day_start_minute(dt.date(2026, 10, 25), "Europe/Berlin")
    starts = start + 60 * np.arange(N, dtype=np.int64)
    return Horizon(starts, np.full(N, 60, dtype=np.int64), "Europe/Berlin", HOURS_OF_DAY)


def circuit_readings(load: Array, chlorine_per_ka: float, dc_per_ka: float) -> dict[str, Array]:
    """Return readings of a circuit that are proportional to its load."""
    return {
        "current_density_ka_per_m2": load / 24.0,
        "cell_voltage_v": np.where(load > 0, 4.0, 0.0),
        "dc_voltage_v": np.where(load > 0, 144.0, 0.0),
        "current_efficiency": np.full(N, 0.95),
        "dc_power_mw": dc_per_ka * load,
        "ac_power_mw": 1.05 * dc_per_ka * load,
        "chlorine_t_per_h": chlorine_per_ka * load,
        "alkali_t_per_h": 1.128 * chlorine_per_ka * load,
        "hydrogen_kg_per_h": 28.4 * chlorine_per_ka * load,
    }


def small_plan() -> Plan:
    """Return the plan: all duties met, one comparison, one order loaded in a window of 4 hours.

    Room M runs at 100 kA when dear and 200 kA otherwise, 0.05 t and 0.15 MW DC per kA; room B at 10 and 30,
    0.2 t and 0.4 MW DC per kA; AC is 1.05 times DC. The price is 80 when dear, 40
    otherwise, -5 in interval 30. The tank starts at 100 t, takes 1 t/h when cheap
    and gives 1 t/h when dear.
    """
    horizon = horizon_of_25_hours()
    load_m, load_b = np.where(DEAR, 100.0, 200.0), np.where(DEAR, 10.0, 30.0)
    readings = {"room_m": circuit_readings(load_m, 0.05, 0.15), "room_b": circuit_readings(load_b, 0.2, 0.4)}
    ac = {name: values["ac_power_mw"] for name, values in readings.items()}
    power = ac["room_m"] + ac["room_b"] + 9.0
    price = np.where(DEAR, 80.0, 40.0)
    price[30] = -5.0
    level = 100.0 + np.cumsum(np.where(DEAR, -1.0, 1.0))
    zeros, full = np.zeros(N), np.full(N, np.inf)
    every = np.arange(N, dtype=np.int64)
    declaration = Declaration(
        variables=(
            Variable("room_m_load", "kA", zeros, np.full(N, 264.0), every, meaning="load of room_m"),
            Variable("room_b_load", "kA", zeros, np.full(N, 32.4), every, meaning="load of room_b"),
            Variable("meter_import", "MW", zeros, full, every, meaning="metered import of the site"),
            Variable(
                "wagon_fri_loading",
                "t/h",
                np.zeros(4),
                np.full(4, 20.0),
                np.arange(8, 12, dtype=np.int64),
                meaning="loading of lot fri",
            ),
            Variable(
                "wagon_fri_missed",
                "t",
                np.zeros(1),
                np.full(1, 56.0),
                labels=("fri",),
                miss_class=ORDER,
                miss_price=1000.0,
                meaning="part of lot fri that is not loaded",
            ),
            Variable(
                "grid_month_peak",
                "MW",
                np.array([50.0]),
                np.array([np.inf]),
                labels=("month_2026_10",),
                meaning="billed peak of month_2026_10",
            ),
        ),
        curves=(
            Curve("room_m_power", "MW", "room_m_load", lambda x, t: x, lambda x, t: x, "AC power of room_m"),
            Curve("room_b_power", "MW", "room_b_load", lambda x, t: x, lambda x, t: x, "AC power of room_b"),
        ),
        stocks=(
            Stock(
                "liquid_level",
                "t",
                "chlorine_liquid",
                100.0,
                np.full(N, 80.0),
                np.full(N, 560.0),
                meaning="liquid chlorine",
            ),
        ),
        flows=(
            Flow("chlorine", "room_m_load", 0.05),
            Flow("power", "room_m_power", -1.0),
            Flow("power", "meter_import", 1.0),
            Flow("chlorine_liquid", "wagon_fri_loading", -1.0),
        ),
    )
    loading = np.full(4, 14.0)
    on_all = np.zeros(N)
    on_all[8:12] = loading
    energy_cost = float(np.sum(price * power))
    audit = Audit(
        values={
            "room_m_load": load_m,
            "room_b_load": load_b,
            "meter_import": power,
            "wagon_fri_loading": loading,
            "wagon_fri_missed": np.zeros(1),
            "grid_month_peak": np.array([54.1]),
            "room_m_power": ac["room_m"],
            "room_b_power": ac["room_b"],
            "liquid_level": level,
        },
        simulations={name: Simulation({}, (), values) for name, values in readings.items()},
        flows={
            ("room_m", "chlorine"): readings["room_m"]["chlorine_t_per_h"],
            ("room_m", "power"): -ac["room_m"],
            ("room_b", "naoh_32"): readings["room_b"]["alkali_t_per_h"],
            ("wagon_fri", "chlorine_liquid"): -on_all,
        },
        balance_error={"chlorine": 1e-9, "power": 3e-8},
        violations=(),
        costs={"energy": energy_cost, "demand": 4100.0, "hydrogen": -600.0, "end stock": -52.5},
        sunk=50000.0,
        bill=(
            BillLine(
                "spot", "energy at spot", 2000.0, "MWh", 52.5, 105000.0, "energy", "sum of price x energy"
            ),
            BillLine("grid", "demand", 54.1, "MW", 1000.0, 54100.0, "demand", "peak x rate"),
        ),
    )
    return Plan(
        site=Site(
            "Tarnholm Works",
            "Europe/Berlin",
            Contract("demo A", "XTS"),
            (Named("room_m"), Named("room_b"), Named("meter"), Named("liquid"), Named("wagon_fri")),
            notes=("Invented data: site, contract and prices are made up.",),
        ),
        horizon=horizon,
        situation=Situation(),
        declaration=declaration,
        status=Status.PLAN,
        certificate=Certificate(audit.cost - 0.5, audit.cost, 100000.0, rounds=3, tangents=12),
        audit=audit,
        misses=(),
        comparisons=(
            Comparison("cheapest constant load", audit.cost + 1250.0, 125000.0, note="same daily production"),
            Comparison("last week's pattern", None, note="liquid_level would fall below 80 t"),
        ),
        energy_price_per_mwh=price,
        seconds={"solve": 1.25},
    )


def missed_plan() -> Plan:
    """Return the same plan with half of an order missed."""
    miss = Miss("wagon_fri_missed", "part of lot fri that is not loaded", ORDER, 28.0, "t", 11, 1000.0)
    return replace(small_plan(), status=Status.MISSES, misses=(miss,))


def broken_plan() -> Plan:
    """Return the same plan with a tank above its permit in the second 02:00 of the long night."""
    plan = small_plan()
    violation = Violation("liquid_level", "permit for stored chlorine", 3, 12.5, "t")
    return replace(plan, status=Status.NOT_A_PLAN, audit=replace(plan.audit, violations=(violation,)))
