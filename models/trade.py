"""What enters and leaves a works besides power: purchases, outlets, and uses that no plan can change.

Owns their prices and rates. Customers with daily totals and lots stand in `order`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues, above, at_least, check, in_order, one_of
from models.horizon import Array, Horizon
from models.pieces import COST_GROUPS, Cost, Declaration, Flow, Simulation, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind


@unit_kind("purchase")
@dataclass(frozen=True)
class Purchase(Unit):
    """Something bought at a price: steam, alkali.

    Parameters
    ----------
    name : str
        Name of the purchase. [-]
    commodity : str
        What is bought. [-]
    rate_max_per_h : float
        Greatest rate, above 0. [unit of the commodity]
    price : float
        Price per unit (t, kg), 0 or more: a negative price would pay for drawing without end. [currency/unit]
    rate_min_per_h : float
        Least rate, 0 or more. [unit of the commodity]
    group : str
        Cost line, one of `models.pieces.COST_GROUPS`. [-]
    """

    name: str
    commodity: str
    rate_max_per_h: float
    price: float
    rate_min_per_h: float = 0.0
    group: str = "other"

    availabilities = ("in_service", "rate_max_per_h")

    def __post_init__(self) -> None:
        check(
            self,
            rate_max_per_h=above(0),
            rate_min_per_h=at_least(0),
            price=at_least(0),
            group=one_of(*COST_GROUPS),
        )
        in_order(self, "rate_min_per_h", "rate_max_per_h", "unit/h")

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the rate bought and its cost (see `Unit.declare`)."""
        return _trade(self, horizon, situation, self.commodity, 1.0, self.price, self.group)


@unit_kind("outlet")
@dataclass(frozen=True)
class Outlet(Unit):
    """Something that leaves the site for a credit, or at a cost: hydrogen to a neighbour, steam to the works.

    Parameters
    ----------
    name : str
        Name of the outlet. [-]
    commodity : str
        What leaves. [-]
    rate_max_per_h : float
        Greatest rate, above 0. [unit of the commodity]
    credit : float
        Income per unit (t, kg); negative if it costs. [currency/unit]
    rate_min_per_h : float
        Least rate, 0 or more. [unit of the commodity]
    group : str
        Cost line, one of `models.pieces.COST_GROUPS`. [-]
    """

    name: str
    commodity: str
    rate_max_per_h: float
    credit: float = 0.0
    rate_min_per_h: float = 0.0
    group: str = "other"

    availabilities = ("in_service", "rate_max_per_h")

    def __post_init__(self) -> None:
        check(self, rate_max_per_h=above(0), rate_min_per_h=at_least(0), group=one_of(*COST_GROUPS))
        in_order(self, "rate_min_per_h", "rate_max_per_h", "unit/h")

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the rate that leaves and its credit (see `Unit.declare`)."""
        return _trade(self, horizon, situation, self.commodity, -1.0, -self.credit, self.group)


def _trade(
    unit: Purchase | Outlet,
    horizon: Horizon,
    situation: Situation,
    commodity: str,
    sign: float,
    cost: float,
    group: str,
) -> Declaration:
    on = situation.available(unit.name, "in_service", 1, horizon) > 0
    most = situation.available(unit.name, "rate_max_per_h", unit.rate_max_per_h, horizon)
    rate = unit.key("rate")
    verb = "bought by" if sign > 0 else "leaving by"
    variable = Variable(
        rate,
        RATE_UNITS.get(commodity, "t/h"),
        np.where(on, unit.rate_min_per_h, 0.0),
        np.where(on, most, 0.0),
        intervals=np.arange(len(horizon)),
        meaning=f"{commodity} {verb} {unit.name}",
    )
    costs = (Cost(unit.key("cost"), group, rate, cost * horizon.hours),) if cost else ()
    return Declaration(variables=(variable,), flows=(Flow(commodity, rate, sign),), costs=costs)


RATE_UNITS = {"hydrogen": "kg/h"}
"""Units of traded commodities that are not counted in t/h."""


@unit_kind("own_use")
@dataclass(frozen=True)
class OwnUse(Unit):
    """A use the plan cannot change: other load of the site, caustic for neutralisation, steam for heating.

    Parameters
    ----------
    name : str
        Name of the use. [-]
    commodity : str
        What is used. [-]
    rate_per_h : float, optional
        Constant rate, 0 or more; give this or `series`. [unit of the commodity]
    series : str, optional
        Name of a profile with the rate. [-]
    unit : str
        Unit of the rate: 'MW', 'Mvar', 't/h', 'kg/h', 'm3/h'. [-]
    """

    name: str
    commodity: str
    rate_per_h: float | None = None
    series: str | None = None
    unit: str = "t/h"

    def __post_init__(self) -> None:
        check(self, rate_per_h=at_least(0), unit=one_of("MW", "Mvar", "t/h", "kg/h", "m3/h"))
        if (self.rate_per_h is None) == (self.series is None):
            raise InvalidValues([("rate_per_h", "exactly one of 'rate_per_h' and 'series' must be given")])

    def series_needed(self) -> tuple[str, ...]:
        """Return the profile's name, if there is one. [-]."""
        return () if self.series is None else (self.series,)

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return a fixed rate (see `Unit.declare`)."""
        values = self._rate(horizon, situation)
        use = self.key("use")
        return Declaration(
            variables=(
                Variable(
                    use,
                    self.unit,
                    values,
                    values,
                    intervals=np.arange(len(horizon)),
                    meaning=f"{self.commodity} used by {self.name}",
                ),
            ),
            flows=(Flow(self.commodity, use, -1.0),),
        )

    def simulate(self, horizon: Horizon, situation: Situation, setpoints: Mapping[str, Array]) -> Simulation:
        """Return the use itself, whatever the setpoints say (see `Unit.simulate`)."""
        return Simulation({self.commodity: -self._rate(horizon, situation)})

    def _rate(self, horizon: Horizon, situation: Situation) -> Array:
        if self.series is not None:
            return situation.series[self.series].on(horizon)
        return np.full(len(horizon), float(self.rate_per_h or 0.0))
