"""Price scenarios from a table: what the price may be on each interval, and how likely each scenario is.

Owns the columns and their checks. What is done with scenarios stands in `scheduler.studies.scenarios`.
"""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from models.checks import above, at_most
from models.horizon import Series
from models.price_scenarios import PriceScenarios
from scheduler.read.files import load
from scheduler.read.inputs import Inputs
from scheduler.read.prices import DAY_AHEAD
from scheduler.read.problems import Problems
from scheduler.read.series import Point, join
from scheduler.read.tables import Columns, Row, interval_of, read_table
from scheduler.read.times import shown

COLUMNS = Columns(("scenario", "start", "minutes", "price_per_mwh"), ("probability", "series", "currency"))
MOST_SCENARIOS = 100
"""More make the program of all scenarios too large to be of use."""
SUM_TOLERANCE = 1e-6
"""How far probabilities may add up to something else than 1 by rounding."""


def read_scenarios(path: Path, inputs: Inputs) -> tuple[PriceScenarios, dict[str, str]]:
    """Return the price scenarios of a file.

    Parameters
    ----------
    path : Path
        CSV or XLSX: `scenario, start, minutes, price_per_mwh`, optional `probability` (the same in every row
        of a scenario; all equal without), `series` (else `day_ahead`), `currency`. Every scenario has a price
        for every interval of the plan day, or of the whole horizon. [-]
    inputs : Inputs
        The site and its horizon. [-]

    Returns
    -------
    tuple of (PriceScenarios, dict)
        The scenarios in the order of the file, and the SHA-256 of the file by 'scenarios:name'. [-]

    Raises
    ------
    InputError
        With every problem of the file.
    """
    problems = Problems()
    source = load("scenarios", str(path), Path(), problems)
    rows = read_table(source, COLUMNS, problems) if source is not None else ()
    problems.raise_if_any()
    zone = ZoneInfo(inputs.site.timezone)
    points: dict[str, list[Point]] = {}
    stated: dict[str, tuple[float, Row]] = {}
    with_probability = any(row.has("probability") for row in rows)
    names: set[str] = set()
    for row in rows:
        name = row.text("scenario")
        interval = interval_of(row, zone, metering=True)
        price = row.number("price_per_mwh")
        probability = row.number("probability", above(0), at_most(1)) if with_probability else None
        if row.has("currency"):
            currency = row.text("currency")
            if currency is not None and currency != inputs.site.contract.currency:
                row.fault(
                    "currency",
                    f"must be the site's currency {inputs.site.contract.currency} (got '{currency}'); "
                    "convert the prices first",
                )
        series = row.text("series") if row.has("series") else DAY_AHEAD
        if series is not None:
            names.add(series)
            if len(names) == 2:
                row.fault("series", f"must be the same in the whole file ({' and '.join(sorted(names))})")
        if name is None:
            continue
        points.setdefault(name, [])
        if probability is not None:
            first, where = stated.setdefault(name, (probability, row))
            if first != probability:
                row.fault(
                    "probability",
                    f"must be the same in every row of scenario '{name}' ({first:g} in {where.place}, got "
                    f"{probability:g})",
                )
        if interval is not None:
            value = 0.0 if price is None else price
            points[name].append(
                Point(name, interval.start_min, interval.length_min, value, row.file, row.place)
            )
    problems.raise_if_any()
    file = str(path)
    if not 2 <= len(points) <= MOST_SCENARIOS:
        problems.add(
            file, "", f"must hold 2 to {MOST_SCENARIOS} scenarios (got {len(points)}); 20 to 50 are usual"
        )
    total = sum(probability for probability, _ in stated.values())
    if with_probability and abs(total - 1.0) > SUM_TOLERANCE:
        problems.add(file, "column 'probability'", f"scenarios must add up to 1 (got {total:.6f})")
    joined = join((point for found in points.values() for point in found), inputs.horizon, zone, problems, [])
    problems.raise_if_any()
    for name, series_ in joined.items():
        _check_cover(file, name, series_, inputs, zone, problems)
    problems.raise_if_any()
    kind = names.pop()
    count = len(points)
    chances = np.array([stated[name][0] / total if with_probability else 1.0 / count for name in points])
    own = tuple(Series(kind, joined[n].starts_min, joined[n].lengths_min, joined[n].values) for n in points)
    if kind not in inputs.situation.series:
        problems.add(file, "column 'series'", f"no price file has the series '{kind}'")
        problems.raise_if_any()
    digest = {} if source is None else {f"scenarios:{source.name}": source.digest}
    return PriceScenarios(tuple(points), chances, own), digest


def _check_cover(
    file: str, name: str, series: Series, inputs: Inputs, zone: ZoneInfo, problems: Problems
) -> None:
    """Note where a scenario does not have exactly the intervals of the plan day, or of the horizon."""
    horizon = inputs.horizon
    day = horizon.plan_intervals
    ends = {"the plan day": day, "the whole horizon": len(horizon)}
    for count in ends.values():
        if np.array_equal(series.starts_min, horizon.starts_min[:count]) and np.array_equal(
            series.lengths_min, horizon.lengths_min[:count]
        ):
            return
    present = set(zip(series.starts_min.tolist(), series.lengths_min.tolist(), strict=True))
    wanted = list(zip(horizon.starts_min.tolist(), horizon.lengths_min.tolist(), strict=True))
    lacking = [start for start, length in wanted[:day] if (start, length) not in present]
    strange = sorted(start for start, length in present - set(wanted))
    text = f"must have a price for every interval of {' or of '.join(ends)}, and no other"
    if lacking:
        text += f"; {len(lacking)} of the plan day are missing, the first at {shown(lacking[0], zone)}"
    if strange:
        text += f"; {len(strange)} are no interval of the plan, the first at {shown(strange[0], zone)}"
    problems.add(file, f"scenario '{name}'", text)
