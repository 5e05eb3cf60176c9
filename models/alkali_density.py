"""Density of caustic soda and caustic potash solutions, and what follows from it for tanks.

Owns the conversion between the volume in a tank, its strength and temperature, and dry tonnes. The rate at
which an evaporator removes water is its own module's.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np

from models.checks import Number


@dataclass(frozen=True)
class DensityFit:
    """Coefficients of the density model for one solute, with the range in which they hold.

    Parameters
    ----------
    c0, c1, c2, c3, c4 : float
        Coefficients of the model. [kg/m3, kg/m3, -, 1/C, C]
    mass_percent_max : float
        Highest strength. [wt%]
    temperature_min_c, temperature_max_c : float
        Lowest and highest temperature. [C]
    """

    c0: float
    c1: float
    c2: float
    c3: float
    c4: float
    mass_percent_max: float
    temperature_min_c: float
    temperature_max_c: float


FITS: Final[Mapping[str, DensityFit]] = MappingProxyType(
    {
        # Laliberte and Cooper, J. Chem. Eng. Data 2004, 49, 1141; coefficients from memory. Kept because they
        # meet the handbook tables at 24 to 50 wt% within 0.3 % from 20 to 80 C (0.73 % at 100 C), where the
        # revised set of Laliberte, J. Chem. Eng. Data 2009, 54, 1725 is off by up to 1.6 %.
        "NaOH": DensityFit(385.55, 753.47, -0.10938, 0.0006953, 542.88, 52.0, 15.0, 100.0),
        # Laliberte, J. Chem. Eng. Data 2009, 54, 1725, supporting data, as stored in an open-source property
        # library; range 4 to 95 C and up to 51.86 wt%, narrowed here to that of the other solute.
        "KOH": DensityFit(
            821.119043254761,
            1043.20173374381,
            0.112873330222752,
            0.00124023636407386,
            539.630388368877,
            51.8,
            15.0,
            95.0,
        ),
    }
)
"""Density fit by species."""


def water_density_kg_per_m3(temperature_c: float) -> float:
    """Density of air-free water at atmospheric pressure.

    Parameters
    ----------
    temperature_c : float
        Temperature, 0 to 100. [C]

    Returns
    -------
    float
        Density. [kg/m3]

    References
    ----------
    Kell, J. Chem. Eng. Data 1975, 20, 97, the water equation used by Laliberte and Cooper.
    """
    t = temperature_c
    numerator = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - t * 280.54253e-12)))
    )
    return numerator / (1.0 + 16.879850e-3 * t)


def density_kg_per_m3(species: str, mass_percent: Number, temperature_c: float) -> Number:
    """Density of an alkali solution.

    Parameters
    ----------
    species : str
        "NaOH" or "KOH". [-]
    mass_percent : float or ndarray (n,)
        Strength, 0 to 52 for NaOH and 0 to 51.8 for KOH. [wt%]
    temperature_c : float
        Temperature, 15 to 100 for NaOH and 15 to 95 for KOH; the solution must be liquid, which 50 wt% NaOH
        is not below about 12 to 14 C (value from memory). [C]

    Returns
    -------
    float or ndarray (n,)
        Density. [kg/m3]

    Raises
    ------
    ValueError
        When the species, a strength or the temperature is outside the range.

    Notes
    -----
    1 / rho = (1 - w) / rho_water + w v,  v = (w + c2 + c3 t) / ((c0 w + c1) exp(1e-6 (t + c4)^2)).

    Against handbook tables the NaOH density is within 0.3 % from 20 to 80 C and 0.73 % up to 100 C. The KOH
    density lies up to 0.66 % above the table of the CRC Handbook at 20 C and 0.34 % below the 1.456 g/mL
    commonly printed for 45 wt% at 25 C: published values themselves differ by about 1 %. Salt and chlorate in
    the liquor are not counted.

    References
    ----------
    Laliberte and Cooper, J. Chem. Eng. Data 2004, 49, 1141 (model, NaOH); Laliberte, J. Chem. Eng. Data 2009,
    54, 1725 (KOH).
    """
    if species not in FITS:
        allowed = ", ".join(repr(name) for name in FITS)
        raise ValueError(f"'species' must be one of {allowed} (got {species!r})")
    fit = FITS[species]
    strengths = np.asarray(mass_percent, dtype=np.float64)
    problems = []
    within = (strengths >= 0.0) & (strengths <= fit.mass_percent_max)
    if not np.all(within):
        problems.append(
            f"'mass_percent' must be between 0 and {fit.mass_percent_max:g} [wt%] "
            f"for {species} (got {strengths[~within].flat[0]:g})"
        )
    if not fit.temperature_min_c <= temperature_c <= fit.temperature_max_c:
        problems.append(
            f"'temperature_c' must be between {fit.temperature_min_c:g} and {fit.temperature_max_c:g} [C] "
            f"for {species} (got {temperature_c:g})"
        )
    if problems:
        raise ValueError("; ".join(problems))
    w = mass_percent / 100.0
    scale = math.exp(1e-6 * (temperature_c + fit.c4) ** 2)
    specific_volume = (w + (fit.c2 + fit.c3 * temperature_c)) / ((fit.c0 * w + fit.c1) * scale)
    return 1.0 / ((1.0 - w) / water_density_kg_per_m3(temperature_c) + w * specific_volume)


def dry_tonnes(volume_m3: Number, species: str, mass_percent: float, temperature_c: float) -> Number:
    """Dry alkali in a volume of solution.

    Parameters
    ----------
    volume_m3 : float or ndarray (n,)
        Volume at the temperature, 0 or more. [m3]
    species : str
        "NaOH" or "KOH". [-]
    mass_percent : float
        Strength, range as in `density_kg_per_m3`. [wt%]
    temperature_c : float
        Temperature, range as in `density_kg_per_m3`. [C]

    Returns
    -------
    float or ndarray (n,)
        Dry alkali. [t]

    Raises
    ------
    ValueError
        When the species, the strength or the temperature is outside its range.
    """
    return volume_m3 * (density_kg_per_m3(species, mass_percent, temperature_c) * mass_percent / 1e5)


def volume_m3(dry_t: Number, species: str, mass_percent: float, temperature_c: float) -> Number:
    """Volume of solution that holds a mass of dry alkali: the inverse of `dry_tonnes`.

    Parameters
    ----------
    dry_t : float or ndarray (n,)
        Dry alkali, 0 or more. [t]
    species : str
        "NaOH" or "KOH". [-]
    mass_percent : float
        Strength, above 0, else as in `density_kg_per_m3`. [wt%]
    temperature_c : float
        Temperature, range as in `density_kg_per_m3`. [C]

    Returns
    -------
    float or ndarray (n,)
        Volume at the temperature. [m3]

    Raises
    ------
    ValueError
        When the species, the strength or the temperature is outside its range.
    """
    density = density_kg_per_m3(species, mass_percent, temperature_c)
    if mass_percent == 0.0:
        raise ValueError("'mass_percent' must be above 0 [wt%] (got 0)")
    return dry_t / (density * mass_percent / 1e5)


def dip_volume_m3(level_percent: Number, capacity_m3: float) -> Number:
    """Volume in a tank of constant cross-section from its level.

    Parameters
    ----------
    level_percent : float or ndarray (n,)
        Level, 0 to 100. [%]
    capacity_m3 : float
        Volume at a level of 100 %, above 0. [m3]

    Returns
    -------
    float or ndarray (n,)
        Volume. [m3]

    Raises
    ------
    ValueError
        When a level or the capacity is outside its range.
    """
    levels = np.asarray(level_percent, dtype=np.float64)
    within = (levels >= 0.0) & (levels <= 100.0)
    problems = []
    if not np.all(within):
        problems.append(f"'level_percent' must be between 0 and 100 [%] (got {levels[~within].flat[0]:g})")
    if not (capacity_m3 > 0.0 and math.isfinite(capacity_m3)):
        problems.append(f"'capacity_m3' must be above 0 [m3] (got {capacity_m3:g})")
    if problems:
        raise ValueError("; ".join(problems))
    return level_percent * (capacity_m3 / 100.0)


def water_removed_t_per_t(from_percent: float, to_percent: float) -> float:
    """Water to evaporate when a solution free of salt is concentrated, per tonne of dry alkali.

    Parameters
    ----------
    from_percent : float
        Strength before, above 0. [wt%]
    to_percent : float
        Strength after, at least `from_percent`, at most 100. [wt%]

    Returns
    -------
    float
        Water removed per dry alkali. [t/t]

    Raises
    ------
    ValueError
        When the strengths are not in this order.
    """
    if not 0.0 < from_percent <= to_percent <= 100.0:
        raise ValueError(
            "'from_percent' must be above 0 and 'to_percent' between it and 100 [wt%] "
            f"(got {from_percent:g} and {to_percent:g})"
        )
    return 100.0 / from_percent - 100.0 / to_percent
