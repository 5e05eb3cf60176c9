"""Small documents made by hand with invented values.

What the elements and codes mean (curve types A01 and A03, document type A44, position and resolution) is
value from memory of IEC 62325-451-3 and IEC 62325-451-1.
"""

from zoneinfo import ZoneInfo

import pytest

from models.horizon import instant_of
from scheduler.read.files import Source
from scheduler.read.market_document import NAMESPACES, AuctionPrices, choose_auction, read_document
from scheduler.read.problems import Problems

ZONE = ZoneInfo("Europe/Vienna")


def period(
    prices: dict[int, str],
    start: str = "2026-11-25T23:00Z",
    end: str = "2026-11-26T03:00Z",
    step: str = "PT60M",
) -> str:
    """Return a Period element."""
    points = "".join(
        f"<Point><position>{n}</position><price.amount>{price}</price.amount></Point>"
        for n, price in prices.items()
    )
    interval = f"<timeInterval><start>{start}</start><end>{end}</end></timeInterval>"
    return f"<Period>{interval}<resolution>{step}</resolution>{points}</Period>"


def series(
    *periods: str,
    curve: str = "A01",
    sequence: str = "",
    currency: str = "XTS",
    unit: str = "MWH",
    area: str = "ZONE1",
) -> str:
    """Return a TimeSeries element."""
    name = "classificationSequence_AttributeInstanceComponent.position"
    return (
        f"<TimeSeries><mRID>1</mRID><in_Domain.mRID>{area}</in_Domain.mRID>"
        f"<currency_Unit.name>{currency}</currency_Unit.name>"
        f"<price_Measure_Unit.name>{unit}</price_Measure_Unit.name>"
        + (f"<{name}>{sequence}</{name}>" if sequence else "")
        + (f"<curveType>{curve}</curveType>" if curve else "")
        + "".join(periods)
        + "</TimeSeries>"
    )


def document(*all_series: str, namespace: str = NAMESPACES[3], kind: str = "A44", head: str = "") -> bytes:
    """Return a publication document."""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{head}<Publication_MarketDocument xmlns="{namespace}">'
        f"<mRID>x</mRID><type>{kind}</type>{''.join(all_series)}</Publication_MarketDocument>"
    ).encode()


def read(data: bytes, name: str = "p.xml") -> tuple[tuple[AuctionPrices, ...], list[str]]:
    """Return the prices and the problems of a document."""
    problems = Problems()
    result = read_document(Source("prices", name, data), "XTS", "day_ahead", ZONE, problems)
    return result, [str(problem) for problem in problems.listed()]


def values(prices: tuple[AuctionPrices, ...]) -> list[float]:
    """Return the prices in the order of the document."""
    return [point.value for part in prices for point in part.points]


FOUR = {1: "10.5", 2: "-3", 3: "0", 4: "7"}


@pytest.mark.parametrize("namespace", NAMESPACES)
def test_every_point_of_a_fixed_block_curve(namespace: str) -> None:
    """Curve type A01: t = start + (position - 1) * resolution, in every version of the document."""
    prices, problems = read(document(series(period(FOUR)), namespace=namespace))

    assert problems == []
    assert values(prices) == [10.5, -3.0, 0.0, 7.0]
    starts = [instant_of(point.start_min).isoformat() for point in prices[0].points]
    assert starts[0] == "2026-11-25T23:00:00+00:00"
    assert starts[3] == "2026-11-26T02:00:00+00:00"


def test_variable_block_curve_holds_a_price_to_the_next_point_and_the_period_end() -> None:
    """Curve type A03: a point that repeats the price before it is left out, also at the end of the period."""
    prices, problems = read(document(series(period({1: "5", 3: "8"}), curve="A03")))

    assert problems == []
    assert values(prices) == [5.0, 5.0, 8.0, 8.0]


def test_fixed_block_curve_with_a_hole_is_refused() -> None:
    """In curve type A01, and without a curve type, a missing point is missing and not the price before it."""
    expected = [
        "p.xml, TimeSeries 1, Period 1: 1 of 4 prices are missing, the first is position 3 at "
        "2026-11-26T02:00+01:00; "
        "a curve of type A01 has every point"
    ]
    hole = period({1: "5", 2: "8", 4: "8"})

    assert read(document(series(hole)))[1] == expected
    assert read(document(series(hole, curve="")))[1] == expected


def test_variable_block_curve_without_its_first_point_is_refused() -> None:
    """There is no price to hold before the first point."""
    assert read(document(series(period({2: "5"}), curve="A03")))[1] == [
        "p.xml, TimeSeries 1, Period 1: 1 of 4 prices are missing, the first is position 1 at "
        "2026-11-26T00:00+01:00; "
        "a curve of type A03 has at least the first point"
    ]


