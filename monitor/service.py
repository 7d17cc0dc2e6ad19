"""The daemon as a service: its log, its signals, what it tells systemd, its exit code."""

from __future__ import annotations

import logging
import os
import select
import signal
import socket
import sys
import threading
from typing import Any, Final

from monitor.daemon import Daemon
from monitor.plant.plain import one_line
from monitor.plant.types import Plant
from monitor.timekeeper import Timekeeper
from monitor.waiting import SETTLE_S
from monitor.watchdog import Watch, notify, notify_reloading

log = logging.getLogger("bandkeeper")

STOP: Final = "stop"
RELOAD: Final = "reload"
MEND: Final = "mend"
SIGNALS: Final = {signal.SIGTERM: STOP, signal.SIGINT: STOP, signal.SIGHUP: RELOAD}
FAILED: Final = 1
_DIED: Final = b"bandkeeper: a thread has died: ended at once, to be started again\n"
_MEND_BYTE: Final = b"\0"
"""No signal has this number."""


class Wishes:
    """What the daemon is to do next, from signals and from its own threads, one after the other.

    Python writes each signal to a socket, whichever thread the kernel gave it to; so do those who want the record
    mended.
    """

    def __init__(self) -> None:
        self._heard, self._told = socket.socketpair()
        self._told.setblocking(False)
        signal.set_wakeup_fd(self._told.fileno(), warn_on_full_buffer=False)
        for number in SIGNALS:
            signal.signal(number, lambda *_: None)

    def mend(self) -> None:
        """Wish that the record is mended (any thread)."""
        self._told.send(_MEND_BYTE)

    def next(self, within_s: float) -> str | None:
        """Wait so long for a wish; None if none comes."""
        ready, _, _ = select.select([self._heard], [], [], within_s)
        if not ready:
            return None
        byte = self._heard.recv(1)
        return MEND if byte == _MEND_BYTE else SIGNALS.get(signal.Signals(byte[0]))


def run_forever(plant: Plant) -> int:
    """Run until SIGTERM or SIGINT, reading the plant file anew at SIGHUP; return the exit code.

    A record that turns out damaged ends the daemon, and another one in the same process mends it as it starts.
    """
    _begin_log()
    threading.excepthook = _thread_died
    wishes = Wishes()
    going: Plant | None = plant
    while going is not None:
        going = _one_life(going, wishes)
    return 0


class OneLine(logging.Formatter):
    """A record of the log begins on a line of its own, whatever a device, a name or a request put into it."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - the library's name
        """Write the record's line, with what is no plain text written out."""
        return one_line(super().formatMessage(record))

    def formatException(self, ei: Any) -> str:  # noqa: N802 - the library's name
        """Write a traceback, set in, so that none of its lines looks like a record."""
        return "\n".join(f"  {one_line(line)}" for line in super().formatException(ei).split("\n"))


def _begin_log() -> None:
    to = logging.StreamHandler(sys.stderr)
    to.setFormatter(OneLine("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    logging.basicConfig(level=logging.INFO, handlers=[to])
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    logging.getLogger("uvicorn.error").setLevel(logging.ERROR)  # else each odd request of a stranger fills the log


def _one_life(plant: Plant, wishes: Wishes) -> Plant | None:
    """Run one daemon until it is to stop; return the plant file in force if its record turned out damaged."""
    keeper = Timekeeper()
    daemon = Daemon(plant, keeper.now, settle_s=SETTLE_S, found_damaged=wishes.mend, doubts=keeper.remark)
    keeper.leapt = daemon.leapt
    with daemon:
        if plant.status is not None:
            log.info("page: %s", daemon.status_url)
        notify("READY=1", f"STATUS={_standing(daemon)}")
        watch = Watch(wishes.next, lambda: daemon.idle_s)
        while (wish := watch.next_wish()) == RELOAD:
            _reload(daemon)
        if wish == STOP:
            notify("STOPPING=1", "STATUS=stopping")
    return daemon.plant if wish == MEND else None


def _thread_died(died: threading.ExceptHookArgs) -> None:
    """End at once when a thread dies of something unforeseen, such as memory that has run out.

    A daemon without one of its threads would only look alive. Ended like this it is started again and goes on where its
    record is. Nothing here needs memory that was not there before.
    """
    try:
        sys.__excepthook__(died.exc_type, died.exc_value or died.exc_type(), died.exc_traceback)
    finally:
        os.write(2, _DIED)
        os._exit(FAILED)


def _reload(daemon: Daemon) -> None:
    notify_reloading()
    outcome = daemon.reload()
    said = _standing(daemon) if outcome.done else f"plant file faulty, the one before in force: {outcome.lines[0]}"
    notify("READY=1", f"STATUS={said}")


def _standing(daemon: Daemon) -> str:
    return f"watching {len(daemon.plant.sumps)} sumps of {daemon.plant.name}"
