"""Energy at an index price, with adders per MWh.

Owns the pass-through of a market price: index, settlement, losses and adders that do not follow the index.
Knows no blocks and no imbalance.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues, between, check, finite, one_of
from models.contract import calendar
from models.contract.adders import Adder, LossBand, adder_lines, adder_price, losses_on, losses_text
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.index import index_of, settled_mean
from models.contract.term import Rate, Term
from models.horizon import Array, Horizon, Series
from models.situation import Situation

INDEX_TERM = "index"
"""Name of the term that follows the index; no adder may take it."""


@component_kind("spot")
@dataclass(frozen=True)
class SpotEnergy(Component):
    """Energy at an index price, with adders.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    index : str
        Name of the price series. [-]
    adders_per_mwh : tuple of Adder
        Adders; their names differ. [-]
    losses_percent : float
        Losses between the metering point and the point of supply: billed energy is metered energy
        times 1 + losses/100. From 0 to 100. [%]
    loss_bands : tuple of LossBand
        Losses by time band, in place of `losses_percent` where a band holds. [-]
    settle_minutes : int, optional
        Length over which the price is averaged before it is charged, 30 or 60: 60 settles quarter prices by
        their hourly mean. As published unless given. [min]
    factor : float
        Factor on the index. [-]
    least_per_mwh, most_per_mwh : float, optional
        Collar of the index: no interval is charged less or more. [currency/MWh]
    holidays : tuple of date
        Days of the type 'holiday', for windows of adders and losses. [-]

    Raises
    ------
    InvalidValues
        If a name is no key, is taken twice, or a value breaks its rule.

    Notes
    -----
    ``amount = sum_t E_t * (1 + losses) * (p_t + sum of adders on losses) + E_t * sum of other adders``
    with E_t the metered energy and p_t the index, which may be negative.
    """

    name: str
    index: str = "day_ahead"
    adders_per_mwh: tuple[Adder, ...] = ()
    losses_percent: float = 0.0
    loss_bands: tuple[LossBand, ...] = ()
    settle_minutes: int | None = None
    factor: float = 1.0
    least_per_mwh: float | None = None
    most_per_mwh: float | None = None
    holidays: tuple[dt.date, ...] = ()

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            losses_percent=between(0, 100, "%"),
            settle_minutes=one_of(30, 60),
            factor=finite(),
            least_per_mwh=finite(),
            most_per_mwh=finite(),
        )
        problems = []
        taken = [INDEX_TERM, *(adder.name for adder in self.adders_per_mwh)]
        twice = sorted({name for name in taken if taken.count(name) > 1})
        if twice:
            text = f"'adders_per_mwh' must have different names, none '{INDEX_TERM}' (got {twice} twice)"
            problems.append(("adders_per_mwh", text))
        least, most = self.least_per_mwh, self.most_per_mwh
        if least is not None and most is not None and least > most:
            text = f"'least_per_mwh' must be at most most_per_mwh {most:g} (got {least:g})"
            problems.append(("least_per_mwh", text))
        if problems:
            raise InvalidValues(problems)

    def series_needed(self) -> tuple[str, ...]:
        """Return the name of the index. [-]."""
        return (self.index,)

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return one rate for the index and one for each adder (see `Component.terms`).

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Holds the index among its series. [-]

        Returns
        -------
        tuple of Term
            The rates on the metered energy. [-]

        Raises
        ------
        ValueError
            If the index is not among the series or leaves an interval without a price.
        """
        losses = self._losses(horizon)
        price = self._series(horizon, situation).on(horizon)
        return (
            Rate(INDEX_TERM, price * losses),
            *(
                Rate(adder.name, adder_price(adder, horizon, losses, self.holidays))
                for adder in self.adders_per_mwh
            ),
        )

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for the index and one for each adder (see `Component.bill`).

        Parameters
        ----------
        profile : Profile
            Metered load. [-]
        situation : Situation
            Holds the index among its series. [-]

        Returns
        -------
        tuple of BillLine
            The lines, not rounded; the rate of the index is its mean weighted by energy, or by time
            where no net energy was drawn. [-]

        Raises
        ------
        ValueError
            If the index is not among the series or leaves an interval without a price.
        """
        horizon = profile.horizon
        series = self._series(horizon, situation)
        mean_price = float(np.average(series.on(horizon), weights=horizon.hours))
        losses = self._losses(horizon)
        billed_mw = profile.power_mw * losses
        billed = float(np.sum(billed_mw * horizon.hours))
        drawn = calendar.energy_mwh(
            horizon, billed_mw, series.starts_min, series.starts_min + series.lengths_min
        )
        amount = float(np.sum(series.values * drawn))
        how = "" if self.settle_minutes is None else f", settled on means of {self.settle_minutes} minutes"
        if self.factor != 1.0:
            how += f", x {self.factor:g}"
        if self.least_per_mwh is not None or self.most_per_mwh is not None:
            how += ", inside its collar"
        text = losses_text(self.losses_percent, self.loss_bands)
        return (
            BillLine(
                self.name,
                f"energy at the index {self.index}",
                billed,
                "MWh",
                amount / billed if billed else mean_price,
                amount,
                "energy",
                f"sum over the index's intervals of metered energy{text} x index{how}",
            ),
            *adder_lines(self.name, self.adders_per_mwh, profile, losses, text, self.holidays),
        )

    def _losses(self, horizon: Horizon) -> Array:
        return losses_on(horizon, self.losses_percent, self.loss_bands, self.holidays)

    def _series(self, horizon: Horizon, situation: Situation) -> Series:
        """Return the price that is charged, on intervals of its own."""
        found = index_of(self.name, self.index, situation)
        if self.settle_minutes is not None:
            found = settled_mean(found, horizon, self.settle_minutes)
        values = np.clip(
            self.factor * found.values,
            -np.inf if self.least_per_mwh is None else self.least_per_mwh,
            np.inf if self.most_per_mwh is None else self.most_per_mwh,
        )
        return Series(found.name, found.starts_min, found.lengths_min, values)
