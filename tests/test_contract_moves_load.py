"""Two hours in which the load moves because of one component; every answer is derived by hand.

A toy load draws 2 to 8 MW in each of two hours, 10 MWh in all. At an index of 20 and then 30 it draws
8 and 2 MW: each MWh moved from the second hour to the first saves 10. Each test adds one component.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import pytest

from models.contract.adders import Adder, Levies, LossBand
from models.contract.blocks import Block, Blocks
from models.contract.capacity import CapacityCharge, DemandTier
from models.contract.carbon import CarbonCompensation
from models.contract.coincident import CoincidentPeak
from models.contract.component import Component, Contract
from models.contract.demand import DemandCharge
from models.contract.fixed import StandingCharge
from models.contract.imbalance import Imbalance, ImbalancePrices
from models.contract.minimum import MinimumBill
from models.contract.overrun import DailyOverrun
from models.contract.ppa import ContractForDifference, PayAsProduced
from models.contract.reactive_energy import ReactiveEnergy
from models.contract.reserve import Interruptible, Reserve
from models.contract.spot import SpotEnergy
from models.contract.state import State
from models.contract.take_or_pay import Swing, TakeOrPay
from models.contract.tiers import EnergyTiers, Tier
from models.contract.time_of_use import Band, TimeOfUse
from models.contract.two_part import TwoPart
from models.contract.utilisation import Utilisation, UtilisationStep
from models.horizon import Horizon, Series, day_start_minute
from models.meter import SiteMeter
from models.pieces import Declaration, Entry, Flow, Rows, Variable
from models.site import Site
from models.situation import Situation
from models.tank import ProductStore
from models.trade import Outlet, OwnUse
from models.unit import Unit
from scheduler.plan import PlanOptions, make_plan
from scheduler.result import Plan, Status
from tests.small_sites import CHLORINE_T_PER_KAH, plain_case, plain_circuit

ZONE = "Europe/Berlin"
SPOT = SpotEnergy("spot")
JULY = dt.date(2026, 7, 1)


@dataclass(frozen=True)
class Mill(Unit):
    """A load between two limits whose energy over the horizon lies between two limits."""

    name: str = "mill"
    least_mw: float = 2.0
    most_mw: float = 8.0
    least_mwh: float = 10.0
    most_mwh: float = 10.0

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the load and its energy."""
        n, load = len(horizon), self.key("load")
        every, zero = np.arange(n), np.zeros(n, dtype=np.int64)
        return Declaration(
            variables=(
                Variable(
                    load, "MW", np.full(n, self.least_mw), np.full(n, self.most_mw), every, meaning="load"
                ),
            ),
            flows=(Flow("power", load, -1.0),),
            rows=(
                Rows(
                    self.key("energy"),
                    "MWh",
                    (Entry(load, zero, every, horizon.hours),),
                    np.array([self.least_mwh]),
                    np.array([self.most_mwh]),
                    labels=("all",),
                    meaning="energy of the mill",
                ),
            ),
        )


def two(day: dt.date = dt.date(2026, 6, 10), before: int = 0, minutes: int = 60, plan: int = 2) -> Horizon:
    """Return two intervals from so many intervals before a local midnight."""
    start = day_start_minute(day, ZONE) - before * minutes
    starts = start + minutes * np.arange(2, dtype=np.int64)
    return Horizon(starts, np.full(2, minutes, dtype=np.int64), ZONE, plan)


def planned(
    *components: Component,
    prices: tuple[float, float] = (20.0, 30.0),
    horizon: Horizon | None = None,
    mill: Mill | None = None,
    spot: Component | None = SPOT,
    state: State | None = None,
    peaks: dict[tuple[str, str], float] | None = None,
    **series: tuple[float, float],
) -> Plan:
    """Return the plan of the mill under an index and some components."""
    over = horizon or two()
    given = {
        name: Series(name, over.starts_min, over.lengths_min, np.array(values))
        for name, values in {"day_ahead": prices, **series}.items()
    }
    parts = components if spot is None else (spot, *components)
    site = Site(
        "two hours",
        ZONE,
        Contract("c", "XTS", parts),
        (mill or Mill(), SiteMeter("meter", import_max_mw=100.0)),
    )
    now = Situation(series=given, state=state or State(), peaks_mw=peaks or {})
    plan = make_plan(site, over, now, PlanOptions(compare=False))
    # Whatever the component is, the program's own coefficients at the audited power give the bill.
    bill = sum(line.amount for line in plan.audit.bill)
    assert charged(plan) + plan.audit.sunk == pytest.approx(bill, abs=0.01)
    assert plan.audit.cost + plan.audit.sunk == pytest.approx(bill, abs=0.01)
    return plan


