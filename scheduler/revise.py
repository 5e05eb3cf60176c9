"""Changing a program in place: new prices, stocks or orders without building it again.

Owns the test whether two sets of records have the same matrix, and the transfer of what may differ:
costs, bounds and right-hand sides. Tangents, chords and branches found before stay valid as long as
every curve and its domain stay the same.
"""

from __future__ import annotations

from dataclasses import astuple

import numpy as np

from models.horizon import Array
from models.pieces import Curve, Rows, Variable
from scheduler.highs import Solver
from scheduler.lp import Formulation, Program, balance_constants, cost_vector


def same_matrix(old: Formulation, new: Formulation) -> bool:
    """Tell whether two formulations differ in costs, bounds and right-hand sides only.

    Parameters
    ----------
    old, new : Formulation
        The records before and after a change. [-]

    Returns
    -------
    bool
        True when the program can be changed in place. [-]
    """
    a, b = old.declaration, new.declaration
    if not np.array_equal(old.horizon.starts_min, new.horizon.starts_min):
        return False
    if not np.array_equal(old.horizon.lengths_min, new.horizon.lengths_min):
        return False
    return (
        _same_list(a.variables, b.variables, _same_variable)
        and _same_list(a.rows, b.rows, _same_rows)
        and [(s.key, s.closes) for s in a.stocks] == [(s.key, s.closes) for s in b.stocks]
        and [(c.key, c.variable) for c in a.costs] == [(c.key, c.variable) for c in b.costs]
        and [astuple(rule) for rule in a.exclusives] == [astuple(rule) for rule in b.exclusives]
        and _same_domains(old, new)
        and _same_flows(old, new)
        and _same_curves(old, new)
    )


def _same_list(a: tuple, b: tuple, same: object) -> bool:  # type: ignore[type-arg]
    return len(a) == len(b) and all(same(x, y) for x, y in zip(a, b, strict=True))  # type: ignore[operator]


def _same_places(a: Variable | Rows, b: Variable | Rows) -> bool:
    if (a.intervals is None) != (b.intervals is None) or a.labels != b.labels:
        return False
    return a.intervals is None or b.intervals is None or np.array_equal(a.intervals, b.intervals)


def _same_variable(a: Variable, b: Variable) -> bool:
    return a.key == b.key and a.size == b.size and _same_places(a, b) and a.miss_class == b.miss_class


def _same_rows(a: Rows, b: Rows) -> bool:
    return (
        a.key == b.key
        and a.size == b.size
        and _same_places(a, b)
        and len(a.entries) == len(b.entries)
        and all(
            x.variable == y.variable
            and np.array_equal(x.rows, y.rows)
            and np.array_equal(x.positions, y.positions)
            and np.array_equal(x.coefficients, y.coefficients)
            for x, y in zip(a.entries, b.entries, strict=True)
        )
    )


def _same_flows(old: Formulation, new: Formulation) -> bool:
    a, b = old.declaration.flows, new.declaration.flows
    return len(a) == len(b) and all(
        x.commodity == y.commodity
        and x.variable == y.variable
        and np.array_equal(np.asarray(x.coefficient), np.asarray(y.coefficient))
        and np.array_equal(np.asarray(x.constant), np.asarray(y.constant))
        for x, y in zip(a, b, strict=True)
    )


def _same_domains(old: Formulation, new: Formulation) -> bool:
    """Tell whether the ranges on which branches rest are the same: those of units that exclude each other."""
    before = {v.key: v for v in old.declaration.variables}
    after = {v.key: v for v in new.declaration.variables}
    return all(
        np.array_equal(before[key].lower, after[key].lower)
        and np.array_equal(before[key].upper, after[key].upper)
        for rule in old.declaration.exclusives
        for key in (rule.first, rule.second)
    )


def _same_curves(old: Formulation, new: Formulation) -> bool:
    domains = {v.key: (v.lower, v.upper) for v in old.declaration.variables}
    renewed = {v.key: (v.lower, v.upper) for v in new.declaration.variables}
    return _same_list(
        old.declaration.curves,
        new.declaration.curves,
        lambda x, y: _same_curve(x, y, domains[x.of], renewed[y.of]),
    )


def _same_curve(x: Curve, y: Curve, before: tuple[Array, Array], after: tuple[Array, Array]) -> bool:
    if x.key != y.key or x.of != y.of:
        return False
    if not (np.array_equal(before[0], after[0]) and np.array_equal(before[1], after[1])):
        return False
    t = np.arange(len(before[0]))
    middle = 0.5 * (before[0] + before[1])
    return all(np.array_equal(x.value(p, t), y.value(p, t)) for p in (*before, middle))


def push(solver: Solver, program: Program, formulation: Formulation) -> None:
    """Give the solver the costs, bounds and right-hand sides of a formulation with the same matrix.

    Parameters
    ----------
    solver : Solver
        The program inside the solver. [-]
    program : Program
        The Pyomo model it was loaded from. [-]
    formulation : Formulation
        The records. [-]
    """
    records = formulation.declaration
    bounds = [(v.key, v.lower, v.upper) for v in records.variables]
    bounds += [(s.key, s.lower, s.upper) for s in records.stocks]
    for key, lower, upper in bounds:
        place = solver.columns[key]
        solver.set_column_bounds(np.arange(place.start, place.stop), lower, upper)
    for rows in records.rows:
        kept = np.array(program.kept.get(rows.key, range(rows.size)), dtype=np.int64)
        place = solver.rows[rows.key]
        solver.set_row_bounds(np.arange(place.start, place.stop), rows.lower[kept], rows.upper[kept])
    for name, constant in balance_constants(records, formulation.horizon).items():
        place = solver.rows[f"balance_{name}"]
        kept = np.array(program.kept.get(f"balance_{name}", range(len(constant))), dtype=np.int64)
        solver.set_row_bounds(np.arange(place.start, place.stop), -constant[kept], -constant[kept])
    costs, offset = cost_vector(records, solver.columns, solver.column_count)
    solver.set_costs(costs, offset)
