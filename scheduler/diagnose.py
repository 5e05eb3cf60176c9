"""Which limits collide where a duty is missed or a limit broken, and the smallest change that helps.

Owns the search. It works on records: every limit of a unit or of the contract is one number that may be
moved by so much, on all intervals where it holds, and a linear program asks for the least moves, each as a
share of its limit, with which every duty is met. Its duals are a proof that the limits they name cannot
all be kept (Farkas); each is then moved alone. What is switched (an outage) or counted (changes of load)
has no linear move: an outage is ended earlier, a count raised, and the program asked again.

Loads stand on no steps in the linear program, and curves are as exact as their tangents, which are added
where a solution stands. Words are in `scheduler.report.diagnosis`.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from models.circuit import Circuit
from models.horizon import Array, Horizon, Integers
from models.misses import RECOVERY
from models.pieces import ChangeLimit, Declaration, Moves, Rows, Variable
from models.site import Site
from models.situation import Availability, Situation
from scheduler.conflicts import Change, Collision, Conflict, Diagnosis, DutyMissed, Kind
from scheduler.cuts import SearchOptions
from scheduler.direct import written
from scheduler.errors import BrinewattError
from scheduler.highs import Answer, Outcome, Solver
from scheduler.lp import Formulation, formulate
from scheduler.plan import MISS_TOLERANCE, Planner, PlanOptions
from scheduler.result import Plan, Status

SECONDS = 90.0
"""Time for a diagnosis unless another is asked for. [s]"""
SOLVE_SECONDS = 30.0
"""Most time for one linear program. [s]"""
MOVED = 1e-7
"""Share of a limit's size that counts as not moved."""
DUAL = 1e-7
"""Dual, in shares of limits, that counts as none."""
SAME = 1e-9
"""How near, as a share, two limits of a unit are one number of the input."""
MOST_VALUES = 4
"""Values of one limit over time that are told apart; with more it is a profile and moved as a whole."""
MOST_ALTERNATIVES = 6
"""Changes beside the smallest that are looked at for a conflict."""
MOST_MORE = 3
"""By how much a count of changes is raised at most."""
ROUNDS = 6
"""Rounds in which tangents are added where a solution stands."""
TANGENT = 1e-7
"""How far, as a share, a curve may lie above the program."""
DIGITS = 3
"""Digits to which a change is rounded up."""
VALUE_ENDS = ("_ka", "_t", "_mw", "_per_h", "_per_d", "_mvar")
"""Ends of names of facts that are limits; other facts say what is switched on."""


@dataclass(frozen=True, eq=False)
class _Place:
    """Where a limit stands in the records: positions of one variable or stock, or rows of a family."""

    record: str
    rows: bool
    positions: Integers
    intervals: Integers | None
    limit: Array
    upper: bool


@dataclass(eq=False)
class _Number:
    """One number of the input that limits something: all places where it stands."""

    key: str
    meaning: str
    kind: Kind
    unit: str
    size: float
    places: list[_Place] = field(default_factory=list)
    column: int = -1
    rows: list[tuple[int, int]] = field(default_factory=list)
    """Row of the program and its interval (-1 without), in the order of the places."""

    @property
    def limit(self) -> float:
        """The number itself, the furthest out where it changes. [unit]."""
        limits = np.concatenate([place.limit for place in self.places])
        return float(limits.max() if self.kind is not Kind.LOWER else limits.min())

    def collision(self, span: tuple[int, int] | None) -> Collision:
        """Return the record of it on a span of intervals."""
        first, end = span or (None, None)
        return Collision(self.key, self.meaning, self.kind, self.unit, self.limit, first, end)


_Moved = dict[_Number, float]
"""Numbers that are moved, with how far. [unit of each]"""
_Ends = dict[Availability, "int | None"]
"""Facts with the minute at which they end instead; None: they never hold. [min]"""


def _total(moved: _Moved) -> float:
    return sum(amount / number.size for number, amount in moved.items())


class _OutOfTimeError(Exception):
    """The time for the diagnosis is over."""


class _Clock:
    """What is left of the time."""

    def __init__(self, seconds: float) -> None:
        self._end = time.monotonic() + seconds

    def left(self) -> float:
        left = self._end - time.monotonic()
        if left <= 0:
            raise _OutOfTimeError
        return left


