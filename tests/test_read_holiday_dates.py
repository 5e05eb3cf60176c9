import datetime as dt

import pytest

from scheduler.read.holiday_dates import holiday_dates


def test_fixed_dates_of_public_law() -> None:
    """The third of October is a holiday in Germany: Unification Treaty of 31 August 1990, article 2."""
    days = holiday_dates("DE", (2026, 2027))

    assert dt.date(2026, 10, 3) in days
    assert dt.date(2027, 10, 3) in days
    assert list(days) == sorted(days)


def test_a_part_of_a_country_has_its_own_days() -> None:
    """Epiphany is a holiday of a part of the country only: Bavarian law on holidays, article 1."""
    epiphany = dt.date(2026, 1, 6)

    assert epiphany in holiday_dates("DE-BY", (2026,))
    assert epiphany not in holiday_dates("DE", (2026,))


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("ZZ", r"must be a list of dates, or a code such as 'XX' or 'XX-YY'.*\(got 'ZZ'\)"),
        ("Germany", r"\(got 'Germany'\)"),
        ("de", r"\(got 'de'\)"),
        ("DE-XX", r"must name a known part of DE \(got 'DE-XX'\)"),
    ],
)
def test_unknown_codes_are_refused(code: str, words: str) -> None:
    """A code the library does not know is refused with what is allowed."""
    with pytest.raises(ValueError, match=words):
        holiday_dates(code, (2026,))
