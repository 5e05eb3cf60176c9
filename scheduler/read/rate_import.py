"""From a rate record to a contract file on disk, read back before it is trusted.

Owns the reading of the record, the check of what was made, and the file.
"""

from __future__ import annotations

from pathlib import Path

from scheduler.errors import InputError
from scheduler.folder import publish_file
from scheduler.read.files import Source, load
from scheduler.read.problems import Problems
from scheduler.read.rate_record import ImportedRate, read_rate_record
from scheduler.read.records import read_toml
from scheduler.read.site_file import read_contract, zone_of


def import_record(record: Path, out: Path, timezone: str) -> ImportedRate:
    """Write the contract file of a rate record.

    Parameters
    ----------
    record : Path
        JSON record. [-]
    out : Path
        Contract file to write; must not exist. [-]
    timezone : str
        IANA name of the zone of the clock. [-]

    Returns
    -------
    ImportedRate
        The contract and the account of what it holds. [-]

    Raises
    ------
    InputError
        If the record cannot be read, or the contract made of it not.
    FolderError
        If the file exists or cannot be written.
    """
    problems = Problems()
    source = load("record", str(record), Path(), problems)
    imported = None if source is None else read_rate_record(source, problems, timezone)
    if imported is None:
        raise InputError(problems.listed())
    made = Source("contract", out.name, imported.toml.encode())
    toml = read_toml(made, problems)
    if toml is not None:
        zone_of(timezone, toml.place(), problems)
        read_contract(toml.place(), toml.values, None, None, problems)
    problems.raise_if_any()
    publish_file(out, imported.toml)
    return imported
