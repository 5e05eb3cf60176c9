"""Contracts side by side: plans, cross matrix, kept results and processes."""

from __future__ import annotations

import datetime as dt
import multiprocessing
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.contract.component import Contract
from models.contract.demand import DemandCharge
from models.contract.spot import Adder, SpotEnergy
from models.contract.time_of_use import Band, TimeOfUse
from models.order import Pipeline
from scheduler.cuts import SearchOptions
from scheduler.errors import StudyError
from scheduler.studies import case_runs
from scheduler.studies.case_runs import load, run_cases
from scheduler.studies.contract_year import FLAT, MOVES, StudyCase, at_moved_prices, solve_case
from scheduler.studies.tariffs import compare
from scheduler.studies.year import YearOptions
from tests.study_sites import long_horizon, start_of, store_site, wild_prices

OPTIONS = YearOptions(kept_days=8, look_ahead_days=3, search=SearchOptions(gap=1e-4, branch=False))
SPOT = Contract("spot", "XTS", (SpotEnergy("energy", adders_per_mwh=(Adder("grid", 4.0),)),))
PEAKY = Contract("peaky", "XTS", (SpotEnergy("energy"), DemandCharge("demand", 2500.0, 60)))
CLOCK = Contract(
    "clock",
    "XTS",
    (
        TimeOfUse(
            "energy",
            bands=(
                Band("day", 60.0, from_time="08:00", to_time="20:00"),
                Band("night", 30.0, from_time="20:00", to_time="08:00"),
            ),
        ),
    ),
)


def cases(contracts: Sequence[Contract] = (SPOT, PEAKY, CLOCK), days: int = 16) -> list[StudyCase]:
    """Return a site with a store of a day under some contracts, and at constant loads."""
    site = store_site(1.0)
    horizon = long_horizon(site, dt.date(2026, 3, 20), days)
    now = start_of(site, horizon, wild_prices(horizon))
    found = [
        StudyCase("site", terms.name, "2026", replace(site, contract=terms), horizon, now, OPTIONS)
        for terms in contracts
    ]
    return [*found, replace(found[0], contract_name=FLAT)]


@pytest.fixture(scope="module")
def solved(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[StudyCase], Path, list[str]]:
    """Return cases, the folder of their results and what was told."""
    folder, told = tmp_path_factory.mktemp("results"), list[str]()
    made = cases()
    run_cases(made, folder, 1, told.append)
    return made, folder, told


def test_no_other_plan_beats_a_contracts_own_beyond_the_gap(
    solved: tuple[list[StudyCase], Path, list[str]],
) -> None:
    """Every plan billed under every contract: the one made for it is cheapest, to the windows' 0.1 %."""
    made, folder, told = solved
    results, failed = run_cases(made, folder, 1, told.append)
    study = compare(made, results, failed)
    (cross,) = study.crosses
    assert cross.contracts == ("clock", "peaky", "spot")
    assert np.all(cross.beaten() <= 1e-3)
    # And each is really another plan: under a clock contract a plan for the index costs clearly more.
    off = cross.totals - np.diag(cross.totals)[None, :]
    assert off[cross.contracts.index("spot"), cross.contracts.index("clock")] > 0.02 * cross.totals[0, 0]


def test_the_ranking_adds_up(solved: tuple[list[StudyCase], Path, list[str]]) -> None:
    """Ranks follow the cost; components add up to the bill, months too; flexing never costs more."""
    made, folder, told = solved
    results, failed = run_cases(made, folder, 1, told.append)
    study = compare(made, results, failed)
    totals = [item.result.figures.total for item in study.ranked]
    assert totals == sorted(totals)
    assert [item.rank for item in study.ranked] == [1, 2, 3]
    for item in study.ranked:
        figures = item.result.figures
        assert sum(figures.by_component.values()) == pytest.approx(figures.bill_amount)
        assert sum(figures.months.values()) == pytest.approx(figures.bill_amount)
        assert set(figures.months) == {"2026-03", "2026-04"}
        assert item.flexibility_value is not None
        assert item.flexibility_value > 0
    by_name = {item.case.contract_name: item.result.figures for item in study.ranked}
    # A contract at the index: one more MW costs the mean price and the adder, by hand.
    base = float(wild_prices(made[0].horizon).mean())
    assert by_name["spot"].marginal_per_mwh == pytest.approx(base + 4.0)
    assert by_name["spot"].base_per_mwh == pytest.approx(base)
    assert by_name["spot"].capture_per_mwh < base  # type: ignore[operator]
    assert by_name["spot"].level_up == pytest.approx(0.1 * base * by_name["spot"].energy_mwh)
    assert by_name["clock"].level_up == 0.0


