"""Cell voltage and current efficiency of circuits, fitted to the plant's own readings.

Owns what is fitted, when U0 and k may be told apart, the normalisation of temperature, and what a fit says
of the metered power. The regression stands in `regression`; how readings are written in a file, and how a
site file is changed, stand elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from zoneinfo import ZoneInfo

import numpy as np

from models.cell_voltage import CellVoltage
from models.checks import InvalidValues
from models.circuit import Circuit
from models.horizon import Array, Integers, Mask, instant_of
from models.technology import DEFAULTS
from scheduler.errors import InputError, Problem
from scheduler.studies.regression import Fit, fit_line

LEAST_SPAN = 0.25
"""Least span of the density, as a share of the technology's nominal one, that tells U0 from k."""
LEAST_DAYS_OF_DRIFT = 30.0
"""Least time between first and last reading for which a drift is fitted. [d]"""
MINUTES_PER_MONTH = 365.25 / 12.0 * 1440.0
MONTHS_PER_YEAR = 12.0
LEAST_ANALYSES = 5
"""Least analyses of the current efficiency for which it is fitted: two values need three more."""

U0, K, LOG, DRIFT, TEMPERATURE, STRENGTH = "U0", "k", "log", "drift", "temperature", "strength"
CE0, LEAKAGE = "ce0", "c"
UNITS: Mapping[str, str] = {
    U0: "V",
    K: "V m2/kA",
    LOG: "V",
    DRIFT: "V/month",
    TEMPERATURE: "V/K",
    STRENGTH: "V/%",
    CE0: "-",
    LEAKAGE: "kA/m2",
}
"""Unit of each value that may be fitted."""
DECIMALS: Mapping[str, int] = {
    "intercept_v": 5,
    "k_v_m2_per_ka": 6,
    "log_v": 5,
    "drift_v_per_year": 5,
    "volts_per_c": 6,
    "ce0": 5,
    "leakage_ka_per_m2": 5,
}
"""Digits after the point with which a key is written."""


@dataclass(frozen=True, eq=False)
class Readings:
    """Readings of one circuit, in order of time; NaN where an optional one is not given.

    Parameters
    ----------
    circuit : str
        Name of the circuit. [-]
    times_min : ndarray
        Instants since the epoch, rising. Shape (n,). [min]
    load_ka : ndarray
        Load, above 0. Shape (n,). [kA]
    cell_voltage_v : ndarray
        Mean voltage of a cell. Shape (n,). [V]
    cells, electrolysers : ndarray
        Cells in series and electrolysers in parallel that carried the load. Each shape (n,). [-]
    temperature_c, strength_percent, efficiency_percent, ac_power_mw : ndarray
        Cell temperature, strength of the alkali, analysed current efficiency, metered AC power before the
        rectifiers. Each shape (n,). [C], [wt%], [%], [MW]
    places : tuple of str
        Where each was read, in words. Length n. [-]
    """

    circuit: str
    times_min: Integers
    load_ka: Array
    cell_voltage_v: Array
    cells: Array
    electrolysers: Array
    temperature_c: Array
    strength_percent: Array
    efficiency_percent: Array
    ac_power_mw: Array
    places: tuple[str, ...]

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.times_min)

    def density(self, circuit: Circuit) -> Array:
        """Return the current densities.

        Parameters
        ----------
        circuit : Circuit
            The circuit, for its area. [-]

        Returns
        -------
        ndarray
            Shape (n,). [kA/m2]
        """
        return self.load_ka / (self.electrolysers * circuit.area_m2)

    def only(self, kept: Mask) -> Readings:
        """Return some of the readings.

        Parameters
        ----------
        kept : ndarray of bool
            Which. Shape (n,). [-]

        Returns
        -------
        Readings
            Those. [-]
        """
        return Readings(
            self.circuit,
            self.times_min[kept],
            self.load_ka[kept],
            self.cell_voltage_v[kept],
            self.cells[kept],
            self.electrolysers[kept],
            self.temperature_c[kept],
            self.strength_percent[kept],
            self.efficiency_percent[kept],
            self.ac_power_mw[kept],
            tuple(place for place, keep in zip(self.places, kept.tolist(), strict=True) if keep),
        )


