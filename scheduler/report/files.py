"""The files of a plan's folder: which there are, and who writes each.

Owns the list. Each file's content has a module of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from scheduler.report.chart import write_chart
from scheduler.report.handoffs import EXTRA_NAMES, handoff_files
from scheduler.report.page import page_html, sheet_html
from scheduler.report.plan_json import plan_document, write_plan_json
from scheduler.report.sheet import load_sheet
from scheduler.report.sheet_pdf import write_sheet_pdf
from scheduler.report.summary import summary_text
from scheduler.report.tables import write_plan_csv
from scheduler.report.workbook import write_workbook
from scheduler.result import Plan, Status
from scheduler.values import LimitValue

Writer = Callable[[Path], None]

TABLE_OF = {Status.NOT_A_PLAN: "not_a_plan.csv"}
"""Name of the table where it must not be taken for a plan."""
WORKBOOK_OF = {Status.NOT_A_PLAN: "not_a_plan.xlsx"}
"""Name of the workbook where it must not be taken for a plan."""
SHEET_NAMES = ("sheet.pdf", "sheet.html")
"""The load sheet, which only a result that may be run has."""
EVERY_NAME = (
    "plan.csv",
    *TABLE_OF.values(),
    "plan.json",
    "chart.png",
    "summary.txt",
    "page.html",
    "plan.xlsx",
    *WORKBOOK_OF.values(),
    *SHEET_NAMES,
    "difference.csv",
    "values.csv",
    "inputs.zip",
    *EXTRA_NAMES,
)
"""Names that a plan may have left in its folder; a folder that holds only these may be replaced."""


def plan_files(
    plan: Plan,
    digests: Mapping[str, str],
    notes: Iterable[str],
    more: str = "",
    values: Sequence[LimitValue] = (),
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
    values : sequence
        What limits are worth; empty if nobody asked. [-]

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
        "page.html": lambda path: write_text(path, page_html(plan, digests, told, more, values)),
        WORKBOOK_OF.get(plan.status, "plan.xlsx"): lambda path: write_workbook(
            plan, digests, path, told, values
        ),
        **_sheet_files(plan, told),
        **handoff_files(plan),
    }


def _sheet_files(plan: Plan, notes: tuple[str, ...]) -> dict[str, Writer]:
    """Return the writers of the load sheet; a result that must not be run has none."""
    if plan.status is Status.NOT_A_PLAN:
        return {}
    sheet = load_sheet(plan, notes)
    return {
        "sheet.pdf": lambda path: write_sheet_pdf(sheet, path),
        "sheet.html": lambda path: write_text(path, sheet_html(sheet)),
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


def write_exactly(path: Path, text: str) -> None:
    """Write a text file with the line breaks of the text.

    Parameters
    ----------
    path : Path
        File. [-]
    text : str
        Content. [-]
    """
    path.write_text(text, encoding="utf-8", newline="")
