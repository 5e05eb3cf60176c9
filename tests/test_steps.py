"""The step problem, against all stepped plan days of small sites tried one by one.

The physics of the enumeration stands here once more, by hand: cells of 2.4 V + 0.12 V m2/kA * j on
2.5 m2 without other losses, and chlorine by Faraday's law. Nothing of the program is used.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from models.contract.demand import DemandCharge
from models.horizon import Array, Horizon, Mask, Series
from models.order import Lot, Pipeline
from models.shifts import ShiftCalendar
from models.situation import Availability
from models.tank import ProductStore
from models.trade import Outlet, OwnUse
from models.unit import Unit
from scheduler import plan as planning
from scheduler.ahead import SplitProgram
from scheduler.cuts import Found
from scheduler.exact import absolute_energy_cost
from scheduler.result import Plan, Status
from tests.small_sites import CHLORINE_T_PER_KAH, Case, intervals, plain_case, plain_circuit

T_PER_KA = 150 * CHLORINE_T_PER_KAH
ALKALI_PER_CHLORINE = 39.997 / 35.453
"""Sodium hydroxide by chlorine, from the atomic weights of Na, O, H and Cl (IUPAC). [t/t]"""
LOW, HIGH = 5.0, 15.0
START_T = 20.0
SIX = np.array([90.0, 20.0, 70.0, 30.0, 80.0, 40.0])
GAP = 1e-4
"""What the step problem aims at, as a share of the energy charges."""


def power_of(load: Array) -> Array:
    """Return the power of the plain circuit by hand. [MW]."""
    return np.asarray(150 * (2.4 + 0.12 * load / 2.5) * load / 1000.0)


def horizon_of(
    count: int, minutes: int = 60, plan: int | None = None, shifts: ShiftCalendar | None = None
) -> Horizon:
    """Return so many intervals, the first ones of them the plan day."""
    whole = intervals(count, minutes)
    return Horizon(
        whole.starts_min, whole.lengths_min, whole.timezone, plan or count, shifts or ShiftCalendar()
    )


@dataclass(frozen=True)
class Rules:
    """How one circuit may be moved, as the site file says it."""

    step_ka: float
    changes_per_day: int | None = None
    changes_per_shift: int | None = None
    dwell_minutes: float = 0.0
    change_grid_minutes: int = 60
    ramp_ka_per_h: float | None = None
    before: float | None = None

    def allow(self, loads: Array, horizon: Horizon) -> Mask:
        """Tell which rows of loads, shape (k, n), keep the rules; n intervals of one plan day."""
        before = np.full((len(loads), 1), np.nan if self.before is None else self.before)
        near = self.step_ka * np.round(before / self.step_ka)
        earlier = np.concatenate([near, loads[:, :-1]], axis=1)
        moved = np.abs(loads - earlier) > 1e-6
        if self.before is None:
            moved[:, 0] = False
        good = np.ones(len(loads), dtype=bool)
        clock = [start.hour * 60 + start.minute for start in horizon.local_starts][: loads.shape[1]]
        limited = (
            self.changes_per_day is not None or self.changes_per_shift is not None or self.dwell_minutes > 0
        )
        for t, minute in enumerate(clock):
            quiet = bool(horizon.quiet_starts[t]) and t > 0
            if quiet or (limited and (minute % self.change_grid_minutes or horizon.quiet_starts[t])):
                good &= ~moved[:, t]
        if self.changes_per_day is not None:
            good &= moved.sum(axis=1) <= self.changes_per_day
        if self.changes_per_shift is not None:
            labels = np.array(horizon.shift_labels[: loads.shape[1]])
            for label in set(labels.tolist()):
                good &= moved[:, labels == label].sum(axis=1) <= self.changes_per_shift
        for one, other in itertools.combinations(range(loads.shape[1]), 2):
            if clock[other] - clock[one] < self.dwell_minutes:
                good &= ~(moved[:, one] & moved[:, other])
        if self.ramp_ka_per_h is not None:
            sizes = np.abs(np.diff(np.concatenate([before, loads], axis=1), axis=1))
            good &= np.all(~(sizes > self.ramp_ka_per_h + 1e-9), axis=1)
        return good

    def circuit(self, name: str = "room") -> Unit:
        """Return the plain circuit with these rules; its ramp holds within an hour."""
        ramp = None if self.ramp_ka_per_h is None else self.ramp_ka_per_h / 60.0
        return plain_circuit(
            name,
            step_ka=self.step_ka,
            changes_per_day=self.changes_per_day,
            changes_per_shift=self.changes_per_shift,
            dwell_minutes=self.dwell_minutes,
            change_grid_minutes=self.change_grid_minutes,
            ramp_ka_per_min=ramp,
            ramp_minutes=60.0,
        )


@dataclass(frozen=True)
class Works:
    """Circuits on one chlorine store with a constant use and a level to end with."""

    rules: tuple[Rules, ...]
    horizon: Horizon
    prices: Array
    use: float = 2.0
    end: float = 20.0
    least: float = 17.0
    most: float = 24.0
    demand: float = 0.0
    so_far_mw: float = 0.0
    availability: tuple[Availability, ...] = ()
    names: tuple[str, ...] = field(default=("room", "room_2"))

    def case(self) -> Case:
        """Return the same as a case."""
        rooms = [rules.circuit(name) for rules, name in zip(self.rules, self.names, strict=False)]
        known = {n: r.before for r, n in zip(self.rules, self.names, strict=False) if r.before is not None}
        month = ("demand", "2026-06")
        return plain_case(
            (
                *rooms,
                OwnUse("use", "chlorine", rate_per_h=self.use),
                ProductStore("store", "chlorine", self.least, self.most, end_min_t=self.end),
            ),
            self.prices,
            self.horizon,
            (DemandCharge("demand", self.demand, 60),) if self.demand else (),
            stocks={"store": START_T},
            loads_before=known,
            peaks_mw={month: self.so_far_mw} if self.demand else {},
            availability=self.availability,
        )

    def combinations(self) -> list[Array]:
        """Return, per circuit, every stepped plan day that keeps its rules; shape (k, plan intervals)."""
        plan = self.horizon.plan_intervals
        found = []
        for rules in self.rules:
            first = np.ceil(LOW / rules.step_ka - 1e-9)
            grid = rules.step_ka * np.arange(first, np.floor(HIGH / rules.step_ka + 1e-9) + 1)
            loads = np.stack(np.meshgrid(*[grid] * plan, indexing="ij"), axis=-1).reshape(-1, plan)
            found.append(loads[rules.allow(loads, self.horizon)])
        return found

    def least_cost(self) -> tuple[float, int]:
        """Return the least cost of all combinations that keep the store's limits, and how many do."""
        assert self.horizon.plan_intervals == len(self.horizon)
        sets = self.combinations()
        hours = self.horizon.hours
        total = sets[0]
        power = power_of(sets[0])
        for more in sets[1:]:
            total = (total[:, None, :] + more[None, :, :]).reshape(-1, total.shape[1])
            power = (power[:, None, :] + power_of(more)[None, :, :]).reshape(-1, total.shape[1])
        level = START_T + np.cumsum((T_PER_KA * total - self.use) * hours, axis=1)
        fine = np.all((level >= self.least - 1e-9) & (level <= self.most + 1e-9), axis=1)
        fine &= level[:, -1] >= self.end - 1e-9
        cost = power @ (self.prices * hours)
        if self.demand:
            cost = cost + self.demand * np.maximum(power.max(axis=1) - self.so_far_mw, 0.0)
        return float(cost[fine].min()), int(fine.sum())


