"""Speed of studies: the invented works with room in its stores, three rooms, by the hour.

Outside the default run; `python -m pytest -q tests/benchmarks/test_studies.py -s` prints each figure beside
that of an earlier run in `studies.json` and holds it against its aim. `BRINEWATT_PAIRS=3` runs three pairs of
the first test, in changing order; `BRINEWATT_PRICES=file.csv:2022` takes a year of real prices there (columns
start_local and price_eur_mwh, by the hour) in place of the invented one. The baseline is one program of the
whole year on the fastest route known here: written as arrays with curves as pieces (`scheduler.direct`: a
third of the rows of tangents, and about three times faster), the same tangents and gap, dual simplex (the
interior point method without crossover took longer). Processor time is judged where one process works, since
a shared machine moves wall time most. Costs do not depend on the machine, so they are held against the
earlier run.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
import multiprocessing
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from importlib.resources import as_file, files
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pytest

import models.kinds  # noqa: F401 - fills the registers of kinds
from models.contract.component import Component, Contract
from models.contract.demand import DemandCharge
from models.contract.spot import SpotEnergy
from models.contract.utilisation import Utilisation, UtilisationStep
from models.horizon import Horizon, Series, day_start_minute
from models.site import Site
from models.situation import Situation
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.studies.annual import best_year, sides
from scheduler.studies.case_runs import run_cases
from scheduler.studies.contract_year import StudyCase
from scheduler.studies.dispatch import dispatch
from scheduler.studies.year import Chain, YearOptions, YearRun, year_horizon

YEAR_RATIO, OVERHEAD, YEAR_COST = 5.0, 1.5, 0.001
"""Aims: one program over windows, all over solver, how much more windows may cost."""
ANNUAL_RATIO, ANNUAL_COST = 1.5, 0.003
"""The same with a peak of the year and a cliff."""
QUARTER_RATIO, QUARTER_COST = 6.0, 0.001
"""A year of quarters of an hour over one of hours, and how much it may cost more than months of quarters."""
TWO_YEARS, TWO_PROCESSES, MEMORY_MB = 2.1, 1.7, 1000.0
SAME = 1e-3
"""How far a cost may be from that of the earlier run."""
WHOLE = YearOptions(kept_days=1000, search=replace(YearOptions().search, seconds=3000.0))
FIRST = dt.date(2026, 1, 1)
DEMAND = DemandCharge("demand", 5900.0, 60)
BAND = Utilisation(
    "network",
    (
        UtilisationStep("full", 84000.0, 0.0),
        UtilisationStep("band_load", 84000.0, 0.0, from_hours=7000.0, share_percent=20.0),
    ),
    60,
)
Works = tuple[Site, Horizon, Situation]


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


def year_of(inputs: Inputs, *components: Component, days: int = 365, minutes: int = 60) -> Works:
    """Return site, horizon and situation of so many days; a year of prices stands again in the next one."""
    terms = Contract("benchmark", "XTS", (SpotEnergy("energy"), *components))
    site = replace(inputs.site, contract=terms)
    start, end = (day_start_minute(FIRST + dt.timedelta(days=d), site.timezone) for d in (0, days))
    horizon = year_horizon(site, start, end, minutes, inputs.horizon)
    now = inputs.situation
    if days <= 365:
        return site, horizon, now
    known = now.series["day_ahead"]
    values = np.resize(known.values[: 365 * 24], len(horizon))
    prices = Series("day_ahead", horizon.starts_min, horizon.lengths_min, values)
    return site, horizon, replace(now, series={**now.series, "day_ahead": prices})


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


def in_quarters(prices: Series) -> Series:
    """Return prices of quarters that run towards those of the next hour; each hour's mean is kept."""
    values, starts = prices.values, prices.starts_min
    slope = np.gradient(values)
    parts = np.array([-1.5, -0.5, 0.5, 1.5]) / 4.0
    return Series(
        prices.name,
        (starts[:, None] + np.array([0, 15, 30, 45])).ravel(),
        np.full(4 * len(values), 15, dtype=np.int64),
        (values[:, None] + slope[:, None] * parts).ravel(),
    )


def tell(name: str, figures: Mapping[str, Any]) -> None:
    """Print figures beside those of the earlier run, and hold costs against it."""
    earlier = json.loads(Path(__file__).with_name("studies.json").read_text(encoding="utf-8")).get(name, {})
    print(f"\n{name}: {json.dumps(dict(figures))}\nearlier: {json.dumps(earlier)}", flush=True)
    for key, value in figures.items():
        if key.endswith("_total") and key in earlier:
            assert value == pytest.approx(earlier[key], rel=SAME), key


def test_a_year_in_windows_against_one_program(inputs: Inputs) -> None:
    """With monthly demand charges: much faster, nearly the same cost, little beside the solver."""
    site, horizon, now = year_of(inputs, DEMAND)
    given = os.environ.get("BRINEWATT_PRICES")
    if given:
        now = replace(now, series={**now.series, "day_ahead": real_prices(horizon, given)})
    pairs = int(os.environ.get("BRINEWATT_PAIRS", "1"))
    ratios, dearer, over = [], [], []
    for number in range(pairs):
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
    tell(
        "year" if not given else f"year {Path(given).name}",
        {
            "windows_own_s": round(found["windows"][2], 1),
            "one_own_s": round(found["one"][2], 1),
            "ratios": [round(r, 2) for r in ratios],
            "windows_total": round(found["windows"][0].total),
            "one_total": round(found["one"][0].total),
            "dearer_percent": round(100.0 * more, 4),
            "over_solver": round(overhead, 3),
        },
    )
    assert more <= YEAR_COST
    assert overhead <= OVERHEAD
    assert ratio >= YEAR_RATIO


