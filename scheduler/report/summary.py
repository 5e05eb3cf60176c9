"""The terminal page: a plan in one screen of plain text, what went wrong first.

Owns wording and layout. Figures come from `scheduler.report.figures`.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence

import numpy as np

from models.run_down import Way
from scheduler.report.cautions import MODEL_ACCURACY, SHORT_CAUTION
from scheduler.report.diagnosis import diagnosis_lines
from scheduler.report.figures import (
    POWER_GROUPS,
    StockFigures,
    billed_peaks,
    circuit_figures,
    circuit_names,
    comparable,
    edges_min,
    energy_figures,
    load_variable,
    on_horizon,
    plan_day_end_min,
    plan_mask,
    power_cost,
    saving,
    saving_percent,
    stock_figures,
    touched_limits,
)
from scheduler.report.load_changes import change_count, outage_ways
from scheduler.report.outages import outage_lines
from scheduler.report.tanks import tank_lines
from scheduler.report.trips import HeaderTrips, trip_figures
from scheduler.report.wording import (
    TERMINAL_COLUMNS,
    clock,
    duty_words,
    fixed,
    plain,
    spoken_minute,
    spoken_start,
)
from scheduler.result import Comparison, Plan, Status

LOAD_SHOWN_KA = 0.05
"""Change of load below which the summary shows none. [kA]"""
SAME_COST = 0.005
"""Difference of two costs that counts as none. [currency]"""
MOST_LOADS = 16
"""Loads of one circuit shown in the summary."""
MOST_CIRCUITS = 6
"""Rows of circuits before the summary points to page.html."""
MOST_STOCKS = 12
"""Rows of stocks; beyond them those that touch no limit are only named."""
MOST_FAILURES = 4
"""Missed duties, and broken limits, before the summary points to page.html."""
RAMPS_TOLD_MW = 0.005
"""Part of a peak from loads on their way that is worth a word."""

HEADLINES = {
    Status.PLAN: "PLAN: all duties met, all limits kept.",
    Status.MISSES: "MISSED DUTIES: all limits kept, but not all duties can be met. Least possible misses:",
    Status.NOT_A_PLAN: (
        "NOT A PLAN: limits of plant or permit are broken even with every duty left open. DO NOT RUN THIS. "
        "Least violation:"
    ),
    Status.SOLVER_LIMIT: (
        "PLAN WITH AN OPEN GAP: duties met and limits kept, but the solver stopped before the gap closed."
    ),
}
"""First words of the page."""


def summary_text(plan: Plan, notes: Iterable[str] = ()) -> str:
    """Return the terminal page of a plan.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    notes : iterable of str
        Sentences beyond the site's own notes. [-]

    Returns
    -------
    str
        Plain text, at most 100 columns wide, with a line feed at the end. [-]
    """
    blocks = (
        _headline(plan),
        [line for words in diagnosis_lines(plan) for line in _wrapped(words, indent=2)],
        _where(plan, notes),
        [line for fact in outage_lines(plan) for line in _wrapped(f"Out or limited: {fact}", indent=2)],
        _circuits(plan),
        _loads(plan),
        _power(plan),
        _money(plan),
        _stocks(plan),
        _trips(plan),
        _wrapped(f"Cautions: {SHORT_CAUTION}", indent=2),
    )
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _wrapped(text: str, indent: int = 0) -> list[str]:
    return textwrap.wrap(text, TERMINAL_COLUMNS, subsequent_indent=" " * indent, break_on_hyphens=False)


def _capped(lines: Sequence[str], what: str, most: int) -> list[str]:
    rest = len(lines) - most
    # The pointer takes a line itself, so one row too many is simply shown.
    if rest <= 1:
        return list(lines)
    return [*lines[:most], f"  and {rest} more {what}: see page.html"]


def _short(name: str, width: int = 24) -> str:
    name = plain(name)
    return name if len(name) <= width else name[: width - 2] + ".."


def _headline(plan: Plan) -> list[str]:
    lines = _wrapped(HEADLINES[plan.status])
    if plan.status is Status.SOLVER_LIMIT:
        lines += _wrapped(
            "It can be run; only how cheap it is stays open, as far as the certificate says. More time may "
            "close the gap (--seconds)."
        )
    violations = [
        f"  {_quantity(violation.amount)} {violation.unit} beyond {_named(violation.meaning, violation.key)}"
        f"{_when(plan, violation.interval, 'worst')}"
        for violation in plan.audit.violations
    ]
    misses = [
        f"  {_quantity(miss.quantity)} {miss.unit} missed of {duty_words(miss.miss_class)}: "
        f"{_named(miss.meaning, miss.key)}{_when(plan, miss.interval, 'from')}"
        for miss in plan.misses
    ]
    for found, what in ((violations, "violations"), (misses, "missed duties")):
        lines += [line for entry in _capped(found, what, MOST_FAILURES) for line in _wrapped(entry, indent=4)]
    return lines


def _named(meaning: str, key: str) -> str:
    return plain(meaning or key)


def _quantity(amount: float) -> str:
    # Three significant digits of a small amount: 0.00 t missed would say nothing.
    small = 0 < abs(amount) < 0.01
    return f"{amount:.3g}" if small else fixed(amount, 2, thousands=True)


def _when(plan: Plan, interval: int | None, word: str) -> str:
    return "" if interval is None else f", {word} {spoken_start(plan.horizon, interval)}"


def _where(plan: Plan, notes: Iterable[str]) -> list[str]:
    horizon, day = plan.horizon, plan_mask(plan)
    day_hours, all_hours = float(horizon.hours[day].sum()), float(horizon.hours.sum())
    ahead = all_hours - day_hours
    look = f" + {ahead:g} h look-ahead to {spoken_minute(horizon, horizon.end_min)}" if ahead else ""
    first = horizon.local_starts[0].date().isoformat()
    lines = _wrapped(
        f"{plain(plan.site.name)}, contract {plain(plan.site.contract.name)}. Plan day {first}: "
        f"{spoken_start(horizon, 0)} to {spoken_minute(horizon, plan_day_end_min(plan))}, "
        f"{day_hours:g} h{look}. Local time, {horizon.timezone}.",
        indent=2,
    )
    for note in dict.fromkeys((*plan.site.notes, *notes)):
        lines += _wrapped(f"Note: {plain(note)}", indent=2)
    return lines


def _circuits(plan: Plan) -> list[str]:
    figures = circuit_figures(plan, plan_mask(plan))
    if not figures:
        return []
    wide = max(len(_short(circuit.name)) for circuit in figures)
    wide = max(wide, len("Circuits, plan day"))
    head = f"{'Circuits, plan day':<{wide}}  {'load kA min':>12} {'mean':>9} {'max':>9}"
    lines = [f"{head} {'Cl2 t':>10} {'alkali t':>10} {'DC kWh/t':>9} {'AC kWh/t':>9}"]
    rows = [
        f"{_short(c.name):<{wide}}  {fixed(c.load_min_ka, 2):>12} {fixed(c.load_mean_ka, 2):>9} "
        f"{fixed(c.load_max_ka, 2):>9} {fixed(c.chlorine_t, 1, True):>10} {fixed(c.alkali_t, 1, True):>10} "
        f"{_per_tonne(c.dc_kwh_per_t):>9} {_per_tonne(c.ac_kwh_per_t):>9}"
        for c in figures
    ]
    chlorine, alkali = sum(c.chlorine_t for c in figures), sum(c.alkali_t for c in figures)
    dc, ac = sum(c.dc_mwh for c in figures), sum(c.ac_mwh for c in figures)
    per_t = (dc / chlorine * 1000.0, ac / chlorine * 1000.0) if chlorine > 0 else (None, None)
    total = (
        f"{'all circuits':<{wide}}  {'':>12} {'':>9} {'':>9} {fixed(chlorine, 1, True):>10} "
        f"{fixed(alkali, 1, True):>10} {_per_tonne(per_t[0]):>9} {_per_tonne(per_t[1]):>9}"
    )
    return [*lines, *_capped(rows, "circuits", MOST_CIRCUITS), total]


def _loads(plan: Plan) -> list[str]:
    """Return each circuit's loads of the plan day as people read them: the clock and the kA from then on."""
    lines = []
    for name in circuit_names(plan):
        load = on_horizon(plan, load_variable(plan, name))[: plan.horizon.plan_intervals]
        moved = [t for t in range(len(load)) if t == 0 or abs(load[t] - load[t - 1]) > LOAD_SHOWN_KA]
        ways = {way.edge: way for way in outage_ways(plan, name)}
        parts = [_load_words(plan, t, float(load[t]), ways.get(t)) for t in moved]
        if len(load) in ways and ways[len(load)].down:
            parts.append(_load_words(plan, len(load), 0.0, ways[len(load)]))
        count = change_count(plan, name)
        more = f", and {len(parts) - MOST_LOADS} more: see plan.csv" if len(parts) > MOST_LOADS else ""
        # Here the count is of use only where some of the changes do not count.
        free = f" ({count}, which no limit on changes counts)" if count.free else ""
        lines += _wrapped(f"{_short(name)}: {', '.join(parts[:MOST_LOADS])}{more}{free}", indent=2)
    return ["Loads on the plan day, kA from each clock time on:", *lines] if lines else []


