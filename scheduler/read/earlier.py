"""An earlier plan, read again from the table in its folder: loads, expected levels, what was delivered.

Owns how a plan's own output is read. What the columns are called stands in `report.columns`.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from models.circuit import Circuit
from models.horizon import Array, Integers, Series, minute_of
from models.order import Pipeline
from models.site import Site
from scheduler.errors import InputError, Problem
from scheduler.read.prices import LAID_OVER

TABLE = "plan.csv"
RECORD = "plan.json"
LOAD, LEVEL, TAKE = "_load_ka", "_level_t", "_take_t_per_h"
DELIVERIES = ("_loading_t_per_h", TAKE)


@dataclass(frozen=True, eq=False)
class Earlier:
    """The table of an earlier plan.

    Parameters
    ----------
    path : Path
        The table. [-]
    data : bytes
        Its content. [-]
    starts_min, lengths_min : ndarray
        Its intervals. Each shape (n,). [min]
    columns : mapping
        Its columns of numbers that are read again. Each shape (n,). [as named]
    """

    path: Path
    data: bytes
    starts_min: Integers
    lengths_min: Integers
    columns: Mapping[str, Array]

    def loads(self, site: Site) -> dict[str, Series]:
        """Return the loads of a site's circuits.

        Parameters
        ----------
        site : Site
            The works. [-]

        Returns
        -------
        dict
            Loads by circuit. [kA]

        Raises
        ------
        InputError
            If a circuit has no column.
        """
        names = [unit.name for unit in site.units if isinstance(unit, Circuit)]
        problems = [
            Problem(str(self.path), "line 1", f"has no column '{name}{LOAD}': the plan is of another site")
            for name in names
            if f"{name}{LOAD}" not in self.columns
        ]
        if problems:
            raise InputError(tuple(problems))
        try:
            return {
                name: Series(
                    f"earlier load of {name}",
                    self.starts_min,
                    self.lengths_min,
                    self.columns[f"{name}{LOAD}"],
                )
                for name in names
            }
        except ValueError as error:
            raise InputError((Problem(str(self.path), "", f"is not a plan's table ({error})"),)) from error

    def takes(self, site: Site) -> dict[str, Series]:
        """Return what pipeline customers take, as it was announced to them.

        Parameters
        ----------
        site : Site
            The works. [-]

        Returns
        -------
        dict
            Rates by customer; a customer who is new has none. [t/h]
        """
        return {
            unit.name: Series(
                f"announced rate of {unit.name}",
                self.starts_min,
                self.lengths_min,
                self.columns[f"{unit.name}{TAKE}"],
            )
            for unit in site.units
            if isinstance(unit, Pipeline) and f"{unit.name}{TAKE}" in self.columns
        }

    def levels_at(self, minute: int) -> dict[str, float]:
        """Return the levels the plan expects at an instant.

        Parameters
        ----------
        minute : int
            End of one of its intervals, since the epoch. [min]

        Returns
        -------
        dict
            Levels by stock; empty if no interval ends there. [t]
        """
        at = np.flatnonzero(self.starts_min + self.lengths_min == minute)
        if not at.size:
            return {}
        return {
            name.removesuffix(LEVEL): float(values[at[0]])
            for name, values in self.columns.items()
            if name.endswith(LEVEL)
        }

    def delivered_t(self, minute: int) -> dict[str, float]:
        """Return what the plan delivers before an instant, by lot and pipeline customer.

        Parameters
        ----------
        minute : int
            Instant since the epoch. [min]

        Returns
        -------
        dict
            Quantities by unit, from the first interval of the table on. [t]
        """
        before = self.starts_min < minute
        hours = self.lengths_min[before] / 60.0
        return {
            name.removesuffix(suffix): float(np.dot(hours, values[before]))
            for name, values in self.columns.items()
            for suffix in DELIVERIES
            if name.endswith(suffix)
        }


def open_earlier(folder: Path) -> Earlier:
    """Read the table of an earlier plan.

    Parameters
    ----------
    folder : Path
        Folder of the plan. [-]

    Returns
    -------
    Earlier
        The table. [-]

    Raises
    ------
    InputError
        If the folder holds no plan, or its table is damaged.
    """
    path = folder / TABLE
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            (Problem(str(path), "", f"cannot be read ({error.strerror}): name the folder of a plan"),)
        ) from error
    return earlier_of(path, data)


def earlier_of(path: Path, data: bytes) -> Earlier:
    """Read the table of an earlier plan from its bytes.

    Parameters
    ----------
    path : Path
        Where it came from, for messages. [-]
    data : bytes
        The table. [-]

    Returns
    -------
    Earlier
        The table. [-]

    Raises
    ------
    InputError
        If it is damaged.
    """
    try:
        rows = list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline="")))
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(
            (Problem(str(path), "", f"cannot be read ({error}): name the folder of a plan"),)
        ) from error
    try:
        names = [name for name in (rows[0] if rows else {}) if name.endswith((LOAD, LEVEL, *DELIVERIES))]
        return Earlier(
            path,
            data,
            np.array([minute_of(dt.datetime.fromisoformat(row["start"])) for row in rows], dtype=np.int64),
            np.array([int(row["minutes"]) for row in rows], dtype=np.int64),
            {name: np.array([float(row[name]) for row in rows]) for name in names},
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError((Problem(str(path), "", f"is not a plan's table ({error})"),)) from error


def read_earlier(folder: Path, site: Site) -> dict[str, Series]:
    """Return the loads of an earlier plan.

    Parameters
    ----------
    folder : Path
        Folder of the plan. [-]
    site : Site
        The works, whose circuits are looked for. [-]

    Returns
    -------
    dict
        Loads by circuit. [kA]

    Raises
    ------
    InputError
        If the folder holds no plan, or a circuit's load is missing or not a number.
    """
    return open_earlier(folder).loads(site)


def check_same_inputs(folder: Path, digests: Mapping[str, str]) -> None:
    """Refuse files that are not those an earlier plan was made with.

    Parameters
    ----------
    folder : Path
        Folder of the earlier plan. [-]
    digests : mapping
        SHA-256 of every file now read, by 'role:name'. [-]

    Raises
    ------
    InputError
        With every file that differs, or if the folder does not say what its plan was made with.
    """
    path = folder / RECORD
    try:
        made_with: dict[str, str] = dict(json.loads(path.read_text(encoding="utf-8"))["input_digests"])
    except OSError as error:
        raise InputError(
            (Problem(str(path), "", f"cannot be read ({error.strerror}): name the folder of a plan"),)
        ) from error
    except (KeyError, TypeError, ValueError) as error:
        raise InputError((Problem(str(path), "", f"is not a plan's record ({error})"),)) from error
    # A file may be named by another path; its role and content say whether it is the same.
    before, now = (
        {(key.partition(":")[0], digest) for key, digest in files.items()} for files in (made_with, digests)
    )
    problems = [
        Problem(key.partition(":")[2], "", text.format(role=key.partition(":")[0], folder=folder))
        for files, others, text in (
            (digests, before, "is not the file of the role '{role}' that the plan in {folder} was made with"),
            (
                made_with,
                now,
                "(role '{role}') is what the plan in {folder} was made with: give it again with --{role}, in "
                "the same order as then",
            ),
        )
        for key, digest in files.items()
        if (key.partition(":")[0], digest) not in others
    ]
    for role in LAID_OVER if not problems else ():
        then = [key.partition(":")[2] for key in made_with if key.partition(":")[0] == role]
        order_then, order_now = (
            [digest for key, digest in files.items() if key.partition(":")[0] == role]
            for files in (made_with, digests)
        )
        if order_then != order_now:
            problems.append(
                Problem(
                    then[-1],
                    "",
                    f"the files of the role '{role}' lie over one another; the plan in {folder} was made "
                    f"with them in the order {', '.join(then)}: name them so",
                )
            )
    if problems:
        raise InputError(tuple(problems))
