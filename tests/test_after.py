"""The look back at a day: effects on the bill, energy per tonne, and chlorine counted in three ways."""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.contract.carbon import CarbonCompensation
from models.contract.demand import DemandCharge
from models.current_efficiency import CurrentEfficiency
from models.horizon import Array
from models.meter import SiteMeter
from models.site import Site
from models.situation import Situation
from scheduler.studies.after import (
    ENERGY,
    FACTORS,
    LOADS,
    OTHER,
    PRICES,
    BalanceItem,
    Side,
    chlorine_counts,
    discrepancies,
    effects,
    energy_per_tonne,
    in_cents,
    shapley,
    side,
    sold,
    stock_change,
)
from tests.demo_days import AREA_M2, FOLDER, TRUTH
from tests.small_sites import intervals, plain_circuit, prices_on, spot_contract
from tests.test_cli import FILES, PRICE, lay, run

HOURS = intervals(2)
CONTRACT = spot_contract()


def day(
    prices: Array | list[float],
    model_mw: Array | list[float],
    factor: Array | list[float],
    other_mw: Array | list[float],
) -> Side:
    """Return a day of one circuit without auxiliaries, stated as what the bill follows from."""
    horizon = intervals(len(prices))
    nothing = np.zeros(len(prices))
    return Side(
        Situation(series={"day_ahead": prices_on(horizon, np.array(prices))}),
        {"room": np.array(model_mw) * 3.0},
        {"room": np.array(model_mw)},
        {"room": nothing},
        {"room": nothing},
        {"room": np.array(factor)},
        np.array(other_mw),
    )


# ---------------------------------------------------------------- effects


def test_two_hours_by_hand() -> None:
    """Each effect by hand.

    Hour 1: price 50 -> 60, model 2 MW, factor 1 -> 1.1, other 1 MW. The price moves 3 MW or 3.2 MW, mean
    10 x 3.1 = 31; the energy per kA 0.2 MW at 50 or 60, mean 11. Hour 2 at 100: 1 MW more load is 100, 1 MW
    more other load is 100. Planned 50 x 3 + 100 x 4 = 550, actual 60 x 3.2 + 100 x 6 = 792.
    """
    plan = day([50, 100], [2, 3], [1, 1], [1, 1])
    actual = day([60, 100], [2, 4], [1.1, 1], [1, 2])
    found = effects(CONTRACT, HOURS, plan, actual)
    assert (found.plan_cents, found.actual_cents) == (55_000, 79_200)
    assert found.cents == {PRICES: 3_100, LOADS: 10_000, ENERGY: 1_100, OTHER: 10_000}


def test_what_is_made_counts_with_the_loads() -> None:
    """Aid of 3 for each tonne of chlorine moves with the volume alone: 0.5 t more lowers it by 1.50."""
    contract = spot_contract(CarbonCompensation("aid", 100.0, 1.0, 3.0, 1.0, "chlorine"))
    plan = replace(day([0, 0], [2, 3], [1, 1], [0, 0]), made_per_h={"chlorine": np.array([1.0, 1.0])})
    actual = replace(day([0, 0], [2, 4], [1, 1], [0, 0]), made_per_h={"chlorine": np.array([1.0, 1.5])})
    assert effects(contract, HOURS, plan, actual).cents == {PRICES: 0, LOADS: -150, ENERGY: 0, OTHER: 0}


def test_a_demand_charge_counts() -> None:
    """More load in the hour of the peak pays the peak too: 1 MW at 10 and 100/MW of peak is 110."""
    contract = spot_contract(DemandCharge("demand", 100.0, 60))
    plan = day([10, 10], [2, 3], [1, 1], [0, 0])
    actual = day([10, 10], [2, 4], [1, 1], [0, 0])
    assert effects(contract, HOURS, plan, actual).cents == {PRICES: 0, LOADS: 11_000, ENERGY: 0, OTHER: 0}


NUMBER = st.floats(-200.0, 200.0, allow_subnormal=False)
POWER = st.floats(0.1, 90.0, allow_subnormal=False)
SHARE = st.floats(0.8, 1.2, allow_subnormal=False)


