"""Rates that people set beside the loads, as units name them: customers' takes, liquefaction, evaporators.

Owns their words. Changes below what is shown are no changes.
"""

from __future__ import annotations

import numpy as np

from scheduler.report.figures import on_horizon
from scheduler.report.wording import clock, fixed, plain
from scheduler.result import Plan

DECIMALS = 1


def other_rate_lines(plan: Plan, doubled: bool = False) -> tuple[str, ...]:
    """Return the rates of the plan day beside the loads, one line for each unit.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    doubled : bool
        Whether clock times need their offset, because an hour comes twice. [-]

    Returns
    -------
    tuple of str
        Lines such as 'vinyl 14.0, 18:00 10.5, 23:00 14.0'; the first rate holds from the start. [-]
    """
    days, starts = plan.horizon.plan_intervals, plan.horizon.starts_min
    variables = {v.key: v for v in plan.declaration.variables}
    lines = []
    for name, key in ((unit.name, unit.key(piece)) for unit in plan.site.units for piece in unit.settings):
        if key not in variables:
            continue
        shown = [fixed(value, DECIMALS) for value in on_horizon(plan, variables[key])[:days].tolist()]
        at = [0, *(np.flatnonzero(np.array(shown[1:]) != np.array(shown[:-1])) + 1).tolist()]
        parts = [
            shown[t] if t == 0 else f"{clock(plan.horizon, int(starts[t]), doubled)} {shown[t]}" for t in at
        ]
        lines.append(f"{plain(name)} {', '.join(parts)}")
    return tuple(lines)