SHIFTS = ShiftCalendar(("03:00", "11:00", "19:00"))
QUIET = ShiftCalendar(("02:00",), 0.0, 15.0)
HALF = np.array([90.0, 20.0, 25.0, 70.0, 30.0, 80.0])

WORKS = {
    "steps": Works((Rules(1.25),), horizon_of(6), SIX),
    "coarse steps": Works((Rules(2.5),), horizon_of(6), SIX),
    "steps off the range": Works((Rules(2.0),), horizon_of(6), SIX),
    "changes per day": Works((Rules(1.25, changes_per_day=2),), horizon_of(6), SIX),
    "no change": Works((Rules(1.25, changes_per_day=0),), horizon_of(6), SIX),
    "changes per shift": Works((Rules(1.25, changes_per_shift=1),), horizon_of(6, shifts=SHIFTS), SIX),
    "shift and day": Works(
        (Rules(1.25, changes_per_shift=2, changes_per_day=3),), horizon_of(6, shifts=SHIFTS), SIX
    ),
    "dwell of two hours": Works((Rules(1.25, dwell_minutes=120.0),), horizon_of(6), SIX),
    "dwell of three hours": Works((Rules(1.25, dwell_minutes=150.0),), horizon_of(6), SIX),
    "quiet": Works((Rules(1.25),), horizon_of(6, shifts=QUIET), SIX),
    "quiet and counted": Works((Rules(1.25, changes_per_day=3),), horizon_of(6, shifts=QUIET), SIX),
    "hours in halves": Works((Rules(1.25, changes_per_day=5),), horizon_of(6, 30), HALF),
    "halves on a grid of halves": Works(
        (Rules(1.25, changes_per_day=3, change_grid_minutes=30),), horizon_of(6, 30), HALF
    ),
    "load before counts": Works((Rules(1.25, changes_per_day=2, before=11.25),), horizon_of(6), SIX),
    "load before off the grid": Works((Rules(2.5, changes_per_day=1, before=10.3),), horizon_of(6), SIX),
    "ramp": Works((Rules(1.25, ramp_ka_per_h=3.75),), horizon_of(6), SIX),
    "ramp from before": Works(
        (Rules(1.25, changes_per_day=4, ramp_ka_per_h=4.0, before=13.0),), horizon_of(6), SIX
    ),
    "peak": Works((Rules(1.25, changes_per_day=3),), horizon_of(6), SIX, demand=40.0, so_far_mw=4.0),
    "paid for drawing": Works(
        (Rules(1.25, changes_per_day=2),), horizon_of(6), np.array([60.0, -40.0, 50.0, -10.0, 80.0, 30.0])
    ),
    "two circuits": Works(
        (Rules(2.5, changes_per_day=2), Rules(2.5, dwell_minutes=120.0, before=10.0)),
        horizon_of(4),
        SIX[:4],
        use=4.0,
    ),
}


