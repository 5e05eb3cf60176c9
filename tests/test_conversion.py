"""Net present value, payback and tornado of a conversion."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from models.checks import InvalidValues
from models.conversion import DEFAULTS, LAW, Conversion, ConversionTable, irr, npv, payback_years, tornado

CASE = Conversion(
    chlorine_t_per_year=80_000.0,
    capacity_t_per_year=100_000.0,
    energy_saved_mwh_per_year=70_000.0,
    power_price_per_mwh=60.0,
    steam_more_t_per_year=60_000.0,
    steam_price_per_t=30.0,
    other_saving_per_year=100_000.0,
    investment_per_t_per_year=450.0,
    life_years=20.0,
    discount_rate_percent=8.0,
    downtime_days=30.0,
    downtime_loss_per_t=100.0,
    mercury_inventory_t_per_kt=1.9,
    mercury_disposal_per_t=3000.0,
    decommissioning_per_t_per_year=40.0,
)


class TestPublishedExamples:
    """Worked examples printed in public documentation."""

    def test_net_present_value(self) -> None:
        """40 000 invested for 5 000, 8 000, 12 000 and 30 000 at 8 % is worth 3065.22267.

        Source: documentation of numpy-financial, `npv`, worked example.
        """
        assert npv(0.08, np.array([-40e3, 5e3, 8e3, 12e3, 30e3])) == pytest.approx(3065.22267, abs=5e-6)

    def test_net_present_value_of_gitman(self) -> None:
        """At 28.1 % the example of Gitman is worth -0.0084785916.

        Source: documentation of NumPy 1.16, `numpy.npv`, after L. J. Gitman, Principles of Managerial
        Finance, Brief, 3rd ed., 2003.
        """
        assert npv(0.281, np.array([-100.0, 39, 59, 55, 20])) == pytest.approx(-0.0084785916, abs=5e-11)

    @pytest.mark.parametrize(
        ("flows", "rate"),
        [([-100.0, 39, 59, 55, 20], 0.2809484211599611), ([-100.0, 0, 0, 74], -0.0955)],
    )
    def test_internal_rate_of_return(self, flows: list[float], rate: float) -> None:
        """Source: documentation of NumPy, `numpy.irr`, examples (the second printed to 5 digits)."""
        assert irr(np.array(flows)) == pytest.approx(rate, abs=5e-6)


def test_a_rate_of_return_that_is_not_one_is_not_given() -> None:
    """Flows that change their sign twice have two rates or none, flows of one sign none."""
    assert irr(np.array([-100.0, 230.0, -132.0])) is None  # both 10 % and 20 % give 0, by hand
    assert npv(0.1, np.array([-100.0, 230.0, -132.0])) == pytest.approx(0.0, abs=1e-9)
    assert npv(0.2, np.array([-100.0, 230.0, -132.0])) == pytest.approx(0.0, abs=1e-9)
    assert irr(np.array([-100.0, -1.0])) is None


def test_net_present_value_of_an_annuity_is_the_closed_form() -> None:
    """Equal savings are worth saving x (1 - (1 + r)^-n) / r, the annuity formula of every textbook."""
    factor = (1.0 - 1.08**-20) / 0.08

    assert CASE.npv == pytest.approx(-CASE.outlay + CASE.saving_per_year * factor, rel=1e-12)
    assert npv(CASE.irr or 0.0, CASE.cash_flows) == pytest.approx(0.0, abs=1.0)


def test_payback_by_hand() -> None:
    """100 paid back by 40 a year takes 2.5 years; at 10 % three years give 99.47, year four the rest."""
    flows = np.array([-100.0, 40, 40, 40, 40])

    assert payback_years(flows) == pytest.approx(2.5)
    assert payback_years(flows, 0.10) == pytest.approx(
        3 + (100 - 40 / 1.1 - 40 / 1.21 - 40 / 1.331) / (40 / 1.4641)
    )
    assert payback_years(np.array([-100.0, 10, 10])) is None
    assert payback_years(np.array([0.0, 10])) == 0.0


def test_outlay_and_saving_by_hand() -> None:
    """45 M investment, 4 M clean-up, 190 t of mercury at 3 000, 30 days of 80 000 t/a at 100 per t."""
    assert CASE.investment == pytest.approx(45e6)
    assert CASE.decommissioning == pytest.approx(4e6)
    assert CASE.mercury_t == pytest.approx(190.0)
    assert CASE.mercury_disposal == pytest.approx(570e3)
    assert CASE.downtime_loss == pytest.approx(80_000 / 365 * 30 * 100)
    assert CASE.outlay == pytest.approx(45e6 + 4e6 + 570e3 + 80_000 / 365 * 3000)
    assert CASE.saving_per_year == pytest.approx(70_000 * 60 - 60_000 * 30 + 100_000)
    assert CASE.simple_payback_years == pytest.approx(CASE.outlay / 2.5e6)
    assert CASE.discounted_payback_years is None


def test_without_a_saving_there_is_no_payback() -> None:
    """A conversion that costs more to run never pays."""
    worse = replace(CASE, energy_saved_mwh_per_year=0.0)

    assert worse.simple_payback_years is None
    assert worse.irr is None
    assert worse.npv < -worse.outlay


def test_tornado_is_the_value_at_each_end_widest_first() -> None:
    """Each bar is the case valued again with one parameter changed, all else as it was."""
    ranges = ConversionTable().resolved()
    swings = tornado(CASE, ranges)

    assert {swing.key for swing in swings} == set(DEFAULTS)
    assert all(a.width >= b.width for a, b in itertools.pairwise(swings))
    dearer = replace(CASE, investment_per_t_per_year=600.0)
    bar = next(swing for swing in swings if swing.key == "investment_per_t_per_year")
    assert bar.npv_high == dearer.npv
    assert bar.npv_high == pytest.approx(CASE.npv - 150.0 * 100_000)


class TestTable:
    """The table `[conversion]`."""

    def test_what_is_not_stated_is_a_labelled_default(self) -> None:
        """A stated value says where it stands; the others say 'default' and their source."""
        ranges = ConversionTable(investment_per_t_per_year=420.0).resolved()

        assert ranges["investment_per_t_per_year"].source == "site file, [conversion]"
        assert ranges["life_years"].source.startswith("default: ")
        assert ranges["investment_per_t_per_year"].low == pytest.approx(280.0)

    def test_a_range_must_hold_the_value(self) -> None:
        """A range that lies beside the value would draw a bar that does not hold the case."""
        with pytest.raises(InvalidValues, match=r"must hold its value 420 .* \(got 500 to 560\)"):
            ConversionTable(investment_per_t_per_year=420.0, low={"investment_per_t_per_year": 500.0})

    def test_an_unknown_parameter_is_named_with_a_close_match(self) -> None:
        """A misspelt parameter is not taken for no range."""
        with pytest.raises(InvalidValues, match=r"got 'life_year'\); did you mean 'life_years'\?"):
            ConversionTable(low={"life_year": 10.0})


def test_the_law_is_left_to_the_authority() -> None:
    """Notes name the Convention and the regional rule and hand the question to the authority."""
    text = " ".join(LAW)

    assert "Minamata Convention" in text
    assert "2013/732/EU" in text
    assert "competent authority" in text


def test_every_default_has_a_source_and_a_range_around_it() -> None:
    """A default without a standing would be taken for a fact."""
    for span in DEFAULTS.values():
        assert span.low <= span.value <= span.high
        assert any(word in span.source for word in ("memory", "placeholder", "range of this project"))
