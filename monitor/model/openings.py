"""Small rises that may be openings of a filling valve nobody has found yet: told when that is settled, not before.

A valve keeps the gauge at its mark, so a small rise from the lowest mark of the last days may be one, whatever the
strength did. It was none where the gauge then falls further at work than any opening reaches; it was one where a valve
is found at that mark. What is still open after four days is told, but for a sump that has begun anew since.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any, Final, Self

import numpy as np

from monitor.model.layout import BIN_S, BINS_A_DAY, DENSE_S, Fixed
from monitor.model.state import State
from monitor.model.types import Event, EventKind
from monitor.model.valves import (
    BINS_AN_HOUR,
    COUNT,
    FLAG,
    GAUGES,
    MARK,
    MOSTLY,
    RING_H,
    RUNS,
)

SMALL: Final = 0.09  # of full: after a start of the pump a valve lets several openings in, one after the other
FROM_LOWEST: Final = 0.02  # of full
FALLS: Final = 0.035  # of full
AT_MARK: Final = 0.045  # of full
WAITS_H: Final = 96
LOOKED_EVERY: Final = 4
NOTHING_HEARD: Final = -1.0


@dataclass(frozen=True, slots=True)
class Waiting:
    """A filling that is not told yet: the bin it came up, the one it was settled in (None: not yet), whether told."""

    k: int
    first: int
    from_l: float  # the gauge before the rise
    event: Event
    settled: int | None = None
    told: bool = False

    def before(self, k: int) -> Waiting:
        """Return it as it stood before bin k."""
        return self if self.settled is None or self.settled < k else replace(self, settled=None, told=False)

    def to_json(self) -> dict[str, Any]:
        """Return it as plain values."""
        return asdict(self)

    @classmethod
    def from_json(cls, body: dict[str, Any]) -> Self:
        """Take back what `to_json` gave."""
        event = Event(**{**body["event"], "kind": EventKind(body["event"]["kind"])})
        return cls(**{**body, "event": event})


def rose_from(state: State, fixed: Fixed, i: int, rise: tuple[int, float], k: int) -> float | None:
    """Return the litres on the gauge from which a valve may have let in a `rise` (first bin, litres), else None.

    Below zero where nothing was heard before it. Bin k is the last one passed.
    """
    first, litres = rise
    full = float(fixed.full_l[i])
    if litres > SMALL * full or not fixed.has_level[i] or fixed.level_period_s[i] > DENSE_S or state.valve[i, FLAG] > 0:
        return None
    before = [gauge for hour, gauge, _ in _hours(state, i, k) if hour < first // BINS_AN_HOUR]
    if not before:
        return NOTHING_HEARD
    return before[-1] if before[-1] < min(before) + FROM_LOWEST * full else None


def settle(state: State, fixed: Fixed, i: int, one: Waiting, k: int) -> Waiting:
    """Return a filling of row i that waits as it stands after bin k; one of a former tank or fluid is never told."""
    full = float(fixed.full_l[i])
    if state.bins_done[i] < BINS_A_DAY and state.bins_done[i] <= k - one.first:
        return _settled(one, k, told=False)
    if state.valve[i, FLAG] > 0:
        near = one.from_l == NOTHING_HEARD or abs(one.from_l - float(state.valve[i, MARK])) < AT_MARK * full
        return _settled(one, k, told=not near)
    begun = one.first // BINS_AN_HOUR
    worked = [gauge for hour, gauge, runs in _hours(state, i, k) if hour > begun + 1 and runs > MOSTLY]
    fell = len(worked) > 1 and max(worked) - worked[-1] > FALLS * full
    late = k - one.first > WAITS_H * BINS_AN_HOUR
    return _settled(one, k, told=True) if fell or late else one


def _settled(one: Waiting, k: int, *, told: bool) -> Waiting:
    return replace(one, settled=k, told=told, event=replace(one.event, detected_s=(k + 1) * BIN_S))


def _hours(state: State, i: int, k: int) -> list[tuple[int, float, float]]:
    """Return number, mean of the gauge and running share of each hour on the ring that has a level, oldest first."""
    last = k // BINS_AN_HOUR
    hours = np.arange(last - RING_H + 1, last + 1)
    ring = state.hourly[i, hours % RING_H]
    heard = ring[:, COUNT] > 0
    means = ring[heard] / ring[heard][:, COUNT : COUNT + 1]
    return list(zip(hours[heard].tolist(), means[:, GAUGES].tolist(), means[:, RUNS].tolist(), strict=True))
