"""A year's peak and a cliff, found outside the windows, against one program that sees the whole time."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace

import numpy as np
import pytest

from models.contract.capacity import CapacityCharge
from models.contract.demand import DemandCharge
from models.contract.minimum import MinimumBill
from models.contract.tiers import EnergyTiers, Tier
from models.contract.utilisation import Utilisation, UtilisationStep
from scheduler.cuts import SearchOptions
from scheduler.result import Status
from scheduler.studies import annual
from scheduler.studies.annual import annual_peaks, best_year, sides
from scheduler.studies.year import Chain, YearOptions, in_long_intervals
from tests.study_sites import long_horizon, start_of, store_site, wild_prices

SEARCH = SearchOptions(gap=1e-4, branch=False)
WINDOWS = YearOptions(kept_days=11, look_ahead_days=5, search=SEARCH)
FIRST, DAYS = dt.date(2026, 12, 1), 31
"""To the end of the year, so that its totals are complete."""


def test_the_years_peak_is_near_that_of_one_program() -> None:
    """With a price on the year's peak the chain costs at most 0.3 % more (the aim set for it)."""
    site = store_site(1.0, CapacityCharge("grid", 5000.0, 60, per="year"))
    horizon = long_horizon(site, FIRST, DAYS)
    now = start_of(site, horizon, wild_prices(horizon))
    assert annual_peaks(site.contract, horizon) == (("grid", "2026"),)
    found = best_year(site, horizon, now, WINDOWS)
    whole = Chain(site, horizon, now, YearOptions(kept_days=DAYS, search=SEARCH)).run(now)
    assert found.run.status is Status.PLAN
    assert found.run.audit.violations == ()
    assert whole.windows[0].bound + whole.audit.sunk - 1e-6 <= found.run.total <= 1.003 * whole.total
    # What was billed is the highest hour of the whole load.
    line = next(line for line in found.run.audit.bill if line.component == "grid")
    assert line.quantity == pytest.approx(found.run.import_mw.max(), rel=1e-9)


@pytest.mark.parametrize("per", ["month", "year"])
@pytest.mark.parametrize("least", [100_000.0, 149_000.0, 180_000.0])
def test_a_minimum_bill_is_met_over_windows(per: str, least: float) -> None:
    """Below, near and above what a December costs, with a demand charge beside: 0.3 % of one program.

    A window knows what was charged before it and what is expected after it; the bill is that of the whole.
    """
    parts = DemandCharge("demand", 1000.0, 60), MinimumBill("least", least, per=per)  # type: ignore[arg-type]
    site = store_site(1.0, *parts)
    horizon = long_horizon(site, FIRST, DAYS)
    now = start_of(site, horizon, wild_prices(horizon))
    found = best_year(site, horizon, now, WINDOWS).run
    whole = Chain(site, horizon, now, YearOptions(kept_days=DAYS, search=SEARCH)).run(now)
    assert found.status is Status.PLAN
    assert found.total == pytest.approx(found.bill_amount, abs=0.01)
    assert whole.windows[0].bound + whole.audit.sunk - 1e-6 <= found.total <= 1.003 * whole.total
    assert found.total >= least - 1e-6


def test_tiers_of_a_month_are_met_over_windows() -> None:
    """A window that ends inside a month knows what is expected of the rest of it."""
    site = store_site(1.0, EnergyTiers("tiers", (Tier(1.0, 2000.0), Tier(20.0))))
    horizon = long_horizon(site, FIRST, DAYS)
    now = start_of(site, horizon, wild_prices(horizon))
    found = best_year(site, horizon, now, WINDOWS).run
    whole = Chain(site, horizon, now, YearOptions(kept_days=DAYS, search=SEARCH)).run(now)
    assert whole.windows[0].bound + whole.audit.sunk - 1e-6 <= found.total <= 1.003 * whole.total


def cliff(discounted: float, from_hours: float) -> Utilisation:
    """Return a charge on the year's peak of which less is paid from some full-load hours on."""
    usual = UtilisationStep("usual", 5000.0, 0.0)
    band = UtilisationStep("band", 5000.0, 0.0, from_hours=from_hours, share_percent=discounted)
    return Utilisation("grid", (usual, band), 60)


