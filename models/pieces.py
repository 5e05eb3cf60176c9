"""The records by which units and contract components declare themselves.

A unit says what it can do in these records and nothing else; `scheduler.lp` is the only code that
turns them into a linear program, and cuts, audit, report and diagnosis read only these records. So
a new unit is one class, and no nonlinearity escapes the certificate. Knows no solver and no trade.

Rates are per hour (t/h, kg/h, m3/h) or MW; stocks are levels at the END of an interval.
Keys of variables are `{unit}_{piece}`; the same names stand in the program, the audit and the outputs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np

from models.horizon import Array, Integers, Mask

CurveFunction = Callable[[Array, Integers], Array]


@dataclass(frozen=True, eq=False)
class Variable:
    """A decision: one number per interval, or per label.

    Parameters
    ----------
    key : str
        Name `{unit}_{piece}`, unique on the site. [-]
    unit : str
        Unit of measure: 'kA', 'MW', 't/h', 'kg/h', 'm3/h', 't', 't/d'. [-]
    lower, upper : ndarray
        Bounds, one per index position; upper may be infinite. Shape (m,). [unit]
    intervals : ndarray, optional
        Positions of the horizon's intervals the variable lives on; None for a labelled variable.
        Shape (m,). [-]
    labels : tuple of str, optional
        Labels of a variable that is not per interval (a month, an order, a step). Length m. [-]
    miss_class : int, optional
        Priority class if the variable is the missed part of a duty (see `models.misses`). [-]
    miss_price : float
        What a unit of the miss counts, inside its class and in reports. [currency/unit or currency/(unit h)]
    meaning : str
        What the variable is, in words for reports and diagnosis. [-]
    """

    key: str
    unit: str
    lower: Array
    upper: Array
    intervals: Integers | None = None
    labels: tuple[str, ...] | None = None
    miss_class: int | None = None
    miss_price: float = 0.0
    meaning: str = ""

    @property
    def size(self) -> int:
        """Number of index positions. [-]."""
        return len(self.lower)


@dataclass(frozen=True, eq=False)
class Curve:
    """A convex function of one interval variable, with a result variable of its own.

    The program holds tangents (and, where more of the result pays, chords); the plan's cost always
    uses `value`.

    Parameters
    ----------
    key : str
        Key of the result variable. [-]
    unit : str
        Unit of the result. [-]
    of : str
        Key of the argument, an interval variable declared on every interval; its bounds are the
        curve's domain. [-]
    value, slope : callable
        f(x, t) -> y with x shape (m,), t positions of intervals shape (m,); y shape (m,). Where the
        domain is a single point (out of service), only `value` is used. [unit], [unit per unit of x]
    meaning : str
        What the result is, in words. [-]
    tangents : int, optional
        Tangents on each interval of the first program; the program's usual number unless stated. [-]
    """

    key: str
    unit: str
    of: str
    value: CurveFunction
    slope: CurveFunction
    meaning: str = ""
    tangents: int | None = None


@dataclass(frozen=True, eq=False)
class Flow:
    """What a unit puts on (positive) or takes from (negative) a commodity's bus.

    Parameters
    ----------
    commodity : str
        Name of the commodity. [-]
    variable : str
        Key of an interval variable or curve result. [-]
    coefficient : float or ndarray
        Flow per unit of the variable, one per index position of the variable. Shape (m,). [-]
    constant : float or ndarray
        Flow that does not depend on the variable, one per index position. Shape (m,). [commodity unit]
    """

    commodity: str
    variable: str
    coefficient: float | Array
    constant: float | Array = 0.0


@dataclass(frozen=True, eq=False)
class Content:
    """What a product carries beside itself where it is made: concentration times flow, affine like a flow.

    Parameters
    ----------
    substance : str
        What is carried. [-]
    commodity : str
        Product that carries it. [-]
    variable : str
        Key of an interval variable, on every interval. [-]
    coefficient, constant : ndarray
        Content per unit of the variable, and what does not depend on it. Each shape (n,).
        [concentration * commodity unit]
    """

    substance: str
    commodity: str
    variable: str
    coefficient: Array
    constant: Array


@dataclass(frozen=True, eq=False)
class Blend:
    """A greatest concentration in a commodity as all its makers together give it.

    Parameters
    ----------
    key : str
        Name `{unit}_{rule}`, unique on the site. [-]
    owner : str
        Name of the unit that asks for it; the concentration is a reading of it. [-]
    substance, commodity : str
        What is carried, and by what. [-]
    unit : str
        Unit of the concentration, '%' or 'ppm'. [-]
    reading : str
        Name of the owner's reading that shows it, with its unit. [-]
    most : ndarray
        Greatest concentration; infinite where there is no limit. Shape (n,). [unit]
    meaning : str
        The concentration in words. [-]
    """

    key: str
    owner: str
    substance: str
    commodity: str
    unit: str
    reading: str
    most: Array
    meaning: str = ""


@dataclass(frozen=True, eq=False)
class Stock:
    """A level that closes a commodity's bus over time: level[t] = level[t-1] + hours[t] * net flow[t].

    Parameters
    ----------
    key : str
        Key of the level variable, which is declared by this record. [-]
    unit : str
        Unit of the level: 't' for a bus in t/h, 'kg' for kg/h, 'm3' for m3/h. [-]
    commodity : str
        Name of the commodity. [-]
    initial : float
        Level at the horizon's start. [unit]
    lower, upper : ndarray
        Limits of the level at the end of each interval. Shape (n,). [unit]
    meaning : str
        What is stored, in words. [-]
    fill_max, draw_max : float or ndarray
        Greatest rates of filling and drawing; infinite where there is none. Shape () or (n,). [unit/h]
    transfer_max : float
        Greatest rate at which it can be pumped into another stock of the commodity; 0: not at all. [unit/h]
    bus : str
        Bus that the level closes: a bus of its own where several stocks share a commodity
        (see `models.tank_header`), empty for that of the commodity. [-]
    """

    key: str
    unit: str
    commodity: str
    initial: float
    lower: Array
    upper: Array
    meaning: str = ""
    fill_max: float | Array = np.inf
    draw_max: float | Array = np.inf
    transfer_max: float = 0.0
    bus: str = ""

    @property
    def closes(self) -> str:
        """Name of the bus that the level closes. [-]."""
        return self.bus or self.commodity


@dataclass(frozen=True, eq=False)
class Entry:
    """Coefficients of one variable in a family of rows, as parallel arrays.

    Parameters
    ----------
    variable : str
        Key of a variable, curve result or stock level. [-]
    rows : ndarray
        Position of the row in the family. Shape (k,). [-]
    positions : ndarray
        Index position of the variable. Shape (k,). [-]
    coefficients : ndarray
        Coefficients. Shape (k,). [-]
    """

    variable: str
    rows: Integers
    positions: Integers
    coefficients: Array


@dataclass(frozen=True, eq=False)
class Rows:
    """A family of linear rows: lower <= sum of entries <= upper.

    Parameters
    ----------
    key : str
        Name `{unit}_{rule}`, unique on the site. [-]
    unit : str
        Unit of measure of the row. [-]
    entries : tuple of Entry
        The left-hand side. [-]
    lower, upper : ndarray
        Limits; infinite where there is none. Shape (m,). [unit]
    intervals : ndarray, optional
        Interval of each row, for messages; None if `labels` are given. Shape (m,). [-]
    labels : tuple of str, optional
        Label of each row (a day, an order). Length m. [-]
    breakable : bool
        Whether the row is a limit of plant or permit that an impossible situation may break, so that
        the least violation can be told; a definition is never broken. [-]
    movement : bool
        Whether the row limits how setpoints are moved; loads of the past need not keep it. [-]
    meaning : str
        The rule in words. [-]
    """

    key: str
    unit: str
    entries: tuple[Entry, ...]
    lower: Array
    upper: Array
    intervals: Integers | None = None
    labels: tuple[str, ...] | None = None
    breakable: bool = True
    movement: bool = False
    meaning: str = ""

    @property
    def size(self) -> int:
        """Number of rows. [-]."""
        return len(self.lower)


@dataclass(frozen=True, eq=False)
class Cost:
    """Money: a sum of coefficient times variable, plus a constant.

    Parameters
    ----------
    key : str
        Name of the cost line, unique on the site. [-]
    group : str
        Line of the summary it belongs to: one of `COST_GROUPS`. [-]
    variable : str
        Key of a variable, curve result or stock level. [-]
    coefficient : ndarray
        Cost per unit of the variable, one per index position (for a rate: price times hours).
        Negative for income. Shape (m,). [currency/unit]
    constant : float
        Money that does not depend on the variable. [currency]
    """

    key: str
    group: str
    variable: str
    coefficient: Array
    constant: float = 0.0


COST_GROUPS = ("energy", "demand", "steam", "materials", "hydrogen", "other", "end stock")
"""Lines of the summary. 'energy' and 'demand' come from the contract; 'energy' is the gap's denominator."""


