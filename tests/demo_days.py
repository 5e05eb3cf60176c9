"""The invented readings and actuals of the demo, made again from a stated seed.

`python -m tests.demo_days FOLDER PLAN_FOLDER` writes `readings.csv`, and from the loads of the demo's plan in
PLAN_FOLDER `actuals.csv`, `actual_prices.csv` and `balance.csv`.
"""

from __future__ import annotations

import csv
import datetime as dt
import sys
from collections.abc import Iterable
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

import tariffs_demo
from models.circuit import Circuit
from models.faraday import kg_per_kah, mass_ratio
from models.horizon import Array
from scheduler.read.files import Source
from scheduler.read.site_update import read_back

SEED = 20260608
FOLDER = Path(tariffs_demo.__file__).parent
ZONE = ZoneInfo("Europe/Berlin")
FIRST = dt.datetime(2026, 2, 1, 6, 0, tzinfo=ZONE)
DAYS, HOURS_APART = 120, 12
MEMORY_H, NOISE_V = 20.0, 0.006
VOLTS_PER_C, REFERENCE_C = 0.0115, 86.0
AREA_M2 = {"room_m": 24.0, "room_b1": 5.6, "room_b2": 5.6, "room_c": 5.6}
"""Active area that shares the current, all electrolysers in service. [m2]"""
TRUTH = {
    "room_m": (3.19, 0.0915, 0.004),
    "room_b1": (2.455, 0.1185, 0.003),
    "room_b2": (2.585, 0.1165, 0.005),
    "room_c": (2.43, 0.1270, 0.002),
}
"""Invented truth by circuit: U0 at the last reading, k, drift per month. [V], [V m2/kA], [V/month]"""


def circuits() -> dict[str, Circuit]:
    """Return the demo's circuits by name."""
    data = (FOLDER / "site.toml").read_bytes()
    return {circuit.name: circuit for circuit in read_back(Source("site", "site.toml", data))}


def faded(rng: np.random.Generator, hours: Array, memory_h: float) -> Array:
    """Return errors of deviation 1 whose correlation fades exponentially."""
    error = np.empty(len(hours))
    error[0] = rng.normal()
    for i in range(1, len(hours)):
        phi = np.exp(-(hours[i] - hours[i - 1]) / memory_h)
        error[i] = phi * error[i - 1] + np.sqrt(1.0 - phi**2) * rng.normal()
    return error


