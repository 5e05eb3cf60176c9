"""sheet.pdf: the load sheet on one page of A4 across.

Owns how the sheet is set on paper. It never makes a second page: text is measured before it is set; the
table's type shrinks to a least size, then columns and lines that matter least give way, and the page says so.
What stands on the sheet is in `scheduler.report.sheet`. The PDF library is loaded on first use.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from scheduler.report import style
from scheduler.report.cautions import SHORT_CAUTION
from scheduler.report.sheet import MOST_CHANGES, MOST_FAILURES, MOST_LOADINGS, LoadSheet, SheetColumn

PAGE_PT: Final = (841.89, 595.28)
"""A4 across. [pt]"""
MARGIN_PT: Final = 22.0
"""Margin; office printers need about 12 to 17 (common practice, no source). [pt]"""
TABLE_PT: Final = (8.6, 5.6)
"""Largest and least size of type in the table. [pt]"""
TEXT_PT: Final = 6.8
"""Size of type below the table. [pt]"""
LEAST_TEXT_PT: Final = 5.4
"""Least size of type of the list of changes, where circuits are many. [pt]"""
LEADING: Final = 1.22
"""Distance of lines as a multiple of the size of type. [-]"""
PLAIN, BOLD = "sheet", "sheet-bold"


@dataclass(frozen=True)
class Block:
    """A block of lines below the table.

    Parameters
    ----------
    lines : tuple of str
        Lines, set as they are. [-]
    size_pt : float
        Size of type. [pt]
    first_bold : bool
        Whether the first line is a heading. [-]
    """

    lines: tuple[str, ...]
    size_pt: float = TEXT_PT
    first_bold: bool = False

    @property
    def height_pt(self) -> float:
        """Height with a gap below. [pt]."""
        return len(self.lines) * self.size_pt * LEADING + 2.5


class Ruler:
    """Measures text in the two fonts of the sheet.

    Parameters
    ----------
    metrics : module
        The library's measures. [-]
    """

    def __init__(self, metrics: Any) -> None:
        self._metrics = metrics
        # Widths grow with the size of type, and the same texts are measured at many sizes.
        self._of_one_point: dict[tuple[str, str], float] = {}

    def width(self, text: str, size_pt: float, font: str = PLAIN) -> float:
        """Return the width of a text.

        Parameters
        ----------
        text : str
            One line. [-]
        size_pt : float
            Size of type. [pt]
        font : str
            Font. [-]

        Returns
        -------
        float
            Width. [pt]
        """
        key = (text, font)
        if key not in self._of_one_point:
            self._of_one_point[key] = float(self._metrics.stringWidth(text, font, 1.0))
        return self._of_one_point[key] * size_pt

    def wrapped(self, text: str, size_pt: float, width_pt: float) -> list[str]:
        """Return a text in lines no wider than a width; a word that is too wide is cut.

        Parameters
        ----------
        text : str
            Text. [-]
        size_pt : float
            Size of type. [pt]
        width_pt : float
            Greatest width. [pt]

        Returns
        -------
        list of str
            Lines. [-]
        """
        lines: list[str] = []
        for word in text.split():
            joined = f"{lines[-1]} {word}" if lines else word
            if lines and self.width(joined, size_pt) <= width_pt:
                lines[-1] = joined
            else:
                lines.append(self.cut(word, size_pt, width_pt))
        return lines

    def cut(self, text: str, size_pt: float, width_pt: float, font: str = PLAIN) -> str:
        """Return a text that fits a width; two points stand for what was cut.

        Parameters
        ----------
        text : str
            One line. [-]
        size_pt : float
            Size of type. [pt]
        width_pt : float
            Greatest width. [pt]
        font : str
            Font. [-]

        Returns
        -------
        str
            The text or its beginning. [-]
        """
        if self.width(text, size_pt, font) <= width_pt:
            return text
        while text and self.width(text + "..", size_pt, font) > width_pt:
            text = text[:-1]
        return text + ".."


@dataclass(frozen=True)
class Table:
    """How the table is set.

    Parameters
    ----------
    size_pt : float
        Size of type. [pt]
    clock_pt : float
        Width of the column of times. [pt]
    widths_pt : tuple of float
        Widths of the other columns. [pt]
    heads : tuple of tuple of str
        Lines of each column's head, its unit last. [-]
    row_pt : float
        Height of a row. [pt]
    """

    size_pt: float
    clock_pt: float
    widths_pt: tuple[float, ...]
    heads: tuple[tuple[str, ...], ...]
    row_pt: float

    @property
    def head_pt(self) -> float:
        """Height of the head: a line of groups and the lines of the longest head. [pt]."""
        return (1 + max(len(lines) for lines in self.heads)) * self.size_pt * LEADING * 0.92 + 3.0


def sheet_pdf(sheet: LoadSheet) -> bytes:
    """Return the load sheet as a PDF of exactly one page; the same sheet gives the same bytes.

    Parameters
    ----------
    sheet : LoadSheet
        The sheet. [-]

    Returns
    -------
    bytes
        The PDF. [-]
    """
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfgen import canvas

    _register_fonts()
    ruler = Ruler(pdfmetrics)
    target = io.BytesIO()
    # 'invariant' leaves clock and random numbers out of the file.
    paper = canvas.Canvas(target, pagesize=PAGE_PT, invariant=1, pageCompression=1)
    paper.setTitle(f"{sheet.title}, {sheet.day}")
    paper.setSubject(sheet.result)
    _set(paper, sheet, ruler)
    paper.showPage()
    paper.save()
    return target.getvalue()


def write_sheet_pdf(sheet: LoadSheet, path: Path) -> None:
    """Write the load sheet as a PDF.

    Parameters
    ----------
    sheet : LoadSheet
        The sheet. [-]
    path : Path
        File to write. [-]
    """
    path.write_bytes(sheet_pdf(sheet))


def _register_fonts() -> None:
    """Register the drawing library's own font: the standard fonts of PDF know no letters beyond Latin 1."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in ((PLAIN, "DejaVuSans.ttf"), (BOLD, "DejaVuSans-Bold.ttf")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def _set(paper: Any, sheet: LoadSheet, ruler: Ruler) -> None:
    width = PAGE_PT[0] - 2 * MARGIN_PT
    y = _set_title(paper, sheet, ruler, width)
    y = _set_failures(paper, sheet, ruler, width, y)
    sheet = sheet.first_columns(_columns_that_fit(sheet, ruler, width))
    free = y - MARGIN_PT
    blocks, table = _fitting(sheet, ruler, width, free)
    y = _set_table(paper, sheet, table, ruler, width, y)
    for block in blocks:
        y = _set_block(paper, block, y)


