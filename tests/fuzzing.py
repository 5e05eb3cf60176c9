"""Cases for the fuzz suite: a small valid works, hurt in 0 to 3 ways, run through the command line.

Owns the run of a case and the count of many; works, hurts and the judge are modules of their own. One case
again, with what it printed:

    python -m tests.fuzzing SEED

A long run: `python -m tests.fuzzing FIRST COUNT`.
"""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

import click
from click.testing import CliRunner

import scheduler.highs
import scheduler.report.files
from scheduler.cli.main import main
from tests.fuzz_hurt import HURT, VALID, content, holder, leaves, odd_cell, odd_rows, other_zone, toml_bytes
from tests.fuzz_judge import judged
from tests.fuzz_odd import ODD_VALUES, SECONDS, TEXTS, Row, Toml
from tests.fuzz_works import Drawn, Table, works

# ---------------------------------------------------------------- other commands


def record(rng: random.Random) -> Any:
    """Return a small rate record in the open JSON layout, hurt in 0 to 2 places."""
    rows = [[0] * 8 + [1] * 12 + [0] * 4 for _ in range(12)]
    made: Any = {
        "label": "invented",
        "utility": rng.choice(["Invented Power", *TEXTS]),
        "name": rng.choice(["Test rate", *TEXTS]),
        "energyratestructure": [
            [{"rate": 0.05, "unit": "kWh"}],
            [{"rate": 0.11, "adj": 0.01, "unit": "kWh"}],
        ],
        "energyweekdayschedule": rows[:12],
        "energyweekendschedule": [[0] * 24 for _ in range(12)],
        "flatdemandstructure": [[{"rate": 12.5}]],
        "flatdemandmonths": [0] * 12,
        "demandwindow": 15,
        "fixedmonthlycharge": 100.0,
    }
    for _ in range(rng.choice([0, 1, 1, 2])):
        path = rng.choice([*leaves(made), *((key,) for key in made)])
        try:
            box = holder(made, path)
            box[path[-1]] = rng.choice([v for v in ODD_VALUES if not isinstance(v, dt.date | dt.time)])
        except (KeyError, IndexError, TypeError):
            continue
    return made


def odd_data(rng: random.Random, data: bytes) -> bytes:
    """Damage some bytes now and then."""
    if rng.random() < 0.85 or not data:
        return data
    at = rng.randrange(len(data))
    return rng.choice(
        [
            data[:at],
            data[:at] + b"\0\xff" + data[at:],
            data[:at] + data,
            b"",
            b"[" * 100_000,
            data[at:],
            data.decode("utf-8", "replace").encode("utf-16"),
        ]
    )


def odd_table(rng: random.Random, rows: list[Row]) -> bytes:
    """Return a table hurt in 0 to 2 places."""
    box = Drawn(0)
    box.tables["x"] = Table(rows)
    for _ in range(rng.choice([0, 0, 0, 1, 2])):
        rng.choice([odd_cell, odd_rows, other_zone])(rng, box)
    return odd_data(rng, box.tables["x"].data())


