"""The command `brinewatt again`."""

from __future__ import annotations

from pathlib import Path

import click

from scheduler.cli.making import make, read_again
from scheduler.cli.steps import FOLDER, finish, kept_of, ready, tell, values_of


@click.command()
@click.argument("plan", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--out", type=FOLDER, help="Folder for the plan made again; compared only unless given.")
@click.option("--replace", is_flag=True, help="Replace an older plan in that folder.")
@click.pass_context
def again(ctx: click.Context, plan: Path, out: Path | None, replace: bool) -> None:
    """Make a plan again from its own folder, and audit the stored one: PLAN is the folder of a plan.

    \b
    When:      to prove where a plan came from, or after an update, before you trust it.
    Examples:  brinewatt again plan_2026-06-08
               brinewatt again plan_2026-06-08 --out plan_again

    The folder of plan, replan and sheet keeps copies of all its inputs and options (inputs.zip); nothing
    else is read. Loads and flows of the stored plan.csv are simulated by the exact models of this
    version, the plan is made again, and plan.csv and plan.json are compared byte for byte. Other
    versions are told.

    Exit codes: 0 the same bytes, and the audit confirms them; 2 wrong use, or a folder that keeps no
    inputs or is damaged; 3 something differs; 4 a limit of the solver left no plan to compare with.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from scheduler.read.earlier import check_same_inputs
    from scheduler.read.kept import machine, read_kept
    from scheduler.report.sameness import read_stored, sameness

    kept = read_kept(plan)
    stored = read_stored(plan)
    inputs, running = read_again(kept, plan)
    check_same_inputs(plan, inputs.digests)
    if out is not None:
        ready(inputs, out, replace)
    asked = kept.asked
    tell(f"making the plan for {asked.day} again as `brinewatt {asked.command}` made it ...")
    made = make(asked, inputs, Path(kept.site), running)
    found = sameness(stored, made.plan, inputs.digests, inputs.notes, kept.machine, machine())
    if out is not None:
        values = values_of(made.plan, asked.seconds) if asked.values else ()
        finish(
            made.plan, inputs, out, replace, made.more, made.extra, values, kept_of(asked, inputs, running)
        )
        click.echo()
    click.echo(found.text)
    ctx.exit(0 if found.same else 3)
