"""The command `brinewatt tariffs`."""

from __future__ import annotations

import os
from pathlib import Path

import click

from scheduler.cli.steps import FILE, FOLDER, tell, told_as_input
from scheduler.folder import check_before, publish


@click.command()
@click.argument("study", type=FILE)
@click.option("--out", type=FOLDER, default=Path("tariffs"), help="Folder for the study.")
@click.option("--kept", type=FOLDER, default=Path("tariffs_kept"), help="Folder of kept results.")
@click.option("--replace", is_flag=True, help="Replace an older study in that folder.")
@click.option("--workers", type=click.IntRange(min=1), help="Processes.  [default: all cores]")
@click.pass_context
def tariffs(
    ctx: click.Context, /, study: Path, out: Path, kept: Path, replace: bool, workers: int | None
) -> None:
    """Put supply contracts side by side: STUDY names sites, contracts and years of prices.

    Every contract gets a year planned for it; every plan is billed under every contract. What is finished is
    kept: started again after it was stopped, a study goes on where it was.

    \b
    When:      to know what an offer costs once the load is planned anew under it. A year takes minutes.
    Example:   brinewatt tariffs my_site/study.toml --out tariffs

    Exit codes: 0 done; 2 wrong use or bad input; 3 a case has no plan; 4 a limit of the solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    import models.kinds  # noqa: F401 - fills the registers of kinds
    from scheduler.read.study_file import read_study
    from scheduler.report.study import STUDY_FILES, study_files, study_text
    from scheduler.studies.case_runs import run_cases
    from scheduler.studies.tariffs import compare

    inputs = read_study(study)
    check_before(out, replace, STUDY_FILES)
    with told_as_input(study):
        results, failed = run_cases(inputs.cases, kept, workers or os.cpu_count() or 1, tell)
    found = compare(inputs.cases, results, failed)
    currency = inputs.cases[0].site.contract.currency
    files = study_files(found, inputs.head.name, currency, inputs.notes, inputs.digests)
    publish(out, files, replace, STUDY_FILES)
    click.echo(study_text(found, inputs.head.name, currency, inputs.notes), nl=False)
    tell(f"written to {out}")
    ctx.exit(3 if found.failed else 0)
