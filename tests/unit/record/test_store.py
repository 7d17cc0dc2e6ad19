from __future__ import annotations

import math
import stat
from dataclasses import replace
from pathlib import Path

import pytest

from adapters.delivery import Receipt
from monitor.plant.errors import RecordError
from monitor.plant.reading import Quality, Reading, Rejected, Signal
from monitor.record.reader import Reader
from monitor.record.store import Record
from monitor.record.writer import RAW_KEPT, RECEIPTS_KEPT, REJECTED_KEPT
from tests.unit.record.things import T0, entry, event, reading

ALWAYS = (-math.inf, math.inf)


def test_what_was_added_is_there_after_opening_again(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    readings = [reading(0), reading(5, 249.5), replace(reading(5), signal=Signal.PH, value=None, reason="no answer")]
    record = Record.open(path, now_s=T0)
    added = record.add(readings, [entry(1)], [Rejected("hall", T0, "no JSON", "{")])
    record.close()
    assert (added.readings, added.entries) == (tuple(readings), (entry(1),))
    again = Record.open(path, now_s=T0 + 1)
    reader = again.reader()
    assert list(reader.readings(*ALWAYS)) == readings
    assert reader.entries(*ALWAYS) == [entry(1)]
    assert reader.rejected() == [Rejected("hall", T0, "no JSON", "{")]
    again.close()


def test_the_file_is_its_owners_alone(record: Record) -> None:
    record.add([reading(0)])
    files = sorted(record.path.parent.glob("bandkeeper.db*"))
    assert len(files) == 3
    assert {stat.S_IMODE(file.stat().st_mode) for file in files} == {0o600}


def test_commits_reach_the_disk_itself(record: Record) -> None:
    db = record._db
    assert db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert db.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL


def test_a_doubled_reading_is_kept_once_and_the_first_wins(record: Record) -> None:
    first, other = reading(0, 250.0), reading(5, 251.0)
    record.add([first])
    added = record.add([replace(first, value=999.0), other, replace(other, value=888.0, arrived_s=T0 + 999)])
    assert added.readings == (other,)
    assert added.doubled_readings == 2
    assert list(record.reader().readings(*ALWAYS)) == [first, other]


def test_a_doubled_entry_is_kept_once(record: Record) -> None:
    record.add(entries=[entry(1)])
    added = record.add(entries=[replace(entry(1), volume_l=1.0), entry(2), entry(2)])
    assert added.entries == (entry(2),)
    assert added.doubled_entries == 2
    assert record.reader().entries(*ALWAYS) == [entry(1), entry(2)]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_reading_that_is_not_finite_is_refused_and_its_neighbours_are_kept(record: Record, value: float) -> None:
    sick = replace(reading(0), value=value, sump="mill-07")
    added = record.add([sick, reading(0), replace(reading(1), time_s=value)])
    assert added.readings == (reading(0),)
    assert [refused.where for refused in added.refused] == ["mill-07/level", "lathe-04/level"]
    assert record.reader().rejected_count() == 2
    assert list(record.reader().readings(*ALWAYS)) == [reading(0)]


def test_rejects_are_cut_counted_and_only_the_newest_are_kept(record: Record) -> None:
    many = [Rejected("hall", T0 + number, "no JSON", f"{number}") for number in range(REJECTED_KEPT + 7)]
    record.add(rejected=many)
    record.add(rejected=[Rejected("hall", math.nan, "no JSON", "\udcff" * 2 * RAW_KEPT)])
    reader = record.reader()
    assert reader.rejected_count() == REJECTED_KEPT + 8
    newest = reader.rejected(REJECTED_KEPT + 100)
    assert len(newest) == REJECTED_KEPT
    assert newest[0].raw == "\\udcff" * RAW_KEPT
    assert newest[1] == many[-1]
    assert newest[-1] == many[8]


def step_that_breaks(record: Record) -> None:
    with record.transaction():
        record.add([reading(5), replace(reading(5), sump="press-01")])
        record.save_events([event(2)])
        record.save_checkpoint(T0 + 400, b"later")
        raise ZeroDivisionError


def test_a_transaction_is_kept_whole_or_not_at_all(record: Record) -> None:
    with record.transaction():
        record.add([reading(0)])
        record.save_events([event(1)])
        record.save_checkpoint(T0 + 60, b"state")
    with pytest.raises(ZeroDivisionError):
        step_that_breaks(record)
    reader = record.reader()
    assert list(reader.readings(*ALWAYS)) == [reading(0)]
    assert reader.events(*ALWAYS) == [event(1)]
    assert reader.latest_checkpoint() == (T0 + 60, b"state")
    added = record.add([replace(reading(5), sump="press-01"), reading(5)])
    assert len(added.readings) == 2
    assert [one.sump for one in reader.readings(T0 + 1, math.inf)] == ["lathe-04", "press-01"]


def test_a_failed_part_within_a_transaction_leaves_the_rest(record: Record) -> None:
    with record.transaction():
        record.add([reading(0)])
        with pytest.raises(RecordError, match="no scope"):
            record.add_token("x", "root", None, T0)
        record.add([reading(5)])
    assert len(list(record.reader().readings(*ALWAYS))) == 2


def test_receipts_come_back_by_source_oldest_first_and_are_bounded(record: Record) -> None:
    given = [Receipt("hall", number % 65536, 2**64 - 1 - number, T0 + number) for number in range(RECEIPTS_KEPT + 5)]
    record.add([reading(0)], receipts=given)
    record.add(receipts=[Receipt("yard", 7, 8, T0)])
    reader = record.reader()
    assert reader.receipts("hall") == [(one.mid, one.digest, one.arrived_s) for one in given[6:]]
    assert reader.receipts("yard") == [(7, 8, T0)]
    assert reader.receipts("attic") == []


def test_a_backup_is_a_whole_record_of_its_own(record: Record, tmp_path: Path) -> None:
    record.add([reading(minute) for minute in range(5000)])
    target = tmp_path / "backup.db"
    target.write_text("an old backup")
    record.backup(target)
    record.add([reading(6000)])
    assert Reader.open(target).reading_count() == 5000
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    assert not list(tmp_path.glob("*.unfinished"))


def test_a_backup_that_cannot_be_written_says_so(record: Record, tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="is the record itself"):
        record.backup(record.path)
    with pytest.raises(RecordError, match="check the folder and its space"):
        record.backup(tmp_path / "nowhere" / "backup.db")
    assert record.add([reading(0)]).readings


def test_quality_and_arrival_come_back_as_they_were(record: Record) -> None:
    given = [
        Reading("lathe-04", Signal.LEVEL, 1.0, T0, T0),
        Reading("lathe-04", Signal.LEVEL, 1.0, T0 + 0.1234567, T0 - 5.5, Quality.DOUBTFUL, "foam"),
        Reading("lathe-04", Signal.LEVEL, None, T0 + 2, T0 + 9e6, Quality.BAD, "no answer"),
    ]
    record.add(given)
    assert list(record.reader().readings(*ALWAYS)) == given
