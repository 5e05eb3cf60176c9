"""plan.json: what a plan says, for programs.

Owns the shape of the document; names and units of its fields are listed in `scheduler.report.columns`.
It holds no wall-clock time, so that the same inputs give the same bytes.
"""

from __future__ import annotations

import importlib.metadata
import json
import platform
from collections.abc import Iterable, Mapping
from pathlib import Path

from scheduler.conflicts import Change, Collision
from scheduler.report.cautions import CAUTIONS, MODEL_ACCURACY
from scheduler.report.diagnosis import change_words
from scheduler.report.figures import (
    CircuitFigures,
    EnergyFigures,
    billed_peaks,
    circuit_figures,
    comparable,
    energy_figures,
    plan_day_end_min,
    plan_mask,
    power_cost,
    saving,
    saving_percent,
    stock_figures,
    worst_balance,
)
from scheduler.report.wording import duty_words, local_minute, local_start, tidy
from scheduler.result import Plan, Violation

Json = dict[str, object]

SCHEMA_VERSION = 1
"""Raised when a field changes its name or meaning; new fields do not raise it."""

GAP_MEANING = (
    "No plan for the same horizon, prices, duties and end stocks costs less than the lower bound. The gap is "
    "what this plan costs above it, as a share of the absolute energy charges (fees and penalties left out). "
    "It covers the whole horizon with the prices given, forecasts included."
)
"""The certificate in words."""

LAG_MEANING = (
    "What late room temperatures take beyond the steady voltage. It is no part of the cost, the lower bound, "
    "the gap or the comparisons, which are those of the steady voltage. Warnings are limits that no plan is "
    "held to."
)
"""The temperature lag in words."""

PROGRAMS = ("brinewatt", "pyomo", "highspy", "numpy")


def plan_document(plan: Plan, digests: Mapping[str, str], notes: Iterable[str] = ()) -> Json:
    """Return plan.json as a tree of dictionaries and lists in a stable order.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    digests : mapping
        SHA-256 of each input by file name. [-]
    notes : iterable of str
        Sentences beyond the site's own notes. [-]

    Returns
    -------
    dict
        The document; numbers that are not finite are None. [-]
    """
    certificate, audit, horizon = plan.certificate, plan.audit, plan.horizon
    day = plan_mask(plan)
    spans = {"plan_day": day, "horizon": day | True}
    circuits = {span: circuit_figures(plan, mask) for span, mask in spans.items()}
    energy = {span: energy_figures(plan, mask) for span, mask in spans.items()}
    power = power_cost(plan)
    commodity, share = worst_balance(plan)
    return {
        "schema_version": SCHEMA_VERSION,
        "cautions": list(CAUTIONS),
        "notes": list(dict.fromkeys((*plan.site.notes, *notes))),
        "model_accuracy": MODEL_ACCURACY,
        "status": plan.status.value,
        "site": plan.site.name,
        "contract": plan.site.contract.name,
        "currency": plan.site.contract.currency,
        "horizon": {
            "start": local_start(horizon, 0),
            "plan_day_end": local_minute(horizon, plan_day_end_min(plan)),
            "end": local_minute(horizon, horizon.end_min),
            "timezone": horizon.timezone,
            "intervals": len(horizon),
            "plan_day_intervals": horizon.plan_intervals,
            "hours": tidy(float(horizon.hours.sum())),
            "plan_day_hours": tidy(float(horizon.hours[day].sum())),
        },
        "cost": {
            "total": tidy(audit.cost),
            "power": tidy(power),
            "other": tidy(audit.cost - power),
            "by_group": {group: tidy(amount) for group, amount in audit.costs.items()},
            "sunk": tidy(audit.sunk),
        },
        "lower_bound": tidy(certificate.lower_bound),
        "gap": {
            "before_steps": tidy(certificate.gap),
            "after_steps": tidy(certificate.stepped_gap),
            "denominator": tidy(certificate.denominator),
            "meaning": GAP_MEANING,
        },
        "price_of_steps": tidy(certificate.price_of_steps),
        "solution": {
            "rounds": certificate.rounds,
            "tangents": certificate.tangents,
            "chords": certificate.chords,
            "binaries": certificate.binaries,
            "cold_correction": tidy(certificate.cold_correction),
        },
        "energy": {span: _energy(figures) for span, figures in energy.items()},
        "energy_per_tonne": {
            span: {
                circuit.name: {
                    "dc_kwh_per_t": tidy(circuit.dc_kwh_per_t),
                    "ac_kwh_per_t": tidy(circuit.ac_kwh_per_t),
                }
                for circuit in figures
            }
            for span, figures in circuits.items()
        },
        "load": {
            span: {
                circuit.name: {
                    "min_ka": tidy(circuit.load_min_ka),
                    "mean_ka": tidy(circuit.load_mean_ka),
                    "max_ka": tidy(circuit.load_max_ka),
                }
                for circuit in figures
            }
            for span, figures in circuits.items()
        },
        "production": {span: _production(figures) for span, figures in circuits.items()},
        "misses": _misses(plan),
        "violations": _broken(plan, plan.audit.violations),
        "diagnosis": _diagnosis(plan),
        "peak": {
            "billed": [
                {"key": peak.key, "label": peak.label, "peak_mw": tidy(peak.peak_mw)}
                for peak in billed_peaks(plan)
            ],
            "import": {
                span: {"max_mw": tidy(figures.max_mw), "at": local_minute(horizon, figures.max_at_min)}
                for span, figures in energy.items()
            },
        },
        "bill": [
            {
                "component": line.component,
                "label": line.label,
                "quantity": tidy(line.quantity),
                "quantity_unit": line.quantity_unit,
                "rate": tidy(line.rate),
                "amount": tidy(line.amount),
                "group": line.group,
                "formula": line.formula,
            }
            for line in audit.bill
        ],
        "sides": [
            {
                "cases": [{"component": part, "case": case} for part, case in side.cases.items()],
                "cost": tidy(side.cost),
                "lower_bound": tidy(side.lower_bound),
                "refused": side.refused,
                "calls": [
                    {
                        "component": check.component,
                        "start": local_start(plan.horizon, answer.interval),
                        "asked_mw": tidy(answer.asked_mw),
                        "possible_mw": tidy(answer.possible_mw),
                    }
                    for check in side.calls
                    for answer in check.answers
                ],
            }
            for side in plan.tried
        ],
        "comparisons": _comparisons(plan),
        "temperature_lag": _temperature_lag(plan),
        "stocks": _stocks(plan),
        "balance_error_max": {"commodity": commodity, "share": tidy(share)},
        "versions": versions(),
        "input_digests": dict(digests),
    }


