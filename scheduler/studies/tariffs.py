"""Supply contracts side by side: each with a year planned for it, and every plan billed under every contract.

Owns the cases of a study, what is told of each, the processes that run them, the results kept on the way,
and the comparison. A case is a site, a contract and a year of prices; it is planned by itself, so figures do
not depend on the number of processes or on the order.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import multiprocessing
import multiprocessing.connection
import os
import signal
import tempfile
import threading
import zipfile
import zlib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass, field, fields, is_dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import filelock
import numpy as np

from models.contract.calendar import months
from models.contract.component import BillLine, Contract, Profile
from models.horizon import Array, Horizon
from models.site import Site
from models.situation import Situation
from scheduler.errors import FolderError, SolverError, StudyError
from scheduler.sides import paid_calls, unpaid
from scheduler.studies.annual import annual_components, best_year, sides
from scheduler.studies.called import check_year
from scheduler.studies.contracted import best_contracted, best_for_load, capacity_of, chooses_capacity
from scheduler.studies.flat import flat_year
from scheduler.studies.year import YearOptions, YearRun, cut

LEVEL_UP = 0.10
"""Rise of all index prices in the sensitivity to their level, as a share of their mean. [-]"""
SPREAD_UP = 0.20
"""Widening of all index prices around their mean in the sensitivity to their spread. [-]"""
RETRIES = 2
"""How often a case is run again after its process died."""
PART = ".part"
"""End of the name of a result that is being written."""
FLAT = "flat"
"""Name of the case that does not flex, in place of a contract."""
MOVES = {"level": (LEVEL_UP, 0.0), "spread": (0.0, SPREAD_UP)}
"""Moves of the index prices, by name: rise and widening, each as a share."""

Progress = Callable[[str], None]


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
        return _amount(billed(terms, case.horizon, case.situation, own, own.figures.sides))

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
    return contract.bill(profile, _on(situation, sides))


def _on(situation: Situation, sides: Mapping[str, str]) -> Situation:
    return replace(situation, state=replace(situation.state, cases={**situation.state.cases, **sides}))


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


def _amount(lines: Sequence[BillLine]) -> float:
    return sum(line.amount for line in lines)


def _result(case: StudyCase, run: YearRun, sides: Mapping[str, str], solver_seconds: float) -> CaseResult:
    horizon, power = case.horizon, run.import_mw
    # Not the contract of the run: there a capacity that is to be chosen is stated.
    contract = case.site.contract
    situation = _on(run.formulation.situation, sides)
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
        **_bill_figures(contract, horizon, situation, power, made),
    )
    return CaseResult(figures, power, made)


def _bill_figures(
    contract: Contract, horizon: Horizon, situation: Situation, power: Array, made: Mapping[str, Array]
) -> dict[str, Any]:
    """Return the figures of `CaseFigures` that follow from a load and a contract, by name."""

    def bill_of(load_mw: Array, now: Situation) -> float:
        return _amount(contract.bill(Profile(horizon, load_mw, made_per_h=made), now))

    lines = contract.bill(Profile(horizon, power, made_per_h=made), situation)
    amount = _amount(lines)
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


# ---------------------------------------------------------------- results on disk


def save(result: CaseResult, path: Path) -> None:
    """Write a result so that it is there whole or not at all.

    Parameters
    ----------
    result : CaseResult
        The result. [-]
    path : Path
        File. [-]

    Raises
    ------
    FolderError
        If it cannot be written.
    """
    made = {f"made_{name}": flow for name, flow in result.made_per_h.items()}
    text = np.frombuffer(json.dumps(asdict(result.figures)).encode(), dtype=np.uint8)
    name = ""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, suffix=PART)
        with os.fdopen(handle, "wb") as stream:
            arrays: dict[str, Any] = {"figures": text, "import_mw": result.import_mw, **made}
            np.savez_compressed(stream, **arrays)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(name, path)
    except BaseException as error:
        if name:
            with contextlib.suppress(OSError):
                os.unlink(name)
        if isinstance(error, OSError):
            raise _not_kept(path.parent, error) from error
        raise


def _not_kept(folder: Path, error: OSError) -> FolderError:
    return FolderError(
        f"{folder}: a result cannot be kept there ({error.strerror or error}): check rights and free space, "
        "or choose another folder; what was kept before stays"
    )


def load(path: Path) -> CaseResult | None:
    """Read a result that an earlier run kept.

    Parameters
    ----------
    path : Path
        File. [-]

    Returns
    -------
    CaseResult or None
        The result; None if there is none, or none that is whole. [-]
    """
    try:
        with np.load(path) as stored:
            values = json.loads(bytes(stored["figures"].tobytes()))
            values["bill"] = tuple(values["bill"])
            values["misses"] = tuple(values["misses"])
            made = {n.removeprefix("made_"): stored[n] for n in stored.files if n.startswith("made_")}
            return CaseResult(CaseFigures(**values), stored["import_mw"], made)
    # A disk that failed, or a file that is not ours: whatever is wrong with it, the case is run again.
    except (OSError, ValueError, TypeError, KeyError, EOFError, zipfile.BadZipFile, zlib.error):
        return None


def _end_with_parent() -> None:
    """Let a process end with the one that started it, and without words on Ctrl-C.

    A process of a pool holds its own end of the queue open: without this it would wait for ever for work
    from a study that was killed.
    """
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        multiprocessing.connection.wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _work(case: StudyCase, path: str) -> str:
    """Run one case in a process of its own and keep its result."""
    save(solve_case(case), Path(path))
    return path


def run_cases(
    cases: Sequence[StudyCase], folder: Path, workers: int, progress: Progress
) -> tuple[list[CaseResult | None], dict[str, str]]:
    """Run cases on several processes; what an earlier run kept is not run again.

    Parameters
    ----------
    cases : sequence of StudyCase
        The cases. [-]
    folder : Path
        Folder of kept results; made if missing. [-]
    workers : int
        Processes, 1 or more; with 1 the cases run in this one. [-]
    progress : callable
        Takes a line of text as things go on. [-]

    Returns
    -------
    tuple of (list, dict)
        Result of each case (None where it failed), and why by name of the case. [-]

    Raises
    ------
    FolderError
        If a result cannot be kept, or another study uses the folder.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with filelock.FileLock(
            folder.absolute().with_name(f".{folder.absolute().name}.lock"), blocking=False
        ):
            # What a killed study was writing.
            for left in folder.glob(f"*{PART}"):
                left.unlink()
            return _run_cases(cases, folder, workers, progress)
    except filelock.Timeout as error:
        raise FolderError(
            f"{folder}: another study keeps its results there: wait until it has finished, or choose another "
            "folder"
        ) from error
    except FolderError:
        raise
    except OSError as error:
        raise _not_kept(folder, error) from error


