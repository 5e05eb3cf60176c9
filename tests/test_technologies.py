"""The studies of running cost and conversion: plans of the site as it is and changed, priced and itemised."""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from models.cell_voltage import CellVoltage
from models.circuit import Circuit
from models.contract.capacity import CapacityCharge
from models.contract.component import Component
from models.contract.demand import DemandCharge
from models.conversion import ConversionTable
from models.cost_tables import CostTables, Hypothetical
from models.cost_values import CostPrices, Room
from models.evaporator import Evaporator
from models.faraday import mass_ratio
from models.horizon import Horizon
from models.running_cost import LABELS, POWER_LINES
from models.site import Site
from models.situation import Availability, Situation
from models.tank import ProductStore
from models.trade import Outlet, OwnUse, Purchase
from scheduler.plan import PlanOptions, make_plan
from scheduler.studies.conversion import ConversionStudy, room_to_convert_to, study_conversion
from scheduler.studies.technologies import (
    Planned,
    Technologies,
    freely,
    period_planner,
    planned_of,
    study_technologies,
)
from scheduler.studies.year import YearOptions
from tests.small_sites import Case, intervals, plain_case, plain_circuit
from tests.study_sites import long_horizon, start_of, store_site, wild_prices

OLD = plain_circuit(
    "old", technology="mercury", alkali="naoh_50", voltage=CellVoltage(3.15, 0.09), auxiliary_kwh_per_t=200.0
)
NEW = plain_circuit("new", auxiliary_kwh_per_t=140.0, step_ka=0.5, changes_per_day=2)
CONVERTED = replace(NEW, name="converted", step_ka=None, changes_per_day=None)
PRICES = 60.0 + 40.0 * np.sin(np.arange(24) / 24 * 4 * np.pi)
OTHER_MW = 2.0
START = intervals(1).start_min


def case() -> Case:
    """Return a mercury and a membrane room that meet 4 t/h of chlorine through a store, for a day."""
    return plain_case(
        (
            OLD,
            NEW,
            OwnUse("use", "chlorine", rate_per_h=4.0),
            ProductStore("store", "chlorine", 0.0, 40.0, end_min_t=20.0),
            Evaporator("evaporator", "naoh_32", "naoh_50", 0.0, 20.0, 0.6, kwh_per_t=10.0),
            Outlet("soda_out", "naoh_50", rate_max_per_h=1e4),
            OwnUse("other", "power", rate_per_h=OTHER_MW, unit="MW"),
            Purchase("steam_purchase", "steam", 1e4, 30.0, group="steam"),
        ),
        PRICES,
        components=(DemandCharge("demand", 3000.0, 60),),
        stocks={"store": 20.0},
        availability=(Availability("new", "in_service", 0, START, START + 180),),
    )


HYPOTHETICAL = Hypothetical("membrane", "the old room converted", (CONVERTED,), ("old",))
TABLES = CostTables(
    CostPrices(steam_price_per_t=30.0),
    (Room("room_old", ("old",)),),
    (HYPOTHETICAL,),
    ConversionTable(investment_per_t_per_year=450.0),
)


def plan_period(site: Site, horizon: Horizon, situation: Situation) -> Planned:
    """Plan one horizon."""
    return planned_of(make_plan(site, horizon, situation, PlanOptions(compare=False)))


@pytest.fixture(scope="module")
def study() -> Technologies:
    """Return the study of the small site; nothing may change it."""
    made = case()
    return study_technologies(made.site, made.horizon, made.situation, TABLES, plan_period)


@pytest.fixture(scope="module")
def conversion(study: Technologies) -> ConversionStudy:
    """Return the conversion of the small site."""
    return study_conversion(study, TABLES.conversion, "membrane")