def diagnosed(plan: Plan, seconds: float = SECONDS) -> Plan:
    """Return a plan with its diagnosis, if it misses a duty or breaks a limit; else the plan itself.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    seconds : float
        Time for the diagnosis; what was found until then is kept, and it is said. [s]

    Returns
    -------
    Plan
        The plan. [-]
    """
    if plan.status not in (Status.MISSES, Status.NOT_A_PLAN):
        return plan
    return replace(plan, diagnosis=diagnose(plan, seconds))


def diagnose(plan: Plan, seconds: float = SECONDS) -> Diagnosis:
    """Say which limits collide where a plan misses duties or breaks limits, and what would help.

    Parameters
    ----------
    plan : Plan
        A plan with misses, or one headed NOT A PLAN. [-]
    seconds : float
        Time. [s]

    Returns
    -------
    Diagnosis
        What was found. [-]
    """
    found: list[Conflict] = []
    clock = _Clock(seconds)
    try:
        note = _Search(plan, clock).conflicts(found)
    except _OutOfTimeError:
        return Diagnosis(
            tuple(found), False, f"the time for the diagnosis, {seconds:g} s, ran out: it may be incomplete"
        )
    except BrinewattError as error:
        return Diagnosis(tuple(found), False, f"the diagnosis is incomplete: {error}")
    return Diagnosis(tuple(found), True, note)


