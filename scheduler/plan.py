"""From records to a plan: least violation, least misses, least cost, and what it is compared with.

Owns the order of the stages and the comparisons with habits. Solving stands in `highs`, the search for
the certified optimum in `cuts`, the simulation in `audit`.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np

from models.horizon import Array, Horizon
from models.misses import MISS_TOLERANCE, NAMES, miss_hours, miss_unit
from models.pieces import Variable
from models.site import Site
from models.situation import Situation
from scheduler.audit import audit
from scheduler.calm import calmest
from scheduler.cuts import Found, Search, SearchOptions
from scheduler.errors import BrinewattError, NoRunnableDay, SolverError
from scheduler.exact import absolute_energy_cost, energy_prices, exact_costs
from scheduler.highs import Answer, Arrays, Solver, arrays_of
from scheduler.lp import Formulation, Program, build, cost_vector, formulate
from scheduler.result import Audit, Certificate, Comparison, Miss, Plan, Status
from scheduler.revise import push, same_matrix
from scheduler.sides import cheapest_side
from scheduler.steps import (
    STEP_GAP,
    StepColumns,
    add_steps,
    broken_moves,
    least_cost_in_steps,
    least_in_steps,
    needs_steps,
)
from scheduler.thermal import has_lag, plan_with_lag, temperature_lag

HELD_TOLERANCE = 1e-6
"""Slack on misses to which habits are held. [t]"""
IMPORT_MARGIN = 2e-5
"""Share of the import limit left free while misses are minimised."""
CALM_SECONDS = 10.0
"""Time for calming; a plan is as good without. [s]"""
CALM_SHARE = 0.95
"""Share of the target gap up to which a calmer plan may cost more."""
AUDIT_TOLERANCE = 1e-6
"""How far, as a share of the gap's denominator, search and audit may differ in cost."""

COMPARISON_GAP = 1e-4
"""Target gap for a habit: its cost is exact all the same, and the plan's certificate does not rest on it."""


@dataclass(frozen=True, eq=False)
class PlanOptions:
    """How to plan.

    Parameters
    ----------
    search : SearchOptions
        When the search stops. [-]
    compare : bool
        Whether to compare with a constant load (and a past pattern, if given). [-]
    pattern_ka : mapping
        Loads of a past week on the horizon's intervals by circuit; empty if unknown. Each shape (n,). [kA]
    pattern_name : str
        What the pattern is, for people. [-]
    calm : bool
        Whether the calmest of the plans of almost equal cost is taken; without, any of them. [-]
    """

    search: SearchOptions = field(default_factory=SearchOptions)
    compare: bool = True
    pattern_ka: Mapping[str, Array] = field(default_factory=dict)
    pattern_name: str = "last week's pattern of loads"
    calm: bool = True


def make_plan(site: Site, horizon: Horizon, situation: Situation, options: PlanOptions | None = None) -> Plan:
    """Plan a horizon at the lowest cost, with a certificate.

    Where the contract's charge jumps, or pays for something the site may do or leave, every side is planned
    and the cheapest kept (see `scheduler.sides`). Where a circuit states a thermal lag the plan is the
    cheapest one found with it; the certificate and the comparisons stay those of the steady voltage (see
    `scheduler.thermal.plan_with_lag`).

    Parameters
    ----------
    site : Site
        The works, orders included. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What is known. [-]
    options : PlanOptions, optional
        How to plan. [-]

    Returns
    -------
    Plan
        The plan; its status says whether duties are missed or limits broken. [-]

    Raises
    ------
    ValueError
        If the records of the site contradict each other.
    SolverError
        If the solver gives no usable answer.
    """
    options = options or PlanOptions()

    def plan_on(now: Situation) -> Plan:
        return _planned(site, horizon, now, options)

    def caller(now: Situation) -> Planner:
        free = replace(site, contract=replace(site.contract, components=()))
        return Planner(free, horizon, now, replace(options, compare=False))

    return cheapest_side(site.contract, horizon, situation, plan_on, caller)


