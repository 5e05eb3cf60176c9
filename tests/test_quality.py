"""What products carry at low load, hydrogen in chlorine and chloride in caustic, and unequal sharing.

The circuit of `tests.binding_cases` runs from 1 to 9 kA at 100 % efficiency on 1 m2, so a load in kA is its
density too, and hydrogen h at 9 kA is h * 9 / I at I where all of it is steady. Levels of hydrogen and
chloride are from memory (common practice, no source); what follows from them is worked out by hand.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.cell_voltage import CellVoltage
from models.checks import InvalidValues
from models.current_efficiency import CurrentEfficiency
from models.horizon import Series
from models.liquefier import Liquefier
from models.quality import Impurity, QualityLimit
from models.situation import Availability, Situation
from models.tail_gas import hydrogen_fraction
from models.tank import ProductStore
from models.unit import Unit
from scheduler.plan import PlanOptions, make_plan
from scheduler.result import Plan, Status
from tests.binding_cases import T_PER_KA, Small, customer, hours, outlet, room

C = T_PER_KA


def planned(small: Small) -> Plan:
    """Return the plan of a site at the usual gap, compared with nothing."""
    return make_plan(small.site(), small.intervals(), small.situation(), PlanOptions(compare=False))


def gas_site(*units: Unit, due_ka: float = 10.0, prices: tuple[float, ...] = (20.0, 100.0)) -> Small:
    """Return rooms and a store of gas that must hold what so many kAh make at the end, cheap hour first."""
    store = ProductStore("store", "chlorine", 0.0, 100.0, end_min_t=due_ka * C)
    return Small((*units, store), prices, stocks=(("store", 0.0),))


# ---------------------------------------------------------------- the law


def test_hydrogen_at_half_load_is_twice_that_at_full_load() -> None:
    """0.2 % at 9 kA, all steady: 0.4 % at 4.5 kA; half of it steady: 0.3 %; none: 0.2 %."""
    for share, expected in ((1.0, 0.4), (0.5, 0.3), (0.0, 0.2)):
        circuit = room(hydrogen_in_chlorine_percent=0.2, hydrogen_steady_share=share)
        held = circuit.simulate(hours(1), Situation(), {"room_load": np.array([4.5])}).readings
        assert held["hydrogen_percent"][0] == pytest.approx(expected, rel=1e-12)


def test_chloride_goes_as_one_over_the_density() -> None:
    """30 ppm at 9 kA/m2 are 54 ppm at 5: 30 * 9 / 5."""
    circuit = room(chloride_in_alkali_ppm=30.0)
    held = circuit.simulate(hours(1), Situation(), {"room_load": np.array([5.0])}).readings
    assert held["chloride_ppm"][0] == pytest.approx(54.0, rel=1e-12)


@given(st.floats(0.01, 1.0), st.floats(0.0, 1.0), st.floats(1.01, 20.0))
def test_the_least_share_meets_the_limit(nominal: float, share: float, factor: float) -> None:
    """At the least production the law gives the greatest concentration, or production may be anything."""
    impurity = Impurity(nominal, share)
    least = impurity.least_share(nominal * factor)
    assert 0.0 <= least < 1.0
    if least > 1e-9:
        held = impurity.carried(np.array([least]), np.array([1.0]))[0] / least
        assert held == pytest.approx(nominal * factor, rel=1e-9)


# ---------------------------------------------------------------- one circuit's own limit


def test_a_circuits_own_hydrogen_limit_is_a_least_load() -> None:
    """0.2 % at 9 kA and 0.5 % at most: at least 3.6 kA, so 10 kAh are run as 6.4 and 3.6, not 9 and 1."""
    circuit = room(hydrogen_in_chlorine_percent=0.2, hydrogen_in_chlorine_max_percent=0.5)
    plan = planned(gas_site(circuit))
    assert plan.status is Status.PLAN
    assert plan.audit.values["room_load"] == pytest.approx([6.4, 3.6], abs=3e-4)
    assert plan.audit.simulations["room"].readings["hydrogen_percent"][1] == pytest.approx(0.5, abs=1e-4)
    assert planned(gas_site(room())).audit.values["room_load"][1] == pytest.approx(1.0, abs=3e-4)


def test_leakage_of_current_counts_in_the_least_load() -> None:
    """With CE = 0.96 - 0.06 / j: made 8.58 at 9, at least 0.4 of it, so j = (3.432 + 0.06) / 0.96."""
    circuit = room(
        efficiency=CurrentEfficiency(0.96, 0.06),
        hydrogen_in_chlorine_percent=0.2,
        hydrogen_in_chlorine_max_percent=0.5,
    )
    least = circuit.state(hours(1), Situation()).load_min_ka[0]
    assert least == pytest.approx((0.4 * 8.58 + 0.06) / 0.96, rel=1e-12)
    held = circuit.simulate(hours(1), Situation(), {"room_load": np.array([least])}).readings
    assert held["hydrogen_percent"][0] == pytest.approx(0.5, rel=1e-9)


@pytest.mark.parametrize("stated", [None, 0.5, 0.6])
def test_a_limit_at_or_under_what_is_stated_is_refused(stated: float | None) -> None:
    """The message names both keys' values."""
    with pytest.raises(InvalidValues, match="must be above 'hydrogen_in_chlorine_percent'"):
        room(hydrogen_in_chlorine_percent=stated, hydrogen_in_chlorine_max_percent=0.5)


