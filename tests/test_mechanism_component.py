"""A new kind of contract component is one class: it moves the load and stands on the bill."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import models.kinds
from models.checks import at_least, between, check
from models.contract.component import COMPONENT_KINDS, BillLine, Component, Profile, component_kind, key_name
from models.contract.term import Term
from models.horizon import Array, Horizon
from models.pieces import Cost, Declaration
from models.situation import Situation
from scheduler.cuts import SearchOptions
from scheduler.errors import InputError
from scheduler.plan import PlanOptions, make_plan
from scheduler.read.inputs import read_inputs
from scheduler.result import Plan, Status
from tests.mechanism_site import T_PER_KA, write_site

KIND = "test_evening_levy"


@dataclass(frozen=True, eq=False)
class MaskedCharge(Term):
    """A price on the energy of some intervals, as a primitive of the test's own."""

    name: str
    per_mwh: float
    counts: Array
    group: str = "energy"

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return price times the energy of the intervals that count."""
        return float(self.per_mwh * np.sum((horizon.hours * power_mw)[self.counts]))

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return one cost on the metered power."""
        return Declaration(
            costs=(Cost(prefix, self.group, meter, self.per_mwh * horizon.hours * self.counts),)
        )


@pytest.fixture(autouse=True)
def _new_kind() -> Iterator[None]:
    """Register a levy on energy from a clock hour on, and forget it."""

    @component_kind(KIND)
    @dataclass(frozen=True)
    class EveningLevy(Component):
        """A charge on energy drawn from a local clock hour to midnight."""

        name: str
        per_mwh: float
        from_hour: int = 12

        def __post_init__(self) -> None:
            check(self, name=key_name(), per_mwh=at_least(0, "currency/MWh"), from_hour=between(0, 23, "h"))

        def _counts(self, horizon: Horizon) -> Array:
            return np.array([start.hour >= self.from_hour for start in horizon.local_starts])

        def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
            return (MaskedCharge("evening", self.per_mwh, self._counts(horizon)),)

        def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
            energy = float(
                sum(
                    power * length
                    for power, length, start in zip(
                        profile.power_mw, profile.horizon.hours, profile.horizon.local_starts, strict=True
                    )
                    if start.hour >= self.from_hour
                )
            )
            return (
                BillLine(
                    self.name,
                    "evening levy",
                    energy,
                    "MWh",
                    self.per_mwh,
                    energy * self.per_mwh,
                    "energy",
                    "energy of the evening x price",
                ),
            )

    yield
    del COMPONENT_KINDS[KIND]


def _plan(folder: Path, levy: float | None) -> Plan:
    component = f"""
[[contract.component]]
kind = "{KIND}"
name = "levy"
per_mwh = {levy}
"""
    units = f"""
[[unit]]
kind = "product_store"
name = "store"
commodity = "chlorine"
min_t = 0.0
max_t = 1000.0

[[unit]]
kind = "pipeline"
name = "customer"
commodity = "chlorine"
nominal_t_per_h = {5.0 * T_PER_KA!r}
"""
    path = write_site(
        folder,
        units,
        20.0,
        20.0,
        {"store": 0.0},
        components="" if levy is None else component,
        density_max=8.0,
    )
    inputs = read_inputs(path)
    options = PlanOptions(SearchOptions(gap=1e-7), compare=False)
    return make_plan(inputs.site, inputs.horizon, inputs.situation, options)


def test_kind_is_known_to_the_register_of_kinds() -> None:
    """The decorator alone makes the kind one of those that a contract may name."""
    assert KIND in models.kinds.COMPONENT_KINDS


def test_load_is_flat_without_the_component(tmp_path: Path) -> None:
    """At one price all day the load is 5 kA: 24 * 20 * 1.25 = 600."""
    plan = _plan(tmp_path, None)
    assert plan.audit.values["room_load"] == pytest.approx(np.full(24, 5.0), abs=0.02)
    assert plan.audit.cost == pytest.approx(600.0, abs=1e-4)


def test_component_moves_the_load(tmp_path: Path) -> None:
    """80 from noon on makes it 20 and 100: 8 kA, the most, and 2: 12 (20 * 2.24 + 100 * 0.44) = 1065.6."""
    plan = _plan(tmp_path, 80.0)
    assert plan.status is Status.PLAN
    assert plan.audit.values["room_load"] == pytest.approx(np.repeat([8.0, 2.0], 12), abs=0.02)
    assert plan.audit.cost == pytest.approx(1065.6, abs=1e-3)


def test_small_levy_moves_it_less(tmp_path: Path) -> None:
    """5 from noon on: 20 (0.2 + 0.02 a) = 25 (0.2 + 0.02 b) and a + b = 10 give 0.9 a = 6, a = 6 2/3 kA."""
    loads = _plan(tmp_path, 5.0).audit.values["room_load"]
    assert loads == pytest.approx(np.repeat([20 / 3, 10 / 3], 12), abs=0.02)


def test_component_stands_on_the_bill(tmp_path: Path) -> None:
    """80 on 12 * 0.44 = 5.28 MWh is 422.4; bill and cost of the plan agree."""
    plan = _plan(tmp_path, 80.0)
    line = next(line for line in plan.audit.bill if line.component == "levy")
    assert line.quantity == pytest.approx(5.28, abs=1e-4)
    assert line.amount == pytest.approx(422.4, abs=1e-2)
    assert sum(line.amount for line in plan.audit.bill) == pytest.approx(plan.audit.costs["energy"], abs=1e-6)


def test_price_of_the_plan_holds_the_component(tmp_path: Path) -> None:
    """The energy price that reports show is 20 before noon and 100 after."""
    assert _plan(tmp_path, 80.0).energy_price_per_mwh == pytest.approx(np.repeat([20.0, 100.0], 12))


def test_its_rules_reach_the_reader(tmp_path: Path) -> None:
    """A value that breaks its rule is told with the component's name."""
    with pytest.raises(InputError, match=r"'per_mwh' must be at least 0 \[currency/MWh\] \(got -1"):
        _plan(tmp_path, -1.0)


def test_kind_taken_by_another_class() -> None:
    """A second class cannot take the name silently."""
    with pytest.raises(ValueError, match=f"the component kind '{KIND}' is already taken by EveningLevy"):

        @component_kind(KIND)
        class Other(Component):
            def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
                return ()

            def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
                return ()
