"""Values on the demo, each confirmed by a whole new plan of the demo with the number moved in its inputs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import tariffs_demo
from models.horizon import Horizon, Series
from models.site import Site
from models.situation import Situation
from models.trade import OwnUse
from scheduler.cuts import SearchOptions
from scheduler.explain import Explainer
from scheduler.plan import Planner, PlanOptions
from scheduler.read.inputs import Inputs, read_inputs

SITE = Path(tariffs_demo.__file__).parent / "site.toml"
INTERVALS = 30
"""Plan day and a short look-ahead. [-]"""


def demo() -> tuple[Inputs, Horizon]:
    """Return the demo, and the first hours of its horizon."""
    inputs = read_inputs(SITE)
    whole = inputs.horizon
    return inputs, Horizon(
        whole.starts_min[:INTERVALS],
        whole.lengths_min[:INTERVALS],
        whole.timezone,
        whole.plan_intervals,
        whole.shifts,
    )


def changed(site: Site, name: str, **fields: object) -> Site:
    """Return the site with one unit changed."""
    units = tuple(replace(u, **fields) if u.name == name else u for u in site.units)  # type: ignore[type-var]
    return replace(site, units=units)


def filled(known: Situation, tank: str, more: float) -> Situation:
    """Return the situation with so much more in a tank."""
    return replace(known, stocks={**known.stocks, tank: known.stocks[tank] + more})


MOVES: dict[str, Callable[[Site, Situation, float], tuple[Site, Situation]]] = {
    "liquid_store_level.start": lambda site, known, d: (site, filled(known, "liquid_store", d)),
    "liquid_store_end_target.lower": lambda site, known, d: (
        changed(site, "liquid_store", end_min_t=290.0 + d),
        known,
    ),
}
DAY_DEMAND = "chlorine.demand"


@pytest.mark.slow
def test_values_of_the_demo_are_confirmed_by_new_plans() -> None:
    """Stocks, an end target and a tonne of chlorine asked for on the plan day: within 1 % of a new plan."""
    inputs, horizon = demo()
    explainer = Explainer(inputs.site, horizon, inputs.situation)
    options = PlanOptions(SearchOptions(gap=1e-9, seconds=60.0), compare=False)

    def cost(site: Site, known: Situation) -> float:
        found, _ = Planner(site, horizon, known, options).solved()
        return found.cost

    base = cost(inputs.site, inputs.situation)
    found = {value.key: value for value in explainer.values(only=(*MOVES, DAY_DEMAND))}
    assert set(found) == {*MOVES, DAY_DEMAND}
    for key, value in found.items():
        for direction, move in ((1.0, value.up), (-1.0, value.down)):
            assert move.cost_per_unit is not None
            if key == DAY_DEMAND:
                if direction < 0:
                    continue
                share = [1.0 if t < horizon.plan_intervals else 0.0 for t in range(INTERVALS)]
                anew = cost(*with_demand(inputs, horizon, share)) - base
            else:
                step = direction * move.size
                anew = (cost(*MOVES[key](inputs.site, inputs.situation, step)) - base) / move.size
            assert move.cost_per_unit == pytest.approx(anew, rel=0.01, abs=0.05), key


def with_demand(inputs: Inputs, horizon: Horizon, share: list[float]) -> tuple[Site, Situation]:
    """Return the demo with one tonne of chlorine taken evenly over some intervals."""
    rate = np.array(share) / float(np.sum(np.array(share) * horizon.hours))
    series = {
        **inputs.situation.series,
        "one_tonne": Series("one_tonne", horizon.starts_min, horizon.lengths_min, rate),
    }
    more = OwnUse("more_chlorine", "chlorine", series="one_tonne")
    return inputs.site.with_units((more,)), replace(inputs.situation, series=series)
