"""The tables that page and workbook share: one record for each, typed, in the order people read them.

Owns rows and order. Names, units and meanings of columns stand in `scheduler.report.columns`, figures in
`scheduler.report.figures`; how a table looks is the matter of page and workbook.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from models.horizon import Array
from models.tank_header import piece
from scheduler.report.columns import TOPICS, Documented
from scheduler.report.figures import (
    circuit_figures,
    circuit_names,
    comparable,
    edges_min,
    load_variable,
    loadings,
    on_horizon,
    peak_so_far_mw,
    plan_mask,
    saving,
    saving_percent,
    stock_figures,
)
from scheduler.report.limits import reached_limits
from scheduler.report.load_changes import load_changes
from scheduler.report.tanks import rates, shared_tanks
from scheduler.report.trips import trip_figures
from scheduler.report.wording import fixed, local_minute, plain
from scheduler.result import Plan
from scheduler.values import LimitValue


@dataclass(frozen=True)
class Cell:
    """A cell of a table.

    Parameters
    ----------
    value : float, str or None
        Number or text; None where there is none. [as the column]
    decimals : int
        Digits after the point of a number. [-]
    minute : int or None
        Instant since 1970-01-01T00:00Z, if the text is that instant in local time. [min]
    """

    value: float | str | None
    decimals: int = 0
    minute: int | None = None

    @property
    def numeric(self) -> bool:
        """Whether it is set to the right. [-]."""
        return not isinstance(self.value, str)

    @property
    def text(self) -> str:
        """What people read; an infinite number, and none, are told in words. [-]."""
        if isinstance(self.value, str):
            return self.value
        if self.value is None:
            return "-"
        if np.isinf(self.value):
            return "no end"
        return fixed(self.value, self.decimals, thousands=True)

    @property
    def order(self) -> str:
        """By what rows are sorted: a number as text where it is one, else the text. [-]."""
        if self.value is None:
            return ""
        if isinstance(self.value, str):
            return self.value
        if np.isinf(self.value):
            return "1e300" if self.value > 0 else "-1e300"
        return self.text.replace(",", "")


@dataclass(frozen=True)
class Table:
    """A table.

    Parameters
    ----------
    ident, caption : str
        Name, and what it is. [-]
    columns : tuple of Documented
        Names, units and meanings of the columns. [-]
    rows : tuple of tuple of Cell
        The rows. [-]
    """

    ident: str
    caption: str
    columns: tuple[Documented, ...]
    rows: tuple[tuple[Cell, ...], ...]

    @property
    def heads(self) -> tuple[str, ...]:
        """Names with their units, for people. [-]."""
        return tuple(
            column.name if column.unit in ("-", "as `unit`") else f"{column.name}, {column.unit}"
            for column in self.columns
        )


def words(text: str) -> Cell:
    """Return a cell of text from an input, as one plain line.

    Parameters
    ----------
    text : str
        Text. [-]

    Returns
    -------
    Cell
        The cell. [-]
    """
    return Cell(plain(text))


def number(value: float | None, decimals: int) -> Cell:
    """Return a cell of a number.

    Parameters
    ----------
    value : float or None
        Number; what is not a number counts as none. [any]
    decimals : int
        Digits after the point. [-]

    Returns
    -------
    Cell
        The cell. [-]
    """
    return Cell(None if value is None or np.isnan(value) else float(value), decimals)


def instant(plan: Plan, minute: int | None) -> Cell:
    """Return a cell of an instant.

    Parameters
    ----------
    plan : Plan
        Gives the time zone. [-]
    minute : int or None
        Instant since 1970-01-01T00:00Z. [min]

    Returns
    -------
    Cell
        Its local time with offset; no value without an instant. [-]
    """
    return Cell(None) if minute is None else Cell(local_minute(plan.horizon, minute), minute=minute)


def start(plan: Plan, interval: int | None) -> Cell:
    """Return a cell of the start of an interval.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    interval : int or None
        Position of the interval. [-]

    Returns
    -------
    Cell
        Its local time with offset; no value without an interval. [-]
    """
    return instant(plan, None if interval is None else int(plan.horizon.starts_min[interval]))


def _table(plan: Plan, ident: str, rows: Iterable[Sequence[Cell]], more: Sequence[Documented] = ()) -> Table:
    """Return a table whose caption and columns stand in the one source of names."""
    topic, currency = TOPICS[ident], plan.site.contract.currency
    columns = [
        Documented(column.name, column.unit.replace("currency", currency), column.meaning)
        for column in topic.columns
    ]
    return Table(ident, topic.meaning, (*columns, *more), tuple(tuple(row) for row in rows))


def _each(names: Iterable[str], unit: str, meaning: str) -> tuple[Documented, ...]:
    return tuple(Documented(plain(name), unit, f"{meaning} of {plain(name)}") for name in names)


def misses_table(plan: Plan) -> Table:
    """Return broken limits and missed duties.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    rows = [
        (
            words("broken limit"),
            words(found.meaning or found.key),
            number(found.amount, 4),
            words(found.unit),
            start(plan, found.interval),
        )
        for found in plan.audit.violations
    ] + [
        (
            words("missed duty"),
            words(miss.meaning or miss.key),
            number(miss.quantity, 4),
            words(miss.unit),
            start(plan, miss.interval),
        )
        for miss in plan.misses
    ]
    return _table(plan, "misses", rows)


