"""The command `brinewatt check`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from scheduler.cli.steps import FILE, given_files, read, role_options, told_as_input
from scheduler.plain_text import plain


@click.command()
@click.argument("site", type=FILE)
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), help="Plan day; the site file's day, or tomorrow.")
@role_options
@click.option("--sequence", type=click.IntRange(min=1), help="Auction to take from a market document.")
def check(*, site: Path, day: dt.datetime | None, sequence: int | None, **files: tuple[Path, ...]) -> None:
    """Read SITE and all its files and list every problem, without planning.

    \b
    When:      after every change of a file, before planning.
    Examples:  brinewatt check my_site/site.toml --day 2026-06-08
               brinewatt check my_site/site.toml --prices my_site/prices.csv --prices tomorrow.csv

    Takes the same files as `plan`: give those you are going to plan with.
    Each problem names the file, the line or key, what came and what is allowed; a wrong word is answered
    with the closest right one.

    Exit codes: 0 no problem; 2 problems.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    import models.kinds  # noqa: F401 - fills the registers of kinds
    from scheduler.lp import formulate
    from scheduler.sides import with_cases

    inputs = read(site, day.date() if day else None, given_files(files), sequence)
    with told_as_input(site):
        for chosen in inputs.site.contract.choices(inputs.horizon, inputs.situation):
            formulate(inputs.site, inputs.horizon, with_cases(inputs.situation, chosen))
    for note in inputs.notes:
        click.echo(plain(f"note: {note}"))
    click.echo(
        f"{plain(inputs.site.name)}: {len(inputs.site.units)} units and orders, {len(inputs.horizon)} "
        f"intervals from {inputs.horizon.local_starts[0].isoformat(timespec='minutes')}: no problem found"
    )