def _fitting(sheet: LoadSheet, ruler: Ruler, width: float, free: float) -> tuple[list[Block], Table]:
    """Return the fullest choice of blocks that leaves the table its rows at a readable size."""
    rows = len(sheet.clocks)
    for level in range(5):
        blocks = _blocks(sheet, ruler, width, level)
        left = free - sum(block.height_pt for block in blocks) - 3.0
        size = TABLE_PT[0]
        while size >= TABLE_PT[1]:
            table = _table(sheet, ruler, width, size)
            if table is not None:
                row = (left - table.head_pt) / rows
                if row >= size * 1.16:
                    return blocks, Table(size, table.clock_pt, table.widths_pt, table.heads, min(row, 13.5))
            size -= 0.2
    # More rows than a page takes even so: they are set closer than is comfortable, never on a second page.
    table = _table(sheet, ruler, width, TABLE_PT[1]) or _narrow(sheet, ruler, width)
    row = (left - table.head_pt) / rows
    return blocks, Table(min(TABLE_PT[1], row), table.clock_pt, table.widths_pt, table.heads, row)


def _narrow(sheet: LoadSheet, ruler: Ruler, width: float) -> Table:
    """Return a table of even columns, for a sheet whose first columns alone are too wide."""
    clock = ruler.width("00:00+00:00", TABLE_PT[1]) + 4.0
    each = (width - clock) / len(sheet.columns)
    heads = tuple((ruler.cut(column.head, TABLE_PT[1], each), column.unit) for column in sheet.columns)
    return Table(TABLE_PT[1], clock, (each,) * len(sheet.columns), heads, TABLE_PT[1] * LEADING)


