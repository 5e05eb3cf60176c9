"""Conflicts whose diagnosis is known: which limits collide, from when to when, and the least change.

The room of `tests.binding_cases` runs from 1 to 9 kA, and P = 100 (2 + 0.1 I) I / 1000 MW; C and A are the
chlorine and the alkali that a kA makes in an hour. What helps least is judged by its share of the limit it
moves (of an outage by the share of its length). Every answer here is worked out in the comment beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace

from models.brine import BrineCircuit
from models.chlorine_products import HypochloriteUnit
from models.commodity import STANDARD
from models.compressor import Compressor
from models.evaporator import Evaporator
from models.faraday import kg_per_kah, mass_ratio
from models.liquefier import Liquefier, Vaporiser
from models.meter import SiteMeter
from models.order import Lot
from models.rectifier import Rectifier
from models.site import Site
from models.situation import Situation
from models.tank import ChlorineStore, ProductStore
from models.trade import Outlet, OwnUse, Purchase
from models.unit import Unit
from scheduler.conflicts import Kind
from tests.binding_cases import ALKALI_PER_KA as A
from tests.binding_cases import T_PER_KA as C
from tests.binding_cases import Small, customer, fact, hours, outlet, room

START = hours(1).start_min
STEAM = Purchase("steam", "steam", 1e3, 0.0)
H2 = 100 * kg_per_kah("H2")
"""Hydrogen that a kA makes in an hour. [kg]"""
SALT = mass_ratio("NaCl")


@dataclass(frozen=True)
class Case:
    """A conflict and what is known of it.

    Parameters
    ----------
    name : str
        The limit in words. [-]
    site : callable
        The works with the change made by so much; 0 is the conflict itself. [unit of the change]
    kind : Kind
        What kind of change helps. [-]
    words : str
        Part of the limit's words. [-]
    amount : float
        Smallest change that is enough, by hand. [unit of the change]
    first, end : int or None
        First hour of the change, and the one after the last; None where it has none. [-]
    duty : str
        Part of the words of what is missed; empty where the works cannot run at all within its limits. [-]
    alone : bool
        Whether it cannot stand beside another works on one site: it is about the meter they share, or about
        changes that are counted, which are looked at only where no limit stands in the way. [-]
    """

    name: str
    site: Callable[[float], Small]
    kind: Kind
    words: str
    amount: float
    first: int | None
    end: int | None
    duty: str = "customer"
    alone: bool = False


def gas(max_ka_h: float = 1e3, **changes: float) -> ProductStore:
    """Return a store of gas that holds what so many kAh make."""
    return ProductStore("store", "chlorine", changes.pop("min_ka_h", 0.0) * C, max_ka_h * C, **changes)


def small(*units: Unit, n: int = 2, start_ka_h: float | None = None, **changes: object) -> Small:
    """Return a works for so many hours, with so much in its store."""
    stocks = () if start_ka_h is None else (("store", start_ka_h * C),)
    return Small(units, (50.0,) * n, stocks=stocks, **changes)  # type: ignore[arg-type]


def out(hours_out: float, first: int) -> tuple:  # type: ignore[type-arg]
    """Return an outage of the room from an hour on; none for 0 hours."""
    if hours_out <= 0:
        return ()
    whole = fact("room", "in_service", 0, first, first)
    return (replace(whole, end_min=whole.start_min + round(60 * hours_out)),)


def train(feed_max_ka: float) -> Liquefier:
    """Return a liquefier of 95 % yield that draws nothing."""
    return Liquefier(
        "train", 0.0, feed_max_ka * C, yield_design=0.95, kwh_per_t=0.0, feed_hydrogen_percent=0.0
    )


def rectifier(amps: float = 1e3, volts: float = 1e4, units: int = 1) -> Rectifier:
    """Return a rectifier without a drop of its own."""
    return Rectifier(units, amps, volts, drop_v=0.0)


def lot(quantity_ka_h: float, rate_ka: float, first: int) -> Lot:
    """Return a lot that is loaded in one hour."""
    start = START + 60 * first
    return Lot("lot", "chlorine", quantity_ka_h * C, start, start + 60, rate_max_t_per_h=rate_ka * C)


CASES = [
    # 10 kA are asked for, 9 are possible: 1 more, all the time.
    Case(
        "current density",
        lambda x: small(room(density_max_ka_per_m2=9.0 + x), customer(10.0)),
        *(Kind.UPPER, "current density", 1.0, 0, 2),
    ),
    Case(
        "rectifier current",
        lambda x: small(room(rectifier=rectifier(6.0 + x)), customer(8.0)),
        *(Kind.UPPER, "rectifier current", 2.0, 0, 2),
    ),
    # 100 cells * (2 + 0.1 I) V = 270 V at 7 kA; 8 are asked for.
    Case(
        "rectifier DC voltage",
        lambda x: small(room(rectifier=rectifier(volts=100 * (2 + 0.1 * (7.0 + x)))), customer(8.0)),
        *(Kind.UPPER, "rectifier DC voltage", 1.0, 0, 2),
    ),
    # Of two units of 4.5 kA one is out in the first hour: 0.5 kA more (a ninth) is less than all of it.
    Case(
        "rectifier unit out",
        lambda x: small(
            room(rectifier=rectifier(4.5 + x, units=2)),
            customer(5.0),
            facts=(fact("room", "rectifier_units", 1),),
        ),
        *(Kind.UPPER, "rectifier current", 0.5, 0, 1),
    ),
    # 5 kA in the second of three hours, 6 asked for and nothing stored.
    Case(
        "availability of load",
        lambda x: small(room(), customer(6.0), n=3, facts=(fact("room", "load_max_ka", 5.0 + x, 1, 1),)),
        *(Kind.UPPER, "availability", 1.0, 1, 2),
    ),
    # 3 kA at least, 2 taken, 4 hours: 4 too many, 2 of them find room. 0.5 kA less (a sixth) is less than
    # twice the store.
    Case(
        "least load",
        lambda x: small(room(density_min_ka_per_m2=3.0 - x), customer(2.0), gas(2.0), n=4, start_ka_h=0.0),
        *(Kind.LOWER, "least load", 0.5, 0, 4, ""),
    ),
    # Out in the first hour with nothing stored: the whole hour.
    Case(
        "outage",
        lambda x: small(room(), customer(5.0), n=3, facts=out(1.0 - x, 0)),
        *(Kind.OUTAGE, "outage of room", 1.0, 0, 1),
    ),
    # Out from 01:00 to 04:00 with 3 kAh stored and 8 at most: 9 - 5 more in the first hour are 7, enough for
    # one hour of 5 and not for two. So it ends 2 hours earlier, two thirds. More load and a larger store
    # together would be 8/9 and 7/8.
    Case(
        "outage with a store",
        lambda x: small(room(), customer(5.0), gas(8.0), n=6, start_ka_h=3.0, facts=out(3.0 - x, 1)),
        *(Kind.OUTAGE, "outage of room", 2.0, 2, 4),
    ),
    # Out in the first hour with 6 kAh stored of which 2 must stay: 1 is missing. Half of the least level is
    # less than the whole outage.
    Case(
        "least level",
        lambda x: small(
            room(), customer(5.0), gas(20.0, min_ka_h=2.0 - x / C), start_ka_h=6.0, facts=out(1.0, 0)
        ),
        *(Kind.LOWER, "least", 1.0 * C, 0, 1),
    ),
    # Out in the third hour: 5 kAh must stand before it, 4 find room (8 could be made): a quarter more.
    Case(
        "greatest level",
        lambda x: small(room(), customer(5.0), gas(4.0 + x / C), n=3, start_ka_h=0.0, facts=out(1.0, 2)),
        *(Kind.UPPER, "greatest", 1.0 * C, 1, 2),
    ),
    # 2 * 9 - 2 * 5 = 8 kAh can stand at the end, 10 are wanted: 1 kA more in both hours.
    Case(
        "end stock",
        lambda x: small(
            room(density_max_ka_per_m2=9.0 + x), customer(5.0), gas(end_min_t=10.0 * C), start_ka_h=0.0
        ),
        *(Kind.UPPER, "current density", 1.0, 0, 2, "store"),
    ),
    # From 1 kA with 3 kA an hour 4 are reached, 5 asked for.
    Case(
        "rate of change",
        lambda x: small(
            room(ramp_ka_per_min=(3.0 + x) / 60, ramp_minutes=60.0),
            customer(5.0),
            loads_before=(("room", 1.0),),
        ),
        *(Kind.UPPER, "change of the load", 1.0, 0, 1),
    ),
    Case(
        "compressor capacity",
        lambda x: small(
            room(chlorine="chlorine_wet"), Compressor("station", 1, 4.0 * C + x, 0.0, 0.0), customer(5.0)
        ),
        *(Kind.UPPER, "chlorine through station", 1.0 * C, 0, 2),
    ),
    # 4.75 of liquid are 5 of feed.
    Case(
        "liquefier feed",
        lambda x: small(room(), train(4.0 + x / C), customer(4.75, "chlorine_liquid"), outlet("tail_gas")),
        *(Kind.UPPER, "chlorine fed to train", 1.0 * C, 0, 2),
    ),
    # With the room out 5 must be vaporised, 4 can: a quarter more is less than the whole outage.
    Case(
        "vaporiser rate",
        lambda x: Small(
            (
                room(),
                Vaporiser("vaporiser", 4.0 * C + x),
                ProductStore("store", "chlorine_liquid", 0.0, 1e3 * C),
                customer(5.0),
                STEAM,
            ),
            stocks=(("store", 100 * C),),
            facts=out(2.0, 0),
        ),
        *(Kind.UPPER, "vaporised in vaporiser", 1.0 * C, 0, 2),
    ),
    # 5 of 50 % are used, 4 can be evaporated. What the works itself uses is no duty that may be missed.
    Case(
        "evaporator rate",
        lambda x: small(
            room(alkali="naoh_32"),
            Evaporator("evaporator", "naoh_32", "naoh_50", 0.0, 4.0 * A + x, 0.0),
            OwnUse("use", "naoh_50", rate_per_h=5.0 * A),
            customer(5.0),
            takes=("hydrogen", "naoh_32"),
        ),
        *(Kind.UPPER, "evaporator", 1.0 * A, 0, 2, ""),
    ),
    # 10 kAh in one hour at 5 an hour at most, 20 stand ready.
    Case(
        "loading rate",
        lambda x: small(room(), lot(10.0, 5.0 + x / C, 0), gas(40.0), start_ka_h=20.0),
        *(Kind.UPPER, "lot", 5.0 * C, 0, 1, "lot"),
    ),
    # 20 kAh are loaded in the second hour, 18 can be made by its end: 1 kA more in both.
    Case(
        "lot that comes too soon",
        lambda x: small(room(density_max_ka_per_m2=9.0 + x), lot(20.0, 100.0, 1), gas(40.0), start_ka_h=0.0),
        *(Kind.UPPER, "current density", 1.0, 0, 2, "lot"),
    ),
    # Out in the third hour: 5 kAh must stand before it; under a permit of 4 a wagon takes 1, so 3 find room:
    # two thirds more are less than the whole outage.
    Case(
        "permit with a wagon",
        lambda x: small(
            room(),
            customer(5.0),
            ChlorineStore(
                "store",
                2,
                100.0,
                4.0 * C + x,
                commodity="chlorine",
                wagons_t=C,
                empty_vessels=0,
                margin_percent=0.0,
            ),
            n=3,
            start_ka_h=0.0,
            facts=out(1.0, 2),
        ),
        *(Kind.UPPER, "store", 2.0 * C, 1, 2),
    ),
    # 3 hours of 5 kA make 15 A, 10 find room, nobody takes any.
    Case(
        "full caustic",
        lambda x: Small(
            (room(), customer(5.0), ProductStore("tank", "naoh_50", 0.0, 10.0 * A + x)),
            (50.0,) * 3,
            ("hydrogen",),
            stocks=(("tank", 0.0),),
        ),
        *(Kind.UPPER, "tank", 5.0 * A, 2, 3),
    ),
    # P(5) = 1.25 MW, 1 allowed.
    Case(
        "import",
        lambda x: small(room(), customer(5.0), meter=SiteMeter("meter", import_max_mw=1.0 + x)),
        *(Kind.UPPER, "metered import", 0.25, 0, 2, "customer", True),
    ),
    Case(
        "hydrogen",
        lambda x: small(
            room(), customer(5.0), Outlet("vent", "hydrogen", rate_max_per_h=4.0 * H2 + x), takes=("naoh_50",)
        ),
        *(Kind.UPPER, "vent", 1.0 * H2, 0, 2),
    ),
    # Salt of 5 kA at 100 kg/m3 against a flow for 4 kA.
    Case(
        "brine flow",
        lambda x: small(
            room(brine="brine_membrane"),
            BrineCircuit("brine", "brine_membrane", 4.0 * C * SALT * 10.0 + x, 100.0),
            customer(5.0),
        ),
        *(Kind.UPPER, "brine", 1.0 * C * SALT * 10.0, 0, 2),
    ),
    Case(
        "hypochlorite",
        lambda x: small(
            room(),
            HypochloriteUnit("bleach", 4.0 * C + x, "naoh_50", 0.0),
            OwnUse("use", "hypochlorite", rate_per_h=5.0 * C),
        ),
        *(Kind.UPPER, "bleach", 1.0 * C, 0, 2, ""),
    ),
    # 7 of caustic are used, 5 made, 1 may be bought. To buy as much again is a doubling; the customer who
    # takes the chlorine of 6 kA takes a fifth more.
    Case(
        "chlorine that holds caustic down",
        lambda x: small(
            room(),
            customer(5.0 + x / C),
            OwnUse("use", "naoh_50", rate_per_h=7.0 * A),
            Purchase("bought", "naoh_50", 1.0 * A, 0.0),
            takes=("hydrogen",),
        ),
        *(Kind.UPPER, "taken by customer", 1.0 * C, 0, 2, ""),
    ),
    # From 12 kAh with 10 allowed, 1 made at least and 2 taken: 11 at the end of the first hour. A tenth more
    # of the limit is less than the whole least load.
    Case(
        "start above a limit",
        lambda x: small(room(), customer(2.0), gas(10.0 + x / C), n=3, start_ka_h=12.0),
        *(Kind.UPPER, "upper limit of store", 1.0 * C, 0, 1, "store"),
    ),
    # Over any two hours 3 kA on the mean: 12 kAh in four hours, 8 taken and 2 stored; 2.5 kA, 5 kAh in two.
    # A mean is told by the hour in which it ends.
    Case(
        "mean density",
        lambda x: small(
            room(low_density_ka_per_m2=3.0 - x / 2, low_density_hours=2.0),
            customer(2.0),
            gas(2.0),
            n=4,
            start_ka_h=0.0,
        ),
        *(Kind.LOWER, "mean density", 1.0, 1, 4, ""),
    ),
    # 6 kA before and 4 at most in the second hour: a change, and none is allowed.
    Case(
        "changes a day",
        lambda x: small(
            room(changes_per_day=round(x)),
            customer(5.0),
            gas(5.0),
            start_ka_h=0.0,
            loads_before=(("room", 6.0),),
            facts=(fact("room", "load_max_ka", 4.0, 1, 1),),
        ),
        *(Kind.COUNT, "changes of the load", 1.0, 0, 2, "", True),
    ),
    # 6, 4 and 5 kA: the store takes 1 and gives it back, so the changes are an hour apart; two are asked for.
    Case(
        "rest between changes",
        lambda x: small(
            room(dwell_minutes=120.0 - x),
            customer(5.0),
            gas(1.0),
            n=4,
            start_ka_h=0.0,
            loads_before=(("room", 6.0),),
            facts=(fact("room", "load_max_ka", 4.0, 1, 1),),
        ),
        *(Kind.TIME, "rest", 60.0, None, None, "customer", True),
    ),
]


OWN = ("power", "steam")
"""Commodities that two works on one site share."""


def _renamed(value: object, names: Mapping[str, str]) -> object:
    if isinstance(value, str):
        if value in names:
            return names[value]
        owner = next((name for name in names if value.startswith(f"{name}_")), None)
        return value if owner is None else names[owner] + value[len(owner) :]
    return value


def beside(one: Small, other: Small) -> Site:
    """Return two works on one site: the second with names and commodities of its own.

    Parameters
    ----------
    one, other : Small
        Works of equally many hours without a limit at the meter. [-]
    """
    first, second = one.site(), other.site()
    meter = next(unit for unit in first.units if unit.name == "meter")
    names = {unit.name: f"{unit.name}_b" for unit in second.units if unit.name != "meter"}
    products = {c.name: replace(c, name=f"{c.name}_b") for c in STANDARD if c.name not in OWN}
    names |= {name: product.name for name, product in products.items()}
    copies = []
    for unit in second.units:
        if unit.name == "meter":
            continue
        changed = {f.name: _renamed(getattr(unit, f.name), names) for f in fields(unit) if f.init}
        kept = {f.name for f in fields(unit) if f.name in ("technology", "salt", "customer", "mode", "note")}
        changed |= {name: getattr(unit, name) for name in kept}
        if unit.name == "steam":
            continue
        copies.append(type(unit)(**changed))
    units = [unit for unit in first.units if unit.name not in ("meter", "steam")]
    steam = [STEAM] if any(unit.name == "steam" for unit in (*first.units, *second.units)) else []
    both = (*units, *copies, *steam, meter)
    return Site("two", first.timezone, first.contract, both, products=tuple(products.values()))


def known_beside(one: Small, other: Small) -> Situation:
    """Return what is known of two works on one site."""
    first, second = one.situation(), other.situation()
    return replace(
        first,
        stocks={**first.stocks, **{f"{k}_b": v for k, v in second.stocks.items()}},
        loads_before={**first.loads_before, **{f"{k}_b": v for k, v in second.loads_before.items()}},
        availability=(
            *first.availability,
            *(replace(fact_, unit=f"{fact_.unit}_b") for fact_ in second.availability),
        ),
    )