def test_a_year_with_a_peak_of_its_own_and_a_cliff(inputs: Inputs) -> None:
    """The search outside the windows against one program for each side of the cliff."""
    site, horizon, now = year_of(inputs, BAND)
    start = time.process_time()
    found = best_year(site, horizon, now)
    ours = time.process_time() - start
    start, least = time.process_time(), np.inf
    for choice in sides(site.contract, horizon, now):
        here = replace(now, state=replace(now.state, cases={**now.state.cases, **choice}))
        run = Chain(site, horizon, here, WHOLE).run(here)
        print(f"\n{choice}: {run.total:.0f}, {time.process_time() - start:.1f} s so far", flush=True)
        least = min(least, run.total)
    base = time.process_time() - start
    more = found.run.total / least - 1.0
    tell(
        "peak and cliff",
        {
            "search_own_s": round(ours, 1),
            "one_each_own_s": round(base, 1),
            "ratio": round(base / ours, 2),
            "years_tried": len(found.tried),
            "search_total": round(found.run.total),
            "one_total": round(least),
            "dearer_percent": round(100.0 * more, 4),
        },
    )
    assert more <= ANNUAL_COST
    assert base >= ANNUAL_RATIO * ours


def test_a_year_by_the_quarter_of_an_hour(inputs: Inputs) -> None:
    """The plan by the hour and its dispatch, against the hour alone for time, months of quarters for cost."""
    demand = replace(DEMAND, metering_minutes=15)
    site, horizon, now = year_of(inputs, demand)
    hourly, _, own_hourly = timed(lambda: Chain(site, horizon, now, YearOptions()).run(now))
    _, fine, _ = year_of(inputs, demand, minutes=15)
    quarters = replace(now, series={**now.series, "day_ahead": in_quarters(now.series["day_ahead"])})
    dispatched, _, own_dispatch = timed(lambda: dispatch(site, fine, quarters, hourly))
    months, _, own_months = timed(lambda: Chain(site, fine, quarters, YearOptions()).run(quarters))
    more = dispatched.total / months.total - 1.0
    tell(
        "quarter hours",
        {
            "hourly_own_s": round(own_hourly, 1),
            "dispatch_own_s": round(own_dispatch, 1),
            "months_of_quarters_own_s": round(own_months, 1),
            "ratio": round((own_hourly + own_dispatch) / own_hourly, 2),
            "dispatch_total": round(dispatched.total),
            "months_total": round(months.total),
            "dearer_percent": round(100.0 * more, 4),
        },
    )
    assert dispatched.audit.violations == ()
    assert more <= QUARTER_COST
    assert own_hourly + own_dispatch <= QUARTER_RATIO * own_hourly


def test_two_years_take_twice_as_long_as_one(inputs: Inputs) -> None:
    """Windows hold a month whatever the length of the time."""
    ratios = []
    for number in range(3):
        own = {}
        for days in sorted((365, 730), reverse=number % 2 == 0):
            site, horizon, now = year_of(inputs, DEMAND, days=days)
            _, _, own[days] = timed(lambda s=site, h=horizon, n=now: Chain(s, h, n).run(n))
        ratios.append(own[730] / own[365])
        print(f"\none year {own[365]:.1f} s, two years {own[730]:.1f} s own", flush=True)
    tell("two years", {"ratios": [round(r, 3) for r in ratios], "ratio": round(median(ratios), 3)})
    assert median(ratios) <= TWO_YEARS


def test_two_processes_on_eight_contract_years(inputs: Inputs, tmp_path: Path) -> None:
    """Wall time with one and with two processes; the figures are the same to the last digit."""
    made = []
    for price in range(8):
        site, horizon, now = year_of(inputs, replace(DEMAND, per_mw_month=1000.0 * price))
        made.append(StudyCase("works", f"demand at {price}", "2026", site, horizon, now))
    walls, totals, solver = {}, {}, 0.0
    for workers in (1, 2):
        start = time.perf_counter()
        results, failed = run_cases(made, tmp_path / str(workers), workers, print)
        walls[workers] = time.perf_counter() - start
        assert failed == {}
        totals[workers] = [result.figures.total for result in results if result is not None]
        if workers == 1:
            solver = sum(result.figures.solver_seconds for result in results if result is not None)
    ratio = walls[1] / walls[2]
    tell(
        "two processes",
        {
            "one_wall_s": round(walls[1], 1),
            "two_wall_s": round(walls[2], 1),
            "ratio": round(ratio, 3),
            "study_over_solver": round(walls[1] / solver, 3),
        },
    )
    assert walls[1] <= OVERHEAD * solver
    assert totals[1] == totals[2]
    assert ratio >= TWO_PROCESSES


def _most_memory_mb() -> float:
    """Return the highest resident memory of this process; that of `resource` survives from the parent."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024.0


def _years_memory(results: Any) -> None:
    with as_file(files("tariffs_demo")) as folder:
        inputs = read_inputs(folder / "year_site.toml")
    found = {}
    site, horizon, now = year_of(inputs, DEMAND)
    Chain(site, horizon, now).run(now)
    found["year_mb"] = _most_memory_mb()
    site, horizon, now = year_of(inputs, BAND)
    best_year(site, horizon, now)
    found["peak_and_cliff_mb"] = _most_memory_mb()
    results.put(found)


def test_memory_of_a_year() -> None:
    """A process of its own plans a year with monthly demand charges, then one with a peak and a cliff."""
    context = multiprocessing.get_context("spawn")
    results = context.Queue()
    process = context.Process(target=_years_memory, args=(results,))
    process.start()
    found = results.get()
    process.join()
    tell("memory", {name: round(value) for name, value in found.items()})
    assert max(found.values()) <= MEMORY_MB
