"""The one source of every output name, unit, format and meaning.

Owns the columns of plan.csv, the fields of plan.json and the table of both in the README. Values come
from the plan and `scheduler.report.figures`; files are written elsewhere.

Names carry their unit and change only with a line in the changelog.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np

from models.horizon import Array
from models.pieces import Curve, Stock, Variable
from scheduler.errors import InputError, Problem
from scheduler.report.figures import on_horizon, owner, plan_mask
from scheduler.report.wording import fixed, local_start
from scheduler.result import Plan


@dataclass(frozen=True)
class UnitFormat:
    """How values of a unit are named and written.

    Parameters
    ----------
    suffix : str
        End of the name; empty for a pure number. [-]
    decimals : int
        Digits after the point. [-]
    """

    suffix: str
    decimals: int


UNIT_FORMATS: Final[Mapping[str, UnitFormat]] = MappingProxyType(
    {
        "kA": UnitFormat("ka", 6),
        "kA/m2": UnitFormat("ka_per_m2", 4),
        "V": UnitFormat("v", 4),
        "C": UnitFormat("c", 2),
        "ppm": UnitFormat("ppm", 3),
        "MW": UnitFormat("mw", 4),
        "MWh": UnitFormat("mwh", 4),
        "Mvar": UnitFormat("mvar", 4),
        "MVA": UnitFormat("mva", 4),
        "kWh/t": UnitFormat("kwh_per_t", 2),
        "t/h": UnitFormat("t_per_h", 4),
        "t/d": UnitFormat("t_per_d", 4),
        "kg/h": UnitFormat("kg_per_h", 3),
        "m3/h": UnitFormat("m3_per_h", 3),
        "t": UnitFormat("t", 4),
        "kg": UnitFormat("kg", 3),
        "m3": UnitFormat("m3", 3),
        "%": UnitFormat("percent", 4),
        "currency/MWh": UnitFormat("per_mwh", 4),
        "min": UnitFormat("minutes", 0),
        "-": UnitFormat("", 6),
    }
)
"""Suffix and decimals by unit."""

UNLISTED_DECIMALS: Final = 6
"""Decimals of a unit that a product or unit of one's own brings along."""


def unit_format(unit: str) -> UnitFormat:
    """Return suffix and decimals of a unit, also of one that is not listed.

    Parameters
    ----------
    unit : str
        Unit of measure, for example 't/h'. [-]

    Returns
    -------
    UnitFormat
        Suffix and decimals. [-]
    """
    if unit in ("", "1"):
        return UNIT_FORMATS["-"]
    known = UNIT_FORMATS.get(unit)
    if known is not None:
        return known
    slug = re.sub(r"[^a-z0-9]+", "_", unit.lower().replace("/", "_per_").replace("%", "percent"))
    return UnitFormat(slug.strip("_"), UNLISTED_DECIMALS)


def with_suffix(key: str, unit: str) -> str:
    """Return a key with the suffix of its unit, not doubled.

    Parameters
    ----------
    key : str
        Key of a record. [-]
    unit : str
        Unit of measure. [-]

    Returns
    -------
    str
        `{key}_{suffix}`. [-]
    """
    suffix = unit_format(unit).suffix
    return key if not suffix or key == suffix or key.endswith(f"_{suffix}") else f"{key}_{suffix}"


def unit_of_name(name: str) -> str:
    """Return the unit that a reading's name carries.

    Parameters
    ----------
    name : str
        Name of a reading, for example 'dc_power_mw'. [-]

    Returns
    -------
    str
        Unit; '-' if the name carries none. [-]
    """
    fitting = [
        unit
        for unit, form in UNIT_FORMATS.items()
        if form.suffix and (name == form.suffix or name.endswith(f"_{form.suffix}"))
    ]
    return max(fitting, key=lambda unit: len(UNIT_FORMATS[unit].suffix), default="-")


@dataclass(frozen=True, eq=False)
class Column:
    """A column of plan.csv.

    Parameters
    ----------
    name : str
        Name in the header line, with its unit. [-]
    unit : str
        Unit of the values. [-]
    decimals : int or None
        Digits after the point; None for text. [-]
    meaning : str
        What the values are, in words. [-]
    getter : callable
        Takes a plan, gives one value per interval. [-]
    gaps : bool
        Whether a value may be missing: written as an empty cell. [-]
    """

    name: str
    unit: str
    decimals: int | None
    meaning: str
    getter: Callable[[Plan], tuple[str, ...] | Array]
    gaps: bool = False

    def cells(self, plan: Plan) -> list[str]:
        """Return the cells of the column.

        Parameters
        ----------
        plan : Plan
            The plan. [-]

        Returns
        -------
        list of str
            One per interval. [-]

        Raises
        ------
        ValueError
            If a value is infinite, or missing where none may be missing.
        """
        values = self.getter(plan)
        if self.decimals is None:
            return [str(value) for value in values]
        cells = []
        for interval, value in enumerate(np.asarray(values, dtype=np.float64).tolist()):
            if self.gaps and np.isnan(value):
                cells.append("")
            elif not np.isfinite(value):
                raise ValueError(
                    f"'{self.name}' must be finite (got {value} at {local_start(plan.horizon, interval)})"
                )
            else:
                cells.append(fixed(value, self.decimals))
        return cells


def columns(plan: Plan) -> tuple[Column, ...]:
    """Return the columns of plan.csv for a plan.

    Order: time and price; interval variables, curve results and stock levels in order of declaration;
    readings; net flows. A reading or flow whose name is taken already, and a flow that is just one of the
    unit's own variables, are not repeated.

    Parameters
    ----------
    plan : Plan
        The plan. [-]

    Returns
    -------
    tuple of Column
        The columns; names are unique. [-]

    Raises
    ------
    InputError
        If names of units are chosen such that two different columns would have one name.
    """
    found: dict[str, tuple[str, Column]] = {}
    clashes = []
    for source, column in (*_fixed_columns(), *_declared(plan), *_readings(plan), *_flows(plan)):
        taken = found.get(column.name)
        if taken is None:
            found[column.name] = (source, column)
        elif taken[0] != source:
            clashes.append(
                Problem(
                    "site",
                    column.name,
                    f"'{taken[0] or 'the plan'}' and '{source or 'the plan'}' would both have a column of "
                    "this name: rename one of the units",
                )
            )
    if clashes:
        raise InputError(tuple(clashes))
    return tuple(column for _, column in found.values())


