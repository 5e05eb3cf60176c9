"""Charts of a plan's page as SVG, each with title and description for readers who do not see it.

Owns what each chart shows. Canvas and legends are in `scheduler.report.canvas`, colours in
`scheduler.report.style`, the figures behind each chart in `scheduler.report.figures`; the tables that go with
them in `scheduler.report.page`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from models.horizon import Array
from models.pieces import Stock
from scheduler.report import style
from scheduler.report.canvas import (
    LEFT_PX,
    PX_PER_IN,
    RIGHT_PX,
    WIDE_PX,
    Canvas,
    Drawing,
    area_fill,
    bars,
    both_widths,
    dash_pattern,
    round_values,
    shortened,
    text_width,
    with_tag,
    write_legend,
)
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

    return both_widths("load", "Load of each circuit against the energy price", description, draw)


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
    for value in round_values(panel.low, panel.high, count):
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

    return both_widths("stocks", "Stocks against their limits, with loading windows", description, draw)


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
        fills = [area_fill(position) for position in range(len(names))]
        tag = f"-{canvas.width:g}"
        fills = [(with_tag(fill, tag), with_tag(definition, tag)) for fill, definition in fills]
        canvas.parts.append(f"<defs>{''.join(definition for _, definition in fills)}</defs>")
        rest = ("auxiliaries and other load", style.GRID, "")
        legend = [(plain(name), fill, "") for name, (fill, _) in zip(names, fills, strict=True)]
        top = write_legend(canvas, [*legend, rest])
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

    return both_widths("power", "Power by circuit", description, draw)


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
        top = write_legend(
            canvas,
            [(plain(n), styles[i][0], dash_pattern(i)) for i, n in enumerate(names)],
            as_line=True,
        )
        heading = "kWh/t Cl2, DC (the axis does not begin at 0)"
        canvas.text(LEFT_PX, top + 6, heading if canvas.width >= WIDE_PX else "kWh/t, not from 0", bold=True)
        panel = _Panel(canvas, axis, LEFT_PX, top + 14, width, 190.0, low - pad, high + pad)
        panel.frame(ticks)
        _value_axis(panel, 5)
        for position, name in enumerate(names):
            dashes = dash_pattern(position)
            extra = f' stroke-width="2"{f" stroke-dasharray={quoteattr(dashes)}" if dashes else ""}'
            each = values[name]
            runs = np.flatnonzero(np.isfinite(each))
            for run in np.split(runs, np.flatnonzero(np.diff(runs) > 1) + 1) if runs.size else []:
                span = slice(int(run[0]), int(run[-1]) + 1)
                line = panel.steps(edges[span.start : span.stop + 1], each[span])
                canvas.path(line, styles[position][0], extra)
        panel.boundary()
        canvas.height = _time_labels(canvas, plan, axis, panel.top + panel.height, width)

    return both_widths("energy", "Energy per tonne", description, draw)


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
