"""A study of supply contracts for people and machines: text, CSV tables, a chart.

Owns wording and layout; the figures come from `scheduler.studies.tariffs`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from models.horizon import Horizon
from scheduler.report.cautions import CAUTIONS
from scheduler.report.csv_text import csv_text
from scheduler.report.style import drawing, line_style
from scheduler.report.wording import fixed, plain
from scheduler.studies.backtest import LEVEL_DAYS, SHAPE_DAYS, BacktestFigures
from scheduler.studies.tariffs import FLAT, LEVEL_UP, SPREAD_UP, Ranked, Study

COLUMNS: tuple[tuple[str, str, str, Callable[[Ranked], Any]], ...] = (
    ("site", "-", "site of the study", lambda r: r.case.site_name),
    ("prices", "-", "year of prices", lambda r: r.case.prices_name),
    ("rank", "-", "place, 1 for the cheapest", lambda r: r.rank),
    ("contract", "-", "contract", lambda r: r.case.contract_name),
    ("status", "-", "kind of result of the year's plan", lambda r: r.result.figures.status),
    ("total", "currency", "bill and cost beside it", lambda r: r.result.figures.total),
    ("bill", "currency", "bill of the year", lambda r: r.result.figures.bill_amount),
    ("other_cost", "currency", "steam, materials and credits", lambda r: r.result.figures.unit_cost),
    ("energy_mwh", "MWh", "energy drawn", lambda r: r.result.figures.energy_mwh),
    ("average_per_mwh", "currency/MWh", "bill over energy", lambda r: r.result.figures.average_per_mwh),
    (
        "marginal_per_mwh",
        "currency/MWh",
        "what one more MW in every hour costs",
        lambda r: r.result.figures.marginal_per_mwh,
    ),
    (
        "capture_per_mwh",
        "currency/MWh",
        "index price weighted by load",
        lambda r: r.result.figures.capture_per_mwh,
    ),
    ("base_per_mwh", "currency/MWh", "index price weighted by time", lambda r: r.result.figures.base_per_mwh),
    ("peak_mw", "MW", "highest hour", lambda r: r.result.figures.peak_mw),
    ("full_load_hours", "h", "energy over peak", lambda r: r.result.figures.full_load_hours),
    ("worst_month", "-", "month that costs most", lambda r: r.result.figures.worst_month),
    (
        "worst_month_bill",
        "currency",
        "what the bill grows by in it",
        lambda r: r.result.figures.months[r.result.figures.worst_month],
    ),
    (
        "flexibility_value",
        "currency",
        "what constant loads would cost more",
        lambda r: r.flexibility_value,
    ),
    (
        "level_up",
        "currency",
        f"this load with all prices up by {LEVEL_UP:.0%} of their mean",
        lambda r: r.result.figures.level_up,
    ),
    (
        "spread_up",
        "currency",
        f"this load with all prices {SPREAD_UP:.0%} further from their mean",
        lambda r: r.result.figures.spread_up,
    ),
    (
        "level_up_replanned",
        "currency",
        "the same planned anew; empty if the study did not ask",
        lambda r: r.replanned.get("level"),
    ),
    (
        "spread_up_replanned",
        "currency",
        "the same planned anew; empty if the study did not ask",
        lambda r: r.replanned.get("spread"),
    ),
    (
        "best_contracted_mw",
        "MW",
        "contracted capacity at which the year costs least, the load planned for it",
        lambda r: r.result.figures.best_contracted_mw,
    ),
    (
        "best_contracted_saving",
        "currency",
        "what it would save",
        lambda r: r.result.figures.best_contracted_saving,
    ),
    ("plan_of", "-", "contract whose plan is cheapest under this one", lambda r: r.plan_of),
    (
        "sides",
        "-",
        "side of each cliff",
        lambda r: "; ".join(f"{name} {side}" for name, side in r.result.figures.sides.items()),
    ),
)
"""Columns of `ranking.csv`: name, unit, meaning, getter."""

STUDY_FILES = (
    "study.txt",
    "ranking.csv",
    "bill_lines.csv",
    "months.csv",
    "cross.csv",
    "study.json",
    "chart.png",
)
"""Files of a study."""

ASSUMPTIONS = (
    "Each contract has a year of its own, planned by the hour in windows of a month, with prices that are "
    "known: a real year is dearer by what is not known (see the back-test).",
    "Whole steps, counted changes, calm and ramps inside an interval belong to the plan of a day and are "
    "left out; peaks are those of interval means.",
    "Sensitivities bill the load as planned at other prices; a new plan can only cost less (with "
    "replan_sensitivities = true in the study file it is made).",
    "Income for calls (interruption, reserve) counts only in a year in which a simulated call at every hour "
    "is answered, with stores and loads back on the year's plan two days later; calls that follow each other "
    "are not simulated.",
)


def ranking_csv(study: Study) -> str:
    """Return the ranked table.

    Parameters
    ----------
    study : Study
        The comparison. [-]

    Returns
    -------
    str
        CSV with a head. [-]
    """
    rows = ([_cell(getter(item)) for *_, getter in COLUMNS] for item in study.ranked)
    return csv_text([name for name, *_ in COLUMNS], rows)


def components_csv(study: Study) -> str:
    """Return every line of every bill.

    Parameters
    ----------
    study : Study
        The comparison. [-]

    Returns
    -------
    str
        CSV with a head. [-]
    """
    names = ("component", "label", "quantity", "quantity_unit", "rate", "amount", "group", "formula")
    rows = (
        [item.case.site_name, item.case.prices_name, item.case.contract_name]
        + [_cell(line[name]) for name in names]
        for item in study.ranked
        for line in item.result.figures.bill
    )
    return csv_text(["site", "prices", "contract", *names], rows)


def months_csv(study: Study) -> str:
    """Return what each bill grows by in each month.

    Parameters
    ----------
    study : Study
        The comparison. [-]

    Returns
    -------
    str
        CSV with a head. [-]
    """
    rows = (
        [item.case.site_name, item.case.prices_name, item.case.contract_name, month, _cell(amount)]
        for item in study.ranked
        for month, amount in item.result.figures.months.items()
    )
    return csv_text(["site", "prices", "contract", "month", "bill"], rows)


def cross_csv(study: Study) -> str:
    """Return every plan billed under every contract.

    Parameters
    ----------
    study : Study
        The comparison. [-]

    Returns
    -------
    str
        CSV with a head. [-]
    """
    rows = (
        [cross.site_name, cross.prices_name, plan, contract, _cell(float(cross.totals[i, j]))]
        for cross in study.crosses
        for i, plan in enumerate(cross.contracts)
        for j, contract in enumerate(cross.contracts)
    )
    return csv_text(["site", "prices", "plan_made_for", "billed_under", "total"], rows)


def study_text(study: Study, name: str, currency: str, notes: Iterable[str] = ()) -> str:
    """Return the study in words and a table.

    Parameters
    ----------
    study : Study
        The comparison. [-]
    name : str
        Name of the study. [-]
    currency : str
        ISO 4217 code. [-]
    notes : iterable of str
        Notes of the sites. [-]

    Returns
    -------
    str
        Text for a terminal. [-]
    """
    lines = [f"{name}: supply contracts, amounts in {currency}", ""]
    for cross in study.crosses:
        members = [
            item
            for item in study.ranked
            if (item.case.site_name, item.case.prices_name) == (cross.site_name, cross.prices_name)
        ]
        lines.append(f"{cross.site_name}, prices {cross.prices_name}")
        lines.append(
            f"  {'contract':<28}{'total':>15}{'bill/MWh':>10}{'marginal':>10}{'peak MW':>9}{'hours':>7}"
            f"{'flexing saves':>15}"
        )
        for item in members:
            figures = item.result.figures
            value = item.flexibility_value
            lines.append(
                f"{item.rank:>2} {item.case.contract_name[:27]:<27}{fixed(figures.total, 0, True):>15}"
                f"{fixed(figures.average_per_mwh, 2):>10}{fixed(figures.marginal_per_mwh, 2):>10}"
                f"{fixed(figures.peak_mw, 1):>9}{fixed(figures.full_load_hours, 0):>7}"
                f"{'-' if value is None else fixed(value, 0, True):>15}"
            )
        for item in members:
            lines.extend(_remarks(item))
        lines.append("")
    lines.extend(plain(f"Failed: {case}: {why}") for case, why in study.failed.items())
    lines.extend(plain(f"Note: {note}") for note in notes)
    lines.extend(f"Assumption: {text}" for text in ASSUMPTIONS)
    lines.append("")
    lines.extend(CAUTIONS)
    return "\n".join(lines) + "\n"


def backtest_text(figures: BacktestFigures, name: str, horizon: Horizon, currency: str) -> str:
    """Return a back-test in words.

    Parameters
    ----------
    figures : BacktestFigures
        The figures. [-]
    name : str
        Name of the site. [-]
    horizon : Horizon
        The past time. [-]
    currency : str
        ISO 4217 code. [-]

    Returns
    -------
    str
        Text for a terminal. [-]
    """
    ways = (
        ("constant loads", figures.flat_total),
        ("all prices known, one program", figures.best_total),
        ("day by day, true prices ahead (the controller)", figures.true_total),
        ("day by day, naive forecast (the information)", figures.naive_total),
        ("day by day, last week again", figures.last_week_total),
    )
    lines = [
        f"{name}: back-test of {len(set(horizon.days))} days from {horizon.days[0]}, amounts in {currency}",
        f"{'':50}{'cost':>16}{'share of saving':>17}",
    ]
    for text, total in ways:
        share = f"{100.0 * figures.share(total):.1f} %"
        lines.append(f"{text:<50}{fixed(total, 0, True):>16}{share:>17}")
    lines.append(
        "Known on the day before: the prices of the plan day. The naive forecast: the mean of the last "
        f"{LEVEL_DAYS} known days plus the usual distance of an hour of a working or a weekend day "
        f"({SHAPE_DAYS} days). The month's peak target comes from a month-ahead run with the same forecast."
    )
    return "\n".join(lines) + "\n\n" + "\n".join(CAUTIONS) + "\n"


def _remarks(item: Ranked) -> list[str]:
    figures, name = item.result.figures, item.case.contract_name
    found = []
    if item.plan_of == FLAT:
        found.append(f"   {name}: constant loads are cheapest here and are taken")
    elif item.plan_of != name:
        found.append(f"   {name}: the plan made for {item.plan_of} is cheaper here and is taken")
    if figures.best_contracted_saving:
        found.append(
            f"   {name}: {fixed(figures.best_contracted_mw or 0.0, 1)} MW contracted would save "
            f"{fixed(figures.best_contracted_saving, 0, True)}, the load planned for it"
        )
    if figures.calls:
        found.append(f"   {name}: {figures.calls}")
    found.extend(f"   {name}: missed: {miss}" for miss in figures.misses)
    return found


def study_chart(study: Study, currency: str) -> Figure:
    """Return bars of cost by component, a panel for each site and year of prices.

    Parameters
    ----------
    study : Study
        The comparison. [-]
    currency : str
        ISO 4217 code. [-]

    Returns
    -------
    Figure
        The picture. [-]
    """
    figure = Figure(figsize=(9.0, 1.2 + 2.6 * len(study.crosses)), layout="constrained")
    FigureCanvasAgg(figure)
    for number, cross in enumerate(study.crosses):
        panel = figure.add_subplot(len(study.crosses), 1, number + 1)
        members = [
            item
            for item in study.ranked
            if (item.case.site_name, item.case.prices_name) == (cross.site_name, cross.prices_name)
        ]
        parts = list(dict.fromkeys(name for item in members for name in item.result.figures.by_component))
        for row, item in enumerate(members):
            up, down = 0.0, 0.0
            for position, part in enumerate(parts):
                amount = item.result.figures.by_component.get(part, 0.0) / 1e6
                start = up if amount >= 0 else down
                label = part.replace("_", " ") if row == 0 else None
                panel.barh(row, amount, left=start, color=line_style(position)[0], label=label, height=0.7)
                up, down = (up + amount, down) if amount >= 0 else (up, down + amount)
        labels = [item.case.contract_name[:27] for item in members]
        panel.set_yticks(range(len(members)), labels)
        panel.invert_yaxis()
        panel.set_title(f"{cross.site_name[:27]}, prices {cross.prices_name[:27]}", loc="left", fontsize=10)
        panel.set_xlabel(f"bill of the year [million {currency}]")
        handles = _legend(parts)
        panel.legend(handles=handles, fontsize=7, loc="center left", bbox_to_anchor=(1.0, 0.5))
    return figure


def _legend(parts: Iterable[str]) -> list[Any]:
    return [
        Patch(color=line_style(position)[0], label=part.replace("_", " "))
        for position, part in enumerate(parts)
    ]


def study_files(
    study: Study, name: str, currency: str, notes: Iterable[str] = ()
) -> Mapping[str, Callable[[Path], None]]:
    """Return the writers of all files of a study.

    Parameters
    ----------
    study : Study
        The comparison. [-]
    name : str
        Name of the study. [-]
    currency : str
        ISO 4217 code. [-]
    notes : iterable of str
        Notes of the sites. [-]

    Returns
    -------
    mapping
        Writer of each file by its name. [-]
    """
    texts = {
        "study.txt": study_text(study, name, currency, notes),
        "ranking.csv": ranking_csv(study),
        "bill_lines.csv": components_csv(study),
        "months.csv": months_csv(study),
        "cross.csv": cross_csv(study),
        "study.json": _json(study, name, currency),
    }
    writers: dict[str, Callable[[Path], None]] = {
        file: partial(_write, text=text) for file, text in texts.items()
    }
    writers["chart.png"] = lambda path: _write_chart(study, currency, path)
    return writers


def _write_chart(study: Study, currency: str, path: Path) -> None:
    # 10 pt is the drawing library's own size, for which the rows were measured.
    with drawing(font_pt=10.0):
        study_chart(study, currency).savefig(path, dpi=130)


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _json(study: Study, name: str, currency: str) -> str:
    document = {
        "study": name,
        "currency": currency,
        "ranked": [
            {
                "site": item.case.site_name,
                "prices": item.case.prices_name,
                "contract": item.case.contract_name,
                "rank": item.rank,
                "plan_of": item.plan_of,
                "flat_total": item.flat_total,
                **asdict(item.result.figures),
            }
            for item in study.ranked
        ],
        "failed": dict(study.failed),
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"


def _cell(value: object) -> str:
    if value is None:
        return ""
    return repr(round(value, 6)) if isinstance(value, float) else str(value)
