"""Outages: no current when they start, a run-up from their end, and loads under a limit when it starts.

The physics stands here once more: 150 cells of 2.4 V + 0.12 V m2/kA * j on 2.5 m2 without other losses, so
the power of a load x in kA is 0.36 x + 0.0072 x^2 MW, and chlorine is 150 * `CHLORINE_T_PER_KAH` t/h per kA.
The greatest load is 15 kA.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.horizon import Array, Horizon, Series
from models.run_down import travel
from models.situation import Availability
from models.trade import Outlet
from scheduler.given import replan
from scheduler.plan import PlanOptions
from scheduler.report.handoffs import _changes
from scheduler.report.load_changes import load_changes
from scheduler.report.outages import outage_lines
from scheduler.report.page import page_html
from scheduler.report.sheet import load_sheet
from scheduler.report.summary import summary_text
from scheduler.report.tables import plan_csv
from scheduler.result import Plan, Status
from tests.small_sites import CHLORINE_T_PER_KAH, Case, intervals, plain_case, plain_circuit

T_PER_KA = 150 * CHLORINE_T_PER_KAH


def power_of(load: Array | float) -> Array:
    """Return the power of the room by hand. [MW]."""
    return 0.36 * np.asarray(load) + 0.0072 * np.square(load)


def case(
    *facts: tuple[str, float, int, int],
    horizon: Horizon | None = None,
    prices: Array | None = None,
    rate: float = 0.25,
    rules: dict[str, object] | None = None,
    **known: object,
) -> Case:
    """Return the room, paid for its chlorine, with facts (what, value, first and last minute)."""
    over = intervals(8) if horizon is None else horizon
    start = over.start_min
    return plain_case(
        (
            plain_circuit(ramp_ka_per_min=rate, ramp_minutes=60.0, **(rules or {})),
            Outlet("gas", "chlorine", rate_max_per_h=1e4, credit=300.0),
        ),
        np.full(len(over), 50.0) if prices is None else prices,
        over,
        availability=tuple(Availability("room", w, v, start + a, start + b) for w, v, a, b in facts),
        **known,
    )


def given(one: Case, loads: list[float]) -> Case:
    """Return the case with loads that people give."""
    horizon = one.horizon
    lock = Series("room", horizon.starts_min, horizon.lengths_min, np.array(loads))
    return replace(one, situation=replace(one.situation, locks={"room": lock}))


def broken(plan: Plan) -> dict[str, float]:
    """Return what the audit finds broken."""
    return {found.meaning: found.amount for found in plan.audit.violations}


def test_the_run_down_is_done_when_the_outage_starts_and_the_run_up_begins_at_its_end() -> None:
    """15 kA at 0.25 kA/min take an hour each way: half the chlorine, and the integral of the power.

    The mean of 0.36 x + 0.0072 x^2 for x evenly from 15 to 0 is 0.36 * 7.5 + 0.0072 * 225 / 3 = 3.24 MW.
    """
    plan = case(("in_service", 0.0, 180, 300)).plan()
    load = plan.audit.values["room_load"]
    assert load == pytest.approx([15, 15, 15, 0, 0, 15, 15, 15], abs=1e-2)
    full = float(power_of(15.0))
    expected = np.array([full, full, 3.24, 0, 0, 3.24, full, full])
    assert plan.audit.values["room_power"] == pytest.approx(expected, rel=2e-3)
    made = plan.audit.flows["room", "chlorine"]
    assert made == pytest.approx(T_PER_KA * load * np.array([1, 1, 0.5, 1, 1, 0.5, 1, 1]), rel=1e-9)
    assert plan.audit.simulations["room"].readings["mean_load_ka"][2] == pytest.approx(load[2] / 2)
    assert plan.certificate.gap <= 1e-5
    assert max(plan.audit.balance_error.values()) < 1e-9
    assert not plan.audit.violations


@pytest.mark.parametrize("minutes", [15, 60])
def test_energy_and_chlorine_on_the_way_are_those_of_a_fine_sum(minutes: int) -> None:
    """Two outages 75 min apart, each way 79 min: the load turns back on its way up; second by second."""
    parts = 60 // minutes
    one = case(
        ("in_service", 0.0, 120, 180),
        ("in_service", 0.0, 240 + (15 if minutes == 15 else 0), 300),
        horizon=intervals(8 * parts, minutes),
        rate=0.19,
    )
    plan = given(one, np.repeat([14.0, 14, 0, 14, 0, 14, 14, 14], parts).tolist()) if parts == 1 else one
    plan = plan.plan()
    load, horizon = plan.audit.values["room_load"], plan.horizon
    takes = np.ceil(15.0 / 0.19)
    clock = (np.arange(8 * 3600) + 0.5) / 60.0
    share = np.ones(len(clock))
    second = 255 if minutes == 15 else 240
    for edge in (120, second):
        share = np.where(clock < edge, np.minimum(share, np.clip((edge - clock) / takes, 0, 1)), share)
    for edge in (180, 300):
        up = np.clip((clock - edge) / takes, 0, 1)
        before_next = clock < second if edge == 180 else np.ones(len(clock), dtype=bool)
        share = np.where((clock >= edge) & before_next, np.minimum(share if edge == 180 else 1.0, up), share)
    # Between the outages both ways hold: the lesser share.
    between = (clock >= 180) & (clock < second)
    share[between] = np.minimum(clock[between] - 180, second - clock[between]) / takes
    own = np.repeat(load, 60 * minutes) * share
    mean = own.reshape(len(horizon), -1).mean(axis=1)
    assert plan.audit.flows["room", "chlorine"] == pytest.approx(T_PER_KA * mean, rel=1e-5, abs=1e-7)
    drawn = power_of(own).reshape(len(horizon), -1).mean(axis=1)
    assert plan.audit.values["room_power"] == pytest.approx(drawn, rel=1e-5, abs=1e-7)


def test_the_set_load_does_not_rise_on_its_way() -> None:
    """Quarters with the last two before the outage cheap: a run-down of 60 min is not broken by a rise."""
    horizon = intervals(16, 15)
    prices = np.full(16, 290.0)
    prices[6:8] = -100.0
    plan = case(("in_service", 0.0, 120, 240), horizon=horizon, prices=prices).plan()
    assert np.all(np.diff(plan.audit.values["room_load"][4:8]) <= 1e-6)


def test_an_outage_too_soon_is_told_and_not_a_breach() -> None:
    """Known a quarter before it starts: of 15 kA at 0.25 kA/min three quarters still flow."""
    one = case(("in_service", 0.0, 15, 120), horizon=intervals(16, 15), loads_before={"room": 15.0})
    plan = one.plan()
    assert plan.status is Status.PLAN
    flows = 0.75 * plan.audit.values["room_load"][0]
    assert f"run-down from 00:00, {flows:.1f} kA still flow when it starts" in outage_lines(plan)[0]
    assert "no current from 01:00" in outage_lines(plan)[0]


def test_a_replan_on_the_way_goes_on_with_the_run_down_that_was_planned() -> None:
    """At half past one the run-down for two o'clock has run for 30 min: half the load flows, 0 at two."""
    one = case(("in_service", 0.0, 120, 180), horizon=intervals(16, 15), loads_before={"room": 15.0})
    first = one.plan()
    horizon = one.horizon.starting(one.horizon.start_min + 90)
    earlier = {
        "room": Series(
            "room", one.horizon.starts_min, one.horizon.lengths_min, first.audit.values["room_load"]
        )
    }
    situation = replace(one.situation, loads_before={})
    again = replan(one.site, horizon, situation, earlier, options=PlanOptions(compare=False)).plan
    assert again.status is Status.PLAN
    assert outage_lines(again)[0].endswith(
        "run-down from 01:00, no current when it starts; run-up from 03:00 to 04:00"
    )
    assert again.audit.flows["room", "chlorine"] == pytest.approx(
        first.audit.flows["room", "chlorine"][6:], rel=1e-4
    )


