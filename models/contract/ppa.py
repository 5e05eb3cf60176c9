"""Purchase of a plant's generation: pay-as-produced, and contracts for difference.

Owns the settlement of a generation profile against the index. Both leave the marginal price of load at the
index; only a fee on surplus makes a difference to the load.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import at_least, between, check, finite
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.imbalance import Deviation
from models.contract.index import index_of, series_of
from models.contract.term import Fixed, Term
from models.horizon import Array, Horizon
from models.situation import Situation


@component_kind("ppa")
@dataclass(frozen=True)
class PayAsProduced(Component):
    """All or a share of a plant's generation at a fixed price; surplus is sold at the index less a fee.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    per_mwh : float
        Price of the generation. [currency/MWh]
    generation : str
        Name of the profile of the plant's generation. [MW]
    share_percent : float
        Share of the generation that is bought, 0 to 100. [%]
    surplus_fee_per_mwh : float
        What is lost of the index on generation above the load, 0 or more. [currency/MWh]
    index : str
        Name of the price series at which the energy component charges all energy. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.

    Notes
    -----
    ``sum (price - p) * G + fee * max(0, G - E)`` with G the generation bought and p the index; together with
    the energy component's ``p * E`` the generation at its price and the rest at the index.
    """

    name: str
    per_mwh: float
    generation: str
    share_percent: float = 100.0
    surplus_fee_per_mwh: float = 0.0
    index: str = "day_ahead"

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            per_mwh=finite(),
            share_percent=between(0, 100, "%"),
            surplus_fee_per_mwh=at_least(0, "currency/MWh"),
        )

    def series_needed(self) -> tuple[str, ...]:
        """Return the names of the index and the generation. [-]."""
        return (self.index, self.generation)

    def _given(self, horizon: Horizon, situation: Situation) -> tuple[Array, Array]:
        made = series_of(self.name, self.generation, situation).on(horizon) * self.share_percent / 100.0
        return made, index_of(self.name, self.index, situation).on(horizon)

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the settlement, and the fee on surplus (see `Component.terms`)."""
        made, index = self._given(horizon, situation)
        fixed = float(np.sum((self.per_mwh - index) * made * horizon.hours))
        terms: list[Term] = [Fixed("generation", fixed, "energy")]
        if self.surplus_fee_per_mwh:
            every = np.ones(len(horizon), dtype=np.bool_)
            terms.append(Deviation("surplus", made, every, 0.0, self.surplus_fee_per_mwh, "energy"))
        return tuple(terms)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return lines for generation, its value at the index and surplus (see `Component.bill`)."""
        horizon = profile.horizon
        made, index = self._given(horizon, situation)
        bought = float(np.sum(made * horizon.hours))
        credited = -float(np.sum(made * index * horizon.hours))
        surplus = float(np.sum(np.maximum(made - profile.power_mw, 0.0) * horizon.hours))
        return (
            BillLine(
                self.name,
                "generation bought",
                bought,
                "MWh",
                self.per_mwh,
                bought * self.per_mwh,
                "energy",
                "generation x price",
            ),
            BillLine(
                self.name,
                f"generation, credited at the index {self.index}",
                bought,
                "MWh",
                credited / bought if bought else 0.0,
                credited,
                "energy",
                "minus sum of generation x index: the energy component charges all energy at the index",
            ),
            BillLine(
                self.name,
                "generation above the load",
                surplus,
                "MWh",
                self.surplus_fee_per_mwh,
                surplus * self.surplus_fee_per_mwh,
                "energy",
                "generation less load, where above 0, x fee",
            ),
        )


@component_kind("difference")
@dataclass(frozen=True)
class ContractForDifference(Component):
    """Money for the difference between a strike price and the index on a reference volume.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    strike_per_mwh : float
        Strike price. [currency/MWh]
    volume : str
        Name of the profile of the reference volume. [MW]
    not_below_zero : bool
        Whether nothing is settled on intervals with a negative index. [-]
    index : str
        Name of the price series. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.

    Notes
    -----
    The buyer pays ``(strike - p) * V``, whatever he draws: the load cannot change it.
    """

    name: str
    strike_per_mwh: float
    volume: str
    not_below_zero: bool = False
    index: str = "day_ahead"

    def __post_init__(self) -> None:
        check(self, name=key_name(), strike_per_mwh=finite())

    def series_needed(self) -> tuple[str, ...]:
        """Return the names of the index and the volume. [-]."""
        return (self.index, self.volume)

    def _settled(self, horizon: Horizon, situation: Situation) -> tuple[float, float]:
        volume = series_of(self.name, self.volume, situation).on(horizon)
        index = index_of(self.name, self.index, situation).on(horizon)
        counts = (index >= 0) if self.not_below_zero else np.ones(len(horizon), dtype=np.bool_)
        energy = volume * horizon.hours * counts
        return float(np.sum(energy)), float(np.sum(energy * (self.strike_per_mwh - index)))

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the settlement (see `Component.terms`)."""
        return (Fixed("difference", self._settled(horizon, situation)[1], "energy"),)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line (see `Component.bill`)."""
        energy, amount = self._settled(profile.horizon, situation)
        return (
            BillLine(
                self.name,
                "difference between strike and index",
                energy,
                "MWh",
                amount / energy if energy else 0.0,
                amount,
                "energy",
                "sum of reference volume x (strike - index)"
                + (", intervals with a negative index left out" if self.not_below_zero else ""),
            ),
        )
