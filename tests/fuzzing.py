"""Cases for the fuzz suite: a small valid works, hurt in 0 to 3 ways, run through the command line.

Owns the drawing of a case and the judging of what it ended in. Expected limits are taken from the drawn site
itself, never from the project's reader. One case again, with what it printed:

    python -m tests.fuzzing SEED

A long run: `python -m tests.fuzzing FIRST COUNT`.
"""

from __future__ import annotations

import contextlib
import copy
import csv
import datetime as dt
import html.parser
import io
import itertools
import json
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import tomllib
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock
from zoneinfo import ZoneInfo

import click
import openpyxl
import tomlkit
from click.testing import CliRunner

import scheduler.highs
import scheduler.report.files
from scheduler.cli.main import main

SECONDS = 120
"""Wall time after which a case counts as hung; the search itself is given 2 s. [s]"""
CHLORINE_T_PER_KAH = 2 * 35.453 / (2 * 96485.33212) * 3.6
"""Chlorine of one cell per kiloampere-hour at full efficiency, by Faraday's law. [t/kAh]"""

Row = dict[str, Any]
Toml = dict[str, Any]

MARKUP = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><b onmouseover=alert(1)>",
    "{{ 7*7 }}{% raw %}",
    "&lt;b&gt;",
)
FORMULAS = (
    "=cmd|' /C calc'!A0",
    "+1+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(1+1)",
    '=HYPERLINK("http://x","y")',
    "\t=1+1",
)
ODD_TEXTS = (
    "‮gnp.exe",
    "a​b﻿c",
    "ünïcödé 工場 🏭",
    "x" * 3000,
    "two\nlines",
    "\x1b[31mred",
    "../../etc/passwd",
    "C:\\nul",
    "%s %n {0} {name}",
    "$(id) `id`",
    "$\\frac{$ 100 $_x$",
    "'; DROP TABLE plans; --",
)
TEXTS = (*MARKUP, *FORMULAS, *ODD_TEXTS)
ODD_NUMBERS = (
    "NaN",
    "nan",
    "inf",
    "-inf",
    "1e308",
    "-1e308",
    "1e309",
    "1e-320",
    "-0",
    "0",
    "",
    "1,5",
    "1.000,5",
    "1'000",
    "\uff11\uff12",
    "\u0663",
    "9" * 400,
    "true",
    "0x10",
    "1_000",
    " 7 ",
    "=1+1",
    "-1",
    "abc",
    "1e9",
    "1.0000001e9",
    "None",
)
ODD_VALUES: tuple[Any, ...] = (
    float("nan"),
    float("inf"),
    -float("inf"),
    1e308,
    -1e308,
    1e-320,
    -0.0,
    0,
    -1,
    10**30,
    "",
    "x",
    True,
    [],
    {},
    [1],
    {"a": 1},
    dt.date(2026, 6, 8),
    dt.time(6),
    [[[[]]]],
    "../../etc/passwd",
    *TEXTS,
)
ODD_TIMES = (
    "2026-06-08",
    "2026-06-08T24:00",
    "2026-02-30T00:00",
    "2026-03-29T02:30",
    "2026-10-25T02:30",
    "2026-06-08T00:00+14:00",
    "2026-06-08T00:00-25:00",
    "9999-12-31T23:59",
    "0001-01-01T00:00",
    "08.06.2026 00:00",
    "2026-06-08T00:00Z",
    "2026-06-08T00:07",
    "2026-06-08T00:00:30",
    "1780869600",
    "\u0662\u0660\u0662\u0666-06-08T00:00",
    "now",
    "2100-12-31T23:59+00:00",
    "2100-12-31T23:59",
    "2000-01-01T00:00",
)
ODD_NAMES = (
    "../../../../etc/passwd",
    "/etc/passwd",
    "/dev/zero",
    "/dev/stdin",
    ".",
    "..",
    "/",
    "~/x.csv",
    "http://x/y.csv",
    "a\0b.csv",
    "x" * 300 + ".csv",
    "-",
    "",
    " ",
    "con.csv",
    "/proc/self/mem",
    "prices.csv/",
    "*",
    "\n",
)


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


# ---------------------------------------------------------------- changes that stay valid


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path of every leaf of nested dicts and lists."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        if isinstance(inner, dict | list) and inner:
            yield from leaves(inner, (*path, key))
        else:
            yield (*path, key)


def holder(value: Any, path: tuple[Any, ...]) -> Any:
    """Return what holds the leaf at a path."""
    for key in path[:-1]:
        value = value[key]
    return value


def other_numbers(rng: random.Random, drawn: Drawn) -> str:
    """Move some numbers of the site by a few percent."""
    paths = [p for p in leaves(drawn.site) if isinstance(holder(drawn.site, p)[p[-1]], float)]
    for path in rng.sample(paths, min(3, len(paths))):
        holder(drawn.site, path)[path[-1]] *= rng.uniform(0.97, 1.03)
    return "numbers of the site"


def other_prices(rng: random.Random, drawn: Drawn) -> str:
    """Make prices negative, wild, flat or very large."""
    rows = drawn.tables["prices"].rows
    how = rng.choice(["shift", "flat", "spike", "zero", "noise", "large"])
    for i, row in enumerate(rows):
        old = float(row["price_per_mwh"])
        row["price_per_mwh"] = {
            "shift": round(old - 60.0, 2),
            "flat": 50.0,
            "spike": rng.choice([-500.0, 4000.0]) if i == len(rows) // 2 else old,
            "zero": 0.0,
            "noise": round(rng.gauss(40.0, 80.0), 2),
            "large": round(old * 50.0, 2),
        }[how]
    return f"prices {how}"


def finer_prices(rng: random.Random, drawn: Drawn) -> str:
    """Write each price as four of 15 minutes."""
    rows = []
    for row in drawn.tables["prices"].rows:
        start = dt.datetime.fromisoformat(row["start"])
        for k in range(4):
            moment = (start.astimezone(dt.UTC) + dt.timedelta(minutes=15 * k)).isoformat(timespec="minutes")
            rows.append({**row, "start": moment, "minutes": 15})
    drawn.tables["prices"].rows = rows
    return "prices by the quarter hour"


