"""Energy at an index price, with adders per MWh.

Owns the pass-through of a market price: index, losses and adders that do not follow the index
(supplier's margin, volumetric network charge, levies, taxes). Knows no blocks and no imbalance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues, between, check, finite
from models.contract import calendar
from models.contract.component import BillLine, Component, Profile, Rate, Term, component_kind, key_name
from models.horizon import Horizon, Series
from models.situation import Situation

INDEX_TERM = "index"
"""Name of the term that follows the index; no adder may take it."""


@dataclass(frozen=True)
class Adder:
    """A price per MWh that does not follow the index.

    Parameters
    ----------
    name : str
        Name, lower case with underscores. [-]
    per_mwh : float
        Price; negative for a rebate. [currency/MWh]
    on_losses : bool
        Whether it is charged on the energy with losses, or on the metered energy. [-]

    Raises
    ------
    InvalidValues
        If the name is no key or the price not a finite number.
    """

    name: str
    per_mwh: float
    on_losses: bool = True

    def __post_init__(self) -> None:
        check(self, name=key_name(), per_mwh=finite())


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

    Raises
    ------
    InvalidValues
        If a name is no key, is taken twice, or the losses are out of range.

    Notes
    -----
    ``amount = sum_t E_t * (1 + losses) * (p_t + sum of adders on losses) + E_t * sum of other adders``
    with E_t the metered energy and p_t the index, which may be negative.
    """

    name: str
    index: str = "day_ahead"
    adders_per_mwh: tuple[Adder, ...] = ()
    losses_percent: float = 0.0

    def __post_init__(self) -> None:
        check(self, name=key_name(), losses_percent=between(0, 100, "%"))
        taken = [INDEX_TERM, *(adder.name for adder in self.adders_per_mwh)]
        twice = sorted({name for name in taken if taken.count(name) > 1})
        if twice:
            text = f"'adders_per_mwh' must have different names, none '{INDEX_TERM}' (got {twice} twice)"
            raise InvalidValues([("adders_per_mwh", text)])

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
        index = Rate(INDEX_TERM, self._series(situation).on(horizon) * self._factor(True))
        return (
            index,
            *(
                Rate(adder.name, np.full(len(horizon), adder.per_mwh * self._factor(adder.on_losses)))
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
        horizon, series = profile.horizon, self._series(situation)
        mean_price = float(np.average(series.on(horizon), weights=horizon.hours))
        metered = float(np.sum(profile.power_mw * horizon.hours))
        drawn = calendar.energy_mwh(
            horizon, profile.power_mw, series.starts_min, series.starts_min + series.lengths_min
        )
        billed = metered * self._factor(True)
        amount = float(np.sum(series.values * drawn)) * self._factor(True)
        lines = [
            BillLine(
                self.name,
                f"energy at the index {self.index}",
                billed,
                "MWh",
                amount / billed if billed else mean_price,
                amount,
                "energy",
                f"sum over the index's intervals of {self._base(True)} x index",
            )
        ]
        for adder in self.adders_per_mwh:
            quantity = metered * self._factor(adder.on_losses)
            lines.append(
                BillLine(
                    self.name,
                    adder.name.replace("_", " "),
                    quantity,
                    "MWh",
                    adder.per_mwh,
                    quantity * adder.per_mwh,
                    "energy",
                    f"{self._base(adder.on_losses)} x price",
                )
            )
        return tuple(lines)

    def _factor(self, on_losses: bool) -> float:
        return 1.0 + self.losses_percent / 100.0 if on_losses else 1.0

    def _base(self, on_losses: bool) -> str:
        if on_losses and self.losses_percent:
            return f"metered energy x (1 + {self.losses_percent:g} % losses)"
        return "metered energy"

    def _series(self, situation: Situation) -> Series:
        series = situation.series.get(self.index)
        if series is None:
            known = ", ".join(repr(name) for name in sorted(situation.series)) or "none"
            raise ValueError(
                f"component '{self.name}' needs the price series '{self.index}', "
                f"which was not given (given: {known})"
            )
        return series
