"""Tables as CSV text: what comes in comes out, and no text becomes a formula."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.report.csv_text import csv_text

WORDS = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=20).map(
    lambda text: " ".join(text.split())
)


def read(text: str) -> list[list[str]]:
    """Return the cells of a table as the standard library reads them."""
    return list(csv.reader(io.StringIO(text)))


@given(st.lists(st.tuples(WORDS, st.floats(allow_nan=False).map(repr)), max_size=5))
def test_words_and_numbers_come_back(rows: list[tuple[str, str]]) -> None:
    """Quotes, commas and negative numbers survive; only a text like a formula gets an apostrophe."""
    found = read(csv_text(("name", "value"), rows))[1:]
    for (word, number), (cell, value) in zip(rows, found, strict=True):
        assert value == number
        assert cell in (word, f"'{word}")


@pytest.mark.parametrize("text", ["=1+1", "+cmd", "-a", "@SUM(A1)", "=HYPERLINK(1)", " =1", "\t=1"])
def test_a_text_is_never_a_formula(text: str) -> None:
    """Spreadsheets take = + - @ for the start of a formula, also behind blanks."""
    ((cell,),) = read(csv_text(("name",), [(text,)]))[1:]
    assert cell == f"'{text.strip()}"


def test_negative_numbers_stay_numbers() -> None:
    """A loss is a number, as text and as float."""
    assert read(csv_text(("a", "b"), [("-12.50", -3.5)]))[1] == ["-12.50", "-3.5"]


def test_line_breaks_and_control_signs_do_not_break_rows() -> None:
    """A note of several lines is one cell on one line."""
    assert csv_text(("a",), [("one\ntwo\x1b[2J",)]) == "a\none two?[2J\n"
