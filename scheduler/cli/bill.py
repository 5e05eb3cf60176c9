"""The command `brinewatt bill`."""

from __future__ import annotations

from pathlib import Path

import click

from scheduler.cli.steps import FILE, FOLDER, told_as_input


@click.command()
@click.argument("contract", type=FILE)
@click.argument("profile", type=FILE)
@click.option("--prices", type=FILE, multiple=True, help="Price file (CSV, XLSX, IEC 62325 XML); may repeat.")
@click.option("--profiles", type=FILE, multiple=True, help="Profiles that components need; may repeat.")
@click.option("--peaks", type=FILE, multiple=True, help="Peaks so far in the billing month.")
@click.option("--state", type=FILE, multiple=True, help="Totals and peaks of billing periods so far.")
@click.option("--invoice", type=FILE, help="The supplier's invoice, to be compared line by line.")
@click.option("--timezone", help="Zone of the local clock, where a contract file states none.")
@click.option("--sequence", type=click.IntRange(min=1), help="Auction to take from a market document.")
@click.option(
    "--out", type=FOLDER, help="Folder for bill.txt, bill.csv and bill.json; shown only unless given."
)
@click.option("--replace", is_flag=True, help="Replace an older bill in that folder.")
@click.pass_context
def bill(
    ctx: click.Context,
    /,
    contract: Path,
    profile: Path,
    prices: tuple[Path, ...],
    profiles: tuple[Path, ...],
    peaks: tuple[Path, ...],
    state: tuple[Path, ...],
    invoice: Path | None,
    timezone: str | None,
    sequence: int | None,
    out: Path | None,
    replace: bool,
) -> None:
    """Bill a load PROFILE under a CONTRACT: a contract file, or a site file with its contract and prices.

    \b
    When:      to compare contracts for one load, and to check a supplier's invoice.
    Example:   brinewatt bill contract.toml load.csv --prices prices.csv --out june

    PROFILE is a table start, minutes, power_mw, optional reactive_mvar and what was made
    (chlorine_wet_t_per_h and so on). Every line stands with quantity, rate, amount and formula in words.

    Exit codes: 0 done; 2 wrong use or bad input.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    import models.kinds  # noqa: F401 - fills the registers of kinds
    from models.contract.bill import make_bill
    from models.contract.invoice import compare
    from scheduler.folder import check_before, publish
    from scheduler.read.bill_inputs import read_bill_inputs
    from scheduler.report.bill import BILL_NAMES, bill_files, bill_text, differences_text

    if out is not None:
        check_before(out, replace, BILL_NAMES)
    files = {"prices": prices, "profiles": profiles, "peaks": peaks, "state": state}
    inputs = read_bill_inputs(
        contract, profile, files=files, invoice=invoice, timezone=timezone, sequence=sequence
    )
    with told_as_input(contract):
        made = make_bill(inputs.contract, inputs.profile, inputs.situation)
    differences = None if invoice is None else compare(made, inputs.invoice)
    click.echo(bill_text(made, inputs.profile, inputs.notes), nl=False)
    if differences is not None:
        click.echo("\n" + differences_text(differences, made.currency), nl=False)
    if out is not None:
        writers = bill_files(made, inputs.profile, inputs.digests, inputs.notes, differences)
        publish(out, writers, replace, older=BILL_NAMES)
        click.echo(f"\nWritten to {out}: {', '.join(writers)}")
