"""The files of a cost study: summary, tables, charts, workbook and page for a management meeting.

Owns the layout of summary, workbook and page. Tables are in `cost_sheets`, charts in `cost_charts`.
"""

from __future__ import annotations

import base64
import datetime as dt
import io
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Final

from models.conversion import LAW
from scheduler.report.cautions import CAUTIONS, MODEL_ACCURACY
from scheduler.report.cost_charts import conversion_chart, load_chart, png, rooms_chart
from scheduler.report.cost_sheets import (
    COLUMNS,
    Sheet,
    cell_text,
    conversion_sheets,
    hours_sheet,
    sheet_csv,
    technologies_sheets,
)
from scheduler.report.wording import fixed, plain
from scheduler.studies.conversion import ConversionStudy
from scheduler.studies.technologies import Technologies

Writer = Callable[[Path], None]

BASIS: Final = (
    "Costs are running costs: no capital, no overheads, no wages of operation. The whole cost of a room is "
    "shown per tonne of chlorine, per dry tonne of alkali and per ECU; it is one cost seen three ways, not "
    "three costs to add.",
    "All alkali is counted as delivered at 50 wt%, whatever was sold, so that rooms are on one sales basis. "
    "Chlorine is counted as gas from the cells.",
    "Loads are those of the plan of the site, outages included, free of whole steps and counted changes.",
    "Circuits of different salts make different alkali; their costs per tonne of chlorine are not to be "
    "compared without the price of the alkali, and no total is split between them.",
    "Curves over the load leave out what goes by the calendar: membranes, coatings, demand charges.",
    "Values marked 'default' are not this site's: replace them before a decision rests on them.",
)
"""What the figures are and are not."""

_NO_DIGESTS: Final[Mapping[str, str]] = MappingProxyType({})

FIXED_DATE: Final = dt.datetime(2000, 1, 1)
"""Date inside the workbook: the same study gives the same bytes."""

EVERY_NAME: Final = (
    "summary.txt",
    "costs.xlsx",
    "costs.html",
    "rooms.png",
    "load_cost.png",
    "conversion.png",
    *(f"{name}.csv" for name in COLUMNS),
)
"""Names that a cost study may have left in its folder."""


def cost_files(
    study: Technologies, conversion: ConversionStudy | None = None, digests: Mapping[str, str] = _NO_DIGESTS
) -> dict[str, Writer]:
    """Return the writer of each file of a cost study's folder.

    Parameters
    ----------
    study : Technologies
        The study. [-]
    conversion : ConversionStudy, optional
        The conversion, if it was asked for. [-]
    digests : mapping
        SHA-256 of every input file, by 'role:name'. [-]

    Returns
    -------
    dict
        Writers by file name. [-]
    """
    sheets = technologies_sheets(study)
    draw: dict[str, Callable[[], bytes]] = {
        "rooms.png": lambda: png(lambda: rooms_chart(study)),
        "load_cost.png": lambda: png(lambda: load_chart(study)),
    }
    if conversion is not None:
        sheets = (*conversion_sheets(conversion), *sheets)
        draw["conversion.png"] = lambda: png(lambda: conversion_chart(conversion, study.currency))

    @cache
    def image(name: str) -> bytes:
        return draw[name]()

    def page() -> str:
        return page_html(study, conversion, sheets, {name: image(name) for name in draw})

    text = cost_text(study, conversion, digests)
    files: dict[str, Writer] = {
        "summary.txt": lambda path: _text(path, text),
        "costs.html": lambda path: _text(path, page()),
        "costs.xlsx": lambda path: _bytes(path, workbook_bytes(study, conversion, sheets)),
    }
    for name in draw:
        files[name] = lambda path, name=name: _bytes(path, image(name))  # type: ignore[misc]
    for sheet in (*sheets, hours_sheet(study)):
        files[f"{sheet.name}.csv"] = lambda path, sheet=sheet: _text(path, sheet_csv(sheet))  # type: ignore[misc]
    return files


def _text(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="")


def _bytes(path: Path, data: bytes) -> None:
    path.write_bytes(data)


