"""plan.json: fields, numbers and stability.

Expected numbers follow by hand from the invented plan of `tests.report_case`: on its day of 25 hours 13 are
dear and 12 cheap, over 48 hours 24 and 24.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from models.pieces import Declaration, Stock
from scheduler.conflicts import Change, Collision, Conflict, Diagnosis, DutyMissed, Kind
from scheduler.report.cautions import CAUTIONS
from scheduler.report.columns import documented_fields
from scheduler.report.plan_json import SCHEMA_VERSION, json_text, plan_document, write_plan_json
from scheduler.report.wording import tidy
from scheduler.result import CallAnswer, CallCheck, Certificate, CircuitLag, Plan, TemperatureLag, Tried
from tests.report_case import broken_plan, missed_plan, small_plan

DIGESTS = {"site.toml": "0" * 64, "prices.csv": "1" * 64}


def document(plan: Plan) -> Any:
    """Return plan.json as a program reads it."""
    return json.loads(json_text(plan_document(plan, DIGESTS)))


def test_energy_and_price_of_the_day() -> None:
    """13 h at 28.95 MW and 80, 12 h at 53.10 MW and 40: energy, average price paid and mean over time."""
    day = document(small_plan())["energy"]["plan_day"]
    energy = 13 * 28.95 + 12 * 53.10
    cost = 13 * 28.95 * 80 + 12 * 53.10 * 40
    assert day["import_mwh"] == pytest.approx(energy)
    assert day["mean_mw"] == pytest.approx(energy / 25)
    assert day["cost"] == pytest.approx(cost)
    assert day["average_price_per_mwh"] == pytest.approx(cost / energy)
    assert day["time_mean_price_per_mwh"] == pytest.approx((13 * 80 + 12 * 40) / 25)


def test_energy_per_tonne_says_dc_and_ac() -> None:
    """0.15 MW DC and 0.05 t/h per kA are 3000 kWh/t DC, and 3150 AC at 1.05; room B has 2000 and 2100."""
    per_tonne = document(small_plan())["energy_per_tonne"]["plan_day"]
    assert per_tonne["room_m"] == {"dc_kwh_per_t": pytest.approx(3000), "ac_kwh_per_t": pytest.approx(3150)}
    assert per_tonne["room_b"] == {"dc_kwh_per_t": pytest.approx(2000), "ac_kwh_per_t": pytest.approx(2100)}


def test_energy_per_tonne_without_production_is_null() -> None:
    """A circuit that stands still has no energy per tonne, not a division by zero."""
    plan = small_plan()
    simulation = plan.audit.simulations["room_b"]
    still = replace(simulation, readings={name: values * 0 for name, values in simulation.readings.items()})
    plan = replace(plan, audit=replace(plan.audit, simulations={**plan.audit.simulations, "room_b": still}))
    assert document(plan)["energy_per_tonne"]["horizon"]["room_b"] == {
        "dc_kwh_per_t": None,
        "ac_kwh_per_t": None,
    }


def test_production_by_circuit_and_in_total() -> None:
    """Room M makes 13 x 5 + 12 x 10 t, room B 13 x 2 + 12 x 6 t; alkali is 1.128 times as much."""
    day = document(small_plan())["production"]["plan_day"]
    assert day["by_circuit"]["room_m"]["chlorine_t"] == pytest.approx(185)
    assert day["by_circuit"]["room_b"]["chlorine_t"] == pytest.approx(98)
    assert day["total"]["chlorine_t"] == pytest.approx(283)
    assert day["total"]["alkali_t"] == pytest.approx(283 * 1.128)
    assert document(small_plan())["production"]["horizon"]["total"]["chlorine_t"] == pytest.approx(552)


def test_means_weigh_intervals_by_their_length() -> None:
    """If the dear intervals last 30 min only, they count half in energy and mean load."""
    plan = small_plan()
    lengths = np.where(plan.energy_price_per_mwh == 80.0, 30, 60).astype(np.int64)
    starts = plan.horizon.start_min + np.concatenate([[0], np.cumsum(lengths)[:-1]])
    plan = replace(plan, horizon=replace(plan.horizon, starts_min=starts, lengths_min=lengths))
    written = document(plan)
    assert written["load"]["plan_day"]["room_m"]["mean_ka"] == pytest.approx((6.5 * 100 + 12 * 200) / 18.5)
    assert written["production"]["plan_day"]["total"]["chlorine_t"] == pytest.approx(6.5 * 7 + 12 * 16)
    assert written["energy"]["plan_day"]["import_mwh"] == pytest.approx(6.5 * 28.95 + 12 * 53.10)


def test_cost_splits_into_power_and_other() -> None:
    """Power is energy plus demand; income is negative; sunk charges stand apart."""
    cost = document(small_plan())["cost"]
    energy = 24 * 28.95 * 80 + 23 * 53.10 * 40 - 5 * 53.10
    assert cost["power"] == pytest.approx(energy + 4100)
    assert cost["other"] == pytest.approx(-652.5)
    assert cost["total"] == pytest.approx(energy + 4100 - 652.5)
    assert cost["by_group"]["hydrogen"] == -600
    assert cost["sunk"] == 50000


def test_certificate() -> None:
    """A bound 0.50 below the cost on energy charges of 100 000 is a gap of 5e-6; steps are not yet made."""
    written = document(small_plan())
    assert written["lower_bound"] == pytest.approx(written["cost"]["total"] - 0.5)
    assert written["gap"]["before_steps"] == pytest.approx(5e-6, rel=1e-5)
    assert written["gap"]["denominator"] == 100000
    assert written["gap"]["after_steps"] is None
    assert written["price_of_steps"] is None
    assert "1-2 %" in written["model_accuracy"]


def test_a_missing_bound_is_null() -> None:
    """A bound of minus infinity has no number in JSON and becomes null."""
    plan = replace(small_plan(), certificate=Certificate(-math.inf, 1.0, 1.0))
    assert document(plan)["lower_bound"] is None


def test_saving_against_each_habit() -> None:
    """1250 less, 1 % of energy charges of 125 000; a habit that cannot be run has no saving but a reason."""
    possible, impossible = document(small_plan())["comparisons"]
    assert possible["saving"] == pytest.approx(1250)
    assert possible["saving_percent"] == pytest.approx(1.0)
    assert possible["comparable"] is True
    assert impossible["possible"] is False
    assert impossible["saving"] is None
    assert impossible["note"] == "liquid_level would fall below 80 t"


@pytest.mark.parametrize("plan", [missed_plan(), broken_plan()], ids=["misses", "violations"])
def test_savings_of_a_plan_that_fails_are_marked(plan: Plan) -> None:
    """A plan that misses duties or breaks limits does less than the habit and is not comparable."""
    assert [comparison["comparable"] for comparison in document(plan)["comparisons"]] == [False, False]


def test_misses_and_violations_carry_words_and_local_time() -> None:
    """Class, quantity and first interval of a miss; worst interval of a violation, in the doubled hour."""
    miss = document(missed_plan())["misses"][0]
    assert miss["class_meaning"] == "order"
    assert (miss["quantity"], miss["unit"]) == (28, "t")
    assert miss["first_at"] == "2026-10-25T10:00+01:00"
    violation = document(broken_plan())["violations"][0]
    assert (violation["amount"], violation["worst_at"]) == (12.5, "2026-10-25T02:00+01:00")
    assert document(broken_plan())["status"] == "NOT A PLAN"


def test_a_class_of_ones_own_has_words() -> None:
    """A unit may bring a class of misses that the project does not name."""
    plan = missed_plan()
    plan = replace(plan, misses=(replace(plan.misses[0], miss_class=9),))
    assert document(plan)["misses"][0]["class_meaning"] == "duty of class 9"


def test_peaks() -> None:
    """The billed peak is that of the month, the import's own peak stands beside it with its time."""
    peak = document(small_plan())["peak"]
    assert peak["billed"] == [{"key": "grid_month_peak", "label": "month_2026_10", "peak_mw": 54.1}]
    assert peak["import"]["plan_day"] == {"max_mw": pytest.approx(53.1), "at": "2026-10-25T05:00+01:00"}


