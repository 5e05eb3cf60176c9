"""The files that a plan hands to others: power nomination, utilities, loading and rectifiers.

Owns what each file holds, for the plan day only, and the sheet of cautions that goes with them. A result
that is NOT A PLAN has none of them. Names and meanings of columns stand in `scheduler.report.columns`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np

from models.circuit import Circuit
from models.contract.calendar import METERING_MINUTES, energy_mwh, metering_periods
from models.horizon import Array, Integers
from models.order import Lot
from models.trade import Outlet, Purchase
from scheduler.report.cautions import CAUTIONS
from scheduler.report.columns import UNIT_FORMATS
from scheduler.report.csv_text import csv_text
from scheduler.report.figures import (
    RATE_TOLERANCE_T_PER_H,
    edges_min,
    on_horizon,
    plan_day_end_min,
    plan_mask,
)
from scheduler.report.load_changes import load_changes
from scheduler.report.trips import TRIPS_NAME, trip_figures, trips_csv
from scheduler.report.wording import fixed, local_minute, local_start, plain
from scheduler.result import Plan, Status

QUANTITY_FORMATS = {"hydrogen": "kg/h", "steam": "t/h"}

HANDOFF_FILES = {
    "nomination.csv": "mean import of the site in each settlement interval, to nominate or bid",
    "utilities_forecast.csv": "hydrogen and steam made, bought, used and vented, by unit",
    "loading_per_shift.csv": "what to load in each shift, by lot",
    "rectifiers.csv": "each change of load: when, from, to, how fast, and load per rectifier unit",
}
"""Files by name, with what they hold."""
CAUTIONS_NAME = "HANDOFFS.txt"
EXTRA_NAMES = (TRIPS_NAME, CAUTIONS_NAME, *HANDOFF_FILES)
"""Names that this module may add to a plan's folder."""

Row = Sequence[str]


def handoff_files(plan: Plan) -> dict[str, Callable[[Path], None]]:
    """Return the writer of each further file: trips where there are any, then the hand-offs.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    dict
        Writers by file name; empty if the result is not a plan. [-]
    """
    if plan.status is Status.NOT_A_PLAN:
        return {}
    trips = trip_figures(plan)
    texts = {
        **({TRIPS_NAME: trips_csv(plan, trips)} if trips else {}),
        CAUTIONS_NAME: handoff_text(plan),
        "nomination.csv": nomination_csv(plan),
        "utilities_forecast.csv": utilities_csv(plan),
        "loading_per_shift.csv": loading_csv(plan),
        "rectifiers.csv": rectifiers_csv(plan),
    }
    return {name: _writer(text) for name, text in texts.items()}


def _writer(text: str) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        path.write_text(text, encoding="utf-8", newline="")

    return write


def _status(plan: Plan) -> str:
    """Return what stands in every row, so that a file torn from its folder still says what it is."""
    if plan.status is Status.NOT_A_PLAN:
        raise ValueError("a result that is NOT A PLAN must not be handed on")
    return f"{plan.status.value}; advice only: see {CAUTIONS_NAME}"


def _table(plan: Plan, names: Sequence[str], rows: Iterable[Row]) -> str:
    status = _status(plan)
    return csv_text((*names, "status"), ([*row, status] for row in rows))


def _number(value: float, unit: str) -> str:
    return fixed(value, UNIT_FORMATS[unit].decimals)


def settlement_minutes(plan: Plan) -> int:
    """Return the length of a settlement interval: the finest metering or price of the contract.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    int
        15, 30 or 60; as long as the plan's intervals where the contract says nothing. [min]
    """
    horizon, found = plan.horizon, []
    for component in plan.site.contract.components:
        # Kinds of one's own say so by the same name of a field.
        metering = getattr(component, "metering_minutes", None)
        if metering is not None:
            found.append(int(metering))
        for name in component.series_needed():
            series = plan.situation.series.get(name)
            if series is not None:
                ends = series.starts_min + series.lengths_min
                today = (ends > horizon.start_min) & (series.starts_min < plan_day_end_min(plan))
                found += series.lengths_min[today].tolist()
    finest = min(found or horizon.lengths_min[: horizon.plan_intervals].tolist())
    return next((minutes for minutes in METERING_MINUTES if minutes >= finest), METERING_MINUTES[-1])


