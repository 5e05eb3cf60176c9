"""A published table of a plan held against the exact models once more.

Owns how decisions are read back from plan.csv, and which differences are more than its rounding. The
simulation itself stands in `scheduler.audit`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from models.pieces import Curve, Stock, Variable
from scheduler.audit import audit
from scheduler.errors import InputError, Problem
from scheduler.exact import exact_values
from scheduler.lp import formulate
from scheduler.report.columns import Column, columns, unit_format, with_suffix
from scheduler.report.wording import local_start
from scheduler.result import Plan, Violation
from scheduler.steps import broken_moves

ROUNDINGS = 10
"""How many halves of a last digit a simulated value may be off, where several rounded values add up to it."""


@dataclass(frozen=True)
class Cell:
    """A cell of a table that another value was found for.

    Parameters
    ----------
    column : str
        Name of the column. [-]
    start : str
        Start of the interval as it stands in the table. [-]
    stored, found : str
        What stands there, and what was found. [-]
    """

    column: str
    start: str
    stored: str
    found: str


@dataclass(frozen=True, eq=False)
class Reaudit:
    """What the exact models say of a published table.

    Parameters
    ----------
    cells : tuple of Cell
        First cell of each column that the models do not confirm. [-]
    violations : tuple of Violation
        Limits that the table breaks by more than its rounding. [-]
    cost : float
        Exact cost of the table's decisions, sunk charges left out. [currency]
    """

    cells: tuple[Cell, ...]
    violations: tuple[Violation, ...]
    cost: float


def table_of(path: Path, data: bytes) -> dict[str, tuple[str, ...]]:
    """Return the columns of a table by name.

    Parameters
    ----------
    path : Path
        Where it came from, for messages. [-]
    data : bytes
        CSV with a header line. [-]

    Returns
    -------
    dict
        Cells as they stand there. [-]

    Raises
    ------
    InputError
        If it is not a table.
    """
    try:
        head, *rows = csv.reader(io.StringIO(data.decode("utf-8"), newline=""))
        if any(len(row) != len(head) for row in rows):
            raise ValueError("a line has not as many cells as the first")
    except (ValueError, csv.Error) as error:
        raise InputError((Problem(str(path), "", f"is not a plan's table ({error})"),)) from error
    return {name: tuple(row[at] for row in rows) for at, name in enumerate(head)}


def reaudit(plan: Plan, path: Path, table: Mapping[str, tuple[str, ...]]) -> Reaudit:
    """Simulate the decisions of a published table by the exact models.

    Loads, flows and starts of stocks come from the table and the inputs; what the table does not hold
    (totals of orders and of the contract) is as in `plan`. Products, powers, the import, levels and the
    cost are computed anew.

    Parameters
    ----------
    plan : Plan
        A plan of the same inputs, for its records. [-]
    path : Path
        The table, for messages. [-]
    table : mapping
        Its cells by column (see `table_of`). [-]

    Returns
    -------
    Reaudit
        What was found. [-]

    Raises
    ------
    InputError
        If the table is of other intervals or another site, or a decision in it is no number.
    """
    listed = columns(plan)
    _check_intervals(plan, path, table)
    formulation = formulate(plan.site, plan.horizon, plan.situation)
    records: tuple[Variable | Curve | Stock, ...] = (
        *formulation.declaration.variables,
        *formulation.declaration.curves,
        *formulation.declaration.stocks,
    )
    values = dict(plan.audit.values)
    shown = {column.name for column in listed}
    problems = []
    for record in records:
        name = with_suffix(record.key, record.unit)
        if name not in shown or (isinstance(record, Variable) and record.intervals is None):
            continue
        try:
            whole = np.array([float(cell) for cell in table[name]])
            if not np.all(np.isfinite(whole)):
                raise ValueError("not all of its cells are finite numbers")
        except (KeyError, ValueError) as error:
            reason = "is missing" if isinstance(error, KeyError) else f"cannot be read: {error}"
            problems.append(Problem(str(path), f"column '{name}'", reason))
            continue
        values[record.key] = whole[record.intervals] if isinstance(record, Variable) else whole
    if problems:
        raise InputError(tuple(problems))
    audited = audit(formulation, exact_values(formulation, values))
    broken = (*audited.violations, *broken_moves(formulation, audited.values))
    told = replace(plan, audit=audited, declaration=formulation.declaration)
    levels = {stock.key for stock in formulation.declaration.stocks}
    sums = {with_suffix(stock.key, stock.unit) for stock in formulation.declaration.stocks}
    cells = [
        cell
        for column in listed
        for cell in _first_off(told, column, table, len(plan.horizon) if column.name in sums else 1)
    ]
    return Reaudit(
        tuple(cells),
        tuple(
            violation
            for violation in broken
            if violation.amount > _slack(violation.unit, len(plan.horizon) if violation.key in levels else 1)
        ),
        audited.cost,
    )


def _slack(unit: str, count: int) -> float:
    return 0.5 * ROUNDINGS * count * 10.0 ** -unit_format(unit).decimals


def _check_intervals(plan: Plan, path: Path, table: Mapping[str, tuple[str, ...]]) -> None:
    expected = [local_start(plan.horizon, interval) for interval in range(len(plan.horizon))]
    if list(table.get("start", ())) != expected:
        raise InputError((Problem(str(path), "column 'start'", "holds other intervals than the inputs"),))


def _first_off(plan: Plan, column: Column, table: Mapping[str, tuple[str, ...]], count: int) -> list[Cell]:
    """Return the first cell of a column that is off by more than rounding, if any."""
    if column.name not in table:
        return [Cell(column.name, "all intervals", "no such column", "")]
    found = column.cells(plan)
    for start, stored, now in zip(table["start"], table[column.name], found, strict=True):
        if stored != now and not _close(stored, now, column, count):
            return [Cell(column.name, start, stored, now)]
    return []


def _close(stored: str, now: str, column: Column, count: int) -> bool:
    if column.decimals is None:
        return False
    try:
        off = abs(float(stored) - float(now))
    except ValueError:
        return False
    return off <= 0.5 * ROUNDINGS * count * 10.0**-column.decimals
