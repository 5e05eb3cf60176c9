"""The files of a plan's folder: which there are, and who writes each.

Owns the list. Each file's content has a module of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from scheduler.report.chart import write_chart
from scheduler.report.handoffs import EXTRA_NAMES, handoff_files
from scheduler.report.plan_json import plan_document, write_plan_json
from scheduler.report.summary import summary_text
from scheduler.report.tables import write_plan_csv
from scheduler.result import Plan, Status

Writer = Callable[[Path], None]

TABLE_OF = {Status.NOT_A_PLAN: "not_a_plan.csv"}
"""Name of the table where it must not be taken for a plan."""
EVERY_NAME = (
    "plan.csv",
    *TABLE_OF.values(),
    "plan.json",
    "chart.png",
    "summary.txt",
    "difference.csv",
    "values.csv",
    *EXTRA_NAMES,
)
"""Names that a plan may have left in its folder; a folder that holds only these may be replaced."""


def plan_files(
    plan: Plan, digests: Mapping[str, str], notes: Iterable[str], more: str = ""
) -> dict[str, Writer]:
    """Return the writer of each file of a plan's folder.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    digests : mapping
        SHA-256 of every input. [-]
    notes : iterable of str
        What was read but is told apart. [-]
    more : str
        Text that stands below the summary. [-]

    Returns
    -------
    dict
        Writers by file name. [-]
    """
    told = tuple(notes)
    return {
        TABLE_OF.get(plan.status, "plan.csv"): lambda path: write_plan_csv(plan, path),
        "plan.json": lambda path: write_plan_json(plan_document(plan, digests, told), path),
        "chart.png": lambda path: write_chart(plan, path, told),
        "summary.txt": lambda path: write_text(path, summary_text(plan, told) + more),
        **handoff_files(plan),
    }


def write_text(path: Path, text: str) -> None:
    """Write a text file that ends with a line break.

    Parameters
    ----------
    path : Path
        File. [-]
    text : str
        Content. [-]
    """
    path.write_text(text if text.endswith("\n") else text + "\n", encoding="utf-8")
