"""The temperature of a cell room, which follows its load late, and the voltage that this costs.

Owns the steady temperature at a current density, the exact response to a load that changes from interval to
interval, and the lag voltage. The voltage line itself stands in `cell_voltage`; money and warnings stand
outside the models.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import FloatArray, Number, above, at_least, check


@dataclass(frozen=True, eq=False)
class TemperatureRun:
    """How the temperature moves over a horizon.

    Within an interval it moves from one end to the other without turning, so the ends are its extremes.

    Parameters
    ----------
    start_c, end_c : ndarray
        Temperature at the start and at the end of each interval. Each shape (n,). [C]
    mean_c : ndarray
        Mean over each interval. Shape (n,). [C]
    start_lag_v, mean_lag_v : ndarray
        Lag voltage of one cell at the start of each interval, where it is largest in size, and its mean
        over the interval. Each shape (n,). [V]
    """

    start_c: FloatArray
    end_c: FloatArray
    mean_c: FloatArray
    start_lag_v: FloatArray
    mean_lag_v: FloatArray


@dataclass(frozen=True)
class ThermalLag:
    """A cell room whose temperature follows the load with one time constant.

    Parameters
    ----------
    nominal_density_ka_per_m2 : float
        Density at which the room stands at its nominal temperature, above 0. [kA/m2]
    cold_density_max_ka_per_m2 : float
        Greatest density while the room is colder than `cold_below_c`, above 0; from the membrane
        maker. [kA/m2]
    time_constant_h : float
        Time in which the temperature covers 63 % of the way to its new steady value, above 0. Value
        from memory: a membrane room cools over 1 to 3 h after a cut. [h]
    nominal_c : float
        Steady temperature at the nominal density, above 0. Value from memory. [C]
    rise_c_per_ka_per_m2 : float
        Rise of the steady temperature with the density, 0 or more. Value from memory: about 8 K colder
        at half load of a room for 5.5 kA/m2. [K m2/kA]
    volts_per_c : float
        Fall of the voltage of one cell per kelvin warmer, 0 or more. Value from memory: 8 K colder costs
        80 to 100 mV. [V/K]
    cold_below_c : float
        Temperature below which the density is capped. Value from memory. [C]

    Raises
    ------
    InvalidValues
        When a value is outside its range.

    Notes
    -----
    Steady: Ts(j) = Tn - r (jn - j). Between: dT/dt = (Ts(j) - T) / tau, so over an interval of length h at
    one density, with D = Ts - T at its start:

    T(end) = Ts - D exp(-h/tau), mean of (Ts - T) = D (tau/h) (1 - exp(-h/tau)).

    A voltage line is fitted on steady readings: each density at its own steady temperature. So the lag adds
    v (Ts(j) - T) to the line: it costs after a raise, while the room is still cold, and gives after a cut,
    while it is still warm. Between two loads that repeat, it costs energy on balance, because the cold time
    falls on the higher load.

    A room out of service tends to the steady temperature of density 0. A real one cools further, to
    its surroundings, and is warmed before its start; the model does not cover that.
    """

    nominal_density_ka_per_m2: float
    cold_density_max_ka_per_m2: float
    time_constant_h: float = 1.5
    nominal_c: float = 86.0
    rise_c_per_ka_per_m2: float = 3.0
    volts_per_c: float = 0.0115
    cold_below_c: float = 75.0

    def __post_init__(self) -> None:
        """Check the ranges."""
        check(
            self,
            nominal_density_ka_per_m2=above(0, "kA/m2"),
            cold_density_max_ka_per_m2=above(0, "kA/m2"),
            time_constant_h=above(0, "h"),
            nominal_c=above(0, "C"),
            rise_c_per_ka_per_m2=at_least(0, "K m2/kA"),
            volts_per_c=at_least(0, "V/K"),
        )

    def steady_c(self, density: Number) -> Number:
        """Temperature that the room tends to at a density.

        Parameters
        ----------
        density : float or ndarray (n,)
            Current density, 0 or more. [kA/m2]

        Returns
        -------
        float or ndarray (n,)
            Steady temperature. [C]
        """
        return self.nominal_c - self.rise_c_per_ka_per_m2 * (self.nominal_density_ka_per_m2 - density)

    def run(
        self, density: FloatArray, hours: FloatArray, density_before: float | None = None
    ) -> TemperatureRun:
        """Return the exact temperature at densities that are constant on each interval.

        Parameters
        ----------
        density : ndarray
            Current density on each interval, 0 or more. Shape (n,). [kA/m2]
        hours : ndarray
            Length of each interval, above 0. Shape (n,). [h]
        density_before : float, optional
            Density at which the room stood steadily before the first interval; that of the first interval
            unless given. [kA/m2]

        Returns
        -------
        TemperatureRun
            Temperatures and lag voltages. [-]
        """
        steady = self.steady_c(density)
        left = np.exp(-hours / self.time_constant_h)
        start = np.empty_like(steady)
        end = np.empty_like(steady)
        now = float(steady[0]) if density_before is None else self.steady_c(density_before)
        for t, (target, share) in enumerate(zip(steady.tolist(), left.tolist(), strict=True)):
            start[t] = now
            now = end[t] = target - (target - now) * share
        short = steady - start
        # -expm1 keeps its digits where the interval is short against the time constant.
        mean_short = short * (self.time_constant_h / hours) * -np.expm1(-hours / self.time_constant_h)
        return TemperatureRun(
            start, end, steady - mean_short, self.volts_per_c * short, self.volts_per_c * mean_short
        )