def nomination_csv(plan: Plan) -> str:
    """Return nomination.csv: the audited mean import in each settlement interval of the plan day.

    A settlement interval that began before the plan is left out, because its mean is not the plan's alone.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    str
        Text of the file. [-]
    """
    starts, ends = metering_periods(plan.horizon, settlement_minutes(plan))
    inside = (starts >= plan.horizon.start_min) & (ends <= plan_day_end_min(plan))
    starts, ends = starts[inside], ends[inside]
    power = energy_mwh(plan.horizon, plan.audit.values[plan.site.meter], starts, ends) / (ends - starts) * 60
    return _table(
        plan,
        ("start", "minutes", "import_mw"),
        (
            (local_minute(plan.horizon, start), str(end - start), _number(mean, "MW"))
            for start, end, mean in zip(starts.tolist(), ends.tolist(), power.tolist(), strict=True)
        ),
    )


def utilities_csv(plan: Plan) -> str:
    """Return utilities_forecast.csv: hydrogen and steam on each interval of the plan day.

    Vented is what leaves by an outlet that earns nothing; bought is what a purchase brings; made and used
    are the other net flows onto and from the commodity.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    str
        Text of the file. [-]
    """
    days = range(plan.horizon.plan_intervals)
    columns: dict[str, list[str]] = {
        "start": [local_start(plan.horizon, t) for t in days],
        "minutes": [str(plan.horizon.lengths_min[t]) for t in days],
    }
    units = {unit.name: unit for unit in plan.site.units}
    for commodity, measure in QUANTITY_FORMATS.items():
        suffix = UNIT_FORMATS[measure].suffix
        flows = {name: flow for (name, what), flow in plan.audit.flows.items() if what == commodity}
        sums = {kind: np.zeros(len(plan.horizon)) for kind in ("made", "bought", "used", "vented")}
        for name, flow in flows.items():
            unit = units[name]
            gain = "bought" if isinstance(unit, Purchase) else "made"
            loss = "vented" if isinstance(unit, Outlet) and unit.credit <= 0 else "used"
            sums[gain] += np.maximum(flow, 0.0)
            sums[loss] += np.maximum(-flow, 0.0)
        for kind, values in sums.items():
            columns[f"{commodity}_{kind}_{suffix}"] = _column(plan, values, measure)
        for name, flow in flows.items():
            columns[f"{name}_{commodity}_{suffix}"] = _column(plan, flow, measure)
    return _table(plan, tuple(columns), zip(*columns.values(), strict=True))


def _column(plan: Plan, values: Array, measure: str) -> list[str]:
    return [_number(value, measure) for value in values[plan_mask(plan)].tolist()]


def loading_csv(plan: Plan) -> str:
    """Return loading_per_shift.csv: one row for each shift and lot that is loaded on the plan day.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    str
        Text of the file. [-]
    """
    horizon = plan.horizon
    variables = {variable.key: variable for variable in plan.declaration.variables}
    day, labels = plan_mask(plan), np.array(horizon.shift_labels)
    rows = []
    for lot in plan.site.units:
        if not isinstance(lot, Lot) or lot.key("loading") not in variables:
            continue
        rate = on_horizon(plan, variables[lot.key("loading")])
        for shift in dict.fromkeys(horizon.shift_labels[: horizon.plan_intervals]):
            at = np.flatnonzero(day & (labels == shift) & (rate > RATE_TOLERANCE_T_PER_H))
            if not at.size:
                continue
            start = max(int(horizon.starts_min[at[0]]), lot.window_start_min)
            end = min(int(horizon.starts_min[at[-1]] + horizon.lengths_min[at[-1]]), lot.window_end_min)
            cells = (
                shift,
                lot.name,
                lot.customer,
                lot.mode,
                lot.commodity,
                _number(float(np.sum(rate[at] * horizon.hours[at])), "t"),
                _number(lot.loaded_t + lot.quantity_t, "t"),
                _wagons(lot, np.cumsum(rate * horizon.hours), at),
                local_minute(horizon, start),
                local_minute(horizon, end),
                lot.note,
            )
            rows.append((shift, start, lot.name, cells))
    names = (
        "shift",
        "lot",
        "customer",
        "mode",
        "product",
        "load_t",
        "lot_t",
        "wagons",
        "from",
        "to",
        "note",
    )
    return _table(plan, names, (cells for *_, cells in sorted(rows)))


