"""What a load, a limit and a stock are worth: money by moving a number one unit and planning again.

Owns the values of a plan and the reasons for one load. Every figure is the change of the cost of the whole
horizon when one number is moved and everything else is planned again: up and down are two figures, because
at a kink they differ, and because the solver's own dual of a joint product is only one of many. Duals are
used in one place: where one is 0, giving more room cannot lower the cost.

All values are of the plan BEFORE whole steps: steps and counted changes have no margin. Words and files
are in `scheduler.report`.
"""

from __future__ import annotations

import datetime as dt
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from models.circuit import LIMIT_AHEAD, Circuit
from models.faraday import alkali_of, mass_ratio
from models.horizon import Array, Horizon, Integers, Mask, instant_of, minute_of
from models.pieces import Rows, Stock, Variable
from models.site import Site
from models.situation import Situation
from scheduler.audit import row_values
from scheduler.cuts import SearchOptions
from scheduler.errors import NoValues, SolverError
from scheduler.exact import absolute_energy_cost, energy_prices
from scheduler.highs import Answer
from scheduler.lp import Formulation, balance_constants
from scheduler.plan import Planner, PlanOptions, make_plan
from scheduler.result import Status
from scheduler.values import LimitValue, Move, Moved, Why

DC_VOLTAGE = "rectifier DC voltage"
"""Cause of a greatest load that is moved in volts (see `models.circuit.CircuitState`)."""
VALUE_GAP = 1e-8
"""Target gap of the searches: a value is a small difference of two large costs."""
SHARE = 2e-3
"""How close bound and cost of a moved plan must come, as a share of what the move costs."""
TINY = 2e-3
"""Money that counts as none; duals closer to 0 are not followed up. [currency]"""
AT_LIMIT = 1e-6
"""Distance from a limit, as a share of its size, that counts as standing at it."""
QUICK_ITERATIONS = 3000
"""Simplex iterations from the plan's own basis; with more, a start from nothing is shorter."""
ALIKE_ITERATIONS = 800
"""Simplex iterations from the basis of a like move; from the plan's own some thousand are usual."""
ALIKE = 0.03
"""How far the expected costs of two moves may differ, as a share, for them to count as alike."""
NEAR = 0.005
"""How far a move's cost may be from what duals said, as a share, for its plan to count as near."""
KEPT_BASES = 200
"""Bases of moved plans kept to start from."""
HALVINGS = 6
"""How often a unit is halved to find a part of it that can be moved."""
BISECTIONS = 4
"""How often the largest possible move is then closed in."""
MOST_LIMITS = 3
"""Limits valued for one load; the others are only named."""


@dataclass(frozen=True, eq=False)
class _Shift:
    """Records in place of those of the plan, and what is taken from buses besides."""

    variables: Mapping[str, Variable] = field(default_factory=dict)
    stocks: Mapping[str, Stock] = field(default_factory=dict)
    rows: Mapping[str, Rows] = field(default_factory=dict)
    taken: Mapping[str, Array] = field(default_factory=dict)

    @property
    def possible(self) -> bool:
        """Whether every lower limit stays below its upper one."""
        records: list[Variable | Stock | Rows] = [*self.variables.values(), *self.stocks.values()]
        records += self.rows.values()
        return all(bool(np.all(record.lower <= record.upper + 1e-12)) for record in records)


@dataclass(frozen=True, eq=False)
class _Lever:
    """A number that can be moved by so many units.

    `looser` is the direction that gives room (+1 or -1; 0 where neither or either may), `slack` how far it
    may be moved the other way without touching the plan, `down_reach` how far it can be lowered at all:
    nothing runs or is stored below 0.
    """

    key: str
    owner: str
    moved: Moved
    meaning: str
    unit: str
    shift: Callable[[float], _Shift]
    looser: int
    slack: float
    binds: tuple[int, ...]
    span: tuple[int, int]
    down_reach: float = np.inf


