"""Time goes on only when it is moved, never faster than asked, and waits for a daemon that is behind."""

from __future__ import annotations

import threading
import time
from dataclasses import replace

import pytest

from config_demo.clock import DemoClock
from config_demo.gate import FallenBehindError, Gate


class FakeTime:
    def __init__(self) -> None:
        self.now = 100.0
        self.slept: list[float] = []

    def monotonic(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += seconds


def test_the_clock_keeps_its_pace() -> None:
    real = FakeTime()
    clock = DemoClock(1000.0, 60.0, monotonic=real.monotonic, sleep=real.sleep)
    for _ in range(10):
        clock.advance(60.0)
    assert clock.now_s() == 1600.0
    assert real.now == pytest.approx(110.0)


def test_long_waits_are_not_caught_up_on() -> None:
    real = FakeTime()
    clock = DemoClock(0.0, 60.0, monotonic=real.monotonic, sleep=real.sleep)
    real.now += 50.0
    clock.advance(60.0)
    clock.advance(60.0)
    assert sum(real.slept) == pytest.approx(1.75)


def test_a_clock_without_pace_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        DemoClock(0.0, 0.0)


class Daemon:
    """Takes readings in and renews its picture a little at each look."""

    def __init__(self, *, stuck: bool = False) -> None:
        self.taken = 0
        self.pictured = 0.0
        self.stuck = stuck

    def taken_in(self) -> int:
        if not self.stuck:
            self.taken = min(self.taken + 50, 1000)
        return self.taken

    def pictured_s(self) -> float:
        if not self.stuck and self.taken == 1000:
            self.pictured = min(self.pictured + 600.0, 7200.0)
        return self.pictured


def gate(daemon: Daemon, stop: threading.Event, patience_s: float = 60.0) -> Gate:
    return Gate(lambda: 1000, daemon.taken_in, daemon.pictured_s, lambda: 7200.0, stop.is_set, patience_s=patience_s)


def test_all_is_taken_in_before_a_moment_that_will_be_pictured() -> None:
    daemon, stop = Daemon(), threading.Event()
    gate(daemon, stop).after_sending()
    assert daemon.taken == 1000


def test_between_two_pictures_some_may_be_under_way() -> None:
    daemon, stop = Daemon(), threading.Event()
    replace(gate(daemon, stop), now_s=lambda: 1000.0).after_sending()
    assert 800 <= daemon.taken < 1000


@pytest.mark.parametrize(("now_s", "pictured_s"), [(900.0, 0.0), (960.0, 900.0), (1800.0, 900.0), (1860.0, 1800.0)])
def test_nothing_later_is_sent_before_the_picture_is_there(now_s: float, pictured_s: float) -> None:
    daemon, stop = Daemon(stuck=True), threading.Event()
    waiting = replace(gate(daemon, stop, patience_s=0.05), now_s=lambda: now_s)
    daemon.pictured = pictured_s
    waiting.before_sending()
    daemon.pictured = pictured_s - 1.0
    with pytest.raises(FallenBehindError):
        waiting.before_sending()


def test_catching_up_brings_the_newest_picture() -> None:
    daemon, stop = Daemon(), threading.Event()
    gate(daemon, stop).catch_up()
    assert daemon.taken == 1000
    assert daemon.pictured >= 6300.0


def test_a_stuck_daemon_is_said_after_the_patience() -> None:
    with pytest.raises(FallenBehindError, match="1000 readings"):
        gate(Daemon(stuck=True), threading.Event(), patience_s=0.05).catch_up()


def test_stopping_ends_the_wait() -> None:
    stop = threading.Event()
    threading.Timer(0.05, stop.set).start()
    since = time.monotonic()
    gate(Daemon(stuck=True), stop).catch_up()
    assert time.monotonic() - since < 30.0
