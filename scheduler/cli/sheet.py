"""The command `brinewatt sheet`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from scheduler.cli.making import make
from scheduler.cli.steps import (
    FILE,
    FOLDER,
    finish,
    given_files,
    kept_of,
    read,
    ready,
    role_options,
)


@click.command()
@click.argument("site", type=FILE)
@click.argument("sheet", type=FILE)
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), help="Plan day; the site file's day, or tomorrow.")
@role_options
@click.option("--out", type=FOLDER, required=True, help="Folder for the audited sheet.")
@click.option("--replace", is_flag=True, help="Replace an older plan in that folder.")
@click.option("--seconds", type=click.FloatRange(min=1), default=120.0, help="Time for the search in s.")
@click.pass_context
def sheet(
    ctx: click.Context,
    /,
    site: Path,
    sheet: Path,
    day: dt.datetime | None,
    out: Path,
    replace: bool,
    seconds: float,
    **files: tuple[Path, ...],
) -> None:
    """Audit and price your own loads: SHEET is a table start, minutes, circuit, load_ka.

    \b
    When:      to hold a plan of your own against the limits and against the best plan.
    Example:   brinewatt sheet my_site/site.toml my_loads.csv --out my_sheet

    The loads of the sheet are taken as they are, everything else is planned around them by the same
    code as any plan. Broken limits are named, and the cost is set against the plan for the same day.
    Intervals or circuits that the sheet leaves out are planned.

    Exit codes: 0 done; 2 wrong use or bad input; 3 a duty is missed, or NOT A PLAN; 4 a limit of the
    solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from scheduler.read.kept import Asked

    chosen = given_files(files)
    chosen["locks"] = [sheet]
    inputs = read(site, day.date() if day else None, chosen)
    ready(inputs, out, replace)
    asked = Asked("sheet", inputs.horizon.days[0], seconds)
    made = make(asked, inputs, site)
    ctx.exit(finish(made.plan, inputs, out, replace, made.more, kept=kept_of(asked, inputs)))
