"""The commands end to end on a small invented site: folders, exit codes, what goes to which stream."""

from __future__ import annotations

import csv
import json
import zipfile
from collections.abc import Mapping
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from scheduler.cli.main import main
from scheduler.errors import FolderError
from scheduler.folder import check_before

SITE = """
name = "Toy works"
timezone = "Europe/Vienna"
currency = "XTS"
notes = ["All values are invented."]

[horizon]
day = 2026-06-08
look_ahead_days = 0

[files]
prices = "prices.csv"
stocks = "stocks.csv"

[[unit]]
kind = "circuit"
name = "room"
technology = "membrane_zero_gap"
salt = "NaCl"
cells_in_series = 150
area_m2 = 2.5
density_min_ka_per_m2 = 2.0
density_max_ka_per_m2 = 6.0
voltage = { intercept_v = 2.4, k_v_m2_per_ka = 0.12 }
efficiency = { ce0 = 1.0 }
rectifier = { units = 1, unit_load_max_ka = 100.0, dc_voltage_max_v = 1000.0 }
alkali = "naoh_32"
chlorine = "chlorine"
step_ka = 0.5

[[unit]]
kind = "own_use"
name = "use"
commodity = "chlorine"
rate_per_h = 2.0

[[unit]]
kind = "product_store"
name = "store"
commodity = "chlorine"
min_t = 0.0
max_t = 60.0
end_min_t = 25.0

[[unit]]
kind = "outlet"
name = "alkali_out"
commodity = "naoh_32"
rate_max_per_h = 1000.0

[[unit]]
kind = "outlet"
name = "hydrogen_out"
commodity = "hydrogen"
rate_max_per_h = 100000.0

[[unit]]
kind = "site_meter"
name = "meter"
import_max_mw = 50.0

[contract]
name = "Index"
[[contract.component]]
kind = "spot"
name = "spot"
"""

PRICE = (62, 58, 51, 49, 50, 55, 70, 88, 84, 61, 40, 22, 12, 9, 15, 30, 52, 75, 97, 110, 92, 80, 71, 64)
PRICES = "start,minutes,price_per_mwh\n" + "".join(
    f"2026-06-08T{hour:02d}:00,60,{price}.5\n" for hour, price in enumerate(PRICE)
)
FILES = {"site.toml": SITE, "prices.csv": PRICES, "stocks.csv": "tank,level_t\nstore,30\n"}
HANDOFFS = (
    "HANDOFFS.txt",
    "nomination.csv",
    "utilities_forecast.csv",
    "loading_per_shift.csv",
    "rectifiers.csv",
)
LISTED = (
    "plan.csv",
    "plan.json",
    "chart.png",
    "summary.txt",
    "page.html",
    "plan.xlsx",
    "sheet.pdf",
    "sheet.html",
    *HANDOFFS,
    "inputs.zip",
)
PLAN_NAMES = set(LISTED)


def lay(folder: Path, changed: Mapping[str, str] | None = None) -> Path:
    """Write the files of the site, some changed or added, and return the site file."""
    for name, text in {**FILES, **(changed or {})}.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder / "site.toml"


def run(*words: str | Path) -> Result:
    """Run the command in this process; what is not an exit code is a bug and is raised."""
    result = CliRunner().invoke(main, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def names(folder: Path) -> set[str]:
    """Return the names in a folder."""
    return {entry.name for entry in folder.iterdir()}


def table(folder: Path, name: str = "plan.csv") -> list[dict[str, str]]:
    """Return the rows of a plan's table."""
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Result]:
    """Return site file, plan folder and result of one run; nothing may change them."""
    folder = tmp_path_factory.mktemp("works")
    site = lay(folder)
    result = run("plan", site, "--out", folder / "out")
    return site, folder / "out", result


# ---------------------------------------------------------------- plan


