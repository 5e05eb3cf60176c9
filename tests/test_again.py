"""The same inputs give the same bytes, and a plan's folder makes and audits its plan by itself.

Expected bytes are those of another run; expected figures follow by hand (Faraday's law in the test).
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Mapping
from importlib.resources import as_file, files
from pathlib import Path

import pytest

from scheduler.read.inputs import read_inputs
from scheduler.read.kept import MANIFEST, NAME
from tests.strategies import LONG
from tests.test_cli import FILES, PRICES, SITE, lay, level_before, names, run, sheet_of, table

ROOT = Path(__file__).resolve().parents[1]
SAME = ("plan.csv", "plan.json", NAME)
TWICE = PRICES + "2026-06-10T00:00,60,50\n2026-06-10T00:00,60,51\n"
"""Prices with a second value outside the horizon: a note names the file and the line."""


def in_process(words: list[str | Path], folder: Path, **environment: str) -> None:
    """Run a command in a process of its own, in a folder and an environment."""
    whole = {**os.environ, "PYTHONPATH": str(ROOT), **environment}
    command = [sys.executable, "-m", "scheduler.cli.main", *map(str, words)]
    done = subprocess.run(command, cwd=folder, env=whole, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def alike(one: Path, other: Path) -> None:
    """Hold table, record and kept inputs of two folders against each other, byte for byte."""
    for name in SAME:
        assert (one / name).read_bytes() == (other / name).read_bytes(), name


def test_place_zone_locale_and_hashes_change_no_byte(tmp_path: Path) -> None:
    """Other working folder, folder names, zone, locale and hash seed: the same bytes, and no path in them."""
    first, second = tmp_path / "a", tmp_path / "Größe 2"
    for folder in (first, second / "deep"):
        folder.mkdir(parents=True)
        lay(folder, {"today.csv": TWICE})
    in_process(
        ["plan", "site.toml", "--prices", "today.csv", "--out", "out"],
        first,
        PYTHONHASHSEED="1", TZ="UTC", LC_ALL="C",
    )  # fmt: skip
    in_process(
        ["plan", second / "deep" / "site.toml", "--prices", "deep/../deep/today.csv", "--out", "other"],
        second,
        PYTHONHASHSEED="4711", TZ="Asia/Tokyo", LC_ALL="de_DE.UTF-8",
    )  # fmt: skip
    alike(first / "out", second / "other")
    record = (second / "other" / "plan.json").read_text(encoding="utf-8")
    assert "second values outside the horizon are not used" in record
    assert "in today.csv, line 27" in record
    assert "deep" not in record


@pytest.mark.slow
@pytest.mark.skipif(LONG == 1, reason="plans the demo twice; set BRINEWATT_LONG to 2 or more")
def test_hashes_change_no_byte_of_the_demo(tmp_path: Path) -> None:
    """A site with every kind of unit under two hash seeds."""
    for seed in ("1", "2"):
        in_process(["demo", "--out", f"out{seed}"], tmp_path, PYTHONHASHSEED=seed)
    alike(tmp_path / "out1", tmp_path / "out2")


# ---------------------------------------------------------------- from its own folder


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a plan, a planned rest of its day and two sheets; their inputs are gone."""
    works, out = tmp_path_factory.mktemp("works"), tmp_path_factory.mktemp("plans")
    (works / "more").mkdir()
    prices = {"today.csv": PRICES, "more/today.csv": "start,minutes,price_per_mwh\n2026-06-09T00:00,60,50\n"}
    site = lay(works, prices)
    both = ("--prices", works / "today.csv", "--prices", works / "more" / "today.csv")
    assert run("plan", site, "--day", "2026-06-08", *both, "--out", out / "plan").exit_code == 0
    rows = table(out / "plan")
    lay(
        works,
        {
            "now.csv": level_before(out / "plan", 10),
            "limit.csv": "unit,what,value,start,end\nroom,load_max_ka,8,2026-06-08T12:00,2026-06-08T16:00\n",
            "own.csv": sheet_of(rows),
            "high.csv": sheet_of(rows, {12: "15.5"}),
        },
    )
    rest = (
        "replan", site, "--earlier", out / "plan", "--from", "2026-06-08T10:00", "--freeze", "60",
        "--stocks", works / "now.csv", "--availability", works / "limit.csv", "--out", out / "replan",
    )  # fmt: skip
    assert run(*rest).exit_code == 0
    assert run("sheet", site, works / "own.csv", "--out", out / "sheet").exit_code == 0
    assert run("sheet", site, works / "high.csv", "--out", out / "not_a_plan").exit_code == 3
    shutil.rmtree(works)
    return out


