"""The command `brinewatt replan`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from scheduler.cli.steps import (
    FILE,
    FOLDER,
    finish,
    given_files,
    options_for,
    read,
    ready,
    role_options,
    told_as_input,
)

CLOCK = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M%z", "%Y-%m-%d %H:%M"]


@click.command()
@click.argument("site", type=FILE)
@click.option(
    "--earlier",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    required=True,
    help="Folder of the plan that is running.",
)
@click.option(
    "--from",
    "start",
    type=click.DateTime(CLOCK),
    required=True,
    help="Start of the interval to plan from; stocks are those of that instant.",
)
@role_options
@click.option(
    "--freeze", type=click.FloatRange(min=0), default=30.0, help="Minutes in which nothing changes."
)
@click.option("--sequence", type=click.IntRange(min=1), help="Auction to take from a market document.")
@click.option("--out", type=FOLDER, required=True, help="Folder for the new plan.")
@click.option("--replace", is_flag=True, help="Replace an older plan in that folder.")
@click.option("--seconds", type=click.FloatRange(min=1), default=60.0, help="Time for the search in s.")
@click.pass_context
def replan(
    ctx: click.Context,
    /,
    site: Path,
    earlier: Path,
    start: dt.datetime,
    freeze: float,
    sequence: int | None,
    out: Path,
    replace: bool,
    seconds: float,
    **files: tuple[Path, ...],
) -> None:
    """Plan what is left of a day again, from SITE and the plan that is running.

    The past is fixed, the next minutes are frozen, hours in --locks stay as they are. Give today's
    --stocks, and what has changed: --availability, --prices, --orders. The difference to the running
    plan is told in loads, reasons and money.
    """
    from scheduler.given import replan as again
    from scheduler.read.earlier import read_earlier
    from scheduler.report.difference import difference_csv, difference_text
    from scheduler.report.files import write_text

    inputs = read(site, None, given_files(files), sequence, start)
    ready(inputs, out, replace)
    loads = read_earlier(earlier, inputs.site)
    with told_as_input(site):
        made = again(
            inputs.site, inputs.horizon, inputs.situation, loads, freeze, options_for(inputs, seconds)
        )
    extra = {"difference.csv": lambda path: write_text(path, difference_csv(made))}
    ctx.exit(finish(made.plan, inputs, out, replace, difference_text(made), extra))
