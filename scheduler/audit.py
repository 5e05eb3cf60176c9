"""The audit: simulate a plan with every unit's exact models and hold it against every record.

Owns balances, limits and cost of a set of decisions, wherever they come from. It shares the records
with the program, but not its approximations: flows come from `Unit.simulate`, stocks are integrated
anew, the contract is charged at the simulated import.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from models.commodity import STOCK_UNIT_OF
from models.contract.component import BillLine, Profile
from models.horizon import Array
from models.pieces import Limit, Rows, Simulation
from models.ramping import changes_of
from models.tank_header import piece
from scheduler.blends import concentration
from scheduler.exact import charged_terms, exact_costs
from scheduler.lp import Formulation
from scheduler.result import Audit, MeteredPeak, Violation

BALANCE_TOLERANCE = 1e-6
"""Greatest residual of a balance as a share of the commodity's greatest flow."""
FILLED = ", made against filled"
"""What is added to the name of a commodity for the balance of what is made with what its tanks get."""
RAMP_READING = "ramp_energy_mwh"
"""Reading of what a unit draws while its setpoint travels."""
SMALLEST_FLOW = 1e-2
"""Flow below which a share would ask for more than the solver's own tolerance, 1e-8. [commodity unit]"""
LIMIT_TOLERANCE = 1e-6
"""Greatest excess over a limit as a share of its size."""


def audit(formulation: Formulation, values: Mapping[str, Array]) -> Audit:
    """Simulate decisions exactly and report balances, broken limits and cost.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    values : mapping
        Decisions: value of every variable by key; curve results and stock levels are computed anew.
        [as declared]

    Returns
    -------
    Audit
        The simulation. [-]
    """
    site, horizon, situation = formulation.site, formulation.horizon, formulation.situation
    records = formulation.declaration
    exact = {key: np.array(value, dtype=np.float64) for key, value in values.items()}
    everywhere = np.arange(len(horizon))
    exact.update(changes_of(records, exact))
    for curve in records.curves:
        exact[curve.key] = curve.value(exact[curve.of], everywhere)
    simulations: dict[str, Simulation] = {}
    flows: dict[tuple[str, str], Array] = {}
    closing = {record.variable: record.commodity for record in records.closings}
    # Who takes up what the others leave, or looks at it, is simulated after them.
    last = [u for u in site.units if any(key in closing for key in formulation.setpoints[u.name])]
    for unit in (*(u for u in site.units if u not in last), *last):
        if last and unit is last[0]:
            for key, commodity in closing.items():
                others = [flow for (_, name), flow in flows.items() if name == commodity]
                exact[key] = -np.sum(np.stack([np.zeros(len(horizon)), *others]), axis=0)
        setpoints = {key: exact[key] for key in formulation.setpoints[unit.name]}
        simulations[unit.name] = unit.simulate(horizon, situation, setpoints)
        for commodity, flow in simulations[unit.name].flows.items():
            flows[unit.name, commodity] = flow
    simulations = {unit.name: simulations[unit.name] for unit in site.units}
    simulations.update(_mixtures(formulation, simulations, flows))
    net: dict[str, Array] = {}
    size: dict[str, float] = {}
    for (_, commodity), flow in flows.items():
        net[commodity] = net.get(commodity, np.zeros(len(horizon))) + flow
    for commodity in net:
        into = sum(np.maximum(f, 0.0) for (_, name), f in flows.items() if name == commodity)
        out = sum(np.maximum(-f, 0.0) for (_, name), f in flows.items() if name == commodity)
        size[commodity] = max(float(np.max(into)), float(np.max(out)), SMALLEST_FLOW)
    residual = _integrate_stocks(formulation, exact, net)
    residual.update(_filled(formulation, exact, flows))
    size.update({name: size[name.removesuffix(FILLED)] for name in residual if name not in size})
    balance_error = {name: float(np.max(np.abs(r))) / size[name] for name, r in residual.items()}
    if site.meter in exact:
        for prefix, term in charged_terms(formulation, exact):
            exact.update(term.exact_on(horizon, prefix, exact[site.meter]))
    costs = exact_costs(formulation, exact)
    sunk = sum(term.sunk() for _, term in formulation.terms)
    made: dict[str, Array] = {}
    for (_, commodity), flow in flows.items():
        made[commodity] = made.get(commodity, np.zeros(len(horizon))) + np.maximum(flow, 0.0)
    bill: tuple[BillLine, ...] = ()
    if site.meter in exact:
        ramp = formulation.ramps.energy_mwh(exact, horizon) if formulation.ramps.keys else None
        metered = Profile(horizon, exact[site.meter], made_per_h=made, ramp_mwh=ramp)
        bill = site.contract.bill(metered, situation)
    violations = (
        *_broken_balances(formulation, residual, size),
        *_broken_bounds(formulation, exact),
        *_broken_rows(formulation, exact),
        *_broken_exclusions(formulation, exact),
        *_broken_readings(simulations),
    )
    peaks = _metered_peaks(formulation, exact, simulations)
    return Audit(exact, simulations, flows, balance_error, violations, costs, sunk, bill, peaks)


