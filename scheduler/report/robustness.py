"""How a plan holds on days that turn out otherwise: text, table and chart.

Owns the layout; the rates come from `scheduler.studies.robustness`.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from models.horizon import Horizon
from models.site import Site
from scheduler.report import style
from scheduler.report.cautions import SHORT_CAUTION
from scheduler.report.columns import STUDY_FILES
from scheduler.report.csv_text import csv_text
from scheduler.report.files import write_text
from scheduler.report.wording import fixed, plain, spoken_start
from scheduler.result import Status
from scheduler.studies.robustness import (
    BOUND,
    CAUSE_WORDS,
    CAUSES,
    Kind,
    Rate,
    Robustness,
    Uncertainty,
    units_with_margins,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

ROBUSTNESS_NAMES = ("robustness.csv", "robustness.txt", "robustness.png")
"""Files of the folder."""
Writer = Callable[[Path], None]


def margin_words(multiple: float) -> str:
    """Return a multiple of the margins in words.

    Parameters
    ----------
    multiple : float
        Multiple. [-]

    Returns
    -------
    str
        For example 'margins as stated'. [-]
    """
    return {0.0: "no margins", 1.0: "margins as stated", 2.0: "margins doubled"}.get(
        multiple, f"margins times {multiple:g}"
    )


def robustness_text(
    site: Site,
    horizon: Horizon,
    results: tuple[Robustness, ...],
    uncertainty: Uncertainty,
    seed: int,
) -> str:
    """Return the figures in words.

    Parameters
    ----------
    site : Site
        The works with its stated margins. [-]
    horizon : Horizon
        The intervals. [-]
    results : tuple of Robustness
        Rates, those with the stated margins first. [-]
    uncertainty : Uncertainty
        How the days differ. [-]
    seed : int
        Start of the random numbers. [-]

    Returns
    -------
    str
        Text of many lines. [-]
    """
    first, u = results[0], uncertainty
    quiet = first.days - first.trip_days
    holds = first.serious_share <= BOUND
    lines = [
        f"{plain(site.name)}: the plan of {spoken_start(horizon, 0)} on {first.days} days that turn out "
        f"otherwise (seed {seed})",
        "",
        f"{'MEETS' if holds else 'DOES NOT MEET'} the bound: a limit of plant or permit breaks on "
        f"{first.serious_days} of {quiet} days without a trip, {_percent(first.serious_share)} "
        f"(bound {_percent(BOUND)}).",
        "",
        f"{'':<20}{'plant/permit':>14}{'customer':>10}{'reserve':>9}{'peak':>7}{'broken limits':>15}"
        f"{'per 1,000':>11}{'plan costs more':>17}",
        f"{'':<20}{'% of days':>14}{'%':>10}{'%':>9}{'%':>7}{'a day':>15}{'checks':>11}"
        f"{plain(site.contract.currency):>17}",
    ]
    for result in results:
        days = max(result.days - result.trip_days, 1)
        kinds = [100.0 * result.broken_days[k] / days for k in (Kind.CUSTOMER, Kind.RESERVE, Kind.PEAK)]
        lines.append(
            f"{margin_words(result.margins):<20}{fixed(100.0 * result.serious_share, 1):>14}"
            f"{fixed(kinds[0], 1):>10}{fixed(kinds[1], 1):>9}{fixed(kinds[2], 1):>7}"
            f"{fixed(result.per_day, 2):>15}{fixed(result.per_thousand, 2):>11}"
            f"{fixed(result.cost - first.cost, 0, True):>17}"
            + ("" if result.status is Status.PLAN else f"  {result.status.value}")
        )
    lines += ["", "Kinds in % of days without a trip; broken limits and checks over all days.", ""]
    lines += _limit_lines(first)
    trip = first.broken_trip_days
    lines += [
        "",
        f"Days with a trip: {first.trip_days}. On {trip[Kind.PLANT]} of them a limit of plant breaks, on "
        f"{trip[Kind.PERMIT]} the permit, on {trip[Kind.CUSTOMER]} a customer is short.",
    ]
    advice = _advice(results)
    notes = [
        *([advice] if advice else []),
        f"Margins: {', '.join(plain(unit.name) for unit in units_with_margins(site)) or 'none'}.",
        f"Days: cell voltage of each circuit +-{u.voltage_percent:g} % and take of each pipeline customer "
        f"+-{u.take_percent:g} % (normal, 95 % of the days within, the same all day); "
        f"{100 * u.late_share:g} % of the lots late by "
        f"{u.late_mean_h:g} h in the mean (exponential, at most {u.late_max_h:g} h); "
        f"{100 * u.trip_share:g} % of the days with a trip of one circuit for {u.trip_min_h:g} to "
        f"{u.trip_max_h:g} h. These are assumptions of this project, not measurements of this plant.",
        "Operators keep the planned loads and do not plan again: pipeline customers come first, liquefaction "
        "takes the difference, the vaporiser follows. Limits are the true ones, without margins.",
        SHORT_CAUTION,
        *(plain(note) for note in site.notes),
    ]
    return "\n".join([*lines, "", *(line for note in notes for line in textwrap.wrap(note, 100))])


def _percent(share: float) -> str:
    return f"{fixed(100.0 * share, 1)} %"


def _limit_lines(result: Robustness) -> list[str]:
    head = "".join(f"{CAUSE_WORDS[cause].split()[-1]:>10}" for cause in CAUSES)
    lines = [
        f"{margin_words(result.margins)}: days of {result.days} on which it is passed",
        f"{'limit':<52}{'kind':<10}{'all':>5}{'no trip':>9}{'worst':>9} {'':<7}{head}  (each cause alone)",
    ]
    seen = [rate for rate in result.rates if rate.days or any(rate.by_cause.values())]
    for rate in sorted(seen, key=lambda r: (-r.days_without_trip, -r.days)):
        causes = "".join(f"{rate.by_cause[cause]:>10}" for cause in CAUSES)
        lines.append(
            f"{plain(rate.name):<52}{rate.kind.value:<10}{rate.days:>5}{rate.days_without_trip:>9}"
            f"{fixed(rate.worst, 2):>9} {rate.unit:<7}{causes}"
        )
    never = len(result.rates) - len(seen)
    lines.append(f"{never} other limits are never passed.")
    return lines


def _advice(results: tuple[Robustness, ...]) -> str:
    first = results[0]
    if first.serious_share <= BOUND:
        return ""
    serious = [r for r in first.rates if r.kind in (Kind.PLANT, Kind.PERMIT) and r.days_without_trip]
    worst = max(serious, key=lambda rate: rate.days_without_trip)
    return (
        f"What must grow: the margin of '{plain(worst.name)}', passed on {worst.days_without_trip} days "
        f"without a trip by up to {fixed(worst.worst, 2)} {worst.unit}."
    )


def robustness_csv(results: tuple[Robustness, ...]) -> str:
    """Return the rates as CSV.

    Parameters
    ----------
    results : tuple of Robustness
        Rates. [-]

    Returns
    -------
    str
        Text of robustness.csv. [-]
    """
    return csv_text(
        (column.name for column in STUDY_FILES["robustness.csv"]),
        (
            [
                f"{result.margins:g}",
                rate.name,
                rate.kind.value,
                rate.checked,
                rate.broken,
                fixed(1000.0 * rate.broken / rate.checked, 4),
                rate.days,
                rate.days_without_trip,
                *(rate.by_cause[cause] for cause in CAUSES),
                fixed(rate.worst, 4),
                rate.unit,
            ]
            for result in results
            for rate in result.rates
        ),
    )


def robustness_png(site: Site, results: tuple[Robustness, ...]) -> bytes:
    """Return the chart: for each limit that breaks, the share of the days without a trip.

    Parameters
    ----------
    site : Site
        The works. [-]
    results : tuple of Robustness
        Rates. [-]

    Returns
    -------
    bytes
        The PNG; the same figures give the same bytes. [-]
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    with style.drawing():
        figure = _figure(site, results)
        target = io.BytesIO()
        FigureCanvasAgg(figure)
        figure.savefig(target, format="png", metadata={"Software": None})
    return target.getvalue()


