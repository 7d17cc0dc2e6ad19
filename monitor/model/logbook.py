"""What people logged, held against what the sensors saw.

Entries are evidence with a chance of being wrong, not commands: an entry explains a jump that the sensors saw about
that time; it moves the estimate by itself only where the sensors cannot see (no gauge, a silent one, hand readings
hours apart). Nothing depends on when an entry was logged, only on the time it tells.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from monitor.model.bins import bin_of
from monitor.plant.reading import Entry, EntryKind

NEAR_BINS: Final = 26
FILLS: Final = frozenset({EntryKind.TOP_UP, EntryKind.CHARGE})
GALLON: Final = 3.785411784


@dataclass(slots=True)
class Logbook:
    """All entries by sump, and which of them explained a jump (entry id -> the bin in which that was seen)."""

    entries: dict[str, list[tuple[float, str, Entry]]] = field(default_factory=dict)
    used: dict[str, int] = field(default_factory=dict)
    by_bin: dict[int, list[Entry]] = field(default_factory=dict)

    def add(self, entries: Iterable[Entry]) -> int | None:
        """Take entries in; return the earliest bin they touch."""
        earliest: int | None = None
        for entry in entries:
            book = self.entries.setdefault(entry.sump, [])
            item = (entry.time_s, entry.id, entry)
            if any(known == entry.id for _, known, _ in book):
                continue
            insort(book, item, key=lambda one: one[:2])
            k = bin_of(entry.time_s)
            insort(self.by_bin.setdefault(k, []), entry, key=lambda one: (one.time_s, one.id))
            earliest = k if earliest is None else min(earliest, k)
        return earliest

    def in_bin(self, k: int) -> list[Entry]:
        """Return the entries whose time falls in bin k, by time and id."""
        return self.by_bin.get(k, [])

    def explaining(self, sump: str, k: int, until: int, litres: float | None, *, filling: bool) -> Entry | None:
        """Return the unused entry that best explains a jump of `litres` at bin k among those told up to bin `until`."""
        best: tuple[float, Entry] | None = None
        for time_s, _, entry in self.entries.get(sump, []):
            if entry.id in self.used or not _fits(entry, litres, filling=filling):
                continue
            off = abs(bin_of(time_s) - k)
            if off <= NEAR_BINS and bin_of(time_s) <= until and (best is None or off < best[0]):
                best = (off, entry)
        return None if best is None else best[1]

    def use(self, entry: Entry, k: int) -> None:
        """Remember that the entry explained something in bin k."""
        self.used[entry.id] = k

    def roll_back(self, k: int) -> None:
        """Forget what was explained in bin k and later."""
        self.used = {name: at for name, at in self.used.items() if at < k}

    def forget_before(self, k: int) -> None:
        """Let go of what is told of bins before k, and of what was explained where no entry left could be meant."""
        for number in [number for number in self.by_bin if number < k]:
            del self.by_bin[number]
        self.entries = {
            sump: left for sump, book in self.entries.items() if (left := [one for one in book if bin_of(one[0]) >= k])
        }
        self.used = {name: at for name, at in self.used.items() if at >= k - 2 * NEAR_BINS}


def _fits(entry: Entry, litres: float | None, *, filling: bool) -> bool:
    if filling != (entry.kind in FILLS) or (not filling and entry.kind is not EntryKind.REMOVAL):
        return False
    if litres is None or entry.volume_l is None or entry.kind is EntryKind.CHARGE:
        return True
    ratio = entry.volume_l / max(litres, 1e-6)
    return 0.5 <= ratio <= 2.0 or 0.6 <= ratio * GALLON <= 1.6
