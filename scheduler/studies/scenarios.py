"""A day under price scenarios: one nomination for all, or a bid, against knowing the prices.

Owns the stochastic program and its measures. Stages:

- **First stage**, before the auction: what is bought on each interval of the plan day. Either one quantity
  for all prices (a *nomination*), or a quantity for each price of that interval (a *bid*), never rising with
  the price and the same where the price is the same: the auction knows no more of a scenario than that.
- **Second stage**, when the prices of the whole day are known and before it begins: loads of all circuits
  and all flows, under every duty and limit of the site. What is drawn beside the quantity bought costs the
  surcharges of an `imbalance` component.

With surcharges so high that nobody deviates, a nomination fixes the import, prices multiply it, and the mean
price decides: the value of the stochastic solution is then 0, but for risk. With none, what is nominated does
not matter. The bid is what lets loads react without a surcharge. Surcharges above the energy price would
reward power that nobody draws; then the gap stays open and says so.

The look-ahead is in longer intervals, at the prices of the price file in every scenario unless scenarios
reach beyond the plan day. Whole steps, counted changes of load, thermal lags and rules of exclusion are left
to the plan that is made once prices are known. All costs are exact costs of loads, and a program of tangents
gives the bounds, as in the plan of a day.

References
----------
J. R. Birge, F. Louveaux, "Introduction to Stochastic Programming", 2nd ed., Springer 2011, chapter 4: value
of the stochastic solution ``VSS = EEV - RP``, expected value of perfect information ``EVPI = RP - WS``, and
``WS <= RP <= EEV``. R. T. Rockafellar, S. Uryasev 2000 (see `models.risk`) for the tail. S.-E. Fleten,
E. Pettersen 2005, IEEE Transactions on Power Systems 20 (2), 701-708, for bid curves of a price taker by a
stochastic program.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np

from models.bid import Auction, BidCurve
from models.contract.imbalance import NOMINATION, Deviation, Imbalance, ImbalancePrices, with_deviation
from models.horizon import Array, Horizon, Integers, Series
from models.price_scenarios import PriceScenarios
from models.risk import Risk
from models.site import Site
from models.situation import Situation
from scheduler.cuts import Search, SearchOptions
from scheduler.direct import written
from scheduler.errors import SolverError, StudyError
from scheduler.exact import Values, absolute_energy_cost, exact_costs, exact_values
from scheduler.highs import Answer, Arrays, Solver
from scheduler.lp import Formulation, formulate
from scheduler.steps import needs_steps
from scheduler.studies.year import YearOptions, with_look_ahead

SCENARIO_GAP = 1e-5
"""Target gap of each scenario alone: costs of ways are compared, so it is that of a plan."""
JOINT_GAP = 5e-5
"""Target gap of the program of all scenarios, which is solved once or twice with it."""
TANGENTS = 5
"""Tangents per curve and interval at first: each scenario adds its own before all are put together."""
LOOK_AHEAD_MINUTES = 360
"""Length of an interval of the look-ahead: it only tells what a stock at the end of the day is worth."""
ROUNDS = 30
SAME_KA = 1e-6
"""How far a load may lie off a given one. [kA]"""
APART = 1e-4
"""Rate above its floor at which a unit counts as running. [unit of the variable]"""


@dataclass(frozen=True)
class ScenarioOptions:
    """How a day is planned under scenarios.

    Parameters
    ----------
    risk : Risk
        What counts: the mean, the tail or both. [-]
    auction : Auction
        What the auction takes. [-]
    deviation : Imbalance, optional
        Surcharges in place of those of the contract. [-]
    look_ahead_minutes : int
        Length of an interval after the plan day. [min]
    gap, joint_gap : float
        Target gap of each scenario alone, and of all together. [-]
    seconds : float
        Wall time for each program. [s]
    """

    risk: Risk = field(default_factory=Risk)
    auction: Auction = field(default_factory=Auction)
    deviation: Imbalance | None = None
    look_ahead_minutes: int = LOOK_AHEAD_MINUTES
    gap: float = SCENARIO_GAP
    joint_gap: float = JOINT_GAP
    seconds: float = 300.0


@dataclass(frozen=True, eq=False)
class Way:
    """A way of buying, and what it costs in each scenario.

    Parameters
    ----------
    costs : ndarray
        Exact cost of the horizon in each scenario. Shape (s,). [currency]
    value : float
        What these costs count (see `models.risk.Risk`). [currency]
    bound : float
        No choice of that kind counts less; minus infinity where none is claimed. [currency]
    bought_mw : ndarray
        Quantity bought on each interval of the plan day. Shape (s, n). [MW]
    import_mw : ndarray
        What is then drawn. Shape (s, n). [MW]
    """

    costs: Array
    value: float
    bound: float
    bought_mw: Array
    import_mw: Array


@dataclass(frozen=True, eq=False)
class ScenarioStudy:
    """A day under price scenarios.

    Parameters
    ----------
    site : Site
        The works, with the surcharges that counted. [-]
    horizon : Horizon
        The intervals, with the coarse look-ahead. [-]
    scenarios : PriceScenarios
        The prices. [-]
    options : ScenarioOptions
        How it was planned. [-]
    given : Way or None
        A given plan with its loads and its import nominated; None if there was none. [-]
    mean_price : Way
        The nomination that is best for the mean price (its expected cost is EEV). [-]
    nomination : Way
        The best nomination (RP). [-]
    bid : Way
        The best bid before it is put on lots. [-]
    offered : Way
        The bid in whole lots, planned again for the quantities that each scenario clears. [-]
    prices_known : Way
        Every scenario planned as if known before the auction (WS). [-]
    curves : tuple of BidCurve
        The bid of each interval of the plan day. Length n. [-]
    denominator : float
        Expected sum of absolute energy charges: the gaps' denominator. [currency]
    notes : tuple of str
        What the figures leave out. [-]
    """

    site: Site
    horizon: Horizon
    scenarios: PriceScenarios
    options: ScenarioOptions
    given: Way | None
    mean_price: Way
    nomination: Way
    bid: Way
    offered: Way
    prices_known: Way
    curves: tuple[BidCurve, ...]
    denominator: float
    notes: tuple[str, ...]

    @property
    def vss(self) -> float:
        """Value of the stochastic solution: mean-price nomination less best nomination. [currency]."""
        return self.mean_price.value - self.nomination.value

    @property
    def evpi(self) -> float:
        """Value of perfect information: best nomination less prices known. [currency]."""
        return self.nomination.value - self.prices_known.value

    @property
    def bid_value(self) -> float:
        """What the bid in lots saves against the best nomination. [currency]."""
        return self.nomination.value - self.offered.value

    def gap(self, way: Way) -> float:
        """Return how far at most a way is from the best of its kind.

        Parameters
        ----------
        way : Way
            One with a bound. [-]

        Returns
        -------
        float
            (value - bound) / denominator. [-]
        """
        return (way.value - min(way.bound, way.value)) / self.denominator


@dataclass(frozen=True, eq=False)
class _Solved:
    """What one program gave, by scenario."""

    costs: Array
    bound: float
    bought_mw: Array
    import_mw: Array
    scale: float
    apart: bool


class _Part:
    """One scenario inside a program: its records, its cuts, and the columns of what is bought."""

    def __init__(self, formulation: Formulation, search: Search, bought: Integers) -> None:
        self.formulation = formulation
        self.search = search
        self.bought = bought

    def measured(self, values: Array) -> tuple[Values, Values, Array]:
        """Return the program's view of the scenario, its exact values, and what is bought."""
        raw = {key: values[place] for key, place in self.search.solver.columns.items()}
        bought = values[self.bought]
        return raw, exact_values(_nominated(self.formulation, bought), raw), bought


