"""Bills of published tariffs to the cent, and properties that every bill must keep.

Sources stand beside each bill. 'Published' means that the amounts themselves are published; 'own
arithmetic' that prices are published and the amounts were multiplied out by hand.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from models.contract.bill import make_bill, rounded
from models.contract.blocks import Block, Blocks
from models.contract.capacity import CapacityCharge
from models.contract.carbon import CarbonCompensation
from models.contract.coincident import CoincidentPeak
from models.contract.component import Component, Contract, Profile
from models.contract.demand import DemandCharge
from models.contract.fixed import StandingCharge
from models.contract.reactive_energy import ReactiveEnergy
from models.contract.reserve import CallTier, Interruptible
from models.contract.spot import SpotEnergy
from models.contract.state import State
from models.contract.tiers import EnergyTiers, Tier
from models.contract.time_of_use import Band, TimeOfUse
from models.contract.two_part import TwoPart
from models.contract.utilisation import Utilisation, UtilisationStep
from models.horizon import Horizon, Series
from models.situation import Situation

NOW = Situation()


def days(first: dt.date, count: int, zone: str, minutes: int = 60) -> Horizon:
    """Return some days from a date."""
    return Horizon.of_days(first, zone, minutes, look_ahead_days=count - 1)


def year(zone: str = "Europe/Berlin", of: int = 2024) -> Horizon:
    """Return a calendar year in hours."""
    return days(dt.date(of, 1, 1), (dt.date(of + 1, 1, 1) - dt.date(of, 1, 1)).days, zone)


def with_peak(horizon: Horizon, energy_mwh: float, peak_mw: float) -> Profile:
    """Return a profile of a given energy with one interval at a given peak and the rest flat."""
    power = np.full(len(horizon), 0.0)
    hours = horizon.hours
    power[:] = (energy_mwh - peak_mw * hours[100]) / (float(np.sum(hours)) - hours[100])
    power[100] = peak_mw
    assert power[0] <= peak_mw
    return Profile(horizon, power)


def paid(components: tuple[Component, ...], profile: Profile, now: Situation = NOW) -> list[float]:
    """Return the lines as paid, rounded to cents."""
    bill = make_bill(Contract("checked", "XTS", components, round_digits=2), profile, now)
    return [billed.paid for billed in bill.lines]


def test_annual_peak_and_energy() -> None:
    """25 GWh and 5,000 kW: 736,750 + 122,500 = 859,250 EUR.

    Published worked bill: SWM Magdeburg, "Netzentgelte berechnen, Rechenbeispiel ab 01.01.2024", medium
    voltage, 147.35 EUR/kW and 0.49 ct/kWh.
    """
    part = Utilisation("network", (UtilisationStep("medium_voltage", 147_350.0, 4.9),))
    assert paid((part,), with_peak(year(), 25_000.0, 5.0)) == [736_750.0, 122_500.0]


def test_a_small_bill_line_by_line() -> None:
    """17,588 kWh and 30 kW in June: 3.74 + 1,661.01 - 302.37 + 262.34 = 1,624.72 USD.

    Published worked bill: PSE&G rate GLP in an energy-management handbook, section 18.5.1; the demand line
    joins several prices there and stands here as 262.34 / 30 kW.
    """
    parts = (
        StandingCharge("service", 3.74),
        TimeOfUse("energy", (Band("all_hours", 94.44),)),
        TimeOfUse("credit", (Band("all_hours", -17.192),)),
        DemandCharge("demand", 262.34 / 0.03, 15),
    )
    profile = with_peak(days(dt.date(2025, 6, 1), 30, "America/New_York"), 17.588, 0.03)
    lines = paid(parts, profile)
    assert lines == [3.74, 1661.01, -302.37, 262.34]
    bill = make_bill(Contract("GLP", "USD", parts, round_digits=2), profile, NOW)
    assert bill.net == 1624.72


# Stadtwerke Malchow, price sheet 2024, medium voltage: below 2,500 h 27.55 EUR/kW and 6.25 ct/kWh, from
# 2,500 h 147.22 EUR/kW and 1.46 ct/kWh. Band load: StromNEV section 19(2) sentence 2, from 7,000, 7,500 and
# 8,000 h and above 10 GWh not below 20, 15 and 10 % of the published charge. Amounts: own arithmetic.
BAND_LOAD = Utilisation(
    "network",
    (
        UtilisationStep("below_2500", 27_550.0, 62.5),
        UtilisationStep("from_2500", 147_220.0, 14.6, 2500.0),
        UtilisationStep("band_7000", 147_220.0, 14.6, 7000.0, 10_000.0, 20.0),
        UtilisationStep("band_7500", 147_220.0, 14.6, 7500.0, 10_000.0, 15.0),
        UtilisationStep("band_8000", 147_220.0, 14.6, 8000.0, 10_000.0, 10.0),
    ),
)


@pytest.mark.parametrize(
    ("hours", "expected"),
    [(6999, 2_494_054.0), (7000, 498_840.0), (7500, 385_080.0), (8000, 264_020.0)],
)
def test_band_load_discount(hours: int, expected: float) -> None:
    """10,000 kW at 6,999, 7,000, 7,500 and 8,000 h (sheet and own arithmetic as cited above)."""
    profile = with_peak(year(), hours * 10.0, 10.0)
    assert round(sum(paid((BAND_LOAD,), profile)), 2) == expected


@pytest.mark.parametrize(("hours", "per_kw"), [(2499.999, 183.80), (2500, 183.72)])
def test_price_pairs_meet_at_2500_hours(hours: float, per_kw: float) -> None:
    """At 2,500 h both price pairs give 183.80 and 183.72 EUR/kW (sheet and own arithmetic as cited above)."""
    profile = with_peak(year(), hours * 10.0, 10.0)
    assert sum(paid((BAND_LOAD,), profile)) / 10_000 == pytest.approx(per_kw, abs=0.001)


def test_monthly_variant_and_reactive_energy() -> None:
    """Monthly price 24.54 EUR/kW; kvarh above 40 % of simultaneous kWh at 1.10 ct (sheet as cited above).

    10 MW flat with 5 Mvar for 720 h: 245,400 EUR, and 720 * (5 - 4) = 720 Mvarh * 11 = 7,920 EUR.
    """
    horizon = days(dt.date(2024, 6, 1), 30, "Europe/Berlin")
    profile = Profile(horizon, np.full(720, 10.0), np.full(720, 5.0))
    parts = (
        CapacityCharge("month", 24_540.0, 15),
        ReactiveEnergy("kvarh", 11.0, 40.0, power_factor=0.9),
    )
    assert paid(parts, profile) == [245_400.0, 7_920.0]


def test_demand_in_kva_with_flat_energy() -> None:
    """100,000 kVA and 70 GWh in a month: 881,200 + 3,615,500 = 4,496,700 CAD.

    BC Hydro rate schedule 1823, energy charge A, older page: 8.812 CAD/kVA of the highest half hour, 5.165
    c/kWh; own arithmetic. The kVA come here from 80 MW and 60 Mvar.
    """
    horizon = days(dt.date(2025, 6, 1), 30, "America/Vancouver", 30)
    profile = with_peak(horizon, 70_000.0, 100.0)
    reactive = np.zeros(len(horizon))
    reactive[100] = 60.0
    power = profile.power_mw.copy()
    power[100] = 80.0
    rest = np.arange(len(power)) != 100
    power[rest] = (70_000.0 - 40.0) / (0.5 * (len(power) - 1))
    parts = (
        CapacityCharge("demand", 8812.0, 30, measure="kva"),
        TimeOfUse("energy", (Band("all_hours", 51.65),)),
    )
    # The flat rest must lie below 100 MVA, or the half hour above would not be the highest.
    assert power[0] < 100.0
    assert paid(parts, Profile(horizon, power, reactive)) == [881_200.0, 3_615_500.0]


def test_an_earlier_page_with_a_rider() -> None:
    """7.902 CAD/kVA and 4.632 c/kWh with a rider of 5 %: 4,032,600 * 1.05 = 4,234,230 CAD (as above)."""
    horizon = days(dt.date(2025, 6, 1), 30, "America/Vancouver", 30)
    parts = (
        CapacityCharge("demand", 1.05 * 7902.0, 30),
        TimeOfUse("energy", (Band("all_hours", 1.05 * 46.32),)),
    )
    assert round(sum(paid(parts, with_peak(horizon, 70_000.0, 100.0))), 2) == 4_234_230.0


def test_stepped_rate_on_a_baseline() -> None:
    """760 GWh on a baseline of 800: 720 at 4.596 c = 33,091,200 and 40 at 10.294 c = 4,117,600 CAD.

    BC Hydro rate schedule 1823, energy charge B (as above): the first 90 % of the baseline at the lower
    price, over a billing year; own arithmetic.
    """
    tiers = EnergyTiers("energy", (Tier(45.96, 720_000.0), Tier(102.94)), "year")
    horizon = year("America/Vancouver", 2025)
    profile = Profile(horizon, np.full(len(horizon), 760_000.0 / 8760))
    assert paid((tiers,), profile) == [33_091_200.0, 4_117_600.0]


def test_ratchet_minimum_and_share_of_kva() -> None:
    """60,000 kW, 66,000 kVA, winter peak 90,000 kW, 40 GWh: 67,500 kW: 884,925 + 1,368,000 CAD.

    Hydro-Quebec rate LG, 1 April 2017: 13.11 CAD/kW of the greater of kW and 95 % of kVA, at least 75 % of
    the winter peak of the last 12 months and 5,000 kW; 3.42 c/kWh; own arithmetic.
    """
    horizon = days(dt.date(2017, 6, 1), 30, "America/Toronto", 15)
    profile = with_peak(horizon, 40_000.0, 60.0)
    reactive = np.zeros(len(horizon))
    reactive[100] = (66.0**2 - 60.0**2) ** 0.5
    parts = (
        CapacityCharge(
            "power",
            13_110.0,
            15,
            measure="kw_or_kva",
            kva_share=0.95,
            minimum_mw=5.0,
            ratchet_percent=75.0,
            ratchet_periods=12,
            ratchet_months=(12, 1, 2, 3),
        ),
        TimeOfUse("energy", (Band("all_hours", 34.2),)),
    )
    now = Situation(peaks_mw={("power", "2017-01"): 90.0, ("power", "2016-09"): 140.0})
    bill = make_bill(
        Contract("LG", "CAD", parts, round_digits=2), Profile(horizon, profile.power_mw, reactive), now
    )
    assert bill.lines[0].line.quantity == pytest.approx(67.5)
    assert [billed.paid for billed in bill.lines] == [884_925.0, 1_368_000.0]
    assert bill.net == 2_252_925.0


def test_interruptible_credit_by_hours_called() -> None:
    """50 MW called for 30 h: 20 h at 20.787 c and 10 h at 25.983 c: 207,870 + 129,915 = 337,785 CAD.

    Hydro-Quebec interruptible option I, variable credit; own arithmetic.
    """
    horizon = days(dt.date(2017, 1, 1), 31, "America/Toronto")
    called = np.zeros(len(horizon))
    for day in range(6):
        called[24 * day + 16 : 24 * day + 21] = 50.0
    series = Series("called", horizon.starts_min, horizon.lengths_min, called)
    part = Interruptible(
        "option_i",
        50.0,
        0.0,
        120.0,
        5.0,
        called="called",
        call_tiers=(CallTier(207.87, 20.0), CallTier(259.83, 40.0), CallTier(311.80)),
    )
    lines = paid((part,), Profile(horizon, np.full(len(horizon), 60.0)), Situation(series={"called": series}))
    assert lines == [0.0, -207_870.0, -129_915.0]


def test_calls_beyond_the_agreed_number_are_told() -> None:
    """Three calls around a turn of the year, counted by hand: one begins in 2026 and goes on, two in 2027."""
    horizon = days(dt.date(2026, 12, 31), 2, "Europe/Berlin")
    called = np.zeros(48)
    called[[22, 23, 24, 30, 31, 40]] = 5.0
    now = Situation(series={"called": Series("called", horizon.starts_min, horizon.lengths_min, called)})
    part = Interruptible("off", 5.0, 10.0, 0.0, 4.0, calls_per_year=1, called="called")
    profile = Profile(horizon, np.full(48, 9.0))
    (told,) = Contract("c", "XTS", (part,)).remarks(profile, now)
    assert "'off': calls in 2027 by the profile 'called' are 2, more than the 1" in told
    assert replace(part, calls_per_year=2).remarks(profile, now) == ()
    assert replace(part, calls_per_year=None).remarks(profile, now) == ()
    quarters = Profile(horizon.split(4), np.full(192, 9.0))
    assert part.remarks(quarters, now) == (told,)


def test_demand_raised_by_a_low_power_factor() -> None:
    """5,000 kW at power factor 0.85 and 3 GWh: 5,250 kW and 221,522.50 USD in all.

    Batavia, Illinois, Large General Service 2015: 100 USD, 4.362 c/kWh, 17.25 USD/kW, demand times (1 +
    0.90 - PF) below 0.90; own arithmetic.
    """
    horizon = days(dt.date(2015, 6, 1), 30, "America/Chicago", 15)
    flat = with_peak(horizon, 3000.0, 5.0)
    tangent = (1.0 / 0.85**2 - 1.0) ** 0.5
    parts = (
        StandingCharge("customer", 100.0),
        TimeOfUse("energy", (Band("all_hours", 43.62),)),
        CapacityCharge("demand", 17_250.0, 15, power_factor_least=0.90, power_factor=0.85),
    )
    for profile in (flat, Profile(horizon, flat.power_mw, tangent * flat.power_mw)):
        bill = make_bill(Contract("LGS", "USD", parts, round_digits=2), profile, NOW)
        assert bill.lines[2].line.quantity == pytest.approx(5.25)
        assert bill.net == 221_522.50


def test_four_coincident_peaks() -> None:
    """Loads of 100, 20, 20 and 100 MW in four system peaks: tag 60 MW, 1,500,000 USD at 25,000 USD/MW.

    ERCOT 4CP: a quarter of the sum of the own load in the system's peak quarter hour of June to September,
    times next year's rate; own arithmetic.
    """
    horizon = days(dt.date(2025, 6, 1), 122, "America/Chicago", 15)
    at = [96 * 20 + 68, 96 * 50 + 67, 96 * 80 + 68, 96 * 110 + 66]
    weights, power = np.zeros(len(horizon)), np.full(len(horizon), 100.0)
    weights[at] = 0.25
    power[at] = [100.0, 20.0, 20.0, 100.0]
    series = Series("settled", horizon.starts_min, horizon.lengths_min, weights)
    part = CoincidentPeak("transmission", 25_000.0, "settled")
    bill = make_bill(
        Contract("4CP", "USD", (part,)), Profile(horizon, power), Situation(series={"settled": series})
    )
    assert bill.lines[0].line.quantity == pytest.approx(60.0)
    assert bill.net == pytest.approx(1_500_000.0)


# ------------------------------------------------------------------------------------- properties


def test_flat_load_pays_the_ruling_rate_under_a_clock_tariff() -> None:
    """Kerala HT/EHT: 100 % by day, 150 % 18-22, 75 % 22-06: (12 + 4 * 1.5 + 8 * 0.75) / 24 = 1.000 exactly.

    Published structure (KSEB tariff order as shown at pgea.in); the invariant is own arithmetic.
    """
    part = TimeOfUse(
        "energy",
        (
            Band("day", 100.0, from_time="06:00", to_time="18:00"),
            Band("peak", 150.0, from_time="18:00", to_time="22:00"),
            Band("night", 75.0, from_time="22:00", to_time="06:00"),
        ),
    )
    horizon = days(dt.date(2025, 6, 1), 30, "Asia/Kolkata", 30)
    bill = make_bill(Contract("ToD", "INR", (part,)), Profile(horizon, np.full(len(horizon), 7.0)), NOW)
    assert bill.net == pytest.approx(100.0 * 7.0 * 720)


def random_index(horizon: Horizon, seed: int = 1) -> Situation:
    """Return random quarter prices with negative ones, and a random baseline."""
    rng = np.random.default_rng(seed)
    starts = np.arange(horizon.start_min, horizon.end_min, 15)
    lengths = np.full(len(starts), 15)
    return Situation(
        series={
            "day_ahead": Series("day_ahead", starts, lengths, rng.uniform(-80, 300, len(starts))),
            "baseline": Series("baseline", starts, lengths, rng.uniform(10, 90, len(starts))),
        }
    )


def test_a_load_at_its_baseline_pays_the_standard_bill() -> None:
    """Two-part: load equal to baseline pays the standard bill, whatever the index does."""
    horizon = days(dt.date(2025, 6, 1), 3, "America/New_York", 15)
    bands = (
        Band("day", 80.0, from_time="08:00", to_time="20:00"),
        Band("night", 40.0, from_time="20:00", to_time="08:00"),
    )
    part = TwoPart("rtp", bands, "baseline", adder_per_mwh=3.0)
    for seed in (1, 2):
        now = random_index(horizon, seed)
        load = now.series["baseline"].on(horizon)
        standard = sum(paid((TimeOfUse("standard", bands),), Profile(horizon, load)))
        assert sum(paid((part,), Profile(horizon, load), now)) == pytest.approx(standard, abs=0.011)


def test_a_load_equal_to_its_block_does_not_see_the_index() -> None:
    """Energy at the index and a block for all of it cost the block's price at any index."""
    horizon = days(dt.date(2026, 3, 28), 3, "Europe/Berlin", 15)
    parts = (SpotEnergy("spot"), Blocks("block", (Block("base", 55.0, 66.5),), resale_fee_per_mwh=1.0))
    hours = float(np.sum(horizon.hours))
    assert hours == 71.0
    for seed in (1, 2):
        now = random_index(horizon, seed)
        profile = Profile(horizon, np.full(len(horizon), 55.0))
        assert sum(paid(parts, profile, now)) == pytest.approx(55.0 * 71.0 * 66.5, abs=0.011)


