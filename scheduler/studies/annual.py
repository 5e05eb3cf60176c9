"""What a whole year decides: its peak, and the side of each cliff on which it ends.

Owns the search outside the windows. A program of the year in long intervals gives the first peak and the
energy to expect; chains of windows with that peak allowed in every window are then run on each side that
may be cheapest, and the peak is moved while that pays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from models.contract.component import Contract, Profile
from models.contract.minimum import MinimumBill
from models.horizon import Array, Horizon
from models.site import Site
from models.situation import Availability, Situation
from scheduler.cuts import SearchOptions
from scheduler.errors import SolverError
from scheduler.result import Status
from scheduler.sides import paid_calls, with_cases
from scheduler.studies.lowest import lowest
from scheduler.studies.year import Chain, YearOptions, YearRun, in_long_intervals

LONG_MINUTES = 360
"""Length of an interval of the program that gives the first peak. [min]"""
LONG_TANGENTS = 5
"""Tangents per curve in that program: its peak is moved afterwards. [-]"""
LONG_GAP = 1e-3
"""Gap of that program. [-]"""
SIDE_MARGIN = 0.01
"""How much dearer, as a share, a side may look in long intervals and still be planned by the hour, and how
much dearer its first year by the hour may be than another side's and still have its peak moved."""
PEAK_STEP = 0.012
"""First step by which the year's peak is moved, as a share of it; each next one is twice as long. [-]"""
CLIFF_MARGIN = 0.003
"""How much, as a share, the first peak stays below that of the long intervals, clear of a cliff's edge."""
LOWER_PEAKS = 3
"""How often a lower peak is tried where the first one does not keep a year on its side."""
WORTH_MOVING = 2e-4
"""Saving, as a share of the cost, below which the peak is moved no further. [-]"""


@dataclass(frozen=True, eq=False)
class AnnualRun:
    """The cheapest year found, and what was tried for it.

    Parameters
    ----------
    run : YearRun
        The year. [-]
    cases : mapping
        Side of each cliff on which it was planned. [-]
    peak_mw : float or None
        Peak of the year that was allowed everywhere; None if no charge asks for one. [MW]
    tried : tuple of (str, float or None, float)
        Side, allowed peak and cost of every year run by the hour. [-], [MW], [currency]
    solver_seconds : float
        Time inside the solver over all runs. [s]
    """

    run: YearRun
    cases: Mapping[str, str]
    peak_mw: float | None
    tried: tuple[tuple[str, float | None, float], ...]
    solver_seconds: float


def sides(
    contract: Contract, horizon: Horizon, situation: Situation, paid: bool = False
) -> tuple[dict[str, str], ...]:
    """Return the choices of sides for a year: each component on one side in all its periods.

    Sides on which calls are paid are told apart: such income counts only if a call at any hour can be
    answered, which is simulated once the year is planned (`scheduler.studies.called`).

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    horizon : Horizon
        The year. [-]
    situation : Situation
        Prices and state of the bill. [-]
    paid : bool
        Whether to return the sides on which a call is paid, in place of those without. [-]

    Returns
    -------
    tuple of dict
        Side by component; one empty choice where there is nothing to choose. [-]
    """
    found = []
    for choice in contract.choices(horizon, situation):
        parts = {name: set(case.split("+")) for name, case in choice.items()}
        if bool(paid_calls(contract, horizon, with_cases(situation, choice))) != paid:
            continue
        if all(len(names) == 1 for names in parts.values()):
            found.append({name: names.pop() for name, names in parts.items()})
    return tuple({tuple(sorted(choice.items())): choice for choice in found}.values())


def annual_peaks(contract: Contract, horizon: Horizon) -> tuple[tuple[str, str], ...]:
    """Return the peaks that a whole year decides.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    horizon : Horizon
        The year. [-]

    Returns
    -------
    tuple of (str, str)
        Component and year. [-]
    """
    nothing = Profile(horizon, np.zeros(len(horizon)))
    return tuple(
        (part.name, found.period)
        for part in contract.components
        for found in part.carried(nothing)
        if found.peak is not None and "-" not in found.period
    )


