"""The steps that commands share: read, plan, publish, show."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from scheduler.errors import InputError, NoRunnableDay, Problem
from scheduler.folder import check_before, publish, publish_copy
from scheduler.plain_text import plain
from scheduler.result import Plan, Status

if TYPE_CHECKING:
    from models.contract.imbalance import Imbalance
    from scheduler.plan import PlanOptions
    from scheduler.read.earlier import Earlier
    from scheduler.read.inputs import Inputs
    from scheduler.read.kept import Asked, Bought, Kept
    from scheduler.report.files import Writer
    from scheduler.values import LimitValue

EXIT_OF = {Status.PLAN: 0, Status.MISSES: 3, Status.NOT_A_PLAN: 3, Status.SOLVER_LIMIT: 4}


class ExistingFile(click.Path):
    """A file that exists; a wrong name is answered with the closest one beside it."""

    def __init__(self) -> None:
        super().__init__(exists=True, dir_okay=False, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path, or name a close one (see `click.ParamType.convert`)."""
        path = Path(value)
        if not path.exists():
            self.fail(f"'{path}' does not exist{near(path)}", param, ctx)
        return super().convert(value, param, ctx)


def near(path: Path) -> str:
    """Return the end of a message that names the closest of the names beside a path.

    Parameters
    ----------
    path : Path
        A path that does not exist. [-]

    Returns
    -------
    str
        "; did you mean 'x'?", or nothing. [-]
    """
    from scheduler.read.problems import close_match

    folder = path.parent
    if not folder.is_dir():
        return f": there is no folder '{folder}'{near(folder) if folder.parent != folder else ''}"
    return close_match(path.name, sorted(entry.name for entry in folder.iterdir()))


