"""How a circuit's load is moved: rates of change, counted changes, quiet times, to and from standstill.

Owns the rules and records of movement. What a load makes and draws, and how far it may go, stand in
`circuit`; the run-down before an outage itself in `run_down`.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from models.horizon import Array, Horizon, Mask, instant_of
from models.pieces import ChangeLimit, Entry, Limit, Moves, Ramp, Rows, changes_of_position
from models.run_down import Travel, travel
from models.situation import Situation

if TYPE_CHECKING:
    from models.circuit import Circuit, CircuitState

SWITCHED = ("in_service", "electrolysers", "cells", "rectifier_units")
"""Calendar facts that switch a circuit off where they leave nothing."""


def _day_label(moment: dt.datetime) -> str:
    return moment.date().isoformat()


@dataclass(frozen=True)
class LoadMovement:
    """The movement of one circuit's load over a horizon.

    Parameters
    ----------
    circuit : Circuit
        The circuit. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        Availability, locks, the load before and past loads. [-]
    state : CircuitState
        What is in service. [-]
    """

    circuit: Circuit
    horizon: Horizon
    situation: Situation
    state: CircuitState

    @cached_property
    def given(self) -> Mask:
        """Whether people give the load of an interval. Shape (n,). [-]."""
        lock = self.situation.locks.get(self.circuit.name)
        return np.zeros(len(self.horizon), dtype=bool) if lock is None else lock.where_given(self.horizon)[0]

    def travel(self) -> Travel:
        """Return how the load gets to and from standstill around the outages of the plan day.

        Returns
        -------
        Travel
            The ways, and the share of the set load that flows meanwhile. [-]
        """
        circuit, horizon, situation, state = self.circuit, self.horizon, self.situation, self.state
        end, past = horizon.end_min, situation.past_loads.get(circuit.name)
        out_after = any(
            fact.unit == circuit.name
            and fact.what in SWITCHED
            and fact.value <= 0
            and fact.start_min <= end < fact.end_min
            for fact in situation.availability
        )
        known = False
        if past is not None:
            given, load = past.where_given(horizon)
            known = bool(np.all(load[given & ~state.in_service] <= 0))
        stood = situation.loads_before.get(circuit.name, 1.0) <= 0
        return travel(
            horizon, state.in_service, state.load_max_ka, circuit.ramp_ka_per_min, stood, out_after, known
        )

    def before_a_lower_limit(self) -> Array:
        """Return the ceiling of intervals before a lower one, so that a load is under it when it starts.

        A change takes its time after the start of its interval, and must be done when the limit starts. Never
        lower than what can be reached from the load before the horizon.

        Returns
        -------
        ndarray
            Greatest load; infinite where nothing follows that asks for less. Shape (n,). [kA]
        """
        circuit, horizon, situation, state = self.circuit, self.horizon, self.situation, self.state
        ceiling = np.full(len(horizon), np.inf)
        if circuit.ramp_ka_per_min is None:
            return ceiling
        most, on = state.load_max_ka, state.in_service
        last = horizon.plan_intervals
        falls = np.flatnonzero(on[:-1] & on[1:] & (most[1:] < most[:-1] - 1e-9)) + 1
        falls = falls[falls <= last]
        before = situation.loads_before.get(circuit.name)
        for at in falls.tolist():
            # A load is left at the end of its interval; what comes after has so long to run it down.
            time = horizon.starts_min[at] - horizon.starts_min[1 : at + 1]
            run_down = np.maximum(most[at] + circuit.ramp_ka_per_min * time, state.load_min_ka[:at])
            ceiling[:at] = np.minimum(ceiling[:at], np.where(on[:at], run_down, np.inf))
        ceiling[ceiling >= most] = np.inf
        if before is not None and before > 0:
            since = horizon.starts_min - horizon.start_min
            steps = np.minimum(np.arange(len(horizon)), since // circuit.ramp_minutes) + 1.0
            reached = before - steps * circuit.ramp_ka_per_min * circuit.ramp_minutes
            ceiling = np.maximum(ceiling, np.minimum(reached, most))
        return ceiling

    def set_before_ka(self) -> float | None:
        """Return the load before on its step; as it is where people give the first load.

        Returns
        -------
        float or None
            Load; None if it is not known. [kA]
        """
        circuit, situation = self.circuit, self.situation
        if self.given[0]:
            return situation.loads_before.get(circuit.name)
        return circuit.load_before_ka(situation)

    def not_raised_on_its_way(self) -> tuple[Rows, ...]:
        """Return the rule that a set load does not rise while it is run down or up.

        Returns
        -------
        tuple of Rows
            The rule; empty without outages. [-]
        """
        circuit, state = self.circuit, self.state
        at = state.travel.intervals
        given = self.given
        later = at[1:][(np.diff(at) == 1) & ~(given[at[1:]] & given[at[1:] - 1])]
        later = later[[self._on_one_way(t) for t in later.tolist()]] if later.size else later
        if not later.size:
            return ()
        rows, ones, load = np.arange(len(later)), np.ones(len(later)), circuit.key("load")
        return (
            Rows(
                circuit.key("not_raised_on_its_way"),
                "kA",
                (Entry(load, rows, later, ones), Entry(load, rows, later - 1, -ones)),
                np.full(len(later), -np.inf),
                np.zeros(len(later)),
                intervals=later,
                movement=True,
                meaning=f"no rise of the set load of {circuit.name} while it is run down or up for an outage",
            ),
        )

    def _on_one_way(self, t: int) -> bool:
        horizon, state = self.horizon, self.state
        start = int(horizon.starts_min[t])
        return any(way.begin_min < start < way.end_min for way in state.travel.ways)

    def ramps(self) -> tuple[Rows, ...]:
        """Return the limits on how far the load moves within the stated time, and from the load before.

        Returns
        -------
        tuple of Rows
            Families of rows; empty where no rate is stated. [-]
        """
        circuit, horizon, situation, state = self.circuit, self.horizon, self.situation, self.state
        if circuit.ramp_ka_per_min is None:
            return ()
        earlier, later = horizon.pairs_within(circuit.ramp_minutes)
        # Where cells or electrolysers come or go the load must jump; that is switching, not ramping.
        number = np.cumsum(
            np.concatenate(
                [
                    [0],
                    (np.diff(state.in_service) != 0)
                    | (np.diff(state.cells) != 0)
                    | (np.diff(state.electrolysers) != 0),
                ]
            )
        )
        tied = (number[earlier] == number[later]) & state.in_service[earlier]
        earlier, later = earlier[tied], later[tied]
        step = circuit.ramp_ka_per_min * circuit.ramp_minutes
        rows = np.arange(len(later))
        load = circuit.key("load")
        families = [
            Rows(
                circuit.key("ramp"),
                "kA",
                (
                    Entry(load, rows, later, np.ones(len(later))),
                    Entry(load, rows, earlier, -np.ones(len(later))),
                ),
                np.full(len(later), -step),
                np.full(len(later), step),
                intervals=later,
                movement=True,
                meaning=f"change of the load of {circuit.name} within {circuit.ramp_minutes:g} min",
            )
        ]
        before = situation.loads_before.get(circuit.name)
        if before is not None and before > 0 and state.in_service[0]:
            soon = np.flatnonzero(
                (horizon.starts_min - horizon.start_min < circuit.ramp_minutes) & (number == number[0])
            )
            families.append(
                Rows(
                    circuit.key("first_ramp"),
                    "kA",
                    (Entry(load, np.arange(len(soon)), soon, np.ones(len(soon))),),
                    np.full(len(soon), before - step),
                    np.full(len(soon), before + step),
                    intervals=soon,
                    movement=True,
                    meaning=f"change of the load of {circuit.name} from its last actual load {before:g} kA",
                )
            )
        return tuple(families)

    def quiet(self) -> tuple[Rows, ...]:
        """Return the rule that no load changes in quiet times, except where equipment is switched.

        Returns
        -------
        tuple of Rows
            The rule; empty without quiet times. [-]
        """
        circuit, horizon = self.circuit, self.horizon
        later = np.flatnonzero(horizon.quiet_starts[1:] & self._tied()) + 1
        first = self._quiet_first()
        if not later.size:
            return first
        rows, ones = np.arange(len(later)), np.ones(len(later))
        load = circuit.key("load")
        return (
            *first,
            Rows(
                circuit.key("quiet"),
                "kA",
                (Entry(load, rows, later, ones), Entry(load, rows, later - 1, -ones)),
                np.zeros(len(later)),
                np.zeros(len(later)),
                intervals=later,
                movement=True,
                meaning=f"no change of the load of {circuit.name} around a change of shift",
            ),
        )

    def _quiet_first(self) -> tuple[Rows, ...]:
        """Return the rule for a horizon that starts in a quiet time: the load before stays, on its step."""
        circuit, horizon, situation, state = self.circuit, self.horizon, self.situation, self.state
        before = circuit.load_before_ka(situation) or 0.0
        possible = state.in_service[0] and state.load_min_ka[0] <= before <= state.load_max_ka[0]
        if not horizon.quiet_starts[0] or before <= 0 or not possible or self.given[0]:
            return ()
        zero = np.zeros(1, dtype=np.int64)
        return (
            Rows(
                circuit.key("quiet_first"),
                "kA",
                (Entry(circuit.key("load"), zero, zero, np.ones(1)),),
                np.array([before]),
                np.array([before]),
                intervals=zero,
                movement=True,
                meaning=f"no change of the load of {circuit.name} around a change of shift",
            ),
        )

    def _tied(self) -> Mask:
        """Whether an interval runs with the same equipment as the one before. Shape (n-1,)."""
        state = self.state
        same: Mask = (
            state.in_service[1:]
            & state.in_service[:-1]
            & (state.cells[1:] == state.cells[:-1])
            & (state.electrolysers[1:] == state.electrolysers[:-1])
        )
        return same

    def ramped(self) -> Mask:
        """Whether a change at an interval's start is a ramp, not equipment that is switched. Shape (n,).

        Returns
        -------
        ndarray of bool
            True at a ramp. Shape (n,). [-]
        """
        circuit, situation, state = self.circuit, self.situation, self.state
        running_before = (circuit.load_before_ka(situation) or 0.0) > 0
        ramped: Mask = np.concatenate([[running_before], self._tied()]) & state.in_service
        return ramped

    def ramp_records(self, slope: Array, low: Array, high: Array) -> tuple[Ramp, ...]:
        """Return how the load travels after a change, where its rate is stated.

        Parameters
        ----------
        slope : ndarray
            Power per unit of load at its greatest. Shape (n,). [MW/kA]
        low, high : ndarray
            Range of the load. Each shape (n,). [kA]

        Returns
        -------
        tuple of Ramp
            One record; none where no rate is stated. [-]
        """
        circuit = self.circuit
        if circuit.ramp_ka_per_min is None:
            return ()
        counted = self.ramped()
        before = self.set_before_ka()
        start = 0.0 if before is None else before
        least = low - np.concatenate([[start], high[:-1]])
        most = high - np.concatenate([[start], low[:-1]])
        # A change wider than the rows on movement allow happens only where nothing else is possible, or
        # where people give the loads.
        step = circuit.ramp_ka_per_min * circuit.ramp_minutes
        given = self.given
        kept = ~(given | np.concatenate([[False], given[:-1]]))
        lower = np.where(kept, np.maximum(least, np.minimum(-step, most)), least)
        upper = np.where(kept, np.minimum(most, np.maximum(step, least)), most)
        if kept[0]:
            # Another load before then changes no range, and a program that is revised keeps its curves.
            lower[0], upper[0] = min(-step, most[0]), max(step, least[0])
        return (
            Ramp(
                circuit.key("change"),
                circuit.key("load"),
                "kA",
                circuit.ramp_ka_per_min,
                slope,
                counted,
                np.where(counted, lower, 0.0),
                np.where(counted, upper, 0.0),
                before,
                meaning=f"change of the load of {circuit.name} at the interval's start",
            ),
        )

    def _changes_made(self) -> list[int]:
        """Return the minutes at which the load was changed before the horizon, as far as is known."""
        circuit, horizon, situation = self.circuit, self.horizon, self.situation
        past = situation.past_loads.get(circuit.name)
        if past is None:
            return []
        before = past.starts_min < horizon.start_min
        starts, values = past.starts_min[before], past.values[before]
        moved = np.flatnonzero(np.abs(np.diff(values)) > 1e-5 * circuit.area_m2) + 1
        return [int(starts[i]) for i in moved]

    def moves(self) -> Moves:
        """Return in which steps, how often and with which rests people move the load.

        Returns
        -------
        Moves
            The record. [-]
        """
        circuit, horizon, situation = self.circuit, self.horizon, self.situation
        limits = []
        taps = []
        made = self._changes_made()
        zone = ZoneInfo(horizon.timezone)
        for labels, label_of, most in (
            (horizon.shift_labels, horizon.shifts.label, circuit.changes_per_shift),
            (tuple(day.isoformat() for day in horizon.days), _day_label, circuit.changes_per_day),
        ):
            if most is not None:
                past = [label_of(instant_of(minute).astimezone(zone)) for minute in made]
                limits += [
                    ChangeLimit(
                        label,
                        np.flatnonzero(np.array(labels) == label),
                        max(most - past.count(label), 0),
                    )
                    for label in dict.fromkeys(labels)
                ]
        if circuit.tap_changes_per_day is not None:
            days = np.array([day.isoformat() for day in horizon.days])
            taps = [
                ChangeLimit(label, np.flatnonzero(days == label), self._taps_left(label))
                for label in dict.fromkeys(days.tolist())
            ]
        rested = made[-1] + circuit.dwell_minutes if made else -np.inf
        ramp = np.inf if circuit.ramp_ka_per_min is None else circuit.ramp_ka_per_min * circuit.ramp_minutes
        return Moves(
            circuit.key("moves"),
            circuit.key("load"),
            # From standstill the first load is a start, not a change.
            self.ramped(),
            circuit.step_ka,
            tuple(limits),
            circuit.dwell_minutes,
            circuit.change_grid_minutes,
            ramp,
            situation.loads_before.get(circuit.name),
            horizon.starts_min < rested,
            circuit.tap_positions_ka,
            circuit.tap_range_ka,
            tuple(taps),
            meaning=f"changes of the load of {circuit.name}",
        )

    def _taps_left(self, day: str) -> int:
        """Return the changes of tap that a day has left after those of its past."""
        circuit, horizon, situation = self.circuit, self.horizon, self.situation
        most = circuit.tap_changes_per_day or 0
        past = situation.past_loads.get(circuit.name)
        if past is None:
            return most
        zone = ZoneInfo(horizon.timezone)
        before = past.starts_min < horizon.start_min
        made = changes_of_position(circuit.tap_positions_ka, circuit.tap_range_ka, past.values[before])
        days = [_day_label(instant_of(int(m)).astimezone(zone)) for m in past.starts_min[before]]
        return max(most - sum(changed and label == day for changed, label in zip(made, days, strict=True)), 0)

    def limits(self, load: Array) -> tuple[Limit, ...]:
        """Return the readings that must be kept when an outage or a lower limit starts.

        The current is that of a run-down at the stated rate from the time at which it begins; where an outage
        comes too soon for that, what cannot be run down in time is no breach.

        Parameters
        ----------
        load : ndarray
            Set load; axes before the last are so many days at once. Shape (..., n). [kA]

        Returns
        -------
        tuple of Limit
            Readings with their limits; empty where no rate is stated. [-]
        """
        circuit, horizon, state = self.circuit, self.horizon, self.state
        if circuit.ramp_ka_per_min is None:
            return ()
        n = len(horizon)
        flowing, allowed = np.zeros(load.shape), np.zeros(n)
        for way in state.travel.ways:
            if way.down and way.edge < n:
                time = int(horizon.starts_min[way.edge]) - way.begin_min
                run_down = time * circuit.ramp_ka_per_min
                flowing[..., way.edge] = np.maximum(load[..., way.edge - 1] - run_down, 0.0)
                if way.left > 0:
                    allowed[way.edge] = np.inf
        limits = [Limit(f"current of {circuit.name} when its outage starts", "kA", flowing, 0.0, allowed)]
        ahead = self.before_a_lower_limit()
        at = np.flatnonzero(np.isfinite(ahead[:-1]) & state.in_service[1:]) + 1
        if at.size:
            most = np.full(n, np.inf)
            most[at] = np.maximum(state.load_max_ka[at], ahead[at - 1])
            earlier = np.concatenate([load[..., :1], load[..., :-1]], axis=-1)
            limits.append(
                Limit(f"load of {circuit.name} when a lower limit starts", "kA", earlier, -np.inf, most)
            )
        return tuple(limits)
