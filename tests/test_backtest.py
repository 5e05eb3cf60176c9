"""The back-test: what rolling plans reach of the saving, and that forecasts use known prices only."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from models.contract.component import Component
from models.contract.demand import DemandCharge
from models.horizon import Array, Horizon, Series
from models.situation import Situation
from models.tank import ProductStore
from scheduler.cuts import SearchOptions
from scheduler.report.backtest import AS_BUILT, backtest_text
from scheduler.studies.backtest import (
    BacktestFigures,
    BacktestOptions,
    Forecast,
    backtest,
    backtest_stores,
    last_week_again,
    naive,
    rolling,
)
from scheduler.studies.flat import flat_year
from scheduler.studies.store_size import with_stores_of
from scheduler.studies.year import Chain, YearOptions
from tests.study_sites import long_horizon, start_of, store_site, wild_prices

SEARCH = SearchOptions(gap=1e-4, branch=False)
OPTIONS = BacktestOptions(
    YearOptions(kept_days=1, look_ahead_days=5, look_ahead_minutes=120, search=SEARCH, tangents=8),
    YearOptions(look_ahead_days=5, search=SEARCH, tangents=8),
)


@pytest.mark.parametrize("forecast", [naive, last_week_again])
@pytest.mark.parametrize("known", [20, 24, 100, 168, 500])
def test_a_forecast_uses_known_prices_only(forecast: Forecast, known: int) -> None:
    """Whatever later prices are, the forecast is the same; known ones stay as they are."""
    horizon = long_horizon(store_site(1.0), dt.date(2026, 3, 1), 40)
    prices = wild_prices(horizon)
    other = np.concatenate([prices[:known], np.full(len(prices) - known, 1e4)])
    first, second = forecast(horizon, prices, known), forecast(horizon, other, known)
    np.testing.assert_array_equal(first, second)
    np.testing.assert_array_equal(first[:known], prices[:known])


def test_forecasts_by_hand() -> None:
    """Last week again repeats 168 hours; the naive one adds a fading level to the hour's usual distance."""
    horizon = long_horizon(store_site(1.0), dt.date(2026, 1, 5), 42)
    hour = np.array([start.hour for start in horizon.local_starts], dtype=np.float64)
    day = np.arange(len(horizon)) // 24
    # An hour's price is 50 plus its hour; the last week before the plan is 10 dearer.
    prices = 50.0 + hour + np.where((day >= 28) & (day < 35), 10.0, 0.0)
    known = 24 * 35
    np.testing.assert_allclose(last_week_again(horizon, prices, known)[known:], (60.0 + hour)[known:])
    found = naive(horizon, prices, known)[known:]
    # Mean of four weeks 52.5 + 11.5, of the last one 60 + 11.5; shape: hour less 11.5. Of the 7.5 between
    # them half stays and half fades by exp(-1/3) a day.
    days = np.arange(len(found)) // 24 + 1
    level = 52.5 + 7.5 * (0.5 + 0.5 * np.exp(-days / 3.0))
    np.testing.assert_allclose(found, level + hour[known:], atol=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("components", "least"),
    # The aims that were set: 98 % of the saving with true prices, 90 % with a demand charge.
    [((), 0.98), ((DemandCharge("demand", 1500.0, 60),), 0.90)],
)
def test_rolling_with_true_prices_reaches_nearly_all(components: tuple[Component, ...], least: float) -> None:
    """Two weeks, a store of a day: the controller alone loses little; a forecast costs more than truth."""
    site = store_site(1.0, *components)
    horizon = long_horizon(site, dt.date(2026, 3, 9), 14)
    found = backtest(site, horizon, start_of(site, horizon, wild_prices(horizon)), OPTIONS)
    assert least <= found.controller <= 1.0 + 1e-3
    assert found.information < found.controller
    assert found.flat_total > found.naive_total > found.best_total


def test_shares_of_the_saving() -> None:
    """Of a saving of 200 a way that costs 850 against 1000 at constant loads reaches three quarters."""
    figures = BacktestFigures(1000.0, 800.0, 804.0, 850.0, 900.0)
    assert figures.controller == pytest.approx(0.98)
    assert figures.information == pytest.approx(0.75)
    assert figures.last_week == pytest.approx(0.5)


