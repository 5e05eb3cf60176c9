import datetime as dt
import io
import zipfile
from zoneinfo import ZoneInfo

import openpyxl
import pytest

from models.checks import at_least
from scheduler.read.files import Source
from scheduler.read.problems import MOST_PER_FILE, Problems, close_match
from scheduler.read.tables import Columns, Row, interval_of, read_table

ZONE = ZoneInfo("Europe/Vienna")
COLUMNS = Columns(("start", "value"), ("note",))


def read(
    text: str | bytes, name: str = "t.csv", columns: Columns = COLUMNS
) -> tuple[tuple[Row, ...], Problems]:
    """Return the rows and the problems of a file."""
    problems = Problems()
    data = text.encode() if isinstance(text, str) else text
    return read_table(Source("prices", name, data), columns, problems), problems


def workbook(rows: list[list[object]], formats: dict[str, str] | None = None) -> bytes:
    """Return the bytes of a workbook with one sheet."""
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    for cell, number_format in (formats or {}).items():
        book.active[cell].number_format = number_format
    return saved(book)


def saved(book: openpyxl.Workbook) -> bytes:
    """Return the bytes of a workbook."""
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def told(problems: Problems) -> list[str]:
    """Return the problems as lines."""
    return [str(problem) for problem in problems.listed()]


def numbers(rows: tuple[Row, ...]) -> list[float | None]:
    """Return the column 'value' of all rows."""
    return [row.number("value") for row in rows]


@pytest.mark.parametrize(
    "text",
    [
        "start,value\n2026-11-26T00:00,1.5\n2026-11-26T01:00,-2\n",
        "\ufeffstart,value\r\n2026-11-26T00:00,1.5\r\n2026-11-26T01:00,-2\r\n",
        "start;value\n2026-11-26T00:00;1,5\n2026-11-26T01:00;-2\n",
        '\nvalue, start \n1.5,"2026-11-26T00:00"\n\n , \n-2e0,2026-11-26T01:00',
    ],
)
def test_csv_variants_say_the_same(text: str) -> None:
    """Byte order mark, line ends, ';' with decimal comma, column order and blank lines change nothing."""
    rows, problems = read(text)

    assert numbers(rows) == [1.5, -2.0]
    # Unix time of 2026-11-25T23:00Z (POSIX) over 60, and an hour later.
    assert [row.minute("start", ZONE) for row in rows] == [29927460, 29927520]
    assert told(problems) == []


def test_xlsx_equals_csv() -> None:
    """A workbook with typed or text cells gives the rows of the same CSV file."""
    from_csv, _ = read("start,value,note\n2026-11-26T00:00,1.5,17\n2026-11-26T01:00,-2,late\n")
    typed, first = read(
        workbook(
            [
                ["start", "value", "note"],
                [dt.datetime(2026, 11, 26), 1.5, 17],
                [None, None, None],
                [dt.datetime(2026, 11, 26, 1), -2, "late"],
            ]
        ),
        "t.xlsx",
    )
    as_text, second = read(
        workbook(
            [
                ["start", "value", "note"],
                ["2026-11-26T00:00", "1.5", "17"],
                ["2026-11-26T01:00", " -2 ", "late"],
            ]
        ),
        "t.xlsx",
    )

    for rows in (typed, as_text):
        assert numbers(rows) == numbers(from_csv)
        assert [row.text("note") for row in rows] == ["17", "late"]
        assert [r.minute("start", ZONE) for r in rows] == [r.minute("start", ZONE) for r in from_csv]
    assert told(first) == told(second) == []


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("room_b", "; did you mean 'room_b1' or 'room_b2'?"),
        ("room_b11", "; did you mean 'room_b1'?"),
        ("zzz", ""),
    ],
)
def test_names_that_are_equally_close_are_all_told(name: str, told: str) -> None:
    """Naming one of two circuits would lead to the wrong one."""
    assert close_match(name, ["room_m", "room_b1", "room_b2", "room_b1"]) == told


