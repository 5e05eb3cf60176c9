"""Which tank of a shared product is filled, which is loaded from, and what is transferred between them.

Owns the words and the table. Fillings and drawings themselves are records of `models.tank_header`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.horizon import Array
from models.pieces import Stock
from models.tank_header import piece
from scheduler.report.figures import RATE_TOLERANCE_T_PER_H, edges_min
from scheduler.report.wording import clock, fixed, plain
from scheduler.result import Plan

LEVEL = "_level"
VERBS = {"fill": "fill", "draw": "draw from"}
"""Verbs of a shift for what a tank does."""


@dataclass(frozen=True)
class TankRun:
    """A stretch of the plan day over which a tank is filled, drawn or gives to another.

    Parameters
    ----------
    product, tank : str
        What, and which tank. [-]
    what : str
        'fill', 'draw' or 'transfer' (into the tank if the rate is positive, else out of it). [-]
    first, end : int
        Intervals [first, end). [-]
    rate_t_per_h : float
        Mean rate over the stretch. [t/h]
    """

    product: str
    tank: str
    what: str
    first: int
    end: int
    rate_t_per_h: float


def shared_tanks(plan: Plan) -> dict[str, tuple[Stock, ...]]:
    """Return the tanks that share a product with others.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    dict
        Contents by product, two or more each. [-]
    """
    found: dict[str, tuple[Stock, ...]] = {}
    for stock in plan.declaration.stocks:
        if stock.bus and stock.key.endswith(LEVEL):
            found[stock.commodity] = (*found.get(stock.commodity, ()), stock)
    return {product: tanks for product, tanks in found.items() if len(tanks) > 1}


def rates(plan: Plan, stock: Stock, what: str) -> Array:
    """Return the rate at which a shared tank is filled, drawn or transferred.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    stock : Stock
        Its content. [-]
    what : str
        'fill', 'draw' or 'transfer'. [-]

    Returns
    -------
    ndarray
        Rate on every interval; zeros where nothing may be transferred. Shape (n,). [t/h]
    """
    return plan.audit.values.get(piece(stock, what), np.zeros(len(plan.horizon)))


def tank_runs(plan: Plan) -> tuple[TankRun, ...]:
    """Return what each shared tank does on the plan day, by product, then in order of time.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of TankRun
        The stretches; empty where no product has several tanks. [-]
    """
    days, hours = plan.horizon.plan_intervals, plan.horizon.hours
    found = []
    for product, tanks in shared_tanks(plan).items():
        for what in ("fill", "draw", "transfer"):
            runs = []
            for stock in tanks:
                rate = rates(plan, stock, what)[:days]
                sign = np.where(np.abs(rate) > RATE_TOLERANCE_T_PER_H, np.sign(rate), 0.0)
                borders = np.flatnonzero(np.diff(sign, prepend=np.nan, append=np.nan) != 0)
                for first, end in zip(borders[:-1].tolist(), borders[1:].tolist(), strict=True):
                    if sign[first]:
                        mean = float(np.average(rate[first:end], weights=hours[first:end]))
                        name = stock.key.removesuffix(LEVEL)
                        runs.append(TankRun(product, name, what, first, end, mean))
            found += sorted(runs, key=lambda run: (run.first, run.end))
    return tuple(found)


def tank_lines(plan: Plan, doubled: bool = False) -> tuple[str, ...]:
    """Return which tank to fill and which to load from on the plan day, one line for each product.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    doubled : bool
        Whether clock times need their offset, because an hour comes twice. [-]

    Returns
    -------
    tuple of str
        Lines; empty where no product has several tanks. [-]
    """
    runs, edges = tank_runs(plan), edges_min(plan)
    lines = []
    for product in shared_tanks(plan):
        parts = []
        for run in (run for run in runs if run.product == product):
            span = "-".join(clock(plan.horizon, int(edges[at]), doubled) for at in (run.first, run.end))
            if (run.first, run.end) == (0, plan.horizon.plan_intervals):
                span = "all day"
            if run.what == "transfer":
                way = "pump into" if run.rate_t_per_h > 0 else "pump out of"
                parts.append(f"{way} {plain(run.tank)} {span} at {fixed(abs(run.rate_t_per_h), 1)} t/h")
            else:
                rate = f"{fixed(run.rate_t_per_h, 1)} t/h on the mean"
                parts.append(f"{VERBS[run.what]} {plain(run.tank)} {span} at {rate}")
        lines.append(f"{plain(product)}: {', '.join(parts) or 'nothing made or sent'}")
    return tuple(lines)
