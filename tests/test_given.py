"""Plans around given loads: frozen minutes, locks, the rest of a day, and a sheet to judge."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.cell_voltage import CellVoltage
from models.circuit import Circuit
from models.contract.component import Contract
from models.horizon import Array, Horizon, Series
from models.order import Lot, Pipeline
from models.site import Site
from models.situation import Availability, Situation
from models.tank import ProductStore
from models.trade import OwnUse
from models.unit import Unit
from scheduler.errors import InputError
from scheduler.given import Replanned, _less_delivered, frozen, joined, judge, replan
from scheduler.read.earlier import open_earlier, read_earlier
from scheduler.report.difference import difference_csv, difference_text, judgement_text
from scheduler.report.tables import write_plan_csv
from scheduler.result import Plan, Status
from tests.small_sites import Case, intervals, plain_case, plain_circuit

EIGHT = np.array([90.0, 20.0, 70.0, 30.0, 80.0, 40.0, 60.0, 25.0])
OTHER = np.array([30.0, 80.0, 20.0, 90.0, 25.0, 70.0, 35.0, 60.0])
START_T = 50.0
GAP = 1e-5


def case_of(
    prices: Array = EIGHT,
    room: Circuit | None = None,
    use: float = 2.0,
    end: float = START_T,
    more: tuple[Unit, ...] = (),
    **situation: object,
) -> Case:
    """Return a circuit on a store that serves a use of 2 t/h and ends where it began; 6 hours planned."""
    whole = intervals(len(prices))
    horizon = Horizon(whole.starts_min, whole.lengths_min, whole.timezone, 6)
    units = (
        room or plain_circuit(),
        OwnUse("use", "chlorine", rate_per_h=use),
        ProductStore("store", "chlorine", 0.0, 200.0, end_min_t=end),
        *more,
    )
    return plain_case(units, prices, horizon, stocks={"store": START_T}, **situation)


def loads(values: Array | list[float], horizon: Horizon, first: int = 0) -> dict[str, Series]:
    """Return loads of the circuit on the first intervals of a horizon from one on."""
    at = slice(first, first + len(values))
    series = Series(
        "load of room", horizon.starts_min[at], horizon.lengths_min[at], np.asarray(values, dtype=np.float64)
    )
    return {"room": series}


def from_hour(case: Case, hour: int, level: float) -> Case:
    """Return what is left of a case from an hour on, at a level of its store."""
    horizon = case.horizon.starting(int(case.horizon.starts_min[hour]))
    return replace(case, horizon=horizon, situation=replace(case.situation, stocks={"store": level}))


def again(case: Case, earlier: Mapping[str, Series], minutes: float = 30.0) -> Replanned:
    """Replan a case."""
    return replan(case.site, case.horizon, case.situation, earlier, minutes)


def room_load(plan: Plan) -> Array:
    """Return the circuit's loads."""
    return plan.audit.values["room_load"]


# ---------------------------------------------------------------- frozen, joined


@pytest.mark.parametrize(
    ("minutes", "hours"), [(0.0, 0), (1.0, 1), (30.0, 1), (60.0, 1), (61.0, 2), (120.0, 2), (1e6, 8)]
)
def test_every_interval_that_starts_within_the_frozen_minutes_is_held(minutes: float, hours: int) -> None:
    """An interval is frozen when it starts before the frozen time ends."""
    case = case_of()
    locks = frozen(case.site, case.horizon, case.situation, loads(np.full(8, 9.0), case.horizon), minutes)
    if hours == 0:
        assert locks == {}
    else:
        np.testing.assert_array_equal(locks["room"].starts_min, case.horizon.starts_min[:hours])
        np.testing.assert_array_equal(locks["room"].values, 9.0)


def test_a_frozen_load_that_equipment_no_longer_carries_is_free() -> None:
    """With a limit of 8 kA now, 9 kA of the earlier plan are not frozen; 7 kA are."""
    whole = intervals(8)
    limit = Availability("room", "load_max_ka", 8.0, whole.start_min, whole.end_min)
    case = case_of(availability=(limit,))
    locks = frozen(case.site, case.horizon, case.situation, loads([9.0, 7.0], case.horizon), 120.0)
    np.testing.assert_array_equal(locks["room"].starts_min, case.horizon.starts_min[1:2])


def test_a_circuit_without_earlier_loads_is_free() -> None:
    """What the earlier plan does not hold is not frozen."""
    case = case_of()
    assert frozen(case.site, case.horizon, case.situation, {}, 60.0) == {}
    late = loads([9.0], case.horizon, 3)
    assert frozen(case.site, case.horizon, case.situation, late, 60.0) == {}


