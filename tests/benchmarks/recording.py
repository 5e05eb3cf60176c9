"""Record what the bare script of `bare_command` replays: final programs, their options and the chart.

Reaches into the solver object for its final program; nothing else outside `scheduler.highs` may.
"""

from __future__ import annotations

import json
import pickle
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import highspy
import matplotlib
import numpy as np

from scheduler.ahead import SplitProgram
from scheduler.cuts import Search
from scheduler.habit import past_pattern
from scheduler.highs import Outcome, Solver
from scheduler.plan import PlanOptions, make_plan
from scheduler.read.inputs import Inputs
from scheduler.report import style
from scheduler.report.chart import chart_figure
from scheduler.result import Plan

OPTIONS = ("output_flag", "parallel", "primal_feasibility_tolerance", "dual_feasibility_tolerance")
WHOLE_OPTIONS = ("mip_rel_gap", "mip_abs_gap")


@dataclass(eq=False)
class Recording:
    """What one run of the command solves.

    Parameters
    ----------
    plan : Plan
        The plan. [-]
    solves : list of float
        Objective of every solve. [currency]
    programs : list of dict
        Last program of every search. [-]
    objectives : list of float
        Objective of each of them. [currency]
    """

    plan: Plan | None = None
    solves: list[float] = field(default_factory=list)
    programs: list[dict[str, Any]] = field(default_factory=list)
    objectives: list[float] = field(default_factory=list)


def snapshot(solver: Solver) -> dict[str, Any]:
    """Return the program inside a solver as arrays.

    Parameters
    ----------
    solver : Solver
        The solver. [-]

    Returns
    -------
    dict
        Arrays by name. [-]
    """
    highs = solver._highs
    lp = highs.getLp()
    matrix = lp.a_matrix_
    if matrix.format_ != highspy.MatrixFormat.kColwise:
        raise RuntimeError("the recording expects the solver to hold columns after a solve")
    kinds = np.array([int(kind) for kind in lp.integrality_], dtype=np.int64)
    whole = np.flatnonzero(kinds == int(highspy.HighsVarType.kInteger)).astype(np.int32)
    names = OPTIONS + (WHOLE_OPTIONS if len(whole) else ())
    return {
        "cost": np.array(lp.col_cost_),
        "offset": np.array(lp.offset_),
        "column_lower": np.array(lp.col_lower_),
        "column_upper": np.array(lp.col_upper_),
        "row_lower": np.array(lp.row_lower_),
        "row_upper": np.array(lp.row_upper_),
        "start": np.array(matrix.start_, dtype=np.int32),
        "index": np.array(matrix.index_, dtype=np.int32),
        "value": np.array(matrix.value_),
        "whole": whole,
        "options": np.array(json.dumps({name: highs.getOptionValue(name)[1] for name in names})),
    }


def record(inputs: Inputs, folder: Path, patch: Any) -> Recording:
    """Plan as the command does and save the last program of every search and the chart.

    Parameters
    ----------
    inputs : Inputs
        Inputs of the command. [-]
    folder : Path
        Folder to fill. [-]
    patch : MonkeyPatch
        For the time of the run. [-]

    Returns
    -------
    Recording
        What was solved. [-]
    """
    recording = Recording()
    solve, run = Solver.solve, Search._run
    split_search = SplitProgram.search
    latest: list[dict[str, Any]] = []
    latest_whole: list[tuple[dict[str, Any], float]] = []

    def solve_and_note(solver: Solver, *args: Any, **named: Any) -> Outcome:
        outcome = solve(solver, *args, **named)
        recording.solves.append(outcome.objective)
        latest[:] = [snapshot(solver)]
        if len(latest[0]["whole"]):
            latest_whole[:] = [(latest[0], outcome.objective)]
        return outcome

    def run_and_note(search: Search, *args: Any, **named: Any) -> Any:
        found = run(search, *args, **named)
        recording.programs.extend(latest)
        recording.objectives.append(recording.solves[-1])
        return found

    def split_and_note(split: SplitProgram, *args: Any, **named: Any) -> Any:
        found = split_search(split, *args, **named)
        recording.programs.append(latest_whole[-1][0])
        recording.objectives.append(latest_whole[-1][1])
        return found

    patch.setattr(SplitProgram, "search", split_and_note)
    patch.setattr(Solver, "solve", solve_and_note)
    patch.setattr(Search, "_run", run_and_note)
    options = PlanOptions(pattern_ka=past_pattern(inputs.actual_loads, inputs.horizon))
    recording.plan = make_plan(inputs.site, inputs.horizon, inputs.situation, options)
    for number, program in enumerate(recording.programs):
        np.savez(folder / f"program_{number}.npz", **program)
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams["text.parse_math"] = False
        matplotlib.rcParams["font.size"] = style.FONT_PT
        matplotlib.rcParams["hatch.linewidth"] = 0.6
        figure = chart_figure(recording.plan, inputs.notes)
    (folder / "figure.pickle").write_bytes(pickle.dumps(figure))
    return recording
