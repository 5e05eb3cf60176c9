"""Standing charge: an amount per month or day that the load cannot change.

Owns how much of it falls on a horizon. A minimum bill, which depends on the load, stands in
`minimum`.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.checks import check, finite
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.periods import Cycle, billing_day_rule, days_in, share_covered
from models.contract.term import Fixed, Term
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
    per_day : float
        Amount for each local day, beside that of the month. [currency/d]
    billing_day : int
        Day of the month on which a billing month begins, 1 to 28. [-]

    Raises
    ------
    InvalidValues
        If the name is no key or an amount not a finite number.

    Notes
    -----
    A horizon is charged the share of each month's elapsed time that it covers, so that the bills of
    parts of a month add up to the month's.
    """

    name: str
    per_month: float = 0.0
    per_day: float = 0.0
    billing_day: int = 1

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            per_month=finite(),
            per_day=finite(),
            billing_day=billing_day_rule(),
        )

    def _shares(self, horizon: Horizon) -> list[tuple[str, float, float]]:
        """Label, share of the month and days of each billing month."""
        return [
            (period.label, share_covered(horizon, period), days_in(horizon, period))
            for period in Cycle("month", self.billing_day).periods(horizon)
        ]

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
        amount = sum(self.per_month * share + self.per_day * days for _, share, days in self._shares(horizon))
        return (Fixed("standing_charge", amount),)

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
        lines = []
        for label, share, days in self._shares(profile.horizon):
            if self.per_month or not self.per_day:
                lines.append(
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
                )
            if self.per_day:
                lines.append(
                    BillLine(
                        self.name,
                        f"daily charge of {label}",
                        days,
                        "day",
                        self.per_day,
                        self.per_day * days,
                        "other",
                        "local days x amount per day",
                    )
                )
        return tuple(lines)
