"""Adders per MWh that do not follow a market price, and losses between meter and supply.

Owns fees, volumetric network charges, levies and taxes with their base, validity, exemption and window, and
losses by time band. Tiers and caps of a period stand in `tiers`.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.checks import InvalidValues, between, check, finite
from models.contract import calendar
from models.contract.component import BillLine, Component, Profile, component_kind, key_name
from models.contract.index import validity_share
from models.contract.term import Rate, Term
from models.horizon import Array, Horizon, day_start_minute
from models.situation import Situation


@dataclass(frozen=True)
class Adder:
    """A price per MWh that does not follow the index.

    Parameters
    ----------
    name : str
        Name, lower case with underscores. [-]
    per_mwh : float
        Price; negative for a rebate. [currency/MWh]
    on_losses : bool
        Whether it is charged on the energy with losses, or on the metered energy. [-]
    valid_from, valid_to : date, optional
        First local day on which it is charged, and first day on which it no longer is. [-]
    exempt_percent : float
        Share of the energy that is exempt, 0 to 100. [%]
    seasons, day_types, from_time, to_time : optional
        When it is charged, as in `models.contract.time_of_use.Band`: always unless given. [-]

    Raises
    ------
    InvalidValues
        If the name is no key or a value breaks its rule.
    """

    name: str
    per_mwh: float
    on_losses: bool = True
    valid_from: dt.date | None = None
    valid_to: dt.date | None = None
    exempt_percent: float = 0.0
    seasons: tuple[int, ...] = ()
    day_types: tuple[str, ...] = ()
    from_time: str = "00:00"
    to_time: str = "24:00"

    def __post_init__(self) -> None:
        calendar.check_with_window(
            self,
            lambda: self.window,
            name=key_name(),
            per_mwh=finite(),
            exempt_percent=between(0, 100, "%"),
        )
        if self.valid_from is not None and self.valid_to is not None and self.valid_to <= self.valid_from:
            text = f"'valid_to' must be after valid_from {self.valid_from} (got {self.valid_to})"
            raise InvalidValues([("valid_to", text)])

    @property
    def window(self) -> calendar.ClockWindow:
        """When it is charged. [-]."""
        return calendar.ClockWindow(self.seasons, self.day_types, self.from_time, self.to_time)

    @property
    def charged_share(self) -> float:
        """Share of the energy that is not exempt. [-]."""
        return 1.0 - self.exempt_percent / 100.0


@dataclass(frozen=True)
class LossBand:
    """Losses in a window of the local clock.

    Parameters
    ----------
    percent : float
        Losses, 0 to 100. [%]
    seasons, day_types, from_time, to_time : optional
        The window, as in `models.contract.time_of_use.Band`. [-]

    Raises
    ------
    InvalidValues
        If a value breaks its rule.
    """

    percent: float
    seasons: tuple[int, ...] = ()
    day_types: tuple[str, ...] = ()
    from_time: str = "00:00"
    to_time: str = "24:00"

    def __post_init__(self) -> None:
        calendar.check_with_window(self, lambda: self.window, percent=between(0, 100, "%"))

    @property
    def window(self) -> calendar.ClockWindow:
        """When these losses hold. [-]."""
        return calendar.ClockWindow(self.seasons, self.day_types, self.from_time, self.to_time)


def losses_on(
    horizon: Horizon, percent: float, bands: Sequence[LossBand], holidays: Sequence[dt.date] = ()
) -> Array:
    """Return by which factor energy with losses exceeds metered energy on each interval.

    Parameters
    ----------
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    percent : float
        Losses outside every band. [%]
    bands : sequence of LossBand
        Bands; where several hold, the first one counts. [-]
    holidays : sequence of date
        Days of the type 'holiday'. [-]

    Returns
    -------
    ndarray
        Factors, 1 or more. Shape (n,). [-]
    """
    if not bands:
        return np.full(len(horizon), 1.0 + percent / 100.0)
    cut = calendar.slices(horizon, [band.window for band in bands], holidays)
    here = np.full(len(cut.starts_min), percent)
    for inside, band in reversed(list(zip(cut.inside, bands, strict=True))):
        here[inside] = band.percent
    minutes = np.bincount(cut.position, weights=cut.lengths_min * here, minlength=len(horizon))
    result: Array = 1.0 + minutes / horizon.lengths_min / 100.0
    return result


def adder_price(adder: Adder, horizon: Horizon, factor: Array, holidays: Sequence[dt.date] = ()) -> Array:
    """Return the price of an adder on the metered energy of each interval.

    Parameters
    ----------
    adder : Adder
        The adder. [-]
    horizon : Horizon
        The intervals; its time zone is the local clock. [-]
    factor : ndarray
        Energy with losses over metered energy. Shape (n,). [-]
    holidays : sequence of date
        Days of the type 'holiday'. [-]

    Returns
    -------
    ndarray
        Prices. Shape (n,). [currency/MWh]
    """
    share = calendar.shares(horizon, [adder.window], holidays)[0]
    share = share * validity_share(horizon, adder.valid_from, adder.valid_to)
    base = factor if adder.on_losses else np.ones(len(horizon))
    result: Array = adder.per_mwh * adder.charged_share * share * base
    return result


def adder_lines(
    component: str,
    adders: Sequence[Adder],
    profile: Profile,
    factor: Array,
    losses_text: str,
    holidays: Sequence[dt.date] = (),
) -> list[BillLine]:
    """Return one line for each adder.

    Parameters
    ----------
    component : str
        Name of the component. [-]
    adders : sequence of Adder
        The adders. [-]
    profile : Profile
        Metered load. [-]
    factor : ndarray
        Energy with losses over metered energy. Shape (n,). [-]
    losses_text : str
        What is added to 'metered energy' where losses count. [-]
    holidays : sequence of date
        Days of the type 'holiday'. [-]

    Returns
    -------
    list of BillLine
        The lines, not rounded. [-]
    """
    lines = []
    horizon = profile.horizon
    for adder in adders:
        cut = calendar.slices(horizon, [adder.window], holidays)
        zone = horizon.timezone
        inside = cut.inside[0].copy()
        if adder.valid_from is not None:
            inside &= cut.starts_min >= day_start_minute(adder.valid_from, zone)
        if adder.valid_to is not None:
            inside &= cut.starts_min < day_start_minute(adder.valid_to, zone)
        power = profile.power_mw * (factor if adder.on_losses else 1.0)
        drawn = calendar.energy_mwh(horizon, power, cut.starts_min, cut.starts_min + cut.lengths_min)
        quantity = float(np.sum(drawn[inside])) * adder.charged_share
        base = f"metered energy{losses_text}" if adder.on_losses else "metered energy"
        if adder.exempt_percent:
            base += f", {adder.exempt_percent:g} % of it exempt"
        lines.append(
            BillLine(
                component,
                adder.name.replace("_", " "),
                quantity,
                "MWh",
                adder.per_mwh,
                quantity * adder.per_mwh,
                "energy",
                f"{base} x price",
            )
        )
    return lines


@component_kind("levies")
@dataclass(frozen=True)
class Levies(Component):
    """Adders by themselves, beside an energy price that is not an index.

    Parameters
    ----------
    name : str
        Name of the component, lower case with underscores. [-]
    adders : tuple of Adder
        Adders; their names differ. [-]
    losses_percent : float
        Losses between meter and supply outside every band, 0 to 100. [%]
    loss_bands : tuple of LossBand
        Losses by time band. [-]
    holidays : tuple of date
        Days of the type 'holiday'. [-]

    Raises
    ------
    InvalidValues
        If two adders share a name or a value breaks its rule.
    """

    name: str
    adders: tuple[Adder, ...]
    losses_percent: float = 0.0
    loss_bands: tuple[LossBand, ...] = ()
    holidays: tuple[dt.date, ...] = ()

    def __post_init__(self) -> None:
        check(self, name=key_name(), losses_percent=between(0, 100, "%"))
        names = [adder.name for adder in self.adders]
        if not names or len(set(names)) < len(names):
            text = f"'adders' must hold one or more with different names (got {', '.join(names) or 'none'})"
            raise InvalidValues([("adders", text)])

    def terms(self, horizon: Horizon, situation: Situation) -> tuple[Term, ...]:
        """Return one rate for each adder (see `Component.terms`)."""
        factor = losses_on(horizon, self.losses_percent, self.loss_bands, self.holidays)
        return tuple(
            Rate(adder.name, adder_price(adder, horizon, factor, self.holidays)) for adder in self.adders
        )

    def bill(self, profile: Profile, situation: Situation) -> tuple[BillLine, ...]:
        """Return one line for each adder (see `Component.bill`)."""
        factor = losses_on(profile.horizon, self.losses_percent, self.loss_bands, self.holidays)
        losses = losses_text(self.losses_percent, self.loss_bands)
        return tuple(adder_lines(self.name, self.adders, profile, factor, losses, self.holidays))


def losses_text(percent: float, bands: Sequence[LossBand]) -> str:
    """Return what losses add to 'metered energy' in a formula in words.

    Parameters
    ----------
    percent : float
        Losses outside every band. [%]
    bands : sequence of LossBand
        Losses by time band. [-]

    Returns
    -------
    str
        Text, empty without losses. [-]
    """
    if bands:
        return " x (1 + losses by time band)"
    return f" x (1 + {percent:g} % losses)" if percent else ""
