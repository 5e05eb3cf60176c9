"""Fits of circuits to readings: what is found, what is refused, and what the site file gets.

Readings are synthetic, drawn from a stated truth with errors that fade in time; the truth is the expected
value. Intervals themselves are tested in `test_regression`.
"""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from click.testing import Result

from models.busbar import Busbar
from models.cell_temperature import ThermalLag
from models.cell_voltage import CellVoltage
from models.circuit import Circuit
from models.horizon import Array, Mask
from models.rectifier import Rectifier
from scheduler.errors import InputError
from scheduler.read.files import Source
from scheduler.read.readings import read_readings
from scheduler.read.site_update import read_back, updated_site
from scheduler.report.calibration import calibration_text
from scheduler.studies.calibrate import (
    CircuitCalibration,
    FitOptions,
    Readings,
    Refusal,
    ac_power_mw,
    calibrate_circuit,
    power_by_month,
)
from tests.demo_days import FOLDER, REFERENCE_C, TRUTH, VOLTS_PER_C, faded, reading_rows
from tests.small_sites import plain_circuit
from tests.test_cli import lay, run

ZONE = ZoneInfo("Europe/Vienna")
START_MIN = 29_400_000
MONTH_H = 365.25 / 12 * 24


def room(**changes: object) -> Circuit:
    """Return a membrane circuit with losses, for 2 to 6 kA/m2."""
    circuit = plain_circuit(
        voltage=CellVoltage(2.4, 0.12),
        rectifier=Rectifier(1, 100.0, 1000.0, fixed_loss_mw=0.05, drop_v=1.0, resistance_uohm=200.0),
        busbar=Busbar(30.0),
    )
    return replace(circuit, **changes)


