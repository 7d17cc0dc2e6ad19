"""The report on alerts from the record: for the API and the command line."""

from __future__ import annotations

from alerts.hygiene import Hygiene, judge
from monitor.model.types import EventKind
from monitor.plant.reading import EntryKind
from monitor.plant.types import Plant
from monitor.record.outbox import sent_counts
from monitor.record.reader import Reader

_TOUCHING = (EntryKind.TOP_UP, EntryKind.REMOVAL, EntryKind.CHARGE)
_SEEN = (EventKind.UNLOGGED_TOP_UP, EventKind.UNLOGGED_REMOVAL)
_BEFORE_S = 86400.0


def hygiene_of(plant: Plant, reader: Reader, from_s: float, to_s: float) -> Hygiene:
    """Judge the alerts of a span."""
    touched: dict[str, list[float]] = {}
    for entry in reader.entries(from_s, to_s):
        if entry.kind in _TOUCHING:
            touched.setdefault(entry.sump, []).append(entry.time_s)
    for event in reader.events(from_s, to_s):
        if event.kind in _SEEN:
            touched.setdefault(event.sump, []).append(event.time_s)
    messages: dict[str, int] = {}
    for (person, _), count in sent_counts(reader.path, from_s, to_s).items():
        messages[person] = messages.get(person, 0) + count
    moves = reader.transitions(from_s - _BEFORE_S, to_s)
    shifts = len(plant.attended.intervals(from_s, to_s))
    return judge(moves, touched, messages, shifts, plant.attended.covers, (from_s, to_s))
