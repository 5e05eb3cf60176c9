"""The files of a study of supply contracts: text, CSV tables, JSON, a chart, page and workbook.

Owns the text, the JSON and the picture; tables stand in `study_tables`, page and workbook in `study_page`.
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

from scheduler.report.cautions import CAUTIONS
from scheduler.report.study_page import ASSUMPTIONS, study_page, study_workbook
from scheduler.report.study_tables import (
    cross_table,
    lines_table,
    members,
    months_table,
    ranking_table,
    remarks,
    table_csv,
)
from scheduler.report.style import drawing, line_style
from scheduler.report.wording import fixed, plain
from scheduler.studies.tariffs import Study

STUDY_FILES = (
    "study.txt",
    "ranking.csv",
    "bill_lines.csv",
    "months.csv",
    "cross.csv",
    "study.json",
    "chart.png",
    "page.html",
    "study.xlsx",
)
"""Files of a study."""


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
        items = members(study, cross)
        lines.append(f"{cross.site_name}, prices {cross.prices_name}")
        lines.append(
            f"  {'contract':<28}{'total':>15}{'bill/MWh':>10}{'marginal':>10}{'peak MW':>9}{'hours':>7}"
            f"{'flexing saves':>15}"
        )
        for item in items:
            figures = item.result.figures
            value = item.flexibility_value
            lines.append(
                f"{item.rank:>2} {item.case.contract_name[:27]:<27}{fixed(figures.total, 0, True):>15}"
                f"{fixed(figures.average_per_mwh, 2):>10}{fixed(figures.marginal_per_mwh, 2):>10}"
                f"{fixed(figures.peak_mw, 1):>9}{fixed(figures.full_load_hours, 0):>7}"
                f"{'-' if value is None else fixed(value, 0, True):>15}"
            )
        for item in items:
            lines.extend(f"   {plain(item.case.contract_name)}: {remark}" for remark in remarks(item))
        lines.append("")
    lines.extend(plain(f"Failed: {case}: {why}") for case, why in study.failed.items())
    lines.extend(plain(f"Note: {note}") for note in notes)
    lines.extend(f"Assumption: {text}" for text in ASSUMPTIONS)
    lines.append("")
    lines.extend(CAUTIONS)
    return "\n".join(lines) + "\n"


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
        items = members(study, cross)
        parts = list(dict.fromkeys(name for item in items for name in item.result.figures.by_component))
        for row, item in enumerate(items):
            up, down = 0.0, 0.0
            for position, part in enumerate(parts):
                amount = item.result.figures.by_component.get(part, 0.0) / 1e6
                start = up if amount >= 0 else down
                label = part.replace("_", " ") if row == 0 else None
                panel.barh(row, amount, left=start, color=line_style(position)[0], label=label, height=0.7)
                up, down = (up + amount, down) if amount >= 0 else (up, down + amount)
        labels = [item.case.contract_name[:27] for item in items]
        panel.set_yticks(range(len(items)), labels)
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
    study: Study,
    name: str,
    currency: str,
    notes: Iterable[str] = (),
    digests: Mapping[str, str] | None = None,
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
    digests : mapping, optional
        SHA-256 of every input. [-]

    Returns
    -------
    mapping
        Writer of each file by its name. [-]
    """
    told, inputs = tuple(notes), dict(digests or {})
    texts = {
        "study.txt": study_text(study, name, currency, told),
        "ranking.csv": table_csv(ranking_table(study.ranked)),
        "bill_lines.csv": table_csv(lines_table(study.ranked)),
        "months.csv": table_csv(months_table(study.ranked)),
        "cross.csv": table_csv(cross_table(study)),
        "page.html": study_page(study, name, currency, told, inputs),
        "study.json": _json(study, name, currency),
    }
    writers: dict[str, Callable[[Path], None]] = {
        file: partial(_write, text=text) for file, text in texts.items()
    }
    writers["chart.png"] = lambda path: _write_chart(study, currency, path)
    book = study_workbook(study, name, currency, told, inputs)
    writers["study.xlsx"] = lambda path: _write_bytes(path, book)
    return writers


def _write_chart(study: Study, currency: str, path: Path) -> None:
    # 10 pt is the drawing library's own size, for which the rows were measured.
    with drawing(font_pt=10.0):
        study_chart(study, currency).savefig(path, dpi=130)


def _write_bytes(path: Path, data: bytes) -> None:
    path.write_bytes(data)


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
                "replanned": dict(item.replanned),
                **asdict(item.result.figures),
            }
            for item in study.ranked
        ],
        "failed": dict(study.failed),
    }
    return json.dumps(document, indent=1, allow_nan=False) + "\n"
