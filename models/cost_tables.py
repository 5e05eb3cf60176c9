"""What a site says about costs besides its units: prices, rooms, hypothetical rooms, a conversion.

Owns the grouping of circuits into rooms, and how a hypothetical room takes the place of units of the site.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

from models.circuit import Circuit
from models.conversion import ConversionTable
from models.cost_values import CostPrices, Room
from models.site import Site
from models.situation import Availability, Situation
from models.unit import Unit

V = TypeVar("V")


@dataclass(frozen=True)
class Hypothetical:
    """Rooms a site does not have: units that would take the place of others.

    Parameters
    ----------
    name : str
        Name, for files. [-]
    meaning : str
        What would be different, in words. [-]
    units : tuple of Unit
        Units that come. [-]
    replaces : tuple of str
        Units of the site that go. [-]
    rooms : tuple of Room
        Rooms of the new circuits; a circuit in none is a room of its own. [-]
    stocks_t : mapping
        Content of new tanks at the start. [t]
    availability : tuple of Availability
        Outages and limits of the new units. [-]
    """

    name: str
    meaning: str
    units: tuple[Unit, ...]
    replaces: tuple[str, ...] = ()
    rooms: tuple[Room, ...] = ()
    stocks_t: Mapping[str, float] = field(default_factory=dict)
    availability: tuple[Availability, ...] = ()

    def applied(self, site: Site, situation: Situation) -> tuple[Site, Situation]:
        """Return the site with the hypothetical units in place, and what is known about it.

        Facts about units that go (outages, loads before, stocks) go with them: the new rooms start free and
        have the outages that are stated for them.

        Parameters
        ----------
        site : Site
            The site as it is. [-]
        situation : Situation
            What is known of it. [-]

        Returns
        -------
        tuple of (Site, Situation)
            Both with the change. [-]

        Raises
        ------
        ValueError
            If a unit that goes is not on the site, two units share a name, or a new unit needs a series or a
            stock that is not known.
        """
        names = {unit.name for unit in site.units}
        missing = sorted(set(self.replaces) - names)
        if missing:
            raise ValueError(f"hypothetical '{self.name}' replaces {', '.join(missing)}: no such unit")
        stocks = {name for unit in self.units for name in unit.initial_stocks()} - set(self.stocks_t)
        series = {name for unit in self.units for name in unit.series_needed()} - set(situation.series)
        for what, unknown in (("the stock of 'stocks_t'", stocks), ("the series", series)):
            if unknown:
                raise ValueError(
                    f"hypothetical '{self.name}' needs {what} {', '.join(sorted(unknown))}: state it"
                )
        gone = frozenset(self.replaces)
        kept = tuple(unit for unit in site.units if unit.name not in gone)
        changed = replace(
            site,
            name=f"{site.name}, {self.meaning}",
            units=(*kept, *self.units),
            notes=(*site.notes, f"Hypothetical: {self.meaning}."),
        )
        return changed, replace(
            situation,
            stocks={**_without(situation.stocks, gone), **self.stocks_t},
            loads_before=_without(situation.loads_before, gone),
            availability=(
                *(fact for fact in situation.availability if fact.unit not in gone),
                *self.availability,
            ),
            end_stocks=_without(situation.end_stocks, gone),
            locks=_without(situation.locks, gone),
            past_loads=_without(situation.past_loads, gone),
        )


def _without(values: Mapping[str, V], names: frozenset[str]) -> dict[str, V]:
    return {name: value for name, value in values.items() if name not in names}


@dataclass(frozen=True)
class CostTables:
    """All tables about costs.

    Parameters
    ----------
    prices : CostPrices
        Table `[costs]`. [-]
    rooms : tuple of Room
        Tables `[[room]]`. [-]
    hypotheticals : tuple of Hypothetical
        Tables `[[hypothetical]]`. [-]
    conversion : ConversionTable
        Table `[conversion]`. [-]
    """

    prices: CostPrices = field(default_factory=CostPrices)
    rooms: tuple[Room, ...] = ()
    hypotheticals: tuple[Hypothetical, ...] = ()
    conversion: ConversionTable = field(default_factory=ConversionTable)


def rooms_of(units: Iterable[Unit], rooms: Iterable[Room]) -> tuple[tuple[Room, tuple[Circuit, ...]], ...]:
    """Return the rooms of a site with their circuits; a circuit in no room is a room of its own.

    A circuit of a room that is not on the site (a hypothetical room took its place) is left out of the room.

    Parameters
    ----------
    units : iterable of Unit
        Units of the site. [-]
    rooms : iterable of Room
        Rooms that were stated. [-]

    Returns
    -------
    tuple of (Room, tuple of Circuit)
        Rooms in the order of their first circuit. [-]

    Raises
    ------
    ValueError
        If a circuit is in two rooms, or a room holds circuits of two technologies.
    """
    circuits = {unit.name: unit for unit in units if isinstance(unit, Circuit)}
    room_of: dict[str, Room] = {}
    for room in rooms:
        for name in room.circuits:
            if name in room_of:
                raise ValueError(
                    f"the circuit '{name}' is in the rooms '{room_of[name].name}' and '{room.name}'"
                )
            if name in circuits:
                room_of[name] = room
    grouped: dict[str, tuple[Room, list[Circuit]]] = {}
    for name, circuit in circuits.items():
        own = room_of.get(name) or Room(name, (name,))
        grouped.setdefault(own.name, (own, []))[1].append(circuit)
    for own, members in grouped.values():
        kinds = sorted({f"{member.technology} with {member.salt}" for member in members})
        if len(kinds) > 1:
            raise ValueError(
                f"the room '{own.name}' holds circuits of {' and '.join(kinds)}: make a room of each"
            )
    return tuple((room, tuple(members)) for room, members in grouped.values())
