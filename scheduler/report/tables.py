"""plan.csv: the plan interval by interval.

Owns the layout of the file; names, units and formats are in `scheduler.report.columns`.
"""

from __future__ import annotations

from pathlib import Path

from scheduler.report.columns import columns
from scheduler.report.csv_text import csv_text
from scheduler.result import Plan


def plan_csv(plan: Plan) -> str:
    """Return the plan as CSV (RFC 4180 with line feeds): a header line, then one row per interval.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    str
        Text of plan.csv; the same plan gives the same text. [-]

    Raises
    ------
    InputError
        If two units are named such that columns would share a name.
    ValueError
        If a value that must be there is not finite.
    """
    listed = columns(plan)
    rows = zip(*(column.cells(plan) for column in listed), strict=True)
    return csv_text((column.name for column in listed), rows)


def write_plan_csv(plan: Plan, path: Path) -> None:
    """Write plan.csv in UTF-8.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    path : Path
        File to write. [-]
    """
    path.write_text(plan_csv(plan), encoding="utf-8", newline="")
