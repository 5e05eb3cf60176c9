from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import ClassVar

import numpy as np
import openpyxl
import pytest

from models.checks import InvalidValues, above, check
from models.contract.component import COMPONENT_KINDS, BillLine, Component, Profile
from models.contract.term import Term
from models.horizon import Array, Horizon, minute_of
from models.order import Lot, Pipeline
from models.pieces import Declaration, Simulation
from models.site import Contact
from models.situation import Availability, Situation
from models.unit import UNIT_KINDS, Unit
from scheduler.errors import InputError
from scheduler.read.files import Source
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.read.market_document import NAMESPACES


class ToyUnit(Unit):
    """A unit that does nothing, so that only the reading is tested."""

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return nothing."""
        return Declaration()

    def simulate(self, horizon: Horizon, situation: Situation, setpoints: Mapping[str, Array]) -> Simulation:
        """Return nothing."""
        return Simulation({})


@dataclass(frozen=True)
class ToyLine:
    """A voltage line of a toy."""

    intercept_v: float

    def __post_init__(self) -> None:
        check(self, intercept_v=above(0, "V"))


@dataclass(frozen=True)
class ToyRoom(ToyUnit):
    """A toy of a circuit."""

    name: str
    voltage: ToyLine = ToyLine(3.0)

    kind: ClassVar[str] = "toy_room"
    availabilities: ClassVar[tuple[str, ...]] = ("in_service", "load_max_ka")


@dataclass(frozen=True)
class ToyTank(ToyUnit):
    """A toy of a tank: 1 % is 2 t, 1 m3 is 1.5 t times the strength."""

    name: str

    kind: ClassVar[str] = "toy_tank"

    def initial_stocks(self) -> tuple[str, ...]:
        """Return its own name."""
        return (self.name,)

    def tonnes(
        self,
        level_percent: float | None = None,
        level_m3: float | None = None,
        strength_percent: float | None = None,
        temperature_c: float | None = None,
    ) -> float:
        """Return the tonnes of a reading."""
        if level_percent is not None:
            if level_percent > 100:
                raise InvalidValues(
                    [("level_percent", f"'level_percent' must be at most 100 (got {level_percent:g})")]
                )
            return 2.0 * level_percent
        if level_m3 is None or strength_percent is None:
            raise ValueError("a volume needs its strength")
        return 1.5 * level_m3 * strength_percent / 100.0


@dataclass(frozen=True)
class ToyHeap(ToyUnit):
    """A toy of a stock that is only known in tonnes, and a user of a profile."""

    name: str

    kind: ClassVar[str] = "toy_heap"

    def initial_stocks(self) -> tuple[str, ...]:
        """Return its own name."""
        return (self.name,)

    def series_needed(self) -> tuple[str, ...]:
        """Return the profile of its use."""
        return ("use",)


@dataclass(frozen=True)
class ToySpot(Component):
    """A toy of a component that needs prices and knows holidays."""

    name: str
    holidays: tuple[dt.date, ...] = ()

    kind: ClassVar[str] = "toy_spot"

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return nothing."""
        return ()

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return nothing."""
        return ()

    def series_needed(self) -> tuple[str, ...]:
        """Return the day-ahead price."""
        return ("day_ahead",)


@pytest.fixture(autouse=True)
def _toys(monkeypatch: pytest.MonkeyPatch) -> None:
    for cls in (ToyRoom, ToyTank, ToyHeap):
        monkeypatch.setitem(UNIT_KINDS, cls.kind, cls)
    monkeypatch.setitem(COMPONENT_KINDS, ToySpot.kind, ToySpot)


SITE = """
name = "Toy works"
timezone = "Europe/Vienna"
currency = "XTS"
notes = ["All values are invented."]
meter = "room_m_import"

[horizon]
look_ahead_days = 0

[files]
prices = "prices.csv"
orders = "orders.csv"
stocks = ["stocks.csv"]
availability = "availability.csv"
loads = "loads.csv"
profiles = "profiles.csv"
peaks = "peaks.csv"

[loading]
road_t_per_h = 20

[[product]]
name = "bleach"
meaning = "a product of the site's own"

[[unit]]
kind = "toy_room"
name = "room_m"
voltage = { intercept_v = 3.1 }

[[unit]]
kind = "toy_tank"
name = "tank_a"

[[unit]]
kind = "toy_heap"
name = "salt"

[[unit]]
kind = "pipeline"
name = "neighbour"
commodity = "chlorine"
nominal_t_per_h = 13

