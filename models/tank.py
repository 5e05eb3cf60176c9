"""Tanks and vessels: what may be stored, and what a stock at the end is worth.

Owns limits of stocks (working range, permit, empty vessel), the recovery of a stock that starts
outside its range, targets and values of end stocks, and the conversion of a dip reading to tonnes.
"""

from __future__ import annotations

import itertools
from abc import abstractmethod
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

import numpy as np

from models.alkali_density import dip_volume_m3, dry_tonnes
from models.checks import InvalidValues, above, at_least, at_most, between, check, in_order, one_of
from models.horizon import Array, Horizon
from models.misses import END_STOCK, PRICE_PER_T, RECOVERY
from models.pieces import Cost, Declaration, Entry, Rows, Stock, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind


@dataclass(frozen=True)
class ValueStep:
    """A step of the value of an end stock: the first tonnes are worth most.

    Parameters
    ----------
    tonnes : float
        Width of the step, above 0. [t]
    value_per_t : float
        What a tonne in it is worth at the horizon's end. [currency/t]
    """

    tonnes: float
    value_per_t: float

    def __post_init__(self) -> None:
        check(self, tonnes=above(0, "t"))


class Store(Unit):
    """Common to all stores: one stock on one commodity, between two limits.

    Subclasses have the fields `name`, `commodity`, `end_min_t`, `end_values` and the rates of filling,
    drawing and transfer. Where several stores hold one commodity, what is made is filled into them and what
    leaves is drawn from them; content goes from one to another only by a transfer (see `models.tank_header`).
    """

    commodity: str
    end_min_t: float | None
    end_values: tuple[ValueStep, ...]
    fill_max_t_per_h: float | None
    draw_max_t_per_h: float | None
    transfer_max_t_per_h: float

    availabilities: ClassVar[tuple[str, ...]] = ("level_max_t", "fill_max_t_per_h", "draw_max_t_per_h")

    @abstractmethod
    def range_t(self) -> tuple[float, float]:
        """Return the least and the greatest level of the working range. [t]."""

    @abstractmethod
    def tonnes(
        self,
        level_percent: float | None = None,
        level_m3: float | None = None,
        strength_percent: float | None = None,
        temperature_c: float | None = None,
    ) -> float:
        """Return the tonnes of a reading.

        Parameters
        ----------
        level_percent : float, optional
            Dip level as a share of the gross volume or content, 0 to 100. [%]
        level_m3 : float, optional
            Volume in store. [m3]
        strength_percent, temperature_c : float, optional
            Strength and temperature of the content; the store's usual ones if not given. [wt%], [C]

        Returns
        -------
        float
            Content. [t]
        """

    def ranges_t(self, horizon: Horizon, situation: Situation) -> tuple[Array, Array]:
        """Return the working range on each interval, by what is in service.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Availability. [-]

        Returns
        -------
        tuple of ndarray
            Least and greatest level. Each shape (n,). [t]
        """
        low, high = self.range_t()
        return np.full(len(horizon), low), np.full(len(horizon), high)

    def at_start(self, horizon: Horizon, situation: Situation) -> Store:
        """Return the store as it stands at the horizon's start, for readings of its level.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Availability. [-]

        Returns
        -------
        Store
            The store with what is in service then. [-]
        """
        return self

    def initial_stocks(self) -> tuple[str, ...]:
        """Return the store's own name. [-]."""
        return (self.name,)

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the stock, its recovery, its end target and its end values (see `Unit.declare`)."""
        level = self.key("level")
        lower, high = self.ranges_t(horizon, situation)
        initial = float(situation.stocks[self.name])
        most = np.minimum(situation.available(self.name, "level_max_t", np.inf, horizon), high)
        upper = np.maximum(most, lower)
        parts = [self._end(horizon, situation, level)]
        if initial > upper.min() or initial < lower.max():
            parts.append(self._recovery(horizon, level, initial, lower, upper))
            lower = np.minimum(lower, initial)
            upper = np.maximum(high, initial)
        stock = Stock(
            level,
            "t",
            self.commodity,
            initial,
            lower,
            upper,
            f"content of {self.name}",
            self._rate_max("fill_max_t_per_h", horizon, situation),
            self._rate_max("draw_max_t_per_h", horizon, situation),
            self.transfer_max_t_per_h,
        )
        return Declaration.merged((Declaration(stocks=(stock,)), *parts))

    def _rate_max(self, what: str, horizon: Horizon, situation: Situation) -> Array:
        """Return a greatest rate on each interval, by what is stated and by calendar facts. [t/h]."""
        stated = getattr(self, what)
        return situation.available(self.name, what, np.inf if stated is None else stated, horizon)

    def _recovery(
        self, horizon: Horizon, level: str, initial: float, lower: Array, upper: Array
    ) -> Declaration:
        """Return the part of the level outside its range as a miss that is brought back first of all.

        The stock may stay outside no further than it started, and only as long as it must.
        """
        n = len(horizon)
        each = np.arange(n)
        over, under = self.key("over"), self.key("under")
        price = PRICE_PER_T[RECOVERY]
        ones = np.ones(n)
        return Declaration(
            variables=(
                Variable(
                    over,
                    "t",
                    np.zeros(n),
                    np.maximum(initial - upper, 0.0),
                    each,
                    miss_class=RECOVERY,
                    miss_price=price,
                    meaning=f"content of {self.name} above its upper limit",
                ),
                Variable(
                    under,
                    "t",
                    np.zeros(n),
                    np.maximum(lower - initial, 0.0),
                    each,
                    miss_class=RECOVERY,
                    miss_price=price,
                    meaning=f"content of {self.name} below its lower limit",
                ),
            ),
            rows=(
                Rows(
                    self.key("range"),
                    "t",
                    (Entry(level, each, each, ones), Entry(over, each, each, -ones)),
                    np.full(n, -np.inf),
                    upper,
                    intervals=each,
                    meaning=f"upper limit of {self.name}",
                ),
                Rows(
                    self.key("range_low"),
                    "t",
                    (Entry(level, each, each, ones), Entry(under, each, each, ones)),
                    lower,
                    np.full(n, np.inf),
                    intervals=each,
                    meaning=f"lower limit of {self.name}",
                ),
            ),
        )

    def _end(self, horizon: Horizon, situation: Situation, level: str) -> Declaration:
        last = np.array([len(horizon) - 1])
        zero = np.zeros(1, dtype=np.int64)
        variables: list[Variable] = []
        rows: list[Rows] = []
        costs: list[Cost] = []
        target = situation.end_stocks.get(self.name, self.end_min_t)
        if target is not None:
            short = self.key("end_short")
            variables.append(
                Variable(
                    short,
                    "t",
                    np.zeros(1),
                    np.array([max(target, 0.0)]),
                    labels=("end",),
                    miss_class=END_STOCK,
                    miss_price=PRICE_PER_T[END_STOCK],
                    meaning=f"content of {self.name} missing at the end",
                )
            )
            rows.append(
                Rows(
                    self.key("end_target"),
                    "t",
                    (Entry(level, zero, last, np.ones(1)), Entry(short, zero, zero, np.ones(1))),
                    np.array([target]),
                    np.array([np.inf]),
                    labels=("end",),
                    breakable=False,
                    meaning=f"least content of {self.name} at the end",
                )
            )
        if self.end_values:
            worth = self.key("end_value")
            count = len(self.end_values)
            each = np.arange(count)
            variables.append(
                Variable(
                    worth,
                    "t",
                    np.zeros(count),
                    np.array([step.tonnes for step in self.end_values]),
                    labels=tuple(f"step_{i + 1}" for i in range(count)),
                    meaning=f"content of {self.name} at the end, by steps of value",
                )
            )
            rows.append(
                Rows(
                    self.key("end_value_steps"),
                    "t",
                    (
                        Entry(worth, np.zeros(count, dtype=np.int64), each, np.ones(count)),
                        Entry(level, zero, last, -np.ones(1)),
                    ),
                    np.array([-np.inf]),
                    np.zeros(1),
                    labels=("end",),
                    breakable=False,
                    meaning=f"only what is in {self.name} at the end has a value",
                )
            )
            values = np.array([-step.value_per_t for step in self.end_values])
            costs.append(Cost(self.key("end_stock_value"), "end stock", worth, values))
        return Declaration(variables=tuple(variables), rows=tuple(rows), costs=tuple(costs))

    def _check_end(self) -> None:
        worths = [step.value_per_t for step in self.end_values]
        if any(later > earlier for earlier, later in itertools.pairwise(worths)):
            raise InvalidValues(
                [
                    (
                        "end_values",
                        f"'end_values' must not rise from step to step [currency/t] (got {worths}): "
                        "the first tonnes are worth most",
                    )
                ]
            )


def _check_margin(range_: float, margin: float, field: str, unit: str) -> None:
    """Refuse a margin at either end that leaves nothing between."""
    if 2.0 * margin > range_:
        raise InvalidValues(
            [
                (
                    field,
                    f"'{field}' must be at most half of the range between least and greatest content, "
                    f"{range_ / 2.0:g} [{unit}] (got {margin:g})",
                )
            ]
        )


@unit_kind("alkali_tank")
@dataclass(frozen=True)
class AlkaliTank(Store):
    """Tanks of one alkali at one strength, counted in dry tonnes.

    Parameters
    ----------
    name : str
        Name of the tank or group. [-]
    commodity : str
        What it stores. [-]
    tanks : int
        Tanks in the group, 1 or more. [-]
    tank_m3 : float
        Gross volume of one tank, above 0. [m3]
    species : str
        'NaOH' or 'KOH'. [-]
    strength_percent, temperature_c : float
        Usual strength and temperature of the content. [wt%], [C]
    min_percent, max_percent : float
        Lowest and highest level that may ever be reached. [%]
    end_min_t : float, optional
        Least content at the horizon's end. [t]
    end_values : tuple of ValueStep
        Value of the content at the horizon's end, highest first. [-]
    margin_percent : float
        Part of the gross volume that plans leave free at either end; 3 to 5 (value from memory). [%]
    fill_max_t_per_h, draw_max_t_per_h : float, optional
        Greatest rate of filling from production and of drawing for customers and units, above 0; no limit if
        not stated. [t/h]
    transfer_max_t_per_h : float
        Greatest rate of the pump out of it into another store of the same commodity; 0: no transfer. [t/h]
    """

    name: str
    commodity: str
    tanks: int
    tank_m3: float
    species: Literal["NaOH", "KOH"]
    strength_percent: float
    temperature_c: float
    min_percent: float = 5.0
    max_percent: float = 95.0
    end_min_t: float | None = None
    end_values: tuple[ValueStep, ...] = ()
    margin_percent: float = 0.0
    fill_max_t_per_h: float | None = None
    draw_max_t_per_h: float | None = None
    transfer_max_t_per_h: float = 0.0

    availabilities = (*Store.availabilities, "tanks")

    def __post_init__(self) -> None:
        check(
            self,
            tanks=at_least(1),
            tank_m3=above(0, "m3"),
            species=one_of("NaOH", "KOH"),
            strength_percent=(above(0, "wt%"), at_most(52, "wt%")),
            temperature_c=between(15, 100, "C"),
            min_percent=between(0, 100, "%"),
            max_percent=between(0, 100, "%"),
            end_min_t=at_least(0, "t"),
            margin_percent=between(0, 50, "%"),
            fill_max_t_per_h=above(0, "t/h"),
            draw_max_t_per_h=above(0, "t/h"),
            transfer_max_t_per_h=at_least(0, "t/h"),
        )
        in_order(self, "min_percent", "max_percent", "%")
        _check_margin(self.max_percent - self.min_percent, self.margin_percent, "margin_percent", "%")
        self._check_end()

    def tonnes(
        self,
        level_percent: float | None = None,
        level_m3: float | None = None,
        strength_percent: float | None = None,
        temperature_c: float | None = None,
    ) -> float:
        """Return dry tonnes of a reading (see `Store.tonnes`)."""
        if (level_percent is None) == (level_m3 is None):
            raise ValueError("exactly one of 'level_percent' and 'level_m3' must be given")
        volume = (
            dip_volume_m3(level_percent, self.tanks * self.tank_m3) if level_percent is not None else level_m3
        )
        return float(
            dry_tonnes(
                volume or 0.0,
                self.species,
                self.strength_percent if strength_percent is None else strength_percent,
                self.temperature_c if temperature_c is None else temperature_c,
            )
        )

    def range_t(self) -> tuple[float, float]:
        """Return the range of a plan: that of the levels, less the margin. [t dry]."""
        low, high = self.min_percent + self.margin_percent, self.max_percent - self.margin_percent
        return self.tonnes(level_percent=low), self.tonnes(level_percent=high)

    def ranges_t(self, horizon: Horizon, situation: Situation) -> tuple[Array, Array]:
        """Return the working range of the tanks in service (see `Store.ranges_t`). [t dry]."""
        share = situation.available(self.name, "tanks", self.tanks, horizon) / self.tanks
        low, high = self.range_t()
        return low * share, high * share

    def at_start(self, horizon: Horizon, situation: Situation) -> Store:
        """Return the group with the tanks in service at the start: a dip is that of their volume.

        With none in service a dip is that of all (see `Store.at_start`).
        """
        tanks = int(situation.available(self.name, "tanks", self.tanks, horizon)[0])
        return replace(self, tanks=tanks) if tanks > 0 else self


@unit_kind("chlorine_store")
@dataclass(frozen=True)
class ChlorineStore(Store):
    """Liquid chlorine in vessels, of which some stay empty to take the content of a leaking one.

    The permit is for the site: what lots have loaded counts in it, from loading until they leave, beside
    the vessels (`models.order.Lot.standing`).

    Parameters
    ----------
    name : str
        Name of the store. [-]
    vessels : int
        Vessels, 1 or more. [-]
    vessel_t : float
        Greatest filling of one vessel, above 0. [t]
    permit_t : float
        Greatest content under the permit, loaded wagons on site included. [t]
    empty_vessels : int
        Vessels that stay empty, 0 or more; one is common practice. [-]
    wagons_t : float
        Further loaded wagons that may stand on site at any time, 0 or more, beside the lots of the plan;
        they take part of the permit. [t]
    margin_percent : float
        Part of the permit that plans leave free; 5 to 10 (value from memory). [%]
    cover_min_t : float
        Least content, to keep customers supplied through a trip. [t]
    commodity : str
        What it stores. [-]
    end_min_t : float, optional
        Least content at the horizon's end. [t]
    end_values : tuple of ValueStep
        Value of the content at the horizon's end, highest first. [-]
    loaded : str
        Commodity on which lots count what they have loaded. [-]
    fill_max_t_per_h, draw_max_t_per_h : float, optional
        Greatest rate of filling from production and of drawing for customers and units, above 0; no limit if
        not stated. [t/h]
    transfer_max_t_per_h : float
        Greatest rate of the pump out of it into another store of the same commodity; 0: no transfer. [t/h]
    """

    name: str
    vessels: int
    vessel_t: float
    permit_t: float
    empty_vessels: int = 1
    wagons_t: float = 0.0
    margin_percent: float = 5.0
    cover_min_t: float = 0.0
    commodity: str = "chlorine_liquid"
    end_min_t: float | None = None
    end_values: tuple[ValueStep, ...] = ()
    loaded: str = "chlorine_loaded"
    fill_max_t_per_h: float | None = None
    draw_max_t_per_h: float | None = None
    transfer_max_t_per_h: float = 0.0

    def __post_init__(self) -> None:
        check(
            self,
            vessels=at_least(1),
            vessel_t=above(0, "t"),
            permit_t=above(0, "t"),
            empty_vessels=at_least(0),
            wagons_t=at_least(0, "t"),
            margin_percent=between(0, 100, "%"),
            cover_min_t=at_least(0, "t"),
            end_min_t=at_least(0, "t"),
            fill_max_t_per_h=above(0, "t/h"),
            draw_max_t_per_h=above(0, "t/h"),
            transfer_max_t_per_h=at_least(0, "t/h"),
        )
        low, high = self.range_t()
        if low > high:
            raise InvalidValues(
                [
                    (
                        "cover_min_t",
                        f"'cover_min_t' must be at most what vessels and permit allow, {high:g} [t] "
                        f"(got {low:g})",
                    )
                ]
            )
        self._check_end()

    def tonnes(
        self,
        level_percent: float | None = None,
        level_m3: float | None = None,
        strength_percent: float | None = None,
        temperature_c: float | None = None,
    ) -> float:
        """Return the content of a reading in percent of all vessels (see `Store.tonnes`)."""
        if level_percent is None or level_m3 is not None:
            raise ValueError("the content of a chlorine store is given in t or in percent of all vessels")
        return level_percent / 100.0 * self.vessels * self.vessel_t

    @property
    def permitted_t(self) -> float:
        """What vessels and the lots' loaded wagons may hold together, margin kept. [t]."""
        return self.permit_t * (1.0 - self.margin_percent / 100.0) - self.wagons_t

    def range_t(self) -> tuple[float, float]:
        """Return cover and the lesser of usable vessels and permit with wagons and margin. [t]."""
        usable = (self.vessels - self.empty_vessels) * self.vessel_t
        return self.cover_min_t, min(usable, self.permitted_t)

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the stock, the loaded wagons beside it and the permit for both (see `Unit.declare`)."""
        vessels = super().declare(horizon, situation)
        n = len(horizon)
        each, ones = np.arange(n), np.ones(n)
        wagons = Stock(
            self.key("wagons"),
            "t",
            self.loaded,
            0.0,
            np.zeros(n),
            np.full(n, max(self.permitted_t, 0.0)),
            meaning=f"loaded wagons standing on site beside {self.name}",
        )
        entries = [Entry(self.key("level"), each, each, ones), Entry(wagons.key, each, each, ones)]
        if any(variable.key == self.key("over") for variable in vessels.variables):
            # A store that starts too full comes back first of all; what is over is a miss already.
            entries.append(Entry(self.key("over"), each, each, -ones))
        permit = Rows(
            self.key("permit"),
            "t",
            tuple(entries),
            np.full(n, -np.inf),
            np.full(n, self.permitted_t),
            intervals=each,
            meaning=f"permit of {self.name}, loaded wagons on site included",
        )
        return Declaration.merged((vessels, Declaration(stocks=(wagons,), rows=(permit,))))


@unit_kind("product_store")
@dataclass(frozen=True)
class ProductStore(Store):
    """Any other store counted in tonnes: acid, hypochlorite, a product of the site's own.

    Parameters
    ----------
    name : str
        Name of the store. [-]
    commodity : str
        What it stores. [-]
    min_t, max_t : float
        Least and greatest content that may ever be reached. [t]
    end_min_t : float, optional
        Least content at the horizon's end. [t]
    end_values : tuple of ValueStep
        Value of the content at the horizon's end, highest first. [-]
    margin_percent : float
        Part of the greatest content that plans leave free at either end; 3 to 5 (value from memory). [%]
    fill_max_t_per_h, draw_max_t_per_h : float, optional
        Greatest rate of filling from production and of drawing for customers and units, above 0; no limit if
        not stated. [t/h]
    transfer_max_t_per_h : float
        Greatest rate of the pump out of it into another store of the same commodity; 0: no transfer. [t/h]
    """

    name: str
    commodity: str
    min_t: float
    max_t: float
    end_min_t: float | None = None
    end_values: tuple[ValueStep, ...] = ()
    margin_percent: float = 0.0
    fill_max_t_per_h: float | None = None
    draw_max_t_per_h: float | None = None
    transfer_max_t_per_h: float = 0.0

    def __post_init__(self) -> None:
        check(
            self,
            min_t=at_least(0, "t"),
            max_t=above(0, "t"),
            end_min_t=at_least(0, "t"),
            margin_percent=between(0, 50, "%"),
            fill_max_t_per_h=above(0, "t/h"),
            draw_max_t_per_h=above(0, "t/h"),
            transfer_max_t_per_h=at_least(0, "t/h"),
        )
        in_order(self, "min_t", "max_t", "t")
        share = 100.0 * (self.max_t - self.min_t) / self.max_t
        _check_margin(share, self.margin_percent, "margin_percent", "%")
        self._check_end()

    def tonnes(
        self,
        level_percent: float | None = None,
        level_m3: float | None = None,
        strength_percent: float | None = None,
        temperature_c: float | None = None,
    ) -> float:
        """Return the content of a reading in percent of the greatest content (see `Store.tonnes`)."""
        if level_percent is None or level_m3 is not None:
            raise ValueError(
                "the content of a product store is given in t or in percent of its greatest content"
            )
        return level_percent / 100.0 * self.max_t

    def range_t(self) -> tuple[float, float]:
        """Return the range of a plan: that of the content, less the margin. [t]."""
        margin = self.margin_percent / 100.0 * self.max_t
        return self.min_t + margin, self.max_t - margin
