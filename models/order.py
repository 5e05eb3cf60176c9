"""Duties to customers: pipelines that take all day, and lots for road, rail and ship with a window.

Owns what is due when, and what counts as a miss. What a missed tonne counts stands in `misses`.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues, above, at_least, check, in_order
from models.horizon import Horizon, Mask, day_start_minute
from models.misses import ORDER, PIPELINE, PRICE_PER_T
from models.pieces import Declaration, Entry, Flow, Moves, Rows, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind


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
    """

    name: str
    commodity: str
    nominal_t_per_h: float
    min_t_per_h: float | None = None
    max_t_per_h: float | None = None
    ramp_t_per_h_per_h: float | None = None
    daily_tolerance_percent: float = 0.0
    margin_percent: float = 0.0

    availabilities = ("max_t_per_h", "turnaround")

    def __post_init__(self) -> None:
        check(
            self,
            nominal_t_per_h=at_least(0, "t/h"),
            min_t_per_h=at_least(0, "t/h"),
            max_t_per_h=at_least(0, "t/h"),
            ramp_t_per_h_per_h=above(0, "t/h per h"),
            daily_tolerance_percent=at_least(0, "%"),
            margin_percent=at_least(0, "%"),
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
        take, short = self.key("take"), self.key("short")
        ones = np.ones(n)
        variables = [
            Variable(take, "t/h", np.zeros(n), most, each, meaning=f"{self.commodity} taken by {self.name}"),
            Variable(
                short,
                "t/h",
                np.zeros(n),
                least,
                each,
                miss_class=PIPELINE,
                miss_price=PRICE_PER_T[PIPELINE],
                meaning=f"{self.commodity} missing to {self.name} below his least rate",
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
        if self.ramp_t_per_h_per_h is not None:
            rows.append(self._movement(horizon, take, short, open_))
        moves = (Moves(self.key("moves"), take, np.ones(n, dtype=bool)),) if self._least < self._most else ()
        return Declaration(
            variables=tuple(variables),
            flows=(Flow(self.commodity, take, -1.0),),
            rows=tuple(rows),
            moves=moves,
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

    def _movement(self, horizon: Horizon, take: str, short: str, open_: Mask) -> Rows:
        earlier, later = horizon.pairs_within(60.0)
        open_all = open_[earlier] & open_[later]
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

    Parameters
    ----------
    name : str
        Number of the order, lower case with underscores. [-]
    commodity : str
        What is loaded. [-]
    quantity_t : float
        Quantity still to load, as the commodity is counted (t Cl2, t dry), above 0. [t]
    window_start_min, window_end_min : int
        Window since the epoch. [min]
    rate_max_t_per_h : float
        Greatest loading rate, above 0. [t/h]
    customer : str
        For people. [-]
    mode : str
        'road', 'rail', 'ship' or 'container'. [-]
    """

    name: str
    commodity: str
    quantity_t: float
    window_start_min: int
    window_end_min: int
    rate_max_t_per_h: float
    customer: str = ""
    mode: str = "road"

    def __post_init__(self) -> None:
        check(self, quantity_t=above(0, "t"), rate_max_t_per_h=above(0, "t/h"))
        in_order(self, "window_start_min", "window_end_min", "min")

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
        if not at.size:
            return Declaration()
        load, short = self.key("loading"), self.key("short")
        due = self.due_t(horizon)
        words = f"{self.mode} lot {self.name}" + (f" for {self.customer}" if self.customer else "")
        zero = np.zeros(1, dtype=np.int64)
        hours = horizon.hours[at]
        return Declaration(
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
