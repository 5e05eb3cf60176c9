"""plan.xlsx: the plan as a workbook, one sheet a topic.

Owns which sheets there are. Names of columns and sheets stand in `scheduler.report.columns`, rows in
`scheduler.report.topics`, `scheduler.report.tables` and `scheduler.report.plan_json`, how a sheet is written
in `scheduler.report.book`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from scheduler.report.book import TIME_FORMAT, UNITS, Book, made, versions_and_inputs
from scheduler.report.cautions import CAUTIONS, MODEL_ACCURACY
from scheduler.report.columns import (
    INTERVAL_SHEETS,
    SUMMARY_COLUMNS,
    TOPICS,
    Column,
    Documented,
    columns,
    documented_fields,
    with_suffix,
)
from scheduler.report.figures import circuit_names, owner
from scheduler.report.plan_json import plan_document
from scheduler.report.topics import (
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
    told = tuple(notes)

    def fill(book: Book) -> None:
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
            book.table(TOPICS[table.ident].sheet, table)
        _text_sheets(book, plan, digests, told)

    return made(f"{plain(plan.site.name)}: load plan", plan.status.value, fill)


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


def _summary_sheet(book: Book, plan: Plan, notes: tuple[str, ...]) -> None:
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


def _interval_sheets(book: Book, plan: Plan) -> None:
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


def _text_sheets(book: Book, plan: Plan, digests: Mapping[str, str], notes: tuple[str, ...]) -> None:
    told = (*CAUTIONS, MODEL_ACCURACY, *dict.fromkeys(plain(note) for note in (*plan.site.notes, *notes)))
    book.text("Cautions", ((caution,) for caution in told), (110,))
    items = (
        *versions_and_inputs(digests),
        *((f"sheet {name}", f"{what}; one row per interval") for name, what in INTERVAL_SHEETS.items()),
        *((f"sheet {topic.sheet}", topic.meaning) for topic in TOPICS.values() if topic.sheet),
        ("times", f"local clock of {plan.horizon.timezone}; the text beside it has the offset from UTC"),
        UNITS,
    )
    book.text("About", items, (34, 90))