def charged(plan: Plan) -> float:
    """Return what the program's coefficients charge at the audited values."""
    return sum(
        float(np.dot(cost.coefficient, plan.audit.values[cost.variable])) + cost.constant
        for cost in plan.declaration.costs
    )


def loads(plan: Plan) -> list[float]:
    """Return the two loads."""
    return [round(float(x), 4) for x in plan.audit.values["mill_load"]]


def halves_of_the_year(first: float, second: float) -> TimeOfUse:
    """Return a price up to June and one from July."""
    bands = (
        Band("first", first, seasons=(1, 2, 3, 4, 5, 6)),
        Band("second", second, seasons=(7, 8, 9, 10, 11, 12)),
    )
    return TimeOfUse("energy", bands)


def test_minimum_bill() -> None:
    """June's last hour at 30 and July's first at 20: 2 and 8. With 160 due in June, 16/3 and 14/3.

    900 of at least 1,060 are charged so far, so June costs 160 up to 160/30 = 16/3 MWh, and less of July's 20
    is needed: 160 + 20 x 14/3. At 20 and then 30 it is 8 and 2 either way. July is past its minimum.
    """
    least = MinimumBill("least", 1060.0, of=("energy",))
    state = State(charged={("least", "2026-06"): 900.0}, rest_charged={("least", "2026-07"): 5000.0})
    over = two(JULY, before=1)
    assert loads(planned(halves_of_the_year(30.0, 20.0), spot=None, horizon=over)) == [2.0, 8.0]
    plan = planned(halves_of_the_year(30.0, 20.0), least, spot=None, horizon=over, state=state)
    assert plan.audit.values["mill_load"] == pytest.approx([16 / 3, 14 / 3], abs=1e-5)
    assert plan.audit.cost + plan.audit.sunk == pytest.approx(160.0 + 280 / 3)
    assert plan.certificate.gap <= 1e-5
    before = planned(halves_of_the_year(20.0, 30.0), least, spot=None, horizon=over, state=state)
    assert loads(before) == [8.0, 2.0]
    assert before.audit.cost + before.audit.sunk == pytest.approx(160.0 + 60.0)


def test_minimum_bill_counts_a_demand_charge() -> None:
    """At 20 and 30 with 15 per MW of the peak: 5 and 5 for 325. At least 340 are due: 8 and 2 cost 340 too.

    In the last hours of a month: energy 220 + demand 120 = 340 at 8 and 2, so no load between is cheaper; a
    minimum of 332 is met from 6.4 and 3.6 on down, and the cheapest bill is the minimum itself.
    """
    demand = DemandCharge("demand", 15.0, 60)
    end = two(JULY, before=2)
    assert loads(planned(demand, horizon=end)) == [5.0, 5.0]
    for due, most in ((340.0, 8.0), (332.0, 6.4)):
        plan = planned(demand, MinimumBill("least", due), horizon=end)
        assert plan.audit.cost + plan.audit.sunk == pytest.approx(due)
        assert loads(plan)[0] <= most + 1e-4
    assert loads(planned(demand, MinimumBill("least", 200.0), horizon=end)) == [5.0, 5.0]


def test_minimum_bill_of_a_charge_with_sides() -> None:
    """Falling tiers of demand beside a minimum: both sides are planned, and the minimum is on the true sum.

    15 per MW up to 5.5 MW, then nothing: 8 and 2 for 302.5 (see the test of falling tiers); 310 are due.
    """
    grid = CapacityCharge("grid", 15.0, 60, tiers=(DemandTier(5.5, 0.0),))
    plan = planned(grid, MinimumBill("least", 310.0), horizon=two(JULY, before=2))
    assert plan.audit.cost + plan.audit.sunk == pytest.approx(310.0)
    assert {side.cases["grid"] for side in plan.tried} == {"tier_1", "tier_2"}
    assert plan.certificate.gap <= 1e-5


def test_index_alone() -> None:
    """At 20 and 30 all that fits is drawn in the first hour: 8 and 2."""
    assert loads(planned()) == [8.0, 2.0]


def test_adder_in_a_window() -> None:
    """15 more before 01:00 makes it 35 and 30: 2 and 8."""
    spot = SpotEnergy("spot", adders_per_mwh=(Adder("evening", 15.0, to_time="01:00"),))
    assert loads(planned(spot=spot)) == [2.0, 8.0]


