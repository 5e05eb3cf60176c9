"""Contracted capacity over a year: against one program that chooses it, and by hand."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.contract.capacity import CapacityCharge
from models.contract.component import Contract, Profile
from models.contract.spot import SpotEnergy
from scheduler.cuts import SearchOptions
from scheduler.studies.annual import best_year
from scheduler.studies.case_runs import run_cases
from scheduler.studies.contract_year import FLAT, StudyCase, billed
from scheduler.studies.contracted import (
    best_contracted,
    best_for_load,
    capacity_of,
    chooses_capacity,
    with_capacity,
)
from scheduler.studies.tariffs import compare
from scheduler.studies.year import Chain, YearOptions
from tests.study_sites import long_horizon, start_of, store_site, wild_prices

SEARCH = SearchOptions(gap=1e-4, branch=False)
WINDOWS = YearOptions(kept_days=8, look_ahead_days=4, search=SEARCH)
FIRST, DAYS = dt.date(2026, 3, 16), 32
"""Two half months: the capacity counts in both."""
STATED = CapacityCharge("grid", 2000.0, 60, contracted_mw=12.0, excess_per_mw=2500.0)
CHOSEN = replace(STATED, contracted_mw=None, contracted_range_mw=(0.5, 40.0))


def test_the_best_capacity_is_that_of_one_program_which_chooses_it() -> None:
    """One program over the whole time, the capacity a variable of it, against years planned one by one."""
    site = store_site(1.0, CHOSEN)
    horizon = long_horizon(site, FIRST, DAYS)
    now = start_of(site, horizon, wild_prices(horizon))
    whole = Chain(site, horizon, now, YearOptions(kept_days=DAYS, search=SEARCH)).run(now)
    (line,) = [line for line in whole.audit.bill if line.label.startswith("contracted capacity")]
    stated = replace(site, contract=replace(site.contract, components=(SpotEnergy("energy"), STATED)))
    found = best_contracted(stated, horizon, now, 18.0, WINDOWS)
    # Windows cost up to 0.3 % more than one program, and the cost is flat around the best capacity.
    assert found.found.run.total == pytest.approx(whole.total, rel=3e-3)
    assert found.found.run.total >= whole.windows[0].bound + whole.audit.sunk - 1e-6
    assert found.capacity_mw == pytest.approx(line.quantity, rel=0.05)
    # Not the capacity that suits the load planned for 12 MW, and cheaper than with it.
    own = best_year(stated, horizon, now, WINDOWS).run
    assert found.found.run.total < own.total


def test_a_study_tells_the_best_capacity_and_what_it_saves(tmp_path: Path) -> None:
    """Stated: the saving against it, never less than with the same load. Chosen: that very year."""
    site = store_site(1.0)
    horizon = long_horizon(site, FIRST, 16)
    now = start_of(site, horizon, wild_prices(horizon))
    terms = [
        Contract("stated", "XTS", (SpotEnergy("energy"), STATED)),
        Contract("chosen", "XTS", (SpotEnergy("energy"), CHOSEN)),
    ]
    made = [
        StudyCase("site", t.name, "2026", replace(site, contract=t), horizon, now, WINDOWS) for t in terms
    ]
    results, failed = run_cases([*made, replace(made[0], contract_name=FLAT)], tmp_path, 1, lambda _: None)
    assert failed == {}
    by_name = {
        item.case.contract_name: item
        for item in compare([*made, replace(made[0], contract_name=FLAT)], results, failed).ranked
    }
    stated, chosen = (by_name[name].result.figures for name in ("stated", "chosen"))
    assert stated.best_contracted_saving is not None
    assert stated.best_contracted_mw == pytest.approx(chosen.best_contracted_mw, rel=0.05)
    assert stated.total - stated.best_contracted_saving == pytest.approx(chosen.total, rel=1e-3)
    own = results[0]
    assert own is not None
    again = min(
        sum(line.amount for line in billed(with_capacity(terms[0], mw), horizon, now, own, {}))
        for mw in np.linspace(6.0, 30.0, 241)
    )
    assert own.figures.bill_amount - again <= stated.best_contracted_saving + 1e-3 * own.figures.total


def test_capacity_of_a_load_by_hand() -> None:
    """Two months with peaks of 10 and 20: 2000 a month for each MW, 2500 more above it.

    Up to 10 each MW saves 2 x 2500, from 10 to 20 it costs 2 x 2000 and saves 2000 + 2500: worth it, so 20.
    """
    site = store_site(1.0)
    contract = Contract("stated", "XTS", (STATED,))
    horizon = long_horizon(site, dt.date(2026, 3, 1), 61)
    power = np.where(np.array(horizon.months) == "2026-03", 10.0, 20.0)
    now = start_of(site, horizon, wild_prices(horizon))

    def bill_of(terms: Contract) -> float:
        return sum(line.amount for line in terms.bill(Profile(horizon, power), now))

    assert best_for_load(contract, power, bill_of) == pytest.approx(20.0)
    # Where the surcharge is small the lower peak is right.
    cheap = replace(contract, components=(replace(STATED, excess_per_mw=1500.0),))
    assert best_for_load(cheap, power, bill_of) == pytest.approx(10.0)


def test_several_capacities_move_in_proportion() -> None:
    """A range gets the capacity within it, a stated one its share, others stay."""
    half = replace(STATED, name="half", contracted_mw=6.0)
    contract = Contract("both", "XTS", (STATED, half, SpotEnergy("energy")))
    assert capacity_of(contract) == 12.0
    assert not chooses_capacity(contract)
    moved = with_capacity(contract, 10.0)
    assert [getattr(part, "contracted_mw", None) for part in moved.components] == [10.0, 5.0, None]
    ranged = Contract("ranged", "XTS", (CHOSEN,))
    assert chooses_capacity(ranged)
    assert capacity_of(ranged) is None
    (part,) = with_capacity(ranged, 99.0).components
    assert (part.contracted_mw, part.contracted_range_mw) == (40.0, None)  # type: ignore[attr-defined]
