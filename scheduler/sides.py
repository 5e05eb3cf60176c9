"""Both sides of a cliff: a plan on every side of a contract, and the cheapest one kept.

Owns the choice between sides and the bound over all of them. A side that is paid for answering calls is taken
only if simulated calls at every hour of the plan day can be answered. The planning itself stands in `plan`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from models.contract.cliff import Sided
from models.contract.component import Call, Contract
from models.horizon import Horizon
from models.misses import NAMES
from models.situation import Situation
from scheduler.calls import check_calls
from scheduler.errors import NoRunnableDay
from scheduler.result import CallCheck, Certificate, Plan, Status, Tried

if TYPE_CHECKING:
    from scheduler.plan import Planner

_ORDER = {Status.PLAN: 0, Status.SOLVER_LIMIT: 0, Status.MISSES: 1, Status.NOT_A_PLAN: 2}
"""Rank of a status; a plan with an open gap is a plan, and may be the cheaper one."""


@dataclass(frozen=True, eq=False)
class _Side:
    """A plan on one side, or why there is none; what its side charged beyond what its load truly costs."""

    situation: Situation
    plan: Plan | None
    tried: Tried
    overcharged: float = 0.0


def with_cases(situation: Situation, cases: Mapping[str, str]) -> Situation:
    """Return a situation in which sides of cliffs are chosen.

    Parameters
    ----------
    situation : Situation
        What is known. [-]
    cases : mapping
        Case by component. [-]

    Returns
    -------
    Situation
        The same with these cases in the state of the bill. [-]
    """
    state = situation.state
    return replace(situation, state=replace(state, cases={**state.cases, **cases}))


def paid_calls(contract: Contract, horizon: Horizon, situation: Situation) -> tuple[Call, ...]:
    """Return the calls that a contract pays for on the sides that are chosen.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        Holds the chosen cases. [-]

    Returns
    -------
    tuple of Call
        The calls. [-]
    """
    return tuple(
        call
        for part in contract.components
        for call in part.calls(horizon, situation)
        if situation.state.cases.get(part.name) == call.case
    )


def unpaid(contract: Contract, horizon: Horizon, situation: Situation) -> dict[str, str]:
    """Return the other case of each component that is paid for calls on the sides that are chosen.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        Holds the chosen cases. [-]

    Returns
    -------
    dict
        Case by component; empty where no call is paid. [-]
    """
    calls = paid_calls(contract, horizon, situation)
    return {call.component: _other(contract, horizon, situation, call) for call in calls}


def cheapest_side(
    contract: Contract,
    horizon: Horizon,
    situation: Situation,
    plan_on: Callable[[Situation], Plan],
    caller: Callable[[Situation], Planner],
) -> Plan:
    """Plan on every side of a contract's cliffs and keep the cheapest plan.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What is known; a case that it names is kept to. [-]
    plan_on : callable
        Plans with all cases chosen. [-]
    caller : callable
        Returns a fresh program without charges, for simulated calls. [-]

    Returns
    -------
    Plan
        The cheapest plan among those of the best status; its bound is the least of the bounds of all sides
        that are possible. [-]
    """
    choices = contract.choices(horizon, situation)
    forced = paid_calls(contract, horizon, situation)
    if choices == ({},) and not forced:
        return plan_on(situation)
    sides = [_side(contract, horizon, with_cases(situation, c), plan_on, caller) for c in choices]
    if forced and all(side.tried.refused for side in sides):
        # A side that was asked for and is not possible: what it pays is not credited.
        other = with_cases(situation, unpaid(contract, horizon, situation))
        sides += [
            _side(contract, horizon, with_cases(other, choice), plan_on, caller)
            for choice in contract.choices(horizon, other)
        ]
    possible = [side for side in sides if side.plan is not None and not side.tried.refused]
    planned = possible or [side for side in sides if side.plan is not None]
    if not planned:
        raise NoRunnableDay("; ".join(side.tried.refused for side in sides))
    best = min(planned, key=_rank)
    if best.plan is None:
        raise RuntimeError("a side without a plan was ranked")  # a bug of this package
    return replace(
        best.plan,
        certificate=_certificate(best.plan, possible),
        tried=tuple(side.tried for side in sides),
    )


def _other(contract: Contract, horizon: Horizon, situation: Situation, call: Call) -> str:
    part = next(part for part in contract.components if part.name == call.component)
    return next(case for case in part.cases(horizon, situation) if case != call.case)


def _side(
    contract: Contract,
    horizon: Horizon,
    situation: Situation,
    plan_on: Callable[[Situation], Plan],
    caller: Callable[[Situation], Planner],
) -> _Side:
    cases = dict(situation.state.cases)
    try:
        plan = plan_on(situation)
    except NoRunnableDay as error:
        return _Side(situation, None, Tried(cases, None, None, str(error)))
    charged = plan.audit.cost
    plan = _truly_priced(contract, plan)
    cost, bound = plan.audit.cost, plan.certificate.lower_bound
    overcharged = max(charged - cost, 0.0)
    if plan.status is Status.NOT_A_PLAN:
        broken = plan.audit.violations[0].meaning if plan.audit.violations else "a limit"
        return _Side(situation, plan, Tried(cases, cost, bound, f"cannot be kept: {broken}"))
    checks = tuple(
        check_calls(plan, call, caller(situation)) for call in paid_calls(contract, horizon, situation)
    )
    refused = "; ".join(_refusal(plan, check) for check in checks if not check.kept)
    return _Side(situation, plan, Tried(cases, cost, bound, refused, checks), overcharged)


def _truly_priced(contract: Contract, plan: Plan) -> Plan:
    """Return a plan that is charged by the side on which its load stands, if that is not the chosen one."""
    power = plan.audit.values.get(plan.site.meter)
    if power is None:
        return plan
    costs = dict(plan.audit.costs)
    off = 0.0
    for _, term in contract.terms(plan.horizon, plan.situation):
        if isinstance(term, Sided):
            error = term.error(plan.horizon, power)
            costs[term.group] = costs.get(term.group, 0.0) + error
            off += error
    if off == 0.0:
        return plan
    certificate = plan.certificate
    stepped, bound = certificate.stepped_cost, certificate.stepped_bound
    return replace(
        plan,
        audit=replace(plan.audit, costs=costs),
        certificate=replace(
            certificate,
            cost=certificate.cost + off,
            lower_bound=min(certificate.lower_bound, certificate.cost + off),
            stepped_cost=None if stepped is None else stepped + off,
            stepped_bound=None if stepped is None or bound is None else min(bound, stepped + off),
        ),
    )


def _refusal(plan: Plan, check: CallCheck) -> str:
    worst = check.worst
    if worst is None:
        return ""
    start = plan.horizon.local_starts[worst.interval].isoformat(timespec="minutes")
    failed = sum(not CallCheck(check.component, (answer,)).kept for answer in check.answers)
    return (
        f"not credited: of {len(check.answers)} simulated calls of '{check.component}' {failed} cannot be "
        f"answered with all duties and limits kept; at {start} only {worst.possible_mw:.1f} of "
        f"{worst.asked_mw:.1f} MW"
    )


def _rank(side: _Side) -> tuple[int, tuple[float, ...], float]:
    plan = side.plan
    if plan is None:
        return len(_ORDER), (), 0.0
    # Misses of equal size differ in their last digits; what is rounded away here is no duty.
    missed = tuple(
        round(sum(miss.quantity * miss.price for miss in plan.misses if miss.miss_class == number), 2)
        for number in sorted(NAMES)
    )
    # A load that truly costs less than its side charged is planned as well on the side it belongs to.
    return _ORDER[plan.status], missed, plan.audit.cost + side.overcharged


def _certificate(plan: Plan, possible: list[_Side]) -> Certificate:
    """Return the plan's certificate with the least bound of all possible sides."""
    certificate = plan.certificate
    rank = _ORDER[plan.status]
    same = [side.plan for side in possible if side.plan is not None and _ORDER[side.plan.status] == rank]
    bounds = [other.certificate.lower_bound for other in same]
    stepped = [
        other.certificate.stepped_bound for other in same if other.certificate.stepped_bound is not None
    ]
    return replace(
        certificate,
        lower_bound=min([certificate.lower_bound, *bounds]),
        stepped_bound=None
        if certificate.stepped_bound is None
        else min([certificate.stepped_bound, *stepped]),
    )
