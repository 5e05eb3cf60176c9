"""The program straight as arrays, for runs of many windows: the same optimum, written without Pyomo.

Owns the second way from declared records to a program. `scheduler.lp` writes the program one can read;
this one is for studies, where thousands of windows are solved and nobody reads a row. A convex curve is
written here as a sum of pieces, columns with bounds, instead of one row for each tangent: the envelope of
the same tangents, so the bound is the same, and the solver has a third of the rows.
"""

from __future__ import annotations

import numpy as np

from models.horizon import Array, Integers
from models.pieces import Curve, Rows, Variable
from scheduler.highs import Arrays
from scheduler.lp import START_TANGENTS, Formulation, Program, balance_constants, cost_vector

SAME_SLOPE = 1e-12
"""Difference of slopes below which two tangents are one. [unit per unit]"""

Triplets = list[tuple[Integers, Integers, Array]]


def written(formulation: Formulation, tangents: int = START_TANGENTS) -> tuple[Program, Arrays]:
    """Write the program of some records as arrays.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    tangents : int
        Tangents per curve and interval whose envelope the pieces are, 2 or more. [-]

    Returns
    -------
    tuple of (Program, Arrays)
        The positions of kept rows, without a Pyomo model, and the arrays. [-]
    """
    return _Writer(formulation, tangents).write()


