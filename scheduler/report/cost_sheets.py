"""The tables of a cost study: one source of their columns, for CSV, workbook and page alike.

Owns names, units, decimals and rows. Figures come from the studies; nothing is computed here but shares per
tonne. Names carry their unit and change only with a line in the changelog.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from models.cost_values import Value
from models.load_cost import Split
from models.running_cost import RoomCost
from scheduler.report.wording import fixed, local_start, plain
from scheduler.studies.conversion import ConversionStudy
from scheduler.studies.technologies import Technologies, Variant

Cell = str | float | None


@dataclass(frozen=True)
class SheetColumn:
    """A column of a table.

    Parameters
    ----------
    name : str
        Name, with its unit where it has one of its own. [-]
    meaning : str
        What it holds. [-]
    decimals : int, optional
        Digits after the point; None for text. [-]
    """

    name: str
    meaning: str
    decimals: int | None = None


@dataclass(frozen=True)
class Sheet:
    """A table.

    Parameters
    ----------
    name : str
        Name: of the file without its ending, and of the sheet. [-]
    title : str
        What it shows, for people. [-]
    columns : tuple of SheetColumn
        The columns. [-]
    rows : tuple of tuple
        Cells in the order of the columns. [-]
    products : tuple of (str, str, str)
        Columns that are the product of two others in the workbook: result, first, second. [-]
    """

    name: str
    title: str
    columns: tuple[SheetColumn, ...]
    rows: tuple[tuple[Cell, ...], ...]
    products: tuple[tuple[str, str, str], ...] = ()

    def position(self, name: str) -> int:
        """Return the position of a column.

        Parameters
        ----------
        name : str
            Name of the column. [-]

        Returns
        -------
        int
            Position from 0. [-]
        """
        return [column.name for column in self.columns].index(name)


def cell_text(value: Cell, decimals: int | None) -> str:
    """Return a cell as text: a number with its decimals, nothing for None.

    Parameters
    ----------
    value : str, float or None
        Content. [any]
    decimals : int, optional
        Digits after the point. [-]

    Returns
    -------
    str
        The text. [-]
    """
    if value is None:
        return ""
    return plain(value) if isinstance(value, str) else fixed(value, decimals or 0)


def sheet_csv(sheet: Sheet) -> str:
    """Return a table as CSV (RFC 4180 with line feeds).

    Parameters
    ----------
    sheet : Sheet
        The table. [-]

    Returns
    -------
    str
        Text of the file. [-]
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([column.name for column in sheet.columns])
    for row in sheet.rows:
        writer.writerow([cell_text(v, c.decimals) for v, c in zip(row, sheet.columns, strict=True)])
    return text.getvalue()


_VARIANT = SheetColumn("variant", "'as_is' or the name of the hypothetical room")
_ROOM = SheetColumn("room", "room; 'all rooms' for all of a variant together")
_PER = (
    SheetColumn("per_t_chlorine", "cost per tonne of chlorine, its alkali made with it [currency/t]", 2),
    SheetColumn("per_t_alkali", "the same cost per dry tonne of alkali, delivered at 50 wt% [currency/t]", 2),
    SheetColumn("per_ecu", "the same cost per ECU: 1 t Cl2 with its alkali [currency/ECU]", 2),
)

