"""The program as arrays against the program as text: two ways to write the same optimum."""

from __future__ import annotations

import numpy as np
import pytest

from scheduler.direct import written
from scheduler.highs import Solver, arrays_of
from scheduler.lp import build, formulate
from tests.small_sites import intervals, random_case


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize("tangents", [3, 12])
def test_both_ways_have_the_same_optimum(seed: int, tangents: int) -> None:
    """With no price below zero the pieces are the envelope of the tangents: the optima agree."""
    case = random_case(np.random.default_rng(seed), intervals(36), liquid=bool(seed % 2))
    records = formulate(case.site, case.horizon, case.situation)
    text = Solver(arrays_of(build(records, tangents=tangents).model)).solve()
    arrays = Solver(written(records, tangents)[1]).solve()
    # Both are HiGHS; the programs differ in rows and columns. Tolerance of the solver.
    assert arrays.objective == pytest.approx(text.objective, rel=1e-8)


def test_more_power_is_never_paid_beyond_the_curve_at_its_ends() -> None:
    """Where power is paid, pieces fake no more than the tangents do, and nothing at the ends of the range."""
    case = random_case(np.random.default_rng(3), intervals(24))
    case = case.priced(np.full(24, -40.0))
    records = formulate(case.site, case.horizon, case.situation)
    text = Solver(arrays_of(build(records).model)).solve()
    arrays = Solver(written(records)[1]).solve()
    assert arrays.objective >= text.objective - 1e-6 * abs(text.objective)
    program = Solver(written(records)[1])
    curve = records.declaration.curves[0]
    load = program.columns[curve.of]
    top = next(v.upper for v in records.declaration.variables if v.key == curve.of)
    program.set_column_bounds(np.array([load.start]), top[:1], top[:1])
    values = program.solve().values
    exact = curve.value(top[:1], np.array([0]))[0]
    assert values[program.columns[curve.key].start] == pytest.approx(exact, rel=1e-7)


def test_rows_and_columns_have_the_same_names() -> None:
    """What changes a program in place finds every family of the text in the arrays."""
    case = random_case(np.random.default_rng(2), intervals(30), liquid=True)
    records = formulate(case.site, case.horizon, case.situation)
    program = build(records)
    text, (kept, arrays) = arrays_of(program.model), written(records)
    names = {name for name in text.rows if not name.endswith("_tangents")}
    assert names <= set(arrays.rows)
    assert set(text.columns) <= set(arrays.columns)
    for name in names:
        sizes = [s.stop - s.start for s in (text.rows[name], arrays.rows[name])]
        assert sizes[0] == sizes[1], name
    own = {key: rows for key, rows in program.kept.items() if not key.endswith("_tangents")}
    assert {key: list(rows) for key, rows in kept.kept.items()} == own
