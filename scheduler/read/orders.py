"""Orders: lots to be loaded in a window, and what pipeline customers asked for by the day.

Owns the columns and the conversion of solution to dry tonnes. What a lot is stands in `models.order`.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from models.checks import InvalidValues, above, at_least, at_most
from models.horizon import day_start_minute, instant_of
from models.order import Lot, Pipeline
from models.tank import ChlorineStore
from scheduler.read.context import Context
from scheduler.read.files import Source
from scheduler.read.problems import hint
from scheduler.read.tables import Columns, Row, read_table
from scheduler.read.times import shown

COLUMNS = Columns(
    ("order", "product", "mode", "quantity_t", "window_start", "window_end"),
    ("customer", "rate_max_t_per_h", "strength_percent", "note", "wagon_t", "leaves", "loaded_t"),
    {
        "order": "name of the lot, once",
        "product": "commodity, such as naoh_32 or chlorine_liquid",
        "mode": "road, rail, ship or container; pipeline for one day of a pipeline customer",
        "quantity_t": "t of Cl2 or dry t of alkali; t of solution where strength_percent is given",
        "window_start": "loading may start: ISO 8601 with offset, or local time of the site",
        "window_end": "loading must be done; for a pipeline customer the end of his day",
        "customer": "who gets it; for a pipeline the name of the unit",
        "rate_max_t_per_h": "greatest loading rate, t/h; that of [loading] if left out",
        "strength_percent": "strength of the solution that quantity_t counts, wt%",
        "note": "for people",
        "wagon_t": "content of one wagon or tanker, t",
        "leaves": "when it leaves the site; the end of its window if left out",
        "loaded_t": "stands loaded already, beside quantity_t, t",
    },
)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
PIPELINE = "pipeline"
MODES = (PIPELINE, "road", "rail", "ship", "container")
STANDING_MODES = ("road", "rail", "container")
"""Modes of lots that stand loaded on site; a ship lies outside the works' permit."""
FOR_LOTS = ("rate_max_t_per_h", "wagon_t", "leaves", "loaded_t")
"""Columns that say nothing about a pipeline customer."""


@dataclass(frozen=True)
class Orders:
    """What was ordered.

    Parameters
    ----------
    lots : tuple of Lot
        Lots whose window touches the horizon. [-]
    nominations_t_per_d : mapping
        Daily quantity of pipeline customers, by (unit, 'YYYY-MM-DD'). [t/d]
    """

    lots: tuple[Lot, ...]
    nominations_t_per_d: dict[tuple[str, str], float]


def read_orders(sources: Sequence[Source], context: Context) -> Orders:
    """Return the orders of some files.

    Parameters
    ----------
    sources : sequence of Source
        CSV or XLSX tables. [-]
    context : Context
        The site. [-]

    Returns
    -------
    Orders
        Lots and nominations. [-]
    """
    lots: list[Lot] = []
    nominations: dict[tuple[str, str], float] = {}
    places = {name: "the site file" for name in context.site.unit_classes}
    for source in sources:
        for row in read_table(source, COLUMNS, context.problems):
            before = len(context.problems)
            order = _order(row, places, context)
            if order is None or len(context.problems) > before:
                continue
            if order.mode == PIPELINE:
                _nominate(row, order, nominations, context)
            else:
                lots += _lots(row, order, context)
    return Orders(tuple(lots), nominations)


@dataclass(frozen=True)
class _Order:
    name: str
    product: str
    mode: str
    share_dry: float
    quantity_t: float
    start_min: int
    end_min: int


def _order(row: Row, places: dict[str, str], context: Context) -> _Order | None:
    name = row.text("order")
    if name is not None and name in places:
        row.fault("order", f"must be a name of its own (got '{name}', also in {places[name]})")
    elif name is not None and not _NAME.fullmatch(name):
        row.fault("order", f"must be letters, digits, '_', '-' and '.' without blanks (got '{name}')")
    elif name is not None:
        places[name] = f"{row.file}, {row.place}"
    product = _product(row, context)
    mode = row.choice("mode", MODES)
    quantity = row.number("quantity_t", above(0, "t"))
    strength = 100.0
    if row.has("strength_percent"):
        strength = row.number("strength_percent", above(0, "%"), at_most(100, "%")) or strength
    start = row.minute("window_start", context.zone)
    end = row.minute("window_end", context.zone)
    if start is not None and end is not None and end <= start:
        row.fault(
            "window_end",
            f"must be after 'window_start' (got {shown(end, context.zone)}, not after "
            f"{shown(start, context.zone)}); a day ends at 00:00 of the next day",
        )
    if name is None or product is None or mode is None or quantity is None or start is None or end is None:
        return None
    return _Order(name, product, mode, strength / 100.0, quantity * strength / 100.0, start, end)


def _product(row: Row, context: Context) -> str | None:
    name = row.text("product")
    if name is None:
        return None
    known = context.site.commodities
    commodity = known.get(name)
    if commodity is None:
        tonnes = [c.name for c in known.values() if c.unit == "t/h"]
        row.fault("product", f"must be a known commodity (got '{name}'){hint(name, tonnes)}")
        return None
    if commodity.unit != "t/h":
        row.fault(
            "product", f"must be a commodity in t/h, orders are in t (got '{name}' in {commodity.unit})"
        )
        return None
    return name