def test_exempt_adder() -> None:
    """Of those 15 half are exempt: 27.5 and 30 leave 8 and 2."""
    spot = SpotEnergy("spot", adders_per_mwh=(Adder("evening", 15.0, to_time="01:00", exempt_percent=50.0),))
    assert loads(planned(spot=spot)) == [8.0, 2.0]


def test_losses_by_time_band() -> None:
    """Losses of 100 % before 01:00 make it 40 and 30: 2 and 8."""
    spot = SpotEnergy("spot", loss_bands=(LossBand(100.0, to_time="01:00"),))
    assert loads(planned(spot=spot)) == [2.0, 8.0]


def test_settlement_by_the_hour() -> None:
    """Half hours at 20 and 30 settled at their mean of 25, and a rebate of 1 in the second: 2 and 8."""
    rebate = (Adder("rebate", -1.0, from_time="00:30", to_time="01:00"),)
    halves, mill = two(minutes=30), Mill(least_mwh=5.0, most_mwh=5.0)
    as_published = SpotEnergy("spot", adders_per_mwh=rebate)
    by_hour = replace(as_published, settle_minutes=60)
    assert loads(planned(spot=as_published, horizon=halves, mill=mill)) == [8.0, 2.0]
    assert loads(planned(spot=by_hour, horizon=halves, mill=mill)) == [2.0, 8.0]


def test_collar() -> None:
    """An index held to at least 31 is the same in both hours; a rebate of 1 in the second: 2 and 8."""
    rebate = (Adder("rebate", -1.0, from_time="01:00"),)
    spot = SpotEnergy("spot", adders_per_mwh=rebate, least_per_mwh=31.0)
    assert loads(planned(spot=spot)) == [2.0, 8.0]


def test_levies() -> None:
    """A levy of 11 before 01:00 makes it 31 and 30: 2 and 8."""
    assert loads(planned(Levies("levies", (Adder("levy", 11.0, to_time="01:00"),)))) == [2.0, 8.0]


def test_time_of_use() -> None:
    """40 before 01:00 and 39 after: 2 and 8."""
    bands = (Band("early", 40.0, to_time="01:00"), Band("late", 39.0, from_time="01:00"))
    assert loads(planned(TimeOfUse("energy", bands), spot=None)) == [2.0, 8.0]


def test_block_with_a_fee_on_resale() -> None:
    """What is moved out of a block's hour is sold back at a loss of 20, more than the 10 saved: 5 and 5."""
    block = (Block("base", 5.0, 66.5),)
    assert loads(planned(Blocks("blocks", block, resale_fee_per_mwh=20.0))) == [5.0, 5.0]


def test_block_without_a_fee_leaves_the_index() -> None:
    """A block resold at the index changes no marginal price: 8 and 2."""
    assert loads(planned(Blocks("blocks", (Block("base", 5.0, 66.5),)))) == [8.0, 2.0]


def test_block_whose_surplus_is_lost() -> None:
    """Lost surplus is worth 30 in the second hour, more than the 10 saved: 5 and 5."""
    assert loads(planned(Blocks("blocks", (Block("base", 5.0, 66.5),), surplus_is_lost=True))) == [5.0, 5.0]


def test_take_or_pay() -> None:
    """In the last two hours of June 14 MWh must be taken or paid at 25: at 24 more is drawn: 8 and 6."""
    mill = Mill(most_mwh=16.0)
    take = TakeOrPay("take", 14.0, 100.0, 25.0, "month")
    end = two(JULY, before=2)
    assert loads(planned(take, prices=(20.0, 24.0), mill=mill, horizon=end)) == [8.0, 6.0]
    dearer = planned(take, prices=(20.0, 26.0), mill=mill, horizon=end)
    assert loads(dearer) == [8.0, 2.0]


def test_take_or_pay_knows_the_month_so_far() -> None:
    """With 3 of the 14 MWh had before, 11 are left: 8 and 3."""
    take = TakeOrPay("take", 14.0, 100.0, 25.0, "month")
    state = State({("take", "2026-06"): 3.0})
    plan = planned(
        take, prices=(20.0, 24.0), mill=Mill(most_mwh=16.0), horizon=two(JULY, before=2), state=state
    )
    assert loads(plan) == [8.0, 3.0]


def test_swing() -> None:
    """At -8 and -6 each MWh earns, but above 12 MWh costs 50: 8 and 4."""
    swing = Swing("swing", 12.0, 0.0, 0.0, 50.0, "month")
    plan = planned(swing, prices=(-8.0, -6.0), mill=Mill(most_mwh=16.0), horizon=two(JULY, before=2))
    assert loads(plan) == [8.0, 4.0]


