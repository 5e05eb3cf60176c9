"""Simulated calls: whether the site can answer, at any hour, what its contract pays it for.

Owns the simulation of a call inside a plan: what was decided before the call stays, the import changes for
as long as the call lasts, and every duty and limit is kept to the end of the horizon. What a call is worth
stands in the contract's components; which side of the contract is taken in `sides`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np

from models.contract.component import Call
from models.horizon import Array, Horizon, Integers, Mask
from models.liquefier import Vaporiser
from models.site import Site
from scheduler.exact import exact_values
from scheduler.highs import Answer, Solver
from scheduler.lp import Formulation
from scheduler.result import CallAnswer, CallCheck, Plan

if TYPE_CHECKING:
    from scheduler.plan import Planner

HELD = 1e-6
"""How far, as a share of its size, what was decided before a call may move, for rounding."""
RUNNING_T_PER_H = 1e-6
"""Rate above which a vaporiser counts as running, and so as hot. [t/h]"""
ROUNDS = 12
"""Solves for one call, until the true import is as low as the program says."""
TRUE_MW = 1e-3
"""How far the true import may be from the program's. [MW]"""
SECONDS = 30.0
"""Time for one solve. [s]"""


def check_calls(plan: Plan, call: Call, planner: Planner) -> CallCheck:
    """Simulate a call at every interval of a plan's day (see `answers`).

    Parameters
    ----------
    plan : Plan
        The plan inside which calls come. [-]
    call : Call
        The call. [-]
    planner : Planner
        A fresh program of the same site, horizon and situation, with a contract that charges nothing. It is
        used up. [-]

    Returns
    -------
    CallCheck
        For each interval what is asked for and what is possible. [-]
    """
    intervals = np.flatnonzero(call.drop_mw[: plan.horizon.plan_intervals]).tolist()
    found = answers(plan.site, plan.horizon, plan.audit.values, call, planner, intervals)
    return CallCheck(call.component, tuple(found))


def answers(
    site: Site,
    horizon: Horizon,
    values: Mapping[str, Array],
    call: Call,
    planner: Planner,
    intervals: Iterable[int],
) -> Iterator[CallAnswer]:
    """Simulate a call at one interval after another of a planned time.

    Setpoints of intervals that begin before the announcement stay as planned. From the announcement on the
    site may do what it can: loads, deliveries and stores move within their limits, rates of change included
    unless the call allows fast unloading. A vaporiser that did not run returns nothing until its cold start,
    counted from the announcement, is over. No duty may be missed that the plan does not miss already.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The intervals of the planned time. [-]
    values : mapping
        What is planned, by variable. [as declared]
    call : Call
        The call. [-]
    planner : Planner
        A fresh program of the same site, horizon and situation, with a contract that charges nothing. It is
        used up. [-]
    intervals : iterable of int
        Intervals at which a call comes, each by itself. [-]

    Yields
    ------
    CallAnswer
        What is asked for and what is possible. [-]
    """
    simulation = _Simulation(site, horizon, values, call, planner)
    for h in intervals:
        yield simulation.answer(h)


def hold(formulation: Formulation, solver: Solver, values: Mapping[str, Array], where: Mask) -> None:
    """Hold setpoints at what is planned; the import follows from them and stays free.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    solver : Solver
        Their program. [-]
    values : mapping
        What is planned, by variable. [as declared]
    where : ndarray
        Intervals to hold. Shape (n,). [-]
    """
    for variable in formulation.declaration.variables:
        if variable.intervals is None or variable.key == formulation.site.meter:
            continue
        at = np.flatnonzero(where[variable.intervals])
        if not at.size:
            continue
        value = values[variable.key][at]
        room = HELD * np.maximum(np.abs(value), 1.0)
        low = np.maximum(variable.lower[at], value - room)
        high = np.minimum(variable.upper[at], value + room)
        columns = solver.columns[variable.key].start + at
        solver.set_column_bounds(columns, np.minimum(low, high), high)


