"""Peaks: the highest metered mean so far in each billing period, and what a longer plan expects.

Owns the columns. What a peak costs stands in the contract's components.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from models.checks import at_least
from scheduler.read.context import Context
from scheduler.read.files import Source
from scheduler.read.problems import hint
from scheduler.read.site_file import ContractRead
from scheduler.read.tables import Columns, read_table

COLUMNS = Columns(
    ("component", "month", "peak_mw"),
    ("target_mw",),
    {
        "component": "name of the contract component",
        "month": "billing month, such as 2026-06",
        "peak_mw": "highest metered mean so far, MW",
        "target_mw": "what the month will reach anyway, MW: up to it a plan pays nothing for a peak",
    },
)


@dataclass(frozen=True)
class Peaks:
    """Peaks by (component, 'YYYY-MM').

    Parameters
    ----------
    so_far_mw : mapping
        Highest metered mean so far. [MW]
    targets_mw : mapping
        Peak a longer plan expects to reach. [MW]
    """

    so_far_mw: dict[tuple[str, str], float]
    targets_mw: dict[tuple[str, str], float]


def read_peaks(sources: Sequence[Source], contract: ContractRead, context: Context) -> Peaks:
    """Return the peaks of some files.

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
    Peaks
        The peaks. [MW]
    """
    names = [component.name for component in contract.components]
    result = Peaks({}, {})
    seen: dict[tuple[str, str], str] = {}
    for source in sources:
        for row in read_table(source, COLUMNS, context.problems):
            component = row.text("component")
            if component is not None and contract.complete and component not in names:
                row.fault(
                    "component",
                    f"must be a component of the contract (got '{component}'){hint(component, names)}",
                )
            month = row.month("month")
            peak = row.number("peak_mw", at_least(0, "MW"))
            target = row.number("target_mw", at_least(0, "MW")) if row.has("target_mw") else None
            if component is None or month is None:
                continue
            key = (component, month)
            if key in seen:
                row.fault(
                    "month", f"must be there once for a component (got {month} again, first in {seen[key]})"
                )
                continue
            seen[key] = f"{row.file}, {row.place}"
            if peak is not None:
                result.so_far_mw[key] = peak
            if target is not None:
                result.targets_mw[key] = target
    return result
