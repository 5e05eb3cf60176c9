"""Tables of rows: CSV and XLSX with one header row, as rows of typed cells.

Owns the file formats, the recognition of columns and the checks of single cells. What a table means
stands in the modules that ask for its columns.
"""

from __future__ import annotations

import csv
import datetime as dt
import enum
import io
import math
import re
import warnings
import xml.etree.ElementTree as ET
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import openpyxl
from openpyxl.styles.numbers import is_datetime
from openpyxl.utils.exceptions import InvalidFileException

from models.checks import Rule
from models.horizon import ALLOWED_LENGTHS_MIN
from scheduler.read.files import Source, text_of
from scheduler.read.problems import Problems, hint
from scheduler.read.times import local_minute, minute_of_text, month_of_text

LARGEST_NUMBER = 1e9
"""Greatest size of any number; more is a mistake of units or of the export."""

LARGEST_WORKBOOK_MB = 200
"""Greatest size of an unpacked workbook, against small files that unpack to very large ones."""

MOST_ROWS, MOST_COLUMNS = 200_000, 200
"""Greatest size of a sheet: one cell in its last corner stands for 17 thousand million empty ones."""

_NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]{1,3})?")


class Unreadable(enum.Enum):
    """A cell about which a problem has been noted already."""

    FORMULA = "formula without a stored result"


Cell = str | int | float | bool | dt.datetime | dt.date | dt.time | dt.timedelta | Unreadable | None


START = "start of the interval: ISO 8601 with offset, or local time of the site"
MINUTES = "length of the interval in min"


@dataclass(frozen=True)
class Columns:
    """Columns of a table.

    Parameters
    ----------
    required : tuple of str
        Columns that must be there. [-]
    optional : tuple of str
        Columns that may be there. [-]
    meanings : mapping
        What a column holds, for people. [-]
    """

    required: tuple[str, ...]
    optional: tuple[str, ...] = ()
    meanings: Mapping[str, str] = field(default_factory=dict)

    @property
    def names(self) -> tuple[str, ...]:
        """All columns, the required ones first. [-]."""
        return (*self.required, *self.optional)


class DecimalSign:
    """The decimal sign of one table: the first one seen, which all other numbers must use.

    A file with decimal commas in which one number has a point holds, most likely, a thousands
    separator; reading it as a decimal sign would be wrong by a factor of 1000.
    """

    def __init__(self, comma_allowed: bool) -> None:
        self._comma_allowed = comma_allowed
        self._seen: tuple[str, str] | None = None

    def fault(self, text: str, where: str) -> str | None:
        """Return what is wrong with the decimal sign of a number, or None.

        Parameters
        ----------
        text : str
            The number. [-]
        where : str
            Its place, for the message about a later one. [-]

        Returns
        -------
        str or None
            End of a sentence. [-]
        """
        sign = next((s for s in ".," if s in text), None)
        if sign is None:
            return None
        if sign == "," and not self._comma_allowed:
            return "must have a decimal point; a decimal comma needs ';' between the columns"
        if self._seen is None:
            self._seen = (sign, where)
        if self._seen[0] != sign:
            return (
                f"must have one kind of decimal sign in the whole file ('{self._seen[0]}' in {self._seen[1]})"
            )
        return None


