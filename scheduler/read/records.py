"""Records from TOML tables: a frozen dataclass of `models` from the keys a person wrote.

Owns TOML text, the places of keys, and the translation of type errors into plain sentences. Which
values are allowed stands in the records; pydantic is used here and nowhere else.
"""

from __future__ import annotations

import copy
import dataclasses
import functools
import json
import math
import re
import tomllib
import types
import typing
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

from models.checks import InvalidValues
from scheduler.read.files import Source, text_of
from scheduler.read.problems import Problems, close_match, hint
from scheduler.read.tables import LARGEST_NUMBER

Record = TypeVar("Record")
Path = tuple[str | int, ...]

_CONFIG = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)
_HEADER = re.compile(r"\s*(\[\[?)\s*([A-Za-z0-9_\-]+(?:\s*\.\s*[A-Za-z0-9_\-]+)*)\s*\]\]?\s*(#.*)?")
_KEY = re.compile(r"\s*([A-Za-z0-9_\-]+(?:\s*\.\s*[A-Za-z0-9_\-]+)*)\s*=")


@dataclass(frozen=True)
class Toml:
    """A TOML file.

    Parameters
    ----------
    file : str
        File, as the user named it. [-]
    values : mapping
        Its content. [-]
    lines : mapping
        Line of a table or key by its path, as far as the line is known. [-]
    """

    file: str
    values: Mapping[str, Any]
    lines: Mapping[Path, int]

    def place(self, title: str = "", path: Path = ()) -> Place:
        """Return the place of a table.

        Parameters
        ----------
        title : str
            The table in words; empty for the top of the file. [-]
        path : tuple
            Keys and positions that lead to it. [-]

        Returns
        -------
        Place
            The place. [-]
        """
        return Place(self, title, path)


@dataclass(frozen=True)
class Place:
    """A table inside a TOML file.

    Parameters
    ----------
    toml : Toml
        The file. [-]
    title : str
        The table in words, for example "unit 'room_m'"; empty for the top of the file. [-]
    path : tuple
        Keys and positions that lead to the table. [-]
    """

    toml: Toml
    title: str
    path: Path

    def where(self, keys: Sequence[str | int] = ()) -> str:
        """Return a key of the table in words, with its line where known.

        Parameters
        ----------
        keys : sequence
            Keys and positions from the table on. [-]

        Returns
        -------
        str
            For example "line 12, unit 'room_m' > voltage.intercept_v". [-]
        """
        full = (*self.path, *keys)
        line = next(
            (self.toml.lines[full[:n]] for n in range(len(full), 0, -1) if full[:n] in self.toml.lines), 0
        )
        named = " > ".join(part for part in (self.title, dotted(keys)) if part)
        return ", ".join(part for part in (f"line {line}" if line else "", named) if part)


def dotted(keys: Sequence[str | int]) -> str:
    """Return keys and positions as one path; positions count from 1.

    Parameters
    ----------
    keys : sequence
        Keys and positions. [-]

    Returns
    -------
    str
        For example 'steps[2].price'. [-]
    """
    text = ""
    for key in keys:
        text += f"[{key + 1}]" if isinstance(key, int) else f".{key}"
    return text.removeprefix(".")


def read_toml(source: Source, problems: Problems) -> Toml | None:
    """Return the content of a TOML file.

    Parameters
    ----------
    source : Source
        The file. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    Toml or None
        The content; None if the file is not TOML. [-]
    """
    text = text_of(source, problems)
    if text is None:
        return None
    try:
        values = tomllib.loads(text)
    except ValueError as error:
        # Besides TOMLDecodeError: the limit of Python on the digits of a whole number.
        problems.add(source.name, "", f"the file cannot be read as TOML: {error}")
        return None
    except RecursionError:
        problems.add(source.name, "", "the file cannot be read as TOML: lists are nested too deeply")
        return None
    lines = {path: line for path, line in _lines(text) if _leads_somewhere(values, path)}
    return Toml(source.name, values, lines)