class _Search:
    """The diagnosis of one plan."""

    def __init__(self, plan: Plan, clock: _Clock) -> None:
        self.plan = plan
        self.clock = clock

    def conflicts(self, found: list[Conflict]) -> str:
        """Add the conflicts to a list as they are found; return what could not be found, in words."""
        plan = self.plan
        program = _Elastic(_records(plan.site, plan.horizon, plan.situation), self.clock)
        moved = program.least()
        if moved is not None and not moved:
            if plan.situation.locks and plan.audit.violations:
                found.extend(self._given())
                return ""
            found.extend(self._counted())
            return "" if found else "no single limit on changes or steps is alone the cause"
        ended, last, moved = self._without_outages() if moved is None else self._with_outages(program, moved)
        if moved is None or last is None:
            return (
                "no change of limits, and no outage ended earlier, makes it possible: the duties ask for "
                "more than the works has at all, or the loads that are given contradict each other"
            )
        for fact in ended:
            found.append(self._outage_conflict(fact, ended, moved))
        for number in moved:
            found.append(self._conflict(last, number, moved, ended))
        return ""

    # ------------------------------------------------------------ limits

    def _conflict(self, program: _Elastic, number: _Number, moved: _Moved, ended: _Ends) -> Conflict:
        """Return what one of the moves resolves, with all others made."""
        others = {n: r for n, r in moved.items() if n is not number}
        program.hold(others, [number])
        least = program.amount(number)
        least = moved[number] if least is None else least
        support = {n: span for n, span, _ in program.support()}
        change = program.change(number, least, others)
        support.setdefault(number, None)
        program.hold(others, [])
        duties = program.missed()
        alternatives = []
        unsure = []
        for other in [n for n in support if n is not number][:MOST_ALTERNATIVES]:
            program.hold(others, [other])
            amount = program.amount(other)
            if amount is None:
                unsure.append(other)
            else:
                alternatives.append(program.change(other, amount, others))
        for other in unsure:
            # A limit is no part of the conflict if that stays without it, and without all that are not named.
            outside = [n for n in program.numbers if n not in support and n not in others]
            program.hold(others, [*outside, other])
            if program.amount(other) is None:
                del support[other]
        # A dual stands where a limit binds last; the room of a change is needed on all of its span.
        spans = {c.limit.key: (c.limit.first, c.limit.end) for c in (change, *alternatives)}
        limits = [n.collision(_joined(span, spans.get(n.key))) for n, span in support.items()]
        outages = list(self._outages_that_help(others, ended))
        limits = [*(change.limit for change in outages), *limits]
        alternatives.sort(key=lambda c: c.share or 0.0)
        return Conflict(duties, tuple(limits), change, (*outages, *alternatives))

    # ------------------------------------------------------------ outages

    def _facts(self) -> list[Availability]:
        """Return the facts of the horizon that say what is switched off, or leave nothing."""
        horizon = self.plan.horizon
        return [
            fact
            for fact in self.plan.situation.availability
            if fact.end_min > horizon.start_min
            and fact.start_min < horizon.end_min
            and (not fact.what.endswith(VALUE_ENDS) or fact.value <= 0)
        ]

    def _with(self, facts: _Ends) -> Situation:
        """Return the situation with some facts ended at another minute."""
        kept: list[Availability] = []
        for fact in self.plan.situation.availability:
            end = facts.get(fact, fact.end_min)
            if end is not None and end > fact.start_min:
                kept.append(replace(fact, end_min=end))
        return replace(self.plan.situation, availability=tuple(kept))

    def _program(self, facts: _Ends) -> _Elastic | None:
        try:
            return _Elastic(_records(self.plan.site, self.plan.horizon, self._with(facts)), self.clock)
        except ValueError:
            return None

    def _hard(self, facts: _Ends, others: _Moved) -> bool:
        """Tell whether every duty can be met with some facts ended earlier and some limits moved."""
        program = self._program(facts)
        if program is None:
            return False
        program.hold(program.like(others), [])
        return program.feasible()

    def _end_earlier(self, fact: Availability, fits: Callable[[int], bool]) -> int:
        """Return the latest end of an outage that fits; its start where nothing later does."""
        horizon = self.plan.horizon
        starts = horizon.starts_min
        ends = [fact.start_min, *starts[(starts > fact.start_min) & (starts < fact.end_min)].tolist()]
        low, high = 0, len(ends) - 1
        while low < high:
            middle = (low + high + 1) // 2
            if fits(int(ends[middle])):
                low = middle
            else:
                high = middle - 1
        return int(ends[low])

    def _outages_that_help(self, others: _Moved, ended: _Ends) -> Iterator[Change]:
        for fact in self._facts():
            if fact in ended or not self._hard({**ended, fact: None}, others):
                continue
            until = self._end_earlier(
                fact,
                lambda end, fact=fact: self._hard({**ended, fact: end}, others),  # type: ignore[misc]
            )
            yield self._outage_change(fact, until)

    def _outage_change(self, fact: Availability, until: int) -> Change:
        horizon = self.plan.horizon
        end = min(fact.end_min, horizon.end_min)
        at = np.flatnonzero((horizon.starts_min >= until) & (horizon.starts_min < end))
        span = (int(at[0]), int(at[-1]) + 1) if at.size else (None, None)
        unit = next((u for u in self.plan.site.units if u.name == fact.unit), None)
        what = fact.what.replace("_", " ")
        meaning = f"outage of {fact.unit} ({what} {fact.value:g})"
        if isinstance(unit, Circuit) and fact.what == "in_service":
            meaning = f"outage of {fact.unit}"
        limit = Collision(f"{fact.unit}.{fact.what}", meaning, Kind.OUTAGE, "h", None, *span)
        whole = (fact.end_min - fact.start_min) / 60.0
        return Change(limit, (end - until) / 60.0, (end - until) / 60.0 / whole)

    def _share(self, fact: Availability, until: int) -> float:
        """Return how much earlier an outage ends, as a share of it."""
        end = min(fact.end_min, self.plan.horizon.end_min)
        return (end - until) / (fact.end_min - fact.start_min)

    def _least_with(self, facts: _Ends) -> float:
        """Return the least moves of limits with some facts ended earlier; infinite if there are none."""
        program = self._program(facts)
        moved = None if program is None else program.least()
        return math.inf if moved is None else _total(moved)

    def _with_outages(self, program: _Elastic, moved: _Moved) -> tuple[_Ends, _Elastic | None, _Moved | None]:
        """End outages earlier where that is less than the moves of limits it saves, as shares."""
        ended: _Ends = {}
        for fact in self._facts():
            now = _total(moved)
            gone = self._least_with({**ended, fact: None})
            if gone >= now - 1e-6:
                continue
            until = self._latest(fact, ended, gone)
            if self._share(fact, until) + gone >= now:
                continue
            other = self._program({**ended, fact: until})
            less = None if other is None else other.least()
            if other is not None and less is not None:
                ended[fact], program, moved = until, other, less
        return ended, program, moved

    def _latest(self, fact: Availability, ended: _Ends, size: float) -> int:
        return self._end_earlier(fact, lambda end: self._least_with({**ended, fact: end}) <= size + 1e-6)

    def _without_outages(self) -> tuple[_Ends, _Elastic | None, _Moved | None]:
        """Find the outages without whose end no change of limits helps, each ended as late as can be."""
        ended: _Ends = dict.fromkeys(self._facts())
        size = self._least_with(ended)
        if not ended or math.isinf(size):
            return {}, None, None
        for fact in list(ended):
            rest = {f: end for f, end in ended.items() if f is not fact}
            if self._least_with(rest) <= size + 1e-6:
                ended = rest
        for fact in ended:
            ended[fact] = self._latest(fact, ended, size)
        last = self._program(ended)
        return ended, last, None if last is None else last.least()

    def _outage_conflict(self, fact: Availability, ended: _Ends, moved: _Moved) -> Conflict:
        """Return what an outage resolves that ends earlier, with all other changes made."""
        change = self._outage_change(fact, int(ended[fact] or fact.start_min))
        first, end = _span_of(self.plan.horizon, fact)
        whole = replace(change.limit, first=first, end=end)
        program = self._program({f: end for f, end in ended.items() if f is not fact})
        if program is None:
            return Conflict((), (whole,), change)
        others = program.like(moved)
        program.hold(others, [])
        duties = program.missed()
        program.hold(others, [n for n in program.numbers if n not in others])
        moved_instead = program.moves()
        alternatives: list[Change] = []
        limits = [whole]
        if moved_instead is not None:
            limits += [n.collision(span) for n, span, _ in program.support()]
            if len(moved_instead) == 1:
                ((number, amount),) = moved_instead.items()
                alternatives.append(program.change(number, amount, others))
        return Conflict(duties, tuple(limits), change, tuple(alternatives))

    # ------------------------------------------------------------ what is counted, and what is given

    def _given(self) -> Iterator[Conflict]:
        for violation in self.plan.audit.violations:
            first = violation.interval
            limit = Collision(
                violation.key,
                violation.meaning,
                Kind.GIVEN,
                violation.unit,
                None,
                first,
                None if first is None else first + 1,
            )
            yield Conflict((), (limit,), Change(limit, _rounded_up(violation.amount)))

    def _counted(self) -> Iterator[Conflict]:
        """Try one rule after another of those that no linear program holds: counts, rests, steps."""
        base = _records(self.plan.site, self.plan.horizon, self.plan.situation)
        duties = tuple(
            DutyMissed(m.key, m.meaning, m.quantity, m.unit, m.interval, None) for m in self.plan.misses
        )
        changes: list[Change] = []
        for limit, options in _rules(base.declaration, self.plan.horizon):
            for amount, share, declaration in options:
                if self._plans(replace(base, declaration=declaration)):
                    changes.append(Change(limit, amount, share))
                    break
        changes.sort(key=lambda change: math.inf if change.share is None else change.share)
        if changes:
            limits = tuple(change.limit for change in changes)
            yield Conflict(duties, limits, changes[0], tuple(changes[1 : 1 + MOST_ALTERNATIVES]))

    def _plans(self, formulation: Formulation) -> bool:
        # A plan with steps searches several times.
        options = PlanOptions(SearchOptions(seconds=self.clock.left() / 3.0), compare=False, calm=False)
        planner = Planner(formulation.site, formulation.horizon, formulation.situation, options)
        planner.take_records(formulation)
        try:
            made = planner.plan()
        except BrinewattError:
            return False
        return made.status in (Status.PLAN, Status.SOLVER_LIMIT) and not made.misses