def _mixtures(
    formulation: Formulation,
    simulations: Mapping[str, Simulation],
    flows: Mapping[tuple[str, str], Array],
) -> dict[str, Simulation]:
    """Return the simulations of units that limit what mixtures carry, with the concentrations as readings."""
    found: dict[str, Simulation] = {}
    for blend in formulation.declaration.blends:
        held = concentration(blend, simulations, flows)
        if held is None:
            continue
        before = found.get(blend.owner, simulations[blend.owner])
        found[blend.owner] = replace(
            before,
            limits=(*before.limits, Limit(blend.meaning, blend.unit, held, upper=blend.most)),
            readings={**before.readings, blend.reading: held},
        )
    return found


def _metered_peaks(
    formulation: Formulation, exact: Mapping[str, Array], simulations: Mapping[str, Simulation]
) -> tuple[MeteredPeak, ...]:
    """Return what ramps add to billed peaks, as charged and by the power curves themselves."""
    if not formulation.ramps.keys:
        return ()
    plan_day = np.arange(len(formulation.horizon)) < formulation.horizon.plan_intervals
    simulated = sum(
        (s.readings[RAMP_READING] for s in simulations.values() if RAMP_READING in s.readings),
        np.zeros(len(formulation.horizon)),
    )
    power = exact[formulation.site.meter]
    found = []
    for prefix, term in formulation.terms:
        for key in term.exact(prefix, power) if np.any(term.ramp_prices(formulation.horizon)) else ():
            with_curves = term.with_ramps(np.where(plan_day, simulated, 0.0))
            found.append(
                MeteredPeak(
                    key,
                    float(exact[key][0]),
                    float(term.exact(prefix, power)[key][0]),
                    float(with_curves.exact(prefix, power)[key][0]),
                )
            )
    return tuple(found)


def _integrate_stocks(
    formulation: Formulation, exact: dict[str, Array], net: Mapping[str, Array]
) -> dict[str, Array]:
    """Replace levels by the integral of simulated flows; return what does not close of each balance.

    Where one stock alone closes a commodity its level is the integral itself. Where several share it, how
    they are filled and drawn is a decision: each level is the integral of its own, and they must add up.
    """
    hours = formulation.horizon.hours
    residual = {name: np.array(flow) for name, flow in net.items()}
    for name in net:
        stocks = [stock for stock in formulation.declaration.stocks if stock.commodity == name]
        if any(stock.bus for stock in stocks):
            for stock in stocks:
                fill, draw = exact[piece(stock, "fill")], exact[piece(stock, "draw")]
                moved = exact.get(piece(stock, "transfer"), np.zeros(len(hours)))
                exact[stock.key] = stock.initial + np.cumsum(hours * (fill - draw + moved))
                residual[name] -= fill - draw
        elif len(stocks) == 1:
            planned = exact[stocks[0].key]
            exact[stocks[0].key] = stocks[0].initial + np.cumsum(hours * net[name])
            # The drift between plan and simulation is the error of this balance, not a rate.
            residual[name] = np.diff(exact[stocks[0].key] - planned, prepend=0.0) / hours
    return residual


def _filled(
    formulation: Formulation, exact: Mapping[str, Array], flows: Mapping[tuple[str, str], Array]
) -> dict[str, Array]:
    """Return what is simulated to be made of each shared commodity, less what is filled into its tanks.

    Without it two tanks could exchange content in disguise: one filled with what the other gave.
    """
    found: dict[str, Array] = {}
    for stock in formulation.declaration.stocks:
        if stock.bus:
            made = sum(np.maximum(f, 0.0) for (_, name), f in flows.items() if name == stock.commodity)
            name = f"{stock.commodity}{FILLED}"
            found[name] = found.get(name, np.asarray(made)) - exact[piece(stock, "fill")]
    return found


def _first_worst(excess: Array) -> int:
    return int(np.argmax(excess))


