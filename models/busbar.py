"""Ohmic drop and loss of the busbars between rectifier and cells.

Owns the busbar only; joints and inter-cell connectors belong to the cell voltage.
"""

from dataclasses import dataclass

from models.checks import Number, at_least, check


@dataclass(frozen=True)
class Busbar:
    """Busbars of one circuit.

    Parameters
    ----------
    resistance_uohm : float
        Resistance of the whole run, out and back, 0 or more. [uohm]

    Raises
    ------
    InvalidValues
        When the resistance is negative.
    """

    resistance_uohm: float = 0.0

    def __post_init__(self) -> None:
        """Check the range."""
        check(self, resistance_uohm=at_least(0, "uohm"))

    def drop_v(self, load_ka: Number) -> Number:
        """Voltage drop.

        Parameters
        ----------
        load_ka : float or ndarray (n,)
            Current of the circuit. [kA]

        Returns
        -------
        float or ndarray (n,)
            Drop: uohm times kA is mV. [V]
        """
        return load_ka * (self.resistance_uohm / 1e3)

    def loss_mw(self, load_ka: Number) -> Number:
        """Power lost as heat.

        Parameters
        ----------
        load_ka : float or ndarray (n,)
            Current of the circuit. [kA]

        Returns
        -------
        float or ndarray (n,)
            Loss: uohm times kA squared is W. [MW]
        """
        return load_ka * load_ka * (self.resistance_uohm / 1e6)
