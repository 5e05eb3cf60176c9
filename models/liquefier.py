"""Chlorine liquefaction and vaporisation, and the rule that both never run at once.

Owns how much liquid a feed gives: the lesser of the design yield and what the hydrogen left in the
tail gas allows (`tail_gas`), and how much hydrogen the cells' gas may then hold. Starting and stopping
are calendar facts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues, above, at_least, between, check, in_order
from models.horizon import Horizon
from models.pieces import Blend, Declaration, Exclusive, Flow, Moves, Variable
from models.quality import HYDROGEN, UNIT_WORDS, UNITS
from models.situation import Situation
from models.tail_gas import yield_max
from models.unit import Unit, unit_kind


@unit_kind("liquefier")
@dataclass(frozen=True)
class Liquefier(Unit):
    """A liquefaction train with its refrigeration.

    Parameters
    ----------
    name : str
        Name of the train. [-]
    feed_min_t_per_h, feed_max_t_per_h : float
        Range of the chlorine feed in service. [t/h]
    yield_design : float
        Share of the feed that becomes liquid by design, 0 to 1. [-]
    kwh_per_t : float
        Electric energy per tonne of feed, 0 or more. [kWh/t]
    feed_hydrogen_percent : float
        Hydrogen in the feed, 0 to 5. It sets the yield; where circuits state theirs, what they give together
        must not exceed what that yield bears, x (1 - c y), while the train is in service. [vol%]
    feed_chlorine_percent : float
        Chlorine in the feed, 50 to 100. [vol%]
    tail_hydrogen_max_percent : float
        Greatest hydrogen allowed in the tail gas, a margin under the lower explosion limit. [vol%]
    margin_percent : float
        Part of the greatest feed that plans leave free, so that chlorine has a place to go when customers
        take less. 0 to 100. [%]
    gas, liquid, tail : str
        Commodities taken and delivered. [-]
    cell_gas : str
        Commodity as which the cells give the gas of the feed. [-]
    """

    name: str
    feed_min_t_per_h: float
    feed_max_t_per_h: float
    yield_design: float = 0.95
    kwh_per_t: float = 65.0
    feed_hydrogen_percent: float = 0.1
    feed_chlorine_percent: float = 98.0
    tail_hydrogen_max_percent: float = 3.0
    margin_percent: float = 0.0
    gas: str = "chlorine"
    liquid: str = "chlorine_liquid"
    tail: str = "tail_gas"
    cell_gas: str = "chlorine_wet"

    availabilities = ("in_service", "feed_max_t_per_h")
    settings = ("feed",)

    def __post_init__(self) -> None:
        check(
            self,
            feed_min_t_per_h=at_least(0, "t/h"),
            feed_max_t_per_h=above(0, "t/h"),
            yield_design=between(0, 1),
            kwh_per_t=at_least(0, "kWh/t"),
            feed_hydrogen_percent=between(0, 5, "vol%"),
            feed_chlorine_percent=between(50, 100, "vol%"),
            tail_hydrogen_max_percent=above(0, "vol%"),
            margin_percent=between(0, 100, "%"),
        )
        in_order(self, "feed_min_t_per_h", "feed_max_t_per_h", "t/h")
        in_order(self, "feed_hydrogen_percent", "tail_hydrogen_max_percent", "vol%")
        if self.feed_hydrogen_percent + self.feed_chlorine_percent > 100:
            raise InvalidValues(
                [
                    (
                        "feed_chlorine_percent",
                        "'feed_chlorine_percent' must be at most 100 less the hydrogen [vol%] "
                        f"(got {self.feed_chlorine_percent:g} with {self.feed_hydrogen_percent:g} hydrogen)",
                    )
                ]
            )

    @property
    def liquefaction_yield(self) -> float:
        """Share of the feed that becomes liquid: design, or less where tail-gas hydrogen limits it. [-]."""
        allowed = yield_max(
            self.feed_hydrogen_percent / 100.0,
            self.feed_chlorine_percent / 100.0,
            self.tail_hydrogen_max_percent / 100.0,
        )
        return min(self.yield_design, float(allowed))

    @property
    def cell_hydrogen_max_percent(self) -> float:
        """Greatest hydrogen that keeps the tail gas at its limit at the yield in use, x (1 - c y) / c.

        Told as a share of the chlorine, as cells state theirs. [vol% of the chlorine].
        """
        chlorine = self.feed_chlorine_percent / 100.0
        return self.tail_hydrogen_max_percent * (1.0 - chlorine * self.liquefaction_yield) / chlorine

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the feed, what becomes of it, and the hydrogen it bears (see `Unit.declare`)."""
        on = situation.available(self.name, "in_service", 1, horizon) > 0
        most = situation.available(self.name, "feed_max_t_per_h", self.feed_max_t_per_h, horizon)
        # A margin leaves nothing to choose where less than the least feed would be left.
        most = np.maximum(most * (1.0 - self.margin_percent / 100.0), np.minimum(most, self.feed_min_t_per_h))
        feed = self.key("feed")
        share = self.liquefaction_yield
        return Declaration(
            variables=(
                Variable(
                    feed,
                    "t/h",
                    np.where(on, self.feed_min_t_per_h, 0.0),
                    np.where(on, most, 0.0),
                    intervals=np.arange(len(horizon)),
                    meaning=f"chlorine fed to {self.name}",
                ),
            ),
            moves=(Moves(self.key("moves"), feed, np.ones(len(horizon), dtype=bool)),),
            flows=(
                Flow(self.gas, feed, -1.0),
                Flow(self.liquid, feed, share),
                Flow(self.tail, feed, 1.0 - share),
                Flow("power", feed, -self.kwh_per_t / 1000.0),
            ),
            blends=(
                Blend(
                    self.key("cell_hydrogen"),
                    self.name,
                    HYDROGEN,
                    self.cell_gas,
                    UNITS[HYDROGEN],
                    f"cell_{HYDROGEN}_{UNIT_WORDS[HYDROGEN]}",
                    np.where(on, self.cell_hydrogen_max_percent, np.inf),
                    meaning=f"hydrogen in the chlorine from the cells, as {self.name} bears it",
                ),
            ),
        )


