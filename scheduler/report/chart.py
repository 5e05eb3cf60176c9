"""The chart of a plan: price, load of every circuit and stocks over local time, as one PNG.

Owns the drawing. Colours are in `scheduler.report.style`, figures in `scheduler.report.figures`. The drawing
library is loaded on first use, because the rest of a run does not need it.
"""

from __future__ import annotations

import datetime as dt
import io
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from models.horizon import Array, Mask, instant_of
from models.pieces import Stock
from scheduler.report import style
from scheduler.report.cautions import SHORT_CAUTION
from scheduler.report.figures import (
    circuit_names,
    edges_min,
    full_load_ka,
    load_variable,
    on_horizon,
    plan_day_end_min,
)
from scheduler.report.wording import MONTHS, WEEKDAYS, fixed, plain
from scheduler.result import Plan, Status

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PLAN_DAY_SHARE = 0.62
"""Least share of the width for the plan day: it is what the shift runs."""
MARGIN_IN, LEFT_IN, PANEL_WIDTH_IN = 0.25, 1.35, 8.9
"""Page margin, left edge and width of the panels. [in]"""
HEAD_IN, PRICE_IN, STOCKS_IN, GAP_IN, LANE_IN, FOOT_LINE_IN = 1.15, 1.6, 2.1, 0.3, 0.62, 0.125
"""Heights: head, price panel, stock panel, gap of panels, least lane of a circuit, footnote line. [in]"""
NUMBER_IN = 0.12
"""Height of a number inside a lane. [in]"""
LANE_FILL = 0.82
"""Share of a lane's height that full load takes. [-]"""
TICK_STEPS_H = (1, 2, 3, 6, 12, 24, 48, 168)
"""Distances between ticks, of which the first that leaves room for the labels is taken. [h]"""


@dataclass(frozen=True, eq=False)
class TimeAxis:
    """Where instants stand on the chart: the plan day may be drawn wider than the look-ahead.

    Parameters
    ----------
    start, boundary, end : float
        Start of the horizon, end of the plan day, end of the horizon. [min]
    share : float
        Share of the width for the plan day. [-]
    """

    start: float
    boundary: float
    end: float
    share: float

    @classmethod
    def of(cls, plan: Plan) -> TimeAxis:
        """Return the axis of a plan.

        Parameters
        ----------
        plan : Plan
            The plan. [-]

        Returns
        -------
        TimeAxis
            The axis. [-]
        """
        start, end = float(plan.horizon.start_min), float(plan.horizon.end_min)
        boundary = float(plan_day_end_min(plan))
        true_share = (boundary - start) / (end - start)
        return cls(start, boundary, end, 1.0 if boundary == end else max(PLAN_DAY_SHARE, true_share))

    @property
    def stretched(self) -> bool:
        """Whether an hour of the look-ahead is drawn narrower than one of the plan day. [-]."""
        return self.share > (self.boundary - self.start) / (self.end - self.start) + 1e-9

    def place(self, minutes: Array) -> Array:
        """Return the position of instants as a share of the width.

        Parameters
        ----------
        minutes : ndarray
            Instants since 1970-01-01T00:00Z. Shape (m,). [min]

        Returns
        -------
        ndarray
            Positions from 0 to 1. Shape (m,). [-]
        """
        if self.boundary == self.end:
            return np.interp(minutes, [self.start, self.end], [0.0, 1.0])
        return np.interp(minutes, [self.start, self.boundary, self.end], [0.0, self.share, 1.0])


def chart_png(plan: Plan, notes: Iterable[str] = ()) -> bytes:
    """Return the chart of a plan as a PNG; the same plan gives the same bytes.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    notes : iterable of str
        Sentences beyond the site's own notes. [-]

    Returns
    -------
    bytes
        The PNG. [-]
    """
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    with style.drawing():
        matplotlib.rcParams["hatch.linewidth"] = 0.6
        figure = chart_figure(plan, notes)
        target = io.BytesIO()
        FigureCanvasAgg(figure)
        # Without this entry the library would write its version into the file.
        figure.savefig(target, format="png", metadata={"Software": None})
    return target.getvalue()


