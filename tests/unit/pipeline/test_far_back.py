"""Going over bins again: readings told a day late, with what lies on disk, and bins that failed at the first go."""

from __future__ import annotations

import contextlib
from bisect import bisect_right
from collections.abc import Iterable, Iterator

import numpy as np
import pytest

from monitor.model.bins import HOLD_S
from monitor.model.engine import FETCHED_BINS, Engine
from monitor.model.layout import BIN_S
from monitor.model.state import State
from monitor.plant.errors import ModelError, RecordError
from monitor.plant.reading import Reading
from tests.unit.pipeline.shop import BEGIN_S, entries_for, machines, plant_of, readings_of

HOURS = 44
PLANT = plant_of(machines())
READINGS = sorted(readings_of(machines(), HOURS), key=lambda one: one.time_s)
LATE = [
    one for one in READINGS if one.sump == next(iter(PLANT.sumps)) and 13.2 < (one.time_s - BEGIN_S) / 3600.0 < 14.1
]
IN_TIME = [one for one in READINGS if one not in LATE]
END_S = BEGIN_S + HOURS * 3600.0


class Disk:
    """What an engine finds on disk; `spans` is what it asked for, and the asking named in `fails` fails."""

    def __init__(self, fails: int = -1) -> None:
        self.readings: list[Reading] = []
        self.checkpoints: list[tuple[float, bytes]] = []
        self.spans: list[tuple[float, float]] = []
        self._fails = fails
        self.engine = Engine(PLANT, self.history, self.older)

    def history(self, from_s: float, to_s: float) -> Iterable[Reading]:
        self.spans.append((from_s, to_s))
        yield from (one for one in self.readings[: len(self.readings) // 2] if from_s <= one.time_s < to_s)
        if len(self.spans) == self._fails:
            raise RecordError("the disk cannot be read")
        yield from (one for one in self.readings[len(self.readings) // 2 :] if from_s <= one.time_s < to_s)

    def older(self, before_s: float) -> bytes | None:
        place = bisect_right([time_s for time_s, _ in self.checkpoints], before_s)
        return self.checkpoints[place - 1][1] if place else None

    def hear(self, readings: Iterable[Reading]) -> None:
        new = list(readings)
        self.readings += new
        self.engine.add_readings(new)

    def live(self, readings: list[Reading]) -> None:
        """Let readings come in their time, with a checkpoint every six hours."""
        for k in range(int(BEGIN_S / BIN_S), int(END_S / BIN_S)):
            self.hear(one for one in readings if k * BIN_S <= one.time_s < (k + 1) * BIN_S)
            self.engine.advance((k + 1) * BIN_S)
            if (k + 1) % 24 == 0:
                self.checkpoints.append(((k + 1) * BIN_S, self.engine.to_bytes()))


@pytest.fixture(scope="module")
def in_order() -> State:
    disk = Disk()
    disk.live(READINGS)
    assert disk.spans == []
    return disk.engine.at(END_S)


def same(one: State, other: State) -> Iterator[str]:
    """Give the names of what is not the same to the bit."""
    for name in State.NAMES:
        if not np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True):
            yield name


def test_what_is_told_a_day_late_is_as_if_it_had_come_in_time(in_order: State) -> None:
    disk = Disk()
    disk.live(IN_TIME)
    assert list(same(disk.engine.at(END_S), in_order)), "the late readings matter"
    disk.hear(LATE)
    disk.engine.advance(END_S)
    assert list(same(disk.engine.at(END_S), in_order)) == []


def test_of_what_is_on_disk_some_hours_are_fetched_at_a_time() -> None:
    disk = Disk()
    disk.live(IN_TIME)
    disk.hear(LATE)
    disk.engine.advance(END_S)
    assert len(disk.spans) > 10
    assert max(to_s - from_s for from_s, to_s in disk.spans) <= FETCHED_BINS * BIN_S + HOLD_S
    ends = [to_s for _, to_s in disk.spans]
    assert [from_s for from_s, _ in disk.spans[1:]] == ends[:-1], "nothing is left out and nothing fetched twice"


@pytest.mark.parametrize("fails", [1, 2, 7])
def test_a_disk_that_fails_meanwhile_is_asked_again(in_order: State, fails: int) -> None:
    disk = Disk(fails)
    disk.live(IN_TIME)
    disk.hear(LATE)
    with pytest.raises(RecordError):
        disk.engine.advance(END_S)
    disk.engine.advance(END_S)
    assert list(same(disk.engine.at(END_S), in_order)) == []


def test_what_comes_later_still_while_the_disk_fails_is_not_lost(in_order: State) -> None:
    disk = Disk(fails=5)
    disk.live(IN_TIME)
    disk.hear(LATE[len(LATE) // 2 :])
    with pytest.raises(RecordError):
        disk.engine.advance(END_S)
    disk.hear(LATE[: len(LATE) // 2])
    disk.engine.advance(END_S)
    assert list(same(disk.engine.at(END_S), in_order)) == []


class Stumbling(Engine):
    """An engine that fails at the end of every bin once."""

    stumbled: set[int]

    def _refuse_nonsense(self, k: int, last: State) -> None:
        super()._refuse_nonsense(k, last)
        if k not in self.stumbled:
            self.stumbled.add(k)
            raise ModelError("it stumbled")


def test_a_bin_that_failed_at_first_leaves_nothing_behind() -> None:
    sure, other = Engine(PLANT), Stumbling(PLANT)
    other.stumbled = set()
    for engine in (sure, other):
        engine.add_readings(READINGS)
        engine.add_entries(entries_for())
    sure.advance(END_S)
    for _ in range(1000):
        with contextlib.suppress(ModelError):
            other.advance(END_S)
            break
    assert len(other.stumbled) >= 4 * HOURS - 1
    assert sure.check_moves
    assert sure.events()
    assert other.to_bytes() == sure.to_bytes()
