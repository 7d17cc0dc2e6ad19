"""Things done side by side within a time, so that one that hangs holds nothing else up."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping

log = logging.getLogger("bandkeeper")


def within(seconds: float, acts: Mapping[str, Callable[[], object]]) -> list[str]:
    """Do all of them, each on a thread of its own; return the names of those that were not done in time.

    Those are left to their threads, which end with the process. One that raises is logged and counts as done.
    """
    threads = {name: _begun(name, act) for name, act in acts.items()}
    until = time.monotonic() + seconds
    for thread in threads.values():
        thread.join(max(0.0, until - time.monotonic()))
    return [name for name, thread in threads.items() if thread.is_alive()]


def _begun(name: str, act: Callable[[], object]) -> threading.Thread:
    def done() -> None:
        try:
            act()
        except Exception:
            log.exception("%s: own fault", name)

    thread = threading.Thread(target=done, name=name, daemon=True)
    thread.start()
    return thread
