"""Alerts over the API and the page: what somebody does to one, where it stands then, and the rows that tell of it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from alerts.types import Alert, AlertKind, AlertState, Priority
from monitor.status.app import create_app
from tests.fixtures.board import NOW_S, FakeBoard, alert

LEAVES = "lathe-04-leaves_band_unattended-1"
BASE = "/api/alerts/" + LEAVES


@pytest.fixture
def board() -> FakeBoard:
    return FakeBoard()


@pytest.fixture
def client(board: FakeBoard) -> Iterator[TestClient]:
    with TestClient(create_app(board, open_without_token=True), base_url="http://127.0.0.1") as found:
        yield found


def own_fault() -> Alert:
    text = "only 20 MB are free beside bandkeeper.db: make room on the disk."
    return replace(alert("", AlertKind.OWN_FAULT, Priority.MEDIUM, text), id="own-fault-disk-1", subject="disk")


def test_an_alert_goes_out_of_service_and_back_with_a_row_for_each(client: TestClient) -> None:
    out = client.post(f"{BASE}/out-of-service", json={"reason": "gauge being replaced", "who": "Ida"}).json()
    assert (out["state"], out["shelved_reason"], out["aside_by"]) == ("out_of_service", "gauge being replaced", "Ida")
    assert out["aside_since"] == "2031-03-07T21:10:00+00:00"
    assert [one["id"] for one in client.get("/api/alerts?state=out_of_service").json()["alerts"]] == [LEAVES]
    back = client.post(f"{BASE}/return-to-service", json={"who": "Rui"}).json()
    assert (back["state"], back["shelved_reason"], back["aside_since"]) == ("unacknowledged", "", None)
    told = client.get(BASE).json()
    assert told["state"] == "unacknowledged"
    assert [(one["event"], one["before"], one["after"], one["reason"]) for one in told["transitions"]] == [
        ("out_of_service", "unacknowledged", "out_of_service", "out of service by Ida: gauge being replaced"),
        ("returned_to_service", "out_of_service", "unacknowledged", "returned to service by Rui"),
    ]


def test_a_shelved_alert_comes_back_early(client: TestClient) -> None:
    (shelved,) = client.get("/api/alerts?state=shelved").json()["alerts"]
    back = client.post(f"/api/alerts/{shelved['id']}/unshelve", json={"who": "Ida"}).json()
    assert (back["state"], back["shelved_until"]) == ("unacknowledged", None)
    assert client.get("/api/alerts?state=shelved").json()["alerts"] == []


@pytest.mark.parametrize(
    "body", [{}, {"reason": ""}, {"reason": " "}, {"reason": 7}, {"reason": "x" * 300}, {"reason": "a\nb"}]
)
def test_out_of_service_wants_a_reason(client: TestClient, body: dict[str, object]) -> None:
    answer = client.post(f"{BASE}/out-of-service", json=body)
    assert (answer.status_code, answer.json()["errors"][0]["where"]) == (422, "reason")


@pytest.mark.parametrize("who", [7, "x" * 300, "a\x1b[31m", "\ud800", "a\nb"])
def test_who_acts_is_a_name(client: TestClient, who: object) -> None:
    answer = client.post(f"{BASE}/acknowledge", content=json.dumps({"who": who}))
    assert (answer.status_code, answer.json()["errors"][0]["where"]) == (422, "who")


@pytest.mark.parametrize("deed", ["unshelve", "return-to-service"])
def test_what_the_state_does_not_allow_is_a_conflict_that_says_the_state(client: TestClient, deed: str) -> None:
    answer = client.post(f"{BASE}/{deed}", json={"who": "Ida"})
    assert answer.status_code == 409
    assert f"{LEAVES} is unacknowledged" in answer.json()["detail"]
    assert answer.json()["remedy"]


@pytest.mark.parametrize("deed", ["unshelve", "return-to-service", "out-of-service"])
def test_an_alert_that_is_not_there_is_not_found(client: TestClient, deed: str) -> None:
    assert client.post(f"/api/alerts/nothing/{deed}", json={"reason": "x"}).status_code == 404
    assert client.get("/api/alerts/nothing").status_code == 404


def test_a_state_that_does_not_exist_is_refused_by_name(client: TestClient) -> None:
    answer = client.get("/api/alerts?state=asleep")
    assert (answer.status_code, answer.json()["errors"][0]["where"]) == (422, "state")


def test_a_closed_alert_is_still_told_from_the_record(client: TestClient, board: FakeBoard) -> None:
    client.post(f"{BASE}/acknowledge", json={"who": "Ida"})
    board.picture = replace(board.picture, alerts=())
    told = client.get(BASE).json()
    assert (told["acknowledged_by"], len(told["transitions"])) == ("Ida", 1)


@pytest.mark.parametrize(("scope", "status"), [("read", 403), ("act", 200), ("admin", 200)])
def test_who_may_act_may_take_out_of_service(scope: str, status: int) -> None:
    board = FakeBoard(tokens={"t": scope})
    with TestClient(create_app(board, open_without_token=False)) as client:
        answer = client.post(f"{BASE}/out-of-service", json={"reason": "gauge"}, headers={"Authorization": "Bearer t"})
    assert answer.status_code == status


def test_the_page_lists_what_is_aside_by_state_with_reason_and_a_way_back(client: TestClient, board: FakeBoard) -> None:
    board.take_out_of_service(LEAVES, "gauge being replaced", "Ida")
    dry = replace(
        alert("mill-07", AlertKind.OUTSIDE_BAND, Priority.HIGH, "mill-07 is low."),
        state=AlertState.SUPPRESSED_BY_DESIGN,
        shelved_reason="emptied for cleaning by Rui, Fri 20:00",
        aside_s=NOW_S - 3600.0,
    )
    board.picture = replace(board.picture, alerts=(*board.picture.alerts, dry))
    page = client.get("/").text
    for heading in ("Put aside for a time: 1", "Quiet by design: 1", "Out of service: 1"):
        assert f"<summary>{heading}</summary>" in page
    assert "Out of service since 21:10 by Ida: gauge being replaced." in page
    assert "Quiet by design since 20:10: emptied for cleaning by Rui, Fri 20:00." in page
    assert f'action="{BASE}/return-to-service"' in page
    assert f'action="{BASE.replace("lathe-04", "press-03")}/unshelve"' in page
    assert 'action="/api/alerts/mill-07-outside_band-1/' not in page, "what is quiet by design comes by itself"
    answer = client.post(f"{BASE}/return-to-service", data={"back": "/"}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert "Out of service:" not in client.get("/").text


def test_troubles_of_the_watch_itself_have_a_row_on_the_page_and_in_the_list(
    client: TestClient, board: FakeBoard
) -> None:
    board.picture = replace(board.picture, alerts=(*board.picture.alerts, own_fault()))
    listed = {one["id"]: one for one in client.get("/api/alerts").json()["alerts"]}
    assert (listed["own-fault-disk-1"]["sump"], listed["own-fault-disk-1"]["kind"]) == ("", "own_fault")
    page = client.get("/").text
    row = re.search(r'<li class="row own medium" id="own-1">.*?</li>', page, re.DOTALL)
    assert row is not None
    assert "make room on the disk." in row[0]
    assert 'action="/api/alerts/own-fault-disk-1/acknowledge"' in row[0]
    client.post("/api/alerts/own-fault-disk-1/shelve", json={"reason": "new disk comes", "hours": 4})
    page = client.get("/").text
    assert 'id="own-1"' not in page
    assert "The watch: only 20 MB are free" in page
