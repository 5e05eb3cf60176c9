"""Further primitives in which terms are stated: totals, cliffs, chosen capacity, headroom.

Owns charges on the total of a period, charges that jump, capacity that the plan may choose, and room that
must be left. Rates, peaks and fixed money stand in `component`; deviations from a profile in `imbalance`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np

from models.contract.component import Peak, Term
from models.horizon import Array, Horizon, Integers
from models.pieces import Cost, Declaration, Entry, Rows, Variable
from models.ramping import RampResults

CLIFF_TOLERANCE = 1e-9
"""Share by which a total may miss a threshold by rounding and still count as reaching it."""
CLIFF_MARGIN = 2e-6
"""Share by which a plan keeps off a threshold, lest the last digits of its power fall over the edge."""


@dataclass(frozen=True)
class Line:
    """A straight line: intercept + slope * total.

    Parameters
    ----------
    intercept : float
        Charge at a total of 0. [currency]
    slope : float
        Charge per unit of the total. [currency/MWh]
    """

    intercept: float
    slope: float

    def at(self, total: float) -> float:
        """Return the charge at a total.

        Parameters
        ----------
        total : float
            The total. [MWh]

        Returns
        -------
        float
            Charge. [currency]
        """
        return self.intercept + self.slope * total


@dataclass(frozen=True, eq=False)
class OfTotal(Term):
    """The greatest of some lines at a total: tiers that rise, take-or-pay, minimum quantities.

    Charge = max over lines of (intercept + slope * T), less `base`, with T = offset + sum of weight * E.

    Parameters
    ----------
    name : str
        Name of the term, with its billing period. [-]
    weight : ndarray
        What a unit of each interval's energy adds to the total. Shape (n,). [MWh/MWh]
    offset : float
        Total before and after the horizon. [MWh]
    lines : tuple of Line
        The lines, one or more. [-]
    base : float
        Part of the charge that belongs to earlier bills. [currency]
    group : str
        Cost group. [-]
    missing : str
        What a plan must be told before the term can be declared, in words; empty if nothing is missing. [-]
    """

    name: str
    weight: Array
    offset: float
    lines: tuple[Line, ...]
    base: float = 0.0
    group: str = "energy"
    missing: str = ""

    def total(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the total at a profile.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        power_mw : ndarray
            Mean import on each interval. Shape (n,). [MW]

        Returns
        -------
        float
            Total. [MWh]
        """
        return self.offset + float(np.sum(self.weight * horizon.hours * power_mw))

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the greatest of the lines, less the base (see `Term.cost`)."""
        total = self.total(horizon, power_mw)
        return max(line.at(total) for line in self.lines) - self.base

    def sunk(self) -> float:
        """Return the charge of what is drawn before and after the horizon. [currency]."""
        return max(line.at(self.offset) for line in self.lines) - self.base

    def bends(self) -> tuple[Line, tuple[Bend, ...]]:
        """Return the charge as its flattest line, and what bends away from it on either side.

        Returns
        -------
        tuple of (Line, tuple of Bend)
            The line, and the bends; the charge is the line plus the sum of price times what the total is
            beyond each bend. [-]
        """
        hull = _upper_hull(self.lines)
        flat = min(range(len(hull)), key=lambda i: abs(hull[i].slope))
        found = []
        for i, (left, right) in enumerate(pairwise(hull)):
            at = (left.intercept - right.intercept) / (right.slope - left.slope)
            found.append(Bend(at, right.slope - left.slope, above=i >= flat))
        return hull[flat], tuple(found)

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return the flattest line as a cost, and what the total is beyond each bend (see `Term.declare`).

        Raises
        ------
        ValueError
            If something is missing that only a longer plan can tell.
        """
        if self.missing:
            raise ValueError(self.missing)
        line, bends = self.bends()
        energy = self.weight * horizon.hours
        constant = line.at(self.offset) - self.base - self.sunk()
        costs = [Cost(prefix, self.group, meter, line.slope * energy, constant)]
        variables, rows = [], []
        at = np.flatnonzero(energy)
        zero, free = np.zeros(1, dtype=np.int64), np.full(1, np.inf)
        for number, bend in enumerate(bends):
            key, sign = f"{prefix}_beyond_{number}", 1.0 if bend.above else -1.0
            side = "above" if bend.above else "below"
            what = f"total of {self.name} {side} {bend.at_mwh:g} MWh"
            variables.append(Variable(key, "MWh", np.zeros(1), free, labels=(self.name,), meaning=what))
            rows.append(
                Rows(
                    f"{key}_is",
                    "MWh",
                    (
                        Entry(key, zero, zero, np.ones(1)),
                        Entry(meter, np.zeros(len(at), dtype=np.int64), at, -sign * energy[at]),
                    ),
                    np.array([sign * (self.offset - bend.at_mwh)]),
                    free,
                    labels=(self.name,),
                    breakable=False,
                    meaning=f"the {what} is what was drawn before, in and after the horizon beyond it",
                )
            )
            costs.append(Cost(key, self.group, key, np.array([bend.per_mwh])))
        return Declaration(variables=tuple(variables), rows=tuple(rows), costs=tuple(costs))

    def energy_per_mwh(self, horizon: Horizon) -> Array | None:
        """Return what the line that holds at the start is above the flattest (see `Term.energy_per_mwh`)."""
        if self.group != "energy":
            return None
        holds = max(self.lines, key=lambda line: line.at(self.offset))
        return (holds.slope - self.bends()[0].slope) * self.weight

    def exact_on(self, horizon: Horizon, prefix: str, power_mw: Array) -> dict[str, Array]:
        """Return what the exact total is beyond each bend (see `Term.exact_on`)."""
        total = self.total(horizon, power_mw)
        return {
            f"{prefix}_beyond_{number}": np.array(
                [max(total - bend.at_mwh, 0.0) if bend.above else max(bend.at_mwh - total, 0.0)]
            )
            for number, bend in enumerate(self.bends()[1])
        }


