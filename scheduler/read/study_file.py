"""The study file: which sites, contracts and years of prices are put side by side.

Owns the file and the cases that follow from it. Sites, contracts and prices are read by `read_inputs`, so a
problem in any of them is told as it is for a plan.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from models.checks import at_least, check
from models.horizon import Horizon, day_start_minute
from models.order import Lot
from scheduler.errors import InputError
from scheduler.plain_text import plain
from scheduler.read.files import load
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.read.problems import Problems
from scheduler.read.records import Toml, build, read_toml
from scheduler.studies.annual import annual_components
from scheduler.studies.backtest import INDEX
from scheduler.studies.contract_year import FLAT, StudyCase, at_moved_prices
from scheduler.studies.year import YearOptions, year_horizon


@dataclass(frozen=True)
class SiteEntry:
    """A site of the study.

    Parameters
    ----------
    name : str
        What it is called in the study. [-]
    file : str
        Site file; its customers take all day, orders of single days have no place in a year. [-]
    """

    name: str
    file: str


@dataclass(frozen=True)
class ContractEntry:
    """A contract of the study.

    Parameters
    ----------
    name : str
        What it is called in the study. [-]
    file : str
        Contract file. [-]
    """

    name: str
    file: str


@dataclass(frozen=True)
class PricesEntry:
    """A year of prices.

    Parameters
    ----------
    name : str
        What it is called in the study. [-]
    file : str
        Price file. [-]
    first_day : date
        First local day. [-]
    days : int, optional
        Days; to the eve of the same day of the next year unless given. [d]
    """

    name: str
    file: str
    first_day: dt.date
    days: int | None = None

    def __post_init__(self) -> None:
        check(self, days=at_least(1, "d"))

    @property
    def end_day(self) -> dt.date:
        """First local day after it. [-]."""
        if self.days is not None:
            return self.first_day + dt.timedelta(days=self.days)
        first = self.first_day
        if (first.month, first.day) == (2, 29):
            return dt.date(first.year + 1, 3, 1)
        return first.replace(year=first.year + 1)


Entry = TypeVar("Entry", SiteEntry, ContractEntry, PricesEntry)


@dataclass(frozen=True)
class StudyHead:
    """What stands at the top of a study file.

    Parameters
    ----------
    name : str
        Name for people. [-]
    look_ahead_days : int
        Days that a window looks beyond its month. [d]
    replan_sensitivities : bool
        Whether each year is also planned at index prices higher and wider apart: three years in place of one.
        [-]
    notes : tuple of str
        Sentences that must stand on every output. [-]
    """

    name: str
    look_ahead_days: int = YearOptions().look_ahead_days
    replan_sensitivities: bool = False
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check(self, look_ahead_days=at_least(0, "d"))


@dataclass(frozen=True, eq=False)
class StudyInputs:
    """A study that was read.

    Parameters
    ----------
    head : StudyHead
        The top of the file. [-]
    cases : tuple of StudyCase
        Every site under every contract with every year of prices, and at constant loads. [-]
    notes : tuple of str
        What was read but is not used, and the notes of sites. [-]
    digests : mapping
        SHA-256 of every file, by 'role:name'. [-]
    """

    head: StudyHead
    cases: tuple[StudyCase, ...]
    notes: tuple[str, ...]
    digests: Mapping[str, str]


def read_study(path: Path) -> StudyInputs:
    """Read a study file and everything it names.

    Parameters
    ----------
    path : Path
        Study file. [-]

    Returns
    -------
    StudyInputs
        The cases. [-]

    Raises
    ------
    InputError
        With every problem of every file.
    """
    problems = Problems()
    source = load("study", str(path), Path(), problems)
    toml = read_toml(source, problems) if source is not None else None
    if toml is None:
        raise InputError(problems.listed())
    own = {key: value for key, value in toml.values.items() if key not in ("site", "contract", "prices")}
    head = build(StudyHead, own, toml.place(), problems, also_known=("site", "contract", "prices"))
    if head is not None:
        _check_name(head.name, toml.file, toml.place().where(("name",)), problems)
    sites = _entries(SiteEntry, "site", toml, problems)
    contracts = _entries(ContractEntry, "contract", toml, problems)
    prices = _entries(PricesEntry, "prices", toml, problems)
    problems.raise_if_any()
    if head is None:
        raise RuntimeError("the top of the study file is missing without a problem")  # a bug of this package
    cases: list[StudyCase] = []
    notes: dict[str, None] = dict.fromkeys(head.notes)
    digests = {} if source is None else {f"{source.role}:{source.name}": source.digest}
    for site in sites:
        for year in prices:
            group = [_case(head, site, year, terms, path, problems, notes, digests) for terms in contracts]
            whole = [case for case in group if case is not None]
            cases.extend(whole)
            if whole:
                cases.append(replace(whole[0], contract_name=FLAT))
            if head.replan_sensitivities:
                cases.extend(variant for case in whole for variant in at_moved_prices(case))
    problems.raise_if_any()
    return StudyInputs(head, tuple(cases), tuple(notes), digests)


def _case(
    head: StudyHead,
    site: SiteEntry,
    year: PricesEntry,
    terms: ContractEntry,
    path: Path,
    problems: Problems,
    notes: dict[str, None],
    digests: dict[str, str],
) -> StudyCase | None:
    folder = path.parent
    files = {"prices": (folder / year.file).absolute(), "contract": (folder / terms.file).absolute()}
    try:
        inputs = read_inputs((folder / site.file), year.first_day, overrides=files)
    except InputError as error:
        for problem in error.problems:
            problems.add(problem.file, problem.where, problem.text)
        return None
    notes.update(dict.fromkeys((*inputs.notes, *inputs.site.notes)))
    digests.update(inputs.digests)
    horizon = _whole(inputs, site.file, year, problems)
    if horizon is None:
        return None
    options = replace(YearOptions(), look_ahead_days=head.look_ahead_days)
    return StudyCase(site.name, terms.name, year.name, inputs.site, horizon, inputs.situation, options)


def _whole(inputs: Inputs, site_file: str, year: PricesEntry, problems: Problems) -> Horizon | None:
    """Return the intervals of a long time, if the site can run it and every series covers it."""
    lots = [unit.name for unit in inputs.site.units if isinstance(unit, Lot)]
    if lots:
        text = f"a long time takes no orders of single days (got {', '.join(lots[:3])}): state pipelines"
        problems.add(site_file, "files.orders", text)
        return None
    first, end = (day_start_minute(day, inputs.site.timezone) for day in (year.first_day, year.end_day))
    horizon = year_horizon(inputs.site, first, end, 60, inputs.horizon)
    for name in sorted({need for part in inputs.site.contract.components for need in part.series_needed()}):
        missing = inputs.situation.series[name].missing_on(horizon)
        if missing:
            when = horizon.local_starts[missing[0]].isoformat(timespec="minutes")
            text = f"'{name}' has no value for {len(missing)} intervals of the time, the first at {when}"
            problems.add(year.file, "", text)
            return None
    return horizon


def read_past(
    site_path: Path, prices: Path | None, contract: Path | None, first_day: dt.date, days: int
) -> tuple[Inputs, Horizon]:
    """Read a site and its prices for a back-test.

    Parameters
    ----------
    site_path : Path
        Site file. [-]
    prices, contract : Path, optional
        Files in place of those the site file names. [-]
    first_day : date
        First local day. [-]
    days : int
        Days. [d]

    Returns
    -------
    tuple of (Inputs, Horizon)
        The inputs, and the past time by the hour. [-]

    Raises
    ------
    InputError
        With every problem of every file.
    """
    files = {
        role: path.absolute()
        for role, path in (("prices", prices), ("contract", contract))
        if path is not None
    }
    inputs = read_inputs(site_path, first_day, overrides=files)
    problems = Problems()
    year = PricesEntry("past", str(prices or site_path), first_day, days)
    horizon = _whole(inputs, str(site_path), year, problems)
    terms = inputs.site.contract
    where = str(contract or site_path)
    if not any(INDEX in part.series_needed() for part in terms.components):
        problems.add(where, "contract", f"a back-test needs a contract at the index '{INDEX}'")
    if horizon is not None:
        # The plan of a day cannot know on which side of such a charge its year will end.
        for name in sorted(annual_components(terms, horizon)):
            text = f"component '{name}' charges a whole year: a back-test takes none that does"
            problems.add(where, "contract", text + " (`brinewatt tariffs` plans the year under it)")
    problems.raise_if_any()
    if horizon is None:
        raise RuntimeError("the horizon is missing without a problem")  # a bug of this package
    return inputs, horizon


def _check_name(name: str, file: str, where: str, problems: Problems) -> None:
    """Note a name that would not stand in one line of a table."""
    if plain(name) != name or not name:
        problems.add(file, where, f"'name' must be one line of printable text (got {name!r})")


def _entries(cls: type[Entry], key: str, toml: Toml, problems: Problems) -> Sequence[Entry]:
    """Return the entries of one kind, whose names differ."""
    tables = toml.values.get(key, [])
    if not isinstance(tables, list) or not tables:
        problems.add(toml.file, "", f"a study must have at least one [[{key}]]")
        return ()
    found: list[Entry] = []
    for position, table in enumerate(tables):
        place = toml.place(f"{key} {position + 1}", (key, position))
        entry = build(cls, table, place, problems)
        if entry is None:
            continue
        if any(other.name == entry.name for other in found) or entry.name == FLAT:
            text = f"'name' must be another than those before and not '{FLAT}' (got {entry.name!r})"
            problems.add(toml.file, place.where(("name",)), text)
        _check_name(entry.name, toml.file, place.where(("name",)), problems)
        found.append(entry)
    return found
