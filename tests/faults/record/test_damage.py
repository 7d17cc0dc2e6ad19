"""A damaged record is found, put aside, and replaced by the last good backup and what can still be read; it is said."""

from __future__ import annotations

import math
import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from monitor.plant.errors import DamagedRecordError, RecordError
from monitor.plant.reading import Signal
from monitor.record import check
from monitor.record.backups import backups_in, make_backup
from monitor.record.check import what_is_wrong
from monitor.record.mend import MENDED, report, restore
from monitor.record.migrations import PAGE_BYTES
from monitor.record.store import Record
from tests.faults.record.ruin import DAY_S, asides, leaves_of, made, page_of, spoil, times
from tests.unit.record.things import T0, reading


def test_damage_in_the_backed_up_part_loses_nothing(tmp_path: Path) -> None:
    path, backups, readings = made(tmp_path)
    leaves = leaves_of(path, "sample")
    spoil(path, leaves[len(leaves) // 3])
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S * 3)
    assert times(record) == [one.time_s for one in readings]
    assert [one.id for one in record.reader().entries(-math.inf, math.inf)] == ["e-1", "e-2"]
    assert [one.id for one in record.reader().alerts()] == ["a-1"]
    assert len(record.reader().events(-math.inf, math.inf)) == 1
    assert record.reader().tokens() == []
    assert record.reader().latest_checkpoint() == (T0 + 2900 * 60.0, b"state")
    (mishap,) = record.mishaps
    assert "the record was damaged" in mishap.what
    assert "was damaged" in record.reader().mishaps(T0)[0].what
    assert backups_in(backups, path)[0].path.name in mishap.what
    assert asides(path) == ["bandkeeper.db.damaged-20310306T213000Z"]
    record.close()
    again = Record.open_mended(path, backups, now_s=T0 + DAY_S * 4)
    assert again.mishaps == ()
    again.close()


def test_damage_behind_the_backup_loses_what_lies_on_the_damaged_page_only(tmp_path: Path) -> None:
    path, backups, readings = made(tmp_path)
    leaves = leaves_of(path, "sample")
    spoil(path, leaves[-2])
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S * 3)
    found = times(record)
    whole = [one.time_s for one in readings]
    assert set(found) < set(whole)
    assert 0 < len(whole) - len(found) < 300
    assert found[-1] == whole[-1]
    assert "not all could be read of reading" in record.mishaps[0].what
    record.close()


@pytest.mark.parametrize("table", ["entry", "stream", "checkpoint", "alert", "token"])
def test_damage_in_any_table_is_found_and_the_readings_are_there(tmp_path: Path, table: str) -> None:
    path, backups, readings = made(tmp_path)
    spoil(path, page_of(path, table))
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S * 3)
    assert times(record) == [one.time_s for one in readings]
    assert len(record.mishaps) == 1
    record.close()