def versions() -> dict[str, str | None]:
    """Return the versions on which the numbers of a plan rest.

    Returns
    -------
    dict
        Version by program; None for a program that is not installed as a package. [-]
    """
    found: dict[str, str | None] = {"python": platform.python_version()}
    for program in PROGRAMS:
        try:
            found[program] = importlib.metadata.version(program)
        except importlib.metadata.PackageNotFoundError:
            found[program] = None
    return found


def json_text(document: Json) -> str:
    """Return a document as JSON text in its own order, with a line feed at the end.

    Parameters
    ----------
    document : dict
        The document. [-]

    Returns
    -------
    str
        The text. [-]

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_plan_json(document: Json, path: Path) -> None:
    """Write a document in UTF-8.

    Parameters
    ----------
    document : dict
        The document. [-]
    path : Path
        File to write. [-]
    """
    path.write_text(json_text(document), encoding="utf-8", newline="")


def _energy(figures: EnergyFigures) -> Json:
    return {
        "import_mwh": tidy(figures.energy_mwh),
        "mean_mw": tidy(figures.mean_mw),
        "cost": tidy(figures.cost),
        "average_price_per_mwh": tidy(figures.price_per_mwh),
        "time_mean_price_per_mwh": tidy(figures.time_mean_price_per_mwh),
    }


def _production(figures: tuple[CircuitFigures, ...]) -> Json:
    return {
        "by_circuit": {
            circuit.name: {
                "chlorine_t": tidy(circuit.chlorine_t),
                "alkali_t": tidy(circuit.alkali_t),
                "hydrogen_kg": tidy(circuit.hydrogen_kg),
            }
            for circuit in figures
        },
        "total": {
            "chlorine_t": tidy(sum(circuit.chlorine_t for circuit in figures)),
            "alkali_t": tidy(sum(circuit.alkali_t for circuit in figures)),
            "hydrogen_kg": tidy(sum(circuit.hydrogen_kg for circuit in figures)),
        },
    }


def _temperature_lag(plan: Plan) -> Json | None:
    lag = plan.lag
    if lag is None:
        return None
    return {
        "plan_day": {
            circuit.name: {
                "extra_dc_mwh": tidy(circuit.plan_day_mwh),
                "extra_energy_cost": tidy(circuit.plan_day_cost),
            }
            for circuit in lag.circuits
        },
        "horizon": {
            circuit.name: {
                "extra_dc_mwh": tidy(circuit.horizon_mwh),
                "extra_energy_cost": tidy(circuit.horizon_cost),
            }
            for circuit in lag.circuits
        },
        "contract_cost": tidy(lag.contract_cost),
        "cost_with_lag": tidy(plan.audit.cost + lag.contract_cost),
        "steady_plan": {
            "cost": tidy(lag.without_cost),
            "contract_cost": tidy(lag.without_contract_cost),
        },
        "warnings": _broken(plan, lag.warnings),
        "meaning": LAG_MEANING,
    }


def _at(plan: Plan, interval: int | None) -> str | None:
    return None if interval is None else local_start(plan.horizon, interval)


def _misses(plan: Plan) -> list[Json]:
    return [
        {
            "key": miss.key,
            "meaning": miss.meaning,
            "class": miss.miss_class,
            "class_meaning": duty_words(miss.miss_class),
            "quantity": tidy(miss.quantity),
            "unit": miss.unit,
            "first_at": _at(plan, miss.interval),
            "counts_per_unit": tidy(miss.price),
        }
        for miss in plan.misses
    ]


def _broken(plan: Plan, violations: Iterable[Violation]) -> list[Json]:
    return [
        {
            "key": violation.key,
            "meaning": violation.meaning,
            "amount": tidy(violation.amount),
            "unit": violation.unit,
            "worst_at": _at(plan, violation.interval),
        }
        for violation in violations
    ]


def _diagnosis(plan: Plan) -> Json | None:
    if plan.diagnosis is None:
        return None
    return {
        "complete": plan.diagnosis.complete,
        "note": plan.diagnosis.note,
        "conflicts": [
            {
                "duties": [
                    {
                        "key": duty.key,
                        "meaning": duty.meaning,
                        "quantity": tidy(duty.quantity),
                        "unit": duty.unit,
                        **_span(plan, duty.first, duty.end),
                    }
                    for duty in conflict.duties
                ],
                "limits": [_collision(plan, limit) for limit in conflict.limits],
                "change": None if conflict.change is None else _change(plan, conflict.change),
                "alternatives": [_change(plan, change) for change in conflict.alternatives],
            }
            for conflict in plan.diagnosis.conflicts
        ],
    }


def _change(plan: Plan, change: Change) -> Json:
    return {
        **_collision(plan, change.limit),
        "amount": tidy(change.amount),
        "share": tidy(change.share),
        "words": change_words(plan, change),
    }


def _collision(plan: Plan, limit: Collision) -> Json:
    return {
        "key": limit.key,
        "meaning": limit.meaning,
        "change": limit.kind.value,
        "limit": tidy(limit.limit),
        "unit": limit.unit,
        **_span(plan, limit.first, limit.end),
    }


def _span(plan: Plan, first: int | None, end: int | None) -> Json:
    horizon = plan.horizon
    last = None if end is None else int(horizon.starts_min[end - 1] + horizon.lengths_min[end - 1])
    return {"from": _at(plan, first), "until": None if last is None else local_minute(horizon, last)}


def _comparisons(plan: Plan) -> list[Json]:
    return [
        {
            "name": comparison.name,
            "possible": comparison.cost is not None,
            "comparable": comparison.cost is not None and comparable(plan),
            "cost": tidy(comparison.cost),
            "energy_cost": tidy(comparison.energy_cost),
            "saving": tidy(saving(plan, comparison)),
            "saving_percent": tidy(saving_percent(plan, comparison)),
            "note": comparison.note,
        }
        for comparison in plan.comparisons
    ]


def _stocks(plan: Plan) -> Json:
    return {
        stock.key: {
            "meaning": stock.meaning,
            "unit": stock.unit,
            "start": tidy(stock.start),
            "plan_day_end": tidy(stock.plan_day_end),
            "end": tidy(stock.end),
            "min": tidy(stock.least),
            "min_at": local_minute(plan.horizon, stock.least_at_min),
            "max": tidy(stock.most),
            "max_at": local_minute(plan.horizon, stock.most_at_min),
            "lower_limit": tidy(stock.lower),
            "upper_limit": tidy(stock.upper),
            "lower_limit_at_end": tidy(stock.end_lower),
        }
        for stock in stock_figures(plan)
    }
