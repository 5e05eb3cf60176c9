"""Charts of the page as SVG: shapes and text only, no script, no outside file.

Owns the drawing for the page, once for wide and once for narrow screens, each with title and description for
readers who do not see it. Colours are in `scheduler.report.style`, the figures behind each chart in
`scheduler.report.figures`; the tables that go with them in `scheduler.report.page`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from models.horizon import Array
from models.pieces import Stock
from scheduler.report import style
from scheduler.report.chart import TimeAxis, time_ticks
from scheduler.report.figures import (
    Loading,
    circuit_names,
    edges_min,
    full_load_ka,
    load_variable,
    loadings,
    on_horizon,
    plan_mask,
    saving,
)
from scheduler.report.topics import energy_per_tonne
from scheduler.report.wording import fixed, plain
from scheduler.result import Plan

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


def _drawn(ident: str, title: str, description: str, draw: Callable[[Canvas], None]) -> Drawing:
    made = []
    for name, width in (("wide", WIDE_PX), ("narrow", NARROW_PX)):
        canvas = Canvas(width)
        draw(canvas)
        made.append(canvas.svg(f"{ident}-{name}", title, description))
    return Drawing(ident, title, description, *made)


@dataclass(frozen=True, eq=False)
class _Panel:
    """A panel of a chart: where time runs across and values up."""

    canvas: Canvas
    axis: TimeAxis
    left: float
    top: float
    width: float
    height: float
    low: float
    high: float

    def x(self, minutes: Array) -> Array:
        """Return places of instants. [px]."""
        return self.left + self.axis.place(minutes) * self.width

    def y(self, value: float) -> float:
        """Return the place of a value. [px]."""
        return self.top + self.height * (self.high - value) / ((self.high - self.low) or 1.0)

    def frame(self, ticks: Sequence[tuple[float, str]]) -> None:
        """Draw ground, look-ahead, grid of time and the end of the plan day."""
        canvas = self.canvas
        if self.axis.share < 1.0:
            start = self.left + self.axis.share * self.width
            canvas.rect(
                start, self.top, self.width * (1 - self.axis.share), self.height, style.LOOK_AHEAD_FILL
            )
        for place, _ in ticks:
            at = self.left + place * self.width
            canvas.line(at, self.top, at, self.top + self.height, style.GRID)
        canvas.line(
            self.left, self.top + self.height, self.left + self.width, self.top + self.height, style.FAINT_INK
        )

    def boundary(self) -> None:
        """Draw the end of the plan day."""
        if self.axis.share < 1.0:
            at = self.left + self.axis.share * self.width
            self.canvas.line(at, self.top, at, self.top + self.height, style.INK, ' stroke-width="1.6"')

    def steps(self, edges: Array, values: Array) -> list[tuple[float, float]]:
        """Return the corners of a line of steps. [px]."""
        places = self.x(edges)
        corners = []
        for t, value in enumerate(values.tolist()):
            corners += [(float(places[t]), self.y(value)), (float(places[t + 1]), self.y(value))]
        return corners


LEFT_PX, RIGHT_PX = 46.0, 8.0


def _time_labels(canvas: Canvas, plan: Plan, axis: TimeAxis, top: float, width: float) -> float:
    """Write hours and days below the last panel; return where the next thing may stand."""
    hours_right = days_right = -1e9
    for place, label in time_ticks(plan, axis, width / PX_PER_IN):
        hour, _, day = label.partition("\n")
        at = LEFT_PX + place * width
        # A label that would run into the one before it, or off the page, gives way.
        half = text_width(hour, 12) / 2
        if hours_right + 3 < at - half and at + half <= canvas.width:
            canvas.text(at, top + 18, hour, "middle", size=12)
            hours_right = at + half
            half = text_width(day, 12) / 2
            if day and days_right + 4 < at - half and at + half <= canvas.width:
                canvas.text(at, top + 32, day, "middle", size=12)
                days_right = at + half
    return top + 39


def _nice(low: float, high: float, count: int) -> list[float]:
    """Return round values inside a range."""
    span = (high - low) or 1.0
    raw = span / count
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(m * power for m in (1, 2, 2.5, 5, 10) if m * power >= raw)
    first = np.ceil(low / step) * step
    # Adding 0 turns a negative zero into zero.
    return [round(float(v), 9) + 0.0 for v in np.arange(first, high + step * 1e-6, step)]


def load_chart(plan: Plan) -> Drawing:
    """Return load of every circuit against the energy price.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Drawing
        The chart. [-]
    """
    names = circuit_names(plan)
    price = plan.energy_price_per_mwh
    day = price[: plan.horizon.plan_intervals]
    description = (
        f"Above: energy price, on the plan day from {fixed(float(day.min()), 2)} to "
        f"{fixed(float(day.max()), 2)} {plan.site.contract.currency}/MWh. Below: load of "
        f"{', '.join(plain(name) for name in names)}; each lane is as high as the circuit's full load."
    )

    def draw(canvas: Canvas) -> None:
        axis, edges = TimeAxis.of(plan), edges_min(plan)
        width = canvas.width - LEFT_PX - RIGHT_PX
        ticks = time_ticks(plan, axis, width / PX_PER_IN)
        top = _price_panel(canvas, plan, axis, ticks, width)
        for name in names:
            top = _lane(canvas, plan, axis, ticks, name, top, edges, width)
        canvas.height = _time_labels(canvas, plan, axis, top - 8, width)

    return _drawn("load", "Load of each circuit against the energy price", description, draw)


def _price_panel(
    canvas: Canvas, plan: Plan, axis: TimeAxis, ticks: Sequence[tuple[float, str]], width: float
) -> float:
    price = plan.energy_price_per_mwh
    low, high = min(float(price.min()), 0.0), max(float(price.max()), 0.0)
    pad = 0.06 * (high - low or 1.0)
    panel = _Panel(canvas, axis, LEFT_PX, 24.0, width, 130.0, low - pad, high + pad)
    heading = f"Energy price, {plan.site.contract.currency}/MWh"
    canvas.text(LEFT_PX, 15, heading, bold=True)
    panel.frame(ticks)
    _value_axis(panel, 5)
    edges = edges_min(plan)
    places = panel.x(edges)
    for t in np.flatnonzero(price < 0):
        canvas.rect(
            float(places[t]),
            panel.top,
            float(places[t + 1] - places[t]) + 0.3,
            panel.height,
            style.NEGATIVE_FILL,
        )
    if low < 0:
        canvas.line(LEFT_PX, panel.y(0.0), LEFT_PX + width, panel.y(0.0), style.INK)
    canvas.path(panel.steps(edges, price), style.INK, ' stroke-width="1.8"')
    panel.boundary()
    if axis.share < 1.0:
        at = LEFT_PX + axis.share * width
        text = "look-ahead" if canvas.width < WIDE_PX else "look-ahead, hours drawn narrower"
        if at + 6 > LEFT_PX + text_width(heading) + 10 and at + 6 + text_width(text, 12) < canvas.width:
            canvas.text(at + 6, 15, text, size=12)
    return panel.top + panel.height + 12


def _value_axis(panel: _Panel, count: int) -> None:
    for value in _nice(panel.low, panel.high, count):
        at = panel.y(value)
        if panel.top + 4 <= at <= panel.top + panel.height - 2 or value == panel.low:
            panel.canvas.line(panel.left, at, panel.left + panel.width, at, style.GRID)
            panel.canvas.text(panel.left - 5, at + 4, f"{value:g}", "end", size=12)


def _lane(
    canvas: Canvas,
    plan: Plan,
    axis: TimeAxis,
    ticks: Sequence[tuple[float, str]],
    name: str,
    top: float,
    edges: Array,
    width: float,
) -> float:
    full = full_load_ka(plan, name)
    load = on_horizon(plan, load_variable(plan, name))
    panel = _Panel(canvas, axis, LEFT_PX, top + 20, width, 46.0, 0.0, full)
    decimals = 0 if full >= 100.0 else 1
    top_words = "full" if canvas.width < WIDE_PX else "top of the lane: full load"
    heading = f"{plain(name)}, kA ({top_words} {fixed(full, decimals)})"
    canvas.text(LEFT_PX, top + 13, shortened(heading, canvas.width - LEFT_PX), bold=True)
    panel.frame(ticks)
    corners = panel.steps(edges, load)
    foot = panel.y(0.0)
    canvas.area([(corners[0][0], foot), *corners, (corners[-1][0], foot)], style.LOAD_FILL)
    canvas.path(corners, style.LOAD_EDGE, ' stroke-width="1.8"')
    upper = np.zeros(len(plan.horizon))
    variable = load_variable(plan, name)
    upper[variable.intervals] = variable.upper
    places = panel.x(edges)
    for t in np.flatnonzero(upper <= 0):
        canvas.rect(
            float(places[t]), panel.top, float(places[t + 1] - places[t]) + 0.3, panel.height, style.GRID
        )
    canvas.text(LEFT_PX - 5, panel.y(0.0) - 1, "0", "end", size=12)
    _lane_numbers(panel, load[: plan.horizon.plan_intervals], places, full, decimals)
    panel.boundary()
    return panel.top + panel.height + 8


def _lane_numbers(panel: _Panel, load: Array, places: Array, full: float, decimals: int) -> None:
    first = 0
    for after in range(1, len(load) + 1):
        if after < len(load) and abs(load[after] - load[first]) < 0.005 * full:
            continue
        text = fixed(float(load[first]), decimals)
        room = float(places[after] - places[first])
        if room > text_width(text, 12) + 6 and panel.y(0.0) - panel.y(float(load[first])) > 16:
            middle = float(places[first] + places[after]) / 2
            panel.canvas.text(middle, panel.y(0.0) - 4, text, "middle", size=12)
        first = after


def stock_chart(plan: Plan) -> Drawing:
    """Return every stock against its limits, with windows and hours of loading.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Drawing
        The chart. [-]
    """
    stocks = plan.declaration.stocks
    description = (
        "One panel for each stock, over the horizon. Grey: outside the limits. Bars below a level: windows "
        f"of orders, filled where they are loaded. Stocks: {', '.join(plain(stock.key) for stock in stocks)}."
    )

    def draw(canvas: Canvas) -> None:
        axis = TimeAxis.of(plan)
        width = canvas.width - LEFT_PX - RIGHT_PX
        ticks = time_ticks(plan, axis, width / PX_PER_IN)
        top = 0.0
        for stock in stocks:
            top = _stock_panel(canvas, plan, axis, ticks, stock, top, width)
        canvas.height = _time_labels(canvas, plan, axis, top - 8, width)

    return _drawn("stocks", "Stocks against their limits, with loading windows", description, draw)


def _stock_panel(
    canvas: Canvas,
    plan: Plan,
    axis: TimeAxis,
    ticks: Sequence[tuple[float, str]],
    stock: Stock,
    top: float,
    width: float,
) -> float:
    edges = edges_min(plan)
    levels = np.concatenate([[stock.initial], plan.audit.values[stock.key]])
    lower = np.where(np.isfinite(stock.lower), stock.lower, np.minimum(levels[1:], 0.0))
    upper = np.where(np.isfinite(stock.upper), stock.upper, max(float(levels.max()) * 1.1, 1.0))
    low = min(float(lower.min()), float(levels.min()), 0.0)
    high = max(float(upper.max()), float(levels.max()))
    pad = 0.05 * (high - low or 1.0)
    panel = _Panel(canvas, axis, LEFT_PX, top + 20, width, 78.0, low, high + pad)
    unit = plain(stock.unit)
    heading = (
        f"{plain(stock.key)}, {unit}: {fixed(stock.initial, 0, True)} to {fixed(float(levels[-1]), 0, True)}"
    )
    canvas.text(LEFT_PX, top + 13, shortened(heading, canvas.width - LEFT_PX), bold=True)
    panel.frame(ticks)
    places = panel.x(edges)
    foot, head = panel.top + panel.height, panel.top
    for limit, rim in ((lower, foot), (upper, head)):
        corners = panel.steps(edges, limit)
        canvas.area([(corners[0][0], rim), *corners, (corners[-1][0], rim)], style.GRID)
        canvas.path(corners, style.FAINT_INK, ' stroke-width="1" stroke-dasharray="3 2"')
    tops = [(float(lower[0]), panel.y(float(lower[0]))), (float(upper[0]), panel.y(float(upper[0])))]
    for value, at in tops if tops[0][1] - tops[1][1] > 14 else tops[1:]:
        canvas.text(LEFT_PX - 5, at + 4, f"{value:.0f}", "end", size=12)
    line = [(float(x), panel.y(float(level))) for x, level in zip(places, levels, strict=True)]
    canvas.path(line, style.LINES[0], ' stroke-width="2"')
    panel.boundary()
    rows = _loading_rows([each for each in loadings(plan) if each.commodity == stock.commodity], plan)
    for number, row in enumerate(rows):
        for loading in row:
            _loading_bar(panel, plan, loading, foot + 3 + number * 9)
    return foot + 9 * len(rows) + 10


def _loading_rows(found: Sequence[Loading], plan: Plan) -> list[list[Loading]]:
    """Return lots in rows, so that windows in one row do not overlap."""
    rows: list[list[Loading]] = []
    for loading in found:
        row = next((r for r in rows if r[-1].window_end_min <= loading.window_start_min), None)
        if row is None:
            rows.append([loading])
        else:
            row.append(loading)
    return rows


def _loading_bar(panel: _Panel, plan: Plan, loading: Loading, top: float) -> None:
    start = max(float(loading.window_start_min), panel.axis.start)
    end = min(float(loading.window_end_min), panel.axis.end)
    left, right = (float(x) for x in panel.x(np.array([start, end])))
    words = f"{plain(loading.lot)}: {fixed(loading.quantity_t, 1)} t by {loading.mode}"
    panel.canvas.parts.append(f"<g><title>{escape(words)}</title>")
    panel.canvas.rect(
        left, top, right - left, 6, style.PAPER, f' stroke="{style.FAINT_INK}" stroke-width="0.8"'
    )
    edges = panel.x(edges_min(plan))
    for t in loading.intervals(plan_mask(plan) | True):
        panel.canvas.rect(float(edges[t]), top, float(edges[t + 1] - edges[t]) + 0.2, 6, style.LINES[1])
    panel.canvas.parts.append("</g>")


def _legend(
    canvas: Canvas, entries: Sequence[tuple[str, str, str]], top: float = 4.0, as_line: bool = False
) -> float:
    """Write names beside samples, in rows; return where the chart may begin."""
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


def _dashes(position: int) -> str:
    pattern = style.line_style(position)[1]
    return "" if isinstance(pattern, str) else " ".join(f"{length * 1.4:g}" for length in pattern[1])


def _fill(position: int) -> tuple[str, str]:
    """Return the fill of the n-th area and the definition it needs: stripes once the colours are used up."""
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


def power_chart(plan: Plan) -> Drawing:
    """Return the AC power of each circuit and the rest of the import, one upon the other.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Drawing
        The chart. [-]
    """
    names = circuit_names(plan)
    total = plan.audit.values[plan.site.meter]
    description = (
        f"AC power of {', '.join(plain(name) for name in names)}, auxiliaries left out, one upon the other; "
        "above them auxiliaries and other load up to the metered import, drawn as a line. Highest import "
        f"{fixed(float(total.max()), 2)} MW."
    )

    def draw(canvas: Canvas) -> None:
        axis, edges = TimeAxis.of(plan), edges_min(plan)
        width = canvas.width - LEFT_PX - RIGHT_PX
        ticks = time_ticks(plan, axis, width / PX_PER_IN)
        fills = [_fill(position) for position in range(len(names))]
        # Names inside the page are unique: each width has its own patterns.
        tag = f"-{canvas.width:g}"
        fills = [(_tagged(fill, tag), _tagged(definition, tag)) for fill, definition in fills]
        canvas.parts.append(f"<defs>{''.join(definition for _, definition in fills)}</defs>")
        rest = ("auxiliaries and other load", style.GRID, "")
        legend = [(plain(name), fill, "") for name, (fill, _) in zip(names, fills, strict=True)]
        top = _legend(canvas, [*legend, rest])
        canvas.text(LEFT_PX, top + 6, "MW", bold=True)
        panel = _Panel(canvas, axis, LEFT_PX, top + 14, width, 210.0, 0.0, float(total.max()) * 1.05 or 1.0)
        panel.frame(ticks)
        _value_axis(panel, 5)
        below = np.zeros(len(plan.horizon))
        for name, (fill, _) in zip(names, fills, strict=True):
            above = below + plan.audit.simulations[name].readings["ac_power_mw"]
            canvas.area([*panel.steps(edges, above), *reversed(panel.steps(edges, below))], fill)
            canvas.path(panel.steps(edges, above), style.PAPER, ' stroke-width="0.8"')
            below = above
        canvas.area([*panel.steps(edges, total), *reversed(panel.steps(edges, below))], style.GRID)
        canvas.path(panel.steps(edges, total), style.INK, ' stroke-width="1.8"')
        panel.boundary()
        canvas.height = _time_labels(canvas, plan, axis, panel.top + panel.height, width)

    return _drawn("power", "Power by circuit", description, draw)


def _tagged(text: str, tag: str) -> str:
    """Return names of patterns with a tag."""
    return text.replace("#stripes-", f"#stripes{tag}-").replace('"stripes-', f'"stripes{tag}-')


def energy_chart(plan: Plan) -> Drawing:
    """Return the DC energy per tonne of chlorine of every circuit.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Drawing
        The chart. [-]
    """
    names = circuit_names(plan)
    values = {name: energy_per_tonne(plan, name) for name in names}
    ranges = []
    for name, each in values.items():
        if np.any(np.isfinite(each)):
            span = f"{fixed(float(np.nanmin(each)), 0)} to {fixed(float(np.nanmax(each)), 0)}"
            ranges.append(f"{plain(name)} {span}")
    description = f"DC energy per tonne of chlorine over the horizon, kWh/t: {'; '.join(ranges)}."

    def draw(canvas: Canvas) -> None:
        axis, edges = TimeAxis.of(plan), edges_min(plan)
        width = canvas.width - LEFT_PX - RIGHT_PX
        ticks = time_ticks(plan, axis, width / PX_PER_IN)
        finite = np.concatenate([each[np.isfinite(each)] for each in values.values()] or [np.zeros(1)])
        low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
        # A plant at even load must not look restless: the axis spans 2 % of the energy at least.
        pad = max(0.08 * (high - low), 0.01 * high)
        styles = [style.line_style(position) for position in range(len(names))]
        top = _legend(
            canvas,
            [(plain(n), styles[i][0], _dashes(i)) for i, n in enumerate(names)],
            as_line=True,
        )
        heading = "kWh/t Cl2, DC (the axis does not begin at 0)"
        canvas.text(LEFT_PX, top + 6, heading if canvas.width >= WIDE_PX else "kWh/t, not from 0", bold=True)
        panel = _Panel(canvas, axis, LEFT_PX, top + 14, width, 190.0, low - pad, high + pad)
        panel.frame(ticks)
        _value_axis(panel, 5)
        for position, name in enumerate(names):
            dashes = _dashes(position)
            extra = f' stroke-width="2"{f" stroke-dasharray={quoteattr(dashes)}" if dashes else ""}'
            each = values[name]
            runs = np.flatnonzero(np.isfinite(each))
            for run in np.split(runs, np.flatnonzero(np.diff(runs) > 1) + 1) if runs.size else []:
                span = slice(int(run[0]), int(run[-1]) + 1)
                line = panel.steps(edges[span.start : span.stop + 1], each[span])
                canvas.path(line, styles[position][0], extra)
        panel.boundary()
        canvas.height = _time_labels(canvas, plan, axis, panel.top + panel.height, width)

    return _drawn("energy", "Energy per tonne", description, draw)


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

    return _drawn(ident, title, description, draw)


def money_chart(plan: Plan) -> Drawing:
    """Return where the money goes: cost of the horizon by group.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Drawing
        The chart. [-]
    """
    groups = sorted(plan.audit.costs.items(), key=lambda group: -group[1])
    entries = [(group, amount) for group, amount in groups if abs(amount) >= 0.5]
    return bars(
        "money", "Cost of the horizon by group; income is negative", entries, plan.site.contract.currency
    )


def habit_chart(plan: Plan) -> Drawing | None:
    """Return what other ways of running cost more than the plan.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Drawing or None
        The chart; None if there is nothing to compare with. [-]
    """
    entries = [
        (plain(comparison.name), amount)
        for comparison in plan.comparisons
        if (amount := saving(plan, comparison)) is not None
    ]
    if not entries:
        return None
    return bars(
        "habit", "What other ways of running cost more than the plan", entries, plan.site.contract.currency
    )