class _Block(_Part):
    """One scenario as a program of its own."""

    def __init__(self, site: Site, horizon: Horizon, situation: Situation, gap: float) -> None:
        self.day = horizon.plan_intervals
        formulation = formulate(site, horizon, situation)
        exclusives = formulation.declaration.exclusives
        # Rules of exclusion need binaries; what they would change is told, and the plan of the day has them.
        formulation = replace(formulation, declaration=replace(formulation.declaration, exclusives=()))
        self.exclusives = exclusives
        _, arrays = written(formulation, TANGENTS)
        solver = Solver(arrays)
        for variable in formulation.declaration.variables:
            if variable.miss_class is not None:
                place = solver.columns[variable.key]
                columns = np.arange(place.start, place.stop)
                solver.set_column_bounds(columns, variable.lower, np.zeros(variable.size))
        search = Search(formulation, solver, SearchOptions(gap=gap, branch=False))
        if formulation.metered:
            search.hold_down()
        super().__init__(formulation, search, self._tied(formulation, solver))
        self.solver = solver
        self.meter = next(v for v in formulation.declaration.variables if v.key == site.meter)

    def _tied(self, formulation: Formulation, solver: Solver) -> Integers:
        """Add the columns of what is bought to the rows of deviations."""
        prefix = next(prefix for prefix, term in formulation.terms if isinstance(term, Deviation))
        place = solver.rows[f"{prefix}_deviation"]
        rows = np.arange(place.start, place.stop)
        bought = solver.add_columns_in_rows(np.zeros(self.day), rows, -np.ones(self.day))
        variable = next(v for v in formulation.declaration.variables if v.key == formulation.site.meter)
        columns = np.array(bought, dtype=np.int64)
        solver.set_column_bounds(columns, variable.lower[: self.day], variable.upper[: self.day])
        return columns

    def least(self, options: ScenarioOptions) -> _Solved | None:
        """Return the least cost within the present bounds; None if nothing is possible."""
        return _solve(
            self.solver, [self], lambda costs: float(costs[0]), np.ones(1), options.gap, options.seconds
        )

    def dual_basis(self) -> Any:
        """Return the basis of the least cost with what is bought free: ties only add rows to it."""
        self.solver.solve(confirm=False)
        return self.solver.basis()

    def with_bought(self, mw: Array, options: ScenarioOptions) -> _Solved | None:
        """Return the least cost with what is bought as given."""
        self.solver.set_column_bounds(self.bought, mw, mw)
        found = self.least(options)
        self.solver.set_column_bounds(self.bought, self.meter.lower[: self.day], self.meter.upper[: self.day])
        return found

    def with_loads(
        self, loads: Mapping[str, Array], bought: Array, options: ScenarioOptions
    ) -> _Solved | None:
        """Return the least cost with the loads of the plan day and what is bought as given."""
        bounds = {v.key: (v.lower, v.upper) for v in self.formulation.declaration.variables}
        for key, load in loads.items():
            low, high = (bound[: self.day] for bound in bounds[key])
            first = self.solver.columns[key].start
            self.solver.set_column_bounds(
                np.arange(first, first + self.day),
                np.clip(load - SAME_KA, low, high),
                np.clip(load + SAME_KA, low, high),
            )
        found = self.with_bought(bought, options)
        for key in loads:
            low, high = (bound[: self.day] for bound in bounds[key])
            first = self.solver.columns[key].start
            self.solver.set_column_bounds(np.arange(first, first + self.day), low, high)
        return found


