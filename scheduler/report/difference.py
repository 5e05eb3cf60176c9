"""The difference between an earlier plan and the new one: loads, reasons, money.

Owns the table `difference.csv` and its words in the summary.
"""

from __future__ import annotations

from scheduler.given import Change, Replanned
from scheduler.report.csv_text import csv_text
from scheduler.report.wording import fixed, local_start, spoken_minute, spoken_start
from scheduler.result import Plan, Status

COLUMNS = ("start", "circuit", "earlier_load_ka", "new_load_ka", "reason")
MOST_LINES = 12
"""Stretches shown in the summary; the table has all intervals."""


def difference_csv(replanned: Replanned) -> str:
    """Return the table of loads that differ on the plan day.

    Parameters
    ----------
    replanned : Replanned
        The new plan and the earlier one. [-]

    Returns
    -------
    str
        CSV with one row per circuit and interval that differs. [-]
    """
    return csv_text(
        COLUMNS,
        (
            [
                local_start(replanned.plan.horizon, change.interval),
                change.circuit,
                fixed(change.earlier_ka, 6),
                fixed(change.new_ka, 6),
                change.reason,
            ]
            for change in replanned.changes
        ),
    )


def difference_text(replanned: Replanned) -> str:
    """Return the difference in words: money first, then stretches of loads with their reasons.

    Parameters
    ----------
    replanned : Replanned
        The new plan and the earlier one. [-]

    Returns
    -------
    str
        Lines to stand below the summary. [-]
    """
    plan = replanned.plan
    currency = plan.site.contract.currency
    lines = ["", "Against the earlier plan:"]
    saving = replanned.saving
    if saving is None:
        lines.append(f"  carrying on is not possible: {_why_not(replanned.carried_on)}")
    else:
        verb = "save" if saving >= 0 else "cost MORE by"
        lines.append(f"  the new loads {verb} {fixed(abs(saving), 2, True)} {currency} against carrying on.")
    stretches = _stretches(replanned.changes)
    if not stretches:
        lines.append("  no load of the plan day changes.")
    for first, last in stretches[:MOST_LINES]:
        lines.append(
            f"  {first.circuit}: from {spoken_start(plan.horizon, first.interval)} "
            f"{fixed(first.new_ka, 1)} kA, was {fixed(first.earlier_ka, 1)} "
            f"(until {_end(plan, last.interval)}): {first.reason}"
        )
    if len(stretches) > MOST_LINES:
        lines.append(f"  and {len(stretches) - MOST_LINES} more: see difference.csv")
    return "\n".join(lines)


def _end(plan: Plan, interval: int) -> str:
    minute = int(plan.horizon.starts_min[interval] + plan.horizon.lengths_min[interval])
    return spoken_minute(plan.horizon, minute)


def _why_not(plan: Plan) -> str:
    if plan.audit.violations:
        worst = plan.audit.violations[0]
        when = "" if worst.interval is None else f" at {spoken_start(plan.horizon, worst.interval)}"
        return f"{worst.meaning}, by {worst.amount:.3g} {worst.unit}{when}"
    if plan.misses:
        miss = plan.misses[0]
        return f"{miss.meaning}, {miss.quantity:.3g} {miss.unit}"
    return "no reason found" if plan.status is Status.PLAN else plan.status.value


def _stretches(changes: tuple[Change, ...]) -> list[tuple[Change, Change]]:
    """Return first and last change of each run of intervals with the same loads and reason."""
    runs: list[tuple[Change, Change]] = []
    for change in changes:
        if runs:
            first, last = runs[-1]
            same = (first.circuit, first.new_ka, first.earlier_ka, first.reason) == (
                change.circuit,
                change.new_ka,
                change.earlier_ka,
                change.reason,
            )
            if same and change.interval == last.interval + 1:
                runs[-1] = (first, change)
                continue
        runs.append((change, change))
    return runs


def judgement_text(given: Plan, best: Plan) -> str:
    """Return what a sheet of given loads costs against the optimum, and what it breaks.

    Parameters
    ----------
    given : Plan
        The sheet, audited and priced. [-]
    best : Plan
        The plan for the same day without the sheet. [-]

    Returns
    -------
    str
        Lines to stand below the summary. [-]
    """
    currency = given.site.contract.currency
    lines = ["", "Your sheet against the plan for the same day:"]
    for violation in given.audit.violations:
        when = "" if violation.interval is None else f" at {spoken_start(given.horizon, violation.interval)}"
        lines.append(f"  breaks {violation.meaning}, by {violation.amount:.3g} {violation.unit}{when}")
    for miss in given.misses:
        lines.append(f"  misses {miss.meaning}: {miss.quantity:.3g} {miss.unit}")
    if not given.audit.violations and not given.misses:
        lines.append("  breaks no limit and misses no duty.")
    more = given.audit.cost - best.audit.cost
    lines.append(
        f"  costs {fixed(given.audit.cost, 2, True)} {currency}, the plan {fixed(best.audit.cost, 2, True)}: "
        f"{fixed(abs(more), 2, True)} {'more' if more >= 0 else 'less'}."
    )
    return "\n".join(lines)