class TestTechnologies:
    """Every room of every variant, from planned loads."""

    def test_both_variants_are_planned_and_keep_their_duties(self, study: Technologies) -> None:
        """Both make the day's chlorine; no warning stands on them."""
        assert [variant.name for variant in study.variants] == ["as_is", "membrane"]
        assert study.warnings == ()
        for variant in study.variants:
            assert variant.whole.chlorine_t == pytest.approx(96.0, abs=1e-3)

    def test_rooms_and_the_rest_of_the_site_draw_what_the_meter_meters(self, study: Technologies) -> None:
        """DC, rectification and auxiliaries, evaporation of what was evaporated, and the other load."""
        for variant in study.variants:
            whole = variant.whole
            rooms = sum(
                whole.item(key).quantity for key in ("power_dc", "power_rectification", "power_auxiliaries")
            )
            evaporated = variant.planned.evaporated_t_per_h["evaporator"] * 24 * 10.0 / 1000.0

            assert rooms + evaporated + OTHER_MW * 24 == pytest.approx(variant.planned.import_mwh, rel=1e-9)

    def test_the_bill_is_hourly_energy_and_the_days_share_of_the_demand_charge(
        self, study: Technologies
    ) -> None:
        """A day bears one thirtieth of June's demand charge; all of it is spread over the metered energy."""
        made = case()
        plan = make_plan(freely(made.site), made.horizon, made.situation, PlanOptions(compare=False))
        power = plan.audit.values["meter_import"]
        days = calendar.monthrange(2026, 6)[1]
        by_hand = float(np.sum(power * PRICES)) + 3000.0 * float(np.max(power)) / days
        planned = study.variants[0].planned

        assert planned.bill == pytest.approx(by_hand, rel=1e-6)
        assert planned.period.other_charges_per_mwh * planned.import_mwh == pytest.approx(
            by_hand - float(np.sum(power * PRICES)), rel=1e-4
        )

    def test_an_outage_of_the_plan_is_in_the_costs(self, study: Technologies) -> None:
        """The new room stands for three hours, in the loads that are priced as well."""
        loads = study.variants[0].planned.period.loads_ka["new"]

        assert np.all(loads[:3] == 0.0)
        assert np.all(loads[3:] > 0.0)

    def test_a_circuit_in_no_room_is_costed_too(self, study: Technologies) -> None:
        """The stated room has its name, the other circuit is a room of its own."""
        assert [room.name for room in study.variants[0].rooms] == ["room_old", "new"]

    def test_every_value_in_use_is_listed_with_its_standing(self, study: Technologies) -> None:
        """The stated steam price is no default; the membrane's price is, and says so."""
        values = {(value.owner, value.key): value for value in study.variants[0].values}

        assert not values["", "steam_price_per_t"].is_default
        assert values["", "membrane_price_per_m2"].is_default
        assert values["room_old", "mercury_makeup_g_per_t"].source.startswith("default: ")
        assert values["new", "steam_t_per_t_alkali"].source == "site file, unit 'evaporator': steam_t_per_t"

    def test_studies_leave_steps_to_the_plan_of_a_day(self) -> None:
        """Loads are free of steps and counted changes; ramps and all else stay."""
        site = freely(case().site)
        circuit = next(unit for unit in site.units if unit.name == "new")

        assert circuit == replace(NEW, step_ka=None, changes_per_day=None)

    def test_curves_agree_with_the_running_cost_at_the_mean_energy_price(self, study: Technologies) -> None:
        """At each planned load the curve's power is what the simulation of the circuit draws."""
        variant = study.variants[0]
        curve = next(curve for curve in variant.curves if curve.room == "room_old")
        load = np.asarray(curve.power_only.loads_ka[0])
        drawn = -OLD.simulate(
            Horizon(START + 60 * np.arange(len(load)), np.full(len(load), 60), "UTC", len(load)),
            Situation(),
            {"old_load": load},
        ).flows["power"]

        assert curve.power_only.cost_per_h / variant.power_price_per_mwh == pytest.approx(drawn, rel=1e-9)

    def test_a_stated_worth_of_an_ecu_sets_the_price_steps(self) -> None:
        """Otherwise the worth is what the tonne costs at another hour, and the table says so."""
        made = case()
        tables = replace(
            TABLES, hypotheticals=(), prices=CostPrices(steam_price_per_t=30.0, ecu_value_per_t=400.0)
        )
        variant = study_technologies(made.site, made.horizon, made.situation, tables, plan_period).variants[0]

        assert {step.value_per_t for step in variant.steps} == {400.0}
        assert all("ecu_value_per_t" in step.value_from for step in variant.steps)

    def test_the_cheapest_load_over_the_power_price_leaves_its_ends_at_the_price_steps(
        self, study: Technologies
    ) -> None:
        """Full load below the first price, least load above the second, falling between them."""
        variant = study.variants[0]
        for step, curve in zip(variant.steps, variant.price_curves, strict=True):
            assert step.prices.name == curve.name
            price, load = curve.power_price_per_mwh, curve.load_ka
            assert np.all(load[price < step.prices.full_below_per_mwh] == pytest.approx(15.0))
            assert np.all(load[price > step.prices.least_above_per_mwh] == pytest.approx(5.0))
            assert np.all(np.diff(load) <= 1e-9)


