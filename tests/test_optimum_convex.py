"""The planned optimum against an independent one: the same problem in cvxpy, solved by clarabel.

The reference is written from the raw parameters of the site. It shares no declared record, no tangent
and no solver with the plan: power is a convex quadratic, and an interior point method finds the optimum.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import cvxpy as cp
import numpy as np
import pytest

from models.circuit import Circuit
from models.compressor import Compressor
from models.contract.demand import DemandCharge
from models.contract.spot import SpotEnergy
from models.horizon import Array, Horizon
from models.liquefier import Liquefier
from models.meter import SiteMeter
from models.order import Lot, Pipeline
from models.tank import AlkaliTank, ChlorineStore, ProductStore, Store
from models.trade import Outlet, OwnUse
from scheduler.result import Plan, Status
from tests.small_sites import DAY, Case, intervals, random_case

TOLERANCE = 2e-5
"""How far bound and cost may be from the reference: twice the gap the search stops at."""
REFERENCE_ERROR = 1e-6
"""Error of the reference, as a share of the energy cost: clarabel stops at a relative gap of 1e-8 of an
objective that is at most some tens of times the energy cost."""

# Molar masses and the Faraday constant: IUPAC abridged atomic weights of 2021 and CODATA 2018, typed again
# here (chlorine 35.453, the value of most tables). [g/mol], [C/mol]
CL2, NAOH, H2, FARADAY = 70.906, 39.99676928, 2.016, 96485.33212
CL2_T_PER_KAH = CL2 / (2 * FARADAY) * 3.6
ALKALI_PER_CL2 = 2 * NAOH / CL2
H2_KG_PER_KAH = H2 / (2 * FARADAY) * 3600


@dataclass(frozen=True)
class Optimum:
    """The reference's optimum.

    Parameters
    ----------
    cost : float
        Least cost, charges of demand floors left out. [currency]
    denominator : float
        Sum of absolute energy charges at it. [currency]
    """

    cost: float
    denominator: float


class Reference:
    """The convex problem of one case."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.n = len(case.horizon)
        self.hours = case.horizon.hours
        self.rules: list[cp.Constraint] = []
        self.cost: cp.Expression = cp.Constant(0.0)
        self.net: dict[str, cp.Expression] = {}
        self.power: cp.Expression = cp.Constant(np.zeros(self.n))
        self.ramps: cp.Expression = cp.Constant(np.zeros(self.n))
        for write, kind in (
            (self.circuit, Circuit),
            (self.compressor, Compressor),
            (self.liquefier, Liquefier),
            (self.outlet, Outlet),
            (self.pipeline, Pipeline),
            (self.lot, Lot),
            (self.own_use, OwnUse),
        ):
            for unit in case.units(kind):
                write(unit)  # type: ignore[operator]
        stores = {s.commodity: s for s in (*case.units(ProductStore), *case.units(ChlorineStore))}
        stores |= {tank.commodity: tank for tank in case.units(AlkaliTank)}
        for commodity, flow in self.net.items():
            if commodity in stores:
                self.store(stores[commodity], flow)
            else:
                self.rules.append(flow == 0)
        self.contract()

    def put(self, commodity: str, flow: cp.Expression) -> None:
        """Put a flow on a commodity's bus."""
        self.net[commodity] = self.net[commodity] + flow if commodity in self.net else flow

    def moves(self, rate: cp.Expression, step: float, minutes: float) -> None:
        """Tie every two intervals with less than so many minutes between them."""
        starts = self.case.horizon.starts_min
        ends = starts + self.case.horizon.lengths_min
        tied = [(i, j) for i in range(self.n) for j in range(i + 1, self.n) if starts[j] - ends[i] < minutes]
        difference = np.zeros((len(tied), self.n))
        for row, (i, j) in enumerate(tied):
            difference[row, i], difference[row, j] = -1.0, 1.0
        self.rules += [difference @ rate <= step, difference @ rate >= -step]

    def circuit(self, room: Circuit) -> None:
        """Write load, products and power of a circuit."""
        v, r, ce = room.voltage, room.rectifier, room.efficiency
        assert v is not None
        assert ce is not None
        n, m2 = room.cells_in_series, room.area_m2 * room.electrolysers_in_parallel
        u0 = v.intercept_v + v.drift_v_per_year * v.age_years
        # DC voltage n (U0 + k I / A) + R I; it caps the load like the density and the rectifier do.
        ohm_v_per_ka = n * v.k_v_m2_per_ka / m2 + room.busbar.resistance_uohm / 1e3
        most = min(
            room.density_max_ka_per_m2 * m2,
            r.units * r.unit_load_max_ka,
            (r.dc_voltage_max_v - n * u0) / ohm_v_per_ka,
        )
        scaled = cp.Variable(self.n)
        load = most * scaled
        square = most**2 * cp.square(scaled)
        self.rules += [load >= room.density_min_ka_per_m2 * m2, scaled <= 1]
        mw = (n * u0 / 1e3 + r.drop_v / 1e3) * load + (ohm_v_per_ka / 1e3 + r.resistance_uohm / 1e6) * square
        chlorine = n * CL2_T_PER_KAH * (ce.ce0 * load - ce.leakage_ka_per_m2 * m2)
        self.power += mw + r.fixed_loss_mw + room.auxiliary_fixed_mw
        self.power += room.auxiliary_kwh_per_t / 1e3 * chlorine
        self.put(room.chlorine, chlorine)
        self.put(room.alkali, ALKALI_PER_CL2 * chlorine)
        self.put("hydrogen", n * H2_KG_PER_KAH * ce.hydrogen * load)
        if room.ramp_ka_per_min is not None:
            step = room.ramp_ka_per_min * room.ramp_minutes
            self.moves(load, step, room.ramp_minutes)
            before = self.case.situation.loads_before[room.name]
            self.rules.append(cp.abs(load[0] - before) <= step)
            # A fall by d at r kA/min draws up to s d^2 / (2 r) beyond its end, s the slope at full density.
            top = room.density_max_ka_per_m2 * m2
            slope = (n * u0 / 1e3 + r.drop_v / 1e3) + 2 * (ohm_v_per_ka / 1e3 + r.resistance_uohm / 1e6) * top
            slope += room.auxiliary_kwh_per_t / 1e3 * n * CL2_T_PER_KAH * ce.ce0
            fall = cp.pos(cp.hstack([before / most, scaled[:-1]]) - scaled)
            self.ramps += slope * most**2 / (120 * room.ramp_ka_per_min) * cp.square(fall)

    def compressor(self, unit: Compressor) -> None:
        """Write flow and power of compressors."""
        flow = cp.Variable(self.n)
        most = unit.machines * unit.capacity_t_per_h
        self.rules += [flow >= 0, flow <= most]
        self.put("chlorine_wet", -flow)
        self.put("chlorine", flow)
        self.power += unit.kwh_per_t / 1e3 * cp.maximum(flow, unit.surge_share * most)

    def liquefier(self, unit: Liquefier) -> None:
        """Write feed, liquid and tail gas of a liquefier."""
        feed = cp.Variable(self.n)
        share = unit.liquefaction_yield
        self.rules += [feed >= unit.feed_min_t_per_h, feed <= unit.feed_max_t_per_h]
        self.put("chlorine", -feed)
        self.put("chlorine_liquid", share * feed)
        self.put("tail_gas", (1 - share) * feed)
        self.power += unit.kwh_per_t / 1e3 * feed

    def outlet(self, unit: Outlet) -> None:
        """Write what leaves for a credit."""
        rate = cp.Variable(self.n)
        self.rules += [rate >= unit.rate_min_per_h, rate <= unit.rate_max_per_h]
        self.put(unit.commodity, -rate)
        self.cost -= unit.credit * (self.hours @ rate)

    def pipeline(self, unit: Pipeline) -> None:
        """Write the take of a pipeline customer and his daily totals."""
        take = cp.Variable(self.n)
        self.rules += [take >= unit.min_t_per_h, take <= unit.max_t_per_h]
        self.put(unit.commodity, -take)
        days = np.array([day.toordinal() for day in self.case.horizon.days])
        for day in np.unique(days):
            here = self.hours * (days == day)
            asked, slack = float(here.sum()) * unit.nominal_t_per_h, unit.daily_tolerance_percent / 100
            self.rules += [here @ take >= asked * (1 - slack), here @ take <= asked * (1 + slack)]
        if unit.ramp_t_per_h_per_h is not None:
            self.moves(take, unit.ramp_t_per_h_per_h, 60.0)

    def lot(self, lot: Lot) -> None:
        """Write the loading of a lot inside its window."""
        starts = self.case.horizon.starts_min
        ends = starts + self.case.horizon.lengths_min
        open_min = np.minimum(ends, lot.window_end_min) - np.maximum(starts, lot.window_start_min)
        share = np.maximum(open_min, 0) / (ends - starts)
        loading = cp.Variable(self.n)
        self.rules += [
            loading >= 0,
            loading <= lot.rate_max_t_per_h * share,
            self.hours @ loading == lot.quantity_t,
        ]
        self.put(lot.commodity, -loading)

    def own_use(self, use: OwnUse) -> None:
        """Add a fixed use of power."""
        assert use.commodity == "power"
        self.power += float(use.rate_per_h or 0.0)

    def store(self, store: Store, flow: cp.Expression) -> None:
        """Write the level of a store, its target and the value of its end."""
        level = self.case.situation.stocks[store.name] + cp.cumsum(cp.multiply(self.hours, flow))
        low, high = store.range_t()
        self.rules += [level >= low, level <= high]
        if store.end_min_t is not None:
            self.rules.append(level[-1] >= store.end_min_t)
        if store.end_values:
            parts = cp.Variable(len(store.end_values), nonneg=True)
            self.rules.append(cp.sum(parts) <= level[-1])
            self.rules.append(parts <= np.array([step.tonnes for step in store.end_values]))
            self.cost -= np.array([step.value_per_t for step in store.end_values]) @ parts

    def contract(self) -> None:
        """Write import, energy and demand charges."""
        # With no negative price the import may stand above what is used: it will not.
        drawn = cp.Variable(self.n)
        (meter,) = self.case.units(SiteMeter)
        assert isinstance(meter, SiteMeter)
        self.rules += [drawn >= self.power, drawn <= meter.import_max_mw]
        self.price = np.zeros(self.n)
        for part in self.case.site.contract.components:
            if isinstance(part, SpotEnergy):
                losses = 1 + part.losses_percent / 100
                self.price += self.case.prices * losses
                self.price += sum(a.per_mwh * (losses if a.on_losses else 1) for a in part.adders_per_mwh)
            else:
                assert isinstance(part, DemandCharge)
                self.demand(part, drawn)
        self.drawn = drawn
        self.cost += (self.price * self.hours) @ drawn

    def demand(self, part: DemandCharge, drawn: cp.Variable) -> None:
        """Write the peak of every month."""
        horizon = self.case.horizon
        for month in sorted(set(horizon.months)):
            floor = self.case.situation.peaks_mw[part.name, month]
            above = cp.Variable(nonneg=True)
            inside = np.array([m == month for m in horizon.months])
            period = horizon.starts_min // part.metering_minutes
            for p in np.unique(period[inside]):
                weights = self.hours * (period == p)
                mean = (weights / weights.sum()) @ drawn
                # A ramp counts where it starts, whole, on the plan day.
                starts = (period == p) & (np.arange(self.n) < horizon.plan_intervals)
                extra = starts.astype(np.float64) * (60.0 / part.metering_minutes) @ self.ramps
                self.rules += [floor + above >= mean, floor + above >= mean + extra]
            self.cost += part.per_mw_month * above

    def solve(self) -> Optimum:
        """Return the optimum by clarabel."""
        problem = cp.Problem(cp.Minimize(self.cost), self.rules)
        cost = problem.solve(solver=cp.CLARABEL)
        assert problem.status == cp.OPTIMAL, problem.status
        value: Array = np.asarray(self.drawn.value)
        return Optimum(float(cost), float(np.sum(np.abs(self.price * self.hours * value))))