def test_the_first_of_two_locks_holds() -> None:
    """Where both lock an hour the first counts, elsewhere each; the result is in order of time."""
    horizon = intervals(4)
    first, second = loads([8.0], horizon, 2), loads([9.0, 10.0, 11.0, 12.0], horizon)
    both = joined(first, {**second, "other": second["room"]})
    np.testing.assert_array_equal(both["room"].values, [9.0, 10.0, 8.0, 12.0])
    np.testing.assert_array_equal(both["room"].starts_min, horizon.starts_min)
    assert both["other"] is second["room"]


def test_locks_of_other_lengths_join_without_overlap() -> None:
    """A quarter of an hour that the first locks takes the whole hour out of the second."""
    horizon = intervals(3)
    quarter = Series("lock", horizon.starts_min[1:2] + 15, np.array([15]), np.array([8.0]))
    both = joined({"room": quarter}, loads([9.0, 10.0, 11.0], horizon))["room"]
    np.testing.assert_array_equal(both.values, [9.0, 8.0, 11.0])
    np.testing.assert_array_equal(both.lengths_min, [60, 15, 60])


def test_joining_with_nothing_changes_nothing() -> None:
    """An empty side leaves the other as it is."""
    some = loads([9.0], intervals(2))
    assert joined(some, {}) == some
    assert joined({}, some) == some


# ---------------------------------------------------------------- replan


