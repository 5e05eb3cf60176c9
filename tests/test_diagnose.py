"""Why a duty is missed or a limit broken: known conflicts, two at once, and what people read of it."""

from __future__ import annotations

import itertools
import json
import random
from pathlib import Path

import pytest

from models.horizon import Horizon
from models.site import Site
from models.situation import Situation
from scheduler import diagnose as diagnosing
from scheduler.conflicts import Conflict, Diagnosis, Kind
from scheduler.diagnose import diagnosed
from scheduler.plan import PlanOptions, make_plan
from scheduler.report.diagnosis import diagnosis_lines
from scheduler.report.plan_json import plan_document
from scheduler.report.summary import summary_text
from scheduler.result import Plan, Status
from tests.conflicts import CASES, Case, beside, known_beside
from tests.test_cli import SITE, lay, run

BY_NAME = {case.name: case for case in CASES}
MOVABLE = (Kind.UPPER, Kind.LOWER, Kind.BOTH, Kind.OUTAGE)
"""Kinds of which a part can be tried."""
COMPOSED = 10
"""Conflicts put together from two known ones."""
RANDOM_SEED = 20261127


def planned(site: Site, horizon: Horizon, situation: Situation) -> Plan:
    """Return a plan that is compared with nothing."""
    return make_plan(site, horizon, situation, PlanOptions(compare=False))


def at(case: Case, amount: float) -> Plan:
    """Return the plan of a case with its change made by so much."""
    small = case.site(amount)
    return planned(small.site(), small.intervals(), small.situation())


def found(plan: Plan) -> Diagnosis:
    """Return the diagnosis of a plan that needs one."""
    assert plan.status in (Status.MISSES, Status.NOT_A_PLAN)
    diagnosis = diagnosed(plan).diagnosis
    assert diagnosis is not None
    assert diagnosis.complete
    return diagnosis


def fits(case: Case, conflict: Conflict, suffix: str = "") -> bool:
    """Tell whether a conflict's smallest change is the known one."""
    change = conflict.change
    if change is None or change.limit.kind is not case.kind:
        return False
    if suffix and suffix not in change.limit.key:
        return False
    near = abs(change.amount - case.amount) <= 0.011 * case.amount
    return near and all(word in change.limit.meaning for word in case.words.split())


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name.replace(" ", "-"))
def test_a_known_conflict_is_told(case: Case) -> None:
    """One conflict: its duty, the limit, its hours and the smallest change, as worked out by hand."""
    diagnosis = found(at(case, 0.0))
    (conflict,) = diagnosis.conflicts
    change = conflict.change
    assert change is not None
    assert change.limit.kind is case.kind
    assert case.words in change.limit.meaning
    # Rounded up to three digits, never down: making the change is enough.
    assert case.amount * (1 - 1e-6) <= change.amount <= 1.011 * case.amount
    if case.first is not None:
        assert (change.limit.first, change.limit.end) == (case.first, case.end)
    assert bool(conflict.duties) == bool(case.duty)
    assert all(case.duty in duty.meaning + duty.key for duty in conflict.duties)
    assert change.limit.key in {limit.key for limit in conflict.limits}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name.replace(" ", "-"))
def test_the_change_is_enough_and_less_is_not(case: Case) -> None:
    """With the change made in the inputs there is a plan; with 97 % of it there is none."""
    (conflict,) = found(at(case, 0.0)).conflicts
    assert conflict.change is not None
    amount = conflict.change.amount
    made = at(case, amount)
    assert made.status is Status.PLAN
    assert not made.misses
    if case.kind in MOVABLE:
        assert at(case, 0.97 * case.amount).status in (Status.MISSES, Status.NOT_A_PLAN)


def pairs() -> list[tuple[Case, Case]]:
    """Return two known conflicts of equally many hours each, drawn at random."""
    alike = [
        (one, other)
        for one, other in itertools.permutations([case for case in CASES if not case.alone], 2)
        if len(one.site(0.0).prices) == len(other.site(0.0).prices)
    ]
    return random.Random(RANDOM_SEED).sample(alike, COMPOSED)


