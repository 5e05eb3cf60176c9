"""The command `bill`: contract files and sites, profiles, state, invoices, and what is refused."""

from __future__ import annotations

import csv
import json
from importlib.resources import as_file, files
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from scheduler.cli.main import main

CONTRACT = """
name = "Test contract"
currency = "XTS"
timezone = "Europe/Berlin"
round_digits = 2
vat_percent = 20.0

[[component]]
kind = "spot"
name = "energy"

[[component]]
kind = "capacity"
name = "capacity"
per_mw = 100.0
metering_minutes = 60
power_factor = 0.9
measure = "kva"

[[component]]
kind = "energy_tiers"
name = "levy"
per = "year"
tiers = [{ per_mwh = 10.0, up_to_mwh = 1000.0 }, { per_mwh = 1.0 }]

[[component]]
kind = "carbon_compensation"
name = "aid"
aid_percent = 75.0
carbon_t_per_mwh = 0.8
allowance_per_t = 100.0
benchmark_mwh_per_t = 2.5
"""
PROFILE = """start,minutes,power_mw,reactive_mvar,chlorine_wet_t_per_h
2026-06-01T00:00,60,30.0,40.0,2.0
2026-06-01T01:00,60,10.0,0.0,1.0
"""
WITHOUT_OUTPUT = """start,minutes,power_mw
2026-06-01T00:00,60,30.0
2026-06-01T01:00,60,10.0
"""
PRICES = """start,minutes,price_per_mwh
2026-06-01T00:00,30,50.0
2026-06-01T00:30,30,70.0
2026-06-01T01:00,60,-20.0
"""
STATE = """component,period,energy_mwh,peak_mw
levy,2026,990.0,
capacity,2026-06,,45.0
"""
# By hand: 30 x 60 - 10 x 20 = 1,600; 50 MVA (30 MW, 40 Mvar) x 100 = 5,000; 40 MWh at 10, or 10 at 10 and 30
# at 1 after 990 MWh; 3 t x 150 = 450 paid to the site.
LINES = [1600.0, 5000.0, 400.0, -450.0]


def write(folder: Path, **texts: str) -> dict[str, str]:
    """Write files and return their paths."""
    paths = {}
    for name, text in texts.items():
        path = folder / (f"{name}.toml" if name == "contract" else f"{name}.csv")
        path.write_text(text, encoding="utf-8")
        paths[name] = str(path)
    return paths


def run(folder: Path, *more: str, **texts: str) -> Result:
    """Run `bill` on the usual files, some of them changed."""
    paths = write(folder, **{"contract": CONTRACT, "profile": PROFILE, "prices": PRICES, **texts})
    arguments = ["bill", paths.pop("contract"), paths.pop("profile")]
    for role, path in paths.items():
        arguments += [f"--{role}", path]
    return CliRunner().invoke(main, [*arguments, *more])


def paid(folder: Path) -> list[float]:
    """Return the column `paid` of bill.csv."""
    with (folder / "bill.csv").open(encoding="utf-8") as stream:
        return [float(row["paid"]) for row in csv.DictReader(stream)]


def test_every_line_with_its_formula(tmp_path: Path) -> None:
    """Lines by hand as above, 6,550 net, 1,310 tax; the text tells quantity, rate and formula of each."""
    done = run(tmp_path, "--out", str(tmp_path / "out"))
    assert done.exit_code == 0, done.output
    assert paid(tmp_path / "out") == LINES
    document = json.loads((tmp_path / "out" / "bill.json").read_text(encoding="utf-8"))
    assert (document["net"], document["vat"], document["total"]) == (6550.0, 1310.0, 7860.0)
    assert [line["formula"] for line in document["lines"]] == [
        "sum over the index's intervals of metered energy x index",
        "highest 60-minute mean 50.000 [MVA], the greatest of what counts, x price",
        "part of the energy that lies in the tier, counted from the year's start x price",
        "output x aid intensity x emission factor x allowance price x benchmark",
    ]
    text = (tmp_path / "out" / "bill.txt").read_text(encoding="utf-8")
    assert "7,860.00 XTS" in text
    assert "A check of arithmetic, not an invoice" in text
    assert set(document["inputs"]) == {
        f"{role}:{tmp_path / name}"
        for role, name in (
            ("contract", "contract.toml"),
            ("profile", "profile.csv"),
            ("prices", "prices.csv"),
        )
    }


