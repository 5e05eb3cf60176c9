"""Stores: readings to tonnes, ranges, recovery of a stock that starts outside, end targets and values."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.alkali_density import density_kg_per_m3
from models.checks import InvalidValues
from models.misses import END_STOCK, RECOVERY
from models.order import Lot
from models.pieces import Declaration, Rows, Variable
from models.situation import Situation
from models.tank import AlkaliTank, ChlorineStore, ProductStore, Store, ValueStep
from scheduler.result import Status
from tests.binding_cases import T_PER_KA, Small, customer, fact, gas_store, hours, room

SODA = AlkaliTank("soda_50", "naoh_50", 2, 1500.0, "NaOH", 50.0, 40.0, 8.0, 90.0)
VESSELS = ChlorineStore("liquid", 5, 150.0, 700.0, 1, 105.0, 5.0, 80.0)
PRODUCT = ProductStore("acid", "hydrochloric_acid", 15.0, 180.0)


def declare(store: Store, level: float, n: int = 3, **situation: Any) -> Declaration:
    """Return the records of a store at a level."""
    return store.declare(hours(n), Situation(stocks={store.name: level}, **situation))


def variable(records: Declaration, key: str) -> Variable:
    """Return a variable by key."""
    return next(v for v in records.variables if v.key == key)


def family(records: Declaration, key: str) -> Rows:
    """Return rows by key."""
    return next(rows for rows in records.rows if rows.key == key)


def test_dip_of_caustic_in_dry_tonnes() -> None:
    """82 % of 3,000 m3 of 50 % soda at 40 C, 1.51 t/m3 (handbook, value from memory): 1,857 t dry."""
    assert SODA.tonnes(level_percent=82.0) == pytest.approx(0.82 * 3000.0 * 0.5 * 1.51, rel=3e-3)


def test_dip_at_another_strength_and_temperature() -> None:
    """Strength and temperature of the day replace the usual ones: volume * density * strength."""
    density = float(density_kg_per_m3("NaOH", 48.0, 60.0))
    found = SODA.tonnes(level_m3=1000.0, strength_percent=48.0, temperature_c=60.0)
    assert found == pytest.approx(1000.0 * density * 0.48 / 1000.0, rel=1e-12)
    assert found < SODA.tonnes(level_m3=1000.0)
    assert SODA.tonnes(level_m3=1000.0, temperature_c=60.0) < SODA.tonnes(level_m3=1000.0)


def test_volume_and_level_agree() -> None:
    """1,500 m3 are 50 % of two tanks; an empty tank holds nothing."""
    assert SODA.tonnes(level_m3=1500.0) == pytest.approx(SODA.tonnes(level_percent=50.0), rel=1e-12)
    assert SODA.tonnes(level_m3=0.0) == 0.0


def test_level_of_vessels_and_product_stores() -> None:
    """40 % of 5 vessels of 150 t are 300 t; 50 % of 180 t are 90 t."""
    assert VESSELS.tonnes(level_percent=40.0) == pytest.approx(300.0)
    assert PRODUCT.tonnes(level_percent=50.0) == pytest.approx(90.0)


@pytest.mark.parametrize(
    ("store", "reading", "message"),
    [
        (SODA, {}, "exactly one of 'level_percent' and 'level_m3' must be given"),
        (SODA, {"level_percent": 1.0, "level_m3": 1.0}, "exactly one of 'level_percent' and 'level_m3'"),
        (VESSELS, {"level_m3": 10.0}, "a chlorine store is given in t or in percent of all vessels"),
        (PRODUCT, {"level_m3": 10.0}, "a product store is given in t or in percent of its greatest content"),
        (SODA, {"level_percent": 101.0}, "level_percent"),
    ],
)
def test_readings_that_mean_nothing(store: Store, reading: dict[str, float], message: str) -> None:
    """A reading that cannot be turned into tonnes is refused."""
    with pytest.raises(ValueError, match=message):
        store.tonnes(**reading)


def test_ranges() -> None:
    """Vessels: 4 of 5 hold 600 t, the permit 0.95 * 700 - 105 = 560 t; the lesser counts, cover below."""
    assert VESSELS.range_t() == pytest.approx((80.0, 560.0))
    assert replace(VESSELS, wagons_t=0.0).range_t() == pytest.approx((80.0, 600.0))
    assert replace(VESSELS, empty_vessels=2).range_t() == pytest.approx((80.0, 450.0))
    assert PRODUCT.range_t() == (15.0, 180.0)
    full = SODA.tonnes(level_percent=100.0)
    assert SODA.range_t() == pytest.approx((0.08 * full, 0.90 * full))


def test_stock_inside_its_range() -> None:
    """A stock that starts inside has hard limits and no miss."""
    records = declare(PRODUCT, 90.0)
    (stock,) = records.stocks
    assert (stock.key, stock.commodity, stock.initial) == ("acid_level", "hydrochloric_acid", 90.0)
    assert stock.lower == pytest.approx([15.0] * 3)
    assert stock.upper == pytest.approx([180.0] * 3)
    assert records.variables == ()
    assert PRODUCT.initial_stocks() == ("acid",)


def test_limit_of_today() -> None:
    """A fact lowers the upper limit where it is touched, never below the lower one."""
    facts = (fact("acid", "level_max_t", 120.0, 1, 1), fact("acid", "level_max_t", 1.0, 2, 2))
    (stock,) = declare(PRODUCT, 14.0, availability=facts).stocks
    records = declare(PRODUCT, 20.0, 2, availability=(fact("acid", "level_max_t", 120.0, 1, 1),))
    assert records.stocks[0].upper == pytest.approx([180.0, 120.0])
    assert stock.lower == pytest.approx([14.0] * 3)
    assert family(declare(PRODUCT, 14.0, availability=facts), "acid_range").upper == pytest.approx(
        [180.0, 120.0, 15.0]
    )


@pytest.mark.parametrize(("level", "over", "under"), [(200.0, 20.0, 0.0), (5.0, 0.0, 10.0)])
def test_stock_that_starts_outside(level: float, over: float, under: float) -> None:
    """It may stay outside no further than it started, and every tonne and hour outside is a miss."""
    records = declare(PRODUCT, level)
    assert variable(records, "acid_over").upper == pytest.approx([over] * 3)
    assert variable(records, "acid_under").upper == pytest.approx([under] * 3)
    assert {v.miss_class for v in records.variables} == {RECOVERY}
    (stock,) = records.stocks
    assert stock.lower == pytest.approx([min(15.0, level)] * 3)
    assert stock.upper == pytest.approx([max(180.0, level)] * 3)
    assert family(records, "acid_range").upper == pytest.approx([180.0] * 3)
    assert family(records, "acid_range_low").lower == pytest.approx([15.0] * 3)


def test_recovery_in_a_plan() -> None:
    """A store 4 kAh's worth above its limit falls by 4 kA's worth an hour at the least load: back after one.

    The customer takes 5 kA's worth, the cells make 1 kA's worth at least; prices would have it wait.
    """
    c = T_PER_KA
    small = Small((room(), gas_store(3.0), customer()), (100.0, 100.0, 20.0), stocks=(("store", 7 * c),))
    plan = small.plan()
    assert plan.status is Status.PLAN
    assert plan.audit.values["store_level"][0] <= 3 * c + 1e-6


def test_recovery_that_takes_its_time() -> None:
    """10 kAh's worth above the limit it falls by 4 an hour: 6 and 2 kAh's worth stay outside, 8 in all."""
    c = T_PER_KA
    small = Small((room(), gas_store(3.0), customer()), (20.0, 20.0, 20.0), stocks=(("store", 13 * c),))
    plan = small.plan()
    assert plan.status is Status.MISSES
    (miss,) = plan.misses
    assert (miss.miss_class, miss.unit) == (RECOVERY, "t h")
    assert miss.quantity == pytest.approx(8 * c, rel=1e-4)
    assert plan.audit.values["store_level"][:2] == pytest.approx([9 * c, 5 * c], rel=1e-4)


def test_end_target() -> None:
    """The site file's target holds unless the day's stocks give another; what is missing is a miss."""
    store = replace(PRODUCT, end_min_t=90.0)
    for situation, target in (({}, 90.0), ({"end_stocks": {"acid": 60.0}}, 60.0)):
        records = declare(store, 95.0, **situation)
        row = family(records, "acid_end_target")
        assert (row.lower[0], row.upper[0]) == (target, np.inf)
        assert not row.breakable
        short = variable(records, "acid_end_short")
        assert (short.upper[0], short.miss_class) == (target, END_STOCK)
        level = next(entry for entry in row.entries if entry.variable == "acid_level")
        assert level.positions.tolist() == [2]


def test_end_target_that_cannot_be_met() -> None:
    """Two hours at 9 kA less 5 leave 8 kAh's worth; of 10 asked for 2 are missed."""
    c = T_PER_KA
    small = Small(
        (room(), gas_store(), customer()), stocks=(("store", 0.0),), end_stocks=(("store", 10 * c),)
    )
    plan = small.plan()
    assert plan.status is Status.MISSES
    (miss,) = plan.misses
    assert (miss.miss_class, miss.unit) == (END_STOCK, "t")
    assert miss.quantity == pytest.approx(2 * c, rel=1e-4)


