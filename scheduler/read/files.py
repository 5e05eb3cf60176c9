"""Input files as bytes: found, of a sane size, with a digest.

Owns the checks that hold for every file, whatever is in it.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

from scheduler.read.problems import Problems, close_match

LARGEST_FILE_MB = 50
_BYTES_PER_MB = 1_000_000


@dataclass(frozen=True)
class Source:
    """A file that was read.

    Parameters
    ----------
    role : str
        What the file is for: 'site', 'contract', 'prices', 'orders' ... [-]
    name : str
        File, as the user named it. [-]
    data : bytes
        Its content. [-]
    """

    role: str
    name: str
    data: bytes = field(repr=False)

    @property
    def suffix(self) -> str:
        """End of the file name in lower case, with its dot. [-]."""
        return Path(self.name).suffix.lower()

    @property
    def digest(self) -> str:
        """SHA-256 of the content, as hexadecimal digits. [-]."""
        return hashlib.sha256(self.data).hexdigest()


def load(role: str, name: str, folder: Path, problems: Problems) -> Source | None:
    """Read a file, or note why it cannot be read.

    Parameters
    ----------
    role : str
        What the file is for. [-]
    name : str
        File, as the user named it. [-]
    folder : Path
        Folder to which a relative name belongs. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    Source or None
        The file; None if there was a problem. [-]
    """
    if not name.strip() or "\0" in name or "://" in name or name.startswith("~"):
        problems.add(name, "", f"the {role} file must be a plain path on this machine (got {name!r})")
        return None
    path = folder / name
    try:
        if not path.exists():
            beside = f" in {folder.as_posix()}" if not Path(name).is_absolute() else ""
            known = sorted(e.name for e in path.parent.iterdir()) if path.parent.is_dir() else []
            ending = close_match(path.name, known) or "; check the name"
            problems.add(name, "", f"the {role} file does not exist{beside}{ending}")
            return None
        if not path.is_file():
            problems.add(name, "", f"the {role} file must be a file (got a folder or a device)")
            return None
        with path.open("rb") as stream:
            data = stream.read(LARGEST_FILE_MB * _BYTES_PER_MB + 1)
    except OSError as error:
        problems.add(name, "", f"the {role} file cannot be read: {error.strerror or error}")
        return None
    if len(data) > LARGEST_FILE_MB * _BYTES_PER_MB:
        problems.add(name, "", f"the {role} file must be at most {LARGEST_FILE_MB} MB; cut it down")
        return None
    if not data.strip():
        problems.add(name, "", f"the {role} file is empty")
        return None
    return Source(role, name, data)


def text_of(source: Source, problems: Problems) -> str | None:
    """Return a file's text, which must be UTF-8 with or without a byte order mark.

    Parameters
    ----------
    source : Source
        The file. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    str or None
        The text; None if there was a problem. [-]
    """
    try:
        text = source.data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = source.data.count(b"\n", 0, error.start) + 1
        problems.add(source.name, f"line {line}", "the text is not UTF-8; save the file as UTF-8")
        return None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        problems.add(
            source.name, f"line {line}", "the text has a zero byte; save the file as plain UTF-8 text"
        )
        return None
    return text
