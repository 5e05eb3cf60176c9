"""What is out of service or limited on the plan day, in words.

Owns the sentences. The facts are the situation's; what they do to loads is the units' matter.
"""

from __future__ import annotations

from models.situation import Availability
from scheduler.report.figures import circuit_names, load_changes, plan_day_end_min
from scheduler.report.wording import plain, spoken_minute
from scheduler.result import Plan


def outage_lines(plan: Plan) -> tuple[str, ...]:
    """Return what is out or limited at some time of the plan day, in order of time.

    Where a circuit goes out of service on the day, the line says how long its load then still travels: the
    plan counts it as out from the start of the outage.

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
    facts = [fact for fact in plan.situation.availability if fact.start_min < end and fact.end_min > start]
    return tuple(_line(plan, fact) for fact in sorted(facts, key=lambda fact: (fact.start_min, fact.unit)))


def _line(plan: Plan, fact: Availability) -> str:
    out = fact.what == "in_service" and fact.value == 0
    words = "out of service" if out else f"{plain(fact.what).replace('_', ' ')} {fact.value:g}"
    note = f" ({plain(fact.note)})" if fact.note else ""
    span = f"{spoken_minute(plan.horizon, fact.start_min)} to {spoken_minute(plan.horizon, fact.end_min)}"
    return f"{plain(fact.unit)} {words}, {span}{note}{_run_down(plan, fact) if out else ''}"


def _run_down(plan: Plan, fact: Availability) -> str:
    if fact.unit not in circuit_names(plan):
        return ""
    for change in load_changes(plan, fact.unit):
        if int(plan.horizon.starts_min[change.interval]) == fact.start_min and change.to_ka == 0.0:
            if change.minutes is None:
                return "; current flows until it is run down"
            return f"; current flows until it is run down, about {change.minutes:.0f} min at its stated rate"
    return ""