@pytest.mark.parametrize("minutes", [60.0, 120.0])
def test_frozen_minutes_hold_when_prices_turn(minutes: float) -> None:
    """At opposite prices the next hours keep the earlier loads and the rest moves."""
    case = case_of()
    plan = case.plan()
    made = again(case.priced(OTHER), loads(room_load(plan), case.horizon), minutes)
    held = int(minutes // 60)
    assert made.plan.status is Status.PLAN
    np.testing.assert_allclose(room_load(made.plan)[:held], room_load(plan)[:held], atol=1e-9)
    assert made.changes
    assert min(change.interval for change in made.changes) >= held
    assert made.saving is not None
    assert made.saving > 0
    assert {change.reason for change in made.changes} == {"least cost with what is known now"}


def test_locks_hold_and_are_named() -> None:
    """An hour that the planner locks has his load, before what is frozen and whatever the price."""
    case = case_of()
    earlier = loads(room_load(case.plan()), case.horizon)
    locked = loads([11.0], case.horizon, 0)
    situation = replace(
        case.situation, locks={"room": joined(locked, loads([12.5], case.horizon, 3))["room"]}
    )
    made = again(replace(case, situation=situation), earlier, 60.0)
    load = room_load(made.plan)
    assert load[0] == pytest.approx(11.0, abs=1e-9)
    assert load[3] == pytest.approx(12.5, abs=1e-9)
    reasons = {change.interval: change.reason for change in made.changes}
    assert reasons[0] == reasons[3] == "locked by the planner"


def test_the_saving_is_the_difference_of_two_exact_costs() -> None:
    """Carrying on costs what the earlier loads cost by hand on the plan day; the look-ahead is free."""
    case = case_of()
    plan = case.plan()
    made = again(case.priced(OTHER), loads(room_load(plan), case.horizon), 0.0)
    np.testing.assert_allclose(room_load(made.carried_on)[:6], room_load(plan)[:6], atol=1e-9)
    load = room_load(made.carried_on)
    by_hand = float(150 * (2.4 + 0.12 * load / 2.5) * load / 1000.0 @ OTHER)
    assert made.carried_on.audit.cost == pytest.approx(by_hand, rel=1e-9)
    assert made.saving == pytest.approx(by_hand - made.plan.audit.cost, rel=1e-9)


@pytest.mark.parametrize("hour", [0, 1, 3, 5])
def test_no_news_costs_nothing(hour: int) -> None:
    """From the plan's own stock at its own prices the rest is worth what carrying on is worth."""
    case = case_of()
    plan = case.plan()
    level = START_T if hour == 0 else float(plan.audit.values["store_level"][hour - 1])
    rest = from_hour(case, hour, level)
    made = again(rest, loads(room_load(plan), case.horizon))
    assert made.plan.status is Status.PLAN
    assert made.saving is not None
    assert abs(made.saving) <= 2 * GAP * plan.certificate.denominator
    np.testing.assert_allclose(room_load(made.plan)[0], room_load(plan)[hour], atol=1e-9)


def test_the_past_is_what_it_was() -> None:
    """The load just before comes from the earlier plan, or is an actual load; a ramp starts there."""
    room = plain_circuit(ramp_ka_per_min=2.0 / 60.0, ramp_minutes=60.0)
    case = case_of(room=room, use=1.0, end=0.0)
    rest = from_hour(case, 2, START_T)
    earlier = loads([10.0, 13.0, 14.0, 14.0, 14.0, 14.0], case.horizon)
    made = again(rest, earlier, 0.0)
    assert made.plan.situation.loads_before == {"room": 13.0}
    np.testing.assert_allclose(room_load(made.plan)[:4], [11.0, 9.0, 7.0, 5.0], rtol=1e-4)
    actual = replace(rest, situation=replace(rest.situation, loads_before={"room": 12.0}))
    assert again(actual, earlier, 0.0).plan.situation.loads_before == {"room": 12.0}


def test_a_lock_above_a_ceiling_is_not_a_plan() -> None:
    """18 kA where 6 kA/m2 on 2.5 m2 allow 15 kA: NOT A PLAN, with limit, hour and amount."""
    case = case_of()
    situation = replace(case.situation, locks=loads([18.0], case.horizon, 3))
    made = again(replace(case, situation=situation), loads(np.full(6, 10.0), case.horizon))
    assert made.plan.status is Status.NOT_A_PLAN
    (violation,) = made.plan.audit.violations
    assert violation.meaning == "current density of room"
    assert violation.interval == 3
    assert violation.amount == pytest.approx(18.0 / 2.5 - 6.0, abs=1e-4)
    assert made.plan.comparisons == ()


def test_a_lock_above_an_availability_is_not_a_plan() -> None:
    """A limit of today counts like one of the plant."""
    whole = intervals(8)
    limit = Availability("room", "load_max_ka", 8.0, whole.start_min + 120, whole.start_min + 240)
    case = case_of(use=1.0, end=0.0, availability=(limit,))
    situation = replace(case.situation, locks=loads([9.0], case.horizon, 2))
    plan = replace(case, situation=situation).plan()
    assert plan.status is Status.NOT_A_PLAN
    assert [(v.meaning, v.interval) for v in plan.audit.violations] == [("availability of room", 2)]


def test_carrying_on_that_is_not_possible_has_no_saving() -> None:
    """After a derating the earlier loads are no plan: no money is told, but why."""
    whole = intervals(8)
    limit = Availability("room", "load_max_ka", 8.0, whole.start_min + 120, whole.start_min + 240)
    case = case_of(use=1.0, end=0.0, availability=(limit,))
    made = again(case, loads(np.full(6, 10.0), case.horizon))
    assert made.plan.status is Status.PLAN
    assert made.carried_on.status is Status.NOT_A_PLAN
    assert made.saving is None
    assert "carrying on is not possible: availability of room, by 2 kA at" in difference_text(made)
    reasons = {change.interval: change.reason for change in made.changes}
    assert reasons[2] == "availability now allows 8.0 kA"


def test_a_circuit_that_has_tripped_is_told_as_out_of_service() -> None:
    """Hours of an outage that is news change to 0 kA for that reason."""
    whole = intervals(8)
    outage = Availability("room", "in_service", 0.0, whole.start_min + 60, whole.start_min + 180)
    case = case_of(use=1.0, end=0.0, availability=(outage,))
    made = again(case, loads(np.full(6, 10.0), case.horizon))
    assert room_load(made.plan)[1:3].tolist() == [0.0, 0.0]
    reasons = {change.interval: change.reason for change in made.changes}
    assert reasons[1] == reasons[2] == "out of service now"
    assert made.saving is None


def test_the_difference_has_a_row_for_each_hour_that_differs() -> None:
    """The table has the plan day's changed hours with local start, loads and reason."""
    case = case_of()
    made = again(case.priced(OTHER), loads(room_load(case.plan()), case.horizon), 60.0)
    lines = difference_csv(made).splitlines()
    assert lines[0] == "start,circuit,earlier_load_ka,new_load_ka,reason"
    assert len(lines) == 1 + len(made.changes)
    assert all(line.startswith("2026-06-08T0") and ",room," in line for line in lines[1:])
    assert all(change.interval < 6 for change in made.changes)


def test_no_change_is_told_as_none() -> None:
    """A plan with flat prices, replanned from itself, changes no load."""
    case = case_of(np.full(8, 50.0))
    plan = case.plan()
    made = again(case, loads(room_load(plan), case.horizon), 360.0)
    assert made.changes == ()
    assert "no load of the plan day changes" in difference_text(made)
    assert made.saving == pytest.approx(0.0, abs=2 * GAP * plan.certificate.denominator)


def test_a_planned_outage_stays_frozen_at_zero() -> None:
    """A circuit that is out of service and was planned so is frozen at 0 kA: that is no violation."""
    whole = intervals(8)
    outage = Availability("room", "in_service", 0.0, whole.start_min, whole.start_min + 120)
    case = case_of(use=1.0, end=0.0, availability=(outage,))
    made = again(case, loads([0.0, 0.0, 10.0, 10.0, 10.0, 10.0], case.horizon))
    assert made.plan.status is Status.PLAN
    assert room_load(made.plan)[:2].tolist() == [0.0, 0.0]


def test_a_circuit_that_is_back_early_is_not_frozen_at_zero() -> None:
    """An earlier plan with an outage that is over: 0 kA is not a load of a circuit in service."""
    case = case_of(use=1.0, end=0.0)
    made = again(case, loads([0.0, 0.0, 10.0, 10.0, 10.0, 10.0], case.horizon))
    assert made.plan.status is Status.PLAN


def test_changes_of_the_past_hours_count_for_the_day() -> None:
    """With 2 changes a day, one of them made, the rest of the day has one: no news, no change."""
    case = case_of(room=plain_circuit(step_ka=1.0, changes_per_day=2))
    plan = case.plan()
    load = room_load(plan)
    hour = int(np.flatnonzero(np.abs(np.diff(load[:6])) > 1e-6)[0]) + 2
    made = again(
        from_hour(case, hour, float(plan.audit.values["store_level"][hour - 1])), loads(load, case.horizon)
    )
    day = np.concatenate([load[:hour], room_load(made.plan)[: 6 - hour]])
    assert int(np.sum(np.abs(np.diff(day)) > 1e-6)) <= 2


def test_the_rest_after_a_change_of_the_past_is_kept() -> None:
    """After a change at 01:00 and with 180 minutes between changes, the next is at 04:00 at the earliest."""
    case = case_of(OTHER, plain_circuit(step_ka=1.0, dwell_minutes=180.0))
    made = again(from_hour(case, 2, START_T), loads([5.0, 15.0, 15.0, 15.0, 15.0, 15.0], case.horizon), 0.0)
    np.testing.assert_allclose(room_load(made.plan)[:2], 15.0, atol=1e-6)


def test_no_saving_is_told_between_two_results_that_miss_different_duties() -> None:
    """Carrying on misses more of a pipeline than the new plan: its lower cost is no loss of the new plan."""
    units = (plain_circuit(), Pipeline("pipeline", "chlorine", 3.2))
    prices = np.full(4, 50.0)
    case = plain_case(units, prices)
    made = again(case, loads(np.full(4, 10.0), case.horizon), 0.0)
    assert made.plan.status is made.carried_on.status is Status.MISSES
    assert made.carried_on.misses[0].quantity > made.plan.misses[0].quantity + 1.0
    assert made.saving is None


# ---------------------------------------------------------------- a sheet to judge


def with_sheet(case: Case, sheet: Mapping[str, Series]) -> Plan:
    """Judge a sheet."""
    return judge(case.site, case.horizon, replace(case.situation, locks=dict(sheet)))


def test_the_optimum_as_a_sheet_costs_the_same() -> None:
    """The plan's own loads, judged, cost what the plan costs and break nothing."""
    case = case_of()
    plan = case.plan()
    given = with_sheet(case, loads(room_load(plan), case.horizon))
    assert given.status is Status.PLAN
    assert given.audit.cost == pytest.approx(plan.audit.cost, abs=GAP * plan.certificate.denominator)
    np.testing.assert_allclose(room_load(given), room_load(plan), atol=1e-9)
    text = judgement_text(given, plan)
    assert "breaks no limit and misses no duty" in text


def test_the_stepped_optimum_as_a_sheet_costs_the_same() -> None:
    """On the plan day's steps and changes the sheet is a plan at the same cost."""
    case = case_of(room=plain_circuit(step_ka=1.0, changes_per_day=2))
    plan = case.plan()
    given = with_sheet(case, loads(room_load(plan)[:6], case.horizon))
    assert given.status is Status.PLAN
    assert given.audit.cost == pytest.approx(plan.audit.cost, abs=2e-4 * plan.certificate.denominator)


def test_a_constant_sheet_costs_what_it_costs_by_hand() -> None:
    """10.2 kA all day by hand, and never less than the plan."""
    case = case_of()
    given = with_sheet(case, loads(np.full(8, 10.2), case.horizon))
    assert given.status is Status.PLAN
    power = 150 * (2.4 + 0.12 * 10.2 / 2.5) * 10.2 / 1000.0
    assert given.audit.cost == pytest.approx(power * EIGHT.sum(), rel=1e-9)
    best = case.plan()
    assert given.audit.cost > best.audit.cost
    assert " more." in judgement_text(given, best)


def test_hours_that_a_sheet_leaves_out_are_planned() -> None:
    """Loads of the first three hours hold; the rest is planned around them."""
    case = case_of()
    given = with_sheet(case, loads([12.0, 12.0, 12.0], case.horizon))
    assert given.status is Status.PLAN
    np.testing.assert_allclose(room_load(given)[:3], 12.0, atol=1e-9)
    assert np.ptp(room_load(given)[3:]) > 1.0


def test_a_sheet_that_misses_a_duty_says_which() -> None:
    """At the least load the store cannot end where it began: the end stock is missed, told by name."""
    case = case_of()
    given = with_sheet(case, loads(np.full(8, 5.0), case.horizon))
    assert given.status is Status.MISSES
    (miss,) = given.misses
    assert miss.key == "store_end_short"
    assert "misses " in judgement_text(given, case.plan())


def test_a_sheet_that_breaks_a_ramp_is_not_a_plan() -> None:
    """From 5 to 15 kA in an hour where 3 kA are allowed: NOT A PLAN, with the ramp by name and 7 kA."""
    room = plain_circuit(ramp_ka_per_min=3.0 / 60.0, ramp_minutes=60.0)
    case = case_of(room=room, use=1.0, end=0.0)
    given = with_sheet(case, loads([5.0, 15.0, 14.0, 12.0], case.horizon))
    assert given.status is Status.NOT_A_PLAN
    found = {violation.key: violation for violation in given.audit.violations}
    assert found["room_ramp"].amount == pytest.approx(7.0, abs=1e-3)


def test_a_sheet_with_too_many_changes_is_judged() -> None:
    """Two changes where one is allowed: NOT A PLAN, as with any other limit that given loads break."""
    case = case_of(room=plain_circuit(step_ka=1.0, changes_per_day=1), use=1.0, end=0.0)
    given = with_sheet(case, loads([15.0, 10.0, 15.0, 15.0, 15.0, 15.0], case.horizon))
    assert given.status is Status.NOT_A_PLAN
    assert "changes of the load of room" in given.audit.violations[0].meaning


def test_a_sheet_that_stops_a_circuit_in_service_is_judged() -> None:
    """0 kA below the least load of a circuit in service is a broken limit, whatever its voltage curve."""
    room = plain_circuit(voltage=CellVoltage(2.4, 0.12, log_v=0.03))
    case = case_of(room=room, use=1.0, end=0.0)
    given = with_sheet(case, loads([0.0, 10.0], case.horizon))
    assert given.status is Status.NOT_A_PLAN
    assert given.audit.violations[0].meaning == "current density of room"


# ---------------------------------------------------------------- an earlier plan's table


def written(plan: Plan, folder: Path) -> Path:
    """Write a plan's table into a folder."""
    folder.mkdir()
    write_plan_csv(plan, folder / "plan.csv")
    return folder


def test_the_table_of_a_plan_is_read_again(tmp_path: Path) -> None:
    """What `plan.csv` says of the loads is what was planned, to the digits written there."""
    case = case_of()
    plan = case.plan()
    earlier = read_earlier(written(plan, tmp_path / "plan"), case.site)
    assert list(earlier) == ["room"]
    np.testing.assert_array_equal(earlier["room"].starts_min, case.horizon.starts_min)
    np.testing.assert_array_equal(earlier["room"].lengths_min, case.horizon.lengths_min)
    np.testing.assert_allclose(earlier["room"].values, room_load(plan), atol=1e-3)


def test_a_folder_without_a_plan_is_refused(tmp_path: Path) -> None:
    """The message names the file and what to do."""
    with pytest.raises(
        InputError, match=r"plan\.csv: cannot be read \(No such file.*name the folder of a plan"
    ):
        read_earlier(tmp_path, case_of().site)


def test_a_plan_of_another_site_is_refused_for_every_circuit(tmp_path: Path) -> None:
    """Each circuit without a column is named."""
    folder = written(case_of().plan(), tmp_path / "plan")
    site = case_of().site
    rooms = (plain_circuit("north"), plain_circuit("south"))
    other = replace(site, units=(*rooms, *(unit for unit in site.units if unit.name != "room")))
    with pytest.raises(InputError, match=r"(?s)'north_load_ka'.*'south_load_ka'"):
        read_earlier(folder, other)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "has no column 'room_load_ka'"),
        ("start,minutes,room_load_ka\n", "has no column 'room_load_ka'"),
        ("start,minutes,room_load_ka\n2026-06-08T00:00+02:00,60,ten\n", "is not a plan's table"),
        ("start,minutes,room_load_ka\n2026-06-08T00:00+02:00,60,nan\n", "not a finite number"),
        ("start,minutes,room_load_ka\n2026-06-08T00:00,60,10\n", "needs an offset from UTC"),
        ("start,minutes,room_load_ka\nnoon,60,10\n", "is not a plan's table"),
        ("start,room_load_ka\n2026-06-08T00:00+02:00,10\n", "is not a plan's table"),
        ("start,minutes,room_load_ka\n2026-06-08T00:00+02:00,60\n", "is not a plan's table"),
        (
            "start,minutes,room_load_ka\n2026-06-08T00:00+02:00,60,10\n2026-06-08T00:00+02:00,60,10\n",
            "two values for the interval",
        ),
    ],
    ids=["empty", "no rows", "word", "nan", "no offset", "no time", "no minutes", "short row", "twice"],
)
def test_a_damaged_table_is_refused(text: str, match: str, tmp_path: Path) -> None:
    """Whatever is wrong with the table, it is told as a problem of that file."""
    (tmp_path / "plan.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=match):
        read_earlier(tmp_path, case_of().site)


def test_a_table_in_another_encoding_is_refused(tmp_path: Path) -> None:
    """A table saved again by a spreadsheet in UTF-16 is told as a problem of that file."""
    (tmp_path / "plan.csv").write_text("start,minutes,room_load_ka\n", encoding="utf-16")
    with pytest.raises(InputError, match=r"plan\.csv"):
        read_earlier(tmp_path, case_of().site)


# ---------------------------------------------------------------- what was delivered before


def test_what_a_day_has_had_before_counts() -> None:
    """A daily total of 48 t with 20 t taken leaves 28; a lot of 12 t with 5 loaded leaves 7."""
    whole = Horizon.of_days(dt.date(2026, 6, 8), "Europe/Berlin")
    rest = whole.starting(whole.start_min + 600)
    customer = Pipeline("customer", "chlorine", 2.0, 0.0, 4.0)
    lot = Lot("lot", "chlorine", 12.0, whole.start_min, whole.end_min, 5.0)
    site = Site("test", "Europe/Berlin", Contract("none", "XTS"), (customer, lot))

    left, situation = _less_delivered(site, rest, Situation(), {"customer": 20.0, "lot": 5.0})

    (_, smaller) = left.units
    assert isinstance(smaller, Lot)
    assert smaller.quantity_t == pytest.approx(7.0)
    (total,) = [r for r in customer.declare(rest, situation).rows if r.key == "customer_daily_total"]
    np.testing.assert_allclose(total.lower, 28.0)
    np.testing.assert_allclose(total.upper, 28.0)
    (gone, _) = _less_delivered(site, rest, Situation(), {"lot": 12.0})
    assert [unit.name for unit in gone.units] == ["customer"]


def test_an_earlier_plan_tells_levels_and_deliveries(tmp_path: Path) -> None:
    """Levels stand at the end of an interval; deliveries are summed over the hours before."""
    (tmp_path / "plan.csv").write_text(
        "start,minutes,room_load_ka,store_level_t,lot_loading_t_per_h\n"
        "2026-06-08T00:00+02:00,60,10,101.5,2\n"
        "2026-06-08T01:00+02:00,30,10,103.0,4\n"
        "2026-06-08T01:30+02:00,30,10,104.0,8\n",
        encoding="utf-8",
    )
    earlier = open_earlier(tmp_path)
    minute = int(earlier.starts_min[2])

    assert earlier.levels_at(minute) == {"store": 103.0}
    assert earlier.levels_at(minute + 1) == {}
    assert earlier.delivered_t(minute) == {"lot": pytest.approx(2.0 + 2.0)}
