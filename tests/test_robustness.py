"""Days that differ from a plan: operators' rules and rates of broken limits, against hand arithmetic.

The small sites are those of `tests.binding_cases`: a circuit that makes `T_PER_KA` t/h of chlorine per kA, an
hour at 20 and an hour at 100 per MWh, so that the plan runs 9 kA and then 1 kA, a store between, and a
customer who takes what 5 kA make: the store holds 4 kAh after the first hour and nothing after the second.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import tariffs_demo
from models.rectifier import Rectifier
from models.tank import AlkaliTank, ProductStore
from scheduler.plan import PlanOptions, make_plan
from scheduler.read.inputs import read_inputs
from scheduler.report.robustness import robustness_csv, robustness_png, robustness_text
from scheduler.result import Plan
from scheduler.studies.limits import without_steps
from scheduler.studies.operators import Days, plan_day, run, with_margins
from scheduler.studies.robustness import (
    BOUND,
    TWO_SIDED_95,
    Broken,
    Kind,
    Robustness,
    Uncertainty,
    broken,
    draw,
    only,
    robustness,
)
from tests.binding_cases import T_PER_KA, At, Small, customer, gas_store, room

TIGHT = Path(tariffs_demo.__file__).parent / "tight_day" / "site.toml"
C = T_PER_KA


def small(**changes: object) -> Plan:
    """Return the plan of circuit, store (0 to 10 kAh) and customer."""
    return Small((room(), gas_store(10.0), customer()), stocks=(("store", 0.0),)).plan()


def excess(found: tuple[Broken, ...], name: str) -> np.ndarray:
    """Return the excess over the limit of a name."""
    (limit,) = (each for each in found if each.name == name)
    return limit.excess


@pytest.fixture(scope="module")
def tight() -> Plan:
    """Return the tight day's plan, loads at any value."""
    inputs = read_inputs(TIGHT)
    options = PlanOptions(compare=False, calm=False)
    return make_plan(without_steps(inputs.site), inputs.horizon, inputs.situation, options)


@pytest.fixture(scope="module")
def held(tight: Plan) -> Robustness:
    """Return how it holds on 60 days."""
    return robustness(tight, draw(tight, Uncertainty(), 60, 1))


def test_small_plan() -> None:
    """The plan of the module's docstring."""
    assert At("room_load", 0, 9.0).reached(small())[0] == pytest.approx(9.0, abs=1e-4)


def test_store_by_hand() -> None:
    """A customer who takes 10 % more than 5 kA's worth leaves 3.5 kAh after an hour and lacks 1 after two.

    9 - 5.5 = 3.5; 3.5 + 1 - 5.5 = -1.0; in quarters the store is below 0 when 3.5 - 4.5 t < 0, from t =
    0.778 h of the second hour on: in the last quarter alone, which ends at -1.0.
    """
    plan = small()
    days = Days(2, take={"customer": np.array([1.0, 1.1])})
    result = run(plan, days)
    level = result.levels["chlorine"][1]
    assert level[3] == pytest.approx(3.5 * C, rel=1e-4)
    assert level[-1] == pytest.approx(-1.0 * C, rel=1e-3)
    low = excess(broken(plan, days, result), "store too low")
    assert np.count_nonzero(low[0]) == 0
    assert np.flatnonzero(low[1]).tolist() == [7]


def test_store_too_high_by_hand() -> None:
    """A customer who takes a tenth less fills a store of 4.2 kAh to 9 - 4.5 = 4.5: 0.3 kAh too much."""
    units = (room(), gas_store(4.2), customer())
    plan = Small(units, stocks=(("store", 0.0),)).plan()
    days = Days(1, take={"customer": np.array([0.9])})
    high = excess(broken(plan, days, run(plan, days)), "store too high")
    assert high[0, 3] == pytest.approx(0.3 * C, rel=2e-3)


def test_trip_by_hand() -> None:
    """A trip of the first half hour makes 4.5 kAh less: 9 - 4.5 - 5 = -0.5 kAh after the first hour."""
    plan = small()
    days = Days(1, tripped={"room": (np.array([0.0]), np.array([30.0]))})
    result = run(plan, days)
    assert result.setpoints["room_load"][0, :4] == pytest.approx([0.0, 0.0, 9.0, 9.0], abs=1e-4)
    assert result.levels["chlorine"][0, 3] == pytest.approx(-0.5 * C, rel=1e-3)


