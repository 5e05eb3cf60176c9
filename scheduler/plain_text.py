"""Text from inputs, made safe to be shown: one line without control characters.

Owns that alone; it stands below errors and reports, which both show such text.
"""

from __future__ import annotations


def plain(text: str) -> str:
    """Return text from input files as one line without control characters.

    A name with an escape sequence could move the cursor of a terminal or hide lines of a report.

    Parameters
    ----------
    text : str
        Text from an input. [-]

    Returns
    -------
    str
        The same text; line breaks and tabs become spaces, other control characters '?'. [-]
    """
    return "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))
