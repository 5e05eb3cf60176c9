"""A new product is text in a site file: a commodity, who makes it, a store and an order for it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import models.kinds
from scheduler.cuts import SearchOptions
from scheduler.errors import InputError
from scheduler.plan import PlanOptions, make_plan
from scheduler.read.inputs import read_inputs
from scheduler.result import Plan, Status
from tests.mechanism_site import T_PER_KA, write_site

PRODUCT = """
[[product]]
name = "pool_bleach"
unit = "t/h"
meaning = "stabilised hypochlorite, as the chlorine bound in it"
"""
LOT = (
    f"bleach_road,pool_bleach,road,{120 * T_PER_KA!r},2026-06-08T00:00+02:00,2026-06-09T00:00+02:00,pools,100"
)


def _plan(folder: Path, store_max_ka_h: float = 1e3, head: str = PRODUCT, order: str = LOT) -> Plan:
    units = f"""
[[unit]]
kind = "hypochlorite_unit"
name = "bleach"
chlorine_max_t_per_h = 10.0
alkali = "naoh_50"
alkali_excess_percent = 0.0
product = "pool_bleach"

[[unit]]
kind = "product_store"
name = "bleach_store"
commodity = "pool_bleach"
min_t = 0.0
max_t = {store_max_ka_h * T_PER_KA!r}
"""
    stocks = {"bleach_store": 0.0}
    path = write_site(folder, units, 20.0, 100.0, stocks, head=head, orders=order, density_max=8.0)
    inputs = read_inputs(path)
    options = PlanOptions(SearchOptions(gap=1e-7), compare=False)
    return make_plan(inputs.site, inputs.horizon, inputs.situation, options)


def test_product_is_planned_by_its_order(tmp_path: Path) -> None:
    """120 kAh's worth in a day of 12 hours at 20 and 12 at 100, at 8 kA most: 8 and 2 kA.

    12 (20 * 2.24 + 100 * 0.44) = 1065.6. The lot may be loaded at any hour of the day.
    """
    plan = _plan(tmp_path)
    assert plan.status is Status.PLAN
    assert plan.audit.values["room_load"] == pytest.approx(np.repeat([8.0, 2.0], 12), abs=0.02)
    assert plan.audit.cost == pytest.approx(1065.6, abs=1e-3)


def test_product_closes_from_cells_to_truck(tmp_path: Path) -> None:
    """What the cells make is bound, stored and loaded; the order is whole and the audit closes."""
    plan = _plan(tmp_path)
    assert plan.audit.flows["bleach", "pool_bleach"].sum() == pytest.approx(120 * T_PER_KA, rel=1e-6)
    assert plan.audit.values["bleach_road_loading"].sum() == pytest.approx(120 * T_PER_KA, rel=1e-9)
    assert plan.audit.values["bleach_road_short"][0] == 0.0
    assert plan.audit.balance_error["pool_bleach"] < 1e-9
    assert plan.audit.violations == ()


def test_product_is_billed_as_power(tmp_path: Path) -> None:
    """The bill is 12 (2.24 + 0.44) = 32.16 MWh for 1065.6."""
    (line,) = _plan(tmp_path).audit.bill
    assert line.quantity == pytest.approx(32.16, abs=1e-4)
    assert line.amount == pytest.approx(1065.6, abs=1e-3)


def test_store_of_the_product_limits_the_plan(tmp_path: Path) -> None:
    """A lot for the last hour alone needs 120 kAh of room less the last hour's make; in 60 it is missed."""
    late = LOT.replace("2026-06-08T00:00", "2026-06-08T23:00").replace(",100", ",1000")
    assert _plan(tmp_path, order=late).status is Status.PLAN
    missed = _plan(tmp_path, 60.0, order=late)
    assert missed.status is Status.MISSES
    # 60 kAh in store and at most 8 more from the cells in the hour of loading.
    assert missed.misses[0].quantity == pytest.approx((120 - 68) * T_PER_KA, rel=1e-5)


def test_unknown_product_is_told(tmp_path: Path) -> None:
    """Without its table the product is not known, and the order says so."""
    with pytest.raises(InputError, match="'product' must be a known commodity \\(got 'pool_bleach'\\)"):
        _plan(tmp_path, head="")


def test_kinds_are_registered() -> None:
    """Nothing but kinds that come with the project is used here."""
    assert {"hypochlorite_unit", "product_store"} <= set(models.kinds.UNIT_KINDS)
