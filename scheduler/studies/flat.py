"""A year at constant loads: what a site costs that does not flex.

Owns the habit a study compares with: each circuit at one load for each month, the same duties, power at one
price. Its import is then billed under every contract.
"""

from __future__ import annotations

from dataclasses import replace

from models.contract.component import Contract
from models.contract.spot import SpotEnergy
from models.horizon import Horizon, Series
from models.site import Site
from models.situation import Situation
from scheduler.errors import SolverError
from scheduler.studies.year import Chain, YearOptions, YearRun

FLAT_PRICE = 50.0
"""Price of all energy while constant loads are chosen; any other gives nearly the same. [currency/MWh]"""


def flat_year(
    site: Site, horizon: Horizon, situation: Situation, options: YearOptions | None = None
) -> YearRun:
    """Plan a year with each circuit at one load for each month.

    Parameters
    ----------
    site : Site
        The works; its contract is not used. [-]
    horizon : Horizon
        The year. [-]
    situation : Situation
        What is known at its start. [-]
    options : YearOptions, optional
        How it is cut and solved. [-]

    Returns
    -------
    YearRun
        The year; its bill is that of power at one price. [-]

    Raises
    ------
    SolverError
        If no constant load meets all duties of a month.
    """
    plain = Contract("one price", site.contract.currency, (SpotEnergy("flat", index="flat"),))
    series = {**situation.series, "flat": Series.constant("flat", FLAT_PRICE, horizon)}
    now = replace(situation, series=series, peak_targets_mw={}, peaks_mw={})
    works = replace(site, contract=plain)
    options = replace(options or YearOptions(), constant_loads=True)
    run = Chain(works, horizon, now, options).run(now)
    if run.misses:
        worst = run.misses[0]
        raise SolverError(
            f"no constant load meets all duties of a month: {worst.meaning} "
            f"({worst.quantity:.1f} {worst.unit}); the value of flexibility cannot be told"
        )
    return run
