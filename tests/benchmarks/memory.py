"""How much memory the watch holds: 1,000 sumps for a week, beside Python with the same imports.

Record and pipeline run as in the daemon: settled, going back to the record where the memory does not reach. Each sump
tells level, refractometer and running in turn, a reading a minute; a week of that takes about ten minutes of CPU. A
third argument makes it a reading every so many minutes, to see within less what days add: samples are in memory for
six hours only, so that what a reading a minute adds to them shows within the first day. Each sump is filled up every
two days, as in a plant that is looked after, and nobody logs it; a fourth argument of 0 leaves that out: after some
days all thousand call at once and nobody comes. At the end twenty sumps tell a level that is a day late, so that the
whole day is gone over with what lies on disk.
"""

from __future__ import annotations

import gc
import tempfile
import time
from pathlib import Path
from typing import Final

import numpy as np

import monitor.daemon  # noqa: F401 - the same imports
from adapters.mqtt_out import MqttPublisher
from monitor.give_back import give_back
from monitor.model.layout import BIN_S
from monitor.pipeline import Pipeline
from monitor.plant.reading import Reading, Signal
from monitor.publishing import Publishing
from monitor.record.store import Record
from monitor.status.ready_made import ReadyMade
from tests.benchmarks.confirming import Confirming
from tests.benchmarks.pipeline import START_S, Costs, minute, passed, works

HOURS: Final = 7 * 24
SUMPS: Final = 1_000
SETTLE_S: Final = 45.0
QUIET_HOURS: Final = 6
FILLED_EVERY_MIN: Final = 2 * 24 * 60
LATE_S: Final = 24 * 3600.0
LATE_SUMPS: Final = 20


def resident_mb(what: str = "VmRSS") -> float:
    """Return what this process holds in memory (or `VmHWM`: ever held), from proc(5)."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return float(next(line.split()[1] for line in lines if line.startswith(what))) / 1024


def forget_most() -> None:
    """Let `VmHWM` begin anew (proc(5))."""
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def measure(
    hours: int = HOURS, sumps: int = SUMPS, every_min: int = 1, filled_every_min: int = FILLED_EVERY_MIN
) -> dict[str, float]:
    """Run the plant for some hours; return megabytes before, after each quarter of a day (said at once), at most."""
    gc.collect()
    imports = resident_mb()
    shop, dice = works(sumps), np.random.default_rng(1)
    found: dict[str, float] = {"sumps": sumps, "a_reading_every_min": every_min, "imports_mb": imports}
    began = time.process_time()
    with tempfile.TemporaryDirectory(prefix="bandkeeper-bench-") as folder:
        record = Record.open(Path(folder) / "record.db", now_s=START_S)
        reader = record.reader()
        pipeline = Pipeline(shop, reader.readings, reader.latest_checkpoint, settle_s=SETTLE_S)
        publisher = MqttPublisher(shop.sources["hall"], shop.id)
        publishing, broker = Publishing(shop, publisher), Confirming(publisher)
        lists = ReadyMade(lambda: shop)
        for number in range(60 * hours):
            if number % every_min == 0:
                readings = minute(shop, number, dice, (number // every_min) % 3, filled_every_min)
                record.add(readings)
                pipeline.take(readings)
            now_s = START_S + 60.0 * (number + 1)
            for _ in passed(pipeline, now_s - SETTLE_S, record, publishing, Costs()):
                broker.take_all()
                lists.get("sumps", pipeline.snapshot)
                give_back()
            if (number + 1) % (60 * QUIET_HOURS) == 0:
                while record.upkeep(now_s):
                    pass
                give_back()
                found[name := f"over_imports_mb_after_{(number + 1) // 60}_h"] = resident_mb() - imports
                print(f"{name:36} {found[name]:10.1f}", flush=True)
        found["over_imports_mb_at_most"] = resident_mb("VmHWM") - imports
        forget_most()
        told_s = now_s - LATE_S
        late = [Reading(sump, Signal.LEVEL, 250.0, told_s, now_s) for sump in list(shop.sumps)[:LATE_SUMPS]]
        record.add(late)
        pipeline.take(late)
        went_back = time.process_time()
        for _ in passed(pipeline, now_s + BIN_S, record, publishing, Costs()):
            give_back()
        found["going_back_a_day_cpu_s"] = time.process_time() - went_back
        found["over_imports_mb_at_most_meanwhile"] = resident_mb("VmHWM") - imports
        found["over_imports_mb_after_that"] = resident_mb() - imports
        record.close()
    return found | {"cpu_s": time.process_time() - began}


def main(arguments: list[str]) -> int:
    """Print the figures; arguments: hours (168), sumps (1000), minutes between two readings (1) and fillings (2880)."""
    for name, figure in measure(*map(int, arguments)).items():
        print(f"{name:36} {figure:10.1f}")
    return 0
