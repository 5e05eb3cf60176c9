"""Colours and sizes of everything that is drawn.

Owns the palette. Line colours are those of the scheme 'muted' of P. Tol, 'Colour Schemes' (technical note
SRON/EPS/TN/09-002), that have a contrast of at least 4.5:1 on white (W3C WCAG 2, text); fills are tints.
Tests compute contrasts, and how far lines stay apart for colour-blind readers.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager

INK = "#1c2430"
"""Text, axes and the price."""
FAINT_INK = "#4d5664"
"""Secondary text."""
PAPER = "#ffffff"
"""Background."""
GRID = "#dfe3e8"
"""Grid lines and lane borders."""
ALARM = "#a5122a"
"""A result that must not be run, and missed duties."""
LOAD_FILL = "#d3d0e6"
"""Load of a circuit, a tint of the first line colour; dark text on it stays readable."""
LOAD_EDGE = "#332288"
"""Upper edge of the load."""
NEGATIVE_FILL = "#cfe8d5"
"""Hours with a negative price."""
LOOK_AHEAD_FILL = "#f4f5f7"
"""Background of the look-ahead."""

LINES = ("#332288", "#117733", "#aa4499", "#882255")
"""Line colours, in order of use: indigo, green, purple, wine of the scheme 'muted'."""
Pattern = str | tuple[float, tuple[float, ...]]

DASHES: tuple[tuple[Pattern, str], ...] = (
    ("solid", ""),
    ((0, (6, 2)), ", dashed"),
    ((0, (2, 1.5)), ", finely dashed"),
    ((0, (8, 2, 1.5, 2)), ", dash and dot"),
)
"""Line patterns, with what a label adds: the next one each time the colours have been used up."""

PAGE_IN = (11.7, 8.3)
"""Width and least height of a chart: A4 across. [in]"""
DPI = 130
"""Resolution of a chart. [1/in]"""
FONT_PT = 9.0
"""Size of text. [pt]"""
SMALL_PT = 7.2
"""Size of notes. [pt]"""
NUMBER_PT = 7.8
"""Size of loads inside a lane. [pt]"""


def line_style(position: int) -> tuple[str, Pattern, str]:
    """Return colour and pattern of the n-th line of a panel.

    Parameters
    ----------
    position : int
        Number of the line, from 0. [-]

    Returns
    -------
    tuple
        Colour, line pattern, and what a label adds to tell the pattern. [-]
    """
    pattern, words = DASHES[position // len(LINES) % len(DASHES)]
    return LINES[position % len(LINES)], pattern, words


@contextmanager
def drawing(font_pt: float = FONT_PT) -> Iterator[None]:
    """Let figures be drawn the same way everywhere, whatever texts of inputs they hold.

    Parameters
    ----------
    font_pt : float
        Size of text that states none, above 0. [pt]
    """
    import matplotlib

    with matplotlib.rc_context(), warnings.catch_warnings():
        # A reader's own settings must not change a chart; names with '$' must not be read as formulas.
        matplotlib.rcdefaults()
        matplotlib.rcParams["text.parse_math"] = False
        matplotlib.rcParams["font.size"] = font_pt
        # A letter that the font lacks is drawn as a box.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield
