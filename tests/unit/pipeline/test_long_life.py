"""What a pipeline remembers does not grow with its age, and a restart after weeks still gives the same numbers."""

from __future__ import annotations

import json
import math
import zlib
from base64 import b64encode
from dataclasses import replace

import pytest

from monitor.memory import Memory
from monitor.pipeline import Pipeline
from monitor.plant.reading import Entry, EntryKind, Reading
from monitor.plant.types import Plant
from monitor.recall import ENTRIES_BACK_S
from tests.unit.pipeline.shop import BEGIN_S, DAY_S, Machine, plant_of, readings_of
from tests.unit.pipeline.still import believed, foreseen, state_of

DAYS = 15
CHECKPOINT_DAY = 13.25


def shop() -> list[Machine]:
    """Give a machine that is topped up every day, half of it logged."""
    return [Machine("lathe-04", acts=[(24.0 * day + 9.5, 40.0, 6.0) for day in range(DAYS)])]


def entries() -> list[Entry]:
    times = [BEGIN_S + DAY_S * day + 3600.0 * (9.6 if day % 2 else 10.1) for day in range(DAYS) if day % 4 != 3]
    return [
        Entry(f"e-{number:02}", "lathe-04", EntryKind.TOP_UP, time_s, time_s, 40.0, 6.0)
        for number, time_s in enumerate(times)
    ]


@pytest.fixture(scope="module")
def run() -> tuple[Plant, list[Reading], Pipeline, tuple[float, bytes]]:
    """Give a plant, what it said, a pipeline after all days, and a checkpoint of day 13."""
    plant, readings = plant_of(shop()), readings_of(shop(), 24.0 * DAYS, every_s=1800.0)
    pipeline = Pipeline(plant)
    pipeline.take(readings, entries())
    checkpoint = None
    for changes in pipeline.run_until(BEGIN_S + DAYS * DAY_S):
        if changes.snapshot.now_s == BEGIN_S + CHECKPOINT_DAY * DAY_S:
            checkpoint = pipeline.checkpoint()
    assert checkpoint is not None
    return plant, readings, pipeline, checkpoint


def again(plant: Plant, readings: list[Reading], checkpoint: tuple[float, bytes]) -> Pipeline:
    """Go on from a checkpoint as a restart does."""
    time_s, blob = checkpoint
    pipeline = Pipeline(plant)
    pipeline.restore(blob, [one for one in entries() if time_s - ENTRIES_BACK_S <= one.time_s < time_s])
    pipeline.take([one for one in readings if one.time_s >= time_s], [e for e in entries() if e.time_s >= time_s])
    for _ in pipeline.run_until(BEGIN_S + DAYS * DAY_S):
        pass
    return pipeline


def test_the_log_book_in_memory_holds_what_late_input_can_reach(
    run: tuple[Plant, list[Reading], Pipeline, tuple[float, bytes]],
) -> None:
    book = run[2].engine.logbook
    kept = [entry for _, _, entry in book.entries["lathe-04"]]
    assert len(entries()) > len(kept) >= 7
    assert min(entry.time_s for entry in kept) >= BEGIN_S + (DAYS - 10.25) * DAY_S
    assert sum(len(told) for told in book.by_bin.values()) == len(kept)
    assert 0 < len(book.used) <= len(kept) + 1


def test_a_restart_after_weeks_gives_the_same_numbers(
    run: tuple[Plant, list[Reading], Pipeline, tuple[float, bytes]],
) -> None:
    plant, readings, whole, checkpoint = run
    resumed = again(plant, readings, checkpoint)
    assert state_of(resumed) == state_of(whole)
    assert believed(resumed) == believed(whole)
    assert foreseen(resumed) == foreseen(whole)
    assert resumed.engine.logbook.used == whole.engine.logbook.used
    assert resumed.engine.logbook.entries == whole.engine.logbook.entries
    assert resumed.engine.events() == whole.engine.events()
    assert Memory.engine_part(resumed.checkpoint()[1]) == Memory.engine_part(whole.checkpoint()[1])


def test_late_input_after_weeks_gives_the_same_numbers_as_in_order(
    run: tuple[Plant, list[Reading], Pipeline, tuple[float, bytes]],
) -> None:
    plant, readings, whole, _ = run
    late_s = BEGIN_S + 9.5 * DAY_S
    held = [one for one in readings if late_s <= one.time_s < late_s + 7200.0]
    rest = [one for one in readings if not late_s <= one.time_s < late_s + 7200.0]
    told_late = [one for one in entries() if late_s <= one.time_s < late_s + 7200.0]
    on_record, kept = list(rest), list[tuple[float, bytes]]()
    pipeline = Pipeline(
        plant,
        lambda from_s, to_s: [one for one in on_record if from_s <= one.time_s < to_s],
        lambda before_s: next((one for one in reversed(kept) if one[0] < before_s), None),
    )
    pipeline.take(rest, [one for one in entries() if one not in told_late])
    for _ in pipeline.run_until(BEGIN_S + (DAYS - 0.5) * DAY_S):
        if pipeline.checkpoint_due():
            time_s, blob = pipeline.checkpoint()
            kept.append((math.nextafter(time_s, 0.0), blob))
    kept = [one for one in kept if one[0] < late_s]  # as the record does
    arrived_s = BEGIN_S + (DAYS - 0.5) * DAY_S
    on_record += held
    pipeline.take([replace(one, arrived_s=arrived_s) for one in held], told_late)
    for _ in pipeline.run_until(BEGIN_S + DAYS * DAY_S):
        pass
    assert state_of(pipeline) == state_of(whole)


def test_a_checkpoint_of_the_first_releases_is_still_read(
    run: tuple[Plant, list[Reading], Pipeline, tuple[float, bytes]],
) -> None:
    plant, readings, whole, (time_s, blob) = run
    head, _, engine = zlib.decompress(blob).partition(b"\n")
    body = {**json.loads(head), "engine": b64encode(engine).decode()}
    old = zlib.compress(json.dumps(body).encode(), level=1)
    assert state_of(again(plant, readings, (time_s, old))) == state_of(whole)
