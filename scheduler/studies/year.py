"""A year for one site under one contract, as a chain of windows.

Owns the windows (a billing month and a look-ahead), what is carried from one to the next (stocks, loads and
rates at the joint, peaks and totals of the bill) and the result: the kept parts put together, simulated
and billed as one year. A search outside the windows stands in `scheduler.studies.annual`.

Whole steps, counted changes and calming belong to the plan of a day and are left out of a study.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.contract.cliff import Sided
from models.contract.component import Contract, Profile
from models.contract.minimum import MinimumBill
from models.horizon import Array, Horizon, Integers
from models.pieces import Rows
from models.site import Site
from models.situation import Situation
from scheduler.audit import audit
from scheduler.cuts import Found, SearchOptions
from scheduler.direct import written
from scheduler.errors import SolverError
from scheduler.exact import absolute_energy_cost, exact_values
from scheduler.highs import Arrays, Solver
from scheduler.lp import Formulation, Program, formulate
from scheduler.plan import Planner, PlanOptions, missed
from scheduler.result import Audit, Miss, Status

LOOK_AHEAD_DAYS = 7
"""Days that a window looks beyond what it keeps in intervals that still tell night from day. [d]"""
LOOK_AHEAD_MINUTES = 240
"""Length of an interval of those days. [min]"""
FAR_DAYS = 30
"""Days that a window looks beyond those: more than the largest tanks last. [d]"""
FAR_MINUTES = 1440
"""Length of an interval of those days: enough to tell what a stock at the joint is worth. [min]"""
GUIDE_MINUTES = 1440
"""Length of an interval of the program of the whole time, with whose stocks windows end. [min]"""
GUIDE_TANGENTS = 5
"""Tangents per curve in that program. [-]"""
GUIDE_GAP = 1e-3
"""Gap of that program. [-]"""
STUDY_TANGENTS = 14
"""Tangents per curve and interval of a window: as few as mostly meet the gap in one solve. [-]"""
STUDY_GAP = 1e-4
"""Target gap of a window: far below what voltage models are good for, and one solve is mostly enough."""
STUDY_SEARCH = SearchOptions(gap=STUDY_GAP, branch=False, aim_share=1.0)
"""When the search in a window stops: nothing comes after it that needs room within the gap."""
PLAN_INTERVALS = 1
"""Intervals that count as a plan day. What is planned for people (ramps inside an interval, steps, changes)
belongs there; in a study loads are what they are on the mean, as in the look-ahead of a plan. [-]"""
JOINT_TOLERANCE = 2e-8
"""How far a row over a joint may be off, as a share of its size: what is before the joint is rounded."""
LEVEL_TOLERANCE = 1e-6
"""How far, as a share of its limits, a level at a joint may be outside them by rounding."""


View = Callable[[Situation, tuple[int, int, int]], Situation]
"""What is known to a window: from its situation and span to the situation it plans with."""


@dataclass(frozen=True)
class YearOptions:
    """How a year is cut into windows and solved.

    Parameters
    ----------
    look_ahead_days : int
        Days that a window looks beyond what it keeps, 0 or more. [d]
    look_ahead_minutes : int
        Length of an interval of the look-ahead, at least that of what is kept. [min]
    kept_days : int, optional
        Days that a window keeps; a local calendar month unless given. [d]
    search : SearchOptions
        When the search in a window stops. [-]
    tangents : int
        Tangents per curve and interval in the first program. [-]
    constant_loads : bool
        Whether each circuit stays at one load for a whole window (one for each state of its equipment). [-]
    far_days : int
        Days that a window looks beyond its look-ahead, 0 or more. [d]
    far_minutes : int
        Length of an interval of those days. [min]
    guide_minutes : int
        Length of an interval of the program of the whole time whose stocks windows end with; 0 for none, so
        that windows end with what the site asks for at the end of a horizon. [min]
    """

    look_ahead_days: int = LOOK_AHEAD_DAYS
    look_ahead_minutes: int = LOOK_AHEAD_MINUTES
    kept_days: int | None = None
    search: SearchOptions = STUDY_SEARCH
    tangents: int = STUDY_TANGENTS
    constant_loads: bool = False
    far_days: int = FAR_DAYS
    far_minutes: int = FAR_MINUTES
    guide_minutes: int = GUIDE_MINUTES


@dataclass(frozen=True)
class WindowResult:
    """What one window gave.

    Parameters
    ----------
    label : str
        First day of the window, 'YYYY-MM-DD'. [-]
    status : Status
        Kind of result. [-]
    cost, bound, denominator : float
        Exact cost, lower bound and gap's denominator of the window with its look-ahead. [currency]
    rounds : int
        Solves. [-]
    """

    label: str
    status: Status
    cost: float
    bound: float
    denominator: float
    rounds: int

    @property
    def gap(self) -> float:
        """(cost - bound) / denominator. [-]."""
        return (self.cost - min(self.bound, self.cost)) / self.denominator


@dataclass(frozen=True, eq=False)
class YearRun:
    """A planned year, simulated and billed as one.

    Parameters
    ----------
    formulation : Formulation
        Records of the whole year. [-]
    status : Status
        Worst kind of result of any window; a plan where only a look-ahead was short. [-]
    audit : Audit
        Exact simulation of the year. [-]
    misses : tuple of Miss
        Duties not met. [-]
    denominator : float
        Sum of absolute energy charges. [currency]
    windows : tuple of WindowResult
        The windows in order. [-]
    solver_seconds : float
        Time inside the solver. [s]
    seconds : float
        Wall time. [s]
    """

    formulation: Formulation
    status: Status
    audit: Audit
    misses: tuple[Miss, ...]
    denominator: float
    windows: tuple[WindowResult, ...]
    solver_seconds: float
    seconds: float

    @property
    def import_mw(self) -> Array:
        """Metered import. Shape (n,). [MW]."""
        return self.audit.values[self.formulation.site.meter]

    @property
    def made_per_h(self) -> dict[str, Array]:
        """What units make, by commodity. Each shape (n,). [t/h]."""
        made: dict[str, Array] = {}
        for (_, commodity), flow in self.audit.flows.items():
            made[commodity] = made.get(commodity, np.zeros(len(flow))) + np.maximum(flow, 0.0)
        return made

    @property
    def total(self) -> float:
        """Cost of the year with its whole bill, on the sides of cliffs that it reached. [currency]."""
        return self.audit.cost + self.audit.sunk + self.jump

    @property
    def jump(self) -> float:
        """What the sides reached cost more than those it was planned on; 0 on its own sides. [currency]."""
        horizon = self.formulation.horizon
        cliffs = (term for _, term in self.formulation.terms if isinstance(term, Sided))
        return sum(term.error(horizon, self.import_mw) for term in cliffs)

    @property
    def bill_amount(self) -> float:
        """Sum of the bill's lines, not rounded. [currency]."""
        return sum(line.amount for line in self.audit.bill)


