"""Trips: hours of cover, where chlorine goes, the rule that keeps liquid for one, and trips.csv.

No published worked example is known; every number follows by hand from the assumptions that `models.trips`
states, as shown in each docstring.
"""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest

from models.checks import InvalidValues
from models.compressor import Compressor
from models.liquefier import Liquefier, Vaporiser
from models.order import Pipeline
from models.situation import Situation
from models.tank import ChlorineStore
from models.trade import Outlet, Purchase
from models.trips import (
    LiquefactionRoom,
    TripCover,
    TrippingCircuit,
    circuit_trip,
    customer_trip,
)
from models.unit import UNIT_KINDS
from scheduler.audit import row_values
from scheduler.report.columns import FURTHER_FILES
from scheduler.report.summary import summary_text
from scheduler.report.trips import trip_figures, trips_csv
from scheduler.result import Plan, Status
from tests.binding_cases import hours
from tests.report_case import small_plan
from tests.small_sites import CHLORINE_T_PER_KAH, plain_case, plain_circuit
from tests.trip_case import T_PER_KA, trip_plan


def one(value: float) -> np.ndarray:
    """Return a value on one interval."""
    return np.array([value])


@pytest.mark.parametrize(
    ("left", "hot", "return_max", "cover", "once_hot", "returned"),
    [
        # 16 - 1 held = 15 of 14.7 t/h: production suffices.
        (16.0, 0.0, 6.0, (np.inf, np.inf), (np.inf, np.inf), 0.0),
        # 13 - 1 = 12: 10.5 is made, the second needs 2.7 of liquid: 54 t / 2.7 = 20 h, none while cold.
        (13.0, 0.0, 6.0, (np.inf, 0.0), (np.inf, 20.0), 2.7),
        (13.0, 6.0, 6.0, (np.inf, 20.0), (np.inf, 20.0), 2.7),
        # 10.7 - 1 = 9.7: 5.0 of liquid serve both for 54 / 5 = 10.8 h; then only the second fits.
        (10.7, 6.0, 6.0, (10.8, np.inf), (10.8, np.inf), 5.0),
        # 7 - 1 + 6 = 12: the second does not fit. The first draws 4.5, 54 / 4.5 = 12 h.
        (7.0, 6.0, 6.0, (12.0, 0.0), (12.0, 0.0), 4.5),
        # 4 - 1 + 6 = 9: the first does not fit, so the second is tried: 4.2 - 3 = 1.2, 54 / 1.2 = 45 h.
        (4.0, 6.0, 6.0, (0.0, 45.0), (0.0, 45.0), 1.2),
        # One of two vaporisers runs at up to 2: 9 + 2 serves the first now, both once the other is hot,
        # with 5.7 of liquid; then only the second fits.
        (10.0, 2.0, 6.0, (54 / 5.7, 0.0), (54 / 5.7, np.inf), 5.7),
        # Less is made than others hold: 0.5 - 1 + 6 = 5.5 serves the second with 4.2 + 0.5 of liquid.
        (0.5, 6.0, 6.0, (0.0, 54 / 4.7), (0.0, 54 / 4.7), 4.7),
    ],
)
def test_cover_after_the_trip_of_a_circuit(
    left: float,
    hot: float,
    return_max: float,
    cover: tuple[float, float],
    once_hot: tuple[float, float],
    returned: float,
) -> None:
    """Two customers of 10.5 and 4.2 t/h at least, 1 t/h held, 54 t of liquid: by hand as commented."""
    trip = circuit_trip(one(left), one(1.0), np.array([[10.5], [4.2]]), one(54.0), one(hot), one(return_max))
    assert trip.cover_h[:, 0].tolist() == pytest.approx(list(cover))
    assert trip.cover_once_hot_h[:, 0].tolist() == pytest.approx(list(once_hot))
    assert trip.returned_t_per_h[0] == pytest.approx(returned)


def test_without_liquid_there_is_no_cover() -> None:
    """An empty store gives 0 hours to whoever needs it, and no hours to nobody else."""
    trip = circuit_trip(one(11.0), one(0.0), np.array([[10.5], [4.2]]), one(0.0), one(6.0), one(6.0))
    assert trip.cover_h[:, 0].tolist() == [np.inf, 0.0]