def write_chart(plan: Plan, path: Path, notes: Iterable[str] = ()) -> None:
    """Write the chart of a plan.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    path : Path
        File to write. [-]
    notes : iterable of str
        Sentences beyond the site's own notes. [-]
    """
    path.write_bytes(chart_png(plan, notes))


def chart_figure(plan: Plan, notes: Iterable[str] = ()) -> Figure:
    """Return the chart of a plan as a figure of the drawing library.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    notes : iterable of str
        Sentences beyond the site's own notes. [-]

    Returns
    -------
    Figure
        The figure, drawn with whatever settings hold; `chart_png` uses the library's own. [-]
    """
    from matplotlib.figure import Figure

    width, least = style.PAGE_IN
    foot = _foot(plan, notes)
    bottom = 0.62 + FOOT_LINE_IN * len(foot)
    fixed_in = HEAD_IN + PRICE_IN + STOCKS_IN + 2 * GAP_IN + bottom
    lanes_in = max(least - fixed_in, LANE_IN * max(len(circuit_names(plan)), 1))
    height = fixed_in + lanes_in
    figure = Figure(figsize=(width, height), dpi=style.DPI, facecolor=style.PAPER)
    axis = TimeAxis.of(plan)
    above = height - HEAD_IN
    panels = []
    for tall in (PRICE_IN, lanes_in, STOCKS_IN):
        above -= tall
        place = (LEFT_IN / width, above / height, PANEL_WIDTH_IN / width, tall / height)
        panels.append(figure.add_axes(place))
        _frame(panels[-1], axis)
        above -= GAP_IN
    _draw_price(panels[0], plan, axis)
    _draw_loads(panels[1], plan, axis, lanes_in / max(len(circuit_names(plan)), 1))
    _draw_stocks(panels[2], plan, axis)
    _draw_times(panels, plan, axis)
    _draw_head(figure, panels[0], plan, axis)
    for number, line in enumerate(foot, start=1):
        at = (MARGIN_IN / width, (0.1 + FOOT_LINE_IN * (len(foot) - number)) / height)
        figure.text(*at, line, fontsize=style.SMALL_PT, color=style.FAINT_INK)
    return figure


def _foot(plan: Plan, notes: Iterable[str]) -> list[str]:
    sentences = [*dict.fromkeys(plain(note) for note in (*plan.site.notes, *notes)), SHORT_CAUTION]
    return [line for sentence in sentences for line in textwrap.wrap(sentence, 205)]


def _frame(panel: Axes, axis: TimeAxis) -> None:
    panel.set_xlim(0.0, 1.0)
    panel.set_facecolor(style.PAPER)
    panel.tick_params(length=0, colors=style.INK)
    # The library sets the order of grids by this switch alone; lines over the loads' numbers hide them.
    panel.set_axisbelow(True)
    for side in ("top", "right", "left"):
        panel.spines[side].set_visible(False)
    panel.spines["bottom"].set_color(style.FAINT_INK)
    if axis.share < 1.0:
        panel.axvspan(axis.share, 1.0, color=style.LOOK_AHEAD_FILL, zorder=0)
        panel.axvline(axis.share, color=style.INK, linewidth=1.4, zorder=4)


def _heading(panel: Axes, text: str) -> None:
    panel.set_title(text, loc="left", fontsize=style.FONT_PT, color=style.INK, fontweight="bold", pad=4)


def _draw_price(panel: Axes, plan: Plan, axis: TimeAxis) -> None:
    price = plan.energy_price_per_mwh
    edges = axis.place(edges_min(plan))
    below = np.flatnonzero(price < 0)
    for run in np.split(below, np.flatnonzero(np.diff(below) > 1) + 1) if below.size else []:
        panel.axvspan(edges[run[0]], edges[run[-1] + 1], color=style.NEGATIVE_FILL, zorder=1)
    panel.stairs(price, edges, baseline=None, color=style.INK, linewidth=1.6, zorder=3)
    panel.stairs(
        np.minimum(price, 0.0), edges, baseline=0.0, fill=True, color=style.LINES[1], alpha=0.55, zorder=2
    )
    if below.size:
        panel.axhline(0.0, color=style.INK, linewidth=0.8, zorder=2)
    panel.grid(axis="y", color=style.GRID, linewidth=0.8)
    low, high = float(min(price.min(), 0.0)), float(max(price.max(), 0.0))
    panel.set_ylim(low - 0.06 * (high - low or 1.0), high + 0.14 * (high - low or 1.0))
    shaded = "; shaded: price below zero" if below.size else ""
    _heading(panel, f"Energy price, {plan.site.contract.currency}/MWh{shaded}")