def _joined(
    one: tuple[int, int] | None, other: tuple[int | None, int | None] | None
) -> tuple[int, int] | None:
    """Return the span from the first to the last interval of two."""
    if other is None or other[0] is None or other[1] is None:
        return one
    return (other[0], other[1]) if one is None else (min(one[0], other[0]), max(one[1], other[1]))


def _span_of(horizon: Horizon, fact: Availability) -> tuple[int | None, int | None]:
    at = np.flatnonzero(horizon.share_inside(fact.start_min, fact.end_min) > 0)
    return (int(at[0]), int(at[-1]) + 1) if at.size else (None, None)


def _records(site: Site, horizon: Horizon, situation: Situation) -> Formulation:
    """Return the records; where a contract counts ramps, without it: they bound changes, not duties."""
    formulation = formulate(site, horizon, situation)
    if formulation.ramps.keys:
        formulation = formulate(
            replace(site, contract=replace(site.contract, components=())), horizon, situation
        )
    return formulation


def _rules(
    records: Declaration, horizon: Horizon
) -> Iterator[tuple[Collision, list[tuple[float, float | None, Declaration]]]]:
    """Yield every rule that is counted or either-or, with looser records to be tried in turn."""
    step_min = int(horizon.lengths_min.min())

    def changed(moves: Moves, new: Moves) -> Declaration:
        return replace(records, moves=tuple(new if m is moves else m for m in records.moves))

    for moves in records.moves:
        for name in ("limits", "position_limits"):
            kept: tuple[ChangeLimit, ...] = getattr(moves, name)
            for limit in kept:
                at = limit.intervals
                if not at.size:
                    continue
                what = moves.meaning + ("" if name == "limits" else ", tap positions")
                collision = Collision(
                    f"{moves.key}.{name}.{limit.label}",
                    f"{what} in {limit.label}",
                    Kind.COUNT,
                    "changes",
                    float(limit.most),
                    int(at[0]),
                    int(at[-1]) + 1,
                )
                options: list[tuple[float, float | None, Declaration]] = []
                for more in range(1, MOST_MORE + 1):
                    new = tuple(replace(one, most=one.most + more) if one is limit else one for one in kept)
                    looser = (
                        replace(moves, limits=new)
                        if name == "limits"
                        else replace(moves, position_limits=new)
                    )
                    options.append((float(more), more / max(limit.most, 1), changed(moves, looser)))
                yield collision, options
        if moves.dwell_min > step_min:
            collision = Collision(
                f"{moves.key}.dwell",
                f"rest between {moves.meaning}",
                Kind.TIME,
                "min",
                moves.dwell_min,
                0,
                len(horizon),
            )
            shorter = np.arange(moves.dwell_min - step_min, step_min - 1, -step_min).tolist()
            yield (
                collision,
                [
                    (
                        moves.dwell_min - rest,
                        1.0 - rest / moves.dwell_min,
                        changed(moves, replace(moves, dwell_min=rest)),
                    )
                    for rest in shorter
                ],
            )
        if moves.step is not None:
            collision = Collision(
                f"{moves.key}.step", f"steps of {moves.meaning}", Kind.RULE, "kA", moves.step, 0, len(horizon)
            )
            yield collision, [(moves.step, 1.0, changed(moves, replace(moves, step=moves.step / 10.0)))]
    for rule in records.exclusives:
        collision = Collision(rule.key, rule.meaning, Kind.RULE, "-", None, 0, len(horizon))
        rest = tuple(other for other in records.exclusives if other is not rule)
        yield collision, [(1.0, None, replace(records, exclusives=rest))]