def test_cutting_intervals_leaves_the_bill_unchanged() -> None:
    """An hour cut into four quarters of the same load and price is billed the same."""
    horizon = days(dt.date(2025, 10, 25), 2, "Europe/Berlin")
    rng = np.random.default_rng(3)
    prices = Series("day_ahead", horizon.starts_min, horizon.lengths_min, rng.uniform(-80, 300, len(horizon)))
    parts = (
        SpotEnergy("spot"),
        DemandCharge("demand", 5000.0, 15),
        CapacityCharge("year", 9000.0, 60, "year"),
    )
    power = rng.uniform(20, 90, len(horizon))
    now = Situation(series={"day_ahead": prices})
    whole = paid(parts, Profile(horizon, power), now)
    assert paid(parts, Profile(horizon.split(4), np.repeat(power, 4)), now) == pytest.approx(whole, abs=0.011)


@pytest.mark.parametrize(("of", "hours"), [(2024, 8784), (2025, 8760)])
def test_a_year_has_all_its_hours(of: int, hours: int) -> None:
    """1 MW at 1 per MWh over a year with days of 23 and 25 hours pays 8,760 or 8,784."""
    horizon = year(of=of)
    part = TimeOfUse("energy", (Band("all", 1.0),))
    assert paid((part,), Profile(horizon, np.ones(len(horizon)))) == [float(hours)]


