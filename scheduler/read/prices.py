"""Prices and profiles: values by interval, from tables and market documents.

Owns the columns of both tables and the choice between formats. The market document has a module of
its own, joining stands in `series`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scheduler.read.context import Context
from scheduler.read.files import Source
from scheduler.read.market_document import AuctionPrices, choose_auction, read_document
from scheduler.read.series import Point, laid_over
from scheduler.read.tables import MINUTES, START, Columns, Row, interval_of, read_table

DAY_AHEAD = "day_ahead"
"""Name of the price series where a file names none."""

LAID_OVER = ("prices", "profiles")
"""Roles of which a later file lies over the earlier ones."""

PRICE_COLUMNS = Columns(
    ("start", "minutes", "price_per_mwh"),
    ("series", "currency"),
    {
        "start": START,
        "minutes": MINUTES,
        "price_per_mwh": "price of a MWh, in the site's currency",
        "series": "name of the price series; day_ahead if left out",
        "currency": "must be the site's, ISO 4217",
    },
)
PROFILE_COLUMNS = Columns(
    ("start", "minutes", "series", "value"),
    meanings={
        "start": START,
        "minutes": MINUTES,
        "series": "name of the profile, as a unit or component names it",
        "value": "its value, in the unit that the key which names it has",
    },
)


@dataclass(frozen=True)
class Points:
    """Points of some files.

    Parameters
    ----------
    points : tuple of Point
        The points that could be placed in time; one whose value has a problem stands at 0, so that
        its interval does not count as missing too. [as named]
    certain : bool
        Whether every value of the files could be placed, so that a missing interval is missing. [-]
    """

    points: tuple[Point, ...]
    certain: bool


def read_prices(sources: Sequence[Source], sequence: int | None, context: Context) -> Points:
    """Return the prices of some files.

    Parameters
    ----------
    sources : sequence of Source
        CSV or XLSX tables, or XML market documents; a later one lies over the earlier ones. [-]
    sequence : int, optional
        Auction to take from market documents. [-]
    context : Context
        The site. [-]

    Returns
    -------
    Points
        The prices. [currency/MWh]
    """
    problems = context.problems
    documents: dict[str, tuple[AuctionPrices, ...]] = {}
    points: list[Point] = []
    certain = True
    for source in sources:
        before = len(problems)
        if source.suffix == ".xml":
            documents[source.name] = read_document(
                source, context.site.currency, DAY_AHEAD, context.zone, problems
            )
            certain = certain and len(problems) == before
            continue
        rows = read_table(source, PRICE_COLUMNS, problems)
        certain = certain and len(problems) == before
        for row in rows:
            _check_currency(row, context)
            point = _point(row, "price_per_mwh", True, context)
            certain = certain and point is not None
            if point is not None:
                points.append(point)
    before = len(problems)
    points += choose_auction(documents, sequence, problems, context.notes)
    laid = laid_over(points, [source.name for source in sources], context.zone, context.notes)
    return Points(laid, certain and len(problems) == before)


def read_profiles(sources: Sequence[Source], context: Context) -> Points:
    """Return the profiles of some files.

    Parameters
    ----------
    sources : sequence of Source
        CSV or XLSX tables; a later one lies over the earlier ones. [-]
    context : Context
        The site. [-]

    Returns
    -------
    Points
        The profiles. [as named]
    """
    points: list[Point] = []
    certain = True
    for source in sources:
        before = len(context.problems)
        rows = read_table(source, PROFILE_COLUMNS, context.problems)
        certain = certain and len(context.problems) == before
        for row in rows:
            point = _point(row, "value", False, context)
            certain = certain and point is not None
            if point is not None:
                points.append(point)
    laid = laid_over(points, [source.name for source in sources], context.zone, context.notes)
    return Points(laid, certain)


def _point(row: Row, column: str, metering: bool, context: Context) -> Point | None:
    interval = interval_of(row, context.zone, metering)
    value = row.number(column)
    series = row.text("series") if row.has("series") or not metering else DAY_AHEAD
    if interval is None or series is None:
        return None
    return Point(
        series, interval.start_min, interval.length_min, 0.0 if value is None else value, row.file, row.place
    )


def _check_currency(row: Row, context: Context) -> None:
    if not row.has("currency"):
        return
    currency = row.text("currency")
    own = context.site.currency
    if own is not None and currency is not None and currency != own:
        row.fault(
            "currency", f"must be the site's currency {own} (got '{currency}'); convert the prices first"
        )
