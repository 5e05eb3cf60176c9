"""Every key that a file may hold, with meaning, unit and default, from the records that read them.

Owns the reading of the records' own docstrings and their text for people. What a key means stands beside
the record it belongs to, and nowhere else; a new kind is in here without an edit.
"""

from __future__ import annotations

import dataclasses
import inspect
import re
import textwrap
import typing
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from models.commodity import Commodity
from models.kinds import COMPONENT_KINDS, UNIT_KINDS
from models.shifts import ShiftCalendar
from models.site import Contact
from models.unit import Unit
from scheduler.read import availability, loads, orders, peaks, prices, state, stocks, takes
from scheduler.read.problems import hint
from scheduler.read.records import record_in
from scheduler.read.site_file import ContractHead, FilesTable, Head, HorizonTable, LoadingTable
from scheduler.read.tables import Columns

WIDTH = 100
_UNITS = re.compile(r"\s*((?:\[[^\]]*\](?:, )?)+)\.?$")
_ENTRY = re.compile(r"(\w+(?:, \w+)*) : (.+)")

TABLES: Mapping[str, tuple[type, str]] = {
    "site": (Head, "keys at the top of the site file"),
    "contact": (Contact, "an entry of 'contacts' at the top of the site file"),
    "horizon": (HorizonTable, "table [horizon] of the site file"),
    "shifts": (ShiftCalendar, "table [shifts] of the site file"),
    "files": (FilesTable, "table [files] of the site file"),
    "loading": (LoadingTable, "table [loading] of the site file"),
    "product": (Commodity, "table [[product]] of the site file"),
    "contract": (ContractHead, "keys of [contract], or at the top of a contract file"),
}
"""Tables that have no kind: record, and where they stand."""
ROLES: Mapping[str, tuple[Columns, str]] = {
    "prices": (prices.PRICE_COLUMNS, "a price for 60, 30 or 15 minutes"),
    "orders": (orders.COLUMNS, "a lot, or one day of a pipeline customer"),
    "stocks": (stocks.COLUMNS, "a stock at the start of the plan day"),
    "availability": (availability.COLUMNS, "an outage or a limit, with its times"),
    "loads": (loads.COLUMNS, "an actual load of the past weeks"),
    "locks": (loads.COLUMNS, "a load that is given and not planned"),
    "takes": (takes.COLUMNS, "what a pipeline customer takes now, or was told"),
    "profiles": (prices.PROFILE_COLUMNS, "a value of a profile, such as the other load of the site"),
    "peaks": (peaks.COLUMNS, "the highest metered mean so far in a billing month"),
    "state": (state.COLUMNS, "what a billing period has had, and what is expected of it"),
}
"""Roles of files: columns, and what one row is."""


@dataclass(frozen=True)
class Key:
    """One key of a table.

    Parameters
    ----------
    name : str
        The key. [-]
    meaning : str
        What it is, with its range. [-]
    unit : str
        Unit of its value; '-' where it has none. [-]
    default : str or None
        What holds where it is left out, as one would write it; None where it must be given. [-]
    inner : tuple of Key
        Keys of the table, or of each table of the list, that is its value. [-]
    many : bool
        Whether its value is a list. [-]
    """

    name: str
    meaning: str
    unit: str
    default: str | None
    inner: tuple[Key, ...] = ()
    many: bool = False


def documented(cls: type) -> dict[str, tuple[str, str]]:
    """Return what a record's docstring says of its parameters.

    Parameters
    ----------
    cls : type
        Class with a docstring in the layout of numpydoc. [-]

    Returns
    -------
    dict
        Description and unit, by parameter. [-]
    """
    lines = inspect.cleandoc(cls.__doc__ or "").splitlines()
    result: dict[str, tuple[str, str]] = {}
    names: list[str] = []
    told: list[str] = []

    def close() -> None:
        text = " ".join(told)
        found = _UNITS.search(text)
        units = re.findall(r"\[([^\]]*)\]", found[1]) if found else ["-"]
        # One unit holds for all names of an entry; several are one each.
        each = units if len(units) == len(names) else units[-1:] * len(names)
        result.update({name: (_UNITS.sub("", text), unit) for name, unit in zip(names, each, strict=True)})

    inside = False
    for line, below in zip(lines, (*lines[1:], ""), strict=True):
        if line and below and set(below) == {"-"}:
            close()
            names, told = [], []
            inside = line == "Parameters"
            continue
        entry = _ENTRY.fullmatch(line) if inside else None
        if entry:
            close()
            names, told = entry[1].split(", "), []
        elif inside and line.startswith(" "):
            told.append(line.strip())
    close()
    return result


def keys_of(cls: type) -> tuple[Key, ...]:
    """Return the keys of a record, those that must be given first.

    Parameters
    ----------
    cls : type
        Frozen dataclass. [-]

    Returns
    -------
    tuple of Key
        The keys. [-]
    """
    told = documented(cls)
    hints = typing.get_type_hints(cls)
    result = []
    for field in dataclasses.fields(cls):
        if not field.init:
            continue
        meaning, unit = told.get(field.name, ("", "-"))
        record = record_in(hints[field.name])
        inner = keys_of(record) if isinstance(record, type) and record is not cls else ()
        many = any(
            typing.get_origin(part) is tuple
            for part in (hints[field.name], *typing.get_args(hints[field.name]))
        )
        result.append(Key(field.name, meaning.replace("`", ""), unit, _default(field), inner, many))
    return tuple(sorted(result, key=lambda key: key.default is not None))


