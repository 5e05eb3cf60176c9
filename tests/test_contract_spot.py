"""Spot energy: index, adders, losses and their bill lines."""

import datetime as dt

import numpy as np
import pytest

from models.checks import InvalidValues
from models.contract.component import Profile
from models.contract.spot import Adder, SpotEnergy
from models.horizon import Horizon, Series
from models.situation import Situation

DAY = Horizon.of_days(dt.date(2026, 6, 1), "Europe/Berlin", 60)


def prices(values: np.ndarray, minutes: int = 60) -> Situation:
    """Return a situation with prices from the start of the day on."""
    starts = DAY.start_min + minutes * np.arange(len(values))
    return Situation(series={"day_ahead": Series("day_ahead", starts, np.full(len(values), minutes), values)})


def test_losses_and_adders_by_hand() -> None:
    """2 h at 10 MW, 50 and -20 per MWh, 2 % losses, adders 3 with and 1 without losses.

    Index 10*1.02*(50 - 20) = 306; adders 20*1.02*3 = 61.2 and 20*1 = 20.
    """
    component = SpotEnergy(
        "supply",
        adders_per_mwh=(Adder("margin", 3.0), Adder("levy", 1.0, on_losses=False)),
        losses_percent=2.0,
    )
    power = np.where(np.arange(24) < 2, 10.0, 0.0)
    lines = component.bill(Profile(DAY, power), prices(np.where(np.arange(24) == 0, 50.0, -20.0)))
    assert [line.amount for line in lines] == pytest.approx([306.0, 61.2, 20.0])
    assert [line.quantity for line in lines] == pytest.approx([20.4, 20.4, 20.0])
    assert [line.rate for line in lines] == pytest.approx([15.0, 3.0, 1.0])
    assert "2 % losses" in lines[0].formula
    assert "losses" not in lines[2].formula


def test_terms_carry_the_prices_of_the_metered_energy() -> None:
    """Term prices hold the losses, so that they apply to the meter as it is."""
    component = SpotEnergy("supply", adders_per_mwh=(Adder("margin", 3.0),), losses_percent=10.0)
    index, margin = component.terms(DAY, prices(np.full(24, 50.0)))
    assert (index.name, margin.name) == ("index", "margin")
    assert index.cost(DAY, np.ones(24)) == pytest.approx(24 * 55.0)
    assert margin.cost(DAY, np.ones(24)) == pytest.approx(24 * 3.3)
    assert component.series_needed() == ("day_ahead",)


@pytest.mark.parametrize("minutes", [15, 30])
def test_finer_prices_are_averaged_over_a_flat_hour(minutes: int) -> None:
    """With a load that is flat in the hour, the hour pays the mean of its shorter prices."""
    values = np.arange(24 * 60 // minutes, dtype=float)
    (line,) = SpotEnergy("supply").bill(Profile(DAY, np.ones(24)), prices(values, minutes))
    assert line.amount == pytest.approx(24 * values.mean())


def test_the_same_price_in_quarters_leaves_the_bill_unchanged() -> None:
    """Splitting every interval in four, with price and load repeated, changes no line."""
    power, values = np.linspace(5, 90, 24), np.linspace(-80, 200, 24)
    component = SpotEnergy("supply", adders_per_mwh=(Adder("margin", 3.0),), losses_percent=1.0)
    whole = component.bill(Profile(DAY, power), prices(values))
    split = component.bill(Profile(DAY.split(4), np.repeat(power, 4)), prices(np.repeat(values, 4), 15))
    assert [line.amount for line in split] == pytest.approx([line.amount for line in whole])


def test_without_energy_the_rate_is_the_mean_price() -> None:
    """A day without load has a bill of nothing, and no rate that is not a number."""
    (line,) = SpotEnergy("supply").bill(Profile(DAY, np.zeros(24)), prices(np.arange(24.0)))
    assert line.amount == 0.0
    assert line.rate == pytest.approx(11.5)


def test_prices_of_other_days_are_not_billed() -> None:
    """A series longer than the profile bills only the profile."""
    (line,) = SpotEnergy("supply").bill(Profile(DAY, np.ones(24)), prices(np.full(72, 40.0)))
    assert line.amount == pytest.approx(960.0)


def test_a_missing_series_is_named_with_those_given() -> None:
    """The message says which series is needed and which there are."""
    with pytest.raises(ValueError, match=r"'supply' needs the price series 'intraday'.*given: 'day_ahead'"):
        SpotEnergy("supply", index="intraday").terms(DAY, prices(np.ones(24)))


def test_a_missing_price_is_an_error_in_terms_and_bill() -> None:
    """An hour without a price is never filled."""
    component, short = SpotEnergy("supply"), prices(np.ones(23))
    with pytest.raises(ValueError, match=r"no value for 1 interval.*23:00"):
        component.terms(DAY, short)
    with pytest.raises(ValueError, match=r"no value for 1 interval.*23:00"):
        component.bill(Profile(DAY, np.ones(24)), short)


@pytest.mark.parametrize("names", [("margin", "margin"), ("index",)])
def test_adders_have_names_of_their_own(names: tuple[str, ...]) -> None:
    """Two adders of one name, or one named like the index, are refused."""
    with pytest.raises(InvalidValues, match="must have different names"):
        SpotEnergy("supply", adders_per_mwh=tuple(Adder(name, 1.0) for name in names))


def test_values_out_of_range_are_refused_together() -> None:
    """Name and losses are reported in one error."""
    with pytest.raises(InvalidValues, match=r"lower case.*between 0 and 100") as caught:
        SpotEnergy("Supply", losses_percent=-1.0)
    assert len(caught.value.problems) == 2


def test_an_adder_needs_a_finite_price() -> None:
    """An infinite price is refused."""
    with pytest.raises(InvalidValues, match="'per_mwh' must be finite"):
        Adder("margin", float("inf"))
