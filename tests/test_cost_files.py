"""The files of a cost study: tables, workbook, page, summary, and the two commands."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import openpyxl
import pytest

from scheduler.report.cost_files import (
    EVERY_NAME,
    cost_files,
    cost_text,
    page_html,
    workbook_bytes,
)
from scheduler.report.cost_sheets import (
    COLUMNS,
    Sheet,
    conversion_sheets,
    hours_sheet,
    readme_table,
    sheet_csv,
    technologies_sheets,
)
from scheduler.studies.conversion import ConversionStudy, study_conversion
from scheduler.studies.technologies import Technologies, study_technologies
from tests.test_cli import SITE, lay, names, run, table
from tests.test_cost_tables import COSTS, NEW_ROOM
from tests.test_technologies import TABLES, case, plan_period


@pytest.fixture(scope="module")
def study() -> Technologies:
    """Return the study of a small site; nothing may change it."""
    made = case()
    return study_technologies(made.site, made.horizon, made.situation, TABLES, plan_period)


@pytest.fixture(scope="module")
def conversion(study: Technologies) -> ConversionStudy:
    """Return its conversion."""
    return study_conversion(study, TABLES.conversion, "membrane")


@pytest.fixture(scope="module")
def sheets(study: Technologies, conversion: ConversionStudy) -> tuple[Sheet, ...]:
    """Return all tables."""
    return (*conversion_sheets(conversion), *technologies_sheets(study))


def test_every_amount_is_its_quantity_times_its_price_and_says_where_both_come_from(
    sheets: tuple[Sheet, ...],
) -> None:
    """A reader can follow each figure of items.csv back, to the printed digits."""
    items = next(sheet for sheet in sheets if sheet.name == "items")
    rows = list(csv.DictReader(io.StringIO(sheet_csv(items))))

    assert rows
    for row in rows:
        product = float(row["quantity"]) * float(row["price"])
        assert float(row["amount"]) == pytest.approx(product, abs=0.01 + 1e-5 * abs(product))
        assert row["quantity_from"]
        assert row["price_from"]


def test_lines_add_up_to_the_room(sheets: tuple[Sheet, ...]) -> None:
    """The sum of a room's lines per tonne is the room's cost per tonne, to the cent per line."""
    items, rooms = (next(sheet for sheet in sheets if sheet.name == name) for name in ("items", "rooms"))
    lines = list(csv.DictReader(io.StringIO(sheet_csv(items))))
    for room in csv.DictReader(io.StringIO(sheet_csv(rooms))):
        own = [line for line in lines if (line["variant"], line["room"]) == (room["variant"], room["room"])]
        for share in ("per_t_chlorine", "per_t_alkali", "per_ecu"):
            total = sum(float(line[share]) for line in own)
            assert total == pytest.approx(float(room[share]), abs=0.005 * len(own))


def test_loads_and_prices_are_there_interval_by_interval(study: Technologies) -> None:
    """Energy money of a line can be made again from hours.csv: here the DC energy of one circuit."""
    rows = list(csv.DictReader(io.StringIO(sheet_csv(hours_sheet(study)))))
    own = [row for row in rows if (row["variant"], row["circuit"]) == ("as_is", "old")]
    load = [float(row["load_ka"]) for row in own]
    item = study.variants[0].rooms[0].item("power_dc")
    # 150 cells of 2.5 m2 at 3.15 + 0.09 j, kA x V / 1000 = MW, one hour each: by hand from the site's values.
    energy = [150 * (3.15 + 0.09 * ka / 2.5) * ka / 1000.0 for ka in load]
    money = sum(mwh * float(row["energy_price_per_mwh"]) for mwh, row in zip(energy, own, strict=True))

    assert len(own) == 24
    assert own[0]["start"] == "2026-06-08T00:00+02:00"
    assert item.quantity == pytest.approx(sum(energy), rel=1e-5)
    assert item.amount == pytest.approx(money, rel=1e-5)


def test_the_workbook_computes_each_amount(
    study: Technologies, conversion: ConversionStudy, sheets: tuple[Sheet, ...]
) -> None:
    """Amounts are formulas of quantity and price, with the value beside for readers that do not compute."""
    data = workbook_bytes(study, conversion, sheets)
    formulas = openpyxl.load_workbook(io.BytesIO(data))["items"]
    values = openpyxl.load_workbook(io.BytesIO(data), data_only=True)["items"]

    assert formulas["H2"].value == "=E2*G2"
    assert values["H2"].value == pytest.approx(values["E2"].value * values["G2"].value)
    assert data == workbook_bytes(study, conversion, sheets)


def test_text_of_a_site_is_never_a_formula_or_markup(
    study: Technologies, conversion: ConversionStudy
) -> None:
    """A name that looks like a formula or a tag stays text in workbook and page."""
    from dataclasses import replace

    evil = replace(study, site_name="=1+1<script>alert(1)</script>", notes=("=2+2",))
    sheets = technologies_sheets(evil)
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(evil, None, sheets)))
    page = page_html(evil, None, sheets, {})

    assert all(cell.data_type != "f" for row in book["summary"].iter_rows() for cell in row)
    assert "<script" not in page
    assert "&lt;script" in page


def test_the_page_needs_nothing_else(study: Technologies, conversion: ConversionStudy) -> None:
    """Charts are inside, no address outside is named, and the law is deferred to the authority."""
    page = page_html(study, conversion, conversion_sheets(conversion), {"chart": b"x"})

    assert 'src="data:image/png;base64,' in page
    assert not re.search(r"https?://", page)
    assert "competent authority" in page
    assert "Minamata Convention" in page


def test_the_summary_lists_the_defaults_that_entered(
    study: Technologies, conversion: ConversionStudy
) -> None:
    """A default is named with its source; a stated price is not among them."""
    text = cost_text(study, conversion)

    assert "membrane_price_per_m2 = 750 currency/m2: default: middle of 500 to 1000 EUR/m2" in text
    assert "conversion: life_years = 20 a: default" in text
    assert "- site: steam_price_per_t" not in text
    assert "Advice" in text or "advice" in text


def test_every_name_is_known_so_that_an_older_study_can_be_replaced(
    study: Technologies, conversion: ConversionStudy
) -> None:
    """A folder that holds a study holds only known names."""
    assert set(cost_files(study, conversion)) == set(EVERY_NAME)
    assert set(cost_files(study)) < set(EVERY_NAME)


def test_the_readme_documents_every_column() -> None:
    """The table in the README is the one that the code makes."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")

    assert readme_table() in readme
    assert all(column.meaning for columns in COLUMNS.values() for column in columns)


