"""Nightly backups: whole or not there, a good one never at risk, made while the record is written."""

from __future__ import annotations

import math
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from monitor.plant.errors import DamagedRecordError, RecordError
from monitor.record.backups import DAMAGED, DONE, FAILED, UNFINISHED, backups_in, make_backup
from monitor.record.check import what_is_wrong
from monitor.record.reader import Reader
from monitor.record.store import Record
from tests.faults.record.ruin import leaves_of, spoil
from tests.unit.record.things import T0, reading

NIGHT_S = 86_400.0


def night(number: int) -> float:
    return T0 + number * NIGHT_S


def grown(record: Record, number: int) -> None:
    """Let a day's readings come in."""
    record.add([reading(1440.0 * number + minute) for minute in range(1440)])


def names(backups: Path) -> list[str]:
    return sorted(path.name for path in backups.iterdir())


def count_in(backup: Path) -> int:
    with closing(sqlite3.connect(f"{backup.as_uri()}?immutable=1", uri=True)) as copy:
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return int(copy.execute("SELECT count(*) FROM sample").fetchone()[0])


def test_the_last_few_are_kept_and_each_holds_what_was_there(tmp_path: Path) -> None:
    path, backups = tmp_path / "bandkeeper.db", tmp_path / "backups"
    record = Record.open(path, now_s=T0)
    for number in range(5):
        grown(record, number)
        made, _ = make_backup(path, backups, 2, night(number))
        assert count_in(made) == 1440 * (number + 1)
        assert made.stat().st_mode & 0o777 == 0o600
    assert [count_in(one.path) for one in backups_in(backups, path)] == [1440 * 5, 1440 * 4]
    assert len(names(backups)) == 2
    assert backups.stat().st_mode & 0o777 == 0o700
    record.close()


def test_a_copy_over_an_older_one_writes_what_differs_only(tmp_path: Path) -> None:
    path, backups = tmp_path / "bandkeeper.db", tmp_path / "backups"
    record = Record.open(path, now_s=T0)
    for number in range(30):
        grown(record, number)
    first, whole = make_backup(path, backups, 2, night(30))
    assert whole == first.stat().st_size
    grown(record, 30)
    make_backup(path, backups, 2, night(31))
    grown(record, 31)
    _, written = make_backup(path, backups, 2, night(32))
    assert written < whole / 5
    record.close()


def test_one_that_is_the_only_good_one_is_not_written_over(tmp_path: Path) -> None:
    path, backups = tmp_path / "bandkeeper.db", tmp_path / "backups"
    record = Record.open(path, now_s=T0)
    grown(record, 0)
    made, _ = make_backup(path, backups, 1, night(0))

    def stop(_bytes: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_backup(path, backups, 1, night(1), stop)
    assert count_in(made) == 1440
    make_backup(path, backups, 1, night(2))
    assert [one.made_s for one in backups_in(backups, path)] == [night(2)]
    record.close()


def test_a_kill_half_way_leaves_the_good_ones_and_the_next_night_goes_on(tmp_path: Path) -> None:
    path, backups = tmp_path / "bandkeeper.db", tmp_path / "backups"
    record = Record.open(path, now_s=T0)
    for number in range(3):
        grown(record, number)
        make_backup(path, backups, 2, night(number))
    grown(record, 3)
    program = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from monitor.record.backups import make_backup\n"
        "make_backup(Path(sys.argv[1]), Path(sys.argv[2]), 2, 0.0, lambda _: os.kill(os.getpid(), signal.SIGKILL))\n"
    )
    done = subprocess.run([sys.executable, "-c", program, str(path), str(backups)], check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL
    assert [one.made_s for one in backups_in(backups, path)] == [night(2)]
    assert f"bandkeeper.db.{UNFINISHED}" in names(backups)
    record.add([reading(1440.0 * 4)])  # nothing is held for ever
    made, _ = make_backup(path, backups, 2, night(4))
    assert count_in(made) == 1440 * 4 + 1
    assert [one.made_s for one in backups_in(backups, path)] == [night(4), night(2)]
    record.close()


def test_a_disk_that_is_full_leaves_the_good_ones_and_is_said(tmp_path: Path) -> None:
    path, backups = tmp_path / "bandkeeper.db", tmp_path / "backups"
    record = Record.open(path, now_s=T0)
    grown(record, 0)
    make_backup(path, backups, 3, night(0))
    for number in range(1, 20):
        grown(record, number)
    record.close()

    def small() -> None:
        """No file may grow beyond this, and a write beyond it fails instead of ending the process."""
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))

    command = [sys.executable, "-m", "monitor.record.backups", str(path), str(backups), "3", str(night(20))]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60, preexec_fn=small)
    assert done.returncode == FAILED
    assert "no backup can be written" in done.stderr
    assert "free space" in done.stderr
    assert [count_in(one.path) for one in backups_in(backups, path)] == [1440]
    assert names(backups) == [backups_in(backups, path)[0].path.name]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == DONE, done.stderr
    assert [count_in(one.path) for one in backups_in(backups, path)] == [1440 * 20, 1440]