def test_quarter_prices_settled_by_the_hour() -> None:
    """Quarters 10, 20, 30, 40 with load 4, 0, 0, 0 MW: 10 as published, 25 by the hourly mean of prices.

    By hand: 1 MWh in the first quarter, at 10; the hourly mean of the four prices is 25.
    """
    horizon = days(dt.date(2026, 6, 1), 1, "Europe/Berlin", 15)
    prices = Series(
        "day_ahead", horizon.starts_min, horizon.lengths_min, np.tile([10.0, 20.0, 30.0, 40.0], 24)
    )
    power = np.zeros(96)
    power[32] = 4.0
    now = Situation(series={"day_ahead": prices})
    assert paid((SpotEnergy("spot"),), Profile(horizon, power), now) == [10.0]
    assert paid((SpotEnergy("spot", settle_minutes=60),), Profile(horizon, power), now) == [25.0]


def test_billing_month_that_is_not_the_calendars() -> None:
    """From the 15th: 14 June belongs to the period of May and 15 June to that of June (by definition)."""
    horizon = days(dt.date(2026, 6, 14), 2, "Europe/Berlin")
    power = np.repeat([10.0, 20.0], 24)
    part = CapacityCharge("grid", 1.0, 60, billing_day=15)
    bill = make_bill(
        Contract("c", "XTS", (part, StandingCharge("fee", 31.0, billing_day=15))),
        Profile(horizon, power),
        NOW,
    )
    found = {billed.line.label: billed.line.quantity for billed in bill.lines}
    assert found == {
        "billed demand of 2026-05": pytest.approx(10.0),
        "billed demand of 2026-06": pytest.approx(20.0),
        "standing charge of 2026-05": pytest.approx(1 / 31),
        "standing charge of 2026-06": pytest.approx(1 / 30),
    }