def annual_components(contract: Contract, horizon: Horizon) -> frozenset[str]:
    """Return the components that charge the peak or the total of a whole year.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    horizon : Horizon
        The year. [-]

    Returns
    -------
    frozenset of str
        Their names. [-]
    """
    nothing = Profile(horizon, np.zeros(len(horizon)))
    return frozenset(
        part.name
        for part in contract.components
        if any("-" not in found.period for found in part.carried(nothing))
        or (part.cycle is not None and part.cycle[0] == "year")
    )


def has_total(contract: Contract, horizon: Horizon) -> bool:
    """Tell whether something is charged on the energy or the charges of a whole month or year.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    horizon : Horizon
        The year. [-]

    Returns
    -------
    bool
        True if windows must know what comes after them. [-]
    """
    nothing = Profile(horizon, np.zeros(len(horizon)))
    return any(
        isinstance(part, MinimumBill) or any(found.energy_mwh is not None for found in part.carried(nothing))
        for part in contract.components
    )


def best_year(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    options: YearOptions | None = None,
    paid: bool = False,
) -> AnnualRun:
    """Plan a year at the lowest cost, the year's peak and every cliff included.

    Parameters
    ----------
    site : Site
        The works, orders included. [-]
    horizon : Horizon
        The year. [-]
    situation : Situation
        What is known at its start. [-]
    options : YearOptions, optional
        How it is cut and solved. [-]
    paid : bool
        Whether to plan for the income of calls, in place of the sides without. [-]

    Returns
    -------
    AnnualRun
        The year. [-]

    Raises
    ------
    SolverError
        If no side has a usable answer.
    """
    options = options or YearOptions()
    choices = sides(site.contract, horizon, situation, paid)
    if not choices:
        raise SolverError("the contract has no such side")
    peaks = annual_peaks(site.contract, horizon)
    if len(choices) == 1 and not peaks and not has_total(site.contract, horizon):
        situation = with_cases(situation, choices[0])
        run = Chain(site, horizon, situation, options).run(situation)
        return AnnualRun(run, choices[0], None, (("", None, run.total),), run.solver_seconds)
    search = _Search(site, horizon, situation, options, peaks)
    return search.best(choices)


