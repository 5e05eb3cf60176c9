"""Thousands of hurt inputs: each ends in an audited plan, NOT A PLAN or a clear error, and nothing acts.

`tests.fuzzing` draws and judges the cases; a failing one says its seed and the command that runs it again.
BRINEWATT_FUZZ sets their number: 10000 is the long run.
"""

from __future__ import annotations

import os

import pytest

from tests.fuzz_judge import acts, page_faults
from tests.fuzzing import Count, draw, run_case

CASES = int(os.environ.get("BRINEWATT_FUZZ", "0"))
BATCHES = 4
BY_DEFAULT = 50
"""Cases of a batch in the default run."""


@pytest.mark.parametrize("batch", range(BATCHES))
def test_hurt_inputs_end_in_a_plan_or_in_words(batch: int) -> None:
    """No traceback, hang, broken limit or half output; at least 40 % reach the solver and 20 % a plan."""
    size = max(CASES // BATCHES, BY_DEFAULT)
    count = Count()
    for seed in range(batch, BATCHES * size, BATCHES):
        count.add(run_case(seed))
    print(count.told())
    assert not count.failed, "\n".join(ended.told() for ended in count.failed)
    assert count.solved >= 0.4 * count.cases, count.told()
    assert count.planned >= 0.2 * count.cases, count.told()


def test_the_same_seed_draws_the_same_case() -> None:
    """A seed is enough to run a case again."""
    one, two = (draw(77)[1] for _ in range(2))
    assert one.done == two.done
    assert one.site == two.site
    assert {role: table.rows for role, table in one.tables.items()} == {
        role: table.rows for role, table in two.tables.items()
    }


def test_the_judge_sees_markup_and_formulas() -> None:
    """What the judge is for is found: markup that acts, and cells that a spreadsheet would run."""
    assert page_faults("<p><script>alert(1)</script></p>")
    assert page_faults('<p onmouseover="x()">a</p>')
    assert page_faults("<p>&lt;script&gt;alert(1)&lt;/script&gt;</p>") == []
    assert [cell for cell in ("=1", "+a", "-2+3", "@x", "\t=1", "-2.5", "'=1", "a=b") if acts(cell)] == [
        "=1",
        "+a",
        "-2+3",
        "@x",
        "\t=1",
    ]
