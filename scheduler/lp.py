"""The linear program: the only code that turns declared records into Pyomo.

Owns the text of the program: variables, balances, rows, tangents, objective, and the slacks that tell
the least violation of an impossible situation. It knows records, not the trade, and no solver. Names
are `{unit}_{piece}[t]`, so that a row or column reads as what it is.

Every body is a Pyomo `LinearExpression`; `scheduler.highs` relies on that to transfer the model fast.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyomo.environ as pyo
from pyomo.common.gc_manager import PauseGC
from pyomo.core.expr import LinearExpression

from models.contract.term import Term
from models.horizon import Array, Horizon, Integers
from models.pieces import Cost, Curve, Declaration, Rows, Variable
from models.ramping import RampResults
from models.site import Site
from models.situation import Situation
from models.tank_header import on_headers
from scheduler.blends import blend_rows

START_TANGENTS = 12
"""Tangents per curve and interval in the first program; a few rounds of cuts add the rest."""
CONVEXITY_POINTS = 9
"""Points per interval at which a curve is tested to lie above its tangents."""
CONVEXITY_TOLERANCE = 1e-9
"""How far, as a share of the curve's size, a point may lie below a tangent by rounding."""


@dataclass(frozen=True, eq=False)
class Formulation:
    """What is to be planned, as records: the units' and the contract's apart and together.

    Parameters
    ----------
    site : Site
        The works, orders included. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What is known. [-]
    declaration : Declaration
        All records. [-]
    unit_costs : frozenset of str
        Keys of the costs that units declare, and of what the contract pays for products; the rest is the
        contract's at the meter. [-]
    setpoints : mapping
        Keys of the variables of each unit by its name, and of those it reads. [-]
    terms : tuple of (str, Term)
        The contract's terms. [-]
    metered : tuple of Rows
        Rows of units and of the contract that limit the metered import, by itself or with others. [-]
    ramps : RampResults
        Keys of the energies of ramps that the terms count. [-]
    """

    site: Site
    horizon: Horizon
    situation: Situation
    declaration: Declaration
    unit_costs: frozenset[str]
    setpoints: Mapping[str, tuple[str, ...]]
    terms: tuple[tuple[str, Term], ...]
    metered: tuple[Rows, ...] = ()
    ramps: RampResults = field(default_factory=RampResults)


def formulate(site: Site, horizon: Horizon, situation: Situation) -> Formulation:
    """Collect the records of a site over a horizon and test that every curve is convex.

    Parameters
    ----------
    site : Site
        The works, orders included. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What is known. [-]

    Returns
    -------
    Formulation
        The records. [-]

    Raises
    ------
    ValueError
        If records clash, or a curve lies below one of its tangents.
    """
    parts = site.parts(horizon, situation)
    units = Declaration.merged(parts.values())
    site.check_buses(units)
    contract = site.contract.declare(horizon, situation, site.meter)
    travelling, ramps = site.contract.declare_ramps(horizon, situation, site.meter, units.ramps)
    outputs = _output_costs(site, horizon, situation, units)
    mixtures = Declaration(rows=blend_rows(units, len(horizon)))
    declaration = Declaration.merged((on_headers(units, horizon), contract, outputs, travelling, mixtures))
    formulation = Formulation(
        site,
        horizon,
        situation,
        declaration,
        frozenset(cost.key for cost in (*units.costs, *outputs.costs)),
        {name: (*(v.key for v in part.variables), *part.reads) for name, part in parts.items()},
        site.contract.terms(horizon, situation),
        (
            *(r for r in units.rows if any(entry.variable == site.meter for entry in r.entries)),
            # What the contract itself may break is a definition; what it asks of the import is a limit.
            *(r for r in contract.rows if r.breakable),
        ),
        ramps,
    )
    check_keys(declaration)
    bounds = {variable.key: variable for variable in declaration.variables}
    for curve in declaration.curves:
        check_convex(curve, bounds[curve.of])
    return formulation


