"""From the record back into a pipeline: the last checkpoint, and everything that was told since."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Final

from alerts.lifecycle import close
from alerts.types import Alert, AlertState, Transition
from monitor.pipeline import Pipeline
from monitor.plant.reading import Reading, Signal
from monitor.plant.types import Plant
from monitor.record.reader import Reader
from monitor.worker import ESTIMATES_EVERY_S

LOOK_BACK_S: Final = 30 * 86400.0
ENTRIES_BACK_S: Final = 10 * 86400.0
AHEAD_S: Final = 86400.0
CLOSED_BACK_S: Final = 2 * 86400.0
GONE: Final = "the sump is no longer in the plant file"
AWAY_S: Final = 1800.0
"""A break counts as one from so long after the last sign of life."""


def resume(
    pipeline: Pipeline, reader: Reader, now_s: float, listened: Mapping[str, Iterable[Signal]] | None = None
) -> float:
    """Let a new pipeline stand where the last checkpoint stood; return the moment from which readings are to follow.

    `listened` are the signals that were listened to until now; without it those of the checkpoint.
    """
    checkpoint = reader.latest_checkpoint(now_s)
    from_s = now_s - LOOK_BACK_S
    if checkpoint is not None:
        from_s = math.nextafter(checkpoint[0], math.inf)
        pipeline.restore(checkpoint[1], reader.entries(from_s - ENTRIES_BACK_S, from_s))
    before = pipeline.silence.listened if listened is None else listened
    if before is not None:
        pipeline.silence.add_signals(before, now_s)
    pipeline.take((), reader.entries(from_s, math.inf))
    moves = reader.transitions(from_s, math.inf)
    pipeline.resume(filter(_from_outside, moves), reader.times_away(from_s))
    return from_s


def closed_lately(reader: Reader, now_s: float) -> list[Alert]:
    """Return the alerts that were closed within two days before the last sign of life: others may still show them."""
    return reader.alerts_closed_since(min(reader.newest_reading_s() or now_s, now_s) - CLOSED_BACK_S)


def recalled(reader: Reader, clock: Callable[[], float], from_s: float, to_s: float) -> Iterator[Reading]:
    """Give readings of the record back; none came later than now, whatever the clock said then.

    What a clock that was fast has dated more than a day ahead stays on record and is not given.
    """
    now_s = clock()
    for reading in reader.readings(from_s, min(to_s, now_s + AHEAD_S)):
        yield reading if reading.arrived_s <= now_s else replace(reading, arrived_s=now_s)


def past(reader: Reader, clock: Callable[[], float], from_s: float, to_s: float) -> Iterator[Reading]:
    """Give readings of the record to one who goes back; what came after now, by a clock that was fast, is known."""
    now_s = clock()
    for reading in reader.readings(from_s, to_s):
        yield reading if reading.arrived_s <= now_s else replace(reading, arrived_s=reading.time_s)


def away(reader: Reader, now_s: float) -> tuple[float, float] | None:
    """Return between which moments nobody watched before this start, as far as the record shows it; None if hardly.

    While somebody watches, estimates are put on record every hour, whether readings come or not.
    """
    heard_s, estimated_s = reader.newest_reading_s(), reader.newest_estimate_s()
    if heard_s is None:
        return None
    moved_s = max((move.time_s for move in reader.transitions(heard_s, math.inf)), default=heard_s)
    seen_s = max(moved_s, heard_s if estimated_s is None else estimated_s + ESTIMATES_EVERY_S)
    return (seen_s + AWAY_S, now_s) if seen_s + AWAY_S < now_s else None


def gone(plant: Plant, alerts: Iterable[Alert], now_s: float) -> list[Transition]:
    """Close the alerts of sumps that are no longer in the plant file; return the transitions."""
    left = [a for a in alerts if a.state is not AlertState.NORMAL and a.sump and a.sump not in plant.sumps]
    return [close(alert, GONE, now_s)[1] for alert in left]


def _from_outside(move: Transition) -> bool:
    """Tell whether people, or a plant file without its sump, moved an alert, and not what is believed of the sump."""
    if move.reason == GONE:
        return True
    acknowledged = move.after is AlertState.ACKNOWLEDGED or move.alert.acknowledged_s == move.time_s
    return acknowledged or move.after is AlertState.SHELVED or move.alert.acted_s == move.time_s
