"""Supply contracts side by side: ranked, and every plan billed under every contract.

Owns the comparison. Cases and their plans stand in `contract_year`, processes in `case_runs`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from models.horizon import Array
from scheduler.errors import StudyError
from scheduler.sides import unpaid, with_cases
from scheduler.studies.contract_year import (
    FLAT,
    CaseResult,
    StudyCase,
    amount_of,
    bill_figures,
    billed,
)


@dataclass(frozen=True, eq=False)
class Ranked:
    """One contract for one site and one year of prices, with its place.

    Parameters
    ----------
    case : StudyCase
        The case. [-]
    result : CaseResult
        The plan by which it is ranked. [-]
    plan_of : str
        Contract for which that plan was made: its own, unless another's plan is cheaper under it, or
        constant loads are (`FLAT`). [-]
    rank : int
        1 for the cheapest. [-]
    flat_total : float or None
        What constant loads cost under it; None where they are not possible. [currency]
    replanned : mapping
        What the year costs more at moved prices once it is planned for them, by name of the move; empty if
        the study did not ask. [currency]
    """

    case: StudyCase
    result: CaseResult
    plan_of: str
    rank: int
    flat_total: float | None
    replanned: Mapping[str, float] = field(default_factory=dict)

    @property
    def flexibility_value(self) -> float | None:
        """What flexing saves against constant loads. [currency]."""
        return None if self.flat_total is None else self.flat_total - self.result.figures.total


@dataclass(frozen=True, eq=False)
class Cross:
    """Every plan billed under every contract, for one site and one year of prices.

    Parameters
    ----------
    site_name, prices_name : str
        Which. [-]
    contracts : tuple of str
        The contracts, in order of rows and columns. [-]
    totals : ndarray
        Cost of the plan of each row under the contract of each column. Shape (k, k). [currency]
    denominators : ndarray
        Gap's denominator of each contract's own plan. Shape (k,). [currency]
    """

    site_name: str
    prices_name: str
    contracts: tuple[str, ...]
    totals: Array
    denominators: Array

    def beaten(self) -> Array:
        """Return by how much, as a share of its denominator, another plan beats each contract's own. [-]."""
        best: Array = self.totals.min(axis=0)
        share: Array = (np.diag(self.totals) - best) / self.denominators
        return share


@dataclass(frozen=True, eq=False)
class Study:
    """The comparison.

    Parameters
    ----------
    ranked : tuple of Ranked
        Contracts in order of cost, for each site and year of prices. [-]
    crosses : tuple of Cross
        Matrices. [-]
    failed : mapping
        Why a case has no result, by its name. [-]
    """

    ranked: tuple[Ranked, ...]
    crosses: tuple[Cross, ...]
    failed: Mapping[str, str]


def compare(
    cases: Sequence[StudyCase], results: Sequence[CaseResult | None], failed: Mapping[str, str]
) -> Study:
    """Rank contracts and bill every plan under every contract.

    Parameters
    ----------
    cases : sequence of StudyCase
        The cases, those at constant loads included. [-]
    results : sequence
        Result of each, None where it failed. [-]
    failed : mapping
        Why. [-]

    Returns
    -------
    Study
        The comparison. [-]

    Raises
    ------
    StudyError
        If no case has a result.
    """
    groups: dict[tuple[str, str], list[tuple[StudyCase, CaseResult]]] = {}
    flats: dict[tuple[str, str], CaseResult] = {}
    replanned: dict[tuple[str, str, str], dict[str, CaseResult]] = {}
    for case, result in zip(cases, results, strict=True):
        if result is None:
            continue
        group = (case.site_name, case.prices_name)
        if case.moved:
            replanned.setdefault((*group, case.contract_name), {})[case.moved] = result
        elif case.contract_name == FLAT:
            flats[group] = result
        else:
            groups.setdefault(group, []).append((case, result))
    if not groups:
        why = "; ".join(f"{name}: {text}" for name, text in failed.items())
        raise StudyError(f"no case of the study could be planned: {why}")
    ranked: list[Ranked] = []
    crosses = []
    for group, members in sorted(groups.items()):
        members.sort(key=lambda item: item[0].contract_name)
        cross = _cross(group, members)
        crosses.append(cross)
        for item in _ranked(members, cross, flats.get(group)):
            found = replanned.get((*group, item.case.contract_name), {})
            ranked.append(replace(item, replanned=_replanned(item, found)))
    return Study(tuple(ranked), tuple(crosses), dict(failed))


