"""The site file: what a works is, and which files tell what is known today.

Owns the layout of the site file and of contract files. What a unit or a component is stands in
`models`, under the kinds they register; tables of the other files have modules of their own.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from models.checks import above, at_least, between, check, one_of
from models.commodity import STANDARD, Commodity
from models.contract.component import Component, Contract
from models.horizon import ALLOWED_LENGTHS_MIN, Horizon, minute_of
from models.kinds import COMPONENT_KINDS, UNIT_KINDS
from models.shifts import ShiftCalendar
from models.site import Contact
from models.unit import Unit
from scheduler.read.holiday_dates import holiday_dates
from scheduler.read.problems import Problems, close_match, hint
from scheduler.read.records import Place, Toml, build
from scheduler.read.times import FIRST_YEAR, LAST_YEAR

COST_SECTIONS: Final = ("costs", "room", "hypothetical", "conversion")
"""Keys of the tables about costs, read by `scheduler.read.cost_tables`."""
SECTIONS: Final = (
    *("horizon", "shifts", "files", "loading", "product", "unit", "contract", "contract_file"),
    *COST_SECTIONS,
)
"""Keys of the site file beside those of `Head`."""

_NAME = re.compile(r"[a-z][a-z0-9_]*")
_NAME_RULE = "must be lower case letters, digits and underscores, beginning with a letter"
_CURRENCY = re.compile(r"[A-Z]{3}")

Piece = TypeVar("Piece", Unit, Component)


@dataclass(frozen=True)
class Head:
    """Keys at the top of a site file.

    Parameters
    ----------
    name : str
        Name of the site for people. [-]
    timezone : str
        IANA name of the zone of its days. [-]
    currency : str
        ISO 4217 code; 'XTS' is the code for tests. [-]
    meter : str
        Key of the metered import. [-]
    notes : tuple of str
        Sentences that must stand on every output. [-]
    contacts : tuple of Contact
        Whom to ask, by role; stands on the load sheet. [-]
    """

    name: str
    timezone: str
    currency: str
    meter: str = "meter_import"
    notes: tuple[str, ...] = ()
    contacts: tuple[Contact, ...] = ()


@dataclass(frozen=True)
class HorizonTable:
    """Table `[horizon]`.

    Parameters
    ----------
    minutes : int
        Length of an interval on the plan day. [min]
    look_ahead_days : int
        Days after the plan day, 0 to 400. [d]
    look_ahead_minutes : int
        Length of an interval after the plan day. [min]
    day : date, optional
        Plan day where none is asked for; tomorrow unless given. [-]
    """

    minutes: int = 60
    look_ahead_days: int = 6
    look_ahead_minutes: int = 60
    day: dt.date | None = None

    def __post_init__(self) -> None:
        check(
            self,
            minutes=one_of(*ALLOWED_LENGTHS_MIN),
            look_ahead_days=between(0, 400, "d"),
            look_ahead_minutes=one_of(*ALLOWED_LENGTHS_MIN),
        )


@dataclass(frozen=True)
class FilesTable:
    """Table `[files]`: names of files by role, relative to the site file.

    Parameters
    ----------
    prices, orders, stocks, availability, loads, locks, takes, profiles, peaks, state : tuple of str
        Files of each role; one name may stand without a list. [-]
    price_sequence : int, optional
        Auction to take from market documents that hold several. [-]
    """

    prices: tuple[str, ...] = ()
    orders: tuple[str, ...] = ()
    stocks: tuple[str, ...] = ()
    availability: tuple[str, ...] = ()
    loads: tuple[str, ...] = ()
    locks: tuple[str, ...] = ()
    takes: tuple[str, ...] = ()
    profiles: tuple[str, ...] = ()
    peaks: tuple[str, ...] = ()
    state: tuple[str, ...] = ()
    price_sequence: int | None = None

    def __post_init__(self) -> None:
        check(self, price_sequence=at_least(1))

    def of(self, role: str) -> tuple[str, ...]:
        """Return the files of a role.

        Parameters
        ----------
        role : str
            One of `ROLES`. [-]

        Returns
        -------
        tuple of str
            Names as the user wrote them. [-]
        """
        return {
            "prices": self.prices,
            "orders": self.orders,
            "stocks": self.stocks,
            "availability": self.availability,
            "loads": self.loads,
            "locks": self.locks,
            "takes": self.takes,
            "profiles": self.profiles,
            "peaks": self.peaks,
            "state": self.state,
        }[role]


ROLES: Final = (
    "prices",
    "profiles",
    "orders",
    "stocks",
    "availability",
    "loads",
    "locks",
    "takes",
    "peaks",
    "state",
)
"""Roles of the files beside the site file and the contract file, in the order they are read."""


@dataclass(frozen=True)
class LoadingTable:
    """Table `[loading]`: loading rate of orders that state none, by mode.

    Parameters
    ----------
    road_t_per_h, rail_t_per_h, ship_t_per_h, container_t_per_h : float, optional
        Rate, above 0, in the same tonnes as the quantity of the order. [t/h]
    """

    road_t_per_h: float | None = None
    rail_t_per_h: float | None = None
    ship_t_per_h: float | None = None
    container_t_per_h: float | None = None

    def __post_init__(self) -> None:
        rate = above(0, "t/h")
        check(self, road_t_per_h=rate, rail_t_per_h=rate, ship_t_per_h=rate, container_t_per_h=rate)

    @property
    def rates(self) -> Mapping[str, float | None]:
        """Rate by mode. [t/h]."""
        return {
            "road": self.road_t_per_h,
            "rail": self.rail_t_per_h,
            "ship": self.ship_t_per_h,
            "container": self.container_t_per_h,
        }


@dataclass(frozen=True)
class SiteFile:
    """What could be read of a site file; parts with problems are missing.

    Parameters
    ----------
    file : str
        File, as the user named it. [-]
    head : Head or None
        Keys at the top. [-]
    zone : ZoneInfo or None
        Zone of the site. [-]
    currency : str or None
        Currency of the site. [-]
    horizon_table : HorizonTable or None
        Table `[horizon]`. [-]
    files : FilesTable
        Table `[files]`; empty if it has a problem. [-]
    loading : LoadingTable
        Table `[loading]`; empty if it has a problem. [-]
    shifts : ShiftCalendar
        Table `[shifts]`; one shift a day if it is absent or has a problem. [-]
    products : tuple of Commodity
        Products that could be read. [-]
    units : tuple of Unit
        Units that could be read. [-]
    unit_classes : mapping
        Class of each named unit of a known kind, also of those with a problem. [-]
    complete : bool
        Whether every unit could be read. [-]
    named : bool
        Whether name and kind of every unit could be read, so that a name which is not there is a
        mistake, even where another key of a unit is wrong. [-]
    """

    file: str
    head: Head | None
    zone: ZoneInfo | None
    currency: str | None
    horizon_table: HorizonTable | None
    files: FilesTable
    loading: LoadingTable
    shifts: ShiftCalendar
    products: tuple[Commodity, ...]
    units: tuple[Unit, ...]
    unit_classes: Mapping[str, type[Unit]]
    complete: bool
    named: bool

    @property
    def commodities(self) -> Mapping[str, Commodity]:
        """Commodities by name, the usual ones and the site's own. [-]."""
        return {commodity.name: commodity for commodity in (*STANDARD, *self.products)}


