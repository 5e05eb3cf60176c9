"""Rates that pipeline customers take and know of: actual ones, and those announced to them.

Owns the columns. How long ahead a change must be announced stands with the customer (`models.order`).
"""

from __future__ import annotations

from collections.abc import Sequence

from models.checks import at_least
from models.horizon import Series
from models.order import Pipeline
from scheduler.read.context import Context
from scheduler.read.files import Source
from scheduler.read.series import Point, join
from scheduler.read.tables import MINUTES, START, Columns, interval_of, read_table

COLUMNS = Columns(
    ("start", "minutes", "customer", "take_t_per_h"),
    meanings={
        "start": START,
        "minutes": MINUTES,
        "customer": "name of the pipeline customer",
        "take_t_per_h": "what he takes, t/h of his commodity",
    },
)


def read_takes(sources: Sequence[Source], context: Context) -> dict[str, Series]:
    """Return the rates of some files.

    Parameters
    ----------
    sources : sequence of Source
        CSV or XLSX tables. [-]
    context : Context
        The site. [-]

    Returns
    -------
    dict of str to Series
        Rate by pipeline customer. [t/h]
    """
    points = []
    for source in sources:
        for row in read_table(source, COLUMNS, context.problems):
            interval = interval_of(row, context.zone, metering=False)
            customer = context.unit_class(row, "customer")
            take = row.number("take_t_per_h", at_least(0, "t/h"))
            if interval is None or customer is None or take is None:
                continue
            name = row.text("customer") or ""
            if not issubclass(customer, Pipeline):
                row.fault(
                    "customer",
                    f"must be a pipeline customer (got '{name}', a unit of kind '{customer.kind}')",
                )
                continue
            points.append(Point(name, interval.start_min, interval.length_min, take, row.file, row.place))
    return join(points, None, context.zone, context.problems, context.notes)
