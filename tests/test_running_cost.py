"""Running cost per tonne: the items, where they come from, and the anchor of the default technologies."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from models.brine import BrineCircuit
from models.circuit import Circuit
from models.conversion import Conversion
from models.cost_tables import rooms_of
from models.cost_values import PRICE_DEFAULTS, ROOM_DEFAULTS, CostPrices, Room
from models.evaporator import Evaporator
from models.horizon import Array, Horizon
from models.rectifier import Rectifier
from models.running_cost import LABELS, PricedPeriod, RoomCost, room_cost, supply_of, together
from models.situation import Availability, Situation
from models.technology import DEFAULTS
from models.unit import Unit

DAY = Horizon.of_days(dt.date(2026, 6, 8), "UTC")
PRICES = CostPrices(steam_price_per_t=30.0, carbon_price_per_t=0.0)


def _default_circuit(technology: str, auxiliaries: float, cells: int = 100, area: float = 10.0) -> Circuit:
    """Return a circuit of a technology's defaults, its rectifier 97.5 % at nominal density."""
    values = DEFAULTS[technology]
    load = values.density_nominal * area
    dc = cells * values.voltage.voltage(values.density_nominal) * load / 1000.0
    return Circuit(
        technology,
        technology,
        "NaCl",
        cells,
        area,
        values.density_nominal * 0.5,
        values.density_nominal * 1.1,
        Rectifier.from_nominal(1, 2 * load, 1000.0, dc_mw_nominal=dc, load_nominal_ka=load),
        "naoh_50" if technology == "mercury" else "naoh_32",
        auxiliary_kwh_per_t=auxiliaries,
    )


def _period(circuits: list[Circuit], price: Array | float = 60.0, other: float = 0.0) -> PricedPeriod:
    return PricedPeriod(
        "one day",
        DAY,
        Situation(),
        {c.name: np.full(24, DEFAULTS[c.technology].density_nominal * c.area_m2) for c in circuits},
        np.full(24, price) if isinstance(price, float) else price,
        other,
        "a flat price",
        "given",
    )


def _cost(
    circuit: Circuit,
    period: PricedPeriod,
    prices: CostPrices = PRICES,
    units: tuple[Unit, ...] = (),
    room: Room | None = None,
) -> RoomCost:
    room = room or Room(circuit.name, (circuit.name,))
    uses, known = room.resolved(circuit.technology), prices.resolved()
    supply = supply_of(circuit, (circuit, *units), room, uses, known)
    return room_cost(room, [circuit], {circuit.name: supply}, period, uses, known)


class TestAnchor:
    """The gap between mercury and membrane at the default values, as known in the trade.

    Electrolysis and auxiliaries of both: IPPC reference document on chlor-alkali manufacturing of 2001 and
    handbook ranges, values from memory; the arithmetic by hand: DC 3229 and 2332 kWh/t over 97.5 %, with 200
    and 140 kWh/t of auxiliaries, make 3511 and 2532 kWh/t.
    """

    mercury = _default_circuit("mercury", 200.0)
    membrane = _default_circuit("membrane_zero_gap", 140.0)

    def _both(self) -> tuple[RoomCost, RoomCost]:
        period = _period([self.mercury, self.membrane])
        return _cost(self.mercury, period), _cost(self.membrane, period)

    def test_energy_gap(self) -> None:
        """About 979 kWh/t."""
        old, new = self._both()

        assert (old.ac_kwh_per_t or 0) - (new.ac_kwh_per_t or 0) == pytest.approx(979.0, abs=1.0)

    def test_power_and_steam(self) -> None:
        """About 59 per t of power at 60 per MWh, less about 25 per t of steam at 30 per t: about 30 net."""
        old, new = self._both()
        power = sum(
            (old.item(key).amount / old.chlorine_t - new.item(key).amount / new.chlorine_t)
            for key in LABELS
            if key.startswith("power_")
        )
        steam = new.item("steam").amount / new.chlorine_t

        assert power == pytest.approx(59.0, abs=0.5)
        assert steam == pytest.approx(25.0, abs=0.5)
        assert old.item("steam").amount == 0.0
        assert power - steam == pytest.approx(30.0, abs=4.0)

    def test_payback(self) -> None:
        """At 300 to 600 per t/a the net saving pays back in about 10 to 20 years, before law."""
        old, new = self._both()
        saved = (old.ac_kwh_per_t or 0) / 1000.0 - (new.ac_kwh_per_t or 0) / 1000.0
        case = Conversion(1.0, 1.0, saved, 60.0, 0.75 * 1.1282, 30.0, 0.0, 300.0, 20.0, 0.0)

        assert case.simple_payback_years == pytest.approx(10.0, rel=0.12)
        assert replace(case, investment_per_t_per_year=600.0).simple_payback_years == pytest.approx(
            20.0, rel=0.12
        )


