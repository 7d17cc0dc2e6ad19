from __future__ import annotations

import math
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.plant.errors import RecordError
from monitor.plant.reading import Quality, Reading, Signal
from monitor.record import samples
from monitor.record.reader import Reader
from monitor.record.store import Record
from tests.unit.record.things import T0, entry, estimate, reading

ALWAYS = (-math.inf, math.inf)


def test_readings_come_in_time_order_and_those_of_one_time_by_sump_and_signal(record: Record) -> None:
    given = [
        reading(5, sump="saw-01"),
        reading(5, sump="mill-07"),
        reading(5, signal=Signal.RUNNING, value=1.0),
        reading(5, signal=Signal.LEVEL),
        reading(0, sump="saw-01"),
    ]
    record.add(given)
    assert list(record.reader().readings(*ALWAYS)) == [given[4], given[3], given[2], given[1], given[0]]


def test_a_span_holds_its_beginning_and_not_its_end(record: Record) -> None:
    given = [reading(minute) for minute in range(5)]
    record.add(given, [entry(number, number) for number in range(5)])
    reader = record.reader()
    assert list(reader.readings(T0 + 60, T0 + 180)) == given[1:3]
    assert [one.id for one in reader.entries(T0 + 60, T0 + 180)] == ["e-1", "e-2"]
    assert list(reader.readings(T0 + 180, T0 + 60)) == []


def test_readings_of_one_sump(record: Record) -> None:
    record.add([reading(minute, sump=sump) for minute in range(9) for sump in ("lathe-04", "mill-07")])
    assert {one.sump for one in record.reader().readings(*ALWAYS, sump="mill-07")} == {"mill-07"}
    assert len(list(record.reader().readings(*ALWAYS, sump="mill-07"))) == 9
    assert list(record.reader().readings(*ALWAYS, sump="saw-01")) == []
    assert record.reader().entries(*ALWAYS, sump="saw-01") == []


@pytest.mark.parametrize("page", [1, 2, 3, 7, 12, 13])
def test_pages_neither_lose_nor_double_a_reading(record: Record, monkeypatch: pytest.MonkeyPatch, page: int) -> None:
    monkeypatch.setattr(samples, "FIRST_PAGE", page)
    monkeypatch.setattr(samples, "PAGE", page)
    given = [reading(minute, sump=sump) for minute in range(4) for sump in ("a", "b", "c")]
    record.add(given)
    assert list(record.reader().readings(*ALWAYS)) == given
    assert list(record.reader().readings(*ALWAYS, sump="b")) == given[1::3]


def test_a_slow_reader_does_not_hold_up_the_writer(record: Record) -> None:
    record.add([reading(minute) for minute in range(10)])
    slow = record.reader().readings(*ALWAYS)
    next(slow)
    record.add([reading(minute) for minute in range(10, 20)])
    busy, _, _ = record._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy == 0
    assert len(list(slow)) == 9


def test_any_thread_may_read_while_writing_goes_on(record: Record) -> None:
    reader = record.reader()
    counts: list[int] = []
    faults: list[Exception] = []

    def look() -> None:
        try:
            counts.extend(len(list(reader.readings(*ALWAYS))) for _ in range(30))
        except Exception as error:  # noqa: BLE001 - a thread's error must reach the test
            faults.append(error)

    threads = [threading.Thread(target=look) for _ in range(3)]
    for thread in threads:
        thread.start()
    for minute in range(60):
        record.add([reading(minute), reading(minute, signal=Signal.PH)])
    for thread in threads:
        thread.join()
    assert not faults
    assert len(counts) == 90
    assert all(count % 2 == 0 for count in counts)


def test_history_keeps_the_extremes_in_at_most_so_many_points(record: Record) -> None:
    record.add([reading(minute, 100.0 + minute % 7) for minute in range(1000)])
    record.add([reading(3, 1e6), reading(5, 1.0, Signal.RUNNING), reading(1, 5.0, sump="mill-07")])
    unheard = replace(reading(7), signal=Signal.PH, value=None, reason="no answer")
    record.add([unheard])
    history = record.reader().history("lathe-04", T0, T0 + 60_000, 10)
    assert set(history) == {Signal.LEVEL, Signal.RUNNING}
    level = history[Signal.LEVEL]
    assert len(level) == 10
    assert [point.time_s for point in level] == sorted(point.time_s for point in level)
    assert min(point.low for point in level) == 100.0
    assert max(point.high for point in level) == 106.0
    assert level[0].mean == pytest.approx(sum(100 + m % 7 for m in range(100)) / 100)
    assert history[Signal.RUNNING] == [(T0 + 300, 1.0, 1.0, 1.0)]
    fine = record.reader().history("lathe-04", T0, T0 + 300, 500)[Signal.LEVEL]
    assert fine == [(T0 + 60 * minute, 100.0 + minute, 100.0 + minute, 100.0 + minute) for minute in range(5)]
    assert record.reader().history("saw-01", T0, T0 + 300, 5) == {}


@pytest.mark.parametrize("points", [1, 2, 3, 7, 100, 999])
def test_history_never_gives_more_points_than_asked(record: Record, points: int) -> None:
    record.add([replace(reading(0), time_s=T0 + number / 7, arrived_s=T0) for number in range(1000)])
    assert len(record.reader().history("lathe-04", T0, T0 + 1000 / 7, points)[Signal.LEVEL]) <= points


def test_estimates_come_back_thinned(record: Record) -> None:
    record.save_estimates([estimate(minute, 300.0 + minute) for minute in range(0, 600, 60)])
    record.save_estimates([estimate(0, 310.0), replace(estimate(60, sump="mill-07"), known=False)])
    reader = record.reader()
    fine = reader.estimates("lathe-04", T0, T0 + 36_000, 100)
    assert [point.volume_l for point in fine] == [310.0, *(300.0 + minute for minute in range(60, 600, 60))]
    assert (fine[0].concentration_sd_pct, fine[0].drag_out_l_per_day) == (0.2, 5.0)
    coarse = reader.estimates("lathe-04", T0, T0 + 36_000, 5)
    assert [point.volume_l for point in coarse] == [335.0, 450.0, 570.0, 690.0, 810.0]
    assert reader.estimates("mill-07", T0, T0 + 36_000, 5) == []


def test_a_history_over_no_time_is_an_error(record: Record) -> None:
    with pytest.raises(RecordError, match="at least one point"):
        record.reader().history("lathe-04", T0, T0 + 60, 0)
    with pytest.raises(RecordError, match="runs forward"):
        record.reader().estimates("lathe-04", T0, T0, 5)


def test_counts_and_the_newest_time(record: Record) -> None:
    reader = record.reader()
    assert (reader.reading_count(), reader.newest_reading_s(), reader.rejected_count()) == (0, None, 0)
    doubtful = Reading("lathe-04", Signal.PH, 8.0, T0 + 90, T0 + 90, Quality.DOUBTFUL)
    record.add([reading(0), doubtful])
    assert (reader.reading_count(), reader.newest_reading_s()) == (2, T0 + 90)
    assert reader.unsure_count(*ALWAYS) == 1
    assert reader.unsure_count(T0, T0 + 90) == 0


def test_reading_only_needs_a_record_that_is_there_and_makes_none(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="there is no record yet"):
        Reader.open(tmp_path / "none.db")
    assert not list(tmp_path.iterdir())


def test_a_record_with_odd_signs_in_its_name_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "hall 1? #2%20&mode=rw.db"
    record = Record.open(path, now_s=T0)
    record.add([reading(0)])
    assert Reader.open(path).reading_count() == 1
    record.close()
    assert Reader.open(path).reading_count() == 1
