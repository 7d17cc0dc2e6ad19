"""Signs of life to systemd, over a real socket: given while the work goes on, withheld while it stands still."""

from __future__ import annotations

import os
import socket
import stat
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.keys import link_key
from monitor.lock import RecordLock
from monitor.plant.errors import RecordError
from monitor.watchdog import STUCK_S, ping_every_s, watch_until


@pytest.fixture
def systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(str(path))
        line.settimeout(10.0)
        monkeypatch.setenv("NOTIFY_SOCKET", str(path))
        monkeypatch.setenv("WATCHDOG_USEC", "40000")
        yield line


def test_signs_of_life_come_twice_in_the_time_and_only_while_the_work_goes_on(systemd: socket.socket) -> None:
    assert ping_every_s() == 0.02
    ended, idle = threading.Event(), [0.0]
    thread = threading.Thread(target=watch_until, args=(ended, lambda: idle[0]))
    thread.start()
    assert systemd.recv(100) == b"WATCHDOG=1"
    idle[0] = STUCK_S + 1.0
    ended.wait(0.2)
    systemd.setblocking(False)
    while True:  # what was under way when the work stopped
        try:
            systemd.recv(100)
        except BlockingIOError:
            break
    ended.wait(0.2)
    with pytest.raises(BlockingIOError):
        systemd.recv(100)
    ended.set()
    thread.join()


def test_without_systemd_nothing_is_pinged_often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("WATCHDOG_USEC", raising=False)
    assert ping_every_s() == 3600.0


def test_the_lock_is_for_one_and_ends_with_it(tmp_path: Path) -> None:
    first = RecordLock.take(tmp_path / "bandkeeper.db")
    with pytest.raises(RecordError, match=f"process {os.getpid()}"):
        RecordLock.take(tmp_path / "bandkeeper.db")
    first.release()
    RecordLock.take(tmp_path / "bandkeeper.db").release()


def test_the_key_is_made_once_for_its_owner_alone(tmp_path: Path) -> None:
    database = tmp_path / "bandkeeper.db"
    key = link_key(database)
    path = tmp_path / "bandkeeper.db.key"
    assert (len(key), stat.S_IMODE(path.stat().st_mode)) == (32, 0o600)
    assert link_key(database) == key
    path.chmod(0o644)
    with pytest.raises(RecordError, match="others may read this key"):
        link_key(database)
