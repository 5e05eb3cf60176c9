"""What a works really lets a planner do: one test for each rule, on a plan of a small site.

The rules are common practice of the trade; figures in the docstrings are values from memory unless they are
worked out. Where another module proves a rule already, its case is called here by its name, so that
one list shows that every rule holds.
"""

from __future__ import annotations

from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from models.brine import BrineCircuit
from models.chlorine_products import HypochloriteUnit
from models.current_efficiency import CurrentEfficiency
from models.horizon import Series
from models.reactive import FilterBank
from models.site import Site
from models.situation import Situation
from models.tail_gas import yield_max
from models.tank import ProductStore
from models.trade import OwnUse, Purchase
from models.unit import UNIT_KINDS
from scheduler.plan import PlanOptions, make_plan
from scheduler.read.inputs import read_inputs
from scheduler.report.handoffs import EXTRA_NAMES, handoff_files, handoff_text
from scheduler.report.summary import summary_text
from scheduler.result import Plan, Status
from tests import (
    test_cell_temperature,
    test_circuit,
    test_contract_imbalance,
    test_handoffs,
    test_limits_bind,
    test_loaded_wagons,
    test_notice,
    test_quality,
    test_reactive,
    test_report_summary,
    test_taps,
    test_thermal,
    test_trips,
)
from tests.binding_cases import ALKALI_PER_KA, T_PER_KA, Small, customer, energy_cost, hours, outlet, room
from tests.report_case import small_plan
from tests.test_limits_bind import evaporated, looping, stored
from tests.trip_case import trip_plan

C = T_PER_KA
BINDING = {case.name: case for case in test_limits_bind.CASES}
MOVES = {case.name: case for case in test_limits_bind.MOVES}


def binds(*names: str) -> None:
    """Check that limits bind and cost what they should, by the cases of `tests.test_limits_bind`."""
    for name in names:
        test_limits_bind.test_limit_binds_and_costs_what_it_should(BINDING[name])


def moves_bind(*names: str) -> None:
    """Check the same of limits on moves."""
    for name in names:
        test_limits_bind.test_limit_on_moves_binds_and_costs_what_it_should(MOVES[name])


def planned(small: Small) -> Plan:
    """Return the plan of a site at the usual gap, compared with nothing."""
    return make_plan(small.site(), small.intervals(), small.situation(), PlanOptions(compare=False))


def test_rule_01_absorber_takes_nothing_at_minus_200() -> None:
    """At -200 per MWh no more chlorine is made than customers and store take: the absorber is no sink.

    10 kAh's worth are taken and 4 can be stored: 14 kAh in two hours, 9 and 5 kA or any pair in range. No
    kind of unit takes chlorine for nothing in return.
    """
    small = replace(stored(store=ProductStore("store", "chlorine", 0.0, 4.0 * C)), prices=(-200.0, -200.0))
    plan = planned(small)
    assert plan.status is Status.PLAN
    assert float(np.sum(plan.audit.values["room_load"])) == pytest.approx(14.0, abs=1e-4)
    assert max(plan.audit.balance_error.values()) < 1e-6
    assert not [kind for kind in UNIT_KINDS if "absorb" in kind]


def test_rule_01_no_loop_of_liquefier_and_vaporiser_at_minus_200() -> None:
    """Where drawing pays 200 per MWh nobody liquefies above the least feed and vaporises in one hour."""
    plan = planned(replace(looping(True), prices=(-200.0, -200.0)))
    assert plan.status is Status.PLAN
    feed, rate = plan.audit.values["train_feed"], plan.audit.values["vaporiser_rate"]
    assert not np.any((feed > C * (1 + 1e-6)) & (rate > 1e-6))
    loop = planned(replace(looping(False), prices=(-200.0, -200.0)))
    assert np.any(
        (loop.audit.values["train_feed"] > 1.1 * C) & (loop.audit.values["vaporiser_rate"] > 0.1 * C)
    )


def test_rule_01_hypochlorite_is_a_product_with_its_caustic() -> None:
    """A tonne of chlorine in it takes 2 * 39.997 / 70.906 = 1.128 t NaOH and 2 to 5 % of excess."""
    unit = HypochloriteUnit("bleach", 9.0 * C, "naoh_50", 3.0)
    flows = unit.simulate(hours(1), Situation(), {"bleach_chlorine": np.array([1.0])}).flows
    assert -flows["naoh_50"][0] == pytest.approx(1.128 * 1.03, rel=1e-3)


