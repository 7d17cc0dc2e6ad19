"""`kill -9` at chosen and at random moments, with a real broker: nothing acknowledged is lost, nothing is doubled.

And what the daemon believes in the end is, bit for bit, what a run without a break over the same record believes.
"""

from __future__ import annotations

import math
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from monitor.model.layout import BIN_S
from monitor.pipeline import Pipeline
from monitor.plant.file import load_plant
from monitor.plant.reading import Reading
from monitor.record.reader import Reader
from tests.faults.daemon.child import SETTLE_S
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import wait_for
from tests.live.adapters.sink import Talker
from tests.unit.pipeline.shop import BEGIN_S, HEAD, Machine, readings_of
from tests.unit.pipeline.still import believed, foreseen, state_of

pytestmark = [pytest.mark.live, pytest.mark.broker]

HOURS = 7
EVERY_S = 900.0
SHOP = [Machine("lathe-04", acts=[(2.5, 50.0, 3.0)]), Machine("mill-07", full_l=250.0, volume_l=200.0)]
END_S = BEGIN_S + 3600.0 * HOURS + BIN_S


def fresh_shop() -> list[Machine]:
    return [replace(machine, acts=list(machine.acts)) for machine in SHOP]


READINGS = readings_of(fresh_shop(), HOURS, every_s=EVERY_S)