def other_orders(rng: random.Random, drawn: Drawn) -> str:
    """Change quantities and windows, or add an order."""
    if "orders" not in drawn.tables:
        return other_prices(rng, drawn)
    rows = drawn.tables["orders"].rows
    row = rng.choice(rows)
    day = str(row["window_start"])[:10]
    first = rng.randint(0, 20)
    row["quantity_t"] = float(row["quantity_t"]) * rng.choice([0.2, 0.8, 1.2, 2.0, 6.0])
    row["window_start"], row["window_end"] = (
        f"{day}T{first:02}:00",
        f"{day}T{rng.randint(first + 1, 23):02}:00",
    )
    if rng.random() < 0.3:
        rows.append({**row, "order": "further"})
    return "orders"


def other_stock(rng: random.Random, drawn: Drawn) -> str:
    """Start fuller or emptier, also outside a limit."""
    for row in drawn.tables["stocks"].rows:
        for key in ("level_t", "level_percent"):
            if key in row:
                row[key] = float(row[key]) * rng.choice([0.2, 0.7, 0.9, 1.1, 1.5, 1.6])
    return "stocks"


def outage(rng: random.Random, drawn: Drawn) -> str:
    """Take the room out for some hours, or limit it."""
    day = drawn.day
    first = rng.randint(0, 18)
    what, value = rng.choice([("in_service", 0), ("load_max_ka", 9.0), ("electrolysers", 0)])
    end = f"{day}T{first + rng.randint(1, 5):02}:00"
    row = {
        "unit": "room_a",
        "what": what,
        "value": value,
        "start": f"{day}T{first:02}:00",
        "end": end,
        "note": "",
    }
    drawn.tables["availability"] = Table([row])
    return "outage"


def strange_text(rng: random.Random, drawn: Drawn) -> str:
    """Put strange text wherever text of people may stand."""
    text = rng.choice(TEXTS)
    place = rng.choice(
        ["name", "notes", "contacts", "contract", "adder", "customer", "note", "fact", "group"]
    )
    site = drawn.site
    if place == "name":
        site["name"] = text
    elif place == "notes":
        site["notes"] = [text]
    elif place == "contacts":
        site["contacts"] = [{"role": text, "how": rng.choice(TEXTS)}]
    elif place == "group":
        next(unit for unit in site["unit"] if unit["name"] == "hydrogen_out")["group"] = text
    elif place in ("contract", "adder"):
        holds = site["contract"] if "contract" in site else drawn.tables["contract"].rows[0]
        if place == "contract":
            holds["name"] = text
        elif "adders_per_mwh" in holds["component"][0]:
            holds["component"][0]["adders_per_mwh"][0]["name"] = text
        else:
            holds["component"][0]["bands"][0]["name"] = text
    elif place == "fact":
        if "availability" not in drawn.tables:
            outage(rng, drawn)
        drawn.tables["availability"].rows[0]["note"] = text
    elif "orders" in drawn.tables:
        rng.choice(drawn.tables["orders"].rows)[place] = text
    else:
        site["notes"] = [text, text]
    return f"text in {place}"


def other_form(rng: random.Random, drawn: Drawn) -> str:
    """Write a table in another form that is as valid."""
    role = rng.choice([role for role, table in drawn.tables.items() if table.suffix == ".csv"])
    table = drawn.tables[role]
    if rng.random() < 0.3:
        table.suffix = ".xlsx"
        return f"{role} as workbook"
    table.separator, table.comma = rng.choice([(",", False), (";", True), (";", False)])
    table.bom, table.quoted = rng.random() < 0.5, rng.random() < 0.3
    table.line_end = rng.choice(["\n", "\r\n"])
    return f"{role} in another form"


def as_document(rng: random.Random, drawn: Drawn) -> str:
    """Write the prices as a market document."""
    table = drawn.tables["prices"]
    if any("price_per_mwh" not in row for row in table.rows):
        return other_form(rng, drawn)
    first = dt.datetime.fromisoformat(str(table.rows[0]["start"])).astimezone(dt.UTC)
    minutes = int(table.rows[0]["minutes"])
    end = first + dt.timedelta(minutes=minutes * len(table.rows))
    points = "".join(
        f"<Point><position>{n}</position><price.amount>{row['price_per_mwh']}</price.amount></Point>"
        for n, row in enumerate(table.rows, 1)
    )
    # What the elements mean is a value from memory of IEC 62325-451-3.
    drawn.files["prices"] = (
        '<?xml version="1.0" encoding="UTF-8"?><Publication_MarketDocument '
        'xmlns="urn:iec62325.351:tc57wg16:451-3:publicationdocument:7:3"><mRID>x</mRID><type>A44</type>'
        "<TimeSeries><mRID>1</mRID><in_Domain.mRID>Z</in_Domain.mRID>"
        "<currency_Unit.name>XTS</currency_Unit.name>"
        "<price_Measure_Unit.name>MWH</price_Measure_Unit.name><curveType>A01</curveType>"
        "<Period><timeInterval>"
        f"<start>{first:%Y-%m-%dT%H:%MZ}</start><end>{end:%Y-%m-%dT%H:%MZ}</end></timeInterval>"
        f"<resolution>PT{minutes}M</resolution>{points}</Period></TimeSeries></Publication_MarketDocument>"
    ).encode()
    drawn.names["prices"] = "prices.xml"
    return "prices as market document"


VALID: tuple[Callable[[random.Random, Drawn], str], ...] = (
    other_numbers,
    other_numbers,
    other_prices,
    finer_prices,
    other_orders,
    other_stock,
    outage,
    strange_text,
    strange_text,
    strange_text,
    other_form,
    other_form,
    as_document,
)


# ---------------------------------------------------------------- damage


def odd_cell(rng: random.Random, drawn: Drawn) -> str:
    """Put one strange value into a table."""
    role, table = some_table(rng, drawn)
    row = rng.choice(table.rows)
    name = rng.choice(list(row))
    pool: tuple[Any, ...] = ODD_NUMBERS
    if name in ("start", "end", "window_start", "window_end"):
        pool = ODD_TIMES
    elif isinstance(row[name], str):
        pool = (*TEXTS, "")
    row[name] = rng.choice(pool)
    return f"{role}.{name} = {str(row[name])[:30]!r}"


