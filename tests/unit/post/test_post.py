"""Who is written to when an alert changes, what is said again and to whom, and the reports: also over restarts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from alerts.links import read_link
from alerts.types import Priority
from monitor.plant.people import Reports
from tests.unit.post.office import KEY, Office, at

MONDAY_NIGHT = at("2031-03-03T23:10")
MINUTE = 60.0


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    found = Office(tmp_path)
    yield found
    found.close()


def test_each_person_gets_one_message_and_a_repeat_writes_nothing(office: Office) -> None:
    alert = office.raise_alert(MONDAY_NIGHT)
    assert office.told() == [("ana", "unacknowledged"), ("log", "unacknowledged")]
    office.restart()
    moves = tuple(office.record.reader().transitions(0.0, 4e9))
    office.moved(moves, MONDAY_NIGHT + 5)
    assert len(office.told()) == 2
    assert {row["alert_id"] for row in office.rows()} == {alert.id}


def test_a_message_says_the_recipe_first_and_links_to_the_page(office: Office) -> None:
    alert = office.raise_alert(MONDAY_NIGHT)
    body = json.loads(office.rows()[0]["body"])
    assert body["text"].startswith("DO THIS\n1. Take out 95 L")
    assert body["text"].index("Lands at") < body["text"].index("lathe-04 is rich: 10.6 %.")
    assert len(body["short"]) <= 160
    token = body["text"].partition("/acknowledge/")[2].split()[0]
    claim = read_link(KEY, token, MONDAY_NIGHT + 60)
    assert (claim.alert_id, claim.who) == (alert.id, "Ana")
    assert f"/acknowledge/{token}" in body["html"]
    assert body["event"]["id"] == office.rows()[0]["event"]


def test_what_may_wait_is_held_over_quiet_hours_and_only_sent_if_still_open(office: Office) -> None:
    office.raise_alert(MONDAY_NIGHT, Priority.MEDIUM)
    ana = office.rows()[0]
    assert (ana["person"], ana["due_s"], ana["only_if_open"]) == ("ana", at("2031-03-04T06:00"), 1)


def test_nobody_acknowledges_so_others_are_told_and_reminded(office: Office) -> None:
    office.raise_alert(MONDAY_NIGHT)
    office.turn(MONDAY_NIGHT + 19 * MINUTE)
    assert len(office.told()) == 2
    office.turn(MONDAY_NIGHT + 20 * MINUTE)
    assert office.told()[2:] == [("ben", "escalate-1")]
    office.turn(MONDAY_NIGHT + 60 * MINUTE)
    assert office.told()[3:] == [("ana", "remind-1")]
    event = json.loads(office.rows()[3]["body"])["event"]
    assert event["type"] == "bandkeeper.alert.reminder"
    assert event["id"] == office.rows()[3]["event"]
    for hour in range(2, 12):
        office.turn(MONDAY_NIGHT + 3600.0 * hour)
    reminded = [what for person, what in office.told() if person == "ana" and what.startswith("remind")]
    assert reminded == [f"remind-{n}" for n in range(1, 7)]


def test_an_acknowledgement_ends_it(office: Office) -> None:
    alert = office.raise_alert(MONDAY_NIGHT)
    office.acknowledge(alert, "Ana", MONDAY_NIGHT + 5 * MINUTE)
    office.turn(MONDAY_NIGHT + 3600.0)
    assert office.told()[2:] == [("log", "acknowledged")], "programs hear of it, nobody is called"


def test_a_restart_in_the_middle_of_an_escalation_forgets_nothing_and_repeats_nothing(office: Office) -> None:
    office.raise_alert(MONDAY_NIGHT)
    office.restart()
    office.turn(MONDAY_NIGHT + 20 * MINUTE)
    office.restart()
    office.turn(MONDAY_NIGHT + 21 * MINUTE)
    assert office.told()[2:] == [("ben", "escalate-1")]


def test_whoever_is_on_call_when_it_is_due_is_reminded(office: Office) -> None:
    sunday = at("2031-03-09T23:30")
    office.raise_alert(sunday)
    office.turn(sunday + 3600.0)
    told = [one for one in office.told() if one[1] in {"unacknowledged", "remind-1"}]
    assert told == [("ana", "unacknowledged"), ("log", "unacknowledged"), ("ben", "remind-1")]


@pytest.mark.parametrize("change", ["2031-03-30T00:50", "2031-10-26T00:50"])
def test_minutes_are_minutes_on_the_nights_of_the_clock(office: Office, change: str) -> None:
    raised = at(change)
    office.raise_alert(raised)
    office.turn(raised + 20 * MINUTE - 1)
    assert ("ben", "escalate-1") not in office.told()
    office.turn(raised + 20 * MINUTE)
    assert ("ben", "escalate-1") in office.told()


@pytest.mark.parametrize("day", ["2031-03-31", "2031-10-27", "2031-03-04"])
def test_the_hand_over_comes_an_hour_before_the_end_once(office: Office, day: str) -> None:
    office.raise_alert(at(f"{day}T12:00"))
    office.turn(at(f"{day}T20:59"))
    assert not [row for row in office.rows() if row["event"].startswith("hand-over")]
    office.turn(at(f"{day}T21:00"))
    office.restart()
    office.turn(at(f"{day}T21:30"))
    reports = [row for row in office.rows() if row["event"].startswith("hand-over")]
    assert len(reports) == 1
    body = json.loads(reports[0]["body"])
    assert body["subject"].startswith("Now, so that nothing leaves its band before ")
    assert body["subject"].endswith(": 1 sump")
    assert "HALL-1\nlathe-04" in body["text"]
    assert "TAKE ALONG\n165 L of semi at 1 %" in body["text"]
    assert body["text"].count("lathe-04 (") == 1


def test_there_is_no_hand_over_where_nobody_leaves(office: Office) -> None:
    office.turn(at("2031-03-08T21:30"))  # a Saturday
    assert not office.told()


def test_the_morning_tells_what_happened_in_the_night(office: Office) -> None:
    alert = office.raise_alert(MONDAY_NIGHT)
    office.acknowledge(alert, "Ana", MONDAY_NIGHT + 60.0)
    office.turn(at("2031-03-04T06:00:30"))
    office.restart()
    office.turn(at("2031-03-04T06:20"))
    reports = [row for row in office.rows() if row["event"].startswith("morning")]
    assert [row["person"] for row in reports] == ["cleo", "ana"]
    text = json.loads(reports[0]["body"])["text"]
    assert text.startswith("TO DO NOW\nlathe-04 is rich: 10.6 %.")
    assert "SINCE MON 22:00\nMon 23:10: lathe-04 is rich: 10.6 %." in text
    office.turn(at("2031-03-05T12:00"))
    assert len([row for row in office.rows() if row["event"].startswith("morning")]) == 2, "late is not in the morning"


def test_all_is_well_once_a_period(tmp_path: Path) -> None:
    first = Office(tmp_path)
    alerting = replace(first.plant.alerting, reports=Reports(well_every_s=86400.0, well_to=("ben",)))
    first.close()
    office = Office(tmp_path, replace(first.plant, alerting=alerting))
    for hour in range(30):
        office.turn(1930262400.0 + 3600.0 * hour)
    assert office.told() == [("ben", "all-is-well"), ("ben", "all-is-well")]
    office.close()


def test_the_event_stream_gets_every_change(tmp_path: Path) -> None:
    office = Office(tmp_path, stream=True)
    alert = office.raise_alert(MONDAY_NIGHT)
    office.acknowledge(alert, "Ana", MONDAY_NIGHT + 60.0)
    assert [what for person, what in office.told() if person == "event stream"] == ["unacknowledged", "acknowledged"]
    office.close()


def test_a_reload_with_other_routes_tells_nobody_of_what_was_told(office: Office) -> None:
    office.raise_alert(MONDAY_NIGHT)
    more = {
        **office.plant.alerting.routes,
        "all": replace(office.plant.alerting.routes["urgent"], id="all", to=("ben",)),
    }
    office.plant = replace(office.plant, alerting=replace(office.plant.alerting, routes=more))
    office.restart()
    office.moved(tuple(office.record.reader().transitions(0.0, 4e9)), MONDAY_NIGHT + 60.0)
    assert len(office.told()) == 2


def test_the_month_is_told_once_in_its_first_days(office: Office) -> None:
    alert = office.raise_alert(MONDAY_NIGHT)
    office.acknowledge(alert, "Ana", MONDAY_NIGHT + 60.0)
    office.turn(at("2031-03-31T12:00"))
    assert not [row for row in office.rows() if row["event"].startswith("monthly")]
    office.turn(at("2031-04-01T05:30"))
    assert not [row for row in office.rows() if row["event"].startswith("monthly")], "nobody is there yet"
    for moment in ("2031-04-01T08:00", "2031-04-01T09:00", "2031-04-02T08:00", "2031-05-02T08:00"):
        office.restart()
        office.turn(at(moment))
    told = [row for row in office.rows() if row["event"].startswith("monthly")]
    assert [row["person"] for row in told] == ["cleo", "ana"], "and nothing of April, in which nothing was"
    body = json.loads(told[0]["body"])
    assert body["subject"] == "Alerts in March 2031: 1, 0 for nothing, 1 not called"
    assert "raised 1, acknowledged 1 (100 %), standing over 24 h 1" in body["text"]
    assert "lathe-04: 1 alerts, 0 for nothing, 1 not called, 0 on and off" in body["text"]


def test_a_month_that_is_long_over_is_not_told(office: Office) -> None:
    office.raise_alert(MONDAY_NIGHT)
    office.turn(at("2031-04-09T12:00"))
    assert not [row for row in office.rows() if row["event"].startswith("monthly")]
