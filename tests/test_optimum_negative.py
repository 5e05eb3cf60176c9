"""The planned optimum where more power pays, against dynamic programming on a grid of stocks.

With a negative price, or with a contract that rewards consumption in another way, the problem is not
convex: a program that may use *more* power than the loads need would invent energy. The reference here
knows no program. It walks all stocks of a fine grid and, for each change of the stock, takes the split of
the load between circuits that costs least or pays most.

How far the grid is from the truth
----------------------------------
The limits of the stock, its start and its target lie on the grid, and so do the changes of the stock at
least and at greatest load. Rounding the optimal trajectory down to the grid therefore keeps every limit
(for multiples a <= b of the step, floor(x + y) - floor(x) stays in [a, b] when y does). It moves the change
of the stock of an interval by less than one step ds, hence the cost by less than |price| times ds times the
greatest marginal energy of chlorine m, MWh/t. So the grid's optimum G obeys

    true optimum <= G <= true optimum + ds * m * sum over intervals of |price|.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from models.cell_voltage import CellVoltage
from models.circuit import Circuit
from models.contract.component import BillLine, Component, Profile
from models.contract.term import Rate, Term
from models.horizon import Array, Horizon
from models.pieces import Cost, Declaration, Entry, Rows, Variable
from models.rectifier import Rectifier
from models.situation import Situation
from models.tank import ProductStore
from models.trade import OwnUse
from scheduler.exact import exact_values
from scheduler.result import Plan, Status
from tests.small_sites import Case, plain_case, plain_circuit

FARADAY_T_PER_KAH = 70.906 / (2 * 96485.33212) * 3.6
"""Chlorine of one cell per kiloampere-hour: Cl2 70.906 g/mol, F of CODATA 2018. [t/kAh]"""


@dataclass(frozen=True)
class Room:
    """A circuit by its raw numbers; chlorine is the variable, power a function of it."""

    cells: int
    area_m2: float
    u0: float
    k: float
    log_v: float
    fixed_mw: float
    drop_v: float
    resistance_uohm: float
    low_t_per_h: float
    high_t_per_h: float

    @property
    def per_ka(self) -> float:
        """Chlorine per load. [t/kAh]."""
        return self.cells * FARADAY_T_PER_KAH

    def power_mw(self, chlorine: Array) -> Array:
        """AC power at a chlorine rate. [MW]."""
        ka = chlorine / self.per_ka
        density = ka / self.area_m2
        volts = self.cells * (self.u0 + self.k * density + self.log_v * np.log(density)) + self.drop_v
        return np.asarray(self.fixed_mw + volts * ka / 1e3 + self.resistance_uohm * ka**2 / 1e6)

    def marginal_max(self) -> float:
        """Greatest slope of the power, at full load because the power is convex. [MWh/t]."""
        at = self.high_t_per_h
        return float(self.power_mw(np.array(at)) - self.power_mw(np.array(at - 1e-6))) / 1e-6

    def circuit(self, name: str) -> Circuit:
        """Return the same as a unit."""
        return plain_circuit(
            name,
            cells_in_series=self.cells,
            area_m2=self.area_m2,
            density_min_ka_per_m2=self.low_t_per_h / self.per_ka / self.area_m2,
            density_max_ka_per_m2=self.high_t_per_h / self.per_ka / self.area_m2,
            rectifier=Rectifier(1, 1e3, 1e4, self.fixed_mw, self.drop_v, self.resistance_uohm),
            voltage=CellVoltage(self.u0, self.k, self.log_v),
        )


LINE = Room(150, 2.5, 2.4, 0.12, 0.0, 0.1, 1.0, 200.0, 1.0, 3.0)
LOG = Room(150, 2.5, 2.35, 0.10, 0.06, 0.1, 1.0, 200.0, 1.0, 3.0)
OLD = Room(40, 20.0, 3.2, 0.09, 0.0, 0.2, 1.0, 5.0, 4.0, 9.0)


@dataclass(frozen=True)
class Works:
    """Rooms that fill one tank, a constant use of chlorine, and the step of the grid of the tank."""

    rooms: tuple[Room, ...]
    use_t_per_h: float
    tank_t: float
    start_t: float
    end_t: float
    step_t: float

    def case(self, prices: Array, *components: Component) -> Case:
        """Return the works as a case of the planner, on hours."""
        rooms = tuple(room.circuit(f"room_{i}") for i, room in enumerate(self.rooms))
        tank = ProductStore("tank", "chlorine", 0.0, self.tank_t, end_min_t=self.end_t)
        use = OwnUse("use", "chlorine", rate_per_h=self.use_t_per_h)
        return plain_case((*rooms, tank, use), prices, components=components, stocks={"tank": self.start_t})

    def extremes_mw(self, chlorine: Array) -> tuple[Array, Array]:
        """Return the least and the greatest power at which all rooms together make so much chlorine."""
        first, *others = self.rooms
        if not others:
            power = first.power_mw(chlorine)
            return power, power
        (second,) = others
        low = np.maximum(first.low_t_per_h, chlorine - second.high_t_per_h)
        high = np.minimum(first.high_t_per_h, chlorine - second.low_t_per_h)
        high = np.maximum(low, high)

        def both(x: Array) -> Array:
            return first.power_mw(x) + second.power_mw(chlorine - x)

        # The sum is convex in the split: most power lies at an end of it, least where thirds close in.
        most = np.maximum(both(low), both(high))
        for _ in range(80):
            third = (high - low) / 3.0
            left = both(low + third) <= both(high - third)
            low, high = np.where(left, low, low + third), np.where(left, high - third, high)
        return both(0.5 * (low + high)), most

    def marginal_max(self) -> float:
        """Greatest marginal energy of chlorine of any room. [MWh/t]."""
        return max(room.marginal_max() for room in self.rooms)


@dataclass(frozen=True)
class Grid:
    """Result of the dynamic programming."""

    cost: float
    error: float
    power_mw: Array


def on_grid(works: Works, prices: Array) -> Grid:
    """Return the least cost of power on hours over all trajectories of the grid."""
    # Whole steps: each value is a multiple of the step by choice of the works.
    step = works.step_t
    low, high, size, start, end = (
        round(x / step)
        for x in (
            sum(r.low_t_per_h for r in works.rooms) - works.use_t_per_h,
            sum(r.high_t_per_h for r in works.rooms) - works.use_t_per_h,
            works.tank_t,
            works.start_t,
            works.end_t,
        )
    )
    changes = np.arange(low, high + 1)
    least, most = works.extremes_mw(changes * step + works.use_t_per_h)
    value = np.full(size + 1, np.inf)
    value[end:] = 0.0
    chosen = np.zeros((len(prices), size + 1), dtype=np.int64)
    for t in range(len(prices) - 1, -1, -1):
        cost = prices[t] * (least if prices[t] >= 0.0 else most)
        # Row i of the padded windows holds the values after every change from stock i.
        padded = np.concatenate([np.full(max(-low, 0), np.inf), value, np.full(max(high, 0), np.inf)])
        windows = np.lib.stride_tricks.sliding_window_view(padded, len(changes))[: size + 1]
        chosen[t] = np.concatenate([np.argmin(w + cost, axis=1) for w in np.array_split(windows, 40)])
        value = windows[np.arange(size + 1), chosen[t]] + cost[chosen[t]]
    power, stock = np.zeros(len(prices)), start
    for t, price in enumerate(prices):
        pick = chosen[t, stock]
        power[t] = (least if price >= 0.0 else most)[pick]
        stock += int(changes[pick])
    error = step * works.marginal_max() * float(np.sum(np.abs(prices)))
    return Grid(float(value[start]), error, power)


def check(plan: Plan, grid: Grid, constant: float = 0.0) -> None:
    """Assert that a plan's bound and cost fit the grid's optimum plus a constant, within derived errors."""
    sure = plan.certificate
    rounding = 1e-7 * sure.denominator
    best = grid.cost + constant
    assert plan.status is Status.PLAN
    assert sure.gap <= 1e-5
    assert sure.lower_bound <= best + rounding
    assert sure.lower_bound >= best - grid.error - 1e-5 * sure.denominator - rounding
    assert sure.cost >= best - grid.error - rounding
    assert sure.cost <= best + 1e-5 * sure.denominator + rounding
    assert plan.audit.violations == ()


def check_no_energy_is_faked(plan: Plan, works: Works) -> None:
    """Assert that the metered import is what the laws of the cells say for the planned loads."""
    power = np.zeros(len(plan.horizon))
    for i, room in enumerate(works.rooms):
        power += room.power_mw(plan.audit.values[f"room_{i}_load"] * room.per_ka)
    np.testing.assert_allclose(plan.audit.values["meter_import"], power, rtol=1e-9)


def prices_of(seed: int, count: int, middle: float, spread: float) -> Array:
    """Return random prices around a middle."""
    return np.asarray(np.random.default_rng(seed).normal(middle, spread, count))


ONE = Works((LINE,), 2.0, 6.0, 3.0, 2.5, 0.001)
ONE_LOG = Works((LOG,), 2.0, 6.0, 3.0, 2.5, 0.001)
TWO = Works((LINE, OLD), 8.0, 12.0, 6.0, 5.0, 0.0025)
TWO_LOG = Works((LOG, OLD), 8.0, 12.0, 6.0, 5.0, 0.0025)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("works", [ONE, ONE_LOG, TWO, TWO_LOG], ids=["one", "one_log", "two", "two_log"])
def test_negative_prices_meet_dynamic_programming(works: Works, seed: int) -> None:
    """With prices partly negative, bound and cost enclose the optimum of the grid."""
    prices = prices_of(seed, 18, 15.0, 40.0)
    assert np.any(prices < 0.0)
    plan = works.case(prices).plan()
    check(plan, on_grid(works, prices))
    check_no_energy_is_faked(plan, works)


@pytest.mark.parametrize("works", [ONE_LOG, TWO], ids=["one_log", "two"])
def test_prices_all_negative_meet_dynamic_programming(works: Works) -> None:
    """With every price negative the plan uses as much power as the duties allow, and no more."""
    prices = -np.abs(prices_of(7, 16, 40.0, 25.0))
    plan = works.case(prices).plan()
    check(plan, on_grid(works, prices))
    check_no_energy_is_faked(plan, works)


# ---------------------------------------------------------------- rewards that are no negative price


@dataclass(frozen=True)
class Reward(Component):
    """Money paid per MWh drawn, kept apart from the price of energy."""

    name: str
    per_mwh: float
    group: str = "other"

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return a negative rate."""
        return (Rate("reward", np.full(len(horizon), -self.per_mwh), self.group),)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line."""
        energy = float(np.sum(profile.power_mw * profile.horizon.hours))
        amount = -self.per_mwh * energy
        return (
            BillLine(self.name, "reward", energy, "MWh", -self.per_mwh, amount, self.group, "energy x rate"),
        )


@dataclass(frozen=True, eq=False)
class ShortEnergy(Term):
    """A price on every MWh by which the horizon's energy stays under a quantity."""

    name: str
    per_mwh: float
    quantity_mwh: float
    hours: Array
    group: str = "other"

    def _short(self, power_mw: Array) -> float:
        return max(self.quantity_mwh - float(np.sum(self.hours * power_mw)), 0.0)

    def cost(self, horizon: Horizon, power_mw: Array) -> float:
        """Return price times missing energy."""
        return self.per_mwh * self._short(power_mw)

    def exact(self, prefix: str, power_mw: Array) -> dict[str, Array]:
        """Return the missing energy."""
        return {f"{prefix}_short": np.array([self._short(power_mw)])}

    def declare(self, horizon: Horizon, prefix: str, meter: str) -> Declaration:
        """Return the missing energy as a variable with a row and a cost."""
        key, one, n = f"{prefix}_short", np.zeros(1, dtype=np.int64), len(horizon)
        entries = (
            Entry(key, one, one, np.ones(1)),
            Entry(meter, np.zeros(n, dtype=np.int64), np.arange(n), horizon.hours),
        )
        return Declaration(
            variables=(Variable(key, "MWh", np.zeros(1), np.full(1, np.inf), labels=("all",)),),
            rows=(
                Rows(
                    f"{prefix}_take",
                    "MWh",
                    entries,
                    np.array([self.quantity_mwh]),
                    np.full(1, np.inf),
                    labels=("all",),
                    breakable=False,
                ),
            ),
            costs=(Cost(prefix, self.group, key, np.array([self.per_mwh])),),
        )


