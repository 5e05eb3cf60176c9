"""A new kind of unit is one class: read, planned, audited and billed with no edit elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import models.kinds
from models.checks import above, at_least, check
from models.horizon import Array, Horizon, Integers
from models.pieces import Curve, Declaration, Flow, Variable
from models.situation import Situation
from models.unit import UNIT_KINDS, Unit, unit_kind
from scheduler.cuts import SearchOptions
from scheduler.errors import InputError
from scheduler.plan import PlanOptions, make_plan
from scheduler.read.inputs import read_inputs
from scheduler.result import Plan, Status
from tests.mechanism_site import T_PER_KA, write_site

KIND = "test_chlorinator"
PER_KA2 = 0.01
"""Power of the new unit per square of the kA whose chlorine it takes. [MW/kA2]"""


@pytest.fixture(autouse=True)
def _new_kind() -> Iterator[None]:
    """Register a chlorine consumer with a convex power curve and a limit of its own, and forget it."""

    @unit_kind(KIND)
    @dataclass(frozen=True)
    class Chlorinator(Unit):
        """Stirred reactors whose power rises with the square of the chlorine they take."""

        name: str
        chlorine_max_t_per_h: float
        mw_per_square_t: float
        product: str = "hypochlorite"

        availabilities = ("chlorine_max_t_per_h",)

        def __post_init__(self) -> None:
            check(self, chlorine_max_t_per_h=above(0, "t/h"), mw_per_square_t=at_least(0))

        def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
            most = situation.available(self.name, "chlorine_max_t_per_h", self.chlorine_max_t_per_h, horizon)
            rate, power = self.key("chlorine"), self.key("power")
            factor = self.mw_per_square_t

            def value(x: Array, t: Integers) -> Array:
                return factor * x**2

            def slope(x: Array, t: Integers) -> Array:
                return 2.0 * factor * x

            everywhere = np.arange(len(horizon))
            return Declaration(
                variables=(Variable(rate, "t/h", np.zeros(len(horizon)), most, everywhere),),
                curves=(Curve(power, "MW", rate, value, slope),),
                flows=(
                    Flow("chlorine", rate, -1.0),
                    Flow(self.product, rate, 1.0),
                    Flow("power", power, -1.0),
                ),
            )

    yield
    del UNIT_KINDS[KIND]


def _plan(folder: Path, most_ka: float) -> Plan:
    units = f"""
[[unit]]
kind = "{KIND}"
name = "reactors"
chlorine_max_t_per_h = {most_ka * T_PER_KA!r}
mw_per_square_t = {PER_KA2 / T_PER_KA**2!r}

[[unit]]
kind = "product_store"
name = "store"
commodity = "hypochlorite"
min_t = 0.0
max_t = 1000.0

[[unit]]
kind = "pipeline"
name = "customer"
commodity = "hypochlorite"
nominal_t_per_h = {5.0 * T_PER_KA!r}
"""
    path = write_site(folder, units, cheap=60.0, dear=100.0, stocks={"store": 0.0})
    inputs = read_inputs(path)
    options = PlanOptions(SearchOptions(gap=1e-7), compare=False)
    return make_plan(inputs.site, inputs.horizon, inputs.situation, options)


def test_kind_is_known_to_the_register_of_kinds() -> None:
    """The decorator alone makes the kind one of those that a site file may name."""
    assert KIND in models.kinds.UNIT_KINDS


def test_load_follows_the_new_curve(tmp_path: Path) -> None:
    """Twelve hours at 60 and twelve at 100, with 0.2 I + 0.02 I2 MW of cells and reactors together.

    60 (0.2 + 0.04 a) = 100 (0.2 + 0.04 b) and a + b = 10 give a = 7.5, b = 2.5 kA;
    12 (60 * 2.625 + 100 * 0.625) = 2640.
    """
    plan = _plan(tmp_path, 9.0)
    assert plan.status is Status.PLAN
    loads = plan.audit.values["room_load"]
    assert loads[:12] == pytest.approx(np.full(12, 7.5), abs=0.02)
    assert loads[12:] == pytest.approx(np.full(12, 2.5), abs=0.02)
    assert plan.audit.cost == pytest.approx(2640.0, abs=1e-3)


def test_its_own_limit_binds(tmp_path: Path) -> None:
    """At 6 kA's worth at most the loads are 6 and 4 kA: 12 (60 * 1.92 + 100 * 1.12) = 2726.4."""
    plan = _plan(tmp_path, 6.0)
    assert plan.audit.values["reactors_chlorine"][:12] == pytest.approx(np.full(12, 6 * T_PER_KA), rel=1e-6)
    assert plan.audit.cost == pytest.approx(2726.4, abs=1e-3)


def test_audit_closes_its_flows(tmp_path: Path) -> None:
    """The default simulation takes what the cells make and draws the exact value of the curve."""
    plan = _plan(tmp_path, 9.0)
    flows = plan.audit.flows
    assert flows["reactors", "chlorine"] == pytest.approx(-flows["room", "chlorine"], rel=1e-9)
    taken_ka = -flows["reactors", "chlorine"] / T_PER_KA
    assert -flows["reactors", "power"] == pytest.approx(PER_KA2 * taken_ka**2, rel=1e-9)
    assert max(plan.audit.balance_error.values()) < 1e-9
    assert plan.audit.violations == ()


def test_bill_holds_its_power(tmp_path: Path) -> None:
    """The metered energy of the bill is 12 (2.625 + 0.625) = 39 MWh, reactors included."""
    plan = _plan(tmp_path, 9.0)
    line = next(line for line in plan.audit.bill if line.group == "energy")
    assert line.quantity == pytest.approx(39.0, abs=0.02)
    assert line.amount == pytest.approx(2640.0, abs=1e-3)


def test_its_rules_reach_the_reader(tmp_path: Path) -> None:
    """A value that breaks its rule is told with the line of the site file."""
    with pytest.raises(InputError, match=r"line \d+.*'chlorine_max_t_per_h' must be above 0 \[t/h\]"):
        _plan(tmp_path, 0.0)


def test_kind_taken_by_another_class() -> None:
    """A second class cannot take the name silently."""
    with pytest.raises(ValueError, match=f"the unit kind '{KIND}' is already taken by Chlorinator"):

        @unit_kind(KIND)
        class Other(Unit):
            def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
                return Declaration()
