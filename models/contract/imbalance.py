"""Imbalance: what a moved megawatt-hour costs after the gate, against the nomination.

Owns the surcharge on deviations, fixed or by published prices. The energy itself is charged by the energy
component; this one adds what buying more, or having bought too much, costs on top of the day-ahead price.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.checks import at_least, check
from models.contract.component import BillLine, Component, Contract, Profile, component_kind, key_name
from models.contract.index import index_of, series_of
from models.contract.primitives import Headroom
from models.contract.term import Fixed, Rate, Term
from models.horizon import Array, Horizon, Mask
from models.pieces import Cost, Declaration, Entry, Rows, Variable
from models.situation import Situation

NOMINATION = "nomination"
"""Name of the profile with what was bought or nominated, where a component names no other. [MW]"""


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
    up_per_mwh, down_per_mwh : float or ndarray
        Surcharge for drawing more and for drawing less, 0 or more. Shape () or (n,). [currency/MWh]
    group : str
        Cost group. [-]
    """

    name: str
    nominated_mw: Array
    nominated: Mask
    up_per_mwh: float | Array
    down_per_mwh: float | Array
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
        """Return the two deviations and their surcharges (see `Term.declare`).

        Raises
        ------
        ValueError
            If a deviation would earn money: the charge is then not convex, and no program can hold it.
        """
        for price in (self.up_per_mwh, self.down_per_mwh):
            earns = np.flatnonzero(np.broadcast_to(np.asarray(price) < 0, len(horizon)) & self.nominated)
            if earns.size:
                when = horizon.local_starts[int(earns[0])].isoformat(timespec="minutes")
                raise ValueError(
                    f"{prefix}: at {when} a deviation would earn money, so no plan can be made by these "
                    "prices (a bill can): plan with prices whose surcharges are at least 0"
                )
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
    most_mw : float, optional
        Greatest deviation that a plan may have, 0 or more; any unless given. A bill does not look at it. [MW]
    """

    name: str
    up_per_mwh: float
    down_per_mwh: float
    nomination: str = NOMINATION
    most_mw: float | None = None

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            up_per_mwh=at_least(0, "currency/MWh"),
            down_per_mwh=at_least(0, "currency/MWh"),
            most_mw=at_least(0, "MW"),
        )

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the surcharge and the limit, if anything is nominated (see `Component.terms`)."""
        series = situation.series.get(self.nomination)
        if series is None:
            return ()
        given, values = series.where_given(horizon)
        if not given.any():
            return ()
        surcharge = Deviation("deviation", values, given, self.up_per_mwh, self.down_per_mwh)
        if self.most_mw is None:
            return (surcharge,)
        least, most = (np.where(given, values + side * self.most_mw, side * np.inf) for side in (-1.0, 1.0))
        meaning = f"import within {self.most_mw:g} MW of the nomination"
        return (surcharge, Headroom("held", least, most, 0.0, meaning))

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


@component_kind("imbalance_prices")
@dataclass(frozen=True)
class ImbalancePrices(Component):
    """Deviations from the nomination, settled at published imbalance prices, single or dual.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    short : str
        Name of the price series paid for drawing more than nominated. [-]
    long : str, optional
        Name of the price series received for drawing less; that of `short` unless given (single price). [-]
    nomination : str
        Name of the profile with the nomination; without one nothing is charged. [MW]
    index : str
        Name of the price series at which the energy component charges all energy. [-]

    Raises
    ------
    InvalidValues
        If the name is no key.

    Notes
    -----
    The energy component charges all energy at the index p; this one adds ``(p_short - p) * more`` and
    ``(p - p_long) * less``. With one price that is linear in the load; with two it is convex where
    ``p_short >= p_long``, and a plan is refused where it is not.
    """

    name: str
    short: str
    long: str | None = None
    nomination: str = NOMINATION
    index: str = "day_ahead"

    def __post_init__(self) -> None:
        check(self, name=key_name())

    def _given(self, horizon: Horizon, situation: Situation) -> tuple[Mask, Array, Array, Array] | None:
        """Where anything is nominated, the nomination, and the surcharges for more and for less."""
        series = situation.series.get(self.nomination)
        if series is None:
            return None
        nominated, values = series.where_given(horizon)
        if not nominated.any():
            return None
        index = index_of(self.name, self.index, situation).on(horizon)
        short = self._price(self.short, nominated, horizon, situation)
        long = self._price(self.long or self.short, nominated, horizon, situation)
        return (
            nominated,
            values,
            np.where(nominated, short - index, 0.0),
            np.where(nominated, index - long, 0.0),
        )

    def _price(self, name: str, nominated: Mask, horizon: Horizon, situation: Situation) -> Array:
        given, values = series_of(self.name, name, situation).where_given(horizon)
        lacking = np.flatnonzero(nominated & ~given)
        if lacking.size:
            at = horizon.local_starts[int(lacking[0])].isoformat(timespec="minutes")
            raise ValueError(
                f"component '{self.name}': '{name}' has no price for {lacking.size} nominated intervals, "
                f"the first at {at}"
            )
        return values

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return a rate, and what the second price adds to it (see `Component.terms`)."""
        found = self._given(horizon, situation)
        if found is None:
            return ()
        nominated, values, more, less = found
        # more * (P - N) everywhere, and (more + less) on what is short of N.
        fixed = -float(np.sum(more * values * horizon.hours))
        terms: list[Term] = [Rate("linear", more, "other"), Fixed("nominated", fixed, "other")]
        if self.long is not None:
            terms.append(Deviation("dual", values, nominated, 0.0, more + less, "other"))
        return tuple(terms)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return a line for more and one for less than nominated (see `Component.bill`)."""
        found = self._given(profile.horizon, situation)
        if found is None:
            return ()
        nominated, values, more, less = found
        apart = np.where(nominated, profile.power_mw - values, 0.0) * profile.horizon.hours
        lines = []
        for label, energy, surcharge in (
            ("above", np.maximum(apart, 0.0), more),
            ("below", np.maximum(-apart, 0.0), less),
        ):
            total, amount = float(np.sum(energy)), float(np.sum(energy * surcharge))
            lines.append(
                BillLine(
                    self.name,
                    f"energy {label} the nomination",
                    total,
                    "MWh",
                    amount / total if total else 0.0,
                    amount,
                    "other",
                    f"sum of energy {label} the nomination x difference of imbalance price and index",
                )
            )
        return tuple(lines)


def with_deviation(contract: Contract, deviation: Imbalance) -> Contract:
    """Return a contract that settles deviations by one component, in place of its own ones.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    deviation : Imbalance
        The surcharges, and the limit if there is one. [-]

    Returns
    -------
    Contract
        The contract. [-]
    """
    others = tuple(c for c in contract.components if not isinstance(c, Imbalance | ImbalancePrices))
    return replace(contract, components=(*others, deviation))


def nominations(contract: Contract) -> tuple[str, ...]:
    """Return the names of the profiles against which a contract settles deviations.

    Parameters
    ----------
    contract : Contract
        The contract. [-]

    Returns
    -------
    tuple of str
        Names, each once. [-]
    """
    parts = [part for part in contract.components if isinstance(part, Imbalance | ImbalancePrices)]
    return tuple(dict.fromkeys(part.nomination for part in parts))
