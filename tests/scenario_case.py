"""A room with a store under price scenarios, for the tests of bids.

Owns the making of the case. The room is that of `tests.binding_cases`: 0.2 I + 0.01 I2 MW between 1 and 9 kA.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.contract.imbalance import Imbalance
from models.horizon import Array, Horizon, Series
from models.meter import SiteMeter
from models.price_scenarios import PriceScenarios
from models.site import Site
from models.situation import Situation
from models.tank import ProductStore
from models.trade import Outlet
from scheduler.studies.scenarios import ScenarioOptions, ScenarioStudy, study
from tests.binding_cases import T_PER_KA, ZONE, hours, index, room
from tests.small_sites import spot_contract


def store_room(mean_ka: float, count: int) -> tuple[Site, Horizon]:
    """Return the room with a store that must hold so much at the end that its mean load is given."""
    site = Site(
        "test",
        ZONE,
        spot_contract(),
        (
            room(),
            ProductStore("store", "chlorine", 0.0, 1e3, end_min_t=mean_ka * count * T_PER_KA),
            Outlet("soda_out", "naoh_50", rate_max_per_h=1e4),
            Outlet("hydrogen_out", "hydrogen", rate_max_per_h=1e6),
            SiteMeter("meter", import_max_mw=100.0),
        ),
    )
    return site, hours(count)


def scenarios_of(horizon: Horizon, prices: Array, chances: Array | None = None) -> PriceScenarios:
    """Return scenarios of the prices in the rows."""
    count = len(prices)
    own = tuple(Series("day_ahead", horizon.starts_min, horizon.lengths_min, row) for row in prices)
    names = tuple(f"s{number}" for number in range(count))
    return PriceScenarios(names, np.full(count, 1.0 / count) if chances is None else chances, own)


def studied(
    mean_ka: float,
    prices: Array,
    up: float,
    down: float,
    options: ScenarioOptions | None = None,
    chances: Array | None = None,
) -> ScenarioStudy:
    """Return the study of the room under the prices in the rows."""
    site, horizon = store_room(mean_ka, prices.shape[1])
    known = Situation(stocks={"store": 0.0}, series={"day_ahead": index(horizon, prices[0].tolist())})
    options = replace(options or ScenarioOptions(), deviation=Imbalance("deviation", up, down))
    return study(site, horizon, known, scenarios_of(horizon, prices, chances), options)
