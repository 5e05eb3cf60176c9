"""Capacity charges: contracted and minimum demand, excess, ratchets, kVA, by month or year.

Owns what is billed for a period's highest mean beyond the plain monthly price of `demand`, and contracted
capacity as a given or a decision. Charges that jump with full-load hours stand in `utilisation`.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from models.checks import InvalidValues, Rule, above, at_least, between, check, one_of
from models.contract import calendar
from models.contract.calendar import LocalMonth
from models.contract.cliff import LesserOf, case_of_period, joined_cases
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.periods import Cycle, Metered, billing_day_rule, days_in, joined_peak, metered
from models.contract.primitives import ChosenCapacity, capacity_charge, cheapest_capacity
from models.contract.state import Carried
from models.contract.term import Fixed, Term
from models.contract.totals import term_name
from models.horizon import Horizon
from models.situation import Situation

MEASURES = ("kw", "kva", "kw_or_kva", "kvar")
"""What is billed: real power, apparent power, the greater of real power and a share of apparent power, or
reactive power."""


@dataclass(frozen=True)
class DemandTier:
    """A price of the billed demand above a level.

    Parameters
    ----------
    above_mw : float
        Billed demand from which it holds, above 0. [MW, MVA or Mvar]
    per_mw : float
        Price of what lies above it, 0 or more. [currency/MW]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.
    """

    above_mw: float
    per_mw: float

    def __post_init__(self) -> None:
        check(self, above_mw=above(0, "MW"), per_mw=at_least(0, "currency/MW"))


@component_kind("capacity")
@dataclass(frozen=True)
class CapacityCharge(Component):
    """A price on the billed demand of each month or year.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    per_mw : float
        Price of the billed demand of a whole period, 0 or more. [currency/MW or currency/MVA]
    metering_minutes : int
        Length of a metering period, 15, 30 or 60. [min]
    tiers : tuple of DemandTier
        Prices of billed demand above some levels, ascending, in place of `per_mw` there; prices rise from
        tier to tier throughout or fall throughout. [-]
    per : str
        'month' or 'year': the period over which the highest mean counts. [-]
    price_per_day : bool
        Whether `per_mw` is a price for each day of the period that a bill covers. [-]
    measure : str
        'kw', 'kva', 'kvar', or 'kw_or_kva': the greater of real power and `kva_share` of apparent power. [-]
    kva_share : float
        Share of the apparent power that counts under 'kw_or_kva', above 0 to 1. [-]
    power_factor : float, optional
        Power factor of the site, above 0 to 1, for plans and for profiles without reactive power. [-]
    power_factor_least : float, optional
        Power factor below which billed demand is raised by the difference: D * (1 + least - factor). [-]
    contracted_mw : float, optional
        Contracted capacity: billed also where less was drawn. [MW or MVA]
    contracted_range_mw : tuple of float, optional
        Range from which a plan chooses the contracted capacity, one for all its periods. [MW or MVA]
    excess_per_mw : float
        Price of demand above the contracted capacity, on top of `per_mw`, 0 or more. [currency/MW]
    excess_tolerance_percent : float
        By how much the contracted capacity may be exceeded without excess, 0 or more. [%]
    minimum_mw : float
        Least billed demand, 0 or more. [MW or MVA]
    ratchet_percent : float
        Share of the highest demand of earlier periods that is billed at least, 0 to 100. [%]
    ratchet_periods : int
        How many earlier periods count, 0 or more. [-]
    ratchet_months : tuple of int
        Months whose demand counts for the ratchet, 1 to 12; empty for all. [-]
    billing_day, first_month : int
        When a billing period begins: day of the month, 1 to 28, and month of a year. [-]
    seasons : tuple of int
        Months in which a peak counts; a period that begins outside them is not charged. [-]
    day_types, from_time, to_time, holidays : optional
        When a peak counts, as in `models.contract.demand`. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule or two contradict each other.

    Notes
    -----
    ``billed = max(D, contracted, minimum, ratchet * highest earlier D)`` and
    ``charge = per_mw * billed + excess_per_mw * max(0, D - contracted * (1 + tolerance))`` with D the highest
    metered mean of the period in the measure billed; with tiers ``per_mw * billed`` becomes the sum over the
    tiers of price times the part of `billed` that lies in them. Rising prices are convex; falling ones are
    the lesser of as many straight lines, each a case that is planned by itself.
    """

    name: str
    per_mw: float
    metering_minutes: int
    per: Literal["month", "year"] = "month"
    price_per_day: bool = False
    measure: Literal["kw", "kva", "kw_or_kva", "kvar"] = "kw"
    kva_share: float = 1.0
    power_factor: float | None = None
    power_factor_least: float | None = None
    contracted_mw: float | None = None
    contracted_range_mw: tuple[float, float] | None = None
    excess_per_mw: float = 0.0
    excess_tolerance_percent: float = 0.0
    minimum_mw: float = 0.0
    ratchet_percent: float = 0.0
    ratchet_periods: int = 0
    ratchet_months: tuple[int, ...] = ()
    billing_day: int = 1
    first_month: int = 1
    seasons: tuple[int, ...] = ()
    day_types: tuple[str, ...] = ()
    from_time: str = "00:00"
    to_time: str = "24:00"
    holidays: tuple[dt.date, ...] = ()
    tiers: tuple[DemandTier, ...] = ()

    def __post_init__(self) -> None:
        calendar.check_with_window(
            self,
            self._window,
            name=key_name(),
            per_mw=at_least(0, "currency/MW"),
            metering_minutes=one_of(*calendar.METERING_MINUTES),
            per=one_of("month", "year"),
            measure=one_of(*MEASURES),
            kva_share=_share(),
            power_factor=_share(),
            power_factor_least=_share(),
            contracted_mw=at_least(0, "MW"),
            contracted_range_mw=at_least(0, "MW"),
            excess_per_mw=at_least(0, "currency/MW"),
            excess_tolerance_percent=at_least(0, "%"),
            minimum_mw=at_least(0, "MW"),
            ratchet_percent=between(0, 100, "%"),
            ratchet_periods=at_least(0),
            ratchet_months=calendar.month_numbers(),
            billing_day=billing_day_rule(),
            first_month=between(1, 12),
        )
        problems = []
        chosen = self.contracted_range_mw
        if chosen is not None:
            if self.contracted_mw is not None:
                problems.append(
                    ("contracted_range_mw", "give 'contracted_mw' or 'contracted_range_mw', not both")
                )
            if chosen[0] > chosen[1]:
                problems.append(
                    ("contracted_range_mw", f"'contracted_range_mw' must be in order (got {list(chosen)})")
                )
            if self.ratchet_periods or self.excess_tolerance_percent or self.price_per_day or self.tiers:
                problems.append(
                    (
                        "contracted_range_mw",
                        "a capacity that is chosen cannot have a ratchet, a tolerance, a price per day or "
                        "tiers: give 'contracted_mw' instead",
                    )
                )
        if self.excess_per_mw > 0 and chosen is None and self.contracted_mw is None:
            problems.append(
                ("excess_per_mw", "'excess_per_mw' needs 'contracted_mw' or 'contracted_range_mw'")
            )
        edges = [tier.above_mw for tier in self.tiers]
        prices = [self.per_mw, *(tier.per_mw for tier in self.tiers)]
        if edges != sorted(set(edges)):
            problems.append(("tiers", f"'tiers' must ascend in 'above_mw' (got {edges})"))
        if prices not in (sorted(prices), sorted(prices, reverse=True)):
            text = "prices of 'tiers' must rise throughout or fall throughout, 'per_mw' being the first"
            problems.append(("tiers", f"{text} (got {prices})"))
        if bool(self.ratchet_percent) != bool(self.ratchet_periods):
            problems.append(
                ("ratchet_percent", "'ratchet_percent' and 'ratchet_periods' must be given together, above 0")
            )
        if problems:
            raise InvalidValues(problems)

    @property
    def _cycle(self) -> Cycle:
        return Cycle(self.per, self.billing_day, self.first_month)

    def _window(self) -> calendar.ClockWindow:
        return calendar.ClockWindow(self.seasons, self.day_types, self.from_time, self.to_time)

    @property
    def _unit(self) -> str:
        return {"kw": "MW", "kvar": "Mvar"}.get(self.measure, "MVA")

    @property
    def _needs_factor(self) -> bool:
        return self.measure != "kw" or self.power_factor_least is not None

    def _factor(self) -> float:
        """Billed demand per MW at the stated power factor."""
        if not self._needs_factor:
            return 1.0
        factor = self.power_factor
        if factor is None:
            raise ValueError(
                f"component '{self.name}' is billed by reactive power: state its 'power_factor', or give a "
                "profile with reactive power"
            )
        least = self.power_factor_least or 0.0
        return self._measured(1.0, 1.0 / factor) * (1.0 + max(least - factor, 0.0))

    def _measured(self, real: float, apparent: float) -> float:
        if self.measure == "kw":
            return real
        if self.measure == "kvar":
            return math.sqrt(max(apparent * apparent - real * real, 0.0))
        return apparent if self.measure == "kva" else max(real, self.kva_share * apparent)

    def _charged(self, horizon: Horizon) -> list[LocalMonth]:
        return [
            period
            for period in self._cycle.periods(horizon)
            if self.per == "year" or not self.seasons or period.number in self.seasons
        ]

    def _price(self, horizon: Horizon, period: LocalMonth) -> float:
        return self.per_mw * (days_in(horizon, period) if self.price_per_day else 1.0)

    def _earlier(self, label: str) -> list[str]:
        """Labels of the earlier periods that count for the ratchet."""
        if self.per == "year":
            return [f"{int(label) - back:04d}" for back in range(1, self.ratchet_periods + 1)]
        year, month = (int(part) for part in label.split("-"))
        found = []
        for back in range(1, self.ratchet_periods + 1):
            y, m = divmod(12 * year + month - 1 - back, 12)
            if not self.ratchet_months or m + 1 in self.ratchet_months:
                found.append(f"{y:04d}-{m + 1:02d}")
        return found

    @property
    def cycle(self) -> tuple[str, int, int]:
        """The billing period (see `Component.cycle`). [-]."""
        return (self.per, self.billing_day, self.first_month)

    @property
    def restates(self) -> bool:
        """A later bill states the peak anew, unless days are priced (see `Component.restates`). [-]."""
        return not self.price_per_day

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return peaks and excess of each period, or the chosen capacity (see `Component.terms`)."""
        factor = self._factor()
        charged = self._charged(horizon)
        found = {
            p.label: metered(horizon, p, self.metering_minutes, self._window(), self.holidays)
            for p in charged
        }
        if self.contracted_range_mw is not None:
            return self._chosen(horizon, situation, charged, found, factor)
        terms: list[Term] = []
        rho = self.ratchet_percent / 100.0
        for period in charged:
            key = (self.name, period.label)
            own_floor = max(situation.peaks_mw.get(key, 0.0), situation.peak_targets_mw.get(key, 0.0), 0.0)
            floor = max(own_floor, self.contracted_mw or 0.0, self.minimum_mw)
            parts = [(found[period.label], factor)]
            for label in self._earlier(period.label):
                before = (self.name, label)
                floor = max(floor, rho * situation.peaks_mw.get(before, 0.0))
                if label in found:
                    floor = max(floor, rho * situation.peak_targets_mw.get(before, 0.0))
                    parts.append((found[label], rho * factor))
            name = term_name(period)
            terms += self._billed_terms(name, horizon, period, parts, floor, situation)
            if self.excess_per_mw > 0 and self.contracted_mw is not None:
                free = self.contracted_mw * (1.0 + self.excess_tolerance_percent / 100.0)
                price = self.excess_per_mw * (days_in(horizon, period) if self.price_per_day else 1.0)
                over = joined_peak(f"{name}_excess", price, parts[:1], max(free, own_floor))
                terms += [over, Fixed(f"{name}_free", -price * free, "demand")]
        return tuple(terms)

    @property
    def _falls(self) -> bool:
        return any(tier.per_mw < self.per_mw for tier in self.tiers)

    def _lines(self) -> list[tuple[float, float, float]]:
        """Return each tier's level, its price, and what its straight line charges at 0."""
        found = [(0.0, self.per_mw, 0.0)]
        for tier in self.tiers:
            _, price, constant = found[-1]
            found.append((tier.above_mw, tier.per_mw, constant + (price - tier.per_mw) * tier.above_mw))
        return found

    def cases(self, horizon: Horizon, situation: Situation) -> tuple[str, ...]:
        """Return the tiers, where their prices fall (see `Component.cases`)."""
        if not self._falls:
            return ()
        names = [f"tier_{number}" for number in range(1, len(self.tiers) + 2)]
        return joined_cases([names for _ in self._charged(horizon)])

    def _billed_terms(
        self,
        name: str,
        horizon: Horizon,
        period: LocalMonth,
        parts: list[tuple[Metered, float]],
        floor: float,
        situation: Situation,
    ) -> list[Term]:
        """Return what the billed demand of a period costs."""
        days = days_in(horizon, period) if self.price_per_day else 1.0
        if not self._falls:
            terms: list[Term] = [joined_peak(name, days * self.per_mw, parts, floor)]
            before = self.per_mw
            for number, tier in enumerate(self.tiers, 2):
                more, before = days * (tier.per_mw - before), tier.per_mw
                level = tier.above_mw
                terms.append(joined_peak(f"{name}_tier_{number}", more, parts, max(floor, level)))
                terms.append(Fixed(f"{name}_below_{number}", -more * level, "demand"))
            return terms
        options = tuple(
            (
                f"tier_{number}",
                (
                    joined_peak(f"tier_{number}", days * price, parts, floor),
                    Fixed(f"tier_{number}_at_0", days * constant, "demand"),
                ),
            )
            for number, (_, price, constant) in enumerate(self._lines(), 1)
        )
        position = [each.label for each in self._charged(horizon)].index(period.label)
        chosen = case_of_period(situation.state.cases.get(self.name), position)
        return [LesserOf(name, options, chosen)]

    def _billed_lines(
        self, label: str, billed: float, reason: str, days: float, per_day: str
    ) -> list[BillLine]:
        """Return a line for the billed demand, or one for each tier that it reaches."""
        levels = [(level, price) for level, price, _ in self._lines()]
        ends = [level for level, _ in levels[1:]] + [math.inf]
        found = []
        for number, ((level, price), end) in enumerate(zip(levels, ends, strict=True), 1):
            part = min(billed, end) - level
            if part <= 0.0 and number > 1:
                break
            tier, lies = (f", tier {number}", "the part that lies in the tier ") if self.tiers else ("", "")
            found.append(
                BillLine(
                    self.name,
                    f"billed demand of {label}{tier}",
                    part,
                    self._unit,
                    price * days,
                    price * days * part,
                    "demand",
                    f"{reason} [{self._unit}], the greatest of what counts, {lies}x price{per_day}",
                )
            )
        return found

    def _chosen(
        self,
        horizon: Horizon,
        situation: Situation,
        charged: list[LocalMonth],
        found: dict[str, Metered],
        factor: float,
    ) -> tuple[Term, ...]:
        if self.contracted_range_mw is None or not charged:
            return ()
        peaks = []
        for period in charged:
            key = (self.name, period.label)
            floor = max(
                situation.peaks_mw.get(key, 0.0), situation.peak_targets_mw.get(key, 0.0), self.minimum_mw
            )
            peaks.append(
                joined_peak(
                    term_name(period),
                    self.per_mw + self.excess_per_mw,
                    [(found[period.label], factor)],
                    floor,
                )
            )
        each = tuple(self.per_mw for _ in charged)
        over = tuple(self.per_mw + self.excess_per_mw for _ in charged)
        return (ChosenCapacity("capacity", each, over, tuple(peaks), *self.contracted_range_mw),)

    def _highest(self, profile: Profile, period: LocalMonth) -> float:
        """Highest metered mean of a period in the measure billed, its power factor included."""
        horizon = profile.horizon
        found = metered(horizon, period, self.metering_minutes, self._window(), self.holidays)
        reactive = profile.reactive_mvar
        if not self._needs_factor or reactive is None:
            return self._factor() * found.highest(profile)
        real = found.means(profile.power_mw)
        apparent = np.hypot(real, found.means(reactive))
        highest = max(
            (self._measured(max(p, 0.0), s) for p, s in zip(real.tolist(), apparent.tolist(), strict=True)),
            default=0.0,
        )
        least = self.power_factor_least or 0.0
        return highest * (1.0 + max(least - _mean_factor(profile, period), 0.0))

    def carried(self, profile: Profile) -> tuple[Carried, ...]:
        """Return the highest mean of each period in the measure billed (see `Component.carried`)."""
        return tuple(
            Carried(period.label, peak=self._highest(profile, period))
            for period in self._charged(profile.horizon)
        )

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return a line for billed demand and one for the excess of each period (see `Component.bill`)."""
        horizon = profile.horizon
        charged = self._charged(horizon)
        highest = {
            p.label: max(self._highest(profile, p), situation.peaks_mw.get((self.name, p.label), 0.0))
            for p in charged
        }
        if self.contracted_range_mw is not None:
            return self._bill_of_chosen(charged, highest)
        lines = []
        for period in charged:
            demand = highest[period.label]
            candidates = {
                f"highest {self.metering_minutes}-minute mean {demand:,.3f}": demand,
                f"contracted capacity {self.contracted_mw or 0.0:,.3f}": self.contracted_mw or 0.0,
                f"minimum {self.minimum_mw:,.3f}": self.minimum_mw,
            }
            for label in self._earlier(period.label):
                earlier = max(highest.get(label, 0.0), situation.peaks_mw.get((self.name, label), 0.0))
                text = f"{self.ratchet_percent:g} % of the {earlier:,.3f} of {label}"
                candidates[text] = self.ratchet_percent / 100.0 * earlier
            reason = max(candidates, key=lambda text: candidates[text])
            billed, days = candidates[reason], days_in(horizon, period)
            per_day = f" for {days:g} days" if self.price_per_day else ""
            lines += self._billed_lines(
                period.label, billed, reason, days if self.price_per_day else 1.0, per_day
            )
            if self.excess_per_mw > 0 and self.contracted_mw is not None:
                free = self.contracted_mw * (1.0 + self.excess_tolerance_percent / 100.0)
                over = max(demand - free, 0.0)
                excess_price = self.excess_per_mw * (days if self.price_per_day else 1.0)
                lines.append(
                    BillLine(
                        self.name,
                        f"excess of {period.label}",
                        over,
                        self._unit,
                        excess_price,
                        over * excess_price,
                        "demand",
                        f"demand above {free:g} {self._unit} x surcharge{per_day}",
                    )
                )
        return tuple(lines)

    def _bill_of_chosen(self, charged: list[LocalMonth], highest: dict[str, float]) -> tuple[BillLine, ...]:
        if self.contracted_range_mw is None or not charged:
            return ()
        peaks = [max(highest[period.label], self.minimum_mw) for period in charged]
        prices = [self.per_mw] * len(peaks)
        over = [self.per_mw + self.excess_per_mw] * len(peaks)
        best = cheapest_capacity(peaks, prices, over, *self.contracted_range_mw)
        excess = sum(max(peak - best, 0.0) for peak in peaks)
        base = capacity_charge(best, [0.0] * len(peaks), prices, over)
        return (
            BillLine(
                self.name,
                "contracted capacity, the cheapest for this profile",
                best,
                self._unit,
                base / best if best else 0.0,
                base,
                "demand",
                f"capacity chosen between {self.contracted_range_mw[0]:g} and "
                f"{self.contracted_range_mw[1]:g} {self._unit} x price x {len(peaks)} periods",
            ),
            BillLine(
                self.name,
                "excess over it",
                excess,
                self._unit,
                over[0],
                excess * over[0],
                "demand",
                "sum over the periods of demand above the capacity x (price + surcharge)",
            ),
        )


def _share() -> Rule:
    over, up_to = above(0), between(0, 1)
    return lambda value: over(value) or up_to(value)


def _mean_factor(profile: Profile, period: LocalMonth) -> float:
    """Power factor of the energies of a period: kWh over root of kWh squared plus kvarh squared."""
    ends_at = np.array([period.start_min], dtype=np.int64), np.array([period.end_min], dtype=np.int64)
    real = float(calendar.energy_mwh(profile.horizon, profile.power_mw, *ends_at)[0])
    reactive = profile.reactive_mvar
    imaginary = (
        0.0 if reactive is None else float(calendar.energy_mwh(profile.horizon, reactive, *ends_at)[0])
    )
    whole = float(np.hypot(real, imaginary))
    return real / whole if whole > 0 else 1.0