def likely_prices(horizon: Horizon, seed: int) -> Array:
    """Return prices like those of an auction: a wandering level, a daily shape, calmer weekends, noise.

    Level: 60 + an autoregression of 0.9 a day with steps of 6. Shape: dips at night and at noon, a peak in
    the evening, three quarters of it at weekends, 8 less then. Noise: an autoregression of 0.8 an hour with
    steps of 4. The figures are made up so that a day's spread is near 50.
    """
    rng = np.random.default_rng(seed)
    hour = np.array([start.hour for start in horizon.local_starts])
    day = np.array([start.toordinal() for start in horizon.local_starts])
    free = np.array([start.weekday() >= 5 for start in horizon.local_starts])
    level, noise = np.zeros(day[-1] - day[0] + 1), np.zeros(len(horizon))
    for d in range(1, len(level)):
        level[d] = 0.9 * level[d - 1] + rng.normal(0.0, 6.0)
    for t in range(1, len(noise)):
        noise[t] = 0.8 * noise[t - 1] + rng.normal(0.0, 4.0)
    shape = 20.0 * np.exp(-(((hour - 19.0) / 2.5) ** 2)) - 18.0 * np.exp(-(((hour - 14.0) / 2.5) ** 2))
    shape -= 15.0 * np.exp(-(((hour - 3.5) / 3.0) ** 2))
    return np.asarray(60.0 + level[day - day[0]] + np.where(free, 0.75 * shape - 8.0, shape) + noise)


def test_the_naive_forecast_beats_last_week_again() -> None:
    """By the margin that is stated: a point of the saving, here on the mean of two series of four weeks.

    The forecast of last week carries its noise, the mean of four weeks hardly does.
    """
    won = []
    site = store_site(1.0)
    horizon = long_horizon(site, dt.date(2026, 3, 2), 28)
    for seed in (1, 2):
        now = start_of(site, horizon, likely_prices(horizon, seed))
        best = Chain(site, horizon, now, replace(OPTIONS.month, kept_days=28)).run(now).total
        saving = flat_year(site, horizon, now, OPTIONS.month).import_mw @ likely_prices(horizon, seed) - best
        ours, theirs = (rolling(site, horizon, now, way, OPTIONS).total for way in (naive, last_week_again))
        won.append((theirs - ours) / saving)
    assert np.mean(won) >= 0.01


def test_a_store_of_another_size_by_hand() -> None:
    """Two days of 1.5 t/h above 10 t are 72 t of room: up to 82 t, 46 t at both ends; two stores share it."""
    site = store_site(1.0)
    other = Series("day_ahead", np.array([0]), np.array([60]), np.array([1.0]))
    start = Situation(stocks={"store": 1.0, "elsewhere": 5.0}, series={"day_ahead": other})
    own = next(unit for unit in site.units if isinstance(unit, ProductStore))
    store = replace(own, min_t=10.0, max_t=20.0, end_min_t=None)
    made = {"chlorine": 1.5}
    units = tuple(store if unit.name == "store" else unit for unit in site.units)
    works, now = with_stores_of(replace(site, units=units), start, made, 2.0)
    (scaled,) = [unit for unit in works.units if isinstance(unit, ProductStore)]
    assert (scaled.min_t, scaled.max_t, scaled.end_min_t) == (10.0, 82.0, 46.0)
    assert now.stocks == {"store": 46.0, "elsewhere": 5.0}
    twin = replace(store, name="twin")
    works, now = with_stores_of(replace(site, units=(*units, twin)), start, made, 2.0)
    assert [u.max_t for u in works.units if isinstance(u, ProductStore)] == [46.0, 46.0]
    assert now.stocks["twin"] == 28.0
    with pytest.raises(ValueError, match="no unit of kind 'product_store'"):
        with_stores_of(replace(site, units=units), start, {"alkali": 1.0}, 2.0)


def test_sizes_are_tried_one_after_the_other() -> None:
    """A larger store saves more with all prices known; the size as built is what the works has."""
    site = store_site(0.5)
    horizon = long_horizon(site, dt.date(2026, 3, 9), 7)
    now = start_of(site, horizon, wild_prices(horizon))
    small, large = backtest_stores(site, horizon, now, (0.5, 2.0), OPTIONS)
    assert large.best_total < small.best_total
    assert small.flat_total == pytest.approx(large.flat_total, rel=1e-4)
    # What the room makes at constant loads is its mean output, so half a day of it is the store as built.
    assert small.best_total == pytest.approx(backtest(site, horizon, now, OPTIONS).best_total, rel=1e-3)


def test_shares_of_no_saving_are_not_told() -> None:
    """Where flexing saves nothing a share of it would be noise over noise."""
    nothing = BacktestFigures(1000.0, 999.95, 999.9, 1000.1, 1000.2)
    assert np.isnan(nothing.controller)
    horizon = long_horizon(store_site(1.0), dt.date(2026, 3, 9), 2)
    text = backtest_text({"a store": nothing}, "works", horizon, "XTS")
    assert "nothing to take a share of" in text
    assert text.count(" %") == 0
    told = backtest_text({AS_BUILT: BacktestFigures(1000.0, 800.0, 804.0, 850.0, 900.0)}, "w", horizon, "XTS")
    assert "98.0 %" in told
    assert "Scaled stores" not in told
    assert "Scaled stores" in text
