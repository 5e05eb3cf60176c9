"""page.html and sheet.html as text: escaping, self-containment, the tables behind the charts.

What a browser makes of them is tested in `tests.test_page_browser`. Read here by Python's own HTML parser.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree.ElementTree import Element, fromstring

import jinja2
import pytest

from scheduler.report import shell
from scheduler.report.cautions import CAUTIONS, MODEL_ACCURACY
from scheduler.report.figures import circuit_names
from scheduler.report.limits import reached_limits
from scheduler.report.page import VALUES_HINT, page_html, sheet_html
from scheduler.report.sheet import load_sheet
from scheduler.report.svg import load_chart, money_chart, power_chart, stock_chart
from scheduler.result import Plan
from tests.people_case import HOSTILE, crowded_plan, hostile_plan, some_values
from tests.report_case import broken_plan, missed_plan, small_plan
from tests.trip_case import trip_plan

DIGESTS = {"prices:prices.csv": "0" * 64}
SVG = "{http://www.w3.org/2000/svg}"
VOID = {"meta", "link", "br", "img", "input", "hr", "wbr", "rect", "line", "polyline", "polygon"}


class Outline(HTMLParser):
    """Collects elements, attributes and text; complains of tags that do not match."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element that closes itself."""
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        """Check the nesting."""
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Note text that people see."""
        if self.open and self.open[-1] not in ("script", "style"):
            self.words.append(data)

    @property
    def text(self) -> str:
        """All text in one line."""
        return " ".join(" ".join(self.words).split())


def page(plan: Plan, **more: object) -> Outline:
    """Return the parsed page of a plan."""
    return Outline(page_html(plan, DIGESTS, ("read note",), **more))  # type: ignore[arg-type]


@pytest.mark.parametrize("html", [page_html(hostile_plan(), DIGESTS), sheet_html(load_sheet(hostile_plan()))])
def test_markup_in_names_is_text(html: str) -> None:
    """A site, customer or comparison named '<script>...' is shown as text; no element comes of it."""
    outline = Outline(html)
    assert HOSTILE in outline.text
    assert "<script>alert" not in html
    assert not [tag for tag, _ in outline.tags if tag == "b"]
    assert outline.open == []


@pytest.mark.parametrize("html", [page_html(small_plan(), DIGESTS), sheet_html(load_sheet(small_plan()))])
def test_nothing_is_loaded_from_anywhere(html: str) -> None:
    """No element refers outside, and the security policy (W3C CSP 3) forbids every kind of request."""
    outline = Outline(html)
    for tag, attributes in outline.tags:
        assert tag not in ("link", "img", "iframe", "object", "embed", "audio", "video", "base")
        assert "src" not in attributes
        assert (attributes.get("href") or "#").startswith("#")
    assert "url(http" not in html
    assert "@import" not in html
    policy = next(
        a["content"] or "" for t, a in outline.tags if a.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith("default-src 'none'")


def test_a_name_that_a_template_does_not_know_is_an_error() -> None:
    """A misspelt name in a template never leaves a hole in the page."""
    environment = shell._environment()
    assert environment.undefined is jinja2.StrictUndefined
    assert environment.autoescape is True
    with pytest.raises(jinja2.UndefinedError, match="'cautoins' is undefined"):
        environment.from_string("{{ cautoins }}").render()


def test_the_page_has_every_section_in_order() -> None:
    """Load and price, stocks, power, energy per tonne, money, habit, certificate, limits, trips, cautions."""
    ids = [a["id"] for tag, a in page(trip_plan()).tags if tag == "h2"]
    # The hand-written balance of power does not close, so the first section tells of it.
    assert ids == [
        "misses", "load", "changes", "stocks", "power", "energy", "money", "habit", "certificate", "limits",
        "trips", "cautions", "about",
    ]  # fmt: skip


def test_misses_and_broken_limits_come_first() -> None:
    """They stand before any figure; a result not to be run says so in its headline."""
    missed = page(missed_plan())
    assert next(a["id"] for tag, a in missed.tags if tag == "h2") == "misses"
    assert missed.text.index("part of lot fri that is not loaded") < missed.text.index("Cost of the horizon")
    assert "NOT A PLAN" in page(broken_plan()).text
    assert "permit for stored chlorine" in page(broken_plan()).text


def test_certificate_is_told_in_plain_words_with_the_accuracy_of_the_model() -> None:
    """The bound of the small plan is 0.50 below its cost: at most 0 currency, rounded, can be saved."""
    text = page(small_plan()).text
    assert "can save more than 0 XTS over the whole horizon" in text or "can save more than 1 XTS" in text
    assert MODEL_ACCURACY in text
    assert "1-2 %" in text


def test_every_chart_has_text_alternatives_and_a_table() -> None:
    """Each SVG has the role of an image and a title and description by unique names; a table follows it."""
    outline = page(trip_plan())
    charts = [a for tag, a in outline.tags if tag == "svg"]
    assert len(charts) >= 10
    ids = [a["id"] for _, a in outline.tags if a.get("id")]
    assert len(ids) == len(set(ids))
    for chart in charts:
        assert chart["role"] == "img"
        for name in (chart["aria-labelledby"] or "").split():
            assert name in ids
    tables = {a.get("id") for tag, a in outline.tags if tag == "table"}
    for name in ("loads", "levels", "stocks", "power", "energy", "circuits", "money", "bill"):
        assert f"table-{name}" in tables


def test_numbers_of_a_table_sort_as_numbers() -> None:
    """A number shown with a thousands comma carries the plain number to sort by."""
    html = page_html(small_plan(), DIGESTS)
    assert 'data-order="105000.00">105,000.00<' in html


def test_cautions_notes_and_contacts_are_on_the_page() -> None:
    """Every caution, the site's notes, those of reading, and whom to ask."""
    text = page(small_plan()).text
    for words in (*CAUTIONS, "Invented data", "read note", "Who to ask: name and number"):
        assert words in text


