"""Logs that are missing, another's, left by a kill, or whose record is gone: taken in if they fit, else put aside."""

from __future__ import annotations

import shutil
from pathlib import Path

from monitor.record.backups import backups_in
from monitor.record.store import Record
from tests.faults.record.ruin import broken_off, made, times
from tests.unit.record.things import T0


def test_a_log_left_by_a_kill_is_taken_in_with_or_without_its_index(tmp_path: Path) -> None:
    for index in (True, False):
        path = tmp_path / f"index-{index}.db"
        broken_off(path, range(2000))
        if not index:
            path.with_name(path.name + "-shm").unlink()
        record = Record.open_mended(path, None, now_s=T0)
        assert len(times(record)) == 2000
        assert record.mishaps == ()
        record.close()


def test_an_index_of_nonsense_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    broken_off(path, range(2000))
    path.with_name(path.name + "-shm").write_bytes(b"\xa5" * 32768)
    record = Record.open_mended(path, None, now_s=T0)
    assert len(times(record)) == 2000
    record.close()


def test_a_log_that_is_missing_is_said(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    broken_off(path, range(2000))
    path.with_name(path.name + "-wal").unlink()
    record = Record.open_mended(path, None, now_s=T0)
    assert "the record's log (-wal) is gone" in record.mishaps[0].what
    assert record._db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    record.close()
    record = Record.open_mended(path, None, now_s=T0)
    assert record.mishaps == ()
    record.close()


def test_a_log_that_a_command_folded_in_is_not_missed(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    broken_off(path, range(2000))
    Record.open(path, now_s=T0).close()
    assert not path.with_name(path.name + "-wal").exists()
    record = Record.open_mended(path, None, now_s=T0)
    assert record.mishaps == ()
    record.close()


def test_the_log_of_another_record_is_put_aside(tmp_path: Path) -> None:
    path, _, readings = made(tmp_path)
    other = tmp_path / "other.db"
    broken_off(other, range(5000, 9000))
    shutil.copy(other.with_name("other.db-wal"), path.with_name("bandkeeper.db-wal"))
    record = Record.open_mended(path, None, now_s=T0)
    assert times(record) == [one.time_s for one in readings]
    assert "did not belong to the record" in record.mishaps[0].what
    assert [file.name for file in tmp_path.iterdir() if ".foreign-" in file.name]
    assert record._db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    record.close()


def test_the_log_of_the_record_that_a_backup_was_copied_over_is_put_aside(tmp_path: Path) -> None:
    path, backups, readings = made(tmp_path)
    broken_off(path, range(4000, 9000))
    shutil.copy(backups_in(backups, path)[0].path, path)  # by hand, as nobody should
    record = Record.open_mended(path, None, now_s=T0)
    assert times(record) == [one.time_s for one in readings[:3000]]
    assert "did not belong to the record" in record.mishaps[0].what
    record.close()


def test_a_log_whose_record_is_gone_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    broken_off(path, range(2000))
    path.unlink()
    record = Record.open_mended(path, None, now_s=T0)
    assert "only its log was left" in record.mishaps[0].what
    assert [file.name for file in tmp_path.iterdir() if ".foreign-" in file.name]
    record.close()
