"""trips.csv: for every interval, what the largest circuit's trip and the largest customer's trip would mean.

Owns which units of a site take part and the layout of the file. The arithmetic stands in `models.trips`,
names and meanings of columns in `scheduler.report.columns`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from models.chlorine_products import AcidUnit, HypochloriteUnit
from models.circuit import Circuit
from models.compressor import Compressor
from models.horizon import Array, Integers
from models.liquefier import Liquefier, Vaporiser
from models.order import Pipeline
from models.pieces import Variable
from models.trips import (
    FIRST_MINUTES,
    CircuitTrip,
    CustomerTrip,
    LiquefactionRoom,
    circuit_trip,
    customer_trip,
)
from scheduler.report.columns import UNIT_FORMATS
from scheduler.report.csv_text import csv_text
from scheduler.report.figures import on_horizon, plan_mask
from scheduler.report.wording import fixed, local_start
from scheduler.result import Plan, Status

TRIPS_NAME = "trips.csv"
HOUR_DECIMALS = 2
RUNNING_T_PER_H = 1e-3
"""Rate from which a vaporiser counts as running, so hot. [t/h]"""


@dataclass(frozen=True, eq=False)
class HeaderTrips:
    """What trips would mean for the customers of one chlorine header.

    Parameters
    ----------
    header : str
        Commodity in the header. [-]
    circuits, customers : tuple of str
        Circuits that feed it; pipeline customers, in the order of the site file, which is their priority. [-]
    circuit : ndarray of int
        Position of the circuit that makes most chlorine. Shape (n,). [-]
    circuit_t_per_h, left_t_per_h : ndarray
        What it makes, and what the others make. Each shape (n,). [t/h]
    liquid_t : ndarray
        Liquid in store, the lesser of start and end of the interval. Shape (n,). [t]
    wait_min : ndarray
        Time until every vaporiser is hot; 0 while all run. Shape (n,). [min]
    without_circuit : CircuitTrip
        How long customers are supplied. [-]
    customer : ndarray of int
        Position of the customer who takes most. Shape (n,). [-]
    customer_t_per_h : ndarray
        What he takes. Shape (n,). [t/h]
    without_customer : CustomerTrip
        Where that goes. [-]
    cut_ka : ndarray
        The cut as load of the largest circuit; infinite where no load makes chlorine. Shape (n,). [kA]
    turndown_t_per_h : ndarray
        What the circuits can be cut to their least loads. Shape (n,). [t/h]
    """

    header: str
    circuits: tuple[str, ...]
    customers: tuple[str, ...]
    circuit: Integers
    circuit_t_per_h: Array
    left_t_per_h: Array
    liquid_t: Array
    wait_min: Array
    without_circuit: CircuitTrip
    customer: Integers
    customer_t_per_h: Array
    without_customer: CustomerTrip
    cut_ka: Array
    turndown_t_per_h: Array


def trip_figures(plan: Plan) -> tuple[HeaderTrips, ...]:
    """Return what trips would mean, for each header that has circuits and pipeline customers.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of HeaderTrips
        One per header; empty if the result is not a plan. [-]
    """
    if plan.status is Status.NOT_A_PLAN:
        return ()
    headers = dict.fromkeys(
        _header(plan, unit.chlorine) for unit in plan.site.units if isinstance(unit, Circuit)
    )
    return tuple(
        _figures(plan, header)
        for header in headers
        if any(isinstance(unit, Pipeline) and unit.commodity == header for unit in plan.site.units)
    )


def _header(plan: Plan, commodity: str) -> str:
    """Return where a circuit's gas ends: behind the compressors, if there are any."""
    for unit in plan.site.units:
        if isinstance(unit, Compressor) and unit.inlet == commodity:
            return unit.outlet
    return commodity


@dataclass(frozen=True, eq=False)
class _Records:
    """Values and limits of a plan's interval variables, on every interval."""

    plan: Plan
    variables: Mapping[str, Variable]

    def value(self, key: str) -> Array:
        return on_horizon(self.plan, self.variables[key])

    def limit(self, key: str, lower: bool = False) -> Array:
        variable = self.variables[key]
        values = np.zeros(len(self.plan.horizon))
        values[variable.intervals] = variable.lower if lower else variable.upper
        return values


