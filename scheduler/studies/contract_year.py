"""One contract's year in a study: the case, the plan that is made for it, and what is told of it.

Owns what a case is and what its result says. A case is a site, a contract and a year of prices; it is planned
by itself, so figures do not depend on the number of processes or on the order.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, is_dataclass, replace
from importlib.metadata import version
from typing import Any

import numpy as np

from models.contract.calendar import months
from models.contract.component import BillLine, Contract, Profile
from models.horizon import Array, Horizon
from models.site import Site
from models.situation import Situation
from scheduler.errors import SolverError
from scheduler.sides import paid_calls, with_cases
from scheduler.studies.annual import annual_components, best_year, sides
from scheduler.studies.called import check_year
from scheduler.studies.contracted import best_contracted, best_for_load, capacity_of, chooses_capacity
from scheduler.studies.flat import flat_year
from scheduler.studies.year import YearOptions, YearRun, cut

LEVEL_UP = 0.10
"""Rise of all index prices in the sensitivity to their level, as a share of their mean. [-]"""
SPREAD_UP = 0.20
"""Widening of all index prices around their mean in the sensitivity to their spread. [-]"""
FLAT = "flat"
"""Name of the case that does not flex, in place of a contract."""
MOVES = {"level": (LEVEL_UP, 0.0), "spread": (0.0, SPREAD_UP)}
"""Moves of the index prices, by name: rise and widening, each as a share."""


@dataclass(frozen=True, eq=False)
class StudyCase:
    """One year to plan.

    Parameters
    ----------
    site_name, contract_name, prices_name : str
        What it is called in the study; `FLAT` as contract for constant loads. [-]
    site : Site
        The works with the contract. [-]
    horizon : Horizon
        The year. [-]
    situation : Situation
        What is known at its start: stocks and series. [-]
    options : YearOptions
        How it is cut and solved. [-]
    moved : str
        Which of `MOVES` its prices have made; empty for prices as they are. [-]
    """

    site_name: str
    contract_name: str
    prices_name: str
    site: Site
    horizon: Horizon
    situation: Situation
    options: YearOptions = field(default_factory=YearOptions)
    moved: str = ""

    @property
    def label(self) -> str:
        """What the case is called for people. [-]."""
        label = f"{self.site_name}, {self.prices_name}, {self.contract_name}"
        return f"{label}, {self.moved} moved" if self.moved else label

    @property
    def key(self) -> str:
        """Name of the result: changes with any input, option or version. [-]."""
        total = hashlib.sha256(version("brinewatt").encode())
        for part in (self.site, self.horizon, self.situation, self.options):
            _add(total, part)
        digest = total.hexdigest()[:16]
        return f"{_plain(self.site_name)}-{_plain(self.prices_name)}-{_plain(self.contract_name)}-{digest}"


@dataclass(frozen=True)
class CaseFigures:
    """What a case gave, as numbers that can be kept in a file.

    Parameters
    ----------
    status : str
        Kind of result. [-]
    unit_cost : float
        Cost beside the contract: steam, materials, credits. [currency]
    bill : tuple of dict
        Lines of the year's bill, as records of `BillLine`. [-]
    by_component : mapping
        Sum of the lines of each component. [currency]
    energy_mwh, peak_mw, full_load_hours : float
        Energy, highest interval mean, and their ratio. [MWh], [MW], [h]
    average_per_mwh : float
        Bill over energy. [currency/MWh]
    marginal_per_mwh : float
        What one more MW in every hour costs. [currency/MWh]
    capture_per_mwh, base_per_mwh : float or None
        Index price weighted by load, and by time; None without an index. [currency/MWh]
    months : mapping
        Bill by month; what is charged on a whole year is shared out by hours. [currency]
    worst_month : str
        Month that costs most. [-]
    level_up, spread_up : float
        What the load as planned costs more with index prices up by `LEVEL_UP`, and spread by `SPREAD_UP`; a
        new plan can only cost less. [currency]
    best_contracted_mw, best_contracted_saving : float or None
        Contracted capacity at which the year costs least once the load is planned for it, and what it saves;
        None without one. [MW], [currency]
    sides : mapping
        Side of each cliff. [-]
    window_gap : float
        Greatest gap of a window. [-]
    denominator : float
        Sum of absolute energy charges. [currency]
    misses : tuple of str
        Duties not met. [-]
    solver_seconds, seconds : float
        Time inside the solver and in all. [s]
    calls : str
        Whether income for calls is counted, and why; empty where the contract has none. [-]
    """

    status: str
    unit_cost: float
    bill: tuple[dict[str, Any], ...]
    by_component: Mapping[str, float]
    energy_mwh: float
    peak_mw: float
    full_load_hours: float
    average_per_mwh: float
    marginal_per_mwh: float
    capture_per_mwh: float | None
    base_per_mwh: float | None
    months: Mapping[str, float]
    worst_month: str
    level_up: float
    spread_up: float
    sides: Mapping[str, str]
    window_gap: float
    denominator: float
    misses: tuple[str, ...]
    solver_seconds: float
    seconds: float
    best_contracted_mw: float | None = None
    best_contracted_saving: float | None = None
    calls: str = ""

    @property
    def bill_amount(self) -> float:
        """Sum of all lines. [currency]."""
        return sum(float(line["amount"]) for line in self.bill)

    @property
    def total(self) -> float:
        """Bill and cost beside it. [currency]."""
        return self.bill_amount + self.unit_cost


@dataclass(frozen=True, eq=False)
class CaseResult:
    """A case with its figures and its load.

    Parameters
    ----------
    figures : CaseFigures
        The figures. [-]
    import_mw : ndarray
        Metered import. Shape (n,). [MW]
    made_per_h : mapping
        What was made, by commodity. Each shape (n,). [t/h]
    """

    figures: CaseFigures
    import_mw: Array
    made_per_h: Mapping[str, Array]


def solve_case(case: StudyCase) -> CaseResult:
    """Plan one case and tell its figures.

    Parameters
    ----------
    case : StudyCase
        The case. [-]

    Returns
    -------
    CaseResult
        Figures and load. [-]

    Raises
    ------
    SolverError
        If no plan can be given.
    """
    if case.contract_name == FLAT:
        run = flat_year(case.site, case.horizon, case.situation, case.options)
        return _result(case, run, {}, run.solver_seconds)
    return _with_calls(case, _without_calls(case))


def _without_calls(case: StudyCase) -> CaseResult:
    """Return the year without income for calls, and the contracted capacity that would be best."""
    site, contract = case.site, case.site.contract
    found = best_year(site, case.horizon, case.situation, case.options)
    own = _result(case, found.run, found.cases, found.solver_seconds)
    if not chooses_capacity(contract) and (case.moved or capacity_of(contract) is None):
        return own

    def bill_of(terms: Contract) -> float:
        return amount_of(billed(terms, case.horizon, case.situation, own, own.figures.sides))

    first = best_for_load(contract, own.import_mw, bill_of)
    best = best_contracted(site, case.horizon, case.situation, first, case.options)
    seconds = found.solver_seconds + best.solver_seconds
    planned = _result(case, best.found.run, best.found.cases, seconds)
    if chooses_capacity(contract):
        own = min(own, planned, key=lambda result: result.figures.total)
        chosen = replace(own.figures, best_contracted_mw=best.capacity_mw, best_contracted_saving=0.0)
        return replace(own, figures=chosen)
    saving = max(own.figures.total - best.found.run.total, 0.0)
    told = replace(own.figures, best_contracted_mw=best.capacity_mw, best_contracted_saving=saving)
    return replace(own, figures=replace(told, solver_seconds=seconds))


def _with_calls(case: StudyCase, own: CaseResult) -> CaseResult:
    """Return the year that is paid for calls if it is cheaper and every call in it could be answered."""
    contract = case.site.contract
    if not sides(contract, case.horizon, case.situation, paid=True):
        return own
    try:
        found = best_year(case.site, case.horizon, case.situation, case.options, paid=True)
    except SolverError as error:
        return _told(own, f"income for calls is not counted: no year leaves the room for them ({error})")
    paid = _result(case, found.run, found.cases, own.figures.solver_seconds + found.solver_seconds)
    if paid.figures.total >= own.figures.total:
        return _told(own, "income for calls is not counted: the room for them costs more than it brings")
    kept = []
    for call in paid_calls(contract, case.horizon, found.run.formulation.situation):
        check = check_year(found.run, call, case.options)
        if not check.kept:
            last = check.answers[-1]
            start = case.horizon.local_starts[last.interval].isoformat(timespec="minutes")
            return _told(
                own,
                f"income of '{call.component}', {own.figures.total - paid.figures.total:,.0f} in all, is not "
                f"counted: a simulated call at {start} is answered with {last.possible_mw:.1f} of "
                f"{last.asked_mw:.1f} MW only",
            )
        kept.append(f"'{call.component}' is paid: all {len(check.answers)} simulated calls are answered")
    return _told(paid, "; ".join(kept))


def _told(result: CaseResult, words: str) -> CaseResult:
    return replace(result, figures=replace(result.figures, calls=words))


def billed(
    contract: Contract, horizon: Horizon, situation: Situation, result: CaseResult, sides: Mapping[str, str]
) -> tuple[BillLine, ...]:
    """Return the bill of a planned load under any contract.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    horizon : Horizon
        The year. [-]
    situation : Situation
        Its prices. [-]
    result : CaseResult
        The load. [-]
    sides : mapping
        Sides on which the contract is to be billed where it leaves a choice. [-]

    Returns
    -------
    tuple of BillLine
        The lines, not rounded. [-]
    """
    profile = Profile(horizon, result.import_mw, made_per_h=result.made_per_h)
    return contract.bill(profile, with_cases(situation, sides))


def _plain(name: str) -> str:
    return "".join(c if c.isalnum() else "_" for c in name)[:40]


def _add(total: Any, part: object) -> None:
    """Add a record to a digest: its class and the values of its fields, nothing that was computed since."""
    total.update(f"{type(part).__qualname__}(".encode())
    if isinstance(part, np.ndarray):
        total.update(np.ascontiguousarray(part).tobytes())
    elif is_dataclass(part):
        for named in fields(part):
            _add(total, getattr(part, named.name))
    elif isinstance(part, Mapping):
        for key in sorted(part, key=repr):
            _add(total, key)
            _add(total, part[key])
    elif isinstance(part, (tuple, list)):
        for item in part:
            _add(total, item)
    else:
        total.update(repr(part).encode())
    total.update(b")")


def amount_of(lines: Sequence[BillLine]) -> float:
    """Return the sum of some lines.

    Parameters
    ----------
    lines : sequence of BillLine
        The lines. [-]

    Returns
    -------
    float
        Amount, not rounded. [currency]
    """
    return sum(line.amount for line in lines)


def _result(case: StudyCase, run: YearRun, sides: Mapping[str, str], solver_seconds: float) -> CaseResult:
    horizon, power = case.horizon, run.import_mw
    # Not the contract of the run: there a capacity that is to be chosen is stated.
    contract = case.site.contract
    situation = with_cases(run.formulation.situation, sides)
    made = run.made_per_h
    prices = _index_on(situation, horizon)
    energy = float(np.sum(power * horizon.hours))
    figures = CaseFigures(
        status=run.status.value,
        unit_cost=_unit_cost(run),
        energy_mwh=energy,
        peak_mw=float(power.max()),
        full_load_hours=energy / float(power.max()) if power.max() > 0 else 0.0,
        capture_per_mwh=None if prices is None else float(np.sum(prices * power * horizon.hours)) / energy,
        base_per_mwh=None if prices is None else float(np.average(prices, weights=horizon.hours)),
        sides=dict(sides),
        window_gap=max(window.gap for window in run.windows),
        denominator=run.denominator,
        misses=tuple(f"{miss.meaning}: {miss.quantity:.2f} {miss.unit}" for miss in run.misses),
        solver_seconds=solver_seconds,
        seconds=run.seconds,
        **bill_figures(contract, horizon, situation, power, made),
    )
    return CaseResult(figures, power, made)


def bill_figures(
    contract: Contract, horizon: Horizon, situation: Situation, power: Array, made: Mapping[str, Array]
) -> dict[str, Any]:
    """Return the figures of `CaseFigures` that follow from a load and a contract.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    horizon : Horizon
        The year. [-]
    situation : Situation
        Its prices and the sides of cliffs. [-]
    power : ndarray
        Metered import. Shape (n,). [MW]
    made : mapping
        What was made, by commodity. Each shape (n,). [t/h]

    Returns
    -------
    dict
        Values by field. [as there]
    """

    def bill_of(load_mw: Array, now: Situation) -> float:
        return amount_of(contract.bill(Profile(horizon, load_mw, made_per_h=made), now))

    lines = contract.bill(Profile(horizon, power, made_per_h=made), situation)
    amount = amount_of(lines)
    energy = float(np.sum(power * horizon.hours))
    by_component: dict[str, float] = {}
    for line in lines:
        by_component[line.component] = by_component.get(line.component, 0.0) + line.amount
    by_month = _months(contract, horizon, power, made, situation)
    return {
        "bill": tuple(asdict(line) for line in lines),
        "by_component": by_component,
        "average_per_mwh": amount / energy if energy else 0.0,
        "marginal_per_mwh": (bill_of(power + 1.0, situation) - amount) / float(np.sum(horizon.hours)),
        "months": by_month,
        "worst_month": max(by_month, key=lambda month: by_month[month]),
        "level_up": bill_of(power, moved(situation, horizon, "level")) - amount,
        "spread_up": bill_of(power, moved(situation, horizon, "spread")) - amount,
    }


def _unit_cost(run: YearRun) -> float:
    """Return the cost beside the contract: what units declare, less what the contract pays for products."""
    formulation = run.formulation
    paid = formulation.site.contract.output_rates(formulation.horizon, formulation.situation)
    prefixes = tuple(f"{prefix}_" for prefix, _ in paid)
    return sum(
        float(np.dot(cost.coefficient, run.audit.values[cost.variable])) + cost.constant
        for cost in formulation.declaration.costs
        if cost.key in formulation.unit_costs and not (prefixes and cost.key.startswith(prefixes))
    )


def _index_on(situation: Situation, horizon: Horizon) -> Array | None:
    """Return the day-ahead index, if it is among the series."""
    series = situation.series.get("day_ahead")
    return None if series is None else series.on(horizon)


def moved(situation: Situation, horizon: Horizon, name: str) -> Situation:
    """Return a situation with every price series moved by a share of its mean and widened around it.

    Parameters
    ----------
    situation : Situation
        The situation. [-]
    horizon : Horizon
        The year, for the mean. [-]
    name : str
        One of `MOVES`. [-]

    Returns
    -------
    Situation
        The same at moved prices. [-]
    """
    level, spread = MOVES[name]
    series = {}
    for key, known in situation.series.items():
        mean = float(np.average(known.on(horizon), weights=horizon.hours))
        values = known.values + level * abs(mean) + spread * (known.values - mean)
        series[key] = replace(known, values=values)
    return replace(situation, series=series)


def at_moved_prices(case: StudyCase) -> tuple[StudyCase, ...]:
    """Return a case at each of the moved prices, to be planned anew.

    Parameters
    ----------
    case : StudyCase
        A case at prices as they are. [-]

    Returns
    -------
    tuple of StudyCase
        One for each of `MOVES`; none where no price series enters the contract. [-]
    """
    if not any(part.series_needed() for part in case.site.contract.components):
        return ()
    return tuple(
        replace(case, moved=name, situation=moved(case.situation, case.horizon, name)) for name in MOVES
    )


def _months(
    contract: Contract, horizon: Horizon, power: Array, made: Mapping[str, Array], situation: Situation
) -> dict[str, float]:
    """Return the year's bill by month.

    A month's own charges are the bill to its end less that to its start. What is charged on the peak or the
    total of a whole year is shared out by hours: a bill to the end of January would charge it on January.
    """
    annual = annual_components(contract, horizon)

    def charges(end: int) -> dict[str, float]:
        part = {name: flow[:end] for name, flow in made.items()}
        lines = contract.bill(Profile(cut(horizon, 0, end), power[:end], None, part), situation)
        return {
            name: sum(line.amount for line in lines if (line.component in annual) == (name == "annual"))
            for name in ("annual", "own")
        }

    whole = charges(len(horizon))
    found: dict[str, float] = {}
    before = 0.0
    for month in months(horizon):
        start, end = (int(np.searchsorted(horizon.starts_min, m)) for m in (month.start_min, month.end_min))
        so_far = charges(end)["own"] if end < len(horizon) else whole["own"]
        share = float(np.sum(horizon.hours[start:end]) / np.sum(horizon.hours))
        found[month.label] = so_far - before + share * whole["annual"]
        before = so_far
    return found