@dataclass(frozen=True, eq=False)
class Exclusive:
    """Two interval variables of which at most one may exceed its floor in an interval.

    Parameters
    ----------
    key : str
        Name of the rule. [-]
    first, second : str
        Keys of interval variables that live on every interval. [-]
    first_floor, second_floor : float
        Value up to which the variable does not count as running. [unit of the variable]
    meaning : str
        The rule in words. [-]
    """

    key: str
    first: str
    second: str
    first_floor: float = 0.0
    second_floor: float = 0.0
    meaning: str = ""


@dataclass(frozen=True, eq=False)
class ChangeLimit:
    """A greatest number of changes over some intervals.

    Parameters
    ----------
    label : str
        Shift or day, for people. [-]
    intervals : ndarray
        Intervals at whose start a change counts. Shape (k,). [-]
    most : int
        Greatest number of changes, 0 or more. [-]
    """

    label: str
    intervals: Integers
    most: int


@dataclass(frozen=True, eq=False)
class Moves:
    """How a setpoint may be moved by people: in which steps, how often, with which rest between.

    Parameters
    ----------
    key : str
        Name of the record. [-]
    variable : str
        Key of the setpoint, declared on every interval. [-]
    counted : ndarray of bool
        Whether a difference to the interval before counts as a change (not where equipment is switched,
        nor at the first interval if the value before is not known). Shape (n,). [-]
    step : float or None
        Operable step; setpoints are whole multiples of it. None: any value. [unit of the variable]
    limits : tuple of ChangeLimit
        Greatest numbers of changes. [-]
    positions : tuple of float
        Values that a tap changer can hold, ascending, in place of a step; empty: any value.
        [unit of the variable]
    position_range : float
        How far fine regulation moves the setpoint from a position, 0 or more. [unit of the variable]
    position_limits : tuple of ChangeLimit
        Greatest numbers of changes of position. [-]
    dwell_min : float
        Least time between two changes. [min]
    grid_min : int
        Changes start only at local clock times that are whole multiples of this. [min]
    largest : float
        Greatest single change; infinite if there is no limit. [unit of the variable]
    resting : ndarray of bool, optional
        Whether the rest after a change before the horizon still lasts at an interval's start. Shape (n,). [-]
    before : float or None
        Value just before the horizon. [unit of the variable]
    from_rest : bool
        Whether any value but 0 is movement too, as of a pump that need not run. [-]
    meaning : str
        What moves, in words. [-]
    """

    key: str
    variable: str
    counted: Mask
    step: float | None = None
    limits: tuple[ChangeLimit, ...] = ()
    dwell_min: float = 0.0
    grid_min: int = 60
    largest: float = np.inf
    before: float | None = None
    resting: Mask | None = None
    positions: tuple[float, ...] = ()
    position_range: float = 0.0
    position_limits: tuple[ChangeLimit, ...] = ()
    from_rest: bool = False
    meaning: str = ""

    @property
    def stepped(self) -> bool:
        """Whether the setpoint has steps or positions, so that not every value can be set. [-]."""
        return self.step is not None or bool(self.positions)

    @property
    def grain(self) -> float:
        """Scale of a step, for tolerances. [unit of the variable]."""
        return self.step or (self.positions[0] if self.positions else 1.0)

    def nearest(self, value: float) -> float:
        """Return the value nearest to another that can be set.

        Parameters
        ----------
        value : float
            Any value. [unit of the variable]

        Returns
        -------
        float
            The nearest whole step, or the nearest value in reach of a position. [unit of the variable]
        """
        if self.step is not None:
            return self.step * round(value / self.step)
        if not self.positions:
            return value
        reach = self.position_range
        return min(
            (min(max(value, p - reach), p + reach) for p in self.positions), key=lambda x: abs(x - value)
        )


