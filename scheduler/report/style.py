"""Colours and sizes of everything that is drawn.

Owns the palette, chosen by this project: every colour has a contrast of at least 3:1 on white, text colours
7:1, and any two line colours stay apart for colour-blind readers (both checked by tests).
"""

from __future__ import annotations

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
LOAD_FILL = "#c9d7f2"
"""Load of a circuit; dark text on it stays readable."""
LOAD_EDGE = "#2c56b3"
"""Upper edge of the load."""
NEGATIVE_FILL = "#bfe3da"
"""Hours with a negative price."""
LOOK_AHEAD_FILL = "#f4f5f7"
"""Background of the look-ahead."""

LINES = ("#3a1e5c", "#d9532c", "#3b6fe0", "#14937f", "#7d1f1f", "#c05fb0")
"""Line colours, in order of use."""
Pattern = str | tuple[float, tuple[float, ...]]

DASHES: tuple[tuple[Pattern, str], ...] = (
    ("solid", ""),
    ((0, (6, 2)), ", dashed"),
    ((0, (2, 1.5)), ", finely dashed"),
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