def headlines(study: Technologies, conversion: ConversionStudy | None = None) -> tuple[str, ...]:
    """Return what the study says, in sentences; loads and order for the site as it is, the tables hold all.

    Parameters
    ----------
    study : Technologies
        The study. [-]
    conversion : ConversionStudy, optional
        The conversion. [-]

    Returns
    -------
    tuple of str
        Sentences. [-]
    """
    money = study.currency
    said = []
    for variant in study.variants:
        for room in variant.rooms:
            if room.per_t_chlorine is None:
                said.append(f"{variant.name}: {room.name} makes nothing in the period.")
                continue
            largest = sorted(room.items, key=lambda item: -abs(item.amount))[:3]
            why = ", ".join(f"{item.label} {fixed(item.amount / room.chlorine_t, 1)}" for item in largest)
            said.append(
                f"{variant.name}: a tonne of chlorine from {room.name} costs "
                f"{fixed(room.per_t_chlorine, 1)} {money} ({fixed(room.ac_kwh_per_t or 0.0, 0)} kWh/t AC); "
                f"most of it: {why}."
            )
        if not variant.splits:
            said.append(
                f"{variant.name}: no curves over the load are shown, because the mean power price is not "
                "above 0."
            )
        if variant is not study.variants[0]:
            continue
        said += [
            f"{variant.name}: with both at least load, {order.first} takes the next tonne above "
            f"{fixed(order.power_price_per_mwh, 1)} {money}/MWh, {order.second} below."
            for order in variant.indifferences
        ]
        said += [
            f"{variant.name}: {step.prices.name} goes to its least load above "
            f"{fixed(step.prices.least_above_per_mwh, 1)} {money}/MWh and to full load below "
            f"{fixed(step.prices.full_below_per_mwh, 1)}, for a tonne worth {fixed(step.value_per_t, 1)} "
            "(price_steps.csv says where the worth comes from)."
            for step in variant.steps
        ]
    return tuple(said) if conversion is None else (*_conversion_headlines(conversion, money), *said)


def _conversion_headlines(study: ConversionStudy, money: str) -> tuple[str, ...]:
    case = study.case
    simple, discounted, rate = case.simple_payback_years, case.discounted_payback_years, case.irr
    return (
        f"{study.converted.meaning}: saves {fixed(case.saving_per_year, 0, True)} {money} a year "
        f"({fixed(case.saving_per_year / case.chlorine_t_per_year, 1)} per t of chlorine of "
        f"{', '.join(study.rooms_out)}): power {fixed(case.power_saving_per_year, 0, True)}, steam "
        f"{fixed(-case.steam_cost_per_year, 0, True)}, other {fixed(case.other_saving_per_year, 0, True)}.",
        f"Outlay {fixed(case.outlay, 0, True)} {money}: investment {fixed(case.investment, 0, True)}, "
        f"decommissioning {fixed(case.decommissioning, 0, True)}, {fixed(case.mercury_t, 0)} t of mercury "
        f"{fixed(case.mercury_disposal, 0, True)}, downtime {fixed(case.downtime_loss, 0, True)}.",
        f"Net present value {fixed(case.npv, 0, True)} {money} at {fixed(case.discount_rate_percent, 1)} %/a "
        f"over {fixed(float(int(case.life_years)), 0)} years; simple payback "
        + (f"{fixed(simple, 1)} years" if simple is not None else "never")
        + "; discounted payback "
        + (f"{fixed(discounted, 1)} years" if discounted is not None else "not within the life")
        + "; internal rate of return "
        + (f"{fixed(rate * 100.0, 1)} %/a." if rate is not None else "not defined."),
    )


def _cautions(study: Technologies, conversion: ConversionStudy | None) -> tuple[str, ...]:
    from_conversion = conversion.notes if conversion is not None else ()
    return tuple(
        dict.fromkeys(
            (*study.notes, *study.warnings, *from_conversion, *BASIS, *LAW, MODEL_ACCURACY, *CAUTIONS)
        )
    )


