"""Output folders: a set of files appears as one folder, complete or not at all.

Owns the temporary sibling folder, the one rename, the lock next to the target and the cleaning of what a
killed run left. Knows nothing of what is written: callers hand over one writer per file.

Names beside the target `plan`: `.plan.lock` (the lock; it stays, because removing a lock file breaks the
lock of whoever waits for it), `.plan.tmp-xxxxxxxx` (being written), `.plan.old-xxxxxxxx` (being replaced).
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
from collections.abc import Callable, Collection, Mapping
from pathlib import Path

import filelock

from scheduler.errors import FolderError

Writer = Callable[[Path], None]
"""Writes one file at the path it is given."""
Ignore = Callable[[str, list[str]], set[str]]
"""Says which of some names in a folder are not copied."""


def publish(
    target: Path, writers: Mapping[str, Writer], replace: bool = False, older: Collection[str] = ()
) -> None:
    """Write a set of files as one folder, complete or absent.

    The files are written into a temporary folder beside the target and synced to disk; one rename then makes
    them visible. Whatever interrupts the writing, the target is never there in part.

    Parameters
    ----------
    target : Path
        Folder to make; its parent must exist. [-]
    writers : mapping
        Writer of each file by file name, called in order with the path to write. [-]
    replace : bool
        Whether an existing folder of an older run is replaced. It is set aside before the rename and removed
        after it, so it is never lost to a failure. [-]
    older : collection of str
        Names that an older run may have left in the target besides those of `writers`. A folder that holds
        anything else is not replaced. [-]

    Raises
    ------
    FolderError
        If the target exists and may not be replaced, the parent is missing or cannot be written, another run
        writes to the same target, or a file cannot be written.
    ValueError
        If a file name is not a plain name, or a writer left no file (a bug of the caller).
    """
    for name in writers:
        if name in ("", ".", "..") or Path(name).name != name:
            raise ValueError(f"a file name must be a plain name without folders (got {name!r})")

    def fill(folder: Path) -> None:
        folder.mkdir()
        for name, write in writers.items():
            write(folder / name)
        _check_written(folder, writers)

    _appear(Path(os.path.abspath(target)), fill, replace, {*writers, *older})


def publish_copy(source: Path, target: Path, ignore: Ignore | None = None) -> None:
    """Copy a tree of files to a new folder, complete or absent.

    Parameters
    ----------
    source : Path
        Folder to copy. [-]
    target : Path
        Folder to make; must not exist, its parent must. [-]
    ignore : callable, optional
        What is left out (see `shutil.copytree`). [-]

    Raises
    ------
    FolderError
        If the target exists, or the files cannot be written.
    """

    def fill(folder: Path) -> None:
        shutil.copytree(source, folder, ignore=ignore)

    check_new(target, "folder")
    _appear(Path(os.path.abspath(target)), fill)


def publish_file(target: Path, text: str) -> None:
    """Write a new text file, complete or absent.

    Parameters
    ----------
    target : Path
        File to make; must not exist, its folder must. [-]
    text : str
        Content. [-]

    Raises
    ------
    FolderError
        If the file exists or cannot be written.
    """
    target = Path(os.path.abspath(target))
    temporary = target.with_name(f".{target.name}.tmp-{secrets.token_hex(4)}")
    try:
        _check_parent(target)
        check_new(target)
        try:
            temporary.write_text(text, encoding="utf-8", newline="")
            _sync(temporary)
            # A rename would replace what came there meanwhile; a link does not.
            os.link(temporary, target)
            _sync_folder(target.parent)
        finally:
            temporary.unlink(missing_ok=True)
    except FolderError:
        raise
    except OSError as error:
        raise _cannot(target, error, "a file that does not exist yet") from error


def check_new(target: Path, what: str = "file") -> None:
    """Refuse a name that is taken, before the work is done.

    Parameters
    ----------
    target : Path
        What is to be made. [-]
    what : str
        'file' or 'folder'. [-]

    Raises
    ------
    FolderError
        If it exists.
    """
    if os.path.lexists(target):
        raise FolderError(f"{target}: exists already: name a {what} that does not exist yet")


def _appear(
    target: Path, fill: Callable[[Path], None], replace: bool = False, ours: Collection[str] = ()
) -> None:
    """Let a folder appear that `fill` makes at the path it is given."""
    try:
        _check_parent(target)
        _check_target(target, replace, ours)
        with filelock.FileLock(target.parent / f".{target.name}.lock", blocking=False):
            _recover(target)
            _check_target(target, replace, ours)
            _fill_and_swap(target, fill)
    except filelock.Timeout as error:
        raise FolderError(
            f"{target}: another run is writing to this folder: wait until it has finished, or choose another"
        ) from error
    except FolderError:
        raise
    except OSError as error:
        raise _cannot(target, error, "another folder") from error


def _cannot(target: Path, error: OSError, instead: str) -> FolderError:
    """Return what is told of a target that cannot be written."""
    return FolderError(
        f"{target}: cannot be written ({error.strerror or error}): check rights and free space of "
        f"{target.parent}, or choose {instead}"
    )


def check_before(target: Path, replace: bool, ours: Collection[str]) -> None:
    """Refuse a target that `publish` would refuse, before the work is done.

    Parameters
    ----------
    target : Path
        Folder to make. [-]
    replace : bool
        Whether an existing folder of an older run is replaced. [-]
    ours : collection of str
        Names of files that any run may have left there. [-]

    Raises
    ------
    FolderError
        If the target exists and may not be replaced, or its parent is missing.
    """
    target = Path(os.path.abspath(target))
    _check_parent(target)
    _check_target(target, replace, ours)


def _check_parent(target: Path) -> None:
    if not target.name:
        raise FolderError(f"{target}: is the root of the file system: choose a folder below it")
    if not target.parent.is_dir():
        raise FolderError(f"{target}: its parent {target.parent} is not a folder: make it first")


def _check_target(target: Path, replace: bool, ours: Collection[str]) -> None:
    if not os.path.lexists(target):
        return
    if not replace:
        raise FolderError(f"{target}: exists already: choose another folder, or add --replace to replace it")
    if target.is_symlink() or not target.is_dir():
        raise FolderError(f"{target}: is not a folder, so it is not replaced: choose another name")
    strange = sorted(
        entry.name
        for entry in os.scandir(target)
        if entry.name not in ours or not entry.is_file(follow_symlinks=False)
    )
    if strange:
        raise FolderError(
            f"{target}: holds {', '.join(repr(name) for name in strange[:3])}"
            f"{' and more' if len(strange) > 3 else ''}, which this program did not write, so it is not "
            "replaced: move these away, or choose another folder"
        )


def _siblings(target: Path, kind: str) -> list[Path]:
    pattern = re.compile(rf"\.{re.escape(target.name)}\.{kind}-[0-9a-f]{{8}}")
    return sorted(
        Path(entry.path)
        for entry in os.scandir(target.parent)
        if pattern.fullmatch(entry.name) and entry.is_dir(follow_symlinks=False)
    )


def _recover(target: Path) -> None:
    """Clean what a killed run left; an older folder that it had set aside goes back to its place."""
    for old in _siblings(target, "old"):
        if os.path.lexists(target):
            shutil.rmtree(old)
        else:
            os.rename(old, target)
    for temporary in _siblings(target, "tmp"):
        shutil.rmtree(temporary)


def _fill_and_swap(target: Path, fill: Callable[[Path], None]) -> None:
    token = secrets.token_hex(4)
    temporary = target.with_name(f".{target.name}.tmp-{token}")
    old = target.with_name(f".{target.name}.old-{token}")
    try:
        # Not tempfile.mkdtemp: its folders are closed to everyone but their owner.
        fill(temporary)
        for inside, _, names in os.walk(temporary, topdown=False):
            for name in names:
                _sync(Path(inside, name))
            _sync_folder(Path(inside))
        if os.path.lexists(target):
            os.rename(target, old)
        os.rename(temporary, target)
        _sync_folder(target.parent)
    finally:
        # Reached on every failure, a keyboard interrupt included; after success only `old` is left.
        if os.path.lexists(old) and not os.path.lexists(target):
            os.rename(old, target)
        # What cannot be removed now is removed by the next run; the error that led here must stay visible.
        for folder in (temporary, old):
            shutil.rmtree(folder, ignore_errors=True)


def _check_written(folder: Path, names: Collection[str]) -> None:
    written = {entry.name for entry in os.scandir(folder) if entry.is_file(follow_symlinks=False)}
    missing = [name for name in names if name not in written]
    if missing:
        raise ValueError(f"the writer of {missing[0]!r} left no file of that name")
    extra = sorted({entry.name for entry in os.scandir(folder)} - set(names))
    if extra:
        raise ValueError(f"a writer left {extra[0]!r}, which is not one of the files to write")


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _sync_folder(path: Path) -> None:
    # Only POSIX lets a folder be opened and synced; elsewhere a rename is as durable as the system makes it.
    if os.name != "posix":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