def _draw_loads(panel: Axes, plan: Plan, axis: TimeAxis, lane_in: float) -> None:
    names = circuit_names(plan)
    edges = axis.place(edges_min(plan))
    centres, hatched = [], ""
    for number, name in enumerate(names):
        base = float(len(names) - 1 - number)
        variable = load_variable(plan, name)
        load = on_horizon(plan, variable)
        upper = np.zeros(len(plan.horizon))
        upper[variable.intervals] = variable.upper
        full = full_load_ka(plan, name)
        _draw_lane(panel, edges, base, load / full * LANE_FILL)
        if np.any(upper <= 0.0):
            _draw_outages(panel, edges, base, upper <= 0.0)
            hatched = "; hatched: out of service"
        day = plan.horizon.plan_intervals
        _write_loads(panel, edges[: day + 1], base, load[:day], full, lane_in)
        _write_loads(panel, edges[day:], base, load[day:], full, lane_in)
        centres.append((base + LANE_FILL / 2, f"{plain(name)}\nfull {_ka(full, full)} kA"))
    panel.set_ylim(0.0, max(len(names), 1) + 0.02)
    panel.set_yticks([at for at, _ in centres], [label for _, label in centres])
    _heading(panel, f"Load of each circuit, kA (height: share of full load; dotted: full load{hatched})")


def _draw_lane(panel: Axes, edges: Array, base: float, heights: Array) -> None:
    panel.stairs(base + heights, edges, baseline=base, fill=True, color=style.LOAD_FILL, zorder=1)
    panel.stairs(base + heights, edges, baseline=None, color=style.LOAD_EDGE, linewidth=1.6, zorder=3)
    panel.axhline(base, color=style.FAINT_INK, linewidth=0.6, zorder=2)
    panel.axhline(base + LANE_FILL, color=style.FAINT_INK, linewidth=0.8, linestyle=(0, (1, 2)), zorder=2)


def _draw_outages(panel: Axes, edges: Array, base: float, out: Mask) -> None:
    stops = np.flatnonzero(out)
    for run in np.split(stops, np.flatnonzero(np.diff(stops) > 1) + 1):
        left, right = edges[run[0]], edges[run[-1] + 1]
        panel.fill_between(
            [left, right],
            base,
            base + LANE_FILL,
            facecolor=style.GRID,
            edgecolor=style.FAINT_INK,
            hatch="///",
            linewidth=0.0,
            zorder=2,
        )


def _ka(load: float, full: float) -> str:
    return fixed(load, 0 if full >= 100.0 else 1)


def _write_loads(panel: Axes, edges: Array, base: float, load: Array, full: float, lane_in: float) -> None:
    """Write the load into every dwell that has room for the number."""
    first = 0
    for after in range(1, len(load) + 1):
        if after < len(load) and abs(load[after] - load[first]) < 0.005 * full:
            continue
        text = _ka(float(load[first]), full)
        wide = (edges[after] - edges[first]) * PANEL_WIDTH_IN
        long, tall = 0.062 * len(text), NUMBER_IN
        upright = wide < long + 0.08
        # A number stands inside its dwell and under its edge, or not at all: plan.csv has every value.
        across, up = (tall, long) if upright else (long, tall)
        room = load[first] / full * LANE_FILL * lane_in - 0.06
        if wide > across + 0.08 and room > up:
            panel.text(
                (edges[first] + edges[after]) / 2,
                base + 0.03 / lane_in,
                text,
                ha="center",
                va="bottom",
                rotation=90 if upright else 0,
                fontsize=style.NUMBER_PT,
                color=style.INK,
                zorder=5,
            )
        first = after


