"""What the record writes to a disk for a reading in a whole plant: `python -m tests.benchmarks wear`.

The plant: `--sumps` sumps (1,000), each with a reading a minute on the whole (level, strength and running every three
minutes), that lose fluid and are filled up now and then. The real worker stores, steps, concludes, checkpoints and
looks after a real record; only the waiting is left out: rounds are cut by the real patience (`--gather` seconds, what
the plant file says if nothing is said) on a clock that leaps from one arrival to the next. Counted is what the process
hands to write calls (`wchar` of proc(5): the log's pages and their coming into the file) and the blocks that so have to
go to the disk (`write_bytes`: whole pages of the system, those of a log again with each commit that ends in one).
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from adapters.delivery import Delivery
from monitor.patience import Patience
from monitor.plant.file import check_text
from monitor.plant.reading import Reading, Signal
from monitor.plant.types import Plant
from monitor.rounds import Round
from monitor.waiting import MARK_S
from monitor.worker import MOST_AT_ONCE
from tests.fixtures.floor import Floor
from tests.unit.pipeline.shop import BEGIN_S, HEAD, Machine

LOGICAL: Final = 24.0
SIGNALS: Final = (Signal.LEVEL, Signal.REFRACTOMETER, Signal.RUNNING)
PERIOD_S: Final = 180.0
SETTLE_S: Final = 45.0


def written() -> tuple[int, int]:
    """Return the bytes that this process has handed to write calls, and those of blocks that had to go to a disk."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    found = dict(line.split(": ") for line in lines)
    return int(found["wchar"]), int(found["write_bytes"])


def works(sumps: int) -> Plant:
    """Return a plant of so many sumps."""
    text = HEAD.replace('gather = "0 s"\n', "") + "".join(Machine(f"m-{n:04}").text() for n in range(sumps))
    plant, faults = check_text(text.replace('period = "5 min"', 'period = "3 min"'), Path("works/plant.toml"))
    assert plant is not None, faults
    return plant


class Shop:
    """The sumps: what they hold, and what their sensors say."""

    def __init__(self, plant: Plant) -> None:
        self.names = list(plant.sumps)
        self.dice = random.Random(3)
        self.level = [self.dice.uniform(200.0, 300.0) for _ in self.names]
        self.lost = [self.dice.uniform(0.1, 0.5) for _ in self.names]

    def arrivals(self, begin_s: float) -> Iterator[tuple[float, Reading]]:
        """Yield the readings of all sumps with their arrivals, in that order, for ever; times are whole seconds."""
        each_s = PERIOD_S / (len(self.names) * len(SIGNALS))
        step = 0
        while True:
            number = step % (len(self.names) * len(SIGNALS))
            signal, sump = SIGNALS[number // len(self.names)], number % len(self.names)
            arrived_s = round(begin_s + step * each_s + 0.25, 3)
            hour = (begin_s + step * each_s) / 3600.0 % 24.0
            yield (
                arrived_s,
                Reading(
                    self.names[sump],
                    signal,
                    self._says(sump, signal, 6.0 <= hour < 22.0),
                    float(int(arrived_s)),
                    arrived_s,
                ),
            )
            step += 1

    def _says(self, sump: int, signal: Signal, running: bool) -> float:
        if signal is Signal.RUNNING:
            return float(running)
        if signal is Signal.REFRACTOMETER:
            return round(5.3 + 2e-3 * (300.0 - self.level[sump]) + self.dice.gauss(0.0, 0.05), 2)
        self.level[sump] -= self.lost[sump] * (PERIOD_S / 3600.0) * (4.0 if running else 1.0)
        if self.level[sump] < 180.0 and self.dice.random() < 0.01:
            self.level[sump] += 110.0
        return round(self.level[sump] + self.dice.gauss(0.0, 0.8), 1)


class Pacer(Floor):
    """The worker's rounds without their waiting."""

    def __init__(self, folder: Path, plant: Plant, gather_s: float) -> None:
        super().__init__(folder, plant, BEGIN_S, settle_s=SETTLE_S)
        self.gather_s = gather_s
        self.patience = Patience(gather_s)
        self.round = Round()
        self.rounds = self.readings = 0

    def hear(self, arrived_s: float, reading: Reading) -> None:
        """Let a reading come; what has been gathered before it is stored where its time has passed."""
        due_s = (self.worker._looked_at + 1.0) * MARK_S + SETTLE_S if self.rounds else self.now_s
        until_s = min(self.patience.until_s, max(due_s, self.now_s))
        if self.round.something and (arrived_s >= until_s or len(self.round.deliveries) >= MOST_AT_ONCE):
            self.now_s = min(max(until_s, self.now_s), arrived_s)
            self.turn()
        self.now_s = arrived_s
        self.round.put(Delivery((reading,)))
        self.patience.heard(arrived_s, urgent=False)
        self.readings += 1

    def turn(self) -> None:
        """Do what a round of the worker does."""
        assert self.worker._store(self.round), self.worker.trouble
        self.worker._step()
        self.worker._turn()
        self.worker._keep_up()
        self.round, self.patience = Round(), Patience(self.gather_s, self.patience)
        self.rounds += 1


def measure(sumps: int, hours: float, gather_s: float | None) -> dict[str, float]:
    """Run the plant for some hours; return what each reading cost the disk."""
    plant = works(sumps)
    gather_s = plant.gather_s if gather_s is None else gather_s
    with tempfile.TemporaryDirectory(prefix="bandkeeper-wear-") as folder:
        pacer = Pacer(Path(folder), plant, gather_s)
        arrivals = Shop(plant).arrivals(BEGIN_S)
        before, cpu = written(), time.process_time()
        for arrived_s, reading in arrivals:
            if arrived_s >= BEGIN_S + 3600.0 * hours:
                break
            pacer.hear(arrived_s, reading)
        pacer.turn()
        assert not pacer.worker.step_trouble
        pacer.record.close()
        calls, blocks = (after - was for after, was in zip(written(), before, strict=True))
        size = pacer.plant.database.stat().st_size
    count = pacer.readings
    return {
        "readings": count,
        "readings a round": count / pacer.rounds,
        "bytes written a reading": calls / count,
        "  times 24 logical bytes (must 12, aim 6)": calls / count / LOGICAL,
        "bytes of blocks a reading": blocks / count,
        "  times 24 logical bytes": blocks / count / LOGICAL,
        "bytes on disk a reading": size / count,
        "CPU seconds": time.process_time() - cpu,
    }


def main(arguments: list[str]) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks wear")
    parser.add_argument("--sumps", type=int, default=1000)
    parser.add_argument("--hours", type=float, default=50.0)
    parser.add_argument("--gather", type=float, help="seconds, as the plant file says if left out")
    options = parser.parse_args(arguments)
    for name, figure in measure(options.sumps, options.hours, options.gather).items():
        print(f"{name:48} {figure:12.2f}", flush=True)
    return 0
