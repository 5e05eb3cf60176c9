"""Two-part tariffs: a standard bill on a customer baseline, and the index on what differs from it.

Owns the baseline's bill by clock bands and the settlement of differences. Demand charges of the standard
bill that do not follow the load are standing charges.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from models.checks import check, finite
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.index import index_of, series_of
from models.contract.term import Fixed, Rate, Term
from models.contract.time_of_use import Band, TimeOfUse
from models.horizon import Array, Horizon
from models.situation import Situation


@component_kind("two_part")
@dataclass(frozen=True)
class TwoPart(Component):
    """A standard bill on a baseline load, and the index on the difference to it.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    bands : tuple of Band
        Standard energy prices on the baseline; they cover every local time once. [-]
    baseline : str
        Name of the profile of the customer baseline load. [MW]
    index : str
        Name of the price series for differences. [-]
    adder_per_mwh : float
        Added to the index, for more and for less alike. [currency/MWh]
    holidays : tuple of date
        Days of the type 'holiday'. [-]

    Raises
    ------
    InvalidValues
        If the bands leave gaps or a value breaks its rule.

    Notes
    -----
    ``standard bill of the baseline + sum (p + adder) * (P - baseline) * h``: a load equal to its baseline
    pays the standard bill, and the marginal price of load is the index.
    """

    name: str
    bands: tuple[Band, ...]
    baseline: str
    index: str = "day_ahead"
    adder_per_mwh: float = 0.0
    holidays: tuple[dt.date, ...] = ()

    def __post_init__(self) -> None:
        check(self, name=key_name(), adder_per_mwh=finite())
        self._standard()

    def _standard(self) -> TimeOfUse:
        return TimeOfUse(self.name, self.bands, self.holidays)

    def series_needed(self) -> tuple[str, ...]:
        """Return the names of the index and the baseline. [-]."""
        return (self.index, self.baseline)

    def _given(self, horizon: Horizon, situation: Situation) -> tuple[Array, Array]:
        base = series_of(self.name, self.baseline, situation).on(horizon)
        return base, index_of(self.name, self.index, situation).on(horizon) + self.adder_per_mwh

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the index on all load, and the baseline's bill less its index (see `Component.terms`)."""
        base, price = self._given(horizon, situation)
        standard = sum(term.cost(horizon, base) for term in self._standard().terms(horizon, situation))
        fixed = standard - float(np.sum(price * base * horizon.hours))
        return Rate("difference", price), Fixed("baseline", fixed, "energy")

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return the lines of the standard bill and one for the difference (see `Component.bill`)."""
        horizon = profile.horizon
        base, price = self._given(horizon, situation)
        standard = self._standard().bill(Profile(horizon, base), situation)
        apart = (profile.power_mw - base) * horizon.hours
        energy, amount = float(np.sum(apart)), float(np.sum(apart * price))
        # Differences up and down may cancel in energy and not in money: the rate is then the money itself.
        rate, quantity = (amount / energy, energy) if abs(energy) > 1e-9 else (amount, 1.0)
        return (
            *(
                BillLine(
                    line.component,
                    f"baseline, {line.label}",
                    line.quantity,
                    line.quantity_unit,
                    line.rate,
                    line.amount,
                    line.group,
                    "energy of the baseline inside the band x price",
                )
                for line in standard
            ),
            BillLine(
                self.name,
                "difference to the baseline",
                quantity,
                "MWh" if abs(energy) > 1e-9 else "sum",
                rate,
                amount,
                "energy",
                "sum of (load - baseline) x (index + adder)",
            ),
        )
