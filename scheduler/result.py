"""The records that come out of planning: plan, certificate, misses, comparisons.

Owns what a plan is; `scheduler.plan` makes it, `scheduler.report` shows it. No arithmetic of the trade.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from models.contract.component import BillLine
from models.horizon import Array, Horizon
from models.pieces import Declaration, Simulation
from models.site import Site
from models.situation import Situation
from scheduler.conflicts import Diagnosis


class Status(Enum):
    """What kind of result a plan is."""

    PLAN = "plan"
    """All duties met, all limits kept."""
    MISSES = "plan with missed duties"
    """All limits kept; some duties cannot be met, least misses first."""
    NOT_A_PLAN = "NOT A PLAN"
    """Even with every duty open a limit of plant or permit is broken: least violation shown."""
    SOLVER_LIMIT = "plan with an open gap"
    """A time or round limit came before the gap closed; the plan is valid, the gap is stated."""


@dataclass(frozen=True)
class Miss:
    """A duty that the plan does not meet.

    Parameters
    ----------
    key : str
        Key of the variable. [-]
    meaning : str
        What is missed, in words. [-]
    miss_class : int
        Class, see `models.misses`. [-]
    quantity : float
        How much over the horizon. [unit]
    unit : str
        Unit of the quantity. [-]
    interval : int or None
        First interval at which it occurs, if it lives on intervals. [-]
    price : float
        What a unit counts. [currency/unit]
    """

    key: str
    meaning: str
    miss_class: int
    quantity: float
    unit: str
    interval: int | None
    price: float


@dataclass(frozen=True)
class Violation:
    """A limit of plant or permit that the result breaks.

    Parameters
    ----------
    key : str
        Key of the row, stock, bus or reading. [-]
    meaning : str
        The limit in words. [-]
    interval : int or None
        Interval at which it is broken most. [-]
    amount : float
        By how much, at that interval. [unit]
    unit : str
        Unit. [-]
    """

    key: str
    meaning: str
    interval: int | None
    amount: float
    unit: str


@dataclass(frozen=True)
class Certificate:
    """How far, at most, the plan's cost is from the cheapest possible one.

    Parameters
    ----------
    lower_bound : float
        No plan for the same horizon, prices, duties and end stocks costs less. [currency]
    cost : float
        Exact simulated cost before loads are put on steps, same definition as the bound. [currency]
    denominator : float
        Sum of absolute energy charges over the intervals. [currency]
    stepped_bound, stepped_cost : float, optional
        The same for the step problem: whole steps, counted changes; None where nothing asks for it.
        [currency]
    rounds : int
        How often the program was solved. [-]
    tangents, chords, binaries : int
        Cuts and branches added after the first solve. [-]
    cold_correction : float, optional
        By how much the lower bound before steps came down when the last program was solved from nothing;
        None where it was not (branch and bound starts from nothing anyway). [currency]
    """

    lower_bound: float
    cost: float
    denominator: float
    stepped_bound: float | None = None
    stepped_cost: float | None = None
    rounds: int = 1
    tangents: int = 0
    chords: int = 0
    binaries: int = 0
    cold_correction: float | None = None

    @property
    def gap(self) -> float:
        """(cost - bound) / denominator, never below 0 by more than rounding. [-]."""
        return (self.cost - self.lower_bound) / self.denominator if self.denominator > 0 else 0.0

    @property
    def stepped_gap(self) -> float | None:
        """Gap of the step problem against its own bound; None without steps. [-]."""
        if self.stepped_cost is None or self.stepped_bound is None:
            return None
        return (self.stepped_cost - self.stepped_bound) / self.denominator

    @property
    def price_of_steps(self) -> float | None:
        """What whole steps and counted changes cost; None without steps. [currency]."""
        return None if self.stepped_cost is None else self.stepped_cost - self.cost


@dataclass(frozen=True)
class Comparison:
    """The cost of another way of running for the same duties and end stocks.

    Parameters
    ----------
    name : str
        For example 'cheapest constant load' or "last week's pattern". [-]
    cost : float or None
        Exact cost, same definition as the plan's; None if it is not possible. [currency]
    energy_cost : float or None
        Its energy charges. [currency]
    loads_ka : mapping
        Load of each circuit. Each shape (n,); empty if not possible. [kA]
    note : str
        What was assumed, or why it is not possible. [-]
    """

    name: str
    cost: float | None
    energy_cost: float | None = None
    loads_ka: Mapping[str, Array] = field(default_factory=dict)
    note: str = ""


@dataclass(frozen=True)
class MeteredPeak:
    """A billed peak, and what of it comes from loads on their way.

    Parameters
    ----------
    key : str
        Key of the peak. [-]
    billed_mw : float
        Peak as charged, what was reached before included. [MW]
    without_ramps_mw : float
        The same if every load jumped to its value. [MW]
    simulated_mw : float
        The same with ramps by the power curves themselves, rises on their way included; the charge stands
        on the safe side of it (see `models.ramping`). [MW]
    """

    key: str
    billed_mw: float
    without_ramps_mw: float
    simulated_mw: float


@dataclass(frozen=True, eq=False)
class Audit:
    """What the exact models say of a plan.

    Parameters
    ----------
    values : mapping
        Exact value of every variable, curve result and stock level, by key; curve results and the
        metered import are simulated, the rest are the plan's decisions. [as declared]
    simulations : mapping
        Each unit's simulation by unit name. [-]
    flows : mapping
        Net flow of each unit on each commodity by (unit, commodity). Each shape (n,). [commodity unit]
    balance_error : mapping
        Largest |residual| of each commodity's balance, as a share of its capacity. [-]
    violations : tuple of Violation
        Limits broken by more than the tolerance. [-]
    costs : mapping
        Exact cost of this horizon by group (see `models.pieces.COST_GROUPS`), sunk charges left out.
        [currency]
    sunk : float
        Charges of the billing period that no load of this horizon can change. [currency]
    bill : tuple of BillLine
        Electricity bill of the horizon. [-]
    metered_peaks : tuple of MeteredPeak
        Billed peaks, where ramps count in them. [-]
    """

    values: Mapping[str, Array]
    simulations: Mapping[str, Simulation]
    flows: Mapping[tuple[str, str], Array]
    balance_error: Mapping[str, float]
    violations: tuple[Violation, ...]
    costs: Mapping[str, float]
    sunk: float
    bill: tuple[BillLine, ...]
    metered_peaks: tuple[MeteredPeak, ...] = ()

    @property
    def cost(self) -> float:
        """Exact cost of the horizon, sunk charges left out. [currency]."""
        return sum(self.costs.values())


@dataclass(frozen=True)
class CircuitLag:
    """What the late temperature of one circuit's room takes beyond its steady voltage.

    Parameters
    ----------
    name : str
        Name of the circuit. [-]
    plan_day_mwh, horizon_mwh : float
        Extra DC energy; negative where the room is warm after cuts for longer than cold after raises. [MWh]
    plan_day_cost, horizon_cost : float
        The same at each interval's energy rates. [currency]
    """

    name: str
    plan_day_mwh: float
    plan_day_cost: float
    horizon_mwh: float
    horizon_cost: float


@dataclass(frozen=True)
class TemperatureLag:
    """What the late temperatures of the rooms cost; no part of the cost, the bound or the comparisons.

    Parameters
    ----------
    circuits : tuple of CircuitLag
        By circuit, in the order of the site. [-]
    contract_cost : float
        What the contract charges over the horizon for the import with the lag less what it charges
        without it: energy, and peaks that the lag raises. [currency]
    warnings : tuple of Violation
        Limits beyond which the lag takes the plan: no plan is held to them. [-]
    without_cost, without_contract_cost : float or None
        Cost, and cost of the lag, of the cheapest plan that looks at steady voltages alone, where this plan
        was taken in its place; None where this plan is that one. [currency]
    """

    circuits: tuple[CircuitLag, ...]
    contract_cost: float
    warnings: tuple[Violation, ...] = ()
    without_cost: float | None = None
    without_contract_cost: float | None = None

    @property
    def energy_cost(self) -> float:
        """Part of the contract cost that is energy. [currency]."""
        return sum(circuit.horizon_cost for circuit in self.circuits)


@dataclass(frozen=True)
class CallAnswer:
    """What a site can do when it is called in one interval.

    Parameters
    ----------
    interval : int
        Interval at whose start the load must have changed. [-]
    asked_mw, possible_mw : float
        Change of import that is asked for, and the most that keeps all duties and limits. [MW]
    """

    interval: int
    asked_mw: float
    possible_mw: float


@dataclass(frozen=True)
class CallCheck:
    """Simulated calls of one component at every hour of the plan day.

    Parameters
    ----------
    component : str
        Component that is paid to answer. [-]
    answers : tuple of CallAnswer
        One for each interval of the plan day in which it may be called. [-]
    """

    component: str
    answers: tuple[CallAnswer, ...]

    @property
    def kept(self) -> bool:
        """Whether every call is answered in full. [-]."""
        return all(a.possible_mw >= a.asked_mw - CALL_TOLERANCE_MW for a in self.answers)

    @property
    def worst(self) -> CallAnswer | None:
        """The call of which most is missing; None without any. [-]."""
        return max(self.answers, key=lambda a: a.asked_mw - a.possible_mw, default=None)


CALL_TOLERANCE_MW = 1e-2
"""How much of a call may be missing by rounding. [MW]"""


@dataclass(frozen=True)
class Tried:
    """One side of a contract's cliffs, and what planning on it gave.

    Parameters
    ----------
    cases : mapping
        Case by component. [-]
    cost, lower_bound : float or None
        Cost and bound of the plan; None if there is none. [currency]
    refused : str
        Why it was not taken although it may be cheaper; empty if it is possible. [-]
    calls : tuple of CallCheck
        Simulated calls of what is paid in it. [-]
    """

    cases: Mapping[str, str]
    cost: float | None
    lower_bound: float | None
    refused: str = ""
    calls: tuple[CallCheck, ...] = ()


@dataclass(frozen=True, eq=False)
class Plan:
    """A load plan with everything that is known about it.

    Parameters
    ----------
    site : Site
        The works, orders of the horizon included as units. [-]
    horizon : Horizon
        The intervals. [-]
    situation : Situation
        What was known. [-]
    declaration : Declaration
        The records that were planned. [-]
    status : Status
        Kind of result. [-]
    certificate : Certificate
        Bound, cost and gap. [-]
    audit : Audit
        Exact simulation. [-]
    misses : tuple of Miss
        Duties not met, most important class first. [-]
    comparisons : tuple of Comparison
        Habits to compare with. [-]
    energy_price_per_mwh : ndarray
        Sum of all energy rates of the contract on each interval. Shape (n,). [currency/MWh]
    seconds : mapping
        Wall time of each step. [s]
    lag : TemperatureLag or None
        What late room temperatures cost; None where no circuit states a thermal lag. [-]
    tried : tuple of Tried
        Sides of the contract's cliffs that were planned, this plan's among them; empty where a contract has
        none. [-]
    diagnosis : Diagnosis or None
        Why duties are missed or limits broken; None where nothing is, or nobody asked. [-]
    """

    site: Site
    horizon: Horizon
    situation: Situation
    declaration: Declaration
    status: Status
    certificate: Certificate
    audit: Audit
    misses: tuple[Miss, ...]
    comparisons: tuple[Comparison, ...]
    energy_price_per_mwh: Array
    seconds: Mapping[str, float] = field(default_factory=dict)
    lag: TemperatureLag | None = None
    tried: tuple[Tried, ...] = ()
    diagnosis: Diagnosis | None = None