@dataclass(frozen=True)
class Row:
    """One row of a table; its getters note what is wrong and then return None.

    Parameters
    ----------
    file : str
        File, as the user named it. [-]
    place : str
        'line 3' of a CSV file, 'row 3' of a workbook. [-]
    cells : mapping
        Cells by column; a blank cell is None. [-]
    decimal : DecimalSign
        Decimal sign of the table. [-]
    problems : Problems
        Takes what is wrong. [-]
    """

    file: str
    place: str
    cells: Mapping[str, Cell]
    decimal: DecimalSign
    problems: Problems

    def where(self, column: str) -> str:
        """Return the place of one cell. [-]."""
        return f"{self.place}, column '{column}'"

    def fault(self, column: str, text: str) -> None:
        """Note a problem with one cell.

        Parameters
        ----------
        column : str
            Column. [-]
        text : str
            End of a sentence that begins with the column's name. [-]
        """
        self.problems.add(self.file, self.where(column), f"'{column}' {text}")

    def has(self, column: str) -> bool:
        """Return whether a cell is there and not blank. [-]."""
        return self.cells.get(column) is not None

    def text(self, column: str) -> str | None:
        """Return a cell as text.

        Parameters
        ----------
        column : str
            Column. [-]

        Returns
        -------
        str or None
            The text without outer blanks. [-]
        """
        cell = self._given(column)
        if cell is None or isinstance(cell, str):
            return cell
        if isinstance(cell, int | float) and not isinstance(cell, bool) and float(cell).is_integer():
            return str(int(cell))
        self.fault(column, f"must be a text (got {_cell_text(cell)}); format the cell as text")
        return None

    def number(self, column: str, *rules: Rule) -> float | None:
        """Return a cell as a number.

        Parameters
        ----------
        column : str
            Column. [-]
        *rules : Rule
            Rules of `models.checks` that the number must keep. [-]

        Returns
        -------
        float or None
            The number, finite and not above 1e9 in size. [as the column]
        """
        cell = self._given(column)
        if cell is None:
            return None
        if isinstance(cell, str):
            if _NUMBER.fullmatch(cell) is None:
                self.fault(column, f"must be a number (got '{cell}')")
                return None
            text = self.decimal.fault(cell, self.place)
            if text is not None:
                self.fault(column, f"{text} (got '{cell}')")
                return None
            value = float(cell.replace(",", "."))
        elif isinstance(cell, int | float) and not isinstance(cell, bool):
            value = float(cell)
        else:
            self.fault(column, f"must be a number (got {_cell_text(cell)})")
            return None
        if not math.isfinite(value) or abs(value) > LARGEST_NUMBER:
            self.fault(column, f"must be at most {LARGEST_NUMBER:.0e} in size (got {_cell_text(cell)})")
            return None
        broken = next((text for rule in rules if (text := rule(value))), None)
        if broken is not None:
            self.fault(column, f"{broken} (got {_cell_text(cell)})")
            return None
        return value

    def whole_number(self, column: str, *rules: Rule) -> int | None:
        """Return a cell as a whole number.

        Parameters
        ----------
        column : str
            Column. [-]
        *rules : Rule
            Rules of `models.checks` that the number must keep. [-]

        Returns
        -------
        int or None
            The number. [as the column]
        """
        value = self.number(column, *rules)
        if value is None:
            return None
        if not value.is_integer():
            self.fault(column, f"must be a whole number (got {_cell_text(self.cells[column])})")
            return None
        return int(value)

    def minute(self, column: str, zone: ZoneInfo) -> int | None:
        """Return a cell as an instant.

        Parameters
        ----------
        column : str
            Column. [-]
        zone : ZoneInfo
            Zone of the site, for times without offset. [-]

        Returns
        -------
        int or None
            Minutes since 1970-01-01T00:00Z. [min]
        """
        cell = self._given(column)
        if cell is None:
            return None
        try:
            if isinstance(cell, dt.datetime):
                if cell.second or cell.microsecond:
                    raise ValueError(f"must be on a whole minute (got {cell.isoformat()})")
                return local_minute(cell, zone)
            return minute_of_text(cell if isinstance(cell, str) else _cell_text(cell), zone)
        except ValueError as error:
            self.fault(column, str(error))
            return None

    def month(self, column: str) -> str | None:
        """Return a cell as a calendar month.

        Parameters
        ----------
        column : str
            Column. [-]

        Returns
        -------
        str or None
            'YYYY-MM'. [-]
        """
        cell = self._given(column)
        if cell is None:
            return None
        first_of_month = isinstance(cell, dt.date) and not isinstance(cell, dt.datetime) and cell.day == 1
        try:
            # A spreadsheet turns a typed 2026-11 into the first day of that month.
            return month_of_text(_cell_text(cell)[:7] if first_of_month else _cell_text(cell))
        except ValueError as error:
            self.fault(column, str(error))
            return None

    def choice(self, column: str, allowed: Sequence[str]) -> str | None:
        """Return a cell that must be one of a few words.

        Parameters
        ----------
        column : str
            Column. [-]
        allowed : sequence of str
            The words. [-]

        Returns
        -------
        str or None
            The word. [-]
        """
        text = self.text(column)
        if text is None or text in allowed:
            return text
        self.fault(column, f"is not known (got '{text}'){hint(text, allowed)}")
        return None

    def _given(self, column: str) -> str | int | float | bool | dt.date | dt.time | dt.timedelta | None:
        cell = self.cells.get(column)
        if isinstance(cell, Unreadable):
            return None
        if cell is None:
            self.fault(column, "is missing; write a value")
        return cell


@dataclass(frozen=True)
class Interval:
    """Columns `start` and `minutes` of a row.

    Parameters
    ----------
    start_min : int
        Start since the epoch. [min]
    length_min : int
        Length. [min]
    """

    start_min: int
    length_min: int


