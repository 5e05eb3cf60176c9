"""A US utility rate as an open JSON record (Utility Rate Database layout, version 3-8), as a contract file.

Owns the layout of the record, what of it a contract can hold, and the account of what it cannot: nothing is
dropped in silence. A record is input to verify, not the truth: what looks like a usual mistake is told.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from models.contract.calendar import METERING_MINUTES
from scheduler.read.files import Source, text_of
from scheduler.read.problems import Problems

WEEKDAYS, WEEKENDS = ("weekday", "holiday"), ("saturday", "sunday")
"""Day types of the record's two schedules; it knows no holidays, so they stand with the weekdays."""

KWH_PER_MWH = 1000.0

_DESCRIPTIVE = (
    "label",
    "uri",
    "utility",
    "eiaid",
    "name",
    "sector",
    "servicetype",
    "description",
    "source",
    "sourceparent",
    "approved",
    "is_default",
    "revisions",
    "supersedes",
    "country",
    "rate",
    "phasewiring",
    "voltagecategory",
    "startdate",
    "enddate",
    "dgrules",
)
"""Keys that describe the record and charge nothing."""
_ELIGIBILITY = (
    "peakkwcapacitymin",
    "peakkwcapacitymax",
    "peakkwcapacityhistory",
    "peakkwhusagemin",
    "peakkwhusagemax",
    "peakkwhusagehistory",
    "voltageminimum",
    "voltagemaximum",
)
"""Keys that say for whom the rate is."""
_COMMENTS = ("basicinformationcomments", "energycomments", "demandcomments")
_READ = (
    "energyratestructure",
    "energyweekdayschedule",
    "energyweekendschedule",
    "demandratestructure",
    "demandweekdayschedule",
    "demandweekendschedule",
    "demandrateunit",
    "demandunits",
    "demandwindow",
    "demandratchetpercentage",
    "flatdemandstructure",
    "flatdemandmonths",
    "flatdemandunit",
    "flatdemandunits",
    "demandreactivepowercharge",
    "fixedmonthlycharge",
    "fixedchargefirstmeter",
    "fixedchargeunits",
    "minmonthlycharge",
    "annualmincharge",
)

Schedule = tuple[tuple[int, ...], ...]
"""Period of each hour of each month: 12 rows of 24."""


@dataclass
class ImportedRate:
    """A contract file made from a record, and the account of what it holds.

    Parameters
    ----------
    toml : str
        Text of the contract file. [-]
    left_out : list of str
        What the contract cannot hold: the bill lacks it. [-]
    doubts : list of str
        What it holds but should be verified. [-]
    """

    toml: str = ""
    left_out: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)


def read_rate_record(source: Source, problems: Problems, timezone: str | None = None) -> ImportedRate | None:
    """Return a contract file made from a rate record.

    Parameters
    ----------
    source : Source
        JSON file: one record, or an answer of the service with one item. [-]
    problems : Problems
        Takes what makes the record unreadable. [-]
    timezone : str, optional
        IANA name of the zone of the clock; the record has none. [-]

    Returns
    -------
    ImportedRate or None
        The contract and its account; None if the record cannot be read. [-]
    """
    text = text_of(source, problems)
    if text is None:
        return None
    try:
        record = json.loads(text)
    except RecursionError:
        problems.add(source.name, "", "the file cannot be read as JSON: lists are nested too deeply")
        return None
    except ValueError as error:
        problems.add(source.name, "", f"the file cannot be read as JSON: {error}")
        return None
    if isinstance(record, dict) and isinstance(record.get("items"), list):
        items = record["items"]
        if len(items) != 1:
            problems.add(source.name, "items", f"must hold one record (got {len(items)}); keep one")
            return None
        record = items[0]
    if not isinstance(record, dict) or not any(key in record for key in _READ):
        problems.add(source.name, "", "must be a rate record: an object with 'energyratestructure' and so on")
        return None
    writer = _Importer(source.name, record, problems)
    before = len(problems)
    imported = writer.imported(timezone)
    return imported if len(problems) == before else None


