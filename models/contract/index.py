"""Price series in contracts: looked up, settled on longer means, held inside a collar, valid for some days.

Owns the rules that turn a market price into the price of an index. What is charged at it stands in the
components.
"""

from __future__ import annotations

import datetime as dt

import numpy as np

from models.contract import calendar
from models.horizon import Array, Horizon, Series, day_start_minute
from models.situation import Situation


def series_of(component: str, name: str, situation: Situation) -> Series:
    """Return a series that a component needs.

    Parameters
    ----------
    component : str
        Name of the component, for the message. [-]
    name : str
        Name of the series. [-]
    situation : Situation
        Holds the series. [-]

    Returns
    -------
    Series
        The series. [as named]

    Raises
    ------
    ValueError
        If it was not given.
    """
    series = situation.series.get(name)
    if series is None:
        known = ", ".join(repr(known) for known in sorted(situation.series)) or "none"
        raise ValueError(
            f"component '{component}' needs the series '{name}', which was not given (given: {known})"
        )
    return series


def index_of(component: str, name: str, situation: Situation) -> Series:
    """Return a price series that a component needs.

    Parameters
    ----------
    component : str
        Name of the component, for the message. [-]
    name : str
        Name of the series. [-]
    situation : Situation
        Holds the series. [-]

    Returns
    -------
    Series
        The series. [currency/MWh]

    Raises
    ------
    ValueError
        If it was not given.
    """
    series = situation.series.get(name)
    if series is None:
        known = ", ".join(repr(known) for known in sorted(situation.series)) or "none"
        raise ValueError(
            f"component '{component}' needs the price series '{name}', which was not given (given: {known})"
        )
    return series


def settled_mean(series: Series, horizon: Horizon, minutes: int) -> Series:
    """Return a price settled on the means over longer periods of the local clock.

    Parameters
    ----------
    series : Series
        Market price. [currency/MWh]
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    minutes : int
        Length of a period, such as 60 for the hourly mean of quarter prices. [min]

    Returns
    -------
    Series
        One price for each period, at the horizon's edges the mean of the part inside. [currency/MWh]

    Raises
    ------
    ValueError
        If the price leaves an interval without a value.
    """
    starts, ends = calendar.metering_periods(horizon, minutes)
    starts, ends = np.maximum(starts, horizon.start_min), np.minimum(ends, horizon.end_min)
    # A mean over the horizon's intervals, and then over periods: exact, since both are time means.
    means = calendar.energy_mwh(horizon, series.on(horizon), starts, ends) / ((ends - starts) / 60.0)
    return Series(series.name, starts, ends - starts, means)


def validity_share(horizon: Horizon, valid_from: dt.date | None, valid_to: dt.date | None) -> Array:
    """Return which share of each interval lies in a span of local days.

    Parameters
    ----------
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    valid_from : date or None
        First day inside; no limit if None. [-]
    valid_to : date or None
        First day outside; no limit if None. [-]

    Returns
    -------
    ndarray
        Shares from 0 to 1. Shape (n,). [-]
    """
    start = horizon.start_min if valid_from is None else day_start_minute(valid_from, horizon.timezone)
    end = horizon.end_min if valid_to is None else day_start_minute(valid_to, horizon.timezone)
    return horizon.share_inside(start, max(end, start))
