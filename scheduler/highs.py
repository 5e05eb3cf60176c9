"""HiGHS: the only code that touches the solver.

Owns the transfer of a Pyomo model, solving and re-solving with new costs, bounds, rows and columns,
and the meaning of the solver's answers. Knows neither records nor the trade.
"""

from __future__ import annotations

import copy
import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum
from typing import Any

import highspy
import numpy as np
import pyomo.environ as pyo

from models.horizon import Array, Integers
from scheduler.errors import SolverError

TOLERANCE = 1e-8
"""Feasibility tolerance of rows, columns and reduced costs: a tenth of the solver's usual one."""
USUAL_TOLERANCE = 1e-7
"""The solver's usual tolerance."""
NO_ITERATION_LIMIT = 2_147_483_647
"""The solver's own default."""
STALLED = 1.5
"""Iterations per row after which a solve from an earlier basis counts as stalled: 0.6 is much on a month's
program, and one that went round a degenerate corner had not ended after 3 (two minutes)."""
LEAST_ITERATIONS = 2000
"""Iterations that a solve may always take before it counts as stalled. [-]"""
DRIFT_TOLERANCE = 1e-7
"""Greatest difference between a row's value as the solver carries it along and as its columns give it. [-]"""


class Answer(Enum):
    """What the solver said."""

    OPTIMAL = "optimal"
    INFEASIBLE = "infeasible"
    UNBOUNDED = "unbounded"
    LIMIT = "limit reached"


@dataclass(frozen=True, eq=False)
class Outcome:
    """Result of one solve.

    Parameters
    ----------
    answer : Answer
        What the solver said. [-]
    objective : float
        Cost of the solution; NaN without one. [currency]
    bound : float
        Lower bound on the cost: the objective of a linear program, the dual bound with binaries. [currency]
    values : ndarray
        Value of every column; empty without a solution. Shape (columns,). [-]
    """

    answer: Answer
    objective: float
    bound: float
    values: Array


@dataclass(frozen=True, eq=False)
class Arrays:
    """A program as arrays, rows compressed.

    Parameters
    ----------
    cost, column_lower, column_upper : ndarray
        Of each column. Shape (columns,). [-]
    row_lower, row_upper : ndarray
        Of each row. Shape (rows,). [-]
    start, index, value : ndarray
        Non-zeros by rows. Shapes (rows + 1,), (nonzeros,), (nonzeros,). [-]
    offset : float
        Constant of the objective. [currency]
    columns, rows : mapping
        First position and count of each named family. [-]
    """

    cost: Array
    column_lower: Array
    column_upper: Array
    row_lower: Array
    row_upper: Array
    start: Any
    index: Any
    value: Array
    offset: float
    columns: Mapping[str, slice]
    rows: Mapping[str, slice]


def arrays_of(model: Any) -> Arrays:
    """Read a Pyomo model whose bodies are `LinearExpression` into arrays.

    Pyomo's own compilers walk every expression and know all kinds of them; here one kind is enough,
    and ranged rows stay one row.

    Parameters
    ----------
    model : ConcreteModel
        The model. [-]

    Returns
    -------
    Arrays
        The same program. [-]
    """
    position: dict[int, int] = {}
    columns: dict[str, slice] = {}
    lower: list[float] = []
    upper: list[float] = []
    for family in model.component_objects(pyo.Var):
        first = len(lower)
        for data in family.values():
            position[id(data)] = len(lower)
            low, high = data.bounds
            lower.append(-highspy.kHighsInf if low is None else low)
            upper.append(highspy.kHighsInf if high is None else high)
        columns[family.name] = slice(first, len(lower))
    rows: dict[str, slice] = {}
    row_lower: list[float] = []
    row_upper: list[float] = []
    start: list[int] = [0]
    index: list[int] = []
    value: list[float] = []
    for family in model.component_objects(pyo.Constraint):
        first = len(row_lower)
        for data in family.values():
            low, body, high = data.to_bounded_expression()
            index.extend([position[id(v)] for v in body.linear_vars])
            value.extend(body.linear_coefs)
            start.append(len(index))
            row_lower.append(-highspy.kHighsInf if low is None else low)
            row_upper.append(highspy.kHighsInf if high is None else high)
        rows[family.name] = slice(first, len(row_lower))
    objective = model.cost.expr
    cost = np.zeros(len(lower))
    for c, v in zip(objective.linear_coefs, objective.linear_vars, strict=True):
        cost[position[id(v)]] = c
    return Arrays(
        cost,
        np.array(lower),
        np.array(upper),
        np.array(row_lower),
        np.array(row_upper),
        np.array(start, dtype=np.int32),
        np.array(index, dtype=np.int32),
        np.array(value),
        float(objective.constant),
        columns,
        rows,
    )