class Explainer:
    """The values of one plan, from a program of its own that is solved to a tight gap.

    Parameters
    ----------
    site : Site
        The works, orders included. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What is known. [-]
    seconds : float
        Time for each search. [s]

    Raises
    ------
    NoValues
        If there is no plan: the least violation of limits has no values.
    SolverError
        If no plan was found in time.
    """

    def __init__(self, site: Site, horizon: Horizon, situation: Situation, seconds: float = 60.0) -> None:
        options = PlanOptions(SearchOptions(gap=VALUE_GAP, seconds=seconds), compare=False)
        if site.contract.choices(horizon, situation) != ({},):
            # Where the contract's charge jumps, values are those of the side that the plan is on.
            situation = make_plan(site, horizon, situation, options).situation
        self._planner = Planner(site, horizon, situation, options)
        self._base = self._planner.formulation
        self._constants = balance_constants(self._base.declaration, horizon)
        found, self.status = self._planner.solved()
        if self.status is Status.NOT_A_PLAN:
            raise NoValues("NOT A PLAN: limits of plant or permit are broken, so no limit has a value")
        if not found.values:
            raise SolverError(f"no plan to value was found within {seconds:g} s: allow more time")
        self.values_at = found.values
        self._money = found.cost
        self._missed = self._planner.missed_money(found.values)
        self._open = max(found.cost - found.bound, 0.0)
        solver = self._planner.solver
        linear = not self._planner.search.binaries
        self._scale = absolute_energy_cost(self._base, found.values)
        # Each with what its move was expected to cost: moves of like cost have like plans, and from a like
        # plan's basis the simplex needs few iterations.
        self._bases: deque[tuple[float, Any]] = deque(maxlen=KEPT_BASES)
        self._basis = solver.basis() if linear else None
        self._mark = self._planner.search.mark()
        self._column_duals = solver.reduced_costs() if linear else None
        self._row_duals = solver.row_duals() if linear else None
        self._search = SearchOptions(
            gap=VALUE_GAP, seconds=seconds, confirm=False, other_cost=found.cost, other_share=SHARE
        )
        self._planner.search.options = self._search

    @property
    def at_miss(self) -> bool:
        """Whether duties are missed, so that figures count misses at their price. [-]."""
        return self._missed > TINY

    # ------------------------------------------------------------ solving

    def _columns(self, key: str) -> Integers:
        place = self._planner.solver.columns[key]
        return np.arange(place.start, place.stop)

    def _rows(self, key: str, size: int) -> tuple[Integers, Integers]:
        """Return positions of a family's rows in the solver, and which of the family they are."""
        kept = np.array(self._planner.program.kept.get(key, range(size)), dtype=np.int64)
        place = self._planner.solver.rows[key]
        return np.arange(place.start, place.stop), kept

    def _curve_top(self, variable: Variable) -> Iterator[tuple[str, Array, Array]]:
        """Return the bounds of the results of curves of a variable, which follow its own."""
        t = np.arange(variable.size)
        for curve in self._base.declaration.curves:
            if curve.of == variable.key:
                low, high = curve.value(variable.lower, t), curve.value(variable.upper, t)
                fixed = variable.upper <= variable.lower
                yield curve.key, np.where(fixed, low, -np.inf), np.where(fixed, low, np.maximum(low, high))

    def _constants_of(self, formulation: Formulation, shift: _Shift) -> dict[str, Array]:
        """Return the constants of the buses that a shift touches."""
        if not shift.stocks and not shift.taken:
            return {}
        constants = balance_constants(formulation.declaration, formulation.horizon)
        touched = {*shift.taken, *(stock.closes for stock in shift.stocks.values())}
        return {name: constants[name] - shift.taken.get(name, 0.0) for name in touched}

    def _formulation(self, shift: _Shift) -> Formulation:
        records = self._base.declaration
        moved = replace(
            records,
            variables=tuple(shift.variables.get(v.key, v) for v in records.variables),
            stocks=tuple(shift.stocks.get(s.key, s) for s in records.stocks),
            rows=tuple(shift.rows.get(r.key, r) for r in records.rows),
        )
        return replace(self._base, declaration=moved)

    def _push(self, shift: _Shift, formulation: Formulation) -> None:
        solver = self._planner.solver
        for variable in shift.variables.values():
            solver.set_column_bounds(self._columns(variable.key), variable.lower, variable.upper)
            for key, low, high in self._curve_top(variable):
                solver.set_column_bounds(self._columns(key), low, high)
        for stock in shift.stocks.values():
            solver.set_column_bounds(self._columns(stock.key), stock.lower, stock.upper)
        for rows in shift.rows.values():
            at, kept = self._rows(rows.key, rows.size)
            solver.set_row_bounds(at, rows.lower[kept], rows.upper[kept])
        for name, constant in self._constants_of(formulation, shift).items():
            at, kept = self._rows(f"balance_{name}", len(constant))
            solver.set_row_bounds(at, -constant[kept], -constant[kept])
        self._planner.formulation = formulation
        self._planner.search.take(formulation)

    def _back(self, shift: _Shift) -> None:
        records = self._base.declaration
        whole = _Shift(
            {v.key: v for v in records.variables if v.key in shift.variables},
            {s.key: s for s in records.stocks if s.key in shift.stocks},
            {r.key: r for r in records.rows if r.key in shift.rows},
            {name: np.zeros(len(self._base.horizon)) for name in shift.taken},
        )
        self._push(whole, self._base)

    def _first_order(self, shift: _Shift) -> float | None:
        """Return what the duals say a shift costs at least; None where a program with binaries has none."""
        if self._column_duals is None or self._row_duals is None:
            return None
        columns, rows = self._column_duals, self._row_duals
        records = self._base.declaration
        total = 0.0

        def bounds(key: str, old: tuple[Array, Array], new: tuple[Array, Array]) -> float:
            """Charge a bound's move where its reduced cost has that bound's sign."""
            dual = columns[self._columns(key)]
            low = np.where(np.isfinite(old[0]), new[0] - np.where(np.isfinite(old[0]), old[0], 0.0), 0.0)
            high = np.where(np.isfinite(old[1]), new[1] - np.where(np.isfinite(old[1]), old[1], 0.0), 0.0)
            return float(np.sum(np.maximum(dual, 0.0) * low + np.minimum(dual, 0.0) * high))

        olds = {v.key: v for v in records.variables}
        for variable in shift.variables.values():
            old = olds[variable.key]
            total += bounds(variable.key, (old.lower, old.upper), (variable.lower, variable.upper))
            before = {key: (low, high) for key, low, high in self._curve_top(old)}
            for key, low, high in self._curve_top(variable):
                total += bounds(key, before[key], (low, high))
        stocks = {s.key: s for s in records.stocks}
        for stock in shift.stocks.values():
            was = stocks[stock.key]
            total += bounds(stock.key, (was.lower, was.upper), (stock.lower, stock.upper))
        families = {r.key: r for r in records.rows}
        for family in shift.rows.values():
            at, kept = self._rows(family.key, family.size)
            first = families[family.key]
            for side, sign in (("lower", 1.0), ("upper", -1.0)):
                one, two = getattr(first, side)[kept], getattr(family, side)[kept]
                finite = np.isfinite(one)
                step = np.where(finite, two - np.where(finite, one, 0.0), 0.0)
                total += float(np.sum(sign * np.maximum(sign * rows[at], 0.0) * step))
        for name, constant in self._constants_of(self._formulation(shift), shift).items():
            at, kept = self._rows(f"balance_{name}", len(constant))
            total += float(rows[at] @ (self._constants[name] - constant)[kept])
        return total

    def _cost(self, shift: _Shift) -> tuple[float, float, float] | None:
        """Return cost, misses and open gap of the plan with a shift; None if there is no such plan."""
        if not shift.possible or not self._reachable(shift):
            return None
        formulation = self._formulation(shift)
        if self._leaves_chords(shift):
            return self._cost_anew(formulation)
        expected = self._first_order(shift) or 0.0
        self._push(shift, formulation)
        gap = max(VALUE_GAP, SHARE * abs(expected) / self._scale)
        search, solver = self._planner.search, self._planner.solver
        search.options = replace(self._search, gap=gap)
        warm = self.status is not Status.MISSES and self._stands(expected)
        found = self._planner.solved_again(self.status)
        result = None
        if found.values:
            missed = self._planner.missed_money(found.values)
            result = (found.cost, missed, max(found.cost - found.bound, 0.0))
            near = abs(found.cost - self._money - expected) <= NEAR * abs(expected)
            if near and search.mark().same_but_rows(self._mark):
                # Tangents of a plan nearby serve the next moves; those of a far one are only corners.
                self._mark = search.mark()
            if warm and solver.row_count == self._mark.rows:
                # A start from nothing ends at a corner of its own, far from all others; and a basis must
                # not rest on cuts that leave with the move.
                self._bases.append((expected, solver.basis()))
        search.back_to(self._mark)
        self._back(shift)
        return result

    def _stands(self, expected: float) -> bool:
        """Bring the solver to the optimum of a moved program from an earlier basis, if that is short.

        Every basis of a moved plan is dual feasible for any other move, because only limits differ. The
        solver counts iterations over all its solves from one basis, so only the first one is limited.
        """
        solver = self._planner.solver
        for basis, most in ((self._alike(expected), ALIKE_ITERATIONS), (self._basis, QUICK_ITERATIONS)):
            if basis is not None:
                solver.start_from(basis)
                solver.limit_iterations(most)
                answer = solver.solve(self._search.seconds, confirm=False).answer
                solver.limit_iterations(None)
                if answer is not Answer.LIMIT:
                    return True
        if self._basis is not None:
            solver.forget()
        return False

    def _alike(self, expected: float) -> Any:
        """Return the basis of the move whose expected cost was nearest; None if none was near."""
        known = min(self._bases, key=lambda item: abs(item[0] - expected), default=(np.inf, None))
        return known[1] if abs(known[0] - expected) <= ALIKE * abs(expected) else None

    def _reachable(self, shift: _Shift) -> bool:
        """Tell whether what is taken can be taken: a bus without any unit on an interval has no row."""
        for name, taken in shift.taken.items():
            _, kept = self._rows(f"balance_{name}", len(taken))
            if np.any(np.delete(taken, kept)):
                return False
        return True

    def _leaves_chords(self, shift: _Shift) -> bool:
        """Tell whether a shift widens a range on which chords, branches or rules rest."""
        for key, variable in shift.variables.items():
            old = self._variables[key]
            wider = (variable.lower < old.lower) | (variable.upper > old.upper)
            if wider.any() and any(wider[t] for t in self._planner.search.rests_on(key)):
                return True
        return False

    def _cost_anew(self, formulation: Formulation) -> tuple[float, float, float] | None:
        """Return the same from a program that is built anew, where cuts do not carry over."""
        usual = self._planner
        fresh = Planner(usual.formulation.site, formulation.horizon, formulation.situation, usual.options)
        fresh.take_records(formulation)
        found, status = fresh.solved()
        if not found.values or status is Status.NOT_A_PLAN or (status is Status.MISSES and not self.at_miss):
            return None
        return found.cost, fresh.missed_money(found.values), max(found.cost - found.bound, 0.0)

    # ------------------------------------------------------------ moves

    def _move(self, lever: _Lever, direction: int) -> Move:
        """Move a number one unit, or the largest part of it that is possible."""
        gives_room = direction == lever.looser
        size = 1.0 if direction > 0 else min(1.0, lever.down_reach)
        if size < AT_LIMIT:
            return Move(0.0, None)
        if not gives_room and lever.looser and lever.slack >= size:
            return Move(size, 0.0)
        if gives_room:
            shift = lever.shift(direction * size)
            known = shift.possible and not self._leaves_chords(shift)
            least = self._first_order(shift) if known else None
            if least is not None and least > -TINY:
                return Move(size, 0.0, error=(max(-least, 0.0) + self._open) / size)
        got = self._cost(lever.shift(direction * size))
        impossible = size
        for _ in range(HALVINGS):
            if got is not None:
                break
            impossible, size = size, 0.5 * size
            got = self._cost(lever.shift(direction * size))
        if got is None:
            return Move(0.0, None)
        if impossible > size:
            for _ in range(BISECTIONS):
                middle = 0.5 * (size + impossible)
                further = self._cost(lever.shift(direction * middle))
                if further is None:
                    impossible = middle
                else:
                    size, got = middle, further
        cost, missed, gap = got
        more_missed = missed - self._missed
        change = cost - self._money + more_missed
        return Move(size, change / size, more_missed / size, (gap + self._open) / size)

    def _valued(self, lever: _Lever) -> LimitValue:
        return LimitValue(
            lever.key,
            lever.owner,
            lever.moved,
            lever.meaning,
            lever.unit,
            self._move(lever, 1),
            self._move(lever, -1),
            lever.binds,
            lever.span,
            self.at_miss,
        )

    def _worth(self, lever: _Lever) -> float:
        """Return how much a lever may save by giving room, by duals alone; infinite where there are none."""
        if not lever.looser:
            return np.inf
        size = 1.0 if lever.looser > 0 else min(1.0, lever.down_reach)
        shift = lever.shift(lever.looser * size)
        least = self._first_order(shift) if shift.possible else 0.0
        return np.inf if least is None else max(-least, 0.0)

    def values(self, only: Collection[str] = ()) -> tuple[LimitValue, ...]:
        """Return what one unit more and less of every stock, limit and demand of the plan day is worth.

        Parameters
        ----------
        only : collection of str
            Keys to value; all unless given. [-]

        Returns
        -------
        tuple of LimitValue
            Stocks first, then demands, then limits in order of declaration; limits that neither bind nor
            come to bind within one unit have values of 0. [-]
        """
        mask = np.arange(len(self._base.horizon)) < self._base.horizon.plan_intervals
        levers = (*self._stock_levers(), *self._demand_levers(mask), *self._limit_levers(mask))
        return tuple(self._valued(lever) for lever in levers if not only or lever.key in only)

    def why(self, circuit: str, interval: int, stepped_ka: float | None = None) -> Why:
        """Return why a circuit has its load in an interval.

        Parameters
        ----------
        circuit : str
            Name of a circuit. [-]
        interval : int
            Position of the interval, from 0. [-]
        stepped_ka : float, optional
            Load of the published plan, to be shown beside the one before steps. [kA]

        Returns
        -------
        Why
            The load, what moving it costs, and the limits that bind. [-]

        Raises
        ------
        NoValues
            If the load is given or the circuit out of service.
        ValueError
            If the site has no such circuit, or the horizon no such interval.
        """
        units = {unit.name: unit for unit in self._base.site.units if isinstance(unit, Circuit)}
        unit = units.get(circuit)
        horizon = self._base.horizon
        if unit is None:
            raise ValueError(f"no circuit is named '{circuit}' (circuits: {', '.join(units)})")
        if not 0 <= interval < len(horizon):
            raise ValueError(f"the horizon has the intervals 0 to {len(horizon) - 1} (got {interval})")
        state = unit.state(horizon, self._base.situation)
        load = self._variables[unit.key("load")]
        at = float(self.values_at[load.key][interval])
        low, high = float(load.lower[interval]), float(load.upper[interval])
        if high <= low:
            reason = "its load is given" if state.in_service[interval] else "it is out of service"
            raise NoValues(
                f"{circuit} has {at:.1f} kA in this interval because {reason}: nothing was decided there"
            )
        mask = np.zeros(len(horizon), dtype=bool)
        mask[interval] = True
        hours = float(horizon.hours[interval])
        ceilings = {name: float(values[interval]) for name, values in state.ceilings_ka.items()}
        if high < min(ceilings.values()) - AT_LIMIT:
            ceilings[LIMIT_AHEAD] = high
        sold = {lever.key: lever for lever in self._demand_levers(mask)}
        t = np.array([interval])
        chlorine, power = self._per_ka(unit, at, t)
        prices = energy_prices(self._base)
        day = [i for i, each in enumerate(horizon.days) if each == horizon.days[interval]]
        apart = np.round(prices[day] - prices[interval], 6)
        return Why(
            circuit,
            interval,
            at,
            (low, high),
            min(ceilings, key=ceilings.__getitem__),
            stepped_ka,
            self._forced(load, interval, min(1.0, high - at), 1.0),
            self._forced(load, interval, min(1.0, at - low), -1.0),
            float(prices[interval]),
            power * hours,
            chlorine * hours,
            self._valued(sold[f"{unit.chlorine}.demand"]),
            self._valued(sold[f"{unit.alkali}.demand"]),
            self._valued(sold["power.demand"]),
            *self._limits_of(interval, mask),
            self.at_miss,
            int(np.sum(apart > 0)),
            int(np.sum(apart < 0)),
            len(day),
            unit,
        )

    def _per_ka(self, unit: Circuit, load: float, t: Integers) -> tuple[float, float]:
        """Return chlorine and power that one kA more makes and draws, from the declared flows. [t/h, MW]."""
        slopes = {unit.key("load"): 1.0}
        for curve in self._base.declaration.curves:
            if curve.of == unit.key("load"):
                slopes[curve.key] = float(curve.slope(np.array([load]), t)[0])
        chlorine = power = 0.0
        for flow in self._base.declaration.flows:
            if flow.variable in slopes and flow.commodity in (unit.chlorine, "power"):
                each = np.broadcast_to(flow.coefficient, (len(self._base.horizon),))
                part = float(each[int(t[0])]) * slopes[flow.variable]
                if flow.commodity == "power":
                    power -= part
                else:
                    chlorine += part
        return chlorine, power

    def _forced(self, load: Variable, interval: int, room: float, sign: float) -> Move:
        """Return what it costs to force one load away from its optimum."""
        if room < AT_LIMIT:
            return Move(0.0, None)
        at = float(self.values_at[load.key][interval])

        def shift(step: float) -> _Shift:
            lower, upper = load.lower.copy(), load.upper.copy()
            lower[interval] = upper[interval] = at + sign * room * abs(step)
            return _Shift({load.key: replace(load, lower=lower, upper=upper)})

        lever = _Lever("", "", Moved.FIXED, "", "kA", shift, 0, 0.0, (interval,), (interval, interval + 1))
        move = self._move(lever, 1)
        if move.cost_per_unit is None:
            return move
        return Move(move.size * room, move.cost_per_unit / room, move.missed / room, move.error / room)

    def _limits_of(self, interval: int, mask: Mask) -> tuple[tuple[LimitValue, ...], tuple[str, ...]]:
        """Value what binds for one load: at its interval, and stocks where they next and last bind.

        Those that duals say are worth most are valued, the rest is named.
        """
        # A fixed quantity is no limit to be asked about: the demand beside it says the same.
        here = [lever for lever in self._limit_levers(mask) if lever.binds and lever.looser]
        for step, order in ((1, range(interval + 1, len(mask))), (-1, range(interval - 1, -1, -1))):
            found: set[str] = set()
            for t in order:
                only = np.zeros(len(mask), dtype=bool)
                only[t] = True
                for lever in self._stock_limits(only):
                    side = (lever.owner, lever.moved.value)
                    if lever.binds and str(side) not in found and self._worth(lever) > TINY:
                        found.add(str(side))
                        here.append(replace(lever, key=f"{lever.key}.{'next' if step > 0 else 'before'}"))
        worth = {lever.key: self._worth(lever) for lever in here}
        own = sorted(
            (lever for lever in here if worth[lever.key] > TINY), key=lambda lever: -worth[lever.key]
        )
        valued = [value for lever in own[:MOST_LIMITS] if _matters(value := self._valued(lever))]
        valued.sort(key=_weight, reverse=True)
        return tuple(valued), tuple(f"{lever.meaning}, {lever.moved.value}" for lever in own[MOST_LIMITS:])

    # ------------------------------------------------------------ what can be moved

    @cached_property
    def _variables(self) -> dict[str, Variable]:
        return {v.key: v for v in self._base.declaration.variables}

    def _stock_levers(self) -> Iterator[_Lever]:
        for stock in self._base.declaration.stocks:

            def shift(step: float, stock: Stock = stock) -> _Shift:
                moved = replace(stock, initial=stock.initial + step)
                # A stock that starts outside its range has limits that follow its start.
                return _Shift(stocks={stock.key: moved})

            yield _Lever(
                f"{stock.key}.start",
                self._base.site.owner_of(stock.key),
                Moved.STOCK,
                f"{stock.meaning} at the start",
                stock.unit,
                shift,
                0,
                0.0,
                (),
                (0, 1),
                stock.initial,
            )

    def _demand_levers(self, mask: Mask) -> Iterator[_Lever]:
        horizon = self._base.horizon
        hours = float(np.sum(horizon.hours[mask]))
        at = np.flatnonzero(mask)
        span = (int(at[0]), int(at[-1]) + 1)
        own = {stock.bus for stock in self._base.declaration.stocks}
        for name in (name for name in self._constants if name not in own):
            unit = self._base.site.commodities[name].unit
            # A rate of power is moved by a rate; products by a quantity, spread evenly.
            rate = 1.0 if name == "power" else 1.0 / hours
            quantity = unit if name == "power" else unit.removesuffix("/h")
            yield self._demand(
                f"{name}.demand", Moved.DEMAND, f"demand for {name}", quantity, span, mask, {name: rate}
            )
        seen = set()
        for circuit in self._base.site.units:
            if not isinstance(circuit, Circuit) or (circuit.chlorine, circuit.alkali) in seen:
                continue
            seen.add((circuit.chlorine, circuit.alkali))
            ratio = mass_ratio(alkali_of(circuit.salt))
            rates = {circuit.chlorine: 1.0 / hours, circuit.alkali: ratio / hours}
            words = f"demand for 1 t {circuit.chlorine} with {ratio:.3f} t {circuit.alkali}"
            key = f"{circuit.chlorine}.{circuit.alkali}.ecu"
            yield self._demand(key, Moved.ECU, words, "ECU", span, mask, rates)

    def _demand(
        self,
        key: str,
        moved: Moved,
        words: str,
        unit: str,
        span: tuple[int, int],
        mask: Mask,
        rates: Mapping[str, float],
    ) -> _Lever:
        def shift(step: float) -> _Shift:
            return _Shift(taken={name: np.where(mask, step * rate, 0.0) for name, rate in rates.items()})

        return _Lever(key, "", moved, words, unit, shift, 0, 0.0, (), span)

    def _fixed_rates(self, mask: Mask) -> set[str]:
        """Return the rates that are due as a whole: their upper limit moves with the duty only."""
        found = set()
        for rows in self._base.declaration.rows:
            open_ = self._open_rows(rows, mask)
            rate = self._taken_whole(rows, open_) if open_.any() and self._is_duty(rows) else None
            if rate is not None:
                found.add(rate.key)
        return found

    def _is_duty(self, rows: Rows) -> bool:
        variables = self._variables
        return any(
            entry.variable in variables and variables[entry.variable].miss_class is not None
            for entry in rows.entries
        )

    def _limit_levers(self, mask: Mask) -> Iterator[_Lever]:
        fixed_rates = self._fixed_rates(mask)
        ceilings = {unit.key("load"): unit for unit in self._base.site.units if isinstance(unit, Circuit)}
        arguments = {curve.of for curve in self._base.declaration.curves}
        for variable in self._base.declaration.variables:
            owner = self._base.site.owner_of(variable.key)
            if variable.miss_class is not None or variable.intervals is None or not owner:
                continue
            if variable.key in fixed_rates:
                continue
            open_ = mask[variable.intervals] & (variable.upper > variable.lower)
            if not open_.any():
                continue
            value = self.values_at[variable.key]
            for side in ("lower", "upper"):
                if side == "upper" and variable.key in ceilings:
                    yield from self._ceilings(ceilings[variable.key], variable, open_)
                    continue
                # Nothing runs backwards: a rate that may fall to 0 has no limit there, only an end.
                if side == "lower" and variable.key not in arguments and not np.any(variable.lower[open_]):
                    continue
                yield from self._side(variable, side, open_, value, variable.intervals, owner)
        yield from self._stock_limits(mask)
        for rows in self._base.declaration.rows:
            yield from self._row_levers(rows, mask)

    def _side(
        self,
        record: Variable | Stock | Rows,
        side: str,
        open_: Mask,
        value: Array,
        intervals: Integers | None,
        owner: str,
        looser: int | None = None,
    ) -> Iterator[_Lever]:
        """Yield the lever of one side of a record where it has finite limits."""
        limit = getattr(record, side)
        finite = open_ & np.isfinite(limit)
        if not finite.any():
            return
        room = (limit - value if side == "upper" else value - limit)[finite]
        sign = (1 if side == "upper" else -1) if looser is None else looser
        places = np.flatnonzero(finite)
        at = places if intervals is None else intervals[places]
        size = AT_LIMIT * np.maximum(np.abs(limit[finite]), 1.0)

        def shift(step: float) -> _Shift:
            moved = replace(record, **{side: np.where(finite, limit + step, limit)})
            if isinstance(moved, Variable):
                return _Shift(variables={moved.key: moved})
            if isinstance(moved, Stock):
                return _Shift(stocks={moved.key: moved})
            return _Shift(rows={moved.key: moved})

        binds = () if intervals is None else tuple(int(t) for t in at[room <= size])
        span = (int(at[0]), int(at[-1]) + 1) if intervals is not None else (0, len(self._base.horizon))
        yield _Lever(
            f"{record.key}.{side}",
            owner,
            Moved.UPPER if side == "upper" else Moved.LOWER,
            record.meaning or record.key.replace("_", " "),
            record.unit,
            shift,
            sign,
            max(float(np.min(room)), 0.0),
            binds,
            span,
            float(np.min(limit[finite])) if np.all(limit[finite] >= 0) else np.inf,
        )

    def _stock_limits(self, mask: Mask) -> Iterator[_Lever]:
        everywhere = np.arange(len(mask))
        for stock in self._base.declaration.stocks:
            value = self.values_at[stock.key]
            for side in ("lower", "upper"):
                yield from self._side(
                    stock, side, mask, value, everywhere, self._base.site.owner_of(stock.key)
                )

    def _row_levers(self, rows: Rows, mask: Mask) -> Iterator[_Lever]:
        owner = self._base.site.owner_of(rows.key)
        if not owner or not (rows.breakable or self._is_duty(rows)):
            return
        open_ = self._open_rows(rows, mask)
        if not open_.any():
            return
        value, _ = row_values(rows, self.values_at)
        taken = self._taken_whole(rows, open_)
        if taken is not None:
            yield self._fixed(rows, open_, owner, taken)
            return
        same = rows.lower == rows.upper
        both = open_ & np.isfinite(rows.lower) & (rows.lower == -rows.upper)
        if both.any():
            yield self._both_ways(rows, both, value, owner)
        fixed = open_ & same & ~both
        if fixed.any():
            yield self._fixed(rows, fixed, owner)
        rest = open_ & ~both & ~same
        for side in ("lower", "upper"):
            yield from self._side(rows, side, rest, value, rows.intervals, owner)

    def _open_rows(self, rows: Rows, mask: Mask) -> Mask:
        """Return which rows belong to the intervals that are moved."""
        horizon = self._base.horizon
        if rows.intervals is not None:
            chosen: Mask = mask[rows.intervals]
            return chosen
        every_day = {day.isoformat() for day in horizon.days}
        days = {horizon.days[t].isoformat() for t in np.flatnonzero(mask)}
        labels = rows.labels or ("",) * rows.size
        return np.array([label not in every_day or label in days for label in labels])

    def _taken_whole(self, rows: Rows, open_: Mask) -> Variable | None:
        """Return the rate of a duty that asks for all the rate allows: a fixed quantity, not a limit."""
        if rows.intervals is None or rows.size != len(self._base.horizon):
            return None
        for entry in rows.entries:
            variable = self._variables.get(entry.variable)
            if variable is None or variable.miss_class is not None or variable.intervals is None:
                continue
            whole = variable.size == rows.size and np.array_equal(entry.positions, entry.rows)
            if whole and bool(np.all(variable.upper[open_] <= rows.lower[open_])):
                return variable
        return None

    def _both_ways(self, rows: Rows, open_: Mask, value: Array, owner: str) -> _Lever:
        """Return the lever of a limit that holds in both directions, as one of movement does."""

        def shift(step: float) -> _Shift:
            moved = np.where(open_, step, 0.0)
            return _Shift(rows={rows.key: replace(rows, lower=rows.lower - moved, upper=rows.upper + moved)})

        room = (rows.upper - np.abs(value))[open_]
        at = np.flatnonzero(open_) if rows.intervals is None else rows.intervals[open_]
        close = room <= AT_LIMIT * np.maximum(rows.upper[open_], 1.0)
        return _Lever(
            f"{rows.key}.both",
            owner,
            Moved.UPPER,
            rows.meaning or rows.key.replace("_", " "),
            rows.unit,
            shift,
            1,
            max(float(np.min(room)), 0.0),
            () if rows.intervals is None else tuple(int(t) for t in np.unique(at[close])),
            (int(at.min()), int(at.max()) + 1),
        )

    def _fixed(self, rows: Rows, open_: Mask, owner: str, rate: Variable | None = None) -> _Lever:
        """Return the lever of a fixed quantity; the rate that may be taken moves with what is due."""

        def shift(step: float) -> _Shift:
            moved = np.where(open_, step, 0.0)
            changed = {rows.key: replace(rows, lower=rows.lower + moved, upper=rows.upper + moved)}
            if rate is None:
                return _Shift(rows=changed)
            return _Shift({rate.key: replace(rate, upper=rate.upper + moved)}, rows=changed)

        every = len(self._base.horizon)
        at = np.arange(every) if rows.intervals is None else rows.intervals[open_]
        return _Lever(
            f"{rows.key}.fixed",
            owner,
            Moved.FIXED,
            rows.meaning or rows.key.replace("_", " "),
            rows.unit,
            shift,
            0,
            0.0,
            () if rows.intervals is None else tuple(int(t) for t in at),
            (int(at.min()), int(at.max()) + 1),
        )

    def _ceilings(self, circuit: Circuit, load: Variable, open_: Mask) -> Iterator[_Lever]:
        """Yield a lever for each cause that sets the greatest load somewhere: volts for the DC voltage."""
        horizon, situation = self._base.horizon, self._base.situation
        state = circuit.state(horizon, situation)
        names = list(state.ceilings_ka)
        # Where a limit that starts next holds a load below its ceilings, moving them changes nothing there.
        open_ = open_ & (load.upper >= state.load_max_ka - AT_LIMIT)
        lowest = np.argmin(np.stack(list(state.ceilings_ka.values())), axis=0)
        room = load.upper - self.values_at[load.key]
        for i in np.unique(lowest[open_]).tolist():
            cause = names[i]
            here = open_ & (lowest == i)
            volts = cause == DC_VOLTAGE

            def shift(step: float, cause: str = cause, here: Mask = here, volts: bool = volts) -> _Shift:
                if volts:
                    rectifier = replace(
                        circuit.rectifier, dc_voltage_max_v=circuit.rectifier.dc_voltage_max_v + step
                    )
                    moved = replace(circuit, rectifier=rectifier).state(horizon, situation)
                else:
                    ceilings = {**state.ceilings_ka, cause: state.ceilings_ka[cause] + step}
                    moved = replace(state, ceilings_ka=ceilings)
                upper = np.where(here, moved.load_max_ka, load.upper)
                return _Shift({load.key: replace(load, upper=upper)})

            at = np.flatnonzero(here)
            free = float(np.min(room[here]))
            lower = shift(-1.0).variables[load.key].upper
            # One unit less takes so many kA; where the plan keeps below that nothing changes.
            untouched = bool(np.all(self.values_at[load.key][here] <= lower[here]))
            yield _Lever(
                f"{load.key}.upper.{cause.replace(' ', '_').lower()}",
                circuit.name,
                Moved.UPPER,
                f"{cause} of {circuit.name}",
                "V" if volts else "kA",
                shift,
                1,
                1.0 if untouched else min(max(free, 0.0), 0.999),
                tuple(int(t) for t in at[room[here] <= AT_LIMIT * np.maximum(load.upper[here], 1.0)]),
                (int(at[0]), int(at[-1]) + 1),
            )