@dataclass(frozen=True)
class _Window:
    """Months, day types and hours in which one period holds."""

    months: tuple[int, ...]
    day_types: tuple[str, ...]
    from_hour: int
    to_hour: int


class _Importer:
    """Reads one record; holds what its steps share."""

    def __init__(self, file: str, record: Mapping[str, Any], problems: Problems) -> None:
        self.file, self.record, self.problems = file, record, problems
        self.result = ImportedRate()
        self.tables: list[str] = []

    def imported(self, timezone: str | None) -> ImportedRate:
        self._energy()
        self._demand()
        self._flat_demand()
        self._reactive()
        self._fixed()
        self._minimum()
        self._others()
        self.result.toml = self._head(timezone) + "".join(self.tables)
        if not self.tables:
            self.problems.add(self.file, "", "nothing of the record can be held by a contract")
        return self.result

    # ------------------------------------------------------------------------------ pieces of a record

    def _left_out(self, text: str) -> None:
        self.result.left_out.append(text)

    def _doubt(self, text: str) -> None:
        self.result.doubts.append(text)

    def _schedule(self, key: str) -> Schedule | None:
        value = self.record.get(key)
        good = (
            isinstance(value, list)
            and len(value) == 12
            and all(isinstance(row, list) and len(row) == 24 for row in value)
            and all(isinstance(period, int) and period >= 0 for row in value for period in row)
        )
        if not good or not isinstance(value, list):
            self.problems.add(self.file, key, "must be 12 rows of 24 whole numbers, one period for each hour")
            return None
        return tuple(tuple(row) for row in value)

    def _structure(self, key: str) -> list[list[Mapping[str, Any]]] | None:
        value = self.record.get(key)
        if (
            not isinstance(value, list)
            or not value
            or not all(isinstance(tiers, list) and tiers for tiers in value)
            or not all(isinstance(tier, dict) for tiers in value for tier in tiers)
        ):
            self.problems.add(self.file, key, "must be a list of periods, each a list of tiers")
            return None
        return value

    def _number(self, tier: Mapping[str, Any], key: str, where: str) -> float:
        value = tier.get(key, 0.0)
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.problems.add(self.file, where, f"'{key}' must be a number (got {value!r})")
            return 0.0
        return float(value)

    def _price(self, tier: Mapping[str, Any], where: str) -> float:
        return self._number(tier, "rate", where) + self._number(tier, "adj", where)

    def _per_mwh(self, tier: Mapping[str, Any], where: str) -> float:
        # Ten cents are 0.1 of a dollar, and 100.0 per MWh, without the noise of the product.
        return round(KWH_PER_MWH * self._price(tier, where), 9)

    # ------------------------------------------------------------------------------ energy

    def _energy(self) -> None:
        if "energyratestructure" not in self.record:
            return
        structure = self._structure("energyratestructure")
        weekday = self._schedule("energyweekdayschedule")
        weekend = self._schedule("energyweekendschedule")
        if structure is None or weekday is None or weekend is None:
            return
        used = sorted({period for schedule in (weekday, weekend) for row in schedule for period in row})
        if used[-1] >= len(structure):
            self.problems.add(
                self.file, "energyweekdayschedule", f"names period {used[-1]}, which the structure lacks"
            )
            return
        self._odd_weekends("energy", weekday, weekend)
        for period in used:
            for number, tier in enumerate(structure[period]):
                where = f"energyratestructure, period {period}, tier {number}"
                if self._number(tier, "sell", where):
                    self._left_out(f"{where}: 'sell', a price for export ({tier['sell']} $/kWh)")
                unit = tier.get("unit", "kWh")
                if unit != "kWh":
                    self._left_out(f"{where}: tiers counted in '{unit}', not in kWh of a month")
        tiered = [period for period in used if len(structure[period]) > 1]
        if tiered and len(used) == 1:
            self._tiers(structure[used[0]])
            return
        if tiered:
            self._left_out(
                f"energyratestructure, periods {tiered}: tiers inside of several periods; only the first "
                "tier's price is taken"
            )
        bands = []
        for period in used:
            tier = structure[period][0]
            price = self._per_mwh(tier, f"energyratestructure, period {period}, tier 0")
            for window in _windows(weekday, weekend, period):
                bands.append(f"    {_band(f'period_{period}', price, window)},\n")
        self.tables.append(
            '\n[[component]]\nkind = "time_of_use"\nname = "energy"\nbands = [\n' + "".join(bands) + "]\n"
        )

    def _tiers(self, tiers: Sequence[Mapping[str, Any]]) -> None:
        lines = []
        for number, tier in enumerate(tiers):
            where = f"energyratestructure, period 0, tier {number}"
            price = self._per_mwh(tier, where)
            last = number == len(tiers) - 1
            most = self._number(tier, "max", where)
            if last and most:
                self._doubt(f"{where}: the last tier ends at {most:g} kWh; taken as without end")
            end = "" if last else f", up_to_mwh = {most / KWH_PER_MWH!r}"
            lines.append(f"    {{ per_mwh = {price!r}{end} }},\n")
        self.tables.append(
            '\n[[component]]\nkind = "energy_tiers"\nname = "energy"\nper = "month"\ntiers = [\n'
            + "".join(lines)
            + "]\n"
        )

    def _odd_weekends(self, what: str, weekday: Schedule, weekend: Schedule) -> None:
        """Tell weekends that point to a period of another season: a usual mistake of records."""
        seasons: dict[tuple[int, ...], list[int]] = {}
        for month, row in enumerate(weekday, 1):
            seasons.setdefault(row, []).append(month)
        if len(seasons) < 2:
            return
        for row, months in seasons.items():
            own = set(row)
            elsewhere = {p for other in seasons if other != row for p in other} - own
            for month in months:
                strange = sorted(set(weekend[month - 1]) & elsewhere)
                if strange:
                    self._doubt(
                        f"the weekend of month {month} points to {what} period {strange[0]}, which on "
                        f"weekdays belongs to other months than {months}: likely a mistake of the record"
                    )
            rows = {weekend[month - 1] for month in months}
            if len(rows) > 1:
                common = max(rows, key=lambda r: sum(weekend[m - 1] == r for m in months))
                odd = [m for m in months if weekend[m - 1] != common]
                self._doubt(
                    f"months {odd} have another weekend of {what} than the other months with the same "
                    f"weekdays ({[m for m in months if m not in odd]})"
                )

    # ------------------------------------------------------------------------------ demand

    def _minutes(self) -> int:
        window = self.record.get("demandwindow")
        if window in METERING_MINUTES:
            return int(window)
        if window is None:
            self._doubt("the record states no 'demandwindow': metering periods of 15 minutes are taken")
        else:
            self._left_out(f"'demandwindow' of {window} minutes: metering periods of 15 minutes are taken")
        return 15

    def _measure(self, key: str) -> str | None:
        unit = self.record.get(key, self.record.get(f"{key}s", "kW"))
        if unit == "kW":
            return ""
        if unit == "kVA":
            self._doubt(f"'{key}' is kVA: state the site's 'power_factor' in the component")
            return 'measure = "kva"\npower_factor = 1.0\n'
        self._left_out(f"'{key}' is '{unit}', which no component bills: that demand charge is left out")
        return None

    def _ratchet(self) -> str:
        shares = self.record.get("demandratchetpercentage")
        if not isinstance(shares, list) or not any(shares):
            return ""
        if len(set(shares)) > 1:
            self._left_out(f"'demandratchetpercentage' differs by month ({shares})")
            return ""
        share = float(shares[0])
        percent = 100.0 * share if share <= 1.0 else share
        self._doubt(f"a ratchet of {percent:g} % is taken over the 11 months before: verify the look-back")
        return f"ratchet_percent = {percent!r}\nratchet_periods = 11\n"

    def _demand_price(self, tiers: Sequence[Mapping[str, Any]], where: str) -> str | None:
        """Return the keys of a price of demand, tiers included; None where nothing is charged."""
        prices = [self._per_mwh(tier, f"{where}, tier {number}") for number, tier in enumerate(tiers)]
        if not any(prices):
            return None
        text = f"per_mw = {prices[0]!r}\n"
        if len(tiers) == 1:
            return text
        ends = [self._number(tier, "max", where) for tier in tiers[:-1]]
        rising, falling = sorted(prices), sorted(prices, reverse=True)
        if prices not in (rising, falling) or ends != sorted(set(ends)) or not ends[0]:
            self._left_out(
                f"{where}: tiers of demand whose prices or ends are in no order; the first price is taken"
            )
            return text if prices[0] else None
        self._doubt(f"{where}: tiers of demand: each price is taken for its own part of the highest demand")
        listed = ", ".join(
            f"{{ above_mw = {end / KWH_PER_MWH!r}, per_mw = {price!r} }}"
            for end, price in zip(ends, prices[1:], strict=True)
        )
        return f"{text}tiers = [{listed}]\n"

    def _reactive(self) -> None:
        price = self._number(self.record, "demandreactivepowercharge", "demandreactivepowercharge")
        if not price:
            return
        self._doubt(
            "'demandreactivepowercharge' is taken for the highest mean of all reactive power, none of it "
            "free: state the site's 'power_factor' in the component, or give a profile with reactive power"
        )
        self.tables.append(
            '\n[[component]]\nkind = "capacity"\nname = "reactive_demand"\n'
            f"per_mw = {round(KWH_PER_MWH * price, 9)!r}\nmetering_minutes = {self._minutes()}\n"
            'measure = "kvar"\npower_factor = 1.0\n'
        )

    def _demand(self) -> None:
        if not self.record.get("demandratestructure"):
            return
        structure = self._structure("demandratestructure")
        weekday = self._schedule("demandweekdayschedule")
        weekend = self._schedule("demandweekendschedule")
        measure = self._measure("demandrateunit")
        if structure is None or weekday is None or weekend is None or measure is None:
            return
        self._odd_weekends("demand", weekday, weekend)
        self._double_demand(structure, weekday, weekend)
        minutes, ratchet = self._minutes(), self._ratchet()
        used = sorted({period for schedule in (weekday, weekend) for row in schedule for period in row})
        for period in used:
            if period >= len(structure):
                self.problems.add(
                    self.file, "demandweekdayschedule", f"names period {period}, which the structure lacks"
                )
                continue
            where = f"demandratestructure, period {period}"
            price = self._demand_price(structure[period], where)
            if price is None:
                continue
            for number, windows in enumerate(_by_months(weekday, weekend, period), 1):
                if len(windows) > 1:
                    self._left_out(
                        f"{where}, months {list(windows[0].months)}: its highest demand counts over several "
                        "windows of the clock, which no component does"
                    )
                    continue
                (window,) = windows
                self.tables.append(
                    f'\n[[component]]\nkind = "capacity"\nname = "demand_{period}_{number}"\n'
                    f"{price}metering_minutes = {minutes}\n{measure}{ratchet}"
                    f"{_window_keys(window)}"
                )

    def _double_demand(
        self, structure: list[list[Mapping[str, Any]]], weekday: Schedule, weekend: Schedule
    ) -> None:
        """Tell demand periods of the same months: records write 'maximum plus on-peak' that way too."""
        for month in range(12):
            charged = sorted(
                period
                for period in {*weekday[month], *weekend[month]}
                if period < len(structure)
                and self._price(structure[period][0], f"demandratestructure, period {period}")
            )
            if len(charged) > 1:
                prices = ", ".join(f"period {p} {self._price(structure[p][0], ''):g}" for p in charged)
                self._doubt(
                    f"several demand periods are charged in the same month ({prices} $/kW in month "
                    f"{month + 1}): each is billed on the highest demand inside its own hours and all are "
                    "added. Records also write 'maximum demand plus on-peak demand' so, or repeat one "
                    "adjustment in each period; then this counts twice. Verify with the utility's sheet"
                )
                return

    def _flat_demand(self) -> None:
        if not self.record.get("flatdemandstructure"):
            return
        structure = self._structure("flatdemandstructure")
        months = self.record.get("flatdemandmonths", [0] * 12)
        measure = self._measure("flatdemandunit")
        if structure is None or measure is None:
            return
        if (
            not isinstance(months, list)
            or len(months) != 12
            or not all(isinstance(p, int) and 0 <= p < len(structure) for p in months)
        ):
            self.problems.add(self.file, "flatdemandmonths", "must be 12 periods of 'flatdemandstructure'")
            return
        minutes, ratchet = self._minutes(), self._ratchet()
        for period in sorted(set(months)):
            where = f"flatdemandstructure, period {period}"
            price = self._demand_price(structure[period], where)
            if price is None:
                continue
            held = [month for month, found in enumerate(months, 1) if found == period]
            seasons = "" if len(held) == 12 else f"seasons = {held}\n"
            self.tables.append(
                f'\n[[component]]\nkind = "capacity"\nname = "flat_demand_{period}"\n{price}'
                f"metering_minutes = {minutes}\n{measure}{ratchet}{seasons}"
            )

    # ------------------------------------------------------------------------------ the rest

    def _fixed(self) -> None:
        unit = self.record.get("fixedchargeunits", "$/month")
        amounts = {
            key: self._number(self.record, key, key)
            for key in ("fixedmonthlycharge", "fixedchargefirstmeter")
            if self.record.get(key)
        }
        if len(amounts) == 2 and len(set(amounts.values())) == 1:
            self._doubt("'fixedmonthlycharge' and 'fixedchargefirstmeter' are the same: charged once")
            del amounts["fixedmonthlycharge"]
        for key, amount in amounts.items():
            per = "$/month" if key == "fixedmonthlycharge" else unit
            if per not in ("$/month", "$/day", "$/year"):
                self._left_out(f"'{key}' of {amount!r} in '{per}'")
                continue
            entry = {
                "$/month": f"per_month = {amount!r}",
                "$/day": f"per_day = {amount!r}",
                "$/year": f"per_month = {amount / 12.0!r}",
            }[per]
            self.tables.append(f'\n[[component]]\nkind = "fixed"\nname = "{key}"\n{entry}\n')

    def _minimum(self) -> None:
        for key, per in (("minmonthlycharge", "month"), ("annualmincharge", "year")):
            amount = self._number(self.record, key, key) if self.record.get(key) else 0.0
            if amount == 0.0:
                continue
            if amount < 0.0 or not self.tables:
                self._left_out(f"'{key}' of {amount!r}: a minimum must be above 0 and of some other charge")
                continue
            self.tables.append(
                f'\n[[component]]\nkind = "minimum_bill"\nname = "{key}"\nleast = {amount!r}\nper = "{per}"\n'
            )
            self._doubt(
                f"'{key}' is taken as a minimum of all charges of the calendar {per}: verify which charges "
                "count, and when the period begins"
            )

    def _others(self) -> None:
        for key in _COMMENTS:
            if self.record.get(key):
                self._doubt(f"'{key}' may hold rules in words: {self.record[key]}")
        eligible = [f"{key} = {self.record[key]}" for key in _ELIGIBILITY if self.record.get(key) is not None]
        if eligible:
            self._doubt(f"the rate is for some customers only: {', '.join(eligible)}")
        known = {*_DESCRIPTIVE, *_ELIGIBILITY, *_COMMENTS, *_READ}
        for key, value in self.record.items():
            empty = value in (None, "", 0, 0.0, False) or (isinstance(value, list) and not _any(value))
            if key not in known and not empty:
                shown = json.dumps(value)
                self._left_out(f"'{key}' = {shown if len(shown) <= 80 else shown[:77] + '...'}")
        self._doubt("the record knows no holidays and no half hours: they stand with weekdays and full hours")

    def _head(self, timezone: str | None) -> str:
        name = " ".join(str(self.record[key]) for key in ("utility", "name") if self.record.get(key))
        begins = self.record.get("startdate")
        dated = ""
        if isinstance(begins, int | float) and not isinstance(begins, bool):
            day = dt.datetime.fromtimestamp(float(begins), dt.UTC).date()
            dated = f", effective {day.isoformat()}"
        label = self.record.get("label")
        notes = [
            f"Imported from rate record {label or 'without label'}{dated}: verify with the utility's sheet.",
            *(f"NOT IN THIS CONTRACT: {text}" for text in self.result.left_out),
            *(f"Verify: {text}" for text in self.result.doubts),
        ]
        zone = f"timezone = {json.dumps(timezone)}\n" if timezone else ""
        listed = "".join(f"    {json.dumps(note)},\n" for note in notes)
        return (
            f'name = {json.dumps(name or "imported rate")}\ncurrency = "USD"\n{zone}round_digits = 2\n'
            f"notes = [\n{listed}]\n"
        )


