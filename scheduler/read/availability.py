"""Availability: outages and limits with their times.

Owns the columns. What may be limited stands in each unit's class.
"""

from __future__ import annotations

from collections.abc import Sequence

from models.checks import at_least
from models.situation import Availability
from scheduler.read.context import Context
from scheduler.read.files import Source
from scheduler.read.problems import hint
from scheduler.read.tables import Columns, Row, read_table
from scheduler.read.times import shown

COLUMNS = Columns(
    ("unit", "what", "value", "start", "end"),
    ("note",),
    {
        "unit": "name of the unit in the site file",
        "what": "what is limited; `brinewatt keys KIND` lists the words of its kind at its end",
        "value": "for in_service 0 (out) or 1 (in); otherwise the limit or the number left",
        "start": "start: ISO 8601 with offset, or local time of the site",
        "end": "end, the same",
        "note": "a reason, for people",
    },
)
IN_SERVICE = "in_service"


def read_availability(sources: Sequence[Source], context: Context) -> tuple[Availability, ...]:
    """Return the outages and limits of some files.

    Parameters
    ----------
    sources : sequence of Source
        CSV or XLSX tables. [-]
    context : Context
        The site. [-]

    Returns
    -------
    tuple of Availability
        The facts. [as named]
    """
    found = []
    for source in sources:
        for row in read_table(source, COLUMNS, context.problems):
            fact = _fact(row, context)
            if fact is not None:
                found.append(fact)
    return tuple(found)


def _fact(row: Row, context: Context) -> Availability | None:
    cls = context.unit_class(row, "unit")
    what = row.text("what")
    if cls is not None and what is not None and what not in cls.availabilities:
        row.fault(
            "what",
            f"must be something that '{row.text('unit')}' may be limited in (got '{what}')"
            f"{hint(what, cls.availabilities)}",
        )
        what = None
    value = _switch(row) if what == IN_SERVICE else row.number("value", at_least(0))
    start = row.minute("start", context.zone)
    end = row.minute("end", context.zone)
    if start is not None and end is not None and end <= start:
        row.fault(
            "end",
            f"must be after 'start' (got {shown(end, context.zone)}, not after {shown(start, context.zone)})",
        )
    note = row.text("note") if row.has("note") else ""
    if cls is None or what is None or value is None or start is None or end is None:
        return None
    return Availability(row.text("unit") or "", what, value, start, end, note or "")


def _switch(row: Row) -> float | None:
    """Return 0 or 1; a word such as 'no', or any other number, is answered with the two."""
    cell = row.cells.get("value")
    if isinstance(cell, bool) or (isinstance(cell, str) and any(sign.isalpha() for sign in cell)):
        came = repr(cell)
    else:
        value = row.number("value")
        if value is None or value in (0.0, 1.0):
            return value
        came = f"{value:g}"
    row.fault("value", f"must be 0 (out of service) or 1 (in service) for '{IN_SERVICE}' (got {came})")
    return None
