"""Plans for the tests of what people take away: page, sheet and workbook.

Built from the small plan of `tests.report_case`, by hand: more circuits, shorter intervals, hostile names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.order import Lot
from models.pieces import Declaration, Flow, Simulation, Stock, Variable
from models.site import Contact
from scheduler.result import Plan
from scheduler.values import LimitValue, Move, Moved
from tests.report_case import N, Named, circuit_readings, small_plan

HOSTILE = "<script>alert('x')</script>"
"""A name that a page must show and not run."""


def hostile_plan() -> Plan:
    """Return the small plan with markup and formulas in every name a user can choose."""
    plan = small_plan()
    start = plan.horizon.start_min
    lots = (
        Lot("eq", "chlorine_liquid", 40.0, start + 360, start + 720, 20.0, customer="=1+1", mode="road"),
        Lot("at", "chlorine_liquid", 40.0, start + 360, start + 900, 20.0, customer="@SUM(A1)", mode="rail"),
    )
    every = np.arange(6, 10, dtype=np.int64)
    variables = tuple(
        Variable(f"{lot.name}_loading", "t/h", np.zeros(4), np.full(4, 20.0), every, meaning=HOSTILE)
        for lot in lots
    )
    values = {**plan.audit.values, **{variable.key: np.full(4, 10.0) for variable in variables}}
    bill = tuple(replace(line, label=f"={HOSTILE}") for line in plan.audit.bill)
    return replace(
        plan,
        site=replace(
            plan.site,
            name=f"Works {HOSTILE}",
            units=(*plan.site.units, *lots),
            contract=replace(plan.site.contract, name=HOSTILE),
            notes=(f"Note {HOSTILE} & more", "https://example.invalid/"),
            contacts=(Contact(f"shift {HOSTILE}", "=2+2"), Contact("planner")),
        ),
        declaration=Declaration.merged((plan.declaration, Declaration(variables=variables))),
        audit=replace(plan.audit, values=values, bill=bill),
        comparisons=tuple(replace(c, name=HOSTILE, note=f"<b>{c.note}") for c in plan.comparisons),
    )


@dataclass(frozen=True)
class Ramped(Named):
    """A circuit by name that states its greatest rate."""

    ramp_ka_per_min: float = 0.5


def crowded_plan(circuits: int, stocks: int, minutes: int = 60, every: int = 4) -> Plan:
    """Return a plan day of 25 hours alone, with many circuits and stocks, cut into shorter intervals.

    Parameters
    ----------
    circuits, stocks : int
        How many. [-]
    minutes : int
        Length of an interval. [min]
    every : int
        A load changes each time so many intervals have passed, circuit by circuit. [-]
    """
    plan = small_plan()
    parts = 60 // minutes
    horizon = plan.horizon.split(parts)
    n = len(horizon)
    each = np.arange(n, dtype=np.int64)
    names = tuple(f"circuit_{number + 1}" for number in range(circuits))
    loads = {name: 100.0 + 20.0 * (((each + i) // every) % 2) for i, name in enumerate(names)}
    readings = {
        name: _longer(circuit_readings(np.zeros(N), 0.05, 0.15), load) for name, load in loads.items()
    }
    tanks = tuple(
        Stock(f"soda_tank_{k}_level", "t", f"tank_{k}", 975.5, np.full(n, 181.5), np.full(n, 2041.3))
        for k in range(stocks)
    )
    declaration = Declaration(
        variables=(
            *(Variable(f"{name}_load", "kA", np.zeros(n), np.full(n, 264.0), each) for name in names),
            Variable("meter_import", "MW", np.zeros(n), np.full(n, np.inf), each),
        ),
        stocks=tanks,
        flows=tuple(Flow("chlorine", f"{name}_load", 0.05) for name in names),
    )
    power = sum((readings[name]["ac_power_mw"] for name in names), np.zeros(n)) + 9.0
    values = {
        **{f"{name}_load": loads[name] for name in names},
        **{tank.key: 975.5 + np.cumsum(np.full(n, 0.5)) for tank in tanks},
        "meter_import": power,
    }
    audit = replace(
        plan.audit,
        values=values,
        simulations={k: Simulation({}, (), v) for k, v in readings.items()},
        flows={},
    )
    return replace(
        plan,
        horizon=horizon,
        declaration=declaration,
        audit=audit,
        site=replace(plan.site, units=(*(Ramped(name) for name in names), Named("meter"))),
        energy_price_per_mwh=np.repeat(plan.energy_price_per_mwh, parts),
    )


def _longer(readings: dict[str, np.ndarray], load: np.ndarray) -> dict[str, np.ndarray]:
    """Return readings proportional to a load of any length."""
    return {
        **{name: np.full(len(load), 1.0) for name in readings},
        "dc_power_mw": 0.15 * load,
        "ac_power_mw": 0.1575 * load,
        "chlorine_t_per_h": 0.05 * load,
        "alkali_t_per_h": 0.0564 * load,
        "hydrogen_kg_per_h": 1.42 * load,
    }


def some_values() -> Sequence[LimitValue]:
    """Return two values, one with a move that is not possible."""
    none = Move(0.0, None, 0.0, 0.0)
    return (
        LimitValue(
            "liquid_level.start",
            "liquid",
            Moved.STOCK,
            "content of liquid",
            "t",
            Move(1.0, -61.25, 0.0, 0.0),
            Move(1.0, 63.5, 0.0, 0.0),
            (3, 4),
            (0, 1),
        ),
        LimitValue(
            "meter_import.upper",
            "meter",
            Moved.UPPER,
            "import limit",
            "MW",
            Move(1.0, -12.0, 0.0, 0.0),
            none,
            (0,),
            (0, 24),
            at_miss=True,
        ),
    )
