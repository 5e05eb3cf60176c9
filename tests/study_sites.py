"""Invented sites for the tests of studies: a room, a store and customers who take all day, over weeks.

Owns the making of sites and prices; no expected value stands here.
"""

from __future__ import annotations

import datetime as dt

import numpy as np

from models.contract.component import Component
from models.horizon import Array, Horizon, day_start_minute
from models.meter import SiteMeter
from models.order import Pipeline
from models.site import Site
from models.situation import Situation
from models.tank import ProductStore
from models.trade import Outlet, OwnUse
from scheduler.studies.year import year_horizon
from tests.small_sites import CHLORINE_T_PER_KAH, ZONE, plain_circuit, prices_on, spot_contract

MEAN_T_PER_H = 10.5 * 150 * CHLORINE_T_PER_KAH
"""What the room makes at 10.5 of its 5 to 15 kA. [t/h]"""


def store_site(days: float, *components: Component) -> Site:
    """Return a room of 5 to 15 kA that changes slowly, with a store of so many days of its mean output."""
    room = plain_circuit(ramp_ka_per_min=0.04, ramp_minutes=60.0)
    store_t = 24.0 * days * MEAN_T_PER_H
    neighbour = Pipeline(
        "neighbour",
        "chlorine",
        MEAN_T_PER_H,
        min_t_per_h=0.8 * MEAN_T_PER_H,
        max_t_per_h=1.2 * MEAN_T_PER_H,
        ramp_t_per_h_per_h=0.05 * MEAN_T_PER_H,
        daily_tolerance_percent=2.0,
    )
    return Site(
        "study",
        ZONE,
        spot_contract(*components),
        (
            room,
            ProductStore("store", "chlorine", 0.0, store_t, end_min_t=0.5 * store_t),
            neighbour,
            Outlet("alkali_out", "naoh_32", rate_max_per_h=1e4),
            Outlet("hydrogen_out", "hydrogen", rate_max_per_h=1e6),
            OwnUse("other_load", "power", rate_per_h=0.5, unit="MW"),
            SiteMeter("meter", import_max_mw=100.0),
        ),
    )


def long_horizon(site: Site, first: dt.date, days: int, minutes: int = 60) -> Horizon:
    """Return so many local days."""
    start, end = (day_start_minute(first + dt.timedelta(days=d), site.timezone) for d in (0, days))
    return year_horizon(site, start, end, minutes)


def wild_prices(horizon: Horizon, seed: int = 5) -> Array:
    """Return prices with a daily shape, calm and dear weeks, noise and some hours below zero."""
    rng = np.random.default_rng(seed)
    hour = np.array([start.hour for start in horizon.local_starts])
    day = np.array([start.toordinal() for start in horizon.local_starts])
    day -= day[0]
    weeks = 25.0 * np.sin(2 * np.pi * day / 17.0)
    shape = -30.0 * np.exp(-(((hour - 13.0) / 3.0) ** 2)) + 35.0 * np.exp(-(((hour - 19.0) / 2.0) ** 2))
    return np.asarray(45.0 + weeks + shape + rng.normal(0.0, 9.0, len(horizon)))


def start_of(site: Site, horizon: Horizon, prices: Array) -> Situation:
    """Return a situation with every store half full."""
    stores = [unit for unit in site.units if isinstance(unit, ProductStore)]
    return Situation(
        stocks={store.name: 0.5 * store.max_t for store in stores},
        series={"day_ahead": prices_on(horizon, prices)},
    )