class Works:
    """A plant file, a broker, a clock that the test sets, and a daemon that dies and is started again."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        self.plant_file = folder / "plant.toml"
        self.plant_file.write_text(HEAD + f"port = {broker.port}\n" + "".join(machine.text() for machine in SHOP))
        self.broker = broker
        self.database = folder / "bandkeeper.db"
        self.clock = folder / "clock"
        self.set_clock(BEGIN_S)
        self.deaths = 0
        self._child: subprocess.Popen[str] | None = None
        self._fuse = ("never", 1)

    def set_clock(self, now_s: float) -> None:
        """Replace the file at once: the daemon reads it at any moment."""
        new = self.clock.with_suffix(".new")
        new.write_text(repr(now_s))
        new.replace(self.clock)

    def lay(self, point: str, count: int) -> None:
        """Name where the next start of the daemon ends."""
        self._fuse = (point, count)

    def start(self) -> None:
        point, count = self._fuse
        self._fuse = ("never", 1)
        arguments = [str(self.plant_file), str(self.clock), point, str(count)]
        self._child = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.daemon.child", *arguments], stdout=subprocess.PIPE, text=True
        )

    def tend(self) -> None:
        """Start the daemon again where it is gone."""
        if self._child is not None and self._child.poll() is not None:
            assert self._child.returncode == -signal.SIGKILL
            self.deaths += 1
            self._close()
        if self._child is None:
            self.start()

    def kill(self) -> None:
        if self._child is not None and self._child.poll() is None:
            self._child.kill()

    def end(self) -> None:
        if self._child is not None:
            self._child.kill()
            self._child.wait(timeout=30)
            self._close()

    def _close(self) -> None:
        assert self._child is not None
        assert self._child.stdout is not None
        self._child.stdout.close()
        self._child = None

    def subscribed(self) -> bool:
        """Tell whether the broker holds all subscriptions of the daemon: from now on it keeps what comes for it."""
        return self.broker.log.count(" 1 hall/") >= len(SHOP) * 3

    def count(self) -> int:
        """Give how many readings are on record; the daemon is kept alive meanwhile."""
        self.tend()
        if not self.database.exists():
            return 0
        try:
            return Reader.open(self.database).reading_count()
        except Exception:  # noqa: BLE001 - not made yet, or just being brought up to date
            return 0

    def passed_s(self) -> float:
        """Give the newest hour of which estimates are on record."""
        self.tend()
        points = Reader.open(self.database).estimates("lathe-04", BEGIN_S, END_S + 3600.0, 500)
        return points[-1].time_s if points else 0.0


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    with Broker(tmp_path, durable=False, extra=["log_type subscribe"]) as broker:
        made = Works(tmp_path, broker)
        made.start()
        wait_for(made.subscribed, "subscriptions", within_s=60)
        yield made
        made.end()


def reference(works: Works, record: Sequence[Reading]) -> Pipeline:
    """Run the record once more, without a break."""
    pipeline = Pipeline(load_plant(works.plant_file), settle_s=SETTLE_S)
    pipeline.take(record)
    for _ in pipeline.run_until(END_S):
        pass
    return pipeline


def play(works: Works, talker: Talker, dice: random.Random | None = None) -> None:
    """Tell the whole day hour by hour; each hour waits until all of it is on disk."""
    told, hour_s = 0, BEGIN_S
    waiting = list(READINGS)
    while hour_s <= END_S:
        hour_s += 3600.0
        now = [one for one in waiting if one.time_s < hour_s]
        waiting = waiting[len(now) :]
        works.set_clock(max(hour_s - 60.0, BEGIN_S))
        for one in now:
            talker.say_json(f"hall/{one.sump}/{one.signal.value}", t=one.time_s, v=one.value)
        if dice is not None and dice.random() < 0.7:
            time.sleep(dice.uniform(0.0, 1.2))
            works.kill()
        told += len(now)
        wait_for(partial(_has_reached, works.count, told), f"{told} readings", within_s=90)
        works.set_clock(hour_s + SETTLE_S)
        wait_for(partial(_has_reached, works.passed_s, hour_s - 3600.0), "the hour", within_s=90)


def _has_reached(now: Callable[[], float], wanted: float) -> bool:
    return now() >= wanted


def finish(works: Works) -> None:
    """Hold the record against what was told, and the estimates against a run without a break."""
    works.set_clock(END_S + 3600.0)
    wait_for(lambda: works.passed_s() >= BEGIN_S + 3600.0 * HOURS, "the end", within_s=90)
    works.end()
    reader = Reader.open(works.database)
    record = list(reader.readings(-math.inf, math.inf))
    assert [(one.sump, one.signal, one.time_s, one.value) for one in record] == sorted(
        ((one.sump, one.signal, one.time_s, one.value) for one in READINGS), key=lambda row: (row[2], row[0], row[1])
    )
    checkpoint = reader.latest_checkpoint(BEGIN_S + 6 * 3600.0)
    assert checkpoint is not None
    whole = reference(works, record)
    again = Pipeline(load_plant(works.plant_file), settle_s=SETTLE_S)
    again.restore(checkpoint[1])
    again.take([one for one in record if one.time_s > checkpoint[0]])
    for _ in again.run_until(END_S):
        pass
    assert state_of(again) == state_of(whole)
    assert again.engine.events() == whole.engine.events()
    assert believed(again) == believed(whole)
    assert foreseen(again) == foreseen(whole)
    _same_on_record(reader, record, works)


def _same_on_record(reader: Reader, record: Sequence[Reading], works: Works) -> None:
    pipeline = Pipeline(load_plant(works.plant_file), settle_s=SETTLE_S)
    pipeline.take(record)
    hours = 0
    for changes in pipeline.run_until(BEGIN_S + 3600.0 * HOURS):
        now_s = changes.snapshot.now_s
        if now_s % 3600.0 == 0.0:
            hours += 1
            for sump, view in changes.snapshot.sumps.items():
                (stored,) = reader.estimates(sump, now_s, now_s + 1.0, 1)
                assert stored.volume_l == view.estimate.volume_l
                assert stored.concentration_pct == view.estimate.concentration_pct
                assert stored.volume_sd_l == view.estimate.volume_sd_l
    assert hours >= HOURS - 1


@pytest.mark.parametrize(
    ("point", "count"), [("stored", 2), ("storing", 3), ("checkpoint", 1), ("kept", 30), ("told", 45)]
)
def test_a_kill_at_a_chosen_moment(works: Works, point: str, count: int) -> None:
    talker = Talker(works.broker.port)
    works.kill()
    works.lay(point, count)
    play(works, talker)
    finish(works)
    assert works.deaths >= 2
    talker.close()


@pytest.mark.parametrize("seed", [1, 2])
def test_kills_at_random_moments(works: Works, seed: int) -> None:
    talker = Talker(works.broker.port)
    play(works, talker, random.Random(seed))
    finish(works)
    assert works.deaths >= 2
    talker.close()