LONGEST_INTERVAL_MIN = 31 * 24 * 60
"""Longest interval of a profile: a month."""


def interval_of(row: Row, zone: ZoneInfo, metering: bool) -> Interval | None:
    """Return the interval of a row with columns `start` and `minutes`.

    Parameters
    ----------
    row : Row
        The row. [-]
    zone : ZoneInfo
        Zone of the site. [-]
    metering : bool
        Whether the interval must be one of the market's, on its grid. [-]

    Returns
    -------
    Interval or None
        The interval; None if there was a problem. [-]
    """
    start = row.minute("start", zone)
    length = row.whole_number("minutes")
    if length is None:
        return None
    if metering and length not in ALLOWED_LENGTHS_MIN:
        allowed = ", ".join(str(x) for x in ALLOWED_LENGTHS_MIN)
        row.fault("minutes", f"must be one of {allowed} [min] (got {length})")
        return None
    if not 1 <= length <= LONGEST_INTERVAL_MIN:
        row.fault("minutes", f"must be between 1 and {LONGEST_INTERVAL_MIN} [min] (got {length})")
        return None
    if start is None:
        return None
    # Zones are off UTC by whole quarters of an hour, so the grid is that of the local clock.
    clock = dt.datetime.fromtimestamp(start * 60, zone).minute
    if metering and clock % length:
        row.fault("start", f"must lie on the grid of {length} min intervals (got minute {clock})")
        return None
    return Interval(start, length)


def read_table(source: Source, columns: Columns, problems: Problems) -> tuple[Row, ...]:
    """Return the rows of a CSV or XLSX file.

    Parameters
    ----------
    source : Source
        The file. [-]
    columns : Columns
        Columns that must and may be there. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    tuple of Row
        Rows that are not blank; none if the file or its header cannot be used. [-]
    """
    if source.suffix == ".csv":
        return tuple(_csv_rows(source, columns, problems))
    if source.suffix == ".xlsx":
        return tuple(_xlsx_rows(source, columns, problems))
    problems.add(source.name, "", f"a {source.role} file must end in .csv or .xlsx (got '{source.suffix}')")
    return ()


def _cell_text(cell: Cell) -> str:
    if isinstance(cell, dt.date | dt.time):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return f"{cell:.15g}"
    return str(cell)


def _header(
    source: Source, place: str, cells: Sequence[Cell], columns: Columns, problems: Problems
) -> list[str] | None:
    names = [_cell_text(cell).strip() if cell is not None else "" for cell in cells]
    while names and not names[-1]:
        names.pop()
    before = len(problems)
    missing = [name for name in columns.required if name not in names]
    for position, name in enumerate(names, 1):
        if not name:
            problems.add(source.name, place, f"column {position} has no name in the header")
        elif name not in columns.names:
            ending = hint(name, missing or [c for c in columns.names if c not in names] or columns.names)
            problems.add(source.name, place, f"'{name}' is not a column of a {source.role} file{ending}")
    for name, count in Counter(n for n in names if n in columns.names).items():
        if count > 1:
            problems.add(source.name, place, f"the column '{name}' is there {count} times; keep one")
    for name in missing:
        problems.add(source.name, place, f"the column '{name}' is missing from the header")
    return names if len(problems) == before else None


def _csv_rows(source: Source, columns: Columns, problems: Problems) -> Iterator[Row]:
    text = text_of(source, problems)
    if text is None:
        return
    first = next((line for line in text.splitlines() if line.strip()), "")
    if ";" in first and "," in first:
        problems.add(
            source.name, "line 1", "the header has both ',' and ';'; separate the columns by one of them"
        )
        return
    delimiter = ";" if ";" in first else ","
    decimal = DecimalSign(comma_allowed=delimiter == ";")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    names: list[str] | None = None
    line = 1
    try:
        for cells in reader:
            start, line = line, reader.line_num + 1
            if not any(cell.strip() for cell in cells):
                continue
            place = f"line {start}"
            if names is None:
                names = _header(source, place, cells, columns, problems)
                if names is None:
                    return
                continue
            while len(cells) > len(names) and not cells[-1].strip():
                cells.pop()
            if len(cells) != len(names):
                problems.add(
                    source.name,
                    place,
                    f"the row must have {len(names)} cells like the header (got {len(cells)})",
                )
                continue
            values = {name: cell.strip() or None for name, cell in zip(names, cells, strict=True)}
            yield Row(source.name, place, values, decimal, problems)
    except csv.Error as error:
        problems.add(source.name, f"line {reader.line_num}", f"the row cannot be read as CSV: {error}")


