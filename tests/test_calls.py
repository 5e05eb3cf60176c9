"""Simulated calls: a credit for interruptible load only where every call can be answered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.contract.component import Contract
from models.contract.reserve import Interruptible
from scheduler.plan import PlanOptions, make_plan
from scheduler.result import Plan, Status
from tests.call_case import call_case, demo_contract


def planned(cold_start_min: float, **changes: object) -> Plan:
    """Return the plan under the demo's contract E, with changes to its interruptible load."""
    contract = demo_contract("e_interruptible.toml")
    parts = tuple(
        replace(part, **changes) if isinstance(part, Interruptible) else part for part in contract.components
    )
    site, horizon, now = call_case(cold_start_min, Contract("E", "XTS", parts))
    return make_plan(site, horizon, now, PlanOptions(compare=False))


def possible(plan: Plan) -> list[float]:
    """Return what simulated calls can be answered with, hour by hour."""
    (side,) = [side for side in plan.tried if side.cases["interruptible"] == "paid"]
    (check,) = side.calls
    return [answer.possible_mw for answer in check.answers]


def test_thirty_megawatts_only_with_a_hot_vaporiser() -> None:
    """Hot, 13.62 t/h are left against a need of 13.0 + 4.2 + 0.8 + 1.6 - 6.0 = 13.6: credited."""
    plan = planned(cold_start_min=0.0)
    assert plan.status is Status.PLAN
    assert possible(plan) == pytest.approx([30.0, 30.0], abs=0.01)
    assert any(line.component == "interruptible" for line in plan.audit.bill)


def test_not_credited_with_a_cold_vaporiser() -> None:
    """Cold, the first hour needs 13.0 + 4.2 + 0.8 + 1.6 = 19.6 t/h of 23.66: some 14 MW and not 30.

    Room M gives way, whose last tonne costs most: (3.15 + 2 x 0.09 j) V / (1.323 g/Ah x 0.96) with j of
    7 to 8 kA/m2 is 3.5 to 3.6 MWh DC, so 4.06 t/h are 14.1 to 14.7 MW (the demo's invented values; by hand).
    """
    plan = planned(cold_start_min=40.0)
    assert plan.status is Status.PLAN
    assert possible(plan) == pytest.approx([14.2, 14.2], abs=0.6)
    (paid,) = [side for side in plan.tried if side.cases["interruptible"] == "paid"]
    assert paid.refused.startswith(
        "not credited: of 2 simulated calls of 'interruptible' 2 cannot be answered"
    )
    assert not any(line.component == "interruptible" for line in plan.audit.bill)


def test_a_long_notice_is_as_good_as_a_hot_vaporiser() -> None:
    """Announced 60 minutes before, the vaporiser is hot when the call begins."""
    plan = planned(cold_start_min=40.0, notice_minutes=60.0)
    assert possible(plan)[1] == pytest.approx(30.0, abs=0.01)


def test_usual_rates_of_change_are_kept_unless_the_contract_says_otherwise() -> None:
    """Within a quarter of an hour room M falls by 20 kA and rooms B and C by 15 kA each: less than 30 MW.

    Two neighbouring hours have no gap between them, so that is all from one hour to the next. At the day's
    first hour no load before is known, and none holds.
    """
    plan = planned(cold_start_min=0.0, fast_unloading=False)
    assert possible(plan)[1] < 29.0
    (paid,) = [side for side in plan.tried if side.cases["interruptible"] == "paid"]
    assert paid.refused


def test_a_call_leaves_what_was_decided_before_it() -> None:
    """The plan itself is untouched by simulating calls: it costs the same with the credit taken off."""
    with_calls, without = planned(0.0), planned(0.0, per_mw_month=0.0)
    credit = sum(line.amount for line in with_calls.audit.bill if line.component == "interruptible")
    assert credit < 0.0
    assert with_calls.audit.cost - credit == pytest.approx(without.audit.cost, rel=1e-5)
    assert np.all(np.isfinite(with_calls.audit.values["room_m_load"]))
