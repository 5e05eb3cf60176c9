"""The demo's tight day: eight limits bind at once, and each taken away alone moves loads and saves money.

Least values and loads are this project's own statement about its invented day, well below what was computed;
they would fall to nothing if a limit no longer bound.
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

import pytest

import tariffs_demo
from scheduler.plan import PlanOptions
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.report.limit_values import limits_csv, limits_text
from scheduler.studies.limits import LimitValue, limit_values
from tests.binding_cases import At, Small, customer, gas_store, room

DEMO = Path(tariffs_demo.__file__).parent
TIGHT = DEMO / "tight_day" / "site.toml"

CASES = {
    # Limit: least saving without it [XTS], least load that moves [kA].
    "movement of vinyl": (60.0, 1.0),
    "least feed of liquefier": (500.0, 2.0),
    "hydrogen in the tail gas of liquefier": (80.0, 2.0),
    "turndown of compressors": (80.0, 0.5),
    "upper level of soda_32": (100.0, 5.0),
    "permit of liquid_store, wagons included": (300.0, 5.0),
    "DC voltage of room_b2": (15.0, 1.5),
    "changes per shift of room_m": (800.0, 20.0),
}


@cache
def inputs() -> Inputs:
    """Return the tight day's inputs."""
    return read_inputs(TIGHT)


@pytest.fixture(scope="module")
def values() -> dict[str, LimitValue]:
    """Return the value of each limit of the table."""
    read = inputs()
    found = limit_values(read.site, read.horizon, read.situation, PlanOptions(), CASES)
    return {value.name: value for value in found}


@pytest.mark.parametrize("name", CASES)
def test_limit_binds_on_the_tight_day(values: dict[str, LimitValue], name: str) -> None:
    """Without the limit the day costs less by the stated amount, and a load moves by the stated kA."""
    saving, moved_ka = CASES[name]
    value = values[name]
    assert value.comparable
    assert value.value > saving
    assert value.moved[2] > moved_ka


def test_value_by_hand() -> None:
    """A circuit held to 290 - 10 V: 8 and 2 kA instead of 9 and 1, 88.8 against 73.2, by hand: 15.6."""
    from models.rectifier import Rectifier

    circuit = room(rectifier=Rectifier(1, 1e3, 280.0, drop_v=0.0))
    small = Small((circuit, gas_store(), customer()), stocks=(("store", 0.0),))
    (value,) = limit_values(small.site(), small.intervals(), small.situation(), names={"DC voltage of room"})
    assert value.value == pytest.approx(15.6, abs=1e-2)
    assert value.moved[2] == pytest.approx(1.0, abs=1e-2)
    assert At("room_load", 0, 8.0).reached(value.with_it)[0] == pytest.approx(8.0, abs=1e-4)


def test_table_names_value_and_caution(values: dict[str, LimitValue]) -> None:
    """The table is in order of value, has a line for each limit, and says that no limit may be passed."""
    read = inputs()
    text = limits_text(read.site, read.horizon, tuple(values.values()))
    lines = [line for line in text.splitlines() if any(line.startswith(name) for name in CASES)]
    worth = [float(line[48:60].replace(",", "")) for line in lines]
    assert len(lines) == len(CASES)
    assert worth == sorted(worth, reverse=True)
    assert "A value is no leave to pass a limit." in " ".join(text.split())
    assert len(limits_csv(tuple(values.values())).splitlines()) == 1 + len(CASES)


def _parts(path: Path) -> dict[str, object]:
    tables = tomllib.loads(path.read_text(encoding="utf-8"))
    parts: dict[str, object] = {f"unit {unit.pop('name')}": unit for unit in tables.pop("unit")}
    return {**tables, **parts}


def test_tight_day_is_the_same_works() -> None:
    """The tight day's site file differs from the demo's in what its README says, and in nothing else."""
    demo, tight = _parts(DEMO / "site.toml"), _parts(TIGHT)
    # What a tonne costs over a year is no matter of a day.
    for costs in ("costs", "room", "hypothetical", "conversion"):
        demo.pop(costs, None)
    assert set(demo) == set(tight)
    different = {
        f"{part}: {key}"
        for part in demo
        if isinstance(demo[part], dict)
        for key in {*demo[part], *tight[part]}  # type: ignore[misc]
        if demo[part].get(key) != tight[part].get(key)  # type: ignore[attr-defined]
    }
    assert different == {
        "horizon: day",
        "horizon: look_ahead_days",
        "files: loads",
        "unit room_m: changes_per_shift",
        "unit compressors: step_t_per_h",
        "unit liquefier: feed_hydrogen_percent",
        "unit liquid_store: wagons_t",
    }
