"""The temperature lag of cell rooms, held against a plan, and planned for where that pays.

Owns what the lag costs on the contract, the limits it breaks, and the search for a plan that leaves power
free for it and keeps what cold rooms bear. The lag itself is simulated by the circuits; the plan's cost,
bound and comparisons stay those of the steady voltage.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Protocol

import numpy as np

from models.cell_temperature import TemperatureRun, ThermalLag
from models.circuit import Circuit, CircuitState
from models.horizon import Array, Series
from models.site import Site
from models.situation import Availability, Situation
from models.trade import OwnUse
from scheduler.audit import LIMIT_TOLERANCE, audit
from scheduler.exact import charged_terms, energy_prices
from scheduler.lp import Formulation
from scheduler.result import Audit, CircuitLag, Plan, Status, TemperatureLag, Violation

RESERVE = "temperature_lag_reserve"
"""Name of the load that stands for the lag while a plan is sought, and of its series."""
MOST_ROUNDS = 4
"""Plans sought with a reserve."""
BISECTIONS = 40
"""Halvings of a load's range in the search for what a room bears."""


class Planning(Protocol):
    """A program that can be planned, and planned again in another situation."""

    formulation: Formulation

    def plan(self) -> Plan:
        """Return the plan of the present situation. [-]."""

    def revise(self, situation: Situation) -> bool:
        """Take a new situation.

        Parameters
        ----------
        situation : Situation
            What is known now. [-]

        Returns
        -------
        bool
            Whether the program was changed in place. [-]
        """


def has_lag(site: Site) -> bool:
    """Return whether any circuit of a site states a thermal lag.

    Parameters
    ----------
    site : Site
        The works. [-]

    Returns
    -------
    bool
        True if one does. [-]
    """
    return any(isinstance(unit, Circuit) and unit.thermal is not None for unit in site.units)


def temperature_lag(formulation: Formulation, audited: Audit) -> TemperatureLag | None:
    """Return what the lag of audited decisions costs, and the limits beyond which it takes them.

    The extra power is that of the cells: the loss of the rectifier follows its current, which stays.

    Parameters
    ----------
    formulation : Formulation
        The records. [-]
    audited : Audit
        Exact simulation. [-]

    Returns
    -------
    TemperatureLag or None
        Energy, money and warnings; None where no circuit states a thermal lag. [-]
    """
    if not has_lag(formulation.site):
        return None
    horizon, meter = formulation.horizon, formulation.site.meter
    price = energy_prices(formulation)
    day = np.arange(len(horizon)) < horizon.plan_intervals
    circuits, warnings = [], []
    for unit in formulation.site.units:
        if not isinstance(unit, Circuit) or unit.thermal is None:
            continue
        energy = audited.simulations[unit.name].readings["lag_power_mw"] * horizon.hours
        circuits.append(
            CircuitLag(
                unit.name,
                float(np.sum(energy[day])),
                float(np.sum((energy * price)[day])),
                float(np.sum(energy)),
                float(np.sum(energy * price)),
            )
        )
        warnings += _room_warnings(unit, unit.thermal, formulation, audited)
    contract_cost = 0.0
    if meter in audited.values:
        steady = audited.values[meter]
        late = steady + lag_power(formulation.site, audited)
        contract_cost = sum(
            term.cost(horizon, late) - term.cost(horizon, steady)
            for _, term in charged_terms(formulation, audited.values)
        )
        warnings += _import_warning(formulation, late)
    return TemperatureLag(tuple(circuits), contract_cost, tuple(warnings))


def lag_power(site: Site, audited: Audit) -> Array:
    """Return the extra power of all circuits.

    Parameters
    ----------
    site : Site
        The works; at least one circuit states a thermal lag. [-]
    audited : Audit
        Exact simulation. [-]

    Returns
    -------
    ndarray
        Mean on each interval, negative where rooms are still warm. Shape (n,). [MW]
    """
    parts = [
        audited.simulations[unit.name].readings["lag_power_mw"]
        for unit in site.units
        if isinstance(unit, Circuit) and unit.thermal is not None
    ]
    total: Array = np.sum(parts, axis=0)
    return total


