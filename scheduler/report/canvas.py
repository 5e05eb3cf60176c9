"""Shapes and text from which the charts of pages are made, as SVG without script or outside file.

Owns the canvas, the two widths for which every chart is drawn, round values of axes, legends, fills and plain
bars. Colours are in `scheduler.report.style`, the charts themselves in `svg` (a plan) and `study_charts`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from scheduler.report import style
from scheduler.report.wording import fixed

LEFT_PX, RIGHT_PX = 46.0, 8.0
"""Room beside the panels of a chart. [px]"""
WIDE_PX, NARROW_PX = 860, 340
"""Widths for which each chart is drawn. [px]"""
TEXT_PX = 13.0
"""Size of text. [px]"""
LETTER = 0.58
"""Width of a letter as a share of its size, on the safe side for common sans-serif fonts. [-]"""
PX_PER_IN = 96.0
"""CSS pixels of an inch (W3C CSS Values). [1/in]"""


@dataclass(frozen=True)
class Drawing:
    """A chart for the page.

    Parameters
    ----------
    ident : str
        Name inside the page. [-]
    title, description : str
        Text alternative, short and long. [-]
    wide, narrow : str
        SVG for either width. [-]
    """

    ident: str
    title: str
    description: str
    wide: str
    narrow: str


@dataclass
class Canvas:
    """SVG under way.

    Parameters
    ----------
    width, height : float
        Size. [px]
    parts : list of str
        Elements so far. [-]
    """

    width: float
    height: float = 0.0
    parts: list[str] = field(default_factory=list)

    def rect(self, x: float, y: float, width: float, height: float, fill: str, extra: str = "") -> None:
        """Add a filled rectangle.

        Parameters
        ----------
        x, y, width, height : float
            Place and size. [px]
        fill : str
            Colour or pattern. [-]
        extra : str
            Further attributes. [-]
        """
        self.parts.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{max(width, 0.0):.1f}" height="{max(height, 0.0):.1f}" '
            f'fill="{fill}"{extra}/>'
        )

    def line(self, x1: float, y1: float, x2: float, y2: float, colour: str, extra: str = "") -> None:
        """Add a straight line.

        Parameters
        ----------
        x1, y1, x2, y2 : float
            Ends. [px]
        colour : str
            Colour. [-]
        extra : str
            Further attributes. [-]
        """
        self.parts.append(
            f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}"{extra}/>'
        )

    def path(self, points: Iterable[tuple[float, float]], colour: str, extra: str = "") -> None:
        """Add an open line through points.

        Parameters
        ----------
        points : iterable of (float, float)
            Points. [px]
        colour : str
            Colour. [-]
        extra : str
            Further attributes. [-]
        """
        steps = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.parts.append(f'<polyline points="{steps}" fill="none" stroke="{colour}"{extra}/>')

    def area(self, points: Iterable[tuple[float, float]], fill: str) -> None:
        """Add a filled area.

        Parameters
        ----------
        points : iterable of (float, float)
            Its corners. [px]
        fill : str
            Colour or pattern. [-]
        """
        steps = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.parts.append(f'<polygon points="{steps}" fill="{fill}"/>')

    def text(
        self, x: float, y: float, words: str, anchor: str = "start", bold: bool = False, size: float = TEXT_PX
    ) -> None:
        """Add a line of text.

        Parameters
        ----------
        x, y : float
            Place of its foot. [px]
        words : str
            Text. [-]
        anchor : str
            'start', 'middle' or 'end'. [-]
        bold : bool
            Whether it is a heading. [-]
        size : float
            Size. [px]
        """
        weight = ' font-weight="600"' if bold else ""
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size:g}"{weight} '
            f'fill="{style.INK}">{escape(words)}</text>'
        )

    def svg(self, ident: str, title: str, description: str) -> str:
        """Return the drawing with its text alternatives.

        Parameters
        ----------
        ident : str
            Name inside the page. [-]
        title, description : str
            What it is, and what it shows. [-]

        Returns
        -------
        str
            An `svg` element. [-]
        """
        labels = quoteattr(f"{ident}-title {ident}-desc")
        return (
            f'<svg viewBox="0 0 {self.width:g} {self.height:g}" role="img" aria-labelledby={labels} '
            f'xmlns="http://www.w3.org/2000/svg" font-family="inherit">'
            f"<title id={quoteattr(ident + '-title')}>{escape(title)}</title>"
            f"<desc id={quoteattr(ident + '-desc')}>{escape(description)}</desc>"
            f"{''.join(self.parts)}</svg>"
        )


def text_width(words: str, size: float = TEXT_PX) -> float:
    """Return about how wide a text is, rather too wide than too narrow.

    Parameters
    ----------
    words : str
        Text. [-]
    size : float
        Size. [px]

    Returns
    -------
    float
        Width. [px]
    """
    return len(words) * size * LETTER


def shortened(words: str, width: float, size: float = TEXT_PX) -> str:
    """Return a text that fits a width; two points stand for what was cut.

    Parameters
    ----------
    words : str
        Text. [-]
    width : float
        Width. [px]
    size : float
        Size. [px]

    Returns
    -------
    str
        The text or its beginning. [-]
    """
    most = max(int(width / (size * LETTER)), 3)
    return words if len(words) <= most else words[: most - 2] + ".."


def both_widths(ident: str, title: str, description: str, draw: Callable[[Canvas], None]) -> Drawing:
    """Draw a chart for both widths.

    Parameters
    ----------
    ident : str
        Name inside the page. [-]
    title, description : str
        Text alternative, short and long. [-]
    draw : callable
        Fills a canvas of given width and sets its height. [-]

    Returns
    -------
    Drawing
        The chart. [-]
    """
    made = []
    for name, width in (("wide", WIDE_PX), ("narrow", NARROW_PX)):
        canvas = Canvas(width)
        draw(canvas)
        made.append(canvas.svg(f"{ident}-{name}", title, description))
    return Drawing(ident, title, description, *made)


def round_values(low: float, high: float, count: int) -> list[float]:
    """Return round values inside a range, for the marks of an axis.

    Parameters
    ----------
    low, high : float
        The range. [-]
    count : int
        About how many values, 1 or more. [-]

    Returns
    -------
    list of float
        The values, in order. [-]
    """
    span = (high - low) or 1.0
    raw = span / count
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(m * power for m in (1, 2, 2.5, 5, 10) if m * power >= raw)
    first = np.ceil(low / step) * step
    # Adding 0 turns a negative zero into zero.
    return [round(float(v), 9) + 0.0 for v in np.arange(first, high + step * 1e-6, step)]


def write_legend(
    canvas: Canvas, entries: Sequence[tuple[str, str, str]], top: float = 4.0, as_line: bool = False
) -> float:
    """Write names beside samples, in rows.

    Parameters
    ----------
    canvas : Canvas
        The drawing. [-]
    entries : sequence of (str, str, str)
        Name, colour or pattern, and dashes of each. [-]
    top : float
        Where it begins. [px]
    as_line : bool
        Whether samples are lines, not areas. [-]

    Returns
    -------
    float
        Where the chart may begin. [px]
    """
    x, y = LEFT_PX, top
    for name, colour, dashes in entries:
        name = shortened(name, canvas.width - LEFT_PX - 40)
        wide = 30 + text_width(name) + 14
        if x > LEFT_PX and x + wide > canvas.width:
            x, y = LEFT_PX, y + 20
        if as_line:
            dash = f' stroke-dasharray="{dashes}"' if dashes else ""
            canvas.line(x, y + 7, x + 24, y + 7, colour, f' stroke-width="2.4"{dash}')
        else:
            canvas.rect(x, y, 24, 13, colour, f' stroke="{style.INK}" stroke-width="0.6"')
        canvas.text(x + 30, y + 12, name)
        x += wide
    return y + 28


def dash_pattern(position: int) -> str:
    """Return the dashes of the n-th line.

    Parameters
    ----------
    position : int
        Number of the line, from 0. [-]

    Returns
    -------
    str
        Lengths of dashes and gaps; empty for a solid line. [px]
    """
    pattern = style.line_style(position)[1]
    return "" if isinstance(pattern, str) else " ".join(f"{length * 1.4:g}" for length in pattern[1])


def area_fill(position: int) -> tuple[str, str]:
    """Return the fill of the n-th area and the definition it needs: stripes once the colours are used up.

    Parameters
    ----------
    position : int
        Number of the area, from 0. [-]

    Returns
    -------
    tuple of (str, str)
        Fill, and the definition of its pattern (empty for a plain colour). [-]
    """
    colour = style.LINES[position % len(style.LINES)]
    if position < len(style.LINES):
        return colour, ""
    turn = 45 * (position // len(style.LINES))
    name = f"stripes-{position}"
    return (
        f"url(#{name})",
        f'<pattern id="{name}" width="6" height="6" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate({turn})"><rect width="6" height="6" fill="{style.PAPER}"/>'
        f'<rect width="3" height="6" fill="{colour}"/></pattern>',
    )


def with_tag(text: str, tag: str) -> str:
    """Return names of patterns with a tag: names inside a page are unique, and each width has its own.

    Parameters
    ----------
    text : str
        Fill or definition as `area_fill` gave it. [-]
    tag : str
        What to add. [-]

    Returns
    -------
    str
        The same with the tag. [-]
    """
    return text.replace("#stripes-", f"#stripes{tag}-").replace('"stripes-', f'"stripes{tag}-')


def bars(ident: str, title: str, entries: Sequence[tuple[str, float]], unit: str) -> Drawing:
    """Return amounts as bars from a common zero, with the amount beside each.

    Parameters
    ----------
    ident, title : str
        Name inside the page, and what it is. [-]
    entries : sequence of (str, float)
        Names and amounts. [unit]
    unit : str
        Unit of the amounts. [-]

    Returns
    -------
    Drawing
        The chart. [-]
    """
    listed = "; ".join(f"{name} {fixed(value, 0, True)}" for name, value in entries)
    description = f"{title}, {unit}: {listed}."
    most = max((value for _, value in entries), default=0.0)
    least = min((value for _, value in entries), default=0.0)
    high, low = max(most, 0.0), min(least, 0.0)

    def draw(canvas: Canvas) -> None:
        width = canvas.width - 16.0
        zero = 8.0 + width * (-low) / ((high - low) or 1.0)
        top = 0.0
        for name, value in entries:
            amount = f"{fixed(value, 0, True)} {unit}"
            label = shortened(name, canvas.width - text_width(amount) - 30)
            canvas.text(8, top + 14, label, bold=True)
            canvas.text(canvas.width - 8, top + 14, amount, "end")
            long = abs(value) / ((high - low) or 1.0) * width
            left = zero if value >= 0 else zero - long
            canvas.rect(left, top + 20, long, 14, style.LINES[0] if value >= 0 else style.LINES[1])
            canvas.line(zero, top + 18, zero, top + 36, style.INK, ' stroke-width="1.6"')
            top += 44.0
        canvas.height = max(top, 20.0)

    return both_widths(ident, title, description, draw)
