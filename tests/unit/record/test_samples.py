from __future__ import annotations

import math
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.plant.reading import Reading, Signal
from monitor.record import samples
from monitor.record.reader import Reader
from monitor.record.store import Record
from tests.unit.record.things import T0

MOMENTS = st.one_of(
    st.integers(-5_000, 5_000).map(lambda ms: (1_930_339_800_000 + ms) / 1000.0),
    st.floats(T0 - 0.01, T0 + 0.01),
    st.floats(-1e10, 1e10),
    st.sampled_from([0.0, -1.0, 0.001, 0.9995, math.nextafter(T0, 0.0), math.nextafter(T0, math.inf), 1e13]),
)
SIGNALS = st.sampled_from([Signal.LEVEL, Signal.REFRACTOMETER, Signal.PH])


@contextmanager
def record() -> Iterator[Record]:
    with tempfile.TemporaryDirectory() as folder:
        record = Record.open(Path(folder) / "record.db", now_s=T0)
        yield record
        record.close()


def lies_in(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as db:
        return int(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608


def lay_down_as_before(record: Record, readings: Sequence[Reading]) -> None:
    """Store readings where releases before there were samples stored them."""
    numbers = record._numbers
    rows = [(one.time_s, numbers[one.sump, one.signal], one.value, 0, None, None) for one in readings]
    record._db.conn.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?, ?)", rows)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(MOMENTS, SIGNALS), max_size=40),
    st.lists(st.tuples(MOMENTS, SIGNALS), max_size=15),
    st.integers(1, 7),
    MOMENTS,
    MOMENTS,
)
def test_whatever_its_time_a_reading_is_stored_once_and_read_in_order(
    said: list[tuple[float, Signal]], before: list[tuple[float, Signal]], lot: int, from_s: float, to_s: float
) -> None:
    readings = [Reading("lathe-04", signal, float(n), time_s, time_s) for n, (time_s, signal) in enumerate(said)]
    earlier = [Reading("lathe-04", signal, -1.0, time_s, time_s) for time_s, signal in before]
    with record() as kept:
        lay_down_as_before(kept, earlier)
        new: list[Reading] = []
        for begin in range(0, len(readings), lot):
            new += kept.add(readings[begin : begin + lot]).readings
        assert kept.add(readings).readings == ()
        expected: dict[tuple[float, Signal], Reading] = {}
        for one in [*earlier, *readings]:
            expected.setdefault((one.time_s, one.signal), one)
        wanted = sorted(expected.values(), key=lambda one: (one.time_s, str(one.signal)))
        assert sorted(new, key=lambda one: one.value or 0.0) == sorted(
            (one for one in wanted if one.value != -1.0), key=lambda one: one.value or 0.0
        )
        reader = kept.reader()
        assert list(reader.readings(-math.inf, math.inf)) == wanted
        assert list(reader.readings(from_s, to_s)) == [one for one in wanted if from_s <= one.time_s < to_s]
        assert reader.reading_count() == len(wanted)
        assert reader.newest_reading_s() == max((one.time_s for one in wanted), default=None)
        assert reader.unsure_count(-math.inf, math.inf) == 0


def test_pages_go_on_where_they_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(samples, "FIRST_PAGE", 3)
    monkeypatch.setattr(samples, "PAGE", 4)
    times = [T0 + step / 7.0 / 1000.0 for step in range(100)] + [T0 + step / 1000.0 for step in range(50)]
    with record() as kept:
        lay_down_as_before(kept, [Reading("lathe-05", Signal.PH, 7.0, T0 + step / 90.0, T0) for step in range(30)])
        kept.add([Reading(f"lathe-0{n}", Signal.LEVEL, 1.0, time_s, time_s) for time_s in times for n in (4, 5)])
        found = [one.time_s for one in kept.reader().readings(T0, math.inf)]
        assert found == sorted(found)
        assert len(found) == kept.reader().reading_count()
        assert len(list(kept.reader().readings(T0, math.inf, "lathe-04"))) == len(set(times))


def test_times_that_draw_the_same_key_are_both_kept(tmp_path: Path) -> None:
    kept = Record.open(tmp_path / "record.db", now_s=T0)
    kept.add([Reading(f"m-{n:03}", Signal.LEVEL, 1.0, T0 - 60.0, T0) for n in range(100)])
    found: dict[int | None, tuple[float, int]] = {}
    both: list[Reading] = []
    for time_s, stream in product((T0 + step * 1e-6 + 1e-7 for step in range(500)), range(1, 101)):
        one = time_s, stream
        key = samples.key_of(time_s, stream)
        if found.setdefault(key, one) != one and key is not None and samples.is_drawn(key):
            both = [Reading(f"m-{n - 1:03}", Signal.LEVEL, 2.0, at_s, at_s) for at_s, n in sorted((found[key], one))]
            break
    assert len(both) == 2
    assert kept.add(both).readings == tuple(both)
    assert kept.add(both).doubled_readings == 2
    assert (lies_in(kept.path, "sample"), lies_in(kept.path, "reading")) == (101, 1)
    assert list(Reader(kept.path).readings(T0, math.inf)) == both
    kept.close()


def test_readings_with_times_of_microseconds_lie_among_the_samples(tmp_path: Path) -> None:
    kept = Record.open(tmp_path / "record.db", now_s=T0)
    times = [T0 + step * 1.000_017 for step in range(500)]
    kept.add([Reading("lathe-04", Signal.LEVEL, 1.0, time_s, time_s) for time_s in times])
    assert lies_in(kept.path, "sample") == 500
    assert lies_in(kept.path, "reading") == 0
    assert [one.time_s for one in kept.reader().readings(0.0, math.inf)] == times
    kept.close()


def test_what_was_measured_in_turn_is_written_at_the_end_of_the_file_alone(tmp_path: Path) -> None:
    kept = Record.open(tmp_path / "record.db", now_s=T0)
    lots = [
        [Reading(f"m-{n}", Signal.LEVEL, 1.0 + n, T0 + lot + n / 100.0, T0 + lot + 1.0) for n in range(80)]
        for lot in range(200)
    ]
    for lot in lots[:100]:
        kept.add(lot)
    log = tmp_path / "record.db-wal"
    kept._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    for lot in lots[100:]:
        kept.add(lot)
    pages = log.stat().st_size / 4120
    assert pages / 100 < 3.0, "more than the last page, at times a new one, and what points to it"
    kept.close()
