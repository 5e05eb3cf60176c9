"""plan.xlsx: the plan as a workbook, one sheet a topic.

Owns the layout of the sheets. Names of columns and sheets stand in `scheduler.report.columns`, rows in
`scheduler.report.topics`, `scheduler.report.tables` and `scheduler.report.plan_json`. Text is always written
as text: nothing of an input becomes a formula, a link or a number. The library is loaded on first use.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from scheduler.report.cautions import CAUTIONS, MODEL_ACCURACY
from scheduler.report.columns import (
    INTERVAL_SHEETS,
    PLAIN_COLUMNS,
    SUMMARY_COLUMNS,
    TOPICS,
    Column,
    Documented,
    columns,
    documented_fields,
    with_suffix,
    workbook_name,
)
from scheduler.report.figures import circuit_names, owner
from scheduler.report.plan_json import plan_document, versions
from scheduler.report.topics import (
    Cell,
    Table,
    bill_table,
    changes_table,
    circuits_table,
    habit_table,
    limits_table,
    lots_table,
    misses_table,
    money_table,
    stocks_table,
    trips_table,
    values_table,
)
from scheduler.report.wording import local_start, plain
from scheduler.result import Plan
from scheduler.values import LimitValue

TIME_FORMAT: Final = "yyyy-mm-dd hh:mm"
"""Format of date-times; the offset stands in the column of text beside them."""
MADE_AT: Final = dt.datetime(2000, 1, 1)
"""Time of making in the file's properties: a fixed one, so that the same plan gives the same bytes."""
SUMMARY_FIELDS: Final = (
    "status",
    "site",
    "contract",
    "currency",
    "horizon.start",
    "horizon.plan_day_end",
    "horizon.end",
    "cost.total",
    "cost.power",
    "cost.other",
    "cost.sunk",
    "lower_bound",
    "gap.before_steps",
    "gap.after_steps",
    "gap.denominator",
    "price_of_steps",
    "energy.plan_day.import_mwh",
    "energy.plan_day.mean_mw",
    "energy.plan_day.average_price_per_mwh",
    "energy.plan_day.time_mean_price_per_mwh",
    "energy.horizon.import_mwh",
    "energy.horizon.average_price_per_mwh",
    "production.plan_day.total.chlorine_t",
    "production.plan_day.total.alkali_t",
    "production.plan_day.total.hydrogen_kg",
    "peak.import.plan_day.max_mw",
    "peak.import.plan_day.at",
    "peak.import.horizon.max_mw",
    "peak.import.horizon.at",
    "balance_error_max.commodity",
    "balance_error_max.share",
)
"""Fields of plan.json that the first sheet shows."""


@dataclass
class _Book:
    """A workbook under way, and the formats it has."""

    book: Any
    formats: dict[str, Any] = field(default_factory=dict)

    def format(self, key: str, **options: object) -> Any:
        """Return a format, made once."""
        if key not in self.formats:
            self.formats[key] = self.book.add_format(options)
        return self.formats[key]

    def number(self, decimals: int) -> Any:
        """Return the format of numbers with some decimals."""
        places = f".{'0' * decimals}" if decimals else ""
        return self.format(f"number-{decimals}", num_format=f"#,##0{places}")

    def sheet(self, name: str, heads: Sequence[Documented], names: Sequence[str]) -> Any:
        """Return a new sheet with a frozen header; the meaning of each column is a note on its head."""
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


