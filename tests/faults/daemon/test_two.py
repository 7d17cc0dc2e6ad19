"""Two daemons on one record, the lock between them, and the exit codes that scripts and systemd rely on."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.lock import lock_of, told
from tests.fixtures.ports import free_port
from tests.fixtures.pty_line import PtyLine
from tests.live.daemon.program import Program

pytestmark = pytest.mark.live


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    with PtyLine(tmp_path / "line"), Program(tmp_path, free_port()) as running:
        yield running


def other(program: Program, name: str = "other.toml") -> Path:
    """Give a second plant file on the same record, with a page of its own."""
    path = program.folder / name
    path.write_text(program.plant_file.read_text().replace(f":{program.port}", f":{free_port()}"))
    return path


def run(program: Program, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    from tests.live.daemon.program import COMMAND

    whole = [COMMAND, *map(str, arguments)]
    return subprocess.run(whole, capture_output=True, text=True, timeout=60, check=False)


def test_the_second_is_refused_and_the_first_goes_on(program: Program) -> None:
    held = told(program.database)
    assert held is not None
    second = run(program, "run", other(program))
    assert second.returncode == 1
    assert f"another bandkeeper (process {held.process}) runs on this plant" in second.stderr
    assert "Traceback" not in second.stderr
    assert program.ask("/health/live")[0] == 200
    assert told(program.database) == held


def test_a_record_reached_by_another_path_is_the_same_record(
    program: Program, tmp_path_factory: pytest.TempPathFactory
) -> None:
    link = tmp_path_factory.mktemp("elsewhere") / "works"
    link.symlink_to(program.folder)
    other(program)
    second = run(program, "run", link / "other.toml")
    assert second.returncode == 1
    assert "another bandkeeper" in second.stderr


def test_commands_that_only_read_or_add_go_beside_a_running_daemon(program: Program, tmp_path: Path) -> None:
    assert run(program, "check", program.plant_file).returncode == 0
    assert run(program, "token", program.plant_file, "shop-tablet").returncode == 0
    assert run(program, "backup", program.plant_file, tmp_path / "copy.db").returncode == 0
    assert program.stop() == 0


def test_the_lock_ends_with_the_process_however_it_ends(program: Program) -> None:
    program.kill()
    assert lock_of(program.database).exists()
    assert told(program.database) is None
    program.start()
    held = told(program.database)
    assert held is not None
    assert held.process != os.getpid()
    assert program.stop() == 0
    assert told(program.database) is None


def test_a_faulty_file_ends_the_start_with_two_and_a_stop_with_nothing(program: Program) -> None:
    faulty = other(program, "faulty.toml")
    faulty.write_text(faulty.read_text().replace('fluid = "semi-synthetic"', 'fluid = "oil"'))
    for command in ("run", "check", "reload"):
        done = run(program, command, faulty)
        assert done.returncode == 2
        assert "faulty.toml:" in done.stderr
    began = time.monotonic()
    assert program.stop() == 0
    assert time.monotonic() - began < 15.0
