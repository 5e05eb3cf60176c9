"""Time-of-use energy: bands, coverage, holidays, straddled edges, clock changes."""

import datetime as dt

import numpy as np
import pytest

from models.checks import InvalidValues
from models.contract.component import Profile
from models.contract.time_of_use import Band, TimeOfUse
from models.horizon import Horizon
from models.situation import Situation

NOW = Situation()
NIGHT_DAY = (
    Band("night", 40.0, from_time="22:00", to_time="06:00"),
    Band("day", 100.0, from_time="06:00", to_time="22:00"),
)


def amounts(component: TimeOfUse, horizon: Horizon, power_mw: np.ndarray | float) -> dict[str, float]:
    """Return the amount of each line of the bill."""
    profile = Profile(horizon, np.broadcast_to(power_mw, (len(horizon),)))
    return {line.label: line.amount for line in component.bill(profile, NOW)}


@pytest.mark.parametrize("minutes", [15, 30, 60])
def test_flat_load_pays_the_ruling_rate(minutes: int) -> None:
    """A flat load pays exactly the ruling rate under 100 % 06-18, 150 % 18-22, 75 % 22-06.

    Percentages: time-of-day tariff for HT and EHT consumers of Kerala, published by the Kerala State
    Electricity Board; (12*1 + 4*1.5 + 8*0.75)/24 = 1 by own arithmetic.
    """
    ruling = 62.0
    component = TimeOfUse(
        "energy",
        (
            Band("normal", ruling, from_time="06:00", to_time="18:00"),
            Band("peak", 1.5 * ruling, from_time="18:00", to_time="22:00"),
            Band("off_peak", 0.75 * ruling, from_time="22:00", to_time="06:00"),
        ),
    )
    horizon = Horizon.of_days(dt.date(2025, 6, 1), "Asia/Kolkata", minutes, look_ahead_days=29)
    assert sum(amounts(component, horizon, 8.0).values()) == pytest.approx(8.0 * 720 * ruling)


@pytest.mark.parametrize(
    ("day", "night_hours"),
    [(dt.date(2026, 3, 28), 8), (dt.date(2026, 3, 29), 7), (dt.date(2026, 10, 25), 9)],
)
def test_clock_changes_shorten_and_lengthen_the_night(day: dt.date, night_hours: int) -> None:
    """By hand: the day of 23 hours has 7 h of night (00-06 lasts 5 h), the one of 25 hours has 9 h."""
    horizon = Horizon.of_days(day, "Europe/Berlin", 60)
    assert amounts(TimeOfUse("energy", NIGHT_DAY), horizon, 2.0) == pytest.approx(
        {"night": 2.0 * night_hours * 40.0, "day": 2.0 * 16 * 100.0}
    )


