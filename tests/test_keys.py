"""What `brinewatt keys` says is what the records say, read by another reader of docstrings: numpydoc.

Expected texts of single keys are this project's own docstrings, copied by hand.
"""

from __future__ import annotations

import dataclasses

import pytest
from numpydoc.docscrape import ClassDoc

from models.kinds import COMPONENT_KINDS, UNIT_KINDS
from models.technology import DEFAULTS
from scheduler.read.keys import ROLES, TABLES, Key, documented, keys_of, keys_text, overview
from scheduler.read.site_file import ROLES as READ_ROLES
from tests.test_help import run

RECORDS = {**UNIT_KINDS, **COMPONENT_KINDS, **{name: cls for name, (cls, _) in TABLES.items()}}


def flat(keys: tuple[Key, ...]) -> list[Key]:
    """Return keys with those inside them."""
    return [each for key in keys for each in (key, *flat(key.inner))]


@pytest.mark.parametrize("name", RECORDS)
def test_every_key_is_there_once_with_the_words_that_numpydoc_reads(name: str) -> None:
    """Names, order and descriptions agree with numpydoc; no key, inner ones too, is without words."""
    cls = RECORDS[name]
    by_numpydoc = {
        part.strip(): " ".join(line.strip() for line in entry.desc)
        for entry in ClassDoc(cls)["Parameters"]
        for part in entry.name.split(",")
    }
    told = documented(cls)
    assert list(told) == list(by_numpydoc)
    assert all(
        by_numpydoc[key].startswith(text) and unit in by_numpydoc[key] for key, (text, unit) in told.items()
    )
    keys = keys_of(cls)
    assert sorted(key.name for key in keys) == sorted(f.name for f in dataclasses.fields(cls) if f.init)
    assert [key.name for key in flat(keys) if not key.meaning] == []


def test_units_and_defaults_of_a_tank() -> None:
    """Two names with a unit each, a number as default, a list of tables."""
    keys = {key.name: key for key in keys_of(UNIT_KINDS["alkali_tank"])}
    assert (keys["strength_percent"].unit, keys["temperature_c"].unit) == ("wt%", "C")
    assert (keys["tank_m3"].unit, keys["tank_m3"].default) == ("m3", None)
    assert keys["max_percent"].default == "95"
    assert [key.name for key in keys["end_values"].inner] == ["tonnes", "value_per_t"]
    assert keys["end_values"].many


def test_the_overview_lists_everything_and_wrong_names_get_the_closest() -> None:
    """Every kind, table and role has its line; a key tells where it belongs; a wrong name a close one."""
    text = run("keys").stdout
    names = {line.split()[0] for line in text.splitlines() if line.startswith("  ") and line[2] != " "}
    assert names == {*RECORDS, *ROLES}
    assert text.strip() == overview()
    assert set(ROLES) == set(READ_ROLES)
    answer = run("keys", "alkali_tnk")
    assert answer.exit_code == 2
    assert "did you mean 'alkali_tank'?" in answer.stderr
    assert run("keys", "tank_m3").stdout.startswith('In [[unit]] with kind = "alkali_tank":')
    limited = keys_text("alkali_tank").splitlines()[-1]
    assert limited.startswith("What the availability file may limit: level_max_t, ")
    assert limited.endswith(", tanks")


@pytest.mark.parametrize("role", ROLES)
def test_every_column_of_a_role_has_words(role: str) -> None:
    """A column without a meaning would be an empty line."""
    columns, _ = ROLES[role]
    assert set(columns.meanings) == set(columns.names)
    assert all(f"  {name} " in keys_text(role) for name in columns.names)


def test_the_technologies_are_named_where_the_key_is_explained() -> None:
    """The words of `technology` are those that the site file may hold."""
    text = documented(UNIT_KINDS["circuit"])["technology"][0]
    assert all(f"'{name}'" in text for name in DEFAULTS)
