"""Terms, bills and declared records of all components agree, for random contracts and profiles.

Bills are computed apart from terms (by energies of spans, not by prices or weights of intervals), and
the records are evaluated here by hand, so three ways to the same charge are compared.
"""

import datetime as dt
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.contract.calendar import DAY_TYPES
from models.contract.component import COMPONENT_KINDS, Component, Contract, Profile
from models.contract.demand import DemandCharge
from models.contract.fixed import StandingCharge
from models.contract.spot import Adder, SpotEnergy
from models.contract.time_of_use import Band, TimeOfUse
from models.horizon import Horizon, Series
from models.pieces import Declaration
from models.situation import Situation

METER = "import_mw"

# Clock changes, ends of months and of a year, and plain days.
DAYS = st.sampled_from(
    [
        dt.date(2026, 3, 28),
        dt.date(2026, 10, 24),
        dt.date(2025, 11, 1),
        dt.date(2026, 12, 30),
        dt.date(2026, 6, 5),
    ]
)
ZONES = st.sampled_from(["Europe/Berlin", "America/Los_Angeles", "Asia/Kolkata", "Australia/Lord_Howe"])
LENGTHS = st.sampled_from([15, 30, 60])
PRICES = st.floats(-500, 4000)
CLOCKS = st.integers(0, 287).map(lambda n: f"{n // 12:02d}:{n % 12 * 5:02d}")


@st.composite
def horizons(draw: st.DrawFn) -> Horizon:
    """Draw a day and up to two days of look-ahead, at two resolutions; Lord Howe needs half hours."""
    timezone = draw(ZONES)
    lengths = st.sampled_from([15, 30]) if timezone == "Australia/Lord_Howe" else LENGTHS
    return Horizon.of_days(draw(DAYS), timezone, draw(lengths), draw(st.integers(0, 2)), draw(lengths))


@st.composite
def groups(draw: st.DrawFn, items: tuple[object, ...]) -> list[tuple[object, ...]]:
    """Draw a partition of some items in one to three groups."""
    numbers = draw(st.lists(st.integers(0, 2), min_size=len(items), max_size=len(items)))
    drawn = [tuple(item for item, g in zip(items, numbers, strict=True) if g == group) for group in range(3)]
    return [group for group in drawn if group]


@st.composite
def time_of_use(draw: st.DrawFn) -> TimeOfUse:
    """Draw bands that cover every local time once: clock cuts, for each group of months and day types."""
    bands: list[Band] = []
    for seasons in draw(groups(tuple(range(1, 13)))):
        for day_types in draw(groups(DAY_TYPES)):
            cuts = sorted(draw(st.sets(CLOCKS, min_size=0, max_size=4)))
            windows = [("00:00", "24:00")] if len(cuts) < 2 else pairwise([*cuts, cuts[0]])
            for start, end in windows:
                name = f"band_{len(bands)}"
                bands.append(Band(name, draw(PRICES), seasons, day_types, start, end))  # type: ignore[arg-type]
    return TimeOfUse("bands", tuple(bands), draw(st.sampled_from([(), (dt.date(2026, 3, 29),)])))


@st.composite
def spot(draw: st.DrawFn) -> SpotEnergy:
    """Draw a spot component with up to three adders."""
    adders = draw(st.lists(st.tuples(st.floats(-50, 50), st.booleans()), max_size=3))
    return SpotEnergy(
        "supply",
        adders_per_mwh=tuple(Adder(f"adder_{i}", price, flag) for i, (price, flag) in enumerate(adders)),
        losses_percent=draw(st.floats(0, 10)),
    )


@st.composite
def demand(draw: st.DrawFn, name: str) -> DemandCharge:
    """Draw a demand charge with a window of any kind."""
    start, end = draw(st.tuples(CLOCKS, CLOCKS).filter(lambda pair: pair[0] != pair[1]))
    return DemandCharge(
        name,
        draw(st.floats(0, 30_000)),
        draw(LENGTHS),
        draw(st.sampled_from([(), (3, 10, 12), (6, 11)])),
        draw(st.sampled_from([(), ("weekday",), ("saturday", "sunday", "holiday")])),
        start,
        end,
        draw(st.sampled_from([(), (dt.date(2026, 10, 26),)])),
    )


