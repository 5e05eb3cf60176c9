"""The command `brinewatt limits`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from scheduler.cli.steps import (
    FILE,
    FOLDER,
    given_files,
    options_for,
    read,
    role_options,
    tell,
    told_as_input,
)
from scheduler.folder import check_before, publish


@click.command()
@click.argument("site", type=FILE)
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), help="Plan day; the site file's day, or tomorrow.")
@role_options
@click.option("--out", type=FOLDER, help="Folder for the table; printed only unless given.")
@click.option("--replace", is_flag=True, help="Replace an older table in that folder.")
@click.option("--seconds", type=click.FloatRange(min=1), default=60.0, help="Time for each search in s.")
def limits(
    site: Path,
    day: dt.datetime | None,
    out: Path | None,
    replace: bool,
    seconds: float,
    **files: tuple[Path, ...],
) -> None:
    """Tell what each limit of SITE is worth on a day: the day planned with it and without it.

    \b
    When:     to see which equipment, contract or habit costs most on a day.
    Example:  brinewatt limits my_site/site.toml

    One limit is taken away at a time. Loads may take any value at any time in these plans, except for
    the limits on changes, each of which is looked at alone.

    Exit codes: 0 done; 2 wrong use, bad input or a folder that exists; 4 a limit of the solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from scheduler.report.files import write_text
    from scheduler.report.limit_values import LIMITS_NAMES, limits_csv, limits_text
    from scheduler.studies.limits import limit_values

    inputs = read(site, day.date() if day else None, given_files(files))
    if out is not None:
        check_before(out, replace, LIMITS_NAMES)
    tell("planning once for each limit ...")
    with told_as_input(site):
        values = tuple(
            limit_values(inputs.site, inputs.horizon, inputs.situation, options_for(inputs, seconds))
        )
    text = limits_text(inputs.site, inputs.horizon, values)
    click.echo(text)
    if out is not None:
        texts = {"limits.csv": limits_csv(values), "limits.txt": text}
        writers = {name: (lambda path, name=name: write_text(path, texts[name])) for name in texts}
        publish(out, writers, replace, older=LIMITS_NAMES)
        click.echo(f"\nWritten to {out}: {', '.join(writers)}")