def test_more_liquid_or_production_never_shortens_cover_of_the_first() -> None:
    """For the customer of highest priority cover grows with liquid and with what is left of production."""
    rng = np.random.default_rng(7)
    left, liquid, least = rng.uniform(0, 15, 200), rng.uniform(0, 300, 200), rng.uniform(0, 9, (1, 200))
    held, rate = np.full(200, 1.0), np.full(200, 6.0)
    base = circuit_trip(left, held, least, liquid, rate, rate).cover_h
    assert np.isinf(base).any()
    assert (base == 0).any()
    assert np.all(circuit_trip(left, held, least, liquid + 1, rate, rate).cover_h >= base)
    assert np.all(circuit_trip(left + 0.1, held, least, liquid, rate, rate).cover_h >= base)


@pytest.mark.parametrize(
    ("take", "vaporised", "others", "liquid_room", "parts", "full"),
    [
        # 3: all to liquefaction, feed 2 + 3 = 5, liquid 4.75 t/h, 95 / 4.75 = 20 h.
        (3.0, 0.0, 0.0, 95.0, (0, 0, 3.0, 0, 0), 20.0),
        # 10: 1 less vaporised, 0.5 to others, feed up by 6 to 8 (7.6 t/h of liquid, 12.5 h) with 0.3 of tail
        # gas, so acid takes 1.2 - 0.3 = 0.9, and 10 - 1 - 0.5 - 6 - 0.9 = 1.6 is cut.
        (10.0, 1.0, 0.5, 95.0, (1.0, 0.5, 6.0, 0.9, 1.6), 12.5),
        # A full store takes nothing: acid 1.2, the rest is cut; it was full at once.
        (10.0, 0.0, 0.0, 0.0, (0, 0, 0, 1.2, 8.8), 0.0),
        # Less than what is vaporised: the vaporiser only goes back, the store still empties less 2 feed.
        (1.0, 1.5, 0.5, 95.0, (1.0, 0, 0, 0, 0), 95.0 / (1.9 - 0.5)),
    ],
)
def test_places_after_the_trip_of_a_customer(
    take: float, vaporised: float, others: float, liquid_room: float, parts: tuple[float, ...], full: float
) -> None:
    """Feed 2 of at most 8 t/h at 95 %; acid burns 1.0, 1.2 more at most: by hand as commented."""
    train = LiquefactionRoom(one(2.0), one(8.0), 0.95)
    trip = customer_trip(
        one(take), one(vaporised), one(others), (train,), one(liquid_room), one(1.0), one(1.2)
    )
    found = (
        trip.less_vaporised_t_per_h,
        trip.to_customers_t_per_h,
        trip.to_liquefaction_t_per_h,
        trip.to_acid_t_per_h,
        trip.to_cut_t_per_h,
    )
    assert [float(part[0]) for part in found] == pytest.approx(list(parts))
    assert trip.full_h[0] == pytest.approx(full)


def test_tail_gas_takes_the_place_of_header_chlorine_in_acid() -> None:
    """A poor yield of 50 %: acid has 0.2 of room and burns 0.3 of header chlorine.

    Feed may rise until its tail gas has taken both: 0.5 / 0.5 = 1.0, which displaces 0.3 of header
    chlorine. So of 5 t/h, 1.0 goes to liquefaction, -0.3 to acid and 4.3 is cut.
    """
    train = LiquefactionRoom(one(0.0), one(8.0), 0.5)
    trip = customer_trip(one(5.0), one(0.0), one(0.0), (train,), one(50.0), one(0.3), one(0.2))
    assert trip.to_liquefaction_t_per_h[0] == pytest.approx(1.0)
    assert trip.to_acid_t_per_h[0] == pytest.approx(-0.3)
    assert trip.to_cut_t_per_h[0] == pytest.approx(4.3)


def test_chlorine_has_a_place_or_is_cut() -> None:
    """The parts add up to what the customer took, no tail gas is without a home, nothing is negative."""
    rng = np.random.default_rng(3)
    n = 500
    take, vaporised, others, room, gas, spare = rng.uniform(0, 1, (6, n)) * [[14], [2], [1], [60], [2], [2]]
    trains = tuple(
        LiquefactionRoom(rng.uniform(0, 2, n), rng.uniform(2, 6, n), share) for share in (0.5, 0.9, 1.0, 0.0)
    )
    trip = customer_trip(take, vaporised, others, trains[:2], room, gas, spare)
    parts = (
        trip.less_vaporised_t_per_h,
        trip.to_customers_t_per_h,
        trip.to_liquefaction_t_per_h,
        trip.to_cut_t_per_h,
    )
    assert sum(parts) + trip.to_acid_t_per_h == pytest.approx(take)
    assert min(float(part.min()) for part in parts) >= -1e-12
    assert np.all(trip.to_acid_t_per_h >= -gas - 1e-12)
    assert np.all(trip.to_acid_t_per_h <= spare + 1e-12)
    for train in trains[2:]:
        alone = customer_trip(take, vaporised, others, (train,), room, gas, spare)
        tail = (1.0 - train.liquefaction_yield) * alone.to_liquefaction_t_per_h
        assert np.all(tail + alone.to_acid_t_per_h <= spare + 1e-9)