@st.composite
def contracts(draw: st.DrawFn) -> Contract:
    """Draw a contract of every kind of component, with two demand charges."""
    return Contract(
        "drawn",
        "EUR",
        (
            draw(spot()),
            draw(time_of_use()),
            draw(demand("grid")),
            draw(demand("window")),
            StandingCharge("meter", draw(st.floats(-1000, 1000))),
        ),
    )


def situation_of(horizon: Horizon, seed: int, price_minutes: int) -> tuple[np.ndarray, Situation]:
    """Return a random profile, and random prices and peaks so far on a grid of their own."""
    rng = np.random.default_rng(seed)
    starts = np.arange(horizon.start_min, horizon.end_min, price_minutes)
    series = Series(
        "day_ahead", starts, np.full(len(starts), price_minutes), rng.uniform(-100, 400, len(starts))
    )
    months = sorted(set(horizon.months))
    return rng.uniform(-20, 120, len(horizon)), Situation(
        series={"day_ahead": series},
        peaks_mw={("grid", months[0]): float(rng.uniform(0, 150)), ("window", months[-1]): 60.0},
    )


def charged(declaration: Declaration, power_mw: np.ndarray) -> float:
    """Return the cost of records at a load, every other variable at its least value."""
    values = {METER: power_mw, **{v.key: np.array(v.lower) for v in declaration.variables}}
    for rows in declaration.rows:
        own, metered = rows.entries
        needed = rows.lower.copy()
        np.subtract.at(needed, metered.rows, metered.coefficients * power_mw[metered.positions])
        assert metered.variable == METER
        assert list(own.coefficients) == [1.0] * rows.size
        if rows.size:
            values[own.variable] = np.maximum(values[own.variable], needed.max())
    return sum(float(c.coefficient @ values[c.variable]) + c.constant for c in declaration.costs)


@settings(max_examples=60, deadline=None)
@given(contracts(), horizons(), st.integers(0, 2**32 - 1), LENGTHS)
def test_terms_cost_what_the_bill_says(contract: Contract, horizon: Horizon, seed: int, minutes: int) -> None:
    """Component by component, the terms at a profile cost the sum of the unrounded bill lines."""
    power, now = situation_of(horizon, seed, 15 if horizon.timezone == "Australia/Lord_Howe" else minutes)
    for component in contract.components:
        terms = sum(term.cost(horizon, power) for term in component.terms(horizon, now))
        lines = component.bill(Profile(horizon, power), now)
        assert terms == pytest.approx(sum(line.amount for line in lines), rel=1e-9, abs=1e-4)
        assert all(line.amount == pytest.approx(line.quantity * line.rate, abs=1e-4) for line in lines)


@settings(max_examples=60, deadline=None)
@given(contracts(), horizons(), st.integers(0, 2**32 - 1), st.floats(0, 200))
def test_records_cost_what_the_terms_say(
    contract: Contract, horizon: Horizon, seed: int, target: float
) -> None:
    """Term by term, the declared records at their least values cost `cost` less `sunk`."""
    power, now = situation_of(horizon, seed, 15)
    targets = {("grid", horizon.months[0]): target}
    now = Situation(series=now.series, peaks_mw=now.peaks_mw, peak_targets_mw=targets)
    for prefix, term in contract.terms(horizon, now):
        expected = term.cost(horizon, power) - term.sunk()
        assert charged(term.declare(horizon, prefix, METER), power) == pytest.approx(
            expected, rel=1e-9, abs=1e-6
        )


@settings(max_examples=30, deadline=None)
@given(contracts(), horizons())
def test_keys_are_unique_over_a_whole_contract(contract: Contract, horizon: Horizon) -> None:
    """The records of all terms merge without a shared key."""
    _, now = situation_of(horizon, 1, 15)
    merged = contract.declare(horizon, now, METER)
    assert len(merged.costs) == len({cost.key for cost in merged.costs})


@pytest.mark.parametrize(
    ("kind", "cls"),
    [("spot", SpotEnergy), ("time_of_use", TimeOfUse), ("demand", DemandCharge), ("fixed", StandingCharge)],
)
def test_kinds_are_registered(kind: str, cls: type[Component]) -> None:
    """A contract names the components by these kinds."""
    assert COMPONENT_KINDS[kind] is cls
    assert cls.kind == kind
