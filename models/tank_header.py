"""Several tanks of one product on one header: which tank is filled, which is loaded from, what is pumped.

What is made of a product is filled into its tanks, what leaves is drawn from them, and both are 0 or more in
each tank and interval. So two tanks never exchange stock through the header: over an interval all fillings
together are what is made, all drawings together what leaves, and content goes from one tank to another only
through a transfer pump whose rate is stated. A tank that is filled and drawn in one interval passes product
on; that is no transfer, for no other tank gets what was in it.

Owns the records of fillings, drawings and transfers. Limits of contents stand with the tanks.

Notes
-----
With m(t) what is made and s(t) what leaves of a product, f_i, d_i filling and drawing of tank i, x_i what
it gets by transfer (negative: gives), L_i its content and h the length of the interval:

    sum f_i = m,   sum d_i = s,   sum x_i = 0,   -p_i <= x_i,   L_i(t) = L_i(t-1) + h (f_i - d_i + x_i)

with f_i, d_i >= 0 and p_i the rate of the pump out of tank i. The second is not stated: it follows from the
others and the balance of the product. A single tank without stated rates needs none of this.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from models.horizon import Array, Horizon
from models.pieces import Declaration, Entry, Flow, Moves, Rows, Stock, Variable

RATE_UNIT = {"t": "t/h", "kg": "kg/h", "m3": "m3/h"}
"""Unit of filling and drawing for each unit of a content."""


def on_headers(units: Declaration, horizon: Horizon) -> Declaration:
    """Return the records of units with fillings and drawings where tanks share a product.

    Parameters
    ----------
    units : Declaration
        Records of all units. [-]
    horizon : Horizon
        The intervals. [-]

    Returns
    -------
    Declaration
        The same records where every product has one tank without stated rates; else with a bus for each tank
        of a shared product, and records of what is filled, drawn and transferred. [-]

    Raises
    ------
    ValueError
        If a flow onto a shared product may go both ways, or the only tank of a product states a transfer.
    """
    groups = _groups(units.stocks)
    if not groups:
        return units
    shared = {stock.key: replace(stock, bus=_bus(stock)) for group in groups for stock in group}
    stocks = tuple(shared.get(stock.key, stock) for stock in units.stocks)
    parts = [_header(group, units, horizon) for group in groups]
    return Declaration.merged((replace(units, stocks=stocks), *parts))


def piece(stock: Stock, what: str) -> str:
    """Return the key of a tank's filling, drawing or transfer.

    Parameters
    ----------
    stock : Stock
        Its content. [-]
    what : str
        'fill', 'draw' or 'transfer'. [-]

    Returns
    -------
    str
        The key, for example 'soda_a_fill' for the content 'soda_a_level'. [-]
    """
    return f"{stock.key.removesuffix('_level')}_{what}"


def problems_of(stocks: Iterable[Stock]) -> list[str]:
    """Return what is wrong with the stated transfers of a site.

    Parameters
    ----------
    stocks : iterable of Stock
        All contents. [-]

    Returns
    -------
    list of str
        Sentences. [-]
    """
    stocks = tuple(stocks)
    return [
        f"'transfer_max_t_per_h' of {stock.key.removesuffix('_level')}: no other tank holds "
        f"{stock.commodity}, so nothing can be transferred: leave it out or add the other tank"
        for stock in stocks
        if stock.transfer_max > 0 and sum(other.commodity == stock.commodity for other in stocks) == 1
    ]


def _bus(stock: Stock) -> str:
    return f"{stock.commodity}_in_{stock.key.removesuffix('_level')}"


def _limited(stock: Stock) -> bool:
    return bool(np.any(np.isfinite(stock.fill_max)) or np.any(np.isfinite(stock.draw_max)))


def _groups(stocks: Sequence[Stock]) -> list[tuple[Stock, ...]]:
    """Return the contents that share a product, or whose rates are limited."""
    groups: dict[str, list[Stock]] = {}
    for stock in stocks:
        groups.setdefault(stock.commodity, []).append(stock)
    return [tuple(group) for group in groups.values() if len(group) > 1 or _limited(group[0])]


def _header(group: tuple[Stock, ...], units: Declaration, horizon: Horizon) -> Declaration:
    commodity, unit = group[0].commodity, RATE_UNIT[group[0].unit]
    n = len(horizon)
    each, ones, nothing = np.arange(n), np.ones(n), np.zeros(n)
    entries, constant, made_max, sent_max = _made(commodity, units, horizon)
    variables, flows, rows, moves = [], [], [], []
    entries += [Entry(piece(stock, "fill"), each, each, ones) for stock in group]
    rows.append(
        Rows(
            f"{commodity}_is_filled",
            unit,
            tuple(entries),
            constant,
            constant,
            intervals=each,
            breakable=False,
            meaning=f"what is made of {commodity} is filled into its tanks",
        )
    )
    given = [stock.transfer_max for stock in group]
    for stock in group:
        name = stock.key.removesuffix("_level")
        for what, words, most, limit in (
            ("fill", "filling", made_max, stock.fill_max),
            # Beyond what can leave: the bound is no limit, it only says how far a change of drawing is large.
            ("draw", "drawing", 2.0 * (made_max + sent_max) + 1.0, stock.draw_max),
        ):
            key, sign = piece(stock, what), 1.0 if what == "fill" else -1.0
            variables.append(Variable(key, unit, nothing, most, each, meaning=f"{words} of {name}"))
            flows += [Flow(commodity, key, -sign), Flow(_bus(stock), key, sign)]
            if len(group) > 1:
                # Calm: the tank that is filled or loaded from stays the same where that costs nothing.
                moves.append(Moves(f"{key}_moves", key, np.ones(n, dtype=bool)))
            at = np.flatnonzero(np.isfinite(np.broadcast_to(limit, n)))
            if at.size:
                rows.append(
                    Rows(
                        f"{key}_rate",
                        unit,
                        (Entry(key, np.arange(len(at)), at, np.ones(len(at))),),
                        np.full(len(at), -np.inf),
                        np.broadcast_to(limit, n)[at],
                        intervals=at,
                        meaning=f"greatest rate of {words} of {name}",
                    )
                )
        if len(group) > 1 and any(given):
            key = piece(stock, "transfer")
            most = np.full(n, sum(given) - stock.transfer_max)
            least = np.full(n, -stock.transfer_max)
            words = f"transfer into {name} from other tanks, negative out of it"
            variables.append(Variable(key, unit, least, most, each, meaning=words))
            flows.append(Flow(_bus(stock), key, 1.0))
            moves.append(Moves(f"{key}_moves", key, np.ones(n, dtype=bool), from_rest=True))
    if len(group) > 1 and any(given):
        rows.append(
            Rows(
                f"{commodity}_is_transferred",
                unit,
                tuple(Entry(piece(stock, "transfer"), each, each, ones) for stock in group),
                nothing,
                nothing,
                intervals=each,
                breakable=False,
                meaning=f"what one tank of {commodity} gives another gets",
            )
        )
    return Declaration(tuple(variables), flows=tuple(flows), rows=tuple(rows), moves=tuple(moves))


def _made(commodity: str, units: Declaration, horizon: Horizon) -> tuple[list[Entry], Array, Array, Array]:
    """Return what is made of a product as entries (negative) and a constant, and the most made and sent."""
    n = len(horizon)
    variables = {variable.key: variable for variable in units.variables}
    constant, made_max, sent_max = np.zeros(n), np.zeros(n), np.zeros(n)
    entries = []
    for flow in units.flows:
        if flow.commodity != commodity:
            continue
        variable = variables.get(flow.variable)
        if variable is None or variable.intervals is None or np.any(variable.lower < 0):
            raise ValueError(
                f"{flow.variable} may put {commodity} into its tanks or take it out: where several tanks "
                "share a product, or have stated rates, each flow must go one way"
            )
        at = variable.intervals
        factor = np.broadcast_to(np.asarray(flow.coefficient, dtype=np.float64), len(at))
        fixed = np.broadcast_to(np.asarray(flow.constant, dtype=np.float64), len(at))
        makes = (factor > 0) | ((factor == 0) & (fixed > 0))
        most = np.where(factor == 0, 0.0, np.abs(factor) * np.where(factor == 0, 0.0, variable.upper))
        np.add.at(constant, at[makes], fixed[makes])
        np.add.at(made_max, at[makes], (most + np.maximum(fixed, 0.0))[makes])
        np.add.at(sent_max, at[~makes], (most + np.abs(fixed))[~makes])
        live = np.flatnonzero(makes & (factor != 0))
        if live.size:
            entries.append(Entry(flow.variable, at[live], live, -factor[live]))
    return entries, constant, made_max, sent_max