@dataclass(frozen=True)
class TakeOrPay(Component):
    """Energy not taken is paid all the same."""

    name: str
    per_mwh: float
    quantity_mwh: float

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return the price on missing energy."""
        return (ShortEnergy("short", self.per_mwh, self.quantity_mwh, horizon.hours),)

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line."""
        missing = max(self.quantity_mwh - float(np.sum(profile.power_mw * profile.horizon.hours)), 0.0)
        amount = self.per_mwh * missing
        return (BillLine(self.name, "not taken", missing, "MWh", self.per_mwh, amount, "other", "x price"),)


@pytest.mark.parametrize("group", ["energy", "other"])
@pytest.mark.parametrize("works", [ONE_LOG, TWO], ids=["one_log", "two"])
def test_reward_per_mwh_fakes_no_energy(works: Works, group: str) -> None:
    """A reward above some of the positive prices acts like negative ones, in whatever group it stands."""
    prices, reward = np.abs(prices_of(3, 16, 40.0, 25.0)), 45.0
    plan = works.case(prices, Reward("reward", reward, group)).plan()
    assert np.any(prices < reward)
    check(plan, on_grid(works, prices - reward))
    check_no_energy_is_faked(plan, works)


@pytest.mark.parametrize("works", [ONE_LOG, TWO], ids=["one_log", "two"])
def test_take_or_pay_out_of_reach_fakes_no_energy(works: Works) -> None:
    """Under a quantity that cannot be taken, every MWh saves the price of one not taken."""
    prices, rate = np.abs(prices_of(5, 16, 40.0, 25.0)), 50.0
    quantity = 40.0 * len(prices)
    plan = works.case(prices, TakeOrPay("take", rate, quantity)).plan()
    check(plan, on_grid(works, prices - rate), constant=rate * quantity)
    check_no_energy_is_faked(plan, works)


