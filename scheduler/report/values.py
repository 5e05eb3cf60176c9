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
from scheduler.report.wording import TERMINAL_COLUMNS, fixed, local_minute, plain, spoken_minute, spoken_start
from scheduler.values import SHOWN, LimitValue, Move, Moved, Why

FILE = "values.csv"

NOTHING = "changes nothing"
BEFORE_STEPS = (
    "All figures are of the plan before whole steps: one number is moved and everything else is planned "
    "again over the whole horizon; whole steps and limited changes have no margin of their own."
)
"""How values relate to the plan that people run."""
MOST_LINES = 15
"""Lines of an answer without --more."""
INDIFFERENT = 0.02
"""Share of the cost of its power below which moving a load counts as nearly free: the voltage model is good
to 1 to 2 %, so nobody can tell such loads apart."""
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
        words = NOTHING
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
    return textwrap.wrap(
        text, TERMINAL_COLUMNS, initial_indent=first, subsequent_indent=later, break_long_words=False
    )


def why_text(why: Why, horizon: Horizon, currency: str, more: bool = False) -> str:
    """Return why a circuit has its load in an interval.

    Parameters
    ----------
    why : Why
        The figures. [-]
    horizon : Horizon
        The intervals. [-]
    currency : str
        ISO 4217 code. [-]
    more : bool
        Whether everything is said, or only what fits into `MOST_LINES`. [-]

    Returns
    -------
    str
        At most `MOST_LINES` lines, unless more is asked for. [-]
    """
    head = [_place(why, horizon), _price(why, currency), _steps(why, horizon)]
    first = _wrapped(" ".join(part for part in head if part))
    first += _wrapped(
        f"One kA more draws {why.power_mwh_per_ka:.3f} MWh, {_amount(_power(why))} {currency}, and makes "
        f"{why.chlorine_t_per_ka:.3f} t of chlorine.",
        "- ",
    )
    moved = f"Planned again with this load moved: {_both(why.up, why.down, 'kA', currency)}."
    first += _wrapped(" ".join((moved, *_indifferent(why, currency))), "- ")
    blocks = [
        _wrapped(
            f"Holds it there: {value_sentence(value, currency)}{_other_time(value, why, horizon)}.", "- "
        )
        for value in why.limits
    ] or [["- No limit of this interval is worth money."]]
    hours = horizon.lengths_min[why.interval] / 60.0
    for value, what, unit in (
        (why.chlorine_t, f"{why.chlorine_t.key.removesuffix('.demand')} asked for in this interval", "t"),
        (why.power_mw, f"of other load in this interval ({hours:g} h)", "MW"),
        (why.alkali_t, f"{why.alkali_t.key.removesuffix('.demand')} asked for in this interval", "t"),
    ):
        up, down = (_change(move, unit, currency) for move in (value.up, value.down))
        blocks.append(
            _wrapped(
                f"One {unit} more or less {what} changes nothing."
                if up == down == NOTHING
                else f"One {unit} more {what} {up}; one {unit} less {down}.",
                "- ",
            )
        )
    if why.others:
        names = list(dict.fromkeys(plain(name) for name in why.others))
        blocks.append(_wrapped(f"Other limits that bind: {'; '.join(names)}.", "- "))
    last = _wrapped(AT_MISS) if why.at_miss else []
    if more:
        return "\n".join(
            [*first, *(line for block in blocks for line in block), *last, *_wrapped(BEFORE_STEPS)]
        )
    room = MOST_LINES - len(first) - len(last) - 1
    shown: list[str] = []
    hidden = 0
    for block in blocks:
        if len(shown) + len(block) <= room:
            shown += block
        else:
            hidden += 1
    rest = f" {hidden} more {'reason' if hidden == 1 else 'reasons'}: --more." if hidden else ""
    last.append(f"Figures are of the plan before whole steps.{rest}")
    return "\n".join([*first, *shown, *last])


