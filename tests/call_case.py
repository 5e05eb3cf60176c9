"""A site at its mean load that is paid for calls: the cell rooms of the demo, reduced to chlorine and power.

Owns the making of the case; what can be answered is derived where it is tested.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from importlib.resources import as_file, files

import numpy as np

import models.kinds  # noqa: F401 - fills the registers of kinds
from models.circuit import Circuit
from models.contract.component import Contract
from models.horizon import Horizon
from models.liquefier import Liquefier, Vaporiser
from models.meter import SiteMeter
from models.order import Pipeline
from models.site import Site
from models.situation import Situation
from models.tank import ChlorineStore
from models.trade import Outlet, OwnUse, Purchase
from models.unit import Unit
from scheduler.read.bill_inputs import read_contract_file
from scheduler.read.inputs import read_inputs
from tests.small_sites import intervals


def demo_contract(name: str) -> Contract:
    """Return a contract of the demo."""
    with as_file(files("tariffs_demo")) as folder:
        return read_contract_file(folder / "contracts" / name, range(2026, 2027))


def call_case(cold_start_min: float, contract: Contract) -> tuple[Site, Horizon, Situation]:
    """Return the site over a day of hours, of which the first two are the plan day.

    Customers by pipeline take 13.0 and 4.2 t/h, acid and bleach 1.87 but no less than 0.8; liquid leaves the
    store at 4.36 t/h from a feed of 4.59: 23.66 t/h in all. The store ends as it starts, so that what a call
    takes is made up within the day.
    """
    with as_file(files("tariffs_demo")) as folder:
        demo = read_inputs(folder / "site.toml", dt.date(2026, 6, 8)).site
    units: list[Unit] = [
        replace(unit, chlorine="chlorine", brine=None, step_ka=None, changes_per_day=None, dwell_minutes=0.0)
        for unit in demo.units
        if isinstance(unit, Circuit)
    ]
    units += [
        *(unit for unit in demo.units if isinstance(unit, Liquefier)),
        *(replace(unit, cold_start_min=cold_start_min) for unit in demo.units if isinstance(unit, Vaporiser)),
        *(replace(unit, end_min_t=300.0) for unit in demo.units if isinstance(unit, ChlorineStore)),
        Pipeline("vinyl", "chlorine", 13.0),
        Pipeline("organics", "chlorine", 4.2),
        Pipeline("acid", "chlorine", 1.87, min_t_per_h=0.8, max_t_per_h=2.5),
        Pipeline("liquid_customers", "chlorine_liquid", 4.36),
        Outlet("tail_gas_out", "tail_gas", 100.0),
        Purchase("steam_purchase", "steam", 20.0, price=30.0),
        *(
            Outlet(f"{commodity}_out", commodity, 1e4)
            for commodity in ("naoh_50", "naoh_32", "koh_32", "hydrogen")
        ),
        OwnUse("other_load", "power", rate_per_h=12.8, unit="MW"),
        SiteMeter("meter", import_max_mw=95.0),
    ]
    horizon = intervals(24)
    horizon = Horizon(horizon.starts_min, horizon.lengths_min, horizon.timezone, 2)
    situation = Situation(stocks={"liquid_store": 300.0})
    return Site("calls", horizon.timezone, contract, tuple(units)), horizon, situation


def full_hours(values: np.ndarray) -> list[float]:
    """Return values rounded for comparison."""
    return [round(float(x), 3) for x in values]