def interval_of(horizon: Horizon, moment: dt.datetime) -> int:
    """Return the interval in which a moment lies.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    moment : datetime
        With its offset, or on the clock of the horizon's zone. [-]

    Returns
    -------
    int
        Position from 0. [-]

    Raises
    ------
    ValueError
        If the moment lies outside the horizon.
    """
    at = moment if moment.tzinfo is not None else moment.replace(tzinfo=ZoneInfo(horizon.timezone))
    minute = minute_of(at)
    if not horizon.start_min <= minute < horizon.end_min:
        first, end = (
            instant_of(m).astimezone(ZoneInfo(horizon.timezone)).isoformat(timespec="minutes")
            for m in (horizon.start_min, horizon.end_min)
        )
        raise ValueError(f"{at.isoformat(timespec='minutes')} lies outside the plan, {first} to {end}")
    return int(np.searchsorted(horizon.starts_min, minute, side="right")) - 1


def _weight(value: LimitValue) -> float:
    """Return the money that one unit more room of a limit saves, or one less costs. [currency/unit]."""
    return max(abs(move.cost_per_unit or 0.0) for move in (value.up, value.down))


def _matters(value: LimitValue) -> bool:
    """Tell whether a value is worth words."""
    moves = (value.up, value.down)
    return any(move.cost_per_unit is None or abs(move.cost_per_unit) * move.size > TINY for move in moves)
