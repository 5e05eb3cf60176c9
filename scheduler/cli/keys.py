"""The command `brinewatt keys`."""

from __future__ import annotations

import click


@click.command()
@click.argument("name", required=False)
def keys(name: str | None) -> None:
    """Say what a file may hold: every key with its meaning, unit and default.

    \b
    When:      while you write a site file, a contract or a table.
    Examples:  brinewatt keys
               brinewatt keys alkali_tank
               brinewatt keys availability
               brinewatt keys tank_m3

    NAME is a kind of unit, a kind of contract component, another table, a role of a file, or a key.
    Without it, all of them are listed with one line each.

    Exit codes: 0 done; 2 nothing has that name.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    from scheduler.read.keys import keys_text, overview

    if name is None:
        click.echo(overview())
        return
    try:
        text = keys_text(name)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="NAME") from error
    click.echo(text)