def test_a_flexible_and_a_stiff_site_rank_two_contracts_the_other_way_round(tmp_path: Path) -> None:
    """The index against one price a little below the index's mean.

    A site with room for a minute draws nearly the same in every hour and pays the mean of the index, which is
    more than the one price. One with a store of a day and a customer who moves draws in cheap hours and
    pays less.
    """
    roomy = store_site(1.0)
    neighbour = next(unit for unit in roomy.units if isinstance(unit, Pipeline))
    fixed = replace(neighbour, min_t_per_h=None, max_t_per_h=None, daily_tolerance_percent=0.0)
    stiff = replace(
        store_site(0.001), units=tuple(fixed if u.name == "neighbour" else u for u in store_site(0.001).units)
    )
    horizon = long_horizon(roomy, dt.date(2026, 3, 2), 4)
    base = float(wild_prices(horizon).mean())
    index = Contract("index", "XTS", (SpotEnergy("energy"),))
    band = Band("all", 0.98 * base, from_time="00:00", to_time="24:00")
    one_price = Contract("one price", "XTS", (TimeOfUse("energy", bands=(band,)),))
    made = [
        StudyCase(name, terms.name, "2026", replace(works, contract=terms), horizon, now, OPTIONS)
        for name, works in (("roomy", roomy), ("stiff", stiff))
        for now in (start_of(works, horizon, wild_prices(horizon)),)
        for terms in (index, one_price)
    ]
    results, failed = run_cases(made, tmp_path, 1, lambda _: None)
    assert failed == {}
    places = {
        (item.case.site_name, item.case.contract_name): item for item in compare(made, results, failed).ranked
    }
    assert [places[name, "index"].rank for name in ("roomy", "stiff")] == [1, 2]
    figures = places["stiff", "index"].result.figures
    assert figures.capture_per_mwh == pytest.approx(base, rel=5e-3)
    assert places["stiff", "one price"].result.figures.average_per_mwh == pytest.approx(0.98 * base)


