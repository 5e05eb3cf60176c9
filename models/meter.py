"""The site's electricity meter and its limits.

Owns the metered import, on which the contract bills. What a site draws besides its units is `trade.OwnUse`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.checks import above, at_least, check, in_order
from models.horizon import Horizon
from models.pieces import Declaration, Flow, Variable
from models.situation import Situation
from models.unit import Unit, unit_kind


@unit_kind("site_meter")
@dataclass(frozen=True)
class SiteMeter(Unit):
    """The site's electricity meter: everything the site draws passes it.

    Parameters
    ----------
    name : str
        Name of the meter; the metered import is `{name}_import`. [-]
    import_max_mw : float
        Greatest mean import on any interval, above 0. [MW]
    export_max_mw : float
        Greatest mean export, 0 or more. [MW]
    margin_mw : float
        Part of the import limit that plans leave free, 0 or more. [MW]
    """

    name: str
    import_max_mw: float
    export_max_mw: float = 0.0
    margin_mw: float = 0.0

    availabilities = ("import_max_mw",)

    def __post_init__(self) -> None:
        check(
            self,
            import_max_mw=above(0, "MW"),
            export_max_mw=at_least(0, "MW"),
            margin_mw=at_least(0, "MW"),
        )
        in_order(self, "margin_mw", "import_max_mw", "MW")

    def declare(self, horizon: Horizon, situation: Situation) -> Declaration:
        """Return the metered import (see `Unit.declare`)."""
        limit = situation.available(self.name, "import_max_mw", self.import_max_mw, horizon)
        # A limit below the margin leaves nothing to draw; it cannot ask for export.
        most = np.maximum(limit - self.margin_mw, -self.export_max_mw)
        drawn = self.key("import")
        return Declaration(
            variables=(
                Variable(
                    drawn,
                    "MW",
                    np.full(len(horizon), -self.export_max_mw),
                    most,
                    intervals=np.arange(len(horizon)),
                    meaning="metered import of the site",
                ),
            ),
            flows=(Flow("power", drawn, 1.0),),
        )