def test_values_are_shown_when_somebody_asked() -> None:
    """Without values the page says how to ask; with them it has a table with 'more' and 'less'."""
    assert VALUES_HINT in page(small_plan()).text
    text = page(small_plan(), values=some_values()).text
    assert VALUES_HINT not in text
    assert "content of liquid t -61.25 63.50" in text
    assert "import limit, upper limit MW -12.00 -" in text


def test_text_below_the_summary_is_on_the_page() -> None:
    """The difference to an earlier plan stands on the page too, escaped."""
    assert "the new loads save <3 XTS" in page(small_plan(), more="\nthe new loads save <3 XTS\n").text


def test_the_same_plan_gives_the_same_page() -> None:
    """There is no clock and no chance in it."""
    assert page_html(small_plan(), DIGESTS) == page_html(small_plan(), DIGESTS)


def polygons(svg: str) -> list[Element]:
    """Return the areas of a drawing."""
    return list(fromstring(svg).iter(f"{SVG}polygon"))


def points(element: Element) -> list[tuple[float, float]]:
    """Return the corners of a shape."""
    pairs = (element.get("points") or "").split()
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in pairs)]


def test_the_load_chart_draws_the_loads() -> None:
    """In lanes of 46 px, 100 of 264 kA stand 17.4 px high and 200 kA 34.8 px."""
    first = points(polygons(load_chart(small_plan()).wide)[0])
    foot = first[0][1]
    heights = sorted({round(foot - y, 1) for _, y in first} - {0.0})
    assert heights == pytest.approx([46 * 100 / 264, 46 * 200 / 264], abs=0.11)


def test_the_stock_chart_shows_windows_and_loading() -> None:
    """Two lots of the hostile plan have windows, outlined, and four filled hours each, with their names."""
    root = fromstring(stock_chart(hostile_plan()).wide)
    bars = [g for g in root.iter(f"{SVG}g")]
    assert len(bars) == 2
    for bar in bars:
        filled = [r for r in bar.iter(f"{SVG}rect") if not r.get("stroke")]
        assert len(filled) == 4
    titles = {bar.findtext(f"{SVG}title") for bar in bars}
    assert titles == {"eq: 40.0 t by road", "at: 40.0 t by rail"}


def test_powers_are_stacked_up_to_the_import() -> None:
    """One area for each circuit and one for the rest; beyond four circuits stripes take over."""
    assert len(polygons(power_chart(small_plan()).wide)) == 3
    svg = power_chart(crowded_plan(6, 0)).wide
    fills = [area.get("fill") for area in polygons(svg)]
    assert len(set(fills)) == 7
    named = set(re.findall(r'<pattern id="([^"]+)"', svg))
    assert {fill[5:-1] for fill in fills if fill and fill.startswith("url(#")} == named


def test_income_is_drawn_to_the_left() -> None:
    """The bar of hydrogen, -600, ends where the bar of demand, 4100, begins; lengths are in proportion."""
    root = fromstring(money_chart(small_plan()).wide)
    bars = [(float(r.get("x") or 0), float(r.get("width") or 0)) for r in root.iter(f"{SVG}rect")]
    texts = [t.text or "" for t in root.iter(f"{SVG}text")][::2]
    demand, hydrogen = bars[texts.index("demand")], bars[texts.index("hydrogen")]
    assert hydrogen[0] + hydrogen[1] == pytest.approx(demand[0], abs=0.2)
    assert demand[1] / hydrogen[1] == pytest.approx(4100 / 600, rel=0.02)


def test_limits_that_bind_are_found() -> None:
    """No load of the small plan is at its limit; one of 264 kA for three hours is."""
    plan = small_plan()
    assert [limit for limit in reached_limits(plan) if limit.key.startswith("room")] == []
    plan.audit.values["room_m_load"][:3] = 264.0
    found = next(limit for limit in reached_limits(plan) if limit.key == "room_m_load")
    assert (found.side, found.most, found.hours, found.first) == ("upper", 264.0, 3.0, 0)


def test_circuits_of_the_trip_case_are_all_on_the_sheet() -> None:
    """The sheet in HTML has a column for each circuit, underlined where a load changes."""
    plan = trip_plan()
    outline = Outline(sheet_html(load_sheet(plan)))
    text = outline.text.replace("_ ", "_")
    for name in circuit_names(plan):
        assert name in text
    assert any("moved" in (a.get("class") or "") for tag, a in outline.tags if tag == "td")


def test_templates_are_part_of_the_package() -> None:
    """The templates lie beside the module that fills them, so that the wheel carries them."""
    assert {path.name for path in Path(shell.TEMPLATES).glob("*.j2")} == {
        "page.html.j2",
        "sheet.html.j2",
        "shell.html.j2",
        "table.html.j2",
    }