def _run_cases(
    cases: Sequence[StudyCase], folder: Path, workers: int, progress: Progress
) -> tuple[list[CaseResult | None], dict[str, str]]:
    paths = [folder / f"{case.key}.npz" for case in cases]
    open_ = [i for i, path in enumerate(paths) if load(path) is None]
    damaged = sum(paths[i].exists() for i in open_)
    if damaged:
        progress(f"{damaged} kept results are damaged; these cases are run again")
    if len(open_) < len(cases):
        progress(f"{len(cases) - len(open_)} of {len(cases)} cases kept from an earlier run")
    failed: dict[str, str] = {}
    done = len(cases) - len(open_)

    def told(i: int, error: str | None) -> None:
        nonlocal done
        done += 1
        case = cases[i]
        if error is not None:
            failed[case.label] = error
        progress(f"{done}/{len(cases)} {case.label}" + (f": {error}" if error else ""))

    if workers == 1:
        for i in open_:
            try:
                _work(cases[i], str(paths[i]))
                told(i, None)
            except (SolverError, ValueError) as error:
                told(i, str(error))
    else:
        _on_processes(cases, paths, open_, workers, told, progress)
    return [load(path) for path in paths], failed


def _on_processes(
    cases: Sequence[StudyCase],
    paths: Sequence[Path],
    open_: Sequence[int],
    workers: int,
    told: Callable[[int, str | None], None],
    progress: Progress,
) -> None:
    tries = dict.fromkeys(open_, 0)
    left = list(open_)
    while left:
        pool = ProcessPoolExecutor(
            workers, mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_parent
        )
        died: list[int] = []
        try:
            futures: dict[Future[str], int] = {pool.submit(_work, cases[i], str(paths[i])): i for i in left}
            for future in as_completed(futures):
                i = futures[future]
                try:
                    future.result()
                    told(i, None)
                except (SolverError, ValueError) as error:
                    told(i, str(error))
                except BrokenProcessPool:
                    died.append(i)
        except BaseException:
            # Ctrl-C, a full disk: do not wait for years that are being planned.
            for child in multiprocessing.active_children():
                child.terminate()
            raise
        finally:
            pool.shutdown(cancel_futures=True)
        left = []
        for i in died:
            tries[i] += 1
            # A process that dies takes the waiting cases with it: only so many times.
            if paths[i].exists():
                told(i, None)
            elif tries[i] > RETRIES:
                told(i, "its process died again and again: is there memory enough?")
            else:
                left.append(i)
        if left:
            progress(f"a process died; {len(left)} cases are run again")


# ---------------------------------------------------------------- comparison


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
    return _amount(lines) + load_.figures.unit_cost


def _sides_of_others(case: StudyCase, own: CaseResult) -> dict[str, str]:
    """Return the sides on which other plans are billed: calls are simulated in a contract's own plan only."""
    situation = _on(case.situation, own.figures.sides)
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
    situation = _on(case.situation, chosen)
    figures = replace(
        other.figures,
        sides=chosen,
        calls=own.figures.calls if chosen == own.figures.sides else "",
        denominator=own.figures.denominator,
        best_contracted_mw=own.figures.best_contracted_mw,
        **_bill_figures(case.site.contract, case.horizon, situation, other.import_mw, other.made_per_h),
    )
    if own.figures.best_contracted_saving is not None:
        # The year at the best capacity stays what it costs; this plan is the cheaper one without it.
        left = own.figures.best_contracted_saving - (own.figures.total - figures.total)
        figures = replace(figures, best_contracted_saving=max(left, 0.0))
    return CaseResult(figures, other.import_mw, other.made_per_h)