def test_rising_tiers() -> None:
    """In June above 5 MWh 25 more: 45 against 30 in July below 5: 5 and 5."""
    tiers = EnergyTiers("tiers", (Tier(0.0, 5.0), Tier(25.0)))
    state = State(rest_mwh={("tiers", "2026-07"): 0.0})
    assert loads(planned(tiers, horizon=two(JULY, before=1), state=state)) == [5.0, 5.0]


def test_falling_tiers_are_tried_on_both_sides() -> None:
    """June's first 6 MWh bear 40, July's are had already: 8 and 2 cost 460, 2 and 8 cost 360.

    From 8 and 2 each MWh moved to July costs 30 - 20 more, so a search downhill would stay there.
    """
    tiers = EnergyTiers("tiers", (Tier(40.0, 6.0), Tier(0.0)))
    state = State({("tiers", "2026-07"): 6.0}, {("tiers", "2026-07"): 0.0})
    plan = planned(tiers, horizon=two(JULY, before=1), state=state)
    assert loads(plan) == [2.0, 8.0]
    assert plan.audit.cost == pytest.approx(360.0)
    assert [side.cases["tiers"] for side in plan.tried] == ["tier_1+tier_2", "tier_2+tier_2"]
    assert min(side.cost or 0.0 for side in plan.tried) == pytest.approx(360.0)
    assert max(side.cost or 0.0 for side in plan.tried) == pytest.approx(460.0)
    assert plan.certificate.gap <= 1e-5


def test_monthly_demand() -> None:
    """15 per MW of the month's peak against 10 saved: 5 and 5."""
    assert loads(planned(DemandCharge("demand", 15.0, 60))) == [5.0, 5.0]


def test_annual_demand() -> None:
    """15 per MW of the year's peak against 10 saved: 5 and 5; a peak of 7 so far makes it 7 and 3."""
    year = CapacityCharge("year", 15.0, 60, "year")
    assert loads(planned(year)) == [5.0, 5.0]
    assert loads(planned(year, peaks={("year", "2026"): 7.0})) == [7.0, 3.0]


def test_minimum_demand() -> None:
    """7 MW are billed anyway: 7 and 3."""
    assert loads(planned(CapacityCharge("grid", 15.0, 60, minimum_mw=7.0))) == [7.0, 3.0]


def test_contracted_capacity_and_excess() -> None:
    """Above 6 MW contracted a surcharge of 15 against 10 saved: 6 and 4; with 10 % tolerance 6.6 and 3.4."""
    contracted = CapacityCharge("grid", 0.0, 60, contracted_mw=6.0, excess_per_mw=15.0)
    assert loads(planned(contracted)) == [6.0, 4.0]
    assert loads(planned(replace(contracted, excess_tolerance_percent=10.0))) == [6.6, 3.4]


def test_apparent_power() -> None:
    """At a power factor of 0.8 the contracted 7.5 MVA are 6 MW: 6 and 4."""
    contracted = CapacityCharge(
        "grid", 0.0, 60, measure="kva", power_factor=0.8, contracted_mw=7.5, excess_per_mw=15.0
    )
    assert loads(planned(contracted)) == [6.0, 4.0]


def test_ratchet() -> None:
    """June's peak is billed in July too: 2 x 6 against 10 saved: 5 and 5; without the ratchet 8 and 2."""
    plain = CapacityCharge("grid", 6.0, 60)
    end = two(JULY, before=1)
    assert loads(planned(plain, horizon=end)) == [8.0, 2.0]
    assert loads(planned(replace(plain, ratchet_percent=100.0, ratchet_periods=1), horizon=end)) == [5.0, 5.0]


def test_capacity_as_a_decision() -> None:
    """One capacity for June and July at 6 a month, 11 more above it: 12 per MW of the higher peak: 5 and 5.

    Above the capacity a MW costs 17 in its month, more than 12 for both months, so the capacity is the higher
    peak; a MW less of it saves 12 against 10. At 4 a month it is 8 < 10: 8 and 2 with a capacity of 8.
    """
    chosen = CapacityCharge("grid", 6.0, 60, contracted_range_mw=(0.0, 10.0), excess_per_mw=11.0)
    end = two(JULY, before=1)
    plan = planned(chosen, horizon=end)
    assert loads(plan) == [5.0, 5.0]
    assert float(plan.audit.values["grid_capacity_capacity"][0]) == pytest.approx(5.0)
    cheap = planned(replace(chosen, per_mw=4.0), horizon=end)
    assert loads(cheap) == [8.0, 2.0]
    assert float(cheap.audit.values["grid_capacity_capacity"][0]) == pytest.approx(8.0)


