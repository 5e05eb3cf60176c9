"""Times as people write them: ISO 8601, with an offset or local to the site.

Owns the strings and the traps of clock changes. Instants and intervals stand in `models.horizon`.
"""

from __future__ import annotations

import datetime as dt
import re
from zoneinfo import ZoneInfo

from models.horizon import instant_of, minute_of

FIRST_YEAR, LAST_YEAR = 2000, 2100
"""Years a time may lie in: outside them it is a typing or spreadsheet mistake."""

_TIME = re.compile(
    r"(?P<day>[0-9]{4}-[0-9]{2}-[0-9]{2})[T ](?P<clock>[0-9]{2}:[0-9]{2})(?P<seconds>:[0-9]{2}(\.0+)?)?"
    r"(?P<offset>Z|[+-][0-9]{2}:[0-9]{2})?"
)
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_MONTH = re.compile(r"([0-9]{4})-(0[1-9]|1[0-2])")


def shown(minute: int, zone: dt.tzinfo) -> str:
    """Return an instant as people see it: local time with its offset.

    Parameters
    ----------
    minute : int
        Minutes since 1970-01-01T00:00Z. [min]
    zone : tzinfo
        Zone of the site. [-]

    Returns
    -------
    str
        For example '2026-11-26T06:00+01:00'. [-]
    """
    return instant_of(minute).astimezone(zone).isoformat(timespec="minutes")


def local_minute(wall: dt.datetime, zone: ZoneInfo) -> int:
    """Return the instant of a local time without offset.

    Parameters
    ----------
    wall : datetime
        Local time without offset, on a whole minute. [-]
    zone : ZoneInfo
        Zone of the site. [-]

    Returns
    -------
    int
        Minutes since 1970-01-01T00:00Z. [min]

    Raises
    ------
    ValueError
        If the time happens twice or never at a clock change, or its year is out of range.
    """
    if not FIRST_YEAR <= wall.year <= LAST_YEAR:
        raise ValueError(f"must be a time in the years {FIRST_YEAR} to {LAST_YEAR} (got {wall.isoformat()})")
    first, second = wall.replace(tzinfo=zone, fold=0), wall.replace(tzinfo=zone, fold=1)
    before, after = first.utcoffset(), second.utcoffset()
    if before is not None and after is not None and before != after:
        text = wall.isoformat(timespec="minutes")
        if before > after:
            either = " or ".join(time.isoformat(timespec="minutes") for time in (first, second))
            raise ValueError(
                f"must be one instant: {text} happens twice in {zone.key}, the clocks go back; write it with "
                f"its "
                f"offset, {either}"
            )
        raise ValueError(
            f"must be a time that exists: {zone.key} has no {text}, the clocks go forward; write the "
            "time with its offset"
        )
    return minute_of(first)


def minute_of_text(text: str, zone: ZoneInfo) -> int:
    """Return the instant of an ISO 8601 time.

    Parameters
    ----------
    text : str
        Time with an offset, or local to the zone without one. [-]
    zone : ZoneInfo
        Zone of the site. [-]

    Returns
    -------
    int
        Minutes since 1970-01-01T00:00Z. [min]

    Raises
    ------
    ValueError
        If the text is not such a time, not on a whole minute, or not one instant.
    """
    match = _TIME.fullmatch(text)
    if match is None:
        if _DAY.fullmatch(text):
            raise ValueError(f"must have a time of day, such as {text}T06:00 (got '{text}')")
        raise ValueError(
            f"must be an ISO 8601 time such as 2026-11-26T06:00 or 2026-11-26T06:00+01:00 (got '{text}')"
        )
    seconds = match["seconds"]
    if seconds is not None and seconds[1:3] != "00":
        raise ValueError(f"must be on a whole minute (got '{text}')")
    try:
        wall = dt.datetime.fromisoformat(f"{match['day']}T{match['clock']}")
        offset = match["offset"]
        if offset is None:
            return local_minute(wall, zone)
        if not FIRST_YEAR <= wall.year <= LAST_YEAR:
            raise ValueError(f"must be a time in the years {FIRST_YEAR} to {LAST_YEAR} (got '{text}')")
        return minute_of(dt.datetime.fromisoformat(f"{match['day']}T{match['clock']}{offset}"))
    except ValueError as error:
        if str(error).startswith("must"):
            raise
        # datetime says only "hour must be in 0..23", which names no value.
        later = "; midnight is 00:00 of the next day" if match["clock"] == "24:00" else ""
        raise ValueError(f"must be a time that exists (got '{text}'){later}") from None


def month_of_text(text: str) -> str:
    """Return a calendar month 'YYYY-MM' after checking it.

    Parameters
    ----------
    text : str
        For example '2026-11'. [-]

    Returns
    -------
    str
        The month. [-]

    Raises
    ------
    ValueError
        If the text is not such a month, or its year is out of range.
    """
    match = _MONTH.fullmatch(text)
    if match is None or not FIRST_YEAR <= int(match[1]) <= LAST_YEAR:
        raise ValueError(f"must be a month such as 2026-11 (got '{text}')")
    return text
