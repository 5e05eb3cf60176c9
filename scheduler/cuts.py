"""Cuts and branches until the bound meets the exact cost.

Owns the search: solve, measure every curve's residual at its true value, add tangents where the
program undercuts a curve and chords or branches where it fakes one, keep rules of exclusion by
branching, and solve again. What rewards more power (a negative price, take-or-pay, a reserve) is never
asked: the residual shows it. Generic over records; knows no unit and no contract.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from models.horizon import Array, Integers, Mask
from models.pieces import Curve, Exclusive, Rows
from scheduler.exact import (
    absolute_energy_cost,
    energy_prices,
    exact_costs,
    exact_values,
    ramp_weights,
)
from scheduler.highs import Answer, Outcome, Solver
from scheduler.lp import Formulation

TARGET_GAP = 1e-5
"""Gap at which the search stops, as a share of the absolute energy cost."""
LIMIT_TOLERANCE = 1e-6
"""How far, as a share of the limit, the true import may exceed its limit."""
RESIDUAL_TOLERANCE = 1e-9
"""Residual of a curve, as a share of its size, below which no cut is worth a row."""
APART_TOLERANCE = 1e-6
"""Rate above its floor at which a unit counts as running. [unit of the variable]"""
SOLVER_SHARE = 0.5
"""Share of the target gap that branch and bound may leave open; the rest is for the curves."""
AIM_SHARE = 0.75
"""Share of the target gap aimed at, so that a calmer plan still has room within the target."""
APART_ROUNDS = 4
"""Solves in which units that exclude each other are set apart."""
MAX_ROUNDS = 60


@dataclass(frozen=True)
class SearchOptions:
    """When the search stops.

    Parameters
    ----------
    gap : float
        Target gap. [-]
    seconds : float
        Wall time for one search. [s]
    rounds : int
        Greatest number of solves in one search. [-]
    branch : bool
        Whether to branch on curves; without, the cost is exact all the same but the gap may stay open. [-]
    confirm : bool
        Whether an answer 'infeasible' is asked for once more; not where it is an expected answer. [-]
    other_cost : float
        Cost of a plan that the found one is compared with; NaN for none. [currency]
    other_share : float
        Share of the difference to that plan that cost and bound may lie apart when the search stops. [-]
    aim_share : float
        Share of the target gap aimed at, above 0 to 1. [-]
    """

    gap: float = TARGET_GAP
    seconds: float = 120.0
    rounds: int = MAX_ROUNDS
    branch: bool = True
    confirm: bool = True
    other_cost: float = np.nan
    other_share: float = 0.0
    aim_share: float = AIM_SHARE


@dataclass(frozen=True, eq=False)
class Found:
    """Result of a search.

    Parameters
    ----------
    answer : Answer
        OPTIMAL when the target was met; LIMIT when a limit came first; INFEASIBLE. [-]
    values : mapping
        Exact values of the best solution; empty if there is none. [as declared]
    raw : mapping
        The same solution as the program sees it. [as declared]
    cost, bound : float
        Exact cost and lower bound. [currency]
    rounds : int
        Solves. [-]
    """

    answer: Answer
    values: Mapping[str, Array] = field(default_factory=dict)
    raw: Mapping[str, Array] = field(default_factory=dict)
    cost: float = np.nan
    bound: float = -np.inf
    rounds: int = 0


@dataclass(eq=False)
class _Branch:
    """The pieces into which one curve is cut on one interval."""

    breakpoints: list[float]
    rows: range = range(0)
    binaries: range = range(0)


def _outside(rows: Rows, exact: Mapping[str, Array]) -> tuple[Mask, Mask]:
    """Return which rows of a family are below their lower and which above their upper limit."""
    left, size = np.zeros(rows.size), np.ones(rows.size)
    for entry in rows.entries:
        part = entry.coefficients * exact[entry.variable][entry.positions]
        np.add.at(left, entry.rows, part)
        np.add.at(size, entry.rows, np.abs(part))
    # As in the audit: a difference of two totals of a year carries their rounding.
    spare = LIMIT_TOLERANCE * size
    below: Mask = left < rows.lower - spare
    above: Mask = left > rows.upper + spare
    return below, above


def tangent_rows(
    curve: Curve, t: Integers, x: Array, result: int, argument: int
) -> list[tuple[float, float, list[int], list[float]]]:
    """Return the tangents of a curve at some points, as rows of a program.

    Parameters
    ----------
    curve : Curve
        The curve. [-]
    t : ndarray
        Intervals. Shape (k,). [-]
    x : ndarray
        Points of the argument. Shape (k,). [unit of the argument]
    result, argument : int
        First columns of the result and of the argument. [-]

    Returns
    -------
    list of (lower, upper, columns, coefficients)
        One row for each point. [-]
    """
    value, slope = curve.value(x, t), curve.slope(x, t)
    return [
        (y - s * at, np.inf, [result + int(i), argument + int(i)], [1.0, -s])
        for i, at, y, s in zip(t, x.tolist(), value.tolist(), slope.tolist(), strict=True)
    ]


@dataclass(frozen=True, eq=False)
class _Apart:
    """What keeps two units apart on one interval: rows, and the binary if there is a choice."""

    rows: range
    binary: int | None


@dataclass(frozen=True)
class Mark:
    """What rested on the range of a variable at some moment (see `Search.mark`).

    Parameters
    ----------
    chorded, branches, apart : frozenset of (str, int)
        Curves with a chord, curves with branches, and rules kept, each with its interval. [-]
    rows : int
        Rows of the program. [-]
    """

    chorded: frozenset[tuple[str, int]]
    branches: frozenset[tuple[str, int]]
    apart: frozenset[tuple[str, int]]
    rows: int

    def same_but_rows(self, other: Mark) -> bool:
        """Tell whether nothing but rows that hold on every range differs.

        Parameters
        ----------
        other : Mark
            Another mark. [-]

        Returns
        -------
        bool
            True when chords, branches and rules are the same. [-]
        """
        mine = (self.chorded, self.branches, self.apart)
        return mine == (other.chorded, other.branches, other.apart)


class Search:
    """The cuts and branches of one program; they stay valid when costs and limits change.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    solver : Solver
        The program inside the solver. [-]
    options : SearchOptions
        When to stop. [-]
    """

    def __init__(
        self, formulation: Formulation, solver: Solver, options: SearchOptions | None = None
    ) -> None:
        self.solver = solver
        self.options = options or SearchOptions()
        self.tangents = 0
        self.chords = 0
        self.binaries = 0
        self.take(formulation)
        self._sizes = {curve.key: self._size(curve) for curve in formulation.declaration.curves}
        self._scale = 1.0
        self.last_values = np.zeros(0)
        self._chorded: dict[tuple[str, int], int] = {}
        self._branches: dict[tuple[str, int], _Branch] = {}
        self._apart: dict[tuple[str, int], _Apart] = {}
        self._names = [key for key in solver.columns]

    def take(self, formulation: Formulation) -> None:
        """Take new records with the same matrix; cuts and branches stay valid.

        Parameters
        ----------
        formulation : Formulation
            The records. [-]
        """
        self.formulation = formulation
        self._bounds = {v.key: (v.lower, v.upper) for v in formulation.declaration.variables}
        prices = np.abs(energy_prices(formulation)) * formulation.horizon.hours
        # Where power is free a residual still counts, lest a plan rest on it.
        self._weights = np.maximum(prices, 0.1 * (float(np.mean(prices)) or 1.0))

    def mark(self) -> Mark:
        """Return what rests on the range of a variable now.

        Returns
        -------
        Mark
            For `back_to`. [-]
        """
        return Mark(
            frozenset(self._chorded), frozenset(self._branches), frozenset(self._apart), self.solver.row_count
        )

    def back_to(self, mark: Mark) -> None:
        """Take out the chords, branches and rules that came after a mark, and the tangents.

        A chord, a branch or a rule is made for the range of the moment: on another one it may be wrong, and
        its binaries would slow down every later solve. Tangents hold on every range, but each is one more
        corner on the way to the next optimum. Where branches of before may have been refined since, rows
        stay and are freed only.

        Parameters
        ----------
        mark : Mark
            As `mark` gave it. [-]
        """
        for key in [key for key in self._chorded if key not in mark.chorded]:
            self.solver.free_rows([self._chorded.pop(key)])
            self.chords -= 1
        for key in [key for key in self._branches if key not in mark.branches]:
            self._retire(self._branches.pop(key))
        for key in [key for key in self._apart if key not in mark.apart]:
            rule = self._apart.pop(key)
            self.solver.free_rows(rule.rows)
            if rule.binary is not None:
                self._take_out(range(rule.binary, rule.binary + 1))
        if not mark.branches:
            self.solver.drop_rows(mark.rows)

    def rests_on(self, variable: str) -> set[int]:
        """Return the intervals on which a chord, a branch or a rule rests on the range of a variable.

        Parameters
        ----------
        variable : str
            Key of an interval variable. [-]

        Returns
        -------
        set of int
            Positions of intervals. [-]
        """
        curves = {curve.key for curve in self.formulation.declaration.curves if curve.of == variable}
        rules = {
            rule.key
            for rule in self.formulation.declaration.exclusives
            if variable in (rule.first, rule.second)
        }
        found = {t for key, t in (*self._chorded, *self._branches) if key in curves}
        return found | {t for key, t in self._apart if key in rules}

    def _size(self, curve: Curve) -> float:
        low, high = self._bounds[curve.of]
        t = np.arange(len(low))
        return float(max(np.max(np.abs(curve.value(low, t))), np.max(np.abs(curve.value(high, t))), 1e-3))

    def read(self, outcome: Outcome) -> dict[str, Array]:
        """Return the values of an outcome by key.

        Parameters
        ----------
        outcome : Outcome
            A solve with values. [-]

        Returns
        -------
        dict
            Values by key. [as declared]
        """
        return {key: outcome.values[self.solver.columns[key]] for key in self._names}

    def least_cost(self) -> Found:
        """Solve until the exact cost is within the target gap of the bound.

        Returns
        -------
        Found
            The best plan, with its bound. [-]
        """
        return self._run(lambda exact: sum(exact_costs(self.formulation, exact).values()))

    def feasible(self) -> Found:
        """Solve the present objective until the true import and the rules of exclusion hold.

        Returns
        -------
        Found
            A solution whose `cost` and `bound` are the present objective's. [-]
        """
        return self._run(None)

    def _run(self, true_cost: Callable[[Mapping[str, Array]], float] | None) -> Found:
        options = self.options
        stop = time.perf_counter() + options.seconds
        best = Found(Answer.LIMIT)
        bound = -np.inf
        for count in range(1, options.rounds + 1):
            left = max(stop - time.perf_counter(), 0.1)
            outcome = self.solver.solve(
                left, SOLVER_SHARE * options.gap * self._scale, confirm=options.confirm
            )
            if outcome.answer is Answer.INFEASIBLE:
                return Found(Answer.INFEASIBLE, rounds=count)
            if not len(outcome.values):
                break
            bound = max(bound, outcome.bound)
            self.last_values = outcome.values
            raw = self.read(outcome)
            exact = exact_values(self.formulation, raw)
            scale = self._scale = absolute_energy_cost(self.formulation, exact)
            cost = outcome.objective if true_cost is None else true_cost(exact)
            keeps = self.keeps_limits(exact)
            if keeps and not cost >= best.cost:
                best = Found(Answer.LIMIT, exact, raw, cost, bound, count)
            elif true_cost is not None and not keeps:
                apart = self._settled_apart(raw, exact, true_cost, stop)
                if apart is not None and not apart[2] >= best.cost:
                    best = Found(Answer.LIMIT, apart[1], apart[0], apart[2], bound, count)
            aim = options.aim_share * options.gap * scale
            if options.other_share and best.values:
                aim = max(aim, options.other_share * abs(best.cost - options.other_cost))
            if (keeps and true_cost is None) or best.cost - bound <= aim:
                return Found(Answer.OPTIMAL, best.values, best.raw, best.cost, bound, count)
            if time.perf_counter() > stop or outcome.answer is Answer.LIMIT:
                break
            allowance = 0.0 if self._short_of_power(exact) else 0.2 * options.gap * scale
            if not self._cut(raw, exact, allowance, keeps and not options.branch):
                break
        closed = bool(best.values) and best.cost - bound <= options.gap * self._scale
        answer = Answer.OPTIMAL if closed else Answer.LIMIT
        return Found(answer, best.values, best.raw, best.cost, bound, count)

    def keeps_limits(self, exact: Mapping[str, Array]) -> bool:
        """Tell whether the true import, what units limit it by, and the rules of exclusion hold.

        Parameters
        ----------
        exact : mapping
            Exact values. [as declared]

        Returns
        -------
        bool
            True when they hold within tolerance. [-]
        """
        meter = self.formulation.site.meter
        if meter in exact:
            low, high = self._bounds[meter]
            room = LIMIT_TOLERANCE * np.maximum(np.abs(high), 1.0)
            if np.any(exact[meter] > high + room) or np.any(exact[meter] < low - room):
                return False
            if any(np.any(side) for rows in self.formulation.metered for side in _outside(rows, exact)):
                return False
        return not any(np.any(self._clashes(rule, exact)) for rule in range(self._rules))

    def _short_of_power(self, exact: Mapping[str, Array]) -> bool:
        """Tell whether a limit asks for more power than is truly drawn: then nothing faked may stay."""
        return self.formulation.site.meter in exact and any(
            np.any(_outside(rows, exact)[0]) for rows in self.formulation.metered
        )

    @property
    def _rules(self) -> int:
        return len(self.formulation.declaration.exclusives)

    def _clashes(self, rule: int, values: Mapping[str, Array]) -> Mask:
        record = self.formulation.declaration.exclusives[rule]
        both: Array = np.minimum(
            values[record.first] - record.first_floor, values[record.second] - record.second_floor
        )
        clash: Mask = both > APART_TOLERANCE
        return clash

    def _settled_apart(
        self,
        raw: Mapping[str, Array],
        exact: Mapping[str, Array],
        true_cost: Callable[[Mapping[str, Array]], float],
        stop: float,
    ) -> tuple[Mapping[str, Array], Mapping[str, Array], float] | None:
        """Return a plan that keeps units apart by stopping, where both run, the one that runs less.

        Branching finds the best such plan slowly where both run for many hours; this one is at hand at
        once, and its exact cost counts like any other.
        """
        touched: dict[int, tuple[float, float]] = {}
        found = None
        for _ in range(APART_ROUNDS):
            clashes = [(rule, np.flatnonzero(self._clashes(rule, exact))) for rule in range(self._rules)]
            if not any(at.size for _, at in clashes):
                if self.keeps_limits(exact):
                    found = (raw, exact, true_cost(exact))
                break
            for rule, at in clashes:
                record = self.formulation.declaration.exclusives[rule]
                first, second = raw[record.first][at], raw[record.second][at]
                keep = first - record.first_floor >= second - record.second_floor
                keep |= self._bounds[record.first][0][at] > record.first_floor + APART_TOLERANCE
                keep &= self._bounds[record.second][0][at] <= record.second_floor + APART_TOLERANCE
                for t, first_runs in zip(at.tolist(), keep.tolist(), strict=True):
                    key = record.second if first_runs else record.first
                    most = record.second_floor if first_runs else record.first_floor
                    low, high = (float(bound[t]) for bound in self._bounds[key])
                    column = self.solver.columns[key].start + t
                    touched[column] = (low, high)
                    self.solver.set_column_bounds(
                        np.array([column]), np.array([low]), np.array([max(most, low)])
                    )
            outcome = self.solver.solve(max(stop - time.perf_counter(), 1.0), confirm=False)
            if not len(outcome.values):
                break
            raw = self.read(outcome)
            exact = exact_values(self.formulation, raw)
        if touched:
            bounds = np.array(list(touched.values()))
            self.solver.set_column_bounds(np.array(list(touched)), bounds[:, 0], bounds[:, 1])
        return found

    def hold_down(self) -> None:
        """Add the chord of every curve, so that no power beyond them is claimed to keep a limit."""
        wanted = [
            (curve, t)
            for curve in self.formulation.declaration.curves
            for t in np.flatnonzero(self._bounds[curve.of][1] > self._bounds[curve.of][0]).tolist()
            if (curve.key, t) not in self._chorded
        ]
        self._add_chords(wanted)

    def _add_chords(self, wanted: list[tuple[Curve, int]]) -> None:
        rows = self.solver.add_rows([self._chord(curve, t) for curve, t in wanted])
        self._chorded.update({(curve.key, t): row for (curve, t), row in zip(wanted, rows, strict=True)})
        self.chords += len(wanted)

    def refine(self, raw: Mapping[str, Array], exact: Mapping[str, Array], allowance: float = np.inf) -> bool:
        """Add the cuts that a solution of another objective asks for.

        Parameters
        ----------
        raw : mapping
            The solution as the program sees it. [as declared]
        exact : mapping
            Its exact values. [as declared]
        allowance : float
            What power held above its curves may be worth before chords and branches are added. [currency]

        Returns
        -------
        bool
            True when anything was added. [-]
        """
        return self._cut(raw, exact, allowance, False)

    def _cut(
        self, raw: Mapping[str, Array], exact: Mapping[str, Array], allowance: float, may_rest: bool
    ) -> bool:
        """Add what the last solution asks for; say whether it is worth another solve."""
        rows: list[tuple[float, float, list[int], list[float]]] = []
        faked: list[tuple[float, Curve, int, float]] = []
        undercut = 0.0
        ways = {ramp.key for ramp in self.formulation.declaration.ramps}
        ramps = ramp_weights(self.formulation, raw, exact) if self.formulation.ramps.keys else np.zeros(0)
        for curve in self.formulation.declaration.curves:
            low, high = self._bounds[curve.of]
            live = np.flatnonzero(high > low)
            weights = self._weights
            if curve.of in ways:
                # The energy of a ramp matters only where it lifts a peak: elsewhere the program may say
                # what it likes.
                weights = ramps
                live = live[ramps[live] > 0]
            residual = raw[curve.key] - exact[curve.key]
            tolerance = RESIDUAL_TOLERANCE * self._sizes[curve.key]
            below = live[residual[live] < -tolerance]
            rows.extend(self._tangents(curve, below, raw))
            undercut -= float(np.sum(residual[below] * weights[below]))
            faked.extend(
                (float(residual[t] * weights[t]), curve, int(t), float(raw[curve.of][t]))
                for t in live[residual[live] > 100.0 * tolerance]
            )
        self.tangents += len(rows)
        branches, chords = self.binaries, self.chords
        self.solver.add_rows(rows)
        self._against_faking(faked, allowance)
        # Cuts first, while the program is linear and quick; only then the rules that need binaries.
        added = self._keep_apart(exact) if self.chords == chords else False
        if may_rest and self.chords == chords and undercut <= allowance:
            # Only branching could close the gap now: the tangents are kept, but not worth another solve.
            return added
        return added or bool(rows) or self.chords != chords or self.binaries != branches

    def _tangents(
        self, curve: Curve, t: Integers, raw: Mapping[str, Array]
    ) -> list[tuple[float, float, list[int], list[float]]]:
        result, argument = self.solver.columns[curve.key].start, self.solver.columns[curve.of].start
        return tangent_rows(curve, t, raw[curve.of][t], result, argument)

    def _against_faking(self, faked: list[tuple[float, Curve, int, float]], allowance: float) -> None:
        """Add chords for curves held above their value, and branch where a chord is not enough.

        Curves whose residuals together could move the cost by less than the allowance are left alone:
        with an exact cost measured on every round that costs no truth, and saves binaries.
        """
        weighed = sorted(faked, key=lambda item: item[0])
        sums = np.cumsum([worth for worth, _, _, _ in weighed])
        matter = [item for item, total in zip(weighed, sums, strict=True) if total > allowance]
        wanted = [(curve, t) for _, curve, t, _ in matter if (curve.key, t) not in self._chorded]
        self._add_chords(wanted)
        if not wanted and self.options.branch:
            for _, curve, t, x in matter:
                self._branch(curve, t, x)

    def _ends(self, curve: Curve, t: int) -> tuple[float, float]:
        low, high = self._bounds[curve.of]
        return float(low[t]), float(high[t])

    def _chord(self, curve: Curve, t: int) -> tuple[float, float, list[int], list[float]]:
        ends = np.array(self._ends(curve, t))
        values = curve.value(ends, np.array([t, t]))
        slope = float((values[1] - values[0]) / (ends[1] - ends[0]))
        columns = [self.solver.columns[curve.key].start + t, self.solver.columns[curve.of].start + t]
        return (-np.inf, float(values[0] - slope * ends[0]), columns, [1.0, -slope])

    def _branch(self, curve: Curve, t: int, x: float) -> None:
        """Cut a curve's domain at a point, with one binary per piece and the piece's chord on top."""
        branch = self._branches.get((curve.key, t))
        if branch is None:
            branch = self._branches[(curve.key, t)] = _Branch(list(self._ends(curve, t)))
        else:
            self._retire(branch)
        low, high = branch.breakpoints[0], branch.breakpoints[-1]
        nearest = min(abs(x - b) for b in branch.breakpoints)
        if nearest < 1e-6 * (high - low):
            widths = np.diff(branch.breakpoints)
            widest = int(np.argmax(widths))
            x = branch.breakpoints[widest] + 0.5 * float(widths[widest])
        branch.breakpoints = sorted([*branch.breakpoints, x])
        points = np.array(branch.breakpoints)
        values = curve.value(points, np.full(len(points), t))
        slopes = np.diff(values) / np.diff(points)
        pieces = len(slopes)
        solver = self.solver
        z = branch.binaries = solver.add_columns(np.zeros(pieces), np.ones(pieces), whole=True)
        # The rows below hold each part inside its piece; a part may be negative like the argument.
        p = solver.add_columns(np.full(pieces, min(low, 0.0)), np.full(pieces, np.inf))
        result, argument = solver.columns[curve.key].start + t, solver.columns[curve.of].start + t
        rows: list[tuple[float, float, list[int], list[float]]] = [
            (1.0, 1.0, list(z), [1.0] * pieces),
            (0.0, 0.0, [argument, *p], [1.0, *[-1.0] * pieces]),
            (
                -np.inf,
                0.0,
                [result, *p, *z],
                [1.0, *(-slopes).tolist(), *(-(values[:-1] - slopes * points[:-1])).tolist()],
            ),
        ]
        for i in range(pieces):
            rows.append((0.0, np.inf, [p[i], z[i]], [1.0, -float(points[i])]))
            rows.append((-np.inf, 0.0, [p[i], z[i]], [1.0, -float(points[i + 1])]))
        branch.rows = solver.add_rows(rows)
        self.binaries += pieces

    def _retire(self, branch: _Branch) -> None:
        self.solver.free_rows(branch.rows)
        self._take_out(branch.binaries)

    def _take_out(self, binaries: range) -> None:
        columns = np.array(binaries)
        self.solver.set_column_bounds(columns, np.zeros(len(columns)), np.zeros(len(columns)))
        self.solver.set_whole(columns, False)
        self.binaries -= len(columns)

    def _keep_apart(self, values: Mapping[str, Array]) -> bool:
        """Branch on the intervals where two units that exclude each other both run."""
        added = False
        for number in range(self._rules):
            record = self.formulation.declaration.exclusives[number]
            for t in np.flatnonzero(self._clashes(number, values)).tolist():
                if (record.key, t) in self._apart:
                    continue
                self._apart[(record.key, t)] = self._rule(record, t)
                added = True
        return added

    def _rule(self, record: Exclusive, t: int) -> _Apart:
        """Hold a rule of exclusion on one interval; where one unit must run, the other simply may not."""
        first, second = (self.solver.columns[k].start + t for k in (record.first, record.second))
        first_min, first_max = (float(bound[t]) for bound in self._bounds[record.first])
        second_min, second_max = (float(bound[t]) for bound in self._bounds[record.second])
        if first_min > record.first_floor + APART_TOLERANCE:
            return _Apart(self.solver.add_rows([(-np.inf, record.second_floor, [second], [1.0])]), None)
        if second_min > record.second_floor + APART_TOLERANCE:
            return _Apart(self.solver.add_rows([(-np.inf, record.first_floor, [first], [1.0])]), None)
        z = self.solver.add_columns(np.zeros(1), np.ones(1), whole=True).start
        rows = self.solver.add_rows(
            [
                (-np.inf, record.first_floor, [first, z], [1.0, -(first_max - record.first_floor)]),
                (-np.inf, second_max, [second, z], [1.0, second_max - record.second_floor]),
            ]
        )
        self.binaries += 1
        return _Apart(rows, z)