def _columns_that_fit(sheet: LoadSheet, ruler: Ruler, width: float) -> int:
    """Return how many of the first columns fit the width at the least size of type, 1 or more."""
    count = len(sheet.columns)
    while count > 1 and _table(sheet.first_columns(count), ruler, width, TABLE_PT[1]) is None:
        count -= 1
    return count


def _table(sheet: LoadSheet, ruler: Ruler, width: float, size: float) -> Table | None:
    """Return the table at a size of type, its width shared out; None if it is too wide."""
    gap = size * 0.75
    clock = max(ruler.width(text, size, BOLD) for text in sheet.clocks) + gap
    heads, least = [], []
    limited = any(column.limits for column in sheet.columns)
    for column in sheet.columns:
        body = max(ruler.width(text, size, BOLD) for text in (*column.cells, "0"))
        named = _head_lines(column.head, ruler, size * 0.92, max(body, size * 4.2))
        lines = (*named, column.unit, *([column.limits] if limited else []))
        heads.append(lines)
        least.append(max(body, *(ruler.width(line, size * 0.92) for line in lines)) + gap)
    spare = width - clock - sum(least)
    if spare < 0:
        return None
    share = min(spare / len(least), size * 1.6)
    widths = tuple(each + share for each in least)
    return Table(size, clock, widths, tuple(heads), size * LEADING)


def _head_lines(head: str, ruler: Ruler, size: float, width: float) -> list[str]:
    """Return a name in up to four lines, broken at underscores and spaces."""
    parts = head.replace("_", "_ ").split()
    lines: list[str] = []
    for part in parts:
        joined = (
            lines[-1] + part if lines and lines[-1].endswith("_") else f"{lines[-1] if lines else ''} {part}"
        )
        if lines and ruler.width(joined.strip(), size) <= width:
            lines[-1] = joined.strip()
        else:
            lines.append(part)
    if len(lines) > 4:
        lines = [*lines[:3], "".join(lines[3:])]
    return lines


def _set_title(paper: Any, sheet: LoadSheet, ruler: Ruler, width: float) -> float:
    y = PAGE_PT[1] - MARGIN_PT - 12.0
    result_pt = 12.0
    wide = ruler.width(sheet.result, result_pt, BOLD)
    right = PAGE_PT[0] - MARGIN_PT
    title = ruler.cut(f"{sheet.title}, {sheet.day}", 13.0, width - wide - 24.0, BOLD)
    paper.setFillColor(style.INK)
    paper.setFont(BOLD, 13.0)
    paper.drawString(MARGIN_PT, y, title)
    if not sheet.good:
        paper.setFillColor(style.ALARM)
        paper.rect(right - wide - 10.0, y - 5.0, wide + 10.0, 18.0, stroke=0, fill=1)
        paper.setFillColor(style.PAPER)
    paper.setFont(BOLD, result_pt)
    paper.drawRightString(right - (0.0 if sheet.good else 5.0), y, sheet.result)
    paper.setFillColor(style.FAINT_INK)
    paper.setFont(PLAIN, TEXT_PT)
    paper.drawString(MARGIN_PT, y - 10.5, "Advice only. Interlocks, permits and procedures come first.")
    paper.setFillColor(style.INK)
    return y - 16.0


def _set_failures(paper: Any, sheet: LoadSheet, ruler: Ruler, width: float, y: float) -> float:
    lines = list(sheet.failures[:MOST_FAILURES])
    if len(sheet.failures) > MOST_FAILURES:
        lines.append(f"and {len(sheet.failures) - MOST_FAILURES} more: see page.html")
    if not lines:
        return y
    size = 8.4
    paper.setFillColor(style.ALARM)
    paper.setFont(BOLD, size)
    for line in lines:
        y -= size * LEADING
        paper.drawString(MARGIN_PT, y, ruler.cut(line, size, width, BOLD))
    paper.setFillColor(style.INK)
    return y - 4.0


