"""What a plan was made from, kept in its folder: copies of every input, and how it was asked for.

Owns the layout of `inputs.zip`: `again.json`, which says what was asked and which file is which, and the
files themselves. Nothing of it is ever unpacked to disk: members are found by the names in `again.json`.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import platform
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from pydantic import ConfigDict, TypeAdapter, ValidationError

from scheduler.errors import InputError, Problem
from scheduler.read.files import LARGEST_FILE_MB

NAME: Final = "inputs.zip"
MANIFEST: Final = "again.json"
LAYOUT: Final = 1
"""Raised when the layout changes its meaning."""
EARLIER: Final = "earlier"
"""Role of the table of the plan that was running, which a planned rest of a day starts from."""
CLEARED: Final = "cleared"
"""Role of the table of what was bought before."""
MOST_FILES: Final = 1000
_EPOCH: Final = (1980, 1, 1, 0, 0, 0)
"""The earliest time a ZIP archive can state: no clock of the day stands in it."""

Files = Mapping[tuple[str, str], bytes]
"""Content of files by role and name."""


@dataclass(frozen=True)
class Bought:
    """What was said of energy bought before, beside its table.

    Parameters
    ----------
    table : str
        Name of the table of what was cleared. [-]
    tolerance_mw : float, optional
        Greatest deviation. [MW]
    up_per_mwh, down_per_mwh : float, optional
        Surcharges for drawing more and less than bought. [currency/MWh]
    """

    __pydantic_config__ = ConfigDict(extra="forbid")

    table: str
    tolerance_mw: float | None = None
    up_per_mwh: float | None = None
    down_per_mwh: float | None = None


@dataclass(frozen=True)
class Asked:
    """How a plan was asked for, beside its files.

    Parameters
    ----------
    command : str
        'plan', 'replan' or 'sheet'. [-]
    day : date
        Plan day. [-]
    seconds : float
        Time for the search. [s]
    sequence : int, optional
        Auction to take from market documents. [-]
    start : datetime, optional
        Where the rest of a day starts, with its offset; for 'replan' only. [-]
    freeze_min : float
        Minutes in which nothing changes; for 'replan' only. [min]
    compare : bool
        Whether habits are compared with. [-]
    values : bool
        Whether limits were valued. [-]
    cleared : Bought, optional
        What was bought before, for 'plan' and 'replan'. [-]
    """

    __pydantic_config__ = ConfigDict(extra="forbid")

    command: Literal["plan", "replan", "sheet"]
    day: dt.date
    seconds: float
    sequence: int | None = None
    start: dt.datetime | None = None
    freeze_min: float = 30.0
    compare: bool = True
    values: bool = False
    cleared: Bought | None = None

    def __post_init__(self) -> None:
        if (self.command == "replan") != (self.start is not None):
            raise ValueError("'start' belongs to 'replan', and to nothing else")
        if self.start is not None and self.start.tzinfo is None:
            raise ValueError("'start' must have its offset from UTC")
        if not self.seconds > 0 or not self.freeze_min >= 0:
            raise ValueError("'seconds' must be above 0 and 'freeze_min' not below it")


@dataclass(frozen=True)
class _Member:
    __pydantic_config__ = ConfigDict(extra="forbid")

    role: str
    name: str
    member: str
    sha256: str


@dataclass(frozen=True)
class _Manifest:
    __pydantic_config__ = ConfigDict(extra="forbid")

    layout: Literal[1]
    machine: str
    asked: Asked
    given: dict[str, tuple[str, ...]]
    files: tuple[_Member, ...]


_MANIFEST = TypeAdapter(_Manifest)


def machine() -> str:
    """Return the kind of machine, on which last digits may depend, for example 'Linux x86_64'. [-]."""
    return f"{platform.system()} {platform.machine()}"


@dataclass(frozen=True, eq=False)
class Kept:
    """What a plan was made from.

    Parameters
    ----------
    asked : Asked
        How it was asked for. [-]
    given : mapping
        Names of files that were given in place of those the site file names, by role. [-]
    files : mapping
        Content of every file by role and name, the site file first. [-]
    machine : str
        Kind of machine it was made on. [-]
    """

    asked: Asked
    given: Mapping[str, tuple[str, ...]]
    files: Files
    machine: str = field(default_factory=machine)

    @property
    def site(self) -> str:
        """Name of the site file. [-]."""
        return next(name for role, name in self.files if role == "site")

    def archive(self) -> bytes:
        """Return the archive; the same inputs give the same bytes.

        Returns
        -------
        bytes
            A ZIP archive. [-]
        """
        members = tuple(
            _Member(
                role,
                name,
                f"{number:02d}_{role}{Path(name).suffix}",
                hashlib.sha256(data).hexdigest(),
            )
            for number, ((role, name), data) in enumerate(self.files.items(), start=1)
        )
        given = {role: tuple(names) for role, names in sorted(self.given.items())}
        manifest = _Manifest(LAYOUT, self.machine, self.asked, given, members)
        stream = io.BytesIO()
        with zipfile.ZipFile(stream, "w") as archive:
            _add(archive, MANIFEST, _MANIFEST.dump_json(manifest, indent=2) + b"\n")
            for member in members:
                _add(archive, member.member, self.files[member.role, member.name])
        return stream.getvalue()

    def write(self, path: Path) -> None:
        """Write the archive.

        Parameters
        ----------
        path : Path
            File. [-]
        """
        path.write_bytes(self.archive())


def _add(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    info = zipfile.ZipInfo(name, _EPOCH)
    info.external_attr = 0o644 << 16
    archive.writestr(info, data, zipfile.ZIP_DEFLATED)


def read_kept(folder: Path) -> Kept:
    """Return what the plan in a folder was made from.

    Parameters
    ----------
    folder : Path
        Folder of a plan. [-]

    Returns
    -------
    Kept
        The inputs. [-]

    Raises
    ------
    InputError
        If the folder keeps no inputs, or they are not as they were when the plan was made.
    """
    path = folder / NAME
    try:
        with zipfile.ZipFile(path) as archive:
            manifest = _MANIFEST.validate_json(_member(archive, MANIFEST))
            files = {(m.role, m.name): _member(archive, m.member) for m in manifest.files[:MOST_FILES]}
    except FileNotFoundError as error:
        raise _refused(path, "is not there: name the folder of a plan that keeps its inputs") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise _refused(path, f"{MANIFEST} is damaged ({where}: {first['msg']})") from error
    except (OSError, EOFError, KeyError, ValueError, RuntimeError, zipfile.BadZipFile, zlib.error) as error:
        # RuntimeError: a member under a password; NotImplementedError, its child: a foreign compression.
        reason = getattr(error, "strerror", None) or error
        raise _refused(path, f"cannot be read ({reason}): take the folder as it was written") from error
    changed = [
        m.name
        for m in manifest.files
        if hashlib.sha256(files.get((m.role, m.name), b"")).hexdigest() != m.sha256
    ]
    if changed:
        raise _refused(path, f"'{changed[0]}' is not as it was when the plan was made")
    if ("site" not in {role for role, _ in files}) or (
        manifest.asked.command == "replan" and EARLIER not in {role for role, _ in files}
    ):
        raise _refused(path, f"{MANIFEST} names no site file, or no plan that was running")
    return Kept(manifest.asked, manifest.given, files, manifest.machine)


def _member(archive: zipfile.ZipFile, name: str) -> bytes:
    if archive.getinfo(name).file_size > LARGEST_FILE_MB * 1_000_000:
        raise ValueError(f"'{name}' is larger than {LARGEST_FILE_MB} MB")
    return archive.read(name)


def _refused(path: Path, text: str) -> InputError:
    return InputError((Problem(str(path), "", text),))