FILE = ExistingFile()
NOT_COPIED = shutil.ignore_patterns("__init__.py", "__pycache__")
FOLDER = click.Path(file_okay=False, path_type=Path)
ROLE_OPTIONS = (
    ("prices", "Price file (CSV, XLSX, IEC 62325 XML); may repeat, a later one lies over earlier ones."),
    ("orders", "Order file; may repeat."),
    ("stocks", "Stocks at the start."),
    ("availability", "Outages and limits."),
    ("loads", "Actual loads of past weeks."),
    ("locks", "Loads that are given and not planned."),
    ("takes", "What pipeline customers take now, and what was announced to them."),
    ("profiles", "Profiles, for example other site load; may repeat, a later one lies over earlier ones."),
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


def cleared_options(command: Command) -> Command:
    """Add the options for what was bought, and for what drawing more or less costs, to a command.

    Parameters
    ----------
    command : callable
        The command's function. [-]

    Returns
    -------
    callable
        The same with the options. [-]
    """
    for option in (
        click.option("--cleared", type=FILE, help="What the auction cleared, or was nominated, in MWh."),
        click.option(
            "--tolerance",
            type=click.FloatRange(min=0),
            help="Hold the import within so many MW of what was cleared.",
        ),
    ):
        command = option(command)  # type: ignore[type-var]
    return surcharge_options(command)


def surcharge_options(command: Command) -> Command:
    """Add the options for what energy costs that was not bought, or not drawn, to a command.

    Parameters
    ----------
    command : callable
        The command's function. [-]

    Returns
    -------
    callable
        The same with the options. [-]
    """
    for name, words in (("--down-per-mwh", "less"), ("--up-per-mwh", "more")):
        text = f"What a MWh drawn {words} than bought costs over its price; else as the contract says."
        command = click.option(name, type=click.FloatRange(min=0), help=text)(command)  # type: ignore[type-var]
    return command


def deviation_of(up: float | None, down: float | None, tolerance: float | None = None) -> Imbalance | None:
    """Return how deviations are settled by the options of a command.

    Parameters
    ----------
    up, down : float, optional
        Surcharges for drawing more and less than bought. [currency/MWh]
    tolerance : float, optional
        Greatest deviation. [MW]

    Returns
    -------
    Imbalance or None
        The component in place of the contract's; None if the options state nothing. [-]

    Raises
    ------
    UsageError
        If only one surcharge is given.
    """
    from models.contract.imbalance import Imbalance

    if (up is None) != (down is None):
        raise click.UsageError("give --up-per-mwh and --down-per-mwh together")
    if up is None and tolerance is None:
        return None
    return Imbalance("deviation", up or 0.0, down or 0.0, most_mw=tolerance)


def asked_cleared(
    cleared: Path | None, tolerance: float | None, up: float | None, down: float | None
) -> Bought | None:
    """Return what was said of energy bought before; None if nothing was.

    Parameters
    ----------
    cleared : Path, optional
        Table of what was cleared. [-]
    tolerance : float, optional
        Greatest deviation. [MW]
    up, down : float, optional
        Surcharges for drawing more and less than bought. [currency/MWh]

    Returns
    -------
    Bought or None
        The same as one record, to be kept. [-]
    """
    from scheduler.read.kept import Bought

    return None if cleared is None else Bought(cleared.name, tolerance, up, down)


def with_cleared(
    inputs: Inputs,
    cleared: Path | None,
    tolerance: float | None,
    up: float | None,
    down: float | None,
    data: bytes | None = None,
) -> Inputs:
    """Return inputs in which what was cleared is nominated and deviations are settled.

    Parameters
    ----------
    inputs : Inputs
        The inputs. [-]
    cleared : Path, optional
        Table of what was cleared. [-]
    tolerance : float, optional
        Greatest deviation. [MW]
    up, down : float, optional
        Surcharges for drawing more and less than bought. [currency/MWh]
    data : bytes, optional
        Content of the table where it was kept. [-]

    Returns
    -------
    Inputs
        The inputs. [-]

    Raises
    ------
    UsageError
        If options miss each other.
    InputError
        With every problem of the table, or if nobody says what a deviation costs.
    """
    from scheduler.read.cleared import with_bought

    deviation = deviation_of(up, down, tolerance)
    if cleared is None:
        if deviation is not None:
            raise click.UsageError("--tolerance, --up-per-mwh and --down-per-mwh belong to --cleared")
        return inputs
    return with_bought(inputs, cleared, deviation, data)


def check_held(plan: Plan, bought: Bought | None) -> None:
    """Refuse a plan that misses duties or breaks limits for the sake of what was bought.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    bought : Bought, optional
        What was bought before. [-]

    Raises
    ------
    NoRunnableDay
        If there is no plan that meets all duties with the import held.
    """
    if bought is None or bought.tolerance_mw is None or plan.status in (Status.PLAN, Status.SOLVER_LIMIT):
        return
    raise NoRunnableDay(
        f"no plan keeps the import within {bought.tolerance_mw:g} MW of {bought.table} and meets all "
        "duties within all limits: state what a deviation costs instead (--up-per-mwh, --down-per-mwh), or "
        "a wider --tolerance; without --cleared the command says whether duties are missed for another reason"
    )


def read(
    site: Path,
    day: dt.date | None,
    files: Mapping[str, Path | Sequence[Path]],
    sequence: int | None = None,
    start: dt.datetime | None = None,
    expected_stocks_t: Mapping[str, float] | None = None,
    kept: Mapping[tuple[str, str], bytes] | None = None,
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
    kept : mapping, optional
        Content of files by role and name, read instead of the disk. [-]

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
        kept=kept,
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


def values_of(plan: Plan, seconds: float) -> tuple[LimitValue, ...]:
    """Return what stocks, demands and limits of a plan are worth, to be published with it.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    seconds : float
        Time for each search. [s]

    Returns
    -------
    tuple of LimitValue
        The values; empty, with a word of it, where there is no plan to value. [-]
    """
    from scheduler.explain import Explainer

    if plan.status is Status.NOT_A_PLAN:
        tell("no values: limits of plant or permit are broken, so no limit has a value")
        return ()
    tell("moving limits ...")
    return Explainer(plan.site, plan.horizon, plan.situation, seconds).values()


def finish(
    plan: Plan,
    inputs: Inputs,
    out: Path | None,
    replace: bool,
    more: str = "",
    extra: Mapping[str, Writer] | None = None,
    values: Sequence[LimitValue] = (),
    kept: Kept | None = None,
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
    values : sequence
        What limits are worth, for page, workbook and values.csv; empty if nobody asked. [-]
    kept : Kept, optional
        What the plan was made from, so that the folder can make it again. [-]

    Returns
    -------
    int
        Exit code. [-]
    """
    from scheduler.read.kept import NAME
    from scheduler.report.files import EVERY_NAME, plan_files, write_text
    from scheduler.report.summary import summary_text
    from scheduler.report.values import values_csv

    tell("writing ...")
    target = folder_of(inputs, out)
    writers = {**plan_files(plan, inputs.digests, inputs.notes, more, values), **(extra or {})}
    if values:
        writers["values.csv"] = lambda path: write_text(path, values_csv(values, plan.horizon))
    if kept is not None:
        writers[NAME] = kept.write
    publish(target, writers, replace, older=EVERY_NAME)
    click.echo(summary_text(plan, inputs.notes) + more)
    click.echo(f"\nWritten to {target}: {', '.join(writers)}")
    return EXIT_OF[plan.status]


def kept_of(asked: Asked, inputs: Inputs, running: Earlier | None = None) -> Kept:
    """Return what a plan is made from, to be kept in its folder.

    Parameters
    ----------
    asked : Asked
        Command and options. [-]
    inputs : Inputs
        What was read. [-]
    running : Earlier, optional
        Table of the plan that is running. [-]

    Returns
    -------
    Kept
        Copies of all of it. [-]
    """
    from scheduler.read.kept import EARLIER, Kept

    table = {} if running is None else {(EARLIER, running.path.name): running.data}
    return Kept(asked, inputs.given, {**inputs.files, **table})


def copy_folder(source: Path, target: Path) -> None:
    """Copy example files to a new folder.

    Parameters
    ----------
    source, target : Path
        Folders; the target must not exist. [-]

    Raises
    ------
    FolderError
        If the target exists or cannot be written.
    """
    publish_copy(source, target, NOT_COPIED)


def circuit_of(inputs: Inputs, name: str) -> str:
    """Return a circuit's name if the site has it.

    Parameters
    ----------
    inputs : Inputs
        The inputs. [-]
    name : str
        What the user named. [-]

    Returns
    -------
    str
        The name. [-]

    Raises
    ------
    BadParameter
        If the site has no such circuit; a close one is named.
    """
    from models.circuit import Circuit
    from scheduler.read.problems import hint

    known = [unit.name for unit in inputs.site.units if isinstance(unit, Circuit)]
    if name not in known:
        raise click.BadParameter(f"the site has no circuit '{name}'{hint(name, known)}", param_hint="CIRCUIT")
    return name


def moment_on(inputs: Inputs, text: str) -> int:
    """Return the interval of a time: a clock time of the plan day, or a date and time.

    Parameters
    ----------
    inputs : Inputs
        The inputs. [-]
    text : str
        For example '19:00' or '2026-06-08T19:00'. [-]

    Returns
    -------
    int
        Position of the interval. [-]

    Raises
    ------
    BadParameter
        If it is no time, or outside the horizon.
    """
    from scheduler.explain import interval_of

    whole = text if "-" in text[:8] else f"{inputs.horizon.days[0].isoformat()}T{text.zfill(5)}"
    try:
        return interval_of(inputs.horizon, dt.datetime.fromisoformat(whole))
    except ValueError as error:
        raise click.BadParameter(
            f"'{text}' is no time of this plan ({error}): write a clock time of the plan day, like 19:00, or "
            "a date and time, like 2026-06-08T19:00",
            param_hint="TIME",
        ) from error


def stepped_load(inputs: Inputs, folder: Path, circuit: str, interval: int) -> float | None:
    """Return the load of a published plan at an interval.

    Parameters
    ----------
    inputs : Inputs
        The inputs. [-]
    folder : Path
        Folder of the plan. [-]
    circuit : str
        Circuit. [-]
    interval : int
        Position of the interval. [-]

    Returns
    -------
    float or None
        Load; None where that plan has none. [kA]

    Raises
    ------
    InputError
        If the plan was made with other files, so that an explanation would be of another plan.
    """
    from scheduler.read.earlier import check_same_inputs, open_earlier

    check_same_inputs(folder, inputs.digests)
    given, load = open_earlier(folder).loads(inputs.site)[circuit].where_given(inputs.horizon)
    return float(load[interval]) if given[interval] else None


def tell(text: str) -> None:
    """Tell progress on stderr.

    Parameters
    ----------
    text : str
        What is being done. [-]
    """
    click.echo(plain(text), err=True)
