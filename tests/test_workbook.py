"""The workbook, read back by another library: typed cells, names with units, and no formula from an input."""

from __future__ import annotations

import datetime as dt
import io

import pytest
from openpyxl import Workbook, load_workbook

from scheduler.report.cautions import CAUTIONS
from scheduler.report.columns import INTERVAL_SHEETS, PLAIN_COLUMNS, TOPICS, columns, workbook_name
from scheduler.report.workbook import workbook
from scheduler.result import Plan
from tests.people_case import HOSTILE, hostile_plan, some_values
from tests.report_case import missed_plan, small_plan
from tests.trip_case import trip_plan

DIGESTS = {"prices:prices.csv": "0" * 64}


def opened(plan: Plan, **more: object) -> Workbook:
    """Return the workbook of a plan as another library reads it; formulas would be seen as such."""
    return load_workbook(io.BytesIO(workbook(plan, DIGESTS, ("read note",), **more)))  # type: ignore[arg-type]


def heads(book: Workbook, sheet: str) -> list[str]:
    """Return the header of a sheet."""
    return [cell.value for cell in book[sheet][1]]


def test_one_sheet_for_each_topic() -> None:
    """All topics have a sheet; values have one only when somebody asked for them."""
    names = opened(trip_plan()).sheetnames
    for name in ("Summary", "Loads", "Stocks", "Power and price", "Products", "Bill", "Trips", "Changes"):
        assert name in names
    for name in ("Misses", "Cautions", "About", "Loading", "Limits", "Comparison", "Circuits", "Cost"):
        assert name in names
    assert "Values" not in names
    assert "Values" in opened(trip_plan(), values=some_values()).sheetnames


def test_every_header_is_frozen_and_from_the_one_source() -> None:
    """The first row stays in view, and its names are those of the list of columns, times twice."""
    book = opened(trip_plan(), values=some_values())
    listed = {topic.sheet: topic.columns for topic in TOPICS.values() if topic.sheet} | dict(PLAIN_COLUMNS)
    for name in book.sheetnames:
        assert book[name].freeze_panes == "B2"
        if name in listed:
            expected = [workbook_name(column) for column in listed[name]]
            money = [head.replace("xts", "currency") for head in heads(book, name)]
            assert [head for head in money if not head.endswith("_local")] == expected


def test_interval_sheets_hold_every_column_of_the_table_once() -> None:
    """Together the four sheets have the columns of plan.csv, each on one of them, besides the time."""
    plan = trip_plan()
    book = opened(plan)
    common = ["start_local", "start", "minutes", "plan_day"]
    found: list[str] = []
    for name in INTERVAL_SHEETS:
        assert heads(book, name)[:4] == common
        found += heads(book, name)[4:]
    assert sorted(found) == sorted(column.name for column in columns(plan) if column.name not in common)


def test_cells_are_typed_and_have_number_formats() -> None:
    """Loads are numbers with the decimals of their unit, times are date-times with the offset beside them."""
    book = opened(small_plan())
    sheet = book["Loads"]
    names = heads(book, "Loads")
    row = {name: sheet.cell(row=5, column=names.index(name) + 1) for name in names}
    # Interval 3 of 25 October 2026 is the second 02:00 of the night (IANA time zone database).
    assert row["start_local"].value == dt.datetime(2026, 10, 25, 2, 0)
    assert row["start_local"].is_date
    assert row["start"].value == "2026-10-25T02:00+01:00"
    assert row["room_m_load_ka"].value == 100
    assert row["room_m_load_ka"].data_type == "n"
    assert row["room_m_load_ka"].number_format == "#,##0.000000"
    assert sheet.max_row == 49


def test_bill_and_comparison_are_numbers_with_currency() -> None:
    """Amounts are numbers under a name that says the currency; what is not possible is an empty cell."""
    book = opened(small_plan())
    assert heads(book, "Bill")[5] == "amount_xts"
    assert [book["Bill"].cell(row=r, column=6).value for r in (2, 3)] == [105000, 54100]
    assert heads(book, "Comparison")[:5] == [
        "way_of_running",
        "cost_xts",
        "energy_charges_xts",
        "saving_xts",
        "saving_percent",
    ]
    assert book["Comparison"]["D2"].value == 1250
    assert book["Comparison"]["D3"].value is None


def test_summary_figures_are_those_of_the_document() -> None:
    """The first sheet names the path, the value and the unit of figures of plan.json."""
    book = opened(small_plan())
    rows = {row[0].value: row for row in book["Summary"].iter_rows(min_row=2) if row[0].value}
    # Cheap hours need 53.1 MW, dear ones 28.95 MW: hours 0-5 and 12-17 and 24 of 25 are dear.
    assert rows["energy.plan_day.import_mwh"][1].value == pytest.approx(13 * 28.95 + 12 * 53.1)
    assert rows["energy.plan_day.import_mwh"][2].value == "MWh"
    assert rows["cost.sunk"][2].value == "XTS"


def test_text_of_inputs_is_never_a_formula_or_a_link() -> None:
    """Customers '=1+1' and '@SUM(A1)', a bill line and notes beginning so come back as plain strings."""
    book = opened(hostile_plan())
    found = set()
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f", (sheet.title, cell.coordinate, cell.value)
                assert cell.hyperlink is None
                if isinstance(cell.value, str):
                    found.add(cell.value)
    assert {"=1+1", "@SUM(A1)", f"={HOSTILE}"} <= found
    customers = [cell.value for cell in book["Loading"]["B"]][1:]
    assert sorted(customers) == ["=1+1", "@SUM(A1)"]
    assert {cell.data_type for cell in book["Loading"]["B"]} == {"s"}


def test_misses_have_a_sheet_also_when_there_are_none() -> None:
    """A met plan says 'none'; a missed lot stands with quantity and time."""
    assert opened(small_plan())["Misses"]["A2"].value == "none"
    book = opened(missed_plan())
    row = [cell.value for cell in book["Misses"][2]]
    assert row[:4] == ["missed duty", "part of lot fri that is not loaded", 28, "t"]
    assert row[4:] == [dt.datetime(2026, 10, 25, 10, 0), "2026-10-25T10:00+01:00"]


def test_values_are_numbers_and_what_is_not_possible_is_empty() -> None:
    """A move that is not possible has no number; a value at a miss says so."""
    sheet = opened(small_plan(), values=some_values())["Values"]
    rows = [[cell.value for cell in row] for row in sheet.iter_rows(min_row=2)]
    assert rows[0] == ["content of liquid", "t", -61.25, 63.5, 2, ""] or rows[0][5] is None
    assert rows[1][3] is None
    assert rows[1][5] == "missed tonnes count at the miss price"


def test_cautions_stand_in_the_workbook() -> None:
    """Every caution and every note has a row of its own."""
    texts = [cell.value for cell in opened(small_plan())["Cautions"]["A"]]
    assert set(CAUTIONS) <= set(texts)
    assert "read note" in texts


def test_the_same_plan_gives_the_same_bytes() -> None:
    """There is no clock in the file."""
    assert workbook(small_plan(), DIGESTS) == workbook(small_plan(), DIGESTS)
