"""A record that is killed at every point of its upkeep, life after life: `python -m tests.faults.record.lives FOLDER`.

Each life is a process of its own (a fork of this one, which never opens the record it forks for). It does rounds of
upkeep and is gone by `kill -9` at the given point: inside a transaction, just before its commit, or just behind it.
The next life goes on to the end. What is then on record must be what an undisturbed life leaves, row for row.
"""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from monitor.plant.reading import Reading, Signal
from monitor.plant.types import Keeping
from monitor.record import figures, outlived, upkeep
from monitor.record.store import Record

DAY_S = 86_400.0
BEGIN_S = 1_930_262_400.0
DAYS = 9
END_S = BEGIN_S + DAYS * DAY_S + 60.0
KEEPING = Keeping(3 * DAY_S, 5 * DAY_S, 300 * DAY_S, 2 * DAY_S, 4 * DAY_S, 6 * DAY_S)
SMALL: dict[Any, dict[str, float]] = {
    figures: {"ROWS_READ": 60, "ROWS_WRITTEN": 30},
    outlived: {"ROWS_DELETED": 100},
    upkeep: {"STREAMS_AT_ONCE": 1, "FREE_BYTES": 4096, "BYTES_AT_ONCE": 4096, "PACE": 1000.0},
}


def said() -> list[Reading]:
    """Return what two sumps said, half-hourly."""
    times = [BEGIN_S + 1800.0 * number for number in range(DAYS * 48)]
    return [
        Reading(sump, Signal.LEVEL, 100.0 + (7 * time_s) % 101, time_s, time_s + 1.0)
        for time_s in times
        for sump in ("lathe-04", "mill-07")
    ]


def late() -> Reading:
    """Return a reading that comes a day late, when its day has figures."""
    return Reading("lathe-04", Signal.LEVEL, 999.0, BEGIN_S + 6.9 * DAY_S, END_S)


def prepare(path: Path) -> None:
    """Make a record with all there is to do: nine days, none of which has been looked after."""
    record = Record.open(path, now_s=BEGIN_S, keeping=KEEPING)
    record.add(said())
    record._db.execute("UPDATE upkeep SET believed_s = ?", (END_S,))
    record.close()


def round_of(record: Record, now_s: float) -> None:
    while record.upkeep(now_s):
        pass


def whole_life(path: Path) -> None:
    """Do all rounds, take the late reading, do a round more."""
    record = Record.open(path, now_s=END_S, keeping=KEEPING)
    round_of(record, END_S)
    round_of(record, END_S + upkeep.LET_GO_EVERY_S)
    record.add([late(), *said()[-20:]])
    round_of(record, END_S + 3600.0)
    record.close()


def content(path: Path) -> list[str]:
    """Return all rows of the record; how often it was opened does not matter."""
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return [line for line in connection.iterdump() if '"opening"' not in line and "_sqlite_migrations" not in line]


class Fuse:
    """Ends the process at the `count`-th point it comes to."""

    def __init__(self, count: int) -> None:
        self.left = count
        self.passed = 0

    def __call__(self) -> None:
        self.passed += 1
        if self.passed == self.left:
            os.kill(os.getpid(), signal.SIGKILL)


def fused(transaction: Callable[[Record], Any], fuse: Fuse) -> Callable[[Record], Any]:
    """Let each outermost transaction come to two points: before its commit and behind it."""

    @contextmanager
    def wrapped(record: Record) -> Iterator[None]:
        with transaction(record):
            yield
            fuse()
        fuse()

    return wrapped


def killed_life(path: Path, point: int) -> bool:
    """Live until a point in a process of its own; tell whether it came to it."""
    child = os.fork()
    if child == 0:
        Record._outermost = fused(Record._outermost, Fuse(point))  # type: ignore[method-assign,assignment]
        whole_life(path)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def main(folder: str) -> None:
    for module, constants in SMALL.items():
        for name, value in constants.items():
            setattr(module, name, value)
    begin, path = Path(folder) / "begin.db", Path(folder) / "killed.db"
    prepare(begin)
    shutil.copy(begin, path)
    whole_life(path)
    wanted = content(path)
    points = 0
    while True:
        for old in Path(folder).glob("killed.db*"):
            old.unlink()
        shutil.copy(begin, path)
        if not killed_life(path, points + 1):
            break
        points += 1
        whole_life(path)
        found = content(path)
        assert found == wanted, f"killed at point {points}: {set(found) ^ set(wanted)}"
    print(points)


if __name__ == "__main__":
    main(*sys.argv[1:])
