"""What converting a room would save, from the study of the site as it is and with the hypothetical room.

Owns the yearly figures that the conversion is valued by. Its money is in `models.conversion`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from models.conversion import Conversion, ConversionTable, Range, Swing, tornado
from models.cost_tables import CostTables, Hypothetical
from models.running_cost import HOURS_PER_YEAR, LABELS, POWER_LINES, RoomCost
from scheduler.studies.technologies import Technologies, Variant

_ENERGY_LINES = tuple(key for key in POWER_LINES if key != "power_standing")


@dataclass(frozen=True)
class SavingLine:
    """One line of the running cost of all rooms in a year, as it is and converted.

    Parameters
    ----------
    key, label : str
        The line. [-]
    as_is, converted : float
        Cost of a year, both for the chlorine of the site as it is. [currency/a]
    """

    key: str
    label: str
    as_is: float
    converted: float

    @property
    def saving(self) -> float:
        """Saving; negative if the line costs more. [currency/a]."""
        return self.as_is - self.converted


@dataclass(frozen=True, eq=False)
class ConversionStudy:
    """A conversion with everything that is shown of it.

    Parameters
    ----------
    as_is, converted : Variant
        The two planned variants. [-]
    rooms_out, rooms_in : tuple of str
        Rooms that go and rooms that come. [-]
    case : Conversion
        The conversion, ready to be valued. [-]
    ranges : mapping
        Each parameter with its range and source. [-]
    lines : tuple of SavingLine
        The yearly saving, line by line. [-]
    swings : tuple of Swing
        The tornado, widest first. [-]
    notes : tuple of str
        What the figures rest on. [-]
    """

    as_is: Variant
    converted: Variant
    rooms_out: tuple[str, ...]
    rooms_in: tuple[str, ...]
    case: Conversion
    ranges: Mapping[str, Range]
    lines: tuple[SavingLine, ...]
    swings: tuple[Swing, ...]
    notes: tuple[str, ...]


def room_to_convert_to(costs: CostTables) -> Hypothetical:
    """Return the hypothetical room that the conversion is about.

    Parameters
    ----------
    costs : CostTables
        Tables about costs. [-]

    Returns
    -------
    Hypothetical
        The one that `[conversion]` names, otherwise the only one. [-]

    Raises
    ------
    ValueError
        If there is none, or there are several and none is named.
    """
    stated = {one.name: one for one in costs.hypotheticals}
    if not stated:
        raise ValueError(
            "no hypothetical room is stated: write a [[hypothetical]] with the converted room in the site "
            "file, or in a file of its own named with --rooms"
        )
    named = costs.conversion.hypothetical
    if named is None and len(stated) > 1:
        raise ValueError(
            f"several hypothetical rooms are stated: name one of {', '.join(stated)} as 'hypothetical' in "
            "[conversion]"
        )
    if named is not None and named not in stated:
        raise ValueError(
            f"[conversion] names '{named}', but only {', '.join(stated)} is stated: name one of these"
        )
    return next(iter(stated.values())) if named is None else stated[named]


def study_conversion(technologies: Technologies, table: ConversionTable, name: str) -> ConversionStudy:
    """Return the conversion to a hypothetical room that was planned with the site.

    Both variants meet the same duties, but need not make the same chlorine to the last tonne (end stocks may
    differ), so the saving is taken per tonne of chlorine of all rooms together, times the chlorine of the
    site as it is. The period's saving holds all year: a week stands for the year only if it is like it.

    Parameters
    ----------
    technologies : Technologies
        The study, the site as it is first. [-]
    table : ConversionTable
        What the site states about the conversion. [-]
    name : str
        The variant to convert to (see `room_to_convert_to`). [-]

    Returns
    -------
    ConversionStudy
        The conversion. [-]

    Raises
    ------
    ValueError
        If there is no such variant, no room goes, or nothing is made.
    """
    as_is, *others = technologies.variants
    converted = next((variant for variant in others if variant.name == name), None)
    if converted is None:
        raise ValueError(f"the hypothetical '{name}' was not planned: plan it with the site first")
    stay = {room.name for room in converted.rooms}
    gone = tuple(room for room in as_is.rooms if room.name not in stay)
    if not gone:
        raise ValueError(
            f"the hypothetical '{converted.name}' takes no room of the site out: name the circuits it "
            "converts in 'replaces'"
        )
    before = {room.name for room in as_is.rooms}
    come = tuple(room.name for room in converted.rooms if room.name not in before)
    old, new = as_is.whole, converted.whole
    hours = old.hours
    made = sum(room.chlorine_t for room in gone) * HOURS_PER_YEAR / hours
    if old.chlorine_t <= 0 or new.chlorine_t <= 0 or made <= 0:
        raise ValueError(
            "the planned period makes no chlorine in the room to convert, so nothing can be compared"
        )
    yearly = old.chlorine_t * HOURS_PER_YEAR / hours
    lines = tuple(
        SavingLine(key, label, _per_t(old, key) * yearly, _per_t(new, key) * yearly)
        for key, label in LABELS.items()
    )
    energy = yearly * sum(
        old.item(key).quantity / old.chlorine_t - new.item(key).quantity / new.chlorine_t
        for key in _ENERGY_LINES
    )
    steam = yearly * (
        new.item("steam").quantity / new.chlorine_t - old.item("steam").quantity / old.chlorine_t
    )
    power_money = sum(line.saving for line in lines if line.key in POWER_LINES)
    # Without energy saved there is no price of saved energy: its money is then one of the other lines.
    per_mwh = power_money / energy if energy > 0 and power_money > 0 else 0.0
    total = sum(line.saving for line in lines)
    ranges = dict(table.resolved())
    if sum(room.item("mercury_makeup").quantity for room in gone) == 0:
        none = ranges["mercury_inventory_t_per_kt"]
        ranges["mercury_inventory_t_per_kt"] = replace(
            none, value=0.0, low=0.0, high=0.0, source="the room holds no mercury"
        )
    case = Conversion(
        chlorine_t_per_year=made,
        capacity_t_per_year=sum(as_is.capacity_t_per_h[room.name] for room in gone) * HOURS_PER_YEAR,
        energy_saved_mwh_per_year=energy,
        power_price_per_mwh=per_mwh,
        steam_more_t_per_year=steam,
        steam_price_per_t=as_is.steam_price_per_t,
        other_saving_per_year=total - energy * per_mwh + steam * as_is.steam_price_per_t,
        **{key: span.value for key, span in ranges.items()},
    )
    return ConversionStudy(
        as_is,
        converted,
        tuple(room.name for room in gone),
        come,
        case,
        MappingProxyType(ranges),
        lines,
        tornado(case, ranges),
        _notes(technologies, hours, old, new),
    )


def _per_t(cost: RoomCost, key: str) -> float:
    return cost.item(key).amount / cost.chlorine_t


def _notes(technologies: Technologies, hours: float, old: RoomCost, new: RoomCost) -> tuple[str, ...]:
    notes = [
        "The saving is that of all rooms together, because the converted site is planned anew: other rooms "
        "are loaded differently too.",
        "Prices and technology are held for the whole life; taxes, subsidies and inflation are left out, so "
        "the discount rate is a real one before tax.",
    ]
    if hours < 0.95 * HOURS_PER_YEAR:
        notes.append(
            f"The planned period is {hours:g} h; it stands for the year by {HOURS_PER_YEAR:g} / {hours:g}. "
            "Seasons, turnarounds and yearly peaks are not in it."
        )
    if abs(new.chlorine_t / old.chlorine_t - 1.0) > 0.01:
        notes.append(
            f"The two plans make {old.chlorine_t:.0f} and {new.chlorine_t:.0f} t of chlorine: more than 1 % "
            "apart, so they do not meet the same duties."
        )
    return (*notes, *technologies.warnings)
