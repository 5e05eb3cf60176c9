"""Current efficiency of a cell as a function of current density.

Owns the efficiency model. What an efficiency makes of a charge is Faraday's law, elsewhere.
"""

from dataclasses import dataclass

import numpy as np

from models.checks import Number, above, at_least, at_most, check


@dataclass(frozen=True)
class CurrentEfficiency:
    """Share of the current that ends up as product.

    One efficiency holds for chlorine and alkali, by convention of this project: their losses differ (oxygen
    and chlorate on the anode side, back-migration of hydroxide) but by less than they are usually known.
    Hydrogen has its own efficiency, a constant share of the current.

    Parameters
    ----------
    ce0 : float
        Efficiency at high density, above 0, at most 1. [-]
    leakage_ka_per_m2 : float
        Constant density lost to back-migration and leakage, 0 or more. [kA/m2]
    hydrogen : float
        Efficiency on hydrogen, above 0, at most 1. [-]

    Raises
    ------
    InvalidValues
        When a value is outside its range.

    Notes
    -----
    CE(j) = CE0 - c / j, so that the density that makes product, CE j = CE0 j - c, is affine in j. That the
    efficiency falls at low load because the loss current stays about constant: common practice, no source.
    """

    ce0: float
    leakage_ka_per_m2: float = 0.0
    hydrogen: float = 0.995

    def __post_init__(self) -> None:
        """Check the ranges."""
        check(
            self,
            ce0=(above(0), at_most(1)),
            leakage_ka_per_m2=at_least(0, "kA/m2"),
            hydrogen=(above(0), at_most(1)),
        )

    def efficiency(self, density: Number) -> Number:
        """Give the current efficiency on chlorine and alkali.

        Parameters
        ----------
        density : float or ndarray (n,)
            Current density; with leakage above leakage / ce0, where the efficiency is zero. [kA/m2]

        Returns
        -------
        float or ndarray (n,)
            Efficiency. [-]

        Raises
        ------
        ValueError
            When no product is made at a density.
        """
        if self.leakage_ka_per_m2 == 0.0:
            return self.ce0 + 0.0 * density
        lowest, bound = np.min(density, initial=np.inf), self.leakage_ka_per_m2 / self.ce0
        if not lowest > bound:
            raise ValueError(
                f"'density' must be above {bound:g} [kA/m2], below which leakage takes the whole current "
                f"(got {lowest:g})"
            )
        return self.ce0 - self.leakage_ka_per_m2 / density

    def effective_density(self, density: Number) -> Number:
        """Density that makes chlorine and alkali, affine in the density.

        Parameters
        ----------
        density : float or ndarray (n,)
            Current density. [kA/m2]

        Returns
        -------
        float or ndarray (n,)
            ce0 * density - leakage, negative below leakage / ce0: the affine form is for an energised cell,
            a cell without current makes nothing. [kA/m2]
        """
        return self.ce0 * density - self.leakage_ka_per_m2
