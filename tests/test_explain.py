"""Values by moving a number one unit: against hand arithmetic, and against a plan made anew.

The independent check is always a whole new plan of a changed site (its own records, program and search),
never the program in which values are computed.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.compressor import Compressor
from models.evaporator import Evaporator
from models.horizon import Series
from models.liquefier import Liquefier
from models.meter import SiteMeter
from models.misses import PIPELINE, PRICE_PER_T
from models.order import Lot, Pipeline
from models.rectifier import Rectifier
from models.site import Site
from models.situation import Situation
from models.tank import ChlorineStore, ProductStore
from models.trade import Outlet, OwnUse, Purchase
from models.unit import Unit
from scheduler.cuts import SearchOptions
from scheduler.errors import NoValues
from scheduler.explain import Explainer, interval_of
from scheduler.plan import Planner, PlanOptions
from scheduler.report.columns import FURTHER_FILES
from scheduler.report.values import MOST_LINES, values_csv, values_text, why_text
from scheduler.result import Status
from scheduler.values import LimitValue, Move, Moved, Why
from tests.binding_cases import T_PER_KA, Small, customer, energy_cost, gas_store, hours, outlet, room
from tests.small_sites import intervals, plain_circuit, prices_on, spot_contract

HOURS = 12
PRICES = np.array([20.0, 25, 30, 90, 110, 120, 60, 15, 10, 40, 130, 80])


def site_of(*extra: Unit, **changes: dict[str, Any]) -> Site:
    """Return an invented site on which many limits bind at once; changes by unit name."""
    first = plain_circuit("new_room", chlorine="chlorine_wet", ramp_ka_per_min=0.03, ramp_minutes=60.0)
    first = replace(first, rectifier=Rectifier(1, 100.0, 1000.0, drop_v=0.0))
    second = plain_circuit(
        "old_room", chlorine="chlorine_wet", rectifier=Rectifier(1, 100.0, 440.0, drop_v=0.0)
    )
    units: list[Unit] = [
        first,
        second,
        Compressor("compressor", 2, 2.25, 0.5, 30.0),
        Liquefier("liquefier", 0.3, 1.2, kwh_per_t=65.0),
        Outlet("tail", "tail_gas", rate_max_per_h=5.0),
        ChlorineStore(
            "liquid", 3, 20.0, 27.8, empty_vessels=1, margin_percent=0.0, cover_min_t=5.0, end_min_t=26.0
        ),
        Lot("rail", "chlorine_liquid", 6.0, *window(3, 9), rate_max_t_per_h=4.0),
        Pipeline("neighbour", "chlorine", 3.2, 2.8, 3.5, ramp_t_per_h_per_h=0.2),
        ProductStore("weak_soda", "naoh_32", 2.0, 14.0, end_min_t=8.0),
        Evaporator("evaporator", "naoh_32", "naoh_50", 2.5, 6.0, steam_t_per_t=0.6, kwh_per_t=12.0),
        Purchase("steam", "steam", rate_max_per_h=10.0, price=30.0),
        Outlet("weak_sales", "naoh_32", 1.5, credit=90.0),
        Outlet("strong_sales", "naoh_50", 1e3, credit=100.0),
        Outlet("hydrogen_sales", "hydrogen", 1e6, credit=0.5, group="hydrogen"),
        OwnUse("works", "power", rate_per_h=3.0, unit="MW"),
        SiteMeter("meter", import_max_mw=13.0),
    ]
    found = [replace(unit, **changes.get(unit.name, {})) for unit in units]  # type: ignore[type-var]
    return Site("test", "Europe/Vienna", spot_contract(), (*found, *extra))


def window(first: int, last: int) -> tuple[int, int]:
    """Return a window of hours of the test day, since the epoch."""
    start = intervals(1).start_min
    return start + 60 * first, start + 60 * last


def situation(**changes: Any) -> Situation:
    """Return what is known on the test day."""
    stocks = {"liquid": 24.0, "weak_soda": 8.0}
    known = Situation(stocks, series={"day_ahead": prices_on(intervals(HOURS), PRICES)})
    return replace(known, **changes)


def cost_anew(site: Site, known: Situation) -> float:
    """Return the cost of a plan made from nothing, with all its stages and its audit."""
    options = PlanOptions(SearchOptions(gap=1e-9, seconds=30.0), compare=False)
    return Planner(site, intervals(HOURS), known, options).plan().certificate.cost


CHANGES: dict[str, Callable[[float], tuple[Site, Situation]]] = {
    "liquid_level.start": lambda step: (site_of(), stocks(liquid=step)),
    "weak_soda_level.start": lambda step: (site_of(), stocks(weak_soda=step)),
    "liquid_level.upper": lambda step: (site_of(liquid={"permit_t": 27.8 + step}), situation()),
    "liquid_end_target.lower": lambda step: (site_of(liquid={"end_min_t": 26.0 + step}), situation()),
    "compressor_flow.upper": lambda step: (
        site_of(compressor={"capacity_t_per_h": 2.25 + step / 2, "surge_share": 1.125 / (2.25 + step / 2)}),
        situation(),
    ),
    "liquefier_feed.lower": lambda step: (site_of(liquefier={"feed_min_t_per_h": 0.3 + step}), situation()),
    "liquefier_feed.upper": lambda step: (site_of(liquefier={"feed_max_t_per_h": 1.2 + step}), situation()),
    "neighbour_take.upper": lambda step: (site_of(neighbour={"max_t_per_h": 3.5 + step}), situation()),
    "neighbour_least.lower": lambda step: (site_of(neighbour={"min_t_per_h": 2.8 + step}), situation()),
    "neighbour_movement.both": lambda step: (
        site_of(neighbour={"ramp_t_per_h_per_h": 0.2 + step}),
        situation(),
    ),
    "neighbour_daily_total.fixed": lambda step: (
        site_of(),
        situation(nominations_t_per_d={("neighbour", "2026-06-08"): 3.2 * HOURS + step}),
    ),
    "evaporator_rate.lower": lambda step: (site_of(evaporator={"rate_min_t_per_h": 2.5 + step}), situation()),
    "evaporator_rate.upper": lambda step: (site_of(evaporator={"rate_max_t_per_h": 6.0 + step}), situation()),
    "weak_sales_rate.upper": lambda step: (site_of(weak_sales={"rate_max_per_h": 1.5 + step}), situation()),
    "meter_import.upper": lambda step: (site_of(meter={"import_max_mw": 13.0 + step}), situation()),
    "old_room_load.upper.rectifier_dc_voltage": lambda step: (
        site_of(old_room={"rectifier": Rectifier(1, 100.0, 440.0 + step, drop_v=0.0)}),
        situation(),
    ),
    "new_room_ramp.both": lambda step: (
        site_of(new_room={"ramp_ka_per_min": (1.8 + step) / 60.0}),
        situation(),
    ),
    "power.demand": lambda step: (site_of(works={"rate_per_h": 3.0 + step}), situation()),
    "chlorine_wet.demand": lambda step: (site_of(*taken("chlorine_wet", step)), situation()),
    "chlorine_liquid.demand": lambda step: (site_of(*taken("chlorine_liquid", step)), situation()),
    "naoh_32.demand": lambda step: (site_of(*taken("naoh_32", step)), situation()),
    "chlorine_wet.naoh_32.ecu": lambda step: (
        site_of(*taken("chlorine_wet", step), *taken("naoh_32", ECU_ALKALI * step)),
        situation(),
    ),
}
"""The same move, made in the inputs of a new plan: by key of the value."""

ECU_ALKALI = 2 * 39.99676928 / 70.906
"""Dry caustic that goes with one tonne of chlorine: 2 NaOH with one Cl2, IUPAC atomic weights. [t/t]"""


def stocks(**more: float) -> Situation:
    """Return the situation with so much more in stores at the start."""
    start = situation().stocks
    return situation(stocks={name: level + more.get(name, 0.0) for name, level in start.items()})


def taken(commodity: str, tonnes: float) -> tuple[Unit, ...]:
    """Return a unit that takes so many tonnes evenly over the day, or brings them where negative."""
    rate = abs(tonnes) / HOURS
    if tonnes > 0:
        return (OwnUse(f"more_{commodity}", commodity, rate_per_h=rate),)
    return (Purchase(f"more_{commodity}", commodity, rate, 0.0, rate_min_per_h=rate),)


@pytest.fixture(scope="module")
def explainer() -> Explainer:
    """Return the explainer of the test site."""
    return Explainer(site_of(), intervals(HOURS), situation())


@pytest.fixture(scope="module")
def values(explainer: Explainer) -> dict[str, LimitValue]:
    """Return the values that are confirmed, by key."""
    return {value.key: value for value in explainer.values(only=CHANGES)}


@pytest.fixture(scope="module")
def base_cost() -> float:
    """Return the cost of the plan made from nothing."""
    return cost_anew(site_of(), situation())


@pytest.mark.parametrize("key", list(CHANGES))
def test_value_is_confirmed_by_a_new_plan(key: str, values: dict[str, LimitValue], base_cost: float) -> None:
    """A whole new plan with the number moved in its inputs differs by the stated figure, up and down.

    Within 1 %, or 0.02 of money where a figure is smaller than that can be told.
    """
    for direction, move in ((1.0, values[key].up), (-1.0, values[key].down)):
        assert move.cost_per_unit is not None
        anew = (cost_anew(*CHANGES[key](direction * move.size)) - base_cost) / move.size
        assert move.cost_per_unit == pytest.approx(anew, rel=0.01, abs=0.02)


def small(prices: tuple[float, ...] = (20.0, 100.0), **changes: Any) -> Explainer:
    """Return the explainer of the one-circuit site of `tests.binding_cases` with a customer for 5 kA."""
    case = Small((room(), customer(**changes)), prices)
    return Explainer(case.site(), case.intervals(), case.situation())


def test_values_without_a_store_by_hand() -> None:
    """Without a store load follows demand, so every value is the power curve by hand.

    One t more over two hours is half a tonne an hour, so a = 0.5 / T_PER_KA kA more in both: the curve
    0.2 I + 0.01 I2 MW at 5 + a and at 5 - a. One MW more for both hours costs the sum of prices.
    """
    found = {value.key: value for value in small().values()}
    a = 0.5 / T_PER_KA
    up = energy_cost((5 + a, 5 + a)) - energy_cost((5, 5))
    down = energy_cost((5 - a, 5 - a)) - energy_cost((5, 5))
    assert found["chlorine.demand"].up.cost_per_unit == pytest.approx(up, rel=1e-4)
    assert found["chlorine.demand"].down.cost_per_unit == pytest.approx(down, rel=1e-4)
    assert found["power.demand"].up.cost_per_unit == pytest.approx(120.0, rel=1e-6)
    assert found["power.demand"].down.cost_per_unit == pytest.approx(-120.0, rel=1e-6)
    assert found["customer_least.fixed"].moved is Moved.FIXED


def test_a_load_forced_away_by_hand() -> None:
    """With a store, one kA more in the cheap hour is one kA less in the dear one: the curve by hand."""
    held = (("store", 5.0 * T_PER_KA),)
    case = Small((room(), customer(), gas_store()), stocks=held, end_stocks=held)
    why = Explainer(case.site(), case.intervals(), case.situation()).why("room", 0)
    loads = (why.load_ka, 10.0 - why.load_ka)
    assert why.load_ka == pytest.approx(9.0, abs=1e-4)
    assert why.up == Move(0.0, None)
    less = energy_cost((loads[0] - 1, loads[1] + 1)) - energy_cost(loads)
    assert why.down.cost_per_unit == pytest.approx(less, rel=1e-3)
    # dP/dI of the curve: 0.2 + 0.02 * 9 MW per kA; the price of the hour is 20.
    assert why.power_mwh_per_ka == pytest.approx(0.38, rel=1e-4)
    assert why.energy_price_per_mwh == pytest.approx(20.0)
    assert why.chlorine_t_per_ka == pytest.approx(T_PER_KA, rel=1e-6)
    assert why.limits[0].key == "room_load.upper.current_density"
    assert why.cause == "current density"


@pytest.mark.parametrize("direction", [1, -1])
def test_a_forced_load_is_confirmed_by_a_new_plan_with_a_lock(
    direction: int, explainer: Explainer, base_cost: float
) -> None:
    """A new plan in which the load is locked one kA away costs what `why` says."""
    interval = 10
    why = explainer.why("new_room", interval)
    move = why.up if direction > 0 else why.down
    horizon = intervals(HOURS)
    at = slice(interval, interval + 1)
    load = np.array([why.load_ka + direction * move.size])
    lock = Series("lock", horizon.starts_min[at], horizon.lengths_min[at], load)
    anew = cost_anew(site_of(), situation(locks={"new_room": lock})) - base_cost
    assert move.cost_per_unit is not None
    assert move.cost_per_unit * move.size == pytest.approx(anew, rel=0.01, abs=0.02)


@pytest.mark.parametrize(("unit", "commodity", "rate"), [("t", "chlorine_wet", 1.0), ("MW", "power", 1.0)])
def test_one_more_in_one_interval_is_confirmed_by_a_new_plan(
    unit: str, commodity: str, rate: float, explainer: Explainer, base_cost: float
) -> None:
    """One tonne, and one MW, taken in one hour cost what `why` says: a new plan with a profile of use."""
    interval = 10
    why = explainer.why("new_room", interval)
    value = why.chlorine_t if commodity == "chlorine_wet" else why.power_mw
    horizon = intervals(HOURS)
    use = np.where(np.arange(HOURS) == interval, rate, 0.0)
    profile = Series("use", horizon.starts_min, horizon.lengths_min, use)
    known = situation(series={**situation().series, "use": profile})
    extra = OwnUse("extra", commodity, series="use", unit="MW" if unit == "MW" else "t/h")
    assert value.up.size == 1.0
    assert value.up.cost_per_unit == pytest.approx(cost_anew(site_of(extra), known) - base_cost, rel=0.01)


def test_a_move_that_is_not_possible_as_a_whole_says_how_far_it_is(values: dict[str, LimitValue]) -> None:
    """A tenth beyond the largest possible move a new plan misses duties; at it, it does not."""
    move = values["compressor_flow.upper"].down
    assert 0 < move.size < 1
    options = PlanOptions(SearchOptions(seconds=30.0), compare=False)
    for share, status in ((1.0, Status.PLAN), (1.1, Status.MISSES)):
        site, known = CHANGES["compressor_flow.upper"](-share * move.size)
        assert Planner(site, intervals(HOURS), known, options).plan().status is status


def test_more_room_never_costs_and_values_are_convex(values: dict[str, LimitValue]) -> None:
    """Room saves or is worth nothing, and a unit less weighs at least as much as a unit more."""
    for value in values.values():
        sign = {Moved.UPPER: 1, Moved.LOWER: -1}.get(value.moved, 0)
        room, tight = (value.up, value.down) if sign > 0 else (value.down, value.up)
        if sign and room.cost_per_unit is not None:
            assert room.cost_per_unit <= 0.01
            assert tight.cost_per_unit is None or tight.cost_per_unit >= -room.cost_per_unit - 0.01


def test_at_a_miss_values_are_the_price_of_a_miss() -> None:
    """Where a customer is short, one t more of demand is one t more missed: 2000 per t, the price of a miss.

    The circuit makes 9 kA at most, the customer asks for 10: the price is that of `models.misses`.
    """
    explainer = small(nominal_ka=10.0)
    value = {value.key: value for value in explainer.values()}["chlorine.demand"]
    assert value.at_miss
    assert value.up.missed == pytest.approx(PRICE_PER_T[PIPELINE], rel=1e-3)
    assert value.up.cost_per_unit == pytest.approx(PRICE_PER_T[PIPELINE], rel=1e-3)
    assert "no market price" in values_text([value], hours(2), "XTS")


def test_no_values_where_there_is_no_plan() -> None:
    """A result that breaks limits has no values, and says so."""
    case = Small((room(), outlet("chlorine", rate_max_per_h=0.1 * T_PER_KA)))
    with pytest.raises(NoValues, match="NOT A PLAN"):
        Explainer(case.site(), case.intervals(), case.situation())


def test_unknown_circuits_and_times_are_named(explainer: Explainer) -> None:
    """A circuit that is not there, and a time outside the plan, are told with what there is."""
    with pytest.raises(ValueError, match="circuits: new_room, old_room"):
        explainer.why("room", 0)
    with pytest.raises(ValueError, match="intervals 0 to 11"):
        explainer.why("new_room", HOURS)
    with pytest.raises(ValueError, match="lies outside the plan"):
        interval_of(intervals(HOURS), dt.datetime(2026, 6, 9, 12))
    assert interval_of(intervals(HOURS), dt.datetime(2026, 6, 8, 3, 59)) == 3


def hand_made(**changes: Any) -> Why:
    """Return an answer of round numbers: one kA draws 0.5 MWh at 60, so 30 XTS; 2 % of it are 0.60."""
    unit = replace(plain_circuit("room"), step_ka=0.5, changes_per_day=4, dwell_minutes=120.0)
    demand = LimitValue("x.demand", "", Moved.DEMAND, "x", "t", Move(1.0, 0.0), Move(1.0, 0.0), (), (0, 12))
    usual: dict[str, Any] = {
        "circuit": "room", "interval": 3, "load_ka": 8.2, "range_ka": (4.0, 12.0), "cause": "",
        "stepped_ka": 8.5,
        "up": Move(1.0, 0.4), "down": Move(1.0, 0.59), "energy_price_per_mwh": 60.0, "power_mwh_per_ka": 0.5,
        "chlorine_t_per_ka": 0.2, "chlorine_t": demand, "alkali_t": demand, "power_mw": demand, "limits": (),
        "dearer": 5, "cheaper": 6, "intervals_of_day": 12, "unit": unit,
    }  # fmt: skip
    return Why(**{**usual, **changes})


@pytest.mark.parametrize(
    ("changes", "words", "absent"),
    [
        ({}, "under 0.59 XTS per kA, less than 2 % of its power", "too."),
        ({"down": Move(1.0, 0.61)}, "one kA less costs 0.61 XTS/kA", "indifferent"),
        ({"down": Move(0.0, None)}, "not possible", "indifferent"),
        (
            {},
            "0.3 more: whole steps of 0.5 kA, at most 4 changes a day, 120 min between changes",
            "changes a shift",
        ),
        ({"stepped_ka": 8.0}, "As run it has 8.0 kA, 0.2 less: whole", "more: whole"),
        ({"stepped_ka": 8.24}, "As run it has 8.2 kA too.", "whole steps of"),
        ({"stepped_ka": None}, "8.2 kA, between its limits", "As run"),
        ({}, "Power is middling now: 60.00 XTS/MWh, rank 6 of 12", "dear for"),
        ({"dearer": 0, "cheaper": 0}, "Power costs the same all day, 60.00 XTS/MWh.", "rank"),
        (
            {"dearer": 10, "cheaper": 0},
            "Power is cheapest of the day now: 60.00 XTS/MWh, rank 11 of 12",
            "dear for",
        ),
        ({"dearer": 2, "cheaper": 9}, "Power is dear for the day now", "dearest of"),
    ],
)
def test_the_words_of_a_load(changes: dict[str, Any], words: str, absent: str) -> None:
    """Rank, difference to the load as run with its rules, and indifference, from figures by hand."""
    text = " ".join(why_text(hand_made(**changes), intervals(HOURS), "XTS").split())
    assert words in text
    assert absent not in text


def test_many_reasons_keep_to_fifteen_lines_and_say_how_many_are_left() -> None:
    """Six limits of two lines each do not fit; --more has them all."""
    limit = LimitValue(
        "k", "o", Moved.UPPER, "content of a tank with a long name, to be told", "t", Move(1.0, -3.0),
        Move(1.0, 3.0), (3,), (3, 4),
    )  # fmt: skip
    why = hand_made(limits=tuple(replace(limit, meaning=f"{limit.meaning} {i}") for i in range(6)))
    short, whole = (why_text(why, intervals(HOURS), "XTS", more) for more in (False, True))
    assert len(short.splitlines()) <= MOST_LINES < len(whole.splitlines())
    held = short.count("Holds it there")
    assert whole.count("Holds it there") == 6
    assert 0 < held < 6
    left = 9 - sum(line.startswith("- ") for line in short.splitlines()) + 2
    assert f"{left} more reasons: --more." in short


def test_words_and_table_hold_the_figures(explainer: Explainer, values: dict[str, LimitValue]) -> None:
    """The text names load, limits, money and that it is before steps; the table has its columns."""
    text = why_text(explainer.why("new_room", 10, 8.5), intervals(HOURS), "XTS")
    assert "As run it has 8.5 kA" in text
    # 130 is the highest of the twelve prices above.
    assert "Power is dearest of the day now: 130.00 XTS/MWh, rank 1 of 12 from the dearest." in " ".join(
        text.split()
    )
    assert "before whole steps" in text
    assert len(text.splitlines()) <= MOST_LINES
    more = why_text(explainer.why("new_room", 10, 8.5), intervals(HOURS), "XTS", more=True)
    assert "of other load in this interval" in more
    assert "whole steps and limited changes have no margin of their own" in " ".join(more.split())
    rows = list(csv.DictReader(io.StringIO(values_csv(values.values(), intervals(HOURS)))))
    assert list(rows[0]) == [column.name for column in FURTHER_FILES["values.csv"]]
    row = next(row for row in rows if row["number"] == "meter_import.upper")
    assert float(row["up_cost_per_unit"]) == pytest.approx(
        values["meter_import.upper"].up.cost_per_unit, abs=1e-4
    )
    assert row["binds_from"] == "2026-06-08T00:00+02:00"