def _place(why: Why, horizon: Horizon) -> str:
    """Return load and range in words."""
    low, high = why.range_ka
    t = why.interval
    until = spoken_minute(horizon, int(horizon.starts_min[t] + horizon.lengths_min[t])).split(" ", 3)[-1]
    place = "between its limits"
    if why.load_ka >= high - 1e-4:
        place = f"at its greatest load, set by the {plain(why.cause)}"
    elif why.load_ka <= low + 1e-4:
        place = "at its least load"
    return (
        f"{plain(why.circuit)}, {spoken_start(horizon, t)} to {until}: {fixed(why.load_ka, 1)} kA, "
        f"{place} ({fixed(low, 1)} to {fixed(high, 1)} kA)."
    )


def _price(why: Why, currency: str) -> str:
    """Return how dear power is, in words."""
    price = f"{fixed(why.energy_price_per_mwh, 2)} {currency}/MWh"
    if why.dearer == why.cheaper == 0:
        return f"Power costs the same all day, {price}."
    if why.dearer == 0:
        words = "dearest of the day"
    elif why.cheaper == 0:
        words = "cheapest of the day"
    else:
        share = why.dearer / (why.dearer + why.cheaper)
        words = "dear for the day" if share < 1 / 3 else "cheap for the day" if share > 2 / 3 else "middling"
    return f"Power is {words} now: {price}, rank {why.dearer + 1} of {why.intervals_of_day} from the dearest."


def _steps(why: Why, horizon: Horizon) -> str:
    """Return by how much the load as run differs from the one explained, and by which rules."""
    if why.stepped_ka is None:
        return ""
    difference = why.stepped_ka - why.load_ka
    run = f"As run it has {fixed(why.stepped_ka, 1)} kA"
    if abs(difference) < 0.05:
        return f"{run} too."
    rules = _rules(why) if why.interval < horizon.plan_intervals else []
    cause = (
        f": {', '.join(rules)}, and of plans of almost equal cost the calmest"
        if rules
        else ": of plans of almost equal cost the calmest"
    )
    return f"{run}, {fixed(abs(difference), 1)} {'more' if difference > 0 else 'less'}{cause}."


def _rules(why: Why) -> list[str]:
    unit = why.unit
    if unit is None:
        return []
    return [
        text
        for holds, text in (
            (unit.step_ka, f"whole steps of {unit.step_ka:g} kA" if unit.step_ka else ""),
            (unit.tap_positions_ka, f"{len(unit.tap_positions_ka)} tap positions"),
            (unit.tap_changes_per_day is not None, f"at most {unit.tap_changes_per_day} tap changes a day"),
            (unit.changes_per_shift is not None, f"at most {unit.changes_per_shift} changes a shift"),
            (unit.changes_per_day is not None, f"at most {unit.changes_per_day} changes a day"),
            (unit.dwell_minutes, f"{unit.dwell_minutes:g} min between changes"),
        )
        if holds
    ]


def _power(why: Why) -> float:
    """Return what the power of one kA more costs. [currency/kA]."""
    return why.power_mwh_per_ka * why.energy_price_per_mwh


def _indifferent(why: Why, currency: str) -> list[str]:
    """Return a sentence where moving the load costs less than anyone can measure."""
    costs = [abs(move.cost_per_unit) for move in (why.up, why.down) if move.cost_per_unit is not None]
    if len(costs) < 2 or max(costs) >= INDIFFERENT * abs(_power(why)):
        return []
    return [
        f"The plan is nearly indifferent here: moving the load costs under {_amount(max(max(costs), 0.01))} "
        f"{currency} per kA, less than {INDIFFERENT * 100:g} % of its power."
    ]


def _other_time(value: LimitValue, why: Why, horizon: Horizon) -> str:
    at = _when(value, horizon)
    return f" ({at})" if at and value.binds != (why.interval,) else ""


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