@pytest.mark.parametrize("table", ["sample", "forecast", "estimate", "hourly"])
def test_a_large_table_is_looked_at_from_its_end_and_no_longer_than_it_may(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, table: str
) -> None:
    path, _, _ = made(tmp_path)
    with closing(sqlite3.connect(path)) as db:
        for hour in range(2000):
            db.execute("INSERT INTO hourly VALUES (?, ?, ?, 1, 0, 1.0, 1.0, 1.0, 1.0)", (hour // 24, 1, hour % 24))
            db.execute("INSERT INTO estimate VALUES (?, 'm', 1.0, 1.0, 1.0, 1.0, 1.0, 1.0)", (float(hour),))
            db.execute("INSERT INTO forecast VALUES (?, 'm', 1.0, 1.0, 1.0, 1.0, 1.0, 'lean', '{}', x'00')", (hour,))
        db.commit()
    monkeypatch.setattr(check, "PAGES_A_SECOND", 1e-3)  # nothing fits into the time as a whole
    assert what_is_wrong(path, 5.0) == ""
    first, *_, last = leaves_of(path, table)
    spoil(path, first)
    assert "malformed" in what_is_wrong(path, 5.0)
    assert what_is_wrong(path, 0.0) == ""
    spoil(path, last)
    assert ("malformed" in what_is_wrong(path, 0.0)) == (table == "forecast")  # the first that is looked at


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_record_cut_off_goes_on_from_the_backup(tmp_path: Path, share: float) -> None:
    path, backups, readings = made(tmp_path)
    os.truncate(path, int(path.stat().st_size * share) // PAGE_BYTES * PAGE_BYTES)
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S * 3)
    assert len(times(record)) >= 3000
    assert times(record)[:3000] == [one.time_s for one in readings[:3000]]
    record.close()


def test_a_first_page_of_nonsense_goes_on_from_the_backup(tmp_path: Path) -> None:
    path, backups, readings = made(tmp_path)
    spoil(path, 1)
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S * 3)
    assert times(record) == [one.time_s for one in readings[:3000]]
    assert "not a database" in record.mishaps[0].what
    assert "tokens revoked since the backup" in record.mishaps[0].remedy
    record.close()


def test_without_a_backup_a_new_record_is_begun_and_what_is_readable_carried_over(tmp_path: Path) -> None:
    path, _, readings = made(tmp_path)
    leaves = leaves_of(path, "sample")
    spoil(path, leaves[len(leaves) // 2])
    record = Record.open_mended(path, None, now_s=T0 + DAY_S * 3)
    assert 3000 < len(times(record)) < len(readings)
    assert [one.id for one in record.reader().entries(-math.inf, math.inf)] == ["e-1", "e-2"]
    assert "there was no good backup, a new one was begun" in record.mishaps[0].what
    assert len(asides(path)) == 1
    record.close()


def test_a_damaged_backup_is_passed_over_for_an_older_one(tmp_path: Path) -> None:
    path, backups, readings = made(tmp_path)
    newer, _ = make_backup(path, backups, 3, T0 + 3600 * 60.0)
    spoil(newer, leaves_of(newer, "sample")[3])
    spoil(path, 1)
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S * 3)
    assert times(record) == [one.time_s for one in readings[:3000]]
    record.close()


def test_a_late_reading_carried_over_drops_the_checkpoints_that_do_not_know_it(tmp_path: Path) -> None:
    path, backups, _ = made(tmp_path)
    record = Record.open(path, now_s=T0)
    record.add([reading(100.5)])
    record.close()
    spoil(path, leaves_of(path, "sample")[10])
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S * 3)
    assert T0 + 100.5 * 60.0 in times(record)
    assert record.reader().latest_checkpoint() is None
    record.close()


def test_a_late_reading_carried_over_is_in_the_figures_of_its_hour(tmp_path: Path) -> None:
    path, backups, _ = made(tmp_path)
    record = Record.open(path, now_s=T0)
    while record.upkeep(T0 + 5 * DAY_S):
        pass
    record.close()
    make_backup(path, backups, 2, T0 + 5 * DAY_S)
    record = Record.open(path, now_s=T0)
    record.add([reading(100.5, 999.0)])
    record.close()
    spoil(path, leaves_of(path, "sample")[-2])
    record = Record.open_mended(path, backups, now_s=T0 + 5 * DAY_S)
    assert T0 + 100.5 * 60.0 in times(record)
    while record.upkeep(T0 + 5 * DAY_S):
        pass
    assert record._db.execute("SELECT max(high) FROM hourly").fetchone() == (999.0,)
    record.close()


def with_another_signal(path: Path) -> None:
    """Store a reading of a signal that no backup knows."""
    record = Record.open(path, now_s=T0)
    record.add([reading(3700.0, 9.2, signal=Signal.PH)])
    record.close()


def test_the_names_of_signals_are_read_from_their_index_where_their_table_is_damaged(tmp_path: Path) -> None:
    path, backups, readings = made(tmp_path)
    with_another_signal(path)
    spoil(path, page_of(path, "stream"))
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S * 3)
    assert times(record) == [*(one.time_s for one in readings), T0 + 3700.0 * 60.0]
    assert "not all could be read" not in record.mishaps[0].what
    record.close()


def test_readings_of_a_signal_whose_name_is_lost_are_given_to_no_other(tmp_path: Path) -> None:
    path, backups, readings = made(tmp_path)
    with_another_signal(path)
    for name in ("stream", "sqlite_autoindex_stream_1"):
        spoil(path, page_of(path, name))
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S * 3)
    assert times(record) == [one.time_s for one in readings]
    assert "not all could be read of stream, reading" in record.mishaps[0].what
    record.add([reading(3800.0, 30.0, signal=Signal.COOLANT_TEMPERATURE)])
    warm = [one for one in record.reader().readings(T0, math.inf) if one.signal is Signal.COOLANT_TEMPERATURE]
    assert [one.value for one in warm] == [30.0]
    record.close()


def test_what_was_reported_is_looked_at_whole_whatever_time_it_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, backups, _ = made(tmp_path)
    spoil(path, leaves_of(path, "sample")[7])
    monkeypatch.setattr("monitor.record.mend.CHECK_S", 0.0)
    monkeypatch.setattr("monitor.record.check.INSTRUCTIONS", 1)
    Record.open_mended(path, backups, now_s=T0).close()
    assert not asides(path)
    report(path, "malformed")
    record = Record.open_mended(path, backups, now_s=T0)
    assert "was damaged" in record.mishaps[0].what
    record.close()
    report(path, "malformed")
    record = Record.open_mended(path, backups, now_s=T0)
    assert "nothing is wrong with it now" in record.mishaps[0].what
    record.close()
    assert Record.open_mended(path, backups, now_s=T0).mishaps == ()