[contract]
name = "Contract A"
[[contract.component]]
kind = "toy_spot"
name = "spot"
holidays = "DE"
"""

DAY = dt.date(2026, 11, 26)


def hours(
    first: dt.datetime, count: int, line: str, header: str, skip: tuple[int, ...] = (), offset: bool = True
) -> str:
    """Return a table with one row for each hour."""
    rows = [header]
    zone = dt.timezone(dt.timedelta(hours=1))
    for hour in range(count):
        if hour not in skip:
            start = (first + dt.timedelta(hours=hour)).astimezone(zone)
            text = start.isoformat(timespec="minutes")
            rows.append(line.format(start=text if offset else text[:16], n=hour))
    return "\n".join(rows) + "\n"


MIDNIGHT = dt.datetime(2026, 11, 25, 23, tzinfo=dt.UTC)
PRICES = hours(MIDNIGHT, 24, "{start},60,{n}.5", "start,minutes,price_per_mwh", offset=False)

FILES = {
    "site.toml": SITE,
    "prices.csv": PRICES,
    "orders.csv": "order,product,mode,quantity_t,window_start,window_end,customer,rate_max_t_per_h,"
    """strength_percent
R-1,chlorine_liquid,rail,56,2026-11-26T06:00,2026-11-26T14:00,,40,
R-2,naoh_50,road,25,2026-11-26T06:00,2026-11-26T14:00,Buyer,,50
R-3,naoh_50,road,25,2026-11-28T06:00,2026-11-28T14:00,,,
P-1,chlorine,pipeline,312,2026-11-26T00:00,2026-11-27T00:00,neighbour,,
""",
    "stocks.csv": "tank,level_t,level_percent,level_m3,strength_percent,end_t\n"
    "tank_a,,40,,,70\nsalt,12.5,,,,\n",
    "availability.csv": "unit,what,value,start,end,note\n"
    "room_m,load_max_ka,180,2026-11-26T08:00,2026-11-26T12:00,washing\n",
    "loads.csv": "start,minutes,circuit,load_ka\n"
    "2026-11-25T21:00,60,room_m,190\n2026-11-25T22:00,60,room_m,192.5\n",
    "profiles.csv": "start,minutes,series,value\n2026-11-26T00:00,1440,use,1.25\n",
    "peaks.csv": "component,month,peak_mw,target_mw\nspot,2026-11,81.5,84\n",
}


def write(folder: Path, changed: Mapping[str, str | None] = MappingProxyType({})) -> Path:
    """Write the files of the toy site, some of them changed or left out, and return the site file."""
    for name, text in {**FILES, **changed}.items():
        if text is not None:
            (folder / name).write_text(text, encoding="utf-8")
    return folder / "site.toml"


def problems_of(site: Path, day: dt.date = DAY) -> list[str]:
    """Return the problems of a site, with paths relative to its folder."""
    with pytest.raises(InputError, match="in the inputs") as caught:
        read_inputs(site, day)
    return [str(problem).replace(site.parent.as_posix() + "/", "") for problem in caught.value.problems]


def read(site: Path, day: dt.date = DAY) -> Inputs:
    """Return the inputs of a site."""
    return read_inputs(site, day)


def test_contacts_are_roles_of_the_site_file(tmp_path: Path) -> None:
    """A list of roles becomes the site's contacts; 'how' may be left out."""
    line = 'contacts = [{ role = "shift supervisor", how = "extension 1" }, { role = "planner" }]\n[horizon]'
    inputs = read(write(tmp_path, {"site.toml": SITE.replace("[horizon]", line)}))
    assert inputs.site.contacts == (Contact("shift supervisor", "extension 1"), Contact("planner"))


def test_a_wrong_contact_is_told_with_its_place(tmp_path: Path) -> None:
    """A misspelt key and an empty role are both told, with the place in the list."""
    line = 'contacts = [{ rol = "planner" }, { role = "" }]\n[horizon]'
    site = write(tmp_path, {"site.toml": SITE.replace("[horizon]", line)})
    with pytest.raises(InputError, match="in the inputs") as caught:
        read(site)
    text = str(caught.value)
    assert "contacts[1]" in text
    assert "did you mean 'role'?" in text
    assert "'role' must not be empty" in text


def test_every_file_becomes_its_record(tmp_path: Path) -> None:
    """A full set of files gives the site with its lots, the situation and the horizon."""
    inputs = read(write(tmp_path))
    six, two = (minute_of(dt.datetime(2026, 11, 26, hour, tzinfo=dt.UTC)) for hour in (5, 13))

    assert (inputs.site.name, inputs.site.timezone, inputs.site.meter) == (
        "Toy works",
        "Europe/Vienna",
        "room_m_import",
    )
    assert inputs.site.notes == ("All values are invented.",)
    assert inputs.site.contract.currency == "XTS"
    assert [product.name for product in inputs.site.products] == ["bleach"]
    assert inputs.site.units == (
        ToyRoom("room_m", ToyLine(3.1)),
        ToyTank("tank_a"),
        ToyHeap("salt"),
        Pipeline("neighbour", "chlorine", 13.0),
        Lot("R-1", "chlorine_liquid", 56.0, six, two, 40.0, "", "rail"),
        # 25 t of 50 % solution are 12.5 t dry, and 20 t/h of it are 10 t/h dry.
        Lot("R-2", "naoh_50", 12.5, six, two, 10.0, "Buyer", "road"),
    )
    assert len(inputs.horizon) == 24
    assert inputs.situation.stocks == {"tank_a": 80.0, "salt": 12.5}
    assert inputs.situation.end_stocks == {"tank_a": 70.0}
    assert inputs.situation.loads_before == {"room_m": 192.5}
    assert inputs.situation.availability == (
        Availability(
            "room_m",
            "load_max_ka",
            180.0,
            minute_of(dt.datetime(2026, 11, 26, 7, tzinfo=dt.UTC)),
            minute_of(dt.datetime(2026, 11, 26, 11, tzinfo=dt.UTC)),
            "washing",
        ),
    )
    assert inputs.situation.nominations_t_per_d == {("neighbour", "2026-11-26"): 312.0}
    assert inputs.situation.peaks_mw == {("spot", "2026-11"): 81.5}
    assert inputs.situation.peak_targets_mw == {("spot", "2026-11"): 84.0}
    np.testing.assert_array_equal(
        inputs.situation.series["day_ahead"].on(inputs.horizon), np.arange(24) + 0.5
    )
    np.testing.assert_array_equal(inputs.situation.series["use"].on(inputs.horizon), np.full(24, 1.25))
    np.testing.assert_array_equal(inputs.actual_loads["room_m"].values, [190.0, 192.5])
    assert inputs.notes == (
        "order 'R-3': its window 2026-11-28T06:00+01:00 to 2026-11-28T14:00+01:00 is outside the horizon, "
        "not used",
        "'room_m': the load before the horizon, 192.5 kA, ends at 2026-11-25T23:00+01:00, 1 h before it",
    )


