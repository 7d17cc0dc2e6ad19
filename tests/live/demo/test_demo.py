"""The demo from start to summary, and what it promises to show: all of it really happens."""

from __future__ import annotations

import io
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from rich.console import Console

from config_demo.run import Options, play_demo, run_demo
from config_demo.story import HAPPENINGS, at
from config_demo.summary import Summary
from monitor.model.types import EventKind

pytestmark = [pytest.mark.live, pytest.mark.timeout(600)]

ROOT = Path(__file__).parents[3]
DAYS = 1.6
MAIN = "import sys; from monitor.cli import main; sys.exit(main())"


class Visitor(threading.Thread):
    """Looks at the page and at the open doors while the demo runs."""

    def __init__(self, console: io.StringIO) -> None:
        super().__init__()
        self.console = console
        self.pages: dict[str, str] = {}
        self.listening: set[str] = set()
        self.over = threading.Event()

    def run(self) -> None:
        while not self.over.wait(0.2):
            self.listening |= listeners()
            found = re.search(r"http://127\.0\.0\.1:\d+/", self.console.getvalue())
            if found and "Inês" in self.console.getvalue() and not self.pages:
                self.pages = {path: read(found[0] + path) for path in ("", "api/sumps", "api/alerts")}


def read(address: str) -> str:
    with urllib.request.urlopen(address, timeout=30.0) as answer:  # noqa: S310 - http on loopback
        return str(answer.read().decode())


def listeners() -> set[str]:
    """Return the addresses at which this process listens for TCP."""
    mine = {target(link) for link in Path("/proc/self/fd").iterdir()}
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/self/net/{table}").read_text().splitlines()[1:]:
            fields = line.split()
            if fields[3] == "0A" and f"socket:[{fields[9]}]" in mine:
                raw = bytes.fromhex(fields[1].split(":")[0])
                found.add(socket.inet_ntoa(raw[::-1]) if table == "tcp" else raw.hex())
    return found


def target(link: Path) -> str:
    try:
        return str(link.readlink())
    except OSError:
        return "closed meanwhile"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    folder = tmp_path_factory.mktemp("scratch")
    before, tempfile.tempdir = tempfile.tempdir, str(folder)
    yield folder
    tempfile.tempdir = before


@pytest.fixture(scope="module")
def run(folder: Path) -> tuple[Summary, str, Visitor]:
    text = io.StringIO()
    visitor = Visitor(text)
    visitor.start()
    try:
        console = Console(file=text, width=120, highlight=False)
        summary = play_demo(Options(days=DAYS, speed=200_000.0, port=0), threading.Event(), console)
    finally:
        visitor.over.set()
        visitor.join()
    assert list(folder.iterdir()) == []
    return summary, text.getvalue(), visitor


Run = tuple[Summary, str, Visitor]


def test_every_reading_is_taken_in(run: Run) -> None:
    summary, _, _ = run
    assert summary.readings_sent > 15_000
    assert summary.readings_taken_in == summary.readings_sent
    assert not summary.cut_short


def test_the_unlogged_top_up_is_noticed(run: Run) -> None:
    summary, text, _ = run
    [pour] = [happening for happening in HAPPENINGS if happening.sump == "plover"]
    [event] = [event for poured, event in summary.noticed if poured.time_s == pytest.approx(pour.at_s, abs=60.0)]
    assert event.volume_l == pytest.approx(pour.volume_l, rel=0.15)
    assert event.mix_pct == pytest.approx(pour.pct, abs=2.0)
    assert "plover: noticed an unlogged top-up" in text


def test_somebody_follows_a_recipe_that_came_before_the_night(run: Run) -> None:
    summary, text, _ = run
    assert summary.alerts_before_night >= 1
    assert summary.alerts_acted_on >= 1
    assert "before somebody is back" in text
    assert any(act.person == "Bruno" for act in summary.acts)


def test_sumps_land_where_the_recipe_said(run: Run) -> None:
    summary, text, _ = run
    assert len(summary.landed) >= 2
    assert summary.landings_inside >= 0.6 * len(summary.landed)
    for act in summary.landed:
        assert act.truth_pct == pytest.approx(act.said_pct, abs=0.6)
        assert act.truth_pct == pytest.approx(act.estimate_pct, abs=0.6)
    assert "Where the recipes landed" in text
    assert summary.avoided >= 1


def test_the_silent_gateway_and_the_leak_are_said(run: Run) -> None:
    summary, text, _ = run
    assert summary.silent_alerts >= 1
    assert re.search(r"ALERT curlew: .*silent", text)
    leaks = [event for event in summary.events if event.kind is EventKind.LOSS_JUMP and event.sump == "osprey"]
    assert leaks
    assert all(event.detected_s > at(0, "15:00") for event in leaks)


def test_the_estimate_is_close_to_the_truth(run: Run) -> None:
    summary, _, _ = run
    assert summary.off_pct is not None
    assert summary.off_volume_share is not None
    assert summary.off_pct < 0.2
    assert summary.off_volume_share < 0.02


def test_the_page_is_there_and_nothing_but_loopback_is_open(run: Run) -> None:
    _, _, visitor = run
    assert visitor.listening == {"127.0.0.1"}
    assert "gannet" in visitor.pages[""]
    assert '"evaporation_l_per_day"' in visitor.pages["api/sumps"]
    assert '"alerts"' in visitor.pages["api/alerts"]


def test_the_same_seed_tells_the_same_story(folder: Path) -> None:
    stories = []
    for _ in range(2):
        text = io.StringIO()
        options = Options(days=0.4, speed=200_000.0, port=0, seed=3)
        play_demo(options, threading.Event(), Console(file=text, width=120, highlight=False))
        # the page's port and the real time it took are the run's own
        stories.append([line for line in text.getvalue().splitlines() if "Page:" not in line and "life" not in line])
    assert len(stories[0]) > 10
    assert stories[0] == stories[1]
    assert list(folder.iterdir()) == []


def test_what_cannot_be_run_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    text = io.StringIO()
    assert run_demo(days=0.0, port=0, console=Console(file=text)) == 2
    assert "must be above 0" in text.getvalue()


def wait(fine: Callable[[], bool], what: Callable[[], str]) -> None:
    until = time.monotonic() + 120.0
    while not fine():
        assert time.monotonic() < until, what()
        time.sleep(0.05)


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_it_cleanly(tmp_path: Path, sign: signal.Signals) -> None:
    out, errors, scratch = tmp_path / "out", tmp_path / "errors", tmp_path / "scratch"
    scratch.mkdir()
    with out.open("w") as to, errors.open("w") as errors_to:
        demo = subprocess.Popen(
            [sys.executable, "-W", "error", "-c", MAIN, "demo", "--port", "0"],
            cwd=ROOT,
            env={**os.environ, "TMPDIR": str(scratch), "PYTHONUNBUFFERED": "1"},
            stdout=to,
            stderr=errors_to,
        )
        try:
            wait(lambda: "hand refractometer" in out.read_text(), lambda: out.read_text() + errors.read_text())
            demo.send_signal(sign)
            assert demo.wait(60.0) == 0
        finally:
            demo.kill()
            demo.wait()
    assert "cut short" in out.read_text()
    assert errors.read_text() == ""
    assert list(scratch.iterdir()) == []