def _xlsx_rows(source: Source, columns: Columns, problems: Problems) -> Iterator[Row]:
    sheet = _xlsx_sheet(source, problems)
    if sheet is None:
        return
    decimal = DecimalSign(comma_allowed=False)
    names: list[str] | None = None
    for number, cells in enumerate(sheet, 1):
        if not any(cell is not None for cell in cells):
            continue
        place = f"row {number}"
        if names is None:
            names = _header(source, place, cells, columns, problems)
            if names is None:
                return
            continue
        if any(cell is not None for cell in cells[len(names) :]):
            problems.add(
                source.name, place, f"the row has a cell beyond the {len(names)} columns of the header"
            )
            continue
        full = [*cells, *[None] * (len(names) - len(cells))]
        values = dict(zip(names, full[: len(names)], strict=True))
        for name, cell in values.items():
            if isinstance(cell, Unreadable):
                problems.add(
                    source.name,
                    f"{place}, column '{name}'",
                    f"'{name}' is a formula without a stored result; recalculate and save the workbook, or "
                    "paste values",
                )
        yield Row(source.name, place, values, decimal, problems)


def _xlsx_sheet(source: Source, problems: Problems) -> list[list[Cell]] | None:
    try:
        with zipfile.ZipFile(io.BytesIO(source.data)) as archive:
            size = sum(entry.file_size for entry in archive.infolist())
        if size > LARGEST_WORKBOOK_MB * 1_000_000:
            problems.add(
                source.name,
                "",
                f"the unpacked workbook must be at most {LARGEST_WORKBOOK_MB} MB; cut it down",
            )
            return None
        with warnings.catch_warnings():
            # openpyxl warns of parts it leaves out (validation lists, styles), none of them a value.
            warnings.simplefilter("ignore", UserWarning)
            return _xlsx_cells(source, problems)
    except (
        zipfile.BadZipFile,
        InvalidFileException,
        zlib.error,
        ET.ParseError,
        KeyError,
        ValueError,
        TypeError,
        AttributeError,
        IndexError,
        EOFError,
        OSError,
        NotImplementedError,
        RuntimeError,
    ) as error:
        # openpyxl has no error class of its own for a damaged workbook, and zipfile asks for a
        # password with RuntimeError.
        kind = type(error).__name__
        problems.add(source.name, "", f"the file cannot be read as an XLSX workbook ({kind}: {error})")
        return None


def _xlsx_cells(source: Source, problems: Problems) -> list[list[Cell]] | None:
    # Formulas and merged ranges are only seen without data_only, stored results only with it.
    formulas = openpyxl.load_workbook(io.BytesIO(source.data))
    visible = [sheet.title for sheet in formulas.worksheets if sheet.sheet_state == "visible"]
    title = visible[0] if len(visible) == 1 else source.role
    if title not in visible:
        problems.add(
            source.name,
            "",
            f"the workbook must have one visible sheet, or one named '{source.role}' "
            f"(got {', '.join(visible)})",
        )
        return None
    rows, width = formulas[title].max_row, formulas[title].max_column
    if rows > MOST_ROWS or width > MOST_COLUMNS:
        problems.add(
            source.name,
            "",
            f"the sheet must have at most {MOST_ROWS} rows and {MOST_COLUMNS} columns (got {rows} and "
            f"{width}); "
            "delete what is beyond the table",
        )
        return None
    merged = sorted(str(area) for area in formulas[title].merged_cells.ranges)
    for area in merged:
        problems.add(source.name, f"cells {area}", "merged cells cannot be read as a table; unmerge them")
    if merged:
        return None
    unresolved = {
        (cell.row, cell.column)
        for row in formulas[title].iter_rows()
        for cell in row
        if cell.data_type == "f"
    }
    values = openpyxl.load_workbook(io.BytesIO(source.data), read_only=True, data_only=True)
    sheet = values[title]
    # The stated size of a sheet may be wrong; without it the rows themselves are counted.
    sheet.reset_dimensions()
    result: list[list[Cell]] = []
    for number, row in enumerate(sheet.iter_rows(), 1):
        cells: list[Cell] = []
        for position, cell in enumerate(row, 1):
            value: Cell = cell.value
            if isinstance(value, str):
                value = value.strip() or None
            elif isinstance(value, dt.datetime) and _is_day(value, cell.number_format):
                value = value.date()
            if value is None and (number, position) in unresolved:
                value = Unreadable.FORMULA
            cells.append(value)
        result.append(cells)
    values.close()
    return result


def _is_day(value: dt.datetime, number_format: str) -> bool:
    return is_datetime(number_format) == "date" and value.time() == dt.time()