def _nominated(formulation: Formulation, bought: Array) -> Formulation:
    """Return records whose surcharges on deviations start from what is bought."""
    terms = []
    for prefix, term in formulation.terms:
        if isinstance(term, Deviation):
            nominated = np.array(term.nominated_mw)
            nominated[: len(bought)] = bought
            term = replace(term, nominated_mw=nominated)
        terms.append((prefix, term))
    return replace(formulation, terms=tuple(terms))


def _solve(
    solver: Solver,
    parts: list[_Part],
    value_of: Callable[[Array], float],
    probabilities: Array,
    gap: float,
    seconds: float,
) -> _Solved | None:
    """Solve, measure each scenario at its true curves, cut, and solve again until the gap is closed."""
    stop = time.perf_counter() + seconds
    best: _Solved | None = None
    bound = -np.inf
    for _ in range(ROUNDS):
        outcome = solver.solve(max(stop - time.perf_counter(), 0.1), confirm=False)
        if outcome.answer is Answer.INFEASIBLE:
            return None
        if not len(outcome.values):
            break
        bound = max(bound, outcome.bound)
        measured = [part.measured(outcome.values) for part in parts]
        found = _costed(parts, measured, probabilities)
        kept = all(
            part.search.keeps_limits(exact) for part, (_, exact, _) in zip(parts, measured, strict=True)
        )
        if kept and (best is None or value_of(found.costs) < value_of(best.costs)):
            best = found
        close = best is not None and value_of(best.costs) - bound <= gap * found.scale
        if close or time.perf_counter() > stop:
            break
        cut = [
            part.search.refine(raw, exact, 0.2 * gap * found.scale)
            for part, (raw, exact, _) in zip(parts, measured, strict=True)
        ]
        if not any(cut):
            break
    if best is None:
        raise SolverError(f"no plan under the scenarios was found within {seconds:g} s: allow more time")
    return replace(best, bound=bound)