@pytest.mark.parametrize(
    ("discounted", "side"),
    # Flat load for 31 days has 744 h; the band from 690 h asks for less flexing. Worth it where
    # 80 % of the charge falls away, not where 0.5 % does.
    [(20.0, "band"), (99.5, "usual")],
)
def test_both_sides_of_a_cliff_are_tried(discounted: float, side: str) -> None:
    """The year ends on the cheaper side, as one program for each side would, within 0.3 %."""
    site = store_site(1.0, cliff(discounted, 690.0))
    horizon = long_horizon(site, FIRST, DAYS)
    now = start_of(site, horizon, wild_prices(horizon))
    choices = sides(site.contract, horizon, now)
    assert [choice["grid"] for choice in choices] == ["usual", "band"]
    found = best_year(site, horizon, now, WINDOWS)
    assert found.cases == {"grid": side}
    power = found.run.import_mw
    hours = float(power.sum() / power.max())
    assert (hours >= 690.0 - 1e-6) == (side == "band")
    share = discounted / 100.0 if hours >= 690.0 - 1e-6 else 1.0
    energy = float(wild_prices(horizon) @ power)
    assert found.run.bill_amount == pytest.approx(energy + share * 5000.0 * float(power.max()), rel=1e-9)
    assert found.run.total == pytest.approx(found.run.bill_amount, rel=1e-9)
    if side == "usual":
        return
    least = np.inf
    for choice in choices:
        state = type(now.state)(cases=choice)
        here = type(now)(stocks=now.stocks, series=now.series, state=state)
        whole = Chain(site, horizon, here, YearOptions(kept_days=DAYS, search=SEARCH)).run(here)
        least = min(least, whole.total)
    assert found.run.total <= 1.003 * least


def test_long_intervals_cover_the_same_time() -> None:
    """A day of 25 hours has four intervals of six hours and one of an hour."""
    site = store_site(1.0)
    horizon = long_horizon(site, dt.date(2026, 10, 24), 3)
    long = in_long_intervals(horizon, 360)
    assert long.lengths_min.tolist() == [360] * 4 + [360] * 4 + [60] + [360] * 4
    assert long.end_min == horizon.end_min


@pytest.mark.parametrize(("dearer", "moved_peak"), [(1.005, True), (1.02, False)])
def test_the_peak_of_a_side_that_is_far_too_dear_is_not_moved(
    dearer: float, moved_peak: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A side half a per cent dearer has its peak moved, one two per cent dearer is planned once and left."""
    site = store_site(1.0, cliff(20.0, 690.0))
    horizon = long_horizon(site, FIRST, DAYS)
    now = start_of(site, horizon, wild_prices(horizon))
    asked: list[tuple[str, float]] = []

    def at(
        self: object, chain: object, here: object, choice: dict[str, str], peak: float, _: object
    ) -> object:
        asked.append((choice["grid"], peak))
        total = 1000.0 if choice["grid"] == "band" else 1000.0 * dearer
        # The first peak is the best one.
        moved = sum(name == choice["grid"] for name, _ in asked) > 1
        return SimpleNamespace(total=total + moved, import_mw=None, jump=0.0)

    rough = SimpleNamespace(
        total=1.0,
        jump=0.0,
        status=Status.PLAN,
        import_mw=np.array([20.0]),
        formulation=SimpleNamespace(horizon=horizon),
    )
    monkeypatch.setattr(annual._Search, "_rough", lambda self, choice: rough)
    monkeypatch.setattr(annual._Search, "_expected", lambda self, run: None)
    monkeypatch.setattr(annual._Search, "_at", at)
    search = annual._Search(site, horizon, now, WINDOWS, (("grid", "2026"),))
    found = search.best(({"grid": "band"}, {"grid": "usual"}))
    assert found.cases == {"grid": "band"}
    moves = [peak for name, peak in asked if name == "usual"]
    assert (len(moves) > 1) == moved_peak


def test_a_year_on_another_side_than_its_own_is_not_moved(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a side's first year meets the conditions of another one, only that one's peak is moved."""
    site = store_site(1.0, cliff(20.0, 300.0))
    horizon = long_horizon(site, FIRST, DAYS)
    now = start_of(site, horizon, wild_prices(horizon))
    asked: list[str] = []
    truly = annual._Search._at

    def at(self: annual._Search, chain: Chain, here: object, choice: dict[str, str], *rest: object) -> object:
        asked.append(choice["grid"])
        return truly(self, chain, here, choice, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(annual._Search, "_at", at)
    found = best_year(site, horizon, now, WINDOWS)
    # 300 h are met by any load, so the side without them is reached by none.
    assert found.cases == {"grid": "band"}
    assert asked.count("usual") <= 1 < asked.count("band")