class Solver:
    """One program inside HiGHS, changed in place between solves.

    Parameters
    ----------
    arrays : Arrays
        The program. [-]
    """

    def __init__(self, arrays: Arrays) -> None:
        self.columns = dict(arrays.columns)
        self.rows = dict(arrays.rows)
        self.costs = arrays.cost.copy()
        self.offset = arrays.offset
        self._whole: set[int] = set()
        self._most_iterations: int | None = None
        self._has_basis = False
        entry_row = np.repeat(np.arange(len(arrays.row_lower)), np.diff(arrays.start))
        self._entries = (entry_row, arrays.index, arrays.value)
        self._first_rows = len(arrays.row_lower)
        self._options: dict[str, bool | float | str] = {}
        self._seconds_before = 0.0
        self._resting: tuple[Any, Any] | None = None
        self._awake = _new_highs()
        self._option("output_flag", False)
        self._option("parallel", "off")
        # The demo's day in whole steps: 13 s of CPU instead of 40 s with the default of 0.05; its bound is
        # found early, what takes long is a plan near it.
        self._option("mip_heuristic_effort", 0.3)
        self._option("primal_feasibility_tolerance", TOLERANCE)
        self._option("dual_feasibility_tolerance", TOLERANCE)
        status = self._highs.passModel(_as_lp(arrays))
        if status == highspy.HighsStatus.kError:
            raise SolverError("the program could not be given to the solver: this is a bug, please report it")

    @property
    def _highs(self) -> Any:
        if self._awake is None:
            self._wake()
        return self._awake

    def rest(self) -> None:
        """Give the solver's memory back until the next use; the program and its basis are kept.

        A month's program takes some 5 MB, the solver's factors and copies beside it 60. Views that `named`
        made must not be used after it.
        """
        if self._awake is not None:
            self._resting = (self._awake.getLp(), self._awake.getBasis())
            self._seconds_before += float(self._awake.getRunTime())
            self._awake = None

    def _wake(self) -> None:
        if self._resting is None:
            raise RuntimeError("the solver is neither awake nor at rest")  # a bug of this package
        (lp, basis), self._resting = self._resting, None
        self._awake = _new_highs()
        for name, value in self._options.items():
            if name != "time_limit":
                self._option(name, value)
        self._awake.passModel(lp)
        if basis.valid:
            self._awake.setBasis(basis)

    def _option(self, name: str, value: bool | float | str) -> None:
        self._options[name] = value
        if self._highs.setOptionValue(name, value) != highspy.HighsStatus.kOk:
            raise SolverError(f"the solver does not know the option '{name}' = {value!r}")

    @property
    def column_count(self) -> int:
        """Number of columns. [-]."""
        return int(self._highs.getNumCol())

    @property
    def whole_columns(self) -> Integers:
        """Positions of the columns that take whole values only, in order. Shape (k,). [-]."""
        return np.array(sorted(self._whole), dtype=np.int64)

    @property
    def row_count(self) -> int:
        """Number of rows. [-]."""
        return int(self._highs.getNumRow())

    @property
    def run_seconds(self) -> float:
        """Time inside the solver so far, over all its solves. [s]."""
        now = 0.0 if self._awake is None else float(self._awake.getRunTime())
        return self._seconds_before + now

    def objective(self) -> tuple[Array, float]:
        """Return the cost of every column and the constant of the objective.

        Returns
        -------
        tuple of (ndarray, float)
            Costs, shape (columns,), and constant. [-]
        """
        lp = self._highs.getLp()
        return np.array(lp.col_cost_), float(lp.offset_)

    def set_costs(self, costs: Array, offset: float) -> None:
        """Replace the objective.

        Parameters
        ----------
        costs : ndarray
            Cost of the first columns, the later ones get 0. Shape (m,), m at most the column count. [-]
        offset : float
            Constant. [-]
        """
        count = self.column_count
        whole = np.zeros(count)
        whole[: len(costs)] = costs
        self._highs.changeColsCost(count, np.arange(count, dtype=np.int32), whole)
        self._highs.changeObjectiveOffset(offset)

    def set_column_bounds(self, columns: Integers, lower: Array, upper: Array) -> None:
        """Replace the bounds of some columns.

        Parameters
        ----------
        columns : ndarray
            Positions. Shape (k,). [-]
        lower, upper : ndarray
            New bounds. Each shape (k,). [-]
        """
        if len(columns):
            self._highs.changeColsBounds(
                len(columns), np.asarray(columns, dtype=np.int32), np.asarray(lower), np.asarray(upper)
            )

    def column_bounds(self, columns: Integers) -> tuple[Array, Array]:
        """Return the bounds of some columns.

        Parameters
        ----------
        columns : ndarray
            Positions. Shape (k,). [-]

        Returns
        -------
        tuple of ndarray
            Lower and upper bounds. Each shape (k,). [-]
        """
        lp = self._highs.getLp()
        return np.array(lp.col_lower_)[columns], np.array(lp.col_upper_)[columns]

    def snapshot(self) -> Arrays:
        """Return the program as it is now, with all rows and columns added so far.

        Returns
        -------
        Arrays
            The program, without names. [-]
        """
        lp = self._highs.getLp()
        start = np.array(lp.a_matrix_.start_, dtype=np.int64)
        index = np.array(lp.a_matrix_.index_, dtype=np.int64)
        value = np.array(lp.a_matrix_.value_)
        if lp.a_matrix_.format_ == highspy.MatrixFormat.kColwise:
            column = np.repeat(np.arange(lp.num_col_), np.diff(start))
            order = np.argsort(index, kind="stable")
            start = np.concatenate([[0], np.cumsum(np.bincount(index, minlength=lp.num_row_))])
            index, value = column[order], value[order]
        return Arrays(
            np.array(lp.col_cost_),
            np.array(lp.col_lower_),
            np.array(lp.col_upper_),
            np.array(lp.row_lower_),
            np.array(lp.row_upper_),
            start,
            index,
            value,
            float(lp.offset_),
            {},
            {},
        )

    def reduced_costs(self) -> Array:
        """Return the reduced cost of every column in the last solution of a linear program.

        Returns
        -------
        ndarray
            For a fixed column: change of the optimum with its value. Shape (columns,). [currency/unit]
        """
        return np.array(self._highs.getSolution().col_dual)

    def row_duals(self) -> Array:
        """Return the dual of every row in the last solution of a linear program.

        Returns
        -------
        ndarray
            Change of the optimum with the row's limit; one of many where the program is degenerate.
            Shape (rows,). [currency/unit]
        """
        return np.array(self._highs.getSolution().row_dual)

    def add_columns_in_rows(self, costs: Array, rows: Integers, coefficients: Array) -> range:
        """Add columns from 0 up, each standing in one row.

        Parameters
        ----------
        costs : ndarray
            Cost of each. Shape (k,). [currency/unit]
        rows : ndarray
            Row of each. Shape (k,). [-]
        coefficients : ndarray
            Coefficient of each. Shape (k,). [-]

        Returns
        -------
        range
            Positions of the new columns. [-]
        """
        first, count = self.column_count, len(costs)
        self._highs.addCols(
            count,
            np.asarray(costs, dtype=np.float64),
            np.zeros(count),
            np.full(count, highspy.kHighsInf),
            count,
            np.arange(count, dtype=np.int32),
            np.asarray(rows, dtype=np.int32),
            np.asarray(coefficients, dtype=np.float64),
        )
        return range(first, first + count)

    def set_row_bounds(self, rows: Integers, lower: Array, upper: Array) -> None:
        """Replace the limits of some rows.

        Parameters
        ----------
        rows : ndarray
            Positions. Shape (k,). [-]
        lower, upper : ndarray
            New limits. Each shape (k,). [-]
        """
        if len(rows):
            self._highs.changeRowsBounds(
                len(rows), np.asarray(rows, dtype=np.int32), np.asarray(lower), np.asarray(upper)
            )

    def free_rows(self, rows: Iterable[int]) -> None:
        """Take the limits off some rows, so that they promise nothing any more.

        Parameters
        ----------
        rows : iterable of int
            Positions. [-]
        """
        for row in rows:
            self._highs.changeRowBounds(int(row), -highspy.kHighsInf, highspy.kHighsInf)

    def drop_rows(self, first: int) -> None:
        """Remove the last rows.

        Parameters
        ----------
        first : int
            Position of the first row removed; at least the number of rows of the first program. [-]
        """
        count = self.row_count - first
        if count:
            self._highs.deleteRows(count, np.arange(first, first + count, dtype=np.int32))

    def basis(self) -> Any:
        """Return the basis of the last solve, to start from it later.

        Returns
        -------
        object
            Status of every column and row. [-]
        """
        return self._highs.getBasis()

    def start_from(self, basis: Any) -> None:
        """Start the next solve from an earlier basis; rows added since are slack in it, columns at 0.

        Parameters
        ----------
        basis : object
            As `basis` gave it. [-]
        """
        rows = self.row_count - len(basis.row_status)
        if rows:
            basis.row_status = [*basis.row_status, *[highspy.HighsBasisStatus.kBasic] * rows]
        columns = self.column_count - len(basis.col_status)
        if columns:
            basis.col_status = [*basis.col_status, *[highspy.HighsBasisStatus.kLower] * columns]
        self._highs.setBasis(basis)

    def start_from_parts(self, bases: Sequence[Any]) -> None:
        """Start the next solve from bases of programs that stand one after another at the start of this one.

        Parameters
        ----------
        bases : sequence
            As `basis` gave them, in order; what follows them is slack, columns at 0. [-]
        """
        whole = highspy.HighsBasis()
        whole.col_status = [status for basis in bases for status in basis.col_status]
        whole.row_status = [status for basis in bases for status in basis.row_status]
        whole.valid = True
        self.start_from(whole)

    def named(self, columns: Mapping[str, slice]) -> Solver:
        """Return the same program under other names, for what knows only a part of it.

        Parameters
        ----------
        columns : mapping
            First position and count of each family. [-]

        Returns
        -------
        Solver
            A view: what is changed in it is changed here. [-]
        """
        view = copy.copy(self)
        view.columns = dict(columns)
        return view

    def limit_iterations(self, most: int | None) -> None:
        """Limit the simplex iterations of the next solves; a solve that needs more ends with a limit.

        Parameters
        ----------
        most : int or None
            Greatest number; None for no limit. [-]
        """
        self._most_iterations = most
        self._option("simplex_iteration_limit", NO_ITERATION_LIMIT if most is None else most)

    def forget(self) -> None:
        """Forget the last basis, so that the next solve starts with presolve."""
        self._highs.clearSolver()
        self._has_basis = False

    def add_rows(self, rows: Sequence[tuple[float, float, Sequence[int], Sequence[float]]]) -> range:
        """Add rows.

        Parameters
        ----------
        rows : sequence of (lower, upper, columns, coefficients)
            The rows. [-]

        Returns
        -------
        range
            Positions of the new rows. [-]
        """
        first = self.row_count
        if rows:
            counts = np.array([len(row[2]) for row in rows])
            starts = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int32)
            index = np.concatenate([np.asarray(row[2], dtype=np.int32) for row in rows])
            value = np.concatenate([np.asarray(row[3], dtype=np.float64) for row in rows])
            lower = np.array([row[0] for row in rows], dtype=np.float64)
            upper = np.array([row[1] for row in rows], dtype=np.float64)
            status = self._highs.addRows(len(rows), lower, upper, len(index), starts, index, value)
            if status == highspy.HighsStatus.kError:
                raise SolverError("rows could not be added to the program: this is a bug, please report it")
        return range(first, first + len(rows))

    def add_columns(self, lower: Array, upper: Array, whole: bool = False) -> range:
        """Add columns without cost that stand in no row yet.

        Parameters
        ----------
        lower, upper : ndarray
            Bounds. Each shape (k,). [-]
        binary : bool
            Whether they take whole values only. [-]

        Returns
        -------
        range
            Positions of the new columns. [-]
        """
        first, count = self.column_count, len(lower)
        none = np.zeros(0, dtype=np.int32)
        self._highs.addCols(
            count,
            np.zeros(count),
            np.asarray(lower, dtype=np.float64),
            np.asarray(upper, dtype=np.float64),
            0,
            np.zeros(count, dtype=np.int32),
            none,
            np.zeros(0),
        )
        if whole and count:
            self.set_whole(np.arange(first, first + count), True)
        return range(first, first + count)

    def set_whole(self, columns: Integers, whole: bool) -> None:
        """Say whether some columns take whole values only.

        Parameters
        ----------
        columns : ndarray
            Positions. Shape (k,). [-]
        whole : bool
            Whole values only, or any. [-]
        """
        kind = highspy.HighsVarType.kInteger if whole else highspy.HighsVarType.kContinuous
        kinds = np.full(len(columns), int(kind), dtype=np.uint8)
        self._highs.changeColsIntegrality(len(columns), np.asarray(columns, dtype=np.int32), kinds)
        self._whole = self._whole | set(columns.tolist()) if whole else self._whole - set(columns.tolist())

    def solve(self, seconds: float = 60.0, absolute_gap: float = 1e-6, confirm: bool = True) -> Outcome:
        """Solve from the last basis.

        Parameters
        ----------
        seconds : float
            Time limit of this solve. [s]
        absolute_gap : float
            With whole columns, how close bound and cost must come. [currency]
        confirm : bool
            Whether an answer 'infeasible' is asked for once more without presolve. [-]

        Returns
        -------
        Outcome
            Answer, cost, bound and values. [-]

        Raises
        ------
        SolverError
            If the solver gives an answer that can be neither used nor explained.
        """
        # The solver's limit counts its own clock over all solves of the object.
        self._option("time_limit", self._highs.getRunTime() + seconds)
        if self._whole:
            self._option("mip_rel_gap", 0.0)
            self._option("mip_abs_gap", max(absolute_gap, 1e-9))
        answer = self._from_basis(seconds)
        if answer is None or (confirm and answer is Answer.INFEASIBLE):
            answer = self._again(answer, seconds)
        if answer is Answer.OPTIMAL and not self._whole and self._drift() > DRIFT_TOLERANCE:
            # After many updates the solver's factors can lose digits and balances no longer close; the
            # same basis factorised anew gives them back.
            basis = self._highs.getBasis()
            self._highs.clearSolver()
            self._highs.setBasis(basis)
            self._option("time_limit", self._highs.getRunTime() + seconds)
            self._highs.run()
            answer = self._answer()
        if answer is None:
            status = self._highs.modelStatusToString(self._highs.getModelStatus())
            raise SolverError(f"the solver ended with '{status}': no plan can be given")
        info = self._highs.getInfo()
        usable = info.primal_solution_status == int(highspy.SolutionStatus.kSolutionStatusFeasible)
        if answer is Answer.OPTIMAL or (answer is Answer.LIMIT and usable):
            objective = float(info.objective_function_value)
            if self._whole:
                bound = float(info.mip_dual_bound)
            else:
                bound = objective if answer is Answer.OPTIMAL else -np.inf
            return Outcome(answer, objective, bound, np.array(self._highs.getSolution().col_value))
        return Outcome(answer, np.nan, -np.inf, np.zeros(0))

    def _from_basis(self, seconds: float) -> Answer | None:
        """Solve from the last basis, or from nothing where that stalls."""
        guarded = self._has_basis and not self._whole and self._most_iterations is None
        if guarded:
            self._option("simplex_iteration_limit", max(int(STALLED * self.row_count), LEAST_ITERATIONS))
        self._highs.run()
        self._has_basis = True
        if not guarded:
            return self._answer()
        self._option("simplex_iteration_limit", NO_ITERATION_LIMIT)
        if self._highs.getModelStatus() == highspy.HighsModelStatus.kIterationLimit:
            self._highs.clearSolver()
            self._option("time_limit", self._highs.getRunTime() + seconds)
            self._highs.run()
        return self._answer()

    def _again(self, answer: Answer | None, seconds: float) -> Answer | None:
        """Solve from nothing, in the ways that have answered where the first one did not.

        Presolve has called solvable programs infeasible, so that answer is asked for once more without
        it. Where a tight tolerance was just missed the solver says 'unknown'; then its usual one counts.
        """
        ways = [("off", TOLERANCE)]
        if answer is None:
            ways = [
                ("choose", TOLERANCE),
                ("off", TOLERANCE),
                ("choose", USUAL_TOLERANCE),
                ("off", USUAL_TOLERANCE),
            ]
        for presolve, tolerance in ways:
            self._option("presolve", presolve)
            self._option("primal_feasibility_tolerance", tolerance)
            self._option("dual_feasibility_tolerance", tolerance)
            self._highs.clearSolver()
            self._option("time_limit", self._highs.getRunTime() + seconds)
            self._highs.run()
            answer = self._answer()
            if answer is not None:
                break
        self._option("presolve", "choose")
        self._option("primal_feasibility_tolerance", TOLERANCE)
        self._option("dual_feasibility_tolerance", TOLERANCE)
        return answer

    def _drift(self) -> float:
        """Return how far the first program's rows are from what the solver takes them for."""
        solution = self._highs.getSolution()
        row, column, value = self._entries
        held = np.array(solution.row_value)[: self._first_rows]
        true = np.bincount(row, value * np.array(solution.col_value)[column], minlength=len(held))
        return float(np.max(np.abs(true - held), initial=0.0))

    def _answer(self) -> Answer | None:
        status = self._highs.getModelStatus()
        known = {
            highspy.HighsModelStatus.kOptimal: Answer.OPTIMAL,
            highspy.HighsModelStatus.kInfeasible: Answer.INFEASIBLE,
            highspy.HighsModelStatus.kUnbounded: Answer.UNBOUNDED,
            highspy.HighsModelStatus.kTimeLimit: Answer.LIMIT,
            highspy.HighsModelStatus.kIterationLimit: Answer.LIMIT,
        }
        return known.get(status)


def _new_highs() -> Any:
    with _silent_stdout():
        return highspy.Highs()  # type: ignore[no-untyped-call]


@contextmanager
def _silent_stdout() -> Iterator[None]:
    """Send what is written past Python to standard output nowhere.

    Some releases print a banner when the first object of a process is made. Pyomo's own way to catch it
    starts threads and takes a lock each time; in one of some hundred processes it never got it.
    """
    try:
        sys.stdout.flush()
        kept = os.dup(1)
    except (OSError, ValueError):
        # Without a standard output nothing can be printed.
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _as_lp(arrays: Arrays) -> Any:
    lp = highspy.HighsLp()
    lp.num_col_ = len(arrays.cost)
    lp.num_row_ = len(arrays.row_lower)
    lp.col_cost_ = arrays.cost
    lp.col_lower_ = arrays.column_lower
    lp.col_upper_ = arrays.column_upper
    lp.row_lower_ = arrays.row_lower
    lp.row_upper_ = arrays.row_upper
    lp.offset_ = arrays.offset
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = arrays.start
    lp.a_matrix_.index_ = arrays.index
    lp.a_matrix_.value_ = arrays.value
    return lp
