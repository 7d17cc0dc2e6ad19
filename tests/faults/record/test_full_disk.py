"""A disk that fills up: the batch is refused whole, what was stored stays, and it goes on when there is room again."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.plant.errors import RecordError
from monitor.plant.reading import Reading, Rejected, Signal
from monitor.record.store import Record
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
    record._db.execute(f"PRAGMA max_page_count = {pages + 12}")
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
