"""Contracted capacity over a year: what is best for a given load, and what is best once the load follows.

Owns the search for one capacity that holds in all billing periods of a year. Windows of a month cannot
choose it: each would choose its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from models.contract.capacity import CapacityCharge
from models.contract.component import Contract
from models.horizon import Array, Horizon
from models.site import Site
from models.situation import Situation
from scheduler.errors import SolverError
from scheduler.result import Status
from scheduler.studies.annual import AnnualRun, best_year
from scheduler.studies.lowest import lowest
from scheduler.studies.year import YearOptions

CAPACITY_STEPS = 121
"""Capacities that are tried with a given load, between half and 1.1 times its highest mean."""
CAPACITY_STEP = 0.02
"""First step of the capacity, as a share of it; each next one is twice as long. [-]"""
WORTH_A_YEAR = 2e-4
"""Saving, as a share of the cost, that is worth planning one more year. [-]"""


@dataclass(frozen=True, eq=False)
class ContractedRun:
    """The year at the contracted capacity that costs least.

    Parameters
    ----------
    capacity_mw : float
        The capacity; the greatest one where a contract has several. [MW or MVA]
    found : AnnualRun
        The year planned for it, under the contract with that capacity. [-]
    solver_seconds : float
        Time inside the solver over all years tried. [s]
    """

    capacity_mw: float
    found: AnnualRun
    solver_seconds: float


def capacity_of(contract: Contract) -> float | None:
    """Return the contracted capacity that a contract states.

    Parameters
    ----------
    contract : Contract
        The contract. [-]

    Returns
    -------
    float or None
        The greatest stated capacity; None if there is none, or the plan is to choose it. [MW or MVA]
    """
    return max((part.contracted_mw for part in _held(contract) if part.contracted_mw), default=None)


def chooses_capacity(contract: Contract) -> bool:
    """Tell whether a contract leaves its capacity to the plan.

    Parameters
    ----------
    contract : Contract
        The contract. [-]

    Returns
    -------
    bool
        True if a component has a range in place of a capacity. [-]
    """
    return any(part.contracted_range_mw is not None for part in _held(contract))


def with_capacity(contract: Contract, capacity_mw: float) -> Contract:
    """Return a contract with another contracted capacity.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    capacity_mw : float
        Capacity in place of the greatest stated one; others change in proportion. A component with a range
        gets it within its range. [MW or MVA]

    Returns
    -------
    Contract
        The same with that capacity. [-]
    """
    stated = capacity_of(contract)

    def changed(part: CapacityCharge) -> CapacityCharge:
        if part.contracted_range_mw is not None:
            inside = float(np.clip(capacity_mw, *part.contracted_range_mw))
            return replace(part, contracted_mw=inside, contracted_range_mw=None)
        if stated is None or not part.contracted_mw:
            return part
        return replace(part, contracted_mw=part.contracted_mw * capacity_mw / stated)

    return replace(
        contract,
        components=tuple(
            changed(part) if isinstance(part, CapacityCharge) else part for part in contract.components
        ),
    )


def best_for_load(contract: Contract, power_mw: Array, bill_of: Callable[[Contract], float]) -> float:
    """Return the contracted capacity at which a given load costs least.

    Parameters
    ----------
    contract : Contract
        A contract with a capacity, stated or to be chosen. [-]
    power_mw : ndarray
        The load. Shape (n,). [MW]
    bill_of : callable
        What the load costs under a contract. [currency]

    Returns
    -------
    float
        The best of `CAPACITY_STEPS` capacities around the highest mean. [MW or MVA]
    """
    tried = [float(share) for share in np.linspace(0.5, 1.1, CAPACITY_STEPS) * float(power_mw.max())]
    return min(tried, key=lambda capacity: bill_of(with_capacity(contract, capacity)))


def best_contracted(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    first_mw: float,
    options: YearOptions | None = None,
) -> ContractedRun:
    """Plan a year at the contracted capacity that costs least once the load is planned for it.

    The cost at the optimum is convex in the capacity, so it is moved while that pays.

    Parameters
    ----------
    site : Site
        The works, with a contract that has a capacity. [-]
    horizon : Horizon
        The year. [-]
    situation : Situation
        What is known at its start. [-]
    first_mw : float
        Capacity to begin with, above 0, for example the best one for a load at hand. [MW or MVA]
    options : YearOptions, optional
        How the year is cut and solved. [-]

    Returns
    -------
    ContractedRun
        The capacity and its year. [-]

    Raises
    ------
    SolverError
        If the first capacity has no usable answer.
    """
    runs: dict[float, AnnualRun] = {}
    spent: list[float] = []

    def cost_at(capacity_mw: float) -> float:
        here = replace(site, contract=with_capacity(site.contract, capacity_mw))
        try:
            found = best_year(here, horizon, situation, options)
        except SolverError:
            if not runs:
                raise
            return np.inf
        spent.append(found.solver_seconds)
        if runs and (found.run.audit.violations or found.run.status is Status.NOT_A_PLAN):
            return np.inf
        runs[capacity_mw] = found
        return found.run.total

    lowest(cost_at, first_mw, CAPACITY_STEP, WORTH_A_YEAR)
    best = min(runs, key=lambda capacity: runs[capacity].run.total)
    return ContractedRun(best, runs[best], sum(spent))


def _held(contract: Contract) -> list[CapacityCharge]:
    return [
        part
        for part in contract.components
        if isinstance(part, CapacityCharge) and (part.contracted_mw or part.contracted_range_mw is not None)
    ]