def _fixed_columns() -> Iterator[tuple[str, Column]]:
    def starts(plan: Plan) -> tuple[str, ...]:
        return tuple(local_start(plan.horizon, interval) for interval in range(len(plan.horizon)))

    getters: Mapping[str, Callable[[Plan], tuple[str, ...] | Array]] = {
        "start": starts,
        "minutes": lambda plan: plan.horizon.lengths_min.astype(np.float64),
        "plan_day": lambda plan: plan_mask(plan).astype(np.float64),
        "energy_price_per_mwh": lambda plan: plan.energy_price_per_mwh,
    }
    decimals: Mapping[str, int | None] = {
        "start": None,
        "minutes": 0,
        "plan_day": 0,
        "energy_price_per_mwh": UNIT_FORMATS["currency/MWh"].decimals,
    }
    for name in FIXED_COLUMNS:
        yield "", Column(name.name, name.unit, decimals[name.name], name.meaning, getters[name.name])


def _declared(plan: Plan) -> Iterator[tuple[str, Column]]:
    declaration = plan.declaration
    records: tuple[Variable | Curve | Stock, ...] = (
        *declaration.variables,
        *declaration.curves,
        *declaration.stocks,
    )
    # What a change draws on its way is shown as one reading of each circuit, from the power curve itself.
    ways = {ramp.key for ramp in declaration.ramps}
    for record in records:
        if isinstance(record, Variable) and record.intervals is None:
            continue
        if record.key in ways or (isinstance(record, Curve) and record.of in ways):
            continue
        unit = owner(plan, record.key) or "the contract"
        yield (
            unit,
            Column(
                with_suffix(record.key, record.unit),
                record.unit or "-",
                unit_format(record.unit).decimals,
                record.meaning or record.key.replace("_", " "),
                _getter_of(record),
            ),
        )


def _getter_of(record: Variable | Curve | Stock) -> Callable[[Plan], Array]:
    if isinstance(record, Variable):
        return lambda plan: on_horizon(plan, record)
    return lambda plan: plan.audit.values[record.key]


def _readings(plan: Plan) -> Iterator[tuple[str, Column]]:
    for unit, simulation in plan.audit.simulations.items():
        for name in simulation.readings:
            measure = unit_of_name(name)
            meaning = READINGS.get(name, name.replace("_", " "))
            yield (
                unit,
                Column(
                    f"{unit}_{name}",
                    measure,
                    unit_format(measure).decimals,
                    f"{meaning} of {unit}, simulated",
                    _reading_getter(unit, name),
                    gaps=True,
                ),
            )


def _reading_getter(unit: str, name: str) -> Callable[[Plan], Array]:
    return lambda plan: plan.audit.simulations[unit].readings[name]


def _flows(plan: Plan) -> Iterator[tuple[str, Column]]:
    commodities = plan.site.commodities
    for unit, commodity in plan.audit.flows:
        if _is_one_variable(plan, unit, commodity):
            continue
        measure = commodities[commodity].unit
        yield (
            unit,
            Column(
                with_suffix(f"{unit}_{commodity}", measure),
                measure,
                unit_format(measure).decimals,
                f"net flow of {unit} onto {commodity}, negative when taken",
                _flow_getter(unit, commodity),
            ),
        )


def _flow_getter(unit: str, commodity: str) -> Callable[[Plan], Array]:
    return lambda plan: plan.audit.flows[unit, commodity]


def _is_one_variable(plan: Plan, unit: str, commodity: str) -> bool:
    """Tell whether a unit's flow is one of its columns already, up to the sign."""
    flows = [
        flow
        for flow in plan.declaration.flows
        if flow.commodity == commodity and owner(plan, flow.variable) == unit
    ]
    return (
        len(flows) == 1
        and bool(np.all(np.abs(flows[0].coefficient) == 1.0))
        and bool(np.all(np.asarray(flows[0].constant) == 0.0))
    )


@dataclass(frozen=True)
class Documented:
    """A name, or a pattern of names, that an output may hold.

    Parameters
    ----------
    name : str
        Name; parts in braces stand for names of the site. [-]
    unit : str
        Unit of the value. [-]
    meaning : str
        What it is, in words. [-]
    """

    name: str
    unit: str
    meaning: str


COLLISION_FIELDS: Final = (
    ("key", "-", "record with its side"),
    ("meaning", "-", "in words"),
    ("change", "-", "what gives room: raise, lower, widen, bring back earlier, ..."),
    ("limit", "as `unit`", "the limit; null where it is no number"),
    ("unit", "-", "unit of the limit"),
    ("from", "-", "start of the first interval; null without one"),
    ("until", "-", "end of the last interval; null without one"),
)
CHANGE_FIELDS: Final = (
    *COLLISION_FIELDS,
    ("amount", "as `unit`", "least change that is enough"),
    ("share", "-", "the same over the size of the limit; null where it has none"),
    ("words", "-", "the change as a sentence"),
)


FIXED_COLUMNS: Final = (
    Documented("start", "-", "start of the interval, local time with offset from UTC, ISO 8601"),
    Documented("minutes", "min", "length of the interval"),
    Documented("plan_day", "-", "1 on the plan day, 0 in the look-ahead"),
    Documented("energy_price_per_mwh", "currency/MWh", "sum of all energy rates of the contract"),
)
"""Columns that every plan.csv begins with."""

READINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "mean_load_ka": "mean load over the interval: the set load, less what does not flow while it is run "
        "down for an outage or up after one",
        "dc_power_mw": "DC power of the cells",
        "ac_power_mw": "AC power before the rectifier, auxiliaries left out",
        "chlorine_t_per_h": "chlorine made, as Cl2",
        "alkali_t_per_h": "alkali made, dry NaOH or KOH",
        "hydrogen_kg_per_h": "hydrogen made",
        "cell_voltage_v": "cell voltage",
        "dc_voltage_v": "DC voltage behind the rectifier, busbars included",
        "current_density_ka_per_m2": "current density",
        "current_efficiency": "chlorine current efficiency",
        "ramp_energy_mwh": "energy drawn while the load travels from that of the interval before, beyond "
        "what it draws on arrival; falls count in metered peaks",
        "cell_temperature_c": "mean temperature of the room, with a thermal lag only",
        "lag_voltage_v": "mean cell voltage above the steady one, with a thermal lag only",
        "density_newest_ka_per_m2": "greatest density of the newest electrolyser, with a stated spread only",
        "hydrogen_percent": "hydrogen in the circuit's chlorine, where stated, as a share of the chlorine",
        "chloride_ppm": "chloride in the circuit's alkali, where stated, as NaCl in dry alkali",
        "lag_power_mw": "DC power above the steady one, no part of other columns, with a thermal lag only",
    }
)
"""Meaning of the readings of a circuit."""


