"""Plans made day by day in past years, with only what was known: what of the saving is reached.

Outside the default run. `BRINEWATT_PAST=file.csv:2022,file.csv:2023` names years of real prices by the hour
(columns start_local and price_eur_mwh); without it the test is skipped, since the project carries none.
`python -m pytest -q tests/benchmarks/test_past_years.py -s` prints the figures beside those of an earlier run
in `past_years.json` and holds them against their aims. The works is the small invented one of the tests of
studies: a room that takes half to one and a half of its mean load, a customer who moves by a fifth, and a
store of 1, 3 or 10 days of its output, with and without a monthly demand charge. Each size and charge takes
some two minutes a year.
"""

from __future__ import annotations

import datetime as dt
import json
import os
from pathlib import Path
from statistics import mean

import pytest

from models.contract.demand import DemandCharge
from scheduler.studies.backtest import BacktestFigures, backtest
from tests.benchmarks.test_studies import real_prices
from tests.study_sites import long_horizon, start_of, store_site

SIZES = (1.0, 3.0, 10.0)
"""Days of mean output that the store holds."""
CHARGES = (0.0, 2500.0)
"""Demand charge, an invented price: a month's MW at about a week's mean price."""
CONTROLLER, CONTROLLER_WITH_DEMAND = 0.98, 0.90
"""Aims: share of the saving of rolling plans that see true prices ahead."""
MARGIN_OF_ALL, MARGIN_OF_ONE = 0.01, -0.01
"""Stated margin of the naive forecast over 'last week again', in shares of the saving: on the mean of the
years in `past_years.json` at least, and in no case less than."""
SAME = 2e-3
"""How far a share may be from that of the earlier run."""
PAST = [each for each in os.environ.get("BRINEWATT_PAST", "").split(",") if each]

pytestmark = pytest.mark.skipif(not PAST, reason="BRINEWATT_PAST names no price files")


def figures_of(given: str, size: float, charge: float) -> BacktestFigures:
    """Return the back-test of a year."""
    year = int(given.rsplit(":", 1)[1])
    site = store_site(size, *([DemandCharge("demand", charge, 60)] if charge else []))
    horizon = long_horizon(site, dt.date(year, 1, 1), 365)
    return backtest(site, horizon, start_of(site, horizon, real_prices(horizon, given).values))


def test_past_years() -> None:
    """Every year, size and charge: controller and information, told and held against the aims."""
    earlier = json.loads(Path(__file__).with_name("past_years.json").read_text(encoding="utf-8"))
    won, told = [], set()
    for given in PAST:
        for size in SIZES:
            for charge in CHARGES:
                found = figures_of(given, size, charge)
                name = f"{Path(given).name}, {size:g} d, {'demand charge' if charge else 'energy only'}"
                shares = {
                    "saving_percent": 100.0 * (1.0 - found.best_total / found.flat_total),
                    "controller": found.controller,
                    "information": found.information,
                    "last_week": found.last_week,
                }
                shares = {key: round(value, 4) for key, value in shares.items()}
                print(f'\n "{name}": {json.dumps(shares)}', end=",", flush=True)
                assert found.controller >= (CONTROLLER_WITH_DEMAND if charge else CONTROLLER)
                assert found.information - found.last_week >= MARGIN_OF_ONE
                if name in earlier:
                    assert shares == pytest.approx(earlier[name], abs=SAME)
                told.add(name)
                won.append(found.information - found.last_week)
    print(f"\nnaive over last week again: mean {mean(won):.4f}, least {min(won):.4f}")
    if told >= set(earlier):
        assert mean(won) >= MARGIN_OF_ALL
