"""The demo's clock: simulated time that somebody moves on, never faster than asked and never by itself.

Time stands still while the works wait for the daemon to catch up or while people do their round, so that a slow
machine makes a slow demo and not a growing queue.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

_BREATH_S = 0.25  # real seconds of lateness that may be caught up on; more is forgotten


class DemoClock:
    """Unix seconds that start at `start_s` and are moved on by `advance`, at most `speed` times as fast as life."""

    def __init__(
        self,
        start_s: float,
        speed: float,
        *,
        monotonic: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if not speed > 0.0:
            raise ValueError(f"speed is {speed}; simulated seconds per real second must be above 0")
        self._lock = threading.Lock()
        self._now_s = start_s
        self._speed = speed
        self._monotonic = monotonic
        self._sleep = sleep
        self._due = monotonic()

    def now_s(self) -> float:
        """Return the simulated time, Unix seconds."""
        with self._lock:
            return self._now_s

    def advance(self, seconds: float) -> None:
        """Wait as long as these simulated seconds take, then move the clock on by them."""
        self._due = max(self._due, self._monotonic() - _BREATH_S) + seconds / self._speed
        wait = self._due - self._monotonic()
        if wait > 0.0:
            self._sleep(wait)
        with self._lock:
            self._now_s += seconds
