"""Cell voltage as a function of current density, with age and electrode gap.

Owns the voltage model and its inverse. Fitting it to plant data and turning it into power are elsewhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from models.checks import Number, above, at_least, check


@dataclass(frozen=True)
class CellVoltage:
    """Voltage of one cell: a line in current density, with an optional logarithmic term.

    Parameters
    ----------
    intercept_v : float
        Voltage of the line at zero density, new cell; above 0. [V]
    k_v_m2_per_ka : float
        Slope of the line (k-factor). A fit may return a negative value. [V m2/kA]
    log_v : float
        Factor of the natural logarithm of the density over 1 kA/m2; 0 for the plain line. A fit may return a
        negative value. [V]
    age_years : float
        Age of membranes and coatings, 0 or more. [a]
    drift_v_per_year : float
        Rise of the intercept with age. [V/a]
    gap_mm : float or None
        Anode to cathode gap, above 0; None leaves the slope as given. [mm]
    gap_reference_mm : float
        Gap at which the slope was found, above 0. [mm]
    k_per_mm : float
        Rise of the slope with the gap, 0 or more. [V m2/kA per mm]

    Raises
    ------
    InvalidValues
        When a value is outside its range.

    Notes
    -----
    U(j) = U0 + d a + (k + s (g - g0)) j + b ln(j / 1 kA/m2).

    The line (b = 0) is good above 1 to 1.5 kA/m2; below, it overstates the voltage because the activation
    overpotential falls with the logarithm of the density. In that range the model is good to 1 to 2 percent
    of the voltage. Split of industrial data into ohmic and activation parts: Franco, Prior, Velizarov and
    Mendes, Appl. Sci. 2019, 9(2), 284.

    The default k_per_mm is the ohmic drop of 1 mm of hot saturated brine of 54 S/m without gas bubbles (value
    from memory, 50 to 60 S/m): 0.0185 V m2/kA, that is 0.185 V per mm at 10 kA/m2. It describes mercury
    cells.
    """

    intercept_v: float
    k_v_m2_per_ka: float
    log_v: float = 0.0
    age_years: float = 0.0
    drift_v_per_year: float = 0.0
    gap_mm: float | None = None
    gap_reference_mm: float = 3.0
    k_per_mm: float = 0.0185

    def __post_init__(self) -> None:
        """Check the ranges."""
        check(
            self,
            intercept_v=above(0, "V"),
            age_years=at_least(0, "a"),
            gap_mm=above(0, "mm"),
            gap_reference_mm=above(0, "mm"),
            k_per_mm=at_least(0, "V m2/kA per mm"),
        )

    @property
    def k_effective(self) -> float:
        """Slope of the line at the present gap [V m2/kA]."""
        if self.gap_mm is None:
            return self.k_v_m2_per_ka
        return self.k_v_m2_per_ka + self.k_per_mm * (self.gap_mm - self.gap_reference_mm)

    @property
    def intercept_effective(self) -> float:
        """Intercept of the line at the present age [V]."""
        return self.intercept_v + self.drift_v_per_year * self.age_years

    def voltage(self, density: Number) -> Number:
        """Voltage of one cell.

        Parameters
        ----------
        density : float or ndarray (n,)
            Current density, 0 or more; above 0 with a logarithmic term. [kA/m2]

        Returns
        -------
        float or ndarray (n,)
            Cell voltage. [V]

        Raises
        ------
        ValueError
            When a density is below its range.
        """
        self._check_density(density)
        line = self.intercept_effective + self.k_effective * density
        if self.log_v == 0.0:
            return line
        if isinstance(density, np.ndarray):
            return line + self.log_v * np.log(density)
        return line + self.log_v * math.log(density)

    def scaled(self, factor: float) -> CellVoltage:
        """Return a cell whose voltage is a multiple of this one's at every density.

        Parameters
        ----------
        factor : float
            Multiple, above 0. [-]

        Returns
        -------
        CellVoltage
            The other cell. [-]
        """
        return replace(
            self,
            intercept_v=factor * self.intercept_v,
            k_v_m2_per_ka=factor * self.k_v_m2_per_ka,
            log_v=factor * self.log_v,
            drift_v_per_year=factor * self.drift_v_per_year,
            k_per_mm=factor * self.k_per_mm,
        )

    def slope(self, density: Number) -> Number:
        """Change of the cell voltage with density, dU/dj = k + b / j.

        Parameters
        ----------
        density : float or ndarray (n,)
            Current density, range as in `voltage`. [kA/m2]

        Returns
        -------
        float or ndarray (n,)
            Slope. [V m2/kA]

        Raises
        ------
        ValueError
            When a density is below its range.
        """
        self._check_density(density)
        if self.log_v == 0.0:
            return self.k_effective + 0.0 * density
        return self.k_effective + self.log_v / density

    def density_at(self, voltage_v: float) -> float:
        """Density at which the cell has a given voltage: the exact inverse of `voltage`.

        With a logarithmic term of the other sign than the slope a voltage can occur at two densities; the one
        where the voltage rises with density is returned.

        Parameters
        ----------
        voltage_v : float
            Cell voltage. [V]

        Returns
        -------
        float
            Current density, 0 or more. [kA/m2]

        Raises
        ------
        ValueError
            When the voltage never rises with density, or never takes this value where it does.
        """
        if not math.isfinite(voltage_v):
            raise ValueError(f"'voltage_v' must be finite (got {voltage_v!r})")
        k, b = self.k_effective, self.log_v
        if k <= 0.0 and b <= 0.0:
            raise ValueError(
                f"the voltage does not rise with density (k = {k:g} V m2/kA, log term = {b:g} V): "
                f"no density can be given for 'voltage_v' {voltage_v:g} [V]; fit the cell voltage again"
            )
        rise = voltage_v - self.intercept_effective
        if b == 0.0:
            if rise < 0.0:
                raise ValueError(
                    f"'voltage_v' must be at least the intercept {self.intercept_effective:g} [V] "
                    f"(got {voltage_v:g})"
                )
            return rise / k
        if k == 0.0:
            return math.exp(rise / b)
        return self._bracketed_root(voltage_v)

    def convex_power(self, density_min: float, density_max: float) -> bool:
        """Tell whether the power per area, j U(j), is convex over a range of density.

        Parameters
        ----------
        density_min, density_max : float
            Ends of the range, 0 <= density_min <= density_max, density_max above 0. [kA/m2]

        Returns
        -------
        bool
            True when the second derivative is nowhere negative in the range.

        Raises
        ------
        ValueError
            When the ends are not in order.

        Notes
        -----
        (j U)'' = 2 k + b / j is monotone in j, so its lowest value lies at one end of the range.
        """
        if not 0.0 <= density_min <= density_max or density_max <= 0.0:
            raise ValueError(
                "'density_min' must be at least 0 and 'density_max' above 0 and not below 'density_min' "
                f"[kA/m2] (got {density_min:g} and {density_max:g})"
            )
        if self.log_v == 0.0:
            return self.k_effective >= 0.0
        # Multiplied by j, so that a range from zero needs no division.
        return all(2.0 * self.k_effective * j + self.log_v >= 0.0 for j in (density_min, density_max))

    def _check_density(self, density: Number) -> None:
        lowest = float(np.min(density)) if np.size(density) else math.inf
        if self.log_v != 0.0 and not lowest > 0.0:
            raise ValueError(f"'density' must be above 0 [kA/m2] with a logarithmic term (got {lowest:g})")
        if not lowest >= 0.0:
            raise ValueError(f"'density' must be at least 0 [kA/m2] (got {lowest:g})")

    def _bracketed_root(self, voltage_v: float) -> float:
        """Solve U(j) = U by bisection in ln j on the branch where U rises."""
        k, b, a = self.k_effective, self.log_v, self.intercept_effective

        def excess(x: float) -> float:
            return a + k * math.exp(x) + b * x - voltage_v

        turn = math.log(-b / k) if b * k < 0.0 else None
        if turn is not None and (excess(turn) > 0.0) == (k > 0.0) and excess(turn) != 0.0:
            word = "at least" if k > 0.0 else "at most"
            raise ValueError(
                f"'voltage_v' must be {word} {excess(turn) + voltage_v:.6g} [V], the turning point of the "
                f"fitted voltage (got {voltage_v:g})"
            )
        low = high = 0.0 if turn is None else turn
        step = 1.0
        if turn is None or k < 0.0:
            while excess(low) > 0.0:
                low -= step
                step *= 2.0
        step = 1.0
        if turn is None or k > 0.0:
            while excess(high) < 0.0:
                # Bounded: exp(x) of a density of 1e8 kA/m2 is already far outside any cell.
                high += min(step, 8.0)
                step *= 2.0
        while low < (middle := 0.5 * (low + high)) < high:
            if excess(middle) < 0.0:
                low = middle
            else:
                high = middle
        return math.exp(high)