def _load_words(plan: Plan, t: int, load_ka: float, way: Way | None) -> str:
    """Return a load with the clock time from which it holds, and how it gets to or from standstill."""
    ka, at = fixed(load_ka, 1), clock(plan.horizon, int(edges_min(plan)[t]))
    if way is None:
        return f"{at} {ka}"
    if way.down:
        return f"{clock(plan.horizon, way.begin_min)} down to 0.0 by {clock(plan.horizon, way.end_min)}"
    return f"{at} up to {ka} by {clock(plan.horizon, way.end_min)}"


def _per_tonne(value: float | None) -> str:
    return "-" if value is None else fixed(value, 0, True)


def _power(plan: Plan) -> list[str]:
    currency = plan.site.contract.currency
    mask = plan_mask(plan)
    spans = {"plan day": mask} if mask.all() else {"plan day": mask, "horizon": mask | True}
    price = f"paid {currency}/MWh"
    lines = [
        f"{'Import':<17}  {'MWh':>12} {'mean MW':>9} {'max MW':>9}  {'from':<23} {price:>13} {'time mean':>9}"
    ]
    for name, span in spans.items():
        figures = energy_figures(plan, span)
        paid = "-" if figures.price_per_mwh is None else fixed(figures.price_per_mwh, 2)
        lines.append(
            f"{name:<17}  {fixed(figures.energy_mwh, 1, True):>12} {fixed(figures.mean_mw, 2):>9} "
            f"{fixed(figures.max_mw, 2):>9}  "
            f"{spoken_minute(plan.horizon, figures.max_at_min):<23} {paid:>13} "
            f"{fixed(figures.time_mean_price_per_mwh, 2):>9}"
        )
    told = {peak.key: peak for peak in plan.audit.metered_peaks}
    for peak in billed_peaks(plan):
        ramps = told.get(peak.key)
        way = ""
        if ramps is not None and ramps.billed_mw - ramps.without_ramps_mw > RAMPS_TOLD_MW:
            way = (
                f", {fixed(ramps.billed_mw - ramps.without_ramps_mw, 2)} of it from falling loads on their "
                f"way, on the safe side (simulated {fixed(ramps.simulated_mw, 2)})"
            )
        lines += _wrapped(f"Billed peak {fixed(peak.peak_mw, 2)} MW: {plain(peak.key)}{way}", indent=2)
    return lines


def _money(plan: Plan) -> list[str]:
    currency, audit = plan.site.contract.currency, plan.audit
    power = power_cost(plan)
    lines = _wrapped(
        f"Cost of the horizon: {fixed(audit.cost, 2, True)} {currency} (income is negative). "
        f"Power {fixed(power, 2, True)}{_groups(plan, True)}. "
        f"Other {fixed(audit.cost - power, 2, True)}{_groups(plan, False)}.",
        indent=2,
    )
    if audit.sunk:
        lines += _wrapped(
            f"Not in it: {fixed(audit.sunk, 2, True)} {currency} of the billing period that no load of this "
            "horizon changes.",
            indent=2,
        )
    for comparison in plan.comparisons:
        lines += _wrapped(comparison_words(plan, comparison), indent=2)
    lines += _sides(plan)
    lines += _wrapped(f"{certificate_words(plan)} {MODEL_ACCURACY}", indent=2)
    lines += _temperature_lag(plan)
    return lines


def _sides(plan: Plan) -> list[str]:
    """Return what each side of the contract's cliffs costs, and why one was not taken."""
    currency = plan.site.contract.currency
    lines: list[str] = []
    for side in plan.tried:
        name = plain(", ".join(f"{component} = {case}" for component, case in side.cases.items()))
        if side.refused:
            text = plain(side.refused)
        elif side.cost is None:
            text = "no plan"
        elif abs(side.cost - plan.audit.cost) <= SAME_COST:
            text = "this plan"
        else:
            text = f"{fixed(side.cost - plan.audit.cost, 2, True)} {currency} more"
        lines += _wrapped(f"Contract on {name}: {text}.", indent=2)
    return lines


