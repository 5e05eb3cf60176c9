"""Misses: which duties come first when not all can be met, and what a missed unit counts.

Classes are minimised one after another, the first class first; prices only weigh misses inside one
class and say in reports what a miss counts. They never mix with the power cost. The order and the
prices are this project's choice (common practice, no source).
"""

from __future__ import annotations

import numpy as np

from models.horizon import Array, Horizon
from models.pieces import Variable

PIPELINE = 1
"""A customer fed by pipeline gets less than his least take or daily total."""
ORDER = 2
"""A lot for road, rail or ship is not loaded in its window."""
END_STOCK = 3
"""A stock ends below its target."""
RECOVERY = 4
"""A stock that started outside its limits is not yet back."""

NAMES = {
    PIPELINE: "pipeline customer",
    ORDER: "order",
    END_STOCK: "end stock",
    RECOVERY: "recovery of a stock that started outside its limits",
}
"""Words for each class, in the order in which they are served."""

MISS_TOLERANCE = 1e-3
"""Missed quantity that counts as none. [t]"""
PRICE_PER_T = {PIPELINE: 2000.0, ORDER: 1000.0, END_STOCK: 500.0, RECOVERY: 100.0}
"""What one missed tonne counts. [currency/t]"""


def miss_hours(variable: Variable, horizon: Horizon) -> Array:
    """Return for how long each part of a miss counts.

    Parameters
    ----------
    variable : Variable
        A missed part of a duty. [-]
    horizon : Horizon
        The intervals. [-]

    Returns
    -------
    ndarray
        Length of the interval of a rate or level; 1 for a total. Shape (m,). [h or -]
    """
    hours: Array = np.ones(variable.size) if variable.intervals is None else horizon.hours[variable.intervals]
    return hours


def miss_unit(variable: Variable) -> str:
    """Return the unit of a miss summed over its hours.

    Parameters
    ----------
    variable : Variable
        A missed part of a duty. [-]

    Returns
    -------
    str
        't' for quantities; 't h' for a level outside its range, which counts for as long as it lasts. [-]
    """
    if variable.unit == "t" and variable.intervals is not None:
        return "t h"
    return "t" if variable.unit == "t/h" else variable.unit
