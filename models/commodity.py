"""Commodities: what flows on the site's buses, and in which unit.

Owns the list of the trade's usual commodities; a site file may add its own products.
"""

from __future__ import annotations

from dataclasses import dataclass

STOCK_UNIT_OF = {"t/h": "t", "kg/h": "kg", "m3/h": "m3", "MW": "MWh", "Mvar": "Mvarh"}
"""Unit of a stock for each unit of a flow."""


@dataclass(frozen=True)
class Commodity:
    """A thing that flows between units.

    Parameters
    ----------
    name : str
        Name used in site files, lower case with underscores. [-]
    unit : str
        Unit of its flow: 't/h', 'kg/h', 'm3/h', 'MW' or 'Mvar'. [-]
    meaning : str
        What it is, in words. [-]
    """

    name: str
    unit: str = "t/h"
    meaning: str = ""

    def __post_init__(self) -> None:
        if self.unit not in STOCK_UNIT_OF:
            allowed = ", ".join(STOCK_UNIT_OF)
            raise ValueError(
                f"'unit' of commodity '{self.name}' must be one of {allowed} (got {self.unit!r})"
            )


STANDARD = (
    Commodity("power", "MW", "electric power on the site's bars"),
    Commodity("reactive", "Mvar", "reactive power of the fundamental, lagging positive when supplied"),
    Commodity("chlorine_wet", "t/h", "chlorine gas from the cells, before drying and compression, as Cl2"),
    Commodity("chlorine", "t/h", "dry chlorine gas in the pressure header, as Cl2"),
    Commodity("chlorine_liquid", "t/h", "liquid chlorine, as Cl2"),
    Commodity("chlorine_loaded", "t/h", "liquid chlorine standing loaded on site until it leaves, as Cl2"),
    Commodity("tail_gas", "t/h", "chlorine in the tail gas of liquefaction, as Cl2"),
    Commodity("naoh_32", "t/h", "caustic soda of 32 wt%, as dry NaOH"),
    Commodity("naoh_50", "t/h", "caustic soda of 50 wt%, as dry NaOH"),
    Commodity("koh_32", "t/h", "caustic potash of 32 wt%, as dry KOH"),
    Commodity("koh_50", "t/h", "caustic potash of 50 wt%, as dry KOH"),
    Commodity("hydrogen", "kg/h", "hydrogen from the cathodes or decomposers"),
    Commodity("steam", "t/h", "steam"),
    Commodity("hydrochloric_acid", "t/h", "hydrochloric acid, as HCl"),
    Commodity("hypochlorite", "t/h", "sodium hypochlorite, as the chlorine bound in it"),
    Commodity("brine_mercury", "t/h", "salt in the brine circuit of the mercury cells, as NaCl"),
    Commodity("brine_membrane", "t/h", "salt in the brine circuit of the membrane cells, as NaCl"),
    Commodity("brine_potash", "t/h", "salt in the potassium chloride brine circuit, as KCl"),
)
"""Commodities known without a line in the site file."""
