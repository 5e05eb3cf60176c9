"""Hypothesis strategies for sites and prices, and the profile of settings for tests that solve plans."""

from __future__ import annotations

import datetime as dt
import os

import numpy as np
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from models.horizon import Array, Horizon
from tests.small_sites import Case, intervals, random_case

LONG = int(os.environ.get("BRINEWATT_LONG", "1"))
"""Times as many examples as in the default run; for a long run set BRINEWATT_LONG, to 10 for example."""

# Plans take tenths of a second, so few examples, no deadline; derandomised, so that a run can be repeated.
settings.register_profile(
    "plans",
    deadline=None,
    max_examples=10 * LONG,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)
PLANS = settings.get_profile("plans")
"""Settings of every property that solves plans."""

SEEDS = st.integers(0, 10_000)

DAYS = st.sampled_from(
    [
        dt.date(2026, 6, 8),  # a plain day
        dt.date(2026, 3, 29),  # 23 hours
        dt.date(2026, 10, 25),  # 25 hours
        dt.date(2026, 6, 30),  # the last of a month
    ]
)


@st.composite
def horizons(draw: st.DrawFn) -> Horizon:
    """Draw 12 to 30 intervals of one length from a local midnight."""
    return intervals(draw(st.integers(12, 30)), draw(st.sampled_from([60, 30, 15])), draw(DAYS))


@st.composite
def prices(draw: st.DrawFn, count: int, low: float = 0.0, high: float = 150.0) -> Array:
    """Draw one price for each interval, in whole hundredths like a market's."""
    cents = draw(st.lists(st.integers(int(100 * low), int(100 * high)), min_size=count, max_size=count))
    return np.array(cents) / 100.0


@st.composite
def cases(
    draw: st.DrawFn,
    ramps: bool | None = None,
    demand: bool | None = None,
    credit: bool | None = None,
    low_price: float = 0.0,
) -> Case:
    """Draw a feasible site with prices; what is not given is drawn."""
    horizon = draw(horizons())
    flags = st.booleans()
    case = random_case(
        np.random.default_rng(draw(SEEDS)),
        horizon,
        circuits=draw(st.integers(1, 3)),
        liquid=draw(flags),
        ramps=draw(flags) if ramps is None else ramps,
        demand=draw(flags) if demand is None else demand,
        credit=draw(flags) if credit is None else credit,
        lots=draw(st.integers(1, 3)),
    )
    return case.priced(draw(prices(len(horizon), low_price)))