def test_header_problems_are_told_together_with_close_matches() -> None:
    """Unknown, double and missing columns are all told."""
    rows, problems = read("start,valu,note,note\n1,2,3,4\n")

    assert rows == ()
    assert told(problems) == [
        "t.csv, line 1: 'valu' is not a column of a prices file; did you mean 'value'?",
        "t.csv, line 1: the column 'note' is there 2 times; keep one",
        "t.csv, line 1: the column 'value' is missing from the header",
    ]


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        ("NaN", "'value' must be a number (got 'NaN')"),
        ("inf", "'value' must be a number (got 'inf')"),
        ("1e400", "'value' must be at most 1e+09 in size (got 1e400)"),
        ("2000000000", "'value' must be at most 1e+09 in size (got 2000000000)"),
        ("1_000", "'value' must be a number (got '1_000')"),
        ("\u0661", "'value' must be a number (got '\u0661')"),
        ("\u22125", "'value' must be a number (got '\u22125')"),
        ("", "'value' is missing; write a value"),
        ("-3", "'value' must be at least 0 [t] (got -3)"),
        (
            '"1,5"',
            "'value' must have a decimal point; a decimal comma needs ';' between the columns (got '1,5')",
        ),
    ],
)
def test_bad_numbers_are_told_with_line_and_column(cell: str, text: str) -> None:
    """A cell that is no finite number of a sane size, or breaks its rule, is told with its place."""
    rows, problems = read(f"start,value\n2026-11-26T00:00,{cell}\n")

    assert rows[0].number("value", at_least(0, "t")) is None
    assert told(problems) == [f"t.csv, line 2, column 'value': {text}"]


def test_thousands_point_beside_decimal_commas_is_refused() -> None:
    """1.234 in a file of decimal commas is most likely 1234, so it is not guessed."""
    rows, problems = read("start;value\na;1,5\nb;1.234\n")

    assert numbers(rows) == [1.5, None]
    assert told(problems) == [
        "t.csv, line 3, column 'value': 'value' must have one kind of decimal sign in the whole file (',' "
        "in line 2) "
        "(got '1.234')"
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("start,value\na\n", "t.csv, line 2: the row must have 2 cells like the header (got 1)"),
        ("start,value\na,1,2\n", "t.csv, line 2: the row must have 2 cells like the header (got 3)"),
        (
            "start;value,note\n",
            "t.csv, line 1: the header has both ',' and ';'; separate the columns by one of them",
        ),
        ("start,,value\na,,1\n", "t.csv, line 1: column 2 has no name in the header"),
        ('start,value\n"a,1\n', "t.csv, line 2: the row cannot be read as CSV: unexpected end of data"),
        (b"start,value\n\xe9,1\n", "t.csv, line 2: the text is not UTF-8; save the file as UTF-8"),
        ("start,value\n\0,1\n", "t.csv, line 2: the text has a zero byte; save the file as plain UTF-8 text"),
    ],
)
def test_broken_csv_is_told(text: str | bytes, expected: str) -> None:
    """A CSV file that is no table is told with its line."""
    assert told(read(text)[1]) == [expected]


def test_a_quoted_cell_of_two_lines_keeps_line_numbers_right() -> None:
    """The line told is the one on which the row begins."""
    rows, _ = read('start,value,note\na,1,"two\nlines"\nb,x,\n')

    assert [row.place for row in rows] == ["line 2", "line 4"]


def test_other_suffixes_are_refused() -> None:
    """Only .csv and .xlsx are tables."""
    assert told(read("start", "t.xls")[1]) == ["t.xls: a prices file must end in .csv or .xlsx (got '.xls')"]


def test_formula_without_stored_result_is_refused() -> None:
    """A formula that no spreadsheet has calculated has no value, also when it is alone in its row."""
    rows, problems = read(
        workbook([["start", "value"], ["2026-11-26T00:00", "=1+1"], [None, "=B2"]]), "t.xlsx"
    )

    assert numbers(rows) == [None, None]
    assert told(problems) == [
        "t.xlsx, row 2, column 'value': 'value' is a formula without a stored result; recalculate and save "
        "the "
        "workbook, or paste values",
        "t.xlsx, row 3, column 'value': 'value' is a formula without a stored result; recalculate and save "
        "the "
        "workbook, or paste values",
    ]


def test_formula_with_stored_result_is_read() -> None:
    """The stored result of a formula is its value."""
    data = workbook([["start", "value"], ["2026-11-26T00:00", "=1+1"]])
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                assert b"<f>1+1</f><v" in content
                content = content.replace(b"<f>1+1</f><v></v>", b"<f>1+1</f><v>2</v>").replace(
                    b"<f>1+1</f><v />", b"<f>1+1</f><v>2</v>"
                )
            new.writestr(name, content)
    rows, problems = read(stream.getvalue(), "t.xlsx")

    assert numbers(rows) == [2.0]
    assert told(problems) == []


def test_merged_cells_are_refused() -> None:
    """Merged cells hide values, so the sheet is refused."""
    book = openpyxl.Workbook()
    for row in (["start", "value"], ["2026-11-26T00:00", 1], [None, 2]):
        book.active.append(row)
    book.active.merge_cells("A2:A3")

    rows, problems = read(saved(book), "t.xlsx")
    assert rows == ()
    assert told(problems) == ["t.xlsx, cells A2:A3: merged cells cannot be read as a table; unmerge them"]


