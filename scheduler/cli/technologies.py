"""The commands `brinewatt technologies` and `brinewatt conversion`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import click

from scheduler.cli.steps import EXIT_OF, FILE, FOLDER, given_files, read, role_options, tell, told_as_input
from scheduler.folder import check_before, publish
from scheduler.result import Status

ROOMS = click.option(
    "--rooms", type=FILE, help="File with [costs], [[room]], [[hypothetical]], [conversion] of its own."
)
DAY = click.option(
    "--day", type=click.DateTime(["%Y-%m-%d"]), help="First day; the site file's, or tomorrow."
)
OUT = click.option("--out", type=FOLDER, help="Folder for the study.  [default: costs_DAY]")
REPLACE = click.option(
    "--replace", "replace_older", is_flag=True, help="Replace an older study in that folder."
)
SECONDS = click.option(
    "--seconds", type=click.FloatRange(min=1), default=120.0, help="Time for each plan in s."
)


@click.command()
@click.argument("site", type=FILE)
@DAY
@ROOMS
@role_options
@OUT
@REPLACE
@SECONDS
@click.pass_context
def technologies(
    ctx: click.Context,
    /,
    site: Path,
    day: dt.datetime | None,
    rooms: Path | None,
    out: Path | None,
    replace_older: bool,
    seconds: float,
    **files: tuple[Path, ...],
) -> None:
    """Tell what a tonne costs from each room of SITE, and from rooms it does not have.

    Plans the horizon of the site file as it is and with each hypothetical room, and itemises the running cost
    per tonne of chlorine, per dry tonne of alkali at 50 wt% and per ECU.

    \b
    When:      to compare mercury and membrane rooms, at your own prices, outages and orders.
    Example:   brinewatt technologies my_site/site.toml --out costs

    Exit codes: 0 done; 2 wrong use or bad input; 3 a plan misses a duty, or is NOT A PLAN; 4 a limit of the
    solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    ctx.exit(_study(site, day, rooms, out, replace_older, seconds, files, convert=False))


@click.command()
@click.argument("site", type=FILE)
@DAY
@ROOMS
@role_options
@OUT
@REPLACE
@SECONDS
@click.pass_context
def conversion(
    ctx: click.Context,
    /,
    site: Path,
    day: dt.datetime | None,
    rooms: Path | None,
    out: Path | None,
    replace_older: bool,
    seconds: float,
    **files: tuple[Path, ...],
) -> None:
    """Tell what converting a room of SITE to a hypothetical one saves and when it pays.

    The saving comes from plans of the site as it is and converted; law and authorities come first.

    \b
    When:      to prepare a decision on an old room; [conversion] of the site file holds investment and life.
    Example:   brinewatt conversion my_site/site.toml --out conversion

    Exit codes: 0 done; 2 wrong use or bad input; 3 a plan misses a duty, or is NOT A PLAN; 4 a limit of the
    solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    ctx.exit(_study(site, day, rooms, out, replace_older, seconds, files, convert=True))


def _study(
    site: Path,
    day: dt.datetime | None,
    rooms: Path | None,
    out: Path | None,
    replace_older: bool,
    seconds: float,
    files: Mapping[str, Sequence[Path]],
    *,
    convert: bool,
) -> int:
    from scheduler.cuts import SearchOptions
    from scheduler.plan import PlanOptions
    from scheduler.report.cost_files import EVERY_NAME, cost_files, cost_text
    from scheduler.studies.conversion import room_to_convert_to, study_conversion
    from scheduler.studies.technologies import period_planner, study_technologies

    given = given_files(files)
    if rooms is not None:
        given["rooms"] = rooms
    inputs = read(site, day.date() if day else None, given)
    target = out or Path(f"costs_{inputs.horizon.days[0].isoformat()}")
    check_before(target, replace_older, EVERY_NAME)
    costs = inputs.costs
    if convert:
        with told_as_input(site):
            costs = replace(costs, hypotheticals=(room_to_convert_to(costs),))
    options = PlanOptions(search=SearchOptions(seconds=seconds), compare=False)
    with told_as_input(site):
        study = study_technologies(
            inputs.site,
            inputs.horizon,
            inputs.situation,
            costs,
            period_planner(options),
            tell,
        )
        case = None
        if convert:
            case = study_conversion(study, costs.conversion, costs.hypotheticals[0].name)
    tell("writing ...")
    writers = cost_files(study, case, inputs.digests)
    publish(target, writers, replace_older, older=EVERY_NAME)
    click.echo(cost_text(study, case, inputs.digests))
    click.echo(f"Written to {target}: {', '.join(writers)}")
    codes = {EXIT_OF[variant.planned.status] for variant in study.variants}
    return EXIT_OF[Status.MISSES] if EXIT_OF[Status.MISSES] in codes else max(codes)
