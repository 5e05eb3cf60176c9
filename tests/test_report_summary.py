"""The terminal page: what went wrong first, the right numbers, one screen.

Expected numbers follow by hand from the invented plan of `tests.report_case`.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from models.pieces import Declaration, Stock
from scheduler.report.cautions import MODEL_ACCURACY, SHORT_CAUTION
from scheduler.report.figures import touched_limits
from scheduler.report.summary import summary_text
from scheduler.report.wording import TERMINAL_COLUMNS, fixed, plain, spoken_start
from scheduler.result import Certificate, Comparison, MeteredPeak, Plan, Status
from tests.report_case import broken_plan, missed_plan, small_plan


def flat(plan: Plan) -> str:
    """Return the page with line breaks and runs of spaces made single spaces."""
    return " ".join(summary_text(plan).split())


def crowded_plan() -> Plan:
    """Return a plan with many misses, violations, stocks, comparisons and a long note."""
    plan = missed_plan()
    stocks = tuple(
        Stock(f"tank_of_a_rather_long_name_{i}_level", "t", f"c{i}", 1.0, np.zeros(48), np.full(48, 2000.0))
        for i in range(9)
    )
    levels = {stock.key: np.full(48, 1234.5) for stock in stocks}
    audit = replace(
        plan.audit, values={**plan.audit.values, **levels}, violations=broken_plan().audit.violations * 7
    )
    return replace(
        plan,
        status=Status.NOT_A_PLAN,
        declaration=Declaration.merged((plan.declaration, Declaration(stocks=stocks))),
        audit=audit,
        misses=plan.misses * 7,
    )


def test_a_good_plan_says_so_first() -> None:
    """The first line is the status."""
    assert summary_text(small_plan()).splitlines()[0] == "PLAN: all duties met, all limits kept."


def test_a_broken_limit_is_the_first_thing_on_the_page() -> None:
    """NOT A PLAN comes first, then what is broken, by how much and when in local time with offset."""
    text = flat(broken_plan())
    assert text.startswith("NOT A PLAN: limits of plant or permit are broken")
    assert "12.50 t beyond permit for stored chlorine, worst Sun 25 Oct 02:00+01:00" in text
    assert "DO NOT RUN THIS" in text


def test_missed_duties_are_the_first_thing_on_the_page() -> None:
    """Quantity, class, duty and first hour of each miss come before any cost."""
    text = flat(missed_plan())
    assert text.startswith("MISSED DUTIES:")
    assert "28.00 t missed of order: part of lot fri that is not loaded, from Sun 25 Oct 10:00+01:00" in text
    assert text.index("28.00 t missed") < text.index("Cost of the horizon")


def test_a_tiny_miss_is_not_rounded_away() -> None:
    """A miss of a gram still shows a number above 0."""
    plan = missed_plan()
    plan = replace(plan, misses=(replace(plan.misses[0], quantity=0.000123),))
    assert "0.000123 t missed of order" in flat(plan)


def test_an_open_gap_is_said() -> None:
    """A plan stopped by the solver's limit says so in its first line."""
    assert flat(replace(small_plan(), status=Status.SOLVER_LIMIT)).startswith(
        "PLAN WITH AN OPEN GAP: duties met and limits kept"
    )


def test_where_and_when() -> None:
    """Site, contract, day of 25 hours, look-ahead and time zone are named, and the site's notes."""
    text = flat(small_plan())
    assert "Tarnholm Works, contract demo A. Plan day 2026-10-25: Sun 25 Oct 00:00+02:00" in text
    assert "25 h + 23 h look-ahead to Mon 26 Oct 23:00+01:00. Local time, Europe/Berlin." in text
    assert "Note: Invented data: site, contract and prices are made up." in text


def test_circuit_table() -> None:
    """Loads, tonnes and energy per tonne of each circuit on the plan day, and of all together."""
    text = flat(small_plan())
    assert "room_m 100.00 148.00 200.00 185.0 208.7 3,000 3,150" in text
    assert "room_b 10.00 19.60 30.00 98.0 110.5 2,000 2,100" in text
    # (185 t x 3000 + 98 t x 2000) / 283 t = 2654 DC, 2786 AC
    assert "all circuits 283.0 319.2 2,654 2,786" in text