def _figure(site: Site, results: tuple[Robustness, ...]) -> Figure:
    from matplotlib.figure import Figure

    broken = {rate.name: rate for result in results for rate in result.rates if rate.days_without_trip}
    names = list(broken)
    bars = {result.margins: _shares(result, names) for result in results}
    height = 2.6 + 0.28 * len(names) * len(results)
    figure = Figure(figsize=(style.PAGE_IN[0], height), dpi=style.DPI, facecolor=style.PAPER)
    panel = figure.add_axes((0.36, 0.95 / height, 0.6, 1.0 - 2.0 / height))
    thick = 0.8 / len(results)
    for number, result in enumerate(results):
        places = [row + number * thick for row in range(len(names))]
        label = margin_words(result.margins)
        panel.barh(places, bars[result.margins], thick * 0.9, color=style.LINES[number], label=label)
        for place, share in zip(places, bars[result.margins], strict=True):
            panel.text(share + 0.4, place, fixed(share, 1), va="center", fontsize=style.NUMBER_PT)
    panel.axvline(100.0 * BOUND, color=style.ALARM, linewidth=1.4, label=f"bound {_percent(BOUND)}")
    labels = [f"{plain(name)} ({broken[name].kind.value})" for name in names]
    panel.set_yticks([row + thick * (len(results) - 1) / 2 for row in range(len(names))], labels)
    panel.invert_yaxis()
    panel.set_xlim(0.0, max(12.0, *(1.15 * share for each in bars.values() for share in (*each, 0.0))))
    panel.set_xlabel("% of the days without a trip on which the limit is passed")
    panel.grid(axis="x", color=style.GRID, linewidth=0.8)
    panel.set_axisbelow(True)
    for side in ("top", "right", "left"):
        panel.spines[side].set_visible(False)
    panel.tick_params(length=0, colors=style.INK)
    panel.legend(loc="lower right", frameon=False)
    title = f"{plain(site.name)}: what breaks when the day turns out otherwise, {results[0].days} days"
    figure.text(0.02, 1 - 0.35 / height, title, fontsize=13, color=style.INK, fontweight="bold")
    foot = textwrap.wrap(" ".join([*(plain(note) for note in site.notes), SHORT_CAUTION]), 205)
    for number, line in enumerate(reversed(foot)):
        figure.text(
            0.02, (0.08 + 0.125 * number) / height, line, fontsize=style.SMALL_PT, color=style.FAINT_INK
        )
    return figure


def _shares(result: Robustness, names: list[str]) -> list[float]:
    days = max(result.days - result.trip_days, 1)
    rates: dict[str, Rate] = {rate.name: rate for rate in result.rates}
    return [100.0 * rates[name].days_without_trip / days if name in rates else 0.0 for name in names]


def robustness_files(site: Site, results: tuple[Robustness, ...], text: str) -> dict[str, Writer]:
    """Return the writer of each file of the folder.

    Parameters
    ----------
    site : Site
        The works. [-]
    results : tuple of Robustness
        Rates. [-]
    text : str
        The figures in words. [-]

    Returns
    -------
    dict
        Writers by file name. [-]
    """
    return {
        "robustness.csv": lambda path: write_text(path, robustness_csv(results)),
        "robustness.txt": lambda path: write_text(path, text),
        "robustness.png": lambda path: _write(path, robustness_png(site, results)),
    }


def _write(path: Path, data: bytes) -> None:
    path.write_bytes(data)