def _room_warnings(
    circuit: Circuit, thermal: ThermalLag, formulation: Formulation, audited: Audit
) -> list[Violation]:
    horizon, situation = formulation.horizon, formulation.situation
    readings = audited.simulations[circuit.name].readings
    run = circuit.temperature(horizon, situation, audited.values[circuit.key("load")])
    if run is None:
        return []
    cells = circuit.state(horizon, situation).cells
    coldest = np.minimum(run.start_c, run.end_c)
    cold = coldest < thermal.cold_below_c * (1.0 - LIMIT_TOLERANCE)
    dc_v = np.where(readings["dc_voltage_v"] > 0, readings["dc_voltage_v"] + cells * run.start_lag_v, 0.0)
    found = [
        _worst(
            circuit.key("cold_density"),
            f"density of {circuit.name} while its room is colder than {thermal.cold_below_c:g} C",
            np.where(cold, readings["current_density_ka_per_m2"], 0.0),
            thermal.cold_density_max_ka_per_m2,
            "kA/m2",
        ),
        _worst(
            circuit.key("cold_dc_voltage"),
            f"DC voltage of {circuit.name}'s rectifiers while its room is still cold",
            dc_v,
            circuit.rectifier.dc_voltage_max_v,
            "V",
        ),
    ]
    return [warning for warning in found if warning is not None]


def _import_warning(formulation: Formulation, late: Array) -> list[Violation]:
    meter = formulation.site.meter
    for variable in formulation.declaration.variables:
        if variable.key == meter:
            warning = _worst(
                f"{meter}_with_lag", "import with the lag of the rooms", late, variable.upper, "MW"
            )
            return [] if warning is None else [warning]
    return []


def _worst(key: str, meaning: str, value: Array, upper: float | Array, unit: str) -> Violation | None:
    excess = value - upper
    at = int(np.argmax(excess))
    limit = float(np.broadcast_to(np.asarray(upper), value.shape)[at])
    # A limit of infinity leaves an excess of minus infinity, which is no excess.
    if not excess[at] > LIMIT_TOLERANCE * max(abs(limit), 1.0):
        return None
    return Violation(key, meaning, at, float(excess[at]), unit)


def plan_with_lag(planner: Planning, other: Callable[[Site, Situation], Planning], gap: float) -> Plan:
    """Return the cheapest plan found when the lag counts, with the certificate of the steady model.

    What a plan can gain is power kept free where rooms are still cold, under a peak that is billed or an
    import limit. So the lag of the last plan is put at the meter as a given load, at each interval the
    greatest lag seen so far, and the site is planned anew. Where a room of the last plan is too cold for its
    density, or its rectifiers would lack volts, its load is limited on that interval to what the room then
    bears. Every plan is audited without that load and those limits, its own lag is simulated and charged, and
    the best is kept: first the one that goes least over the import limit, then the one that breaks a room's
    limits least, then the cheapest. Rounds end when they gain less than the gap. Where no plan with such
    limits meets all duties the warning stays.

    What the lag moves between cheap and dear hours is not fed back: it is a small share of what
    whole steps cost.

    Parameters
    ----------
    planner : Planning
        Program of the site as it is. [-]
    other : callable
        Makes the program of another site and situation over the same horizon. [-]
    gap : float
        Share of the absolute energy charges below which a gain is none. [-]

    Returns
    -------
    Plan
        The plan of the steady model, or one that costs less when the lag counts; `Plan.lag` says which. The
        certificate bounds the steady model in both cases. [-]
    """
    formulation = planner.formulation
    steady = planner.plan()
    if steady.lag is None or steady.status is not Status.PLAN:
        return steady
    worth = gap * steady.certificate.denominator
    best = last = steady
    reserve = np.zeros(len(steady.horizon))
    limits: dict[str, Array] = {}
    if not any(_broken(best)) and steady.lag.contract_cost - steady.lag.energy_cost <= worth:
        return steady
    site = formulation.site.with_units((OwnUse(RESERVE, "power", series=RESERVE, unit="MW"),))
    reserved: Planning | None = None
    for _ in range(MOST_ROUNDS):
        reserve = np.maximum(reserve, lag_power(formulation.site, last.audit))
        for name, most in _bearable(formulation, last.audit).items():
            limits[name] = np.minimum(limits.get(name, most), most)
        situation = _with_limits(formulation, _with_reserve(formulation, reserve), limits)
        if reserved is None:
            reserved = other(site, situation)
        else:
            reserved.revise(situation)
        found = _without_reserve(steady, formulation, reserved.plan(), reserve)
        if found is None:
            break
        if (*_broken(found), _total(found)) >= (*_broken(best), _total(best)):
            break
        small = not any(_broken(best)) and _total(best) - _total(found) <= worth
        best = last = found
        if small:
            break
    return best