def kept(works: Works, plan: Plan) -> None:
    """Hold every circuit's loads of the plan day against grid and rules."""
    for rules, name in zip(works.rules, works.names, strict=False):
        load = plan.audit.values[f"{name}_load"][: works.horizon.plan_intervals]
        on_grid = rules.step_ka * np.round(load / rules.step_ka)
        np.testing.assert_allclose(load, on_grid, atol=1e-6 * rules.step_ka, err_msg=name)
        assert rules.allow(on_grid[None, :], works.horizon).all(), f"{name}: {on_grid}"


@pytest.mark.parametrize("name", WORKS)
def test_no_stepped_plan_day_is_cheaper(name: str) -> None:
    """The stepped plan costs what the cheapest of all combinations costs, and its bound is below that."""
    works = WORKS[name]
    best, count = works.least_cost()
    assert count > 1
    plan = works.case().plan()
    assert plan.status is Status.PLAN
    certificate = plan.certificate
    room = GAP * certificate.denominator
    assert certificate.stepped_cost is not None
    assert certificate.stepped_bound is not None
    assert plan.audit.cost == pytest.approx(certificate.stepped_cost, abs=1e-6 * certificate.denominator)
    assert best - 1e-6 * certificate.denominator <= plan.audit.cost <= best + room
    assert certificate.stepped_bound <= best + 1e-6 * certificate.denominator
    assert certificate.lower_bound <= best
    assert certificate.stepped_gap is not None
    assert 0.0 <= certificate.stepped_gap <= GAP + 1e-9
    price = certificate.price_of_steps
    assert price is not None
    assert price >= -room
    assert price == pytest.approx(best - certificate.cost, abs=room)
    kept(works, plan)