def _wagons(lot: Lot, loaded_t: Array, at: Integers) -> str:
    """Return how many wagons become full in a shift; one begun counts in the shift that fills it."""
    if lot.wagon_t is None:
        return ""
    before = loaded_t[at[0] - 1] if at[0] > 0 else 0.0
    filled = lot.wagons_filled(np.array([before, loaded_t[at[-1]]]))
    return f"{filled[1] - filled[0]:.0f}"


def rectifiers_csv(plan: Plan) -> str:
    """Return rectifiers.csv: starting loads of the plan day, then each change, by circuit.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    str
        Text of the file. [-]
    """
    names = (
        "circuit",
        "start",
        "from_ka",
        "to_ka",
        "rate_ka_per_min",
        "change_minutes",
        "rectifier_units",
        "unit_ka",
    )
    circuits = (unit for unit in plan.site.units if isinstance(unit, Circuit))
    return _table(plan, names, (row for circuit in circuits for row in _changes(plan, circuit)))


def _changes(plan: Plan, circuit: Circuit) -> list[Row]:
    horizon = plan.horizon
    load = plan.audit.values[circuit.key("load")]
    units = circuit.state(horizon, plan.situation).rectifier_units
    moves = {change.interval: change for change in load_changes(plan, circuit.name)}
    edges = edges_min(plan)
    rows: list[tuple[int, Row]] = []
    for t in range(horizon.plan_intervals):
        if t > 0 and t not in moves and units[t] == units[t - 1]:
            continue
        before = circuit.load_before_ka(plan.situation) if t == 0 else float(load[t - 1])
        move = moves.get(t)
        takes = None if move is None else move.minutes
        begin = int(edges[t]) if move is None else move.begin_min
        row = (
            circuit.name,
            local_minute(horizon, begin),
            "" if before is None else _number(before, "kA"),
            _number(float(load[t]), "kA"),
            "" if move is None or takes is None else f"{move.rate_ka_per_min:.4g}",
            "" if takes is None else f"{takes:.1f}",
            f"{units[t]:g}",
            _number(float(load[t]) / units[t], "kA") if units[t] > 0 else "",
        )
        rows.append((begin, row))
    last = moves.get(horizon.plan_intervals)
    if last is not None and last.from_ka is not None:
        # The outage begins with the next day; its run-down is this day's.
        on = units[horizon.plan_intervals - 1]
        row = (
            circuit.name,
            local_minute(horizon, last.begin_min),
            _number(last.from_ka, "kA"),
            _number(last.to_ka, "kA"),
            f"{last.rate_ka_per_min:.4g}",
            f"{last.minutes:.1f}",
            f"{on:g}",
            _number(0.0, "kA"),
        )
        rows.append((last.begin_min, row))
    return [row for _, row in sorted(rows, key=lambda pair: pair[0])]


def handoff_text(plan: Plan) -> str:
    """Return the sheet that goes with the hand-offs: what the result is, the files, the cautions.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    str
        Plain text with a line feed at the end. [-]
    """
    horizon = plan.horizon
    first = (
        f"{plain(plan.site.name)}: hand-offs for {local_start(horizon, 0)} to "
        f"{local_minute(horizon, plan_day_end_min(plan))}, local time, {horizon.timezone}."
    )
    missed = [f"Missed: {plain(m.meaning or m.key)}: {m.quantity:.4g} {m.unit}." for m in plan.misses]
    notes = [f"Note: {plain(note)}" for note in plan.site.notes]
    limits = [
        "All files hold the plan day only and repeat the plan; nothing in them is decided anew. A later plan "
        "replaces them all.",
        f"The nomination is the mean in intervals of {settlement_minutes(plan)} min; where the plan's "
        "intervals are longer, their mean is repeated. While a load moves the real mean differs.",
        "A change of load starts at the time given. Its rate is the circuit's greatest, around an outage an "
        "even one; where none is stated the cells are empty. Load per rectifier unit takes equal sharing by "
        "the units in service.",
        f"{TRIPS_NAME} describes trips with the planned loads held; it is no trip procedure.",
    ]
    blocks = (
        [first, f"Result: {_status(plan)}", *missed, *notes],
        [f"{name}: {what}." for name, what in HANDOFF_FILES.items()],
        limits,
        [f"- {caution}" for caution in CAUTIONS],
    )
    return "\n\n".join("\n".join(textwrap.fill(line, 100) for line in block) for block in blocks) + "\n"
