"""Several files of one role: a later one lies over the earlier ones, openly and in a known order.

Expected values are counted by hand from the rows in each test.
"""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.horizon import Series
from scheduler.errors import InputError, Problem
from scheduler.read.earlier import check_same_inputs
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.read.problems import Problems
from scheduler.read.series import Point, join, laid_over
from tests.test_cli import lay
from tests.test_help import run

UTC = ZoneInfo("UTC")


def points(file: str, rows: list[tuple[int, int, float]]) -> list[Point]:
    """Return points of a file from starts, lengths in minutes and values."""
    return [
        Point("day_ahead", start, length, value, file, f"line {n}")
        for n, (start, length, value) in enumerate(rows, 2)
    ]


def laid(*files: list[tuple[int, int, float]]) -> tuple[list[tuple[int, int, float]], list[str]]:
    """Lay files over one another; return the intervals that hold, and the notes."""
    names = [f"{letter}.csv" for letter in "abc"[: len(files)]]
    notes: list[str] = []
    result = laid_over(
        [p for name, rows in zip(names, files, strict=True) for p in points(name, rows)], names, UTC, notes
    )
    return sorted((p.start_min, p.length_min, p.value) for p in result), notes


def test_a_quarter_over_an_hour_leaves_the_rest_of_the_hour() -> None:
    """Of 60 minutes at 10 with 15 at 2 from minute 15: 15 at 10, 15 at 2, 30 at 10; mean 8 by hand."""
    found, notes = laid([(0, 60, 10.0)], [(15, 15, 2.0)])
    assert found == [(0, 15, 10.0), (15, 15, 2.0), (30, 30, 10.0)]
    assert notes == [
        "'day_ahead': 1 interval from 1970-01-01T00:15+00:00 to 1970-01-01T00:30+00:00 comes from b.csv, in "
        "place of 1 value of a.csv, 1 of them in part"
    ]


def test_an_hour_over_quarters_takes_all_four() -> None:
    """Four quarters vanish below an hour; the quarter after it stays."""
    found, notes = laid([(15 * n, 15, float(n)) for n in range(5)], [(0, 60, 50.0)])
    assert found == [(0, 60, 50.0), (60, 15, 4.0)]
    assert "in place of 4 values of a.csv" in notes[0]


def test_the_last_of_three_holds_and_a_gap_in_it_is_told() -> None:
    """The third file has no value from 60 to 120: the second holds there, and the note says that it does."""
    hours = [0, 60, 120]
    found, notes = laid(
        [(h, 60, 1.0) for h in hours], [(h, 60, 2.0) for h in hours], [(0, 60, 3.0), (120, 60, 3.0)]
    )
    assert [value for _, _, value in found] == [3.0, 2.0, 3.0]
    assert notes[1].endswith(
        "in place of 2 values of b.csv; c.csv has 1 gap in between, where the earlier values hold"
    )


def test_files_that_only_touch_say_nothing() -> None:
    """Two months side by side lay nothing over anything."""
    assert laid([(0, 60, 1.0)], [(60, 60, 2.0)]) == ([(0, 60, 1.0), (60, 60, 2.0)], [])


ROWS = st.lists(st.tuples(st.integers(0, 40), st.sampled_from((1, 2, 4))), max_size=8)


def apart(rows: list[tuple[int, int]], value: float) -> list[tuple[int, int, float]]:
    """Return quarters of an hour that do not overlap: each row starts where it wants, or after the last."""
    result: list[tuple[int, int, float]] = []
    for start, length in sorted(rows):
        if not result or start * 15 >= result[-1][0] + result[-1][1]:
            result.append((start * 15, length * 15, value))
    return result


@given(ROWS, ROWS)
def test_every_minute_has_the_value_of_the_last_file_that_has_one(
    low: list[tuple[int, int]], high: list[tuple[int, int]]
) -> None:
    """Held against minutes painted one after another; the result is a series without overlap."""
    files = [apart(low, 1.0), apart(high, 2.0)]
    painted = {
        m: value for rows in files for start, length, value in rows for m in range(start, start + length)
    }
    found, _ = laid(*files)
    held = {m: value for start, length, value in found for m in range(start, start + length)}
    assert held == painted
    assert sum(length for _, length, _ in found) == len(painted)


def site_with_day(folder: Path) -> tuple[Path, Path]:
    """Return a site file, and a price file with hour 10 of its plan day at 99.25 and no other."""
    site = lay(folder)
    day = folder / "tomorrow.csv"
    day.write_text("start,minutes,price_per_mwh\n2026-06-08T10:00,60,99.25\n", encoding="utf-8")
    return site, day


def price_at(inputs: Inputs, hour: int) -> float:
    """Return the price of an hour of the plan day."""
    series: Series = inputs.situation.series["day_ahead"]
    return float(series.where_given(inputs.horizon)[1][hour])


