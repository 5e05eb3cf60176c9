"""Public holidays of a country, resolved to explicit dates.

Owns the codes and the call of the `holidays` library. A contract that states its own dates never
comes here.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable

import holidays

from scheduler.read.problems import close_match, hint

_CODE = re.compile(r"(?P<country>[A-Z]{2})(-(?P<part>[A-Za-z0-9_-]{1,20}))?")


def holiday_dates(code: str, years: Iterable[int]) -> tuple[dt.date, ...]:
    """Return the public holidays of a country, or of a part of it, in some years.

    Parameters
    ----------
    code : str
        ISO 3166-1 code of a country 'XX', or with the part of the country 'XX-YY' (ISO 3166-2). [-]
    years : iterable of int
        Calendar years. [-]

    Returns
    -------
    tuple of date
        The days, ascending. [-]

    Raises
    ------
    ValueError
        If the code is not one the library knows.
    """
    match = _CODE.fullmatch(code)
    known = holidays.list_supported_countries(include_aliases=False)
    if match is None or match["country"] not in known:
        country = match["country"] if match else code
        raise ValueError(
            "'holidays' must be a list of dates, or a code such as 'XX' or 'XX-YY' of a country (ISO 3166) "
            f"that is known (got '{code}'){close_match(country, known)}"
        )
    parts = known[match["country"]]
    if match["part"] is not None and match["part"] not in parts:
        raise ValueError(
            f"'holidays' must name a known part of {match['country']} (got '{code}')"
            f"{hint(match['part'], parts)}"
        )
    found = holidays.country_holidays(match["country"], subdiv=match["part"], years=sorted(set(years)))
    return tuple(sorted(found))
