"""The addresses of the contract: what they serve is the snapshot, in one shape; what goes wrong is a problem."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from starlette.testclient import TestClient

from alerts.types import AlertState
from monitor.snapshot import SumpView
from tests.fixtures.board import NOW_S, STORIES, FakeBoard


def _sump(client: TestClient, name: str) -> dict[str, Any]:
    answer = client.get(f"/api/sumps/{name}")
    assert answer.status_code == 200
    found: dict[str, Any] = answer.json()
    return found


def test_every_sump_is_listed_in_the_order_of_the_plant_file(client: TestClient) -> None:
    body = client.get("/api/sumps").json()
    assert body["time"] == "2031-03-07T21:10:00+00:00"
    assert [sump["sump"] for sump in body["sumps"]] == [story.name for story in STORIES]


def test_a_sump_carries_the_numbers_of_the_snapshot(client: TestClient, board: FakeBoard) -> None:
    body, view = _sump(client, "lathe-04"), board.picture.sumps["lathe-04"]
    estimate, forecast = view.estimate, view.forecast
    assert forecast is not None
    for name in ("volume_l", "volume_sd_l", "concentration_pct", "concentration_sd_pct", "drag_out_l_per_day"):
        assert body[name] == pytest.approx(getattr(estimate, name), abs=1e-4)
    assert body["band_pct"] == [6.0, 10.0]
    assert body["forecast"]["exit_p50"] == pytest.approx(20.0)
    assert body["forecast"]["exit_p50_at"] == "2031-03-08T17:10:00+00:00"
    assert body["forecast"]["exit_side"] == "rich"
    assert body["forecast"]["dots_h"] == pytest.approx(list(forecast.dots_h), abs=1e-3)
    assert view.recipe is not None
    assert body["recipe"] == json.loads(json.dumps(view.recipe.as_json()))
    assert [alert["id"] for alert in body["alerts"]] == ["lathe-04-leaves_band_unattended-1"]


def test_signals_say_when_they_were_heard_and_whether_they_are_silent(client: TestClient) -> None:
    signals = {signal["signal"]: signal for signal in _sump(client, "saw-01")["signals"]}
    assert signals["refractometer"]["silent"]
    assert signals["refractometer"]["last_heard"] == "2031-03-07T16:10:00+00:00"
    assert not signals["level"]["silent"]
    assert signals["level"]["source"] == "hall-mqtt"


def test_a_sump_never_heard_has_nulls_and_no_forecast(client: TestClient) -> None:
    body = _sump(client, "mill-12")
    assert (body["known"], body["volume_l"], body["forecast"]) == (False, None, None)
    assert client.get("/api/sumps/mill-12/forecast").status_code == 404


def test_the_list_leaves_out_the_paths_and_the_forecast_has_one(client: TestClient) -> None:
    listed = client.get("/api/sumps").json()["sumps"][0]["forecast"]
    alone = client.get("/api/sumps/lathe-04/forecast").json()
    assert "path" not in listed
    assert len(alone["path"]["hours"]) == len(alone["path"]["volume_p50_l"])


def test_the_recipe_alone_is_the_recipe_of_the_contract(client: TestClient, board: FakeBoard) -> None:
    recipe = board.picture.sumps["mill-11"].recipe
    assert recipe is not None
    assert client.get("/api/sumps/mill-11/recipe").json() == json.loads(json.dumps(recipe.as_json()))


def test_a_sump_without_a_recipe_says_so(client: TestClient, board: FakeBoard) -> None:
    view = board.picture.sumps["lathe-09"]
    without = SumpView(view.sump, view.estimate, view.forecast, None)
    board.picture = replace(board.picture, sumps={**board.picture.sumps, "lathe-09": without})
    answer = client.get("/api/sumps/lathe-09/recipe")
    assert answer.status_code == 404
    assert "no recipe" in answer.json()["detail"]


def test_an_exit_at_the_horizon_has_hours_but_no_moment(client: TestClient, board: FakeBoard) -> None:
    view = board.picture.sumps["lathe-09"]
    assert view.forecast is not None
    far = replace(view.forecast, exit_p90_h=240.0)
    board.picture = replace(board.picture, sumps={**board.picture.sumps, "lathe-09": replace(view, forecast=far)})
    body = client.get("/api/sumps/lathe-09/forecast").json()
    assert (body["exit_p90"], body["exit_p90_at"]) == (240.0, None)


def test_history_gives_readings_estimates_entries_and_events(client: TestClient) -> None:
    span = {"from": "2031-03-03T00:00:00+00:00", "to": "2031-03-07T21:10:00Z", "points": "12"}
    body = client.get("/api/sumps/lathe-04/history", params=span).json()
    assert body["signals"]["level"]["unit"] == "mm"
    assert len(body["signals"]["level"]["points"]) == len(body["estimates"]) == 12
    assert [entry["kind"] for entry in body["entries"]] == ["top_up", "check"]
    assert [event["kind"] for event in body["events"]] == ["unlogged_top_up"]


def test_history_is_the_last_day_if_nothing_is_asked(client: TestClient) -> None:
    body = client.get("/api/sumps/lathe-04/history").json()
    assert (body["from"], body["to"]) == ("2031-03-06T21:10:00+00:00", "2031-03-07T21:10:00+00:00")


def test_a_plus_that_arrives_as_a_space_is_still_an_offset(client: TestClient) -> None:
    body = client.get("/api/sumps/lathe-04/history?from=2031-03-07T00:00:00+00:00").json()
    assert body["from"] == "2031-03-07T00:00:00+00:00"


@pytest.mark.parametrize(
    ("query", "word"),
    [
        ("from=yesterday", "is not a time"),
        ("from=0001-01-01T00:00:00%2B23:59", "1970 and 9999"),
        ("to=9999-12-31T23:59:59-23:59", "1970 and 9999"),
        ("from=2031-03-07T00:00:00", "has no offset"),
        ("from=2031-03-09T00:00:00Z", "before `to`"),
        ("to=nan", "is not a time"),
        ("points=1", "points"),
        ("points=99999", "points"),
        ("points=many", "points"),
    ],
)
def test_a_span_that_makes_no_sense_is_refused(client: TestClient, query: str, word: str) -> None:
    answer = client.get(f"/api/sumps/lathe-04/history?{query}")
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert word in answer.text


def test_alerts_and_mixing(client: TestClient) -> None:
    alerts = client.get("/api/alerts").json()["alerts"]
    assert {alert["state"] for alert in alerts} == {"unacknowledged", "acknowledged", "shelved"}
    demand = client.get("/api/mixing").json()["mixing"][0]
    assert (demand["fluid"], demand["sumps"][0]["volume_l"]) == ("semi-synthetic", 98.0)


def test_lists_follow_the_snapshot(client: TestClient, board: FakeBoard) -> None:
    first = client.get("/api/alerts").content
    assert client.get("/api/alerts").content == first
    board.picture = replace(board.picture, now_s=NOW_S + 60, alerts=())
    assert client.get("/api/alerts").json() == {"time": "2031-03-07T21:11:00+00:00", "alerts": []}


def test_an_alert_is_acknowledged(client: TestClient, board: FakeBoard) -> None:
    answer = client.post("/api/alerts/mill-11-outside_band-1/acknowledge", json={"who": "Rui"})
    assert (answer.status_code, answer.json()["state"]) == (200, "acknowledged")
    found = next(alert for alert in board.picture.alerts if alert.sump == "mill-11")
    assert (found.state, found.acknowledged_by) == (AlertState.ACKNOWLEDGED, "Rui")


def test_an_alert_is_acknowledged_with_an_empty_body(client: TestClient) -> None:
    assert client.post("/api/alerts/mill-11-outside_band-1/acknowledge").json()["acknowledged_by"] == "api"


@pytest.mark.parametrize(
    ("body", "until"),
    [
        ({"hours": 4, "reason": "waiting for the fluid"}, "2031-03-08T01:10:00+00:00"),
        ({"until": "2031-03-08T06:00:00+00:00", "reason": "x"}, "2031-03-08T06:00:00+00:00"),
    ],
)
def test_an_alert_is_shelved_for_a_time_with_a_reason(client: TestClient, body: dict[str, Any], until: str) -> None:
    answer = client.post("/api/alerts/mill-11-outside_band-1/shelve", json=body)
    assert answer.status_code == 200
    assert (answer.json()["state"], answer.json()["shelved_until"]) == ("shelved", until)


@pytest.mark.parametrize(
    ("body", "where"),
    [
        ({"hours": 4}, "reason"),
        ({"hours": 4, "reason": " "}, "reason"),
        ({"reason": "x"}, "until"),
        ({"reason": "x", "hours": -1}, "until"),
        ({"reason": "x", "hours": 500}, "until"),
        ({"reason": "x", "hours": "soon"}, "hours"),
        ({"reason": "x", "hours": [1]}, "until"),
        ({"reason": "x", "until": "2031-03-07"}, "until"),
        ({"reason": "x", "until": {"at": 1}}, "until"),
        ({"reason": "x", "hours": 4, "who": 7}, "who"),
    ],
)
def test_shelving_without_reason_or_end_is_refused(client: TestClient, body: dict[str, Any], where: str) -> None:
    answer = client.post("/api/alerts/mill-11-outside_band-1/shelve", json=body)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"] == where


@pytest.mark.parametrize("action", ["acknowledge", "shelve"])
def test_an_unknown_alert_is_not_found(client: TestClient, action: str) -> None:
    answer = client.post(f"/api/alerts/nothing/{action}", json={"hours": 1, "reason": "x"})
    assert answer.status_code == 404
    assert answer.json()["remedy"]


def test_live_and_ready(client: TestClient, board: FakeBoard) -> None:
    assert client.get("/health/live").json() == {"live": True}
    body = client.get("/health/ready").json()
    assert (body["ready"], body["rejected"], body["sources"][0]["state"]) == (True, 3, "up")
    assert body["sources"][0]["last_heard"] == "2031-03-07T21:09:48+00:00"
    board.fail("hall-mqtt: the broker refuses the password.", "Put the right one into its password_file.")
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert answer.headers["content-type"] == "application/problem+json"
    told = answer.json()
    assert (told["status"], told["ready"]) == (503, False)
    assert told["reasons"][0]["remedy"] == "Put the right one into its password_file."
    assert client.get("/health/live").status_code == 200


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nowhere", 404),
        ("GET", "/api/nowhere", 404),
        ("GET", "/api/sumps/none", 404),
        ("GET", "/api/sumps/none/history", 404),
        ("GET", "/api/sumps/..%2f..%2fetc", 404),
        ("GET", "/static/../app.py", 404),
        ("GET", "/static/nothing.css", 404),
        ("POST", "/api/sumps", 405),
        ("GET", "/api/entries", 405),
        ("DELETE", "/", 405),
        ("GET", "/docs", 404),
        ("GET", "/redoc", 404),
    ],
)
def test_every_error_is_a_problem(client: TestClient, method: str, path: str, status: int) -> None:
    answer = client.request(method, path)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert (body["type"], body["status"]) == ("about:blank", status)
    assert body["title"]
    assert body["detail"]
    assert body["instance"].startswith("/")


def test_an_error_of_our_own_is_a_problem_and_tells_no_secret(board: FakeBoard) -> None:
    from monitor.status.app import create_app

    def broken() -> None:
        raise ZeroDivisionError("the secret of the works")

    board.health = broken  # type: ignore[method-assign, assignment]
    app = create_app(board, open_without_token=True)
    with TestClient(app, base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        answer = client.get("/health/ready")
    assert (answer.status_code, answer.headers["content-type"]) == (500, "application/problem+json")
    assert "secret" not in answer.text


def test_the_report_on_alerts_is_of_the_span_that_is_asked_for(client: TestClient) -> None:
    body = client.get("/api/hygiene?from=2031-03-01T00:00:00Z&to=2031-03-08T00:00:00Z").json()
    assert (body["from"], body["to"]) == ("2031-03-01T00:00:00+00:00", "2031-03-08T00:00:00+00:00")
    assert body["acknowledged_share"] == 0.75
    assert client.get("/api/hygiene?from=2031-03-08T00:00:00Z&to=2031-03-01T00:00:00Z").status_code == 422


def test_the_openapi_document_names_every_address(client: TestClient) -> None:
    document = client.get("/openapi.json").json()
    assert set(document["paths"]) == {
        "/api/hygiene",
        "/api/sumps",
        "/api/sumps/{sump}",
        "/api/sumps/{sump}/history",
        "/api/sumps/{sump}/forecast",
        "/api/sumps/{sump}/recipe",
        "/api/alerts",
        "/api/mixing",
        "/api/checks",
        "/api/stream",
        "/api/entries",
        "/api/alerts/{alert_id}",
        "/api/alerts/{alert_id}/acknowledge",
        "/api/alerts/{alert_id}/unshelve",
        "/api/alerts/{alert_id}/out-of-service",
        "/api/alerts/{alert_id}/return-to-service",
        "/api/alerts/{alert_id}/shelve",
        "/health/live",
        "/health/ready",
        "/metrics",
    }
    for path in document["paths"].values():
        for operation in path.values():
            assert "application/problem+json" in operation["responses"]["default"]["content"]
    assert "volume" in json.dumps(document["paths"]["/api/entries"]["post"]["requestBody"])
