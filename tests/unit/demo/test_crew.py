"""The people: they do what the recipe says as people do, write some of it down, and compare afterwards."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config_demo.crew import Crew, Person, as_people_measure
from config_demo.story import NATURES, START_S, UNTOUCHED, at
from config_demo.world import World

ALWAYS = Person("Ada", ("08:00",), "http", 1.0, checks="07:00")
NEVER = Person("Bo", ("08:00",), "mqtt", 0.0)


def recipe(sump: str, *steps: dict[str, Any], **more: Any) -> dict[str, Any]:
    lands = {"volume_l": 380.0, "concentration_pct": 8.1, "p10": 7.8, "p90": 8.4, "in_band_probability": 0.99}
    return {"sump": sump, "kind": "top_up", "steps": list(steps), "lands": lands, "instead": None, **more}


def alert(sump: str, kind: str = "leaves_band_unattended", **more: Any) -> dict[str, Any]:
    return {"id": f"{sump}-1", "sump": sump, "kind": kind, "state": "unacknowledged", "cleared_at": None, **more}


class Papers:
    """A desk and a display that hold what a test puts on them."""

    def __init__(self) -> None:
        self.recipes: dict[str, dict[str, Any]] = {}
        self.listed: list[dict[str, Any]] = []
        self.entries: list[Mapping[str, Any]] = []
        self.seen: list[tuple[str, str]] = []

    def recipe(self, sump: str) -> dict[str, Any] | None:
        return self.recipes.get(sump)

    def sump(self, sump: str) -> dict[str, Any]:
        return {"sump": sump, "volume_l": 379.0, "concentration_pct": 8.05}

    def alerts(self) -> list[dict[str, Any]]:
        return self.listed

    def log(self, entry: Mapping[str, Any]) -> None:
        self.entries.append(entry)

    def acknowledge(self, alert_id: str, who: str) -> None:
        self.seen.append((alert_id, who))


@pytest.fixture
def papers() -> Papers:
    return Papers()


@pytest.fixture
def world() -> World:
    return World(NATURES, dict.fromkeys(NATURES, lambda _: False), start_s=at(0, "08:00"), zone="Europe/Lisbon", seed=2)


@pytest.fixture
def crew(papers: Papers, world: World) -> Crew:
    return Crew(world, papers, papers, lambda _line: None, people=(ALWAYS, NEVER))


ADD = {"do": "add", "volume_l": 61.3, "mix_pct": 2.0, "water": "deionised"}


def test_a_top_up_is_poured_nearly_as_told_and_logged(crew: Crew, papers: Papers, world: World) -> None:
    papers.recipes["gannet"] = recipe("gannet", ADD, {"do": "circulate", "minutes": 20}, {"do": "measure"})
    papers.listed = [alert("gannet")]
    before = world.sumps["gannet"].fill
    crew.go_round(ALWAYS, first_day=False)
    poured = world.sumps["gannet"].ledger.poured_in
    assert poured.volume_l == pytest.approx(61.0, rel=0.05)
    assert poured.pct == pytest.approx(2.0, rel=0.1)
    assert world.sumps["gannet"].fill == before.plus(poured)
    [entry] = papers.entries
    assert (entry["kind"], entry["sump"], entry["volume_l"], entry["mix_pct"]) == ("top_up", "gannet", 61.0, 2.0)
    assert papers.seen == [("gannet-1", "Ada")]
    [act] = crew.acts
    assert (act.said_pct, act.said_p10, act.said_p90, act.logged) == (8.1, 7.8, 8.4, True)
    assert act.twin is not None
    assert act.twin.fill == before


def test_somebody_who_logs_nothing_pours_all_the_same(crew: Crew, papers: Papers, world: World) -> None:
    papers.recipes["gannet"] = recipe("gannet", {"do": "take_out", "volume_l": 95.0}, ADD)
    papers.listed = [alert("gannet", "outside_band")]
    crew.go_round(NEVER, first_day=False)
    book = world.sumps["gannet"].ledger
    assert book.taken_out.volume_l == pytest.approx(95.0, rel=0.05)
    assert book.poured_in.volume_l == pytest.approx(61.0, rel=0.05)
    assert papers.entries == []
    assert not crew.poured[0].logged


@pytest.mark.parametrize(
    "listed",
    [
        [],
        [alert("gannet", "signal_silent")],
        [alert("gannet", cleared_at="2031-03-05T07:00:00+00:00")],
        [alert(UNTOUCHED)],
    ],
)
def test_nobody_acts_without_an_open_alert_that_asks_for_hands(
    crew: Crew, papers: Papers, world: World, listed: list[dict[str, Any]]
) -> None:
    papers.recipes = {name: recipe(name, ADD) for name in ("gannet", UNTOUCHED)}
    papers.listed = listed
    crew.go_round(ALWAYS, first_day=False)
    assert all(sump.ledger.poured_in.volume_l == 0.0 for sump in world.sumps.values())


def test_what_must_wait_is_left_and_what_can_be_done_instead_is_done(crew: Crew, papers: Papers, world: World) -> None:
    later = {"do": "wait_until", "time": "2031-03-05T20:00:00+00:00"}
    papers.recipes["gannet"] = recipe("gannet", later, ADD, kind="run_down_then_fill")
    papers.listed = [alert("gannet")]
    crew.go_round(ALWAYS, first_day=False)
    assert crew.acts == []
    papers.recipes["gannet"]["instead"] = recipe("gannet", ADD)
    crew.go_round(ALWAYS, first_day=False)
    assert [act.kind for act in crew.acts] == ["top_up"]
    assert world.sumps["gannet"].ledger.poured_in.volume_l > 50.0


def test_looking_finds_the_leak(crew: Crew, papers: Papers, world: World) -> None:
    papers.recipes["osprey"] = recipe("osprey", {"do": "look", "what": "hoses"}, kind="look_for_leak")
    papers.listed = [alert("osprey", "loss_jump")]
    crew.go_round(ALWAYS, first_day=False)
    assert world.sumps["osprey"].nature.leak is None
    assert [sump for sump, _ in crew.mended] == ["osprey"]
    assert crew.acts == []


def test_the_check_round_measures_all_but_the_locked_one(crew: Crew, papers: Papers, world: World) -> None:
    world.now_s = at(0, "07:00")
    crew.go_round(ALWAYS, first_day=True)
    assert {entry["sump"] for entry in papers.entries} == NATURES.keys() - {UNTOUCHED}
    for entry in papers.entries:
        assert entry["kind"] == "check"
        assert entry["value"] == pytest.approx(world.sumps[entry["sump"]].fill.pct, abs=0.4)


def test_a_landing_is_compared_once_it_has_settled(crew: Crew, papers: Papers, world: World) -> None:
    papers.recipes["gannet"] = recipe("gannet", ADD)
    papers.listed = [alert("gannet")]
    crew.go_round(ALWAYS, first_day=False)
    assert crew.settled() == []
    world.now_s += 3600.0
    [act] = crew.settled()
    assert act.landed
    truth_pct = world.sumps["gannet"].fill.pct
    assert act.truth_pct == truth_pct
    assert act.estimate_pct == 8.05
    assert act.inside == (7.8 <= truth_pct <= 8.4)
    assert crew.settled() == []


def test_rounds_are_on_working_days_only(crew: Crew, world: World) -> None:
    assert crew.due(world.local(at(0, "08:00"))) == [ALWAYS, NEVER]
    assert crew.due(world.local(at(0, "07:00"))) == [ALWAYS]
    assert crew.due(world.local(at(0, "08:01"))) == []
    assert crew.due(world.local(at(3, "08:00"))) == []
    assert at(0, "07:00") > START_S


@given(st.floats(0.01, 2000.0))
def test_people_round_by_little(volume_l: float) -> None:
    rounded = as_people_measure(volume_l)
    assert rounded > 0.0
    assert abs(rounded - volume_l) <= (0.5 if volume_l >= 10.0 else 0.25 if volume_l >= 1.0 else 0.1) + 1e-9
