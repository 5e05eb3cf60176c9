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
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from models.circuit import Circuit
from models.horizon import Horizon
from models.pieces import ChangeLimit, Declaration, Moves
from models.site import Site
from models.situation import Availability, Situation
from scheduler.conflicts import Change, Collision, Conflict, Diagnosis, DutyMissed, Kind
from scheduler.cuts import SearchOptions
from scheduler.elastic import Clock, Elastic, OutOfTimeError, rounded_up
from scheduler.errors import BrinewattError
from scheduler.lp import Formulation, formulate
from scheduler.movable import Moved, Number, total
from scheduler.plan import Planner, PlanOptions
from scheduler.result import Plan, Status

SECONDS = 90.0
"""Time for a diagnosis unless another is asked for. [s]"""
MOST_ALTERNATIVES = 6
"""Changes beside the smallest that are looked at for a conflict."""
MOST_MORE = 3
"""By how much a count of changes is raised at most."""
VALUE_ENDS = ("_ka", "_t", "_mw", "_per_h", "_per_d", "_mvar")
"""Ends of names of facts that are limits; other facts say what is switched on."""

_Ends = dict[Availability, "int | None"]
"""Facts with the minute at which they end instead; None: they never hold. [min]"""


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
    clock = Clock(seconds)
    try:
        note = _Search(plan, clock).conflicts(found)
    except OutOfTimeError:
        return Diagnosis(
            tuple(found), False, f"the time for the diagnosis, {seconds:g} s, ran out: it may be incomplete"
        )
    except BrinewattError as error:
        return Diagnosis(tuple(found), False, f"the diagnosis is incomplete: {error}")
    return Diagnosis(tuple(found), True, note)


class _Search:
    """The diagnosis of one plan."""

    def __init__(self, plan: Plan, clock: Clock) -> None:
        self.plan = plan
        self.clock = clock

    def conflicts(self, found: list[Conflict]) -> str:
        """Add the conflicts to a list as they are found; return what could not be found, in words."""
        plan = self.plan
        program = Elastic(_records(plan.site, plan.horizon, plan.situation), self.clock)
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

    def _conflict(self, program: Elastic, number: Number, moved: Moved, ended: _Ends) -> Conflict:
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

    def _program(self, facts: _Ends) -> Elastic | None:
        try:
            return Elastic(_records(self.plan.site, self.plan.horizon, self._with(facts)), self.clock)
        except ValueError:
            return None

    def _hard(self, facts: _Ends, others: Moved) -> bool:
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

    def _outages_that_help(self, others: Moved, ended: _Ends) -> Iterator[Change]:
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
        return math.inf if moved is None else total(moved)

    def _with_outages(self, program: Elastic, moved: Moved) -> tuple[_Ends, Elastic | None, Moved | None]:
        """End outages earlier where that is less than the moves of limits it saves, as shares."""
        ended: _Ends = {}
        for fact in self._facts():
            now = total(moved)
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

    def _without_outages(self) -> tuple[_Ends, Elastic | None, Moved | None]:
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

    def _outage_conflict(self, fact: Availability, ended: _Ends, moved: Moved) -> Conflict:
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
            yield Conflict((), (limit,), Change(limit, rounded_up(violation.amount)))

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
