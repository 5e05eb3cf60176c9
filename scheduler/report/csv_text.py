"""Tables as CSV text: how every table of this project is written.

Owns line ends and what text of an input becomes in a cell. What stands in a table is elsewhere.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from scheduler.report.wording import plain

FORMULA_SIGNS = ("=", "+", "-", "@")
"""Signs with which spreadsheets take a text for a formula."""

Cell = str | int | float


def csv_text(head: Iterable[str], rows: Iterable[Iterable[Cell]]) -> str:
    """Return a table as CSV (RFC 4180 with line feeds): a header line, then one line per row.

    Parameters
    ----------
    head : iterable of str
        Names of the columns. [-]
    rows : iterable of iterables
        Cells, as many as names; numbers as they are to stand. [-]

    Returns
    -------
    str
        The text. A text cell is one line without control characters; one that a spreadsheet would take
        for a formula begins with an apostrophe, while a negative number stays a number. [-]
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([_safe(cell) for cell in row] for row in rows)
    return text.getvalue()


def _safe(cell: Cell) -> Cell:
    if not isinstance(cell, str):
        return cell
    text = plain(cell)
    return f"'{text}" if text.startswith(FORMULA_SIGNS) and not _is_number(text) else text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