def test_the_state_of_the_bill_counts(tmp_path: Path) -> None:
    """After 990 MWh the levy is 10 x 10 + 30 x 1 = 130, in two lines; a peak of 45 MVA so far is below 50."""
    done = run(tmp_path, "--out", str(tmp_path / "out"), state=STATE)
    assert done.exit_code == 0, done.output
    assert paid(tmp_path / "out") == [1600.0, 5000.0, 100.0, 30.0, -450.0]


INVOICE = """component,label,quantity,rate,amount
energy,,,,1600.00
capacity,billed demand of 2026-06,51.0,100.0,5100.00
aid,compensation of carbon cost for chlorine wet,3.0,-150.0,-450.00
handling,,,,12.50
"""


def test_an_invoice_line_by_line(tmp_path: Path) -> None:
    """51 in place of 50 MVA, a levy that is missing and a fee not in the contract: by hand -287.50."""
    done = run(tmp_path, "--out", str(tmp_path / "out"), invoice=INVOICE)
    assert done.exit_code == 0, done.output
    with (tmp_path / "out" / "differences.csv").open(encoding="utf-8") as stream:
        rows = {row["component"]: row for row in csv.DictReader(stream)}
    assert {name: float(row["difference"]) for name, row in rows.items()} == {
        "energy": 0.0,
        "capacity": 100.0,
        "levy": -400.0,
        "aid": 0.0,
        "handling": 12.5,
    }
    assert rows["capacity"]["reason"] == "quantity 51 in place of 50 MVA"
    assert rows["levy"]["reason"] == "not on the invoice"
    assert rows["handling"]["reason"] == "not in the contract"
    assert "3 of 5 lines differ, -287.50 XTS in sum" in done.output


def test_an_invoice_that_agrees(tmp_path: Path) -> None:
    """Sums of components within half a cent agree."""
    lines = "energy,1600.004\ncapacity,5000\nlevy,400\naid,-450\n"
    done = run(tmp_path, invoice="component,amount\n" + lines)
    assert "Invoice: all 4 lines agree" in done.output


@pytest.mark.parametrize(
    ("texts", "problem"),
    [
        (
            {"profile": PROFILE.replace("2026-06-01T01:00", "2026-06-01T02:00")},
            "no value from 2026-06-01T01:00",
        ),
        ({"profile": PROFILE.replace("2026-06-01T01:00", "2026-06-01T00:00")}, "lies in the interval before"),
        ({"profile": PROFILE.replace("10.0,0.0,1.0", "10.0,,1.0")}, "'reactive_mvar' is missing here"),
        ({"profile": PROFILE.replace("10.0,0.0,1.0", "x,0.0,1.0")}, "'power_mw' must be a number"),
        ({"profile": "start,minutes,power_mw\n"}, "must have one interval or more"),
        ({"prices": PRICES.replace("2026-06-01T01:00,60,-20.0\n", "")}, "no value for 1 interval"),
        ({"contract": CONTRACT.replace('timezone = "Europe/Berlin"\n', "")}, "give --timezone"),
        ({"contract": CONTRACT.replace('currency = "XTS"\n', "")}, "'currency' is missing"),
        ({"contract": 'name = "x"\n'}, "neither a contract"),
        ({"contract": CONTRACT.replace("vat_percent = 20.0", "vat_percent = 120.0")}, "between 0 and 100"),
        ({"state": STATE.replace("levy", "levi")}, "did you mean 'levy'"),
        ({"state": STATE.replace("2026-06", "June")}, "must be a month such as 2026-11, a year"),
        ({"state": STATE + "levy,2026,1.0,\n"}, "must be there once for a component"),
        ({"invoice": "component,amount\nenergi,1\n"}, "did you mean 'energy'"),
        ({"invoice": "component,amount\nenergy,1\nenergy,2\n"}, "add them up"),
        ({"profile": WITHOUT_OUTPUT}, "give it with the profile"),
    ],
)
def test_what_is_wrong_is_told(tmp_path: Path, texts: dict[str, str], problem: str) -> None:
    """File, place, what came and what to do; nothing is filled or dropped."""
    done = run(tmp_path, **texts)
    assert done.exit_code == 2, done.output
    assert problem in done.output


