"""Hydrogen in tail gas: mole balance, published limits and edges."""

import numpy as np
import pytest

from models.tail_gas import (
    DEFAULT_LIMIT_PERCENT,
    LOWER_LIMIT,
    hydrogen_fraction,
    lower_limit_percent,
    yield_max,
)


def test_mole_balance() -> None:
    """Of 1000 mol feed with 980 Cl2 and 3 H2, 90 % liquefied, 118 mol gas remain with 3 mol H2: by hand."""
    assert hydrogen_fraction(0.003, 0.98, 0.90) == pytest.approx(3.0 / 118.0, rel=1e-12)


def test_without_liquefaction_the_feed_remains() -> None:
    """At a yield of zero the tail gas is the feed."""
    assert hydrogen_fraction(0.003, 0.98, 0.0) == 0.003


@pytest.mark.parametrize(
    ("feed_hydrogen", "limit", "expected"),
    [
        (0.001, 0.04, 0.9949),
        (0.001, 0.03, 0.9864),
        (0.003, 0.04, 0.9439),
        (0.003, 0.03, 0.9184),
        (0.005, 0.04, 0.8929),
        (0.005, 0.03, 0.8503),
    ],
)
def test_yield_for_a_limit(feed_hydrogen: float, limit: float, expected: float) -> None:
    """Closed form (1 - h / x) / c, worked by hand for 98 % chlorine; the limit is then met exactly."""
    share = yield_max(feed_hydrogen, 0.98, limit)
    assert share == pytest.approx(expected, abs=5e-5)
    assert hydrogen_fraction(feed_hydrogen, 0.98, share) == pytest.approx(limit, rel=1e-12)


def test_yield_agrees_with_published_single_stage_liquefaction() -> None:
    """Hydrogen holds single-stage liquefaction to 90 to 95 % (BREF draft 2012, citing Ullmann's 2006).

    With 0.2 to 0.3 % hydrogen in 98 % chlorine and the published lower limit the model gives the same range.
    """
    limit = lower_limit_percent(0.0) / 100.0
    assert 0.90 < yield_max(0.003, 0.98, limit) < yield_max(0.002, 0.98, limit) < 0.97


def test_hydrogen_free_feed_may_liquefy_fully() -> None:
    """Without hydrogen, or with inerts enough to dilute it, a yield of one is allowed."""
    assert yield_max(0.0, 0.98) == 1.0
    assert yield_max(0.001, 0.90, 0.03) == 1.0
    assert hydrogen_fraction(0.001, 0.90, 1.0) < 0.03


def test_default_limit_is_below_every_published_limit() -> None:
    """The default is below the 2.5 % published for 13.5 bar, so never the 4 % of cold gas."""
    assert DEFAULT_LIMIT_PERCENT < 2.5 < min(limit for _, limit in LOWER_LIMIT)
    assert yield_max(0.003, 0.98) == yield_max(0.003, 0.98, DEFAULT_LIMIT_PERCENT / 100.0)


@pytest.mark.parametrize(
    ("temperature_c", "expected"),
    [
        (-60.0, 5.0),
        (-40.0, 4.0),
        (-20.0, 4.0),
        (0.0, 3.5),
        (20.0, 3.0),
        (25.0, 3.0),
        (50.0, 3.0),
        (100.0, 3.0),
    ],
)
def test_published_lower_limits(temperature_c: float, expected: float) -> None:
    """The rows are those of 'Hydrogen in chlorine', 2016, citing Euro Chlor GEST 91/168, chapter 9."""
    assert lower_limit_percent(temperature_c) == expected


@pytest.mark.parametrize(("temperature_c", "expected"), [(-50.0, 4.0), (-10.0, 3.5), (0.1, 3.0), (75.0, 3.0)])
def test_between_rows_the_lower_limit_holds(temperature_c: float, expected: float) -> None:
    """Between two rows the warmer one, never the higher limit, is given."""
    assert lower_limit_percent(temperature_c) == expected


@pytest.mark.parametrize("temperature_c", [-61.0, 101.0, float("nan")])
def test_limit_outside_the_table_is_refused(temperature_c: float) -> None:
    """A temperature outside the table is refused with its ends."""
    with pytest.raises(ValueError, match=r"'temperature_c' must be between -60 and 100 \[C\]"):
        lower_limit_percent(temperature_c)


def test_feed_above_the_limit_is_refused() -> None:
    """A feed above the limit cannot be liquefied at all; at the limit the yield is zero."""
    assert yield_max(0.03, 0.97, 0.03) == 0.0
    with pytest.raises(
        ValueError, match=r"'feed_hydrogen' must be at most the limit 0.03 \[-\] \(got 0.031\)"
    ):
        yield_max(0.031, 0.96, 0.03)


@pytest.mark.parametrize(
    ("hydrogen", "chlorine"), [(-0.001, 0.9), (0.01, 0.0), (0.03, 0.98), (float("nan"), 0.9)]
)
def test_impossible_feed_is_refused(hydrogen: float, chlorine: float) -> None:
    """Fractions that are negative, missing or above one together are refused."""
    with pytest.raises(ValueError, match="'feed_hydrogen' must be at least 0, 'feed_chlorine' above 0"):
        hydrogen_fraction(hydrogen, chlorine, 0.9)


def test_yield_and_limit_out_of_range_are_refused() -> None:
    """A yield outside 0 to 1, full liquefaction of pure chlorine and a limit of zero are refused."""
    with pytest.raises(ValueError, match="'liquefaction_yield' must be between 0 and 1"):
        hydrogen_fraction(0.001, 0.98, 1.1)
    with pytest.raises(ValueError, match="no gas is left"):
        hydrogen_fraction(0.0, 1.0, 1.0)
    with pytest.raises(ValueError, match=r"'hydrogen_limit' must be above 0 and at most 1 \[-\] \(got 0\)"):
        yield_max(0.001, 0.98, 0.0)


def test_arrays_give_the_scalar_results() -> None:
    """An array of yields gives element by element what scalars give, rising with the yield."""
    shares = np.array([0.0, 0.5, 0.9, 0.95])
    content = hydrogen_fraction(0.002, 0.98, shares)
    np.testing.assert_allclose(content, [hydrogen_fraction(0.002, 0.98, y) for y in shares.tolist()])
    assert np.all(np.diff(content) > 0.0)
