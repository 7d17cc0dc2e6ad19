"""What a year of record costs a disk: `python -m tests.benchmarks year [--sumps N] [--days N] [--keep FILE]`.

Only the record is run, by the calls that the worker makes, on a clock that jumps from batch to batch: readings in
batches of 500, as after a backlog; every hour the forecasts and estimates of all sumps and a round of upkeep; every six
hours a checkpoint as large as a real one; alerts, events, entries and landings as many as the demo halls have. The days
go on for five weeks beyond the year that figures by the hour are kept, so that every rule has acted. What a reading
costs in the small batches of slow plants is measured apart, over an hour each, and so is a nightly backup over an older
one. Nothing waits for the disk to confirm: that changes no byte, and saves an hour. Steps of upkeep are measured by the
time of their thread: they are what a batch may have to wait for.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import tempfile
import time
from collections import deque
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Final

from alerts.types import Transition
from monitor.model.types import Event
from monitor.pipeline import Pipeline
from monitor.plant.reading import Entry, EntryKind, Reading, Signal
from monitor.record.backups import make_backup
from monitor.record.check import what_is_wrong
from monitor.record.store import Record
from tests.unit.pipeline.shop import BEGIN_S, DAY_S, Machine, plant_of, readings_of
from tests.unit.record.things import T0, alert, estimate, event, forecast, transition

PERIOD_S: Final = 300.0
BATCH: Final = 500
LOGICAL: Final = 24.0
SIGNALS: Final = (Signal.LEVEL, Signal.REFRACTOMETER, Signal.RUNNING)
GROWTH_DAYS: Final = 30
ALERTS_A_SUMP_DAY: Final = 0.25
ENTRIES_A_SUMP_DAY: Final = 0.5
EVENTS_A_SUMP_DAY: Final = 0.3


def bytes_written() -> int:
    """Return what this process has handed to write calls so far (Linux: proc(5), `wchar`)."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(dict(line.split(": ") for line in lines)["wchar"])


def checkpoint_bytes(sumps: int) -> int:
    """Return how large a checkpoint of so many sumps is, from a real one of ten."""
    shop = [Machine(f"m-{number:03}", acts=[(9.5, 40.0, 4.0)]) for number in range(10)]
    pipeline = Pipeline(plant_of(shop))
    pipeline.take(readings_of(shop, 30.0))
    for _ in pipeline.run_until(BEGIN_S + 30.0 * 3600.0):
        pass
    return len(pipeline.checkpoint()[1]) * sumps // 10


