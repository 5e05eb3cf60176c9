"""Series from rows: points of several files joined, with no interval missing or doubled.

Owns the joining and its messages. What a series is stands in `models.horizon`.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from types import MappingProxyType
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


def laid_over(
    points: Iterable[Point], files: Sequence[str], zone: ZoneInfo, notes: list[str]
) -> tuple[Point, ...]:
    """Return points of several files of one role, a later file laid over the earlier ones.

    Where a later file has a value, earlier files have none any more. An earlier value that is longer than
    what lies over it keeps the rest of its interval: a price holds at every moment of its interval, so 15
    minutes of an hour take nothing from the other 45. Two values of one file are left as they are.

    Parameters
    ----------
    points : iterable of Point
        The points. [-]
    files : sequence of str
        The files in the order in which they lie over one another, the lowest first. [-]
    zone : ZoneInfo
        Zone of the site, for messages. [-]
    notes : list of str
        Takes what came in place of what. [-]

    Returns
    -------
    tuple of Point
        Points whose files do not overlap, by series. [-]
    """
    by_series: dict[str, dict[str, list[Point]]] = {}
    for point in points:
        by_series.setdefault(point.series, {file: [] for file in files})[point.file].append(point)
    result: list[Point] = []
    for name, by_file in by_series.items():
        below: list[Point] = []
        for file, above in by_file.items():
            above.sort(key=lambda point: point.start_min)
            spans = _spans(above)
            kept: list[Point] = []
            hidden: list[Point] = []
            cut = 0
            for point in below:
                rest = tuple(_outside(point, spans))
                kept += rest
                if rest != (point,):
                    hidden.append(point)
                    cut += bool(rest)
            if hidden:
                covered = _spans(hidden)
                over = [point for point in above if tuple(_outside(point, covered)) != (point,)]
                notes.append(_told(name, file, over, hidden, cut, zone))
            below = sorted([*kept, *above], key=lambda point: point.start_min)
        result += below
    return tuple(result)


def _told(
    name: str, file: str, over: Sequence[Point], hidden: Sequence[Point], cut: int, zone: ZoneInfo
) -> str:
    earlier = ", ".join(dict.fromkeys(point.file for point in hidden))
    start, end = min(p.start_min for p in over), max(p.end_min for p in over)
    text = (
        f"'{name}': {counted(len(over), 'interval')} from {shown(start, zone)} to {shown(end, zone)} "
        f"{'comes' if len(over) == 1 else 'come'} from {file}, in place of {counted(len(hidden), 'value')} "
        f"of {earlier}"
    )
    gaps = len(_spans(over)) - 1
    return (
        text
        + (f", {cut} of them in part" if cut else "")
        + (f"; {file} has {counted(gaps, 'gap')} in between, where the earlier values hold" if gaps else "")
    )


def counted(count: int, word: str) -> str:
    """Return a number with its word.

    Parameters
    ----------
    count : int
        The number. [-]
    word : str
        The word for one. [-]

    Returns
    -------
    str
        '1 interval', '2 intervals'. [-]
    """
    return f"{count} {word}{'' if count == 1 else 's'}"


def _spans(points: Iterable[Point]) -> list[tuple[int, int]]:
    """Return the times that sorted points cover, joined where they touch."""
    result: list[tuple[int, int]] = []
    for point in points:
        if result and point.start_min <= result[-1][1]:
            result[-1] = (result[-1][0], max(result[-1][1], point.end_min))
        else:
            result.append((point.start_min, point.end_min))
    return result


def _outside(point: Point, spans: Sequence[tuple[int, int]]) -> Iterator[Point]:
    """Yield the parts of a point that no span covers."""
    start = point.start_min
    first = max(bisect_left(spans, (start, start)) - 1, 0)
    for low, high in spans[first:]:
        if low >= point.end_min:
            break
        if high <= start:
            continue
        if low > start:
            yield replace(point, start_min=start, length_min=low - start)
        start = high
    if start < point.end_min:
        yield (
            point
            if start == point.start_min
            else replace(point, start_min=start, length_min=point.end_min - start)
        )


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
    advice: Mapping[str, str] = MappingProxyType({}),
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
    advice : mapping
        What to do where intervals are missing, by series. [-]
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
        _note_missing(found, need, place, horizon, problems, advice.get(need.series, ""))


def _note_missing(
    series: Series, need: Need, place: str, horizon: Horizon, problems: Problems, advice: str
) -> None:
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
            f"no value for {counted(count, 'interval')} from {shown(start, zone)} to "
            f"{shown(end, zone)}; {need.by} needs every interval of the horizon{held}{advice}",
        )
        advice = ""
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