def some_table(rng: random.Random, drawn: Drawn) -> tuple[str, Table]:
    """Return one of the tables, with its role."""
    role = rng.choice([role for role, table in drawn.tables.items() if table.suffix != ".toml"])
    return role, drawn.tables[role]


def odd_rows(rng: random.Random, drawn: Drawn) -> str:
    """Double, drop or shuffle rows; drop, double or rename columns."""
    role, table = some_table(rng, drawn)
    how = rng.choice(["double", "drop", "shuffle", "no column", "rename", "more", "none"])
    name = rng.choice(table.columns)
    if how == "double":
        table.rows.append(dict(rng.choice(table.rows)))
    elif how == "drop":
        table.rows.pop(rng.randrange(len(table.rows)))
        if not table.rows:
            table.rows.append({"start": ""})
    elif how == "shuffle":
        rng.shuffle(table.rows)
    elif how == "no column":
        for row in table.rows:
            row.pop(name, None)
    elif how == "rename":
        new = rng.choice([name.upper(), name + " ", name[:-1], *TEXTS])
        table.rows = [
            {(new if key == name else key): value for key, value in row.items()} for row in table.rows
        ]
    elif how == "more":
        for row in table.rows:
            row[rng.choice(("remark", "=x", "<b>"))] = rng.choice(TEXTS)
    else:
        table.rows = [dict.fromkeys(table.columns, "")]
    return f"{role}: rows or columns ({how})"


def other_zone(rng: random.Random, drawn: Drawn) -> str:
    """Write the times of a table with another offset, or the site in another zone."""
    if rng.random() < 0.3:
        drawn.site["timezone"] = rng.choice(
            [
                "UTC",
                "America/New_York",
                "Asia/Kathmandu",
                "Mars/Base",
                "",
                "../x",
                "Europe/berlin",
                "Pacific/Apia",
            ]
        )
        return "zone of the site"
    role, table = some_table(rng, drawn)
    offset = rng.choice(["+00:00", "+05:45", "-03:00", "+02:00", "Z"])
    for row in table.rows:
        for key in ("start", "end", "window_start", "window_end"):
            if key in row:
                row[key] = str(row[key])[:16] + offset
    return f"{role}: offset {offset}"


def odd_key(rng: random.Random, drawn: Drawn) -> str:
    """Drop, rename or replace a key of the site or the contract."""
    target = drawn.site
    if "contract" in drawn.tables and rng.random() < 0.4:
        target = drawn.tables["contract"].rows[0]
    path = rng.choice(list(leaves(target)))
    box, key = holder(target, path), path[-1]
    how = rng.choice(["drop", "value", "value", "value", "rename"])
    if how == "drop":
        del box[key]
    elif how == "value":
        box[key] = rng.choice(ODD_VALUES)
    elif isinstance(box, dict):
        box[rng.choice([str(key) + "s", "x", "", "__class__", rng.choice(TEXTS)])] = box.pop(key)
    return f"site {'.'.join(map(str, path))} {how}"


def other_scale(rng: random.Random, drawn: Drawn) -> str:
    """Make a number of the site, the contract or a table far too large or too small, as a wrong unit does."""
    factor = rng.choice([1e-9, 1e-6, 1e-3, 0.1, 10.0, 1e3, 1e6, 1e9, 1e12, -1.0])
    boxes: list[Any] = [drawn.site, *(table.rows for table in drawn.tables.values())]
    box = rng.choice([boxes[0], boxes[0], *boxes])
    paths = [p for p in leaves(box) if type(holder(box, p)[p[-1]]) in (int, float)]
    path = rng.choice(paths)
    old = holder(box, path)[path[-1]]
    holder(box, path)[path[-1]] = old * factor if isinstance(old, float) else int(old * factor)
    return f"{'.'.join(map(str, path))} x {factor}"


def odd_unit(rng: random.Random, drawn: Drawn) -> str:
    """Double or drop a unit, or give it another name or kind."""
    units = drawn.site["unit"]
    unit = rng.choice(units)
    how = rng.choice(["double", "drop", "name", "kind", "swap"])
    if how == "double":
        units.append(copy.deepcopy(unit))
    elif how == "drop":
        units.remove(unit)
    elif how == "name":
        unit["name"] = rng.choice((*TEXTS, "", "a" * 500, "Ä", "meter", "room_a", "start", "cost", "class"))
    elif how == "kind":
        unit["kind"] = rng.choice(("", "circuits", "pipeline", "outlet", *TEXTS))
    else:
        rng.shuffle(units)
    return f"unit {how}"


def content(drawn: Drawn, role: str) -> bytes:
    """Return a file's bytes as they are so far."""
    if role == "site":
        return drawn.files.get("site") or toml_bytes(drawn.site)
    if drawn.files.get(role):
        return drawn.files[role]
    table = drawn.tables[role]
    return toml_bytes(table.rows[0]) if table.suffix == ".toml" else table.data()


def toml_bytes(values: Toml) -> bytes:
    """Return TOML of nested values; what TOML cannot hold is written as text."""
    return tomlkit.dumps(values).encode("utf-8", "replace")


def some_file(rng: random.Random, drawn: Drawn) -> str:
    """Return the role of one of the files."""
    return rng.choice(["site", *drawn.tables])


def odd_bytes(rng: random.Random, drawn: Drawn) -> str:
    """Damage the bytes of a file."""
    role = some_file(rng, drawn)
    data = content(drawn, role)
    at = rng.randrange(max(len(data), 1))
    how = rng.choice(
        [
            "flip",
            "cut",
            "repeat",
            "nul",
            "latin",
            "utf16",
            "bom",
            "empty",
            "blank",
            "crlf",
            "cr",
            "long",
            "quote",
            "escape",
            "swap",
            "one",
        ]
    )
    some = bytes(rng.randrange(256) for _ in range(rng.randint(1, 8)))
    new = {
        "flip": data[:at] + some + data[at + len(some) :],
        "cut": data[:at],
        "repeat": data[:at] + data[at // 2 : at] * 3 + data[at:],
        "nul": data[:at] + b"\0" + data[at:],
        "latin": data[:at] + "äß".encode("latin-1") + data[at:],
        "utf16": data.decode("utf-8", "replace").encode("utf-16"),
        "bom": data[:at] + b"\xef\xbb\xbf" + data[at:],
        "empty": b"",
        "blank": b" \n\n\t ",
        "crlf": b"\r\n".join(data.split(b"\n")[:3]) + b"\r" + b"\n".join(data.split(b"\n")[3:]),
        "cr": data.replace(b"\n", b"\r"),
        "long": data + b"x" * 200_000 + b",1\n",
        "quote": data[:at] + b'"' + data[at:],
        "escape": data[:at] + b"\x1b[2J\x07" + data[at:],
        "swap": data.replace(b",", b";"),
        "one": data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :] if data else b"x",
    }[how]
    drawn.files[role] = new
    return f"bytes of {role}: {how}"


