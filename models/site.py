"""The site: units, contract and the commodities between them.

Owns the composition and the checks that need more than one unit (names, commodities that nobody
makes or takes). Knows nothing of files.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues
from models.commodity import STANDARD, Commodity
from models.contract.component import Contract
from models.horizon import Horizon
from models.pieces import Declaration
from models.situation import Situation
from models.tank_header import problems_of
from models.unit import Unit


@dataclass(frozen=True)
class Contact:
    """Whom to ask about a plan: a role, never a person by name in what comes with the project.

    Parameters
    ----------
    role : str
        For example 'shift supervisor'; not empty. [-]
    how : str
        How to reach the role, for example 'telephone 100'; empty for a line to write on. [-]

    Raises
    ------
    InvalidValues
        If the role is empty.
    """

    role: str
    how: str = ""

    def __post_init__(self) -> None:
        if not self.role.strip():
            raise InvalidValues([("role", f"'role' must not be empty (got {self.role!r})")])


@dataclass(frozen=True)
class Site:
    """A works: its units, the meter, the supply contract.

    Parameters
    ----------
    name : str
        Name for people. [-]
    timezone : str
        IANA name of the time zone of its days. [-]
    contract : Contract
        Electricity supply. [-]
    units : tuple of Unit
        Units, customers and orders; names are unique. [-]
    meter : str
        Key of the metered import: `{unit}_import` of the site's meter. [-]
    products : tuple of Commodity
        Commodities beyond the usual ones. [-]
    notes : tuple of str
        Sentences that must stand on every output (invented data, legal end dates). [-]
    contacts : tuple of Contact
        Whom to ask, as it stands on the load sheet. [-]

    Raises
    ------
    ValueError
        If two units share a name.
    """

    name: str
    timezone: str
    contract: Contract
    units: tuple[Unit, ...]
    meter: str = "meter_import"
    products: tuple[Commodity, ...] = ()
    notes: tuple[str, ...] = ()
    contacts: tuple[Contact, ...] = ()

    def __post_init__(self) -> None:
        names = [unit.name for unit in self.units]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"two units share a name: {', '.join(twice)}")

    @property
    def commodities(self) -> dict[str, Commodity]:
        """Commodities of the site by name, the usual ones and its own. [-]."""
        return {commodity.name: commodity for commodity in (*STANDARD, *self.products)}

    def owner_of(self, key: str) -> str:
        """Return the unit to which a key `{unit}_{piece}` belongs.

        Parameters
        ----------
        key : str
            Key of a record. [-]

        Returns
        -------
        str
            Name of the unit with the longest name that fits; empty where none does. [-]
        """
        return max((unit.name for unit in self.units if key.startswith(f"{unit.name}_")), key=len, default="")

    def parts(self, horizon: Horizon, situation: Situation) -> dict[str, Declaration]:
        """Return the records of each unit by its name.

        Parameters
        ----------
        horizon : Horizon
            The intervals. [-]
        situation : Situation
            What is known this morning. [-]

        Returns
        -------
        dict
            Records by unit name. [-]
        """
        return {unit.name: unit.declare(horizon, situation) for unit in self.units}

    def check_buses(self, declaration: Declaration) -> None:
        """Check that every commodity is known, and has someone who makes it and someone who takes it.

        Parameters
        ----------
        declaration : Declaration
            Records of all units. [-]

        Raises
        ------
        ValueError
            If a flow names an unknown commodity, or a variable commodity has only makers or only takers.
        """
        problems = self._bus_problems(declaration)
        if problems:
            raise ValueError("; ".join(problems))

    def _bus_problems(self, declaration: Declaration) -> list[str]:
        known = self.commodities
        used = {flow.commodity for flow in declaration.flows} | {
            stock.commodity for stock in declaration.stocks
        }
        problems = []
        for name in sorted(used - set(known)):
            close = difflib.get_close_matches(name, known, n=1)
            hint = f"; did you mean '{close[0]}'?" if close else ""
            problems.append(f"the commodity '{name}' is not known: add it under [[product]]{hint}")
        stored = {stock.commodity for stock in declaration.stocks}
        for name in sorted(used & set(known) - stored):
            flows = [flow for flow in declaration.flows if flow.commodity == name]
            made = any(np.any(np.asarray(flow.coefficient) > 0) for flow in flows)
            taken = any(np.any(np.asarray(flow.coefficient) < 0) for flow in flows)
            # A unit that stands still all the time puts nothing on its buses, and is connected all the same.
            still = any(not np.any(np.asarray(flow.coefficient)) for flow in flows)
            if made != taken and not still:
                missing = "takes" if made else "makes"
                problems.append(f"no unit {missing} the commodity '{name}', so nothing can flow: add one")
        return [*problems, *problems_of(declaration.stocks)]

    def with_units(self, units: tuple[Unit, ...]) -> Site:
        """Return the same site with further units, for example the orders of a horizon.

        Parameters
        ----------
        units : tuple of Unit
            Units to add. [-]

        Returns
        -------
        Site
            The larger site. [-]
        """
        return Site(
            self.name,
            self.timezone,
            self.contract,
            (*self.units, *units),
            self.meter,
            self.products,
            self.notes,
            self.contacts,
        )