def _output_costs(site: Site, horizon: Horizon, situation: Situation, units: Declaration) -> Declaration:
    """Return what the contract pays for products, as costs on whatever makes them."""
    places = {v.key: v.intervals for v in units.variables}
    everywhere = np.arange(len(horizon))
    costs = []
    for prefix, rate in site.contract.output_rates(horizon, situation):
        for flow in units.flows:
            coefficient = np.asarray(flow.coefficient, dtype=np.float64)
            if flow.commodity != rate.commodity or not np.any(coefficient > 0):
                continue
            at = places.get(flow.variable)
            at = everywhere if at is None else at
            money = (rate.per_t * horizon.hours)[at]
            constant = float(np.sum(money * np.broadcast_to(flow.constant, len(at))))
            costs.append(
                Cost(f"{prefix}_{flow.variable}", rate.group, flow.variable, money * coefficient, constant)
            )
    return Declaration(costs=tuple(costs))


def check_keys(declaration: Declaration) -> None:
    """Test that every row, rule, flow and cost names things that exist.

    Parameters
    ----------
    declaration : Declaration
        All records. [-]

    Raises
    ------
    ValueError
        If a key is not that of a variable, curve result or stock level; the message names a close one.
    """
    known = [record.key for record in declaration.variables]
    known += [record.key for record in declaration.curves] + [record.key for record in declaration.stocks]
    named = [(rows.key, entry.variable) for rows in declaration.rows for entry in rows.entries]
    named += [(rule.key, key) for rule in declaration.exclusives for key in (rule.first, rule.second)]
    named += [(cost.key, cost.variable) for cost in declaration.costs]
    named += [(flow.commodity, flow.variable) for flow in declaration.flows]
    named += [("a simulation", key) for key in declaration.reads]
    problems = []
    for owner, key in dict.fromkeys(named):
        if key not in known:
            close = difflib.get_close_matches(key, known, n=1)
            hint = f"; did you mean '{close[0]}'?" if close else ""
            problems.append(f"'{owner}' names '{key}', which no unit has{hint}")
    if problems:
        raise ValueError("; ".join(problems))


def check_convex(curve: Curve, argument: Variable) -> None:
    """Test that a curve lies above its tangents everywhere on its domain.

    Parameters
    ----------
    curve : Curve
        The curve. [-]
    argument : Variable
        Its argument, whose bounds are the domain. [-]

    Raises
    ------
    ValueError
        If a sampled point lies below a tangent: the curve must be split into convex parts first.
    """
    t = np.flatnonzero(argument.upper > argument.lower)
    if not t.size:
        return
    share = np.linspace(0.0, 1.0, CONVEXITY_POINTS)
    low, width = argument.lower[t], (argument.upper - argument.lower)[t]
    points = [low + s * width for s in share]
    values = [curve.value(x, t) for x in points]
    slopes = [curve.slope(x, t) for x in points]
    size = np.max(np.abs(np.stack(values)), axis=0) + 1.0
    for x, y, s in zip(points, values, slopes, strict=True):
        for other, level in zip(points, values, strict=True):
            below = level - (y + s * (other - x)) < -CONVEXITY_TOLERANCE * size
            if np.any(below):
                at = int(t[np.flatnonzero(below)[0]])
                raise ValueError(
                    f"{curve.key} is not convex in {curve.of} at interval {at}: it lies below its own "
                    "tangent, so no bound on the cost can be given; narrow its range or split it"
                )


def cost_vector(records: Declaration, columns: Mapping[str, slice], count: int) -> tuple[Array, float]:
    """Return the cost of every column and the constant of the objective.

    Parameters
    ----------
    records : Declaration
        The records. [-]
    columns : mapping
        Positions of each variable, curve result and stock level. [-]
    count : int
        Number of columns. [-]

    Returns
    -------
    tuple of (ndarray, float)
        Costs, shape (count,), and constant. [currency/unit], [currency]
    """
    costs = np.zeros(count)
    for cost in records.costs:
        costs[columns[cost.variable]] += cost.coefficient
    return costs, float(sum(cost.constant for cost in records.costs))


