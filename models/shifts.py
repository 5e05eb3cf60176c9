"""Shifts: when they change, and the quiet times around it in which nobody moves a load.

Owns the shift calendar on the local clock. Limits per shift stand with the units they limit.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

from models.checks import InvalidValues, at_least, check

_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")


@dataclass(frozen=True)
class ShiftCalendar:
    """When shifts change.

    Parameters
    ----------
    starts : tuple of str
        Local clock times at which a shift starts, 'HH:MM', ascending; empty means one shift a day. [-]
    quiet_before_min, quiet_after_min : float
        Time before and after each change of shift in which no change of load may start. [min]

    Raises
    ------
    InvalidValues
        If a time is not a clock time, times do not ascend, or a quiet time is negative.
    """

    starts: tuple[str, ...] = ()
    quiet_before_min: float = 0.0
    quiet_after_min: float = 0.0

    def __post_init__(self) -> None:
        check(self, quiet_before_min=at_least(0, "min"), quiet_after_min=at_least(0, "min"))
        for text in self.starts:
            if not _CLOCK.fullmatch(text):
                raise InvalidValues(
                    [("starts", f"'starts' must hold clock times such as '06:00' (got {text!r})")]
                )
        if list(self.minutes) != sorted(set(self.minutes)):
            raise InvalidValues([("starts", f"'starts' must ascend through the day (got {self.starts})")])

    @property
    def minutes(self) -> tuple[int, ...]:
        """Starts as minutes after local midnight. [min]."""
        times = [dt.time.fromisoformat(text) for text in self.starts]
        return tuple(time.hour * 60 + time.minute for time in times)

    def label(self, moment: dt.datetime) -> str:
        """Return the shift a moment belongs to.

        Parameters
        ----------
        moment : datetime
            Local moment. [-]

        Returns
        -------
        str
            Local day on which the shift started and its starting time. Where the clock goes back over that
            time the shift starts the first time; where it jumps over it, right after the jump. [-]
        """
        if not self.starts:
            return moment.date().isoformat()
        clock = moment.hour * 60 + moment.minute
        before = [i for i, start in enumerate(self.minutes) if start <= clock or _passed(start, moment)]
        if before:
            return f"{moment.date().isoformat()} {self.starts[before[-1]]}"
        return f"{(moment.date() - dt.timedelta(days=1)).isoformat()} {self.starts[-1]}"

    def is_quiet(self, moment: dt.datetime) -> bool:
        """Tell whether no change of load may start at a moment.

        Parameters
        ----------
        moment : datetime
            Local moment. [-]

        Returns
        -------
        bool
            True from the quiet time before a change of shift to the end of the one after it, itself
            not included. [-]
        """
        clock = moment.hour * 60 + moment.minute
        for start in self.minutes:
            # Around midnight the distance goes over the day's end.
            distance = (clock - start + 720) % 1440 - 720
            if -self.quiet_before_min <= distance < self.quiet_after_min:
                return True
        return False


def _passed(start: int, moment: dt.datetime) -> bool:
    """Tell whether a clock time came by before a moment of the same day, though the clock shows less now."""
    first = moment.replace(hour=start // 60, minute=start % 60, second=0, fold=0)
    # Two moments of one zone are compared by the clock alone, so both go to UTC.
    return first.astimezone(dt.UTC) <= moment.astimezone(dt.UTC)
