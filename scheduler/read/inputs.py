"""All inputs of a plan: read every file, tell every problem, return clean records.

Owns the order of reading and the record that leaves this package. Each format and table has a module
of its own.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from models.cost_tables import CostTables
from models.horizon import Horizon, Series, minute_of
from models.site import Site
from models.situation import Situation
from scheduler.errors import InputError
from scheduler.read.availability import read_availability
from scheduler.read.context import Context
from scheduler.read.cost_tables import NOTHING, read_cost_tables, read_rooms_file
from scheduler.read.files import Source, load
from scheduler.read.loads import loads_before, read_loads
from scheduler.read.orders import read_orders
from scheduler.read.peaks import read_peaks
from scheduler.read.prices import Points, read_prices, read_profiles
from scheduler.read.problems import Problems, close_match
from scheduler.read.records import Toml, read_toml
from scheduler.read.series import Need, check_needs, join
from scheduler.read.site_file import ROLES, ContractRead, SiteFile, horizon_of, read_contract, read_site_file
from scheduler.read.state import merged_peaks, read_state
from scheduler.read.stocks import read_stocks
from scheduler.read.takes import read_takes

CONTRACT: Final = "contract"
OF_THE_CONTRACT: Final = ("peaks", "state")
"""Roles whose files name components of the site's own contract: not read where another one is given."""
ROOMS: Final = "rooms"
_NO_OVERRIDES: Final[Mapping[str, Path | Sequence[Path]]] = MappingProxyType({})


@dataclass(frozen=True, eq=False)
class Inputs:
    """Everything a plan starts from.

    Parameters
    ----------
    site : Site
        The works with its contract and the lots of the horizon. [-]
    situation : Situation
        What is known this morning. [-]
    horizon : Horizon
        The intervals. [-]
    actual_loads : mapping
        Actual load of past weeks by circuit; empty if no file was named. [kA]
    digests : mapping
        SHA-256 of every file, by 'role:name'; the name is that in `files`. [-]
    notes : tuple of str
        What was read but is not used, or is used with a reserve. [-]
    costs : CostTables
        Prices, rooms, hypothetical rooms and the conversion; empty where the site states none. [-]
    files : mapping
        Content of every file by role and name, the site file first. A file that the site file names is
        called as there; the others go without their folder, so that outputs do not hang on where they lay.
        [-]
    given : mapping
        Names, as in `files`, of files given in place of those the site file names, by role. [-]
    """

    site: Site
    situation: Situation
    horizon: Horizon
    actual_loads: Mapping[str, Series]
    digests: Mapping[str, str]
    notes: tuple[str, ...] = ()
    costs: CostTables = NOTHING
    files: Mapping[tuple[str, str], bytes] = field(default_factory=dict)
    given: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def read_inputs(
    site_path: Path,
    day: dt.date | None = None,
    *,
    overrides: Mapping[str, Path | Sequence[Path]] = _NO_OVERRIDES,
    sequence: int | None = None,
    now: dt.datetime | None = None,
    start: dt.datetime | None = None,
    expected_stocks_t: Mapping[str, float] = MappingProxyType({}),
    kept: Mapping[tuple[str, str], bytes] | None = None,
) -> Inputs:
    """Read the site file and every file it names.

    Parameters
    ----------
    site_path : Path
        Site file. [-]
    day : date, optional
        Plan day; otherwise that of the site file, otherwise tomorrow in the site's zone. [-]
    overrides : mapping
        Files to read in place of those the site file names, by role: 'prices', 'profiles', 'orders',
        'stocks', 'availability', 'loads', 'locks', 'takes', 'peaks', 'state', 'contract' or 'rooms';
        relative to the working folder. [-]
    sequence : int, optional
        Auction to take from market documents; otherwise that of the site file. [-]
    now : datetime, optional
        The present, with its offset; the clock unless given. [-]
    start : datetime, optional
        Start of one of the plan day's intervals, to plan what is left of the day; stocks are then
        those of that instant. [-]
    expected_stocks_t : mapping
        Levels to take where no stocks file gives one, by stock. [t]
    kept : mapping, optional
        Content of files by role and name, read instead of the disk (see `Inputs.files`). [-]

    Returns
    -------
    Inputs
        The clean inputs. [-]

    Raises
    ------
    InputError
        With every problem of every file.
    ValueError
        If `overrides` names a role that does not exist.
    """
    unknown = sorted(set(overrides) - {*ROLES, CONTRACT, ROOMS})
    if unknown:
        known = (*ROLES, CONTRACT, ROOMS)
        near = close_match(unknown[0], known)
        raise ValueError(f"no such role of a file: {', '.join(unknown)} (known: {', '.join(known)}){near}")
    problems = Problems()
    source = _opened("site", str(site_path), Path(), problems, kept)
    toml = read_toml(source, problems) if source is not None else None
    if source is None or toml is None:
        raise InputError(problems.listed())
    reader = _Reader(toml, site_path.parent, overrides, problems, kept)
    reader.take(source, True)
    return reader.read(day, sequence, now or dt.datetime.now(dt.UTC), start, expected_stocks_t)