def test_rising_tiers_of_demand() -> None:
    """5 per MW up to 6 MW, 15 above, against 10 saved: 6 and 4."""
    grid = CapacityCharge("grid", 5.0, 60, tiers=(DemandTier(6.0, 15.0),))
    plan = planned(grid)
    assert loads(plan) == [6.0, 4.0]
    assert [line.amount for line in plan.audit.bill if line.component == "grid"] == [30.0]


def test_falling_tiers_of_demand() -> None:
    """15 per MW up to 5.5 MW, then nothing: at the first price 5 and 5 cost 325, at the second 8 and 2 302.5.

    From 5 and 5 the first half MW costs 15 and saves 10: a search downhill would stay there.
    """
    grid = CapacityCharge("grid", 15.0, 60, tiers=(DemandTier(5.5, 0.0),))
    plan = planned(grid)
    assert loads(plan) == [8.0, 2.0]
    assert plan.audit.cost + plan.audit.sunk == pytest.approx(8 * 20 + 2 * 30 + 5.5 * 15)
    found = {side.cases["grid"]: side.cost for side in plan.tried}
    assert set(found) == {"tier_1", "tier_2"}
    assert found["tier_1"] == pytest.approx(5 * 20 + 5 * 30 + 5 * 15 - plan.audit.sunk)
    assert plan.certificate.gap <= 1e-5


def test_reactive_demand() -> None:
    """At a power factor of 0.8 each MW has 0.75 Mvar: 20 per Mvar are 15 per MW against 10 saved: 5 and 5."""
    grid = CapacityCharge("grid", 20.0, 60, measure="kvar", power_factor=0.8)
    assert loads(planned(grid)) == [5.0, 5.0]
    assert loads(planned(replace(grid, power_factor=1.0))) == [8.0, 2.0]


def test_daily_overrun() -> None:
    """15 per MW of the day's peak above 6 MW against 10 saved: 6 and 4; after a peak of 7 today 7 and 3."""
    over = DailyOverrun("over", 6.0, 15.0, 60)
    assert loads(planned(over)) == [6.0, 4.0]
    day = two().days[0].isoformat()
    assert loads(planned(over, peaks={("over", day): 7.0})) == [7.0, 3.0]


def test_daily_overruns_of_two_days_and_their_cap() -> None:
    """Around midnight: 6 per MW and day above 5 MW against 10 saved: 8 and 2.

    Earlier days had overruns of 4 and 1, 5 x 12 = 60 so far at a dearer price of 12: 5 and 5. A cap of 13 per
    MW of the month's highest is 13 x 4 = 52 up to an overrun of 4, less than 60: then 8 and 2 cost no more.
    """
    cheap = DailyOverrun("over", 5.0, 6.0, 60)
    midnight = two(dt.date(2026, 6, 17), before=1)
    assert loads(planned(cheap, horizon=midnight)) == [8.0, 2.0]
    before = {("over", "2026-06-03"): 9.0, ("over", "2026-06-09"): 6.0, ("over", "2026-05-09"): 99.0}
    dear = replace(cheap, per_mw_day=12.0)
    assert loads(planned(dear, horizon=midnight, peaks=before)) == [5.0, 5.0]
    plan = planned(replace(dear, most_per_mw_month=13.0), horizon=midnight, peaks=before)
    assert loads(plan) == [8.0, 2.0]
    (line,) = [line for line in plan.audit.bill if line.component == "over"]
    assert (line.quantity, line.amount) == (pytest.approx(4.0), pytest.approx(52.0))
    assert {side.cases["over"] for side in plan.tried} == {"days", "month"}


@pytest.mark.parametrize(("per_mwh", "expected"), [(1.0, [16 / 3, 14 / 3]), (0.5, [8.0, 2.0])])
def test_full_load_hours(per_mwh: float, expected: list[float]) -> None:
    """In the year's last hours 80 MWh in all: 15 h of the peak need a peak of 16/3, and halve the charge.

    At 1 per MWh that is 40 saved against 8/3 x 10 = 26.7 lost: 16/3 and 14/3. At 0.5 it is 20 against 26.7:
    8 and 2.
    """
    hours = Utilisation(
        "hours",
        (
            UtilisationStep("few", 0.0, per_mwh),
            UtilisationStep("many", 0.0, per_mwh, 15.0, share_percent=50.0),
        ),
        60,
    )
    state = State({("hours", "2026"): 70.0})
    end = two(dt.date(2027, 1, 1), before=2)
    plan = planned(hours, horizon=end, state=state, peaks={("hours", "2026"): 4.0})
    assert loads(plan) == pytest.approx(expected, abs=1e-3)
    assert {side.cases["hours"] for side in plan.tried} == {"few", "many"}
    assert plan.certificate.lower_bound <= min(side.cost or np.inf for side in plan.tried) + 1e-6