def check_plan(plan: Plan, optimum: Optimum) -> None:
    """Assert that bound, cost, gap and audit of a plan fit an independent optimum."""
    sure = plan.certificate
    scale = optimum.denominator
    bound_off, cost_off = (sure.lower_bound - optimum.cost) / scale, (sure.cost - optimum.cost) / scale
    assert bound_off <= REFERENCE_ERROR, f"lower bound above the optimum by {bound_off:.2e}"
    assert bound_off >= -TOLERANCE, f"lower bound under the optimum by {-bound_off:.2e}"
    assert cost_off >= -REFERENCE_ERROR, f"cost under the optimum by {-cost_off:.2e}"
    assert cost_off <= TOLERANCE, f"cost above the optimum by {cost_off:.2e}"
    assert sure.gap <= 1e-5, f"gap {sure.gap:.2e}"
    assert plan.status is Status.PLAN
    assert plan.audit.violations == ()
    assert max(plan.audit.balance_error.values()) <= 1e-6


def horizon_of(seed: int) -> Horizon:
    """Return 24 to 48 intervals: hours, half hours, over a month end, or mixed."""
    if seed % 5 == 4:
        # The last day of a month and the first of the next, half hours first, then hours: two peaks.
        return Horizon.of_days(dt.date(2026, 6, 30), "Europe/Berlin", 60, 1)
    if seed % 5 == 3:
        fine, coarse = intervals(12, 30), intervals(24, 60)
        starts = np.concatenate([fine.starts_min, coarse.starts_min[6:]])
        lengths = np.concatenate([fine.lengths_min, coarse.lengths_min[6:]])
        return Horizon(starts, lengths, fine.timezone, len(starts))
    return intervals(*((24, 60), (36, 60), (48, 30))[seed % 5], day=DAY)


def case_of(seed: int) -> Case:
    """Return the random site of a seed."""
    return random_case(
        np.random.default_rng(seed),
        horizon_of(seed),
        circuits=2 + seed // 5 % 2,
        liquid=seed % 3 == 0,
        ramps=seed % 7 != 0,
    )


@pytest.mark.parametrize("seed", range(50))
def test_plan_meets_the_optimum_of_an_independent_convex_solver(seed: int) -> None:
    """On random sites bound and cost of the plan enclose what clarabel finds for the same problem."""
    case = case_of(seed)
    check_plan(case.plan(), Reference(case).solve())
