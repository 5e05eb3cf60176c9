"""Stocks: the level of every tank at the start, and the least level at the end.

Owns the columns. The conversion of a dip or a volume to tonnes belongs to the tank.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Protocol, runtime_checkable

from models.checks import InvalidValues, above, at_least, at_most, between
from models.situation import Availability, Situation
from models.tank import Store
from models.unit import Unit
from scheduler.read.context import Context
from scheduler.read.files import Source
from scheduler.read.problems import hint
from scheduler.read.tables import Columns, Row, read_table

LEVELS = ("level_t", "level_percent", "level_m3")
COLUMNS = Columns(
    ("tank",),
    (*LEVELS, "strength_percent", "temperature_c", "end_t"),
    {
        "tank": "name of the store in the site file",
        "level_t": "content, t of Cl2 or dry t of alkali; give exactly one of the three levels",
        "level_percent": "dip level, % of the gross volume",
        "level_m3": "volume in store, m3",
        "strength_percent": "strength of the content, wt%; the tank's usual one if left out",
        "temperature_c": "its temperature, C; the tank's usual one if left out",
        "end_t": "least content at the end of the look-ahead, t",
    },
)


@runtime_checkable
class Dipped(Protocol):
    """A unit that turns a reading of its level into tonnes."""

    def tonnes(
        self,
        level_percent: float | None = None,
        level_m3: float | None = None,
        strength_percent: float | None = None,
        temperature_c: float | None = None,
    ) -> float:
        """Return the tonnes of a reading.

        Parameters
        ----------
        level_percent : float, optional
            Level. [%]
        level_m3 : float, optional
            Volume. [m3]
        strength_percent : float, optional
            Strength of the content. [wt%]
        temperature_c : float, optional
            Temperature of the content. [degC]

        Returns
        -------
        float
            Content. [t]
        """


@dataclass(frozen=True)
class Stocks:
    """Levels of tanks.

    Parameters
    ----------
    start_t : mapping
        Level at the start by name. [t]
    end_t : mapping
        Least level at the end by name, where given. [t]
    """

    start_t: dict[str, float]
    end_t: dict[str, float]


def read_stocks(
    sources: Sequence[Source],
    all_read: bool,
    context: Context,
    expected_t: Mapping[str, float] = MappingProxyType({}),
    facts: tuple[Availability, ...] = (),
) -> Stocks:
    """Return the levels of some files.

    Parameters
    ----------
    sources : sequence of Source
        CSV or XLSX tables. [-]
    all_read : bool
        Whether every file of stocks could be opened; otherwise missing levels are not told. [-]
    context : Context
        The site. [-]
    expected_t : mapping
        Levels to take where no row gives one, by stock: those that a running plan expects. [t]
    facts : tuple of Availability
        Outages: a level in percent is that of the tanks in service at the start. [-]

    Returns
    -------
    Stocks
        The levels. [t]
    """
    units = {
        name: _at_start(unit, facts, context) for unit in context.site.units for name in unit.initial_stocks()
    }
    seen: dict[str, str] = {}
    result = Stocks({}, {})
    before = len(context.problems)
    rows = [row for source in sources for row in read_table(source, COLUMNS, context.problems)]
    certain = all_read and len(context.problems) == before
    for row in rows:
        name = row.text("tank")
        if name is None:
            certain = False
        elif name in seen:
            row.fault("tank", f"must be there once (got '{name}' again, first in {seen[name]})")
        else:
            seen[name] = f"{row.file}, {row.place}"
            _level(row, name, units, result, context)
    if certain:
        place = ", ".join(source.name for source in sources) or context.site.file
        # A store whose own table has a problem still needs its level: both are told at once.
        stores = [n for n in _unread(units, context) if issubclass(context.site.unit_classes[n], Store)]
        for name in (*units, *stores):
            if name in seen:
                continue
            if name in expected_t:
                result.start_t[name] = expected_t[name]
                context.notes.append(
                    f"tank '{name}': level {expected_t[name]:.1f} t as the running plan expects"
                )
            else:
                context.problems.add(
                    place, f"tank '{name}'", "the level at the start is missing; write a row for this tank"
                )
    return result


def _level(row: Row, name: str, units: dict[str, Unit], result: Stocks, context: Context) -> None:
    unit = units.get(name)
    if unit is None and _is_no_stock(name, units, context):
        known = dict.fromkeys([*units, *_unread(units, context)])
        row.fault("tank", f"must be a stock of the site (got '{name}'){hint(name, known)}")
    given = [column for column in LEVELS if row.has(column)]
    if len(given) != 1:
        came = ", ".join(given) or "none"
        context.problems.add(
            row.file, row.place, f"exactly one of {', '.join(LEVELS)} must be given (got {came})"
        )
    tonnes = row.number("level_t", at_least(0, "t")) if row.has("level_t") else None
    percent = row.number("level_percent", at_least(0, "%")) if row.has("level_percent") else None
    volume = row.number("level_m3", at_least(0, "m3")) if row.has("level_m3") else None
    strength = (
        row.number("strength_percent", above(0, "wt%"), at_most(100, "wt%"))
        if row.has("strength_percent")
        else None
    )
    temperature = (
        row.number("temperature_c", between(-100, 300, "degC")) if row.has("temperature_c") else None
    )
    if row.has("end_t"):
        end = row.number("end_t", at_least(0, "t"))
        if end is not None:
            result.end_t[name] = end
    if len(given) != 1:
        return
    if row.has("level_t"):
        for column in ("strength_percent", "temperature_c"):
            if row.has(column):
                row.fault(
                    column, "must be left out beside 'level_t', which counts dry tonnes (tonnes of Cl2)"
                )
        if tonnes is not None:
            result.start_t[name] = tonnes
    elif unit is not None and (percent is not None or volume is not None):
        _convert(row, name, unit, (percent, volume, strength, temperature), result)


def _at_start(unit: Unit, facts: tuple[Availability, ...], context: Context) -> Unit:
    if context.horizon is None or not isinstance(unit, Store):
        return unit
    return unit.at_start(context.horizon, Situation(availability=facts))


def _unread(units: Mapping[str, Unit], context: Context) -> list[str]:
    """Return the names of units that could not be read and may hold a stock."""
    read = {unit.name for unit in context.site.units}
    return [name for name in context.site.unit_classes if name not in read and name not in units]


def _is_no_stock(name: str, units: Mapping[str, Unit], context: Context) -> bool:
    if context.site.complete:
        return True
    # A unit with a wrong key elsewhere still has its stocks, which carry its name.
    return context.site.named and not any(name.startswith(other) for other in _unread(units, context))


def _convert(
    row: Row,
    name: str,
    unit: Unit,
    reading: tuple[float | None, float | None, float | None, float | None],
    result: Stocks,
) -> None:
    if not isinstance(unit, Dipped):
        row.fault("tank", f"must be given by 'level_t': '{name}' has no other reading")
        return
    try:
        result.start_t[name] = unit.tonnes(*reading)
    except InvalidValues as error:
        for _, text in error.problems:
            row.problems.add(row.file, row.place, text)
    except ValueError as error:
        row.problems.add(row.file, row.place, f"tank '{name}': {error}")