def test_holidays_are_dates_of_the_horizons_years(tmp_path: Path) -> None:
    """A code becomes dates from the year before to the year after: Unification Treaty of 1990, article 2."""
    component = read(write(tmp_path)).site.contract.components[0]

    assert isinstance(component, ToySpot)
    assert {day for day in component.holidays if (day.month, day.day) == (10, 3)} == {
        dt.date(year, 10, 3) for year in (2025, 2026, 2027)
    }


def test_digests_are_sha256_of_the_bytes(tmp_path: Path) -> None:
    """Each file has its SHA-256; that of 'abc' is the example of FIPS 180 (value from memory)."""
    site = write(tmp_path)
    digests = read(site).digests

    assert set(digests) == {
        f"site:{site.name}",
        *(f"{name.removesuffix('.csv')}:{name}" for name in FILES if name.endswith(".csv")),
    }
    changed = read_inputs(site, DAY, overrides={"peaks": ()}).digests
    assert set(digests) - set(changed) == {"peaks:peaks.csv"}
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert Source("site", "abc", b"abc").digest == expected


def test_problems_of_all_files_come_at_once(tmp_path: Path) -> None:
    """One run tells every problem of every file, each with its place."""
    site = write(
        tmp_path,
        {
            "site.toml": SITE.replace("look_ahead_days = 0", "look_ahead_days = -1\nminute = 60")
            .replace("intercept_v = 3.1", "intercept_v = -3.1")
            .replace('kind = "toy_tank"', 'kind = "toy_tanks"')
            .replace('holidays = "DE"', 'holidays = "DX"')
            .replace('peaks = "peaks.csv"', 'peaks = "peak.csv"'),
            "prices.csv": PRICES.replace(",3.5", ",NaN"),
            "orders.csv": FILES["orders.csv"]
            .replace("rail,56", "train,-56")
            .replace("R-2,naoh_50", "R-1,naoh50")
            .replace("P-1,chlorine", "P-1,hydrogen"),
            "stocks.csv": FILES["stocks.csv"].replace("salt,12.5,,", "salt,12.5,40,"),
            "availability.csv": FILES["availability.csv"]
            .replace("load_max_ka", "load_max")
            .replace("12:00", "07:00"),
            "loads.csv": FILES["loads.csv"].replace("192.5", "-1"),
            "profiles.csv": "start,minutes,value\n",
        },
    )

    assert problems_of(site) == [
        "site.toml, line 10, horizon > minute: 'minute' is not a key here; did you mean 'minutes'?",
        "site.toml, line 9, horizon > look_ahead_days: 'look_ahead_days' must be between 0 and 400 [d] "
        "(got -1)",
        "site.toml, line 31, unit 'room_m' > voltage.intercept_v: 'intercept_v' must be above 0 [V] (got "
        "-3.1)",
        "site.toml, line 34, unit 'tank_a' > kind: 'kind' must be a known kind of unit (got 'toy_tanks'); "
        "did you mean "
        "'toy_tank'?",
        "site.toml, line 52, contract > component 'spot' > holidays: 'holidays' must be a list of dates, or "
        "a code such "
        "as 'XX' or 'XX-YY' of a country (ISO 3166) that is known (got 'DX')",
        "peak.csv: the peaks file does not exist in " + tmp_path.as_posix() + "; did you mean 'peaks.csv'?",
        "prices.csv, line 5, column 'price_per_mwh': 'price_per_mwh' must be a number (got 'NaN')",
        "profiles.csv, line 1: the column 'series' is missing from the header",
        "orders.csv, line 2, column 'mode': 'mode' is not known (got 'train'); did you mean 'rail'?",
        "orders.csv, line 2, column 'quantity_t': 'quantity_t' must be above 0 [t] (got -56)",
        "orders.csv, line 3, column 'order': 'order' must be a name of its own (got 'R-1', also in "
        "orders.csv, line 2)",
        "orders.csv, line 3, column 'product': 'product' must be a known commodity (got 'naoh50'); did you "
        "mean "
        "'naoh_50'?",
        "orders.csv, line 5, column 'product': 'product' must be a commodity in t/h, orders are in t (got "
        "'hydrogen' in "
        "kg/h)",
        "availability.csv, line 2, column 'what': 'what' must be something that 'room_m' may be limited in "
        "(got "
        "'load_max'); did you mean 'load_max_ka'?",
        "availability.csv, line 2, column 'end': 'end' must be after 'start' (got 2026-11-26T07:00+01:00, "
        "not after "
        "2026-11-26T08:00+01:00)",
        "stocks.csv, line 3: exactly one of level_t, level_percent, level_m3 must be given (got level_t, "
        "level_percent)",
        "loads.csv, line 3, column 'load_ka': 'load_ka' must be at least 0 [kA] (got -1)",
    ]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            '"Europe/Vienna"',
            '"Europe/Viena"',
            "site.toml, line 3, timezone: 'timezone' must be an IANA name such as 'Europe/Vienna' (got "
            "'Europe/Viena'); did you "
            "mean 'Europe/Vienna'?",
        ),
        (
            '"Europe/Vienna"',
            '"Europe"',
            "site.toml, line 3, timezone: 'timezone' must be an IANA name such as 'Europe/Vienna' (got "
            "'Europe')",
        ),
        (
            '"Europe/Vienna"',
            '"../etc/passwd"',
            "site.toml, line 3, timezone: 'timezone' must be an IANA name such as 'Europe/Vienna' (got "
            "'../etc/passwd')",
        ),
        (
            '"XTS"',
            '"euro"',
            "site.toml, line 4, currency: 'currency' must be three capital letters of ISO 4217 such as "
            "'XTS' (got 'euro')",
        ),
        (
            "room_m_import",
            "room_import",
            "site.toml, line 6, meter: 'meter' must be a key of a unit, '<unit>_import' (got "
            "'room_import'); did you mean "
            "'room_m_import'?",
        ),
        (
            'name = "Toy works"',
            "",
            "site.toml, name: 'name' is missing; write a value",
        ),
        (
            'name = "Toy works"',
            'name = "Toy works"\nfile = 1',
            "site.toml, line 3, file: 'file' is not a key here; did you mean 'files'?",
        ),
        (
            'name = "salt"',
            'name = "Salt heap"',
            "site.toml, line 38, unit 'Salt heap' > name: 'name' must be lower case letters, digits and "
            "underscores, "
            "beginning with a letter (got 'Salt heap')",
        ),
        (
            'name = "bleach"',
            'name = "chlorine"',
            "site.toml, line 24, product 'chlorine' > name: the product 'chlorine' is known already; leave "
            "it out",
        ),
        (
            '"prices.csv"',
            '"https://example.org/prices.csv"',
            "https://example.org/prices.csv: the prices file must be a plain path on this machine (got "
            "'https://example.org/prices.csv')",
        ),
        (
            '"prices.csv"',
            '["prices.csv", "prices.csv"]',
            "prices.csv: the prices file is named twice; name it once",
        ),
        ('"peaks.csv"', '"."', ".: the peaks file must be a file (got a folder or a device)"),
        (
            'name = "Contract A"',
            'name = "Contract A"\ncurrency = "XXX"',
            "site.toml, line 48, contract > currency: 'currency' must be the site's, XTS (got 'XXX')",
        ),
        (
            '[[contract.component]]\nkind = "toy_spot"\nname = "spot"\nholidays = "DE"\n',
            "",
            "site.toml, line 46, contract: the contract must have at least one [[component]]",
        ),
    ],
)
def test_each_mistake_of_the_site_file_is_told(tmp_path: Path, old: str, new: str, expected: str) -> None:
    """A wrong key of the site file is told with its line and path; other files add nothing to it."""
    assert old in SITE
    assert expected in problems_of(write(tmp_path, {"site.toml": SITE.replace(old, new)}))