def _planned(site: Site, horizon: Horizon, situation: Situation, options: PlanOptions) -> Plan:
    """Plan on one side of the contract's cliffs."""
    if not has_lag(site):
        return Planner(site, horizon, situation, options).plan()
    quiet = replace(options, compare=False)
    planner = Planner(site, horizon, situation, quiet)
    plan = plan_with_lag(planner, lambda other, now: Planner(other, horizon, now, quiet), options.search.gap)
    return planner.compared(plan) if options.compare else plan


class Planner:
    """One program, kept inside the solver so that changed prices, stocks or nominations rebuild nothing.

    Parameters
    ----------
    site : Site
        The works, orders included. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What is known. [-]
    options : PlanOptions, optional
        How to plan. [-]
    """

    def __init__(
        self, site: Site, horizon: Horizon, situation: Situation, options: PlanOptions | None = None
    ) -> None:
        self.options = options or PlanOptions()
        self.seconds: dict[str, float] = {}
        with self._timed("formulate"):
            self.formulation = formulate(site, horizon, situation)
        self._load(elastic=False)

    @contextmanager
    def _timed(self, step: str) -> Iterator[None]:
        start = time.perf_counter()
        yield
        self.seconds[step] = self.seconds.get(step, 0.0) + time.perf_counter() - start

    def _load(self, elastic: bool) -> None:
        self.program, arrays = self._written(elastic)
        with self._timed("transfer"):
            self.solver = Solver(arrays)
        # In an elastic program limits may be broken, those on the metered import too.
        records = replace(self.formulation, metered=()) if elastic else self.formulation
        self.search = Search(records, self.solver, self.options.search)
        if self.formulation.metered:
            self.search.hold_down()
        self._held: list[int] = []

    def _written(self, elastic: bool) -> tuple[Program, Arrays]:
        """Write the program; a run of many windows writes it another way."""
        with self._timed("build"):
            program = build(self.formulation, elastic)
        with self._timed("transfer"):
            return program, arrays_of(program.model)

    def least_cost(self) -> tuple[Found, Status]:
        """Solve all stages without calming, steps, audit and comparisons.

        Returns
        -------
        tuple of (Found, Status)
            The cheapest plan with its bound, and whether duties are missed or limits broken. [-]

        Raises
        ------
        SolverError
            If the solver gives no usable answer.
        """
        with self._timed("solve"):
            found, status = self._stages()
        if not found.values:
            raise SolverError(
                f"no plan was found within {self.options.search.seconds:g} s and "
                f"{self.options.search.rounds} rounds: allow more time"
            )
        return found, status

    def revise(self, situation: Situation) -> bool:
        """Take a new situation: other prices, stocks, nominations or targets. Lots belong to the site.

        Parameters
        ----------
        situation : Situation
            What is known now. [-]

        Returns
        -------
        bool
            True when the program was changed in place; False when equipment changed and it was built
            again. [-]
        """
        with self._timed("formulate"):
            new = formulate(self.formulation.site, self.formulation.horizon, situation)
        kept = not self.program.violations and same_matrix(self.formulation, new)
        self.formulation = new
        if kept:
            self.search.take(new)
        else:
            self._load(elastic=False)
        return kept

    def plan(self) -> Plan:
        """Solve all stages, audit, compare.

        Returns
        -------
        Plan
            The plan. [-]

        Raises
        ------
        SolverError
            If the solver gives no usable answer.
        """
        found, status = self.least_cost()
        with self._timed("cold"):
            found, correction = self._confirmed_cold(found)
            if correction and not self._closed(found):
                # The last solve stopped short of its optimum: search on, from nothing.
                self.solver.forget()
                found, correction = self._confirmed_cold(self.search.least_cost())
                if status is Status.PLAN and not self._closed(found):
                    status = Status.SOLVER_LIMIT
        scale = absolute_energy_cost(self.formulation, found.values)
        stepped: Found | None = None
        if not needs_steps(self.formulation):
            with self._timed("calm"):
                room = CALM_SHARE * self.options.search.gap * scale
                found = self._calm(found, min(found.bound, found.cost) + room)
        elif status in (Status.PLAN, Status.MISSES):
            with self._timed("steps"):
                found, stepped, status = self._stepped(found, status, scale)
            if stepped.answer is not Answer.OPTIMAL and status is not Status.NOT_A_PLAN:
                status = Status.SOLVER_LIMIT
        shown = found if stepped is None else stepped
        with self._timed("audit"):
            audited = audit(self.formulation, shown.values)
        if self.formulation.situation.locks or (stepped is not None and status is Status.NOT_A_PLAN):
            given = broken_moves(self.formulation, audited.values)
            audited = replace(audited, violations=(*audited.violations, *given))
        if audited.violations and self.formulation.situation.locks:
            # Loads that people gave may break what no planned load would.
            status = Status.NOT_A_PLAN
        if status is not Status.NOT_A_PLAN:
            self._trust(audited, shown, scale)
        if status is not Status.NOT_A_PLAN or not self.formulation.metered:
            # The least violation of a limit on the true import is found only to within the chords.
            self._check_bound(found, scale)
        certificate = Certificate(
            min(found.bound, found.cost),
            found.cost,
            scale,
            None if stepped is None else min(stepped.bound, stepped.cost),
            None if stepped is None else stepped.cost,
            found.rounds,
            self.search.tangents,
            self.search.chords,
            self.search.binaries,
            correction,
        )
        misses = missed(self.formulation, audited)
        if status is Status.MISSES and not misses:
            status = Status.PLAN
        formulation = self.formulation
        plan = Plan(
            formulation.site,
            formulation.horizon,
            formulation.situation,
            formulation.declaration,
            status,
            certificate,
            audited,
            misses,
            (),
            energy_prices(formulation),
            dict(self.seconds),
            temperature_lag(formulation, audited),
        )
        return self.compared(plan) if self.options.compare else plan

    def take_records(self, formulation: Formulation) -> None:
        """Build the program anew from records that were changed by hand.

        Parameters
        ----------
        formulation : Formulation
            The records. [-]
        """
        self.formulation = formulation
        self._load(elastic=False)

    def solved(self) -> tuple[Found, Status]:
        """Solve all stages before steps, without audit and comparisons.

        Returns
        -------
        tuple of (Found, Status)
            The plan before steps; values are empty if a limit of the search came first. [-]
        """
        return self._stages()

    def solved_again(self, status: Status) -> Found:
        """Solve once more after limits were moved in the solver, with what was feasible before.

        Parameters
        ----------
        status : Status
            Of the first solve: with missed duties the least misses are found again first. [-]

        Returns
        -------
        Found
            The plan before steps; INFEASIBLE if the moved limits allow none. [-]
        """
        if status is Status.MISSES:
            self.solver.free_rows(self._held)
            self._held.clear()
            if not self._least_misses(self._miss_variables()):
                return Found(Answer.INFEASIBLE)
            self._set_costs()
        return self.search.least_cost()

    def missed_money(self, values: Mapping[str, Array]) -> float:
        """Return what misses count at their prices.

        Parameters
        ----------
        values : mapping
            Exact values. [as declared]

        Returns
        -------
        float
            Never part of the cost. [currency]
        """
        return sum(float(self._weights(v) @ values[v.key]) for v in self._miss_variables())

    def compared(self, plan: Plan) -> Plan:
        """Return a plan of this program with what it is compared with.

        Parameters
        ----------
        plan : Plan
            A plan of the present situation, just made. [-]

        Returns
        -------
        Plan
            The same with its comparisons; as it is if it is not a plan. [-]
        """
        if plan.status is Status.NOT_A_PLAN:
            return plan
        before = self.seconds.get("compare", 0.0)
        with self._timed("compare"):
            comparisons = self._comparisons(plan.audit)
        spent = self.seconds["compare"] - before
        seconds = {**plan.seconds, "compare": plan.seconds.get("compare", 0.0) + spent}
        return replace(plan, comparisons=comparisons, seconds=seconds)

    def _confirmed_cold(self, found: Found) -> tuple[Found, float | None]:
        """Solve the last program once more from nothing, so that the bound rests on no basis of before.

        A linear program solved from an earlier basis has been called optimal a little above its optimum;
        a bound taken from it would lie too high. Branch and bound starts from nothing anyway.

        Returns
        -------
        tuple of (Found, float or None)
            The same plan; its bound never above the one found from nothing. By how much the bound came
            down, 0 if not at all; None where it was not solved again. [currency]
        """
        if found.answer is not Answer.OPTIMAL or self.solver.whole_columns.size:
            return found, None
        cold = Solver(self.solver.snapshot()).solve(self.options.search.seconds)
        if cold.answer is not Answer.OPTIMAL:
            return found, None
        correction = max(found.bound - cold.bound, 0.0)
        return replace(found, bound=found.bound - correction), correction

    def _closed(self, found: Found) -> bool:
        """Tell whether cost and bound lie within the target gap of each other."""
        scale = absolute_energy_cost(self.formulation, found.values)
        return found.cost - found.bound <= self.options.search.gap * scale

    def _trust(self, audited: Audit, found: Found, scale: float) -> None:
        """Refuse a plan that the audit does not confirm."""
        if audited.violations:
            worst = audited.violations[0]
            raise BrinewattError(
                f"the exact simulation breaks '{worst.meaning}' by {worst.amount:.3g} {worst.unit} although "
                "the program kept it: this is a bug, please report it with the inputs"
            )
        if abs(audited.cost - found.cost) > AUDIT_TOLERANCE * scale:
            raise BrinewattError(
                f"search and audit differ in cost ({found.cost:.2f} and {audited.cost:.2f}): "
                "this is a bug, please report it with the inputs"
            )

    def _check_bound(self, found: Found, scale: float) -> None:
        """Refuse a bound that lies above a cost that was reached: it would be no bound."""
        if found.bound - found.cost > AUDIT_TOLERANCE * scale:
            raise BrinewattError(
                f"the lower bound {found.bound:.2f} lies above the cost {found.cost:.2f} of a plan: this "
                "is a bug, please report it with the inputs"
            )

    def _calm(self, found: Found, most_cost: float) -> Found:
        if not self.options.calm:
            return found
        return calmest(self.search, found, most_cost, min(CALM_SECONDS, self.options.search.seconds))

    def _stepped(self, found: Found, status: Status, scale: float) -> tuple[Found, Found, Status]:
        """Put the plan day on steps, then calm the flows around the loads.

        Returns
        -------
        tuple of (Found, Found, Status)
            The best plan without steps that has the same misses, the one in steps, and what it is.
        """
        columns = add_steps(self.formulation, self.solver)
        stepped = least_cost_in_steps(self.search, columns, self.options.search.seconds)
        if stepped.answer is Answer.INFEASIBLE:
            self._take_out(columns)
            missed = self._least_misses_in_steps()
            if missed is None:
                stepped, columns = self._least_violation_in_steps()
                found, status = stepped, Status.NOT_A_PLAN
            else:
                found, stepped, columns = missed
                status = Status.MISSES
        if not stepped.values:
            raise SolverError(
                f"no plan day in whole steps was found within {self.options.search.seconds:g} s: "
                "allow more time"
            )
        most = stepped.cost + self.options.search.gap * scale
        if stepped.answer is Answer.OPTIMAL:
            # What was closed stays closed: calming has only the room that is left under the target.
            most = min(most, stepped.bound + STEP_GAP * scale)
        calm = self._calm(stepped, most)
        self._take_out(columns)
        return found, calm, status

    def _take_out(self, columns: tuple[StepColumns, ...]) -> None:
        """Take the step problem out of the program."""
        for record in columns:
            self.solver.free_rows(record.rows)

    def _least_misses_in_steps(self) -> tuple[Found, Found, tuple[StepColumns, ...]] | None:
        """Find the least misses, class by class, of plan days in whole steps, and the least cost with them.

        Returns
        -------
        tuple or None
            The best plan without steps that has those misses, the one in steps and its columns; None if no
            misses make a plan day in whole steps possible.
        """
        misses = self._miss_variables()
        self.solver.free_rows(self._held)
        self._held.clear()
        self._set_open(misses, open_=True)
        columns = add_steps(self.formulation, self.solver)
        reached = self._least_misses(misses, columns)
        self._take_out(columns)
        self._set_costs()
        if not reached:
            return None
        found = self.search.least_cost()
        columns = add_steps(self.formulation, self.solver)
        stepped = least_cost_in_steps(self.search, columns, self.options.search.seconds)
        return found, stepped, columns

    def _least_violation_in_steps(self) -> tuple[Found, tuple[StepColumns, ...]]:
        """Find the plan day in whole steps that breaks limits least, with the least misses and cost then."""
        self._load(elastic=True)
        columns = add_steps(self.formulation, self.solver, elastic=True)
        broken = [column for record in columns for column in record.broken]
        if not self._least(self._violation_weights(), "violations of limits", columns, broken) or (
            not self._least_misses(self._miss_variables(), columns)
        ):
            raise NoRunnableDay(
                "the loads that are given contradict each other: no plan day in whole steps has them, even "
                "with limits broken. What helps: fewer frozen or locked hours (--freeze 0 when planning the "
                "rest of a day), or locked loads that stand on the circuit's steps"
            )
        self._set_costs()
        return least_cost_in_steps(self.search, columns, self.options.search.seconds), columns

    def _stages(self) -> tuple[Found, Status]:
        """Try without any miss; else least misses by class; else least violation first."""
        misses = self._miss_variables()
        if self.program.violations:
            self._load(elastic=False)
        self.solver.free_rows(self._held)
        self._held.clear()
        push(self.solver, self.program, self.formulation)
        self._set_open(misses, open_=False)
        found = self.search.least_cost()
        if found.answer is not Answer.INFEASIBLE:
            return found, Status.PLAN if found.answer is Answer.OPTIMAL else Status.SOLVER_LIMIT
        self._set_open(misses, open_=True)
        if self._least_misses(misses):
            self._set_costs()
            found = self.search.least_cost()
            if found.answer is not Answer.INFEASIBLE:
                return found, Status.MISSES
        self._load(elastic=True)
        self._least(self._violation_weights(), "violations of limits")
        if not self._least_misses(misses):
            raise SolverError(
                "the least violation of the limits could not be found: this is a bug, please report it"
            )
        self._set_costs()
        return self.search.least_cost(), Status.NOT_A_PLAN

    def _miss_variables(self) -> tuple[Variable, ...]:
        return tuple(v for v in self.formulation.declaration.variables if v.miss_class is not None)

    def _set_open(self, misses: tuple[Variable, ...], open_: bool) -> None:
        for variable in misses:
            place = self.solver.columns[variable.key]
            upper = variable.upper if open_ else np.zeros(variable.size)
            self.solver.set_column_bounds(np.arange(place.start, place.stop), variable.lower, upper)

    def _set_costs(self) -> None:
        costs, offset = cost_vector(
            self.formulation.declaration, self.solver.columns, self.solver.column_count
        )
        self.solver.set_costs(costs, offset)

    def _weights(self, variable: Variable) -> Array:
        """Return what a unit of a miss weighs: its price, times the hours where it is a rate."""
        return variable.miss_price * miss_hours(variable, self.formulation.horizon)

    def _violation_weights(self) -> dict[str, Array]:
        """Return the weight of each slack: hours, where it lives on intervals."""
        hours = self.formulation.horizon.hours
        weights = {}
        for key in self.program.violations:
            place = self.solver.columns[key]
            size = place.stop - place.start
            weights[key] = hours.copy() if size == len(hours) else np.ones(size)
        return weights

    def _least_misses(
        self, misses: tuple[Variable, ...], columns: tuple[StepColumns, ...] | None = None
    ) -> bool:
        for miss_class in sorted(NAMES):
            weights = {v.key: self._weights(v) for v in misses if v.miss_class == miss_class}
            if weights and not self._least(weights, NAMES[miss_class], columns):
                return False
        return True

    def _least(
        self,
        weights: Mapping[str, Array],
        what: str,
        columns: tuple[StepColumns, ...] | None = None,
        more: Sequence[int] = (),
    ) -> bool:
        """Minimise a weighted sum and hold it there; False if nothing is feasible.

        Step columns ask for the least over whole steps; `more` are further columns, of weight 1.
        """
        costs = np.zeros(self.solver.column_count)
        for key, weight in weights.items():
            costs[self.solver.columns[key]] = weight
        costs[list(more)] = 1.0
        self.solver.set_costs(costs, 0.0)
        self._set_import_margin(IMPORT_MARGIN)
        least = self._least_value(what, columns, float(np.max(costs)))
        self._set_import_margin(0.0)
        if least is None:
            return False
        used = np.flatnonzero(costs)
        # What branch and bound leaves open between two searches is more than rounding.
        room = 1e-7 if columns is None else 1e-6 * float(np.max(costs))
        held = self.solver.add_rows(
            [(-np.inf, least * (1.0 + 1e-9) + room, used.tolist(), costs[used].tolist())]
        )
        self._held.extend(held)
        return True

    def _least_value(self, what: str, columns: tuple[StepColumns, ...] | None, weight: float) -> float | None:
        if columns is not None:
            return least_in_steps(
                self.search, columns, 0.1 * MISS_TOLERANCE * weight, self.options.search.seconds
            )
        found = self.search.feasible()
        if found.answer is Answer.INFEASIBLE:
            return None
        if found.answer is not Answer.OPTIMAL:
            raise SolverError(
                f"the least {what} was not found within the limits of the search: allow more time"
            )
        return found.cost

    def _set_import_margin(self, share: float) -> None:
        """Keep a hair off the import limit, so that a least miss stays in reach of later tangents."""
        meter = self.formulation.site.meter
        for variable in self.formulation.declaration.variables:
            if variable.key == meter:
                place = self.solver.columns[meter]
                upper = variable.upper - share * np.abs(variable.upper)
                self.solver.set_column_bounds(np.arange(place.start, place.stop), variable.lower, upper)

    def _circuit_loads(self) -> tuple[Variable, ...]:
        """Return the load of every circuit: the arguments of curves that are counted in kA."""
        arguments = {curve.of for curve in self.formulation.declaration.curves}
        arguments -= {ramp.key for ramp in self.formulation.declaration.ramps}
        return tuple(
            v for v in self.formulation.declaration.variables if v.key in arguments and v.unit == "kA"
        )

    def _comparisons(self, audited: Audit) -> tuple[Comparison, ...]:
        self._hold_duties(audited)
        usual = self.search.options
        self.search.options = replace(self.options.search, gap=COMPARISON_GAP, branch=False)
        results = [self._constant_load(audited)]
        if self.options.pattern_ka:
            results.append(self._past_pattern())
        self.search.options = usual
        return tuple(results)

    def _hold_duties(self, audited: Audit) -> None:
        """Hold whoever is compared to the plan's misses and to its end stocks."""
        for variable in self._miss_variables():
            place = self.solver.columns[variable.key]
            most = audited.values[variable.key] + HELD_TOLERANCE
            self.solver.set_column_bounds(np.arange(place.start, place.stop), variable.lower, most)
        for stock in self.formulation.declaration.stocks:
            last = self.solver.columns[stock.key].stop - 1
            end = audited.values[stock.key][-1]
            low = min(end - 1e-6 * max(abs(end), 1.0), stock.upper[-1])
            self.solver.set_column_bounds(np.array([last]), np.array([low]), stock.upper[-1:])

    def _constant_load(self, audited: Audit) -> Comparison:
        rows: list[tuple[float, float, list[int], list[float]]] = []
        for load in self._circuit_loads():
            first = self.solver.columns[load.key].start
            groups: dict[tuple[float, float], int] = {}
            for t, limits in enumerate(zip(load.lower.tolist(), load.upper.tolist(), strict=True)):
                leader = groups.setdefault(limits, t)
                if leader != t:
                    rows.append((0.0, 0.0, [first + t, first + leader], [1.0, -1.0]))
        return self._compared(
            "cheapest constant load",
            rows,
            "each circuit at one load for the whole horizon (one for each state of its equipment), same "
            "duties, at least the same end stocks",
        )

    def _past_pattern(self) -> Comparison:
        rows: list[tuple[float, float, list[int], list[float]]] = []
        for load in self._circuit_loads():
            name = load.key.removesuffix("_load")
            if name not in self.options.pattern_ka:
                continue
            pattern = self.options.pattern_ka[name]
            scale = self.solver.add_columns(np.zeros(1), np.array([np.inf])).start
            first = self.solver.columns[load.key].start
            rows.extend(
                (0.0, 0.0, [first + t, scale], [1.0, -float(pattern[t])])
                for t in np.flatnonzero(load.upper >= np.max(load.upper)).tolist()
            )
        for movement in self.formulation.declaration.rows:
            if movement.movement:
                place = self.solver.rows[movement.key]
                self.solver.free_rows(range(place.start, place.stop))
        return self._compared(
            self.options.pattern_name,
            rows,
            "the past loads times one factor per circuit, free only where equipment is out and not held to "
            "limits on movement; same duties, at least the same end stocks",
        )

    def _compared(
        self, name: str, rows: list[tuple[float, float, list[int], list[float]]], note: str
    ) -> Comparison:
        added = self.solver.add_rows(rows)
        # So many new equalities make the old basis a bad start; presolve takes them out.
        self.solver.forget()
        found = self.search.least_cost()
        self.solver.free_rows(added)
        if not found.values:
            return Comparison(name, None, note=f"{note}: not possible within today's limits")
        groups = exact_costs(self.formulation, found.values)
        loads = {load.key.removesuffix("_load"): found.values[load.key] for load in self._circuit_loads()}
        return Comparison(name, found.cost, groups.get("energy"), loads, note)


def missed(formulation: Formulation, audited: Audit) -> tuple[Miss, ...]:
    """Return the duties that an audited plan does not meet.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    audited : Audit
        Its exact simulation. [-]

    Returns
    -------
    tuple of Miss
        Duties not met, most important class first. [-]
    """
    found = []
    for variable in formulation.declaration.variables:
        if variable.miss_class is None:
            continue
        values = audited.values[variable.key]
        quantity = float(np.sum(values * miss_hours(variable, formulation.horizon)))
        if quantity > MISS_TOLERANCE:
            first = int(np.flatnonzero(values > MISS_TOLERANCE)[0]) if np.any(values > MISS_TOLERANCE) else 0
            interval = None if variable.intervals is None else int(variable.intervals[first])
            found.append(
                Miss(
                    variable.key,
                    variable.meaning,
                    int(variable.miss_class or 0),
                    quantity,
                    miss_unit(variable),
                    interval,
                    variable.miss_price,
                )
            )
    return tuple(sorted(found, key=lambda miss: (miss.miss_class, miss.key)))
