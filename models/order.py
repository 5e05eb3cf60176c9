"""Duties to customers: pipelines that take all day, and lots for road, rail and ship with a window.

Owns what is due when, and what counts as a miss. What a missed tonne counts stands in `misses`.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues, above, at_least, check, in_order
from models.horizon import Array, Horizon, Integers, Mask, day_start_minute
from models.misses import ORDER, PIPELINE, PRICE_PER_T
from models.pieces import Declaration, Entry, Flow, Moves, Rows, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind

ANNOUNCED_ROUNDING_T_PER_H = 1e-4
"""How near an announced rate is kept; written rates have four decimals. [t/h]"""
WAGON_ROUNDING_T = 1e-3
"""What may be missing in a full wagon. [t]"""


def _hours_of(day: str, timezone: str) -> float:
    """Return the hours of a local day: 23, 24 or 25 where clocks change."""
    first = dt.date.fromisoformat(day)
    start, end = (day_start_minute(first + dt.timedelta(days=d), timezone) for d in (0, 1))
    return (end - start) / 60.0


@unit_kind("pipeline")
@dataclass(frozen=True)
class Pipeline(Unit):
    """A customer fed by pipeline: a range, a movement per hour and a daily total.

    Parameters
    ----------
    name : str
        Name of the customer. [-]
    commodity : str
        What he takes. [-]
    nominal_t_per_h : float
        Rate of the contract; its daily total is this times the hours of the day. [t/h]
    min_t_per_h, max_t_per_h : float, optional
        Range of the rate; the nominal rate if not stated. [t/h]
    ramp_t_per_h_per_h : float, optional
        Greatest movement of the rate; no limit if not stated. [t/h per h]
    daily_tolerance_percent : float
        How far a daily total may be from what was asked for, 0 or more. [%]
    margin_percent : float
        How much more is planned than asked for, 0 or more. [%]
    notice_minutes : float
        How long ahead a change of his rate must be announced, 0 or more. Where his rate is known
        (`Situation.announced_t_per_h`) it stays as announced for so long from the horizon's start. [min]
    """

    name: str
    commodity: str
    nominal_t_per_h: float
    min_t_per_h: float | None = None
    max_t_per_h: float | None = None
    ramp_t_per_h_per_h: float | None = None
    daily_tolerance_percent: float = 0.0
    margin_percent: float = 0.0
    notice_minutes: float = 0.0

    availabilities = ("max_t_per_h", "turnaround")
    settings = ("take",)

    def __post_init__(self) -> None:
        check(
            self,
            nominal_t_per_h=at_least(0, "t/h"),
            min_t_per_h=at_least(0, "t/h"),
            max_t_per_h=at_least(0, "t/h"),
            ramp_t_per_h_per_h=above(0, "t/h per h"),
            daily_tolerance_percent=at_least(0, "%"),
            margin_percent=at_least(0, "%"),
            notice_minutes=at_least(0, "min"),
        )
        if not self._least <= self.nominal_t_per_h <= self._most:
            raise InvalidValues(
                [
                    (
                        "nominal_t_per_h",
                        f"'nominal_t_per_h' must be between min_t_per_h {self._least:g} and max_t_per_h "
                        f"{self._most:g} [t/h] (got {self.nominal_t_per_h:g})",
                    )
                ]
            )

    @property
    def _least(self) -> float:
        return self.nominal_t_per_h if self.min_t_per_h is None else self.min_t_per_h

    @property
    def _most(self) -> float:
        return self.nominal_t_per_h if self.max_t_per_h is None else self.max_t_per_h

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the take, its movement and its daily totals, each with its miss (see `Unit.declare`)."""
        n = len(horizon)
        each = np.arange(n)
        margin = 1.0 + self.margin_percent / 100.0
        # A turnaround (value 0) is a calendar fact on his side: then nothing is due.
        open_ = situation.available(self.name, "turnaround", 1, horizon) > 0
        most = np.where(
            open_, situation.available(self.name, "max_t_per_h", self._most * margin, horizon), 0.0
        )
        least = np.minimum(np.where(open_, self._least * margin, 0.0), most)
        held, announced = self._held(horizon, situation, most)
        # Less than his least rate is no miss where he was told so; what is missing to the announced rate is.
        least = np.where(held, np.minimum(least, announced), least)
        take, short = self.key("take"), self.key("short")
        ones = np.ones(n)
        variables = [
            Variable(take, "t/h", np.zeros(n), most, each, meaning=f"{self.commodity} taken by {self.name}"),
            Variable(
                short,
                "t/h",
                np.zeros(n),
                np.where(held, announced, least),
                each,
                miss_class=PIPELINE,
                miss_price=PRICE_PER_T[PIPELINE],
                meaning=f"{self.commodity} missing to {self.name} below his least rate"
                + (", or the rate announced to him" if held.any() else ""),
            ),
        ]
        rows = [
            Rows(
                self.key("least"),
                "t/h",
                (Entry(take, each, each, ones), Entry(short, each, each, ones)),
                least,
                np.full(n, np.inf),
                intervals=each,
                breakable=False,
                meaning=f"least rate of {self.name}",
            )
        ]
        if self._least < self._most:
            variables.append(self._day_miss(horizon))
            rows.append(self._days(horizon, situation, margin, open_))
        if held.any():
            rows.append(self._notice(take, short, held, announced))
        if self.ramp_t_per_h_per_h is not None:
            rows.append(self._movement(horizon, take, short, open_, held))
            rows += self._first_movement(horizon, situation, take, short, open_ & ~held, most)
        moves = (Moves(self.key("moves"), take, np.ones(n, dtype=bool)),) if self._least < self._most else ()
        return Declaration(
            variables=tuple(variables),
            flows=(Flow(self.commodity, take, -1.0),),
            rows=tuple(rows),
            moves=moves,
        )

    def _held(self, horizon: Horizon, situation: Situation, most: Array) -> tuple[Mask, Array]:
        """Return where his rate stays as announced, and that rate.

        Beyond what is announced the last rate goes on. What he himself can take now bounds it: his own
        news needs no notice of ours.
        """
        n = len(horizon)
        series = situation.announced_t_per_h.get(self.name)
        if series is None:
            return np.zeros(n, dtype=bool), np.zeros(n)
        given, rate = series.where_given(horizon)
        last = np.searchsorted(series.starts_min, horizon.starts_min, side="right") - 1
        ends = series.starts_min + series.lengths_min
        current = (last >= 0) & (ends[np.maximum(last, 0)] >= horizon.start_min)
        rate = np.minimum(np.where(given, rate, series.values[np.maximum(last, 0)]), most)
        soon = horizon.starts_min < horizon.start_min + self.notice_minutes
        # A customer who stood still and is open again is not held to nothing.
        held = soon & (given | current) & (rate > 0)
        return held, np.where(held, rate, 0.0)

    def _notice(self, take: str, short: str, held: Mask, announced: Array) -> Rows:
        at = np.flatnonzero(held)
        rows, ones = np.arange(len(at)), np.ones(len(at))
        return Rows(
            self.key("notice"),
            "t/h",
            (Entry(take, rows, at, ones), Entry(short, rows, at, ones)),
            announced[at] - ANNOUNCED_ROUNDING_T_PER_H,
            announced[at] + ANNOUNCED_ROUNDING_T_PER_H,
            intervals=at,
            meaning=f"rate announced to {self.name}, within his {self.notice_minutes:g} min of notice",
        )

    def _labels(self, horizon: Horizon) -> tuple[str, ...]:
        return tuple(dict.fromkeys(day.isoformat() for day in horizon.days))

    def _day_miss(self, horizon: Horizon) -> Variable:
        labels = self._labels(horizon)
        return Variable(
            self.key("day_short"),
            "t",
            np.zeros(len(labels)),
            np.full(len(labels), np.inf),
            labels=labels,
            miss_class=PIPELINE,
            miss_price=PRICE_PER_T[PIPELINE],
            meaning=f"{self.commodity} missing in the daily total of {self.name}",
        )

    def _days(self, horizon: Horizon, situation: Situation, margin: float, open_: Mask) -> Rows:
        """Return the daily totals: what was asked for, spread over the hours of the day in the horizon."""
        labels = self._labels(horizon)
        each = np.arange(len(horizon))
        number = np.array([labels.index(day.isoformat()) for day in horizon.days])
        asked = np.bincount(number, weights=horizon.hours * open_).astype(np.float64) * self.nominal_t_per_h
        had = np.zeros(len(labels))
        for i, label in enumerate(labels):
            taken = situation.taken_t.get((self.name, label))
            if taken is not None:
                asked[i] = self.nominal_t_per_h * _hours_of(label, horizon.timezone)
            asked[i] = situation.nominations_t_per_d.get((self.name, label), asked[i])
            had[i] = taken or 0.0
        tolerance = self.daily_tolerance_percent / 100.0
        least = np.maximum(asked * margin * (1.0 - tolerance) - had, 0.0)
        days = np.arange(len(labels))
        return Rows(
            self.key("daily_total"),
            "t",
            (
                Entry(self.key("take"), number, each, horizon.hours),
                Entry(self.key("day_short"), days, days, np.ones(len(labels))),
            ),
            least,
            np.maximum(asked * margin * (1.0 + tolerance) - had, least),
            labels=labels,
            meaning=f"daily total of {self.name}",
        )

    def _first_movement(
        self,
        horizon: Horizon,
        situation: Situation,
        take: str,
        short: str,
        free: Mask,
        most: Array,
    ) -> list[Rows]:
        """Return the movement from the rate just before the horizon, where it is known."""
        series = situation.announced_t_per_h.get(self.name)
        if series is None:
            return []
        lasting = np.flatnonzero(series.starts_min + series.lengths_min == horizon.start_min)
        soon = np.flatnonzero(free & (horizon.starts_min < horizon.start_min + 60))
        if not lasting.size or not soon.size or series.values[lasting[-1]] <= 0:
            return []
        before = float(series.values[lasting[-1]])
        step = float(self.ramp_t_per_h_per_h or 0.0) + ANNOUNCED_ROUNDING_T_PER_H
        rows, ones = np.arange(len(soon)), np.ones(len(soon))
        return [
            Rows(
                self.key("first_movement"),
                "t/h",
                (Entry(take, rows, soon, ones), Entry(short, rows, soon, ones)),
                np.minimum(before - step, most[soon]),
                np.full(len(soon), before + step),
                intervals=soon,
                meaning=f"movement of the rate of {self.name} from the {before:g} t/h he takes",
            )
        ]

    def _movement(self, horizon: Horizon, take: str, short: str, open_: Mask, held: Mask) -> Rows:
        earlier, later = horizon.pairs_within(60.0)
        # Between two announced rates there is nothing to decide.
        open_all = open_[earlier] & open_[later] & ~(held[earlier] & held[later])
        earlier, later = earlier[open_all], later[open_all]
        step = np.full(len(later), float(self.ramp_t_per_h_per_h or 0.0))
        rows = np.arange(len(later))
        ones = np.ones(len(later))
        # A missed rate is not a movement the customer chose: take plus miss is what must move slowly.
        return Rows(
            self.key("movement"),
            "t/h",
            tuple(
                Entry(key, rows, at, sign * ones)
                for key in (take, short)
                for at, sign in ((later, 1.0), (earlier, -1.0))
            ),
            -step,
            step,
            intervals=later,
            meaning=f"movement of the rate of {self.name}",
        )


