"""The look-ahead as a cost-to-go, so that whole steps are searched on the plan day alone.

Owns the split of a program into the plan day ('now') and the look-ahead ('later'), and the cuts between
them (Benders): for given end-of-day stocks, loads and peaks the look-ahead is a linear program whose
optimum is convex in them, so each solve of it gives a plane below the cost-to-go. The plan day with
those planes is small enough for branch and bound, and its bound holds for the whole program.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from models.horizon import Array, Integers, Mask
from scheduler.errors import SolverError
from scheduler.highs import Arrays, Outcome, Solver
from scheduler.lp import Formulation

SHORTAGE_PRICE = 1e5
"""What one unit per hour missing or too much in the look-ahead counts while cuts are collected: more than
any duty is worth, so that plan days without a possible continuation are left. [currency/unit]"""
MAX_CUTS = 200


@dataclass(frozen=True, eq=False)
class DayFound:
    """Result of a search on the plan day.

    Parameters
    ----------
    values : ndarray
        Values of the whole program's columns on the plan day; later ones are 0. Empty without a
        solution. Shape (columns,). [-]
    bound : float
        Lower bound of the whole program with whole columns. [currency]
    cuts : int
        Cuts collected. [-]
    """

    values: Array
    bound: float
    cuts: int


class SplitProgram:
    """A program split into the plan day and a cost-to-go.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    solver : Solver
        The whole program, step columns included. [-]
    """

    def __init__(self, formulation: Formulation, solver: Solver) -> None:
        whole = solver.snapshot()
        later = self._later_columns(formulation, solver)
        counts = np.diff(whole.start)
        row = np.repeat(np.arange(len(counts)), counts)
        later_row = np.zeros(len(counts), dtype=bool)
        np.logical_or.at(later_row, row, later[whole.index])
        linked = np.zeros(len(later), dtype=bool)
        linked[whole.index[later_row[row]]] = True
        linked &= ~later
        self.now = np.flatnonzero(~later)
        self.link = np.flatnonzero(linked)
        self.later = np.flatnonzero(later)
        self.size = len(later)
        self._master = Solver(self._part(whole, row, self.now, ~later_row, whole.cost[self.now], 1))
        self._theta = len(self.now)
        self._sub, self._sub_link = self._look_ahead(whole, row, later_row)

    @staticmethod
    def _later_columns(formulation: Formulation, solver: Solver) -> Mask:
        plan = formulation.horizon.plan_intervals
        later = np.zeros(solver.column_count, dtype=bool)
        records = formulation.declaration
        places: list[tuple[str, Integers]] = [
            (v.key, v.intervals) for v in records.variables if v.intervals is not None
        ]
        everywhere = np.arange(len(formulation.horizon))
        places += [(curve.key, everywhere) for curve in records.curves]
        places += [(stock.key, everywhere) for stock in records.stocks]
        for key, at in places:
            place = solver.columns[key]
            later[place.start : place.stop] = at >= plan
        return later

    @staticmethod
    def _part(whole: Arrays, row: Integers, columns: Integers, rows: Mask, cost: Array, extra: int) -> Arrays:
        """Return some rows and columns of a program, with free columns of cost 1 at the end."""
        number = np.full(len(whole.cost), -1)
        number[columns] = np.arange(len(columns))
        kept = rows[row] & (number[whole.index] >= 0)
        picked = np.flatnonzero(rows)
        per_row = np.bincount(row[kept], minlength=len(rows))[picked]
        return Arrays(
            np.concatenate([cost, np.ones(extra)]),
            np.concatenate([whole.column_lower[columns], np.full(extra, -np.inf)]),
            np.concatenate([whole.column_upper[columns], np.full(extra, np.inf)]),
            whole.row_lower[picked],
            whole.row_upper[picked],
            np.concatenate([[0], np.cumsum(per_row)]).astype(np.int32),
            number[whole.index[kept]].astype(np.int32),
            whole.value[kept],
            whole.offset,
            {},
            {},
        )

    def _look_ahead(self, whole: Arrays, row: Integers, later_row: Mask) -> tuple[Solver, Integers]:
        columns = np.concatenate([self.later, self.link])
        cost = np.concatenate([whole.cost[self.later], np.zeros(len(self.link))])
        part = self._part(whole, row, columns, later_row, cost, 0)
        sub = Solver(part)
        links = np.zeros(len(part.row_lower), dtype=bool)
        part_row = np.repeat(np.arange(len(part.row_lower)), np.diff(part.start))
        links[part_row[part.index >= len(self.later)]] = True
        equal = np.flatnonzero((part.row_lower == part.row_upper) | links)
        sub.add_columns_in_rows(
            np.full(2 * len(equal), SHORTAGE_PRICE),
            np.concatenate([equal, equal]),
            np.concatenate([np.ones(len(equal)), -np.ones(len(equal))]),
        )
        return sub, np.arange(len(self.later), len(columns))

    def cost_to_go(self, at: Array, seconds: float) -> tuple[float, Array]:
        """Return the cost of the look-ahead and its slope for given linked columns.

        Parameters
        ----------
        at : ndarray
            Values of the linked columns. Shape (links,). [-]
        seconds : float
            Time limit. [s]

        Returns
        -------
        tuple of (float, ndarray)
            Cost, and slope by linked column. [currency], [currency/unit]
        """
        if not len(self.later):
            return 0.0, np.zeros(len(self.link))
        self._sub.set_column_bounds(self._sub_link, at, at)
        outcome = self._sub.solve(seconds, confirm=False)
        if not len(outcome.values):
            raise SolverError("the look-ahead of a plan day could not be solved: allow more time")
        return outcome.objective - self._sub.offset, self._sub.reduced_costs()[self._sub_link]

    def search(self, whole_columns: Integers, start: Array, allowance: float, stop: float) -> DayFound:
        """Search the plan day with some columns whole.

        Parameters
        ----------
        whole_columns : ndarray
            Positions of the whole columns in the whole program; all on the plan day. Shape (k,). [-]
        start : ndarray
            Values of the relaxed optimum, at which the first cut is taken. Shape (columns,). [-]
        allowance : float
            How close cost and bound must come. [currency]
        stop : float
            Time at which to stop, as of `time.perf_counter`. [s]

        Returns
        -------
        DayFound
            The best plan day and the bound. [-]
        """
        place = np.full(self.size, -1)
        place[self.now] = np.arange(len(self.now))
        link = place[self.link]
        at = start[self.link]
        best, best_cost, bound = np.zeros(0), np.inf, -np.inf
        cuts = 0
        for whole in (False, True):
            if whole:
                self._master.set_whole(place[whole_columns], True)
            for _ in range(MAX_CUTS):
                left = stop - time.perf_counter()
                if left <= 0:
                    break
                if cuts == 0:
                    self._cut(link, at, *self.cost_to_go(at, left))
                    cuts += 1
                outcome = self._master.solve(max(left, 0.5), 0.9 * allowance, confirm=False)
                if not len(outcome.values):
                    return DayFound(np.zeros(0), bound, cuts)
                bound = max(bound, outcome.bound)
                at = outcome.values[link]
                cost, slope = self.cost_to_go(at, max(left, 0.5))
                total = outcome.objective - outcome.values[self._theta] + cost
                if whole and total < best_cost:
                    best, best_cost = self._spread(outcome), total
                if total - outcome.bound <= (allowance if whole else 0.2 * allowance):
                    break
                self._cut(link, at, cost, slope)
                cuts += 1
        return DayFound(best, bound, cuts)

    def _spread(self, outcome: Outcome) -> Array:
        values = np.zeros(self.size)
        values[self.now] = outcome.values[: len(self.now)]
        return values

    def _cut(self, link: Integers, at: Array, cost: float, slope: Array) -> None:
        steep = np.abs(slope) > 1e-9
        columns = [self._theta, *link[steep].tolist()]
        self._master.add_rows([(cost - float(slope @ at), np.inf, columns, [1.0, *(-slope[steep]).tolist()])])