def test_import_price_and_peak() -> None:
    """Energy, mean and highest power with its hour, price paid against the mean over time, billed peak."""
    text = flat(small_plan())
    assert "plan day 1,013.6 40.54 53.10 Sun 25 Oct 05:00+01:00 54.85 60.80" in text
    assert "horizon 1,969.2" in text
    assert "Billed peak 54.10 MW: grid_month_peak" in text


def test_what_ramps_add_to_a_billed_peak_is_told() -> None:
    """Of 54.10 MW billed 0.30 come from loads on their way; simulated it is 54.00 MW."""
    plan = small_plan()
    peak = MeteredPeak("grid_month_peak", 54.1, 53.8, 54.0)
    text = flat(replace(plan, audit=replace(plan.audit, metered_peaks=(peak,))))
    assert (
        "Billed peak 54.10 MW: grid_month_peak, 0.30 of it from falling loads on their way, on the safe "
        "side (simulated 54.00)" in text
    )


def test_a_stock_that_touches_its_planning_limit_is_named_once() -> None:
    """At most 560 t may be planned: a level of 560 t is said with its first hour, one below is not."""
    assert "Planned to the limit" not in flat(small_plan())
    plan = small_plan()
    level = plan.audit.values["liquid_level"].copy()
    level[30:33] = 560.0
    full = replace(plan, audit=replace(plan.audit, values={**plan.audit.values, "liquid_level": level}))
    text = flat(full)
    assert "Planned to the limit, no room beyond its margin: liquid_level its upper limit 560.0 t" in text
    assert text.count("Planned to the limit") == 1


def test_an_end_stock_that_is_just_reached_is_no_touched_limit() -> None:
    """A floor that rises only for the last interval is a target; a plan ends on it as a matter of course."""
    plan = small_plan()
    (stock,) = plan.declaration.stocks
    lower = stock.lower.copy()
    lower[-1] = plan.audit.values["liquid_level"][-1]
    declaration = replace(plan.declaration, stocks=(replace(stock, lower=lower),))
    assert touched_limits(replace(plan, declaration=declaration)) == ()


def test_costs_by_group_and_sunk() -> None:
    """Groups stand under power or other; sunk charges are told apart from the cost."""
    text = flat(small_plan())
    assert "Power 108,270.50: energy 104,170.50, demand 4,100.00." in text
    assert "Other -652.50: hydrogen -600.00, end stock -52.50." in text
    assert "Not in it: 50,000.00 XTS of the billing period" in text


def test_savings_name_the_habit() -> None:
    """Each comparison says which habit, what was assumed, amount and share, or why it cannot be."""
    text = flat(small_plan())
    assert (
        "Against cheapest constant load (same daily production): saves 1,250.00 XTS, 1.00 % of its energy "
        "charges." in text
    )
    assert "Against last week's pattern: not possible (liquid_level would fall below 80 t)." in text


def test_a_plan_dearer_than_the_habit_is_not_called_a_saving() -> None:
    """A negative saving reads as more cost."""
    plan = small_plan()
    plan = replace(plan, comparisons=(Comparison("last week's loads", plan.certificate.cost - 10.0, 1000.0),))
    assert "Against last week's loads: costs MORE by 10.00 XTS, 1.00 % of its energy charges." in flat(plan)


@pytest.mark.parametrize("plan", [missed_plan(), broken_plan()], ids=["misses", "violations"])
def test_no_saving_is_claimed_for_less_duty(plan: Plan) -> None:
    """A result that leaves duties open does not boast a saving."""
    assert "no saving is stated, because this result does not do the same duties" in flat(plan)
    assert "saves" not in flat(plan)


def test_certificate_in_plain_words() -> None:
    """Bound, distance and share of the energy charges, and what they do not say."""
    text = flat(small_plan())
    assert (
        "costs less than 107,617.50 XTS; this plan is at most 0.50 above it (0.0005 % of the energy" in text
    )
    assert "Forecast prices count as given" in text
    assert MODEL_ACCURACY in text


def test_a_certificate_that_does_not_hold_is_said() -> None:
    """A bound clearly above the cost is never shown as a gap of 0."""
    plan = replace(small_plan(), certificate=Certificate(101.0, 100.0, 1000.0))
    assert "Certificate: DOES NOT HOLD; the bound 101.00 lies above the cost 100.00 XTS." in flat(plan)


def test_no_bound_is_said() -> None:
    """Without a bound there is no certificate."""
    plan = replace(small_plan(), certificate=Certificate(-math.inf, 100.0, 1000.0))
    assert "Certificate: none; the solver gave no lower bound." in flat(plan)


