"""A day under price scenarios: text and tables, the bid among them.

Owns the layout; the figures come from `scheduler.studies.scenarios`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from models.contract.imbalance import Imbalance
from models.risk import cvar, mean
from scheduler.report.cautions import MODEL_ACCURACY, SHORT_CAUTION
from scheduler.report.columns import STUDY_FILES
from scheduler.report.csv_text import csv_text
from scheduler.report.files import write_text
from scheduler.report.wording import fixed, local_start, plain, spoken_start
from scheduler.studies.scenarios import ScenarioStudy, Way

SCENARIO_NAMES = ("scenarios.txt", "ways.csv", "scenario_costs.csv", "bid.csv", "best_nomination.csv")
"""Files of the folder."""
STEPS_SHOWN = 4
"""Price steps of an interval in the text; all of them are in bid.csv."""
Writer = Callable[[Path], None]


def ways(study: ScenarioStudy) -> tuple[tuple[str, str, Way], ...]:
    """Return the ways of buying with their names.

    Parameters
    ----------
    study : ScenarioStudy
        The study. [-]

    Returns
    -------
    tuple of (str, str, Way)
        Name in files, words and way. [-]
    """
    given = () if study.given is None else (("given_plan", "given plan, its loads kept", study.given),)
    return (
        *given,
        ("mean_price_nomination", "nomination best for the mean price", study.mean_price),
        ("best_nomination", "best nomination", study.nomination),
        ("bid", "bid before lots", study.bid),
        ("bid_in_lots", "bid in lots", study.offered),
        ("prices_known", "prices known before", study.prices_known),
    )


def scenario_text(study: ScenarioStudy) -> str:
    """Return the figures in words.

    Parameters
    ----------
    study : ScenarioStudy
        The study. [-]

    Returns
    -------
    str
        Text of many lines. [-]
    """
    site, options, p = study.site, study.options, study.scenarios.probabilities
    currency, risk, auction = plain(site.contract.currency), options.risk, options.auction
    counted = (
        "mean cost"
        if not risk.weight
        else f"{1 - risk.weight:g} x mean + {risk.weight:g} x tail at {risk.level:g}"
    )
    lines = [
        f"{plain(site.name)}: {len(study.scenarios)} price scenarios for {spoken_start(study.horizon, 0)}",
        "",
        f"Cost of the horizon in {currency}; what counts: {counted}",
        f"{'':<38}{'mean':>14}{f'tail {risk.level:g}':>14}{'least':>14}{'highest':>14}",
    ]
    for _, words, way in ways(study):
        figures = (
            mean(way.costs, p),
            cvar(way.costs, p, risk.level),
            float(np.min(way.costs)),
            float(np.max(way.costs)),
        )
        lines.append(f"{words:<38}" + "".join(f"{fixed(x, 0, True):>14}" for x in figures))
    open_gaps = (study.gap(study.bid), study.gap(study.nomination))
    unsure = fixed(sum(open_gaps) * study.denominator, 0, True)
    lines += [
        "",
        *(
            f"{words:<52}{fixed(worth, 0, True):>12} {currency}"
            for words, worth in (
                ("value of the stochastic solution", study.vss),
                ("value of perfect information", study.evpi),
                ("value of the bid in lots against the best nomination", study.bid_value),
            )
        ),
        f"Gaps: bid {open_gaps[0]:.1e}, best nomination {open_gaps[1]:.1e} of the expected energy charges: "
        f"values are good to about {unsure} {currency}.",
        "",
        "Bid: quantity up to a price (MW <= price)",
    ]
    for t, curve in enumerate(study.curves):
        pairs = list(zip(curve.mw.tolist(), curve.limits_per_mwh.tolist(), strict=True))
        shown = [f"{mw:g} <= {limit:g}" for mw, limit in pairs]
        if len(shown) > STEPS_SHOWN:
            shown = [*shown[:2], f"... {len(shown) - 3} more ...", shown[-1]]
        lines.append(f"{spoken_start(study.horizon, t):<24}{'   '.join(shown)}")
    deviation = next(c for c in site.contract.components if isinstance(c, Imbalance))
    notes = [
        "Mean, tail, value of the stochastic solution and of perfect information as in Birge and Louveaux "
        "(2011) and Rockafellar and Uryasev (2000). First stage: what is bought. Second stage, once the "
        "prices of the day are known: all loads; drawing more than was bought costs "
        f"{deviation.up_per_mwh:g} and drawing less {deviation.down_per_mwh:g} {currency}/MWh.",
        f"Bid: lots of {auction.lot_mw:g} MW, price steps of {auction.tick_per_mwh:g}, prices from "
        f"{auction.price_min_per_mwh:g} to {auction.price_max_per_mwh:g}. Check lots, limits, signs and gate "
        "of your auction before anything is sent; this is no order, and nothing was sent.",
        "Scenarios are an input: the figures say nothing of prices outside them. Above the highest scenario "
        "the bid still buys its last quantity, which duties may need. Prices of different intervals can "
        "clear in combinations that no scenario has: then plan with --cleared and the surcharges.",
        "Prices after the plan day are those of the price file in every scenario, unless scenarios reach "
        "further.",
        *study.notes,
        MODEL_ACCURACY,
        SHORT_CAUTION,
        *(plain(note) for note in site.notes),
    ]
    return "\n".join([*lines, "", *(line for note in notes for line in textwrap.wrap(note, 100))])


def scenario_files(study: ScenarioStudy, text: str) -> dict[str, Writer]:
    """Return the writer of each file of the folder.

    Parameters
    ----------
    study : ScenarioStudy
        The study. [-]
    text : str
        The figures in words. [-]

    Returns
    -------
    dict
        Writers by file name. [-]
    """
    texts = {
        "scenarios.txt": text,
        "ways.csv": _ways_csv(study),
        "scenario_costs.csv": _costs_csv(study),
        "bid.csv": bid_csv(study),
        "best_nomination.csv": _nomination_csv(study),
    }
    return {name: partial(write_text, text=content) for name, content in texts.items()}


def _head(name: str) -> list[str]:
    return [column.name for column in STUDY_FILES[name]]


def _ways_csv(study: ScenarioStudy) -> str:
    p, risk = study.scenarios.probabilities, study.options.risk
    return csv_text(
        _head("ways.csv"),
        (
            [
                name,
                *(
                    fixed(x, 2)
                    for x in (
                        mean(way.costs, p),
                        cvar(way.costs, p, risk.level),
                        way.value,
                        float(np.min(way.costs)),
                        float(np.max(way.costs)),
                    )
                ),
                f"{study.gap(way):.3e}" if np.isfinite(way.bound) else "",
            ]
            for name, _, way in ways(study)
        ),
    )


def _costs_csv(study: ScenarioStudy) -> str:
    named = ways(study)
    fixed_head = [name for name in _head("scenario_costs.csv") if "{" not in name]
    return csv_text(
        [*fixed_head, *(f"{name}_cost" for name, _, _ in named)],
        (
            [scenario, f"{chance:.6g}", *(fixed(float(way.costs[s]), 2) for _, _, way in named)]
            for s, (scenario, chance) in enumerate(
                zip(study.scenarios.names, study.scenarios.probabilities.tolist(), strict=True)
            )
        ),
    )


def bid_csv(study: ScenarioStudy) -> str:
    """Return the bid as CSV.

    Parameters
    ----------
    study : ScenarioStudy
        The study. [-]

    Returns
    -------
    str
        Text of bid.csv. [-]
    """
    horizon = study.horizon
    return csv_text(
        _head("bid.csv"),
        (
            [
                local_start(horizon, t),
                int(horizon.lengths_min[t]),
                f"{limit:.10g}",
                f"{mw:.10g}",
                f"{mw * float(horizon.hours[t]):.10g}",
            ]
            for t, curve in enumerate(study.curves)
            for limit, mw in zip(curve.limits_per_mwh.tolist(), curve.mw.tolist(), strict=True)
        ),
    )


def _nomination_csv(study: ScenarioStudy) -> str:
    horizon = study.horizon
    return csv_text(
        _head("best_nomination.csv"),
        (
            [local_start(horizon, t), int(horizon.lengths_min[t]), fixed(mw * float(horizon.hours[t]), 4)]
            for t, mw in enumerate(study.nomination.bought_mw[0].tolist())
        ),
    )
