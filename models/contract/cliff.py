"""Charges that no one linear program holds: a cliff and its sides, and the lesser of several charges.

Owns the sides, the conditions under which a plan stands on one, and the names of the cases a plan may be made
for. Choosing between them is the planner's matter.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from models.contract.term import Peak, Term
from models.horizon import Array, Horizon
from models.pieces import Cost, Declaration, Entry, Rows, Variable
from models.ramping import RampResults

CLIFF_TOLERANCE = 1e-9
"""Share by which a total may miss a threshold by rounding and still count as reaching it."""
CLIFF_MARGIN = 2e-6
"""Share by which a plan keeps off a threshold, lest the last digits of its power fall over the edge."""


class Sided(Term):
    """A charge of which one side is written into a program, and each side is planned by itself."""

    @abstractmethod
    def error(self, horizon: Horizon, power_mw: Array) -> float:
        """Return what the chosen side's charge lacks to the true one.

        A profile planned on one side may stand on another.

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
class Cliff(Sided):
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
        """Return the charge of the side whose conditions hold, less that of the chosen one (see `Sided`)."""
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


@dataclass(frozen=True, eq=False)
class LesserOf(Sided):
    """The least of several convex charges: prices that fall with a peak, a cap on a sum of charges.

    Charge = min over options of the sum of their terms. Planned on each option by itself without conditions:
    the least of the plans is the optimum, because the charge of every option is at least the true one.

    Parameters
    ----------
    name : str
        Name of the term, with its billing period. [-]
    options : tuple of (str, tuple of Term)
        Name and terms of each, two or more options. [-]
    chosen : str or None
        Name of the option the program is written for; None while none is chosen. [-]
    group : str
        Cost group. [-]
    """

    name: str
    options: tuple[tuple[str, tuple[Term, ...]], ...]
    chosen: str | None = None
    group: str = "demand"

    def _terms(self, prefix: str) -> tuple[Term, ...]:
        for name, terms in self.options:
            if name == self.chosen:
                return terms
        names = ", ".join(f"'{name}'" for name, _ in self.options)
        raise ValueError(
            f"{prefix}: the charge is the lesser of several, so a program needs one of its cases chosen "
            f"({names}; got {self.chosen!r}): plan each of them, or name one in the state of the bill"
        )

    def _charges(self, horizon: Horizon, power_mw: Array) -> dict[str, float]:
        return {name: sum(term.cost(horizon, power_mw) for term in terms) for name, terms in self.options}

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the charge of the chosen option, or the least where none is chosen (see `Term.cost`)."""
        charges = self._charges(horizon, power_mw)
        return charges.get(self.chosen or "", min(charges.values()))

    def error(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the least charge less that of the chosen option (see `Sided.error`)."""
        charges = self._charges(horizon, power_mw)
        return min(charges.values()) - charges.get(self.chosen or "", min(charges.values()))

    def sunk(self) -> float:
        """Return the least of what the options charge whatever the load. [currency]."""
        return min(sum(term.sunk() for term in terms) for _, terms in self.options)

    def _open(self) -> tuple[Term, ...]:
        """Return the terms of the chosen option; of all of them where none is chosen."""
        chosen = [terms for name, terms in self.options if self.chosen in (name, None)]
        return tuple(term for terms in chosen for term in terms)

    def peaks_in(self, prefix: str) -> tuple[tuple[str, Peak], ...]:
        """Return the peaks of the chosen option (see `Term.peaks_in`)."""
        return tuple(pair for term in self._open() for pair in term.peaks_in(f"{prefix}_{term.name}"))

    def ramp_prices(self, horizon: Horizon) -> Array:
        """Return the greatest price of a ramp in the chosen option (see `Term.ramp_prices`)."""
        result: Array = np.max([term.ramp_prices(horizon) for term in self._open()], axis=0)
        return result

    def with_ramps(self, ramp_mwh: Array) -> LesserOf:
        """Return the same with the energy of ramps (see `Term.with_ramps`)."""
        options = tuple(
            (name, tuple(term.with_ramps(ramp_mwh) for term in terms)) for name, terms in self.options
        )
        return replace(self, options=options)

    def declare_ramps(self, horizon: Horizon, prefix: str, meter: str, ramps: RampResults) -> Declaration:
        """Return the chosen option's rows on ramps (see `Term.declare_ramps`)."""
        return Declaration.merged(
            term.declare_ramps(horizon, f"{prefix}_{term.name}", meter, ramps) for term in self._terms(prefix)
        )

    def exact_on(self, horizon: Horizon, prefix: str, power_mw: Array) -> dict[str, Array]:
        """Return the exact values of the chosen option's terms (see `Term.exact_on`)."""
        found: dict[str, Array] = {}
        for term in self._open():
            found |= term.exact_on(horizon, f"{prefix}_{term.name}", power_mw)
        return found

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return the chosen option's records (see `Term.declare`).

        Raises
        ------
        ValueError
            If no option is chosen.
        """
        terms = self._terms(prefix)
        # Each option counts from what the least one charges anyway, so that plans can be compared.
        apart = sum(term.sunk() for term in terms) - self.sunk()
        constant = Cost(f"{prefix}_apart", self.group, meter, np.zeros(len(horizon)), constant=apart)
        declared = (term.declare(horizon, f"{prefix}_{term.name}", meter) for term in terms)
        return Declaration.merged((*declared, Declaration(costs=(constant,))))


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
