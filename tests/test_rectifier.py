"""Rectifier and busbar: Ohm's law in the units used, derivative, limits and efficiency."""

import numpy as np
import pytest

from models.busbar import Busbar
from models.checks import InvalidValues
from models.rectifier import Rectifier

RECTIFIER = Rectifier(
    units=4,
    unit_load_max_ka=30.0,
    dc_voltage_max_v=480.0,
    fixed_loss_mw=0.12,
    drop_v=1.0,
    resistance_uohm=50.0,
)


def test_busbar_follows_ohms_law() -> None:
    """20 uohm at 100 kA drop 2 V and lose 0.2 MW: Ohm's law in SI units."""
    busbar = Busbar(resistance_uohm=20.0)
    ohm, ampere = 20e-6, 100e3
    assert busbar.drop_v(100.0) == pytest.approx(ohm * ampere)
    assert busbar.loss_mw(100.0) == pytest.approx(ohm * ampere**2 / 1e6)
    assert busbar.loss_mw(100.0) == pytest.approx(busbar.drop_v(100.0) * 100.0 / 1000.0)


def test_busbar_of_arrays_and_nothing() -> None:
    """Arrays go element by element, and no resistance means no drop and no loss."""
    loads = np.array([0.0, 50.0, 100.0])
    np.testing.assert_allclose(Busbar(20.0).loss_mw(loads), [0.0, 0.05, 0.2])
    assert Busbar().drop_v(80.0) == 0.0
    assert Busbar().loss_mw(80.0) == 0.0


def test_busbar_refuses_a_negative_resistance() -> None:
    """A negative resistance is refused."""
    with pytest.raises(InvalidValues, match=r"'resistance_uohm' must be at least 0 \[uohm\] \(got -1.0\)"):
        Busbar(-1.0)


def test_loss_in_si_units() -> None:
    """0.12 MW + 1 V * 100 kA + 50 uohm * (100 kA)^2 = 0.72 MW, worked in SI units."""
    watts = 0.12e6 + 1.0 * 100e3 + 50e-6 * (100e3) ** 2
    assert RECTIFIER.loss_mw(100.0) == pytest.approx(watts / 1e6)
    assert RECTIFIER.loss_mw(100.0) == pytest.approx(0.72)


def test_fixed_loss_remains_without_current() -> None:
    """An energised rectifier without current still takes its fixed loss."""
    assert RECTIFIER.loss_mw(0.0) == 0.12


@pytest.mark.parametrize("load", [0.0, 20.0, 100.0])
def test_slope_is_the_derivative(load: float) -> None:
    """The slope agrees with a central finite difference of the loss."""
    step = 1e-3
    difference = (RECTIFIER.loss_mw(load + step) - RECTIFIER.loss_mw(load - step)) / (2 * step)
    assert RECTIFIER.loss_slope_mw_per_ka(load) == pytest.approx(difference, rel=1e-8)


def test_arrays_give_the_scalar_results() -> None:
    """Loss, slope and efficiency of an array equal those of its elements."""
    loads = np.array([0.0, 40.0, 100.0])
    dc_mw = np.array([0.0, 12.0, 32.0])
    np.testing.assert_allclose(RECTIFIER.loss_mw(loads), [RECTIFIER.loss_mw(i) for i in loads.tolist()])
    np.testing.assert_allclose(
        RECTIFIER.loss_slope_mw_per_ka(loads), [RECTIFIER.loss_slope_mw_per_ka(i) for i in loads.tolist()]
    )
    np.testing.assert_allclose(RECTIFIER.efficiency(dc_mw, loads), [0.0, 12.0 / 12.24, 32.0 / 32.72])


def test_efficiency_lies_in_the_usual_range() -> None:
    """Thyristor rectifiers with transformer reach 96.5 to 98.5 % at full load (value from memory)."""
    assert 0.965 < RECTIFIER.efficiency(32.0, 100.0) < 0.985


def test_current_limit_follows_the_units_in_service() -> None:
    """One of four units out leaves 75 % of the current; none leaves nothing."""
    assert RECTIFIER.load_max_ka(4) == 120.0
    assert RECTIFIER.load_max_ka(3) == pytest.approx(0.75 * RECTIFIER.load_max_ka(4))
    assert RECTIFIER.load_max_ka(0) == 0.0


@pytest.mark.parametrize("units", [-1, 5])
def test_units_in_service_are_bounded(units: int) -> None:
    """More units than installed, or fewer than none, are refused."""
    with pytest.raises(ValueError, match=rf"'units_in_service' must be between 0 and 4.*\(got {units}\)"):
        RECTIFIER.load_max_ka(units)


def test_efficiency_needs_power() -> None:
    """Without DC power and loss the efficiency is not defined."""
    ideal = Rectifier(1, 10.0, 400.0, drop_v=0.0)
    assert ideal.efficiency(4.0, 10.0) == 1.0
    with pytest.raises(ValueError, match=r"'dc_mw' must be above 0 \[MW\]"):
        ideal.efficiency(0.0, 0.0)


def test_from_nominal_meets_the_nominal_efficiency() -> None:
    """The resistance makes up the loss left by the fixed part and the drop, so 97.5 % comes out."""
    rectifier = Rectifier.from_nominal(2, 60.0, 400.0, dc_mw_nominal=30.0, load_nominal_ka=100.0)
    assert rectifier.efficiency(30.0, 100.0) == pytest.approx(0.975, rel=1e-12)
    assert rectifier.fixed_loss_mw == pytest.approx(0.12)
    # 30 MW * (1 / 0.975 - 1) - 0.12 MW - 0.1 MW over (100 kA)^2, by hand.
    assert rectifier.resistance_uohm == pytest.approx(54.92, abs=0.01)


def test_from_nominal_refuses_what_does_not_add_up() -> None:
    """An efficiency that the fixed part and the drop already exceed, or a load of zero, is refused."""
    with pytest.raises(ValueError, match="lower 'fixed_loss_share' or 'drop_v'"):
        Rectifier.from_nominal(
            1, 60.0, 400.0, dc_mw_nominal=30.0, load_nominal_ka=50.0, efficiency_nominal=0.999
        )
    with pytest.raises(ValueError, match="'load_nominal_ka' must be above 0"):
        Rectifier.from_nominal(1, 60.0, 400.0, dc_mw_nominal=30.0, load_nominal_ka=0.0)


def test_all_bad_values_are_reported_at_once() -> None:
    """Every field out of range is named."""
    with pytest.raises(InvalidValues, match="'units' must be at least 1") as caught:
        Rectifier(0, 0.0, -1.0, fixed_loss_mw=-0.1, drop_v=-1.0, resistance_uohm=-1.0)
    assert [field for field, _ in caught.value.problems] == [
        "units",
        "unit_load_max_ka",
        "dc_voltage_max_v",
        "fixed_loss_mw",
        "drop_v",
        "resistance_uohm",
    ]
