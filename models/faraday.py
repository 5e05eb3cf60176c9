"""Faraday's law for chlorine, alkali, hydrogen and salt: mass per charge and energy per tonne.

Owns stoichiometry and its arithmetic. The voltage and the current efficiency are given by the caller.
"""

from typing import Final

import numpy as np

from models.checks import Number
from models.constants import ELECTRONS, FARADAY_C_PER_MOL, MOLAR_MASS_G_PER_MOL

_COULOMB_PER_KAH: Final = 3.6e6
_ALKALI_OF_SALT: Final = {"NaCl": "NaOH", "KCl": "KOH"}


def kg_per_kah(species: str) -> float:
    """Mass produced (a salt: consumed) by one kiloampere-hour in one cell at full current efficiency.

    Parameters
    ----------
    species : str
        "Cl2", "NaOH", "KOH", "H2", "NaCl" or "KCl". [-]

    Returns
    -------
    float
        Mass per charge. [kg/kAh]

    Raises
    ------
    ValueError
        When the species is none of these.

    Notes
    -----
    m = M Q / (z F), Faraday's law of electrolysis.
    """
    if species not in ELECTRONS:
        allowed = ", ".join(repr(name) for name in ELECTRONS)
        raise ValueError(f"'species' must be one of {allowed} (got {species!r})")
    moles = _COULOMB_PER_KAH / (ELECTRONS[species] * FARADAY_C_PER_MOL)
    return moles * MOLAR_MASS_G_PER_MOL[species] / 1000.0


def kah_per_t(species: str) -> float:
    """Charge through one cell that makes one tonne at full current efficiency.

    Parameters
    ----------
    species : str
        As in `kg_per_kah`. [-]

    Returns
    -------
    float
        Charge per mass. [kAh/t]
    """
    return 1000.0 / kg_per_kah(species)


def t_per_h(load_ka: Number, cells_in_series: int, species: str, efficiency: Number | float = 1.0) -> Number:
    """Production rate of a circuit of cells in series.

    Parameters
    ----------
    load_ka : float or ndarray (n,)
        Current through the circuit, 0 or more. [kA]
    cells_in_series : int
        Cells that carry this current one after the other, 0 or more. [-]
    species : str
        As in `kg_per_kah`. [-]
    efficiency : float or ndarray (n,)
        Current efficiency on this species, 0 to 1. [-]

    Returns
    -------
    float or ndarray (n,)
        Mass rate. [t/h]
    """
    return load_ka * efficiency * (cells_in_series * kg_per_kah(species) / 1000.0)


def dc_kwh_per_t(voltage_v: Number, species: str, efficiency: Number | float = 1.0) -> Number:
    """DC energy per tonne of product at a cell voltage; the current itself does not matter.

    Parameters
    ----------
    voltage_v : float or ndarray (n,)
        Voltage of one cell. [V]
    species : str
        As in `kg_per_kah`. [-]
    efficiency : float or ndarray (n,)
        Current efficiency on this species, above 0. [-]

    Returns
    -------
    float or ndarray (n,)
        DC energy per tonne, before rectifier and busbar loss. [kWh/t]

    Raises
    ------
    ValueError
        When the efficiency is not above 0.

    Notes
    -----
    E = U q / CE with q the charge per tonne: kA V h = kWh.
    """
    if not np.all(np.asarray(efficiency) > 0.0):
        raise ValueError(f"'efficiency' must be above 0 [-] (got {efficiency!r})")
    return voltage_v / efficiency * kah_per_t(species)


def mass_ratio(species: str, per: str = "Cl2") -> float:
    """Mass of one species that goes with one mass unit of another at equal charge.

    Parameters
    ----------
    species : str
        Species counted, as in `kg_per_kah`. [-]
    per : str
        Species it is counted per, as in `kg_per_kah`. [-]

    Returns
    -------
    float
        Mass ratio, the same current efficiency applied to both. [t/t]
    """
    return kg_per_kah(species) / kg_per_kah(per)


def alkali_of(salt: str) -> str:
    """Alkali made from a salt.

    Parameters
    ----------
    salt : str
        "NaCl" or "KCl". [-]

    Returns
    -------
    str
        "NaOH" or "KOH". [-]

    Raises
    ------
    ValueError
        When the salt is neither.
    """
    if salt not in _ALKALI_OF_SALT:
        allowed = ", ".join(repr(name) for name in _ALKALI_OF_SALT)
        raise ValueError(f"'salt' must be one of {allowed} (got {salt!r})")
    return _ALKALI_OF_SALT[salt]