def _any(value: object) -> bool:
    if isinstance(value, list):
        return any(_any(item) for item in value)
    return value not in (None, "", 0, 0.0, False)


def _runs(hours: Sequence[bool]) -> list[tuple[int, int]]:
    """Return the runs of hours that hold, one that wraps midnight joined; an end of 24 is midnight."""
    if all(hours):
        return [(0, 24)]
    runs: list[tuple[int, int]] = []
    for hour, holds in enumerate(hours):
        if holds and runs and runs[-1][1] == hour:
            runs[-1] = (runs[-1][0], hour + 1)
        elif holds:
            runs.append((hour, hour + 1))
    if len(runs) > 1 and runs[0][0] == 0 and runs[-1][1] == 24:
        runs = [*runs[1:-1], (runs[-1][0], runs[0][1])]
    return runs


def _by_months(weekday: Schedule, weekend: Schedule, period: int) -> list[list[_Window]]:
    """Return the windows of a period, months with the same hours together."""
    groups: dict[tuple[tuple[bool, ...], tuple[bool, ...]], list[int]] = {}
    for month in range(12):
        hours = (
            tuple(found == period for found in weekday[month]),
            tuple(found == period for found in weekend[month]),
        )
        if any(hours[0]) or any(hours[1]):
            groups.setdefault(hours, []).append(month + 1)
    found = []
    for (on_weekdays, on_weekends), months in groups.items():
        held = tuple(months) if len(months) < 12 else ()
        kinds: list[tuple[tuple[str, ...], tuple[bool, ...]]]
        if on_weekdays == on_weekends:
            kinds = [((), on_weekdays)]
        else:
            kinds = [(WEEKDAYS, on_weekdays), (WEEKENDS, on_weekends)]
        found.append(
            [_Window(held, days, start, end) for days, hours in kinds for start, end in _runs(hours)]
        )
    return found


def _windows(weekday: Schedule, weekend: Schedule, period: int) -> list[_Window]:
    return [window for group in _by_months(weekday, weekend, period) for window in group]


def _band(name: str, price: float, window: _Window) -> str:
    keys = _window_keys(window).strip().replace("\n", ", ")
    return f'{{ name = "{name}", per_mwh = {price!r}{", " + keys if keys else ""} }}'


def _window_keys(window: _Window) -> str:
    text = ""
    if window.months:
        text += f"seasons = {list(window.months)}\n"
    if window.day_types:
        text += f"day_types = {json.dumps(list(window.day_types))}\n"
    if (window.from_hour, window.to_hour) != (0, 24):
        text += f'from_time = "{window.from_hour:02d}:00"\nto_time = "{window.to_hour:02d}:00"\n'
    return text
