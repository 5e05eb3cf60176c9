"""Purchases, outlets, fixed uses and the meter: rates, prices and their signs."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.checks import InvalidValues
from models.horizon import Series
from models.meter import SiteMeter
from models.situation import Situation
from models.trade import Outlet, OwnUse, Purchase
from tests.binding_cases import fact, hours

NOTHING = Situation()
STEAM = Purchase("steam", "steam", 20.0, 30.0, 2.0, "steam")
NEIGHBOUR = Outlet("neighbour", "hydrogen", 360.0, 1.4, 200.0, "hydrogen")
USE = OwnUse("other", "power", rate_per_h=9.0, unit="MW")
METER = SiteMeter("meter", 95.0, 10.0, 2.0)


def test_purchase_comes_in_and_costs() -> None:
    """A t/h for a quarter of an hour at 30 costs 7.50 and comes onto the bus."""
    records = STEAM.declare(hours(2, 15), NOTHING)
    (cost,), (flow,) = records.costs, records.flows
    assert cost.group == "steam"
    assert cost.coefficient == pytest.approx([7.5, 7.5])
    assert (flow.commodity, flow.coefficient) == ("steam", 1.0)


def test_outlet_leaves_and_earns() -> None:
    """A kg/h for an hour at 1.40 earns 1.40; a negative credit costs."""
    records = NEIGHBOUR.declare(hours(1), NOTHING)
    assert records.costs[0].coefficient == pytest.approx([-1.4])
    assert records.flows[0].coefficient == -1.0
    assert records.variables[0].unit == "kg/h"
    costly = replace(NEIGHBOUR, credit=-0.5).declare(hours(1), NOTHING)
    assert costly.costs[0].coefficient == pytest.approx([0.5])
    assert replace(NEIGHBOUR, credit=0.0).declare(hours(1), NOTHING).costs == ()


@pytest.mark.parametrize("unit", [STEAM, NEIGHBOUR])
def test_rates_in_service(unit: Purchase | Outlet) -> None:
    """Out of service even the least rate is not due; today's limit holds where it is touched."""
    facts = Situation(
        availability=(fact(unit.name, "in_service", 0, 1, 1), fact(unit.name, "rate_max_per_h", 10.0, 2, 2))
    )
    (rate,) = replace(unit, rate_min_per_h=5.0).declare(hours(3), facts).variables
    assert rate.lower == pytest.approx([5.0, 0.0, 5.0])
    assert rate.upper == pytest.approx([unit.rate_max_per_h, 0.0, 10.0])


def test_fixed_use_is_no_decision() -> None:
    """A constant use is a variable without room; the simulation takes it whatever a plan says."""
    (use,) = USE.declare(hours(2), NOTHING).variables
    assert use.lower == pytest.approx([9.0, 9.0])
    assert use.upper == pytest.approx([9.0, 9.0])
    simulation = USE.simulate(hours(2), NOTHING, {"other_use": np.zeros(2)})
    assert simulation.flows["power"] == pytest.approx([-9.0, -9.0])


def test_profile_of_a_use() -> None:
    """A profile of quarters is met by its mean in the hour: (8 + 10 + 12 + 6) / 4 = 9."""
    quarters = hours(4, 15)
    profile = Series("load", quarters.starts_min, quarters.lengths_min, np.array([8.0, 10.0, 12.0, 6.0]))
    use = OwnUse("other", "power", series="load", unit="MW")
    assert use.series_needed() == ("load",)
    assert USE.series_needed() == ()
    situation = Situation(series={"load": profile})
    assert use.declare(hours(1), situation).variables[0].lower == pytest.approx([9.0])


def test_meter_range() -> None:
    """95 MW less a margin of 2; 10 MW may go out; a limit of today is lowered by the margin too."""
    facts = Situation(availability=(fact("meter", "import_max_mw", 50.0, 1, 1),))
    records = METER.declare(hours(2), facts)
    (drawn,) = records.variables
    assert drawn.key == "meter_import"
    assert drawn.upper == pytest.approx([93.0, 48.0])
    assert drawn.lower == pytest.approx([-10.0, -10.0])
    assert records.flows[0].coefficient == 1.0


@pytest.mark.parametrize(
    ("unit", "changes", "message"),
    [
        (STEAM, {"rate_max_per_h": 0.0}, r"'rate_max_per_h' must be above 0 \(got 0.0\)"),
        (STEAM, {"rate_min_per_h": -1.0}, "'rate_min_per_h' must be at least 0"),
        (STEAM, {"rate_min_per_h": 21.0}, r"'rate_min_per_h' must be at most rate_max_per_h 20 \[unit/h\]"),
        (STEAM, {"price": -1.0}, r"'price' must be at least 0 \(got -1.0\)"),
        (STEAM, {"group": "stem"}, "'group' must be one of 'energy', .*did you mean 'steam'"),
        (NEIGHBOUR, {"rate_max_per_h": 0.0}, "'rate_max_per_h' must be above 0"),
        (NEIGHBOUR, {"rate_min_per_h": 400.0}, "'rate_min_per_h' must be at most rate_max_per_h 360"),
        (NEIGHBOUR, {"credit": float("nan")}, "'credit' must be finite"),
        (NEIGHBOUR, {"group": "gas"}, "'group' must be one of 'energy'"),
        (USE, {"rate_per_h": -1.0}, "'rate_per_h' must be at least 0"),
        (USE, {"unit": "kW"}, "'unit' must be one of 'MW', 'Mvar', 't/h', 'kg/h', 'm3/h'"),
        (USE, {"rate_per_h": None}, "exactly one of 'rate_per_h' and 'series' must be given"),
        (USE, {"series": "load"}, "exactly one of 'rate_per_h' and 'series' must be given"),
        (METER, {"import_max_mw": 0.0}, r"'import_max_mw' must be above 0 \[MW\]"),
        (METER, {"export_max_mw": -1.0}, r"'export_max_mw' must be at least 0 \[MW\]"),
        (METER, {"margin_mw": -1.0}, r"'margin_mw' must be at least 0 \[MW\]"),
    ],
)
def test_values_that_break_a_rule(unit: Any, changes: dict[str, Any], message: str) -> None:
    """Each rule of the records is told with what came and what is allowed."""
    with pytest.raises(InvalidValues, match=message):
        replace(unit, **changes)
