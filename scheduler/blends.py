"""Limits on what mixed products carry: rows for the program, concentrations for the audit.

Owns the sum over all makers of a commodity. A unit states what its own product carries and another one how
much of it the mixture may hold; neither knows the other. Knows no trade.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from models.horizon import Array
from models.pieces import Blend, Content, Declaration, Entry, Flow, Rows, Simulation


def blend_rows(units: Declaration, size: int) -> tuple[Rows, ...]:
    """Return the rows that hold mixtures under their greatest concentration.

    What all makers carry is at most the concentration times what they make: linear, because both are affine.

    Parameters
    ----------
    units : Declaration
        Records of all units. [-]
    size : int
        Number of intervals. [-]

    Returns
    -------
    tuple of Rows
        One family for each limit on a commodity of which contents are stated. [-]

    Raises
    ------
    ValueError
        If contents are stated by some makers of a limited commodity only, or of other commodities only: the
        limit would not see all of it.
    """
    problems: list[str] = []
    found = []
    for blend in units.blends:
        stated = [content for content in units.contents if content.substance == blend.substance]
        here = [content for content in stated if content.commodity == blend.commodity]
        if not stated:
            continue
        makers = _makers(units, blend.commodity)
        silent = sorted({flow.variable for flow in makers} - {content.variable for content in here})
        if not here or silent:
            who = ", ".join(silent) or "nothing"
            problems.append(
                f"{blend.owner} limits {blend.substance} in '{blend.commodity}', which is made by {who} "
                f"without a word on its {blend.substance}: state it there, or name the commodity of the cells"
            )
            continue
        found.append(_rows(blend, here, makers, size))
    if problems:
        raise ValueError("; ".join(problems))
    return tuple(rows for rows in found if rows.size)


def _makers(units: Declaration, commodity: str) -> list[Flow]:
    return [
        flow
        for flow in units.flows
        if flow.commodity == commodity and np.any(np.asarray(flow.coefficient) > 0)
    ]


def _rows(blend: Blend, contents: list[Content], makers: list[Flow], size: int) -> Rows:
    limited = np.flatnonzero(np.isfinite(blend.most))
    most = blend.most[limited]
    rows = np.arange(len(limited))
    upper = np.zeros(len(limited))
    entries = []
    for content in contents:
        entries.append(Entry(content.variable, rows, limited, content.coefficient[limited]))
        upper -= content.constant[limited]
    for flow in makers:
        coefficient = np.broadcast_to(flow.coefficient, size)[limited]
        entries.append(Entry(flow.variable, rows, limited, -most * coefficient))
        upper += most * np.broadcast_to(flow.constant, size)[limited]
    return Rows(
        blend.key,
        f"{blend.unit} t/h",
        tuple(entries),
        np.full(len(limited), -np.inf),
        upper,
        intervals=limited,
        meaning=blend.meaning,
    )


def concentration(
    blend: Blend, simulations: Mapping[str, Simulation], flows: Mapping[tuple[str, str], Array]
) -> Array | None:
    """Return the concentration of a mixture by the exact simulation of its makers.

    Parameters
    ----------
    blend : Blend
        The limit. [-]
    simulations : mapping
        Each unit's simulation by name. [-]
    flows : mapping
        Net flow of each unit on each commodity by (unit, commodity). Each shape (n,). [commodity unit]

    Returns
    -------
    ndarray or None
        Concentration, 0 where nothing is made; None where nobody states any. Shape (n,). [unit of the limit]
    """
    key = (blend.substance, blend.commodity)
    carried = [simulation.contents[key] for simulation in simulations.values() if key in simulation.contents]
    if not carried:
        return None
    made = sum(np.maximum(flow, 0.0) for (_, name), flow in flows.items() if name == blend.commodity)
    total: Array = np.sum(np.stack(carried), axis=0)
    return np.divide(total, made, out=np.zeros_like(total), where=np.asarray(made) > 0)
