"""The charts of a cost study: cost by room, cost over the load, the split, the tornado.

Owns the drawing. Colours are in `scheduler.report.style`. The drawing library is loaded on first use.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

import numpy as np

from models.running_cost import RoomCost
from scheduler.report import style
from scheduler.report.wording import fixed, plain
from scheduler.studies.conversion import ConversionStudy
from scheduler.studies.technologies import Technologies

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

GROUPS: Final = (
    ("power of cells and rectifiers", ("power_dc", "power_rectification")),
    ("other power, demand charges", ("power_auxiliaries", "power_evaporation", "power_standing")),
    ("steam and its carbon", ("steam", "carbon_steam", "carbon_power")),
    ("salt, treatment, acid, water", ("salt", "brine_treatment", "acid", "water")),
    ("mercury", ("mercury_makeup", "mercury_control", "mercury_waste")),
    ("membranes, coatings, maintenance", ("membranes", "coatings", "maintenance")),
)
"""Lines that share a colour in the cost chart; the hydrogen credit is drawn to the left of 0."""


def png(draw: Callable[[], Figure]) -> bytes:
    """Return a drawing as a PNG; the same study gives the same bytes.

    Parameters
    ----------
    draw : callable
        Makes the figure. [-]

    Returns
    -------
    bytes
        The PNG. [-]
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    with style.drawing():
        figure = draw()
        FigureCanvasAgg(figure)
        target = io.BytesIO()
        figure.savefig(target, format="png", metadata={"Software": None})
    return target.getvalue()


def _figure(rows: int, columns: int, height: float) -> tuple[Figure, list[Axes]]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(style.PAGE_IN[0], height), dpi=style.DPI, facecolor=style.PAPER, layout="tight")
    axes = figure.subplots(rows, columns, squeeze=False)
    for axis in axes.flat:
        axis.grid(color=style.GRID, linewidth=0.6)
        axis.set_axisbelow(True)
        for side in ("top", "right"):
            axis.spines[side].set_visible(False)
    return figure, list(axes.flat)


def rooms_chart(study: Technologies) -> Figure:
    """Return the running cost per tonne of chlorine of every room, by groups of lines.

    Parameters
    ----------
    study : Technologies
        The study. [-]

    Returns
    -------
    Figure
        The chart. [-]
    """
    bars: list[tuple[str, RoomCost]] = [
        (f"{room.name}\n({variant.name})", room)
        for variant in study.variants
        for room in (*variant.rooms, variant.whole)
        if room.chlorine_t > 0
    ]
    figure, (axis,) = _figure(1, 1, 1.8 + 0.5 * len(bars))
    places = np.arange(len(bars))[::-1]
    left = np.zeros(len(bars))
    for position, (label, keys) in enumerate(GROUPS):
        width = np.array([sum(room.item(key).amount for key in keys) / room.chlorine_t for _, room in bars])
        # Colours that come round again are hatched, so that all lines stay apart.
        again, colour = divmod(position, len(style.LINES))
        axis.barh(
            places,
            width,
            left=left,
            height=0.62,
            color=style.LINES[colour],
            hatch="//" * again,
            edgecolor=style.PAPER,
            linewidth=0.0,
            label=label,
        )
        left = left + width
    credit = np.array([room.item("hydrogen").amount / room.chlorine_t for _, room in bars])
    axis.barh(places, credit, height=0.62, color=style.NEGATIVE_FILL, label="hydrogen, credit")
    for place, end, (_, room) in zip(places, left, bars, strict=True):
        axis.annotate(
            fixed(room.per_t_chlorine or 0.0, 1),
            (float(end), float(place)),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
        )
    axis.set_yticks(places, [plain(label.replace("\n", " ")) for label, _ in bars])
    axis.set_xlabel(f"{study.currency} per t of chlorine, alkali delivered at 50 wt%; the number is the sum")
    axis.axvline(0.0, color=style.INK, linewidth=0.8)
    axis.legend(loc="upper center", bbox_to_anchor=(0.45, -0.16), ncols=4, frameon=False)
    axis.set_title("Running cost by room", loc="left", color=style.INK)
    return figure


