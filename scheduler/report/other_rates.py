"""Rates that people set beside the loads: what customers take, liquefaction, vaporisers, evaporators.

Owns which variables those are, and their words. Changes below what is shown are no changes.
"""

from __future__ import annotations

import numpy as np

from models.chlorine_products import AcidUnit, HypochloriteUnit
from models.evaporator import Evaporator
from models.liquefier import Liquefier, Vaporiser
from models.order import Pipeline
from scheduler.report.figures import on_horizon
from scheduler.report.wording import clock, fixed, plain
from scheduler.result import Plan

SET_BY_PEOPLE = (Pipeline, Liquefier, Vaporiser, Evaporator, AcidUnit, HypochloriteUnit)
"""Kinds of units whose rate is a setting of a shift, or is told to a customer."""
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
    days = plan.horizon.plan_intervals
    lines = []
    for unit in plan.site.units:
        if not isinstance(unit, SET_BY_PEOPLE):
            continue
        own = [
            v
            for v in plan.declaration.variables
            if v.intervals is not None
            and v.unit == "t/h"
            and v.miss_class is None
            and v.key.startswith(f"{unit.name}_")
            and v.key in plan.audit.values
        ]
        if not own:
            continue
        # A unit's first rate is its setting; what follows are its parts.
        shown = [fixed(value, DECIMALS) for value in on_horizon(plan, own[0])[:days].tolist()]
        at = [0, *(np.flatnonzero(np.array(shown[1:]) != np.array(shown[:-1])) + 1).tolist()]
        starts = plan.horizon.starts_min
        parts = [
            shown[t] if t == 0 else f"{clock(plan.horizon, int(starts[t]), doubled)} {shown[t]}" for t in at
        ]
        lines.append(f"{plain(unit.name)} {', '.join(parts)}")
    return tuple(lines)
