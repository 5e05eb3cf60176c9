"""Daily overruns and tiers of demand: bills against sums by hand and by brute force, properties at random."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.checks import InvalidValues
from models.contract.capacity import CapacityCharge, DemandTier
from models.contract.component import Contract, Profile
from models.contract.overrun import DailyOverrun
from models.horizon import Array, Horizon, day_start_minute
from models.situation import Situation

ZONE = "Europe/Berlin"
FIRST = dt.date(2026, 10, 24)
"""Three days around a clock change: the second one has 25 hours."""
DAYS = 3


def days(minutes: int = 60) -> Horizon:
    """Return the three days."""
    return Horizon.of_days(FIRST, ZONE, minutes, look_ahead_days=DAYS - 1)


def owed(part: DailyOverrun | CapacityCharge, power: Array, horizon: Horizon | None = None) -> float:
    """Return what a load is billed."""
    return sum(line.amount for line in part.bill(Profile(horizon or days(), power), Situation()))


powers = st.lists(st.floats(0.0, 50.0), min_size=73, max_size=73).map(np.array)


@given(powers, st.floats(0.0, 50.0), st.floats(0.0, 9.0), st.floats(0.0, 20.0), st.floats(0.0, 20.0))
def test_overruns_are_the_lesser_of_days_and_month(
    power: Array, contracted: float, per_day: float, most: float, tolerance: float
) -> None:
    """Summed by hand over the local days of 24, 25 and 24 hours, from the hours themselves."""
    part = DailyOverrun("over", contracted, per_day, 60, tolerance, most)
    free = contracted * (1.0 + tolerance / 100.0)
    over = [max(float(power[a:b].max()) - free, 0.0) for a, b in ((0, 24), (24, 49), (49, 73))]
    assert owed(part, power) == pytest.approx(min(per_day * sum(over), most * max(over)), abs=1e-9)


@given(powers, st.floats(0.1, 20.0), st.floats(20.1, 45.0), st.booleans())
def test_tiers_charge_each_part_by_its_price(power: Array, low: float, high: float, rising: bool) -> None:
    """The peak is cut at both levels by hand; more load never costs less; quarters cost what hours do."""
    prices = (10.0, 20.0, 40.0) if rising else (40.0, 20.0, 10.0)
    part = CapacityCharge(
        "grid", prices[0], 60, tiers=(DemandTier(low, prices[1]), DemandTier(high, prices[2]))
    )
    peak = float(power.max())
    by_hand = prices[0] * min(peak, low)
    by_hand += prices[1] * min(max(peak - low, 0.0), high - low) + prices[2] * max(peak - high, 0.0)
    assert owed(part, power) == pytest.approx(by_hand, abs=1e-9)
    assert owed(part, power + 1.0) >= owed(part, power)
    assert owed(part, np.repeat(power, 4), days(15)) == pytest.approx(by_hand, abs=1e-9)


def test_the_state_of_a_month_is_carried_by_days() -> None:
    """Billed day by day with the state carried on, the last bill is that of the whole month."""
    part = DailyOverrun("over", 10.0, 2.0, 60, 0.0, 5.0)
    contract = Contract("c", "XTS", (part,))
    horizon = days()
    power = np.full(73, 5.0)
    power[[3, 30, 60]] = [14.0, 11.0, 12.0]
    now = Situation()
    last = 0.0
    for start, end in ((0, 24), (24, 49), (49, 73)):
        piece = Horizon(horizon.starts_min[start:end], horizon.lengths_min[start:end], ZONE, 1)
        profile = Profile(piece, power[start:end])
        last = sum(line.amount for line in contract.bill(profile, now))
        now = contract.after(profile, now)
    # 2 x (4 + 1 + 2) = 14, less than the cap of 5 x 4 = 20.
    assert last == pytest.approx(14.0)
    assert set(now.peaks_mw) == {("over", f"2026-10-{day}") for day in (24, 25, 26)}
    assert day_start_minute(FIRST, ZONE) == horizon.start_min


def test_reactive_demand_of_a_metered_profile() -> None:
    """With reactive power metered its highest mean counts, whatever the stated power factor says: 7 x 3."""
    part = CapacityCharge("kvar", 3.0, 60, measure="kvar", power_factor=0.8)
    reactive = np.full(73, 2.0)
    reactive[40] = 7.0
    lines = part.bill(Profile(days(), np.full(73, 10.0), reactive), Situation())
    assert [(line.quantity, line.quantity_unit) for line in lines] == [(pytest.approx(7.0), "Mvar")]
    # By the stated factor: 10 x tan(acos 0.8) = 7.5.
    (line,) = part.bill(Profile(days(), np.full(73, 10.0)), Situation())
    assert line.quantity == pytest.approx(7.5)


@pytest.mark.parametrize(
    ("tiers", "problem"),
    [
        ((DemandTier(9.0, 2.0), DemandTier(5.0, 3.0)), "must ascend in 'above_mw'"),
        ((DemandTier(5.0, 3.0), DemandTier(9.0, 2.0)), "must rise throughout or fall throughout"),
    ],
)
def test_tiers_in_no_order_are_refused(tiers: tuple[DemandTier, ...], problem: str) -> None:
    """Levels that do not ascend, prices that rise and fall."""
    with pytest.raises(InvalidValues, match=problem):
        CapacityCharge("grid", 1.0, 60, tiers=tiers)
