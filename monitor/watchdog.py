"""Telling systemd that the daemon is there, and only as long as its work goes on."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from threading import Event
from typing import Final

STUCK_S: Final = 120.0
"""A worker that has not come round for so long is stuck; systemd then starts the daemon anew."""
_DEFAULT_EVERY_S: Final = 3600.0


def notify(text: str) -> None:
    """Tell systemd, where it listens."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.connect("\0" + address[1:] if address.startswith("@") else address)
        line.send(text.encode())


def ping_every_s() -> float:
    """Return how often systemd wants a sign of life: twice in the time after which it gives up."""
    text = os.environ.get("WATCHDOG_USEC", "")
    return int(text) / 2e6 if text.isdecimal() and int(text) > 0 else _DEFAULT_EVERY_S


def watch_until(ended: Event, idle_s: Callable[[], float]) -> None:
    """Give signs of life until `ended`, none while the work stands still (`idle_s` seconds since its last round)."""
    while not ended.wait(ping_every_s()):
        if idle_s() < STUCK_S:
            notify("WATCHDOG=1")
