"""Minimum bill: the charges of other components add up to at least an amount.

Owns the amount and the sum that it is compared with. What the others charge stands in them: their terms and
bills stay as they are, and this component adds what their sum lacks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

import numpy as np

from models.checks import InvalidValues, at_least, between, check, one_of
from models.contract.calendar import LocalMonth
from models.contract.cliff import Sided
from models.contract.component import (
    BillLine,
    Component,
    Profile,
    carried_on,
    component_kind,
    key_name,
)
from models.contract.imbalance import Deviation
from models.contract.periods import Cycle, billing_day_rule, ends_inside
from models.contract.primitives import Headroom
from models.contract.state import Carried
from models.contract.term import Fixed, Rate, Term
from models.contract.totals import term_name
from models.horizon import Array, Horizon
from models.pieces import Cost, Declaration, Entry, Rows, Variable
from models.situation import Situation

SAME_SUM = 1e-9
"""Share by which parts of a charge may miss the whole by rounding."""


@dataclass(frozen=True, eq=False)
class Piece:
    """A term of another component, or the part of it that lies in one billing period.

    Parameters
    ----------
    prefix : str
        Start of the term's keys in the program. [-]
    term : Term
        The term, stated on `horizon`. [-]
    horizon : Horizon
        The intervals of the term: all of the program's, or those of one period. [-]
    first : int
        Position of the first of them in the program. [-]
    """

    prefix: str
    term: Term
    horizon: Horizon
    first: int = 0

    def cost(self, power_mw: Array) -> float:
        """Return the charge of the piece at a profile, on the chosen side of a cliff.

        Parameters
        ----------
        power_mw : ndarray
            Mean import on each interval of the program. Shape (n,). [MW]

        Returns
        -------
        float
            Charge. [currency]
        """
        return self.term.cost(self.horizon, self._own(power_mw))

    def true_cost(self, power_mw: Array) -> float:
        """Return the charge of the piece at a profile, on the side where the profile stands.

        Parameters
        ----------
        power_mw : ndarray
            Mean import on each interval of the program. Shape (n,). [MW]

        Returns
        -------
        float
            Charge. [currency]
        """
        off = self.term.error(self.horizon, self._own(power_mw)) if isinstance(self.term, Sided) else 0.0
        return self.cost(power_mw) + off

    def _own(self, power_mw: Array) -> Array:
        return power_mw[self.first : self.first + len(self.horizon)]


@dataclass(frozen=True, eq=False)
class ShortOfSum(Sided):
    """What a sum of other terms lacks to an amount: max(0, least - sum).

    By itself it is not convex, but with the terms of the sum, which the program charges too, it is
    max(least, sum). So its row holds the very variables that those terms have in the program.

    Parameters
    ----------
    name : str
        Name of the term, with its billing period. [-]
    least : float
        Amount, less what is charged before and after the horizon. [currency]
    pieces : tuple of Piece
        Terms of the sum. [-]
    group : str
        Cost group. [-]
    missing : str
        What a plan must be told before the term can be declared, in words; empty if nothing is missing. Such
        a term charges nothing: it is settled later. [-]
    """

    name: str
    least: float
    pieces: tuple[Piece, ...]
    group: str = "other"
    missing: str = ""

    def _short(self, charged: float) -> float:
        return 0.0 if self.missing else max(self.least - charged, 0.0)

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return what the sum lacks, on the chosen sides of cliffs in it (see `Term.cost`)."""
        return self._short(sum(piece.cost(power_mw) for piece in self.pieces))

    def error(self, horizon: Horizon, power_mw: Array) -> float:
        """Return what the sum truly lacks, less what it lacks on the chosen sides (see `Sided.error`)."""
        true = self._short(sum(piece.true_cost(power_mw) for piece in self.pieces))
        return true - self.cost(horizon, power_mw)

    def sunk(self) -> float:
        """Return what the sum lacks where nothing is drawn. [currency]."""
        power = np.zeros(max((p.first + len(p.horizon) for p in self.pieces), default=0))
        return self._short(sum(piece.true_cost(power) for piece in self.pieces))

    def with_ramps(self, ramp_mwh: Array) -> ShortOfSum:
        """Return the same with the energy of ramps in the sum (see `Term.with_ramps`)."""
        pieces = tuple(
            replace(p, term=p.term.with_ramps(ramp_mwh[p.first : p.first + len(p.horizon)]))
            for p in self.pieces
        )
        return replace(self, pieces=pieces)

    def exact_on(self, horizon: Horizon, prefix: str, power_mw: Array) -> dict[str, Array]:
        """Return what the sum lacks at a profile (see `Term.exact_on`)."""
        return {f"{prefix}_short": np.array([self.cost(horizon, power_mw)])}

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return what the sum lacks as a variable, 0 or more (see `Term.declare`).

        Raises
        ------
        ValueError
            If something is missing that only a longer plan can tell, or a side of a cliff is not chosen.
        """
        if self.missing:
            raise ValueError(self.missing)
        key = f"{prefix}_short"
        constant, found = 0.0, dict[str, Array]()
        for piece in self.pieces:
            constant += piece.term.sunk()
            for cost in piece.term.declare(piece.horizon, piece.prefix, meter).costs:
                constant += cost.constant
                summed = np.zeros(max(piece.first + len(cost.coefficient), len(found.get(cost.variable, ()))))
                summed[piece.first : piece.first + len(cost.coefficient)] = cost.coefficient
                before = found.get(cost.variable, np.zeros(0))
                summed[: len(before)] += before
                found[cost.variable] = summed
        zero = np.zeros(1, dtype=np.int64)
        entries = [Entry(key, zero, zero, np.ones(1))]
        for variable, coefficient in found.items():
            at = np.flatnonzero(coefficient)
            if len(at):
                entries.append(Entry(variable, np.zeros(len(at), dtype=np.int64), at, coefficient[at]))
        return Declaration(
            variables=(
                Variable(
                    key,
                    "currency",
                    np.zeros(1),
                    np.full(1, np.inf),
                    labels=(self.name,),
                    meaning=f"what the charges lack to the minimum {self.name}",
                ),
            ),
            rows=(
                Rows(
                    f"{key}_is",
                    "currency",
                    tuple(entries),
                    np.array([self.least - constant]),
                    np.full(1, np.inf),
                    labels=(self.name,),
                    breakable=False,
                    meaning=f"charges and what they lack are at least the minimum {self.name}",
                ),
            ),
            costs=(Cost(prefix, self.group, key, np.ones(1), constant=-self.sunk()),),
        )


@component_kind("minimum_bill")
@dataclass(frozen=True)
class MinimumBill(Component):
    """A least sum of the charges of other components over a month or year.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    least : float
        Least sum of a whole period, 0 or more. [currency]
    per_mw : float
        What is added to it for each MW of contracted capacity, 0 or more. [currency/MW]
    contracted_mw : float
        Contracted capacity, 0 or more. [MW]
    of : tuple of str
        Components whose charges count; all others unless given, for a year with the minimum bills of its
        months. [-]
    per : str
        'month' or 'year': the period of the sum. [-]
    billing_day, first_month : int
        When a billing period begins: day of the month, 1 to 28, and month of a year. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule, or there is no minimum.

    Notes
    -----
    ``charge = max(0, least + per_mw * contracted_mw - S)`` with S the sum of what the others charge for the
    period, before rounding and tax; settled on the bill on which the period ends. A site at its minimum pays
    nothing for a MWh more, until the sum is reached.

    Charges of earlier bills of the period come from the state of the bill, and so must those that are
    expected after the horizon where it ends inside the period: without them no plan can be made, because what
    a MWh costs then hangs on them. What may not count: components paid by the tonne made, a charge with other
    periods than the minimum's (a year's peak in a month's sum), a contracted capacity that the plan
    chooses, and, where a horizon or profile has time in several periods, charges that cannot be parted
    between them exactly. Each is refused, none is approximated.
    """

    name: str
    least: float = 0.0
    per_mw: float = 0.0
    contracted_mw: float = 0.0
    of: tuple[str, ...] = ()
    per: Literal["month", "year"] = "month"
    billing_day: int = 1
    first_month: int = 1
    # Set by `beside` on the instance; no key of a contract file, so no field.
    others: ClassVar[tuple[Component, ...]] = ()

    def __post_init__(self) -> None:
        check(
            self,
            name=key_name(),
            least=at_least(0, "currency"),
            per_mw=at_least(0, "currency/MW"),
            contracted_mw=at_least(0, "MW"),
            per=one_of("month", "year"),
            billing_day=billing_day_rule(),
            first_month=between(1, 12),
        )
        if self._least <= 0.0:
            text = "'least' or 'per_mw' with 'contracted_mw' must be above 0: there is no minimum"
            raise InvalidValues([("least", text)])

    @property
    def _least(self) -> float:
        return self.least + self.per_mw * self.contracted_mw

    @property
    def _cycle(self) -> Cycle:
        return Cycle(self.per, self.billing_day, self.first_month)

    # ------------------------------------------------------------------------------ the others

    def _may_count(self, part: Component) -> bool:
        return not isinstance(part, MinimumBill) or (self.per == "year" and part.per == "month")

    def _counted(self, components: Iterable[Component]) -> list[Component]:
        if self.of:
            return [part for part in components if part.name in self.of and part.name != self.name]
        return [part for part in components if part.name != self.name and self._may_count(part)]

    def beside(self, components: tuple[Component, ...]) -> MinimumBill:
        """Return the same with the components that count (see `Component.beside`)."""
        bound = replace(self)
        others = tuple(part.beside(components) for part in self._counted(components) if self._may_count(part))
        object.__setattr__(bound, "others", others)
        return bound

    def misfits(self, components: tuple[Component, ...]) -> tuple[tuple[str, str], ...]:
        """Return the components that cannot count, each with the reason (see `Component.misfits`)."""
        names = [part.name for part in components]
        found = []
        for name in self.of:
            if name == self.name or name not in names:
                known = ", ".join(f"'{other}'" for other in names if other != self.name)
                found.append(f"'of' must name other components of the contract, {known} (got '{name}')")
        for part in self._counted(components):
            reason = self._reason_against(part)
            if reason:
                found.append(f"the minimum cannot count '{part.name}', {reason}; name in 'of' what counts")
        if not found and not self._counted(components):
            found.append("a minimum bill needs another component whose charges count")
        return tuple(("of", text) for text in found)

    def _reason_against(self, part: Component) -> str:
        if not self._may_count(part):
            return "a minimum bill of the same or of a longer period"
        if type(part).output_rates is not Component.output_rates:
            return "which is paid by the tonne made"
        if getattr(part, "contracted_range_mw", None) is not None:
            return "whose contracted capacity is chosen over all periods of a plan"
        cycle = part.cycle
        if cycle is None:
            return ""
        per, day, month = cycle
        if per == "year" and self.per == "month":
            return "which is charged by the year"
        same = day == self.billing_day and (per == "month" or month == self.first_month)
        return "" if same else "whose billing periods begin on another day"

    # ------------------------------------------------------------------------------ terms

    @property
    def cycle(self) -> tuple[str, int, int]:
        """The period of the sum (see `Component.cycle`). [-]."""
        return (self.per, self.billing_day, self.first_month)

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return what the sum of each period lacks (see `Component.terms`)."""
        spans = _spans(self.name, horizon, self._cycle)
        pieces = self._pieces(horizon, situation, spans)
        terms = []
        for (period, _, _), inside in zip(spans, pieces, strict=True):
            key = (self.name, period.label)
            rest = situation.state.rest_charged.get(key)
            finished = ends_inside(horizon, period)
            missing = (
                ""
                if finished or rest is not None
                else f"component '{self.name}' is a minimum of the charges of {period.label}, of which the "
                "horizon is a part: give 'rest_charged', the charges expected after the horizon, in the "
                f"state of the bill (component '{self.name}', period '{period.label}')"
            )
            outside = situation.state.charged.get(key, 0.0) + (0.0 if finished or rest is None else rest)
            terms.append(ShortOfSum(term_name(period), self._least - outside, tuple(inside), missing=missing))
        return tuple(terms)

    def _pieces(
        self, horizon: Horizon, situation: Situation, spans: list[tuple[LocalMonth, int, int]]
    ) -> list[list[Piece]]:
        """Return the others' terms by period; those that go over several are parted by their intervals."""
        whole = {
            (part.name, term.name): Piece(f"{part.name}_{term.name}", term, horizon)
            for part in self.others
            for term in part.terms(horizon, situation)
        }
        if len(spans) == 1:
            return [list(whole.values())]
        parted = []
        for _, first, end in spans:
            inside = _part_of(horizon, first, end)
            parted.append(
                {
                    (part.name, term.name): Piece(f"{part.name}_{term.name}", term, inside, first)
                    for part in self.others
                    for term in part.terms(inside, situation)
                }
            )
        times = Counter(key for period in parted for key in period)
        for key, piece in whole.items():
            if times[key] == 1:
                continue
            each = [period[key] for period in parted if key in period]
            # What the load does not change must add up as well; prices on intervals do by themselves.
            apart = sum(p.cost(np.zeros(len(horizon))) for p in each) - piece.cost(np.zeros(len(horizon)))
            splits = isinstance(piece.term, Rate | Deviation | Fixed | Headroom)
            if not each or not splits or not _same(apart, each):
                raise ValueError(
                    f"component '{self.name}' cannot part '{piece.prefix}' between the billing periods "
                    f"{', '.join(period.label for period, _, _ in spans)}, in all of which the horizon has "
                    "time: plan each period by itself, or leave that component out of 'of'"
                )
        return [
            [whole[key] if times[key] == 1 else piece for key, piece in period.items()] for period in parted
        ]

    # ------------------------------------------------------------------------------ bill

    def sums(self, profile: Profile, situation: Situation, finished_only: bool = False) -> dict[str, float]:
        """Return the sum of the others' bills for a profile in each period.

        Parameters
        ----------
        profile : Profile
            Metered load. [-]
        situation : Situation
            Prices, and the state of the billing periods before the profile. [-]
        finished_only : bool
            Whether to leave out bills that a later one states anew, because their own period goes on. [-]

        Returns
        -------
        dict
            Sum by label of the period, without what was charged before the profile. [currency]

        Raises
        ------
        ValueError
            If a bill cannot be parted between the periods of the profile.
        """
        horizon = profile.horizon
        sums = {period.label: 0.0 for period in self._cycle.periods(horizon)}
        for part in self.others:
            yearly = part.cycle is not None and part.cycle[0] == "year"
            cycle = self._cycle if yearly else Cycle("month", self.billing_day)
            now, total = situation, 0.0
            spans = _spans(self.name, horizon, cycle)
            for period, first, end in spans:
                inside = _profile_part(profile, first, end)
                amount = sum(line.amount for line in part.bill(inside, now))
                now = carried_on((part,), inside, now)
                total += amount
                if not (finished_only and part.restates and not ends_inside(horizon, period)):
                    (own, *_) = self._cycle.periods(inside.horizon)
                    sums[own.label] += amount
            if len(spans) > 1:
                at_once = sum(line.amount for line in part.bill(profile, situation))
                if abs(total - at_once) > 1e-4 + SAME_SUM * abs(at_once):
                    raise ValueError(
                        f"component '{self.name}' cannot part the bill of '{part.name}' between "
                        f"{spans[0][0].label} and {spans[-1][0].label} (parts {total:,.2f}, whole "
                        f"{at_once:,.2f}): bill each period by itself, or leave that component out of 'of'"
                    )
        return sums

    def charged(self, profile: Profile, situation: Situation) -> tuple[Carried, ...]:
        """Return what the others charge in each period (see `Component.charged`)."""
        sums: Mapping[str, float] = self.sums(profile, situation, finished_only=True)
        return tuple(Carried(label, charged=amount) for label, amount in sums.items())

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for each period that ends in the profile (see `Component.bill`)."""
        ending = [p for p in self._cycle.periods(profile.horizon) if ends_inside(profile.horizon, p)]
        if not ending:
            return ()
        sums = self.sums(profile, situation, finished_only=False)
        lines = []
        for period in ending:
            charged = situation.state.charged.get((self.name, period.label), 0.0) + sums[period.label]
            short = max(self._least - charged, 0.0)
            lines.append(
                BillLine(
                    self.name,
                    f"minimum bill of {period.label}",
                    short,
                    "currency",
                    1.0,
                    short,
                    "other",
                    f"{self._least:,.2f} less the {charged:,.2f} charged for the {self.per} by "
                    f"{', '.join(part.name for part in self.others)}, at least 0",
                )
            )
        return tuple(lines)


def _same(apart: float, each: list[Piece]) -> bool:
    size = sum(abs(p.cost(np.zeros(p.first + len(p.horizon)))) for p in each)
    return abs(apart) <= 1e-6 + SAME_SUM * size


def _spans(name: str, horizon: Horizon, cycle: Cycle) -> list[tuple[LocalMonth, int, int]]:
    """Return the billing periods of a horizon, each with the positions of its first interval and its end."""
    found = []
    ends = horizon.starts_min + horizon.lengths_min
    for period in cycle.periods(horizon):
        first = int(np.searchsorted(horizon.starts_min, period.start_min))
        end = int(np.searchsorted(horizon.starts_min, period.end_min))
        if ends[end - 1] > period.end_min:
            when = horizon.local_starts[end - 1].isoformat(timespec="minutes")
            raise ValueError(
                f"component '{name}': the interval from {when} lies in two billing periods, so that its "
                "charge cannot be parted: use intervals that end with the local day"
            )
        found.append((period, first, end))
    return found


def _part_of(horizon: Horizon, first: int, end: int) -> Horizon:
    starts, lengths = horizon.starts_min[first:end], horizon.lengths_min[first:end]
    plan = min(max(horizon.plan_intervals - first, 1), end - first)
    return Horizon(starts, lengths, horizon.timezone, plan, horizon.shifts)


def _profile_part(profile: Profile, first: int, end: int) -> Profile:
    def cut(values: Array | None) -> Array | None:
        return None if values is None else values[first:end]

    return Profile(
        _part_of(profile.horizon, first, end),
        profile.power_mw[first:end],
        cut(profile.reactive_mvar),
        {name: made[first:end] for name, made in profile.made_per_h.items()},
        cut(profile.ramp_mwh),
    )