@pytest.mark.parametrize(
    ("start", "end", "hours"),
    [
        # Last Sunday of October and of March, Directive 2000/84/EC.
        ("2026-10-24T22:00Z", "2026-10-25T23:00Z", 25),
        ("2026-03-28T23:00Z", "2026-03-29T22:00Z", 23),
    ],
)
@pytest.mark.parametrize(("step", "per_hour"), [("PT15M", 4), ("PT30M", 2), ("PT60M", 1)])
def test_days_of_clock_changes(start: str, end: str, hours: int, step: str, per_hour: int) -> None:
    """A local day of a clock change has 23 or 25 hours, in each resolution."""
    count = hours * per_hour
    prices, problems = read(
        document(series(period({n: str(n) for n in range(1, count + 1)}, start, end, step)))
    )

    assert problems == []
    points = prices[0].points
    assert values(prices) == [float(n) for n in range(1, count + 1)]
    assert instant_of(points[-1].end_min).isoformat(timespec="minutes") == end.replace("Z", "+00:00")


def test_several_series_and_periods_join() -> None:
    """One document may hold several days, each as a series or as a period."""
    day = period({1: "1"}, "2026-11-25T23:00Z", "2026-11-26T23:00Z")
    next_day = period({1: "2"}, "2026-11-26T23:00Z", "2026-11-27T23:00Z")
    third = period({1: "3"}, "2026-11-27T23:00Z", "2026-11-28T23:00Z")
    prices, problems = read(document(series(day, next_day, curve="A03"), series(third, curve="A03")))

    assert problems == []
    assert values(prices) == [1.0] * 24 + [2.0] * 24 + [3.0] * 24


def choose(sequence: int | None, **documents: bytes) -> tuple[list[float], list[str], list[str]]:
    """Return the chosen prices, the problems and the notes of some documents."""
    problems, notes = Problems(), []  # type: tuple[Problems, list[str]]
    read_all = {f"{name}.xml": read(data, f"{name}.xml")[0] for name, data in documents.items()}
    points = choose_auction(read_all, sequence, problems, notes)
    return [point.value for point in points], [str(problem) for problem in problems.listed()], notes


MIXED = document(
    series(period(FOUR), sequence="1"), series(period(dict.fromkeys(range(1, 5), "99")), sequence="2")
)


def test_a_mixture_of_auctions_is_refused_unless_one_is_chosen() -> None:
    """Prices of two sequences are never mixed; a chosen one is kept and the rest told."""
    assert choose(None, p=MIXED) == (
        [],
        [
            "p.xml: prices of 2 auctions must not be mixed (sequence 1 of area ZONE1 in p.xml; sequence 2 "
            "of area "
            "ZONE1 in p.xml); set 'price_sequence' under [files]"
        ],
        [],
    )
    assert choose(2, p=MIXED) == (
        [99.0] * 4,
        [],
        ["p.xml: 4 prices of sequence 1 of area ZONE1 are not used"],
    )
    assert choose(3, p=MIXED)[1] == ["p.xml: the document has no prices of sequence 3 (got sequence 1, 2)"]


def test_a_mixture_over_two_documents_is_refused() -> None:
    """Two files of different auctions are as mixed as one file; so is a number beside no number."""
    one = document(series(period(FOUR), sequence="1"))
    bare = document(series(period(FOUR, "2026-11-26T03:00Z", "2026-11-26T07:00Z")))
    assert choose(None, a=one, b=bare)[1] == [
        "a.xml, b.xml: prices of 2 auctions must not be mixed (sequence 1 of area ZONE1 in a.xml; no "
        "sequence of "
        "area ZONE1 in b.xml); set 'price_sequence' under [files]"
    ]

    kept, problems, notes = choose(1, a=one, b=bare)
    assert (len(kept), problems) == (8, [])
    assert notes == ["b.xml: states no auction sequence; its prices are taken as sequence 1"]


def test_two_areas_are_refused() -> None:
    """Prices of two areas are never mixed."""
    other = document(series(period(FOUR)), series(period(FOUR), area="ZONE2"))
    assert choose(None, p=other)[1] == [
        "p.xml: prices of 2 auctions must not be mixed (no sequence of area ZONE1 in p.xml; no sequence of "
        "area ZONE2 "
        "in p.xml); keep the documents of one auction"
    ]