def test_two_units_of_one_name_are_told_with_both_places(tmp_path: Path) -> None:
    """The name of a unit is its own."""
    site = write(tmp_path, {"site.toml": SITE.replace('name = "tank_a"', 'name = "room_m"')})
    assert problems_of(site)[0] == (
        "site.toml, line 34, unit 'room_m' > name: 'name' must be there once (got 'room_m' again, first in "
        "line 29, unit 'room_m' > name)"
    )


def test_contract_file_equals_contract_in_the_site_file(tmp_path: Path) -> None:
    """A contract may stand in a file of its own, and another may be read in its place."""
    head, _, inside = SITE.partition("[contract]")
    own = inside.replace("contract.component", "component")
    site = write(tmp_path, {"site.toml": 'contract_file = "a.toml"\n' + head, "a.toml": own})
    other = tmp_path / "b.toml"
    other.write_text(own.replace("Contract A", "Contract B") + 'holiday = "x"\n')

    assert read(site).site.contract == read(write(tmp_path)).site.contract
    write(tmp_path, {"site.toml": 'contract_file = "a.toml"\n' + head})
    with pytest.raises(
        InputError, match="component 'spot' > holiday: 'holiday' is not a key here; did you mean"
    ):
        read_inputs(site, DAY, overrides={"contract": other})
    other.write_text(own.replace("Contract A", "Contract B"))
    assert read_inputs(site, DAY, overrides={"contract": other}).site.contract.name == "Contract B"


