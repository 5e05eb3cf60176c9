"""Alkali evaporation: from cell strength to sales strength, with steam.

Owns the load range and the steam of an evaporator. Strength and density stand in `alkali_density`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import above, at_least, check, in_order
from models.horizon import Horizon
from models.pieces import Declaration, Flow, Moves, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind


@unit_kind("evaporator")
@dataclass(frozen=True)
class Evaporator(Unit):
    """A multiple-effect evaporator; no hourly stops, starting and stopping are calendar facts.

    Parameters
    ----------
    name : str
        Name of the evaporator. [-]
    weak, strong : str
        Commodities taken and delivered, both as dry alkali. [-]
    rate_min_t_per_h, rate_max_t_per_h : float
        Range of dry alkali in service; the least is 40 to 50 % of the greatest (value from memory). [t/h]
    steam_t_per_t : float
        Steam per dry tonne, 0 or more. [t/t]
    steam_fixed_t_per_h : float
        Steam in service whatever the rate (radiation, ejectors), 0 or more. [t/h]
    kwh_per_t : float
        Electric energy per dry tonne, 0 or more. [kWh/t]
    """

    name: str
    weak: str
    strong: str
    rate_min_t_per_h: float
    rate_max_t_per_h: float
    steam_t_per_t: float
    steam_fixed_t_per_h: float = 0.0
    kwh_per_t: float = 0.0

    availabilities = ("in_service", "rate_max_t_per_h")
    settings = ("rate",)

    def __post_init__(self) -> None:
        check(
            self,
            rate_min_t_per_h=at_least(0, "t/h"),
            rate_max_t_per_h=above(0, "t/h"),
            steam_t_per_t=at_least(0, "t/t"),
            steam_fixed_t_per_h=at_least(0, "t/h"),
            kwh_per_t=at_least(0, "kWh/t"),
        )
        in_order(self, "rate_min_t_per_h", "rate_max_t_per_h", "t/h")

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the rate with its steam and power (see `Unit.declare`)."""
        on = situation.available(self.name, "in_service", 1, horizon) > 0
        most = situation.available(self.name, "rate_max_t_per_h", self.rate_max_t_per_h, horizon)
        rate = self.key("rate")
        return Declaration(
            variables=(
                Variable(
                    rate,
                    "t/h",
                    np.where(on, self.rate_min_t_per_h, 0.0),
                    np.where(on, most, 0.0),
                    intervals=np.arange(len(horizon)),
                    meaning=f"dry alkali through {self.name}",
                ),
            ),
            moves=(Moves(self.key("moves"), rate, np.ones(len(horizon), dtype=bool)),),
            flows=(
                Flow(self.weak, rate, -1.0),
                Flow(self.strong, rate, 1.0),
                Flow("steam", rate, -self.steam_t_per_t, np.where(on, -self.steam_fixed_t_per_h, 0.0)),
                Flow("power", rate, -self.kwh_per_t / 1000.0),
            ),
        )
