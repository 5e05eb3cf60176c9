"""A linear program in which every limit may be moved, each by a column of room of its own.

Owns the program: the least moves as shares of the limits, which limits prove that they collide (duals), on
which intervals room is used. What is asked of it stands in `diagnose`.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models.horizon import Array, Integers
from models.misses import MISS_TOLERANCE, miss_hours, miss_unit
from models.pieces import Rows
from scheduler.conflicts import Change, DutyMissed
from scheduler.cuts import tangent_rows
from scheduler.direct import written
from scheduler.highs import Answer, Outcome, Solver
from scheduler.lp import Formulation, formulate
from scheduler.movable import Moved, Number, Place, numbers_of

SOLVE_SECONDS = 30.0
"""Most time for one linear program. [s]"""
MOVED = 1e-7
"""Share of a limit's size that counts as not moved."""
DUAL = 1e-7
"""Dual, in shares of limits, that counts as none."""
ROUNDS = 6
"""Rounds in which tangents are added where a solution stands."""
TANGENT = 1e-7
"""How far, as a share, a curve may lie above the program."""
DIGITS = 3
"""Digits to which a change is rounded up."""


class OutOfTimeError(Exception):
    """The time for the diagnosis is over."""


class Clock:
    """What is left of the time.

    Parameters
    ----------
    seconds : float
        Time from now on. [s]
    """

    def __init__(self, seconds: float) -> None:
        self._end = time.monotonic() + seconds

    def left(self) -> float:
        """Return what is left.

        Returns
        -------
        float
            Above 0. [s]

        Raises
        ------
        OutOfTimeError
            If nothing is left.
        """
        left = self._end - time.monotonic()
        if left <= 0:
            raise OutOfTimeError
        return left


