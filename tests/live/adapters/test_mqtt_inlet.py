"""The MQTT inlet against a real broker: nothing acknowledged is lost, nothing is taken twice, nothing stops it."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from adapters.delivery import SourceState
from adapters.inlet import make_inlets
from adapters.mqtt import MqttInlet
from adapters.mqtt_client import MqttSettings
from adapters.payloads import payload_named
from adapters.routes import routes_of
from monitor.plant.reading import Signal
from tests.fixtures.mosquitto import Broker
from tests.fixtures.plants import mqtt_source, plant, signal, sump
from tests.fixtures.ports import wait_for
from tests.live.adapters.hall import BRIX, LEVEL, T0, MakeInlet, wait_up, works
from tests.live.adapters.sink import Sink, Talker

pytestmark = [pytest.mark.live, pytest.mark.broker]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_readings_arrive_in_canonical_units(broker: Broker, inlet: MakeInlet, protocol: str) -> None:
    sink, one = Sink(), inlet(broker.port, protocol=protocol)
    one.start(sink)
    wait_up(one)
    talker = Talker(broker.port)
    talker.say_json(LEVEL, t=T0, v=251.4)
    talker.say_json(BRIX, t="2031-02-28T00:00:00+01:00", v=5.2, u="degBx", q="doubtful")
    talker.say_json("hall-1/mill-02/level", t=T0, v=2.5, u="in")
    sink.wait(3)
    talker.close()
    got = {(r.sump, r.signal): (r.value, r.time_s, r.quality.value) for r in sink.readings}
    assert got["lathe-04", Signal.LEVEL] == (251.4, float(T0), "good")
    assert got["lathe-04", Signal.REFRACTOMETER] == (5.2, 1929999600.0, "doubtful")
    assert got["mill-02", Signal.LEVEL] == (63.5, float(T0), "good")
    assert one.health().accepted == 3


def test_unacknowledged_messages_come_again_until_done(broker: Broker, inlet: MakeInlet) -> None:
    forgetful, first = Sink(commits=False), inlet(broker.port)
    first.start(forgetful)
    wait_up(first)
    talker = Talker(broker.port)
    for n in range(5):
        talker.say_json(LEVEL, t=T0 + n, v=200 + n)
    forgetful.wait(5)
    forgetful.deliveries[0].done()
    acknowledged = len(forgetful.deliveries[0].readings)
    first.stop()
    wait_for(lambda: broker.log.count("Received DISCONNECT from bandkeeper") == 1, "the broker heard the good-bye")
    talker.say_json(LEVEL, t=T0 + 5, v=205)
    talker.close()

    sink, second = Sink(), inlet(broker.port)
    second.start(sink)
    sink.wait(6 - acknowledged)
    assert sorted(filter(None, sink.values)) == [200 + n for n in range(acknowledged, 6)]
    wait_for(lambda: second.health().unconfirmed == 0, "all is acknowledged")
    second.stop()
    wait_for(lambda: broker.log.count("Received DISCONNECT from bandkeeper") == 2, "the broker heard the good-bye")

    quiet, third = Sink(), inlet(broker.port)
    third.start(quiet)
    wait_up(third)
    again = Talker(broker.port)
    again.say_json(LEVEL, t=T0 + 9, v=209)
    quiet.wait(1)
    again.close()
    assert quiet.values == [209]


def test_the_session_holds_what_comes_while_we_are_away(broker: Broker, inlet: MakeInlet) -> None:
    for protocol in ("5", "3.1.1"):
        first = inlet(broker.port, protocol=protocol, client_id=f"away-{protocol}")
        first.start(Sink())
        wait_up(first)
        first.stop()
        talker = Talker(broker.port)
        for n in range(50):
            talker.say_json(LEVEL, t=T0 + n, v=n)
        talker.close()
        sink, second = Sink(), inlet(broker.port, protocol=protocol, client_id=f"away-{protocol}")
        second.start(sink)
        sink.wait(50)
        assert sink.values == list(range(50))
        second.stop()


def test_topics_that_may_not_be_read_do_not_stop_the_others(tmp_path: Path, inlet: MakeInlet) -> None:
    rules = tmp_path / "rules"
    rules.write_text(f"topic read {LEVEL}\ntopic write #\n")
    with Broker(tmp_path, extra=[f"acl_file {rules}"]) as broker:
        sink, one = Sink(), inlet(broker.port)
        one.start(sink)
        wait_up(one)
        talker = Talker(broker.port)
        talker.say_json(LEVEL, t=T0, v=1)
        sink.wait(1)
        talker.close()
        one.stop()
    assert sink.values == [1]


def test_a_killed_broker_is_found_again_and_nothing_that_came_is_lost(broker: Broker, inlet: MakeInlet) -> None:
    """Killed at once after the last message reached us, acknowledged or not.

    (A message that the broker had not written down when it was killed is lost with it, whatever a client does.)
    """
    sink, one = Sink(), inlet(broker.port)
    one.start(sink)
    wait_up(one)
    for round_ in range(3):
        talker = Talker(broker.port)
        for n in range(20):
            talker.say_json(LEVEL, t=T0 + 100 * round_ + n, v=n)
        came = 20 * (round_ + 1)
        wait_for(lambda came=came: len({one.time_s for one in sink.readings}) == came, "all came")  # type: ignore[misc]
        broker.kill()
        talker.close()
        wait_for(lambda: one.health().state is SourceState.WAITING, "the loss is seen")
        broker.start()
        wait_up(one)
    wait_for(lambda: one.health().unconfirmed == 0, "all is acknowledged")
    assert {reading.time_s for reading in sink.readings} == {T0 + 100 * r + n for r in range(3) for n in range(20)}


def test_a_broker_that_is_not_there_yet_is_waited_for(tmp_path: Path, inlet: MakeInlet) -> None:
    broker = Broker(tmp_path)
    sink, one = Sink(), inlet(broker.port)
    one.start(sink)
    wait_for(lambda: "no broker answers" in one.health().detail, "it says that no broker answers")
    assert one.health().state is SourceState.WAITING
    assert one.health().remedy
    with broker:
        wait_up(one)
        talker = Talker(broker.port)
        talker.say_json(LEVEL, t=T0, v=1)
        talker.close()
        sink.wait(1)
        one.stop()
    assert one.health().state is SourceState.STOPPED


def test_garbage_is_kept_acknowledged_and_does_not_block(broker: Broker, inlet: MakeInlet) -> None:
    sink, one = Sink(), inlet(broker.port, protocol="3.1.1")
    one.start(sink)
    wait_up(one)
    talker = Talker(broker.port)
    garbage = [
        b"",
        b"{",
        b"\xff\xfe",
        b'{"v": NaN}',
        b'{"v": 1e999}',
        b'{"v": true}',
        b'{"v": 1, "u": "degBx"}',
        b"[" * 5000,
    ]
    for n in range(40):
        talker.say(LEVEL, garbage[n % len(garbage)])
    talker.say(LEVEL, b'{"v": ' + b"1" * 70_000 + b"}")
    far = time.time() + 400e6
    talker.say_json(LEVEL, t=far, v=1)
    talker.say_json(LEVEL, t=T0, v=7)
    sink.wait(43)
    talker.close()
    assert sink.values == [7]
    assert len(sink.rejected) == 42
    assert all(refused.where == f"hall: {LEVEL}" and refused.why for refused in sink.rejected)
    assert max(len(refused.raw) for refused in sink.rejected) <= 4096
    wait_for(lambda: one.health().unconfirmed == 0, "all is acknowledged")
    assert one.health().rejected == 42


def test_a_topic_that_left_the_plant_file_is_refused_and_unsubscribed(broker: Broker, inlet: MakeInlet) -> None:
    old = plant(
        [mqtt_source("hall", broker.port)], sump("old", signal(Signal.LEVEL, "hall", "hall-1/gone/level", "mm"))
    )
    settings = MqttSettings.of(old.sources["hall"], "bandkeeper-test-works-hall")
    before = MqttInlet(settings, routes_of(old, "hall"), payload_named("json"), time.time)
    before.start(Sink())
    wait_up(before)
    before.stop()

    sink, one = Sink(), inlet(broker.port)
    one.start(sink)
    wait_up(one)
    talker = Talker(broker.port)
    talker.say_json("hall-1/gone/level", v=1)
    sink.wait(1)
    assert "no signal" in sink.rejected[0].why
    wait_for(lambda: "Received UNSUBSCRIBE" in broker.log, "the subscription is given up")
    talker.say_json("hall-1/gone/level", v=2)
    talker.say_json(LEVEL, t=T0, v=3)
    sink.wait(2)
    talker.close()
    assert sink.values == [3]
    assert len(sink.rejected) == 1


def test_bare_numbers_in_a_burst_are_told_apart(broker: Broker, inlet: MakeInlet) -> None:
    sink, one = Sink(), inlet(broker.port, "number")
    one.start(sink)
    wait_up(one)
    talker = Talker(broker.port)
    for n in range(50):
        talker.say(LEVEL, b"%d.5" % n)
    sink.wait(50)
    talker.close()
    assert sink.values == [n + 0.5 for n in range(50)]
    assert len({round(reading.time_s, 3) for reading in sink.readings}) == 50


def test_a_repeat_of_a_bare_number_is_the_same_reading(broker: Broker, inlet: MakeInlet) -> None:
    """The connection breaks before the acknowledgement: the repeat bears the first time of arrival."""
    sink, one = Sink(commits=False), inlet(broker.port, "number")
    one.start(sink)
    wait_up(one)
    talker = Talker(broker.port)
    talker.say(LEVEL, b"251.4")
    sink.wait(1)
    talker.close()
    broker.restart()
    sink.wait(2)
    assert sink.readings[0] == sink.readings[1]
    one.stop()

    later, second = Sink(), inlet(broker.port, "number", receipts=sink.deliveries[0].receipts)
    second.start(later)
    later.wait(1)
    assert later.readings == sink.readings[:1]


def test_a_second_daemon_on_the_same_plant_is_noticed(broker: Broker, inlet: MakeInlet) -> None:
    """The broker gives the session to the newcomer, the other one takes it back, and so on: both say so."""
    first, second = inlet(broker.port), inlet(broker.port)
    first.start(Sink())
    wait_up(first)
    second.start(Sink())
    wait_for(lambda: "second daemon" in first.health().remedy + second.health().remedy, "it is said")
    second.stop()
    wait_up(first)


def test_a_retained_number_of_unknown_age_is_not_believed(broker: Broker, inlet: MakeInlet) -> None:
    talker = Talker(broker.port)
    talker.say(LEVEL, b'{"v": 240}', retain=True)
    talker.say(BRIX, b'{"t": 1930000000, "v": 5}', retain=True)
    sink, one = Sink(), inlet(broker.port)
    one.start(sink)
    sink.wait(2)
    talker.close()
    assert sink.values == [5]
    assert "nobody knows when" in sink.rejected[0].why


def test_reading_stops_while_too_much_waits_for_the_disk(broker: Broker, inlet: MakeInlet) -> None:
    """MQTT 5 hands over no more than the receive maximum before the first acknowledgement."""
    sink, one = Sink(commits=False), inlet(broker.port)
    one.start(sink)
    wait_up(one)
    talker = Talker(broker.port)
    for n in range(1200):
        talker.client.publish(LEVEL, b'{"t": %d, "v": %d}' % (T0 + n, n), qos=1)
    sink.wait(1000)
    talker.say_json("elsewhere", v=1)
    assert len(sink.readings) == 1000
    assert one.health().unconfirmed == 1000
    sink.commits = True
    for delivery in list(sink.deliveries):
        delivery.done()
    sink.wait(1200)
    talker.close()
    assert sink.values == list(range(1200))


def test_make_inlets_builds_from_the_plant(broker: Broker) -> None:
    (one,) = make_inlets(works(broker.port), time.time)
    assert one.source == "hall"
    sink = Sink()
    one.start(sink)
    assert isinstance(one, MqttInlet)
    wait_up(one)
    talker = Talker(broker.port)
    talker.say_json(LEVEL, v=7)
    sink.wait(1)
    talker.close()
    one.stop()
    assert sink.readings[0].time_s == sink.readings[0].arrived_s


def test_other_topics_are_taken_up_over_the_connection_that_stands(broker: Broker, inlet: MakeInlet) -> None:
    sink, one = Sink(), inlet(broker.port)
    one.start(sink)
    wait_up(one)
    hall = plant(
        [mqtt_source("hall", broker.port)],
        sump("lathe-04", signal(Signal.LEVEL, "hall", LEVEL, "mm")),
        *(sump(f"saw-{n}", signal(Signal.LEVEL, "hall", f"hall-2/saw-{n}/level", "mm")) for n in range(250)),
    )
    settings = MqttSettings.of(hall.sources["hall"], "bandkeeper-test-works-hall")
    other = MqttInlet(settings, routes_of(hall, "hall"), payload_named("json"), time.time)
    assert one.reroute(other)
    wait_for(lambda: one._held == other.listening[1] and not one._asked, "the new subscriptions are confirmed")
    talker = Talker(broker.port)
    talker.say_json(BRIX, t=T0, v=5.0)
    talker.say_json("hall-2/saw-249/level", t=T0, v=101.0)
    talker.say_json(LEVEL, t=T0, v=250.0)
    talker.close()
    sink.wait(2)
    assert sink.values == [101.0, 250.0]
    assert sink.rejected == []
    assert broker.log.count(" as bandkeeper-test-works-hall ") == 1
    assert not one.reroute(inlet(broker.port, keep_alive=30))
