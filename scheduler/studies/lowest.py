"""The lowest point of a cost that takes a whole year to find for one value.

Owns the search along one number (a year's peak, a contracted capacity). Libraries for it take a dozen values
where the cost is smooth and known everywhere; here each value is a year of windows, many have no plan, and a
few parts in ten thousand are noise.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

HALVINGS = 2
"""How often the way to a value without a plan is halved."""
DISTINCT = 0.25
"""How far, in first steps, a point between others must be from all of them to be worth a year."""


def lowest(cost_at: Callable[[float], float], first: float, step: float, worth: float) -> float:
    """Return the value with the lowest cost found: upwards in doubling steps, else downwards, then between.

    Parameters
    ----------
    cost_at : callable
        Cost at a value, infinite where it has no plan; convex but for noise. Asked once for each value. [-]
    first : float
        First value, above 0, with a finite cost. [unit of the value]
    step : float
        First step, as a share of the first value, above 0. [-]
    worth : float
        Saving, as a share of the cost, that is worth another value, 0 or more. [-]

    Returns
    -------
    float
        The value. [unit of the value]
    """
    known: dict[float, float] = {}

    def cost(x: float) -> float:
        if x not in known:
            known[x] = cost_at(x)
        return known[x]

    def enough(x: float, than: float) -> bool:
        return cost(x) < cost(than) - worth * abs(cost(than))

    best = first
    cost(best)
    for sign in (1.0, -1.0):
        width = step * first
        while best + sign * width > 0.0 and enough(best + sign * width, best):
            best += sign * width
            width *= 2.0
        if best != first:
            break
    best = min(known, key=lambda x: known[x])
    for _ in range(HALVINGS):
        between = _between(known, best, worth)
        if between is None or min(abs(between - x) for x in known) < DISTINCT * step * first:
            break
        halved = np.isinf(max(known[x] for x in _neighbours(known, best)))
        cost(between)
        best = min(known, key=lambda x: known[x])
        if not halved:
            break
    return best


def _neighbours(known: dict[float, float], best: float) -> list[float]:
    below, above = [x for x in known if x < best], [x for x in known if x > best]
    return [*([max(below)] if below else []), *([min(above)] if above else [])]


def _between(known: dict[float, float], best: float, worth: float) -> float | None:
    """Return a point that may be lower: half way to one without a plan, or a parabola's bottom."""
    around = _neighbours(known, best)
    without = [x for x in around if np.isinf(known[x])]
    if without:
        return 0.5 * (best + without[-1])
    if len(around) < 2:
        return None
    low, high = around
    curve = np.polynomial.Polynomial.fit([low, best, high], [known[x] for x in (low, best, high)], 2)
    bottom = float(np.real(curve.deriv().roots()[0])) if curve.degree() == 2 else best
    if not low < bottom < high or curve(bottom) > known[best] - worth * abs(known[best]):
        return None
    return bottom
