"""The step problem: loads that people can set, moved no more often than people can move them.

Owns the integer part of a plan: whole steps on the plan day, counted changes, rest between changes, and
the calmest way among plans of equal cost. The look-ahead stays continuous, so the bound of the step
problem holds for every stepped plan day with any continuation.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from models.horizon import Array, Horizon
from models.pieces import Moves
from scheduler.highs import Solver
from scheduler.lp import Formulation

STEP_GAP = 1e-4
"""Gap of the step problem at which its search stops."""
GRID_TOLERANCE = 1e-6
"""Share of a step by which a load may miss the grid by rounding."""

Row = tuple[float, float, list[int], list[float]]


@dataclass(frozen=True)
class StepColumns:
    """Integer columns of one record of moves.

    Parameters
    ----------
    moves : Moves
        The record. [-]
    counts : range
        Number of steps on each interval of the plan day; empty without a step. [-]
    changes : mapping
        Column of the binary that says whether a change starts at an interval. [-]
    """

    moves: Moves
    counts: range
    changes: Mapping[int, int]


def needs_steps(formulation: Formulation) -> bool:
    """Tell whether any setpoint has steps, counted changes or a rest between changes.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]

    Returns
    -------
    bool
        True when the step problem differs from the continuous one. [-]
    """
    return any(
        moves.step is not None or moves.limits or moves.dwell_min > 0
        for moves in formulation.declaration.moves
    )


def add_steps(formulation: Formulation, solver: Solver) -> tuple[StepColumns, ...]:
    """Add whole steps and counted changes of the plan day to a program.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    solver : Solver
        The program inside the solver. [-]

    Returns
    -------
    tuple of StepColumns
        The new columns. [-]
    """
    return tuple(_add(moves, formulation, solver) for moves in formulation.declaration.moves)


def _add(moves: Moves, formulation: Formulation, solver: Solver) -> StepColumns:
    horizon = formulation.horizon
    variable = next(v for v in formulation.declaration.variables if v.key == moves.variable)
    first = solver.columns[moves.variable].start
    plan = horizon.plan_intervals
    free = np.flatnonzero(variable.upper[:plan] > variable.lower[:plan])
    rows: list[Row] = []
    counts = range(0)
    if moves.step is not None and free.size:
        low = np.ceil(variable.lower[free] / moves.step - GRID_TOLERANCE)
        high = np.floor(variable.upper[free] / moves.step + GRID_TOLERANCE)
        counts = solver.add_columns(low, np.maximum(high, low), whole=True)
        for column, t in zip(counts, free.tolist(), strict=True):
            rows.append((0.0, 0.0, [first + t, column], [1.0, -moves.step]))
    changes: dict[int, int] = {}
    if moves.limits or moves.dwell_min > 0:
        counted = [t for t in range(plan) if moves.counted[t] and not horizon.quiet_starts[t]]
        binaries = solver.add_columns(np.zeros(len(counted)), np.ones(len(counted)), whole=True)
        changes = dict(zip(counted, binaries, strict=True))
        spread = float(np.max(variable.upper) - np.min(variable.lower))
        most = min(moves.largest, spread)
        for t, z in changes.items():
            if t == 0:
                before = float(moves.before or 0.0)
                rows.append((-np.inf, before, [first, z], [1.0, -most]))
                rows.append((before, np.inf, [first, z], [1.0, most]))
            else:
                pair = [first + t, first + t - 1, z]
                rows.append((-np.inf, 0.0, pair, [1.0, -1.0, -most]))
                rows.append((0.0, np.inf, pair, [1.0, -1.0, most]))
        rows.extend(_counts(moves, changes))
        rows.extend(_dwell(moves, changes, horizon))
    solver.add_rows(rows)
    return StepColumns(moves, counts, changes)


def _counts(moves: Moves, changes: Mapping[int, int]) -> Iterator[Row]:
    for limit in moves.limits:
        columns = [changes[t] for t in limit.intervals.tolist() if t in changes]
        if len(columns) > limit.most:
            yield (-np.inf, float(limit.most), columns, [1.0] * len(columns))


def _dwell(moves: Moves, changes: Mapping[int, int], horizon: Horizon) -> Iterator[Row]:
    """Allow one change in every window of the dwell time."""
    if moves.dwell_min <= 0:
        return
    times = sorted(changes)
    for i, t in enumerate(times):
        start = int(horizon.starts_min[t])
        window = [u for u in times[i:] if horizon.starts_min[u] - start < moves.dwell_min]
        if len(window) > 1:
            yield (-np.inf, 1.0, [changes[u] for u in window], [1.0] * len(window))


def changes_of(moves: Moves, load: Array, plan_intervals: int) -> Array:
    """Return the intervals of the plan day at whose start a setpoint changes.

    Parameters
    ----------
    moves : Moves
        The record. [-]
    load : ndarray
        Setpoint on each interval. Shape (n,). [unit of the variable]
    plan_intervals : int
        Intervals of the plan day. [-]

    Returns
    -------
    ndarray
        Positions. Shape (k,). [-]
    """
    before = np.nan if moves.before is None else moves.before
    step = np.abs(np.diff(load[:plan_intervals], prepend=before))
    result: Array = np.flatnonzero(moves.counted[:plan_intervals] & (step > 1e-6 * np.max(load, initial=1.0)))
    return result
