"""Average and marginal cost over the load, the split of a total, and the prices at which loads change."""

import itertools

import numpy as np
import pytest

from models.cell_voltage import CellVoltage
from models.circuit import Circuit
from models.constants import FARADAY_C_PER_MOL, MOLAR_MASS_G_PER_MOL
from models.current_efficiency import CurrentEfficiency
from models.load_cost import LoadCost, indifference_price, price_steps, split
from models.rectifier import Rectifier


def _mercury(k: float = 0.09) -> Circuit:
    """36 mercury cells of 24 m2 without losses, so that figures can be made by hand."""
    return Circuit(
        "mercury",
        "mercury",
        "NaCl",
        36,
        24.0,
        4.5,
        11.0,
        Rectifier(4, 72.0, 165.0, drop_v=0.0),
        "naoh_50",
        voltage=CellVoltage(3.15, k),
        efficiency=CurrentEfficiency(0.972, 0.10),
    )


def _membrane(name: str = "membrane", k: float = 0.115) -> Circuit:
    return Circuit(
        name,
        "membrane_zero_gap",
        "NaCl",
        150,
        2.8,
        1.8,
        5.7,
        Rectifier(1, 33.0, 480.0, drop_v=0.0),
        "naoh_32",
        electrolysers_in_parallel=2,
        voltage=CellVoltage(2.44, k),
        efficiency=CurrentEfficiency(0.968, 0.035),
    )


STEAM_T_PER_T = 0.75 * 1.1282


def _curves() -> list[LoadCost]:
    return [LoadCost.of(_mercury()), LoadCost.of(_membrane(), steam_t_per_t=STEAM_T_PER_T)]


def test_marginal_energy_is_that_of_the_voltage_line() -> None:
    """d(U I)/dI is U0 + 2 k j, over the chlorine of a kAh: 2 F / M, from CODATA and IUPAC, per CE0."""
    curve = LoadCost.of(_mercury())
    kah_per_t = 1e6 * 2 * FARADAY_C_PER_MOL / (MOLAR_MASS_G_PER_MOL["Cl2"] * 3.6e6)
    by_hand = (3.15 + 2 * 0.09 * 10.0) * kah_per_t / 0.972 / 1000.0

    assert curve.marginal_mwh_per_t(np.array([240.0]))[0] == pytest.approx(by_hand, rel=1e-12)


def test_marginal_cost_is_the_slope_of_the_cost() -> None:
    """A finite difference of cost over chlorine gives the marginal cost, steam and salt included."""
    curve = LoadCost.of(_membrane(), STEAM_T_PER_T, other_per_t=90.0, pump_kwh_per_t=6.0)
    load = np.array([15.0, 25.0, 31.0])
    step = 1e-4
    cost = curve.cost_per_h(load + step, 60.0, 30.0) - curve.cost_per_h(load - step, 60.0, 30.0)
    made = curve.chlorine(load + step) - curve.chlorine(load - step)

    assert curve.marginal(load, 60.0, 30.0) == pytest.approx(cost / made, rel=1e-7)


@pytest.mark.parametrize("steam", [0.0, 30.0])
@pytest.mark.parametrize("price", [12.0, 60.0])
def test_split_is_not_beaten_by_brute_force(price: float, steam: float) -> None:
    """No split on a grid of 4 001 loads costs less, at any of five totals, with and without steam."""
    first, second = _curves()
    low = sum(float(c.chlorine(np.array([c.load_min_ka]))[0]) for c in (first, second))
    high = sum(float(c.chlorine(np.array([c.load_max_ka]))[0]) for c in (first, second))
    totals = np.linspace(low, high, 5)
    found = split([first, second], totals, price, steam)
    assert np.sum(found.chlorine_t_per_h, axis=0) == pytest.approx(totals, rel=1e-12)

    for total, cost in zip(totals, found.cost_per_h, strict=True):
        least, most = (
            (total - second.chlorine(np.array([end]))[0] - first.chlorine_constant) / first.chlorine_per_ka
            for end in (second.load_max_ka, second.load_min_ka)
        )
        loads = np.linspace(max(first.load_min_ka, least), min(first.load_max_ka, most), 4001)
        rest = (total - first.chlorine(loads) - second.chlorine_constant) / second.chlorine_per_ka
        brute = first.cost_per_h(loads, price, steam) + second.cost_per_h(rest, price, steam)
        best = float(np.min(brute))
        assert cost <= best + 1e-9 * abs(best)
        assert cost >= best - 1e-7 * abs(best)


def test_split_of_three_circuits_has_equal_marginal_costs_inside_the_ranges() -> None:
    """Karush, Kuhn and Tucker: equal inside, not cheaper at the least load, not dearer at the most."""
    curves = [*_curves(), LoadCost.of(_membrane("worn", k=0.14), steam_t_per_t=STEAM_T_PER_T)]
    found = split(curves, np.linspace(9.0, 23.5, 7), 60.0, 30.0)

    for i, curve in enumerate(curves):
        loads = found.loads_ka[i]
        marginal = curve.marginal(loads, 60.0, 30.0)
        inside = (loads > curve.load_min_ka + 1e-6) & (loads < curve.load_max_ka - 1e-6)
        assert marginal[inside] == pytest.approx(found.marginal[inside], rel=1e-6)
        assert np.all(
            marginal[loads <= curve.load_min_ka + 1e-6]
            >= found.marginal[loads <= curve.load_min_ka + 1e-6] - 1e-6
        )
        assert np.all(
            marginal[loads >= curve.load_max_ka - 1e-6]
            <= found.marginal[loads >= curve.load_max_ka - 1e-6] + 1e-6
        )
    assert np.all(np.diff(found.marginal) >= -1e-9)