# ---------------------------------------------------------------- the elastic program


class _Elastic:
    """The linear program in which every limit can be moved, each by a column of its own."""

    def __init__(self, formulation: Formulation, clock: _Clock) -> None:
        self.formulation = formulation
        self.clock = clock
        self.records = formulation.declaration
        self.variables = {v.key: v for v in self.records.variables}
        self.misses = [v for v in self.records.variables if v.miss_class is not None]
        self.numbers = _numbers(formulation)
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

    def _row_bodies(self, family: Rows, place: _Place) -> list[tuple[list[int], list[float]]]:
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

    def _free(self, place: _Place) -> None:
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

    def hold(self, amounts: _Moved, free: Sequence[_Number]) -> None:
        """Fix the room of every limit: what is given, any for some, none for the rest."""
        lower, upper = np.zeros(len(self.numbers)), np.zeros(len(self.numbers))
        for i, number in enumerate(self.numbers):
            if number in amounts:
                # A hair more, so that what was found feasible stays it.
                lower[i] = upper[i] = amounts[number] + 1e-7 * number.size
            elif number in free:
                upper[i] = np.inf
        self.solver.set_column_bounds(self.columns, lower, upper)

    def like(self, amounts: _Moved) -> _Moved:
        """Return amounts of another program's limits for those of this one, by key."""
        known = {number.key: amount for number, amount in amounts.items()}
        return {number: known[number.key] for number in self.numbers if number.key in known}

    def _solve(self, costs: Array) -> bool:
        self.solver.set_costs(np.concatenate([costs, np.zeros(self.solver.column_count - len(costs))]), 0.0)
        for _ in range(ROUNDS):
            seconds = min(self.clock.left(), SOLVE_SECONDS)
            self.outcome = self.solver.solve(seconds, confirm=False)
            if self.outcome.answer is Answer.LIMIT:
                raise _OutOfTimeError
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
            slope = curve.slope(x, t)
            rows += [
                (
                    float(y[i] - slope[i] * x[i]),
                    np.inf,
                    [own + int(t[i]), of + int(t[i])],
                    [1.0, -float(slope[i])],
                )
                for i in np.flatnonzero(below)
            ]
        self.solver.add_rows(rows)
        return bool(rows)

    def feasible(self) -> bool:
        """Tell whether every duty can be met with the room held now."""
        return self._solve(np.zeros(len(self.weights)))

    def least(self) -> _Moved | None:
        """Return the least moves of limits with which every duty is met; None if there are none."""
        self.hold({}, self.numbers)
        return self.moves()

    def moves(self) -> _Moved | None:
        """Return the least moves of the limits that are free; None if there are none."""
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

    def amount(self, number: _Number) -> float | None:
        """Return the least move of the one limit that is free; None if it does not help."""
        if not self._solve(self.weights) or self.outcome is None:
            return None
        return float(self.outcome.values[number.column])

    def support(self) -> list[tuple[_Number, tuple[int, int] | None, float]]:
        """Return the limits whose duals prove the last optimum, with their span and weight."""
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

    def change(self, number: _Number, amount: float, others: _Moved) -> Change:
        """Return a change with the intervals on which its room is used."""
        span = self._used(number, amount, others)
        return Change(number.collision(span), _rounded_up(amount), amount / number.size)

    def _used(self, number: _Number, amount: float, others: _Moved) -> tuple[int, int] | None:
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

    def _body_of(self, number: _Number, row: int) -> tuple[float, float, list[int], list[float]]:
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
        """Return the duties that the room held now leaves open; empty if nothing runs within the limits."""
        self._close_misses(False)
        hours = self.formulation.horizon.hours
        costs = np.zeros(self.solver.column_count)
        for v in self.misses:
            place = self.solver.columns[v.key]
            each = np.ones(v.size) if v.intervals is None else hours[v.intervals]
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
            each = np.ones(v.size) if v.intervals is None else hours[v.intervals]
            quantity = float(np.sum(own * each))
            if quantity <= MISS_TOLERANCE:
                continue
            on = np.flatnonzero(own > MISS_TOLERANCE * 0.1)
            span: tuple[int | None, int | None] = (None, None)
            if v.intervals is not None and on.size:
                span = (int(v.intervals[on[0]]), int(v.intervals[on[-1]]) + 1)
            unit = "t" if v.unit in ("t", "t/h") else v.unit
            unit = "t h" if v.unit == "t" and v.intervals is not None else unit
            found.append(DutyMissed(v.key, v.meaning, quantity, unit, *span))
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