def test_coincident_peak_as_expected() -> None:
    """A chance of one half in the first hour at 30 per MW is 15: 35 against 30: 2 and 8."""
    part = CoincidentPeak("tag", 30.0, "settled", "expected")
    assert loads(planned(part, expected=(0.5, 0.0))) == [2.0, 8.0]


def test_coincident_peak_as_settled() -> None:
    """What is settled counts in place of what was expected: weight 0 in both hours: 8 and 2."""
    part = CoincidentPeak("tag", 30.0, "settled", "expected")
    assert loads(planned(part, expected=(0.5, 0.0), settled=(0.0, 0.0))) == [8.0, 2.0]


def test_reactive_energy_rewards_load() -> None:
    """5 Mvar in the second hour, free up to the load, 20 each above it: 20 against 10: 5 and 5."""
    part = ReactiveEnergy("kvarh", 20.0, 100.0, reactive="mvar")
    assert loads(planned(part, mvar=(0.0, 5.0))) == [5.0, 5.0]


def test_reactive_energy_by_power_factor() -> None:
    """At a factor of 0.6 and 100 % free, a third of the load is charged 15 an hour: same in both: 8 and 2.

    The tangent is 4/3, so 1/3 Mvarh per MWh at 15 adds 5 to every MWh: 25 and 35, and 270 in all.
    """
    plan = planned(ReactiveEnergy("kvarh", 15.0, 100.0, power_factor=0.6))
    assert loads(plan) == [8.0, 2.0]
    assert plan.audit.cost == pytest.approx(8 * 25.0 + 2 * 35.0)


def test_reactive_energy_by_month() -> None:
    """Sums of the month: 14 Mvarh, free up to the energy, 25 each above: at 24 more is drawn: 8 and 6."""
    part = ReactiveEnergy("kvarh", 25.0, 100.0, "month", None, "mvar")
    plan = planned(part, prices=(20.0, 24.0), mill=Mill(most_mwh=16.0), mvar=(7.0, 7.0))
    assert loads(plan) == [8.0, 6.0]


def test_two_part_follows_the_index_not_the_standard_price() -> None:
    """Standard 10 and 80 on the baseline, index 30 and 20 on differences: 2 and 8."""
    bands = (Band("early", 10.0, to_time="01:00"), Band("late", 80.0, from_time="01:00"))
    part = TwoPart("rtp", bands, "baseline")
    assert loads(planned(part, prices=(30.0, 20.0), spot=None, baseline=(5.0, 5.0))) == [2.0, 8.0]


def test_imbalance_by_surcharge() -> None:
    """Nominated 5 and 5: a MWh moved costs 6 above and 6 below, 12 against 10: 5 and 5."""
    assert loads(planned(Imbalance("imbalance", 6.0, 6.0), nomination=(5.0, 5.0))) == [5.0, 5.0]


def test_dual_imbalance_prices() -> None:
    """Short pays 45, long gets 10: moving a MWh costs 45 - 10 = 35 against what was nominated: 5 and 5."""
    part = ImbalancePrices("imbalance", "short", "long")
    plan = planned(part, nomination=(5.0, 5.0), short=(45.0, 45.0), long=(10.0, 10.0))
    assert loads(plan) == [5.0, 5.0]


def test_single_imbalance_price() -> None:
    """One price of 40 and then 30 in place of the index: 2 and 8."""
    plan = planned(ImbalancePrices("imbalance", "price"), nomination=(5.0, 5.0), price=(40.0, 30.0))
    assert loads(plan) == [2.0, 8.0]


def test_dual_prices_that_reward_deviating_are_refused() -> None:
    """Short at 5 and long at 40: no program can hold a charge that pays for deviating both ways."""
    part = ImbalancePrices("imbalance", "short", "long")
    with pytest.raises(ValueError, match="a deviation would earn money"):
        planned(part, nomination=(5.0, 5.0), short=(5.0, 5.0), long=(40.0, 40.0))


