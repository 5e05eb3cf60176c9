"""Stores of another size: what a works could save if its tanks held so many days.

Owns the rule by which stores are scaled; a real tank comes with permits and money, which are not looked at.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from models.site import Site
from models.situation import Situation
from models.tank import ProductStore

START_SHARE = 0.5
"""Share of the room of a scaled store that is full at the start, and must be at the end. [-]"""


def with_stores_of(
    site: Site, situation: Situation, made_t_per_h: Mapping[str, float], days: float
) -> tuple[Site, Situation]:
    """Return a works whose product stores hold so many days of what is made.

    Parameters
    ----------
    site : Site
        The works. [-]
    situation : Situation
        Its start. [-]
    made_t_per_h : mapping
        Mean output by commodity. [t/h]
    days : float
        Days of mean output between the least and the greatest content, above 0; stores of one commodity
        share it alike. [d]

    Returns
    -------
    tuple of (Site, Situation)
        The works with scaled stores, and its start with each of them half full; stores of what is not made
        by the works, and all other units, are as they were. [-]

    Raises
    ------
    ValueError
        If there is no such store.
    """
    stores = [
        unit
        for unit in site.units
        if isinstance(unit, ProductStore) and made_t_per_h.get(unit.commodity, 0.0) > 0.0
    ]
    scaled: dict[str, ProductStore] = {}
    for unit in stores:
        alike = sum(other.commodity == unit.commodity for other in stores)
        room = 24.0 * days * made_t_per_h[unit.commodity] / alike
        half = unit.min_t + START_SHARE * room
        scaled[unit.name] = replace(unit, max_t=unit.min_t + room, end_min_t=half)
    if not scaled:
        raise ValueError(
            f"{site.name} has no unit of kind 'product_store' for what it makes: no other size can be tried"
        )
    stocks = {name: unit.end_min_t for name, unit in scaled.items() if unit.end_min_t is not None}
    return (
        replace(site, units=tuple(scaled.get(unit.name, unit) for unit in site.units)),
        replace(situation, stocks={**situation.stocks, **stocks}),
    )
