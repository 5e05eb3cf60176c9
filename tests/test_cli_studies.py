"""The commands `tariffs` and `backtest` over a few days of the invented works."""

from __future__ import annotations

import csv
import json
from importlib.resources import as_file, files
from pathlib import Path

import pytest
from click.testing import CliRunner

from scheduler.cli.main import main

STUDY = """
name = "short study"
[[site]]
name = "stiff"
file = "{folder}/year_site_stiff.toml"
[[prices]]
name = "2026"
file = "{folder}/year_prices.csv"
first_day = 2026-03-01
days = 2
[[contract]]
name = "clock"
file = "{folder}/contracts/b_clock.toml"
[[contract]]
name = "one price"
file = "{folder}/contracts/e_interruptible.toml"
"""


def test_a_study_writes_its_files_and_resumes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every file is there, figures agree between them, and a second run takes all cases as kept."""
    monkeypatch.chdir(tmp_path)
    with as_file(files("tariffs_demo")) as folder:
        (tmp_path / "study.toml").write_text(STUDY.format(folder=folder.as_posix()))
        command = ["tariffs", "study.toml", "--workers", "1", "--out", "found"]
        first = CliRunner().invoke(main, command, catch_exceptions=False)
        second = CliRunner().invoke(main, [*command, "--replace"], catch_exceptions=False)
    assert first.exit_code == 0, first.output
    assert second.exit_code == 0
    assert "3 of 3 cases kept from an earlier run" in second.stderr
    assert second.stdout == first.stdout
    assert "Advice" in first.stdout or "advice only" in first.stdout
    names = {path.name for path in (tmp_path / "found").iterdir()}
    assert names == {
        "study.txt",
        "ranking.csv",
        "bill_lines.csv",
        "months.csv",
        "cross.csv",
        "study.json",
        "chart.png",
        "page.html",
        "study.xlsx",
    }
    with (tmp_path / "found" / "ranking.csv").open() as stream:
        ranking = list(csv.DictReader(stream))
    with (tmp_path / "found" / "bill_lines.csv").open() as stream:
        lines = list(csv.DictReader(stream))
    document = json.loads((tmp_path / "found" / "study.json").read_text())
    assert [row["rank"] for row in ranking] == ["1", "2"]
    for row, item in zip(ranking, document["ranked"], strict=True):
        amounts = [float(line["amount"]) for line in lines if line["contract"] == row["contract"]]
        assert float(row["bill"]) == pytest.approx(sum(amounts), abs=1e-3)
        assert item["contract"] == row["contract"]


def test_a_study_file_tells_all_its_problems(tmp_path: Path) -> None:
    """Missing tables, a name taken twice and a file that is not there come as one report, with exit 2."""
    text = '[[site]]\nname = "a"\nfile = "x.toml"\n[[site]]\nname = "a"\nfile = "y.toml"\nnmae = "b"\n'
    (tmp_path / "study.toml").write_text(text)
    found = CliRunner().invoke(main, ["tariffs", str(tmp_path / "study.toml")])
    assert found.exit_code == 2
    for words in ("[[contract]]", "[[prices]]", "nmae", "name"):
        assert words in found.stderr


def test_a_backtest_tells_every_way(tmp_path: Path) -> None:
    """The command prints a share of the saving for each way, none and all at the ends."""
    with as_file(files("tariffs_demo")) as folder:
        site = str(folder / "year_site_stiff.toml")
        found = CliRunner().invoke(main, ["backtest", site, "--first-day", "2026-03-02", "--days", "3"])
    assert found.exit_code == 0, found.output
    shares = [line for line in found.stdout.splitlines() if line.endswith(" %")]
    assert len(shares) == 5
    assert shares[0].endswith("0.0 %")
    assert shares[1].endswith("100.0 %")
