"""Whether anything grows over a million messages: `python -m tests.benchmarks soak [--messages N] [--sumps N]`.

One message is one reading, as a gateway sends it. It goes the daemon's way from the worker's queue on: stored in a real
record, acknowledged, estimated, foreseen, judged, what changed stored, the record looked after; people log a top-up a
sump and day. The plant's clock runs as fast as the worker does. Printed at intervals: memory, handles, threads, and the
size of what the pipeline remembers.
"""

from __future__ import annotations

import argparse
import gc
import os
import random
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from adapters.delivery import Delivery
from monitor.plant.reading import Entry, EntryKind, Reading
from monitor.plant.types import Keeping
from tests.fixtures.floor import Floor
from tests.unit.pipeline.shop import BEGIN_S, DAY_S, Machine, plant_of

PERIOD_S = 300.0
MOST_WAITING = 2_000
LOOKS = 20
KEEPING = Keeping(readings_s=10 * DAY_S, hourly_s=20 * DAY_S, forecasts_s=5 * DAY_S, alerts_s=15 * DAY_S)


def machines(sumps: int) -> list[Machine]:
    """Return machines that are topped up every day at another hour."""
    return [
        Machine(f"m-{number:03}", acts=[(24.0 * day + 7.0 + number % 14, 42.0, 5.0) for day in range(1, 4000)])
        for number in range(sumps)
    ]


def readings(shop: list[Machine]) -> Iterator[Reading]:
    """Yield what a shop says, without an end, in order of time."""
    dice, number = random.Random(1), 0
    while True:
        for offset, machine in enumerate(shop):
            hour = number * PERIOD_S / 3600.0
            machine.acts = machine.acts[1:] if machine.acts and machine.acts[0][0] < hour - 1.0 else machine.acts
            machine.pass_hours(hour, PERIOD_S / 3600.0)
            time_s = BEGIN_S + (number + 0.5) * PERIOD_S + offset * PERIOD_S / 2.0 // len(shop)
            for signal, value in machine.says(hour, dice).items():
                yield Reading(machine.name, signal, value, time_s, time_s + 0.4)
        number += 1


class Soak(Floor):
    """A worker whose clock is the newest reading's time."""

    def __init__(self, folder: Path, sumps: int) -> None:
        self.shop = machines(sumps)
        super().__init__(folder, replace(plant_of(self.shop), keeping=KEEPING), BEGIN_S, settle_s=0.0)
        self.confirmed = 0

    def done(self) -> None:
        self.confirmed += 1

    def feed(self, messages: int) -> Iterator[int]:
        """Let messages come; yield how many were given at intervals."""
        day = 0
        for number, reading in enumerate(readings(self.shop), 1):
            while self.worker.waiting > MOST_WAITING:
                time.sleep(0.002)
            self.now_s = max(self.now_s, reading.arrived_s)
            self.worker.deliver(Delivery((reading,), done=self.done))
            if (self.now_s - BEGIN_S) // DAY_S > day:
                day += 1
                self._log(day)
            if number % (messages // LOOKS) == 0:
                yield number
            if number == messages:
                return

    def _log(self, day: int) -> None:
        for number, machine in enumerate(self.shop):
            time_s = BEGIN_S + (day - 1) * DAY_S + (7.2 + number % 14) * 3600.0
            entry = Entry(f"{machine.name}-{day}", machine.name, EntryKind.TOP_UP, time_s, self.now_s, 42.0, 5.0)
            self.worker.submit(entry)

    def caught_up(self) -> None:
        """Wait until all is stored and the pipeline stands at the newest moment."""
        while self.worker.waiting or (self.pipeline.stands_at_s or 0.0) < self.now_s - 900.0:
            self.worker.wake()
            time.sleep(0.05)


def resident_mb() -> float:
    """Return the resident memory of this process (Linux: proc(5), statm)."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def handles() -> int:
    """Return how many files are open."""
    return len(list(Path("/proc/self/fd").iterdir()))


def main(arguments: list[str]) -> int:
    """Print a line at each interval, and what grew between the first fifth and the end."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks soak")
    parser.add_argument("--messages", type=int, default=1_000_000)
    parser.add_argument("--sumps", type=int, default=20)
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="bandkeeper-soak-") as folder:
        soak = Soak(Path(folder), options.sumps)
        soak.worker.start()
        print("messages    days  resident MB  objects  handles  threads  log book  record MB  messages/s")
        seen: list[tuple[float, int, int]] = []
        begun = time.monotonic()
        for number in soak.feed(options.messages):
            soak.caught_up()
            gc.collect()
            seen.append((resident_mb(), len(gc.get_objects()), handles()))
            book = soak.pipeline.engine.logbook
            size_mb = (Path(folder) / "record.db").stat().st_size / 1e6
            print(
                f"{number:8} {(soak.now_s - BEGIN_S) / DAY_S:7.1f} {seen[-1][0]:12.1f} {seen[-1][1]:8} {seen[-1][2]:8}"
                f" {threading.active_count():8} {len(book.used):4}/{sum(map(len, book.entries.values())):4}"
                f" {size_mb:10.1f} {number / (time.monotonic() - begun):11.0f}",
                flush=True,
            )
        soak.worker.stop(60.0)
        taken = soak.worker.counters.readings_accepted
        print(f"given {options.messages}, stored {taken}, acknowledged {soak.confirmed}")
        first, last = seen[len(seen) // 5], seen[-1]
        print(
            f"from a fifth of the way to the end: {last[0] - first[0]:+.1f} MB, {last[1] - first[1]:+} objects,", end=""
        )
        print(f" {last[2] - first[2]:+} handles")
        soak.record.close()
    return 0
