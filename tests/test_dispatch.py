"""Quarters of an hour along a plan by the hour."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from models.contract.demand import DemandCharge
from models.horizon import Series
from scheduler.cuts import SearchOptions
from scheduler.result import Status
from scheduler.studies.dispatch import dispatch
from scheduler.studies.year import Chain, YearOptions
from tests.study_sites import long_horizon, start_of, store_site, wild_prices

SEARCH = SearchOptions(gap=1e-4, branch=False)


def test_quarters_cost_what_hours_cost() -> None:
    """At prices of hours the dispatch costs the same within 0.1 % (the aim), at prices of quarters less."""
    site = store_site(1.0, DemandCharge("demand", 2500.0, 60))
    first, days = dt.date(2026, 3, 24), 9
    hours, quarters = (long_horizon(site, first, days, minutes) for minutes in (60, 15))
    now = start_of(site, hours, wild_prices(hours))
    hourly = Chain(site, hours, now, YearOptions(search=SEARCH)).run(now)
    options = YearOptions(kept_days=5, look_ahead_days=0, far_days=0, search=SEARCH)
    same = dispatch(site, quarters, now, hourly, options)
    assert same.status is Status.PLAN
    assert same.audit.violations == ()
    assert same.total == pytest.approx(hourly.total, rel=1e-3)
    # Prices of quarters with the same hourly means: whoever dispatches by them pays no more.
    zigzag = np.tile([12.0, -12.0, 12.0, -12.0], len(hours))
    fine = Series(
        "day_ahead", quarters.starts_min, quarters.lengths_min, np.repeat(wild_prices(hours), 4) + zigzag
    )
    finer = type(now)(stocks=now.stocks, series={"day_ahead": fine})
    moved = dispatch(site, quarters, finer, hourly, options)
    assert moved.audit.violations == ()
    assert moved.total <= same.total * 1.0005


def test_both_must_cover_the_same_time() -> None:
    """A plan of other days is refused."""
    site = store_site(1.0)
    hours = long_horizon(site, dt.date(2026, 3, 24), 2)
    now = start_of(site, hours, wild_prices(hours))
    hourly = Chain(site, hours, now, YearOptions(search=SEARCH)).run(now)
    with pytest.raises(ValueError, match="must cover the same time"):
        dispatch(site, long_horizon(site, dt.date(2026, 3, 24), 3, 15), now, hourly)
