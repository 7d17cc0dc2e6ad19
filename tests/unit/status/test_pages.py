"""The pages: most urgent first, the snapshot's numbers in the plant's zone and units, from this server only."""

from __future__ import annotations

import html
import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import pytest
from starlette.testclient import TestClient

from alerts.reports import Seen, hand_over
from alerts.types import AlertKind, AlertState, Priority
from monitor.plant.quantity import L_PER_US_GAL
from monitor.plant.reading import Entry, EntryKind
from monitor.snapshot import Snapshot
from monitor.status import pages
from monitor.status.app import create_app
from monitor.status.tonight import tonight
from tests.fixtures.board import NOW_S, FakeBoard, alert, plant, snapshot

PAGES = [
    "/",
    "/sump/lathe-04",
    "/sump/mill-11",
    "/sump/mill-12",
    "/sump/saw-01",
    "/round",
    "/checks",
    "/mixing",
    "/sign-in",
]
VOID = {"meta", "link", "input", "br", "path", "rect"}


def _text(page: str) -> str:
    """Return what a page says, spaces made plain."""
    body = re.sub(r"<(script|style|svg)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


class _Nesting(HTMLParser):
    """Checks that elements close in order and collects ids."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.ids += [value for name, value in attrs if name == "id" and value]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag
        self.ids += [value for name, value in attrs if name == "id" and value]

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag, f"</{tag}> out of order"


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("path", PAGES)
def test_pages_are_well_formed_and_ask_nobody_else(path: str, units: str) -> None:
    with TestClient(create_app(FakeBoard(units), open_without_token=True), base_url="http://127.0.0.1") as client:
        answer = client.get(path)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/html")
    assert "//" not in answer.text
    assert not re.search(r"\sstyle=|<style|\son\w+=|javascript:", answer.text)
    nesting = _Nesting()
    nesting.feed(answer.text)
    assert nesting.open == []
    assert len(nesting.ids) == len(set(nesting.ids))


def test_static_files_ask_nobody_else(client: TestClient) -> None:
    for name in ("page.css", "live.js", "mark.svg"):
        text = client.get(f"/static/{name}").text.replace("http://www.w3.org/2000/svg", "")
        text = re.sub(r"^\s*//.*$", "", text, flags=re.MULTILINE)
        assert "//" not in text
        assert "@import" not in text


def test_tonight_says_who_needs_somebody_most_urgent_first(client: TestClient) -> None:
    page = client.get("/").text
    assert "3 sumps need somebody" in _text(page)
    assert "Somebody is there until 22:00, then not before Mon 06:00." in _text(page)
    order = re.findall(r'id="row-([\w-]+)"', page)
    assert order == ["mill-11", "lathe-04", "grinder-02", "saw-01", "mill-07"]


def test_tonight_says_in_words_what_the_dots_show(client: TestClient) -> None:
    text = _text(client.get("/").text)
    assert "Likely too rich Sat 17:10" in text
    assert "20 of 20 chances before Mon 06:00" in text
    assert "Too rich now" in text
    assert "Refractometer silent" in text
    assert "1 of 20 chances before Mon 06:00" in text


def test_the_numbers_on_the_page_are_the_snapshots(client: TestClient) -> None:
    text = _text(client.get("/").text)
    assert "9.6 % (keep 6 to 10) 262 L of 400 L" in text
    assert "10.6 % (keep 6 to 10) 431 L of 600 L" in text


def test_the_recipe_is_on_the_opening_page_with_its_cautions(client: TestClient, board: FakeBoard) -> None:
    page = client.get("/").text
    recipe = board.picture.sumps["mill-11"].recipe
    assert recipe is not None
    part = page[page.index('id="recipe-mill-11"') :]
    part = _text(part[: part.index("</details>")])
    assert "Add 8 buckets of 20 L" in part
    assert "Lands at 8.0 %" in part
    assert all(caution in part for caution in recipe.cautions)


def test_a_quiet_evening_says_so(board: FakeBoard) -> None:
    board.picture = snapshot(board.plant, with_alerts=False)
    with TestClient(create_app(board, open_without_token=True), base_url="http://127.0.0.1") as client:
        text = _text(client.get("/").text)
        calm = {name: view for name, view in board.picture.sumps.items() if name in {"lathe-09", "mill-07"}}
        board.picture = replace(board.picture, sumps=calm)
        walked = _text(client.get("/round").text)
    assert "No sump needs anybody" in text
    assert "Next to leave" in text
    assert "No round needed" in walked


def test_an_empty_snapshot_is_a_page_too(client: TestClient, board: FakeBoard) -> None:
    board.picture = Snapshot(now_s=NOW_S)
    assert "No sump needs anybody" in _text(client.get("/").text)
    assert client.get("/sump/lathe-04").status_code == 404
    assert "Nothing to mix" in client.get("/mixing").text


def test_everybody_at_work_on_it(board: FakeBoard) -> None:
    alerts = tuple(
        replace(a, state=AlertState.ACKNOWLEDGED) for a in board.picture.alerts if a.state is not AlertState.SHELVED
    )
    page = tonight(board.plant, replace(board.picture, alerts=alerts))
    assert page.verdict == "4 sumps are being dealt with"


def test_a_cleared_or_shelved_alert_needs_nobody(board: FakeBoard) -> None:
    alerts = tuple(replace(a, cleared_s=NOW_S) for a in board.picture.alerts if a.sump != "press-03")
    page = tonight(board.plant, replace(board.picture, alerts=alerts))
    assert page.needs == ()
    assert page.verdict == "No sump needs anybody"


def test_two_alerts_of_a_sump_are_one_row_with_both_texts(client: TestClient, board: FakeBoard) -> None:
    more = alert("lathe-04", AlertKind.LOSS_JUMP, Priority.HIGH, "lathe-04 loses more than before: look for a leak.")
    board.picture = replace(board.picture, alerts=(*board.picture.alerts, more))
    page = client.get("/").text
    assert page.count('id="row-lathe-04"') == 1
    text = _text(page)
    assert "Loses more than before" in text
    assert "look for a leak" in text
    assert "goes rich" in text


def test_the_sump_page_tells_now_why_and_what_was_done(client: TestClient) -> None:
    text = _text(client.get("/sump/lathe-04").text)
    assert "262 L of 400 L, 210 mm on the gauge; lowest 200 L" in text
    assert "Evaporates 21 L a day" in text
    assert "Carried out 5.0 L a day" in text
    assert "Thu 14:10 about 42 L at 3.1 % went in (noticed, not logged)" in text
    assert "topped up 60 L at 4 % (two buckets)" in text
    assert "hand check 8.9 %" in text
    assert "level heard 2 min ago" in text


def test_us_units_throughout() -> None:
    with TestClient(create_app(FakeBoard("us"), open_without_token=True), base_url="http://127.0.0.1") as client:
        for path in ("/", "/sump/lathe-04", "/round", "/mixing"):
            text = _text(client.get(path).text)
            assert "US gal" in text
            assert not re.search(r"\d (L|mL|mm)\b", text), re.findall(r".{30}\d (?:L|mL|mm)\b.{10}", text)


def test_the_form_is_filled_in_from_the_recipe(client: TestClient) -> None:
    page = client.get("/sump/mill-11").text
    form = page[page.index('id="log-add"') :]
    assert re.search(r'name="volume"[^>]* value="160"', form)
    assert re.search(r'name="mix_pct"[^>]* value="1"', form)


def test_each_visit_has_form_ids_of_its_own(client: TestClient) -> None:
    ids = [re.findall(r'name="id" value="([\w-]+)"', client.get("/sump/lathe-04").text) for _ in range(2)]
    assert len({*ids[0], *ids[1]}) == 6


def test_what_people_wrote_is_shown_not_run(client: TestClient, board: FakeBoard) -> None:
    note = "<script>alert(1)</script>"
    board.record.book.append(Entry("x-1", "lathe-04", EntryKind.REMOVAL, NOW_S - 60, NOW_S, 3.0, note=note))
    page = client.get("/sump/lathe-04").text
    assert note not in page
    assert html.escape(note) in page


def test_what_was_logged_this_moment_is_shown(client: TestClient) -> None:
    client.post("/api/entries", json={"sump": "lathe-04", "kind": "removal", "volume": 7})
    assert "21:10 took out 7.0 L" in _text(client.get("/sump/lathe-04?said=logged").text)


def test_said_is_one_of_our_own_sentences(client: TestClient) -> None:
    assert "Written down." in client.get("/sump/lathe-04?said=logged").text
    assert "<b>x" not in client.get("/sump/lathe-04?said=<b>x").text


def test_the_round_walks_by_area_and_adds_up_the_cart(client: TestClient) -> None:
    page = client.get("/round").text
    assert re.findall(r"<h2>(hall-\d)</h2>", page) == ["hall-1", "hall-2", "hall-3"]
    text = _text(page)
    assert "4 stops before 22:00" in text
    assert "160 L of semi-synthetic at 1 %, deionised water" in text
    assert text.count("Wear gloves") == 1
    assert page.count('type="checkbox"') == 4


def test_the_round_lists_what_the_hand_over_message_lists_and_leaves_out_what_is_aside(board: FakeBoard) -> None:
    board.picture = replace(board.picture, alerts=tuple(a for a in board.picture.alerts if a.sump == "press-03"))
    with TestClient(create_app(board, open_without_token=True), base_url="http://127.0.0.1") as client:
        text = _text(client.get("/round").text)
        names = re.findall(r'name="done-([a-z0-9-]+)"', client.get("/round").text)
    assert "lathe-04" in names, "no alert, but it is likely enough to leave its band"
    assert "press-03" not in names, "its alert is shelved"
    assert "to leave its band before Mon 06:00." in text
    hand = hand_over(board.plant, seen_of(board), board.picture.alerts, board.now_s, "h")
    assert [name for name in names if f"{name} (" in hand.text] == names


def seen_of(board: FakeBoard) -> dict[str, Seen]:
    return {view.sump: Seen(view.estimate, view.forecast, view.recipe) for view in board.picture.sumps.values()}


def test_the_mixing_page_tells_the_demand(client: TestClient) -> None:
    text = _text(client.get("/mixing").text)
    assert "98 L at 3.5 %" in text
    assert "3.43 L concentrate into 95 L water" in text or "3.43 L concentrate into 94.6 L water" in text
    assert "Demand no. 12" in text
    assert "interlocks decide" in text


def test_a_sick_watch_is_told_on_every_page(client: TestClient, board: FakeBoard) -> None:
    board.fail("The database is read-only.", "Make it writable.")
    for path in ("/", "/sump/lathe-04", "/round", "/mixing"):
        text = _text(client.get(path).text)
        assert "The watch itself needs help" in text
        assert "Make it writable." in text


def test_buttons_work_without_a_program(client: TestClient, board: FakeBoard) -> None:
    page = client.get("/").text
    action = re.search(r'action="(/api/alerts/mill-11[^"]*/acknowledge)"', page)
    assert action
    answer = client.post(action[1], data={"back": "/"}, headers={"accept": "text/html"})
    assert answer.status_code == 200
    assert "2 sumps need somebody" in _text(answer.text)


def test_unknown_pages_are_pages_for_people(client: TestClient) -> None:
    answer = client.get("/sump/none", headers={"accept": "text/html"})
    assert (answer.status_code, answer.headers["content-type"]) == (404, "text/html; charset=utf-8")
    assert "no sump" in html.unescape(answer.text)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_an_estimate_gone_wrong_never_breaks_the_page(units: str) -> None:
    board = FakeBoard(units)
    view = board.picture.sumps["lathe-04"]
    odd = replace(
        view.estimate, volume_l=9e9, concentration_pct=0.0, evaporation_l_per_day=-3.0, drag_out_l_per_day=0.0
    )
    lost = replace(view.estimate, known=False, volume_l=math.nan, concentration_pct=math.nan)
    for estimate in (odd, lost):
        views = {**board.picture.sumps, "lathe-04": replace(view, estimate=estimate, forecast=None, recipe=None)}
        board.picture = replace(board.picture, sumps=views)
        with TestClient(create_app(board, open_without_token=True), base_url="http://127.0.0.1") as client:
            for path in ("/", "/sump/lathe-04", "/round", "/api/sumps", "/metrics"):
                answer = client.get(path)
                assert answer.status_code == 200
                assert "nan" not in answer.text.lower()


def test_the_fixture_is_the_plant_it_says() -> None:
    assert plant().zone == "Europe/Lisbon"
    assert plant("us").units == "us"


def test_the_form_is_filled_in_with_the_plants_own_units() -> None:
    board = FakeBoard("us")
    recipe = board.picture.sumps["mill-11"].recipe
    assert recipe is not None
    poured = next(step.volume_l for step in recipe.steps if step.do == "add")
    with TestClient(create_app(board, open_without_token=True), base_url="http://127.0.0.1") as client:
        page = client.get("/sump/mill-11").text
        form = page[page.index('id="log-add"') :]
        typed = re.search(r'name="volume"[^>]* value="([\d.]+)"', form)
        assert typed
        assert poured is not None
        assert float(typed[1]) == pytest.approx(poured / L_PER_US_GAL, abs=0.005)
        fields = {"sump": "mill-11", "kind": "top_up", "volume": typed[1], "volume_unit": "US gal", "mix_pct": "1"}
        client.post("/api/entries", data=fields)
    assert board.record.book[-1].volume_l == pytest.approx(poured, abs=0.02)


def test_the_opening_page_is_made_once_for_each_snapshot(monkeypatch: pytest.MonkeyPatch) -> None:
    board, made = FakeBoard(), []

    def counted(*args: Any) -> Any:
        made.append(args)
        return tonight(*args)

    monkeypatch.setattr(pages, "tonight", counted)
    client = TestClient(create_app(board, open_without_token=True), base_url="http://127.0.0.1")
    first = client.get("/").content
    assert client.get("/").content == first
    assert len(made) == 1
    board.picture = replace(board.picture, now_s=board.picture.now_s + 900.0)
    assert client.get("/").content != first
    assert len(made) == 2
    board.fail("the disk is full", "make room")
    assert client.get("/").content != first
    assert len(made) == 3


def test_the_opening_page_is_packed_for_who_takes_it_packed() -> None:
    client = TestClient(create_app(FakeBoard(), open_without_token=True), base_url="http://127.0.0.1")
    packed = client.get("/", headers={"Accept-Encoding": "gzip"})
    plain = client.get("/", headers={"Accept-Encoding": "identity"})
    assert packed.headers["content-encoding"] == "gzip"
    assert "content-encoding" not in plain.headers
    assert packed.headers["vary"] == plain.headers["vary"] == "Accept-Encoding"
    assert packed.content == plain.content
    assert int(packed.headers["content-length"]) < len(plain.content) / 2
