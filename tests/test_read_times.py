from zoneinfo import ZoneInfo

import pytest

from models.horizon import instant_of
from scheduler.read.times import minute_of_text, month_of_text, shown

# Clock changes of the European Union: 01:00 UTC on the last Sunday of March and of October, Directive
# 2000/84/EC.
ZONE = ZoneInfo("Europe/Vienna")


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-11-26T06:00", "2026-11-26T05:00+00:00"),
        ("2026-11-26 06:00:00", "2026-11-26T05:00+00:00"),
        ("2026-07-01T06:00", "2026-07-01T04:00+00:00"),
        ("2026-11-26T06:00Z", "2026-11-26T06:00+00:00"),
        ("2026-11-26T06:00-05:30", "2026-11-26T11:30+00:00"),
        ("2026-03-29T03:00", "2026-03-29T01:00+00:00"),
        ("2026-10-25T01:59", "2026-10-24T23:59+00:00"),
        ("2026-10-25T03:00", "2026-10-25T02:00+00:00"),
    ],
)
def test_times_are_read_with_an_offset_or_as_local(text: str, utc: str) -> None:
    """A time with offset is that instant, one without is local (ISO 8601, Directive 2000/84/EC)."""
    assert instant_of(minute_of_text(text, ZONE)).isoformat(timespec="minutes") == utc


def test_repeated_hour_needs_its_offset() -> None:
    """The hour 02:00-03:00 happens twice on the last Sunday of October (Directive 2000/84/EC)."""
    expected = (
        "must be one instant: 2026-10-25T02:30 happens twice in Europe/Vienna, the clocks go back; write it "
        "with its "
        "offset, 2026-10-25T02:30+02:00 or 2026-10-25T02:30+01:00"
    )
    with pytest.raises(ValueError, match="happens twice") as caught:
        minute_of_text("2026-10-25T02:30", ZONE)
    assert str(caught.value) == expected

    first = minute_of_text("2026-10-25T02:30+02:00", ZONE)
    assert minute_of_text("2026-10-25T02:30+01:00", ZONE) - first == 60


def test_skipped_hour_does_not_exist() -> None:
    """The hour 02:00-03:00 is left out on the last Sunday of March (Directive 2000/84/EC)."""
    with pytest.raises(ValueError, match="must be a time that exists") as caught:
        minute_of_text("2026-03-29T02:00", ZONE)
    assert str(caught.value) == (
        "must be a time that exists: Europe/Vienna has no 2026-03-29T02:00, the clocks go forward; write "
        "the time "
        "with its offset"
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2026-11-26", "must have a time of day, such as 2026-11-26T06:00"),
        ("26.11.2026 06:00", "must be an ISO 8601 time"),
        ("2026-11-26T6:00", "must be an ISO 8601 time"),
        ("2026-W48-4T06:00", "must be an ISO 8601 time"),
        ("2026-11-26T06:00:30", "must be on a whole minute"),
        ("2026-11-31T06:00", "must be a time that exists"),
        ("2026-11-26T24:00", "midnight is 00:00 of the next day"),
        ("2026-11-26T06:00+25:00", "must be a time that exists"),
        ("1899-12-30T00:00", "must be a time in the years 2000 to 2100"),
        ("1899-12-30T00:00Z", "must be a time in the years 2000 to 2100"),
        ("٢٠٢٦-11-26T06:00", "must be an ISO 8601 time"),
    ],
)
def test_other_texts_are_refused(text: str, words: str) -> None:
    """Texts that are not one instant on a whole minute are refused with what is allowed."""
    with pytest.raises(ValueError, match=words):
        minute_of_text(text, ZONE)


def test_people_see_local_time_with_offset() -> None:
    """An instant is shown in the site's zone."""
    assert shown(minute_of_text("2026-11-26T05:00Z", ZONE), ZONE) == "2026-11-26T06:00+01:00"


@pytest.mark.parametrize("text", ["2026-13", "2026-1", "11/2026", "0026-11", "2026-11-01"])
def test_months_are_year_and_month(text: str) -> None:
    """A month is written YYYY-MM (ISO 8601), anything else is refused."""
    assert month_of_text("2026-11") == "2026-11"
    with pytest.raises(ValueError, match="must be a month such as 2026-11"):
        month_of_text(text)