def _figures(plan: Plan, header: str) -> HeaderTrips:
    records = _Records(plan, {v.key: v for v in plan.declaration.variables if v.intervals is not None})
    units = plan.site.units
    circuits = [u for u in units if isinstance(u, Circuit) and _header(plan, u.chlorine) == header]
    customers = [u for u in units if isinstance(u, Pipeline) and u.commodity == header]
    vaporisers = [u for u in units if isinstance(u, Vaporiser) and u.gas == header]
    trains = [u for u in units if isinstance(u, Liquefier) and u.gas == header]
    acids = [u for u in units if isinstance(u, AcidUnit) and u.gas == header]
    each = np.arange(len(plan.horizon))

    made = np.stack([plan.audit.simulations[u.name].readings["chlorine_t_per_h"] for u in circuits])
    slopes = np.stack([_slope(plan, u) for u in circuits])
    spare = np.stack([records.value(u.key("load")) - records.limit(u.key("load"), True) for u in circuits])
    circuit = np.argmax(made, axis=0)
    largest = made[circuit, each]

    takes = np.stack([records.value(u.key("take")) for u in customers])
    least = np.stack([records.limit(u.key("short")) for u in customers])
    rooms = np.stack([_room(records, u) for u in customers])
    customer = np.argmax(takes, axis=0)
    take = takes[customer, each]

    rates = [(records.value(u.key("rate")), records.limit(u.key("rate")), u) for u in vaporisers]
    hot = [(rate > RUNNING_T_PER_H) | (u.cold_start_min == 0) for rate, _, u in rates]
    waits = [np.where(on, 0.0, u.cold_start_min) for on, (_, _, u) in zip(hot, rates, strict=True)]
    zero = np.zeros(len(each))
    liquids = {u.liquid for u in vaporisers} | {u.liquid for u in trains}
    gas = sum((records.value(u.key("header_gas")) for u in acids), zero)
    burnt, most = gas.copy(), zero
    for acid in acids:
        burnt = burnt + records.value(acid.key("tail_gas"))
        most = most + _range(plan, acid)[1]
    active = (*circuits, *customers, *vaporisers, *trains, *acids)
    out = customer_trip(
        take,
        sum((rate for rate, _, _ in rates), zero),
        rooms.sum(axis=0) - rooms[customer, each],
        tuple(
            LiquefactionRoom(records.value(u.key("feed")), records.limit(u.key("feed")), u.liquefaction_yield)
            for u in trains
        ),
        _liquid_room(plan, liquids),
        gas,
        most - burnt,
    )
    slope = slopes[circuit, each]
    cut_ka = np.where(out.to_cut_t_per_h > 0, np.inf, 0.0)
    np.divide(out.to_cut_t_per_h, slope, out=cut_ka, where=slope > 0)
    left = made.sum(axis=0) - largest
    liquid = _liquid(plan, liquids)
    return HeaderTrips(
        header,
        tuple(u.name for u in circuits),
        tuple(u.name for u in customers),
        circuit,
        largest,
        left,
        liquid,
        np.max(np.stack([zero, *waits]), axis=0),
        circuit_trip(
            left,
            _held(plan, header, {u.name for u in active}) + sum((_range(plan, u)[0] for u in acids), zero),
            least,
            liquid,
            sum((np.where(on, r[1], 0.0) for on, r in zip(hot, rates, strict=True)), zero),
            sum((r[1] for r in rates), zero),
        ),
        customer,
        take,
        out,
        cut_ka,
        np.sum(slopes * np.maximum(spare, 0.0), axis=0),
    )


def _slope(plan: Plan, circuit: Circuit) -> Array:
    """Return the chlorine per kA of a circuit as declared. [t/h per kA]."""
    flow = next(
        f
        for f in plan.declaration.flows
        if f.variable == circuit.key("load") and f.commodity == circuit.chlorine
    )
    return np.broadcast_to(np.asarray(flow.coefficient, dtype=np.float64), (len(plan.horizon),))


def _room(records: _Records, customer: Pipeline) -> Array:
    """Return what a customer takes more at once: up to his greatest rate, as far as he moves so soon."""
    room = np.maximum(records.limit(customer.key("take")) - records.value(customer.key("take")), 0.0)
    if customer.ramp_t_per_h_per_h is None:
        return room
    return np.minimum(room, customer.ramp_t_per_h_per_h * FIRST_MINUTES / 60.0)


def _range(plan: Plan, acid: AcidUnit) -> tuple[Array, Array]:
    """Return the range of chlorine burnt in an acid unit as declared. [t/h]."""
    rows = next(r for r in plan.declaration.rows if r.key == acid.key("chlorine_range"))
    return rows.lower, rows.upper


