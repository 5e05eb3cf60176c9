"""Changes of load on the plan day, as people make them: when each begins, how long it takes, what counts.

Owns the change and its count. Figures of what a load makes and draws stand in `figures`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.circuit import Circuit
from models.run_down import Way
from scheduler.report.figures import edges_min, load_variable, on_horizon
from scheduler.result import Plan

LOAD_TOLERANCE_KA = 5e-4
"""Difference up to which a load counts as unchanged. [kA]"""


@dataclass(frozen=True)
class LoadChange:
    """A change of a circuit's load on the plan day.

    Parameters
    ----------
    circuit : str
        Circuit whose load changes. [-]
    interval : int
        Interval from which the new load holds; the number of intervals at the horizon's end. [-]
    begin_min : int
        When the change begins, since 1970-01-01T00:00Z: the interval's start, or before it for an outage.
        [min]
    from_ka : float or None
        Load before; None if it is not known. [kA]
    to_ka : float
        Load from then on. [kA]
    rate_ka_per_min : float or None
        Greatest rate of the change, around outages the even rate; None if the circuit states none. [kA/min]
    counted : bool
        Whether it counts among the changes of a shift and day; one for an outage does not. [-]
    """

    circuit: str
    interval: int
    begin_min: int
    from_ka: float | None
    to_ka: float
    rate_ka_per_min: float | None
    counted: bool = True

    @property
    def minutes(self) -> float | None:
        """What the change takes at that rate; None if rate or load before is not known. [min]."""
        if self.rate_ka_per_min is None or self.from_ka is None:
            return None
        return abs(self.to_ka - self.from_ka) / self.rate_ka_per_min


def load_before_ka(plan: Plan, circuit: str) -> float | None:
    """Return a circuit's load just before the plan, on the step that people have set.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    circuit : str
        Name of the circuit. [-]

    Returns
    -------
    float or None
        Load; None if it is not known. [kA]
    """
    unit = next(unit for unit in plan.site.units if unit.name == circuit)
    if isinstance(unit, Circuit):
        return unit.load_before_ka(plan.situation)
    return plan.situation.loads_before.get(circuit)


def outage_ways(plan: Plan, circuit: str) -> tuple[Way, ...]:
    """Return how a circuit gets to and from standstill around the outages of the plan day.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    circuit : str
        Name of the circuit. [-]

    Returns
    -------
    tuple of Way
        The ways, in order of time; none for a kind of circuit that knows none. [-]
    """
    unit = next(unit for unit in plan.site.units if unit.name == circuit)
    return unit.state(plan.horizon, plan.situation).travel.ways if isinstance(unit, Circuit) else ()


def load_changes(plan: Plan, circuit: str) -> tuple[LoadChange, ...]:
    """Return the changes of a circuit's load on the plan day, the one at its start included.

    A run-down for an outage at the end of the plan day is among them.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    circuit : str
        Name of the circuit. [-]

    Returns
    -------
    tuple of LoadChange
        In order of time; the first may have no load before. [-]
    """
    # Kinds of circuit of one's own state their rate by the same name of a field.
    unit = next(unit for unit in plan.site.units if unit.name == circuit)
    rate = getattr(unit, "ramp_ka_per_min", None)
    variable = load_variable(plan, circuit)
    load = on_horizon(plan, variable)
    counted = next(
        (moves.counted for moves in plan.declaration.moves if moves.variable == variable.key),
        np.ones(len(load), dtype=bool),
    )
    ways = {way.edge: way for way in outage_ways(plan, circuit)}
    before = load_before_ka(plan, circuit)
    read = plan.situation.loads_before.get(circuit)
    if read is not None and abs(float(load[0]) - read) <= LOAD_TOLERANCE_KA:
        before = read
    edges, days = edges_min(plan), plan.horizon.plan_intervals
    changes = []
    for t in range(days + 1):
        way = ways.get(t)
        if t == days and (way is None or not way.down):
            break
        to = 0.0 if t == days else float(load[t])
        if before is None or abs(to - before) > LOAD_TOLERANCE_KA:
            begin, at = int(edges[t]), rate
            if way is not None and before is not None and (to if way.down else before) == 0.0:
                begin, at = way.begin_min, abs(to - before) / way.minutes
            known = before is not None and way is None and bool(t == days or counted[t])
            changes.append(LoadChange(circuit, t, begin, before, to, at, known))
        before = to
    return tuple(changes)


@dataclass(frozen=True)
class ChangeCount:
    """How many changes a circuit has on the plan day.

    Parameters
    ----------
    counted : int
        Those that the limits on changes count, 0 or more. [-]
    free : int
        Those that an outage or switched equipment asks for, 0 or more. [-]
    """

    counted: int
    free: int

    def __str__(self) -> str:
        """Return it in words, for example '6 changes + 2 for an outage'; empty without any."""
        if not self.counted and not self.free:
            return ""
        outage = f" + {self.free} for an outage" if self.free else ""
        return f"{self.counted} change{'' if self.counted == 1 else 's'}{outage}"


def change_count(plan: Plan, circuit: str) -> ChangeCount:
    """Return how many changes a circuit has on the plan day.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    circuit : str
        Name of the circuit. [-]

    Returns
    -------
    ChangeCount
        Changes from a known load. [-]
    """
    counted = [change.counted for change in load_changes(plan, circuit) if change.from_ka is not None]
    return ChangeCount(sum(counted), len(counted) - sum(counted))
