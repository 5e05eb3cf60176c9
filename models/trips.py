"""Trips: how long stocks cover customers without a circuit, and where chlorine goes without a customer.

Owns the arithmetic of the first hours after a trip, and the rule by which a plan keeps liquid in store
for one. It describes a trip for the plan sheet; it does not control one: interlocks and the works'
own trip procedure do. The emergency absorber takes what a trip itself releases and nothing after it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues, above, check
from models.horizon import Array, Horizon, Integers, Mask
from models.pieces import Declaration, Entry, Rows
from models.situation import Situation
from models.unit import Unit, unit_kind

FITS_T_PER_H = 1e-6
"""Rate by which a need may miss what is there by rounding. [t/h]"""
FIRST_MINUTES = 15.0
"""Time in which a customer of limited movement counts as having moved: the header holds minutes only
(common practice, no source). [min]"""


@dataclass(frozen=True, eq=False)
class CircuitTrip:
    """How long customers are supplied after a circuit has tripped.

    Parameters
    ----------
    cover_h : ndarray
        Hours for which a customer gets his least rate from the trip on; infinite where production
        suffices, 0 where he is cut at once. Shape (m, n). [h]
    cover_once_hot_h : ndarray
        The same from the time on at which every vaporiser is hot. Shape (m, n). [h]
    returned_t_per_h : ndarray
        Liquid that the vaporisers return once hot. Shape (n,). [t/h]
    """

    cover_h: Array
    cover_once_hot_h: Array
    returned_t_per_h: Array


def circuit_trip(
    left_t_per_h: Array,
    held_t_per_h: Array,
    least_t_per_h: Array,
    liquid_t: Array,
    hot_t_per_h: Array,
    return_max_t_per_h: Array,
) -> CircuitTrip:
    """Return how long customers are supplied after a circuit has tripped.

    Parameters
    ----------
    left_t_per_h : ndarray
        Chlorine that the other circuits make at their planned loads. Shape (n,). [t/h]
    held_t_per_h : ndarray
        Header chlorine that others than the customers go on taking. Shape (n,). [t/h]
    least_t_per_h : ndarray
        Least rate of each customer, in order of priority. Shape (m, n), 0 or more. [t/h]
    liquid_t : ndarray
        Liquid chlorine in store. Shape (n,), 0 or more. [t]
    hot_t_per_h : ndarray
        Greatest rate of the vaporisers that run when the circuit trips. Shape (n,), 0 or more. [t/h]
    return_max_t_per_h : ndarray
        Greatest rate of all vaporisers. Shape (n,), at least `hot_t_per_h`. [t/h]

    Returns
    -------
    CircuitTrip
        Hours of cover and the liquid returned. [h], [t/h]

    Notes
    -----
    Assumptions: the other circuits hold their planned loads; liquefaction, hypochlorite and the loading
    of liquid stop at once; customers are turned down to their least rates at once; in order of
    priority, a customer whose least rate does not fit into what is left is cut and the next is tried.
    With liquid, what is there is left - held + vaporisers; without, left - held. Then

    ``returned = max(sum of least rates served - (left - held), 0)`` and ``cover = liquid / returned``

    for whoever is served with liquid only; cover is infinite for whoever is served with and without. All
    liquid above 0 counts, also what a site keeps as its least stock: it is kept for this. The header
    holds minutes, so a customer who needs a vaporiser that is cold has no cover.
    """
    without = left_t_per_h - held_t_per_h
    now, _ = _served(without + hot_t_per_h, least_t_per_h)
    later, need = _served(without + return_max_t_per_h, least_t_per_h)
    alone, _ = _served(without, least_t_per_h)
    returned = np.maximum(need - without, 0.0)
    returned = np.where(returned > FITS_T_PER_H, np.minimum(returned, return_max_t_per_h), 0.0)
    hours = np.full(len(returned), np.inf)
    np.divide(liquid_t, returned, out=hours, where=returned > 0)
    once_hot = np.where(later, np.where(alone, np.inf, hours), 0.0)
    return CircuitTrip(np.where(now, once_hot, 0.0), once_hot, returned)


def _served(room: Array, least: Array) -> tuple[Mask, Array]:
    """Return who gets his least rate out of a rate, the first first, and the sum of their rates."""
    served = np.zeros(least.shape, dtype=bool)
    used = np.zeros(least.shape[1])
    for i, rate in enumerate(least):
        served[i] = used + rate <= np.maximum(room, 0.0) + FITS_T_PER_H
        used = used + np.where(served[i], rate, 0.0)
    return served, used


@dataclass(frozen=True, eq=False)
class CustomerTrip:
    """Where the chlorine of a customer goes when he trips; the parts add up to what he took.

    Parameters
    ----------
    less_vaporised_t_per_h : ndarray
        Liquid that is no longer vaporised. Shape (n,). [t/h]
    to_customers_t_per_h : ndarray
        More to the other customers. Shape (n,). [t/h]
    to_liquefaction_t_per_h : ndarray
        More feed of the liquefaction. Shape (n,). [t/h]
    to_acid_t_per_h : ndarray
        More header chlorine to acid; negative where further tail gas takes its place. Shape (n,). [t/h]
    to_cut_t_per_h : ndarray
        What has no place: production to cut at once. Shape (n,). [t/h]
    full_h : ndarray
        Hours until the store of liquid is full; infinite where it does not fill. Shape (n,). [h]
    """

    less_vaporised_t_per_h: Array
    to_customers_t_per_h: Array
    to_liquefaction_t_per_h: Array
    to_acid_t_per_h: Array
    to_cut_t_per_h: Array
    full_h: Array


@dataclass(frozen=True, eq=False)
class LiquefactionRoom:
    """What a liquefaction train takes, and could take.

    Parameters
    ----------
    feed_t_per_h, feed_max_t_per_h : ndarray
        Planned and greatest feed. Each shape (n,). [t/h]
    liquefaction_yield : float
        Share of the feed that becomes liquid; the rest is tail gas. 0 to 1. [-]
    """

    feed_t_per_h: Array
    feed_max_t_per_h: Array
    liquefaction_yield: float


def customer_trip(
    take_t_per_h: Array,
    vaporised_t_per_h: Array,
    customers_room_t_per_h: Array,
    trains: tuple[LiquefactionRoom, ...],
    liquid_room_t: Array,
    acid_gas_t_per_h: Array,
    acid_room_t_per_h: Array,
) -> CustomerTrip:
    """Return where the chlorine of a customer goes when he trips.

    Parameters
    ----------
    take_t_per_h : ndarray
        What the customer took. Shape (n,), 0 or more. [t/h]
    vaporised_t_per_h : ndarray
        Planned rate of the vaporisers. Shape (n,). [t/h]
    customers_room_t_per_h : ndarray
        What the other customers take more at once. Shape (n,). [t/h]
    trains : tuple of LiquefactionRoom
        Liquefaction trains, in the order in which they are raised. [-]
    liquid_room_t : ndarray
        Room in the store of liquid. Shape (n,), 0 or more. [t]
    acid_gas_t_per_h : ndarray
        Header chlorine that acid units burn. Shape (n,). [t/h]
    acid_room_t_per_h : ndarray
        What acid units burn more at most, header chlorine and tail gas together. Shape (n,). [t/h]

    Returns
    -------
    CustomerTrip
        The parts, and the hours until the store is full. [t/h], [h]

    Notes
    -----
    Order: less is vaporised; other customers take more; liquefaction rises while the store has room;
    acid rises; the rest must be cut. More feed F gives (1 - yield) F of tail gas, whose only home that
    counts is acid: beyond the acid's room it takes the place of header chlorine, so that header
    chlorine taken is F up to F = room / (1 - yield), and yield F + room beyond. Hypochlorite stays
    as planned and liquid is not loaded; circuits stay as planned until the cut.
    """
    zero = np.zeros(len(take_t_per_h))
    less = np.minimum(take_t_per_h, np.maximum(vaporised_t_per_h, 0.0))
    rest = take_t_per_h - less
    customers = np.minimum(rest, np.maximum(customers_room_t_per_h, 0.0))
    rest = rest - customers
    room, gas = np.maximum(acid_room_t_per_h, 0.0), np.maximum(acid_gas_t_per_h, 0.0)
    feed, acid, liquid = zero, zero, -(vaporised_t_per_h - less)
    for train in trains:
        more, displaced = _more_feed(rest, train, room, gas, liquid_room_t > 0)
        tail = (1.0 - train.liquefaction_yield) * more
        rest = np.maximum(rest - more + displaced, 0.0)
        room, gas = np.maximum(room - tail, 0.0), gas - displaced
        feed, acid = feed + more, acid - displaced
        liquid = liquid + train.liquefaction_yield * (train.feed_t_per_h + more)
    burnt = np.minimum(rest, room)
    full = np.full(len(zero), np.inf)
    np.divide(liquid_room_t, liquid, out=full, where=liquid > FITS_T_PER_H)
    return CustomerTrip(less, customers, feed, acid + burnt, rest - burnt, full)


def _more_feed(
    rest: Array, train: LiquefactionRoom, room: Array, gas: Array, open_: Mask
) -> tuple[Array, Array]:
    """Return how much more a train is fed, and the header chlorine its tail gas displaces from acid."""
    share = train.liquefaction_yield
    most = np.where(open_, np.maximum(train.feed_max_t_per_h - train.feed_t_per_h, 0.0), 0.0)
    if share >= 1.0:
        return np.minimum(rest, most), np.zeros(len(rest))
    # Up to here tail gas finds free room in acid; beyond, each tonne of feed frees 1 - yield of gas.
    free = room / (1.0 - share)
    wanted = np.where(rest <= free, rest, (rest - room) / share if share > 0 else np.inf)
    more = np.minimum(np.minimum(wanted, most), (room + gas) / (1.0 - share))
    return more, np.maximum((1.0 - share) * more - room, 0.0)


@dataclass(frozen=True)
class TrippingCircuit:
    """A circuit for whose trip liquid is kept.

    Parameters
    ----------
    load : str
        Key of its load, `{circuit}_load`. [-]
    t_per_h_per_ka : float
        Chlorine per kiloampere with all cells in service, above 0; leakage left out, which is on the
        safe side. [t/h per kA]
    """

    load: str
    t_per_h_per_ka: float

    def __post_init__(self) -> None:
        check(self, t_per_h_per_ka=above(0, "t/h per kA"))


@unit_kind("trip_cover")
@dataclass(frozen=True)
class TripCover(Unit):
    """A rule that liquid in store covers some hours without any one of the circuits named.

    Parameters
    ----------
    name : str
        Name of the rule. [-]
    hours : float
        Time to cover, above 0. [h]
    needs_t_per_h : float
        Header chlorine that must go on flowing: least rates of the customers to be covered, and what
        acid takes at least. Above 0. [t/h]
    return_max_t_per_h : float
        What the vaporisers return at most, above 0. [t/h]
    level : str
        Key of the level of liquid, `{store}_level`. [-]
    made : tuple of str
        Keys of the variables whose sum is the chlorine made, for example `{compressors}_flow`. [-]
    circuits : tuple of TrippingCircuit
        Circuits for whose trip liquid is kept. [-]

    Notes
    -----
    For each circuit c with load I and k t/h per kA, and each interval t:

    ``level[t] >= hours * (needs - (made[t] - k I[t]))``, the same with the level at the interval's start,
    and ``needs - (made[t] - k I[t]) <= return_max``.

    Linear in the plan's decisions. The rule keeps liquid and a rate; it does not keep a vaporiser hot. The
    stock at the start of the first interval is a fact and not held to it. Needs are the same on every
    interval, also when a customer is in turnaround.
    """

    name: str
    hours: float
    needs_t_per_h: float
    return_max_t_per_h: float
    level: str
    made: tuple[str, ...]
    circuits: tuple[TrippingCircuit, ...]

    def __post_init__(self) -> None:
        check(
            self,
            hours=above(0, "h"),
            needs_t_per_h=above(0, "t/h"),
            return_max_t_per_h=above(0, "t/h"),
        )
        missing = [field for field in ("made", "circuits") if not getattr(self, field)]
        if missing:
            raise InvalidValues([(field, f"'{field}' must name one or more (got none)") for field in missing])

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the rows of every circuit named (see `Unit.declare`)."""
        return Declaration(
            rows=tuple(row for circuit in self.circuits for row in self._rows(circuit, len(horizon)))
        )

    def _left(self, circuit: TrippingCircuit, at: Integers, weight: float) -> tuple[Entry, ...]:
        """Return what is left of production without a circuit, on some intervals, times a weight."""
        rows, ones = np.arange(len(at)), np.ones(len(at))
        return (
            *(Entry(key, rows, at, weight * ones) for key in self.made),
            Entry(circuit.load, rows, at, -weight * circuit.t_per_h_per_ka * ones),
        )

    def _rows(self, circuit: TrippingCircuit, n: int) -> tuple[Rows, ...]:
        without = f"without what {circuit.load} makes"
        families = []
        for piece, first, back in (("end", 0, 0), ("start", 1, 1)):
            at = np.arange(first, n)
            level = Entry(self.level, np.arange(len(at)), at - back, np.ones(len(at)))
            families.append(
                Rows(
                    self.key(f"{circuit.load}_{piece}"),
                    "t",
                    (level, *self._left(circuit, at, self.hours)),
                    np.full(len(at), self.hours * self.needs_t_per_h),
                    np.full(len(at), np.inf),
                    intervals=at,
                    meaning=f"liquid for {self.hours:g} h {without}, at the {piece} of the interval",
                )
            )
        every = np.arange(n)
        families.append(
            Rows(
                self.key(f"{circuit.load}_rate"),
                "t/h",
                self._left(circuit, every, 1.0),
                np.full(n, self.needs_t_per_h - self.return_max_t_per_h),
                np.full(n, np.inf),
                intervals=every,
                meaning=f"needs that the vaporisers can meet {without}",
            )
        )
        return tuple(families)
