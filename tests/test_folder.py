"""Output folders are complete or absent, whatever happens while they are written."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import filelock
import pytest

from scheduler.errors import FolderError
from scheduler.folder import publish

ROOT = Path(__file__).resolve().parents[1]


def text(content: str) -> Callable[[Path], None]:
    """Return a writer of a text file."""

    def write(path: Path) -> None:
        path.write_text(content, encoding="utf-8")

    return write


def entries(folder: Path) -> dict[str, str]:
    """Return the text of every file of a folder by name."""
    return {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}


def beside(target: Path) -> list[str]:
    """Return the names next to a target, its lock left out."""
    return sorted(
        p.name for p in target.parent.iterdir() if p.name not in (target.name, f".{target.name}.lock")
    )


@contextlib.contextmanager
def read_only_parent() -> Iterator[Path]:
    """Give a folder in which this process may not write, also when the tests run as root."""
    base = Path(tempfile.mkdtemp())
    base.chmod(0o555)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield base
    finally:
        if root:
            os.seteuid(0)
        base.chmod(0o755)
        shutil.rmtree(base)


def test_publish_writes_all_files_and_leaves_nothing_beside(tmp_path: Path) -> None:
    """Every file stands in the target with its content; no temporary folder remains."""
    target = tmp_path / "plan"
    publish(target, {"plan.csv": text("a,b\n"), "plan.json": text("{}\n")})
    assert entries(target) == {"plan.csv": "a,b\n", "plan.json": "{}\n"}
    assert beside(target) == []


def test_publish_gives_the_folder_the_usual_rights(tmp_path: Path) -> None:
    """The folder has the rights of any new folder, so that colleagues can read it."""
    usual = tmp_path / "usual"
    usual.mkdir()
    publish(tmp_path / "plan", {"a": text("x")})
    assert stat.S_IMODE((tmp_path / "plan").stat().st_mode) == stat.S_IMODE(usual.stat().st_mode)


def test_publish_refuses_an_existing_target_and_leaves_it_alone(tmp_path: Path) -> None:
    """Without `replace` an older plan stays as it is and no writer is called."""
    target = tmp_path / "plan"
    publish(target, {"a": text("old")})

    def never(path: Path) -> None:
        raise AssertionError(path)

    with pytest.raises(FolderError, match=r"plan: exists already: choose another folder, or add --replace"):
        publish(target, {"a": never})
    assert entries(target) == {"a": "old"}


def test_publish_refuses_an_empty_existing_folder(tmp_path: Path) -> None:
    """An empty folder of that name may belong to someone else and is refused as well."""
    (tmp_path / "plan").mkdir()
    with pytest.raises(FolderError, match="exists already"):
        publish(tmp_path / "plan", {"a": text("x")})
    assert list((tmp_path / "plan").iterdir()) == []


def test_replace_swaps_the_whole_folder(tmp_path: Path) -> None:
    """With `replace` only the new files are there, none of the older run's."""
    target = tmp_path / "plan"
    publish(target, {"a": text("old"), "b": text("old")})
    publish(target, {"a": text("new")}, replace=True, older=("b",))
    assert entries(target) == {"a": "new"}
    assert beside(target) == []


def test_replace_spares_files_of_others(tmp_path: Path) -> None:
    """A folder that holds a file this program does not write is not replaced, and says which."""
    target = tmp_path / "plan"
    publish(target, {"a": text("old")})
    (target / "notes of the shift.txt").write_text("keep", encoding="utf-8")
    with pytest.raises(
        FolderError, match=r"holds 'notes of the shift\.txt', which this program did not write"
    ):
        publish(target, {"a": text("new")}, replace=True)
    assert entries(target) == {"a": "old", "notes of the shift.txt": "keep"}


def test_replace_spares_folders_inside(tmp_path: Path) -> None:
    """A sub-folder is never removed, even one with the name of a file to write."""
    (tmp_path / "plan" / "a").mkdir(parents=True)
    with pytest.raises(FolderError, match="holds 'a', which this program did not write"):
        publish(tmp_path / "plan", {"a": text("new")}, replace=True)
    assert (tmp_path / "plan" / "a").is_dir()