def test_rules_cost_more_the_tighter_they_are() -> None:
    """Fewer changes never cost less, and the enumeration shows that the limits of these sites bind."""
    costs = [
        replace(WORKS["steps"], rules=(Rules(1.25, changes_per_day=most),)).least_cost()[0]
        for most in (0, 1, 2, 3, 4, 5)
    ]
    assert costs == sorted(costs, reverse=True)
    assert costs[0] > 1.02 * costs[2] > 1.02 * costs[5]
    free = WORKS["steps"].least_cost()[0]
    for name in ("changes per shift", "dwell of two hours", "quiet", "ramp"):
        assert WORKS[name].least_cost()[0] > free + 1.0, name


def test_one_change_of_a_continuous_load_is_placed_best() -> None:
    """Without steps, one change: for each hour of change and first load the rest follows from the stock.

    The second load is the least that ends at 20 t; the first is scanned in steps of 0.002 kA.
    """
    best = np.inf
    for first_hours in range(1, 6):
        first = np.arange(LOW, HIGH + 1e-9, 0.002)
        second = (6 * 2.0 / T_PER_KA - first_hours * first) / (6 - first_hours)
        second = np.maximum(second, LOW)
        loads = np.where(np.arange(6)[None, :] < first_hours, first[:, None], second[:, None])
        level = START_T + np.cumsum(T_PER_KA * loads - 2.0, axis=1)
        fine = (second <= HIGH) & np.all((level >= 17.0 - 1e-9) & (level <= 24.0 + 1e-9), axis=1)
        if fine.any():
            best = min(best, float((power_of(loads) @ SIX)[fine].min()))
    base = WORKS["steps"].case()
    units = tuple(
        plain_circuit(changes_per_day=1) if unit.name == "room" else unit for unit in base.site.units
    )
    plan = replace(base, site=replace(base.site, units=units)).plan()
    room = GAP * plan.certificate.denominator
    assert plan.status is Status.PLAN
    assert plan.certificate.stepped_bound is not None
    assert plan.certificate.stepped_bound <= best + 0.05
    assert best - 0.05 <= plan.audit.cost <= best + room
    load = plan.audit.values["room_load"]
    assert int(np.sum(np.abs(np.diff(load)) > 1e-6)) <= 1


def test_no_changes_of_a_continuous_load_keep_the_load_before() -> None:
    """With no change allowed the load stays what it was, on no grid."""
    base = WORKS["steps"].case()
    units = tuple(
        plain_circuit(changes_per_day=0) if unit.name == "room" else unit for unit in base.site.units
    )
    situation = replace(base.situation, loads_before={"room": 10.37})
    plan = replace(base, site=replace(base.site, units=units), situation=situation).plan()
    np.testing.assert_allclose(plan.audit.values["room_load"], 10.37, rtol=1e-9)


# ---------------------------------------------------------------- duties


def test_the_plan_meets_a_chlorine_duty_that_nearest_rounding_misses() -> None:
    """At 8.4 kA on steps of 1 kA the nearest load, 8 kA, is short; the plan has two hours at 9 kA."""
    made = 4 * 8.4 * T_PER_KA
    store = ProductStore("store", "chlorine", 0.0, 100.0, end_min_t=20.0 + made)
    free = plain_case((plain_circuit(), store), np.full(4, 50.0), stocks={"store": 20.0}).plan()
    np.testing.assert_allclose(free.audit.values["room_load"], 8.4, atol=1e-3)
    rounded = np.round(free.audit.values["room_load"])
    assert T_PER_KA * rounded.sum() < made - 0.1
    plan = plain_case((plain_circuit(step_ka=1.0), store), np.full(4, 50.0), stocks={"store": 20.0}).plan()
    assert plan.status is Status.PLAN
    assert plan.misses == ()
    # 34 kAh in whole loads are the least that reach 33.6 kAh: two hours at 8 kA and two at 9 kA.
    np.testing.assert_allclose(np.sort(plan.audit.values["room_load"]), [8.0, 8.0, 9.0, 9.0], atol=1e-6)
    assert plan.audit.values["store_level"][-1] >= 20.0 + made - 1e-6


