"""Who is told when: turns that change at local midnight, hours of people, quiet hours, closed days, gaps."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.plant.file import load_plant
from monitor.plant.people import OnCall
from monitor.plant.rota import About, Told, reached, silent_hours, told

PLANT = load_plant(Path(__file__).parents[2] / "cases" / "plant_files" / "people" / "plant.toml")
LISBON = ZoneInfo("Europe/Lisbon")
HIGH, LOW = About("high", "hall-1", "outside_band"), About("low", "hall-1", "outside_band")


def at(text: str) -> float:
    """Return a wall time of the plant as Unix seconds."""
    return datetime.fromisoformat(text).replace(tzinfo=LISBON).timestamp()


@pytest.mark.parametrize(
    ("moment", "who"),
    [
        ("2031-03-03T00:00", "ana"),
        ("2031-03-09T23:59:59", "ana"),
        ("2031-03-10T00:00", "ben"),
        ("2031-03-02T23:59", "ben"),  # before the first turn: the order runs backwards
        ("2031-03-30T23:59", "ben"),  # the clocks went forward that night
        ("2031-03-31T00:00", "ana"),
        ("2031-10-26T23:59", "ben"),  # the clocks went back that night
        ("2031-10-27T00:00", "ana"),
    ],
)
def test_turns_change_at_local_midnight_in_every_week(moment: str, who: str) -> None:
    rota = OnCall("maintenance", ("ana", "ben"), "Europe/Lisbon", datetime(2031, 3, 3).toordinal())  # noqa: DTZ001
    assert rota.at(at(moment)) == who


def test_in_the_day_the_shift_is_told_and_the_rota() -> None:
    found = reached(PLANT.alerting, HIGH, PLANT.attended, at("2031-03-04T10:00"))
    assert {route: [one.person for one in some] for route, some in found.items()} == {
        "day": ["cleo"],
        "urgent": ["ana"],
        "book": ["log"],
    }


def test_whoever_has_hours_is_told_while_there_or_first_when_they_come() -> None:
    monday = at("2031-03-10T06:00")
    assert told(PLANT.alerting, ["shift"], "high", at("2031-03-07T20:00")) == (Told("cleo", monday),)
    now = at("2031-03-07T20:00")
    assert told(PLANT.alerting, ["shift", "ben"], "high", now) == (Told("ben", now),)


def test_quiet_hours_hold_back_what_may_wait() -> None:
    night = at("2031-03-07T23:10")
    assert told(PLANT.alerting, ["maintenance"], "high", night) == (Told("ana", night, on_call=True),)
    assert told(PLANT.alerting, ["maintenance"], "medium", night) == (
        Told("ana", at("2031-03-08T06:00"), on_call=True),
    )


@pytest.mark.parametrize(
    ("night", "end"), [("2031-03-30T00:30", "2031-03-30T06:00"), ("2031-10-26T00:30", "2031-10-26T06:00")]
)
def test_quiet_hours_end_by_the_wall_clock_on_both_nights_of_the_clock(night: str, end: str) -> None:
    ana = told(PLANT.alerting, ["ana"], "low", at(night))
    assert ana == (Told("ana", at(end)),)


def test_a_person_told_by_name_and_by_turn_is_told_once_at_the_earlier_moment() -> None:
    now = at("2031-03-04T10:00")
    assert told(PLANT.alerting, ["ana", "maintenance", "ana"], "high", now) == (Told("ana", now),)


def test_nobody_is_there_on_closed_days() -> None:
    christmas = at("2031-12-24T10:00")  # a Wednesday
    assert not PLANT.attended.covers(christmas)
    assert PLANT.attended.next_start_s(christmas) == at("2032-01-02T06:00")
    assert told(PLANT.alerting, ["shift"], "high", christmas) == (Told("cleo", at("2032-01-02T06:00")),)


def test_priorities_areas_and_hours_choose_the_route() -> None:
    assert set(reached(PLANT.alerting, LOW, PLANT.attended, at("2031-03-04T10:00"))) == {"day", "book"}
    assert set(reached(PLANT.alerting, LOW, PLANT.attended, at("2031-03-04T23:00"))) == {"book"}
    only_hall_2 = {name: replace(route, areas=("hall-2",)) for name, route in PLANT.alerting.routes.items()}
    assert not reached(replace(PLANT.alerting, routes=only_hall_2), HIGH, PLANT.attended, at("2031-03-04T10:00"))


def test_hours_that_reach_nobody_are_joined() -> None:
    day_only = {"day": PLANT.alerting.routes["day"]}
    found = silent_hours(replace(PLANT.alerting, routes=day_only), HIGH, PLANT.attended, at("2031-03-03T00:00"))
    assert found[0] == (at("2031-03-03T00:00"), at("2031-03-03T06:00"))
    assert found[-1] == (at("2031-03-07T14:00"), at("2031-03-10T00:00"))
    assert not silent_hours(PLANT.alerting, HIGH, PLANT.attended, at("2031-03-03T00:00"))
