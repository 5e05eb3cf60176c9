"""Standing charge: whole months, parts of months, clock changes."""

import datetime as dt

import numpy as np
import pytest

from models.checks import InvalidValues
from models.contract.component import Profile
from models.contract.fixed import StandingCharge
from models.horizon import Horizon
from models.situation import Situation

NOW = Situation()


@pytest.mark.parametrize("month", [3, 6, 10])
def test_a_whole_month_is_charged_once(month: int) -> None:
    """March (743 h), June and October (745 h) each pay the amount of a month exactly."""
    first = dt.date(2026, month, 1)
    days = (dt.date(2026, month + 1, 1) - first).days
    horizon = Horizon.of_days(first, "Europe/Berlin", 60, look_ahead_days=days - 1)
    (line,) = StandingCharge("meter", 447.44).bill(Profile(horizon, np.zeros(len(horizon))), NOW)
    assert (line.quantity, line.amount, line.quantity_unit) == (1.0, 447.44, "month")


def test_the_days_of_a_month_add_up_to_it() -> None:
    """The bills of the 31 days of March add up, the day of 23 hours paying 23/743."""
    component = StandingCharge("meter", 743.0)
    amounts = []
    for day in range(1, 32):
        horizon = Horizon.of_days(dt.date(2026, 3, day), "Europe/Berlin", 60)
        amounts.append(component.bill(Profile(horizon, np.zeros(len(horizon))), NOW)[0].amount)
    assert amounts[28] == pytest.approx(23.0)
    assert sum(amounts) == pytest.approx(743.0)


def test_the_load_cannot_change_it() -> None:
    """The term costs the same at any load, is wholly sunk, and declares no records."""
    horizon = Horizon.of_days(dt.date(2026, 6, 30), "Europe/Berlin", 60, look_ahead_days=1)
    (term,) = StandingCharge("meter", 930.0).terms(horizon, NOW)
    # One day of June and one of July, by hand: 930/30 + 930/31.
    assert term.cost(horizon, np.full(48, 7.0)) == term.sunk() == pytest.approx(61.0)
    assert term.declare(horizon, "meter_standing_charge", "import_mw").costs == ()


def test_a_name_that_is_no_key_is_refused() -> None:
    """The name begins the keys of the program, so it is lower case."""
    with pytest.raises(InvalidValues, match="'name' must be lower case"):
        StandingCharge("Meter 1", 10.0)