@dataclass(frozen=True)
class FitOptions:
    """What is asked of a calibration.

    Parameters
    ----------
    keep_k : bool
        Whether circuits whose density spans too little keep the k of the site file. [-]
    log_term : bool
        Whether the factor of ln j is fitted; it stays as in the site file otherwise. [-]
    fit_temperature : bool
        Whether the temperature coefficient is fitted, not taken as given. [-]
    strength_term : bool
        Whether a term in the strength of the alkali is fitted. [-]
    without_far : bool
        Whether readings far from a first fit are left out of a second one. [-]
    volts_per_c : float, optional
        Given temperature coefficient of circuits without `thermal`, 0 or more. [V/K]
    reference_c : float, optional
        Temperature to which circuits without `thermal` are normalised. [C]
    """

    keep_k: bool = False
    log_term: bool = False
    fit_temperature: bool = False
    strength_term: bool = False
    without_far: bool = False
    volts_per_c: float | None = None
    reference_c: float | None = None


class Refusal(ValueError):
    """Readings do not tell what was asked of them."""


@dataclass(frozen=True)
class KeyChange:
    """A key of a circuit in the site file that a fit gives a new value.

    Parameters
    ----------
    table, key : str
        Table of the circuit and key in it. [-]
    before : float
        Value in use so far, a default included. [as the key]
    after : float
        New value, rounded as it is written. [as the key]
    """

    table: str
    key: str
    before: float
    after: float


@dataclass(frozen=True, eq=False)
class EfficiencyFit:
    """Current efficiency from analyses.

    Parameters
    ----------
    fit : Fit
        The regression. [-]
    positions : ndarray of int
        Readings with an analysis. Shape (m,). [-]
    leakage_held : bool
        Whether c stays as in the site file because the density spans too little. [-]
    """

    fit: Fit
    positions: Integers
    leakage_held: bool