def test_the_plan_meets_an_alkali_duty_that_nearest_rounding_misses() -> None:
    """The same with alkali as the duty and chlorine with a free outlet: a tank that must end higher."""
    made = 4 * 8.4 * T_PER_KA * ALKALI_PER_CHLORINE
    tank = ProductStore("tank", "naoh_32", 0.0, 100.0, end_min_t=20.0 + made)
    outlet = Outlet("chlorine_out", "chlorine", 1e4)

    def plan_of(step: float | None) -> Plan:
        case = plain_case(
            (plain_circuit(step_ka=step), tank, outlet), np.full(4, 50.0), stocks={"tank": 20.0}
        )
        kept_units = tuple(unit for unit in case.site.units if unit.name != "alkali_out")
        return replace(case, site=replace(case.site, units=kept_units)).plan()

    rounded = np.round(plan_of(None).audit.values["room_load"])
    assert T_PER_KA * ALKALI_PER_CHLORINE * rounded.sum() < made - 0.1
    plan = plan_of(1.0)
    assert plan.status is Status.PLAN
    np.testing.assert_allclose(np.sort(plan.audit.values["room_load"]), [8.0, 8.0, 9.0, 9.0], atol=1e-6)
    assert plan.audit.values["tank_level"][-1] >= 20.0 + made - 1e-6


# ---------------------------------------------------------------- no stepped day


def lot_case(rules: Rules, most_ka: float, loads: float) -> Case:
    """Return four hours, a range up to a load, and one lot of as much chlorine as a constant load makes."""
    horizon = horizon_of(4)
    limit = Availability("room", "load_max_ka", most_ka, horizon.start_min, horizon.end_min)
    lot = Lot("lot", "chlorine", 4 * loads * T_PER_KA, horizon.start_min, horizon.end_min, 100.0)
    known = {} if rules.before is None else {"room": rules.before}
    return plain_case(
        (rules.circuit(), ProductStore("store", "chlorine", 0.0, 100.0), lot),
        SIX[:4],
        horizon,
        availability=(limit,),
        stocks={"store": 0.0},
        loads_before=known,
    )


def test_steps_that_are_too_coarse_for_a_duty_miss_the_least_and_name_it() -> None:
    """Up to 8.5 kA four hours at 8.4 kA fill the lot, on steps of 1 kA only 8 kA: 1.6 kAh are missed."""
    assert lot_case(Rules(0.1), 8.5, 8.4).plan().status is Status.PLAN
    plan = lot_case(Rules(1.0), 8.5, 8.4).plan()
    assert plan.status is Status.MISSES
    np.testing.assert_allclose(plan.audit.values["room_load"], 8.0, atol=1e-6)
    (miss,) = plan.misses
    assert miss.key == "lot_short"
    assert miss.quantity == pytest.approx(4 * 0.4 * T_PER_KA, abs=1e-4)
    # Without steps the same miss costs no more: 32 kAh spread as the prices like.
    certificate = plan.certificate
    assert certificate.stepped_cost is not None
    assert certificate.cost <= certificate.stepped_cost + GAP * certificate.denominator
    assert plan.audit.violations == ()


def test_of_the_plans_in_steps_with_the_least_miss_the_cheapest_is_taken() -> None:
    """Up to 7.6 kA, 7.5 kA wanted, one change allowed from 5 kA before: it goes to 7 kA at the start."""
    rules = Rules(1.0, changes_per_day=1, before=5.0)
    plan = lot_case(rules, 7.6, 7.5).plan()
    assert plan.status is Status.MISSES
    np.testing.assert_allclose(plan.audit.values["room_load"], 7.0, atol=1e-6)
    assert plan.misses[0].quantity == pytest.approx(4 * 0.5 * T_PER_KA, abs=1e-4)


def test_no_change_allowed_misses_what_the_load_before_does_not_make() -> None:
    """At 6 kA before and no change allowed, a lot of four hours at 8 kA is missed by 8 kAh."""
    plan = lot_case(Rules(1.0, changes_per_day=0, before=6.0), 15.0, 8.0).plan()
    assert plan.status is Status.MISSES
    np.testing.assert_allclose(plan.audit.values["room_load"], 6.0, atol=1e-6)
    assert plan.misses[0].quantity == pytest.approx(4 * 2.0 * T_PER_KA, abs=1e-4)