def drawn(
    circuit: Circuit,
    seed: int,
    *,
    u0: float = 2.45,
    k: float = 0.11,
    log_v: float = 0.0,
    drift: float = 0.0,
    days: int = 120,
    low: float = 2.5,
    high: float = 5.8,
    noise_v: float = 0.006,
    warmer_c: Array | None = None,
    strength: Array | None = None,
    v_per_percent: float = 0.0,
) -> Readings:
    """Return readings every 8 hours, with gaps, of a truth whose U0 is that of the last reading."""
    rng = np.random.default_rng(seed)
    hours = 8.0 * np.flatnonzero(rng.uniform(size=3 * days) > 0.1)
    n = len(hours)
    density = np.repeat(rng.uniform(low, high, n // 4 + 1), 4)[:n]
    voltage = u0 + k * density + log_v * np.log(density) + drift * (hours - hours[-1]) / MONTH_H
    if noise_v:
        voltage = voltage + noise_v * faded(rng, hours, 15.0)
    nothing = np.full(n, np.nan)
    temperature = nothing
    if warmer_c is not None and circuit.thermal is not None:
        temperature = circuit.thermal.steady_c(density) + warmer_c[:n]
        voltage = voltage - circuit.thermal.volts_per_c * warmer_c[:n]
    if strength is not None:
        voltage = voltage + v_per_percent * (strength[:n] - 32.0)
    load = density * circuit.area_m2 * circuit.electrolysers_in_parallel
    cells = np.full(n, float(circuit.cells_in_series))
    dc_mw = (cells * voltage + circuit.busbar.drop_v(load)) * load / 1000.0
    return Readings(
        circuit.name,
        START_MIN + (60.0 * hours).astype(np.int64),
        load,
        voltage,
        cells,
        np.full(n, float(circuit.electrolysers_in_parallel)),
        temperature,
        nothing if strength is None else strength[:n],
        nothing,
        dc_mw + circuit.rectifier.loss_mw(load),
        tuple(f"line {i + 2}" for i in range(n)),
    )


# ---------------------------------------------------------------- what is refused


def test_a_narrow_span_is_refused() -> None:
    """Densities over 24 % of the nominal 5.5 kA/m2 do not tell U0 from k; over 26 % they may."""
    circuit = room()
    with pytest.raises(Refusal, match=r"span 2\d % of the nominal 5.5 kA/m2.*--keep-k"):
        calibrate_circuit(circuit, drawn(circuit, 1, low=4.0, high=4.0 + 0.245 * 5.5), FitOptions())
    readings = drawn(circuit, 1, low=4.0, high=4.0 + 0.28 * 5.5)
    assert np.ptp(readings.density(circuit)) > 0.25 * 5.5
    assert "k" in calibrate_circuit(circuit, readings, FitOptions()).fit.names


def test_keeping_k_fits_u0_alone() -> None:
    """With k held at the truth, U0 is found from a narrow span and k stays; a wide span still fits k."""
    circuit = room(voltage=CellVoltage(2.4, 0.11))
    found = calibrate_circuit(circuit, drawn(circuit, 2, low=4.0, high=4.4), FitOptions(keep_k=True))
    assert found.k_kept
    assert found.k == 0.11
    assert abs(found.fit.value("U0") - 2.45) < 2 * found.fit.half_width("U0") < 0.02
    assert [change.key for change in found.changes()] == ["intercept_v"]
    wide = calibrate_circuit(circuit, drawn(circuit, 2), FitOptions(keep_k=True))
    assert not wide.k_kept


def test_a_log_term_needs_the_span_too() -> None:
    """Neither k nor a logarithmic term is fitted to a narrow span."""
    circuit = room()
    options = FitOptions(keep_k=True, log_term=True)
    with pytest.raises(Refusal, match="leave --log-term out"):
        calibrate_circuit(circuit, drawn(circuit, 2, low=4.0, high=4.4), options)


def test_a_power_that_is_not_convex_is_refused() -> None:
    """A fitted k below zero would make the power a concave function of the load."""
    circuit = room()
    with pytest.raises(Refusal, match=r"cannot be used.*non-convex"):
        calibrate_circuit(circuit, drawn(circuit, 3, u0=3.6, k=-0.05), FitOptions())


# ---------------------------------------------------------------- what is found


@pytest.mark.parametrize("seed", range(6))
def test_a_held_out_month_is_predicted(seed: int) -> None:
    """Fitted to three months, the metered MW of the fourth is within 1 %; the site file's is not."""
    circuit = room()
    rng = np.random.default_rng(100 + seed)
    truth = {"u0": rng.uniform(2.45, 2.6), "k": rng.uniform(0.115, 0.14), "drift": rng.uniform(0.0, 0.006)}
    readings = drawn(circuit, seed, **truth)
    first = readings.times_min < readings.times_min[0] + 90 * 1440
    found = calibrate_circuit(circuit, readings.only(first), FitOptions())
    month = readings.only(~first)
    assert len(month) > 60
    predicted = ac_power_mw(circuit, month, found.voltage_at(month))
    before = ac_power_mw(circuit, month, circuit.cell_voltage.voltage(month.density(circuit)))
    metered = float(np.sum(month.ac_power_mw))
    assert np.sum(predicted) == pytest.approx(metered, rel=0.01)
    assert abs(np.sum(before) / metered - 1.0) > 0.01
    # What the site file will say after the fit, without the drift of that month.
    later = ac_power_mw(circuit, month, found.circuit().cell_voltage.voltage(month.density(circuit)))
    assert np.sum(later) == pytest.approx(metered, rel=0.01)


def test_a_drift_is_found_and_u0_is_todays() -> None:
    """A drift of 4 mV a month is inside its interval, which leaves out zero; U0 holds at the last reading."""
    circuit = room()
    found = calibrate_circuit(circuit, drawn(circuit, 5, drift=0.004), FitOptions())
    assert abs(found.fit.value("drift") - 0.004) < found.fit.half_width("drift") < 0.004
    assert abs(found.fit.value("U0") - 2.45) < found.fit.half_width("U0") < 0.02


def test_a_drift_needs_thirty_days() -> None:
    """Readings over 29 days get no drift, and the text says so."""
    circuit = room()
    found = calibrate_circuit(circuit, drawn(circuit, 5, days=29), FitOptions())
    assert found.fit.names == ("U0", "k")
    assert "no drift is fitted" in found.notes[0]


def test_age_and_gap_of_the_site_file_stay_in_force() -> None:
    """The changed circuit has today's fitted voltage at its age and gap; a clear drift is written."""
    old = CellVoltage(2.4, 0.12, age_years=4.0, drift_v_per_year=0.03, gap_mm=3.5)
    circuit = room(voltage=old)
    found = calibrate_circuit(circuit, drawn(circuit, 6, drift=0.005), FitOptions())
    new = found.circuit().cell_voltage
    density = np.array([2.5, 4.0, 5.5])
    assert new.voltage(density) == pytest.approx(found.voltage_today(density), abs=3e-5)
    assert new.drift_v_per_year == pytest.approx(12 * found.fit.value("drift"), abs=1e-5)
    assert (new.age_years, new.gap_mm) == (4.0, 3.5)


def test_a_log_term_is_found() -> None:
    """Without noise the three values of U0 + k j + b ln j come back; without the term they cannot."""
    circuit = room()
    readings = drawn(circuit, 7, u0=2.3, k=0.09, log_v=0.08, noise_v=0.0)
    found = calibrate_circuit(circuit, readings, FitOptions(log_term=True))
    assert [found.fit.value(name) for name in ("U0", "k", "log")] == pytest.approx([2.3, 0.09, 0.08])
    assert {change.key: change.after for change in found.changes()} == {
        "intercept_v": 2.3,
        "k_v_m2_per_ka": 0.09,
        "log_v": 0.08,
    }
    assert calibrate_circuit(circuit, readings, FitOptions()).fit.noise > 1e-4


def test_a_log_term_of_the_site_file_stays() -> None:
    """Where it is not fitted again, the factor of ln j is that of the file, and U0 and k go with it."""
    circuit = room(voltage=CellVoltage(2.4, 0.12, log_v=0.08))
    found = calibrate_circuit(circuit, drawn(circuit, 7, u0=2.3, log_v=0.08, noise_v=0.0), FitOptions())
    assert (found.fit.value("U0"), found.k, found.log_v) == pytest.approx((2.3, 0.11, 0.08))


def lagging(**changes: object) -> Circuit:
    """Return a circuit whose steady temperature is 86 C at 5.5 kA/m2, 3 K less for each kA/m2 less."""
    return room(thermal=ThermalLag(5.5, 3.0), **changes)


def test_temperatures_are_normalised_to_the_steady_one() -> None:
    """Cold rooms do not raise U0: U + v (T - Ts(j)) is fitted; the same readings as they are lie too high."""
    circuit = lagging()
    cold = np.random.default_rng(8).normal(-4.0, 2.0, 400)
    readings = drawn(circuit, 8, noise_v=0.0, warmer_c=cold)
    found = calibrate_circuit(circuit, readings, FitOptions())
    assert (found.fit.value("U0"), found.k) == pytest.approx((2.45, 0.11))
    as_read = replace(readings, temperature_c=np.full(len(readings), np.nan))
    raw = calibrate_circuit(circuit, as_read, FitOptions())
    assert np.mean(raw.voltage_today(np.array([4.0])) - found.voltage_today(np.array([4.0]))) > 0.03


def test_the_temperature_coefficient_is_found() -> None:
    """Fitted, it is the truth's 11.5 mV/K, though the site file says 5, and the file gets it."""
    truth = lagging()
    readings = drawn(truth, 9, noise_v=0.0, warmer_c=np.random.default_rng(9).normal(0.0, 2.0, 400))
    circuit = lagging()
    circuit = replace(circuit, thermal=replace(circuit.thermal or ThermalLag(5.5, 3.0), volts_per_c=0.005))
    found = calibrate_circuit(circuit, readings, FitOptions(fit_temperature=True))
    assert found.volts_per_c == pytest.approx(0.0115)
    assert ("thermal", "volts_per_c", 0.0115) in {(c.table, c.key, c.after) for c in found.changes()}


def test_without_thermal_a_reference_must_be_stated() -> None:
    """Temperatures of such a circuit are told as not used; with reference and coefficient they count."""
    circuit = room()
    readings = replace(drawn(circuit, 10, noise_v=0.0), temperature_c=np.full(3 * 120, 80.0))
    readings = replace(readings, temperature_c=readings.temperature_c[: len(readings)])
    assert "temperatures are not used" in calibrate_circuit(circuit, readings, FitOptions()).notes[0]
    found = calibrate_circuit(circuit, readings, FitOptions(volts_per_c=0.01, reference_c=85.0))
    assert found.fit.value("U0") == pytest.approx(2.45 - 0.01 * 5.0)
    with pytest.raises(Refusal, match="--reference-c needs a coefficient"):
        calibrate_circuit(circuit, readings, FitOptions(reference_c=85.0))
    with pytest.raises(Refusal, match="state the reference"):
        calibrate_circuit(circuit, readings, FitOptions(fit_temperature=True))


def test_a_missing_temperature_is_named() -> None:
    """Where temperatures count, a reading without one is told with its line and not left out."""
    circuit = lagging()
    readings = drawn(circuit, 11, warmer_c=np.zeros(400))
    readings.temperature_c[17] = np.nan
    with pytest.raises(Refusal, match=r"1 of .* have none, the first in line 19"):
        calibrate_circuit(circuit, readings, FitOptions())


def test_a_strength_term_is_found() -> None:
    """15 mV per percent of strength around the technology's 32 % come back."""
    circuit = room()
    strength = np.random.default_rng(12).uniform(30.0, 34.0, 400)
    readings = drawn(circuit, 12, noise_v=0.0, strength=strength, v_per_percent=0.015)
    found = calibrate_circuit(circuit, readings, FitOptions(strength_term=True))
    assert (found.fit.value("strength"), found.fit.value("U0")) == pytest.approx((0.015, 2.45))


def test_cells_and_electrolysers_out_of_service_count() -> None:
    """With one of two electrolysers out the same load is twice the density."""
    circuit = room(electrolysers_in_parallel=2)
    readings = drawn(circuit, 13, noise_v=0.0)
    half = np.arange(len(readings)) % 3 == 0
    load = np.where(half, readings.load_ka / 2.0, readings.load_ka)
    changed = replace(readings, load_ka=load, electrolysers=np.where(half, 1.0, 2.0))
    found = calibrate_circuit(circuit, changed, FitOptions())
    assert (found.fit.value("U0"), found.k) == pytest.approx((2.45, 0.11))


# ---------------------------------------------------------------- outliers


def spoiled(circuit: Circuit) -> tuple[Readings, Mask]:
    """Return readings of which three are 0.1 V off, and which."""
    readings = drawn(circuit, 14)
    bad = np.zeros(len(readings), dtype=bool)
    bad[[30, 150, 260]] = True
    return replace(readings, cell_voltage_v=readings.cell_voltage_v + np.where(bad, 0.1, 0.0)), bad


def test_far_readings_are_shown_and_kept() -> None:
    """Each of three readings 0.1 V off is called far, and all readings are in the fit."""
    circuit = room()
    readings, bad = spoiled(circuit)
    found = calibrate_circuit(circuit, readings, FitOptions())
    assert np.all(found.far()[bad])
    assert found.used.all()
    assert found.fit.readings == len(readings)


def test_far_readings_are_left_out_on_demand() -> None:
    """Then the scatter is that of the others, and the residuals of those left out are still told."""
    circuit = room()
    readings, bad = spoiled(circuit)
    found = calibrate_circuit(circuit, readings, FitOptions(without_far=True))
    assert not found.used[bad].any()
    assert found.fit.noise < 0.008
    assert found.residuals_v()[bad] == pytest.approx(0.1, abs=0.03)


# ---------------------------------------------------------------- current efficiency


def analysed(circuit: Circuit, low: float, ce0: float, leakage: float) -> Readings:
    """Return readings with an analysis in every tenth."""
    readings = drawn(circuit, 15, low=low)
    share = ce0 - leakage / readings.density(circuit)
    some = np.arange(len(readings)) % 10 == 0
    return replace(readings, efficiency_percent=np.where(some, 100.0 * share, np.nan))


def test_current_efficiency_is_found() -> None:
    """CE = 0.97 - 0.05 / j comes back from exact analyses, and goes to the site file."""
    circuit = room()
    found = calibrate_circuit(circuit, analysed(circuit, 2.5, 0.97, 0.05), FitOptions())
    assert found.efficiency is not None
    assert found.efficiency.fit.values == pytest.approx([0.97, 0.05])
    new = found.circuit().current_efficiency
    assert (new.ce0, new.leakage_ka_per_m2) == (0.97, 0.05)
    assert new.hydrogen == circuit.current_efficiency.hydrogen


def test_an_impossible_efficiency_is_told_and_not_written() -> None:
    """An efficiency that rises as the load falls would need c below 0: nothing is clipped."""
    circuit = room()
    found = calibrate_circuit(circuit, analysed(circuit, 2.5, 0.95, -0.05), FitOptions())
    assert found.efficiency is None
    assert "c must be at least 0" in found.notes[-1]


def test_few_analyses_are_told() -> None:
    """Four analyses are not fitted."""
    circuit = room()
    readings = analysed(circuit, 2.5, 0.97, 0.05)
    readings.efficiency_percent[40:] = np.nan
    assert "4 analyses, at least 5" in calibrate_circuit(circuit, readings, FitOptions()).notes[-1]


# ---------------------------------------------------------------- metered power


def test_power_by_month_is_told_before_and_after() -> None:
    """By local months: mean of the metered power, of the site file's and of the fit's."""
    circuit = room()
    found = calibrate_circuit(circuit, drawn(circuit, 16, noise_v=0.0, u0=2.5, drift=0.004), FitOptions())
    months = power_by_month(found, ZONE)
    assert sum(month.readings for month in months) == len(found.readings)
    assert [month.month for month in months] == sorted({month.month for month in months})
    for month in months:
        assert month.after_mw == pytest.approx(month.metered_mw)
        assert month.before_mw != pytest.approx(month.metered_mw, rel=1e-3)


# ---------------------------------------------------------------- the file of readings


HEAD = "time,circuit,load_ka,cell_voltage_v,dc_voltage_v,cells,ac_power_mw\n"


def test_all_problems_of_a_file_come_at_once(tmp_path: Path) -> None:
    """Duplicates, zero load, numbers that are none, wrong names and voltages: each with its line."""
    site = lay(tmp_path)
    rows = [
        "2026-05-01T00:00,room,10,2.9,,,4.4",
        "2026-05-01T00:00,room,10,2.9,,,",
        "2026-05-01T01:00,room,0,2.9,,,",
        "2026-05-01T02:00,room,10,nan,,,",
        "2026-05-01T03:00,rom,10,2.9,,,",
        "2026-05-01T04:00,room,10,2.9,430,,",
        "2026-05-01T05:00,room,10,,,,",
        "2026-05-01T06:00,room,10,,4300,,",
        "2026-05-01T07:00,room,10,2.9,,151,",
        "2026-05-01T08:00,store,10,2.9,,,",
    ]
    table = tmp_path / "readings.csv"
    table.write_text(HEAD + "\n".join(rows) + "\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_readings(site, table)
    text = str(caught.value)
    for part in (
        "line 3, column 'time': 'time' has a second reading of 'room'",
        "the first is in line 2",
        "line 4, column 'load_ka': 'load_ka' must be above 0 [kA] (got 0)",
        "line 5, column 'cell_voltage_v': 'cell_voltage_v' must be a number (got 'nan')",
        "line 6, column 'circuit': 'circuit' must be a unit of the site (got 'rom'); did you mean 'room'?",
        "line 7, column 'cell_voltage_v': 'cell_voltage_v' or 'dc_voltage_v' must be given, one of them",
        "(got neither)",
        "line 9, column 'dc_voltage_v'",
        "line 10, column 'cells': 'cells' must be at most 150",
        "line 11, column 'circuit': 'circuit' must be a circuit (got 'store')",
    ):
        assert part in text
    assert text.startswith("9 problems")


def test_dc_voltage_gives_the_cell_voltage(tmp_path: Path) -> None:
    """(U_dc - R I) / cells: (446.5 V - 50 uohm x 10 kA) / 149 = 446 / 149 V, rows in any order."""
    site = lay(tmp_path)
    text = site.read_text(encoding="utf-8")
    site.write_text(text.replace("step_ka = 0.5", "busbar = { resistance_uohm = 50.0 }"), encoding="utf-8")
    table = tmp_path / "readings.csv"
    rows = "2026-05-02T00:00,room,10,,446.5,149,\n2026-05-01T00:00,room,10,2.9,,,4.4\n"
    table.write_text(HEAD + rows, encoding="utf-8")
    readings = read_readings(site, table).readings["room"]
    assert readings.cell_voltage_v == pytest.approx([2.9, 446.0 / 149.0])
    assert readings.cells.tolist() == [150, 149]
    assert readings.places == ("line 3", "line 2")


# ---------------------------------------------------------------- the command


def written(folder: Path, readings: Readings) -> Path:
    """Write readings as a file."""
    path = folder / "readings.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(["time", "circuit", "load_ka", "cell_voltage_v", "ac_power_mw"])
        for i in range(len(readings)):
            at = np.datetime64(int(readings.times_min[i]), "m")
            out.writerow(
                [
                    f"{at}Z",
                    readings.circuit,
                    f"{readings.load_ka[i]:.3f}",
                    f"{readings.cell_voltage_v[i]:.5f}",
                    f"{readings.ac_power_mw[i]:.4f}",
                ]
            )
    return path


def calibrated(folder: Path, *words: str, seed: int = 20) -> Result:
    """Run the command on the small site of `test_cli`."""
    circuit = room(rectifier=Rectifier(1, 100.0, 1000.0), busbar=Busbar())
    path = written(folder, drawn(circuit, seed, drift=0.003))
    return run("calibrate", folder / "site.toml", path, "--out", folder / "fit", *words)


def test_the_command_writes_its_folder(tmp_path: Path) -> None:
    """Text, table, plot and site file; the new site file differs in the fitted values alone and is read."""
    site = lay(tmp_path)
    old = site.read_text(encoding="utf-8").replace("voltage = {", "# of last year\nvoltage = {")
    site.write_bytes(old.replace("\n", "\r\n").encode())
    result = calibrated(tmp_path)
    assert result.exit_code == 0, result.output
    names = {"calibration.txt", "readings.csv", "room.png", "site_calibrated.toml"}
    assert {entry.name for entry in (tmp_path / "fit").iterdir()} == names
    new = (tmp_path / "fit" / "site_calibrated.toml").read_bytes()
    (circuit,) = read_back(Source("site", "new", new))
    u0, k = circuit.cell_voltage.intercept_v, circuit.cell_voltage.k_v_m2_per_ka
    assert (u0, k) == pytest.approx((2.45, 0.11), abs=0.02)
    back = new.replace(f"intercept_v = {u0}".encode(), b"intercept_v = 2.4")
    back = back.replace(f"k_v_m2_per_ka = {k}".encode(), b"k_v_m2_per_ka = 0.12")
    assert back == site.read_bytes()
    text = (tmp_path / "fit" / "calibration.txt").read_text(encoding="utf-8")
    assert "voltage.intercept_v: 2.4 ->" in text
    assert "Interlocks" in text
    assert "AC power before the rectifiers" in text
    assert (tmp_path / "fit" / "room.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


def test_the_table_holds_every_reading_with_its_residual(tmp_path: Path) -> None:
    """Residual = reading - fit, and the mean of the residuals is near zero."""
    lay(tmp_path)
    assert calibrated(tmp_path).exit_code == 0
    with (tmp_path / "fit" / "readings.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    given = (tmp_path / "readings.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == len(given) - 1
    for row in rows:
        off = float(row["cell_voltage_v"]) - float(row["fitted_voltage_v"])
        assert float(row["residual_v"]) == pytest.approx(off, abs=2e-4)
    assert abs(np.mean([float(row["residual_v"]) for row in rows])) < 0.003


def test_the_command_refuses_and_offers(tmp_path: Path) -> None:
    """A narrow span ends with exit code 2 and no folder; with --keep-k it is fitted and said."""
    lay(tmp_path)
    circuit = room(rectifier=Rectifier(1, 100.0, 1000.0), busbar=Busbar())
    path = written(tmp_path, drawn(circuit, 21, low=4.0, high=4.3))
    words = ("calibrate", tmp_path / "site.toml", path, "--out", tmp_path / "fit")
    result = run(*words)
    assert result.exit_code == 2
    assert "hold k as in the site file and fit U0 alone with --keep-k" in result.stderr
    assert not (tmp_path / "fit").exists()
    result = run(*words, "--keep-k")
    assert result.exit_code == 0
    assert "k stays 0.12 V m2/kA as in the site file" in result.stdout


@pytest.mark.parametrize(
    ("voltage", "line"),
    [
        ("", "voltage = {intercept_v = "),
        ("voltage.intercept_v = 2.4 # dotted\nvoltage.k_v_m2_per_ka = 0.12", "voltage.intercept_v = "),
    ],
)
def test_other_layouts_of_a_site_file_are_kept(tmp_path: Path, voltage: str, line: str) -> None:
    """A circuit on its technology's default gets a table below its density; dotted keys stay dotted."""
    site = lay(tmp_path)
    text = site.read_text(encoding="utf-8")
    site.write_text(
        text.replace("voltage = { intercept_v = 2.4, k_v_m2_per_ka = 0.12 }", voltage), encoding="utf-8"
    )
    assert calibrated(tmp_path).exit_code == 0
    new = (tmp_path / "fit" / "site_calibrated.toml").read_text(encoding="utf-8")
    old = site.read_text(encoding="utf-8")
    assert line in new
    changed = [row for row in new.splitlines() if row not in old.splitlines()]
    assert all(row.startswith("voltage") for row in changed)
    (circuit,) = read_back(Source("site", "new", new.encode()))
    assert circuit.cell_voltage.intercept_v == pytest.approx(2.45, abs=0.02)


def test_a_table_of_its_own_is_kept_and_may_grow(tmp_path: Path) -> None:
    """In a [unit.voltage] table values change in place; a logarithmic term is a new key of it."""
    site = lay(tmp_path)
    text = site.read_text(encoding="utf-8").replace(
        "voltage = { intercept_v = 2.4, k_v_m2_per_ka = 0.12 }\n", ""
    )
    own = "[unit.voltage] # measured\nintercept_v = 2.4 # old\nk_v_m2_per_ka = 0.12\n\n"
    text = text.replace('[[unit]]\nkind = "own_use"', f'{own}[[unit]]\nkind = "own_use"')
    site.write_text(text, encoding="utf-8")
    assert calibrated(tmp_path, "--log-term").exit_code == 0
    new = (tmp_path / "fit" / "site_calibrated.toml").read_text(encoding="utf-8")
    assert [row for row in text.splitlines() if row not in new.splitlines()] == [
        "intercept_v = 2.4 # old",
        "k_v_m2_per_ka = 0.12",
    ]
    (circuit,) = read_back(Source("site", "new", new.encode()))
    assert circuit.cell_voltage.log_v != 0.0
    density = np.array([3.0, 5.0])
    assert circuit.cell_voltage.voltage(density) == pytest.approx(2.45 + 0.11 * density, abs=0.02)


# ---------------------------------------------------------------- the demo


def test_the_demos_readings_are_those_of_the_stated_seed() -> None:
    """The file in the demo is what `tests.demo_days` makes."""
    with (FOLDER / "readings.csv").open(encoding="utf-8", newline="") as file:
        assert list(csv.reader(file)) == reading_rows()


@pytest.fixture(scope="module")
def demo() -> dict[str, CircuitCalibration]:
    """Return the fits of the demo's circuits, as the README runs them."""
    read = read_readings(FOLDER / "site.toml", FOLDER / "readings.csv")
    options = FitOptions(volts_per_c=VOLTS_PER_C, reference_c=REFERENCE_C)
    return {
        name: calibrate_circuit(read.circuits[name], readings, options)
        for name, readings in read.readings.items()
    }


def test_the_demos_truth_is_found(demo: dict[str, CircuitCalibration]) -> None:
    """U0, k and drift of all four rooms are within twice their intervals of the invented truth."""
    assert set(demo) == set(TRUTH)
    for name, truth in TRUTH.items():
        fit = demo[name].fit
        assert fit.names == ("U0", "k", "drift")
        assert np.all(np.abs(fit.values - truth) < 2 * fit.half_widths)


def test_the_demos_bad_reading_is_flagged(demo: dict[str, CircuitCalibration]) -> None:
    """Reading 100 of room B1 is 90 mV off: it alone is far."""
    assert np.flatnonzero(demo["room_b1"].far()).tolist() == [100]


def test_the_demos_site_file_keeps_everything_else(demo: dict[str, CircuitCalibration]) -> None:
    """Of its lines only the voltage and efficiency of the four rooms differ, and in these only numbers."""
    data = (FOLDER / "site.toml").read_bytes()
    new = updated_site(Source("site", "site.toml", data), demo.values()).splitlines(keepends=True)
    old = data.decode().splitlines(keepends=True)
    assert len(new) == len(old)
    differing = [(one, other) for one, other in zip(old, new, strict=True) if one != other]
    assert len(differing) == 2 * len(TRUTH)
    for one, other in differing:
        assert one.startswith(("voltage = {", "efficiency = {"))
        assert re.sub(r"[0-9.]+", "#", one) == re.sub(r"[0-9.]+", "#", other)


def test_a_circuit_without_readings_is_told(demo: dict[str, CircuitCalibration]) -> None:
    """It is named in the text, and nothing of it changes."""
    text = calibration_text([demo["room_m"]], ZONE, "works", {}, (), ["room_c"])
    assert "room_c: no reading; its keys stay as they are" in text
