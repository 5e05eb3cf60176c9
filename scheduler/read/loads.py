"""Actual loads of past weeks, and the load just before the horizon.

Owns the columns. What a load may be stands in the circuits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from models.checks import at_least
from models.horizon import Series
from scheduler.read.context import Context
from scheduler.read.files import Source
from scheduler.read.series import Point, join
from scheduler.read.tables import MINUTES, START, Columns, interval_of, read_table
from scheduler.read.times import shown

COLUMNS = Columns(
    ("start", "minutes", "circuit", "load_ka"),
    meanings={
        "start": START,
        "minutes": MINUTES,
        "circuit": "name of the circuit",
        "load_ka": "its load, kA",
    },
)


def read_loads(sources: Sequence[Source], context: Context) -> dict[str, Series]:
    """Return the actual loads of some files.

    Parameters
    ----------
    sources : sequence of Source
        CSV or XLSX tables. [-]
    context : Context
        The site. [-]

    Returns
    -------
    dict of str to Series
        Load by circuit. [kA]
    """
    points = []
    for source in sources:
        for row in read_table(source, COLUMNS, context.problems):
            interval = interval_of(row, context.zone, metering=False)
            unit = context.unit_class(row, "circuit")
            load = row.number("load_ka", at_least(0, "kA"))
            if interval is None or unit is None or load is None:
                continue
            name = row.text("circuit") or ""
            points.append(Point(name, interval.start_min, interval.length_min, load, row.file, row.place))
    return join(points, None, context.zone, context.problems, context.notes)


def loads_before(loads: Mapping[str, Series], context: Context) -> dict[str, float]:
    """Return the last actual load before the horizon, and tell where it is old.

    Parameters
    ----------
    loads : mapping
        Actual load by circuit. [kA]
    context : Context
        The site. [-]

    Returns
    -------
    dict of str to float
        Load by circuit; circuits without a value before the horizon are left out. [kA]
    """
    if context.horizon is None:
        return {}
    start = context.horizon.start_min
    result = {}
    for name, series in loads.items():
        position = int(series.starts_min.searchsorted(start)) - 1
        if position < 0:
            context.notes.append(f"'{name}': no actual load before the horizon; its first load is free")
            continue
        result[name] = float(series.values[position])
        end = int(series.starts_min[position] + series.lengths_min[position])
        if end < start:
            context.notes.append(
                f"'{name}': the load before the horizon, {result[name]:g} kA, ends at "
                f"{shown(end, context.zone)}, {(start - end) / 60.0:g} h before it"
            )
    return result