def test_generation_with_a_fee_on_surplus() -> None:
    """5 MW of generation, a fee of 20 on what exceeds the load: 20 against 10: 5 and 5."""
    part = PayAsProduced("wind", 45.0, "generation", surplus_fee_per_mwh=20.0)
    assert loads(planned(part, generation=(5.0, 5.0))) == [5.0, 5.0]


def test_difference_leaves_the_load() -> None:
    """(50 - 20) * 5 + (50 - 30) * 5 = 250 is owed whatever is drawn: 8 and 2, and 250 + 220."""
    plan = planned(ContractForDifference("cfd", 50.0, "volume"), volume=(5.0, 5.0))
    assert loads(plan) == [8.0, 2.0]
    assert plan.audit.cost + plan.audit.sunk == pytest.approx(470.0)


def test_standing_charge_leaves_the_load() -> None:
    """Nothing a load does changes it: 8 and 2."""
    assert loads(planned(StandingCharge("meter", 720.0, 24.0))) == [8.0, 2.0]


def test_interruptible_load_leaves_room() -> None:
    """3 MW to call off above 1 MW: at least 4 in both hours: 6 and 4, for a credit above the 20 it costs.

    A call in the first hour leaves 3 MW, and the second makes up for it with 7.
    """
    part = Interruptible("off", 3.0, 72_000.0, 0.0, 1.0, least_mw=1.0)
    plan = planned(part, horizon=two(plan=1))
    assert loads(plan) == [6.0, 4.0]
    (check,) = next(side for side in plan.tried if side.cases["off"] == "paid").calls
    assert [round(answer.possible_mw, 2) for answer in check.answers] == [3.0]


def test_interruptible_load_for_too_little_money() -> None:
    """Two hours of 3 MW at 72 per MW and month earn 0.6, less than the 20 of leaving 8 and 2."""
    plan = planned(Interruptible("off", 3.0, 72.0, 0.0, 1.0, least_mw=1.0), horizon=two(plan=1))
    assert loads(plan) == [8.0, 2.0]


def test_interruptible_load_that_cannot_be_dropped_is_not_credited() -> None:
    """A mill that cannot go below 4 MW, at 30 and 20: 4 and 8, no credit, and the reason is told.

    Room of 3 MW above the stated 1 MW is there at 4 MW, but a call would ask for 1 MW: 0 of 3 MW.
    """
    part = Interruptible("off", 3.0, 72_000.0, 0.0, 1.0, least_mw=1.0)
    mill = Mill(least_mw=4.0, least_mwh=12.0, most_mwh=12.0)
    plan = planned(part, horizon=two(plan=1), mill=mill, prices=(30.0, 20.0))
    assert loads(plan) == [4.0, 8.0]
    refused = next(side for side in plan.tried if side.cases["off"] == "paid")
    assert "1 cannot be answered" in refused.refused
    assert "only 0.0 of 3.0 MW" in refused.refused
    assert not any(line.component == "off" for line in plan.audit.bill)


def test_a_credit_that_was_asked_for_is_not_given_where_calls_fail() -> None:
    """The same with the state of the bill asking for the paid side: planned without it all the same."""
    part = Interruptible("off", 3.0, 72_000.0, 0.0, 1.0, least_mw=1.0)
    mill = Mill(least_mw=4.0, least_mwh=12.0, most_mwh=12.0)
    plan = planned(
        part, horizon=two(plan=1), mill=mill, prices=(30.0, 20.0), state=State(cases={"off": "paid"})
    )
    assert [side.cases["off"] for side in plan.tried] == ["paid", "not_paid"]
    assert not any(line.component == "off" for line in plan.audit.bill)


@pytest.mark.parametrize(("room_t", "case"), [(0.0, "not_paid"), (50.0, "paid")])
def test_room_is_left_with_real_power_only(room_t: float, case: str) -> None:
    """Cells that make what is used cannot draw 1 MW more on paper: they need somewhere to put the chlorine.

    At 10 kA a circuit of 150 cells draws 150 x (2.4 + 0.12 x 4) x 10 = 4.32 MW. Room for 2 MW above 3.32 asks
    for 5.32 MW; with a full store the side is not possible, with 50 t of room it is.
    """
    use = 10.0 * 150 * CHLORINE_T_PER_KAH
    case_ = plain_case(
        (
            plain_circuit(),
            ProductStore("store", "chlorine", 0.0, 20.0 + room_t, end_min_t=20.0),
            OwnUse("use", "chlorine", use),
        ),
        np.array([40.0, 60.0]),
        components=(Interruptible("off", 2.0, 720_000.0, 0.0, 1.0, least_mw=3.32),),
        stocks={"store": 20.0},
    )
    horizon = replace(case_.horizon, plan_intervals=1)
    plan = make_plan(case_.site, horizon, case_.situation, PlanOptions(compare=False))
    paid = next(side for side in plan.tried if side.cases["off"] == "paid")
    drawn = plan.audit.values["meter_import"]
    if case == "paid":
        assert not paid.refused
        assert drawn.min() >= 5.32 - 1e-5
    else:
        assert paid.refused.startswith("cannot be kept")
        assert drawn == pytest.approx([4.32, 4.32], abs=1e-3)