@dataclass(frozen=True, eq=False)
class CircuitCalibration:
    """What readings say of one circuit.

    Parameters
    ----------
    before : Circuit
        The circuit as in the site file. [-]
    readings : Readings
        All of its readings. [-]
    used : ndarray of bool
        Which of them the voltage is fitted to. Shape (n,). [-]
    fit : Fit
        The regression of the voltage. [-]
    k_kept : bool
        Whether k stays as in the site file. [-]
    volts_per_c : float
        Temperature coefficient in use, fitted or given; 0 without normalisation. [V/K]
    reference_c : float or None
        Temperature that voltages are normalised to; None for the steady one of `thermal`, or without
        normalisation. [C]
    strength_reference_percent : float
        Strength at which the fitted voltage holds, where a term is fitted. [wt%]
    efficiency : EfficiencyFit or None
        Current efficiency, where there are analyses enough. [-]
    notes : tuple of str
        What was not used, and why. [-]
    """

    before: Circuit
    readings: Readings
    used: Mask
    fit: Fit
    k_kept: bool
    volts_per_c: float
    reference_c: float | None
    strength_reference_percent: float
    efficiency: EfficiencyFit | None
    notes: tuple[str, ...] = ()

    @property
    def last_min(self) -> int:
        """Instant for which the fitted voltage holds: that of the last reading. [min]."""
        return int(self.readings.times_min[-1])

    def fitted(self, name: str, otherwise: float = 0.0) -> float:
        """Return a fitted value of the voltage, or another where it was not fitted.

        Parameters
        ----------
        name : str
            One of the names in `UNITS`. [-]
        otherwise : float
            Value without a fit. [as the name]

        Returns
        -------
        float
            The value. [as the name]
        """
        return self.fit.value(name) if name in self.fit.names else otherwise

    @property
    def k(self) -> float:
        """Slope in use, fitted or kept. [V m2/kA]."""
        return self.fitted(K, self.before.cell_voltage.k_effective)

    @property
    def log_v(self) -> float:
        """Factor of ln j in use, fitted or kept. [V]."""
        return self.fitted(LOG, self.before.cell_voltage.log_v)

    def voltage_today(self, density: Array) -> Array:
        """Return the cell voltage at the instant of the last reading and the reference conditions.

        Parameters
        ----------
        density : ndarray
            Current density, above 0. Shape (m,). [kA/m2]

        Returns
        -------
        ndarray
            Shape (m,). [V]
        """
        return self.fitted(U0) + self.k * density + self.log_v * np.log(density)

    def half_width_today(self, density: Array) -> Array:
        """Return half the width of the 95 % interval of `voltage_today`.

        Parameters
        ----------
        density : ndarray
            Current density, above 0. Shape (m,). [kA/m2]

        Returns
        -------
        ndarray
            Shape (m,). [V]
        """
        rows = np.zeros((len(density), len(self.fit.names)))
        for name, values in ((U0, np.ones(len(density))), (K, density), (LOG, np.log(density))):
            if name in self.fit.names:
                rows[:, self.fit.names.index(name)] = values
        return self.fit.half_width_at(rows)

    def conditions_v(self, readings: Readings) -> Array:
        """Return what time, temperature and strength add to the voltage of readings.

        Parameters
        ----------
        readings : Readings
            Readings of the circuit, later ones too. [-]

        Returns
        -------
        ndarray
            Shape (n,). [V]
        """
        extra = self.fitted(DRIFT) * (readings.times_min - self.last_min) / MINUTES_PER_MONTH
        if self.volts_per_c:
            extra = extra - self.volts_per_c * _warmer(self.before, readings, self.reference_c)
        if STRENGTH in self.fit.names:
            beyond = readings.strength_percent - self.strength_reference_percent
            extra = extra + self.fitted(STRENGTH) * beyond
        return np.asarray(extra, dtype=np.float64)

    def voltage_at(self, readings: Readings) -> Array:
        """Return the cell voltage that the fit gives at the conditions of readings.

        Parameters
        ----------
        readings : Readings
            Readings of the circuit, later ones too. [-]

        Returns
        -------
        ndarray
            Shape (n,). [V]
        """
        return self.voltage_today(readings.density(self.before)) + self.conditions_v(readings)

    def residuals_v(self) -> Array:
        """Return reading less fit of all readings, those left out included. Shape (n,). [V]."""
        return self.readings.cell_voltage_v - self.voltage_at(self.readings)

    def far(self) -> Mask:
        """Return which of the readings in the fit lie far from it. Shape (n,). [-]."""
        result = np.zeros(len(self.readings), dtype=bool)
        result[np.flatnonzero(self.used)[self.fit.far]] = True
        return result

    def changes(self) -> tuple[KeyChange, ...]:
        """Return the keys of the site file that the fit changes.

        Age, drift and gap of the site file stay in force: the intercept is that of a new cell which at the
        age of the file has today's fitted voltage, the slope that at the reference gap. The drift is
        written where the file states an age and the interval of the drift leaves out zero.

        Returns
        -------
        tuple of KeyChange
            Table, key, value before and after. [-]
        """
        old = self.before.cell_voltage
        drift = old.drift_v_per_year
        found: list[tuple[str, str, float, float]] = []
        if (
            DRIFT in self.fit.names
            and old.age_years > 0.0
            and abs(self.fit.value(DRIFT)) > self.fit.half_width(DRIFT)
        ):
            drift = round(self.fit.value(DRIFT) * MONTHS_PER_YEAR, DECIMALS["drift_v_per_year"])
            found.append(("voltage", "drift_v_per_year", old.drift_v_per_year, drift))
        found.insert(0, ("voltage", "intercept_v", old.intercept_v, self.fitted(U0) - drift * old.age_years))
        if not self.k_kept:
            beside = old.k_effective - old.k_v_m2_per_ka
            found.append(("voltage", "k_v_m2_per_ka", old.k_v_m2_per_ka, self.k - beside))
        if LOG in self.fit.names:
            found.append(("voltage", "log_v", old.log_v, self.log_v))
        if TEMPERATURE in self.fit.names and self.before.thermal is not None:
            found.append(("thermal", "volts_per_c", self.before.thermal.volts_per_c, self.volts_per_c))
        if self.efficiency is not None:
            now = self.before.current_efficiency
            found.append(("efficiency", "ce0", now.ce0, self.efficiency.fit.value(CE0)))
            if not self.efficiency.leakage_held:
                found.append(
                    (
                        "efficiency",
                        "leakage_ka_per_m2",
                        now.leakage_ka_per_m2,
                        self.efficiency.fit.value(LEAKAGE),
                    )
                )
        return tuple(
            KeyChange(table, key, before, round(after, DECIMALS[key])) for table, key, before, after in found
        )

    def circuit(self) -> Circuit:
        """Return the circuit with the fitted values.

        Returns
        -------
        Circuit
            The circuit as the changed site file gives it. [-]

        Raises
        ------
        InvalidValues
            If a fitted value is outside its range, or the power is no convex function of the load.
        """
        new: dict[str, dict[str, float]] = {}
        for change in self.changes():
            new.setdefault(change.table, {})[change.key] = change.after
        changed = self.before
        if "voltage" in new:
            voltage: CellVoltage = replace(self.before.cell_voltage, **new["voltage"])
            changed = replace(changed, voltage=voltage)
        if "efficiency" in new:
            changed = replace(
                changed, efficiency=replace(self.before.current_efficiency, **new["efficiency"])
            )
        if "thermal" in new and self.before.thermal is not None:
            changed = replace(changed, thermal=replace(self.before.thermal, **new["thermal"]))
        return changed