def test_the_site_file_and_the_command_line_name_several(tmp_path: Path) -> None:
    """[files] prices = [...] and two --prices mean the same, and both digests are kept in their order."""
    site, day = site_with_day(tmp_path)
    own = tmp_path / "prices.csv"
    before = price_at(read_inputs(site), 10)
    by_line = read_inputs(site, overrides={"prices": [own, day]})
    site.write_text(
        site.read_text(encoding="utf-8").replace(
            'prices = "prices.csv"', 'prices = ["prices.csv", "tomorrow.csv"]'
        ),
        encoding="utf-8",
    )
    by_file = read_inputs(site)
    assert before != 99.25
    assert price_at(by_line, 10) == price_at(by_file, 10) == 99.25
    assert price_at(by_line, 9) == price_at(read_inputs(site, overrides={"prices": own}), 9)
    assert [key for key in by_file.digests if key.startswith("prices:")] == [
        "prices:prices.csv",
        "prices:tomorrow.csv",
    ]
    assert any(
        "1 interval from 2026-06-08T10:00" in note and "tomorrow.csv" in note for note in by_file.notes
    )


def test_check_takes_the_files_of_plan_and_names_the_way_out(tmp_path: Path) -> None:
    """A file for one hour alone is answered with the options that lay it over; with them all is well."""
    site, day = site_with_day(tmp_path)
    alone = run("check", site, "--prices", day)
    way = f"--prices {(tmp_path / 'prices.csv').as_posix()} --prices {day}"
    assert alone.exit_code == 2
    assert alone.stderr.count(way) == 1
    both = run("check", site, *way.split())
    assert both.exit_code == 0, both.output
    assert "1 interval from 2026-06-08T10:00" in both.stdout


def test_another_order_is_another_input(tmp_path: Path) -> None:
    """The same two price files the other way round are not those a plan was made with."""
    (tmp_path / "plan.json").write_text(
        '{"input_digests": {"prices:a.csv": "1", "prices:b.csv": "2"}}', encoding="utf-8"
    )
    check_same_inputs(tmp_path, {"prices:x/a.csv": "1", "prices:x/b.csv": "2"})
    with pytest.raises(InputError, match=r"in the order a\.csv, b\.csv"):
        check_same_inputs(tmp_path, {"prices:b.csv": "2", "prices:a.csv": "1"})


def test_two_values_of_one_file_stay_a_problem() -> None:
    """Laying over joins nothing inside a file."""
    problems = Problems()
    twice = laid_over(points("b.csv", [(0, 60, 1.0), (0, 60, 2.0)]), ["a.csv", "b.csv"], UTC, [])
    join(twice, None, UTC, problems, [])
    assert len(problems) == 1


def test_many_like_problems_are_told_as_one_with_count_and_last_place() -> None:
    """24 cells that are no number are one line; three are listed; a name in quotes is never joined."""
    problems = Problems()
    for line in range(2, 26):
        problems.add("p.csv", f"line {line}", f"must be a number (got '{line},5')")
    for line in (2, 3, 4):
        problems.add("q.csv", f"line {line}", "must be a number (got '1;5')")
    for name in ("tank_1", "tank_2", "tank_3", "tank_4", "tank_5"):
        problems.add("r.csv", "line 2", f"no such unit (got '{name}')")
    listed = problems.listed()
    assert listed[0] == Problem(
        "p.csv", "line 2", "must be a number (got '2,5') (and 23 more like this, the last at line 25)"
    )
    assert [problem.file for problem in listed] == ["p.csv"] + ["q.csv"] * 3 + ["r.csv"] * 5


def test_a_key_is_answered_by_its_unit_and_its_neighbours_in_the_same_round(tmp_path: Path) -> None:
    """A new tank with a wrong key, a wrong range, no stock, and a word for in_service: one round."""
    site = lay(tmp_path)
    tank = """
[[unit]]
kind = "alkali_tank"
name = "soda_new"
commodity = "naoh_32"
gross_m3 = 450.0
species = "NaOH"
strength_percent = 32.0
temperature_c = 70.0
min_percent = 120.0
max_percent = 90.0
"""
    site.write_text(site.read_text(encoding="utf-8") + tank, encoding="utf-8")
    outage = "unit,what,value,start,end\nroom,in_service,no,2026-06-08T08:00,2026-06-08T10:00\n"
    (tmp_path / "out.csv").write_text(outage, encoding="utf-8")
    text = run("check", site, "--availability", tmp_path / "out.csv").stderr
    assert "'gross_m3' is not a key here; did you mean 'tank_m3'?" in text
    assert "tank 'soda_new': the level at the start is missing" in text
    assert "must be 0 (out of service) or 1 (in service) for 'in_service' (got 'no')" in text