def changes_of_position(positions: tuple[float, ...], reach: float, values: Array) -> list[bool]:
    """Tell at which values a tap changer must move, if it moves as seldom as it can.

    Parameters
    ----------
    positions : tuple of float
        Values it can hold. [unit of the values]
    reach : float
        How far fine regulation moves the setpoint from a position, 0 or more. [unit of the values]
    values : ndarray
        Setpoints one after another; one that is out of reach of every position (0 at standstill, an off
        value) asks for nothing, nor does the next. Shape (n,). [unit of the values]

    Returns
    -------
    list of bool
        Whether the position changes at each value, the first one left out. Length n. [-]
    """
    room = reach + 1e-4 * (positions[0] if positions else 0.0)
    changed = []
    possible: set[float] = set()
    for value in values.tolist():
        fitting = {p for p in positions if abs(value - p) <= room}
        common = possible & fitting
        changed.append(bool(possible) and bool(fitting) and not common)
        possible = common or fitting
    return changed


@dataclass(frozen=True, eq=False)
class Closing:
    """The variable that takes up what the others leave on a commodity's bus, in simulation as in the plan.

    The plan may hold flows by lines on the safe side of their laws; the audit puts the sum of the true flows
    into this variable, and its unit is simulated with it, after all others.

    Parameters
    ----------
    commodity : str
        Name of the commodity, which has no stock. [-]
    variable : str
        Key of an interval variable of the unit, on every interval, that puts its value on the bus. [-]
    """

    commodity: str
    variable: str


