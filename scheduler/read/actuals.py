"""What came of a planned day: metered loads and powers, and quantities sold, used and in stock.

Owns the columns, and the plan's day read again from its table. What is made of them stands in
`scheduler.studies.after`.
"""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from models.checks import at_least, between
from models.circuit import Circuit
from models.horizon import Array, Horizon, Series, instant_of, minute_of
from models.site import Site
from models.situation import Situation
from scheduler.errors import InputError, Problem
from scheduler.read.availability import read_availability
from scheduler.read.context import Context
from scheduler.read.earlier import LOAD, TABLE
from scheduler.read.files import load
from scheduler.read.inputs import Inputs
from scheduler.read.prices import read_prices
from scheduler.read.problems import Problems, hint
from scheduler.read.records import read_toml
from scheduler.read.series import Point, join
from scheduler.read.site_file import read_site_file
from scheduler.read.tables import Columns, Row, interval_of, read_table
from scheduler.read.times import shown
from scheduler.studies.after import BalanceItem, Side, side, sold, stock_change

ACTUALS = Columns(("start", "minutes", "unit", "power_mw"), ("load_ka",))
BALANCE = Columns(("species", "item", "what"), ("quantity_t", "start_t", "end_t", "uncertainty_percent"))
SPECIES = ("Cl2", "NaOH", "KOH")
SOLD, USED, STOCK = "sold", "used", "stock"
AC = "_ac_power_mw"
SAME_PRICE = 1e-3
"""Difference of two energy prices that counts as none. [currency/MWh]"""
SAME_MW = 1e-3
"""Difference of two powers that counts as none. [MW]"""


@dataclass(frozen=True, eq=False)
class PlannedDay:
    """The plan day of a plan's table.

    Parameters
    ----------
    path : Path
        The table. [-]
    starts_min, lengths_min : tuple of int
        Its intervals. [min]
    columns : mapping
        Its columns of numbers by name. Each shape (n,). [as named]
    """

    path: Path
    starts_min: tuple[int, ...]
    lengths_min: tuple[int, ...]
    columns: Mapping[str, Array]

    def day(self, zone: ZoneInfo) -> dt.date:
        """Return the local day of the first interval.

        Parameters
        ----------
        zone : ZoneInfo
            Zone of the site. [-]

        Returns
        -------
        date
            The day. [-]
        """
        return instant_of(self.starts_min[0]).astimezone(zone).date()

    def series(self, name: str) -> Series:
        """Return a column as a series.

        Parameters
        ----------
        name : str
            Name of the column. [-]

        Returns
        -------
        Series
            The series. [as named]

        Raises
        ------
        InputError
            If the table has no such column.
        """
        if name not in self.columns:
            raise InputError(
                (Problem(str(self.path), "line 1", f"has no column '{name}': the plan is of another site"),)
            )
        return Series(
            name,
            np.array(self.starts_min, dtype=np.int64),
            np.array(self.lengths_min, dtype=np.int64),
            self.columns[name],
        )


def read_planned_day(folder: Path) -> PlannedDay:
    """Read the plan day of a plan's folder.

    Parameters
    ----------
    folder : Path
        Folder of a plan. [-]

    Returns
    -------
    PlannedDay
        Its intervals and numbers. [-]

    Raises
    ------
    InputError
        If the folder holds no plan, or its table is damaged.
    """
    path = folder / TABLE
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = [row for row in csv.DictReader(file) if row["plan_day"] == "1"]
        names = [name for name in (rows[0] if rows else {}) if name not in ("start", "minutes")]
        # Where a value is missing the cell is empty; such columns are not needed here.
        full = [name for name in names if all(row[name] for row in rows)]
        starts = tuple(minute_of(dt.datetime.fromisoformat(row["start"])) for row in rows)
        lengths = tuple(int(row["minutes"]) for row in rows)
        columns = {name: np.array([float(row[name]) for row in rows]) for name in full}
    except OSError as error:
        raise InputError(
            (Problem(str(path), "", f"cannot be read ({error.strerror}): name the folder of a plan"),)
        ) from error
    except (KeyError, TypeError, ValueError, csv.Error) as error:
        raise InputError((Problem(str(path), "", f"is not a plan's table ({error})"),)) from error
    if not rows:
        raise InputError((Problem(str(path), "", "is not a plan's table (no row of the plan day)"),))
    return PlannedDay(path, starts, lengths, columns)


@dataclass(frozen=True, eq=False)
class DayRead:
    """A planned day and what came of it.

    Parameters
    ----------
    site : Site
        The works. [-]
    horizon : Horizon
        Intervals: the finer ones of plan and actuals. [-]
    plan, actual : Side
        Both days. [-]
    standing_mwh : float
        Energy that circuits drew while the model gives them none; part of the other load. [MWh]
    items : tuple of BalanceItem
        Sales, uses and stocks. [-]
    digests : mapping
        SHA-256 of the files. [-]
    """

    site: Site
    horizon: Horizon
    plan: Side
    actual: Side
    standing_mwh: float
    items: tuple[BalanceItem, ...]
    digests: Mapping[str, str]


