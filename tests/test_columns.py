"""Names, units and formats of plan.csv, and the README's account of all outputs.

Expected numbers follow by hand from the invented plan of `tests.report_case`.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import itertools
import re
from dataclasses import replace

import numpy as np
import pytest

from models.pieces import Declaration, Simulation, Stock, Variable
from scheduler.errors import InputError
from scheduler.report.columns import (
    TABLE_END,
    TABLE_START,
    columns,
    documented_columns,
    documented_fields,
    readme_table,
    unit_format,
    unit_of_name,
    with_suffix,
)
from scheduler.report.tables import plan_csv
from scheduler.result import Plan
from tests.report_case import Named, small_plan


def table(plan: Plan) -> dict[str, list[str]]:
    """Return the cells of plan.csv by column name."""
    rows = list(csv.reader(io.StringIO(plan_csv(plan))))
    return {name: [row[i] for row in rows[1:]] for i, name in enumerate(rows[0])}


def with_reading(plan: Plan, unit: str, name: str, values: np.ndarray) -> Plan:
    """Return a plan in which a unit has one more reading."""
    old = plan.audit.simulations.get(unit, Simulation({}))
    new = replace(old, readings={**old.readings, name: values})
    return replace(plan, audit=replace(plan.audit, simulations={**plan.audit.simulations, unit: new}))


@pytest.mark.parametrize(
    ("key", "unit", "name"),
    [
        ("room_m_load", "kA", "room_m_load_ka"),
        ("meter_import", "MW", "meter_import_mw"),
        ("liquid_level", "t", "liquid_level_t"),
        ("liquid_level_t", "t", "liquid_level_t"),
        ("acid_feed", "t/h", "acid_feed_t_per_h"),
        ("boiler_hydrogen", "kg/h", "boiler_hydrogen_kg_per_h"),
        ("brine_flow", "m3/h", "brine_flow_m3_per_h"),
        ("battery", "MWh", "battery_mwh"),
        ("vinyl_daily", "t/d", "vinyl_daily_t_per_d"),
        ("room_on", "-", "room_on"),
        ("own_salt", "kmol/h", "own_salt_kmol_per_h"),
    ],
)
def test_names_carry_their_unit_once(key: str, unit: str, name: str) -> None:
    """A column's name is the key with the suffix of its unit, not doubled, also for an unlisted unit."""
    assert with_suffix(key, unit) == name


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("dc_power_mw", "MW"),
        ("chlorine_t_per_h", "t/h"),
        ("current_density_ka_per_m2", "kA/m2"),
        ("level_t", "t"),
        ("cell_voltage_v", "V"),
        ("current_efficiency", "-"),
        ("start", "-"),
    ],
)
def test_unit_is_read_from_the_name_of_a_reading(name: str, unit: str) -> None:
    """The longest suffix counts, and only behind an underscore: 'start' is not a reading in tonnes."""
    assert unit_of_name(name) == unit


def test_columns_of_the_small_plan_are_a_contract() -> None:
    """Names and order are fixed; labelled variables, repeated readings and plain flows are left out."""
    readings = [
        "current_density_ka_per_m2",
        "cell_voltage_v",
        "dc_voltage_v",
        "current_efficiency",
        "dc_power_mw",
        "ac_power_mw",
        "chlorine_t_per_h",
        "alkali_t_per_h",
        "hydrogen_kg_per_h",
    ]
    assert [column.name for column in columns(small_plan())] == [
        "start",
        "minutes",
        "plan_day",
        "energy_price_per_mwh",
        "room_m_load_ka",
        "room_b_load_ka",
        "meter_import_mw",
        "wagon_fri_loading_t_per_h",
        "room_m_power_mw",
        "room_b_power_mw",
        "liquid_level_t",
        *(f"room_m_{name}" for name in readings),
        *(f"room_b_{name}" for name in readings),
        "room_b_naoh_32_t_per_h",
    ]


def test_every_column_says_unit_and_meaning() -> None:
    """No column is left without a meaning, and the unit fits the suffix of the name."""
    for column in columns(small_plan()):
        assert column.meaning
        suffix = unit_format(column.unit).suffix
        assert column.name.endswith(suffix) or column.name == "minutes"


def test_the_day_of_25_hours_has_25_rows_and_both_hours_of_two_o_clock() -> None:
    """Starts are local ISO 8601 times; 02:00 comes twice, with +02:00 and then +01:00."""
    cells = table(small_plan())
    assert len(cells["start"]) == 48
    assert cells["start"][:5] == [
        "2026-10-25T00:00+02:00",
        "2026-10-25T01:00+02:00",
        "2026-10-25T02:00+02:00",
        "2026-10-25T02:00+01:00",
        "2026-10-25T03:00+01:00",
    ]
    instants = [dt.datetime.fromisoformat(start) for start in cells["start"]]
    assert {later - earlier for earlier, later in itertools.pairwise(instants)} == {dt.timedelta(hours=1)}
    assert cells["plan_day"] == ["1"] * 25 + ["0"] * 23
    assert cells["minutes"] == ["60"] * 48


def test_values_have_the_decimals_of_their_unit() -> None:
    """KA has 6 decimals, MW, t/h, t and prices 4, kg/h 3, pure numbers 6."""
    cells = table(small_plan())
    assert cells["room_m_load_ka"][5:7] == ["100.000000", "200.000000"]
    assert cells["meter_import_mw"][0] == "28.9500"
    assert cells["room_m_chlorine_t_per_h"][0] == "5.0000"
    assert cells["room_m_hydrogen_kg_per_h"][0] == "142.000"
    assert cells["room_m_current_efficiency"][0] == "0.950000"
    assert cells["liquid_level_t"][0] == "99.0000"
    assert cells["energy_price_per_mwh"][30] == "-5.0000"
    assert cells["room_b_naoh_32_t_per_h"][0] == "2.2560"


