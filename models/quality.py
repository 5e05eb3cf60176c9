"""What products carry beside themselves, and limits on it in the mixed stream.

Owns the law by which an impurity depends on the load of the cells, and the unit that limits it in a product.
How much hydrogen liquefaction bears stands in `tail_gas` and `liquefier`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import above, between, check, one_of
from models.horizon import Array, Horizon
from models.pieces import Blend, Declaration
from models.situation import Situation
from models.unit import Unit, unit_kind

HYDROGEN = "hydrogen"
"""Hydrogen in chlorine. [vol% of the chlorine]"""
CHLORIDE = "chloride"
"""Chloride in alkali, as sodium chloride. [ppm of the dry alkali]"""
UNITS = {HYDROGEN: "%", CHLORIDE: "ppm"}
"""Unit of each concentration."""
UNIT_WORDS = {HYDROGEN: "percent", CHLORIDE: "ppm"}
"""The same as it stands in names."""


@dataclass(frozen=True)
class Impurity:
    """An impurity of which a part comes from the cells at a steady rate, whatever the load.

    What is carried in a rate of production P is nominal * ((1 - s) P + s Pn), with Pn the production at
    the greatest density: affine in the load. So its concentration nominal * (1 - s + s Pn / P) rises as the
    load falls.

    Parameters
    ----------
    nominal : float
        Concentration at the greatest density, above 0. [% or ppm]
    steady_share : float
        Share s that does not fall with the load, 0 to 1. [-]
    """

    nominal: float
    steady_share: float = 1.0

    def __post_init__(self) -> None:
        check(self, nominal=above(0), steady_share=between(0, 1))

    def carried(self, production: Array, at_most: Array) -> Array:
        """Return what a production carries.

        Parameters
        ----------
        production, at_most : ndarray
            Production, and production at the greatest density. Each shape (n,). [t/h]

        Returns
        -------
        ndarray
            Concentration times production. Shape (n,). [% t/h or ppm t/h]
        """
        carried: Array = self.nominal * ((1.0 - self.steady_share) * production + self.steady_share * at_most)
        return carried

    def least_share(self, greatest: float) -> float:
        """Return the least production, as a share of that at the greatest density, that keeps a limit.

        From nominal * (1 - s + s / x) <= greatest follows x >= s nominal / (greatest - nominal (1 - s)).

        Parameters
        ----------
        greatest : float
            Greatest concentration, at least the nominal one. [% or ppm]

        Returns
        -------
        float
            Share, 0 to 1. [-]
        """
        return self.steady_share * self.nominal / (greatest - self.nominal * (1.0 - self.steady_share))


@unit_kind("quality_limit")
@dataclass(frozen=True)
class QualityLimit(Unit):
    """A greatest concentration in a product as it comes from all cells that make it, in every interval.

    Chloride in caustic goes as one over the current density, so a limit on it holds the load up. A tank
    evens out what an hour brings; the limit is on the safe side of that.

    Parameters
    ----------
    name : str
        Name of the limit. [-]
    commodity : str
        Product, as the cells make it. [-]
    substance : str
        'hydrogen' or 'chloride'. [-]
    most : float
        Greatest concentration: vol% of the chlorine, or ppm of the dry alkali as NaCl. Above 0. [% or ppm]
    """

    name: str
    commodity: str
    substance: str
    most: float

    def __post_init__(self) -> None:
        check(self, substance=one_of(*UNITS), most=above(0))

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the limit (see `Unit.declare`)."""
        return Declaration(
            blends=(
                Blend(
                    self.key("mixed"),
                    self.name,
                    self.substance,
                    self.commodity,
                    UNITS[self.substance],
                    f"{self.substance}_{UNIT_WORDS[self.substance]}",
                    np.full(len(horizon), self.most),
                    meaning=f"{self.substance} in the {self.commodity} that is made",
                ),
            )
        )
