"""The chart: what it shows, where instants stand, and a palette that everyone can read."""

from __future__ import annotations

import itertools
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.text import Text

from models.pieces import Declaration, Stock
from scheduler.report import style
from scheduler.report.cautions import CAUTIONS, SHORT_CAUTION
from scheduler.report.chart import PLAN_DAY_SHARE, TimeAxis, apart, chart_figure, chart_png, write_chart
from scheduler.result import Plan
from tests.report_case import broken_plan, missed_plan, small_plan

ROOT = Path(__file__).resolve().parents[1]


def drawn(plan: Plan) -> Figure:
    """Return the figure of a plan."""
    return chart_figure(plan, ())


def texts(figure: Figure) -> list[str]:
    """Return every text of a figure."""
    return [text.get_text() for text in figure.findobj(Text) if isinstance(text, Text)]


def steps(figure: Figure, panel: int, number: int) -> tuple[np.ndarray, np.ndarray]:
    """Return values and edges of the n-th outline of steps in a panel."""
    from matplotlib.patches import StepPatch

    outlines = [p for p in figure.axes[panel].patches if isinstance(p, StepPatch) and not p.get_fill()]
    values, edges, _ = outlines[number].get_data()
    return np.asarray(values), np.asarray(edges)


def test_png_is_written_and_is_the_same_twice(tmp_path: Path) -> None:
    """The same plan gives the same bytes: no date and no version in the file."""
    write_chart(small_plan(), tmp_path / "chart.png")
    written = (tmp_path / "chart.png").read_bytes()
    assert written == chart_png(small_plan())
    # PNG (W3C), 11.3.4: the only chunks that could carry text or time.
    for chunk in (b"tEXt", b"iTXt", b"zTXt", b"tIME"):
        assert chunk not in written
    pixels = imread(tmp_path / "chart.png")
    assert pixels.shape[:2] == (round(style.PAGE_IN[1] * style.DPI), round(style.PAGE_IN[0] * style.DPI))


def test_own_settings_of_the_reader_do_not_change_the_chart() -> None:
    """A reader's drawing settings are neither used nor changed."""
    expected = chart_png(small_plan())
    with matplotlib.rc_context({"font.size": 20.0, "axes.facecolor": "red"}):
        assert chart_png(small_plan()) == expected
        assert matplotlib.rcParams["font.size"] == 20.0


def test_price_steps_are_the_plan() -> None:
    """The first panel holds the energy price of every interval between its edges."""
    plan = small_plan()
    values, edges = steps(drawn(plan), 0, 0)
    assert values.tolist() == plan.energy_price_per_mwh.tolist()
    assert len(edges) == 49
    assert (edges[0], edges[-1]) == (0.0, 1.0)


def test_load_lanes_are_shares_of_full_load() -> None:
    """Each circuit has a lane; 100 of 264 kA fills 0.38 of it, 30 of 32.4 kA 0.93."""
    figure = drawn(small_plan())
    lane_m, _ = steps(figure, 1, 0)
    lane_b, _ = steps(figure, 1, 1)
    assert lane_m[0] == pytest.approx(1.0 + 0.82 * 100 / 264)
    assert lane_b[6] == pytest.approx(0.82 * 30 / 32.4)
    written = texts(figure)
    assert "room_m\nfull 264 kA" in written
    assert "room_b\nfull 32.4 kA" in written
    assert written.count("200") == 4
    # The low dwell across the end of the plan day has one hour before it: no room for an upright number below
    # its edge, so it is written behind the end only.
    assert written.count("10.0") == 4


def test_stocks_are_percent_of_their_upper_limit() -> None:
    """The line begins at 100 of 560 t and the label says start and end in tonnes."""
    figure = drawn(small_plan())
    line = next(line for line in figure.axes[2].lines if len(np.asarray(line.get_ydata())) == 49)
    levels = np.asarray(line.get_ydata())
    assert levels[0] == pytest.approx(100 / 560 * 100)
    assert levels[6] == pytest.approx(94 / 560 * 100)
    assert "liquid_level\n100 to 100 t" in texts(figure)


