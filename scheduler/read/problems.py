"""Problems of the inputs while they are being read.

Owns the collection, the limit per file and the wording of hints. The error that carries the problems
stands in `scheduler.errors`.
"""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterable

from scheduler.errors import InputError, Problem

MOST_PER_FILE = 100
"""Problems listed in full for one file; the rest is counted."""


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
        """Return the problems in the order they were found, with a count of those left out. [-]."""
        more = tuple(
            Problem(file, "", f"{count - MOST_PER_FILE} more problems in this file, not listed")
            for file, count in self._count.items()
            if count > MOST_PER_FILE
        )
        return (*self._found, *more)

    def raise_if_any(self) -> None:
        """Raise all problems as one error.

        Raises
        ------
        InputError
            If any problem was found.
        """
        if self._found:
            raise InputError(self.listed())


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
        "; did you mean 'x'?", or nothing if no name is close. [-]
    """
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=cutoff)
    return f"; did you mean '{close[0]}'?" if close else ""


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