@pytest.mark.parametrize(
    ("hydrogen", "at_4", "at_3"), [(0.1, 0.99, 0.98), (0.3, 0.94, 0.92), (0.5, 0.89, 0.85)]
)
def test_rule_02_tail_gas_hydrogen_sets_the_yield(hydrogen: float, at_4: float, at_3: float) -> None:
    """Hydrogen in the tail gas is h / (1 - c y), so y = (1 - h / x) / c at a limit x: by hand at c 0.98."""
    for limit, expected in ((4.0, at_4), (3.0, at_3)):
        found = yield_max(hydrogen / 100.0, 0.98, limit / 100.0)
        assert min(found, 1.0) == pytest.approx(expected, abs=0.008)


def test_rule_02_the_yield_is_that_of_the_plan_and_tail_gas_needs_a_home() -> None:
    """In a plan the lower limit costs feed; a works where nobody takes tail gas is refused."""
    binds("tail gas hydrogen")
    homeless = liquid_site = test_limits_bind.liquefied()
    homeless = replace(liquid_site, units=tuple(u for u in liquid_site.units if u.name != "tail_gas_out"))
    with pytest.raises(ValueError, match="no unit takes the commodity 'tail_gas'"):
        homeless.plan()


def test_rule_02_hydrogen_rises_as_the_load_falls() -> None:
    """A circuit's own limit, and what liquefaction bears from all of them together, hold the load up."""
    test_quality.test_hydrogen_at_half_load_is_twice_that_at_full_load()
    test_quality.test_a_circuits_own_hydrogen_limit_is_a_least_load()
    test_quality.test_tail_gas_holds_the_load_up_at_the_yield_in_use()


def test_rule_03_downstream_sets_the_floor() -> None:
    """Compressors recycle below surge and draw the same; liquefier and customer have a least flow."""
    binds("surge floor", "liquefier min", "vaporiser max")


def test_rule_03_a_customer_has_turndown_movement_daily_total_and_notice() -> None:
    """A vinyl-chain customer turns down so far, moves so fast, has a daily total and wants notice."""
    binds("pipeline min", "movement of the pipeline", "daily total, least", "daily total, most")
    test_notice.test_notice_in_a_morning_plan_costs_what_it_should()


def test_rule_04_bypass_by_construction() -> None:
    """Mercury cells are jumpered one by one; of a bipolar electrolyser the whole is off, or nothing."""
    test_circuit.test_an_element_of_a_bipolar_electrolyser_cannot_be_bypassed()
    test_circuit.test_jumpered_cells_make_nothing()


def test_rule_04_electrolysers_in_parallel_share_unequally() -> None:
    """60 mV between old and new at k = 0.105 part them by 0.6 kA/m2; the limit binds on the newest."""
    test_quality.test_sixty_millivolts_between_two_electrolysers_cost_range_at_both_ends()
    test_quality.test_the_limit_binds_on_the_newest_in_a_plan()


def test_rule_05_rectifiers_limit_current_volts_and_units() -> None:
    """Current, DC volts (so ageing cuts the load) and a unit out of service each cap the plan's load."""
    binds("rectifier current", "DC voltage", "rectifier unit out")
    test_circuit.test_dc_voltage_ceiling_falls_with_age()


def test_rule_05_taps_move_a_load_in_steps_and_fine_regulation_reaches_so_far() -> None:
    """A plan stands on taps; a load that no tap reaches is refused by name; changes of tap are counted."""
    test_taps.test_fine_regulation_reaches_loads_around_a_tap()
    test_taps.test_a_load_between_two_taps_is_refused_by_name()
    test_taps.test_changes_of_tap_are_counted_apart_from_fine_changes()


def test_rule_05_power_factor_is_kept_by_filter_steps() -> None:
    """Thyristors draw reactive power; as few filter steps as keep the site's limit are switched in."""
    test_reactive.test_a_limit_on_reactive_power_moves_loads_and_is_kept_exactly()
    plan = planned(test_reactive.site(FilterBank("filters", 5, 0.2, reactive_max_mvar=0.5)))
    steps = plan.audit.simulations["filters"].readings["filter_steps"]
    net = plan.audit.simulations["filters"].readings["reactive_mvar"]
    assert np.all(net <= 0.5 + 1e-6)
    assert np.all((steps == 0) | (net + 0.2 > 0.5))


def test_rule_06_temperature_lag_is_in_the_audit_and_its_cost_is_shown() -> None:
    """A membrane room cools after a cut: 8 K cost 80 to 100 mV; charged at the hour's price and the peak."""
    test_cell_temperature.test_eight_kelvin_colder_cost_80_to_100_mv_and_60_to_75_kwh_per_tonne()
    test_thermal.test_the_lag_is_charged_at_the_hours_price_and_at_the_peak()
    test_thermal.test_the_page_shows_the_lag_and_what_it_is_no_part_of()


