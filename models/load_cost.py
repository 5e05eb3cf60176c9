"""What a tonne costs at each load: average, marginal, and the split of a total over circuits.

Owns the cost curve of a circuit over its chlorine, the split at equal marginal cost, and the power prices
at which the cheapest load changes. The power comes from the circuit's own records, as in a plan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from models.circuit import Circuit
from models.horizon import Array, Horizon
from models.pieces import Curve, Flow
from models.situation import Situation

_BISECTIONS: Final = 60
_ITERATIONS: Final = 100
_PRECISION: Final = 1e-13
# Any hour will do: without a calendar fact a circuit is the same at every hour.
_HOUR: Final = Horizon(np.array([0]), np.array([60]), "UTC", 1)


@dataclass(frozen=True, eq=False)
class LoadCost:
    """Cost of a circuit as a function of its load, all of it in service.

    Parameters
    ----------
    name : str
        Name of the circuit. [-]
    load_min_ka, load_max_ka : float
        Range of the load. [kA]
    chlorine_per_ka, chlorine_constant : float
        Chlorine is affine in the load: slope and constant. [t/h per kA], [t/h]
    curve : Curve
        AC power over the load. [MW]
    power_per_ka, power_constant_mw : float
        Auxiliaries and pumps, affine in the load. [MW/kA], [MW]
    steam_t_per_t : float
        Steam per tonne of chlorine to bring its alkali to 50 wt%. [t/t]
    other_per_t : float
        Other cost that goes with the chlorine, salt for example; negative for a credit. [currency/t]
    """

    name: str
    load_min_ka: float
    load_max_ka: float
    chlorine_per_ka: float
    chlorine_constant: float
    curve: Curve
    power_per_ka: float
    power_constant_mw: float
    steam_t_per_t: float
    other_per_t: float

    @classmethod
    def of(
        cls,
        circuit: Circuit,
        steam_t_per_t: float = 0.0,
        other_per_t: float = 0.0,
        pump_kwh_per_t: float = 0.0,
    ) -> LoadCost:
        """Return the cost curve of a circuit from its own records.

        Parameters
        ----------
        circuit : Circuit
            The circuit. [-]
        steam_t_per_t : float
            Steam per tonne of chlorine. [t/t]
        other_per_t : float
            Other cost per tonne of chlorine. [currency/t]
        pump_kwh_per_t : float
            Further energy per tonne of chlorine: brine pumps, evaporation. [kWh/t]

        Returns
        -------
        LoadCost
            The curve. [-]
        """
        declared = circuit.declare(_HOUR, Situation())
        state = circuit.state(_HOUR, Situation())
        load = circuit.key("load")
        (curve,) = declared.curves

        def sums(commodity: str) -> tuple[float, float]:
            flows: list[Flow] = [
                flow for flow in declared.flows if flow.commodity == commodity and flow.variable == load
            ]
            return (
                float(sum(np.asarray(flow.coefficient).flat[0] for flow in flows)),
                float(sum(np.asarray(flow.constant).flat[0] for flow in flows)),
            )

        slope, constant = sums(circuit.chlorine)
        power, fixed = sums("power")
        pumps = pump_kwh_per_t / 1000.0
        return cls(
            circuit.name,
            float(state.load_min_ka[0]),
            float(state.load_max_ka[0]),
            slope,
            constant,
            curve,
            pumps * slope - power,
            pumps * constant - fixed,
            steam_t_per_t,
            other_per_t,
        )

    def chlorine(self, load_ka: Array) -> Array:
        """Return the chlorine made.

        Parameters
        ----------
        load_ka : ndarray
            Load. Shape (m,). [kA]

        Returns
        -------
        ndarray
            Chlorine. Shape (m,). [t/h]
        """
        return self.chlorine_per_ka * load_ka + self.chlorine_constant

    def power_mw(self, load_ka: Array) -> Array:
        """Return the power drawn: AC of the rectifiers, auxiliaries, pumps, evaporation.

        Parameters
        ----------
        load_ka : ndarray
            Load. Shape (m,). [kA]

        Returns
        -------
        ndarray
            Power. Shape (m,). [MW]
        """
        cells = self.curve.value(load_ka, np.zeros(len(load_ka), dtype=np.int64))
        return cells + self.power_per_ka * load_ka + self.power_constant_mw

    def marginal_mwh_per_t(self, load_ka: Array) -> Array:
        """Return the energy of one more tonne of chlorine.

        Parameters
        ----------
        load_ka : ndarray
            Load. Shape (m,). [kA]

        Returns
        -------
        ndarray
            Marginal energy. Shape (m,). [MWh/t]
        """
        slope = self.curve.slope(load_ka, np.zeros(len(load_ka), dtype=np.int64))
        return (slope + self.power_per_ka) / self.chlorine_per_ka

    def per_t(self, steam_price_per_t: float) -> float:
        """Return the cost that goes with the chlorine and not with power.

        Parameters
        ----------
        steam_price_per_t : float
            Price of steam; 0 leaves steam out. [currency/t]

        Returns
        -------
        float
            Cost per tonne of chlorine. [currency/t]
        """
        return self.other_per_t + self.steam_t_per_t * steam_price_per_t

    def marginal(self, load_ka: Array, power_price_per_mwh: float, steam_price_per_t: float) -> Array:
        """Return what one more tonne of chlorine costs.

        Parameters
        ----------
        load_ka : ndarray
            Load. Shape (m,). [kA]
        power_price_per_mwh : float
            Price of power. [currency/MWh]
        steam_price_per_t : float
            Price of steam; 0 leaves steam out. [currency/t]

        Returns
        -------
        ndarray
            Marginal cost. Shape (m,). [currency/t]
        """
        return power_price_per_mwh * self.marginal_mwh_per_t(load_ka) + self.per_t(steam_price_per_t)

    def cost_per_h(self, load_ka: Array, power_price_per_mwh: float, steam_price_per_t: float) -> Array:
        """Return the cost of an hour.

        Parameters
        ----------
        load_ka : ndarray
            Load. Shape (m,). [kA]
        power_price_per_mwh : float
            Price of power. [currency/MWh]
        steam_price_per_t : float
            Price of steam; 0 leaves steam out. [currency/t]

        Returns
        -------
        ndarray
            Cost. Shape (m,). [currency/h]
        """
        other = self.per_t(steam_price_per_t) * self.chlorine(load_ka)
        return power_price_per_mwh * self.power_mw(load_ka) + other

    def load_at(self, marginal: Array, power_price_per_mwh: float, steam_price_per_t: float) -> Array:
        """Return the greatest load whose marginal cost is not above a value, within the range.

        Parameters
        ----------
        marginal : ndarray
            Marginal cost. Shape (m,). [currency/t]
        power_price_per_mwh : float
            Price of power, above 0. [currency/MWh]
        steam_price_per_t : float
            Price of steam; 0 leaves steam out. [currency/t]

        Returns
        -------
        ndarray
            Load. Shape (m,). [kA]
        """
        low = np.full(len(marginal), self.load_min_ka)
        high = np.full(len(marginal), self.load_max_ka)
        at_low = self.marginal(low, power_price_per_mwh, steam_price_per_t) - marginal
        at_high = self.marginal(high, power_price_per_mwh, steam_price_per_t) - marginal
        all_of_it, none_of_it = at_high <= 0, at_low > 0
        open_ = ~(all_of_it | none_of_it)
        width = _PRECISION * self.load_max_ka
        side = np.zeros(len(marginal))
        load = np.where(all_of_it, high, low)
        # The Illinois form of the false position: exact at once for a voltage line, always bracketed.
        for _ in range(_ITERATIONS):
            if not np.any(open_):
                break
            step = np.divide(-at_low, at_high - at_low, out=np.zeros_like(low), where=open_)
            middle = np.where(open_, low + step * (high - low), load)
            value = self.marginal(middle, power_price_per_mwh, steam_price_per_t) - marginal
            below = value <= 0
            at_high = np.where(below, np.where(side < 0, at_high / 2.0, at_high), value)
            at_low = np.where(below, value, np.where(side > 0, at_low / 2.0, at_low))
            low, high = np.where(below, middle, low), np.where(below, high, middle)
            side = np.where(below, -1.0, 1.0)
            load = np.where(open_, middle, load)
            slope = np.abs(value) <= _PRECISION * np.maximum(np.abs(marginal), 1.0)
            open_ = open_ & ~slope & (high - low > width)
        return load


@dataclass(frozen=True, eq=False)
class Split:
    """The cheapest split of each total over circuits.

    Parameters
    ----------
    names : tuple of str
        Circuits. [-]
    total_t_per_h : ndarray
        Totals. Shape (m,). [t/h]
    loads_ka, chlorine_t_per_h : ndarray
        Load and chlorine of each circuit. Shape (circuits, m). [kA], [t/h]
    marginal : ndarray
        What one more tonne costs. Shape (m,). [currency/t]
    cost_per_h : ndarray
        Cost of an hour. Shape (m,). [currency/h]
    """

    names: tuple[str, ...]
    total_t_per_h: Array
    loads_ka: Array
    chlorine_t_per_h: Array
    marginal: Array
    cost_per_h: Array

    @property
    def average(self) -> Array:
        """Cost per tonne of chlorine. Shape (m,). [currency/t]."""
        return self.cost_per_h / self.total_t_per_h


def split(
    curves: Sequence[LoadCost], total_t_per_h: Array, power_price_per_mwh: float, steam_price_per_t: float
) -> Split:
    """Return the cheapest split of totals over circuits: equal marginal cost, but at the ends of ranges.

    Parameters
    ----------
    curves : sequence of LoadCost
        Circuits, one or more, each with convex power. [-]
    total_t_per_h : ndarray
        Chlorine of all together, between the sums of their least and greatest. Shape (m,). [t/h]
    power_price_per_mwh : float
        Price of power, above 0. [currency/MWh]
    steam_price_per_t : float
        Price of steam; 0 leaves steam out. [currency/t]

    Returns
    -------
    Split
        Loads, marginal cost and cost at each total. [-]

    Raises
    ------
    ValueError
        If the power price is not above 0 (then the cheapest split is not where marginal costs are equal), or
        a total is outside the range.

    Notes
    -----
    The cost is convex and chlorine affine in the load, so the first-order condition of the separable problem
    (one multiplier on the total) is sufficient. The multiplier is bisected to the last bits; what is left
    between its two ends, where marginal costs are flat, is shared in proportion.
    """
    if not power_price_per_mwh > 0:
        raise ValueError(
            f"'power_price_per_mwh' must be above 0 [currency/MWh] (got {power_price_per_mwh:g}): below, "
            "more power pays and the cheapest split lies at the ends of the ranges"
        )
    low_t = sum(float(c.chlorine(np.array([c.load_min_ka]))[0]) for c in curves)
    high_t = sum(float(c.chlorine(np.array([c.load_max_ka]))[0]) for c in curves)
    totals = np.asarray(total_t_per_h, dtype=np.float64)
    slack = 1e-9 * high_t
    if np.any(totals < low_t - slack) or np.any(totals > high_t + slack):
        raise ValueError(
            f"'total_t_per_h' must be between {low_t:.4g} and {high_t:.4g} [t/h], what the circuits make at "
            f"least and at most (got {np.min(totals):.4g} to {np.max(totals):.4g})"
        )
    ends = [
        c.marginal(np.array([c.load_min_ka, c.load_max_ka]), power_price_per_mwh, steam_price_per_t)
        for c in curves
    ]
    least, most = min(float(e[0]) for e in ends), max(float(e[1]) for e in ends)
    margin = 1e-9 * max(abs(least), abs(most), 1.0)
    low, high = np.full(len(totals), least - margin), np.full(len(totals), most + margin)

    def loads(marginal: Array) -> Array:
        return np.stack([c.load_at(marginal, power_price_per_mwh, steam_price_per_t) for c in curves])

    def chlorine(at: Array) -> Array:
        return np.stack([c.chlorine(row) for c, row in zip(curves, at, strict=True)])

    for _ in range(_BISECTIONS):
        middle = (low + high) / 2.0
        enough = np.sum(chlorine(loads(middle)), axis=0) >= totals
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    below, above = loads(low), loads(high)
    made_below, made_above = np.sum(chlorine(below), axis=0), np.sum(chlorine(above), axis=0)
    width = made_above - made_below
    share = np.divide(totals - made_below, width, out=np.zeros_like(totals), where=width > 0)
    at = below + np.clip(share, 0.0, 1.0) * (above - below)
    cost = np.sum(
        np.stack(
            [
                c.cost_per_h(row, power_price_per_mwh, steam_price_per_t)
                for c, row in zip(curves, at, strict=True)
            ]
        ),
        axis=0,
    )
    return Split(tuple(c.name for c in curves), totals, at, chlorine(at), (low + high) / 2.0, cost)


@dataclass(frozen=True)
class PriceSteps:
    """Power prices at which the cheapest load of a circuit leaves its ends.

    Parameters
    ----------
    name : str
        Name of the circuit. [-]
    full_below_per_mwh : float
        Up to this power price full load is cheapest. [currency/MWh]
    least_above_per_mwh : float
        From this power price on the least load is cheapest. [currency/MWh]
    """

    name: str
    full_below_per_mwh: float
    least_above_per_mwh: float


def price_steps(curve: LoadCost, value_per_t: float, steam_price_per_t: float) -> PriceSteps:
    """Return the power prices at which full and least load are cheapest, for a worth of a tonne.

    Parameters
    ----------
    curve : LoadCost
        The circuit. [-]
    value_per_t : float
        What one more tonne of chlorine with its alkali is worth, or costs at another time. [currency/t]
    steam_price_per_t : float
        Price of steam. [currency/t]

    Returns
    -------
    PriceSteps
        Prices; negative where not even free power is cheap enough. [currency/MWh]

    Notes
    -----
    Marginal cost at the end of the range equals the worth: p e(load) + s = v, so p = (v - s) / e(load).
    """
    left = value_per_t - curve.per_t(steam_price_per_t)
    energy = curve.marginal_mwh_per_t(np.array([curve.load_min_ka, curve.load_max_ka]))
    return PriceSteps(curve.name, float(left / energy[1]), float(left / energy[0]))


def indifference_price(
    first: LoadCost, first_load_ka: float, second: LoadCost, second_load_ka: float, steam_price_per_t: float
) -> float | None:
    """Return the power price at which one more tonne costs the same from two circuits.

    Parameters
    ----------
    first, second : LoadCost
        The circuits. [-]
    first_load_ka, second_load_ka : float
        Load of each. [kA]
    steam_price_per_t : float
        Price of steam. [currency/t]

    Returns
    -------
    float or None
        Price: above it the circuit that needs less energy is cheaper, below it the one that needs less of the
        rest; None where both need the same energy. [currency/MWh]
    """
    e1 = float(first.marginal_mwh_per_t(np.array([first_load_ka]))[0])
    e2 = float(second.marginal_mwh_per_t(np.array([second_load_ka]))[0])
    if e1 == e2:
        return None
    return (second.per_t(steam_price_per_t) - first.per_t(steam_price_per_t)) / (e1 - e2)