def test_the_audit_finds_current_in_an_outage() -> None:
    """16 kA, more than full load, cannot be run down in the hour: 1 kA flows when the outage starts."""
    plan = given(case(("in_service", 0.0, 180, 240)), [15.0, 15, 16, 0, 15, 15, 15, 15]).plan()
    assert broken(plan)["current of room when its outage starts"] == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize(("minutes", "rest"), [(60, 0.0), (15, 3.75)])
def test_a_load_is_under_a_lower_limit_when_it_starts(minutes: int, rest: float) -> None:
    """8 kA from 2:00 on: a change begins an interval before; a quarter earlier 3.75 kA more may stand."""
    parts = 60 // minutes
    plan = case(("load_max_ka", 8.0, 120, 240), horizon=intervals(6 * parts, minutes)).plan()
    load = plan.audit.values["room_load"]
    assert load[2 * parts - 1] == pytest.approx(8.0, abs=1e-3)
    assert load[2 * parts - 2] == pytest.approx(8.0 + rest if rest else 15.0, abs=1e-2)


def test_the_audit_finds_a_load_above_a_limit_that_starts() -> None:
    """A sheet that lowers the load only when the limit starts is above it by 7 kA then."""
    plan = given(case(("load_max_ka", 8.0, 120, 180)), [15.0, 15, 8, 15, 15, 15, 15, 15]).plan()
    assert broken(plan)["load of room when a lower limit starts"] == pytest.approx(7.0, abs=1e-4)


def test_a_limit_that_starts_now_is_told() -> None:
    """From 15 kA to 8 kA at 0.25 kA/min takes 28 min."""
    plan = case(("load_max_ka", 8.0, 0, 120), loads_before={"room": 15.0}).plan()
    assert plan.status is Status.PLAN
    assert outage_lines(plan)[0].endswith("too soon to be under it before: the load gets there by 00:28")