def test_rule_06_temperature_lag_is_in_the_plan_where_it_matters() -> None:
    """Under a billed peak the plan leaves power for the cold room; full density when cold is warned of."""
    test_thermal.test_the_plan_leaves_power_free_under_a_billed_peak()
    test_thermal.test_a_cold_room_at_full_density_is_a_warning()


def test_rule_07_membranes_do_not_stay_at_low_load() -> None:
    """Not under 1.5 kA/m2 for long: over any two hours the mean is held at 3 kA, so 9, 1, 1 is not run.

    12 kAh due in hours at 20, 100 and 100 with at least 3 kA on the mean of hours two and three: 6, 3 and 3.
    """
    small = Small(
        (
            room(low_density_ka_per_m2=3.0, low_density_hours=2.0),
            ProductStore("store", "chlorine", 0.0, 100.0, end_min_t=12.0 * C),
        ),
        (20.0, 100.0, 100.0),
        stocks=(("store", 0.0),),
    )
    plan = planned(small)
    load = plan.audit.values["room_load"]
    assert load[1] + load[2] == pytest.approx(6.0, abs=1e-3)
    free = planned(
        replace(small, units=(room(), ProductStore("store", "chlorine", 0.0, 100.0, end_min_t=12.0 * C)))
    )
    assert float(np.sum(free.audit.values["room_load"][1:])) < 5.0
    assert free.audit.cost < plan.audit.cost


def test_rule_07_chloride_in_caustic_goes_as_one_over_the_density() -> None:
    """A limit on it holds the load up."""
    test_quality.test_chloride_goes_as_one_over_the_density()
    test_quality.test_chloride_in_the_caustic_holds_the_load_up()


def test_rule_08_production_is_affine_in_the_load() -> None:
    """Chlorine is c (CE0 j - jL) in plan and audit alike; hydrogen has an efficiency of its own, 99.5 %."""
    circuit = room(efficiency=CurrentEfficiency(0.97, 0.04, 0.995))
    plan = planned(Small((circuit, customer(0.97 * 5.0 - 0.04))))
    flows = plan.audit.flows
    assert plan.audit.values["room_load"] == pytest.approx([5.0, 5.0], abs=1e-6)
    assert flows["room", "chlorine"] == pytest.approx([(0.97 * 5.0 - 0.04) * C] * 2, rel=1e-9)
    per_ka = 1000.0 * C * 2.016 / 70.906
    assert flows["room", "hydrogen"] == pytest.approx([0.995 * 5.0 * per_ka] * 2, rel=1e-4)


def test_rule_09_two_salts_have_circuits_of_their_own() -> None:
    """Mercury brine is kept from membranes: a room draws on its own circuit, whose pumps limit it alone.

    1.6485 t NaCl per t Cl2 at 37.5 g/l of depletion are 44 m3 per t, within 40 to 45.
    """
    binds("brine flow")
    brine = BrineCircuit("brine", "brine_mercury", 1e3, 37.5)
    flows = brine.simulate(hours(1), Situation(), {"brine_flow": np.array([44.0])}).flows
    assert set(flows) <= {"brine_mercury", "power"}
    assert flows["brine_mercury"][0] == pytest.approx(1.65, abs=0.01)


def test_rule_10_evaporator_keeps_its_minimum_and_a_tank_buffers_it() -> None:
    """It has a least rate; a tank of 32 % lets the room move to 9 and 1 kA while it runs on."""
    binds("evaporator min")
    without = evaporated(low_ka=4.0, high_ka=6.0)
    tank = ProductStore("buffer", "naoh_32", 0.0, 10.0 * ALKALI_PER_KA)
    with_tank = replace(
        without, units=(*without.units, tank), stocks=(("store", 0.0), ("buffer", 0.0)), end_stocks=()
    )
    held, moved = planned(without), planned(with_tank)
    assert held.status is moved.status is Status.PLAN
    assert held.audit.values["room_load"] == pytest.approx([6.0, 4.0], abs=1e-3)
    assert moved.audit.values["room_load"] == pytest.approx([9.0, 1.0], abs=1e-3)
    assert np.all(moved.audit.values["evaporator_rate"] >= 4.0 * ALKALI_PER_KA - 1e-6)