COLUMNS: Final[dict[str, tuple[SheetColumn, ...]]] = {
    "rooms": (
        _VARIANT,
        _ROOM,
        SheetColumn("technology", "technology of its circuits"),
        SheetColumn("salt", "NaCl or KCl"),
        SheetColumn("hours", "length of the planned period [h]", 1),
        SheetColumn("chlorine_t", "chlorine made [t]", 2),
        SheetColumn("alkali_t", "dry alkali made [t]", 2),
        SheetColumn("ac_kwh_per_t", "AC energy with auxiliaries per tonne of chlorine [kWh/t]", 1),
        SheetColumn("total", "running cost of the period [currency]", 2),
        *_PER,
    ),
    "items": (
        _VARIANT,
        _ROOM,
        SheetColumn("item", "name of the line"),
        SheetColumn("label", "the line in words"),
        SheetColumn("quantity", "quantity over the period [unit]", 6),
        SheetColumn("unit", "unit of the quantity"),
        SheetColumn("price", "price of a unit, the mean where it varies [currency/unit]", 6),
        SheetColumn("amount", "quantity times price [currency]", 2),
        *_PER,
        SheetColumn("quantity_from", "where the quantity comes from"),
        SheetColumn("price_from", "where the price comes from"),
    ),
    "load_cost": (
        _VARIANT,
        _ROOM,
        SheetColumn("cost", "'power only' or 'with steam': all that goes with a tonne"),
        SheetColumn("chlorine_t_per_h", "chlorine of the room [t/h]", 4),
        SheetColumn("average_per_t", "average cost [currency/t]", 3),
        SheetColumn("marginal_per_t", "cost of one more tonne [currency/t]", 3),
    ),
    "split": (
        _VARIANT,
        SheetColumn("salt", "NaCl or KCl: rooms of different alkali are not compared"),
        SheetColumn("cost", "'power only' or 'with steam'"),
        SheetColumn("total_t_per_h", "chlorine of all circuits of the salt [t/h]", 4),
        SheetColumn("marginal_per_t", "cost of one more tonne [currency/t]", 3),
        SheetColumn("average_per_t", "average cost [currency/t]", 3),
        SheetColumn("circuit", "circuit"),
        SheetColumn("load_ka", "its load in the cheapest split [kA]", 4),
        SheetColumn("chlorine_t_per_h", "its chlorine [t/h]", 4),
    ),
    "price_steps": (
        _VARIANT,
        SheetColumn("circuit", "circuit"),
        SheetColumn("full_below_per_mwh", "up to this power price full load is cheapest [currency/MWh]", 2),
        SheetColumn(
            "least_above_per_mwh", "from this power price on the least load is cheapest [currency/MWh]", 2
        ),
        SheetColumn("value_per_t", "worth of one more tonne [currency/t]", 2),
        SheetColumn("value_from", "where the worth comes from"),
    ),
    "load_at_price": (
        _VARIANT,
        SheetColumn("circuit", "circuit"),
        SheetColumn("power_price_per_mwh", "power price [currency/MWh]", 3),
        SheetColumn("load_ka", "load that is cheapest for the worth of price_steps.csv [kA]", 4),
    ),
    "order": (
        _VARIANT,
        SheetColumn("above_price", "circuit to raise first above the price, both at least load"),
        SheetColumn("below_price", "circuit to raise first below the price"),
        SheetColumn("power_price_per_mwh", "power price at which the order reverses [currency/MWh]", 2),
    ),
    "inputs": (
        _VARIANT,
        SheetColumn("owner", "room; 'site' for all"),
        SheetColumn("key", "name of the value"),
        SheetColumn("value", "value in use [unit]", 6),
        SheetColumn("unit", "unit"),
        SheetColumn("standing", "'stated' by the site, or 'default'"),
        SheetColumn("source", "where it comes from"),
    ),
    "hours": (
        _VARIANT,
        SheetColumn("start", "start of the interval in local time with its offset from UTC"),
        SheetColumn("minutes", "length of the interval [min]", 0),
        SheetColumn("energy_price_per_mwh", "sum of the contract's energy rates [currency/MWh]", 4),
        SheetColumn("circuit", "circuit"),
        SheetColumn("load_ka", "planned load that is costed [kA]", 4),
    ),
    "conversion": (
        SheetColumn("key", "parameter or result"),
        SheetColumn("value", "value [unit]", 6),
        SheetColumn("unit", "unit"),
        SheetColumn("source", "where it comes from"),
    ),
    "saving": (
        SheetColumn("item", "name of the line"),
        SheetColumn("label", "the line in words"),
        SheetColumn("as_is_per_year", "cost of all rooms in a year, as it is [currency/a]", 2),
        SheetColumn("converted_per_year", "the same, converted [currency/a]", 2),
        SheetColumn("saving_per_year", "difference; negative if it costs more [currency/a]", 2),
    ),
    "cash_flows": (
        SheetColumn("year", "end of the year; 0 is now [a]", 0),
        SheetColumn("cash_flow", "cash flow [currency]", 2),
        SheetColumn("discounted", "cash flow discounted to now [currency]", 2),
        SheetColumn("summed", "discounted cash flows so far [currency]", 2),
    ),
    "tornado": (
        SheetColumn("key", "parameter"),
        SheetColumn("low", "low end of its range [unit]", 4),
        SheetColumn("high", "high end of its range [unit]", 4),
        SheetColumn("unit", "unit"),
        SheetColumn("npv_low", "net present value at the low end [currency]", 2),
        SheetColumn("npv_high", "net present value at the high end [currency]", 2),
    ),
}
"""Columns of every table of a cost study, by the table's name."""


def readme_table() -> str:
    """Return the table of all columns for the README, in Markdown. [-]."""
    lines = ["| file | column | meaning |", "|---|---|---|"]
    for name, columns in COLUMNS.items():
        lines += [f"| `{name}.csv` | `{column.name}` | {column.meaning} |" for column in columns]
    return "\n".join(lines)