def _temperature_lag(plan: Plan) -> list[str]:
    lag, currency = plan.lag, plan.site.contract.currency
    if lag is None:
        return []
    parts = [
        f"{plain(c.name)} {fixed(c.horizon_mwh, 2, True)} MWh {fixed(c.horizon_cost, 2, True)} {currency}"
        f" (plan day {fixed(c.plan_day_mwh, 2, True)} MWh {fixed(c.plan_day_cost, 2, True)})"
        for c in lag.circuits
    ]
    lines = _wrapped(
        "Temperature lag, in no figure above (cost, savings and certificate are those of steady "
        f"temperatures): extra DC energy of {'; '.join(parts)}. With peaks it adds "
        f"{fixed(lag.contract_cost, 2, True)} {currency} to the charges of the horizon.",
        indent=2,
    )
    if lag.without_cost is not None and lag.without_contract_cost is not None:
        more = plan.audit.cost - lag.without_cost
        gain = lag.without_cost + lag.without_contract_cost - plan.audit.cost - lag.contract_cost
        lines += _wrapped(
            "This plan leaves power free for the lag and keeps what cold rooms bear: without the lag it "
            f"costs {fixed(more, 2, True)} {currency} more than the best plan found (the certificate counts "
            f"that with its own figures), with it "
            f"{fixed(abs(gain), 2, True)} {'less' if gain >= 0 else 'more'}.",
            indent=2,
        )
    for warning in lag.warnings:
        lines += _wrapped(
            f"Warning: with the lag {_quantity(warning.amount)} {warning.unit} beyond the limit: "
            f"{plain(warning.meaning)}{_when(plan, warning.interval, 'worst')}",
            indent=2,
        )
    return lines


def _groups(plan: Plan, power: bool) -> str:
    parts = [
        f"{group} {fixed(amount, 2, True)}"
        for group, amount in plan.audit.costs.items()
        if amount != 0 and (group in POWER_GROUPS) == power
    ]
    return f": {', '.join(parts)}" if parts else ""


