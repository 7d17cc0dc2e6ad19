"""Readings gathered into bins of fifteen minutes, whatever order they came in.

A bin holds, for each sump, robust middles of what its signals said. Levels are litres in the gauge's sight, kept apart
by what the machine did at the moment of each sample. The result depends only on the set of readings, never on the order
of arrival: the first value stored for a (sump, signal, time) stands.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median
from typing import Final, Self

import numpy as np

from monitor.model.layout import BIN_S, Floats
from monitor.plant.reading import Quality, Reading, Signal
from monitor.plant.types import Plant

IDLE, RUNNING, UNSURE = range(3)
NEAR_S: Final = 600.0

Samples = dict[float, float]


@dataclass(slots=True)
class Bin:
    """One bin of all sumps: middles and counts, NaN and 0 where nothing came."""

    level_l: Floats  # (n, 3) by IDLE, RUNNING, UNSURE
    level_n: Floats  # (n, 3)
    brix: Floats  # (n,)
    brix_n: Floats
    running: Floats  # share of the samples that say so, NaN if unknown
    temperature: Floats

    @classmethod
    def empty(cls, n: int) -> Self:
        """Return a bin in which nothing was heard."""
        nothing = np.full(n, np.nan)
        return cls(
            level_l=np.full((n, 3), np.nan),
            level_n=np.zeros((n, 3)),
            brix=nothing.copy(),
            brix_n=np.zeros(n),
            running=nothing.copy(),
            temperature=nothing.copy(),
        )


def bin_of(time_s: float) -> int:
    """Return the number of the bin a moment falls in."""
    return math.floor(time_s / BIN_S)


class Gatherer:
    """Takes readings in any order and gives bins out."""

    def __init__(self, plant: Plant) -> None:
        self._row = {sump: i for i, sump in enumerate(plant.sumps)}
        self._n = len(self._row)
        self._volume = {
            sump.id: (lambda v: v) if _says_litres(plant, sump.id) else sump.tank.volume_l
            for sump in plant.sumps.values()
        }
        self._near_s = NEAR_S
        self._samples: dict[int, dict[tuple[int, Signal], Samples]] = {}
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
        value = reading.value
        if value is None or reading.quality is not Quality.GOOD:
            return None
        if reading.signal is Signal.LEVEL:
            value = self._volume[reading.sump](value)
            if not math.isfinite(value):
                return None
        k = math.floor(reading.time_s / BIN_S)
        samples = self._samples.setdefault(k, {}).setdefault((self._row[reading.sump], reading.signal), {})
        if reading.time_s in samples:
            return None
        samples[reading.time_s] = value
        self._made.pop(k, None)
        return k

    def bin(self, k: int) -> Bin:
        """Return bin k as it is now."""
        made = self._made.get(k)
        if made is None:
            made = self._make(self._samples.get(k, {}))
            self._made[k] = made
        return made

    def forget_before(self, k: int) -> None:
        """Let go of the samples of bins before k."""
        for store in (self._samples, self._made):
            for old in [b for b in store if b < k]:
                del store[old]

    def _make(self, cells: dict[tuple[int, Signal], Samples]) -> Bin:
        made = Bin.empty(self._n)
        for (row, signal), samples in cells.items():
            if signal is Signal.LEVEL:
                _level(made, row, samples, cells.get((row, Signal.RUNNING)), self._near_s)
            elif signal is Signal.REFRACTOMETER:
                made.brix[row], made.brix_n[row] = median(samples.values()), len(samples)
            elif signal is Signal.RUNNING:
                made.running[row] = math.fsum(samples.values()) / len(samples)
            elif signal is Signal.COOLANT_TEMPERATURE:
                made.temperature[row] = median(samples.values())
        return made


def _says_litres(plant: Plant, sump: str) -> bool:
    spec = plant.sumps[sump].signals.get(Signal.LEVEL)
    return spec is not None and spec.unit.canonical == "L"


def _level(made: Bin, row: int, levels: Samples, running: Samples | None, near_s: float) -> None:
    groups: tuple[list[float], list[float], list[float]] = ([], [], [])
    times = sorted(running) if running else []
    for time_s, litres in levels.items():
        groups[_state_at(time_s, times, running, near_s)].append(litres)
    for group, values in enumerate(groups):
        if values:
            made.level_l[row, group], made.level_n[row, group] = median(values), len(values)


def _state_at(time_s: float, times: list[float], running: Samples | None, near_s: float) -> int:
    if running is None:
        return UNSURE
    if time_s in running:
        value = running[time_s]
    else:
        i = bisect_left(times, time_s)
        near = [t for t in times[max(0, i - 1) : i + 1] if abs(t - time_s) <= near_s]
        if not near:
            return UNSURE
        value = running[min(near, key=lambda t: abs(t - time_s))]
    return RUNNING if value >= 0.5 else IDLE