def documented_columns() -> tuple[Documented, ...]:
    """Return the columns a plan.csv may hold, with braces for names of the site.

    Returns
    -------
    tuple of Documented
        Names or patterns, units, meanings. [-]
    """
    return (
        *FIXED_COLUMNS,
        Documented(
            "{unit}_{variable}_{suffix}",
            "as the suffix",
            "decision of a unit on the interval, for example `{circuit}_load_ka` or `meter_import_mw`; 0 "
            "outside the window of an order",
        ),
        Documented(
            "{unit}_{curve}_{suffix}",
            "as the suffix",
            "simulated result of a curve, for example `{circuit}_power_mw`",
        ),
        Documented("{unit}_{stock}_{suffix}", "as the suffix", "level at the END of the interval"),
        *(
            Documented(f"{{circuit}}_{name}", unit_of_name(name), f"{meaning}, simulated")
            for name, meaning in READINGS.items()
        ),
        Documented(
            "{unit}_{reading}",
            "as the suffix",
            "another simulated reading; the name carries its unit; empty where there is no value",
        ),
        Documented(
            "{unit}_{commodity}_{suffix}",
            "as the suffix",
            "net flow of the unit onto the commodity, negative when taken; left out where a column of the "
            "same unit holds it already",
        ),
    )


_SPANS: Final = (("plan_day", "on the plan day"), ("horizon", "over the horizon"))


def _spanned(prefix: str, rows: Iterable[tuple[str, str, str]]) -> tuple[Documented, ...]:
    return tuple(
        Documented(f"{prefix}.{span}.{name}" if name else f"{prefix}.{span}", unit, f"{meaning}, {words}")
        for span, words in _SPANS
        for name, unit, meaning in rows
    )