def load_chart(study: Technologies) -> Figure:
    """Return average and marginal cost over the load and the cheapest split, of the site as it is.

    Only rooms of the first salt are drawn; the tables hold all.

    Parameters
    ----------
    study : Technologies
        The study. [-]

    Returns
    -------
    Figure
        The chart. [-]
    """
    variant = study.variants[0]
    # Rooms of another salt cost so much more salt that their curves would flatten the others.
    salts = {room.name: room.salt for room in variant.rooms}
    first = variant.splits[0].salt if variant.splits else ""
    shown = [curve for curve in variant.curves if salts[curve.room] == first]
    figure, axes = _figure(3, 2, 1.45 * style.PAGE_IN[1])
    for axis, words, with_steam in (
        (axes[0], "power alone", False),
        (axes[1], "with steam and all that goes with a tonne", True),
    ):
        for position, curve in enumerate(shown):
            split = curve.with_steam if with_steam else curve.power_only
            color = style.LINES[position % len(style.LINES)]
            axis.plot(split.total_t_per_h, split.marginal, color=color, label=f"{curve.room}, marginal")
            axis.plot(
                split.total_t_per_h, split.average, color=color, ls="--", label=f"{curve.room}, average"
            )
        axis.set_xlabel("chlorine of the room, t/h")
        axis.set_ylabel(f"{study.currency} per t")
        axis.set_title(f"Cost over the load, {words}", loc="left", color=style.INK)
        axis.legend(frameon=False, fontsize=style.SMALL_PT)
    for axis, words, with_steam in (
        (axes[2], "power alone", False),
        (axes[3], "with steam and all that goes with a tonne", True),
    ):
        for one in variant.splits[:1]:
            split = one.with_steam if with_steam else one.power_only
            axis.stackplot(
                split.total_t_per_h,
                split.chlorine_t_per_h,
                labels=split.names,
                colors=[style.LINES[c % len(style.LINES)] for c in range(len(split.names))],
            )
            axis.set_xlabel(f"chlorine of all {one.salt} circuits, t/h")
        axis.set_ylabel("chlorine by circuit, t/h")
        axis.set_title(f"Cheapest split, {words}", loc="left", color=style.INK)
        axis.legend(frameon=False, fontsize=style.SMALL_PT, loc="upper left")
    drawn = variant.splits[0].power_only.names if variant.splits else ()
    for position, price_curve in enumerate(c for c in variant.price_curves if c.name in drawn):
        axes[4].plot(
            price_curve.power_price_per_mwh,
            price_curve.load_ka / np.max(price_curve.load_ka) * 100.0,
            color=style.LINES[position % len(style.LINES)],
            label=price_curve.name,
        )
    axes[4].set_xlabel(f"power price, {study.currency}/MWh")
    axes[4].set_ylabel("cheapest load, % of the greatest")
    axes[4].set_title("Load over the power price", loc="left", color=style.INK)
    axes[4].legend(frameon=False, fontsize=style.SMALL_PT)
    for one in variant.splits[:1]:
        for split, line, words in (
            (one.power_only, "--", "power alone"),
            (one.with_steam, "-", "with steam and all that goes with a tonne"),
        ):
            axes[5].plot(
                split.total_t_per_h, split.marginal, color=style.LINES[2], ls=line, label=f"marginal, {words}"
            )
            axes[5].plot(
                split.total_t_per_h, split.average, color=style.LINES[3], ls=line, label=f"average, {words}"
            )
        axes[5].set_xlabel(f"chlorine of all {one.salt} circuits, t/h")
    axes[5].set_ylabel(f"{study.currency} per t")
    axes[5].set_title("Cost of the cheapest split", loc="left", color=style.INK)
    axes[5].legend(frameon=False, fontsize=style.SMALL_PT)
    figure.suptitle(
        f"At {fixed(variant.power_price_per_mwh, 2)} {study.currency}/MWh and steam at "
        f"{fixed(variant.steam_price_per_t, 2)} {study.currency}/t",
        color=style.FAINT_INK,
    )
    return figure


def conversion_chart(study: ConversionStudy, currency: str) -> Figure:
    """Return the tornado and the discounted cash flows of a conversion.

    Parameters
    ----------
    study : ConversionStudy
        The study. [-]
    currency : str
        Currency. [-]

    Returns
    -------
    Figure
        The chart. [-]
    """
    figure, (bars, flows) = _figure(1, 2, 5.6)
    middle = study.case.npv / 1e6
    places = np.arange(len(study.swings))[::-1]
    for place, swing in zip(places, study.swings, strict=True):
        for end, color in ((swing.npv_low, style.LINES[2]), (swing.npv_high, style.LINES[1])):
            bars.barh(place, end / 1e6 - middle, left=middle, height=0.6, color=color)
    names = [
        f"{swing.key}\n{cell(swing.low)} | {cell(study.ranges[swing.key].value)} | {cell(swing.high)}"
        for swing in study.swings
    ]
    bars.set_yticks(places, names, fontsize=style.SMALL_PT)
    bars.axvline(middle, color=style.INK, linewidth=0.8)
    bars.set_xlabel(f"net present value, million {currency} (low | in use | high)")
    bars.set_title("What each parameter does (blue: low end, red: high end)", loc="left", color=style.INK)
    money = study.case.cash_flows
    years = np.arange(len(money))
    summed = np.cumsum(money / (1.0 + study.case.discount_rate_percent / 100.0) ** years)
    flows.plot(years, np.cumsum(money) / 1e6, color=style.LINES[3], ls="--", label="not discounted")
    flows.plot(years, summed / 1e6, color=style.LINES[2], label="discounted")
    flows.axhline(0.0, color=style.INK, linewidth=0.8)
    flows.set_xlabel("years")
    flows.set_ylabel(f"summed cash flows, million {currency}")
    flows.legend(frameon=False)
    flows.set_title("Payback, before law", loc="left", color=style.INK)
    return figure


def cell(value: float) -> str:
    """Return a parameter's value in few digits.

    Parameters
    ----------
    value : float
        The value. [any]

    Returns
    -------
    str
        The text. [-]
    """
    return f"{value:.4g}"
