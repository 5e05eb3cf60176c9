"""What the works did before, laid onto a horizon: the pattern a plan is compared with.

Owns the shift of actual loads by whole weeks on the local clock.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from zoneinfo import ZoneInfo

import numpy as np

from models.horizon import Array, Horizon, Series, minute_of


def past_pattern(actual_loads: Mapping[str, Series], horizon: Horizon) -> dict[str, Array]:
    """Return the loads of the last week with readings, at the same weekday and clock time.

    Parameters
    ----------
    actual_loads : mapping
        Actual loads by circuit. [kA]
    horizon : Horizon
        The intervals. [-]

    Returns
    -------
    dict
        Loads by circuit, each shape (n,); a circuit without a reading for every interval is left out,
        so that no gap is filled. [kA]
    """
    pattern = {}
    for name, series in actual_loads.items():
        values = _a_week_before(series, horizon)
        if values is not None:
            pattern[name] = values
    return pattern


def _a_week_before(series: Series, horizon: Horizon) -> Array | None:
    zone = ZoneInfo(horizon.timezone)
    values = np.zeros(len(horizon))
    for i, start in enumerate(horizon.local_starts):
        for weeks in (1, 2, 3, 4):
            # Wall-clock arithmetic first, so that a clock change keeps 6 o'clock at 6 o'clock.
            before = (start.replace(tzinfo=None) - dt.timedelta(days=7 * weeks)).replace(tzinfo=zone)
            moment = minute_of(before.astimezone(dt.UTC))
            one = Horizon(np.array([moment]), horizon.lengths_min[i : i + 1], horizon.timezone, 1)
            if not series.missing_on(one):
                values[i] = series.on(one)[0]
                break
        else:
            return None
    return values