def test_an_outage_of_the_next_day_is_run_down_for_today() -> None:
    """The plan day ends at four; the outage begins then, in the look-ahead or just after the horizon."""
    whole = intervals(8)
    ahead = Horizon(whole.starts_min, whole.lengths_min, whole.timezone, 4)
    for horizon in (ahead, intervals(4)):
        plan = case(("in_service", 0.0, 240, 360), horizon=horizon).plan()
        assert plan.audit.flows["room", "chlorine"][3] == pytest.approx(T_PER_KA * 7.5, rel=1e-3)
        assert "run-down from 03:00, no current when it starts" in outage_lines(plan)[0]
        assert _changes(plan, plan.site.units[0])[-1][1:4:2] == ("2026-06-08T03:00+02:00", "0.000000")
    # The run-up is tomorrow's: in the look-ahead loads are what they are on the mean.
    plan = case(("in_service", 0.0, 240, 360), horizon=ahead).plan()
    assert plan.audit.flows["room", "chlorine"][6] == pytest.approx(T_PER_KA * 15.0, rel=1e-3)


def test_without_a_rate_or_an_outage_nothing_is_on_its_way() -> None:
    """A circuit that states no rate switches at once."""
    horizon = intervals(4)
    running, full = np.array([True, False, True, True]), np.full(4, 15.0)
    assert travel(horizon, running, full, None).ways == ()
    assert travel(horizon, np.ones(4, dtype=bool), full, 0.25).ways == ()
    assert len(travel(horizon, running, full, 0.25).ways) == 2


@pytest.fixture(scope="module")
def counted() -> Plan:
    """Return a plan with one change allowed, at a price that asks for more, and an outage."""
    prices = np.array([10.0, 290, 10, 290, 10, 290, 10, 290])
    rules: dict[str, object] = {"step_ka": 0.5, "changes_per_day": 1}
    return case(("in_service", 0.0, 180, 240), prices=prices, rules=rules, loads_before={"room": 10.0}).plan()


def test_moves_for_an_outage_do_not_count_among_the_changes_of_a_day(counted: Plan) -> None:
    """The calendar asks for them, nobody chose them: one change, and two for the outage."""
    assert counted.status is Status.PLAN
    changes = load_changes(counted, "room")
    assert [change.counted for change in changes].count(True) <= 1
    assert [change.counted for change in changes].count(False) == 2


def test_sheet_page_summary_and_hand_off_tell_the_moves_of_an_outage(counted: Plan) -> None:
    """How many count, how many do not, and when the run-down begins."""
    free = sum(change.counted for change in load_changes(counted, "room"))
    words = f"{free} change{'' if free == 1 else 's'} + 2 for an outage"
    assert load_sheet(counted).changes[0].rate.endswith(words)
    text = " ".join(summary_text(counted).split())
    assert words in text
    assert "02:00 down to 0.0 by 03:00, 04:00 up to" in text
    assert words in page_html(counted, {})
    assert "room_mean_load_ka" in plan_csv(counted).splitlines()[0]
    rows = {row[1]: row for row in _changes(counted, counted.site.units[0])}
    assert rows["2026-06-08T02:00+02:00"][3] == "0.000000"


# ---------------------------------------------------------------- the load before that is not on its step


@pytest.mark.parametrize(("before", "held"), [(10.13, 10.0), (9.8, 10.0), (10.3, 10.5)])
def test_a_load_that_is_read_off_its_step_is_held_on_it(before: float, held: float) -> None:
    """Steps of 0.5 kA and no change allowed: the nearest step is what is set, and no move is ordered."""
    rules: dict[str, object] = {"step_ka": 0.5, "changes_per_day": 0}
    plan = case(rules=rules, loads_before={"room": before}).plan()
    assert plan.audit.values["room_load"] == pytest.approx(held, abs=1e-9)
    assert load_changes(plan, "room") == ()
    assert load_sheet(plan).changes[0].lines == ("no change",)


def test_every_move_that_is_ordered_is_whole_steps() -> None:
    """From 10.13 kA to full load: the list says from 10.0 kA, and no move is under a step of 0.5 kA."""
    prices = np.array([50.0, 50, 290, 50, 50, 290, 50, 50])
    rules: dict[str, object] = {"step_ka": 0.5}
    plan = case(prices=prices, rules=rules, loads_before={"room": 10.13}).plan()
    changes = load_changes(plan, "room")
    assert changes[0].from_ka == pytest.approx(10.0)
    for change in changes:
        assert change.from_ka is not None
        whole = abs(change.to_ka - change.from_ka) / 0.5
        assert whole == pytest.approx(round(whole), abs=1e-6)
        assert round(whole) >= 1


def test_a_given_load_on_the_step_of_the_load_before_is_no_change() -> None:
    """A sheet at 10.0 kA, 10.13 kA read before: no change, though none is allowed."""
    rules: dict[str, object] = {"step_ka": 0.5, "changes_per_day": 0}
    plan = given(case(rules=rules, loads_before={"room": 10.13}), [10.0] * 8).plan()
    assert plan.status is Status.PLAN
    plan = given(case(rules=rules, loads_before={"room": 10.13}), [10.5] * 8).plan()
    assert broken(plan) == {"changes of the load of room: 1 where 0 are allowed": 1.0}