def _blocks(sheet: LoadSheet, ruler: Ruler, width: float, level: int) -> list[Block]:
    """Return what stands below the table; a higher level keeps less."""
    blocks = []
    if level < 4:
        blocks.append(_changes(sheet, ruler, width, MOST_CHANGES if level < 3 else 3))
    else:
        blocks.append(Block(("Changes are underlined in the table; rates are in rectifiers.csv.",)))
    if sheet.outages:
        text = f"Out or limited: {'; '.join(sheet.outages)}"
        blocks.append(Block(tuple(ruler.wrapped(text, TEXT_PT, width))))
    if sheet.loading:
        some = sheet.loading[: MOST_LOADINGS if level < 2 else 4]
        more = len(sheet.loading) - len(some)
        pointer = f"; and {more} more: see loading_per_shift.csv" if more else ""
        blocks.append(Block(tuple(ruler.wrapped(f"Loading: {'; '.join(some)}{pointer}", TEXT_PT, width))))
    if sheet.rates:
        text = "; ".join(sheet.rates) if level < 1 else "see plan.csv"
        blocks.append(
            Block(tuple(ruler.wrapped(f"Other rates, t/h from each time on: {text}", TEXT_PT, width)))
        )
    for line in sheet.tanks:
        blocks.append(Block(tuple(ruler.wrapped(f"Tanks, {line}", TEXT_PT, width))))
    who = "; ".join(f"{role}: {how}" for role, how in sheet.contacts)
    blocks.append(Block(tuple(ruler.wrapped(f"Who to ask: {who}", TEXT_PT + 0.6, width)), TEXT_PT + 0.6))
    small = TEXT_PT - 0.9
    cautions = sheet.cautions if level < 1 else (SHORT_CAUTION,)
    blocks.append(Block(tuple(ruler.wrapped(f"Cautions: {' '.join(cautions)}", small, width)), small))
    notes = [line for note in sheet.notes[:4] for line in ruler.wrapped(f"Note: {note}", small, width)]
    if len(sheet.notes) > 4:
        notes.append(f"and {len(sheet.notes) - 4} more notes: see summary.txt")
    if level >= 2 and len(notes) > 3:
        notes = [*notes[:2], "More notes: see summary.txt"]
    blocks.append(Block((*ruler.wrapped(sheet.reading, small, width), *notes), small))
    return blocks


def _changes(sheet: LoadSheet, ruler: Ruler, width: float, most: int) -> Block:
    """Return the changes as lines of cells parted by tabs: one column for each circuit."""
    columns = []
    for circuit in sheet.changes:
        lines = list(circuit.lines[:most])
        if len(circuit.lines) > most + 1:
            lines.append(f"and {len(circuit.lines) - most} more: rectifiers.csv")
        else:
            lines = list(circuit.lines[: most + 1])
        columns.append([f"{circuit.circuit}  {circuit.rate}", *lines])
    if not columns:
        return Block(("No circuits.",))
    each = width / len(columns) - 6.0
    widest = max(
        ruler.width(line, 1.0, PLAIN if number else BOLD)
        for lines in columns
        for number, line in enumerate(lines)
    )
    size = max(min(TEXT_PT, each / widest), LEAST_TEXT_PT)
    tall = max(len(lines) for lines in columns)
    return Block(
        tuple(
            "\t".join(
                ruler.cut(lines[i], size, each, PLAIN if i else BOLD) if i < len(lines) else ""
                for lines in columns
            )
            for i in range(tall)
        ),
        size,
        first_bold=True,
    )


