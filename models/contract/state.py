"""The state of the bill: what a billing period has had before a horizon, and what is expected after it.

Owns the record and the words for it. What a state costs stands in the components; peaks so far and peak
targets of a period stand beside it in `models.situation`, by the same keys.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

Key = tuple[str, str]
"""Component and billing period: 'YYYY-MM' of the period's first day, or 'YYYY' for a year."""


@dataclass(frozen=True)
class State:
    """Month so far, year to date, and the rest of the year.

    Parameters
    ----------
    energy_mwh : mapping
        What counts in a component's total, drawn so far in a period, by (component, period). [MWh]
    rest_mwh : mapping
        What a longer plan expects to draw between the horizon's end and the period's end, by (component,
        period). Plans need it where a total of a whole period decides; bills ignore it. [MWh]
    cases : mapping
        Side of a cliff on which a plan is to stay, by component: the name of one of its cases. A component
        not named is planned on every side, and the cheapest plan is kept. [-]
    charged : mapping
        What counts in a component's sum of charges, charged so far in a period, by (component, period).
        [currency]
    rest_charged : mapping
        What is expected to be charged between the horizon's end and the period's end, beyond what the
        horizon's own bill holds, by (component, period). Plans need it where a sum of a whole period decides;
        bills ignore it. [currency]
    """

    energy_mwh: Mapping[Key, float] = field(default_factory=dict)
    rest_mwh: Mapping[Key, float] = field(default_factory=dict)
    cases: Mapping[str, str] = field(default_factory=dict)
    charged: Mapping[Key, float] = field(default_factory=dict)
    rest_charged: Mapping[Key, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Carried:
    """What a profile adds to the state of one component in one period.

    Parameters
    ----------
    period : str
        Billing period, 'YYYY-MM' or 'YYYY'. [-]
    peak : float, optional
        Highest metered mean of the profile; None for a component without a peak. [MW or MVA]
    energy_mwh : float, optional
        What the profile adds to the total; None for a component without one. [MWh]
    charged : float, optional
        What the profile adds to the sum of charges; None for a component without one. [currency]
    """

    period: str
    peak: float | None = None
    energy_mwh: float | None = None
    charged: float | None = None