@pytest.mark.parametrize("minutes", [-1.0, float("nan")])
def test_cold_start_that_breaks_its_rule(minutes: float) -> None:
    """A cold start takes 0 minutes or more."""
    with pytest.raises(InvalidValues, match="'cold_start_min' must be"):
        Vaporiser("vaporiser", 6.0, cold_start_min=minutes)


RULE = TripCover(
    "cover",
    hours=10.0,
    needs_t_per_h=3.0,
    return_max_t_per_h=2.0,
    level="store_level",
    made=("station_flow",),
    circuits=(TrippingCircuit("room_load", 0.2),),
)


def test_rows_of_the_rule() -> None:
    """Made 3.5, 15 kA at 0.2: 0.5 is left and 2.5 needed, so the level must be 25 t, and 2.5 is more than 2.

    In the second hour 5 kA leave 2.5: 0.5 must be returned, the level 5 t. Rows are levels less what is
    needed: level + 10 * left against 30; returned: left against 3 - 2.
    """
    end, start, rate = RULE.declare(hours(2), Situation()).rows
    values = {
        "store_level": np.array([25.0, 26.0]),
        "station_flow": np.array([3.5, 3.5]),
        "room_load": np.array([15.0, 5.0]),
    }
    assert row_values(end, values)[0] == pytest.approx([25.0 + 5.0, 26.0 + 25.0])
    assert end.lower == pytest.approx([30.0, 30.0])
    # The level at the start of the second hour is that at the end of the first.
    assert row_values(start, values)[0] == pytest.approx([25.0 + 25.0])
    assert start.intervals is not None
    assert start.intervals.tolist() == [1]
    assert row_values(rate, values)[0] == pytest.approx([0.5, 2.5])
    assert rate.lower == pytest.approx([1.0, 1.0])
    assert UNIT_KINDS["trip_cover"] is TripCover


def test_a_rule_about_nothing_is_refused() -> None:
    """Circuits and what is made must be named, times and needs be above 0."""
    with pytest.raises(InvalidValues, match="'circuits' must name one or more"):
        replace(RULE, circuits=())
    with pytest.raises(InvalidValues, match=r"'hours' must be above 0 \[h\]"):
        replace(RULE, hours=0.0)
    with pytest.raises(InvalidValues, match="'t_per_h_per_ka' must be above 0"):
        TrippingCircuit("room_load", 0.0)


def covered_plan(rules: tuple[TripCover, ...]) -> Plan:
    """Return the plan of three hours, the last two of them dear, with a store that can help."""
    units = (
        plain_circuit("room", chlorine="chlorine_wet"),
        Compressor("station", 1, 5.0, kwh_per_t=0.0),
        Liquefier("train", 0.0, 2.0, kwh_per_t=0.0),
        Vaporiser("vaporiser", 1.0, not_with="train_feed"),
        Purchase("steam", "steam", 1.0, 1.0),
        ChlorineStore("store", 3, 10.0, 100.0),
        Pipeline("customer", "chlorine", 2.0),
        Outlet("tail_out", "tail_gas", 1.0),
        *rules,
    )
    return plain_case(units, np.array([1.0, 90.0, 95.0]), stocks={"store": 12.0}).plan()


def test_a_plan_keeps_liquid_for_a_trip() -> None:
    """One room makes 2 t/h; without it all 2 t/h are liquid, so 6 h of cover keep 12 t in store.

    Without the rule the dear hours run the store below 12 t; with it the plan keeps 12 t, no more than it
    needs at the horizon's end, and costs more.
    """
    free = covered_plan(())
    slope = 150 * CHLORINE_T_PER_KAH
    rule = TripCover(
        "cover", 6.0, 2.0, 2.5, "store_level", ("station_flow",), (TrippingCircuit("room_load", slope),)
    )
    covered = covered_plan((rule,))
    assert free.status is covered.status is Status.PLAN
    assert free.audit.values["store_level"].min() < 11.0
    assert covered.audit.values["store_level"].min() == pytest.approx(12.0, abs=1e-4)
    assert covered.audit.cost > free.audit.cost + 1.0


# ---------------------------------------------------------------- trips.csv


def table(plan: Plan) -> dict[str, list[str]]:
    """Return the cells of trips.csv by column."""
    rows = list(csv.reader(io.StringIO(trips_csv(plan, trip_figures(plan)))))
    return {name: [row[i] for row in rows[1:]] for i, name in enumerate(rows[0])}


