"""Series from rows: points of several files joined, with no interval missing or doubled.

Owns the joining and its messages. What a series is stands in `models.horizon`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from models.horizon import Horizon, Series
from scheduler.read.problems import Problems, hint
from scheduler.read.times import shown

MOST_GAPS_LISTED = 5


@dataclass(frozen=True)
class Point:
    """One value of a series and where it was read.

    Parameters
    ----------
    series : str
        Name of the series. [-]
    start_min, length_min : int
        Start since the epoch, and length. [min]
    value : float
        The value. [unit of the series]
    file, where : str
        File and place in it. [-]
    """

    series: str
    start_min: int
    length_min: int
    value: float
    file: str
    where: str

    @property
    def end_min(self) -> int:
        """End of the interval since the epoch. [min]."""
        return self.start_min + self.length_min


@dataclass(frozen=True)
class Need:
    """A series that something on the site needs over the whole horizon.

    Parameters
    ----------
    series : str
        Name of the series. [-]
    by : str
        What needs it, in words: "the component 'spot'". [-]
    """

    series: str
    by: str


def join(
    points: Iterable[Point], horizon: Horizon | None, zone: ZoneInfo, problems: Problems, notes: list[str]
) -> dict[str, Series]:
    """Return series from points in any order, from any number of files.

    Parameters
    ----------
    points : iterable of Point
        The points. [-]
    horizon : Horizon, optional
        Intervals in which a doubled value is a problem; elsewhere it is told in the notes and the first
        value holds. Without a horizon every doubled value is a problem. [-]
    zone : ZoneInfo
        Zone of the site, for messages. [-]
    problems : Problems
        Takes doubled values. [-]
    notes : list of str
        Takes what is told: gaps and doubled values outside the horizon. [-]

    Returns
    -------
    dict of str to Series
        Series by name, without those that have a doubled value. [unit of the series]
    """
    by_name: dict[str, list[Point]] = {}
    for point in points:
        by_name.setdefault(point.series, []).append(point)
    result = {}
    for name, found in by_name.items():
        found.sort(key=lambda point: point.start_min)
        before = len(problems)
        kept = _without_doubles(found, horizon, zone, problems, notes)
        if len(problems) > before:
            continue
        _tell_gaps(kept, horizon, zone, notes)
        result[name] = Series(
            name,
            np.array([point.start_min for point in kept], dtype=np.int64),
            np.array([point.length_min for point in kept], dtype=np.int64),
            np.array([point.value for point in kept], dtype=np.float64),
        )
    return result


def check_needs(
    needs: Sequence[Need],
    series: Mapping[str, Series],
    spoiled: frozenset[str],
    files: Sequence[str],
    site_file: str,
    horizon: Horizon,
    problems: Problems,
) -> None:
    """Note every series that is needed and missing, and every interval it lacks.

    Parameters
    ----------
    needs : sequence of Need
        What is needed. [-]
    series : mapping
        Series that were read, by name. [-]
    spoiled : frozenset of str
        Names of series that have points but already have a problem. [-]
    files : sequence of str
        Files the series were read from. [-]
    site_file : str
        Site file, where there is no file of series. [-]
    horizon : Horizon
        Intervals to cover. [-]
    problems : Problems
        Takes what is wrong. [-]
    """
    place = ", ".join(files) or site_file
    told: set[str] = set()
    for need in needs:
        if need.series in told or need.series in spoiled:
            continue
        told.add(need.series)
        found = series.get(need.series)
        if found is None:
            ending = hint(need.series, series) if series else "; name a price or profile file under [files]"
            problems.add(place, "", f"{need.by} needs the series '{need.series}', which no file has{ending}")
            continue
        _note_missing(found, need, place, horizon, problems)


def _note_missing(series: Series, need: Need, place: str, horizon: Horizon, problems: Problems) -> None:
    zone = ZoneInfo(horizon.timezone)
    ranges = _ranges(series.missing_on(horizon))
    held = ""
    if ranges == [(0, len(horizon) - 1)]:
        last_end = int(series.starts_min[-1] + series.lengths_min[-1])
        held = f"; it holds {shown(int(series.starts_min[0]), zone)} to {shown(last_end, zone)}"
    for first, last in ranges[:MOST_GAPS_LISTED]:
        start = int(horizon.starts_min[first])
        end = int(horizon.starts_min[last] + horizon.lengths_min[last])
        count = last - first + 1
        problems.add(
            place,
            f"series '{series.name}'",
            f"no value for {count} {'interval' if count == 1 else 'intervals'} from {shown(start, zone)} to "
            f"{shown(end, zone)}; {need.by} needs every interval of the horizon{held}",
        )
    if len(ranges) > MOST_GAPS_LISTED:
        problems.add(
            place,
            f"series '{series.name}'",
            f"{len(ranges) - MOST_GAPS_LISTED} more gaps in the horizon, not listed",
        )


def _ranges(positions: Sequence[int]) -> list[tuple[int, int]]:
    result: list[tuple[int, int]] = []
    for position in positions:
        if result and position == result[-1][1] + 1:
            result[-1] = (result[-1][0], position)
        else:
            result.append((position, position))
    return result


def _without_doubles(
    found: Sequence[Point], horizon: Horizon | None, zone: ZoneInfo, problems: Problems, notes: list[str]
) -> list[Point]:
    kept: list[Point] = []
    outside: list[Point] = []
    for point in found:
        if not kept or point.start_min >= kept[-1].end_min:
            kept.append(point)
            continue
        if horizon is not None and (point.end_min <= horizon.start_min or point.start_min >= horizon.end_min):
            outside.append(point)
            continue
        other = kept[-1]
        problems.add(
            point.file,
            point.where,
            f"'{point.series}' has a second value for the interval at {shown(point.start_min, zone)}, "
            f"the first is in {other.file}, {other.where}; keep one",
        )
    if outside:
        first = outside[0]
        notes.append(
            f"'{first.series}': {len(outside)} second values outside the horizon are not used, the first at "
            f"{shown(first.start_min, zone)} in {first.file}, {first.where}"
        )
    return kept


def _tell_gaps(kept: Sequence[Point], horizon: Horizon | None, zone: ZoneInfo, notes: list[str]) -> None:
    gaps = [
        (before.end_min, after.start_min)
        for before, after in pairwise(kept)
        if after.start_min > before.end_min
        and (horizon is None or before.end_min >= horizon.end_min or after.start_min <= horizon.start_min)
    ]
    if gaps:
        start, end = gaps[0]
        notes.append(
            f"'{kept[0].series}': {len(gaps)} {'gap' if len(gaps) == 1 else 'gaps'} outside the horizon, "
            f"the first from {shown(start, zone)} to {shown(end, zone)}"
        )