@dataclass(frozen=True)
class Bend:
    """A total at which a charge becomes steeper.

    Parameters
    ----------
    at_mwh : float
        The total. [MWh]
    per_mwh : float
        By how much the slope changes there, above 0. [currency/MWh]
    above : bool
        Whether totals above it are charged beside the flattest line, or totals below it. [-]
    """

    at_mwh: float
    per_mwh: float
    above: bool


def _upper_hull(lines: Sequence[Line]) -> list[Line]:
    """Return the lines that are the greatest somewhere, by ascending slope."""
    highest: dict[float, Line] = {}
    for line in lines:
        if line.slope not in highest or line.intercept > highest[line.slope].intercept:
            highest[line.slope] = line
    hull: list[Line] = []
    for line in (highest[slope] for slope in sorted(highest)):
        while len(hull) > 1 and _meet(hull[-2], line) <= _meet(hull[-2], hull[-1]):
            hull.pop()
        hull.append(line)
    return hull


def _meet(left: Line, right: Line) -> float:
    return (left.intercept - right.intercept) / (right.slope - left.slope)


@dataclass(frozen=True)
class Side:
    """One side of a cliff: the charge there, and when it holds.

    Parameters
    ----------
    name : str
        Name of the case. [-]
    constant : float
        Charge that does not depend on the load. [currency]
    per_mw : float
        Price of the peak, 0 or more. [currency/MW]
    per_mwh : float
        Price of the total. [currency/MWh]
    from_mwh, below_mwh : float
        The side holds for totals from ... to below ... [MWh]
    from_hours : float
        And for totals of at least so many hours of the peak. [h]
    """

    name: str
    constant: float = 0.0
    per_mw: float = 0.0
    per_mwh: float = 0.0
    from_mwh: float = -np.inf
    below_mwh: float = np.inf
    from_hours: float = 0.0


