"""Lots of chlorine on site: they count in the permit from loading until they leave, wagon by wagon.

Sites are those of `tests.binding_cases` with a store of gas under a permit; expected levels follow by hand.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from models.checks import InvalidValues
from models.contract.component import Contract
from models.horizon import Horizon
from models.order import Lot
from models.shifts import ShiftCalendar
from models.site import Site
from models.situation import Situation
from models.tank import ChlorineStore
from scheduler.errors import InputError
from scheduler.given import _less_delivered
from scheduler.plan import PlanOptions, make_plan
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.report.columns import columns
from scheduler.report.handoffs import loading_csv
from scheduler.result import Plan, Status
from tests.binding_cases import T_PER_KA, Small, hours, room

C = T_PER_KA
START = hours(1).start_min
PRICES = (20.0, 100.0, 100.0, 20.0)


def lot(quantity: float = 6.0, leaves_hour: float | None = None, **changes: Any) -> Lot:
    """Return a lot of kAh's worth to load in the first two hours, counted as it stands on site."""
    leaves = None if leaves_hour is None else START + round(60 * leaves_hour)
    values: dict[str, Any] = {"standing": "chlorine_loaded", "leaves_min": leaves, "mode": "rail"}
    one = Lot("lot", "chlorine", C, START, START + 120, 9.0 * C)
    return replace(one, **(values | {"quantity_t": quantity * C} | changes))


def store(permit: float, **changes: Any) -> ChlorineStore:
    """Return a store of gas with a permit for kAh's worth, in vessels of 100 of which one stays empty."""
    values: dict[str, Any] = {"commodity": "chlorine", "margin_percent": 0.0}
    return ChlorineStore("store", 2, 100.0 * C, permit * C, **(values | changes))


def site(one: Lot, vessels: ChlorineStore, content: float = 0.0, **changes: Any) -> Small:
    """Return the circuit with a store and a lot over four hours; the circuit runs at 1 kA or more."""
    start = (("store", content * C),)
    return Small((room(), vessels, one), PRICES, stocks=start, **changes)


def level(plan: Plan, key: str) -> np.ndarray:
    """Return a level in kAh's worth."""
    return np.asarray(plan.audit.values[key] / C)


def test_loaded_wagons_stand_until_they_leave() -> None:
    """6 kAh's worth loaded by 02:00 stand until 03:00 and are gone in the hour after."""
    plan = site(lot(leaves_hour=3), store(100.0)).plan()
    assert plan.status is Status.PLAN
    wagons = level(plan, "store_wagons")
    assert wagons[1:] == pytest.approx([6.0, 6.0, 0.0], abs=1e-6)
    assert plan.audit.values["lot_leaving"] == pytest.approx([6.0 * C], abs=1e-6)


def test_without_a_time_it_leaves_at_the_end_of_its_window() -> None:
    """Loaded by 02:00 and gone at 02:00: the hour after has none."""
    assert level(site(lot(), store(100.0)).plan(), "store_wagons")[1:] == pytest.approx([6.0, 0, 0], abs=1e-6)


def test_a_lot_that_leaves_inside_an_hour_counts_to_its_end() -> None:
    """It leaves at 02:30, so the hour to 03:00 still counts it: on the safe side."""
    wagons = level(site(lot(leaves_hour=2.5), store(100.0)).plan(), "store_wagons")
    assert wagons[1:] == pytest.approx([6.0, 6.0, 0.0], abs=1e-6)


def test_a_lot_that_leaves_after_the_horizon_stands_to_its_end() -> None:
    """It leaves the next day: no hour of the plan is free of it."""
    plan = site(lot(leaves_hour=24), store(100.0)).plan()
    assert level(plan, "store_wagons")[-1] == pytest.approx(6.0, abs=1e-6)
    assert "lot_leaving" not in plan.audit.values


def crowded(leaves_hour: float) -> Plan:
    """Return hours at 20, 20, 20 and 100 with a lot of 4 kAh's worth, 8 due in store and a permit for 9."""
    vessels = store(9.0, end_min_t=8.0 * C)
    case = replace(site(lot(4.0, leaves_hour), vessels), prices=(20.0, 20.0, 20.0, 100.0))
    return make_plan(case.site(), hours(4), case.situation(), PlanOptions(compare=False))


