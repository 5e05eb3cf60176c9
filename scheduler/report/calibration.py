"""What a calibration gives to people: words, a table of residuals, and one plot for each circuit.

Owns their content. Names of columns stand in `scheduler.report.columns`, the fits in `studies.calibrate`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from models.horizon import Array, Integers, instant_of
from scheduler.report import style
from scheduler.report.cautions import STUDY_CAUTION
from scheduler.report.columns import STUDY_FILES
from scheduler.report.csv_text import csv_text
from scheduler.report.wording import fixed, plain, wrapped
from scheduler.studies.calibrate import (
    CE0,
    DRIFT,
    LEAST_SPAN,
    MONTHS_PER_YEAR,
    STRENGTH,
    TEMPERATURE,
    U0,
    UNITS,
    CircuitCalibration,
    K,
    power_by_month,
    span_share,
)
from scheduler.studies.regression import FAR, Fit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

TEXT_NAME, TABLE_NAME, SITE_NAME = "calibration.txt", "readings.csv", "site_calibrated.toml"
MOST_FAR_SHOWN = 10
"""Readings far from a fit that the text lists; the table has all."""
MILLI = 1000.0
FOOT_CHARACTERS = 230
"""Characters in a line below a plot."""


def calibration_names(circuits: Iterable[str]) -> tuple[str, ...]:
    """Return the names of files that a calibration may have left in its folder.

    Parameters
    ----------
    circuits : iterable of str
        Circuits of the site. [-]

    Returns
    -------
    tuple of str
        File names. [-]
    """
    return (TEXT_NAME, TABLE_NAME, SITE_NAME, *(f"{name}.png" for name in circuits))


def calibration_text(
    calibrations: Iterable[CircuitCalibration],
    zone: ZoneInfo,
    site_name: str,
    digests: Mapping[str, str],
    notes: Iterable[str] = (),
    unread: Iterable[str] = (),
) -> str:
    """Return a calibration in words.

    Parameters
    ----------
    calibrations : iterable of CircuitCalibration
        The fits. [-]
    zone : ZoneInfo
        Zone of the site. [-]
    site_name : str
        Name of the site. [-]
    digests : mapping
        SHA-256 of the inputs. [-]
    notes : iterable of str
        Sentences that stand on every output of the site. [-]
    unread : iterable of str
        Circuits of the site without a reading. [-]

    Returns
    -------
    str
        Lines. [-]
    """
    lines = [f"Calibration: {plain(site_name)}", *(plain(note) for note in notes), ""]
    for calibration in calibrations:
        lines += [*_circuit_lines(calibration, zone), ""]
    for name in unread:
        lines += [f"{name}: no reading; its keys stay as they are", ""]
    lines += [
        *wrapped(
            "Intervals hold 95 % of the time if the model's form is right: errors that fade exponentially in "
            "time are counted, so neighbouring readings do not count as independent. U = U0 + k j + b ln j; "
            "U0 holds at the last reading. A voltmeter, an area or a busbar that is wrong is fitted as if it "
            "were the cells."
        ),
        *wrapped(
            f"{SITE_NAME} is the site file with the keys above changed and nothing else. It names its other "
            "files as before: look it through, then put it in the place of the old one."
        ),
        "",
        *wrapped(STUDY_CAUTION),
        "",
        "Inputs (SHA-256):",
        *(f"  {plain(name)}: {digest}" for name, digest in digests.items()),
    ]
    return "\n".join(lines)


def _local(minute: int, zone: ZoneInfo) -> str:
    return instant_of(minute).astimezone(zone).isoformat(timespec="minutes")


def _circuit_lines(calibration: CircuitCalibration, zone: ZoneInfo) -> list[str]:
    readings, fit, circuit = calibration.readings, calibration.fit, calibration.before
    density = readings.density(circuit)
    lines = [
        f"{circuit.name}: {len(readings)} readings from {_local(int(readings.times_min[0]), zone)} to "
        f"{_local(int(readings.times_min[-1]), zone)}, {np.min(density):.2f} to {np.max(density):.2f} kA/m2 "
        f"({100.0 * span_share(circuit, density):.0f} % of nominal)",
        *_value_lines(fit),
    ]
    if calibration.k_kept:
        lines.append(
            f"  k stays {calibration.k:g} V m2/kA as in the site file: the density spans less than "
            f"{100.0 * LEAST_SPAN:.0f} % of nominal. U0 takes up what k is wrong by."
        )
    if DRIFT in fit.names:
        lines.append(
            f"  drift {fixed(MILLI * fit.value(DRIFT), 2)} mV per month, "
            f"{fixed(MONTHS_PER_YEAR * fit.value(DRIFT), 3)} V per year at that rate"
        )
    lines.append(
        f"  scatter {fixed(MILLI * fit.noise, 1)} mV, with a memory of {fixed(fit.memory, 1)} h: "
        f"{fit.readings} readings tell a mean as well as {fixed(fit.effective, 0)} independent ones"
    )
    lines += _temperature_lines(calibration)
    if STRENGTH in fit.names:
        lines.append(
            f"  U0 holds at {calibration.strength_reference_percent:g} wt% alkali, usual for the technology"
        )
    lines += _far_lines(calibration, zone)
    lines += _efficiency_lines(calibration)
    lines += [line for note in calibration.notes for line in wrapped(note, "  ")]
    lines.append("  site file:")
    lines += [
        f"    {change.table}.{change.key}: {change.before:g} -> {change.after:g}"
        for change in calibration.changes()
    ]
    lines += _power_lines(calibration, zone)
    return lines


def _value_lines(fit: Fit) -> list[str]:
    return [
        f"  {name:<12}{fixed(value, 5):>10} +- {fixed(half, 5)} {UNITS[name]}"
        for name, value, half in zip(fit.names, fit.values.tolist(), fit.half_widths.tolist(), strict=True)
    ]


def _temperature_lines(calibration: CircuitCalibration) -> list[str]:
    if not calibration.volts_per_c:
        return []
    to = (
        "the steady temperature of its density ('thermal')"
        if calibration.reference_c is None
        else f"{calibration.reference_c:g} C"
    )
    how = "fitted" if TEMPERATURE in calibration.fit.names else "given"
    return [f"  voltages normalised to {to} with {calibration.volts_per_c:.5f} V/K, {how}"]


def _far_lines(calibration: CircuitCalibration, zone: ZoneInfo) -> list[str]:
    readings, far = calibration.readings, np.flatnonzero(calibration.far())
    residual = calibration.residuals_v()
    left_out = np.flatnonzero(~calibration.used)
    lines = []
    if left_out.size:
        lines.append(
            f"  left out as far from a first fit (--without-far): {_count(left_out.size, 'reading')}"
        )
        lines += _listed(left_out, residual, readings.times_min, readings.places, zone)
    if far.size:
        lines.append(
            f"  far from the fit, and part of it: {_count(far.size, 'reading')} beyond {FAR:g} standard "
            "deviations; look at them before you leave them out (--without-far)"
        )
        lines += _listed(far, residual, readings.times_min, readings.places, zone)
    return lines or [f"  no reading is far from the fit ({FAR:g} standard deviations)"]


def _listed(
    at: Integers, residual: Array, times_min: Integers, places: tuple[str, ...], zone: ZoneInfo
) -> list[str]:
    lines = [
        f"    {places[i]}: {_local(int(times_min[i]), zone)}, {fixed(MILLI * float(residual[i]), 0)} mV"
        for i in at.tolist()[:MOST_FAR_SHOWN]
    ]
    if len(at) > MOST_FAR_SHOWN:
        lines.append(f"    and {len(at) - MOST_FAR_SHOWN} more: see {TABLE_NAME}")
    return lines


def _efficiency_lines(calibration: CircuitCalibration) -> list[str]:
    found = calibration.efficiency
    if found is None:
        return []
    lines = [
        f"  current efficiency CE = {CE0} - c / j from {found.fit.readings} analyses:",
        *_value_lines(found.fit),
    ]
    if found.fit.far.size:
        places = ", ".join(calibration.readings.places[int(found.positions[i])] for i in found.fit.far)
        lines.append(f"    far from it, and part of it: {places}")
    return lines


def _signed(value: float) -> str:
    text = fixed(value, 2)
    return f"+{text}" if value > 0 and text != "0.00" else text


def _count(number: int, one: str) -> str:
    return f"{number} {one}" if number == 1 else f"{number} {one}s"


def _power_lines(calibration: CircuitCalibration, zone: ZoneInfo) -> list[str]:
    months = power_by_month(calibration, zone)
    if not months:
        return []
    lines = [
        "  AC power before the rectifiers, mean over readings with a meter:",
        "    month    readings  metered MW        site file MW              fit MW",
    ]
    for month in months:
        before, after = (
            f"{fixed(value, 3)} ({_signed(100.0 * (value / month.metered_mw - 1.0))} %)"
            for value in (month.before_mw, month.after_mw)
        )
        lines.append(
            f"    {month.month}  {month.readings:>8}  {fixed(month.metered_mw, 3):>10}  {before:>18}  "
            f"{after:>18}"
        )
    lines += wrapped(
        "What is left after the fit is not the cells: losses of rectifiers or busbars, or a meter.",
        "    ",
    )
    return lines


def readings_csv(calibrations: Iterable[CircuitCalibration], zone: ZoneInfo) -> str:
    """Return every reading with what the fit says of it.

    Parameters
    ----------
    calibrations : iterable of CircuitCalibration
        The fits. [-]
    zone : ZoneInfo
        Zone of the site. [-]

    Returns
    -------
    str
        CSV, one row per reading. [-]
    """
    rows = []
    for calibration in calibrations:
        readings = calibration.readings
        density = readings.density(calibration.before)
        today = readings.cell_voltage_v - calibration.conditions_v(readings)
        predicted = calibration.voltage_at(readings)
        flags = _flags(calibration)
        for i in range(len(readings)):
            rows.append(
                [
                    _local(int(readings.times_min[i]), zone),
                    readings.circuit,
                    fixed(float(readings.load_ka[i]), 4),
                    fixed(float(density[i]), 4),
                    fixed(float(readings.cell_voltage_v[i]), 4),
                    fixed(float(today[i]), 4),
                    fixed(float(predicted[i]), 4),
                    fixed(float(readings.cell_voltage_v[i] - predicted[i]), 4),
                    flags[i],
                    readings.places[i],
                ]
            )
    return csv_text((column.name for column in STUDY_FILES[TABLE_NAME]), rows)


def _flags(calibration: CircuitCalibration) -> list[str]:
    flags = [
        "left out" if not used else "far" if far else ""
        for used, far in zip(calibration.used.tolist(), calibration.far().tolist(), strict=True)
    ]
    if calibration.efficiency is not None:
        for i in calibration.efficiency.positions[calibration.efficiency.fit.far].tolist():
            flags[i] = "; ".join(part for part in (flags[i], "far efficiency") if part)
    return flags


def write_plot(calibration: CircuitCalibration, zone: ZoneInfo, notes: Iterable[str], path: Path) -> None:
    """Draw voltage against density with its interval, and the residuals over time, as PNG.

    Parameters
    ----------
    calibration : CircuitCalibration
        The fit. [-]
    zone : ZoneInfo
        Zone of the site. [-]
    notes : iterable of str
        Sentences that stand on every output of the site. [-]
    path : Path
        File to write. [-]
    """
    with style.drawing(font_pt=10.0):
        _plotted(calibration, zone, notes).savefig(path, format="png", metadata={"Software": None})


def _plotted(calibration: CircuitCalibration, zone: ZoneInfo, notes: Iterable[str]) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    readings, circuit = calibration.readings, calibration.before
    density = readings.density(circuit)
    today = readings.cell_voltage_v - calibration.conditions_v(readings)
    far, out = calibration.far(), ~calibration.used
    kinds = (
        (~far & ~out, style.LINES[2], ".", "reading"),
        (far, style.ALARM, "x", "far, part of the fit"),
        (out, style.ALARM, "+", "left out"),
    )
    figure = Figure(figsize=(style.PAGE_IN[0], style.PAGE_IN[1] * 0.62), dpi=style.DPI, facecolor=style.PAPER)
    FigureCanvasAgg(figure)
    left, right = figure.subplots(1, 2)
    residual = MILLI * calibration.residuals_v()
    days = (readings.times_min - calibration.last_min) / 1440.0
    for mask, colour, marker, label in kinds:
        if mask.any():
            left.plot(density[mask], today[mask], marker, color=colour, markersize=4, label=label)
            right.plot(days[mask], residual[mask], marker, color=colour, markersize=4, label=label)
    line = np.linspace(float(np.min(density)), float(np.max(density)), 60)
    middle, half = calibration.voltage_today(line), calibration.half_width_today(line)
    left.fill_between(line, middle - half, middle + half, color=style.LOAD_FILL, label="95 % interval")
    left.plot(line, middle, color=style.INK, linewidth=1.2, label="fit")
    left.plot(
        line,
        circuit.cell_voltage.voltage(line),
        color=style.FAINT_INK,
        linewidth=1.0,
        linestyle="dashed",
        label="site file",
    )
    right.axhline(0.0, color=style.INK, linewidth=0.8)
    last = _local(calibration.last_min, zone)
    left.set_xlabel("current density [kA/m2]", fontsize=style.FONT_PT)
    left.set_ylabel("cell voltage, as of the last reading [V]", fontsize=style.FONT_PT)
    right.set_xlabel(f"days before {last}", fontsize=style.FONT_PT)
    right.set_ylabel("reading less fit [mV]", fontsize=style.FONT_PT)
    for axes in (left, right):
        axes.grid(color=style.GRID, linewidth=0.6)
        axes.set_axisbelow(True)
        axes.tick_params(labelsize=style.SMALL_PT)
        axes.legend(fontsize=style.SMALL_PT, frameon=False)
    words = f"{circuit.name}: U0 {calibration.fit.value(U0):.4f} V, k {calibration.k:.4f} V m2/kA"
    kept = "" if K in calibration.fit.names else " (k kept)"
    figure.suptitle(words + kept, fontsize=style.FONT_PT + 2, color=style.INK)
    foot = textwrap.wrap(" ".join([*(plain(note) for note in notes), STUDY_CAUTION]), FOOT_CHARACTERS)
    figure.text(0.01, 0.01, "\n".join(foot), fontsize=style.SMALL_PT - 1, color=style.FAINT_INK, va="bottom")
    figure.tight_layout(rect=(0.0, 0.025 * (len(foot) + 1), 1.0, 1.0))
    return figure