# ---------------------------------------------------------------- what a liquefier bears


def liquid_site(*rooms: Unit, limit_percent: float = 3.0, **changes: float) -> Small:
    """Return rooms whose gas is liquefied at 90 % and taken from a store of 9 kAh's worth at the end."""
    train = Liquefier(
        "train",
        0.0,
        100.0 * C,
        yield_design=0.9,
        kwh_per_t=0.0,
        feed_hydrogen_percent=0.1,
        tail_hydrogen_max_percent=limit_percent,
        cell_gas="chlorine",
        **changes,
    )
    store = ProductStore("store", "chlorine_liquid", 0.0, 1e3, end_min_t=9.0 * C)
    return Small((*rooms, train, store, outlet("tail_gas")), (20.0, 100.0), stocks=(("store", 0.0),))


def test_tail_gas_holds_the_load_up_at_the_yield_in_use() -> None:
    """At a yield of 90 % of 98 % chlorine, 3 % of tail gas are 0.354 % of the feed, 0.361 % of its chlorine.

    0.2 % at 9 kA are that at 9 * 0.2 / 0.3612 = 4.983 kA. So 10 kAh are run as 5.017 and 4.983; without a
    statement as 9 and 1. The tail gas then stands at 3 %, by the mole balance of `tail_gas`.
    """
    plan = planned(liquid_site(room(hydrogen_in_chlorine_percent=0.2)))
    borne = 3.0 * (1.0 - 0.98 * 0.9) / 0.98
    assert borne == pytest.approx(0.3612, abs=1e-4)
    assert plan.status is Status.PLAN
    assert plan.audit.values["room_load"][1] == pytest.approx(9.0 * 0.2 / borne, abs=3e-4)
    held = plan.audit.simulations["train"].readings["cell_hydrogen_percent"]
    assert held[1] == pytest.approx(borne, rel=1e-4)
    feed_hydrogen = held[1] / 100.0 * 0.98
    assert hydrogen_fraction(feed_hydrogen, 0.98, 0.9) == pytest.approx(0.03, rel=1e-4)
    free = planned(liquid_site(room()))
    assert free.audit.values["room_load"] == pytest.approx([9.0, 1.0], abs=3e-4)
    assert free.audit.cost < plan.audit.cost