@st.composite
def days(draw: st.DrawFn) -> tuple[Side, Side]:
    """Return a planned and an actual day of three hours."""

    def three(of: st.SearchStrategy[float]) -> list[float]:
        return draw(st.lists(of, min_size=3, max_size=3))

    plan = day(three(NUMBER), three(POWER), [1.0] * 3, three(POWER))
    return plan, day(three(NUMBER), three(POWER), three(SHARE), three(POWER))


PEAKY = spot_contract(DemandCharge("demand", 5900.0, 15), adder=7.5)


@settings(max_examples=40, deadline=None)
@given(days())
def test_effects_add_up_to_the_cent(both: tuple[Side, Side]) -> None:
    """They add up exactly as fractions, and rounded to the difference of the rounded bills."""
    found = effects(PEAKY, intervals(3), *both)
    assert sum(found.exact.values()) == Fraction(found.actual) - Fraction(found.plan)
    assert sum(found.cents.values()) == found.actual_cents - found.plan_cents
    for name in FACTORS:
        assert abs(found.cents[name] - 100 * found.exact[name]) < 2


@settings(max_examples=40, deadline=None)
@given(days(), st.sampled_from(FACTORS))
def test_what_is_unchanged_has_no_effect(both: tuple[Side, Side], factor: str) -> None:
    """A factor that is as planned has an effect of exactly 0, whatever the others do."""
    plan, actual = both
    kept = {
        PRICES: {"situation": plan.situation},
        LOADS: {"model_mw": plan.model_mw, "auxiliary_mw": plan.auxiliary_mw},
        ENERGY: {"factor": plan.factor},
        OTHER: {"other_mw": plan.other_mw},
    }[factor]
    found = effects(PEAKY, intervals(3), plan, replace(actual, **kept))
    assert found.exact[factor] == 0
    assert found.cents[factor] == 0


@given(st.lists(NUMBER, min_size=16, max_size=16))
def test_an_effect_is_the_mean_over_all_orders(costs: list[float]) -> None:
    """Shapley's formula by sets agrees with the mean over the 24 orders, written out."""
    subsets = [frozenset(s) for n in range(5) for s in itertools.combinations(FACTORS, n)]
    table = dict(zip(subsets, map(Fraction, costs), strict=True))
    expected = dict.fromkeys(FACTORS, Fraction(0))
    for order in itertools.permutations(FACTORS):
        for i, name in enumerate(order):
            before = frozenset(order[:i])
            expected[name] += (table[before | {name}] - table[before]) / 24
    assert shapley(FACTORS, lambda some: float(table[some])) == expected


def test_the_largest_remainder_takes_the_cent() -> None:
    """1/3 of 1.00 three times is 33 cents each, and one of them 34; a zero stays zero."""
    third = Fraction(1, 3)
    rounded = in_cents({"a": third, "b": third, "c": third, "d": Fraction(0)}, 100)
    assert sorted(rounded.values()) == [0, 33, 33, 34]
    assert rounded["d"] == 0
    assert in_cents({"a": Fraction(14, 1000), "b": Fraction(14, 1000)}, 3) == {"a": 2, "b": 1}


def test_effects_that_do_not_add_up_are_a_bug() -> None:
    """Rounding is not used to hide a difference."""
    with pytest.raises(ValueError, match="cannot add up to 5"):
        in_cents({"a": Fraction(1, 100)}, 5)


# ---------------------------------------------------------------- both sides from a site


def works(**changes: object) -> Site:
    """Return a circuit of 150 cells at a meter."""
    circuit = plain_circuit(auxiliary_fixed_mw=0.2, auxiliary_kwh_per_t=50.0, **changes)
    return Site("works", "Europe/Berlin", CONTRACT, (circuit, SiteMeter("meter", 50.0)))


def side_of(site: Site, load: Array, import_mw: Array, ac_mw: Array | None = None) -> Side:
    """Return a day of that site."""
    metered = None if ac_mw is None else {"room": ac_mw}
    return side(site, HOURS, Situation(), {"room": load}, import_mw, metered)


