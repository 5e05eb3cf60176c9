"""The calm plan among equals: least movement within a hair of the least cost.

Owns the last stage: of all plans that cost almost the same, people get the one that moves setpoints
least. It never adds a term to the cost, so it never moves the bound.
"""

from __future__ import annotations

import time

import numpy as np

from models.horizon import Array
from scheduler.cuts import Found, Search
from scheduler.exact import exact_costs, exact_values
from scheduler.highs import Solver
from scheduler.lp import Formulation

SHARE_FOR_ROUNDING = 0.9
"""Part of the allowed cost given to the program; the rest is for the true cost of curves."""
MAX_ROUNDS = 6
"""Solves; between them curves get tangents where the calm plan runs."""


def calmest(search: Search, found: Found, most_cost: float, seconds: float) -> Found:
    """Return the plan with least movement that costs at most so much.

    Parameters
    ----------
    search : Search
        The program with its cuts; whole columns held. [-]
    found : Found
        The least-cost plan. [-]
    most_cost : float
        Greatest exact cost allowed. [currency]
    seconds : float
        Time limit. [s]

    Returns
    -------
    Found
        The calm plan with the bound of the first, or the first where calm would cost more. [-]
    """
    if not search.formulation.declaration.moves or most_cost <= found.cost:
        return found
    solver = search.solver
    costs, offset = solver.objective()
    room = found.cost + SHARE_FOR_ROUNDING * (most_cost - found.cost)
    used = np.flatnonzero(costs)
    rows = list(solver.add_rows([(-np.inf, room - offset, used.tolist(), costs[used].tolist())]))
    # The pieces of curves and the units that run stay those of the plan: calming is then a linear program.
    whole = solver.whole_columns
    ranges = solver.column_bounds(whole)
    if len(whole) and int(whole[-1]) < len(search.last_values):
        chosen = np.clip(np.round(search.last_values[whole]), *ranges)
        solver.set_column_bounds(whole, chosen, chosen)
    weights, more = _movement(search.formulation, solver)
    rows.extend(more)
    solver.set_costs(weights, 0.0)
    stop = time.perf_counter() + seconds
    calm = found
    for _ in range(MAX_ROUNDS):
        outcome = solver.solve(max(stop - time.perf_counter(), 0.1), confirm=False)
        if not len(outcome.values):
            break
        raw = search.read(outcome)
        exact = exact_values(search.formulation, raw)
        cost = sum(exact_costs(search.formulation, exact).values())
        if cost <= most_cost and search.keeps_limits(exact):
            calm = Found(found.answer, exact, raw, cost, found.bound, found.rounds)
            break
        if not search.refine(raw, exact):
            break
    solver.free_rows(rows)
    solver.set_column_bounds(whole, *ranges)
    solver.set_costs(costs, offset)
    return calm


def _movement(formulation: Formulation, solver: Solver) -> tuple[Array, list[int]]:
    """Add a column for the size of every change on the plan day; return all weights and the new rows.

    A change weighs as its share of the setpoint's range, so that a kA of one circuit and a t/h of an
    evaporator compare.
    """
    variables = {v.key: v for v in formulation.declaration.variables}
    rows: list[int] = []
    weights: list[tuple[range, float]] = []
    for moves in formulation.declaration.moves:
        variable = variables[moves.variable]
        spread = float(np.max(variable.upper) - np.min(variable.lower))
        if variable.size < 2 or not 0.0 < spread < np.inf:
            continue
        first = solver.columns[moves.variable].start
        count = min(formulation.horizon.plan_intervals, variable.size - 1)
        sizes = solver.add_columns(np.zeros(count), np.full(count, np.inf))
        new: list[tuple[float, float, list[int], list[float]]] = []
        for t, size in enumerate(sizes, start=1):
            pair = [size, first + t, first + t - 1]
            new.append((0.0, np.inf, pair, [1.0, -1.0, 1.0]))
            new.append((0.0, np.inf, pair, [1.0, 1.0, -1.0]))
        if moves.from_rest:
            amounts = solver.add_columns(np.zeros(variable.size), np.full(variable.size, np.inf))
            for t, amount in enumerate(amounts):
                new.append((0.0, np.inf, [amount, first + t], [1.0, -1.0]))
                new.append((0.0, np.inf, [amount, first + t], [1.0, 1.0]))
            weights.append((amounts, 1.0 / spread))
        rows.extend(solver.add_rows(new))
        weights.append((sizes, 1.0 / spread))
    vector = np.zeros(solver.column_count)
    for sizes, weight in weights:
        vector[sizes.start : sizes.stop] = weight
    return vector, rows
