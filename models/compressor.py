"""Chlorine compressors: from the cells' wet gas to the dry pressure header, with recycle below surge.

Owns the recycle floor of power. Which machines run is a calendar fact, never a decision.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from models.checks import above, at_least, between, check
from models.horizon import Array, Horizon, Integers
from models.pieces import Curve, Declaration, Entry, Flow, Limit, Rows, Simulation, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind


@unit_kind("compressor")
@dataclass(frozen=True)
class Compressor(Unit):
    """Centrifugal chlorine compressors in parallel, with the drying train before them.

    Power follows the flow through the machines; below the surge flow they recycle and power stays flat:
    P = e * max(flow, surge share * capacity * machines running).

    Parameters
    ----------
    name : str
        Name of the station. [-]
    machines : int
        Machines installed and running, 1 or more; availability 'machines' says when fewer run. [-]
    capacity_t_per_h : float
        Chlorine through one machine at most, above 0. [t/h]
    surge_share : float
        Least flow through a machine as a share of its capacity; 0.65 to 0.70 for centrifugal machines
        (value from memory). 0 to 1. [-]
    kwh_per_t : float
        Energy per tonne through the machines, 0 or more. [kWh/t]
    step_t_per_h : float, optional
        Greatest change of the site's chlorine within `step_minutes`: the header holds minutes only. No
        limit if not stated. [t/h]
    step_minutes : float
        Time over which that change is limited, above 0. [min]
    inlet, outlet : str
        Commodities taken and delivered. [-]
    """

    name: str
    machines: int
    capacity_t_per_h: float
    surge_share: float = 0.68
    kwh_per_t: float = 30.0
    step_t_per_h: float | None = None
    step_minutes: float = 15.0
    inlet: str = "chlorine_wet"
    outlet: str = "chlorine"

    availabilities = ("machines",)

    def __post_init__(self) -> None:
        check(
            self,
            machines=at_least(1),
            capacity_t_per_h=above(0, "t/h"),
            surge_share=between(0, 1),
            kwh_per_t=at_least(0, "kWh/t"),
            step_t_per_h=above(0, "t/h"),
            step_minutes=above(0, "min"),
        )

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return throughput and the power curve with its recycle floor (see `Unit.declare`)."""
        running = situation.available(self.name, "machines", self.machines, horizon)
        capacity = running * self.capacity_t_per_h
        floor = self.surge_share * capacity
        flow, power = self.key("flow"), self.key("power")
        energy = self.kwh_per_t / 1000.0

        def value(x: Array, t: Integers) -> Array:
            return energy * np.maximum(x, floor[t])

        def slope(x: Array, t: Integers) -> Array:
            return np.where(x > floor[t], energy, 0.0)

        return Declaration(
            variables=(
                Variable(
                    flow,
                    "t/h",
                    np.zeros(len(horizon)),
                    capacity,
                    intervals=np.arange(len(horizon)),
                    meaning=f"chlorine through {self.name}",
                ),
            ),
            rows=self._step(horizon, flow, capacity),
            curves=(Curve(power, "MW", flow, value, slope, meaning=f"power of {self.name}"),),
            flows=(
                Flow(self.inlet, flow, -1.0),
                Flow(self.outlet, flow, 1.0),
                Flow("power", power, -1.0),
            ),
        )

    def _step(self, horizon: Horizon, flow: str, capacity: Array) -> tuple[Rows, ...]:
        """Return the limit on the change of the site's chlorine, where the machines stay the same."""
        if self.step_t_per_h is None:
            return ()
        earlier, later = horizon.pairs_within(self.step_minutes)
        same = capacity[earlier] == capacity[later]
        earlier, later = earlier[same], later[same]
        rows, ones = np.arange(len(later)), np.ones(len(later))
        return (
            Rows(
                self.key("step"),
                "t/h",
                (Entry(flow, rows, later, ones), Entry(flow, rows, earlier, -ones)),
                -self.step_t_per_h * ones,
                self.step_t_per_h * ones,
                intervals=later,
                movement=True,
                meaning=f"change of the site's chlorine within {self.step_minutes:g} min",
            ),
        )

    def simulate(self, horizon: Horizon, situation: Situation, setpoints: Mapping[str, Array]) -> Simulation:
        """Return flows and recycle at a given throughput (see `Unit.simulate`)."""
        flow = setpoints[self.key("flow")]
        running = situation.available(self.name, "machines", self.machines, horizon)
        recycle = np.maximum(running * self.capacity_t_per_h * self.surge_share - flow, 0.0)
        power = self.kwh_per_t * (flow + recycle) / 1000.0
        limits = (Limit(f"flow through {self.name}", "t/h", flow, 0.0, running * self.capacity_t_per_h),)
        flows = {self.inlet: -flow, self.outlet: flow, "power": -power}
        return Simulation(flows, limits, {"recycle_t_per_h": recycle})
