"""The program's own coefficients, at any load, give the unrounded bill: every kind of component, at random.

Bills integrate energies over spans; terms hold prices and weights of intervals; records hold coefficients,
bounds and rows. The three are computed apart and compared.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.contract.adders import Adder, Levies, LossBand
from models.contract.blocks import Block, Blocks
from models.contract.capacity import CapacityCharge, DemandTier
from models.contract.cliff import Cliff, LesserOf
from models.contract.coincident import CoincidentPeak
from models.contract.component import Component, Contract, Profile
from models.contract.fixed import StandingCharge
from models.contract.imbalance import Imbalance, ImbalancePrices
from models.contract.minimum import MinimumBill
from models.contract.overrun import DailyOverrun
from models.contract.ppa import ContractForDifference, PayAsProduced
from models.contract.reactive_energy import ReactiveEnergy
from models.contract.reserve import CallTier, Interruptible, Reserve
from models.contract.spot import SpotEnergy
from models.contract.state import State
from models.contract.take_or_pay import Swing, TakeOrPay
from models.contract.tiers import EnergyTiers, Tier
from models.contract.time_of_use import Band
from models.contract.two_part import TwoPart
from models.contract.utilisation import Utilisation, UtilisationStep
from models.horizon import Array, Horizon, Series
from models.meter import SiteMeter
from models.site import Site
from models.situation import Situation
from scheduler.audit import row_values
from scheduler.plan import PlanOptions, make_plan
from tests.test_contract_moves_load import Mill, charged

METER = "meter_import"
DAYS = (
    dt.date(2026, 3, 28),
    dt.date(2026, 10, 24),
    dt.date(2026, 11, 29),
    dt.date(2026, 12, 30),
    dt.date(2026, 12, 29),  # three days to the very end of the year
)
ZONES = ("Europe/Berlin", "America/Los_Angeles")


def horizon_of(rng: np.random.Generator, days: int = 3) -> Horizon:
    """Return some days around a clock change, a month's end or a year's end, at two resolutions."""
    day, zone = DAYS[rng.integers(len(DAYS))], ZONES[rng.integers(len(ZONES))]
    lengths = [15, 30, 60]
    return Horizon.of_days(
        day,
        zone,
        int(rng.choice(lengths)),
        look_ahead_days=days - 1,
        look_ahead_minutes=int(rng.choice(lengths)),
    )


def series(rng: np.random.Generator, name: str, horizon: Horizon, low: float, high: float) -> Series:
    """Return random values on quarters."""
    starts = np.arange(horizon.start_min, horizon.end_min, 15)
    return Series(name, starts, np.full(len(starts), 15), rng.uniform(low, high, len(starts)))


def window(rng: np.random.Generator) -> dict[str, object]:
    """Return a window of the clock, sometimes one that wraps midnight, sometimes on some days only."""
    a, b = rng.choice(96, 2, replace=False).tolist()
    return {
        "from_time": f"{a // 4:02d}:{a % 4 * 15:02d}",
        "to_time": f"{b // 4:02d}:{b % 4 * 15:02d}",
        "day_types": ((), ("weekday",), ("saturday", "sunday", "holiday"))[rng.integers(3)],
    }


def components(rng: np.random.Generator) -> tuple[Component, ...]:
    """Return one component of every kind whose charge the load decides, with random values."""

    def u(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    minutes = int(rng.choice([15, 30, 60]))
    per = ("month", "year")[rng.integers(2)]
    day = int(rng.choice([1, 15, 28]))
    low = u(0, 40)
    parts = (
        SpotEnergy(
            "spot",
            adders_per_mwh=(
                Adder("margin", u(-5, 5)),
                Adder("levy", u(0, 20), False, exempt_percent=u(0, 100), **window(rng)),  # type: ignore[arg-type]
                Adder("dated", u(0, 9), valid_from=dt.date(2026, 10, 25), valid_to=dt.date(2026, 12, 31)),
            ),
            losses_percent=u(0, 5),
            loss_bands=(LossBand(u(0, 9), **window(rng)), LossBand(u(0, 9), **window(rng))),  # type: ignore[arg-type]
            settle_minutes=(None, 30, 60)[rng.integers(3)],
            factor=u(0.9, 1.1),
            least_per_mwh=(None, -20.0)[rng.integers(2)],
            most_per_mwh=(None, 300.0)[rng.integers(2)],
        ),
        Levies("levies", (Adder("tax", u(0, 20), **window(rng)),), losses_percent=u(0, 5)),  # type: ignore[arg-type]
        EnergyTiers("rising", (Tier(low, u(50, 6000)), Tier(low + u(0, 50))), per, day),  # type: ignore[arg-type]
        EnergyTiers("falling", (Tier(low + u(1, 50), u(50, 6000)), Tier(low)), per, day),  # type: ignore[arg-type]
        TakeOrPay("take", u(100, 9000), u(0, 100), u(0, 100), per, day),  # type: ignore[arg-type]
        Swing("swing", u(100, 9000), u(0, 50), low, low + u(0, 50), per, day),  # type: ignore[arg-type]
        CapacityCharge(
            "capacity",
            u(0, 9000),
            minutes,
            per,  # type: ignore[arg-type]
            price_per_day=bool(rng.integers(2)),
            measure=("kw", "kva", "kw_or_kva")[rng.integers(3)],
            kva_share=u(0.8, 1.0),
            power_factor=u(0.7, 1.0),
            power_factor_least=(None, 0.95)[rng.integers(2)],
            contracted_mw=u(0, 120),
            excess_per_mw=u(0, 9000),
            excess_tolerance_percent=u(0, 20),
            minimum_mw=u(0, 60),
            ratchet_percent=u(1, 100),
            ratchet_periods=int(rng.integers(1, 12)),
            ratchet_months=((), (10, 11, 12))[rng.integers(2)],
            billing_day=day,
            **window(rng),  # type: ignore[arg-type]
        ),
        CapacityCharge(
            "chosen", u(0, 9000), minutes, contracted_range_mw=(low, 110.0), excess_per_mw=u(0, 9000)
        ),
        CapacityCharge(
            "rising_tiers",
            low,
            minutes,
            per,  # type: ignore[arg-type]
            measure=("kw", "kvar")[rng.integers(2)],
            power_factor=u(0.7, 0.95),
            price_per_day=bool(rng.integers(2)),
            ratchet_percent=u(1, 100),
            ratchet_periods=int(rng.integers(1, 12)),
            contracted_mw=u(0, 60),
            billing_day=day,
            tiers=(DemandTier(u(1, 50), low + 10.0), DemandTier(u(50, 100), low + u(10, 50))),
        ),
        CapacityCharge(
            "falling_tiers",
            low + 60.0,
            minutes,
            per,  # type: ignore[arg-type]
            price_per_day=bool(rng.integers(2)),
            minimum_mw=u(0, 60),
            billing_day=day,
            tiers=(DemandTier(u(1, 50), low + 20.0), DemandTier(u(50, 100), low)),
        ),
        DailyOverrun("daily", u(20, 90), u(1, 90), minutes, u(0, 10), billing_day=day, **window(rng)),  # type: ignore[arg-type]
        DailyOverrun("capped", u(20, 90), u(1, 90), minutes, u(0, 10), u(1, 200), billing_day=day),
        Utilisation(
            "hours",
            (
                UtilisationStep("few", 10.0 * low * 100, low),
                UtilisationStep("many", 10.0 * low * 100, low, u(10, 60), share_percent=u(40, 90)),
                UtilisationStep("band", 10.0 * low * 100, low, u(60, 80), u(0, 5000), 20.0),
            ),
            minutes,
            day,
        ),
        Blocks(
            "blocks",
            (Block("base", u(1, 60), u(20, 90)), Block("peak", u(1, 20), u(20, 90), **window(rng))),  # type: ignore[arg-type]
            resale_fee_per_mwh=u(0, 9),
        ),
        PayAsProduced("wind", u(20, 90), "generation", u(0, 100), surplus_fee_per_mwh=u(0, 9)),
        ContractForDifference("difference", u(20, 90), "generation", bool(rng.integers(2))),
        CoincidentPeak("tag", u(0, 50_000), "settled", (None, "expected")[rng.integers(2)]),
        ReactiveEnergy("kvarh", u(0, 20), u(0, 60), ("interval", "month")[rng.integers(2)], u(0.7, 1.0)),  # type: ignore[arg-type]
        ReactiveEnergy("own_kvarh", u(0, 20), u(0, 60), ("interval", "month")[rng.integers(2)], None, "mvar"),  # type: ignore[arg-type]
        TwoPart("two_part", (Band("all", u(20, 90)),), "baseline", adder_per_mwh=u(-5, 5)),
        Imbalance("surcharge", u(0, 40), u(0, 40), "baseline"),
        ImbalancePrices("single", "short", None, "baseline"),
        ImbalancePrices("dual", "short", "long", "baseline"),
        Interruptible(
            "off",
            u(1, 30),
            u(0, 3000),
            10.0,
            4.0,
            called="called",
            call_tiers=(CallTier(90.0, 2.0), CallTier(99.0)),
        ),
        Reserve("band", "offered", "capacity_price", "both", -500.0, 500.0, "called", u(0, 90)),
        StandingCharge("meter", u(-100, 999), u(0, 50), day),
    )
    sums = []
    for name, over in (("least_of_month", "month"), ("least_of_year", "year")):
        least = MinimumBill(name, u(0, 1e7), u(1, 9000), u(0, 120), per=over, billing_day=day)  # type: ignore[arg-type]
        fits = (part for part in parts if not replace(least, of=(part.name,)).misfits((least, part)))
        sums.append(replace(least, of=tuple(part.name for part in fits if part.name != "off")))
    sums[1] = replace(sums[1], of=(*sums[1].of, "least_of_month"))
    return Contract("all", "XTS", (*parts, *sums)).components


def situation_of(rng: np.random.Generator, horizon: Horizon, parts: tuple[Component, ...]) -> Situation:
    """Return prices, profiles and a state of the bill for all components."""
    given_ = {
        name: series(rng, name, horizon, low, high)
        for name, low, high in (
            ("day_ahead", -100, 400),
            ("generation", 0, 80),
            ("baseline", 0, 100),
            ("mvar", 0, 60),
            ("long", -100, 100),
            ("offered", 0, 20),
            ("capacity_price", 0, 30),
            ("expected", 0, 0.01),
            ("called", -5, 9),
        )
    }
    # Dual prices that a program can hold: short never below long.
    short = replace(given_["long"], name="short", values=given_["long"].values + rng.uniform(0, 200))
    half = len(given_["expected"].values) // 2
    settled = Series(
        "settled",
        given_["expected"].starts_min[:half],
        given_["expected"].lengths_min[:half],
        np.where(rng.random(half) < 0.05, 0.25, 0.0),
    )
    labels = {"2026-03", "2026-09", "2026-10", "2026-11", "2026-12", "2027-01", "2026", "2025"}
    keys = [(part.name, label) for part in parts for label in sorted(labels)]
    return Situation(
        series={**given_, "short": short, "settled": settled},
        peaks_mw={key: float(rng.uniform(0, 120)) for key in keys if rng.random() < 0.4},
        state=State({key: float(rng.uniform(0, 5000)) for key in keys if rng.random() < 0.5}),
    )


def with_rest(situation: Situation, parts: tuple[Component, ...]) -> Situation:
    """Return the same with nothing expected after the horizon, so that a plan and a bill see one total."""
    years, months = (
        ("2025", "2026", "2027"),
        [f"{y}-{m:02d}" for y in (2025, 2026, 2027) for m in range(1, 13)],
    )
    rest = {(part.name, label): 0.0 for part in parts for label in (*years, *months)}
    return replace(situation, state=replace(situation.state, rest_mwh=rest, rest_charged=rest))


def on_its_sides(
    situation: Situation, parts: tuple[Component, ...], horizon: Horizon, power: Array
) -> Situation:
    """Return the same with the case of every component on which a load stands."""
    cases = {}
    for part in parts:
        chosen = []
        for term in part.terms(horizon, situation):
            if isinstance(term, Cliff):
                total = term.offset + float(np.sum(term.weight * horizon.hours * power))
                peak = 0.0 if term.peak is None else max(term.peak.floor_mw, term.peak.peak_mw(power))
                chosen.append(term.reached(total, peak).name)
            elif isinstance(term, LesserOf):
                charges = {n: sum(t.cost(horizon, power) for t in each) for n, each in term.options}
                chosen.append(min(charges, key=lambda name: charges[name]))
        if chosen:
            cases[part.name] = "+".join(chosen)
    return replace(situation, state=replace(situation.state, cases=cases))


def total_of(lines: tuple[object, ...]) -> float:
    """Return the sum of unrounded amounts."""
    return sum(line.amount for line in lines)  # type: ignore[attr-defined]


@pytest.mark.parametrize("seed", range(6))
def test_ramps_count_alike_in_terms_and_bill(seed: int) -> None:
    """Where the energy of ramps is known, every peak of terms and bill holds it."""
    rng = np.random.default_rng(seed)
    horizon = horizon_of(rng)
    parts = tuple(p for p in components(rng) if isinstance(p, CapacityCharge | Utilisation | MinimumBill))
    now = situation_of(rng, horizon, parts)
    power = rng.uniform(0, 120, len(horizon))
    ramp = np.where(rng.random(len(horizon)) < 0.3, rng.uniform(0, 5, len(horizon)), 0.0)
    for part in parts:
        terms = [term.with_ramps(ramp) for term in part.terms(horizon, now)]
        lines = part.bill(Profile(horizon, power, ramp_mwh=ramp), now)
        charged = sum(term.cost(horizon, power) for term in terms)
        assert charged == pytest.approx(total_of(lines), rel=1e-9, abs=1e-4), part.name


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_terms_cost_what_the_bill_says(seed: int) -> None:
    """Component by component the terms at a profile cost the unrounded lines, each line rate x quantity."""
    rng = np.random.default_rng(seed)
    horizon = horizon_of(rng)
    parts = components(rng)
    now = situation_of(rng, horizon, parts)
    power = rng.uniform(0, 120, len(horizon))
    for part in parts:
        lines = part.bill(Profile(horizon, power), now)
        terms = sum(term.cost(horizon, power) for term in part.terms(horizon, now))
        assert terms == pytest.approx(total_of(lines), rel=1e-9, abs=1e-4), part.name
        assert all(
            line.amount == pytest.approx(line.quantity * line.rate, rel=1e-9, abs=1e-4) for line in lines
        )


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_records_cost_what_the_bill_says(seed: int) -> None:
    """The declared coefficients, at the exact values of a load, give the unrounded bill within 0.01.

    Where the charge jumps the case that the load stands on is chosen, and its conditions hold there.
    """
    rng = np.random.default_rng(seed)
    horizon = horizon_of(rng)
    parts = components(rng)
    now = with_rest(situation_of(rng, horizon, parts), parts)
    power = rng.uniform(31.0, 120, len(horizon))
    now = on_its_sides(now, parts, horizon, power)
    for part in parts:
        # A plan knows that nothing comes after the horizon; a bill settles such a total at its period's end.
        settled_later = isinstance(part, TakeOrPay | Swing | MinimumBill) and any(
            period.end_min > horizon.end_min for period in part._cycle.periods(horizon)
        )
        lines = part.bill(Profile(horizon, power), now)
        charged = 0.0
        for term in part.terms(horizon, now):
            declared = term.declare(horizon, f"{part.name}_{term.name}", METER)
            values: dict[str, Array] = {
                METER: power,
                **term.exact_on(horizon, f"{part.name}_{term.name}", power),
            }
            charged += sum(
                float(np.dot(c.coefficient, values[c.variable])) + c.constant for c in declared.costs
            )
            charged += term.sunk()
            if isinstance(part, MinimumBill):
                # Its row holds the variables of the components that it counts.
                for other in part.others:
                    for own in other.terms(horizon, now):
                        values |= own.exact_on(horizon, f"{other.name}_{own.name}", power)
            for rows in declared.rows:
                left, size = row_values(rows, values)
                room = 5e-6 * (size + np.abs(np.where(np.isfinite(rows.lower), rows.lower, 0.0)) + 1.0)
                assert np.all(left >= rows.lower - room), rows.key
                assert np.all(left <= rows.upper + room), rows.key
        if not settled_later:
            assert charged == pytest.approx(total_of(lines), abs=0.01), part.name


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_parts_of_a_period_carry_their_state(seed: int) -> None:
    """A profile billed in two parts, the state carried on, charges tiers and swing as one bill does.

    Amounts of the two parts add up, for what is charged on a total; peaks charge the whole period again.
    """
    rng = np.random.default_rng(seed)
    horizon = horizon_of(rng)
    names = ("rising", "falling", "swing", "take")
    parts = tuple(part for part in components(rng) if part.name in names)
    contract = Contract("drawn", "XTS", parts)
    now = Situation()
    power = rng.uniform(0, 120, len(horizon))
    cut = horizon.plan_intervals
    first = Horizon(horizon.starts_min[:cut], horizon.lengths_min[:cut], horizon.timezone, cut)
    rest = Horizon(horizon.starts_min[cut:], horizon.lengths_min[cut:], horizon.timezone, len(horizon) - cut)
    then = contract.after(Profile(first, power[:cut]), now)
    whole = total_of(contract.bill(Profile(horizon, power), now))
    parts_sum = total_of(contract.bill(Profile(first, power[:cut]), now))
    parts_sum += total_of(contract.bill(Profile(rest, power[cut:]), then))
    assert parts_sum == pytest.approx(whole, rel=1e-9, abs=1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_planned_contracts_charge_what_they_bill(seed: int) -> None:
    """Random contracts, planned: the program's coefficients at the audited power give the unrounded bill.

    Six components of random kinds on a load with 24 hours of the year's last day; every side of every cliff
    among them was planned, and no bound lies above a cost.
    """
    rng = np.random.default_rng(seed)
    horizon = Horizon.of_days(dt.date(2026, 12, 31), "Europe/Berlin", 60)
    # Totals of periods that do not end with the day are settled later, so that plan and bill differ.
    later = TakeOrPay | Swing | MinimumBill
    everything = tuple(part for part in components(rng) if not isinstance(part, later))
    chosen = rng.choice(len(everything), 6, replace=False)
    parts = tuple(everything[i] for i in sorted(chosen.tolist()))
    least = MinimumBill("least", float(rng.uniform(0, 2e5)), per="year")
    counted = tuple(p.name for p in parts if not replace(least, of=(p.name,)).misfits((least, p)))
    if counted:
        parts = (*parts, replace(least, of=counted))
    now = with_rest(situation_of(rng, horizon, parts), parts)
    energy = float(rng.uniform(30, 60)) * 24
    mill = Mill(least_mw=20.0, most_mw=90.0, least_mwh=energy, most_mwh=energy)
    site = Site("drawn", horizon.timezone, Contract("c", "XTS", parts), (mill, SiteMeter("meter", 100.0)))
    plan = make_plan(site, horizon, now, PlanOptions(compare=False))
    assert charged(plan) + plan.audit.sunk == pytest.approx(total_of(plan.audit.bill), abs=0.01)
    assert plan.certificate.lower_bound <= plan.certificate.cost + 1e-6 * plan.certificate.denominator
    assert plan.audit.cost + plan.audit.sunk == pytest.approx(total_of(plan.audit.bill), abs=0.01)
    possible = [side.cost for side in plan.tried if not side.refused and side.cost is not None]
    assert all(plan.audit.cost <= cost + 0.01 for cost in possible)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_a_minimum_bill_is_settled_alike_in_parts_and_at_once(seed: int) -> None:
    """A profile billed day by day, the state carried on, is charged the minimum that one bill charges.

    Left out: a peak priced by the day, whose bills of parts charge each part's days at the peak so far.
    """
    rng = np.random.default_rng(seed)
    horizon = horizon_of(rng)
    drawn = [p for p in components(rng) if not getattr(p, "price_per_day", False)]
    names = {part.name for part in drawn}
    parts = tuple(
        replace(p, of=tuple(n for n in p.of if n in names)) if isinstance(p, MinimumBill) else p
        for p in drawn
    )
    contract = Contract("drawn", "XTS", parts)
    power = rng.uniform(0, 120, len(horizon))
    now = replace(situation_of(rng, horizon, parts), state=State(), peaks_mw={})

    def minima(profile: Profile, situation: Situation) -> dict[tuple[str, str], float]:
        lines = [line for part in contract.components[-2:] for line in part.bill(profile, situation)]
        return {(line.component, line.label): line.amount for line in lines}

    at_once = minima(Profile(horizon, power), now)
    then, found = now, dict[tuple[str, str], float]()
    for day in sorted(set(horizon.days)):
        at = np.flatnonzero(np.array(horizon.days) == day)
        starts, lengths = horizon.starts_min[at], horizon.lengths_min[at]
        part = Profile(Horizon(starts, lengths, horizon.timezone, len(at)), power[at])
        found |= minima(part, then)
        then = contract.after(part, then)
    assert found == {key: pytest.approx(amount, rel=1e-9, abs=1e-3) for key, amount in at_once.items()}


def test_a_carried_peak_is_the_highest_so_far() -> None:
    """Two days of 40 and 30 MW: the state after both holds 40, and the second bill charges 40."""
    horizon = Horizon.of_days(dt.date(2026, 6, 1), "Europe/Berlin", 60)
    later = Horizon.of_days(dt.date(2026, 6, 2), "Europe/Berlin", 60)
    contract = Contract("drawn", "XTS", (CapacityCharge("grid", 10.0, 15),))
    then = contract.after(Profile(horizon, np.full(24, 40.0)), Situation())
    then = contract.after(Profile(later, np.full(24, 30.0)), then)
    assert then.peaks_mw == {("grid", "2026-06"): pytest.approx(40.0)}
    (line,) = contract.bill(Profile(later, np.full(24, 30.0)), then)
    assert line.amount == pytest.approx(400.0)


def test_a_total_of_a_part_of_a_year_needs_what_comes_after() -> None:
    """A plan of one day under a yearly total is refused, with the name of what is missing."""
    horizon = Horizon.of_days(dt.date(2026, 6, 1), "Europe/Berlin", 60)
    (term,) = TakeOrPay("take", 1000.0, 90.0, 50.0).terms(horizon, Situation())
    with pytest.raises(ValueError, match=r"component 'take'.*give 'rest_mwh'.*period '2026'"):
        term.declare(horizon, "take", METER)