def technologies_sheets(study: Technologies) -> tuple[Sheet, ...]:
    """Return the tables of the running costs.

    Parameters
    ----------
    study : Technologies
        The study. [-]

    Returns
    -------
    tuple of Sheet
        The tables. [-]
    """
    variants = study.variants
    return (
        _sheet("rooms", "Running cost by room", [row for v in variants for row in _rooms(v)]),
        _sheet(
            "items",
            "Every line: quantity x price = amount",
            [row for v in variants for row in _items(v)],
            (("amount", "quantity", "price"),),
        ),
        _sheet("load_cost", "Cost over the load", [row for v in variants for row in _curves(v)]),
        _sheet("split", "Cheapest split of each total", [row for v in variants for row in _splits(v)]),
        _sheet(
            "price_steps",
            "Power prices at which loads go to their ends",
            [
                (
                    v.name,
                    s.prices.name,
                    s.prices.full_below_per_mwh,
                    s.prices.least_above_per_mwh,
                    s.value_per_t,
                    s.value_from,
                )
                for v in variants
                for s in v.steps
            ],
        ),
        _sheet(
            "load_at_price",
            "Cheapest load over the power price",
            [
                (v.name, curve.name, float(price), float(load))
                for v in variants
                for curve in v.price_curves
                for price, load in zip(curve.power_price_per_mwh, curve.load_ka, strict=True)
            ],
        ),
        _sheet(
            "order",
            "Power prices at which the order of two circuits reverses",
            [(v.name, o.first, o.second, o.power_price_per_mwh) for v in variants for o in v.indifferences],
        ),
        _sheet("inputs", "Prices and uses", [row for v in variants for row in _inputs(v.name, v.values)]),
    )


def hours_sheet(study: Technologies) -> Sheet:
    """Return the loads and prices that every cost rests on, interval by interval.

    Parameters
    ----------
    study : Technologies
        The study. [-]

    Returns
    -------
    Sheet
        The table; it is long, so it has a file of its own and no page. [-]
    """
    rows: list[tuple[Cell, ...]] = []
    for variant in study.variants:
        period = variant.planned.period
        for i, (minutes, price) in enumerate(
            zip(period.horizon.lengths_min, period.energy_price_per_mwh, strict=True)
        ):
            start = local_start(period.horizon, i)
            rows += [
                (variant.name, start, float(minutes), float(price), circuit, float(loads[i]))
                for circuit, loads in period.loads_ka.items()
            ]
    return _sheet("hours", "Loads and energy prices, interval by interval", rows)


def conversion_sheets(study: ConversionStudy) -> tuple[Sheet, ...]:
    """Return the tables of a conversion.

    Parameters
    ----------
    study : ConversionStudy
        The study. [-]

    Returns
    -------
    tuple of Sheet
        The tables. [-]
    """
    case = study.case
    saved = "difference of the two planned variants, all rooms, see saving.csv"
    inputs: list[tuple[Cell, ...]] = [
        (key, span.value, span.unit, span.source) for key, span in study.ranges.items()
    ]
    planned: list[tuple[Cell, ...]] = [
        ("chlorine_t_per_year", case.chlorine_t_per_year, "t/a", "planned, " + ", ".join(study.rooms_out)),
        ("capacity_t_per_year", case.capacity_t_per_year, "t/a", "greatest load of the room x 8760 h"),
        ("energy_saved_mwh_per_year", case.energy_saved_mwh_per_year, "MWh/a", saved),
        (
            "power_price_per_mwh",
            case.power_price_per_mwh,
            "currency/MWh",
            "power money saved over energy saved, demand and standing charges included",
        ),
        ("steam_more_t_per_year", case.steam_more_t_per_year, "t/a", saved),
        ("steam_price_per_t", case.steam_price_per_t, "currency/t", "see inputs.csv"),
        ("other_saving_per_year", case.other_saving_per_year, "currency/a", saved),
    ]
    results: list[tuple[Cell, ...]] = [
        ("saving_per_year", case.saving_per_year, "currency/a", "power less steam plus other, as above"),
        ("investment", case.investment, "currency", "investment_per_t_per_year x capacity"),
        ("decommissioning", case.decommissioning, "currency", "decommissioning_per_t_per_year x capacity"),
        ("mercury_t", case.mercury_t, "t", "mercury_inventory_t_per_kt x capacity"),
        ("mercury_disposal", case.mercury_disposal, "currency", "mercury_t x mercury_disposal_per_t"),
        (
            "downtime_loss",
            case.downtime_loss,
            "currency",
            "chlorine_t_per_year / 365 x downtime_days x downtime_loss_per_t",
        ),
        ("outlay", case.outlay, "currency", "sum of the four amounts above"),
        ("net_present_value", case.npv, "currency", "cash flows discounted, see cash_flows.csv"),
        ("internal_rate_of_return", case.irr, "1/a", "rate at which the net present value is 0"),
        ("simple_payback_years", case.simple_payback_years, "a", "outlay / saving_per_year"),
        (
            "discounted_payback_years",
            case.discounted_payback_years,
            "a",
            "when the discounted cash flows have paid the outlay; empty if not within the life",
        ),
    ]
    flows = case.cash_flows
    years = np.arange(len(flows))
    discounted = flows / (1.0 + case.discount_rate_percent / 100.0) ** years
    summed = np.cumsum(discounted)
    return (
        _sheet("conversion", "The case: inputs and results", [*inputs, *planned, *results]),
        _sheet(
            "saving",
            "Yearly cost of all rooms, line by line",
            [(s.key, s.label, s.as_is, s.converted, s.saving) for s in study.lines],
        ),
        _sheet(
            "cash_flows",
            "Cash flows",
            [
                (float(y), float(f), float(d), float(s))
                for y, f, d, s in zip(years, flows, discounted, summed, strict=True)
            ],
        ),
        _sheet(
            "tornado",
            "What each parameter does to the net present value",
            [(s.key, s.low, s.high, s.unit, s.npv_low, s.npv_high) for s in study.swings],
        ),
    )