def loads_table(plan: Plan) -> Table:
    """Return price and loads on every interval.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    names = circuit_names(plan)
    loads = {name: on_horizon(plan, load_variable(plan, name)) for name in names}
    rows = [
        (
            start(plan, t),
            number(float(plan.energy_price_per_mwh[t]), 2),
            *(number(float(loads[name][t]), 2) for name in names),
        )
        for t in range(len(plan.horizon))
    ]
    return _table(plan, "loads", rows, _each(names, "kA", "load"))


def changes_table(plan: Plan) -> Table:
    """Return the changes of load on the plan day.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    rows = [
        (
            words(name),
            instant(plan, change.begin_min),
            number(change.from_ka, 2),
            number(change.to_ka, 2),
            number(change.rate_ka_per_min, 3),
            number(change.minutes, 1),
        )
        for name in circuit_names(plan)
        for change in load_changes(plan, name)
    ]
    return _table(plan, "changes", rows)


def levels_table(plan: Plan) -> Table:
    """Return every stock at the start and at the end of every interval.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    stocks = plan.declaration.stocks
    rows = [
        (
            instant(plan, int(minute)),
            *(
                number(float(stock.initial if t == 0 else plan.audit.values[stock.key][t - 1]), 1)
                for stock in stocks
            ),
        )
        for t, minute in enumerate(edges_min(plan))
    ]
    columns = tuple(
        Documented(plain(stock.key), plain(stock.unit), f"level of {plain(stock.meaning or stock.key)}")
        for stock in stocks
    )
    return _table(plan, "levels", rows, columns)


def tanks_table(plan: Plan) -> Table:
    """Return what shared tanks are filled with, drawn of and given on every interval.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table; no columns but the start where no product has several tanks. [-]
    """
    columns, values = [], []
    for product, tanks in shared_tanks(plan).items():
        for stock in tanks:
            for what in ("fill", "draw", "transfer"):
                if piece(stock, what) in plan.audit.values:
                    columns.append(
                        Documented(
                            plain(piece(stock, what)), "t/h", f"{what} of {plain(product)} in the tank"
                        )
                    )
                    values.append(rates(plan, stock, what))
    rows = [
        (start(plan, t), *(number(float(value[t]), 2) for value in values)) for t in range(len(plan.horizon))
    ]
    return _table(plan, "tanks", rows, columns)


def stocks_table(plan: Plan) -> Table:
    """Return how every stock moves over the horizon.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    rows = [
        (
            words(stock.key),
            words(stock.unit),
            *(number(value, 1) for value in (stock.start, stock.plan_day_end, stock.end)),
            number(stock.least, 1),
            instant(plan, stock.least_at_min),
            number(stock.most, 1),
            instant(plan, stock.most_at_min),
            *(number(value if np.isfinite(value) else None, 1) for value in (stock.lower, stock.upper)),
        )
        for stock in stock_figures(plan)
    ]
    return _table(plan, "stocks", rows)


def lots_table(plan: Plan) -> Table:
    """Return the lots of the horizon.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    hours, day = plan.horizon.hours, plan_mask(plan)
    rows = [
        (
            words(each.lot),
            words(each.customer),
            words(each.mode),
            words(each.commodity),
            number(each.quantity_t, 1),
            number(each.quantity_in(hours, day), 1),
            number(each.quantity_in(hours, day | True), 1),
            instant(plan, each.window_start_min),
            instant(plan, each.window_end_min),
        )
        for each in loadings(plan)
    ]
    return _table(plan, "lots", rows)


def power_table(plan: Plan) -> Table:
    """Return import, peak so far and power of each circuit on every interval.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    names = circuit_names(plan)
    power = {name: plan.audit.simulations[name].readings["ac_power_mw"] for name in names}
    peak, total = peak_so_far_mw(plan), plan.audit.values[plan.site.meter]
    rows = [
        (
            start(plan, t),
            number(float(total[t]), 2),
            number(float(peak[t]), 2),
            *(number(float(power[name][t]), 2) for name in names),
        )
        for t in range(len(plan.horizon))
    ]
    return _table(plan, "power", rows, _each(names, "MW AC", "AC power"))


