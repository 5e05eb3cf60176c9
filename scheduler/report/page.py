"""page.html and sheet.html: a plan to read on a screen, and its load sheet to print from one.

Owns what stands on the page and in which order. What every page has is in `scheduler.report.shell`, charts
are in `scheduler.report.svg`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from scheduler.report.cautions import CAUTIONS, MODEL_ACCURACY, SHORT_CAUTION
from scheduler.report.diagnosis import diagnosis_lines
from scheduler.report.figures import (
    billed_peaks,
    circuit_figures,
    circuit_names,
    comparable,
    energy_figures,
    plan_day_end_min,
    plan_mask,
    saving,
    saving_percent,
)
from scheduler.report.load_changes import change_count
from scheduler.report.outages import outage_lines
from scheduler.report.sheet import LoadSheet, contact_lines, failure_lines
from scheduler.report.shell import Key, Section, filled
from scheduler.report.summary import HEADLINES, certificate_words, comparison_words, trip_words
from scheduler.report.svg import (
    energy_chart,
    habit_chart,
    load_chart,
    money_chart,
    power_chart,
    stock_chart,
)
from scheduler.report.tanks import shared_tanks, tank_lines
from scheduler.report.topics import (
    bill_table,
    changes_table,
    circuits_table,
    energy_table,
    habit_table,
    levels_table,
    limits_table,
    loads_table,
    lots_table,
    misses_table,
    money_table,
    power_table,
    stocks_table,
    tanks_table,
    trips_table,
    values_table,
)
from scheduler.report.wording import MONTHS, WEEKDAYS, fixed, plain, spoken_minute
from scheduler.result import Plan, Status
from scheduler.values import LimitValue

if TYPE_CHECKING:
    pass

TIGHT_ROWS = 45
"""Rows above which the printed sheet.html tells changes by marks in the table only. [-]"""
VALUES_HINT = (
    "What each limit is worth has not been asked for here: plan with --values, or run "
    "'brinewatt why SITE --all'. A limit that is reached may be worth nothing, because another one holds at "
    "the same time."
)
VALUES_MEANING = (
    "Change of the plan's cost when a stock, a demand or a limit of the plan day is moved by one unit (or, "
    "where a whole unit is not possible, per unit of the part that is), found by solving again; negative "
    "saves. No figure: the move is not possible. Values are of the plan before whole steps. Where it says "
    "so, missed tonnes count at the miss price. Numbers whose move changes nothing stand in values.csv only."
)


def page_html(
    plan: Plan,
    digests: Mapping[str, str],
    notes: Iterable[str] = (),
    more: str = "",
    values: Sequence[LimitValue] = (),
) -> str:
    """Return the page of a plan.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    digests : mapping
        SHA-256 of every input. [-]
    notes : iterable of str
        Sentences beyond the site's own notes. [-]
    more : str
        Text that stands below the summary, for example a difference to an earlier plan. [-]
    values : sequence
        What limits are worth; empty if nobody asked. [-]

    Returns
    -------
    str
        HTML; the same plan gives the same text. [-]
    """
    horizon = plan.horizon
    first = horizon.local_starts[0]
    sections = (
        *_load_sections(plan),
        *_stock_sections(plan),
        _power_section(plan),
        _energy_section(plan),
        _money_section(plan),
        _habit_section(plan),
        _certificate_section(plan),
        _limit_section(plan, values),
        *_trip_sections(plan),
    )
    return filled(
        "page.html.j2",
        title=(
            f"{plain(plan.site.name)}: load plan, "
            f"{WEEKDAYS[first.weekday()]} {first.day} {MONTHS[first.month - 1]} {first.year}"
        ),
        skip_words="To the plan",
        good=plan.status is Status.PLAN,
        headline=HEADLINES[plan.status],
        failures=failure_lines(plan),
        failure_table=misses_table(plan),
        diagnosis=diagnosis_lines(plan),
        where=(
            f"Contract {plain(plan.site.contract.name)}. "
            f"Plan day {spoken_minute(horizon, horizon.start_min)} to "
            f"{spoken_minute(horizon, plan_day_end_min(plan))}, horizon to "
            f"{spoken_minute(horizon, horizon.end_min)}. Local time, {horizon.timezone}."
        ),
        outages=outage_lines(plan),
        notes=tuple(dict.fromkeys(plain(note) for note in (*plan.site.notes, *notes))),
        short_caution=SHORT_CAUTION,
        keys=_keys(plan),
        sections=sections,
        more=more.strip("\n"),
        cautions=CAUTIONS,
        contacts=contact_lines(plan),
        digests=tuple(digests.items()),
    )


def sheet_html(sheet: LoadSheet) -> str:
    """Return the load sheet as HTML that prints on one page of A4 across.

    Parameters
    ----------
    sheet : LoadSheet
        The sheet. [-]

    Returns
    -------
    str
        HTML; the same sheet gives the same text. [-]
    """
    groups: list[tuple[str, int]] = []
    for column in sheet.columns:
        if groups and groups[-1][0] == column.group:
            groups[-1] = (column.group, groups[-1][1] + 1)
        else:
            groups.append((column.group, 1))
    starts = {sum(count for _, count in groups[:position]) for position in range(len(groups))}
    type_pt, line_pt = _type_pt(sheet)
    return filled(
        "sheet.html.j2",
        sheet=sheet,
        groups=groups,
        starts=starts,
        limited=any(column.limits for column in sheet.columns),
        tight=_tight(sheet),
        short_caution=SHORT_CAUTION,
        type_pt=type_pt,
        line_pt=line_pt,
    )


def _type_pt(sheet: LoadSheet) -> tuple[float, float]:
    """Return size of type and distance of lines at which the table leaves room on an A4 page. [pt]."""
    # Of 550 pt of height about 75 are title, contacts, cautions and notes; a list of changes takes more.
    most = 0 if _tight(sheet) else max((len(circuit.lines) for circuit in sheet.changes), default=0)
    room = 445.0 - 11.0 * len(sheet.failures) - 8.0 * (most + len(sheet.notes) + len(sheet.outages))
    line = room / (len(sheet.clocks) + 5)
    letters = 6 + sum(
        1.6 + max(len(text) for text in (*column.cells, column.limits, column.unit))
        for column in sheet.columns
    )
    size = min(8.6, line / 1.2, 790.0 / (0.66 * letters))
    return round(size, 2), round(min(line, 1.6 * size), 2)


def _tight(sheet: LoadSheet) -> bool:
    """Return whether the printed page has no room for the list of changes and the long cautions."""
    return len(sheet.clocks) > TIGHT_ROWS


def _keys(plan: Plan) -> tuple[Key, ...]:
    currency, day = plan.site.contract.currency, plan_mask(plan)
    energy = energy_figures(plan, day)
    circuits = circuit_figures(plan, day)
    chlorine, dc = sum(c.chlorine_t for c in circuits), sum(c.dc_mwh for c in circuits)
    paid = (
        ""
        if energy.price_per_mwh is None
        else f"at {fixed(energy.price_per_mwh, 2)} {currency}/MWh on average"
    )
    keys = [
        Key("Cost of the horizon", f"{fixed(plan.audit.cost, 0, True)} {currency}", "income is negative"),
        Key("Import, plan day", f"{fixed(energy.energy_mwh, 0, True)} MWh", paid),
        Key(
            "Highest import, plan day",
            f"{fixed(energy.max_mw, 2)} MW",
            f"from {spoken_minute(plan.horizon, energy.max_at_min)}",
        ),
        Key(
            "Chlorine, plan day",
            f"{fixed(chlorine, 1, True)} t",
            f"{fixed(dc / chlorine * 1000.0, 0, True)} kWh/t DC" if chlorine > 0 else "none made",
        ),
    ]
    for comparison in plan.comparisons:
        amount, share = saving(plan, comparison), saving_percent(plan, comparison)
        if amount is not None and comparable(plan):
            percent = "" if share is None else f", {fixed(share, 2)} % of its energy charges"
            keys.append(
                Key(
                    f"Saved against {plain(comparison.name)}",
                    f"{fixed(amount, 0, True)} {currency}",
                    f"over the horizon{percent}",
                )
            )
    return tuple(keys)


def _load_sections(plan: Plan) -> tuple[Section, Section]:
    return (
        Section("load", "Load against price", drawing=load_chart(plan), behind=(loads_table(plan),)),
        Section(
            "changes",
            "Changes of load on the plan day",
            (
                "A change starts at the time given, at the rate given or slower; a run-down for an outage is "
                "done when the outage starts. The load before the first change is the last actual load, "
                "where it is known.",
                *(
                    f"{plain(name)}: {count}{', which no limit on changes counts' if count.free else ''}."
                    for name in circuit_names(plan)
                    if str(count := change_count(plan, name))
                ),
            ),
            tables=(changes_table(plan),),
        ),
    )


def _stock_sections(plan: Plan) -> tuple[Section, ...]:
    if not plan.declaration.stocks:
        return ()
    lots = lots_table(plan)
    tanks = (tanks_table(plan),) if shared_tanks(plan) else ()
    return (
        Section(
            "stocks",
            "Stocks, limits and loading",
            tuple(f"Tanks, {line}." for line in tank_lines(plan)),
            drawing=stock_chart(plan),
            tables=(stocks_table(plan),),
            behind=(levels_table(plan), *((lots,) if lots.rows else ()), *tanks),
        ),
    )


def _power_section(plan: Plan) -> Section:
    billed = tuple(
        f"Billed peak {fixed(each.peak_mw, 2)} MW: {plain(each.key)}." for each in billed_peaks(plan)
    )
    return Section("power", "Power by circuit", billed, power_chart(plan), behind=(power_table(plan),))


def _energy_section(plan: Plan) -> Section:
    return Section(
        "energy",
        "Energy per tonne",
        (MODEL_ACCURACY,),
        energy_chart(plan),
        (circuits_table(plan),),
        (energy_table(plan),),
    )


def _money_section(plan: Plan) -> Section:
    currency = plan.site.contract.currency
    sunk = (
        f"Not in the cost: {fixed(plan.audit.sunk, 2, True)} {currency} of the billing period that no load "
        "of this horizon changes.",
    )
    return Section(
        "money",
        "Where the money goes",
        (
            f"Cost of the horizon {fixed(plan.audit.cost, 2, True)} {currency}, by the exact models. Income "
            "is negative.",
            *(sunk if plan.audit.sunk else ()),
        ),
        money_chart(plan),
        (bill_table(plan),),
        (money_table(plan),),
    )


def _habit_section(plan: Plan) -> Section:
    told = tuple(comparison_words(plan, comparison) for comparison in plan.comparisons)
    return Section(
        "habit",
        "Against the habit",
        told or ("Nothing to compare with.",),
        habit_chart(plan) if comparable(plan) else None,
        behind=(habit_table(plan),) if plan.comparisons else (),
    )


def _certificate_section(plan: Plan) -> Section:
    certificate = plan.certificate
    return Section(
        "certificate",
        "How good is this plan?",
        (
            *_plain_certificate(plan),
            certificate_words(plan),
            MODEL_ACCURACY,
            f"The program was solved {certificate.rounds} times with {certificate.tangents} tangents, "
            f"{certificate.chords} chords and {certificate.binaries} branches added.",
        ),
    )


def _plain_certificate(plan: Plan) -> tuple[str, ...]:
    """Return the certificate in one plain sentence, where there is one that holds."""
    certificate = plan.certificate
    if not math.isfinite(certificate.lower_bound) or certificate.gap < -1e-6:
        return ()
    above = max(plan.audit.cost - certificate.lower_bound, 0.0)
    same = "" if comparable(plan) else " that has the same misses and broken limits"
    return (
        f"In plain words: whatever anyone tries, no other plan{same} for these prices, duties and end stocks "
        f"can save more than {fixed(above, 0, True)} {plan.site.contract.currency} over the whole horizon.",
    )


def _limit_section(plan: Plan, values: Sequence[LimitValue]) -> Section:
    shown = [value for value in values if value.matters]
    return Section(
        "limits",
        "Limits that bind, and their value",
        (VALUES_MEANING if values else VALUES_HINT,),
        tables=(*((values_table(plan, shown),) if shown else ()), limits_table(plan)),
    )


def _trip_sections(plan: Plan) -> tuple[Section, ...]:
    told = trip_words(plan)
    if not told:
        return ()
    return (
        Section(
            "trips",
            "If something trips",
            (*told, "This describes trips with the planned loads held; it is no trip procedure."),
            tables=(trips_table(plan),),
        ),
    )