@pytest.mark.parametrize("kind", ["file", "link", "dangling link"])
def test_replace_refuses_what_is_not_a_folder(tmp_path: Path, kind: str) -> None:
    """A file or a link in the target's place is refused, not removed and not followed."""
    target, other = tmp_path / "plan", tmp_path / "other"
    if kind == "file":
        target.write_text("x", encoding="utf-8")
    else:
        target.symlink_to(other)
    if kind == "link":
        other.mkdir()
    with pytest.raises(FolderError, match="is not a folder, so it is not replaced: choose another name"):
        publish(target, {"a": text("new")}, replace=True)
    assert os.path.lexists(target)


@pytest.mark.parametrize("error", [ValueError("bad"), KeyboardInterrupt("stopped")])
def test_failure_in_a_writer_leaves_no_target(tmp_path: Path, error: BaseException) -> None:
    """An error in the second writer, or a keyboard interrupt, goes on to the caller; nothing remains."""

    def fail(path: Path) -> None:
        path.write_text("half", encoding="utf-8")
        raise error

    with pytest.raises(type(error), match=str(error)):
        publish(tmp_path / "plan", {"a": text("x"), "b": fail})
    assert not (tmp_path / "plan").exists()
    assert beside(tmp_path / "plan") == []


def test_failure_in_a_writer_keeps_the_older_folder(tmp_path: Path) -> None:
    """While replacing, a failure leaves the older plan complete."""
    target = tmp_path / "plan"
    publish(target, {"a": text("old")})

    def fail(path: Path) -> None:
        raise KeyboardInterrupt("stopped")

    with pytest.raises(KeyboardInterrupt, match="stopped"):
        publish(target, {"a": fail}, replace=True)
    assert entries(target) == {"a": "old"}
    assert beside(target) == []