def test_plan_writes_its_folder(planned: tuple[Path, Path, Result]) -> None:
    """Exit 0, four files, no trace beside them but the lock, loads on steps and inside their range."""
    site, out, result = planned
    assert result.exit_code == 0
    assert names(out) == PLAN_NAMES
    assert names(site.parent) == {*FILES, "out", ".out.lock"}
    rows = table(out)
    assert len(rows) == 24
    loads = [float(row["room_load_ka"]) for row in rows]
    assert all(5.0 <= load <= 15.0 and (2 * load) % 1 == 0 for load in loads)
    assert rows[0]["start"] == "2026-06-08T00:00+02:00"
    assert (out / "chart.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert json.loads((out / "plan.json").read_text(encoding="utf-8"))


def test_the_page_goes_to_stdout_and_progress_to_stderr(planned: tuple[Path, Path, Result]) -> None:
    """What a person reads or pipes stands on stdout; stderr has progress only."""
    _, out, result = planned
    assert result.stderr == "reading ...\nplanning 24 intervals ...\nwriting ...\n"
    assert result.stdout.startswith("PLAN: all duties met, all limits kept.")
    assert "reading ..." not in result.stdout
    written = ", ".join(LISTED)
    assert f"Written to {out}: {written}\n" in result.stdout
    summary = (out / "summary.txt").read_text(encoding="utf-8")
    assert result.stdout.startswith(summary.rstrip("\n"))
    assert "Cautions:" in summary


def test_two_runs_write_the_same_bytes(planned: tuple[Path, Path, Result]) -> None:
    """Table and document have no clock and no chance in them."""
    site, out, _ = planned
    again = site.parent.parent / "again"
    again.mkdir()
    assert run("plan", site, "--out", again / "out").exit_code == 0
    for name in ("plan.csv", "plan.json", "summary.txt", "page.html", "plan.xlsx", "sheet.pdf", "sheet.html"):
        assert (again / "out" / name).read_bytes() == (out / name).read_bytes(), name


def test_an_existing_folder_is_left_untouched(tmp_path: Path) -> None:
    """Exit 2 and every byte of the folder as it was."""
    site = lay(tmp_path)
    out = tmp_path / "out"
    out.mkdir()
    (out / "plan.csv").write_text("mine", encoding="utf-8")
    result = run("plan", site, "--out", out)
    assert result.exit_code == 2
    assert f"Error: {out}: exists already" in result.stderr
    assert "Error" not in result.stdout
    assert names(out) == {"plan.csv"}
    assert (out / "plan.csv").read_text(encoding="utf-8") == "mine"


def test_replace_replaces_an_older_plan_and_nothing_else(tmp_path: Path) -> None:
    """With --replace an older plan goes; a folder with a file of somebody else stays, exit 2."""
    site = lay(tmp_path)
    out = tmp_path / "out"
    out.mkdir()
    (out / "not_a_plan.csv").write_text("old", encoding="utf-8")
    assert run("plan", site, "--out", out, "--replace").exit_code == 0
    assert names(out) == PLAN_NAMES
    (out / "notes.txt").write_text("mine", encoding="utf-8")
    before = (out / "plan.json").read_bytes()
    result = run("plan", site, "--out", out, "--replace")
    assert result.exit_code == 2
    assert "'notes.txt'" in result.stderr
    assert names(out) == {*PLAN_NAMES, "notes.txt"}
    assert (out / "plan.json").read_bytes() == before


def test_a_missing_parent_is_told(tmp_path: Path) -> None:
    """No folders are made above the plan's own: exit 2, nothing made."""
    site = lay(tmp_path)
    result = run("plan", site, "--out", tmp_path / "deep" / "out")
    assert result.exit_code == 2
    assert "is not a folder: make it first" in result.stderr
    assert not (tmp_path / "deep").exists()


def test_a_plan_in_the_working_folder_is_named_by_its_day(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without --out the folder is plan_DAY."""
    site = lay(tmp_path)
    monkeypatch.chdir(tmp_path)
    assert run("plan", site).exit_code == 0
    assert names(tmp_path / "plan_2026-06-08") == PLAN_NAMES


def test_a_broken_limit_ends_with_3_and_another_name_of_the_table(tmp_path: Path) -> None:
    """A store of 60 t at 60 t, used by less than the least load makes: no plan.csv that could be run."""
    full = {
        "site.toml": SITE.replace("rate_per_h = 2.0", "rate_per_h = 0.5"),
        "stocks.csv": "tank,level_t\nstore,60\n",
    }
    result = run("plan", lay(tmp_path, full), "--out", tmp_path / "out")
    assert result.exit_code == 3
    kept = PLAN_NAMES - set(HANDOFFS) - {"plan.csv", "plan.xlsx", "sheet.pdf", "sheet.html"}
    assert names(tmp_path / "out") == kept | {"not_a_plan.csv", "not_a_plan.xlsx"}
    assert result.stdout.startswith("NOT A PLAN: ")
    assert "DO NOT RUN THIS" in result.stdout
    assert "above its upper limit" in " ".join(result.stdout.split())


def test_a_missed_duty_ends_with_3(tmp_path: Path) -> None:
    """An end stock out of reach is a plan with misses: plan.csv, exit 3, the miss on the page."""
    short = {"site.toml": SITE.replace("end_min_t = 25.0", "end_min_t = 59.0")}
    result = run("plan", lay(tmp_path, short), "--out", tmp_path / "out")
    assert result.exit_code == 3
    assert names(tmp_path / "out") == PLAN_NAMES
    assert result.stdout.startswith("MISSED DUTIES")


def bad_files() -> dict[str, str]:
    """Return files with a problem each."""
    return {
        "site.toml": SITE.replace("cells_in_series = 150", "cells_in_series = 0").replace(
            "import_max_mw", "import_mx"
        ),
        "prices.csv": PRICES.replace(",60,62.5", ",60,dear"),
        "stocks.csv": "tank,level_t\nstore,-1\n",
    }


@pytest.mark.parametrize("command", ["plan", "check"])
def test_bad_input_tells_every_problem_and_makes_nothing(command: str, tmp_path: Path) -> None:
    """Exit 2; all problems of all files on stderr, no traceback, nothing on stdout, no folder."""
    site = lay(tmp_path, bad_files())
    more = ("--out", tmp_path / "out") if command == "plan" else ()
    result = run(command, site, *more)
    assert result.exit_code == 2
    assert result.stdout == ""
    for part in ("problems in the inputs", "'cells_in_series'", "import_mx", "'dear'", "level_t"):
        assert part in result.stderr
    assert "Traceback" not in result.stderr
    assert names(tmp_path) == set(FILES)


def test_a_contradiction_found_while_planning_is_bad_input(tmp_path: Path) -> None:
    """A limit of today below the least load is told as a problem of the inputs: exit 2, no folder."""
    limit = "unit,what,value,start,end,note\nroom,load_max_ka,3,2026-06-08T08:00,2026-06-08T12:00,\n"
    site = lay(tmp_path, {"today.csv": limit})
    result = run("plan", site, "--availability", tmp_path / "today.csv", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "allows 3.0 kA, below the least load 5.0 kA" in result.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("plan", "nowhere.toml"), "does not exist"),
        (("plan",), "Missing argument"),
        (("plan", "SITE", "--day", "tomorrow"), "Invalid value for '--day'"),
        (("plan", "SITE", "--seconds", "0"), "Invalid value for '--seconds'"),
        (("plan", "SITE", "--contract", "SITE", "--contract", "SITE"), "name one contract file"),
        (("replan", "SITE", "--out", "x"), "Missing option '--earlier'"),
        (("sheet", "SITE", "nowhere.csv", "--out", "x"), "does not exist"),
        (("brew",), "No such command"),
    ],
)
def test_wrong_use_ends_with_2(words: tuple[str, ...], part: str, tmp_path: Path) -> None:
    """A command line that cannot be meant is told in words on stderr."""
    site = str(lay(tmp_path))
    result = run(*(site if word == "SITE" else word for word in words))
    assert result.exit_code == 2
    assert part in result.stderr
    assert result.stdout == ""


# ---------------------------------------------------------------- check, demo, help


def test_check_says_what_was_read(tmp_path: Path) -> None:
    """Exit 0 and one line with units, intervals and start; nothing is written."""
    result = run("check", lay(tmp_path))
    assert result.exit_code == 0
    assert result.stdout == (
        "Toy works: 6 units and orders, 24 intervals from 2026-06-08T00:00+02:00: no problem found\n"
    )
    assert names(tmp_path) == set(FILES)


def test_check_of_another_day_misses_its_prices(tmp_path: Path) -> None:
    """--day is the day that is checked: there are no prices for it."""
    result = run("check", lay(tmp_path), "--day", "2026-06-09")
    assert result.exit_code == 2
    assert "day_ahead" in result.stderr


def test_demo_is_copied_and_checked(tmp_path: Path) -> None:
    """The copy is a site that reads without a problem; a second copy to the same place is refused."""
    copy = tmp_path / "mine"
    result = run("demo", "--copy", copy)
    assert result.exit_code == 0
    assert result.stdout == ""
    assert str(copy / "site.toml") in result.stderr
    assert {"site.toml", "prices.csv", "stocks.csv", "orders.csv"} <= names(copy)
    assert not any(name.endswith(".py") or name == "__pycache__" for name in names(copy))
    assert run("check", copy / "site.toml").exit_code == 0
    (copy / "prices.csv").write_text("mine", encoding="utf-8")
    again = run("demo", "--copy", copy)
    assert again.exit_code == 2
    assert "name a folder that does not exist yet" in again.stderr
    assert (copy / "prices.csv").read_text(encoding="utf-8") == "mine"


def test_help_lists_the_commands_and_the_exit_codes() -> None:
    """The first page names every command and what an exit code means."""
    result = run("--help")
    assert result.exit_code == 0
    commands = result.stdout.split("Commands:")[1]
    for name in ("check", "demo", "plan", "replan", "sheet"):
        assert f"\n  {name} " in commands
        assert run(name, "--help").exit_code == 0
    assert "Exit codes: 0 done; 1 a bug; 2 wrong use or bad input; 3 a duty is missed or NOT A PLAN" in (
        " ".join(result.stdout.split())
    )
    assert "A plan is advice" in result.stdout
    assert run("--version").stdout.startswith("brinewatt, version ")


# ---------------------------------------------------------------- replan, sheet


def level_before(out: Path, hour: int) -> str:
    """Return the store's level at the start of an hour of a plan."""
    return f"tank,level_t\nstore,{table(out)[hour - 1]['store_level_t']}\n"


def test_replan_without_news_carries_on(planned: tuple[Path, Path, Result], tmp_path: Path) -> None:
    """From the plan's own stock at ten o'clock: 14 hours, the first load kept, hardly any money."""
    _, out, _ = planned
    site = lay(tmp_path, {"now.csv": level_before(out, 10)})
    result = run(
        "replan", site, "--earlier", out, "--from", "2026-06-08T10:00", "--stocks", tmp_path / "now.csv",
        "--out", tmp_path / "rest",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert names(tmp_path / "rest") == {*PLAN_NAMES, "difference.csv"}
    rows = table(tmp_path / "rest")
    assert len(rows) == 14
    assert rows[0]["room_load_ka"] == table(out)[10]["room_load_ka"]
    assert "Against the earlier plan:" in result.stdout
    assert "against carrying on" in result.stdout
    page = (tmp_path / "rest" / "summary.txt").read_text(encoding="utf-8")
    assert "Against the earlier plan:" in page


def test_replan_values_what_is_left_of_the_day(planned: tuple[Path, Path, Result], tmp_path: Path) -> None:
    """`--values` of ten o'clock: 1 MW more over the 14 hours left costs their prices, summed by hand."""
    _, out, _ = planned
    site = lay(tmp_path, {"now.csv": level_before(out, 10)})
    result = run(
        "replan", site, "--earlier", out, "--from", "2026-06-08T10:00", "--stocks", tmp_path / "now.csv",
        "--out", tmp_path / "rest", "--values",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    rows = {row["number"]: row for row in table(tmp_path / "rest", "values.csv")}
    left = [float(line.split(",")[2]) for line in PRICES.splitlines()[11:25]]
    assert float(rows["power.demand"]["up_cost_per_unit"]) == pytest.approx(sum(left), rel=0.01)
    assert "store_level.start" in rows


def test_replan_tells_loads_reasons_and_money(planned: tuple[Path, Path, Result], tmp_path: Path) -> None:
    """With a limit of 8 kA from noon to four the cheap hours are cut: each hour has its reason."""
    _, out, _ = planned
    limit = "unit,what,value,start,end,note\nroom,load_max_ka,8,2026-06-08T12:00,2026-06-08T16:00,cleaning\n"
    site = lay(tmp_path, {"now.csv": level_before(out, 10), "today.csv": limit})
    result = run(
        "replan", site, "--earlier", out, "--from", "2026-06-08T10:00+02:00",
        "--stocks", tmp_path / "now.csv",
        "--availability", tmp_path / "today.csv", "--freeze", "60", "--out", tmp_path / "rest",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "carrying on is not possible: availability of room" in result.stdout
    differences = {row["start"]: row for row in table(tmp_path / "rest", "difference.csv")}
    noon = differences["2026-06-08T12:00+02:00"]
    assert noon["reason"] == "availability now allows 8.0 kA"
    assert noon["earlier_load_ka"] == table(out)[12]["room_load_ka"]
    assert float(noon["new_load_ka"]) <= 8.0
    assert "2026-06-08T10:00+02:00" not in differences


def test_replan_freezes_as_long_as_it_is_told(planned: tuple[Path, Path, Result], tmp_path: Path) -> None:
    """At ten the prices turn over: with 180 minutes frozen three hours stay as they were, the rest moves."""
    _, out, _ = planned
    turned = "start,minutes,price_per_mwh\n" + "".join(
        f"2026-06-08T{hour:02d}:00,60,{130 - price}.5\n" for hour, price in enumerate(PRICE)
    )
    site = lay(tmp_path, {"now.csv": level_before(out, 10), "turned.csv": turned})
    loads = {}
    for minutes in ("30", "180"):
        result = run(
            "replan", site, "--earlier", out, "--from", "2026-06-08T10:00", "--stocks", tmp_path / "now.csv",
            "--prices", tmp_path / "turned.csv", "--freeze", minutes, "--out", tmp_path / minutes,
        )  # fmt: skip
        assert result.exit_code == 0, result.output
        loads[minutes] = [row["room_load_ka"] for row in table(tmp_path / minutes)]
    running = [row["room_load_ka"] for row in table(out)[10:]]
    assert loads["180"][:3] == running[:3]
    assert loads["30"][1:3] != running[1:3]
    assert loads["180"][3:] != running[3:]


def test_replan_holds_locked_hours(planned: tuple[Path, Path, Result], tmp_path: Path) -> None:
    """A load in --locks stands in the new plan as it is."""
    _, out, _ = planned
    locked = "start,minutes,circuit,load_ka\n2026-06-08T14:00,60,room,9.5\n"
    site = lay(tmp_path, {"now.csv": level_before(out, 10), "locks.csv": locked})
    result = run(
        "replan", site, "--earlier", out, "--from", "2026-06-08T10:00", "--stocks", tmp_path / "now.csv",
        "--locks", tmp_path / "locks.csv", "--out", tmp_path / "rest",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert table(tmp_path / "rest")[4]["room_load_ka"] == "9.500000"


@pytest.mark.parametrize(
    ("start", "part"),
    [("2026-06-08T10:20", "no interval of the plan day starts at"), ("soon", "Invalid value for '--from'")],
)
def test_replan_from_no_interval_is_refused(
    start: str, part: str, planned: tuple[Path, Path, Result], tmp_path: Path
) -> None:
    """A start that is not the start of an interval is told; nothing is written."""
    _, out, _ = planned
    result = run("replan", lay(tmp_path), "--earlier", out, "--from", start, "--out", tmp_path / "rest")
    assert result.exit_code == 2
    assert part in result.stderr
    assert not (tmp_path / "rest").exists()


def test_replan_from_a_folder_without_a_plan_is_refused(tmp_path: Path) -> None:
    """An --earlier without plan.csv, as of a NOT A PLAN, is bad input."""
    (tmp_path / "empty").mkdir()
    result = run(
        "replan", lay(tmp_path), "--earlier", tmp_path / "empty", "--from", "2026-06-08T10:00",
        "--out", tmp_path / "rest",
    )  # fmt: skip
    assert result.exit_code == 2
    assert "name the folder of a plan" in result.stderr


def sheet_of(rows: list[dict[str, str]], loads: Mapping[int, str] | None = None) -> str:
    """Return a sheet with the loads of a plan's table, some changed."""
    lines = ["start,minutes,circuit,load_ka"]
    for hour, row in enumerate(rows):
        lines.append(f"{row['start']},60,room,{(loads or {}).get(hour, row['room_load_ka'])}")
    return "\n".join(lines) + "\n"


def test_the_plans_own_loads_as_a_sheet_cost_the_same(
    planned: tuple[Path, Path, Result], tmp_path: Path
) -> None:
    """The plan judged as a sheet breaks nothing and costs what the plan costs."""
    _, out, _ = planned
    site = lay(tmp_path, {"sheet.csv": sheet_of(table(out))})
    result = run("sheet", site, tmp_path / "sheet.csv", "--out", tmp_path / "judged")
    assert result.exit_code == 0, result.output
    page = result.stdout
    assert "Your sheet against the plan for the same day:" in page
    assert "breaks no limit and misses no duty." in page
    assert ": 0.00 more." in page
    assert names(tmp_path / "judged") == PLAN_NAMES
    written = [row["room_load_ka"] for row in table(tmp_path / "judged")]
    assert written == [row["room_load_ka"] for row in table(out)]


def test_a_sheet_above_the_range_is_no_plan(planned: tuple[Path, Path, Result], tmp_path: Path) -> None:
    """15.5 kA at noon, where 15 are allowed: exit 3, the limit and the hour on the page, not_a_plan.csv."""
    _, out, _ = planned
    site = lay(tmp_path, {"sheet.csv": sheet_of(table(out), {12: "15.5"})})
    result = run("sheet", site, tmp_path / "sheet.csv", "--out", tmp_path / "judged")
    assert result.exit_code == 3
    assert "not_a_plan.csv" in names(tmp_path / "judged")
    assert "breaks current density of room, by 0.2 kA/m2 at Mon 8 Jun 12:00+02:00" in result.stdout


def test_a_sheet_with_problems_is_refused(tmp_path: Path) -> None:
    """A load that is no number and a circuit that does not exist are both told."""
    rows = "start,minutes,circuit,load_ka\n2026-06-08T00:00,60,room,much\n2026-06-08T01:00,60,rom,9\n"
    site = lay(tmp_path, {"sheet.csv": rows})
    result = run("sheet", site, tmp_path / "sheet.csv", "--out", tmp_path / "judged")
    assert result.exit_code == 2
    assert "'much'" in result.stderr
    assert "'rom'" in result.stderr
    assert not (tmp_path / "judged").exists()


def test_a_load_at_a_ceiling_survives_the_table(tmp_path: Path) -> None:
    """A room without steps that runs at its DC voltage limit: the plan's own table as a sheet is a plan."""
    room = SITE.replace("step_ka = 0.5\n", "").replace(
        "dc_voltage_max_v = 1000.0", "dc_voltage_max_v = 445.0"
    )
    site = lay(tmp_path, {"site.toml": room})
    assert run("plan", site, "--out", tmp_path / "out").exit_code == 0
    (tmp_path / "sheet.csv").write_text(sheet_of(table(tmp_path / "out")), encoding="utf-8")
    assert run("sheet", site, tmp_path / "sheet.csv", "--out", tmp_path / "judged").exit_code == 0


def test_the_running_plan_tells_the_load_before(planned: tuple[Path, Path, Result], tmp_path: Path) -> None:
    """Actual loads end yesterday at 5 kA; the plan ran at 10.5 kA at nine, and the ramp starts there."""
    _, out, _ = planned
    ramped = SITE.replace("step_ka = 0.5", "ramp_ka_per_min = 0.025\nramp_minutes = 60.0")
    old = "start,minutes,circuit,load_ka\n2026-06-07T23:00,60,room,5\n"
    running = sheet_of(table(out), dict.fromkeys(range(24), "10.5"))
    files = {"site.toml": ramped, "loads.csv": old, "sheet.csv": running}
    site = lay(tmp_path, {**files, "now.csv": "tank,level_t\nstore,30\n"})
    assert run("sheet", site, tmp_path / "sheet.csv", "--out", tmp_path / "flat").exit_code == 0
    words = (
        "replan", site, "--earlier", tmp_path / "flat", "--from", "2026-06-08T10:00",
        "--stocks", tmp_path / "now.csv",
    )  # fmt: skip
    if run(*words, "--out", tmp_path / "rest").exit_code:
        pytest.fail("without old loads the rest of the day must be a plan")
    assert run(*words, "--loads", tmp_path / "loads.csv", "--out", tmp_path / "old").exit_code == 0


def test_a_folder_that_exists_is_refused_before_planning(tmp_path: Path) -> None:
    """Nobody waits for a plan that cannot be written: the refusal comes before the search."""
    target = tmp_path / "there"
    target.mkdir()

    with pytest.raises(FolderError, match="exists already"):
        check_before(target, replace=False, ours=())
    check_before(target, replace=True, ours=())
    with pytest.raises(FolderError, match="its parent"):
        check_before(tmp_path / "nowhere" / "plan", replace=False, ours=())


def test_robustness_writes_text_table_and_chart(tmp_path: Path) -> None:
    """The command prints whether the bound is met, and writes a row for each limit and margin."""
    out = tmp_path / "robust"
    result = run("robustness", lay(tmp_path), "--days", "10", "--seed", "3", "--out", out)
    assert result.exit_code == 0
    assert "the bound" in result.stdout
    assert "(seed 3)" in result.stdout
    assert names(out) == {"robustness.csv", "robustness.txt", "robustness.png"}
    rows = table(out, "robustness.csv")
    assert {row["margins"] for row in rows} == {"1", "0", "2"}
    assert "store too low" in {row["limit"] for row in rows}
    assert run("robustness", lay(tmp_path), "--days", "2", "--out", out).exit_code == 2


def test_limits_prints_a_value_for_each(tmp_path: Path) -> None:
    """The command prints the table and, asked for it, writes the same as files."""
    result = run("limits", lay(tmp_path), "--out", tmp_path / "limits")
    assert result.exit_code == 0
    assert "DC voltage of room" in result.stdout
    rows = table(tmp_path / "limits", "limits.csv")
    assert [row["limit"] for row in rows] == ["DC voltage of room", "upper level of store"]
    assert {row["comparable"] for row in rows} == {"1"}


def test_values_are_published_with_the_plan_on_request(tmp_path: Path) -> None:
    """`--values` puts the table on the page, into the workbook and into values.csv; without, a hint."""
    site, out = lay(tmp_path), tmp_path / "out"
    result = run("plan", site, "--out", out, "--values")
    assert result.exit_code == 0
    assert names(out) == {*PLAN_NAMES, "values.csv"}
    rows = {row["number"]: row for row in table(out, "values.csv")}
    assert float(rows["power.demand"]["up_cost_per_unit"]) > 0
    page = (out / "page.html").read_text(encoding="utf-8")
    assert "demand for power" in page
    assert "plan with --values" not in page
    with zipfile.ZipFile(out / "plan.xlsx") as book:
        assert "demand for power" in book.read("xl/sharedStrings.xml").decode()


def test_why_shows_the_load_of_a_plan_made_with_the_same_files(
    planned: tuple[Path, Path, Result], tmp_path: Path
) -> None:
    """A copy of a file is the same file; with other prices the answer would be of another plan: refused."""
    site, folder, _ = planned
    same, dear = tmp_path / "same.csv", tmp_path / "dear.csv"
    same.write_text(PRICES, encoding="utf-8")
    dear.write_text(PRICES.replace(",60,62.5", ",60,99.5"), encoding="utf-8")
    asked = ("why", site, "room", "10:00", "--plan", folder)
    assert run(*asked, "--prices", same).exit_code == 0
    refused = run(*asked, "--prices", dear)
    assert refused.exit_code == 2
    assert "dear.csv: is not the file of the role 'prices' that the plan in" in refused.stderr
    assert "prices.csv: (role 'prices') is what the plan in" in refused.stderr


def test_a_folder_without_a_record_explains_nothing(
    planned: tuple[Path, Path, Result], tmp_path: Path
) -> None:
    """Without plan.json nobody knows which files a plan was made with."""
    result = run("why", planned[0], "room", "10:00", "--plan", tmp_path)
    assert result.exit_code == 2
    assert "plan.json: cannot be read" in result.stderr
