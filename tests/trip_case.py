"""A small works whose trips can be worked out by hand, for the tests of trips and hand-offs.

Two rooms, compressors, liquefaction, a vaporiser, a store of liquid, two pipeline customers and acid. The
plan is written by hand, not solved: two hours of plan day and one of look-ahead; every balance closes but
that of power. All numbers are invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.chlorine_products import AcidUnit
from models.compressor import Compressor
from models.contract.component import Contract
from models.contract.spot import SpotEnergy
from models.horizon import Horizon, Series
from models.liquefier import Liquefier, Vaporiser
from models.meter import SiteMeter
from models.order import Lot, Pipeline
from models.rectifier import Rectifier
from models.shifts import ShiftCalendar
from models.site import Site
from models.situation import Situation
from models.tank import ChlorineStore
from models.trade import Outlet, Purchase
from scheduler.audit import audit
from scheduler.lp import formulate
from scheduler.result import Certificate, Plan, Status
from tests.binding_cases import HYDROGEN_KG_PER_KA, T_PER_KA, ZONE, fact, hours, room

MADE_1 = np.array([1.0, 0.5, 0.8])
"""Chlorine of the first room. [t/h]"""
MADE_2 = np.array([0.6, 0.6, 0.6])
"""Chlorine of the second. [t/h]"""
IMPORT = np.array([3.0, 5.0, 7.0])
ALKALI = 2 * 39.99676928 / 70.906
"""Caustic soda per chlorine. [t/t]"""


def horizon_of_trips() -> Horizon:
    """Return two hours of plan day and one after it; shifts start at one and at two."""
    return replace(hours(3), plan_intervals=2, shifts=ShiftCalendar(("01:00", "02:00")))


def trip_plan() -> Plan:
    """Return the plan.

    Header, hours 0, 1 and 2: made 1.6, 1.1 and 1.4 t/h; vaporised 0, 0.2 and 0; near takes 0.7, far 0.5, acid
    0.1 of it and 0.03 of tail gas in hour 0; liquefied 0.3, 0 and 0.1. Of liquid, 10 t become 10.27, 10.07
    and 10.16 t in a store of 20 t.
    """
    horizon = horizon_of_trips()
    rectifier = Rectifier(2, 1e3, 1e4, drop_v=0.0)
    start = horizon.start_min
    units = (
        room(name="room_1", chlorine="chlorine_wet", rectifier=rectifier, ramp_ka_per_min=0.2),
        room(name="room_2", chlorine="chlorine_wet", rectifier=rectifier),
        Compressor("station", 2, 2.0),
        Liquefier("train", 0.0, 0.5, yield_design=0.9),
        Vaporiser("vaporiser", 0.5),
        ChlorineStore("store", vessels=3, vessel_t=10.0, permit_t=100.0, margin_percent=0.0),
        Pipeline("near", "chlorine", 0.7, min_t_per_h=0.4, max_t_per_h=0.7),
        Pipeline("far", "chlorine", 0.5, min_t_per_h=0.5, max_t_per_h=0.6, ramp_t_per_h_per_h=0.2),
        AcidUnit("acid", 0.1, 0.3, hydrogen_excess_percent=0.0),
        Outlet("acid_out", "hydrochloric_acid", 10.0),
        Outlet("soda_out", "naoh_50", 10.0),
        Outlet("neighbour", "hydrogen", 30.0, credit=1.0),
        Outlet("stack", "hydrogen", 100.0),
        Purchase("boiler_house", "steam", 1.0, 30.0),
        SiteMeter("meter", 50.0),
        Lot("lot_7", "naoh_50", 1.0, start + 30, start + 180, 0.5, "=works", "rail"),
    )
    prices = Series(
        "day_ahead",
        start + 15 * np.arange(12, dtype=np.int64),
        np.full(12, 15, dtype=np.int64),
        np.full(12, 50.0),
    )
    situation = Situation(
        stocks={"store": 10.0},
        loads_before={"room_1": 1.0 / T_PER_KA - 1.0},
        availability=(fact("room_2", "rectifier_units", 1, 1, 1),),
        series={"day_ahead": prices},
    )
    site = Site("test works", ZONE, Contract("test", "XTS", (SpotEnergy("spot"),)), units)
    formulation = formulate(site, horizon, situation)
    made, tail = MADE_1 + MADE_2, np.array([0.03, 0.0, 0.01])
    hydrogen = made / T_PER_KA * HYDROGEN_KG_PER_KA - (0.1 + tail) * 1000.0 * 2.016 / 70.906
    loading = np.array([0.2, 0.4, 0.4])
    values = {v.key: np.zeros(v.size) for v in formulation.declaration.variables}
    values |= {
        "room_1_load": MADE_1 / T_PER_KA,
        "room_2_load": MADE_2 / T_PER_KA,
        "station_flow": made,
        "train_feed": np.array([0.3, 0.0, 0.1]),
        "vaporiser_rate": np.array([0.0, 0.2, 0.0]),
        "store_level": np.array([10.27, 10.07, 10.16]),
        "store_wagons": np.zeros(3),
        "near_take": np.full(3, 0.7),
        "far_take": np.full(3, 0.5),
        "acid_header_gas": np.full(3, 0.1),
        "acid_tail_gas": tail,
        "acid_out_rate": (0.1 + tail) * 2 * 36.461 / 70.906,
        "soda_out_rate": ALKALI * made - loading,
        "neighbour_rate": np.full(3, 20.0),
        "stack_rate": hydrogen - 20.0,
        "boiler_house_rate": np.array([0.0, 0.025, 0.0]),
        "lot_7_loading": loading,
        "meter_import": IMPORT,
    }
    audited = audit(formulation, values)
    return Plan(
        site,
        horizon,
        situation,
        formulation.declaration,
        Status.PLAN,
        Certificate(0.0, 0.0, 1.0),
        audited,
        (),
        (),
        np.full(3, 50.0),
    )
