"""Nights on which clocks change, turns that change at midnight, holidays, and a machine whose own clock is set."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from alerts.types import Priority
from alerts.upkeep import suppressed
from monitor.plant.people import Closure
from tests.unit.post.office import Office, at

MINUTE, HOUR = 60.0, 3600.0
CHANGES = ["2031-03-30", "2031-10-26"]
"""Sundays on which clocks go forward and back in Lisbon, both between 01:00 and 02:00."""


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    found = Office(tmp_path)
    yield found
    found.close()


def day_before(day: str) -> str:
    return (date.fromisoformat(day) - timedelta(days=1)).isoformat()


def of(office: Office, what: str) -> list[tuple[str, float]]:
    """Return who was told what, and when."""
    return [
        (row["person"], row["made_s"])
        for row, (_, said) in zip(office.rows(), office.told(), strict=True)
        if said == what
    ]


@pytest.mark.parametrize("day", CHANGES)
def test_an_escalation_over_the_change_comes_after_true_minutes_and_once(office: Office, day: str) -> None:
    raised = at(f"{day}T00:50")
    office.raise_alert(raised)
    for minute in range(0, 180, 5):
        office.turn(raised + minute * MINUTE)
        if minute % 15 == 0:
            office.restart()
    assert of(office, "escalate-1") == [("ben", raised + 20 * MINUTE)]
    on_call = office.plant.alerting.on_call["maintenance"].at(raised)
    assert of(office, "remind-1") == [(on_call, raised + HOUR)]
    assert of(office, "remind-2") == [(on_call, raised + 2 * HOUR)]


@pytest.mark.parametrize("day", CHANGES)
def test_quiet_hours_end_at_six_by_the_clock_on_the_wall(office: Office, day: str) -> None:
    evening = at(f"{day_before(day)}T23:10")
    rota = office.plant.alerting.on_call["maintenance"]
    quiet = replace(office.plant.alerting.people["ana"], id=rota.at(evening))
    people = {**office.plant.alerting.people, quiet.id: quiet}
    office.plant = replace(office.plant, alerting=replace(office.plant.alerting, people=people))
    office.restart()
    office.raise_alert(evening, Priority.MEDIUM)
    held = next(row for row in office.rows() if row["person"] == quiet.id)
    assert held["due_s"] == at(f"{day}T06:00")
    length = (held["due_s"] - at(f"{day_before(day)}T22:00")) / HOUR
    assert length == {"2031-03-30": 7.0, "2031-10-26": 9.0}[day], "eight by the wall, one more or less in truth"


@pytest.mark.parametrize("day", CHANGES)
def test_the_turn_changes_at_midnight_of_the_longer_and_the_shorter_day(office: Office, day: str) -> None:
    rota = office.plant.alerting.on_call["maintenance"]
    midnight = at(day) + {"2031-03-30": 23, "2031-10-26": 25}[day] * HOUR
    before, after = rota.at(midnight - 1.0), rota.at(midnight)
    assert {before, after} == {"ana", "ben"}
    raised = midnight - 30 * MINUTE
    office.raise_alert(raised)
    office.restart()
    office.turn(raised + HOUR)
    assert of(office, "unacknowledged")[0] == (before, raised)
    assert of(office, "remind-1") == [(after, raised + HOUR)]


@pytest.mark.parametrize("day", CHANGES)
def test_reports_of_the_working_days_around_the_change_come_at_their_hours(office: Office, day: str) -> None:
    friday, monday = at(day) - 2 * 24 * HOUR, at(day) + 24 * HOUR
    office.raise_alert(friday + 12 * HOUR)
    for quarter in range(5 * 24 * 4):
        office.turn(friday + quarter * 900.0)
    made = {row["event"]: row["made_s"] for row in office.rows() if row["event"].startswith(("hand", "morning"))}
    hand_overs = sorted(time_s for event, time_s in made.items() if event.startswith("hand-over"))
    mornings = sorted(time_s for event, time_s in made.items() if event.startswith("morning"))
    assert hand_overs[0] == at((day_before(day_before(day))) + "T21:00")
    assert mornings[1] - monday == pytest.approx({"2031-03-30": 5, "2031-10-26": 7}[day] * HOUR), "06:00 on the wall"
    said = next(json.loads(row["body"]) for row in office.rows() if row["event"].startswith("hand-over"))
    assert "before Mon 06:00" in said["subject"]


def test_before_a_holiday_the_round_covers_all_of_it_and_nobody_is_told_in_between(office: Office) -> None:
    office.raise_alert(at("2031-12-23T12:00"))
    for hour in range(10 * 24 + 12):
        office.turn(at("2031-12-23T12:00") + hour * HOUR)
    told = [row for row in office.rows() if row["event"].startswith(("hand-over", "morning"))]
    days = sorted({row["made_s"] for row in told})
    assert days == [at("2031-12-23T21:00"), at("2032-01-02T06:00"), at("2032-01-02T21:00")]
    subject = json.loads(told[0]["body"])["subject"]
    assert "before Fri 2032-01-02 06:00" in subject
    assert office.plant.attended.covers(at("2031-12-26T12:00")) is False, "a Friday in the break"


def test_in_a_holiday_alerts_go_as_at_night(office: Office) -> None:
    office.raise_alert(at("2031-12-26T12:00"))
    assert {person for person, _ in of(office, "unacknowledged")} == {
        office.plant.alerting.on_call["maintenance"].at(at("2031-12-26T12:00")),
        "log",
    }, "the day shift is not there"


@pytest.mark.parametrize(
    ("moment", "quiet"),
    [
        ("2031-03-29T23:59", False),
        ("2031-03-30T00:00", True),
        ("2031-03-31T23:59", True),
        ("2031-04-01T00:00", False),
    ],
)
def test_a_machine_that_is_shut_down_is_quiet_by_the_plants_days(office: Office, moment: str, quiet: bool) -> None:
    closure = Closure(at_day("2031-03-30"), at_day("2031-03-31"), "new spindle", ("lathe-04",))
    plant = replace(office.plant, alerting=replace(office.plant.alerting, closures=(closure,)))
    found = suppressed(plant, {}, {}, at(moment))
    assert found == ({"lathe-04": "the machine is shut down (new spindle)"} if quiet else {})


def at_day(text: str) -> int:
    return date.fromisoformat(text).toordinal()


@pytest.mark.parametrize("by_s", [-HOUR, HOUR, 365 * 24 * HOUR])
def test_a_clock_that_is_set_in_the_middle_of_an_escalation_loses_and_doubles_nothing(
    office: Office, by_s: float
) -> None:
    raised = at("2031-03-03T23:10")
    office.raise_alert(raised)
    office.turn(raised + 10 * MINUTE)
    for minute in range(10, 40, 5):
        office.turn(raised + minute * MINUTE + by_s)
        office.restart()
    for minute in range(40, 60, 5):
        office.turn(raised + minute * MINUTE)
    assert len(of(office, "escalate-1")) == 1
