"""The steps that commands share: read, plan, publish, show."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import click

from scheduler.errors import BrinewattError, InputError, Problem
from scheduler.folder import publish
from scheduler.result import Plan, Status

TABLE_OF = {Status.NOT_A_PLAN: "not_a_plan.csv"}
"""Name of the table where it must not be taken for a plan."""
EXIT_OF = {Status.PLAN: 0, Status.MISSES: 3, Status.NOT_A_PLAN: 3, Status.SOLVER_LIMIT: 4}


def default_folder(day: dt.date) -> Path:
    """Return the folder a plan goes to unless the user names one.

    Parameters
    ----------
    day : date
        Plan day. [-]

    Returns
    -------
    Path
        Folder below the working folder. [-]
    """
    return Path(f"plan_{day.isoformat()}")


def run(
    site: Path,
    day: dt.date | None,
    files: Mapping[str, Sequence[Path]],
    out: Path | None,
    replace: bool,
    seconds: float,
    sequence: int | None = None,
) -> int:
    """Read, plan, publish and show; return the exit code.

    Parameters
    ----------
    site : Path
        Site file. [-]
    day : date, optional
        Plan day. [-]
    files : mapping
        Files in place of those the site file names, by role. [-]
    out : Path, optional
        Folder for the plan. [-]
    replace : bool
        Whether an older plan in that folder may go. [-]
    seconds : float
        Time for the search. [s]
    sequence : int, optional
        Auction to take from market documents. [-]

    Returns
    -------
    int
        Exit code. [-]
    """
    # Imported here, so that --help and errors of use do not wait for solver and charts.
    import models.kinds
    from scheduler.cuts import SearchOptions
    from scheduler.habit import past_pattern
    from scheduler.plan import PlanOptions, make_plan
    from scheduler.read.inputs import read_inputs
    from scheduler.report.chart import write_chart
    from scheduler.report.plan_json import plan_document, write_plan_json
    from scheduler.report.summary import summary_text
    from scheduler.report.tables import write_plan_csv

    if not models.kinds.BUILT_IN:
        raise BrinewattError("no kinds of units are registered: this is a bug, please report it")
    tell("reading ...")
    inputs = read_inputs(site, day, overrides=files, sequence=sequence)
    target = out or default_folder(inputs.horizon.days[0])
    tell(f"planning {len(inputs.horizon)} intervals ...")
    options = PlanOptions(
        search=SearchOptions(seconds=seconds),
        pattern_ka=past_pattern(inputs.actual_loads, inputs.horizon),
    )
    try:
        plan: Plan = make_plan(inputs.site, inputs.horizon, inputs.situation, options)
    except ValueError as error:
        raise InputError((Problem(str(site), "", str(error)),)) from error
    writers: dict[str, Callable[[Path], None]] = {
        TABLE_OF.get(plan.status, "plan.csv"): lambda path: write_plan_csv(plan, path),
        "plan.json": lambda path: write_plan_json(plan_document(plan, inputs.digests, inputs.notes), path),
        "chart.png": lambda path: write_chart(plan, path, inputs.notes),
        "summary.txt": lambda path: _write(path, summary_text(plan, inputs.notes)),
    }
    tell("writing ...")
    publish(target, writers, replace, older=("plan.csv", *TABLE_OF.values()))
    click.echo(summary_text(plan, inputs.notes))
    click.echo(f"\nWritten to {target}: {', '.join(writers)}")
    return EXIT_OF[plan.status]


def _write(path: Path, text: str) -> None:
    path.write_text(text if text.endswith("\n") else text + "\n", encoding="utf-8")


def tell(text: str) -> None:
    """Tell progress on stderr.

    Parameters
    ----------
    text : str
        What is being done. [-]
    """
    click.echo(text, err=True)
