"""A fault of our own beside the taking in of input: what comes is stored all the same, and it is said."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from monitor import worker as worker_module
from monitor.daemon import Daemon
from monitor.plant.file import load_plant
from monitor.plant.reading import Reading, Signal
from tests.fixtures.floor import Floor
from tests.unit.pipeline.shop import BEGIN_S, HEAD, Machine, plant_of, readings_of
from tests.unit.pipeline.still import Still


def reading(minute: float) -> Reading:
    return Reading("lathe-04", Signal.LEVEL, 250.0, BEGIN_S + 60.0 * minute, BEGIN_S + 60.0 * minute)


def wait_for(seen: Callable[[], object]) -> None:
    until = time.monotonic() + 20.0
    while not seen():
        assert time.monotonic() < until
        time.sleep(0.02)


def put(record: Path, sql: str) -> None:
    """Change a record from beside."""
    with closing(sqlite3.connect(record, isolation_level=None)) as db:
        db.execute(sql)


@contextmanager
def floor_on(folder: Path) -> Iterator[Floor]:
    floor = Floor(folder, plant_of([Machine("lathe-04")]), BEGIN_S + 3600.0)
    yield floor
    floor.end()


def test_a_signal_that_a_newer_release_left_on_record_does_not_stop_the_writer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_module, "RETRY_S", 0.05)
    monkeypatch.setattr(worker_module, "INPUT_FIRST_S", 0.0)
    with floor_on(tmp_path) as floor:
        floor.record.add([reading(1)])
        put(floor.record.path, "UPDATE stream SET signal = 'humidity'")
        floor.worker.start(floor.record.reader().readings, BEGIN_S)
        wait_for(lambda: floor.worker.counters.step_failures > 1)
        floor.deliver(reading(2), name="later")
        wait_for(lambda: "later" in floor.acknowledged)
        assert floor.worker.alive
        assert "humidity" in floor.worker.step_trouble
        put(floor.record.path, "UPDATE stream SET signal = 'level' WHERE signal = 'humidity'")
        wait_for(lambda: not floor.worker.behind and floor.worker.counters.steps)
        assert floor.worker.step_trouble == ""
        assert floor.pipeline.snapshot.sumps["lathe-04"].estimate.known


def test_upkeep_that_fails_by_a_fault_of_ours_does_not_stop_the_writer(tmp_path: Path) -> None:
    with floor_on(tmp_path) as floor:
        put(floor.record.path, "DELETE FROM upkeep")
        floor.worker.start()
        floor.deliver(reading(1), name="first")
        wait_for(lambda: floor.worker.upkeep_trouble)
        floor.deliver(reading(2), name="later")
        wait_for(lambda: "later" in floor.acknowledged)
        assert floor.worker.alive


def test_a_fault_of_ours_in_taking_up_a_plant_file_leaves_the_one_before_in_force(tmp_path: Path) -> None:
    shop = [Machine("lathe-04")]
    (tmp_path / "plant.toml").write_text(HEAD + shop[0].text())
    plant = load_plant(tmp_path / "plant.toml")
    now_s = BEGIN_S + 7.0 * 3600.0
    still = Still(plant)
    still.hear(now_s, readings_of(shop, 7.0))
    still.kill()
    assert still.daemon.reader().latest_checkpoint() is not None
    with Daemon(plant, lambda: now_s) as daemon:
        wait_for(lambda: not daemon._worker.behind)
        put(plant.database, "UPDATE stream SET signal = 'humidity' WHERE signal = 'level'")
        outcome = daemon.reload()
        assert not outcome.done
        assert "humidity" in outcome.text
        assert daemon._worker.alive
        assert "humidity" in str(daemon.health().plant_warnings)
        put(plant.database, "UPDATE stream SET signal = 'level' WHERE signal = 'humidity'")
        assert daemon.reload().done
