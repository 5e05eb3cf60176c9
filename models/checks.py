"""Rules for the values of a record, and the one error that lists every broken rule.

Owns the wording of a broken rule and the kinds of number the models accept. It does not know where a
value came from: the reader that built the record adds the file and line.
"""

import dataclasses
import difflib
import math
import numbers
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
"""Array of floats; its shape is stated where it is used."""

Number = TypeVar("Number", float, FloatArray)
"""A float or an array of floats: a function returns the kind it was given."""

Rule = Callable[[Any], str | None]
"""Takes a value; returns the text of the rule when the value breaks it, otherwise None."""


class InvalidValues(ValueError):
    """One or more values of a record break their rules.

    Parameters
    ----------
    problems : iterable of (str, str)
        Field and full text of each problem, in the order they were found.

    Attributes
    ----------
    problems : tuple of (str, str)
        The same, as a tuple.
    """

    problems: tuple[tuple[str, str], ...]

    def __init__(self, problems: Iterable[tuple[str, str]]) -> None:
        self.problems = tuple((field, text) for field, text in problems)
        # The one argument is kept in args, so that pickle can rebuild the error in another process.
        super().__init__(self.problems)

    def __str__(self) -> str:
        """Join the texts of all problems."""
        return "; ".join(text for _, text in self.problems)


def _bracket(unit: str) -> str:
    return f" [{unit}]" if unit else ""


def _numeric(value: object) -> bool:
    if isinstance(value, np.ndarray):
        return value.dtype.kind in "iuf"
    if isinstance(value, (tuple, list)):
        return all(_numeric(item) for item in value)
    return isinstance(value, numbers.Real) and not isinstance(value, (bool, np.bool_))


def _numeric_rule(text: str, holds: Callable[[FloatArray], NDArray[np.bool_]]) -> Rule:
    def rule(value: Any) -> str | None:
        if not _numeric(value):
            return f"{text} and a number"
        return None if bool(np.all(holds(np.asarray(value, dtype=np.float64)))) else text

    return rule


def at_least(x: float, unit: str = "") -> Rule:
    """Rule: the value is x or more.

    Parameters
    ----------
    x : float
        Lowest value allowed. [unit]
    unit : str
        Unit shown in the text, empty for none. [-]

    Returns
    -------
    Rule
        The rule; an array or tuple keeps it when every element does.
    """
    return _numeric_rule(f"must be at least {x:g}{_bracket(unit)}", lambda v: v >= x)


def above(x: float, unit: str = "") -> Rule:
    """Rule: the value is more than x.

    Parameters
    ----------
    x : float
        Bound, itself not allowed. [unit]
    unit : str
        Unit shown in the text, empty for none. [-]

    Returns
    -------
    Rule
        The rule; an array or tuple keeps it when every element does.
    """
    return _numeric_rule(f"must be above {x:g}{_bracket(unit)}", lambda v: v > x)


def at_most(x: float, unit: str = "") -> Rule:
    """Rule: the value is x or less.

    Parameters
    ----------
    x : float
        Highest value allowed. [unit]
    unit : str
        Unit shown in the text, empty for none. [-]

    Returns
    -------
    Rule
        The rule; an array or tuple keeps it when every element does.
    """
    return _numeric_rule(f"must be at most {x:g}{_bracket(unit)}", lambda v: v <= x)


def between(lo: float, hi: float, unit: str = "") -> Rule:
    """Rule: the value lies between two bounds, both allowed.

    Parameters
    ----------
    lo, hi : float
        Lowest and highest value allowed. [unit]
    unit : str
        Unit shown in the text, empty for none. [-]

    Returns
    -------
    Rule
        The rule; an array or tuple keeps it when every element does.
    """
    return _numeric_rule(
        f"must be between {lo:g} and {hi:g}{_bracket(unit)}", lambda v: (v >= lo) & (v <= hi)
    )


def finite() -> Rule:
    """Rule: the value is a number, neither infinite nor NaN.

    Returns
    -------
    Rule
        The rule; an array or tuple keeps it when every element does.
    """
    return _numeric_rule("must be finite", lambda v: np.isfinite(v))


def one_of(*choices: object) -> Rule:
    """Rule: the value is one of a few choices.

    Parameters
    ----------
    *choices : object
        What is allowed; for a text that is close to one of them the rule text names it. [-]

    Returns
    -------
    Rule
        The rule.
    """
    text = "must be one of " + ", ".join(repr(choice) for choice in choices)
    names = [choice for choice in choices if isinstance(choice, str)]

    def rule(value: Any) -> str | None:
        if value in choices:
            return None
        close = difflib.get_close_matches(value, names, n=1) if isinstance(value, str) else []
        return f"{text}, did you mean {close[0]!r}?" if close else text

    return rule


def _shown(value: object) -> str:
    if isinstance(value, np.ndarray):
        return np.array2string(value, threshold=6, separator=", ")
    # repr of a numpy scalar names its type, which says nothing to the reader of the message.
    return repr(value.item() if isinstance(value, np.generic) else value)


def check(record: Any, **rules: Rule | tuple[Rule, ...]) -> None:
    """Check the fields of a record and report all problems at once.

    A field that is None is skipped. Every float field must be finite, also when it has no rule; a field
    with a rule must be finite in every element. A field that is not finite is reported for that only.

    Parameters
    ----------
    record : dataclass instance
        Record to check.
    **rules : Rule or tuple of Rule
        One rule or several for a field, under the name of the field; the first one broken is reported.

    Raises
    ------
    InvalidValues
        When a value breaks a rule.
    """
    problems: list[tuple[str, str]] = []
    names = [field.name for field in dataclasses.fields(record)]
    unknown = sorted(set(rules) - set(names))
    if unknown:
        raise TypeError(f"{type(record).__name__} has no field {', '.join(map(repr, unknown))} to check")
    for name in names:
        value = getattr(record, name)
        if value is None:
            continue
        found = rules.get(name, ())
        ordered = found if isinstance(found, tuple) else (found,)
        if isinstance(value, float):
            is_finite = math.isfinite(value)
        else:
            is_finite = not (ordered and _numeric(value)) or bool(
                np.all(np.isfinite(np.asarray(value, dtype=np.float64)))
            )
        texts = ["must be finite"] if not is_finite else [text for rule in ordered if (text := rule(value))]
        if texts:
            problems.append((name, f"'{name}' {texts[0]} (got {_shown(value)})"))
    if problems:
        raise InvalidValues(problems)


def in_order(record: Any, low: str, high: str, unit: str) -> None:
    """Check that one field is not above another.

    Parameters
    ----------
    record : dataclass instance
        Record to check.
    low, high : str
        Names of the two fields. [-]
    unit : str
        Unit shown in the text. [-]

    Raises
    ------
    InvalidValues
        When the field `low` is above the field `high`.
    """
    lower, upper = getattr(record, low), getattr(record, high)
    if lower > upper:
        raise InvalidValues(
            [(low, f"'{low}' must be at most {high} {upper:g}{_bracket(unit)} (got {lower:g})")]
        )
