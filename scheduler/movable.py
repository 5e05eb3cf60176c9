"""The numbers of the input that limit something: where each stands in the records, its size, its words.

A number may stand in many places (a greatest rate on all intervals), and one unit's limits of the same value
are one number. Outages and counts of changes are no such numbers. Knows no solver.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from models.circuit import Circuit
from models.horizon import Array, Integers
from models.misses import RECOVERY
from models.pieces import Rows, Variable
from scheduler.conflicts import Collision, Kind
from scheduler.lp import Formulation

SAME = 1e-9
"""How near, as a share, two limits of a unit are one number of the input."""
MOST_VALUES = 4
"""Values of one limit over time that are told apart; with more it is a profile and moved as a whole."""


@dataclass(frozen=True, eq=False)
class Place:
    """Where a limit stands in the records: positions of one variable or stock, or rows of a family.

    Parameters
    ----------
    record : str
        Key of the variable, stock or family of rows. [-]
    rows : bool
        Whether it is a family of rows. [-]
    positions : ndarray
        Index positions, or rows. Shape (k,). [-]
    intervals : ndarray or None
        Interval of each; None without. Shape (k,). [-]
    limit : ndarray
        The limit at each. Shape (k,). [unit of the record]
    upper : bool
        Whether it is an upper limit. [-]
    """

    record: str
    rows: bool
    positions: Integers
    intervals: Integers | None
    limit: Array
    upper: bool


@dataclass(eq=False)
class Number:
    """One number of the input that limits something: all places where it stands.

    Parameters
    ----------
    key : str
        Key of the record with its side and cause. [-]
    meaning : str
        The limit in words. [-]
    kind : Kind
        In which direction it gives room. [-]
    unit : str
        Unit. [-]
    size : float
        By what a move is divided to compare it with others, above 0. [unit]
    places : list of Place
        Where it stands. [-]
    column : int
        Its column of room in a program; -1 before there is one. [-]
    rows : list of (int, int)
        Row of the program and its interval (-1 without), in the order of the places. [-]
    """

    key: str
    meaning: str
    kind: Kind
    unit: str
    size: float
    places: list[Place] = field(default_factory=list)
    column: int = -1
    rows: list[tuple[int, int]] = field(default_factory=list)

    @property
    def limit(self) -> float:
        """The number itself, the furthest out where it changes. [unit]."""
        limits = np.concatenate([place.limit for place in self.places])
        return float(limits.max() if self.kind is not Kind.LOWER else limits.min())

    def collision(self, span: tuple[int, int] | None) -> Collision:
        """Return the record of it on a span of intervals.

        Parameters
        ----------
        span : (int, int) or None
            First interval and the one after the last; None without. [-]

        Returns
        -------
        Collision
            The record. [-]
        """
        first, end = span or (None, None)
        return Collision(self.key, self.meaning, self.kind, self.unit, self.limit, first, end)


Moved = dict[Number, float]
"""Numbers that are moved, with how far. [unit of each]"""


def total(moved: Moved) -> float:
    """Return the sum of moves as shares of the numbers' sizes.

    Parameters
    ----------
    moved : dict
        Moves by number. [unit of each]

    Returns
    -------
    float
        Sum of shares. [-]
    """
    return sum(amount / number.size for number, amount in moved.items())


def numbers_of(formulation: Formulation) -> list[Number]:
    """Return every number of the input that limits something and can be moved.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]

    Returns
    -------
    list of Number
        Numbers of units and of the contract, not what is switched or counted, nor duties. [-]
    """
    records, site = formulation.declaration, formulation.site
    own_keys = {key for keys in formulation.setpoints.values() for key in keys}
    circuits = {unit.key("load"): unit for unit in site.units if isinstance(unit, Circuit)}
    found: dict[tuple[str, ...], Number] = {}

    def add(key: str, group: str, meaning: str, kind: Kind, unit: str, size: float, place: Place) -> None:
        if not place.limit.size:
            return
        value = "" if np.ptp(place.limit) > SAME * max(size, 1.0) else f"{place.limit[0]:.9g}"
        name = site.owner_of(place.record)
        # Limits of one unit with the same value are one number of its input.
        same = (name, kind.value, unit, group, value) if value and name else (key, kind.value, group, value)
        number = found.get(same)
        if number is None:
            taken = any(other.key == key for other in found.values())
            found[same] = number = Number(f"{key}@{value}" if taken else key, meaning, kind, unit, size)
        elif place.rows:
            number.key, number.meaning = key, meaning
        number.places.append(place)

    def split(limit: Array, on: Array) -> list[Integers]:
        """Return positions with one value each; all together where there are many values."""
        at = np.flatnonzero(on)
        values = np.unique(np.round(limit[at], 9))
        if len(values) > MOST_VALUES:
            return [at]
        return [at[np.isclose(limit[at], value, rtol=SAME, atol=1e-9)] for value in values]

    for v in records.variables:
        if v.intervals is None or v.miss_class is not None or v.key not in own_keys:
            continue
        circuit = circuits.get(v.key)
        open_ = v.upper > v.lower
        words = v.meaning or v.key
        if circuit is not None:
            _add_load(add, formulation, circuit, v)
            continue
        for side in ("upper", "lower"):
            limit = getattr(v, side)
            on = open_ & np.isfinite(limit) & ((limit > 0) if side == "lower" else (limit != 0))
            for at in split(limit, on):
                if at.size:
                    kind = Kind.UPPER if side == "upper" else Kind.LOWER
                    place = Place(v.key, False, at, v.intervals[at], limit[at], side == "upper")
                    size = float(np.max(np.abs(limit[at])))
                    least = "greatest" if side == "upper" else "least"
                    add(
                        f"{v.key}.{side}",
                        "",
                        f"{least} rate of {words}" if v.unit != "MW" else f"{least} {words}",
                        kind,
                        v.unit,
                        size,
                        place,
                    )
    for stock in records.stocks:
        for side in ("upper", "lower"):
            limit = getattr(stock, side)
            on = np.isfinite(limit) & (limit > 0)
            for at in split(limit, on):
                if at.size:
                    kind = Kind.UPPER if side == "upper" else Kind.LOWER
                    place = Place(stock.key, False, at, at, limit[at], side == "upper")
                    most = "greatest" if side == "upper" else "least"
                    add(
                        f"{stock.key}.{side}",
                        "",
                        f"{most} {stock.meaning or stock.key}",
                        kind,
                        stock.unit,
                        float(np.max(limit[at])),
                        place,
                    )
    variables = {v.key: v for v in records.variables}
    for rows in records.rows:
        if not rows.breakable or not rows.size:
            continue
        duty = _duty_sides(rows, variables)
        for family_side in _sides_of(rows):
            kind, on = family_side
            if (
                not on.any()
                or (kind is Kind.LOWER and "lower" in duty)
                or (kind is Kind.UPPER and "upper" in duty)
            ):
                continue
            reference = rows.upper if kind is not Kind.LOWER else rows.lower
            for at in split(reference, on):
                if not at.size:
                    continue
                size = float(np.max(np.abs(reference[at])))
                size = size if size > 0 else _size_of(rows, variables)
                at_t = None if rows.intervals is None else rows.intervals[at]
                label = {Kind.UPPER: "upper", Kind.LOWER: "lower", Kind.BOTH: "both"}[kind]
                for upper in (True, False):
                    if kind is Kind.BOTH or (kind is Kind.UPPER) == upper:
                        limit = (rows.upper if upper else rows.lower)[at]
                        place = Place(rows.key, True, at, at_t, limit, upper)
                        if kind is Kind.BOTH:
                            number = found.get((rows.key, kind.value, "", f"{size:.9g}"))
                            if number is None:
                                number = Number(
                                    f"{rows.key}.{label}", rows.meaning or rows.key, kind, rows.unit, size
                                )
                                found[rows.key, kind.value, "", f"{size:.9g}"] = number
                            number.places.append(place)
                        else:
                            add(
                                f"{rows.key}.{label}",
                                "",
                                rows.meaning or rows.key,
                                kind,
                                rows.unit,
                                size,
                                place,
                            )
    return list(found.values())


def _sides_of(rows: Rows) -> list[tuple[Kind, Array]]:
    finite_low, finite_high = np.isfinite(rows.lower), np.isfinite(rows.upper)
    both = finite_low & finite_high & ((rows.lower == -rows.upper) | (rows.lower == rows.upper))
    return [(Kind.BOTH, both), (Kind.UPPER, finite_high & ~both), (Kind.LOWER, finite_low & ~both)]


def _duty_sides(rows: Rows, variables: dict[str, Variable]) -> set[str]:
    """Return the sides of a family that are a duty: a miss stands there to be less than what is due."""
    signs: set[float] = set()
    for entry in rows.entries:
        v = variables.get(entry.variable)
        if v is not None and v.miss_class is not None and v.miss_class != RECOVERY:
            signs |= set(np.sign(entry.coefficients).tolist())
    return {"lower"} if signs == {1.0} else {"upper"} if signs == {-1.0} else set()


def _size_of(rows: Rows, variables: dict[str, Variable]) -> float:
    """Return a size for a limit of 0: the greatest value of what it limits."""
    sizes = [
        float(np.max(v.upper[np.isfinite(v.upper)], initial=0.0))
        for entry in rows.entries
        if (v := variables.get(entry.variable)) is not None
    ]
    return max(sizes, default=0.0) or 1.0


def _add_load(
    add: Callable[[str, str, str, Kind, str, float, Place], None],
    formulation: Formulation,
    circuit: Circuit,
    load: Variable,
) -> None:
    """Add the limits of a circuit's load, each by its cause, and the loads that are given."""
    state = circuit.state(formulation.horizon, formulation.situation)
    lock = formulation.situation.locks.get(circuit.name)
    given = np.zeros(load.size, dtype=bool) if lock is None else lock.where_given(formulation.horizon)[0]
    given = given & (load.lower > 0) & (load.upper <= load.lower)
    names = list(state.ceilings_ka)
    cause = np.argmin(
        np.stack([np.broadcast_to(c, (load.size,)) for c in state.ceilings_ka.values()]), axis=0
    )
    running = state.in_service & ~given & (load.upper > 0)
    for i, name in enumerate(names):
        for value in np.unique(np.round(load.upper[running & (cause == i)], 9)):
            at = np.flatnonzero(running & (cause == i) & np.isclose(load.upper, value, rtol=SAME, atol=1e-9))
            place = Place(load.key, False, at, at, load.upper[at], True)
            key = f"{load.key}.upper.{name.replace(' ', '_').lower()}"
            words = f"greatest load of {circuit.name} ({name})"
            add(key, name, words, Kind.UPPER, "kA", float(value), place)
    low = running & (load.lower > 0)
    for value in np.unique(np.round(load.lower[low], 9)):
        at = np.flatnonzero(low & np.isclose(load.lower, value, rtol=SAME, atol=1e-9))
        place = Place(load.key, False, at, at, load.lower[at], False)
        add(f"{load.key}.lower", "", f"least load of {circuit.name}", Kind.LOWER, "kA", float(value), place)
    for upper in (True, False):
        at = np.flatnonzero(given)
        if at.size:
            place = Place(load.key, False, at, at, (load.upper if upper else load.lower)[at], upper)
            kind = Kind.UPPER if upper else Kind.LOWER
            side = "upper" if upper else "lower"
            size = float(load.upper[at].max())
            add(f"{load.key}.given.{side}", "given", f"given load of {circuit.name}", kind, "kA", size, place)