def _costed(
    parts: list[_Part], measured: list[tuple[Values, Values, Array]], probabilities: Array
) -> _Solved:
    costs, scales, bought, drawn, apart = [], [], [], [], True
    for part, (_, exact, mw) in zip(parts, measured, strict=True):
        costs.append(sum(exact_costs(_nominated(part.formulation, mw), exact).values()))
        scales.append(absolute_energy_cost(part.formulation, exact))
        bought.append(mw)
        drawn.append(exact[part.formulation.site.meter][: len(mw)])
        if isinstance(part, _Block):
            apart &= _apart(part, exact)
    return _Solved(
        np.array(costs),
        -np.inf,
        np.array(bought),
        np.array(drawn),
        float(probabilities @ np.array(scales)),
        apart,
    )


def _apart(block: _Block, exact: Values) -> bool:
    return not any(
        np.any(
            np.minimum(exact[rule.first] - rule.first_floor, exact[rule.second] - rule.second_floor)[
                : block.day
            ]
            > APART
        )
        for rule in block.exclusives
    )


class _Joint:
    """All scenarios in one program, tied by what is bought."""

    def __init__(
        self, blocks: list[_Block], prices: Array, probabilities: Array, risk: Risk, floors: Array
    ) -> None:
        self.probabilities, self.risk = probabilities, risk
        self.order = np.argsort(prices, axis=0, kind="stable")
        bases = [block.dual_basis() for block in blocks]
        parts = [block.solver.snapshot() for block in blocks]
        first = np.concatenate([[0], np.cumsum([len(part.cost) for part in parts])])
        self.solver = Solver(_side_by_side(parts, first, (1.0 - risk.weight) * probabilities))
        self.parts: list[_Part] = []
        for block, shift in zip(blocks, first.tolist(), strict=False):
            names = {
                key: slice(place.start + shift, place.stop + shift)
                for key, place in block.solver.columns.items()
            }
            search = Search(block.formulation, self.solver.named(names), block.search.options)
            self.parts.append(_Part(block.formulation, search, block.bought + shift))
        if risk.weight:
            self._count_the_tail(parts, first, floors)
        bought = np.array([part.bought for part in self.parts])
        rows = []
        for t in range(prices.shape[1]):
            inside = bought[self.order[:, t], t]
            rows += [(0.0, np.inf, [a, b], [1.0, -1.0]) for a, b in pairwise(inside.tolist())]
        self.chain = np.array(self.solver.add_rows(rows), dtype=np.int64)
        self.solver.start_from_parts(bases)

    def _count_the_tail(self, parts: list[Arrays], first: Integers, floors: Array) -> None:
        """Add CVaR as Rockafellar and Uryasev write it: a threshold and what each cost exceeds it by.

        No cost is below the scenario's own least, so the threshold need not be either.
        """
        count, weight = len(parts), self.risk.weight
        threshold = self.solver.add_columns(np.array([float(np.min(floors))]), np.array([np.inf])).start
        above = self.solver.add_columns(np.zeros(count), np.full(count, np.inf))
        costs, offset = self.solver.objective()
        costs[threshold] = weight
        costs[above.start : above.stop] = weight * self.probabilities / (1.0 - self.risk.level)
        self.solver.set_costs(costs, offset)
        rows = []
        for s, (part, shift) in enumerate(zip(parts, first.tolist(), strict=False)):
            used = np.flatnonzero(part.cost)
            columns = [threshold, above.start + s, *(used + shift).tolist()]
            rows.append((part.offset, np.inf, columns, [1.0, 1.0, *(-part.cost[used]).tolist()]))
        self.solver.add_rows(rows)

    def tie(self, ranks: Integers) -> None:
        """Hold what is bought to one quantity where ranks are equal, and to no more where they are higher."""
        upper = np.concatenate(
            [np.where(np.diff(ranks[self.order[:, t], t]) > 0, np.inf, 0.0) for t in range(ranks.shape[1])]
        )
        self.solver.set_row_bounds(self.chain, np.zeros(len(self.chain)), upper)

    def least(self, options: ScenarioOptions) -> _Solved:
        """Return the least that mean and tail of the costs can count."""
        found = _solve(
            self.solver,
            self.parts,
            lambda costs: self.risk.of(costs, self.probabilities),
            self.probabilities,
            options.joint_gap,
            options.seconds,
        )
        if found is None:
            raise StudyError(
                "no quantity could be bought that lets all duties be met in every scenario: each scenario "
                "alone is possible; this is a bug, please report it with the inputs"
            )
        return found


