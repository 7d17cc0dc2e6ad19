"""`kill -9` in the middle of a stream of batches: what was reported as stored is there, nothing twice, nothing half."""

from __future__ import annotations

import math
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from monitor.record.schema import STEPS, migrations
from monitor.record.store import Record
from tests.cases.records.make import HERE as RECORDS
from tests.cases.records.make import rows_of

# Stores batches of ten readings (with an event-free checkpoint in the same transaction) and says so after each.
CHILD = """
import sys
sys.modules["pandas"] = None  # sqlite-utils loads it where it is installed; a shop has none
from pathlib import Path
from monitor.plant.reading import Reading, Signal
from monitor.record.schema import STEPS, migrations
from monitor.record.store import Record

record = Record.open(Path(sys.argv[1]), now_s=0.0)
first = int(sys.argv[2])
for number in range(first, first + 100_000):
    batch = [Reading("lathe-04", Signal.LEVEL, float(10 * number + i), 10.0 * number + i, 0.0) for i in range(10)]
    with record.transaction():
        assert len(record.add(batch).readings) in {0, 10}
        assert record.add(batch).doubled_readings == 10
        record.save_checkpoint(10.0 * number + 9, b"%d" % number)
    print(number, flush=True)
"""


def run_and_kill(path: Path, first: int, after: int) -> int:
    """Let a child store batches from number `first` on, kill it after so many; return the last it reported."""
    command = [sys.executable, "-c", CHILD, str(path), str(first)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        said = [child.stdout.readline() for _ in range(after)]
        child.kill()
        said += child.stdout.read().splitlines()
    assert child.returncode == -signal.SIGKILL
    return int(said[-1])


@pytest.mark.parametrize("after", [1, 40])
def test_what_was_reported_is_there_once_and_nothing_is_half(tmp_path: Path, after: int) -> None:
    path, first, stored = tmp_path / "bandkeeper.db", 0, -1
    for _ in range(2):
        reported = max(run_and_kill(path, first, after), stored)  # the second may be killed before it is as far
        record = Record.open(path, now_s=0.0)
        times = [reading.time_s for reading in record.reader().readings(-math.inf, math.inf)]
        checkpoint = record.reader().latest_checkpoint()
        record.close()
        assert times == [float(number) for number in range(len(times))]
        assert len(times) in {10 * (reported + 1), 10 * (reported + 2)}  # the last may be stored and not yet reported
        stored = len(times) // 10 - 1
        assert checkpoint == (10.0 * stored + 9, b"%d" % stored)
        first = max(stored - 5, 0)  # the broker sends the last ones again


DIES = """
import os, signal, sys
sys.modules["pandas"] = None  # sqlite-utils loads it where it is installed; a shop has none
from pathlib import Path
from monitor.record import schema
from monitor.record.schema import STEPS, migrations
from monitor.record.store import Record

def dying(work):
    def work_and_die(db):
        work(db)
        os.kill(os.getpid(), signal.SIGKILL)
    return work_and_die

for step in schema.migrations._migrations:
    if step.name == sys.argv[2]:
        step.fn = dying(step.fn)
Record.open(Path(sys.argv[1]), now_s=0.0)
"""


def test_a_kill_in_any_step_of_bringing_the_record_up_to_date_leaves_one_that_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    for number, step in enumerate(STEPS):
        done = subprocess.run([sys.executable, "-c", DIES, str(path), step], check=False, timeout=120)
        assert done.returncode == -signal.SIGKILL
        with closing(sqlite3.connect(path)) as connection:
            applied = {step.name for step in migrations.applied(Database(connection))}
        assert applied == set(STEPS[:number])
    record = Record.open(path, now_s=0.0)
    assert record.reader().reading_count() == 0
    record.close()


def test_a_kill_in_any_step_of_an_upgrade_keeps_all_that_was_in_the_earlier_record(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript((RECORDS / f"{STEPS[0]}.sql").read_text(encoding="utf-8"))
        before = rows_of(connection)
    for step in STEPS[1:]:
        done = subprocess.run([sys.executable, "-c", DIES, str(path), step], check=False, timeout=120)
        assert done.returncode == -signal.SIGKILL
    Record.open(path, now_s=0.0).close()
    with closing(sqlite3.connect(path)) as connection:
        after = rows_of(connection)
    for table, rows in before.items():
        assert [{name: row[name] for name in rows[0]} for row in after[table]] == rows
