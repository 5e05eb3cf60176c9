"""Rules for the values of records: their texts, what they accept, and the one error that lists them all."""

import pickle
from dataclasses import dataclass

import numpy as np
import pytest

from models.checks import (
    InvalidValues,
    Rule,
    above,
    at_least,
    at_most,
    between,
    check,
    finite,
    in_order,
    one_of,
)


def test_problems_survive_pickling() -> None:
    """The error comes back whole from another process."""
    error = InvalidValues([("a", "'a' must be above 0 (got -3)")])
    copy = pickle.loads(pickle.dumps(error))
    assert isinstance(copy, InvalidValues)
    assert copy.problems == error.problems
    assert str(copy) == str(error)


@pytest.mark.parametrize(
    ("rule", "good", "bad", "text"),
    [
        (at_least(1, "kA"), 1, 0.9, "must be at least 1 [kA]"),
        (above(0, "kA"), 1e-9, 0, "must be above 0 [kA]"),
        (at_most(1), 1.0, 1.1, "must be at most 1"),
        (between(0, 1), 0.0, -0.1, "must be between 0 and 1"),
        (finite(), -5.0, float("inf"), "must be finite"),
        (above(0, "t"), (1.0, 2.0), (1.0, 0.0), "must be above 0 [t]"),
        (at_least(0, "t"), np.array([0.0, 1.0]), np.array([1.0, -1.0]), "must be at least 0 [t]"),
        (above(0), 1, "3", "must be above 0 and a number"),
        (at_least(0), 1, True, "must be at least 0 and a number"),
        (one_of("NaCl", "KCl"), "KCl", "Kcl", "must be one of 'NaCl', 'KCl', did you mean 'KCl'?"),
        (one_of("NaCl", "KCl"), "NaCl", "water", "must be one of 'NaCl', 'KCl'"),
        (one_of(15, 30, 60), 60, 45, "must be one of 15, 30, 60"),
    ],
)
def test_rules(rule: Rule, good: object, bad: object, text: str) -> None:
    """A rule says nothing about a good value and gives its text for a bad one."""
    assert rule(good) is None
    assert rule(bad) == text


@dataclass(frozen=True)
class _Record:
    load_max_ka: float
    prices: object = None
    spare_v: float | None = None
    note: str = ""


def test_check_words_a_problem_as_agreed() -> None:
    """The text names field, rule, unit and value; a tuple of rules reports the first one broken."""
    with pytest.raises(InvalidValues, match=r"^'load_max_ka' must be above 0 \[kA\] \(got -3\)$"):
        check(_Record(load_max_ka=-3), load_max_ka=(above(0, "kA"), at_least(1, "kA")))


def test_check_skips_none_and_looks_into_arrays() -> None:
    """None is skipped; infinite floats are refused without a rule, arrays where they have one."""
    check(_Record(1.0), spare_v=above(0, "V"), prices=finite())
    with pytest.raises(InvalidValues, match=r"'spare_v' must be finite \(got inf\)"):
        check(_Record(1.0, spare_v=float("inf")))
    with pytest.raises(InvalidValues, match=r"'prices' must be finite \(got \[ 1\., nan\]\)"):
        check(_Record(1.0, prices=np.array([1.0, np.nan])), prices=at_least(0))
    with pytest.raises(InvalidValues, match=r"'load_max_ka' must be above 0 \(got -2.0\)"):
        check(_Record(np.float64(-2.0)), load_max_ka=above(0))


def test_check_refuses_a_field_that_is_not_there() -> None:
    """A rule for a misspelt field is a mistake of the program and stops it."""
    with pytest.raises(TypeError, match="_Record has no field 'load_ka' to check"):
        check(_Record(1.0), load_ka=above(0))


def test_in_order() -> None:
    """Two fields that must not cross are told with the other one's value and the unit; equal is allowed."""

    @dataclass(frozen=True)
    class Range:
        low: float
        high: float

    in_order(Range(2.0, 2.0), "low", "high", "t")
    with pytest.raises(InvalidValues, match=r"^'low' must be at most high 2 \[t\] \(got 3\)$"):
        in_order(Range(3.0, 2.0), "low", "high", "t")


def test_several_problems_keep_their_fields() -> None:
    """The error keeps field and text of each problem, in the order of the fields."""
    with pytest.raises(InvalidValues, match="must be above 0") as caught:
        check(_Record(-1.0, spare_v=-2.0), spare_v=above(0, "V"), load_max_ka=above(0, "kA"))
    assert [field for field, _ in caught.value.problems] == ["load_max_ka", "spare_v"]