def test_an_acknowledgement_tells_its_reason() -> None:
    """The platform refuses with a document of another type, whose reason is told."""
    data = (
        b"<Acknowledgement_MarketDocument"
        b' xmlns="urn:iec62325.351:tc57wg16:451-1:acknowledgementdocument:7:0"><Reason><code>999</code>'
        b"<text>No matching data found</text></Reason></Acknowledgement_MarketDocument>"
    )
    assert read(data) == (
        (),
        [
            "p.xml: the file is a refusal of the market platform, not prices: No matching data found (code "
            "999)",
        ],
    )


@pytest.mark.parametrize(
    "head",
    [
        '<!DOCTYPE x SYSTEM "file:///etc/passwd">',
        '<!DOCTYPE x [<!ENTITY a "1"><!ENTITY b "&a;&a;">]>',
        '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>',
    ],
)
def test_doctype_and_entities_are_refused(head: str) -> None:
    """A market document has no DOCTYPE; one that has is refused before it is expanded."""
    assert read(document(series(period(FOUR)), head=head))[1] == [
        "p.xml: the document must not have a DOCTYPE or entities; no market document needs them"
    ]


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (
            document(series(period(FOUR), currency="XXX")),
            "p.xml, TimeSeries 1: 'currency_Unit.name' must be the site's currency XTS (got 'XXX'); convert "
            "the prices "
            "first",
        ),
        (
            document(series(period(FOUR), unit="KWH")),
            "p.xml, TimeSeries 1: 'price_Measure_Unit.name' must be MWH (got 'KWH')",
        ),
        (
            document(series(period(FOUR), curve="A05")),
            "p.xml, TimeSeries 1: 'curveType' must be A01 or A03 (got 'A05')",
        ),
        (
            document(series(period(FOUR, step="PT1H"))),
            "p.xml, TimeSeries 1, Period 1: 'resolution' must be one of PT15M, PT30M, PT60M (got 'PT1H')",
        ),
        (
            document(series(period(FOUR, end="2026-11-26T03:30Z"))),
            "p.xml, TimeSeries 1, Period 1: 'timeInterval' must be a whole number of intervals of 60 min "
            "and at "
            "most 400 days (got 270 min)",
        ),
        (
            document(series(period({1: "1"}, end="2099-11-26T03:00Z", step="PT15M"), curve="A03")),
            "p.xml, TimeSeries 1, Period 1: 'timeInterval' must be a whole number of intervals of 15 min "
            "and at "
            "most 400 days",
        ),
        (
            document(series(period(FOUR, start="2026-11-26T00:00"))),
            "p.xml, TimeSeries 1, Period 1: 'timeInterval.start' must be a UTC time such as "
            "2026-11-25T23:00Z (got "
            "'2026-11-26T00:00')",
        ),
        (
            document(series(period({**FOUR, 5: "1"}))),
            "p.xml, TimeSeries 1, Period 1, Point 5: 'position' must be between 1 and 4 (got '5')",
        ),
        (
            document(series(period({**FOUR, 2: "NaN"}))),
            "p.xml, TimeSeries 1, Period 1, Point 2: 'price.amount' must be a number (got 'NaN')",
        ),
        (
            document(series(period(FOUR).replace("<position>3<", "<position>2<"))),
            "p.xml, TimeSeries 1, Period 1, Point 3: 'position' must be there once in a period (got 2 again)",
        ),
        (
            document(series(period(FOUR)), kind="A25"),
            "p.xml, type: 'type' must be A44, a price document (got 'A25')",
        ),
        (document(), "p.xml: the document has no TimeSeries, so no prices"),
        (
            document(series(period(FOUR)), namespace="urn:other"),
            "p.xml: the document's namespace must be "
            "urn:iec62325.351:tc57wg16:451-3:publicationdocument:7:0 to 7:4 "
            "(got 'urn:other')",
        ),
        (
            b"<GL_MarketDocument/>",
            "p.xml: the document must be a Publication_MarketDocument (got 'GL_MarketDocument')",
        ),
        (b"<a>", "p.xml: the file cannot be read as XML: no element found: line 1, column 3"),
        (b"start,minutes", "p.xml: the file cannot be read as XML: syntax error: line 1, column 0"),
        (
            b'<?xml version="1.0" encoding="none"?><a/>',
            "p.xml: the file cannot be read as XML: unknown encoding",
        ),
    ],
)
def test_what_does_not_fit_is_told_with_its_place(data: bytes, expected: str) -> None:
    """Each trap of the document is refused with the place in it."""
    problems = read(data)[1]

    assert len(problems) == 1
    assert problems[0].startswith(expected)