@dataclass(frozen=True, eq=False)
class Cliff(Term):
    """A charge that jumps with the total of a period, or with its total over its peak.

    The side that holds is the last one whose conditions the profile meets; the program is written for one
    chosen side, with its conditions as rows, so that both sides can be tried. `cost` is the charge of the
    chosen side, and the true charge where none is chosen; `error` is what the one lacks to the other.

    Parameters
    ----------
    name : str
        Name of the term, with its billing period. [-]
    weight : ndarray
        What a unit of each interval's energy adds to the total. Shape (n,). [MWh/MWh]
    offset : float
        Total before and after the horizon. [MWh]
    peak : Peak or None
        The peak, with its floor; its own price only weighs ramps. None if no side asks for one. [-]
    sides : tuple of Side
        The sides, the first without any condition that another lacks. [-]
    chosen : str or None
        Name of the side the program is written for; None while none is chosen. [-]
    base : float
        Part of the charge that belongs to earlier bills. [currency]
    group : str
        Cost group. [-]
    missing : str
        What a plan must be told before the term can be declared, in words; empty if nothing is missing. [-]
    """

    name: str
    weight: Array
    offset: float
    peak: Peak | None
    sides: tuple[Side, ...]
    chosen: str | None = None
    base: float = 0.0
    group: str = "demand"
    missing: str = ""

    def reached(self, total: float, peak_mw: float) -> Side:
        """Return the side that holds at a total and a peak.

        Parameters
        ----------
        total : float
            Total of the period. [MWh]
        peak_mw : float
            Peak of the period. [MW]

        Returns
        -------
        Side
            The last side whose conditions hold. [-]
        """
        return reached(self.sides, total, peak_mw)

    def _peak(self, power_mw: Array) -> float:
        return 0.0 if self.peak is None else max(self.peak.floor_mw, self.peak.peak_mw(power_mw))

    def _total(self, horizon: Horizon, power_mw: Array) -> float:
        return self.offset + float(np.sum(self.weight * horizon.hours * power_mw))

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the charge of the chosen side, or of the one that holds (see `Term.cost`)."""
        total, peak = self._total(horizon, power_mw), self._peak(power_mw)
        chosen = next((side for side in self.sides if side.name == self.chosen), None)
        return self._charge(chosen or self.reached(total, peak), total, peak)

    def peaks_in(self, prefix: str) -> tuple[tuple[str, Peak], ...]:
        """Return the peak, if any (see `Term.peaks_in`)."""
        return () if self.peak is None else ((f"{prefix}_peak", self.peak),)

    def ramp_prices(self, horizon: Horizon) -> Array:
        """Return the greatest price of the peak (see `Term.ramp_prices`)."""
        return np.zeros(len(horizon)) if self.peak is None else self.peak.ramp_prices(horizon)

    def with_ramps(self, ramp_mwh: Array) -> Cliff:
        """Return the same with the energy of ramps in its peak (see `Term.with_ramps`)."""
        return self if self.peak is None else replace(self, peak=self.peak.with_ramps(ramp_mwh))

    def declare_ramps(self, horizon: Horizon, prefix: str, meter: str, ramps: RampResults) -> Declaration:
        """Return the peak above every metered mean with ramps (see `Term.declare_ramps`)."""
        if self.peak is None:
            return Declaration()
        return self.peak.declare_ramps(horizon, prefix, meter, ramps)

    def error(self, horizon: Horizon, power_mw: Array) -> float:
        """Return what the chosen side's charge lacks to the true one.

        A profile planned on one side may stand on another, whose conditions it happens to meet.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        power_mw : ndarray
            Mean import on each interval. Shape (n,). [MW]

        Returns
        -------
        float
            True charge less that of the chosen side; 0 where none is chosen. [currency]
        """
        total, peak = self._total(horizon, power_mw), self._peak(power_mw)
        return self._charge(self.reached(total, peak), total, peak) - self.cost(horizon, power_mw)

    def _charge(self, side: Side, total: float, peak_mw: float) -> float:
        return side.constant + side.per_mw * peak_mw + side.per_mwh * total - self.base

    def sunk(self) -> float:
        """Return the charge of what is drawn outside the horizon, at the peak's floor. [currency]."""
        floor = 0.0 if self.peak is None else self.peak.floor_mw
        return self._charge(self.reached(self.offset, floor), self.offset, floor)

    def exact(self, prefix: str, power_mw: Array) -> dict[str, Array]:
        """Return the exact peak (see `Term.exact`)."""
        return {} if self.peak is None else {f"{prefix}_peak": np.array([self._peak(power_mw)])}

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return the chosen side's prices and conditions (see `Term.declare`).

        Raises
        ------
        ValueError
            If no side is chosen and there is more than one, or something is missing that only a longer plan
            can tell.
        """
        if self.missing:
            raise ValueError(self.missing)
        side = self._side(prefix)
        peak = f"{prefix}_peak"
        zero, one = np.zeros(1, dtype=np.int64), np.ones(1)
        at = np.flatnonzero(self.weight)
        # No variable for the total: free ones ask too much of a program split at the plan day.
        total = Entry(meter, np.zeros(len(at), dtype=np.int64), at, (self.weight * horizon.hours)[at])
        constant = side.constant + side.per_mwh * self.offset - self.base - self.sunk()
        coefficient = side.per_mwh * self.weight * horizon.hours
        costs = [Cost(f"{prefix}_energy", self.group, meter, coefficient, constant)]
        variables: list[Variable] = []
        rows: list[Rows] = []
        if self.peak is not None:
            declared = self.peak.declare(horizon, prefix, meter)
            variables.extend(declared.variables)
            rows.extend(declared.rows)
            costs.append(Cost(prefix, self.group, peak, np.array([side.per_mw])))
        low = side.from_mwh + CLIFF_MARGIN * abs(side.from_mwh) if np.isfinite(side.from_mwh) else -np.inf
        high = side.below_mwh - CLIFF_MARGIN * abs(side.below_mwh) if np.isfinite(side.below_mwh) else np.inf
        if np.isfinite(low) or np.isfinite(high):
            rows.append(
                Rows(
                    f"{prefix}_within",
                    "MWh",
                    (total,),
                    np.array([low - self.offset]),
                    np.array([high - self.offset]),
                    labels=(self.name,),
                    meaning=f"the total of {self.name} stays on the side '{side.name}'",
                )
            )
        if side.from_hours > 0 and self.peak is not None:
            hours = side.from_hours * (1.0 + CLIFF_MARGIN)
            rows.append(
                Rows(
                    f"{prefix}_hours",
                    "MWh",
                    (total, Entry(peak, zero, zero, -hours * one)),
                    np.array([-self.offset]),
                    np.full(1, np.inf),
                    labels=(self.name,),
                    meaning=f"the total of {self.name} is at least {side.from_hours:g} hours of its peak",
                )
            )
        return Declaration(variables=tuple(variables), rows=tuple(rows), costs=tuple(costs))

    def _side(self, prefix: str) -> Side:
        if len(self.sides) == 1:
            return self.sides[0]
        for side in self.sides:
            if side.name == self.chosen:
                return side
        names = ", ".join(f"'{side.name}'" for side in self.sides)
        raise ValueError(
            f"{prefix}: the charge jumps, so a program needs one of its cases chosen ({names}; got "
            f"{self.chosen!r}): plan each of them, or name one in the state of the bill"
        )


def joined_cases(names: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return the cases of a component that has a choice in each of some periods.

    Parameters
    ----------
    names : sequence of sequence of str
        Names of the sides in each period. [-]

    Returns
    -------
    tuple of str
        Every combination, joined by '+'; none if no period has more than one side. [-]
    """
    if all(len(sides) < 2 for sides in names):
        return ()
    return tuple("+".join(combination) for combination in product(*names))


