"""The steps that commands share: read, plan, publish, show."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from scheduler.errors import InputError, Problem
from scheduler.folder import check_before, publish
from scheduler.result import Plan, Status

if TYPE_CHECKING:
    from scheduler.plan import PlanOptions
    from scheduler.read.inputs import Inputs
    from scheduler.report.files import Writer

EXIT_OF = {Status.PLAN: 0, Status.MISSES: 3, Status.NOT_A_PLAN: 3, Status.SOLVER_LIMIT: 4}

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
FOLDER = click.Path(file_okay=False, path_type=Path)
ROLE_OPTIONS = (
    ("prices", "Price file (CSV, XLSX, IEC 62325 XML); may repeat."),
    ("orders", "Order file; may repeat."),
    ("stocks", "Stocks at the start."),
    ("availability", "Outages and limits."),
    ("loads", "Actual loads of past weeks."),
    ("locks", "Loads that are given and not planned."),
    ("profiles", "Profiles, for example other site load."),
    ("peaks", "Peaks so far in the billing month, and targets."),
    ("state", "Totals and peaks of billing periods so far, and what is expected."),
)

Command = TypeVar("Command")


def role_options(command: Command) -> Command:
    """Add an option for each role of input files to a command.

    Parameters
    ----------
    command : callable
        The command's function. [-]

    Returns
    -------
    callable
        The same with the options. [-]
    """
    for role, text in reversed(ROLE_OPTIONS):
        command = click.option(f"--{role}", type=FILE, multiple=True, help=text)(command)  # type: ignore[type-var]
    return click.option("--contract", type=FILE, multiple=True, help="Contract file.")(command)  # type: ignore[type-var]


def given_files(files: Mapping[str, Sequence[Path]]) -> dict[str, Path | Sequence[Path]]:
    """Return the files a user named, by role.

    Parameters
    ----------
    files : mapping
        Options as click gives them. [-]

    Returns
    -------
    dict
        Roles with files. [-]

    Raises
    ------
    UsageError
        If more than one contract is named.
    """
    given: dict[str, Path | Sequence[Path]] = {role: list(paths) for role, paths in files.items() if paths}
    contracts = files.get("contract", ())
    if len(contracts) > 1:
        raise click.UsageError("name one contract file")
    if contracts:
        given["contract"] = contracts[0]
    return given


def read(
    site: Path,
    day: dt.date | None,
    files: Mapping[str, Path | Sequence[Path]],
    sequence: int | None = None,
    start: dt.datetime | None = None,
    expected_stocks_t: Mapping[str, float] | None = None,
) -> Inputs:
    """Read the site and all its files.

    Parameters
    ----------
    site : Path
        Site file. [-]
    day : date, optional
        Plan day. [-]
    files : mapping
        Files in place of those the site file names, by role. [-]
    sequence : int, optional
        Auction to take from market documents. [-]
    start : datetime, optional
        Where to start inside the day. [-]
    expected_stocks_t : mapping, optional
        Levels where no stocks file gives one. [t]

    Returns
    -------
    Inputs
        The inputs. [-]
    """
    from scheduler.read.inputs import read_inputs

    tell("reading ...")
    return read_inputs(
        site,
        day,
        overrides=files,
        sequence=sequence,
        start=start,
        expected_stocks_t=expected_stocks_t or {},
    )


def options_for(inputs: Inputs, seconds: float) -> PlanOptions:
    """Return how to plan some inputs.

    Parameters
    ----------
    inputs : Inputs
        The inputs. [-]
    seconds : float
        Time for the search. [s]

    Returns
    -------
    PlanOptions
        The options. [-]
    """
    from scheduler.cuts import SearchOptions
    from scheduler.habit import past_pattern
    from scheduler.plan import PlanOptions

    return PlanOptions(
        search=SearchOptions(seconds=seconds), pattern_ka=past_pattern(inputs.actual_loads, inputs.horizon)
    )


@contextmanager
def told_as_input(site: Path) -> Iterator[None]:
    """Turn a contradiction found while planning into an error of the site file.

    Parameters
    ----------
    site : Path
        Site file. [-]
    """
    try:
        yield
    except InputError:
        raise
    except ValueError as error:
        raise InputError((Problem(str(site), "", str(error)),)) from error


def folder_of(inputs: Inputs, out: Path | None) -> Path:
    """Return the folder a plan goes to.

    Parameters
    ----------
    inputs : Inputs
        The inputs. [-]
    out : Path, optional
        What the user named. [-]

    Returns
    -------
    Path
        The folder; named for the plan day below the working folder unless the user named one. [-]
    """
    return out or Path(f"plan_{inputs.horizon.days[0].isoformat()}")


def ready(inputs: Inputs, out: Path | None, replace: bool) -> None:
    """Refuse a folder that could not be written, before planning.

    Parameters
    ----------
    inputs : Inputs
        The inputs. [-]
    out : Path, optional
        What the user named. [-]
    replace : bool
        Whether an older plan in that folder may go. [-]
    """
    from scheduler.report.files import EVERY_NAME

    check_before(folder_of(inputs, out), replace, EVERY_NAME)
    tell(f"planning {len(inputs.horizon)} intervals ...")


def finish(
    plan: Plan,
    inputs: Inputs,
    out: Path | None,
    replace: bool,
    more: str = "",
    extra: Mapping[str, Writer] | None = None,
) -> int:
    """Publish a plan's folder, show its summary, return the exit code.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    inputs : Inputs
        What it came from. [-]
    out : Path, optional
        Folder for the plan. [-]
    replace : bool
        Whether an older plan in that folder may go. [-]
    more : str
        Text that stands below the summary. [-]
    extra : mapping, optional
        Further files by name. [-]

    Returns
    -------
    int
        Exit code. [-]
    """
    from scheduler.report.files import EVERY_NAME, plan_files
    from scheduler.report.summary import summary_text

    tell("writing ...")
    target = folder_of(inputs, out)
    writers = {**plan_files(plan, inputs.digests, inputs.notes, more), **(extra or {})}
    publish(target, writers, replace, older=EVERY_NAME)
    click.echo(summary_text(plan, inputs.notes) + more)
    click.echo(f"\nWritten to {target}: {', '.join(writers)}")
    return EXIT_OF[plan.status]


def tell(text: str) -> None:
    """Tell progress on stderr.

    Parameters
    ----------
    text : str
        What is being done. [-]
    """
    click.echo(text, err=True)
