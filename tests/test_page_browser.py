"""page.html and sheet.html in a headless Chromium: quiet, self-contained, readable, printable.

Skipped, with the reason, where the machine has no Chromium.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from pypdf import PdfReader

from scheduler.report.page import page_html, sheet_html
from scheduler.report.sheet import load_sheet
from scheduler.report.study_page import study_page
from tests.chromium import browser
from tests.people_case import HOSTILE, crowded_plan, hostile_plan
from tests.report_case import missed_plan
from tests.study_case import small_study
from tests.trip_case import trip_plan

WIDTHS = (360, 768, 1440)
PAGES = {
    "missed": lambda: page_html(missed_plan(), {"prices:prices.csv": "0" * 64}),
    "hostile": lambda: page_html(hostile_plan(), {}),
    "trips": lambda: page_html(trip_plan(), {}),
    "crowded": lambda: page_html(crowded_plan(6, 7), {}),
    "study": lambda: study_page(small_study(), "offers", "XTS", ("a note",), {"study:s.toml": "0" * 64}),
    "sheet": lambda: sheet_html(load_sheet(missed_plan())),
    "sheet_crowded": lambda: sheet_html(load_sheet(crowded_plan(6, 7, minutes=15, every=12))),
}

# Texts of one drawing, or lines of one block, whose boxes cover each other by more than a hair.
OVERLAPS = """
() => {
  const found = [];
  const clash = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1 &&
    Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 3;
  const check = (elements) => {
    const boxes = elements.filter((e) => e.checkVisibility({ contentVisibilityAuto: true }))
      .map((e) => [e.textContent.trim(), e.getBoundingClientRect()]);
    for (let i = 0; i < boxes.length; i++)
      for (let j = i + 1; j < boxes.length; j++)
        if (clash(boxes[i][1], boxes[j][1])) found.push(boxes[i][0] + " / " + boxes[j][0]);
  };
  for (const svg of document.querySelectorAll("svg")) check([...svg.querySelectorAll("text")]);
  for (const row of document.querySelectorAll("tr")) check([...row.cells].filter((c) => c.textContent));
  const blocks =
    "h1, h2, main > section > p, header p, dt, dd, figure, summary, .scroll, pre";
  check([...document.querySelectorAll(blocks)]);
  return found;
}
"""
# Texts of drawings that leave their drawing, and elements that leave the window sideways.
OUTSIDE = """
() => {
  const found = [];
  const wide = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth > wide) found.push("page " + document.documentElement.scrollWidth);
  for (const svg of document.querySelectorAll("svg")) {
    const frame = svg.getBoundingClientRect();
    for (const text of svg.querySelectorAll("text")) {
      const box = text.getBoundingClientRect();
      const inside = box.left >= frame.left - 1 && box.right <= frame.right + 1
        && box.bottom <= frame.bottom + 1;
      if (box.width && !inside)
        found.push(text.textContent);
    }
  }
  for (const element of document.querySelectorAll("h1, h2, p, li, dt, dd, summary, figure, .scroll")) {
    const box = element.getBoundingClientRect();
    if (box.width && element.closest(".skip") === null && (box.left < -1 || box.right > wide + 1))
      found.push(element.tagName + " " + element.textContent.slice(0, 40));
  }
  return found;
}
"""


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Return a browser for all tests of this module."""
    with browser() as started:
        yield started


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with all pages."""
    path = tmp_path_factory.mktemp("pages")
    for name, make in PAGES.items():
        (path / f"{name}.html").write_text(make(), encoding="utf-8")
    return path


def opened(chromium: Browser, file: Path, width: int = 768, script: bool = True) -> tuple[Page, list[str]]:
    """Return an opened page, and what it said or asked for beside itself."""
    context = chromium.new_context(viewport={"width": width, "height": 900}, java_script_enabled=script)
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: said.append(f"error: {error}"))
    page.on("dialog", lambda dialog: said.append(f"dialog: {dialog.message}"))
    page.on("request", lambda request: said.append(request.url) if request.url != file.as_uri() else None)
    page.goto(file.as_uri())
    return page, said


@pytest.mark.parametrize("name", PAGES)
def test_page_is_quiet_self_contained_and_fits_every_width(
    chromium: Browser, folder: Path, name: str
) -> None:
    """No message, no request, no dialog; at 360, 768 and 1440 px nothing overlaps or leaves the window."""
    page, said = opened(chromium, folder / f"{name}.html", WIDTHS[0])
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate(OUTSIDE) == []
        assert page.evaluate(OVERLAPS) == []
    page.context.close()
    assert said == []


def test_the_checks_see_overlaps_and_overflow(chromium: Browser, tmp_path: Path) -> None:
    """A page made to fail is caught by the same checks, a page that calls out by the listener."""
    bad = (
        '<!DOCTYPE html><svg viewBox="0 0 200 40" width="200"><text x="5" y="20">one word</text>'
        '<text x="20" y="22">another</text></svg><p style="width:2000px">wide</p>'
        '<script>console.log("x")</script><img src="http://127.0.0.1:9/x.png">'
    )
    (tmp_path / "bad.html").write_text(bad, encoding="utf-8")
    page, said = opened(chromium, tmp_path / "bad.html", 360)
    assert page.evaluate(OVERLAPS) == ["one word / another"]
    assert any("wide" in text for text in page.evaluate(OUTSIDE))
    assert "console: x" in said
    assert "http://127.0.0.1:9/x.png" in said
    page.context.close()


def test_text_is_present_and_charts_have_names(chromium: Browser, folder: Path) -> None:
    """A reader of the screen finds each chart by its title; what people look for is visible."""
    page, _ = opened(chromium, folder / "trips.html", 1440)
    for title in ("Load of each circuit against the energy price", "Power by circuit", "Energy per tonne"):
        assert page.get_by_role("img", name=title).first.is_visible()
    for words in ("How good is this plan?", "good to 1-2 %", "If something trips", "Advice only"):
        assert page.get_by_text(words).first.is_visible()
    page.context.close()


def test_one_drawing_for_each_width(chromium: Browser, folder: Path) -> None:
    """On a phone the narrow drawing is seen and its text is 11 px or more; on a screen the wide one."""
    page, _ = opened(chromium, folder / "missed.html", 360)
    sizes = (
        "() => [...document.querySelectorAll('svg text')]"
        ".map(t => t.getBoundingClientRect().height).filter(h => h)"
    )
    assert page.locator(".narrow svg").first.is_visible()
    assert not page.locator(".wide svg").first.is_visible()
    assert min(page.evaluate(sizes)) >= 11
    for width in (768, 1440):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.locator(".wide svg").first.is_visible()
        assert not page.locator(".narrow svg").first.is_visible()
        assert min(page.evaluate(sizes)) >= 11
    page.context.close()


def test_tables_sort_by_keyboard(chromium: Browser, folder: Path) -> None:
    """A head is a button: Enter sorts up, Space sorts down, and says so (WAI-ARIA 1.2, aria-sort)."""
    page, _ = opened(chromium, folder / "missed.html", 1440)
    head = page.locator("#table-bill thead th").nth(5)
    head.get_by_role("button").focus()
    amounts = "() => [...document.querySelectorAll('#table-bill tbody tr')].map(r => r.cells[5].textContent)"
    page.keyboard.press("Enter")
    assert head.get_attribute("aria-sort") == "ascending"
    assert page.evaluate(amounts) == ["54,100.00", "105,000.00"]
    page.keyboard.press("Space")
    assert head.get_attribute("aria-sort") == "descending"
    assert page.evaluate(amounts) == ["105,000.00", "54,100.00"]
    page.locator("#table-bill thead th").nth(0).get_by_role("button").click()
    assert head.get_attribute("aria-sort") is None
    page.context.close()


def test_page_works_without_script(chromium: Browser, folder: Path) -> None:
    """Without script all text and tables are there, and the figures behind a chart unfold."""
    page, _ = opened(chromium, folder / "missed.html", 768, script=False)
    assert page.locator("#table-changes").is_visible()
    details = page.locator("details").first
    assert not details.locator("table").is_visible()
    details.locator("summary").click()
    assert details.locator("table").is_visible()
    page.context.close()


def test_markup_in_names_is_shown(chromium: Browser, folder: Path) -> None:
    """The hostile name is text on the page, and nothing of it has run."""
    page, said = opened(chromium, folder / "hostile.html")
    assert page.get_by_text(HOSTILE).first.is_visible()
    assert page.locator("b").count() == 0
    assert said == []
    page.context.close()


@pytest.mark.parametrize("name", ["sheet", "sheet_crowded"])
def test_the_sheet_prints_on_one_page(chromium: Browser, folder: Path, name: str) -> None:
    """Printed from the browser the load sheet takes one page of A4 across, 842 x 595 pt (ISO 216)."""
    page, _ = opened(chromium, folder / f"{name}.html")
    printed = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    page.context.close()
    assert len(printed.pages) == 1
    assert [float(length) for length in printed.pages[0].mediabox[2:]] == pytest.approx([842, 595], abs=1)


def test_the_page_prints_upright_with_its_charts(chromium: Browser, folder: Path) -> None:
    """Printed, the page is A4 upright; folded figures stay away, a table on two pages has two heads."""
    page, _ = opened(chromium, folder / "crowded.html")
    printed = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    page.context.close()
    assert [float(length) for length in printed.pages[0].mediabox[2:]] == pytest.approx([595, 842], abs=1)
    text = " ".join(each.extract_text() for each in printed.pages)
    assert "How good is this plan?" in text
    assert "Figures:" not in text
    first, last = (
        next(i for i, each in enumerate(printed.pages) if words in each.extract_text())
        for words in ("circuit_1 2026", "circuit_6 2026")
    )
    assert last > first
    assert all("takes, min" in printed.pages[i].extract_text() for i in range(first, last + 1))