def other_command(rng: random.Random, drawn: Drawn, folder: Path) -> list[str]:
    """Write the files of a command that plans nothing, and return the command."""
    site = folder / "site.toml"
    day = drawn.day
    out = str(folder / "out")
    write_files(drawn, folder)
    if drawn.command == "import-rate":
        data = json.dumps(record(rng), allow_nan=True).encode()
        (folder / "record.json").write_bytes(odd_data(rng, data))
        zone = rng.choice(["America/Chicago"] * 5 + ["Mars/Base", "../x", ""])
        return ["import-rate", str(folder / "record.json"), "--timezone", zone, "--out", f"{out}.toml"]
    if drawn.command == "bill":
        load = [
            {"start": f"{day}T{h:02}:00", "minutes": 60, "power_mw": rng.uniform(4, 7)} for h in range(24)
        ]
        (folder / "load.csv").write_bytes(odd_table(rng, load))
        lines = [
            {"component": c, "amount": rng.uniform(1, 9999), "label": rng.choice(["x", *TEXTS])}
            for c in ("spot", rng.choice(["demand", "=fee", "<b>"]))
        ]
        (folder / "invoice.csv").write_bytes(odd_table(rng, lines))
        return [
            "bill",
            str(site),
            str(folder / "load.csv"),
            "--invoice",
            str(folder / "invoice.csv"),
            "--out",
            out,
        ]
    if drawn.command == "calibrate":
        readings = [
            {
                "time": f"{day - dt.timedelta(days=1 + i // 4)}T{6 * (i % 4):02}:00",
                "circuit": "room_a",
                "load_ka": (load := rng.uniform(5, 15)),
                "cell_voltage_v": 2.45 + 0.12 * load / 2.8 + rng.gauss(0, 0.003),
                "temperature_c": 85.0,
            }
            for i in range(24)
        ]
        (folder / "readings.csv").write_bytes(odd_table(rng, readings))
        return ["calibrate", str(site), str(folder / "readings.csv"), "--out", out]
    if drawn.command == "tariffs":
        study: Toml = {
            "name": rng.choice(TEXTS),
            "look_ahead_days": 0,
            "site": [{"name": "a", "file": "site.toml"}],
            "prices": [{"name": "p", "file": "prices.csv", "first_day": day, "days": 1}],
            "contract": [{"name": rng.choice(["c", *TEXTS]), "file": "terms.toml"}],
        }
        for _ in range(rng.choice([0, 0, 1, 2])):
            path = rng.choice(list(leaves(study)))
            holder(study, path)[path[-1]] = rng.choice(ODD_VALUES)
        (folder / "study.toml").write_bytes(odd_data(rng, toml_bytes(study)))
        terms_ = {"name": "t", "currency": "XTS", "component": [{"kind": "spot", "name": "spot"}]}
        (folder / "terms.toml").write_bytes(toml_bytes(terms_))
        kept = str(folder / "kept")
        return ["tariffs", str(folder / "study.toml"), "--out", out, "--kept", kept, "--workers", "1"]
    if drawn.command in ("after", "replan"):
        return on_running_plan(rng, drawn, folder)
    return ["check", str(site)]


RUNNING: dict[str, bytes] = {}
"""Files of one works and its plan, made once a process."""


def on_running_plan(rng: random.Random, drawn: Drawn, folder: Path) -> list[str]:
    """Write a plan with its works, hurt some of it; return the command that looks at it."""
    if not RUNNING:
        make_running()
    shutil.rmtree(folder)
    for name, data in RUNNING.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    drawn.done = []
    if rng.random() < 0.5:
        name = rng.choice(["plan/plan.csv", "plan/plan.json", "site.toml", "stocks.csv", "prices.csv"])
        (folder / name).write_bytes(odd_data(rng, RUNNING[name]))
        drawn.done.append(f"damage of {name}")
    site, plan, out = (str(folder / name) for name in ("site.toml", "plan", "out"))
    if drawn.command == "replan":
        moment = rng.choice(
            ["2026-06-08T10:00"] * 4 + ["2026-06-08T10:07", "2026-06-09T10:00", "2026-06-08T23:00"]
        )
        return ["replan", site, "--earlier", plan, "--from", moment, "--out", out, "--seconds", "2"]
    rows: list[Row] = []
    for row in csv.DictReader(io.StringIO(RUNNING["plan/plan.csv"].decode())):
        head = {"start": row["start"], "minutes": int(row["minutes"])}
        load, power = float(row["room_a_load_ka"]), float(row["room_a_ac_power_mw"])
        rows.append({**head, "unit": "room_a", "load_ka": load, "power_mw": power * rng.uniform(0.98, 1.02)})
        rows.append({**head, "unit": "meter", "load_ka": "", "power_mw": float(row["meter_import_mw"])})
    (folder / "actuals.csv").write_bytes(odd_table(rng, rows))
    balance = [
        {"species": "Cl2", "item": rng.choice(["customers", *TEXTS]), "what": "sold", "quantity_t": 48.0},
        {"species": "Cl2", "item": "store", "what": "stock", "start_t": 30.0, "end_t": 29.0},
    ]
    (folder / "balance.csv").write_bytes(odd_table(rng, balance))
    files = ["--actuals", str(folder / "actuals.csv"), "--balance", str(folder / "balance.csv")]
    return ["after", plan, "--site", site, *files, "--out", out]


