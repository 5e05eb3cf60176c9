"""Two makings of one plan side by side: which bytes, cells and fields differ.

Owns the comparison and its words.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from scheduler.errors import InputError, Problem
from scheduler.report.files import TABLE_OF
from scheduler.report.plan_json import json_text, plan_document, versions
from scheduler.report.reaudit import Cell, Reaudit, reaudit, table_of
from scheduler.report.tables import plan_csv
from scheduler.report.wording import fixed, plain, spoken_start
from scheduler.result import Plan, Status, Violation

MOST_LINES = 8
"""Differences shown of one file; the rest is counted."""
COST_SHARE = 2e-6
"""How far rounding may move the cost of a table, as a share of the absolute energy charges."""
TABLES = tuple(dict.fromkeys(("plan.csv", *TABLE_OF.values())))


@dataclass(frozen=True, eq=False)
class Stored:
    """Table and record of a plan as they stand in its folder.

    Parameters
    ----------
    path : Path
        The table. [-]
    table : bytes
        Its content. [-]
    record : bytes
        Content of plan.json. [-]
    document : mapping
        The same, read. [-]
    """

    path: Path
    table: bytes
    record: bytes
    document: Mapping[str, object]


def read_stored(folder: Path) -> Stored:
    """Read table and record of a plan.

    Parameters
    ----------
    folder : Path
        Its folder. [-]

    Returns
    -------
    Stored
        Both. [-]

    Raises
    ------
    InputError
        If one of them is missing or damaged.
    """
    found = [folder / name for name in TABLES if (folder / name).is_file()]
    if len(found) != 1:
        text = f"must hold one of {' and '.join(TABLES)}: name the folder of a plan, as it was written"
        raise InputError((Problem(str(folder), "", text),))
    record = folder / "plan.json"
    try:
        data = record.read_bytes()
        document = json.loads(data)
        if not isinstance(document, dict):
            raise ValueError("it holds no fields")
        return Stored(found[0], found[0].read_bytes(), data, document)
    except OSError as error:
        reason = f"cannot be read ({error.strerror}): name the folder of a plan"
        raise InputError((Problem(str(error.filename or record), "", reason),)) from error
    except ValueError as error:
        raise InputError((Problem(str(record), "", f"is not a plan's record ({error})"),)) from error


@dataclass(frozen=True, eq=False)
class Sameness:
    """What came of making a plan again.

    Parameters
    ----------
    same : bool
        Whether table and record are the same byte for byte, and the models confirm the stored table. [-]
    text : str
        All of it in words. [-]
    """

    same: bool
    text: str


def sameness(
    stored: Stored, plan: Plan, digests: Mapping[str, str], notes: Sequence[str], machine: str, now: str
) -> Sameness:
    """Hold a stored plan against the one made again, and against the exact models.

    Parameters
    ----------
    stored : Stored
        What stands in the folder. [-]
    plan : Plan
        The plan made again from the inputs kept there. [-]
    digests : mapping
        SHA-256 of every input. [-]
    notes : sequence of str
        What was told of the inputs. [-]
    machine, now : str
        Kind of machine then and now. [-]

    Returns
    -------
    Sameness
        Whether they are the same, and how they differ. [-]

    Raises
    ------
    InputError
        If the stored table is of another site or other intervals, or damaged.
    """
    name = TABLE_OF.get(plan.status, "plan.csv")
    columns = table_of(stored.path, stored.table)
    audited = reaudit(plan, stored.path, columns)
    lines, confirmed = _audit_lines(audited, plan, stored)
    changed = changed_versions(stored.document.get("versions"), machine, now)
    lines.append(f"Versions: {'; '.join(changed) if changed else 'the same as then'}.")
    made = plan_csv(plan).encode()
    same_table = name == stored.path.name and made == stored.table
    if same_table:
        lines.append(f"Made again: {name} is the same byte for byte.")
    else:
        cells, count = differing_cells(columns, table_of(Path(name), made))
        lines.append(f"Made again: {stored.path.name} differs in {count} cells.")
        if name != stored.path.name:
            lines.append(f"  it is {name} now")
        lines += _cell_lines(cells, "now")
    document = plan_document(plan, digests, notes)
    same_record = json_text(document).encode() == stored.record
    if same_record:
        lines.append("Made again: plan.json is the same byte for byte.")
    else:
        fields = list(differing_fields(stored.document, json.loads(json_text(document))))
        lines.append(f"Made again: plan.json differs in {len(fields)} fields.")
        lines += [f"  {plain(path)}: stored {one}, now {other}" for path, one, other in fields[:MOST_LINES]]
        lines += _more(len(fields))
    if not (same_table and same_record):
        lines += _reasons(
            changed, Status.SOLVER_LIMIT.value in (plan.status.value, stored.document.get("status"))
        )
    return Sameness(confirmed and same_table and same_record, "\n".join(lines))


def _reasons(changed: Sequence[str], limited: bool) -> list[str]:
    """Return what may explain a difference."""
    if limited:
        return [
            "A limit of the solver ended one of the two searches: how far it came depends on the machine."
        ]
    if changed:
        return ["Other versions or another kind of machine may choose another plan of the same cost."]
    return [
        "Inputs, versions and kind of machine are the same: somebody changed these files, or this is a bug."
    ]


def _audit_lines(found: Reaudit, plan: Plan, stored: Stored) -> tuple[list[str], bool]:
    """Return in words what the exact models say of the stored table, and whether they confirm it."""
    known = _field(stored.document, "violations")
    told = (
        {entry.get("key") for entry in known if isinstance(entry, dict)} if isinstance(known, list) else set()
    )
    new = [violation for violation in found.violations if violation.key not in told]
    cost = _field(stored.document, "cost", "total")
    near = isinstance(cost, (int, float)) and (
        abs(found.cost - cost) <= COST_SHARE * plan.certificate.denominator + 0.01
    )
    confirmed = not found.cells and not new and near
    currency = plan.site.contract.currency
    lines = [
        f"Audit of {stored.path.name} by the exact models: {'confirmed' if confirmed else 'NOT confirmed'}. "
        f"Cost {fixed(found.cost, 2, True)} {currency}, stored "
        f"{fixed(cost, 2, True) if isinstance(cost, (int, float)) else 'no number'}."
    ]
    lines += [_broken_line(violation, plan) for violation in new[:MOST_LINES]]
    lines += _more(len(new))
    return lines + _cell_lines(found.cells, "simulated"), confirmed


def _field(document: object, *keys: str) -> object:
    for key in keys:
        document = document.get(key) if isinstance(document, dict) else None
    return document


def _broken_line(violation: Violation, plan: Plan) -> str:
    when = "" if violation.interval is None else f" at {spoken_start(plan.horizon, violation.interval)}"
    return f"  breaks {violation.meaning}, by {violation.amount:.3g} {violation.unit}{when}"


def _cell_lines(cells: Sequence[Cell], word: str) -> list[str]:
    lines = [
        f"  {plain(c.column)} at {plain(c.start)}: stored {plain(c.stored)}, {word} {plain(c.found)}"
        for c in cells[:MOST_LINES]
    ]
    return lines + _more(len(cells), "columns")


def _more(count: int, word: str = "") -> list[str]:
    return [f"  and {count - MOST_LINES} more{f' {word}' if word else ''}"] if count > MOST_LINES else []


def changed_versions(stored: object, machine: str, now: str) -> list[str]:
    """Return what a plan was made with that is another version now, in words.

    Parameters
    ----------
    stored : object
        Field 'versions' of the stored plan.json. [-]
    machine, now : str
        Kind of machine then and now. [-]

    Returns
    -------
    list of str
        For example 'highspy 1.15.1 then, 1.16.0 now'. [-]
    """
    then = stored if isinstance(stored, dict) else {}
    found = [
        f"{name} {plain(str(then.get(name)))} then, {version} now"
        for name, version in versions().items()
        if then.get(name) != version
    ]
    return found if machine == now else [*found, f"machine {plain(machine)} then, {now} now"]


def differing_cells(
    stored: Mapping[str, Sequence[str]], made: Mapping[str, Sequence[str]]
) -> tuple[list[Cell], int]:
    """Return the first differing cell of each column, and how many cells differ.

    Parameters
    ----------
    stored, made : mapping
        Cells by column. [-]

    Returns
    -------
    tuple of (list of Cell, int)
        First cells, and the count; a column that only one has counts as one. [-]
    """
    firsts, count = [], 0
    for name in dict.fromkeys((*stored, *made)):
        one, other = stored.get(name), made.get(name)
        if one is None or other is None or len(one) != len(other):
            firsts.append(Cell(name, "all intervals", _size(one), _size(other)))
            count += 1
            continue
        starts = stored.get("start", one)
        off = [Cell(name, s, a, b) for s, a, b in zip(starts, one, other, strict=False) if a != b]
        firsts += off[:1]
        count += len(off)
    return firsts, count


def _size(cells: Sequence[str] | None) -> str:
    return "no such column" if cells is None else f"{len(cells)} cells"


def differing_fields(stored: object, made: object, path: str = "") -> Iterator[tuple[str, str, str]]:
    """Give the fields in which two documents differ.

    Parameters
    ----------
    stored, made : object
        Trees of dictionaries and lists. [-]
    path : str
        Where they stand. [-]

    Yields
    ------
    tuple of str
        Path of the field, what is stored, what was made. [-]
    """
    if isinstance(stored, dict) and isinstance(made, dict):
        for key in dict.fromkeys((*stored, *made)):
            below = f"{path}.{key}" if path else str(key)
            yield from differing_fields(stored.get(key), made.get(key), below)
    elif isinstance(stored, list) and isinstance(made, list) and len(stored) == len(made):
        for number, (one, other) in enumerate(zip(stored, made, strict=True)):
            yield from differing_fields(one, other, f"{path}[{number}]")
    elif stored != made:
        yield path, _short(stored), _short(made)


def _short(value: object) -> str:
    text = plain(json.dumps(value, ensure_ascii=False))
    return text if len(text) <= 60 else f"{text[:57]}..."