def test_a_missing_interval_is_told_in_local_time(tmp_path: Path) -> None:
    """Each gap of the horizon is one problem that names its ends and who needs it."""
    prices = hours(MIDNIGHT, 24, "{start},60,1", "start,minutes,price_per_mwh", skip=(3, 4, 23))
    assert problems_of(write(tmp_path, {"prices.csv": prices})) == [
        "prices.csv, profiles.csv, series 'day_ahead': no value for 2 intervals from 2026-11-26T03:00+01:00 "
        "to "
        "2026-11-26T05:00+01:00; the component 'spot' needs every interval of the horizon",
        "prices.csv, profiles.csv, series 'day_ahead': no value for 1 interval from 2026-11-26T23:00+01:00 "
        "to "
        "2026-11-27T00:00+01:00; the component 'spot' needs every interval of the horizon",
    ]


def test_a_doubled_interval_of_one_file_is_told_with_both_places(tmp_path: Path) -> None:
    """Two values of one file for the same interval are not joined by guessing."""
    again = PRICES + "2026-11-26T05:30,15,7.5\n"
    assert problems_of(write(tmp_path, {"prices.csv": again})) == [
        "prices.csv, line 26: 'day_ahead' has a second value for the interval at 2026-11-26T05:30+01:00, the "
        "first is in prices.csv, line 7; keep one"
    ]


def test_gaps_and_doubles_outside_the_horizon_are_told_not_refused(tmp_path: Path) -> None:
    """What no interval of the plan needs does not stop the plan, and is not hidden."""
    more = (
        "2026-11-24T00:00,60,1\n2026-11-24T00:00,60,2\n2026-11-24T05:00,60,3\n2026-11-25T23:00,60,3\n"
        "2026-11-27T00:00,60,9\n"
    )
    notes = read(write(tmp_path, {"prices.csv": PRICES + more})).notes
    assert notes[:2] == (
        "'day_ahead': 1 second values outside the horizon are not used, the first at 2026-11-24T00:00+01:00 "
        "in "
        "prices.csv, line 27",
        "'day_ahead': 2 gaps outside the horizon, the first from 2026-11-24T01:00+01:00 to "
        "2026-11-24T05:00+01:00",
    )


def test_quarter_hours_and_hours_join(tmp_path: Path) -> None:
    """Prices of different lengths may follow each other; an hour of a plan takes the mean of its quarters."""
    quarters = PRICES.splitlines()[0] + "\n"
    quarters += "".join(f"2026-11-26T00:{15 * k:02d},15,{k}\n" for k in range(4))
    rest = "\n".join(PRICES.splitlines()[2:])
    inputs = read(write(tmp_path, {"prices.csv": quarters + rest}))

    np.testing.assert_array_equal(
        inputs.situation.series["day_ahead"].on(inputs.horizon), [1.5, *(np.arange(1, 24) + 0.5)]
    )


def price_table(rows: list[str]) -> str:
    """Return a table of prices."""
    return "start,minutes,price_per_mwh\n" + "".join(f"{row}\n" for row in rows)


def test_the_day_of_25_hours_needs_offsets_in_the_repeated_hour(tmp_path: Path) -> None:
    """Local times are enough but for the hour that happens twice (Directive 2000/84/EC)."""
    day = dt.date(2026, 10, 25)
    plain = [f"{day}T{hour:02d}:00,60,{hour}" for hour in range(24)]
    profile = "start,minutes,series,value\n2026-10-25T00:00,1500,use,1\n"
    files = {"profiles.csv": profile, "orders.csv": None, "loads.csv": None}
    site_text = SITE.replace('orders = "orders.csv"\n', "").replace('loads = "loads.csv"\n', "")
    site = write(tmp_path, {"site.toml": site_text, "prices.csv": price_table(plain), **files})
    assert problems_of(site, day) == [
        "prices.csv, line 4, column 'start': 'start' must be one instant: 2026-10-25T02:00 happens twice in "
        "Europe/Vienna, the clocks go back; write it with its offset, 2026-10-25T02:00+02:00 or "
        "2026-10-25T02:00+01:00"
    ]

    right = [*plain[:2], f"{day}T02:00+02:00,60,2", f"{day}T02:00+01:00,60,2.5", *plain[3:]]
    write(tmp_path, {"site.toml": site_text, "prices.csv": price_table(right), **files})
    inputs = read(site, day)
    assert len(inputs.horizon) == 25
    assert list(inputs.situation.series["day_ahead"].on(inputs.horizon))[:5] == [0.0, 1.0, 2.0, 2.5, 3.0]