def test_voltage_holds_the_load_back_by_hand() -> None:
    """100 (2 + 0.1 j) V is at most 290 V at 9 kA; 1 % more voltage allows 290 / 1.01 = 287.13 V, 8.713 kA."""
    circuit = room(rectifier=Rectifier(1, 1e3, 290.0, drop_v=0.0))
    plan = Small((circuit, gas_store(10.0), customer()), stocks=(("store", 0.0),)).plan()
    days = Days(1, voltage={"room": np.array([1.01])})
    result = run(plan, days)
    assert result.setpoints["room_load"][0, 0] == pytest.approx(290.0 / 1.01 / 10.0 - 20.0, abs=1e-6)
    found = broken(plan, days, result)
    held_back = excess(found, "DC voltage of room (load held back)")
    assert held_back[0, 0] == pytest.approx(9.0 - 8.7129, abs=1e-3)


def test_days_start_from_a_known_load() -> None:
    """A circuit with a ramp, a load before and two cell voltages runs its planned loads on three days."""
    units = (room(ramp_ka_per_min=1.0, ramp_minutes=15.0), gas_store(10.0), customer())
    plan = Small(units, stocks=(("store", 0.0),), loads_before=(("room", 5.0),)).plan()
    result = run(plan, Days(3, voltage={"room": np.array([1.0, 1.0, 1.01])}))
    planned = np.repeat(plan.audit.values["room_load"], 4)
    assert result.setpoints["room_load"] == pytest.approx(np.tile(planned, (3, 1)), abs=1e-9)


def test_power_by_hand() -> None:
    """1 % more voltage is 1 % more power: 1.01 * 2.61 MW at 9 kA, of a rectifier without loss."""
    plan = small()
    result = run(plan, Days(1, voltage={"room": np.array([1.01])}))
    assert result.setpoints["meter_import"][0, 0] == pytest.approx(1.01 * 2.61, rel=1e-4)


def test_no_difference_breaks_nothing(tight: Plan) -> None:
    """Property: a day that is as planned keeps every limit, and its stocks are the plan's."""
    days = Days(2)
    result = run(tight, days)
    for limit in broken(tight, days, result):
        assert not np.any(limit.excess), limit.name
    liquid = result.levels["chlorine_liquid"][0][3::4]
    assert liquid == pytest.approx(tight.audit.values["liquid_store_level"], abs=1e-6)
    drawn = result.setpoints["meter_import"][0][::4]
    assert drawn == pytest.approx(tight.audit.values["meter_import"], abs=1e-6)


def test_buses_close_on_random_days(tight: Plan) -> None:
    """Without trips no chlorine, hydrogen, steam or power is made from nothing or left over.

    Header chlorine has no place to go only where the liquefaction takes all it can, 5.5 t/h on that day.
    """
    days = replace(draw(tight, Uncertainty(), 20, 3), tripped={})
    result = run(tight, days)
    for commodity in ("chlorine", "chlorine_wet", "tail_gas", "hydrogen", "steam", "power"):
        assert float(np.max(result.missing[commodity])) < 1e-6, commodity
        left_over = result.left_over[commodity] > 1e-6
        full = result.setpoints["liquefier_feed"] >= 5.5 - 1e-6
        assert not np.any(left_over & ~(full & (commodity == "chlorine"))), commodity


def test_late_lot_keeps_its_tonnes(tight: Plan) -> None:
    """A lot three hours late is loaded three hours later: the store holds its tonnes that much longer."""
    late = run(tight, Days(1, late_min={"cl_road_mon": np.array([180.0])}))
    _, planned = plan_day(tight)
    loading = planned["cl_road_mon_loading"]
    assert late.setpoints["cl_road_mon_loading"][0, 12:] == pytest.approx(loading[:-12], abs=1e-9)


def test_loaded_wagons_count_until_they_leave(tight: Plan) -> None:
    """40 t of road tankers stand inside the permit at 17:45 and have left at 18:00, late ones later."""
    days = Days(2, late_min={"cl_road_mon": np.array([0.0, 60.0])})
    result = run(tight, days)
    (standing,) = result.on_site.values()
    lots = {name: result.setpoints[f"{name}_loading"] / 4.0 for name in ("cl_road_mon", "cl_container_mon")}
    road, container = (np.cumsum(loaded, axis=1) for loaded in lots.values())
    assert standing[0, 63] == pytest.approx(road[0, 63] + container[0, 63])
    assert road[0, 71] == pytest.approx(40.0, abs=1e-6)
    assert standing[0, 71] == pytest.approx(40.0, abs=1e-6)
    assert standing[0, 72] == pytest.approx(0.0, abs=1e-9)
    assert standing[1, 75] == pytest.approx(40.0, abs=1e-6)
    assert standing[1, 76] == pytest.approx(0.0, abs=1e-9)


