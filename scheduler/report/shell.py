"""What every page has: head, key figures, sections with charts and tables, cautions, what made it.

Owns the parts of a page and the filling of templates. A page loads nothing: style, script and charts are in
the file, and its security policy forbids the rest. Every text of an input is escaped by the template engine,
which is loaded on first use.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from scheduler.report import style
from scheduler.report.canvas import Drawing
from scheduler.report.plan_json import versions
from scheduler.report.topics import Table

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True)
class Section:
    """A section of the page.

    Parameters
    ----------
    ident, title : str
        Name inside the page, and heading. [-]
    words : tuple of str
        Sentences before anything else. [-]
    drawing : Drawing or None
        Chart. [-]
    tables : tuple of Table
        Tables that are shown. [-]
    behind : tuple of Table
        Tables behind the chart, folded away. [-]
    """

    ident: str
    title: str
    words: tuple[str, ...] = ()
    drawing: Drawing | None = None
    tables: tuple[Table, ...] = ()
    behind: tuple[Table, ...] = ()


@dataclass(frozen=True)
class Key:
    """A key figure at the top.

    Parameters
    ----------
    name, value, more : str
        What it is, how much, and what goes with it. [-]
    """

    name: str
    value: str
    more: str


@functools.cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def filled(template: str, **context: Any) -> str:
    """Return a filled template.

    Parameters
    ----------
    template : str
        Name of its file. [-]
    **context : Any
        What it asks for beside style and versions; a name that it lacks is an error. [-]

    Returns
    -------
    str
        HTML; the same context gives the same text. [-]
    """
    made_by = tuple((name, version or "not installed as a package") for name, version in versions().items())
    return _environment().get_template(template).render(style=style, versions=made_by, **context)
