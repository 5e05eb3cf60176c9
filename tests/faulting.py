"""A runner of the command line that dies or fails at a chosen call of the operating system.

Owns the faults and the processes; what must hold after them stands in `tests/test_faults.py`. A child is
forked for each command, so that the imports are paid once.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
import time
import traceback
import warnings
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

# All that the commands load while they run, so that a child has it already.
import scheduler.plan
import scheduler.read.study_file
import scheduler.report.files
import scheduler.report.study
import scheduler.studies.case_runs
from scheduler.cli.main import main


@dataclass(frozen=True)
class Fault:
    """What goes wrong: a call of `os` by name and number, or a moment.

    Parameters
    ----------
    call : str
        Name of the call; 'time' for a moment; '' for nothing. [-]
    nth : int
        Which of these calls, from 1. [-]
    after : bool
        Whether the call is made first. [-]
    seconds : float
        The moment, from the start of the command. [s]
    number : int
        Error to raise in place of dying; 0 to die by SIGKILL. [-]
    sign : int
        Signal to send in place of SIGKILL. [-]
    """

    call: str = ""
    nth: int = 1
    after: bool = False
    seconds: float = 0.0
    number: int = 0
    sign: int = int(signal.SIGKILL)


NOTHING = Fault()


@dataclass(frozen=True)
class Ran:
    """How a command ended: exit code (negative for a signal), its words, and its seconds."""

    code: int
    words: str
    seconds: float


def strike(fault: Fault) -> None:
    """Let the chosen call of this process go wrong from now on."""
    real: Callable[..., Any] = getattr(os, fault.call)
    seen = [0]

    def struck(*args: Any, **more: Any) -> Any:
        seen[0] += 1
        hit = seen[0] == fault.nth or (fault.number and seen[0] > fault.nth)
        if not hit:
            return real(*args, **more)
        result = real(*args, **more) if fault.after else None
        if fault.number:
            raise OSError(fault.number, os.strerror(fault.number))
        os.kill(os.getpid(), fault.sign)
        return result if fault.after else real(*args, **more)

    setattr(os, fault.call, struck)


def run(command: list[str], fault: Fault, folder: Path) -> Ran:
    """Run a command in a child; return how it ended."""
    words = folder / "words.txt"
    start = time.monotonic()
    child = os.fork()
    if child == 0:
        code = 70
        try:
            with words.open("w") as stream:
                os.dup2(stream.fileno(), 1)
                os.dup2(stream.fileno(), 2)
            sys.stdout, sys.stderr = (io.TextIOWrapper(os.fdopen(n, "wb", closefd=False)) for n in (1, 2))
            warnings.simplefilter("default")
            if fault.call not in ("", "time"):
                strike(fault)
            main(command)
        except SystemExit as end:
            code = int(end.code or 0)
        except BaseException:
            traceback.print_exc()
        finally:
            with contextlib.suppress(Exception):
                sys.stdout.flush()
                sys.stderr.flush()
            os._exit(code)
    if fault.call == "time":
        time.sleep(fault.seconds)
        os.kill(child, fault.sign)
    _, status = os.waitpid(child, 0)
    return Ran(os.waitstatus_to_exitcode(status), words.read_text(), time.monotonic() - start)


def stand_in(plan: object, path: Path, notes: object) -> None:
    """Write a chart's place: drawing one takes as long as the whole run."""
    path.write_bytes(b"\x89PNG" + bytes(60_000) + b"IEND")


def serve() -> None:
    """Run the commands that come as lines of JSON on stdin; answer each with a line."""
    answers = os.fdopen(os.dup(1), "w")
    scheduler.report.files.write_chart = stand_in
    for line in sys.stdin:
        asked = json.loads(line)
        ran = run(asked["command"], Fault(**asked["fault"]), Path(asked["folder"]))
        print(json.dumps(asdict(ran)), file=answers, flush=True)


class Server:
    """The same from a process of its own, with what the command line needs loaded already."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faulting"],
            cwd=Path(__file__).resolve().parents[1],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def run(self, command: list[str], folder: Path, fault: Fault = NOTHING) -> Ran:
        """Run a command with a fault; `folder` takes its words."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        asked = {"command": command, "fault": asdict(fault), "folder": str(folder)}
        self._process.stdin.write(json.dumps(asked) + "\n")
        self._process.stdin.flush()
        return Ran(**json.loads(self._process.stdout.readline()))

    def close(self) -> None:
        """End the process."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait()
        self._process.stdout.close()


if __name__ == "__main__":
    serve()