def test_a_side_closes_to_the_import() -> None:
    """Rectifiers, auxiliaries and other load are the import; the factor is metered over model."""
    site = works()
    load = np.array([10.0, 12.0])
    plan = side_of(site, load, np.array([9.0, 9.5]))
    assert plan.import_mw() == pytest.approx([9.0, 9.5])
    assert plan.factor["room"].tolist() == [1.0, 1.0]
    actual = side_of(site, load, np.array([9.0, 9.5]), plan.model_mw["room"] * 1.02)
    assert actual.factor["room"] == pytest.approx([1.02, 1.02])
    assert actual.import_mw() == pytest.approx([9.0, 9.5])
    # Chlorine of 150 cells: 0.2 MW and 50 kWh/t.
    made = plan.chlorine_t_per_h["room"]
    assert plan.auxiliary_mw["room"] == pytest.approx(0.2 + 0.05 * made)
    assert plan.made_per_h["chlorine"] == pytest.approx(made)


def test_what_standing_circuits_draw_is_other_load() -> None:
    """A rectifier that idles at 0.1 MW without load: factor 1, and the 0.1 MW are in the other load."""
    site = works()
    load = np.array([0.0, 12.0])
    model = side_of(site, load, np.array([1.0, 9.0]))
    actual = side_of(site, load, np.array([1.0, 9.0]), model.model_mw["room"] + np.array([0.1, 0.0]))
    assert actual.factor["room"].tolist() == [1.0, 1.0]
    assert actual.other_mw == pytest.approx([1.0, model.other_mw[1]])


def test_energy_per_tonne() -> None:
    """AC energy over tonnes by kAh: planned, by the model, and 3 % more as metered."""
    site = works()
    plan = side_of(site, np.array([10.0, 10.0]), np.array([9.0, 9.0]))
    load = np.array([12.0, 8.0])
    model = side_of(site, load, np.array([9.0, 9.0]))
    actual = side_of(site, load, np.array([9.0, 9.0]), 1.03 * model.model_mw["room"])
    (found,) = energy_per_tonne(HOURS, plan, actual)
    tonnes = float(np.sum(plan.chlorine_t_per_h["room"]))
    assert found.planned == pytest.approx(1000.0 * float(np.sum(plan.model_mw["room"])) / tonnes)
    assert found.model is not None
    assert found.actual == pytest.approx(1.03 * found.model)
    standing = side_of(site, np.zeros(2), np.ones(2), np.zeros(2))
    (idle,) = energy_per_tonne(HOURS, plan, standing)
    assert (idle.model, idle.actual) == (None, None)


# ---------------------------------------------------------------- chlorine


def counted(items: list[BalanceItem]) -> Mapping[str, tuple[float, float]]:
    """Return the counts of a day of 24 h at 10 kA as chlorine and uncertainty by way."""
    horizon = intervals(24)
    site = works(efficiency=CurrentEfficiency(1.0))
    actual = side(site, horizon, Situation(), {"room": np.full(24, 10.0)}, np.full(24, 9.0))
    counts, _ = chlorine_counts(site, horizon, actual, items, 0.3, 0.4)
    return {count.way: (count.chlorine_t, count.uncertainty_t) for count in counts}


def test_chlorine_by_kah() -> None:
    """1.3e-6 Mg per hour, ampere and cell (US 40 CFR 63.8234(a)(3), two digits): 46.8 t.

    0.3 % of the current and 0.4 % of the efficiency are 0.5 % together.
    """
    chlorine, uncertainty = counted([])["kah"]
    assert chlorine == pytest.approx(1.3e-6 * 24 * 10_000 * 150, rel=0.02)
    assert uncertainty == pytest.approx(0.005 * chlorine)


def test_chlorine_by_sales_and_stock() -> None:
    """40 t sold (1 %) and a stock from 30 to 36 t (2 % each): 46 t +- (0.4^2 + 0.6^2 + 0.72^2)^1/2."""
    items = [sold("Cl2", "customers", 40.0, 1.0), stock_change("Cl2", "store", 30.0, 36.0, 2.0)]
    expected = math.sqrt(0.4**2 + 0.6**2 + 0.72**2)
    assert counted(items)["sales"] == pytest.approx((46.0, expected))


def test_chlorine_by_alkali() -> None:
    """One ECU is 1 t Cl2 with 1.128 t NaOH; 1 % of the ratio and 2 % of the quantity add as squares."""
    chlorine, uncertainty = counted([sold("NaOH", "customers", 112.8, 2.0)])["alkali"]
    assert chlorine == pytest.approx(100.0, rel=1e-3)
    assert uncertainty == pytest.approx(math.hypot(0.01, 0.02) * chlorine)


