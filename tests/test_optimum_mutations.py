"""The check against an independent optimum notices a program with a part missing or a part too much.

Each test spoils one part, in the program or in the records, and asserts that `check_plan` of
`test_optimum_convex` fails, and for the reason expected.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pytest

from models import ramping
from models.horizon import Horizon
from models.order import Lot, Pipeline
from models.pieces import Curve, Declaration, Rows
from models.situation import Situation
from models.tank import AlkaliTank, ProductStore
from models.unit import Unit
from scheduler import plan as planning
from scheduler.cuts import Search
from scheduler.errors import BrinewattError
from scheduler.lp import _Writer, build
from tests.small_sites import Case, intervals, random_case
from tests.test_optimum_convex import Optimum, Reference, check_plan

MANY = 80
"""Tangents that alone bring the gap under 1e-5: what they leave falls with the square of their number, and 6
leave some 1e-4."""


@pytest.fixture(scope="module")
def case() -> Case:
    """Return a site on which every spoiled part matters."""
    return random_case(np.random.default_rng(2), intervals(24))


@pytest.fixture(scope="module")
def optimum(case: Case) -> Optimum:
    """Return the site's optimum by the independent solver."""
    return Reference(case).solve()


@pytest.fixture
def no_cuts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the search add no cut, so that the first program stands as written."""
    monkeypatch.setattr(Search, "_cut", lambda *_: False)


@pytest.fixture
def many_tangents(monkeypatch: pytest.MonkeyPatch) -> None:
    """Write so many tangents that no cut is needed."""
    monkeypatch.setattr(planning, "build", partial(build, tangents=MANY))
    monkeypatch.setattr(ramping, "FALL_TANGENTS", MANY)


def _curves_changed(
    monkeypatch: pytest.MonkeyPatch, change: Callable[[_Writer, Curve, Callable[..., Any]], None]
) -> None:
    write = _Writer.curve
    monkeypatch.setattr(_Writer, "curve", lambda self, curve: change(self, curve, write))


def _records_changed(
    monkeypatch: pytest.MonkeyPatch, kind: type[Unit], change: Callable[[Declaration], Declaration]
) -> None:
    whole = kind.declare

    def declare(self: Unit, horizon: Horizon, situation: Situation) -> Declaration:
        return change(whole(self, horizon, situation))

    monkeypatch.setattr(kind, "declare", declare)


def test_the_whole_program_passes(case: Case, optimum: Optimum) -> None:
    """The unspoiled program passes the check, so that the failures below have one cause."""
    check_plan(case.plan(), optimum)


@pytest.mark.usefixtures("no_cuts", "many_tangents")
def test_many_tangents_without_cuts_pass(case: Case, optimum: Optimum) -> None:
    """With many tangents and no cuts the check passes: cuts are one way to the same bound."""
    check_plan(case.plan(), optimum)


@pytest.mark.usefixtures("no_cuts")
def test_few_tangents_without_cuts_fail(
    case: Case, optimum: Optimum, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Five tangents a curve alone leave the bound too low."""
    monkeypatch.setattr(planning, "build", partial(build, tangents=5))
    with pytest.raises(AssertionError, match="lower bound under the optimum"):
        check_plan(case.plan(), optimum)


@pytest.mark.usefixtures("no_cuts", "many_tangents")
@pytest.mark.parametrize("room", ["room_m", "room_1"])
def test_a_room_without_tangents_fails(
    case: Case, optimum: Optimum, room: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A circuit whose tangents are deleted, all but the one at its least load, gives too low a bound."""

    def only_the_first(writer: _Writer, curve: Curve, write: Callable[..., Any]) -> None:
        usual = writer.tangents
        writer.tangents = 1 if curve.key == f"{room}_power" else usual
        write(writer, curve)
        writer.tangents = usual

    _curves_changed(monkeypatch, only_the_first)
    with pytest.raises(AssertionError, match="lower bound under the optimum"):
        check_plan(case.plan(), optimum)


@pytest.mark.usefixtures("no_cuts", "many_tangents")
def test_tangents_of_the_middle_missing_fail(
    case: Case, optimum: Optimum, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Tangents at both ends of the domain do not stand in for those between them."""

    def only_the_ends(writer: _Writer, curve: Curve, write: Callable[..., Any]) -> None:
        writer.tangents = 2
        write(writer, curve)

    _curves_changed(monkeypatch, only_the_ends)
    with pytest.raises(AssertionError, match="lower bound under the optimum"):
        check_plan(case.plan(), optimum)


@pytest.mark.usefixtures("no_cuts", "many_tangents")
def test_tangents_too_steep_fail(case: Case, optimum: Optimum, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tangents 10 % above one circuit's power move load where it is dearer, and lift the bound."""

    def too_steep(writer: _Writer, curve: Curve, write: Callable[..., Any]) -> None:
        if curve.key == "room_m_power":
            curve = replace(
                curve,
                value=lambda x, t, f=curve.value: 1.1 * f(x, t),
                slope=lambda x, t, f=curve.slope: 1.1 * f(x, t),
            )
        write(writer, curve)

    _curves_changed(monkeypatch, too_steep)
    with pytest.raises((AssertionError, BrinewattError), match="lower bound"):
        check_plan(case.plan(), optimum)


def test_a_lot_without_its_quantity_fails(
    case: Case, optimum: Optimum, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a lot's quantity among the records the plan is cheaper than the optimum."""
    _records_changed(
        monkeypatch,
        Lot,
        lambda d: replace(d, rows=tuple(rows for rows in d.rows if rows.key != "lot_1_quantity")),
    )
    with pytest.raises(AssertionError, match="lower bound under the optimum"):
        check_plan(case.plan(), optimum)


def test_a_pipeline_without_its_daily_total_fails(
    case: Case, optimum: Optimum, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the daily total among the records the plan is cheaper than the optimum."""
    _records_changed(
        monkeypatch,
        Pipeline,
        lambda d: replace(d, rows=tuple(rows for rows in d.rows if rows.key != "pipeline_daily_total")),
    )
    with pytest.raises(AssertionError, match="lower bound under the optimum"):
        check_plan(case.plan(), optimum)


def test_a_tank_without_its_end_target_fails(
    case: Case, optimum: Optimum, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the chlorine store's end target the plan is cheaper than the optimum."""
    _records_changed(
        monkeypatch,
        ProductStore,
        lambda d: replace(d, rows=tuple(rows for rows in d.rows if rows.key != "store_end_target")),
    )
    with pytest.raises(AssertionError, match="lower bound under the optimum"):
        check_plan(case.plan(), optimum)


def test_a_tank_without_its_end_value_fails(
    case: Case, optimum: Optimum, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without the value of the end stock bound and cost lie above the optimum."""
    _records_changed(monkeypatch, AlkaliTank, lambda d: replace(d, costs=()))
    with pytest.raises((AssertionError, BrinewattError), match="lower bound"):
        check_plan(case.plan(), optimum)


@pytest.mark.parametrize("key", ["lot_1_quantity", "pipeline_daily_total", "store_end_target"])
def test_the_audit_refuses_a_program_without_a_duty(
    case: Case, key: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A duty that is among the records but not in the program is found by the exact simulation."""
    write = _Writer.rows

    def without(self: _Writer, rows: Rows) -> None:
        if rows.key == key:
            self.family(key, [], np.zeros(0), np.zeros(0))
            self.program.kept[key] = []
        else:
            write(self, rows)

    monkeypatch.setattr(_Writer, "rows", without)
    with pytest.raises(BrinewattError, match="the exact simulation breaks"):
        case.plan()
