"""What running a room takes besides power: prices and specific uses, with where each value comes from.

Owns the values, their defaults and the standing of each. Arithmetic with them stands in `running_cost`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

from models.checks import InvalidValues, above, at_least, between, check
from models.constants import HYDROGEN_LHV_KWH_PER_KG


@dataclass(frozen=True)
class Default:
    """A value that holds until a plant states its own.

    Parameters
    ----------
    value : float
        The value. [unit]
    unit : str
        Unit of measure. [-]
    source : str
        Where it comes from and how sure it is. [-]
    """

    value: float
    unit: str
    source: str


@dataclass(frozen=True)
class Value:
    """A value in use, with where it comes from.

    Parameters
    ----------
    key : str
        Name of the value, `{what}_{unit}`. [-]
    value : float
        The value. [unit]
    unit : str
        Unit of measure. [-]
    source : str
        Where it comes from. [-]
    is_default : bool
        Whether it is a default of this project and not the plant's own. [-]
    owner : str
        Room it belongs to; empty for a value of the whole site. [-]
    """

    key: str
    value: float
    unit: str
    source: str
    is_default: bool
    owner: str = ""


_MEMORY: Final = "value from memory, low confidence: replace it"
_OWN: Final = "a placeholder of this project, no source: replace it"

PRICE_DEFAULTS: Final[Mapping[str, Default]] = MappingProxyType(
    {
        "steam_price_per_t": Default(30.0, "currency/t", _OWN),
        "salt_nacl_price_per_t": Default(50.0, "currency/t", _OWN),
        "salt_kcl_price_per_t": Default(260.0, "currency/t", _OWN),
        "acid_price_per_t": Default(120.0, "currency/t", f"{_OWN}; as 100 % HCl"),
        "water_price_per_m3": Default(2.0, "currency/m3", f"{_OWN}; demineralised"),
        "mercury_price_per_kg": Default(50.0, "currency/kg", _MEMORY),
        "mercury_waste_price_per_kg": Default(2.0, "currency/kg", f"{_OWN}; treatment and disposal"),
        "membrane_price_per_m2": Default(
            750.0, "currency/m2", "middle of 500 to 1000 EUR/m2, value from memory, low confidence"
        ),
        "coating_price_per_m2": Default(1500.0, "currency/m2", f"{_MEMORY}; anode and cathode together"),
        "carbon_price_per_t": Default(
            0.0, "currency/t", "none counted: state the price of an allowance or tax that the site pays"
        ),
        "carbon_power_t_per_mwh": Default(
            0.0, "t/MWh", "none counted: power prices mostly hold the generators' carbon cost already"
        ),
        "carbon_steam_t_per_t": Default(
            0.20, "t/t", "about 700 kWh of heat per t of steam from natural gas; value from memory"
        ),
        "hydrogen_credit_per_kg": Default(
            HYDROGEN_LHV_KWH_PER_KG * 30.0 / 1000.0,
            "currency/kg",
            "lower heating value, 33.32 kWh/kg, at 30 per MWh of fuel; the fuel price is a placeholder",
        ),
        "hydrogen_used_share": Default(
            0.866,
            "-",
            "86.6 % of the industry's hydrogen used in the EU in 2018: Euro Chlor review 2018-2019",
        ),
    }
)
"""Default of each price. Placeholders carry no currency of their own: they are figures to be replaced."""


@dataclass(frozen=True)
class CostPrices:
    """Prices of what rooms use; the site file's table `[costs]`. What is not stated takes its default.

    Parameters
    ----------
    steam_price_per_t : float, optional
        Cost of a tonne of steam at the evaporator. [currency/t]
    salt_nacl_price_per_t, salt_kcl_price_per_t : float, optional
        Salt with its treatment, where no brine circuit of the site states a price. [currency/t]
    acid_price_per_t : float, optional
        Hydrochloric acid, as 100 % HCl. [currency/t]
    water_price_per_m3 : float, optional
        Demineralised water. [currency/m3]
    mercury_price_per_kg : float, optional
        Mercury to make up losses. [currency/kg]
    mercury_waste_price_per_kg : float, optional
        Treatment and disposal of waste with mercury, per kg of waste. [currency/kg]
    membrane_price_per_m2 : float, optional
        New membranes, with the work to change them. [currency/m2]
    coating_price_per_m2 : float, optional
        New coatings of anodes and cathodes together, per active area of the cell. [currency/m2]
    carbon_price_per_t : float, optional
        Price of a tonne of carbon dioxide. [currency/t]
    carbon_power_t_per_mwh : float, optional
        Carbon dioxide charged per energy drawn, beyond what the power price holds. [t/MWh]
    carbon_steam_t_per_t : float, optional
        Carbon dioxide charged per tonne of steam. [t/t]
    hydrogen_credit_per_kg : float, optional
        What a kilogram of used hydrogen is worth. [currency/kg]
    hydrogen_used_share : float, optional
        Share of the hydrogen that is used, 0 to 1. [-]
    ecu_value_per_t : float, optional
        What a tonne of chlorine with its alkali earns at the margin; no default. [currency/t]
    """

    steam_price_per_t: float | None = None
    salt_nacl_price_per_t: float | None = None
    salt_kcl_price_per_t: float | None = None
    acid_price_per_t: float | None = None
    water_price_per_m3: float | None = None
    mercury_price_per_kg: float | None = None
    mercury_waste_price_per_kg: float | None = None
    membrane_price_per_m2: float | None = None
    coating_price_per_m2: float | None = None
    carbon_price_per_t: float | None = None
    carbon_power_t_per_mwh: float | None = None
    carbon_steam_t_per_t: float | None = None
    hydrogen_credit_per_kg: float | None = None
    hydrogen_used_share: float | None = None
    ecu_value_per_t: float | None = None

    def __post_init__(self) -> None:
        rules: dict[str, Any] = {
            key: at_least(0, default.unit) for key, default in PRICE_DEFAULTS.items() if default.unit != "-"
        }
        check(self, **rules, hydrogen_used_share=between(0, 1), ecu_value_per_t=at_least(0, "currency/t"))

    def resolved(self) -> Mapping[str, Value]:
        """Return every price in use by its key, stated or default. [-]."""
        return _resolved(self, PRICE_DEFAULTS, "site file, [costs]", "")


_NO_MERCURY: Final = "membrane cells hold no mercury"
_MERCURY_LIFE: Final = "middle of 3 to 8 years for anodes in mercury service; value from memory"

_USES_MEMBRANE: Final[Mapping[str, Default]] = MappingProxyType(
    {
        "brine_treatment_per_t_salt": Default(6.0, "currency/t", _OWN),
        "acid_kg_per_t": Default(20.0, "kg/t", _MEMORY),
        "water_m3_per_t": Default(2.0, "m3/t", _MEMORY),
        "mercury_makeup_g_per_t": Default(0.0, "g/t", _NO_MERCURY),
        "mercury_emission_g_per_t": Default(0.0, "g/t", _NO_MERCURY),
        "mercury_control_per_t": Default(0.0, "currency/t", _NO_MERCURY),
        "mercury_waste_kg_per_t": Default(0.0, "kg/t", _NO_MERCURY),
        "membrane_layers": Default(1.0, "m2/m2", "one membrane between anode and cathode"),
        "membrane_life_years": Default(
            4.0, "a", "about 4 years: European reference document of 2014 on chlor-alkali, value from memory"
        ),
        "coating_life_years": Default(8.0, "a", "8 years or more in membrane service; value from memory"),
        "maintenance_per_t": Default(10.0, "currency/t", _OWN),
    }
)

ROOM_DEFAULTS: Final[Mapping[str, Mapping[str, Default]]] = MappingProxyType(
    {
        "mercury": MappingProxyType(
            {
                "brine_treatment_per_t_salt": Default(3.0, "currency/t", _OWN),
                "acid_kg_per_t": Default(10.0, "kg/t", _MEMORY),
                "water_m3_per_t": Default(1.5, "m3/t", _MEMORY),
                "mercury_makeup_g_per_t": Default(8.0, "g/t", _MEMORY),
                "mercury_emission_g_per_t": Default(
                    0.88,
                    "g/t",
                    "mean of Western Europe in 2010, per t of capacity: UNEP/GRID-Arendal, Mercury - Time "
                    "to Act, 2013, p. 33",
                ),
                "mercury_control_per_t": Default(
                    3.0, "currency/t", f"{_OWN}; cleaning of gas and water, monitoring, health checks"
                ),
                "mercury_waste_kg_per_t": Default(0.5, "kg/t", _MEMORY),
                "membrane_layers": Default(0.0, "m2/m2", "mercury cells have no membrane"),
                "membrane_life_years": Default(4.0, "a", "not used: mercury cells have no membrane"),
                "coating_life_years": Default(5.0, "a", _MERCURY_LIFE),
                "maintenance_per_t": Default(
                    15.0,
                    "currency/t",
                    f"{_OWN}; above the membrane room's because membrane cells are easier to maintain "
                    "(common practice, no source)",
                ),
            }
        ),
        "membrane_finite_gap": _USES_MEMBRANE,
        "membrane_zero_gap": _USES_MEMBRANE,
    }
)
"""Default of each specific use of a room, by technology."""


@dataclass(frozen=True)
class Room:
    """Circuits that are counted as one room, and what the room uses; the table `[[room]]`.

    Uses are per tonne of chlorine unless said otherwise. What is not stated takes its technology's default.

    Parameters
    ----------
    name : str
        Name of the room. [-]
    circuits : tuple of str
        Circuits of the room, all of one technology. [-]
    steam_t_per_t_alkali : float, optional
        Steam to bring the room's alkali to 50 wt%, per dry tonne; that of the site's evaporator for this
        alkali, otherwise the technology's, unless given. [t/t]
    brine_treatment_per_t_salt : float, optional
        Part of the salt's price that is treatment. [currency/t]
    acid_kg_per_t : float, optional
        Hydrochloric acid, as 100 % HCl. [kg/t]
    water_m3_per_t : float, optional
        Demineralised water. [m3/t]
    mercury_makeup_g_per_t : float, optional
        Mercury to make up all losses. [g/t]
    mercury_emission_g_per_t : float, optional
        Mercury emitted; a quantity that is reported, its cost is that of its control. [g/t]
    mercury_control_per_t : float, optional
        Cleaning of gas and water, monitoring, health checks. [currency/t]
    mercury_waste_kg_per_t : float, optional
        Waste with mercury. [kg/t]
    membrane_layers : float, optional
        Membrane area per active area; 0 for cells without membranes. [m2/m2]
    membrane_life_years, coating_life_years : float, optional
        Life of membranes and of coatings, above 0. [a]
    maintenance_per_t : float, optional
        Maintenance besides membranes and coatings. [currency/t]
    """

    name: str
    circuits: tuple[str, ...]
    steam_t_per_t_alkali: float | None = None
    brine_treatment_per_t_salt: float | None = None
    acid_kg_per_t: float | None = None
    water_m3_per_t: float | None = None
    mercury_makeup_g_per_t: float | None = None
    mercury_emission_g_per_t: float | None = None
    mercury_control_per_t: float | None = None
    mercury_waste_kg_per_t: float | None = None
    membrane_layers: float | None = None
    membrane_life_years: float | None = None
    coating_life_years: float | None = None
    maintenance_per_t: float | None = None

    def __post_init__(self) -> None:
        rules: dict[str, Any] = {
            key: above(0, default.unit) if key.endswith("_life_years") else at_least(0, default.unit)
            for key, default in _USES_MEMBRANE.items()
        }
        check(self, **rules, steam_t_per_t_alkali=at_least(0, "t/t"))
        if not self.circuits:
            raise InvalidValues([("circuits", "'circuits' must name at least one circuit (got none)")])

    def resolved(self, technology: str) -> Mapping[str, Value]:
        """Return every use in use by its key, stated or default.

        Parameters
        ----------
        technology : str
            Technology of the room's circuits, a key of `ROOM_DEFAULTS`. [-]

        Returns
        -------
        mapping
            Values by key. [-]
        """
        return _resolved(self, ROOM_DEFAULTS[technology], f"site file, [[room]] '{self.name}'", self.name)


def _resolved(record: Any, defaults: Mapping[str, Default], where: str, owner: str) -> Mapping[str, Value]:
    names = {field.name for field in dataclasses.fields(record)}
    missing = set(defaults) - names
    if missing:
        raise TypeError(f"{type(record).__name__} has no field {', '.join(sorted(missing))}")
    values = {}
    for key, default in defaults.items():
        stated = getattr(record, key)
        if stated is None:
            values[key] = Value(key, default.value, default.unit, f"default: {default.source}", True, owner)
        else:
            values[key] = Value(key, float(stated), default.unit, f"{where}: {key}", False, owner)
    return MappingProxyType(values)
