"""Charts of a study's page as SVG: cost by component, and bills month by month.

Owns what each chart shows. Canvas and legends are in `scheduler.report.canvas`, colours in
`scheduler.report.style`, the figures behind each chart in `scheduler.report.study_tables`.
"""

from __future__ import annotations

from collections.abc import Sequence

from scheduler.report import style
from scheduler.report.canvas import (
    LEFT_PX,
    RIGHT_PX,
    WIDE_PX,
    Canvas,
    Drawing,
    area_fill,
    both_widths,
    dash_pattern,
    round_values,
    shortened,
    text_width,
    with_tag,
    write_legend,
)
from scheduler.report.wording import fixed, plain
from scheduler.studies.tariffs import Ranked

MILLION = 1e6
BAR_PX, ROW_PX = 20.0, 46.0
"""Height of a bar, and of a contract with its name."""
SMALL_PX = 12.0
"""Size of the text of axes. [px]"""


def component_chart(ident: str, items: Sequence[Ranked], currency: str) -> Drawing:
    """Return the bill of each contract by component, income to the left of zero.

    Parameters
    ----------
    ident : str
        Name inside the page. [-]
    items : sequence of Ranked
        The contracts, in order. [-]
    currency : str
        ISO 4217 code. [-]

    Returns
    -------
    Drawing
        The chart. [-]
    """
    parts = list(dict.fromkeys(name for item in items for name in item.result.figures.by_component))
    bills = [item.result.figures.by_component for item in items]
    high = max((sum(max(a, 0.0) for a in bill.values()) for bill in bills), default=0.0) / MILLION or 1.0
    low = min((sum(min(a, 0.0) for a in bill.values()) for bill in bills), default=0.0) / MILLION
    described = "; ".join(
        f"{plain(item.case.contract_name)} {fixed(item.result.figures.bill_amount / MILLION, 2)}"
        for item in items
    )
    description = f"Bill of the year by component, million {currency}: {described}."

    def draw(canvas: Canvas) -> None:
        fills = [
            (with_tag(fill, tag), with_tag(definition, tag))
            for tag in (f"-{ident}-{canvas.width:g}",)
            for fill, definition in map(area_fill, range(len(parts)))
        ]
        canvas.parts.append(f"<defs>{''.join(definition for _, definition in fills)}</defs>")
        names = [plain(part).replace("_", " ") for part in parts]
        top = write_legend(canvas, [(n, fill, "") for n, (fill, _) in zip(names, fills, strict=True)])
        width = canvas.width - 16.0

        def place(value: float) -> float:
            return 8.0 + width * (value - low) / (high - low)

        foot = top + ROW_PX * len(items)
        for value in round_values(low, high, 5 if canvas.width >= WIDE_PX else 3):
            canvas.line(place(value), top, place(value), foot, style.GRID)
            label = f"{value:g}"
            half = text_width(label, SMALL_PX) / 2.0
            middle = min(max(place(value), 8.0 + half), canvas.width - 8.0 - half)
            canvas.text(middle, foot + 15, label, "middle", size=SMALL_PX)
        for item, bill in zip(items, bills, strict=True):
            amount = fixed(item.result.figures.bill_amount / MILLION, 2)
            room = canvas.width - text_width(amount) - 30
            canvas.text(8, top + 15, shortened(plain(item.case.contract_name), room), bold=True)
            canvas.text(canvas.width - 8, top + 15, amount, "end")
            up, down = 0.0, 0.0
            for (fill, _), part in zip(fills, parts, strict=True):
                value = bill.get(part, 0.0) / MILLION
                start = up if value >= 0 else down
                left, right = sorted((place(start), place(start + value)))
                edge = f' stroke="{style.PAPER}" stroke-width="0.8"'
                canvas.rect(left, top + 20, right - left, BAR_PX, fill, edge)
                up, down = (up + value, down) if value >= 0 else (up, down + value)
            canvas.line(place(0.0), top + 17, place(0.0), top + 23 + BAR_PX, style.INK)
            top += ROW_PX
        canvas.text(8, foot + 33, f"million {currency} a year", size=SMALL_PX)
        canvas.height = foot + 40

    return both_widths(ident, "Bill of the year by component", description, draw)


def month_chart(ident: str, items: Sequence[Ranked], currency: str) -> Drawing:
    """Return what each bill grows by from month to month.

    Parameters
    ----------
    ident : str
        Name inside the page. [-]
    items : sequence of Ranked
        The contracts, in order. [-]
    currency : str
        ISO 4217 code. [-]

    Returns
    -------
    Drawing
        The chart. [-]
    """
    months = list(dict.fromkeys(month for item in items for month in item.result.figures.months))
    lines = [[item.result.figures.months.get(m, 0.0) / MILLION for m in months] for item in items]
    every = [value for line in lines for value in line]
    low, high = min(0.0, *every), max(0.0, *every)
    high += 0.05 * (high - low or 1.0)
    worst = "; ".join(
        f"{plain(item.case.contract_name)} most in {item.result.figures.worst_month}" for item in items
    )
    description = f"Bill by month, million {currency}: {worst}."

    def draw(canvas: Canvas) -> None:
        names = [
            (plain(item.case.contract_name), style.line_style(n)[0], dash_pattern(n))
            for n, item in enumerate(items)
        ]
        top = write_legend(canvas, names, as_line=True)
        canvas.text(LEFT_PX, top + 6, f"million {currency} a month", bold=True)
        top += 16.0
        width, height = canvas.width - LEFT_PX - RIGHT_PX, 200.0

        def up(value: float) -> float:
            return top + height * (high - value) / (high - low)

        for value in round_values(low, high, 5):
            canvas.line(LEFT_PX, up(value), LEFT_PX + width, up(value), style.GRID)
            canvas.text(LEFT_PX - 5, up(value) + 4, f"{value:g}", "end", size=SMALL_PX)
        each = width / len(months)
        right = -1e9
        for position, month in enumerate(months):
            middle = LEFT_PX + each * (position + 0.5)
            half = text_width(month, SMALL_PX) / 2.0
            if right + 6 < middle - half and middle + half <= canvas.width:
                canvas.text(middle, top + height + 18, month, "middle", size=SMALL_PX)
                right = middle + half
        for n, line in enumerate(lines):
            dashes = dash_pattern(n)
            extra = f' stroke-width="2"{f" stroke-dasharray={chr(34)}{dashes}{chr(34)}" if dashes else ""}'
            corners = [
                point
                for position, value in enumerate(line)
                for point in (
                    (LEFT_PX + each * position, up(value)),
                    (LEFT_PX + each * (position + 1), up(value)),
                )
            ]
            canvas.path(corners, style.line_style(n)[0], extra)
        canvas.line(LEFT_PX, up(0.0), LEFT_PX + width, up(0.0), style.INK)
        canvas.height = top + height + 26

    return both_widths(ident, "Bill by month", description, draw)
