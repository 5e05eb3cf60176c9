"""The inputs of a bill: a contract alone or a site's, a load profile, prices, the state of the bill.

Owns the order of reading. Each format and table has a module of its own.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from zoneinfo import ZoneInfo

import numpy as np

from models.contract.component import Contract, Profile
from models.contract.invoice import InvoiceLine
from models.horizon import Horizon, day_start_minute
from models.shifts import ShiftCalendar
from models.situation import Situation
from scheduler.errors import InputError
from scheduler.read.context import Context
from scheduler.read.files import Source, load
from scheduler.read.invoice import read_invoice
from scheduler.read.load_profile import read_load_profile
from scheduler.read.peaks import read_peaks
from scheduler.read.prices import read_prices, read_profiles
from scheduler.read.problems import Problems
from scheduler.read.records import Toml, read_toml
from scheduler.read.series import Need, check_needs, join
from scheduler.read.site_file import (
    ContractRead,
    FilesTable,
    LoadingTable,
    SiteFile,
    currency_of,
    read_contract,
    read_site_file,
    zone_of,
)
from scheduler.read.state import merged_peaks, read_state

ROLES = ("prices", "profiles", "peaks", "state")
"""Roles of the files that a bill reads beside contract and profile."""


@dataclass(frozen=True, eq=False)
class BillInputs:
    """Everything a bill starts from.

    Parameters
    ----------
    contract : Contract
        The contract. [-]
    profile : Profile
        Metered load. [-]
    situation : Situation
        Prices, profiles and the state of the bill. [-]
    invoice : tuple of InvoiceLine
        The supplier's invoice; empty if none was given. [-]
    digests : mapping
        SHA-256 of every file, by 'role:name'. [-]
    notes : tuple of str
        What was read but is not used, or is used with a reserve. [-]
    """

    contract: Contract
    profile: Profile
    situation: Situation
    invoice: tuple[InvoiceLine, ...]
    digests: Mapping[str, str]
    notes: tuple[str, ...]


def read_bill_inputs(
    path: Path,
    profile_path: Path,
    *,
    files: Mapping[str, Sequence[Path]] = MappingProxyType({}),
    invoice: Path | None = None,
    timezone: str | None = None,
    sequence: int | None = None,
) -> BillInputs:
    """Read a contract or site, a load profile and what the bill needs beside them.

    Parameters
    ----------
    path : Path
        Contract file, or site file with a contract. [-]
    profile_path : Path
        Load profile. [-]
    files : mapping
        Files by role, some of `ROLES`; those of a site file unless given. [-]
    invoice : Path, optional
        The supplier's invoice. [-]
    timezone : str, optional
        IANA name of the zone of the local clock, where the contract file states none. [-]
    sequence : int, optional
        Auction to take from market documents. [-]

    Returns
    -------
    BillInputs
        The inputs. [-]

    Raises
    ------
    InputError
        With every problem of every file.
    """
    problems = Problems()
    sources: list[Source] = []

    def opened(role: str, name: str, folder: Path = Path()) -> Source | None:
        source = load(role, name, folder, problems)
        if source is not None:
            sources.append(source)
        return source

    source = opened("contract", str(path))
    toml = read_toml(source, problems) if source is not None else None
    if toml is None:
        raise InputError(problems.listed())
    alone = "component" in toml.values
    site = _contract_alone(toml, timezone, problems) if alone else read_site_file(toml, problems)
    zone = site.zone or ZoneInfo("UTC")
    profile_source = opened("profile", str(profile_path))
    profile = None if profile_source is None else read_load_profile(profile_source, zone, problems)
    horizon = None if profile is None else profile.horizon
    contract = _contract(toml, alone, path.parent, site, horizon, problems, sources)
    context = Context(site, zone, horizon, problems)
    found: dict[str, list[Source]] = {}
    for role in ROLES:
        chosen = files.get(role)
        names = (
            [(str(p), Path()) for p in chosen] if chosen else [(n, path.parent) for n in site.files.of(role)]
        )
        found[role] = [source for name, folder in names if (source := opened(role, name, folder)) is not None]
    prices = read_prices(found["prices"], sequence or site.files.price_sequence, context)
    profiles = read_profiles(found["profiles"], context)
    points = (*prices.points, *profiles.points)
    series = join(points, horizon, zone, problems, context.notes)
    if horizon is not None and prices.certain and profiles.certain:
        needs = [
            Need(name, f"the component '{part.name}'")
            for part in contract.components
            for name in part.series_needed()
        ]
        used = [source.name for role in ("prices", "profiles") for source in found[role]]
        spoiled = frozenset(point.series for point in points) - set(series)
        check_needs(needs, series, spoiled, used, site.file, horizon, problems)
    state = read_state(found["state"], contract, context)
    peaks = merged_peaks(read_peaks(found["peaks"], contract, context), state.peaks, context)
    invoice_source = None if invoice is None else opened("invoice", str(invoice))
    lines = () if invoice_source is None else read_invoice(invoice_source, contract.components, problems)
    problems.raise_if_any()
    if profile is None or site.currency is None:
        raise RuntimeError("a part of the bill's inputs is missing without a problem")  # a bug
    situation = Situation(
        series=series, peaks_mw=peaks.so_far_mw, peak_targets_mw=peaks.targets_mw, state=state.state
    )
    digests = {f"{source.role}:{source.name}": source.digest for source in sources}
    made = contract.contract(site.currency)
    notes = (*context.notes, *made.remarks(profile, situation))
    return BillInputs(made, profile, situation, lines, digests, notes)


def read_contract_file(path: Path, years: Iterable[int], timezone: str | None = None) -> Contract:
    """Read a contract file by itself, for studies that plan or bill many contracts.

    Parameters
    ----------
    path : Path
        Contract file. [-]
    years : iterable of int
        Calendar years in which holidays are needed. [-]
    timezone : str, optional
        IANA name of the zone of the local clock, where the file states none. [-]

    Returns
    -------
    Contract
        The contract. [-]

    Raises
    ------
    InputError
        With every problem of the file.
    """
    problems = Problems()
    source = load("contract", str(path), Path(), problems)
    toml = read_toml(source, problems) if source is not None else None
    if toml is None:
        raise InputError(problems.listed())
    site = _contract_alone(toml, timezone, problems)
    zone = "UTC" if site.zone is None else site.zone.key
    # Holidays are resolved for the years of a horizon, and for those around it.
    wanted = sorted(years)
    days = [dt.date(wanted[0], 1, 1), dt.date(wanted[-1], 12, 31)]
    starts = [day_start_minute(days[0], zone), day_start_minute(days[1] + dt.timedelta(days=1), zone)]
    hours = np.arange(starts[0], starts[1], 60, dtype=np.int64)
    horizon = Horizon(hours, np.full(len(hours), 60, dtype=np.int64), zone, 1)
    read = read_contract(toml.place(), toml.values, site.currency, horizon, problems)
    problems.raise_if_any()
    if site.currency is None:
        raise RuntimeError("a contract without a currency had no problem")  # a bug of this package
    return read.contract(site.currency)


def _contract_alone(toml: Toml, timezone: str | None, problems: Problems) -> SiteFile:
    """Return what a contract file tells of a site: zone and currency."""
    top = toml.place()
    name = timezone or toml.values.get("timezone")
    if name is None:
        problems.add(
            toml.file,
            "",
            "a bill needs the zone of the local clock: write 'timezone' in the contract file, or give "
            "--timezone",
        )
    currency = toml.values.get("currency")
    if currency is None:
        problems.add(toml.file, "", "'currency' is missing; write three capital letters of ISO 4217")
    return SiteFile(
        toml.file,
        None,
        zone_of(name, top, problems),
        currency_of(currency, top, problems),
        None,
        FilesTable(),
        LoadingTable(),
        ShiftCalendar(),
        (),
        (),
        MappingProxyType({}),
        False,
        False,
    )


def _contract(
    toml: Toml,
    alone: bool,
    folder: Path,
    site: SiteFile,
    horizon: Horizon | None,
    problems: Problems,
    sources: list[Source],
) -> ContractRead:
    none = ContractRead("", (), False)
    if alone:
        return read_contract(toml.place(), toml.values, site.currency, horizon, problems)
    inside, named = toml.values.get("contract"), toml.values.get("contract_file")
    if inside is not None:
        return read_contract(toml.place("contract", ("contract",)), inside, site.currency, horizon, problems)
    if not isinstance(named, str):
        problems.add(
            site.file, "", "neither a contract ([[component]]) nor a site with [contract] or 'contract_file'"
        )
        return none
    source = load("contract", named, folder, problems)
    other = None if source is None else read_toml(source, problems)
    if source is None or other is None:
        return none
    sources.append(source)
    return read_contract(other.place(), other.values, site.currency, horizon, problems)