@dataclass(frozen=True)
class Lot(Unit):
    """A lot to load into road tankers, wagons, containers or a ship inside a window.

    A window that reaches beyond the horizon leaves due the share of the window's hours that lies
    inside, so that later days are not free of it.

    What is loaded stands on site until the lot leaves. Where `standing` names an account for it, every
    tonne is put on that account as it is loaded and taken off, all at once, when the lot leaves; a permit
    that counts loaded wagons (`models.tank.ChlorineStore`) holds that account. A lot that leaves inside
    an interval counts to that interval's end.

    Parameters
    ----------
    name : str
        Number of the order, lower case with underscores. [-]
    commodity : str
        What is loaded. [-]
    quantity_t : float
        Quantity still to load, as the commodity is counted (t Cl2, t dry), above 0; 0 only where
        something is loaded already. [t]
    window_start_min, window_end_min : int
        Window since the epoch. [min]
    rate_max_t_per_h : float
        Greatest loading rate, above 0. [t/h]
    customer : str
        For people. [-]
    mode : str
        'road', 'rail', 'ship' or 'container'. [-]
    note : str
        For people who load. [-]
    wagon_t : float, optional
        Content of one wagon, tanker or container, as the quantity is counted, above 0. [t]
    leaves_min : int, optional
        When the loaded lot leaves the site, since the epoch, not before the end of its window; that end
        unless given. [min]
    standing : str, optional
        Commodity that counts loaded wagons on site; they are not counted if there is none. [-]
    loaded_t : float
        What of the lot is loaded already and stands on site, beside `quantity_t`, 0 or more. [t]
    """

    name: str
    commodity: str
    quantity_t: float
    window_start_min: int
    window_end_min: int
    rate_max_t_per_h: float
    customer: str = ""
    mode: str = "road"
    note: str = ""
    wagon_t: float | None = None
    leaves_min: int | None = None
    standing: str | None = None
    loaded_t: float = 0.0

    def __post_init__(self) -> None:
        loaded = self.loaded_t > 0
        check(
            self,
            quantity_t=at_least(0, "t") if loaded else above(0, "t"),
            rate_max_t_per_h=above(0, "t/h"),
            wagon_t=above(0, "t"),
            loaded_t=at_least(0, "t"),
        )
        in_order(self, "window_start_min", "window_end_min", "min")
        if self.leaves_min is not None:
            in_order(self, "window_end_min", "leaves_min", "min")

    def wagons_filled(self, loaded_t: Array) -> Array:
        """Return how many wagons are full after some tonnes of the lot.

        Parameters
        ----------
        loaded_t : ndarray
            Tonnes loaded since the horizon's start, what was loaded before left out. Shape (n,). [t]

        Returns
        -------
        ndarray
            Full wagons, those filled before included; the last one, which may hold less, counts when
            the lot is complete. Shape (n,). [-]

        Raises
        ------
        ValueError
            If the size of a wagon is not known.
        """
        if self.wagon_t is None:
            raise ValueError(f"the lot '{self.name}' states no 'wagon_t'")
        whole_t = self.loaded_t + self.quantity_t
        content = self.loaded_t + np.asarray(loaded_t, dtype=np.float64)
        # A kilogram of rounding does not keep a wagon from being full.
        full = np.floor((content + WAGON_ROUNDING_T) / self.wagon_t)
        filled: Array = np.where(
            content >= whole_t - WAGON_ROUNDING_T, np.ceil((whole_t - WAGON_ROUNDING_T) / self.wagon_t), full
        )
        return filled

    def due_t(self, horizon: Horizon) -> float:
        """Return what is due inside a horizon.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]

        Returns
        -------
        float
            Quantity due. [t]
        """
        inside = float(
            np.sum(horizon.share_inside(self.window_start_min, self.window_end_min) * horizon.lengths_min)
        )
        left = self.window_end_min - max(self.window_start_min, horizon.start_min)
        return self.quantity_t * inside / left if left > 0 else 0.0

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the loading inside the window and its miss (see `Unit.declare`)."""
        share = horizon.share_inside(self.window_start_min, self.window_end_min)
        at = np.flatnonzero(share > 0)
        if not at.size or self.quantity_t <= 0:
            return self._standing(horizon, np.zeros(0, dtype=np.int64))
        load, short = self.key("loading"), self.key("short")
        due = self.due_t(horizon)
        words = f"{self.mode} lot {self.name}" + (f" for {self.customer}" if self.customer else "")
        zero = np.zeros(1, dtype=np.int64)
        hours = horizon.hours[at]
        loading = Declaration(
            variables=(
                Variable(
                    load,
                    "t/h",
                    np.zeros(at.size),
                    self.rate_max_t_per_h * share[at],
                    at,
                    meaning=f"{self.commodity} loaded into {words}",
                ),
                Variable(
                    short,
                    "t",
                    np.zeros(1),
                    np.array([due]),
                    labels=("lot",),
                    miss_class=ORDER,
                    miss_price=PRICE_PER_T[ORDER],
                    meaning=f"{self.commodity} not loaded into {words}",
                ),
            ),
            flows=(Flow(self.commodity, load, -1.0),),
            rows=(
                Rows(
                    self.key("quantity"),
                    "t",
                    (
                        Entry(load, np.zeros(at.size, dtype=np.int64), np.arange(at.size), hours),
                        Entry(short, zero, zero, np.ones(1)),
                    ),
                    np.array([due]),
                    np.array([due]),
                    labels=("lot",),
                    breakable=False,
                    meaning=f"quantity of {words}",
                ),
            ),
        )
        return Declaration.merged((loading, self._standing(horizon, at)))

    def _standing(self, horizon: Horizon, at: Integers) -> Declaration:
        """Return the account of what stands loaded on site: as it is loaded, and gone when it leaves."""
        leaves = self.window_end_min if self.leaves_min is None else self.leaves_min
        if self.standing is None or leaves <= horizon.start_min or not (at.size or self.loaded_t > 0):
            return Declaration()
        variables: list[Variable] = []
        flows: list[Flow] = []
        rows: list[Rows] = []
        if at.size:
            flows.append(Flow(self.standing, self.key("loading"), 1.0))
        if self.loaded_t > 0:
            first = np.array([self.loaded_t / horizon.hours[0]])
            variables.append(
                Variable(
                    self.key("stood"),
                    "t/h",
                    first,
                    first,
                    np.array([0]),
                    meaning=f"lot {self.name} loaded before the start, standing on site",
                )
            )
            flows.append(Flow(self.standing, self.key("stood"), 1.0))
        gone = np.flatnonzero(horizon.starts_min >= leaves)[:1]
        if gone.size:
            zero = np.zeros(1, dtype=np.int64)
            leaving = Entry(self.key("leaving"), zero, zero, horizon.hours[gone])
            loads = (
                (Entry(self.key("loading"), np.zeros_like(at), np.arange(at.size), -horizon.hours[at]),)
                if at.size
                else ()
            )
            variables.append(
                Variable(
                    self.key("leaving"),
                    "t/h",
                    np.zeros(1),
                    np.full(1, np.inf),
                    gone,
                    meaning=f"lot {self.name} leaving the site",
                )
            )
            flows.append(Flow(self.standing, self.key("leaving"), -1.0))
            rows.append(
                Rows(
                    self.key("leaves_whole"),
                    "t",
                    (leaving, *loads),
                    np.array([self.loaded_t]),
                    np.array([self.loaded_t]),
                    labels=("lot",),
                    breakable=False,
                    meaning=f"lot {self.name} leaves with all that is loaded",
                )
            )
        return Declaration(variables=tuple(variables), flows=tuple(flows), rows=tuple(rows))