def read_day(
    planned: PlannedDay,
    inputs: Inputs,
    site_path: Path,
    actuals: Path,
    balance: Path | None = None,
    prices: Sequence[Path] = (),
    availability: Sequence[Path] = (),
) -> DayRead:
    """Read actuals and balance, and hold the site's files against the plan.

    Parameters
    ----------
    planned : PlannedDay
        The plan. [-]
    inputs : Inputs
        Site and files as they were planned with. [-]
    site_path : Path
        Site file. [-]
    actuals : Path
        Table of metered loads and powers. [-]
    balance : Path, optional
        Table of quantities sold, used and in stock. [-]
    prices, availability : sequence of Path
        Prices that were charged and outages as they came; those of the plan unless given. [-]

    Returns
    -------
    DayRead
        Both days on the same intervals. [-]

    Raises
    ------
    InputError
        With every problem of actuals and balance, or where the site's files are not those of the plan.
    """
    site, problems = inputs.site, Problems()
    zone = ZoneInfo(site.timezone)
    circuits = [unit.name for unit in site.units if isinstance(unit, Circuit)]
    meter = next(unit.name for unit in site.units if unit.key("import") == site.meter)
    loads, powers, digests = _actuals(actuals, circuits, meter, zone, problems)
    items: list[BalanceItem] = []
    if balance is not None:
        items, digest = _balance(balance, problems)
        digests |= digest
    problems.raise_if_any()
    lengths = [int(x) for series in (*loads.values(), *powers.values()) for x in series.lengths_min]
    step = min(*planned.lengths_min, *lengths)
    end = planned.starts_min[-1] + planned.lengths_min[-1]
    starts = np.arange(planned.starts_min[0], end, step, dtype=np.int64)
    horizon = Horizon(starts, np.full(len(starts), step, dtype=np.int64), site.timezone, len(starts))
    for names, known, column in ((circuits, loads, "load_ka"), ([*circuits, meter], powers, "power_mw")):
        for name in names:
            _note_missing(str(actuals), name, column, known.get(name), horizon, zone, problems)
    came = _as_it_came(inputs, site_path, horizon, prices, availability, problems, digests)
    problems.raise_if_any()
    plan = side(
        site,
        horizon,
        inputs.situation,
        {name: planned.series(f"{name}{LOAD}").on(horizon) for name in circuits},
        planned.series(f"{site.meter}_mw").on(horizon),
    )
    _hold_against(planned, inputs, plan, horizon, zone)
    metered = {name: powers[name].on(horizon) for name in circuits}
    actual = side(
        site,
        horizon,
        came,
        {name: loads[name].on(horizon) for name in circuits},
        powers[meter].on(horizon),
        metered,
    )
    standing = sum(
        float(np.dot(horizon.hours, np.where(actual.model_mw[name] > 0, 0.0, metered[name])))
        for name in circuits
    )
    return DayRead(site, horizon, plan, actual, standing, tuple(items), {**inputs.digests, **digests})


def _as_it_came(
    inputs: Inputs,
    site_path: Path,
    horizon: Horizon,
    prices: Sequence[Path],
    availability: Sequence[Path],
    problems: Problems,
    digests: dict[str, str],
) -> Situation:
    """Return the situation with the prices that were charged and outages as they came."""
    situation = inputs.situation
    source = load("site", str(site_path), Path(), problems)
    toml = read_toml(source, problems) if source is not None else None
    if toml is None or not (prices or availability):
        return situation
    zone = ZoneInfo(horizon.timezone)
    # The site file was read before: its problems have been told.
    context = Context(read_site_file(toml, Problems()), zone, horizon, problems)
    sources = {
        role: tuple(found for path in paths if (found := load(role, str(path), Path(), problems)) is not None)
        for role, paths in (("prices", prices), ("availability", availability))
    }
    digests |= {f"actual {s.role}:{s.name}": s.digest for some in sources.values() for s in some}
    if prices:
        points = read_prices(sources["prices"], None, context).points
        charged = join(points, horizon, zone, problems, context.notes)
        for name, series in charged.items():
            if name not in situation.series:
                problems.add(
                    ", ".join(str(path) for path in prices),
                    f"series '{name}'",
                    f"is not a price the plan knows{hint(name, situation.series)}",
                )
            _note_missing(str(prices[0]), name, "price_per_mwh", series, horizon, zone, problems)
        situation = replace(situation, series={**situation.series, **charged})
    if availability:
        situation = replace(situation, availability=read_availability(sources["availability"], context))
    return situation


