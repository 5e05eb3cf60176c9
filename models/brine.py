"""Brine circuits: the salt a plan takes, and the flow that limits the load.

Owns depletion, salt cost and pumping. Sodium and potassium brine, and mercury and membrane brine, never mix.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import above, at_least, check
from models.horizon import Horizon
from models.pieces import Cost, Declaration, Flow, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind


@unit_kind("brine_circuit")
@dataclass(frozen=True)
class BrineCircuit(Unit):
    """A brine circuit: saturation, purification and its pumps. Each salt and each kind of cell has its own.

    Parameters
    ----------
    name : str
        Name of the circuit. [-]
    salt : str
        Commodity of the salt it carries, one of the brine commodities. [-]
    flow_max_m3_per_h : float
        Greatest brine flow to the cells, above 0. [m3/h]
    depletion_g_per_l : float
        Salt taken from a litre in the cells: 35 to 40 mercury, about 95 membrane (values from memory). [g/l]
    price_per_t : float
        Cost of a tonne of salt with its treatment, 0 or more. [currency/t]
    kwh_per_m3 : float
        Pumping energy, 0 or more. [kWh/m3]
    """

    name: str
    salt: str
    flow_max_m3_per_h: float
    depletion_g_per_l: float
    price_per_t: float = 0.0
    kwh_per_m3: float = 0.0

    availabilities = ("flow_max_m3_per_h",)

    def __post_init__(self) -> None:
        check(
            self,
            flow_max_m3_per_h=above(0, "m3/h"),
            depletion_g_per_l=above(0, "g/l"),
            price_per_t=at_least(0, "currency/t"),
            kwh_per_m3=at_least(0, "kWh/m3"),
        )

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the brine flow with its salt, cost and pumping (see `Unit.declare`)."""
        most = situation.available(self.name, "flow_max_m3_per_h", self.flow_max_m3_per_h, horizon)
        flow = self.key("flow")
        salt = self.depletion_g_per_l / 1000.0
        price = self.price_per_t * salt * horizon.hours
        return Declaration(
            variables=(
                Variable(
                    flow,
                    "m3/h",
                    np.zeros(len(horizon)),
                    most,
                    intervals=np.arange(len(horizon)),
                    meaning=f"brine flow of {self.name}",
                ),
            ),
            flows=(Flow(self.salt, flow, salt), Flow("power", flow, -self.kwh_per_m3 / 1000.0)),
            costs=(Cost(self.key("salt_cost"), "materials", flow, price),) if self.price_per_t else (),
        )