def test_an_outage_that_forces_a_change_where_none_is_allowed_breaks_that_limit_once() -> None:
    """From 11 kA with no change allowed, a limit of 8 kA from two o'clock: one change, and NOT A PLAN."""
    horizon = horizon_of(6)
    limit = Availability("room", "load_max_ka", 8.0, horizon.start_min + 120, horizon.end_min)
    works = replace(WORKS["no change"], rules=(Rules(1.0, changes_per_day=0, before=11.0),), use=1.0)
    plan = replace(works, availability=(limit,), end=0.0, least=0.0, most=99.0).case().plan()
    assert plan.status is Status.NOT_A_PLAN
    (broken,) = plan.audit.violations
    assert "changes of the load of room: 1 where 0 are allowed" in broken.meaning
    load = plan.audit.values["room_load"]
    assert np.count_nonzero(np.abs(np.diff(load, prepend=11.0)) > 1e-6) == 1
    assert load.max() <= 11.0 + 1e-6
    np.testing.assert_allclose(load, np.round(load), atol=1e-6)


def test_a_step_without_a_multiple_in_the_range_is_told() -> None:
    """With steps of 4 kA and a range of 5 to 7 kA no load stands on a step: NOT A PLAN, and named."""
    horizon = horizon_of(4)
    limit = Availability("room", "load_max_ka", 7.0, horizon.start_min, horizon.end_min)
    works = Works((Rules(4.0),), horizon, SIX[:4], use=1.0, end=0.0, least=0.0, most=99.0)
    plan = replace(works, availability=(limit,)).case().plan()
    assert plan.status is Status.NOT_A_PLAN
    (broken,) = plan.audit.violations
    assert "whole steps of 4 kA" in broken.meaning
    assert broken.amount >= 1.0 - 1e-6


def test_locked_loads_that_break_a_step_and_a_limit_on_changes_are_judged_not_refused() -> None:
    """Two locked changes where one is allowed: the plan has them and says so; nothing is left to decide."""
    horizon = horizon_of(4)
    case = Works((Rules(1.0, changes_per_day=1, before=8.0),), horizon, SIX[:4], end=0.0, least=0.0).case()
    lock = Series("lock", horizon.starts_min, horizon.lengths_min, np.array([9.0, 10.0, 10.0, 10.0]))
    plan = replace(case, situation=replace(case.situation, locks={"room": lock})).plan()
    assert plan.status is Status.NOT_A_PLAN
    assert any("2 where 1 are allowed" in broken.meaning for broken in plan.audit.violations)


def test_a_circuit_that_starts_at_the_beginning_may_jump_as_it_may_later() -> None:
    """After an outage that ends with the horizon, the start is switching: neither a ramp nor a change.

    No change is allowed on the day, and at 4 kA an hour a change would get from 0 to 4 kA at most.
    """
    works = replace(
        WORKS["ramp from before"],
        rules=(Rules(1.0, changes_per_day=0, ramp_ka_per_h=4.0),),
    )
    case = works.case()
    plan = replace(case, situation=replace(case.situation, loads_before={"room": 0.0})).plan()
    assert not plan.audit.violations
    load = plan.audit.values["room_load"]
    assert load == pytest.approx(load[0])
    assert load[0] >= 5.0


def test_a_first_change_may_be_wider_than_the_range() -> None:
    """From 20 kA, above today's range of 5 to 15 kA, one change may go down to 5 kA: that is cheapest."""
    works = Works(
        (Rules(1.0, changes_per_day=4, before=20.0),), horizon_of(4), SIX[:4], use=0.5, end=0.0, most=99.0
    )
    plan = works.case().plan()
    assert works.least_cost()[0] == pytest.approx(float(power_of(np.full(4, 5.0)) @ SIX[:4]))
    np.testing.assert_allclose(plan.audit.values["room_load"], 5.0, atol=1e-6)


def test_a_quiet_time_at_the_beginning_keeps_the_load_before() -> None:
    """The first interval starts in a quiet time, so the load stays what it was before the horizon."""
    works = Works(
        (Rules(1.0, before=10.0),), horizon_of(4, shifts=ShiftCalendar(("00:00",), 0.0, 15.0)), SIX[:4]
    )
    plan = works.case().plan()
    assert plan.audit.values["room_load"][0] == pytest.approx(10.0, abs=1e-6)


