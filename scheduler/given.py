"""Plans around loads that are given: a planner's own sheet, and the rest of a day that has begun.

Owns what is frozen, what is compared with what, and why a load differs from the earlier plan. The
planning itself stands in `plan`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from models.circuit import Circuit
from models.horizon import Horizon, Series
from models.order import Lot, Pipeline
from models.site import Site
from models.situation import Situation
from models.unit import Unit
from scheduler.plan import PlanOptions, make_plan
from scheduler.result import Plan, Status

SAME_T = 1e-3
"""Difference of two missed quantities that counts as none. [t]"""
WORTH_MOVING = 1e-4
"""Saving, as a share of the energy charges, for which loads are moved at all."""
SAME_KA = 1e-5
"""Difference of two loads that counts as none. [kA]"""


@dataclass(frozen=True)
class Change:
    """A load that differs from the earlier plan, over a stretch of intervals with one reason.

    Parameters
    ----------
    circuit : str
        Circuit. [-]
    interval : int
        Interval of the new horizon. [-]
    earlier_ka, new_ka : float
        Loads. [kA]
    reason : str
        Why, in words. [-]
    """

    circuit: str
    interval: int
    earlier_ka: float
    new_ka: float
    reason: str


@dataclass(frozen=True, eq=False)
class Replanned:
    """The rest of a day planned again, and what it is worth.

    Parameters
    ----------
    plan : Plan
        The new plan. [-]
    carried_on : Plan
        The earlier loads kept through the plan day, audited and priced in the new situation. [-]
    changes : tuple of Change
        Loads of the plan day that differ. [-]
    """

    plan: Plan
    carried_on: Plan
    changes: tuple[Change, ...]

    @property
    def saving(self) -> float | None:
        """What the new plan saves against carrying on; None if carrying on is not a plan. [currency]."""
        old, new = self.carried_on, self.plan
        if Status.NOT_A_PLAN in (old.status, new.status) or not _same_misses(old, new):
            return None
        return self.carried_on.audit.cost - self.plan.audit.cost


def _same_misses(one: Plan, other: Plan) -> bool:
    a = {miss.key: miss.quantity for miss in one.misses}
    b = {miss.key: miss.quantity for miss in other.misses}
    return all(abs(a.get(key, 0.0) - b.get(key, 0.0)) <= SAME_T for key in {*a, *b})


def frozen(
    site: Site, horizon: Horizon, situation: Situation, earlier: Mapping[str, Series], minutes: float
) -> dict[str, Series]:
    """Return the loads of the next minutes as the earlier plan has them, where equipment still carries them.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        What is left of the day. [-]
    situation : Situation
        What is known now. [-]
    earlier : mapping
        Loads of the earlier plan by circuit. [kA]
    minutes : float
        How long nothing may change, 0 or more. [min]

    Returns
    -------
    dict
        Locks by circuit. [kA]
    """
    soon = horizon.starts_min < horizon.start_min + minutes
    locks = {}
    for unit in site.units:
        series = earlier.get(unit.name)
        if not isinstance(unit, Circuit) or series is None:
            continue
        state = unit.state(horizon, situation)
        given, load = series.where_given(horizon)
        # A limit that comes too soon for a frozen load is stronger than the freeze.
        most = unit.planned_max_ka(horizon, situation, state)
        possible = state.in_service & (load >= state.load_min_ka - SAME_KA) & (load <= most + SAME_KA)
        keep = given & soon & (possible | ((load <= SAME_KA) & ~state.in_service))
        if keep.any():
            at = np.flatnonzero(keep)
            locks[unit.name] = Series(
                f"frozen load of {unit.name}", horizon.starts_min[at], horizon.lengths_min[at], load[at]
            )
    return locks


def joined(first: Mapping[str, Series], second: Mapping[str, Series]) -> dict[str, Series]:
    """Return locks of two sources; where both lock an interval the first holds.

    Parameters
    ----------
    first, second : mapping
        Locks by circuit. [kA]

    Returns
    -------
    dict
        All locks. [kA]
    """
    result = dict(second)
    for name, series in first.items():
        other = second.get(name)
        if other is None:
            result[name] = series
            continue
        ends = series.starts_min + series.lengths_min
        free = np.array(
            [
                not np.any((series.starts_min < start + length) & (ends > start))
                for start, length in zip(other.starts_min, other.lengths_min, strict=True)
            ],
            dtype=bool,
        )
        starts = np.concatenate([series.starts_min, other.starts_min[free]])
        order = np.argsort(starts)
        result[name] = Series(
            series.name,
            starts[order],
            np.concatenate([series.lengths_min, other.lengths_min[free]])[order],
            np.concatenate([series.values, other.values[free]])[order],
        )
    return result


def replan(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    earlier: Mapping[str, Series],
    freeze_min: float = 30.0,
    options: PlanOptions | None = None,
    delivered_t: Mapping[str, float] = MappingProxyType({}),
    announced_t_per_h: Mapping[str, Series] = MappingProxyType({}),
) -> Replanned:
    """Plan what is left of a day, from an earlier plan and what has changed since.

    Parameters
    ----------
    site : Site
        The works, orders still open included. [-]
    horizon : Horizon
        What is left of the day, and the look-ahead. [-]
    situation : Situation
        What is known now: stocks, availability, prices, hours a planner locked. [-]
    earlier : mapping
        Loads of the earlier plan by circuit. [kA]
    freeze_min : float
        How long the earlier loads stay as they are. [min]
    options : PlanOptions, optional
        How to plan. [-]
    delivered_t : mapping
        What was delivered of the day before the horizon, by lot and pipeline customer; lots are then
        whole and their rest is due, daily totals are those of the whole day. [t]
    announced_t_per_h : mapping
        What pipeline customers take by the earlier plan; where `situation` announces another rate that one
        holds. It stays for their notice time. [t/h]

    Returns
    -------
    Replanned
        The new plan, the earlier one carried on, and the differences. [-]
    """
    before = dict(situation.loads_before)
    for name, series in earlier.items():
        last = np.flatnonzero(series.starts_min < horizon.start_min)
        if name not in before and last.size:
            before[name] = float(series.values[last[-1]])
    known = {**announced_t_per_h, **situation.announced_t_per_h}
    now = replace(situation, loads_before=before, past_loads=earlier, announced_t_per_h=known)
    site, now = _less_delivered(site, horizon, now, delivered_t)
    held = joined(now.locks, frozen(site, horizon, now, earlier, freeze_min))
    plan = make_plan(site, horizon, replace(now, locks=held), options)
    quiet = replace(options or PlanOptions(), compare=False)
    day = _plan_day(earlier, horizon)
    carried_on = make_plan(site, horizon, replace(now, locks=joined(now.locks, day)), quiet)
    if _as_good(carried_on, plan):
        # Nobody moves a load for nothing: the earlier loads stay where they cost no more.
        certificate = replace(plan.certificate, stepped_cost=carried_on.audit.cost)
        if plan.certificate.stepped_cost is None:
            certificate = replace(plan.certificate, cost=carried_on.audit.cost)
        plan = replace(carried_on, certificate=certificate, comparisons=plan.comparisons)
    return Replanned(plan, carried_on, _changes(plan, earlier, held))


def _as_good(old: Plan, new: Plan) -> bool:
    return (
        old.status is Status.PLAN
        and new.status is Status.PLAN
        and old.audit.cost <= new.audit.cost + WORTH_MOVING * new.certificate.denominator
    )


def _less_delivered(
    site: Site, horizon: Horizon, situation: Situation, delivered_t: Mapping[str, float]
) -> tuple[Site, Situation]:
    """Return the site with what is left of its lots, and the situation with what customers took today."""
    day = horizon.days[0].isoformat()
    units: list[Unit] = []
    taken = dict(situation.taken_t)
    for unit in site.units:
        had = delivered_t.get(unit.name, 0.0)
        if isinstance(unit, Lot) and had > 0:
            left = unit.quantity_t - had
            if left > SAME_T:
                units.append(replace(unit, quantity_t=left, loaded_t=unit.loaded_t + had))
            elif unit.standing is not None:
                # Nothing is left to load, but it stands on site until it leaves.
                loaded = unit.loaded_t + had if unit.quantity_t > 0 else had
                units.append(replace(unit, quantity_t=0.0, loaded_t=loaded))
            continue
        if isinstance(unit, Pipeline) and unit.name in delivered_t:
            taken[unit.name, day] = had
        units.append(unit)
    return replace(site, units=tuple(units)), replace(situation, taken_t=taken)


def pipelines_only(site: Site, delivered_t: Mapping[str, float]) -> dict[str, float]:
    """Return what pipeline customers took, without lots.

    Parameters
    ----------
    site : Site
        The works. [-]
    delivered_t : mapping
        Deliveries by unit. [t]

    Returns
    -------
    dict
        Deliveries of pipeline customers. [t]
    """
    names = {unit.name for unit in site.units if isinstance(unit, Pipeline)}
    return {name: quantity for name, quantity in delivered_t.items() if name in names}


def judge(site: Site, horizon: Horizon, situation: Situation, options: PlanOptions | None = None) -> Plan:
    """Audit and price loads that are all given, by the same code as any plan.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What is known, the given loads as locks. [-]
    options : PlanOptions, optional
        How to plan what is not given. [-]

    Returns
    -------
    Plan
        The loads with the best flows around them; NOT A PLAN with the broken limits by name, if any. [-]
    """
    return make_plan(site, horizon, situation, replace(options or PlanOptions(), compare=False))


def _plan_day(earlier: Mapping[str, Series], horizon: Horizon) -> dict[str, Series]:
    """Return the earlier loads on the plan day alone; the look-ahead stays free."""
    result = {}
    inside = np.arange(len(horizon)) < horizon.plan_intervals
    for name, series in earlier.items():
        given, load = series.where_given(horizon)
        at = np.flatnonzero(given & inside)
        if at.size:
            result[name] = Series(series.name, horizon.starts_min[at], horizon.lengths_min[at], load[at])
    return result


def _changes(plan: Plan, earlier: Mapping[str, Series], held: Mapping[str, Series]) -> tuple[Change, ...]:
    found = []
    for unit in plan.site.units:
        series = earlier.get(unit.name)
        if not isinstance(unit, Circuit) or series is None:
            continue
        state = unit.state(plan.horizon, plan.situation)
        given, before = series.where_given(plan.horizon)
        lock = held.get(unit.name)
        locked = lock.where_given(plan.horizon)[0] if lock is not None else np.zeros(len(given), dtype=bool)
        load = plan.audit.values[unit.key("load")]
        for t in np.flatnonzero(given & (np.abs(load - before) > SAME_KA)).tolist():
            if t >= plan.horizon.plan_intervals:
                break
            if locked[t]:
                reason = "locked by the planner"
            elif not state.in_service[t]:
                reason = "out of service now"
            elif before[t] > state.load_max_ka[t] + SAME_KA:
                ceilings = {name: float(values[t]) for name, values in state.ceilings_ka.items()}
                cause = min(ceilings, key=ceilings.__getitem__)
                reason = f"{cause} now allows {state.load_max_ka[t]:.1f} kA"
            else:
                reason = "least cost with what is known now"
            found.append(Change(unit.name, t, float(before[t]), float(load[t]), reason))
    return tuple(found)
