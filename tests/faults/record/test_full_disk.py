"""A disk that fills up: the batch is refused whole, what was stored stays, and it goes on when there is room again."""

from __future__ import annotations

import math
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from monitor.plant.errors import RecordError
from monitor.plant.reading import Reading, Rejected, Signal
from monitor.record import upkeep
from monitor.record.schema import STEPS
from monitor.record.store import Record
from tests.cases.records.make import HERE as RECORDS
from tests.cases.records.make import rows_of
from tests.faults.record import lives
from tests.unit.record.things import T0, entry, event


def batch(number: int) -> list[Reading]:
    """Return 500 readings of a sump never heard of before."""
    times = (T0 + 500.0 * number + second for second in range(500))
    return [Reading(f"press-{number:02}", Signal.LEVEL, time_s / 7, time_s, time_s + 0.3) for time_s in times]


@pytest.fixture
def full(tmp_path: Path) -> Iterator[tuple[Record, int]]:
    """Give a record that has taken as many batches as there was room for, and how many those were."""
    record = Record.open(tmp_path / "bandkeeper.db", now_s=T0)
    pages = record._db.execute("PRAGMA page_count").fetchone()[0]
    record._db.execute(f"PRAGMA max_page_count = {pages + 50}")
    stored: list[int] = []
    with pytest.raises(RecordError, match="the disk is full; nothing of this step is stored: make room"):
        fill(record, stored)
    assert stored
    yield record, len(stored)
    record.close()


def fill(record: Record, stored: list[int]) -> None:
    for number in range(100):
        record.add(batch(number), [entry(number)], [Rejected("hall", T0, "no JSON", f"{number}")])
        stored.append(number)


def stored(record: Record) -> tuple[list[Reading], list[str], int]:
    reader = record.reader()
    entries = [one.id for one in reader.entries(-math.inf, math.inf)]
    return list(reader.readings(-math.inf, math.inf)), entries, reader.rejected_count()


def test_nothing_of_the_batch_is_stored_and_all_before_it_is(full: tuple[Record, int]) -> None:
    record, taken = full
    whole = [reading for number in range(taken) for reading in batch(number)]
    assert stored(record) == (whole, [f"e-{number}" for number in range(taken)], taken)


def test_it_goes_on_when_there_is_room_again(full: tuple[Record, int]) -> None:
    record, taken = full
    with pytest.raises(RecordError, match="the disk is full"):
        record.add(batch(taken))
    record._db.execute("PRAGMA max_page_count = 1000000")
    assert len(record.add(batch(taken)).readings) == 500
    assert stored(record)[0] == [reading for number in range(taken + 1) for reading in batch(number)]


def whole_step(record: Record, number: int) -> None:
    with record.transaction():
        record.save_events([event(1)])
        record.add(batch(number))


def stubborn_step(record: Record, number: int) -> None:
    with record.transaction():
        record.save_events([event(1)])
        with pytest.raises(RecordError, match="the disk is full"):
            record.add(batch(number))
        record.save_checkpoint(T0, b"x" * 200_000)


def test_a_whole_step_is_refused_together(full: tuple[Record, int]) -> None:
    record, taken = full
    with pytest.raises(RecordError, match="the disk is full"):
        whole_step(record, taken)
    assert record.reader().events(-math.inf, math.inf) == []


def test_going_on_after_a_refusal_inside_a_step_is_an_error_not_half_a_step(full: tuple[Record, int]) -> None:
    record, taken = full
    with pytest.raises(RecordError):
        stubborn_step(record, taken)
    assert record.reader().events(-math.inf, math.inf) == []
    assert record.reader().latest_checkpoint() is None


def test_a_checkpoint_that_does_not_fit_leaves_the_one_before(full: tuple[Record, int]) -> None:
    record, _ = full
    record._db.execute("PRAGMA max_page_count = 1000000")
    record.save_checkpoint(T0, b"first")
    record._db.execute("PRAGMA max_page_count = 1")
    with pytest.raises(RecordError, match="the disk is full"):
        record.save_checkpoint(T0 + 60.0, b"x" * 200_000)
    assert record.reader().latest_checkpoint() == (T0, b"first")


def test_upkeep_stops_where_there_is_no_room_and_goes_on_where_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module, constants in lives.SMALL.items():
        for name, value in constants.items():
            monkeypatch.setattr(module, name, value)
    begin, path = tmp_path / "begin.db", tmp_path / "full.db"
    lives.prepare(begin)
    shutil.copy(begin, path)
    lives.whole_life(begin)
    record = Record.open(path, now_s=lives.END_S, keeping=lives.KEEPING)
    pages = record._db.execute("PRAGMA page_count").fetchone()[0]
    record._db.execute(f"PRAGMA max_page_count = {pages}")
    for attempt in range(3):
        with pytest.raises(RecordError, match="the disk is full"):
            lives.round_of(record, lives.END_S + 61.0 * attempt)
        assert record.reader().reading_count() == len(lives.said())
    record._db.execute("PRAGMA max_page_count = 1000000")
    lives.round_of(record, lives.END_S + 200.0)
    lives.round_of(record, lives.END_S + 200.0 + upkeep.LET_GO_EVERY_S)
    record.add([lives.late(), *lives.said()[-20:]])
    lives.round_of(record, lives.END_S + 7200.0)
    record.close()
    ours, whole = lives.content(path), lives.content(begin)
    assert [line for line in ours if '"upkeep"' not in line] == [line for line in whole if '"upkeep"' not in line]


def test_an_upgrade_that_does_not_fit_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript((RECORDS / f"{STEPS[0]}.sql").read_text(encoding="utf-8"))
        before = rows_of(connection)

    def small() -> None:
        """No file may grow beyond this, and a write beyond it fails instead of ending the process."""
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (path.stat().st_size, path.stat().st_size))

    program = (
        "import sys\n"
        "from pathlib import Path\n"
        "from monitor.record.store import Record\n"
        "Record.open(Path(sys.argv[1]), now_s=0.0)\n"
    )
    command = [sys.executable, "-c", program, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60, preexec_fn=small)
    assert done.returncode == 1
    assert "RecordError" in done.stderr
    assert "the disk refuses to read or write" in done.stderr or "the disk is full" in done.stderr
    Record.open(path, now_s=0.0).close()
    with closing(sqlite3.connect(path)) as connection:
        after = rows_of(connection)
    assert [{name: row[name] for name in before["reading"][0]} for row in after["reading"]] == before["reading"]
