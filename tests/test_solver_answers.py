"""What is made of the solver's answers: solved again from nothing, asked again, ended by a limit.

A program here is small enough to be solved by hand; wrong answers are put in at the solver's edge.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import highspy
import numpy as np
import pytest

from models.tank import ProductStore
from models.trade import OwnUse
from scheduler.cuts import Found, Search, SearchOptions
from scheduler.highs import Answer, Arrays, Solver
from scheduler.report.plan_json import plan_document
from scheduler.result import Status
from tests.small_sites import Case, plain_case, plain_circuit
from tests.test_cli import lay, run


def least_of_two() -> Arrays:
    """Return min 2 x + 3 y with x + y >= 4, x <= 3, y <= 5: x = 3, y = 1, cost 9."""
    return Arrays(
        np.array([2.0, 3.0]),
        np.zeros(2),
        np.array([3.0, 5.0]),
        np.array([4.0]),
        np.array([np.inf]),
        np.array([0, 2], dtype=np.int32),
        np.array([0, 1], dtype=np.int32),
        np.ones(2),
        0.0,
        {"x": slice(0, 1), "y": slice(1, 2)},
        {"sum": slice(0, 1)},
    )


def presolve_of(solver: Solver) -> str:
    """Return the presolve option that the solver holds now."""
    _, value = solver._highs.getOptionValue("presolve")
    return str(value)


def wrong_with_presolve(monkeypatch: pytest.MonkeyPatch, told: highspy.HighsModelStatus) -> list[str]:
    """Let every solve with presolve answer so; return the presolve options of all solves as they come."""
    ways: list[str] = []
    truly = Solver._answer

    def answer(self: Solver) -> Answer | None:
        ways.append(presolve_of(self))
        if ways[-1] != "off":
            return Answer.INFEASIBLE if told == highspy.HighsModelStatus.kInfeasible else None
        return truly(self)

    monkeypatch.setattr(Solver, "_answer", answer)
    return ways


@pytest.mark.parametrize(
    ("told", "solves"),
    [
        (highspy.HighsModelStatus.kInfeasible, ["choose", "off"]),
        (highspy.HighsModelStatus.kUnknown, ["choose", "choose", "off"]),
    ],
)
def test_a_wrong_answer_of_presolve_is_asked_for_again(
    monkeypatch: pytest.MonkeyPatch, told: highspy.HighsModelStatus, solves: list[str]
) -> None:
    """'Infeasible' and 'unknown' are not passed on before a solve without presolve; options come back."""
    solver = Solver(least_of_two())
    ways = wrong_with_presolve(monkeypatch, told)
    outcome = solver.solve()
    assert outcome.answer is Answer.OPTIMAL
    assert outcome.objective == pytest.approx(9.0, abs=1e-9)
    assert ways == solves
    assert presolve_of(solver) == "choose"


def test_an_expected_infeasible_is_not_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where 'infeasible' is an answer like any other, one solve is enough."""
    solver = Solver(least_of_two())
    ways = wrong_with_presolve(monkeypatch, highspy.HighsModelStatus.kInfeasible)
    assert solver.solve(confirm=False).answer is Answer.INFEASIBLE
    assert ways == ["choose"]


def test_what_is_truly_infeasible_stays_so() -> None:
    """With x <= 3 and y <= 5 there is no x + y >= 9, with or without presolve."""
    solver = Solver(least_of_two())
    solver.set_row_bounds(np.array([0]), np.array([9.0]), np.array([np.inf]))
    outcome = solver.solve()
    assert outcome.answer is Answer.INFEASIBLE
    assert not outcome.values.size


def test_a_solve_that_goes_round_a_corner_is_started_from_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """More iterations than a start from an earlier basis may take: solved cold, with the same optimum.

    New costs ask the simplex for at least one iteration, which is one more than allowed here.
    """
    solver = Solver(least_of_two())
    assert solver.solve().objective == pytest.approx(9.0)
    monkeypatch.setattr("scheduler.highs.STALLED", 0.0)
    monkeypatch.setattr("scheduler.highs.LEAST_ITERATIONS", 0)
    forgotten: list[bool] = []
    truly = solver._highs.clearSolver
    monkeypatch.setattr(solver._highs, "clearSolver", lambda: (forgotten.append(True), truly())[1])
    solver.set_costs(np.array([3.0, 2.0]), 0.0)
    outcome = solver.solve()
    assert forgotten
    # By hand: all of it from y, 4 x 2.
    assert outcome.answer is Answer.OPTIMAL
    assert outcome.objective == pytest.approx(8.0)
    assert solver._highs.getOptionValue("simplex_iteration_limit")[1] > 10**9