def test_a_lock_of_a_later_hour_leaves_the_quiet_beginning_as_it_is() -> None:
    """The third hour is locked; the first still starts in a quiet time and keeps the load before."""
    horizon = horizon_of(4, shifts=ShiftCalendar(("00:00",), 0.0, 15.0))
    case = Works((Rules(1.0, before=10.0),), horizon, SIX[:4]).case()
    lock = Series("lock", horizon.starts_min[2:3], horizon.lengths_min[2:3], np.array([11.0]))
    plan = replace(case, situation=replace(case.situation, locks={"room": lock})).plan()
    assert plan.audit.values["room_load"][0] == pytest.approx(10.0, abs=1e-6)


def test_a_locked_load_that_is_the_load_before_is_no_change() -> None:
    """10.3 kA before, locked at 10.3 kA: on steps of 1 kA too that is no change, so none need be allowed."""
    horizon = horizon_of(4)
    rules = Rules(1.0, changes_per_day=0, before=10.3)
    case = Works((rules,), horizon, SIX[:4], end=0.0, least=0.0, most=99.0).case()
    lock = Series("lock", horizon.starts_min, horizon.lengths_min, np.full(4, 10.3))
    plan = replace(case, situation=replace(case.situation, locks={"room": lock})).plan()
    np.testing.assert_allclose(plan.audit.values["room_load"], 10.3, atol=1e-9)


# ---------------------------------------------------------------- the look-ahead