def _side_by_side(parts: list[Arrays], first: Integers, weights: Array) -> Arrays:
    """Return several programs as one without ties, each cost times a weight."""
    entries = np.concatenate([[0], np.cumsum([len(part.index) for part in parts])])
    start = [part.start[:-1] + shift for part, shift in zip(parts, entries, strict=False)]
    return Arrays(
        np.concatenate([w * part.cost for w, part in zip(weights, parts, strict=True)]),
        np.concatenate([part.column_lower for part in parts]),
        np.concatenate([part.column_upper for part in parts]),
        np.concatenate([part.row_lower for part in parts]),
        np.concatenate([part.row_upper for part in parts]),
        np.concatenate([*start, entries[-1:]]).astype(np.int32),
        np.concatenate([p.index + shift for p, shift in zip(parts, first, strict=False)]).astype(np.int32),
        np.concatenate([part.value for part in parts]),
        float(sum(w * part.offset for w, part in zip(weights, parts, strict=True))),
        {},
        {},
    )


def study(
    site: Site,
    horizon: Horizon,
    situation: Situation,
    scenarios: PriceScenarios,
    options: ScenarioOptions | None = None,
    given_loads: Mapping[str, Series] | None = None,
    given_import: Series | None = None,
) -> ScenarioStudy:
    """Plan a day under price scenarios: the best nomination, the best bid, and what they are worth.

    Parameters
    ----------
    site : Site
        The works, orders included. [-]
    horizon : Horizon
        The intervals of the plan. [-]
    situation : Situation
        What is known; prices outside the time of the scenarios hold in all of them. [-]
    scenarios : PriceScenarios
        Prices of the plan day, on its intervals. [currency/MWh]
    options : ScenarioOptions, optional
        How to plan. [-]
    given_loads : mapping, optional
        Loads of a plan by circuit, to be judged. [kA]
    given_import : Series, optional
        What that plan draws, and so nominates. [MW]

    Returns
    -------
    ScenarioStudy
        Ways, values and the bid. [-]

    Raises
    ------
    ValueError
        If the scenarios do not fit the contract or the plan's intervals.
    StudyError
        If a scenario alone is not possible with all duties met.
    SolverError
        If the solver gives no usable answer.
    """
    options = options or ScenarioOptions()
    deviation = options.deviation or _without_limit(site)
    if deviation is not None:
        site = replace(site, contract=with_deviation(site.contract, deviation))
    day = horizon.plan_intervals
    long = YearOptions(look_ahead_minutes=options.look_ahead_minutes, far_minutes=options.look_ahead_minutes)
    horizon = replace(with_look_ahead(horizon, 0, day, len(horizon), long), plan_intervals=day)
    situation = _known(site, horizon, situation, scenarios)
    plan_day = Horizon(
        horizon.starts_min[:day], horizon.lengths_min[:day], horizon.timezone, day, horizon.shifts
    )
    prices = scenarios.on(plan_day)
    probabilities = scenarios.probabilities
    auction = options.auction
    base = situation.series[scenarios.series[0].name]

    def block(own: Series) -> _Block:
        series = {**situation.series, base.name: scenarios.spliced(base, own)}
        return _Block(site, horizon, replace(situation, series=series), options.gap)

    blocks, alone = [], []
    for name, own in zip(scenarios.names, scenarios.series, strict=True):
        made = block(own)
        found = made.least(options)
        if found is None:
            raise StudyError(
                f"scenario '{name}': no plan meets all duties within all limits. 'brinewatt plan' says what "
                "is missing; where a plan does meet them, the look-ahead is too coarse: state shorter "
                "intervals for it (--look-ahead-minutes 60)"
            )
        blocks.append(made)
        alone.append(found)
    mean_block = block(scenarios.mean())
    middle = mean_block.least(options)
    if middle is None:
        raise StudyError("no plan at the mean price meets all duties within all limits")

    def each(bought: Array) -> list[_Solved | None]:
        return [one.with_bought(mw, options) for one, mw in zip(blocks, bought, strict=True)]

    def way(found: list[_Solved | None]) -> Way | None:
        solved = [one for one in found if one is not None]
        if len(solved) < len(found):
            return None
        return _way(options.risk, probabilities, solved)

    mean_price = way(each(np.tile(middle.bought_mw, (len(blocks), 1))))
    if mean_price is None:
        raise StudyError(
            "the nomination of the mean-price plan cannot be kept in every scenario: this is a bug, please "
            "report it with the inputs"
        )
    floors = np.array([found.bound for found in alone])
    joint = _Joint(blocks, prices, probabilities, options.risk, floors)
    ranks = np.stack([auction.ranks(column) for column in prices.T], axis=1)
    joint.tie(ranks)
    free = joint.least(options)
    steps = [auction.fewer_ranks(ranks[:, t], free.bought_mw[:, t], probabilities) for t in range(day)]
    tied = np.stack(steps, axis=1)
    if not np.array_equal(tied, ranks):
        joint.tie(tied)
        free = joint.least(options)
    joint.tie(np.zeros_like(ranks))
    fixed = joint.least(options)
    nomination = _better(_joint_way(options.risk, probabilities, fixed), mean_price)
    bid = _better(_joint_way(options.risk, probabilities, free), nomination)
    curves = tuple(auction.curve(prices[:, t], tied[:, t], bid.bought_mw[:, t]) for t in range(day))
    cleared = np.array(
        [[curves[t].cleared_mw(float(prices[s, t])) for t in range(day)] for s in range(len(blocks))]
    )
    offered = way(each(cleared))
    if offered is None:
        raise StudyError("the bid in whole lots cannot be kept in every scenario: choose smaller lots")
    offered = replace(offered, bound=bid.bound, bought_mw=cleared)
    given = None
    notes = _notes(blocks, [*alone, middle])
    if given_loads is not None and given_import is not None:
        loads = {
            unit.key("load"): given_loads[unit.name].on(plan_day)
            for unit in site.units
            if unit.name in given_loads
        }
        drawn = given_import.on(plan_day)
        given = way([b.with_loads(loads, drawn, options) for b in blocks])
        if given is None:
            notes += (
                "The given plan has no costs here: with its loads and its import the coarse look-ahead lets "
                "no plan meet all duties.",
            )
    known = _known_prices(
        options.risk,
        probabilities,
        _way(options.risk, probabilities, alone),
        [w for w in (given, mean_price, nomination, bid, offered) if w is not None],
        floors,
    )
    return ScenarioStudy(
        site,
        horizon,
        scenarios,
        options,
        given,
        mean_price,
        nomination,
        bid,
        offered,
        known,
        curves,
        free.scale,
        notes,
    )


