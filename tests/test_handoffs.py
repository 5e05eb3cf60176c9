"""Hand-offs: nomination, utilities, loading per shift, rectifiers, and the cautions with them.

Expected numbers follow by hand from `tests.trip_case` and Faraday's law, as each docstring shows.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.contract.component import Contract
from models.contract.demand import DemandCharge
from models.horizon import Horizon
from scheduler.report.cautions import CAUTIONS
from scheduler.report.columns import FURTHER_FILES, FURTHER_MEANINGS
from scheduler.report.handoffs import (
    EXTRA_NAMES,
    HANDOFF_FILES,
    handoff_files,
    loading_csv,
    nomination_csv,
    rectifiers_csv,
    settlement_minutes,
    utilities_csv,
)
from scheduler.result import Plan, Status
from tests.binding_cases import HYDROGEN_KG_PER_KA
from tests.report_case import missed_plan, small_plan
from tests.trip_case import T_PER_KA, trip_plan


def rows(text: str) -> list[dict[str, str]]:
    """Return the rows of a CSV text."""
    return list(csv.DictReader(io.StringIO(text)))


def in_quarters(plan: Plan, power: list[float]) -> Plan:
    """Return a plan with another import on intervals of 15 minutes, all of the plan day."""
    start, n = plan.horizon.start_min, len(power)
    horizon = Horizon(
        start + 15 * np.arange(n, dtype=np.int64), np.full(n, 15, dtype=np.int64), "Europe/Berlin", n
    )
    audit = replace(plan.audit, values={**plan.audit.values, plan.site.meter: np.array(power)})
    return replace(plan, horizon=horizon, audit=audit)


def test_nomination_repeats_an_hour_for_its_quarters() -> None:
    """Prices of 15 minutes ask for quarters: each hour of the plan day gives four, the look-ahead none."""
    found = rows(nomination_csv(trip_plan()))
    assert [row["import_mw"] for row in found] == ["3.0000"] * 4 + ["5.0000"] * 4
    assert [row["start"] for row in found[3:5]] == ["2026-06-08T00:45+02:00", "2026-06-08T01:00+02:00"]
    assert {row["minutes"] for row in found} == {"15"}


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [(15, ["1.0000", "2.0000", "3.0000", "4.0000"]), (30, ["1.5000", "3.5000"]), (60, ["2.5000"])],
)
def test_nomination_is_the_mean_over_a_settlement_interval(minutes: int, expected: list[str]) -> None:
    """Quarters at 1, 2, 3 and 4 MW are 1.5 and 3.5 MW in half hours and 2.5 MW in an hour."""
    plan = in_quarters(small_plan(), [1.0, 2.0, 3.0, 4.0])
    contract = Contract("test", "XTS", (DemandCharge("demand", metering_minutes=minutes, per_mw_month=1.0),))
    plan = replace(plan, site=replace(plan.site, contract=contract))
    assert settlement_minutes(plan) == minutes
    assert [row["import_mw"] for row in rows(nomination_csv(plan))] == expected


def test_a_settlement_interval_already_begun_is_left_out() -> None:
    """A plan from 00:30 on cannot nominate the hour from 00:00; the hour from 01:00 is 3.5 MW."""
    plan = in_quarters(small_plan(), [9.0, 9.0, 1.0, 2.0, 2.0, 3.0, 4.0, 5.0])
    plan = replace(plan, horizon=plan.horizon.starting(plan.horizon.start_min + 30))
    values = {**plan.audit.values, plan.site.meter: np.array([1.0, 2.0, 2.0, 3.0, 4.0, 5.0])}
    contract = Contract("test", "XTS", (DemandCharge("demand", metering_minutes=60, per_mw_month=1.0),))
    plan = replace(plan, audit=replace(plan.audit, values=values), site=replace(plan.site, contract=contract))
    (row,) = rows(nomination_csv(plan))
    assert (row["start"], row["import_mw"]) == ("2026-10-25T01:00+02:00", "3.5000")


def test_nomination_of_a_day_of_25_hours() -> None:
    """A contract that says nothing is settled as planned: 25 hours, 02:00 with both offsets."""
    starts = [row["start"] for row in rows(nomination_csv(small_plan()))]
    assert len(starts) == 25
    assert starts[2:4] == ["2026-10-25T02:00+02:00", "2026-10-25T02:00+01:00"]


def test_hydrogen_and_steam_by_unit() -> None:
    """Hour 0: 1.6 t/h of chlorine come with 45.49 kg/h of hydrogen by Faraday's law.

    Acid takes 2.016 / 70.906 kg per kg of its 0.13 t/h, 3.70 kg/h; the neighbour 20; the rest goes up the
    stack. Hour 1: 0.2 t/h vaporised at 75 kWh/t take 0.025 t/h of steam of 600 kWh/t, all bought.
    """
    first, second = rows(utilities_csv(trip_plan()))
    made = 1.6 / T_PER_KA * HYDROGEN_KG_PER_KA
    acid = 0.13 * 1000 * 2.016 / 70.906
    expected = {"made": made, "bought": 0.0, "used": acid + 20.0, "vented": made - acid - 20.0}
    for kind, value in expected.items():
        assert float(first[f"hydrogen_{kind}_kg_per_h"]) == pytest.approx(value, abs=2e-3)
    assert float(first["acid_hydrogen_kg_per_h"]) == pytest.approx(-acid, abs=2e-3)
    assert first["neighbour_hydrogen_kg_per_h"] == "-20.000"
    assert [second[f"steam_{kind}_t_per_h"] for kind in ("made", "bought", "used", "vented")] == [
        "0.0000",
        "0.0250",
        "0.0250",
        "0.0000",
    ]


def test_loading_by_shift() -> None:
    """The lot is loaded from its window's start at 00:30 in one shift, and in the next; the third is later.

    The shift at midnight began at 02:00 the day before. A name that a spreadsheet would compute is quoted.
    """
    first, second = rows(loading_csv(trip_plan()))
    assert (first["shift"], first["load_t"], first["lot_t"]) == ("2026-06-07 02:00", "0.2000", "1.0000")
    assert (first["from"], first["to"]) == ("2026-06-08T00:30+02:00", "2026-06-08T01:00+02:00")
    assert (second["shift"], second["load_t"]) == ("2026-06-08 01:00", "0.4000")
    assert (first["lot"], first["product"], first["mode"]) == ("lot_7", "naoh_50", "rail")
    assert first["customer"] == "'=works"


def test_changes_of_load() -> None:
    """Room 1 rises by 1 kA at 0.2 kA/min: 5 minutes; halving 7.56 kA takes 3.78 / 0.2 = 18.9 minutes.

    Room 2 keeps its load, and its load before is not known; in hour 1 one of its two units is out, so the
    other carries all. The look-ahead's change of room 1 is not handed on.
    """
    up, down, start, out = rows(rectifiers_csv(trip_plan()))
    ka = 1.0 / T_PER_KA
    assert [row["circuit"] for row in (up, down, start, out)] == ["room_1", "room_1", "room_2", "room_2"]
    assert [float(up[c]) for c in ("from_ka", "to_ka", "unit_ka")] == pytest.approx(
        [ka - 1, ka, ka / 2], abs=1e-3
    )
    assert (up["rate_ka_per_min"], up["change_minutes"], up["rectifier_units"]) == ("0.2", "5.0", "2")
    assert (down["start"], down["change_minutes"]) == ("2026-06-08T01:00+02:00", "18.9")
    assert float(down["unit_ka"]) == pytest.approx(ka / 4, abs=1e-3)
    assert (start["from_ka"], start["rate_ka_per_min"], start["change_minutes"]) == ("", "", "")
    assert out["from_ka"] == out["to_ka"] == start["to_ka"] == out["unit_ka"]
    assert (out["start"], out["rectifier_units"]) == ("2026-06-08T01:00+02:00", "1")


def written(plan: Plan, folder: Path) -> dict[str, str]:
    """Return the text of each file that is handed on."""
    for name, write in handoff_files(plan).items():
        write(folder / name)
    return {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}


def test_files_carry_status_and_cautions(tmp_path: Path) -> None:
    """Every row says what it is; one sheet holds all cautions, the result and what is missed."""
    texts = written(trip_plan(), tmp_path)
    assert set(texts) == set(EXTRA_NAMES)
    for name in HANDOFF_FILES:
        assert {row["status"] for row in rows(texts[name])} == {"plan; advice only: see HANDOFFS.txt"}
    sheet = " ".join(texts["HANDOFFS.txt"].split())
    assert all(caution in sheet for caution in CAUTIONS)
    assert "mean in intervals of 15 min" in sheet


def test_missed_duties_stand_on_the_sheet(tmp_path: Path) -> None:
    """A plan with missed duties is handed on with its misses named, and as such in every row."""
    texts = written(missed_plan(), tmp_path)
    assert "trips.csv" not in texts
    assert "Missed: part of lot fri that is not loaded: 28 t." in texts["HANDOFFS.txt"]
    assert "plan with missed duties; advice only" in texts["nomination.csv"]


def test_what_is_no_plan_is_not_handed_on() -> None:
    """NOT A PLAN gives no file, and a file asked for by itself is refused."""
    plan = replace(trip_plan(), status=Status.NOT_A_PLAN)
    assert handoff_files(plan) == {}
    with pytest.raises(ValueError, match="NOT A PLAN must not be handed on"):
        nomination_csv(plan)


def test_every_column_is_documented(tmp_path: Path) -> None:
    """Each column of each file is a documented name, or fits a pattern with names of the site."""
    texts = written(trip_plan(), tmp_path)
    assert set(FURTHER_FILES) == set(FURTHER_MEANINGS)
    assert set(EXTRA_NAMES) - {"HANDOFFS.txt"} <= set(FURTHER_FILES)
    for name in HANDOFF_FILES:
        patterns = [
            re.escape(row.name)
            .replace(r"\{utility\}", "(hydrogen|steam)")
            .replace(r"\{suffix\}", "(kg_per_h|t_per_h)")
            .replace(r"\{unit\}", r"\w+")
            for row in FURTHER_FILES[name]
        ]
        for column in texts[name].splitlines()[0].split(","):
            assert any(re.fullmatch(pattern, column) for pattern in patterns), column