@dataclass(frozen=True, eq=False)
class Ramp:
    """How a setpoint travels after a change: at a rate, while the power it draws travels with it.

    The setpoint of an interval is what it arrives at; on the way down it still draws more, on the way up
    less. Only what meters a mean over a short time asks for it (see `models.ramping`).

    Parameters
    ----------
    key : str
        Name `{unit}_change`, unique on the site. [-]
    variable : str
        Key of the setpoint, declared on every interval. [-]
    unit : str
        Unit of the setpoint. [-]
    per_min : float
        Rate of the change, above 0. [unit of the setpoint/min]
    mw_per_unit : ndarray
        Power per unit of the setpoint, the greatest over its range. Shape (n,). [MW/unit of the setpoint]
    counted : ndarray of bool
        Whether a difference to the interval before is such a change (not where equipment is switched,
        nor at the first interval if the value before is not known). Shape (n,). [-]
    lower, upper : ndarray
        Range of the change where counted. Shape (n,). [unit of the setpoint]
    before : float or None
        Value just before the horizon. [unit of the setpoint]
    meaning : str
        What changes, in words. [-]
    """

    key: str
    variable: str
    unit: str
    per_min: float
    mw_per_unit: Array
    counted: Mask
    lower: Array
    upper: Array
    before: float | None = None
    meaning: str = ""


