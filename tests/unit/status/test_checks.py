"""Hand checks that pay, what checks moved, and the account of losses: in the API and on the pages."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from monitor.model.checks import last_moves
from monitor.model.layout import BIAS
from monitor.plant.reading import Entry, EntryKind
from monitor.status.app import create_app
from monitor.status.checks import account_json, check_lines, day_lines, move_lines, say_coverage
from tests.fixtures.account import account
from tests.fixtures.board import NOW_S, FakeBoard, plant, snapshot
from tests.unit.model.runs import engine_over
from tests.unit.pipeline.shop import BEGIN_S, Machine


@pytest.fixture
def client() -> TestClient:
    return TestClient(create_app(FakeBoard(), open_without_token=True), base_url="http://127.0.0.1:8480")


def _text(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())


def test_the_api_lists_checks_by_worth(client: TestClient) -> None:
    told = client.get("/api/checks").json()["checks"]
    assert [one["sump"] for one in told] == ["lathe-04", "mill-11"]
    assert told[0] == {
        "sump": "lathe-04",
        "worth": 0.21,
        "chance_leaves_before_back": 0.45,
        "concentration_sd_pct": 0.31,
    }


def test_a_sump_tells_its_account_its_checks_and_its_coverage(client: TestClient) -> None:
    told = client.get("/api/sumps/lathe-04").json()
    assert told["interval_coverage"] == 0.83
    assert told["checks"][0]["offset_after_degbx"] == -0.11
    assert [day["day"] for day in told["losses"]] == ["2031-03-06", "2031-03-07"]


@pytest.mark.parametrize("day", account_json(account("lathe-04")))
def test_an_account_closes(day: dict[str, float]) -> None:
    left = day["start_l"] - day["evaporated_l"] - day["dragged_out_l"] - day["leaked_l"]
    left += day["valve_l"] + day["added_l"] - day["taken_out_l"] + day["unexplained_l"]
    assert left == pytest.approx(day["end_l"], abs=1e-9)


def test_the_page_names_the_checks_in_order(client: TestClient) -> None:
    said = _text(client.get("/checks").text)
    assert "2 checks worth making" in said
    assert said.index("lathe-04") < said.index("mill-11")
    assert "9 of 20 chances" in said


def test_without_checks_the_page_says_so() -> None:
    board = FakeBoard()
    board.picture = replace(board.snapshot(), checks=())
    client = TestClient(create_app(board, open_without_token=True), base_url="http://127.0.0.1:8480")
    assert "No check would change tonight" in _text(client.get("/checks").text)


def test_the_sump_page_says_what_a_check_moved(client: TestClient) -> None:
    said = _text(client.get("/sump/lathe-04").text)
    assert "7.6 % by hand moved the refractometer’s offset by -0.13 to -0.11 °Brix" in said
    assert "83 % did" in said
    assert "Losses day by day" in said


@pytest.mark.parametrize(("units", "unit"), [("metric", "L"), ("us", "US gal")])
def test_days_are_told_newest_first_in_the_plants_units(units: str, unit: str) -> None:
    works = plant(units)
    lines = day_lines(works, snapshot(works).sumps["lathe-04"])
    assert [line.day for line in lines] == ["Fri 7", "Thu 6"]
    assert all(unit in line.evaporated for line in lines)
    assert "unexplained" in lines[0].other
    assert lines[1].other == ""


def test_nothing_is_said_of_what_is_not_known() -> None:
    works = plant()
    view = replace(snapshot(works).sumps["lathe-04"], coverage=None, checks=(), days=())
    assert say_coverage(view) == ""
    assert move_lines(works, view, NOW_S) == []
    assert day_lines(works, view) == []


def test_a_sump_that_left_the_plant_file_is_left_out() -> None:
    works = plant()
    picture = snapshot(works)
    gone = replace(picture.checks[0], sump="gone-1")
    assert check_lines(works, replace(picture, checks=(gone,))) == []


def test_a_check_that_was_entered_is_said_with_what_it_did_to_the_estimate() -> None:
    """From the log book through the estimator to the line on the page: the offset moves by what the line says."""
    at_s = BEGIN_S + 20 * 3600.0
    check = Entry("c-1", "lathe-01", EntryKind.CHECK, at_s, at_s, value=7.4, unit="%")
    engine, without = (engine_over([Machine("lathe-01")], 21, entries) for entries in ([check], []))
    (move,) = engine.check_moves
    before, after = (one.at(BEGIN_S + 20.5 * 3600.0).mean[0, BIAS] for one in (without, engine))
    assert move.after_degbx - move.before_degbx == pytest.approx(after - before, abs=0.02)
    assert move.after_degbx - move.before_degbx > 0.1
    works = plant()
    view = replace(snapshot(works).sumps["lathe-04"], checks=last_moves(engine.check_moves)["lathe-01"])
    (line,) = move_lines(works, view, at_s)
    assert f"7.4 % by hand moved the refractometer’s offset by {move.after_degbx - move.before_degbx:+.2f}" in line
    assert f"before ± {move.sd_before_degbx:.2f}" in line
    assert move.sd_after_degbx < move.sd_before_degbx
