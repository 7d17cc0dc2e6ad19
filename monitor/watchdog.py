"""Telling systemd how the daemon stands, and signs of life only as long as its work goes on."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable
from typing import Final

STUCK_S: Final = 120.0
"""A worker that has not come round for so long is stuck; systemd then starts the daemon anew."""
_DEFAULT_EVERY_S: Final = 3600.0


def notify(*lines: str) -> None:
    """Tell systemd, where it listens."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.connect("\0" + address[1:] if address.startswith("@") else address)
        line.send("\n".join(lines).encode())


def notify_reloading() -> None:
    """Tell systemd that a reload begins, and when (sd_notify(3)); `READY=1` ends it."""
    notify("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")


def ping_every_s() -> float:
    """Return how often systemd wants a sign of life: twice in the time after which it gives up."""
    text = os.environ.get("WATCHDOG_USEC", "")
    return int(text) / 2e6 if text.isdecimal() and int(text) > 0 else _DEFAULT_EVERY_S


class Watch:
    """Gives signs of life until somebody wants something, none while the work stands still.

    `wait(seconds)` waits so long for a wish and returns it, None if none came. `idle_s` tells how many seconds ago the
    work last came round.
    """

    def __init__(self, wait: Callable[[float], str | None], idle_s: Callable[[], float]) -> None:
        self._wait, self._idle_s = wait, idle_s
        self._due = time.monotonic() + ping_every_s()

    def next_wish(self) -> str:
        """Wait for a wish and return it."""
        while True:
            left_s = self._due - time.monotonic()
            if left_s <= 0.0:
                self._due = time.monotonic() + ping_every_s()
                if self._idle_s() < STUCK_S:
                    notify("WATCHDOG=1")
            elif (wish := self._wait(left_s)) is not None:
                return wish