def test_agreed_capacity_per_kva_and_day() -> None:
    """0.05 per kVA and day for 12 MVA over 30 days is 18,000, and 1.5 MVA above it at 0.10 are 4,500.

    Structure of British distribution charges (p/kVA/day for agreed capacity, a rate for what exceeds it in
    the month); prices invented. By hand: 12,000 * 0.05 * 30 and 1,500 * (0.05 + 0.05) * 30.
    """
    horizon = days(dt.date(2026, 6, 1), 30, "Europe/London", 30)
    power = np.full(len(horizon), 9.0)
    power[77] = 13.5
    part = CapacityCharge(
        "duos",
        50.0,
        30,
        price_per_day=True,
        measure="kva",
        power_factor=1.0,
        contracted_mw=12.0,
        excess_per_mw=50.0,
    )
    lines = paid((part,), Profile(horizon, power))
    assert lines == [13.5 * 50.0 * 30, 1.5 * 50.0 * 30]
    assert sum(lines) == 18_000.0 + 4_500.0


def test_compensation_is_paid_per_tonne() -> None:
    """75 % * 0.76 t/MWh * 80 per t * 1.846 MWh/t = 84.1776 per tonne: 48 t pay 4,040.52.

    Formula of the aid as published for 2013-2020 (emissions-euets.com); figures of this case invented.
    """
    horizon = days(dt.date(2026, 6, 1), 1, "Europe/Berlin")
    part = CarbonCompensation("aid", 75.0, 0.76, 80.0, 1.846)
    profile = Profile(horizon, np.full(24, 9.0), made_per_h={"chlorine_wet": np.full(24, 2.0)})
    assert part.per_t == pytest.approx(84.1776)
    assert paid((part,), profile) == [-4040.52]
    with pytest.raises(ValueError, match=r"give it with the profile \(column 'chlorine_wet_t_per_h'\)"):
        paid((part,), Profile(horizon, np.full(24, 9.0)))


