"""The load sheet: what it tells, and that it is one page of A4, counted by another library.

Expected numbers follow by hand from the invented plans of `tests.report_case` and `tests.people_case`.
"""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from pypdf import PdfReader

from models.order import Pipeline
from models.site import Contact, Site
from scheduler.plan import PlanOptions, make_plan
from scheduler.report.cautions import CAUTIONS, SHORT_CAUTION
from scheduler.report.sheet import BLANK, HOURLY_FROM, load_decimals, load_sheet, shown_rows
from scheduler.report.sheet_pdf import MARGIN_PT, TABLE_PT, sheet_pdf
from scheduler.result import Plan
from tests.binding_cases import Small, room
from tests.people_case import crowded_plan, hostile_plan
from tests.report_case import broken_plan, missed_plan, small_plan
from tests.trip_case import trip_plan

# ISO 216: A4 is 210 mm x 297 mm; 1 pt is 1/72 in.
A4_ACROSS_PT = (297 / 25.4 * 72, 210 / 25.4 * 72)


def pages(plan: Plan) -> PdfReader:
    """Return the PDF of a plan's sheet, as another library reads it."""
    return PdfReader(io.BytesIO(sheet_pdf(load_sheet(plan))))


def column(plan: Plan, head: str) -> tuple[str, ...]:
    """Return the cells of a column."""
    return next(each.cells for each in load_sheet(plan).columns if each.head == head)


def words_outside(reader: PdfReader) -> list[str]:
    """Return texts that begin outside the margins of the page."""
    width, height = (float(length) for length in reader.pages[0].mediabox[2:])
    outside = []

    def visit(text: str, current: list[float], matrix: list[float], *_: object) -> None:
        x, y = matrix[4], matrix[5]
        inside = MARGIN_PT - 1 <= x <= width - MARGIN_PT and MARGIN_PT - 1 <= y <= height - MARGIN_PT
        if text.strip() and not inside:
            outside.append(text)

    reader.pages[0].extract_text(visitor_text=visit)
    return outside


@pytest.mark.parametrize(
    "plan",
    [
        small_plan(),
        missed_plan(),
        hostile_plan(),
        trip_plan(),
        crowded_plan(4, 7),
        crowded_plan(6, 7, every=1),
        crowded_plan(5, 4, minutes=15, every=12),
        crowded_plan(6, 9, minutes=15, every=8),
        crowded_plan(6, 30),
        crowded_plan(12, 2, minutes=15, every=2),
    ],
    ids=["small", "missed", "hostile", "trips", "usual", "busy", "quarters", "full", "stocks", "too much"],
)
def test_the_sheet_is_one_page_of_a4(plan: Plan) -> None:
    """Whatever the plan, there is one page, A4 across (ISO 216), and nothing lies outside its margins."""
    reader = pages(plan)
    assert len(reader.pages) == 1
    size = tuple(float(length) for length in reader.pages[0].mediabox[2:])
    assert size == pytest.approx(A4_ACROSS_PT, abs=0.1)
    assert words_outside(reader) == []


def sizes_of_type(reader: PdfReader) -> dict[str, float]:
    """Return the size of type of each text of a page. [pt]."""
    sizes: dict[str, float] = {}

    def visit(text: str, _c: list[float], _t: list[float], _font: object, size: float) -> None:
        sizes.setdefault(text.strip(), float(size))

    reader.pages[0].extract_text(visitor_text=visit)
    return sizes


@pytest.mark.parametrize("circuits", [4, 5, 6])
@pytest.mark.parametrize(("minutes", "every"), [(60, 4), (15, 16)])
def test_a_usual_day_is_legible(circuits: int, minutes: int, every: int) -> None:
    """Numbers of the table keep at least the least size of type, 5.6 pt (common practice, no source)."""
    sizes = sizes_of_type(pages(crowded_plan(circuits, 7, minutes, every)))
    assert sizes["100"] >= TABLE_PT[1]
    assert min(sizes.values()) >= 5.0


def test_the_page_tells_what_a_shift_needs() -> None:
    """Site, day, loads, price, MW, stocks, changes, loading, who to ask and every caution are on the page."""
    text = " ".join(pages(small_plan()).pages[0].extract_text().split())
    for words in ("Tarnholm Works", "Sun 25 Oct 2026", "room_m", "200", "XTS/MWh", "80.00"):
        assert words in text
    assert "Who to ask" in text
    for caution in CAUTIONS:
        assert caution in text