# ---------------------------------------------------------------- the limits


def _numbers(formulation: Formulation) -> list[_Number]:
    """Return every number of the input that limits something and can be moved."""
    records, site = formulation.declaration, formulation.site
    owners = [unit.name for unit in site.units]
    own_keys = {key for keys in formulation.setpoints.values() for key in keys}
    circuits = {unit.key("load"): unit for unit in site.units if isinstance(unit, Circuit)}
    found: dict[tuple[str, ...], _Number] = {}

    def owner(key: str) -> str:
        return max((name for name in owners if key.startswith(f"{name}_")), key=len, default="")

    def add(key: str, group: str, meaning: str, kind: Kind, unit: str, size: float, place: _Place) -> None:
        if not place.limit.size:
            return
        value = "" if np.ptp(place.limit) > SAME * max(size, 1.0) else f"{place.limit[0]:.9g}"
        name = owner(place.record)
        # Limits of one unit with the same value are one number of its input.
        same = (name, kind.value, unit, group, value) if value and name else (key, kind.value, group, value)
        number = found.get(same)
        if number is None:
            taken = any(other.key == key for other in found.values())
            found[same] = number = _Number(f"{key}@{value}" if taken else key, meaning, kind, unit, size)
        elif place.rows:
            number.key, number.meaning = key, meaning
        number.places.append(place)

    def split(limit: Array, on: Array) -> list[Integers]:
        """Return positions with one value each; all together where there are many values."""
        at = np.flatnonzero(on)
        values = np.unique(np.round(limit[at], 9))
        if len(values) > MOST_VALUES:
            return [at]
        return [at[np.isclose(limit[at], value, rtol=SAME, atol=1e-9)] for value in values]

    for v in records.variables:
        if v.intervals is None or v.miss_class is not None or v.key not in own_keys:
            continue
        circuit = circuits.get(v.key)
        open_ = v.upper > v.lower
        words = v.meaning or v.key
        if circuit is not None:
            _add_load(add, formulation, circuit, v)
            continue
        for side in ("upper", "lower"):
            limit = getattr(v, side)
            on = open_ & np.isfinite(limit) & ((limit > 0) if side == "lower" else (limit != 0))
            for at in split(limit, on):
                if at.size:
                    kind = Kind.UPPER if side == "upper" else Kind.LOWER
                    place = _Place(v.key, False, at, v.intervals[at], limit[at], side == "upper")
                    size = float(np.max(np.abs(limit[at])))
                    least = "greatest" if side == "upper" else "least"
                    add(
                        f"{v.key}.{side}",
                        "",
                        f"{least} rate of {words}" if v.unit != "MW" else f"{least} {words}",
                        kind,
                        v.unit,
                        size,
                        place,
                    )
    for stock in records.stocks:
        for side in ("upper", "lower"):
            limit = getattr(stock, side)
            on = np.isfinite(limit) & (limit > 0)
            for at in split(limit, on):
                if at.size:
                    kind = Kind.UPPER if side == "upper" else Kind.LOWER
                    place = _Place(stock.key, False, at, at, limit[at], side == "upper")
                    most = "greatest" if side == "upper" else "least"
                    add(
                        f"{stock.key}.{side}",
                        "",
                        f"{most} {stock.meaning or stock.key}",
                        kind,
                        stock.unit,
                        float(np.max(limit[at])),
                        place,
                    )
    variables = {v.key: v for v in records.variables}
    for rows in records.rows:
        if not rows.breakable or not rows.size:
            continue
        duty = _duty_sides(rows, variables)
        for family_side in _sides_of(rows):
            kind, on = family_side
            if (
                not on.any()
                or (kind is Kind.LOWER and "lower" in duty)
                or (kind is Kind.UPPER and "upper" in duty)
            ):
                continue
            reference = rows.upper if kind is not Kind.LOWER else rows.lower
            for at in split(reference, on):
                if not at.size:
                    continue
                size = float(np.max(np.abs(reference[at])))
                size = size if size > 0 else _size_of(rows, variables)
                at_t = None if rows.intervals is None else rows.intervals[at]
                label = {Kind.UPPER: "upper", Kind.LOWER: "lower", Kind.BOTH: "both"}[kind]
                for upper in (True, False):
                    if kind is Kind.BOTH or (kind is Kind.UPPER) == upper:
                        limit = (rows.upper if upper else rows.lower)[at]
                        place = _Place(rows.key, True, at, at_t, limit, upper)
                        if kind is Kind.BOTH:
                            number = found.get((rows.key, kind.value, "", f"{size:.9g}"))
                            if number is None:
                                number = _Number(
                                    f"{rows.key}.{label}", rows.meaning or rows.key, kind, rows.unit, size
                                )
                                found[rows.key, kind.value, "", f"{size:.9g}"] = number
                            number.places.append(place)
                        else:
                            add(
                                f"{rows.key}.{label}",
                                "",
                                rows.meaning or rows.key,
                                kind,
                                rows.unit,
                                size,
                                place,
                            )
    return list(found.values())