def documented_fields() -> tuple[Documented, ...]:
    """Return the fields of plan.json, with braces for names of the site and [] for lists.

    Returns
    -------
    tuple of Documented
        Paths or patterns, units, meanings. [-]
    """
    money, per_mwh = "currency", "currency/MWh"
    return (
        Documented("schema_version", "-", "version of this list of fields"),
        Documented("cautions[]", "-", "what comes before any use of the plan"),
        Documented("notes[]", "-", "sentences of the site file that stand on every output"),
        Documented("model_accuracy", "-", "what the certificate does not say"),
        Documented("status", "-", "kind of result"),
        Documented("site", "-", "name of the site"),
        Documented("contract", "-", "name of the supply contract"),
        Documented("currency", "-", "ISO 4217 code of all amounts"),
        Documented("horizon.start", "-", "local time with offset"),
        Documented("horizon.plan_day_end", "-", "local time with offset"),
        Documented("horizon.end", "-", "local time with offset"),
        Documented("horizon.timezone", "-", "IANA name"),
        Documented("horizon.intervals", "-", "number of intervals"),
        Documented("horizon.plan_day_intervals", "-", "of which on the plan day"),
        Documented("horizon.hours", "h", "length of the horizon"),
        Documented("horizon.plan_day_hours", "h", "length of the plan day: 23, 24 or 25"),
        Documented("cost.total", money, "exact simulated cost of the horizon, sunk charges left out"),
        Documented("cost.power", money, "of which energy and demand"),
        Documented("cost.other", money, "of which all else: steam, materials, income, value of end stocks"),
        Documented("cost.by_group.{group}", money, "the same by line of the summary; income is negative"),
        Documented("cost.sunk", money, "charges of the billing period that no load of this horizon changes"),
        Documented(
            "lower_bound", money, "no plan for the same horizon, prices, duties and end stocks costs less"
        ),
        Documented(
            "gap.before_steps", "-", "(cost - bound) / denominator of the plan before loads are put on steps"
        ),
        Documented(
            "gap.after_steps",
            "-",
            "the same of the plan in steps against the bound of the step problem; null without steps",
        ),
        Documented("gap.denominator", money, "sum of absolute energy charges over the intervals"),
        Documented("gap.meaning", "-", "the certificate in words"),
        Documented(
            "price_of_steps",
            money,
            "what whole steps and limited changes cost on the plan day; null without them",
        ),
        Documented("solution.rounds", "-", "how often the program was solved"),
        Documented("solution.tangents", "-", "tangents added after the first solve"),
        Documented("solution.chords", "-", "chords added"),
        Documented("solution.binaries", "-", "branches added"),
        Documented(
            "solution.cold_correction",
            money,
            "by how much the bound before steps came down when the program was solved from nothing; null "
            "where branch and bound (which always starts from nothing) or a limit ended the search",
        ),
        *_spanned(
            "energy",
            (
                ("import_mwh", "MWh", "metered import"),
                ("mean_mw", "MW", "mean import"),
                ("cost", money, "import at the energy rates"),
                ("average_price_per_mwh", per_mwh, "average price paid: cost / import"),
                ("time_mean_price_per_mwh", per_mwh, "mean price over time, whatever the load"),
            ),
        ),
        *_spanned(
            "energy_per_tonne",
            (
                ("{circuit}.dc_kwh_per_t", "kWh/t", "DC energy per t Cl2; null without production"),
                ("{circuit}.ac_kwh_per_t", "kWh/t", "AC energy per t Cl2, auxiliaries left out"),
            ),
        ),
        *_spanned(
            "load",
            (
                ("{circuit}.min_ka", "kA", "least load"),
                ("{circuit}.mean_ka", "kA", "mean load"),
                ("{circuit}.max_ka", "kA", "highest load"),
            ),
        ),
        *_spanned(
            "production",
            (
                ("by_circuit.{circuit}.chlorine_t", "t", "chlorine made, as Cl2"),
                ("by_circuit.{circuit}.alkali_t", "t", "alkali made, dry NaOH or KOH"),
                ("by_circuit.{circuit}.hydrogen_kg", "kg", "hydrogen made"),
                ("total.chlorine_t", "t", "chlorine made, as Cl2"),
                ("total.alkali_t", "t", "alkali made, dry NaOH and KOH together"),
                ("total.hydrogen_kg", "kg", "hydrogen made"),
            ),
        ),
        Documented("misses[].key", "-", "missed part of a duty"),
        Documented("misses[].meaning", "-", "what is missed"),
        Documented("misses[].class", "-", "class; the first class is met first"),
        Documented("misses[].class_meaning", "-", "class in words"),
        Documented("misses[].quantity", "as `unit`", "how much over the horizon"),
        Documented("misses[].unit", "-", "unit of the quantity"),
        Documented("misses[].first_at", "-", "start of the first interval; null without one"),
        Documented(
            "misses[].counts_per_unit", "currency/unit", "what a missed unit counts; never part of the cost"
        ),
        Documented("violations[].key", "-", "row, stock, bus or reading"),
        Documented("violations[].meaning", "-", "limit that is broken"),
        Documented("violations[].amount", "as `unit`", "by how much, where it is broken most"),
        Documented("violations[].unit", "-", "unit of the amount"),
        Documented("violations[].worst_at", "-", "start of that interval; null without one"),
        Documented(
            "diagnosis", "-", "why duties are missed or limits broken; null where nothing is, or nobody asked"
        ),
        Documented("diagnosis.complete", "-", "false if the time for the diagnosis ran out"),
        Documented("diagnosis.note", "-", "what was not found, in words"),
        *(
            Documented(f"diagnosis.conflicts[].duties[].{name}", unit, words)
            for name, unit, words in (
                ("key", "-", "missed part of a duty"),
                ("meaning", "-", "what is missed"),
                ("quantity", "as `unit`", "least possible miss of this conflict alone"),
                ("unit", "-", "unit of the quantity"),
                ("from", "-", "start of the first interval on which it is missed; null without one"),
                ("until", "-", "end of the last one"),
            )
        ),
        *(
            Documented(f"diagnosis.conflicts[].limits[].{name}", unit, f"limit that collides: {words}")
            for name, unit, words in COLLISION_FIELDS
        ),
        *(
            Documented(f"diagnosis.conflicts[].change.{name}", unit, f"smallest change that helps: {words}")
            for name, unit, words in CHANGE_FIELDS
        ),
        *(
            Documented(f"diagnosis.conflicts[].alternatives[].{name}", unit, f"other change: {words}")
            for name, unit, words in CHANGE_FIELDS
        ),
        Documented("peak.billed[].key", "-", "peak that a demand charge bills"),
        Documented("peak.billed[].label", "-", "term and billing period"),
        Documented(
            "peak.billed[].peak_mw", "MW", "billed peak, what was reached before the horizon included"
        ),
        *_spanned(
            "peak.import",
            (
                ("max_mw", "MW", "highest interval mean of the import"),
                ("at", "-", "start of the first such interval"),
            ),
        ),
        Documented("sides[].cases[].component", "-", "component of the contract whose charge has sides"),
        Documented("sides[].cases[].case", "-", "side on which it was planned"),
        Documented("sides[].cost", money, "cost of the plan on that side; null if there is none"),
        Documented("sides[].lower_bound", money, "no plan on that side costs less"),
        Documented("sides[].refused", "-", "why it was not taken; empty if it is possible"),
        Documented("sides[].calls[].component", "-", "component that is paid to answer calls"),
        Documented("sides[].calls[].start", "-", "interval of the simulated call, local time with offset"),
        Documented("sides[].calls[].asked_mw", "MW", "change of import that is asked for"),
        Documented("sides[].calls[].possible_mw", "MW", "the most of it that keeps all duties and limits"),
        Documented("bill[].component", "-", "component of the contract"),
        Documented("bill[].label", "-", "what is charged"),
        Documented("bill[].quantity", "as `quantity_unit`", "quantity charged"),
        Documented("bill[].quantity_unit", "-", "unit of the quantity"),
        Documented("bill[].rate", "currency/unit", "price; weighted mean for a line of many prices"),
        Documented("bill[].amount", money, "amount, not rounded to cents"),
        Documented("bill[].group", "-", "cost group"),
        Documented("bill[].formula", "-", "how the amount follows"),
        Documented("comparisons[].name", "-", "another way of running for the same duties and end stocks"),
        Documented("comparisons[].possible", "-", "whether it can be run"),
        Documented(
            "comparisons[].comparable", "-", "false if the plan itself misses duties or breaks limits"
        ),
        Documented("comparisons[].cost", money, "its exact cost, same definition as the plan's"),
        Documented("comparisons[].energy_cost", money, "its energy charges"),
        Documented("comparisons[].saving", money, "its cost less the plan's"),
        Documented("comparisons[].saving_percent", "%", "saving as a share of its energy charges"),
        Documented("comparisons[].note", "-", "what was assumed, or why it is not possible"),
        *_spanned(
            "temperature_lag",
            (
                ("{circuit}.extra_dc_mwh", "MWh", "DC energy beyond the steady voltage, may be negative"),
                ("{circuit}.extra_energy_cost", money, "the same at the energy rates"),
            ),
        ),
        Documented(
            "temperature_lag.contract_cost",
            money,
            "what the lag adds to the contract's charges over the horizon, raised peaks included; the whole "
            "`temperature_lag` is null where no circuit states a thermal lag",
        ),
        Documented("temperature_lag.cost_with_lag", money, "`cost.total` and the lag's contract cost"),
        Documented(
            "temperature_lag.steady_plan.cost",
            money,
            "cost of the cheapest plan of the steady voltage, where this plan was taken in its place for the "
            "lag; else null",
        ),
        Documented("temperature_lag.steady_plan.contract_cost", money, "what the lag would add to that one"),
        Documented(
            "temperature_lag.warnings[].key", "-", "limit the lag breaks although plans try to keep it"
        ),
        Documented("temperature_lag.warnings[].meaning", "-", "the limit in words"),
        Documented("temperature_lag.warnings[].amount", "as `unit`", "by how much, where it is worst"),
        Documented("temperature_lag.warnings[].unit", "-", "unit of the amount"),
        Documented("temperature_lag.warnings[].worst_at", "-", "start of that interval"),
        Documented("temperature_lag.meaning", "-", "what the lag is part of and what not"),
        Documented("stocks.{stock}.meaning", "-", "what is stored"),
        Documented("stocks.{stock}.unit", "-", "unit of the levels"),
        Documented("stocks.{stock}.start", "as `unit`", "level at the start"),
        Documented("stocks.{stock}.plan_day_end", "as `unit`", "level at the end of the plan day"),
        Documented("stocks.{stock}.end", "as `unit`", "level at the end of the horizon"),
        Documented("stocks.{stock}.min", "as `unit`", "least level, the start included"),
        Documented("stocks.{stock}.min_at", "-", "when, local time with offset"),
        Documented("stocks.{stock}.max", "as `unit`", "highest level, the start included"),
        Documented("stocks.{stock}.max_at", "-", "when, local time with offset"),
        Documented("stocks.{stock}.lower_limit", "as `unit`", "lowest lower limit; null if there is none"),
        Documented("stocks.{stock}.upper_limit", "as `unit`", "highest upper limit; null if there is none"),
        Documented("stocks.{stock}.lower_limit_at_end", "as `unit`", "lower limit at the end of the horizon"),
        Documented("balance_error_max.commodity", "-", "commodity whose balance closes least well"),
        Documented("balance_error_max.share", "-", "its largest residual as a share of its capacity"),
        Documented("versions.{program}", "-", "version; null if it is not installed as a package"),
        Documented("input_digests.{file}", "-", "SHA-256 of each input"),
    )


