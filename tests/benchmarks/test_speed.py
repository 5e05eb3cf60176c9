"""Speed of the day plan of the demo site (three rooms, seven days by the hour).

Outside the default run; `python -m pytest -q tests/benchmarks -s` prints the figures. Both sides of every
ratio run alternately in one run, and the figure is the median of the paired ratios: seconds differ from
machine to machine, ratios hardly.

Baselines: `direct_arrays` (the same program by numpy alone) and `bare_command` (the same imports, the
final program of every search solved once, the same chart from saved artists). The bare script is told the
answer of each search (every cut, branch and comparison row), so the ratio of the command to it counts the
search itself as overhead.
"""

from __future__ import annotations

import gc
import json
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import as_file, files
from pathlib import Path
from statistics import median

import highspy
import numpy as np
import pytest

from models.situation import Situation
from scheduler.highs import Arrays, Solver, arrays_of
from scheduler.lp import START_TANGENTS, Formulation, build, formulate
from scheduler.plan import Planner, PlanOptions
from scheduler.read.inputs import Inputs, read_inputs
from tests.benchmarks.direct_arrays import Direct, assemble, give
from tests.benchmarks.recording import Recording, record

HERE = Path(__file__).parent
COMMAND = "from scheduler.cli.main import main; main()"
BUILD_PAIRS, RESOLVE_PAIRS, COMMAND_PAIRS = 15, 5, 5
BUILD_RATIO, BUILD_SHARE, COMMAND_RATIO = 25.0, 0.15, 2.0
"""Aims. They were set before anything was measured; common practice, no source."""


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    """Return the inputs of the demo site."""
    with as_file(files("tariffs_demo")) as folder:
        return read_inputs(folder / "site.toml")


@pytest.fixture(scope="module")
def formulation(inputs: Inputs) -> Formulation:
    """Return the records of the demo site."""
    return formulate(inputs.site, inputs.horizon, inputs.situation)


def seconds_of(work: Callable[[], object]) -> float:
    """Return the wall time of some work, with no rubbish of earlier work to collect."""
    gc.collect()
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def pairs(ours: Callable[[], object], base: Callable[[], object], count: int) -> list[tuple[float, float]]:
    """Return seconds of both sides, run alternately, the first side changing from pair to pair."""
    found = []
    for number in range(count):
        if number % 2:
            b = seconds_of(base)
            found.append((seconds_of(ours), b))
        else:
            a = seconds_of(ours)
            found.append((a, seconds_of(base)))
    return found


def tell(what: str, found: list[tuple[float, float]]) -> float:
    """Print medians and return the median of the paired ratios."""
    ratio = median(a / b for a, b in found)
    spread = sorted(a / b for a, b in found)
    print(
        f"\n{what}: {median(a for a, _ in found):.4f} s against {median(b for _, b in found):.4f} s, ratio "
        f"{ratio:.2f} ({spread[0]:.2f} to {spread[-1]:.2f}, {len(found)} pairs)"
    )
    return ratio


