"""The demo from start to summary: an invented works, the real adapters, the real daemon, faster than life.

Opens nothing but loopback and pseudo-terminals, needs no network, writes only into a folder of its own that is gone
at the end unless it is to be kept.
"""

from __future__ import annotations

import logging
import shutil
import signal
import socket
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rich.console import Console

from config_demo.broker import BrokerMissingError, EmbeddedBroker, free_port
from config_demo.clock import DemoClock
from config_demo.crew import Crew
from config_demo.desk import HttpDesk, MqttDesk
from config_demo.feed import LineFeed, MqttFeed
from config_demo.gate import FallenBehindError, Gate
from config_demo.play import Play
from config_demo.show import Show, news_lines
from config_demo.story import NATURES, START_S
from config_demo.summary import Summary, sum_up
from config_demo.watch import Watch, limits_of
from config_demo.works import SERIAL_SOURCES, instruments_of, line_port, world_of, write_works
from config_demo.world import STEP_S
from monitor.daemon import Daemon
from monitor.plant.file import load_plant
from monitor.plant.types import Plant

DEFAULT_SPEED: Final = 5_000.0
_TICK_S: Final = 0.02
_PICTURE_EVERY_S: Final = 0.2
_READY_WITHIN_S: Final = 30.0
_SECONDS_A_DAY: Final = 86_400.0


@dataclass(frozen=True, slots=True)
class Options:
    """What the visitor asked for: days and pace of the story, the page's port (0: any), the seed, the folder's fate."""

    days: float = 7.0
    speed: float = DEFAULT_SPEED
    port: int = 8480
    seed: int = 1
    keep: bool = False

    def __post_init__(self) -> None:
        if not self.days > 0.0 or not self.speed > 0.0:
            raise ValueError(f"--days ({self.days:g}) and --speed ({self.speed:g}) must be above 0")


def run_demo(
    days: float = 7.0,
    speed: float | None = None,
    port: int = 8480,
    *,
    seed: int = 1,
    keep: bool = False,
    console: Console | None = None,
) -> int:
    """Run the demo in the terminal until its days are over or Ctrl-C; returns the exit code.

    0: ended as it should; 1: ended early, and why was said; 2: cannot run as asked, and what would be right was said.
    """
    console = console or Console(highlight=False)
    with _interruptible() as stop:
        try:
            play_demo(Options(days, DEFAULT_SPEED if speed is None else speed, port, seed, keep), stop, console)
        except (ValueError, BrokerMissingError) as error:
            console.print(str(error), soft_wrap=True)
            return 2
        except FallenBehindError as error:
            console.print(f"The demo ends early: {error}.", soft_wrap=True)
            return 1
    return 0


def play_demo(options: Options, stop: threading.Event, console: Console) -> Summary:
    """Run the demo until its days are over or `stop` is set; prints as it goes and returns what was measured."""
    with _quiet(), _folder(keep=options.keep, console=console) as folder, ExitStack() as opened:
        broker = opened.enter_context(EmbeddedBroker())
        path = write_works(folder, mqtt_port=broker.port, status_port=_page_port(options.port))
        plant = load_plant(path)
        lines = {source: LineFeed(line_port(folder, source)) for source in SERIAL_SOURCES}
        for line in lines.values():
            opened.callback(line.close)
        clock = DemoClock(START_S, options.speed, sleep=_sleeper(stop))
        daemon = opened.enter_context(Daemon(plant, clock.now_s, tick_s=_TICK_S, settle_s=STEP_S / 2.0))
        gateways = MqttFeed(broker.port)
        opened.callback(gateways.close)
        display = MqttDesk(broker.port, plant.id)
        opened.callback(display.close)
        show = opened.enter_context(Show(plant, console=console))
        stage = _Stage(plant, clock, daemon, show, stop, options)
        return stage.run({"slip-gateways": gateways, **lines}, display)


