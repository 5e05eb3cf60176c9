"""The command `brinewatt new`."""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path

import click

from scheduler.cli.steps import copy_folder, tell


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
def new(folder: Path) -> None:
    """Start a new site: copy small commented files to a new FOLDER.

    \b
    When:      once, before the first plan of your own works.
    Example:   brinewatt new my_site
               brinewatt plan my_site/site.toml

    The site has one membrane circuit, one caustic tank and one chlorine customer, all invented, with a
    comment on every key; it plans as it is. For a large example with all kinds of units copy the demo:
    brinewatt demo --copy my_site.

    Exit codes: 0 done; 2 the folder exists or cannot be written.
    """  # noqa: D301 - click takes the backspace as "do not wrap"
    with as_file(files("scheduler.starter")) as source:
        copy_folder(source, folder)
    site = folder / "site.toml"
    tell(f"Copied. Read {folder / 'README.txt'}, edit {site}, then: brinewatt plan {site}")
