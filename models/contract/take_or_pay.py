"""Quantities that must be taken: take-or-pay and swing bands.

Owns the charge for what was not taken of a period's quantity and the price of what exceeds it. Blocks at a
fixed price stand in `blocks`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.checks import InvalidValues, above, at_least, between, check, one_of
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.periods import Cycle, billing_day_rule
from models.contract.primitives import Line, OfTotal
from models.contract.state import Carried
from models.contract.term import Term
from models.contract.totals import carried_energy, drawn_mwh, period_totals, term_name
from models.horizon import Horizon
from models.situation import Situation

NOTHING_YET = (Line(0.0, 0.0),)
"""Charge of a period that is not finished and of which nothing is expected: settled at its end."""


@component_kind("take_or_pay")
@dataclass(frozen=True)
class TakeOrPay(Component):
    """A charge for the part of a contracted quantity that was not taken.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    quantity_mwh : float
        Contracted quantity of a period, above 0. [MWh]
    percent : float
        Share of it that must be taken, 0 to 100. [%]
    per_mwh : float
        Price of each MWh below that, 0 or more. [currency/MWh]
    per : str
        'month' or 'year'. [-]
    billing_day, first_month : int
        When a billing period begins: day of the month, 1 to 28, and month of a year. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.

    Notes
    -----
    ``max(0, percent/100 * quantity - energy of the period) * per_mwh``, settled on the bill on which the
    period ends. It rewards drawing more.
    """

    name: str
    quantity_mwh: float
    percent: float
    per_mwh: float
    per: Literal["month", "year"] = "year"
    billing_day: int = 1
    first_month: int = 1

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            quantity_mwh=above(0, "MWh"),
            percent=between(0, 100, "%"),
            per_mwh=at_least(0, "currency/MWh"),
            per=one_of("month", "year"),
            billing_day=billing_day_rule(),
            first_month=between(1, 12),
        )

    @property
    def _cycle(self) -> Cycle:
        return Cycle(self.per, self.billing_day, self.first_month)

    @property
    def least_mwh(self) -> float:
        """Quantity that must be taken in a period. [MWh]."""
        return self.percent / 100.0 * self.quantity_mwh

    @property
    def cycle(self) -> tuple[str, int, int]:
        """The period of the quantity (see `Component.cycle`). [-]."""
        return (self.per, self.billing_day, self.first_month)

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the charge on what is not taken of each period (see `Component.terms`)."""
        return tuple(
            OfTotal(
                term_name(total.period),
                total.share,
                total.so_far_mwh + total.rest_mwh,
                NOTHING_YET
                if total.missing
                else (Line(0.0, 0.0), Line(self.per_mwh * self.least_mwh, -self.per_mwh)),
                group="other",
                missing=total.missing,
            )
            for total in period_totals(self.name, horizon, situation, self._cycle)
        )

    def carried(self, profile: Profile) -> tuple[Carried, ...]:
        """Return the energy of each period (see `Component.carried`)."""
        return carried_energy(profile, self._cycle)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for each period that ends in the profile (see `Component.bill`)."""
        lines = []
        for period in self._cycle.periods(profile.horizon):
            if period.end_min > profile.horizon.end_min:
                continue
            so_far = situation.state.energy_mwh.get((self.name, period.label), 0.0)
            short = max(self.least_mwh - so_far - drawn_mwh(profile, period), 0.0)
            lines.append(
                BillLine(
                    self.name,
                    f"quantity not taken in {period.label}",
                    short,
                    "MWh",
                    self.per_mwh,
                    short * self.per_mwh,
                    "other",
                    f"{self.percent:g} % of {self.quantity_mwh:g} MWh less the energy of the {self.per}, at "
                    "least 0, x price",
                )
            )
        return tuple(lines)


@component_kind("swing")
@dataclass(frozen=True)
class Swing(Component):
    """Energy at a fixed price inside a band around a quantity, with a price above the band.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    quantity_mwh : float
        Quantity of a period, above 0. [MWh]
    band_percent : float
        Width of the band to each side, 0 to 100. [%]
    per_mwh : float
        Price inside the band, 0 or more; also paid for what is short of the band. [currency/MWh]
    above_per_mwh : float
        Price of energy above the band, at least `per_mwh`. [currency/MWh]
    per : str
        'month' or 'year'. [-]
    billing_day, first_month : int
        When a billing period begins: day of the month, 1 to 28, and month of a year. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.

    Notes
    -----
    Bills of parts of a period pay their energy by the part of the band it lies in; what is short of the
    band is paid on the bill on which the period ends.
    """

    name: str
    quantity_mwh: float
    band_percent: float
    per_mwh: float
    above_per_mwh: float
    per: Literal["month", "year"] = "year"
    billing_day: int = 1
    first_month: int = 1

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            quantity_mwh=above(0, "MWh"),
            band_percent=between(0, 100, "%"),
            per_mwh=at_least(0, "currency/MWh"),
            per=one_of("month", "year"),
            billing_day=billing_day_rule(),
            first_month=between(1, 12),
        )
        if self.above_per_mwh < self.per_mwh:
            text = f"'above_per_mwh' must be at least per_mwh {self.per_mwh:g} (got {self.above_per_mwh:g})"
            raise InvalidValues([("above_per_mwh", text)])

    @property
    def _cycle(self) -> Cycle:
        return Cycle(self.per, self.billing_day, self.first_month)

    @property
    def _band(self) -> tuple[float, float]:
        width = self.band_percent / 100.0 * self.quantity_mwh
        return self.quantity_mwh - width, self.quantity_mwh + width

    def _taken(self, total: float) -> float:
        most = self._band[1]
        return self.per_mwh * min(total, most) + self.above_per_mwh * max(total - most, 0.0)

    @property
    def cycle(self) -> tuple[str, int, int]:
        """The period of the quantity (see `Component.cycle`). [-]."""
        return (self.per, self.billing_day, self.first_month)

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the charge on the total of each period (see `Component.terms`)."""
        least, most = self._band
        inside = Line(0.0, self.per_mwh)
        over = Line((self.per_mwh - self.above_per_mwh) * most, self.above_per_mwh)
        short = Line(self.per_mwh * least, 0.0)
        return tuple(
            OfTotal(
                term_name(total.period),
                total.share,
                total.so_far_mwh + total.rest_mwh,
                (inside, over) if total.missing else (inside, over, short),
                self._taken(total.so_far_mwh),
                missing=total.missing,
            )
            for total in period_totals(self.name, horizon, situation, self._cycle)
        )

    def carried(self, profile: Profile) -> tuple[Carried, ...]:
        """Return the energy of each period (see `Component.carried`)."""
        return carried_energy(profile, self._cycle)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return lines for energy in, above and short of the band (see `Component.bill`)."""
        least, most = self._band
        lines = []
        for period in self._cycle.periods(profile.horizon):
            before = situation.state.energy_mwh.get((self.name, period.label), 0.0)
            after = before + drawn_mwh(profile, period)
            over = max(after - most, 0.0) - max(before - most, 0.0)
            found = [
                (
                    "energy in the band",
                    after - before - over,
                    self.per_mwh,
                    "energy up to the band's top x price",
                ),
                ("energy above the band", over, self.above_per_mwh, "energy above the band's top x price"),
            ]
            if period.end_min <= profile.horizon.end_min:
                short = max(least - after, 0.0)
                found.append(
                    ("short of the band", short, self.per_mwh, "band's bottom less the energy x price")
                )
            lines += [
                BillLine(
                    self.name, f"{label} of {period.label}", mwh, "MWh", rate, mwh * rate, "energy", formula
                )
                for label, mwh, rate, formula in found
            ]
        return tuple(lines)
