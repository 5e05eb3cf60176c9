"""A metered load profile: power, reactive power and what was made, interval by interval.

Owns the columns and the check that no interval is missing or doubled.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from models.commodity import STANDARD
from models.contract.component import Profile
from models.horizon import Array, Horizon
from scheduler.read.files import Source
from scheduler.read.problems import Problems
from scheduler.read.tables import Columns, Row, interval_of, read_table
from scheduler.read.times import shown

MADE = {f"{commodity.name}_t_per_h": commodity.name for commodity in STANDARD if commodity.unit == "t/h"}
"""Commodity by the column that holds what was made of it."""

COLUMNS = Columns(("start", "minutes", "power_mw"), ("reactive_mvar", *MADE))


@dataclass(frozen=True)
class _Metered:
    """One row: when, and the values by column."""

    start_min: int
    length_min: int
    values: dict[str, float]
    row: Row


def read_load_profile(source: Source, zone: ZoneInfo, problems: Problems) -> Profile | None:
    """Return a load profile.

    Parameters
    ----------
    source : Source
        CSV or XLSX table. [-]
    zone : ZoneInfo
        Zone of the meter, for times without offset and for the local calendar. [-]
    problems : Problems
        Takes what is wrong; a missing or doubled interval is named and never filled. [-]

    Returns
    -------
    Profile or None
        The profile; None if there was a problem. [-]
    """
    before = len(problems)
    found: list[_Metered] = []
    for row in read_table(source, COLUMNS, problems):
        interval = interval_of(row, zone, metering=True)
        values = {}
        for column in COLUMNS.names[2:]:
            if column == "power_mw" or row.has(column):
                value = row.number(column)
                if value is not None:
                    values[column] = value
        if interval is not None:
            found.append(_Metered(interval.start_min, interval.length_min, values, row))
    if len(problems) == before and not found:
        problems.add(source.name, "", "the profile must have one interval or more")
    if len(problems) > before:
        return None
    found.sort(key=lambda metered: metered.start_min)
    for earlier, later in pairwise(found):
        end = earlier.start_min + earlier.length_min
        if later.start_min > end:
            problems.add(
                source.name,
                later.row.place,
                f"no value from {shown(end, zone)} to {shown(later.start_min, zone)}: a bill needs every "
                "interval, estimated ones marked by whoever estimates them",
            )
        elif later.start_min < end:
            later.row.fault("start", f"lies in the interval before, of {earlier.row.place}; keep one")
    columns = sorted({column for metered in found for column in metered.values} - {"power_mw"})
    for column in columns:
        lacking = [metered for metered in found if column not in metered.values]
        if lacking:
            lacking[0].row.fault(
                column,
                f"is missing here and in {len(lacking) - 1} more rows; give it on every row or on none",
            )
    if len(problems) > before:
        return None

    def values_of(column: str) -> Array:
        return np.array([metered.values[column] for metered in found], dtype=np.float64)

    horizon = Horizon(
        np.array([metered.start_min for metered in found], dtype=np.int64),
        np.array([metered.length_min for metered in found], dtype=np.int64),
        zone.key,
        len(found),
    )
    return Profile(
        horizon,
        values_of("power_mw"),
        values_of("reactive_mvar") if "reactive_mvar" in columns else None,
        {MADE[column]: values_of(column) for column in columns if column in MADE},
    )
