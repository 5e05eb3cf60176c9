"""Compensation of indirect carbon cost, paid for each tonne of product.

Owns the formula of the aid and its step to money per tonne. That carbon stands in the price of power is
information, not a charge of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import at_least, between, check
from models.contract.component import BillLine, Component, OutputRate, Profile, component_kind, key_name
from models.contract.term import Term
from models.horizon import Horizon
from models.situation import Situation


@component_kind("carbon_compensation")
@dataclass(frozen=True)
class CarbonCompensation(Component):
    """Money for each tonne of product made, for the carbon in its power.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    aid_percent : float
        Aid intensity Ai, 0 to 100. [%]
    carbon_t_per_mwh : float
        Emission factor C of the zone, 0 or more. [t CO2/MWh]
    allowance_per_t : float
        Forward price P of an allowance in the year before, 0 or more. [currency/t CO2]
    benchmark_mwh_per_t : float
        Efficiency benchmark B of the product, 0 or more. [MWh/t]
    product : str
        Commodity that counts. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.

    Notes
    -----
    ``aid = Ai * C * P * B * output`` on actual output, so it is a credit per tonne and not per MWh: it moves
    the optimum only where production may change.

    References
    ----------
    Guidelines on State aid in the context of the greenhouse gas emission allowance trading scheme, as
    summarised at emissions-euets.com for 2013-2020; payment on actual output since 2021 is a value from
    memory.
    """

    name: str
    aid_percent: float
    carbon_t_per_mwh: float
    allowance_per_t: float
    benchmark_mwh_per_t: float
    product: str = "chlorine_wet"

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            aid_percent=between(0, 100, "%"),
            carbon_t_per_mwh=at_least(0, "t/MWh"),
            allowance_per_t=at_least(0, "currency/t"),
            benchmark_mwh_per_t=at_least(0, "MWh/t"),
        )

    @property
    def per_t(self) -> float:
        """Aid for a tonne of product. [currency/t]."""
        return (
            self.aid_percent / 100.0 * self.carbon_t_per_mwh * self.allowance_per_t * self.benchmark_mwh_per_t
        )

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return nothing: the load at the meter cannot change it (see `Component.terms`)."""
        return ()

    def output_rates(self, horizon: Horizon, situation: Situation) -> tuple[OutputRate, ...]:
        """Return the aid as a negative rate on the product (see `Component.output_rates`)."""
        return (OutputRate("aid", self.product, np.full(len(horizon), -self.per_t)),)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for the output (see `Component.bill`).

        Raises
        ------
        ValueError
            If the profile does not say what was made.
        """
        made = profile.made_per_h.get(self.product)
        if made is None:
            raise ValueError(
                f"component '{self.name}' pays for what is made of '{self.product}': give it with the "
                f"profile (column '{self.product}_t_per_h')"
            )
        tonnes = float(np.sum(made * profile.horizon.hours))
        return (
            BillLine(
                self.name,
                f"compensation of carbon cost for {self.product.replace('_', ' ')}",
                tonnes,
                "t",
                -self.per_t,
                -tonnes * self.per_t,
                "other",
                "output x aid intensity x emission factor x allowance price x benchmark",
            ),
        )
