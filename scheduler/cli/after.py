"""The command `brinewatt after`."""

from __future__ import annotations

from pathlib import Path

import click

from scheduler.cli.steps import FILE, FOLDER, given_files, read, role_options, tell, told_as_input
from scheduler.folder import Writer, check_before, publish


@click.command()
@click.argument("plan", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--site", type=FILE, required=True, help="Site file the plan was made with.")
@click.option("--actuals", type=FILE, required=True, help="Metered loads and powers of the day.")
@click.option("--balance", type=FILE, help="Quantities sold, used and in stock, to count chlorine by.")
@click.option("--actual-prices", type=FILE, multiple=True, help="Prices that were charged; may repeat.")
@click.option(
    "--actual-availability",
    type=FILE,
    multiple=True,
    help="Outages as they came, for the model at actual loads.",
)
@click.option(
    "--current-percent", type=click.FloatRange(min=0), help="Uncertainty (95 %) of a direct current in %."
)
@click.option(
    "--efficiency-percent",
    type=click.FloatRange(min=0),
    help="Uncertainty (95 %) of a current efficiency in %.",
)
@role_options
@click.option("--out", type=FOLDER, required=True, help="Folder for the look back.")
@click.option("--replace", is_flag=True, help="Replace an older look back in that folder.")
def after(
    plan: Path,
    site: Path,
    actuals: Path,
    balance: Path | None,
    actual_prices: tuple[Path, ...],
    actual_availability: tuple[Path, ...],
    current_percent: float | None,
    efficiency_percent: float | None,
    out: Path,
    replace: bool,
    **files: tuple[Path, ...],
) -> None:
    """Look back at a planned day: PLAN is the folder of its plan.

    \b
    When:     on the day after, with the day's meters.
    Example:  brinewatt after plan_2026-06-08 --site my_site/site.toml --actuals my_site/actuals.csv
              --balance my_site/balance.csv --out after_2026-06-08

    Actuals are a table start, minutes, unit, load_ka, power_mw: for each circuit its load and its AC power
    before the rectifiers, for the meter the import. Tells the price, volume and efficiency effects and
    that of other load, to the cent; energy per tonne; and chlorine by kAh, by sales plus stock change and by
    alkali, side by side. Other files are those of the plan: name them as you did when it was made.

    Exit codes: 0 done; 2 wrong use, bad input, files that are not those of the plan, or a folder that
    exists.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from scheduler.read.actuals import read_day, read_planned_day
    from scheduler.read.inputs import zone_of
    from scheduler.report.after import (
        CHLORINE_NAME,
        EFFECTS_NAME,
        EVERY_NAME,
        INTERVALS_NAME,
        TEXT_NAME,
        after_text,
        chlorine_csv,
        effects_csv,
        intervals_csv,
    )
    from scheduler.report.files import write_exactly, write_text
    from scheduler.studies.after import chlorine_counts, discrepancies, effects, energy_per_tonne

    check_before(out, replace, EVERY_NAME)
    planned = read_planned_day(plan)
    day = planned.day(zone_of(site))
    inputs = read(site, day, given_files(files))
    with told_as_input(site):
        both = read_day(planned, inputs, site, actuals, balance, actual_prices, actual_availability)
        works, horizon = both.site, both.horizon
        found = effects(works.contract, horizon, both.plan, both.actual)
    tonnes = energy_per_tonne(horizon, both.plan, both.actual)
    counts, told = chlorine_counts(
        works, horizon, both.actual, both.items, current_percent, efficiency_percent
    )
    text = after_text(
        works.name,
        works.notes,
        works.contract.currency,
        horizon,
        both.plan,
        both.actual,
        both.standing_mwh,
        found,
        tonnes,
        counts,
        discrepancies(counts),
        told,
        both.digests,
    )
    writers: dict[str, Writer] = {
        TEXT_NAME: lambda path: write_text(path, text),
        EFFECTS_NAME: lambda path: write_exactly(path, effects_csv(found)),
        INTERVALS_NAME: lambda path: write_exactly(path, intervals_csv(horizon, both.plan, both.actual)),
        CHLORINE_NAME: lambda path: write_exactly(path, chlorine_csv(counts)),
    }
    tell("writing ...")
    publish(out, writers, replace, older=EVERY_NAME)
    click.echo(text)
    click.echo(f"\nWritten to {out}: {', '.join(writers)}")
