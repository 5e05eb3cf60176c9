"""A back-test: plans made day by day with only what was known, against one that knew everything.

Owns the rolling plans of a past time, the naive forecasts they may use, the month's peak target from a
month-ahead run, and the shares of the saving that are reached. On the day before, the prices of the plan
day are known (they are auctioned a day ahead); of later days only a forecast made from known prices.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from models.contract.component import Profile
from models.horizon import Array, Horizon, Series
from models.site import Site
from models.situation import Situation
from scheduler.exact import exact_values
from scheduler.studies.flat import flat_year
from scheduler.studies.store_size import with_stores_of
from scheduler.studies.year import Chain, WindowPlanner, YearOptions, YearRun, cut, with_look_ahead

WEEK_H = 168
"""Hours of a week. [h]"""
LEVEL_DAYS = 7
"""Known days whose mean is the level of the naive forecast. [d]"""
SHAPE_DAYS = 28
"""Known days whose hours and kinds of day give its shape. [d]"""
FADES, FADE_DAYS = 0.5, 3.0
"""Which part of the level's distance to its mean fades, and how fast. [-], [d] Years differ: in 2022 (FR) all
of it stayed, in 2024 (NL) hardly any; with half of it both were better than with last week's prices again."""
INDEX = "day_ahead"
"""Series that is forecast."""

ROLLING = YearOptions(kept_days=1, look_ahead_days=14, look_ahead_minutes=120, far_days=46, far_minutes=180)
"""How the plan of a day looks ahead: far enough that what a store of ten days must hold at the end of the
look is no reason to fill it today, and finely enough that cheap hours are seen there. With ten days, in a
year of many negative prices: 60 days in threes of hours 98.3 % of the saving, far ones by the day 95.4 %."""
FORECAST_WORDS = (
    f"The naive forecast: the mean of the last {LEVEL_DAYS} known days, half of whose distance to that of "
    f"{SHAPE_DAYS} days fades within days, plus the usual distance of an hour of a working or a weekend day."
)
"""The forecast in a sentence."""
NO_SAVING = 1e-4
"""Saving, as a share of the cost, below which shares of it say nothing."""

Forecast = Callable[[Horizon, Array, int], Array]
"""From the horizon, the true prices and the number of intervals that are known to prices for all."""


@dataclass(frozen=True)
class BacktestOptions:
    """How a back-test rolls.

    Parameters
    ----------
    rolling : YearOptions
        How the plan of a day is cut and solved: it keeps one day. [-]
    month : YearOptions
        How the month-ahead run and the program that knows everything are solved. [-]
    """

    rolling: YearOptions = ROLLING
    month: YearOptions = field(default_factory=YearOptions)


@dataclass(frozen=True)
class BacktestFigures:
    """What a back-test gave.

    Parameters
    ----------
    flat_total : float
        Cost at constant loads. [currency]
    best_total : float
        Cost of the program that knew everything. [currency]
    true_total : float
        Cost of rolling plans with true prices in the look-ahead. [currency]
    naive_total, last_week_total : float
        Cost of rolling plans with the naive forecast, and with last week's prices again. [currency]
    """

    flat_total: float
    best_total: float
    true_total: float
    naive_total: float
    last_week_total: float

    def share(self, total: float) -> float:
        """Return which share of the saving against constant loads is reached.

        Parameters
        ----------
        total : float
            Cost of a way of planning. [currency]

        Returns
        -------
        float
            (flat - total) / (flat - best); not a number where there is no saving. [-]
        """
        saving = self.flat_total - self.best_total
        if saving <= NO_SAVING * abs(self.flat_total):
            return float("nan")
        return (self.flat_total - total) / saving

    @property
    def controller(self) -> float:
        """Share of the saving that rolling reaches with true prices. [-]."""
        return self.share(self.true_total)

    @property
    def information(self) -> float:
        """Share of the saving that rolling reaches with the naive forecast. [-]."""
        return self.share(self.naive_total)

    @property
    def last_week(self) -> float:
        """Share of the saving that rolling reaches with last week's prices again. [-]."""
        return self.share(self.last_week_total)


def truth(horizon: Horizon, prices: Array, known: int) -> Array:
    """Return the true prices: a forecast without error, to judge the controller alone.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    prices : ndarray
        True prices. Shape (n,). [currency/MWh]
    known : int
        Number of intervals whose price is known. [-]

    Returns
    -------
    ndarray
        The same. Shape (n,). [currency/MWh]
    """
    return prices


def last_week_again(horizon: Horizon, prices: Array, known: int) -> Array:
    """Return the forecast that every hour costs what the last known hour a whole number of weeks ago did.

    Parameters
    ----------
    horizon : Horizon
        The intervals, by the hour. [-]
    prices : ndarray
        True prices; only the known ones are used. Shape (n,). [currency/MWh]
    known : int
        Number of intervals whose price is known; before a week is known the last day is repeated. [-]

    Returns
    -------
    ndarray
        Known prices and the forecast. Shape (n,). [currency/MWh]
    """
    result = prices.copy()
    period = WEEK_H if known >= WEEK_H else min(24, known)
    ahead = np.arange(known, len(prices))
    back = (ahead - known) // period + 1
    result[known:] = prices[ahead - back * period]
    return result


