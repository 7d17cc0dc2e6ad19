"""Killed between a change, its message, the sending and the mark: nothing lost, doubled only by its id."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Final

import pytest

from tests.fixtures.receivers import HookServer

POINTS: Final = ("before_commit", "after_commit", "after_claim", "after_send", "after_mark", "never")
CHILD: Final = """
import os, signal, sys, time
sys.modules["pandas"] = None  # sqlite-utils loads it where it is installed; a shop has none
from pathlib import Path
from adapters.webhook import WebhookOutlet
from monitor.plant.people import ChannelSpec
from monitor.record.outbox import Message, Outbox
from monitor.record.store import Record
from monitor.sender import Senders, Timing
from tests.unit.record.things import alert, transition

path, url, point, first, count = Path(sys.argv[1]), sys.argv[2], sys.argv[3], int(sys.argv[4]), int(sys.argv[5])

def die(here):
    if here == point and first + count // 2 <= reached[0]:
        os.kill(os.getpid(), signal.SIGKILL)

reached = [first]

class Hook(WebhookOutlet):
    def send(self, letter):
        reached[0] = int(letter.id.removeprefix("t-"))
        die("after_claim")
        verdict = super().send(letter)
        die("after_send")
        return verdict

class Marked(Outbox):
    def done(self, claimed, state, now_s, detail=""):
        super().done(claimed, state, now_s, detail)
        die("after_mark")

import monitor.sender
monitor.sender.Outbox = Marked
record = Record.open(path, now_s=0.0)
for number in range(first, first + count):
    reached[0] = number
    with record.transaction():
        moves = (transition(number, alert(number)),)
        fresh = record.new_ones(moves)
        record.save_transitions(moves)
        body = {"subject": "s", "text": "t", "html": "h", "short": "s", "event": {"id": f"t-{number}"}}
        record.post([Message(f"{m.id}/ana", m.id, "ana", (("hook", ""),), body, 0.0) for m in fresh], time.time())
        die("before_commit")
    print(number, flush=True)
    die("after_commit")
outlet = Hook(ChannelSpec("hook", "webhook", "full", {"url": url, "timeout": 5.0}))
senders = Senders(path, {"hook": outlet}, time.time, Timing(first_wait_s=0.05, look_every_s=0.02))
senders.start()
end = time.monotonic() + 60
while time.monotonic() < end:
    box = Outbox(path)
    if not box.channels():
        break
    box.close()
    time.sleep(0.02)
senders.stop()
record.close()
"""


def run(path: Path, url: str, point: str, first: int, count: int) -> tuple[int, list[int]]:
    """Run a child; return how it ended and which changes it reported as stored."""
    command = [sys.executable, "-c", CHILD, str(path), url, point, str(first), str(count)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode in {0, -signal.SIGKILL}, done.stderr
    return done.returncode, [int(line) for line in done.stdout.split()]


@pytest.mark.parametrize("point", POINTS)
def test_no_message_is_lost_and_a_doubled_one_has_the_same_id(tmp_path: Path, point: str) -> None:
    path = tmp_path / "bandkeeper.db"
    with HookServer() as server:
        ended, stored = run(path, server.url, point, 0, 6)
        assert ended == (0 if point == "never" else -signal.SIGKILL)
        ended, more = run(path, server.url, "never", 6, 4)
        assert ended == 0
        got = Counter(post.event["id"] for post in server.posts)
    assert set(got) == {f"t-{number}" for number in [*stored, *more]}
    doubled = {event for event, times in got.items() if times > 1}
    assert len(doubled) == (1 if point == "after_send" else 0)
    assert max(got.values()) <= 2
