"""Physical constants of chlor-alkali electrolysis, each with its source.

Owns numbers of nature only. Values that belong to a plant or a technology are elsewhere.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

# F = e * N_A, exact by definition since the SI revision of 2019; CODATA 2018 prints 96485.33212 C/mol.
FARADAY_C_PER_MOL: Final = 96485.33212
"""Faraday constant. [C/mol]"""

# IUPAC standard atomic weights: abridged values of 2021 (Prohaska et al., Pure Appl. Chem. 2022, 94, 573);
# chlorine 35.453(2) of 2007, the value of most tables, inside today's interval 35.446 to 35.457. [g/mol]
_H, _O, _NA, _CL, _K = 1.008, 15.999, 22.98976928, 35.453, 39.0983

MOLAR_MASS_G_PER_MOL: Final[Mapping[str, float]] = MappingProxyType(
    {
        "Cl2": 2 * _CL,
        "NaOH": _NA + _O + _H,
        "KOH": _K + _O + _H,
        "H2": 2 * _H,
        "NaCl": _NA + _CL,
        "KCl": _K + _CL,
        "H2O": 2 * _H + _O,
        "HCl": _H + _CL,
        "NaOCl": _NA + _O + _CL,
    }
)
"""Molar mass by formula, the sum of standard atomic weights. [g/mol]"""

# 2 NaCl + 2 H2O -> Cl2 + H2 + 2 NaOH with two electrons: one per alkali and per salt, two per gas molecule.
ELECTRONS: Final[Mapping[str, int]] = MappingProxyType(
    {"Cl2": 2, "NaOH": 1, "KOH": 1, "H2": 2, "NaCl": 1, "KCl": 1}
)
"""Electrons passed per formula unit produced (for a salt: consumed). [-]"""

# Lower heating value 119.96 MJ/kg = 33.32 kWh/kg at 25 C; higher 141.8 MJ/kg = 39.4 kWh/kg. Both follow from
# the enthalpies of formation of water vapour, -241.83, and liquid water, -285.83 kJ/mol (NIST Chemistry
# WebBook, after Cox, Wagman and Medvedev, CODATA Key Values 1984 and Chase 1998), over 2.016 g/mol.
HYDROGEN_LHV_KWH_PER_KG: Final = 33.32
"""Lower heating value of hydrogen. [kWh/kg]"""
HYDROGEN_HHV_KWH_PER_KG: Final = 39.4
"""Higher heating value of hydrogen. [kWh/kg]"""

# Ideal gas at 0 C and 101.325 kPa: R T / p = 22.41396 L/mol (CODATA 2018), rounded as in common use.
NORMAL_MOLAR_VOLUME_L_PER_MOL: Final = 22.414
"""Volume of one mole of gas at 0 C and 101.325 kPa (Nm3). [L/mol]"""
