"""Records: keys that clash, and the exact simulation that units get without writing one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from models.horizon import Array, Horizon, Integers
from models.pieces import (
    COST_GROUPS,
    Cost,
    Curve,
    Declaration,
    Entry,
    Exclusive,
    Flow,
    Rows,
    Stock,
    Variable,
)
from models.situation import Situation
from models.unit import UNIT_KINDS, Unit, unit_kind
from tests.binding_cases import hours

ONE = np.ones(1)
ZERO = np.zeros(1)


def _identity(x: Array, t: Integers) -> Array:
    return x


VARIABLE = Variable("a", "t/h", ZERO, ONE, np.arange(1))
CURVE = Curve("a", "MW", "b", _identity, _identity)
STOCK = Stock("a", "t", "chlorine", 0.0, ZERO, ONE)
ROWS = Rows("a", "t", (Entry("b", np.arange(1), np.arange(1), ONE),), ZERO, ONE)
COST = Cost("a", COST_GROUPS[0], "b", ONE)
EXCLUSIVE = Exclusive("a", "b", "c")


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (Declaration(variables=(VARIABLE,)), Declaration(variables=(VARIABLE,))),
        (Declaration(variables=(VARIABLE,)), Declaration(curves=(CURVE,))),
        (Declaration(curves=(CURVE,)), Declaration(stocks=(STOCK,))),
        (Declaration(rows=(ROWS,)), Declaration(rows=(ROWS,))),
        (Declaration(costs=(COST,)), Declaration(costs=(COST,))),
        (Declaration(exclusives=(EXCLUSIVE,)), Declaration(exclusives=(EXCLUSIVE,))),
    ],
)
def test_keys_that_clash(first: Declaration, second: Declaration) -> None:
    """Columns share one space of keys, rows, costs and rules have one each; a clash is told."""
    with pytest.raises(ValueError, match="two records share a key: a"):
        Declaration.merged((first, second))


def test_keys_of_other_kinds_do_not_clash() -> None:
    """A row, a cost and a variable of one name live apart; order is kept."""
    merged = Declaration.merged(
        (
            Declaration(variables=(VARIABLE,), rows=(ROWS,)),
            Declaration(costs=(COST,), flows=(Flow("x", "a", 1.0),)),
        )
    )
    assert (len(merged.variables), len(merged.rows), len(merged.costs), len(merged.flows)) == (1, 1, 1, 1)
    assert Declaration.merged(()) == Declaration()


def test_sizes() -> None:
    """Size is the number of index positions and of rows."""
    assert Variable("v", "t", np.zeros(3), np.ones(3)).size == 3
    assert Rows("r", "t", (), np.zeros(2), np.ones(2)).size == 2


@dataclass(frozen=True)
class _Partial(Unit):
    """A unit with a curve, a constant, and a variable that lives on some intervals only."""

    name: str

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return a feed, its power x2 + 1, and a loading on the second and third interval."""
        n = len(horizon)
        feed, power, load = self.key("feed"), self.key("power"), self.key("load")

        def value(x: Array, t: Integers) -> Array:
            return x**2 + t

        return Declaration(
            variables=(
                Variable(feed, "t/h", np.zeros(n), np.ones(n), np.arange(n)),
                Variable(load, "t/h", np.zeros(2), np.ones(2), np.array([1, 2])),
            ),
            curves=(Curve(power, "MW", feed, value, value),),
            flows=(
                Flow("power", power, -1.0),
                Flow("chlorine", feed, np.array([1.0, 2.0, 3.0]), 0.5),
                Flow("chlorine", load, -1.0),
            ),
        )


def test_default_simulation_evaluates_flows_and_curves() -> None:
    """Feed 2 on three hours gives power -(4 + t) and chlorine 2.5, 4.5 - 1, 6.5 - 1: hand arithmetic."""
    unit = _Partial("unit")
    setpoints = {"unit_feed": np.full(3, 2.0), "unit_load": np.ones(2)}
    simulation = unit.simulate(hours(3), Situation(), setpoints)
    assert simulation.flows["power"] == pytest.approx([-4.0, -5.0, -6.0])
    assert simulation.flows["chlorine"] == pytest.approx([2.5, 3.5, 5.5])
    assert simulation.limits == ()


def test_what_a_unit_needs_by_default() -> None:
    """A unit needs no series and no stock unless it says so, and names its keys by itself."""
    unit = _Partial("unit")
    assert unit.series_needed() == ()
    assert unit.initial_stocks() == ()
    assert unit.key("load") == "unit_load"


def test_register_of_kinds() -> None:
    """A kind is known by its name; the same class may register again, another may not."""
    try:
        assert unit_kind("test_partial")(_Partial) is _Partial
        assert UNIT_KINDS["test_partial"] is _Partial
        assert _Partial.kind == "test_partial"
        unit_kind("test_partial")(_Partial)

        class Other(_Partial):
            """Another class."""

        with pytest.raises(ValueError, match="the unit kind 'test_partial' is already taken by _Partial"):
            unit_kind("test_partial")(Other)
    finally:
        UNIT_KINDS.pop("test_partial", None)
        _Partial.kind = ""