def _nominate(row: Row, order: _Order, nominations: dict[tuple[str, str], float], context: Context) -> None:
    customer = context.unit_class(row, "customer")
    if customer is None:
        return
    unit = row.text("customer") or ""
    if not issubclass(customer, Pipeline):
        row.fault("customer", f"must be a pipeline customer (got '{unit}', a unit of kind '{customer.kind}')")
        return
    given = [column for column in FOR_LOTS if row.has(column)]
    if given:
        row.fault(given[0], "must be left out for a pipeline; its rates stand in the site file")
        return
    day = instant_of(order.start_min).astimezone(context.zone).date()
    following = day + dt.timedelta(days=1)
    bounds = (day_start_minute(day, context.zone.key), day_start_minute(following, context.zone.key))
    if (order.start_min, order.end_min) != bounds:
        row.fault(
            "window_start",
            f"must begin one local day that ends at 'window_end', for a pipeline {day}T00:00 to "
            f"{following}T00:00 (got "
            f"{shown(order.start_min, context.zone)} to {shown(order.end_min, context.zone)})",
        )
        return
    key = (unit, day.isoformat())
    if key in nominations:
        row.fault("customer", f"must be there once for a day (got '{unit}' for {day} again)")
        return
    nominations[key] = order.quantity_t
    if context.horizon is not None and day not in context.horizon.days:
        context.notes.append(f"order '{order.name}' of {unit}: {day} is outside the horizon, not used")


def _lots(row: Row, order: _Order, context: Context) -> list[Lot]:
    rate = (
        row.number("rate_max_t_per_h", above(0, "t/h"))
        if row.has("rate_max_t_per_h")
        else _default_rate(row, order.mode, context)
    )
    customer = row.text("customer") if row.has("customer") else ""
    if rate is None or customer is None:
        return []
    details = _details(row, order, context)
    if details is None:
        return []
    # A rate is of the tonnes that are loaded, like the quantity: solution where a strength is given.
    rate *= order.share_dry
    try:
        lot = Lot(
            order.name,
            order.product,
            order.quantity_t,
            order.start_min,
            order.end_min,
            rate,
            customer,
            order.mode,
            details.note,
            details.wagon_t,
            details.leaves_min,
            _standing(order, context),
            details.loaded_t,
        )
    except InvalidValues as error:
        for _, text in error.problems:
            context.problems.add(row.file, row.place, text)
        return []
    horizon, zone = context.horizon, context.zone
    if horizon is None:
        return [lot]
    window = f"{shown(order.start_min, zone)} to {shown(order.end_min, zone)}"
    if order.end_min <= horizon.start_min and _still_here(lot, horizon.start_min):
        context.notes.append(
            f"order '{order.name}': its window {window} is over, it leaves at "
            f"{shown(lot.leaves_min or 0, zone)}: taken as loaded and standing on site"
        )
        return [replace(lot, quantity_t=0.0, loaded_t=lot.quantity_t + lot.loaded_t)]
    if order.end_min <= horizon.start_min or order.start_min >= horizon.end_min:
        context.notes.append(f"order '{order.name}': its window {window} is outside the horizon, not used")
        return []
    if order.start_min < horizon.start_min or order.end_min > horizon.end_min:
        side = "began before the horizon" if order.start_min < horizon.start_min else "ends after the horizon"
        context.notes.append(f"order '{order.name}': its window {window} {side}")
    hours = (order.end_min - order.start_min) / 60.0
    if order.quantity_t > rate * hours * (1 + 1e-9):
        context.notes.append(
            f"order '{order.name}': {order.quantity_t:g} t at {rate:g} t/h at most cannot be loaded in its "
            f"window of {hours:g} h"
        )
    return [lot]


@dataclass(frozen=True)
class _Details:
    note: str
    wagon_t: float | None
    leaves_min: int | None
    loaded_t: float


def _details(row: Row, order: _Order, context: Context) -> _Details | None:
    before = len(context.problems)
    note = row.text("note") if row.has("note") else ""
    wagon = row.number("wagon_t", above(0, "t")) if row.has("wagon_t") else None
    loaded = row.number("loaded_t", at_least(0, "t")) if row.has("loaded_t") else None
    leaves = row.minute("leaves", context.zone) if row.has("leaves") else None
    if leaves is not None and leaves < order.end_min:
        row.fault(
            "leaves",
            f"must not be before 'window_end' (got {shown(leaves, context.zone)}, before "
            f"{shown(order.end_min, context.zone)}): nothing is loaded into what has left",
        )
    if len(context.problems) > before:
        return None
    dry = order.share_dry
    return _Details(note or "", None if wagon is None else wagon * dry, leaves, (loaded or 0.0) * dry)


def _standing(order: _Order, context: Context) -> str | None:
    """Return the account of loaded wagons of the store, with a permit, that the lot is loaded from."""
    if order.mode not in STANDING_MODES:
        return None
    stores = (unit for unit in context.site.units if isinstance(unit, ChlorineStore))
    return next((store.loaded for store in stores if store.commodity == order.product), None)


def _still_here(lot: Lot, minute: int) -> bool:
    return lot.standing is not None and lot.leaves_min is not None and lot.leaves_min > minute


def _default_rate(row: Row, mode: str, context: Context) -> float | None:
    rate = context.site.loading.rates[mode]
    if rate is None:
        row.fault(
            "rate_max_t_per_h",
            f"is missing; write a rate, or '{mode}_t_per_h' under [loading] of the site file",
        )
    return rate
