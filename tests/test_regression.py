"""Fits of straight lines: certified data sets of the literature, and intervals that hold what they promise.

NIST Statistical Reference Datasets (Standard Reference Database 140), linear regression: 'Norris',
'NoInt1', 'Wampler1', 'Wampler2' and 'Longley'. Longley's data come with statsmodels; the other data and all
certified values are from memory (a wrong one would not reproduce ten digits).
"""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.datasets import longley
from statsmodels.regression.linear_model import GLS, OLS

from models.horizon import Array
from scheduler.studies.regression import fit_line
from tests.strategies import LONG

NORRIS_Y_X = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
    449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5
    10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8
    339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1
    449.2 448.9 0.2 0.5"""


def test_norris_is_reproduced() -> None:
    """NIST 'Norris': intercept, slope, their errors and the residual deviation to 10 digits."""
    y, x = np.array(NORRIS_Y_X.split(), dtype=np.float64).reshape(-1, 2).T
    fit = fit_line(("b0", "b1"), np.column_stack([np.ones(36), x]), y)
    assert fit.values == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    assert fit.errors == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-10)
    assert fit.noise == pytest.approx(0.884796396144373, rel=1e-10)


def test_a_line_through_the_origin_is_reproduced() -> None:
    """NIST 'NoInt1': y = 130 ... 140 at x = 60 ... 70 without an intercept."""
    fit = fit_line(("b1",), np.arange(60.0, 71.0)[:, None], np.arange(130.0, 141.0))
    assert fit.value("b1") == pytest.approx(2.07438016528926, rel=1e-12)
    assert fit.errors[0] == pytest.approx(0.165289256198347e-01, rel=1e-12)


@pytest.mark.parametrize("tenth", [1.0, 0.1])
def test_an_exact_polynomial_is_found(tenth: float) -> None:
    """NIST 'Wampler1' and 'Wampler2': an exact polynomial of degree 5, ill-conditioned; 7 digits hold."""
    x = np.arange(21.0)
    columns = x[:, None] ** np.arange(6)
    truth = tenth ** np.arange(6)
    fit = fit_line(tuple("012345"), columns, columns @ truth)
    assert fit.values == pytest.approx(truth, rel=1e-7)


def test_longley_is_reproduced() -> None:
    """NIST 'Longley': seven nearly collinear economic series; 8 digits hold."""
    data = longley.load()
    x = np.column_stack([np.ones(16), np.asarray(data.exog)])
    fit = fit_line(tuple("0123456"), x, np.asarray(data.endog))
    certified = [
        -3482258.63459582,
        15.0618722713733,
        -0.358191792925910e-01,
        -2.02022980381683,
        -1.03322686717359,
        -0.511041056535807e-01,
        1829.15146461355,
    ]
    assert fit.values == pytest.approx(certified, rel=1e-8)
    assert fit.noise == pytest.approx(304.854073561965, rel=1e-8)


def test_independent_errors_agree_with_another_library() -> None:
    """Estimates, errors and scaled residuals are those of statsmodels' ordinary least squares."""
    _, columns, voltage = drawn(np.random.default_rng(5), 60, 2.0)
    fit = fit_line(("u0", "k", "drift"), columns, voltage)
    other = OLS(voltage, columns).fit()
    assert fit.values == pytest.approx(other.params, rel=1e-10)
    assert fit.half_widths == pytest.approx(np.diff(other.conf_int(), axis=1)[:, 0] / 2.0, rel=1e-10)
    assert fit.scaled == pytest.approx(other.get_influence().resid_studentized_internal, rel=1e-8)


def test_a_known_memory_agrees_with_another_library() -> None:
    """With the memory found, estimates and errors are those of statsmodels' generalised least squares."""
    times, columns, voltage = drawn(np.random.default_rng(6), 120, 4.0)
    fit = fit_line(("u0", "k", "drift"), columns, voltage, times)
    other = GLS(voltage, columns, np.exp(-np.abs(np.subtract.outer(times, times)) / fit.memory)).fit()
    assert fit.values == pytest.approx(other.params, rel=1e-8)
    assert fit.errors == pytest.approx(other.bse, rel=1e-8)
    assert fit.covariance == pytest.approx(other.cov_params(), rel=1e-8)