def read_site_file(toml: Toml, problems: Problems) -> SiteFile:
    """Return everything of a site file but its contract.

    Parameters
    ----------
    toml : Toml
        The file. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    SiteFile
        What could be read. [-]
    """
    top = toml.place()
    own = {key: value for key, value in toml.values.items() if key not in SECTIONS}
    head = build(Head, own, top, problems, also_known=SECTIONS)
    # Zone and currency are checked by themselves, so that the other files can be read when
    # another key at the top is wrong.
    zone = zone_of(own.get("timezone"), top, problems)
    currency = currency_of(own.get("currency"), top, problems)
    files = _section(FilesTable, "files", _lists(toml.values.get("files", {})), toml, problems)
    horizon_table = _section(HorizonTable, "horizon", toml.values.get("horizon", {}), toml, problems)
    loading = _section(LoadingTable, "loading", toml.values.get("loading", {}), toml, problems)
    shifts = _section(ShiftCalendar, "shifts", toml.values.get("shifts", {}), toml, problems)
    products = _products(toml, problems)
    units, classes, complete = _units(toml, problems)
    if head is not None and complete and not any(head.meter.startswith(unit.key("")) for unit in units):
        problems.add(
            toml.file,
            top.where(("meter",)),
            f"'meter' must be a key of a unit, '<unit>_import' (got '{head.meter}')"
            f"{hint(head.meter, [unit.key('import') for unit in units])}",
        )
    return SiteFile(
        toml.file,
        head,
        zone,
        currency,
        horizon_table,
        files or FilesTable(),
        loading or LoadingTable(),
        shifts or ShiftCalendar(),
        products,
        units,
        MappingProxyType(classes),
        complete,
        bool(units or classes) and len(classes) == len(_tables("unit", toml, Problems())),
    )


