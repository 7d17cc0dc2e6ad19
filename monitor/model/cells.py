"""Samples as they came, by bin and cell (a signal of a sump), in little room.

The samples of a cell lie in one array, time and value in turns, in order of time; of one time the first stands. Of each
`SLOT_S` only the first by time is kept, in whatever order they came: a source that runs wild fills no memory, and the
middle of a bin is hardly another for it. The record has all of them.
Bins that are hardly asked for again are packed: three arrays a bin instead of one a cell.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import Final, TypeAlias

Samples: TypeAlias = "array[float]"
Cells = dict[int, Samples]

SLOT_S: Final = 5.0
"""A whole number of slots makes a bin."""
_NUMBERS: Final = "d"
_COUNTS: Final = "i"


@dataclass(frozen=True, slots=True)
class _Packed:
    """All samples of one bin: the cells, how many numbers each holds, and these one cell after the other."""

    keys: array[int]
    counts: array[int]
    numbers: bytes

    @classmethod
    def of(cls, cells: Cells) -> _Packed:
        return cls(array(_COUNTS, cells), array(_COUNTS, map(len, cells.values())), b"".join(cells.values()))

    def cells(self) -> Cells:
        numbers = array(_NUMBERS)
        numbers.frombytes(self.numbers)
        found: Cells = {}
        begin = 0
        for key, count in zip(self.keys, self.counts, strict=True):
            found[key] = numbers[begin : begin + count]
            begin += count
        return found


class CellStore:
    """The samples of all bins. A cell's key is any number that stands for one signal of one sump."""

    def __init__(self) -> None:
        self._open: dict[int, Cells] = {}
        self._packed: dict[int, _Packed] = {}

    def put(self, k: int, key: int, time_s: float, value: float) -> bool:
        """Add a sample to bin k; tell whether it changes anything (the first of a slot, and of a moment, stands)."""
        cells = self._open.get(k)
        if cells is None:
            cells = self._open[k] = self._packed.pop(k).cells() if k in self._packed else {}
        samples = cells.get(key)
        if samples is None:
            cells[key] = array(_NUMBERS, (time_s, value))
            return True
        if time_s > samples[-2]:
            if time_s // SLOT_S == samples[-2] // SLOT_S:
                return False
            samples.extend((time_s, value))
            return True
        return _put_between(samples, time_s, value)

    def of(self, k: int) -> Cells:
        """Return the cells of bin k."""
        packed = self._packed.get(k)
        return self._open.get(k, {}) if packed is None else packed.cells()

    def pack_before(self, k: int) -> None:
        """Pack the bins before k."""
        for old in [b for b in self._open if b < k]:
            self._packed[old] = _Packed.of(self._open.pop(old))

    def forget_before(self, k: int) -> None:
        """Let go of the bins before k."""
        for store in (self._open, self._packed):
            for old in [b for b in store if b < k]:
                del store[old]


def _put_between(samples: Samples, time_s: float, value: float) -> bool:
    """Put a sample in that is no later than the last; it takes the place of a later one of its slot."""
    times, slot = samples[::2], time_s // SLOT_S
    i = bisect_left(times, time_s)
    if times[i] == time_s or (i and times[i - 1] // SLOT_S == slot):
        return False
    end = i + 1 if times[i] // SLOT_S == slot else i
    samples[2 * i : 2 * end] = array(_NUMBERS, (time_s, value))
    return True


def told_until(cells: Cells, until_s: float) -> Cells:
    """Return the cells with the samples up to a moment, that moment included."""
    found: Cells = {}
    for key, samples in cells.items():
        if samples[-2] <= until_s:
            found[key] = samples
        elif samples[0] <= until_s:
            found[key] = samples[: 2 * bisect_right(samples[::2], until_s)]
    return found