def _draw_stocks(panel: Axes, plan: Plan, axis: TimeAxis) -> None:
    edges = axis.place(edges_min(plan))
    stocks = [s for s in plan.declaration.stocks if np.isfinite(np.max(s.upper)) and np.max(s.upper) > 0]
    unbounded = [plain(s.key) for s in plan.declaration.stocks if s not in stocks]
    lowest, highest, ends = 0.0, 100.0, []
    for number, stock in enumerate(stocks):
        colour, dashes, pattern = style.line_style(number)
        full = float(np.max(stock.upper))
        levels = np.concatenate([[stock.initial], plan.audit.values[stock.key]]) / full * 100.0
        panel.plot(edges, levels, color=colour, linestyle=dashes, linewidth=1.9, zorder=4)
        _draw_limits(panel, edges, stock, full, colour)
        lowest, highest = min(lowest, float(levels.min())), max(highest, float(levels.max()))
        ends.append((float(levels[-1]), f"{plain(stock.key)}{pattern}\n{_span(stock, plan)}", colour))
    panel.axhline(100.0, color=style.INK, linewidth=1.2, zorder=2)
    panel.set_ylim(lowest * 1.08, highest * 1.08)
    panel.grid(axis="y", color=style.GRID, linewidth=0.8)
    distance = (highest - lowest) * min(0.2, 1.2 / max(len(ends), 1))
    for at, (_, label, colour) in zip(apart([end for end, _, _ in ends], distance), ends, strict=True):
        panel.text(1.008, at, label, color=colour, fontsize=style.SMALL_PT, va="center", clip_on=False)
    left_out = f"; no upper limit, not drawn: {', '.join(unbounded)}" if unbounded else ""
    _heading(panel, f"Stocks, % of their upper limit (dotted: lower limits){left_out}")


def _span(stock: Stock, plan: Plan) -> str:
    end = plan.audit.values[stock.key][-1]
    return f"{fixed(stock.initial, 0, True)} to {fixed(float(end), 0, True)} {plain(stock.unit)}"


def _draw_limits(panel: Axes, edges: Array, stock: Stock, full: float, colour: str) -> None:
    lower = np.where(np.isfinite(stock.lower), stock.lower, 0.0) / full * 100.0
    if np.any(lower > 0):
        panel.stairs(
            lower, edges, baseline=None, color=colour, linestyle=(0, (1, 2)), linewidth=1.2, zorder=3
        )
    upper = stock.upper / full * 100.0
    if np.any(upper < 100.0):
        panel.stairs(
            upper, edges, baseline=None, color=colour, linestyle=(0, (4, 2)), linewidth=1.0, zorder=3
        )


