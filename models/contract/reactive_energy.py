"""Reactive energy above a free share of the energy.

Owns the charge for kvarh. Apparent power as a measure of demand stands in `capacity`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from models.checks import InvalidValues, above, at_least, between, check, one_of
from models.contract import calendar
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.imbalance import Deviation
from models.contract.index import series_of
from models.contract.periods import Cycle, billing_day_rule, share_in
from models.contract.primitives import Line, OfTotal
from models.contract.term import Rate, Term
from models.contract.totals import ALWAYS, term_name
from models.horizon import Array, Horizon
from models.situation import Situation


@component_kind("reactive")
@dataclass(frozen=True)
class ReactiveEnergy(Component):
    """A price on reactive energy above a share of the energy.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    per_mvarh : float
        Price, 0 or more. [currency/Mvarh]
    free_percent : float
        Share of the energy up to which reactive energy is free, 0 or more; 40 % is cos phi 0.93. [%]
    basis : str
        'interval' (simultaneous: interval by interval) or 'month' (sums of a billing month). [-]
    power_factor : float, optional
        Power factor of the site, above 0 to 1, where a profile has no reactive power. [-]
    reactive : str, optional
        Name of a profile of reactive power that does not follow the load, in place of a power factor. [Mvar]
    billing_day : int
        Day of the month on which a billing month begins, 1 to 28. [-]

    Raises
    ------
    InvalidValues
        If neither or both of power factor and profile are given, or a value breaks its rule.

    Notes
    -----
    ``per_mvarh * sum max(0, Q - free * P)`` over intervals, or ``max(0, sum Q - free * sum P)`` over a
    month. With reactive power of its own a site pays less where it draws more: the charge rewards load. A
    month's sums are those of the part of the month that the horizon covers.
    """

    name: str
    per_mvarh: float
    free_percent: float
    basis: Literal["interval", "month"] = "interval"
    power_factor: float | None = None
    reactive: str | None = None
    billing_day: int = 1

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            per_mvarh=at_least(0, "currency/Mvarh"),
            free_percent=at_least(0, "%"),
            basis=one_of("interval", "month"),
            power_factor=(above(0), between(0, 1)),
            billing_day=billing_day_rule(),
        )
        if (self.power_factor is None) == (self.reactive is None):
            raise InvalidValues([("power_factor", "give 'power_factor' or 'reactive', one of them")])

    def series_needed(self) -> tuple[str, ...]:
        """Return the name of the reactive profile, if any. [-]."""
        return () if self.reactive is None else (self.reactive,)

    @property
    def _tangent(self) -> float:
        return 0.0 if self.power_factor is None else float(np.tan(np.arccos(self.power_factor)))

    def _own(self, horizon: Horizon, situation: Situation) -> Array:
        """Reactive power that does not follow the load."""
        if self.reactive is None:
            return np.zeros(len(horizon))
        return series_of(self.name, self.reactive, situation).on(horizon)

    @property
    def cycle(self) -> tuple[str, int, int]:
        """The billing month (see `Component.cycle`). [-]."""
        return ("month", self.billing_day, 1)

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return a rate, a shortfall of load, or a charge on sums (see `Component.terms`)."""
        free = self.free_percent / 100.0
        own = self._own(horizon, situation)
        # Per MW drawn the excess of reactive power changes by this much.
        slope = self._tangent - free
        if self.basis == "month":
            return tuple(
                OfTotal(
                    term_name(period),
                    share * slope,
                    float(np.sum(own * share * horizon.hours)),
                    (Line(0.0, 0.0), Line(0.0, self.per_mvarh)),
                    group="other",
                )
                for period in Cycle("month", self.billing_day).periods(horizon)
                for share in (share_in(horizon, period, ALWAYS),)
            )
        if self.reactive is None:
            return (Rate("reactive", np.full(len(horizon), self.per_mvarh * max(slope, 0.0)), "other"),)
        if slope == 0.0:
            amount = float(np.sum(np.maximum(own, 0.0) * horizon.hours)) * self.per_mvarh
            return (OfTotal("reactive", np.zeros(len(horizon)), 0.0, (Line(amount, 0.0),), group="other"),)
        every = np.ones(len(horizon), dtype=np.bool_)
        # max(0, Q + slope P) with slope below 0 is a price on load short of Q / -slope.
        return (Deviation("reactive", own / -slope, every, 0.0, self.per_mvarh * -slope, "other"),)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for each billing month (see `Component.bill`)."""
        horizon = profile.horizon
        if profile.reactive_mvar is not None:
            reactive = profile.reactive_mvar
        else:
            reactive = self._own(horizon, situation) + self._tangent * profile.power_mw
        free = self.free_percent / 100.0
        excess = reactive - free * profile.power_mw
        if self.basis == "interval":
            excess = np.maximum(excess, 0.0)
        lines = []
        for period in Cycle("month", self.billing_day).periods(horizon):
            span = np.array([period.start_min], dtype=np.int64), np.array([period.end_min], dtype=np.int64)
            above_free = max(float(calendar.energy_mwh(horizon, excess, *span)[0]), 0.0)
            how = "interval by interval" if self.basis == "interval" else "sums of the month"
            lines.append(
                BillLine(
                    self.name,
                    f"reactive energy of {period.label} above the free share",
                    above_free,
                    "Mvarh",
                    self.per_mvarh,
                    above_free * self.per_mvarh,
                    "other",
                    f"reactive energy less {self.free_percent:g} % of the energy, at least 0, {how}, x price",
                )
            )
        return tuple(lines)
