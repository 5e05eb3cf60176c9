"""The back-test: what rolling plans reach of the saving, and that forecasts use known prices only."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from models.contract.component import Component
from models.contract.demand import DemandCharge
from scheduler.cuts import SearchOptions
from scheduler.studies.backtest import (
    BacktestFigures,
    BacktestOptions,
    Forecast,
    backtest,
    last_week_again,
    naive,
)
from scheduler.studies.year import YearOptions
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
    """Last week again repeats 168 hours; the naive one adds a week's level to the hour's usual distance."""
    horizon = long_horizon(store_site(1.0), dt.date(2026, 1, 5), 42)
    hour = np.array([start.hour for start in horizon.local_starts], dtype=np.float64)
    day = np.arange(len(horizon)) // 24
    # An hour's price is 50 plus its hour; the last week before the plan is 10 dearer.
    prices = 50.0 + hour + np.where((day >= 28) & (day < 35), 10.0, 0.0)
    known = 24 * 35
    np.testing.assert_allclose(last_week_again(horizon, prices, known)[known:], (60.0 + hour)[known:])
    found = naive(horizon, prices, known)[known:]
    # Level: mean of the last week, 60 + 11.5; shape: hour less 11.5.
    np.testing.assert_allclose(found, 60.0 + hour[known:], atol=1e-9)


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