def apart(wanted: list[float], distance: float) -> list[float]:
    """Return heights near the wanted ones, in the same order, at least a distance apart.

    Parameters
    ----------
    wanted : list of float
        Heights at which labels would like to stand. [any]
    distance : float
        Least distance of two labels. [any]

    Returns
    -------
    list of float
        Heights of the labels. [any]
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = [0.0] * len(wanted)
    below = -np.inf
    for i in order:
        below = max(wanted[i], below + distance)
        placed[i] = float(below)
    excess = max((placed[i] for i in order), default=0.0) - max(wanted, default=0.0)
    return [height - excess / 2 for height in placed]


def _draw_times(panels: list[Axes], plan: Plan, axis: TimeAxis) -> None:
    ticks = time_ticks(plan, axis, PANEL_WIDTH_IN)
    for panel in panels:
        panel.set_xticks([place for place, _ in ticks], [""] * len(ticks))
        panel.grid(axis="x", color=style.GRID, linewidth=0.8)
    panels[-1].set_xticks([place for place, _ in ticks], [label for _, label in ticks])


def time_ticks(plan: Plan, axis: TimeAxis, width_in: float) -> list[tuple[float, str]]:
    """Return full local hours and days that a time axis marks, as far apart as their labels need.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    axis : TimeAxis
        Where instants stand. [-]
    width_in : float
        Width of the axis. [in]

    Returns
    -------
    list of (float, str)
        Place as a share of the width, and label, of two lines where a day begins. [-]
    """
    zone = plan.horizon.local_starts[0].tzinfo
    spans = ((axis.start, axis.boundary, 0.0, axis.share), (axis.boundary, axis.end, axis.share, 1.0))
    ticks: list[tuple[float, str]] = []
    for first, last, left, right in spans:
        if last <= first:
            continue
        inches_per_hour = (right - left) * width_in / ((last - first) / 60.0)
        step = next(
            (s for s in TICK_STEPS_H if s * inches_per_hour >= (0.38 if s < 24 else 0.5)), TICK_STEPS_H[-1]
        )
        # Quarters, because a zone or a change of clocks may put full hours at 15, 30 or 45 min past in UTC.
        for minute in np.arange(first, last + 1, 15.0):
            at = instant_of(int(minute)).astimezone(zone)
            place = float(axis.place(np.array([minute]))[0])
            far = not ticks or (place - ticks[-1][0]) * width_in >= 0.2
            if at.minute == 0 and far and _on_step(at, step):
                ticks.append((place, _tick(at, step)))
    return ticks


def _on_step(at: dt.datetime, step: int) -> bool:
    if step < 24:
        return at.hour % step == 0
    return at.hour == 0 and at.toordinal() % (step // 24) == 0


def _tick(at: dt.datetime, step: int) -> str:
    day = f"{at.day} {MONTHS[at.month - 1]}"
    if step >= 24:
        return f"{WEEKDAYS[at.weekday()]}\n{day}"
    # The empty second line keeps all hours on one height.
    return f"{at.hour:02d}\n" if at.hour else f"00\n{WEEKDAYS[at.weekday()]} {day}"


def _draw_head(figure: Figure, panel: Axes, plan: Plan, axis: TimeAxis) -> None:
    width, height = figure.get_size_inches()
    first = plan.horizon.local_starts[0]
    day = f"{WEEKDAYS[first.weekday()]} {first.day} {MONTHS[first.month - 1]} {first.year}"
    title = f"{plain(plan.site.name)}: load plan for {day}"
    # A title may be longer than the page: a bold letter takes about two thirds of its size.
    size = min(15.0, (width - 2 * MARGIN_IN) * 72.0 / (0.68 * len(title)))
    figure.text(
        MARGIN_IN / width, 1 - 0.32 / height, title, fontsize=size, color=style.INK, fontweight="bold"
    )
    good = plan.status is Status.PLAN
    # The status has a line of its own: beside a title it would cover a long name.
    figure.text(
        (MARGIN_IN + (0.0 if good else 0.06)) / width,
        1 - 0.6 / height,
        STATUS_WORDS[plan.status],
        fontsize=11 if good else 13,
        color=style.INK if good else style.PAPER,
        fontweight="bold",
        bbox=None if good else {"facecolor": style.ALARM, "edgecolor": "none", "pad": 4},
    )
    figure.text(
        MARGIN_IN / width,
        1 - 0.83 / height,
        f"Contract {plain(plan.site.contract.name)}. Local time, {plan.horizon.timezone}.",
        fontsize=style.FONT_PT,
        color=style.FAINT_INK,
    )
    if axis.share < 1.0:
        ahead = "look-ahead, hours drawn narrower" if axis.stretched else "look-ahead"
        for place, text, side in ((-0.006, "plan day", "right"), (0.006, ahead, "left")):
            panel.text(
                axis.share + place,
                1.03,
                text,
                transform=panel.transAxes,
                ha=side,
                color=style.INK,
                fontsize=style.FONT_PT,
            )


STATUS_WORDS = {
    Status.PLAN: "all duties met, all limits kept",
    Status.MISSES: "DUTIES MISSED: see the summary",
    Status.NOT_A_PLAN: "NOT A PLAN: limits broken, do not run",
    Status.SOLVER_LIMIT: "OPEN GAP: solver limit reached",
}
"""Status in the corner of the chart."""
