"""What is out or limited on the plan day stands where people look, with how long a load still travels."""

from __future__ import annotations

from dataclasses import replace

import pytest

from models.situation import Availability
from scheduler.plan import make_plan
from scheduler.read.inputs import read_inputs
from scheduler.report.outages import outage_lines
from scheduler.report.page import page_html, sheet_html
from scheduler.report.sheet import load_sheet
from scheduler.report.summary import summary_text
from scheduler.result import Plan
from tests.test_cli import SITE, lay

DAY = 1440


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """Return the plan of a day with an outage of the room, one of an outlet tomorrow, and a limit."""
    rated = SITE.replace("step_ka = 0.5", "step_ka = 0.5\nramp_ka_per_min = 0.5\nramp_minutes = 60.0")
    inputs = read_inputs(lay(tmp_path_factory.mktemp("works"), {"site.toml": rated}))
    start = inputs.horizon.start_min
    facts = (
        Availability("store", "level_max_t", 58.0, start + 1320, start + DAY, ""),
        Availability("room", "in_service", 0.0, start + 600, start + 780, "busbar <repair>"),
        Availability("outlet", "in_service", 0.0, start + DAY, start + 2 * DAY, "tomorrow"),
    )
    situation = replace(inputs.situation, availability=facts[:2], loads_before={"room": 10.0})
    made = make_plan(inputs.site, inputs.horizon, situation)
    return replace(made, situation=replace(made.situation, availability=facts))


def test_facts_of_the_day_are_told_in_order_of_time(plan: Plan) -> None:
    """The room's outage comes first, then the limit of the store; tomorrow's outage is not of this day."""
    room, store = outage_lines(plan)
    assert room.startswith(
        "room out of service, Mon 8 Jun 10:00+02:00 to Mon 8 Jun 13:00+02:00 (busbar <repair>)"
    )
    assert store == "store level max t 58, Mon 8 Jun 22:00+02:00 to Tue 9 Jun 00:00+02:00"


def test_a_circuit_carries_no_current_when_its_outage_starts(plan: Plan) -> None:
    """At 0.5 kA/min the greatest load of 15 kA takes 30 min: run-down from 9:30, run-up until 13:30."""
    assert plan.audit.values["room_load"][9] > 0
    assert outage_lines(plan)[0].endswith(
        "; run-down from 09:30, no current when it starts; run-up from 13:00 to 13:30"
    )


def test_an_outage_that_starts_now_finds_current_flowing(plan: Plan) -> None:
    """From 10 kA at 0.5 kA/min current flows for 20 min of an outage that starts with the plan."""
    start = plan.horizon.start_min
    now = replace(plan.situation, availability=(Availability("room", "in_service", 0.0, start, start + 60),))
    trip = make_plan(plan.site, plan.horizon, now)
    assert "about 20 min at its stated rate; run-up from 01:00" in outage_lines(trip)[0]
    assert not [found for found in trip.audit.violations if "outage" in found.meaning]


def test_sheet_page_and_summary_name_them(plan: Plan) -> None:
    """All three say it, and a name is text, not a tag."""
    assert "Out or limited: room out of service" in " ".join(summary_text(plan).split())
    for html in (sheet_html(load_sheet(plan)), page_html(plan, {})):
        assert "Out or limited:</strong> room out of service" in html
        assert "busbar &lt;repair&gt;" in html


def test_a_day_without_facts_has_no_line(plan: Plan) -> None:
    """Nothing is said where nothing is out."""
    quiet = replace(plan, situation=replace(plan.situation, availability=()))
    assert outage_lines(quiet) == ()
    assert "Out or limited" not in summary_text(quiet)