def balance_constants(records: Declaration, horizon: Horizon) -> dict[str, Array]:
    """Return the constant part of every bus's balance: fixed flows and what stocks start with.

    Parameters
    ----------
    records : Declaration
        The records. [-]
    horizon : Horizon
        The intervals. [-]

    Returns
    -------
    dict
        Constants by commodity, and by the buses of single tanks that share one, in order of first use. Each
        shape (n,). [commodity unit]
    """
    names = dict.fromkeys(
        [flow.commodity for flow in records.flows] + [stock.closes for stock in records.stocks]
    )
    constants = {name: np.zeros(len(horizon)) for name in names}
    places = {v.key: v.intervals for v in records.variables}
    everywhere = np.arange(len(horizon))
    for flow in records.flows:
        at = places.get(flow.variable, everywhere)
        if at is None:
            raise ValueError(f"the flow of {flow.variable} on {flow.commodity} needs an interval variable")
        np.add.at(constants[flow.commodity], at, np.broadcast_to(flow.constant, len(at)))
    for stock in records.stocks:
        constants[stock.closes][0] += stock.initial / horizon.hours[0]
    return constants


@dataclass(eq=False)
class Program:
    """A Pyomo model with the positions of its records.

    Parameters
    ----------
    model : ConcreteModel
        The program. [-]
    kept : mapping
        Rows of a family that are in the program, where some promise nothing and were left out. [-]
    violations : tuple of str
        Keys of the slack variables of an elastic program; empty otherwise. [-]
    meanings : mapping
        Words for each slack variable. [-]
    """

    model: Any
    kept: dict[str, list[int]] = field(default_factory=dict)
    violations: tuple[str, ...] = ()
    meanings: dict[str, str] = field(default_factory=dict)


def build(formulation: Formulation, elastic: bool = False, tangents: int = START_TANGENTS) -> Program:
    """Write the program.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    elastic : bool
        Whether limits of plant and permit get slacks, to find the least violation. [-]
    tangents : int
        Tangents per curve and interval, 2 or more. [-]

    Returns
    -------
    Program
        The Pyomo model and its positions. [-]
    """
    with PauseGC():
        return _Writer(formulation, elastic, tangents).write()


def _summed(coefficients: list[float], columns: list[Any]) -> tuple[list[float], list[Any]]:
    """Return a row in which every column stands once; records may name one twice and mean the sum."""
    if len({id(column) for column in columns}) == len(columns):
        return coefficients, columns
    total: dict[int, float] = {}
    first: dict[int, Any] = {}
    for c, column in zip(coefficients, columns, strict=True):
        total[id(column)] = total.get(id(column), 0.0) + c
        first[id(column)] = column
    return list(total.values()), list(first.values())


