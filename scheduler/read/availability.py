"""Availability: outages and limits with their times.

Owns the columns. What may be limited stands in each unit's class.
"""

from __future__ import annotations

from collections.abc import Sequence

from models.checks import at_least, one_of
from models.situation import Availability
from scheduler.read.context import Context
from scheduler.read.files import Source
from scheduler.read.problems import hint
from scheduler.read.tables import Columns, Row, read_table
from scheduler.read.times import shown

COLUMNS = Columns(("unit", "what", "value", "start", "end"), ("note",))
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
    value = row.number("value", at_least(0))
    if value is not None and what == IN_SERVICE and value not in (0.0, 1.0):
        row.fault("value", f"{one_of(0, 1)(value)} for '{IN_SERVICE}' (got {value:g})")
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