def _broken_balances(
    formulation: Formulation, residual: Mapping[str, Array], size: Mapping[str, float]
) -> list[Violation]:
    found = []
    for name, r in residual.items():
        if np.max(np.abs(r)) > BALANCE_TOLERANCE * size[name]:
            at = _first_worst(np.abs(r))
            unit = formulation.site.commodities[name.removesuffix(FILLED)].unit
            side = "with nowhere to go" if r[at] > 0 else "missing"
            found.append(
                Violation(f"balance_{name}", f"balance of {name}: {name} {side}", at, float(abs(r[at])), unit)
            )
    return found


def _room(limit: Array) -> Array:
    room: Array = LIMIT_TOLERANCE * np.maximum(np.where(np.isfinite(limit), np.abs(limit), 1.0), 1.0)
    return room


def _excess(value: Array, lower: Array, upper: Array) -> Array:
    """How far a value is outside its limits beyond tolerance; negative inside."""
    result: Array = np.maximum(lower - _room(lower) - value, value - upper - _room(upper))
    return result


def _broken_bounds(formulation: Formulation, exact: Mapping[str, Array]) -> list[Violation]:
    found = []
    for variable in formulation.declaration.variables:
        excess = _excess(exact[variable.key], variable.lower, variable.upper)
        if excess.size and np.max(excess) > 0:
            at = _first_worst(excess)
            interval = None if variable.intervals is None else int(variable.intervals[at])
            found.append(
                Violation(
                    variable.key, f"range of {variable.meaning}", interval, float(excess[at]), variable.unit
                )
            )
    for stock in formulation.declaration.stocks:
        excess = _excess(exact[stock.key], stock.lower, stock.upper)
        if np.max(excess) > 0:
            at = _first_worst(excess)
            side = "above its upper" if exact[stock.key][at] > stock.upper[at] else "below its lower"
            found.append(
                Violation(
                    stock.key,
                    f"{stock.meaning} {side} limit",
                    at,
                    float(excess[at]),
                    STOCK_UNIT_OF.get(formulation.site.commodities[stock.commodity].unit, stock.unit),
                )
            )
    return found


def row_values(rows: Rows, values: Mapping[str, Array]) -> tuple[Array, Array]:
    """Return the left-hand sides of a family of rows, and the size of what was added up.

    Parameters
    ----------
    rows : Rows
        The family. [-]
    values : mapping
        Values by key. [as declared]

    Returns
    -------
    tuple of ndarray
        Left-hand sides and sums of absolute parts. Each shape (m,). [unit of the rows]
    """
    left, size = np.zeros(rows.size), np.zeros(rows.size)
    for entry in rows.entries:
        part = entry.coefficients * values[entry.variable][entry.positions]
        np.add.at(left, entry.rows, part)
        np.add.at(size, entry.rows, np.abs(part))
    return left, size


def _broken_rows(formulation: Formulation, exact: Mapping[str, Array]) -> list[Violation]:
    found = []
    for rows in formulation.declaration.rows:
        if not rows.size:
            continue
        left, size = row_values(rows, exact)
        excess = _excess(left, rows.lower, rows.upper) - LIMIT_TOLERANCE * size
        if np.max(excess) > 0:
            at = _first_worst(excess)
            label = "" if rows.labels is None else f" ({rows.labels[at]})"
            interval = None if rows.intervals is None else int(rows.intervals[at])
            found.append(Violation(rows.key, rows.meaning + label, interval, float(excess[at]), rows.unit))
    return found


def _broken_exclusions(formulation: Formulation, exact: Mapping[str, Array]) -> list[Violation]:
    found = []
    for rule in formulation.declaration.exclusives:
        both = np.minimum(exact[rule.first] - rule.first_floor, exact[rule.second] - rule.second_floor)
        if np.max(both) > 2.0 * LIMIT_TOLERANCE:
            at = _first_worst(both)
            found.append(Violation(rule.key, rule.meaning, at, float(both[at]), "t/h"))
    return found


def _broken_readings(simulations: Mapping[str, Simulation]) -> list[Violation]:
    found = []
    for name, simulation in simulations.items():
        for limit in simulation.limits:
            lower = np.broadcast_to(np.asarray(limit.lower, dtype=np.float64), limit.value.shape)
            upper = np.broadcast_to(np.asarray(limit.upper, dtype=np.float64), limit.value.shape)
            excess = _excess(limit.value, lower, upper)
            if np.max(excess) > 0:
                at = _first_worst(excess)
                found.append(Violation(name, limit.name, at, float(excess[at]), limit.unit))
    return found
