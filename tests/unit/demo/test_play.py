"""A day of the invented works without a daemon: what befalls it, what is sent, what its people do."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

import config_demo
from config_demo.crew import Crew
from config_demo.gate import Gate
from config_demo.instruments import Said
from config_demo.play import Play
from config_demo.story import START_S, at
from config_demo.watch import Watch, limits_of
from config_demo.works import instruments_of, world_of
from monitor.plant.file import load_plant
from tests.unit.demo import pictures
from tests.unit.demo.test_crew import ADD, Papers, alert, recipe


class Collector:
    """A feed that keeps what it is given."""

    def __init__(self) -> None:
        self.said: list[Said] = []

    def send(self, said: Iterable[Said]) -> None:
        self.said.extend(said)

    def close(self) -> None:
        self.said.clear()


class Scene:
    def __init__(self, seed: int = 1) -> None:
        plant = load_plant(Path(config_demo.__file__).parent / "works.toml")
        self.world = world_of(plant, start_s=START_S, seed=seed)
        self.feeds = {source: Collector() for source in plant.sources}
        self.papers, self.told = Papers(), list[str]()
        gate = Gate(lambda: 0, lambda: 0, lambda: self.world.now_s, lambda: self.world.now_s, lambda: False)
        self.play = Play(
            world=self.world,
            instruments=instruments_of(plant, self.world),
            feeds=self.feeds,
            crew=Crew(self.world, self.papers, self.papers, self.told.append),
            watch=Watch(self.world, limits_of(plant), plant.attended.covers, START_S),
            gate=gate,
            picture=lambda: pictures.snapshot("gannet"),
            tell=self.told.append,
        )

    def until(self, end_s: float) -> None:
        while self.world.now_s < end_s:
            self.play.minute()


def test_a_day_goes_by() -> None:
    scene = Scene()
    scene.papers.recipes["gannet"] = recipe("gannet", ADD)
    scene.papers.listed = [alert("gannet")]
    scene.until(at(0, "14:00"))
    assert sum("[old Teo tops up by eye" in line for line in scene.told) == 1
    assert [(pour.sump, pour.logged) for pour in scene.play.poured if pour.sump == "plover"] == [("plover", False)]
    assert [act.sump for act in scene.play.crew.acts] == ["gannet", "gannet"]
    assert sum("gannet landed: said 8.1 %" in line for line in scene.told) == 2
    assert len([entry for entry in scene.papers.entries if entry["kind"] == "check"]) == 11
    assert len(scene.play.watch.off_pct) == 3


def test_a_gateway_that_is_off_sends_nothing_and_comes_back() -> None:
    scene = Scene()
    scene.until(at(0, "20:00"))
    times = [one.time_s for one in scene.feeds["slip-gateways"].said if one.gauge.sump == "curlew"]
    gap_s = max(later - earlier for earlier, later in pairwise(times))
    assert 6.5 * 3600.0 <= gap_s <= 6.5 * 3600.0 + 300.0
    assert times[-1] > at(0, "19:50")
    others = [one.time_s for one in scene.feeds["slip-gateways"].said if one.gauge.sump == "heron"]
    assert max(later - earlier for earlier, later in pairwise(others)) == 300.0


def test_half_of_the_works_speaks_over_serial_lines() -> None:
    scene = Scene()
    scene.until(START_S + 3600.0)
    by_source = {source: len(feed.said) for source, feed in scene.feeds.items()}
    assert by_source == {"slip-gateways": 216, "boiler-house-line": 108, "annexe-line": 108}


def test_two_runs_with_the_same_seed_have_the_same_truth() -> None:
    first, second = Scene(), Scene()
    for scene in (first, second):
        scene.until(at(1, "00:00"))
    assert [one.value for one in first.feeds["annexe-line"].said] == [
        one.value for one in second.feeds["annexe-line"].said
    ]
    assert {name: sump.fill for name, sump in first.world.sumps.items()} == {
        name: sump.fill for name, sump in second.world.sumps.items()
    }