def _replanned(item: Ranked, found: Mapping[str, CaseResult]) -> dict[str, float]:
    """Return what a year costs more at moved prices, planned anew or with its load as it is."""
    figures = item.result.figures
    billed_ = {"level": figures.level_up, "spread": figures.spread_up}
    return {name: min(result.figures.total - figures.total, billed_[name]) for name, result in found.items()}


def _priced(case: StudyCase, own: CaseResult, load_: CaseResult) -> float:
    chosen = own.figures.sides if load_ is own else _sides_of_others(case, own)
    lines = billed(case.site.contract, case.horizon, case.situation, load_, chosen)
    return amount_of(lines) + load_.figures.unit_cost


def _sides_of_others(case: StudyCase, own: CaseResult) -> dict[str, str]:
    """Return the sides on which other plans are billed: calls are simulated in a contract's own plan only."""
    situation = with_cases(case.situation, own.figures.sides)
    return {**own.figures.sides, **unpaid(case.site.contract, case.horizon, situation)}


def _cross(group: tuple[str, str], members: Sequence[tuple[StudyCase, CaseResult]]) -> Cross:
    totals = np.array(
        [[_priced(case, own, other) for case, own in members] for _, other in members], dtype=np.float64
    )
    return Cross(
        *group,
        tuple(case.contract_name for case, _ in members),
        totals,
        np.array([own.figures.denominator for _, own in members]),
    )


def _ranked(
    members: Sequence[tuple[StudyCase, CaseResult]], cross: Cross, flat: CaseResult | None
) -> list[Ranked]:
    found = []
    for column, (case, own) in enumerate(members):
        best = int(np.argmin(cross.totals[:, column]))
        result, plan_of = own, case.contract_name
        if cross.totals[best, column] < cross.totals[column, column]:
            # Another plan keeps the same duties at less cost here: nothing forbids to run it.
            result, plan_of = _rebilled(case, own, members[best][1]), members[best][0].contract_name
        flat_total = None if flat is None else _priced(case, own, flat)
        if flat is not None and flat_total is not None and flat_total < result.figures.total:
            result, plan_of = _rebilled(case, own, flat), FLAT
        found.append(Ranked(case, result, plan_of, 0, flat_total))
    found.sort(key=lambda item: item.result.figures.total)
    return [replace(item, rank=position) for position, item in enumerate(found, 1)]


def _rebilled(case: StudyCase, own: CaseResult, other: CaseResult) -> CaseResult:
    """Return another contract's plan with the figures it has under this one."""
    chosen = _sides_of_others(case, own)
    situation = with_cases(case.situation, chosen)
    figures = replace(
        other.figures,
        sides=chosen,
        calls=own.figures.calls if chosen == own.figures.sides else "",
        denominator=own.figures.denominator,
        best_contracted_mw=own.figures.best_contracted_mw,
        **bill_figures(case.site.contract, case.horizon, situation, other.import_mw, other.made_per_h),
    )
    if own.figures.best_contracted_saving is not None:
        # The year at the best capacity stays what it costs; this plan is the cheaper one without it.
        left = own.figures.best_contracted_saving - (own.figures.total - figures.total)
        figures = replace(figures, best_contracted_saving=max(left, 0.0))
    return CaseResult(figures, other.import_mw, other.made_per_h)
