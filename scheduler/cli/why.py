"""The command `brinewatt why`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from scheduler.cli.steps import (
    FILE,
    circuit_of,
    given_files,
    moment_on,
    read,
    role_options,
    stepped_load,
    tell,
    told_as_input,
)
from scheduler.folder import check_new, publish_file

HELP = """Say why a circuit has its load at a time, in words and money.

\b
  brinewatt why my_site/site.toml room_m 19:00
  brinewatt why my_site/site.toml room_m 2026-06-08T19:00 --plan plan_2026-06-08
  brinewatt why my_site/site.toml --all

Names the limits that hold the load where it is, and what one kA, one tonne or one MW more or less would
cost: each figure is the change of the cost of the whole horizon with that number moved one unit and
everything else planned again. TIME is a clock time of the plan day, or a date and time inside the horizon.

With --all: what one unit more and less of every stock, demand and limit of the plan day is worth. That
takes many solves, up to some minutes on a large site. --csv writes all of them to a file.

At most 15 lines, the most valuable first; --more says the rest.

Give the same files as for the plan (--prices, --orders, ...). Figures are of the plan before whole steps;
--plan FOLDER says by how much the load of the published plan, in whole steps, differs and why.

Exit codes: 0 done; 2 wrong use or bad input; 3 NOT A PLAN, or the load was given; 4 a limit of the solver.
"""


@click.command(help=HELP)
@click.argument("site", type=FILE)
@click.argument("circuit", required=False)
@click.argument("time", required=False)
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), help="Plan day; the site file's day, or tomorrow.")
@click.option("--all", "every", is_flag=True, help="Value every stock, demand and limit of the plan day.")
@click.option("--csv", "table", type=click.Path(dir_okay=False, path_type=Path), help="File for --all.")
@click.option(
    "--plan",
    "published",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder of the published plan, to show its load.",
)
@click.option("--more", is_flag=True, help="Say everything, not only what fits into 15 lines.")
@role_options
@click.option("--sequence", type=click.IntRange(min=1), help="Auction to take from a market document.")
@click.option("--seconds", type=click.FloatRange(min=1), default=60.0, help="Time for each search in s.")
def why(
    *,
    site: Path,
    circuit: str | None,
    time: str | None,
    day: dt.datetime | None,
    every: bool,
    table: Path | None,
    published: Path | None,
    more: bool,
    sequence: int | None,
    seconds: float,
    **files: tuple[Path, ...],
) -> None:
    """Say why a circuit has its load at a time (see `HELP`)."""
    from scheduler.explain import Explainer
    from scheduler.report.values import values_csv, values_text, why_text

    if every == (circuit is not None):
        raise click.UsageError("name a CIRCUIT and a TIME, or give --all")
    if circuit is not None and time is None:
        raise click.UsageError(f"name the TIME at which to explain {circuit}, for example 19:00")
    if table is not None and not every:
        raise click.UsageError("--csv goes with --all")
    if table is not None:
        check_new(table)
    inputs = read(site, day.date() if day else None, given_files(files), sequence)
    currency = inputs.site.contract.currency
    name = "" if circuit is None else circuit_of(inputs, circuit)
    interval = 0 if time is None else moment_on(inputs, time)
    shown = None
    if published is not None and circuit is not None:
        shown = stepped_load(inputs, published, name, interval)
    tell(f"planning {len(inputs.horizon)} intervals ...")
    with told_as_input(site):
        explainer = Explainer(inputs.site, inputs.horizon, inputs.situation, seconds)
    tell("moving limits ...")
    if every:
        values = explainer.values()
        if table is not None:
            publish_file(table, values_csv(values, inputs.horizon))
        click.echo(values_text(values, inputs.horizon, currency))
        return
    click.echo(why_text(explainer.why(name, interval, shown), inputs.horizon, currency, more))
