"""Killed, starved and doubled runs: no half output, no lost plan, a study that goes on where it was.

Commands run in forked children of `tests.faulting`. BRINEWATT_LONG multiplies the numbers of kills; 10 gives
200 and more of them.
"""

from __future__ import annotations

import csv
import errno
import os
import random
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import filelock
import pytest

from tests.faulting import Fault, Ran, Server
from tests.strategies import LONG

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs fork and SIGKILL")

ROOT = Path(__file__).resolve().parents[1]
KILLED = -signal.SIGKILL
SITE = """
name = "Small works (invented)"
timezone = "Europe/Berlin"
currency = "XTS"
meter = "meter_import"
[horizon]
day = 2026-06-08
minutes = 60
look_ahead_days = 0
[files]
prices = "prices.csv"
[contract]
name = "index (invented)"
[[contract.component]]
kind = "spot"
name = "spot"
[[unit]]
kind = "circuit"
name = "room_a"
technology = "membrane_zero_gap"
salt = "NaCl"
cells_in_series = 150
area_m2 = 2.8
density_min_ka_per_m2 = 1.6
density_max_ka_per_m2 = 5.8
rectifier = { units = 1, unit_load_max_ka = 17.0, dc_voltage_max_v = 560.0 }
voltage = { intercept_v = 2.44, k_v_m2_per_ka = 0.12 }
efficiency = { ce0 = 0.965, leakage_ka_per_m2 = 0.03 }
alkali = "naoh_32"
chlorine = "chlorine"
[[unit]]
kind = "pipeline"
name = "neighbour"
commodity = "chlorine"
nominal_t_per_h = 2.0
min_t_per_h = 1.5
max_t_per_h = 2.5
[[unit]]
kind = "outlet"
name = "soda_out"
commodity = "naoh_32"
rate_max_per_h = 100.0
[[unit]]
kind = "outlet"
name = "hydrogen_out"
commodity = "hydrogen"
rate_max_per_h = 200.0
[[unit]]
kind = "site_meter"
name = "meter"
import_max_mw = 20.0
"""
TERMS = """
name = "{name}"
currency = "XTS"
timezone = "Europe/Berlin"
[[component]]
kind = "spot"
name = "spot"
[[component]]
kind = "demand"
name = "demand"
per_mw_month = {price}
metering_minutes = 15
"""
STUDY = """
name = "short study"
look_ahead_days = 0
[[site]]
name = "works"
file = "site.toml"
[[prices]]
name = "june"
file = "prices.csv"
first_day = 2026-06-08
days = 1
[[contract]]
name = "cheap"
file = "cheap.toml"
[[contract]]
name = "dear"
file = "dear.toml"
"""


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """Give the process that runs commands."""
    made = Server()
    yield made
    made.close()