def _sides_of(rows: Rows) -> list[tuple[Kind, Array]]:
    finite_low, finite_high = np.isfinite(rows.lower), np.isfinite(rows.upper)
    both = finite_low & finite_high & ((rows.lower == -rows.upper) | (rows.lower == rows.upper))
    return [(Kind.BOTH, both), (Kind.UPPER, finite_high & ~both), (Kind.LOWER, finite_low & ~both)]


def _duty_sides(rows: Rows, variables: dict[str, Variable]) -> set[str]:
    """Return the sides of a family that are a duty: a miss stands there to be less than what is due."""
    signs: set[float] = set()
    for entry in rows.entries:
        v = variables.get(entry.variable)
        if v is not None and v.miss_class is not None and v.miss_class != RECOVERY:
            signs |= set(np.sign(entry.coefficients).tolist())
    return {"lower"} if signs == {1.0} else {"upper"} if signs == {-1.0} else set()


def _size_of(rows: Rows, variables: dict[str, Variable]) -> float:
    """Return a size for a limit of 0: the greatest value of what it limits."""
    sizes = [
        float(np.max(v.upper[np.isfinite(v.upper)], initial=0.0))
        for entry in rows.entries
        if (v := variables.get(entry.variable)) is not None
    ]
    return max(sizes, default=0.0) or 1.0


