"""Outages of a circuit: its load is run down before they start and run up when they end.

Owns when a load is on its way to or from standstill and which share of it flows meanwhile. Current is 0 when
an outage starts: the run-down begins as long before as full load needs at the stated rate, whatever the load,
and runs evenly. So its clock time is a calendar fact, each smaller load is run down more gently, and what
flows in an interval is the set load times a known mean share: the program stays linear. After the outage the
run-up takes as long as full load needs, evenly, from the outage's end.

Notes
-----
With D = I_max / r (rounded up to whole minutes) the share of the set load is, before an outage from T on,
(T - t) / D for t in [T - D, T], and after one until T, (t - T) / D for t in [T, T + D]. Where both hold the
lesser counts. Mean products are affine in the load with the mean share; the mean power of an interval is the
integral of the power curve over the shares, convex in the set load as the curve itself.

An outage that starts sooner than D after the horizon's start finds current flowing, unless the running plan
had it already: then the run-down begins at once and goes on into the outage. As ramps in general
(`models.ramping`) this counts on the plan day; in the look-ahead loads are what they are on the mean.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from models.horizon import Array, Horizon, Integers, Mask

NODES = 5
"""Gauss points of each straight piece of a share: exact to the ninth power of the load."""


@dataclass(frozen=True)
class Way:
    """One way of a load to or from standstill.

    Parameters
    ----------
    begin_min, minutes : int
        When it begins, since the epoch, and how long it takes. [min]
    edge : int
        Interval at whose start the outage begins or ends; the number of intervals at the horizon's end. [-]
    down : bool
        Whether it goes to standstill. [-]
    left : float
        Share of the load that still flows when the outage starts; 0 where time is enough. [-]
    """

    begin_min: int
    minutes: int
    edge: int
    down: bool
    left: float = 0.0

    @property
    def edge_min(self) -> float:
        """When the outage begins or ends, since the epoch. [min]."""
        return self.begin_min + self.minutes * (1.0 - self.left) if self.down else self.begin_min

    @property
    def end_min(self) -> int:
        """When the way is done, since the epoch. [min]."""
        return self.begin_min + self.minutes


@dataclass(frozen=True, eq=False)
class Travel:
    """Shares of the set load that flow in intervals in which it is run down or up.

    Parameters
    ----------
    ways : tuple of Way
        The ways, in order of time. [-]
    intervals : ndarray
        Intervals they touch. Shape (k,). [-]
    shares, weights : ndarray
        Shares of the set load over each such interval, and the parts of the interval for which they stand.
        Each shape (k, m). [-]
    """

    ways: tuple[Way, ...] = ()
    intervals: Integers = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    shares: Array = field(default_factory=lambda: np.ones((0, 1)))
    weights: Array = field(default_factory=lambda: np.ones((0, 1)))

    def mean(self, n: int) -> Array:
        """Return the mean share of the set load on every interval.

        Parameters
        ----------
        n : int
            Number of intervals. [-]

        Returns
        -------
        ndarray
            1 where the load is not on its way. Shape (n,). [-]
        """
        mean = np.ones(n)
        mean[self.intervals] = np.sum(self.shares * self.weights, axis=1)
        return mean

    def share_at(self, minute: int) -> float:
        """Return the share of the set load that flows at an instant in service.

        Parameters
        ----------
        minute : int
            Instant since the epoch. [min]

        Returns
        -------
        float
            Share; 1 outside all ways. [-]
        """
        return float(_share(self.ways, np.array([float(minute)]))[0])


def travel(
    horizon: Horizon,
    running: Mask,
    full_ka: Array,
    ka_per_min: float | None,
    stood_before: bool = False,
    out_after: bool = False,
    known: bool = False,
) -> Travel:
    """Return how a load gets to and from standstill on the plan day.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    running : ndarray of bool
        Whether the circuit is in service. Shape (n,). [-]
    full_ka : ndarray
        Greatest load while in service. Shape (n,). [kA]
    ka_per_min : float, optional
        Rate of a load change, above 0; None: at once. [kA/min]
    stood_before, out_after : bool
        Whether the circuit stood just before the horizon, and is out just after it. [-]
    known : bool
        Whether a running plan knows the outages, so that a run-down may have begun before the horizon. [-]

    Returns
    -------
    Travel
        The ways and shares; empty without a rate or outages. [-]
    """
    if ka_per_min is None:
        return Travel()
    n = len(horizon)
    edges = np.append(horizon.starts_min, horizon.end_min)
    before = np.concatenate([[bool(running[0]) and not stood_before], running])
    after = np.append(running, bool(running[-1]) and not out_after)
    ways = []
    for t in np.flatnonzero(
        before[: horizon.plan_intervals + 1] != after[: horizon.plan_intervals + 1]
    ).tolist():
        down = bool(before[t])
        if (down and t == 0) or (not down and t >= horizon.plan_intervals):
            # An outage at the start finds current flowing; a run-up beyond the plan day is not planned yet.
            continue
        full = float(full_ka[t - 1] if down else full_ka[t])
        minutes = max(int(np.ceil(full / ka_per_min - 1e-9)), 1)
        edge = int(edges[t])
        begin, left = (edge - minutes, 0.0) if down else (edge, 0.0)
        if down and begin < horizon.start_min and not known:
            begin = horizon.start_min
            left = 1.0 - (edge - begin) / minutes
        ways.append(Way(begin, minutes, t, down, left))
    touched = np.zeros(n, dtype=bool)
    for way in ways:
        touched |= horizon.share_inside(way.begin_min, way.end_min) > 0
    at = np.flatnonzero(touched & running)
    if not at.size:
        return Travel(tuple(ways))
    pieces = [_pieces(ways, int(edges[t]), int(edges[t + 1])) for t in at.tolist()]
    most = max(len(shares) for shares, _ in pieces)
    shares, weights = np.ones((len(at), most)), np.zeros((len(at), most))
    for row, (share, weight) in enumerate(pieces):
        shares[row, : len(share)], weights[row, : len(weight)] = share, weight
    return Travel(tuple(ways), at, shares, weights)


def _share(ways: tuple[Way, ...] | list[Way], minutes: Array) -> Array:
    share = np.ones(len(minutes))
    for way in ways:
        done = np.clip((minutes - way.begin_min) / way.minutes, 0.0, 1.0)
        # Before its edge a run-down takes current away; after the edge of a run-up current comes back.
        share = np.minimum(share, 1.0 - done if way.down else np.where(minutes < way.begin_min, 1.0, done))
        if way.down:
            # What has been out and comes back is another way's matter.
            later = [up.begin_min for up in ways if not up.down and up.begin_min >= way.edge_min]
            back = minutes >= (min(later) if later else np.inf)
            share = np.where(back, 1.0, share)
    return share


def _pieces(ways: list[Way], start: int, end: int) -> tuple[Array, Array]:
    """Return Gauss points of the share over an interval, and their weights."""
    breaks = {float(start), float(end)}
    for way in ways:
        breaks |= {float(b) for b in (way.begin_min, way.end_min) if start < b < end}
    for up in ways:
        for down in ways:
            if down.down and not up.down:
                # Where a run-up meets the next run-down.
                meet = (up.begin_min * down.minutes + down.end_min * up.minutes) / (up.minutes + down.minutes)
                if start < meet < end:
                    breaks.add(meet)
    edges = np.array(sorted(breaks))
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    length = np.diff(edges)
    at = (edges[:-1, None] + 0.5 * (1.0 + nodes) * length[:, None]).ravel()
    weight = (0.5 * weights * length[:, None] / (end - start)).ravel()
    return _share(ways, at), weight
