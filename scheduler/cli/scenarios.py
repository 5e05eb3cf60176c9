"""The command `brinewatt scenarios`."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click

from scheduler.cli.steps import (
    FILE,
    FOLDER,
    deviation_of,
    given_files,
    read,
    role_options,
    surcharge_options,
    tell,
    told_as_input,
)
from scheduler.folder import check_before, publish


@click.command()
@click.argument("site", type=FILE)
@click.option("--scenarios", "path", type=FILE, required=True, help="Price scenarios of the plan day.")
@click.option("--day", type=click.DateTime(["%Y-%m-%d"]), help="Plan day; the site file's day, or tomorrow.")
@role_options
@surcharge_options
@click.option(
    "--plan",
    "folder",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder of a plan to judge by the same scenarios.",
)
@click.option(
    "--risk",
    type=click.FloatRange(0, 1),
    default=0.0,
    help="Weight of the tail: 0 the mean cost alone, 1 the tail alone.",
)
@click.option(
    "--level",
    type=click.FloatRange(0, 0.999),
    default=0.9,
    help="Level of the tail: 0.9 is the dearest tenth.",
)
@click.option("--lot", type=click.FloatRange(min=0, min_open=True), default=0.1, help="Lot in MW.")
@click.option(
    "--tick", type=click.FloatRange(min=0, min_open=True), default=0.01, help="Step of prices in a bid."
)
@click.option("--price-min", type=float, default=-500.0, help="Least price the auction allows.")
@click.option("--price-max", type=float, default=4000.0, help="Greatest price the auction allows.")
@click.option("--steps-most", type=click.IntRange(min=1), help="Most price steps in an interval.")
@click.option(
    "--look-ahead-minutes",
    type=click.Choice(["60", "120", "180", "240", "360"]),
    default="360",
    help="Length of intervals after the plan day.",
)
@click.option("--out", type=FOLDER, required=True, help="Folder for the bid and the figures.")
@click.option("--replace", is_flag=True, help="Replace older figures in that folder.")
@click.option("--seconds", type=click.FloatRange(min=1), default=300.0, help="Time for each search in s.")
def scenarios(
    site: Path,
    path: Path,
    day: dt.datetime | None,
    up_per_mwh: float | None,
    down_per_mwh: float | None,
    folder: Path | None,
    risk: float,
    level: float,
    lot: float,
    tick: float,
    price_min: float,
    price_max: float,
    steps_most: int | None,
    look_ahead_minutes: str,
    out: Path,
    replace: bool,
    seconds: float,
    **files: tuple[Path, ...],
) -> None:
    """Make a price-quantity bid for SITE under price scenarios, and tell what it and certainty are worth.

    \b
    When:     before the auction, while tomorrow's prices are not known.
    Example:  brinewatt scenarios my_site/site.toml --scenarios my_site/scenarios.csv
                  --up-per-mwh 15 --down-per-mwh 15 --out my_bid

    What is bought is decided now: one quantity for each interval (a nomination), or one for each price
    (a bid). Loads are decided once prices are known; drawing more or less than was bought costs the
    surcharges. Costs are shown as mean and tail. Once the auction has cleared, plan with --cleared.

    Exit codes: 0 done; 2 wrong use, bad input or a folder that exists; 3 a scenario in which a duty is
    missed; 4 a limit of the solver.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from models.bid import Auction
    from models.risk import Risk
    from scheduler.read.actuals import read_planned_day
    from scheduler.read.earlier import check_same_inputs, open_earlier
    from scheduler.read.scenarios import read_scenarios
    from scheduler.report.scenarios import SCENARIO_NAMES, scenario_files, scenario_text
    from scheduler.studies.scenarios import ScenarioOptions, study

    if price_min >= price_max:
        raise click.UsageError("--price-min must be below --price-max")
    deviation = deviation_of(up_per_mwh, down_per_mwh)
    inputs = read(site, day.date() if day else None, given_files(files))
    prices, _ = read_scenarios(path, inputs)
    check_before(out, replace, SCENARIO_NAMES)
    loads = drawn = None
    if folder is not None:
        check_same_inputs(folder, inputs.digests)
        loads = open_earlier(folder).loads(inputs.site)
        drawn = read_planned_day(folder).series(f"{inputs.site.meter}_mw")
    options = ScenarioOptions(
        Risk(risk, level),
        Auction(lot, tick, price_min, price_max, steps_most),
        deviation,
        int(look_ahead_minutes),
        seconds=seconds,
    )
    tell(f"planning {len(prices)} scenarios, alone and together ...")
    with told_as_input(site):
        found = study(inputs.site, inputs.horizon, inputs.situation, prices, options, loads, drawn)
    text = scenario_text(found)
    writers = scenario_files(found, text)
    publish(out, writers, replace, older=SCENARIO_NAMES)
    click.echo(text)
    click.echo(f"\nWritten to {out}: {', '.join(writers)}")