def workbook(
    plan: Plan,
    digests: Mapping[str, str],
    notes: Iterable[str] = (),
    values: Sequence[LimitValue] = (),
) -> bytes:
    """Return the workbook of a plan; the same plan gives the same bytes.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    digests : mapping
        SHA-256 of every input. [-]
    notes : iterable of str
        Sentences beyond the site's own notes. [-]
    values : sequence
        What limits are worth; without them there is no such sheet. [-]

    Returns
    -------
    bytes
        Office Open XML (ISO/IEC 29500). [-]
    """
    import xlsxwriter

    told = tuple(notes)
    target = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
    }
    with xlsxwriter.Workbook(target, options) as made:
        made.set_properties(
            {"title": f"{plain(plan.site.name)}: load plan", "subject": plan.status.value, "created": MADE_AT}
        )
        book = _Book(made)
        _summary_sheet(book, plan, told)
        _interval_sheets(book, plan)
        tables = [
            circuits_table(plan),
            stocks_table(plan),
            lots_table(plan),
            money_table(plan),
            bill_table(plan),
            habit_table(plan),
            trips_table(plan),
            changes_table(plan),
            misses_table(plan),
            limits_table(plan),
            *((values_table(plan, values),) if values else ()),
        ]
        for table in tables:
            _table_sheet(book, table)
        _text_sheets(book, plan, digests, told)
    return target.getvalue()


def write_workbook(
    plan: Plan,
    digests: Mapping[str, str],
    path: Path,
    notes: Iterable[str] = (),
    values: Sequence[LimitValue] = (),
) -> None:
    """Write the workbook of a plan.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    digests : mapping
        SHA-256 of every input. [-]
    path : Path
        File to write. [-]
    notes : iterable of str
        Sentences beyond the site's own notes. [-]
    values : sequence
        What limits are worth. [-]
    """
    path.write_bytes(workbook(plan, digests, notes, values))


def _field(document: Mapping[str, Any], path: str) -> Any:
    value: Any = document
    for key in path.split("."):
        value = value[key]
    return value


def _summary_sheet(book: _Book, plan: Plan, notes: tuple[str, ...]) -> None:
    sheet = book.sheet("Summary", SUMMARY_COLUMNS, [column.name for column in SUMMARY_COLUMNS])
    document = plan_document(plan, {}, notes)
    meanings = {listed.name: listed for listed in documented_fields()}
    currency = plan.site.contract.currency
    row = 1
    for path in SUMMARY_FIELDS:
        listed, value = meanings[path], _field(document, path)
        sheet.write_string(row, 0, path)
        if isinstance(value, str):
            sheet.write_string(row, 1, plain(value))
        elif value is not None:
            sheet.write_number(row, 1, value, book.format("general", num_format="#,##0.00####"))
        sheet.write_string(row, 2, "" if listed.unit == "-" else listed.unit.replace("currency", currency))
        sheet.write_string(row, 3, listed.meaning)
        row += 1
    sheet.write_string(row + 1, 0, "Advice only: see the sheet Cautions.", book.format("bold", bold=True))
    sheet.write_string(row + 2, 0, MODEL_ACCURACY)
    for number, note in enumerate(dict.fromkeys((*plan.site.notes, *notes))):
        sheet.write_string(row + 3 + number, 0, f"Note: {plain(note)}")
    sheet.set_column(0, 0, 42)
    sheet.set_column(1, 1, 30)
    sheet.set_column(2, 2, 12)
    sheet.set_column(3, 3, 60)


def _interval_sheets(book: _Book, plan: Plan) -> None:
    listed = columns(plan)
    stocks = {with_suffix(stock.key, stock.unit) for stock in plan.declaration.stocks}
    circuits = set(circuit_names(plan))
    fixed_names = ("start", "minutes", "plan_day")
    time = Documented("start_local", "-", "start of the interval, local clock; the offset stands in 'start'")
    for name in INTERVAL_SHEETS:
        chosen = [
            column
            for column in listed
            if column.name not in fixed_names and _topic(plan, column, stocks, circuits) == name
        ]
        first = [column for column in listed if column.name in fixed_names]
        heads = [
            time,
            *(Documented(column.name, column.unit, column.meaning) for column in (*first, *chosen)),
        ]
        sheet = book.sheet(name, heads, [head.name for head in heads])
        when = book.format("time", num_format=TIME_FORMAT)
        for t, start in enumerate(plan.horizon.local_starts):
            sheet.write_datetime(t + 1, 0, start.replace(tzinfo=None), when)
            sheet.write_string(t + 1, 1, local_start(plan.horizon, t))
        for position, column in enumerate((*first[1:], *chosen), start=2):
            style = book.number(column.decimals or 0)
            numbers = np.asarray(column.getter(plan), dtype=np.float64).tolist()
            for t, value in enumerate(numbers):
                # A gap, where a column may have one, stays an empty cell.
                if np.isfinite(value):
                    sheet.write_number(t + 1, position, value, style)
        sheet.set_column(0, 0, 16)
        sheet.set_column(1, 1, 23)
        sheet.set_column(2, len(heads) - 1, 12)
        sheet.autofilter(0, 0, len(plan.horizon), len(heads) - 1)


