"""When the nightly backup is due, that it is made by a process of its own, and what is said when it cannot be."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from monitor.nightly import Nightly, last_due_s
from monitor.plant.types import BackupSpec, Plant
from monitor.record.backups import backups_in
from monitor.record.store import Record
from tests.faults.record.ruin import leaves_of, spoil
from tests.unit.pipeline.shop import BEGIN_S, Machine, plant_of
from tests.unit.record.things import reading

DAY_S = 86_400.0


def plant_in(folder: Path, spec: BackupSpec | None = None) -> Plant:
    plant = plant_of([Machine("lathe-04")])
    return replace(plant, database=folder / "bandkeeper.db", backup=spec or BackupSpec(folder / "backups", 2, 150))


class Night:
    """A nightly whose clock the test sets, over a record with readings."""

    def __init__(self, plant: Plant) -> None:
        self.now_s = BEGIN_S + 12 * 3600.0
        self.damage: list[str] = []
        self.nightly = Nightly(plant, lambda: self.now_s, self.damage.append)
        record = Record.open(plant.database, now_s=BEGIN_S)
        record.add([reading(minute) for minute in range(3000)])
        record.close()


@pytest.mark.parametrize(
    ("zone", "now", "due"),
    [
        ("UTC", "2031-03-03T02:29:59+00:00", "2031-03-02T02:30:00+00:00"),
        ("UTC", "2031-03-03T02:30:00+00:00", "2031-03-03T02:30:00+00:00"),
        ("Europe/Lisbon", "2031-07-01T01:29:00+00:00", "2031-06-30T01:30:00+00:00"),
        ("Europe/Lisbon", "2031-07-01T01:31:00+00:00", "2031-07-01T01:30:00+00:00"),
        ("Europe/Berlin", "2031-03-30T12:00:00+00:00", "2031-03-30T01:30:00+00:00"),  # 02:30 does not exist that day
    ],
)
def test_the_last_moment_at_which_one_was_due(zone: str, now: str, due: str) -> None:
    assert last_due_s(150, zone, datetime.fromisoformat(now).timestamp()) == datetime.fromisoformat(due).timestamp()


def test_one_is_made_at_first_and_then_once_a_night(tmp_path: Path) -> None:
    plant = plant_in(tmp_path)
    night = Night(plant)
    assert night.nightly.look()
    assert not night.nightly.look()
    night.now_s += 14 * 3600.0  # 02:00
    assert not night.nightly.look()
    night.now_s += 3600.0
    assert night.nightly.look()
    night.now_s += 5 * DAY_S
    assert night.nightly.look()
    assert [one.made_s for one in backups_in(tmp_path / "backups", plant.database)] == [
        night.now_s,
        night.now_s - 5 * DAY_S,
    ]
    assert night.nightly.overdue_s() is None


def test_none_is_made_where_they_are_off(tmp_path: Path) -> None:
    night = Night(replace(plant_in(tmp_path), backup=None))
    assert not night.nightly.look()
    assert night.nightly.overdue_s() is None


def test_what_is_in_the_way_is_said_once_it_lasts_and_it_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "backups").write_text("a file in the way")
    night = Night(plant_in(tmp_path))
    assert not night.nightly.look()
    assert "no backup can be written" in night.nightly.trouble
    assert night.nightly.overdue_s() is not None
    (tmp_path / "backups").unlink()
    assert not night.nightly.look()  # not at once
    monkeypatch.setattr("monitor.nightly.time.monotonic", lambda: 1e9)
    assert night.nightly.look()
    assert night.nightly.trouble == ""
    assert night.nightly.overdue_s() is None
    assert night.damage == []


def test_a_record_that_turns_out_damaged_is_reported(tmp_path: Path) -> None:
    plant = plant_in(tmp_path)
    night = Night(plant)
    spoil(plant.database, leaves_of(plant.database, "sample")[5])
    assert not night.nightly.look()
    assert "the database is damaged" in night.damage[0]
    assert backups_in(tmp_path / "backups", plant.database) == []


def test_its_thread_ends_at_once(tmp_path: Path) -> None:
    night = Night(plant_in(tmp_path))
    night.nightly.start()
    night.nightly.stop()
    assert not night.nightly._thread.is_alive()