def test_stocks() -> None:
    """Start, end of day, end, least and most with the limits."""
    assert "liquid_level 100.0 99.0 100.0 94.0 100.0 80.0 to 560.0 t" in flat(small_plan())


def test_cautions_close_the_page() -> None:
    """The short caution is the last thing on the page."""
    assert flat(small_plan()).endswith(f"Cautions: {SHORT_CAUTION}")


@pytest.mark.parametrize(
    "plan",
    [small_plan(), missed_plan(), broken_plan(), crowded_plan()],
    ids=["good", "miss", "broken", "crowded"],
)
def test_the_page_fits_100_columns(plan: Plan) -> None:
    """No line is wider than the page, whatever the names."""
    assert max(len(line) for line in summary_text(plan).splitlines()) <= TERMINAL_COLUMNS


def test_the_page_fits_a_screen() -> None:
    """A plan of usual size takes at most 45 lines; a crowded one points to the page for the rest."""
    assert len(summary_text(small_plan()).splitlines()) <= 45
    assert len(summary_text(crowded_plan()).splitlines()) <= 60
    text = flat(crowded_plan())
    assert "and 3 more violations: see page.html" in text
    assert "and 3 more missed duties: see page.html" in text


def test_no_stock_that_matters_is_cut() -> None:
    """Of ten stocks each has its row; of 16 the one at its limit has, those far from theirs are named."""
    stocks = crowded_plan().declaration.stocks
    starts = tuple({stock.key[:20] for stock in stocks})
    assert len(stocks) == 10
    assert sum(line.startswith(starts) for line in summary_text(crowded_plan()).splitlines()) == 10
    plan = small_plan()
    (stock,) = plan.declaration.stocks
    level = plan.audit.values[stock.key]
    keys = [f"tank_{i:02d}_level" for i in range(16)]
    stocks = tuple(replace(stock, key=key) for key in keys)
    values = {**plan.audit.values, **dict.fromkeys(keys, level)}
    values["tank_15_level"] = np.full(len(level), 560.0)
    many = replace(
        plan,
        declaration=replace(plan.declaration, stocks=stocks),
        audit=replace(plan.audit, values=values),
    )
    lines = summary_text(many).splitlines()
    assert sum(line.startswith("tank_") for line in lines) == 12
    assert any(line.startswith("tank_15_level") for line in lines)
    assert "in page.html under Stocks: tank_11_level, tank_12_level, tank_13_level, tank_14_level" in flat(
        many
    )


def test_names_cannot_steer_the_terminal() -> None:
    """Escape sequences and line breaks in a name or a note do not reach the terminal."""
    plan = small_plan()
    plan = replace(plan, site=replace(plan.site, name="Works\x1b[2J", notes=("a\nPLAN: all is well\x07",)))
    text = summary_text(plan)
    assert not re.search(r"[^\n -~]", text)
    assert "Works?[2J" in text
    assert "Note: a PLAN: all is well?" in text


@pytest.mark.parametrize(
    ("value", "decimals", "thousands", "text"),
    [
        (1234567.891, 2, True, "1,234,567.89"),
        (-0.0004, 3, False, "0.000"),
        (-0.0006, 3, False, "-0.001"),
        (2.0, 0, False, "2"),
    ],
)
def test_fixed_decimals(value: float, decimals: int, thousands: bool, text: str) -> None:
    """Numbers have the asked decimals and no negative zero."""
    assert fixed(value, decimals, thousands) == text


def test_numbers_for_display_are_finite() -> None:
    """A missing number is never printed as one."""
    with pytest.raises(ValueError, match=r"must be finite \(got nan\)"):
        fixed(math.nan, 2)


def test_spoken_time_tells_the_doubled_hour_apart() -> None:
    """02:00 comes twice on the long day; the offset says which is meant."""
    horizon = small_plan().horizon
    assert spoken_start(horizon, 2) == "Sun 25 Oct 02:00+02:00"
    assert spoken_start(horizon, 3) == "Sun 25 Oct 02:00+01:00"


def test_plain_keeps_letters_of_any_language() -> None:
    """Only control characters are replaced."""
    assert plain("Zelle 3, größer\tals\n1") == "Zelle 3, größer als 1"
    assert plain("a\u202eb") == "a?b"
