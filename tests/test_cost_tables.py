"""Tables about costs in the site file, and in a file of their own."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.evaporator import Evaporator
from scheduler.errors import InputError
from scheduler.read.inputs import read_inputs
from tests.test_cli import SITE, lay

NEW_ROOM = """
[[hypothetical]]
name = "better"
meaning = "the room with better cells"
replaces = ["room"]

[[hypothetical.room]]
name = "new_room"
circuits = ["new_1"]
maintenance_per_t = 7.0

[[hypothetical.unit]]
kind = "circuit"
name = "new_1"
technology = "membrane_zero_gap"
salt = "NaCl"
cells_in_series = 150
area_m2 = 2.5
density_min_ka_per_m2 = 2.0
density_max_ka_per_m2 = 6.0
rectifier = { units = 1, unit_load_max_ka = 100.0, dc_voltage_max_v = 1000.0 }
alkali = "naoh_32"
chlorine = "chlorine"
"""
COSTS = """
[costs]
steam_price_per_t = 21.0

[[room]]
name = "hall"
circuits = ["room"]
acid_kg_per_t = 15.0

[conversion]
life_years = 15.0
"""


def _problems(folder: Path, added: str, rooms: str | None = None) -> str:
    site = lay(folder, {"site.toml": SITE + added})
    overrides = {}
    if rooms is not None:
        (folder / "rooms.toml").write_text(rooms, encoding="utf-8")
        overrides = {"rooms": folder / "rooms.toml"}
    with pytest.raises(InputError) as caught:
        read_inputs(site, overrides=overrides)
    return str(caught.value)


def test_a_site_without_the_tables_has_defaults(tmp_path: Path) -> None:
    """Nothing has to be written for a plan."""
    costs = read_inputs(lay(tmp_path)).costs

    assert costs.rooms == costs.hypotheticals == ()
    assert costs.prices.resolved()["steam_price_per_t"].is_default


def test_tables_are_read_as_they_stand(tmp_path: Path) -> None:
    """Prices, a room, a hypothetical room with its unit, a conversion."""
    costs = read_inputs(lay(tmp_path, {"site.toml": SITE + COSTS + NEW_ROOM})).costs
    (hypothetical,) = costs.hypotheticals

    assert costs.prices.steam_price_per_t == 21.0
    assert costs.rooms[0].acid_kg_per_t == 15.0
    assert costs.conversion.life_years == 15.0
    assert [unit.name for unit in hypothetical.units] == ["new_1"]
    assert hypothetical.rooms[0].circuits == ("new_1",)
    assert hypothetical.replaces == ("room",)


def test_a_file_of_their_own_takes_the_place_of_the_sites_tables_of_that_kind(tmp_path: Path) -> None:
    """Prices of the file hold, the room of the site stays, and the file is among the digests."""
    site = lay(tmp_path, {"site.toml": SITE + COSTS})
    own = tmp_path / "rooms.toml"
    own.write_text("[costs]\nsteam_price_per_t = 33.0\n" + NEW_ROOM, encoding="utf-8")
    inputs = read_inputs(site, overrides={"rooms": own})

    assert inputs.costs.prices.steam_price_per_t == 33.0
    assert inputs.costs.rooms[0].name == "hall"
    assert inputs.costs.hypotheticals[0].name == "better"
    assert any(key.startswith("rooms:") for key in inputs.digests)


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    """A wrong price, a room without its circuit, a unit that is not there, an unknown conversion."""
    text = _problems(
        tmp_path,
        COSTS.replace("21.0", "-3.0")
        .replace('circuits = ["room"]', 'circuits = ["rom"]')
        .replace("life_years", 'hypothetical = "bettr"\nlife_years')
        + NEW_ROOM.replace('replaces = ["room"]', 'replaces = ["room", "boiler"]'),
    )

    assert "'steam_price_per_t' must be at least 0 [currency/t] (got -3.0)" in text
    assert "room 'hall': 'circuits' must name circuits of the site (got 'rom'); did you mean 'room'?" in text
    assert "'replaces' must name units of the site (got 'boiler')" in text


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("hypothetical = ", ""), "'hypothetical' must be the name of a [[hypothetical]] (got 'bettr')"),
        (
            ('name = "new_1"', 'name = "store"'),
            "'name' must be there once (got 'store' again, first in the site)",
        ),
        (('circuits = ["new_1"]', 'circuits = ["room"]'), "must name circuits of the site (got 'room')"),
        (('kind = "circuit"', 'kind = "circus"'), "'kind' must be a known kind of unit (got 'circus')"),
        (("maintenance_per_t", "maintenence_per_t"), "'maintenence_per_t' is not a key here"),
    ],
)
def test_problems_of_a_hypothetical_room(tmp_path: Path, change: tuple[str, str], told: str) -> None:
    """Names that clash, circuits that went, unknown kinds and keys are told with their place."""
    added = NEW_ROOM
    if change[1]:
        added = NEW_ROOM.replace(*change)
    else:
        added += '\n[conversion]\nhypothetical = "bettr"\n'

    assert told in _problems(tmp_path, added)


def test_outages_of_a_hypothetical_room(tmp_path: Path) -> None:
    """They reach the situation of the changed site; a wrong word, unit or time is told."""
    outage = """
