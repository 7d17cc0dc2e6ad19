"""How long a round is gathered, and what the worker makes of it with real threads and a real record."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from monitor.patience import SHORTEST_S, Patience
from monitor.plant.reading import Entry, EntryKind, Reading, Signal
from tests.fixtures.floor import Floor
from tests.fixtures.ports import wait_for
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of


def ends(longest_s: float, moments: list[float], urgent: int = -1) -> float:
    """Return when a round ends in which something came at these moments, the one of a number urgent."""
    patience = Patience(longest_s)
    for number, moment_s in enumerate(moments):
        assert moment_s < patience.until_s
        patience.heard(moment_s, urgent=number == urgent)
    return patience.until_s


def test_one_that_comes_alone_waits_for_others_for_a_second() -> None:
    assert Patience(5.0).until_s == float("inf")
    assert ends(5.0, [10.0]) == 11.0
    assert ends(0.5, [10.0]) == 10.5
    assert ends(5.0, [10.0, 10.9, 11.8]) == 15.0


def test_one_for_which_waiting_gathers_nothing_waits_for_a_second() -> None:
    slow = Patience(5.0)
    slow.heard(10.0, urgent=False)
    after = Patience(5.0, slow)
    after.heard(12.0, urgent=False)
    assert after.until_s == 13.0


def test_in_a_steady_flow_the_first_of_a_round_waits_for_the_next() -> None:
    before = Patience(5.0)
    for number in range(5):
        before.heard(10.0 + number, urgent=False)
    after = Patience(5.0, before)
    after.heard(15.0, urgent=False)
    assert after.until_s == 19.0
    after.heard(16.0, urgent=False)
    assert after.until_s == 20.0


def test_a_steady_flow_is_cut_into_rounds() -> None:
    assert ends(5.0, [10.0 + 0.06 * number for number in range(80)]) == pytest.approx(15.0, abs=0.25)


def test_a_burst_that_falls_silent_is_stored_at_once() -> None:
    assert ends(5.0, [10.0 + 0.0001 * number for number in range(20)]) == pytest.approx(10.002 + SHORTEST_S, abs=1e-3)


def test_what_somebody_waits_for_is_stored_at_once() -> None:
    assert ends(5.0, [10.0, 10.8, 11.5], urgent=2) == 11.5 + SHORTEST_S
    assert ends(5.0, [10.0, 10.01, 10.02], urgent=0) == 10.0 + SHORTEST_S


@pytest.mark.parametrize("longest_s", [0.0, SHORTEST_S])
def test_without_patience_a_round_takes_the_shortest_time(longest_s: float) -> None:
    assert ends(longest_s, [10.0, 10.01, 10.02]) == 10.0 + SHORTEST_S


class Shop(Floor):
    """A floor at work whose one sump speaks when the test says so."""

    def __init__(self, folder: Path, gather_s: float) -> None:
        super().__init__(folder, plant_of([Machine("lathe-04")]), BEGIN_S, gather_s=gather_s)
        self.worker.start()

    def say(self, number: int) -> None:
        time_s = BEGIN_S + number
        self.deliver(Reading("lathe-04", Signal.LEVEL, 250.0, time_s, time_s))


def test_little_is_held_until_a_moment_is_due(tmp_path: Path) -> None:
    shop = Shop(tmp_path, 30.0)
    shop.worker.wake()
    wait_for(lambda: shop.worker._looked_at > 0.0, "a first look")
    shop.say(0)
    for _ in range(3):
        time.sleep(0.1)
        shop.worker.wake()
    assert len(shop.acknowledged) == 0
    shop.now_s += 10.0
    shop.worker.wake()
    wait_for(lambda: len(shop.acknowledged) == 1, "acknowledged")
    shop.end()


def test_an_entry_takes_what_is_held_along(tmp_path: Path) -> None:
    shop = Shop(tmp_path, 30.0)
    shop.say(0)
    entry = Entry("e-1", "lathe-04", EntryKind.TOP_UP, BEGIN_S, BEGIN_S, 40.0, 5.0)
    assert shop.worker.submit(entry).result(10.0)
    assert len(shop.acknowledged) == 1
    shop.end()


def test_the_end_stores_what_is_held(tmp_path: Path) -> None:
    shop = Shop(tmp_path, 30.0)
    shop.say(0)
    shop.end()
    assert len(shop.acknowledged) == 1


def test_many_are_stored_without_waiting(tmp_path: Path) -> None:
    shop = Shop(tmp_path, 30.0)
    for number in range(700):
        shop.say(number)
    wait_for(lambda: len(shop.acknowledged) == 700, "all", within_s=10)
    shop.end()
