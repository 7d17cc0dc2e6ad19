"""Signs of life to systemd, over a real socket: given while the work goes on, withheld while it stands still."""

from __future__ import annotations

import os
import queue
import socket
import stat
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.keys import link_key
from monitor.lock import RecordLock
from monitor.plant.errors import RecordError
from monitor.watchdog import STUCK_S, Watch, notify, notify_reloading, ping_every_s


@pytest.fixture
def systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(str(path))
        line.settimeout(10.0)
        monkeypatch.setenv("NOTIFY_SOCKET", str(path))
        monkeypatch.setenv("WATCHDOG_USEC", "40000")
        yield line


class Wishes:
    """What somebody wants, one after the other."""

    def __init__(self) -> None:
        self.waiting: queue.SimpleQueue[str] = queue.SimpleQueue()

    def wait(self, within_s: float) -> str | None:
        try:
            return self.waiting.get(timeout=within_s)
        except queue.Empty:
            return None


def test_signs_of_life_come_twice_in_the_time_and_only_while_the_work_goes_on(systemd: socket.socket) -> None:
    assert ping_every_s() == 0.02
    wishes = Wishes()
    idle, got = [0.0], []
    thread = threading.Thread(target=lambda: got.append(Watch(wishes.wait, lambda: idle[0]).next_wish()))
    thread.start()
    assert systemd.recv(100) == b"WATCHDOG=1"
    idle[0] = STUCK_S + 1.0
    time.sleep(0.2)
    systemd.setblocking(False)
    while True:  # what was under way when the work stopped
        try:
            systemd.recv(100)
        except BlockingIOError:
            break
    time.sleep(0.2)
    with pytest.raises(BlockingIOError):
        systemd.recv(100)
    wishes.waiting.put("stop")
    thread.join()
    assert got == ["stop"]


def test_wishes_that_come_one_after_the_other_keep_no_sign_of_life_back(systemd: socket.socket) -> None:
    wishes = Wishes()
    watch = Watch(wishes.wait, lambda: 0.0)
    for _ in range(30):
        wishes.waiting.put("reload")
        assert watch.next_wish() == "reload"
        time.sleep(0.002)
    wishes.waiting.put("reload")
    assert watch.next_wish() == "reload"
    assert systemd.recv(100) == b"WATCHDOG=1"


def test_a_reload_is_told_with_its_moment_on_the_clock_that_never_jumps(systemd: socket.socket) -> None:
    before = time.monotonic_ns() // 1000
    notify_reloading()
    notify("READY=1", "STATUS=watching 3 sumps of Mill Lane")
    first, moment = systemd.recv(200).decode().splitlines()
    assert first == "RELOADING=1"
    assert moment.startswith("MONOTONIC_USEC=")
    assert before <= int(moment.partition("=")[2]) <= time.monotonic_ns() // 1000
    assert systemd.recv(200) == b"READY=1\nSTATUS=watching 3 sumps of Mill Lane"


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
