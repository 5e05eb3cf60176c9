"""Running cost of a room over a planned period, item by item, per tonne on an equal sales basis.

Owns the items and their formulas: every amount is a quantity times a price, and says where both come from.
The loads come from a plan, the laws from the circuit, the prices from `cost_values`. All alkali is counted
as delivered at 50 wt%, so that rooms can be compared. Chlorine is counted as gas from the cells:
compression and liquefaction are the same for every room and are left out. Capital is in `conversion`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np

from models.brine import BrineCircuit
from models.circuit import Circuit
from models.cost_values import Room, Value
from models.evaporator import Evaporator
from models.faraday import alkali_of, mass_ratio
from models.horizon import Array, Horizon
from models.situation import Situation
from models.technology import DEFAULTS
from models.unit import Unit

HOURS_PER_YEAR: Final = 8760.0
"""Hours of a common year. [h]"""


@dataclass(frozen=True, eq=False)
class PricedPeriod:
    """A planned period: its loads and what power cost in it.

    Parameters
    ----------
    label : str
        The period in words. [-]
    horizon : Horizon
        The intervals, a day to a year. [-]
    situation : Situation
        Availability over the intervals; outages count. [-]
    loads_ka : mapping
        Load of each circuit. Each shape (n,). [kA]
    energy_price_per_mwh : ndarray
        Energy rate of the contract on each interval. Shape (n,). [currency/MWh]
    other_charges_per_mwh : float
        Demand and standing charges of the period over its metered energy. [currency/MWh]
    price_source : str
        Where the prices come from. [-]
    other_source : str
        How the other charges follow from the bill. [-]
    """

    label: str
    horizon: Horizon
    situation: Situation
    loads_ka: Mapping[str, Array]
    energy_price_per_mwh: Array
    other_charges_per_mwh: float
    price_source: str
    other_source: str

    @property
    def hours(self) -> float:
        """Length of the period. [h]."""
        return float(np.sum(self.horizon.hours))


@dataclass(frozen=True)
class CostItem:
    """One line of a room's running cost.

    Parameters
    ----------
    key : str
        Name of the line. [-]
    label : str
        The line in words. [-]
    quantity : float
        Quantity over the period. [unit]
    unit : str
        Unit of the quantity. [-]
    amount : float
        Money over the period, negative for a credit. [currency]
    quantity_from, price_from : str
        Where quantity and price come from. [-]
    """

    key: str
    label: str
    quantity: float
    unit: str
    amount: float
    quantity_from: str
    price_from: str

    @property
    def price(self) -> float:
        """Price of a unit, of many the mean by quantity; 0 without a quantity. [currency/unit]."""
        return self.amount / self.quantity if self.quantity else 0.0


@dataclass(frozen=True)
class RoomCost:
    """Running cost of a room over a period.

    Parameters
    ----------
    name : str
        Name of the room. [-]
    technology, salt : str
        Technology and salt of its circuits; 'mixed' where they differ. [-]
    hours : float
        Length of the period. [h]
    chlorine_t, alkali_t : float
        Chlorine as Cl2 and dry alkali made. [t]
    hydrogen_kg : float
        Hydrogen made. [kg]
    items : tuple of CostItem
        The lines, in the order of `LABELS`. [-]
    """

    name: str
    technology: str
    salt: str
    hours: float
    chlorine_t: float
    alkali_t: float
    hydrogen_kg: float
    items: tuple[CostItem, ...]

    @property
    def total(self) -> float:
        """Running cost of the period. [currency]."""
        return float(sum(item.amount for item in self.items))

    @property
    def per_t_chlorine(self) -> float | None:
        """Whole cost over the chlorine made, alkali and hydrogen with it; None without. [currency/t]."""
        return self.total / self.chlorine_t if self.chlorine_t > 0 else None

    @property
    def per_t_alkali(self) -> float | None:
        """Whole cost over the dry alkali made, chlorine with it; None without. [currency/t]."""
        return self.total / self.alkali_t if self.alkali_t > 0 else None

    @property
    def per_ecu(self) -> float | None:
        """Whole cost over the ECUs made: t of chlorine that have all their alkali. [currency/ECU].

        An ECU is 1 t of chlorine with its 1.128 t NaOH (1.582 t KOH). With one current efficiency on both
        products every tonne of chlorine has its alkali, and this is the cost per tonne of chlorine.
        """
        ecus = min(self.chlorine_t, self.alkali_t / self.alkali_per_chlorine) if self.alkali_t else 0.0
        return self.total / ecus if ecus > 0 else None

    @property
    def alkali_per_chlorine(self) -> float:
        """Dry alkali of an ECU of this room. [t/t]."""
        return mass_ratio(alkali_of(self.salt)) if self.salt != "mixed" else self.alkali_t / self.chlorine_t

    @property
    def ac_kwh_per_t(self) -> float | None:
        """AC energy of cells, rectifiers and auxiliaries per tonne of chlorine; None without. [kWh/t]."""
        energy = sum(
            self.item(key).quantity for key in ("power_dc", "power_rectification", "power_auxiliaries")
        )
        return energy / self.chlorine_t * 1000.0 if self.chlorine_t > 0 else None

    def item(self, key: str) -> CostItem:
        """Return a line.

        Parameters
        ----------
        key : str
            Name of the line. [-]

        Returns
        -------
        CostItem
            The line. [-]
        """
        return next(item for item in self.items if item.key == key)


LABELS: Final[Mapping[str, str]] = {
    "power_dc": "power of the cells, DC",
    "power_rectification": "power lost in rectifiers and busbars",
    "power_auxiliaries": "power of auxiliaries and brine pumps",
    "power_evaporation": "power of evaporation",
    "power_standing": "demand and standing charges of power",
    "steam": "steam to bring the alkali to 50 wt%",
    "salt": "salt",
    "brine_treatment": "brine treatment",
    "acid": "hydrochloric acid",
    "water": "demineralised water",
    "mercury_makeup": "mercury make-up",
    "mercury_control": "control of mercury emissions",
    "mercury_waste": "waste with mercury",
    "membranes": "membranes",
    "coatings": "coatings of anodes and cathodes",
    "maintenance": "other maintenance",
    "carbon_power": "carbon of power",
    "carbon_steam": "carbon of steam",
    "hydrogen": "hydrogen, credit",
}
"""Every line of the running cost by its key, in order."""

POWER_LINES: Final = tuple(key for key in LABELS if key.startswith("power_"))
"""Lines that are power."""


@dataclass(frozen=True)
class Supply:
    """What the site's own units say about one circuit: its salt, its pumps, its evaporation.

    Parameters
    ----------
    salt_price, treatment_price : Value
        Salt without its treatment, and the treatment. [currency/t]
    pump_kwh_per_t_salt : float
        Energy of the brine pumps per tonne of salt consumed. [kWh/t]
    steam : Value
        Steam to bring the alkali to 50 wt%, per dry tonne. [t/t]
    evaporation_kwh_per_t : float
        Energy of evaporation per dry tonne. [kWh/t]
    """

    salt_price: Value
    treatment_price: Value
    pump_kwh_per_t_salt: float
    steam: Value
    evaporation_kwh_per_t: float


def supply_of(
    circuit: Circuit,
    units: Iterable[Unit],
    room: Room,
    uses: Mapping[str, Value],
    prices: Mapping[str, Value],
    evaporated_t_per_h: Mapping[str, float] = MappingProxyType({}),
) -> Supply:
    """Return what the site's units say about a circuit.

    Salt costs what its brine circuit states, treatment included; the treatment is taken out of it as a line
    of its own. Without such a price salt and treatment have the prices of `[costs]`, and add up.

    Parameters
    ----------
    circuit : Circuit
        The circuit. [-]
    units : iterable of Unit
        All units of the site. [-]
    room : Room
        The room, for a stated use of steam. [-]
    uses, prices : mapping
        Uses of the room and prices of the site, by key. [-]
    evaporated_t_per_h : mapping
        Mean dry alkali through each evaporator over the period, over which its fixed steam is spread; its
        greatest rate where it is not known. [t/h]

    Returns
    -------
    Supply
        Salt, pumps and evaporation. [-]

    Raises
    ------
    ValueError
        If the treatment costs more than the salt with its treatment.
    """
    known = tuple(units)
    treatment = uses["brine_treatment_per_t_salt"]
    brine = next((u for u in known if isinstance(u, BrineCircuit) and u.salt == circuit.brine), None)
    salt = prices[f"salt_{circuit.salt.lower()}_price_per_t"]
    pumps = 0.0
    if brine is not None:
        pumps = brine.kwh_per_m3 / (brine.depletion_g_per_l / 1000.0)
        if brine.price_per_t > 0:
            if treatment.value > brine.price_per_t:
                raise ValueError(
                    f"'brine_treatment_per_t_salt' of room '{room.name}' must be at most the price of salt "
                    f"with its treatment, {brine.price_per_t:g} [currency/t] of '{brine.name}' "
                    f"(got {treatment.value:g})"
                )
            salt = Value(
                "salt_price_per_t",
                brine.price_per_t - treatment.value,
                "currency/t",
                f"site file, unit '{brine.name}': price_per_t {brine.price_per_t:g} less treatment",
                False,
                room.name,
            )
    evaporator = next((u for u in known if isinstance(u, Evaporator) and u.weak == circuit.alkali), None)
    return Supply(
        salt,
        treatment,
        pumps,
        _steam(circuit, evaporator, room, evaporated_t_per_h),
        evaporator.kwh_per_t if evaporator is not None else 0.0,
    )


def _steam(
    circuit: Circuit, evaporator: Evaporator | None, room: Room, evaporated_t_per_h: Mapping[str, float]
) -> Value:
    key, unit = "steam_t_per_t_alkali", "t/t"
    if room.steam_t_per_t_alkali is not None:
        where = f"site file, [[room]] '{room.name}': {key}"
        return Value(key, room.steam_t_per_t_alkali, unit, where, False, room.name)
    if evaporator is not None:
        rate = evaporated_t_per_h.get(evaporator.name, 0.0) or evaporator.rate_max_t_per_h
        each = evaporator.steam_t_per_t + evaporator.steam_fixed_t_per_h / rate
        where = f"site file, unit '{evaporator.name}': steam_t_per_t"
        if evaporator.steam_fixed_t_per_h:
            where += f" and steam_fixed_t_per_h at {rate:.4g} t/h"
        return Value(key, each, unit, where, False, room.name)
    technology = DEFAULTS[circuit.technology]
    where = f"default: {technology.source}"
    return Value(key, technology.steam_t_per_t_alkali_to_50, unit, where, True, room.name)


def room_cost(
    room: Room,
    circuits: Sequence[Circuit],
    supplies: Mapping[str, Supply],
    period: PricedPeriod,
    uses: Mapping[str, Value],
    prices: Mapping[str, Value],
) -> RoomCost:
    """Return the running cost of a room over a planned period.

    Parameters
    ----------
    room : Room
        The room. [-]
    circuits : sequence of Circuit
        Its circuits. [-]
    supplies : mapping
        What the site says about each circuit, by its name. [-]
    period : PricedPeriod
        Loads and power prices. [-]
    uses, prices : mapping
        Uses of the room (`Room.resolved`) and prices of the site (`CostPrices.resolved`), by key. [-]

    Returns
    -------
    RoomCost
        The items. [-]
    """
    parts = [_circuit_cost(room, one, supplies[one.name], period, uses, prices) for one in circuits]
    return together(room.name, parts)


def together(name: str, parts: Sequence[RoomCost]) -> RoomCost:
    """Return the running cost of several rooms as of one.

    Parameters
    ----------
    name : str
        Name of the whole. [-]
    parts : sequence of RoomCost
        Rooms over the same period, one or more. [-]

    Returns
    -------
    RoomCost
        Sums, line by line. [-]
    """
    items = []
    for key, label in LABELS.items():
        lines = [part.item(key) for part in parts]
        items.append(
            CostItem(
                key,
                label,
                sum(line.quantity for line in lines),
                lines[0].unit,
                sum(line.amount for line in lines),
                "; ".join(dict.fromkeys(line.quantity_from for line in lines)),
                "; ".join(dict.fromkeys(line.price_from for line in lines)),
            )
        )
    technologies, salts = {part.technology for part in parts}, {part.salt for part in parts}
    return RoomCost(
        name,
        parts[0].technology if len(technologies) == 1 else "mixed",
        parts[0].salt if len(salts) == 1 else "mixed",
        parts[0].hours,
        sum(part.chlorine_t for part in parts),
        sum(part.alkali_t for part in parts),
        sum(part.hydrogen_kg for part in parts),
        tuple(items),
    )


def _circuit_cost(
    room: Room,
    circuit: Circuit,
    supply: Supply,
    period: PricedPeriod,
    uses: Mapping[str, Value],
    prices: Mapping[str, Value],
) -> RoomCost:
    horizon = period.horizon
    done = circuit.simulate(horizon, period.situation, {circuit.key("load"): period.loads_ka[circuit.name]})
    read, hours = done.readings, horizon.hours
    chlorine, alkali = read["chlorine_t_per_h"] * hours, read["alkali_t_per_h"] * hours
    salt = chlorine * mass_ratio(circuit.salt)
    dc = read["dc_power_mw"] * hours
    ac = read["ac_power_mw"] * hours
    auxiliary = -done.flows["power"] * hours - ac + salt * supply.pump_kwh_per_t_salt / 1000.0
    evaporation = alkali * supply.evaporation_kwh_per_t / 1000.0
    price = period.energy_price_per_mwh
    cl2, naoh = float(np.sum(chlorine)), float(np.sum(alkali))
    hydrogen = float(np.sum(read["hydrogen_kg_per_h"] * hours))
    drawn = {
        "power_dc": dc,
        "power_rectification": ac - dc,
        "power_auxiliaries": auxiliary,
        "power_evaporation": evaporation,
    }
    simulated = f"simulated at the planned loads of {period.label}, outages included"
    lines: dict[str, CostItem] = {
        key: CostItem(
            key,
            LABELS[key],
            float(np.sum(energy)),
            "MWh",
            float(np.sum(energy * price)),
            simulated,
            f"mean of {period.price_source}, weighted by this energy",
        )
        for key, energy in drawn.items()
    }
    mwh = sum(line.quantity for line in lines.values())
    years = period.hours / HOURS_PER_YEAR
    area = circuit.cells_in_series * circuit.electrolysers_in_parallel * circuit.area_m2
    steam = naoh * supply.steam.value
    made = f"{simulated}: chlorine made"

    def line(
        key: str, quantity: float, unit: str, price: Value | float, origin: str, where: str = ""
    ) -> None:
        each = price.value if isinstance(price, Value) else price
        source = where or (price.source if isinstance(price, Value) else "")
        lines[key] = CostItem(key, LABELS[key], quantity, unit, quantity * each, origin, source)

    def use(key: str) -> Value:
        return uses[key]

    line(
        "power_standing",
        mwh,
        "MWh",
        period.other_charges_per_mwh,
        "sum of the power lines above",
        period.other_source,
    )
    line(
        "steam",
        steam,
        "t",
        prices["steam_price_per_t"],
        f"alkali made x {supply.steam.value:g} t/t ({supply.steam.source})",
    )
    salt_t = float(np.sum(salt))
    stoichiometry = f"{made} x {mass_ratio(circuit.salt):.4f} t/t, stoichiometry"
    line("salt", salt_t, "t", supply.salt_price, stoichiometry)
    line("brine_treatment", salt_t, "t", supply.treatment_price, stoichiometry)
    for key, what, unit, kg, price_key in (
        ("acid", "acid_kg_per_t", "t", 1000.0, "acid_price_per_t"),
        ("water", "water_m3_per_t", "m3", 1.0, "water_price_per_m3"),
        ("mercury_makeup", "mercury_makeup_g_per_t", "kg", 1000.0, "mercury_price_per_kg"),
        ("mercury_waste", "mercury_waste_kg_per_t", "kg", 1.0, "mercury_waste_price_per_kg"),
    ):
        specific = use(what)
        origin = f"{made} x {specific.value:g} {specific.unit} ({specific.source})"
        line(key, cl2 * specific.value / kg, unit, prices[price_key], origin)
    emission = use("mercury_emission_g_per_t")
    line(
        "mercury_control",
        cl2,
        "t",
        use("mercury_control_per_t"),
        f"{made}; emitted {cl2 * emission.value / 1000.0:.4g} kg at {emission.value:g} g/t "
        f"({emission.source})",
    )
    layers = use("membrane_layers")
    for key, life_key, size, price_key in (
        ("membranes", "membrane_life_years", area * layers.value, "membrane_price_per_m2"),
        ("coatings", "coating_life_years", area, "coating_price_per_m2"),
    ):
        life = use(life_key)
        origin = (
            f"{size:g} m2 x {period.hours:g} h / ({HOURS_PER_YEAR:g} h/a x {life.value:g} a) ({life.source})"
        )
        line(key, size * years / life.value, "m2", prices[price_key], origin)
    line("maintenance", cl2, "t", use("maintenance_per_t"), made)
    for key, quantity, what in (
        ("carbon_power", mwh, "carbon_power_t_per_mwh"),
        ("carbon_steam", steam, "carbon_steam_t_per_t"),
    ):
        factor = prices[what]
        origin = f"quantity of {what.split('_')[1]} above x {factor.value:g} {factor.unit} ({factor.source})"
        line(key, quantity * factor.value, "t", prices["carbon_price_per_t"], origin)
    share, credit = prices["hydrogen_used_share"], prices["hydrogen_credit_per_kg"]
    origin = f"{simulated}: hydrogen made x share used {share.value:g} ({share.source})"
    line("hydrogen", hydrogen * share.value, "kg", -credit.value, origin, credit.source)
    return RoomCost(
        room.name,
        circuit.technology,
        circuit.salt,
        period.hours,
        cl2,
        naoh,
        hydrogen,
        tuple(lines[key] for key in LABELS),
    )
