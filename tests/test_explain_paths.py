"""Values where the program is rebuilt, started anew, in steps, on taps or bound by reactive power.

The check is always a whole new plan (its own records, program and search) of a site changed by hand.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

import scheduler.explain as explain
from models.reactive import FilterBank
from models.rectifier import Rectifier
from models.trade import OwnUse
from scheduler.cuts import Mark, Search, SearchOptions
from scheduler.explain import Explainer
from scheduler.plan import Planner, PlanOptions
from scheduler.values import LimitValue
from tests.binding_cases import T_PER_KA, Small, customer, gas_store, room
from tests.test_limits_bind import stored

PRICES = (20.0, 100.0, 35.0, 60.0)


def cost(small: Small) -> float:
    """Return the cost of a new plan before steps."""
    options = PlanOptions(SearchOptions(gap=1e-9, seconds=30.0), compare=False)
    found, _ = Planner(small.site(), small.intervals(), small.situation(), options).solved()
    return found.cost


def values(small: Small) -> dict[str, LimitValue]:
    """Return all values of a site by key."""
    explainer = Explainer(small.site(), small.intervals(), small.situation())
    return {value.key: value for value in explainer.values()}


def held(changes: float = 0.0, prices: tuple[float, ...] = PRICES, **circuit: Any) -> Small:
    """Return circuit, customer of 5 kA and a store that starts so many tonnes above 5 kAh and ends at 5."""
    start = (("store", 5.0 * T_PER_KA + changes),)
    end = (("store", 5.0 * T_PER_KA),)
    units = (room(**circuit), customer(), gas_store(12.0))
    return Small(units, prices=prices, stocks=start, end_stocks=end)


def used(small: Small, mw: float) -> Small:
    """Return the site with so many MW of other use more."""
    return replace(small, units=(*small.units, OwnUse("more", "power", rate_per_h=mw, unit="MW")))


@pytest.mark.parametrize(
    "circuit",
    [{"step_ka": 0.5}, {"tap_positions_ka": (1.0, 3.5, 6.5, 9.0)}],
    ids=["steps", "taps"],
)
def test_values_of_a_circuit_in_steps_are_of_the_plan_before_steps(circuit: dict[str, Any]) -> None:
    """A store and one MW on a circuit in whole steps or taps: a new plan before steps says the same."""
    found, base = values(held(**circuit)), cost(held(**circuit))
    store, power = found["store_level.start"], found["power.demand"]
    assert store.up.cost_per_unit is not None
    step = store.up.size
    assert store.up.cost_per_unit == pytest.approx((cost(held(step, **circuit)) - base) / step, rel=0.01)
    assert power.up.cost_per_unit == pytest.approx(cost(used(held(**circuit), 1.0)) - base, rel=0.01)
    assert power.up.cost_per_unit == pytest.approx(sum(PRICES), rel=1e-4)


def behind_filters(limit_mvar: float) -> Small:
    """Return the thyristor circuit of `tests.test_reactive` behind a bank without steps."""
    thyristors = Rectifier(1, 1e3, 300.0, drop_v=0.0, no_load_voltage_v=300.0, distortion=0.95)
    small = stored(room(rectifier=thyristors))
    bank = FilterBank("filters", 0, 0.2, reactive_max_mvar=limit_mvar)
    return replace(small, units=(*small.units, bank))


def test_a_limit_on_reactive_power_has_its_value() -> None:
    """A limit that holds the cheap hour below 9 kA: moved by what is possible, as a new plan says."""
    limit = 1.0
    found = values(behind_filters(limit))
    bound = [v for v in found.values() if v.owner == "filters" and v.binds and v.matters]
    assert len(bound) == 1
    base = cost(behind_filters(limit))
    for direction, move in ((1.0, bound[0].up), (-1.0, bound[0].down)):
        assert move.cost_per_unit is not None
        anew = cost(behind_filters(limit + direction * move.size)) - base
        assert move.cost_per_unit * move.size == pytest.approx(anew, rel=0.01, abs=0.01)


def paid() -> Small:
    """Return a site paid to use power in two hours whose store lets one of them run at its ceiling.

    17 kAh fit in: 9 kA in the hour that pays more, 8 in the other, whose curve needs a chord.
    """
    return held(prices=(-30.0, -40.0, 100.0))


def with_ceiling(small: Small, density: float) -> Small:
    """Return the site with another greatest density."""
    first = replace(small.units[0], density_max_ka_per_m2=density)  # type: ignore[type-var, call-arg]
    return replace(small, units=(first, *small.units[1:]))


def test_a_range_on_which_chords_rest_is_planned_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """One kA more of ceiling where power is paid for: the program is built again, and the figure is right."""
    built: list[int] = []
    usual = Explainer._cost_anew

    def counted(self: Explainer, *args: Any) -> Any:
        built.append(1)
        return usual(self, *args)

    monkeypatch.setattr(Explainer, "_cost_anew", counted)
    explainer = Explainer(paid().site(), paid().intervals(), paid().situation())
    key = "room_load.upper.current_density"
    value = explainer.values(only=(key,))[0]
    assert built
    base = cost(paid())
    assert value.up.cost_per_unit == pytest.approx(cost(with_ceiling(paid(), 10.0)) - base, rel=0.01)
    assert value.down.cost_per_unit == pytest.approx(cost(with_ceiling(paid(), 8.0)) - base, rel=0.01)


def test_moves_leave_no_chord_and_no_binary_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    """What moves added is taken out: the same chords, branches and rules, and the same values again."""
    added: list[bool] = []
    usual = Search.back_to

    def counted(self: Search, mark: Mark) -> None:
        added.append(replace(self.mark(), rows=mark.rows) != mark)
        usual(self, mark)

    monkeypatch.setattr(Search, "back_to", counted)
    explainer = Explainer(paid().site(), paid().intervals(), paid().situation())
    search = explainer._planner.search
    before = (search.chords, replace(search.mark(), rows=0))
    first = explainer.values()
    assert any(added)
    assert (search.chords, replace(search.mark(), rows=0)) == before
    for one, two in zip(first, explainer.values(), strict=True):
        for a, b in ((one.up, two.up), (one.down, two.down)):
            assert a.cost_per_unit == (
                None if b.cost_per_unit is None else pytest.approx(b.cost_per_unit, abs=0.02)
            )


@pytest.mark.parametrize("limits", [(1, 10_000), (1, 1)], ids=["from the plan", "from nothing"])
def test_a_long_way_from_a_basis_is_left_for_another(
    limits: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where iterations from a basis run out the next start is taken, and no value changes."""
    usual = values(held())
    starts: list[int] = []
    monkeypatch.setattr(explain, "ALIKE_ITERATIONS", limits[0])
    monkeypatch.setattr(explain, "QUICK_ITERATIONS", limits[1])
    again = Planner.solved_again

    def counted(self: Any, status: Any) -> Any:
        starts.append(1)
        return again(self, status)

    monkeypatch.setattr(Planner, "solved_again", counted)
    for key, value in values(held()).items():
        for a, b in ((value.up, usual[key].up), (value.down, usual[key].down)):
            assert a.cost_per_unit == (
                None if b.cost_per_unit is None else pytest.approx(b.cost_per_unit, abs=0.02)
            )
    assert starts
