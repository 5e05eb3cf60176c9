"""Small valid works, drawn at random: the ground on which the fuzz suite stands."""

from __future__ import annotations

import csv
import datetime as dt
import io
import random
import re
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import openpyxl

from tests.fuzz_odd import CHLORINE_T_PER_KAH, Row, Toml


@dataclass
class Table:
    """A table as rows, and how it is written."""

    rows: list[Row]
    suffix: str = ".csv"
    separator: str = ","
    comma: bool = False
    bom: bool = False
    line_end: str = "\n"
    quoted: bool = False

    @property
    def columns(self) -> list[str]:
        """Names of the columns, in order of appearance."""
        return list(dict.fromkeys(name for row in self.rows for name in row))

    def data(self) -> bytes:
        """Return the file's bytes."""
        if self.suffix == ".xlsx":
            return self._workbook()
        text = io.StringIO()
        how = csv.QUOTE_ALL if self.quoted else csv.QUOTE_MINIMAL
        writer = csv.writer(text, delimiter=self.separator, lineterminator=self.line_end, quoting=how)
        writer.writerow(self.columns)
        for row in self.rows:
            writer.writerow([self._cell(row.get(name, "")) for name in self.columns])
        return (b"\xef\xbb\xbf" if self.bom else b"") + text.getvalue().encode("utf-8", "replace")

    def _cell(self, value: Any) -> str:
        if isinstance(value, float) and self.comma:
            return repr(value).replace(".", ",")
        return str(value)

    def _workbook(self) -> bytes:
        book = openpyxl.Workbook()
        sheet = book.worksheets[0]
        control = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
        for y, values in enumerate([self.columns, *([r.get(c) for c in self.columns] for r in self.rows)], 1):
            for x, value in enumerate(values, 1):
                text = control.sub("", value)[:32000] if isinstance(value, str) else value
                cell = sheet.cell(y, x, text)
                if isinstance(text, str):
                    cell.data_type = "s"
        stream = io.BytesIO()
        book.save(stream)
        return stream.getvalue()


@dataclass
class Drawn:
    """One case: files, the command, and what was done to it."""

    seed: int
    kind: str = ""
    day: dt.date = dt.date(2026, 6, 8)
    site: Toml = field(default_factory=dict)
    tables: dict[str, Table] = field(default_factory=dict)
    files: dict[str, bytes] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    command: str = "plan"
    odd_paths: dict[str, str] = field(default_factory=dict)
    done: list[str] = field(default_factory=list)
    damaged: bool = False


# ---------------------------------------------------------------- small works


def circuit(rng: random.Random, **changes: Any) -> Toml:
    """Return a membrane circuit of about 4 to 16 kA."""
    return {
        "kind": "circuit",
        "name": "room_a",
        "technology": "membrane_zero_gap",
        "salt": "NaCl",
        "cells_in_series": rng.randint(120, 170),
        "electrolysers_in_parallel": 1,
        "area_m2": 2.8,
        "density_min_ka_per_m2": 1.6,
        "density_max_ka_per_m2": 5.8,
        "voltage": {"intercept_v": 2.44, "k_v_m2_per_ka": 0.12},
        "efficiency": {"ce0": 0.965, "leakage_ka_per_m2": 0.03},
        "rectifier": {"units": 1, "unit_load_max_ka": 17.0, "dc_voltage_max_v": 560.0},
        "alkali": "naoh_32",
        "chlorine": "chlorine",
        "auxiliary_fixed_mw": 0.3,
        "auxiliary_kwh_per_t": 45.0,
        **changes,
    }


