"""What is out of service or limited on the plan day, in words.

Owns the sentences. The facts are the situation's; what they do to loads is the units' matter.
"""

from __future__ import annotations

import math

from models.horizon import Array, Horizon
from models.situation import Availability
from scheduler.report.figures import circuit_names, edges_min, load_variable, plan_day_end_min
from scheduler.report.load_changes import LoadChange, load_changes, outage_ways
from scheduler.report.wording import clock, fixed, plain, spoken_minute
from scheduler.result import Plan


def outage_lines(plan: Plan) -> tuple[str, ...]:
    """Return what is out or limited at some time of the plan day, in order of time.

    Where a circuit goes out of service on the day, the line says from when it is run down, or, where that
    comes too late, how long current still flows; and when it is up again.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of str
        One line per fact. [-]
    """
    start, end = plan.horizon.start_min, plan_day_end_min(plan)
    facts = [
        fact
        for fact in plan.situation.availability
        if fact.end_min > start
        and (fact.start_min < end or (fact.start_min == end and _run_down(plan, fact)))
    ]
    return tuple(_line(plan, fact) for fact in sorted(facts, key=lambda fact: (fact.start_min, fact.unit)))


def _run_down(plan: Plan, fact: Availability) -> bool:
    """Return whether the plan day ends with the run-down for an outage."""
    circuit = fact.unit in circuit_names(plan)
    return circuit and any(
        way.down and way.edge == plan.horizon.plan_intervals for way in outage_ways(plan, fact.unit)
    )


def _line(plan: Plan, fact: Availability) -> str:
    out = fact.what == "in_service" and fact.value == 0
    words = "out of service" if out else f"{plain(fact.what).replace('_', ' ')} {fact.value:g}"
    note = f" ({plain(fact.note)})" if fact.note else ""
    span = f"{spoken_minute(plan.horizon, fact.start_min)} to {spoken_minute(plan.horizon, fact.end_min)}"
    if fact.unit not in circuit_names(plan):
        return f"{plain(fact.unit)} {words}, {span}{note}"
    more = _way_words(plan, fact) if out else _above_words(plan, fact)
    return f"{plain(fact.unit)} {words}, {span}{note}{more}"


def _way_words(plan: Plan, fact: Availability) -> str:
    """Return how the load gets to standstill for an outage, and from it."""
    horizon = plan.horizon
    edges = edges_min(plan)
    first = next((c for c in load_changes(plan, fact.unit) if c.interval == 0 and c.to_ka == 0.0), None)
    words = ""
    if first is not None and fact.start_min < edges[1]:
        words = _too_late(horizon, first, fact.start_min)
    for way in outage_ways(plan, fact.unit):
        if way.down and edges[way.edge] <= fact.start_min < _next(edges, way.edge):
            start = clock(horizon, way.begin_min)
            words = f"; run-down from {start}, no current when it starts"
            if way.left > 0:
                load = float(plan.audit.values[load_variable(plan, fact.unit).key][way.edge - 1])
                words = (
                    f"; too soon to be run down before: run-down from {start}, "
                    f"{fixed(load * way.left, 1)} kA still flow when it starts, no current from "
                    f"{clock(horizon, way.end_min)}"
                )
        elif (
            not way.down
            and _next(edges, way.edge - 1) == edges[way.edge]
            and (edges[way.edge - 1] < fact.end_min <= edges[way.edge])
        ):
            words += f"; run-up from {clock(horizon, way.begin_min)} to {clock(horizon, way.end_min)}"
    return words


def _too_late(horizon: Horizon, change: LoadChange, start_min: int) -> str:
    """Return the words for a run-down that can only begin with the plan."""
    if change.minutes is None:
        return "; current flows until it is run down"
    left = change.begin_min + change.minutes - start_min
    if left <= 0:
        return f"; run-down from {clock(horizon, change.begin_min)}, no current when it starts"
    return f"; current flows until it is run down, about {left:.0f} min at its stated rate"


def _next(edges: Array, at: int) -> float:
    return float(edges[at + 1]) if at + 1 < len(edges) else float("inf")


def _above_words(plan: Plan, fact: Availability) -> str:
    """Return how long a load is above a limit that starts with the plan, or before what it could follow."""
    for change in load_changes(plan, fact.unit):
        edges = edges_min(plan)
        start = int(edges[change.interval])
        if change.from_ka is None or change.minutes is None:
            continue
        above = change.from_ka > change.to_ka > 0.0 and change.from_ka > _limit_ka(plan, fact.unit, change)
        if above and start <= fact.start_min < _next(edges, change.interval):
            until = clock(plan.horizon, start + math.ceil(change.minutes))
            return f"; too soon to be under it before: the load gets there by {until}"
    return ""


def _limit_ka(plan: Plan, circuit: str, change: LoadChange) -> float:
    return float(load_variable(plan, circuit).upper[change.interval])
