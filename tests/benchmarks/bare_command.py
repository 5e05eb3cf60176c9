"""Baseline: the least a script can do that ends with the demo's solutions and the demo's chart.

Called with a folder that `recording.record` has filled. Imports the libraries the command imports, gives
every saved program (with all cuts, branches and comparison rows in it) to HiGHS once, solves it and draws
the saved chart. It reads no input, builds nothing, searches nothing, audits nothing and writes no tables.
Of the step problem it gets the plan day with its last planes (`scheduler.ahead`). The programs of the calm
stage (`scheduler.calm`) are not among them, so that stage too counts as overhead.
"""

from __future__ import annotations

import json
import pickle
import sys
from pathlib import Path

import click
import defusedxml.ElementTree
import filelock
import highspy
import holidays
import matplotlib
import numpy as np
import openpyxl
import pydantic
import pyomo.environ
from matplotlib.backends.backend_agg import FigureCanvasAgg

SAME_IMPORTS = (click, defusedxml.ElementTree, filelock, holidays, openpyxl, pydantic, pyomo.environ)
"""Libraries the command loads and this script does not need."""


def solve(path: Path) -> float:
    """Solve one saved program.

    Parameters
    ----------
    path : Path
        Arrays of the program. [-]

    Returns
    -------
    float
        Objective. [currency]
    """
    saved = np.load(path)
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(saved["cost"]), len(saved["row_lower"])
    lp.col_cost_, lp.offset_ = saved["cost"], float(saved["offset"])
    lp.col_lower_, lp.col_upper_ = saved["column_lower"], saved["column_upper"]
    lp.row_lower_, lp.row_upper_ = saved["row_lower"], saved["row_upper"]
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_, lp.a_matrix_.index_ = saved["start"], saved["index"]
    lp.a_matrix_.value_ = saved["value"]
    solver = highspy.Highs()
    for name, value in json.loads(str(saved["options"])).items():
        solver.setOptionValue(name, value)
    solver.passModel(lp)
    whole = saved["whole"]
    if len(whole):
        kinds = np.full(len(whole), int(highspy.HighsVarType.kInteger), dtype=np.uint8)
        solver.changeColsIntegrality(len(whole), whole, kinds)
    solver.run()
    if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        raise RuntimeError(f"{path.name} was not solved")
    return float(solver.getInfo().objective_function_value)


def main(folder: Path) -> None:
    """Solve the saved programs and draw the saved chart.

    Parameters
    ----------
    folder : Path
        Folder of the recording. [-]
    """
    for path in sorted(folder.glob("program_*.npz")):
        print(repr(solve(path)))
    with matplotlib.rc_context():
        figure = pickle.loads((folder / "figure.pickle").read_bytes())
        FigureCanvasAgg(figure)
        figure.savefig(folder / "bare.png", format="png", metadata={"Software": None})


if __name__ == "__main__":
    main(Path(sys.argv[1]))
