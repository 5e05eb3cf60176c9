"""The command `brinewatt backtest`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from scheduler.cli.steps import FILE, tell, told_as_input


@click.command()
@click.argument("site", type=FILE)
@click.option("--prices", type=FILE, help="Price file in place of the site file's.")
@click.option("--contract", type=FILE, help="Contract file in place of the site file's contract.")
@click.option("--first-day", type=click.DateTime(["%Y-%m-%d"]), required=True, help="First past day.")
@click.option("--days", type=click.IntRange(min=2), default=365, help="Days.")
@click.option(
    "--store-days",
    type=click.FloatRange(min=0, min_open=True),
    multiple=True,
    help="Product stores of so many days of mean output in place of the site's; may be given several times.",
)
def backtest(
    site: Path,
    prices: Path | None,
    contract: Path | None,
    first_day: dt.datetime,
    days: int,
    store_days: tuple[float, ...],
) -> None:
    """Plan past days of SITE one by one with only what was known, and tell what of the saving is reached.

    \b
    When:      to see what forecasts cost, before a saving in a study is counted on.
    Example:   brinewatt backtest my_site/site.toml --first-day 2025-01-01 --days 60 --prices past.csv
               brinewatt backtest my_site/site.toml --first-day 2025-01-01 --store-days 1 --store-days 10

    Exit codes: 0 done; 2 wrong use or bad input; 3 a duty cannot be met; 4 a limit of the solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    import models.kinds  # noqa: F401 - fills the registers of kinds
    from scheduler.read.study_file import read_past
    from scheduler.report.backtest import AS_BUILT, backtest_text, stores_of
    from scheduler.studies import backtest as study

    inputs, horizon = read_past(site, prices, contract, first_day.date(), days)
    tell(f"planning {days} days, one by one and all at once ...")
    with told_as_input(site):
        if store_days:
            each = study.backtest_stores(inputs.site, horizon, inputs.situation, store_days)
            found = {stores_of(size): figures for size, figures in zip(store_days, each, strict=True)}
        else:
            found = {AS_BUILT: study.backtest(inputs.site, horizon, inputs.situation)}
    text = backtest_text(found, inputs.site.name, horizon, inputs.site.contract.currency)
    click.echo(text, nl=False)