class Year:
    """A record and the life that is written into it."""

    def __init__(self, path: Path, sumps: int) -> None:
        self.path, self.sumps = path, [f"sump-{number:03}" for number in range(sumps)]
        self.record = Record.open(path, now_s=BEGIN_S)
        self.record._db.execute("PRAGMA synchronous = OFF")
        self.checkpoint = random.Random(1).randbytes(checkpoint_bytes(sumps))
        self.dice = random.Random(2)
        self.readings = self.longest_ms = self.steps = 0.0
        self.sizes: deque[int] = deque(maxlen=GROWTH_DAYS + 1)
        self.tables: dict[str, int] = {}

    def hour(self, begin_s: float) -> Iterator[Reading]:
        """Yield what all sumps say in an hour, in order of time; arrivals a little later."""
        for period in range(int(3600.0 / PERIOD_S)):
            for number, sump in enumerate(self.sumps):
                time_s = begin_s + period * PERIOD_S + number * PERIOD_S // len(self.sumps)
                level, brix = 250.0 + (self.readings + number) % 977 / 10, 5.3 + number % 41 / 100
                for signal, value in zip(SIGNALS, (level, brix, float(period % 3 > 0)), strict=True):
                    yield Reading(sump, signal, value, time_s, round(time_s + 0.21, 3))

    def store_hour(self, begin_s: float, batch_of: int) -> None:
        """Store an hour's readings in batches."""
        batch: list[Reading] = []
        for reading in self.hour(begin_s):
            batch.append(reading)
            if len(batch) >= batch_of:
                self.record.add(batch, revisable_from_s=begin_s - 6.5 * DAY_S)
                self.readings += len(batch)
                batch = []
        self.record.add(batch)
        self.readings += len(batch)

    def conclude(self, now_s: float) -> None:
        """Store what the pipeline would have concluded in the hour before."""
        shift = (now_s - T0) / 60.0
        foreseen, believed = forecast(shift, self.dice.uniform(0.0, 200.0)), estimate(shift)
        with self.record.transaction():
            self.record.save_forecasts(replace(foreseen, sump=sump) for sump in self.sumps)
            self.record.save_estimates(
                replace(believed, sump=sump, volume_l=self.dice.uniform(100.0, 400.0)) for sump in self.sumps
            )
            self.record.save_transitions(self._moves(now_s))
            self.record.save_events(self._events(now_s))
            if now_s % (6 * 3600.0) == 0.0:
                self.record.save_checkpoint(now_s, self.checkpoint)
        for sump in self._some(ENTRIES_A_SUMP_DAY):
            entry = Entry(
                f"{sump}-{now_s}", sump, EntryKind.TOP_UP, now_s - 1800.0, now_s, 42.0, 4.5, None, "", "by eye"
            )
            self.record.add([], [entry])

    def _some(self, a_day: float) -> Iterator[str]:
        return (sump for sump in self.sumps if self.dice.random() < a_day / 24.0)

    def _moves(self, now_s: float) -> Iterator[Transition]:
        for sump in self._some(ALERTS_A_SUMP_DAY):
            name = f"{sump}-{int(now_s)}"
            raised = replace(alert(1), id=name, sump=sump, raised_s=now_s)
            for step, one in enumerate((raised, raised, replace(raised, cleared_s=now_s + 7200.0))):
                yield replace(transition(1, one), id=f"{name}-{step}", time_s=now_s)

    def _events(self, now_s: float) -> Iterator[Event]:
        for sump in self._some(EVENTS_A_SUMP_DAY):
            yield replace(event(1), id=f"{sump}-{int(now_s)}", sump=sump, time_s=now_s, detected_s=now_s)

    def look_after(self, now_s: float) -> None:
        """Do a round of upkeep; remember the longest step."""
        going = True
        while going:
            begun = time.thread_time()
            going = self.record.upkeep(now_s)
            self.longest_ms = max(self.longest_ms, 1e3 * (time.thread_time() - begun))
            self.steps += 1

    def used(self) -> int:
        """Return the bytes of the file that are in use."""
        what = ("page_count", "freelist_count", "page_size")
        pages, free, size = (self.record._db.execute(f"PRAGMA {one}").fetchone()[0] for one in what)
        return int(size * (pages - free))


def tables(path: Path) -> list[tuple[str, int]]:
    """Return the bytes of each table with its indices, the largest first."""
    sql = (
        "SELECT coalesce(m.tbl_name, s.name), sum(s.pgsize) FROM dbstat AS s LEFT JOIN sqlite_master AS m"
        " ON m.name = s.name WHERE s.aggregate = TRUE GROUP BY 1 ORDER BY 2 DESC"
    )
    with closing(sqlite3.connect(path)) as connection:
        return list(connection.execute(sql))


def ask(year: Year, now_s: float) -> Iterator[tuple[str, float]]:
    """Yield how long some questions take, in milliseconds."""
    reader = year.record.reader()
    for name, days, points in (("a day", 1, 300), ("a month", 30, 300), ("a year", 365, 300)):
        begun = time.perf_counter()
        found = reader.history("sump-001", now_s - days * DAY_S, now_s, points)
        assert len(found) == len(SIGNALS)
        yield f"history of {name}", 1e3 * (time.perf_counter() - begun)
    begun = time.perf_counter()
    reader.estimates("sump-001", now_s - 365 * DAY_S, now_s, 300)
    yield "estimates of a year", 1e3 * (time.perf_counter() - begun)


