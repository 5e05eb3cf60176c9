"""The command `brinewatt plan`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from scheduler.cli.steps import run

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
FOLDER = click.Path(file_okay=False, path_type=Path)


@click.command()
@click.argument("site", type=FILE)
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), help="Plan day; the site file's day, or tomorrow.")
@click.option("--prices", type=FILE, multiple=True, help="Price file (CSV, XLSX, IEC 62325 XML); may repeat.")
@click.option("--orders", type=FILE, multiple=True, help="Order file; may repeat.")
@click.option("--stocks", type=FILE, multiple=True, help="Stocks at the start of the day.")
@click.option("--availability", type=FILE, multiple=True, help="Outages and limits.")
@click.option("--loads", type=FILE, multiple=True, help="Actual loads of past weeks.")
@click.option("--profiles", type=FILE, multiple=True, help="Profiles, for example other site load.")
@click.option("--peaks", type=FILE, multiple=True, help="Peaks so far in the billing month, and targets.")
@click.option("--contract", type=FILE, help="Contract file in place of the site's contract.")
@click.option("--sequence", type=click.IntRange(min=1), help="Auction to take from a market document.")
@click.option("--out", type=FOLDER, help="Folder for the plan.  [default: plan_DAY]")
@click.option("--replace", is_flag=True, help="Replace an older plan in that folder.")
@click.option("--seconds", type=click.FloatRange(min=1), default=120.0, help="Time for the search in s.")
@click.pass_context
def plan(
    ctx: click.Context,
    /,
    site: Path,
    day: dt.datetime | None,
    contract: Path | None,
    sequence: int | None,
    out: Path | None,
    replace: bool,
    seconds: float,
    **files: tuple[Path, ...],
) -> None:
    """Make the load plan for a day from SITE, a site file in TOML.

    Reads the files that the site file names (or those given here), plans the day and its look-ahead,
    checks the plan by exact simulation and writes plan.csv, plan.json, chart.png and summary.txt to a
    folder that is complete or absent.
    """
    given = {role: list(paths) for role, paths in files.items() if paths}
    if contract is not None:
        given["contract"] = [contract]
    ctx.exit(run(site, day.date() if day else None, given, out, replace, seconds, sequence))