def case_of_period(case: str | None, position: int) -> str | None:
    """Return the side that a case names for one period.

    Parameters
    ----------
    case : str or None
        Case of the component: one side for all periods, or one for each, joined by '+'. [-]
    position : int
        Position of the period among those of the horizon. [-]

    Returns
    -------
    str or None
        Name of the side; None if the case is None or names fewer periods. [-]
    """
    if case is None or "+" not in case:
        return case
    parts = case.split("+")
    return parts[position] if position < len(parts) else None


def reached(sides: Sequence[Side], total: float, peak_mw: float) -> Side:
    """Return the side of a cliff that holds at a total and a peak.

    Parameters
    ----------
    sides : sequence of Side
        The sides. [-]
    total : float
        Total of the period. [MWh]
    peak_mw : float
        Peak of the period. [MW]

    Returns
    -------
    Side
        The last side whose conditions hold; the first if none does. [-]
    """
    found = sides[0]
    for side in sides:
        room = CLIFF_TOLERANCE * max(abs(total), 1.0)
        if (
            total >= side.from_mwh - room
            and total < side.below_mwh + room
            and total >= side.from_hours * peak_mw - room
        ):
            found = side
    return found


@dataclass(frozen=True, eq=False)
class ChosenCapacity(Term):
    """Contracted capacity as a decision: one capacity for all periods, and a price on what exceeds it.

    Charge = min over capacities c between `least_mw` and `most_mw` of
    sum over periods (per_mw * c + excess_per_mw * max(0, peak - c)).

    Parameters
    ----------
    name : str
        Name of the term. [-]
    per_mw : tuple of float
        Price of the capacity in each period, 0 or more. [currency/MW]
    excess_per_mw : tuple of float
        Price of the excess in each period, 0 or more. [currency/MW]
    peaks : tuple of Peak
        The peak of each period, with its floor; its own price only weighs ramps. [-]
    least_mw, most_mw : float
        Range of the capacity. [MW]
    group : str
        Cost group. [-]
    """

    name: str
    per_mw: tuple[float, ...]
    excess_per_mw: tuple[float, ...]
    peaks: tuple[Peak, ...]
    least_mw: float
    most_mw: float
    group: str = "demand"

    def _peaks(self, power_mw: Array) -> list[float]:
        return [max(peak.floor_mw, peak.peak_mw(power_mw)) for peak in self.peaks]

    def best_mw(self, power_mw: Array) -> float:
        """Return the cheapest capacity for a profile.

        Parameters
        ----------
        power_mw : ndarray
            Mean import on each interval. Shape (n,). [MW]

        Returns
        -------
        float
            Capacity, the least one where several cost the same. [MW]
        """
        return cheapest_capacity(
            self._peaks(power_mw), self.per_mw, self.excess_per_mw, self.least_mw, self.most_mw
        )

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the charge at the cheapest capacity (see `Term.cost`)."""
        peaks = self._peaks(power_mw)
        best = self.best_mw(power_mw)
        return capacity_charge(best, peaks, self.per_mw, self.excess_per_mw)

    def peaks_in(self, prefix: str) -> tuple[tuple[str, Peak], ...]:
        """Return the peak of each period (see `Term.peaks_in`)."""
        return tuple((f"{prefix}_{peak.name}_peak", peak) for peak in self.peaks)

    def ramp_prices(self, horizon: Horizon) -> Array:
        """Return the greatest price of the peaks (see `Term.ramp_prices`)."""
        result: Array = np.max([peak.ramp_prices(horizon) for peak in self.peaks], axis=0)
        return result

    def with_ramps(self, ramp_mwh: Array) -> ChosenCapacity:
        """Return the same with the energy of ramps in its peaks (see `Term.with_ramps`)."""
        return replace(self, peaks=tuple(peak.with_ramps(ramp_mwh) for peak in self.peaks))

    def declare_ramps(self, horizon: Horizon, prefix: str, meter: str, ramps: RampResults) -> Declaration:
        """Return each peak above every metered mean with ramps (see `Term.declare_ramps`)."""
        return Declaration.merged(
            peak.declare_ramps(horizon, f"{prefix}_{peak.name}", meter, ramps) for peak in self.peaks
        )

    def exact_on(self, horizon: Horizon, prefix: str, power_mw: Array) -> dict[str, Array]:
        """Return the capacity, the peaks and what exceeds it (see `Term.exact_on`)."""
        best, peaks = self.best_mw(power_mw), self._peaks(power_mw)
        values = {f"{prefix}_capacity": np.array([best])}
        for peak, level in zip(self.peaks, peaks, strict=True):
            values[f"{prefix}_{peak.name}_peak"] = np.array([level])
            values[f"{prefix}_{peak.name}_excess"] = np.array([max(level - best, 0.0)])
        return values

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return the capacity, and for each period its peak and what exceeds it (see `Term.declare`)."""
        capacity = f"{prefix}_capacity"
        zero, one, free = np.zeros(1, dtype=np.int64), np.ones(1), np.full(1, np.inf)
        parts = [
            Declaration(
                variables=(
                    Variable(
                        capacity,
                        "MW",
                        np.array([self.least_mw]),
                        np.array([self.most_mw]),
                        labels=(self.name,),
                        meaning=f"capacity of {self.name}",
                    ),
                ),
                costs=(Cost(prefix, self.group, capacity, np.array([sum(self.per_mw)])),),
            )
        ]
        for peak, price in zip(self.peaks, self.excess_per_mw, strict=True):
            own = f"{prefix}_{peak.name}"
            declared = peak.declare(horizon, own, meter)
            excess = f"{own}_excess"
            parts.append(
                Declaration(
                    variables=(
                        *declared.variables,
                        Variable(
                            excess,
                            "MW",
                            np.zeros(1),
                            free,
                            labels=(peak.name,),
                            meaning=f"peak of {peak.name} above the capacity",
                        ),
                    ),
                    rows=(
                        *declared.rows,
                        Rows(
                            f"{own}_over",
                            "MW",
                            (
                                Entry(excess, zero, zero, one),
                                Entry(capacity, zero, zero, one),
                                Entry(f"{own}_peak", zero, zero, -one),
                            ),
                            np.zeros(1),
                            free,
                            labels=(peak.name,),
                            breakable=False,
                            meaning=f"what the peak of {peak.name} exceeds the capacity by",
                        ),
                    ),
                    costs=(Cost(f"{own}_excess", self.group, excess, np.array([price])),),
                )
            )
        return Declaration.merged(parts)