class TestItems:
    """Every line is a quantity times a price with a source for both."""

    circuit = _default_circuit("membrane_zero_gap", 140.0)

    def test_every_line_says_where_it_comes_from(self) -> None:
        """No line without two origins, and each amount is its quantity times its price."""
        cost = _cost(self.circuit, _period([self.circuit]), CostPrices(carbon_price_per_t=50.0))

        assert [item.key for item in cost.items] == list(LABELS)
        for item in cost.items:
            assert item.quantity_from
            assert item.price_from
            assert item.amount == pytest.approx(item.quantity * item.price)
        assert cost.total == pytest.approx(sum(item.amount for item in cost.items))

    def test_power_is_priced_hour_by_hour(self) -> None:
        """A dear half of the day with less load costs what the hours cost, not what the mean costs."""
        period = _period([self.circuit], np.repeat([100.0, 20.0], 12))
        load = period.loads_ka[self.circuit.name] * np.repeat([0.6, 1.0], 12)
        period = replace(period, loads_ka={self.circuit.name: load})
        done = self.circuit.simulate(DAY, Situation(), {self.circuit.key("load"): load})

        cost = _cost(self.circuit, period)
        assert cost.item("power_dc").amount == pytest.approx(
            float(np.sum(done.readings["dc_power_mw"] * period.energy_price_per_mwh))
        )
        assert cost.item("power_dc").price < 60.0

    def test_power_lines_add_up_to_the_power_of_the_circuit(self) -> None:
        """DC, rectification and auxiliaries are what the circuit draws from the site's bars."""
        period = _period([self.circuit], other=7.0)
        drawn = -self.circuit.simulate(
            DAY, Situation(), {self.circuit.key("load"): period.loads_ka[self.circuit.name]}
        ).flows["power"]
        cost = _cost(self.circuit, period)
        lines = [cost.item(key).quantity for key in ("power_dc", "power_rectification", "power_auxiliaries")]

        assert sum(lines) == pytest.approx(float(np.sum(drawn)))
        assert cost.item("power_standing").amount == pytest.approx(7.0 * float(np.sum(drawn)))

    def test_an_outage_counts(self) -> None:
        """Hours without current make nothing and draw nothing, while membranes age."""
        out = Availability(self.circuit.name, "in_service", 0, DAY.start_min, DAY.start_min + 720)
        whole = _period([self.circuit])
        load = whole.loads_ka[self.circuit.name] * np.repeat([0.0, 1.0], 12)
        half = replace(whole, situation=Situation(availability=(out,)), loads_ka={self.circuit.name: load})
        full, cost = _cost(self.circuit, whole), _cost(self.circuit, half)

        assert cost.chlorine_t == pytest.approx(full.chlorine_t / 2)
        assert cost.item("power_dc").amount == pytest.approx(full.item("power_dc").amount / 2)
        assert cost.item("membranes").amount == full.item("membranes").amount
        assert (cost.per_t_chlorine or 0) > (full.per_t_chlorine or 0)

    def test_salt_and_products_by_stoichiometry(self) -> None:
        """1.648 t NaCl and 1.1282 t NaOH per t of chlorine: calculated from IUPAC weights."""
        cost = _cost(self.circuit, _period([self.circuit]))

        assert cost.item("salt").quantity / cost.chlorine_t == pytest.approx(1.648, abs=5e-4)
        assert cost.alkali_t / cost.chlorine_t == pytest.approx(1.1282, abs=5e-5)
        assert cost.per_t_alkali == pytest.approx((cost.per_t_chlorine or 0) / 1.1282, rel=1e-4)
        assert cost.per_ecu == pytest.approx(cost.per_t_chlorine)

    def test_membranes_by_hand(self) -> None:
        """1000 m2 at 750 per m2 last 4 years: 1000 x 750 / (4 x 365) a day."""
        item = _cost(self.circuit, _period([self.circuit])).item("membranes")

        assert item.amount == pytest.approx(1000.0 * 750.0 / (4 * 365))

    def test_mercury_lines_are_those_of_mercury_cells_alone(self) -> None:
        """A membrane room has no mercury, a mercury room no membranes; by values, not by names."""
        mercury = _default_circuit("mercury", 200.0)
        old, new = (_cost(c, _period([c])) for c in (mercury, self.circuit))

        assert old.item("mercury_makeup").quantity == pytest.approx(old.chlorine_t * 8.0 / 1000.0)
        assert "0.88 g/t" in old.item("mercury_control").quantity_from
        assert old.item("membranes").amount == 0.0
        assert all(new.item(key).amount == 0.0 for key in LABELS if key.startswith("mercury_"))

    def test_rooms_together_are_their_sums(self) -> None:
        """Each line of the whole is the sum of the rooms' lines."""
        mercury = _default_circuit("mercury", 200.0)
        parts = [_cost(c, _period([c])) for c in (mercury, self.circuit)]
        whole = together("both", parts)

        assert whole.total == pytest.approx(parts[0].total + parts[1].total)
        assert whole.technology == "mixed"
        assert whole.per_ecu == pytest.approx(whole.total / whole.chlorine_t)