def energy_per_tonne(plan: Plan, circuit: str) -> Array:
    """Return a circuit's DC energy per tonne of chlorine on every interval.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    circuit : str
        Name of the circuit. [-]

    Returns
    -------
    ndarray
        Energy per tonne; not a number without production. Shape (n,). [kWh/t]
    """
    readings = plan.audit.simulations[circuit].readings
    made = readings["chlorine_t_per_h"]
    result = np.full(len(made), np.nan)
    np.divide(readings["dc_power_mw"] * 1000.0, made, out=result, where=made > 0)
    return result


def energy_table(plan: Plan) -> Table:
    """Return the energy per tonne of each circuit on every interval.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    names = circuit_names(plan)
    values = {name: energy_per_tonne(plan, name) for name in names}
    rows = [
        (start(plan, t), *(number(float(values[name][t]), 0) for name in names))
        for t in range(len(plan.horizon))
    ]
    return _table(plan, "energy", rows, _each(names, "kWh/t DC", "DC energy per t Cl2"))


def circuits_table(plan: Plan) -> Table:
    """Return what each circuit does on the plan day.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    rows = [
        (
            words(circuit.name),
            number(circuit.load_min_ka, 2),
            number(circuit.load_mean_ka, 2),
            number(circuit.load_max_ka, 2),
            number(circuit.chlorine_t, 1),
            number(circuit.alkali_t, 1),
            number(circuit.hydrogen_kg, 0),
            number(circuit.dc_kwh_per_t, 0),
            number(circuit.ac_kwh_per_t, 0),
        )
        for circuit in circuit_figures(plan, plan_mask(plan))
    ]
    return _table(plan, "circuits", rows)


def money_table(plan: Plan) -> Table:
    """Return the cost of the horizon by group.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    rows = [(words(group), number(amount, 2)) for group, amount in plan.audit.costs.items()]
    return _table(plan, "money", rows)


def bill_table(plan: Plan) -> Table:
    """Return the electricity bill of the horizon.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    rows = [
        (
            words(line.component),
            words(line.label),
            number(line.quantity, 3),
            words(line.quantity_unit),
            number(line.rate, 4),
            number(line.amount, 2),
            words(line.formula),
        )
        for line in plan.audit.bill
    ]
    return _table(plan, "bill", rows)


def habit_table(plan: Plan) -> Table:
    """Return what other ways of running cost.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    fair = comparable(plan)
    rows = [
        (
            words(comparison.name),
            number(comparison.cost, 2),
            number(comparison.energy_cost, 2),
            number(saving(plan, comparison) if fair else None, 2),
            number(saving_percent(plan, comparison) if fair else None, 2),
            words(comparison.note),
        )
        for comparison in plan.comparisons
    ]
    return _table(plan, "habit", rows)


def limits_table(plan: Plan) -> Table:
    """Return the limits that the plan reaches on the plan day.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    rows = [
        (
            words(limit.meaning),
            words(limit.side),
            number(limit.least, 2),
            number(limit.most, 2),
            words(limit.unit),
            number(limit.hours, 2),
            start(plan, limit.first),
        )
        for limit in reached_limits(plan)
    ]
    return _table(plan, "limits", rows)


def values_table(plan: Plan, values: Sequence[LimitValue]) -> Table:
    """Return what limits are worth.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    values : sequence
        Values of limits. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    rows = [
        (
            words(plain(value.label)),
            words(value.unit),
            number(value.up.cost_per_unit, 2),
            number(value.down.cost_per_unit, 2),
            number(float(len(value.binds)), 0),
            words("missed tonnes count at the miss price" if value.at_miss else ""),
        )
        for value in values
    ]
    return _table(plan, "values", rows)


def trips_table(plan: Plan) -> Table:
    """Return what trips would mean on the plan day: the customer covered least, the largest customer.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    Table
        The table. [-]
    """
    rows = []
    for trips in trip_figures(plan):
        cover, hot = trips.without_circuit.cover_h, trips.without_circuit.cover_once_hot_h
        for t in range(plan.horizon.plan_intervals):
            least = int(np.lexsort((hot[:, t], cover[:, t]))[0])
            rows.append(
                (
                    start(plan, t),
                    words(trips.header),
                    words(trips.circuits[trips.circuit[t]]),
                    words(trips.customers[least]),
                    number(float(cover[least, t]), 1),
                    number(float(hot[least, t]), 1),
                    words(trips.customers[trips.customer[t]]),
                    number(float(trips.customer_t_per_h[t]), 1),
                    number(float(trips.without_customer.to_cut_t_per_h[t]), 1),
                    number(float(trips.cut_ka[t]), 0),
                )
            )
    return _table(plan, "trips", rows)