def test_the_day_of_23_hours_has_no_second_hour(tmp_path: Path) -> None:
    """A price for the hour left out is a mistake, without it the day is complete (Directive 2000/84/EC)."""
    day = dt.date(2026, 3, 29)
    rows = [f"{day}T{hour:02d}:00,60,{hour}" for hour in range(24)]
    profile = "start,minutes,series,value\n2026-03-29T00:00,1440,use,1\n"
    site = write(tmp_path, {"prices.csv": price_table(rows), "profiles.csv": profile})
    assert problems_of(site, day) == [
        "prices.csv, line 4, column 'start': 'start' must be a time that exists: Europe/Vienna has no "
        "2026-03-29T02:00, "
        "the clocks go forward; write the time with its offset"
    ]

    write(tmp_path, {"prices.csv": price_table(rows[:2] + rows[3:]), "profiles.csv": profile})
    assert len(read(site, day).horizon) == 23


def test_prices_from_a_market_document(tmp_path: Path) -> None:
    """A publication document gives the series 'day_ahead' (IEC 62325-451-3, value from memory)."""
    name = "classificationSequence_AttributeInstanceComponent.position"
    text = f'<Publication_MarketDocument xmlns="{NAMESPACES[3]}"><type>A44</type>'
    for sequence in (1, 2):
        text += (
            "<TimeSeries><currency_Unit.name>XTS</currency_Unit.name>"
            f"<price_Measure_Unit.name>MWH</price_Measure_Unit.name><{name}>{sequence}</{name}>"
            "<curveType>A03</curveType><Period><timeInterval><start>2026-11-25T23:00Z</start>"
            "<end>2026-11-26T23:00Z</end></timeInterval><resolution>PT60M</resolution><Point>"
            f"<position>1</position><price.amount>{sequence}</price.amount></Point></Period></TimeSeries>"
        )
    text += "</Publication_MarketDocument>"
    site_text = SITE.replace('"prices.csv"', '"p.xml"')
    site = write(tmp_path, {"site.toml": site_text, "p.xml": text})

    assert problems_of(site) == [
        "p.xml: prices of 2 auctions must not be mixed (sequence 1 of area not stated in p.xml; sequence 2 "
        "of area not "
        "stated in p.xml); set 'price_sequence' under [files]"
    ]
    chosen = read_inputs(site, DAY, sequence=2)
    np.testing.assert_array_equal(chosen.situation.series["day_ahead"].values, np.full(24, 2.0))
    write(tmp_path, {"site.toml": site_text.replace("[files]", "[files]\nprice_sequence = 1")})
    np.testing.assert_array_equal(read(site).situation.series["day_ahead"].values, np.full(24, 1.0))


def test_workbooks_give_the_inputs_of_the_same_csv_files(tmp_path: Path) -> None:
    """Every table may be a workbook with typed cells."""
    csv_folder, xlsx_folder = tmp_path / "csv", tmp_path / "xlsx"
    csv_folder.mkdir()
    xlsx_folder.mkdir()
    from_csv = read(write(csv_folder))
    site = write(xlsx_folder, {"site.toml": SITE.replace(".csv", ".xlsx")})
    for name, text in FILES.items():
        if name.endswith(".csv"):
            book = openpyxl.Workbook()
            for line in text.splitlines():
                book.active.append([typed(cell) for cell in line.split(",")])
            book.save(xlsx_folder / name.replace(".csv", ".xlsx"))
    from_xlsx = read(site)

    assert from_xlsx.site == from_csv.site
    assert from_xlsx.notes == from_csv.notes
    assert vars(replace(from_xlsx.situation, series={})) == vars(replace(from_csv.situation, series={}))
    for name, series in from_csv.situation.series.items():
        np.testing.assert_array_equal(from_xlsx.situation.series[name].values, series.values)
        np.testing.assert_array_equal(from_xlsx.situation.series[name].starts_min, series.starts_min)


def typed(cell: str) -> object:
    """Return a cell as a spreadsheet would hold it."""
    if not cell:
        return None
    if len(cell) == 16 and cell[10] == "T":
        return dt.datetime.fromisoformat(cell)
    try:
        return float(cell)
    except ValueError:
        return cell


