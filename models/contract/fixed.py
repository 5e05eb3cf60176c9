"""Standing charge: an amount per month that the load cannot change.

Owns how much of it falls on a horizon. Knows no minimum bill: that depends on the load.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.checks import check, finite
from models.contract import calendar
from models.contract.component import BillLine, Component, Fixed, Profile, Term, component_kind, key_name
from models.horizon import Horizon
from models.situation import Situation


@component_kind("fixed")
@dataclass(frozen=True)
class StandingCharge(Component):
    """An amount per local calendar month.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    per_month : float
        Amount for a whole month; negative for a rebate. [currency/month]

    Raises
    ------
    InvalidValues
        If the name is no key or the amount not a finite number.

    Notes
    -----
    A horizon is charged the share of each month's elapsed time that it covers, so that the bills of
    parts of a month add up to the month's.
    """

    name: str
    per_month: float

    def __post_init__(self) -> None:
        check(self, name=key_name(), per_month=finite())

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return one amount for the horizon (see `Component.terms`).

        Parameters
        ----------
        horizon : Horizon
            The intervals; its time zone is the local clock. [-]
        situation : Situation
            Not used. [-]

        Returns
        -------
        tuple of Term
            The amount. [-]
        """
        covered = sum(float(share) for _, share in _month_shares(horizon))
        return (Fixed("standing_charge", self.per_month * covered),)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for each local calendar month (see `Component.bill`).

        Parameters
        ----------
        profile : Profile
            Metered load; the time zone of its horizon is the local clock. [-]
        situation : Situation
            Not used. [-]

        Returns
        -------
        tuple of BillLine
            The lines, not rounded. [-]
        """
        return tuple(
            BillLine(
                self.name,
                f"standing charge of {label}",
                share,
                "month",
                self.per_month,
                self.per_month * share,
                "other",
                "share of the month's time x amount per month",
            )
            for label, share in _month_shares(profile.horizon)
        )


def _month_shares(horizon: Horizon) -> list[tuple[str, float]]:
    return [
        (
            month.label,
            (min(month.end_min, horizon.end_min) - max(month.start_min, horizon.start_min))
            / (month.end_min - month.start_min),
        )
        for month in calendar.months(horizon)
    ]
