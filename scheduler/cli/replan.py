"""The command `brinewatt replan`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from scheduler.cli.making import make
from scheduler.cli.steps import (
    FILE,
    FOLDER,
    asked_cleared,
    cleared_options,
    finish,
    given_files,
    kept_of,
    read,
    ready,
    role_options,
    values_of,
    with_cleared,
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
@cleared_options
@click.option(
    "--freeze", type=click.FloatRange(min=0), default=30.0, help="Minutes in which nothing changes."
)
@click.option("--sequence", type=click.IntRange(min=1), help="Auction to take from a market document.")
@click.option("--out", type=FOLDER, required=True, help="Folder for the new plan.")
@click.option("--replace", is_flag=True, help="Replace an older plan in that folder.")
@click.option("--seconds", type=click.FloatRange(min=1), default=60.0, help="Time for the search in s.")
@click.option(
    "--values", "valued", is_flag=True, help="Also value one more of every stock, demand and limit: longer."
)
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
    valued: bool,
    cleared: Path | None,
    tolerance: float | None,
    up_per_mwh: float | None,
    down_per_mwh: float | None,
    **files: tuple[Path, ...],
) -> None:
    """Plan what is left of a day again, from SITE and the plan that is running.

    \b
    When:      during the day, when stocks, equipment or prices are not what the plan expects.
    Example:   brinewatt replan my_site/site.toml --earlier plan_2026-06-08
                   --from 2026-06-08T10:00 --stocks now.csv --out plan_10

    The past is fixed, the next minutes are frozen, hours in --locks stay as they are. Give the
    --stocks read now (tanks left out are taken as the running plan expects them) and what has
    changed: --availability, --prices, or --orders with what is still to load. The difference to the
    running plan is told in loads, reasons and money.

    Exit codes: 0 done; 2 wrong use or bad input; 3 a duty is missed, or NOT A PLAN; 4 a limit of the
    solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from models.horizon import instant_of
    from scheduler.read.earlier import open_earlier
    from scheduler.read.inputs import clock_minute
    from scheduler.read.kept import Asked

    running = open_earlier(earlier)
    chosen = given_files(files)
    # Stocks of the site file are those of midnight; what is not given is as the running plan expects.
    chosen.setdefault("stocks", [])
    minute = clock_minute(site, start)
    inputs = read(site, None, chosen, sequence, start, running.levels_at(minute))
    inputs = with_cleared(inputs, cleared, tolerance, up_per_mwh, down_per_mwh)
    ready(inputs, out, replace)
    asked = Asked(
        "replan",
        inputs.horizon.days[0],
        seconds,
        sequence,
        instant_of(minute),
        freeze,
        values=valued,
        cleared=asked_cleared(cleared, tolerance, up_per_mwh, down_per_mwh),
    )
    made = make(asked, inputs, site, running)
    values = values_of(made.plan, seconds) if valued else ()
    kept = kept_of(asked, inputs, running)
    ctx.exit(finish(made.plan, inputs, out, replace, made.more, made.extra, values, kept))
