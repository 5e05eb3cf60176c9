"""Running the cases of a study: processes, results kept on the way, and what to do when one dies.

Owns files of results and processes. What a case is and how it is planned stands in `contract_year`.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import multiprocessing.connection
import os
import signal
import tempfile
import threading
import zipfile
import zlib
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict
from pathlib import Path
from typing import Any

import filelock
import numpy as np

from scheduler.errors import FolderError, SolverError
from scheduler.studies.contract_year import CaseFigures, CaseResult, StudyCase, solve_case

RETRIES = 2
"""How often a case is run again after its process died."""
PART = ".part"
"""End of the name of a result that is being written."""

Progress = Callable[[str], None]


def save(result: CaseResult, path: Path) -> None:
    """Write a result so that it is there whole or not at all.

    Parameters
    ----------
    result : CaseResult
        The result. [-]
    path : Path
        File. [-]

    Raises
    ------
    FolderError
        If it cannot be written.
    """
    made = {f"made_{name}": flow for name, flow in result.made_per_h.items()}
    text = np.frombuffer(json.dumps(asdict(result.figures)).encode(), dtype=np.uint8)
    name = ""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, suffix=PART)
        with os.fdopen(handle, "wb") as stream:
            arrays: dict[str, Any] = {"figures": text, "import_mw": result.import_mw, **made}
            np.savez_compressed(stream, **arrays)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(name, path)
    except BaseException as error:
        if name:
            with contextlib.suppress(OSError):
                os.unlink(name)
        if isinstance(error, OSError):
            raise _not_kept(path.parent, error) from error
        raise


def _not_kept(folder: Path, error: OSError) -> FolderError:
    return FolderError(
        f"{folder}: a result cannot be kept there ({error.strerror or error}): check rights and free space, "
        "or choose another folder; what was kept before stays"
    )


def load(path: Path) -> CaseResult | None:
    """Read a result that an earlier run kept.

    Parameters
    ----------
    path : Path
        File. [-]

    Returns
    -------
    CaseResult or None
        The result; None if there is none, or none that is whole. [-]
    """
    try:
        with np.load(path) as stored:
            values = json.loads(bytes(stored["figures"].tobytes()))
            values["bill"] = tuple(values["bill"])
            values["misses"] = tuple(values["misses"])
            made = {n.removeprefix("made_"): stored[n] for n in stored.files if n.startswith("made_")}
            return CaseResult(CaseFigures(**values), stored["import_mw"], made)
    # A disk that failed, or a file that is not ours: whatever is wrong with it, the case is run again.
    except (OSError, ValueError, TypeError, KeyError, EOFError, zipfile.BadZipFile, zlib.error):
        return None


def _end_with_parent() -> None:
    """Let a process end with the one that started it, and without words on Ctrl-C.

    A process of a pool holds its own end of the queue open: without this it would wait for ever for work
    from a study that was killed.
    """
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        multiprocessing.connection.wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _work(case: StudyCase, path: str) -> str:
    """Run one case in a process of its own and keep its result."""
    save(solve_case(case), Path(path))
    return path


def run_cases(
    cases: Sequence[StudyCase], folder: Path, workers: int, progress: Progress
) -> tuple[list[CaseResult | None], dict[str, str]]:
    """Run cases on several processes; what an earlier run kept is not run again.

    Parameters
    ----------
    cases : sequence of StudyCase
        The cases. [-]
    folder : Path
        Folder of kept results; made if missing. [-]
    workers : int
        Processes, 1 or more; with 1 the cases run in this one. [-]
    progress : callable
        Takes a line of text as things go on. [-]

    Returns
    -------
    tuple of (list, dict)
        Result of each case (None where it failed), and why by name of the case. [-]

    Raises
    ------
    FolderError
        If a result cannot be kept, or another study uses the folder.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with filelock.FileLock(
            folder.absolute().with_name(f".{folder.absolute().name}.lock"), blocking=False
        ):
            # What a killed study was writing.
            for left in folder.glob(f"*{PART}"):
                left.unlink()
            return _run_cases(cases, folder, workers, progress)
    except filelock.Timeout as error:
        raise FolderError(
            f"{folder}: another study keeps its results there: wait until it has finished, or choose another "
            "folder"
        ) from error
    except FolderError:
        raise
    except OSError as error:
        raise _not_kept(folder, error) from error


def _run_cases(
    cases: Sequence[StudyCase], folder: Path, workers: int, progress: Progress
) -> tuple[list[CaseResult | None], dict[str, str]]:
    paths = [folder / f"{case.key}.npz" for case in cases]
    open_ = [i for i, path in enumerate(paths) if load(path) is None]
    damaged = sum(paths[i].exists() for i in open_)
    if damaged:
        progress(f"{damaged} kept results are damaged; these cases are run again")
    if len(open_) < len(cases):
        progress(f"{len(cases) - len(open_)} of {len(cases)} cases kept from an earlier run")
    failed: dict[str, str] = {}
    done = len(cases) - len(open_)

    def told(i: int, error: str | None) -> None:
        nonlocal done
        done += 1
        case = cases[i]
        if error is not None:
            failed[case.label] = error
        progress(f"{done}/{len(cases)} {case.label}" + (f": {error}" if error else ""))

    if workers == 1:
        for i in open_:
            try:
                _work(cases[i], str(paths[i]))
                told(i, None)
            except (SolverError, ValueError) as error:
                told(i, str(error))
    else:
        _on_processes(cases, paths, open_, workers, told, progress)
    return [load(path) for path in paths], failed


def _on_processes(
    cases: Sequence[StudyCase],
    paths: Sequence[Path],
    open_: Sequence[int],
    workers: int,
    told: Callable[[int, str | None], None],
    progress: Progress,
) -> None:
    tries = dict.fromkeys(open_, 0)
    left = list(open_)
    while left:
        pool = ProcessPoolExecutor(
            workers, mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_parent
        )
        died: list[int] = []
        try:
            futures: dict[Future[str], int] = {pool.submit(_work, cases[i], str(paths[i])): i for i in left}
            for future in as_completed(futures):
                i = futures[future]
                try:
                    future.result()
                    told(i, None)
                except (SolverError, ValueError) as error:
                    told(i, str(error))
                except BrokenProcessPool:
                    died.append(i)
        except BaseException:
            # Ctrl-C, a full disk: do not wait for years that are being planned.
            for child in multiprocessing.active_children():
                child.terminate()
            raise
        finally:
            pool.shutdown(cancel_futures=True)
        left = []
        for i in died:
            tries[i] += 1
            # A process that dies takes the waiting cases with it: only so many times.
            if paths[i].exists():
                told(i, None)
            elif tries[i] > RETRIES:
                told(i, "its process died again and again: is there memory enough?")
            else:
                left.append(i)
        if left:
            progress(f"a process died; {len(left)} cases are run again")
