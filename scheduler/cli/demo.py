"""The command `brinewatt demo`."""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path

import click

from scheduler.cli.making import make
from scheduler.cli.steps import copy_folder, finish, kept_of, read, ready, tell, values_of

SECONDS = 120.0
"""Time for the search. [s]"""


@click.command()
@click.option(
    "--copy",
    "copy_to",
    type=click.Path(path_type=Path),
    help="Copy the demo's files to a new folder instead, to make them your own.",
)
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Folder for the plan.")
@click.option("--replace", is_flag=True, help="Replace an older plan in that folder.")
@click.option("--tight", is_flag=True, help="Plan the demo's tight day, on which many limits bind.")
@click.option(
    "--values", "valued", is_flag=True, help="Also value one more of every stock, demand and limit: longer."
)
@click.pass_context
def demo(
    ctx: click.Context, copy_to: Path | None, out: Path | None, replace: bool, tight: bool, valued: bool
) -> None:
    """Plan a day of an invented site with mercury, sodium and potash rooms.

    \b
    When:      to see what comes out, or to start from a large site.
    Examples:  brinewatt demo
               brinewatt demo --copy my_site

    Everything in the demo is made up: site, prices, orders and plant values.

    Exit codes: 0 done; 2 a folder exists or cannot be written; 4 a limit of the solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from scheduler.read.kept import Asked

    with as_file(files("tariffs_demo")) as folder:
        if copy_to is not None:
            copy_folder(folder, copy_to)
            tell(f"Copied. Edit {copy_to / 'site.toml'}, then: brinewatt plan {copy_to / 'site.toml'}")
            return
        site = folder / "tight_day" / "site.toml" if tight else folder / "site.toml"
        inputs = read(site, None, {})
        ready(inputs, out, replace)
        asked = Asked("plan", inputs.horizon.days[0], SECONDS, values=valued)
        made = make(asked, inputs, site)
        values = values_of(made.plan, SECONDS) if valued else ()
        ctx.exit(finish(made.plan, inputs, out, replace, values=values, kept=kept_of(asked, inputs)))
