"""Constants against CODATA, the periodic table and enthalpies of formation."""

import periodictable
import pytest
from scipy import constants as codata  # type: ignore[import-untyped]

from models.constants import (
    ELECTRONS,
    FARADAY_C_PER_MOL,
    HYDROGEN_HHV_KWH_PER_KG,
    HYDROGEN_LHV_KWH_PER_KG,
    MOLAR_MASS_G_PER_MOL,
    NORMAL_MOLAR_VOLUME_L_PER_MOL,
)


def test_faraday_constant_is_the_codata_value() -> None:
    """The Faraday constant equals e times N_A as printed by CODATA (scipy.constants)."""
    assert pytest.approx(codata.e * codata.N_A, rel=1e-10) == FARADAY_C_PER_MOL


@pytest.mark.parametrize("formula", sorted(MOLAR_MASS_G_PER_MOL))
def test_molar_masses_follow_the_periodic_table(formula: str) -> None:
    """Every molar mass agrees with the IUPAC weights in the periodictable library."""
    # 1e-4: editions of the table give chlorine as 35.453 or, abridged, 35.45.
    assert MOLAR_MASS_G_PER_MOL[formula] == pytest.approx(periodictable.formula(formula).mass, rel=1e-4)


@pytest.mark.parametrize(("salt", "alkali"), [("NaCl", "NaOH"), ("KCl", "KOH")])
def test_cell_reaction_keeps_mass(salt: str, alkali: str) -> None:
    """2 MCl + 2 H2O -> Cl2 + H2 + 2 MOH balances, with the electron counts used."""
    mass = MOLAR_MASS_G_PER_MOL
    electrons = ELECTRONS["Cl2"]
    assert electrons == ELECTRONS["H2"] == 2 * ELECTRONS[salt] == 2 * ELECTRONS[alkali]
    before = electrons * (mass[salt] + mass["H2O"])
    after = mass["Cl2"] + mass["H2"] + electrons * mass[alkali]
    assert before == pytest.approx(after, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "enthalpy_kj_per_mol"),
    [(HYDROGEN_LHV_KWH_PER_KG, 241.826), (HYDROGEN_HHV_KWH_PER_KG, 285.83)],
)
def test_heating_values_follow_the_enthalpy_of_water(value: float, enthalpy_kj_per_mol: float) -> None:
    """Heating values are the enthalpies of formation of water vapour and liquid water (CODATA Key Values)."""
    kwh_per_kg = enthalpy_kj_per_mol / periodictable.formula("H2").mass / 3.6
    assert value == pytest.approx(kwh_per_kg, rel=5e-4)


def test_normal_volume_is_the_ideal_gas_at_zero_celsius() -> None:
    """22.414 L/mol is R T / p at 273.15 K and 101.325 kPa (CODATA)."""
    litres = codata.R * codata.zero_Celsius / codata.atm * 1000.0
    assert pytest.approx(litres, rel=1e-5) == NORMAL_MOLAR_VOLUME_L_PER_MOL


def test_tables_cannot_be_changed() -> None:
    """The tables are read-only."""
    with pytest.raises(TypeError, match="does not support item assignment"):
        MOLAR_MASS_G_PER_MOL["Cl2"] = 71.0  # type: ignore[index]