@dataclass(frozen=True)
class MonthPower:
    """Metered and predicted power of a circuit over a month's readings.

    Parameters
    ----------
    month : str
        'YYYY-MM', local. [-]
    readings : int
        Readings with a metered power. [-]
    metered_mw, before_mw, after_mw : float
        Means: metered, by the site file, by the fit at the conditions of the readings. [MW]
    """

    month: str
    readings: int
    metered_mw: float
    before_mw: float
    after_mw: float


def ac_power_mw(circuit: Circuit, readings: Readings, cell_voltage_v: Array) -> Array:
    """Return the AC power before the rectifiers at given cell voltages, auxiliaries left out.

    Parameters
    ----------
    circuit : Circuit
        Gives busbars and rectifiers. [-]
    readings : Readings
        Give loads and cells. [-]
    cell_voltage_v : ndarray
        Mean voltage of a cell. Shape (n,). [V]

    Returns
    -------
    ndarray
        Shape (n,). [MW]
    """
    dc_v = readings.cells * cell_voltage_v + circuit.busbar.drop_v(readings.load_ka)
    return dc_v * readings.load_ka / 1000.0 + circuit.rectifier.loss_mw(readings.load_ka)


def power_by_month(calibration: CircuitCalibration, zone: ZoneInfo) -> tuple[MonthPower, ...]:
    """Return metered and predicted power by local calendar month.

    Parameters
    ----------
    calibration : CircuitCalibration
        The fit. [-]
    zone : ZoneInfo
        Zone of the site. [-]

    Returns
    -------
    tuple of MonthPower
        Months with a metered power; all such readings count, those left out of the fit too. [-]
    """
    metered = np.isfinite(calibration.readings.ac_power_mw)
    if not metered.any():
        return ()
    readings = calibration.readings.only(metered)
    circuit = calibration.before
    before = ac_power_mw(circuit, readings, circuit.cell_voltage.voltage(readings.density(circuit)))
    after = ac_power_mw(circuit, readings, calibration.voltage_at(readings))
    labels = np.array(
        [f"{instant_of(minute).astimezone(zone):%Y-%m}" for minute in readings.times_min.tolist()]
    )
    return tuple(
        MonthPower(
            label,
            int(np.sum(labels == label)),
            float(np.mean(readings.ac_power_mw[labels == label])),
            float(np.mean(before[labels == label])),
            float(np.mean(after[labels == label])),
        )
        for label in sorted(set(labels.tolist()))
    )


def span_share(circuit: Circuit, density: Array) -> float:
    """Return the span of densities as a share of the technology's nominal density.

    Parameters
    ----------
    circuit : Circuit
        The circuit. [-]
    density : ndarray
        Densities, one or more. Shape (n,). [kA/m2]

    Returns
    -------
    float
        (greatest - least) / nominal. [-]
    """
    return float(np.ptp(density)) / DEFAULTS[circuit.technology].density_nominal


def calibrate_circuit(circuit: Circuit, readings: Readings, options: FitOptions) -> CircuitCalibration:
    """Fit the cell voltage, and where there are analyses the current efficiency, of one circuit.

    Parameters
    ----------
    circuit : Circuit
        The circuit as in the site file. [-]
    readings : Readings
        Its readings, one or more. [-]
    options : FitOptions
        What is asked. [-]

    Returns
    -------
    CircuitCalibration
        The fit. [-]

    Raises
    ------
    Refusal
        If the readings do not tell what is asked of them.

    Notes
    -----
    U = U0 + k j + b ln j + d t - v (T - Ts(j)) + s (w - w0) + error, t in months before the last reading, so
    that U0 is today's; w0 is the strength usual for the technology. A value that is not fitted stays as
    in the site file, v as given there or in the options. The efficiency is CE = ce0 - c / j.
    """
    calibration = _fit_voltage(circuit, readings, np.ones(len(readings), dtype=bool), options)
    if options.without_far and calibration.far().any():
        calibration = _fit_voltage(circuit, readings, ~calibration.far(), options)
    efficiency, notes = _fit_efficiency(circuit, readings)
    calibration = replace(calibration, efficiency=efficiency, notes=(*calibration.notes, *notes))
    try:
        calibration.circuit()
    except InvalidValues as error:
        raise Refusal(f"the fitted values cannot be used: {error}") from error
    return calibration


