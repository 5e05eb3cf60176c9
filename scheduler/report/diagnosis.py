"""Why duties are missed or limits broken, in words of the trade.

Owns the sentences. What collides with what is found in `scheduler.diagnose`.
"""

from __future__ import annotations

from scheduler.conflicts import Change, Collision, Conflict, DutyMissed, Kind
from scheduler.report.wording import fixed, plain, spoken_minute, spoken_start
from scheduler.result import Plan

NO_LEAVE = "A change is the least that is enough by calculation before whole steps: no leave to pass a limit."
"""What the changes are not."""
MOST_NAMED = 6
"""Limits named for one conflict."""
MOST_INSTEAD = 3
"""Other changes named for one conflict."""


def diagnosis_lines(plan: Plan) -> tuple[str, ...]:
    """Return what collides and what helps, one line each.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of str
        Lines; empty where there is no diagnosis. [-]
    """
    if plan.diagnosis is None:
        return ()
    conflicts = plan.diagnosis.conflicts
    lines: list[str] = []
    for number, conflict in enumerate(conflicts, 1):
        lead = f"{number}. " if len(conflicts) > 1 else ""
        lines.append(f"{lead}Why: {conflict_words(plan, conflict)}")
        if conflict.change is not None:
            lines.append(f"{lead}Smallest change that helps: {change_words(plan, conflict.change)}.")
        lines += [
            f"{lead}Or instead: {change_words(plan, change)}."
            for change in conflict.alternatives[:MOST_INSTEAD]
        ]
    if len(conflicts) > 1:
        lines.append("The smallest changes are enough when all of them are made together.")
    if plan.diagnosis.note:
        lines.append(f"Note: {plan.diagnosis.note}.")
    if any(conflict.change for conflict in conflicts):
        lines.append(NO_LEAVE)
    return tuple(lines)


def short_lines(plan: Plan) -> tuple[str, ...]:
    """Return only what helps, for a sheet.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of str
        One line for each conflict; empty where there is no diagnosis. [-]
    """
    if plan.diagnosis is None:
        return ()
    return tuple(
        f"Would help: {change_words(plan, conflict.change)} (no leave to pass a limit)"
        for conflict in plan.diagnosis.conflicts
        if conflict.change is not None
    )


def conflict_words(plan: Plan, conflict: Conflict) -> str:
    """Return which duty collides with which limits.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    conflict : Conflict
        The conflict. [-]

    Returns
    -------
    str
        One sentence. [-]
    """
    limits = "; ".join(_limit(plan, limit) for limit in conflict.limits[:MOST_NAMED])
    more = len(conflict.limits) - MOST_NAMED
    limits += f"; and {more} more" if more > 0 else ""
    if not conflict.duties:
        return f"even with every duty left open these cannot all be kept: {limits}."
    duties = "; ".join(_duty(plan, duty) for duty in conflict.duties)
    return f"{duties}, because of: {limits}."


def change_words(plan: Plan, change: Change) -> str:
    """Return a change as an instruction.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    change : Change
        The change. [-]

    Returns
    -------
    str
        Words without a full stop. [-]
    """
    limit = change.limit
    name, unit, amount = plain(limit.meaning), plain(limit.unit), _number(change.amount)
    when = _when(plan, limit.first, limit.end)
    share = "" if change.share is None else f", {fixed(100.0 * change.share, 1)} %"
    old = 0.0 if limit.limit is None else limit.limit
    if limit.kind is Kind.OUTAGE:
        return f"end the {name} {amount} h earlier{when}"
    if limit.kind is Kind.COUNT:
        return f"allow {amount} more {name}, {_number(old + change.amount)} in place of {_number(old)}"
    if limit.kind is Kind.TIME:
        return f"shorten the {name} from {_number(old)} to {_number(old - change.amount)} {unit}"
    if limit.kind is Kind.RULE:
        return f"lift the rule: {name}"
    if limit.kind is Kind.GIVEN:
        return f"correct what is given by {amount} {unit}: {name}{when}"
    verb = {Kind.UPPER: "raise", Kind.LOWER: "lower", Kind.BOTH: "widen"}[limit.kind]
    new = old - change.amount if limit.kind is Kind.LOWER else old + change.amount
    return f"{verb} the {name} by {amount} {unit}{share}, from {_number(old)} to {_number(new)} {unit}{when}"


def _limit(plan: Plan, limit: Collision) -> str:
    value = "" if limit.limit is None else f", {_number(limit.limit)} {plain(limit.unit)}"
    return f"{plain(limit.meaning)}{value}{_when(plan, limit.first, limit.end)}"


def _duty(plan: Plan, duty: DutyMissed) -> str:
    return (
        f"{_number(duty.quantity)} {plain(duty.unit)} {plain(duty.meaning)}"
        f"{_when(plan, duty.first, duty.end)}"
    )


def _number(value: float) -> str:
    return f"{value:.4g}" if abs(value) < 10000 else fixed(value, 0, thousands=True)


def _when(plan: Plan, first: int | None, end: int | None) -> str:
    if first is None:
        return ""
    horizon = plan.horizon
    if end is None:
        return f", from {spoken_start(horizon, first)}"
    if first == 0 and end >= len(horizon):
        return ", the whole horizon"
    last = horizon.end_min if end >= len(horizon) else int(horizon.starts_min[end])
    return f", {spoken_start(horizon, first)} to {spoken_minute(horizon, last)}"
