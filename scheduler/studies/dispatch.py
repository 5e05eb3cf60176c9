"""A year by the quarter of an hour, given its plan by the hour.

Owns the way from one to the other: week by week in short intervals, with the stocks at the end of each week
and the peaks of the plan by the hour as they are. Months in short intervals as one program take many times
as long, and what a week hands to the next is known already.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.contract.component import Profile
from models.horizon import Horizon
from models.site import Site
from models.situation import Situation
from scheduler.studies.year import Chain, YearOptions, YearRun

DISPATCH_DAYS = 7
"""Days that a window of the dispatch keeps. [d]"""


def dispatch(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    hourly: YearRun,
    options: YearOptions | None = None,
) -> YearRun:
    """Plan a long time in short intervals along a plan in longer ones.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The same time in short intervals. [-]
    situation : Situation
        What is known at its start, sides of cliffs included; series may be as fine as the intervals. [-]
    hourly : YearRun
        The plan in longer intervals. [-]
    options : YearOptions, optional
        How windows are solved; each keeps a week and looks no further unless told. [-]

    Returns
    -------
    YearRun
        The time in short intervals, simulated and billed as one. [-]

    Raises
    ------
    ValueError
        If both do not cover the same time.
    """
    coarse = hourly.formulation.horizon
    if (coarse.start_min, coarse.end_min) != (horizon.start_min, horizon.end_min):
        raise ValueError("the plan by the hour must cover the same time as the intervals of the dispatch")
    options = options or YearOptions(kept_days=DISPATCH_DAYS, look_ahead_days=0, far_days=0)
    levels = {
        name: hourly.audit.values[f"{name}_level"] for unit in site.units for name in unit.initial_stocks()
    }
    ends = coarse.starts_min + coarse.lengths_min
    peaks = site.contract.after(Profile(coarse, hourly.import_mw), Situation()).peaks_mw

    def known(now: Situation, span: tuple[int, int, int]) -> Situation:
        last = int(horizon.starts_min[span[2] - 1] + horizon.lengths_min[span[2] - 1])
        at = int(np.searchsorted(ends, last))
        stocks = {name: float(level[at]) for name, level in levels.items()}
        return replace(now, end_stocks={**now.end_stocks, **stocks}, peak_targets_mw=dict(peaks))

    factor = coarse.lengths_min // int(horizon.lengths_min[0])
    expected = np.repeat(hourly.import_mw, factor)
    return Chain(site, horizon, situation, options).run(situation, expected, known)