@pytest.mark.parametrize(
    ("name", "old", "new", "expected"),
    [
        (
            "stocks.csv",
            "salt,12.5,,,,",
            "salt,,40,,,",
            "stocks.csv, line 3, column 'tank': 'tank' must be given by 'level_t': 'salt' has no other "
            "reading",
        ),
        (
            "stocks.csv",
            "salt,12.5",
            "sald,12.5",
            "stocks.csv, line 3, column 'tank': 'tank' must be a stock of the site (got 'sald'); did you "
            "mean 'salt'?",
        ),
        (
            "stocks.csv",
            "tank_a,,40",
            "tank_a,,140",
            "stocks.csv, line 2: 'level_percent' must be at most 100 (got 140)",
        ),
        (
            "stocks.csv",
            "tank_a,,40,",
            "tank_a,,,40",
            "stocks.csv, line 2: tank 'tank_a': a volume needs its strength",
        ),
        (
            "stocks.csv",
            "salt,12.5,,,,",
            "salt,12.5,,,50,",
            "stocks.csv, line 3, column 'strength_percent': 'strength_percent' must be left out beside "
            "'level_t', which "
            "counts dry tonnes (tonnes of Cl2)",
        ),
        (
            "stocks.csv",
            "salt,12.5,,,,\n",
            "tank_a,1,,,,\n",
            "stocks.csv, line 3, column 'tank': 'tank' must be there once (got 'tank_a' again, first in "
            "stocks.csv, line "
            "2)",
        ),
        (
            "stocks.csv",
            "salt,12.5,,,,\n",
            "",
            "stocks.csv, tank 'salt': the level at the start is missing; write a row for this tank",
        ),
        (
            "orders.csv",
            "14:00,,40,",
            "14:00,,,",
            "orders.csv, line 2, column 'rate_max_t_per_h': 'rate_max_t_per_h' is missing; write a rate, or "
            "'rail_t_per_h' under [loading] of the site file",
        ),
        (
            "orders.csv",
            "neighbour",
            "room_m",
            "orders.csv, line 5, column 'customer': 'customer' must be a pipeline customer (got 'room_m', a "
            "unit of kind "
            "'toy_room')",
        ),
        (
            "orders.csv",
            "2026-11-27T00:00,neighbour",
            "2026-11-26T23:00,neighbour",
            "orders.csv, line 5, column 'window_start': 'window_start' must begin one local day that ends "
            "at 'window_end', "
            "for a pipeline 2026-11-26T00:00 to 2026-11-27T00:00 (got 2026-11-26T00:00+01:00 to "
            "2026-11-26T23:00+01:00)",
        ),
        (
            "orders.csv",
            "06:00,2026-11-26T14:00,,40",
            "06:00,2026-11-26T06:00,,40",
            "orders.csv, line 2, column 'window_end': 'window_end' must be after 'window_start' (got "
            "2026-11-26T06:00+01:00, not after 2026-11-26T06:00+01:00); a day ends at 00:00 of the next day",
        ),
        (
            "availability.csv",
            "load_max_ka,180",
            "in_service,2",
            "availability.csv, line 2, column 'value': 'value' must be 0 (out of service) or 1 (in service) "
            "for 'in_service' (got 2)",
        ),
        (
            "availability.csv",
            "room_m",
            "room_n",
            "availability.csv, line 2, column 'unit': 'unit' must be a unit of the site (got 'room_n'); did "
            "you mean "
            "'room_m'?",
        ),
        (
            "peaks.csv",
            "spot,",
            "spott,",
            "peaks.csv, line 2, column 'component': 'component' must be a component of the contract (got "
            "'spott'); did "
            "you mean 'spot'?",
        ),
        (
            "peaks.csv",
            "2026-11,",
            "11/2026,",
            "peaks.csv, line 2, column 'month': 'month' must be a month such as 2026-11 (got '11/2026')",
        ),
        (
            "loads.csv",
            "22:00,60",
            "21:30,60",
            "loads.csv, line 3: 'room_m' has a second value for the interval at 2026-11-25T21:30+01:00, the "
            "first is in "
            "loads.csv, line 2; keep one",
        ),
        (
            "profiles.csv",
            ",use,",
            ",used,",
            "prices.csv, profiles.csv: the unit 'salt' needs the series 'use', which no file has; did you "
            "mean 'used'?",
        ),
        (
            "prices.csv",
            PRICES,
            "start,minutes,price_per_mwh,currency\n2026-11-26T00:00,60,1,XXX\n",
            "prices.csv, line 2, column 'currency': 'currency' must be the site's currency XTS (got 'XXX'); "
            "convert the "
            "prices first",
        ),
    ],
)
def test_each_mistake_of_a_table_is_told(
    tmp_path: Path, name: str, old: str, new: str, expected: str
) -> None:
    """A wrong cell is told with what came, what is allowed and what to do."""
    assert old in FILES[name]
    assert expected in problems_of(write(tmp_path, {name: FILES[name].replace(old, new)}))


def test_a_lot_that_cannot_be_loaded_or_reaches_out_is_told(tmp_path: Path) -> None:
    """Such a lot is read all the same; the plan prices what is missed."""
    orders = FILES["orders.csv"].replace("26T06:00,2026-11-26T14:00,,40", "26T23:00,2026-11-27T01:00,,20")
    assert read(write(tmp_path, {"orders.csv": orders})).notes[:2] == (
        "order 'R-1': its window 2026-11-26T23:00+01:00 to 2026-11-27T01:00+01:00 ends after the horizon",
        "order 'R-1': 56 t at 20 t/h at most cannot be loaded in its window of 2 h",
    )


