"""From the start of the daemon to its first reading on disk: 500 sumps with a year of record behind them.

The record is as the daemon keeps it: single readings of the last 90 days (level and refractometer every five minutes),
figures by the hour of a year, and a checkpoint at the last full six hours. It is written in bulk, the last hours go
through the real pipeline. Then `bandkeeper run` starts as a process of its own on a broker of its own, and a publisher
sends a reading every 20 ms until one is on disk.
"""

from __future__ import annotations

import json
import math
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.pipeline import Pipeline
from monitor.plant.file import load_plant
from monitor.plant.reading import Signal
from monitor.record.samples import newest_s
from monitor.record.store import Record
from tests.fixtures import plant_text as toml
from tests.fixtures.mosquitto import Broker

SUMPS: Final = 500
RAW_DAYS: Final = 90
HOURLY_DAYS: Final = 366
PERIOD_S: Final = 300
DAY_S: Final = 86_400
CHECKPOINT_S: Final = 6 * 3600
BEFORE_S: Final = 2 * 3600
WITHIN_S: Final = 120.0
READINGS: Final = """
WITH RECURSIVE moment(t) AS (SELECT :from_s UNION ALL SELECT t + :period FROM moment WHERE t + :period < :to_s)
INSERT INTO sample SELECT ((t + stream.id % :period) * 1000 << 20) + stream.id,
  CASE signal WHEN 'level' THEN 260.0 + (t / :period + stream.id) % 7 * 0.4 ELSE 5.3 + (t / :period) % 5 * 0.02 END,
  0, NULL, NULL, NULL, NULL FROM moment CROSS JOIN stream ORDER BY 1
"""
FIGURES: Final = """
WITH RECURSIVE day(d) AS (SELECT :first UNION ALL SELECT d + 1 FROM day WHERE d + 1 < :last),
  hour(h) AS (SELECT 0 UNION ALL SELECT h + 1 FROM hour WHERE h < 23)
INSERT INTO hourly SELECT d, stream.id, h, 12, 0, 5.2, 5.3, 5.4, 5.3 FROM day CROSS JOIN stream CROSS JOIN hour
"""


def write_plant(folder: Path, port: int, sumps: int) -> Path:
    """Write a plant file; return its path."""
    path = folder / "plant.toml"
    text = toml.head("Long Mill works", 'id = "long-mill"', 'database = "record.db"')
    text += toml.FLUID + toml.WATER + toml.broker(f"port = {port}")
    for name in (f"m-{n:03}" for n in range(sumps)):
        signals = toml.signal("level", f"{name}/level", "mm"), toml.signal("refractometer", f"{name}/brix", "degBx")
        text += toml.sump(name, toml.MAKE_UP, *signals, lowest="160 L")
    path.write_text(text, encoding="utf-8")
    return path


def fill(plant_file: Path, now_s: float, raw_days: int, hourly_days: int) -> float:
    """Write a year on record; return the moment of the checkpoint."""
    plant = load_plant(plant_file)
    checkpoint_s = now_s // CHECKPOINT_S * CHECKPOINT_S
    Record.open(plant.database, now_s=now_s - hourly_days * DAY_S).close()
    with closing(sqlite3.connect(plant.database, isolation_level=None)) as db:
        db.execute("BEGIN")
        pairs = [(sump, str(signal)) for sump in plant.sumps for signal in (Signal.LEVEL, Signal.REFRACTOMETER)]
        db.executemany("INSERT INTO stream (sump, signal) VALUES (?, ?)", pairs)
        first_s = (now_s - raw_days * DAY_S) // PERIOD_S * PERIOD_S
        db.execute(READINGS, {"from_s": int(first_s), "to_s": int(now_s - PERIOD_S), "period": PERIOD_S})
        today = int(now_s // DAY_S)
        db.execute(FIGURES, {"first": today - hourly_days, "last": today - 1})
        db.execute("UPDATE upkeep SET believed_s = ?, figures_to_s = ?", (now_s, float((today - 1) * DAY_S)))
        db.execute("COMMIT")
    record = Record.open(plant.database, now_s=now_s - DAY_S)
    pipeline = Pipeline(plant)
    pipeline.take(list(record.reader().readings(checkpoint_s - BEFORE_S, checkpoint_s)))
    for _ in pipeline.run_until(checkpoint_s):
        pass
    record.save_checkpoint(math.nextafter(checkpoint_s, 0.0), pipeline.checkpoint()[1])
    record.close()
    return checkpoint_s


def start(folder: Path, broker: Broker) -> tuple[float, float]:
    """Start the daemon; return seconds to the first reading on disk, and the CPU seconds of the daemon until then."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    began, began_s = time.perf_counter(), time.time()
    entry = "import sys; from monitor.cli import main; sys.exit(main())"
    with (folder / "log").open("wb") as log:
        run = subprocess.Popen([sys.executable, "-c", entry, "run", str(folder / "plant.toml")], stdout=log, stderr=log)
        try:
            while not _on_disk(folder / "record.db", began_s):
                if run.poll() is not None or time.perf_counter() - began > WITHIN_S:
                    raise RuntimeError(f"no reading on disk:\n{(folder / 'log').read_text()[-2000:]}")
                client.publish("m-000/level", json.dumps({"t": time.time(), "v": 260.0}), qos=1)
                time.sleep(0.02)
            took = time.perf_counter() - began
            ticks = sum(map(int, Path(f"/proc/{run.pid}/stat").read_text().rsplit(")", 1)[1].split()[11:13]))
        finally:
            run.terminate()
            run.wait()
            client.loop_stop()
    return took, ticks / 100.0


def _on_disk(path: Path, since_s: float) -> bool:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        newest = newest_s(db)
    return newest is not None and newest >= since_s


def measure(sumps: int = SUMPS, raw_days: int = RAW_DAYS, hourly_days: int = HOURLY_DAYS) -> dict[str, float]:
    """Return seconds from start to the first reading accepted, and what lay on record."""
    with tempfile.TemporaryDirectory(prefix="bandkeeper-bench-") as name, Broker(Path(name)) as broker:
        folder, now_s = Path(name), time.time()
        checkpoint_s = fill(write_plant(folder, broker.port, sumps), now_s, raw_days, hourly_days)
        size = (folder / "record.db").stat().st_size
        took, cpu = start(folder, broker)
    return {
        "sumps": float(sumps),
        "record_mb": size / 1e6,
        "hours_since_checkpoint": (now_s - checkpoint_s) / 3600.0,
        "to_first_reading_s": took,
        "cpu_until_then_s": cpu,
    }


def main(arguments: list[str]) -> int:
    """Print the figures; arguments: sumps (500), days of single readings (90), days of figures by the hour (366)."""
    for name, figure in measure(*map(int, arguments)).items():
        print(f"{name:28} {figure:12.2f}")
    return 0
