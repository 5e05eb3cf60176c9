"""Baseline: the program of a formulation assembled with numpy alone and given to HiGHS directly.

Reads the same records as `scheduler.lp` and gives the same rows and columns in the same order, without Pyomo
and without a loop over intervals. It has no names, no slacks and cannot be read as a model: it stands for the
least that any transfer of these records costs.
"""

from __future__ import annotations

from typing import NamedTuple

import highspy
import numpy as np

from models.horizon import Array, Horizon, Integers
from models.pieces import Declaration


class Direct(NamedTuple):
    """A program as arrays, rows compressed."""

    cost: Array
    column_lower: Array
    column_upper: Array
    row_lower: Array
    row_upper: Array
    start: Integers
    index: Integers
    value: Array
    offset: float


class _Blocks:
    """Families of rows as they are found: entries as triplets, limits as arrays."""

    def __init__(self) -> None:
        self.count = 0
        self.row: list[Integers] = []
        self.column: list[Integers] = []
        self.value: list[Array] = []
        self.lower: list[Array] = []
        self.upper: list[Array] = []

    def add(
        self,
        triplets: list[tuple[Integers, Integers, Array]],
        lower: Array,
        upper: Array,
        keep_all: bool = False,
    ) -> None:
        """Add a family; rows without entries that promise nothing are left out."""
        row = np.concatenate([part[0] for part in triplets])
        column = np.concatenate([part[1] for part in triplets])
        value = np.concatenate([part[2] for part in triplets])
        if not keep_all:
            used = value != 0.0
            row, column, value = row[used], column[used], value[used]
            kept = np.bincount(row, minlength=len(lower)) > 0
            kept |= ~((lower <= 0.0) & (upper >= 0.0))
            row = (np.cumsum(kept) - 1)[row]
            lower, upper = lower[kept], upper[kept]
        self.row.append(row + self.count)
        self.column.append(column)
        self.value.append(value)
        self.lower.append(lower)
        self.upper.append(upper)
        self.count += len(lower)


def assemble(records: Declaration, horizon: Horizon, tangents: int) -> Direct:
    """Return the program of the records.

    Parameters
    ----------
    records : Declaration
        The records of units and contract. [-]
    horizon : Horizon
        The intervals. [-]
    tangents : int
        Tangents per curve and interval. [-]

    Returns
    -------
    Direct
        The arrays. [-]
    """
    n, hours = len(horizon), horizon.hours
    everywhere = np.arange(n)
    first: dict[str, int] = {}
    places: dict[str, Integers] = {}
    variables = {variable.key: variable for variable in records.variables}
    lower: list[Array] = []
    upper: list[Array] = []
    count = 0

    def column(key: str, low: Array, high: Array, at: Integers | None) -> None:
        nonlocal count
        first[key] = count
        if at is not None:
            places[key] = at
        lower.append(low)
        upper.append(high)
        count += len(low)

    for variable in records.variables:
        column(variable.key, variable.lower, variable.upper, variable.intervals)
    rows = _Blocks()
    for curve in records.curves:
        low, high = variables[curve.of].lower, variables[curve.of].upper
        at_low, at_high = curve.value(low, everywhere), curve.value(high, everywhere)
        fixed = high <= low
        column(
            curve.key,
            np.where(fixed, at_low, -np.inf),
            np.where(fixed, at_low, np.maximum(at_low, at_high)),
            everywhere,
        )
        live = np.flatnonzero(~fixed)
        if not live.size:
            continue
        shares = np.linspace(0.0, 1.0, tangents)[:, None]
        t = np.tile(live, tangents)
        x = (low[live] + shares * (high - low)[live]).ravel()
        slope = curve.slope(x, t)
        row = np.arange(len(t))
        rows.add(
            [(row, first[curve.key] + t, np.ones(len(t))), (row, first[curve.of] + t, -slope)],
            curve.value(x, t) - slope * x,
            np.full(len(t), np.inf),
            keep_all=True,
        )
    for stock in records.stocks:
        column(stock.key, stock.lower, stock.upper, everywhere)
    _balances(rows, records, n, hours, first, places)
    for family in records.rows:
        rows.add(
            [(e.rows, first[e.variable] + e.positions, e.coefficients) for e in family.entries],
            family.lower,
            family.upper,
        )
    cost = np.zeros(count)
    for line in records.costs:
        cost[first[line.variable] : first[line.variable] + len(line.coefficient)] += line.coefficient
    row, index, value = (np.concatenate(part) for part in (rows.row, rows.column, rows.value))
    order = np.argsort(row, kind="stable")
    start = np.concatenate([[0], np.cumsum(np.bincount(row, minlength=rows.count))])
    return Direct(
        cost,
        np.concatenate(lower),
        np.concatenate(upper),
        np.concatenate(rows.lower),
        np.concatenate(rows.upper),
        start.astype(np.int32),
        index[order].astype(np.int32),
        value[order],
        float(sum(line.constant for line in records.costs)),
    )


def _balances(
    rows: _Blocks,
    records: Declaration,
    n: int,
    hours: Array,
    first: dict[str, int],
    places: dict[str, Integers],
) -> None:
    names = dict.fromkeys([f.commodity for f in records.flows] + [s.commodity for s in records.stocks])
    triplets: dict[str, list[tuple[Integers, Integers, Array]]] = {name: [] for name in names}
    constant = {name: np.zeros(n) for name in names}
    everywhere = np.arange(n)
    for flow in records.flows:
        at = places[flow.variable]
        own = first[flow.variable] + np.arange(len(at))
        triplets[flow.commodity].append((at, own, np.broadcast_to(flow.coefficient, len(at))))
        np.add.at(constant[flow.commodity], at, np.broadcast_to(flow.constant, len(at)))
    for stock in records.stocks:
        level = first[stock.key] + everywhere
        triplets[stock.commodity].append((everywhere, level, -1.0 / hours))
        triplets[stock.commodity].append((everywhere[1:], level[:-1], 1.0 / hours[1:]))
        constant[stock.commodity][0] += stock.initial / hours[0]
    for name, parts in triplets.items():
        rows.add(parts, -constant[name], -constant[name])


def give(program: Direct) -> highspy.Highs:
    """Give a program to a new HiGHS.

    Parameters
    ----------
    program : Direct
        The arrays. [-]

    Returns
    -------
    Highs
        The solver with the program inside. [-]
    """
    lp = highspy.HighsLp()
    lp.num_col_ = len(program.cost)
    lp.num_row_ = len(program.row_lower)
    lp.col_cost_ = program.cost
    lp.col_lower_ = program.column_lower
    lp.col_upper_ = program.column_upper
    lp.row_lower_ = program.row_lower
    lp.row_upper_ = program.row_upper
    lp.offset_ = program.offset
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = program.start
    lp.a_matrix_.index_ = program.index
    lp.a_matrix_.value_ = program.value
    solver = highspy.Highs()
    solver.setOptionValue("output_flag", False)
    if solver.passModel(lp) == highspy.HighsStatus.kError:
        raise RuntimeError("the solver refused the program of the baseline")
    return solver