_WHEN: Final = (
    Documented("start", "-", "local time with offset from UTC, ISO 8601, at which the row begins to hold"),
    Documented("minutes", "min", "how long it holds"),
)
_STATUS: Final = Documented("status", "-", "kind of result, and where the cautions stand")

FURTHER_FILES: Final[Mapping[str, tuple[Documented, ...]]] = MappingProxyType(
    {
        "trips.csv": (
            *_WHEN,
            Documented("plan_day", "-", "1 on the plan day, 0 later"),
            Documented("{header}_tripped_circuit", "-", "circuit that makes most chlorine for the header"),
            Documented("{header}_tripped_circuit_t_per_h", "t/h", "chlorine it makes"),
            Documented("{header}_left_t_per_h", "t/h", "chlorine the others make at planned loads"),
            Documented("{header}_liquid_t", "t", "liquid in store above 0, the lesser of start and end"),
            Documented(
                "{header}_vaporiser_wait_minutes", "min", "time until every vaporiser is hot; 0 if all run"
            ),
            Documented(
                "{header}_returned_t_per_h", "t/h", "liquid vaporised after the trip, once all are hot"
            ),
            Documented(
                "{customer}_cover_h",
                "h",
                "hours the customer gets his least rate without that circuit; inf where production suffices, "
                "0 where he is cut at once, also where he needs a cold vaporiser",
            ),
            Documented("{customer}_cover_once_hot_h", "h", "the same counted from when vaporisers are hot"),
            Documented("{header}_tripped_customer", "-", "pipeline customer who takes most"),
            Documented("{header}_tripped_customer_t_per_h", "t/h", "what he takes: the sum of the next five"),
            Documented("{header}_less_vaporised_t_per_h", "t/h", "liquid no longer vaporised"),
            Documented("{header}_to_customers_t_per_h", "t/h", "more to the other customers at once"),
            Documented("{header}_to_liquefaction_t_per_h", "t/h", "more feed of the liquefaction"),
            Documented(
                "{header}_to_acid_t_per_h",
                "t/h",
                "more header chlorine to acid; negative where more tail gas takes its place",
            ),
            Documented("{header}_to_cut_t_per_h", "t/h", "chlorine with no place: production to cut at once"),
            Documented("{header}_to_cut_ka", "kA", "the cut as load of `{header}_tripped_circuit`"),
            Documented("{header}_turndown_t_per_h", "t/h", "what circuits can be cut to their least loads"),
            Documented("{header}_liquid_full_h", "h", "hours until the liquid is full; inf if it never is"),
        ),
        "nomination.csv": (
            *_WHEN,
            Documented("import_mw", "MW", "mean metered import, as audited"),
            _STATUS,
        ),
        "utilities_forecast.csv": (
            *_WHEN,
            Documented("{utility}_made_{suffix}", "kg/h or t/h", "what units make"),
            Documented("{utility}_bought_{suffix}", "kg/h or t/h", "what purchases bring"),
            Documented("{utility}_used_{suffix}", "kg/h or t/h", "what units and customers take"),
            Documented("{utility}_vented_{suffix}", "kg/h or t/h", "what leaves by an outlet without credit"),
            Documented("{unit}_{utility}_{suffix}", "kg/h or t/h", "net flow of a unit, negative when taken"),
            _STATUS,
        ),
        "loading_per_shift.csv": (
            Documented("shift", "-", "local day and time at which the shift starts"),
            Documented("lot", "-", "number of the order"),
            Documented("customer", "-", "for whom"),
            Documented("mode", "-", "road, rail, ship or container"),
            Documented("product", "-", "what is loaded"),
            Documented("load_t", "t", "to load in this shift, as the product is counted (t Cl2, t dry)"),
            Documented("lot_t", "t", "the whole lot, what was loaded before included"),
            Documented(
                "wagons",
                "-",
                "wagons, tankers or containers that become full in this shift; one begun counts in the shift "
                "that fills it, the last one when the lot is complete; empty if their size is not stated",
            ),
            Documented("from", "-", "first loading in the shift, local time with offset"),
            Documented("to", "-", "end of the last loading in the shift, local time with offset"),
            Documented("note", "-", "note of the order"),
            _STATUS,
        ),
        "rectifiers.csv": (
            Documented("circuit", "-", "circuit whose load is set"),
            Documented("start", "-", "when the change starts, local time with offset; first the day's start"),
            Documented("from_ka", "kA", "load before; empty if it is not known"),
            Documented("to_ka", "kA", "load from then on"),
            Documented(
                "rate_ka_per_min",
                "kA/min",
                "greatest rate of the change; empty if there is none, or no change",
            ),
            Documented("change_minutes", "min", "what the change takes at that rate"),
            Documented("rectifier_units", "-", "rectifier units in service"),
            Documented("unit_ka", "kA", "load of each unit, equally shared; empty with none in service"),
            _STATUS,
        ),
        "values.csv": (
            Documented("number", "-", "what is moved: key of the record, with its side"),
            Documented("owner", "-", "unit it belongs to; empty for a demand"),
            Documented("kind", "-", "stock at the start, demand, upper or lower limit, fixed quantity"),
            Documented("meaning", "-", "the number in words"),
            Documented("unit", "-", "unit in which it is moved"),
            *(
                Documented(f"{side}_{name}", unit, f"{meaning}, {words}")
                for side, words in (("up", "number raised"), ("down", "number lowered"))
                for name, unit, meaning in (
                    ("size", "as `unit`", "how far: one unit, or the largest part that is possible"),
                    (
                        "cost_per_unit",
                        "currency/unit",
                        "change of the cost of the horizon before steps, misses at their price; empty where "
                        "no move is possible",
                    ),
                    ("missed_per_unit", "currency/unit", "of which misses at their price"),
                    ("error_per_unit", "currency/unit", "greatest error of the figure"),
                )
            ),
            Documented("binding_intervals", "-", "intervals of the plan day at which the plan is at it"),
            Documented("binds_from", "-", "start of the first, local time with offset"),
            Documented("binds_to", "-", "end of the last, local time with offset"),
            Documented("at_miss", "-", "1 if duties are missed: figures hold the price of a miss"),
        ),
    }
)
"""Columns of the further files of a folder: patterns, with braces for names of the site."""

FURTHER_MEANINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "trips.csv": "one row per interval; `{header}` is the commodity in the chlorine header.",
        "nomination.csv": "plan day, one row per settlement interval.",
        "utilities_forecast.csv": "plan day, one row per interval; `{utility}` is hydrogen or steam.",
        "loading_per_shift.csv": "plan day, one row per shift and lot.",
        "values.csv": "one row per number moved on the plan day; written by `brinewatt why SITE --all "
        "--csv FILE` and with `--values`.",
        "rectifiers.csv": "plan day, starting loads and each change of load.",
    }
)
"""What a row of each is."""

