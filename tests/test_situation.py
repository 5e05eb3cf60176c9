"""What is in service on each interval: the least of the normal value and all facts that touch it."""

from __future__ import annotations

import numpy as np
import pytest

from models.situation import Availability, Situation
from tests.binding_cases import fact, hours


def test_nothing_known_leaves_the_normal_value() -> None:
    """Without facts the normal value holds everywhere."""
    assert Situation().available("room", "in_service", 1.0, hours(3)) == pytest.approx(np.ones(3))


def test_least_of_several_facts() -> None:
    """Where facts overlap the lowest value counts; a fact above the normal value changes nothing."""
    facts = (fact("room", "units", 3, 0, 2), fact("room", "units", 2, 1, 1), fact("room", "units", 9, 3, 3))
    found = Situation(availability=facts).available("room", "units", 4.0, hours(4))
    assert found == pytest.approx([3.0, 2.0, 3.0, 4.0])


def test_facts_of_others_do_not_count() -> None:
    """A fact is about one thing of one unit."""
    facts = (fact("room", "cells", 1), fact("other", "units", 1))
    assert Situation(availability=facts).available("room", "units", 4.0, hours(1)) == pytest.approx([4.0])


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        # 01:30 to 01:31 touches the second hour.
        (90, 91, [1.0, 0.0, 1.0]),
        # 00:00 to 01:00 ends where the second begins.
        (0, 60, [0.0, 1.0, 1.0]),
        # From before the horizon to 00:01.
        (-600, 1, [0.0, 1.0, 1.0]),
        # Beyond its end.
        (119, 900, [1.0, 0.0, 0.0]),
        (180, 240, [1.0, 1.0, 1.0]),
    ],
)
def test_a_touched_interval_counts_whole(start: int, end: int, expected: list[float]) -> None:
    """An interval that a fact touches in part counts as touched, one that it only borders does not."""
    first = hours(1).start_min
    facts = (Availability("room", "in_service", 0.0, first + start, first + end),)
    found = Situation(availability=facts).available("room", "in_service", 1.0, hours(3))
    assert found == pytest.approx(expected)
