"""Typical values of cell technologies, for a plant that has not yet fitted its own.

Owns the defaults and their standing. No model asks for the technology: it is a set of values, replaced by
plant measurements one by one.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from models.cell_voltage import CellVoltage
from models.checks import above, at_least, between, check
from models.current_efficiency import CurrentEfficiency


@dataclass(frozen=True)
class Technology:
    """Typical values of one cell technology.

    Parameters
    ----------
    name : str
        Name in plain words. [-]
    voltage : CellVoltage
        Cell voltage.
    efficiency : CurrentEfficiency
        Current efficiency.
    density_nominal : float
        Nominal current density, above 0. [kA/m2]
    auxiliaries_kwh_per_t : float
        All electricity except the cells, per tonne of chlorine, AC, 0 or more. [kWh/t]
    steam_t_per_t_alkali_to_50 : float
        Steam to bring the alkali to 50 wt%, per dry tonne, 0 or more. [t/t]
    alkali_strength_percent : float
        Strength of the alkali from the cells, 0 to 52. [wt%]
    source : str
        Where the values come from and how sure they are. [-]

    Raises
    ------
    InvalidValues
        When a value is outside its range.
    """

    name: str
    voltage: CellVoltage
    efficiency: CurrentEfficiency
    density_nominal: float
    auxiliaries_kwh_per_t: float
    steam_t_per_t_alkali_to_50: float
    alkali_strength_percent: float
    source: str

    def __post_init__(self) -> None:
        """Check the ranges."""
        check(
            self,
            density_nominal=above(0, "kA/m2"),
            auxiliaries_kwh_per_t=at_least(0, "kWh/t"),
            steam_t_per_t_alkali_to_50=at_least(0, "t/t"),
            alkali_strength_percent=(above(0, "wt%"), between(0, 52, "wt%")),
        )


_STANDING: Final = (
    "Values from memory, medium to low confidence: voltage line and current efficiency within the "
    "ranges of the handbook literature on chlor-alkali technology; auxiliaries as in the IPPC "
    "reference document on chlor-alkali manufacturing of 2001. Replace by plant measurements."
)

_REPORT: Final = "published application report of a valve maker, 2011"
_MEMBRANE_STEAM: Final = (
    "value from memory, below the 'less than one tonne per tonne of caustic soda' of Euro Chlor, "
    "'The membrane cell process'"
)

DEFAULTS: Final[Mapping[str, Technology]] = MappingProxyType(
    {
        "mercury": Technology(
            name="mercury, coated titanium anodes",
            voltage=CellVoltage(intercept_v=3.15, k_v_m2_per_ka=0.095),
            efficiency=CurrentEfficiency(ce0=0.96),
            density_nominal=10.0,
            auxiliaries_kwh_per_t=200.0,
            steam_t_per_t_alkali_to_50=0.0,
            alkali_strength_percent=50.0,
            source=f"{_STANDING} Strength: {_REPORT}. Steam: none needed, value from memory. "
            "The use of mercury cells has a legal end date in most countries.",
        ),
        "membrane_finite_gap": Technology(
            name="membrane, finite gap",
            voltage=CellVoltage(intercept_v=2.42, k_v_m2_per_ka=0.165),
            efficiency=CurrentEfficiency(ce0=0.955),
            density_nominal=4.0,
            auxiliaries_kwh_per_t=140.0,
            steam_t_per_t_alkali_to_50=0.75,
            alkali_strength_percent=32.0,
            source=f"{_STANDING} Strength: {_REPORT}. Steam: {_MEMBRANE_STEAM}.",
        ),
        "membrane_zero_gap": Technology(
            name="membrane, zero gap, bipolar",
            voltage=CellVoltage(intercept_v=2.40, k_v_m2_per_ka=0.105),
            efficiency=CurrentEfficiency(ce0=0.965),
            density_nominal=5.5,
            auxiliaries_kwh_per_t=140.0,
            steam_t_per_t_alkali_to_50=0.75,
            alkali_strength_percent=32.0,
            source=f"{_STANDING} Strength: {_REPORT}. Steam: {_MEMBRANE_STEAM}.",
        ),
    }
)
"""Default values by technology."""
