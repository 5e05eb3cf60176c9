"""Hydrogen as fuel: the boiler that makes steam of it.

Owns the heat of hydrogen and the steam it gives. Customers of hydrogen are `trade.Outlet`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import above, at_least, between, check, in_order
from models.constants import HYDROGEN_LHV_KWH_PER_KG
from models.horizon import Horizon
from models.pieces import Declaration, Flow, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind


@unit_kind("hydrogen_boiler")
@dataclass(frozen=True)
class HydrogenBoiler(Unit):
    """A boiler that turns hydrogen into steam.

    Parameters
    ----------
    name : str
        Name of the boiler. [-]
    hydrogen_max_kg_per_h : float
        Greatest hydrogen burnt, above 0. [kg/h]
    hydrogen_min_kg_per_h : float
        Least hydrogen burnt in service, 0 or more. [kg/h]
    efficiency : float
        Boiler efficiency on the lower heating value, 0 to 1. [-]
    steam_kwh_per_t : float
        Heat to make a tonne of steam from feed water; about 700 (value from memory). Above 0. [kWh/t]
    """

    name: str
    hydrogen_max_kg_per_h: float
    hydrogen_min_kg_per_h: float = 0.0
    efficiency: float = 0.90
    steam_kwh_per_t: float = 700.0

    availabilities = ("in_service", "hydrogen_max_kg_per_h")

    def __post_init__(self) -> None:
        check(
            self,
            hydrogen_max_kg_per_h=above(0, "kg/h"),
            hydrogen_min_kg_per_h=at_least(0, "kg/h"),
            efficiency=between(0, 1),
            steam_kwh_per_t=above(0, "kWh/t"),
        )
        in_order(self, "hydrogen_min_kg_per_h", "hydrogen_max_kg_per_h", "kg/h")

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return hydrogen burnt and steam made (see `Unit.declare`)."""
        on = situation.available(self.name, "in_service", 1, horizon) > 0
        most = situation.available(self.name, "hydrogen_max_kg_per_h", self.hydrogen_max_kg_per_h, horizon)
        fuel = self.key("hydrogen")
        steam = HYDROGEN_LHV_KWH_PER_KG * self.efficiency / self.steam_kwh_per_t
        return Declaration(
            variables=(
                Variable(
                    fuel,
                    "kg/h",
                    np.where(on, self.hydrogen_min_kg_per_h, 0.0),
                    np.where(on, most, 0.0),
                    intervals=np.arange(len(horizon)),
                    meaning=f"hydrogen burnt in {self.name}",
                ),
            ),
            flows=(Flow("hydrogen", fuel, -1.0), Flow("steam", fuel, steam)),
        )
