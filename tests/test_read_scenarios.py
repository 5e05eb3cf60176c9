"""Files of price scenarios and of cleared quantities: clean ones, and every problem with its place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from scheduler.errors import InputError
from scheduler.read.cleared import read_cleared
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.read.scenarios import read_scenarios
from tests.test_cli import lay

STARTS = [f"2026-06-08T{hour:02d}:00+02:00" for hour in range(24)]
HEAD = "scenario,probability,start,minutes,price_per_mwh"


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Inputs:
    """Return the inputs of a small site whose plan day has 24 hours and no look-ahead."""
    return read_inputs(lay(tmp_path_factory.mktemp("works")))


def rows_of(name: str, chance: str, first: float) -> list[str]:
    """Return the rows of a scenario whose price rises by 1 an hour."""
    return [f"{name},{chance},{start},60,{first + hour}" for hour, start in enumerate(STARTS)]


def write(folder: Path, rows: list[str], head: str = HEAD) -> Path:
    """Write a table; return its path."""
    path = folder / "scenarios.csv"
    path.write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    return path


def problems_of(path: Path, inputs: Inputs) -> str:
    """Return the text of the error that a file gives."""
    with pytest.raises(InputError) as caught:
        read_scenarios(path, inputs)
    return str(caught.value)


def test_scenarios_are_read(inputs: Inputs, tmp_path: Path) -> None:
    """Names in the order of the file, probabilities as stated, prices by interval, mean by hand."""
    path = write(tmp_path, [*rows_of("windy", "0.75", 10.0), *rows_of("calm", "0.25", 50.0)])
    found, digests = read_scenarios(path, inputs)
    assert found.names == ("windy", "calm")
    assert found.probabilities.tolist() == [0.75, 0.25]
    np.testing.assert_allclose(found.mean().values, 20.0 + np.arange(24))
    np.testing.assert_allclose(found.on(inputs.horizon)[1], 50.0 + np.arange(24))
    assert list(digests) == [f"scenarios:{path}"]


def test_without_probabilities_all_are_as_likely(inputs: Inputs, tmp_path: Path) -> None:
    """Four scenarios without a column of probabilities have 0.25 each."""
    rows = [row.replace(",,", ",", 1) for name in "abcd" for row in rows_of(name, "", 10.0)]
    found, _ = read_scenarios(write(tmp_path, rows, HEAD.replace("probability,", "")), inputs)
    assert found.probabilities.tolist() == [0.25] * 4


A, B = rows_of("a", "0.5", 10.0), rows_of("b", "0.5", 20.0)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([*A, *B[:-1]], ["scenario 'b'", "1 of the plan day are missing", "23:00"]),
        ([*A, *B, B[3]], ["second value", "03:00"]),
        ([*A, *rows_of("b", "0.4", 20.0)], ["add up to 1 (got 0.900000)"]),
        ([*A, *B[:-1], B[-1].replace("0.5", "0.6")], ["the same in every row of scenario 'b'", "line 49"]),
        ([*A], ["2 to 100 scenarios (got 1)"]),
        ([*A, *B[:-1], B[-1].replace(",43.0", ",nan")], ["line 49", "'price_per_mwh' must be a number"]),
        ([*A, *B[:-1], B[-1].replace("0.5,", "0,")], ["'probability' must be above 0"]),
        (
            [*A, *B, "b,0.5,2026-06-09T00:00+02:00,60,9"],
            ["1 are no interval of the plan", "2026-06-09T00:00"],
        ),
        ([*A, *B[:-1], B[-1].replace(",60,", ",7,")], ["'minutes' must be one of"]),
        ([*A, *B[:-1], ",0.5" + B[-1][5:]], ["'scenario'"]),
    ],
)
def test_every_problem_is_told(rows: list[str], words: list[str], inputs: Inputs, tmp_path: Path) -> None:
    """Gaps, doubles, probabilities, numbers and intervals that cannot be used are told with their place."""
    text = problems_of(write(tmp_path, rows), inputs)
    for word in words:
        assert word in text


def test_currency_and_series_must_be_the_sites(inputs: Inputs, tmp_path: Path) -> None:
    """Another currency, two series, and a series that no price file has."""
    own = inputs.site.contract.currency
    head = f"{HEAD},series,currency"
    good = [f"{row},day_ahead,{own}" for row in (*A, *B)]
    read_scenarios(write(tmp_path, good, head), inputs)
    assert "convert the prices first" in problems_of(
        write(tmp_path, [*good[:-1], good[-1].replace(own, "XXX")], head), inputs
    )
    assert "must be the same in the whole file" in problems_of(
        write(tmp_path, [*good[:-1], good[-1].replace("day_ahead", "other")], head), inputs
    )
    assert "no price file has the series 'other'" in problems_of(
        write(tmp_path, [row.replace("day_ahead", "other") for row in good], head), inputs
    )


def test_cleared_energy_becomes_power(inputs: Inputs, tmp_path: Path) -> None:
    """3 MWh in a quarter are 12 MW; what lies outside the plan day is left out."""
    path = tmp_path / "cleared.csv"
    quarters = [f"2026-06-08T{h:02d}:{m:02d}+02:00,15,3" for h in range(24) for m in (0, 15, 30, 45)]
    path.write_text("\n".join(["start,minutes,energy_mwh", *quarters, "2026-06-09T00:00+02:00,60,1", ""]))
    found, _ = read_cleared(path, inputs, "nomination")
    np.testing.assert_allclose(found.on(inputs.horizon), 12.0)
    assert len(found.values) == 96


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([f"{start},60,5" for start in STARTS[:-2]], ["2 are missing", "22:00"]),
        ([*(f"{start},60,5" for start in STARTS), f"{STARTS[4]},60,5"], ["second value", "04:00"]),
        (
            [*(f"{start},60,5" for start in STARTS[:-1]), f"{STARTS[-1]},60,x"],
            ["'energy_mwh' must be a number"],
        ),
    ],
)
def test_problems_of_cleared_quantities_are_told(
    rows: list[str], words: list[str], inputs: Inputs, tmp_path: Path
) -> None:
    """An interval that is missing or doubled, and what is no number, are told with their place."""
    path = tmp_path / "cleared.csv"
    path.write_text("\n".join(["start,minutes,energy_mwh", *rows, ""]))
    with pytest.raises(InputError) as caught:
        read_cleared(path, inputs, "nomination")
    for word in words:
        assert word in str(caught.value)