def test_means_and_peak_of_the_small_plan() -> None:
    """105 % of 0.15 x 100 + 0.4 x 10 MW and 9 MW of other load are 28.95 MW; 200 and 30 kA make 53.1 MW."""
    assert column(small_plan(), "import")[:7] == ("28.95",) * 6 + ("53.10",)
    assert column(small_plan(), "peak")[4:8] == ("28.95", "28.95", "53.10", "53.10")
    assert column(small_plan(), "price")[5:7] == ("80.00", "40.00")
    # 0.05 t per kA of 100 kA and 0.2 of 10 kA.
    assert column(small_plan(), "Cl2")[0] == "7.00"


def test_the_peak_starts_from_what_the_month_has_seen() -> None:
    """With 60 MW reached in October before, the peak so far is 60 until midnight of 1 November."""
    plan = small_plan()
    plan = replace(plan, situation=replace(plan.situation, peaks_mw={("grid", "2026-10"): 60.0}))
    assert set(column(plan, "peak")[:-1]) == {"60.00"}


def test_stocks_are_levels_at_the_time_of_the_row() -> None:
    """The tank of 100 t gives 1 t/h: 99 t at the second row; 25 hours later 99 t stand on the last row."""
    cells = column(small_plan(), "liquid")
    assert cells[:3] == ("100", "99", "98")
    assert len(cells) == 26
    assert cells[-1] == "99"


def test_a_day_on_which_clocks_change_shows_offsets() -> None:
    """02:00 comes twice on 25 October 2026, told apart by the offset (IANA time zone database)."""
    assert load_sheet(small_plan()).clocks[1:5] == ("01:00+02", "02:00+02", "02:00+01", "03:00+01")


def test_changes_are_marked_and_told_with_rate_and_time() -> None:
    """From 100 to 200 kA at 0.5 kA/min takes 200 min; the first load has no load before and is not marked."""
    plan = crowded_plan(1, 0)
    loads = {key: np.where(values == 120.0, 200.0, values) for key, values in plan.audit.values.items()}
    sheet = load_sheet(replace(plan, audit=replace(plan.audit, values=loads)))
    assert sheet.changes[0].rate == "at most 0.5 kA/min, 6 changes"
    assert sheet.changes[0].lines[0].endswith("  to 100 kA")
    assert sheet.changes[0].lines[1] == "03:00+01  100 to 200 kA, 200.0 min"
    assert sheet.columns[0].marked[:6] == (False, False, False, False, True, False)


def test_misses_come_first_and_loud() -> None:
    """What is missed stands above the table, with class, quantity and time."""
    text = pages(missed_plan()).pages[0].extract_text()
    assert "DUTIES MISSED" in text
    assert text.index("Missed (order): part of lot fri that is not loaded, 28 t") < text.index("room_m")


def test_what_must_not_be_run_has_no_sheet() -> None:
    """A result that breaks limits is never printed as a sheet to run."""
    with pytest.raises(ValueError, match="NOT A PLAN must not be printed as a load sheet"):
        load_sheet(broken_plan())


def test_quarters_are_shown_by_full_hours_and_changes() -> None:
    """Of 100 quarters stay 25 full hours and the changes at other times: each of those is one of the two."""
    plan = crowded_plan(2, 1, minutes=15, every=6)
    rows = shown_rows(plan)
    assert plan.horizon.plan_intervals == 100
    assert HOURLY_FROM < 100
    load = plan.audit.values["circuit_1_load"], plan.audit.values["circuit_2_load"]
    expected = [t for t in range(100) if t % 4 == 0 or any(each[t] != each[t - 1] for each in load)]
    assert rows.tolist() == expected
    assert len(rows) < 60
    assert "Of 100 intervals only full hours and changes of load are shown" in load_sheet(plan).reading


def test_rows_of_several_quarters_hold_their_mean() -> None:
    """An hour of which one quarter runs at 120 kA and three at 100 has the mean import of 105 kA."""
    plan = crowded_plan(1, 0, minutes=15, every=10**6)
    load = np.full(192, 100.0)
    power = 9.0 + 0.1575 * np.where(np.arange(192) == 2, 120.0, load)
    plan = replace(plan, audit=replace(plan.audit, values={**plan.audit.values, "meter_import": power}))
    assert column(plan, "import")[0] == f"{9.0 + 0.1575 * 105.0:.2f}"
    assert column(plan, "peak")[0] == f"{9.0 + 0.1575 * 120.0:.2f}"


