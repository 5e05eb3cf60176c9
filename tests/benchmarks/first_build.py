"""Print the seconds a fresh process takes to build the demo site's program and to hand it to the solver.

Run as a script, because the first model of a process is slower than later ones, and the command builds one.
"""

from __future__ import annotations

from importlib.resources import as_file, files

from scheduler.plan import Planner
from scheduler.read.inputs import read_inputs


def main() -> None:
    """Read, build, transfer, print."""
    with as_file(files("tariffs_demo")) as folder:
        inputs = read_inputs(folder / "site.toml")
    seconds = Planner(inputs.site, inputs.horizon, inputs.situation).seconds
    print(seconds["build"] + seconds["transfer"])


if __name__ == "__main__":
    main()
