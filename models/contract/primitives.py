"""Further primitives in which terms are stated: totals, chosen capacity, headroom.

Owns charges on the total of a period, capacity that the plan may choose, and room that must be left. Rates,
peaks and fixed money stand in `term`, charges that jump in `cliff`, deviations from a profile in `imbalance`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from models.contract.term import Peak, Term
from models.horizon import Array, Horizon, Integers
from models.pieces import Cost, Declaration, Entry, Rows, Variable
from models.ramping import RampResults


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
