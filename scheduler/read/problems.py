"""Problems of the inputs while they are being read.

Owns the collection, the limit per file and the wording of hints. The error that carries the problems
stands in `scheduler.errors`.
"""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from scheduler.errors import InputError, Problem

MOST_PER_FILE = 100
"""Problems kept for one file; the rest is counted."""
MOST_ALIKE = 3
"""Problems of one file listed one by one that differ only in numbers; more are told as one."""

_WORD = re.compile(r"'[^']*[^\W\d_][^']*'")
_NUMBER = re.compile(r"[+-]?\d[\d.,:TZ+-]*")


class Problems:
    """All problems found so far, over all files."""

    def __init__(self) -> None:
        self._found: list[Problem] = []
        self._count: Counter[str] = Counter()

    def add(self, file: str, where: str, text: str) -> None:
        """Note one problem.

        Parameters
        ----------
        file : str
            File, as the user named it. [-]
        where : str
            Line, cell or key inside the file; empty for the file as a whole. [-]
        text : str
            What came, what is allowed, what to do. [-]
        """
        self._count[file] += 1
        if self._count[file] <= MOST_PER_FILE:
            self._found.append(Problem(file, where, text))

    def __len__(self) -> int:
        """Return the number of problems found so far."""
        return self._count.total()

    def listed(self) -> tuple[Problem, ...]:
        """Return the problems as found: those alike as one, and a count of those left out. [-]."""
        more = tuple(
            Problem(file, "", f"{count - MOST_PER_FILE} more problems in this file, not listed")
            for file, count in self._count.items()
            if count > MOST_PER_FILE
        )
        return (*_like_ones_joined(self._found), *more)

    def raise_if_any(self) -> None:
        """Raise all problems as one error.

        Raises
        ------
        InputError
            If any problem was found.
        """
        if self._found:
            raise InputError(self.listed())


def _like_ones_joined(found: Sequence[Problem]) -> Iterator[Problem]:
    """Yield problems; of many that differ only in numbers the first, with their count and the last place."""
    alike: dict[Problem, list[Problem]] = {}
    for problem in found:
        alike.setdefault(_without_numbers(problem), []).append(problem)
    told: set[Problem] = set()
    for problem in found:
        form = _without_numbers(problem)
        group = alike[form]
        if len(group) <= MOST_ALIKE or not problem.where:
            yield problem
        elif form not in told:
            told.add(form)
            yield Problem(
                problem.file,
                problem.where,
                f"{problem.text} (and {len(group) - 1} more like this, the last at {group[-1].where})",
            )


def _without_numbers(problem: Problem) -> Problem:
    """Return a problem with a mark for each number; a quoted word keeps its digits, for it is a name."""
    return Problem(problem.file, _blank(problem.where), _blank(problem.text))


def _blank(text: str) -> str:
    parts: list[str] = []
    end = 0
    for word in _WORD.finditer(text):
        parts += [_NUMBER.sub("#", text[end : word.start()]), word[0]]
        end = word.end()
    return "".join((*parts, _NUMBER.sub("#", text[end:])))


def close_match(name: str, known: Iterable[str], cutoff: float = 0.6) -> str:
    """Return the end of a message that names the closest of some names.

    Parameters
    ----------
    name : str
        The name that came. [-]
    known : iterable of str
        The names that are allowed. [-]
    cutoff : float
        Least likeness, 0 to 1 (see `difflib.get_close_matches`). [-]

    Returns
    -------
    str
        "; did you mean 'x'?", with all names that are as close, or nothing if no name is close. [-]
    """
    names = list(dict.fromkeys(known))
    close = difflib.get_close_matches(name, names, n=1, cutoff=cutoff)
    if close:
        # Of names that are as like as the first, none is the one that was meant: all of them are told.
        best = _likeness(name, close[0])
        close = [other for other in names if _likeness(name, other) == best]
    # A key says its unit at its end: of keys that are not alike the one with that unit is meant.
    unit = name.rpartition("_")[2]
    same_unit = [other for other in names if "_" in name and other.rpartition("_")[2] == unit]
    if not close and len(same_unit) == 1:
        close = same_unit
    told = "' or '".join(close)
    return f"; did you mean '{told}'?" if close else ""


def _likeness(one: str, other: str) -> float:
    return difflib.SequenceMatcher(None, other, one).ratio()


def hint(name: str, known: Iterable[str]) -> str:
    """Return the end of a message that helps with an unknown name.

    Parameters
    ----------
    name : str
        The name that came. [-]
    known : iterable of str
        The names that are allowed. [-]

    Returns
    -------
    str
        "; did you mean 'x'?" for a close match, otherwise the list of allowed names. [-]
    """
    names = list(known)
    rest = f"; known: {', '.join(names)}" if names else "; none is known"
    return close_match(name, names) or rest
