"""A site file with new values of some keys, everything else as the person wrote it.

Owns the change of the text and reading it back. Which keys change stands in `scheduler.studies.calibrate`.
"""

from __future__ import annotations

from collections.abc import Iterable, MutableMapping
from dataclasses import fields

import tomlkit

from models.circuit import Circuit
from scheduler.read.files import Source
from scheduler.read.problems import Problems
from scheduler.read.records import read_toml
from scheduler.read.site_file import read_site_file
from scheduler.studies.calibrate import DECIMALS, CircuitCalibration

ANCHOR = "density_max_ka_per_m2"
"""Key of every circuit, on one line, below which a table that is not there yet is written."""


def updated_site(source: Source, calibrations: Iterable[CircuitCalibration]) -> str:
    """Return the text of a site file with fitted values, comments and layout kept.

    Parameters
    ----------
    source : Source
        The site file, readable. [-]
    calibrations : iterable of CircuitCalibration
        Fits of some of its circuits. [-]

    Returns
    -------
    str
        The new text, with the line breaks of the old one. [-]

    Raises
    ------
    InputError
        If the new text is no site file, for example because a power curve would not be convex.
    """
    text = source.data.decode("utf-8")
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    text = text.removeprefix(mark)
    for calibration in calibrations:
        text = _with_values(text, source.name, calibration)
    read_back(Source(source.role, source.name, text.encode()))
    return mark + text


def read_back(source: Source) -> tuple[Circuit, ...]:
    """Read a changed site file and return its circuits.

    Parameters
    ----------
    source : Source
        The changed text. [-]

    Returns
    -------
    tuple of Circuit
        The circuits. [-]

    Raises
    ------
    InputError
        With every problem of the text.
    """
    problems = Problems()
    toml = read_toml(source, problems)
    site = read_site_file(toml, problems) if toml is not None else None
    problems.raise_if_any()
    return tuple(unit for unit in (site.units if site else ()) if isinstance(unit, Circuit))


def _with_values(text: str, name: str, calibration: CircuitCalibration) -> str:
    document = tomlkit.parse(text)
    units = document["unit"]
    position = next(i for i, unit in enumerate(units) if unit["name"] == calibration.before.name)
    unit = units[position]
    absent: list[str] = []
    for change in calibration.changes():
        table = unit.get(change.table)
        if isinstance(table, MutableMapping):
            table[change.key] = change.after
        elif change.table not in absent:
            absent.append(change.table)
    text = tomlkit.dumps(document)
    for table_name in absent:
        text = _with_table(text, name, position, table_name, calibration.circuit())
    return text


def _with_table(text: str, name: str, position: int, table_name: str, circuit: Circuit) -> str:
    """Write a whole table that the circuit did not have: it ran on the technology's default."""
    record = {"voltage": circuit.voltage, "efficiency": circuit.efficiency}[table_name]
    table = tomlkit.inline_table()
    for field in fields(record) if record is not None else ():
        value = getattr(record, field.name)
        if value != field.default:
            table[field.name] = round(value, DECIMALS.get(field.name, 6))
    toml = read_toml(Source("site", name, text.encode()), Problems())
    line = None if toml is None else toml.lines.get(("unit", position, ANCHOR))
    if line is None:
        # A unit in one line: an inline table takes the new one at its end.
        document = tomlkit.parse(text)
        document["unit"][position][table_name] = table
        return tomlkit.dumps(document)
    lines = text.splitlines(keepends=True)
    ending = "\r\n" if lines[line - 1].endswith("\r\n") else "\n"
    indent = lines[line - 1][: len(lines[line - 1]) - len(lines[line - 1].lstrip())]
    if not lines[line - 1].endswith("\n"):
        lines[line - 1] += ending
    lines.insert(line, f"{indent}{table_name} = {table.as_string()}{ending}")
    return "".join(lines)