def test_one_that_would_take_the_records_room_is_not_begun(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, backups = tmp_path / "bandkeeper.db", tmp_path / "backups"
    record = Record.open(path, now_s=T0)
    grown(record, 0)
    monkeypatch.setattr("monitor.record.backups.SPARE_BYTES", shutil.disk_usage(tmp_path).total)
    with pytest.raises(RecordError, match=r"it needs 0 MB more and .* MB are free; make room"):
        make_backup(path, backups, 2, night(0))
    assert names(backups) == []
    record.close()


def test_a_damaged_record_never_becomes_a_backup_and_is_said(tmp_path: Path) -> None:
    path, backups = tmp_path / "bandkeeper.db", tmp_path / "backups"
    record = Record.open(path, now_s=T0)
    for number in range(4):
        grown(record, number)
        make_backup(path, backups, 2, night(number))
    record.close()
    spoil(path, leaves_of(path, "sample")[5])
    with pytest.raises(DamagedRecordError, match="the database is damaged"):
        make_backup(path, backups, 2, night(4))
    assert [one.made_s for one in backups_in(backups, path)] == [night(3)]
    assert count_in(backups_in(backups, path)[0].path) == 1440 * 4
    command = [sys.executable, "-m", "monitor.record.backups", str(path), str(backups), "2", str(night(5))]
    assert subprocess.run(command, capture_output=True, check=False, timeout=60).returncode == DAMAGED


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    Record.open(path, now_s=T0).close()
    (tmp_path / "backups").write_text("a file")
    with pytest.raises(RecordError, match="no backup can be written"):
        make_backup(path, tmp_path / "backups", 2, T0)


WRITER = """
import sys
from pathlib import Path
from monitor.record.store import Record
from tests.unit.record.things import T0, reading
record = Record.open_mended(Path(sys.argv[1]), None, now_s=T0)
print("up", flush=True)
number = 0
while True:
    record.add([reading(20.0 * number + i) for i in range(20)])
    if number % 7 == 0:
        record.save_checkpoint(T0 + number, bytes([number % 251]) * 60_000)
    number += 1
    print(number, flush=True)
"""


def test_backups_made_while_the_record_is_written_are_whole_and_hold_all_of_a_moment(tmp_path: Path) -> None:
    """Every batch of twenty is in a backup with all its readings or with none; all batches before it are in it."""
    path, backups = tmp_path / "bandkeeper.db", tmp_path / "backups"
    Record.open(path, now_s=T0).close()
    with subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "up\n"
        said = [0]
        lines = writer.stdout

        def listen() -> None:
            for line in lines:
                said[0] = int(line)

        listener = threading.Thread(target=listen)
        listener.start()
        for number in range(12):
            before = said[0]
            command = [sys.executable, "-m", "monitor.record.backups", str(path), str(backups), "2", str(night(number))]
            done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
            assert done.returncode == DONE, done.stderr
            found = count_in(backups_in(backups, path)[0].path)
            assert found % 20 == 0
            assert found >= 20 * before
        writer.kill()
        listener.join()
    assert said[0] > 100
    record = Record.open_mended(path, backups, now_s=T0)
    assert record.mishaps == ()
    assert record.reader().reading_count() in {20 * said[0], 20 * (said[0] + 1)}
    assert what_is_wrong(path, math.inf) == ""
    record.close()


def test_other_processes_may_come_and_go_while_a_daemon_writes(tmp_path: Path) -> None:
    """A backup process and a command that open and close the record leave the daemon's log where it is."""
    path, backups = tmp_path / "bandkeeper.db", tmp_path / "backups"
    record = Record.open_mended(path, backups, now_s=T0)
    log = path.with_name("bandkeeper.db-wal").stat().st_ino
    for number in range(3):
        grown(record, number)
        command = [sys.executable, "-m", "monitor.record.backups", str(path), str(backups), "2", str(night(number))]
        assert subprocess.run(command, capture_output=True, check=False, timeout=60).returncode == DONE
    assert path.with_name("bandkeeper.db-wal").stat().st_ino == log
    assert Reader.open(path).reading_count() == 3 * 1440
    record.close()
