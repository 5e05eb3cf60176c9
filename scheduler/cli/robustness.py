"""The command `brinewatt robustness`."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace as changed
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
@click.option("--days", "count", type=click.IntRange(1, 10000), default=200, help="Days to run.")
@click.option("--seed", type=click.IntRange(min=0), default=1, help="Start of the random numbers.")
@click.option(
    "--stated-only", is_flag=True, help="Leave out the plans with no margins and with doubled ones."
)
@click.option("--out", type=FOLDER, required=True, help="Folder for the figures.")
@click.option("--replace", is_flag=True, help="Replace older figures in that folder.")
@click.option("--seconds", type=click.FloatRange(min=1), default=120.0, help="Time for each search in s.")
def robustness(
    site: Path,
    day: dt.datetime | None,
    count: int,
    seed: int,
    stated_only: bool,
    out: Path,
    replace: bool,
    seconds: float,
    **files: tuple[Path, ...],
) -> None:
    """Run the plan for a day against many days that turn out otherwise, and count the limits that break.

    \b
    When:     to see whether the margins of a site are wide enough, and what they cost.
    Example:  brinewatt robustness my_site/site.toml --days 200 --seed 1 --out my_robustness

    Cell voltages, what customers take, late tankers and trips are drawn at random; operators keep the
    planned loads and follow simple house rules. The same is done with no margins and with doubled ones.

    Exit codes: 0 done, whether or not the bound is met; 2 wrong use, bad input or a folder that exists;
    4 a limit of the solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from scheduler.plan import make_plan
    from scheduler.report.robustness import ROBUSTNESS_NAMES, robustness_files, robustness_text
    from scheduler.studies.robustness import MULTIPLES, Uncertainty, margins_compared

    inputs = read(site, day.date() if day else None, given_files(files))
    check_before(out, replace, ROBUSTNESS_NAMES)
    options = changed(options_for(inputs, seconds), compare=False)
    uncertainty = Uncertainty()
    multiples = MULTIPLES[:1] if stated_only else MULTIPLES
    tell(f"planning {len(multiples)} times, running {count} days each ...")
    with told_as_input(site):
        results = margins_compared(
            inputs.site,
            lambda works: make_plan(works, inputs.horizon, inputs.situation, options),
            uncertainty,
            count,
            seed,
            multiples,
        )
    text = robustness_text(inputs.site, inputs.horizon, results, uncertainty, seed)
    writers = robustness_files(inputs.site, results, text)
    publish(out, writers, replace, older=ROBUSTNESS_NAMES)
    click.echo(text)
    click.echo(f"\nWritten to {out}: {', '.join(writers)}")