def test_a_stock_without_upper_limit_is_named_not_dropped() -> None:
    """What has no percentage is told in the heading."""
    plan = small_plan()
    stock = Stock("pond_level", "m3", "water", 5.0, np.zeros(48), np.full(48, np.inf))
    audit = replace(plan.audit, values={**plan.audit.values, "pond_level": np.full(48, 5.0)})
    declaration = Declaration.merged((plan.declaration, Declaration(stocks=(stock,))))
    written = texts(drawn(replace(plan, audit=audit, declaration=declaration)))
    assert any("no upper limit, not drawn: pond_level" in text for text in written)


def test_title_status_notes_and_caution() -> None:
    """Site, day, status, the site's notes and the caution are on the sheet."""
    written = texts(drawn(small_plan()))
    assert "Tarnholm Works: load plan for Sun 25 Oct 2026" in written
    assert "all duties met, all limits kept" in written
    assert "Invented data: site, contract and prices are made up." in written
    assert SHORT_CAUTION in " ".join(written)


@pytest.mark.parametrize(
    ("plan", "words"),
    [(missed_plan(), "DUTIES MISSED"), (broken_plan(), "NOT A PLAN: limits broken, do not run")],
    ids=["misses", "violations"],
)
def test_a_bad_result_is_loud(plan: Plan, words: str) -> None:
    """The status of a result that fails stands in white on the alarm colour."""
    found = [text for text in drawn(plan).texts if text.get_text().startswith(words)]
    assert len(found) == 1
    box = found[0].get_bbox_patch()
    assert box is not None
    assert matplotlib.colors.to_hex(box.get_facecolor()) == style.ALARM


def test_a_long_name_and_the_status_do_not_cover_each_other() -> None:
    """However long the name of the site is, title, status and contract stand below each other on the page."""
    plan = broken_plan()
    figure = drawn(replace(plan, site=replace(plan.site, name="Tarnholm and Neighbouring Works " * 4)))
    FigureCanvasAgg(figure)
    boxes = [text.get_window_extent() for text in figure.texts[:3]]
    assert boxes[0].y0 >= boxes[1].y1
    assert boxes[1].y0 >= boxes[2].y1
    assert boxes[0].x1 <= figure.bbox.x1


def test_numbers_of_loads_touch_no_line() -> None:
    """A number stands inside its dwell and below the load's edge, so that no line runs through it."""
    figure = drawn(small_plan())
    FigureCanvasAgg(figure)
    figure.canvas.draw()
    panel = figure.axes[1]
    numbers = [text for text in panel.texts if text.get_text().replace(".", "").isdigit()]
    assert numbers
    lanes = {1.0: steps(figure, 1, 0), 0.0: steps(figure, 1, 1)}
    for text in numbers:
        box = text.get_window_extent().transformed(panel.transData.inverted())
        base = 1.0 if box.y0 >= 1.0 else 0.0
        values, edges = lanes[base]
        inside = (edges[:-1] < box.x1) & (edges[1:] > box.x0)
        assert len(set(values[inside])) == 1
        assert box.y1 < values[inside][0]


def test_hours_are_local_and_the_doubled_hour_is_there_twice() -> None:
    """The axis of the long day shows 02 twice and the days at midnight."""
    labels = [label.get_text() for label in drawn(small_plan()).axes[2].get_xticklabels()]
    assert labels[:4] == ["00\nSun 25 Oct", "02\n", "02\n", "04\n"]
    assert "00\nMon 26 Oct" in labels


def test_zones_off_the_full_hour_have_ticks() -> None:
    """In India, 5 h 30 min ahead of UTC, full local hours are marked, not UTC's."""
    plan = small_plan()
    horizon = replace(plan.horizon, timezone="Asia/Kolkata")
    labels = [
        label.get_text() for label in chart_figure(replace(plan, horizon=horizon)).axes[2].get_xticklabels()
    ]
    # 24 October 22:00 UTC is 03:30 in India (IANA time zone database).
    assert labels[:2] == ["04\n", "06\n"]