def horizon_of(
    site: SiteFile,
    day: dt.date | None,
    now: dt.datetime,
    problems: Problems,
    start: dt.datetime | None = None,
) -> Horizon | None:
    """Return the horizon of a plan day.

    Parameters
    ----------
    site : SiteFile
        The site file. [-]
    day : date, optional
        Plan day asked for; otherwise that of the site file, otherwise tomorrow. [-]
    now : datetime
        The present, with its offset. [-]
    problems : Problems
        Takes what is wrong. [-]
    start : datetime, optional
        Where to start inside the day, with its offset or on the site's clock; at its beginning unless
        given. [-]

    Returns
    -------
    Horizon or None
        The horizon; None if zone or table have a problem. [-]
    """
    if site.zone is None or site.horizon_table is None:
        return None
    table = site.horizon_table
    tomorrow = now.astimezone(site.zone).date() + dt.timedelta(days=1)
    if start is not None:
        start = start if start.tzinfo is not None else start.replace(tzinfo=site.zone)
        day = day or start.astimezone(site.zone).date()
    chosen = day or table.day or tomorrow
    if not FIRST_YEAR < chosen.year < LAST_YEAR:
        problems.add(
            site.file,
            "horizon.day",
            f"the plan day must lie in the years {FIRST_YEAR + 1} to {LAST_YEAR - 1} (got {chosen})",
        )
        return None
    whole = Horizon.of_days(
        chosen,
        site.zone.key,
        table.minutes,
        table.look_ahead_days,
        table.look_ahead_minutes,
        site.shifts,
    )
    if start is None:
        return whole
    try:
        return whole.starting(minute_of(start))
    except ValueError as error:
        problems.add(site.file, "start of the plan", str(error))
        return None


@dataclass(frozen=True)
class ContractRead:
    """What could be read of a contract.

    Parameters
    ----------
    name : str
        Name of the contract. [-]
    components : tuple of Component
        Components that could be read. [-]
    complete : bool
        Whether every component could be read. [-]
    vat_percent : float
        Value-added tax on the bill. [%]
    round_digits : int or None
        Decimal places of a line of the bill. [-]
    """

    name: str
    components: tuple[Component, ...]
    complete: bool
    vat_percent: float = 0.0
    round_digits: int | None = None

    def contract(self, currency: str) -> Contract:
        """Return the contract.

        Parameters
        ----------
        currency : str
            Currency of the site. [-]

        Returns
        -------
        Contract
            The contract. [-]
        """
        return Contract(self.name, currency, self.components, self.vat_percent, self.round_digits)


@dataclass(frozen=True)
class ContractHead:
    """Keys of a contract beside its components.

    Parameters
    ----------
    name : str
        Name for people. [-]
    currency : str, optional
        ISO 4217 code; must be the site's. [-]
    timezone : str, optional
        IANA name of the zone of its clock, for bills without a site; must be the site's. [-]
    vat_percent : float
        Value-added tax on the bill, 0 to 100; 0 where it is reclaimed. [%]
    round_digits : int, optional
        Decimal places to which each line of a bill is rounded, half up, 0 to 6. [-]
    notes : tuple of str
        Sentences about the contract, such as that it is invented. [-]
    """

    name: str
    currency: str | None = None
    timezone: str | None = None
    vat_percent: float = 0.0
    round_digits: int | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check(self, vat_percent=between(0, 100, "%"), round_digits=between(0, 6))


