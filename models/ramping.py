"""Ramps inside an interval, for what is metered over a short time.

Owns the energy that setpoints draw on their way beyond what they draw at their end, as records of the
program and as a sum over values. Who counts it, and over which time, is the contract's matter.

After a fall by d the setpoint travels at its rate r for d/r. With a power of at most s per unit of the
setpoint it draws on the way up to s d^2 / (2 r) more than at its end. That is convex in the change, so
tangents bound it from below and the search's certificate holds for it as for every other curve.

Notes
-----
What is on the safe side: s is the slope of the power at the greatest load, and a rise counts as done at
once, though on its way it draws less than at its end. (That credit is concave in the change; with it a plan
could not be certified without a branch for every change.) The audit reads the energy of falls and rises from
the power curves themselves (`Circuit.simulate`), so what the plan pays beyond is told and not hidden. Ramps
count on the plan day; in the look-ahead loads are what they are on the mean.
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
    keys : tuple of str
        The results; empty where nobody counts ramps. [-]
    """

    keys: tuple[str, ...] = ()

    def energy_mwh(self, values: Mapping[str, Array], horizon: Horizon) -> Array:
        """Return what falls at the start of each interval draw beyond the loads they arrive at.

        Parameters
        ----------
        values : mapping
            Values by key. [as declared]
        horizon : Horizon
            The intervals. [-]

        Returns
        -------
        ndarray
            Energy, 0 or more. Shape (n,). [MWh]
        """
        total = np.zeros(len(horizon))
        for key in self.keys:
            total = total + values[key]
        return total


def declare_ramps(ramps: Iterable[Ramp], horizon: Horizon, asked: Mask) -> tuple[Declaration, RampResults]:
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
    parts, keys = [], []
    for ramp in ramps:
        live = ramp.counted & asked & (ramp.lower < 0.0)
        if np.any(live):
            keys.append(f"{ramp.key}_fall")
            parts.append(_declare(ramp, live, keys[-1], len(horizon)))
    return Declaration.merged(parts), RampResults(tuple(keys))


def changes_of(records: Declaration, values: Mapping[str, Array]) -> dict[str, Array]:
    """Return the changes of setpoints that follow from their values, where they are declared.

    Parameters
    ----------
    records : Declaration
        All records. [-]
    values : mapping
        Values of the setpoints by key. [as declared]

    Returns
    -------
    dict
        Changes by key. Each shape (n,). [as declared]
    """
    declared = {variable.key for variable in records.variables}
    places = {rows.key: rows.intervals for rows in records.rows}
    found = {}
    for ramp in records.ramps:
        at = places.get(f"{ramp.key}_is")
        if ramp.key in declared and at is not None:
            setpoint = values[ramp.variable]
            whole = np.diff(setpoint, prepend=0.0 if ramp.before is None else ramp.before)
            found[ramp.key] = np.zeros(len(setpoint))
            found[ramp.key][at] = whole[at]
    return found


def _declare(ramp: Ramp, live: Mask, fall: str, n: int) -> Declaration:
    at = np.flatnonzero(live)
    rows, ones = np.arange(len(at)), np.ones(len(at))
    later = at > 0
    before = np.where(later, 0.0, 0.0 if ramp.before is None else ramp.before)
    factor = ramp.mw_per_unit / (2.0 * ramp.per_min * 60.0)

    def value(x: Array, t: Integers) -> Array:
        way: Array = np.maximum(-x, 0.0)
        return factor[t] * way * way

    def slope(x: Array, t: Integers) -> Array:
        return -2.0 * factor[t] * np.maximum(-x, 0.0)

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
            Curve(
                fall,
                "MWh",
                ramp.key,
                value,
                slope,
                f"energy drawn more on the way down, {ramp.meaning}",
                FALL_TANGENTS,
            ),
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
