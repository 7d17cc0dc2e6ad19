"""The health of one source: written by its thread, read by any; a log line only when the text changes."""

from __future__ import annotations

import logging
import threading
import time
from typing import Final

from adapters.delivery import SourceHealth, SourceState

log = logging.getLogger("bandkeeper.sources")


HANGS_S: Final = 120.0
"""A source whose thread has not come round for so long hangs: in a driver, a name server, a network share."""


class Board:
    """State, words and counters of one source. Its thread tells with each round, by `beat`, that it is alive."""

    def __init__(self, source: str) -> None:
        self.source = source
        self._lock = threading.Lock()
        self._state = SourceState.STOPPED
        self._detail = "not started"
        self._remedy = ""
        self._last_heard_s: float | None = None
        self._received = self._accepted = self._rejected = 0
        self._beat_s: float | None = None

    def beat(self) -> None:
        """Tell that the source's thread has come round."""
        self._beat_s = time.monotonic()

    def set(self, state: SourceState, detail: str, remedy: str = "") -> None:
        """Change what is said of the source; logged once per change."""
        self._beat_s = None if state is SourceState.STOPPED else time.monotonic()
        with self._lock:
            changed = (state, detail) != (self._state, self._detail)
            self._state, self._detail, self._remedy = state, detail, remedy
        if changed:
            calm = state in {SourceState.UP, SourceState.STOPPED}
            text = f"{self.source}: {state.value}: {detail}" + (f" - {remedy}" if remedy else "")
            log.log(logging.INFO if calm else logging.WARNING, "%s", text)

    def count(self, received: int, accepted: int, rejected: int, heard_s: float | None = None) -> None:
        """Add to the counters; `heard_s` is when the source was last heard."""
        with self._lock:
            self._received += received
            self._accepted += accepted
            self._rejected += rejected
            if heard_s is not None:
                self._last_heard_s = heard_s

    def health(self, unconfirmed: int = 0) -> SourceHealth:
        """Give the picture of this moment."""
        beat_s, now_s = self._beat_s, time.monotonic()
        with self._lock:
            said = (self._state, self._detail, self._remedy)
            if beat_s is not None and now_s - beat_s > HANGS_S:
                what = f"hangs since {(now_s - beat_s) / 60.0:.0f} min, after: {self._detail}"
                said = (SourceState.WAITING, what, "look at cable, driver or network; if it stays, restart the daemon")
            return SourceHealth(
                self.source,
                *said,
                self._last_heard_s,
                self._received,
                self._accepted,
                self._rejected,
                unconfirmed,
            )
