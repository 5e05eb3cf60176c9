"""The state of the bill: peaks and totals of billing periods so far, what is expected, sides of cliffs.

Owns the columns. What a state costs stands in the contract's components; `peaks` is the same for months
and peaks alone.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from models.checks import at_least
from models.contract.state import State
from scheduler.read.context import Context
from scheduler.read.files import Source
from scheduler.read.peaks import Peaks
from scheduler.read.problems import hint
from scheduler.read.site_file import ContractRead
from scheduler.read.tables import Columns, Row, read_table
from scheduler.read.times import FIRST_YEAR, LAST_YEAR, month_of_text

COLUMNS = Columns(
    ("component", "period"),
    ("energy_mwh", "rest_mwh", "peak_mw", "target_mw", "case", "charged", "rest_charged"),
    {
        "component": "name of the contract component",
        "period": "billing period, such as 2026-06 or 2026, or a day of daily overruns",
        "energy_mwh": "energy so far, MWh",
        "rest_mwh": "energy expected after the horizon, MWh",
        "peak_mw": "highest metered mean so far, MW",
        "target_mw": "what the period will reach anyway, MW",
        "case": "side of a cliff to stay on; every side is planned if left out",
        "charged": "charges so far that count in a minimum bill, currency",
        "rest_charged": "such charges expected after the horizon, currency",
    },
)
_YEAR = re.compile(r"[0-9]{4}")
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


@dataclass(frozen=True)
class StateRead:
    """What the files of the state hold.

    Parameters
    ----------
    state : State
        Totals, expectations and cases. [-]
    peaks : Peaks
        Peaks so far and targets. [-]
    """

    state: State
    peaks: Peaks = field(default_factory=lambda: Peaks({}, {}))


def read_state(sources: Sequence[Source], contract: ContractRead, context: Context) -> StateRead:
    """Return the state of the bill from some files.

    Parameters
    ----------
    sources : sequence of Source
        CSV or XLSX tables. [-]
    contract : ContractRead
        The contract. [-]
    context : Context
        The site. [-]

    Returns
    -------
    StateRead
        The state. [-]
    """
    names = [component.name for component in contract.components]
    energy: dict[tuple[str, str], float] = {}
    rest: dict[tuple[str, str], float] = {}
    cases: dict[str, str] = {}
    charged: dict[tuple[str, str], float] = {}
    rest_charged: dict[tuple[str, str], float] = {}
    peaks = Peaks({}, {})
    seen: dict[tuple[str, str], str] = {}
    for source in sources:
        for row in read_table(source, COLUMNS, context.problems):
            component = row.text("component")
            if component is not None and contract.complete and component not in names:
                row.fault(
                    "component",
                    f"must be a component of the contract (got '{component}'){hint(component, names)}",
                )
            period = _period(row)
            values = {
                column: row.number(column, *((at_least(0, "MW"),) if column.endswith("_mw") else ()))
                for column in ("energy_mwh", "rest_mwh", "peak_mw", "target_mw", "charged", "rest_charged")
                if row.has(column)
            }
            case = row.text("case") if row.has("case") else None
            if component is None or period is None:
                continue
            key = (component, period)
            if key in seen:
                row.fault(
                    "period",
                    f"must be there once for a component (got {period} again, first in {seen[key]})",
                )
                continue
            seen[key] = f"{row.file}, {row.place}"
            for column, target in (
                ("energy_mwh", energy),
                ("rest_mwh", rest),
                ("charged", charged),
                ("rest_charged", rest_charged),
                ("peak_mw", peaks.so_far_mw),
                ("target_mw", peaks.targets_mw),
            ):
                value = values.get(column)
                if value is not None:
                    target[key] = value
            if case is not None:
                if cases.get(component, case) != case:
                    row.fault(
                        "case", f"must be one for a component (got '{case}' after '{cases[component]}')"
                    )
                cases[component] = case
    return StateRead(State(energy, rest, cases, charged, rest_charged), peaks)


def merged_peaks(first: Peaks, second: Peaks, context: Context) -> Peaks:
    """Return the peaks of two roles of files; the same peak in both is a problem.

    Parameters
    ----------
    first : Peaks
        From files of the role 'peaks'. [MW]
    second : Peaks
        From files of the role 'state'. [MW]
    context : Context
        Takes what is wrong. [-]

    Returns
    -------
    Peaks
        All peaks. [MW]
    """
    for one, other in ((first.so_far_mw, second.so_far_mw), (first.targets_mw, second.targets_mw)):
        for component, period in sorted(set(one) & set(other)):
            context.problems.add(
                context.site.file,
                "",
                f"the peak of '{component}' in {period} stands in a 'peaks' and in a 'state' file; keep one",
            )
    return Peaks({**first.so_far_mw, **second.so_far_mw}, {**first.targets_mw, **second.targets_mw})


def _period(row: Row) -> str | None:
    text = row.text("period")
    if text is None:
        return None
    if _YEAR.fullmatch(text) and FIRST_YEAR <= int(text) <= LAST_YEAR:
        return text
    if _DAY.fullmatch(text):
        with suppress(ValueError):
            if FIRST_YEAR <= dt.date.fromisoformat(text).year <= LAST_YEAR:
                return text
    try:
        return month_of_text(text)
    except ValueError:
        row.fault(
            "period",
            "must be a month such as 2026-11, a year such as 2026 or a day such as 2026-11-04 "
            f"(got '{text}')",
        )
        return None