@pytest.mark.parametrize(("own_percent", "saleable"), [(1.0, 1.11), (2.0, 1.10)])
def test_rule_10_own_use_and_hypochlorite_leave_caustic_to_sell(own_percent: float, saleable: float) -> None:
    """Of 1.128 t NaOH per t Cl2 the works uses 1 to 2 %, and hypochlorite its own: 1.09 to 1.11 t/t are left.

    At 5 kA for two hours, with 0.5 % of the chlorine made into hypochlorite at 3 % excess.
    """
    to_bleach = 0.005 * 5.0 * C
    bleach = HypochloriteUnit("bleach", 9.0 * C, "naoh_50", 3.0)
    units = (
        room(),
        customer(5.0 * 0.995),
        bleach,
        OwnUse("own", "naoh_50", rate_per_h=own_percent / 100.0 * 5.0 * ALKALI_PER_KA),
        OwnUse("bleach_out", "hypochlorite", rate_per_h=to_bleach),
    )
    plan = planned(Small(units))
    sold = -plan.audit.flows["naoh_50_out", "naoh_50"]
    made = plan.audit.flows["room", "chlorine"]
    expected = 2 * 39.997 / 70.906 * (1.0 - own_percent / 100.0 - 0.005 * 1.03)
    assert sold / made == pytest.approx([expected] * 2, rel=1e-3)
    assert expected == pytest.approx(saleable, abs=0.01)


@pytest.mark.parametrize(("price", "first"), [(20.0, "mercury"), (100.0, "membrane")])
def test_rule_11_steam_decides_which_room_is_loaded_first(price: float, first: str) -> None:
    """Steam is not electricity: with it the mercury room is cheaper at a low power price.

    0.5 V more are 0.5 / 1.3228 = 0.378 MWh/t. Evaporating 1.128 t at 0.56 t/t with steam of 30 costs 19 per t
    Cl2. So the rooms change places at about 50 per MWh; both run from 1 to 9 kA and 10 kA's worth are due.
    """
    mercury = room(
        name="mercury",
        alkali="naoh_50",
        voltage=replace(room().cell_voltage, intercept_v=2.5, k_v_m2_per_ka=0.001),
    )
    membrane = room(
        name="membrane",
        alkali="naoh_32",
        voltage=replace(room().cell_voltage, intercept_v=2.0, k_v_m2_per_ka=0.001),
    )
    evaporator = evaporated().units[1]
    steam = Purchase("steam", "steam", 1e3, 30.0, group="steam")
    units = (mercury, membrane, replace(evaporator, steam_t_per_t=0.56), steam, customer(10.0))  # type: ignore[type-var]
    plan = planned(Small(units, (price,)))
    assert plan.status is Status.PLAN
    assert plan.audit.values[f"{first}_load"][0] == pytest.approx(9.0, abs=1e-3)


def test_rule_12_margins_are_inputs() -> None:
    """An optimiser parks on limits, so customer, permit, tank and meter each have a margin that holds."""
    binds("margin of a customer", "margin of the permit", "margin of the meter", "alkali tank max")


def test_rule_12_loaded_wagons_count_in_the_permit_and_one_vessel_stays_empty() -> None:
    """Wagons count from loading until they leave, and those that stand there anyway; one vessel is empty."""
    binds("wagons under the permit", "empty vessel")
    test_loaded_wagons.test_the_permit_counts_vessels_and_wagons_together()


def test_rule_13_on_and_off_are_calendar_facts() -> None:
    """At 1000 per MWh with nobody in need the circuit runs at its least load: only the calendar stops it."""
    small = Small((room(), outlet("chlorine")), (1000.0, 1000.0))
    assert planned(small).audit.values["room_load"] == pytest.approx([1.0, 1.0], abs=1e-6)
    facts = (test_limits_bind.fact("room", "in_service", 0, 1, 1),)
    assert planned(replace(small, facts=facts)).audit.values["room_load"] == pytest.approx(
        [1.0, 0.0], abs=1e-6
    )


def test_rule_13_people_move_loads_so_often_and_not_at_a_change_of_shift() -> None:
    """Changes per shift and day, rest between them, steps, quiet times, the site's step in chlorine."""
    moves_bind("changes per day", "changes per shift", "step of the load", "rest between changes")
    binds("quiet time at a change of shift", "step of the site's chlorine")


def test_rule_14_a_miss_is_told_and_never_part_of_the_cost() -> None:
    """Duals show the penalty where a duty is missed: so a miss has a price of its own, apart from the cost.

    9 kA of 10 in both hours: 1 kA's worth is missed twice, and the cost is that of 9 kA.
    """
    plan = planned(Small((room(), customer(10.0))))
    assert plan.status is Status.MISSES
    assert plan.misses[0].quantity == pytest.approx(2.0 * C, rel=1e-6)
    assert plan.audit.cost == pytest.approx(energy_cost((9.0, 9.0)), rel=1e-9)


