"""Quantities that an auction cleared, or that were nominated: energy bought by interval.

Owns the columns. What a deviation costs stands in the contract (`models.contract.imbalance`).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from models.contract.imbalance import Imbalance, nominations, with_deviation
from models.horizon import Series
from scheduler.read.files import Source, load
from scheduler.read.inputs import Inputs
from scheduler.read.kept import CLEARED
from scheduler.read.problems import Problems
from scheduler.read.series import Point, join
from scheduler.read.tables import Columns, interval_of, read_table
from scheduler.read.times import shown

COLUMNS = Columns(("start", "minutes", "energy_mwh"))


def read_cleared(path: Path, inputs: Inputs, name: str, data: bytes | None = None) -> tuple[Series, Source]:
    """Return what was bought on every interval of the plan day.

    Parameters
    ----------
    path : Path
        CSV or XLSX: `start, minutes, energy_mwh`; energy bought, negative if sold. Every interval of the plan
        day (or of what is left of it) is there; what lies outside it is not looked at. [-]
    inputs : Inputs
        The site and its horizon. [-]
    name : str
        Name of the profile. [-]
    data : bytes, optional
        Content of the file where it was kept; nothing is opened then. [-]

    Returns
    -------
    tuple of (Series, Source)
        Mean power bought, and the file by its name without folders. [MW], [-]

    Raises
    ------
    InputError
        With every problem of the file.
    """
    problems = Problems()
    zone = ZoneInfo(inputs.site.timezone)
    source = load(CLEARED, str(path), Path(), problems) if data is None else Source(CLEARED, str(path), data)
    points = []
    for row in read_table(source, COLUMNS, problems) if source is not None else ():
        interval = interval_of(row, zone, metering=True)
        energy = row.number("energy_mwh")
        if interval is not None and energy is not None:
            mw = energy * 60.0 / interval.length_min
            points.append(Point(name, interval.start_min, interval.length_min, mw, row.file, row.place))
    problems.raise_if_any()
    if source is None:
        raise RuntimeError("a file that could not be opened raised no problem")  # a bug of this package
    joined = join(points, None, zone, problems, [])
    problems.raise_if_any()
    horizon = inputs.horizon
    day = np.arange(horizon.plan_intervals)
    if name not in joined:
        problems.add(str(path), "", "holds no interval")
        problems.raise_if_any()
    given, _ = joined[name].where_given(horizon)
    lacking = day[~given[day]]
    if lacking.size:
        problems.add(
            str(path),
            "",
            f"must hold every interval of the plan day; {lacking.size} are missing, the first at "
            f"{shown(int(horizon.starts_min[lacking[0]]), zone)}",
        )
    problems.raise_if_any()
    series = joined[name]
    end = int(horizon.starts_min[day[-1]] + horizon.lengths_min[day[-1]])
    inside = (series.starts_min + series.lengths_min > horizon.start_min) & (series.starts_min < end)
    kept = Series(name, series.starts_min[inside], series.lengths_min[inside], series.values[inside])
    return kept, Source(CLEARED, path.name, source.data)


def with_bought(
    inputs: Inputs, path: Path, deviation: Imbalance | None = None, data: bytes | None = None
) -> Inputs:
    """Return inputs in which what was bought is nominated and deviations from it are settled.

    Parameters
    ----------
    inputs : Inputs
        The inputs. [-]
    path : Path
        Table of what was bought (see `read_cleared`). [-]
    deviation : Imbalance, optional
        How deviations are settled, in place of what the contract says. [-]
    data : bytes, optional
        Content of the table where it was kept. [-]

    Returns
    -------
    Inputs
        The inputs, with the table among their files. [-]

    Raises
    ------
    InputError
        With every problem of the table, or if nobody says what a deviation costs.
    """
    contract = inputs.site.contract
    if deviation is not None:
        contract = with_deviation(contract, deviation)
    names = nominations(contract)
    if not names:
        problems = Problems()
        problems.add(
            str(path),
            "",
            "the contract does not say what a deviation from --cleared costs: give --tolerance, or "
            "--up-per-mwh and --down-per-mwh, or add a component 'imbalance' to it",
        )
        problems.raise_if_any()
    series, source = read_cleared(path, inputs, names[0], data)
    known = {**inputs.situation.series, **dict.fromkeys(names, series)}
    return replace(
        inputs,
        site=replace(inputs.site, contract=contract),
        situation=replace(inputs.situation, series=known),
        digests={**inputs.digests, f"{source.role}:{source.name}": source.digest},
        files={**inputs.files, (source.role, source.name): source.data},
    )
