"""From the record back into a pipeline: the last checkpoint, and everything that was told since."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from alerts.types import Alert, AlertState, Transition
from monitor.pipeline import Pipeline
from monitor.plant.reading import Reading
from monitor.record.reader import Reader

LOOK_BACK_S: Final = 30 * 86400.0
ENTRIES_BACK_S: Final = 10 * 86400.0
CLOSED_BACK_S: Final = 2 * 86400.0
AWAY_S: Final = 1800.0
"""A break counts as one from so long after the last sign of life."""


def resume(pipeline: Pipeline, reader: Reader, now_s: float) -> float:
    """Let a new pipeline stand where the last checkpoint stood; return the moment from which readings are to follow."""
    checkpoint = reader.latest_checkpoint(None)
    from_s = now_s - LOOK_BACK_S
    if checkpoint is not None:
        from_s = math.nextafter(checkpoint[0], math.inf)
        pipeline.restore(checkpoint[1], reader.entries(from_s - ENTRIES_BACK_S, from_s))
    if pipeline.silence.listened is not None:
        pipeline.silence.add_signals(pipeline.silence.listened, now_s)
    pipeline.take((), reader.entries(from_s, math.inf))
    moves = reader.transitions(from_s, math.inf)
    pipeline.resume(filter(_by_people, moves), (_last_seen_s(reader, from_s, moves) + AWAY_S, now_s))
    return from_s


def closed_lately(reader: Reader, now_s: float) -> list[Alert]:
    """Return the alerts that were closed within two days before the last sign of life: others may still show them."""
    return reader.alerts_closed_since(min(reader.newest_reading_s() or now_s, now_s) - CLOSED_BACK_S)


def recalled(reader: Reader, clock: Callable[[], float], from_s: float, to_s: float) -> Iterator[Reading]:
    """Give readings of the record back; none came later than now, whatever the clock said then."""
    now_s = clock()
    for reading in reader.readings(from_s, to_s):
        yield reading if reading.arrived_s <= now_s else replace(reading, arrived_s=now_s)


def _last_seen_s(reader: Reader, from_s: float, moves: Sequence[Transition]) -> float:
    """Return until when the daemon ran before, as far as the record shows it."""
    heard_s = reader.newest_reading_s()
    return max(from_s, heard_s or from_s, *(move.time_s for move in moves[-1:]))


def _by_people(move: Transition) -> bool:
    acknowledged = move.after is AlertState.ACKNOWLEDGED or move.alert.acknowledged_s == move.time_s
    return acknowledged or move.after is AlertState.SHELVED or move.alert.acted_s == move.time_s
