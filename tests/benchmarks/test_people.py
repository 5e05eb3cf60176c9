"""Speed of what people take away, against the chart that was there before; outside the default run.

Baseline on two shared cores, demo plan of 168 intervals: page 0.6 s, workbook 0.8 s, sheet.pdf 0.2 s,
sheet.html 0.03 s, chart.png 2.3 s.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from scheduler.report.files import plan_files
from tests.people_case import crowded_plan

PEOPLE = ("page.html", "plan.xlsx", "sheet.pdf", "sheet.html")
ROUNDS = 5
RATIO = 1.0
"""Greatest ratio of page, workbook and sheets together to the chart alone."""


def seconds(write: Callable[[Path], None], path: Path) -> float:
    """Return the time that a writer takes."""
    start = time.perf_counter()
    write(path)
    return time.perf_counter() - start


def test_page_workbook_and_sheet_against_the_chart(tmp_path: Path) -> None:
    """Written alternately, the four files for people take no longer than the chart alone."""
    writers = plan_files(crowded_plan(6, 9, minutes=15, every=16), {}, ())
    ratios = []
    for number in range(ROUNDS + 1):
        found = {name: seconds(writers[name], tmp_path / name) for name in ("chart.png", *PEOPLE)}
        # The first round loads the libraries.
        if number:
            ratios.append(sum(found[name] for name in PEOPLE) / found["chart.png"])
        print({name: round(value, 3) for name, value in found.items()})
    print(f"ratio {median(ratios):.2f}")
    assert median(ratios) <= RATIO