def make_running() -> None:
    """Plan one works and keep its files."""
    rng = random.Random(0)
    while True:
        drawn = Drawn(0)
        works(rng, drawn)
        if (
            drawn.kind == "store"
            and str(drawn.site["horizon"]["day"]) == "2026-06-08"
            and len(drawn.tables) == 2
        ):
            break
    drawn.site["horizon"].update(minutes=60, look_ahead_days=0)
    folder = Path(tempfile.mkdtemp(prefix="running"))
    try:
        write_files(drawn, folder)
        command = ["plan", str(folder / "site.toml"), "--out", str(folder / "plan")]
        made = CliRunner().invoke(main, command, catch_exceptions=False)
        if made.exit_code != 0:
            raise RuntimeError(made.output)
        RUNNING.update({str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()})
    finally:
        shutil.rmtree(folder)


# ---------------------------------------------------------------- a case


def draw(seed: int) -> tuple[random.Random, Drawn]:
    """Return a case and the random numbers to go on with."""
    rng = random.Random(seed)
    drawn = Drawn(seed)
    works(rng, drawn)
    drawn.command = rng.choices(
        ["plan", "sheet", "replan", "after", "check", "import-rate", "bill", "calibrate", "tariffs"],
        [73, 3, 3, 4, 2, 5, 4, 3, 3],
    )[0]
    for _ in range(rng.choice([0, 1, 1, 2, 3])):
        hurt = rng.random() < 0.3
        change = rng.choice(HURT if hurt else VALID)
        try:
            drawn.done.append(change(rng, drawn))
        except (KeyError, IndexError, ValueError, TypeError, AttributeError, OverflowError) as error:
            # An earlier change took away what this one would change.
            drawn.done.append(f"({change.__name__} not possible: {type(error).__name__})")
        drawn.damaged |= hurt
    return rng, drawn


def write_files(drawn: Drawn, folder: Path) -> None:
    """Write the files of a works into a folder."""
    named: dict[str, Any] = {}
    for role, table in drawn.tables.items():
        name = drawn.names.get(role, role + table.suffix)
        if not drawn.names.get(role) and table.suffix == ".xlsx":
            name = f"{role}.xlsx"
        if role != "contract":
            named[role] = name
        how = drawn.odd_paths.get(role, "")
        path = folder / name if "\0" not in name else folder / "nul"
        if how == "none" or os.path.lexists(path):
            continue
        if how == "folder":
            path.mkdir()
        elif how == "loop":
            path.symlink_to(path)
        elif how == "dangling":
            path.symlink_to(folder / "nowhere")
        elif how == "secret":
            path.symlink_to("/etc/passwd")
        elif how == "fifo":
            os.mkfifo(path)
        elif how != "missing":
            path.write_bytes(content(drawn, role))
    drawn.site.setdefault("files", {})
    if isinstance(drawn.site["files"], dict):
        drawn.site["files"].update(named)
    if drawn.files.get("site"):
        # Damage came before the files were known: name them in the damaged text as well.
        data = drawn.files["site"]
        extra = toml_bytes({"files": named}) if b"[files]" not in data else b""
        data = data + b"\n" + extra
    else:
        data = toml_bytes(drawn.site)
    (folder / "site.toml").write_bytes(data)


class Hang(BaseException):
    """A case took too long; not an Exception, so that nothing catches it."""


@contextmanager
def capped(seconds: int) -> Iterator[None]:
    """Raise `Hang` after so much time."""

    def stop(*_: object) -> None:
        raise Hang

    old = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, old)


@dataclass
class Ended:
    """What a case ended in."""

    drawn: Drawn
    exit_code: int
    solved: bool
    planned: bool
    faults: list[str]
    output: str

    def told(self) -> str:
        """Return the case in words, with the command that runs it again."""
        return (
            f"seed {self.drawn.seed} ({self.drawn.command}, {self.drawn.kind}; "
            f"{'; '.join(self.drawn.done)}): {'; '.join(self.faults)}\n"
            f"    again: python -m tests.fuzzing {self.drawn.seed}"
        )


def run_case(seed: int, keep: Path | None = None) -> Ended:
    """Draw a case, run it in this process and judge it."""
    folder = Path(tempfile.mkdtemp(prefix="case")) if keep is None else keep
    try:
        return _run(seed, folder)
    finally:
        if keep is None:
            shutil.rmtree(folder, ignore_errors=True)