def test_rule_15_after_the_gate_a_moved_mwh_is_settled_at_imbalance() -> None:
    """The nomination is an input: a surcharge above the spread keeps the load, one below lets it move."""
    test_contract_imbalance.test_a_surcharge_above_the_spread_keeps_the_load(500.0, 500.0)
    test_contract_imbalance.test_two_hours_by_hand()


def test_rule_16_the_meter_is_the_sites() -> None:
    """Other load on the site counts in import limit and billed peak: 1 MW makes a peak of 1.25 MW 2.25."""
    binds("other load under the import limit", "demand charge")
    small = test_limits_bind.demanded()
    other = OwnUse("other", "power", rate_per_h=1.0, unit="MW")
    plan = planned(replace(small, units=(*small.units, other)))
    assert plan.audit.values["demand_2026_06_peak"][0] == pytest.approx(2.25, abs=1e-4)


def test_rule_17_cover_after_a_trip_stands_on_the_sheet_for_every_interval() -> None:
    """Hours of cover if the largest circuit trips, places if a customer does; cover can be a limit."""
    test_trips.test_trip_of_the_largest_circuit_hour_by_hour()
    test_trips.test_trip_of_the_largest_customer_hour_by_hour()
    test_trips.test_a_plan_keeps_liquid_for_a_trip()


def test_rule_18_the_comparison_says_with_which_habit() -> None:
    """With last week's loads it is compared with their pattern too, by name; else with a constant load."""
    small = stored()
    pattern = {"room": np.array([4.0, 6.0])}
    known = small.site(), small.intervals(), small.situation()
    alone = make_plan(*known)
    both = make_plan(*known, PlanOptions(pattern_ka=pattern))
    assert [c.name for c in alone.comparisons] == ["cheapest constant load"]
    assert [c.name for c in both.comparisons] == ["cheapest constant load", "last week's pattern of loads"]
    # 5 and 5 kA: 120 * 1.25; 4 and 6 kA: 20 * 0.96 + 100 * 1.56, but 4 kA leave the customer short.
    assert both.comparisons[0].cost == pytest.approx(150.0, rel=1e-4)


def test_rule_19_the_gap_is_a_statement_about_the_optimiser() -> None:
    """The page says that the voltage model is good to 1-2 % beside the gap of its certificate."""
    text = test_report_summary.flat(small_plan())
    assert "1-2 %" in text
    test_report_summary.test_certificate_in_plain_words()


def test_rule_20_a_mercury_room_needs_a_dated_exemption_on_every_output() -> None:
    """The demo's notes name the exemption of its mercury cells and its end, on page and hand-offs."""
    with resources.as_file(resources.files("tariffs_demo") / "site.toml") as path:
        site = read_inputs(Path(path)).site
    assert any(getattr(unit, "technology", "") == "mercury" for unit in site.units)
    (note,) = [note for note in site.notes if "mercury" in note]
    assert "exemption" in note
    assert "2030" in note
    plan = _noted(trip_plan(), site)
    assert " ".join(note.split()) in " ".join(handoff_text(plan).split())
    assert " ".join(note.split()) in " ".join(summary_text(plan).split())


def _noted(plan: Plan, site: Site) -> Plan:
    return replace(plan, site=replace(plan.site, notes=site.notes))


def test_rule_21_hand_offs_for_those_who_act() -> None:
    """MW nomination, hydrogen and steam, wagons to fill per shift, kA per rectifier with time and rate."""
    assert set(handoff_files(trip_plan())) == set(EXTRA_NAMES)
    test_handoffs.test_nomination_repeats_an_hour_for_its_quarters()
    test_handoffs.test_hydrogen_and_steam_by_unit()
    test_handoffs.test_loading_by_shift()
    test_handoffs.test_changes_of_load()
    test_loaded_wagons.test_loading_per_shift_says_how_many_wagons()


def test_rules_hold_for_a_sheet_of_ones_own_too() -> None:
    """A planner's sheet of 12 and 0.5 kA is judged by the same rules: density, by name."""
    small = stored()
    over = small.intervals()
    lock = Series("sheet", over.starts_min, over.lengths_min, np.array([12.0, 0.5]))
    known = replace(small.situation(), locks={"room": lock})
    plan = make_plan(small.site(), over, known, PlanOptions(compare=False))
    assert plan.status is Status.NOT_A_PLAN
    assert "current density of room" in {v.meaning for v in plan.audit.violations}
