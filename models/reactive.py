"""Reactive power: what rectifiers draw, filter banks that supply it in steps, and limits at the site's meter.

Owns the reactive power of the fundamental on the site's bars. Active power is `meter`; what a circuit's DC
voltage is stands in `circuit`; what reactive energy costs belongs to the contract.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues, Number, above, at_least, at_most, check
from models.horizon import Array, Horizon, Integers
from models.pieces import Closing, Declaration, Entry, Flow, Limit, Rows, Simulation, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind

REACTIVE = "reactive"
"""Commodity of reactive power."""
LINE_POINTS = 201
"""Points at which a curve is measured against its chord."""
LINE_RESERVE = 1e-3
"""Share by which a chord is raised beyond what the points ask for; between two of so many points a smooth
curve rises by less."""
APPARENT_SIDES = 24
"""Sides of the polygon inside a quarter of the circle of equal apparent power; it loses 0.05 %."""
STEP_TOLERANCE = 1e-6
"""Reactive power beyond a limit for which no step is switched. [Mvar]"""


def rectifier_mvar(load_ka: Number, dc_v: Number, no_load_v: float, distortion: float) -> Number:
    """Reactive power of a thyristor rectifier.

    Parameters
    ----------
    load_ka : float or ndarray (n,)
        Direct current, 0 or more. [kA]
    dc_v : float or ndarray (n,)
        DC voltage, 0 to `no_load_v` / `distortion`. [V]
    no_load_v : float
        Ideal no-load DC voltage U_di0, above 0. [V]
    distortion : float
        Power factor over U_d / U_di0, above 0, at most 1. [-]

    Returns
    -------
    float or ndarray (n,)
        Reactive power; 0 where the voltage is above the range, where the rectifier cannot work. [Mvar]

    Notes
    -----
    cos phi = f U_d / U_di0 with f about 0.95 (value from memory; 3 / pi = 0.955 is the share of the
    fundamental in the current of a six-pulse bridge). With P = U_d I the apparent power is S = I U_di0 / f
    and Q = I sqrt((U_di0 / f)^2 - U_d^2).

    With U_d = u + r I, r above 0, Q is concave in the load: with s = sqrt(a^2 - U_d^2) the slope of s is
    -r U_d / s and its second derivative -r^2 / s - (r U_d)^2 / s^3, both below 0, and
    Q'' = 2 s' + I s''. So tangents do not bound it from below, and no convex program holds it: see
    `line_above`.
    """
    whole = no_load_v / distortion
    result: Number = load_ka * np.sqrt(np.maximum(whole * whole - np.square(dc_v), 0.0)) / 1000.0
    return result


def line_above(
    value: Callable[[Array, Integers], Array], low: Array, high: Array, at: Integers
) -> tuple[Array, Array]:
    """Return for each interval a straight line that a curve nowhere exceeds on its domain.

    The line is the chord, raised by the greatest height of the curve above it. For a concave curve that
    is the tangent parallel to the chord, for a convex one the chord itself. A plan that keeps a limit by the
    line keeps it by the curve, whatever its shape.

    Parameters
    ----------
    value : callable
        f(x, t) -> y with x, t and y of shape (m,). [unit of y]
    low, high : ndarray
        Ends of the domain. Shape (m,). [unit of x]
    at : ndarray
        Intervals t. Shape (m,). [-]

    Returns
    -------
    tuple of ndarray
        Slope and constant. Each shape (m,). [unit of y per unit of x], [unit of y]
    """
    first, last = value(low, at), value(high, at)
    width = high - low
    slope = np.divide(last - first, width, out=np.zeros_like(width), where=width > 0)
    height = np.zeros_like(width)
    for share in np.linspace(0.0, 1.0, LINE_POINTS):
        x = low + share * width
        height = np.maximum(height, value(x, at) - first - slope * (x - low))
    return slope, first - slope * low + height * (1.0 + LINE_RESERVE)


@unit_kind("filter_bank")
@dataclass(frozen=True)
class FilterBank(Unit):
    """The works' filter bank, with the limit on reactive power at the site's meter.

    It supplies what circuits and other users draw from the commodity `reactive`: from its steps, as few
    as keep the limit, and the rest from the grid through the meter. A site without filters has 0 steps.

    In the plan the rectifiers' reactive power is a line that lies above their curve (`line_above`) and
    the steps may be shared, so the plan is on the safe side; the audit takes the curves and whole steps.

    Parameters
    ----------
    name : str
        Name of the bank. [-]
    steps : int
        Steps installed, 0 or more. [-]
    step_mvar : float
        Reactive power of one step, above 0. [Mvar]
    reactive_max_mvar : float, optional
        Greatest lagging reactive power from the grid, 0 or more; no limit if not stated. [Mvar]
    apparent_max_mva : float, optional
        Greatest apparent power at the meter, above half a step; no limit if not stated. [MVA]
    power_factor_min : float, optional
        Least power factor at the meter, lagging, above 0, at most 1; no limit if not stated. [-]
    hysteresis_mvar : float
        A step is taken out only where the limit is then kept with so much to spare, 0 or more. [Mvar]
    meter : str
        Key of the metered import. [-]
    """

    name: str
    steps: int
    step_mvar: float
    reactive_max_mvar: float | None = None
    apparent_max_mva: float | None = None
    power_factor_min: float | None = None
    hysteresis_mvar: float = 0.0
    meter: str = "meter_import"

    availabilities = ("steps",)

    def __post_init__(self) -> None:
        check(
            self,
            steps=at_least(0),
            step_mvar=above(0, "Mvar"),
            reactive_max_mvar=at_least(0, "Mvar"),
            apparent_max_mva=above(0, "MVA"),
            power_factor_min=(above(0), at_most(1)),
            hysteresis_mvar=at_least(0, "Mvar"),
        )
        if self.apparent_max_mva is not None and self.apparent_max_mva <= self.step_mvar / 2.0:
            raise InvalidValues(
                [
                    (
                        "apparent_max_mva",
                        f"'apparent_max_mva' must be above half a step, {self.step_mvar / 2.0:g} [MVA] "
                        f"(got {self.apparent_max_mva:g})",
                    )
                ]
            )

    @property
    def _tangent(self) -> float | None:
        """Reactive over active power at the least power factor. [Mvar/MW]."""
        if self.power_factor_min is None:
            return None
        return float(np.sqrt(1.0 / self.power_factor_min**2 - 1.0))

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return what users draw, what filters supply, and the limits of the rest (see `Unit.declare`)."""
        n = len(horizon)
        each, ones = np.arange(n), np.ones(n)
        demand, filters = self.key("demand"), self.key("filters")
        installed = situation.available(self.name, "steps", self.steps, horizon) * self.step_mvar
        variables = (
            Variable(
                demand,
                "Mvar",
                np.full(n, -np.inf),
                np.full(n, np.inf),
                each,
                meaning="reactive power drawn on the site",
            ),
            Variable(
                filters,
                "Mvar",
                np.zeros(n),
                installed,
                each,
                meaning=f"reactive power supplied by {self.name}",
            ),
        )
        families = [
            (key, reactive, active, limit, words)
            for key, reactive, active, limit, words in self._sides()
            if limit is not None
        ]
        rows = tuple(
            Rows(
                self.key(key),
                "Mvar",
                (
                    Entry(demand, each, each, reactive * ones),
                    Entry(filters, each, each, -reactive * ones),
                    *((Entry(self.meter, each, each, active * ones),) if active else ()),
                ),
                np.full(n, -np.inf),
                np.full(n, limit),
                intervals=each,
                meaning=words,
            )
            for key, reactive, active, limit, words in families
        )
        return Declaration(
            variables=variables,
            flows=(Flow(REACTIVE, demand, 1.0),),
            rows=rows,
            closings=(Closing(REACTIVE, demand),),
            reads=(self.meter,),
        )

    def _sides(self) -> list[tuple[str, float, float, float | None, str]]:
        """Return the limits as rows: key, factors of reactive and active power, limit, words."""
        sides: list[tuple[str, float, float, float | None, str]] = [
            ("limit", 1.0, 0.0, self.reactive_max_mvar, "limit on reactive power at the meter")
        ]
        if self._tangent is not None:
            sides.append(("power_factor", 1.0, -self._tangent, 0.0, "least power factor at the meter"))
        if self.apparent_max_mva is not None:
            words = "limit on apparent power at the meter"
            angle = 0.5 * np.pi / APPARENT_SIDES
            inside = self.apparent_max_mva * float(np.cos(angle / 2.0))
            for side in range(APPARENT_SIDES):
                turn = (side + 0.5) * angle
                sides.append(
                    (f"apparent_{side + 1}", float(np.sin(turn)), float(np.cos(turn)), inside, words)
                )
            # Whole steps leave up to half a step, one way or the other.
            half = 0.5 * self.step_mvar if self.steps else 0.0
            sides.append(("apparent", 0.0, 1.0, float(np.sqrt(self.apparent_max_mva**2 - half**2)), words))
        return sides

    def limit_mvar(self, import_mw: Array) -> Array:
        """Return the greatest reactive power at the meter for an import.

        Parameters
        ----------
        import_mw : ndarray
            Metered import. Shape (n,). [MW]

        Returns
        -------
        ndarray
            The least of all limits, infinite without any. Shape (n,). [Mvar]
        """
        limit = np.full(len(import_mw), np.inf if self.reactive_max_mvar is None else self.reactive_max_mvar)
        if self._tangent is not None:
            limit = np.minimum(limit, self._tangent * np.maximum(import_mw, 0.0))
        if self.apparent_max_mva is not None:
            limit = np.minimum(limit, np.sqrt(np.maximum(self.apparent_max_mva**2 - import_mw**2, 0.0)))
        return limit

    def switched(self, demand_mvar: Array, limit_mvar: Array, steps: Array) -> Array:
        """Return the steps in service on each interval: as few as keep the limit, with hysteresis.

        Parameters
        ----------
        demand_mvar : ndarray
            Reactive power drawn on the site. Shape (n,). [Mvar]
        limit_mvar : ndarray
            Greatest reactive power at the meter. Shape (n,). [Mvar]
        steps : ndarray
            Steps that can be switched in. Shape (n,). [-]

        Returns
        -------
        ndarray
            Steps in service. Shape (n,). [-]
        """
        need = self._needed(demand_mvar, limit_mvar, steps)
        calm = self._needed(demand_mvar, limit_mvar - self.hysteresis_mvar, steps)
        leading = np.full(len(need), np.inf) if self.apparent_max_mva is None else limit_mvar
        result = need.copy()
        for t in range(1, len(result)):
            kept = np.clip(result[t - 1], need[t], max(calm[t], need[t]))
            # More steps than needed must not lead by more than the apparent power allows.
            over = kept * self.step_mvar - demand_mvar[t] > leading[t] + STEP_TOLERANCE
            result[t] = need[t] if over else kept
        return result

    def _needed(self, demand: Array, limit: Array, steps: Array) -> Array:
        missing = np.where(np.isfinite(limit), demand - limit - STEP_TOLERANCE, -np.inf)
        needed: Array = np.minimum(np.maximum(np.ceil(missing / self.step_mvar), 0.0), steps)
        return needed

    def simulate(self, horizon: Horizon, situation: Situation, setpoints: Mapping[str, Array]) -> Simulation:
        """Return whole steps and what is left for the meter, for the exact demand (see `Unit.simulate`)."""
        demand, power = setpoints[self.key("demand")], setpoints[self.meter]
        available = situation.available(self.name, "steps", self.steps, horizon)
        limit = self.limit_mvar(power)
        steps = self.switched(demand, limit, available)
        net = demand - steps * self.step_mvar
        apparent = np.hypot(power, net)
        factor = np.divide(np.abs(power), apparent, out=np.ones(len(net)), where=apparent > 0)
        limits = [
            Limit(f"{words} ({self.name}, whole steps)", unit, value, lower, upper)
            for words, unit, value, lower, upper in (
                ("limit on reactive power at the meter", "Mvar", net, -np.inf, self.reactive_max_mvar),
                ("limit on apparent power at the meter", "MVA", apparent, -np.inf, self.apparent_max_mva),
            )
            if upper is not None
        ]
        if self.power_factor_min is not None:
            lagging = np.where((net > 0) & (power > 0), factor, 1.0)
            words = f"least power factor at the meter ({self.name}, whole steps)"
            limits.append(Limit(words, "-", lagging, self.power_factor_min))
        readings = {
            "reactive_mvar": net,
            "filter_steps": steps,
            "filter_switches": np.abs(np.diff(steps, prepend=steps[:1])),
            "apparent_mva": apparent,
            "power_factor": factor,
        }
        return Simulation({REACTIVE: demand}, tuple(limits), readings)