class _Writer:
    """Writes one program; holds what the steps of writing share."""

    def __init__(self, formulation: Formulation, tangents: int) -> None:
        self.formulation = formulation
        self.records = formulation.declaration
        self.tangents = tangents
        self.columns: dict[str, slice] = {}
        self.places: dict[str, Integers] = {}
        self.column_lower: list[Array] = []
        self.column_upper: list[Array] = []
        self.count = 0
        self.rows: dict[str, slice] = {}
        self.kept: dict[str, list[int]] = {}
        self.row_count = 0
        self.row_lower: list[Array] = []
        self.row_upper: list[Array] = []
        self.entries: Triplets = []

    def write(self) -> tuple[Program, Arrays]:
        everywhere = np.arange(len(self.formulation.horizon))
        variables = {variable.key: variable for variable in self.records.variables}
        for variable in self.records.variables:
            self.column(variable.key, variable.lower, variable.upper)
            if variable.intervals is not None:
                self.places[variable.key] = variable.intervals
        for curve in self.records.curves:
            self.places[curve.key] = everywhere
            self.curve(curve, variables[curve.of])
        for stock in self.records.stocks:
            self.column(stock.key, stock.lower, stock.upper)
        self.balances()
        for rows in self.records.rows:
            self.declared(rows)
        costs, offset = cost_vector(self.records, self.columns, self.count)
        row, column, value = (np.concatenate([part[i] for part in self.entries]) for i in range(3))
        order = np.argsort(row, kind="stable")
        start = np.concatenate([[0], np.cumsum(np.bincount(row, minlength=self.row_count))])
        arrays = Arrays(
            costs,
            np.concatenate(self.column_lower),
            np.concatenate(self.column_upper),
            np.concatenate(self.row_lower),
            np.concatenate(self.row_upper),
            start.astype(np.int32),
            column[order].astype(np.int32),
            value[order],
            offset,
            self.columns,
            self.rows,
        )
        return Program(None, self.kept), arrays

    def column(self, key: str, lower: Array, upper: Array) -> int:
        first = self.count
        self.columns[key] = slice(first, first + len(lower))
        self.column_lower.append(lower)
        self.column_upper.append(upper)
        self.count += len(lower)
        return first

    def family(self, key: str, triplets: Triplets, lower: Array, upper: Array) -> None:
        """Add a family of rows; one without columns that promises nothing is left out."""
        used = [part[2] != 0.0 for part in triplets]
        count = np.zeros(len(lower), dtype=np.int64)
        for (row, _, _), on in zip(triplets, used, strict=True):
            count += np.bincount(row[on], minlength=len(lower))
        kept = (count > 0) | ~((lower <= 0.0) & (upper >= 0.0))
        if not kept.all():
            self.kept[key] = np.flatnonzero(kept).tolist()
        number = np.cumsum(kept) - 1 + self.row_count
        for (row, column, value), on in zip(triplets, used, strict=True):
            self.entries.append((number[row[on]], column[on], value[on]))
        self.rows[key] = slice(self.row_count, self.row_count + int(kept.sum()))
        self.row_count += int(kept.sum())
        self.row_lower.append(lower[kept])
        self.row_upper.append(upper[kept])

    def curve(self, curve: Curve, argument: Variable) -> None:
        """Write a curve as its value at the lower end plus pieces, each with the slope of one tangent."""
        low, high = argument.lower, argument.upper
        t = np.arange(len(low))
        at_low, at_high = curve.value(low, t), curve.value(high, t)
        live = np.flatnonzero(high > low)
        fixed = high <= low
        result = self.column(
            curve.key,
            np.where(fixed, at_low, -np.inf),
            np.where(fixed, at_low, np.maximum(at_low, at_high)),
        )
        if not live.size:
            return
        tangents = self.tangents if curve.tangents is None else curve.tangents
        shares = np.linspace(0.0, 1.0, tangents)[:, None]
        x = low[live] + shares * (high - low)[live]
        many = np.tile(live, tangents)
        y = curve.value(x.ravel(), many).reshape(x.shape)
        slope = curve.slope(x.ravel(), many).reshape(x.shape)
        rise = np.diff(slope, axis=0)
        rest = y - slope * x
        apart = rise > SAME_SLOPE
        meet = np.where(apart, -np.diff(rest, axis=0) / np.where(apart, rise, 1.0), 0.5 * (x[:-1] + x[1:]))
        breaks = np.vstack([low[live][None, :], meet, high[live][None, :]])
        widths = np.maximum(np.diff(breaks, axis=0), 0.0)
        m = len(live)
        pieces = self.column(f"{curve.key}_pieces", np.zeros(widths.size), widths.ravel())
        each = np.arange(m)
        row = np.tile(each, tangents)
        piece = pieces + np.arange(widths.size)
        self.family(
            f"{curve.key}_argument",
            [
                (each, self.columns[curve.of].start + live, np.ones(m)),
                (row, piece, np.full(widths.size, -1.0)),
            ],
            low[live],
            low[live],
        )
        self.family(
            f"{curve.key}_envelope",
            [(each, result + live, np.ones(m)), (row, piece, -slope.ravel())],
            y[0],
            y[0],
        )

    def balances(self) -> None:
        """Close every commodity's bus on every interval by an equality."""
        hours = self.formulation.horizon.hours
        everywhere = np.arange(len(hours))
        constants = balance_constants(self.records, self.formulation.horizon)
        triplets: dict[str, Triplets] = {name: [] for name in constants}
        for flow in self.records.flows:
            at = self.places[flow.variable]
            own = self.columns[flow.variable].start + np.arange(len(at))
            coefficient = np.broadcast_to(np.asarray(flow.coefficient, dtype=np.float64), len(at))
            triplets[flow.commodity].append((at, own, coefficient))
        for stock in self.records.stocks:
            level = self.columns[stock.key].start + everywhere
            triplets[stock.closes].append((everywhere, level, -1.0 / hours))
            triplets[stock.closes].append((everywhere[1:], level[:-1], 1.0 / hours[1:]))
        for name, parts in triplets.items():
            self.family(f"balance_{name}", _summed(parts, len(hours)), -constants[name], -constants[name])

    def declared(self, rows: Rows) -> None:
        parts = [
            (entry.rows, self.columns[entry.variable].start + entry.positions, entry.coefficients)
            for entry in rows.entries
        ]
        self.family(rows.key, _summed(parts, rows.size), rows.lower, rows.upper)


def _summed(parts: Triplets, size: int) -> Triplets:
    """Return entries in which a column stands once in a row; records may name one twice and mean the sum."""
    if not parts:
        return [(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0))]
    row, column, value = (np.concatenate([np.asarray(part[i]) for part in parts]) for i in range(3))
    width = int(column.max(initial=0)) + 1
    place = row.astype(np.int64) * width + column
    order = np.argsort(place, kind="stable")
    place = place[order]
    first = np.concatenate([[True], place[1:] != place[:-1]]) if len(place) else np.zeros(0, dtype=np.bool_)
    if first.all():
        return [(row, column, value)]
    at = np.flatnonzero(first)
    return [(row[order][at], column[order][at], np.add.reduceat(value[order], at))]