def cost_text(
    study: Technologies, conversion: ConversionStudy | None = None, digests: Mapping[str, str] = _NO_DIGESTS
) -> str:
    """Return the summary of a cost study as text.

    Parameters
    ----------
    study : Technologies
        The study. [-]
    conversion : ConversionStudy, optional
        The conversion. [-]
    digests : mapping
        SHA-256 of every input file, by 'role:name'. [-]

    Returns
    -------
    str
        The summary, with cautions and the defaults that entered. [-]
    """
    period = study.variants[0].planned.period
    lines = [plain(f"{study.site_name}: running costs, {period.label}, {study.currency}"), ""]
    lines += [plain(f"! {warning}") for warning in study.warnings]
    lines += [f"- {plain(said)}" for said in headlines(study, conversion)]
    lines += [f"! {text}" for text in LAW] if conversion is not None else []
    lines += ["", f"Per tonne of chlorine [{study.currency}/t], alkali delivered at 50 wt%:"]
    for variant in study.variants:
        rooms = [room for room in (*variant.rooms, variant.whole) if room.chlorine_t > 0]
        if not rooms:
            continue
        names = [f"{plain(room.name):>14}" for room in rooms]
        lines += ["", plain(variant.meaning), " " * 42 + "".join(names)]
        for item in rooms[0].items:
            cells = [f"{fixed(room.item(item.key).amount / room.chlorine_t, 2):>14}" for room in rooms]
            lines.append(f"{item.label:<42}" + "".join(cells))
        for label, value in (
            ("per t of chlorine", [room.per_t_chlorine for room in rooms]),
            ("per dry t of alkali", [room.per_t_alkali for room in rooms]),
            ("per ECU", [room.per_ecu for room in rooms]),
        ):
            lines.append(f"{label:<42}" + "".join(f"{fixed(each or 0.0, 2):>14}" for each in value))
    values = dict.fromkeys(
        v for variant in study.variants for v in variant.values if v.is_default and (v.value or not v.owner)
    )
    lines += ["", "Defaults that entered (not this site's values; those of 0 are in inputs.csv):"]
    lines += [
        f"- {value.owner or 'site'}: {value.key} = {value.value:g} {value.unit}: {value.source}"
        for value in values
    ]
    if conversion is not None:
        lines += [
            f"- conversion: {key} = {span.value:g} {span.unit}: {span.source}"
            for key, span in conversion.ranges.items()
            if span.source.startswith("default")
        ]
    if digests:
        lines += ["", "Input files (SHA-256):", *(f"- {plain(n)}: {d}" for n, d in digests.items())]
    lines += ["", *(f"* {plain(text)}" for text in _cautions(study, conversion))]
    return "\n".join(lines) + "\n"


def workbook_bytes(study: Technologies, conversion: ConversionStudy | None, sheets: Sequence[Sheet]) -> bytes:
    """Return the workbook: a cover with what the study says, then every table; products are formulas.

    Parameters
    ----------
    study : Technologies
        The study. [-]
    conversion : ConversionStudy, optional
        The conversion. [-]
    sheets : sequence of Sheet
        The tables. [-]

    Returns
    -------
    bytes
        The workbook. [-]
    """
    import xlsxwriter
    from xlsxwriter.utility import xl_rowcol_to_cell

    target = io.BytesIO()
    # Text from a site file must stay text: no formula, no link.
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    book = xlsxwriter.Workbook(target, options)
    book.set_properties({"created": FIXED_DATE, "title": plain(f"{study.site_name}: running costs")})
    bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    numbers: dict[int, object] = {}
    cover = book.add_worksheet("summary")
    cover.set_column(0, 0, 130)
    cover.write_string(0, 0, plain(f"{study.site_name}: running costs, currency {study.currency}"), bold)
    said = [*study.warnings, *headlines(study, conversion), "", *_cautions(study, conversion)]
    for number, text in enumerate(said, start=2):
        cover.write_string(number, 0, plain(text), wrap)
    for sheet in sheets:
        page = book.add_worksheet(sheet.name)
        page.freeze_panes(1, 0)
        for c, column in enumerate(sheet.columns):
            page.write_string(0, c, column.name, bold)
            page.write_comment(0, c, column.meaning)
            page.set_column(c, c, 14 if column.decimals is not None else 22)
        products = {result: (first, second) for result, first, second in sheet.products}
        for r, row in enumerate(sheet.rows, start=1):
            for c, (value, column) in enumerate(zip(row, sheet.columns, strict=True)):
                if value is None:
                    continue
                if isinstance(value, str):
                    page.write_string(r, c, plain(value))
                    continue
                decimals = column.decimals or 0
                if decimals not in numbers:
                    zeros = f".{'0' * decimals}" if decimals else ""
                    numbers[decimals] = book.add_format({"num_format": f"#,##0{zeros}"})
                if column.name in products:
                    cells = [xl_rowcol_to_cell(r, sheet.position(name)) for name in products[column.name]]
                    page.write_formula(r, c, f"={'*'.join(cells)}", numbers[decimals], value)
                else:
                    page.write_number(r, c, value, numbers[decimals])
        if sheet.rows:
            page.autofilter(0, 0, len(sheet.rows), len(sheet.columns) - 1)
    book.close()
    return target.getvalue()


