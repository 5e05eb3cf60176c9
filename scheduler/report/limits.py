"""Which limits a plan runs into: ranges of decisions, limits of stocks, rules, ranges of readings.

Owns the search for limits that bind, by the audited values. What a limit is worth is not known here: a limit
that binds may be worth nothing, because another one binds at the same time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.horizon import Array, Integers, Mask
from scheduler.audit import row_values
from scheduler.report.figures import plan_mask
from scheduler.result import Plan

AT_LIMIT = 1e-5
"""Distance from a limit, as a share of its size, up to which it counts as reached."""


@dataclass(frozen=True)
class ReachedLimit:
    """A limit that the plan reaches on the plan day.

    Parameters
    ----------
    key : str
        Key of the variable, stock, row or unit. [-]
    meaning : str
        The limit in words. [-]
    side : str
        'upper' or 'lower'. [-]
    unit : str
        Unit of the limit. [-]
    least, most : float
        Least and highest value of the limit where it is reached. [unit]
    hours : float
        For how long it is reached on the plan day; 0 for one without intervals. [h]
    first : int or None
        First interval at which it is reached; None for one without intervals. [-]
    """

    key: str
    meaning: str
    side: str
    unit: str
    least: float
    most: float
    hours: float
    first: int | None


def reached_limits(plan: Plan) -> tuple[ReachedLimit, ...]:
    """Return the limits that a plan reaches on the plan day, those held longest first.

    Left out: what has one value only, decisions at 0, missed parts of duties, and definitions.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of ReachedLimit
        Limits by hours, then by key. [-]
    """
    found: list[ReachedLimit] = []
    everywhere = np.arange(len(plan.horizon))
    for variable in plan.declaration.variables:
        if variable.intervals is None or variable.miss_class is not None:
            continue
        meaning = variable.meaning or variable.key
        value = plan.audit.values[variable.key]
        lower = np.where(variable.lower > 0, variable.lower, -np.inf)
        for side, limit in (("lower", lower), ("upper", variable.upper)):
            fixed = variable.upper <= variable.lower
            found += _reached(
                plan, variable.key, meaning, side, variable.unit, value, limit, fixed, variable.intervals
            )
    for stock in plan.declaration.stocks:
        level = plan.audit.values[stock.key]
        for side, limit in (("lower", stock.lower), ("upper", stock.upper)):
            meaning = f"level of {stock.meaning or stock.key}"
            fixed = stock.upper <= stock.lower
            found += _reached(plan, stock.key, meaning, side, stock.unit, level, limit, fixed, everywhere)
    for rows in plan.declaration.rows:
        if not rows.breakable or not rows.size or rows.intervals is None:
            continue
        left, size = row_values(rows, plan.audit.values)
        # A row of nothing but zeros says nothing.
        fixed = (rows.upper <= rows.lower) | (size <= 0)
        for side, limit in (("lower", rows.lower), ("upper", rows.upper)):
            found += _reached(
                plan, rows.key, rows.meaning or rows.key, side, rows.unit, left, limit, fixed, rows.intervals
            )
    for name, simulation in plan.audit.simulations.items():
        for reading in simulation.limits:
            for side, bound in (("lower", reading.lower), ("upper", reading.upper)):
                limit = np.broadcast_to(np.asarray(bound, dtype=np.float64), reading.value.shape)
                fixed = np.zeros(len(limit), dtype=bool)
                found += _reached(
                    plan, name, reading.name, side, reading.unit, reading.value, limit, fixed, everywhere
                )
    unique = {(limit.meaning, limit.side): limit for limit in reversed(found)}
    return tuple(sorted(unique.values(), key=lambda limit: (-limit.hours, limit.key, limit.side)))


def _reached(
    plan: Plan,
    key: str,
    meaning: str,
    side: str,
    unit: str,
    value: Array,
    limit: Array,
    fixed: Mask,
    intervals: Integers,
) -> list[ReachedLimit]:
    near = AT_LIMIT * np.maximum(np.abs(np.where(np.isfinite(limit), limit, 0.0)), 1.0)
    at = np.isfinite(limit) & ~fixed & plan_mask(plan)[intervals] & (np.abs(value - limit) <= near)
    if not np.any(at):
        return []
    where = np.unique(intervals[at])
    return [
        ReachedLimit(
            key,
            meaning,
            side,
            unit,
            float(limit[at].min()),
            float(limit[at].max()),
            float(plan.horizon.hours[where].sum()),
            int(where[0]),
        )
    ]