def test_draw_has_the_stated_spread(tight: Plan) -> None:
    """95 % of the days lie within the stated range, trips and late lots have their shares (4 sd)."""
    days = draw(tight, Uncertainty(), 4000, 7)
    inside = np.abs(days.voltage["room_m"] - 1.0) <= 0.01
    assert inside.mean() == pytest.approx(0.95, abs=0.014)
    assert np.abs(days.take["vinyl"] - 1.0).std() > 0
    assert days.take["vinyl"].std() == pytest.approx(0.02 / TWO_SIDED_95, rel=0.05)
    assert (days.late_min["cl_road_mon"] > 0).mean() == pytest.approx(0.3, abs=0.03)
    trips = sum((length > 0).sum() for _, length in days.tripped.values())
    assert trips / 4000 == pytest.approx(0.1, abs=0.02)


def test_same_seed_same_days(tight: Plan) -> None:
    """The same seed gives the same days, another one others."""
    one, same, other = (draw(tight, Uncertainty(), 5, seed) for seed in (1, 1, 2))
    assert np.array_equal(one.take["vinyl"], same.take["vinyl"])
    assert not np.array_equal(one.take["vinyl"], other.take["vinyl"])


def test_one_cause_alone(tight: Plan) -> None:
    """Days with one cause alone are as planned in everything else."""
    days = only(draw(tight, Uncertainty(), 5, 1), "take")
    assert days.take
    assert not days.voltage
    assert not days.tripped
    assert not days.late_min


def test_demo_meets_the_stated_bound(held: Robustness) -> None:
    """With its stated margins the tight day breaks a limit of plant or permit on at most 5 % of the days."""
    assert BOUND == 0.05
    assert held.serious_share <= BOUND


def test_margins_buy_days(tight: Plan) -> None:
    """The same works planned without margins breaks limits of plant or permit on most days."""
    bare = with_margins(tight.site, 0.0)
    plan = make_plan(bare, tight.horizon, tight.situation, PlanOptions(compare=False, calm=False))
    result = robustness(plan, draw(plan, Uncertainty(), 60, 1), 0.0)
    assert result.serious_share > 0.3
    assert plan.audit.cost < tight.audit.cost


def test_margins_are_scaled() -> None:
    """Twice the margins: tanks, permit and rectifiers keep twice as much free, the limits stay."""
    tank = AlkaliTank("t", "naoh_50", 1, 100.0, "NaOH", 50.0, 40.0, 5.0, 95.0, margin_percent=3.0)
    circuit = room(rectifier=Rectifier(1, 1e3, 290.0, margin_percent=1.0))
    site = replace(Small((circuit, tank)).site())
    doubled = with_margins(site, 2.0).units
    assert doubled[0].rectifier.planned_dc_voltage_max_v == pytest.approx(284.2)  # type: ignore[attr-defined]
    full = tank.tonnes(level_percent=100.0)
    assert doubled[1].range_t() == pytest.approx((0.11 * full, 0.89 * full))  # type: ignore[attr-defined]


def test_margin_of_a_product_store() -> None:
    """4 % of 187.5 t is 7.5 t at either end."""
    assert ProductStore("s", "x", 7.5, 187.5, margin_percent=4.0).range_t() == pytest.approx((15.0, 180.0))


def test_margin_must_leave_something() -> None:
    """A margin at both ends that leaves nothing is refused with the greatest allowed."""
    with pytest.raises(ValueError, match=r"'margin_percent' must be at most half .* 10 \[%\] \(got 11\)"):
        ProductStore("s", "x", 80.0, 100.0, margin_percent=11.0)


def test_rates_add_up(held: Robustness) -> None:
    """Rates a day and in a thousand checks are those of the single limits; no day is counted twice."""
    assert held.per_day == pytest.approx(sum(rate.days for rate in held.rates) / 60)
    checked = sum(rate.checked for rate in held.rates)
    assert held.per_thousand == pytest.approx(1000 * sum(rate.broken for rate in held.rates) / checked)
    assert all(rate.days_without_trip <= rate.days <= 60 for rate in held.rates)
    assert held.broken_days[Kind.PLANT] <= 60 - held.trip_days


def test_reports_say_bound_seed_and_causes(tight: Plan, held: Robustness) -> None:
    """The text names bound, seed, assumptions and cautions; the table has a row for each limit."""
    text = robustness_text(tight.site, tight.horizon, (held,), Uncertainty(), 1)
    flat = " ".join(text.split())
    assert "MEETS the bound" in flat
    assert "(seed 1)" in flat
    assert "not measurements of this plant" in flat
    assert "Advice only" in flat
    assert len(robustness_csv((held,)).splitlines()) == 1 + len(held.rates)
    assert robustness_png(tight.site, (held,))[:8] == b"\x89PNG\r\n\x1a\n"