def test_trip_of_the_largest_circuit_hour_by_hour() -> None:
    """Hour 0: room_1 trips, 0.6 is left, acid holds 0.1, near gets 0.4, far needs 0.4 of his 0.5 as liquid.

    10 t / 0.4 = 25 h, but the vaporiser is cold. Hour 1: room_2 is larger, 0.5 is left, far needs all 0.5
    that the vaporiser gives, and it runs: 10.07 / 0.5 = 20.14 h. Hour 2 is as hour 0 with 10.07 t.
    """
    cells = table(trip_plan())
    assert cells["chlorine_tripped_circuit"] == ["room_1", "room_2", "room_1"]
    assert cells["chlorine_left_t_per_h"] == ["0.6000", "0.5000", "0.6000"]
    assert cells["chlorine_liquid_t"] == ["10.0000", "10.0700", "10.0700"]
    assert cells["chlorine_vaporiser_wait_minutes"] == ["40", "0", "40"]
    assert cells["chlorine_returned_t_per_h"] == ["0.4000", "0.5000", "0.4000"]
    assert cells["near_cover_h"] == ["inf", "inf", "inf"]
    assert cells["far_cover_h"] == ["0.00", "20.14", "0.00"]
    assert cells["far_cover_once_hot_h"] == ["25.00", "20.14", "25.18"]
    assert cells["plan_day"] == ["1", "1", "0"]


def test_trip_of_the_largest_customer_hour_by_hour() -> None:
    """Hour 0: near leaves 0.7; far moves 0.2 t/h an hour, 0.05 in 15 min; feed rises by 0.2 to 0.5.

    Its tail gas is 0.02 of acid's room of 0.3 - 0.13 = 0.17, so acid takes 0.15 and 0.3 is cut, in kA by
    Faraday's law. Liquid: 9.73 t of room / (0.9 * 0.5) = 21.62 h. Hour 1: 0.2 is no longer vaporised, 0.45
    is liquefied: 9.73 / 0.405 = 24.02 h.
    """
    cells = table(trip_plan())
    assert cells["chlorine_tripped_customer"] == ["near", "near", "near"]
    assert cells["chlorine_less_vaporised_t_per_h"][:2] == ["0.0000", "0.2000"]
    assert cells["chlorine_to_customers_t_per_h"][:2] == ["0.0500", "0.0500"]
    assert cells["chlorine_to_liquefaction_t_per_h"][:2] == ["0.2000", "0.4500"]
    assert cells["chlorine_to_acid_t_per_h"][:2] == ["0.1500", "0.0000"]
    assert cells["chlorine_to_cut_t_per_h"][:2] == ["0.3000", "0.0000"]
    assert float(cells["chlorine_to_cut_ka"][0]) == pytest.approx(0.3 / T_PER_KA, abs=1e-3)
    # Both rooms may go down to 1 kA.
    assert float(cells["chlorine_turndown_t_per_h"][0]) == pytest.approx(1.6 - 2 * T_PER_KA, abs=1e-4)
    assert cells["chlorine_liquid_full_h"][:2] == ["21.62", "24.02"]


def test_every_column_of_trips_is_documented() -> None:
    """Each column is one of the documented patterns, and each pattern has a column."""
    names = {row.name for row in FURTHER_FILES["trips.csv"]}
    filled = {
        name.replace("{header}", "chlorine").replace("{customer}", customer)
        for name in names
        for customer in ("near", "far")
    }
    assert set(table(trip_plan())) == filled


def test_a_result_that_is_no_plan_has_no_trips() -> None:
    """NOT A PLAN says nothing about trips, and a site without customers of the header has none."""
    assert trip_figures(replace(trip_plan(), status=Status.NOT_A_PLAN)) == ()
    assert trip_figures(small_plan()) == ()
    assert "circuit trips" not in summary_text(small_plan())


def test_trips_on_the_terminal_page() -> None:
    """The page tells the least cover with its hour, and where the chlorine of the largest customer goes."""
    text = " ".join(summary_text(trip_plan()).split())
    assert (
        "If the largest circuit trips: least cover 0.0 h, of far: the vaporiser is cold, 25.0 h once it is "
        "hot in 40 min (room_1, Mon 8 Jun 00:00+02:00)." in text
    )
    assert "If the largest customer trips: near leaves 0.7 t/h: 0.2 to liquefaction" in text
    assert "0.3 to cut at once (2 kA of room_1); Mon 8 Jun 00:00+02:00." in text