@unit_kind("vaporiser")
@dataclass(frozen=True)
class Vaporiser(Unit):
    """A vaporiser that returns liquid chlorine to the gas header.

    Parameters
    ----------
    name : str
        Name of the vaporiser. [-]
    rate_max_t_per_h : float
        Greatest rate, above 0. [t/h]
    heat_kwh_per_t : float
        Heat to vaporise a tonne; about 75 (value from memory). 0 or more. [kWh/t]
    steam_kwh_per_t : float
        Heat a tonne of steam gives, above 0. [kWh/t]
    not_with : str, optional
        Key of the variable it must not run with, `{liquefier}_feed`. [-]
    not_with_floor : float
        Value up to which that variable does not count: the liquefier's least feed. [t/h]
    cold_start_min : float
        Time from cold to full rate, 0 or more; 30 to 60 usual (value from memory). No limit of a plan:
        it says how long nothing is returned after a trip (see `trips`). [min]
    liquid, gas : str
        Commodities taken and delivered. [-]
    """

    name: str
    rate_max_t_per_h: float
    heat_kwh_per_t: float = 75.0
    steam_kwh_per_t: float = 600.0
    not_with: str | None = None
    not_with_floor: float = 0.0
    cold_start_min: float = 40.0
    liquid: str = "chlorine_liquid"
    gas: str = "chlorine"

    availabilities = ("in_service", "rate_max_t_per_h")
    settings = ("rate",)

    def __post_init__(self) -> None:
        check(
            self,
            rate_max_t_per_h=above(0, "t/h"),
            heat_kwh_per_t=at_least(0, "kWh/t"),
            steam_kwh_per_t=above(0, "kWh/t"),
            not_with_floor=at_least(0, "t/h"),
            cold_start_min=at_least(0, "min"),
        )

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the rate, and the rule that it never runs with liquefaction (see `Unit.declare`)."""
        on = situation.available(self.name, "in_service", 1, horizon) > 0
        most = situation.available(self.name, "rate_max_t_per_h", self.rate_max_t_per_h, horizon)
        rate = self.key("rate")
        rule: tuple[Exclusive, ...] = ()
        if self.not_with is not None:
            meaning = f"{self.name} never runs while {self.not_with} is above {self.not_with_floor:g} t/h"
            rule = (
                Exclusive(
                    self.key("apart"), self.not_with, rate, first_floor=self.not_with_floor, meaning=meaning
                ),
            )
        return Declaration(
            variables=(
                Variable(
                    rate,
                    "t/h",
                    np.zeros(len(horizon)),
                    np.where(on, most, 0.0),
                    intervals=np.arange(len(horizon)),
                    meaning=f"liquid chlorine vaporised in {self.name}",
                ),
            ),
            flows=(
                Flow(self.liquid, rate, -1.0),
                Flow(self.gas, rate, 1.0),
                Flow("steam", rate, -self.heat_kwh_per_t / self.steam_kwh_per_t),
            ),
            exclusives=rule,
        )