def comparison_words(plan: Plan, comparison: Comparison) -> str:
    """Return what the plan saves against another way of running, in words.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    comparison : Comparison
        The other way. [-]

    Returns
    -------
    str
        One sentence. [-]
    """
    name = plain(comparison.name)
    note = f" ({plain(comparison.note)})" if comparison.note else ""
    amount = saving(plan, comparison)
    if amount is None:
        return f"Against {name}: not possible{note}."
    if not comparable(plan):
        return f"Against {name}: no saving is stated, because this result does not do the same duties{note}."
    share = saving_percent(plan, comparison)
    percent = "" if share is None else f", {fixed(abs(share), 2)} % of its energy charges"
    verb = "saves" if amount >= 0 else "costs MORE by"
    return (
        f"Against {name}{note}: {verb} {fixed(abs(amount), 2, True)} {plan.site.contract.currency}{percent}."
    )


def certificate_words(plan: Plan) -> str:
    """Return what the certificate says, in words.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    str
        One or more sentences. [-]
    """
    certificate, currency = plan.certificate, plan.site.contract.currency
    if not math.isfinite(certificate.lower_bound):
        return "Certificate: none; the solver gave no lower bound."
    above = certificate.cost - certificate.lower_bound
    # Rounding of the solver may put the bound a hair above the cost; more than that is no certificate.
    if certificate.gap < -1e-6:
        return (
            f"Certificate: DOES NOT HOLD; the bound {fixed(certificate.lower_bound, 2, True)} lies above the "
            f"cost {fixed(certificate.cost, 2, True)} {currency}."
        )
    duties = "duties" if comparable(plan) else "duties (with the same misses and violations)"
    return (
        f"Certificate: no way of running this horizon at these prices, {duties} and end stocks costs less "
        f"than {fixed(certificate.lower_bound, 2, True)} {currency}; {_above(plan, above)} "
        "Forecast prices count as given."
    )


def _above(plan: Plan, above: float) -> str:
    """Say how far the plan is above the bound, in two parts where its loads stand on steps."""
    certificate, currency = plan.certificate, plan.site.contract.currency
    share = (
        f"({max(certificate.gap, 0.0) * 100:.2g} % of the energy charges: price times energy, summed without "
        "sign)"
    )
    if certificate.price_of_steps is None or certificate.stepped_gap is None:
        return f"this plan is at most {fixed(max(above, 0.0), 2, True)} above it {share}."
    steps = fixed(certificate.price_of_steps, 2, True)
    return (
        f"the best found without steps is {fixed(max(above, 0.0), 2, True)} above it {share}. Whole steps "
        f"and limited changes on the plan day add {steps} {currency}, the price of steps; "
        f"no other stepped plan day is cheaper by more than {max(certificate.stepped_gap, 0.0) * 100:.2g} % "
        "of the energy charges."
    )


def _stocks(plan: Plan) -> list[str]:
    figures = stock_figures(plan)
    if not figures:
        return []
    wide = max(len("Stocks, horizon"), *(len(_short(stock.key)) for stock in figures))
    head = f"{'Stocks, horizon':<{wide}}  {'start':>9} {'day end':>9} {'end':>9} {'least':>9} {'most':>9}"
    shown, named = _stocks_that_matter(plan, figures)
    rows = [_stock_row(stock, wide) for stock in shown]
    if named:
        names = ", ".join(_short(stock.key) for stock in named)
        rows += _wrapped(f"  and clear of their limits, in page.html under Stocks: {names}", indent=2)
    tanks = [line for words in tank_lines(plan) for line in _wrapped(f"Tanks, {words}", indent=2)]
    return [f"{head}  limits", *rows, *_touched(plan), *tanks]


def _stocks_that_matter(
    plan: Plan, figures: Sequence[StockFigures]
) -> tuple[list[StockFigures], list[StockFigures]]:
    """Return the stocks to show and those only to name: where they are many, those that touch no limit."""
    if len(figures) <= MOST_STOCKS:
        return list(figures), []
    touched = {limit.key for limit in touched_limits(plan)}
    clear = [stock for stock in figures if stock.key not in touched]
    named = clear[max(MOST_STOCKS - len(touched), 0) :]
    return [stock for stock in figures if stock not in named], named


