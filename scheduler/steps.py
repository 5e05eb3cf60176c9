"""The step problem: loads that people can set, moved no more often than people can move them.

Owns whole steps on the plan day, counted changes and the rest between them. The look-ahead stays
continuous, so the bound of the relaxed step problem holds for every stepped plan day with any
continuation.

Branch and bound runs on the plan day alone, with the look-ahead as a cost-to-go (`ahead`). The exact
cost of its plan, with all flows solved again, against its bound is the certificate.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.horizon import Array, Horizon, Integers
from models.pieces import ChangeLimit, Moves, Variable, changes_of_position
from scheduler.ahead import SplitProgram
from scheduler.cuts import Found, Search
from scheduler.errors import SolverError
from scheduler.exact import absolute_energy_cost
from scheduler.highs import Answer, Solver
from scheduler.lp import Formulation
from scheduler.result import Violation

STEP_GAP = 1e-4
"""Gap of the step problem that is aimed at."""
STEP_ROUNDS = 4
"""Searches of the plan day, each with tangents at the loads of the one before."""
GIVEN_TOLERANCE = 1e-4
"""Share of a step by which a given load may miss the grid."""
GRID_TOLERANCE = 1e-6
"""Share of a step by which a load may miss the grid by rounding."""

Window = tuple[tuple[int, ...], int]
Row = tuple[float, float, list[int], list[float]]


@dataclass(frozen=True)
class StepColumns:
    """Columns of one record of moves on the plan day.

    Parameters
    ----------
    moves : Moves
        The record. [-]
    counts : mapping
        Column of the number of steps by interval; empty without a step. [-]
    taps : mapping
        Column of each tap position in reach, by interval and position; empty without positions. [-]
    changes : mapping
        Column of the share of a change by interval at whose start it would begin. [-]
    windows : tuple of (tuple of int, int)
        Sets of intervals, and how many of them may start with a change. [-]
    rows : range
        Rows that hold the loads to these columns. [-]
    broken : tuple of int
        Columns that count changes beyond what is allowed; only in a program that may break limits. [-]
    """

    moves: Moves
    counts: Mapping[int, int]
    changes: Mapping[int, int]
    windows: tuple[tuple[tuple[int, ...], int], ...]
    rows: range
    taps: Mapping[tuple[int, int], int]
    broken: tuple[int, ...] = ()


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
    return any(_is_limited(moves) or moves.stepped for moves in formulation.declaration.moves)


def _is_limited(moves: Moves) -> bool:
    return bool(moves.limits) or moves.dwell_min > 0


def add_steps(formulation: Formulation, solver: Solver, elastic: bool = False) -> tuple[StepColumns, ...]:
    """Add the relaxed step problem of the plan day to a program.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    solver : Solver
        The program inside the solver. [-]
    elastic : bool
        Whether changes beyond what is allowed are possible, and counted, and a load may stand off its steps
        where none is within its range. [-]

    Returns
    -------
    tuple of StepColumns
        The new columns. [-]
    """
    return tuple(_add(moves, formulation, solver, elastic) for moves in formulation.declaration.moves)


def _add(moves: Moves, formulation: Formulation, solver: Solver, elastic: bool) -> StepColumns:
    horizon = formulation.horizon
    variable = next(v for v in formulation.declaration.variables if v.key == moves.variable)
    first = solver.columns[moves.variable].start
    plan = horizon.plan_intervals
    rows: list[Row] = []
    counts: dict[int, int] = {}
    if moves.step is not None:
        free = np.flatnonzero(variable.upper[:plan] > variable.lower[:plan])
        low = np.ceil(variable.lower[free] / moves.step - GRID_TOLERANCE)
        high = np.floor(variable.upper[free] / moves.step + GRID_TOLERANCE)
        if elastic:
            free, low, high = (part[low <= high] for part in (free, low, high))
        counts = dict(zip(free.tolist(), solver.add_columns(low, np.maximum(high, low)), strict=True))
        rows.extend((0.0, 0.0, [first + t, n], [1.0, -moves.step]) for t, n in counts.items())
    taps, tap_rows, broken = _add_taps(moves, variable, formulation, solver, elastic)
    rows.extend(tap_rows)
    changes: dict[int, int] = {}
    windows: tuple[tuple[tuple[int, ...], int], ...] = ()
    if _is_limited(moves):
        given = variable.upper <= variable.lower
        # Between two given loads there is nothing to decide, but a change there is a change made.
        settled = [t for t in range(plan) if moves.counted[t] and given[t] and (t == 0 or given[t - 1])]
        made = [t for t in settled if _given_change(moves, variable, t)]
        counted = [t for t in range(plan) if moves.counted[t] and t not in settled]
        resting = np.zeros(plan, dtype=bool) if moves.resting is None else moves.resting
        open_ = [
            t
            for t in counted
            if not horizon.quiet_starts[t] and not resting[t] and _on_grid(moves, horizon, t)
        ]
        may = counted if elastic else open_
        changes = dict(zip(may, solver.add_columns(np.zeros(len(may)), np.ones(len(may))), strict=True))
        broken += [changes[t] for t in may if t not in open_]
        for t in counted:
            most = _largest_change(moves, variable, t)
            # Without a column the change is 0: the load stays what it was.
            extra = ([changes[t]], [-most], [most]) if t in changes else ([], [], [])
            before = _before(moves, variable) if t == 0 else 0.0
            columns = [first + t] if t == 0 else [first + t, first + t - 1]
            ones = [1.0] if t == 0 else [1.0, -1.0]
            rows.append((-np.inf, before, [*columns, *extra[0]], [*ones, *extra[1]]))
            rows.append((before, np.inf, [*columns, *extra[0]], [*ones, *extra[2]]))
        windows = tuple(_left_to_decide(_windows(moves, [*changes, *made], horizon), made))
        for times, allowed in windows:
            over = [*solver.add_columns(np.zeros(1), np.array([np.inf]))] if elastic else []
            broken += over
            rows.append(
                (
                    -np.inf,
                    float(allowed),
                    [*(changes[t] for t in times), *over],
                    [1.0] * len(times) + [-1.0] * len(over),
                )
            )
    return StepColumns(moves, counts, changes, windows, solver.add_rows(rows), taps, tuple(broken))


def _add_taps(
    moves: Moves, variable: Variable, formulation: Formulation, solver: Solver, elastic: bool
) -> tuple[dict[tuple[int, int], int], list[Row], list[int]]:
    """Add one column for each tap position in reach of an interval's range, and what ties the load to it."""
    if not moves.positions:
        return {}, [], []
    plan = formulation.horizon.plan_intervals
    first = solver.columns[moves.variable].start
    room = moves.position_range + GIVEN_TOLERANCE * moves.grain
    taps: dict[tuple[int, int], int] = {}
    rows: list[Row] = []
    for t in np.flatnonzero(variable.upper[:plan] > 0).tolist():
        low, high = float(variable.lower[t]), float(variable.upper[t])
        fitting = [i for i, p in enumerate(moves.positions) if low - room <= p <= high + room]
        if not fitting:
            if high > low and not elastic:
                # No position in reach: nothing can be set, and no load may pretend so.
                rows.append((high + 1.0, np.inf, [first + t], [1.0]))
            continue
        new = list(solver.add_columns(np.zeros(len(fitting)), np.ones(len(fitting))))
        taps.update({(t, i): column for i, column in zip(fitting, new, strict=True)})
        held = [-moves.positions[i] for i in fitting]
        # A load that is given may miss its position by rounding.
        reach = room if high <= low else moves.position_range
        rows.append((1.0, 1.0, new, [1.0] * len(new)))
        rows.append((-reach, reach, [first + t, *new], [1.0, *held]))
    broken: list[int] = []
    for limit in moves.position_limits:
        over = [*solver.add_columns(np.zeros(1), np.array([np.inf]))] if elastic else []
        broken += over
        rows.extend(_tap_changes(limit, moves, variable, taps, solver, over))
    return taps, rows, broken


