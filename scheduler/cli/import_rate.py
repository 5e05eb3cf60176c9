"""The command `brinewatt import-rate`."""

from __future__ import annotations

from pathlib import Path

import click

from scheduler.cli.steps import FILE
from scheduler.plain_text import plain


@click.command("import-rate")
@click.argument("record", type=FILE)
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    required=True,
    help="Contract file to write; must not exist yet.",
)
@click.option(
    "--timezone", required=True, help="IANA zone of the meter's clock, which the record does not state."
)
def import_rate(record: Path, out: Path, timezone: str) -> None:
    """Make a contract file from RECORD, a US utility rate in the open JSON layout.

    \b
    When:      once for each rate, before billing or planning under it.
    Example:   brinewatt import-rate record.json --timezone America/Chicago --out rate.toml

    What a contract cannot hold and what should be verified is told here, and stands in the notes of the
    file: nothing is dropped in silence. Verify every rate with the utility's own sheet.

    Exit codes: 0 done; 2 wrong use or bad input.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    import models.kinds  # noqa: F401 - fills the registers of kinds
    from scheduler.read.rate_import import import_record

    imported = import_record(record, out, timezone)
    for text in imported.left_out:
        click.echo(plain(f"NOT IN THE CONTRACT: {text}"))
    for text in imported.doubts:
        click.echo(plain(f"verify: {text}"))
    click.echo(f"Written to {out}: {imported.toml.count('[[component]]')} components")