@pytest.mark.parametrize("works", [ONE_LOG, TWO], ids=["one_log", "two"])
@pytest.mark.parametrize("share", [0.25, 0.75])
def test_take_or_pay_within_reach_lies_between_grids(works: Works, share: float) -> None:
    """A quantity inside what can be taken: bound and cost lie between two bounds from the grid.

    For any m from 0 to the rate r, r * max(Q - E, 0) >= m * (Q - E): the grid at prices less m, plus m Q, is
    a lower bound (less the grid's error); its trajectory, charged in full, is an upper bound of the optimum.
    """
    prices, rate = np.abs(prices_of(6, 16, 40.0, 25.0)), 50.0
    marks = np.linspace(0.0, rate, 6)
    grids = [on_grid(works, prices - m) for m in marks]
    drawn = [float(np.sum(grid.power_mw)) for grid in grids]
    quantity = drawn[0] + share * (drawn[-1] - drawn[0])
    low = max(g.cost + m * quantity - g.error for g, m in zip(grids, marks, strict=True))
    high = min(
        float(np.sum(prices * g.power_mw)) + rate * max(quantity - e, 0.0)
        for g, e in zip(grids, drawn, strict=True)
    )
    plan = works.case(prices, TakeOrPay("take", rate, quantity)).plan()
    sure = plan.certificate
    rounding = 1e-7 * sure.denominator
    assert sure.gap <= 1e-5
    assert low - rounding <= sure.cost
    assert sure.lower_bound <= high + rounding
    assert sure.cost <= high + 1e-5 * sure.denominator + rounding
    check_no_energy_is_faked(plan, works)


def test_program_is_held_down_to_the_simulated_power() -> None:
    """What the program believes to draw is worth no more than what the simulation draws."""
    prices = prices_of(1, 16, 0.0, 40.0)
    case = TWO.case(prices)
    planner = case.planner()
    planner.plan()
    found = planner.search.least_cost()
    exact = exact_values(planner.formulation, found.raw)
    believed = float(np.sum(prices * found.raw["meter_import"]))
    simulated = float(np.sum(prices * exact["meter_import"]))
    assert simulated - believed <= 1e-5 * float(np.sum(np.abs(prices * exact["meter_import"])))