def test_results_are_kept_and_not_run_again(
    solved: tuple[list[StudyCase], Path, list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second run takes every result from the folder; a changed price is another case."""
    made, folder, _ = solved

    def refuse(case: StudyCase) -> None:
        raise AssertionError(f"{case.contract_name} was run again")

    monkeypatch.setattr(case_runs, "solve_case", refuse)
    told: list[str] = []
    results, failed = run_cases(made, folder, 1, told.append)
    assert failed == {}
    assert all(result is not None for result in results)
    assert told == ["4 of 4 cases kept from an earlier run"]
    series = made[0].situation.series
    other = replace(series["day_ahead"], values=series["day_ahead"].values + 1e-9)
    changed = replace(made[0], situation=replace(made[0].situation, series={"day_ahead": other}))
    assert changed.key != made[0].key


@pytest.mark.slow
def test_processes_give_the_same_figures(
    solved: tuple[list[StudyCase], Path, list[str]], tmp_path: Path
) -> None:
    """Two processes, the cases in another order: every figure and load is the same to the last digit."""
    made, folder, told = solved
    results, failed = run_cases(list(reversed(made))[:3], tmp_path, 2, told.append)
    assert failed == {}
    for case, two in zip(list(reversed(made))[:3], results, strict=True):
        one = load(folder / f"{case.key}.npz")
        assert one is not None
        assert two is not None
        np.testing.assert_array_equal(one.import_mw, two.import_mw)
        assert one.figures.bill == two.figures.bill
        assert one.figures.total == two.figures.total


def test_a_killed_study_keeps_what_was_finished(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped inside the second case, the study resumes with the first one kept and nothing half written."""
    made = cases((SPOT, PEAKY), days=4)[:2]
    real = solve_case

    def stopped(case: StudyCase) -> object:
        if case.contract_name == "peaky":
            raise KeyboardInterrupt
        return real(case)

    monkeypatch.setattr(case_runs, "solve_case", stopped)
    with pytest.raises(KeyboardInterrupt):
        run_cases(made, tmp_path, 1, lambda _: None)
    assert [path.name for path in tmp_path.iterdir()] == [f"{made[0].key}.npz"]
    monkeypatch.setattr(case_runs, "solve_case", real)
    told: list[str] = []
    results, _ = run_cases(made, tmp_path, 1, told.append)
    assert told[0] == "1 of 2 cases kept from an earlier run"
    assert all(result is not None for result in results)


def test_a_case_that_fails_is_told_and_the_rest_ranked(tmp_path: Path) -> None:
    """A contract whose index is missing has no result; without any result the study says so."""
    lost = Contract("lost", "XTS", (SpotEnergy("energy", index="nowhere"),))
    made = cases((SPOT, lost), days=4)[:2]
    results, failed = run_cases(made, tmp_path, 1, lambda _: None)
    assert list(failed) == ["site, 2026, lost"]
    assert "nowhere" in failed["site, 2026, lost"]
    assert [item.case.contract_name for item in compare(made, results, failed).ranked] == ["spot"]
    with pytest.raises(StudyError, match="no case of the study could be planned"):
        compare(made[1:], [None], failed)


class Deadly(str):
    """A name that kills the process which is handed it, as often as a file has lines to spare."""

    left: str = ""

    def __reduce__(self) -> tuple[object, ...]:
        """Let the name be made by what may kill."""
        return die_while, (self.left, str(self))


def die_while(left: str, name: str) -> str:
    """End this process if it was started by another and the file still has a line; take the line."""
    path = Path(left)
    lines = path.read_text().splitlines()
    if lines and multiprocessing.parent_process() is not None:
        path.write_text("\n".join(lines[1:]))
        os._exit(1)
    return name


@pytest.mark.parametrize("deaths", [1, 2, 9])
def test_a_case_whose_process_died_is_run_again(deaths: int, tmp_path: Path) -> None:
    """Once or twice: the figures are those of any run. Again and again: told, and the others are kept."""
    left = tmp_path / "left"
    left.write_text("\n".join("x" * deaths))
    name = Deadly("site")
    name.left = str(left)
    made = cases((CLOCK, SPOT), days=2)[:2]
    made[0] = replace(made[0], site_name=name)
    told: list[str] = []
    # One waiting case at a time, so that it is clear whose process died.
    results, failed = run_cases(made[:1], tmp_path / "kept", 2, told.append)
    assert any("a process died; 1 cases are run again" in line for line in told)
    if deaths > case_runs.RETRIES:
        assert results == [None]
        assert list(failed.values()) == ["its process died again and again: is there memory enough?"]
        return
    assert failed == {}
    assert results[0] is not None
    again = solve_case(made[0])
    assert results[0].figures.total == again.figures.total


def test_sensitivities_are_planned_anew_where_asked(tmp_path: Path) -> None:
    """At moved prices a year planned for them costs no more than the load as it was, and hardly less.

    A plan is an optimum, so to the first order its cost moves as its bill does; a fixed price does not move.
    """
    made = cases((SPOT, CLOCK))[:2]
    moved_cases = [variant for case in made for variant in at_moved_prices(case)]
    assert [(case.contract_name, case.moved) for case in moved_cases] == [
        ("spot", "level"),
        ("spot", "spread"),
    ]
    assert len({case.key for case in (*made, *moved_cases)}) == 4
    results, failed = run_cases([*made, *moved_cases], tmp_path, 1, lambda _: None)
    study = compare([*made, *moved_cases], results, failed)
    by_name = {item.case.contract_name: item for item in study.ranked}
    assert len(study.ranked) == 2
    spot = by_name["spot"]
    assert by_name["clock"].replanned == {}
    assert set(spot.replanned) == set(MOVES)
    scale = spot.result.figures.denominator
    own = results[0]
    anew = results[3]
    assert own is not None
    assert anew is not None
    billed_ = spot.result.figures.spread_up
    # Wider prices: the load moves further. By hand the plan made for them, billed at them, costs less there.
    assert spot.replanned["spread"] == pytest.approx(anew.figures.total - own.figures.total)
    assert spot.replanned["spread"] < billed_ - 1e-5 * scale
    assert spot.replanned["spread"] > billed_ - 0.1 * abs(billed_)
    assert spot.replanned["level"] == pytest.approx(spot.result.figures.level_up, abs=2e-3 * scale)


def test_constant_loads_are_taken_where_nothing_is_cheaper(
    solved: tuple[list[StudyCase], Path, list[str]],
) -> None:
    """A plan a few parts in a million above constant loads is no plan to prefer."""
    made, folder, told = solved
    results, failed = run_cases(made, folder, 1, told.append)
    flat = results[-1]
    own = results[2]
    assert flat is not None
    assert own is not None
    dear = replace(own, figures=replace(own.figures, unit_cost=own.figures.unit_cost + 1e6))
    study = compare([made[2], made[3]], [dear, flat], failed)
    (item,) = study.ranked
    assert item.plan_of == FLAT
    assert item.flexibility_value == pytest.approx(0.0, abs=1e-6)
    assert item.result.figures.total == pytest.approx(item.flat_total)