def year_horizon(
    site: Site, first_minute: int, end_minute: int, minutes: int = 60, like: Horizon | None = None
) -> Horizon:
    """Return the intervals of a long time.

    Parameters
    ----------
    site : Site
        The works, for the zone of its days. [-]
    first_minute, end_minute : int
        From when to when, since the epoch. [min]
    minutes : int
        Length of an interval. [min]
    like : Horizon, optional
        Horizon whose shifts hold. [-]

    Returns
    -------
    Horizon
        The intervals. [-]
    """
    starts = np.arange(first_minute, end_minute, minutes, dtype=np.int64)
    lengths = np.full(len(starts), minutes, dtype=np.int64)
    whole = Horizon(starts, lengths, site.timezone, PLAN_INTERVALS)
    return whole if like is None else replace(whole, shifts=like.shifts)


def cut(horizon: Horizon, first: int, end: int) -> Horizon:
    """Return a part of a horizon.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    first, end : int
        Positions [first, end). [-]

    Returns
    -------
    Horizon
        The part. [-]
    """
    starts, lengths = horizon.starts_min[first:end], horizon.lengths_min[first:end]
    return Horizon(starts, lengths, horizon.timezone, PLAN_INTERVALS, horizon.shifts)


def with_look_ahead(horizon: Horizon, first: int, end: int, last: int, options: YearOptions) -> Horizon:
    """Return a part of a horizon with a look-ahead in longer intervals.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    first, end, last : int
        Positions: the part is [first, end), its look-ahead [end, last). [-]
    options : YearOptions
        Lengths of intervals of the look-ahead; what does not fill a day with them keeps its own. [-]

    Returns
    -------
    Horizon
        The part and its look-ahead. [-]
    """
    days = _ordinals(horizon)
    near = min(int(np.searchsorted(days, days[end - 1] + 1 + options.look_ahead_days)), last)
    starts, lengths = _in_long_intervals(horizon, end, near, options.look_ahead_minutes)
    far_starts, far_lengths = _in_long_intervals(horizon, near, last, options.far_minutes)
    return Horizon(
        np.concatenate([horizon.starts_min[first:end], starts, far_starts]),
        np.concatenate([horizon.lengths_min[first:end], lengths, far_lengths]),
        horizon.timezone,
        PLAN_INTERVALS,
        horizon.shifts,
    )


