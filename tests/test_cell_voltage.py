"""Cell voltage: closed forms, finite differences, inverse and convexity."""

from dataclasses import replace

import numpy as np
import pytest

from models.cell_voltage import CellVoltage
from models.checks import InvalidValues

LINE = CellVoltage(intercept_v=2.42, k_v_m2_per_ka=0.165)
CURVED = CellVoltage(intercept_v=2.60, k_v_m2_per_ka=0.10, log_v=0.05)


@pytest.mark.parametrize(
    ("intercept", "k", "density", "expected"),
    [
        (3.15, 0.095, 10.0, 4.10),
        (2.42, 0.165, 4.0, 3.08),
        (2.40, 0.105, 5.5, 2.9775),
        (2.42, 0.165, 5.0, 3.245),
    ],
)
def test_line(intercept: float, k: float, density: float, expected: float) -> None:
    """U = U0 + k j: closed form for typical mercury and membrane lines (values from memory)."""
    assert CellVoltage(intercept, k).voltage(density) == pytest.approx(expected, rel=1e-12)


def test_typical_lines_lie_in_the_published_range() -> None:
    """Membrane cells run at 2 to 4 V between 2 and 5 kA/m2 (guidenr.fr, 'procede chlore-soude')."""
    for density in (2.0, 5.0):
        assert 2.0 < LINE.voltage(density) < 4.0


def test_age_moves_the_intercept() -> None:
    """Three years at 20 mV/a add 60 mV at any density, and nothing to the slope."""
    old = replace(LINE, age_years=3.0, drift_v_per_year=0.02)
    assert old.intercept_effective == pytest.approx(2.48)
    assert old.voltage(4.0) - LINE.voltage(4.0) == pytest.approx(0.06)
    assert old.slope(4.0) == LINE.slope(4.0)


def test_gap_moves_the_slope_within_the_conductivity_of_brine() -> None:
    """One mm more is the drop of 1 mm brine of 50 to 60 S/m at 10 kA/m2 (conductivity from memory)."""
    near = CellVoltage(3.15, 0.095, gap_mm=3.0)
    far = replace(near, gap_mm=4.0)
    rise = far.voltage(10.0) - near.voltage(10.0)
    assert 1e4 * 1e-3 / 60.0 < rise < 1e4 * 1e-3 / 50.0
    assert near.k_effective == 0.095
    assert replace(near, gap_mm=None).k_effective == 0.095
    assert far.intercept_effective == near.intercept_effective


@pytest.mark.parametrize(
    "model", [LINE, CURVED, replace(CURVED, gap_mm=2.0, age_years=2, drift_v_per_year=0.03)]
)
@pytest.mark.parametrize("density", [0.5, 1.0, 3.0, 6.5])
def test_slope_is_the_derivative(model: CellVoltage, density: float) -> None:
    """The slope agrees with a central finite difference of the voltage."""
    step = 1e-5
    difference = (model.voltage(density + step) - model.voltage(density - step)) / (2 * step)
    assert model.slope(density) == pytest.approx(difference, rel=1e-7)


@pytest.mark.parametrize(
    "model",
    [
        LINE,
        CURVED,
        CellVoltage(2.6, 0.0, log_v=0.08),
        CellVoltage(2.6, 0.15, log_v=-0.05),
        CellVoltage(2.6, -0.01, log_v=0.2),
        replace(LINE, age_years=4.0, drift_v_per_year=0.02, gap_mm=2.0),
    ],
)
@pytest.mark.parametrize("density", [0.5, 1.0, 2.5, 6.0])
def test_inverse(model: CellVoltage, density: float) -> None:
    """density_at gives back the density on the branch where the voltage rises."""
    assert model.slope(density) > 0.0
    assert model.density_at(model.voltage(density)) == pytest.approx(density, rel=1e-10)


def test_inverse_takes_the_rising_branch() -> None:
    """Of two densities with one voltage the one on the rising branch is given."""
    model = CellVoltage(2.6, 0.15, log_v=-0.05)
    density = model.density_at(model.voltage(0.1))
    assert density > 0.1
    assert model.slope(density) > 0.0
    assert model.voltage(density) == pytest.approx(model.voltage(0.1), rel=1e-12)


def test_inverse_far_from_the_working_range() -> None:
    """The bracket also finds very low and very high densities."""
    for density in (1e-6, 1e3):
        assert CURVED.density_at(CURVED.voltage(density)) == pytest.approx(density, rel=1e-9)


def test_inverse_at_the_intercept() -> None:
    """At the intercept of a line the density is zero."""
    assert LINE.density_at(2.42) == 0.0


