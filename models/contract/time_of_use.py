"""Energy at fixed prices by season, day type and clock time.

Owns the bands and the proof that they cover every local time exactly once. Demand charges by time
of use are components of their own (`models.contract.demand`).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from models.checks import InvalidValues, check, finite
from models.contract import calendar
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.term import Rate, Term
from models.horizon import Array, Horizon, Mask
from models.situation import Situation

_NAMED_AT_MOST = 5


@dataclass(frozen=True)
class Band:
    """A window of the local clock with a price.

    Parameters
    ----------
    name : str
        Name, lower case with underscores. A band of several windows (two peaks a day) is written
        as several of one name and price. [-]
    per_mwh : float
        Price. [currency/MWh]
    seasons : tuple of int
        Months, 1 to 12; empty for all. [-]
    day_types : tuple of str
        Some of 'weekday', 'saturday', 'sunday', 'holiday'; empty for all. A holiday is only a
        holiday, whatever its day of the week. [-]
    from_time, to_time : str
        First clock time inside and first outside, 'HH:MM'; `to_time` may be '24:00', and comes
        before `from_time` where the window wraps midnight. The hours after midnight belong to the
        day they fall on. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.
    """

    name: str
    per_mwh: float
    seasons: tuple[int, ...] = ()
    day_types: tuple[str, ...] = ()
    from_time: str = "00:00"
    to_time: str = "24:00"

    def __post_init__(self) -> None:
        calendar.check_with_window(self, lambda: self.window, name=key_name(), per_mwh=finite())

    @property
    def window(self) -> calendar.ClockWindow:
        """The window without its price. [-]."""
        return calendar.ClockWindow(self.seasons, self.day_types, self.from_time, self.to_time)


@component_kind("time_of_use")
@dataclass(frozen=True)
class TimeOfUse(Component):
    """Energy at fixed prices by season, day type and clock time.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    bands : tuple of Band
        Bands that cover every local time exactly once: each minute of the clock on each day type in
        each month, 'holiday' included, also where no holiday is listed. [-]
    holidays : tuple of date
        Local days of the day type 'holiday'. [-]

    Raises
    ------
    InvalidValues
        If bands leave gaps, overlap, or share a name at different prices.

    Notes
    -----
    An interval that straddles the edge of a band is priced by its shares of elapsed time, which is
    exact for a load that is constant inside the interval.
    """

    name: str
    bands: tuple[Band, ...]
    holidays: tuple[dt.date, ...] = ()

    def __post_init__(self) -> None:
        check(self, name=key_name())
        problems = [*_price_problems(self.bands), *_coverage_problems(self.bands)]
        if problems:
            raise InvalidValues([("bands", text) for text in problems])

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return one rate for each band that has time in the horizon (see `Component.terms`).

        Parameters
        ----------
        horizon : Horizon
            The intervals; its time zone is the local clock. [-]
        situation : Situation
            Not used. [-]

        Returns
        -------
        tuple of Term
            Rates: the band's price times the share of the interval inside the band. [-]
        """
        inside = calendar.shares(horizon, [band.window for band in self.bands], self.holidays)
        terms: list[Term] = []
        for name, price, rows in self._by_name():
            share: Array = inside[rows].sum(axis=0)
            if share.any():
                terms.append(Rate(name, price * share))
        return tuple(terms)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for each band that has time in the profile (see `Component.bill`).

        Parameters
        ----------
        profile : Profile
            Metered load; the time zone of its horizon is the local clock. [-]
        situation : Situation
            Not used. [-]

        Returns
        -------
        tuple of BillLine
            The lines, not rounded. [-]
        """
        cut = calendar.slices(profile.horizon, [band.window for band in self.bands], self.holidays)
        drawn = calendar.energy_mwh(
            profile.horizon, profile.power_mw, cut.starts_min, cut.starts_min + cut.lengths_min
        )
        lines = []
        for name, price, rows in self._by_name():
            inside = cut.inside[rows].any(axis=0)
            if inside.any():
                energy = float(np.sum(drawn[inside]))
                lines.append(
                    BillLine(
                        self.name,
                        name.replace("_", " "),
                        energy,
                        "MWh",
                        price,
                        energy * price,
                        "energy",
                        "metered energy inside the band x price",
                    )
                )
        return tuple(lines)

    def _by_name(self) -> list[tuple[str, float, list[int]]]:
        rows: dict[str, list[int]] = {}
        for row, band in enumerate(self.bands):
            rows.setdefault(band.name, []).append(row)
        return [(name, self.bands[found[0]].per_mwh, found) for name, found in rows.items()]


def _price_problems(bands: tuple[Band, ...]) -> list[str]:
    prices: dict[str, set[float]] = {}
    for band in bands:
        prices.setdefault(band.name, set()).add(band.per_mwh)
    return [
        f"'bands' of one name must have one price (got {sorted(found)} for '{name}')"
        for name, found in prices.items()
        if len(found) > 1
    ]


def _coverage_problems(bands: tuple[Band, ...]) -> list[str]:
    # Between two neighbouring edges of all bands nothing changes, so this is exact to the minute.
    edges = sorted({0, calendar.MINUTES_PER_DAY, *(edge for band in bands for edge in band.window.edges)})
    month = np.arange(1, 13)[:, None, None]
    kind = np.arange(len(calendar.DAY_TYPES))[None, :, None]
    minute = np.array(edges[:-1])[None, None, :]
    held = np.zeros((len(bands), 12, len(calendar.DAY_TYPES), len(edges) - 1), dtype=np.bool_)
    for row, band in enumerate(bands):
        held[row] = band.window.holds(month, kind, minute)
    months_of: dict[tuple[int, int, tuple[str, ...], str], list[int]] = {}
    for m, k in np.argwhere((held.sum(axis=0) != 1).any(axis=2)):
        for start, end, names in _runs(held[:, m, k, :], edges, bands):
            found = months_of.setdefault((start, end, names, calendar.DAY_TYPES[k]), [])
            found.append(int(m) + 1)
    days_of: dict[tuple[int, int, tuple[str, ...], tuple[int, ...]], list[str]] = {}
    for (start, end, names, day), found in months_of.items():
        days_of.setdefault((start, end, names, tuple(found)), []).append(day)
    texts = [_problem(*key, days) for key, days in days_of.items()]
    more = len(texts) - _NAMED_AT_MOST
    return texts if more <= 0 else [*texts[:_NAMED_AT_MOST], f"'bands' have {more} more gaps or overlaps"]


def _runs(held: Mask, edges: list[int], bands: tuple[Band, ...]) -> list[tuple[int, int, tuple[str, ...]]]:
    """Return the spans of one day that no band or several bands hold, neighbours joined."""
    runs: list[tuple[int, int, tuple[str, ...]]] = []
    for column, (start, end) in enumerate(pairwise(edges)):
        names = tuple(bands[row].name for row in np.flatnonzero(held[:, column]))
        if len(names) == 1:
            continue
        if runs and runs[-1][1:] == (start, names):
            runs[-1] = (runs[-1][0], end, names)
        else:
            runs.append((start, end, names))
    return runs


def _problem(start: int, end: int, names: tuple[str, ...], months: tuple[int, ...], days: list[str]) -> str:
    span = f"{calendar.clock_text(start)}-{calendar.clock_text(end)}"
    when = f"{span} on {', '.join(days)} in {calendar.months_text(months)}"
    what = f"{when} is in {' and '.join(map(repr, names))}" if names else f"no band holds {when}"
    return f"'bands' must hold every local time exactly once ({what})"
