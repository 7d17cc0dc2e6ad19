"""The daemon as a service: its log, its signals, what it tells systemd, its exit code."""

from __future__ import annotations

import logging
import queue
import signal
import sys
from typing import Final

from monitor.daemon import Daemon, wall_clock
from monitor.plant.types import Plant
from monitor.watchdog import Watch, notify, notify_reloading

log = logging.getLogger("bandkeeper")

SETTLE_S: Final = 10.0
STOP: Final = "stop"
RELOAD: Final = "reload"
MEND: Final = "mend"
SIGNALS: Final = {signal.SIGTERM: STOP, signal.SIGINT: STOP, signal.SIGHUP: RELOAD}


def run_forever(plant: Plant) -> int:
    """Run until SIGTERM or SIGINT, reading the plant file anew at SIGHUP; return the exit code.

    A record that turns out damaged ends the daemon, and another one in the same process mends it as it starts.
    """
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    wishes: queue.SimpleQueue[str] = queue.SimpleQueue()
    for number in SIGNALS:
        signal.signal(number, lambda got, _frame: wishes.put(SIGNALS[signal.Signals(got)]))
    going: Plant | None = plant
    while going is not None:
        going = _one_life(going, wishes)
    return 0


def _one_life(plant: Plant, wishes: queue.SimpleQueue[str]) -> Plant | None:
    """Run one daemon until it is to stop; return the plant file in force if its record turned out damaged."""
    with Daemon(plant, wall_clock, settle_s=SETTLE_S, found_damaged=lambda: wishes.put(MEND)) as daemon:
        if plant.status is not None:
            log.info("page: %s", daemon.status_url)
        notify("READY=1", f"STATUS={_standing(daemon)}")
        watch = Watch(wishes, lambda: daemon.idle_s)
        while (wish := watch.next_wish()) == RELOAD:
            _reload(daemon)
        if wish == STOP:
            notify("STOPPING=1", "STATUS=stopping")
    return daemon.plant if wish == MEND else None


def _reload(daemon: Daemon) -> None:
    notify_reloading()
    outcome = daemon.reload()
    said = _standing(daemon) if outcome.done else f"plant file faulty, the one before in force: {outcome.lines[0]}"
    notify("READY=1", f"STATUS={said}")


def _standing(daemon: Daemon) -> str:
    return f"watching {len(daemon.plant.sumps)} sumps of {daemon.plant.name}"