def build(
    cls: type[Record], values: object, place: Place, problems: Problems, also_known: Iterable[str] = ()
) -> Record | None:
    """Return a record from the values of a TOML table.

    Parameters
    ----------
    cls : type
        Frozen dataclass. [-]
    values : object
        What stands in the file; must be a table. [-]
    place : Place
        Where it stands. [-]
    problems : Problems
        Takes what is wrong. [-]
    also_known : iterable of str
        Keys that are read elsewhere, to be listed as known in hints. [-]

    Returns
    -------
    Record or None
        The record; None if there was a problem. [-]
    """
    if not isinstance(values, Mapping):
        problems.add(place.toml.file, place.where(), f"must be a table of keys (got {_shown(values)})")
        return None
    absurd = {path: number for path, number in _numbers(values) if not abs(number) <= LARGEST_NUMBER}
    for path, number in absurd.items():
        finite = isinstance(number, int) or math.isfinite(number)
        rule = f"must be at most {LARGEST_NUMBER:.0e} in size" if finite else "must be finite"
        problems.add(place.toml.file, place.where(path), f"'{_name(path)}' {rule} (got {_shown(number)})")
    try:
        key: Any = cls  # a class is hashable, which the type checker does not see in type[Record]
        record: Record = _adapter(key).validate_json(json.dumps([values], default=str))[0]
    except ValidationError as error:
        told: set[Path] = set(absurd)
        for path, text in _all_sentences(error, cls, values, also_known):
            if path not in told or path == ():
                problems.add(place.toml.file, place.where(path), text)
            told.add(path)
        return None
    return None if absurd else record


@functools.cache
def _adapter(cls: Hashable) -> TypeAdapter[tuple[Any]]:
    # pydantic takes no configuration for a bare dataclass, but hands that of a tuple down to it.
    form: Any = types.GenericAlias(tuple, (cls,))
    return TypeAdapter(form, config=_CONFIG)


def _all_sentences(
    error: ValidationError, cls: type, values: Mapping[str, Any], also_known: Iterable[str]
) -> Iterator[tuple[Path, str]]:
    """Yield what is wrong, and what the record itself would say of the values without the unknown keys."""
    yield from _sentences(error, cls, values, also_known)
    unknown = [
        _own_path(found["loc"][1:], values)
        for found in error.errors(include_url=False)
        if found["type"] == "unexpected_keyword_argument"
    ]
    if not unknown:
        return
    known = copy.deepcopy(dict(values))
    for path in unknown:
        table: Any = known
        for step in path[:-1]:
            table = table[step]
        table.pop(path[-1], None)
    key: Any = cls
    try:
        _adapter(key).validate_json(json.dumps([known], default=str))
    except ValidationError as rest:
        yield from _sentences(rest, cls, known, also_known)


def _sentences(
    error: ValidationError, cls: type, values: Mapping[str, Any], also_known: Iterable[str]
) -> Iterator[tuple[Path, str]]:
    for found in error.errors(include_url=False):
        path = _own_path(found["loc"][1:], values)
        kind, got = found["type"], found["input"]
        cause = found.get("ctx", {}).get("error")
        name = _name(path)
        if isinstance(cause, InvalidValues):
            for field, text in cause.problems:
                yield (*path, field), text
        elif isinstance(cause, ValueError):
            yield path, str(cause)
        elif kind == "unexpected_keyword_argument":
            known = [*_keys_at(cls, path[:-1]), *(also_known if len(path) == 1 else ())]
            yield path, f"'{name}' is not a key here{hint(name, known)}"
        elif kind in ("missing", "missing_argument"):
            yield path, f"'{name}' is missing; write a value"
        elif kind == "literal_error":
            allowed = re.findall(r"'([^']*)'", found["ctx"]["expected"])
            ending = close_match(str(got), allowed)
            yield path, f"'{name}' must be {found['ctx']['expected']} (got {_shown(got)}){ending}"
        else:
            rule = _RULES.get(kind) or f"must be right: {found['msg']}"
            yield path, f"'{name}' {rule} (got {_shown(got)})"


