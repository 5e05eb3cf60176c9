"""Values and reasons in words, and values.csv.

Owns the answer to 'why this load here?' and the table of what one unit more or less is worth. The figures
come from `scheduler.explain`; names and units of columns stand in `columns`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from models.horizon import Horizon
from scheduler.report.columns import FURTHER_FILES
from scheduler.report.csv_text import Cell, csv_text
from scheduler.report.wording import fixed, local_minute, plain, spoken_minute, spoken_start
from scheduler.values import SHOWN, LimitValue, Move, Moved, Why

FILE = "values.csv"
WIDTH = 100

BEFORE_STEPS = (
    "All figures are of the plan before whole steps: one number is moved and everything else is planned "
    "again over the whole horizon; whole steps and limited changes have no margin of their own."
)
"""How values relate to the plan that people run."""
AT_MISS = (
    "Duties are missed in this plan: a figure then counts the tonnes missed more or less at the price of "
    "a miss, which is no market price."
)
"""What a value is where duties are missed."""


def _amount(value: float) -> str:
    return fixed(value, 2, True) if abs(value) < 1000 else fixed(value, 0, True)


def _change(move: Move, unit: str, currency: str) -> str:
    """Return what a move does to the cost, in words."""
    if move.cost_per_unit is None:
        return "not possible: it would miss a duty or break a limit"
    per = move.cost_per_unit
    if abs(per) * max(move.size, 0.1) < SHOWN:
        words = "changes nothing"
    else:
        words = f"{'costs' if per > 0 else 'saves'} {_amount(abs(per))} {_per(currency, unit)}"
    if move.missed and abs(move.missed) >= SHOWN:
        words += f" ({_amount(abs(move.missed))} of it misses at their price)"
    if move.size < 1.0:
        words += f" (only {move.size:.3g} {unit} is possible)"
    return words


def _per(currency: str, unit: str) -> str:
    return f"{currency} per {unit}" if "/" in unit else f"{currency}/{unit}"


def value_sentence(value: LimitValue, currency: str) -> str:
    """Return one value in words.

    Parameters
    ----------
    value : LimitValue
        The value. [-]
    currency : str
        ISO 4217 code. [-]

    Returns
    -------
    str
        For example 'content of soda_32, upper limit: 1 t more saves 3.20 XTS/t, 1 t less costs ...'. [-]
    """
    up, down = (_change(move, value.unit, currency) for move in (value.up, value.down))
    return f"{plain(value.label)}: 1 {value.unit} more {up}; 1 {value.unit} less {down}"


def _when(value: LimitValue, horizon: Horizon) -> str:
    if not value.binds:
        return ""
    words = f"binds {spoken_start(horizon, value.binds[0])}"
    return words if len(value.binds) == 1 else f"{words} and {len(value.binds) - 1} more"


def _wrapped(text: str, first: str = "", later: str = "  ") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=later, break_long_words=False)


def why_text(why: Why, horizon: Horizon, currency: str) -> str:
    """Return why a circuit has its load in an interval.

    Parameters
    ----------
    why : Why
        The figures. [-]
    horizon : Horizon
        The intervals. [-]
    currency : str
        ISO 4217 code. [-]

    Returns
    -------
    str
        Some ten to fifteen lines. [-]
    """
    low, high = why.range_ka
    t = why.interval
    until = spoken_minute(horizon, int(horizon.starts_min[t] + horizon.lengths_min[t])).split(" ", 3)[-1]
    stepped = "" if why.stepped_ka is None else f" ({fixed(why.stepped_ka, 1)} kA in whole steps)"
    place = "between its limits"
    if why.load_ka >= high - 1e-4:
        place = f"at its greatest load, set by the {plain(why.cause)}"
    elif why.load_ka <= low + 1e-4:
        place = "at its least load"
    lines = _wrapped(
        f"{plain(why.circuit)}, {spoken_start(horizon, t)} to {until}: {fixed(why.load_ka, 1)} kA{stepped}, "
        f"{place} ({fixed(low, 1)} to {fixed(high, 1)} kA)."
    )
    power = why.power_mwh_per_ka * why.energy_price_per_mwh
    lines += _wrapped(
        f"One kA more draws {why.power_mwh_per_ka:.3f} MWh at {fixed(why.energy_price_per_mwh, 2)} "
        f"{currency}/MWh, {_amount(power)} {currency}, and makes {why.chlorine_t_per_ka:.3f} t of chlorine.",
        "- ",
    )
    lines += _wrapped(f"Planned again with this load moved: {_both(why.up, why.down, 'kA', currency)}.", "- ")
    hours = horizon.lengths_min[t] / 60.0
    for value in (why.chlorine_t, why.alkali_t):
        name = value.key.removesuffix(".demand")
        lines += _wrapped(
            f"One t more {name} asked for in this interval {_change(value.up, 't', currency)}; one t less "
            f"{_change(value.down, 't', currency)}.",
            "- ",
        )
    mw = why.power_mw
    lines += _wrapped(
        f"One MW more of other load in this interval ({hours:g} h) {_change(mw.up, 'MW', currency)}; one MW "
        f"less {_change(mw.down, 'MW', currency)}.",
        "- ",
    )
    lines.append("Limits that hold it there:" if why.limits else "No limit of this interval is worth money.")
    for value in why.limits:
        at = _when(value, horizon)
        ending = f" ({at})" if at and value.binds != (t,) else ""
        lines += _wrapped(f"{value_sentence(value, currency)}{ending}.", "- ")
    if why.others:
        names = list(dict.fromkeys(plain(name) for name in why.others))
        lines += _wrapped(f"Other limits that bind: {'; '.join(names)}.", "- ")
    lines += _wrapped(BEFORE_STEPS)
    if why.at_miss:
        lines += _wrapped(AT_MISS)
    return "\n".join(lines)


def _both(up: Move, down: Move, unit: str, currency: str) -> str:
    return f"one {unit} more {_change(up, unit, currency)}; one {unit} less {_change(down, unit, currency)}"


def values_text(values: Sequence[LimitValue], horizon: Horizon, currency: str) -> str:
    """Return the values that are money, as a page.

    Parameters
    ----------
    values : sequence of LimitValue
        The values. [-]
    horizon : Horizon
        The intervals. [-]
    currency : str
        ISO 4217 code. [-]

    Returns
    -------
    str
        Stocks, demands and limits, each with one unit more and less. [-]
    """
    shown = [value for value in values if value.matters]
    groups = (
        ("Stocks at the start of the plan day", (Moved.STOCK,)),
        ("Demand, spread evenly over the plan day", (Moved.ECU, Moved.DEMAND)),
        ("Limits, moved on the whole plan day", (Moved.UPPER, Moved.LOWER, Moved.FIXED)),
    )
    lines: list[str] = []
    for title, kinds in groups:
        part = [value for value in shown if value.moved in kinds]
        if not part:
            continue
        lines += [*([""] if lines else []), f"{title}; change of the cost in {currency}:"]
        wide = max(len(plain(value.label)) for value in part)
        lines.append(f"  {'':<{wide}} {'unit':<5} {'one more':>16} {'one less':>16}")
        for value in part:
            cells = " ".join(f"{_cell(move):>16}" for move in (value.up, value.down))
            lines.append(
                f"  {plain(value.label):<{wide}} {value.unit:<5} {cells}  {_when(value, horizon)}".rstrip()
            )
    lines += ["", f"{len(values) - len(shown)} more numbers are worth nothing: one unit changes no cost."]
    lines += _wrapped("A figure marked * is per unit of a smaller move: a whole unit is not possible.")
    lines += _wrapped(BEFORE_STEPS)
    if any(value.at_miss for value in values):
        lines += _wrapped(AT_MISS)
    return "\n".join(lines)


def _cell(move: Move) -> str:
    if move.cost_per_unit is None:
        return "not possible"
    return f"{fixed(move.cost_per_unit, 2, True)}{'*' if move.size < 1.0 else ''}"


def values_csv(values: Iterable[LimitValue], horizon: Horizon) -> str:
    """Return values.csv: one row per number that can be moved.

    Parameters
    ----------
    values : iterable of LimitValue
        The values. [-]
    horizon : Horizon
        The intervals. [-]

    Returns
    -------
    str
        CSV with the columns documented in `columns`. [-]
    """
    rows: list[list[Cell]] = []
    for value in values:
        first = local_minute(horizon, int(horizon.starts_min[value.binds[0]])) if value.binds else ""
        last = value.binds[-1] if value.binds else 0
        end = int(horizon.starts_min[last] + horizon.lengths_min[last])
        rows.append(
            [
                value.key,
                value.owner,
                value.moved.value,
                value.meaning,
                value.unit,
                *_numbers(value.up),
                *_numbers(value.down),
                len(value.binds),
                first,
                local_minute(horizon, end) if value.binds else "",
                int(value.at_miss),
            ]
        )
    return csv_text((column.name for column in FURTHER_FILES[FILE]), rows)


def _numbers(move: Move) -> tuple[str, ...]:
    if move.cost_per_unit is None:
        return fixed(0.0, 4), "", "", ""
    return (
        fixed(move.size, 4),
        fixed(move.cost_per_unit, 4),
        fixed(move.missed, 4),
        fixed(move.error, 4),
    )