class Elastic:
    """The linear program in which every limit can be moved, each by a column of its own.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    clock : Clock
        Time for all its solves. [-]
    """

    def __init__(self, formulation: Formulation, clock: Clock) -> None:
        self.formulation = formulation
        self.clock = clock
        self.records = formulation.declaration
        self.variables = {v.key: v for v in self.records.variables}
        self.misses = [v for v in self.records.variables if v.miss_class is not None]
        self.numbers = numbers_of(formulation)
        program, arrays = written(_with_open_locks(formulation))
        self.kept = program.kept
        self.solver = Solver(arrays)
        self._sides: dict[tuple[str, int], list[float]] = {}
        self._open_curves()
        self._declare()
        self.weights = np.zeros(self.solver.column_count)
        for number in self.numbers:
            self.weights[number.column] = 1.0 / number.size
        self._close_misses(True)
        self.outcome: Outcome | None = None

    # -- writing

    def _open_curves(self) -> None:
        """Let the last piece of every curve go on, so that a greater load than usual has a power."""
        for curve in self.records.curves:
            key = f"{curve.key}_pieces"
            if key not in self.solver.columns:
                continue
            place = self.solver.columns[curve.key]
            argument = self.variables[curve.of]
            live = np.flatnonzero(argument.upper > argument.lower)
            at = place.start + live
            count = len(at)
            self.solver.set_column_bounds(at, np.full(count, -np.inf), np.full(count, np.inf))
            pieces = self.solver.columns[key]
            size = (pieces.stop - pieces.start) and count
            if not size:
                continue
            first = np.arange(pieces.start, pieces.start + count)
            last = np.arange(pieces.stop - count, pieces.stop)
            low, high = self.solver.column_bounds(first)
            self.solver.set_column_bounds(first, np.full(count, -np.inf), high)
            low, high = self.solver.column_bounds(last)
            self.solver.set_column_bounds(last, low, np.full(count, np.inf))

    def _declare(self) -> None:
        """Take every limit off its column or row and state it anew with its column of room."""
        families = {rows.key: rows for rows in self.records.rows}
        first = self.solver.add_columns(np.zeros(len(self.numbers)), np.full(len(self.numbers), np.inf)).start
        rows: list[tuple[float, float, list[int], list[float]]] = []
        start = self.solver.row_count
        for i, number in enumerate(self.numbers):
            number.column = first + i
            number.rows = []
            for place in number.places:
                bodies = (
                    self._row_bodies(families[place.record], place)
                    if place.rows
                    else [
                        ([self.solver.columns[place.record].start + int(p)], [1.0]) for p in place.positions
                    ]
                )
                self._free(place)
                at = [-1] * len(bodies) if place.intervals is None else place.intervals.tolist()
                for (columns, values), limit, t in zip(bodies, place.limit.tolist(), at, strict=True):
                    sign = -1.0 if place.upper else 1.0
                    low, high = (-np.inf, limit) if place.upper else (limit, np.inf)
                    number.rows.append((start + len(rows), int(t)))
                    rows.append((low, high, [*columns, number.column], [*values, sign]))
        self.solver.add_rows(rows)

    def _row_bodies(self, family: Rows, place: Place) -> list[tuple[list[int], list[float]]]:
        bodies: dict[int, dict[int, float]] = {int(p): {} for p in place.positions}
        for entry in family.entries:
            base = self.solver.columns[entry.variable].start
            for row, position, c in zip(
                entry.rows.tolist(), entry.positions.tolist(), entry.coefficients.tolist(), strict=True
            ):
                if row in bodies and c != 0.0:
                    body = bodies[row]
                    body[base + position] = body.get(base + position, 0.0) + c
        return [(list(body), list(body.values())) for body in bodies.values()]

    def _free(self, place: Place) -> None:
        """Take a limit off where it stands in the program."""
        if not place.rows:
            at = self.solver.columns[place.record].start + place.positions
            low, high = self.solver.column_bounds(at)
            if place.upper:
                high = np.full(len(at), np.inf)
            else:
                # Nothing runs backwards.
                low = np.zeros(len(at))
            self.solver.set_column_bounds(at, low, high)
            return
        family = next(rows for rows in self.records.rows if rows.key == place.record)
        kept = self.kept.get(place.record)
        number = {row: i for i, row in enumerate(kept)} if kept is not None else None
        first = self.solver.rows[place.record].start
        for p in place.positions.tolist():
            i = p if number is None else number.get(p)
            if i is None:
                continue
            sides = self._sides.setdefault(
                (place.record, p), [float(family.lower[p]), float(family.upper[p])]
            )
            sides[1 if place.upper else 0] = np.inf if place.upper else -np.inf
            self.solver.set_row_bounds(np.array([first + i]), np.array([sides[0]]), np.array([sides[1]]))

    def _close_misses(self, closed: bool) -> None:
        for v in self.misses:
            place = self.solver.columns[v.key]
            upper = np.zeros(v.size) if closed else v.upper
            self.solver.set_column_bounds(np.arange(place.start, place.stop), v.lower, upper)

    # -- solving

    def hold(self, amounts: Moved, free: Sequence[Number]) -> None:
        """Fix the room of every limit: what is given, any for some, none for the rest.

        Parameters
        ----------
        amounts : dict
            Room by number. [unit of each]
        free : sequence of Number
            Numbers with any room. [-]
        """
        lower, upper = np.zeros(len(self.numbers)), np.zeros(len(self.numbers))
        for i, number in enumerate(self.numbers):
            if number in amounts:
                # A hair more, so that what was found feasible stays it.
                lower[i] = upper[i] = amounts[number] + 1e-7 * number.size
            elif number in free:
                upper[i] = np.inf
        self.solver.set_column_bounds(self.columns, lower, upper)

    def like(self, amounts: Moved) -> Moved:
        """Return amounts of another program's limits for those of this one, by key.

        Parameters
        ----------
        amounts : dict
            Room by number of the other program. [unit of each]

        Returns
        -------
        dict
            The same by number of this one. [unit of each]
        """
        known = {number.key: amount for number, amount in amounts.items()}
        return {number: known[number.key] for number in self.numbers if number.key in known}

    def _solve(self, costs: Array) -> bool:
        self.solver.set_costs(np.concatenate([costs, np.zeros(self.solver.column_count - len(costs))]), 0.0)
        for _ in range(ROUNDS):
            seconds = min(self.clock.left(), SOLVE_SECONDS)
            self.outcome = self.solver.solve(seconds, confirm=False)
            if self.outcome.answer is Answer.LIMIT:
                raise OutOfTimeError
            if self.outcome.answer is not Answer.OPTIMAL:
                return False
            if not self._tighten(self.outcome.values):
                break
        return True

    def _tighten(self, values: Array) -> bool:
        """Add tangents where a solution lies below a curve; tell whether there were any."""
        rows: list[tuple[float, float, list[int], list[float]]] = []
        for curve in self.records.curves:
            argument = self.variables[curve.of]
            t = np.flatnonzero(argument.upper > argument.lower)
            if not t.size:
                continue
            own, of = self.solver.columns[curve.key].start, self.solver.columns[curve.of].start
            x = np.clip(values[of + t], argument.lower[t], argument.upper[t])
            inside = np.abs(x - values[of + t]) <= 1e-9 * np.maximum(np.abs(x), 1.0)
            y = curve.value(x, t)
            below = inside & (y - values[own + t] > TANGENT * np.maximum(np.abs(y), 1.0))
            if not below.any():
                continue
            rows += tangent_rows(curve, t[below], x[below], own, of)
        self.solver.add_rows(rows)
        return bool(rows)

    def feasible(self) -> bool:
        """Tell whether every duty can be met with the room held now.

        Returns
        -------
        bool
            True when it can. [-]
        """
        return self._solve(np.zeros(len(self.weights)))

    def least(self) -> Moved | None:
        """Return the least moves of limits with which every duty is met.

        Returns
        -------
        dict or None
            Moves by number; None if no moves make it possible. [unit of each]
        """
        self.hold({}, self.numbers)
        return self.moves()

    def moves(self) -> Moved | None:
        """Return the least moves of the limits that are free.

        Returns
        -------
        dict or None
            Moves by number; None if no moves make it possible. [unit of each]
        """
        if not self._solve(self.weights) or self.outcome is None:
            return None
        values = self.outcome.values
        lower, _ = self.solver.column_bounds(self.columns)
        moved = {n: float(values[n.column]) for n, held in zip(self.numbers, lower, strict=True) if not held}
        return {n: amount for n, amount in moved.items() if amount > 10 * MOVED * n.size}

    @property
    def columns(self) -> Integers:
        """Columns of room, one for each number. Shape (k,). [-]."""
        return np.array([number.column for number in self.numbers], dtype=np.int64)

    def amount(self, number: Number) -> float | None:
        """Return the least move of the one limit that is free.

        Parameters
        ----------
        number : Number
            The limit. [-]

        Returns
        -------
        float or None
            The move; None if it does not help. [unit of the number]
        """
        if not self._solve(self.weights) or self.outcome is None:
            return None
        return float(self.outcome.values[number.column])

    def support(self) -> list[tuple[Number, tuple[int, int] | None, float]]:
        """Return the limits whose duals prove the last optimum.

        Returns
        -------
        list of (Number, (int, int) or None, float)
            Each with the span of intervals on which it binds, and its weight. [-]
        """
        duals = self.solver.row_duals()
        found = []
        for number in self.numbers:
            own = [(abs(float(duals[row])), t) for row, t in number.rows]
            if not own:
                continue
            # Duals count shares per unit; times the size they are shares per share.
            weight = sum(dual for dual, _ in own) * number.size
            at = [t for dual, t in own if dual * number.size > DUAL and t >= 0]
            if weight > 10 * DUAL:
                found.append((number, (min(at), max(at) + 1) if at else None, weight))
        return found

    def change(self, number: Number, amount: float, others: Moved) -> Change:
        """Return a change with the intervals on which its room is used.

        Parameters
        ----------
        number : Number
            The limit that is moved. [-]
        amount : float
            By how much. [unit of the number]
        others : dict
            Moves that are made too. [unit of each]

        Returns
        -------
        Change
            The change. [-]
        """
        span = self._used(number, amount, others)
        return Change(number.collision(span), rounded_up(amount), amount / number.size)

    def _used(self, number: Number, amount: float, others: Moved) -> tuple[int, int] | None:
        """Return the span on which a limit's room is used, if it is used as little as can be."""
        at = [(row, t) for row, t in number.rows if t >= 0]
        if not at:
            return None
        most = amount * (1.0 + 1e-6) + 1e-7 * number.size
        self.hold({**others, number: most}, [])
        extra = self.solver.add_columns(np.zeros(len(at)), np.full(len(at), np.inf)).start
        # Room used = what is beyond the old limit: rows again with a column for each interval.
        rows = []
        for i, (row, _) in enumerate(at):
            low, high, columns, values = self._body_of(number, row)
            rows.append((low, high, [*columns, extra + i], [*values, -1.0 if high < np.inf else 1.0]))
        added = self.solver.add_rows(rows)
        costs = np.zeros(self.solver.column_count)
        hours = self.formulation.horizon.hours
        costs[extra : extra + len(at)] = [float(hours[t]) for _, t in at]
        span = None
        if self._solve(costs) and self.outcome is not None:
            used = self.outcome.values[extra : extra + len(at)]
            on = [t for (_, t), value in zip(at, used, strict=True) if value > 1e-5 * number.size]
            span = (min(on), max(on) + 1) if on else None
        self.solver.free_rows(added)
        return span

    def _body_of(self, number: Number, row: int) -> tuple[float, float, list[int], list[float]]:
        families = {rows.key: rows for rows in self.records.rows}
        i = row - number.rows[0][0]
        for place in number.places:
            if i < len(place.limit):
                limit = float(place.limit[i])
                if place.rows:
                    one = replace(place, positions=place.positions[i : i + 1])
                    columns, values = self._row_bodies(families[place.record], one)[0]
                else:
                    columns = [self.solver.columns[place.record].start + int(place.positions[i])]
                    values = [1.0]
                low, high = (-np.inf, limit) if place.upper else (limit, np.inf)
                return low, high, columns, values
            i -= len(place.limit)
        raise RuntimeError("a row of no place")  # a bug of this module

    def missed(self) -> tuple[DutyMissed, ...]:
        """Return the duties that the room held now leaves open.

        Returns
        -------
        tuple of DutyMissed
            The duties; empty if nothing runs within the limits. [-]
        """
        self._close_misses(False)
        horizon = self.formulation.horizon
        costs = np.zeros(self.solver.column_count)
        for v in self.misses:
            place = self.solver.columns[v.key]
            each = miss_hours(v, horizon)
            # The first classes first; the weights need only keep their order.
            costs[place] = v.miss_price * each * 10.0 ** (2 * (2 - int(v.miss_class or 0)))
        solved = self._solve(costs)
        values = self.outcome.values if self.outcome is not None else np.zeros(0)
        self._close_misses(True)
        if not solved:
            return ()
        found = []
        for v in self.misses:
            own = values[self.solver.columns[v.key]]
            quantity = float(np.sum(own * miss_hours(v, horizon)))
            if quantity <= MISS_TOLERANCE:
                continue
            on = np.flatnonzero(own > MISS_TOLERANCE * 0.1)
            span: tuple[int | None, int | None] = (None, None)
            if v.intervals is not None and on.size:
                span = (int(v.intervals[on[0]]), int(v.intervals[on[-1]]) + 1)
            found.append(DutyMissed(v.key, v.meaning, quantity, miss_unit(v), *span))
        return tuple(found)