def odd_path(rng: random.Random, drawn: Drawn) -> str:
    """Put a folder, a link or nothing where a file should be, or name it strangely."""
    role = rng.choice(list(drawn.tables))
    how = rng.choice(["folder", "loop", "dangling", "secret", "fifo", "missing", "name", "markup", "markup"])
    if how == "name":
        drawn.names[role] = rng.choice(ODD_NAMES)
        drawn.odd_paths[role] = "none"
    elif how == "markup":
        suffix = Path(drawn.names.get(role, "x" + drawn.tables[role].suffix)).suffix
        drawn.names[role] = rng.choice(["<img src=x onerror=alert(1)>", "=1+1", "a​‮b", "a'\"&b"]) + suffix
    else:
        drawn.odd_paths[role] = how
    return f"path of {role}: {how}"


def bomb(rng: random.Random, drawn: Drawn) -> str:
    """Give a market document or a workbook that would blow up, or that reads other files."""
    kind = rng.choice(
        [
            "xml bomb",
            "xml entity",
            "xml deep",
            "zip bomb",
            "sheet bomb",
            "sheet entity",
            "formula",
            "merged",
            "cut book",
            "dates",
            "toml deep",
            "far cell",
        ]
    )
    role = rng.choice([r for r, t in drawn.tables.items() if t.suffix != ".toml"])
    entity = '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;"><!ENTITY s SYSTEM "file:///etc/passwd">]>'
    if kind == "toml deep":
        drawn.files["site"] = content(drawn, "site") + b"\nq = " + b"[" * 5000 + b"]" * 5000 + b"\n"
        return kind
    if kind.startswith("xml"):
        if not drawn.files.get("prices"):
            as_document(rng, drawn)
        data = drawn.files["prices"].decode(errors="replace")
        if kind == "xml bomb":
            many = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 12))
            data = data.replace("?>", f'?><!DOCTYPE x [<!ENTITY e0 "ha">{many}]>', 1).replace(
                ">x<", ">&e11;<", 1
            )
        elif kind == "xml entity":
            data = data.replace("?>", f"?>{entity}", 1).replace(">x<", ">&s;<", 1)
        else:
            data = data.replace("<mRID>x</mRID>", "<a>" * 50_000 + "</a>" * 50_000, 1)
        drawn.files["prices"], drawn.names["prices"] = data.encode(), "prices.xml"
        return kind
    table = drawn.tables[role]
    table.suffix = ".xlsx"
    stream = io.BytesIO(table.data())
    drawn.names[role] = f"{role}.xlsx"
    if kind in ("formula", "merged", "dates", "far cell"):
        book = openpyxl.load_workbook(stream)
        sheet = book.worksheets[0]
        if kind == "formula":
            sheet.cell(2, rng.randint(1, len(table.columns))).value = "=1+1"
        elif kind == "merged":
            sheet.merge_cells(
                start_row=rng.randint(1, 2), end_row=3, start_column=1, end_column=rng.randint(1, 2)
            )
        elif kind == "far cell":
            sheet.cell(1_048_576, 16_384).value = 1
        else:
            sheet.cell(2, 1).value = rng.choice(
                [dt.datetime(2026, 6, 8), dt.time(6), dt.timedelta(1), 46181.0, True]
            )
        stream = io.BytesIO()
        book.save(stream)
        drawn.files[role] = stream.getvalue()
        return f"{role}: {kind}"
    data = stream.getvalue()
    if kind == "cut book":
        drawn.files[role] = data[: rng.randrange(len(data))]
        return f"{role}: {kind}"
    new = io.BytesIO()
    with zipfile.ZipFile(stream) as old, zipfile.ZipFile(new, "w", zipfile.ZIP_DEFLATED) as book_file:
        for name in old.namelist():
            inside = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                if kind == "zip bomb":
                    inside += b" " * 230_000_000
                elif kind == "sheet bomb":
                    many = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 12))
                    head = f'<!DOCTYPE x [<!ENTITY e0 "ha">{many}]>'.encode()
                    inside = head + re.sub(rb"<v>[^<]*</v>", b"<v>&e11;</v>", inside, count=1)
                else:
                    inside = entity.encode() + re.sub(rb"<v>[^<]*</v>", b"<v>&s;</v>", inside, count=1)
            book_file.writestr(name, inside)
    drawn.files[role] = new.getvalue()
    return f"{role}: {kind}"


HURT: tuple[Callable[[random.Random, Drawn], str], ...] = (
    odd_cell,
    odd_cell,
    odd_cell,
    odd_rows,
    odd_rows,
    odd_key,
    odd_key,
    odd_key,
    odd_unit,
    odd_bytes,
    odd_bytes,
    odd_path,
    other_zone,
    bomb,
    other_scale,
    other_scale,
    other_scale,
)


# ---------------------------------------------------------------- other commands


def record(rng: random.Random) -> Any:
    """Return a small rate record in the open JSON layout, hurt in 0 to 2 places."""
    rows = [[0] * 8 + [1] * 12 + [0] * 4 for _ in range(12)]
    made: Any = {
        "label": "invented",
        "utility": rng.choice(["Invented Power", *TEXTS]),
        "name": rng.choice(["Test rate", *TEXTS]),
        "energyratestructure": [
            [{"rate": 0.05, "unit": "kWh"}],
            [{"rate": 0.11, "adj": 0.01, "unit": "kWh"}],
        ],
        "energyweekdayschedule": rows[:12],
        "energyweekendschedule": [[0] * 24 for _ in range(12)],
        "flatdemandstructure": [[{"rate": 12.5}]],
        "flatdemandmonths": [0] * 12,
        "demandwindow": 15,
        "fixedmonthlycharge": 100.0,
    }
    for _ in range(rng.choice([0, 1, 1, 2])):
        path = rng.choice([*leaves(made), *((key,) for key in made)])
        try:
            box = holder(made, path)
            box[path[-1]] = rng.choice([v for v in ODD_VALUES if not isinstance(v, dt.date | dt.time)])
        except (KeyError, IndexError, TypeError):
            continue
    return made