def test_counts_are_not_forced_to_agree() -> None:
    """Three counts stay as they are; a difference beyond the combined uncertainty is told."""
    horizon = intervals(24)
    site = works(efficiency=CurrentEfficiency(1.0))
    actual = side(site, horizon, Situation(), {"room": np.full(24, 10.0)}, np.full(24, 9.0))
    items = [sold("Cl2", "customers", 47.4), sold("NaOH", "customers", 40.0)]
    counts, told = chlorine_counts(site, horizon, actual, items)
    assert not told
    assert all(count.from_memory for count in counts)
    by_way = {count.way: count.chlorine_t for count in counts}
    assert by_way["sales"] == 47.4
    pairs = {(pair.first, pair.second): pair for pair in discrepancies(counts)}
    assert pairs["kah", "sales"].within
    far = pairs["kah", "alkali"]
    assert not far.within
    assert far.difference_t == pytest.approx(by_way["kah"] - by_way["alkali"])


def test_counts_that_cannot_be_made_are_told() -> None:
    """Without figures of the alkali that was made there is no count by alkali."""
    horizon = intervals(2)
    site = works()
    actual = side_of(site, np.array([10.0, 10.0]), np.array([9.0, 9.0]))
    counts, told = chlorine_counts(site, horizon, actual, [sold("KOH", "customers", 1.0)])
    assert [count.way for count in counts] == ["kah"]
    assert "no chlorine" in told[0]
    assert "no NaOH, which was made" in told[1]