def test_damage_that_is_reported_again_is_believed_though_it_does_not_show(tmp_path: Path) -> None:
    path, backups, readings = made(tmp_path)
    for at_s, said in ((T0, "nothing is wrong"), (T0 + 3600.0, "(malformed) and put aside"), (T0 + 7200.0, "nothing")):
        report(path, "malformed")
        record = Record.open_mended(path, backups, now_s=at_s)
        assert said in record.mishaps[0].what
        assert times(record) == [one.time_s for one in readings]
        record.close()


def test_an_index_that_does_not_fit_its_table_is_found_where_damage_was_reported(tmp_path: Path) -> None:
    path, backups, readings = made(tmp_path)
    with path.open("r+b") as file:
        file.seek((page_of(path, "idx_entry_time_s") - 1) * PAGE_BYTES + 3)
        file.write((0).to_bytes(2, "big"))  # an index leaf without a cell
    report(path, "malformed")
    record = Record.open_mended(path, backups, now_s=T0)
    assert "was damaged" in record.mishaps[0].what
    assert [one.id for one in record.reader().entries(-math.inf, math.inf)] == ["e-1", "e-2"]
    assert times(record) == [one.time_s for one in readings]
    record.close()


def test_a_disk_that_damages_one_record_after_the_other_wants_somebody_first(tmp_path: Path) -> None:
    path, backups, _ = made(tmp_path)
    for number in range(3):
        spoil(path, leaves_of(path, "sample")[4])
        Record.open_mended(path, backups, now_s=T0 + number * 3600.0).close()
    spoil(path, leaves_of(path, "sample")[4])
    with pytest.raises(DamagedRecordError, match="as it was 3 times before; see to the disk"):
        Record.open_mended(path, backups, now_s=T0 + 4 * 3600.0)
    assert len(asides(path)) == 3


def test_a_record_that_is_gone_is_said(tmp_path: Path) -> None:
    path, backups, _ = made(tmp_path)
    path.unlink()
    record = Record.open_mended(path, backups, now_s=T0)
    assert "the record is gone" in record.mishaps[0].what
    assert "bandkeeper restore" in record.mishaps[0].remedy
    record.close()


# what is not ours, and changes of place that are broken off


def test_a_file_that_is_no_database_and_never_was_ours_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_bytes(b"buy coolant " * 1000)
    with pytest.raises(RecordError, match="is no database; name another file"):
        Record.open_mended(path, tmp_path / "backups", now_s=T0)
    assert path.read_bytes() == b"buy coolant " * 1000


@pytest.mark.parametrize("at", ["mending", "mended", "aside"])
def test_a_kill_while_mending_is_made_good_at_the_next_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    path, backups, readings = made(tmp_path)
    leaves = leaves_of(path, "sample")
    spoil(path, leaves[10])
    here = Path.replace

    def replace(self: Path, target: Path) -> Path:
        if at == "mending" and target.name.endswith(MENDED):
            raise KeyboardInterrupt
        done = here(self, target)
        if (at == "mended" and target.name.endswith(MENDED)) or (at == "aside" and ".damaged-" in target.name):
            raise KeyboardInterrupt
        return done

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", replace)
        with pytest.raises(KeyboardInterrupt):
            Record.open_mended(path, backups, now_s=T0 + DAY_S * 3)
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S * 3 + 60.0)
    assert times(record) == [one.time_s for one in readings]
    assert len(asides(path)) == 1
    assert not [file.name for file in tmp_path.iterdir() if MENDED in file.name or ".mending" in file.name]
    record.close()


def test_restore_puts_the_newest_backup_or_a_named_one_in_place(tmp_path: Path) -> None:
    path, backups, readings = made(tmp_path)
    used, aside = restore(path, backups, None, T0 + DAY_S)
    assert used == backups_in(backups, path)[0].path
    record = Record.open_mended(path, backups, now_s=T0 + DAY_S)
    assert times(record) == [one.time_s for one in readings[:3000]]
    record.close()
    assert aside is not None
    used, second = restore(path, None, aside, T0 + 2 * DAY_S)
    assert second is not None
    record = Record.open_mended(path, backups, now_s=T0 + 2 * DAY_S)
    assert times(record) == [one.time_s for one in readings]
    record.close()


def test_restore_refuses_what_is_damaged_or_missing(tmp_path: Path) -> None:
    path, backups, _ = made(tmp_path)
    backup = backups_in(backups, path)[0].path
    before = path.read_bytes()
    spoil(backup, 3, 5)
    with pytest.raises(DamagedRecordError, match="is damaged itself"):
        restore(path, backups, None, T0)
    with pytest.raises(RecordError, match="there is no such file"):
        restore(path, backups, tmp_path / "none", T0)
    with pytest.raises(RecordError, match="there is no backup in"):
        restore(path, tmp_path / "nowhere", None, T0)
    assert path.read_bytes() == before
