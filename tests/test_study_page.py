"""page.html and study.xlsx of a study: the figures of its tables, nothing from outside, texts escaped."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from scheduler.report.cautions import CAUTIONS
from scheduler.report.study import STUDY_FILES, study_files
from scheduler.report.study_page import study_page, study_workbook
from scheduler.report.study_tables import (
    RANKING,
    cross_matrix,
    in_currency,
    lines_table,
    members,
    months_table,
    ranking_table,
    remarks,
    table_csv,
)
from scheduler.report.wording import fixed
from scheduler.studies.contract_year import FLAT
from scheduler.studies.tariffs import Study
from tests.people_case import HOSTILE
from tests.study_case import small_study
from tests.test_page import Outline

NAME = "offers of a made-up works"
DIGESTS = {"study:study.toml": "0" * 64}


@pytest.fixture(scope="module")
def study() -> Study:
    """Return two contracts for a few days at two works."""
    return small_study()


@pytest.fixture(scope="module")
def text(study: Study) -> str:
    """Return the page."""
    return study_page(study, NAME, "XTS", ("a note",), DIGESTS)


def test_the_page_has_every_contract_with_the_figures_of_the_ranking(study: Study, text: str) -> None:
    """Each group has its sections, in order; costs are those of ranking.csv."""
    outline = Outline(text)
    ids = [a["id"] for tag, a in outline.tags if tag == "h2"]
    each = ["", "-months", "-cross"]
    assert ids == [
        *(f"group-0{end}" for end in each),
        *(f"group-1{end}" for end in each),
        "assumptions",
        "cautions",
        "about",
    ]
    rows = list(csv.DictReader(io.StringIO(table_csv(ranking_table(study.ranked)))))
    assert len(rows) == 4
    for row in rows:
        assert row["contract"] in outline.words
        assert fixed(float(row["total"]), 0, True) in outline.words
    assert "Cheapest everywhere: " in text
    for caution in CAUTIONS:
        assert caution in outline.words
    assert "a note" in text


def test_the_page_loads_nothing(text: str) -> None:
    """No link leads out of the file, and its policy forbids what it does not hold."""
    outline = Outline(text)
    for _, attributes in outline.tags:
        assert not set(attributes) & {"src", "srcset", "data", "action"}
        assert (attributes.get("href") or "#").startswith("#")
    assert "default-src 'none'" in text
    assert "http" not in text.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")


@pytest.mark.parametrize("hostile", [HOSTILE, "=1+1", "https://a.example/b"])
def test_names_never_act(study: Study, hostile: str) -> None:
    """A contract's, a site's and a study's name is text in the page, and text in the workbook."""
    item = study.ranked[0]
    case = replace(item.case, contract_name=hostile, site_name=hostile)
    odd = replace(
        study,
        ranked=(replace(item, case=case),),
        crosses=(replace(study.crosses[0], site_name=hostile, contracts=(hostile,) * 2),),
        failed={hostile: hostile},
    )
    page = study_page(odd, hostile, "XTS", (hostile,), {hostile: "0"})
    tags = [tag for tag, _ in Outline(page).tags]
    assert tags.count("script") == 1
    assert not set(tags) & {"img", "iframe", "b", "i"}
    assert not any(name.startswith("on") for _, attributes in Outline(page).tags for name in attributes)
    book = openpyxl.load_workbook(io.BytesIO(study_workbook(odd, hostile, "XTS", (hostile,), {hostile: "0"})))
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            assert all(cell.data_type != "f" and cell.hyperlink is None for cell in row)


def test_the_workbook_has_the_cells_of_the_tables(study: Study) -> None:
    """Numbers are numbers, equal to those of the CSV files; heads carry their units."""
    made = study_workbook(study, NAME, "XTS", (), DIGESTS)
    assert made == study_workbook(study, NAME, "XTS", (), DIGESTS)
    book = openpyxl.load_workbook(io.BytesIO(made))
    assert book.sheetnames == ["Ranking", "Bill lines", "Months", "Cross", "Cautions", "About"]
    for name, table in (
        ("Ranking", ranking_table(study.ranked)),
        ("Bill lines", lines_table(study.ranked)),
        ("Months", months_table(study.ranked)),
    ):
        rows = list(book[name].iter_rows(values_only=True))
        csv_rows = list(csv.reader(io.StringIO(table_csv(table))))
        assert len(rows) == len(csv_rows)
        for row, listed in zip(rows[1:], csv_rows[1:], strict=True):
            for value, word in zip(row, listed, strict=True):
                if isinstance(value, (int, float)):
                    assert value == pytest.approx(float(word), abs=1e-6)
                else:
                    assert (value or "") == word.removeprefix("'")
    assert {row[1].value for row in book["About"].iter_rows()} >= {"0" * 64}


def test_the_matrix_by_hand(study: Study) -> None:
    """Own plans stand at 0; the others are their cost over that of the own one, less one."""
    (cross, _) = study.crosses
    table = cross_matrix(cross, "matrix")
    for i, row in enumerate(table.rows):
        for j, cell in enumerate(row[1:]):
            share = 100.0 * (cross.totals[i, j] / cross.totals[j, j] - 1.0) if i != j else 0.0
            assert cell.value == pytest.approx(share, abs=0.005)


def test_heads_name_the_currency(study: Study) -> None:
    """The short table has human heads with the currency of the study."""
    heads = in_currency(ranking_table(study.ranked, short=True), "XTS").heads
    assert heads[:3] == ("place", "contract", "cost, XTS")
    assert "marginal, XTS/MWh" in heads
    assert len(heads) == sum(bool(column.spoken) for column in RANKING)


def test_what_must_be_said_beside_the_figures(study: Study) -> None:
    """Constant loads, another plan, a better capacity, calls and misses are told; nothing else is."""
    item = study.ranked[0]
    assert remarks(item) == ()
    figures = replace(
        item.result.figures,
        best_contracted_mw=12.0,
        best_contracted_saving=3456.0,
        calls="calls are told",
        misses=("a duty: 1.00 t",),
    )
    told = replace(item, plan_of=FLAT, result=replace(item.result, figures=figures))
    assert remarks(told) == (
        "constant loads are cheapest here and are taken",
        "12.0 MW contracted would save 3,456, the load planned for it",
        "calls are told",
        "missed: a duty: 1.00 t",
    )
    assert remarks(replace(item, plan_of="other")) == (
        "the plan made for other is cheaper here and is taken",
    )
    assert all(remarks(one) for one in members(replace(study, ranked=(told,)), study.crosses[0]))


def test_every_file_of_a_study_is_written(study: Study, tmp_path: Path) -> None:
    """The writers make just the files that are listed, none of them empty."""
    writers = study_files(study, NAME, "XTS", (), DIGESTS)
    assert tuple(sorted(writers)) == tuple(sorted(STUDY_FILES))
    for name, write in writers.items():
        write(tmp_path / name)
        assert (tmp_path / name).stat().st_size > 100