def _add_load(
    add: Callable[[str, str, str, Kind, str, float, _Place], None],
    formulation: Formulation,
    circuit: Circuit,
    load: Variable,
) -> None:
    """Add the limits of a circuit's load, each by its cause, and the loads that are given."""
    state = circuit.state(formulation.horizon, formulation.situation)
    lock = formulation.situation.locks.get(circuit.name)
    given = np.zeros(load.size, dtype=bool) if lock is None else lock.where_given(formulation.horizon)[0]
    given = given & (load.lower > 0) & (load.upper <= load.lower)
    names = list(state.ceilings_ka)
    cause = np.argmin(
        np.stack([np.broadcast_to(c, (load.size,)) for c in state.ceilings_ka.values()]), axis=0
    )
    running = state.in_service & ~given & (load.upper > 0)
    for i, name in enumerate(names):
        for value in np.unique(np.round(load.upper[running & (cause == i)], 9)):
            at = np.flatnonzero(running & (cause == i) & np.isclose(load.upper, value, rtol=SAME, atol=1e-9))
            place = _Place(load.key, False, at, at, load.upper[at], True)
            key = f"{load.key}.upper.{name.replace(' ', '_').lower()}"
            words = f"greatest load of {circuit.name} ({name})"
            add(key, name, words, Kind.UPPER, "kA", float(value), place)
    low = running & (load.lower > 0)
    for value in np.unique(np.round(load.lower[low], 9)):
        at = np.flatnonzero(low & np.isclose(load.lower, value, rtol=SAME, atol=1e-9))
        place = _Place(load.key, False, at, at, load.lower[at], False)
        add(f"{load.key}.lower", "", f"least load of {circuit.name}", Kind.LOWER, "kA", float(value), place)
    for upper in (True, False):
        at = np.flatnonzero(given)
        if at.size:
            place = _Place(load.key, False, at, at, (load.upper if upper else load.lower)[at], upper)
            kind = Kind.UPPER if upper else Kind.LOWER
            side = "upper" if upper else "lower"
            size = float(load.upper[at].max())
            add(f"{load.key}.given.{side}", "given", f"given load of {circuit.name}", kind, "kA", size, place)


def _rounded_up(amount: float) -> float:
    """Return an amount rounded up to a few digits, so that making the change is enough."""
    if amount <= 0:
        return 0.0
    scale = 10.0 ** (DIGITS - 1 - math.floor(math.log10(amount)))
    return math.ceil(amount * scale - 1e-4) / scale
