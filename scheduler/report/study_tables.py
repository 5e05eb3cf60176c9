"""The tables of a study of supply contracts: one record for each, for CSV, page and workbook.

Owns columns, rows and order. The figures come from `scheduler.studies.tariffs`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from scheduler.report.columns import Documented
from scheduler.report.csv_text import csv_text
from scheduler.report.topics import Cell, Table, number, words
from scheduler.report.wording import fixed
from scheduler.studies.contract_year import FLAT, LEVEL_UP, SPREAD_UP, CaseFigures
from scheduler.studies.tariffs import Cross, Ranked, Study

SHEETS = {"ranking": "Ranking", "bill_lines": "Bill lines", "months": "Months", "cross": "Cross"}
"""Sheet of each table in the workbook."""


@dataclass(frozen=True)
class RankingColumn:
    """A column of the ranking.

    Parameters
    ----------
    listed : Documented
        Name, unit and meaning. [-]
    getter : callable
        From a ranked contract to its value. [as listed]
    decimals : int
        Digits after the point on page and sheet. [-]
    spoken : str
        Its head in the short table of the page; empty if it does not stand there. [-]
    """

    listed: Documented
    getter: Callable[[Ranked], float | int | str | None]
    decimals: int = 0
    spoken: str = ""


def _column(
    name: str,
    unit: str,
    meaning: str,
    getter: Callable[[Ranked], float | int | str | None],
    decimals: int = 0,
    spoken: str = "",
) -> RankingColumn:
    return RankingColumn(Documented(name, unit, meaning), getter, decimals, spoken)


def _figure(
    name: str,
    unit: str,
    meaning: str,
    getter: Callable[[CaseFigures], float | int | str | None],
    decimals: int = 0,
    spoken: str = "",
) -> RankingColumn:
    return _column(name, unit, meaning, lambda item: getter(item.result.figures), decimals, spoken)


ANEW = "the same, the year planned anew for them; empty if the study did not ask"

RANKING: tuple[RankingColumn, ...] = (
    _column("site", "-", "site of the study", lambda r: r.case.site_name),
    _column("prices", "-", "year of prices", lambda r: r.case.prices_name),
    _column("rank", "-", "place, 1 for the cheapest", lambda r: r.rank, spoken="place"),
    _column("contract", "-", "contract", lambda r: r.case.contract_name, spoken="contract"),
    _figure("status", "-", "kind of result of the year's plan", lambda f: f.status),
    _figure("total", "currency", "bill and cost beside it", lambda f: f.total, spoken="cost"),
    _figure("bill", "currency", "bill of the year", lambda f: f.bill_amount, spoken="bill"),
    _figure("other_cost", "currency", "steam, materials and credits", lambda f: f.unit_cost),
    _figure("energy_mwh", "MWh", "energy drawn", lambda f: f.energy_mwh),
    _figure(
        "average_per_mwh",
        "currency/MWh",
        "bill over energy",
        lambda f: f.average_per_mwh,
        2,
        "mean",
    ),
    _figure(
        "marginal_per_mwh",
        "currency/MWh",
        "what one more MW in every hour costs",
        lambda f: f.marginal_per_mwh,
        2,
        "marginal",
    ),
    _figure(
        "capture_per_mwh", "currency/MWh", "index price weighted by load", lambda f: f.capture_per_mwh, 2
    ),
    _figure("base_per_mwh", "currency/MWh", "index price weighted by time", lambda f: f.base_per_mwh, 2),
    _figure("peak_mw", "MW", "highest hour", lambda f: f.peak_mw, 1, "peak"),
    _figure("full_load_hours", "h", "energy over peak", lambda f: f.full_load_hours, 0, "full load"),
    _figure("worst_month", "-", "month that costs most", lambda f: f.worst_month),
    _figure("worst_month_bill", "currency", "bill of it", lambda f: f.months[f.worst_month]),
    _column(
        "flexibility_value",
        "currency",
        "what constant loads would cost more",
        lambda r: r.flexibility_value,
        spoken="flexing saves",
    ),
    _figure(
        "level_up",
        "currency",
        f"what this load costs more with all prices up by {LEVEL_UP:.0%} of their mean",
        lambda f: f.level_up,
    ),
    _figure(
        "spread_up",
        "currency",
        f"what this load costs more with all prices {SPREAD_UP:.0%} further from their mean",
        lambda f: f.spread_up,
    ),
    _column("level_up_replanned", "currency", ANEW, lambda r: r.replanned.get("level")),
    _column("spread_up_replanned", "currency", ANEW, lambda r: r.replanned.get("spread")),
    _figure(
        "best_contracted_mw",
        "MW",
        "contracted capacity at which the year costs least, the load planned for it",
        lambda f: f.best_contracted_mw,
        1,
    ),
    _figure("best_contracted_saving", "currency", "what it would save", lambda f: f.best_contracted_saving),
    _column("plan_of", "-", "contract whose plan is cheapest under this one", lambda r: r.plan_of),
    _figure(
        "sides",
        "-",
        "side of each cliff",
        lambda f: "; ".join(f"{name} {side}" for name, side in f.sides.items()),
    ),
    _figure("calls", "-", "whether income for calls is counted, and why", lambda f: f.calls),
)
"""Columns of `ranking.csv`."""

_CASE = (
    Documented("site", "-", "site of the study"),
    Documented("prices", "-", "year of prices"),
    Documented("contract", "-", "contract"),
)
_LINE: tuple[tuple[Documented, int], ...] = (
    (Documented("component", "-", "component of the contract"), 0),
    (Documented("label", "-", "what the line is for"), 0),
    (Documented("quantity", "as `unit`", "what is charged"), 3),
    (Documented("quantity_unit", "-", "unit of the quantity"), 0),
    (Documented("rate", "currency/unit", "amount for one unit of the quantity"), 4),
    (Documented("amount", "currency", "amount of the line, negative for income"), 2),
    (Documented("group", "-", "cost group"), 0),
    (Documented("formula", "-", "how the amount follows, in words"), 0),
)


def members(study: Study, cross: Cross) -> tuple[Ranked, ...]:
    """Return the ranked contracts of one site and year of prices, in order.

    Parameters
    ----------
    study : Study
        The comparison. [-]
    cross : Cross
        Names site and prices. [-]

    Returns
    -------
    tuple of Ranked
        The contracts. [-]
    """
    group = (cross.site_name, cross.prices_name)
    return tuple(item for item in study.ranked if (item.case.site_name, item.case.prices_name) == group)


def ranking_table(items: Iterable[Ranked], short: bool = False, ident: str = "ranking") -> Table:
    """Return ranked contracts with their figures.

    Parameters
    ----------
    items : iterable of Ranked
        The contracts. [-]
    short : bool
        Whether only what people compare first. [-]
    ident : str
        Name of the table. [-]

    Returns
    -------
    Table
        A row for each. [-]
    """
    chosen = [column for column in RANKING if column.spoken or not short]
    return Table(
        ident,
        "Contracts in order of cost" if short else "Contracts with all their figures",
        tuple(replace(column.listed, name=column.spoken) if short else column.listed for column in chosen),
        tuple(tuple(_cell(column.getter(item), column.decimals) for column in chosen) for item in items),
    )


def lines_table(items: Iterable[Ranked], ident: str = "bill_lines") -> Table:
    """Return every line of every bill.

    Parameters
    ----------
    items : iterable of Ranked
        The contracts. [-]
    ident : str
        Name of the table. [-]

    Returns
    -------
    Table
        A row for each line. [-]
    """
    rows = (
        (*_case(item), *(_cell(line[column.name], decimals) for column, decimals in _LINE))
        for item in items
        for line in item.result.figures.bill
    )
    return Table(ident, "Lines of the bills", (*_CASE, *(column for column, _ in _LINE)), tuple(rows))


def months_table(items: Iterable[Ranked], ident: str = "months") -> Table:
    """Return what each bill grows by in each month.

    Parameters
    ----------
    items : iterable of Ranked
        The contracts. [-]
    ident : str
        Name of the table. [-]

    Returns
    -------
    Table
        A row for each contract and month. [-]
    """
    columns = (
        *_CASE,
        Documented("month", "-", "local month"),
        Documented("bill", "currency", "bill of that month"),
    )
    rows = (
        (*_case(item), words(month), number(amount, 0))
        for item in items
        for month, amount in item.result.figures.months.items()
    )
    return Table(ident, "Bills by month", columns, tuple(rows))


def cross_table(study: Study) -> Table:
    """Return every plan billed under every contract.

    Parameters
    ----------
    study : Study
        The comparison. [-]

    Returns
    -------
    Table
        A row for each plan and contract. [-]
    """
    columns = (
        *_CASE[:2],
        Documented("plan_made_for", "-", "contract for which the plan was made"),
        Documented("billed_under", "-", "contract under which it is billed"),
        Documented("total", "currency", "bill and cost beside it"),
    )
    rows = (
        (words(cross.site_name), words(cross.prices_name), words(plan), words(terms), number(total, 0))
        for cross in study.crosses
        for plan, totals in zip(cross.contracts, cross.totals.tolist(), strict=True)
        for terms, total in zip(cross.contracts, totals, strict=True)
    )
    return Table("cross", "Every plan billed under every contract", columns, tuple(rows))


def cross_matrix(cross: Cross, ident: str) -> Table:
    """Return how much dearer each plan is under each contract than that contract's own plan.

    Parameters
    ----------
    cross : Cross
        The matrix. [-]
    ident : str
        Name of the table. [-]

    Returns
    -------
    Table
        A row for each plan, a column for each contract. [-]
    """
    columns = (
        Documented("plan made for", "-", "contract for which the plan was made"),
        *(
            Documented(f"under {words(name).text}", "%", "more than the contract's own plan")
            for name in cross.contracts
        ),
    )
    rows = []
    for i, plan in enumerate(cross.contracts):
        cells = [words(plan)]
        for j in range(len(cross.contracts)):
            own = float(cross.totals[j, j])
            share = 100.0 * (float(cross.totals[i, j]) - own) / abs(own) if own else 0.0
            # Adding 0 turns a negative zero into zero.
            cells.append(number(round(share, 2) + 0.0, 2))
        rows.append(tuple(cells))
    return Table(ident, "Plans of the rows billed under the contracts of the columns", columns, tuple(rows))


def in_currency(table: Table, currency: str) -> Table:
    """Return a table whose units name the currency.

    Parameters
    ----------
    table : Table
        The table. [-]
    currency : str
        ISO 4217 code. [-]

    Returns
    -------
    Table
        The same for people. [-]
    """
    columns = (replace(c, unit=c.unit.replace("currency", currency)) for c in table.columns)
    return replace(table, columns=tuple(columns))


def table_csv(table: Table) -> str:
    """Return a table as CSV, numbers to six digits after the point.

    Parameters
    ----------
    table : Table
        The table. [-]

    Returns
    -------
    str
        CSV with a head. [-]
    """
    rows = ([_raw(cell) for cell in row] for row in table.rows)
    return csv_text([column.name for column in table.columns], rows)


def remarks(item: Ranked) -> tuple[str, ...]:
    """Return what must be said of a contract beside its figures.

    Parameters
    ----------
    item : Ranked
        The contract. [-]

    Returns
    -------
    tuple of str
        Sentences without the contract's name. [-]
    """
    figures, found = item.result.figures, []
    if item.plan_of == FLAT:
        found.append("constant loads are cheapest here and are taken")
    elif item.plan_of != item.case.contract_name:
        found.append(f"the plan made for {item.plan_of} is cheaper here and is taken")
    if figures.best_contracted_saving:
        found.append(
            f"{fixed(figures.best_contracted_mw or 0.0, 1)} MW contracted would save "
            f"{fixed(figures.best_contracted_saving, 0, True)}, the load planned for it"
        )
    if figures.calls:
        found.append(figures.calls)
    found.extend(f"missed: {miss}" for miss in figures.misses)
    return tuple(words(text).text for text in found)


def _case(item: Ranked) -> tuple[Cell, ...]:
    return (words(item.case.site_name), words(item.case.prices_name), words(item.case.contract_name))


def _cell(value: float | int | str | None, decimals: int) -> Cell:
    return words(value) if isinstance(value, str) else number(value, decimals)


def _raw(cell: Cell) -> str:
    if cell.value is None:
        return ""
    if isinstance(cell.value, str):
        return cell.value
    return f"{cell.value:.6f}".rstrip("0").rstrip(".")
