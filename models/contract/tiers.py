"""Energy priced by tiers of a period's total: block rates, reduced levies, caps.

Owns the tiers and the part of them that one bill pays. Prices by clock time stand in `time_of_use`.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from models.checks import InvalidValues, above, between, check, finite, one_of
from models.contract import calendar
from models.contract.cliff import Cliff, Side, case_of_period, joined_cases
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.periods import Cycle, billing_day_rule
from models.contract.primitives import Line, OfTotal
from models.contract.state import Carried
from models.contract.term import Term
from models.contract.totals import PeriodTotal, carried_energy, drawn_mwh, period_totals, term_name
from models.horizon import Horizon
from models.situation import Situation


@dataclass(frozen=True)
class Tier:
    """A price up to a total.

    Parameters
    ----------
    per_mwh : float
        Price; 0 in a last tier is a cap. [currency/MWh]
    up_to_mwh : float, optional
        Total at which the tier ends, above 0; None for the last tier. [MWh]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.
    """

    per_mwh: float
    up_to_mwh: float | None = None

    def __post_init__(self) -> None:
        check(self, per_mwh=finite(), up_to_mwh=above(0, "MWh"))


@component_kind("energy_tiers")
@dataclass(frozen=True)
class EnergyTiers(Component):
    """Energy priced by tiers of the total of a month or year.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    tiers : tuple of Tier
        The tiers, ascending; only the last one has no end. [-]
    per : str
        'month' or 'year': the period of the total. [-]
    billing_day : int
        Day of the month on which a billing period begins, 1 to 28. [-]
    first_month : int
        Month in which a billing year begins, 1 to 12. [-]
    seasons, day_types, from_time, to_time, holidays : optional
        When energy counts, as in `models.contract.demand`. [-]

    Raises
    ------
    InvalidValues
        If the tiers are not in order or a value breaks its rule.

    Notes
    -----
    A bill pays ``F(so far + E) - F(so far)`` with F the charge of a total, so that the bills of parts of a
    period add up to the period's. Where prices rise with the total F is convex; where they fall, or a
    levy ends, the charge is a cliff rule in the wider sense: each tier is a case that is planned by itself.
    """

    name: str
    tiers: tuple[Tier, ...]
    per: Literal["month", "year"] = "month"
    billing_day: int = 1
    first_month: int = 1
    seasons: tuple[int, ...] = ()
    day_types: tuple[str, ...] = ()
    from_time: str = "00:00"
    to_time: str = "24:00"
    holidays: tuple[dt.date, ...] = ()

    def __post_init__(self) -> None:
        calendar.check_with_window(
            self,
            self._window,
            name=key_name(),
            per=one_of("month", "year"),
            billing_day=billing_day_rule(),
            first_month=between(1, 12),
        )
        ends = [tier.up_to_mwh for tier in self.tiers]
        inner = [end for end in ends[:-1] if end is not None]
        if not ends or ends[-1] is not None or len(inner) != len(ends) - 1 or inner != sorted(set(inner)):
            text = "'tiers' must ascend in 'up_to_mwh', and only the last one must have none"
            raise InvalidValues([("tiers", text)])

    def _window(self) -> calendar.ClockWindow:
        return calendar.ClockWindow(self.seasons, self.day_types, self.from_time, self.to_time)

    @property
    def _cycle(self) -> Cycle:
        return Cycle(self.per, self.billing_day, self.first_month)

    @property
    def _edges(self) -> list[float]:
        return [0.0, *(tier.up_to_mwh for tier in self.tiers if tier.up_to_mwh is not None), np.inf]

    @property
    def _spans(self) -> list[tuple[float, float]]:
        # The first tier also prices a total below 0.
        edges = [-np.inf, *self._edges[1:]]
        return list(pairwise(edges))

    def charge(self, total_mwh: float) -> float:
        """Return the charge of a total.

        Parameters
        ----------
        total_mwh : float
            Total of a period; below 0 it is priced by the first tier. [MWh]

        Returns
        -------
        float
            Charge. [currency]
        """
        return sum(
            tier.per_mwh * (float(np.clip(total_mwh, low, high)) - max(low, 0.0))
            for tier, (low, high) in zip(self.tiers, self._spans, strict=True)
        )

    def _lines(self) -> list[Line]:
        return [
            Line(self.charge(low) - tier.per_mwh * low, tier.per_mwh)
            for tier, low in zip(self.tiers, self._edges, strict=False)
        ]

    @property
    def _convex(self) -> bool:
        prices = [tier.per_mwh for tier in self.tiers]
        return prices == sorted(prices)

    def _reachable(self, total: PeriodTotal) -> list[int]:
        # Import is taken as positive: no total ends below what is certain already.
        sure = total.so_far_mwh + total.rest_mwh
        return [i for i, high in enumerate(self._edges[1:]) if high > sure]

    @property
    def cycle(self) -> tuple[str, int, int]:
        """The period of the total (see `Component.cycle`). [-]."""
        return (self.per, self.billing_day, self.first_month)

    def cases(self, horizon: Horizon, situation: Situation) -> tuple[str, ...]:
        """Return the tiers that each period may end in, where prices fall (see `Component.cases`)."""
        if self._convex:
            return ()
        totals = period_totals(self.name, horizon, situation, self._cycle, self._window(), self.holidays)
        return joined_cases([[f"tier_{i + 1}" for i in self._reachable(total)] for total in totals])

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return one charge on the total of each period (see `Component.terms`)."""
        terms: list[Term] = []
        lines = self._lines()
        totals = period_totals(self.name, horizon, situation, self._cycle, self._window(), self.holidays)
        for position, total in enumerate(totals):
            offset = total.so_far_mwh + total.rest_mwh
            base = self.charge(total.so_far_mwh)
            name = term_name(total.period)
            if self._convex:
                terms.append(OfTotal(name, total.share, offset, tuple(lines), base, "energy", total.missing))
                continue
            sides = [
                Side(
                    f"tier_{i + 1}",
                    lines[i].intercept,
                    0.0,
                    lines[i].slope,
                    self._edges[i] if i else -np.inf,
                    self._edges[i + 1],
                )
                for i in self._reachable(total)
            ]
            # What is below every reachable tier cannot occur; the first one stands open downwards.
            first = sides[0]
            sides[0] = Side(first.name, first.constant, 0.0, first.per_mwh, -np.inf, first.below_mwh)
            chosen = case_of_period(situation.state.cases.get(self.name), position)
            if chosen not in [side.name for side in sides]:
                chosen = sides[0].name if len(sides) == 1 else None
            terms.append(
                Cliff(name, total.share, offset, None, tuple(sides), chosen, base, "energy", total.missing)
            )
        return tuple(terms)

    def carried(self, profile: Profile) -> tuple[Carried, ...]:
        """Return the energy that counts in each period (see `Component.carried`)."""
        return carried_energy(profile, self._cycle, self._window(), self.holidays)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for each tier touched in each period (see `Component.bill`)."""
        lines = []
        for period in self._cycle.periods(profile.horizon):
            so_far = situation.state.energy_mwh.get((self.name, period.label), 0.0)
            energy = drawn_mwh(profile, period, self._window(), self.holidays)
            for number, (tier, (low, high)) in enumerate(zip(self.tiers, self._spans, strict=True), 1):
                quantity = float(np.clip(so_far + energy, low, high) - np.clip(so_far, low, high))
                if quantity:
                    lines.append(
                        BillLine(
                            self.name,
                            f"tier {number} of {period.label}",
                            quantity,
                            "MWh",
                            tier.per_mwh,
                            quantity * tier.per_mwh,
                            "energy",
                            f"part of the energy that lies in the tier, counted from the {self.per}'s start "
                            "x price",
                        )
                    )
        return tuple(lines)