class _Writer:
    """Writes one program; holds what the steps of writing share."""

    def __init__(self, formulation: Formulation, elastic: bool, tangents: int) -> None:
        self.records = formulation.declaration
        self.horizon = formulation.horizon
        self.commodities = formulation.site.commodities
        self.elastic = elastic
        self.tangents = tangents
        self.program = Program(pyo.ConcreteModel(name=formulation.site.name))
        self.columns: dict[str, list[Any]] = {}
        self.places: dict[str, Integers] = {}
        self.slack_keys: list[str] = []

    def write(self) -> Program:
        everywhere = np.arange(len(self.horizon))
        for variable in self.records.variables:
            self.variable(variable.key, variable.lower, variable.upper)
            if variable.intervals is not None:
                self.places[variable.key] = variable.intervals
        for curve in self.records.curves:
            self.curve(curve)
            self.places[curve.key] = everywhere
        for stock in self.records.stocks:
            free = self.elastic
            self.variable(
                stock.key, stock.lower - (np.inf if free else 0), stock.upper + (np.inf if free else 0)
            )
            self.places[stock.key] = everywhere
        self.balances()
        for rows in self.records.rows:
            self.rows(rows)
        if self.elastic:
            self.stock_limits()
        self.objective()
        self.program.violations = tuple(self.slack_keys)
        return self.program

    def variable(self, key: str, lower: Array, upper: Array) -> list[Any]:
        bounds = list(
            zip(
                (None if x == -np.inf else x for x in lower.tolist()),
                (None if x == np.inf else x for x in upper.tolist()),
                strict=True,
            )
        )
        component = pyo.Var(range(len(bounds)), bounds=lambda _, i: bounds[i])
        self.program.model.add_component(key, component)
        self.columns[key] = list(component.values())
        return self.columns[key]

    def family(
        self, key: str, bodies: list[tuple[list[float], list[Any]]], lower: Array, upper: Array
    ) -> None:
        """Add one indexed constraint from (coefficients, columns) of each row.

        A row without columns is a promise on constants, kept out of the program when it holds.
        """
        limits = [
            (None if low == -np.inf else low, None if high == np.inf else high)
            for low, high in zip(lower.tolist(), upper.tolist(), strict=True)
        ]

        def rule(_: Any, i: int) -> Any:
            coefficients, columns = _summed(*bodies[i])
            low, high = limits[i]
            body = LinearExpression(constant=0.0, linear_coefs=coefficients, linear_vars=columns)
            return (low, body, high) if low != high else (body, low)

        index = [i for i in range(len(bodies)) if bodies[i][1] or not lower[i] <= 0.0 <= upper[i]]
        if len(index) < len(bodies):
            self.program.kept[key] = index
        self.program.model.add_component(key, pyo.Constraint(index, rule=rule))

    def curve(self, curve: Curve) -> None:
        argument = next(v for v in self.records.variables if v.key == curve.of)
        t = np.arange(len(argument.lower))
        low, high = argument.lower, argument.upper
        at_low, at_high = curve.value(low, t), curve.value(high, t)
        fixed = high <= low
        # A convex curve is greatest at an end of its domain; tangents bound it from below.
        upper = np.where(fixed, at_low, np.maximum(at_low, at_high))
        results = self.variable(curve.key, np.where(fixed, at_low, -np.inf), upper)
        arguments = self.columns[curve.of]
        bodies: list[tuple[list[float], list[Any]]] = []
        limits: list[float] = []
        live = np.flatnonzero(~fixed)
        for share in np.linspace(0.0, 1.0, self.tangents if curve.tangents is None else curve.tangents):
            x = low[live] + share * (high - low)[live]
            y, slope = curve.value(x, live), curve.slope(x, live)
            for i, s, rest in zip(live.tolist(), slope.tolist(), (y - slope * x).tolist(), strict=True):
                bodies.append(([1.0, -s], [results[i], arguments[i]]))
                limits.append(rest)
        self.family(f"{curve.key}_tangents", bodies, np.array(limits), np.full(len(limits), np.inf))

    def balances(self) -> None:
        """Close every commodity's bus on every interval by an equality."""
        n = len(self.horizon)
        hours = self.horizon.hours
        constants = balance_constants(self.records, self.horizon)
        names = list(constants)
        coefficients: dict[str, list[list[float]]] = {name: [[] for _ in range(n)] for name in names}
        columns: dict[str, list[list[Any]]] = {name: [[] for _ in range(n)] for name in names}
        for flow in self.records.flows:
            at = self.places[flow.variable]
            into_c, into_v = coefficients[flow.commodity], columns[flow.commodity]
            for t, c, column in zip(
                at.tolist(),
                np.broadcast_to(flow.coefficient, len(at)).tolist(),
                self.columns[flow.variable],
                strict=True,
            ):
                if c != 0.0:
                    into_c[t].append(c)
                    into_v[t].append(column)
        per_hour = (1.0 / hours).tolist()
        for stock in self.records.stocks:
            level = self.columns[stock.key]
            into_c, into_v = coefficients[stock.closes], columns[stock.closes]
            for t in range(n):
                into_c[t].append(-per_hour[t])
                into_v[t].append(level[t])
                if t:
                    into_c[t].append(per_hour[t])
                    into_v[t].append(level[t - 1])
        own = {stock.bus for stock in self.records.stocks if stock.bus}
        for name in names:
            # What is missing or too much is told of the commodity, not of each tank that shares it.
            if self.elastic and name not in own:
                unit = self.commodities[name].unit
                self.slack(
                    f"balance_{name}_deficit",
                    n,
                    f"{name} that is missing [{unit}]",
                    1.0,
                    name,
                    coefficients,
                    columns,
                )
                self.slack(
                    f"balance_{name}_surplus",
                    n,
                    f"{name} with nowhere to go [{unit}]",
                    -1.0,
                    name,
                    coefficients,
                    columns,
                )
            bodies = list(zip(coefficients[name], columns[name], strict=True))
            self.family(f"balance_{name}", bodies, -constants[name], -constants[name])

    def slack(
        self,
        key: str,
        size: int,
        meaning: str,
        sign: float,
        name: str,
        coefficients: dict[str, list[list[float]]],
        columns: dict[str, list[list[Any]]],
    ) -> None:
        slack = self.violation(key, size, meaning)
        for t in range(size):
            coefficients[name][t].append(sign)
            columns[name][t].append(slack[t])

    def violation(self, key: str, size: int, meaning: str) -> list[Any]:
        self.slack_keys.append(key)
        self.program.meanings[key] = meaning
        return self.variable(key, np.zeros(size), np.full(size, np.inf))

    def rows(self, rows: Rows) -> None:
        bodies: list[tuple[list[float], list[Any]]] = [([], []) for _ in range(rows.size)]
        for entry in rows.entries:
            columns = self.columns[entry.variable]
            for row, position, c in zip(
                entry.rows.tolist(), entry.positions.tolist(), entry.coefficients.tolist(), strict=True
            ):
                if c != 0.0:
                    bodies[row][0].append(c)
                    bodies[row][1].append(columns[position])
        if self.elastic and rows.breakable:
            for suffix, sign in (("below", 1.0), ("above", -1.0)):
                slack = self.violation(
                    f"{rows.key}_{suffix}", rows.size, f"{rows.meaning}, {suffix} its limit [{rows.unit}]"
                )
                for row in range(rows.size):
                    bodies[row][0].append(sign)
                    bodies[row][1].append(slack[row])
        self.family(rows.key, bodies, rows.lower, rows.upper)

    def stock_limits(self) -> None:
        for stock in self.records.stocks:
            level = self.columns[stock.key]
            n = len(level)
            low = self.violation(
                f"{stock.key}_below", n, f"{stock.meaning} below its lower limit [{stock.unit}]"
            )
            high = self.violation(
                f"{stock.key}_above", n, f"{stock.meaning} above its upper limit [{stock.unit}]"
            )
            bodies = [([1.0, 1.0, -1.0], [level[t], low[t], high[t]]) for t in range(n)]
            self.family(f"{stock.key}_limits", bodies, stock.lower, stock.upper)

    def objective(self) -> None:
        slices: dict[str, slice] = {}
        columns: list[Any] = []
        for key, family in self.columns.items():
            slices[key] = slice(len(columns), len(columns) + len(family))
            columns.extend(family)
        costs, offset = cost_vector(self.records, slices, len(columns))
        used = np.flatnonzero(costs).tolist()
        body = LinearExpression(
            constant=offset,
            linear_coefs=costs[used].tolist(),
            linear_vars=[columns[i] for i in used],
        )
        self.program.model.add_component("cost", pyo.Objective(expr=body, sense=pyo.minimize))