def works(rng: random.Random, drawn: Drawn) -> None:
    """Fill a case with one of a few small works, whose duties a constant load can meet."""
    drawn.kind = rng.choice(["store", "store", "soda", "soda", "mercury", "liquid"])
    day = dt.date.fromisoformat(
        rng.choices(
            ["2026-06-08", "2026-03-29", "2026-10-25", "2026-06-30", "2028-02-29", "2026-12-31"],
            [12, 1, 1, 1, 1, 1],
        )[0]
    )
    drawn.day = day
    ahead = 1 if rng.random() < 0.06 else 0
    minutes = rng.choices([60, 30], [12, 1])[0]
    room = circuit(rng)
    made = 10.5 * room["cells_in_series"] * CHLORINE_T_PER_KAH * 0.955
    units: list[Toml] = [room]
    stocks: list[Row] = []
    orders: list[Row] = []
    if rng.random() < 0.5:
        room.update(ramp_ka_per_min=0.2, ramp_minutes=15.0)
    if drawn.kind == "mercury":
        units.append(
            circuit(
                rng,
                name="room_m",
                technology="mercury",
                cells_in_series=20,
                area_m2=10.0,
                density_min_ka_per_m2=4.5,
                density_max_ka_per_m2=11.0,
                voltage={"intercept_v": 3.15, "k_v_m2_per_ka": 0.09},
                efficiency={"ce0": 0.97, "leakage_ka_per_m2": 0.1, "hydrogen": 0.97},
                rectifier={"units": 4, "unit_load_max_ka": 30.0, "dc_voltage_max_v": 120.0},
                alkali="naoh_50",
            )
        )
        units.append({"kind": "outlet", "name": "strong_out", "commodity": "naoh_50", "rate_max_per_h": 1e4})
        made += 78.0 * 20 * CHLORINE_T_PER_KAH * 0.95
    if drawn.kind in ("store", "mercury"):
        share = 1.0
        units += [
            {"kind": "outlet", "name": "soda_out", "commodity": "naoh_32", "rate_max_per_h": 1e4},
            {
                "kind": "product_store",
                "name": "store",
                "commodity": "chlorine",
                "min_t": 5.0,
                "max_t": 60.0,
                "end_min_t": 25.0,
            },
        ]
        stocks.append({"tank": "store", "level_t": rng.uniform(26.0, 34.0)})
    elif drawn.kind == "soda":
        share = 1.0
        units.append(
            {
                "kind": "alkali_tank",
                "name": "soda_tank",
                "commodity": "naoh_32",
                "tanks": 1,
                "tank_m3": 450.0,
                "species": "NaOH",
                "strength_percent": 32.0,
                "temperature_c": 70.0,
                "min_percent": 8.0,
                "max_percent": 90.0,
                "end_min_t": 70.0,
            }
        )
        stocks.append({"tank": "soda_tank", "level_percent": rng.uniform(45.0, 60.0), "temperature_c": 70.0})
        for i, (first, last) in enumerate(((6, 14), (14, 22))):
            orders.append(
                {
                    "order": f"soda_{i}",
                    "product": "naoh_32",
                    "mode": "road",
                    "quantity_t": rng.uniform(20.0, 30.0),
                    "window_start": f"{day}T{first:02}:00",
                    "window_end": f"{day}T{last:02}:00",
                    "customer": "road customers",
                    "note": "",
                    "rate_max_t_per_h": 14.0,
                }
            )
        if rng.random() < 0.15:
            room.update(step_ka=0.2, changes_per_day=6, dwell_minutes=60.0)
    else:
        share = 0.7
        room["chlorine"] = "chlorine_wet"
        units += [
            {
                "kind": "compressor",
                "name": "compressors",
                "machines": 2,
                "capacity_t_per_h": 2.0,
                "surge_share": 0.68,
                "kwh_per_t": 30.0,
            },
            {"kind": "liquefier", "name": "liquefier", "feed_min_t_per_h": 0.1, "feed_max_t_per_h": 2.0},
            {"kind": "outlet", "name": "tail", "commodity": "tail_gas", "rate_max_per_h": 10.0},
            {
                "kind": "chlorine_store",
                "name": "liquid_store",
                "vessels": 2,
                "vessel_t": 40.0,
                "empty_vessels": 1,
                "permit_t": 45.0,
                "cover_min_t": 3.0,
            },
            {"kind": "outlet", "name": "soda_out", "commodity": "naoh_32", "rate_max_per_h": 1e4},
        ]
        stocks.append({"tank": "liquid_store", "level_t": rng.uniform(8.0, 14.0)})
        orders.append(
            {
                "order": "wagon_1",
                "product": "chlorine_liquid",
                "mode": "rail",
                "quantity_t": rng.uniform(6.0, 12.0),
                "window_start": f"{day}T08:00",
                "window_end": f"{day}T20:00",
                "customer": "rail customers",
                "note": "",
                "rate_max_t_per_h": 4.0,
            }
        )
    rate = round(share * made, 3)
    units += [
        {
            "kind": "pipeline",
            "name": "neighbour",
            "commodity": "chlorine",
            "nominal_t_per_h": rate,
            "min_t_per_h": round(0.7 * rate, 3),
            "max_t_per_h": round(1.2 * rate, 3),
            "ramp_t_per_h_per_h": 0.6,
            "daily_tolerance_percent": 2.0,
        },
        {
            "kind": "outlet",
            "name": "hydrogen_out",
            "commodity": "hydrogen",
            "rate_max_per_h": 300.0,
            "credit": 0.5,
        },
        {"kind": "site_meter", "name": "meter", "import_max_mw": 40.0},
    ]
    if rng.random() < 0.25:
        units.append(
            {
                "kind": "own_use",
                "name": "other_load",
                "commodity": "power",
                "unit": "MW",
                **rng.choice([{"rate_per_h": 1.0}, {"series": "other"}]),
            }
        )
    drawn.site = {
        "name": "Small works (invented)",
        "timezone": "Europe/Berlin",
        "currency": "XTS",
        "meter": "meter_import",
        "notes": ["Invented for tests."],
        "horizon": {"day": day, "minutes": minutes, "look_ahead_days": ahead, "look_ahead_minutes": 60},
        "unit": units,
    }
    span = (1 + ahead) * 24 + 3
    zone = ZoneInfo("Europe/Berlin")
    first = dt.datetime.combine(day, dt.time(), zone).astimezone(dt.UTC)
    hours = [
        (first + dt.timedelta(hours=h)).astimezone(zone).isoformat(timespec="minutes") for h in range(span)
    ]
    drawn.tables["prices"] = Table(
        [
            {"start": t, "minutes": 60, "price_per_mwh": round(rng.uniform(20, 90) + 20 * ((i // 6) % 2), 2)}
            for i, t in enumerate(hours)
        ]
    )
    drawn.tables["stocks"] = Table(stocks)
    if orders:
        drawn.tables["orders"] = Table(orders)
    terms(rng, drawn)
    further(rng, drawn, hours, day)


def terms(rng: random.Random, drawn: Drawn) -> None:
    """Give a case a contract, inside the site file or in a file of its own."""
    month = f"{drawn.site['horizon']['day']:%Y-%m}"
    parts: list[Toml] = [
        {"kind": "spot", "name": "spot", "adders_per_mwh": [{"name": "grid", "per_mwh": 8.0}]}
    ]
    more = rng.choice(["", "", "demand", "capacity", "fixed", "blocks", "levies", "take"])
    if more == "demand":
        parts.append({"kind": "demand", "name": "demand", "per_mw_month": 3000.0, "metering_minutes": 15})
        drawn.tables["peaks"] = Table(
            [{"component": "demand", "month": month, "peak_mw": 5.0, "target_mw": 6.5}]
        )
    elif more == "capacity":
        parts.append({"kind": "capacity", "name": "capacity", "per_mw": 5900.0, "metering_minutes": 15})
        drawn.tables["state"] = Table([{"component": "capacity", "period": month, "peak_mw": 5.0}])
    elif more == "fixed":
        parts.append({"kind": "fixed", "name": "fee", "per_month": 100.0})
    elif more == "blocks":
        parts.append(
            {
                "kind": "blocks",
                "name": "blocks",
                "resale_fee_per_mwh": 1.0,
                "blocks": [{"name": "base", "volume_mw": 3.0, "per_mwh": 60.0}],
            }
        )
    elif more == "levies":
        parts.append({"kind": "levies", "name": "levies", "adders": [{"name": "tax", "per_mwh": 20.5}]})
    elif more == "take":
        parts.append(
            {"kind": "take_or_pay", "name": "take", "quantity_mwh": 2000.0, "percent": 90.0, "per_mwh": 12.0}
        )
        drawn.tables["state"] = Table(
            [{"component": "take", "period": month[:4], "energy_mwh": 900.0, "rest_mwh": 900.0}]
        )
    if rng.random() < 0.15:
        parts[0] = {
            "kind": "time_of_use",
            "name": "energy",
            "bands": [
                {"name": "day", "per_mwh": 92.0, "from_time": "08:00", "to_time": "20:00"},
                {"name": "night", "per_mwh": 54.0, "from_time": "20:00", "to_time": "08:00"},
            ],
        }
    contract: Toml = {"name": "Test terms (invented)"}
    if rng.random() < 0.3:
        head = {**contract, "currency": "XTS", "timezone": "Europe/Berlin"}
        drawn.site["contract_file"] = "contract.toml"
        drawn.files["contract"] = b""
        drawn.names["contract"] = "contract.toml"
        drawn.tables["contract"] = Table([{**head, "component": parts}], ".toml")
    else:
        drawn.site["contract"] = {**contract, "component": parts}


def further(rng: random.Random, drawn: Drawn, hours: list[str], day: dt.date) -> None:
    """Add the other roles of files, each now and then."""
    if any("series" in unit for unit in drawn.site["unit"]):
        drawn.tables["profiles"] = Table(
            [{"start": t, "minutes": 60, "series": "other", "value": rng.uniform(0.5, 1.5)} for t in hours]
        )
    if rng.random() < 0.3:
        value = rng.choice([("load_max_ka", 13.0), ("in_service", 1), ("rectifier_units", 1)])
        first = rng.randint(0, 20)
        drawn.tables["availability"] = Table(
            [
                {
                    "unit": "room_a",
                    "what": value[0],
                    "value": value[1],
                    "start": f"{day}T{first:02}:00",
                    "end": f"{day}T{first + rng.randint(1, 3):02}:00",
                    "note": "cleaned",
                }
            ]
        )
    if rng.random() < 0.15:
        eve = day - dt.timedelta(days=1)
        drawn.tables["loads"] = Table(
            [
                {"start": f"{eve}T{h:02}:00", "minutes": 60, "circuit": "room_a", "load_ka": 10.5}
                for h in range(4, 24)
            ]
        )
    if rng.random() < 0.1:
        drawn.tables["locks"] = Table(
            [{"start": hours[h], "minutes": 60, "circuit": "room_a", "load_ka": 10.4} for h in (6, 7)]
        )
    if rng.random() < 0.1:
        nominal = next(unit["nominal_t_per_h"] for unit in drawn.site["unit"] if unit["name"] == "neighbour")
        drawn.tables["takes"] = Table(
            [{"start": hours[0], "minutes": 60, "customer": "neighbour", "take_t_per_h": nominal}]
        )