def _tap_changes(
    limit: ChangeLimit,
    moves: Moves,
    variable: Variable,
    taps: Mapping[tuple[int, int], int],
    solver: Solver,
    over: list[int],
) -> list[Row]:
    """Return the rows that count changes of tap: a position that was not held before is a change.

    `over` holds the column of the changes beyond what is allowed, in a program that may break limits.
    """
    given = variable.upper <= variable.lower
    live = [t for t in limit.intervals.tolist() if any(t == at for at, _ in taps) and moves.counted[t]]
    # Between two given loads there is nothing to decide, but a change there is a change made.
    settled = [t for t in live if given[t] and (t == 0 or given[t - 1])]
    made = 0
    for t in settled:
        before = float(moves.before or 0.0) if t == 0 else float(variable.lower[t - 1])
        pair = np.array([before, float(variable.lower[t])])
        made += changes_of_position(moves.positions, moves.position_range, pair)[1]
    times = [t for t in live if t not in settled]
    changes = solver.add_columns(np.zeros(len(times)), np.ones(len(times)))
    rows: list[Row] = []
    for t, change in zip(times, changes, strict=True):
        for i, p in enumerate(moves.positions):
            if (t, i) not in taps:
                continue
            columns, values, known = [taps[t, i], change], [1.0, -1.0], 0.0
            if t == 0:
                before = np.inf if moves.before is None else moves.before
                known = float(abs(before - p) <= moves.position_range + GIVEN_TOLERANCE * moves.grain)
            elif (t - 1, i) in taps:
                columns.append(taps[t - 1, i])
                values.append(-1.0)
            rows.append((-np.inf, known, columns, values))
    most = float(max(limit.most - made, 0))
    rows.append((-np.inf, most, [*changes, *over], [1.0] * len(times) + [-1.0] * len(over)))
    return rows if times else []


