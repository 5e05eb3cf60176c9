"""Loads that a tap changer can hold: the step problem chooses among them, and counts changes of tap.

Sites are those of `tests.binding_cases`; expected loads are hand arithmetic, or found by trying every
combination.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.checks import InvalidValues
from models.horizon import Series
from models.pieces import Moves, changes_of_position
from models.situation import Situation
from scheduler.given import judge
from scheduler.plan import PlanOptions, make_plan
from scheduler.result import Plan, Status
from tests.binding_cases import T_PER_KA, Small, energy_cost, fact, gas_store, hours, room
from tests.test_limits_bind import stored

C = T_PER_KA


def planned(small: Small, situation: Situation | None = None) -> Plan:
    """Return the plan of a site at the usual gap."""
    known = situation or small.situation()
    return make_plan(small.site(), small.intervals(), known, PlanOptions(compare=False))


def loads(plan: Plan) -> np.ndarray:
    """Return the circuit's loads."""
    return np.asarray(plan.audit.values["room_load"])


def sheet(small: Small, values: list[float], **changes: Any) -> Plan:
    """Return what the audit says of given loads."""
    over = small.intervals()
    lock = Series("sheet", over.starts_min, over.lengths_min, np.array(values))
    known = replace(small.situation(), locks={"room": lock}, **changes)
    return judge(small.site(), over, known)


def test_the_plan_day_stands_on_tap_positions() -> None:
    """10 kAh on taps of 2, 5 and 8 kA at 20 and 100: 8 and 2 kA, 88.8 by hand; free it were 9 and 1."""
    plan = planned(stored(room(tap_positions_ka=(2.0, 5.0, 8.0))))
    assert plan.status is Status.PLAN
    assert loads(plan) == pytest.approx([8.0, 2.0], abs=1e-4)
    assert plan.audit.cost == pytest.approx(88.8, abs=2e-3)


def test_fine_regulation_reaches_loads_around_a_tap() -> None:
    """Taps of 3 and 8 kA with 0.5 kA: 10 kAh need 7.5 and 2.5 kA, the only pair in reach that makes them."""
    plan = planned(stored(room(tap_positions_ka=(3.0, 8.0), tap_range_ka=0.5)))
    assert loads(plan) == pytest.approx([7.5, 2.5], abs=1e-4)
    assert plan.audit.cost == pytest.approx(energy_cost((7.5, 2.5)), rel=2e-4)


@pytest.mark.parametrize("prices", [(20.0, 100.0, 35.0, 60.0), (90.0, 10.0, 80.0, 30.0)])
def test_no_combination_of_taps_is_cheaper(prices: tuple[float, ...]) -> None:
    """No combination of four taps in four hours that serves 20 kAh from a store of 6 is cheaper."""
    taps = (1.0, 3.5, 6.5, 9.0)
    best = np.inf
    for tried in itertools.product(taps, repeat=4):
        levels = np.cumsum(np.array(tried) - 5.0)
        if np.min(levels) >= 0.0 and np.max(levels) <= 6.0:
            best = min(best, energy_cost(tried, prices))
    small = stored(room(tap_positions_ka=taps), gas_store(6.0), prices=prices)
    plan = planned(small)
    assert plan.status is Status.PLAN
    assert plan.audit.cost <= best + 1e-4 * plan.certificate.denominator
    assert plan.audit.cost >= best - 1e-6
    assert plan.certificate.stepped_bound is not None
    assert plan.certificate.stepped_bound <= best + 1e-6


def test_changes_of_tap_are_counted_apart_from_fine_changes() -> None:
    """Hours at 20, 100 and 20 with taps of 3 and 6.5 kA, 1.5 kA fine: 15 kAh.

    Free: 8 kA, the 2 that the store then allows, and 5: two changes of tap. With one the third hour stays at
    4.5 kA at the most. Without one the least load of the upper tap, 5 kA, runs all three hours.
    """
    circuit = room(tap_positions_ka=(3.0, 6.5), tap_range_ka=1.5)
    prices = (20.0, 100.0, 20.0)
    before = (("room", 6.5),)
    free = planned(stored(circuit, prices=prices, loads_before=before))
    assert loads(free) == pytest.approx([8.0, 2.0, 5.0], abs=1e-3)
    held = planned(stored(replace(circuit, tap_changes_per_day=0), prices=prices, loads_before=before))
    assert held.status is Status.PLAN
    assert loads(held) == pytest.approx([5.0, 5.0, 5.0], abs=1e-3)
    once = planned(stored(replace(circuit, tap_changes_per_day=1), prices=prices, loads_before=before))
    assert loads(once) == pytest.approx([8.0, 2.5, 4.5], abs=1e-3)
    assert free.audit.cost < once.audit.cost < held.audit.cost