@pytest.mark.parametrize(("one", "other"), pairs(), ids=lambda case: case.name.replace(" ", "-"))
def test_two_conflicts_at_once_are_both_told_and_both_changes_are_enough(one: Case, other: Case) -> None:
    """On one site with two works each conflict has its change; together they make a plan."""
    first, second = one.site(0.0), other.site(0.0)
    plan = planned(beside(first, second), first.intervals(), known_beside(first, second))
    conflicts = found(plan).conflicts
    assert len(conflicts) == 2
    mine = [conflict for conflict in conflicts if fits(one, conflict)]
    theirs = [conflict for conflict in conflicts if fits(other, conflict, "_b")]
    assert mine
    assert theirs
    assert mine[0].change is not None
    assert theirs[0].change is not None
    first, second = one.site(mine[0].change.amount), other.site(theirs[0].change.amount)
    mended = planned(beside(first, second), first.intervals(), known_beside(first, second))
    assert mended.status is Status.PLAN
    assert not mended.misses


def test_a_plan_that_meets_all_has_no_diagnosis() -> None:
    """Nothing is looked for where nothing is missed."""
    plan = at(BY_NAME["current density"], 1.5)
    assert diagnosed(plan) is plan


def test_time_that_runs_out_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without time nothing is found, and the words say why."""
    plan = diagnosed(at(BY_NAME["current density"], 0.0), seconds=1e-9)
    assert plan.diagnosis is not None
    assert not plan.diagnosis.complete
    assert "ran out" in " ".join(diagnosis_lines(plan))


def test_a_bug_in_the_search_does_not_cost_the_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the solver cannot answer is said; the plan stays."""
    from scheduler.errors import SolverError

    def fails(*_: object) -> None:
        raise SolverError("no answer")

    monkeypatch.setattr(diagnosing.Elastic, "least", fails)
    plan = diagnosed(at(BY_NAME["outage"], 0.0))
    assert plan.diagnosis is not None
    assert plan.diagnosis.note == "the diagnosis is incomplete: no answer"


def test_the_words_name_duty_limits_and_change() -> None:
    """A reader learns what is missed, why, and what the least change is; and that it is no leave."""
    plan = diagnosed(at(BY_NAME["availability of load"], 0.0))
    lines = diagnosis_lines(plan)
    assert lines[0].startswith(
        "Why: 0.1323 t chlorine missing to customer below his least rate, Mon 8 Jun 01:00"
    )
    assert "because of: greatest load of room (availability), 5 kA" in lines[0]
    assert lines[1].startswith(
        "Smallest change that helps: raise the greatest load of room (availability) by 1 kA, 20.0 %, "
        "from 5 to 6 kA"
    )
    assert "no leave to pass a limit" in lines[-1]
    assert "Smallest change that helps" in " ".join(summary_text(plan).split())
    record = plan_document(plan, {})["diagnosis"]
    assert record["complete"] is True
    assert record["conflicts"][0]["change"]["amount"] == pytest.approx(1.0)


def test_the_command_tells_it_everywhere(tmp_path: Path) -> None:
    """A works that uses more than it can make: summary, sheet, page and plan.json say what would help."""
    site = lay(tmp_path, {"site.toml": SITE.replace("end_min_t = 25.0", "end_min_t = 59.0")})
    result = run("plan", site, "--out", tmp_path / "plan")
    record = json.loads((tmp_path / "plan" / "plan.json").read_text())
    assert result.exit_code == 0 or record["diagnosis"]["conflicts"]
    hungry = SITE.replace("rate_per_h = 2.0", "rate_per_h = 3.2")
    result = run("plan", lay(tmp_path, {"site.toml": hungry}), "--out", tmp_path / "hungry")
    assert result.exit_code == 3
    assert "Smallest change that helps" in result.stdout
    made = next(name for name in ("plan.json",) if (tmp_path / "hungry" / name).exists())
    record = json.loads((tmp_path / "hungry" / made).read_text())
    assert record["diagnosis"]["conflicts"][0]["change"]["words"]
    page = (tmp_path / "hungry" / "page.html").read_text()
    assert "Smallest change that helps" in page
    sheet = (tmp_path / "hungry" / "sheet.html").read_text()
    assert "Would help" in sheet
    again = run("again", tmp_path / "hungry")
    assert again.exit_code in (0, 3)
    assert "plan.json is the same byte for byte" in again.stdout
