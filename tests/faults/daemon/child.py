"""A daemon on a clock that a file tells, which kills itself at a point that a test names: `kill -9` to the moment.

Run as `python -m tests.faults.daemon.child PLANT.toml CLOCK POINT COUNT`: at the COUNT-th time it comes to POINT it is
gone. Points: `stored` (committed, not yet acknowledged), `storing` (inside the transaction), `checkpoint` (its row is
written, not committed), `kept` (a step is committed, nobody told), `told` (the topics are handed over), `never`;
with a drop folder `handing` (the last of a file is not handed over), `moving` and `moved` (the file is put aside).
"""

from __future__ import annotations

import os
import pathlib
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from adapters import folder
from adapters.folder import FolderInlet
from monitor.daemon import Daemon
from monitor.plant.file import load_plant
from monitor.record import checkpoints, store

POINTS = ("stored", "storing", "checkpoint", "kept", "told", "handing", "moving", "moved", "never")
SETTLE_S = 10.0


class Fuse:
    """Ends the process without a word when it has been lit often enough."""

    def __init__(self, count: int) -> None:
        self._left = count

    def __call__(self) -> None:
        self._left -= 1
        if self._left <= 0:
            os.kill(os.getpid(), signal.SIGKILL)


def before(act: Callable[..., Any], fuse: Fuse) -> Callable[..., Any]:
    def wrapped(*args: Any, **named: Any) -> Any:
        fuse()
        return act(*args, **named)

    return wrapped


def after(act: Callable[..., Any], fuse: Fuse) -> Callable[..., Any]:
    def wrapped(*args: Any, **named: Any) -> Any:
        answer = act(*args, **named)
        fuse()
        return answer

    return wrapped


def lay(point: str, daemon: Daemon, fuse: Fuse) -> None:
    """Put the fuse where it belongs."""
    worker: Any = daemon._worker
    if point == "stored":
        worker._record.add = after(worker._record.add, fuse)
    elif point == "storing":
        vars(store)["add_rejected"] = after(vars(store)["add_rejected"], fuse)
    elif point == "checkpoint":
        checkpoints.save_checkpoint = after(checkpoints.save_checkpoint, fuse)
    elif point == "kept":
        worker._told = before(worker._told, fuse)
    elif point == "told":
        worker._told = after(worker._told, fuse)
    elif point == "handing":
        vars(folder)["FolderInlet"]._hand_over_last = before(FolderInlet._hand_over_last, fuse)
    elif point == "moving":
        vars(pathlib)["Path"].rename = before(Path.rename, fuse)
    elif point == "moved":
        vars(pathlib)["Path"].rename = after(Path.rename, fuse)


def main(plant_file: str, clock_file: str, point: str, count: str) -> None:
    clock = Path(clock_file)
    daemon = Daemon(load_plant(Path(plant_file)), lambda: float(clock.read_text()), tick_s=0.05, settle_s=SETTLE_S)
    lay(point, daemon, Fuse(int(count)))
    ended = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: ended.set())
    with daemon:
        print("up", flush=True)
        ended.wait()


if __name__ == "__main__":
    main(*sys.argv[1:])
