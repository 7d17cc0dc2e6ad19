"""A record that is damaged while the daemon runs: found, mended in the same process, said; readings go on coming."""

from __future__ import annotations

import math
import subprocess
import time
from pathlib import Path

import pytest

from monitor.record.backups import backups_in
from monitor.record.reader import Reader
from tests.faults.record.ruin import leaves_of, spoil
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import listens, wait_for
from tests.fixtures.pty_line import PtyLine
from tests.live.adapters.sink import Talker
from tests.live.daemon.program import COMMAND, Program, moment

pytestmark = [pytest.mark.live, pytest.mark.broker]


def tell(program: Program, talker: Talker, first: int, count: int) -> None:
    """Send readings, each a minute after the one before, and wait until they are on disk."""
    begin_s = time.time() // 60 * 60 - 7200.0
    before = program.metric("bandkeeper_readings_accepted_total")
    for number in range(first, first + count):
        talker.say_json("hall/lathe-04/level", t=moment(begin_s + 0.5 * number), v=round(250.0 - 0.001 * number, 3))
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") >= before + count, "readings", within_s=60)


def backed_up(program: Program) -> Path:
    backup = program.folder / "by-hand"
    subprocess.run([COMMAND, "backup", str(program.plant_file), str(backup)], check=True, timeout=60)
    return backup


def fold(program: Program) -> None:
    """Let a command that comes and goes fold the log in, as far as it can."""
    subprocess.run([COMMAND, "token", str(program.plant_file), "nobody", "--sign-out"], check=True, timeout=60)


def times(database: Path) -> list[float]:
    return [one.time_s for one in Reader.open(database).readings(-math.inf, math.inf)]


def test_it_mends_itself_and_says_so(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, PtyLine(tmp_path / "line"), Program(tmp_path, broker.port) as program:
        program.connected()
        talker = Talker(broker.port)
        tell(program, talker, 0, 4000)
        folder = tmp_path / "bandkeeper.db.backups"
        folder.mkdir()
        backed_up(program).replace(folder / "bandkeeper.db.20310303T023000Z.backup")
        assert len(backups_in(folder, program.database)) == 1
        tell(program, talker, 4000, 500)
        fold(program)
        whole = times(program.database)
        spoil(program.database, leaves_of(program.database, "sample")[3])
        program.ask("/api/sumps/lathe-04/history?points=10&from=2020-01-01T00:00:00Z")
        wait_for(lambda: "was damaged" in program.log, "it is mended", within_s=60)
        wait_for(lambda: listens(program.port), "the page again", within_s=60)
        program.connected()
        status, _ = program.ask("/health/ready")
        assert status == 200
        (mishap,) = program.json("/health/ready")["mishaps"]
        assert "put aside as bandkeeper.db.damaged-" in mishap["what"]
        assert "20310303T023000Z.backup took its place" in mishap["what"]
        assert times(program.database) == whole
        wait_for(lambda: "was damaged" in program.ask("/api/alerts")[1], "an alert of its own", within_s=60)
        tell(program, talker, 4500, 10)
        assert len(times(program.database)) == len(whole) + 10
        assert program.json("/api/sumps/lathe-04/history?points=10&from=2020-01-01T00:00:00Z")["signals"]
        assert program.stop() == 0
        talker.close()


def test_restore_waits_for_the_daemon_to_be_stopped_and_puts_a_backup_in_place(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, PtyLine(tmp_path / "line"), Program(tmp_path, broker.port) as program:
        program.connected()
        talker = Talker(broker.port)
        tell(program, talker, 0, 100)
        backup = backed_up(program)
        tell(program, talker, 100, 50)
        command = [COMMAND, "restore", str(program.plant_file), str(backup)]
        refused = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
        assert refused.returncode == 1
        assert "stop it" in refused.stderr
        assert program.stop() == 0
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
        assert done.returncode == 0, done.stderr
        assert "the record before lies in" in done.stdout
        assert len(times(program.database)) == 100
        program.start()
        program.connected()
        tell(program, talker, 200, 10)
        assert len(times(program.database)) == 110
        assert program.json("/health/ready")["mishaps"] == []
        talker.close()


@pytest.mark.parametrize("there", [False, True])
def test_restore_without_a_name_takes_the_newest_nightly_one(tmp_path: Path, there: bool) -> None:
    program = Program(tmp_path, 1)
    if there:
        subprocess.run([COMMAND, "token", str(program.plant_file), "phone"], check=True, timeout=60)
        (tmp_path / "bandkeeper.db.backups").mkdir()
        backed_up(program).replace(tmp_path / "bandkeeper.db.backups" / "bandkeeper.db.20310303T023000Z.backup")
    command = [COMMAND, "restore", str(program.plant_file)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == (0 if there else 1)
    assert ("20310303T023000Z.backup is in place" if there else "there is no backup in") in done.stdout + done.stderr