def test_stocks_at_start_end_least_and_most() -> None:
    """The tank falls from 100 to 94 t in six hours, is back at noon, and stands at 99 t after 25 hours."""
    stock = document(small_plan())["stocks"]["liquid_level"]
    assert (stock["start"], stock["plan_day_end"], stock["end"]) == (100, 99, 100)
    assert (stock["min"], stock["max"]) == (94, 100)
    assert stock["min_at"] == "2026-10-25T05:00+01:00"
    assert stock["max_at"] == "2026-10-25T00:00+02:00"
    assert (stock["lower_limit"], stock["upper_limit"]) == (80, 560)


def test_a_stock_without_upper_limit_has_null() -> None:
    """Infinity is not JSON."""
    plan = small_plan()
    stock = Stock("pond_level", "m3", "water", 5.0, np.full(48, -np.inf), np.full(48, np.inf))
    audit = replace(plan.audit, values={**plan.audit.values, "pond_level": np.full(48, 5.0)})
    declaration = Declaration.merged((plan.declaration, Declaration(stocks=(stock,))))
    pond = document(replace(plan, audit=audit, declaration=declaration))["stocks"]["pond_level"]
    assert (pond["lower_limit"], pond["upper_limit"], pond["lower_limit_at_end"]) == (None, None, None)