def test_a_variable_is_zero_outside_its_window() -> None:
    """The loading of an order lives on four intervals only and is written as 0 elsewhere."""
    cells = table(small_plan())["wagon_fri_loading_t_per_h"]
    assert cells == ["0.0000"] * 8 + ["14.0000"] * 4 + ["0.0000"] * 36


def test_no_negative_zero() -> None:
    """A solver's -1e-12 is written as 0, a real negative number keeps its sign."""
    plan = small_plan()
    load = plan.audit.values["room_b_load"].copy()
    load[0], load[1] = -1e-12, -0.0006
    plan = replace(plan, audit=replace(plan.audit, values={**plan.audit.values, "room_b_load": load}))
    assert table(plan)["room_b_load_ka"][:2] == ["0.000000", "-0.000600"]


def test_a_reading_may_have_gaps_but_a_decision_may_not() -> None:
    """A reading without a value is an empty cell; a decision without one is an error with its time."""
    plan = small_plan()
    gap = np.ones(48)
    gap[3] = np.nan
    assert table(with_reading(plan, "room_m", "temperature", gap))["room_m_temperature"][2:4] == [
        "1.000000",
        "",
    ]
    broken = replace(plan, audit=replace(plan.audit, values={**plan.audit.values, "room_b_load": gap}))
    with pytest.raises(
        ValueError, match=r"'room_b_load_ka' must be finite \(got nan at 2026-10-25T02:00\+01:00\)"
    ):
        plan_csv(broken)


def test_an_infinite_reading_is_an_error() -> None:
    """Infinity is never written to a file."""
    plan = with_reading(small_plan(), "room_m", "margin", np.full(48, np.inf))
    with pytest.raises(ValueError, match="'room_m_margin' must be finite"):
        plan_csv(plan)


def test_clashing_names_of_units_are_told() -> None:
    """Unit 'room' with reading 'b_load_ka' and unit 'room_b' with its load cannot share a column."""
    plan = small_plan()
    plan = replace(plan, site=replace(plan.site, units=(*plan.site.units, Named("room"))))
    with pytest.raises(InputError, match="'room_b' and 'room' would both have a column of this name: rename"):
        columns(with_reading(plan, "room", "b_load_ka", np.ones(48)))


def test_a_new_product_needs_no_edit() -> None:
    """A stock of a unit and commodity of one's own gets its column by its record alone."""
    plan = small_plan()
    stock = Stock("resin_level", "kmol", "resin", 1.0, np.zeros(48), np.ones(48), "resin")
    audit = replace(plan.audit, values={**plan.audit.values, "resin_level": np.full(48, 0.5)})
    declaration = Declaration.merged((plan.declaration, Declaration(stocks=(stock,))))
    assert table(replace(plan, audit=audit, declaration=declaration))["resin_level_kmol"][0] == "0.500000"


def test_labelled_variables_stay_out() -> None:
    """Peaks and misses are not per interval; they are in plan.json."""
    names = {column.name for column in columns(small_plan())}
    assert not {name for name in names if "peak" in name or "missed" in name}


def test_interval_misses_are_columns() -> None:
    """A miss that lives on intervals, as a pipeline customer's, is shown hour by hour."""
    plan = small_plan()
    miss = Variable("vinyl_missed", "t/h", np.zeros(48), np.ones(48), np.arange(48), miss_class=1)
    audit = replace(plan.audit, values={**plan.audit.values, "vinyl_missed": np.full(48, 0.25)})
    declaration = Declaration.merged((plan.declaration, Declaration(variables=(miss,))))
    cells = table(replace(plan, audit=audit, declaration=declaration))
    assert set(cells["vinyl_missed_t_per_h"]) == {"0.2500"}


def test_csv_is_the_same_twice() -> None:
    """The same plan gives the same bytes, with line feeds only."""
    assert plan_csv(small_plan()) == plan_csv(small_plan())
    assert "\r" not in plan_csv(small_plan())


def test_every_column_is_documented() -> None:
    """Each column fits a documented name or a pattern with the names of units and suffixes filled in."""
    plan = small_plan()
    units = "|".join(unit.name for unit in plan.site.units)
    patterns = []
    for row in documented_columns():
        pattern = re.escape(row.name).replace(r"\{unit\}", f"({units})").replace(r"\{circuit\}", "room_[mb]")
        pattern = pattern.replace(r"\{suffix\}", "(ka|mw|t|t_per_h)")
        patterns.append(re.sub(r"\\\{\w+\\\}", r"\\w+", pattern))
    for column in columns(plan):
        assert any(re.fullmatch(pattern, column.name) for pattern in patterns), column.name


def test_readme_table_holds_every_name_once() -> None:
    """The Markdown between the markers lists each documented column and field with unit and meaning."""
    text = readme_table()
    assert text.startswith(TABLE_START)
    assert text.endswith(TABLE_END)
    for row in (*documented_columns(), *documented_fields()):
        line = f"| `{row.name}` | {row.unit} | {row.meaning} |"
        assert text.count(line) == 1
    assert "| `_t_per_h` | t/h | 4 |" in text


def test_readme_table_is_well_formed() -> None:
    """Every table line has as many cells as its head."""
    width = 0
    for line in readme_table().splitlines():
        if line.startswith("|"):
            width = width or line.count("|")
            assert line.count("|") == width
        else:
            width = 0
