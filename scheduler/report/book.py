"""What every workbook has: typed cells, frozen heads with meanings, the same bytes each time.

Owns how sheets and tables are written. Text is always written as text: nothing of an input becomes a formula,
a link or a number. The library is loaded on first use.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from scheduler.report.columns import PLAIN_COLUMNS, Documented, workbook_name
from scheduler.report.plan_json import versions
from scheduler.report.topics import Cell, Table
from scheduler.report.wording import plain

TIME_FORMAT: Final = "yyyy-mm-dd hh:mm"
"""Format of date-times; the offset stands in the column of text beside them."""
MADE_AT: Final = dt.datetime(2000, 1, 1)
"""Time of making in the file's properties: a fixed one, so that the same plan gives the same bytes."""


UNITS: Final = ("units", "the end of a column's name is its unit; a note on its head says it in full")
"""What stands on the last sheet of every workbook."""


@dataclass
class Book:
    """A workbook under way, and the formats it has.

    Parameters
    ----------
    book : object
        The workbook of the library. [-]
    formats : dict
        Formats by name. [-]
    """

    book: Any
    formats: dict[str, Any] = field(default_factory=dict)

    def format(self, key: str, **options: object) -> Any:
        """Return a format, made once.

        Parameters
        ----------
        key : str
            Its name. [-]
        **options : object
            As the library takes them. [-]

        Returns
        -------
        object
            The format. [-]
        """
        if key not in self.formats:
            self.formats[key] = self.book.add_format(options)
        return self.formats[key]

    def number(self, decimals: int) -> Any:
        """Return the format of numbers with some decimals.

        Parameters
        ----------
        decimals : int
            Digits after the point. [-]

        Returns
        -------
        object
            The format. [-]
        """
        places = f".{'0' * decimals}" if decimals else ""
        return self.format(f"number-{decimals}", num_format=f"#,##0{places}")

    def sheet(self, name: str, heads: Sequence[Documented], names: Sequence[str]) -> Any:
        """Return a new sheet with a frozen header; the meaning of each column is a note on its head.

        Parameters
        ----------
        name : str
            Name of the sheet. [-]
        heads : sequence of Documented
            Columns. [-]
        names : sequence of str
            What stands above them. [-]

        Returns
        -------
        object
            The sheet. [-]
        """
        sheet = self.book.add_worksheet(name)
        head = self.format("head", bold=True, bottom=1, text_wrap=True, valign="top")
        for position, (column, title) in enumerate(zip(heads, names, strict=True)):
            sheet.write_string(0, position, title, head)
            sheet.write_comment(0, position, f"{column.meaning} [{column.unit}]", {"x_scale": 2.0})
        sheet.freeze_panes(1, 1)
        sheet.set_landscape()
        sheet.set_paper(9)
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(0)
        return sheet

    def table(self, name: str, table: Table) -> None:
        """Write a table as a sheet; instants become two columns: the local clock, typed, and the text.

        Parameters
        ----------
        name : str
            Name of the sheet. [-]
        table : Table
            The table. [-]
        """
        timed = [
            any(row[position].minute is not None for row in table.rows)
            for position in range(len(table.columns))
        ]
        heads: list[Documented] = []
        for column, is_time in zip(table.columns, timed, strict=True):
            if is_time:
                heads.append(Documented(f"{column.name} local", "-", f"{column.meaning}; local clock"))
            heads.append(column)
        sheet = self.sheet(name, heads, _distinct([workbook_name(head) for head in heads]))
        when = self.format("time", num_format=TIME_FORMAT)
        widths = [14] * len(heads)
        for number, row in enumerate(table.rows, start=1):
            position = 0
            for cell, is_time in zip(row, timed, strict=True):
                if is_time:
                    if cell.minute is not None and isinstance(cell.value, str):
                        clock = dt.datetime.fromisoformat(cell.value).replace(tzinfo=None)
                        sheet.write_datetime(number, position, clock, when)
                    widths[position] = 16
                    position += 1
                self.cell(sheet, number, position, cell)
                widths[position] = max(widths[position], min(len(cell.text) + 2, 60))
                position += 1
        for position, width in enumerate(widths):
            sheet.set_column(position, position, width)
        if table.rows:
            sheet.autofilter(0, 0, len(table.rows), len(heads) - 1)
        else:
            sheet.write_string(1, 0, "none")

    def text(self, name: str, rows: Iterable[Sequence[str]], widths: Sequence[int]) -> None:
        """Write a sheet of text whose columns are in `PLAIN_COLUMNS`.

        Parameters
        ----------
        name : str
            Name of the sheet. [-]
        rows : iterable of sequence of str
            Its rows; the last column is wrapped. [-]
        widths : sequence of int
            Width of each column. [characters]
        """
        wrap = self.format("wrap", text_wrap=True, valign="top")
        heads = PLAIN_COLUMNS[name]
        sheet = self.sheet(name, heads, [head.name for head in heads])
        for number, row in enumerate(rows, start=1):
            for position, words in enumerate(row):
                if position == len(row) - 1:
                    sheet.write_string(number, position, words, wrap)
                else:
                    sheet.write_string(number, position, words)
        for position, width in enumerate(widths):
            sheet.set_column(position, position, width)

    def cell(self, sheet: Any, row: int, column: int, cell: Cell) -> None:
        """Write a cell: text as text, a number with its decimals, what is no number in words.

        Parameters
        ----------
        sheet : object
            The sheet. [-]
        row, column : int
            Place, from 0. [-]
        cell : Cell
            What stands there. [-]
        """
        if isinstance(cell.value, str):
            sheet.write_string(row, column, cell.value)
        elif cell.value is not None and np.isfinite(cell.value):
            sheet.write_number(row, column, cell.value, self.number(cell.decimals))
        elif cell.value is not None:
            sheet.write_string(row, column, cell.text)


def _distinct(names: Sequence[str]) -> list[str]:
    """Return names of which none comes twice."""
    seen: list[str] = []
    for name in names:
        seen.append(name if name not in seen else f"{name}_{len(seen) + 1}")
    return seen


def versions_and_inputs(digests: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """Return what made a workbook, and from what.

    Parameters
    ----------
    digests : mapping
        SHA-256 of every input. [-]

    Returns
    -------
    tuple of (str, str)
        Item and value. [-]
    """
    return (
        *((name, version or "not installed as a package") for name, version in versions().items()),
        *((f"input {plain(name)}", digest) for name, digest in digests.items()),
    )


def made(title: str, subject: str, fill: Callable[[Book], None]) -> bytes:
    """Return a workbook; the same sheets give the same bytes.

    Parameters
    ----------
    title, subject : str
        Properties of the file. [-]
    fill : callable
        Writes the sheets. [-]

    Returns
    -------
    bytes
        Office Open XML (ISO/IEC 29500). [-]
    """
    import xlsxwriter

    target = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
    }
    with xlsxwriter.Workbook(target, options) as workbook:
        workbook.set_properties({"title": title, "subject": subject, "created": MADE_AT})
        fill(Book(workbook))
    return target.getvalue()
