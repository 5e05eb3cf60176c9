"""The temperature lag on the bill, its warnings, and plans that leave power free for it.

The site is one circuit of 150 cells without losses: 2.16 MW at 5 kA and 7.02 MW at 15 kA by hand (150 cells *
(2.4 + 0.12 j) V). Chlorine earns 200 per t, so that it runs at 15 kA at a price of 20 and at 5 kA at 200, to
within the 1e-5 of the cost that the search leaves open: so are the figures here.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from models.cell_temperature import ThermalLag
from models.circuit import Circuit
from models.contract.demand import DemandCharge
from models.horizon import Array, Series
from models.meter import SiteMeter
from models.rectifier import Rectifier
from models.trade import Outlet
from scheduler.plan import PlanOptions, make_plan
from scheduler.report.plan_json import json_text, plan_document
from scheduler.report.summary import summary_text
from scheduler.result import Plan, Status
from tests.small_sites import Case, plain_case, plain_circuit

ROOM = ThermalLag(nominal_density_ka_per_m2=6.0, cold_density_max_ka_per_m2=4.0)
WARM = replace(ROOM, cold_below_c=73.0)
"""The same room where 74 C, its steady temperature at 5 kA, is warm enough for every density."""
PRICES = np.repeat([200.0, 20.0], 6)
FULL_MW = 150 * (2.4 + 0.12 * 6.0) * 15.0 / 1000.0
FIRST_MW = 0.226626
"""Mean lag power of the first hour at 15 kA after 5 kA, see tests/test_cell_temperature.py. [MW]"""
SIX_HOURS_MWH = 150 * 15.0 / 1000.0 * 0.0115 * 12.0 * 1.5 * (1.0 - np.exp(-4.0))
"""The same over six hours: 12 K decaying with 1.5 h. [MWh]"""
DEMAND = DemandCharge("grid", 1000.0, 60)


def case(circuit: Circuit, prices: Array = PRICES, demand: bool = True) -> Case:
    """Return a site that may run at full load under a peak reached before."""
    peaks = {"peaks_mw": {("grid", "2026-06"): FULL_MW}} if demand else {}
    sale = Outlet("sale", "chlorine", 100.0, credit=200.0)
    return plain_case((circuit, sale), prices, components=(DEMAND,) if demand else (), **peaks)


def made(of: Case, compare: bool = False) -> Plan:
    """Return the plan that people get."""
    return make_plan(of.site, of.horizon, of.situation, PlanOptions(compare=compare))


def with_meter(of: Case, import_max_mw: float) -> Case:
    """Return a case with another import limit."""
    units = tuple(
        replace(unit, import_max_mw=import_max_mw) if isinstance(unit, SiteMeter) else unit
        for unit in of.site.units
    )
    return replace(of, site=replace(of.site, units=units))


def late_import(plan: Plan) -> Array:
    """Return the import with the lag."""
    lag: Array = plan.audit.simulations["room"].readings["lag_power_mw"]
    return plan.audit.values["meter_import"] + lag


def test_the_lag_is_charged_at_the_hours_price_and_at_the_peak() -> None:
    """Six hours at 15 kA after six at 5: 0.4572 MWh at 20, and a peak of 1000 per MW raised by 0.2266 MW."""
    plan = case(plain_circuit(thermal=ROOM)).plan()
    assert plan.audit.values["room_load"] == pytest.approx(np.repeat([5.0, 15.0], 6), abs=2e-3)
    assert plan.lag is not None
    (room,) = plan.lag.circuits
    assert room.horizon_mwh == pytest.approx(SIX_HOURS_MWH, rel=1e-3)
    assert room.plan_day_mwh == pytest.approx(SIX_HOURS_MWH, rel=1e-3)
    assert room.horizon_cost == pytest.approx(20.0 * SIX_HOURS_MWH, rel=1e-3)
    assert plan.lag.contract_cost == pytest.approx(20.0 * SIX_HOURS_MWH + 1000.0 * FIRST_MW, abs=0.3)


def test_the_cost_and_the_bound_stay_those_of_the_steady_voltage() -> None:
    """A circuit with a lag is planned and certified to the same figures as one without."""
    late, steady = case(plain_circuit(thermal=ROOM)).plan(), case(plain_circuit()).plan()
    assert late.audit.cost == steady.audit.cost
    assert late.certificate == steady.certificate
    assert steady.lag is None


def test_a_constant_load_has_no_lag_cost() -> None:
    """At one price the load does not move, and the lag is 0 in energy and money."""
    plan = made(case(plain_circuit(thermal=ROOM), np.full(6, 20.0)))
    assert plan.lag is not None
    assert plan.lag.circuits[0].horizon_mwh == pytest.approx(0.0, abs=1e-9)
    assert plan.lag.contract_cost == pytest.approx(0.0, abs=1e-6)
    assert plan.lag.without_cost is None


def test_a_cold_room_at_full_density_is_a_warning() -> None:
    """At 74 C, below 75 C, 4 kA/m2 are allowed: 6 in the first cheap hour are 2 too many, no violation."""
    plan = case(plain_circuit(thermal=ROOM)).plan()
    assert plan.lag is not None
    (warning,) = plan.lag.warnings
    assert (warning.key, warning.interval, warning.unit) == ("room_cold_density", 6, "kA/m2")
    assert warning.amount == pytest.approx(2.0, abs=1e-3)
    assert plan.status is Status.PLAN
    warm = case(plain_circuit(thermal=replace(ROOM, cold_below_c=73.0))).plan()
    assert warm.lag is not None
    assert not warm.lag.warnings


def test_a_rectifier_without_volts_for_the_cold_room_is_a_warning() -> None:
    """15 kA need 468 V warm and 150 * 12 K * 11.5 mV/K = 20.7 V more at the raise: 18.7 V above 470 V."""
    thermal = replace(ROOM, cold_below_c=60.0)
    rectifier = Rectifier(1, 100.0, 470.0, drop_v=0.0)
    plan = case(plain_circuit(thermal=thermal, rectifier=rectifier)).plan()
    assert plan.lag is not None
    (warning,) = plan.lag.warnings
    assert (warning.key, warning.interval) == ("room_cold_dc_voltage", 6)
    assert warning.amount == pytest.approx(18.7, abs=0.01)


def test_the_plan_keeps_the_density_of_a_cold_room() -> None:
    """At 74 C 4 kA/m2 are 10 kA in the first cheap hour; it ends at 80 - 6 exp(-1/1.5) = 76.9 C, so no more.

    The steady plan warns of 6 kA/m2 there; nothing else of it changes.
    """
    plan = made(case(plain_circuit(thermal=ROOM), demand=False))
    assert plan.status is Status.PLAN
    expected = np.array([5.0] * 6 + [10.0] + [15.0] * 5)
    assert plan.audit.values["room_load"] == pytest.approx(expected, abs=2e-2)
    assert plan.lag is not None
    assert plan.lag.warnings == ()
    assert plan.audit.violations == ()


def test_the_plan_keeps_the_volts_of_a_cold_room() -> None:
    """At 74 C a load of x kA needs 360 + 7.2 x + 1.725 (0.4 * 3 x - 6) V = 470 V at 12.94 kA."""
    thermal = replace(ROOM, cold_below_c=60.0)
    rectifier = Rectifier(1, 100.0, 470.0, drop_v=0.0)
    plan = made(case(plain_circuit(thermal=thermal, rectifier=rectifier), demand=False))
    most = (470.0 - 360.0 + 1.725 * 6.0) / (7.2 + 1.725 * 1.2)
    assert most == pytest.approx(12.98, abs=0.01)
    assert plan.audit.values["room_load"][6] == pytest.approx(most, abs=2e-2)
    assert plan.lag is not None
    assert plan.lag.warnings == ()


def test_given_loads_keep_the_warning_of_a_cold_room() -> None:
    """Where the loads are given there is nothing to limit: they stay, and so does the warning."""
    of = case(plain_circuit(thermal=ROOM), demand=False)
    horizon = of.horizon
    given = Series("lock", horizon.starts_min, horizon.lengths_min, np.repeat([5.0, 15.0], 6))
    plan = made(replace(of, situation=replace(of.situation, locks={"room": given})))
    assert plan.audit.values["room_load"] == pytest.approx(np.repeat([5.0, 15.0], 6))
    assert plan.lag is not None
    assert [warning.key for warning in plan.lag.warnings] == ["room_cold_density"]


def test_the_plan_leaves_power_free_under_a_billed_peak() -> None:
    """The plan that sees the lag keeps the import with it under the old peak and saves most of 226.63.

    Leaving 0.2266 MW free takes 0.39 kA at 0.576 MW/kA, and less in each later hour: 0.8 kAh in all, each
    of which earns 0.198 t * 200 less 0.576 MWh * 20, that is 28: about 24 of 226.63.
    """
    of = case(plain_circuit(thermal=WARM))
    steady, plan = of.plan(), made(of)
    assert steady.lag is not None
    assert plan.lag is not None
    assert float(late_import(steady).max()) == pytest.approx(FULL_MW + FIRST_MW, abs=3e-4)
    assert float(late_import(plan).max()) == pytest.approx(FULL_MW, abs=0.001)
    assert (plan.lag.without_cost, plan.lag.without_contract_cost) == (
        steady.audit.cost,
        steady.lag.contract_cost,
    )
    saved = steady.audit.cost + steady.lag.contract_cost - plan.audit.cost - plan.lag.contract_cost
    assert 1000.0 * FIRST_MW - 30.0 < saved < 1000.0 * FIRST_MW - 15.0
    assert not plan.audit.violations
    assert plan.status is Status.PLAN


def test_the_certificate_bounds_the_steady_cost_of_the_plan_that_sees_the_lag() -> None:
    """The bound is that of the steady model; the plan's steady cost is held against it: an open gap."""
    of = case(plain_circuit(thermal=WARM))
    steady, plan = of.plan(), made(of)
    assert plan.certificate.lower_bound == steady.certificate.lower_bound
    assert plan.certificate.cost == plan.audit.cost > steady.audit.cost
    assert plan.certificate.gap > 100 * steady.certificate.gap