def main(arguments: list[str]) -> int:
    """Print what the record costs."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks year")
    parser.add_argument("--sumps", type=int, default=100)
    parser.add_argument("--days", type=int, default=400)
    parser.add_argument("--keep", type=Path, help="leave the record in this file")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="bandkeeper-year-") as folder:
        path = options.keep or Path(folder) / "year.db"
        year = Year(path, options.sumps)
        before, begun, cpu = bytes_written(), time.monotonic(), time.process_time()
        for day in range(options.days):
            for hour in range(24):
                now_s = BEGIN_S + day * DAY_S + (hour + 1) * 3600.0
                year.store_hour(now_s - 3600.0, BATCH)
                year.conclude(now_s)
                year.look_after(now_s)
            year.sizes.append(year.used())
            if day == options.days - 1 - GROWTH_DAYS:
                year.tables = dict(tables(path))
            if day % 50 == 49:
                print(
                    f"day {day + 1}: {path.stat().st_size / 1e6:.0f} MB, {time.monotonic() - begun:.0f} s", flush=True
                )
        _report(year, bytes_written() - before, time.process_time() - cpu)
        _paced(year, BEGIN_S + options.days * DAY_S)
        for name, took_ms in ask(year, BEGIN_S + options.days * DAY_S):
            print(f"{name:48} {took_ms:10.0f} ms")
        year.record.close()
        _start(path, BEGIN_S + options.days * DAY_S)
        _backups(path, Path(folder), options.days)
    return 0


def _report(year: Year, written: int, cpu_s: float) -> None:
    for name, size in tables(year.path)[:14]:
        a_day = (size - year.tables.get(name, 0)) / GROWTH_DAYS
        print(f"  {name:46} {size / 1e6:10.1f} MB, grows by {a_day / 1e3:8.1f} kB a day")
    kept = year.record.reader().reading_count()
    growth = (year.sizes[-1] - year.sizes[0]) / max(len(year.sizes) - 1, 1)
    for name, number, unit in (
        ("readings taken in", year.readings / 1e6, "million"),
        ("single readings kept", kept / 1e6, "million"),
        ("file", year.path.stat().st_size / 1e6, "MB"),
        ("in use", year.used() / 1e6, "MB"),
        ("in use a reading taken in", year.used() / year.readings, "bytes"),
        ("growth a day over the last 30 days", growth / 1e3, "kB"),
        ("written a reading, batches of 500", written / year.readings, "bytes"),
        ("  of 24 logical bytes (must 12, aim 6)", written / year.readings / LOGICAL, "times"),
        ("CPU a reading, all of it", 1e6 * cpu_s / year.readings, "us"),
        ("longest step of upkeep, CPU", year.longest_ms, "ms"),
    ):
        print(f"{name:48} {number:10.2f} {unit}")


def _paced(year: Year, begin_s: float) -> None:
    """Store hours in the batches of slow plants: one reading, five (100 sumps), 83 (1,000 sumps, one a minute each)."""
    for hour, batch_of in enumerate((1, 5, 83)):
        before, readings, begun_s = bytes_written(), year.readings, begin_s + 3600.0 * hour
        year.store_hour(begun_s, batch_of)
        year.conclude(begun_s + 3600.0)
        cost = (bytes_written() - before) / (year.readings - readings)
        print(f"{f'written a reading, batches of {batch_of}':48} {cost:10.0f} bytes, {cost / LOGICAL:.0f} times")


def _start(path: Path, now_s: float) -> None:
    begun = time.perf_counter()
    record = Record.open_mended(path, None, now_s=now_s)
    took_ms = 1e3 * (time.perf_counter() - begun)
    print(f"{'opened, with a first look for damage':48} {took_ms:10.0f} ms")
    record.close()
    begun = time.perf_counter()
    assert what_is_wrong(path, 3600.0) == ""
    print(f"{'looked at whole':48} {1e3 * (time.perf_counter() - begun):10.0f} ms")


def _backups(path: Path, folder: Path, days: int) -> None:
    """Make two backups, let a day go by, and make another over the older one."""
    backups, now_s = folder / "backups", BEGIN_S + (days + 1) * DAY_S
    for number in range(2):
        _, written = make_backup(path, backups, 2, now_s + number)
    year = Year(path, len(set(_sumps(path))))
    begin = year.readings
    for hour in range(24):
        year.store_hour(now_s + hour * 3600.0, BATCH)
        year.conclude(now_s + (hour + 1) * 3600.0)
    year.look_after(now_s + DAY_S)
    begun = time.perf_counter()
    _, again = make_backup(path, backups, 2, now_s + DAY_S)
    took_s = time.perf_counter() - begun
    year.record.close()
    print(f"{'first backup':48} {written / 1e6:10.1f} MB written")
    each = again / (year.readings - begin)
    print(f"{'backup a day later over an older one':48} {again / 1e6:10.1f} MB written, {took_s:.1f} s")
    print(f"{'  a reading':48} {each:10.0f} bytes")


def _sumps(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        return [row[0] for row in connection.execute("SELECT DISTINCT sump FROM stream")]
