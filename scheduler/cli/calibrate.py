"""The command `brinewatt calibrate`."""

from __future__ import annotations

from pathlib import Path

import click

from scheduler.cli.steps import FILE, FOLDER, tell
from scheduler.folder import Writer, check_before, publish


@click.command()
@click.argument("site", type=FILE)
@click.argument("readings", type=FILE)
@click.option("--out", type=FOLDER, required=True, help="Folder for the calibration.")
@click.option("--replace", is_flag=True, help="Replace an older calibration in that folder.")
@click.option(
    "--keep-k", is_flag=True, help="Hold k as in SITE where the density spans too little to fit it; U0 only."
)
@click.option("--log-term", is_flag=True, help="Fit a term in the logarithm of the density.")
@click.option("--fit-temperature", is_flag=True, help="Fit the temperature coefficient instead of taking it.")
@click.option(
    "--volts-per-c",
    type=click.FloatRange(min=0),
    help="Given coefficient in V/K for circuits without 'thermal' in SITE.",
)
@click.option(
    "--reference-c",
    type=click.FloatRange(min=0),
    help="Temperature in C that circuits without 'thermal' are normalised to.",
)
@click.option("--strength-term", is_flag=True, help="Fit a term in the strength of the alkali.")
@click.option("--without-far", is_flag=True, help="Fit again without readings that are far from a first fit.")
def calibrate(
    site: Path,
    readings: Path,
    out: Path,
    replace: bool,
    keep_k: bool,
    log_term: bool,
    fit_temperature: bool,
    volts_per_c: float | None,
    reference_c: float | None,
    strength_term: bool,
    without_far: bool,
) -> None:
    """Fit cell voltage and current efficiency of SITE's circuits to READINGS of the plant.

    \b
    When:     before money or load rests on default values, and again every few months.
    Example:  brinewatt calibrate my_site/site.toml my_site/readings.csv --out my_fit

    READINGS is a table time, circuit, load_ka, cell_voltage_v or dc_voltage_v, with optional cells,
    electrolysers, temperature_c, strength_percent, efficiency_percent (analyses) and ac_power_mw. The
    folder gets the fit in words, every reading with its residual, a plot for each circuit, and the site
    file with the fitted keys changed and its comments kept.

    Exit codes: 0 done; 2 wrong use, bad input, readings that do not tell what is asked, or a folder that
    exists.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from functools import partial

    from scheduler.read.readings import read_readings
    from scheduler.read.site_update import updated_site
    from scheduler.report.calibration import (
        SITE_NAME,
        TABLE_NAME,
        TEXT_NAME,
        calibration_names,
        calibration_text,
        readings_csv,
        write_plot,
    )
    from scheduler.report.files import write_exactly, write_text
    from scheduler.studies.calibrate import FitOptions
    from scheduler.studies.calibrate import calibrate as fit

    tell("reading ...")
    found = read_readings(site, readings)
    ours = calibration_names(found.circuits)
    check_before(out, replace, ours)
    tell("fitting ...")
    options = FitOptions(
        keep_k, log_term, fit_temperature, strength_term, without_far, volts_per_c, reference_c
    )
    fits = fit(found.circuits, found.readings, options, str(readings))
    changed = updated_site(found.source, fits)
    unread = [name for name in found.circuits if name not in found.readings]
    text = calibration_text(fits, found.zone, found.name, found.digests, found.notes, unread)
    writers: dict[str, Writer] = {
        TEXT_NAME: lambda path: write_text(path, text),
        TABLE_NAME: lambda path: write_exactly(path, readings_csv(fits, found.zone)),
        SITE_NAME: lambda path: write_exactly(path, changed),
        **{f"{one.before.name}.png": partial(write_plot, one, found.zone, found.notes) for one in fits},
    }
    tell("writing ...")
    publish(out, writers, replace, older=ours)
    click.echo(text)
    click.echo(f"\nWritten to {out}: {', '.join(writers)}")