def test_calming_keeps_a_closed_gap_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where steps leave a hundredth of the target free, calming has only that, not 1e-5 on top."""
    solve = planning.least_cost_in_steps

    def nearly_open(*given: Any) -> Found:
        found = solve(*given)
        scale = absolute_energy_cost(given[0].formulation, found.values)
        return replace(found, bound=found.cost - 0.99 * GAP * scale)

    monkeypatch.setattr(planning, "least_cost_in_steps", nearly_open)
    works = Works((Rules(1.25, changes_per_day=3),), horizon_of(6, plan=3), SIX)
    plan = works.case().plan()
    assert plan.status is Status.PLAN
    assert plan.certificate.stepped_gap is not None
    assert 0.9 * GAP < plan.certificate.stepped_gap <= GAP + 1e-9


def test_the_look_ahead_is_continuous_and_counted_in_the_cost() -> None:
    """Three stepped hours and three later ones at one price: the later load is one number, from the stock.

    At a flat price the convex power is least at a constant load, so for each stepped plan day the rest
    of the horizon costs 3 * price * P(what is missing).
    """
    prices = np.array([90.0, 20.0, 55.0, 60.0, 60.0, 60.0])
    works = Works((Rules(1.0, changes_per_day=1),), horizon_of(6, plan=3), prices, least=0.0, most=99.0)
    (loads,) = works.combinations()
    later = np.maximum((6 * 2.0 / T_PER_KA - loads.sum(axis=1)) / 3.0, LOW)
    cost = power_of(loads) @ prices[:3] + 3 * 60.0 * power_of(later)
    best = float(cost[later <= HIGH].min())
    plan = works.case().plan()
    room = GAP * plan.certificate.denominator
    assert plan.certificate.stepped_bound is not None
    assert plan.certificate.stepped_bound <= best + 1e-6 * plan.certificate.denominator
    assert best - 1e-6 * plan.certificate.denominator <= plan.audit.cost <= best + room
    kept(works, plan)
    ahead = plan.audit.values["room_load"][3:]
    assert np.all(np.abs(ahead - np.round(ahead)) > 1e-3)


LATER_PRICES = np.array([90.0, 20.0, 55.0, 60.0, 75.0, 15.0])


def later_works() -> Works:
    """Return a site with a ramp whose look-ahead of three hours depends on the last stock and load."""
    return Works((Rules(1.0, ramp_ka_per_h=6.0),), horizon_of(6, plan=3), LATER_PRICES, least=10.0, most=30.0)


@pytest.mark.parametrize("seed", range(4))
def test_cuts_lie_below_the_true_cost_of_carrying_on(seed: int) -> None:
    """A cut taken at one end of the day is nowhere above what the look-ahead costs from another end.

    The true cost is the exact cost of a plan of the look-ahead alone, from that stock and load.
    """
    rng = np.random.default_rng(seed)
    works = later_works()
    case = works.case()
    planner = case.planner()
    planner.plan()
    split = SplitProgram(planner.formulation, planner.solver)
    level, load = (planner.solver.columns[key].start + 2 for key in ("store_level", "room_load"))
    assert {level, load} <= set(split.link.tolist())

    def ends() -> tuple[float, float]:
        return float(rng.uniform(19.0, 23.0)), float(rng.uniform(8.0, 14.0))

    def at(end: tuple[float, float]) -> Array:
        return np.where(split.link == level, end[0], np.where(split.link == load, end[1], 0.0))

    def truth(end: tuple[float, float]) -> float:
        whole = works.horizon
        rest = Horizon(whole.starts_min[3:], whole.lengths_min[3:], whole.timezone, 3)
        known = replace(case.situation, stocks={"store": end[0]}, loads_before={"room": end[1]})
        units = tuple(
            plain_circuit(ramp_ka_per_min=0.1, ramp_minutes=60.0) if unit.name == "room" else unit
            for unit in case.site.units
        )
        plan = Case(replace(case.site, units=units), rest, known).plan()
        assert plan.status is Status.PLAN
        return plan.audit.cost

    for _ in range(2):
        taken = ends()
        cost, slope = split.cost_to_go(at(taken), 10.0)
        assert cost == pytest.approx(truth(taken), rel=2e-2)
        for _ in range(3):
            other = ends()
            assert cost + float(slope @ (at(other) - at(taken))) <= truth(other) * (1 + 2e-5) + 1e-6


@pytest.mark.parametrize("ahead", [0, 2])
def test_missed_duties_are_the_least_possible_on_steps_too(ahead: int) -> None:
    """A pipeline of 3 t/h and 12 kA at most: the loads stand at 12 kA and what is missing is missed."""
    count = 4 + ahead
    horizon = horizon_of(count, plan=4)
    limit = Availability("room", "load_max_ka", 12.0, horizon.start_min, horizon.end_min)
    units = (Rules(1.0).circuit(), Pipeline("pipeline", "chlorine", 3.0))
    plan = plain_case(units, SIX[:count], horizon, availability=(limit,)).plan()
    assert plan.status is Status.MISSES
    (miss,) = plan.misses
    assert miss.quantity == pytest.approx(count * (3.0 - 12.0 * T_PER_KA), rel=1e-4)
    np.testing.assert_allclose(plan.audit.values["room_load"], 12.0, rtol=1e-5)


def test_missed_duties_of_the_plan_day_alone_are_kept_on_steps() -> None:
    """A limit of 12 kA on the plan day alone: only there the pipeline of 2.5 t/h is short, and no more."""
    horizon = horizon_of(6, plan=4)
    limit = Availability("room", "load_max_ka", 12.0, horizon.start_min, horizon.start_min + 240)
    units = (Rules(1.0).circuit(), Pipeline("pipeline", "chlorine", 2.5))
    plan = plain_case(units, SIX, horizon, availability=(limit,)).plan()
    assert plan.status is Status.MISSES
    (miss,) = plan.misses
    assert miss.quantity == pytest.approx(4 * (2.5 - 12.0 * T_PER_KA), rel=1e-3)


def test_a_plan_day_from_which_the_look_ahead_cannot_go_on_is_left() -> None:
    """A limit of 6 kA in the second hour after the plan day, 3 kA an hour: the last load is 12 kA at most."""
    horizon = horizon_of(6, plan=4)
    limit = Availability("room", "load_max_ka", 6.0, horizon.start_min + 300, horizon.end_min)
    works = Works(
        (Rules(1.0, ramp_ka_per_h=3.0),),
        horizon,
        np.array([50.0, 50.0, 50.0, 5.0, 50.0, 50.0]),
        use=1.6,
        least=0.0,
        most=99.0,
        availability=(limit,),
    )
    plan = works.case().plan()
    assert plan.status is Status.PLAN
    assert plan.audit.values["room_load"][3] == pytest.approx(12.0, abs=1e-6)
    kept(works, plan)
