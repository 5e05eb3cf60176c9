"""Units that turn chlorine into products of their own: hydrochloric acid and hypochlorite.

Owns their stoichiometry. Both have an order book like any product; neither is a way to get rid of
chlorine.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import above, at_least, check, in_order
from models.constants import MOLAR_MASS_G_PER_MOL
from models.faraday import mass_ratio
from models.horizon import Horizon
from models.pieces import Declaration, Entry, Flow, Rows, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind


@unit_kind("acid_unit")
@dataclass(frozen=True)
class AcidUnit(Unit):
    """Synthesis of hydrochloric acid from hydrogen and chlorine, and the home of the tail gas.

    Cl2 + H2 -> 2 HCl; hydrogen is fed in excess so that no chlorine is left.

    Parameters
    ----------
    name : str
        Name of the unit. [-]
    chlorine_min_t_per_h, chlorine_max_t_per_h : float
        Range of chlorine burnt in service, header and tail gas together. [t/h]
    hydrogen_excess_percent : float
        Excess of hydrogen over the stoichiometric amount; 5 usual (value from memory). 0 or more. [%]
    gas, tail, product : str
        Commodities taken and delivered; where nothing is liquefied there is no tail gas, then name the
        header's commodity for both. [-]
    """

    name: str
    chlorine_min_t_per_h: float
    chlorine_max_t_per_h: float
    hydrogen_excess_percent: float = 5.0
    gas: str = "chlorine"
    tail: str = "tail_gas"
    product: str = "hydrochloric_acid"

    availabilities = ("in_service", "chlorine_max_t_per_h")
    settings = ("header_gas",)

    def __post_init__(self) -> None:
        check(
            self,
            chlorine_min_t_per_h=at_least(0, "t/h"),
            chlorine_max_t_per_h=above(0, "t/h"),
            hydrogen_excess_percent=at_least(0, "%"),
        )
        in_order(self, "chlorine_min_t_per_h", "chlorine_max_t_per_h", "t/h")

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return header gas and tail gas burnt (see `Unit.declare`)."""
        n = len(horizon)
        each = np.arange(n)
        on = situation.available(self.name, "in_service", 1, horizon) > 0
        most = np.where(
            on,
            situation.available(self.name, "chlorine_max_t_per_h", self.chlorine_max_t_per_h, horizon),
            0.0,
        )
        gas, tail = self.key("header_gas"), self.key("tail_gas")
        hydrogen = 1000.0 * mass_ratio("H2") * (1.0 + self.hydrogen_excess_percent / 100.0)
        acid = 2.0 * MOLAR_MASS_G_PER_MOL["HCl"] / MOLAR_MASS_G_PER_MOL["Cl2"]
        flows = tuple(
            flow
            for key, commodity in ((gas, self.gas), (tail, self.tail))
            for flow in (
                Flow(commodity, key, -1.0),
                Flow("hydrogen", key, -hydrogen),
                Flow(self.product, key, acid),
            )
        )
        total = Rows(
            self.key("chlorine_range"),
            "t/h",
            (Entry(gas, each, each, np.ones(n)), Entry(tail, each, each, np.ones(n))),
            np.where(on, self.chlorine_min_t_per_h, 0.0),
            most,
            intervals=each,
            meaning=f"chlorine burnt in {self.name}, header and tail gas together",
        )
        return Declaration(
            variables=(
                Variable(gas, "t/h", np.zeros(n), most, each, meaning=f"header chlorine to {self.name}"),
                Variable(tail, "t/h", np.zeros(n), most, each, meaning=f"tail gas to {self.name}"),
            ),
            flows=flows,
            rows=(total,),
        )


@unit_kind("hypochlorite_unit")
@dataclass(frozen=True)
class HypochloriteUnit(Unit):
    """Production of sodium hypochlorite for sale; not the emergency absorber, which takes nothing in a plan.

    2 NaOH + Cl2 -> NaOCl + NaCl + H2O: 1.128 t NaOH per t Cl2, plus an excess.

    Parameters
    ----------
    name : str
        Name of the unit. [-]
    chlorine_max_t_per_h : float
        Greatest chlorine bound, above 0. [t/h]
    alkali : str
        Commodity of the caustic soda used. [-]
    alkali_excess_percent : float
        Excess of caustic soda; 2 to 5 usual (value from memory). 0 or more. [%]
    gas, product : str
        Commodities taken and delivered. [-]
    """

    name: str
    chlorine_max_t_per_h: float
    alkali: str = "naoh_32"
    alkali_excess_percent: float = 3.0
    gas: str = "chlorine"
    product: str = "hypochlorite"

    availabilities = ("in_service", "chlorine_max_t_per_h")
    settings = ("chlorine",)

    def __post_init__(self) -> None:
        check(
            self,
            chlorine_max_t_per_h=above(0, "t/h"),
            alkali_excess_percent=at_least(0, "%"),
        )

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the chlorine bound (see `Unit.declare`)."""
        on = situation.available(self.name, "in_service", 1, horizon) > 0
        most = situation.available(self.name, "chlorine_max_t_per_h", self.chlorine_max_t_per_h, horizon)
        rate = self.key("chlorine")
        caustic = mass_ratio("NaOH") * (1.0 + self.alkali_excess_percent / 100.0)
        return Declaration(
            variables=(
                Variable(
                    rate,
                    "t/h",
                    np.zeros(len(horizon)),
                    np.where(on, most, 0.0),
                    intervals=np.arange(len(horizon)),
                    meaning=f"chlorine bound in {self.name}",
                ),
            ),
            flows=(
                Flow(self.gas, rate, -1.0),
                Flow(self.alkali, rate, -caustic),
                Flow(self.product, rate, 1.0),
            ),
        )