STUDY_FILES: Final[Mapping[str, tuple[Documented, ...]]] = MappingProxyType(
    {
        "robustness.csv": (
            Documented("margins", "-", "multiple of the site's margins that the plan keeps: 1 as stated"),
            Documented("limit", "-", "what may break, in words"),
            Documented("kind", "-", "plant, permit, customer, reserve or peak"),
            Documented("checked", "-", "how often it was checked: days times quarter hours"),
            Documented("broken", "-", "how often it was passed"),
            Documented("per_1000", "-", "broken in 1,000 checks"),
            Documented("days", "-", "days on which it is passed"),
            Documented("days_without_trip", "-", "of these, days without a trip"),
            Documented("voltage_days", "-", "days on which it is passed when only the cell voltage differs"),
            Documented("take_days", "-", "the same for what customers take"),
            Documented("late_days", "-", "the same for late tankers and wagons"),
            Documented("trip_days", "-", "the same for trips"),
            Documented("worst", "as `unit`", "greatest excess"),
            Documented("unit", "-", "unit of the excess"),
        ),
        "limits.csv": (
            Documented("limit", "-", "what is taken away, in words"),
            Documented("value", "currency", "cost of the horizon with the limit less cost without it"),
            Documented("moved_circuit", "-", "circuit whose load differs most; empty if none moves"),
            Documented("moved_at", "-", "start of that interval, local time with offset"),
            Documented("moved_ka", "kA", "by how much"),
            Documented("comparable", "-", "1 if both are plans that meet all duties, else 0: no value then"),
        ),
        "readings.csv": (
            Documented("time", "-", "local time with offset from UTC, ISO 8601"),
            Documented("circuit", "-", "circuit"),
            Documented("load_ka", "kA", "load"),
            Documented("density_ka_per_m2", "kA/m2", "current density"),
            Documented("cell_voltage_v", "V", "mean voltage of a cell, as read"),
            Documented(
                "voltage_today_v",
                "V",
                "the same less what drift, temperature and strength of its time add by the fit",
            ),
            Documented("fitted_voltage_v", "V", "voltage of the fit at the conditions of the reading"),
            Documented("residual_v", "V", "reading less fit"),
            Documented(
                "flag",
                "-",
                "`far`: far from the fit and part of it; `left out`: not part of it; `far efficiency`: its "
                "analysis is far from the fit of the efficiency",
            ),
            Documented("place", "-", "line or row of the file of readings"),
        ),
        "effects.csv": (
            Documented(
                "line",
                "-",
                "`planned`, then `price`, `volume`, `efficiency`, `other_load`, then `actual`: planned and "
                "effects add up to actual",
            ),
            Documented("amount", "currency", "power bill of the day, or effect on it, rounded to cents"),
        ),
        "intervals.csv": (
            *_WHEN,
            Documented("{planned_or_actual}_import_mw", "MW", "import of the site"),
            Documented(
                "{planned_or_actual}_other_mw", "MW", "import beside rectifiers and circuit auxiliaries"
            ),
            Documented("{circuit}_{planned_or_actual}_load_ka", "kA", "load"),
            Documented("{circuit}_planned_ac_power_mw", "MW", "AC power before the rectifiers, planned"),
            Documented("{circuit}_model_ac_power_mw", "MW", "the same by the model at actual loads"),
            Documented("{circuit}_actual_ac_power_mw", "MW", "the same as metered"),
        ),
        "chlorine.csv": (
            Documented("way", "-", "`kah`, `sales` (sold, used and stored) or `alkali`"),
            Documented("chlorine_t", "t", "chlorine made, as Cl2"),
            Documented("uncertainty_t", "t", "half width of its 95 % interval"),
            Documented("source", "-", "`value from memory` where an uncertainty in it is one, else `given`"),
        ),
        "ways.csv": (
            Documented(
                "way",
                "-",
                "`given_plan`, `mean_price_nomination`, `best_nomination`, `bid` (before lots), "
                "`bid_in_lots`, `prices_known`",
            ),
            Documented("expected_cost", "currency", "mean cost of the horizon over the scenarios"),
            Documented("tail_cost", "currency", "conditional value at risk: mean of the dearest share"),
            Documented("counted_cost", "currency", "mean and tail as weighted by the stated risk"),
            Documented("least_cost", "currency", "cost in the cheapest scenario"),
            Documented("highest_cost", "currency", "cost in the dearest scenario"),
            Documented("gap", "-", "how far at most from the best way of its kind; empty if not bounded"),
        ),
        "scenario_costs.csv": (
            Documented("scenario", "-", "name of the scenario"),
            Documented("probability", "-", "its probability"),
            Documented("{way}_cost", "currency", "cost of the horizon by each way of `ways.csv`"),
        ),
        "bid.csv": (
            *_WHEN,
            Documented(
                "price_per_mwh", "currency/MWh", "price up to which the quantity is bought; rises by row"
            ),
            Documented("quantity_mw", "MW", "quantity bought up to that price, in whole lots; falls by row"),
            Documented("energy_mwh", "MWh", "the same as energy of the interval"),
        ),
        "best_nomination.csv": (
            *_WHEN,
            Documented("energy_mwh", "MWh", "best quantity where one is bought at any price"),
        ),
    }
)
"""Columns of the files of studies, which stand in folders of their own."""

STUDY_MEANINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "robustness.csv": "one row per multiple of the margins and limit.",
        "limits.csv": "one row per limit.",
        "readings.csv": "from `calibrate`, one row per reading.",
        "effects.csv": "from `after`, bills and effects.",
        "intervals.csv": "from `after`, plan day, one row per interval.",
        "chlorine.csv": "from `after`, one row for each way of counting.",
        "ways.csv": "from `scenarios`, one row for each way of buying.",
        "scenario_costs.csv": "from `scenarios`, one row per scenario.",
        "bid.csv": "from `scenarios`, one row per interval and price step.",
        "best_nomination.csv": "from `scenarios`, one row per interval of the plan day.",
    }
)
"""What a row of each is."""


BILL_FILES: Final[Mapping[str, tuple[Documented, ...]]] = MappingProxyType(
    {
        "bill.csv": (
            Documented("component", "-", "component of the contract"),
            Documented("label", "-", "what is charged"),
            Documented("quantity", "as `quantity_unit`", "quantity charged"),
            Documented("quantity_unit", "-", "unit of the quantity"),
            Documented("rate", "currency/unit", "price; weighted mean for a line of many prices"),
            Documented("amount", "currency", "amount, not rounded"),
            Documented("paid", "currency", "amount as rounded by the contract"),
            Documented("group", "-", "cost group"),
            Documented("formula", "-", "how the amount follows, in words"),
        ),
        "differences.csv": (
            Documented("component", "-", "component of the contract, or a name on the invoice"),
            Documented("label", "-", "what is charged"),
            Documented("billed", "currency", "amount by the contract; empty if it has no such line"),
            Documented("invoiced", "currency", "amount on the invoice; empty if it has no such line"),
            Documented("difference", "currency", "invoice less bill"),
            Documented("reason", "-", "what differs; empty if nothing"),
        ),
    }
)
"""Columns of the files of a bill."""

