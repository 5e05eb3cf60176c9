"""Tables about costs: `[costs]`, `[[room]]`, `[[hypothetical]]`, `[conversion]`.

Owns their layout. What the values are and what holds where none is stated is in `models.cost_values` and
`models.conversion`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from models.conversion import ConversionTable
from models.cost_tables import CostTables, Hypothetical, rooms_of
from models.cost_values import CostPrices, Room
from models.horizon import minute_of
from models.situation import Availability
from models.unit import Unit
from scheduler.read.problems import Problems, hint
from scheduler.read.records import Place, Toml, build
from scheduler.read.site_file import COST_SECTIONS, read_unit

NOTHING: Final = CostTables()
"""What holds where a site says nothing about costs."""


@dataclass(frozen=True)
class Outage:
    """A calendar fact about a unit of a hypothetical room; the table `[[hypothetical.outage]]`.

    Parameters
    ----------
    unit : str
        Unit that comes. [-]
    what : str
        What is limited, as in the availability file. [-]
    value : float
        Value while it holds. [as named]
    start, end : datetime
        From when to when, with offset from UTC. [-]
    note : str
        Reason, for people. [-]
    """

    unit: str
    what: str
    value: float
    start: dt.datetime
    end: dt.datetime
    note: str = ""

    def __post_init__(self) -> None:
        if not minute_of(self.start) < minute_of(self.end):
            raise ValueError(f"'end' must be after 'start' (got {self.start} and {self.end})")

    @property
    def fact(self) -> Availability:
        """The outage as a record of the situation. [-]."""
        return Availability(
            self.unit, self.what, self.value, minute_of(self.start), minute_of(self.end), self.note
        )


@dataclass(frozen=True)
class HypotheticalHead:
    """Keys of a `[[hypothetical]]` beside its units and rooms.

    Parameters
    ----------
    name : str
        Name, for files. [-]
    meaning : str
        What would be different, in words. [-]
    replaces : tuple of str
        Units of the site that go. [-]
    stocks_t : mapping
        Content of new tanks at the start. [t]
    outage : tuple of Outage
        Outages and limits of the units that come. [-]
    """

    name: str
    meaning: str
    replaces: tuple[str, ...] = ()
    stocks_t: Mapping[str, float] = field(default_factory=dict)
    outage: tuple[Outage, ...] = ()


def read_cost_tables(toml: Toml, units: Sequence[Unit], complete: bool, problems: Problems) -> CostTables:
    """Return the tables about costs of a file.

    Parameters
    ----------
    toml : Toml
        The site file, or a file that holds nothing else. [-]
    units : sequence of Unit
        Units of the site that could be read. [-]
    complete : bool
        Whether these are all, so that a name which is not there is a mistake. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    CostTables
        What could be read. [-]
    """
    prices = build(CostPrices, toml.values.get("costs", {}), toml.place("costs", ("costs",)), problems)
    known = [unit.name for unit in units]
    rooms = tuple(
        room
        for place, table in _listed("room", toml.values, toml.place(), problems)
        if (room := build(Room, table, place, problems)) is not None
    )
    hypotheticals = tuple(
        one
        for place, table in _listed("hypothetical", toml.values, toml.place(), problems)
        if (one := _hypothetical(place, table, known if complete else None, problems)) is not None
    )
    table = toml.values.get("conversion", {})
    place = toml.place("conversion", ("conversion",))
    conversion = build(ConversionTable, table, place, problems)
    if complete:
        _check_rooms(units, rooms, hypotheticals, toml, problems)
    if conversion is not None and conversion.hypothetical is not None:
        names = [one.name for one in hypotheticals]
        if conversion.hypothetical not in names and len(names) == len(toml.values.get("hypothetical", [])):
            problems.add(
                toml.file,
                place.where(("hypothetical",)),
                f"'hypothetical' must be the name of a [[hypothetical]] (got '{conversion.hypothetical}')"
                f"{hint(conversion.hypothetical, names)}",
            )
    return CostTables(prices or CostPrices(), rooms, hypotheticals, conversion or ConversionTable())


def read_rooms_file(
    toml: Toml, site: CostTables, units: Sequence[Unit], complete: bool, problems: Problems
) -> CostTables:
    """Return the tables about costs with those of a file of their own in place of the site's.

    Parameters
    ----------
    toml : Toml
        The file. [-]
    site : CostTables
        What the site file says. [-]
    units : sequence of Unit
        Units of the site. [-]
    complete : bool
        Whether these are all. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    CostTables
        For each kind of table, that of the file if it is there, otherwise the site's. [-]
    """
    for key in sorted(set(toml.values) - set(COST_SECTIONS)):
        problems.add(
            toml.file, toml.place().where((key,)), f"'{key}' is not a key here{hint(key, COST_SECTIONS)}"
        )
    own = read_cost_tables(toml, units, complete, problems)
    return CostTables(
        own.prices if "costs" in toml.values else site.prices,
        own.rooms if "room" in toml.values else site.rooms,
        own.hypotheticals if "hypothetical" in toml.values else site.hypotheticals,
        own.conversion if "conversion" in toml.values else site.conversion,
    )


def _listed(
    key: str, values: Mapping[str, Any], above: Place, problems: Problems
) -> list[tuple[Place, Mapping[str, Any]]]:
    """Return the tables of a list `[[key]]` with their places."""
    tables = values.get(key, [])
    found = []
    toml = above.toml
    if not isinstance(tables, list):
        problems.add(toml.file, above.where((key,)), f"must be written as [[{key}]], once for each")
        return []
    for position, table in enumerate(tables):
        name = table.get("name") if isinstance(table, Mapping) else None
        title = f"{key} '{name}'" if isinstance(name, str) and name else f"{key} {position + 1}"
        place = toml.place(" > ".join(filter(None, (above.title, title))), (*above.path, key, position))
        if isinstance(table, Mapping):
            found.append((place, table))
        else:
            problems.add(toml.file, place.where(), f"must be a table of keys, written as [[{key}]]")
    return found


def _hypothetical(
    place: Place, table: Mapping[str, Any], known: Sequence[str] | None, problems: Problems
) -> Hypothetical | None:
    own = {key: value for key, value in table.items() if key not in ("unit", "room")}
    head = build(HypotheticalHead, own, place, problems, also_known=("unit", "room"))
    before = len(problems)
    names: dict[str, str] = {}
    if head is not None and known is not None:
        for name in head.replaces:
            if name not in known:
                problems.add(
                    place.toml.file,
                    place.where(("replaces",)),
                    f"'replaces' must name units of the site (got '{name}'){hint(name, known)}",
                )
        names = {name: "the site" for name in known if name not in head.replaces}
    units = [read_unit(one, at, names, problems) for at, one in _listed("unit", table, place, problems)]
    rooms = [build(Room, one, at, problems) for at, one in _listed("room", table, place, problems)]
    if head is not None:
        tanks = [name for unit in units if unit is not None for name in unit.initial_stocks()]
        for name in tanks:
            if name not in head.stocks_t:
                problems.add(
                    place.toml.file,
                    place.where(("stocks_t",)),
                    f"'stocks_t' must hold the content of '{name}' at the start [t]",
                )
        for name in head.stocks_t:
            if name not in tanks:
                problems.add(
                    place.toml.file,
                    place.where(("stocks_t",)),
                    f"'stocks_t' must name new tanks (got '{name}'){hint(name, tanks)}",
                )
        _check_outages(head.outage, [unit for unit in units if unit is not None], place, problems)
    if head is None or len(problems) > before:
        return None
    return Hypothetical(
        head.name,
        head.meaning,
        tuple(unit for unit in units if unit is not None),
        head.replaces,
        tuple(room for room in rooms if room is not None),
        head.stocks_t,
        tuple(outage.fact for outage in head.outage),
    )


def _check_outages(
    outages: Sequence[Outage], units: Sequence[Unit], place: Place, problems: Problems
) -> None:
    new = {unit.name: unit for unit in units}
    for position, outage in enumerate(outages):
        unit = new.get(outage.unit)
        if unit is None:
            problems.add(
                place.toml.file,
                place.where(("outage", position, "unit")),
                f"'unit' must be a unit of the hypothetical room (got '{outage.unit}')"
                f"{hint(outage.unit, new)}",
            )
        elif outage.what not in unit.availabilities:
            problems.add(
                place.toml.file,
                place.where(("outage", position, "what")),
                f"'what' must be one of {', '.join(unit.availabilities)} (got '{outage.what}')"
                f"{hint(outage.what, unit.availabilities)}",
            )


def _check_rooms(
    units: Sequence[Unit],
    rooms: Sequence[Room],
    hypotheticals: Sequence[Hypothetical],
    toml: Toml,
    problems: Problems,
) -> None:
    """Check that rooms name circuits that are there, each once, and that names are there once."""
    for word, names in (("room", [r.name for r in rooms]), ("hypothetical", [h.name for h in hypotheticals])):
        for name in sorted({name for name in names if names.count(name) > 1}):
            problems.add(toml.file, f"[[{word}]]", f"'name' must be there once (got '{name}' twice)")
    cases: list[tuple[str, Sequence[Unit], Sequence[Room], Sequence[Room]]] = [
        ("[[room]]", units, rooms, rooms)
    ]
    for one in hypotheticals:
        left = [unit for unit in units if unit.name not in one.replaces]
        cases.append((f"hypothetical '{one.name}'", [*left, *one.units], one.rooms, [*rooms, *one.rooms]))
    for where, present, own, together in cases:
        circuits = [unit.name for unit in present if unit.kind == "circuit"]
        for room in own:
            for name in room.circuits:
                if name not in circuits:
                    problems.add(
                        toml.file,
                        where,
                        f"room '{room.name}': 'circuits' must name circuits of the site (got '{name}')"
                        f"{hint(name, circuits)}",
                    )
        try:
            rooms_of(present, together)
        except ValueError as error:
            problems.add(toml.file, where, str(error))