def test_the_gas_of_two_rooms_is_mixed_before_it_is_liquefied() -> None:
    """A clean room dilutes: 0.3 % at 9 kA with 0.02 % of another; both together stay at what is borne.

    At 1 kA and I kA: (0.3 * 9 + 0.02 * 9) / (1 + I) <= 0.3612 asks for I >= 6.97 in every hour.
    """
    dirty = room(name="dirty", hydrogen_in_chlorine_percent=0.3)
    clean = room(name="clean", hydrogen_in_chlorine_percent=0.02)
    small = liquid_site(dirty, clean)
    store = ProductStore("store", "chlorine_liquid", 0.0, 1e3, end_min_t=2.0 * 0.9 * 8.0 * C)
    units = tuple(store if unit.name == "store" else unit for unit in small.units)
    plan = planned(replace(small, units=units))
    total = plan.audit.values["dirty_load"] + plan.audit.values["clean_load"]
    borne = 3.0 * (1.0 - 0.98 * 0.9) / 0.98
    assert total[1] == pytest.approx(9.0 * 0.32 / borne, abs=1e-4)
    assert plan.audit.simulations["train"].readings["cell_hydrogen_percent"][1] == pytest.approx(
        borne, rel=1e-5
    )


def test_a_train_out_of_service_bears_anything() -> None:
    """What is not liquefied has no tail gas: with the train out the gas may hold what it will."""
    small = liquid_site(room(hydrogen_in_chlorine_percent=0.2))
    gas = ProductStore("gas", "chlorine", 0.0, 1e3, end_min_t=10.0 * C)
    units = tuple(replace(u, end_min_t=0.0) if isinstance(u, ProductStore) else u for u in small.units)
    start = hours(2).start_min
    plan = planned(
        replace(
            small,
            units=(*units, gas),
            stocks=(("store", 0.0), ("gas", 0.0)),
            facts=(Availability("train", "in_service", 0, start, start + 120),),
        )
    )
    assert plan.audit.values["room_load"] == pytest.approx([9.0, 1.0], abs=3e-4)


def test_a_maker_without_a_word_on_its_hydrogen_is_refused() -> None:
    """Half a statement would count the other room's hydrogen as none."""
    small = liquid_site(room(hydrogen_in_chlorine_percent=0.2), room(name="other"))
    with pytest.raises(ValueError, match="made by other_load without a word on its hydrogen"):
        planned(small)


# ---------------------------------------------------------------- chloride in caustic


def test_chloride_in_the_caustic_holds_the_load_up() -> None:
    """30 ppm at 9 kA and 60 at most: at least 4.5 kA; 10 kAh are run as 5.5 and 4.5."""
    limit = QualityLimit("caustic_quality", "naoh_50", "chloride", 60.0)
    plan = planned(gas_site(room(chloride_in_alkali_ppm=30.0), limit))
    assert plan.status is Status.PLAN
    assert plan.audit.values["room_load"] == pytest.approx([5.5, 4.5], abs=3e-4)
    held = plan.audit.simulations["caustic_quality"].readings["chloride_ppm"]
    assert held == pytest.approx([30.0 * 9 / 5.5, 60.0], rel=1e-4)


def test_a_loads_sheet_that_breaks_the_quality_is_told() -> None:
    """A planner who gives 9 and 1 kA gets 270 ppm in the second hour, told by name."""
    limit = QualityLimit("caustic_quality", "naoh_50", "chloride", 60.0)
    small = gas_site(room(chloride_in_alkali_ppm=30.0), limit)
    horizon = small.intervals()
    lock = Series("room", horizon.starts_min, horizon.lengths_min, np.array([9.0, 1.0]))
    situation = replace(small.situation(), locks={"room": lock})
    plan = make_plan(small.site(), horizon, situation, PlanOptions(compare=False))
    assert plan.status is Status.NOT_A_PLAN
    told = [violation for violation in plan.audit.violations if violation.key == "caustic_quality"]
    assert [v.meaning for v in told] == ["chloride in the naoh_50 that is made"]
    assert told[0].amount == pytest.approx(270.0 - 60.0, rel=1e-3)