def capacity_charge(
    capacity_mw: float, peaks: Sequence[float], per_mw: Sequence[float], excess_per_mw: Sequence[float]
) -> float:
    """Return the charge for one capacity over some periods.

    Parameters
    ----------
    capacity_mw : float
        Contracted capacity. [MW]
    peaks : sequence of float
        Peak of each period. [MW]
    per_mw, excess_per_mw : sequence of float
        Price of the capacity and of what exceeds it in each period. [currency/MW]

    Returns
    -------
    float
        Charge. [currency]
    """
    return sum(
        price * capacity_mw + excess * max(peak - capacity_mw, 0.0)
        for peak, price, excess in zip(peaks, per_mw, excess_per_mw, strict=True)
    )


def cheapest_capacity(
    peaks: Sequence[float],
    per_mw: Sequence[float],
    excess_per_mw: Sequence[float],
    least_mw: float,
    most_mw: float,
) -> float:
    """Return the capacity at which some peaks cost least.

    Parameters
    ----------
    peaks : sequence of float
        Peak of each period. [MW]
    per_mw, excess_per_mw : sequence of float
        Price of the capacity and of what exceeds it in each period. [currency/MW]
    least_mw, most_mw : float
        Range of the capacity. [MW]

    Returns
    -------
    float
        Capacity: an end of the range or one of the peaks, since the charge is piecewise linear. [MW]
    """
    points = sorted({least_mw, most_mw, *(min(max(peak, least_mw), most_mw) for peak in peaks)})
    return min(points, key=lambda c: capacity_charge(c, peaks, per_mw, excess_per_mw))


