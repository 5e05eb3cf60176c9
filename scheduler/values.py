"""What numbers of a plan are worth: the records that explaining returns and reports show.

Owns the records. How the figures are found stands in `explain`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from models.circuit import Circuit

SHOWN = 0.005
"""Money shown as none. [currency]"""


class Moved(Enum):
    """What kind of number a value belongs to."""

    STOCK = "stock at the start"
    UPPER = "upper limit"
    LOWER = "lower limit"
    FIXED = "fixed quantity"
    DEMAND = "demand"
    ECU = "demand for one ECU"


@dataclass(frozen=True)
class Move:
    """What a number moved in one direction does to the cost.

    Parameters
    ----------
    size : float
        How far it was moved: one unit, or the largest part of it that is possible; 0 where none is.
        [unit of the number]
    cost_per_unit : float or None
        Change of the plan's cost per unit moved; negative where the cost falls. None where no move is
        possible. [currency/unit]
    missed : float
        Part of it that is misses at their price; 0 unless duties are missed. [currency/unit]
    error : float
        Greatest error of the figure: what the two searches left open. [currency/unit]
    """

    size: float
    cost_per_unit: float | None
    missed: float = 0.0
    error: float = 0.0


@dataclass(frozen=True)
class LimitValue:
    """What one unit of a stock, a limit or a demand is worth.

    Parameters
    ----------
    key : str
        Name of the number, unique in a table of values: key of the record, with its side. [-]
    owner : str
        Unit it belongs to; empty for a demand on a commodity. [-]
    moved : Moved
        What kind of number. [-]
    meaning : str
        The number in words, for example 'content of soda_32'. [-]
    unit : str
        Unit in which it is moved: 't', 't/h', 'MW', 'V'. [-]
    up, down : Move
        The number raised, and lowered, by one unit on all intervals of `span`. [-]
    binds : tuple of int
        Intervals at which the plan before steps stands at the limit; empty for stocks and demands. [-]
    span : tuple of int
        First interval moved, and the one after the last. [-]
    at_miss : bool
        Whether duties are missed, so that figures are counted at the price of a miss. [-]
    """

    key: str
    owner: str
    moved: Moved
    meaning: str
    unit: str
    up: Move
    down: Move
    binds: tuple[int, ...]
    span: tuple[int, int]
    at_miss: bool = False

    @property
    def label(self) -> str:
        """The number in words with its side, for example 'content of soda_32, upper limit'. [-]."""
        sided = self.moved in (Moved.UPPER, Moved.LOWER, Moved.FIXED)
        return f"{self.meaning}, {self.moved.value}" if sided else self.meaning

    @property
    def matters(self) -> bool:
        """Whether moving it is money, or not possible at all. [-]."""
        moves = (self.up, self.down)
        return any(m.cost_per_unit is None or abs(m.cost_per_unit * m.size) >= SHOWN for m in moves)


@dataclass(frozen=True)
class Why:
    """Why one circuit has its load in one interval.

    Parameters
    ----------
    circuit : str
        Circuit. [-]
    interval : int
        Position of the interval. [-]
    load_ka : float
        Load of the plan before steps. [kA]
    range_ka : tuple of (float, float)
        Least and greatest load of the circuit on the interval. [kA]
    cause : str
        What sets the greatest load; empty out of service. [-]
    stepped_ka : float or None
        Load of the plan as published, in whole steps; None if it was not asked for. [kA]
    up, down : Move
        This load forced one kA up, and down, and the rest planned again. [currency/kA]
    energy_price_per_mwh : float
        Sum of the energy rates of the contract on the interval. [currency/MWh]
    power_mwh_per_ka : float
        Energy that one kA more draws in the interval, auxiliaries included. [MWh/kA]
    chlorine_t_per_ka : float
        Chlorine that one kA more makes in the interval. [t/kA]
    chlorine_t, alkali_t, power_mw : LimitValue
        Demand for one tonne more of what the circuit makes, and for one MW more, in this interval. [-]
    limits : tuple of LimitValue
        Limits that bind and are worth money here, most valuable first; three at most. [-]
    others : tuple of str
        Further limits that bind and may be worth money here, in words, by their duals. [-]
    at_miss : bool
        Whether duties are missed, so that figures are counted at the price of a miss. [-]
    dearer, cheaper, intervals_of_day : int
        Intervals of its local day with a dearer and with a cheaper energy price, and all of them. [-]
    unit : Circuit, optional
        The circuit, for the rules its steps keep. [-]
    """

    circuit: str
    interval: int
    load_ka: float
    range_ka: tuple[float, float]
    cause: str
    stepped_ka: float | None
    up: Move
    down: Move
    energy_price_per_mwh: float
    power_mwh_per_ka: float
    chlorine_t_per_ka: float
    chlorine_t: LimitValue
    alkali_t: LimitValue
    power_mw: LimitValue
    limits: tuple[LimitValue, ...]
    others: tuple[str, ...] = ()
    at_miss: bool = False
    dearer: int = 0
    cheaper: int = 0
    intervals_of_day: int = 1
    unit: Circuit | None = None


# ---------------------------------------------------------------- what is moved
