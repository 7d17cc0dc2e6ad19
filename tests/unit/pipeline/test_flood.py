"""More comes in than the disk takes: what nobody keeps is shed and said, everything else waits."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor import worker as worker_module
from monitor.plant.reading import Reading, Signal
from monitor.record.reader import Reader
from tests.fixtures.floor import Floor
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of

MOST = 40


def test_a_line_is_shed_and_counted_by_its_name_and_a_broker_is_held_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_module, "MOST_WAITING", MOST)
    floor = Floor(tmp_path, plant_of([Machine("lathe-04")]), BEGIN_S + 900.0)
    worker, told = floor.worker, floor.acknowledged

    def come(number: int, source: str, passing: str) -> None:
        reading = Reading("lathe-04", Signal.LEVEL, 250.0, BEGIN_S + number, BEGIN_S + number)
        floor.deliver(reading, name=source, passing=passing)

    for number in range(30):
        come(number, "broker", "")
        come(100 + number, "line-1", "line-1")
    for number in range(30, 80):
        come(number, "broker", "")
        come(200 + number, "bus", "bus")
    shed = 10 + 50
    assert worker.waiting == 160 - shed
    assert worker.counters.deliveries_shed == shed
    assert worker.shed.by_source == {"line-1": 10, "bus": 50}
    assert "broker" not in told, "what its sender keeps is not acknowledged before it is on disk"
    assert len(told) == shed
    worker.start()
    floor.end()
    assert told.count("broker") == 80
    assert Reader(floor.record.path).reading_count() == 160 - shed