def _stub(*given: object) -> None:
    next(path for path in given if isinstance(path, Path)).write_bytes(b"not drawn in this case")


def _run(seed: int, folder: Path) -> Ended:
    rng, drawn = draw(seed)
    out = folder / "out"
    if drawn.command in ("plan", "sheet"):
        write_files(drawn, folder)
        command = [drawn.command, str(folder / "site.toml"), "--out", str(out), "--seconds", "2"]
        if drawn.command == "sheet":
            rows = [
                {
                    "start": f"{drawn.day}T{h:02}:00",
                    "minutes": 60,
                    "circuit": "room_a",
                    "load_ka": rng.uniform(10, 11),
                }
                for h in range(24)
            ]
            (folder / "sheet.csv").write_bytes(odd_table(rng, rows))
            command.insert(2, str(folder / "sheet.csv"))
    else:
        command = other_command(rng, drawn, folder)
    solves: list[int] = []
    solve = scheduler.highs.Solver.solve

    def counted(self: Any, *args: Any, **more: Any) -> Any:
        solves.append(1)
        return solve(self, *args, **more)

    faults: list[str] = []
    # Chart, PDF and workbook take longer than all else: one case in twenty writes them, and, but for the
    # chart, every case with strange text.
    texts = any("text" in done or "markup" in done for done in drawn.done)
    dear = [
        mock.patch.object(scheduler.report.files, name, _stub)
        for name, kept in (("write_chart", False), ("write_sheet_pdf", texts), ("write_workbook", texts))
        if not kept and seed % 20
    ]
    with contextlib.ExitStack() as stack:
        for patch in (mock.patch.object(scheduler.highs.Solver, "solve", counted), *dear):
            stack.enter_context(patch)
        stack.enter_context(warnings.catch_warnings())
        warnings.simplefilter("error")
        try:
            with capped(SECONDS):
                result = CliRunner().invoke(main, command)
        except Hang:
            return Ended(drawn, -1, bool(solves), False, [f"no end within {SECONDS} s"], "")
    output = result.output
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        shown = "".join(traceback.format_exception(result.exception)[-4:])
        faults.append(f"traceback {type(result.exception).__name__}: {str(result.exception)[:200]}")
        output += shown
    faults += judged(drawn, folder, out, result.exit_code, result.stdout, result.stderr)
    planned = drawn.command in ("plan", "sheet", "replan") and (out / "plan.csv").is_file()
    return Ended(drawn, result.exit_code, bool(solves), planned, faults, output)


# ---------------------------------------------------------------- counting


@dataclass
class Count:
    """How many cases ended where."""

    cases: int = 0
    solved: int = 0
    planned: int = 0
    codes: Counter[int] = field(default_factory=Counter)
    failed: list[Ended] = field(default_factory=list)

    def add(self, ended: Ended) -> None:
        """Count one case."""
        self.cases += 1
        self.solved += ended.solved
        self.planned += ended.planned
        self.codes[ended.exit_code] += 1
        if ended.faults:
            self.failed.append(ended)

    def told(self) -> str:
        """Return the shares in words."""
        return (
            f"{self.cases} cases: {self.solved / self.cases:.1%} reached the solver, "
            f"{self.planned / self.cases:.1%} a plan; exit codes {dict(sorted(self.codes.items()))}; "
            f"{len(self.failed)} failed"
        )


def run_cases(first: int, count: int) -> Count:
    """Run cases of consecutive seeds."""
    total = Count()
    for seed in range(first, first + count):
        total.add(run_case(seed))
    return total


if __name__ == "__main__":
    if len(sys.argv) == 2:
        kept = Path(tempfile.mkdtemp(prefix="fuzz"))
        ended_ = run_case(int(sys.argv[1]), kept)
        click.echo(f"{ended_.output}\n{ended_.told()}\nexit code {ended_.exit_code}; files in {kept}")
        sys.exit(bool(ended_.faults))
    total_ = Count()
    for seed_ in range(int(sys.argv[1]), int(sys.argv[1]) + int(sys.argv[2])):
        ended_ = run_case(seed_)
        total_.add(ended_)
        if ended_.faults:
            print(ended_.told(), flush=True)
    print(total_.told())