def _without_limit(site: Site) -> Imbalance | None:
    """Return the contract's surcharges without the limit on deviations if it has one; else None."""
    own = [part for part in site.contract.components if isinstance(part, Imbalance)]
    return replace(own[0], most_mw=None) if len(own) == 1 and own[0].most_mw is not None else None


def _known(site: Site, horizon: Horizon, situation: Situation, scenarios: PriceScenarios) -> Situation:
    """Return the situation with the plan day nominated; refuse what the program cannot hold."""
    name = scenarios.series[0].name
    if not any(name in part.series_needed() for part in site.contract.components):
        raise ValueError(f"no component of the contract charges the price series '{name}' of the scenarios")
    count = sum(isinstance(part, Imbalance) for part in site.contract.components)
    if count != 1 or any(isinstance(part, ImbalancePrices) for part in site.contract.components):
        raise ValueError(
            "it must be known what a MWh costs that is drawn beside what was bought: state surcharges "
            "(--up-per-mwh, --down-per-mwh), or one component 'imbalance' in the contract"
        )
    choices = site.contract.choices(horizon, situation)
    if len(choices) > 1:
        raise ValueError(
            "the contract's charge jumps or pays for something the site may leave: plan the day first, and "
            "name the side it stays on in the state file (column 'case')"
        )
    day = horizon.plan_intervals
    nothing = Series(NOMINATION, horizon.starts_min[:day], horizon.lengths_min[:day], np.zeros(day))
    names = {part.nomination for part in site.contract.components if isinstance(part, Imbalance)}
    state = replace(situation.state, cases={**situation.state.cases, **choices[0]})
    return replace(situation, series={**situation.series, **{name: nothing for name in names}}, state=state)


