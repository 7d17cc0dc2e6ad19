"""A bell that one thread rings to end another thread's wait in poll()."""

from __future__ import annotations

import os
import threading


class Alarm:
    """A pipe to oneself; `fd` becomes readable when somebody rings. Safe to ring after it was closed."""

    def __init__(self) -> None:
        self.fd, self._bell = os.pipe()
        os.set_blocking(self.fd, False)
        os.set_blocking(self._bell, False)
        self._lock = threading.Lock()
        self._rung = False
        self._closed = False

    def ring(self) -> None:
        """Make `fd` readable (from any thread)."""
        with self._lock:
            if not self._rung and not self._closed:
                self._rung = True
                os.write(self._bell, b"\0")

    def hear(self) -> None:
        """Take the ring away; what was left for the listener before it is worked off after this."""
        with self._lock:
            if self._rung and not self._closed:
                self._rung = False
                os.read(self.fd, 1)

    def close(self) -> None:
        """Give the pipe back."""
        with self._lock:
            if not self._closed:
                self._closed = True
                os.close(self.fd)
                os.close(self._bell)
