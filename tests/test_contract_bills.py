"""Whole bills against published tariffs.

Sources stand beside each bill. Tariffs with annual peaks, power factors or ratchets are not written
in these components, and are not checked here.
"""

import datetime as dt

import numpy as np
import pytest

from models.contract.component import Contract, Profile
from models.contract.demand import DemandCharge
from models.contract.fixed import StandingCharge
from models.contract.time_of_use import Band, TimeOfUse
from models.horizon import Horizon
from models.situation import Situation

SUMMER, WINTER = (6, 7, 8, 9), (1, 2, 3, 4, 5, 10, 11, 12)
WORKDAYS, WEEKEND = ("weekday", "holiday"), ("saturday", "sunday")


def month(first: dt.date, days: int, timezone: str, minutes: int = 60) -> Horizon:
    """Return the intervals of a month."""
    return Horizon.of_days(first, timezone, minutes, look_ahead_days=days - 1)


def demand(name: str, per_kw: float, **window: object) -> DemandCharge:
    """Return a demand charge of a price per kW, metered by quarters."""
    return DemandCharge(name, 1000.0 * per_kw, 15, **window)  # type: ignore[arg-type]


# Utility Rate Database (OpenEI, licence CC0 1.0), record 674e0b87201c6bd096007a5a: Southern California
# Edison, schedule TOU-8-D below 2 kV, effective October 2024. Energy prices are 'rate' plus 'adj'. The
# record knows no holidays: its weekday schedule holds on them too.
TOU_8_D = Contract(
    "TOU-8-D",
    "USD",
    (
        TimeOfUse(
            "energy",
            (
                Band("summer_off", 113.43, SUMMER, (), "21:00", "16:00"),
                Band("summer_mid", 141.99, SUMMER, WEEKEND, "16:00", "21:00"),
                Band("summer_on", 151.86, SUMMER, WORKDAYS, "16:00", "21:00"),
                Band("winter_super_off", 89.73, WINTER, (), "08:00", "16:00"),
                Band("winter_off", 123.31, WINTER, (), "21:00", "08:00"),
                Band("winter_mid", 124.28, WINTER, (), "16:00", "21:00"),
            ),
        ),
        demand("facilities", 25.36),
        demand("summer_peak", 29.54, seasons=SUMMER, day_types=WORKDAYS, from_time="16:00", to_time="21:00"),
        demand("winter_peak", 8.83, seasons=WINTER, from_time="16:00", to_time="21:00"),
        StandingCharge("customer", 447.44),
    ),
)


@pytest.mark.parametrize("minutes", [15, 60])
@pytest.mark.parametrize(
    ("first", "expected"),
    [
        (
            dt.date(2025, 7, 1),
            [668_102.70, 56_796.00, 174_639.00, 253_600.0, 295_400.0, 447.44],
        ),
        # Energy in one sum: 248 h, 341 h and 155 h at 10 MW.
        (dt.date(2025, 1, 1), [222_530.40, 420_487.10, 192_634.00, 253_600.0, 88_300.0, 447.44]),
    ],
)
def test_time_of_use_with_several_demand_charges(first: dt.date, expected: list[float], minutes: int) -> None:
    """A flat load of 10 MW under TOU-8-D: July 2025 1,448,985.14 USD, January 2025 1,177,998.94 USD.

    Prices from the record cited above; hours (23 weekdays and 8 weekend days in July) and amounts by
    own arithmetic.
    """
    horizon = month(first, 31, "America/Los_Angeles", minutes)
    lines = TOU_8_D.bill(Profile(horizon, np.full(len(horizon), 10.0)), Situation())
    assert [line.amount for line in lines] == pytest.approx(expected, abs=0.005)
    total = {7: 1_448_985.14, 1: 1_177_998.94}[first.month]
    assert sum(line.amount for line in lines) == pytest.approx(total, abs=0.005)


def test_a_worked_bill_line_by_line() -> None:
    """17,588 kWh in June: 3.74 service, 1,661.01 energy, -302.37 credit [USD].

    Worked bill of an energy-management handbook, section 18.5.1, under PSE&G's rate GLP: 0.09444 and
    -0.017192 USD/kWh. The handbook's fourth line (demand, 262.34) joins several prices and is left out.
    """
    contract = Contract(
        "GLP",
        "USD",
        (
            StandingCharge("service", 3.74),
            TimeOfUse("energy", (Band("all_hours", 94.44),)),
            TimeOfUse("credit", (Band("all_hours", -17.192),)),
        ),
    )
    horizon = month(dt.date(2025, 6, 1), 30, "America/New_York")
    lines = contract.bill(Profile(horizon, np.full(720, 17.588 / 720)), Situation())
    assert [round(line.amount, 2) for line in lines] == [3.74, 1661.01, -302.37]


def test_a_half_hourly_demand_charge_with_flat_energy() -> None:
    """100,000 kVA and 70 GWh in a month: 881,200 + 3,615,500 = 4,496,700 CAD.

    BC Hydro rate schedule 1823, energy charge A, as once published: 8.812 CAD per kVA of the highest
    half hour, 0.05165 CAD/kWh; amounts by own arithmetic. At power factor 1 a kVA is a kW.
    """
    contract = Contract(
        "RS 1823",
        "CAD",
        (DemandCharge("demand", 8812.0, 30), TimeOfUse("energy", (Band("all_hours", 51.65),))),
    )
    horizon = month(dt.date(2025, 6, 1), 30, "America/Vancouver", 30)
    power = np.full(1440, (70_000.0 - 50.0) / 719.5)
    power[700] = 100.0
    lines = contract.bill(Profile(horizon, power), Situation())
    assert [line.amount for line in lines] == pytest.approx([881_200.0, 3_615_500.0])