def naive(horizon: Horizon, prices: Array, known: int) -> Array:
    """Return the naive forecast: last week's level, fading, with the usual shape of a working or a free day.

    The level starts at the mean of the last `LEVEL_DAYS` known days; `FADES` of its distance to the mean of
    the last `SHAPE_DAYS` fades with a time constant of `FADE_DAYS`. The shape is how far each local hour of
    a working day and of a weekend day was from the mean over the last `SHAPE_DAYS` known days.

    Parameters
    ----------
    horizon : Horizon
        The intervals, by the hour. [-]
    prices : ndarray
        True prices; only the known ones are used. Shape (n,). [currency/MWh]
    known : int
        Number of intervals whose price is known; with less than a week the last day is repeated. [-]

    Returns
    -------
    ndarray
        Known prices and the forecast. Shape (n,). [currency/MWh]
    """
    if known < WEEK_H:
        return last_week_again(horizon, prices, known)
    first = max(0, known - 24 * SHAPE_DAYS)
    kind = _kinds(horizon)
    mean = float(np.mean(prices[first:known]))
    sums = np.bincount(kind[first:known], prices[first:known] - mean, minlength=48)
    counts = np.bincount(kind[first:known], minlength=48)
    shape = np.where(counts > 0, sums / np.maximum(counts, 1), 0.0)
    result = prices.copy()
    apart = float(np.mean(prices[max(0, known - 24 * LEVEL_DAYS) : known])) - mean
    days = np.arange(len(prices) - known) // 24 + 1
    kept = 1.0 - FADES + FADES * np.exp(-days / FADE_DAYS)
    result[known:] = mean + apart * kept + shape[kind[known:]]
    return result


def _kinds(horizon: Horizon) -> np.ndarray:
    """Return the local hour of each interval, and 24 more at weekends."""
    return np.array([start.hour + 24 * (start.weekday() >= 5) for start in horizon.local_starts])


def rolling(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    forecast: Forecast,
    options: BacktestOptions | None = None,
) -> YearRun:
    """Plan day by day with what was known.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The past time, by the hour. [-]
    situation : Situation
        Its start and its true prices; the bill is made with them. [-]
    forecast : callable
        Prices of later days from known ones. [-]
    options : BacktestOptions, optional
        How it rolls. [-]

    Returns
    -------
    YearRun
        The time as it would have gone. [-]
    """
    options = options or BacktestOptions()
    prices = situation.series[INDEX].on(horizon)
    targets: dict[str, dict[tuple[str, str], float]] = {}

    def seen(known_intervals: int, now: Situation) -> Situation:
        values = forecast(horizon, prices, known_intervals)
        series = Series(INDEX, horizon.starts_min, horizon.lengths_min, values)
        return replace(now, series={**now.series, INDEX: series})

    def known(now: Situation, span: tuple[int, int, int]) -> Situation:
        first, end, last = span
        here = seen(end, now)
        month = horizon.months[first]
        if month not in targets:
            targets[month] = _month_ahead(site, horizon, here, first, options.month)
        ahead = dict(targets[month])
        # A look-ahead that reaches into later months may load there as much as in this one.
        for (component, period), peak in targets[month].items():
            if period == month:
                for later in set(horizon.months[end:last]):
                    ahead.setdefault((component, later), peak)
        return replace(here, peak_targets_mw=ahead)

    return Chain(site, horizon, situation, options.rolling).run(situation, known=known)


def _month_ahead(
    site: Site, horizon: Horizon, situation: Situation, first: int, options: YearOptions
) -> dict[tuple[str, str], float]:
    """Return the peaks of the month as a plan of the whole month expects them."""
    months = np.array(horizon.months)
    end = first + int(np.sum(months[first:] == months[first]))
    days = np.array([day.toordinal() for day in horizon.days])
    last = int(np.searchsorted(days, days[end - 1] + 1 + min(options.look_ahead_days, 7)))
    part = with_look_ahead(horizon, first, end, max(last, end), options)
    planner = WindowPlanner(site, part, replace(situation, peak_targets_mw={}), options)
    found, _ = planner.least_cost()
    power = exact_values(planner.formulation, found.raw)[site.meter][: end - first]
    return dict(site.contract.after(Profile(cut(horizon, first, end), power), Situation()).peaks_mw)


def backtest(
    site: Site, horizon: Horizon, situation: Situation, options: BacktestOptions | None = None
) -> BacktestFigures:
    """Hold rolling plans against constant loads and against the program that knew everything.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The past time, by the hour. [-]
    situation : Situation
        Its start and its true prices. [-]
    options : BacktestOptions, optional
        How it rolls. [-]

    Returns
    -------
    BacktestFigures
        Costs and shares. [-]
    """
    options = options or BacktestOptions()
    whole = replace(options.month, kept_days=len(horizon))
    flat = flat_year(site, horizon, situation, options.month)
    profile = Profile(horizon, flat.import_mw)
    beside = flat.total - flat.bill_amount
    flat_total = beside + sum(line.amount for line in site.contract.bill(profile, situation))
    return BacktestFigures(
        flat_total,
        Chain(site, horizon, situation, whole).run(situation).total,
        rolling(site, horizon, situation, truth, options).total,
        rolling(site, horizon, situation, naive, options).total,
        rolling(site, horizon, situation, last_week_again, options).total,
    )


def backtest_stores(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    days: Sequence[float],
    options: BacktestOptions | None = None,
) -> tuple[BacktestFigures, ...]:
    """Run the back-test with product stores of several sizes.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The past time, by the hour. [-]
    situation : Situation
        Its start and its true prices. [-]
    days : sequence of float
        Sizes, in days of mean output at constant loads (see `with_stores_of`), each above 0. [d]
    options : BacktestOptions, optional
        How it rolls. [-]

    Returns
    -------
    tuple of BacktestFigures
        Costs and shares for each size. [-]

    Raises
    ------
    ValueError
        If the works has no product store.
    """
    options = options or BacktestOptions()
    flat = flat_year(site, horizon, situation, options.month)
    mean = {name: float(np.average(rate, weights=horizon.hours)) for name, rate in flat.made_per_h.items()}
    found = []
    for size in days:
        works, start = with_stores_of(site, situation, mean, size)
        found.append(backtest(works, horizon, start, options))
    return tuple(found)