def read_contract(
    place: Place, values: object, currency: str | None, horizon: Horizon | None, problems: Problems
) -> ContractRead:
    """Return a contract, from the site file or from a file of its own.

    Parameters
    ----------
    place : Place
        Where the contract's keys stand. [-]
    values : object
        The contract's keys. [-]
    currency : str, optional
        Currency of the site; not compared when not known. [-]
    horizon : Horizon, optional
        Horizon, whose years are those of the holidays. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    ContractRead
        What could be read. [-]
    """
    if not isinstance(values, Mapping):
        problems.add(place.toml.file, place.where(), "must be a table of keys with 'name' and [[component]]")
        return ContractRead("", (), False)
    own = {key: value for key, value in values.items() if key != "component"}
    head = build(ContractHead, own, place, problems, also_known=("component",))
    if head is not None and head.currency is not None and currency not in (None, head.currency):
        problems.add(
            place.toml.file,
            place.where(("currency",)),
            f"'currency' must be the site's, {currency} (got '{head.currency}')",
        )
    components: list[Component] = []
    places: list[Place] = []
    tables = values.get("component", [])
    names: dict[str, str] = {}
    complete = head is not None
    if not isinstance(tables, list) or not tables:
        problems.add(place.toml.file, place.where(), "the contract must have at least one [[component]]")
        complete, tables = False, []
    for position, table in enumerate(tables):
        path = (*place.path, "component", position)
        title = _title("component", table, position)
        at = place.toml.place(f"{place.title} > {title}" if place.title else title, path)
        resolved = _with_holidays(table, at, (), horizon, problems)
        component = _piece(COMPONENT_KINDS, "component", resolved, at, names, problems)
        if component is None:
            complete = False
        else:
            components.append(component)
            places.append(at)
    for component, at in zip(components, places, strict=True) if complete else ():
        for key, text in component.misfits(tuple(components)):
            problems.add(at.toml.file, at.where((key,)), text)
            complete = False
    if head is None:
        return ContractRead("", tuple(components), complete)
    return ContractRead(head.name, tuple(components), complete, head.vat_percent, head.round_digits)


def _section(cls: type[Any], key: str, values: object, toml: Toml, problems: Problems) -> Any:
    return build(cls, values, toml.place(key, (key,)), problems)


def _lists(values: object) -> object:
    if not isinstance(values, Mapping):
        return values
    return {key: [value] if isinstance(value, str) else value for key, value in values.items()}


def zone_of(name: object, top: Place, problems: Problems) -> ZoneInfo | None:
    """Return a time zone by its name.

    Parameters
    ----------
    name : object
        IANA name as it stands in the file; None without a problem where it is no text. [-]
    top : Place
        Where it stands. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    ZoneInfo or None
        The zone. [-]
    """
    if not isinstance(name, str):
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        # OSError: the name is a folder of the zone data, such as 'Europe'.
        ending = close_match(name, available_timezones(), cutoff=0.8)
        problems.add(
            top.toml.file,
            top.where(("timezone",)),
            f"'timezone' must be an IANA name such as 'Europe/Vienna' (got '{name}'){ending}",
        )
        return None


def currency_of(code: object, top: Place, problems: Problems) -> str | None:
    """Return a currency by its code.

    Parameters
    ----------
    code : object
        ISO 4217 code as it stands in the file; None without a problem where it is no text. [-]
    top : Place
        Where it stands. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    str or None
        The code. [-]
    """
    if not isinstance(code, str):
        return None
    if _CURRENCY.fullmatch(code):
        return code
    problems.add(
        top.toml.file,
        top.where(("currency",)),
        f"'currency' must be three capital letters of ISO 4217 such as 'XTS' (got '{code}')",
    )
    return None


def _products(toml: Toml, problems: Problems) -> tuple[Commodity, ...]:
    result: dict[str, Commodity] = {}
    usual = {commodity.name for commodity in STANDARD}
    for position, table in enumerate(_tables("product", toml, problems)):
        place = toml.place(_title("product", table, position), ("product", position))
        product = build(Commodity, table, place, problems)
        if product is None:
            continue
        if product.name in usual or product.name in result:
            problems.add(
                toml.file,
                place.where(("name",)),
                f"the product '{product.name}' is known already; leave it out",
            )
        else:
            result[product.name] = product
    return tuple(result.values())


