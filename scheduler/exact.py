"""The exact values and the exact cost of a solution of the program.

The program knows curves by tangents and chords; here every curve gets its true value at the planned
setpoints, the meter takes up the difference, and the contract is charged at the true import. Both the
cuts and the audit measure against this.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

import numpy as np

from models.contract.term import Term
from models.horizon import Array
from scheduler.lp import Formulation

Values = Mapping[str, Array]


def exact_values(formulation: Formulation, values: Values) -> dict[str, Array]:
    """Return a solution with true curve results, true metered import and true billed peaks.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    values : mapping
        Value of every variable, curve result and stock level, by key. [as declared]

    Returns
    -------
    dict
        The same with true values where the program had approximations. [as declared]
    """
    result = {key: np.array(value, dtype=np.float64) for key, value in values.items()}
    meter = formulation.site.meter
    everywhere = np.arange(len(formulation.horizon))
    off: dict[str, Array] = {}
    for curve in formulation.declaration.curves:
        result[curve.key] = curve.value(result[curve.of], everywhere)
        off[curve.key] = result[curve.key] - values[curve.key]
    if meter in result:
        for flow in formulation.declaration.flows:
            if flow.commodity == "power" and flow.variable in off:
                result[meter] = result[meter] - flow.coefficient * off[flow.variable]
        for prefix, term in charged_terms(formulation, result):
            result.update(term.exact_on(formulation.horizon, prefix, result[meter]))
    return result


def charged_terms(formulation: Formulation, exact: Values) -> tuple[tuple[str, Term], ...]:
    """Return the contract's terms as they charge a solution, the ramps of its loads included.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    exact : mapping
        Exact values of the curves. [as declared]

    Returns
    -------
    tuple of (str, Term)
        Prefix and term. [-]
    """
    if not formulation.ramps.keys:
        return formulation.terms
    energy = formulation.ramps.energy_mwh(exact, formulation.horizon)
    return tuple((prefix, term.with_ramps(energy)) for prefix, term in formulation.terms)


def ramp_weights(formulation: Formulation, raw: Values, exact: Values) -> Array:
    """Return what the ramps cost that lift a metered mean above the peak which the program sees.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    raw, exact : mapping
        A solution as the program sees it, and its exact values. [as declared]

    Returns
    -------
    ndarray
        Price of ramp energy at the start of each interval; 0 where it lifts nothing. Shape (n,).
        [currency/MWh]
    """
    weights = np.zeros(len(formulation.horizon))
    for prefix, term in charged_terms(formulation, exact):
        for key, peak in term.peaks_in(prefix):
            seen = float(raw[key][0])
            weights = np.maximum(weights, peak.ramps_above(exact[formulation.site.meter], seen))
    return weights


def exact_costs(formulation: Formulation, exact: Values) -> dict[str, float]:
    """Return the cost of a solution by group, sunk charges left out.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    exact : mapping
        Exact values (see `exact_values`). [as declared]

    Returns
    -------
    dict
        Cost of each group that occurs. [currency]
    """
    groups: dict[str, float] = defaultdict(float)
    for cost in formulation.declaration.costs:
        if cost.key in formulation.unit_costs:
            groups[cost.group] += float(np.dot(cost.coefficient, exact[cost.variable])) + cost.constant
    if formulation.site.meter in exact:
        power = exact[formulation.site.meter]
        for _, term in charged_terms(formulation, exact):
            groups[term.group] += term.cost(formulation.horizon, power) - term.sunk()
    return dict(groups)


def energy_prices(formulation: Formulation) -> Array:
    """Return the sum of all energy rates of the contract on each interval.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]

    Returns
    -------
    ndarray
        Shape (n,). [currency/MWh]
    """
    hours = formulation.horizon.hours
    total = np.zeros(len(hours))
    for cost in formulation.declaration.costs:
        if (
            cost.group == "energy"
            and cost.variable == formulation.site.meter
            and cost.key not in formulation.unit_costs
        ):
            total = total + cost.coefficient / hours
    for _, term in formulation.terms:
        price = term.energy_per_mwh(formulation.horizon)
        if price is not None:
            total = total + price
    return total


def absolute_energy_cost(formulation: Formulation, exact: Values) -> float:
    """Return the sum over the intervals of the absolute energy charge: the gap's denominator.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    exact : mapping
        Exact values. [as declared]

    Returns
    -------
    float
        At least 1, so that free power does not divide by zero. [currency]
    """
    if formulation.site.meter not in exact:
        return 1.0
    charge = energy_prices(formulation) * formulation.horizon.hours * exact[formulation.site.meter]
    return max(float(np.sum(np.abs(charge))), 1.0)
