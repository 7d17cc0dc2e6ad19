"""Last landings, minerals, the second best, the batch plan, set-aside fluid and labels: on the pages and in the API."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from alerts.landed import Verdict
from alerts.mixing import Known, make_demand
from alerts.outlook import Outlook
from alerts.setaside import Container
from alerts.station import PastPlans
from alerts.types import RecipeKind
from alerts.watching import LandingRecord, MixBias
from monitor.snapshot import Snapshot
from monitor.status.app import create_app
from tests.fixtures.board import NOW_S, FakeBoard

DAY = 86400.0


def a_landing() -> LandingRecord:
    return LandingRecord(
        id="lathe-04-landing-1",
        sump="lathe-04",
        time_s=NOW_S - DAY,
        kind=RecipeKind.TOP_UP,
        verdict=Verdict.LEAN,
        said_volume_l=380.0,
        said_pct=8.0,
        p10=7.8,
        p90=8.2,
        found_volume_l=379.0,
        found_pct=7.2,
        found_sd_pct=0.08,
        off_l=-1.0,
        off_pct=-0.8,
        who="Bruno",
        text="lathe-04 landed lean, at 7.2 % with 379 L.",
    )


def an_outlook() -> Outlook:
    return Outlook(
        what="hardness",
        unit="ppm",
        now=310.0,
        measured_s=NOW_S - DAY,
        limit=400.0,
        water="mains",
        steady=float("inf"),
        passes_s=NOW_S + 9 * DAY,
        early_s=NOW_S + 7 * DAY,
        late_s=float("inf"),
        soft_water="deionised",
        soft_share=None,
        text="Hardness is about 310 ppm.",
    )


def some_cans() -> tuple[Container, ...]:
    can = Container("can-7", "semi-synthetic", 60.0, 11.4, NOW_S - DAY, NOW_S + 13 * DAY, ("mill-11",))
    return (
        can,
        replace(can, id="can-8", blocked="it has stood for more than 14 days"),
        replace(can, id="can-9", not_lent="it came from mill-11, and its pH was 8.1, below 8.5: it may be fouled"),
    )


def a_picture(board: FakeBoard) -> Snapshot:
    views = [(board.plant.sumps[name], view.estimate, view.forecast) for name, view in board.picture.sumps.items()]
    past = {"semi-synthetic": PastPlans(3, 300.0, 200.0, 350.0, 0.14)}
    mixing = make_demand(board.plant, views, NOW_S, 5, Known(some_cans(), None, past))
    lathe, mill = board.picture.sumps["lathe-04"], board.picture.sumps["mill-11"]
    assert lathe.recipe is not None
    recipe = replace(lathe.recipe, instead=mill.recipe)
    lathe = replace(lathe, recipe=recipe, landings=(a_landing(),), minerals=(an_outlook(),))
    sumps = {**board.picture.sumps, "lathe-04": lathe}
    mixers = {"station": lean_mixer(), "Bruno": MixBias().learnt(0.1, 0.1)}
    return replace(board.picture, sumps=sumps, mixing=mixing, set_aside=some_cans(), mixers=mixers)


def lean_mixer() -> MixBias:
    bias = MixBias()
    for _ in range(10):
        bias = bias.learnt(-0.1, 0.02)
    return bias


@pytest.fixture
def open_board() -> FakeBoard:
    board = FakeBoard()
    board.picture = a_picture(board)
    return board


@pytest.fixture
def visitor(open_board: FakeBoard) -> Iterator[TestClient]:
    with TestClient(create_app(open_board, open_without_token=True), base_url="http://127.0.0.1") as client:
        yield client


def test_a_sumps_page_shows_its_last_landings_minerals_and_the_second_best(visitor: TestClient) -> None:
    page = visitor.get("/sump/lathe-04").text
    assert "<b>lean</b> lathe-04 landed lean, at 7.2 % with 379 L. By Bruno." in page
    assert "Hardness is about 310 ppm." in page
    assert 'id="instead"' in page
    assert "<summary>Or: Take out" in page or "<summary>Or: Put in" in page


def test_the_api_tells_landings_and_minerals_without_infinities(visitor: TestClient) -> None:
    told = visitor.get("/api/sumps/lathe-04").json()
    (landing,) = told["landings"]
    assert (landing["verdict"], landing["off_pct"], landing["who"]) == ("lean", -0.8, "Bruno")
    (mineral,) = told["minerals"]
    assert (mineral["steady"], mineral["passes_limit_late"], mineral["soft_share"]) == (None, None, None)
    assert mineral["passes_limit_at"].startswith("2031-03-16")


def test_the_mixing_page_shows_the_batches_the_window_after_and_the_past(
    visitor: TestClient, open_board: FakeBoard
) -> None:
    page = visitor.get("/mixing").text
    plan = open_board.picture.mixing["semi-synthetic"].plan
    assert plan is not None
    assert f"{len(plan.mixes)} mix" in page
    assert "from can-7" in page
    assert "from can-8" not in page
    assert "from can-9" not in page
    assert "The window after" in page
    assert "300 L were asked for (200 L could not wait) and 350 L went in: off by 14%" in page
    assert "interlocks decide" in page


def test_what_may_not_be_used_says_why(visitor: TestClient) -> None:
    for page in (visitor.get("/mixing").text, visitor.get("/labels").text):
        assert "Do not use: it has stood for more than 14 days. Waste by local rules." in page
        assert "Only back into mill-11: it came from mill-11, and its pH was 8.1" in page


def test_labels_say_what_a_label_must(visitor: TestClient) -> None:
    page = visitor.get("/labels").text
    assert page.count('class="label"') == 3
    for text in ("can-7", "semi-synthetic, 11.4 %", "60 L from mill-11", "Use by Thu 20 Mar"):
        assert text in page


def test_without_fluid_there_are_no_labels() -> None:
    with TestClient(create_app(FakeBoard(), open_without_token=True), base_url="http://127.0.0.1") as client:
        assert "No fluid is set aside" in client.get("/labels").text


def test_the_api_tells_the_set_aside_fluid(visitor: TestClient) -> None:
    cans = visitor.get("/api/mixing").json()["set_aside"]
    assert [(can["container"], can["volume_l"], bool(can["blocked"]), bool(can["not_lent"])) for can in cans] == [
        ("can-7", 60.0, False, False),
        ("can-8", 60.0, True, False),
        ("can-9", 60.0, False, True),
    ]


def test_an_empty_container_is_written_down_from_the_page(visitor: TestClient, open_board: FakeBoard) -> None:
    fields = {
        "sump": "mill-11",
        "kind": "check",
        "value": "11.4",
        "volume": "0",
        "container": "can-7",
        "back": "/mixing",
    }
    answer = visitor.post("/api/entries", data=fields, headers={"accept": "text/html"}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/mixing?said=logged")
    entry = open_board.record.book[-1]
    assert (entry.volume_l, entry.container, entry.is_of_container) == (0.0, "can-7", True)


def test_a_recipe_for_a_planned_moment(visitor: TestClient) -> None:
    planned = visitor.get("/api/sumps/lathe-04/recipe", params={"at": "2031-03-10T08:00:00+00:00"}).json()
    assert planned["for_time"] == "2031-03-10T08:00:00+00:00"
    now = visitor.get("/api/sumps/lathe-04").json()
    assert planned["from"]["volume_l"] < now["volume_l"]


@pytest.mark.parametrize("at", ["2031-03-01T08:00:00+00:00", "2031-06-01T08:00:00+00:00", "tomorrow"])
def test_a_moment_that_cannot_be_planned_says_why(visitor: TestClient, at: str) -> None:
    answer = visitor.get("/api/sumps/lathe-04/recipe", params={"at": at})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"] == "at"


def test_who_mixes_lean_is_said_where_it_is_sure(visitor: TestClient) -> None:
    page = visitor.get("/mixing").text
    assert "Mixes by station come out about 9 % lean" in page
    assert "Bruno" not in page
    told = {one["who"]: one["allowed_for"] for one in visitor.get("/api/mixing").json()["mixers"]}
    assert told == {"station": True, "Bruno": False}


def test_set_aside_fluid_never_goes_across_products(visitor: TestClient, open_board: FakeBoard) -> None:
    other = replace(some_cans()[0], fluid="emulsion")
    open_board.picture = replace(open_board.picture, set_aside=(other,))
    fields = {"sump": "lathe-04", "kind": "top_up", "volume_l": 40, "mix_pct": 4, "container": "can-7"}
    answer = visitor.post("/api/entries", json=fields)
    assert answer.status_code == 422
    assert "products are never mixed" in answer.json()["detail"]
    assert visitor.post("/api/entries", json={**fields, "container": "can-new"}).status_code == 201