# ---------------------------------------------------------------- the command


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the small site of `test_cli` and its plan in `out`."""
    folder = tmp_path_factory.mktemp("works")
    site = lay(folder)
    assert run("plan", site, "--out", folder / "out").exit_code == 0
    return folder


def plan_rows(folder: Path) -> list[dict[str, str]]:
    """Return the plan's rows."""
    with (folder / "out" / "plan.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def actuals(folder: Path, share: float = 1.02, minutes: int = 60, name: str = "actuals.csv") -> Path:
    """Write a day with the planned loads at so much of the model's energy per kA; return the file."""
    lines = ["start,minutes,unit,load_ka,power_mw"]
    for row in plan_rows(folder):
        ac = float(row["room_ac_power_mw"])
        for quarter in range(60 // minutes):
            start = row["start"].replace(":00+", f":{quarter * minutes:02d}+")
            lines.append(f"{start},{minutes},room,{row['room_load_ka']},{share * ac:.9f}")
            whole = float(row["meter_import_mw"]) + (share - 1.0) * ac
            lines.append(f"{start},{minutes},meter,,{whole:.9f}")
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def amounts(folder: Path) -> dict[str, float]:
    """Return the table of effects."""
    with (folder / "effects.csv").open(encoding="utf-8", newline="") as file:
        return {row["line"]: float(row["amount"]) for row in csv.DictReader(file)}


@pytest.mark.parametrize("minutes", [60, 15])
def test_the_command_tells_the_effects(planned: Path, tmp_path: Path, minutes: int) -> None:
    """2 % more energy per kA at planned loads and prices is an efficiency effect of 2 % of its cost alone."""
    table = actuals(planned, 1.02, minutes, f"actuals_{minutes}.csv")
    words = ("--site", planned / "site.toml", "--actuals", table, "--out", tmp_path / "after")
    result = run("after", planned / "out", *words)
    assert result.exit_code == 0, result.output
    names = {"after.txt", "effects.csv", "intervals.csv", "chlorine.csv"}
    assert {entry.name for entry in (tmp_path / "after").iterdir()} == names
    found = amounts(tmp_path / "after")
    expected = sum(
        0.02 * float(row["room_ac_power_mw"]) * (price + 0.5)
        for row, price in zip(plan_rows(planned), PRICE, strict=True)
    )
    assert found["efficiency"] == pytest.approx(expected, abs=0.02)
    assert [found[name] for name in ("price", "volume", "other_load")] == pytest.approx([0, 0, 0], abs=0.05)
    parts = [found[name] for name in ("planned", "price", "volume", "efficiency", "other_load")]
    assert round(sum(parts), 2) == found["actual"]
    assert "  room" in result.stdout
    assert "2.00 %" in result.stdout
    assert "Interlocks" in result.stdout


def test_charged_prices_are_a_price_effect(planned: Path, tmp_path: Path) -> None:
    """Prices 3 higher on the plan day are a price effect of 3 x the import."""
    prices = tmp_path / "charged.csv"
    rows = FILES["prices.csv"].splitlines()
    dearer = [f"{row.rsplit(',', 1)[0]},{float(row.rsplit(',', 1)[1]) + 3.0}" for row in rows[1:]]
    prices.write_text("\n".join([rows[0], *dearer]) + "\n", encoding="utf-8")
    table = actuals(planned, 1.0)
    words = ("--site", planned / "site.toml", "--actuals", table, "--actual-prices", prices)
    result = run("after", planned / "out", *words, "--out", tmp_path / "after")
    assert result.exit_code == 0, result.output
    imported = sum(float(row["meter_import_mw"]) for row in plan_rows(planned))
    assert amounts(tmp_path / "after")["price"] == pytest.approx(3.0 * imported, abs=0.05)


def test_problems_of_actuals_and_balance_come_at_once(planned: Path, tmp_path: Path) -> None:
    """Unknown units, missing loads, intervals without a value, and a balance in the wrong columns."""
    good = actuals(planned).read_text(encoding="utf-8").splitlines()
    table = tmp_path / "actuals.csv"
    table.write_text("\n".join([*good[:5], good[5].replace("room", "rom"), *good[6:]]), encoding="utf-8")
    balance = tmp_path / "balance.csv"
    balance.write_text(
        "species,item,what,quantity_t,start_t,end_t\nCl2,store,stock,5,,\nCL2,a,sold,5,,\n", encoding="utf-8"
    )
    words = ("--site", planned / "site.toml", "--actuals", table, "--balance", balance)
    result = run("after", planned / "out", *words, "--out", tmp_path / "after")
    assert result.exit_code == 2
    for part in (
        "line 6, column 'unit': 'unit' must be a circuit or the meter (got 'rom'); did you mean 'room'?",
        "line 2, column 'quantity_t': 'quantity_t' must be empty for 'stock'",
        "line 2, column 'start_t': 'start_t' is missing",
        "line 3, column 'species': 'species' is not known (got 'CL2')",
    ):
        assert part in result.stderr
    table.write_text("\n".join([*good[:5], *good[6:]]), encoding="utf-8")
    result = run("after", planned / "out", *words[:4], "--out", tmp_path / "after")
    assert result.exit_code == 2
    assert "no 'load_ka' for 1 of 24 intervals of the plan day" in result.stderr
    assert not (tmp_path / "after").exists()


def test_files_that_are_not_those_of_the_plan_are_refused(planned: Path, tmp_path: Path) -> None:
    """Other prices or another model than planned with would give effects of something else."""
    prices = tmp_path / "prices.csv"
    prices.write_text(FILES["prices.csv"].replace(",62.5", ",63.5"), encoding="utf-8")
    table = actuals(planned)
    words = ("--site", planned / "site.toml", "--actuals", table, "--out", tmp_path / "after")
    result = run("after", planned / "out", *words, "--prices", prices)
    assert result.exit_code == 2
    assert "column 'energy_price_per_mwh': is 62.5 at 2026-06-08T00:00+02:00 in the plan and 63.5" in (
        result.stderr
    )
    site = planned / "other.toml"
    site.write_text(FILES["site.toml"].replace("intercept_v = 2.4", "intercept_v = 2.5"), encoding="utf-8")
    result = run("after", planned / "out", "--site", site, *words[2:])
    assert result.exit_code == 2
    assert "give the site file and the availability it was planned with" in result.stderr


def test_a_folder_without_a_plan_is_refused(planned: Path, tmp_path: Path) -> None:
    """The message names the table that is missing."""
    words = ("--site", planned / "site.toml", "--actuals", actuals(planned), "--out", tmp_path / "after")
    result = run("after", tmp_path, *words)
    assert result.exit_code == 2
    assert "plan.csv: cannot be read" in result.stderr


# ---------------------------------------------------------------- the demo


def test_the_demos_actuals_are_readable() -> None:
    """24 hours of four rooms and the meter; every area of the generator is that of the site file."""
    with (FOLDER / "actuals.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 24 * 5
    assert {row["unit"] for row in rows} == {*TRUTH, "meter"}
    assert set(AREA_M2) == set(TRUTH)