def calibrate(
    circuits: Mapping[str, Circuit], readings: Mapping[str, Readings], options: FitOptions, file: str
) -> tuple[CircuitCalibration, ...]:
    """Fit every circuit that has readings.

    Parameters
    ----------
    circuits : mapping
        Circuits of the site by name. [-]
    readings : mapping
        Readings by circuit. [-]
    options : FitOptions
        What is asked. [-]
    file : str
        File of the readings, for messages. [-]

    Returns
    -------
    tuple of CircuitCalibration
        In the order of the site. [-]

    Raises
    ------
    InputError
        With every refusal.
    """
    found, problems = [], []
    for name, circuit in circuits.items():
        if name not in readings:
            continue
        try:
            found.append(calibrate_circuit(circuit, readings[name], options))
        except Refusal as refusal:
            problems.append(Problem(file, f"circuit '{name}'", str(refusal)))
    if problems:
        raise InputError(tuple(problems))
    return tuple(found)


def _warmer(circuit: Circuit, readings: Readings, reference_c: float | None) -> Array:
    """Return by how much readings are warmer than what the voltage is normalised to. [K]."""
    if circuit.thermal is not None:
        steady: Array = readings.temperature_c - circuit.thermal.steady_c(readings.density(circuit))
        return steady
    return readings.temperature_c - (0.0 if reference_c is None else reference_c)


@dataclass
class _Terms:
    """Columns of a regression while they are gathered."""

    names: list[str] = field(default_factory=list)
    columns: list[Array] = field(default_factory=list)

    def add(self, name: str, column: Array) -> None:
        self.names.append(name)
        self.columns.append(column)


def _fit_voltage(circuit: Circuit, readings: Readings, used: Mask, options: FitOptions) -> CircuitCalibration:
    some = readings.only(used)
    density = some.density(circuit)
    old = circuit.cell_voltage
    notes: list[str] = []
    terms = _Terms()
    response = some.cell_voltage_v.copy()
    terms.add(U0, np.ones(len(some)))
    k_kept = _k_is_kept(circuit, density, options)
    if k_kept:
        response -= old.k_effective * density
    else:
        terms.add(K, density)
    if options.log_term and not k_kept:
        terms.add(LOG, np.log(density))
    elif old.log_v:
        response -= old.log_v * np.log(density)
    span_days = (int(some.times_min[-1]) - int(some.times_min[0])) / 1440.0
    if span_days >= LEAST_DAYS_OF_DRIFT:
        terms.add(DRIFT, (some.times_min - int(readings.times_min[-1])) / MINUTES_PER_MONTH)
    else:
        notes.append(
            f"no drift is fitted: the readings span {span_days:.1f} days, a drift needs "
            f"{LEAST_DAYS_OF_DRIFT:g}; U0 is the mean of that time"
        )
    given, reference_c = _temperature(circuit, some, options, notes)
    if given is not None:
        warmer = _warmer(circuit, some, reference_c)
        if options.fit_temperature:
            terms.add(TEMPERATURE, -warmer)
        else:
            response += given * warmer
    strength = DEFAULTS[circuit.technology].alkali_strength_percent
    if options.strength_term:
        _all_given(some, some.strength_percent, "strength_percent", "--strength-term")
        terms.add(STRENGTH, some.strength_percent - strength)
    try:
        fit = fit_line(tuple(terms.names), np.column_stack(terms.columns), response, some.times_min / 60.0)
    except ValueError as error:
        raise Refusal(str(error)) from error
    volts = fit.value(TEMPERATURE) if TEMPERATURE in fit.names else (given or 0.0)
    return CircuitCalibration(
        circuit, readings, used, fit, k_kept, volts, reference_c, strength, None, tuple(notes)
    )


