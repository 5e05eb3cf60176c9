"""Readings of cells for a calibration: time, load, voltage, and what was analysed.

Owns the columns. What is made of them stands in `scheduler.studies.calibrate`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from models.checks import above, at_least, at_most, between
from models.circuit import Circuit
from scheduler.errors import InputError
from scheduler.read.context import Context
from scheduler.read.files import Source, load
from scheduler.read.problems import Problems, hint
from scheduler.read.records import read_toml
from scheduler.read.site_file import SiteFile, read_site_file
from scheduler.read.tables import Columns, Row, read_table
from scheduler.read.times import shown
from scheduler.studies.calibrate import Readings

COLUMNS = Columns(
    ("time", "circuit", "load_ka"),
    (
        "cell_voltage_v",
        "dc_voltage_v",
        "cells",
        "electrolysers",
        "temperature_c",
        "strength_percent",
        "efficiency_percent",
        "ac_power_mw",
    ),
)
LEAST_CELL_V, MOST_CELL_V = 1.0, 8.0
"""Range of a cell voltage; outside it another voltage, or another number of cells, was meant. [V]"""


@dataclass(frozen=True, eq=False)
class ReadingsRead:
    """A site and the readings of its circuits.

    Parameters
    ----------
    site : SiteFile
        The site file. [-]
    source : Source
        The same as bytes. [-]
    zone : ZoneInfo
        Zone of the site. [-]
    circuits : mapping
        Circuits by name. [-]
    readings : mapping
        Readings by circuit. [-]
    digests : mapping
        SHA-256 of both files, by 'role:name'. [-]
    """

    site: SiteFile
    source: Source
    zone: ZoneInfo
    circuits: Mapping[str, Circuit]
    readings: Mapping[str, Readings]
    digests: Mapping[str, str]

    @property
    def name(self) -> str:
        """Name of the site for people. [-]."""
        return self.site.head.name if self.site.head is not None else ""

    @property
    def notes(self) -> tuple[str, ...]:
        """Sentences that stand on every output. [-]."""
        return self.site.head.notes if self.site.head is not None else ()


@dataclass(frozen=True)
class _One:
    """One reading."""

    minute: int
    values: tuple[float, ...]
    place: str


def read_readings(site_path: Path, path: Path) -> ReadingsRead:
    """Read a site file and the readings of its circuits.

    Parameters
    ----------
    site_path : Path
        Site file; the files it names are not read. [-]
    path : Path
        CSV or XLSX table of readings. [-]

    Returns
    -------
    ReadingsRead
        Site and readings. [-]

    Raises
    ------
    InputError
        With every problem of both files.
    """
    problems = Problems()
    source = load("site", str(site_path), Path(), problems)
    table = load("readings", str(path), Path(), problems)
    toml = read_toml(source, problems) if source is not None else None
    if source is None or toml is None:
        raise InputError(problems.listed())
    site = read_site_file(toml, problems)
    context = Context(site, site.zone or ZoneInfo("UTC"), None, problems)
    circuits = {unit.name: unit for unit in site.units if isinstance(unit, Circuit)}
    readings = {} if table is None else _by_circuit(table, circuits, context)
    if table is not None and not len(problems) and not readings:
        problems.add(table.name, "", "the file has no reading; write one row for each")
    problems.raise_if_any()
    digests = {f"{file.role}:{file.name}": file.digest for file in (source, table) if file is not None}
    return ReadingsRead(site, source, context.zone, circuits, readings, digests)


def _by_circuit(table: Source, circuits: Mapping[str, Circuit], context: Context) -> dict[str, Readings]:
    found: dict[str, dict[int, _One]] = {}
    for row in read_table(table, COLUMNS, context.problems):
        minute = row.minute("time", context.zone)
        name = _circuit(row, context)
        if name is None:
            continue
        values = _values(row, circuits.get(name))
        if minute is None or values is None:
            continue
        known = found.setdefault(name, {})
        if minute in known:
            row.fault(
                "time",
                f"has a second reading of '{name}' at {shown(minute, context.zone)}, the first is in "
                f"{known[minute].place}; keep one",
            )
            continue
        known[minute] = _One(minute, values, row.place)
    result = {}
    for name, rows in found.items():
        ones = sorted(rows.values(), key=lambda one: one.minute)
        columns = np.array([one.values for one in ones], dtype=np.float64).T
        load_ka, voltage, cells, electrolysers, temperature, strength, efficiency, power = columns
        result[name] = Readings(
            name,
            np.array([one.minute for one in ones], dtype=np.int64),
            load_ka,
            voltage,
            cells,
            electrolysers,
            temperature,
            strength,
            efficiency,
            power,
            tuple(one.place for one in ones),
        )
    return result


def _circuit(row: Row, context: Context) -> str | None:
    unit = context.unit_class(row, "circuit")
    if unit is None:
        return None
    name = row.text("circuit") or ""
    if not issubclass(unit, Circuit):
        names = [n for n, cls in context.site.unit_classes.items() if issubclass(cls, Circuit)]
        row.fault("circuit", f"must be a circuit (got '{name}'){hint(name, names)}")
        return None
    return name


def _values(row: Row, circuit: Circuit | None) -> tuple[float, ...] | None:
    """Return the numbers of a reading in the order of `Readings`; None after a problem."""
    before = len(row.problems)
    current = row.number("load_ka", above(0, "kA"))
    given = [name for name in ("cell_voltage_v", "dc_voltage_v") if row.has(name)]
    if len(given) != 1:
        row.fault(
            "cell_voltage_v",
            f"or 'dc_voltage_v' must be given, one of them (got {'both' if given else 'neither'})",
        )
    cells = _count(row, "cells", None if circuit is None else circuit.cells_in_series)
    electrolysers = _count(
        row, "electrolysers", None if circuit is None else circuit.electrolysers_in_parallel
    )
    voltage = None
    if given == ["cell_voltage_v"]:
        voltage = row.number("cell_voltage_v", between(LEAST_CELL_V, MOST_CELL_V, "V"))
    elif given == ["dc_voltage_v"]:
        whole = row.number("dc_voltage_v", above(0, "V"))
        if None not in (whole, current, cells) and circuit is not None:
            voltage = _per_cell(row, circuit, float(whole or 0), float(current or 0), float(cells or 0))
    optional = (
        _optional(row, "temperature_c", 0.0, 130.0, "C"),
        _optional(row, "strength_percent", 0.0, 60.0, "wt%"),
        # Analyses scatter, so one may stand a little above 100.
        _optional(row, "efficiency_percent", 50.0, 105.0, "%"),
        _optional(row, "ac_power_mw", 0.0, 1000.0, "MW"),
    )
    if len(row.problems) > before or circuit is None:
        return None
    numbers = (current, voltage, cells, electrolysers, *optional)
    return tuple(float("nan") if number is None else float(number) for number in numbers)


def _per_cell(row: Row, circuit: Circuit, whole_v: float, load_ka: float, cells: float) -> float | None:
    voltage = (whole_v - circuit.busbar.drop_v(load_ka)) / cells
    if not LEAST_CELL_V <= voltage <= MOST_CELL_V:
        row.fault(
            "dc_voltage_v",
            f"must give a cell voltage from {LEAST_CELL_V:g} to {MOST_CELL_V:g} [V] (got {whole_v:g} V, less "
            f"the busbars over {cells:g} cells {voltage:.3f} V); check the number of cells",
        )
        return None
    return voltage


def _count(row: Row, column: str, installed: int | None) -> float | None:
    if not row.has(column):
        return None if installed is None else float(installed)
    rules = (at_least(1),) if installed is None else (at_least(1), at_most(installed))
    value = row.whole_number(column, *rules)
    return None if value is None else float(value)


def _optional(row: Row, column: str, low: float, high: float, unit: str) -> float | None:
    return row.number(column, between(low, high, unit)) if row.has(column) else None