def test_a_load_between_two_taps_is_refused_by_name() -> None:
    """5 kA on taps of 2, 4 and 8 kA with 0.5 kA fine lie between 4 and 8, 0.5 kA out of reach."""
    small = stored(room(tap_positions_ka=(2.0, 4.0, 8.0), tap_range_ka=0.5))
    plan = sheet(small, [5.0, 5.0])
    assert plan.status is Status.NOT_A_PLAN
    (broken,) = [v for v in plan.audit.violations if v.key == "room_moves"]
    assert broken.meaning == (
        "changes of the load of room: 5 kA lies between the tap positions 4 and 8 kA, each with 0.5 kA of "
        "fine regulation"
    )
    assert broken.amount == pytest.approx(0.5, abs=1e-6)


def test_a_load_beyond_the_last_tap_is_refused_by_name() -> None:
    """9 kA where the last tap is 8 kA."""
    plan = sheet(stored(room(tap_positions_ka=(1.0, 8.0))), [9.0, 1.0])
    assert any("9 kA lies above the last tap position 8 kA" in v.meaning for v in plan.audit.violations)


def test_a_sheet_on_taps_is_a_plan() -> None:
    """8 and 2 kA stand on taps: audited and priced, nothing broken."""
    plan = sheet(stored(room(tap_positions_ka=(2.0, 5.0, 8.0))), [8.0, 2.0])
    assert plan.status is Status.PLAN
    assert plan.audit.cost == pytest.approx(88.8, abs=1e-3)


def test_a_sheet_with_too_many_changes_of_tap_is_refused() -> None:
    """8 and 2 kA are one change, from 8 kA before; none is allowed."""
    circuit = room(tap_positions_ka=(2.0, 8.0), tap_changes_per_day=0)
    plan = sheet(stored(circuit, loads_before=(("room", 8.0),)), [8.0, 2.0])
    assert any("1 changes of tap where 0 are allowed" in v.meaning for v in plan.audit.violations)


def test_no_tap_in_the_range_is_told() -> None:
    """A limit of 4 kA today under taps of 5 and 8 kA leaves no load that can be set: NOT A PLAN."""
    small = replace(
        stored(room(tap_positions_ka=(5.0, 8.0)), gas_store(100.0)),
        stocks=(("store", 50.0 * C),),
        facts=(fact("room", "load_max_ka", 4.0, 0, 1),),
    )
    plan = planned(small)
    assert plan.status is Status.NOT_A_PLAN
    assert any("tap" in broken.meaning for broken in plan.audit.violations)


def test_changes_of_tap_of_the_past_count() -> None:
    """One of two changes was made before the horizon, so one is left on that day."""
    whole = hours(6)
    rest = whole.starting(int(whole.starts_min[3]))
    past = Series("past", whole.starts_min[:3], whole.lengths_min[:3], np.array([8.0, 2.0, 2.0]))
    circuit = room(tap_positions_ka=(2.0, 8.0), tap_changes_per_day=2)
    known = Situation(past_loads={"room": past}, loads_before={"room": 2.0})
    (moves,) = circuit.declare(rest, known).moves
    assert [limit.most for limit in moves.position_limits] == [1]


def test_a_tap_changer_moves_as_seldom_as_it_can() -> None:
    """Taps of 4 and 5 with 1 of reach: 4.5 is held by both; 4, 4.5, 5.5 need one change, 4, 4.5, 4 none."""
    assert changes_of_position((4.0, 5.0), 1.0, np.array([3.5, 4.5, 5.5])) == [False, False, True]
    assert changes_of_position((4.0, 5.0), 1.0, np.array([3.5, 4.5, 3.5])) == [False] * 3
    assert changes_of_position((4.0, 5.0), 0.0, np.array([4.0, 0.0, 5.0])) == [False] * 3


def test_the_nearest_value_that_can_be_set() -> None:
    """By steps, by positions with their reach, or any value."""
    every = np.ones(1, dtype=bool)
    assert Moves("m", "x", every, step=2.0).nearest(4.9) == 4.0
    assert Moves("m", "x", every, positions=(3.0, 8.0), position_range=0.5).nearest(5.0) == 3.5
    assert Moves("m", "x", every).nearest(4.9) == 4.9


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"tap_positions_ka": (3.0, 2.0)}, r"'tap_positions_ka' must ascend and be above 0 \[kA\]"),
        ({"tap_positions_ka": (0.0, 2.0)}, r"'tap_positions_ka' must ascend and be above 0 \[kA\]"),
        ({"tap_positions_ka": (2.0,), "step_ka": 1.0}, "give 'step_ka' or 'tap_positions_ka', not both"),
        ({"tap_range_ka": 0.5}, "'tap_range_ka' and 'tap_changes_per_day' need 'tap_positions_ka'"),
        ({"tap_positions_ka": (2.0,), "tap_range_ka": -1.0}, r"'tap_range_ka' must be at least 0 \[kA\]"),
    ],
)
def test_values_that_break_a_rule(changes: dict[str, Any], message: str) -> None:
    """Each rule of the taps is told."""
    with pytest.raises(InvalidValues, match=message):
        room(**changes)