def test_a_site_is_billed_by_its_own_contract(tmp_path: Path) -> None:
    """The demo's site file gives contract and prices; an hour of 80 MW costs what its contract says."""
    load = tmp_path / "load.csv"
    load.write_text("start,minutes,power_mw\n2026-06-08T00:00,60,80.0\n", encoding="utf-8")
    with as_file(files("tariffs_demo")) as folder:
        done = CliRunner().invoke(main, ["bill", str(folder / "site.toml"), str(load)])
    assert done.exit_code == 0, done.output
    assert "80.000 MWh" in done.output


@pytest.mark.parametrize("name", ["a_index", "b_clock", "c_blocks", "d_band_load", "e_interruptible"])
def test_the_contracts_of_the_demo(tmp_path: Path, name: str) -> None:
    """77.3 MW flat over a week of June 2026: each contract is billed, and says that it is invented."""
    load = tmp_path / "load.csv"
    hours = [f"2026-06-{8 + t // 24:02d}T{t % 24:02d}:00,60,77.3" for t in range(168)]
    load.write_text("start,minutes,power_mw\n" + "\n".join(hours) + "\n", encoding="utf-8")
    with as_file(files("tariffs_demo")) as folder:
        path = folder / "contracts" / f"{name}.toml"
        done = CliRunner().invoke(
            main,
            [
                "bill",
                str(path),
                str(load),
                "--prices",
                str(folder / "prices.csv"),
                "--out",
                str(tmp_path / "o"),
            ],
        )
    assert done.exit_code == 0, done.output
    assert "(invented)" in done.output
    document = json.loads((tmp_path / "o" / "bill.json").read_text(encoding="utf-8"))
    by_hand = {
        # 88 MW x 5,900 are paid whatever is drawn.
        "a_index": ("capacity", 519_200.0),
        # 77.3 x 2,600 for all hours; no winter charge in June.
        "b_clock": ("all_hours", 200_980.0),
        # 55 x 168 x 66.5 + 10 x 60 x 79 less the index; the blocks' own lines are the first two.
        "c_blocks": ("blocks", None),
        # 84,000 x 77.3: one week is 168 full-load hours, so far.
        "d_band_load": ("network", 6_493_200.0),
        # 77.3 x 168 x 69.
        "e_interruptible": ("energy", 896_061.6),
    }[name]
    if by_hand[1] is not None:
        assert document["by_component"][by_hand[0]] == pytest.approx(by_hand[1], abs=0.01)
    else:
        assert [line["paid"] for line in document["lines"][1:3]] == [614_460.0, 47_400.0]


def test_more_calls_than_agreed_are_a_note(tmp_path: Path) -> None:
    """One call where the contract allows none: billed, and told."""
    contract = CONTRACT + (
        '[[component]]\nkind = "interruptible"\nname = "off"\ndrop_mw = 5.0\nper_mw_month = 0.0\n'
        'notice_minutes = 0.0\ncall_hours = 1.0\ncalls_per_year = 0\ncalled = "called"\n'
    )
    profiles = "start,minutes,series,value\n2026-06-01T00:00,60,called,5.0\n2026-06-01T01:00,60,called,0.0\n"
    done = run(tmp_path, contract=contract, profiles=profiles)
    assert done.exit_code == 0, done.output
    assert (
        "Note: component 'off': calls in 2026 by the profile 'called' are 1, more than the 0" in done.output
    )
