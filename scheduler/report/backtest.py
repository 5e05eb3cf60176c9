"""A back-test in words.

Owns wording and layout; the figures come from `scheduler.studies.backtest`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from models.horizon import Horizon
from scheduler.report.cautions import CAUTIONS
from scheduler.report.wording import fixed, plain
from scheduler.studies.backtest import FORECAST_WORDS, ROLLING, BacktestFigures

LOOK_DAYS = ROLLING.look_ahead_days + ROLLING.far_days
"""Days that the plan of a day looks beyond it. [d]"""
AS_BUILT = "stores as in the site file"
"""Name of the works with its own stores."""


def stores_of(days: float) -> str:
    """Return what stores of a size are called.

    Parameters
    ----------
    days : float
        Size. [d]

    Returns
    -------
    str
        The name. [-]
    """
    return f"product stores of {days:g} days of mean output"


def backtest_text(found: Mapping[str, BacktestFigures], name: str, horizon: Horizon, currency: str) -> str:
    """Return a back-test in words.

    Parameters
    ----------
    found : mapping
        Figures, by what the stores are called. [-]
    name : str
        Name of the site. [-]
    horizon : Horizon
        The past time. [-]
    currency : str
        ISO 4217 code. [-]

    Returns
    -------
    str
        Text for a terminal. [-]
    """
    lines = [
        f"{plain(name)}: back-test of {len(set(horizon.days))} days from {horizon.days[0]}, "
        f"amounts in {currency}"
    ]
    for stores, figures in found.items():
        ways = (
            ("constant loads", figures.flat_total),
            ("all prices known, one program", figures.best_total),
            ("day by day, true prices ahead (the controller)", figures.true_total),
            ("day by day, naive forecast (the information)", figures.naive_total),
            ("day by day, last week again", figures.last_week_total),
        )
        lines += ["", f"{stores:50}{'cost':>16}{'share of saving':>17}"]
        for text, total in ways:
            part = figures.share(total)
            share = "-" if math.isnan(part) else f"{100.0 * part:.1f} %"
            lines.append(f"{text:<50}{fixed(total, 0, True):>16}{share:>17}")
        if math.isnan(figures.controller):
            lines.append("Nothing is saved against constant loads here: there is nothing to take a share of.")
    lines += [
        "",
        "Known on the day before: the prices of the plan day. " + FORECAST_WORDS,
        "The month's peak target comes from a month-ahead run with the same forecast. Constant loads and the "
        f"one program know all prices; the controller knows those of the {LOOK_DAYS} days ahead.",
    ]
    if set(found) != {AS_BUILT}:
        lines.append(
            "Scaled stores hold so many days of the mean output at constant loads between their least and "
            "greatest content, are half full at the start and must be at the end. Only units of kind "
            "product_store are scaled: chlorine stores and alkali tanks stay as built. Permits and the money "
            "for tanks are not looked at."
        )
    return "\n".join(lines) + "\n\n" + "\n".join(CAUTIONS) + "\n"
