"""Income for flexibility: interruptible load and reserves, with the room they must be left.

Owns what is paid and which room a plan must leave at the meter. Whether the site could really answer a call
with its duties kept is simulated in `scheduler.calls`.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Literal

import numpy as np

from models.checks import InvalidValues, above, at_least, check, finite, one_of
from models.contract import calendar
from models.contract.component import BillLine, Call, Component, Profile, component_kind, key_name
from models.contract.periods import Cycle, billing_day_rule, share_covered
from models.contract.primitives import Headroom
from models.contract.term import Term
from models.horizon import Array, Horizon, Mask
from models.situation import Situation

PAID = "paid"
"""Case in which the room is left and the income counted."""
NOT_PAID = "not_paid"
"""Case in which neither is."""


@dataclass(frozen=True)
class CallTier:
    """Price of called hours up to a number of them.

    Parameters
    ----------
    per_mwh : float
        Credit for each called MWh, 0 or more. [currency/MWh]
    up_to_hours : float, optional
        Called hours of the season at which the tier ends, above 0; None for the last tier. [h]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.
    """

    per_mwh: float
    up_to_hours: float | None = None

    def __post_init__(self) -> None:
        check(self, per_mwh=at_least(0, "currency/MWh"), up_to_hours=above(0, "h"))


@component_kind("interruptible")
@dataclass(frozen=True)
class Interruptible(Component):
    """A credit for load that can be called off.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    drop_mw : float
        Load that can be called off, above 0. [MW]
    per_mw_month : float
        Credit for each MW of it in a month, 0 or more. [currency/MW]
    notice_minutes : float
        Notice of a call, 0 or more. [min]
    call_hours : float
        Length of a call, above 0. [h]
    calls_per_year : int, optional
        Greatest number of calls in a calendar year; a bill tells where a profile of called load has more. [-]
    least_mw : float
        Import at which the site keeps its duties: what is left after a call must be at least that. [MW]
    fast_unloading : bool
        Whether circuits may be unloaded for a call faster than their usual rates of change. [-]
    called : str, optional
        Name of the profile of called load, for bills: MW called off on each interval. [-]
    call_tiers : tuple of CallTier
        Credits for called energy by hours called so far; none where only the standing credit is paid. [-]
    billing_day : int
        Day of the month on which a billing month begins, 1 to 28. [-]
    seasons : tuple of int
        Months in which it is paid and may be called, 1 to 12; empty for all. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.

    Notes
    -----
    A plan is made with and without: with, the import stays at least ``least_mw + drop_mw`` in the season and
    the credit counts, if a simulated call at any hour of the plan day can be answered; without, neither.
    """

    name: str
    drop_mw: float
    per_mw_month: float
    notice_minutes: float
    call_hours: float
    calls_per_year: int | None = None
    least_mw: float = 0.0
    fast_unloading: bool = False
    called: str | None = None
    call_tiers: tuple[CallTier, ...] = ()
    billing_day: int = 1
    seasons: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            drop_mw=above(0, "MW"),
            per_mw_month=at_least(0, "currency/MW"),
            notice_minutes=at_least(0, "min"),
            call_hours=above(0, "h"),
            calls_per_year=at_least(0),
            least_mw=at_least(0, "MW"),
            billing_day=billing_day_rule(),
            seasons=calendar.month_numbers(),
        )
        ends = [tier.up_to_hours for tier in self.call_tiers]
        inner = [end for end in ends[:-1] if end is not None]
        if ends and (ends[-1] is not None or len(inner) != len(ends) - 1 or inner != sorted(set(inner))):
            text = "'call_tiers' must ascend in 'up_to_hours', and only the last one must have none"
            raise InvalidValues([("call_tiers", text)])
        if self.call_tiers and self.called is None:
            raise InvalidValues([("called", "'call_tiers' need 'called', the profile of called load")])

    def calls(self, horizon: Horizon, situation: Situation) -> tuple[Call, ...]:
        """Return the call (see `Component.calls`)."""
        drop = np.where(self._in_season(horizon), self.drop_mw, 0.0)
        return (Call(self.name, PAID, drop, self.notice_minutes, self.call_hours, self.fast_unloading),)

    def cases(self, horizon: Horizon, situation: Situation) -> tuple[str, ...]:
        """Return with and without the credit (see `Component.cases`)."""
        return (PAID, NOT_PAID)

    def remarks(self, profile: Profile, situation: Situation) -> tuple[str, ...]:
        """Return the years with more calls than agreed (see `Component.remarks`).

        A call is an unbroken run of called load, of the year in which it begins.
        """
        series = None if self.called is None else situation.series.get(self.called)
        if series is None or self.calls_per_year is None:
            return ()
        horizon = profile.horizon
        given, values = series.where_given(horizon)
        called = given & (values > 0)
        begins = np.flatnonzero(called & ~np.concatenate([[False], called[:-1]]))
        calls = Counter(horizon.days[i].year for i in begins.tolist())
        return tuple(
            f"component '{self.name}': calls in {year} by the profile '{self.called}' are {count}, more "
            f"than the {self.calls_per_year} that the contract allows in a year; all of them are billed"
            for year, count in sorted(calls.items())
            if count > self.calls_per_year
        )

    def _in_season(self, horizon: Horizon) -> Mask:
        local = calendar.local_times(horizon.starts_min, horizon.timezone)
        return np.isin(local.month, self.seasons) if self.seasons else np.ones(len(horizon), dtype=np.bool_)

    def _standing(self, horizon: Horizon) -> list[tuple[str, float]]:
        return [
            (period.label, share_covered(horizon, period))
            for period in Cycle("month", self.billing_day).periods(horizon)
            if not self.seasons or period.number in self.seasons
        ]

    def _calls(self, horizon: Horizon, situation: Situation) -> list[tuple[float, float]]:
        """Return called energy and its credit by tier."""
        series = None if self.called is None else situation.series.get(self.called)
        if series is None or not self.call_tiers:
            return []
        given, called = series.where_given(horizon)
        called = np.where(given, called, 0.0)
        hours = np.cumsum(horizon.hours * (called > 0))
        before = hours - horizon.hours * (called > 0)
        found, low = [], 0.0
        for tier in self.call_tiers:
            high = np.inf if tier.up_to_hours is None else tier.up_to_hours
            inside = np.clip(hours, low, high) - np.clip(before, low, high)
            found.append((float(np.sum(called * inside)), tier.per_mwh))
            low = high
        return found

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the room to be left with its credit, where it is paid (see `Component.terms`)."""
        if situation.state.cases.get(self.name, PAID) != PAID:
            return ()
        credit = sum(self.drop_mw * self.per_mw_month * share for _, share in self._standing(horizon))
        credit += sum(energy * price for energy, price in self._calls(horizon, situation))
        season = self._in_season(horizon)
        return (
            Headroom(
                "room",
                np.where(season, self.least_mw + self.drop_mw, -np.inf),
                np.full(len(horizon), np.inf),
                -credit,
                f"import leaves room to call off {self.drop_mw:g} MW ({self.name})",
            ),
        )

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return lines for the standing credit and for called energy (see `Component.bill`)."""
        if situation.state.cases.get(self.name, PAID) != PAID:
            return ()
        lines = [
            BillLine(
                self.name,
                f"credit for interruptible load in {label}",
                self.drop_mw * share,
                "MW month",
                -self.per_mw_month,
                -self.per_mw_month * self.drop_mw * share,
                "other",
                "interruptible load x share of the month x credit",
            )
            for label, share in self._standing(profile.horizon)
        ]
        lines += [
            BillLine(
                self.name,
                f"credit for called energy, tier {number}",
                energy,
                "MWh",
                -price,
                -energy * price,
                "other",
                "load called off x hours called in the tier x credit",
            )
            for number, (energy, price) in enumerate(self._calls(profile.horizon, situation), 1)
            if energy
        ]
        return tuple(lines)


@component_kind("reserve")
@dataclass(frozen=True)
class Reserve(Component):
    """Income for reserve capacity in blocks of hours, with the room for its activation.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    offered : str
        Name of the profile of accepted capacity; 0 or not given where nothing is accepted. [MW]
    price : str
        Name of the profile of capacity prices. [currency/(MW h)]
    direction : str
        'less' (load falls when activated), 'more' (load rises) or 'both'. [-]
    least_mw : float
        Least import to which the site may be activated. [MW]
    most_mw : float
        Greatest import to which the site may be activated, at least `least_mw`. [MW]
    activated : str, optional
        Name of the profile of activated energy, for bills: MW, positive for less load. [-]
    activation_per_mwh : float
        Price of activated energy, paid to the site for less load and by it for more. [currency/MWh]
    notice_minutes : float
        Time to full activation, 0 or more. [min]
    activation_hours : float
        How long an activation may last, above 0. [h]
    fast_unloading : bool
        Whether circuits may be moved faster than their usual rates of change. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.

    Notes
    -----
    Room: ``P - r >= least`` for less load, ``P + r <= most`` for more.
    """

    name: str
    offered: str
    price: str
    direction: Literal["less", "more", "both"]
    least_mw: float
    most_mw: float
    activated: str | None = None
    activation_per_mwh: float = 0.0
    notice_minutes: float = 5.0
    activation_hours: float = 1.0
    fast_unloading: bool = False

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            direction=one_of("less", "more", "both"),
            least_mw=finite(),
            most_mw=finite(),
            activation_per_mwh=finite(),
            notice_minutes=at_least(0, "min"),
            activation_hours=above(0, "h"),
        )
        if self.most_mw < self.least_mw:
            text = f"'most_mw' must be at least least_mw {self.least_mw:g} [MW] (got {self.most_mw:g})"
            raise InvalidValues([("most_mw", text)])

    def cases(self, horizon: Horizon, situation: Situation) -> tuple[str, ...]:
        """Return with and without the income, where capacity is accepted (see `Component.cases`)."""
        return (PAID, NOT_PAID) if self._offered(horizon, situation).any() else ()

    def calls(self, horizon: Horizon, situation: Situation) -> tuple[Call, ...]:
        """Return a full activation in each direction (see `Component.calls`)."""
        offered = self._offered(horizon, situation)
        signs = {"less": (1.0,), "more": (-1.0,), "both": (1.0, -1.0)}[self.direction]
        return tuple(
            Call(
                self.name,
                PAID,
                sign * offered,
                self.notice_minutes,
                self.activation_hours,
                self.fast_unloading,
            )
            for sign in signs
            if offered.any()
        )

    def _offered(self, horizon: Horizon, situation: Situation) -> Array:
        series = situation.series.get(self.offered)
        if series is None:
            return np.zeros(len(horizon))
        given, values = series.where_given(horizon)
        result: Array = np.where(given, values, 0.0)
        return result

    def _prices(self, horizon: Horizon, situation: Situation, needed: Mask) -> Array:
        series = situation.series.get(self.price)
        given, values = (
            series.where_given(horizon)
            if series is not None
            else (np.zeros(len(horizon), dtype=np.bool_), np.zeros(len(horizon)))
        )
        if np.any(needed & ~given):
            raise ValueError(
                f"component '{self.name}' has accepted capacity on intervals for which '{self.price}' "
                "gives no price: complete the profile"
            )
        return np.where(needed, values, 0.0)

    def _activated(self, horizon: Horizon, situation: Situation) -> Array:
        series = None if self.activated is None else situation.series.get(self.activated)
        if series is None:
            return np.zeros(len(horizon))
        given, values = series.where_given(horizon)
        result: Array = np.where(given, values, 0.0)
        return result

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the room to be left with its income (see `Component.terms`)."""
        offered = self._offered(horizon, situation)
        if situation.state.cases.get(self.name, PAID) != PAID or not offered.any():
            return ()
        on = offered > 0
        income = float(np.sum(offered * self._prices(horizon, situation, on) * horizon.hours))
        income += float(np.sum(self._activated(horizon, situation) * horizon.hours)) * self.activation_per_mwh
        less, more = self.direction in ("less", "both"), self.direction in ("more", "both")
        return (
            Headroom(
                "room",
                np.where(on & less, self.least_mw + offered, -np.inf),
                np.where(on & more, self.most_mw - offered, np.inf),
                -income,
                f"import leaves room for the reserve {self.name}",
            ),
        )

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return lines for capacity and for activated energy (see `Component.bill`)."""
        horizon = profile.horizon
        offered = self._offered(horizon, situation)
        if situation.state.cases.get(self.name, PAID) != PAID or not offered.any():
            return ()
        quantity = float(np.sum(offered * horizon.hours))
        income = float(np.sum(offered * self._prices(horizon, situation, offered > 0) * horizon.hours))
        lines = [
            BillLine(
                self.name,
                "reserve capacity",
                quantity,
                "MW h",
                -income / quantity,
                -income,
                "other",
                "sum of accepted capacity x hours x price of the block",
            )
        ]
        energy = float(np.sum(self._activated(horizon, situation) * horizon.hours))
        if energy:
            lines.append(
                BillLine(
                    self.name,
                    "activated energy",
                    energy,
                    "MWh",
                    -self.activation_per_mwh,
                    -energy * self.activation_per_mwh,
                    "other",
                    "energy activated, less load positive, x price",
                )
            )
        return tuple(lines)
