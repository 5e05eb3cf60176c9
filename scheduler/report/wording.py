"""How numbers, times and names are written for people and files.

Owns rounding for display and local times. No names of outputs.
"""

from __future__ import annotations

import math
import textwrap

from models.horizon import Horizon, instant_of
from models.misses import NAMES
from scheduler.plain_text import plain as plain  # reports take it from here

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
TERMINAL_COLUMNS = 100
"""Columns of the terminal that texts are set for."""


def fixed(value: float, decimals: int, thousands: bool = False) -> str:
    """Return a number with fixed decimals, never as a negative zero.

    Parameters
    ----------
    value : float
        Finite number. [any]
    decimals : int
        Digits after the point, 0 or more. [-]
    thousands : bool
        Whether thousands are set apart by commas. [-]

    Returns
    -------
    str
        The number. [-]

    Raises
    ------
    ValueError
        If the number is not finite.
    """
    if not math.isfinite(value):
        raise ValueError(f"a number for display must be finite (got {value})")
    text = f"{value:,.{decimals}f}" if thousands else f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and not any(digit in text for digit in "123456789") else text


def tidy(value: float | None) -> float | None:
    """Return a number for JSON: 6 decimals from 1 up, 6 significant digits below; None if not finite.

    Parameters
    ----------
    value : float or None
        Number; None stays None. [any]

    Returns
    -------
    float or None
        Rounded number, never a negative zero. [as given]
    """
    if value is None:
        return None
    value = float(value)
    if not math.isfinite(value):
        return None
    return (round(value, 6) if abs(value) >= 1 else float(f"{value:.6g}")) + 0.0


def local_minute(horizon: Horizon, minute: int) -> str:
    """Return an instant in the horizon's local time with its offset from UTC, ISO 8601.

    Parameters
    ----------
    horizon : Horizon
        Gives the time zone. [-]
    minute : int
        Instant since 1970-01-01T00:00Z. [min]

    Returns
    -------
    str
        For example '2026-10-25T02:00+01:00'. [-]
    """
    return instant_of(minute).astimezone(horizon.local_starts[0].tzinfo).isoformat(timespec="minutes")


def clock(horizon: Horizon, minute: int, with_offset: bool = False) -> str:
    """Return the local clock time of an instant.

    Parameters
    ----------
    horizon : Horizon
        Gives the time zone. [-]
    minute : int
        Instant since 1970-01-01T00:00Z. [min]
    with_offset : bool
        Whether the offset from UTC is shown, for a day on which clocks change. [-]

    Returns
    -------
    str
        For example '02:00' or, in the short form of ISO 8601, '02:00+01'. [-]
    """
    at = local_minute(horizon, minute)[11:]
    return at.removesuffix(":00") if with_offset else at[:5]


def local_start(horizon: Horizon, interval: int) -> str:
    """Return the start of an interval in local time with its offset, ISO 8601.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    interval : int
        Position of the interval. [-]

    Returns
    -------
    str
        For example '2026-10-25T02:00+01:00'. [-]
    """
    return horizon.local_starts[interval].isoformat(timespec="minutes")


def spoken_minute(horizon: Horizon, minute: int) -> str:
    """Return an instant in local time with weekday and offset, for reading.

    Parameters
    ----------
    horizon : Horizon
        Gives the time zone. [-]
    minute : int
        Instant since 1970-01-01T00:00Z. [min]

    Returns
    -------
    str
        For example 'Sun 25 Oct 02:00+01:00'. [-]
    """
    at = instant_of(minute).astimezone(horizon.local_starts[0].tzinfo)
    clock = at.isoformat(timespec="minutes")[11:]
    return f"{WEEKDAYS[at.weekday()]} {at.day} {MONTHS[at.month - 1]} {clock}"


def spoken_start(horizon: Horizon, interval: int) -> str:
    """Return the start of an interval in local time with weekday and offset, for reading.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    interval : int
        Position of the interval. [-]

    Returns
    -------
    str
        For example 'Sun 25 Oct 02:00+01:00'. [-]
    """
    return spoken_minute(horizon, int(horizon.starts_min[interval]))


def wrapped(text: str, indent: str = "") -> list[str]:
    """Return the lines of a text for a terminal of 100 columns.

    Parameters
    ----------
    text : str
        Text without line breaks. [-]
    indent : str
        What every line starts with. [-]

    Returns
    -------
    list of str
        Lines. [-]
    """
    return textwrap.wrap(text, TERMINAL_COLUMNS, initial_indent=indent, subsequent_indent=indent)


def duty_words(miss_class: int) -> str:
    """Return a class of duties in words, also of a class that only a unit of one's own knows.

    Parameters
    ----------
    miss_class : int
        Class, see `models.misses`. [-]

    Returns
    -------
    str
        For example 'pipeline customer'. [-]
    """
    return NAMES.get(miss_class, f"duty of class {miss_class}")
