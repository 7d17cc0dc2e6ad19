"""Something hangs or raises: the rest of the daemon goes on, says so with a remedy, and still ends in time."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import pytest
import serial

from adapters.board import HANGS_S, Board
from adapters.delivery import Deliver, Delivery, Inlet, SourceHealth, SourceState
from adapters.intake import Batch, Intake, Piece
from adapters.lines import LinePattern
from adapters.payloads import Payload
from adapters.routes import routes_of
from adapters.sample import Sample
from adapters.serial_line import LineSettings, SerialInlet
from monitor import daemon as roof
from monitor import sources
from monitor.daemon import Daemon
from monitor.plant.errors import RecordError
from monitor.plant.reading import Reading, Rejected, Signal
from monitor.record.reader import Reader
from monitor.rounds import Asked, Round
from monitor.worker import SCARCE_S
from tests.fixtures.mosquitto import Broker
from tests.fixtures.plants import mqtt_source, plant, signal, source, sump
from tests.fixtures.ports import wait_for
from tests.fixtures.pty_line import PtyLine
from tests.fixtures.receivers import HookServer
from tests.live.adapters.sink import Talker
from tests.live.channels.test_daemon import Works
from tests.live.daemon.program import Program
from tests.unit.pipeline.shop import BEGIN_S, machines, plant_of, readings_of
from tests.unit.pipeline.still import Still, with_record

pytestmark = [pytest.mark.live, pytest.mark.broker]

LIMIT_S = sources.STOP_S + roof.STOP_S + roof.GOOD_BYE_S


class Stuck:
    """A way in whose driver never returns from anything but the start."""

    source = "stuck"

    def start(self, deliver: Deliver) -> None:
        """Begin."""

    def stop(self) -> None:
        threading.Event().wait()

    def health(self) -> SourceHealth:
        board = Board(self.source)
        board.set(SourceState.UP, "reading")
        board._beat_s = time.monotonic() - HANGS_S - 60.0
        return board.health()


class Broken:
    """A way in that raises whatever is asked of it."""

    source = "broken"

    def start(self, deliver: Deliver) -> None:
        del deliver
        raise ZeroDivisionError("in the driver")

    def stop(self) -> None:
        raise ZeroDivisionError("while stopping")

    def health(self) -> SourceHealth:
        raise ZeroDivisionError("while asked")


def ended(act: Callable[[], object], within_s: float) -> bool:
    """Tell whether something ends before the limit."""
    thread = threading.Thread(target=act, daemon=True)
    thread.start()
    thread.join(within_s)
    return not thread.is_alive()


def test_one_source_hangs_and_one_raises_and_the_others_go_on(tmp_path: Path, broker: Broker) -> None:
    hook = HookServer()
    with hook:
        works = Works(tmp_path, broker, hook)
        inlets: dict[str, Inlet] = works.daemon._sources._inlets
        inlets.update({"stuck": Stuck(), "broken": Broken()})
        works.daemon.start()
        wait_for(lambda: works.daemon.health().sources[0].state == "up", "the broker")
        works.now_s += 3600.0
        wait_for(works._stored, "readings on record")
        reasons = {reason.what: reason.remedy for reason in works.daemon.health().reasons}
        hanging = next(what for what in reasons if "stuck" in what)
        assert "hangs since 3 min" in hanging
        assert "restart the daemon" in reasons[hanging]
        raising = next(what for what in reasons if "broken" in what)
        assert "does not start: in the driver" in raising
        assert "look at the log" in reasons[raising]
        works.client.disconnect()
        works.client.loop_stop()
        assert ended(works.daemon.stop, LIMIT_S)
    assert Reader.open(works.plant.database).reading_count() == 26
    again = Daemon(works.plant, lambda: works.now_s)  # the record is free again
    again.stop()


def test_a_source_that_cannot_say_how_it_is(tmp_path: Path, broker: Broker) -> None:
    with HookServer() as hook:
        works = Works(tmp_path, broker, hook)
        works.daemon._sources._inlets["broken"] = Broken()
        (reason,) = [one for one in works.daemon.health().reasons if "broken" in one.what]
        assert "cannot say how it is: while asked" in reason.what
        works.stop()


@dataclass(frozen=True, slots=True)
class BlockedLine(LineSettings):
    """A port whose driver never comes back from opening."""

    def open(self, *_: object, **__: object) -> serial.Serial:
        threading.Event().wait()
        raise AssertionError


def test_a_serial_port_that_blocks_is_said_and_holds_nothing_up(tmp_path: Path) -> None:
    shop = plant(
        [source("bench", "serial", "line", {"port": "/dev/ttyX", "pattern": r"(?P<value>\d+)"})],
        sump("lathe-04", signal(Signal.LEVEL, "bench", "", "mm")),
    )
    settings = BlockedLine("bench", "/dev/ttyX", 9600, 8, "none", 1)
    inlet = SerialInlet(settings, routes_of(shop, "bench"), LinePattern(r"(?P<value>\d+)"), time.time)
    inlet.start(lambda _delivery: None)
    inlet._board.set(SourceState.UP, "reading /dev/ttyX")
    inlet._board._beat_s = time.monotonic() - HANGS_S - 1.0
    health = inlet.health()
    assert (health.state, health.detail) == (SourceState.WAITING, "hangs since 2 min, after: reading /dev/ttyX")
    assert "cable" in health.remedy
    assert ended(lambda: sources._stop({"bench": inlet}), sources.STOP_S + 1.0)


def test_a_receiver_that_hangs_does_not_hold_the_stop_up_and_gets_its_message_later(
    tmp_path: Path, broker: Broker
) -> None:
    with HookServer() as hook:
        works = Works(tmp_path, broker, hook)
        hook.script[:] = [9.0] * 5
        works.daemon.start()
        wait_for(lambda: all(s.state == "up" for s in works.daemon.health().sources), "the broker")
        alert_id = works.run_low()
        wait_for(lambda: hook.posts, "the message is under way")
        assert ended(works.daemon.stop, LIMIT_S)
        hook.script.clear()
        before = len(hook.posts)
        works.daemon = Daemon(works.plant, lambda: works.now_s, tick_s=0.05)
        works.daemon.start()
        wait_for(
            lambda: any(p.event["data"]["alert"]["id"] == alert_id for p in hook.posts[before:]), "it is sent again"
        )
        works.stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path) as running:
        yield running


def test_it_ends_in_order_under_load_and_loses_nothing(tmp_path: Path) -> None:
    with (
        Broker(tmp_path, durable=False) as broker,
        PtyLine(tmp_path / "line"),
        Program(tmp_path, broker.port) as program,
    ):
        program.connected()
        _stop_under_load(program, broker)


def _stop_under_load(program: Program, broker: Broker) -> None:
    talker = Talker(broker.port, lambda client: client.max_inflight_messages_set(200))
    sent, stop, begin_s = [0], threading.Event(), time.time() - 86400.0

    def flood() -> None:
        while not stop.is_set():
            payload = b'{"t": %.2f, "v": 250.0}' % (begin_s + 0.5 * sent[0])
            sent[0] += 1
            talker.client.publish("hall/lathe-04/level", payload, qos=1)
            if sent[0] % 100 == 0:
                time.sleep(0.02)

    thread = threading.Thread(target=flood)
    thread.start()
    wait_for(lambda: program.metric("bandkeeper_readings_accepted_total") > 500, "a flood")
    began = time.monotonic()
    assert program.stop() == 0
    assert time.monotonic() - began < LIMIT_S
    stop.set()
    thread.join()
    last = talker.client.publish("hall/lathe-04/level", b'{"t": %.2f, "v": 251.0}' % (begin_s - 10.0), qos=1)
    last.wait_for_publish(60)
    talker.close()
    program.start()
    wait_for(lambda: Reader.open(program.database).reading_count() >= sent[0] + 1, "all of them, once", within_s=60)
    assert Reader.open(program.database).reading_count() == sent[0] + 1
    assert program.metric("bandkeeper_source_rejected_total") == 0


def test_what_no_round_can_hold_is_refused_alone(tmp_path: Path) -> None:
    """A fault of our own in storing: the neighbours are stored, the culprit is kept as refused."""
    still = Still(with_record(plant_of(machines()), tmp_path / "bandkeeper.db"))
    readings = readings_of(machines(), 1)
    done: list[str] = []
    culprit = Reading("lathe-04", Signal.LEVEL, "two hundred", BEGIN_S + 60.0, BEGIN_S + 61.0)  # type: ignore[arg-type]
    found = Round(
        [
            Delivery(tuple(readings[:20]), done=lambda: done.append("first")),
            Delivery((culprit,), done=lambda: done.append("culprit")),
            Delivery(tuple(readings[20:]), done=lambda: done.append("last")),
        ]
    )
    assert still.worker._store(found)
    assert sorted(done) == ["culprit", "first", "last"]
    assert still.on_record() == readings
    (refused,) = still.daemon.reader().rejected()
    assert "own fault while storing it" in refused.why
    assert "two hundred" in refused.raw
    still.kill()


def test_a_delivery_is_taken_apart_before_anything_good_is_refused(tmp_path: Path) -> None:
    still = Still(with_record(plant_of(machines()), tmp_path / "bandkeeper.db"))
    readings = readings_of(machines(), 1)
    done: list[str] = []
    culprit = Reading("lathe-04", Signal.LEVEL, "two hundred", BEGIN_S + 60.0, BEGIN_S + 61.0)  # type: ignore[arg-type]
    noted = Rejected("hall: a", BEGIN_S, "no JSON", "{")
    mixed = Delivery((*readings[:20], culprit, *readings[20:]), (noted,), done=lambda: done.append("mixed"))
    assert still.worker._store(Round([mixed]))
    assert done == ["mixed"]
    assert still.on_record() == readings
    why = sorted(one.why[:24] for one in still.daemon.reader().rejected())
    assert why == ["no JSON", "own fault while storing i"[:24]]
    still.kill()


def test_a_refusal_that_cannot_be_kept_is_acknowledged_all_the_same(tmp_path: Path) -> None:
    still = Still(with_record(plant_of(machines()), tmp_path / "bandkeeper.db"))
    done: list[str] = []
    unkeepable = Rejected("hall: a", "never", "no JSON", "{")  # type: ignore[arg-type]
    assert still.worker._store(Round([Delivery((), (unkeepable,), done=lambda: done.append("refusal"))]))
    assert done == ["refusal"]
    still.kill()


def test_memory_that_is_not_there_is_a_refusal_like_a_full_disk(tmp_path: Path) -> None:
    still = Still(with_record(plant_of(machines()), tmp_path / "bandkeeper.db"))
    readings, done = readings_of(machines(), 1), list[int]()
    store = still.daemon._record.add

    def scarce(*_arguments: object, **_named: object) -> None:
        raise MemoryError

    still.daemon._record.add = scarce  # type: ignore[method-assign,assignment]
    found = Round([Delivery(tuple(readings), done=lambda: done.append(1))])
    assert not still.worker._store(found)
    assert (done, still.worker.trouble) == (
        [],
        "there is not enough memory to store what came in: raise the limit, or look what floods",
    )
    still.daemon._record.add = store  # type: ignore[method-assign]
    assert still.worker._store(found)
    assert done == [1]
    assert still.on_record() == readings
    still.kill()


def test_an_acknowledgement_that_raises_ends_nothing(tmp_path: Path) -> None:
    still = Still(with_record(plant_of(machines()), tmp_path / "bandkeeper.db"))

    def bad() -> None:
        raise RecordError("gone")

    answered = Asked(lambda: 3, still.worker.ask(lambda: None))
    assert still.worker._store(Round([Delivery(tuple(readings_of(machines(), 1)), done=bad)], asks=[answered]))
    assert answered.answer.result(0) == 3
    still.kill()


def test_memory_that_stays_away_ends_the_worker(tmp_path: Path) -> None:
    still = Still(with_record(plant_of(machines()), tmp_path / "bandkeeper.db"))

    def scarce(*_arguments: object, **_named: object) -> None:
        raise MemoryError

    still.daemon._record.add = scarce  # type: ignore[method-assign,assignment]
    found = Round([Delivery(tuple(readings_of(machines(), 1)))])
    assert not still.worker._store(found)
    still.worker._scarce_at = time.monotonic() - SCARCE_S - 1.0
    with pytest.raises(MemoryError):
        still.worker._store(found)
    assert found.deliveries
    still.kill()


def test_a_piece_that_memory_has_no_room_for_is_not_refused() -> None:
    """It is no fault of the piece: unacknowledged, it comes again."""

    class Scarce:
        parts = False

        def read(self, raw: bytes, arrived_s: float) -> object:
            del raw, arrived_s
            raise MemoryError

        def pick(self, content: object, selector: str) -> list[Sample]:
            del content, selector
            return []

    shop = plant([mqtt_source("hall", 1883)], sump("lathe-04", signal(Signal.LEVEL, "hall", "hall/level", "mm")))
    intake, batch = Intake("hall", routes_of(shop, "hall"), cast("Payload", Scarce())), Batch()
    with pytest.raises(MemoryError):
        intake.take(batch, Piece("hall/level", b"250", BEGIN_S))
    assert batch.rejected == []
