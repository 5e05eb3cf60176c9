"""The conversion of a room to another technology: yearly saving, payback, net present value, tornado.

Owns the money of the investment. The saving comes from two planned periods (`running_cost`); whether and
until when a technology may run at all is a matter of law and stands outside these figures.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final

import numpy as np

from models.checks import InvalidValues, above, at_least, check
from models.horizon import Array


def npv(rate: float, flows: Array) -> float:
    """Return the net present value of yearly cash flows, the first of them now.

    Parameters
    ----------
    rate : float
        Discount rate, above -1. [1/a]
    flows : ndarray
        Cash flows at the end of years 0, 1, ... Shape (years + 1,). [currency]

    Returns
    -------
    float
        Value today. [currency]

    Raises
    ------
    ValueError
        If the rate is not above -1.

    Notes
    -----
    NPV = sum of flows[t] / (1 + rate)^t from t = 0.
    """
    if not rate > -1.0:
        raise ValueError(f"'rate' must be above -1 [1/a] (got {rate:g})")
    years = np.arange(len(flows))
    return float(np.sum(np.asarray(flows, dtype=np.float64) / (1.0 + rate) ** years))


def irr(flows: Array) -> float | None:
    """Return the rate at which the net present value is 0.

    Parameters
    ----------
    flows : ndarray
        Cash flows at the end of years 0, 1, ... Shape (years + 1,). [currency]

    Returns
    -------
    float or None
        The rate; None unless the flows change their sign exactly once, because only then the rate is one and
        means something, or if it lies outside -99 % to 1000 %. [1/a]
    """
    signs = np.sign(np.asarray(flows, dtype=np.float64))
    signs = signs[signs != 0]
    if np.count_nonzero(np.diff(signs)) != 1:
        return None
    low, high = -0.99, 10.0
    at_low, at_high = npv(low, flows), npv(high, flows)
    if at_low * at_high > 0:
        return None
    for _ in range(200):
        middle = (low + high) / 2.0
        if npv(middle, flows) * at_low > 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def payback_years(flows: Array, rate: float = 0.0) -> float | None:
    """Return after how many years the summed, discounted cash flows turn positive for good.

    Parameters
    ----------
    flows : ndarray
        Cash flows at the end of years 0, 1, ...; inside a year they are taken as even. Shape (years + 1,).
        [currency]
    rate : float
        Discount rate; 0 gives the simple payback. [1/a]

    Returns
    -------
    float or None
        Years; None if they do not within the flows. [a]
    """
    summed = np.cumsum(np.asarray(flows, dtype=np.float64) / (1.0 + rate) ** np.arange(len(flows)))
    if summed[-1] < 0:
        return None
    negative = np.flatnonzero(summed < 0)
    if not negative.size:
        return 0.0
    last = int(negative[-1])
    return last + float(-summed[last] / (summed[last + 1] - summed[last]))


@dataclass(frozen=True)
class Range:
    """A parameter with a low and a high value for the tornado.

    Parameters
    ----------
    value, low, high : float
        Value in use and its range. [unit]
    unit : str
        Unit of measure. [-]
    source : str
        Where it comes from and how sure it is. [-]
    """

    value: float
    low: float
    high: float
    unit: str
    source: str


_OWN: Final = "a placeholder of this project, no source: replace it"

DEFAULTS: Final[Mapping[str, Range]] = MappingProxyType(
    {
        "investment_per_t_per_year": Range(
            450.0,
            300.0,
            600.0,
            "currency per t/a of chlorine",
            "middle of 300 to 600. Compare 190 to 670 EUR per t/a in the European reference document of 2014 "
            "(value from memory, low confidence), about 780 EUR per t/a as the mean of 42 plants (calculated "
            "from UNEP/GRID-Arendal, Mercury - Time to Act, 2013, p. 33) and 800 USD per t/a for one "
            "conversion with an expansion (calculated from C&EN, 27 June 2011)",
        ),
        "life_years": Range(20.0, 15.0, 25.0, "a", _OWN),
        "discount_rate_percent": Range(8.0, 5.0, 11.0, "%/a", _OWN),
        "downtime_days": Range(30.0, 14.0, 60.0, "d", _OWN),
        "downtime_loss_per_t": Range(
            100.0, 50.0, 200.0, "currency/t", f"{_OWN}; margin lost per tonne of chlorine not made"
        ),
        "mercury_inventory_t_per_kt": Range(
            1.9,
            1.8,
            2.0,
            "t per kt/a of chlorine",
            "1.8 to 2 t per kt/a, value from memory, medium confidence",
        ),
        "mercury_disposal_per_t": Range(
            3000.0, 1500.0, 8000.0, "currency/t", f"{_OWN}; stabilising and final disposal of the mercury"
        ),
        "decommissioning_per_t_per_year": Range(
            40.0, 10.0, 120.0, "currency per t/a of chlorine", f"{_OWN}; dismantling and clean-up of the room"
        ),
        "power_price_factor": Range(1.0, 0.7, 1.3, "-", "a range of this project around the period's prices"),
        "steam_price_factor": Range(1.0, 0.7, 1.3, "-", "a range of this project around the price in use"),
        "energy_saving_factor": Range(
            1.0,
            0.9,
            1.1,
            "-",
            "a range of this project around the modelled energy; the voltage model is good to 1-2 %",
        ),
    }
)
"""Default of each parameter, with its range."""


@dataclass(frozen=True)
class ConversionTable:
    """What a site states about a conversion; the table `[conversion]`. The rest takes its default.

    Parameters
    ----------
    hypothetical : str, optional
        Name of the `[[hypothetical]]` it is about; the only one unless given. [-]
    investment_per_t_per_year, life_years, discount_rate_percent, downtime_days, downtime_loss_per_t : float
        As in `Conversion`, each optional. [as there]
    mercury_inventory_t_per_kt, mercury_disposal_per_t, decommissioning_per_t_per_year : float
        As in `Conversion`, each optional. [as there]
    low, high : mapping
        Ends of the range of a parameter, by its name; otherwise in the default's proportion to the value.
        [as the parameter]
    """

    hypothetical: str | None = None
    investment_per_t_per_year: float | None = None
    life_years: float | None = None
    discount_rate_percent: float | None = None
    downtime_days: float | None = None
    downtime_loss_per_t: float | None = None
    mercury_inventory_t_per_kt: float | None = None
    mercury_disposal_per_t: float | None = None
    decommissioning_per_t_per_year: float | None = None
    low: Mapping[str, float] = field(default_factory=dict)
    high: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        rules = {
            key: at_least(1 if key == "life_years" else 0, span.unit)
            for key, span in DEFAULTS.items()
            if hasattr(self, key)
        }
        check(self, **rules)
        problems = []
        for name in ("low", "high"):
            for key in getattr(self, name):
                if key not in DEFAULTS:
                    hint = difflib.get_close_matches(key, DEFAULTS, n=1)
                    more = f"; did you mean '{hint[0]}'?" if hint else f" (known: {', '.join(DEFAULTS)})"
                    problems.append(
                        (name, f"'{name}' must name parameters of a conversion (got '{key}'){more}")
                    )
        for key, span in self.resolved().items() if not problems else ():
            if not span.low <= span.value <= span.high:
                problems.append(
                    (
                        "low",
                        f"the range of '{key}' must hold its value {span.value:g} [{span.unit}] "
                        f"(got {span.low:g} to {span.high:g})",
                    )
                )
        if problems:
            raise InvalidValues(problems)

    def resolved(self) -> Mapping[str, Range]:
        """Return every parameter with its range, stated or default. [-]."""
        ranges = {}
        for key, default in DEFAULTS.items():
            stated = getattr(self, key, None)
            value = default.value if stated is None else float(stated)
            scale = value / default.value
            low = self.low.get(key, default.low * scale)
            high = self.high.get(key, default.high * scale)
            source = f"default: {default.source}" if stated is None else "site file, [conversion]"
            ranges[key] = Range(value, low, high, default.unit, source)
        return MappingProxyType(ranges)


LAW: Final = (
    "Law comes first and is not in these figures. The Minamata Convention (Article 5, Annex B) ends "
    "chlor-alkali production with mercury after 2025, except where a Party has a registered exemption under "
    "Article 6. In the EU mercury cells are not a best available technique (Decision 2013/732/EU) and could "
    "not be used beyond 11 December 2017; other regions have rules of their own. Ask the competent "
    "authority which rules and dates hold for your site, how mercury must be stored, stabilised and disposed "
    "of, and which permits a conversion needs; the authority's word replaces everything printed here.",
    "Where a room must stop by law the choice is not between conversion and running on, and a payback says "
    "nothing about whether to convert: compare conversion with closure instead.",
)
"""What the figures of a conversion leave out."""


@dataclass(frozen=True)
class Conversion:
    """A conversion, ready to be valued.

    Parameters
    ----------
    chlorine_t_per_year : float
        Chlorine the converted room makes in a year, above 0. [t/a]
    capacity_t_per_year : float
        Chlorine it can make in a year, above 0; investment and decommissioning go with it. [t/a]
    energy_saved_mwh_per_year : float
        Energy saved in a year; negative if more is drawn. [MWh/a]
    power_price_per_mwh : float
        What a saved MWh saves, all charges included. [currency/MWh]
    steam_more_t_per_year : float
        Steam used more in a year. [t/a]
    steam_price_per_t : float
        Price of steam. [currency/t]
    other_saving_per_year : float
        Saving of all other lines in a year; negative if they cost more. [currency/a]
    investment_per_t_per_year : float
        Investment per yearly capacity, 0 or more. [currency per t/a]
    life_years : float
        Years the saving lasts; whole years count, 1 or more. [a]
    discount_rate_percent : float
        Discount rate, 0 or more. [%/a]
    downtime_days : float
        Days without production, 0 or more. [d]
    downtime_loss_per_t : float
        Margin lost per tonne not made, 0 or more. [currency/t]
    mercury_inventory_t_per_kt : float
        Mercury in the room per yearly capacity, 0 or more. [t per kt/a]
    mercury_disposal_per_t : float
        Stabilising and disposal, 0 or more. [currency/t]
    decommissioning_per_t_per_year : float
        Dismantling and clean-up per yearly capacity, 0 or more. [currency per t/a]
    power_price_factor, steam_price_factor, energy_saving_factor : float
        Factors on prices and saved energy; 1 as planned. [-]
    """

    chlorine_t_per_year: float
    capacity_t_per_year: float
    energy_saved_mwh_per_year: float
    power_price_per_mwh: float
    steam_more_t_per_year: float
    steam_price_per_t: float
    other_saving_per_year: float
    investment_per_t_per_year: float
    life_years: float
    discount_rate_percent: float
    downtime_days: float = 0.0
    downtime_loss_per_t: float = 0.0
    mercury_inventory_t_per_kt: float = 0.0
    mercury_disposal_per_t: float = 0.0
    decommissioning_per_t_per_year: float = 0.0
    power_price_factor: float = 1.0
    steam_price_factor: float = 1.0
    energy_saving_factor: float = 1.0

    def __post_init__(self) -> None:
        check(
            self,
            chlorine_t_per_year=above(0, "t/a"),
            capacity_t_per_year=above(0, "t/a"),
            investment_per_t_per_year=at_least(0, "currency per t/a"),
            life_years=at_least(1, "a"),
            discount_rate_percent=at_least(0, "%/a"),
            downtime_days=at_least(0, "d"),
            downtime_loss_per_t=at_least(0, "currency/t"),
            mercury_inventory_t_per_kt=at_least(0, "t per kt/a"),
            mercury_disposal_per_t=at_least(0, "currency/t"),
            decommissioning_per_t_per_year=at_least(0, "currency per t/a"),
            power_price_factor=at_least(0),
            steam_price_factor=at_least(0),
            energy_saving_factor=at_least(0),
        )

    @property
    def power_saving_per_year(self) -> float:
        """Saving of power. [currency/a]."""
        energy = self.energy_saved_mwh_per_year * self.energy_saving_factor
        return energy * self.power_price_per_mwh * self.power_price_factor

    @property
    def steam_cost_per_year(self) -> float:
        """Cost of more steam. [currency/a]."""
        return self.steam_more_t_per_year * self.steam_price_per_t * self.steam_price_factor

    @property
    def saving_per_year(self) -> float:
        """Saving of a year. [currency/a]."""
        return self.power_saving_per_year - self.steam_cost_per_year + self.other_saving_per_year

    @property
    def investment(self) -> float:
        """Investment. [currency]."""
        return self.investment_per_t_per_year * self.capacity_t_per_year

    @property
    def downtime_loss(self) -> float:
        """Margin lost while nothing is made. [currency]."""
        return self.chlorine_t_per_year / 365.0 * self.downtime_days * self.downtime_loss_per_t

    @property
    def mercury_t(self) -> float:
        """Mercury to take out. [t]."""
        return self.mercury_inventory_t_per_kt * self.capacity_t_per_year / 1000.0

    @property
    def mercury_disposal(self) -> float:
        """Stabilising and disposal of the mercury. [currency]."""
        return self.mercury_t * self.mercury_disposal_per_t

    @property
    def decommissioning(self) -> float:
        """Dismantling and clean-up. [currency]."""
        return self.decommissioning_per_t_per_year * self.capacity_t_per_year

    @property
    def outlay(self) -> float:
        """All that is spent or lost before the first saving. [currency]."""
        return self.investment + self.downtime_loss + self.mercury_disposal + self.decommissioning

    @property
    def cash_flows(self) -> Array:
        """Outlay now, then the saving at the end of each year of the life. Shape (life + 1,). [currency]."""
        return np.concatenate([[-self.outlay], np.full(math.floor(self.life_years), self.saving_per_year)])

    @property
    def npv(self) -> float:
        """Net present value. [currency]."""
        return npv(self.discount_rate_percent / 100.0, self.cash_flows)

    @property
    def irr(self) -> float | None:
        """Internal rate of return, see `irr`. [1/a]."""
        return irr(self.cash_flows)

    @property
    def simple_payback_years(self) -> float | None:
        """Outlay over the yearly saving, also beyond the life; None without a saving. [a]."""
        return self.outlay / self.saving_per_year if self.saving_per_year > 0 else None

    @property
    def discounted_payback_years(self) -> float | None:
        """Years until the discounted savings have paid the outlay; None if not within the life. [a]."""
        return payback_years(self.cash_flows, self.discount_rate_percent / 100.0)


@dataclass(frozen=True)
class Swing:
    """What one parameter at the ends of its range does to the net present value.

    Parameters
    ----------
    key : str
        Parameter. [-]
    low, high : float
        Ends of its range. [unit]
    unit : str
        Unit of measure. [-]
    npv_low, npv_high : float
        Net present value there, all else as it is. [currency]
    """

    key: str
    low: float
    high: float
    unit: str
    npv_low: float
    npv_high: float

    @property
    def width(self) -> float:
        """Distance between the two. [currency]."""
        return abs(self.npv_high - self.npv_low)


def tornado(case: Conversion, ranges: Mapping[str, Range]) -> tuple[Swing, ...]:
    """Return the swing of each parameter, widest first.

    Parameters
    ----------
    case : Conversion
        The conversion. [-]
    ranges : mapping
        Range of each parameter by its name, a field of `Conversion`. [-]

    Returns
    -------
    tuple of Swing
        The swings. [-]
    """
    swings = []
    for key, span in ranges.items():
        at = [replace(case, **{key: end}).npv for end in (span.low, span.high)]
        swings.append(Swing(key, span.low, span.high, span.unit, at[0], at[1]))
    return tuple(sorted(swings, key=lambda swing: -swing.width))