def _actuals(
    path: Path, circuits: Sequence[str], meter: str, zone: ZoneInfo, problems: Problems
) -> tuple[dict[str, Series], dict[str, Series], dict[str, str]]:
    source = load("actuals", str(path), Path(), problems)
    if source is None:
        return {}, {}, {}
    loads: list[Point] = []
    powers: list[Point] = []
    for row in read_table(source, ACTUALS, problems):
        interval = interval_of(row, zone, metering=True)
        name = row.text("unit")
        power = row.number("power_mw")
        current = row.number("load_ka", at_least(0, "kA")) if row.has("load_ka") else None
        if name is None:
            continue
        if name not in (*circuits, meter):
            row.fault(
                "unit", f"must be a circuit or the meter (got '{name}'){hint(name, [*circuits, meter])}"
            )
            continue
        if name == meter and row.has("load_ka"):
            row.fault("load_ka", f"must be empty for the meter '{meter}'")
        if name != meter and not row.has("load_ka"):
            row.fault("load_ka", "is missing; write the load of the circuit")
        if name != meter and power is not None and power < 0:
            row.fault("power_mw", f"must be at least 0 [MW] for a circuit (got {power:g})")
        if interval is None or power is None:
            continue
        at = (interval.start_min, interval.length_min)
        powers.append(Point(name, *at, power, row.file, row.place))
        if current is not None:
            loads.append(Point(name, *at, current, row.file, row.place))
    quiet = Problems()
    return (
        # A second row of an interval is told once, with the power.
        join(loads, None, zone, quiet, []),
        join(powers, None, zone, problems, []),
        {f"{source.role}:{source.name}": source.digest},
    )


def _note_missing(
    file: str,
    name: str,
    column: str,
    series: Series | None,
    horizon: Horizon,
    zone: ZoneInfo,
    problems: Problems,
) -> None:
    missing = range(len(horizon)) if series is None else series.missing_on(horizon)
    if len(missing):
        first = shown(int(horizon.starts_min[missing[0]]), zone)
        problems.add(
            file,
            f"'{name}'",
            f"no '{column}' for {len(missing)} of {len(horizon)} intervals of the plan day, the first at "
            f"{first}; give the whole day",
        )


def _energy_price(site: Site, situation: Situation, horizon: Horizon) -> Array:
    """Return the sum of the contract's energy rates, as a plan's table has it."""
    total = np.zeros(len(horizon))
    for prefix, term in site.contract.terms(horizon, situation):
        for cost in term.declare(horizon, prefix, site.meter).costs:
            if cost.group == "energy" and cost.variable == site.meter:
                total = total + cost.coefficient / horizon.hours
    return total


def _hold_against(planned: PlannedDay, inputs: Inputs, plan: Side, horizon: Horizon, zone: ZoneInfo) -> None:
    """Refuse files that are not those of the plan: the effects would be those of other prices or models."""
    found = []
    price = _energy_price(inputs.site, inputs.situation, horizon)
    checks = [
        (
            "energy_price_per_mwh",
            price,
            SAME_PRICE,
            "give the prices and the contract it was planned with (--prices, --contract)",
        ),
        *(
            (
                f"{name}{AC}",
                power,
                SAME_MW,
                "give the site file and the availability it was planned with",
            )
            for name, power in plan.model_mw.items()
        ),
    ]
    for column, now, tolerance, cure in checks:
        then = planned.series(column).on(horizon)
        off = np.abs(now - then)
        if np.max(off) > tolerance:
            at = int(np.argmax(off))
            found.append(
                Problem(
                    str(planned.path),
                    f"column '{column}'",
                    f"is {then[at]:g} at {shown(int(horizon.starts_min[at]), zone)} in the plan and "
                    f"{now[at]:g} by the files of the site: {cure}",
                )
            )
    if found:
        raise InputError(tuple(found))


def _balance(path: Path, problems: Problems) -> tuple[list[BalanceItem], dict[str, str]]:
    source = load("balance", str(path), Path(), problems)
    if source is None:
        return [], {}
    items = []
    seen: dict[tuple[str, str], str] = {}
    for row in read_table(source, BALANCE, problems):
        before = len(problems)
        species = row.choice("species", SPECIES)
        name = row.text("item")
        what = row.choice("what", (SOLD, USED, STOCK))
        item = _item(row, species, name, what)
        if species is not None and name is not None:
            first = seen.setdefault((species, name), row.place)
            if first != row.place:
                row.fault("item", f"'{name}' is there again, first in {first}; keep one, or name them apart")
        if item is not None and len(problems) == before:
            items.append(item)
    return items, {f"{source.role}:{source.name}": source.digest}


def _item(row: Row, species: str | None, name: str | None, what: str | None) -> BalanceItem | None:
    percent = (
        row.number("uncertainty_percent", between(0, 100, "%")) if row.has("uncertainty_percent") else None
    )
    if what is None:
        return None
    needed = ("start_t", "end_t") if what == STOCK else ("quantity_t",)
    for column in {"start_t", "end_t", "quantity_t"} - set(needed):
        if row.has(column):
            row.fault(column, f"must be empty for '{what}'; it has {' and '.join(needed)}")
    values = [row.number(column, at_least(0, "t")) for column in needed]
    if species is None or name is None or None in values:
        return None
    numbers = [float(value) for value in values if value is not None]
    if what == STOCK:
        return stock_change(species, name, numbers[0], numbers[1], percent)
    return sold(species, name, numbers[0], percent)