def _default(field: dataclasses.Field[object]) -> str | None:
    if field.default is dataclasses.MISSING:
        return None if field.default_factory is dataclasses.MISSING else "its own"
    value = field.default
    if value is None or value == ():
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return f"{value:g}"
    return (
        f'"{value}"'
        if isinstance(value, str)
        else "its own"
        if dataclasses.is_dataclass(value)
        else str(value)
    )


def overview() -> str:
    """Return every kind, table and role with one line each. [-]."""
    groups: tuple[tuple[str, Mapping[str, str]], ...] = (
        ("Kinds of units, [[unit]] of the site file:", {k: _first(c) for k, c in sorted(UNIT_KINDS.items())}),
        (
            "Kinds of contract components, [[contract.component]]:",
            {k: _first(c) for k, c in sorted(COMPONENT_KINDS.items())},
        ),
        ("Other tables:", {name: where for name, (_, where) in TABLES.items()}),
        ("Files, by role; one row is:", {name: row for name, (_, row) in ROLES.items()}),
    )
    lines: list[str] = []
    for title, entries in groups:
        lines += [*([""] if lines else []), title]
        for name, text in entries.items():
            lines += textwrap.wrap(
                text,
                WIDTH,
                initial_indent=f"  {name:<21} ",
                subsequent_indent=" " * 24,
                break_on_hyphens=False,
            )
    return "\n".join(lines)


def keys_text(name: str) -> str:
    """Return all keys of a kind, a table or a role; or, for the name of a key, what it means in each.

    Parameters
    ----------
    name : str
        Kind of a unit or component, table, role of a file, or key. [-]

    Returns
    -------
    str
        The text. [-]

    Raises
    ------
    ValueError
        If nothing has the name; a close one is named.
    """
    parts = list(_tables(name))
    if name in ROLES:
        parts.append(_role_text(name))
    if not parts:
        parts = [
            "\n".join([f"In {title}:", *_lines((key,), "  ")])
            for known in (*UNIT_KINDS, *COMPONENT_KINDS, *TABLES)
            for title, cls in _records(known)
            for key in _everywhere(keys_of(cls))
            if key.name == name
        ]
    if not parts:
        known = dict.fromkeys((*UNIT_KINDS, *COMPONENT_KINDS, *TABLES, *ROLES))
        raise ValueError(f"no kind, table, role or key has the name '{name}'{hint(name, known)}")
    return "\n\n".join(parts)


def _everywhere(keys: Iterable[Key]) -> Iterator[Key]:
    for key in keys:
        yield key
        yield from _everywhere(key.inner)


def _records(name: str) -> Iterator[tuple[str, type]]:
    if name in UNIT_KINDS:
        yield f'[[unit]] with kind = "{name}"', UNIT_KINDS[name]
    if name in COMPONENT_KINDS:
        yield f'[[contract.component]] with kind = "{name}"', COMPONENT_KINDS[name]
    if name in TABLES:
        cls, where = TABLES[name]
        yield where, cls


def _tables(name: str) -> Iterator[str]:
    for title, cls in _records(name):
        keys = keys_of(cls)
        needed = [key for key in keys if key.default is None]
        free = [key for key in keys if key.default is not None]
        lines = textwrap.wrap(f"{title}: {_summary(cls)}", WIDTH)
        for head, some in (("Must be given:", needed), ("May be left out:", free)):
            if some:
                lines += ["", head, *_lines(some, "  ")]
        if issubclass(cls, Unit) and cls.availabilities:
            lines += ["", f"What the availability file may limit: {', '.join(cls.availabilities)}"]
        yield "\n".join(lines)


def _role_text(role: str) -> str:
    columns, row = ROLES[role]
    lines = textwrap.wrap(
        f"Files of the role '{role}' (--{role}, or {role} = under [files]). One row is {row}.", WIDTH
    )
    for head, names in (
        ("Columns that must be there:", columns.required),
        ("May be there:", columns.optional),
    ):
        if names:
            lines += ["", head]
            lines += [line for name in names for line in _wrapped(name, columns.meanings.get(name, ""))]
    if role in prices.LAID_OVER:
        lines += ["", "Of several files a later one lies over the earlier ones where both have a value."]
    return "\n".join(lines)


def _wrapped(name: str, text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=f"  {name:<17} ", subsequent_indent=" " * 20)


def _lines(keys: Iterable[Key], indent: str) -> Iterator[str]:
    for key in keys:
        unit = f" [{key.unit}]" if key.unit != "-" else ""
        default = "" if key.default is None else f", default {key.default}"
        default = ", optional" if key.default in ("none", "its own") else default
        yield f"{indent}{key.name}{unit}{default}"
        yield from textwrap.wrap(
            key.meaning, WIDTH, initial_indent=f"{indent}    ", subsequent_indent=f"{indent}    "
        )
        if key.inner:
            yield f"{indent}    {'a list of tables, each' if key.many else 'a table'} with"
            yield from _lines(key.inner, f"{indent}      ")


def _summary(cls: type) -> str:
    return " ".join(inspect.cleandoc(cls.__doc__ or "").split("\n\n")[0].split()).replace("`", "")


def _first(cls: type) -> str:
    return _summary(cls).rstrip(".")