@pytest.mark.parametrize(("direction", "limits"), [("less", (1.0, 99.0)), ("more", (0.0, 9.0))])
def test_reserve_leaves_room(direction: str, limits: tuple[float, float]) -> None:
    """3 MW above 1 MW, or 3 MW below 9 MW: at least 4, or at most 6: 6 and 4 for 2 x 3 x 10 = 60 > 20."""
    part = Reserve("reserve", "offered", "fee", direction, *limits)  # type: ignore[arg-type]
    mill = Mill(least_mw=0.0, most_mw=9.0)
    free = planned(mill=mill, horizon=two(plan=1))
    assert loads(free) == [9.0, 1.0]
    plan = planned(part, mill=mill, horizon=two(plan=1), offered=(3.0, 3.0), fee=(10.0, 10.0))
    assert loads(plan) == [6.0, 4.0]
    assert plan.status is Status.PLAN


def test_compensation_per_tonne() -> None:
    """150 per tonne pays for chlorine at 20 per MWh and not at 100: 15 and 5 kA, the range's ends.

    A tonne more takes (2.4 + 0.24 j) V at 1.3230 g/Ah with j from 2 to 6 kA/m2: 2.2 to 2.9 MWh, 44 to 58
    at 20 and 218 to 290 at 100.
    """
    case = plain_case(
        (plain_circuit(), Outlet("chlorine_out", "chlorine", 100.0)),
        np.array([20.0, 100.0]),
        components=(CarbonCompensation("aid", 75.0, 0.8, 100.0, 2.5, "chlorine"),),
    )
    plan = case.plan()
    assert plan.audit.values["room_load"] == pytest.approx([15.0, 5.0], abs=1e-3)
    line = next(line for line in plan.audit.bill if line.component == "aid")
    assert line.rate == pytest.approx(-150.0)
    assert sum(line.amount for line in plan.audit.bill) == pytest.approx(plan.audit.cost, abs=0.01)


CLIFF = Utilisation(
    "hours",
    (
        UtilisationStep("few", 90.0, 1.0),
        UtilisationStep("many", 90.0, 1.0, 22.0, share_percent=50.0),
    ),
    60,
)


@pytest.mark.parametrize("component", [CLIFF, TakeOrPay("take", 160.0, 100.0, 45.0)])
def test_totals_and_sides_in_whole_steps(component: Component) -> None:
    """A day in whole steps with a look-ahead under a yearly cliff or a minimum quantity: gaps kept, bill met.

    The last 8 hours of a year at prices that rise, 4 of them the plan day.
    """
    use = 10.0 * 150 * CHLORINE_T_PER_KAH
    start = day_start_minute(dt.date(2027, 1, 1), ZONE) - 8 * 60
    horizon = Horizon(start + 60 * np.arange(8, dtype=np.int64), np.full(8, 60, dtype=np.int64), ZONE, 4)
    case = plain_case(
        (
            plain_circuit(step_ka=0.5, changes_per_day=3),
            ProductStore("store", "chlorine", 0.0, 100.0, end_min_t=20.0),
            OwnUse("use", "chlorine", use),
        ),
        20.0 + 5.0 * np.arange(8),
        horizon,
        components=(component,),
        stocks={"store": 20.0},
        state=State({("hours", "2026"): 100.0, ("take", "2026"): 100.0}),
    )
    plan = make_plan(case.site, horizon, case.situation, PlanOptions(compare=False))
    assert plan.status is Status.PLAN
    steps = plan.audit.values["room_load"][:4] / 0.5
    assert steps == pytest.approx(np.round(steps), abs=1e-6)
    assert plan.certificate.gap <= 1e-5
    assert plan.certificate.stepped_gap is not None
    assert -1e-9 <= plan.certificate.stepped_gap <= 1e-4
    bill = sum(line.amount for line in plan.audit.bill)
    assert plan.audit.cost + plan.audit.sunk == pytest.approx(bill, abs=0.01)