def in_long_intervals(horizon: Horizon, minutes: int) -> Horizon:
    """Return the same time in longer intervals.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    minutes : int
        Length of an interval; what does not fill a day with them keeps its own. [min]

    Returns
    -------
    Horizon
        The time. [-]
    """
    starts, lengths = _in_long_intervals(horizon, 0, len(horizon), minutes)
    return Horizon(starts, lengths, horizon.timezone, PLAN_INTERVALS, horizon.shifts)


def _in_long_intervals(horizon: Horizon, first: int, last: int, minutes: int) -> tuple[Integers, Integers]:
    days = _ordinals(horizon)[first:last]
    starts: list[Integers] = [np.zeros(0, dtype=np.int64)]
    lengths: list[Integers] = [np.zeros(0, dtype=np.int64)]
    for position in np.flatnonzero(np.diff(days, prepend=-1)):
        at = first + int(position)
        length = int(horizon.lengths_min[at])
        whole, rest = divmod(int(np.sum(days == days[position])) * length, max(minutes, length))
        own = np.array([max(minutes, length)] * whole + [length] * (rest // length), dtype=np.int64)
        lengths.append(own)
        starts.append(horizon.starts_min[at] + np.cumsum(own) - own)
    return np.concatenate(starts), np.concatenate(lengths)


def spans(horizon: Horizon, options: YearOptions) -> tuple[tuple[int, int, int], ...]:
    """Return where windows begin, where what they keep ends, and where they end.

    Parameters
    ----------
    horizon : Horizon
        The whole time. [-]
    options : YearOptions
        How it is cut. [-]

    Returns
    -------
    tuple of (int, int, int)
        Positions of intervals: first, first of the next window, end of the look-ahead. [-]
    """
    days = _ordinals(horizon)
    if options.kept_days is None:
        groups = np.unique(np.array(horizon.months), return_inverse=True)[1]
    else:
        groups = (days - days[0]) // options.kept_days
    firsts = np.flatnonzero(np.diff(groups, prepend=-1))
    ends = np.append(firsts[1:], len(horizon))
    ahead = options.look_ahead_days + options.far_days
    looks = np.searchsorted(days, days[ends - 1] + 1 + ahead)
    return tuple((int(a), int(b), int(c)) for a, b, c in zip(firsts, ends, looks, strict=True))


def _ordinals(horizon: Horizon) -> Integers:
    """Return the number of the local day of each interval."""
    return np.array([day.toordinal() for day in horizon.days], dtype=np.int64)


@dataclass(frozen=True, eq=False)
class _Joint:
    """Rows of the whole year that tie intervals on both sides of a joint.

    `before` and `after` hold (row, key, interval, coefficient) as arrays by variable.
    """

    lower: Array
    upper: Array
    before: tuple[tuple[str, Integers, Integers, Array], ...]
    after: tuple[tuple[str, Integers, Integers, Array], ...]


class WindowPlanner(Planner):
    """A planner of one window: its program is written as arrays and tied to what came before.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        The intervals of the window. [-]
    situation : Situation
        What is known at its start. [-]
    options : YearOptions
        How it is solved. [-]
    """

    def __init__(self, site: Site, horizon: Horizon, situation: Situation, options: YearOptions) -> None:
        self._tangents = options.tangents
        self._constant = options.constant_loads
        self._ties: list[tuple[float, float, list[int], list[float]]] = []
        self._tied: range = range(0)
        super().__init__(site, horizon, situation, PlanOptions(options.search, compare=False))

    def _written(self, elastic: bool) -> tuple[Program, Arrays]:
        if elastic:
            return super()._written(elastic)
        with self._timed("build"):
            return written(self.formulation, self._tangents)

    def _load(self, elastic: bool) -> None:
        super()._load(elastic)
        if self._constant:
            self.solver.add_rows(self._one_load())
        self._tied = self.solver.add_rows(self._ties)

    def _one_load(self) -> list[tuple[float, float, list[int], list[float]]]:
        """Return rows that hold each circuit at one load for each range of its loads."""
        rows: list[tuple[float, float, list[int], list[float]]] = []
        for load in self._circuit_loads():
            first = self.solver.columns[load.key].start
            leaders: dict[tuple[float, float], int] = {}
            for t, limits in enumerate(zip(load.lower.tolist(), load.upper.tolist(), strict=True)):
                leader = leaders.setdefault(limits, t)
                if leader != t:
                    rows.append((0.0, 0.0, [first + t, first + leader], [1.0, -1.0]))
        return rows

    def tie(self, rows: Sequence[tuple[float, float, list[int], list[float]]]) -> None:
        """Tie the window to what came before it, in place of older ties.

        Parameters
        ----------
        rows : sequence of (lower, upper, columns, coefficients)
            The rows. [-]
        """
        same = len(rows) == len(self._ties) and all(
            a[2] == b[2] and a[3] == b[3] for a, b in zip(rows, self._ties, strict=True)
        )
        self._ties = list(rows)
        if same:
            self.solver.set_row_bounds(
                np.array(self._tied), np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
            )
            return
        self.solver.free_rows(self._tied)
        self._tied = self.solver.add_rows(self._ties)


@dataclass(frozen=True, eq=False)
class _Guide:
    """Stocks of a plan of the whole time in long intervals, by unit, at the ends of those intervals."""

    ends_min: Integers
    levels_t: Mapping[str, Array]

    def at(self, minute: int) -> dict[str, float]:
        return {name: float(np.interp(minute, self.ends_min, level)) for name, level in self.levels_t.items()}


class Chain:
    """The windows of one site, one contract and one time, kept so that a second run changes them in place.

    Parameters
    ----------
    site : Site
        The works, orders included. [-]
    horizon : Horizon
        The whole time. [-]
    situation : Situation
        What is known at its start. [-]
    options : YearOptions, optional
        How it is cut and solved. [-]
    """

    def __init__(
        self, site: Site, horizon: Horizon, situation: Situation, options: YearOptions | None = None
    ) -> None:
        self.options = options or YearOptions()
        self.whole = formulate(site, horizon, replace(situation, peak_targets_mw={}))
        self.spans = spans(horizon, self.options)
        self._joints = {a: _joint(self.whole, a) for a, _, _ in self.spans if a}
        self._planners: dict[int, WindowPlanner] = {}
        self._levels = stock_levels(site)
        self._guide_seconds = 0.0

    def run(self, situation: Situation, rest_mw: Array | None = None, known: View | None = None) -> YearRun:
        """Plan all windows, one after another, and audit and bill them as one.

        Parameters
        ----------
        situation : Situation
            What is known at the start; targets and chosen cases hold in every window. [-]
        rest_mw : ndarray, optional
            Import that is expected, of which each window takes what comes after it as given, for totals of
            a whole period. Shape (n,). [MW]
        known : callable, optional
            What a window may know: takes its situation and its span (first, end of what it keeps, end of its
            look-ahead) and returns the situation to plan with. The bill knows what came true. [-]

        Returns
        -------
        YearRun
            The year. [-]

        Raises
        ------
        SolverError
            If a window has no usable answer.
        """
        start, solver_before = time.perf_counter(), self._solver_seconds()
        whole = self.whole.horizon
        guide = self._guide(situation) if known is None else None
        values = _empty(self.whole)
        now, results = situation, []
        for first, end, last in self.spans:
            horizon = with_look_ahead(whole, first, end, last, self.options)
            here = self._expecting(now, rest_mw, first, last)
            if guide is not None and last < len(whole):
                here = replace(here, end_stocks={**here.end_stocks, **guide.at(horizon.end_min)})
            here = here if known is None else known(here, (first, end, last))
            found, result = self._window(first, horizon, here, values)
            results.append(result)
            window = self._planners[first].formulation
            exact = exact_values(window, found.raw)
            _keep(self.whole, window, exact, values, first, end)
            if end < len(whole):
                kept = Profile(cut(whole, first, end), exact[self._meter][: end - first])
                now = self.whole.site.contract.after(kept, now)
                now = replace(now, stocks=self._stocks(window, exact, end - first))
        # The bill of the year is that of its own load: no target, expectation or window enters it.
        billed = replace(situation, peak_targets_mw={})
        year = self.whole
        if billed.series is not year.situation.series or billed.state != year.situation.state:
            year = formulate(self.whole.site, whole, billed)
        audited = audit(year, values)
        misses = missed(year, audited)
        status = _worst([result.status for result in results])
        if status in (Status.MISSES, Status.NOT_A_PLAN) and not misses and not audited.violations:
            status = Status.PLAN
        return YearRun(
            year,
            status,
            audited,
            misses,
            absolute_energy_cost(year, audited.values),
            tuple(results),
            self._solver_seconds() - solver_before,
            time.perf_counter() - start,
        )

    def _guide(self, situation: Situation) -> _Guide | None:
        """Return the stocks of a plan of the whole time in long intervals; None where no window needs it.

        What a window has in store at its end would else be what the site asks for, month after month, and a
        store that is filled in cheap months and emptied in dear ones would be of no use.
        """
        options = self.options
        if not options.guide_minutes or options.constant_loads or self.spans[0][2] == len(self.whole.horizon):
            return None
        horizon = in_long_intervals(self.whole.horizon, options.guide_minutes)
        search = replace(options.search, gap=GUIDE_GAP, branch=False)
        whole = YearOptions(kept_days=len(horizon), search=search, tangents=GUIDE_TANGENTS)
        run = Chain(self.whole.site, horizon, situation, whole).run(situation)
        self._guide_seconds += run.solver_seconds
        levels = {unit: run.audit.values[key] for unit, key in self._levels.items()}
        return _Guide(horizon.starts_min + horizon.lengths_min, levels)

    @property
    def _meter(self) -> str:
        return self.whole.site.meter

    def _solver_seconds(self) -> float:
        return self._guide_seconds + sum(planner.solver.run_seconds for planner in self._planners.values())

    def _window(
        self, first: int, horizon: Horizon, situation: Situation, values: Mapping[str, Array]
    ) -> tuple[Found, WindowResult]:
        planner = self._planners.get(first)
        if planner is None:
            planner = WindowPlanner(self.whole.site, horizon, situation, self.options)
            self._planners[first] = planner
        else:
            planner.revise(situation)
        if first and not self.options.constant_loads:
            planner.tie(_ties(self._joints[first], planner.formulation, planner.solver, values, first))
        label = horizon.days[0].isoformat()
        try:
            found, status = planner.least_cost()
        except SolverError as error:
            raise SolverError(f"the window from {label}: {error}") from error
        planner.solver.rest()
        scale = absolute_energy_cost(planner.formulation, found.values)
        return found, WindowResult(label, status, found.cost, found.bound, scale, found.rounds)

    def _expecting(self, situation: Situation, rest_mw: Array | None, first: int, last: int) -> Situation:
        """Return a situation with what is expected between the window's end and the end of the year."""
        whole = self.whole.horizon
        if rest_mw is None or last >= len(whole):
            return replace(situation, state=replace(situation.state, rest_mwh={}, rest_charged={}))
        rest = Profile(cut(whole, last, len(whole)), rest_mw[last:])
        drawn = self.whole.site.contract.after(rest, Situation(series=situation.series)).state.energy_mwh
        # A peak of the month in which the window ends counts once: the rest is what it adds to the bill.
        contract = self.whole.site.contract
        window, all_ = (
            _charged(contract, Profile(cut(whole, first, end), rest_mw[first:end]), situation)
            for end in (last, len(whole))
        )
        charged = {key: amount - window.get(key, 0.0) for key, amount in all_.items()}
        return replace(situation, state=replace(situation.state, rest_mwh=drawn, rest_charged=charged))

    def _stocks(self, window: Formulation, exact: Mapping[str, Array], end: int) -> dict[str, float]:
        """Return the levels at a joint; what rounding put outside the limits is put on them."""
        stocks = {stock.key: stock for stock in window.declaration.stocks}
        found = {}
        for unit, key in self._levels.items():
            level, stock = float(exact[key][end - 1]), stocks[key]
            low, high = float(stock.lower.max()), float(stock.upper.min())
            room = LEVEL_TOLERANCE * max(abs(low), abs(high), 1.0)
            inside = min(max(level, low), high)
            found[unit] = inside if abs(level - inside) <= room else level
        return found


def _charged(contract: Contract, profile: Profile, situation: Situation) -> dict[tuple[str, str], float]:
    """Return what minimum bills would count of a profile, bills that a later one states anew included."""
    return {
        (part.name, label): amount
        for part in contract.components
        if isinstance(part, MinimumBill)
        for label, amount in part.sums(profile, situation).items()
    }


def stock_levels(site: Site) -> dict[str, str]:
    """Return the key of the level of each stock by the name under which its start is given.

    Parameters
    ----------
    site : Site
        The works. [-]

    Returns
    -------
    dict
        Key of the level by name. [-]
    """
    return {name: f"{name}_level" for unit in site.units for name in unit.initial_stocks()}


def _worst(found: Sequence[Status]) -> Status:
    order = (Status.PLAN, Status.SOLVER_LIMIT, Status.MISSES, Status.NOT_A_PLAN)
    return max(found, key=order.index)


def interval_places(formulation: Formulation) -> dict[str, Integers]:
    """Return the intervals on which each variable, curve result and level lives.

    Parameters
    ----------
    formulation : Formulation
        Records. [-]

    Returns
    -------
    dict
        Positions of intervals by key; none for variables by label. [-]
    """
    everywhere = np.arange(len(formulation.horizon))
    records = formulation.declaration
    places = {v.key: v.intervals for v in records.variables if v.intervals is not None}
    places |= {curve.key: everywhere for curve in records.curves}
    return places | {stock.key: everywhere for stock in records.stocks}


def _empty(formulation: Formulation) -> dict[str, Array]:
    records = formulation.declaration
    n = len(formulation.horizon)
    values = {v.key: np.zeros(v.size) for v in records.variables}
    values |= {curve.key: np.zeros(n) for curve in records.curves}
    return values | {stock.key: np.zeros(n) for stock in records.stocks}


def _keep(
    whole: Formulation,
    window: Formulation,
    exact: Mapping[str, Array],
    values: dict[str, Array],
    first: int,
    end: int,
) -> None:
    """Write what a window keeps into the values of the year.

    A value by label (a day's total, the last level) is written by every window that has it; the last one
    that does is the one that keeps it.
    """
    here, there = interval_places(window), interval_places(whole)
    for key, at in here.items():
        kept = at + first < end
        position = np.searchsorted(there[key], at[kept] + first)
        values[key][position] = exact[key][kept]
    labels = {v.key: v.labels for v in whole.declaration.variables if v.labels is not None}
    for variable in window.declaration.variables:
        if variable.labels is None or variable.key not in labels:
            continue
        places = {label: i for i, label in enumerate(labels[variable.key] or ())}
        for i, label in enumerate(variable.labels):
            if label in places:
                values[variable.key][places[label]] = exact[variable.key][i]


def _joint(whole: Formulation, split: int) -> _Joint:
    """Return the rows that tie intervals before a position to intervals after it."""
    places = interval_places(whole)
    lower: list[Array] = []
    upper: list[Array] = []
    before: list[tuple[str, Integers, Integers, Array]] = []
    after: list[tuple[str, Integers, Integers, Array]] = []
    count = 0
    for rows in whole.declaration.rows:
        tied = _tying(rows, places, split)
        if not tied.size:
            continue
        number = np.full(rows.size, -1, dtype=np.int64)
        number[tied] = count + np.arange(len(tied))
        count += len(tied)
        lower.append(rows.lower[tied])
        upper.append(rows.upper[tied])
        for entry in rows.entries:
            at = places[entry.variable][entry.positions]
            here = number[entry.rows] >= 0
            early, late = here & (at < split), here & (at >= split)
            before.append(
                (
                    entry.variable,
                    number[entry.rows[early]],
                    entry.positions[early],
                    entry.coefficients[early],
                )
            )
            after.append(
                (
                    entry.variable,
                    number[entry.rows[late]],
                    at[late] - split,
                    entry.coefficients[late],
                )
            )
    none = np.zeros(0)
    return _Joint(np.concatenate([none, *lower]), np.concatenate([none, *upper]), tuple(before), tuple(after))


def _tying(rows: Rows, places: Mapping[str, Integers], split: int) -> Integers:
    """Return the rows of a family that have entries on both sides of a position.

    Rows of the contract are left out: its peaks and totals are carried by its own state.
    """
    if rows.intervals is None or any(entry.variable not in places for entry in rows.entries):
        return np.zeros(0, dtype=np.int64)
    early = np.zeros(rows.size, dtype=np.bool_)
    late = np.zeros(rows.size, dtype=np.bool_)
    for entry in rows.entries:
        at = places[entry.variable][entry.positions]
        early[entry.rows[at < split]] = True
        late[entry.rows[at >= split]] = True
    return np.flatnonzero(early & late)


def _ties(
    joint: _Joint, window: Formulation, solver: Solver, values: Mapping[str, Array], first: int
) -> list[tuple[float, float, list[int], list[float]]]:
    """Return the rows of a joint in a window's columns, with what is before it put in."""
    given = np.zeros(len(joint.lower))
    for key, row, position, coefficient in joint.before:
        np.add.at(given, row, coefficient * values[key][position])
    room = JOINT_TOLERANCE * np.maximum(np.abs(given), 1.0)
    lower, upper = joint.lower - given - room, joint.upper - given + room
    columns: list[list[int]] = [[] for _ in joint.lower]
    coefficients: list[list[float]] = [[] for _ in joint.lower]
    places = interval_places(window)
    for key, rows, offset, values_ in joint.after:
        inside = np.searchsorted(places[key], offset) + solver.columns[key].start
        for row, column, value in zip(rows.tolist(), inside.tolist(), values_.tolist(), strict=True):
            columns[row].append(column)
            coefficients[row].append(value)
    return [
        (float(low), float(high), c, v)
        for low, high, c, v in zip(lower, upper, columns, coefficients, strict=True)
    ]