def test_the_plan_keeps_the_import_limit_with_the_lag() -> None:
    """Under an import limit of just the full load the steady plan is warned of, and the other keeps it."""
    of = with_meter(case(plain_circuit(thermal=replace(ROOM, cold_below_c=60.0)), demand=False), FULL_MW)
    steady, plan = of.plan(), made(of)
    assert steady.lag is not None
    assert plan.lag is not None
    assert [warning.key for warning in steady.lag.warnings] == ["meter_import_with_lag"]
    assert steady.lag.warnings[0].amount == pytest.approx(FIRST_MW, abs=3e-4)
    assert not plan.lag.warnings
    assert float(late_import(plan).max()) <= FULL_MW * (1 + 1e-6)


def test_nothing_is_planned_again_where_the_lag_raises_no_peak() -> None:
    """With neither a demand charge nor a limit near, the plan is that of the steady voltage."""
    of = case(plain_circuit(thermal=WARM), demand=False)
    plan = made(of)
    assert plan.audit.values["room_load"] == pytest.approx(of.plan().audit.values["room_load"], abs=1e-9)
    assert plan.lag is not None
    assert plan.lag.without_cost is None
    assert "lag" not in plan.seconds


def test_comparisons_are_made_for_the_plan_that_is_shown() -> None:
    """The plan in place of the steady one has its comparison with a constant load."""
    plan = made(case(plain_circuit(thermal=WARM)), compare=True)
    assert plan.lag is not None
    assert plan.lag.without_cost is not None
    assert [comparison.name for comparison in plan.comparisons] == ["cheapest constant load"]