def _units(toml: Toml, problems: Problems) -> tuple[tuple[Unit, ...], dict[str, type[Unit]], bool]:
    units: list[Unit] = []
    classes: dict[str, type[Unit]] = {}
    names: dict[str, str] = {}
    tables = _tables("unit", toml, problems)
    if not tables:
        problems.add(toml.file, "", "the site must have at least one [[unit]]")
    for position, table in enumerate(tables):
        place = toml.place(_title("unit", table, position), ("unit", position))
        if isinstance(table, Mapping) and isinstance(table.get("name"), str):
            kind = UNIT_KINDS.get(str(table.get("kind")))
            if kind is not None:
                classes.setdefault(table["name"], kind)
        unit = _piece(UNIT_KINDS, "unit", table, place, names, problems)
        if unit is not None:
            units.append(unit)
    return tuple(units), classes, bool(tables) and len(units) == len(tables)


def read_unit(table: object, place: Place, names: dict[str, str], problems: Problems) -> Unit | None:
    """Return a unit from its table.

    Parameters
    ----------
    table : object
        What stands in the file. [-]
    place : Place
        Where it stands. [-]
    names : dict
        Where each name was used first; takes the unit's. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    Unit or None
        The unit; None if there was a problem. [-]
    """
    return _piece(UNIT_KINDS, "unit", table, place, names, problems)


def _tables(key: str, toml: Toml, problems: Problems) -> Sequence[object]:
    tables = toml.values.get(key, [])
    if isinstance(tables, list):
        return tables
    problems.add(toml.file, toml.place(key, (key,)).where(), f"must be written as [[{key}]], once for each")
    return ()


def _title(word: str, table: object, position: int) -> str:
    name = table.get("name") if isinstance(table, Mapping) else None
    return f"{word} '{name}'" if isinstance(name, str) and name else f"{word} {position + 1}"


def _piece(
    kinds: Mapping[str, type[Piece]],
    word: str,
    table: object,
    place: Place,
    names: dict[str, str],
    problems: Problems,
) -> Piece | None:
    if not isinstance(table, Mapping):
        problems.add(place.toml.file, place.where(), f"must be a table of keys, written as [[{word}]]")
        return None
    kind = table.get("kind")
    if kind is None:
        problems.add(place.toml.file, place.where(), f"'kind' is missing; write one of {', '.join(kinds)}")
        return None
    cls = kinds.get(kind) if isinstance(kind, str) else None
    if cls is None:
        problems.add(
            place.toml.file,
            place.where(("kind",)),
            f"'kind' must be a known kind of {word} (got '{kind}'){hint(str(kind), kinds)}",
        )
        return None
    name = table.get("name")
    fine = True
    if isinstance(name, str):
        if not _NAME.fullmatch(name):
            problems.add(place.toml.file, place.where(("name",)), f"'name' {_NAME_RULE} (got '{name}')")
            fine = False
        elif name in names:
            problems.add(
                place.toml.file,
                place.where(("name",)),
                f"'name' must be there once (got '{name}' again, first in {names[name]})",
            )
            fine = False
        else:
            names[name] = place.where(("name",))
    values = {key: value for key, value in table.items() if key != "kind"}
    record = build(cls, values, place, problems, also_known=("kind",))
    if record is not None and not isinstance(name, str):
        # A time or a date without quotes is taken as text where people write text; a name is no such place.
        text = f"'name' must be a text in quotes (got {name})"
        problems.add(place.toml.file, place.where(("name",)), text)
        fine = False
    return record if fine else None


def _with_holidays(
    values: object, place: Place, path: tuple[str | int, ...], horizon: Horizon | None, problems: Problems
) -> Any:
    """Return a component's values with codes of holidays replaced by dates."""
    if isinstance(values, list):
        return [
            _with_holidays(value, place, (*path, position), horizon, problems)
            for position, value in enumerate(values)
        ]
    if not isinstance(values, Mapping):
        return values
    result: dict[str, Any] = {}
    for key, value in values.items():
        if key == "holidays" and isinstance(value, str):
            result[key] = _dates(value, place, (*path, key), horizon, problems)
        else:
            result[key] = _with_holidays(value, place, (*path, key), horizon, problems)
    return result


def _dates(
    code: str, place: Place, path: tuple[str | int, ...], horizon: Horizon | None, problems: Problems
) -> list[dt.date]:
    days = horizon.days if horizon is not None else (dt.date(FIRST_YEAR + 1, 1, 1),)
    try:
        return list(holiday_dates(code, range(days[0].year - 1, days[-1].year + 2)))
    except ValueError as error:
        problems.add(place.toml.file, place.where(path), str(error))
        return []
