"""Files and folders that cannot hold a record: each gives an error that says what to do, and is left as it was."""

from __future__ import annotations

import math
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from monitor.plant.errors import RecordError
from monitor.record.migrations import PAGE_BYTES
from monitor.record.reader import Reader
from monitor.record.store import Record
from tests.unit.record.things import T0, reading

OPEN = """
import sys
sys.modules["pandas"] = None  # sqlite-utils loads it where it is installed; a shop has none
from pathlib import Path
from monitor.plant.errors import RecordError
from monitor.record.store import Record
try:
    Record.open(Path(sys.argv[1]), now_s=0.0)
except RecordError as error:
    print(error)
"""


def open_without_privileges(path: Path) -> str:
    """Open a record as a user whom file modes bind (root gives up its right to pass them by) and return the error."""
    bound = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"] if os.geteuid() == 0 else []
    command = [*bound, sys.executable, "-c", OPEN, str(path)]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout


def make(path: Path, count: int = 3000) -> None:
    record = Record.open(path, now_s=T0)
    record.add([reading(minute) for minute in range(count)])
    record.close()


@pytest.fixture
def shared(tmp_path: Path) -> Iterator[Path]:
    """Give a folder whose mode the test may change."""
    folder = tmp_path / "shared"
    folder.mkdir()
    yield folder
    folder.chmod(0o755)


def test_a_read_only_file(shared: Path) -> None:
    path = shared / "bandkeeper.db"
    make(path)
    path.chmod(0o444)
    said = open_without_privileges(path)
    assert "bandkeeper.db: is read-only; let the user that runs bandkeeper write the file and its folder" in said


def test_a_read_only_folder(shared: Path) -> None:
    shared.chmod(0o555)
    said = open_without_privileges(shared / "bandkeeper.db")
    assert "bandkeeper.db: cannot be written (Permission denied)" in said
    assert not list(shared.iterdir())


def test_a_writable_file_in_a_read_only_folder(shared: Path) -> None:
    path = shared / "bandkeeper.db"
    make(path)
    path.chmod(0o666)
    shared.chmod(0o555)
    said = open_without_privileges(path)
    assert "bandkeeper.db: " in said
    assert "folder" in said


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"there is no folder .*nowhere; create it"):
        Record.open(tmp_path / "nowhere" / "bandkeeper.db", now_s=T0)


def test_a_folder_in_place_of_the_file(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="is a folder; name a file"):
        Record.open(tmp_path, now_s=T0)


def test_garbage(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    path.write_bytes(b"this is no database " * 1000)
    before = path.read_bytes()
    for opening in (lambda: Record.open(path, now_s=T0), lambda: Reader.open(path)):
        with pytest.raises(RecordError, match="is no database; name another file"):
            opening()
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["bandkeeper.db"]


@pytest.mark.parametrize("share", [0.3, 0.9])
def test_a_file_cut_off(tmp_path: Path, share: float) -> None:
    path = tmp_path / "bandkeeper.db"
    make(path)
    os.truncate(path, int(path.stat().st_size * share) // PAGE_BYTES * PAGE_BYTES)
    with pytest.raises(RecordError, match="the database is damaged; start bandkeeper on it"):
        Record.open(path, now_s=T0)


def test_damage_inside_is_said_when_it_is_met(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    make(path)
    with closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'reading'").fetchone()
    with path.open("r+b") as file:
        file.seek((root - 1) * PAGE_BYTES)
        file.write(b"\xff" * PAGE_BYTES)
    record = Record.open(path, now_s=T0)
    with pytest.raises(RecordError, match="the database is damaged"):
        record.add([reading(9999)])
    with pytest.raises(RecordError, match="the database is damaged"):
        list(record.reader().readings(-math.inf, math.inf))
    record.close()


def test_another_writer_that_does_not_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "bandkeeper.db"
    monkeypatch.setattr("monitor.record.migrations.BUSY_MS", 50)
    record = Record.open(path, now_s=T0)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(RecordError, match="another program holds the database; see whether bandkeeper runs twice"):
            record.add([reading(0)])
        assert record.reader().reading_count() == 0
        other.execute("ROLLBACK")
    assert record.add([reading(0)]).readings == (reading(0),)
    record.close()


def test_a_record_that_was_closed(tmp_path: Path) -> None:
    record = Record.open(tmp_path / "bandkeeper.db", now_s=T0)
    record.close()
    with pytest.raises(RecordError, match="closed"):
        record.add([reading(0)])
