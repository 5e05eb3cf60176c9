"""What each limit of a day is worth: the day planned with it and without it.

Owns which limits can be taken away, one kind at a time, and the difference in cost and loads. A value says
what it would be worth to change equipment, contract or habit; it is no leave to pass a limit.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

import numpy as np

from models.circuit import Circuit
from models.compressor import Compressor
from models.evaporator import Evaporator
from models.horizon import Horizon
from models.liquefier import Liquefier
from models.order import Pipeline
from models.site import Site
from models.situation import Situation
from models.tank import AlkaliTank, ChlorineStore, ProductStore
from models.unit import Unit
from scheduler.plan import PlanOptions, make_plan
from scheduler.result import Plan, Status

NO_LIMIT = 1e6
"""A value that no plan reaches. [any]"""
WIDER = 10.0
"""How many times a tank grows whose upper level is taken away. [-]"""


@dataclass(frozen=True, eq=False)
class Taken:
    """A limit that can be taken away.

    Parameters
    ----------
    name : str
        The limit in words. [-]
    with_it, without_it : Site
        The site with the limit and without it. [-]
    """

    name: str
    with_it: Site
    without_it: Site


@dataclass(frozen=True, eq=False)
class LimitValue:
    """What a limit is worth on a day.

    Parameters
    ----------
    name : str
        The limit in words. [-]
    with_it, without_it : Plan
        The plans. [-]
    """

    name: str
    with_it: Plan
    without_it: Plan

    @property
    def comparable(self) -> bool:
        """Whether both are plans that meet all duties, so that the difference in cost says something. [-]."""
        return self.with_it.status is Status.PLAN and self.without_it.status is Status.PLAN

    @property
    def value(self) -> float:
        """Cost with the limit less cost without it. [currency]."""
        return self.with_it.audit.cost - self.without_it.audit.cost

    @property
    def moved(self) -> tuple[str, int, float]:
        """Return circuit, interval and size of the load that differs most. [-], [-], [kA]."""
        best = ("", 0, 0.0)
        for unit in self.with_it.site.units:
            if isinstance(unit, Circuit):
                key = unit.key("load")
                difference = np.abs(self.with_it.audit.values[key] - self.without_it.audit.values[key])
                at = int(np.argmax(difference))
                if difference[at] > best[2]:
                    best = (unit.name, at, float(difference[at]))
        return best


COUNTED = {"changes_per_shift": "changes per shift", "changes_per_day": "changes per day"}
"""Limits on how often a load may be moved, in words."""


def without_steps(site: Site, keep: str = "", of: str = "") -> Site:
    """Return a site whose loads may take any value at any time.

    Parameters
    ----------
    site : Site
        The works. [-]
    keep : str
        Limit of `COUNTED` that one circuit keeps; none unless given. [-]
    of : str
        That circuit. [-]

    Returns
    -------
    Site
        The same works without steps, counted changes and rests; ramps and quiet times stay. [-]
    """
    units: list[Unit] = []
    for unit in site.units:
        if isinstance(unit, Circuit):
            free = replace(
                unit, step_ka=None, changes_per_shift=None, changes_per_day=None, dwell_minutes=0.0
            )
            unit = replace(free, **{keep: getattr(unit, keep)}) if unit.name == of else free
        units.append(unit)
    return replace(site, units=tuple(units))


def limits_of(site: Site) -> Iterator[Taken]:
    """Yield every limit of a site that can be taken away, with the site without it.

    Loads may take any value at any time on both sites, but for a limit on the changes of one circuit: the
    search of whole steps ends a little above the optimum, which would hide small values.

    Parameters
    ----------
    site : Site
        The works. [-]

    Yields
    ------
    Taken
        A limit. [-]
    """
    base = without_steps(site)
    for unit in base.units:
        for words, other in _alternatives(unit):
            units = tuple(other if each is unit else each for each in base.units)
            yield Taken(words, base, replace(base, units=units))
    for unit in site.units:
        for field, words in COUNTED.items():
            if isinstance(unit, Circuit) and getattr(unit, field) is not None:
                yield Taken(f"{words} of {unit.name}", without_steps(site, field, unit.name), base)


def _alternatives(unit: Unit) -> Iterator[tuple[str, Unit]]:
    """Yield the limits of a unit in words, each with the unit without it."""
    if isinstance(unit, Pipeline) and unit.ramp_t_per_h_per_h is not None:
        yield f"movement of {unit.name}", replace(unit, ramp_t_per_h_per_h=None)
    if isinstance(unit, Liquefier):
        yield f"hydrogen in the tail gas of {unit.name}", replace(unit, tail_hydrogen_max_percent=100.0)
        if unit.feed_min_t_per_h > 0:
            yield f"least feed of {unit.name}", replace(unit, feed_min_t_per_h=0.0)
    if isinstance(unit, Evaporator) and unit.rate_min_t_per_h > 0:
        yield f"least rate of {unit.name}", replace(unit, rate_min_t_per_h=0.0)
    if isinstance(unit, Compressor) and unit.surge_share > 0:
        yield f"turndown of {unit.name}", replace(unit, surge_share=0.0)
    if isinstance(unit, Compressor) and unit.step_t_per_h is not None:
        yield f"change of chlorine through {unit.name}", replace(unit, step_t_per_h=None)
    if isinstance(unit, ChlorineStore):
        yield f"permit of {unit.name}, wagons included", replace(unit, permit_t=NO_LIMIT)
    if isinstance(unit, AlkaliTank):
        # A larger tank with the same least content and the same margin, both in tonnes.
        wide = replace(
            unit,
            tank_m3=WIDER * unit.tank_m3,
            min_percent=unit.min_percent / WIDER,
            margin_percent=unit.margin_percent / WIDER,
        )
        yield f"upper level of {unit.name}", wide
    if isinstance(unit, ProductStore):
        wide_store = replace(unit, max_t=WIDER * unit.max_t, margin_percent=unit.margin_percent / WIDER)
        yield f"upper level of {unit.name}", wide_store
    if isinstance(unit, Circuit):
        rectifier = replace(unit.rectifier, dc_voltage_max_v=NO_LIMIT)
        yield f"DC voltage of {unit.name}", replace(unit, rectifier=rectifier)
        if unit.ramp_ka_per_min is not None:
            yield f"ramp of {unit.name}", replace(unit, ramp_ka_per_min=None)


def limit_values(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    options: PlanOptions | None = None,
    names: Collection[str] | None = None,
) -> Iterator[LimitValue]:
    """Yield the value of every limit of a site, each taken away alone.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What is known. [-]
    options : PlanOptions, optional
        How to plan; comparisons with habits and the calming of loads are left out. [-]
    names : collection of str, optional
        Names of limits to value; all unless given. [-]

    Yields
    ------
    LimitValue
        A limit and what it is worth. [-]
    """
    quiet = replace(options or PlanOptions(), compare=False, calm=False)
    made: dict[int, tuple[Site, Plan]] = {}

    def plan(works: Site) -> Plan:
        # By identity: many limits share the site with all limits or without any.
        if id(works) not in made:
            made[id(works)] = (works, make_plan(works, horizon, situation, quiet))
        return made[id(works)][1]

    for taken in limits_of(site):
        if names is None or taken.name in names:
            yield LimitValue(taken.name, plan(taken.with_it), plan(taken.without_it))
