"""A year in windows against one program of the whole time."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from models.contract.demand import DemandCharge
from scheduler.cuts import SearchOptions
from scheduler.result import Status
from scheduler.studies.year import Chain, YearOptions, YearRun, spans, with_look_ahead
from tests.study_sites import MEAN_T_PER_H, long_horizon, start_of, store_site, wild_prices

SEARCH = SearchOptions(gap=1e-4, branch=False)
DEMAND = DemandCharge("demand", 4000.0, 60)
FIRST, DAYS = dt.date(2026, 3, 14), 33
"""Parts of March and April, with the change of clocks on 29 March."""
ROOM = "room_load"


def both(days_of_store: float) -> tuple[YearRun, YearRun]:
    """Return the time in windows and as one program."""
    site = store_site(days_of_store, DEMAND)
    horizon = long_horizon(site, FIRST, DAYS)
    now = start_of(site, horizon, wild_prices(horizon))
    chain = Chain(site, horizon, now, YearOptions(search=SEARCH)).run(now)
    whole = Chain(site, horizon, now, YearOptions(kept_days=DAYS, search=SEARCH)).run(now)
    return chain, whole


@pytest.fixture(scope="module", params=[1.0, 6.0])
def runs(request: pytest.FixtureRequest) -> tuple[YearRun, YearRun]:
    """Return both ways for a small and a large store."""
    return both(request.param)


def test_windows_cost_nearly_what_one_program_costs(runs: tuple[YearRun, YearRun]) -> None:
    """The chain costs at most 0.1 % more (the aim set for it), and never less than the bound of the whole."""
    chain, whole = runs
    assert len(chain.windows) == 2
    assert len(whole.windows) == 1
    assert chain.status is whole.status is Status.PLAN
    assert chain.total <= whole.total * 1.001
    bound = whole.windows[0].bound + whole.audit.sunk
    assert chain.total >= bound - 1e-9 * abs(bound)


def test_the_audit_of_the_whole_time_finds_nothing(runs: tuple[YearRun, YearRun]) -> None:
    """Balances, limits and movements hold also over the joints, simulated exactly in one piece."""
    for run in runs:
        assert run.audit.violations == ()
        assert run.misses == ()
        assert max(run.audit.balance_error.values()) < 1e-6


def test_a_joint_is_held_to_the_limits_of_movement(runs: tuple[YearRun, YearRun]) -> None:
    """Over the joint the load moves by no more than the 2.4 kA in an hour that the site states."""
    chain, _ = runs
    split = spans(chain.formulation.horizon, YearOptions())[1][0]
    steps = np.abs(np.diff(chain.audit.values[ROOM]))
    assert steps[split - 1] <= 0.04 * 60.0 + 1e-6
    # With the price at nothing after the joint, and dear before it, the load would jump.
    site = store_site(1.0)
    horizon = long_horizon(site, dt.date(2026, 3, 30), 4)
    split = 48
    prices = np.where(np.arange(len(horizon)) < split, 90.0, 1.0)
    now = start_of(site, horizon, prices)
    jump = Chain(site, horizon, now, YearOptions(search=SEARCH, look_ahead_days=0)).run(now)
    assert abs(np.diff(jump.audit.values[ROOM])[split - 1]) <= 0.04 * 60.0 + 1e-6
    assert jump.audit.violations == ()


def test_the_bill_is_that_of_the_whole_load(runs: tuple[YearRun, YearRun]) -> None:
    """Energy at the index plus each month's highest hour at its price, computed apart from the contract."""
    for run in runs:
        horizon, power = run.formulation.horizon, run.import_mw
        prices = wild_prices(horizon)
        months = np.array(horizon.months)
        peaks = [float(power[months == month].max()) for month in ("2026-03", "2026-04")]
        assert run.bill_amount == pytest.approx(float(prices @ power) + 4000.0 * sum(peaks), rel=1e-9)


def test_a_second_run_builds_nothing_and_agrees() -> None:
    """Run again with other prices and then the first ones, the chain changes in place and ends as before."""
    site = store_site(1.0, DEMAND)
    horizon = long_horizon(site, dt.date(2026, 3, 25), 12)
    now = start_of(site, horizon, wild_prices(horizon))
    other = start_of(site, horizon, wild_prices(horizon, seed=8))
    chain = Chain(site, horizon, now, YearOptions(search=SEARCH))
    first = chain.run(now)
    builds = [planner.seconds["build"] for planner in chain._planners.values()]
    changed = chain.run(other)
    again = chain.run(now)
    assert [planner.seconds["build"] for planner in chain._planners.values()] == builds
    # Cuts of earlier runs stay, so equal only within the gap.
    assert again.total == pytest.approx(first.total, abs=1e-4 * first.denominator)
    fresh = Chain(site, horizon, other, YearOptions(search=SEARCH)).run(other)
    assert changed.total == pytest.approx(fresh.total, abs=1e-4 * fresh.denominator)


def test_windows_follow_the_local_calendar() -> None:
    """A window keeps a local month; the look-ahead is in long intervals, a day of 23 h ends in short ones."""
    site = store_site(1.0)
    horizon = long_horizon(site, dt.date(2026, 3, 20), 30)
    cuts = spans(horizon, YearOptions(look_ahead_days=9, far_days=0))
    # 12 days of March less the hour that is left out on the 29th; 9 days of look-ahead.
    assert cuts == ((0, 287, 287 + 216), (287, 719, 719))
    part = with_look_ahead(horizon, 0, 200, 264 + 23, YearOptions(look_ahead_days=30))
    assert len(part) == 200 + 4 + 2 * 6 + 5 + 3 - 2 - 4 + 6
    assert part.end_min == int(horizon.starts_min[287])


def test_start_of_the_year_is_kept(runs: tuple[YearRun, YearRun]) -> None:
    """At the end every store holds at least what the site asks for, at the joint it may hold anything."""
    for run in runs:
        level = run.audit.values["store_level"]
        store = next(unit for unit in run.formulation.site.units if unit.name == "store")
        assert level[-1] >= store.end_min_t - 1e-6  # type: ignore[attr-defined]
        assert level[-1] < replace(store).max_t  # type: ignore[attr-defined]


def test_a_store_carries_from_a_cheap_season_to_a_dear_one() -> None:
    """Energy at 30 for 30 days and at 90 for 30 more, a store for 15 days: windows know by the whole time.

    The room makes 10.5 of its 5 to 15 kA on the mean, so it can fill half a store of 15 days in about 18 days
    of full load and empty it later. One program is the measure; windows that end with what the site asks for
    at the end of a horizon keep half a store at each joint and lose clearly.
    """
    site = store_site(15.0)
    horizon = long_horizon(site, FIRST, 60)
    prices = np.where(np.arange(len(horizon)) < 30 * 24, 30.0, 90.0)
    now = start_of(site, horizon, prices)
    windows = YearOptions(kept_days=12, look_ahead_days=3, far_days=4, search=SEARCH, tangents=8)
    whole = Chain(site, horizon, now, replace(windows, kept_days=60)).run(now)
    guided = Chain(site, horizon, now, windows).run(now)
    blind = Chain(site, horizon, now, replace(windows, guide_minutes=0)).run(now)
    assert guided.total <= whole.total * 1.001
    assert blind.total > whole.total * 1.01
    assert guided.audit.violations == ()
    # The last window ends with what the site asks for, guided or not.
    level = guided.audit.values["store_level"]
    assert level[-1] == pytest.approx(0.5 * 24.0 * 15.0 * MEAN_T_PER_H, rel=1e-6)