def _bearable(formulation: Formulation, audited: Audit) -> dict[str, Array]:
    """Return the loads that rooms bear at their temperatures, infinite where the planned load is borne.

    Interval by interval, each with the temperature that the limited loads before it leave.
    """
    horizon, situation = formulation.horizon, formulation.situation
    found: dict[str, Array] = {}
    for unit in formulation.site.units:
        if not isinstance(unit, Circuit) or unit.thermal is None:
            continue
        state = unit.state(horizon, situation)
        load = np.array(audited.values[unit.key("load")])
        most = np.full(len(horizon), np.inf)
        for t in np.flatnonzero(state.in_service).tolist():
            run = unit.temperature(horizon, situation, load)
            if run is None:
                break
            borne = _borne(unit, unit.thermal, state, t, float(load[t]), run)
            if borne < load[t] * (1.0 - LIMIT_TOLERANCE):
                load[t] = most[t] = max(borne, float(state.load_min_ka[t]))
        if np.any(np.isfinite(most)):
            found[unit.name] = most
    return found


def _borne(
    circuit: Circuit, thermal: ThermalLag, state: CircuitState, t: int, load: float, run: TemperatureRun
) -> float:
    """Return the greatest load up to a given one that a room bears on an interval. [kA]."""
    area = circuit.area_m2 * float(state.electrolysers[t])
    start = float(run.start_c[t])
    if min(start, float(run.end_c[t])) < thermal.cold_below_c * (1.0 - LIMIT_TOLERANCE):
        load = min(load, thermal.cold_density_max_ka_per_m2 * area)

    def volts(at: float) -> float:
        density = at / area
        lag = thermal.volts_per_c * (thermal.steady_c(density) - start)
        cell = circuit.cell_voltage.voltage(density) + lag
        return float(state.cells[t] * cell + circuit.busbar.drop_v(at))

    low, high = float(state.load_min_ka[t]), load
    if volts(high) <= circuit.rectifier.dc_voltage_max_v:
        return high
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if volts(middle) <= circuit.rectifier.dc_voltage_max_v else (low, middle)
    return low


def _with_limits(formulation: Formulation, situation: Situation, limits: Mapping[str, Array]) -> Situation:
    horizon = formulation.horizon
    facts = [
        Availability(
            name,
            "load_max_ka",
            float(most[t]),
            int(horizon.starts_min[t]),
            int(horizon.starts_min[t] + horizon.lengths_min[t]),
            "what the room bears while it is cold",
        )
        for name, most in limits.items()
        for t in np.flatnonzero(np.isfinite(most)).tolist()
    ]
    return replace(situation, availability=(*situation.availability, *facts))


def _with_reserve(formulation: Formulation, reserve: Array) -> Situation:
    horizon = formulation.horizon
    series = Series(RESERVE, horizon.starts_min, horizon.lengths_min, reserve)
    return replace(formulation.situation, series={**formulation.situation.series, RESERVE: series})


def _without_reserve(steady: Plan, formulation: Formulation, plan: Plan, reserve: Array) -> Plan | None:
    """Return a plan found with the reserve as a plan of the site as it is; None if it is none."""
    if plan.status is not Status.PLAN:
        return None
    records = formulation.declaration
    keys = {
        *(variable.key for variable in records.variables),
        *(curve.key for curve in records.curves),
        *(stock.key for stock in records.stocks),
    }
    values = {key: value for key, value in plan.audit.values.items() if key in keys}
    values[formulation.site.meter] = values[formulation.site.meter] - reserve
    audited = audit(formulation, values)
    lag = temperature_lag(formulation, audited)
    if audited.violations or lag is None or steady.lag is None:
        return None
    certificate = steady.certificate
    if certificate.stepped_cost is None:
        certificate = replace(certificate, cost=audited.cost)
    else:
        certificate = replace(certificate, stepped_cost=audited.cost)
    return replace(
        steady,
        audit=audited,
        certificate=certificate,
        seconds={**steady.seconds, "lag": sum(plan.seconds.values())},
        lag=replace(lag, without_cost=steady.audit.cost, without_contract_cost=steady.lag.contract_cost),
    )


def _total(plan: Plan) -> float:
    return plan.audit.cost + (plan.lag.contract_cost if plan.lag is not None else 0.0)


def _broken(plan: Plan) -> tuple[float, float]:
    """How far a plan with its lag goes beyond limits: the import's, and those of cold rooms.

    Of rooms the sum of excesses counts, kA/m2 and V alike: what is compared is more or less of the same.
    """
    import_key = f"{plan.site.meter}_with_lag"
    warnings = () if plan.lag is None else plan.lag.warnings
    return (
        sum(warning.amount for warning in warnings if warning.key == import_key),
        sum(warning.amount for warning in warnings if warning.key != import_key),
    )