def reading_rows() -> list[list[str]]:
    """Return the invented readings, heading included."""
    rng = np.random.default_rng(SEED)
    rows = [
        [
            "time",
            "circuit",
            "load_ka",
            "cell_voltage_v",
            "dc_voltage_v",
            "temperature_c",
            "efficiency_percent",
            "ac_power_mw",
        ]
    ]
    count = DAYS * 24 // HOURS_APART
    hours = HOURS_APART * np.arange(count, dtype=np.float64)
    for name, circuit in circuits().items():
        u0, k, drift = TRUTH[name]
        least, most = circuit.density_min_ka_per_m2, circuit.density_max_ka_per_m2
        # A load stays for a day and a half.
        density = np.repeat(rng.uniform(least + 0.2 * (most - least), most, count // 3 + 1), 3)[:count]
        load = np.round(density * circuit.area_m2 * circuit.electrolysers_in_parallel, 1)
        density = load / (circuit.area_m2 * circuit.electrolysers_in_parallel)
        membrane = circuit.technology != "mercury"
        cold = rng.normal(0.0, 1.5, count) - 1.0 if membrane else np.zeros(count)
        voltage = u0 + k * density + drift * (hours - hours[-1]) / 730.5 - VOLTS_PER_C * cold
        voltage = voltage + NOISE_V * faded(rng, hours, MEMORY_H)
        dc = circuit.cells_in_series * voltage + circuit.busbar.drop_v(load)
        power = (dc * load / 1000.0 + circuit.rectifier.loss_mw(load)) * rng.normal(1.0, 0.002, count)
        efficiency = circuit.current_efficiency.efficiency(density) - 0.004 + rng.normal(0.0, 0.002, count)
        if name == "room_b1":
            voltage[100] += 0.09
        for i in range(count):
            rows.append(
                [
                    (FIRST + dt.timedelta(hours=float(hours[i]))).isoformat(timespec="minutes"),
                    name,
                    f"{load[i]:.1f}",
                    f"{voltage[i]:.4f}" if membrane else "",
                    "" if membrane else f"{dc[i]:.2f}",
                    f"{REFERENCE_C + cold[i]:.1f}" if membrane else "",
                    f"{100.0 * efficiency[i]:.2f}" if i % 20 == 7 else "",
                    f"{power[i]:.3f}",
                ]
            )
    return rows


def day_rows(plan: Path) -> dict[str, list[list[str]]]:
    """Return the invented tables of the plan day from the loads of the demo's plan, by file name.

    Room B1 lost 6 kA from 14:00 to 17:00, other loads are off by up to half a percent; cells draw what
    `TRUTH` says; the other load was 0.3 MW more; prices came 4 % higher in the evening.
    """
    rng = np.random.default_rng(SEED + 1)
    with (plan / "plan.csv").open(encoding="utf-8", newline="") as file:
        planned = [row for row in csv.DictReader(file) if row["plan_day"] == "1"]
    with (FOLDER / "prices.csv").open(encoding="utf-8", newline="") as file:
        price = {row["start"]: float(row["price_per_mwh"]) for row in csv.DictReader(file)}
    actuals = [["start", "minutes", "unit", "load_ka", "power_mw"]]
    prices = [["start", "minutes", "price_per_mwh"]]
    chlorine = dict.fromkeys(TRUTH, 0.0)
    for hour, row in enumerate(planned):
        more = 0.3 + 0.1 * rng.normal()
        total = float(row["meter_import_mw"]) + more
        for name, circuit in circuits().items():
            load = round(float(row[f"{name}_load_ka"]) * (1.0 + rng.uniform(-0.005, 0.005)), 2)
            if name == "room_b1" and 14 <= hour < 17:
                load = round(load - 6.0, 2)
            u0, k, _ = TRUTH[name]
            dc = circuit.cells_in_series * (u0 + k * load / AREA_M2[name]) + circuit.busbar.drop_v(load)
            power = dc * load / 1000.0 + circuit.rectifier.loss_mw(load)
            total += power - float(row[f"{name}_ac_power_mw"])
            actuals.append([row["start"], "60", name, f"{load:.2f}", f"{power:.3f}"])
            share = float(circuit.current_efficiency.efficiency(load / AREA_M2[name])) - 0.004
            chlorine[name] += circuit.cells_in_series * load * share * kg_per_kah("Cl2") / 1000.0
        actuals.append([row["start"], "60", "meter", "", f"{total:.3f}"])
        came = price[row["start"]] * (1.04 if hour >= 17 else 1.0)
        prices.append([row["start"], "60", f"{came:.2f}"])
    total_t = sum(chlorine.values())
    soda = (total_t - chlorine["room_c"]) * mass_ratio("NaOH")
    potash = chlorine["room_c"] * mass_ratio("KOH")
    balance = [
        ["species", "item", "what", "quantity_t", "start_t", "end_t", "uncertainty_percent"],
        ["Cl2", "pipeline customers", "sold", f"{0.72 * total_t:.1f}", "", "", "0.8"],
        ["Cl2", "acid, hypochlorite and losses", "used", f"{0.05 * total_t:.1f}", "", "", "3"],
        ["Cl2", "road and rail", "sold", "40.0", "", "", ""],
        ["Cl2", "liquid store", "stock", "", "300.0", f"{260.0 + 0.23 * total_t:.1f}", ""],
        ["NaOH", "all customers", "sold", f"{soda - 60.0:.1f}", "", "", ""],
        ["NaOH", "tanks", "stock", "", "1100.0", "1160.0", "0.6"],
        ["KOH", "all customers", "sold", f"{potash - 12.0:.1f}", "", "", ""],
        ["KOH", "tanks", "stock", "", "400.0", "412.0", "0.6"],
    ]
    return {"actuals.csv": actuals, "actual_prices.csv": prices, "balance.csv": balance}


def write(path: Path, rows: Iterable[Iterable[str]]) -> None:
    """Write a table."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)


def main(folder: Path, plan: Path) -> None:
    """Write all tables."""
    write(folder / "readings.csv", reading_rows())
    for name, rows in day_rows(plan).items():
        write(folder / name, rows)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