@pytest.fixture(scope="module")
def works(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of a small works with a study."""
    folder = tmp_path_factory.mktemp("works")
    (folder / "site.toml").write_text(SITE)
    prices = [f"2026-06-08T{h:02}:00,60,{40 + 5 * (h % 7)}\n" for h in range(24)]
    (folder / "prices.csv").write_text("start,minutes,price_per_mwh\n" + "".join(prices))
    (folder / "study.toml").write_text(STUDY)
    for name, price in (("cheap", 1000.0), ("dear", 4000.0)):
        (folder / f"{name}.toml").write_text(TERMS.format(name=name, price=price))
    return folder


@pytest.fixture(scope="module")
def planned(server: Server, works: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    """Give the folder of a whole plan and how long it took."""
    folder = tmp_path_factory.mktemp("whole")
    ran = server.run(plan_command(works, folder / "plan"), folder)
    assert ran.code == 0, ran.words
    return folder / "plan", ran.seconds


def plan_command(works: Path, out: Path, replace: bool = False) -> list[str]:
    """Return the command that plans."""
    return ["plan", str(works / "site.toml"), "--out", str(out), *(["--replace"] if replace else [])]


def contents(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file of a folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def beside(target: Path) -> list[str]:
    """Return the names next to a target, its lock and the words of the run left out."""
    ours = (target.name, f".{target.name}.lock", "words.txt")
    return sorted(path.name for path in target.parent.iterdir() if path.name not in ours)


def assert_whole(folder: Path, like: Path) -> None:
    """Assert that a folder holds every file of a plan, each whole to its last byte."""
    found = contents(folder)
    assert set(found) == {path.name for path in like.iterdir()}
    assert found["plan.csv"] == (like / "plan.csv").read_bytes()
    assert found["sheet.pdf"].rstrip().endswith(b"%%EOF")
    assert found["page.html"].rstrip().endswith(b"</html>")
    assert b"IEND" in found["chart.png"][-12:]
    with zipfile.ZipFile(folder / "plan.xlsx") as book:
        assert book.testzip() is None


def assert_no_traceback(ran: Ran) -> None:
    """Assert that a run ended in words."""
    assert "Traceback" not in ran.words
    assert "Exception ignored" not in ran.words


def kill_points(count: int, seconds: float) -> list[Fault]:
    """Return every moment around the final rename, then random calls and moments."""
    last = [Fault("rename", n, after) for n in (1, 2) for after in (False, True)]
    last += [Fault("fsync", 15, True), Fault("fsync", 16), Fault("fsync", 16, True)]
    rng = random.Random(1)
    other = [
        Fault("time", seconds=rng.uniform(0.0, seconds))
        if rng.random() < 0.6
        else Fault(rng.choice(("fsync", "mkdir")), rng.randint(1, 14), rng.random() < 0.5)
        for _ in range(count)
    ]
    return [*last, *other]


def test_a_killed_run_leaves_the_old_plan_or_the_new_one(
    server: Server, works: Path, planned: tuple[Path, float], tmp_path: Path
) -> None:
    """After SIGKILL at any moment of a replacing run one whole plan exists, and the next run cleans up."""
    whole, seconds = planned
    killed = in_rename = 0
    for number, fault in enumerate(kill_points(3 if LONG == 1 else 16 * LONG, 1.2 * seconds)):
        target = tmp_path / str(number) / "plan"
        shutil.copytree(whole, target)
        old = b"older plan"
        (target / "summary.txt").write_bytes(old)
        before = contents(target)
        ran = server.run(plan_command(works, target, replace=True), target.parent, fault)
        assert ran.code in (KILLED, 0), (fault, ran.words)
        killed += ran.code == KILLED
        in_rename += ran.code == KILLED and fault.call == "rename"
        aside = [name for name in beside(target) if ".old-" in name]
        if target.exists() and (target / "summary.txt").read_bytes() != old:
            assert_whole(target, whole)
        else:
            # The older plan, in its place or set aside: byte for byte.
            kept = target if target.exists() else target.parent / aside[0]
            assert contents(kept) == before, fault
        if number % 4 == 0 or LONG > 1:
            again = server.run(plan_command(works, target, replace=True), target.parent)
            assert again.code == 0, again.words
            assert_whole(target, whole)
            assert beside(target) == [], fault
    assert killed >= 7
    assert in_rename >= 4


@pytest.mark.parametrize("fault", [Fault("rename", 1), Fault("fsync", 3)])
def test_a_killed_first_run_leaves_nothing_that_looks_like_a_plan(
    server: Server, works: Path, planned: tuple[Path, float], tmp_path: Path, fault: Fault
) -> None:
    """Without an older plan the target is absent; the next run cleans what was left, and succeeds."""
    target = tmp_path / "plan"
    assert server.run(plan_command(works, target), tmp_path, fault).code == KILLED
    assert not target.exists()
    assert len(beside(target)) == 1
    assert server.run(plan_command(works, target), tmp_path).code == 0
    assert_whole(target, planned[0])
    assert beside(target) == []


def study_command(works: Path, folder: Path, workers: int = 1) -> list[str]:
    """Return the command of a study; it keeps its results in the folder."""
    places = ["--out", str(folder / "found"), "--kept", str(folder / "kept")]
    return ["tariffs", str(works / "study.toml"), *places, "--workers", str(workers)]


def figures(folder: Path) -> dict[str, str]:
    """Return the tables of a study, the time it took left out."""
    found = {}
    for path in sorted((folder / "found").glob("*.csv")):
        with path.open(newline="") as stream:
            rows = [{k: v for k, v in row.items() if "seconds" not in k} for row in csv.DictReader(stream)]
        found[path.name] = repr(rows)
    return found


@pytest.fixture(scope="module")
def studied(server: Server, works: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float]:
    """Give the folder of a whole study and how long it took."""
    folder = tmp_path_factory.mktemp("studied")
    ran = server.run(study_command(works, folder), folder)
    assert ran.code == 0, ran.words
    return folder, ran.seconds


def study_kills(seconds: float) -> list[Fault]:
    """Return kills before, inside and after the keeping of each result, and at random moments."""
    calls = [Fault("replace", 1, True), Fault("replace", 2), Fault("fsync", 2), Fault("rename", 1)]
    rng = random.Random(2)
    if LONG == 1:
        return calls
    for _ in range(2 * LONG):
        calls.append(Fault("replace", rng.randint(1, 3), rng.random() < 0.5))
        calls.append(Fault("time", seconds=rng.uniform(0.0, seconds)))
    return calls


def test_a_killed_study_goes_on_and_gives_the_same(
    server: Server, works: Path, studied: tuple[Path, float], tmp_path: Path
) -> None:
    """After SIGKILL a study has no folder, goes on with what it kept, and ends with the same figures."""
    whole, seconds = studied
    for number, fault in enumerate(study_kills(seconds)):
        folder = tmp_path / str(number)
        folder.mkdir()
        ran = server.run(study_command(works, folder), folder, fault)
        assert ran.code == KILLED or fault.call == "time", (fault, ran.words)
        if ran.code == KILLED and fault.call != "time":
            assert not (folder / "found").exists()
        kept = len(list((folder / "kept").glob("*.npz"))) if (folder / "kept").is_dir() else 0
        if fault == Fault("replace", 2):
            assert kept == 1
        again = server.run([*study_command(works, folder), "--replace"], folder)
        assert again.code == 0, again.words
        assert kept == 0 or f"{kept} of 3 cases kept from an earlier run" in again.words
        assert figures(folder) == figures(whole), fault
        assert list((folder / "kept").glob("*.part")) == []


def test_a_damaged_kept_result_is_run_again(
    server: Server, works: Path, studied: tuple[Path, float], tmp_path: Path
) -> None:
    """Results cut short, emptied or overwritten by something else are told and run again."""
    shutil.copytree(studied[0] / "kept", tmp_path / "kept")
    for path, data in zip(
        sorted((tmp_path / "kept").glob("*.npz")), (b"", b"PK\x03\x04half", None), strict=True
    ):
        path.write_bytes(path.read_bytes()[:200] if data is None else data)
    ran = server.run(study_command(works, tmp_path), tmp_path)
    assert ran.code == 0, ran.words
    assert "3 kept results are damaged; these cases are run again" in ran.words
    assert figures(tmp_path) == figures(studied[0])


def test_two_studies_do_not_share_a_folder_of_kept_results(
    server: Server, works: Path, tmp_path: Path
) -> None:
    """While one study runs, a second one with the same kept results is refused in words."""
    with filelock.FileLock(tmp_path / ".kept.lock"):
        ran = server.run(study_command(works, tmp_path), tmp_path)
    assert ran.code == 2
    assert "another study keeps its results there: wait until it has finished" in ran.words
    assert not (tmp_path / "found").exists()


@pytest.mark.parametrize(
    ("call", "number"), [("fsync", errno.ENOSPC), ("mkdir", errno.EROFS), ("rename", errno.EIO)]
)
def test_a_full_or_broken_disk_is_told_and_leaves_the_old_plan(
    server: Server, works: Path, planned: tuple[Path, float], tmp_path: Path, call: str, number: int
) -> None:
    """Where the system refuses to write, the error says why and what to do, and the older plan stays."""
    target = tmp_path / "plan"
    shutil.copytree(planned[0], target)
    before = contents(target)
    ran = server.run(plan_command(works, target, replace=True), tmp_path, Fault(call, 1, number=number))
    assert ran.code == 2
    assert_no_traceback(ran)
    assert f"cannot be written ({os.strerror(number)}): check rights and free space of" in ran.words
    kept = [path for path in tmp_path.iterdir() if path.is_dir() and ".tmp-" not in path.name]
    assert [contents(path) for path in kept] == [before]


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_full_disk_stops_a_study_in_words(server: Server, works: Path, tmp_path: Path, call: str) -> None:
    """A result that cannot be kept ends the study with words; there is no part of it left."""
    ran = server.run(study_command(works, tmp_path), tmp_path, Fault(call, 2, number=errno.ENOSPC))
    assert ran.code == 2
    assert_no_traceback(ran)
    assert "a result cannot be kept there (No space left on device): check rights and free space" in ran.words
    assert len(list((tmp_path / "kept").glob("*.npz"))) == 1
    assert list((tmp_path / "kept").glob("*.part")) == []


def test_a_really_full_disk(server: Server, works: Path, tmp_path: Path) -> None:
    """On a file system of 200 kB a plan is refused in words and nothing is left of it."""
    place = tmp_path / "small"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(place)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("no right to mount a small file system")
    try:
        ran = server.run(plan_command(works, place / "plan"), tmp_path)
        assert ran.code == 2
        assert_no_traceback(ran)
        assert "cannot be written (No space left on device): check rights and free space" in ran.words
        assert [path.name for path in place.iterdir()] == [".plan.lock"]
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_a_really_read_only_folder(server: Server, works: Path, tmp_path: Path) -> None:
    """In a folder of a file system mounted read-only a plan is refused in words."""
    place = tmp_path / "fixed"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=200k,ro", "tmpfs", str(place)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("no right to mount a file system")
    try:
        ran = server.run(plan_command(works, place / "plan"), tmp_path)
        assert ran.code == 2
        assert_no_traceback(ran)
        assert "cannot be written (Read-only file system): check rights" in ran.words
    finally:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")
def test_words_that_cannot_be_printed_are_an_error_in_words(works: Path) -> None:
    """With standard output on a full disk the command says so on the other one, without a traceback."""
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(
            [sys.executable, "-m", "scheduler.cli.main", "check", str(works / "site.toml")],
            cwd=ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert ran.returncode == 2
    assert "No space left on device" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_two_runs_on_one_folder(
    server: Server, works: Path, planned: tuple[Path, float], tmp_path: Path
) -> None:
    """While another run writes to the folder, a run is refused in words; the older plan stays."""
    target = tmp_path / "plan"
    shutil.copytree(planned[0], target)
    with filelock.FileLock(tmp_path / ".plan.lock"):
        ran = server.run(plan_command(works, target, replace=True), tmp_path)
    assert ran.code == 2
    assert "another run is writing to this folder: wait until it has finished, or choose another" in ran.words
    assert_whole(target, planned[0])


@pytest.mark.parametrize(
    "fault", [Fault("fsync", 4, sign=signal.SIGINT), Fault("rename", 2, sign=signal.SIGINT)]
)
def test_stopped_by_hand(
    server: Server, works: Path, planned: tuple[Path, float], tmp_path: Path, fault: Fault
) -> None:
    """Ctrl-C while writing ends with exit code 130 and one sentence; only the older plan is there."""
    target = tmp_path / "plan"
    shutil.copytree(planned[0], target)
    before = contents(target)
    ran = server.run(plan_command(works, target, replace=True), tmp_path, fault)
    assert ran.code == 130, ran.words
    assert_no_traceback(ran)
    assert ran.words.endswith("Stopped. What was not written yet is not there.\n")
    assert contents(target) == before
    assert beside(target) == []


def test_copied_files_and_a_contract_file_appear_whole(server: Server, works: Path, tmp_path: Path) -> None:
    """`new` and `import-rate`, killed while they write, leave no folder or file of that name."""
    site = tmp_path / "site"
    assert server.run(["new", str(site)], tmp_path, Fault("fsync", 2)).code == KILLED
    assert not site.exists()
    assert server.run(["new", str(site)], tmp_path).code == 0
    assert (site / "site.toml").is_file()
    (tmp_path / "record.json").write_text('{"name": "a", "fixedmonthlycharge": 1.0}')
    rate = tmp_path / "rate.toml"
    command = ["import-rate", str(tmp_path / "record.json"), "--timezone", "UTC", "--out", str(rate)]
    full = server.run(command, tmp_path, Fault("fsync", 1, number=errno.ENOSPC))
    assert full.code == 2
    assert_no_traceback(full)
    assert not rate.exists()
    assert server.run(command, tmp_path, Fault("link", 1)).code == KILLED
    assert not rate.exists()


def alive(group: int) -> list[int]:
    """Return the processes of a group that still run."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(fields[2]) == group and fields[0] != "Z":
                found.append(int(entry.name))
    return found


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
def test_the_processes_of_a_killed_study_end(works: Path, tmp_path: Path) -> None:
    """SIGKILL to a study with two processes leaves none of them waiting for ever."""
    run = subprocess.Popen(
        [sys.executable, "-m", "scheduler.cli.main", *study_command(works, tmp_path, workers=2)],
        cwd=ROOT,
        start_new_session=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 120
    while len(alive(run.pid)) < 3 and run.poll() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    assert run.poll() is None
    # The processes of the pool have started: now they load, and watch.
    time.sleep(0.5)
    run.kill()
    run.wait()
    while alive(run.pid) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert alive(run.pid) == []
