"""Day-ahead prices from a publication document of IEC 62325-451-3.

Owns the document's structure and its traps: repeated points left out (curve type A03), several
auctions in one document (classification sequence), refusals that arrive as an acknowledgement,
other currencies and units. Which intervals a plan needs is not known here.

References
----------
.. [1] IEC 62325-451-3, Framework for energy market communications, transmission capacity allocation
   and market publication, `Publication_MarketDocument`, versions 7.0 to 7.4 of its namespace.
"""

from __future__ import annotations

import datetime as dt
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final
from zoneinfo import ZoneInfo

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from models.horizon import minute_of
from scheduler.read.files import Source
from scheduler.read.problems import Problems
from scheduler.read.series import Point
from scheduler.read.tables import LARGEST_NUMBER
from scheduler.read.times import FIRST_YEAR, LAST_YEAR, shown

NAMESPACES: Final = tuple(
    f"urn:iec62325.351:tc57wg16:451-3:publicationdocument:7:{minor}" for minor in range(5)
)
"""Namespaces that are read."""

RESOLUTIONS: Final[Mapping[str, int]] = MappingProxyType({"PT15M": 15, "PT30M": 30, "PT60M": 60})
"""Length of an interval by the document's resolution. [min]."""

LONGEST_PERIOD_MIN: Final = 400 * 24 * 60
"""Longest period: curve type A03 turns a few bytes into as many prices as the period has intervals."""

PRICE_DOCUMENT: Final = "A44"
BLOCK_OF_FIXED_SIZE: Final = "A01"
BLOCK_OF_VARIABLE_SIZE: Final = "A03"

_INSTANT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}(:00)?Z")
_AMOUNT = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")


@dataclass(frozen=True)
class Auction:
    """What one time series of a document is the price of; series that differ here must not be mixed.

    Parameters
    ----------
    area : str
        Code of the price area (`in_Domain.mRID`). [-]
    contract : str
        Type of the market agreement, 'A01' for day-ahead; empty if not stated. [-]
    sequence : int or None
        Position of the classification sequence: the number of the auction; None if not stated. [-]
    """

    area: str
    contract: str
    sequence: int | None

    def __str__(self) -> str:
        """Return the auction in words."""
        sequence = "no sequence" if self.sequence is None else f"sequence {self.sequence}"
        contract = f", agreement type {self.contract}" if self.contract else ""
        return f"{sequence} of area {self.area or 'not stated'}{contract}"


@dataclass(frozen=True)
class AuctionPrices:
    """Prices of one auction.

    Parameters
    ----------
    auction : Auction
        The auction. [-]
    points : tuple of Point
        Its prices. [currency/MWh]
    """

    auction: Auction
    points: tuple[Point, ...]


def read_document(
    source: Source, currency: str | None, series: str, zone: ZoneInfo, problems: Problems
) -> tuple[AuctionPrices, ...]:
    """Return the prices of a document by auction.

    Parameters
    ----------
    source : Source
        The file. [-]
    currency : str, optional
        Currency that prices must have; not checked when it is not known. [-]
    series : str
        Name of the series to make. [-]
    zone : ZoneInfo
        Zone of the site, for messages. [-]
    problems : Problems
        Takes what is wrong. [-]

    Returns
    -------
    tuple of AuctionPrices
        One entry per auction, in order of appearance. [currency/MWh]
    """
    try:
        root = fromstring(source.data, forbid_dtd=True, forbid_entities=True, forbid_external=True)
    except DefusedXmlException:
        problems.add(
            source.name, "", "the document must not have a DOCTYPE or entities; no market document needs them"
        )
        return ()
    except (ET.ParseError, ValueError, LookupError) as error:
        # ValueError and LookupError: an encoding that is not known, or not the one declared.
        problems.add(source.name, "", f"the file cannot be read as XML: {error}")
        return ()
    if not _is_price_document(root, source, problems):
        return ()
    reader = _Reader(source.name, currency, series, zone, problems)
    found: dict[Auction, list[Point]] = {}
    for number, element in enumerate(_children(root, "TimeSeries"), 1):
        auction, points = reader.time_series(element, f"TimeSeries {number}")
        found.setdefault(auction, []).extend(points)
    if not found:
        problems.add(source.name, "", "the document has no TimeSeries, so no prices")
    return tuple(AuctionPrices(auction, tuple(points)) for auction, points in found.items())