def odd_data(rng: random.Random, data: bytes) -> bytes:
    """Damage some bytes now and then."""
    if rng.random() < 0.85 or not data:
        return data
    at = rng.randrange(len(data))
    return rng.choice(
        [
            data[:at],
            data[:at] + b"\0\xff" + data[at:],
            data[:at] + data,
            b"",
            b"[" * 100_000,
            data[at:],
            data.decode("utf-8", "replace").encode("utf-16"),
        ]
    )


def odd_table(rng: random.Random, rows: list[Row]) -> bytes:
    """Return a table hurt in 0 to 2 places."""
    box = Drawn(0)
    box.tables["x"] = Table(rows)
    for _ in range(rng.choice([0, 0, 0, 1, 2])):
        rng.choice([odd_cell, odd_rows, other_zone])(rng, box)
    return odd_data(rng, box.tables["x"].data())


def other_command(rng: random.Random, drawn: Drawn, folder: Path) -> list[str]:
    """Write the files of a command that plans nothing, and return the command."""
    site = folder / "site.toml"
    day = drawn.day
    out = str(folder / "out")
    write_files(drawn, folder)
    if drawn.command == "import-rate":
        data = json.dumps(record(rng), allow_nan=True).encode()
        (folder / "record.json").write_bytes(odd_data(rng, data))
        zone = rng.choice(["America/Chicago"] * 5 + ["Mars/Base", "../x", ""])
        return ["import-rate", str(folder / "record.json"), "--timezone", zone, "--out", f"{out}.toml"]
    if drawn.command == "bill":
        load = [
            {"start": f"{day}T{h:02}:00", "minutes": 60, "power_mw": rng.uniform(4, 7)} for h in range(24)
        ]
        (folder / "load.csv").write_bytes(odd_table(rng, load))
        lines = [
            {"component": c, "amount": rng.uniform(1, 9999), "label": rng.choice(["x", *TEXTS])}
            for c in ("spot", rng.choice(["demand", "=fee", "<b>"]))
        ]
        (folder / "invoice.csv").write_bytes(odd_table(rng, lines))
        return [
            "bill",
            str(site),
            str(folder / "load.csv"),
            "--invoice",
            str(folder / "invoice.csv"),
            "--out",
            out,
        ]
    if drawn.command == "calibrate":
        readings = [
            {
                "time": f"{day - dt.timedelta(days=1 + i // 4)}T{6 * (i % 4):02}:00",
                "circuit": "room_a",
                "load_ka": (load := rng.uniform(5, 15)),
                "cell_voltage_v": 2.45 + 0.12 * load / 2.8 + rng.gauss(0, 0.003),
                "temperature_c": 85.0,
            }
            for i in range(24)
        ]
        (folder / "readings.csv").write_bytes(odd_table(rng, readings))
        return ["calibrate", str(site), str(folder / "readings.csv"), "--out", out]
    if drawn.command == "tariffs":
        study: Toml = {
            "name": rng.choice(TEXTS),
            "look_ahead_days": 0,
            "site": [{"name": "a", "file": "site.toml"}],
            "prices": [{"name": "p", "file": "prices.csv", "first_day": day, "days": 1}],
            "contract": [{"name": rng.choice(["c", *TEXTS]), "file": "terms.toml"}],
        }
        for _ in range(rng.choice([0, 0, 1, 2])):
            path = rng.choice(list(leaves(study)))
            holder(study, path)[path[-1]] = rng.choice(ODD_VALUES)
        (folder / "study.toml").write_bytes(odd_data(rng, toml_bytes(study)))
        terms_ = {"name": "t", "currency": "XTS", "component": [{"kind": "spot", "name": "spot"}]}
        (folder / "terms.toml").write_bytes(toml_bytes(terms_))
        kept = str(folder / "kept")
        return ["tariffs", str(folder / "study.toml"), "--out", out, "--kept", kept, "--workers", "1"]
    if drawn.command in ("after", "replan"):
        return on_running_plan(rng, drawn, folder)
    return ["check", str(site)]


RUNNING: dict[str, bytes] = {}
"""Files of one works and its plan, made once a process."""


def on_running_plan(rng: random.Random, drawn: Drawn, folder: Path) -> list[str]:
    """Write a plan with its works, hurt some of it; return the command that looks at it."""
    if not RUNNING:
        make_running()
    shutil.rmtree(folder)
    for name, data in RUNNING.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    drawn.done = []
    if rng.random() < 0.5:
        name = rng.choice(["plan/plan.csv", "plan/plan.json", "site.toml", "stocks.csv", "prices.csv"])
        (folder / name).write_bytes(odd_data(rng, RUNNING[name]))
        drawn.done.append(f"damage of {name}")
    site, plan, out = (str(folder / name) for name in ("site.toml", "plan", "out"))
    if drawn.command == "replan":
        moment = rng.choice(
            ["2026-06-08T10:00"] * 4 + ["2026-06-08T10:07", "2026-06-09T10:00", "2026-06-08T23:00"]
        )
        return ["replan", site, "--earlier", plan, "--from", moment, "--out", out, "--seconds", "2"]
    rows: list[Row] = []
    for row in csv.DictReader(io.StringIO(RUNNING["plan/plan.csv"].decode())):
        head = {"start": row["start"], "minutes": int(row["minutes"])}
        load, power = float(row["room_a_load_ka"]), float(row["room_a_ac_power_mw"])
        rows.append({**head, "unit": "room_a", "load_ka": load, "power_mw": power * rng.uniform(0.98, 1.02)})
        rows.append({**head, "unit": "meter", "load_ka": "", "power_mw": float(row["meter_import_mw"])})
    (folder / "actuals.csv").write_bytes(odd_table(rng, rows))
    balance = [
        {"species": "Cl2", "item": rng.choice(["customers", *TEXTS]), "what": "sold", "quantity_t": 48.0},
        {"species": "Cl2", "item": "store", "what": "stock", "start_t": 30.0, "end_t": 29.0},
    ]
    (folder / "balance.csv").write_bytes(odd_table(rng, balance))
    files = ["--actuals", str(folder / "actuals.csv"), "--balance", str(folder / "balance.csv")]
    return ["after", plan, "--site", site, *files, "--out", out]


