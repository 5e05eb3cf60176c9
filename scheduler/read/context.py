"""What every table needs to know of the site while it is read.

Owns the bundle and the checks of names against it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from models.horizon import Horizon
from models.unit import Unit
from scheduler.read.problems import Problems, hint
from scheduler.read.site_file import SiteFile
from scheduler.read.tables import Row


@dataclass(frozen=True)
class Context:
    """The site as far as it could be read, and where problems and notes go.

    Parameters
    ----------
    site : SiteFile
        The site file. [-]
    zone : ZoneInfo
        Zone of the site; UTC where the site file names none that is known, so that the tables can
        be checked all the same. [-]
    horizon : Horizon or None
        Intervals of the plan; None if they could not be made. [-]
    problems : Problems
        Takes what is wrong. [-]
    notes : list of str
        Takes what is told and not wrong. [-]
    """

    site: SiteFile
    zone: ZoneInfo
    horizon: Horizon | None
    problems: Problems
    notes: list[str] = field(default_factory=list)

    def unit_class(self, row: Row, column: str) -> type[Unit] | None:
        """Return the class of the unit that a cell names.

        Parameters
        ----------
        row : Row
            The row. [-]
        column : str
            Column with the unit's name. [-]

        Returns
        -------
        type or None
            The class; None, with a problem noted, if the site has no such unit; None without a
            problem where a unit of the site file has no readable name and kind. [-]
        """
        name = row.text(column)
        if name is None:
            return None
        known = self.site.unit_classes
        if name not in known and self.site.named:
            row.fault(column, f"must be a unit of the site (got '{name}'){hint(name, known)}")
        return known.get(name)
