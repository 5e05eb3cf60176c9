"""Calls inside a planned year: whether every one that is paid for could be answered.

Owns the cutting of a year into days with what comes before and after, in which calls are simulated as they
are in the plan of a day (`scheduler.calls`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from models.contract.component import Call
from models.horizon import Array, Horizon
from scheduler.calls import HELD, answers, hold
from scheduler.lp import Formulation
from scheduler.plan import Planner, PlanOptions
from scheduler.result import CallAnswer, CallCheck
from scheduler.studies.year import YearOptions, YearRun, cut, interval_places, stock_levels

AFTER_DAYS = 2
"""Days after that of the call in which stores must be back where the year has them. [d]"""


def check_year(run: YearRun, call: Call, options: YearOptions) -> CallCheck:
    """Simulate a call at every interval of a planned year, up to the first that cannot be answered.

    Each local day stands in a program with the day before it and `AFTER_DAYS` after it: what was decided
    before the call stays, and at the end loads and stores are back where the year has them, so that the rest
    of the year can be run as planned. The year's last `AFTER_DAYS` days are left out: nothing is known of the
    days in which a call there would be made up for.

    Parameters
    ----------
    run : YearRun
        The year. [-]
    call : Call
        The call, on the intervals of the year. [-]
    options : YearOptions
        How its windows were solved. [-]

    Returns
    -------
    CallCheck
        What is asked for and what is possible, by interval of the year; where a call is not answered in full
        it is the last one. [-]
    """
    found: list[CallAnswer] = []
    for answer in _answers(run, call, options):
        found.append(answer)
        if not CallCheck(call.component, (answer,)).kept:
            break
    return CallCheck(call.component, tuple(found))


def _answers(run: YearRun, call: Call, options: YearOptions) -> Iterator[CallAnswer]:
    year = run.formulation
    days = np.array([day.toordinal() for day in year.horizon.days])
    for day in np.unique(days[np.flatnonzero(call.drop_mw)]):
        if day + AFTER_DAYS > days[-1]:
            break
        first = int(np.searchsorted(days, day - 1))
        start, end = np.searchsorted(days, (day, day + 1))
        last = int(np.searchsorted(days, day + 1 + AFTER_DAYS))
        horizon = cut(year.horizon, first, last)
        here = replace(call, drop_mw=call.drop_mw[first:last])
        planner = _planner(run, horizon, first, last, options)
        values = _planned(year, planner.formulation, run.audit.values, first)
        if last < len(year.horizon):
            # What follows can then be run as planned.
            ends = np.arange(len(horizon)) == len(horizon) - 1
            hold(planner.formulation, planner.solver, values, ends)
        intervals = np.flatnonzero(here.drop_mw[start - first : end - first]) + start - first
        for answer in answers(year.site, horizon, values, here, planner, intervals.tolist()):
            yield replace(answer, interval=answer.interval + first)


def _planner(run: YearRun, horizon: Horizon, first: int, last: int, options: YearOptions) -> Planner:
    """Return a program of some days that begins and ends with the stocks of the year, without charges."""
    year = run.formulation
    site = replace(year.site, contract=replace(year.site.contract, components=()))
    now = year.situation
    levels = {unit: run.audit.values[key] for unit, key in stock_levels(site).items()}
    if first:
        now = replace(now, stocks={unit: float(level[first - 1]) for unit, level in levels.items()})
    if last < len(year.horizon):
        ends = {unit: float(level[last - 1]) for unit, level in levels.items()}
        now = replace(now, end_stocks={u: end - HELD * max(abs(end), 1.0) for u, end in ends.items()})
    return Planner(site, horizon, now, PlanOptions(options.search, compare=False))


def _planned(
    year: Formulation, days: Formulation, values: Mapping[str, Array], first: int
) -> dict[str, Array]:
    """Return what the year has for the variables of a program of some of its days."""
    here, there = interval_places(days), interval_places(year)
    labels = {v.key: v.labels for v in year.declaration.variables if v.labels is not None}
    found = {}
    for variable in days.declaration.variables:
        key = variable.key
        if variable.intervals is not None:
            found[key] = values[key][np.searchsorted(there[key], here[key] + first)]
        else:
            places = {label: i for i, label in enumerate(labels.get(key) or ())}
            # A label that the year does not have belongs to no duty that it misses.
            found[key] = np.array(
                [values[key][places[label]] if label in places else 0.0 for label in variable.labels or ()]
            )
    return found
