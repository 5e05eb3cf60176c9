"""The command `brinewatt check`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from scheduler.cli.steps import FILE, told_as_input
from scheduler.plain_text import plain


@click.command()
@click.argument("site", type=FILE)
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), help="Plan day; the site file's day, or tomorrow.")
def check(site: Path, day: dt.datetime | None) -> None:
    """Read SITE and all its files and list every problem, without planning.

    \b
    When:      after every change of a file, before planning.
    Example:   brinewatt check my_site/site.toml --day 2026-06-08

    Each problem names the file, the line or key, what came and what is allowed; a wrong word is answered
    with the closest right one.

    Exit codes: 0 no problem; 2 problems.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    import models.kinds  # noqa: F401 - fills the registers of kinds
    from scheduler.lp import formulate
    from scheduler.read.inputs import read_inputs
    from scheduler.sides import with_cases

    inputs = read_inputs(site, day.date() if day else None)
    with told_as_input(site):
        for chosen in inputs.site.contract.choices(inputs.horizon, inputs.situation):
            formulate(inputs.site, inputs.horizon, with_cases(inputs.situation, chosen))
    for note in inputs.notes:
        click.echo(plain(f"note: {note}"))
    click.echo(
        f"{plain(inputs.site.name)}: {len(inputs.site.units)} units and orders, {len(inputs.horizon)} "
        f"intervals from {inputs.horizon.local_starts[0].isoformat(timespec='minutes')}: no problem found"
    )
