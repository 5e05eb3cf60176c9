"""Hydrogen in the tail gas of chlorine liquefaction.

Owns the balance of hydrogen over the liquefier and the published lower limits. It helps to keep a plan clear
of the limit; it is no protection. Hydrogen analysers, interlocks and the plant's own limits come first.
"""

import math
from typing import Final

import numpy as np

from models.checks import Number

# 'Hydrogen in chlorine', November 2016, slides citing Euro Chlor GEST 91/168, chapter 9. The label of the 0 C
# row is missing in the copy that was read and is taken from its place in the list. At 13.5 bar(a) the same
# source gives 2.5 to 3 %.
LOWER_LIMIT: Final[tuple[tuple[float, float], ...]] = (
    (-60.0, 5.0),
    (-40.0, 4.0),
    (-20.0, 4.0),
    (0.0, 3.5),
    (20.0, 3.0),
    (25.0, 3.0),
    (50.0, 3.0),
    (100.0, 3.0),
)
"""Temperature and lower explosive limit of hydrogen in chlorine near atmospheric pressure. [C, vol%]"""

# Below the lowest published limit, 2.5 % under pressure, with a margin: a choice of this project, no source.
# The 4 % of some rules is not conservative for warm or compressed gas.
DEFAULT_LIMIT_PERCENT: Final = 2.0
"""Highest hydrogen content of the tail gas unless the plant states its own. [vol%]"""


def _check_feed(feed_hydrogen: Number | float, feed_chlorine: Number | float) -> None:
    hydrogen = np.asarray(feed_hydrogen, dtype=np.float64)
    chlorine = np.asarray(feed_chlorine, dtype=np.float64)
    if not np.all((hydrogen >= 0.0) & (chlorine > 0.0) & (hydrogen + chlorine <= 1.0 + 1e-12)):
        raise ValueError(
            "'feed_hydrogen' must be at least 0, 'feed_chlorine' above 0 and their sum at most 1 [-] "
            f"(got {feed_hydrogen!r} and {feed_chlorine!r})"
        )


def hydrogen_fraction(
    feed_hydrogen: Number | float, feed_chlorine: Number | float, liquefaction_yield: Number
) -> Number:
    """Hydrogen content of the gas left after liquefaction.

    Parameters
    ----------
    feed_hydrogen : float or ndarray (n,)
        Hydrogen in the dry feed, 0 or more. [mol/mol]
    feed_chlorine : float or ndarray (n,)
        Chlorine in the dry feed, above 0, at most 1 with the hydrogen. [mol/mol]
    liquefaction_yield : float or ndarray (n,)
        Share of the chlorine that is liquefied, 0 to 1, below 1 for pure chlorine. [-]

    Returns
    -------
    float or ndarray (n,)
        Hydrogen in the tail gas. [mol/mol]

    Raises
    ------
    ValueError
        When an input is outside its range.

    Notes
    -----
    x = h / (1 - c y): per mole of feed c y leaves as liquid and all hydrogen stays in the gas.
    """
    _check_feed(feed_hydrogen, feed_chlorine)
    share = np.asarray(liquefaction_yield, dtype=np.float64)
    if not np.all((share >= 0.0) & (share <= 1.0)):
        raise ValueError(f"'liquefaction_yield' must be between 0 and 1 [-] (got {liquefaction_yield!r})")
    left = 1.0 - feed_chlorine * liquefaction_yield
    if not np.all(np.asarray(left) > 0.0):
        raise ValueError("no gas is left: 'liquefaction_yield' must be below 1 [-] for pure chlorine (got 1)")
    return feed_hydrogen / left


def yield_max(
    feed_hydrogen: float, feed_chlorine: float, hydrogen_limit: float = DEFAULT_LIMIT_PERCENT / 100.0
) -> float:
    """Highest liquefaction yield that keeps the tail gas at or below a hydrogen limit.

    Parameters
    ----------
    feed_hydrogen : float
        Hydrogen in the dry feed, 0 or more. [mol/mol]
    feed_chlorine : float
        Chlorine in the dry feed, above 0, at most 1 with the hydrogen. [mol/mol]
    hydrogen_limit : float
        Limit in the tail gas, above 0 and at least the hydrogen of the feed. [mol/mol]

    Returns
    -------
    float
        Highest yield; 1 when even full liquefaction stays below the limit. [-]

    Raises
    ------
    ValueError
        When an input is outside its range, or the feed is above the limit before any liquefaction.
    """
    _check_feed(feed_hydrogen, feed_chlorine)
    if not 0.0 < hydrogen_limit <= 1.0:
        raise ValueError(f"'hydrogen_limit' must be above 0 and at most 1 [-] (got {hydrogen_limit:g})")
    if feed_hydrogen > hydrogen_limit:
        raise ValueError(
            f"'feed_hydrogen' must be at most the limit {hydrogen_limit:g} [-] (got {feed_hydrogen:g}): "
            "the feed is above the limit before any liquefaction; dilute it or check the cells"
        )
    return min(1.0, (1.0 - feed_hydrogen / hydrogen_limit) / feed_chlorine)


def lower_limit_percent(temperature_c: float) -> float:
    """Give the published lower explosive limit of hydrogen in chlorine near atmospheric pressure.

    Parameters
    ----------
    temperature_c : float
        Gas temperature, -60 to 100. [C]

    Returns
    -------
    float
        Limit of the next warmer row of `LOWER_LIMIT`, which is never the higher one. [vol%]

    Raises
    ------
    ValueError
        When the temperature is outside the table.
    """
    coldest, warmest = LOWER_LIMIT[0][0], LOWER_LIMIT[-1][0]
    if not (math.isfinite(temperature_c) and coldest <= temperature_c <= warmest):
        raise ValueError(
            f"'temperature_c' must be between {coldest:g} and {warmest:g} [C] (got {temperature_c:g})"
        )
    return next(limit for row_c, limit in LOWER_LIMIT if row_c >= temperature_c)
