"""Ramps inside an interval, for what is metered over a short time.

Owns the energy that setpoints draw on their way beyond what they draw at their end, as records of the
program and as a sum over values. Who counts it, and over which time, is the contract's matter.

After a change by d the setpoint travels at its rate r for abs(d)/r. With a power of s per unit of the
setpoint it draws on the way s d^2 / (2 r) more than at its end if it falls, and as much less if it
rises. Both are convex functions of the change: the first is dear and bounded from below by tangents,
the second is a credit, held by chords and branches like every curve of which more would pay.

Notes
-----
What is simplified: the power along the way is linear in the setpoint, with the mean slope of the range.
The audit reads the same energy from the power curve itself (`Circuit.simulate`), so the difference is
told and not hidden. Ramps count on the plan day; in the look-ahead loads are what they are on the mean.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from models.horizon import Array, Horizon, Integers, Mask
from models.pieces import Curve, Declaration, Entry, Ramp, Rows, Variable

FALL_TANGENTS = 5
"""Tangents of a fall in the first program; the search adds those it needs."""


@dataclass(frozen=True)
class RampResults:
    """Keys of the curve results that add up to the energy of ramps.

    Parameters
    ----------
    more, less : tuple of str
        Results that count for the energy and against it. [-]
    """

    more: tuple[str, ...] = ()
    less: tuple[str, ...] = ()

    def energy_mwh(self, values: Mapping[str, Array], horizon: Horizon) -> Array:
        """Return what ramps at the start of each interval draw beyond the loads they arrive at.

        Parameters
        ----------
        values : mapping
            Values by key. [as declared]
        horizon : Horizon
            The intervals. [-]

        Returns
        -------
        ndarray
            Energy; negative where rises weigh more. Shape (n,). [MWh]
        """
        total = np.zeros(len(horizon))
        for key in self.more:
            total = total + values[key]
        for key in self.less:
            total = total - values[key]
        return total


def declare_ramps(
    ramps: Iterable[Ramp], horizon: Horizon, asked: Mask
) -> tuple[Declaration, RampResults]:
    """Return the changes of setpoints and the energy of their ramps as records.

    Parameters
    ----------
    ramps : iterable of Ramp
        How setpoints travel. [-]
    horizon : Horizon
        The intervals. [-]
    asked : ndarray of bool
        Intervals at whose start somebody counts the energy. Shape (n,). [-]

    Returns
    -------
    tuple of (Declaration, RampResults)
        Records, and the keys of the energies. [-]
    """
    parts, more, less = [], [], []
    for ramp in ramps:
        live = ramp.counted & asked
        if not np.any(live & (ramp.upper > ramp.lower)) and not np.any((ramp.lower != 0.0) & live):
            continue
        fall, rise = f"{ramp.key}_fall", f"{ramp.key}_rise"
        parts.append(_declare(ramp, live, fall, rise, len(horizon)))
        more.append(fall)
        less.append(rise)
    return Declaration.merged(parts), RampResults(tuple(more), tuple(less))


def _declare(ramp: Ramp, live: Mask, fall: str, rise: str, n: int) -> Declaration:
    at = np.flatnonzero(live)
    rows, ones = np.arange(len(at)), np.ones(len(at))
    later = at > 0
    before = np.where(later, 0.0, 0.0 if ramp.before is None else ramp.before)
    factor = ramp.mw_per_unit / (2.0 * ramp.per_min * 60.0)

    def curve(key: str, sign: float, words: str, tangents: int) -> Curve:
        def value(x: Array, t: Integers) -> Array:
            way: Array = np.maximum(sign * x, 0.0)
            return factor[t] * way * way

        def slope(x: Array, t: Integers) -> Array:
            way: Array = np.maximum(sign * x, 0.0)
            return 2.0 * sign * factor[t] * way

        return Curve(key, "MWh", ramp.key, value, slope, f"{words} of the {ramp.meaning}", tangents)

    return Declaration(
        variables=(
            Variable(
                ramp.key,
                ramp.unit,
                np.where(live, ramp.lower, 0.0),
                np.where(live, ramp.upper, 0.0),
                np.arange(n),
                meaning=ramp.meaning,
            ),
        ),
        curves=(
            curve(fall, -1.0, "energy drawn more on the way down", FALL_TANGENTS),
            # A credit is held from above; tangents from below would hold nothing.
            curve(rise, 1.0, "energy drawn less on the way up", 0),
        ),
        rows=(
            Rows(
                f"{ramp.key}_is",
                ramp.unit,
                (
                    Entry(ramp.key, rows, at, ones),
                    Entry(ramp.variable, rows, at, -ones),
                    Entry(ramp.variable, rows[later], at[later] - 1, ones[later]),
                ),
                -before,
                -before,
                intervals=at,
                breakable=False,
                meaning=f"the {ramp.meaning} is the difference of two loads",
            ),
        ),
    )
