"""Minimum bills: what counts, what is refused, and sums by hand. No source is needed: a sum and a maximum."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import models.kinds  # noqa: F401 - fills the registers of kinds
from models.checks import InvalidValues
from models.contract.bill import make_bill
from models.contract.capacity import CapacityCharge
from models.contract.carbon import CarbonCompensation
from models.contract.component import Component, Contract, Profile
from models.contract.demand import DemandCharge
from models.contract.fixed import StandingCharge
from models.contract.minimum import MinimumBill
from models.contract.reserve import CallTier, Interruptible
from models.contract.state import State
from models.contract.time_of_use import Band, TimeOfUse
from models.horizon import Horizon, Series
from models.situation import Situation
from scheduler.read.files import Source
from scheduler.read.problems import Problems
from scheduler.read.records import read_toml
from scheduler.read.site_file import read_contract

ZONE = "Europe/Berlin"
ENERGY = TimeOfUse("energy", (Band("all", 50.0),))
DEMAND = DemandCharge("demand", 4000.0, 15)


def days(first: dt.date, count: int, minutes: int = 60) -> Horizon:
    """Return some days from a date."""
    return Horizon.of_days(first, ZONE, minutes, look_ahead_days=count - 1)


def minima(parts: Sequence[Component], profile: Profile, now: Situation | None = None) -> dict[str, float]:
    """Return what minimum bills charge, by component and period."""
    bill = make_bill(Contract("c", "XTS", tuple(parts)), profile, now or Situation())
    return {
        f"{b.line.component} {b.line.label.removeprefix('minimum bill of ')}": b.paid
        for b in bill.lines
        if b.line.label.startswith("minimum bill")
    }


def test_a_months_sum_by_hand() -> None:
    """2 MW for 30 days: 1,440 MWh x 50 = 72,000 and 2 x 4,000 = 8,000; 100,000 due lack 20,000.

    With the demand charge alone 92,000; with 60 per MW of 1,500 MW contracted beside 30,000 due it is 40,000.
    """
    june = days(dt.date(2026, 6, 1), 30)
    flat = Profile(june, np.full(len(june), 2.0))
    parts = (ENERGY, DEMAND)
    assert minima((*parts, MinimumBill("least", 100_000.0)), flat) == {"least 2026-06": 20_000.0}
    alone = MinimumBill("least", 100_000.0, of=("demand",))
    assert minima((*parts, alone), flat) == {"least 2026-06": 92_000.0}
    contracted = MinimumBill("least", 30_000.0, 60.0, 1500.0)
    assert minima((*parts, contracted), flat) == {"least 2026-06": 40_000.0}
    assert minima((*parts, MinimumBill("least", 70_000.0)), flat) == {"least 2026-06": 0.0}


def test_it_is_settled_at_the_end_with_what_was_charged_before() -> None:
    """Half of June is charged nothing; the rest counts the 36,000 of energy before, and the peak once."""
    june = days(dt.date(2026, 6, 1), 15), days(dt.date(2026, 6, 16), 15)
    first, second = (Profile(half, np.full(len(half), 2.0)) for half in june)
    parts = (ENERGY, DEMAND, MinimumBill("least", 100_000.0))
    contract = Contract("c", "XTS", parts)
    assert minima(parts, first) == {}
    then = contract.after(first, Situation())
    assert then.state.charged == {("least", "2026-06"): pytest.approx(36_000.0)}
    assert minima(parts, second, then) == {"least 2026-06": pytest.approx(20_000.0)}


def test_a_year_counts_the_minima_of_its_months() -> None:
    """Nothing drawn in 2025: 12 x 1,000 by the month, and 20,000 due by the year lack 8,000."""
    year = days(dt.date(2025, 1, 1), 365)
    idle = Profile(year, np.zeros(len(year)))
    parts = (ENERGY, MinimumBill("month", 1000.0), MinimumBill("year", 20_000.0, per="year"))
    found = minima(parts, idle)
    assert len(found) == 13
    assert sum(found.values()) == pytest.approx(20_000.0)
    assert found["year 2025"] == pytest.approx(8000.0)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(1.0, 3e5))
def test_no_month_pays_less_and_cutting_hours_changes_nothing(seed: int, least: float) -> None:
    """Both months of 61 days pay at least the minimum, and their charges where those are more."""
    two = days(dt.date(2026, 5, 1), 61)
    power = np.random.default_rng(seed).uniform(0.0, 4.0, len(two))
    parts = (ENERGY, DEMAND, StandingCharge("meter", 500.0))
    contract = Contract("c", "XTS", (*parts, MinimumBill("least", least)))
    whole = contract.bill(Profile(two, power), Situation())
    for month in ("2026-05", "2026-06"):
        at = np.flatnonzero(np.array(two.months) == month)
        inside = Horizon(two.starts_min[at], two.lengths_min[at], ZONE, len(at))
        charged = sum(line.amount for p in parts for line in p.bill(Profile(inside, power[at]), Situation()))
        (line,) = [line for line in whole if line.label == f"minimum bill of {month}"]
        assert charged + line.amount == pytest.approx(max(charged, least), rel=1e-9)
    quarters = contract.bill(Profile(two.split(4), np.repeat(power, 4)), Situation())
    assert [line.amount for line in quarters] == pytest.approx([line.amount for line in whole], abs=1e-4)


def test_a_plan_of_part_of_a_month_needs_what_comes_after() -> None:
    """Refused with the name of what is missing; with it, planned."""
    contract = Contract("c", "XTS", (ENERGY, MinimumBill("least", 9000.0)))
    day = days(dt.date(2026, 6, 10), 1)
    with pytest.raises(ValueError, match=r"component 'least'.*give 'rest_charged'.*period '2026-06'"):
        contract.declare(day, Situation(), "meter_import")
    told = Situation(state=State(rest_charged={("least", "2026-06"): 8000.0}))
    rows = contract.declare(day, told, "meter_import").rows
    assert [row.lower.tolist() for row in rows] == [[1000.0]]


@pytest.mark.parametrize(
    ("parts", "match"),
    [
        ((ENERGY, MinimumBill("least", 1.0, of=("power",))), "'of' must name other components.*got 'power'"),
        ((ENERGY, MinimumBill("least", 1.0, of=("least",))), "'of' must name other components.*got 'least'"),
        ((MinimumBill("least", 1.0),), "needs another component"),
        (
            (ENERGY, MinimumBill("one", 1.0), MinimumBill("two", 1.0, of=("one",))),
            "cannot count 'one', a minimum bill of the same or of a longer period",
        ),
        (
            (CapacityCharge("peak", 1.0, 15, "year"), MinimumBill("least", 1.0)),
            "cannot count 'peak', which is charged by the year",
        ),
        (
            (CapacityCharge("peak", 1.0, 15, billing_day=15), MinimumBill("least", 1.0)),
            "cannot count 'peak', whose billing periods begin on another day",
        ),
        (
            (CapacityCharge("peak", 1.0, 15, contracted_range_mw=(0.0, 9.0)), MinimumBill("least", 1.0)),
            "cannot count 'peak', whose contracted capacity is chosen",
        ),
        (
            (CarbonCompensation("aid", 75.0, 0.8, 100.0, 2.5, "chlorine"), MinimumBill("least", 1.0)),
            "cannot count 'aid', which is paid by the tonne made",
        ),
    ],
)
def test_what_cannot_count_is_refused(parts: tuple[Component, ...], match: str) -> None:
    """The contract says which component and why."""
    with pytest.raises(ValueError, match=match):
        Contract("c", "XTS", parts)


def test_no_minimum_is_refused() -> None:
    """Neither an amount nor a price with a capacity."""
    with pytest.raises(InvalidValues, match="there is no minimum"):
        MinimumBill("least", 0.0, 60.0)


def test_what_cannot_be_parted_is_refused() -> None:
    """Called hours counted over two months, and intervals that begin in one and end in the other.

    Called for two hours in June and two in July: three in all are paid 10, by the month all four.
    """
    two = days(dt.date(2026, 6, 30), 2)
    plain = Interruptible("off", 3.0, 100.0, 0.0, 1.0)
    contract = Contract("c", "XTS", (ENERGY, DEMAND, plain, MinimumBill("least", 9000.0)))
    contract.terms(two, Situation())
    tiers = (CallTier(10.0, 3.0), CallTier(20.0))
    called = Contract(
        "c", "XTS", (ENERGY, replace(plain, called="off", call_tiers=tiers), contract.components[-1])
    )
    values = np.where(np.isin(np.arange(48), (10, 11, 30, 31)), 1.0, 0.0)
    now = Situation(series={"off": Series("off", two.starts_min, two.lengths_min, values)})
    with pytest.raises(
        ValueError, match="cannot part 'off_room' between the billing periods 2026-06, 2026-07"
    ):
        called.terms(two, now)
    with pytest.raises(ValueError, match="cannot part the bill of 'off' between 2026-06 and 2026-07"):
        called.bill(Profile(two, np.ones(48)), now)
    across = Horizon(two.starts_min[22:30:4], np.full(2, 240, dtype=np.int64), ZONE, 2)
    with pytest.raises(ValueError, match=r"'least': the interval from 2026-06-30T22:00.*two billing periods"):
        contract.terms(across, Situation())


def test_a_contract_file_tells_the_line() -> None:
    """A name that is not there is told with its key and line, not as a fault of the program."""
    text = """name = "c"
currency = "XTS"
[[component]]
kind = "fixed"
name = "meter"
per_month = 10.0
[[component]]
kind = "minimum_bill"
name = "least"
least = 500.0
of = ["metre"]
"""
    problems = Problems()
    toml = read_toml(Source("contract", "c.toml", text.encode()), problems)
    assert toml is not None
    read = read_contract(toml.place(), toml.values, "XTS", None, problems)
    assert not read.complete
    (found,) = problems.listed()
    assert "line 11" in found.where
    assert "got 'metre'" in found.text