def _largest_change(moves: Moves, variable: Variable, t: int) -> float:
    """Return the greatest change that could start at an interval: what ranges and the record allow."""
    low, high = float(variable.lower[t]), float(variable.upper[t])
    from_low = from_high = _before(moves, variable)
    if t:
        from_low, from_high = float(variable.lower[t - 1]), float(variable.upper[t - 1])
    return min(moves.largest, max(high - from_low, from_high - low, 0.0))


def _before(moves: Moves, variable: Variable) -> float:
    """Return the value before the horizon, on the nearest step: going there is not a change.

    Where the first values are given there is no step to go to.
    """
    before = float(moves.before or 0.0)
    if variable.upper[0] <= variable.lower[0]:
        return before
    return moves.nearest(before)


def _on_grid(moves: Moves, horizon: Horizon, t: int) -> bool:
    start = horizon.local_starts[t]
    return (start.hour * 60 + start.minute) % moves.grid_min == 0


def _given_change(moves: Moves, variable: Variable, t: int) -> bool:
    """Tell whether a given load differs from the one before it."""
    load = float(variable.lower[t])
    before = _held(moves, load) if t == 0 else float(variable.lower[t - 1])
    return abs(load - before) > GIVEN_TOLERANCE * moves.grain


def _held(moves: Moves, load: float) -> float:
    """Return the value before the horizon, on its step if that is nearer to a first value.

    A reading is never quite on its step: neither going to the step nor staying at the reading is a change.
    """
    before = float(moves.before or 0.0)
    return min((before, moves.nearest(before)), key=lambda value: abs(value - load))


def _left_to_decide(windows: Iterable[Window], made: Sequence[int]) -> Iterator[Window]:
    """Return windows without the changes that are made anyway, and what these leave."""
    for times, allowed in windows:
        left = tuple(t for t in times if t not in made)
        yield left, max(allowed - (len(times) - len(left)), 0)


