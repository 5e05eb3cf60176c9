"""What each limit is worth, as a table for people and as CSV.

Owns the layout; the values come from `scheduler.studies.limits`.
"""

from __future__ import annotations

import csv
import io
import textwrap

from models.horizon import Horizon
from models.site import Site
from scheduler.report.cautions import SHORT_CAUTION
from scheduler.report.columns import STUDY_FILES
from scheduler.report.wording import fixed, local_start, plain, spoken_start
from scheduler.studies.limits import LimitValue

LIMITS_NAMES = ("limits.csv", "limits.txt")
"""Files of the table's folder."""


def limits_text(site: Site, horizon: Horizon, values: tuple[LimitValue, ...]) -> str:
    """Return the table, the most valuable limit first.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The intervals. [-]
    values : tuple of LimitValue
        The values. [-]

    Returns
    -------
    str
        Text of many lines. [-]
    """
    currency = site.contract.currency
    head = f"{plain(site.name)}: what each limit is worth from {spoken_start(horizon, 0)}, {currency}"
    lines = [head, "", f"{'limit':<48}{'value':>12}  {'load that moves most':<22}{'kA':>8}  at"]
    for value in sorted(values, key=lambda v: -v.value if v.comparable else float("inf")):
        circuit, at, size = value.moved
        worth = fixed(value.value, 2, True) if value.comparable else "not known"
        when = spoken_start(horizon, at) if circuit and size >= 0.05 else ""
        moved = f"{plain(circuit):<22}{fixed(size, 1):>8}" if when else f"{'none':<22}{'':>8}"
        lines.append(f"{plain(value.name):<48}{worth:>12}  {moved}  {when}".rstrip())
    notes = [
        "Value: cost of the horizon with the limit less cost without it, each taken away alone, loads at any "
        "value at any time; values do not add up. Counted changes: one circuit's limit against none. 'not "
        "known': with or without it a duty is missed or the search was stopped. Without a limit the yield of "
        "liquefaction changes too, so a value may be below 0.",
        "A value is no leave to pass a limit. " + SHORT_CAUTION,
        *(plain(note) for note in site.notes),
    ]
    return "\n".join([*lines, "", *(line for note in notes for line in textwrap.wrap(note, 100))])


def limits_csv(values: tuple[LimitValue, ...]) -> str:
    """Return the table as CSV.

    Parameters
    ----------
    values : tuple of LimitValue
        The values. [-]

    Returns
    -------
    str
        Text of limits.csv. [-]
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([column.name for column in STUDY_FILES["limits.csv"]])
    for value in values:
        circuit, at, size = value.moved
        when = local_start(value.with_it.horizon, at) if circuit else ""
        worth = fixed(value.value, 4) if value.comparable else ""
        writer.writerow([value.name, worth, circuit, when, fixed(size, 4), int(value.comparable)])
    return text.getvalue()