_RULES: Mapping[str, str] = {
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "finite_number": "must be finite",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "int_parsing": "must be a whole number",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "string_type": "must be a text",
    "date_type": "must be a date such as 2026-11-26",
    "date_parsing": "must be a date such as 2026-11-26",
    "date_from_datetime_parsing": "must be a date such as 2026-11-26",
    "date_from_datetime_inexact": "must be a date such as 2026-11-26",
    "time_type": "must be a time of day such as 06:00",
    "time_parsing": "must be a time of day such as 06:00",
    "tuple_type": "must be a list",
    "list_type": "must be a list",
    "set_type": "must be a list",
    "frozen_set_type": "must be a list",
    "dict_type": "must be a table of keys",
    "dataclass_type": "must be a table of keys",
}
"""Rule in words by pydantic's kind of error."""


def _name(path: Path) -> str:
    return dotted(path[-2:]) if path and isinstance(path[-1], int) else dotted(path[-1:])


def _shown(value: object) -> str:
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return "a list"
    if isinstance(value, bool):
        return "true" if value else "false"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _own_path(loc: Sequence[str | int], values: object) -> Path:
    # pydantic adds the name of the tried type of a union, which is no key of the file.
    path: list[str | int] = []
    for position, key in enumerate(loc):
        if isinstance(values, Mapping) and (key in values or position == len(loc) - 1):
            path.append(key)
            values = values.get(key)
        elif isinstance(values, list) and isinstance(key, int):
            path.append(key)
            values = values[key] if key < len(values) else None  # an entry that is missing
    return tuple(path)


def _keys_at(cls: object, path: Path) -> list[str]:
    for key in path:
        if isinstance(key, str) and isinstance(cls, type) and dataclasses.is_dataclass(cls):
            cls = record_in(typing.get_type_hints(cls).get(key))
    if isinstance(cls, type) and dataclasses.is_dataclass(cls):
        return [field.name for field in dataclasses.fields(cls) if field.init]
    return []


def record_in(hinted: object) -> object:
    """Return the record inside a type, such as that of 'tuple of Step', or None.

    Parameters
    ----------
    hinted : object
        Type of a field. [-]

    Returns
    -------
    object
        The first dataclass in it; None if there is none. [-]
    """
    if (
        isinstance(hinted, type)
        and not isinstance(hinted, types.GenericAlias)
        and dataclasses.is_dataclass(hinted)
    ):
        return hinted
    return next((found for part in typing.get_args(hinted) if (found := record_in(part)) is not None), None)


def _numbers(values: object, path: Path = ()) -> Iterator[tuple[Path, float]]:
    if isinstance(values, Mapping):
        for key, value in values.items():
            yield from _numbers(value, (*path, key))
    elif isinstance(values, list):
        for position, value in enumerate(values):
            yield from _numbers(value, (*path, position))
    elif isinstance(values, int | float) and not isinstance(values, bool):
        yield path, values


def _lines(text: str) -> Iterator[tuple[Path, int]]:
    """Yield the line of each table header and of each key at the start of a line.

    A search, not a parser: keys that it takes from the inside of a list of several lines lead
    nowhere in the content and are left out by the caller.
    """
    count: dict[Path, int] = {}
    table: Path = ()
    inside = ""
    for number, line in enumerate(text.splitlines(), 1):
        if inside:
            if line.count(inside) % 2:
                inside = ""
            continue
        header = _HEADER.fullmatch(line)
        key = _KEY.match(line)
        if header:
            names = re.split(r"\s*\.\s*", header[2])
            table = ()
            for position, name in enumerate(names, 1):
                table = (*table, name)
                if header[1] == "[[" and position == len(names):
                    count[table] = count.get(table, -1) + 1
                if table in count:
                    table = (*table, count[table])
            yield table, number
        elif key:
            yield (*table, *re.split(r"\s*\.\s*", key[1])), number
        inside = next((quote for quote in ('"""', "'''") if line.count(quote) % 2), "")


def _leads_somewhere(values: Any, path: Path) -> bool:
    for key in path:
        in_list = isinstance(values, list) and isinstance(key, int) and key < len(values)
        if not in_list and not (isinstance(values, Mapping) and key in values):
            return False
        values = values[key]
    return True