def _touched(plan: Plan) -> list[str]:
    limits = touched_limits(plan)
    if not limits:
        return []
    named = [
        f"{_short(limit.key)} its {limit.side} limit {fixed(limit.limit, 1, True)} {plain(limit.unit)}"
        f"{_when(plan, limit.interval, 'first')}"
        for limit in limits
    ]
    return _wrapped(f"Planned to the limit, no room beyond its margin: {'; '.join(named)}.", indent=2)


def _stock_row(stock: StockFigures, wide: int) -> str:
    levels = (stock.start, stock.plan_day_end, stock.end, stock.least, stock.most)
    lower = fixed(stock.lower, 1, True) if math.isfinite(stock.lower) else "none"
    upper = fixed(stock.upper, 1, True) if math.isfinite(stock.upper) else "none"
    cells = " ".join(f"{fixed(level, 1, True):>9}" for level in levels)
    return f"{_short(stock.key):<{wide}}  {cells}  {lower} to {upper} {plain(stock.unit)}"


def _trips(plan: Plan) -> list[str]:
    return [line for words in trip_words(plan) for line in _wrapped(words, indent=2)]


def trip_words(plan: Plan) -> list[str]:
    """Return the worst of what trips would mean on the plan day: two sentences for each header.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    list of str
        Sentences; empty where no header has circuits and pipeline customers. [-]
    """
    return [words for trips in trip_figures(plan) for words in _worst_trips(plan, trips)]


def _worst_trips(plan: Plan, trips: HeaderTrips) -> tuple[str, str]:
    days = plan.horizon.plan_intervals
    cover = trips.without_circuit.cover_h[:, :days]
    # Of equal covers, the one that is short even once vaporisers are hot.
    hot = trips.without_circuit.cover_once_hot_h[:, :days]
    customer, t = divmod(int(np.lexsort((hot.ravel(), cover.ravel()))[0]), days)
    circuit, name = plain(trips.circuits[trips.circuit[t]]), plain(trips.customers[customer])
    if math.isinf(cover[customer, t]):
        least = "production covers every customer's least rate"
    else:
        wait, once_hot = trips.wait_min[t], hot[customer, t]
        later = "without end" if math.isinf(once_hot) else f"{fixed(once_hot, 1)} h"
        hours = cover[customer, t]
        after = f", {later} once the vaporiser is hot in {wait:g} min" if wait > 0 else ""
        if hours == 0.0:
            cold = wait > 0 and once_hot > 0
            after = (
                f": the vaporiser is cold, {later} once it is hot in {wait:g} min"
                if cold
                else ": what is left without it is below his least rate"
            )
        least = f"least cover {fixed(hours, 1)} h, of {name}{after}"
    first = f"If the largest circuit trips: {least} ({circuit}, {spoken_start(plan.horizon, t)})."
    out = trips.without_customer
    worst = int(np.argmax(out.to_cut_t_per_h[:days]))
    places = (
        ("less vaporised", out.less_vaporised_t_per_h),
        ("to other customers", out.to_customers_t_per_h),
        ("to liquefaction", out.to_liquefaction_t_per_h),
        ("to acid", out.to_acid_t_per_h),
        ("to cut at once", out.to_cut_t_per_h),
    )
    parts = ", ".join(f"{fixed(rate[worst], 1)} {place}" for place, rate in places if abs(rate[worst]) > 0.05)
    load = trips.cut_ka[worst]
    ka = (
        f" ({fixed(load, 0)} kA of {plain(trips.circuits[trips.circuit[worst]])})"
        if 0 < load < math.inf
        else ""
    )
    return first, (
        f"If the largest customer trips: {plain(trips.customers[trips.customer[worst]])} leaves "
        f"{fixed(trips.customer_t_per_h[worst], 1)} t/h: {parts or 'nothing to place'}{ka}; "
        f"{spoken_start(plan.horizon, worst)}. Each interval: trips.csv."
    )