def _held(plan: Plan, header: str, active: set[str]) -> Array:
    """Return header chlorine that goes on as planned, with whoever has no part of his own in a trip."""
    stopped = {u.name for u in plan.site.units if isinstance(u, (HypochloriteUnit, Compressor))}
    flows = (
        flow
        for (unit, commodity), flow in plan.audit.flows.items()
        if commodity == header and unit not in active | stopped
    )
    return -sum(flows, np.zeros(len(plan.horizon)))


def _liquid(plan: Plan, commodities: set[str]) -> Array:
    """Return the lesser content of start and end of each interval, 0 or more. [t]."""
    total = np.zeros(len(plan.horizon))
    for stock in plan.declaration.stocks:
        if stock.commodity in commodities:
            ends = plan.audit.values[stock.key]
            total += np.maximum(np.minimum(ends, np.concatenate([[stock.initial], ends[:-1]])), 0.0)
    return total


def _liquid_room(plan: Plan, commodities: set[str]) -> Array:
    """Return the lesser room of start and end of each interval, 0 or more. [t]."""
    total = np.zeros(len(plan.horizon))
    for stock in plan.declaration.stocks:
        if stock.commodity in commodities:
            ends = plan.audit.values[stock.key]
            fuller = np.maximum(ends, np.concatenate([[stock.initial], ends[:-1]]))
            total += np.maximum(stock.upper - fuller, 0.0)
    return total


def trips_csv(plan: Plan, figures: Iterable[HeaderTrips]) -> str:
    """Return the figures as CSV: a header line, then one row per interval.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    figures : iterable of HeaderTrips
        Its figures. [-]

    Returns
    -------
    str
        Text of trips.csv. Time without end is written 'inf'. [-]
    """
    columns: dict[str, list[str]] = {
        "start": [local_start(plan.horizon, t) for t in range(len(plan.horizon))],
        "minutes": [str(minutes) for minutes in plan.horizon.lengths_min.tolist()],
        "plan_day": [str(int(day)) for day in plan_mask(plan)],
    }
    for trips in figures:
        columns |= _columns(trips)
    return csv_text(columns, zip(*columns.values(), strict=True))


def _columns(trips: HeaderTrips) -> dict[str, list[str]]:
    header, circuit, out = trips.header, trips.without_circuit, trips.without_customer
    columns = {
        f"{header}_tripped_circuit": [trips.circuits[i] for i in trips.circuit],
        f"{header}_tripped_circuit_t_per_h": _cells(trips.circuit_t_per_h),
        f"{header}_left_t_per_h": _cells(trips.left_t_per_h),
        f"{header}_liquid_t": _cells(trips.liquid_t, "t"),
        f"{header}_vaporiser_wait_minutes": _cells(trips.wait_min, "min"),
        f"{header}_returned_t_per_h": _cells(circuit.returned_t_per_h),
    }
    for i, name in enumerate(trips.customers):
        columns[f"{name}_cover_h"] = _cells(circuit.cover_h[i], "h")
        columns[f"{name}_cover_once_hot_h"] = _cells(circuit.cover_once_hot_h[i], "h")
    return columns | {
        f"{header}_tripped_customer": [trips.customers[i] for i in trips.customer],
        f"{header}_tripped_customer_t_per_h": _cells(trips.customer_t_per_h),
        f"{header}_less_vaporised_t_per_h": _cells(out.less_vaporised_t_per_h),
        f"{header}_to_customers_t_per_h": _cells(out.to_customers_t_per_h),
        f"{header}_to_liquefaction_t_per_h": _cells(out.to_liquefaction_t_per_h),
        f"{header}_to_acid_t_per_h": _cells(out.to_acid_t_per_h),
        f"{header}_to_cut_t_per_h": _cells(out.to_cut_t_per_h),
        f"{header}_to_cut_ka": _cells(trips.cut_ka, "kA"),
        f"{header}_turndown_t_per_h": _cells(trips.turndown_t_per_h),
        f"{header}_liquid_full_h": _cells(out.full_h, "h"),
    }


def _cells(values: Array, unit: str = "t/h") -> list[str]:
    decimals = HOUR_DECIMALS if unit == "h" else UNIT_FORMATS[unit].decimals
    return [fixed(value, decimals) if math.isfinite(value) else "inf" for value in values.tolist()]