def test_the_permit_counts_vessels_and_wagons_together() -> None:
    """12 kAh are due. A lot gone at 02:00 lets 11 be made by 03:00, one that stands until then only 9.

    20 * 3 * P(11 / 3) + 100 * P(1) = 73.07 against 20 * 3 * P(3) + 100 * P(3) = 110.4, by hand.
    """
    early, late = crowded(2.0), crowded(3.0)
    assert early.status is late.status is Status.PLAN
    assert early.audit.values["room_load"] == pytest.approx([11 / 3, 11 / 3, 11 / 3, 1.0], abs=0.05)
    assert late.audit.values["room_load"] == pytest.approx([3.0, 3.0, 3.0, 3.0], abs=0.05)
    assert early.audit.cost == pytest.approx(73.0667, rel=2e-5)
    assert late.audit.cost == pytest.approx(110.4, rel=2e-5)
    assert level(late, "store_level")[2] + level(late, "store_wagons")[2] == pytest.approx(9.0, abs=1e-5)


def test_a_lot_that_never_leaves_takes_its_room_from_the_store() -> None:
    """Of a permit for 8 kAh's worth a lot of 4 takes half to the end: of 8 due in store 4 are missed."""
    plan = site(lot(4.0, 24.0), store(8.0, end_min_t=8.0 * C)).plan()
    assert plan.status is Status.MISSES
    (missed,) = plan.misses
    assert missed.key == "store_end_short"
    assert missed.quantity == pytest.approx(4.0 * C, abs=1e-4)


def test_one_vessel_stays_empty_whatever_the_permit() -> None:
    """Two vessels of 5 kAh's worth under a wide permit: one stays empty, so 5 is the most in store."""
    vessels = ChlorineStore("store", 2, 5.0 * C, 1e3, commodity="chlorine", end_min_t=9.0 * C)
    plan = site(lot(1.0), vessels).plan()
    assert np.max(level(plan, "store_level")) <= 5.0 + 1e-6
    assert plan.misses[0].quantity == pytest.approx(4.0 * C, abs=1e-4)


def test_what_stands_beyond_the_permit_is_not_a_plan() -> None:
    """10 kAh's worth stand loaded under a permit for 8: NOT A PLAN names the permit, wagons included."""
    full = lot(0.0, 24.0, loaded_t=10.0 * C)
    plan = site(full, store(8.0), takes=("naoh_50", "hydrogen", "chlorine")).plan()
    assert plan.status is Status.NOT_A_PLAN
    assert "permit of store, loaded wagons on site included" in {v.meaning for v in plan.audit.violations}


def test_a_store_that_starts_too_full_recovers_beside_wagons() -> None:
    """What the store has too much is a miss that is brought back, as without wagons."""
    vessels = store(8.0)
    plan = site(lot(1.0), vessels, content=10.0, takes=("naoh_50", "hydrogen", "chlorine")).plan()
    assert plan.status is not Status.NOT_A_PLAN
    assert level(plan, "store_level")[-1] <= 8.0 + 1e-6


def test_loaded_wagons_are_a_column() -> None:
    """plan.csv has a column of what stands loaded, in t."""
    plan = site(lot(leaves_hour=3), store(100.0)).plan()
    found = {column.name: column for column in columns(plan)}
    assert found["store_wagons_t"].meaning.startswith("loaded wagons standing on site beside store")
    assert found["store_wagons_t"].cells(plan)[1] == f"{6.0 * C:.4f}"


def test_a_lot_that_was_not_counted_is_not_on_any_account() -> None:
    """A ship, or a lot of something without a permit, has no account and stands nowhere."""
    plan = site(lot(standing=None), store(100.0)).plan()
    np.testing.assert_allclose(level(plan, "store_wagons"), 0.0, atol=1e-9)


# ---------------------------------------------------------------- the rest of a day


def test_what_was_loaded_before_now_stands_on_site() -> None:
    """Of a lot of 6 t 2 were loaded: 4 are left and 2 stand; a lot loaded whole stands with nothing left."""
    whole = Horizon.of_days(dt.date(2026, 6, 8), "Europe/Berlin")
    rest = whole.starting(whole.start_min + 60)
    one = replace(lot(1.0, 20.0), quantity_t=6.0)
    works = Site("test", "Europe/Berlin", Contract("none", "XTS"), (one,))
    for had, left, loaded in ((2.0, 4.0, 2.0), (6.0, 0.0, 6.0)):
        (found,) = _less_delivered(works, rest, Situation(), {"lot": had})[0].units
        assert isinstance(found, Lot)
        assert found.quantity_t == pytest.approx(left)
        assert found.loaded_t == pytest.approx(loaded)