def _sheet(
    name: str, title: str, rows: list[tuple[Cell, ...]], products: tuple[tuple[str, str, str], ...] = ()
) -> Sheet:
    return Sheet(name, title, COLUMNS[name], tuple(rows), products)


def _per(cost: RoomCost, amount: float) -> tuple[Cell, ...]:
    """Return an amount per tonne of chlorine, per tonne of alkali and per ECU, as shares of the totals."""
    if not cost.chlorine_t or not cost.alkali_t:
        return (None, None, None)
    ecus = cost.total / cost.per_ecu if cost.per_ecu else cost.chlorine_t
    return (amount / cost.chlorine_t, amount / cost.alkali_t, amount / ecus)


def _all(variant: Variant) -> tuple[RoomCost, ...]:
    return (*variant.rooms, variant.whole)


def _rooms(variant: Variant) -> Iterator[tuple[Cell, ...]]:
    for room in _all(variant):
        yield (
            variant.name,
            room.name,
            room.technology,
            room.salt,
            room.hours,
            room.chlorine_t,
            room.alkali_t,
            room.ac_kwh_per_t,
            room.total,
            *_per(room, room.total),
        )


def _items(variant: Variant) -> Iterator[tuple[Cell, ...]]:
    for room in _all(variant):
        for item in room.items:
            yield (
                variant.name,
                room.name,
                item.key,
                item.label,
                item.quantity,
                item.unit,
                item.price,
                item.amount,
                *_per(room, item.amount),
                item.quantity_from,
                item.price_from,
            )


_COSTS = ("power only", "with steam")


def _curves(variant: Variant) -> Iterator[tuple[Cell, ...]]:
    for curve in variant.curves:
        for cost, split in zip(_COSTS, (curve.power_only, curve.with_steam), strict=True):
            for total, average, marginal in zip(
                split.total_t_per_h, split.average, split.marginal, strict=True
            ):
                yield (variant.name, curve.room, cost, float(total), float(average), float(marginal))


def _splits(variant: Variant) -> Iterator[tuple[Cell, ...]]:
    for one in variant.splits:
        for cost, split in zip(_COSTS, (one.power_only, one.with_steam), strict=True):
            yield from _split_rows(variant.name, one.salt, cost, split)


def _split_rows(variant: str, salt: str, cost: str, split: Split) -> Iterator[tuple[Cell, ...]]:
    for i, total in enumerate(split.total_t_per_h):
        for c, name in enumerate(split.names):
            yield (
                variant,
                salt,
                cost,
                float(total),
                float(split.marginal[i]),
                float(split.average[i]),
                name,
                float(split.loads_ka[c, i]),
                float(split.chlorine_t_per_h[c, i]),
            )


def _inputs(variant: str, values: tuple[Value, ...]) -> Iterator[tuple[Cell, ...]]:
    for value in values:
        yield (
            variant,
            value.owner or "site",
            value.key,
            value.value,
            value.unit,
            "default" if value.is_default else "stated",
            value.source,
        )
