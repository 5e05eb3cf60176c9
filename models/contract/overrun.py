"""Overruns of contracted power charged by the day, with a cap for the month.

Owns the daily overruns and their cap. Excess over contracted capacity by the month stands in `capacity`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from models.checks import at_least, one_of
from models.contract import calendar
from models.contract.calendar import LocalMonth
from models.contract.cliff import LesserOf, case_of_period, joined_cases
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.periods import Cycle, billing_day_rule, metered
from models.contract.state import Carried
from models.contract.term import Fixed, Term
from models.contract.totals import term_name
from models.horizon import Horizon, day_start_minute
from models.situation import Situation

DAYS, MONTH = "days", "month"
"""Cases: each day's overrun is paid, or the month's highest one at the price of the cap."""


@component_kind("daily_overrun")
@dataclass(frozen=True)
class DailyOverrun(Component):
    """A price on each day's highest overrun of contracted power, and at most another one on the month's.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    contracted_mw : float
        Contracted power, 0 or more. [MW]
    per_mw_day : float
        Price of a day's highest overrun, 0 or more. [currency/MW]
    metering_minutes : int
        Length of a metering period, 15, 30 or 60. [min]
    tolerance_percent : float
        By how much the contracted power may be exceeded, 0 or more. [%]
    most_per_mw_month : float, optional
        Price of the month's highest overrun which the sum of its days never exceeds, 0 or more; no cap unless
        given. [currency/MW]
    seasons : tuple of int
        Months in which it is charged, 1 to 12; empty for all. [-]
    billing_day : int
        Day of the month on which a billing month begins, 1 to 28. [-]
    day_types, from_time, to_time, holidays : optional
        When a mean counts, as in `models.contract.demand`. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.

    Notes
    -----
    ``overrun_d = max(0, D_d - contracted * (1 + tolerance))`` with D_d the highest metered mean of the local
    day, ``charge = min(per_mw_day * sum of overrun_d, most_per_mw_month * max of overrun_d)`` for a billing
    month. The lesser of two convex charges is not convex: a plan is made for either. Days before a horizon
    count by their peaks in the state of the bill, by 'YYYY-MM-DD'. Published rates for large power hold the
    pattern (a daily price on winter overruns, capped by a monthly one); no value here is theirs.
    """

    name: str
    contracted_mw: float
    per_mw_day: float
    metering_minutes: int
    tolerance_percent: float = 0.0
    most_per_mw_month: float | None = None
    seasons: tuple[int, ...] = ()
    billing_day: int = 1
    day_types: tuple[str, ...] = ()
    from_time: str = "00:00"
    to_time: str = "24:00"
    holidays: tuple[dt.date, ...] = ()

    def __post_init__(self) -> None:
        calendar.check_with_window(
            self,
            self._window,
            name=key_name(),
            contracted_mw=at_least(0, "MW"),
            per_mw_day=at_least(0, "currency/MW"),
            metering_minutes=one_of(*calendar.METERING_MINUTES),
            tolerance_percent=at_least(0, "%"),
            most_per_mw_month=at_least(0, "currency/MW"),
            billing_day=billing_day_rule(),
        )

    def _window(self) -> calendar.ClockWindow:
        return calendar.ClockWindow(self.seasons, self.day_types, self.from_time, self.to_time)

    @property
    def _free_mw(self) -> float:
        return self.contracted_mw * (1.0 + self.tolerance_percent / 100.0)

    def _months(self, horizon: Horizon) -> list[LocalMonth]:
        periods = Cycle("month", self.billing_day).periods(horizon)
        return [period for period in periods if not self.seasons or period.number in self.seasons]

    def _days(self, horizon: Horizon, month: LocalMonth) -> list[LocalMonth]:
        """Return the local days of a month that a horizon touches, labelled 'YYYY-MM-DD'."""
        start, end = max(month.start_min, horizon.start_min), min(month.end_min, horizon.end_min)
        ends = calendar.local_times(np.array([start, end - 1], dtype=np.int64), horizon.timezone).day
        first, last = (day.astype("datetime64[D]").item() for day in ends)
        days = [first + dt.timedelta(days=d) for d in range((last - first).days + 2)]
        return [
            LocalMonth(
                a.isoformat(),
                a.month,
                day_start_minute(a, horizon.timezone),
                day_start_minute(b, horizon.timezone),
            )
            for a, b in pairwise(days)
        ]

    def _before(self, horizon: Horizon, month: LocalMonth, situation: Situation) -> list[float]:
        """Return the overruns of earlier days of a month, from the state of the bill."""
        here = {day.label for day in self._days(horizon, month)}
        found = []
        for (name, label), peak in situation.peaks_mw.items():
            if name != self.name or len(label) != len("YYYY-MM-DD") or label in here:
                continue
            start = day_start_minute(dt.date.fromisoformat(label), horizon.timezone)
            if month.start_min <= start < min(month.end_min, horizon.start_min):
                found.append(max(peak - self._free_mw, 0.0))
        return found

    @property
    def cycle(self) -> tuple[str, int, int]:
        """The billing month (see `Component.cycle`). [-]."""
        return ("month", self.billing_day, 1)

    @property
    def restates(self) -> bool:
        """A later bill states the month's overruns anew (see `Component.restates`). [-]."""
        return True

    def cases(self, horizon: Horizon, situation: Situation) -> tuple[str, ...]:
        """Return the sum of days and the cap, where there is one (see `Component.cases`)."""
        if self.most_per_mw_month is None:
            return ()
        return joined_cases([(DAYS, MONTH) for _ in self._months(horizon)])

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the overruns of each month (see `Component.terms`)."""
        terms: list[Term] = []
        for position, month in enumerate(self._months(horizon)):
            days = self._by_days(horizon, month, situation)
            if self.most_per_mw_month is None:
                terms += days
                continue
            options = ((DAYS, tuple(days)), (MONTH, self._capped(horizon, month, situation)))
            chosen = case_of_period(situation.state.cases.get(self.name), position)
            terms.append(LesserOf(term_name(month), options, chosen))
        return tuple(terms)

    def _by_days(self, horizon: Horizon, month: LocalMonth, situation: Situation) -> list[Term]:
        before = sum(self._before(horizon, month, situation))
        name = term_name(month)
        terms: list[Term] = [Fixed(f"{name}_days_before", self.per_mw_day * before, "demand")]
        for day in self._days(horizon, month):
            floor = max(
                self._free_mw,
                situation.peaks_mw.get((self.name, day.label), 0.0),
                situation.peak_targets_mw.get((self.name, day.label), 0.0),
            )
            found = metered(horizon, day, self.metering_minutes, self._window(), self.holidays)
            key = f"day_{day.label.replace('-', '_')}"
            terms.append(found.peak(key, self.per_mw_day, floor))
            terms.append(Fixed(f"{key}_free", -self.per_mw_day * self._free_mw, "demand"))
        return terms

    def _capped(self, horizon: Horizon, month: LocalMonth, situation: Situation) -> tuple[Term, ...]:
        price = self.most_per_mw_month or 0.0
        before = max(self._before(horizon, month, situation), default=0.0)
        today = [situation.peaks_mw.get((self.name, day.label), 0.0) for day in self._days(horizon, month)]
        floor = max(self._free_mw + before, *today)
        found = metered(horizon, month, self.metering_minutes, self._window(), self.holidays)
        return (
            found.peak("highest", price, floor),
            Fixed("highest_free", -price * self._free_mw, "demand"),
        )

    def _peaks(self, profile: Profile, month: LocalMonth) -> dict[str, float]:
        return {
            day.label: metered(
                profile.horizon, day, self.metering_minutes, self._window(), self.holidays
            ).highest(profile)
            for day in self._days(profile.horizon, month)
        }

    def carried(self, profile: Profile) -> tuple[Carried, ...]:
        """Return the highest mean of each day (see `Component.carried`)."""
        return tuple(
            Carried(day, peak=peak)
            for month in self._months(profile.horizon)
            for day, peak in self._peaks(profile, month).items()
        )

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for each month: the sum of its days, or the cap (see `Component.bill`)."""
        lines = []
        for month in self._months(profile.horizon):
            peaks = {
                day: max(peak, situation.peaks_mw.get((self.name, day), 0.0))
                for day, peak in self._peaks(profile, month).items()
            }
            over = [max(peak - self._free_mw, 0.0) for peak in peaks.values()]
            lines.append(self._line(month.label, [*self._before(profile.horizon, month, situation), *over]))
        return tuple(lines)

    def _line(self, label: str, over: Sequence[float]) -> BillLine:
        quantity, price, how = sum(over), self.per_mw_day, "sum over the days of the highest"
        most = self.most_per_mw_month
        if most is not None and most * max(over) < price * quantity:
            quantity, price, how = max(over), most, "cap: the month's highest"
        return BillLine(
            self.name,
            f"overrun of {label}",
            quantity,
            "MW",
            price,
            price * quantity,
            "demand",
            f"{how} {self.metering_minutes}-minute mean above {self._free_mw:g} MW x price",
        )