def _set_block(paper: Any, block: Block, y: float) -> float:
    for number, line in enumerate(block.lines):
        y -= block.size_pt * LEADING
        paper.setFont(BOLD if block.first_bold and number == 0 else PLAIN, block.size_pt)
        cells = line.split("\t")
        step = (PAGE_PT[0] - 2 * MARGIN_PT) / len(cells)
        for position, cell in enumerate(cells):
            paper.drawString(MARGIN_PT + position * step, y, cell)
    return y - 2.5


def _set_table(paper: Any, sheet: LoadSheet, table: Table, ruler: Ruler, width: float, y: float) -> float:
    edges = [MARGIN_PT + table.clock_pt]
    for each in table.widths_pt:
        edges.append(edges[-1] + each)
    head = table.size_pt * 0.92
    _set_groups(paper, sheet.columns, edges, y, table.size_pt, ruler)
    paper.setFont(PLAIN, head)
    depth = max(len(lines) for lines in table.heads)
    for right, lines in zip(edges[1:], table.heads, strict=True):
        for number, line in enumerate(lines):
            row = depth - len(lines) + number + 1
            paper.drawRightString(right - 1.5, y - head * LEADING * (row + 1), line)
    top = y - table.head_pt
    paper.setFont(BOLD, head)
    paper.drawString(MARGIN_PT, top + 3.0, "from")
    paper.setStrokeColor(style.INK)
    paper.setLineWidth(0.8)
    paper.line(MARGIN_PT, top, edges[-1], top)
    for number, time in enumerate(sheet.clocks):
        base = top - (number + 1) * table.row_pt
        if number % 2:
            paper.setFillColor(style.LOOK_AHEAD_FILL)
            paper.rect(MARGIN_PT, base, edges[-1] - MARGIN_PT, table.row_pt, stroke=0, fill=1)
            paper.setFillColor(style.INK)
        text = base + (table.row_pt - table.size_pt) / 2 + table.size_pt * 0.14
        paper.setFont(BOLD, table.size_pt)
        paper.drawString(MARGIN_PT, text, time)
        for right, column in zip(edges[1:], sheet.columns, strict=True):
            _set_cell(paper, column, number, right - 1.5, text, table.size_pt, ruler)
    bottom = top - len(sheet.clocks) * table.row_pt
    _set_rules(paper, sheet.columns, edges, y, bottom)
    return bottom - 3.0


def _set_cell(
    paper: Any, column: SheetColumn, row: int, right: float, y: float, size: float, ruler: Ruler
) -> None:
    font = BOLD if column.marked[row] else PLAIN
    paper.setFont(font, size)
    paper.drawRightString(right, y, column.cells[row])
    if column.marked[row]:
        paper.setLineWidth(0.7)
        paper.line(right - ruler.width(column.cells[row], size, font), y - 1.1, right, y - 1.1)


def _runs(columns: Sequence[SheetColumn]) -> list[tuple[int, int, str]]:
    """Return the columns beside each other that share a group: first, one past the last, group."""
    runs: list[tuple[int, int, str]] = []
    for position, column in enumerate(columns):
        if runs and runs[-1][2] == column.group:
            runs[-1] = (runs[-1][0], position + 1, column.group)
        else:
            runs.append((position, position + 1, column.group))
    return runs


def _set_groups(
    paper: Any, columns: Sequence[SheetColumn], edges: Sequence[float], y: float, size: float, ruler: Ruler
) -> None:
    paper.setFont(BOLD, size * 0.92)
    for first, after, group in _runs(columns):
        room = edges[after] - edges[first] - 3.0
        paper.drawString(
            edges[first] + 2.5, y - size * 0.92 * LEADING, ruler.cut(group, size * 0.92, room, BOLD)
        )


def _set_rules(
    paper: Any, columns: Sequence[SheetColumn], edges: Sequence[float], top: float, bottom: float
) -> None:
    paper.setStrokeColor(style.FAINT_INK)
    paper.setLineWidth(0.4)
    for first, _, _ in _runs(columns):
        paper.line(edges[first] + 0.8, top - 2.0, edges[first] + 0.8, bottom)
    paper.line(MARGIN_PT, bottom, edges[-1], bottom)
    paper.setStrokeColor(style.INK)
