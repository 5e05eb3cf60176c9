"""Days on which clocks, prices or equipment are not the usual: whole plans from files, with answers by hand.

One room of 150 cells without losses beside the cells makes chlorine for a steady use, with a store between
that ends the day as it began. So the loads I_i of hours h_i at prices p_i minimise the sum of
h_i p_i P(I_i) with P(I) = N (U0 I + (k/A) I^2) / 1000 MW and the sum of h_i I_i fixed. Where no load is
at a limit, Lagrange's multiplier makes p_i (U0 + 2 (k/A) I_i) the same in every hour, which gives every load
in closed form (`by_hand`). That is the first-order condition of any textbook, written out in the test.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from models.horizon import Array
from scheduler.api import DayPlan, plan
from tests.small_sites import CHLORINE_T_PER_KAH
from tests.test_cli import SITE, lay, run, table

CELLS, INTERCEPT_V, SLOPE_V_PER_KA = 150, 2.4, 0.12 / 2.5
T_PER_KAH = CELLS * CHLORINE_T_PER_KAH
LEAST_KA, MOST_KA, USE_T_PER_H = 5.0, 15.0, 2.0
ALL_DAY_KA = USE_T_PER_H / T_PER_KAH
"""Constant load that makes what is used, 10.1 kA."""
FREE_SITE = (
    SITE.replace("step_ka = 0.5\n", "")
    .replace("end_min_t = 25.0", "end_min_t = 30.0")
    .replace("dc_voltage_max_v = 1000.0", "dc_voltage_max_v = 1000.0, drop_v = 0.0")
)
COST_TOLERANCE = 2e-5
"""Twice the target gap of a plan."""


def power_mw(load_ka: Array | float) -> Array:
    """Return the power of the room by its voltage line. [MW]."""
    load = np.asarray(load_ka)
    return np.asarray(CELLS * (INTERCEPT_V + SLOPE_V_PER_KA * load) * load / 1000.0)


def by_hand(price: Sequence[float], hours: Sequence[float] | float, total_kah: float) -> Array:
    """Return the loads with p (U0 + 2 s I) alike and the sum of h I as given; all within the limits."""
    p, h = np.asarray(price, dtype=float), np.broadcast_to(hours, len(price))
    multiplier = (total_kah + np.sum(h) * INTERCEPT_V / (2 * SLOPE_V_PER_KA)) / np.sum(
        h / (2 * SLOPE_V_PER_KA * p)
    )
    loads = (multiplier / p - INTERCEPT_V) / (2 * SLOPE_V_PER_KA)
    assert loads.min() > LEAST_KA
    assert loads.max() < MOST_KA
    return np.asarray(loads)


def money(price: Sequence[float], hours: Sequence[float] | float, loads: Array) -> float:
    """Return what the energy of some loads costs. [currency]."""
    return float(np.sum(np.asarray(price) * np.broadcast_to(hours, len(price)) * power_mw(loads)))


def rows_of(starts: Sequence[str], minutes: int | Sequence[int], prices: Sequence[float]) -> str:
    """Return a price file."""
    lengths = np.broadcast_to(minutes, len(starts))
    lines = [f"{s},{m},{p}" for s, m, p in zip(starts, lengths, prices, strict=True)]
    return "start,minutes,price_per_mwh\n" + "\n".join(lines) + "\n"


def utc_hours(first: dt.datetime, count: int, minutes: int = 60) -> list[str]:
    """Return so many starts from a UTC instant, as a market publishes them."""
    return [(first + dt.timedelta(minutes=minutes * i)).strftime("%Y-%m-%dT%H:%MZ") for i in range(count)]


def planned(
    folder: Path, day: str, prices: str, look_ahead: int = 0, site: str = FREE_SITE, **files: str
) -> DayPlan:
    """Return the plan of the files of a day."""
    text = site.replace("look_ahead_days = 0", f"look_ahead_days = {look_ahead}")
    for role in files:
        if f"{role} =" in text:
            continue
        text = text.replace("[files]\n", f'[files]\n{role} = "{role}.csv"\n')
    named = {f"{role}.csv": content for role, content in files.items()}
    path = lay(folder, {"site.toml": text, "prices.csv": prices, **named})
    return plan(path, day=day, compare=False)


def assert_cheapest(made: DayPlan, expected: float) -> None:
    """No plan is cheaper than the closed form, and this one hardly dearer."""
    assert made.status == "plan"
    assert made.cost >= expected * (1 - 1e-9)
    assert made.cost == pytest.approx(expected, rel=COST_TOLERANCE)
    assert made.plan.certificate.lower_bound <= expected * (1 + 1e-9)


def two_levels(count: int) -> list[float]:
    """Return prices of 60 with 58 in the first six intervals of each 24."""
    return [58.0 if i % 24 < 6 else 60.0 for i in range(count)]


def test_a_day_of_23_hours(tmp_path: Path) -> None:
    """On 29 March 2026 the clock goes from 02:00 to 03:00: 23 prices, 23 hours of use, 23 rows."""
    prices = two_levels(23)
    starts = utc_hours(dt.datetime(2026, 3, 28, 23), 23)
    made = planned(tmp_path, "2026-03-29", rows_of(starts, 60, prices))
    assert_cheapest(made, money(prices, 1.0, by_hand(prices, 1.0, 23 * ALL_DAY_KA)))
    shown = [start.isoformat() for start in made.plan.horizon.local_starts]
    assert len(shown) == 23
    assert shown[1:3] == ["2026-03-29T01:00:00+01:00", "2026-03-29T03:00:00+02:00"]
    assert made.plan.audit.values["store_level"][-1] == pytest.approx(30.0, abs=1e-6)


def test_a_day_of_25_hours_has_two_hours_by_one_name(tmp_path: Path) -> None:
    """On 25 October 2026 02:00 comes twice; the second is dearest here and has the least load."""
    starts = [f"2026-10-25T{h:02d}:00" for h in (0, 1)]
    starts += ["2026-10-25T02:00+02:00", "2026-10-25T02:00+01:00"]
    starts += [f"2026-10-25T{h:02d}:00" for h in range(3, 24)]
    prices = [60.0] * 25
    prices[2], prices[3] = 58.0, 62.0
    made = planned(tmp_path, "2026-10-25", rows_of(starts, 60, prices))
    loads = by_hand(prices, 1.0, 25 * ALL_DAY_KA)
    assert_cheapest(made, money(prices, 1.0, loads))
    load = made.plan.audit.values["room_load"]
    assert load[2:4] == pytest.approx(loads[2:4], abs=0.35)
    made.write(tmp_path / "out")
    written = [row["start"] for row in table(tmp_path / "out")]
    assert written[2:4] == ["2026-10-25T02:00+02:00", "2026-10-25T02:00+01:00"]
    assert len(written) == len(set(written)) == 25


def test_the_hour_that_comes_twice_needs_its_offset(tmp_path: Path) -> None:
    """Without offsets nobody can tell which 02:00 a price is for: bad input that says so, no plan."""
    starts = [f"2026-10-25T{h:02d}:00" for h in (0, 1, 2, 2, *range(3, 24))]
    site = lay(tmp_path, {"site.toml": FREE_SITE, "prices.csv": rows_of(starts, 60, [60.0] * 25)})
    result = run("plan", site, "--day", "2026-10-25", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "offset" in result.output
    assert not (tmp_path / "out").exists()


def test_hours_on_the_plan_day_and_quarters_after(tmp_path: Path) -> None:
    """Prices change from hours to quarters at midnight: an interval of an hour sees their mean.

    European day-ahead prices made this change from 30 September to 1 October 2025 (from memory).
    """
    hourly, quarters = two_levels(24), [44.0 + 10.0 * (i % 4) for i in range(96)]
    first = dt.datetime(2025, 9, 29, 22)
    starts = utc_hours(first, 24) + utc_hours(first + dt.timedelta(days=1), 96, 15)
    text = rows_of(starts, [60] * 24 + [15] * 96, hourly + quarters)
    made = planned(tmp_path, "2025-09-30", text, look_ahead=1)
    prices = hourly + [59.0] * 24
    assert_cheapest(made, money(prices, 1.0, by_hand(prices, 1.0, 48 * ALL_DAY_KA)))


def test_quarters_follow_quarterly_prices_and_hours_hold_for_their_quarters(tmp_path: Path) -> None:
    """With intervals of 15 minutes each hourly price counts four times and each quarter by itself."""
    hourly, quarters = two_levels(24), [58.0 + 1.0 * (i % 4) for i in range(96)]
    first = dt.datetime(2025, 9, 29, 22)
    starts = utc_hours(first, 24) + utc_hours(first + dt.timedelta(days=1), 96, 15)
    text = rows_of(starts, [60] * 24 + [15] * 96, hourly + quarters)
    site = FREE_SITE.replace(
        "look_ahead_days = 0", "minutes = 15\nlook_ahead_minutes = 15\nlook_ahead_days = 0"
    )
    made = planned(tmp_path, "2025-09-30", text, look_ahead=1, site=site)
    prices = np.concatenate([np.repeat(hourly, 4), quarters]).tolist()
    assert len(made.plan.horizon) == 192
    assert_cheapest(made, money(prices, 0.25, by_hand(prices, 0.25, 48 * ALL_DAY_KA)))


def test_the_lowest_and_the_highest_price_of_the_auction(tmp_path: Path) -> None:
    """At -500 the room runs at its most, at 4000 at its least, and evenly between.

    The limits of European day-ahead prices, in EUR/MWh (from memory).
    """
    prices = [60.0] * 24
    prices[13], prices[19] = -500.0, 4000.0
    starts = [f"2026-06-08T{h:02d}:00" for h in range(24)]
    made = planned(tmp_path, "2026-06-08", rows_of(starts, 60, prices))
    even = (24 * ALL_DAY_KA - MOST_KA - LEAST_KA) / 22
    loads = np.full(24, even)
    loads[13], loads[19] = MOST_KA, LEAST_KA
    expected = money(prices, 1.0, loads)
    assert made.status == "plan"
    scale = float(np.sum(np.abs(prices) * power_mw(loads)))
    assert abs(made.cost - expected) <= COST_TOLERANCE * scale
    assert made.plan.audit.values["room_load"][[13, 19]] == pytest.approx([MOST_KA, LEAST_KA], abs=1e-6)


def test_nothing_in_service_and_nothing_asked_costs_nothing(tmp_path: Path) -> None:
    """A works that stands still all day has a plan: loads of 0, no cost, no gap, all outputs."""
    site = FREE_SITE.replace("rate_per_h = 2.0", "rate_per_h = 0.0")
    out = "unit,what,value,start,end\nroom,in_service,0,2026-06-08T00:00,2026-06-09T00:00\n"
    starts = [f"2026-06-08T{h:02d}:00" for h in range(24)]
    made = planned(tmp_path, "2026-06-08", rows_of(starts, 60, [60.0] * 24), site=site, availability=out)
    assert made.status == "plan"
    assert made.cost == pytest.approx(0.0, abs=1e-9)
    assert made.plan.certificate.gap == 0.0
    assert np.all(made.plan.audit.values["room_load"] == 0.0)
    made.write(tmp_path / "out")
    assert (tmp_path / "out" / "page.html").stat().st_size > 0


def test_without_demand_the_room_runs_at_its_least(tmp_path: Path) -> None:
    """In service a room makes at least 5 kA x 24 h, which the store has room for; the price is no matter."""
    site = FREE_SITE.replace("rate_per_h = 2.0", "rate_per_h = 0.0")
    prices, starts = two_levels(24), [f"2026-06-08T{h:02d}:00" for h in range(24)]
    made = planned(tmp_path, "2026-06-08", rows_of(starts, 60, prices), site=site)
    assert_cheapest(made, money(prices, 1.0, np.full(24, LEAST_KA)))
    level = made.plan.audit.values["store_level"][-1]
    assert level == pytest.approx(30.0 + 24 * LEAST_KA * T_PER_KAH, abs=1e-6)


def test_a_room_out_all_day_leaves_the_day_to_the_other(tmp_path: Path) -> None:
    """Of two like rooms one is out: the other runs as the only one would, its neighbour at exactly 0."""
    first = FREE_SITE.index('[[unit]]\nkind = "circuit"')
    room = FREE_SITE[first : FREE_SITE.index('[[unit]]\nkind = "own_use"')]
    site = FREE_SITE.replace(room, room + room.replace('name = "room"', 'name = "other"'))
    out = "unit,what,value,start,end\nother,in_service,0,2026-06-08T00:00,2026-06-09T00:00\n"
    prices, starts = two_levels(24), [f"2026-06-08T{h:02d}:00" for h in range(24)]
    made = planned(tmp_path, "2026-06-08", rows_of(starts, 60, prices), site=site, availability=out)
    assert_cheapest(made, money(prices, 1.0, by_hand(prices, 1.0, 24 * ALL_DAY_KA)))
    assert np.all(made.plan.audit.values["other_load"] == 0.0)


def test_a_stock_above_its_limit_comes_back_as_fast_as_it_can(tmp_path: Path) -> None:
    """From 65 t with 60 allowed, 2 t/h used and 5 kA made at least: 1.01 t/h less each hour.

    The miss counts each hour's level above 60 at its end: 65 - 60 - 1.01 n while above 0.
    """
    fall = USE_T_PER_H - LEAST_KA * T_PER_KAH
    above = [5.0 - fall * (hour + 1) for hour in range(24)]
    prices, starts = two_levels(24), [f"2026-06-08T{h:02d}:00" for h in range(24)]
    made = planned(tmp_path, "2026-06-08", rows_of(starts, 60, prices), stocks="tank,level_t\nstore,65\n")
    assert made.status == "plan with missed duties"
    (miss,) = made.plan.misses
    assert miss.quantity == pytest.approx(sum(a for a in above if a > 0), abs=1e-4)
    slow = int(np.sum(np.array(above) > 0))
    assert made.plan.audit.values["room_load"][:slow] == pytest.approx(np.full(slow, LEAST_KA), abs=1e-5)
    run_day = run("plan", tmp_path / "site.toml", "--day", "2026-06-08", "--out", tmp_path / "out")
    assert run_day.exit_code == 3
    assert run_day.output.index("above") < run_day.output.index("Certificate")


DEMAND = """
[[contract.component]]
kind = "demand"
name = "peak"
per_mw_month = 20000.0
metering_minutes = 60
[[contract.component]]
kind = "fixed"
name = "standing"
per_day = 24.0
"""


def test_the_peak_of_december_counts_no_more_in_january(tmp_path: Path) -> None:
    """Over New Year each month has its peak: December's 5.0 MW is paid for, January's first MW is not.

    December runs at 5.0 MW throughout: 150 (2.4 I + 0.048 I^2) / 1000 = 5 has the root below. What is left
    is made evenly on 1 January, and its power is the peak of a month that starts from 0.
    """
    site = FREE_SITE + DEMAND
    peaks = "component,month,peak_mw\npeak,2026-12,5.0\n"
    first = dt.datetime(2026, 12, 30, 23)
    text = rows_of(utc_hours(first, 48), 60, [60.0] * 48)
    made = planned(tmp_path, "2026-12-31", text, look_ahead=1, site=site, peaks=peaks)
    december = (-2.4 + np.sqrt(2.4**2 + 4 * 0.048 * 5000.0 / 150)) / (2 * 0.048)
    january = 2 * ALL_DAY_KA - december
    assert LEAST_KA < january < december < MOST_KA
    loads = np.repeat([december, january], 24)
    expected = money([60.0] * 48, 1.0, loads) + 20_000.0 * float(power_mw(january))
    assert made.status == "plan"
    assert made.plan.audit.sunk == pytest.approx(20_000.0 * 5.0 + 2 * 24.0, rel=1e-9)
    assert made.cost == pytest.approx(expected, rel=COST_TOLERANCE)
    labels = [line.label for line in made.plan.audit.bill if line.component == "peak"]
    assert labels == ["demand of 2026-12", "demand of 2027-01"]


def test_a_leap_day_is_a_day(tmp_path: Path) -> None:
    """From 28 February to 1 March 2028 there are three days: three times 24 a day, two months of peaks.

    At one price a kA less on the one day of March saves more of its peak than a kA shared by February's two
    days adds to theirs, P'(m) > P'(f) / 2; so March runs at its least and February evenly makes the rest.
    February's peak counts above the 4.2 MW it had.
    """
    site = FREE_SITE.replace("max_t = 60.0", "max_t = 400.0") + DEMAND
    peaks = "component,month,peak_mw\npeak,2028-02,4.2\n"
    text = rows_of(utc_hours(dt.datetime(2028, 2, 27, 23), 72), 60, [60.0] * 72)
    made = planned(tmp_path, "2028-02-28", text, look_ahead=2, site=site, peaks=peaks)
    february = (3 * ALL_DAY_KA - LEAST_KA) / 2
    assert (2.4 + 0.096 * february) / 2 < 2.4 + 0.096 * LEAST_KA
    assert february < MOST_KA
    days = made.plan.horizon.days
    assert sorted(set(days)) == [dt.date(2028, 2, 28), dt.date(2028, 2, 29), dt.date(2028, 3, 1)]
    loads = np.repeat([february, february, LEAST_KA], 24)
    peaks_paid = float(power_mw(february)) - 4.2 + float(power_mw(LEAST_KA))
    expected = money([60.0] * 72, 1.0, loads) + 20_000.0 * peaks_paid
    assert made.status == "plan"
    assert made.cost == pytest.approx(expected, rel=COST_TOLERANCE)
    standing = [line.amount for line in made.plan.audit.bill if line.component == "standing"]
    assert sum(standing) == pytest.approx(3 * 24.0, abs=1e-9)


@pytest.mark.parametrize(
    ("day", "start", "end", "hours", "out"),
    [
        ("2026-06-08", "2026-06-08T22:00", "2026-06-09T03:00", 48, 5),
        ("2026-03-28", "2026-03-28T22:00", "2026-03-29T03:00", 47, 4),
        ("2026-10-24", "2026-10-24T22:00", "2026-10-25T03:00", 49, 6),
    ],
)
def test_an_outage_over_midnight(
    tmp_path: Path, day: str, start: str, end: str, hours: int, out: int
) -> None:
    """From 22:00 to 03:00 the load is 0: 5 hours, 4 where the clock jumps, 6 where an hour comes twice.

    With one price what is used in all hours is made evenly in the others.
    """
    outage = f"unit,what,value,start,end\nroom,in_service,0,{start},{end}\n"
    midnight = dt.datetime.fromisoformat(f"{day}T00:00") - dt.timedelta(hours=1 if "03" in day[5:7] else 2)
    text = rows_of(utc_hours(midnight, hours), 60, [60.0] * hours)
    made = planned(tmp_path, day, text, look_ahead=1, availability=outage)
    load = made.plan.audit.values["room_load"]
    stopped = np.zeros(hours, dtype=bool)
    stopped[22 : 22 + out] = True
    assert np.all(load[stopped] == 0.0)
    even = hours * ALL_DAY_KA / (hours - out)
    assert_cheapest(made, money([60.0] * (hours - out), 1.0, np.full(hours - out, even)))
