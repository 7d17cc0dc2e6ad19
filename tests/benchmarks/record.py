"""What the record costs: readings a second, bytes written a reading, beside plain `executemany` into a bare table.

Bytes are those handed to write calls, the log's pages and their coming into the file; see `wear` for a whole plant.
"""

from __future__ import annotations

import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from monitor.plant.reading import Reading, Signal
from monitor.record.store import Record

SUMPS = 500
SIGNALS = (Signal.LEVEL, Signal.REFRACTOMETER, Signal.RUNNING)
BATCH = 500
START_S = 1_930_262_400.0
PERIOD_S = 300.0
SIZES = (500, 170, 83, 17, 5, 1)
LOGICAL = 24.0


def measure(rounds: int = 60) -> dict[str, float]:
    """Store `rounds` rounds of a plant of 500 sumps; return rates (of CPU and of wall time) and bytes a reading."""
    with tempfile.TemporaryDirectory(prefix="bandkeeper-bench-") as folder:
        kept = _kept(Path(folder) / "record.db", rounds)
        plain = _plain(Path(folder) / "plain.db", rounds)
        small = {size: _in_batches_of(size, Path(folder) / f"batches-{size}.db") for size in SIZES}
    return {
        "readings": float(rounds * SUMPS * len(SIGNALS)),
        **{f"record_{name}": value for name, value in kept.items()},
        **{f"plain_{name}": value for name, value in plain.items()},
        **{f"record_bytes_written_a_reading_in_batches_of_{size}": each for size, each in small.items()},
        **{f"  times_24_logical_bytes_in_batches_of_{size}": each / LOGICAL for size, each in small.items()},
    }


def batches(rounds: int) -> Iterator[list[Reading]]:
    """Yield what a plant sends: whole-second source times, arrivals a little later, sumps spread over the period."""
    batch: list[Reading] = []
    for number in range(rounds * SUMPS):
        time_s = START_S + float(number * PERIOD_S // SUMPS)
        for signal in SIGNALS:
            value = 1.0 if signal is Signal.RUNNING else 250.0 + number % 977 / 10
            batch.append(Reading(f"sump-{number % SUMPS:03}", signal, value, time_s, time_s + 0.21))
        if len(batch) >= BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


def _kept(path: Path, rounds: int) -> dict[str, float]:
    record = Record.open(path, now_s=START_S)
    costs = _costs(lambda: [record.add(batch) for batch in batches(rounds)], rounds)
    record.close()
    return {**costs, "bytes_on_disk_a_reading": path.stat().st_size / (rounds * SUMPS * len(SIGNALS))}


def _plain(path: Path, rounds: int) -> dict[str, float]:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("CREATE TABLE reading (sump TEXT, signal TEXT, value REAL, time_s REAL, arrived_s REAL)")

    def store() -> None:
        for batch in batches(rounds):
            connection.execute("BEGIN")
            rows = [(one.sump, one.signal.value, one.value, one.time_s, one.arrived_s) for one in batch]
            connection.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", rows)
            connection.execute("COMMIT")

    costs = _costs(store, rounds)
    connection.close()
    return {**costs, "bytes_on_disk_a_reading": path.stat().st_size / (rounds * SUMPS * len(SIGNALS))}


def _in_batches_of(size: int, path: Path, readings: int = 15_000) -> float:
    """Return the bytes written a reading, after as many that went before, the log's coming into the file included."""
    record = Record.open(path, now_s=START_S)
    everything = [reading for batch in batches(20) for reading in batch]
    record.add(everything[:readings])
    record._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    before = _bytes_written()
    some = everything[readings : readings + min(readings, 500 * size)]
    for begin in range(0, len(some), size):
        record.add(some[begin : begin + size])
    record.close()
    return (_bytes_written() - before) / len(some)


def _costs(work: Callable[[], object], rounds: int) -> dict[str, float]:
    count = rounds * SUMPS * len(SIGNALS)
    before, cpu, wall = _bytes_written(), time.process_time(), time.perf_counter()
    work()
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    return {
        "readings_per_cpu_s": count / cpu,
        "readings_per_s": count / wall,
        "bytes_written_a_reading": (_bytes_written() - before) / count,
    }


def _bytes_written() -> int:
    """Return what this process has handed to write calls so far (Linux: proc(5), `wchar`)."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(dict(line.split(": ") for line in lines)["wchar"])


def main(arguments: list[str]) -> int:
    """Print the figures; the first argument is the number of rounds (60)."""
    for name, figure in measure(*map(int, arguments[:1])).items():
        print(f"{name:64} {figure:12.1f}")
    return 0