def test_what_stood_before_counts_until_it_leaves() -> None:
    """3 kAh's worth loaded before, 3 to load, leaving at 03:00: 6 stand, then none."""
    plan = site(lot(3.0, 3.0, loaded_t=3.0 * C), store(100.0)).plan()
    assert level(plan, "store_wagons")[1:] == pytest.approx([6.0, 6.0, 0.0], abs=1e-6)
    gone = replace(lot(3.0), window_start_min=START - 240, window_end_min=START - 120, loaded_t=1.0)
    assert gone.declare(hours(4), Situation()).flows == ()


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"leaves_min": START + 60}, "'window_end_min' must be at most leaves_min"),
        ({"wagon_t": 0.0}, r"'wagon_t' must be above 0 \[t\]"),
        ({"loaded_t": -1.0}, r"'loaded_t' must be at least 0 \[t\]"),
        ({"quantity_t": -1.0, "loaded_t": 1.0}, r"'quantity_t' must be at least 0 \[t\]"),
    ],
)
def test_values_that_break_a_rule(changes: dict[str, Any], message: str) -> None:
    """Each rule of a lot's further fields is told."""
    with pytest.raises(InvalidValues, match=message):
        replace(lot(), **changes)


# ---------------------------------------------------------------- wagons to fill


def test_wagons_become_full_one_after_another() -> None:
    """Wagons of 56 t: after 55 t none, 56 t one, 120 t two; the lot of 130 t ends with a third of 18 t."""
    rail = replace(lot(), quantity_t=130.0, wagon_t=56.0)
    filled = rail.wagons_filled(np.array([0.0, 55.0, 56.0, 120.0, 129.0, 130.0]))
    np.testing.assert_array_equal(filled, [0, 0, 1, 2, 2, 3])


def test_a_wagon_begun_before_is_carried_on() -> None:
    """52 t stand in a wagon of 56 t: 4 t more fill it, and one is full of a lot of 112 t."""
    rail = replace(lot(), quantity_t=60.0, loaded_t=52.0, wagon_t=56.0)
    np.testing.assert_array_equal(rail.wagons_filled(np.array([3.0, 4.0, 60.0])), [0, 1, 2])


def test_a_lot_without_a_size_has_no_number_of_wagons() -> None:
    """Nothing is guessed."""
    with pytest.raises(ValueError, match="states no 'wagon_t'"):
        lot().wagons_filled(np.zeros(1))


def test_loading_per_shift_says_how_many_wagons() -> None:
    """4 kAh's worth in wagons of 1 over two shifts of an hour, 2.5 and 1.5: 2 become full, then 2."""
    horizon = replace(hours(4), shifts=ShiftCalendar(("00:00", "01:00", "02:00")))
    one = lot(4.0, wagon_t=C, note="clean first", rate_max_t_per_h=2.5 * C)
    case = Small((room(), store(100.0), one), PRICES, stocks=(("store", 4.0 * C),), horizon=horizon)
    plan = make_plan(case.site(), horizon, case.situation())
    values = dict(plan.audit.values) | {"lot_loading": np.array([2.5 * C, 1.5 * C])}
    plan = replace(plan, audit=replace(plan.audit, values=values))
    rows = list(csv.DictReader(io.StringIO(loading_csv(plan))))
    assert [(row["wagons"], row["note"]) for row in rows] == [("2", "clean first"), ("2", "clean first")]
    bare = replace(plan, site=replace(plan.site, units=(*plan.site.units[:2], replace(one, wagon_t=None))))
    assert {row["wagons"] for row in csv.DictReader(io.StringIO(loading_csv(bare)))} == {""}


# ---------------------------------------------------------------- reading


WORKS = """
name = "Toy works"
timezone = "Europe/Vienna"
currency = "XTS"
notes = ["All values are invented."]
meter = "meter_import"

[horizon]
day = 2026-11-26
look_ahead_days = 0

[files]
orders = "orders.csv"
stocks = "stocks.csv"
takes = "takes.csv"

[contract]
name = "none"

[[contract.component]]
kind = "fixed"
name = "fee"
per_month = 1.0

[[unit]]
kind = "site_meter"
name = "meter"
import_max_mw = 10

[[unit]]
kind = "pipeline"
name = "vinyl"
commodity = "chlorine"
nominal_t_per_h = 5

[[unit]]
kind = "chlorine_store"
name = "store"
vessels = 3
vessel_t = 100
permit_t = 300
"""
HEAD = (
    "order,product,mode,quantity_t,window_start,window_end,rate_max_t_per_h,note,wagon_t,leaves,loaded_t,"
    "customer\n"
)