@pytest.mark.parametrize(
    ("name", "made_by", "listed"),
    [
        ("plan", "plan", "plan.csv"),
        ("replan", "replan", "plan.csv"),
        ("sheet", "sheet", "plan.csv"),
        ("not_a_plan", "sheet", "not_a_plan.csv"),
    ],
)
def test_a_folder_makes_its_plan_again(folders: Path, name: str, made_by: str, listed: str) -> None:
    """Exit 0 without any of the files it was made from: the same bytes, confirmed by the exact models."""
    result = run("again", folders / name)
    assert result.exit_code == 0, result.output
    assert f"Audit of {listed} by the exact models: confirmed." in result.stdout
    assert "Versions: the same as then." in result.stdout
    assert f"Made again: {listed} is the same byte for byte." in result.stdout
    assert "Made again: plan.json is the same byte for byte." in result.stdout
    assert f"as `brinewatt {made_by}` made it" in result.stderr
    assert names(folders) >= {"plan", "replan", "sheet", "not_a_plan"}


def test_the_plan_made_again_is_written_on_request(folders: Path, tmp_path: Path) -> None:
    """`--out` holds what the first folder holds, the difference to the earlier plan included."""
    result = run("again", folders / "replan", "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert names(tmp_path / "out") == names(folders / "replan")
    alike(tmp_path / "out", folders / "replan")
    one, other = (folder / "difference.csv" for folder in (tmp_path / "out", folders / "replan"))
    assert one.read_bytes() == other.read_bytes()


def test_files_of_one_name_are_kept_apart(folders: Path) -> None:
    """Two price files of one name in two folders: both are kept and told by a number."""
    record = json.loads((folders / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert list(record["input_digests"]) == [
        "site:site.toml", "prices:today.csv", "prices:today (2).csv", "stocks:stocks.csv",
    ]  # fmt: skip
    with zipfile.ZipFile(folders / "plan" / NAME) as archive:
        manifest = json.loads(archive.read(MANIFEST))
        kept = {entry["name"]: archive.read(entry["member"]).decode() for entry in manifest["files"]}
    assert kept["site.toml"] == SITE
    assert kept["today.csv"] == PRICES
    assert kept["today (2).csv"].endswith("2026-06-09T00:00,60,50\n")
    assert manifest["asked"]["day"] == "2026-06-08"


# ---------------------------------------------------------------- what differs


def copied(folders: Path, tmp_path: Path, name: str = "plan") -> Path:
    """Return a copy of a folder that may be changed."""
    return Path(shutil.copytree(folders / name, tmp_path / "copy"))


def test_a_changed_load_is_told_by_the_models_and_the_bytes(folders: Path, tmp_path: Path) -> None:
    """12 kA in place of 13.5 at three o'clock put into plan.csv by hand: the chlorine is missing; exit 3.

    Faraday's law for 150 cells of ce 1: 150 * 1.5 kA * 70.90 g/mol / (2 * 96485 C/mol) * 3600 s/h =
    0.2976 t/h, which the store then lacks.
    """
    folder = copied(folders, tmp_path)
    lines = (folder / "plan.csv").read_text(encoding="utf-8").splitlines()
    head, row = lines[0].split(","), lines[4].split(",")
    at = head.index("room_load_ka")
    assert row[at] == "13.500000"
    level = float(row[head.index("store_level_t")])
    row[at] = "12.000000"
    lines[4] = ",".join(row)
    (folder / "plan.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = run("again", folder)
    assert result.exit_code == 3
    assert "Audit of plan.csv by the exact models: NOT confirmed." in result.stdout
    at_three = "by 0.298 t/h at Mon 8 Jun 03:00+02:00"
    assert f"breaks balance of chlorine: chlorine missing, {at_three}" in result.stdout
    told = re.search(
        r"store_level_t at 2026-06-08T03:00\+02:00: stored (\S+), simulated (\S+)", result.stdout
    )
    assert told is not None
    assert float(told[1]) == level
    assert float(told[2]) == pytest.approx(level - 0.2976, abs=2e-4)
    assert "Made again: plan.csv differs in 1 cells." in result.stdout
    assert "plan.json is the same byte for byte" in result.stdout
    assert "somebody changed these files, or this is a bug" in result.stdout


def test_a_changed_load_that_breaks_a_limit_is_named(folders: Path, tmp_path: Path) -> None:
    """16 kA are 6.4 kA/m2 on 2.5 m2, where 6 are allowed (16 / 2.5): the limit and the hour are told."""
    folder = copied(folders, tmp_path)
    lines = (folder / "plan.csv").read_text(encoding="utf-8").splitlines()
    head, row = lines[0].split(","), lines[4].split(",")
    row[head.index("room_load_ka")] = "16.000000"
    lines[4] = ",".join(row)
    (folder / "plan.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = run("again", folder)
    assert result.exit_code == 3
    assert "breaks current density of room, by 0.4 kA/m2 at Mon 8 Jun 03:00+02:00" in result.stdout


def test_another_version_is_told(folders: Path, tmp_path: Path) -> None:
    """A record made with another solver: the version then and now, the field, and what may explain it."""
    folder = copied(folders, tmp_path)
    record = (folder / "plan.json").read_text(encoding="utf-8")
    version = json.loads(record)["versions"]["highspy"]
    (folder / "plan.json").write_text(
        record.replace(f'"highspy": "{version}"', '"highspy": "0.9"'), encoding="utf-8"
    )
    result = run("again", folder)
    assert result.exit_code == 3
    assert f"Versions: highspy 0.9 then, {version} now." in result.stdout
    assert "plan.json differs in 1 fields" in result.stdout
    assert f'versions.highspy: stored "0.9", now "{version}"' in result.stdout
    assert "Audit of plan.csv by the exact models: confirmed." in result.stdout
    assert "Other versions or another kind of machine may choose" in result.stdout


# ---------------------------------------------------------------- damaged folders


def rewritten(folder: Path, changed: Mapping[str, bytes], left_out: str = "") -> None:
    """Write the archive of a folder again with some members changed or left out."""
    with zipfile.ZipFile(folder / NAME) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in {**members, **changed}.items():
            if name != left_out:
                archive.writestr(name, data)
    (folder / NAME).write_bytes(stream.getvalue())


def test_a_damaged_folder_is_refused(folders: Path, tmp_path: Path) -> None:
    """Exit 2 and a word for each kind of damage; nothing of the archive is unpacked to disk."""
    folder = copied(folders, tmp_path)
    whole = (folder / NAME).read_bytes()
    manifest = zipfile.ZipFile(folder / NAME).read(MANIFEST)

    def refused(part: str) -> None:
        result = run("again", folder)
        assert result.exit_code == 2, result.output
        assert part in result.stderr
        assert result.stdout == ""
        (folder / NAME).write_bytes(whole)

    (folder / NAME).write_bytes(whole[: len(whole) // 2])
    refused("inputs.zip: cannot be read (File is not a zip file)")
    (folder / NAME).unlink()
    refused("is not there: name the folder of a plan that keeps its inputs")
    rewritten(folder, {"02_prices.csv": TWICE.encode()})
    refused("'today.csv' is not as it was when the plan was made")
    rewritten(folder, {}, "02_prices.csv")
    refused("cannot be read")
    rewritten(folder, {"02_prices.csv": bytes(51_000_000)})
    refused("'02_prices.csv' is larger than 50 MB")
    rewritten(folder, {MANIFEST: b"{"})
    refused("again.json is damaged")
    rewritten(folder, {MANIFEST: manifest.replace(b'"seconds"', b'"secondz"')})
    refused("again.json is damaged (asked.seconds: ")
    rewritten(folder, {MANIFEST: manifest.replace(b'"02_prices.csv"', b'"../../prices.csv"')})
    refused("cannot be read")
    (folder / "not_a_plan.csv").write_text("x", encoding="utf-8")
    refused("must hold one of plan.csv and not_a_plan.csv")
    (folder / "not_a_plan.csv").unlink()
    record = (folder / "plan.json").read_text(encoding="utf-8")
    digest = json.loads(record)["input_digests"]["site:site.toml"]
    (folder / "plan.json").write_text(record.replace(digest, "0" * 64), encoding="utf-8")
    refused("site.toml: is not the file of the role 'site' that the plan in")


def test_the_kept_files_read_as_the_disk_does(tmp_path: Path) -> None:
    """Inputs read from kept bytes are those read from the disk; a file that is not kept is told by name."""
    with as_file(files("tariffs_demo")) as folder:
        whole = read_inputs(folder / "site.toml")
    kept = read_inputs(Path("site.toml"), whole.horizon.days[0], kept=whole.files)
    assert kept.digests == whole.digests
    assert kept.notes == whole.notes
    assert kept.site == whole.site
    assert kept.situation.stocks == whole.situation.stocks
    less = {key: data for key, data in whole.files.items() if key[0] != "stocks"}
    with pytest.raises(ValueError, match="the stocks file is not among those kept"):
        read_inputs(Path("site.toml"), whole.horizon.days[0], kept=less)
    assert set(FILES) == {"site.toml", "prices.csv", "stocks.csv"}
