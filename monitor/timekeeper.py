"""The clock of this machine, believed slowly: a jump moves nothing before it has stood for a while.

A step of up to two minutes is followed at once. A greater one is not believed for ten minutes: meanwhile time goes on
by a clock that is never set (it counts the sleep of the machine too), and it is said. If it still stands then it is
believed, forwards by 30 days at most: a clock that is a year ahead would make a year out of one night, so that is left
to whoever starts the daemon anew.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

log = logging.getLogger("bandkeeper")

STEP_S: Final = 120.0
BELIEVED_AFTER_S: Final = 600.0
MOST_AHEAD_S: Final = 30 * 86400.0
_FOLLOW_S: Final = 1.0

Clock = Callable[[], float]
Leapt = Callable[[float, float], None]


def steady_clock() -> float:
    """Return seconds that never jump, those of sleep included."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def millisecond_clock() -> float:
    """Return Unix seconds to the millisecond: what is stamped with them takes little room on record."""
    return round(time.time(), 3)


@dataclass(frozen=True, slots=True)
class _Jump:
    """A jump that is not believed yet: by how much, and since when on the steady clock."""

    by_s: float
    since_s: float


class Timekeeper:
    """Gives the time by which the daemon lives (`now`, Unix seconds; any thread).

    `leapt(from_s, to_s)` is called once for each jump that is believed.
    """

    def __init__(
        self, wall: Clock = millisecond_clock, steady: Clock = steady_clock, *, leapt: Leapt | None = None
    ) -> None:
        self.leapt = leapt
        self._wall, self._steady = wall, steady
        self._offset_s = wall() - steady()
        self._jump: _Jump | None = None
        self._lock = threading.Lock()

    def now(self) -> float:
        """Return now."""
        wall_s, steady_s = self._wall(), self._steady()
        off_s = wall_s - steady_s - self._offset_s
        if self._jump is None and -_FOLLOW_S < off_s < _FOLLOW_S:
            return wall_s
        with self._lock:
            return self._look(wall_s, steady_s)

    def _look(self, wall_s: float, steady_s: float) -> float:
        believed_s = steady_s + self._offset_s
        off_s = wall_s - believed_s
        if abs(off_s) <= STEP_S:
            if self._jump is not None:
                log.info("the clock of this machine is right again")
            self._offset_s, self._jump = wall_s - steady_s, None
            return wall_s
        if self._jump is None or abs(off_s - self._jump.by_s) > STEP_S:
            self._jump = _Jump(off_s, steady_s)
            log.warning("%s", self._what(off_s))
        if steady_s - self._jump.since_s < BELIEVED_AFTER_S or off_s > MOST_AHEAD_S:
            return believed_s
        log.warning("the clock of this machine is believed now")
        self._offset_s, self._jump = wall_s - steady_s, None
        if self.leapt is not None:
            self.leapt(believed_s, wall_s)
        return wall_s

    def remark(self) -> str:
        """Say what is wrong with the clock and what helps; empty if nothing is."""
        jump = self._jump
        if jump is None:
            return ""
        if jump.by_s > MOST_AHEAD_S:
            return f"{self._what(jump.by_s)}: set it right; if it is right now, start the daemon anew"
        minutes = max(0.0, BELIEVED_AFTER_S - (self._steady() - jump.since_s)) / 60.0
        return f"{self._what(jump.by_s)}: set it right; if it stays so it is believed in {minutes:.0f} min"

    @staticmethod
    def _what(by_s: float) -> str:
        size = abs(by_s)
        span = f"{size / 86400.0:.0f} days" if size >= 2 * 86400.0 else f"{size / 60.0:.0f} min"
        return f"the clock of this machine was set {'ahead' if by_s > 0 else 'back'} by {span} and is not believed"