def test_a_stock_below_zero_or_above_its_limit_stays_in_view() -> None:
    """A level outside its limits is what the reader must see."""
    plan = small_plan()
    level = np.linspace(-56.0, 616.0, 48)
    audit = replace(plan.audit, values={**plan.audit.values, "liquid_level": level})
    low, high = drawn(replace(plan, audit=audit)).axes[2].get_ylim()
    assert low < -10.0
    assert high > 110.0


def test_the_plan_day_gets_the_larger_part_and_says_so() -> None:
    """25 of 48 hours take the least share of the plan day; the other hours are marked as narrower."""
    plan = small_plan()
    axis = TimeAxis.of(plan)
    minutes = plan.horizon.start_min + 60.0 * np.array([0.0, 12.5, 25.0, 36.5, 48.0])
    expected = [0.0, PLAN_DAY_SHARE / 2, PLAN_DAY_SHARE, (1 + PLAN_DAY_SHARE) / 2, 1.0]
    assert axis.place(minutes) == pytest.approx(expected)
    assert "look-ahead, hours drawn narrower" in texts(drawn(plan))


def test_without_look_ahead_time_is_even() -> None:
    """If every interval belongs to the plan day, all hours are equally wide and nothing is marked."""
    plan = small_plan()
    plan = replace(plan, horizon=replace(plan.horizon, plan_intervals=48))
    assert TimeAxis.of(plan).place(plan.horizon.start_min + np.array([24 * 60.0])) == pytest.approx([0.5])
    assert not any(text.startswith(("plan day", "look-ahead")) for text in texts(drawn(plan)))


def test_negative_prices_are_shaded_where_they_are() -> None:
    """The shading covers interval 30 and nothing else, and the heading explains it."""
    figure = drawn(small_plan())
    edges = steps(figure, 0, 0)[1]
    shaded = [
        patch.get_extents().transformed(figure.axes[0].transData.inverted())
        for patch in figure.axes[0].patches
        if matplotlib.colors.to_hex(patch.get_facecolor()) == style.NEGATIVE_FILL
    ]
    assert len(shaded) == 1
    assert (shaded[0].x0, shaded[0].x1) == pytest.approx((edges[30], edges[31]))
    assert any("shaded: price below zero" in text for text in texts(figure))


def test_an_outage_is_hatched() -> None:
    """Intervals in which a circuit's upper limit is 0 are hatched and explained."""
    plan = small_plan()
    first = plan.declaration.variables[0]
    upper = first.upper.copy()
    upper[6:9] = 0.0
    variables = (replace(first, upper=upper), *plan.declaration.variables[1:])
    plan = replace(plan, declaration=replace(plan.declaration, variables=variables))
    figure = drawn(plan)
    assert [c.get_hatch() for c in figure.axes[1].collections if c.get_hatch()] == ["///"]
    assert any("hatched: out of service" in text for text in texts(figure))


def test_dollar_signs_in_names_are_plain_text() -> None:
    """A name is never read as a formula."""
    plan = small_plan()
    assert chart_png(replace(plan, site=replace(plan.site, name="Works $\\frac$"))).startswith(b"\x89PNG")


def test_labels_are_kept_apart_in_order() -> None:
    """Labels at the same height move apart by the asked distance, around their mean."""
    assert apart([50.0, 50.0, 10.0], 20.0) == pytest.approx([40.0, 60.0, 0.0])
    assert apart([], 20.0) == []


def test_the_drawing_library_is_loaded_only_when_drawing() -> None:
    """Importing the report does not load the drawing library."""
    code = "import sys, scheduler.report.chart, scheduler.report.summary; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"


