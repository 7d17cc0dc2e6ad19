"""`kill -9` at every point of the upkeep: nothing lost, nothing doubled, and the next life ends where it would have."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path


def test_a_kill_at_any_point_of_the_upkeep_changes_nothing_in_the_end(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.faults.record.lives", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=280)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 60