BILL_MEANINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "bill.csv": "of `brinewatt bill`, one row per line of the bill.",
        "differences.csv": "of `brinewatt bill --invoice`, one row per line of bill or invoice.",
    }
)
"""What a row of each is."""


@dataclass(frozen=True)
class Topic:
    """A table of page and workbook.

    Parameters
    ----------
    meaning : str
        What it is: its caption. [-]
    columns : tuple of Documented
        Its columns; a table may add one for each circuit or stock. [-]
    sheet : str
        Sheet of the workbook that holds it; empty if plan.csv's columns stand there instead. [-]
    """

    meaning: str
    columns: tuple[Documented, ...]
    sheet: str = ""


_AT: Final = Documented("start", "-", "local time with offset from UTC")

TOPICS: Final[Mapping[str, Topic]] = MappingProxyType(
    {
        "misses": Topic(
            "Missed duties and broken limits",
            (
                Documented("kind", "-", "missed duty or broken limit"),
                Documented("what", "-", "duty or limit in words"),
                Documented("amount", "as `unit`", "how much over the horizon, or at the worst interval"),
                Documented("unit", "-", "unit of the amount"),
                Documented("from", "-", "start of the first, or of the worst, interval"),
            ),
            "Misses",
        ),
        "loads": Topic(
            "Price and load of each circuit on every interval",
            (_AT, Documented("price", "currency/MWh", "sum of all energy rates of the contract")),
        ),
        "changes": Topic(
            "Changes of load on the plan day",
            (
                Documented("circuit", "-", "circuit whose load is set"),
                Documented("start", "-", "when the change starts, local time with offset"),
                Documented("from", "kA", "load before; none if it is not known"),
                Documented("to", "kA", "load from then on"),
                Documented("rate", "kA/min", "greatest rate of the change; none if none is stated"),
                Documented("takes", "min", "what the change takes at that rate"),
            ),
            "Changes",
        ),
        "levels": Topic(
            "Level of each stock at the time given",
            (Documented("time", "-", "local time with offset from UTC"),),
        ),
        "tanks": Topic(
            "Tanks of one product: what is filled into and drawn from each, and transferred into it "
            "(negative: out of it)",
            (_AT,),
        ),
        "stocks": Topic(
            "Stocks over the horizon",
            (
                Documented("stock", "-", "key of the level"),
                Documented("unit", "-", "unit of the levels"),
                Documented("start", "as `unit`", "level at the start"),
                Documented("day end", "as `unit`", "level at the end of the plan day"),
                Documented("end", "as `unit`", "level at the end of the horizon"),
                Documented("least", "as `unit`", "least level"),
                Documented("least at", "-", "when, local time with offset"),
                Documented("most", "as `unit`", "highest level"),
                Documented("most at", "-", "when, local time with offset"),
                Documented("lower limit", "as `unit`", "lowest lower limit; none if there is none"),
                Documented("upper limit", "as `unit`", "highest upper limit; none if there is none"),
            ),
            "Stock limits",
        ),
        "lots": Topic(
            "Lots, their windows and what is loaded",
            (
                Documented("lot", "-", "number of the order"),
                Documented("customer", "-", "for whom"),
                Documented("mode", "-", "road, rail, ship or container"),
                Documented("product", "-", "what is loaded"),
                Documented("lot", "t", "the whole lot"),
                Documented("plan day", "t", "loaded on the plan day"),
                Documented("horizon", "t", "loaded over the horizon"),
                Documented("window from", "-", "local time with offset"),
                Documented("window to", "-", "local time with offset"),
            ),
            "Loading",
        ),
        "power": Topic(
            "Import and power of each circuit, auxiliaries left out, on every interval",
            (
                _AT,
                Documented("import", "MW", "mean metered import"),
                Documented("peak so far", "MW", "highest mean import of the month so far"),
            ),
        ),
        "circuits": Topic(
            "Circuits on the plan day",
            (
                Documented("circuit", "-", "name"),
                Documented("least load", "kA", "least load"),
                Documented("mean load", "kA", "mean load over time"),
                Documented("highest load", "kA", "highest load"),
                Documented("chlorine", "t", "chlorine made, as Cl2"),
                Documented("alkali", "t", "alkali made, dry NaOH or KOH"),
                Documented("hydrogen", "kg", "hydrogen made"),
                Documented("DC energy", "kWh/t", "DC energy per t Cl2; none without production"),
                Documented("AC energy", "kWh/t", "AC energy per t Cl2, auxiliaries left out"),
            ),
            "Circuits",
        ),
        "energy": Topic("DC energy per tonne of chlorine on every interval", (_AT,)),
        "money": Topic(
            "Cost of the horizon by group",
            (
                Documented("group", "-", "cost group"),
                Documented("amount", "currency", "exact cost; income is negative"),
            ),
            "Cost",
        ),
        "bill": Topic(
            "Electricity bill of the horizon",
            (
                Documented("component", "-", "component of the contract"),
                Documented("line", "-", "what is charged"),
                Documented("quantity", "as `unit`", "quantity charged"),
                Documented("unit", "-", "unit of the quantity"),
                Documented("rate", "currency/unit", "price; weighted mean for a line of many prices"),
                Documented("amount", "currency", "amount, not rounded to cents"),
                Documented("formula", "-", "how the amount follows"),
            ),
            "Bill",
        ),
        "habit": Topic(
            "Other ways of running for the same duties",
            (
                Documented("way of running", "-", "constant load, last week's pattern"),
                Documented("cost", "currency", "its exact cost; none if it is not possible"),
                Documented("energy charges", "currency", "its energy charges"),
                Documented("saving", "currency", "its cost less the plan's; none if they cannot be compared"),
                Documented("saving", "%", "saving as a share of its energy charges"),
                Documented("note", "-", "what was assumed, or why it is not possible"),
            ),
            "Comparison",
        ),
        "limits": Topic(
            "Limits that the plan reaches on the plan day",
            (
                Documented("limit", "-", "what is limited"),
                Documented("side", "-", "lower or upper"),
                Documented("least value", "as `unit`", "least value of the limit where it is reached"),
                Documented("highest value", "as `unit`", "highest value of the limit where it is reached"),
                Documented("unit", "-", "unit of the limit"),
                Documented("held", "h", "for how long it is reached on the plan day"),
                Documented("first", "-", "start of the first such interval, local time with offset"),
            ),
            "Limits",
        ),
        "values": Topic(
            "What one unit more or less of each limit changes",
            (
                Documented("limit", "-", "stock, limit or demand in words"),
                Documented("unit", "-", "unit by which it is moved"),
                Documented("one more", "currency/unit", "change of the plan's cost; none if not possible"),
                Documented("one less", "currency/unit", "change of the plan's cost; none if not possible"),
                Documented("binds on", "-", "number of intervals at which the plan stands at the limit"),
                Documented("note", "-", "whether missed tonnes count at the miss price"),
            ),
            "Values",
        ),
        "trips": Topic(
            "What a trip would mean, on every interval of the plan day",
            (
                _AT,
                Documented("header", "-", "commodity in the chlorine header"),
                Documented("largest circuit", "-", "circuit that makes most chlorine"),
                Documented("least covered", "-", "customer who is supplied shortest without it"),
                Documented("cover", "h", "for how long he gets his least rate"),
                Documented("cover once hot", "h", "the same once vaporisers are hot"),
                Documented("largest customer", "-", "pipeline customer who takes most"),
                Documented("he takes", "t/h", "what he takes"),
                Documented("to cut", "t/h", "chlorine without a place if he trips: to cut at once"),
                Documented("cut as load", "kA", "the cut as load of the largest circuit"),
            ),
            "Trips",
        ),
    }
)
"""Tables of page.html and plan.xlsx by name."""

