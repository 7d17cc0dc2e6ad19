"""Input that tells of moments the pipeline has not passed yet, and when the pipeline passes its next moment.

Time is passed in moments, marks of ten seconds. A reading counts from the first moment at or after its own time that
was passed after it came (a moment is passed `settle_s` behind the clock). So each moment sees the same input whether it
came drop by drop, in lumps, or all at once from the record after a restart.

Moments are the full quarters of an hour, and besides: soon after the very first reading, after each entry, and
after readings that come late, so that nobody has to wait a quarter of an hour for what he just told.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from alerts.types import Transition
from monitor.model.layout import BIN_S
from monitor.plant.reading import Entry, Reading

MARK_S: Final = 10.0
SETTLE_S: Final = 10.0
"""So far behind the clock the daemon passes a moment, to let what is under way arrive."""
MARKS_A_BIN: Final = int(BIN_S / MARK_S)
MARKS_A_MINUTE: Final = 6
EARLY_MARKS: Final = (*range(1, 31), *range(36, 181, MARKS_A_MINUTE))
"""After the first reading: every ten seconds for five minutes, every minute for half an hour."""


@dataclass(slots=True)
class Lump:
    """Input that counts from the same moment on."""

    readings: list[Reading] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)


class Waiting:
    """Lumps by the mark from which on they count (mark m is the moment `m * MARK_S`, Unix seconds)."""

    def __init__(self, settle_s: float) -> None:
        self._settle_s = settle_s
        self._lumps: dict[int, Lump] = {}
        self._moves: list[tuple[int, Transition]] = []
        self._urgent: set[int] = set()
        self._early: set[int] = set()

    def add(self, readings: Iterable[Reading], entries: Iterable[Entry], passed: int) -> None:
        """Keep input, mark `passed` being the last one passed; what is due already counts at the next moment."""
        for reading in readings:
            mark = self.counts_from(reading)
            self._at(mark).readings.append(reading)
            if reading.arrived_s - self._settle_s - reading.time_s > BIN_S:
                self._hurry(-(-max(mark, passed + 1) // MARKS_A_MINUTE) * MARKS_A_MINUTE)
        for entry in entries:
            mark = int(-(-max(entry.time_s, entry.logged_s - self._settle_s) // MARK_S))
            self._at(mark).entries.append(entry)
            self._hurry(max(mark, passed + 1))

    def counts_from(self, reading: Reading) -> int:
        """Return the mark from which on a reading counts."""
        return int(-(-max(reading.time_s, reading.arrived_s - self._settle_s) // MARK_S))

    def first_mark(self, readings: Iterable[Reading]) -> int:
        """Return the mark before the first of these readings counts, and look often for a while after it."""
        first = min(int(max(one.time_s, one.arrived_s - self._settle_s) // MARK_S) for one in readings)
        self._early = {first + mark for mark in EARLY_MARKS if (first + mark) % MARKS_A_BIN}
        return first

    def add_moves(self, moves: Iterable[Transition], passed: int) -> None:
        """Keep what people did to alerts after mark `passed` was passed; each comes before the next moment."""
        for move in moves:
            due = int((move.time_s - self._settle_s) // MARK_S) + 1
            if due > passed:
                self._moves.append((due, move))

    def _at(self, mark: int) -> Lump:
        lump = self._lumps.get(mark)
        if lump is None:
            lump = self._lumps[mark] = Lump()
        return lump

    def _hurry(self, mark: int) -> None:
        if mark % MARKS_A_BIN:
            self._urgent.add(mark)

    def next_mark(self, passed: int) -> int:
        """Return the next mark to pass after `passed`."""
        self._urgent = {mark for mark in self._urgent if mark > passed}
        early = (mark for mark in self._early if mark > passed)
        return min([(passed // MARKS_A_BIN + 1) * MARKS_A_BIN, *self._urgent, *early])

    def is_glance(self, mark: int) -> bool:
        """Tell whether a mark is passed only to show the first readings: too soon to call anybody."""
        return mark in self._early and mark not in self._urgent

    def take(self, mark: int) -> list[Lump]:
        """Give out what counts from this mark or an earlier one on, in order."""
        return [self._lumps.pop(due) for due in sorted(self._lumps) if due <= mark]

    def take_moves(self, mark: int) -> list[Transition]:
        """Give out what people did before this mark, in the order they did it."""
        taken = [move for due, move in self._moves if due <= mark]
        self._moves = [(due, move) for due, move in self._moves if due > mark]
        return taken

    def tells_of_before(self, time_s: float) -> bool:
        """Tell whether something that waits happened before a moment."""
        return any(
            one.time_s < time_s
            for lump in self._lumps.values()
            for some in (lump.readings, lump.entries)
            for one in some
        )
