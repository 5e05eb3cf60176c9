"""The role `state`: totals and peaks of billing periods, expectations, sides of cliffs."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import as_file, files
from pathlib import Path

import pytest

import models.kinds  # noqa: F401 - fills the registers of kinds
from scheduler.errors import InputError
from scheduler.lp import formulate
from scheduler.read.bill_inputs import read_contract_file
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.sides import with_cases

STATE = """component,period,energy_mwh,rest_mwh,peak_mw,target_mw,case
network,2026,293122,367000,93.5,94.0,band_load
"""


@pytest.fixture
def demo() -> Iterator[Path]:
    """Return the folder of the demo."""
    with as_file(files("tariffs_demo")) as folder:
        yield folder


def read(demo: Path, tmp_path: Path, text: str, **more: Path) -> Inputs:
    """Read the demo under contract D with a state."""
    state = tmp_path / "state.csv"
    state.write_text(text, encoding="utf-8")
    contract = demo / "contracts" / "d_band_load.toml"
    return read_inputs(demo / "site.toml", overrides={"contract": contract, "state": state, **more})


def test_everything_reaches_the_situation(demo: Path, tmp_path: Path) -> None:
    """Totals, expectation and case stand in the state, peak and target beside the other peaks."""
    now = read(demo, tmp_path, STATE).situation
    key = ("network", "2026")
    assert now.state.energy_mwh == {key: 293_122.0}
    assert now.state.rest_mwh == {key: 367_000.0}
    assert now.state.cases == {"network": "band_load"}
    assert (now.peaks_mw, now.peak_targets_mw) == ({key: 93.5}, {key: 94.0})


def test_peaks_of_the_sites_own_contract_are_not_used_for_another(demo: Path, tmp_path: Path) -> None:
    """The demo's peaks.csv names a component of its own contract: told, and left out."""
    inputs = read(demo, tmp_path, STATE)
    assert any("'peaks.csv' belongs to the site's own contract" in note for note in inputs.notes)


def test_a_peak_in_both_roles_is_a_problem(demo: Path, tmp_path: Path) -> None:
    """The same peak in a 'peaks' and in a 'state' file is told."""
    peaks = tmp_path / "peaks.csv"
    peaks.write_text("component,month,peak_mw\nnetwork,2026-06,90.0\n", encoding="utf-8")
    text = STATE + "network,2026-06,,,91.0,,\n"
    with pytest.raises(InputError, match="stands in a 'peaks' and in a 'state' file"):
        read(demo, tmp_path, text, peaks=peaks)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (STATE + "network,2027,1,1,1,1,full\n", "must be one for a component"),
        (STATE.replace("93.5", "-1"), "'peak_mw' must be at least 0"),
        (STATE.replace("2026", "26"), "must be a month such as 2026-11, a year such as 2026 or a day"),
    ],
)
def test_wrong_rows_are_told(demo: Path, tmp_path: Path, text: str, problem: str) -> None:
    """Two cases of one component, a negative peak, a period that is none."""
    with pytest.raises(InputError, match=problem):
        read(demo, tmp_path, text)


def test_a_case_that_the_component_lacks_is_told(demo: Path, tmp_path: Path) -> None:
    """The known cases are named."""
    inputs = read(demo, tmp_path, STATE.replace("band_load", "bandload"))
    with pytest.raises(ValueError, match="has only 'full', 'band_load'"):
        inputs.site.contract.choices(inputs.horizon, inputs.situation)


def test_a_program_needs_a_side(demo: Path, tmp_path: Path) -> None:
    """Without a case the program is refused with the cases; with each of them it can be written."""
    inputs = read(demo, tmp_path, STATE.replace(",band_load", ","))
    with pytest.raises(ValueError, match="needs one of its cases chosen \\('full', 'band_load'"):
        formulate(inputs.site, inputs.horizon, inputs.situation)
    choices = inputs.site.contract.choices(inputs.horizon, inputs.situation)
    assert [choice["network"] for choice in choices] == ["full", "band_load"]
    for choice in choices:
        formulate(inputs.site, inputs.horizon, with_cases(inputs.situation, choice))


def test_contract_files_by_themselves(demo: Path) -> None:
    """All five contracts are read without a site, in the demo's currency, and say that they are invented."""
    names = sorted(path.name for path in (demo / "contracts").glob("*.toml"))
    found = [read_contract_file(demo / "contracts" / name, [2026]) for name in names]
    assert [contract.name[9] for contract in found] == ["A", "B", "C", "D", "E"]
    assert {contract.currency for contract in found} == {"XTS"}
    assert all("(invented)" in contract.name for contract in found)