def drawn(rng: np.random.Generator, n: int, memory_h: float) -> tuple[Array, Array, Array]:
    """Return times, columns (one, density, month) and a voltage with errors that fade with a memory."""
    times = np.cumsum(rng.choice([1.0, 1.0, 1.0, 5.0], size=n))
    density = np.repeat(rng.uniform(2.5, 5.8, n // 8 + 1), 8)[:n]
    error = np.empty(n)
    error[0] = rng.normal()
    for i in range(1, n):
        phi = np.exp(-(times[i] - times[i - 1]) / memory_h)
        error[i] = phi * error[i - 1] + np.sqrt(1.0 - phi**2) * rng.normal()
    columns = np.column_stack([np.ones(n), density, times / 730.0])
    return times, columns, columns @ [2.44, 0.115, 0.002] + 0.012 * error


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """95 % intervals under errors with a memory of 6 h, with gaps: 92 to 98 % of 500 sets hold the truth."""
    rng = np.random.default_rng(20260608)
    sets, hits = 500 * LONG, np.zeros(3)
    for _ in range(sets):
        times, columns, voltage = drawn(rng, 160, 6.0)
        fit = fit_line(("u0", "k", "drift"), columns, voltage, times)
        hits += np.abs(fit.values - [2.44, 0.115, 0.002]) <= fit.half_widths
    assert np.all((hits / sets >= 0.92) & (hits / sets <= 0.98))


def test_intervals_that_forget_the_memory_do_not_hold() -> None:
    """The same readings taken for independent promise too much: so the memory is what is being tested."""
    rng = np.random.default_rng(7)
    hits = np.zeros(3)
    for _ in range(100):
        _, columns, voltage = drawn(rng, 160, 6.0)
        fit = fit_line(("u0", "k", "drift"), columns, voltage)
        hits += np.abs(fit.values - [2.44, 0.115, 0.002]) <= fit.half_widths
    assert np.all(hits[[0, 2]] < 80)


def test_the_memory_is_found() -> None:
    """A memory of 6 h is found to a quarter from 3,000 readings."""
    times, columns, voltage = drawn(np.random.default_rng(1), 3000, 6.0)
    fit = fit_line(("u0", "k", "drift"), columns, voltage, times)
    assert fit.memory == pytest.approx(6.0, rel=0.25)
    assert fit.effective < 1500


def test_a_reading_that_jumps_is_named_and_kept() -> None:
    """A reading 0.2 V off is called far; it is still among the readings of the fit."""
    times, columns, voltage = drawn(np.random.default_rng(3), 400, 3.0)
    voltage[123] += 0.2
    fit = fit_line(("u0", "k", "drift"), columns, voltage, times)
    assert 123 in fit.far
    assert fit.readings == 400


def test_columns_that_move_together_are_refused() -> None:
    """A slope cannot be told from an intercept at one density."""
    with pytest.raises(ValueError, match="cannot tell u0, k apart"):
        fit_line(("u0", "k"), np.column_stack([np.ones(20), np.full(20, 4.0)]), np.arange(20.0))


def test_times_must_rise() -> None:
    """Readings of one instant, or out of order, are refused."""
    with pytest.raises(ValueError, match="must rise"):
        fit_line(("u0",), np.ones((9, 1)), np.arange(9.0), np.array([0, 1, 2, 2, 3, 4, 5, 6, 7.0]))


def test_too_few_readings_are_refused() -> None:
    """Two values need more than four readings."""
    with pytest.raises(ValueError, match="at least 5 readings"):
        fit_line(("u0", "k"), np.column_stack([np.ones(4), np.arange(4.0)]), np.arange(4.0))