def sorted_entries(program: Arrays | Direct) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return row, column and value of every non-zero, ordered by row and column."""
    row = np.repeat(np.arange(len(program.row_lower)), np.diff(program.start))
    order = np.lexsort((program.index, row))
    return row[order], program.index[order], program.value[order]


RUNNER = """
import json, resource, subprocess, sys, time
start = time.perf_counter()
done = subprocess.run(sys.argv[1:], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
wall = time.perf_counter() - start
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(json.dumps([done.returncode, wall, peak / 1024.0, done.stdout]))
"""
"""A small process in between: Linux counts what the parent held before the child started as the child's."""


def run_process(arguments: list[str], folder: Path) -> tuple[float, float, str]:
    """Run a process to its end; return its wall time [s], its peak memory [MB] and its output."""
    runner = [sys.executable, "-c", RUNNER, *arguments]
    done = subprocess.run(runner, stdout=subprocess.PIPE, text=True, cwd=folder, check=True)
    code, wall, peak, output = json.loads(done.stdout)
    assert code == 0, f"{arguments} ended with {code}"
    return float(wall), float(peak), str(output)


def test_the_baseline_is_the_same_program(formulation: Formulation) -> None:
    """The arrays of the baseline are those of the Pyomo model: columns, limits, costs and every non-zero."""
    ours = arrays_of(build(formulation).model)
    base = assemble(formulation.declaration, formulation.horizon, START_TANGENTS)
    for name in ("cost", "column_lower", "column_upper", "row_lower", "row_upper"):
        # Rounding only: the baseline evaluates curves on all tangents at once.
        np.testing.assert_allclose(getattr(ours, name), getattr(base, name), rtol=1e-12, atol=1e-12)
    assert ours.offset == pytest.approx(base.offset, rel=1e-12)
    for a, b in zip(sorted_entries(ours), sorted_entries(base), strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-12, atol=1e-15)
    solver = give(base)
    solver.run()
    objective = solver.getInfo().objective_function_value
    assert Solver(ours).solve().objective == pytest.approx(objective, rel=1e-9)
    print(f"\nprogram: {len(base.cost)} columns, {len(base.row_lower)} rows, {len(base.value)} non-zeros")


def test_build_and_transfer_against_arrays(formulation: Formulation) -> None:
    """Writing the Pyomo model and handing it over stays near the cost of the bare arrays."""
    records, horizon = formulation.declaration, formulation.horizon
    found = pairs(
        lambda: Solver(arrays_of(build(formulation).model)),
        lambda: give(assemble(records, horizon, START_TANGENTS)),
        BUILD_PAIRS,
    )
    ratio = tell("build and transfer against arrays", found)
    assert ratio <= BUILD_RATIO


def other_prices(situation: Situation, seed: int) -> Situation:
    """Return a situation with every price moved by a few units of currency."""
    noise = np.random.default_rng(seed)
    moved = {
        name: replace(series, values=series.values + noise.normal(0.0, 5.0, len(series.values)))
        for name, series in situation.series.items()
    }
    return replace(situation, series=moved)


def other_stocks(situation: Situation, seed: int) -> Situation:
    """Return a situation with every stock at the horizon's start up by a little."""
    up = 1.0 + 0.002 * (1 + seed)
    return replace(situation, stocks={name: level * up for name, level in situation.stocks.items()})


@pytest.mark.parametrize("change", [other_prices, other_stocks])
def test_a_second_solve_builds_nothing(inputs: Inputs, change: Callable[[Situation, int], Situation]) -> None:
    """New prices or stocks build and transfer nothing, keep all cuts and end at the same optimum."""
    options = PlanOptions(compare=False)
    kept = Planner(inputs.site, inputs.horizon, inputs.situation, options)
    kept.plan()
    found = []
    for number in range(RESOLVE_PAIRS):
        situation = change(inputs.situation, number)
        cuts_before = kept.search.tangents
        kept.seconds.clear()
        gc.collect()
        assert kept.revise(situation)
        one = kept.plan().certificate
        assert "build" not in kept.seconds
        assert "transfer" not in kept.seconds
        assert kept.search.tangents >= cuts_before > 0
        fresh = Planner(inputs.site, inputs.horizon, situation, options)
        two = fresh.plan().certificate
        assert one.lower_bound <= two.cost + 1e-6 * two.denominator
        assert two.lower_bound <= one.cost + 1e-6 * one.denominator
        found.append((to_least_cost(kept), to_least_cost(fresh)))
    tell(f"re-solve with {change.__name__.replace('_', ' ')} against a fresh program, to least cost", found)
    print(f"of it build 0 s, transfer 0 s; tangents kept {kept.search.tangents}")


def to_least_cost(planner: Planner) -> float:
    """Return the seconds up to the least cost; later stages may or may not be needed for one situation."""
    steps = ("formulate", "build", "transfer", "solve")
    return sum(planner.seconds.get(step, 0.0) for step in steps)


@pytest.fixture(scope="module")
def recording(inputs: Inputs, tmp_path_factory: pytest.TempPathFactory) -> tuple[Recording, Path]:
    """Return what the command solves and draws, with the folder it is saved in."""
    folder = tmp_path_factory.mktemp("recording")
    with pytest.MonkeyPatch.context() as patch:
        return record(inputs, folder, patch), folder


def test_the_command_against_a_bare_script(recording: tuple[Recording, Path], tmp_path: Path) -> None:
    """The whole command takes at most twice the bare script, and building stays a small share of it.

    The bare script is checked to find the same optima and to draw the same picture.
    """
    recorded, folder = recording
    command, bare, firsts = [], [], []
    for number in range(COMMAND_PAIRS):
        target = tmp_path / f"plan_{number}"
        runs = {
            "command": [sys.executable, "-c", COMMAND, "demo", "--out", str(target)],
            "bare": [sys.executable, str(HERE / "bare_command.py"), str(folder)],
        }
        for name in ("command", "bare") if number % 2 else ("bare", "command"):
            result = run_process(runs[name], tmp_path)
            (command if name == "command" else bare).append(result)
        firsts.append(float(run_process([sys.executable, str(HERE / "first_build.py")], tmp_path)[2]))
    assert (folder / "bare.png").read_bytes() == (target / "chart.png").read_bytes()
    found = [float(line) for line in bare[-1][2].splitlines() if not line.startswith(("Running", "Includes"))]
    # As far apart as branch and bound may leave two runs of one program.
    np.testing.assert_allclose(found, recorded.objectives, rtol=1e-4)
    walls = [(a[0], b[0]) for a, b in zip(command, bare, strict=True)]
    ratio = tell("whole command against bare script", walls)
    share = median(first / whole[0] for first, whole in zip(firsts, command, strict=True))
    print(f"solves: {len(recorded.solves)} in the command, {len(found)} in the bare script")
    print(f"first build and transfer: {median(firsts):.3f} s, {100 * share:.1f} % of the command")
    print(
        f"peak memory: {median(run[1] for run in command):.0f} MB against "
        f"{median(run[1] for run in bare):.0f} MB of the bare script"
    )
    print(f"highspy {highspy.Highs().version()}, python {sys.version.split()[0]}")
    assert share <= BUILD_SHARE
    assert ratio <= COMMAND_RATIO
