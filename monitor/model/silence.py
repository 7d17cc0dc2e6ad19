"""Which signals are silent: judged from arrivals against the expected spacing, never from a value that does not change.

Signals that come every few minutes are silent after four spacings, at least two hours; signals that people read by hand
(two hours apart or more) only while somebody is there to read them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from monitor.plant.calendar import WeeklyCalendar
from monitor.plant.reading import Reading, Signal
from monitor.plant.types import Plant, Sump

SPACINGS: Final = 4.0
LEAST_S: Final = 7200.0
BY_HAND_S: Final = 7200.0


class Silence:
    """Keeps when each signal was last heard (arrival time, Unix seconds).

    Times in which nobody listened (`away_s`) do not count. `listened` are the signals that the checkpoint it came from
    listened to, None without one.
    """

    def __init__(self, plant: Plant) -> None:
        self._attended: WeeklyCalendar = plant.attended
        self._sumps = plant.sumps
        self.heard: dict[str, dict[Signal, float]] = {sump: {} for sump in plant.sumps}
        self.since_s: float | None = None
        self.added_s: dict[str, dict[Signal, float]] = {}
        self.away_s: Sequence[tuple[float, float]] = ()
        self.listened: dict[str, list[Signal]] | None = None

    def add_signals(self, before: Mapping[str, Iterable[Signal]], now_s: float) -> None:
        """Count the silence of signals that nobody listened to before from now on."""
        for sump in self._sumps.values():
            for signal in set(sump.signals).difference(before.get(sump.id, ())):
                self.added_s.setdefault(sump.id, {})[signal] = now_s

    def listens_to(self) -> dict[str, list[Signal]]:
        """Return the signals that are listened to."""
        return {sump.id: sorted(sump.signals) for sump in self._sumps.values()}

    def add(self, readings: Iterable[Reading]) -> None:
        """Note arrivals. A reading without a value (a broken wire, a device that has none) is not hearing anything."""
        for reading in readings:
            last = self.heard[reading.sump]
            if reading.value is not None and reading.arrived_s > last.get(reading.signal, float("-inf")):
                last[reading.signal] = reading.arrived_s
            if self.since_s is None or reading.arrived_s < self.since_s:
                self.since_s = reading.arrived_s

    def silent(self, sump: str, now_s: float) -> tuple[Signal, ...]:
        """Return the signals of a sump that should have been heard by now."""
        if self.since_s is None:
            return ()
        one = self._sumps[sump]
        return tuple(signal for signal in one.signals if self._is_silent(one, signal, now_s))

    def last_heard_s(self, sump: str, signal: Signal) -> float | None:
        """Return when a signal was last heard, None if never."""
        return self.heard[sump].get(signal)

    def _is_silent(self, sump: Sump, signal: Signal, now_s: float) -> bool:
        period_s = sump.signals[signal].period_s
        last_s = self.heard[sump.id].get(signal, self.since_s or now_s)
        last_s = max(last_s, self.added_s.get(sump.id, {}).get(signal, last_s))
        allowed_s = max(SPACINGS * period_s, LEAST_S)
        quiet_s = now_s - last_s - sum(max(0.0, min(to_s, now_s) - max(from_s, last_s)) for from_s, to_s in self.away_s)
        if quiet_s <= allowed_s or period_s < BY_HAND_S:
            return quiet_s > allowed_s
        there_s = sum(end - start for start, end in self._attended.intervals(last_s, now_s))
        return there_s > allowed_s