def clock_minute(site_path: Path, moment: dt.datetime) -> int:
    """Return the minute of a moment given with its offset or on the site's clock.

    Parameters
    ----------
    site_path : Path
        Site file, for its zone. [-]
    moment : datetime
        The moment. [-]

    Returns
    -------
    int
        Minutes since the epoch. [min]

    Raises
    ------
    InputError
        If the site file cannot be read.
    """
    zone = zone_of(site_path)
    return minute_of(moment if moment.tzinfo is not None else moment.replace(tzinfo=zone))


def zone_of(site_path: Path) -> ZoneInfo:
    """Return the zone of a site.

    Parameters
    ----------
    site_path : Path
        Site file. [-]

    Returns
    -------
    ZoneInfo
        The zone of its days. [-]

    Raises
    ------
    InputError
        If the site file cannot be read.
    """
    problems = Problems()
    source = load("site", str(site_path), Path(), problems)
    toml = read_toml(source, problems) if source is not None else None
    if toml is None:
        raise InputError(problems.listed())
    site = read_site_file(toml, problems)
    problems.raise_if_any()
    # Without a zone there is a problem; this is for the types.
    return site.zone or ZoneInfo("UTC")


def _opened(
    role: str, name: str, folder: Path, problems: Problems, kept: Mapping[tuple[str, str], bytes] | None
) -> Source | None:
    if kept is None:
        return load(role, name, folder, problems)
    data = kept.get((role, name))
    if data is None:
        problems.add(name, "", f"the {role} file is not among those kept")
        return None
    return Source(role, name, data)