def _topic(plan: Plan, column: Column, stocks: set[str], circuits: set[str]) -> str:
    if column.unit in ("MW", "MWh", "currency/MWh"):
        return "Power and price"
    if column.name in stocks:
        return "Stocks"
    return "Loads" if owner(plan, column.name) in circuits else "Products"


def _table_sheet(book: _Book, table: Table) -> None:
    """Write a topic; a column of instants becomes two: the local clock, typed, and the text with offset."""
    timed = [
        any(row[position].minute is not None for row in table.rows) for position in range(len(table.columns))
    ]
    heads: list[Documented] = []
    for column, is_time in zip(table.columns, timed, strict=True):
        if is_time:
            heads.append(Documented(f"{column.name} local", "-", f"{column.meaning}; local clock"))
        heads.append(column)
    sheet = book.sheet(TOPICS[table.ident].sheet, heads, _distinct([workbook_name(head) for head in heads]))
    when = book.format("time", num_format=TIME_FORMAT)
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
            _write(book, sheet, number, position, cell)
            widths[position] = max(widths[position], min(len(cell.text) + 2, 60))
            position += 1
    for position, width in enumerate(widths):
        sheet.set_column(position, position, width)
    if table.rows:
        sheet.autofilter(0, 0, len(table.rows), len(heads) - 1)
    else:
        sheet.write_string(1, 0, "none")


def _distinct(names: Sequence[str]) -> list[str]:
    """Return names of which none comes twice."""
    seen: list[str] = []
    for name in names:
        seen.append(name if name not in seen else f"{name}_{len(seen) + 1}")
    return seen


def _write(book: _Book, sheet: Any, row: int, column: int, cell: Cell) -> None:
    if isinstance(cell.value, str):
        sheet.write_string(row, column, cell.value)
    elif cell.value is not None and np.isfinite(cell.value):
        sheet.write_number(row, column, cell.value, book.number(cell.decimals))
    elif cell.value is not None:
        sheet.write_string(row, column, cell.text)


def _text_sheets(book: _Book, plan: Plan, digests: Mapping[str, str], notes: tuple[str, ...]) -> None:
    wrap = book.format("wrap", text_wrap=True, valign="top")
    heads = PLAIN_COLUMNS["Cautions"]
    sheet = book.sheet("Cautions", heads, [head.name for head in heads])
    told = (*CAUTIONS, MODEL_ACCURACY, *dict.fromkeys(plain(note) for note in (*plan.site.notes, *notes)))
    for row, caution in enumerate(told, start=1):
        sheet.write_string(row, 0, caution, wrap)
    sheet.set_column(0, 0, 110)
    heads = PLAIN_COLUMNS["About"]
    sheet = book.sheet("About", heads, [head.name for head in heads])
    items = [
        *((name, version or "not installed as a package") for name, version in versions().items()),
        *((f"input {plain(name)}", digest) for name, digest in digests.items()),
        *((f"sheet {name}", f"{what}; one row per interval") for name, what in INTERVAL_SHEETS.items()),
        *((f"sheet {topic.sheet}", topic.meaning) for topic in TOPICS.values() if topic.sheet),
        ("times", f"local clock of {plan.horizon.timezone}; the text beside it has the offset from UTC"),
        ("units", "the end of a column's name is its unit; a note on its head says it in full"),
    ]
    for row, (item, value) in enumerate(items, start=1):
        sheet.write_string(row, 0, item)
        sheet.write_string(row, 1, value, wrap)
    sheet.set_column(0, 0, 34)
    sheet.set_column(1, 1, 90)
