"""Sources that can never work are refused before anything connects; the words name source, key and remedy."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from adapters.delivery import SourceState
from adapters.inlet import WAYS_IN, make_inlets
from adapters.mqtt_client import MqttSettings
from adapters.mqtt_words import connect_trouble, lost_trouble, refused_trouble
from adapters.pace import Pace
from monitor.plant.errors import SourceError
from monitor.plant.reading import Signal
from monitor.plant.sources import KINDS
from monitor.plant.types import SourceSpec
from tests.fixtures.plants import mqtt_source, plant, signal, source, sump


def settings(**options: object) -> MqttSettings:
    return MqttSettings.of(SourceSpec("hall", "mqtt", "json", options), "bandkeeper-x-hall")


def test_defaults() -> None:
    plain = settings(host="broker.example")
    assert (plain.port, plain.protocol, plain.uses_tls, plain.keep_alive_s) == (1883, "5", False, 60)
    assert plain.client_id == "bandkeeper-x-hall"
    assert settings(tls=True).port == 8883
    assert settings(port=8883).uses_tls
    assert not settings(port=8883, tls=False).uses_tls


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"port": 0}, "port is 0: write a number from 1 to 65535"),
        ({"port": True}, "port is True"),
        ({"protocol": "4"}, "protocol is '4': write one of 3.1.1, 5"),
        ({"host": 5}, "host is 5: write text"),
        ({"tls": "yes"}, "write true or false"),
        ({"keep_alive": 1}, "keep_alive"),
        ({"ca_file": "/nowhere/ca.pem"}, "a file cannot be used"),
        ({"username": "hall", "password_file": "/nowhere/password"}, "a file cannot be used"),
        ({"password_file": "/nowhere/password"}, "without username"),
        ({"client_key": "/nowhere/key"}, "without client_certificate"),
        ({"host": "10.0.0.5", "username": "hall", "password_file": "/nowhere/p"}, "allow_plain_password = true"),
    ],
)
def test_settings_that_cannot_work(options: dict[str, object], words: str) -> None:
    with pytest.raises(SourceError) as refused:
        settings(**options)
    assert words in str(refused.value)
    assert "hall" in str(refused.value)


def test_a_certificate_file_that_is_none(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("not a certificate")
    with pytest.raises(SourceError, match="PEM"):
        settings(ca_file=str(tmp_path / "ca.pem"))


def test_a_password_may_cross_the_network_only_if_told(tmp_path: Path) -> None:
    file = tmp_path / "password"
    file.write_text("secret")
    log_in = {"username": "hall", "password_file": str(file)}
    assert settings(host="10.0.0.5", allow_plain_password=True, **log_in).username == "hall"
    assert settings(host="10.0.0.5", tls=True, **log_in).uses_tls
    for here in ("localhost", "127.0.0.1", "::1"):
        assert "secret" not in repr(settings(host=here, **log_in))


@pytest.mark.parametrize("address", ["hall/+/level", "hall/#", ""])
def test_addresses_that_are_no_topic(address: str) -> None:
    shop = plant([mqtt_source("hall", 1883)], sump("a", signal(Signal.LEVEL, "hall", address, "mm")))
    with pytest.raises(SourceError):
        make_inlets(shop, time.time)


@pytest.mark.parametrize(
    ("payload", "address", "works"),
    [
        ("json", "a?b", True),
        ("senml", "a?b", True),
        ("iolink", "a", False),
        ("iolink", "a?bit=0&length=16", True),
        ("iolink", "a?bit=0&length=99", False),
        ("iolink", "a?bit=x&length=16", False),
        ("iolink", "a?bits=0&length=16", False),
        ("iolink", "a?bit=0&length=16&type=float", False),
        ("iolink", "a?bit=0&length=16&scale=nan", False),
        ("iolink", "a?field=Concentration&scale=0.1", True),
        ("iolink", "a?cqValue", True),
    ],
)
def test_parts_of_payloads_are_checked_before_connecting(payload: str, address: str, works: bool) -> None:
    shop = plant([mqtt_source("hall", 1883, payload=payload)], sump("a", signal(Signal.LEVEL, "hall", address, "mm")))
    if works:
        assert len(make_inlets(shop, time.time)) == 1
    else:
        with pytest.raises(SourceError):
            make_inlets(shop, time.time)


def test_a_source_that_nobody_listens_to_is_left_out() -> None:
    assert make_inlets(plant([mqtt_source("hall", 1883)], sump("a")), time.time) == []


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"pattern": r"(?P<value>\d+)", "channel": "a"}, "port is missing"),
        ({"port": "/dev/x", "channel": "a"}, "pattern is missing"),
        ({"port": "/dev/x", "pattern": "(", "channel": "a"}, "no regular expression"),
        ({"port": "/dev/x", "pattern": r"(?P<value>\d+)"}, "channel"),
        ({"port": "/dev/x", "pattern": r"(?P<value>\d+)", "channel": "b"}, "no signal listens to it"),
        ({"port": "/dev/x", "pattern": r"(?P<value>\d+)", "channel": "a", "baud": 1}, "baud"),
        ({"port": "/dev/x", "pattern": r"(?P<value>\d+)", "channel": "a", "parity": "mark"}, "none, even, odd"),
        ({"port": "/dev/x", "pattern": r"(?P<value>\d+)", "channel": "a", "decimal": ";"}, "decimal"),
    ],
)
def test_serial_lines_that_cannot_work(options: dict[str, object], words: str) -> None:
    shop = plant([source("bench", "serial", "line", options)], sump("s", signal(Signal.LEVEL, "bench", "a", "mm")))
    with pytest.raises(SourceError) as refused:
        make_inlets(shop, time.time)
    assert words in str(refused.value)


@pytest.mark.parametrize(
    ("options", "address", "words"),
    [
        ({}, "3/107", "either port"),
        ({"port": "/dev/x", "host": "127.0.0.1"}, "3/107", "either port"),
        ({"port": "/dev/x"}, "107", "write unit/register"),
        ({"port": "/dev/x"}, "0/107", "unit 0 is none"),
        ({"host": "127.0.0.1", "timeout": 60.0}, "0/107", "timeout"),
        ({"host": "127.0.0.1", "tcp_port": 0}, "0/107", "tcp_port"),
    ],
)
def test_buses_that_cannot_work(options: dict[str, object], address: str, words: str) -> None:
    shop = plant([source("bus", "modbus", "register", options)], sump("s", signal(Signal.LEVEL, "bus", address, "mm")))
    with pytest.raises(SourceError, match=words):
        make_inlets(shop, time.time)


def test_every_kind_of_source_in_the_plant_file_has_its_way_in() -> None:
    assert WAYS_IN.keys() == KINDS.keys()


@pytest.mark.parametrize(
    ("code", "state", "words"),
    [
        (134, SourceState.REFUSED, "username"),
        (135, SourceState.REFUSED, "username"),
        (132, SourceState.REFUSED, 'protocol = "3.1.1"'),
        (133, SourceState.REFUSED, "client_id"),
        (136, SourceState.WAITING, "by itself"),
        (138, SourceState.REFUSED, "log"),
    ],
)
def test_refusals_of_a_broker_come_with_their_remedy(code: int, state: SourceState, words: str) -> None:
    trouble = refused_trouble(settings(), ReasonCode(PacketTypes.CONNACK, identifier=code))
    assert trouble.state is state
    assert words in trouble.remedy


def test_a_session_taken_over_is_a_second_daemon() -> None:
    trouble = lost_trouble(settings(), ReasonCode(PacketTypes.DISCONNECT, identifier=142))
    assert trouble.state is SourceState.REFUSED
    assert "one daemon" in trouble.remedy


def test_a_file_that_went_missing_is_named() -> None:
    error = FileNotFoundError(2, "No such file or directory", "/run/password")
    assert "/run/password" in connect_trouble(settings(), error).detail


def test_waits_double_up_to_a_bound_and_begin_again() -> None:
    pace = Pace(first_s=1, most_s=8, refused_s=60)
    waits = [pace.wait_s() for _ in range(6)]
    for wait, base in zip(waits, (1, 2, 4, 8, 8, 8), strict=True):
        assert base <= wait <= 1.25 * base
    assert 60 <= pace.refused_wait_s() <= 75
    pace.reset()
    assert pace.wait_s() <= 1.25