def test_the_day_asked_for_comes_before_the_site_file_and_tomorrow(tmp_path: Path) -> None:
    """The plan day is that asked for, else that of the site file, else tomorrow in the site's zone."""
    now = dt.datetime(2026, 11, 24, 23, 30, tzinfo=dt.UTC)  # the 25th already in Vienna
    site = write(tmp_path)
    assert read_inputs(site, now=now).horizon.days[0] == DAY

    write(
        tmp_path, {"site.toml": SITE.replace("look_ahead_days = 0", "look_ahead_days = 0\nday = 2026-11-26")}
    )
    assert read_inputs(site, now=now + dt.timedelta(days=30)).horizon.days[0] == DAY
    with pytest.raises(InputError, match=r"no value for 24 intervals from 2026-11-27T00:00\+01:00"):
        read_inputs(site, dt.date(2026, 11, 27), now=now)


def test_without_files_the_levels_and_prices_are_asked_for(tmp_path: Path) -> None:
    """What a plan needs and no file gives is a problem of the site file."""
    text = SITE.partition("[files]")[0] + SITE[SITE.index("[loading]") :]
    assert problems_of(write(tmp_path, {"site.toml": text})) == [
        "site.toml: the component 'spot' needs the series 'day_ahead', which no file has; name a price or "
        "profile file "
        "under [files]",
        "site.toml: the unit 'salt' needs the series 'use', which no file has; name a price or profile file "
        "under "
        "[files]",
        "site.toml, tank 'tank_a': the level at the start is missing; write a row for this tank",
        "site.toml, tank 'salt': the level at the start is missing; write a row for this tank",
    ]


def test_a_site_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    """Without a site file there is nothing else to read."""
    with pytest.raises(InputError, match=r"nothing\.toml: the site file does not exist"):
        read_inputs(tmp_path / "nothing.toml")
    with pytest.raises(InputError, match="the site file must be a file"):
        read_inputs(tmp_path)
    (tmp_path / "site.toml").write_text("")
    with pytest.raises(InputError, match="the site file is empty"):
        read_inputs(tmp_path / "site.toml")


def test_a_file_above_50_mb_is_refused(tmp_path: Path) -> None:
    """A file that no plan can need is not read."""
    site = write(tmp_path)
    with (tmp_path / "prices.csv").open("wb") as stream:
        stream.truncate(50_000_001)
    assert "prices.csv: the prices file must be at most 50 MB; cut it down" in problems_of(site)


def test_an_unknown_role_is_a_mistake_of_the_caller(tmp_path: Path) -> None:
    """Roles are fixed; a command that names another has a bug."""
    with pytest.raises(ValueError, match="no such role of a file: price"):
        read_inputs(write(tmp_path), overrides={"price": tmp_path / "x.csv"})


def test_bad_keys_of_units_hide_no_problem_of_other_files(tmp_path: Path) -> None:
    """Two units with wrong keys have names all the same, so wrong names elsewhere are told at once."""
    site = SITE.replace("intercept_v = 3.1", "intercept = 3.1").replace("nominal_t_per_h", "nominal")
    files = {
        "site.toml": site,
        "stocks.csv": "tank,level_t\ntank_a,10\nsalt,20\nsult,30\n",
        "availability.csv": (
            "unit,what,value,start,end\nroom_x,in_service,0,2026-11-26T07:00,2026-11-26T08:00\n"
        ),
    }
    found = problems_of(write(tmp_path, files))
    assert any("'intercept' is not a key here" in problem for problem in found)
    assert any("'nominal' is not a key here" in problem for problem in found)
    assert any(p.startswith("availability.csv, line 2, column 'unit': 'unit' must be a unit") for p in found)
    assert any(p.startswith("stocks.csv, line 4, column 'tank': 'tank' must be a stock") for p in found)


def test_a_stock_of_a_unit_with_a_bad_key_is_no_second_problem(tmp_path: Path) -> None:
    """The row of a tank that could not be read is not called unknown as well."""
    site = SITE.replace('name = "tank_a"', 'name = "tank_a"\ncolour = "red"')
    found = problems_of(write(tmp_path, {"site.toml": site}))
    assert [problem for problem in found if problem.startswith("stocks.csv")] == []
    assert len(found) == 1


def test_a_level_in_percent_is_that_of_the_tanks_in_service(tmp_path: Path) -> None:
    """One of two soda tanks is out at the start: 50 % are half the tonnes they would be with both."""
    tank = """
[[unit]]
kind = "alkali_tank"
name = "soda"
commodity = "naoh_50"
tanks = 2
tank_m3 = 100
species = "NaOH"
strength_percent = 50
temperature_c = 40
"""
    out = "unit,what,value,start,end\nsoda,tanks,1,2026-11-26T00:00,2026-11-26T08:00\n"
    files = {
        "site.toml": SITE.replace('[[unit]]\nkind = "toy_room"', tank + '\n[[unit]]\nkind = "toy_room"'),
        "stocks.csv": "tank,level_t,level_percent\ntank_a,10,\nsalt,20,\nsoda,,50\n",
    }
    both = read(write(tmp_path, files)).situation.stocks["soda"]
    one = read(write(tmp_path, {**files, "availability.csv": out})).situation.stocks["soda"]
    assert one == pytest.approx(both / 2.0)