[[hypothetical.outage]]
unit = "new_1"
what = "in_service"
value = 0
start = 2026-06-08T06:00:00+02:00
end = 2026-06-08T08:00:00+02:00
"""
    inputs = read_inputs(lay(tmp_path, {"site.toml": SITE + NEW_ROOM + outage}))
    (hypothetical,) = inputs.costs.hypotheticals
    _, then = hypothetical.applied(inputs.site, inputs.situation)
    available = then.available("new_1", "in_service", 1, inputs.horizon)

    assert [hour for hour, value in enumerate(available) if value == 0] == [6, 7]
    for old, new, told in (
        ('unit = "new_1"', 'unit = "new_2"', "'unit' must be a unit of the hypothetical room (got 'new_2')"),
        ('"in_service"', '"in_servce"', "(got 'in_servce'); did you mean 'in_service'?"),
        ("T08:00:00", "T05:00:00", "'end' must be after 'start'"),
        ("06:00:00+02:00", "06:00:00", "needs an offset from UTC"),
    ):
        assert told in _problems(tmp_path, NEW_ROOM + outage.replace(old, new))


def test_a_new_tank_needs_its_content(tmp_path: Path) -> None:
    """Without it the plan could not start; a name that is no new tank is told as well."""
    tank = """
[[hypothetical.unit]]
kind = "product_store"
name = "new_tank"
commodity = "hypochlorite"
min_t = 0.0
max_t = 10.0
"""

    assert "'stocks_t' must hold the content of 'new_tank' at the start [t]" in _problems(
        tmp_path, NEW_ROOM + tank
    )
    wrong = (
        NEW_ROOM.replace('replaces = ["room"]', 'replaces = ["room"]\nstocks_t = { new_tnk = 5.0 }') + tank
    )
    assert "must name new tanks (got 'new_tnk'); did you mean 'new_tank'?" in _problems(tmp_path, wrong)


def test_a_file_of_rooms_holds_nothing_else(tmp_path: Path) -> None:
    """A unit outside a hypothetical room would be lost in silence."""
    assert "'unit' is not a key here" in _problems(tmp_path, "", rooms=NEW_ROOM + '\n[[unit]]\nkind = "x"\n')


def test_the_demo_has_rooms_and_a_conversion() -> None:
    """The demo's hypothetical room evaporates its soda, and its circuits are one room."""
    from importlib.resources import as_file, files

    with as_file(files("tariffs_demo")) as folder:
        costs = read_inputs(folder / "site.toml").costs
    (hypothetical,) = costs.hypotheticals

    assert [room.name for room in costs.rooms] == ["room_m", "room_b"]
    assert any(isinstance(unit, Evaporator) for unit in hypothetical.units)
    assert costs.conversion.hypothetical == hypothetical.name
