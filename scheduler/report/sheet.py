"""The load sheet: what one printed page tells a shift about the plan day.

Owns which rows, columns and lines the page has. How it is set on paper stands in
`scheduler.report.sheet_pdf` and in the template of sheet.html; figures come from `scheduler.report.figures`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from models.horizon import Array, Integers
from models.pieces import Stock
from scheduler.report.cautions import CAUTIONS, MODEL_ACCURACY
from scheduler.report.columns import SHEET_COLUMNS
from scheduler.report.diagnosis import short_lines
from scheduler.report.figures import (
    alkali_t_per_h,
    circuit_names,
    edges_min,
    load_variable,
    loadings,
    on_horizon,
    peak_so_far_mw,
    plan_day_end_min,
    plan_mask,
    total_reading,
)
from scheduler.report.load_changes import (
    LOAD_TOLERANCE_KA,
    LoadChange,
    change_count,
    load_before_ka,
    load_changes,
    outage_ways,
)
from scheduler.report.other_rates import other_rate_lines
from scheduler.report.outages import outage_lines
from scheduler.report.tanks import tank_lines
from scheduler.report.trips import trip_figures
from scheduler.report.wording import MONTHS, WEEKDAYS, clock, duty_words, fixed, plain, spoken_minute
from scheduler.result import Plan, Status

HOURLY_FROM = 30
"""Rows of a plan day above which only full hours and changes of load are shown."""
MOST_CHANGES = 7
"""Changes of one circuit in the list below the table; the table marks all of them."""
MOST_FAILURES = 5
"""Lines on what is missed or broken before the sheet points to the page."""
MOST_LOADINGS = 12
"""Lots in the line on loading before the sheet points to the table of loading."""

BLANK = "_" * 28
"""A line to write on."""

HEADLINES = {
    Status.PLAN: "All duties met, all limits kept",
    Status.MISSES: "DUTIES MISSED",
    Status.NOT_A_PLAN: "NOT A PLAN: DO NOT RUN",
    Status.SOLVER_LIMIT: "Open gap: duties met, limits kept",
}
"""Kind of result in few words."""


@dataclass(frozen=True)
class SheetColumn:
    """A column of the load sheet.

    Parameters
    ----------
    group : str
        What the columns beside each other have in common. [-]
    head : str
        Name for people. [-]
    unit : str
        Unit of the values. [-]
    cells : tuple of str
        One per row. [-]
    marked : tuple of bool
        Whether the value begins to hold with this row and differs from before. [-]
    limits : str
        Limits of the values on the plan day; empty where there are none to tell. [unit]
    """

    group: str
    head: str
    unit: str
    cells: tuple[str, ...]
    marked: tuple[bool, ...]
    limits: str = ""


@dataclass(frozen=True)
class CircuitChanges:
    """The changes of one circuit, in words.

    Parameters
    ----------
    circuit : str
        Name of the circuit. [-]
    rate : str
        Greatest rate in words; empty if none is stated. [-]
    lines : tuple of str
        One per change. [-]
    """

    circuit: str
    rate: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class LoadSheet:
    """Everything that stands on the load sheet, in order.

    Parameters
    ----------
    title, day, result : str
        Site, plan day, kind of result. [-]
    good : bool
        Whether all duties are met and all limits kept. [-]
    failures : tuple of str
        What is missed or broken, one line each. [-]
    clocks : tuple of str
        Local time at which each row begins; the last is the end of the day. [-]
    columns : tuple of SheetColumn
        The columns, those that matter least last. [-]
    changes : tuple of CircuitChanges
        Changes by circuit. [-]
    outages : tuple of str
        What is out of service or limited on the day. [-]
    loading : tuple of str
        Lots that are loaded on the day. [-]
    rates : tuple of str
        Rates that are set beside the loads, by unit. [-]
    tanks : tuple of str
        Which tank of a product is filled and which is loaded from, where it has several. [-]
    contacts : tuple of (str, str)
        Whom to ask: role, and how or a line to write on. [-]
    cautions : tuple of str
        What comes before any use. [-]
    notes : tuple of str
        Notes of the site and of reading. [-]
    reading : str
        How the table is read. [-]
    """

    title: str
    day: str
    result: str
    good: bool
    failures: tuple[str, ...]
    clocks: tuple[str, ...]
    columns: tuple[SheetColumn, ...]
    changes: tuple[CircuitChanges, ...]
    outages: tuple[str, ...]
    loading: tuple[str, ...]
    rates: tuple[str, ...]
    tanks: tuple[str, ...]
    contacts: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    reading: str

    def first_columns(self, count: int) -> LoadSheet:
        """Return the same sheet with the first columns only, which says what is left out.

        Parameters
        ----------
        count : int
            How many columns to keep, 1 or more. [-]

        Returns
        -------
        LoadSheet
            The sheet; itself if nothing is left out. [-]
        """
        if count >= len(self.columns):
            return self
        left_out = ", ".join(column.head for column in self.columns[count:])
        reading = f"{self.reading} Not on this page for want of width, see page.html: {left_out}."
        return replace(self, columns=self.columns[:count], reading=reading)


def load_sheet(plan: Plan, notes: Iterable[str] = ()) -> LoadSheet:
    """Return the load sheet of a plan.

    Parameters
    ----------
    plan : Plan
        The plan; not one that must not be run. [-]
    notes : iterable of str
        Sentences beyond the site's own notes. [-]

    Returns
    -------
    LoadSheet
        The sheet. [-]

    Raises
    ------
    ValueError
        If the result is NOT A PLAN: there is nothing to run.
    """
    if plan.status is Status.NOT_A_PLAN:
        raise ValueError("a result that is NOT A PLAN must not be printed as a load sheet")
    horizon = plan.horizon
    first = horizon.local_starts[0]
    rows = shown_rows(plan)
    ends = np.append(horizon.starts_min[rows], plan_day_end_min(plan))
    doubled = len({start.utcoffset() for start in horizon.local_starts[: horizon.plan_intervals + 1]}) > 1
    return LoadSheet(
        title=f"{plain(plan.site.name)}: load sheet",
        day=f"{WEEKDAYS[first.weekday()]} {first.day} {MONTHS[first.month - 1]} {first.year}",
        result=HEADLINES[plan.status],
        good=plan.status is Status.PLAN,
        failures=failure_lines(plan),
        clocks=tuple(clock(horizon, int(minute), doubled) for minute in ends),
        columns=(
            *_load_columns(plan, rows),
            *_rate_columns(plan, rows),
            *_trip_columns(plan, rows),
            *_stock_columns(plan, rows),
        ),
        changes=tuple(_circuit_changes(plan, name, doubled) for name in circuit_names(plan)),
        outages=outage_lines(plan),
        loading=_loading_lines(plan, doubled),
        rates=other_rate_lines(plan, doubled),
        tanks=tank_lines(plan, doubled),
        contacts=contact_lines(plan),
        cautions=CAUTIONS,
        notes=tuple(dict.fromkeys(plain(note) for note in (*plan.site.notes, *notes))),
        reading=_reading(plan, rows),
    )


def shown_rows(plan: Plan) -> Integers:
    """Return the intervals at which rows of the sheet begin.

    Every interval of the plan day; where those are many, its start, every full hour, and every interval at
    which a load changes.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    ndarray of int
        Positions of intervals, ascending. Shape (k,). [-]
    """
    days = plan.horizon.plan_intervals
    if days <= HOURLY_FROM:
        return np.arange(days)
    wanted = {t for t in range(days) if t == 0 or plan.horizon.local_starts[t].minute == 0}
    for name in circuit_names(plan):
        wanted |= {change.interval for change in load_changes(plan, name) if change.interval < days}
    return np.array(sorted(wanted), dtype=np.int64)


def _reading(plan: Plan, rows: Integers) -> str:
    days = plan.horizon.plan_intervals
    some = (
        f" Of {days} intervals only full hours and changes of load are shown; plan.csv has all."
        if len(rows) < days
        else ""
    )
    trips = (
        " Cover: hours until a customer falls short if the largest circuit trips, 0.0 where the vaporiser is "
        "cold or too small; to cut: chlorine without a place if the largest customer trips (trips.csv)."
        if trip_figures(plan)
        else ""
    )
    return (
        "A row holds from its time to the next one: load as set at its start (underlined where it changes; a "
        "run-down for an outage begins before its row), rates, power and price as means, price with all of "
        "the contract's energy rates, peak as the highest mean import of the month at its end. Stocks are "
        f"levels AT the time of the row.{trips}{some} {MODEL_ACCURACY}"
    )


def failure_lines(plan: Plan) -> tuple[str, ...]:
    """Return what is broken or missed, one line each, worst first, and what would help.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of str
        Lines; empty if nothing is broken or missed. [-]
    """
    return tuple(
        [
            f"Broken: {plain(found.meaning or found.key)}, by {found.amount:.3g} {plain(found.unit)}"
            f"{_at(plan, found.interval, 'worst at')}"
            for found in plan.audit.violations
        ]
        + [
            f"Missed ({duty_words(miss.miss_class)}): {plain(miss.meaning or miss.key)}, "
            f"{miss.quantity:.4g} {plain(miss.unit)}{_at(plan, miss.interval, 'from')}"
            for miss in plan.misses
        ]
        + list(short_lines(plan))
    )


def _at(plan: Plan, interval: int | None, word: str) -> str:
    if interval is None:
        return ""
    return f", {word} {spoken_minute(plan.horizon, int(plan.horizon.starts_min[interval]))}"


def contact_lines(plan: Plan) -> tuple[tuple[str, str], ...]:
    """Return whom to ask; lines to write on where the site names nobody.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of (str, str)
        Role and how to reach it. [-]
    """
    named = tuple((plain(contact.role), plain(contact.how) or BLANK) for contact in plan.site.contacts)
    return named or (("name and number", BLANK),)


def _means(plan: Plan, rows: Integers, values: Array) -> list[float]:
    """Return the time-weighted mean of each row: from its start to that of the next."""
    days = plan.horizon.plan_intervals
    hours = plan.horizon.hours[:days]
    sums = np.add.reduceat(values[:days] * hours, rows)
    means: list[float] = (sums / np.add.reduceat(hours, rows)).tolist()
    return means


def _column(
    group: str, head: str, unit: str, cells: Iterable[str], marked: Iterable[bool] | None = None
) -> SheetColumn:
    texts = (*cells,)
    marks = tuple(marked) if marked is not None else (False,) * len(texts)
    return SheetColumn(group, head, unit, texts, marks)


def load_decimals(load: Array) -> int:
    """Return how many decimals a circuit's loads need, at most two.

    Parameters
    ----------
    load : ndarray
        Loads. Shape (m,). [kA]

    Returns
    -------
    int
        0, 1 or 2. [-]
    """
    return next((d for d in (0, 1) if np.all(np.abs(load - np.round(load, d)) <= LOAD_TOLERANCE_KA)), 2)


def _load_columns(plan: Plan, rows: Integers) -> list[SheetColumn]:
    columns = []
    for name in circuit_names(plan):
        load = on_horizon(plan, load_variable(plan, name))[: plan.horizon.plan_intervals]
        decimals = load_decimals(load)
        load = load * _share_left(plan, name)
        moved = {change.interval for change in load_changes(plan, name) if change.from_ka is not None}
        cells = [fixed(float(load[t]), decimals) for t in rows]
        marks = [int(t) in moved for t in rows]
        columns.append(_column("Load", plain(name), "kA", [*cells, ""], [*marks, False]))
    return columns


def _share_left(plan: Plan, circuit: str) -> Array:
    """Return the share of the set load that flows at each start on the plan day while it is run down."""
    starts = plan.horizon.starts_min[: plan.horizon.plan_intervals]
    share = np.ones(len(starts))
    for way in outage_ways(plan, circuit):
        if way.down:
            gone = (starts - way.begin_min) / way.minutes
            share = np.where((gone > 0) & (np.arange(len(starts)) < way.edge), 1.0 - gone, share)
    return share


def _rate_columns(plan: Plan, rows: Integers) -> list[SheetColumn]:
    days = plan.horizon.plan_intervals
    last = [*(rows[1:] - 1), days - 1]
    peak = peak_so_far_mw(plan)
    names = {column.name: column for column in SHEET_COLUMNS}
    per_mwh = f"{plan.site.contract.currency}/MWh"

    def mean(values: Array, decimals: int) -> list[str]:
        return [*(fixed(value, decimals) for value in _means(plan, rows, values)), ""]

    chlorine = total_reading(plan, "chlorine_t_per_h")
    made = [
        _column("Made", kind, names["alkali_t_per_h"].unit, mean(rate, 2))
        for kind, rate in alkali_t_per_h(plan).items()
    ]
    return [
        _column("Made", "Cl2", names["chlorine_t_per_h"].unit, mean(chlorine, 2)),
        *made,
        _column("Power", "import", names["import_mw"].unit, mean(plan.audit.values[plan.site.meter], 2)),
        _column("Power", "peak", names["peak_mw"].unit, [*(fixed(float(peak[t]), 2) for t in last), ""]),
        _column("Power", "price", per_mwh, mean(plan.energy_price_per_mwh, 2)),
    ]


def _trip_columns(plan: Plan, rows: Integers) -> list[SheetColumn]:
    columns = []
    figures = trip_figures(plan)
    ends = [*rows[1:], plan.horizon.plan_intervals]
    for trips in figures:
        cover = trips.without_circuit.cover_h.min(axis=0)
        cut = trips.without_customer.to_cut_t_per_h
        more = f" {plain(trips.header)}" if len(figures) > 1 else ""
        least = [float(cover[a:b].min()) for a, b in zip(rows, ends, strict=True)]
        most = [float(cut[a:b].max()) for a, b in zip(rows, ends, strict=True)]
        columns += [
            _column("Largest trip", f"cover{more}", "h", [*(_hours(value) for value in least), ""]),
            _column("Largest trip", f"to cut{more}", "t/h", [*(fixed(v, 1) for v in most), ""]),
        ]
    return columns


def _hours(value: float) -> str:
    return "no end" if math.isinf(value) else fixed(value, 1)


def _stock_columns(plan: Plan, rows: Integers) -> list[SheetColumn]:
    columns = []
    for stock in plan.declaration.stocks:
        levels = np.concatenate([[stock.initial], plan.audit.values[stock.key]])
        shown = levels[[*rows, plan.horizon.plan_intervals]]
        decimals = 0 if np.max(np.abs(shown)) >= 100.0 else 1
        column = _column(
            "Stock at the time, limits",
            plain(stock.key).removesuffix("_level"),
            plain(stock.unit),
            (fixed(float(level), decimals) for level in shown),
        )
        columns.append(replace(column, limits=_limits(plan, stock)))
    return columns


def _limits(plan: Plan, stock: Stock) -> str:
    """Return the narrowest limits of a stock on the plan day."""
    days = plan.horizon.plan_intervals
    low, high = float(np.max(stock.lower[:days])), float(np.min(stock.upper[:days]))
    parts = ("none" if math.isinf(limit) else f"{limit:.0f}" for limit in (low, high))
    return "-".join(parts)


def change_words(change: LoadChange, decimals: int) -> str:
    """Return a change of load in words, without its time.

    Parameters
    ----------
    change : LoadChange
        The change. [-]
    decimals : int
        Digits after the point. [-]

    Returns
    -------
    str
        For example '208 to 206 kA, 1.5 min', or 'to 206 kA' where the load before is not known. [-]
    """
    to = fixed(change.to_ka, decimals)
    if change.from_ka is None:
        return f"to {to} kA"
    took = "" if change.minutes is None else f", {fixed(max(change.minutes, 0.1), 1)} min"
    return f"{fixed(change.from_ka, decimals)} to {to} kA{took}"


def rate_words(rate_ka_per_min: float | None) -> str:
    """Return a circuit's greatest rate in words.

    Parameters
    ----------
    rate_ka_per_min : float or None
        Rate. [kA/min]

    Returns
    -------
    str
        For example 'at most 1.33 kA/min'. [-]
    """
    return "no rate stated" if rate_ka_per_min is None else f"at most {rate_ka_per_min:.3g} kA/min"


def _circuit_changes(plan: Plan, name: str, doubled: bool) -> CircuitChanges:
    load = on_horizon(plan, load_variable(plan, name))[: plan.horizon.plan_intervals]
    before = load_before_ka(plan, name)
    decimals = load_decimals(load if before is None else np.append(load, before))
    changes = load_changes(plan, name)
    lines = [
        f"{clock(plan.horizon, change.begin_min, doubled)}  {change_words(change, decimals)}"
        for change in changes
    ]
    unit = next(unit for unit in plan.site.units if unit.name == name)
    rate = rate_words(getattr(unit, "ramp_ka_per_min", None)) if changes else ""
    rate = ", ".join(words for words in (rate, str(change_count(plan, name))) if words)
    return CircuitChanges(plain(name), rate, tuple(lines) or ("no change",))


def _loading_lines(plan: Plan, doubled: bool) -> tuple[str, ...]:
    day, edges = plan_mask(plan), edges_min(plan)
    lines = []
    for loading in loadings(plan):
        at = loading.intervals(day)
        if at.size:
            start = max(int(edges[at[0]]), loading.window_start_min)
            end = min(int(edges[at[-1] + 1]), loading.window_end_min)
            lines.append(
                f"{plain(loading.lot)} ({loading.mode}) "
                f"{fixed(loading.quantity_in(plan.horizon.hours, day), 1)} t {plain(loading.commodity)} "
                f"{clock(plan.horizon, start, doubled)}-{clock(plan.horizon, end, doubled)}"
            )
    return tuple(lines)
