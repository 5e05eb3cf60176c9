"""Network charges that jump with full-load hours: price pairs by utilisation, and band-load discounts.

Owns the rule which step of a year's utilisation is reached and what it charges. Demand charges without such
a rule stand in `demand` and `capacity`.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.checks import InvalidValues, at_least, between, check, one_of
from models.contract import calendar
from models.contract.cliff import Cliff, Side, case_of_period, joined_cases, reached
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.periods import Cycle, billing_day_rule, metered
from models.contract.state import Carried
from models.contract.term import Term
from models.contract.totals import drawn_mwh, period_totals, term_name
from models.horizon import Horizon
from models.situation import Situation


@dataclass(frozen=True)
class UtilisationStep:
    """A price pair and when it holds.

    Parameters
    ----------
    name : str
        Name, lower case with underscores. [-]
    per_mw : float
        Price of the year's peak, 0 or more. [currency/MW]
    per_mwh : float
        Price of the year's energy, 0 or more. [currency/MWh]
    from_hours : float
        Holds from so many full-load hours (energy of the year over its peak), 0 or more. [h]
    from_mwh : float
        And from so much energy of the year, 0 or more. [MWh]
    share_percent : float
        Part of the charge that is paid, 0 to 100. [%]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.
    """

    name: str
    per_mw: float
    per_mwh: float
    from_hours: float = 0.0
    from_mwh: float = 0.0
    share_percent: float = 100.0

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            per_mw=at_least(0, "currency/MW"),
            per_mwh=at_least(0, "currency/MWh"),
            from_hours=at_least(0, "h"),
            from_mwh=at_least(0, "MWh"),
            share_percent=between(0, 100, "%"),
        )


@component_kind("utilisation")
@dataclass(frozen=True)
class Utilisation(Component):
    """A year's peak and energy, priced by the full-load hours that they give.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    steps : tuple of UtilisationStep
        The steps; of those whose conditions a year meets the last one holds. The first one has none. [-]
    metering_minutes : int
        Length of a metering period, 15, 30 or 60. [min]
    billing_day, first_month : int
        When a billing year begins: day of the month, 1 to 28, and month. [-]

    Raises
    ------
    InvalidValues
        If the first step has conditions, two share a name, or a value breaks its rule.

    Notes
    -----
    ``charge = share/100 * (per_mw * P + per_mwh * E)`` of the step reached at ``T = E / P``, E the energy and
    P the highest metered mean of the year. A bill shows the charge of the year so far; a higher peak late in
    the year charges the whole year anew. Raising the peak to use cheap hours lowers T, so a plan must see
    the edge: each step is planned by itself, with its conditions as limits.
    """

    name: str
    steps: tuple[UtilisationStep, ...]
    metering_minutes: int = 15
    billing_day: int = 1
    first_month: int = 1

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            metering_minutes=one_of(*calendar.METERING_MINUTES),
            billing_day=billing_day_rule(),
            first_month=between(1, 12),
        )
        problems = []
        if not self.steps or self.steps[0].from_hours > 0 or self.steps[0].from_mwh > 0:
            problems.append("'steps' must begin with one that has neither 'from_hours' nor 'from_mwh'")
        names = [step.name for step in self.steps]
        if len(set(names)) < len(names):
            problems.append(f"'steps' must have different names (got {', '.join(names)})")
        if problems:
            raise InvalidValues([("steps", text) for text in problems])

    @property
    def _cycle(self) -> Cycle:
        return Cycle("year", self.billing_day, self.first_month)

    def _sides(self) -> tuple[Side, ...]:
        return tuple(
            Side(
                step.name,
                0.0,
                step.share_percent / 100.0 * step.per_mw,
                step.share_percent / 100.0 * step.per_mwh,
                step.from_mwh if step.from_mwh > 0 else float("-inf"),
                float("inf"),
                step.from_hours,
            )
            for step in self.steps
        )

    @property
    def cycle(self) -> tuple[str, int, int]:
        """The billing year (see `Component.cycle`). [-]."""
        return ("year", self.billing_day, self.first_month)

    @property
    def restates(self) -> bool:
        """A later bill states the year's peak and energy anew (see `Component.restates`). [-]."""
        return True

    def cases(self, horizon: Horizon, situation: Situation) -> tuple[str, ...]:
        """Return the steps that each year may end in (see `Component.cases`)."""
        names = [step.name for step in self.steps]
        return joined_cases([names for _ in self._cycle.periods(horizon)])

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return one charge that jumps for each year (see `Component.terms`)."""
        terms = []
        for position, total in enumerate(period_totals(self.name, horizon, situation, self._cycle)):
            key = (self.name, total.period.label)
            floor = max(situation.peaks_mw.get(key, 0.0), situation.peak_targets_mw.get(key, 0.0), 0.0)
            found = metered(horizon, total.period, self.metering_minutes, calendar.ClockWindow())
            name = term_name(total.period)
            # Its price weighs the ramps that lift it; what is charged stands in the sides.
            peak = found.peak(name, max(side.per_mw for side in self._sides()), floor)
            terms.append(
                Cliff(
                    name,
                    total.share,
                    total.so_far_mwh + total.rest_mwh,
                    peak,
                    self._sides(),
                    case_of_period(situation.state.cases.get(self.name), position),
                    missing=total.missing,
                )
            )
        return tuple(terms)

    def carried(self, profile: Profile) -> tuple[Carried, ...]:
        """Return energy and highest mean of each year (see `Component.carried`)."""
        return tuple(
            Carried(
                period.label,
                metered(profile.horizon, period, self.metering_minutes, calendar.ClockWindow()).highest(
                    profile
                ),
                drawn_mwh(profile, period),
            )
            for period in self._cycle.periods(profile.horizon)
        )

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return a line for the peak and one for the energy of each year so far (see `Component.bill`)."""
        lines = []
        for period in self._cycle.periods(profile.horizon):
            key = (self.name, period.label)
            energy = situation.state.energy_mwh.get(key, 0.0) + drawn_mwh(profile, period)
            own = metered(profile.horizon, period, self.metering_minutes, calendar.ClockWindow())
            peak = max(own.highest(profile), situation.peaks_mw.get(key, 0.0))
            side = reached(self._sides(), energy, peak)
            hours = f"{energy / peak:,.1f}" if peak > 0 else "no"
            step = next(step for step in self.steps if step.name == side.name)
            paid = "" if step.share_percent == 100 else f", of which {step.share_percent:g} % is paid"
            why = f"step '{side.name}' at {hours} full-load hours{paid}"
            lines += [
                BillLine(
                    self.name,
                    f"peak of {period.label}",
                    peak,
                    "MW",
                    side.per_mw,
                    peak * side.per_mw,
                    "demand",
                    f"highest {self.metering_minutes}-minute mean of the year so far x price; {why}",
                ),
                BillLine(
                    self.name,
                    f"energy of {period.label}",
                    energy,
                    "MWh",
                    side.per_mwh,
                    energy * side.per_mwh,
                    "demand",
                    f"energy of the year so far x price; {why}",
                ),
            ]
        return tuple(lines)
