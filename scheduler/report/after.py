"""What the look back at a day gives to people: words, and tables of effects, intervals and chlorine.

Owns their content. Names of columns stand in `scheduler.report.columns`, the figures in `studies.after`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from models.horizon import Array, Horizon
from scheduler.report.cautions import STUDY_CAUTION
from scheduler.report.columns import STUDY_FILES, UNIT_FORMATS
from scheduler.report.csv_text import csv_text
from scheduler.report.wording import fixed, local_minute, local_start, plain, wrapped
from scheduler.studies.after import (
    ALKALI,
    CENTS,
    CURRENT_PERCENT,
    EFFICIENCY_PERCENT,
    ENERGY,
    FACTORS,
    KAH,
    LEVEL_PERCENT,
    LOADS,
    OTHER,
    PRICES,
    RATIO_PERCENT,
    SALES,
    SCALE_PERCENT,
    Count,
    Discrepancy,
    Effects,
    EnergyPerTonne,
    Side,
)

TEXT_NAME, EFFECTS_NAME = "after.txt", "effects.csv"
INTERVALS_NAME, CHLORINE_NAME = "intervals.csv", "chlorine.csv"
EVERY_NAME = (TEXT_NAME, EFFECTS_NAME, INTERVALS_NAME, CHLORINE_NAME)
"""Names that a look back may have left in its folder."""

LABELS: Mapping[str, str] = {
    PRICES: "price effect",
    LOADS: "volume effect",
    ENERGY: "efficiency effect",
    OTHER: "effect of other load",
}
MEANINGS: Mapping[str, str] = {
    PRICES: "other prices than planned with",
    LOADS: "other loads in kA, at the energy the model gives them",
    ENERGY: "metered energy per kA against the model's at the same load",
    OTHER: "import beside rectifiers and circuit auxiliaries",
}
WAYS: Mapping[str, str] = {
    KAH: "kAh, current efficiency and cells",
    SALES: "chlorine sold, used and stored",
    ALKALI: "alkali sold, used and stored",
}
"""How chlorine is counted, in words."""
FROM_MEMORY = "value from memory"


def _money(cents: int) -> str:
    return fixed(cents / CENTS, 2, True)


def _signed_money(cents: int) -> str:
    return f"+{_money(cents)}" if cents > 0 else _money(cents)


def after_text(
    site_name: str,
    notes: Iterable[str],
    currency: str,
    horizon: Horizon,
    plan: Side,
    actual: Side,
    standing_mwh: float,
    found: Effects,
    tonnes: Sequence[EnergyPerTonne],
    counts: Sequence[Count],
    pairs: Sequence[Discrepancy],
    told: Iterable[str],
    digests: Mapping[str, str],
) -> str:
    """Return the look back in words.

    Parameters
    ----------
    site_name, currency : str
        Name of the site, ISO 4217 code. [-]
    notes : iterable of str
        Sentences that stand on every output of the site. [-]
    horizon : Horizon
        The intervals. [-]
    plan, actual : Side
        The two days. [-]
    standing_mwh : float
        Energy that circuits drew while the model gives them none. [MWh]
    found : Effects
        Why the bill differs. [-]
    tonnes : sequence of EnergyPerTonne
        Energy per tonne by circuit. [-]
    counts : sequence of Count
        Chlorine by each way of counting. [-]
    pairs : sequence of Discrepancy
        How far they are apart. [-]
    told : iterable of str
        What was not done, and why. [-]
    digests : mapping
        SHA-256 of the inputs. [-]

    Returns
    -------
    str
        Lines. [-]
    """
    first, last = local_start(horizon, 0), local_minute(horizon, horizon.end_min)
    lines = [
        f"After the day: {plain(site_name)}, {first} to {last}",
        *(line for note in notes for line in wrapped(plain(note))),
        "",
        *_effect_lines(found, currency),
        "",
        *_energy_lines(horizon, plan, actual, standing_mwh),
        "",
        *_tonne_lines(tonnes),
        "",
        *_chlorine_lines(counts, pairs, told),
        "",
        *wrapped(STUDY_CAUTION),
        "",
        "Inputs (SHA-256):",
        *(f"  {plain(name)}: {digest}" for name, digest in digests.items()),
    ]
    return "\n".join(lines)


def _effect_lines(found: Effects, currency: str) -> list[str]:
    width = max(len(label) for label in LABELS.values())
    lines = [
        f"Power bill of the day [{currency}]:",
        f"  {'planned':<{width}}  {_money(found.plan_cents):>14}",
    ]
    lines += [
        f"  {LABELS[name]:<{width}}  {_signed_money(found.cents[name]):>14}  {MEANINGS[name]}"
        for name in FACTORS
    ]
    lines += [
        f"  {'actual':<{width}}  {_money(found.actual_cents):>14}",
        *wrapped(
            "Each effect is computed on its own, none is a remainder: the contract is billed for all 16 "
            "combinations of planned and actual prices, loads, energy per kA and other load, and an effect "
            "is the mean of what its change costs over all 24 orders in which the four can change "
            "(Shapley's value). Amounts are rounded so that the printed cents add up (largest remainder). "
            "The whole bill of the profile counts before rounding and tax, a demand charge included; "
            "reactive power as the contract takes it where it is not metered. The energy of ramps beside the "
            "metered means does not count, so the planned bill can be a little below that in the plan's "
            "folder.",
            "  ",
        ),
    ]
    return lines


def _energy_lines(horizon: Horizon, plan: Side, actual: Side, standing_mwh: float) -> list[str]:
    lines = ["Energy and charge:", f"  {'':<18}{'planned':>12}{'actual':>12}"]

    def add(label: str, unit: str, before: Array, after: Array) -> None:
        sums = (fixed(float(np.dot(horizon.hours, rate)), 1, True) for rate in (before, after))
        lines.append(f"  {label:<18}" + "".join(f"{text:>12}" for text in sums) + f" {unit}")

    for name in actual.load_ka:
        add(name, "kAh", plan.load_ka[name], actual.load_ka[name])
        add("", "MWh AC", plan.ac_mw(name), actual.ac_mw(name))
    add("other load", "MWh", plan.other_mw, actual.other_mw)
    add("import", "MWh", plan.import_mw(), actual.import_mw())
    if standing_mwh:
        lines += wrapped(
            f"{fixed(standing_mwh, 3)} MWh were metered at rectifiers of circuits to which the site's files "
            "give no power then (standing, or out of service by the availability); they are part of the "
            "other load.",
            "  ",
        )
    return lines


def _tonne_lines(tonnes: Sequence[EnergyPerTonne]) -> list[str]:
    lines = [
        "AC energy before the rectifiers per tonne of chlorine, tonnes by kAh [kWh/t]:",
        f"  {'':<18}{'planned':>10}{'model':>10}{'actual':>10}   actual against the model at the same loads",
    ]
    for one in tonnes:
        cells = ["-" if value is None else fixed(value, 1) for value in (one.planned, one.model, one.actual)]
        share = (
            ""
            if one.actual is None or one.model is None
            else f"{fixed(100.0 * (one.actual / one.model - 1.0), 2)} %"
        )
        lines.append(f"  {one.circuit:<18}" + "".join(f"{cell:>10}" for cell in cells) + f"   {share}")
    return lines


def _chlorine_lines(counts: Sequence[Count], pairs: Sequence[Discrepancy], told: Iterable[str]) -> list[str]:
    lines = ["Chlorine made, counted in different ways and not forced to agree [t]:"]
    for count in counts:
        lines.append(
            f"  by {WAYS[count.way]:<36}{fixed(count.chlorine_t, 2):>10} +- {fixed(count.uncertainty_t, 2)}"
            + (f"  (uncertainty with a {FROM_MEMORY})" if count.from_memory else "")
        )
    for pair in pairs:
        verdict = (
            "inside the combined uncertainty"
            if pair.within
            else "BEYOND the combined uncertainty: a meter, a scale, an analysis or a loss is wrong or "
            "missing"
        )
        lines.append(
            f"  {WAYS[pair.first]} less {WAYS[pair.second]}: {fixed(pair.difference_t, 2)} +- "
            f"{fixed(pair.uncertainty_t, 2)} t, {verdict}"
        )
    lines += [line for note in told for line in wrapped(note, "  ")]
    lines += wrapped(
        f"Uncertainties hold for 95 %; where none is given they are a {FROM_MEMORY}: current "
        f"{CURRENT_PERCENT:g} %, current efficiency {EFFICIENCY_PERCENT:g} %, quantities sold or used "
        f"{SCALE_PERCENT:g} %, each gauging of a stock {LEVEL_PERCENT:g} %. Chlorine per alkali "
        f"{RATIO_PERCENT:g} % ({FROM_MEMORY}). Parts measured apart add as squares.",
        "  ",
    )
    return lines


def _table(name: str, rows: Iterable[Sequence[str]], heading: Sequence[str] = ()) -> str:
    return csv_text(heading or [column.name for column in STUDY_FILES[name]], rows)


def effects_csv(found: Effects) -> str:
    """Return bills and effects to the cent.

    Parameters
    ----------
    found : Effects
        Why the bill differs. [-]

    Returns
    -------
    str
        CSV: planned bill, effects, actual bill. [-]
    """
    rows = [
        ("planned", found.plan_cents),
        *((name, found.cents[name]) for name in FACTORS),
        ("actual", found.actual_cents),
    ]
    return _table(EFFECTS_NAME, [(name, fixed(cents / CENTS, 2)) for name, cents in rows])


def chlorine_csv(counts: Sequence[Count]) -> str:
    """Return the counts of chlorine.

    Parameters
    ----------
    counts : sequence of Count
        Chlorine by each way of counting. [-]

    Returns
    -------
    str
        CSV, one row for each. [-]
    """
    return _table(
        CHLORINE_NAME,
        [
            (
                count.way,
                fixed(count.chlorine_t, 4),
                fixed(count.uncertainty_t, 4),
                FROM_MEMORY if count.from_memory else "given",
            )
            for count in counts
        ],
    )


def intervals_csv(horizon: Horizon, plan: Side, actual: Side) -> str:
    """Return both days interval by interval: what the effects come from.

    Parameters
    ----------
    horizon : Horizon
        The intervals. [-]
    plan, actual : Side
        The two days. [-]

    Returns
    -------
    str
        CSV, one row per interval. [-]
    """
    columns = {
        "planned_import_mw": plan.import_mw(),
        "actual_import_mw": actual.import_mw(),
        "planned_other_mw": plan.other_mw,
        "actual_other_mw": actual.other_mw,
    }
    for name in actual.load_ka:
        columns |= {
            f"{name}_planned_load_ka": plan.load_ka[name],
            f"{name}_actual_load_ka": actual.load_ka[name],
            f"{name}_planned_ac_power_mw": plan.ac_mw(name),
            f"{name}_model_ac_power_mw": actual.model_mw[name],
            f"{name}_actual_ac_power_mw": actual.ac_mw(name),
        }
    decimals = [UNIT_FORMATS["kA" if name.endswith("_ka") else "MW"].decimals for name in columns]
    rows = [
        (
            local_start(horizon, i),
            str(int(horizon.lengths_min[i])),
            *(
                fixed(float(values[i]), places)
                for values, places in zip(columns.values(), decimals, strict=True)
            ),
        )
        for i in range(len(horizon))
    ]
    return _table(INTERVALS_NAME, rows, ("start", "minutes", *columns))