def _windows(moves: Moves, changes: Iterable[int], horizon: Horizon) -> list[Window]:
    changes = set(changes)
    found = []
    for limit in moves.limits:
        times = tuple(t for t in limit.intervals.tolist() if t in changes)
        if len(times) > limit.most:
            found.append((times, limit.most))
    if moves.dwell_min > 0:
        ordered = sorted(changes)
        for i, t in enumerate(ordered):
            start = int(horizon.starts_min[t])
            times = tuple(u for u in ordered[i:] if horizon.starts_min[u] - start < moves.dwell_min)
            if len(times) > 1:
                found.append((times, 1))
    return found


def _whole(columns: Iterable[StepColumns]) -> Integers:
    """Return the columns that take whole values."""
    parts = [c for s in columns for c in (*s.counts.values(), *s.taps.values(), *s.changes.values())]
    return np.array(parts, dtype=np.int64)


def least_in_steps(
    search: Search, columns: tuple[StepColumns, ...], allowance: float, seconds: float
) -> float | None:
    """Return the least of the present objective, which is not the cost, over plan days in whole steps.

    Parameters
    ----------
    search : Search
        The program with its cuts, step columns added and the objective set. [-]
    columns : tuple of StepColumns
        Those columns. [-]
    allowance : float
        How close to its bound the least must come. [unit of the objective]
    seconds : float
        Wall time. [s]

    Returns
    -------
    float or None
        Least found; None if no plan day in whole steps keeps the rows. [unit of the objective]

    Raises
    ------
    SolverError
        If time is up before any was found.
    """
    stop = time.perf_counter() + seconds
    relaxed = search.feasible()
    if relaxed.answer is Answer.INFEASIBLE:
        return None
    whole = _whole(columns)
    bounds = search.solver.column_bounds(whole)
    least = np.inf
    start = search.last_values
    for _ in range(STEP_ROUNDS):
        day = SplitProgram(search.formulation, search.solver).search(whole, start, allowance, stop)
        if not len(day.values):
            break
        at = np.round(day.values[whole])
        search.solver.set_column_bounds(whole, at, at)
        found = search.feasible()
        search.solver.set_column_bounds(whole, *bounds)
        if found.values:
            least = min(least, found.cost)
            if found.cost - max(day.bound, relaxed.bound) <= 2.0 * allowance:
                break
        if time.perf_counter() > stop:
            break
    if not np.isfinite(least):
        if time.perf_counter() > stop:
            raise SolverError(f"no plan day in whole steps was found within {seconds:g} s: allow more time")
        return None
    return float(least)


def least_cost_in_steps(search: Search, columns: tuple[StepColumns, ...], seconds: float) -> Found:
    """Find a plan day in whole steps with few changes, and its bound.

    Parameters
    ----------
    search : Search
        The program with its cuts, step columns added. [-]
    columns : tuple of StepColumns
        Those columns. [-]
    seconds : float
        Wall time. [s]

    Returns
    -------
    Found
        The plan with the bound of the step problem; INFEASIBLE if there is none; LIMIT if the gap is
        still open when time is up. [-]
    """
    stop = time.perf_counter() + seconds
    usual = search.options
    search.options = replace(usual, gap=0.1 * STEP_GAP, seconds=seconds)
    relaxed = search.least_cost()
    if not relaxed.values:
        search.options = usual
        return relaxed
    scale = absolute_energy_cost(search.formulation, relaxed.values)
    whole = _whole(columns)
    bounds = search.solver.column_bounds(whole)
    start, bound = search.last_values, relaxed.bound
    found = Found(Answer.INFEASIBLE, rounds=relaxed.rounds)
    for _ in range(STEP_ROUNDS):
        # Each round knows the curves better: the stepped loads of the last one have tangents now.
        split = SplitProgram(search.formulation, search.solver)
        day = split.search(whole, start, 0.8 * STEP_GAP * scale, stop)
        bound = max(bound, day.bound)
        if len(day.values):
            at = np.round(day.values[whole])
            search.solver.set_column_bounds(whole, at, at)
            search.options = replace(usual, gap=0.05 * STEP_GAP)
            last = search.least_cost()
            start = search.last_values
            search.solver.set_column_bounds(whole, *bounds)
            if last.values and not last.cost >= found.cost:
                found, held = last, at
        closed = found.cost - bound <= STEP_GAP * scale
        if closed or not len(day.values) or time.perf_counter() > stop:
            break
    if found.values:
        search.solver.set_column_bounds(whole, held, held)
        found = replace(found, bound=bound, answer=Answer.OPTIMAL if closed else Answer.LIMIT)
    elif time.perf_counter() > stop:
        found = replace(found, answer=Answer.LIMIT)
    search.options = usual
    return found