def test_a_solver_at_rest_goes_on_where_it_was() -> None:
    """Program with added rows, basis, options and the time it counts are the same after a rest."""
    solver = Solver(least_of_two())
    solver.add_rows([(2.0, np.inf, [1], [1.0])])
    # By hand: y = 2, x = 2.
    assert solver.solve().objective == pytest.approx(10.0)
    seconds, rows = solver.run_seconds, solver.row_count
    solver.rest()
    solver.rest()
    assert solver.run_seconds == pytest.approx(seconds)
    assert (solver.row_count, solver.column_count) == (rows, 2)
    assert solver._highs.getOptionValue("primal_feasibility_tolerance")[1] == 1e-8
    outcome = solver.solve()
    assert outcome.objective == pytest.approx(10.0)
    assert solver._highs.getInfo().simplex_iteration_count == 0
    assert solver.run_seconds >= seconds


def test_a_solver_at_rest_keeps_whole_columns() -> None:
    """Whole columns stay whole: x + y >= 3.5 in whole numbers costs 2 x 3 + 3 x 1."""
    program = replace(least_of_two(), row_lower=np.array([3.5]))
    solver = Solver(program)
    solver.set_whole(np.array([0, 1]), True)
    assert solver.solve().objective == pytest.approx(9.0)
    solver.rest()
    assert solver.solve().objective == pytest.approx(9.0)
    assert solver.whole_columns.tolist() == [0, 1]


def test_each_solve_has_its_own_time() -> None:
    """The solver counts its clock over all solves of an object: the limit is set on top of what ran."""
    solver = Solver(least_of_two())
    for k in range(3):
        before = solver.run_seconds
        solver.set_costs(np.array([2.0, 3.0 + k]), 0.0)
        assert solver.solve(seconds=7.0).answer is Answer.OPTIMAL
        _, limit = solver._highs.getOptionValue("time_limit")
        assert limit == pytest.approx(before + 7.0, abs=1e-9)


def one_room() -> Case:
    """Return a room that may run in a cheap and in a dear hour, with a store that ends as it began."""
    return plain_case(
        (
            plain_circuit(),
            OwnUse("use", "chlorine", rate_per_h=2.0),
            ProductStore("store", "chlorine", 0.0, 60.0, end_min_t=30.0),
        ),
        np.array([20.0, 80.0, 40.0]),
        stocks={"store": 30.0},
    )


def test_a_bound_that_lies_too_high_comes_down_to_the_cold_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """A warm solve that ends 3 too dear would promise too much; the solve from nothing takes it back."""
    honest = one_room().plan()
    assert honest.certificate.cold_correction == pytest.approx(0.0, abs=1e-6)
    search = Search.least_cost

    def too_high(self: Search) -> Found:
        found = search(self)
        return replace(found, bound=found.bound + 3.0)

    monkeypatch.setattr(Search, "least_cost", too_high)
    plan = one_room().plan()
    assert plan.certificate.cold_correction == pytest.approx(3.0, abs=1e-5)
    assert plan.certificate.lower_bound == pytest.approx(honest.certificate.lower_bound, abs=1e-5)
    assert plan.certificate.lower_bound <= plan.audit.cost
    assert plan_document(plan, {})["solution"]["cold_correction"] == pytest.approx(3.0, abs=1e-5)


def test_where_the_cold_bound_leaves_a_gap_the_search_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """A first search that stops short of the target, unnoticed, is followed by a second one."""
    search, calls = Search.least_cost, []

    def short(self: Search) -> Found:
        found = search(self)
        calls.append(found)
        if len(calls) > 1:
            return found
        return replace(found, cost=found.cost + 3.0, bound=found.bound + 3.0)

    monkeypatch.setattr(Search, "least_cost", short)
    plan = one_room().plan()
    assert len(calls) == 2
    assert plan.status is Status.PLAN
    assert plan.certificate.gap <= SearchOptions().gap


def test_a_limit_of_the_solver_leaves_the_best_plan_marked_with_its_gap(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """With one solve instead of as many as it takes: exit 4, and every output says so with the gap."""
    site = lay(tmp_path)
    monkeypatch.setattr(Search, "_cut", lambda *_: False)
    result = run("plan", site, "--out", tmp_path / "plan")
    assert result.exit_code == 4, result.output
    record = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert record["status"] == Status.SOLVER_LIMIT.value
    assert record["gap"]["before_steps"] > SearchOptions().gap
    for name in ("summary.txt", "page.html", "sheet.html"):
        text = (tmp_path / "plan" / name).read_text(encoding="utf-8").lower()
        assert "open gap" in text or "gap is open" in text, name