@dataclass(frozen=True)
class _Reader:
    toml: Toml
    folder: Path
    overrides: Mapping[str, Path | Sequence[Path]]
    problems: Problems
    kept: Mapping[tuple[str, str], bytes] | None
    sources: dict[tuple[str, str], Source] = field(default_factory=dict)

    def take(self, source: Source, named_by_user: bool) -> None:
        """Note a file that was read, under a name of its own among those of its role."""
        # A file read from what was kept has been named so before.
        path = Path(source.name)
        name = path.name if named_by_user and self.kept is None else source.name
        number = 2
        while (source.role, name) in self.sources:
            name, number = f"{path.stem} ({number}){path.suffix}", number + 1
        self.sources[source.role, name] = source

    def read(
        self,
        day: dt.date | None,
        sequence: int | None,
        now: dt.datetime,
        start: dt.datetime | None,
        expected_stocks_t: Mapping[str, float],
    ) -> Inputs:
        site = read_site_file(self.toml, self.problems)
        horizon = horizon_of(site, day, now, self.problems, start)
        contract = self._contract(site, horizon)
        context = Context(site, site.zone or ZoneInfo("UTC"), horizon, self.problems)
        files = {role: self._files(role, site) for role in ROLES}
        series = self._series(files, sequence or site.files.price_sequence, contract, context)
        orders = read_orders(files["orders"].sources, context)
        facts = read_availability(files["availability"].sources, context)
        stocks = read_stocks(
            files["stocks"].sources, files["stocks"].all_read, context, expected_stocks_t, facts
        )
        loads = read_loads(files["loads"].sources, context)
        before = loads_before(loads, context)
        if start is not None and horizon is not None:
            # Inside a running day only a load that lasts to this very moment is the load before.
            before = {
                name: value
                for name, value in before.items()
                if np.any(loads[name].starts_min + loads[name].lengths_min == horizon.start_min)
            }
        locks = read_loads(files["locks"].sources, context)
        takes = read_takes(files["takes"].sources, context)
        costs = self._costs(site)
        state = read_state(files["state"].sources, contract, context)
        if CONTRACT in self.overrides:
            context.notes.extend(
                f"'{name}' belongs to the site's own contract and is not used with the one given"
                for role in OF_THE_CONTRACT
                if role not in self.overrides
                for name in site.files.of(role)
            )
        peaks = merged_peaks(read_peaks(files["peaks"].sources, contract, context), state.peaks, context)
        self.problems.raise_if_any()
        if site.head is None or horizon is None or site.currency is None:
            raise RuntimeError(
                "a part of the site file is missing without a problem"
            )  # a bug of this package
        try:
            works = Site(
                site.head.name,
                site.head.timezone,
                contract.contract(site.currency),
                (*site.units, *orders.lots),
                site.head.meter,
                site.products,
                site.head.notes,
                site.head.contacts,
            )
        except ValueError as error:
            self.problems.add(site.file, "", str(error))
            raise InputError(self.problems.listed()) from error
        situation = Situation(
            stocks=stocks.start_t,
            loads_before=before,
            availability=facts,
            series=series,
            peaks_mw=peaks.so_far_mw,
            peak_targets_mw=peaks.targets_mw,
            end_stocks=stocks.end_t,
            nominations_t_per_d=orders.nominations_t_per_d,
            locks=locks,
            state=state.state,
            announced_t_per_h=takes,
        )
        return Inputs(
            works,
            situation,
            horizon,
            loads,
            {f"{role}:{name}": source.digest for (role, name), source in self.sources.items()},
            tuple(self._without_folders(note) for note in context.notes),
            costs,
            {key: source.data for key, source in self.sources.items()},
            {role: tuple(name for of, name in self.sources if of == role) for role in self.overrides},
        )

    def _without_folders(self, note: str) -> str:
        """Return a note with files named as in outputs, wherever they lay."""
        for (_, name), source in self.sources.items():
            if source.name != name:
                note = note.replace(source.name, name)
        return note

    def _open(self, role: str, name: str, folder: Path) -> Source | None:
        return _opened(role, name, folder, self.problems, self.kept)

    def _costs(self, site: SiteFile) -> CostTables:
        tables = read_cost_tables(self.toml, site.units, site.complete, self.problems)
        chosen = self.overrides.get(ROOMS)
        if chosen is None:
            return tables
        if not isinstance(chosen, Path):
            raise ValueError("the role 'rooms' takes one file")
        source = self._open(ROOMS, str(chosen), Path())
        toml = read_toml(source, self.problems) if source is not None else None
        if source is None or toml is None:
            return tables
        self.take(source, True)
        return read_rooms_file(toml, tables, site.units, site.complete, self.problems)

    def _contract(self, site: SiteFile, horizon: Horizon | None) -> ContractRead:
        inside = self.toml.values.get("contract")
        named = self.toml.values.get("contract_file")
        top = self.toml.place()
        none = ContractRead("", (), False)
        chosen = self.overrides.get(CONTRACT)
        if inside is not None and named is not None:
            self.problems.add(
                site.file, top.where(("contract_file",)), "give [contract] or 'contract_file', not both"
            )
        if chosen is not None:
            if not isinstance(chosen, Path):
                raise ValueError("the role 'contract' takes one file")
            source = self._open(CONTRACT, str(chosen), Path())
        elif isinstance(named, str):
            source = self._open(CONTRACT, named, self.folder)
        elif named is not None:
            self.problems.add(
                site.file,
                top.where(("contract_file",)),
                f"'contract_file' must be the name of a file (got {named!r})",
            )
            return none
        elif inside is not None:
            place = self.toml.place(CONTRACT, (CONTRACT,))
            return read_contract(place, inside, site.currency, horizon, self.problems)
        else:
            self.problems.add(
                site.file, "", "the site has no contract; write [contract] or name a 'contract_file'"
            )
            return none
        if source is None:
            return none
        self.take(source, chosen is not None)
        toml = read_toml(source, self.problems)
        if toml is None:
            return none
        return read_contract(toml.place(), toml.values, site.currency, horizon, self.problems)

    def _files(self, role: str, site: SiteFile) -> _Files:
        chosen = self.overrides.get(role)
        if chosen is None and role in OF_THE_CONTRACT and CONTRACT in self.overrides:
            # They name components of the site's own contract, which is not the one in use.
            return _Files((), True)
        if chosen is None:
            names, folder = site.files.of(role), self.folder
        else:
            paths = (chosen,) if isinstance(chosen, Path) else tuple(chosen)
            names, folder = tuple(str(path) for path in paths), Path()
        found: list[Source] = []
        all_read = True
        for position, name in enumerate(names):
            if name in names[:position]:
                self.problems.add(name, "", f"the {role} file is named twice; name it once")
                continue
            source = self._open(role, name, folder)
            if source is None:
                all_read = False
            else:
                found.append(source)
                self.take(source, chosen is not None)
        return _Files(tuple(found), all_read)

    def _series(
        self, files: Mapping[str, _Files], sequence: int | None, contract: ContractRead, context: Context
    ) -> dict[str, Series]:
        prices = read_prices(files["prices"].sources, sequence, context)
        profiles = read_profiles(files["profiles"].sources, context)
        points = (*prices.points, *profiles.points)
        series = join(points, context.horizon, context.zone, self.problems, context.notes)
        if context.horizon is not None and _all_known(prices, profiles, files):
            needs = [
                *(
                    Need(n, f"the component '{c.name}'")
                    for c in contract.components
                    for n in c.series_needed()
                ),
                *(Need(n, f"the unit '{u.name}'") for u in context.site.units for n in u.series_needed()),
            ]
            used = (*files["prices"].sources, *files["profiles"].sources)
            check_needs(
                needs,
                series,
                frozenset(point.series for point in points) - set(series),
                [source.name for source in used],
                context.site.file,
                context.horizon,
                self.problems,
                {
                    **self._advice("profiles", profiles, context),
                    **self._advice("prices", prices, context),
                },
            )
        return series

    def _advice(self, role: str, read: Points, context: Context) -> dict[str, str]:
        """Return what to do where files given on the command line do not reach over the horizon."""
        own = context.site.files.of(role)
        chosen = self.overrides.get(role)
        if chosen is None or not own:
            return {}
        given = (chosen,) if isinstance(chosen, Path) else tuple(chosen)
        files = " ".join(
            f"--{role} {name}"
            for name in dict.fromkeys((*((self.folder / n).as_posix() for n in own), *map(str, given)))
        )
        text = f"; to lay what is given over the site's own file name both, the later one holds: {files}"
        return {point.series: text for point in read.points}


@dataclass(frozen=True)
class _Files:
    sources: tuple[Source, ...]
    all_read: bool


def _all_known(prices: Points, profiles: Points, files: Mapping[str, _Files]) -> bool:
    return prices.certain and profiles.certain and files["prices"].all_read and files["profiles"].all_read