def choose_auction(
    documents: Mapping[str, tuple[AuctionPrices, ...]],
    sequence: int | None,
    problems: Problems,
    notes: list[str],
) -> tuple[Point, ...]:
    """Return the prices of one auction from some documents, and refuse mixtures.

    Parameters
    ----------
    documents : mapping
        Prices by auction, by file. [currency/MWh]
    sequence : int, optional
        Sequence to keep; a document that states no sequence at all is kept too, and told. [-]
    problems : Problems
        Takes what is wrong. [-]
    notes : list of str
        Takes what is left out. [-]

    Returns
    -------
    tuple of Point
        The prices. [currency/MWh]
    """
    kept: list[tuple[str, AuctionPrices]] = []
    for file, prices in documents.items():
        stated = sorted({p.auction.sequence for p in prices if p.auction.sequence is not None})
        if sequence is None:
            kept += [(file, p) for p in prices]
        elif prices and not stated:
            notes.append(f"{file}: states no auction sequence; its prices are taken as sequence {sequence}")
            kept += [(file, p) for p in prices]
        elif prices and sequence not in stated:
            have = ", ".join(str(number) for number in stated)
            problems.add(file, "", f"the document has no prices of sequence {sequence} (got sequence {have})")
        else:
            kept += [(file, p) for p in prices if p.auction.sequence == sequence]
            left = [p for p in prices if p.auction.sequence != sequence]
            notes += [f"{file}: {len(p.points)} prices of {p.auction} are not used" for p in left]
    auctions: dict[Auction, str] = {}
    for file, prices_of in kept:
        auction = prices_of.auction
        # With a sequence chosen, a document that states none counts as that one.
        auctions.setdefault(Auction(auction.area, auction.contract, sequence or auction.sequence), file)
    if len(auctions) > 1:
        listed = "; ".join(f"{auction} in {file}" for auction, file in auctions.items())
        only_sequence = len({(a.area, a.contract) for a in auctions}) == 1
        advice = (
            "set 'price_sequence' under [files]" if only_sequence else "keep the documents of one auction"
        )
        problems.add(
            ", ".join(dict.fromkeys(auctions.values())),
            "",
            f"prices of {len(auctions)} auctions must not be mixed ({listed}); {advice}",
        )
        return ()
    return tuple(point for _, prices_of in kept for point in prices_of.points)


def _local(element: ET.Element) -> str:
    return element.tag.rpartition("}")[2]


def _children(element: ET.Element, name: str) -> Iterator[ET.Element]:
    return (child for child in element if _local(child) == name)


def _text(element: ET.Element, *path: str) -> str:
    found: ET.Element | None = element
    for name in path:
        found = next(_children(found, name), None) if found is not None else None
    return (found.text or "").strip() if found is not None else ""


def _is_price_document(root: ET.Element, source: Source, problems: Problems) -> bool:
    name = _local(root)
    namespace = root.tag[1:].partition("}")[0] if root.tag.startswith("{") else ""
    if name == "Acknowledgement_MarketDocument":
        reasons = [f"{_text(r, 'text')} (code {_text(r, 'code')})" for r in _children(root, "Reason")]
        problems.add(
            source.name,
            "",
            "the file is a refusal of the market platform, not prices: "
            + ("; ".join(reasons) or "no reason stated"),
        )
        return False
    if name != "Publication_MarketDocument":
        problems.add(source.name, "", f"the document must be a Publication_MarketDocument (got '{name}')")
        return False
    if namespace not in NAMESPACES:
        problems.add(
            source.name,
            "",
            f"the document's namespace must be {NAMESPACES[0]} to 7:{len(NAMESPACES) - 1} "
            f"(got '{namespace}')",
        )
        return False
    kind = _text(root, "type")
    if kind != PRICE_DOCUMENT:
        problems.add(source.name, "type", f"'type' must be {PRICE_DOCUMENT}, a price document (got '{kind}')")
        return False
    return True