# ---------------------------------------------------------------- what people read


def test_the_page_shows_the_lag_and_what_it_is_no_part_of() -> None:
    """Energy, money, the gain and the warning stand on the page, apart from cost and certificate."""
    plan = made(case(plain_circuit(thermal=ROOM)))
    text = " ".join(summary_text(plan).split())
    assert plan.lag is not None
    assert "Temperature lag, in no figure above" in text
    assert f"room {plan.lag.circuits[0].horizon_mwh:.2f} MWh" in text
    assert "This plan leaves power free for the lag" in text
    assert "Warning: with the lag" not in text
    warned = case(plain_circuit(thermal=ROOM)).plan()
    assert "Warning: with the lag" in summary_text(warned)
    assert "Temperature lag" not in summary_text(case(plain_circuit()).plan())


def test_plan_json_holds_the_lag_or_null() -> None:
    """The block has circuits over both spans, the cost with the lag, and warnings with local time."""
    plan = made(case(plain_circuit(thermal=ROOM)))
    block = json.loads(json_text(plan_document(plan, {})))["temperature_lag"]
    assert plan.lag is not None
    assert block["horizon"]["room"]["extra_dc_mwh"] == pytest.approx(plan.lag.circuits[0].horizon_mwh)
    assert block["cost_with_lag"] == pytest.approx(plan.audit.cost + plan.lag.contract_cost)
    assert block["steady_plan"]["cost"] == pytest.approx(plan.lag.without_cost)
    assert block["warnings"] == []
    warned = plan_document(case(plain_circuit(thermal=ROOM)).plan(), {})
    assert warned["temperature_lag"]["warnings"][0]["worst_at"] == "2026-06-08T06:00+02:00"
    assert plan_document(case(plain_circuit()).plan(), {})["temperature_lag"] is None