class TestSupply:
    """Salt, pumps and evaporation come from the site's own units where it has them."""

    circuit = replace(_default_circuit("membrane_zero_gap", 140.0), brine="brine_membrane")
    brine = BrineCircuit("brine_b", "brine_membrane", 225.0, 95.0, price_per_t=56.0, kwh_per_m3=0.35)

    def test_salt_and_treatment_add_up_to_the_price_of_the_plan(self) -> None:
        """The brine circuit's price holds the treatment, so the two lines make that price."""
        cost = _cost(self.circuit, _period([self.circuit]), units=(self.brine,))
        salt, treatment = cost.item("salt"), cost.item("brine_treatment")

        assert salt.amount + treatment.amount == pytest.approx(56.0 * salt.quantity)
        assert "unit 'brine_b'" in salt.price_from

    def test_treatment_dearer_than_treated_salt_is_refused(self) -> None:
        """The rest would be a negative price of salt."""
        room = Room("room", (self.circuit.name,), brine_treatment_per_t_salt=60.0)
        with pytest.raises(ValueError, match=r"must be at most the price of salt .* 56 .*\(got 60\)"):
            _cost(self.circuit, _period([self.circuit]), units=(self.brine,), room=room)

    def test_steam_of_the_evaporator_before_the_default_of_the_technology(self) -> None:
        """A stated use comes first, then the site's evaporator with its fixed steam, then the default."""
        evaporator = Evaporator("evap", "naoh_32", "naoh_50", 4.0, 10.0, 0.56, steam_fixed_t_per_h=0.4)
        period = _period([self.circuit])
        stated = Room("room", (self.circuit.name,), steam_t_per_t_alkali=0.5)
        ratios = [
            (cost := _cost(self.circuit, period, units=units, room=room)).item("steam").quantity
            / cost.alkali_t
            for units, room in (((evaporator,), stated), ((evaporator,), None), ((), None))
        ]

        assert ratios == pytest.approx([0.5, 0.56 + 0.4 / 10.0, 0.75])


class TestValues:
    """Prices and uses: what a site states, and labelled defaults."""

    def test_what_is_not_stated_is_a_labelled_default(self) -> None:
        """A stated price says where it stands; the others say so and carry a source."""
        values = CostPrices(steam_price_per_t=22.0).resolved()

        assert values["steam_price_per_t"].source == "site file, [costs]: steam_price_per_t"
        assert not values["steam_price_per_t"].is_default
        assert values["membrane_price_per_m2"].is_default
        assert values["membrane_price_per_m2"].source.startswith("default: ")

    def test_every_technology_has_a_default_of_every_use(self) -> None:
        """A technology without a default would have no cost of that kind, in silence."""
        assert set(ROOM_DEFAULTS) == set(DEFAULTS)
        keys = {key: frozenset(uses) for key, uses in ROOM_DEFAULTS.items()}
        assert len(set(keys.values())) == 1
        assert all(default.source for default in PRICE_DEFAULTS.values())

    def test_a_price_out_of_range_is_refused(self) -> None:
        """Every price is checked, with its unit in the message."""
        with pytest.raises(
            ValueError, match=r"'steam_price_per_t' must be at least 0 \[currency/t\] \(got -1"
        ):
            CostPrices(steam_price_per_t=-1.0)


class TestRooms:
    """Circuits are grouped into rooms."""

    one = _default_circuit("membrane_zero_gap", 140.0)
    two = replace(one, name="two")

    def test_a_circuit_in_no_room_is_a_room_of_its_own(self) -> None:
        """Nothing is left out of the costs."""
        found = rooms_of((self.one, self.two), ())

        assert [(room.name, len(members)) for room, members in found] == [(self.one.name, 1), ("two", 1)]

    def test_a_room_of_two_technologies_is_refused(self) -> None:
        """Defaults go by technology, so a mixed room has none."""
        mercury = _default_circuit("mercury", 200.0)
        with pytest.raises(
            ValueError, match=r"holds circuits of membrane.* and mercury.*: make a room of each"
        ):
            rooms_of((self.one, mercury), (Room("mixed", (self.one.name, "mercury")),))

    def test_a_circuit_in_two_rooms_is_refused(self) -> None:
        """Its cost would count twice."""
        with pytest.raises(ValueError, match="the circuit 'two' is in the rooms 'a' and 'b'"):
            rooms_of((self.one, self.two), (Room("a", ("two",)), Room("b", ("two",))))