# Machado, Oliveira, Fernandes, 'A Physiologically-based Model for Simulation of Color Vision Deficiency',
# IEEE Trans. Vis. Comput. Graph. 15 (2009), doi 10.1109/TVCG.2009.113: severity 1.0, on linear RGB.
SEEN_BY = {
    "all": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
# IEC 61966-2-1 (sRGB): linear RGB to CIE XYZ, white D65.
XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


def linear(colour: str) -> np.ndarray:
    """Return linear RGB of a colour (IEC 61966-2-1)."""
    c = np.array(matplotlib.colors.to_rgb(colour))
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours (W3C, WCAG 2.1)."""
    lighter, darker = sorted((float(XYZ[1] @ linear(c)) for c in (one, other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """Return CIE 1976 L*a*b* of linear RGB (ISO/CIE 11664-4)."""
    x = XYZ @ np.clip(rgb, 0.0, 1.0) / (XYZ @ np.ones(3))
    f = np.where(x > 216 / 24389, np.cbrt(x), x * 841 / 108 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


# P. Tol, 'Colour Schemes', note SRON/EPS/TN/09-002: the nine colours of the qualitative scheme 'muted',
# on which public copies of it agree.
MUTED = {
    "#cc6677", "#332288", "#ddcc77", "#117733", "#88ccee", "#882255", "#44aa99", "#999933", "#aa4499",
}  # fmt: skip


def test_contrast_is_that_of_the_standard() -> None:
    """W3C WCAG 2: white on black is 21:1; #777777 on white is just below 4.5:1, #767676 just above."""
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") < 4.5 < contrast("#767676", "#ffffff")


@pytest.mark.parametrize("ground", [style.PAPER, style.LOOK_AHEAD_FILL])
@pytest.mark.parametrize("colour", sorted({*style.LINES, style.LOAD_EDGE, style.ALARM}))
def test_lines_and_coloured_text_stand_out(colour: str, ground: str) -> None:
    """W3C WCAG 2.1, 1.4.3: text needs a contrast of 4.5:1; labels have the colours of their lines."""
    assert contrast(colour, ground) >= 4.5


def test_line_colours_are_published() -> None:
    """Every line colour is one of the published scheme."""
    assert set(style.LINES) <= MUTED
    assert style.LOAD_EDGE in MUTED


@pytest.mark.parametrize(
    ("text", "ground"),
    [
        (style.INK, style.PAPER),
        (style.FAINT_INK, style.PAPER),
        (style.INK, style.LOAD_FILL),
        (style.INK, style.LOOK_AHEAD_FILL),
        (style.INK, style.NEGATIVE_FILL),
        (style.PAPER, style.ALARM),
    ],
)
def test_text_is_readable(text: str, ground: str) -> None:
    """W3C WCAG 2.1, success criterion 1.4.6 (enhanced): text needs a contrast of 7:1."""
    assert contrast(text, ground) >= 7.0


@pytest.mark.parametrize("who", SEEN_BY)
def test_lines_stay_apart_for_colour_blind_readers(who: str) -> None:
    """Any two line colours are 15 or more apart in CIE 1976 difference (common practice, no source)."""
    seen = [lab(SEEN_BY[who] @ linear(colour)) for colour in style.LINES]
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) >= 15.0


def test_lines_beyond_the_colours_differ_in_pattern() -> None:
    """The fifth line has the first colour but another pattern; sixteen lines are all different."""
    assert style.line_style(4)[0] == style.line_style(0)[0]
    assert style.line_style(4)[1] != style.line_style(0)[1]
    assert style.line_style(4)[2] == ", dashed"
    assert len({style.line_style(position)[:2] for position in range(16)}) == 16


@pytest.mark.parametrize(
    "words",
    [
        ("Interlocks", "permits", "operating procedures", "local codes", "licensed practice"),
        ("hydrogen in chlorine", "cell voltage", "brine flow"),
        ("Stored chlorine", "permit", "absorption", "full trip"),
        ("stop", "counted", "polarisation protection"),
        ("Mercury rooms", "legal end date"),
        ("from memory", "plant measurements"),
    ],
)
def test_cautions_say_what_the_trade_needs(words: tuple[str, ...]) -> None:
    """Each of the six subjects has one sentence of its own in the long cautions."""
    assert sum(all(word in caution for word in words) for caution in CAUTIONS) == 1


@pytest.mark.parametrize(
    "word", ["Advice only", "permits", "H2 in Cl2", "absorption", "polarisation", "Mercury", "measurements"]
)
def test_short_caution_names_every_subject(word: str) -> None:
    """The short caution touches each of the six subjects."""
    assert word in SHORT_CAUTION
