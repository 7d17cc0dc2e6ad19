"""The daemon as a service: its log, its signals, its signs of life, its exit code."""

from __future__ import annotations

import logging
import signal
import sys
import threading
from types import FrameType

from monitor.daemon import Daemon, wall_clock
from monitor.plant.types import Plant
from monitor.watchdog import notify, watch_until

log = logging.getLogger("bandkeeper")

SETTLE_S = 10.0


def run_forever(plant: Plant) -> int:
    """Run until SIGTERM or SIGINT; return the exit code."""
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    ended = threading.Event()

    def end(_number: int, _frame: FrameType | None) -> None:
        ended.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, end)
    with Daemon(plant, wall_clock, settle_s=SETTLE_S) as daemon:
        if plant.status is not None:
            log.info("page: %s", daemon.status_url)
        notify("READY=1")
        watch_until(ended, lambda: daemon.idle_s)
        notify("STOPPING=1")
    return 0