class _Search:
    """The search for one year; holds what its steps share."""

    def __init__(
        self,
        site: Site,
        horizon: Horizon,
        situation: Situation,
        options: YearOptions,
        peaks: tuple[tuple[str, str], ...],
    ) -> None:
        self.site = site
        self.horizon = horizon
        self.situation = situation
        self.options = options
        self.peaks = peaks
        self.solver_seconds = 0.0
        self.tried: list[tuple[str, float | None, float]] = []

    def best(self, choices: tuple[dict[str, str], ...]) -> AnnualRun:
        rough = [(choice, found) for choice in choices if (found := self._rough(choice)) is not None]
        if not rough:
            raise SolverError("no side of the contract's cliffs can be planned for this year")
        met = [item for item in rough if item[1].status in (Status.PLAN, Status.SOLVER_LIMIT)] or rough
        least = min(run.total for _, run in met)
        near = [item for item in met if item[1].total <= least + SIDE_MARGIN * abs(least)]
        best: tuple[YearRun, dict[str, str], float | None] | None = None
        # Those that stand on another side than their own come last: mostly it has been planned by then.
        for choice, run in sorted(near, key=lambda item: (item[1].jump != 0.0, item[1].total)):
            moved = self._moved(choice, run, np.inf if best is None else best[0].total)
            if moved is not None and (best is None or moved[0].total < best[0].total):
                best = (moved[0], choice, moved[1])
        if best is None:
            raise SolverError("no side of the contract's cliffs can be planned for this year by the hour")
        return AnnualRun(*best, tuple(self.tried), self.solver_seconds)

    def _rough(self, choice: Mapping[str, str]) -> YearRun | None:
        """Return the year in long intervals as one program; None where the side cannot be planned."""
        now = with_cases(self.situation, choice)
        search = SearchOptions(gap=LONG_GAP, branch=False, seconds=self.options.search.seconds)
        whole = YearOptions(kept_days=len(self.horizon), search=search, tangents=LONG_TANGENTS)
        horizon = in_long_intervals(self.horizon, LONG_MINUTES)
        try:
            run = Chain(self.site, horizon, now, whole).run(now)
        except SolverError:
            return None
        self.solver_seconds += run.solver_seconds
        return None if run.status is Status.NOT_A_PLAN else run

    def _moved(
        self, choice: dict[str, str], rough: YearRun, least: float
    ) -> tuple[YearRun, float | None] | None:
        """Run a side by the hour and move the year's peak while that pays.

        Where the first year is far dearer than the least cost of another side its peak is not moved: each
        move is a whole year, and a dozen of them would close a per cent at most. Nor is it where the year
        ended on another side than its own: that side is planned by itself.
        """
        now = with_cases(self.situation, choice)
        first = float(rough.import_mw.max()) if self.peaks else None
        chain = Chain(self.site, self.horizon, now, self.options)
        if first is None:
            best = self._at(chain, now, choice, None, self._expected(rough))
            return None if best is None else (best, None)
        if choice:
            first *= 1.0 - CLIFF_MARGIN
        runs: dict[float, YearRun | None] = {}

        def best_peak() -> float | None:
            found = {peak: run.total for peak, run in runs.items() if run is not None}
            return min(found, key=lambda peak: found[peak]) if found else None

        def cost_at(peak: float) -> float:
            if peak not in runs:
                nearest = best_peak()
                before = None if nearest is None else runs[nearest]
                expected = self._expected(rough) if before is None else before.import_mw
                runs[peak] = self._at(chain, now, choice, peak, expected)
            run = runs[peak]
            return np.inf if run is None else run.total

        for _ in range(1 + (LOWER_PEAKS if choice else 0)):
            # Less energy was drawn than the long intervals said: a lower peak keeps the year on its side.
            if np.isfinite(cost_at(first)):
                break
            first *= 1.0 - PEAK_STEP
        run = runs.get(first)
        if run is None:
            return None
        elsewhere = bool(choice) and run.jump != 0.0 and np.isfinite(least)
        if not elsewhere and run.total <= least + SIDE_MARGIN * abs(least):
            lowest(cost_at, first, PEAK_STEP, WORTH_MOVING)
        peak = best_peak()
        found = None if peak is None else runs[peak]
        return None if found is None else (found, peak)

    def _at(
        self,
        chain: Chain,
        now: Situation,
        choice: Mapping[str, str],
        peak: float | None,
        expected: Array,
    ) -> YearRun | None:
        targets = {} if peak is None else dict.fromkeys(self.peaks, peak)
        here = replace(now, peak_targets_mw={**now.peak_targets_mw, **targets})
        if choice and peak is not None:
            # Where the peak decides the side it is a limit: a window by itself would promise later energy.
            here = replace(here, availability=(*here.availability, self._limit(peak)))
        try:
            run = chain.run(here, expected)
        except SolverError:
            return None
        self.solver_seconds += run.solver_seconds
        name = ", ".join(f"{key} {case}" for key, case in choice.items())
        self.tried.append((name, peak, run.total))
        return None if run.audit.violations or run.status is Status.NOT_A_PLAN else run

    def _limit(self, peak: float) -> Availability:
        unit = self.site.meter.removesuffix("_import")
        start, end = self.horizon.start_min, self.horizon.end_min
        return Availability(unit, "import_max_mw", peak, start, end, "peak of the year")

    def _expected(self, rough: YearRun) -> Array:
        """Return the import of a run in long intervals on the intervals of the year."""
        long = rough.formulation.horizon
        at = np.searchsorted(long.starts_min, self.horizon.starts_min, side="right") - 1
        expected: Array = rough.import_mw[at]
        return expected