# ---------------------------------------------------------------- electrolysers in parallel


def pair(spread_mv: float = 0.0) -> Unit:
    """Return two electrolysers of 1 m2 on one rectifier, 2.4 to 14 kA, k = 0.105 V m2/kA."""
    return room(
        electrolysers_in_parallel=2,
        density_min_ka_per_m2=1.2,
        density_max_ka_per_m2=7.0,
        voltage=CellVoltage(2.4, 0.105),
        parallel_spread_mv=spread_mv,
    )


def test_sixty_millivolts_between_two_electrolysers_cost_range_at_both_ends() -> None:
    """60 mV at k = 0.105 part their densities by 0.571 kA/m2: each lies 0.286 from the mean.

    So the pair runs from 2 * 1.486 to 2 * 6.714 kA; both stand at one voltage: U0 + k j is the same.
    """
    state = pair(60.0).state(hours(1), Situation())
    apart = 0.060 / 0.105
    assert apart == pytest.approx(0.57, abs=0.005)
    assert state.load_min_ka[0] == pytest.approx(2 * (1.2 + apart / 2), rel=1e-12)
    assert state.load_max_ka[0] == pytest.approx(2 * (7.0 - apart / 2), rel=1e-12)
    newest, oldest = 7.0, 7.0 - apart
    assert 2.4 - 0.03 + 0.105 * newest == pytest.approx(2.4 + 0.03 + 0.105 * oldest, rel=1e-12)


def test_the_limit_binds_on_the_newest_in_a_plan() -> None:
    """A cheap hour is run up to 13.43 kA, not 14; the newest then stands at 7.0 kA/m2 in the audit."""
    plan = planned(gas_site(pair(60.0), due_ka=18.0))
    high = 2 * (7.0 - 0.06 / 0.105 / 2)
    assert plan.audit.values["room_load"] == pytest.approx([high, 18.0 - high], abs=3e-4)
    readings = plan.audit.simulations["room"].readings
    assert readings["density_newest_ka_per_m2"][0] == pytest.approx(7.0, abs=1e-4)
    assert planned(gas_site(pair(), due_ka=18.0)).audit.values["room_load"][0] == pytest.approx(
        14.0, abs=3e-4
    )


def test_an_electrolyser_that_runs_alone_has_nothing_to_share() -> None:
    """With one of two out the other has its whole range: 1.2 to 7 kA."""
    horizon = hours(2)
    fact = Availability("room", "electrolysers", 1, horizon.start_min, horizon.start_min + 60)
    state = pair(60.0).state(horizon, Situation(availability=(fact,)))
    assert state.load_min_ka[0] == pytest.approx(1.2, rel=1e-12)
    assert state.load_max_ka[0] == pytest.approx(7.0, rel=1e-12)
    assert state.load_max_ka[1] < 14.0


def test_power_is_that_of_the_mean_density() -> None:
    """Two parallel cells with U0 -+ 30 mV draw the total current at the voltage of the mean line."""
    total = 10.0
    first, second = (total + 0.06 / 0.105) / 2, (total - 0.06 / 0.105) / 2
    volts = 2.37 + 0.105 * first
    assert volts == pytest.approx(2.43 + 0.105 * second, rel=1e-12)
    power = pair(60.0).simulate(hours(1), Situation(), {"room_load": np.array([total])}).readings
    assert power["dc_power_mw"][0] == pytest.approx(100 * volts * total / 1000, rel=1e-12)


def test_what_nobody_limits_changes_nothing() -> None:
    """A room with a quality statement but nobody who limits it plans as one without."""
    small = Small((room(chloride_in_alkali_ppm=30.0, hydrogen_in_chlorine_percent=0.1), customer(5.0)))
    plan = planned(small)
    assert plan.audit.cost == pytest.approx(planned(Small((room(), customer(5.0)))).audit.cost, rel=1e-9)