def test_values_of_the_end_stock() -> None:
    """Each step is a variable of its width that earns its value; together they are at most the level."""
    store = replace(PRODUCT, end_values=(ValueStep(50.0, 120.0), ValueStep(30.0, 80.0)))
    records = declare(store, 95.0)
    worth = variable(records, "acid_end_value")
    assert worth.upper == pytest.approx([50.0, 30.0])
    (cost,) = records.costs
    assert (cost.group, cost.variable) == ("end stock", "acid_end_value")
    assert cost.coefficient == pytest.approx([-120.0, -80.0])
    assert family(records, "acid_end_value_steps").upper == pytest.approx([0.0])


def test_lot_is_loaded_from_the_store_alone() -> None:
    """A lot that must leave in the first hour comes from stock: 3 kAh's worth in store and 9 made less 5."""
    c = T_PER_KA
    lot = Lot("lot", "chlorine", 7 * c, hours(1).start_min, hours(1).end_min, 10 * c)
    small = Small((room(), gas_store(), customer(), lot), (100.0, 20.0), stocks=(("store", 3 * c),))
    plan = small.plan()
    assert plan.status is Status.PLAN
    assert plan.audit.values["room_load"][0] == pytest.approx(9.0, abs=1e-4)


@pytest.mark.parametrize(
    ("store", "changes", "message"),
    [
        (SODA, {"tanks": 0}, "'tanks' must be at least 1"),
        (SODA, {"tank_m3": 0.0}, r"'tank_m3' must be above 0 \[m3\]"),
        (SODA, {"species": "NaCl"}, "'species' must be one of 'NaOH', 'KOH'"),
        (SODA, {"strength_percent": 0.0}, r"'strength_percent' must be above 0 \[wt%\]"),
        (SODA, {"strength_percent": 60.0}, r"'strength_percent' must be at most 52 \[wt%\]"),
        (SODA, {"temperature_c": 5.0}, r"'temperature_c' must be between 15 and 100 \[C\]"),
        (SODA, {"min_percent": -1.0}, r"'min_percent' must be between 0 and 100 \[%\]"),
        (SODA, {"max_percent": 101.0}, r"'max_percent' must be between 0 and 100 \[%\]"),
        (SODA, {"min_percent": 95.0}, r"'min_percent' must be at most max_percent 90 \[%\] \(got 95\)"),
        (SODA, {"end_min_t": -1.0}, r"'end_min_t' must be at least 0 \[t\]"),
        (VESSELS, {"vessels": 0}, "'vessels' must be at least 1"),
        (VESSELS, {"vessel_t": 0.0}, r"'vessel_t' must be above 0 \[t\]"),
        (VESSELS, {"permit_t": 0.0}, r"'permit_t' must be above 0 \[t\]"),
        (VESSELS, {"empty_vessels": -1}, "'empty_vessels' must be at least 0"),
        (VESSELS, {"wagons_t": -1.0}, r"'wagons_t' must be at least 0 \[t\]"),
        (VESSELS, {"margin_percent": 101.0}, r"'margin_percent' must be between 0 and 100 \[%\]"),
        (VESSELS, {"cover_min_t": -1.0}, r"'cover_min_t' must be at least 0 \[t\]"),
        (
            VESSELS,
            {"cover_min_t": 561.0},
            r"'cover_min_t' must be at most what vessels and permit allow, 560 \[t\] \(got 561\)",
        ),
        (PRODUCT, {"min_t": -1.0}, r"'min_t' must be at least 0 \[t\]"),
        (PRODUCT, {"max_t": 0.0}, r"'max_t' must be above 0 \[t\]"),
        (PRODUCT, {"min_t": 200.0}, r"'min_t' must be at most max_t 180 \[t\] \(got 200\)"),
        (PRODUCT, {"end_min_t": -1.0}, r"'end_min_t' must be at least 0 \[t\]"),
        (
            PRODUCT,
            {"end_values": (ValueStep(1.0, 10.0), ValueStep(1.0, 20.0))},
            r"'end_values' must not rise from step to step \[currency/t\] \(got \[10.0, 20.0\]\)",
        ),
    ],
)
def test_values_that_break_a_rule(store: Any, changes: dict[str, Any], message: str) -> None:
    """Each rule of the records is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(store, **changes)


def test_step_without_width() -> None:
    """A step of value has a width."""
    with pytest.raises(InvalidValues, match=r"'tonnes' must be above 0 \[t\]"):
        ValueStep(0.0, 10.0)


def test_a_tank_out_of_service_takes_its_range_along() -> None:
    """One of two tanks out in the second hour: both ends of the range are half there, and only there."""
    one_out = (fact("soda", "tanks", 1, 1, 1),)
    low, high = SODA.range_t()
    level = 0.3 * high
    store = replace(SODA, name="soda")
    (stock,) = declare(store, level, availability=one_out).stocks
    np.testing.assert_allclose(stock.lower, [low, low / 2, low])
    np.testing.assert_allclose(stock.upper, [high, high / 2, high])


def test_a_dip_is_that_of_the_tanks_in_service() -> None:
    """With one of two tanks out at the start 50 % are half of one; an outage later changes nothing."""
    store = replace(SODA, name="soda")
    whole = store.tonnes(level_percent=50.0)
    for first, expected in ((0, whole / 2), (1, whole)):
        known = Situation(availability=(fact("soda", "tanks", 1, first, 2),))
        assert store.at_start(hours(3), known).tonnes(level_percent=50.0) == pytest.approx(expected)