@pytest.mark.parametrize(("year", "hours"), [(2024, 8784), (2026, 8760)])
def test_a_year_has_all_its_hours(year: int, hours: int) -> None:
    """The quantities of a year at 1 MW sum to 8760 or 8784 MWh."""
    horizon = Horizon.of_days(dt.date(year, 1, 1), "Europe/Berlin", 60, look_ahead_days=hours // 24 - 1)
    lines = TimeOfUse("energy", NIGHT_DAY).bill(Profile(horizon, np.ones(len(horizon))), NOW)
    assert sum(line.quantity for line in lines) == pytest.approx(hours)


def test_an_interval_across_an_edge_pays_by_its_shares() -> None:
    """An hour from 16:00 with a band edge at 16:45 pays three quarters before it, one after."""
    component = TimeOfUse(
        "energy",
        (
            Band("low", 40.0, from_time="21:00", to_time="16:45"),
            Band("high", 80.0, from_time="16:45", to_time="21:00"),
        ),
    )
    horizon = Horizon.of_days(dt.date(2026, 6, 1), "Europe/Berlin", 60)
    low, high = component.terms(horizon, NOW)
    power = np.where(np.arange(24) == 16, 1.0, 0.0)
    assert low.cost(horizon, power) == pytest.approx(30.0)
    assert high.cost(horizon, power) == pytest.approx(20.0)


def test_splitting_intervals_leaves_the_bill_unchanged() -> None:
    """Hours cut in quarters, with the load repeated, cost the same, also across an edge at 06:10."""
    component = TimeOfUse(
        "energy",
        (
            Band("night", 40.0, from_time="22:35", to_time="06:10"),
            Band("day", 90.0, from_time="06:10", to_time="22:35"),
        ),
    )
    horizon, power = Horizon.of_days(dt.date(2026, 10, 25), "Europe/Berlin", 60), np.linspace(3, 50, 25)
    split = amounts(component, horizon.split(4), np.repeat(power, 4))
    assert split == pytest.approx(amounts(component, horizon, power))


def test_holidays_seasons_and_weekends() -> None:
    """A listed Thursday, the Friday after it, a Saturday and a Sunday each pay their own band."""
    component = TimeOfUse(
        "energy",
        (
            Band("winter", 1.0, seasons=(1, 2, 3, 10, 11, 12)),
            Band("work", 2.0, seasons=tuple(range(4, 10)), day_types=("weekday",)),
            Band("saturday", 3.0, seasons=tuple(range(4, 10)), day_types=("saturday",)),
            Band("rest", 4.0, seasons=tuple(range(4, 10)), day_types=("sunday", "holiday")),
        ),
        holidays=(dt.date(2026, 5, 14),),
    )
    horizon = Horizon.of_days(dt.date(2026, 5, 14), "Europe/Berlin", 60, look_ahead_days=3)
    assert amounts(component, horizon, 1.0) == pytest.approx(
        {"work": 24.0 * 2, "saturday": 24.0 * 3, "rest": 48.0 * 4}
    )
    assert [term.name for term in component.terms(horizon, NOW)] == ["work", "saturday", "rest"]


def test_a_band_of_two_windows_is_one_line_and_one_term() -> None:
    """Two peaks a day under one name are billed together: 2 h + 3 h at 10 MW."""
    component = TimeOfUse(
        "energy",
        (
            Band("peak", 90.0, from_time="08:00", to_time="10:00"),
            Band("peak", 90.0, from_time="18:00", to_time="21:00"),
            Band("base", 50.0, from_time="21:00", to_time="08:00"),
            Band("base", 50.0, from_time="10:00", to_time="18:00"),
        ),
    )
    horizon = Horizon.of_days(dt.date(2026, 6, 1), "Europe/Berlin", 60)
    assert amounts(component, horizon, 10.0) == pytest.approx({"peak": 4500.0, "base": 9500.0})
    assert [term.name for term in component.terms(horizon, NOW)] == ["peak", "base"]


def test_a_gap_is_refused_and_named() -> None:
    """Ten minutes without a band on weekdays in winter are found and named."""
    with pytest.raises(InvalidValues, match=r"no band holds 06:00-06:10 on weekday in months 1-3, 11-12"):
        TimeOfUse(
            "energy",
            (
                Band("night", 40.0, from_time="22:00", to_time="06:00"),
                Band("day", 90.0, from_time="06:10", to_time="22:00"),
                Band(
                    "dawn",
                    60.0,
                    day_types=("saturday", "sunday", "holiday"),
                    from_time="06:00",
                    to_time="06:10",
                ),
                Band("dawn", 60.0, (4, 5, 6, 7, 8, 9, 10), ("weekday",), "06:00", "06:10"),
            ),
        )


def test_an_overlap_is_refused_and_named() -> None:
    """An hour in two bands is found, with the names of both."""
    with pytest.raises(
        InvalidValues,
        match="21:00-22:00 on weekday, saturday, sunday, holiday in months 1-12 is in 'night' and 'day'",
    ):
        TimeOfUse("energy", (Band("night", 40.0, from_time="21:00", to_time="06:00"), NIGHT_DAY[1]))


def test_forgotten_holidays_are_a_gap() -> None:
    """Bands for weekdays and weekends leave holidays without a price, listed or not."""
    with pytest.raises(InvalidValues, match="no band holds 00:00-24:00 on holiday in months 1-12"):
        TimeOfUse(
            "energy",
            (
                Band("work", 90.0, day_types=("weekday",)),
                Band("rest", 60.0, day_types=("saturday", "sunday")),
            ),
        )


def test_only_the_first_of_many_problems_are_named() -> None:
    """Of eight gaps five are named and three counted."""
    bands = tuple(Band("x", 1.0, from_time=f"{h:02d}:00", to_time=f"{h + 1:02d}:00") for h in range(1, 15, 2))
    with pytest.raises(InvalidValues, match="have 3 more gaps or overlaps") as caught:
        TimeOfUse("energy", bands)
    assert len(caught.value.problems) == 6


def test_one_name_has_one_price() -> None:
    """The same name at two prices could not be one line of a bill."""
    with pytest.raises(InvalidValues, match=r"one price \(got \[40.0, 100.0\] for 'night'\)"):
        TimeOfUse("energy", (NIGHT_DAY[0], Band("night", 100.0, from_time="06:00", to_time="22:00")))


def test_a_wrong_band_names_every_problem() -> None:
    """Price, name and window are reported in one error."""
    with pytest.raises(InvalidValues, match="'per_mwh' must be finite") as caught:
        Band("Peak", float("nan"), seasons=(0,))
    assert [field for field, _ in caught.value.problems] == ["name", "per_mwh", "seasons"]
