"""The broker is killed, forgets its sessions, or stays away for a day whose readings then come in seconds."""

from __future__ import annotations

import http.client
import math
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from monitor.daemon import Daemon
from monitor.pipeline import Pipeline
from monitor.plant.reading import Reading
from monitor.record.reader import Reader
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import free_port, wait_for
from tests.fixtures.pty_line import PtyLine
from tests.live.adapters.sink import Talker
from tests.live.daemon.program import Program
from tests.unit.pipeline.shop import BEGIN_S, HEAD, Machine, plant_of, readings_of
from tests.unit.pipeline.still import believed, foreseen, state_of, with_record

pytestmark = [pytest.mark.live, pytest.mark.broker]

HOUR_S = 3600.0
SETTLE_S = 10.0
ACCEPTED = "bandkeeper_readings_accepted_total"


def shop() -> list[Machine]:
    return [Machine(f"lathe-{n:02d}", acts=[(6.0 + 0.6 * n, 40.0, 4.0)]) for n in range(16)]


class Works:
    """A daemon with a page, on a clock of the test's own, that starts after a day without a broker."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        self.page = free_port()
        head = HEAD + f"port = {broker.port}\n"
        plant = plant_of(shop(), head, f'\n[status]\nlisten = "127.0.0.1:{self.page}"\n')
        self.plant = with_record(plant, folder / "bandkeeper.db")
        self.now_s = BEGIN_S + 24.0 * HOUR_S
        self.daemon = Daemon(self.plant, lambda: self.now_s, tick_s=0.05, settle_s=SETTLE_S)
        self.talker = Talker(broker.port, lambda client: client.max_inflight_messages_set(500))

    def say(self, readings: Sequence[Reading]) -> None:
        """Publish without waiting for the broker's word."""
        for one in readings:
            payload = b'{"t": %r, "v": %r}' % (one.time_s, one.value)
            self.talker.client.publish(f"hall/{one.sump}/{one.signal.value}", payload, qos=1)

    def stored(self) -> float:
        return self.daemon.counters()["readings_accepted"]

    def ask(self, path: str) -> float:
        """Ask the page; return how long it took."""
        began = time.monotonic()
        connection = http.client.HTTPConnection("127.0.0.1", self.page, timeout=30)
        connection.request("GET", path)
        answer = connection.getresponse()
        answer.read()
        connection.close()
        assert answer.status == 200
        return time.monotonic() - began


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    with Broker(tmp_path, durable=False) as broker:
        made = Works(tmp_path, broker)
        made.daemon.start()
        wait_for(lambda: made.daemon.health().sources[0].state == "up", "the broker")
        time.sleep(0.5)
        yield made
        made.talker.close()
        made.daemon.stop()


def resident_bytes() -> int:
    """Return the memory that this process holds."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096


def test_a_day_that_comes_in_seconds_is_as_if_it_had_come_in_order(works: Works) -> None:
    readings = readings_of(shop(), 25.0)
    backlog = [one for one in readings if one.time_s < BEGIN_S + 24.0 * HOUR_S]
    live = [one for one in readings if one.time_s >= BEGIN_S + 24.0 * HOUR_S]
    held = resident_bytes()
    gateway = threading.Thread(target=works.say, args=(backlog,))
    took = []
    for number in range(12):
        if number == 2:
            gateway.start()
        works.now_s = BEGIN_S + 24.0 * HOUR_S + 300.0 * (number + 1)
        works.say([one for one in live if works.now_s - 300.0 <= one.time_s < works.now_s])
        took.append(works.ask("/api/sumps"))
        time.sleep(0.2)
    gateway.join()
    while works.stored() < len(readings):
        took.append(works.ask("/api/sumps"))
        time.sleep(0.05)
    assert max(took) < 10.0, "the page answers all the while"
    works.now_s = BEGIN_S + 25.0 * HOUR_S + SETTLE_S + 1.0
    wait_for(lambda: works.daemon.snapshot().now_s >= BEGIN_S + 25.0 * HOUR_S, "the hour", within_s=120)
    worker = works.daemon._worker
    worker.ask(lambda: None).result(60)
    assert resident_bytes() - held < 200_000_000
    whole = Pipeline(works.plant, settle_s=SETTLE_S)
    whole.take(readings)
    for _ in whole.run_until(BEGIN_S + 25.0 * HOUR_S):
        pass
    mine = works.daemon._pipeline
    assert worker.ask(lambda: state_of(mine)).result(60) == state_of(whole)
    assert believed(mine) == believed(whole)
    assert {name: replace(one, made_s=0.0) for name, one in foreseen(mine).items()} == {
        name: replace(one, made_s=0.0) for name, one in foreseen(whole).items()
    }
    stored = list(Reader.open(works.plant.database).readings(0.0, 4e9))
    assert [(one.sump, one.signal, one.time_s, one.value) for one in stored] == sorted(
        ((one.sump, one.signal, one.time_s, one.value) for one in readings), key=lambda row: (row[2], row[0], row[1])
    )


def test_a_broker_that_is_killed_and_comes_back_costs_nothing(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, PtyLine(tmp_path / "line"), Program(tmp_path, broker.port) as program:
        program.connected()
        talker = Talker(broker.port, lambda client: client.reconnect_delay_set(1, 1))
        sent = 0
        for life in range(3):
            sent = say_forty(talker, sent)
            if life < 2:
                # a broker that is killed loses what it had not written down yet, whatever it told the sender
                wait_for(partial(has_stored, program, sent), "what came", within_s=60)
                broker.kill()
                wait_for(lambda: program.sources()["hall"]["state"] == "waiting", "the loss is noticed")
                assert program.ask("/health/live")[0] == 200
                sent = say_forty(talker, sent)  # the gateway keeps these
                broker.start()
        wait_for(partial(has_stored, program, sent), "all of them", within_s=120)
        wait_for(lambda: program.sources()["hall"]["state"] == "up", "the return")
        talker.close()
        assert Reader.open(program.database).reading_count() == sent == 200


def has_stored(program: Program, count: int) -> bool:
    return program.metric(ACCEPTED) == count


def say_forty(talker: Talker, sent: int) -> int:
    """Publish forty readings, each with a time of its own; return how many were sent in all."""
    begin_s = math.floor(time.time() / 86400.0) * 86400.0 - 86400.0
    for number in range(sent, sent + 40):
        talker.client.publish("hall/lathe-04/level", b'{"t": %.1f, "v": 250.0}' % (begin_s + number), qos=1)
    return sent + 40


def test_a_broker_that_forgot_the_session_is_said_and_goes_on(tmp_path: Path) -> None:
    with (
        Broker(tmp_path, durable=False) as broker,
        PtyLine(tmp_path / "line"),
        Program(tmp_path, broker.port) as program,
    ):
        program.connected()
        broker.kill()
        broker.start()
        wait_for(lambda: "the broker forgot the session" in program.log, "it is said", within_s=60)
        program.connected()
        talker = Talker(broker.port)
        talker.say_json("hall/lathe-04/level", v=250.0)
        wait_for(lambda: program.metric(ACCEPTED) == 1, "readings go on")
        talker.close()