def test_columns_that_find_no_room_are_named() -> None:
    """Of 30 tanks not all fit; the page names the ones that are left out, loads are never among them."""
    plan = crowded_plan(6, 30)
    text = " ".join(pages(plan).pages[0].extract_text().split())
    assert "Not on this page for want of width, see page.html:" in text
    assert "soda_tank_29" in text.split("see page.html:")[1]
    assert "circuit_6" in text.split("Not on this page")[0]


def test_too_much_text_gives_way_to_the_table() -> None:
    """On the fullest page the short caution replaces the long ones, a pointer the list of changes."""
    text = " ".join(pages(crowded_plan(12, 2, minutes=15, every=2)).pages[0].extract_text().split())
    assert SHORT_CAUTION in text
    assert "rectifiers.csv" in text


def test_who_to_ask_is_the_sites_or_a_line_to_write_on() -> None:
    """Contacts are roles of the site file; without any, and without a 'how', there is a blank line."""
    assert load_sheet(small_plan()).contacts == (("name and number", BLANK),)
    plan = small_plan()
    site = replace(plan.site, contacts=(Contact("shift supervisor", "telephone 100"), Contact("planner")))
    assert load_sheet(replace(plan, site=site)).contacts == (
        ("shift supervisor", "telephone 100"),
        ("planner", BLANK),
    )


def test_contacts_stay_when_orders_join_the_site() -> None:
    """The larger site has the contacts of the smaller one."""
    site: Site = replace(small_plan().site, contacts=(Contact("planner"),))
    assert site.with_units(()).contacts == (Contact("planner"),)


def test_a_contact_needs_a_role() -> None:
    """An empty role is told as a broken rule."""
    with pytest.raises(ValueError, match="'role' must not be empty"):
        Contact(" ")


def test_the_same_sheet_gives_the_same_bytes() -> None:
    """There is no clock and no chance in the PDF."""
    assert sheet_pdf(load_sheet(small_plan())) == sheet_pdf(load_sheet(small_plan()))


def test_letters_beyond_latin_are_set() -> None:
    """A name in Greek and Cyrillic comes back from the PDF as it is."""
    plan = small_plan()
    name = "Εργοστάσιο Завод"
    text = pages(replace(plan, site=replace(plan.site, name=name))).pages[0].extract_text()
    assert name in text


@pytest.mark.parametrize(
    ("loads", "decimals"), [([208.0, 206.0], 0), ([32.4, 30.8], 1), ([31.77, 30.0], 2), ([31.7773], 2)]
)
def test_loads_have_the_decimals_they_need(loads: list[float], decimals: int) -> None:
    """Whole steps are shown whole; two decimals are the most."""
    assert load_decimals(np.array(loads)) == decimals


def test_trips_stand_on_every_row() -> None:
    """A site with a header and customers has cover and cut on each row of the plan day."""
    sheet = load_sheet(trip_plan())
    heads = [each.head for each in sheet.columns if each.group == "Largest trip"]
    assert heads == ["cover", "to cut"]
    assert len(next(each for each in sheet.columns if each.head == "cover").cells) == len(sheet.clocks)


def test_rates_beside_the_loads_are_told_where_they_change() -> None:
    """A customer who takes 2 t/h and from 06:00 to 12:00 1.5: the rate at the start, then each change."""
    small = Small((room(), Pipeline("vinyl", "chlorine", 1.0, 0.5, 1.0)), (50.0,) * 24)
    plan = make_plan(small.site(), small.intervals(), small.situation(), PlanOptions(compare=False))
    takes = np.array([2.0] * 6 + [1.5] * 6 + [2.0] * 12)
    told = replace(plan, audit=replace(plan.audit, values={**plan.audit.values, "vinyl_take": takes}))
    assert load_sheet(told).rates == ("vinyl 2.0, 06:00 1.5, 12:00 2.0",)
    assert "vinyl 2.0, 06:00 1.5, 12:00 2.0" in PdfReader(io.BytesIO(sheet_pdf(load_sheet(told)))).pages[
        0
    ].extract_text().replace("\n", " ")
