"""Imbalance: what a moved megawatt-hour costs after the gate, against the nomination.

Owns the surcharge on deviations. The energy itself is charged by the energy component; this one adds
what buying more, or having bought too much, costs on top of the day-ahead price.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import at_least, check
from models.contract.component import (
    BillLine,
    Component,
    Profile,
    Term,
    component_kind,
    key_name,
)
from models.horizon import Array, Horizon, Mask
from models.pieces import Cost, Declaration, Entry, Rows, Variable
from models.situation import Situation


@dataclass(frozen=True, eq=False)
class Deviation(Term):
    """A surcharge on energy above, and another on energy below, a nominated profile.

    Charge = sum over intervals of hours * (up * max(P - N, 0) + down * max(N - P, 0)).

    Parameters
    ----------
    name : str
        Name of the term. [-]
    nominated_mw : ndarray
        Nomination on each interval. Shape (n,). [MW]
    nominated : ndarray of bool
        Whether the interval is nominated at all. Shape (n,). [-]
    up_per_mwh, down_per_mwh : float
        Surcharge for drawing more and for drawing less, 0 or more. [currency/MWh]
    group : str
        Cost group. [-]
    """

    name: str
    nominated_mw: Array
    nominated: Mask
    up_per_mwh: float
    down_per_mwh: float
    group: str = "other"

    def _apart(self, power_mw: Array) -> tuple[Array, Array]:
        difference = np.where(self.nominated, power_mw - self.nominated_mw, 0.0)
        return np.maximum(difference, 0.0), np.maximum(-difference, 0.0)

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return the surcharge of a profile (see `Term.cost`)."""
        more, less = self._apart(power_mw)
        return float(np.sum(horizon.hours * (self.up_per_mwh * more + self.down_per_mwh * less)))

    def exact(self, prefix: str, power_mw: Array) -> dict[str, Array]:
        """Return the deviations of a profile (see `Term.exact`)."""
        more, less = self._apart(power_mw)
        return {f"{prefix}_more": more, f"{prefix}_less": less}

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return the two deviations and their surcharges (see `Term.declare`)."""
        n = len(horizon)
        each = np.arange(n)
        at = np.flatnonzero(self.nominated)
        rows, ones = np.arange(len(at)), np.ones(len(at))
        more, less = f"{prefix}_more", f"{prefix}_less"
        most = np.where(self.nominated, np.inf, 0.0)
        return Declaration(
            variables=(
                Variable(more, "MW", np.zeros(n), most, each, meaning="import above the nomination"),
                Variable(less, "MW", np.zeros(n), most, each, meaning="import below the nomination"),
            ),
            rows=(
                Rows(
                    f"{prefix}_deviation",
                    "MW",
                    (
                        Entry(meter, rows, at, ones),
                        Entry(more, rows, at, -ones),
                        Entry(less, rows, at, ones),
                    ),
                    self.nominated_mw[at],
                    self.nominated_mw[at],
                    intervals=at,
                    breakable=False,
                    meaning="import is the nomination plus what is more and less what is less",
                ),
            ),
            costs=(
                Cost(f"{prefix}_up", self.group, more, self.up_per_mwh * horizon.hours),
                Cost(f"{prefix}_down", self.group, less, self.down_per_mwh * horizon.hours),
            ),
        )


@component_kind("imbalance")
@dataclass(frozen=True)
class Imbalance(Component):
    """Surcharges on what differs from the nomination, where there is one.

    Parameters
    ----------
    name : str
        Name of the component. [-]
    up_per_mwh, down_per_mwh : float
        Surcharge over the day-ahead price for drawing more, and loss against it for drawing less than
        nominated; 0 or more, so that no deviation earns money. [currency/MWh]
    nomination : str
        Name of the profile with the nomination; without one nothing is charged. [-]
    """

    name: str
    up_per_mwh: float
    down_per_mwh: float
    nomination: str = "nomination"

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            up_per_mwh=at_least(0, "currency/MWh"),
            down_per_mwh=at_least(0, "currency/MWh"),
        )

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the surcharge, if anything is nominated (see `Component.terms`)."""
        series = situation.series.get(self.nomination)
        if series is None:
            return ()
        given, values = series.where_given(horizon)
        if not given.any():
            return ()
        return (Deviation("deviation", values, given, self.up_per_mwh, self.down_per_mwh),)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return a line for more and one for less than nominated (see `Component.bill`)."""
        series = situation.series.get(self.nomination)
        if series is None:
            return ()
        given, values = series.where_given(profile.horizon)
        hours = profile.horizon.hours[given]
        apart = profile.power_mw[given] - values[given]
        lines = []
        for label, mwh, rate in (
            ("above the nomination", float(np.sum(hours * np.clip(apart, 0, None))), self.up_per_mwh),
            ("below the nomination", float(np.sum(hours * np.clip(-apart, 0, None))), self.down_per_mwh),
        ):
            lines.append(
                BillLine(
                    self.name,
                    f"energy {label}",
                    mwh,
                    "MWh",
                    rate,
                    mwh * rate,
                    "other",
                    f"energy {label} times the surcharge",
                )
            )
        return tuple(lines)