class _Simulation:
    """One program in which one call after the other is tried."""

    def __init__(
        self, site: Site, horizon: Horizon, values: Mapping[str, Array], call: Call, planner: Planner
    ) -> None:
        self.site, self.values, self.call = site, values, call
        self.formulation = planner.formulation
        self.solver, self.search = planner.solver, planner.search
        self.starts: Integers = horizon.starts_min
        self.ends: Integers = horizon.starts_min + horizon.lengths_min
        self.planned: Array = values[site.meter]
        self.meter = self.solver.columns[site.meter].start
        for variable in self.formulation.declaration.variables:
            if variable.miss_class is not None:
                place = self.solver.columns[variable.key]
                most = np.minimum(variable.upper, values[variable.key] + HELD)
                self.solver.set_column_bounds(np.arange(place.start, place.stop), variable.lower, most)
        if call.fast:
            for rows in self.formulation.declaration.rows:
                if rows.movement:
                    place = self.solver.rows[rows.key]
                    self.solver.free_rows(range(place.start, place.stop))
        self.change = self.solver.add_columns(np.zeros(1), np.zeros(1)).start
        costs = np.zeros(self.solver.column_count)
        costs[self.change] = -1.0
        self.solver.set_costs(costs, 0.0)
        self.columns = np.arange(self.solver.column_count)
        self.bounds = self.solver.column_bounds(self.columns)

    def answer(self, h: int) -> CallAnswer:
        """Return how much of the call can be answered in an interval."""
        asked, sign = abs(float(self.call.drop_mw[h])), float(np.sign(self.call.drop_mw[h]))
        announced = float(self.starts[h]) - self.call.notice_min
        called = np.flatnonzero(
            (self.starts >= self.starts[h]) & (self.starts < self.starts[h] + 60.0 * self.call.hours)
        )
        # Columns of branches were added since; they keep their own bounds.
        self.solver.set_column_bounds(self.columns, *self.bounds)
        self._hold_before(announced)
        self._warm_up(announced)
        self.solver.set_column_bounds(np.array([self.change]), np.zeros(1), np.array([asked]))
        rows = [
            (-np.inf, self.planned[t], [self.meter + t, self.change], [1.0, 1.0])
            if sign > 0
            else (self.planned[t], np.inf, [self.meter + t, self.change], [1.0, -1.0])
            for t in called.tolist()
        ]
        added = self.solver.add_rows(rows)
        possible = self._most(called, sign)
        self.solver.free_rows(added)
        return CallAnswer(h, asked, possible)

    def _hold_before(self, announced: float) -> None:
        """Hold every setpoint of the intervals that begin before the announcement."""
        hold(self.formulation, self.solver, self.values, self.starts < announced)

    def _warm_up(self, announced: float) -> None:
        """Let vaporisers that are cold return nothing until they are hot."""
        running = np.flatnonzero(self.ends <= announced)
        for unit in self.site.units:
            if not isinstance(unit, Vaporiser):
                continue
            rate = self.values[unit.key("rate")]
            if running.size and rate[running[-1]] > RUNNING_T_PER_H:
                continue
            cold = np.flatnonzero(
                (self.starts >= announced) & (self.starts < announced + unit.cold_start_min)
            )
            columns = self.solver.columns[unit.key("rate")].start + cold
            self.solver.set_column_bounds(columns, np.zeros(len(cold)), np.zeros(len(cold)))

    def _most(self, called: Integers, sign: float) -> float:
        """Return the greatest change that the true import confirms."""
        best = 0.0
        for _ in range(ROUNDS):
            outcome = self.solver.solve(SECONDS)
            if outcome.answer is not Answer.OPTIMAL:
                return best
            raw = self.search.read(outcome)
            exact = exact_values(self.formulation, raw)
            true = sign * (self.planned - exact[self.site.meter])[called]
            promised = float(outcome.values[self.change])
            kept = self.search.keeps_limits(exact)
            if kept:
                best = max(best, min(promised, float(np.min(true))))
            if kept and promised - float(np.min(true)) <= TRUE_MW:
                return best
            if not self.search.refine(raw, exact, 0.0 if sign < 0 else np.inf):
                return best
        return best