class TestCommands:
    """The commands end to end on a small site."""

    def test_technologies(self, tmp_path: Path) -> None:
        """The folder holds tables, charts, workbook, page and summary; the summary is shown."""
        site = lay(tmp_path, {"site.toml": SITE + COSTS + NEW_ROOM})
        result = run("technologies", site, "--out", tmp_path / "costs")

        assert result.exit_code == 0, result.stderr
        assert "per ECU" in result.stdout
        assert {"items.csv", "rooms.png", "load_cost.png", "costs.xlsx", "costs.html"} <= names(
            tmp_path / "costs"
        )
        rooms = table(tmp_path / "costs", "rooms.csv")
        assert [(row["variant"], row["room"]) for row in rooms] == [
            ("as_is", "hall"),
            ("as_is", "all rooms"),
            ("better", "new_room"),
            ("better", "all rooms"),
        ]

    def test_conversion_and_replace(self, tmp_path: Path) -> None:
        """The conversion is valued with the site's life; an older study is replaced only when asked."""
        site = lay(tmp_path, {"site.toml": SITE + COSTS})
        (tmp_path / "rooms.toml").write_text(NEW_ROOM, encoding="utf-8")
        words = ("conversion", site, "--rooms", tmp_path / "rooms.toml", "--out", tmp_path / "costs")
        assert run(*words).exit_code == 0

        rows = {row["key"]: row for row in table(tmp_path / "costs", "conversion.csv")}
        assert float(rows["life_years"]["value"]) == 15.0
        assert rows["life_years"]["source"] == "site file, [conversion]"
        assert len(table(tmp_path / "costs", "cash_flows.csv")) == 16
        again = run(*words)
        assert again.exit_code == 2
        assert "exists already" in again.stderr

    def test_costs_of_a_plan_that_fails_say_so(self, tmp_path: Path) -> None:
        """More chlorine is used than the room can make: exit code 3, and the summary is headed by it."""
        site = lay(tmp_path, {"site.toml": SITE.replace("rate_per_h = 2.0", "rate_per_h = 9.0")})
        result = run("technologies", site, "--out", tmp_path / "costs")

        assert result.exit_code == 3
        assert "! as_is: the plan of 2026-06-08 to 2026-06-08 is 'NOT A PLAN'" in result.stdout

    def test_conversion_without_a_hypothetical_room(self, tmp_path: Path) -> None:
        """It says what to write, with the exit code of bad input, and leaves no folder."""
        site = lay(tmp_path)
        result = run("conversion", site, "--out", tmp_path / "costs")

        assert result.exit_code == 2
        assert "write a [[hypothetical]]" in result.stderr
        assert not (tmp_path / "costs").exists()
