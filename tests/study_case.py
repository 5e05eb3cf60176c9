"""A small study of contracts, for the tests of its reports.

Owns the making of the case; no expected value stands here.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

from scheduler.studies.case_runs import run_cases
from scheduler.studies.tariffs import Study, compare
from tests.test_tariffs import CLOCK, SPOT, cases


@cache
def small_study() -> Study:
    """Return two contracts for a few days, and the same works under another name."""
    first = cases((SPOT, CLOCK), days=5)
    made = [*first, *(replace(case, site_name="second works") for case in first)]
    with tempfile.TemporaryDirectory() as folder:
        results, failed = run_cases(made, Path(folder), 1, lambda _: None)
    return compare(made, results, failed)