def test_horizon_of_the_long_day() -> None:
    """The plan day has 25 hours; times are local with offset."""
    horizon = document(small_plan())["horizon"]
    assert horizon["plan_day_hours"] == 25
    assert horizon["start"] == "2026-10-25T00:00+02:00"
    assert horizon["plan_day_end"] == "2026-10-26T00:00+01:00"
    assert horizon["end"] == "2026-10-26T23:00+01:00"


def test_cautions_notes_digests_and_versions_are_there() -> None:
    """A program that reads only this file still gets what must come before any use."""
    written = document(small_plan())
    assert written["cautions"] == list(CAUTIONS)
    assert written["notes"] == ["Invented data: site, contract and prices are made up."]
    assert written["input_digests"] == DIGESTS
    assert written["versions"]["numpy"] == np.__version__
    assert written["schema_version"] == SCHEMA_VERSION
    assert next(iter(written)) == "schema_version"


def test_further_notes_follow_without_repeats() -> None:
    """Notes of the caller are added once."""
    notes = plan_document(small_plan(), {}, ("Forecast prices.", "Forecast prices."))["notes"]
    assert notes == ["Invented data: site, contract and prices are made up.", "Forecast prices."]


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    """Wall time is not in the file, so a rerun differs in nothing."""
    slower = replace(small_plan(), seconds={"solve": 99.0})
    write_plan_json(plan_document(small_plan(), DIGESTS), tmp_path / "a")
    write_plan_json(plan_document(slower, DIGESTS), tmp_path / "b")
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    assert (tmp_path / "a").read_bytes().endswith(b"}\n")


def test_names_stay_plain_text() -> None:
    """Quotes, markup and letters beyond ASCII in names survive the way through JSON unchanged."""
    name = 'Wörks "A" </script> \\'
    plan = small_plan()
    assert document(replace(plan, site=replace(plan.site, name=name)))["site"] == name


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (1234.56789012, 1234.56789),
        (-1.00000049, -1.0),
        (0.00000512345678, 5.12346e-06),
        (-0.0, 0.0),
        (np.float64(2.5), 2.5),
        (None, None),
        (math.nan, None),
        (math.inf, None),
    ],
)
def test_rounding_keeps_small_numbers(value: float | None, expected: float | None) -> None:
    """6 decimals from 1 up, 6 significant digits below, no negative zero, null where JSON has no number."""
    result = tidy(value)
    assert result == expected
    assert result is None or math.copysign(1.0, result) == math.copysign(1.0, expected or 0.0)


def leaves(tree: object, path: str = "") -> Iterator[str]:
    """Return the paths of all values, lists written as []."""
    if isinstance(tree, Mapping):
        for key, value in tree.items():
            yield from leaves(value, f"{path}.{key}" if path else str(key))
    elif isinstance(tree, list):
        for value in tree:
            yield from leaves(value, f"{path}[]")
    else:
        yield path


def named(path: str) -> str:
    """Return a path with the names of this site replaced by the braces of the documentation."""
    head, *rest = path.split(".")
    if head == "input_digests":
        return "input_digests.{file}"
    braces = {"by_group": "{group}", "stocks": "{stock}", "versions": "{program}", "by_circuit": "{circuit}"}
    parts = [head]
    for part in rest:
        parts.append(braces.get(parts[-1], "{circuit}" if part in ("room_m", "room_b") else part))
    return ".".join(parts)


def test_documentation_and_document_agree() -> None:
    """Every field is documented, and every documented field occurs."""
    violations = broken_plan().audit.violations
    limit = Collision("room_b_load.upper", "greatest load of room_b", Kind.UPPER, "kA", 30.0, 0, 2)
    change = Change(limit, 1.0, 1.0 / 30.0)
    duty = DutyMissed("lot_short", "lot", 2.0, "t", 0, 2)
    plan = replace(
        missed_plan(),
        diagnosis=Diagnosis((Conflict((duty,), (limit,), change, (change,)),)),
        audit=replace(missed_plan().audit, violations=violations),
        lag=TemperatureLag((CircuitLag("room_b", 0.1, 4.0, 0.2, 7.0),), 9.0, violations),
        tried=(Tried({"off": "paid"}, 1.0, 0.9, "", (CallCheck("off", (CallAnswer(0, 3.0, 2.0),)),)),),
    )
    # The same plan without a diagnosis has null in its place.
    undiagnosed = replace(plan, diagnosis=None)
    found = {named(path) for p in (plan, undiagnosed) for path in leaves(plan_document(p, DIGESTS))}
    assert found == {row.name for row in documented_fields()}
