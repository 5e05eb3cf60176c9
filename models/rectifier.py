"""Transformer-rectifiers of one circuit: current and voltage limits and losses.

Owns the rectifier between the AC meter and the DC terminals. Busbars and cells are elsewhere.
"""

from dataclasses import dataclass

import numpy as np

from models.checks import Number, above, at_least, at_most, between, check, in_order


@dataclass(frozen=True)
class Rectifier:
    """Equal rectifier units in parallel feeding one circuit.

    Parameters
    ----------
    units : int
        Units installed, 1 or more. [-]
    unit_load_max_ka : float
        Highest current of one unit, above 0. [kA]
    dc_voltage_max_v : float
        Highest DC voltage, above 0. [V]
    fixed_loss_mw : float
        Loss of all units while energised, at any current, 0 or more (core loss, cooling). [MW]
    drop_v : float
        Voltage drop across the semiconductors, 0 or more. [V]
    resistance_uohm : float
        Resistance of windings and bars as seen by the current of the circuit, 0 or more. [uohm]
    no_load_voltage_v : float, optional
        Ideal no-load DC voltage of thyristor rectifiers, not below the highest DC voltage. Their reactive
        power follows from it (`models.reactive.rectifier_mvar`); it is not counted unless given. Where taps
        hold the firing angle small, give the voltage of the usual tap. [V]
    distortion : float
        Power factor over the DC voltage's share of the no-load voltage, above 0, at most 1; the default is
        a value from memory. [-]
    margin_percent : float
        Part of the highest DC voltage that plans leave free, because cells differ from their model by
        1 to 2 percent; 0 to 100. [%]

    Raises
    ------
    InvalidValues
        When a value is outside its range.

    Notes
    -----
    P_loss = P_0 + U_d I + R I^2 with I the current of the circuit. It is the usual split into core,
    semiconductor and winding loss; the numbers are a plant's own: common practice, no source.
    """

    units: int
    unit_load_max_ka: float
    dc_voltage_max_v: float
    fixed_loss_mw: float = 0.0
    drop_v: float = 1.0
    resistance_uohm: float = 0.0
    no_load_voltage_v: float | None = None
    distortion: float = 0.95
    margin_percent: float = 0.0

    def __post_init__(self) -> None:
        """Check the ranges."""
        check(
            self,
            units=at_least(1),
            unit_load_max_ka=above(0, "kA"),
            dc_voltage_max_v=above(0, "V"),
            fixed_loss_mw=at_least(0, "MW"),
            drop_v=at_least(0, "V"),
            resistance_uohm=at_least(0, "uohm"),
            margin_percent=between(0, 100, "%"),
            no_load_voltage_v=above(0, "V"),
            distortion=(above(0), at_most(1)),
        )
        if self.no_load_voltage_v is not None:
            in_order(self, "dc_voltage_max_v", "no_load_voltage_v", "V")

    @property
    def planned_dc_voltage_max_v(self) -> float:
        """Highest DC voltage of a plan: the limit less the margin. [V]."""
        return self.dc_voltage_max_v * (1.0 - self.margin_percent / 100.0)

    @classmethod
    def from_nominal(
        cls,
        units: int,
        unit_load_max_ka: float,
        dc_voltage_max_v: float,
        *,
        dc_mw_nominal: float,
        load_nominal_ka: float,
        efficiency_nominal: float = 0.975,
        fixed_loss_share: float = 0.004,
        drop_v: float = 1.0,
    ) -> "Rectifier":
        """Build a rectifier from its efficiency at the nominal point.

        Parameters
        ----------
        units, unit_load_max_ka, dc_voltage_max_v, drop_v : int or float
            As for the class.
        dc_mw_nominal : float
            DC power at the nominal point, above 0. [MW]
        load_nominal_ka : float
            Current at the nominal point, above 0. [kA]
        efficiency_nominal : float
            DC power over AC power at the nominal point, above 0, at most 1. The default lies in the middle of
            96.5 to 98.5 percent, value from memory. [-]
        fixed_loss_share : float
            Fixed loss over nominal DC power, 0 or more. The default is a choice of this project. [-]

        Returns
        -------
        Rectifier
            Rectifier whose resistance makes up the rest of the nominal loss.

        Raises
        ------
        ValueError
            When a nominal value is out of range or fixed loss and drop already exceed the nominal loss.
        """
        if not (dc_mw_nominal > 0.0 and load_nominal_ka > 0.0 and 0.0 < efficiency_nominal <= 1.0):
            raise ValueError(
                "'dc_mw_nominal' and 'load_nominal_ka' must be above 0 and 'efficiency_nominal' above 0 "
                f"and at most 1 (got {dc_mw_nominal:g} MW, {load_nominal_ka:g} kA and {efficiency_nominal:g})"
            )
        loss_mw = dc_mw_nominal * (1.0 / efficiency_nominal - 1.0)
        fixed_mw = fixed_loss_share * dc_mw_nominal
        ohmic_mw = loss_mw - fixed_mw - drop_v * load_nominal_ka / 1e3
        if ohmic_mw < 0.0:
            raise ValueError(
                f"'efficiency_nominal' {efficiency_nominal:g} allows a loss of {loss_mw:.4g} [MW], but "
                f"fixed loss and drop already take {loss_mw - ohmic_mw:.4g} [MW]: "
                "lower 'fixed_loss_share' or 'drop_v'"
            )
        return cls(
            units=units,
            unit_load_max_ka=unit_load_max_ka,
            dc_voltage_max_v=dc_voltage_max_v,
            fixed_loss_mw=fixed_mw,
            drop_v=drop_v,
            resistance_uohm=ohmic_mw * 1e6 / load_nominal_ka**2,
        )

    def load_max_ka(self, units_in_service: int) -> float:
        """Highest current of the circuit with some units in service.

        Parameters
        ----------
        units_in_service : int
            Units in service, 0 to the number installed. [-]

        Returns
        -------
        float
            Highest current. [kA]

        Raises
        ------
        ValueError
            When the number is outside its range.
        """
        if not 0 <= units_in_service <= self.units:
            raise ValueError(
                f"'units_in_service' must be between 0 and {self.units}, the units installed "
                f"(got {units_in_service})"
            )
        return units_in_service * self.unit_load_max_ka

    def loss_mw(self, load_ka: Number) -> Number:
        """Loss while energised.

        Parameters
        ----------
        load_ka : float or ndarray (n,)
            Current of the circuit, 0 or more. [kA]

        Returns
        -------
        float or ndarray (n,)
            Loss; at zero current the fixed loss remains. [MW]
        """
        # V kA is kW; uohm kA2 is W.
        ohmic = load_ka * load_ka * (self.resistance_uohm / 1e6)
        return self.fixed_loss_mw + load_ka * (self.drop_v / 1e3) + ohmic

    def loss_slope_mw_per_ka(self, load_ka: Number) -> Number:
        """Change of the loss with the current.

        Parameters
        ----------
        load_ka : float or ndarray (n,)
            Current of the circuit, 0 or more. [kA]

        Returns
        -------
        float or ndarray (n,)
            Slope of `loss_mw`. [MW/kA]
        """
        return self.drop_v / 1e3 + load_ka * (2.0 * self.resistance_uohm / 1e6)

    def efficiency(self, dc_mw: Number, load_ka: Number) -> Number:
        """DC power over AC power.

        Parameters
        ----------
        dc_mw : float or ndarray (n,)
            Power at the DC terminals, 0 or more. [MW]
        load_ka : float or ndarray (n,)
            Current of the circuit at that power. [kA]

        Returns
        -------
        float or ndarray (n,)
            Efficiency; not defined without DC power and loss. [-]

        Raises
        ------
        ValueError
            When DC power and loss are both zero.
        """
        ac_mw = dc_mw + self.loss_mw(load_ka)
        if not np.all(np.asarray(ac_mw) > 0.0):
            raise ValueError("'dc_mw' must be above 0 [MW] where the rectifier has no loss (got 0)")
        return dc_mw / ac_mw