def test_failure_of_the_last_rename_puts_the_older_folder_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If the new folder cannot take its place after the older one was set aside, the older one returns."""
    target = tmp_path / "plan"
    publish(target, {"a": text("old")})
    rename = os.rename

    def interrupted(source: Path, to: Path) -> None:
        if ".tmp-" in str(source):
            raise KeyboardInterrupt("stopped")
        rename(source, to)

    monkeypatch.setattr(os, "rename", interrupted)
    with pytest.raises(KeyboardInterrupt, match="stopped"):
        publish(target, {"a": text("new")}, replace=True)
    assert entries(target) == {"a": "old"}
    assert beside(target) == []


def test_disk_error_in_a_writer_is_told_as_a_folder_error(tmp_path: Path) -> None:
    """An operating system error while writing names the folder, the cause and what to do."""

    def full(path: Path) -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(
        FolderError, match=r"plan: cannot be written \(No space left on device\): check rights and"
    ):
        publish(tmp_path / "plan", {"a": full})
    assert beside(tmp_path / "plan") == []


def test_writer_that_leaves_no_file_is_a_bug(tmp_path: Path) -> None:
    """A writer that writes nothing does not lead to a folder that looks complete."""
    with pytest.raises(ValueError, match="the writer of 'b' left no file of that name"):
        publish(tmp_path / "plan", {"a": text("x"), "b": lambda path: None})
    assert not (tmp_path / "plan").exists()


def test_writer_that_leaves_another_file_is_a_bug(tmp_path: Path) -> None:
    """A file that is not declared does not get into the folder unseen."""

    def two(path: Path) -> None:
        path.write_text("x", encoding="utf-8")
        path.with_name("c").write_text("x", encoding="utf-8")

    with pytest.raises(ValueError, match="a writer left 'c', which is not one of the files"):
        publish(tmp_path / "plan", {"a": two})
    assert not (tmp_path / "plan").exists()


@pytest.mark.parametrize("name", ["", ".", "..", "../a", "sub/a", "/a"])
def test_file_names_stay_inside_the_folder(tmp_path: Path, name: str) -> None:
    """A file name with a folder in it could write elsewhere and is refused."""
    with pytest.raises(ValueError, match="a file name must be a plain name without folders"):
        publish(tmp_path / "plan", {name: text("x")})


def test_missing_parent_is_refused_and_not_made(tmp_path: Path) -> None:
    """The parent must exist; a mistyped path does not grow a tree of folders."""
    with pytest.raises(FolderError, match=r"its parent .*none is not a folder: make it first"):
        publish(tmp_path / "none" / "plan", {"a": text("x")})
    assert list(tmp_path.iterdir()) == []


def test_root_is_refused() -> None:
    """The root of the file system has no parent to write into."""
    with pytest.raises(FolderError, match="is the root of the file system"):
        publish(Path("/"), {"a": text("x")}, replace=True)


@pytest.mark.skipif(os.name != "posix", reason="rights as on POSIX")
def test_read_only_parent_is_told() -> None:
    """A parent without the right to write gives an error that says what to check."""
    with read_only_parent() as parent:
        with pytest.raises(FolderError, match=r"cannot be written \(Permission denied\): check rights and"):
            publish(parent / "plan", {"a": text("x")})
        assert list(parent.iterdir()) == []


def test_two_runs_do_not_clash(tmp_path: Path) -> None:
    """While one run writes, a second one to the same target is refused and the first one finishes."""
    target = tmp_path / "plan"
    messages = []

    def slow(path: Path) -> None:
        path.write_text("first", encoding="utf-8")
        code = (
            "import sys\nfrom pathlib import Path\nfrom scheduler.folder import publish\n"
            "publish(Path(sys.argv[1]), {'a': lambda path: path.write_text('second') and None})"
        )
        second = subprocess.run(
            [sys.executable, "-c", code, str(target)], cwd=ROOT, capture_output=True, text=True, check=False
        )
        messages.append(second.stderr)

    publish(target, {"a": slow})
    assert "another run is writing to this folder: wait until it has finished" in messages[0]
    assert entries(target) == {"a": "first"}


def test_lock_of_another_holder_is_respected(tmp_path: Path) -> None:
    """The lock stands beside the target under a name that other tools can take as well."""
    with (
        filelock.FileLock(tmp_path / ".plan.lock"),
        pytest.raises(FolderError, match="another run is writing to this folder"),
    ):
        publish(tmp_path / "plan", {"a": text("x")})


@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
def test_killed_run_leaves_no_target_and_the_next_run_cleans_up(tmp_path: Path) -> None:
    """SIGKILL in the middle of writing leaves no target; the next run removes the rest and succeeds."""
    target = tmp_path / "plan"
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom scheduler.folder import publish\n"
        "def stuck(path):\n"
        "    path.write_text('half')\n    print('writing', flush=True)\n    time.sleep(60)\n"
        "publish(Path(sys.argv[1]), {'a': lambda path: path.write_text('x') and None, 'b': stuck})"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(target)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "writing\n"
        run.send_signal(signal.SIGKILL)
        run.wait()
    assert not target.exists()
    left = beside(target)
    assert len(left) == 1
    assert left[0].startswith(".plan.tmp-")
    publish(target, {"a": text("new")})
    assert entries(target) == {"a": "new"}
    assert beside(target) == []


def test_leftovers_of_other_targets_stay(tmp_path: Path) -> None:
    """Only temporary folders of the same target are cleaned; look-alikes are not touched."""
    others = [
        ".plan2.tmp-0123abcd",
        ".plan.tmp-0123abcd.tmp-0123abcd",
        ".plan.tmp-notes",
        "plan.tmp-0123abcd",
    ]
    for name in others:
        (tmp_path / name).mkdir()
    (tmp_path / ".plan.tmp-0123abcd").mkdir()
    publish(tmp_path / "plan", {"a": text("x")})
    assert beside(tmp_path / "plan") == sorted(others)


def test_older_folder_set_aside_by_a_killed_run_comes_back(tmp_path: Path) -> None:
    """A run killed between setting the older plan aside and the rename loses nothing."""
    aside = tmp_path / ".plan.old-0123abcd"
    aside.mkdir()
    (aside / "a").write_text("old", encoding="utf-8")
    with pytest.raises(FolderError, match="exists already"):
        publish(tmp_path / "plan", {"a": text("new")})
    assert entries(tmp_path / "plan") == {"a": "old"}
    publish(tmp_path / "plan", {"a": text("new")}, replace=True)
    assert entries(tmp_path / "plan") == {"a": "new"}


def test_relative_target_is_taken_from_the_working_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bare name means a folder in the working folder."""
    monkeypatch.chdir(tmp_path)
    publish(Path("plan"), {"a": text("x")})
    assert entries(tmp_path / "plan") == {"a": "x"}
