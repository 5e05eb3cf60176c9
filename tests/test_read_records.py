from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Literal

import pytest

from models.checks import above, check
from scheduler.read.files import Source
from scheduler.read.problems import Problems
from scheduler.read.records import Toml, build, read_toml


@dataclass(frozen=True)
class Line:
    """A toy record inside another."""

    intercept_v: float
    k: float = 0.1

    def __post_init__(self) -> None:
        check(self, intercept_v=above(0, "V"), k=above(0, "V m2/kA"))


@dataclass(frozen=True)
class Machine:
    """A toy record with every shape of field."""

    name: str
    voltage: Line
    cells: int = 1
    salt: Literal["NaCl", "KCl"] = "NaCl"
    spare: Line | None = None
    steps: tuple[Line, ...] = ()
    days: tuple[dt.date, ...] = ()
    tags: str | tuple[str, ...] = ()
    running: bool = True
    limits: tuple[float, float] | None = None
    first: Line = field(default_factory=lambda: Line(1.0))


def parse(text: str) -> tuple[Toml, Problems]:
    """Return a TOML text as it is read."""
    problems = Problems()
    toml = read_toml(Source("site", "s.toml", text.encode()), problems)
    assert toml is not None
    return toml, problems


def machine(text: str) -> tuple[Machine | None, list[str]]:
    """Return the record of the first unit, and the problems."""
    toml, problems = parse(text)
    record = build(Machine, toml.values["unit"][0], toml.place("unit 'm'", ("unit", 0)), problems, ("kind",))
    return record, [str(problem) for problem in problems.listed()]


def test_a_table_becomes_the_record() -> None:
    """Nested tables, lists of tables, dates in both spellings and whole numbers for floats are read."""
    record, problems = machine(
        """
        [[unit]]
        name = "m"
        voltage = { intercept_v = 3, k = 0.09 }
        salt = "KCl"
        days = [2026-12-25, "2026-12-26"]
        tags = ["a"]
        limits = [1, 2.5]
        [[unit.steps]]
        intercept_v = 1.5
        [unit.spare]
        intercept_v = 2.5
        """
    )

    assert problems == []
    assert record == Machine(
        "m",
        Line(3.0, 0.09),
        salt="KCl",
        spare=Line(2.5),
        steps=(Line(1.5),),
        days=(dt.date(2026, 12, 25), dt.date(2026, 12, 26)),
        tags=("a",),
        limits=(1.0, 2.5),
    )


def test_every_wrong_key_is_told_with_its_path_and_line() -> None:
    """Types are strict, unknown keys have a close match, and all problems of a table come at once."""
    record, problems = machine(
        """
        [[unit]]
        nam = "m"
        cells = 2.0
        salt = "NaCI"
        days = ["26.12.2026"]
        running = 1
        limits = [1.0]
        tags = 4
        [unit.voltage]
        intercept_v = "3.1"
        kk = 1
        [[unit.steps]]
        k = 0.1
        [[unit.steps]]
        intercept_v = true
        """
    )

    assert record is None
    assert problems == [
        "s.toml, line 2, unit 'm' > name: 'name' is missing; write a value",
        "s.toml, line 11, unit 'm' > voltage.intercept_v: 'intercept_v' must be a number (got '3.1')",
        "s.toml, line 12, unit 'm' > voltage.kk: 'kk' is not a key here; did you mean 'k'?",
        "s.toml, line 4, unit 'm' > cells: 'cells' must be a whole number (got 2.0)",
        "s.toml, line 5, unit 'm' > salt: 'salt' must be 'NaCl' or 'KCl' (got 'NaCI'); did you mean 'NaCl'?",
        "s.toml, line 13, unit 'm' > steps[1].intercept_v: 'intercept_v' is missing; write a value",
        "s.toml, line 16, unit 'm' > steps[2].intercept_v: 'intercept_v' must be a number (got true)",
        "s.toml, line 6, unit 'm' > days[1]: 'days[1]' must be a date such as 2026-11-26 (got '26.12.2026')",
        "s.toml, line 9, unit 'm' > tags: 'tags' must be a text (got 4)",
        "s.toml, line 7, unit 'm' > running: 'running' must be true or false (got 1)",
        "s.toml, line 8, unit 'm' > limits[2]: 'limits[2]' is missing; write a value",
        "s.toml, line 3, unit 'm' > nam: 'nam' is not a key here; did you mean 'name'?",
    ]


def test_broken_rules_of_a_record_are_unpacked_to_their_keys() -> None:
    """Each rule that a record's own check finds broken stands at its key."""
    record, problems = machine("[[unit]]\nname = 'm'\n[unit.voltage]\nintercept_v = 0\nk = -1\n")

    assert record is None
    assert problems == [
        "s.toml, line 4, unit 'm' > voltage.intercept_v: 'intercept_v' must be above 0 [V] (got 0.0)",
        "s.toml, line 5, unit 'm' > voltage.k: 'k' must be above 0 [V m2/kA] (got -1.0)",
    ]


@pytest.mark.parametrize(
    ("number", "text"),
    [
        ("nan", "must be finite (got nan)"),
        ("-inf", "must be finite (got -inf)"),
        ("2e9", "must be at most 1e+09 in size (got 2000000000.0)"),
        ("1" + "0" * 400, "must be at most 1e+09 in size (got 1" + "0" * 56 + "...)"),
    ],
)
def test_numbers_are_finite_and_of_a_sane_size(number: str, text: str) -> None:
    """A number that is not finite or above 1e9 is told once."""
    record, problems = machine(f"[[unit]]\nname = 'm'\nvoltage = {{ intercept_v = {number} }}\n")

    assert record is None
    assert problems == [f"s.toml, line 3, unit 'm' > voltage.intercept_v: 'intercept_v' {text}"]


def test_line_search_is_not_misled_by_texts_and_lists() -> None:
    """Lines that only look like keys or tables, inside long texts, give no line."""
    toml, _ = parse('note = """\n[unit]\nname = 3\n"""\nlist = [\n  1,\n]\n[unit] # one\nname = "x"\n')

    assert toml.lines == {("note",): 1, ("list",): 5, ("unit",): 8, ("unit", "name"): 9}


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"a = \n", "the file cannot be read as TOML: Invalid value (at line 1, column 5)"),
        (
            b"a = 1\na = 2\n",
            "the file cannot be read as TOML: Cannot overwrite a value (at line 2, column 6)",
        ),
        (b"a = " + b"[" * 100_000, "the file cannot be read as TOML: lists are nested too deeply"),
        (b"a = " + b"9" * 5000, "the file cannot be read as TOML: Exceeds the limit"),
    ],
)
def test_text_that_is_no_toml_is_told(data: bytes, text: str) -> None:
    """A file that is not TOML is told with what the parser found."""
    problems = Problems()

    assert read_toml(Source("site", "s.toml", data), problems) is None
    assert [problem.text[: len(text)] for problem in problems.listed()] == [text]
