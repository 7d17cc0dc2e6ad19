"""Input that tells of moments the pipeline has not passed yet, kept until the grid point at which it counts.

A reading counts from the first grid point at or after its own time that was passed after it came (a grid point is
passed `settle_s` after its moment). So each grid point sees the same input whether it came drop by drop, in lumps, or
all at once from the record after a restart.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from alerts.types import Transition
from monitor.model.layout import BIN_S
from monitor.plant.reading import Entry, Reading


@dataclass(slots=True)
class Lump:
    """Input that counts from the same grid point on."""

    readings: list[Reading] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)


class Waiting:
    """Lumps by grid point (a grid point k is the moment `k * BIN_S`)."""

    def __init__(self, settle_s: float) -> None:
        self._settle_s = settle_s
        self._lumps: dict[int, Lump] = {}
        self._moves: list[tuple[int, Transition]] = []

    def add(self, readings: Iterable[Reading], entries: Iterable[Entry] = ()) -> None:
        """Keep input; what is due already comes with the next `take`."""
        for reading in readings:
            self._at(self._due(reading.time_s, reading.arrived_s)).readings.append(reading)
        for entry in entries:
            self._at(self._due(entry.time_s, entry.logged_s)).entries.append(entry)

    def add_moves(self, moves: Iterable[Transition], passed: int) -> None:
        """Keep what people did to alerts after grid point `passed` was passed; each comes before the next one."""
        for move in moves:
            due = int((move.time_s - self._settle_s) // BIN_S) + 1
            if due > passed:
                self._moves.append((due, move))

    def _due(self, time_s: float, known_s: float) -> int:
        return int(-(-max(time_s, known_s - self._settle_s) // BIN_S))

    def _at(self, k: int) -> Lump:
        lump = self._lumps.get(k)
        if lump is None:
            lump = self._lumps[k] = Lump()
        return lump

    def take(self, k: int) -> list[Lump]:
        """Give out what counts from grid point k or an earlier one on, in order."""
        return [self._lumps.pop(due) for due in sorted(self._lumps) if due <= k]

    def take_moves(self, k: int) -> list[Transition]:
        """Give out what people did before grid point k, in the order they did it."""
        taken = [move for due, move in self._moves if due <= k]
        self._moves = [(due, move) for due, move in self._moves if due > k]
        return taken

    def tells_of_before(self, time_s: float) -> bool:
        """Tell whether something that waits happened before a moment."""
        return any(
            one.time_s < time_s
            for lump in self._lumps.values()
            for some in (lump.readings, lump.entries)
            for one in some
        )
