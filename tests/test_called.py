"""Calls inside a planned year: what the plan of a day says of them, said of each of its hours."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.contract.component import Contract
from models.contract.reserve import Interruptible
from models.contract.time_of_use import Band, TimeOfUse
from models.horizon import day_start_minute
from scheduler.cuts import SearchOptions
from scheduler.sides import paid_calls
from scheduler.studies.annual import best_year, sides
from scheduler.studies.called import AFTER_DAYS, check_year
from scheduler.studies.case_runs import run_cases
from scheduler.studies.contract_year import StudyCase, solve_case
from scheduler.studies.tariffs import compare
from scheduler.studies.year import YearOptions, year_horizon
from tests.call_case import call_case, demo_contract

OPTIONS = YearOptions(kept_days=2, look_ahead_days=1, search=SearchOptions(gap=1e-4, branch=False))
DAYS = 4


def study_case(cold_start_min: float, **changes: object) -> StudyCase:
    """Return the works of the plan of a day with calls, over some days."""
    contract = demo_contract("e_interruptible.toml")
    parts = tuple(
        replace(part, **changes) if isinstance(part, Interruptible) else part for part in contract.components
    )
    site, _, now = call_case(cold_start_min, Contract("E", "XTS", parts))
    first = dt.date(2026, 6, 8)
    start, end = (day_start_minute(first + dt.timedelta(days=d), site.timezone) for d in (0, DAYS))
    return StudyCase("works", "E", "2026", site, year_horizon(site, start, end), now, OPTIONS)


def test_income_counts_where_every_call_is_answered() -> None:
    """With a hot vaporiser 13.62 t/h are left against a need of 13.6 (as for a day), from a load at its mean.

    Loads wander a little around it in a study, so 26 MW are offered: 26 x 1900 x 4/30 in four days of June.
    """
    result = solve_case(study_case(0.0, drop_mw=26.0))
    assert result.figures.sides == {"interruptible": "paid"}
    assert result.figures.calls == "'interruptible' is paid: all 48 simulated calls are answered"
    assert result.figures.by_component["interruptible"] == pytest.approx(-26.0 * 1900.0 * 4 / 30)
    assert result.import_mw.min() >= 66.0 - 1e-6


def test_income_does_not_count_with_a_cold_vaporiser() -> None:
    """Cold, 14.1 to 14.7 MW can be called off from a mean load (by hand, as for a day): not credited."""
    result = solve_case(study_case(40.0))
    assert result.figures.sides == {"interruptible": "not_paid"}
    assert "interruptible" not in result.figures.by_component
    told = re.fullmatch(
        r"income of 'interruptible', 7,\d{3} in all, is not counted: a simulated call at "
        r"2026-06-08T00:00\+02:00 is answered with (\d+\.\d) of 30\.0 MW only",
        result.figures.calls,
    )
    assert told is not None
    assert float(told[1]) == pytest.approx(14.2, abs=0.6)


def test_every_hour_is_tried_until_one_fails() -> None:
    """Cold, some 14 MW can be dropped: 10 at every hour, 20 at none, and the first hour tells.

    The last two of four days are left out: a call there would be made up for on days that nobody knows.
    """
    case = study_case(40.0, drop_mw=10.0, least_mw=40.0)
    found = best_year(case.site, case.horizon, case.situation, OPTIONS, paid=True)
    (call,) = paid_calls(case.site.contract, case.horizon, found.run.formulation.situation)
    check = check_year(found.run, call, OPTIONS)
    assert check.kept
    assert [answer.interval for answer in check.answers] == list(range(24 * (DAYS - AFTER_DAYS)))
    # 20 MW cannot be dropped at the first hour: the check ends there.
    more = replace(call, drop_mw=np.full(len(case.horizon), 20.0))
    ended = check_year(found.run, more, OPTIONS)
    assert len(ended.answers) == 1
    assert not ended.kept
    # Only hours at which it may be called are tried.
    some = replace(call, drop_mw=np.where(np.arange(len(case.horizon)) == 30, 10.0, 0.0))
    assert [answer.interval for answer in check_year(found.run, some, OPTIONS).answers] == [30]


def test_other_plans_are_billed_without_the_income(tmp_path: Path) -> None:
    """Calls were simulated in the contract's own plan: another one gets no credit for them."""
    paid = study_case(0.0, drop_mw=26.0)
    band = Band("all", 69.0, from_time="00:00", to_time="24:00")
    plain = replace(
        paid,
        contract_name="plain",
        site=replace(paid.site, contract=Contract("plain", "XTS", (TimeOfUse("energy", bands=(band,)),))),
    )
    made = [paid, plain]
    results, failed = run_cases(made, tmp_path, 1, lambda _: None)
    (cross,) = compare(made, results, failed).crosses
    assert cross.contracts == ("E", "plain")
    credit = 26.0 * 1900.0 * 4 / 30
    # Under the plain contract both cost the same but for the room; under E only its own plan has the credit.
    assert cross.totals[1, 0] == pytest.approx(cross.totals[1, 1], rel=1e-9)
    assert cross.totals[0, 0] == pytest.approx(cross.totals[0, 1] - credit, rel=1e-9)


def test_sides_with_and_without_income() -> None:
    """The sides without income by default, those with it when asked; both together are all."""
    case = study_case(0.0)
    without = sides(case.site.contract, case.horizon, case.situation)
    with_ = sides(case.site.contract, case.horizon, case.situation, paid=True)
    assert [choice["interruptible"] for choice in without] == ["not_paid"]
    assert [choice["interruptible"] for choice in with_] == ["paid"]