class TestConversion:
    """The conversion of the old room."""

    def test_saving_is_the_difference_line_by_line(
        self, study: Technologies, conversion: ConversionStudy
    ) -> None:
        """Yearly costs of both variants, of every line, add up to the yearly saving without a remainder."""
        old, new = (variant.whole for variant in study.variants)
        by_hand = (old.total / old.chlorine_t - new.total / new.chlorine_t) * 96.0 * 365

        assert [line.key for line in conversion.lines] == list(LABELS)
        assert sum(line.saving for line in conversion.lines) == pytest.approx(by_hand, rel=1e-9)
        assert conversion.case.saving_per_year == pytest.approx(by_hand, rel=1e-9)

    def test_power_and_steam_are_told_apart(self, conversion: ConversionStudy) -> None:
        """Power money is that of the power lines; steam is that of the steam line."""
        power = sum(line.saving for line in conversion.lines if line.key in POWER_LINES)
        steam = next(line.saving for line in conversion.lines if line.key == "steam")

        assert conversion.case.power_saving_per_year == pytest.approx(power)
        assert -conversion.case.steam_cost_per_year == pytest.approx(steam)
        assert conversion.case.energy_saved_mwh_per_year > 0

    def test_capacity_is_the_greatest_load_by_faraday(self, conversion: ConversionStudy) -> None:
        """15 kA through 150 cells, all year, at 1.3228 kg/kAh (calculated from CODATA and IUPAC)."""
        assert conversion.case.capacity_t_per_year == pytest.approx(15 * 150 * 1.3228 * 8.76, rel=1e-4)
        assert conversion.case.mercury_t == pytest.approx(1.9 * conversion.case.capacity_t_per_year / 1000)

    def test_a_short_period_is_told(self, conversion: ConversionStudy) -> None:
        """A day that stands for a year says so."""
        assert any("24 h; it stands for the year" in note for note in conversion.notes)

    def test_a_room_without_mercury_has_none_to_dispose_of(self) -> None:
        """Replacing the membrane room leaves the mercury inventory out, and says why."""
        made = case()
        newer = replace(CONVERTED, voltage=CellVoltage(2.3, 0.1))
        tables = replace(TABLES, hypotheticals=(replace(HYPOTHETICAL, units=(newer,), replaces=("new",)),))
        study = study_technologies(made.site, made.horizon, made.situation, tables, plan_period)
        found = study_conversion(study, tables.conversion, "membrane")

        assert found.rooms_out == ("new",)
        assert found.case.mercury_t == 0.0
        assert found.ranges["mercury_inventory_t_per_kt"].source == "the room holds no mercury"

    def test_without_a_hypothetical_room_there_is_nothing_to_convert_to(self, study: Technologies) -> None:
        """The message says what to write; a variant that was not planned is named."""
        with pytest.raises(ValueError, match=r"write a \[\[hypothetical\]\]"):
            room_to_convert_to(CostTables())
        with pytest.raises(ValueError, match="'other' was not planned"):
            study_conversion(study, TABLES.conversion, "other")

    def test_of_several_one_must_be_named(self) -> None:
        """Nothing is chosen in silence."""
        several = replace(TABLES, hypotheticals=(HYPOTHETICAL, replace(HYPOTHETICAL, name="other")))
        with pytest.raises(ValueError, match="name one of membrane, other as 'hypothetical'"):
            room_to_convert_to(several)
        named = replace(several, conversion=ConversionTable(hypothetical="other"))
        assert room_to_convert_to(named).name == "other"
        with pytest.raises(ValueError, match=r"\[conversion\] names 'third'"):
            room_to_convert_to(replace(several, conversion=ConversionTable(hypothetical="third")))