_PAGE: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>{{ title }}</title>
<style>
body { font: 15px/1.45 sans-serif; color: #1c2430; max-width: 75em; margin: 2em auto; padding: 0 1em; }
table { border-collapse: collapse; font-size: 13px; margin: .5em 0 1.5em; }
th, td { border: 1px solid #dfe3e8; padding: .2em .5em; text-align: left; vertical-align: top; }
td.n { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
img { max-width: 100%; } .warn { color: #a5122a; font-weight: bold; }
.law { border-left: 4px solid #a5122a; padding-left: .8em; }
summary { cursor: pointer; font-weight: bold; }
</style></head><body>
<h1>{{ title }}</h1>
{% for text in warnings %}<p class="warn">{{ text }}</p>{% endfor %}
<ul>{% for text in said %}<li>{{ text }}</li>{% endfor %}</ul>
{% for text in law %}<p class="law">{{ text }}</p>{% endfor %}
{% for name, data in images %}<p><img alt="{{ name }}" src="data:image/png;base64,{{ data }}"></p>{% endfor %}
{% for sheet in sheets %}<details{% if sheet.open %} open{% endif %}><summary>{{ sheet.title }}
({{ sheet.name }}.csv)</summary>
<table><thead><tr>{% for column in sheet.columns %}<th title="{{ column.meaning }}">{{ column.name }}</th>
{% endfor %}</tr></thead><tbody>
{% for row in sheet.rows %}<tr>{% for text, number in row %}
<td{% if number %} class="n"{% endif %}>{{ text }}</td>
{% endfor %}</tr>{% endfor %}</tbody></table></details>{% endfor %}
<h2>What to mind</h2><ul>{% for text in cautions %}<li>{{ text }}</li>{% endfor %}</ul>
</body></html>
"""

OPEN_TABLES: Final = ("rooms", "conversion", "saving", "order", "price_steps")
"""Tables that stand open on the page; the longer ones open on a click."""


def page_html(
    study: Technologies,
    conversion: ConversionStudy | None,
    sheets: Sequence[Sheet],
    images: Mapping[str, bytes],
) -> str:
    """Return the page: one file that needs nothing else, with charts and every table.

    Parameters
    ----------
    study : Technologies
        The study. [-]
    conversion : ConversionStudy, optional
        The conversion. [-]
    sheets : sequence of Sheet
        The tables. [-]
    images : mapping
        Charts by file name. [-]

    Returns
    -------
    str
        HTML. [-]
    """
    import jinja2

    shown = [
        {
            "name": sheet.name,
            "title": sheet.title,
            "open": sheet.name in OPEN_TABLES,
            "columns": sheet.columns,
            "rows": [
                [
                    (cell_text(value, column.decimals), not isinstance(value, str))
                    for value, column in zip(row, sheet.columns, strict=True)
                ]
                for row in sheet.rows
            ],
        }
        for sheet in sheets
    ]
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    period = study.variants[0].planned.period
    return environment.from_string(_PAGE).render(
        title=plain(f"{study.site_name}: running costs, {period.label}, {study.currency}"),
        warnings=[plain(text) for text in study.warnings],
        law=LAW if conversion is not None else (),
        said=[plain(text) for text in headlines(study, conversion)],
        images=[(name, base64.b64encode(data).decode("ascii")) for name, data in images.items()],
        sheets=shown,
        cautions=[plain(text) for text in _cautions(study, conversion)],
    )
