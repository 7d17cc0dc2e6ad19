from __future__ import annotations

import math
from pathlib import Path

import pytest

from monitor.plant.file import check_text
from monitor.plant.types import BackupSpec, Keeping, Plant
from tests.unit.pipeline.shop import HEAD, Machine

DAY_S = 86_400.0


def plant(record: str = "") -> Plant:
    found, faults = check_text(
        HEAD.replace('[record]\ngather = "0 s"\n', "") + Machine("lathe-04").text() + record, Path("works/plant.toml")
    )
    assert found is not None, faults
    return found


def test_what_is_kept_if_nothing_is_said() -> None:
    found = plant()
    assert found.keeping == Keeping(90 * DAY_S, 366 * DAY_S, 3653 * DAY_S, 31 * DAY_S, 366 * DAY_S, math.inf)
    assert found.backup == BackupSpec(Path("works/bandkeeper.db.backups"), 2, 150)


def test_what_is_said_is_kept() -> None:
    found = plant('[record]\nreadings = "60 d"\nhourly = "for ever"\ndaily = "for ever"\nbackup_at = "24:00"\n')
    assert found.keeping.readings_s == 60 * DAY_S
    assert found.keeping.hourly_s == found.keeping.daily_s == found.keeping.entries_s == math.inf
    assert found.backup is not None
    assert found.backup.at_minute == 0


@pytest.mark.parametrize(("said", "folder"), [("copies", "works/copies"), ("/mnt/stick", "/mnt/stick")])
def test_where_backups_go(said: str, folder: str) -> None:
    found = plant(f'[record]\nbackup = "{said}"\nbackups = 5\n').backup
    assert found == BackupSpec(Path(folder), 5, 150)


def test_no_backups_if_they_are_off() -> None:
    assert plant('[record]\nbackup = "off"\n').backup is None


@pytest.mark.parametrize(
    ("said", "seconds"), [("", 10.0), ('[record]\ngather = "0 s"\n', 0.0), ('[record]\ngather = "1 min"\n', 60.0)]
)
def test_how_long_input_is_gathered(said: str, seconds: float) -> None:
    assert plant(said).gather_s == seconds
