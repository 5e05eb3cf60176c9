"""An earlier plan: its loads, from the table in its folder.

Owns how a plan's own output is read again. What the columns are called stands in `report.columns`.
"""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import numpy as np

from models.circuit import Circuit
from models.horizon import Series, minute_of
from models.site import Site
from scheduler.errors import InputError, Problem

TABLE = "plan.csv"


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
    path = folder / TABLE
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(
            (Problem(str(path), "", f"cannot be read ({reason}): name the folder of a plan"),)
        ) from error
    names = [unit.name for unit in site.units if isinstance(unit, Circuit)]
    problems = [
        Problem(str(path), "line 1", f"has no column '{name}_load_ka': the plan is of another site")
        for name in names
        if not rows or f"{name}_load_ka" not in rows[0]
    ]
    if problems:
        raise InputError(tuple(problems))
    try:
        starts = np.array([minute_of(dt.datetime.fromisoformat(row["start"])) for row in rows])
        lengths = np.array([int(row["minutes"]) for row in rows])
        return {
            name: Series(
                f"earlier load of {name}",
                starts,
                lengths,
                np.array([float(row[f"{name}_load_ka"]) for row in rows]),
            )
            for name in names
        }
    except (KeyError, TypeError, ValueError) as error:
        raise InputError((Problem(str(path), "", f"is not a plan's table ({error})"),)) from error