def _k_is_kept(circuit: Circuit, density: Array, options: FitOptions) -> bool:
    share = span_share(circuit, density)
    if share >= LEAST_SPAN:
        return False
    nominal = DEFAULTS[circuit.technology].density_nominal
    spans = (
        f"densities from {np.min(density):.2f} to {np.max(density):.2f} kA/m2 span {100.0 * share:.0f} % of "
        f"the nominal {nominal:g} kA/m2"
    )
    if not options.keep_k:
        raise Refusal(
            f"{spans}, and U0 cannot be told from k below {100.0 * LEAST_SPAN:.0f} %: take readings at "
            "other loads, or hold k as in the site file and fit U0 alone with --keep-k"
        )
    if options.log_term:
        raise Refusal(f"{spans}, so a logarithmic term cannot be fitted: leave --log-term out")
    return True


def _temperature(
    circuit: Circuit, readings: Readings, options: FitOptions, notes: list[str]
) -> tuple[float | None, float | None]:
    """Return the given coefficient (0 where it is fitted) and the reference; None without normalisation."""
    measured = np.isfinite(readings.temperature_c)
    thermal = circuit.thermal
    if not measured.any():
        if options.fit_temperature:
            raise Refusal("--fit-temperature needs the column 'temperature_c'")
        return None, None
    if thermal is None and options.reference_c is None:
        if options.fit_temperature or options.volts_per_c is not None:
            raise Refusal("has no 'thermal' in the site file: state the reference with --reference-c")
        notes.append(
            "temperatures are not used: the circuit has no 'thermal' in the site file; state --reference-c "
            "with --volts-per-c or --fit-temperature to normalise"
        )
        return None, None
    _all_given(readings, readings.temperature_c, "temperature_c", "normalising the temperature")
    reference_c = options.reference_c if thermal is None else None
    if options.fit_temperature:
        return 0.0, reference_c
    if thermal is not None:
        return thermal.volts_per_c, None
    if options.volts_per_c is None:
        raise Refusal("--reference-c needs a coefficient: --volts-per-c, or --fit-temperature")
    return options.volts_per_c, reference_c


def _all_given(readings: Readings, values: Array, column: str, what: str) -> None:
    missing = np.flatnonzero(~np.isfinite(values))
    if missing.size:
        raise Refusal(
            f"{what} needs '{column}' in every reading; {missing.size} of {len(readings)} have none, the "
            f"first in {readings.places[int(missing[0])]}: fill it in, or leave those readings out"
        )


def _fit_efficiency(circuit: Circuit, readings: Readings) -> tuple[EfficiencyFit | None, tuple[str, ...]]:
    at = np.flatnonzero(np.isfinite(readings.efficiency_percent))
    if not at.size:
        return None, ()
    if at.size < LEAST_ANALYSES:
        return None, (
            f"the current efficiency is not fitted: {at.size} analyses, at least {LEAST_ANALYSES} are needed",
        )
    density = readings.density(circuit)[at]
    share = readings.efficiency_percent[at] / 100.0
    held = span_share(circuit, density) < LEAST_SPAN
    notes: tuple[str, ...] = ()
    names: tuple[str, ...] = (CE0, LEAKAGE)
    columns = np.column_stack([np.ones(len(at)), -1.0 / density])
    if held:
        leakage = circuit.current_efficiency.leakage_ka_per_m2
        names, columns, share = (CE0,), columns[:, :1], share + leakage / density
        notes = (
            f"c of the current efficiency stays {leakage:g} kA/m2 as in the site file: the analyses span "
            f"less than {100.0 * LEAST_SPAN:.0f} % of the nominal density",
        )
    try:
        fit = fit_line(names, columns, share, readings.times_min[at] / 60.0)
    except ValueError as error:
        raise Refusal(f"current efficiency: {error}") from error
    lacking = "" if held else _impossible(fit)
    if lacking:
        return None, (f"the current efficiency is not changed: {lacking}; take more analyses",)
    return EfficiencyFit(fit, at, held), notes


def _impossible(fit: Fit) -> str:
    """Return why a fitted efficiency cannot be one, or nothing."""
    ce0, leakage = fit.value(CE0), fit.value(LEAKAGE)
    values = f"ce0 {ce0:.4f}, c {leakage:.4f} kA/m2"
    if not 0.0 < ce0 <= 1.0:
        return f"the fit gives {values}, and ce0 must be above 0 and at most 1"
    return f"the fit gives {values}, and c must be at least 0" if leakage < 0.0 else ""