def broken_moves(formulation: Formulation, values: Mapping[str, Array]) -> tuple[Violation, ...]:
    """Return the limits on steps and changes that given loads of the plan day break.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    values : mapping
        Exact values. [as declared]

    Returns
    -------
    tuple of Violation
        One per broken limit. [-]
    """
    horizon = formulation.horizon
    plan = horizon.plan_intervals
    found = []
    for moves in formulation.declaration.moves:
        unit = next(v.unit for v in formulation.declaration.variables if v.key == moves.variable)
        load = values[moves.variable][:plan]
        if moves.step is not None:
            off = np.abs(load - moves.step * np.round(load / moves.step))
            if np.max(off) > GIVEN_TOLERANCE * moves.step:
                at = int(np.argmax(off))
                found.append(
                    Violation(
                        moves.key,
                        f"{moves.meaning}: whole steps of {moves.step:g} {unit}",
                        at,
                        float(off[at]),
                        unit,
                    )
                )
        if moves.positions:
            found.extend(_broken_taps(moves, load, unit))
        if not _is_limited(moves):
            continue
        before = np.nan if moves.before is None else _held(moves, float(load[0]))
        moved = moves.counted[:plan] & (np.abs(np.diff(load, prepend=before)) > 1e-5)
        changes = {int(t): 0 for t in np.flatnonzero(moved)}
        for times, allowed in _windows(moves, changes, horizon):
            over = len(times) - allowed
            if over > 0:
                words = f"{moves.meaning}: {len(times)} where {allowed} are allowed"
                found.append(Violation(moves.key, words, times[allowed], float(over), "changes"))
    return tuple(found)


def _broken_taps(moves: Moves, load: Array, unit: str) -> list[Violation]:
    """Return loads that no tap position holds, by the positions around the worst, and too many changes."""
    found = []
    taps, reach = np.array(moves.positions), moves.position_range
    off = np.where(load > 0, np.min(np.abs(load[:, None] - taps[None, :]), axis=1) - reach, 0.0)
    if np.max(off) > GIVEN_TOLERANCE * moves.grain:
        at = int(np.argmax(off))
        below, above = taps[taps <= load[at]], taps[taps > load[at]]
        fine = f", each with {reach:g} {unit} of fine regulation" if reach else ""
        if below.size and above.size:
            words = (
                f"{load[at]:g} {unit} lies between the tap positions {below[-1]:g} and {above[0]:g} {unit}"
            )
        else:
            side, end = ("below", above[0]) if above.size else ("above", below[-1])
            words = f"{load[at]:g} {unit} lies {side} the last tap position {end:g} {unit}"
        found.append(Violation(moves.key, f"{moves.meaning}: {words}{fine}", at, float(off[at]), unit))
    before = 0.0 if moves.before is None else moves.before
    made = np.array(changes_of_position(moves.positions, reach, np.concatenate([[before], load]))[1:])
    for limit in moves.position_limits:
        times = [t for t in limit.intervals.tolist() if t < len(load) and made[t] and moves.counted[t]]
        if len(times) > limit.most:
            words = f"{moves.meaning}: {len(times)} changes of tap where {limit.most} are allowed"
            over = float(len(times) - limit.most)
            found.append(Violation(moves.key, words, times[limit.most], over, "changes"))
    return found