def _with_open_locks(formulation: Formulation) -> Formulation:
    """Return the records with given loads free in their circuit's range, so that curves have pieces there."""
    situation = formulation.situation
    if not situation.locks:
        return formulation
    free = formulate(formulation.site, formulation.horizon, replace(situation, locks={}))
    ranges = {v.key: v for v in free.declaration.variables}
    given = {f"{name}_load" for name in situation.locks}
    variables = []
    for v in formulation.declaration.variables:
        if v.key in given:
            wide = ranges[v.key]
            on = (v.lower > 0) & (wide.upper > wide.lower)
            v = replace(
                v,
                lower=np.where(on, np.minimum(v.lower, wide.lower), v.lower),
                upper=np.where(on, np.maximum(v.upper, wide.upper), v.upper),
            )
        variables.append(v)
    return replace(formulation, declaration=replace(formulation.declaration, variables=tuple(variables)))


def rounded_up(amount: float) -> float:
    """Return an amount rounded up to a few digits, so that making the change is enough.

    Parameters
    ----------
    amount : float
        Any amount. [any]

    Returns
    -------
    float
        Never less; 0 for an amount of 0 or below. [as given]
    """
    if amount <= 0:
        return 0.0
    scale = 10.0 ** (DIGITS - 1 - math.floor(math.log10(amount)))
    return math.ceil(amount * scale - 1e-4) / scale
