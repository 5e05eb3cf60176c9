"""Every kind of unit and of contract component that comes with the project.

Importing this module fills the registers `UNIT_KINDS` and `COMPONENT_KINDS`; a kind of your own is
registered by importing the module that holds it.
"""

from models import (
    brine,
    chlorine_products,
    circuit,
    compressor,
    evaporator,
    hydrogen,
    liquefier,
    meter,
    order,
    quality,
    reactive,
    tank,
    trade,
    trips,
)
from models.contract import (
    adders,
    blocks,
    capacity,
    carbon,
    coincident,
    demand,
    fixed,
    imbalance,
    minimum,
    overrun,
    ppa,
    reactive_energy,
    reserve,
    spot,
    take_or_pay,
    tiers,
    time_of_use,
    two_part,
    utilisation,
)
from models.contract.component import COMPONENT_KINDS
from models.unit import UNIT_KINDS

BUILT_IN = (
    brine,
    chlorine_products,
    circuit,
    compressor,
    evaporator,
    hydrogen,
    liquefier,
    meter,
    order,
    quality,
    reactive,
    tank,
    trade,
    trips,
    adders,
    blocks,
    capacity,
    carbon,
    coincident,
    demand,
    fixed,
    imbalance,
    minimum,
    overrun,
    ppa,
    reactive_energy,
    reserve,
    spot,
    take_or_pay,
    tiers,
    time_of_use,
    two_part,
    utilisation,
)
"""Modules that hold them."""

__all__ = ["BUILT_IN", "COMPONENT_KINDS", "UNIT_KINDS"]