def make_running() -> None:
    """Plan one works and keep its files."""
    rng = random.Random(0)
    while True:
        drawn = Drawn(0)
        works(rng, drawn)
        if (
            drawn.kind == "store"
            and str(drawn.site["horizon"]["day"]) == "2026-06-08"
            and len(drawn.tables) == 2
        ):
            break
    drawn.site["horizon"].update(minutes=60, look_ahead_days=0)
    folder = Path(tempfile.mkdtemp(prefix="running"))
    try:
        write_files(drawn, folder)
        command = ["plan", str(folder / "site.toml"), "--out", str(folder / "plan")]
        made = CliRunner().invoke(main, command, catch_exceptions=False)
        if made.exit_code != 0:
            raise RuntimeError(made.output)
        RUNNING.update({str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()})
    finally:
        shutil.rmtree(folder)


# ---------------------------------------------------------------- a case


def draw(seed: int) -> tuple[random.Random, Drawn]:
    """Return a case and the random numbers to go on with."""
    rng = random.Random(seed)
    drawn = Drawn(seed)
    works(rng, drawn)
    drawn.command = rng.choices(
        ["plan", "sheet", "replan", "after", "check", "import-rate", "bill", "calibrate", "tariffs"],
        [73, 3, 3, 4, 2, 5, 4, 3, 3],
    )[0]
    for _ in range(rng.choice([0, 1, 1, 2, 3])):
        hurt = rng.random() < 0.3
        change = rng.choice(HURT if hurt else VALID)
        try:
            drawn.done.append(change(rng, drawn))
        except (KeyError, IndexError, ValueError, TypeError, AttributeError, OverflowError) as error:
            # An earlier change took away what this one would change.
            drawn.done.append(f"({change.__name__} not possible: {type(error).__name__})")
        drawn.damaged |= hurt
    return rng, drawn


def write_files(drawn: Drawn, folder: Path) -> None:
    """Write the files of a works into a folder."""
    named: dict[str, Any] = {}
    for role, table in drawn.tables.items():
        name = drawn.names.get(role, role + table.suffix)
        if not drawn.names.get(role) and table.suffix == ".xlsx":
            name = f"{role}.xlsx"
        if role != "contract":
            named[role] = name
        how = drawn.odd_paths.get(role, "")
        path = folder / name if "\0" not in name else folder / "nul"
        if how == "none" or os.path.lexists(path):
            continue
        if how == "folder":
            path.mkdir()
        elif how == "loop":
            path.symlink_to(path)
        elif how == "dangling":
            path.symlink_to(folder / "nowhere")
        elif how == "secret":
            path.symlink_to("/etc/passwd")
        elif how == "fifo":
            os.mkfifo(path)
        elif how != "missing":
            path.write_bytes(content(drawn, role))
    drawn.site.setdefault("files", {})
    if isinstance(drawn.site["files"], dict):
        drawn.site["files"].update(named)
    if drawn.files.get("site"):
        # Damage came before the files were known: name them in the damaged text as well.
        data = drawn.files["site"]
        extra = toml_bytes({"files": named}) if b"[files]" not in data else b""
        data = data + b"\n" + extra
    else:
        data = toml_bytes(drawn.site)
    (folder / "site.toml").write_bytes(data)


class Hang(BaseException):
    """A case took too long; not an Exception, so that nothing catches it."""


@contextmanager
def capped(seconds: int) -> Iterator[None]:
    """Raise `Hang` after so much time."""

    def stop(*_: object) -> None:
        raise Hang

    old = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, old)


@dataclass
class Ended:
    """What a case ended in."""

    drawn: Drawn
    exit_code: int
    solved: bool
    planned: bool
    faults: list[str]
    output: str

    def told(self) -> str:
        """Return the case in words, with the command that runs it again."""
        return (
            f"seed {self.drawn.seed} ({self.drawn.command}, {self.drawn.kind}; "
            f"{'; '.join(self.drawn.done)}): {'; '.join(self.faults)}\n"
            f"    again: python -m tests.fuzzing {self.drawn.seed}"
        )


def run_case(seed: int, keep: Path | None = None) -> Ended:
    """Draw a case, run it in this process and judge it."""
    folder = Path(tempfile.mkdtemp(prefix="case")) if keep is None else keep
    try:
        return _run(seed, folder)
    finally:
        if keep is None:
            shutil.rmtree(folder, ignore_errors=True)


def _stub(*given: object) -> None:
    next(path for path in given if isinstance(path, Path)).write_bytes(b"not drawn in this case")


def _run(seed: int, folder: Path) -> Ended:
    rng, drawn = draw(seed)
    out = folder / "out"
    if drawn.command in ("plan", "sheet"):
        write_files(drawn, folder)
        command = [drawn.command, str(folder / "site.toml"), "--out", str(out), "--seconds", "2"]
        if drawn.command == "sheet":
            rows = [
                {
                    "start": f"{drawn.day}T{h:02}:00",
                    "minutes": 60,
                    "circuit": "room_a",
                    "load_ka": rng.uniform(10, 11),
                }
                for h in range(24)
            ]
            (folder / "sheet.csv").write_bytes(odd_table(rng, rows))
            command.insert(2, str(folder / "sheet.csv"))
    else:
        command = other_command(rng, drawn, folder)
    solves: list[int] = []
    solve = scheduler.highs.Solver.solve

    def counted(self: Any, *args: Any, **more: Any) -> Any:
        solves.append(1)
        return solve(self, *args, **more)

    faults: list[str] = []
    # Chart, PDF and workbook take longer than all else: one case in twenty writes them, and, but for the
    # chart, every case with strange text.
    texts = any("text" in done or "markup" in done for done in drawn.done)
    dear = [
        mock.patch.object(scheduler.report.files, name, _stub)
        for name, kept in (("write_chart", False), ("write_sheet_pdf", texts), ("write_workbook", texts))
        if not kept and seed % 20
    ]
    with contextlib.ExitStack() as stack:
        for patch in (mock.patch.object(scheduler.highs.Solver, "solve", counted), *dear):
            stack.enter_context(patch)
        stack.enter_context(warnings.catch_warnings())
        warnings.simplefilter("error")
        try:
            with capped(SECONDS):
                result = CliRunner().invoke(main, command)
        except Hang:
            return Ended(drawn, -1, bool(solves), False, [f"no end within {SECONDS} s"], "")
    output = result.output
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        shown = "".join(traceback.format_exception(result.exception)[-4:])
        faults.append(f"traceback {type(result.exception).__name__}: {str(result.exception)[:200]}")
        output += shown
    faults += judged(drawn, folder, out, result.exit_code, result.stdout, result.stderr)
    planned = drawn.command in ("plan", "sheet", "replan") and (out / "plan.csv").is_file()
    return Ended(drawn, result.exit_code, bool(solves), planned, faults, output)


