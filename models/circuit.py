"""A circuit: one rectifier group feeding cells in series, in one or more electrolysers in parallel.

Owns how a load becomes products and power, and every limit of the load: density, rectifier current,
DC voltage, calendar limits and rates of change. The laws themselves stand in `faraday`,
`cell_voltage`, `current_efficiency`, `busbar` and `rectifier`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from models.busbar import Busbar
from models.cell_temperature import TemperatureRun, ThermalLag
from models.cell_voltage import CellVoltage
from models.checks import InvalidValues, above, at_least, between, check, in_order, one_of
from models.current_efficiency import CurrentEfficiency
from models.faraday import alkali_of, kg_per_kah, mass_ratio
from models.horizon import Array, Horizon, Integers, Mask
from models.load_movement import LoadMovement
from models.pieces import (
    Content,
    Curve,
    Declaration,
    Entry,
    Flow,
    Limit,
    Moves,
    Rows,
    Simulation,
    Variable,
)
from models.quality import CHLORIDE, HYDROGEN, UNIT_WORDS, Impurity
from models.reactive import REACTIVE, line_above, rectifier_mvar
from models.rectifier import Rectifier
from models.run_down import Travel
from models.situation import Situation
from models.technology import DEFAULTS
from models.unit import Unit, unit_kind

LIMIT_AHEAD = "the lower limit that starts next"
"""Cause of a ceiling that lets a load be under a limit when it starts."""


@dataclass(frozen=True, eq=False)
class CircuitState:
    """What is in service on each interval, and the load range that follows.

    Parameters
    ----------
    in_service : ndarray of bool
        Whether current may flow. Shape (n,). [-]
    cells, electrolysers, rectifier_units : ndarray
        Cells in series, electrolysers in parallel and rectifier units in service. Shape (n,). [-]
    load_min_ka : ndarray
        Least load while in service, 0 otherwise. Shape (n,). [kA]
    ceilings_ka : mapping
        Each upper limit of the load by its cause. Each shape (n,). [kA]
    travel : Travel
        How the load gets to and from standstill around outages. [-]
    """

    in_service: Mask
    cells: Array
    electrolysers: Array
    rectifier_units: Array
    load_min_ka: Array
    ceilings_ka: Mapping[str, Array]
    travel: Travel = field(default_factory=Travel)

    @property
    def mean_share(self) -> Array:
        """Mean share of the set load that flows on each interval; 1 but around outages. Shape (n,). [-]."""
        return self.travel.mean(len(self.in_service))

    @property
    def load_max_ka(self) -> Array:
        """Greatest load: the lowest ceiling while in service, 0 otherwise. Shape (n,). [kA]."""
        lowest = np.min(np.stack(list(self.ceilings_ka.values())), axis=0)
        return np.where(self.in_service, lowest, 0.0)


@unit_kind("circuit")
@dataclass(frozen=True)
class Circuit(Unit):
    """Mercury or membrane cells on one rectifier group, for sodium or potassium chloride.

    Parameters
    ----------
    name : str
        Name of the circuit. [-]
    technology : str
        'mercury', 'membrane_finite_gap' or 'membrane_zero_gap'; gives voltage and efficiency where they
        are not stated. [-]
    salt : str
        'NaCl' or 'KCl'. [-]
    cells_in_series : int
        Cells or elements in series, 1 or more. [-]
    area_m2 : float
        Active area of one cell or element, above 0. [m2]
    density_min_ka_per_m2, density_max_ka_per_m2 : float
        Range of the current density in service. [kA/m2]
    rectifier : Rectifier
        Rectifier group. [-]
    alkali : str
        Commodity the alkali goes to. [-]
    electrolysers_in_parallel : int
        Electrolysers that share the current, 1 or more; equally, but for `parallel_spread_mv`. [-]
    voltage : CellVoltage, optional
        Cell voltage of this circuit; the technology's default (from memory) if not stated. [-]
    efficiency : CurrentEfficiency, optional
        Current efficiency; the technology's default (from memory) if not stated. [-]
    busbar : Busbar
        Busbars between rectifier and cells. [-]
    chlorine : str
        Commodity the chlorine goes to. [-]
    brine : str, optional
        Commodity of the salt the circuit consumes, from its own brine circuit. [-]
    hydrogen : str
        Commodity the hydrogen goes to. [-]
    auxiliary_fixed_mw : float
        Auxiliary power while in service, 0 or more. [MW]
    auxiliary_kwh_per_t : float
        Auxiliary energy per tonne of chlorine, 0 or more. [kWh/t]
    ramp_ka_per_min : float, optional
        Rate of a load change; no limit if not stated. Before an outage the load is run down, and after it up,
        evenly in the time that the greatest load needs at this rate (see `models.run_down`). [kA/min]
    ramp_minutes : float
        Time over which the change is limited: within any such time the load moves by at most the rate
        times this time, whatever the length of the intervals. [min]
    step_ka : float, optional
        Operable step of the load, a fine step or a tap; any load if not stated. The load before a plan counts
        as standing on the nearest step. [kA]
    tap_positions_ka : tuple of float
        Loads that a tap changer can hold, ascending, in place of `step_ka`; any load if empty. [kA]
    tap_range_ka : float
        How far fine regulation moves the load from a tap position, 0 or more. [kA]
    tap_changes_per_day : int, optional
        Greatest number of changes of tap on a local day; no limit if not stated. [-]
    changes_per_shift, changes_per_day : int, optional
        Greatest number of load changes in a shift and on a local day; no limit if not stated. What the
        calendar asks for does not count: run-down, run-up, switched cells or electrolysers. [-]
    dwell_minutes : float
        Least time between two changes, 0 or more. [min]
    change_grid_minutes : int
        Changes start at whole multiples of this on the local clock, where changes are limited. [min]
    jumpering : bool
        Whether single cells can be bypassed while the others run, as mercury and monopolar cells can. An
        element of a bipolar electrolyser cannot: the electrolyser is out. [-]
    low_density_ka_per_m2 : float, optional
        Density below which the circuit must not stay; about 1.5 for membranes (value from memory). No
        limit if not stated. [kA/m2]
    low_density_hours : float
        How long: in any so many hours the mean density is at least that, above 0. [h]
    parallel_spread_mv : float
        How much less a cell of the newest electrolyser needs than one of the oldest at the same density, 0
        or more. On one rectifier they have one voltage, so the newest draws more: at worst its density is
        (m - 1) / m * spread / k above the mean of m electrolysers, and the oldest's as much below. The
        density range holds for both. Power and products are those of the mean, because U is linear. [mV]
    hydrogen_in_chlorine_percent : float, optional
        Hydrogen in the chlorine at the greatest density; 0.1 to 0.3 for mercury cells (value from memory). A
        liquefier on the same gas then limits what all circuits give together. Not stated: none is
        accounted for. Above 0. [vol% of the chlorine]
    hydrogen_steady_share : float
        Share of that hydrogen that does not fall with the load, so that its fraction rises as the load falls;
        0 to 1. 1 (on the safe side): the fraction goes as one over the load. [-]
    hydrogen_in_chlorine_max_percent : float, optional
        Greatest hydrogen in this circuit's chlorine, a limit on its least load; plants act near 0.5 (value
        from memory). Above the former. [vol% of the chlorine]
    chloride_in_alkali_ppm : float, optional
        Chloride in the alkali at the greatest density, as NaCl in dry alkali; it goes as one over the
        density. A `quality_limit` on the alkali limits what all circuits give together. Above 0. [ppm]
    thermal : ThermalLag, optional
        How the room's temperature follows the load. It is simulated, and plans keep what a cold room bears,
        while flows and the power curve stay those of the steady voltage; not simulated unless given. [-]
    """

    name: str
    technology: str
    salt: Literal["NaCl", "KCl"]
    cells_in_series: int
    area_m2: float
    density_min_ka_per_m2: float
    density_max_ka_per_m2: float
    rectifier: Rectifier
    alkali: str
    electrolysers_in_parallel: int = 1
    voltage: CellVoltage | None = None
    efficiency: CurrentEfficiency | None = None
    busbar: Busbar = field(default_factory=Busbar)
    chlorine: str = "chlorine_wet"
    brine: str | None = None
    hydrogen: str = "hydrogen"
    auxiliary_fixed_mw: float = 0.0
    auxiliary_kwh_per_t: float = 0.0
    ramp_ka_per_min: float | None = None
    ramp_minutes: float = 15.0
    step_ka: float | None = None
    tap_positions_ka: tuple[float, ...] = ()
    tap_range_ka: float = 0.0
    tap_changes_per_day: int | None = None
    changes_per_shift: int | None = None
    changes_per_day: int | None = None
    dwell_minutes: float = 0.0
    change_grid_minutes: int = 60
    jumpering: bool = False
    low_density_ka_per_m2: float | None = None
    low_density_hours: float = 6.0
    parallel_spread_mv: float = 0.0
    hydrogen_in_chlorine_percent: float | None = None
    hydrogen_steady_share: float = 1.0
    hydrogen_in_chlorine_max_percent: float | None = None
    chloride_in_alkali_ppm: float | None = None
    thermal: ThermalLag | None = None

    availabilities = ("in_service", "electrolysers", "cells", "rectifier_units", "load_max_ka")

    def __post_init__(self) -> None:
        check(
            self,
            technology=one_of(*DEFAULTS),
            salt=one_of("NaCl", "KCl"),
            cells_in_series=at_least(1),
            electrolysers_in_parallel=at_least(1),
            area_m2=above(0, "m2"),
            density_min_ka_per_m2=above(0, "kA/m2"),
            density_max_ka_per_m2=above(0, "kA/m2"),
            auxiliary_fixed_mw=at_least(0, "MW"),
            auxiliary_kwh_per_t=at_least(0, "kWh/t"),
            ramp_ka_per_min=above(0, "kA/min"),
            ramp_minutes=above(0, "min"),
            step_ka=above(0, "kA"),
            tap_range_ka=at_least(0, "kA"),
            tap_changes_per_day=at_least(0),
            changes_per_shift=at_least(0),
            changes_per_day=at_least(0),
            dwell_minutes=at_least(0, "min"),
            change_grid_minutes=one_of(5, 15, 30, 60),
            low_density_ka_per_m2=above(0, "kA/m2"),
            low_density_hours=above(0, "h"),
            parallel_spread_mv=at_least(0, "mV"),
            hydrogen_in_chlorine_percent=above(0, "vol%"),
            hydrogen_steady_share=between(0, 1),
            hydrogen_in_chlorine_max_percent=above(0, "vol%"),
            chloride_in_alkali_ppm=above(0, "ppm"),
        )
        in_order(self, "density_min_ka_per_m2", "density_max_ka_per_m2", "kA/m2")
        self._check_taps()
        self._check_quality()
        if not self.cell_voltage.convex_power(self.density_min_ka_per_m2, self.density_max_ka_per_m2):
            raise InvalidValues(
                [
                    (
                        "voltage",
                        "'voltage' makes the power a non-convex function of the load between "
                        f"{self.density_min_ka_per_m2:g} and {self.density_max_ka_per_m2:g} [kA/m2] "
                        f"(k {self.cell_voltage.k_effective:g}, log term {self.cell_voltage.log_v:g}): "
                        "fit again with k at least 0, or narrow the density range",
                    )
                ]
            )

    def _check_taps(self) -> None:
        taps = self.tap_positions_ka
        problems = []
        if taps and self.step_ka is not None:
            problems.append(("tap_positions_ka", "give 'step_ka' or 'tap_positions_ka', not both"))
        if list(taps) != sorted(set(taps)) or any(tap <= 0 for tap in taps):
            problems.append(
                ("tap_positions_ka", f"'tap_positions_ka' must ascend and be above 0 [kA] (got {list(taps)})")
            )
        if not taps and (self.tap_range_ka > 0 or self.tap_changes_per_day is not None):
            problems.append(
                ("tap_positions_ka", "'tap_range_ka' and 'tap_changes_per_day' need 'tap_positions_ka'")
            )
        if problems:
            raise InvalidValues(problems)

    def _check_quality(self) -> None:
        problems = []
        stated, most = self.hydrogen_in_chlorine_percent, self.hydrogen_in_chlorine_max_percent
        if most is not None and (stated is None or stated >= most):
            problems.append(
                (
                    "hydrogen_in_chlorine_max_percent",
                    "'hydrogen_in_chlorine_max_percent' must be above 'hydrogen_in_chlorine_percent' [vol%] "
                    f"(got {most:g} with {stated if stated is not None else 'none stated'}): state both",
                )
            )
        if self.parallel_spread_mv > 0 and self.cell_voltage.k_effective <= 0:
            problems.append(
                (
                    "parallel_spread_mv",
                    "'parallel_spread_mv' needs a voltage that rises with the density, k above 0 "
                    f"(got k {self.cell_voltage.k_effective:g})",
                )
            )
        if problems:
            raise InvalidValues(problems)

    @property
    def impurities(self) -> dict[tuple[str, str], Impurity]:
        """What the products carry, by substance and product. [-]."""
        found = {}
        if self.hydrogen_in_chlorine_percent is not None:
            found[HYDROGEN, self.chlorine] = Impurity(
                self.hydrogen_in_chlorine_percent, self.hydrogen_steady_share
            )
        if self.chloride_in_alkali_ppm is not None:
            found[CHLORIDE, self.alkali] = Impurity(self.chloride_in_alkali_ppm)
        return found

    @property
    def cell_voltage(self) -> CellVoltage:
        """Voltage model in use. [-]."""
        return self.voltage or DEFAULTS[self.technology].voltage

    @property
    def current_efficiency(self) -> CurrentEfficiency:
        """Efficiency model in use. [-]."""
        return self.efficiency or DEFAULTS[self.technology].efficiency

    def without_steps(self) -> Circuit:
        """Return the circuit with a load that may take any value and change at any hour, at its ramp.

        Returns
        -------
        Circuit
            The same without steps, tap positions, counted changes and rests; quiet times are the site's. [-]
        """
        return replace(
            self,
            step_ka=None,
            changes_per_shift=None,
            changes_per_day=None,
            dwell_minutes=0.0,
            tap_positions_ka=(),
            tap_range_ka=0.0,
            tap_changes_per_day=None,
        )

    def state(self, horizon: Horizon, situation: Situation) -> CircuitState:
        """Return what is in service on each interval, and the load range that follows.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Availability. [-]

        Returns
        -------
        CircuitState
            The state. [-]

        Raises
        ------
        ValueError
            If on an interval in service the least load is above a ceiling; the circuit must then be
            declared out of service.
        """

        def available(what: str, normal: float) -> Array:
            return situation.available(self.name, what, normal, horizon)

        if not self.jumpering and any(
            fact.unit == self.name and fact.what == "cells" for fact in situation.availability
        ):
            raise ValueError(
                f"{self.name}: single elements of a bipolar electrolyser cannot be bypassed: declare the "
                "electrolyser out ('electrolysers'), or set 'jumpering' where cells can be jumpered"
            )
        electrolysers = available("electrolysers", self.electrolysers_in_parallel)
        cells = available("cells", self.cells_in_series)
        units = available("rectifier_units", self.rectifier.units)
        running = (available("in_service", 1) > 0) & (electrolysers > 0) & (cells > 0) & (units > 0)
        area = self.area_m2 * electrolysers
        unlike = self._unlike_density(electrolysers)
        load_min = np.maximum(self.density_min_ka_per_m2 + unlike, self._least_clean_density()) * area
        ceilings = {
            "current density": (self.density_max_ka_per_m2 - unlike) * area,
            "rectifier current": units * self.rectifier.unit_load_max_ka,
            "rectifier DC voltage": self._load_at_dc_limit(cells, area, running),
            "availability": available("load_max_ka", np.inf),
        }
        state = CircuitState(running, cells, electrolysers, units, np.where(running, load_min, 0.0), ceilings)
        state = replace(state, travel=self.movement(horizon, situation, state).travel())
        low = np.flatnonzero(running & (state.load_max_ka < state.load_min_ka - 1e-9))
        if low.size:
            at = int(low[0])
            cause = min(ceilings, key=lambda name: float(ceilings[name][at]))
            raise ValueError(
                f"{self.name}: at {horizon.local_starts[at].isoformat(timespec='minutes')} the {cause} "
                f"allows {state.load_max_ka[at]:.1f} kA, below the least load "
                f"{state.load_min_ka[at]:.1f} kA: declare the circuit out of service or change the limit"
            )
        return state

    def movement(self, horizon: Horizon, situation: Situation, state: CircuitState) -> LoadMovement:
        """Return how the load is moved over a horizon.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Availability, locks, the load before and past loads. [-]
        state : CircuitState
            What is in service. [-]

        Returns
        -------
        LoadMovement
            Its rules and records. [-]
        """
        return LoadMovement(self, horizon, situation, state)

    def _unlike_density(self, electrolysers: Array) -> Array:
        """Return how far the newest electrolyser lies above the mean at the worst. [kA/m2]."""
        if not self.parallel_spread_mv:
            return np.zeros(len(electrolysers))
        others = np.maximum(electrolysers - 1.0, 0.0) / np.maximum(electrolysers, 1.0)
        unlike: Array = others * self.parallel_spread_mv / 1000.0 / self.cell_voltage.k_effective
        return unlike

    def _least_clean_density(self) -> float:
        """Return the mean density below which the chlorine holds too much hydrogen. [kA/m2]."""
        most = self.hydrogen_in_chlorine_max_percent
        if most is None:
            return 0.0
        efficiency = self.current_efficiency
        share = self.impurities[HYDROGEN, self.chlorine].least_share(most)
        leakage = efficiency.leakage_ka_per_m2
        made = efficiency.ce0 * self.density_max_ka_per_m2 - leakage
        return (share * made + leakage) / efficiency.ce0

    def _at_greatest_density(self, state: CircuitState) -> tuple[Array, Array]:
        """Return chlorine and alkali at the greatest density with what is in service. [t/h]."""
        slope, constant = self._chlorine(state)
        load = self.density_max_ka_per_m2 * self.area_m2 * state.electrolysers
        chlorine = slope * load + constant
        return chlorine, chlorine * mass_ratio(alkali_of(self.salt))

    def _contents(self, state: CircuitState) -> tuple[Content, ...]:
        """Return what the products carry, affine in the load as they are."""
        slope, constant = self._chlorine(state)
        greatest = dict(zip((self.chlorine, self.alkali), self._at_greatest_density(state), strict=True))
        ratio = {self.chlorine: 1.0, self.alkali: mass_ratio(alkali_of(self.salt))}
        zero = np.zeros(len(slope))
        return tuple(
            Content(
                substance,
                product,
                self.key("load"),
                impurity.carried(ratio[product] * slope, zero),
                impurity.carried(ratio[product] * constant, greatest[product]),
            )
            for (substance, product), impurity in self.impurities.items()
        )

    def _load_at_dc_limit(self, cells: Array, area: Array, running: Mask) -> Array:
        result = np.full(len(cells), np.inf)
        for n, m2 in {(float(n), float(a)) for n, a, on in zip(cells, area, running, strict=True) if on}:
            # The busbar's drop is linear in the load, so it acts like a larger k of the n cells.
            bus = self.busbar.drop_v(1.0) * m2 / n
            whole = replace(self.cell_voltage, k_v_m2_per_ka=self.cell_voltage.k_v_m2_per_ka + bus)
            limit = self._density_at_dc_limit(whole, n) * m2
            result[(cells == n) & (area == m2)] = limit
        return result

    def _density_at_dc_limit(self, voltage: CellVoltage, cells: float) -> float:
        per_cell = self.rectifier.planned_dc_voltage_max_v / cells
        if per_cell <= voltage.voltage(self.density_min_ka_per_m2):
            raise ValueError(
                f"{self.name}: 'rectifier.dc_voltage_max_v' {self.rectifier.dc_voltage_max_v:g} [V], "
                f"less its margin, is not above what {cells:g} cells need at the least density, "
                f"{cells * voltage.voltage(self.density_min_ka_per_m2):.1f} V: check both"
            )
        if voltage.voltage(self.density_max_ka_per_m2) <= per_cell:
            return float("inf")
        return voltage.density_at(per_cell)

    def _chlorine(self, state: CircuitState) -> tuple[Array, Array]:
        """Slope and constant of chlorine t/h in the load: n c (CE0 I - jL A m), in service only.

        Around outages I is the set load times its mean share.
        """
        per_kah = state.cells * kg_per_kah("Cl2") / 1000.0
        leak = self.current_efficiency.leakage_ka_per_m2 * self.area_m2 * state.electrolysers
        on = state.in_service
        slope = per_kah * self.current_efficiency.ce0 * state.mean_share
        # Where hardly any current flows, on the way to standstill, nothing is made; it is never used up.
        leaked = np.minimum(per_kah * leak, slope * state.load_min_ka)
        return np.where(on, slope, 0.0), np.where(on, -leaked, 0.0)

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return load, AC power curve, products, auxiliaries and ramps (see `Unit.declare`)."""
        state = self.state(horizon, situation)
        load, power = self.key("load"), self.key("power")
        low, high = self._range(horizon, situation, state)
        state = self._producing(horizon, situation, state)
        movement = self.movement(horizon, situation, state)
        slope, constant = self._chlorine(state)
        alkali = mass_ratio(alkali_of(self.salt))
        hydrogen = np.where(
            state.in_service,
            state.cells * kg_per_kah("H2") * self.current_efficiency.hydrogen * state.mean_share,
            0.0,
        )
        per_t = self.auxiliary_kwh_per_t / 1000.0
        fixed = np.where(state.in_service, self.auxiliary_fixed_mw, 0.0)
        flows = [
            Flow(self.chlorine, load, slope, constant),
            Flow(self.alkali, load, alkali * slope, alkali * constant),
            Flow(self.hydrogen, load, hydrogen),
            Flow("power", power, -1.0),
            Flow("power", load, -per_t * slope, -per_t * constant - fixed),
        ]
        if self.brine is not None:
            salt = mass_ratio(self.salt)
            flows.append(Flow(self.brine, load, -salt * slope, -salt * constant))
        if self.rectifier.no_load_voltage_v is not None:
            # Concave in the load, so the plan holds a line above it; the audit takes the curve.
            up, at_zero = line_above(
                lambda x, t: self._reactive(x, t, state), low, high, np.arange(len(horizon))
            )
            flows.append(Flow(REACTIVE, load, -up, -at_zero))
        variable = Variable(
            load,
            "kA",
            low,
            high,
            intervals=np.arange(len(horizon)),
            meaning=f"load of {self.name}",
        )
        curve = Curve(
            power,
            "MW",
            load,
            lambda x, t: self._ac_power(x, t, state),
            lambda x, t: self._ac_slope(x, t, state),
            meaning=f"AC power of {self.name}'s rectifiers",
        )
        return Declaration(
            variables=(variable,),
            curves=(curve,),
            flows=tuple(flows),
            rows=(
                *movement.ramps(),
                *movement.quiet(),
                *movement.not_raised_on_its_way(),
                *self._not_low_for_long(horizon, state),
            ),
            moves=(movement.moves(),),
            ramps=movement.ramp_records(self._greatest_slope(state), low, high),
            contents=self._contents(state),
        )

    def _range(self, horizon: Horizon, situation: Situation, state: CircuitState) -> tuple[Array, Array]:
        """Return the range of the load; a locked load is what it is, and the audit says what it breaks."""
        low, high = state.load_min_ka, self.planned_max_ka(horizon, situation, state)
        lock = situation.locks.get(self.name)
        if lock is None:
            return low, high
        given, values = lock.where_given(horizon)
        return np.where(given, values, low), np.where(given, values, high)

    def load_before_ka(self, situation: Situation) -> float | None:
        """Return the load just before the horizon, on the step that people have set.

        A reading is never quite on its step. What stands nearest to it counts as set, so that no plan asks
        for a move of less than a step to get there. Rates of change hold from the reading itself.

        Parameters
        ----------
        situation : Situation
            Loads before. [-]

        Returns
        -------
        float or None
            The load on its step or in reach of its tap position; the load as it is where the circuit has
            none; None if it is not known. [kA]
        """
        load = situation.loads_before.get(self.name)
        if load is None or load <= 0:
            return load
        return self._grid().nearest(load) or load

    def _grid(self) -> Moves:
        """Return the values that can be set, as a record without limits."""
        return Moves(
            self.key("moves"),
            self.key("load"),
            np.zeros(0, dtype=bool),
            self.step_ka,
            positions=self.tap_positions_ka,
            position_range=self.tap_range_ka,
        )

    def planned_max_ka(self, horizon: Horizon, situation: Situation, state: CircuitState) -> Array:
        """Return the greatest load that a plan may set: what equipment carries, now and when limits fall.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Availability, and the load before. [-]
        state : CircuitState
            What is in service. [-]

        Returns
        -------
        ndarray
            Greatest load; before a lower limit so low that the load is under it when it starts.
            Shape (n,). [kA]
        """
        return np.minimum(state.load_max_ka, self.movement(horizon, situation, state).before_a_lower_limit())

    def _producing(self, horizon: Horizon, situation: Situation, state: CircuitState) -> CircuitState:
        """Return the state with circuits standing where they are given no load although in service."""
        lock = situation.locks.get(self.name)
        if lock is None:
            return state
        given, values = lock.where_given(horizon)
        return replace(state, in_service=state.in_service & ~(given & (values <= 0)))

    def _ac_power(self, load: Array, t: Integers, state: CircuitState) -> Array:
        """Return the mean AC power of intervals, by the shares of the load that flow in them."""
        return self._over_shares(lambda x: self._steady_ac_power(x, t, state), load, t, state)

    def _ac_slope(self, load: Array, t: Integers, state: CircuitState) -> Array:
        """Return the slope of the mean AC power in the set load."""
        return self._over_shares(lambda x: self._steady_ac_slope(x, t, state), load, t, state, slope=True)

    @staticmethod
    def _over_shares(
        function: Callable[[Array], Array], load: Array, t: Integers, state: CircuitState, slope: bool = False
    ) -> Array:
        """Return the mean of a function of the load over the shares that flow, its slope in the set load."""
        steady = function(load)
        ways = state.travel
        if not ways.intervals.size:
            return steady
        row = np.full(len(state.in_service), -1)
        row[ways.intervals] = np.arange(len(ways.intervals))
        row = row[t]
        mean = np.zeros_like(steady)
        for j in range(ways.shares.shape[1]):
            share, weight = np.where(row < 0, 1.0, ways.shares[row, j]), ways.weights[row, j]
            mean = mean + weight * function(share * load) * (share if slope else 1.0)
        return np.where(row < 0, steady, mean)

    def _dc_power(self, load: Array, state: CircuitState) -> Array:
        """Return the DC power at the cells on every interval of the horizon."""
        area = self.area_m2 * np.maximum(state.electrolysers, 1)
        density = np.where(state.in_service & (load > 0), load / area, 1.0)
        power: Array = state.cells * self.cell_voltage.voltage(density) * load / 1000.0
        return power

    def _steady_ac_power(self, load: Array, t: Integers, state: CircuitState) -> Array:
        on = state.in_service[t]
        density = np.where(on, load / (self.area_m2 * np.maximum(state.electrolysers[t], 1)), 1.0)
        dc = state.cells[t] * self.cell_voltage.voltage(density) * load / 1000.0
        losses = self.busbar.loss_mw(load) + self.rectifier.loss_mw(load)
        return np.where(on, dc + losses, 0.0)

    def _reactive(self, load: Array, t: Integers, state: CircuitState) -> Array:
        on = state.in_service[t]
        density = np.where(on, load / (self.area_m2 * np.maximum(state.electrolysers[t], 1)), 1.0)
        volts = state.cells[t] * self.cell_voltage.voltage(density) + self.busbar.drop_v(load)
        rectifier = self.rectifier
        no_load = rectifier.no_load_voltage_v or np.inf
        return np.where(on, rectifier_mvar(load, volts, no_load, rectifier.distortion), 0.0)

    def _steady_ac_slope(self, load: Array, t: Integers, state: CircuitState) -> Array:
        on = state.in_service[t]
        density = np.where(on, load / (self.area_m2 * np.maximum(state.electrolysers[t], 1)), 1.0)
        volts = self.cell_voltage.voltage(density) + density * self.cell_voltage.slope(density)
        bus = 2.0 * self.busbar.loss_mw(1.0) * load
        slope = state.cells[t] * volts / 1000.0 + bus + self.rectifier.loss_slope_mw_per_ka(load)
        return np.where(on, slope, 0.0)

    def _not_low_for_long(self, horizon: Horizon, state: CircuitState) -> tuple[Rows, ...]:
        """Return the rule that the mean density over some hours is not low, while in service."""
        if self.low_density_ka_per_m2 is None:
            return ()
        ends = np.cumsum(horizon.hours)
        starts = ends - horizon.hours
        last = np.searchsorted(ends, starts + self.low_density_hours - 1e-9)
        windows = [
            np.arange(t, end + 1)
            for t, end in enumerate(last.tolist())
            if end < len(horizon) and state.in_service[t : end + 1].all()
        ]
        if not windows:
            return ()
        position = np.concatenate(windows)
        row = np.repeat(np.arange(len(windows)), [len(window) for window in windows])
        least = self.low_density_ka_per_m2 * self.area_m2 * state.electrolysers * horizon.hours
        low = np.bincount(row, weights=least[position]).astype(np.float64)
        return (
            Rows(
                self.key("not_low_for_long"),
                "kA h",
                (Entry(self.key("load"), row, position, horizon.hours[position]),),
                low,
                np.full(len(windows), np.inf),
                intervals=np.array([window[-1] for window in windows]),
                meaning=f"mean density of {self.name} over {self.low_density_hours:g} h",
            ),
        )

    def _greatest_slope(self, state: CircuitState) -> Array:
        """Return the power per unit of load at its greatest. Shape (n,). [MW/kA]."""
        highest = np.where(state.in_service, state.ceilings_ka["current density"], 0.0)
        slope = self._steady_ac_slope(highest, np.arange(len(highest)), state)
        return slope + self.auxiliary_kwh_per_t / 1000.0 * self._chlorine(state)[0]

    def _ramp_energy(self, horizon: Horizon, situation: Situation, state: CircuitState, load: Array) -> Array:
        """Return what ramps draw beyond the loads they arrive at, by the power curve itself. [MWh].

        The load travels at its rate; the power along it is integrated by five Gauss points, exact to the
        ninth power of the load.
        """
        if self.ramp_ka_per_min is None:
            return np.zeros(load.shape)
        everywhere = np.arange(len(horizon))
        movement = self.movement(horizon, situation, state)
        before = movement.set_before_ka()
        first = load[..., :1] if before is None else np.full(load[..., :1].shape, before)
        earlier = np.concatenate([first, load[..., :-1]], axis=-1)
        earlier = np.where(movement.ramped() & (load > 0) & (earlier > 0), earlier, load)
        slope, constant = self._chlorine(state)
        per_t = self.auxiliary_kwh_per_t / 1000.0

        def power(at: Array) -> Array:
            return self._steady_ac_power(at, everywhere, state) + per_t * (slope * at + constant)

        nodes, weights = np.polynomial.legendre.leggauss(5)
        mean = sum(
            0.5 * w * power(load + 0.5 * (1.0 + x) * (earlier - load))
            for x, w in zip(nodes.tolist(), weights.tolist(), strict=True)
        )
        hours = np.abs(earlier - load) / self.ramp_ka_per_min / 60.0
        energy: Array = (mean - power(load)) * hours
        return energy

    def simulate(self, horizon: Horizon, situation: Situation, setpoints: Mapping[str, Array]) -> Simulation:
        """Return products, power and readings at given loads, cell by cell (see `Unit.simulate`)."""
        state = self.state(horizon, situation)
        load = setpoints[self.key("load")]
        in_service = state.in_service
        # A circuit that is given no load stands: no power, no product; the density limit names it.
        on = in_service & (load > 0)
        per_electrolyser = np.divide(load, state.electrolysers, out=np.zeros_like(load), where=on)
        density = np.where(on, per_electrolyser / self.area_m2, 1.0)
        efficiency = np.where(on, self.current_efficiency.efficiency(density), 0.0)
        cell_v = np.where(on, self.cell_voltage.voltage(density), 0.0)
        dc_v = np.where(on, state.cells * cell_v + self.busbar.drop_v(load), 0.0)
        dc_mw = state.cells * cell_v * load / 1000.0
        ac_mw = np.where(on, dc_v * load / 1000.0 + self.rectifier.loss_mw(load), 0.0)
        elements = state.cells * state.electrolysers
        chlorine = elements * per_electrolyser * efficiency * kg_per_kah("Cl2") / 1000.0
        alkali = elements * per_electrolyser * efficiency * kg_per_kah(alkali_of(self.salt)) / 1000.0
        hydrogen = elements * per_electrolyser * on * self.current_efficiency.hydrogen * kg_per_kah("H2")
        ways = state.travel
        if ways.intervals.size:
            # On its way to and from standstill a share of the set load flows.
            moving = np.zeros(len(horizon), dtype=bool)
            moving[ways.intervals] = True
            moving = moving & on
            slope, constant = self._chlorine(state)
            made = np.maximum(slope * load + constant, 0.0)
            chlorine = np.where(moving, made, chlorine)
            alkali = np.where(moving, made * mass_ratio(alkali_of(self.salt)), alkali)
            hydrogen = hydrogen * np.where(moving, state.mean_share, 1.0)
            everywhere = np.arange(len(horizon))
            ac_mw = np.where(moving, self._ac_power(load, everywhere, state), ac_mw)
            dc_mw = np.where(
                moving,
                self._over_shares(lambda x: self._dc_power(x, state), load, everywhere, state),
                dc_mw,
            )
        auxiliary = np.where(on, self.auxiliary_fixed_mw + self.auxiliary_kwh_per_t * chlorine / 1000.0, 0.0)
        flows = {
            self.chlorine: chlorine,
            self.alkali: alkali,
            self.hydrogen: hydrogen,
            "power": -(ac_mw + auxiliary),
        }
        if self.brine is not None:
            flows[self.brine] = -chlorine * mass_ratio(self.salt)
        if self.rectifier.no_load_voltage_v is not None:
            standing = replace(state, in_service=on)
            flows[REACTIVE] = -self._reactive(load, np.arange(len(load)), standing)
        unit_max = state.rectifier_units * self.rectifier.unit_load_max_ka
        unlike = np.where(on, self._unlike_density(state.electrolysers), 0.0)
        contents = self._carried(state, on, chlorine, alkali)
        limits: tuple[Limit, ...] = (
            Limit(
                f"current density of {self.name}",
                "kA/m2",
                np.where(on, density, 0.0),
                np.where(in_service, self.density_min_ka_per_m2 + unlike, 0.0),
                self.density_max_ka_per_m2 - unlike,
            ),
            Limit(f"DC voltage of {self.name}", "V", dc_v, 0.0, self.rectifier.dc_voltage_max_v),
            Limit(f"rectifier current of {self.name}", "kA", load, 0.0, unit_max),
            Limit(
                f"availability of {self.name}",
                "kA",
                load,
                0.0,
                np.where(in_service, state.ceilings_ka["availability"], 0.0),
            ),
            *self.movement(horizon, situation, state).limits(load),
        )
        readings = {
            "mean_load_ka": np.where(on, load * state.mean_share, 0.0),
            "current_density_ka_per_m2": np.where(on, density, 0.0),
            "cell_voltage_v": cell_v,
            "dc_voltage_v": dc_v,
            "current_efficiency": efficiency,
            "dc_power_mw": dc_mw,
            "ac_power_mw": ac_mw,
            "chlorine_t_per_h": chlorine,
            "alkali_t_per_h": alkali,
            "hydrogen_kg_per_h": hydrogen,
            "ramp_energy_mwh": self._ramp_energy(horizon, situation, state, load),
        }
        run = self.temperature(horizon, situation, load)
        if run is not None:
            readings["cell_temperature_c"] = run.mean_c
            readings["lag_voltage_v"] = np.where(on, run.mean_lag_v, 0.0)
            readings["lag_power_mw"] = state.cells * readings["lag_voltage_v"] * load / 1000.0
        if self.parallel_spread_mv:
            readings["density_newest_ka_per_m2"] = np.where(on, density + unlike, 0.0)
        for (substance, product), carried in contents.items():
            made = chlorine if product == self.chlorine else alkali
            held = np.divide(carried, made, out=np.zeros_like(carried), where=made > 0)
            readings[f"{substance}_{UNIT_WORDS[substance]}"] = held
            most = self.hydrogen_in_chlorine_max_percent
            if substance == HYDROGEN and most is not None:
                limits = (*limits, Limit(f"hydrogen in the chlorine of {self.name}", "%", held, 0.0, most))
        return Simulation(flows, limits, readings, contents)

    def _carried(
        self, state: CircuitState, on: Mask, chlorine: Array, alkali: Array
    ) -> dict[tuple[str, str], Array]:
        """Return what the products made carry, by the law of each impurity."""
        made = {self.chlorine: chlorine, self.alkali: alkali}
        greatest = dict(zip(made, self._at_greatest_density(state), strict=True))
        return {
            (substance, product): np.where(on, impurity.carried(made[product], greatest[product]), 0.0)
            for (substance, product), impurity in self.impurities.items()
        }

    def temperature(self, horizon: Horizon, situation: Situation, load_ka: Array) -> TemperatureRun | None:
        """Return how the room's temperature follows a load.

        The room starts steady at the load before the horizon, where that is known, otherwise at the
        first load.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            Availability, and the load before. [-]
        load_ka : ndarray
            Load on each interval. Shape (n,). [kA]

        Returns
        -------
        TemperatureRun or None
            Temperatures and lag voltages; None for a circuit without a thermal lag. [-]
        """
        if self.thermal is None:
            return None
        state = self.state(horizon, situation)
        area = self.area_m2 * np.maximum(state.electrolysers, 1.0)
        before = situation.loads_before.get(self.name)
        return self.thermal.run(
            np.where(state.in_service, load_ka / area, 0.0),
            horizon.hours,
            None if before is None else before / float(area[0]),
        )
