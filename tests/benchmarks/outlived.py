"""What a reading costs a disk once as many go as come: `python -m tests.benchmarks outlived`.

The record alone, as the worker calls it: 1,000 sumps with a reading a minute each, a commit every ten seconds, a step
of upkeep after each. Readings are kept for a day, so that from the third day on each day makes a day's figures by the
hour and lets a day's readings go. Nothing waits for the disk to confirm: that changes no byte.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

from monitor.plant.reading import Reading, Signal
from monitor.plant.types import Keeping
from monitor.record.store import Record
from tests.benchmarks.wear import LOGICAL, PERIOD_S, SIGNALS, written

SUMPS: Final = 1000
COMMIT_S: Final = 10.0
DAY_S: Final = 86_400.0
BEGIN_S: Final = 1_930_262_400.0
STREAMS: Final = SUMPS * len(SIGNALS)


def batches(days: int) -> Iterator[tuple[float, list[Reading]]]:
    """Yield what comes in each ten seconds, with their end."""
    dice, number = random.Random(1), 0
    for tick in range(1, int(days * DAY_S / COMMIT_S) + 1):
        batch: list[Reading] = []
        while (at_s := BEGIN_S + number * PERIOD_S / STREAMS) < BEGIN_S + tick * COMMIT_S:
            signal = SIGNALS[number % STREAMS // SUMPS]
            value = 1.0 if signal is Signal.RUNNING else round(250.0 + 50.0 * dice.random(), 1)
            batch.append(
                Reading(f"m-{number % SUMPS:04}", signal, value, float(int(at_s)), round(float(int(at_s)) + 0.25, 3))
            )
            number += 1
        yield BEGIN_S + tick * COMMIT_S, batch


def measure(days: int) -> Iterator[tuple[int, float]]:
    """Yield each day with the bytes written for each of its readings, in times of 24."""
    with tempfile.TemporaryDirectory(prefix="bandkeeper-outlived-") as folder:
        keeping = replace(Keeping(), readings_s=DAY_S)
        record = Record.open(Path(folder) / "record.db", now_s=BEGIN_S, keeping=keeping)
        record._db.execute("PRAGMA synchronous = OFF")
        before, count = written()[0], 0
        for moment_s, batch in batches(days):
            record.add(batch, revisable_from_s=moment_s - 6 * DAY_S)
            record.upkeep(moment_s)
            count += len(batch)
            if (moment_s - BEGIN_S) % DAY_S == 0.0:
                yield int((moment_s - BEGIN_S) // DAY_S), (written()[0] - before) / count / LOGICAL
                before, count = written()[0], 0
        record.close()


def main(arguments: list[str]) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks outlived")
    parser.add_argument("--days", type=int, default=5)
    begun = time.process_time()
    for day, times in measure(parser.parse_args(arguments).days):
        print(f"day {day}: bytes written a reading {times:8.2f} times 24 logical bytes", flush=True)
    print(f"CPU seconds {time.process_time() - begun:.1f}")
    return 0