@dataclass(frozen=True, eq=False)
class Headroom(Term):
    """Room that must be left on some intervals, and the money for leaving it.

    Power that can be shed: P - reserve >= least; power that can be added: P + reserve <= most.

    Parameters
    ----------
    name : str
        Name of the term. [-]
    least_mw : ndarray
        Least import; minus infinity where there is none. Shape (n,). [MW]
    most_mw : ndarray
        Greatest import; infinite where there is none. Shape (n,). [MW]
    amount : float
        Money, negative for income. [currency]
    meaning : str
        The rule in words. [-]
    group : str
        Cost group. [-]
    """

    name: str
    least_mw: Array
    most_mw: Array
    amount: float
    meaning: str
    group: str = "other"

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the money (see `Term.cost`)."""
        return self.amount

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return the room as rows on the metered power (see `Term.declare`)."""
        at: Integers = np.flatnonzero(np.isfinite(self.least_mw) | np.isfinite(self.most_mw))
        each = np.arange(len(at))
        rows = Rows(
            f"{prefix}_room",
            "MW",
            (Entry(meter, each, at, np.ones(len(at))),),
            self.least_mw[at],
            self.most_mw[at],
            intervals=at,
            meaning=self.meaning,
        )
        # Money that stands whatever the load is: the constant of a cost on the meter.
        cost = Cost(prefix, self.group, meter, np.zeros(len(horizon)), constant=self.amount)
        return Declaration(rows=(rows,), costs=(cost,))
