"""Rate records in the open JSON layout: what a contract holds of them, and what is told apart."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import models.kinds  # noqa: F401 - fills the registers of kinds
from models.contract.bill import make_bill
from models.contract.component import Contract, Profile
from models.horizon import Horizon
from models.situation import Situation
from scheduler.cli.main import main
from scheduler.errors import InputError
from scheduler.read.files import Source
from scheduler.read.problems import Problems
from scheduler.read.rate_import import import_record
from scheduler.read.rate_record import ImportedRate, read_rate_record
from scheduler.read.records import read_toml
from scheduler.read.site_file import read_contract

SUMMER = (6, 7, 8, 9)
Json = dict[str, object]


def schedule(summer: list[int], winter: list[int]) -> list[list[int]]:
    """Return 12 rows of 24 periods."""
    return [list(summer if month in SUMMER else winter) for month in range(1, 13)]


def hours(*runs: tuple[int, int]) -> list[int]:
    """Return 24 periods from (period, end hour) pairs."""
    row: list[int] = []
    for period, end in runs:
        row += [period] * (end - len(row))
    return row


# Utility Rate Database (OpenEI, licence CC0 1.0), record 674e0b87201c6bd096007a5a: Southern California
# Edison, schedule TOU-8-D below 2 kV, effective October 2024; rates and adjustments in one figure each.
TOU_8_D: Json = {
    "label": "674e0b87201c6bd096007a5a",
    "utility": "Southern California Edison",
    "name": "TOU-8-D below 2 kV",
    "startdate": 1727740800,
    "energyratestructure": [
        [{"rate": 0.11343, "unit": "kWh"}],
        [{"rate": 0.14199, "unit": "kWh"}],
        [{"rate": 0.15186, "unit": "kWh"}],
        [{"rate": 0.08973, "unit": "kWh"}],
        [{"rate": 0.10331, "adj": 0.02, "unit": "kWh"}],
        [{"rate": 0.12428, "unit": "kWh"}],
    ],
    "energyweekdayschedule": schedule(
        hours((0, 16), (2, 21), (0, 24)), hours((4, 8), (3, 16), (5, 21), (4, 24))
    ),
    "energyweekendschedule": schedule(
        hours((0, 16), (1, 21), (0, 24)), hours((4, 8), (3, 16), (5, 21), (4, 24))
    ),
    "demandratestructure": [[{"rate": 0.0}], [{"rate": 29.54}], [{"rate": 8.83}]],
    "demandweekdayschedule": schedule(hours((0, 16), (1, 21), (0, 24)), hours((0, 16), (2, 21), (0, 24))),
    "demandweekendschedule": schedule(hours((0, 24)), hours((0, 16), (2, 21), (0, 24))),
    "demandwindow": 15,
    "flatdemandstructure": [[{"rate": 25.36}]],
    "flatdemandmonths": [0] * 12,
    "fixedmonthlycharge": 447.44,
}


REST = TOU_8_D["energyratestructure"][1:]  # type: ignore[index]


def imported(record: Json) -> ImportedRate:
    """Return what is made of a record."""
    problems = Problems()
    found = read_rate_record(Source("record", "r.json", json.dumps(record).encode()), problems, "UTC")
    problems.raise_if_any()
    assert found is not None
    return found


def contract_of(made: ImportedRate) -> Contract:
    """Return the contract that the made file holds."""
    problems = Problems()
    toml = read_toml(Source("contract", "c.toml", made.toml.encode()), problems)
    assert toml is not None
    read = read_contract(toml.place(), toml.values, "USD", None, problems)
    problems.raise_if_any()
    return read.contract("USD")


@pytest.mark.parametrize(
    ("first", "expected"), [(dt.date(2025, 7, 1), 1_448_985.14), (dt.date(2025, 1, 1), 1_177_998.94)]
)
def test_an_imported_record_bills_to_the_cent(first: dt.date, expected: float) -> None:
    """10 MW flat in July and January 2025 (record cited above; amounts by own arithmetic)."""
    made = imported(TOU_8_D)
    horizon = Horizon.of_days(first, "America/Los_Angeles", 15, look_ahead_days=30)
    bill = make_bill(contract_of(made), Profile(horizon, np.full(len(horizon), 10.0)), Situation())
    assert bill.net == expected
    assert made.left_out == []


def test_minimum_charges_are_imported() -> None:
    """An idle year of record TOU-8-D (above) with minima added by hand: 12 x 500, then 7,000 for the year.

    Idle it pays 447.44 a month; 500 due by the month lack 52.56, and 7,000 by the year 1,000 more.
    """
    made = imported({**TOU_8_D, "minmonthlycharge": 500.0, "annualmincharge": 7000.0})
    assert made.left_out == []
    assert sum("is taken as a minimum of all charges" in text for text in made.doubts) == 2
    year = Horizon.of_days(dt.date(2025, 1, 1), "America/Los_Angeles", 60, look_ahead_days=364)
    bill = make_bill(contract_of(made), Profile(year, np.zeros(len(year))), Situation())
    paid = [line.paid for line in bill.lines if line.line.component.startswith(("min", "annual"))]
    assert paid == [52.56] * 12 + [1000.0]
    assert bill.net == pytest.approx(7000.0)


def test_demand_periods_that_may_count_twice_are_told() -> None:
    """Two charged demand periods in one month, with one adjustment in both: told, with both prices.

    The pattern of record 6776f98328a262f68a0081be (Utility Rate Database, GSLDT-1, 2025): 'maximum demand
    plus on-peak demand' written as two periods at 0.79 and 12.81 USD/kW, each with 2.06 of adjustment.
    """
    record = {
        **TOU_8_D,
        "demandratestructure": [[{"rate": 0.79, "adj": 2.06}], [{"rate": 12.81, "adj": 2.06}]],
        "demandweekdayschedule": schedule(hours((0, 16), (1, 21), (0, 24)), hours((0, 16), (1, 21), (0, 24))),
        "demandweekendschedule": schedule(hours((0, 24)), hours((0, 24))),
    }
    made = imported(record)
    (doubt,) = [text for text in made.doubts if "then this counts twice" in text]
    assert "period 0 2.85, period 1 14.87 $/kW in month 1" in doubt
    assert f"Verify: {doubt}" in made.toml.replace('\\"', '"')
    # Off-peak demand counts over nights and weekends, which no single window holds.
    assert any("period 0" in text and "several windows of the clock" in text for text in made.left_out)


def test_a_weekend_of_another_season_is_told() -> None:
    """July's weekend points to a winter period: told as a likely mistake, and taken as written.

    The pattern of record 67c1f1c74737dd843e060fe8 (Utility Rate Database, rate A-3).
    """
    weekend = schedule(hours((0, 16), (1, 21), (0, 24)), hours((4, 8), (3, 16), (5, 21), (4, 24)))
    weekend[6] = [4] * 24
    made = imported({**TOU_8_D, "energyweekendschedule": weekend})
    assert any(
        "weekend of month 7 points to energy period 4" in text and "likely a mistake" in text
        for text in made.doubts
    )
    assert any(text.startswith("months [7] have another weekend of energy") for text in made.doubts)
    assert not any("weekend" in text for text in imported(TOU_8_D).doubts)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"minmonthlycharge": -900.0}, "'minmonthlycharge' of -900.0: a minimum must be above 0"),
        ({"coincidentratestructure": [[{"rate": 4.0}]]}, "'coincidentratestructure'"),
        ({"fueladjustmentsmonthly": [0.0, 0.01] * 6}, "'fueladjustmentsmonthly'"),
        ({"lookbackPercent": 0.5}, "'lookbackPercent' = 0.5"),
        ({"usenetmetering": True}, "'usenetmetering' = true"),
        ({"demandrateunit": "hp"}, "'demandrateunit' is 'hp'"),
        ({"demandwindow": 5}, "'demandwindow' of 5 minutes"),
        ({"demandratchetpercentage": [0.5] * 6 + [0.0] * 6}, "'demandratchetpercentage' differs by month"),
        (
            {"flatdemandstructure": [[{"rate": 1.0, "max": 500}, {"rate": 3.0, "max": 900}, {"rate": 2.0}]]},
            "tiers of demand whose prices or ends are in no order",
        ),
        (
            {"energyratestructure": [[{"rate": 0.1, "sell": 0.05}], *REST]},
            "'sell', a price for export",
        ),
        (
            {
                "energyratestructure": [
                    [{"rate": 0.1, "max": 9}, {"rate": 0.2}],
                    *REST,
                ]
            },  # type: ignore[index]
            "tiers inside of several periods",
        ),
        (
            {"energyratestructure": [[{"rate": 0.1, "unit": "kWh/kW"}], *REST]},
            "tiers counted in 'kWh/kW'",
        ),
    ],
)
def test_what_a_contract_cannot_hold_is_told(change: Json, told: str) -> None:
    """Each such key is named among what is left out, and stands in the notes of the file."""
    made = imported({**TOU_8_D, **change})
    assert any(told in text for text in made.left_out)
    assert "NOT IN THIS CONTRACT" in made.toml
    contract_of(made)


def test_tiers_of_a_single_period() -> None:
    """15,000 kWh at 0.10 and the rest at 0.08: 20 MWh pay 1,500 + 400 (by hand); also a daily charge."""
    record: Json = {
        "name": "tiered",
        "energyratestructure": [[{"rate": 0.10, "max": 15_000}, {"rate": 0.08}]],
        "energyweekdayschedule": [[0] * 24] * 12,
        "energyweekendschedule": [[0] * 24] * 12,
        "fixedchargefirstmeter": 2.5,
        "fixedchargeunits": "$/day",
    }
    horizon = Horizon.of_days(dt.date(2025, 6, 1), "America/Chicago", 60, look_ahead_days=29)
    bill = make_bill(contract_of(imported(record)), Profile(horizon, np.full(720, 20.0 / 720)), Situation())
    assert [billed.paid for billed in bill.lines] == [1500.0, 400.0, 75.0]


@pytest.mark.parametrize(("first", "second", "owed"), [(4.0, 9.0, 41_500.0), (9.0, 4.0, 36_500.0)])
def test_tiers_of_demand(first: float, second: float, owed: float) -> None:
    """A peak of 6,000 kW: 4 up to 2,500 kW and 9 above are 10,000 + 31,500; 9 and 4 are 22,500 + 14,000.

    Hand arithmetic; the layout is that of the rate database, the prices are made up.
    """
    record = {"label": "x", "name": "tiers", "flatdemandmonths": [0] * 12, "flatdemandunit": "kW"}
    record["flatdemandstructure"] = [[{"rate": first, "max": 2500}, {"rate": second}]]
    made = imported(record)
    assert made.left_out == []
    assert any("its own part of the highest demand" in text for text in made.doubts)
    horizon = Horizon.of_days(dt.date(2025, 6, 1), "America/Chicago", 60, look_ahead_days=29)
    bill = make_bill(contract_of(made), Profile(horizon, np.full(720, 6.0)), Situation())
    assert sum(line.paid for line in bill.lines) == pytest.approx(owed)


def test_demand_of_reactive_power() -> None:
    """0.66 a kvar (a published price, SCE TOU-8) of the highest 4 Mvar: 2,640; a word on the power factor."""
    made = imported({**TOU_8_D, "demandreactivepowercharge": 0.66})
    assert any("power_factor" in text for text in made.doubts)
    contract = contract_of(made)
    horizon = Horizon.of_days(dt.date(2025, 6, 1), "America/Los_Angeles", 60, look_ahead_days=29)
    reactive = np.where(np.arange(720) == 100, 4.0, 3.0)
    bill = make_bill(contract, Profile(horizon, np.full(720, 10.0), reactive), Situation())
    (line,) = [line for line in bill.lines if line.line.component == "reactive_demand"]
    assert line.paid == pytest.approx(2640.0)


def test_apparent_power_and_a_ratchet() -> None:
    """KVA and a uniform ratchet are held, with a word that factor and look-back are to be verified."""
    made = imported({**TOU_8_D, "flatdemandunit": "kVA", "demandratchetpercentage": [0.8] * 12})
    assert 'measure = "kva"' in made.toml
    assert "ratchet_percent = 80.0\nratchet_periods = 11" in made.toml
    assert any("power_factor" in text for text in made.doubts)
    assert any("look-back" in text for text in made.doubts)


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        (b"not json", "cannot be read as JSON"),
        (b"{}", "must be a rate record"),
        (b'{"items": []}', "must hold one record"),
        (json.dumps({**TOU_8_D, "energyweekdayschedule": [[0] * 24]}).encode(), "12 rows of 24"),
        (json.dumps({**TOU_8_D, "energyratestructure": []}).encode(), "list of periods"),
        (
            json.dumps({**TOU_8_D, "fixedmonthlycharge": "x"}).encode(),
            "'fixedmonthlycharge' must be a number",
        ),
        (json.dumps({**TOU_8_D, "flatdemandmonths": [5] * 12}).encode(), "must be 12 periods"),
    ],
)
def test_an_unreadable_record_is_refused(tmp_path: Path, data: bytes, problem: str) -> None:
    """The file and the key are named; no contract is written."""
    record = tmp_path / "record.json"
    record.write_bytes(data)
    with pytest.raises(InputError, match=problem):
        import_record(record, tmp_path / "out.toml", "America/Chicago")
    assert not (tmp_path / "out.toml").exists()


def test_the_command_writes_a_contract_that_can_be_billed(tmp_path: Path) -> None:
    """`import-rate`, then `bill` of a day; a second import does not overwrite the first."""
    record, out = tmp_path / "record.json", tmp_path / "rate.toml"
    record.write_text(json.dumps({"items": [{**TOU_8_D, "lookbackPercent": 0.5}]}), encoding="utf-8")
    arguments = ["import-rate", str(record), "--out", str(out), "--timezone", "America/Los_Angeles"]
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 0, done.output
    assert "NOT IN THE CONTRACT: 'lookbackPercent' = 0.5" in done.output
    rows = [f"2025-07-01T{hour:02d}:00,60,10.0" for hour in range(24)]
    (tmp_path / "load.csv").write_text("start,minutes,power_mw\n" + "\n".join(rows) + "\n", encoding="utf-8")
    billed = CliRunner().invoke(main, ["bill", str(out), str(tmp_path / "load.csv")])
    assert billed.exit_code == 0, billed.output
    assert "flat_demand_0" in billed.output
    again = CliRunner().invoke(main, arguments)
    assert again.exit_code == 2
    assert "name a file that does not exist yet" in again.output