def read(tmp_path: Path, *rows: str, takes: str = "start,minutes,customer,take_t_per_h\n") -> Inputs:
    """Return the inputs of a toy works with some orders and rates."""
    (tmp_path / "site.toml").write_text(WORKS, encoding="utf-8")
    (tmp_path / "stocks.csv").write_text("tank,level_t\nstore,100\n", encoding="utf-8")
    (tmp_path / "orders.csv").write_text(HEAD + "".join(f"{row}\n" for row in rows), encoding="utf-8")
    (tmp_path / "takes.csv").write_text(takes, encoding="utf-8")
    return read_inputs(tmp_path / "site.toml")


def lots(inputs: Inputs) -> list[Lot]:
    """Return the lots of a site."""
    return [unit for unit in inputs.site.units if isinstance(unit, Lot)]


def test_orders_tell_wagons_and_when_they_leave(tmp_path: Path) -> None:
    """Rail, road and containers of chlorine stand under the permit of their store; a ship does not."""
    window = "2026-11-26T06:00,2026-11-26T14:00,60"
    found = lots(
        read(
            tmp_path,
            f"r1,chlorine_liquid,rail,112,{window},two clean ones,56,2026-11-26T18:00,,",
            f"s1,chlorine_liquid,ship,112,{window},,,,,",
            f"r2,chlorine_liquid,road,40,{window},,20,,10,",
        )
    )
    first, ship, road = found
    assert (first.note, first.wagon_t, first.standing) == ("two clean ones", 56.0, "chlorine_loaded")
    assert first.leaves_min == first.window_end_min + 240
    assert ship.standing is None
    assert (road.leaves_min, road.loaded_t, road.wagon_t) == (None, 10.0, 20.0)


def test_a_lot_loaded_yesterday_that_leaves_today_stands_on_site(tmp_path: Path) -> None:
    """Its window is over, so it is taken as loaded, and told."""
    inputs = read(
        tmp_path,
        "r1,chlorine_liquid,rail,112,2026-11-25T06:00,2026-11-25T14:00,60,,56,2026-11-26T10:00,,",
        "r2,chlorine_liquid,rail,56,2026-11-25T06:00,2026-11-25T14:00,60,,56,,,",
    )
    (stood,) = lots(inputs)
    assert (stood.name, stood.quantity_t, stood.loaded_t) == ("r1", 0.0, 112.0)
    assert any("taken as loaded and standing on site" in note for note in inputs.notes)


def test_what_leaves_before_its_window_ends_is_refused(tmp_path: Path) -> None:
    """Nothing is loaded into what has left; the row and the times are named, with every other problem."""
    with pytest.raises(InputError) as caught:
        read(
            tmp_path,
            "r1,chlorine_liquid,rail,112,2026-11-26T06:00,2026-11-26T14:00,60,,-1,2026-11-26T10:00,,",
            takes="start,minutes,customer,take_t_per_h\n2026-11-25T23:00,60,store,5\n",
        )
    text = str(caught.value)
    assert "'leaves' must not be before 'window_end'" in text
    assert "'wagon_t' must be above 0" in text
    assert "'customer' must be a pipeline customer (got 'store', a unit of kind 'chlorine_store')" in text


def test_a_pipeline_has_no_wagons(tmp_path: Path) -> None:
    """Columns of lots say nothing about a pipeline customer."""
    with pytest.raises(InputError, match="'wagon_t' must be left out for a pipeline"):
        read(tmp_path, "p1,chlorine,pipeline,120,2026-11-26T00:00,2026-11-27T00:00,,,56,,,vinyl")


def test_rates_of_customers_are_read(tmp_path: Path) -> None:
    """What a customer takes now stands in the situation."""
    takes = "start,minutes,customer,take_t_per_h\n2026-11-25T23:00,60,vinyl,4.5\n"
    series = read(tmp_path, takes=takes).situation.announced_t_per_h["vinyl"]
    np.testing.assert_array_equal(series.values, [4.5])
