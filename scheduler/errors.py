"""Errors that a person can act on.

BrinewattError
├── InputError (ValueError)        bad or missing input; holds every problem found        exit 2
├── FolderError (OSError)          an output folder cannot be made or would be replaced   exit 2
├── NoRunnableDay (RuntimeError)   given loads contradict each other                       exit 3
├── NoValues (RuntimeError)        there is no plan whose limits could be valued           exit 3
├── StudyError (RuntimeError)      no case of a study could be planned                    exit 3
└── SolverError (RuntimeError)     the solver gave no usable answer                       exit 4
"""

from __future__ import annotations

from dataclasses import dataclass

from scheduler.plain_text import plain


class BrinewattError(Exception):
    """Base of all errors that are told without a traceback."""

    exit_code = 1


@dataclass(frozen=True, order=True)
class Problem:
    """One problem of the inputs.

    Parameters
    ----------
    file : str
        File, as the user named it. [-]
    where : str
        Line, cell or key inside the file. [-]
    text : str
        What came, what is allowed, what to do. [-]
    """

    file: str
    where: str
    text: str

    def __str__(self) -> str:
        """Return the problem as one line."""
        place = f"{self.file}, {self.where}" if self.where else self.file
        # All three may hold text of an input, even the name of a file.
        return plain(f"{place}: {self.text}")


class InputError(BrinewattError, ValueError):
    """The inputs cannot be used; every problem found is listed."""

    exit_code = 2

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        self.problems = tuple(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        """Return all problems, one per line."""
        count = len(self.problems)
        head = "1 problem in the inputs" if count == 1 else f"{count} problems in the inputs"
        return "\n".join([f"{head}:", *(f"  {problem}" for problem in self.problems)])


class FolderError(BrinewattError, OSError):
    """An output folder cannot be written, or holds an older plan."""

    exit_code = 2


class NoRunnableDay(BrinewattError, RuntimeError):
    """Given loads contradict each other: no plan day in whole steps has them, even with limits broken."""

    exit_code = 3


class NoValues(BrinewattError, RuntimeError):
    """There is no plan whose limits could be valued, or the asked load is none of it."""

    exit_code = 3


class SolverError(BrinewattError, RuntimeError):
    """The solver gave no usable answer."""

    exit_code = 4


class StudyError(BrinewattError, RuntimeError):
    """No case of a study could be planned."""

    exit_code = 3