INTERVAL_SHEETS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "Loads": "columns of circuits but their power",
        "Stocks": "levels of stocks",
        "Power and price": "prices, and everything in MW",
        "Products": "all other columns",
    }
)
"""Sheets of plan.xlsx that share out the columns of plan.csv, with what each holds."""

SUMMARY_COLUMNS: Final = (
    Documented("figure", "-", "path of the field in plan.json"),
    Documented("value", "as `unit`", "its value"),
    Documented("unit", "-", "unit of the value"),
    Documented("meaning", "-", "what it is"),
)
"""Columns of the sheet Summary of plan.xlsx."""
PLAIN_COLUMNS: Final[Mapping[str, tuple[Documented, ...]]] = MappingProxyType(
    {
        "Cautions": (Documented("caution", "-", "what comes before any use of the plan"),),
        "About": (
            Documented("item", "-", "program, input file or description of a column"),
            Documented("value", "-", "version, SHA-256 or meaning"),
        ),
    }
)
"""Columns of the sheets of text of plan.xlsx."""


def workbook_name(column: Documented) -> str:
    """Return the name of a topic's column in the workbook: with its unit, in small letters.

    Parameters
    ----------
    column : Documented
        Column. [-]

    Returns
    -------
    str
        For example 'from_ka'. [-]
    """
    slug = re.sub(r"[^a-z0-9]+", "_", column.name.lower()).strip("_")
    unit = "-" if column.unit == "as `unit`" else column.unit
    return with_suffix(slug, unit)


SHEET_COLUMNS: Final = (
    Documented("load_ka", "kA", "load of each circuit, as set at the time of the row"),
    Documented("chlorine_t_per_h", "t/h", "chlorine made by all circuits, as Cl2"),
    Documented("alkali_t_per_h", "t/h", "alkali made, dry NaOH or KOH, one column each"),
    Documented("import_mw", "MW", "mean metered import"),
    Documented("peak_mw", "MW", "highest mean import of the month so far"),
    Documented("price_per_mwh", "currency/MWh", "sum of all energy rates of the contract"),
    Documented("cover_h", "h", "least cover of a pipeline customer if the largest circuit trips"),
    Documented("to_cut_t_per_h", "t/h", "chlorine to cut at once if the largest customer trips"),
    Documented("level", "as the stock", "level of each stock AT the time of the row"),
)
"""Columns of the load sheet, in order; heads for people are set by `scheduler.report.sheet`."""


TABLE_START: Final = "<!-- columns:start -->"
TABLE_END: Final = "<!-- columns:end -->"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _markdown(title: str, head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> list[str]:
    lines = [title, "", f"| {' | '.join(head)} |", f"|{'---|' * len(head)}"]
    lines += [f"| {' | '.join(_cell(cell) for cell in row)} |" for row in rows]
    return [*lines, ""]


def readme_table() -> str:
    """Return the README's account of all output names, its markers included.

    Returns
    -------
    str
        Markdown from the start marker to the end marker. [-]
    """
    described = ("name", "unit", "meaning")
    lines = [
        TABLE_START,
        "",
        *_markdown(
            "`plan.csv`: one row per interval.",
            described,
            ((f"`{row.name}`", row.unit, row.meaning) for row in documented_columns()),
        ),
        *_markdown(
            "Suffixes of names, and decimals in `plan.csv`:",
            ("suffix", "unit", "decimals"),
            (
                (f"`_{form.suffix}`", unit, str(form.decimals))
                for unit, form in UNIT_FORMATS.items()
                if form.suffix and unit != "min"
            ),
        ),
        *_markdown(
            "`plan.json`: paths of fields; `[]` is a list, braces stand for names of the site.",
            described,
            ((f"`{row.name}`", row.unit, row.meaning) for row in documented_fields()),
        ),
        *(
            line
            for file, rows in {**FURTHER_FILES, **STUDY_FILES, **BILL_FILES}.items()
            for line in _markdown(
                f"`{file}`: {({**FURTHER_MEANINGS, **STUDY_MEANINGS, **BILL_MEANINGS})[file]}",
                described,
                ((f"`{row.name}`", row.unit, row.meaning) for row in rows),
            )
        ),
        *_markdown(
            "`plan.xlsx`: sheets and their columns. A column of times has the typed local clock, "
            "`..._local`, beside the text with its offset; a note on each head says what it is.",
            ("sheet", "columns"),
            (
                ("Summary", _names(SUMMARY_COLUMNS)),
                *(
                    (name, f"`start_local`, `start`, and of `plan.csv`: {what}")
                    for name, what in INTERVAL_SHEETS.items()
                ),
                *((topic.sheet, _names(topic.columns)) for topic in TOPICS.values() if topic.sheet),
                *((name, _names(rows)) for name, rows in PLAIN_COLUMNS.items()),
            ),
        ),
        *_markdown(
            "`sheet.pdf` and `sheet.html`: columns of the load sheet, in order.",
            described,
            ((f"`{row.name}`", row.unit, row.meaning) for row in SHEET_COLUMNS),
        ),
        TABLE_END,
    ]
    return "\n".join(lines)


def _names(rows: Iterable[Documented]) -> str:
    return ", ".join(f"`{workbook_name(row)}`" for row in rows)
