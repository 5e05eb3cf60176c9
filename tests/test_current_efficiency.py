"""Current efficiency: closed forms, affinity and edges."""

import numpy as np
import pytest

from models.checks import InvalidValues
from models.current_efficiency import CurrentEfficiency

LEAKING = CurrentEfficiency(ce0=0.98, leakage_ka_per_m2=0.06)


def test_efficiency_falls_at_low_density() -> None:
    """CE = CE0 - c / j: 0.965 at 4 and 0.92 at 1 kA/m2 for c = 0.06 kA/m2, closed form."""
    assert LEAKING.efficiency(4.0) == pytest.approx(0.965)
    assert LEAKING.efficiency(1.0) == pytest.approx(0.92)


def test_efficiency_lies_in_the_published_range() -> None:
    """US patent 4,900,408 gives about 90 to 97 % for membranes: the example stays near it."""
    assert all(0.90 <= LEAKING.efficiency(j) <= 0.975 for j in (1.0, 2.0, 4.0, 6.0))


def test_effective_density_is_affine_and_consistent() -> None:
    """effective_density is density times efficiency, on a straight line of slope ce0."""
    densities = np.array([0.5, 1.0, 3.0, 6.0])
    effective = LEAKING.effective_density(densities)
    np.testing.assert_allclose(effective, densities * LEAKING.efficiency(densities), rtol=1e-13)
    np.testing.assert_allclose(np.diff(effective) / np.diff(densities), 0.98, rtol=1e-13)


def test_without_leakage_the_efficiency_is_constant() -> None:
    """Without leakage the efficiency holds at every density, zero included, in the shape given."""
    constant = CurrentEfficiency(0.96)
    assert constant.efficiency(0.0) == 0.96
    np.testing.assert_array_equal(constant.efficiency(np.array([0.0, 5.0])), [0.96, 0.96])


def test_derivative_of_the_efficiency() -> None:
    """A finite difference of the efficiency is c / j2: it rises with load, ever less."""
    step = 1e-5
    for density in (0.5, 2.0, 6.0):
        rise = (LEAKING.efficiency(density + step) - LEAKING.efficiency(density - step)) / (2 * step)
        assert rise == pytest.approx(0.06 / density**2, rel=1e-6)


@pytest.mark.parametrize("density", [0.06 / 0.98, 0.0, -1.0, float("nan")])
def test_density_that_makes_nothing_is_refused(density: float) -> None:
    """Where leakage takes the whole current an efficiency is not given, and the bound is named."""
    with pytest.raises(ValueError, match=r"'density' must be above 0\.0612245 \[kA/m2\]"):
        LEAKING.efficiency(density)


def test_affine_form_shows_what_is_lost() -> None:
    """The affine form is zero at the bound and negative below it, for the caller to exclude."""
    assert LEAKING.effective_density(0.06 / 0.98) == pytest.approx(0.0, abs=1e-15)
    assert LEAKING.effective_density(0.0) == -0.06


def test_hydrogen_has_its_own_efficiency() -> None:
    """Hydrogen is a share of the current of its own, near one."""
    assert CurrentEfficiency(0.95).hydrogen == 0.995
    assert CurrentEfficiency(0.95, hydrogen=1.0).hydrogen == 1.0


def test_all_bad_values_are_reported_at_once() -> None:
    """Every field out of range is named with its bound."""
    with pytest.raises(InvalidValues, match="'ce0' must be at most 1") as caught:
        CurrentEfficiency(ce0=96.0, leakage_ka_per_m2=-0.1, hydrogen=0.0)
    assert [field for field, _ in caught.value.problems] == ["ce0", "leakage_ka_per_m2", "hydrogen"]