# ---------------------------------------------------------------- judging


def judged(drawn: Drawn, folder: Path, out: Path, code: int, stdout: str, stderr: str) -> list[str]:
    """Return what is wrong with the end of a case."""
    faults = []
    if code not in (0, 2, 3, 4):
        faults.append(f"exit code {code}")
    text = stdout + stderr
    odd = {c for c in text if c != "\n" and not c.isprintable()}
    if odd:
        faults.append(f"control characters in the words: {sorted(odd)!r}")
    left = [p.name for p in folder.iterdir() if p.name.startswith(".out.") and p.name != ".out.lock"]
    if left:
        faults.append(f"left beside the folder: {left}")
    if code == 2:
        faults += error_faults(stderr)
        if out.exists():
            faults.append("an error, yet a folder")
        return faults
    if drawn.command not in ("plan", "sheet", "replan") and out.is_dir():
        faults += acting_faults(out)
    if code == 3 and not any(word in text for word in ("NOT A PLAN", "duty", "miss", "Error:")):
        faults.append("exit 3 without a word why")
    if drawn.command in ("plan", "sheet", "replan"):
        if not out.is_dir():
            if code != 4 and not (code == 3 and "Error:" in stderr):
                faults.append(f"exit {code} without a folder")
            return faults
        faults += folder_faults(out, code, stdout)
        if code == 0 and drawn.command != "replan":
            try:
                faults += limit_faults(drawn, folder, out)
            except (KeyError, ValueError, TypeError) as error:
                faults.append(f"check of limits not possible: {error!r}")
    return faults


def error_faults(stderr: str) -> list[str]:
    """Return what a message of bad input lacks: a head, and for each problem a place and words."""
    body = stderr[stderr.find("Error:") :]
    if not body.startswith("Error:"):
        return ["bad input without a message"]
    lines = body.splitlines()
    match = re.fullmatch(r"Error: (\d+) problems? in the inputs:", lines[0])
    if match is None:
        return [] if len(lines[0]) > 20 else [f"short message: {lines[0]!r}"]
    problems = [line for line in lines[1:] if line.startswith("  ")]
    if len(problems) != int(match[1]):
        return [f"{match[1]} problems announced, {len(problems)} lines told"]
    return [f"a problem without a place: {line[:80]!r}" for line in problems if ": " not in line]


NEEDED = ("plan.json", "chart.png", "summary.txt", "page.html")


def folder_faults(out: Path, code: int, stdout: str) -> list[str]:
    """Return what is wrong with a published folder: missing files, markup or formulas that act."""
    names = {path.name for path in out.iterdir()}
    bad = "not_a_plan.csv" in names
    expected = {
        *NEEDED,
        *(
            ("not_a_plan.csv", "not_a_plan.xlsx")
            if bad
            else ("plan.csv", "plan.xlsx", "sheet.pdf", "sheet.html")
        ),
    }
    faults = [f"{name} is missing" for name in sorted(expected - names)]
    if bad and code != 3:
        faults.append(f"NOT A PLAN with exit {code}")
    if bad and "NOT A PLAN" not in stdout:
        faults.append("a broken plan is not called NOT A PLAN")
    return faults + acting_faults(out)


def acting_faults(out: Path) -> list[str]:
    """Return markup and formulas of inputs that would act in the files of a folder."""
    faults: list[str] = []
    for path in out.glob("*.html"):
        faults += [f"{path.name}: {text}" for text in page_faults(path.read_text(encoding="utf-8"))]
    for path in out.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            for row in csv.reader(stream):
                faults += [f"{path.name}: cell {cell[:40]!r} acts as a formula" for cell in row if acts(cell)]
    for path in out.glob("*.xlsx"):
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as book:
                for name in book.namelist():
                    inside = book.read(name)
                    # ECMA-376: a formula is an element <f>; a link out of the book has an external target.
                    if re.search(rb"<f[ >]", inside) or b'TargetMode="External"' in inside:
                        faults.append(f"{path.name}: formula or link in {name}")
    return faults


def acts(cell: str) -> bool:
    """Return whether a spreadsheet would take a text cell for a formula (OWASP, CSV injection)."""
    if not cell.startswith(("=", "+", "-", "@", "\t", "\r")):
        return False
    try:
        float(cell)
    except ValueError:
        return True
    return False


