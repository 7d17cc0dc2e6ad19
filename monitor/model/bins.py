"""Readings gathered into bins of fifteen minutes, whatever order they came in.

A bin holds, for each sump, robust middles of what its signals said. Levels are litres in the gauge's sight, kept apart
by what the machine did at the moment of each sample. The result depends only on the set of readings, never on the order
of arrival: the first value stored for a (sump, signal, time) stands, and of samples closer than that the first of each
five seconds (see `cells`).
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final, Self

import numpy as np

from monitor.model.cells import SLOT_S, Cells, CellStore, Samples, told_until
from monitor.model.layout import BIN_S, Floats
from monitor.plant.reading import Quality, Reading, Signal
from monitor.plant.types import Plant

IDLE, RUNNING, UNSURE, DRAINING = range(4)
STOPPED_FOR_S: Final = (400.0, 950.0, 1850.0, 3650.0)
GROUPS: Final = DRAINING + len(STOPPED_FOR_S)
HOLD_S: Final = 7800.0
RUNS: Final = 0.5
"""Samples by what the machine did: at rest for an hour, running, unknown, and stopped for less than each of
`STOPPED_FOR_S` (the fluid still drains back). A running signal that speaks on change only is held for `HOLD_S`."""

SIGNALS: Final = tuple(Signal)
CODES: Final = {signal: code for code, signal in enumerate(SIGNALS)}
LEVEL, REFRACTOMETER, TEMPERATURE = (
    CODES[signal] for signal in (Signal.LEVEL, Signal.REFRACTOMETER, Signal.COOLANT_TEMPERATURE)
)
MADE_KEPT: Final = 8


@dataclass(slots=True)
class Bin:
    """One bin of all sumps: middles and counts, NaN and 0 where nothing came."""

    level_l: Floats  # (n, GROUPS) by IDLE, RUNNING, UNSURE, DRAINING and on
    level_n: Floats  # (n, GROUPS)
    brix: Floats  # (n,)
    brix_n: Floats
    running: Floats  # share of the time that the machine ran, NaN if unknown
    temperature: Floats

    @classmethod
    def empty(cls, n: int) -> Self:
        """Return a bin in which nothing was heard."""
        nothing = np.full(n, np.nan)
        return cls(
            level_l=np.full((n, GROUPS), np.nan),
            level_n=np.zeros((n, GROUPS)),
            brix=nothing.copy(),
            brix_n=np.zeros(n),
            running=nothing.copy(),
            temperature=nothing.copy(),
        )


def bin_of(time_s: float) -> int:
    """Return the number of the bin a moment falls in."""
    return math.floor(time_s / BIN_S)


@dataclass(slots=True)
class Switch:
    """What one running signal said, in order of time; each value holds until the next, for `HOLD_S` at most.

    Of each `SLOT_S` the first and the last by time are kept: the last is what holds from then on.
    """

    times: Samples = field(default_factory=lambda: array("d"))
    values: Samples = field(default_factory=lambda: array("d"))

    def add(self, time_s: float, value: float) -> bool:
        """Take a value in; tell whether it changes anything (the first one of a moment stands)."""
        i = bisect_left(self.times, time_s)
        if i < len(self.times) and self.times[i] == time_s:
            return False
        slot = time_s // SLOT_S
        before, after = self._in_slot(i - 1, slot), self._in_slot(i, slot)
        if before and after:
            return False
        begin = i - 1 if before and self._in_slot(i - 2, slot) else i
        end = i + 1 if after and self._in_slot(i + 1, slot) else i
        self.times[begin:end] = array("d", (time_s,))
        self.values[begin:end] = array("d", (value,))
        return True

    def _in_slot(self, i: int, slot: float) -> bool:
        return 0 <= i < len(self.times) and self.times[i] // SLOT_S == slot

    def forget_before(self, time_s: float) -> None:
        """Let go of what was said before a moment."""
        i = bisect_left(self.times, time_s)
        del self.times[:i], self.values[:i]

    def share(self, begin_s: float, end_s: float) -> float:
        """Return the share of a stretch that the machine ran, NaN where less than half of it is known.

        Of a stretch without length: whether it runs at that moment.
        """
        if end_s <= begin_s:
            i = bisect_right(self.times, begin_s) - 1
            held = i >= 0 and begin_s - self.times[i] <= HOLD_S
            return float(self.values[i] >= RUNS) if held else math.nan
        known = ran = 0.0
        i = max(bisect_right(self.times, begin_s) - 1, 0)
        while i < len(self.times) and self.times[i] < end_s:
            until = self.times[i + 1] if i + 1 < len(self.times) else end_s
            part = min(until, end_s, self.times[i] + HOLD_S) - max(self.times[i], begin_s)
            if part > 0.0:
                known += part
                ran += part * (self.values[i] >= RUNS)
            i += 1
        return ran / known if known >= 0.5 * (end_s - begin_s) else math.nan

    def group(self, time_s: float) -> int:
        """Return what the machine did at a moment; at the very moment of a change nobody knows."""
        i = bisect_right(self.times, time_s) - 1
        if i < 0 or time_s - self.times[i] > HOLD_S:
            return UNSURE
        runs = self.values[i] >= RUNS
        if self.times[i] == time_s and i > 0 and (self.values[i - 1] >= RUNS) != runs:
            return UNSURE
        if runs:
            return RUNNING
        return self._draining(i, time_s)

    def _draining(self, i: int, time_s: float) -> int:
        stopped_s = self.times[i]
        while i >= 0 and time_s - self.times[i] <= STOPPED_FOR_S[-1]:
            if self.values[i] >= RUNS:
                return DRAINING + bisect_left(STOPPED_FOR_S, time_s - stopped_s)
            stopped_s = self.times[i]
            i -= 1
        still = i >= 0 and self.values[i] >= RUNS and time_s - stopped_s <= STOPPED_FOR_S[-1]
        return DRAINING + bisect_left(STOPPED_FOR_S, time_s - stopped_s) if still else IDLE


class Gatherer:
    """Takes readings in any order and gives bins out."""

    def __init__(self, plant: Plant) -> None:
        self._ids = tuple(plant.sumps)
        self._row = {sump: i for i, sump in enumerate(self._ids)}
        self._volume = {
            sump.id: (lambda v: v) if _says_litres(plant, sump.id) else sump.tank.volume_l
            for sump in plant.sumps.values()
        }
        self._cells = CellStore()
        self._switches = [Switch() for _ in self._ids]
        self._made: dict[int, Bin] = {}

    def add(self, readings: Iterable[Reading]) -> int | None:
        """Take readings in; return the earliest bin that changed, None if none did."""
        earliest: int | None = None
        for reading in readings:
            k = self._put(reading)
            if k is not None and (earliest is None or k < earliest):
                earliest = k
        return earliest

    def _put(self, reading: Reading) -> int | None:
        value, time_s, signal = reading.value, reading.time_s, reading.signal
        if value is None or reading.quality is not Quality.GOOD:
            return None
        k, row = math.floor(time_s / BIN_S), self._row[reading.sump]
        if signal is Signal.RUNNING:
            return k if self._switch(row, time_s, value, k) else None
        if signal is Signal.LEVEL:
            value = self._volume[reading.sump](value)
            if not math.isfinite(value):
                return None
        if not self._cells.put(k, row * len(SIGNALS) + CODES[signal], time_s, value):
            return None
        self._made.pop(k, None)
        return k

    def _switch(self, row: int, time_s: float, value: float, k: int) -> bool:
        if not self._switches[row].add(time_s, value):
            return False
        for later in range(k, math.floor((time_s + HOLD_S) / BIN_S) + 1):
            self._made.pop(later, None)
        return True

    def bin(self, k: int) -> Bin:
        """Return bin k as it is now."""
        made = self._made.get(k)
        if made is None:
            made = self._make(k, self._cells.of(k), (k + 1) * BIN_S)
            self._made[k] = made
            while len(self._made) > MADE_KEPT:
                del self._made[next(iter(self._made))]
        return made

    def bin_until(self, k: int, until_s: float) -> Bin:
        """Return bin k as it was told up to a moment within it, that moment included; later samples do not count."""
        return self._make(k, told_until(self._cells.of(k), until_s), until_s)

    def pack_before(self, k: int) -> None:
        """Store the samples of bins before k in little room; they can still be asked for and added to."""
        self._cells.pack_before(k)

    def forget_before(self, k: int) -> None:
        """Let go of the samples of bins before k."""
        self._cells.forget_before(k)
        for old in [b for b in self._made if b < k]:
            del self._made[old]
        for switch in self._switches:
            switch.forget_before(k * BIN_S - HOLD_S)

    def held(self, k: int) -> Iterator[tuple[str, float, float]]:
        """Give what the running signals said in the hours before bin k that still counts in it: sump, time, value."""
        begin, end = k * BIN_S - HOLD_S, k * BIN_S
        for sump, switch in zip(self._ids, self._switches, strict=True):
            for t, v in zip(switch.times, switch.values, strict=True):
                if begin <= t < end:
                    yield sump, t, v

    def hold(self, held: Iterable[tuple[str, float, float]]) -> None:
        """Take back what `held` gave."""
        for sump, time_s, value in held:
            if sump in self._row:
                self._switch(self._row[sump], time_s, value, bin_of(time_s))

    def _make(self, k: int, cells: Cells, until_s: float) -> Bin:
        made = Bin.empty(len(self._ids))
        for row, switch in enumerate(self._switches):
            if switch.times:
                made.running[row] = switch.share(k * BIN_S, until_s)
        for key, samples in cells.items():
            row, code = divmod(key, len(SIGNALS))
            if code == LEVEL:
                _level(made, row, samples, self._switches[row])
            elif code == REFRACTOMETER:
                made.brix[row], made.brix_n[row] = middle(samples[1::2]), len(samples) // 2
            elif code == TEMPERATURE:
                made.temperature[row] = middle(samples[1::2])
        return made


def _says_litres(plant: Plant, sump: str) -> bool:
    spec = plant.sumps[sump].signals.get(Signal.LEVEL)
    return spec is not None and spec.unit.canonical == "L"


def middle(values: Iterable[float]) -> float:
    """Return the median."""
    rising = sorted(values)
    half = len(rising) // 2
    return rising[half] if len(rising) % 2 else (rising[half - 1] + rising[half]) / 2


def _level(made: Bin, row: int, samples: Samples, switch: Switch) -> None:
    if not switch.times:
        made.level_l[row, UNSURE], made.level_n[row, UNSURE] = middle(samples[1::2]), len(samples) // 2
        return
    groups: dict[int, list[float]] = {}
    for time_s, litres in zip(samples[::2], samples[1::2], strict=True):
        groups.setdefault(switch.group(time_s), []).append(litres)
    for group, values in groups.items():
        made.level_l[row, group], made.level_n[row, group] = middle(values), len(values)