@dataclass(frozen=True)
class _Reader:
    file: str
    currency: str | None
    series: str
    zone: ZoneInfo
    problems: Problems

    def time_series(self, element: ET.Element, where: str) -> tuple[Auction, list[Point]]:
        currency = _text(element, "currency_Unit.name")
        if self.currency is not None and currency != self.currency:
            self._fault(
                where,
                "currency_Unit.name",
                f"must be the site's currency {self.currency} (got '{currency}'); convert the prices first",
            )
        measure = _text(element, "price_Measure_Unit.name")
        if measure != "MWH":
            self._fault(where, "price_Measure_Unit.name", f"must be MWH (got '{measure}')")
        # Without a curve type the blocks have a fixed size, as with A01.
        curve = _text(element, "curveType") or BLOCK_OF_FIXED_SIZE
        points: list[Point] = []
        if curve in (BLOCK_OF_FIXED_SIZE, BLOCK_OF_VARIABLE_SIZE):
            for number, period in enumerate(_children(element, "Period"), 1):
                points += self._period(period, f"{where}, Period {number}", curve)
        else:
            self._fault(
                where,
                "curveType",
                f"must be {BLOCK_OF_FIXED_SIZE} or {BLOCK_OF_VARIABLE_SIZE} (got '{curve}')",
            )
        auction = Auction(
            _text(element, "in_Domain.mRID"),
            _text(element, "contract_MarketAgreement.type"),
            self._sequence(element, where),
        )
        return auction, points

    def _sequence(self, element: ET.Element, where: str) -> int | None:
        name = "classificationSequence_AttributeInstanceComponent.position"
        text = _text(element, name)
        if not text:
            return None
        if not text.isascii() or not text.isdigit() or len(text) > 6:
            self._fault(where, name, f"must be a whole number (got '{text}')")
            return None
        return int(text)

    def _period(self, period: ET.Element, where: str, curve: str) -> list[Point]:
        start = self._instant(period, where, "start")
        end = self._instant(period, where, "end")
        resolution = _text(period, "resolution")
        length = RESOLUTIONS.get(resolution)
        if length is None:
            self._fault(where, "resolution", f"must be one of {', '.join(RESOLUTIONS)} (got '{resolution}')")
        if start is None or end is None or length is None:
            return []
        if end <= start or (end - start) % length or end - start > LONGEST_PERIOD_MIN:
            self._fault(
                where,
                "timeInterval",
                f"must be a whole number of intervals of {length} min and at most 400 days (got "
                f"{end - start} min)",
            )
            return []
        count = (end - start) // length
        prices = self._prices(period, where, count)
        if prices is None:
            return []
        result: list[Point] = []
        missing: list[int] = []
        held: tuple[float, str] | None = None
        for position in range(1, count + 1):
            given = prices.get(position)
            if given is None and (curve == BLOCK_OF_FIXED_SIZE or held is None):
                missing.append(position)
                continue
            held = given or held
            if held is not None:
                at = start + (position - 1) * length
                result.append(Point(self.series, at, length, held[0], self.file, held[1]))
        if missing:
            first = shown(start + (missing[0] - 1) * length, self.zone)
            rule = "has every point" if curve == BLOCK_OF_FIXED_SIZE else "has at least the first point"
            self.problems.add(
                self.file,
                where,
                f"{len(missing)} of {count} prices are missing, the first is position {missing[0]} at "
                f"{first}; a curve of type {curve} {rule}",
            )
            return []
        return result

    def _prices(self, period: ET.Element, where: str, count: int) -> dict[int, tuple[float, str]] | None:
        before = len(self.problems)
        result: dict[int, tuple[float, str]] = {}
        for number, point in enumerate(_children(period, "Point"), 1):
            place = f"{where}, Point {number}"
            text = _text(point, "position")
            position = int(text) if text.isascii() and text.isdigit() and len(text) < 7 else 0
            amount = _text(point, "price.amount")
            if not 1 <= position <= count:
                self._fault(place, "position", f"must be between 1 and {count} (got '{text}')")
            elif position in result:
                self._fault(place, "position", f"must be there once in a period (got {position} again)")
            elif not _AMOUNT.fullmatch(amount) or abs(float(amount)) > LARGEST_NUMBER:
                self._fault(place, "price.amount", f"must be a number (got '{amount}')")
            else:
                result[position] = (float(amount), place)
        return result if len(self.problems) == before else None

    def _instant(self, period: ET.Element, where: str, name: str) -> int | None:
        text = _text(period, "timeInterval", name)
        try:
            if _INSTANT.fullmatch(text) and FIRST_YEAR <= int(text[:4]) <= LAST_YEAR:
                return minute_of(dt.datetime.fromisoformat(text))
        except ValueError:
            pass
        self._fault(
            where, f"timeInterval.{name}", f"must be a UTC time such as 2026-11-25T23:00Z (got '{text}')"
        )
        return None

    def _fault(self, where: str, name: str, text: str) -> None:
        self.problems.add(self.file, where, f"'{name}' {text}")
