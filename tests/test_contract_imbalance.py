"""Imbalance: terms against bill, and when a surcharge keeps a load where it was nominated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.checks import InvalidValues
from models.contract.component import Profile
from models.contract.imbalance import Deviation, Imbalance
from models.horizon import Array, Horizon, Series
from models.situation import Situation
from models.tank import ProductStore
from models.trade import OwnUse
from scheduler.result import Plan, Status
from tests.small_sites import CHLORINE_T_PER_KAH, intervals, plain_case, plain_circuit

T_PER_KA = 150 * CHLORINE_T_PER_KAH


def nominated(horizon: Horizon, mw: Array, first: int = 0) -> Situation:
    """Return a situation with a nomination from an interval on."""
    series = Series("nomination", horizon.starts_min[first:], horizon.lengths_min[first:], mw[first:])
    return Situation(series={"nomination": series})


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("minutes", [15, 60])
def test_terms_charge_what_the_bill_says(seed: int, minutes: int) -> None:
    """On random profiles and nominations both give sum of hours times rate times deviation."""
    rng = np.random.default_rng(seed)
    horizon = intervals(24, minutes)
    power, nomination = rng.uniform(0, 80, 24), rng.uniform(0, 80, 24)
    first = int(rng.integers(0, 20))
    up, down = (float(rate) for rate in rng.uniform(0, 60, 2))
    component = Imbalance("imbalance", up, down)
    known = nominated(horizon, nomination, first)
    (term,) = component.terms(horizon, known)
    lines = component.bill(Profile(horizon, power), known)
    by_hand = 0.0
    for p, n in list(zip(power.tolist(), nomination.tolist(), strict=True))[first:]:
        by_hand += minutes / 60.0 * (up * (p - n) if p > n else down * (n - p))
    assert term.cost(horizon, power) == pytest.approx(by_hand, rel=1e-12)
    assert sum(line.amount for line in lines) == pytest.approx(by_hand, rel=1e-12)
    assert [line.amount for line in lines] == pytest.approx([line.quantity * line.rate for line in lines])
    assert term.sunk() == 0.0


@pytest.mark.parametrize("seed", range(4))
def test_records_at_their_exact_values_cost_what_the_term_costs(seed: int) -> None:
    """The declared costs at `exact` give `cost`, and the declared row holds there."""
    rng = np.random.default_rng(seed)
    horizon = intervals(12)
    power, nomination = rng.uniform(0, 80, 12), rng.uniform(0, 80, 12)
    (term,) = Imbalance("imbalance", 12.0, 7.0).terms(horizon, nominated(horizon, nomination, 3))
    declared = term.declare(horizon, "x", "meter")
    values = {"meter": power, **term.exact("x", power)}
    total = sum(float(np.dot(cost.coefficient, values[cost.variable])) for cost in declared.costs)
    assert total == pytest.approx(term.cost(horizon, power), rel=1e-12)
    (rows,) = declared.rows
    left = np.zeros(rows.size)
    for entry in rows.entries:
        np.add.at(left, entry.rows, entry.coefficients * values[entry.variable][entry.positions])
    np.testing.assert_allclose(left, rows.lower, atol=1e-12)
    np.testing.assert_array_equal(rows.lower, rows.upper)
    for variable in declared.variables:
        assert np.all(values[variable.key] >= variable.lower)
        assert np.all(values[variable.key] <= variable.upper)


def test_two_hours_by_hand() -> None:
    """10 MW nominated; 13 and 8 MW drawn: 3 MWh at 20 and 2 MWh at 5 are 60 and 10."""
    horizon = intervals(2)
    component = Imbalance("imbalance", 20.0, 5.0)
    above, below = component.bill(
        Profile(horizon, np.array([13.0, 8.0])), nominated(horizon, np.array([10.0, 10.0]))
    )
    assert (above.quantity, above.rate, above.amount) == (3.0, 20.0, 60.0)
    assert (below.quantity, below.rate, below.amount) == (2.0, 5.0, 10.0)
    assert above.label == "energy above the nomination"
    assert below.label == "energy below the nomination"


def test_without_a_nomination_nothing_is_charged() -> None:
    """No profile, or one that ends before the horizon, gives neither term nor charge."""
    horizon = intervals(4)
    component = Imbalance("imbalance", 20.0, 5.0)
    assert component.terms(horizon, Situation()) == ()
    assert component.bill(Profile(horizon, np.full(4, 9.0)), Situation()) == ()
    early = Series("nomination", horizon.starts_min - 10_000, horizon.lengths_min, np.full(4, 5.0))
    known = Situation(series={"nomination": early})
    assert component.terms(horizon, known) == ()
    assert sum(line.amount for line in component.bill(Profile(horizon, np.full(4, 9.0)), known)) == 0.0


def test_an_interval_that_is_nominated_in_part_is_not_charged() -> None:
    """A nomination that ends inside an hour says nothing about that hour."""
    horizon = intervals(2)
    series = Series("nomination", horizon.starts_min, np.array([60, 30]), np.array([5.0, 5.0]))
    (term,) = Imbalance("imbalance", 10.0, 10.0).terms(horizon, Situation(series={"nomination": series}))
    assert isinstance(term, Deviation)
    assert term.nominated.tolist() == [True, False]
    assert term.cost(horizon, np.array([6.0, 50.0])) == pytest.approx(10.0)


@pytest.mark.parametrize("key", ["up_per_mwh", "down_per_mwh"])
def test_a_surcharge_below_zero_is_refused(key: str) -> None:
    """A deviation that earns money would be a bet, not a surcharge."""
    rates = {"up_per_mwh": 1.0, "down_per_mwh": 1.0, key: -0.5}
    with pytest.raises(InvalidValues, match=rf"'{key}' must be at least 0 \[currency/MWh\] \(got -0.5\)"):
        Imbalance("imbalance", **rates)


# ---------------------------------------------------------------- the load


NOMINATED_KA = 10.0
PRICES = np.array([70.0, 40.0])
"""Two hours, 30 apart. [currency/MWh]"""


def power_of(load: float) -> float:
    """Return the power of the plain circuit by hand: 150 cells of 2.4 V + 0.12 V m2/kA * j. [MW]."""
    return 150 * (2.4 + 0.12 * load / 2.5) * load / 1000.0


def two_hours(up: float, down: float, prices: Array = PRICES, most_mw: float | None = None) -> Plan:
    """Return a plan that was nominated at a flat load and may move it at a surcharge, or within a limit."""
    horizon = intervals(2)
    made = 2 * NOMINATED_KA * T_PER_KA
    case = plain_case(
        (
            plain_circuit(),
            OwnUse("use", "chlorine", rate_per_h=made / 2),
            ProductStore("store", "chlorine", 0.0, 100.0, end_min_t=50.0),
        ),
        prices,
        components=(Imbalance("imbalance", up, down, most_mw=most_mw),),
        stocks={"store": 50.0},
    )
    flat = Series("nomination", horizon.starts_min, horizon.lengths_min, np.full(2, power_of(NOMINATED_KA)))
    series = {**case.situation.series, "nomination": flat}
    plan = replace(case, situation=replace(case.situation, series=series)).plan()
    assert plan.status is Status.PLAN
    return plan


@pytest.mark.parametrize(("up", "down"), [(20.0, 12.0), (0.0, 31.0), (31.0, 0.0)])
def test_a_surcharge_above_the_spread_keeps_the_load(up: float, down: float) -> None:
    """Moving a MWh from 70 to 40 saves 30; with 30 or more for leaving both hours' nomination it stays.

    At equal loads the power's slope is the same in both hours, so the first MWh moved saves the whole
    spread and costs `up` in one hour and `down` in the other.
    """
    plan = two_hours(up, down)
    np.testing.assert_allclose(plan.audit.values["room_load"], NOMINATED_KA, atol=2e-3)
    assert plan.audit.costs["other"] == pytest.approx(0.0, abs=2e-2)


@pytest.mark.parametrize(("up", "down"), [(10.0, 5.0), (0.0, 0.0), (14.0, 14.0), (29.0, 0.0)])
def test_a_surcharge_below_the_spread_lets_the_load_move_to_where_it_pays_no_more(
    up: float, down: float
) -> None:
    """The load moves until the slopes of cost are equal in both hours, or the range ends.

    With d the shift of load: (70 - down) * P'(10 - d) = (40 + up) * P'(10 + d), P'(I) = 150 * (2.4 +
    0.096 I) / 1000, so d = (a - b) * (2.4 + 0.96) / (0.096 * (a + b)) with a = 70 - down, b = 40 + up.
    """
    a, b = 70.0 - down, 40.0 + up
    shift = min((a - b) * 3.36 / (0.096 * (a + b)), 5.0)
    plan = two_hours(up, down)
    loads = plan.audit.values["room_load"]
    expected = np.array([NOMINATED_KA - shift, NOMINATED_KA + shift])
    more, less = power_of(expected[1]) - power_of(10.0), power_of(10.0) - power_of(expected[0])
    cost = 70.0 * power_of(expected[0]) + 40.0 * power_of(expected[1]) + up * more + down * less
    assert plan.audit.cost == pytest.approx(cost, rel=2e-5)
    # The cost is flat around its least value: a gap of 1e-5 leaves some tenths of a kiloampere.
    np.testing.assert_allclose(loads, expected, atol=0.5)
    assert loads[1] - loads[0] > shift
    assert plan.audit.costs["other"] == pytest.approx(
        up * (power_of(loads[1]) - power_of(10.0)) + down * (power_of(10.0) - power_of(loads[0])), abs=1e-6
    )


def test_the_bill_shows_the_surcharge_of_the_plan() -> None:
    """The plan's bill and its costs name the same surcharge."""
    plan = two_hours(10.0, 5.0)
    lines = [line for line in plan.audit.bill if line.component == "imbalance"]
    assert sum(line.amount for line in lines) == pytest.approx(plan.audit.costs["other"], rel=1e-9)
    assert all(line.amount > 0 for line in lines)


def test_a_limit_on_deviations_binds_where_the_load_rises() -> None:
    """For nothing the load moves until a limit; 0.5 MW more in the cheap hour binds before 0.5 MW less.

    What one hour makes less the other makes more, and the curve is steeper there.
    """
    plan = two_hours(0.0, 0.0, most_mw=0.5)
    dear, cheap = plan.audit.values["meter_import"] - power_of(NOMINATED_KA)
    assert plan.status is Status.PLAN
    assert cheap == pytest.approx(0.5, abs=5e-4)  # within the gap
    assert -0.5 < dear < -0.4
    with pytest.raises(InvalidValues, match=r"'most_mw' must be at least 0"):
        Imbalance("imbalance", 1.0, 1.0, most_mw=-1.0)
