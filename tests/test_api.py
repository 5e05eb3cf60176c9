"""The notebook's three lines: the same plan as the command, as columns and as a table."""

from __future__ import annotations

import builtins
import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from scheduler.api import DayPlan, plan
from scheduler.errors import InputError
from tests.test_cli import lay


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[DayPlan, Path]:
    """Return a plan made from a notebook, and its folder."""
    folder = tmp_path_factory.mktemp("works")
    p = plan(lay(folder), day="2026-06-08", compare=False)
    p.write(folder / "out")
    return p, folder / "out"


def test_hours_are_plan_csv_as_a_table(planned: tuple[DayPlan, Path]) -> None:
    """The DataFrame has the columns of plan.csv, one row per interval at its local start."""
    p, folder = planned
    with (folder / "plan.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert ["start", *p.hours.columns] == list(rows[0])
    assert len(p.hours) == 24
    assert p.hours.index[0].isoformat() == "2026-06-08T00:00:00+02:00"
    assert p.hours["room_load_ka"].to_numpy() == pytest.approx([float(r["room_load_ka"]) for r in rows])
    assert p.status == "plan"
    assert p.cost == pytest.approx(p.plan.certificate.stepped_cost)
    assert str(p).startswith("PLAN: all duties met")


def test_columns_need_no_pandas(planned: tuple[DayPlan, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """Without pandas the columns are there, and the table says what to install."""
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name == "pandas":
            raise ModuleNotFoundError("No module named 'pandas'")
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    p, _ = planned
    assert isinstance(p.columns["room_load_ka"], np.ndarray)
    with pytest.raises(ModuleNotFoundError, match="brinewatt\\[notebook\\]"):
        _ = p.hours


def test_why_from_a_notebook(planned: tuple[DayPlan, Path]) -> None:
    """A load is explained in words, with the load of the plan in steps beside it."""
    p, _ = planned
    words = p.why_words("room", "2026-06-08T19:00")
    assert words.startswith("room, Mon 8 Jun 19:00+02:00 to 20:00+02:00:")
    assert "As run it has " in words
    assert words.endswith("Figures are of the plan before whole steps.")


def test_wrong_roles_and_files_are_told(tmp_path: Path) -> None:
    """A role that does not exist is answered with the close one; problems of files are told."""
    site = lay(tmp_path)
    with pytest.raises(ValueError, match="did you mean 'prices'"):
        plan(site, price="prices.csv")
    with pytest.raises(InputError, match="does not exist"):
        plan(site, prices=tmp_path / "none.csv")