class _Stage:
    """One run: the works in motion, the daemon that watches them, the terminal."""

    def __init__(
        self, plant: Plant, clock: DemoClock, daemon: Daemon, show: Show, stop: threading.Event, options: Options
    ) -> None:
        self._plant = plant
        self._clock = clock
        self._daemon = daemon
        self._show = show
        self._stop = stop
        self._options = options
        self._world = world_of(plant, start_s=START_S, seed=options.seed)
        self._watch = Watch(self._world, limits_of(plant), plant.attended.covers, START_S)
        self._seen_s = -1.0

    def run(self, feeds: dict[str, MqttFeed | LineFeed], display: MqttDesk) -> Summary:
        started = time.monotonic()
        crew = Crew(self._world, HttpDesk(self._daemon.status_port), display, self._tell)
        play = self._play(feeds, crew)
        self._wait_for_sources()
        self._show.greet(f"http://127.0.0.1:{self._daemon.status_port}/", self._options.days, self._options.speed)
        self._go(play)
        play.gate.catch_up()
        self._news()
        leak = next(((n.id, n.leak.from_s) for n in NATURES.values() if n.leak is not None), None)
        summary = sum_up(
            self._watch,
            crew,
            play.poured,
            sent=sum(feed.sent for feed in feeds.values()),
            taken_in=self._taken_in(),
            real_s=time.monotonic() - started,
            leak=leak,
            cut_short=self._stop.is_set(),
        )
        self._show.close(summary)
        return summary

    def _play(self, feeds: dict[str, MqttFeed | LineFeed], crew: Crew) -> Play:
        gate = Gate(
            sent=lambda: sum(feed.sent for feed in feeds.values()),
            taken_in=self._taken_in,
            pictured_s=lambda: max(self._daemon.snapshot().now_s, START_S),  # no picture yet is as good as the start
            now_s=self._clock.now_s,
            stopped=self._stop.is_set,
        )
        instruments = instruments_of(self._plant, self._world)
        return Play(self._world, instruments, feeds, crew, self._watch, gate, self._daemon.snapshot, self._tell)

    def _go(self, play: Play) -> None:
        end_s, next_picture = START_S + self._options.days * _SECONDS_A_DAY, 0.0
        while self._world.now_s < end_s and not self._stop.is_set():
            self._clock.advance(STEP_S)
            play.minute()
            self._news()
            if time.monotonic() >= next_picture:
                self._picture()
                next_picture = time.monotonic() + _PICTURE_EVERY_S

    def _news(self) -> None:
        snapshot = self._daemon.snapshot()
        if snapshot.now_s == self._seen_s:
            return
        self._seen_s = snapshot.now_s
        for line in news_lines(*self._watch.look(snapshot)):
            self._show.tell(snapshot.now_s, line)

    def _picture(self) -> None:
        done = (self._world.now_s - START_S) / (self._options.days * _SECONDS_A_DAY)
        self._show.picture(self._daemon.snapshot(), self._world.now_s, done)

    def _tell(self, line: str) -> None:
        self._show.tell(self._world.now_s, line)

    def _taken_in(self) -> int:
        counters = self._daemon.counters()
        return round(sum(counters[f"readings_{fate}"] for fate in ("accepted", "doubled", "rejected")))

    def _wait_for_sources(self) -> None:
        until = time.monotonic() + _READY_WITHIN_S
        while not self._stop.is_set():
            states = {source.source: source.state for source in self._daemon.health().sources}
            if states and all(state in {"up", "running"} for state in states.values()):
                return
            if time.monotonic() > until:
                raise FallenBehindError(f"the daemon's sources are not up: {states}")
            time.sleep(0.02)


def _sleeper(stop: threading.Event) -> Callable[[float], None]:
    """Return a sleep that ends early when the demo is to stop."""

    def sleep(seconds: float) -> None:
        stop.wait(seconds)

    return sleep


def _page_port(wanted: int) -> int:
    """Return the wanted port, or a free one if it is 0 or somebody else has it."""
    if wanted == 0:
        return free_port()
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", wanted))
        except OSError:
            return free_port()
    return wanted


@contextmanager
def _interruptible() -> Iterator[threading.Event]:
    """Give an event that Ctrl-C and a request to terminate set; the old handlers come back at the end."""
    stop = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    old = {sign: signal.signal(sign, lambda *_: stop.set()) for sign in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for sign, handler in old.items():
            signal.signal(sign, handler)


@contextmanager
def _folder(*, keep: bool, console: Console) -> Iterator[Path]:
    """Give a temporary folder; it is removed at the end, or named if it is kept."""
    folder = Path(tempfile.mkdtemp(prefix="bandkeeper-demo-"))
    try:
        yield folder
    finally:
        if keep:
            console.print(f"Kept: {folder} (plant file and record)", soft_wrap=True)
        else:
            shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep log lines out of the visitor's terminal; what matters is told by the show."""
    before = logging.root.manager.disable
    logging.disable(logging.WARNING)
    try:
        yield
    finally:
        logging.disable(before)
