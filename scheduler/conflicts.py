"""Why a duty is missed or a limit broken: the records that a diagnosis returns and reports show.

Owns the records. How they are found stands in `diagnose`, their words in `report.diagnosis`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Kind(Enum):
    """What kind of number a change moves."""

    UPPER = "raise"
    LOWER = "lower"
    BOTH = "widen"
    OUTAGE = "bring back earlier"
    COUNT = "allow more"
    TIME = "shorten"
    RULE = "lift"
    GIVEN = "correct"


@dataclass(frozen=True)
class Collision:
    """A limit that takes part in a conflict.

    Parameters
    ----------
    key : str
        Key of the record, with its side and cause. [-]
    meaning : str
        The limit in words. [-]
    kind : Kind
        In which direction it would give room. [-]
    unit : str
        Unit of the limit. [-]
    limit : float or None
        The limit, the one furthest out where it changes; None where there is no number. [unit]
    first, end : int or None
        First interval at which it stands in the way, and the one after the last; None for a limit without
        intervals. [-]
    """

    key: str
    meaning: str
    kind: Kind
    unit: str
    limit: float | None
    first: int | None = None
    end: int | None = None


@dataclass(frozen=True)
class Change:
    """A change of one limit that is enough, if all others stay.

    Parameters
    ----------
    limit : Collision
        The limit, with the intervals on which the change is needed. [-]
    amount : float
        Least change that is enough, rounded away from the limit to three digits. [unit]
    share : float or None
        The same as a share of the limit's size; None where there is no size. [-]
    """

    limit: Collision
    amount: float
    share: float | None = None


@dataclass(frozen=True)
class DutyMissed:
    """A duty that a conflict leaves open.

    Parameters
    ----------
    key : str
        Key of the miss. [-]
    meaning : str
        What is missed, in words. [-]
    quantity : float
        Least possible miss of this conflict alone. [unit]
    unit : str
        Unit. [-]
    first, end : int or None
        First interval on which it is missed, and the one after the last; None for one without intervals. [-]
    """

    key: str
    meaning: str
    quantity: float
    unit: str
    first: int | None = None
    end: int | None = None


@dataclass(frozen=True)
class Conflict:
    """Limits that cannot all be kept together with a duty, and the smallest change that helps.

    Parameters
    ----------
    duties : tuple of DutyMissed
        Duties that cannot be met; empty where the works cannot run at all within its limits. [-]
    limits : tuple of Collision
        Limits that collide; taking away any of the first conflict's members resolves it. [-]
    change : Change or None
        The change whose share of its limit is smallest; None if none was found. [-]
    alternatives : tuple of Change
        Other single changes that would be enough in its place. [-]
    """

    duties: tuple[DutyMissed, ...]
    limits: tuple[Collision, ...]
    change: Change | None
    alternatives: tuple[Change, ...] = ()


@dataclass(frozen=True)
class Diagnosis:
    """Why a result misses duties or breaks limits.

    Parameters
    ----------
    conflicts : tuple of Conflict
        Conflicts; their changes are enough when made together. [-]
    complete : bool
        Whether everything was looked at; False where the time ran out. [-]
    note : str
        What could not be found, in words; empty if nothing. [-]
    """

    conflicts: tuple[Conflict, ...]
    complete: bool = True
    note: str = ""
