"""The notebook: a plan in three lines.

    from scheduler.api import plan
    p = plan("my_site/site.toml", day="2026-06-08")
    p.hours

Owns nothing but the short way through reading, planning and reporting; the commands use the same parts.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import models.kinds  # noqa: F401 - fills the registers of kinds
from models.horizon import Array
from scheduler.cuts import SearchOptions
from scheduler.diagnose import diagnosed
from scheduler.explain import Explainer, interval_of
from scheduler.folder import publish
from scheduler.habit import past_pattern
from scheduler.plan import PlanOptions, make_plan
from scheduler.read.inputs import Inputs, read_inputs
from scheduler.read.kept import NAME as INPUTS_NAME
from scheduler.read.kept import Asked, Kept
from scheduler.report.columns import columns
from scheduler.report.files import EVERY_NAME, plan_files
from scheduler.report.summary import summary_text
from scheduler.report.values import why_text
from scheduler.result import Plan
from scheduler.values import LimitValue, Why


@dataclass(frozen=True, eq=False)
class DayPlan:
    """A plan with what it came from.

    Parameters
    ----------
    plan : Plan
        The plan: status, certificate, audit, misses, comparisons. [-]
    inputs : Inputs
        What was read. [-]
    asked : Asked
        How it was asked for. [-]
    """

    plan: Plan
    inputs: Inputs
    asked: Asked

    def __str__(self) -> str:
        """Return the page that `brinewatt plan` prints."""
        return summary_text(self.plan, self.inputs.notes)

    @property
    def status(self) -> str:
        """Kind of result, in words. [-]."""
        return self.plan.status.value

    @property
    def cost(self) -> float:
        """Exact cost of the horizon, sunk charges left out. [currency]."""
        return self.plan.audit.cost

    @property
    def columns(self) -> dict[str, tuple[str, ...] | Array]:
        """Columns of plan.csv by name, not rounded: text as tuples, numbers as arrays. Each length n. [-]."""
        found: dict[str, tuple[str, ...] | Array] = {}
        for column in columns(self.plan):
            values = column.getter(self.plan)
            found[column.name] = (
                tuple(str(value) for value in values)
                if column.decimals is None
                else np.asarray(values, dtype=np.float64)
            )
        return found

    @property
    def hours(self) -> Any:
        """Columns of plan.csv as a pandas DataFrame, indexed by the local start of each interval. [-].

        Raises
        ------
        ModuleNotFoundError
            If pandas is not installed; `columns` needs none.
        """
        try:
            import pandas as pd
        except ModuleNotFoundError as error:
            raise ModuleNotFoundError(
                "'hours' needs pandas: install it with pip install 'brinewatt[notebook]', or use 'columns', "
                "which needs none"
            ) from error
        table = pd.DataFrame(self.columns).drop(columns="start")
        return table.set_index(pd.DatetimeIndex(self.plan.horizon.local_starts, name="start"))

    def write(self, folder: str | Path, replace: bool = False) -> None:
        """Write the folder that `brinewatt plan` writes.

        Parameters
        ----------
        folder : str or Path
            Folder to make. [-]
        replace : bool
            Whether an older plan there may go. [-]

        Raises
        ------
        FolderError
            If it cannot be written, or holds an older plan.
        """
        kept = Kept(self.asked, self.inputs.given, self.inputs.files)
        writers = {
            **plan_files(self.plan, self.inputs.digests, self.inputs.notes),
            INPUTS_NAME: kept.write,
        }
        publish(Path(folder), writers, replace, older=EVERY_NAME)

    def why(self, circuit: str, time: str) -> Why:
        """Return why a circuit has its load at a time; `print(p.why_words(...))` says it in words.

        Parameters
        ----------
        circuit : str
            Circuit. [-]
        time : str
            ISO 8601, for example '2026-06-08T19:00'; local to the site unless it has an offset. [-]

        Returns
        -------
        Why
            The figures. [-]
        """
        site, horizon = self.inputs.site, self.inputs.horizon
        interval = interval_of(horizon, dt.datetime.fromisoformat(time))
        load = self.plan.audit.values.get(f"{circuit}_load")
        explainer = Explainer(site, horizon, self.inputs.situation)
        return explainer.why(circuit, interval, None if load is None else float(load[interval]))

    def why_words(self, circuit: str, time: str) -> str:
        """Return the same in words.

        Parameters
        ----------
        circuit, time : str
            As for `why`. [-]

        Returns
        -------
        str
            Some lines. [-]
        """
        currency = self.inputs.site.contract.currency
        return why_text(self.why(circuit, time), self.inputs.horizon, currency)

    def values(self) -> tuple[LimitValue, ...]:
        """Return what one unit more and less of every stock, demand and limit is worth; slow. [-]."""
        return Explainer(self.inputs.site, self.inputs.horizon, self.inputs.situation).values()


def plan(
    site: str | Path,
    day: str | dt.date | None = None,
    *,
    seconds: float = 120.0,
    compare: bool = True,
    **files: str | Path | Sequence[str | Path],
) -> DayPlan:
    """Read a site and its files and plan a day, as `brinewatt plan` does.

    Parameters
    ----------
    site : str or Path
        Site file. [-]
    day : str or date, optional
        Plan day, as '2026-06-08'; the site file's day, or tomorrow. [-]
    seconds : float
        Time for the search. [s]
    compare : bool
        Whether to compare with habits. [-]
    **files : str, Path or sequence of them
        Files by role in place of those the site file names: `prices=`, `orders=`, `contract=`, ... [-]

    Returns
    -------
    DayPlan
        The plan; print it, or take `hours`. [-]

    Raises
    ------
    InputError
        With every problem of every file.
    ValueError
        If a role of a file does not exist, or `day` is no date.
    """
    chosen: Mapping[str, Path | Sequence[Path]] = {
        role: Path(given) if isinstance(given, (str, Path)) else [Path(name) for name in given]
        for role, given in files.items()
    }
    when = dt.date.fromisoformat(day) if isinstance(day, str) else day
    inputs = read_inputs(Path(site), when, overrides=chosen)
    options = PlanOptions(
        SearchOptions(seconds=seconds), compare, past_pattern(inputs.actual_loads, inputs.horizon)
    )
    asked = Asked("plan", inputs.horizon.days[0], seconds, compare=compare)
    made = diagnosed(make_plan(inputs.site, inputs.horizon, inputs.situation, options))
    return DayPlan(made, inputs, asked)
