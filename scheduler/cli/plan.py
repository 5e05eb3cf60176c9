"""The command `brinewatt plan`."""

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


@click.command()
@click.argument("site", type=FILE)
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), help="Plan day; the site file's day, or tomorrow.")
@role_options
@cleared_options
@click.option("--sequence", type=click.IntRange(min=1), help="Auction to take from a market document.")
@click.option("--out", type=FOLDER, help="Folder for the plan.  [default: plan_DAY]")
@click.option("--replace", is_flag=True, help="Replace an older plan in that folder.")
@click.option("--seconds", type=click.FloatRange(min=1), default=120.0, help="Time for the search in s.")
@click.option(
    "--values", "valued", is_flag=True, help="Also value one more of every stock, demand and limit: longer."
)
@click.pass_context
def plan(
    ctx: click.Context,
    /,
    site: Path,
    day: dt.datetime | None,
    sequence: int | None,
    out: Path | None,
    replace: bool,
    seconds: float,
    valued: bool,
    cleared: Path | None,
    tolerance: float | None,
    up_per_mwh: float | None,
    down_per_mwh: float | None,
    **files: tuple[Path, ...],
) -> None:
    """Make the load plan for a day from SITE, a site file in TOML.

    \b
    When:      each morning, once prices and orders are known.
    Examples:  brinewatt plan my_site/site.toml
               brinewatt plan my_site/site.toml --day 2026-06-08 --prices today.csv

    Reads the files that the site file names (or those given here), plans the day and its look-ahead,
    checks the plan by exact simulation and writes a folder that is complete or absent. With --values
    the page, the workbook and values.csv say what one unit of every stock, demand and limit is worth.
    With --cleared the import keeps to what the auction cleared, as far as deviations cost more than
    they save, or within --tolerance.

    Exit codes: 0 done; 2 wrong use or bad input; 3 a duty is missed, or NOT A PLAN; 4 a limit of the
    solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from scheduler.read.kept import Asked

    inputs = read(site, day.date() if day else None, given_files(files), sequence)
    inputs = with_cleared(inputs, cleared, tolerance, up_per_mwh, down_per_mwh)
    ready(inputs, out, replace)
    asked = Asked(
        "plan",
        inputs.horizon.days[0],
        seconds,
        sequence,
        values=valued,
        cleared=asked_cleared(cleared, tolerance, up_per_mwh, down_per_mwh),
    )
    made = make(asked, inputs, site)
    values = values_of(made.plan, seconds) if valued else ()
    ctx.exit(finish(made.plan, inputs, out, replace, values=values, kept=kept_of(asked, inputs)))
