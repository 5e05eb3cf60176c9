"""Speed of a year in windows: the invented works with room in its stores, three rooms, by the hour.

Outside the default run; `python -m pytest -q tests/benchmarks/test_studies.py -s` prints the figures. The
baseline is one program of the whole year on the fastest route known here: written as arrays with curves as
pieces (`scheduler.direct`: a third of the rows of tangents, and about three times faster), the same tangents
and gap, dual simplex. Both sides run alternately; processor time is told beside wall time, since a shared
machine moves only the latter.
"""

from __future__ import annotations

import datetime as dt
import resource
import time
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import as_file, files
from statistics import median

import pytest

import models.kinds  # noqa: F401 - fills the registers of kinds
from models.contract.component import Component, Contract
from models.contract.demand import DemandCharge
from models.contract.spot import SpotEnergy
from models.horizon import day_start_minute
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.studies.year import Chain, YearOptions, YearRun, year_horizon

YEAR_RATIO, ANNUAL_RATIO, OVERHEAD, TWO_YEARS = 5.0, 1.5, 1.5, 2.1
"""Aims: one program over windows, the same with peak and cliff, all over solver, two years over one."""
YEAR_COST, ANNUAL_COST = 0.001, 0.003
"""Aims: how much more windows may cost."""
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


def test_a_year_in_windows_against_one_program(inputs: Inputs) -> None:
    """With monthly demand charges: much faster, nearly the same cost, little beside the solver."""
    site, horizon, now = year_of(inputs, DemandCharge("demand", 5900.0, 60))
    found = []
    for number in range(2):
        sides_ = {"windows": YearOptions(), "one": WHOLE}
        for name in sorted(sides_, reverse=bool(number % 2)):
            options = sides_[name]
            found.append((name, *timed(lambda o=options: Chain(site, horizon, now, o).run(now))))
    windows = [item for item in found if item[0] == "windows"]
    one = [item for item in found if item[0] == "one"]
    wall = median(b[2] / a[2] for a, b in zip(windows, one, strict=True))
    own = median(b[3] / a[3] for a, b in zip(windows, one, strict=True))
    dearer = windows[0][1].total / one[0][1].total - 1.0
    overhead = median(item[2] / item[1].solver_seconds for item in windows)
    print(f"\nwindows {[round(i[2], 1) for i in windows]} s wall {[round(i[3], 1) for i in windows]} s own")
    print(f"one     {[round(i[2], 1) for i in one]} s wall {[round(i[3], 1) for i in one]} s own")
    print(f"ratio {wall:.2f} wall, {own:.2f} own; dearer by {100 * dearer:.3f} %; over solver {overhead:.2f}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB, both ways")
    assert dearer <= YEAR_COST
    assert overhead <= OVERHEAD
    assert own >= YEAR_RATIO