@dataclass(frozen=True)
class Declaration:
    """Everything a unit, a contract component or a whole site declares.

    Parameters
    ----------
    variables, curves, stocks, flows, rows, costs, exclusives, moves, closings, ramps : tuple
        The records, in order of declaration. [-]
    contents, blends : tuple
        The records, in order of declaration. [-]
    reads : tuple of str
        Keys of interval variables of other units that the unit's simulation looks at. [-]
    """

    variables: tuple[Variable, ...] = ()
    curves: tuple[Curve, ...] = ()
    stocks: tuple[Stock, ...] = ()
    flows: tuple[Flow, ...] = ()
    rows: tuple[Rows, ...] = ()
    costs: tuple[Cost, ...] = ()
    exclusives: tuple[Exclusive, ...] = ()
    moves: tuple[Moves, ...] = ()
    closings: tuple[Closing, ...] = ()
    reads: tuple[str, ...] = ()
    ramps: tuple[Ramp, ...] = ()
    contents: tuple[Content, ...] = ()
    blends: tuple[Blend, ...] = ()

    @classmethod
    def merged(cls, parts: Iterable[Declaration]) -> Declaration:
        """Return one declaration that holds the records of several.

        Parameters
        ----------
        parts : iterable of Declaration
            Declarations. [-]

        Returns
        -------
        Declaration
            All records, in order. [-]

        Raises
        ------
        ValueError
            If two records of variables, curves, stocks, rows or costs share a key, or two variables close
            one commodity.
        """
        parts = tuple(parts)
        merged = cls(
            *(
                tuple(record for part in parts for record in getattr(part, kind))
                for kind in (
                    *("variables", "curves", "stocks", "flows", "rows", "costs"),
                    *("exclusives", "moves", "closings", "reads", "ramps", "contents", "blends"),
                )
            )
        )
        for keys in (
            [record.key for record in merged.variables]
            + [record.key for record in merged.curves]
            + [record.key for record in merged.stocks],
            [record.key for record in merged.rows],
            [record.key for record in merged.blends],
            [record.key for record in merged.costs],
            [record.key for record in merged.exclusives],
            [record.key for record in merged.moves],
            [record.commodity for record in merged.closings],
            [record.key for record in merged.ramps],
        ):
            twice = sorted({key for key in keys if keys.count(key) > 1})
            if twice:
                raise ValueError(f"two records share a key: {', '.join(twice)}")
        return merged


@dataclass(frozen=True, eq=False)
class Limit:
    """A reading of an exact simulation with the limits it must keep.

    Parameters
    ----------
    name : str
        What is limited, in words. [-]
    unit : str
        Unit of measure. [-]
    value : ndarray
        Simulated value on each interval. Shape (n,). [unit]
    lower, upper : float or ndarray
        Limits; infinite where there is none. Shape () or (n,). [unit]
    """

    name: str
    unit: str
    value: Array
    lower: float | Array = -np.inf
    upper: float | Array = np.inf


@dataclass(frozen=True, eq=False)
class Simulation:
    """What a unit really does at given setpoints, by its exact models.

    Parameters
    ----------
    flows : mapping
        Net flow on each commodity, positive onto the bus. Each shape (n,). [commodity unit]
    limits : tuple of Limit
        Readings with limits. [-]
    readings : mapping
        Further readings for reports, `{reading}_{unit}` -> values. Each shape (n,). [as named]
    contents : mapping
        What each product carries, by (substance, commodity), where the unit declares it. Each shape (n,).
        [concentration * commodity unit]
    """

    flows: dict[str, Array]
    limits: tuple[Limit, ...] = ()
    readings: dict[str, Array] = field(default_factory=dict)
    contents: dict[tuple[str, str], Array] = field(default_factory=dict)