def _way(risk: Risk, probabilities: Array, solved: list[_Solved]) -> Way:
    costs = np.concatenate([one.costs for one in solved])
    return Way(
        costs,
        risk.of(costs, probabilities),
        -np.inf,
        np.concatenate([one.bought_mw for one in solved]),
        np.concatenate([one.import_mw for one in solved]),
    )


def _joint_way(risk: Risk, probabilities: Array, solved: _Solved) -> Way:
    return replace(_way(risk, probabilities, [solved]), bound=solved.bound)


def _better(found: Way, other: Way) -> Way:
    """Return the cheaper of two choices of the same kind, with the bound of the first."""
    return found if found.value <= other.value else replace(other, bound=found.bound)


def _known_prices(risk: Risk, probabilities: Array, alone: Way, others: list[Way], floors: Array) -> Way:
    """Return the least cost of each scenario: any other way is possible there too."""
    ways = [alone, *others]
    costs = np.stack([w.costs for w in ways])
    pick = np.argmin(costs, axis=0)
    at = np.arange(len(pick))
    least = costs[pick, at]
    return Way(
        least,
        risk.of(least, probabilities),
        risk.of(floors, probabilities),
        np.stack([ways[w].bought_mw[s] for s, w in enumerate(pick)]),
        np.stack([ways[w].import_mw[s] for s, w in enumerate(pick)]),
    )


def _notes(blocks: list[_Block], solved: list[_Solved]) -> tuple[str, ...]:
    notes = []
    if needs_steps(blocks[0].formulation):
        notes.append(
            "Whole steps and counted changes of load are not in these figures. The plan for the cleared "
            "quantities has them, so its import will differ from what was bought, and that can cost more "
            "than the bid saves: plan some scenarios with --cleared before this bid is relied on."
        )
    if not all(one.apart for one in solved):
        notes.append(
            "In some scenario two units run at once that a plan keeps apart: these figures are a little low."
        )
    return tuple(notes)
