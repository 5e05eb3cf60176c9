"""The site: names that clash, commodities that are not known, and buses without a maker or a taker."""

from __future__ import annotations

import numpy as np
import pytest

from models.commodity import Commodity
from models.contract.component import Contract
from models.pieces import Declaration, Exclusive, Variable
from models.site import Site
from models.situation import Situation
from models.tank import ProductStore
from models.trade import Outlet, Purchase
from models.unit import Unit
from scheduler.lp import check_keys
from tests.binding_cases import Small, customer, gas_store, hours, room

CONTRACT = Contract("test", "XTS")


def site(*units: Unit, products: tuple[Commodity, ...] = ()) -> Site:
    """Return a site of some units."""
    return Site("test", "Europe/Berlin", CONTRACT, units, products=products)


def check(works: Site, **situation: dict[str, float]) -> None:
    """Check the buses of a site."""
    parts = works.parts(hours(1), Situation(**situation))  # type: ignore[arg-type]
    works.check_buses(Declaration.merged(parts.values()))


def test_two_units_of_one_name() -> None:
    """Keys of the program begin with the unit's name, so two units cannot share it."""
    with pytest.raises(ValueError, match="two units share a name: room"):
        site(room(), room())


def test_lots_join_the_site() -> None:
    """Further units are added at the end; a clash is told there too."""
    works = site(room()).with_units((customer(),))
    assert [unit.name for unit in works.units] == ["room", "customer"]
    with pytest.raises(ValueError, match="two units share a name: customer"):
        works.with_units((customer(),))


def test_a_closed_site_passes() -> None:
    """The small site of the limits has makers and takers for everything."""
    small = Small((room(), gas_store(), customer()), stocks=(("store", 0.0),))
    check(small.site(), stocks={"store": 0.0})


@pytest.mark.parametrize(
    ("units", "message"),
    [
        (
            (Purchase("steam", "steam", 5.0, 30.0),),
            "no unit takes the commodity 'steam', so nothing can flow: add one",
        ),
        ((Outlet("out", "hydrogen", 5.0),), "no unit makes the commodity 'hydrogen'"),
        (
            (Outlet("out", "chlorin", 5.0),),
            r"the commodity 'chlorin' is not known: add it under \[\[product\]\]; did you mean 'chlorine'\?",
        ),
        (
            (Outlet("out", "hydrogen", 5.0), Purchase("steam", "steam", 5.0, 30.0)),
            "no unit makes the commodity 'hydrogen'.*; no unit takes the commodity 'steam'",
        ),
    ],
)
def test_buses_that_cannot_work(units: tuple[Unit, ...], message: str) -> None:
    """A commodity that is only made, only taken or not known is told, all of them at once."""
    with pytest.raises(ValueError, match=message):
        check(site(*units))


def test_a_store_is_maker_and_taker() -> None:
    """A stock can be drawn down without a maker, so a store closes a bus that others only take from."""
    check(site(ProductStore("store", "steam", 0.0, 10.0), Outlet("out", "steam", 5.0)), stocks={"store": 5.0})


def test_product_of_the_sites_own() -> None:
    """A product is known beside the usual commodities."""
    works = site(
        Purchase("in", "ferric_chloride", 1.0, 1.0),
        Outlet("out", "ferric_chloride", 1.0),
        products=(Commodity("ferric_chloride"),),
    )
    assert works.commodities["ferric_chloride"].unit == "t/h"
    assert works.commodities["hydrogen"].unit == "kg/h"
    check(works)


def test_product_of_an_unknown_unit() -> None:
    """A product flows in one of five units."""
    with pytest.raises(
        ValueError, match=r"'unit' of commodity 'x' must be one of t/h, kg/h, m3/h, MW, Mvar \(got 'l/h'\)"
    ):
        Commodity("x", "l/h")


def test_rules_that_name_nothing_are_told() -> None:
    """A rule of exclusion on a misspelt key is refused with the close one, never with a traceback."""
    with pytest.raises(
        ValueError, match="'vaporiser_apart' names 'liquefier_fed', which no unit has; did you"
    ):
        check_keys(
            Declaration(
                variables=(
                    Variable("liquefier_feed", "t/h", np.zeros(1), np.ones(1), np.arange(1)),
                    Variable("vaporiser_rate", "t/h", np.zeros(1), np.ones(1), np.arange(1)),
                ),
                exclusives=(Exclusive("vaporiser_apart", "liquefier_fed", "vaporiser_rate"),),
            )
        )