def test_split_where_marginal_costs_are_flat_still_meets_the_total() -> None:
    """With k = 0 and no losses marginal cost does not depend on the load; every split costs the same."""
    curves = [LoadCost.of(_membrane(name, k=0.0)) for name in ("one", "two")]
    found = split(curves, np.array([6.0, 8.0]), 50.0, 0.0)

    assert np.sum(found.chlorine_t_per_h, axis=0) == pytest.approx([6.0, 8.0], rel=1e-9)


def test_a_total_that_cannot_be_made_is_refused() -> None:
    """Nothing is clipped."""
    with pytest.raises(ValueError, match=r"'total_t_per_h' must be between .* \(got 50 to 50\)"):
        split(_curves(), np.array([50.0]), 60.0, 0.0)


def test_a_power_price_that_pays_for_power_is_refused() -> None:
    """Below 0 the cost is concave in the load and equal marginal costs would be the dearest split."""
    with pytest.raises(ValueError, match=r"'power_price_per_mwh' must be above 0"):
        split(_curves(), np.array([15.0]), -5.0, 0.0)


class TestOrder:
    """Which room to load first depends on whether its marginal alkali is evaporated."""

    def test_on_power_alone_membrane_first(self) -> None:
        """From both at least load, the membrane room takes the first tonnes whatever the power price."""
        mercury, membrane = _curves()
        low = sum(float(c.chlorine(np.array([c.load_min_ka]))[0]) for c in (mercury, membrane))
        for price in (10.0, 20.0, 60.0):
            found = split([mercury, membrane], np.array([low + 0.5]), price, 0.0)

            assert found.loads_ka[0, 0] == pytest.approx(mercury.load_min_ka)
            assert found.loads_ka[1, 0] > membrane.load_min_ka + 1.0

    def test_with_steam_mercury_first_at_low_load_and_low_power_price(self) -> None:
        """At 10 per MWh and steam at 30 per t the order is reversed; at 60 per MWh it is not."""
        mercury, membrane = _curves()
        low = sum(float(c.chlorine(np.array([c.load_min_ka]))[0]) for c in (mercury, membrane))
        cheap = split([mercury, membrane], np.array([low + 0.5]), 10.0, 30.0)
        dear = split([mercury, membrane], np.array([low + 0.5]), 60.0, 30.0)

        assert cheap.loads_ka[0, 0] > mercury.load_min_ka + 1.0
        assert cheap.loads_ka[1, 0] == pytest.approx(membrane.load_min_ka)
        assert dear.loads_ka[0, 0] == pytest.approx(mercury.load_min_ka)

    def test_the_price_of_the_reversal_by_hand(self) -> None:
        """Steam per t, 0.75 x 1.1282 x 30 = 25.38, over the energy that mercury takes more at least load."""
        mercury, membrane = _curves()
        kah_per_t = 1e6 * 2 * FARADAY_C_PER_MOL / (MOLAR_MASS_G_PER_MOL["Cl2"] * 3.6e6)
        more = ((3.15 + 0.18 * 4.5) / 0.972 - (2.44 + 0.23 * 1.8) / 0.968) * kah_per_t / 1000.0
        price = indifference_price(mercury, mercury.load_min_ka, membrane, membrane.load_min_ka, 30.0)

        assert price == pytest.approx(STEAM_T_PER_T * 30.0 / more, rel=1e-9)
        for factor, first in ((0.99, 0), (1.01, 1)):
            low = sum(float(c.chlorine(np.array([c.load_min_ka]))[0]) for c in (mercury, membrane))
            found = split([mercury, membrane], np.array([low + 0.01]), factor * (price or 0.0), 30.0)
            raised = found.loads_ka[:, 0] - [mercury.load_min_ka, membrane.load_min_ka]
            assert np.argmax(raised / [240.0, 30.0]) == first


def test_price_steps_are_where_the_best_load_leaves_its_ends() -> None:
    """Worth less cost, searched over a fine grid of loads, is greatest at the ends beyond the two prices."""
    curve = LoadCost.of(_membrane(), steam_t_per_t=STEAM_T_PER_T, other_per_t=60.0)
    steps = price_steps(curve, 300.0, 30.0)
    loads = np.linspace(curve.load_min_ka, curve.load_max_ka, 2001)

    def best(price: float) -> float:
        gain = 300.0 * curve.chlorine(loads) - curve.cost_per_h(loads, price, 30.0)
        return float(loads[int(np.argmax(gain))])

    assert steps.full_below_per_mwh < steps.least_above_per_mwh
    assert best(steps.full_below_per_mwh * 0.999) == curve.load_max_ka
    assert best(steps.least_above_per_mwh * 1.001) == curve.load_min_ka
    inside = [
        best(price)
        for price in np.linspace(steps.full_below_per_mwh * 1.01, steps.least_above_per_mwh * 0.99, 5)
    ]
    assert all(a > b for a, b in itertools.pairwise(inside))
    assert curve.load_min_ka < inside[-1] < inside[0] < curve.load_max_ka