def test_a_year_of_chained_windows_is_costed_like_a_plan() -> None:
    """Nine days in three windows: the same interface, all chlorine, and the whole bill in the costs.

    The bill is the energy of every hour at its price, by hand, and the demand charge's share of the month. A
    plan of the nine days as one makes the same chlorine at almost the same cost.
    """
    site = store_site(1.0, DemandCharge("demand", 2000.0, 60))
    horizon = long_horizon(site, dt.date(2026, 6, 1), 9)
    prices = wild_prices(horizon)
    situation = start_of(site, horizon, prices)
    options = PlanOptions(compare=False)
    chained = period_planner(options, YearOptions(look_ahead_days=2, kept_days=3), longest_days=4.0)
    made = [
        study_technologies(site, horizon, situation, CostTables(), plan).variants[0]
        for plan in (chained, period_planner(options))
    ]
    year, whole = made
    room = next(unit for unit in site.units if isinstance(unit, Circuit))
    load = year.planned.period.loads_ka["room"]
    drawn = -room.simulate(horizon, situation, {"room_load": load}).flows["power"] + 0.5

    assert year.planned.bill == pytest.approx(
        float(np.sum(drawn * prices)) + 2000.0 * float(np.max(drawn)) * 9 / 30, rel=1e-6
    )
    assert year.rooms[0].chlorine_t == pytest.approx(whole.rooms[0].chlorine_t, rel=1e-3)
    assert year.rooms[0].total == pytest.approx(whole.rooms[0].total, rel=0.02)


@pytest.mark.parametrize(
    ("charge", "per_mw_borne"),
    [
        (DemandCharge("charge", 3000.0, 60), 3000.0 / 30),
        (CapacityCharge("charge", 36500.0, 60, per="year"), 36500.0 / 365),
        (CapacityCharge("charge", 110.0, 60, price_per_day=True), 110.0),
    ],
)
def test_a_day_bears_its_share_of_a_month_or_a_year(charge: Component, per_mw_borne: float) -> None:
    """One thirtieth of June's charge, 1/365 of the year's; what is priced by the day is borne in full."""
    made = case()
    contract = replace(made.site.contract, components=(made.site.contract.components[0], charge))
    plan = make_plan(
        replace(made.site, contract=contract), made.horizon, made.situation, PlanOptions(compare=False)
    )
    power = plan.audit.values["meter_import"]

    assert planned_of(plan).bill == pytest.approx(
        float(np.sum(power * PRICES)) + per_mw_borne * float(np.max(power)), rel=1e-6
    )


def test_a_hypothetical_room_takes_the_facts_of_what_it_replaces_with_it() -> None:
    """Outages and loads of a room that goes do not stay behind; a unit that is not there is named."""
    made = case()
    known = replace(made.situation, loads_before={"new": 6.0, "old": 7.0})
    works, then = replace(HYPOTHETICAL, replaces=("new",)).applied(made.site, known)

    assert {unit.name for unit in works.units if isinstance(unit, Circuit)} == {"old", "converted"}
    assert then.availability == ()
    assert then.loads_before == {"old": 7.0}
    assert "Hypothetical: the old room converted." in works.notes
    with pytest.raises(ValueError, match="replaces nothing: no such unit"):
        replace(HYPOTHETICAL, replaces=("nothing",)).applied(made.site, known)


def test_steam_of_the_new_room_is_that_of_its_alkali(study: Technologies) -> None:
    """1.1282 t of soda a tonne at 0.6 t of steam, at 30 per t, whatever was sold at 32 wt%."""
    room = next(room for room in study.variants[0].rooms if room.name == "new")

    assert room.item("steam").amount / room.chlorine_t == pytest.approx(0.6 * 30.0 * mass_ratio("NaOH"))
