"""Killed while what is due is written: an escalation and its reminders are said once, however often the daemon dies."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Final

import pytest

from tests.unit.post.office import rows_of

POINTS: Final = ("after_taking", "before_commit", "after_commit", "never")
CHILD: Final = """
import os, signal, sys
sys.modules["pandas"] = None  # sqlite-utils loads it where it is installed; a shop has none
from contextlib import contextmanager
from pathlib import Path
from tests.unit.post.office import Office, at

folder, point, first = Path(sys.argv[1]), sys.argv[2], sys.argv[3] == "first"
raised = at("2031-03-03T23:10")

def die(here):
    if here == point:
        os.kill(os.getpid(), signal.SIGKILL)

office = Office(folder)
if first:
    office.raise_alert(raised)
else:
    (alert,) = office.record.reader().alerts()
    office.alerts[alert.id] = alert
record, post = office.record, office.post
take, transaction = record.take_due_follow_ups, record.transaction

def taken(now_s):
    found = take(now_s)
    die("after_taking")
    return found

@contextmanager
def committed():
    with transaction():
        yield
        die("before_commit")
    die("after_commit")

record.take_due_follow_ups, record.transaction = taken, committed
office.turn(raised + 20 * 60.0)
office.turn(raised + 60 * 60.0)
office.close()
"""


def run(folder: Path, point: str, order: str) -> int:
    command = [sys.executable, "-c", CHILD, str(folder), point, order]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode in {0, -signal.SIGKILL}, done.stderr
    return done.returncode


@pytest.mark.parametrize("point", POINTS)
def test_what_is_due_is_said_once(tmp_path: Path, point: str) -> None:
    assert run(tmp_path, point, "first") == (0 if point == "never" else -signal.SIGKILL)
    if point != "never":
        assert run(tmp_path, point, "again") == -signal.SIGKILL
    assert run(tmp_path, "never", "again") == 0
    assert run(tmp_path, "never", "again") == 0
    said = Counter(row["event"].split("-unacknowledged")[-1] for row in rows_of(tmp_path / "bandkeeper.db"))
    assert said == {"": 2, "-escalate-1": 1, "-remind-1": 1}
