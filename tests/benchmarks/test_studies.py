"""Speed of a year in windows: the invented works with room in its stores, three rooms, by the hour.

Outside the default run; `python -m pytest -q tests/benchmarks/test_studies.py -s` prints the figures beside
those of an earlier run in `studies.json`. A pair (windows, one program) takes some minutes;
`BRINEWATT_PAIRS=3` runs three, in changing order. `BRINEWATT_PRICES=file.csv:2022` takes a year of real
prices (columns start_local and price_eur_mwh, by the hour) in place of the invented one. The baseline is
one program of the whole year on the fastest route known here: written as arrays with curves as pieces
(`scheduler.direct`: a third of the rows of tangents, and about three times faster), the same tangents and
gap, dual simplex (the interior point method without crossover took longer). Processor time is judged, since
a shared machine moves wall time most.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
import os
import resource
import time
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import as_file, files
from pathlib import Path
from statistics import median

import numpy as np
import pytest

import models.kinds  # noqa: F401 - fills the registers of kinds
from models.contract.component import Component, Contract
from models.contract.demand import DemandCharge
from models.contract.spot import SpotEnergy
from models.horizon import Horizon, Series, day_start_minute
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.studies.year import Chain, YearOptions, YearRun, year_horizon

YEAR_RATIO, OVERHEAD, YEAR_COST = 5.0, 1.5, 0.001
"""Aims: one program over windows, all over solver, how much more windows may cost."""
WHOLE = YearOptions(kept_days=1000, search=replace(YearOptions().search, seconds=3000.0))
FIRST = dt.date(2026, 1, 1)


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    """Return the invented works."""
    with as_file(files("tariffs_demo")) as folder:
        return read_inputs(folder / "year_site.toml")


def timed(work: Callable[[], YearRun]) -> tuple[YearRun, float, float]:
    """Return a run with its wall and its processor time."""
    wall, own = time.perf_counter(), time.process_time()
    run = work()
    return run, time.perf_counter() - wall, time.process_time() - own


def year_of(inputs: Inputs, *components: Component, days: int = 365) -> tuple[object, ...]:
    """Return site, horizon and situation of so many days."""
    terms = Contract("benchmark", "XTS", (SpotEnergy("energy"), *components))
    site = replace(inputs.site, contract=terms)
    start, end = (day_start_minute(FIRST + dt.timedelta(days=d), site.timezone) for d in (0, days))
    return site, year_horizon(site, start, end, 60, inputs.horizon), inputs.situation


def real_prices(horizon: Horizon, given: str) -> Series:
    """Return the prices of one year in a file on the hours of a horizon; the last two days stand twice."""
    path, year = given.rsplit(":", 1)
    with Path(path).open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["start_local"].startswith(year)]
    values = [float(row["price_eur_mwh"]) for row in rows]
    return Series(
        "day_ahead",
        horizon.starts_min,
        horizon.lengths_min,
        np.array((values + values[-48:])[: len(horizon)]),
    )


def test_a_year_in_windows_against_one_program(inputs: Inputs) -> None:
    """With monthly demand charges: much faster, nearly the same cost, little beside the solver."""
    site, horizon, now = year_of(inputs, DemandCharge("demand", 5900.0, 60))
    given = os.environ.get("BRINEWATT_PRICES")
    if given:
        now = replace(now, series={**now.series, "day_ahead": real_prices(horizon, given)})
    ratios, dearer, over = [], [], []
    for number in range(int(os.environ.get("BRINEWATT_PAIRS", "1"))):
        ways = {"windows": YearOptions(), "one": WHOLE}
        found = {}
        for name in sorted(ways, reverse=number % 2 == 0):
            found[name] = timed(lambda o=ways[name]: Chain(site, horizon, now, o).run(now))
            run, wall, own = found[name]
            print(f"\n{name}: {wall:.1f} s wall, {own:.1f} s own, {run.total:.0f}", flush=True)
        ratios.append(found["one"][2] / found["windows"][2])
        dearer.append(found["windows"][0].total / found["one"][0].total - 1.0)
        over.append(found["windows"][1] / found["windows"][0].solver_seconds)
    ratio, more, overhead = median(ratios), median(dearer), median(over)
    print(f"ratio {ratio:.2f} own; dearer by {100 * more:.3f} %; over solver {overhead:.2f}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB, both ways")
    earlier = json.loads(Path(__file__).with_name("studies.json").read_text(encoding="utf-8"))
    print(f"earlier: {earlier['invented' if not given else 'real']}")
    assert more <= YEAR_COST
    assert overhead <= OVERHEAD
    assert ratio >= YEAR_RATIO