class _Page(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.faults: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("img", "iframe", "object", "embed", "base", "form"):
            self.faults.append(f"<{tag}> in a page that has none")
        for name, value in attrs:
            if name.startswith("on") or "javascript:" in (value or "").lower():
                self.faults.append(f"{name} on <{tag}>")


def page_faults(text: str) -> list[str]:
    """Return markup in a page that came from inputs."""
    page = _Page()
    page.feed(text)
    if any(sign in text for sign in ("<script>alert", "<b onmouseover", "<img")):
        page.faults.append("markup of an input stands as it came")
    if "root:x:0" in text:
        page.faults.append("another file's content")
    return page.faults


def limit_faults(drawn: Drawn, folder: Path, out: Path) -> list[str]:
    """Hold a valid plan against the limits of its site file, read here by `tomllib` alone."""
    site = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8-sig"))
    with (out / "plan.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    hours = [float(row["minutes"]) / 60.0 for row in rows]

    def column(name: str) -> list[float]:
        return [float(row[name]) for row in rows]

    faults: list[str] = []

    def within(name: str, values: list[float], low: float, high: float) -> None:
        slack = 2e-3 + 1e-3 * abs(high)
        bad = [v for v in values if not low - slack <= v <= high + slack]
        if bad:
            faults.append(f"{name} = {bad[0]} outside {low} to {high}")

    facts = drawn.tables.get("availability")
    drawn_power = [0.0] * len(rows)
    for unit in site["unit"]:
        name = unit["name"]
        if unit["kind"] == "circuit":
            loads = column(f"{name}_load_ka")
            area = unit["area_m2"] * unit.get("electrolysers_in_parallel", 1)
            rectifier = unit["rectifier"]
            high = min(
                unit["density_max_ka_per_m2"] * area, rectifier["units"] * rectifier["unit_load_max_ka"]
            )
            within(f"{name} load", [v for v in loads if v > 0], unit["density_min_ka_per_m2"] * area, high)
            if facts is None and any(v == 0 for v in loads):
                faults.append(f"{name} is out without a fact")
            cells = unit["cells_in_series"] * CHLORINE_T_PER_KAH
            made = column(f"{name}_chlorine_t_per_h")
            share = column(f"{name}_current_efficiency")
            if facts is None:
                for load, tonnes, ce in zip(loads, made, share, strict=True):
                    if abs(load * cells * ce - tonnes) > 2e-3 * tonnes:
                        faults.append(f"{name}: {tonnes} t/h is not what {load} kA makes by Faraday's law")
                        break
            within(f"{name} current efficiency", share, 0.0, 1.0)
            ramp = unit.get("ramp_ka_per_min")
            if ramp and facts is None and "locks" not in drawn.tables and drawn.command == "plan":
                most = ramp * unit.get("ramp_minutes", 15.0)
                within(f"{name} change", [abs(b - a) for a, b in itertools.pairwise(loads)], 0.0, most)
            step = unit.get("step_ka")
            if step and "locks" not in drawn.tables and drawn.command == "plan":
                on_day = [v for v, row in zip(loads, rows, strict=True) if row["plan_day"] == "1"]
                off = [v for v in on_day if abs(v / step - round(v / step)) > 1e-4 and v < high - 1e-3]
                if off and facts is None:
                    faults.append(f"{name} load {off[0]} is no whole step of {step}")
            drawn_power = [a + b for a, b in zip(drawn_power, column(f"{name}_ac_power_mw"), strict=True)]
        elif unit["kind"] == "site_meter":
            within("import", column(f"{name}_import_mw"), 0.0, unit["import_max_mw"])
        elif unit["kind"] == "pipeline" and name == "neighbour":
            takes = column(f"{name}_take_t_per_h")
            within(f"{name} take", takes, unit.get("min_t_per_h", 0.0), unit.get("max_t_per_h", 1e9))
            day = [t * h for t, h, row in zip(takes, hours, rows, strict=True) if row["plan_day"] == "1"]
            span = sum(h for h, row in zip(hours, rows, strict=True) if row["plan_day"] == "1")
            share_ = unit.get("daily_tolerance_percent", 0.0) / 100.0
            total = unit["nominal_t_per_h"] * span
            within(f"{name} of the day", [sum(day)], (1 - share_) * total, (1 + share_) * total)
        elif unit["kind"] == "product_store":
            levels = column(f"{name}_level_t")
            within(f"{name} level", levels, unit["min_t"], unit["max_t"])
            within(f"{name} at the end", [levels[-1]], unit.get("end_min_t", 0.0), unit["max_t"])
        elif unit["kind"] == "chlorine_store":
            vessels = (unit["vessels"] - unit.get("empty_vessels", 1)) * unit["vessel_t"]
            low = unit.get("cover_min_t", 0.0)
            within(f"{name} level", column(f"{name}_level_t"), low, min(vessels, unit["permit_t"]))
    imported = column("meter_import_mw")
    # The other load may be negative, where a site makes power of its own.
    if not any("series" in unit for unit in site["unit"]) and any(
        power > meter + 2e-3 for power, meter in zip(drawn_power, imported, strict=True)
    ):
        faults.append("circuits draw more than the meter")
    orders = drawn.tables.get("orders")
    if orders is not None and "orders" not in drawn.files and not drawn.damaged:
        for row in orders.rows:
            name = f"{row['order']}_loading_t_per_h"
            if name in rows[0]:
                loaded = sum(v * h for v, h in zip(column(name), hours, strict=True))
                within(name, [loaded], float(row["quantity_t"]), float(row["quantity_t"]))
    return faults


# ---------------------------------------------------------------- counting


@dataclass
class Count:
    """How many cases ended where."""

    cases: int = 0
    solved: int = 0
    planned: int = 0
    codes: Counter[int] = field(default_factory=Counter)
    failed: list[Ended] = field(default_factory=list)

    def add(self, ended: Ended) -> None:
        """Count one case."""
        self.cases += 1
        self.solved += ended.solved
        self.planned += ended.planned
        self.codes[ended.exit_code] += 1
        if ended.faults:
            self.failed.append(ended)

    def told(self) -> str:
        """Return the shares in words."""
        return (
            f"{self.cases} cases: {self.solved / self.cases:.1%} reached the solver, "
            f"{self.planned / self.cases:.1%} a plan; exit codes {dict(sorted(self.codes.items()))}; "
            f"{len(self.failed)} failed"
        )


def run_cases(first: int, count: int) -> Count:
    """Run cases of consecutive seeds."""
    total = Count()
    for seed in range(first, first + count):
        total.add(run_case(seed))
    return total


if __name__ == "__main__":
    if len(sys.argv) == 2:
        kept = Path(tempfile.mkdtemp(prefix="fuzz"))
        ended_ = run_case(int(sys.argv[1]), kept)
        click.echo(f"{ended_.output}\n{ended_.told()}\nexit code {ended_.exit_code}; files in {kept}")
        sys.exit(bool(ended_.faults))
    total_ = Count()
    for seed_ in range(int(sys.argv[1]), int(sys.argv[1]) + int(sys.argv[2])):
        ended_ = run_case(seed_)
        total_.add(ended_)
        if ended_.faults:
            print(ended_.told(), flush=True)
    print(total_.told())