@pytest.mark.parametrize(
    ("model", "voltage", "message"),
    [
        (LINE, 2.3, r"'voltage_v' must be at least the intercept 2\.42 \[V\] \(got 2\.3\)"),
        (LINE, float("nan"), r"'voltage_v' must be finite \(got nan\)"),
        (CellVoltage(2.6, -0.1), 2.5, "does not rise with density"),
        (CellVoltage(2.6, 0.0), 2.7, "does not rise with density"),
        (CellVoltage(2.6, 0.15, log_v=-0.05), 2.5, r"at least 2\.70493 \[V\], the turning point"),
        (CellVoltage(2.6, -0.01, log_v=0.2), 4.0, r"at most 2\.99915 \[V\], the turning point"),
    ],
)
def test_inverse_refuses_what_it_cannot_answer(model: CellVoltage, voltage: float, message: str) -> None:
    """A voltage that never occurs on a rising branch is refused with the bound."""
    with pytest.raises(ValueError, match=message):
        model.density_at(voltage)


@pytest.mark.parametrize(
    ("model", "low", "high", "expected"),
    [
        (LINE, 0.0, 6.0, True),
        (CURVED, 0.0, 6.0, True),
        (CellVoltage(2.6, 0.0), 1.0, 6.0, True),
        (CellVoltage(2.6, -0.01), 1.0, 6.0, False),
        (CellVoltage(2.6, 0.10, log_v=-0.30), 1.0, 6.0, False),
        (CellVoltage(2.6, 0.10, log_v=-0.30), 1.5, 6.0, True),
        (CellVoltage(2.6, -0.01, log_v=0.10), 1.0, 5.0, True),
        (CellVoltage(2.6, -0.01, log_v=0.10), 1.0, 5.5, False),
        (CellVoltage(2.6, 0.10, log_v=-0.01), 0.0, 6.0, False),
    ],
)
def test_convexity_of_power(model: CellVoltage, low: float, high: float, expected: bool) -> None:
    """convex_power agrees with second differences of j U(j) on a fine grid."""
    assert model.convex_power(low, high) is expected
    grid = np.linspace(max(low, 1e-3), high, 20001)
    curvature = np.diff(grid * model.voltage(grid), n=2)
    assert bool(np.all(curvature > -1e-12)) is expected


@pytest.mark.parametrize(("low", "high"), [(-1.0, 5.0), (5.0, 4.0), (0.0, 0.0)])
def test_convexity_needs_a_range(low: float, high: float) -> None:
    """A range that is empty or negative is refused."""
    with pytest.raises(ValueError, match="'density_min' must be at least 0"):
        LINE.convex_power(low, high)


def test_arrays_give_the_scalar_results() -> None:
    """Voltage and slope of an array equal those of its elements, in its shape."""
    densities = np.array([0.5, 1.0, 2.0, 6.0])
    for model in (LINE, CURVED):
        np.testing.assert_allclose(model.voltage(densities), [model.voltage(j) for j in densities.tolist()])
        np.testing.assert_allclose(model.slope(densities), [model.slope(j) for j in densities.tolist()])
    assert LINE.slope(densities).shape == (4,)
    assert LINE.voltage(np.array([])).shape == (0,)


def test_density_below_its_range_is_refused() -> None:
    """A negative density is refused, and zero too when the logarithm is used."""
    assert LINE.voltage(0.0) == 2.42
    with pytest.raises(ValueError, match=r"'density' must be at least 0 \[kA/m2\] \(got -0.1\)"):
        LINE.voltage(-0.1)
    with pytest.raises(ValueError, match=r"'density' must be above 0 \[kA/m2\] with a logarithmic term"):
        CURVED.voltage(np.array([1.0, 0.0]))
    with pytest.raises(ValueError, match="must be at least 0"):
        LINE.slope(float("nan"))


def test_all_bad_values_are_reported_at_once() -> None:
    """Every field out of range is named, with what came and its unit; fitted signs are free."""
    with pytest.raises(InvalidValues, match="must be above 0") as caught:
        CellVoltage(-1.0, float("nan"), age_years=-2.0, gap_mm=0.0)
    assert caught.value.problems == (
        ("intercept_v", "'intercept_v' must be above 0 [V] (got -1.0)"),
        ("k_v_m2_per_ka", "'k_v_m2_per_ka' must be finite (got nan)"),
        ("age_years", "'age_years' must be at least 0 [a] (got -2.0)"),
        ("gap_mm", "'gap_mm' must be above 0 [mm] (got 0.0)"),
    )
    assert str(caught.value) == "; ".join(text for _, text in caught.value.problems)
    assert CellVoltage(2.4, -0.1, log_v=-0.1).k_effective == -0.1


def test_scaled_voltage_is_a_multiple_at_every_density() -> None:
    """Intercept, slope, age, gap and log term together: 1.01 times the voltage at any density."""
    cell = CellVoltage(2.4, 0.1, log_v=0.05, age_years=3.0, drift_v_per_year=0.02, gap_mm=3.5)
    for density in (0.5, 2.0, 8.0):
        assert cell.scaled(1.01).voltage(density) == pytest.approx(1.01 * cell.voltage(density), rel=1e-12)