def test_rounding_and_tax() -> None:
    """Lines of 0.125 are paid 0.13 each, half up; 20 % on 0.26 is 0.05 (by hand)."""
    horizon = days(dt.date(2026, 6, 1), 30, "Europe/Berlin")
    parts = (StandingCharge("a", 0.125), StandingCharge("b", 0.125))
    contract = Contract("c", "XTS", parts, vat_percent=20.0, round_digits=2)
    bill = make_bill(contract, Profile(horizon, np.zeros(720)), NOW)
    assert (bill.net, bill.vat, bill.total, bill.unrounded) == (0.26, 0.05, 0.31, 0.25)
    assert rounded(-0.125, 2) == -0.13
    assert rounded(2.675, 2) == 2.68


def test_year_to_date_moves_energy_into_the_next_tier() -> None:
    """With 700 of 720 GWh had, 30 GWh more pay 20 at the lower and 10 at the upper price (by hand)."""
    tiers = EnergyTiers("energy", (Tier(45.96, 720_000.0), Tier(102.94)), "year")
    horizon = days(dt.date(2025, 6, 1), 30, "America/Vancouver")
    now = Situation(state=State({("energy", "2025"): 700_000.0}))
    profile = Profile(horizon, np.full(720, 30_000.0 / 720))
    assert paid((tiers,), profile, now) == [919_200.0, 1_029_400.0]