def test_one_sheet_or_the_one_named_for_the_role() -> None:
    """Of several visible sheets the one named for the role is read."""
    book = openpyxl.Workbook()
    book.active.append(["anything"])
    prices = book.create_sheet("prices")
    prices.append(["start", "value"])
    prices.append(["2026-11-26T00:00", 4])
    assert numbers(read(saved(book), "t.xlsx")[0]) == [4.0]

    prices.title = "other"
    assert told(read(saved(book), "t.xlsx")[1]) == [
        "t.xlsx: the workbook must have one visible sheet, or one named 'prices' (got Sheet, other)"
    ]


def test_a_cell_in_the_far_corner_is_refused() -> None:
    """One cell in the last corner of a sheet does not make the reading endless."""
    book = openpyxl.Workbook()
    book.active.append(["start", "value"])
    book.active["XFD1048576"] = 1
    assert told(read(saved(book), "t.xlsx")[1]) == [
        "t.xlsx: the sheet must have at most 200000 rows and 200 columns (got 1048576 and 16384); delete "
        "what is "
        "beyond the table"
    ]


def test_typed_date_without_time_is_no_instant() -> None:
    """A date cell has no time of day; taking midnight would hide whether a day is meant to be included."""
    data = workbook([["start", "value"], [dt.datetime(2026, 11, 26), True]], {"A2": "yyyy-mm-dd"})
    rows, problems = read(data, "t.xlsx")

    assert rows[0].minute("start", ZONE) is None
    assert rows[0].number("value") is None
    assert told(problems) == [
        "t.xlsx, row 2, column 'start': 'start' must have a time of day, such as 2026-11-26T06:00 (got "
        "'2026-11-26')",
        "t.xlsx, row 2, column 'value': 'value' must be a number (got True)",
    ]


def test_a_month_may_be_the_date_a_spreadsheet_made_of_it() -> None:
    """A typed first day of a month stands for the month; another day does not."""
    data = workbook(
        [["start", "value"], [dt.datetime(2026, 11, 1), 1], [dt.datetime(2026, 11, 2), 1], ["2026-11", 1]],
        {"A2": "mmm-yy", "A3": "mmm-yy"},
    )
    rows, _ = read(data, "t.xlsx")

    assert [row.month("start") for row in rows] == ["2026-11", None, "2026-11"]


def test_a_workbook_that_is_none_is_told() -> None:
    """A file named .xlsx that is no workbook is told and does not end the reading."""
    assert told(read("start,value\n", "t.xlsx")[1]) == [
        "t.xlsx: the file cannot be read as an XLSX workbook (BadZipFile: File is not a zip file)"
    ]
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("a.txt", "x")
    assert "cannot be read as an XLSX workbook (KeyError" in told(read(stream.getvalue(), "t.xlsx")[1])[0]


def test_a_workbook_that_unpacks_to_too_much_is_refused() -> None:
    """A small file that unpacks to more than 200 MB is not unpacked."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("x", "w") as entry:
        for _ in range(201):
            entry.write(bytes(1_000_000))
    assert told(read(stream.getvalue(), "t.xlsx")[1]) == [
        "t.xlsx: the unpacked workbook must be at most 200 MB; cut it down"
    ]


@pytest.mark.parametrize(
    ("start", "minutes", "text"),
    [
        ("2026-11-26T00:00", "20", "'minutes' must be one of 5, 15, 30, 60 [min] (got 20)"),
        ("2026-11-26T00:00", "7.5", "'minutes' must be a whole number (got 7.5)"),
        ("2026-11-26T00:07", "15", "'start' must lie on the grid of 15 min intervals (got minute 7)"),
    ],
)
def test_market_intervals_lie_on_their_grid(start: str, minutes: str, text: str) -> None:
    """A price interval has a length of the market and begins on its grid."""
    columns = Columns(("start", "minutes"))
    rows, problems = read(f"start,minutes\n{start},{minutes}\n", columns=columns)

    assert interval_of(rows[0], ZONE, metering=True) is None
    assert [problem.text for problem in problems.listed()] == [text]


def test_a_long_list_of_problems_is_cut_and_counted() -> None:
    """A file of the wrong form does not hide the problems of the others."""
    rows, problems = read("start,value\n" + "a,x\n" * (MOST_PER_FILE + 5))
    numbers(rows)
    problems.add("other.csv", "", "is wrong")

    texts = told(problems)
    assert len(problems) == MOST_PER_FILE + 6
    assert texts[-2:] == ["other.csv: is wrong", "t.csv: 5 more problems in this file, not listed"]
