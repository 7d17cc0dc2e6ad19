"""Each ready example of a way in, with an instrument that is not there: what it sends becomes what it means."""

from __future__ import annotations

import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from adapters.delivery import Inlet, SourceState
from adapters.inlet import make_inlets
from monitor.plant.file import load_plant
from monitor.plant.reading import Quality, Reading, Signal
from monitor.record.csv_in import CsvHistory
from tests.fixtures.bus import Bus, Unit
from tests.fixtures.mosquitto import Broker
from tests.fixtures.ports import wait_for
from tests.live.adapters.sink import Sink, Talker

pytestmark = [pytest.mark.live, pytest.mark.broker]

EXAMPLES = Path(__file__).parents[3] / "config_demo" / "examples"
LEVEL, BRIX, WARMTH, RUNNING = Signal.LEVEL, Signal.REFRACTOMETER, Signal.COOLANT_TEMPERATURE, Signal.RUNNING
NOW_S = 1_930_340_000.0
"""Some minutes after the times in the examples."""


def example(folder: Path, name: str, *changes: tuple[str, str]) -> Path:
    """Write an example down with the places of the test in it."""
    text = (EXAMPLES / name).read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, f"{name} does not hold {old}"
        text = text.replace(old, new)
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


@contextmanager
def running(file: Path, now_s: float | None = None) -> Iterator[tuple[Sink, list[Inlet]]]:
    """Run the ways in of a plant file; the clock stands still where a moment is given."""
    clock = time.time if now_s is None else lambda: now_s
    inlets, sink = make_inlets(load_plant(file), clock, history=CsvHistory()), Sink()
    for inlet in inlets:
        inlet.start(sink)
    try:
        yield sink, inlets
    finally:
        for inlet in inlets:
            inlet.stop()


def up(inlets: list[Inlet]) -> None:
    wait_for(lambda: all(one.health().state is SourceState.UP for one in inlets), "all is well")


def said(readings: list[Reading]) -> dict[tuple[str, Signal], float | None]:
    return {(one.sump, one.signal): None if one.value is None else round(one.value, 6) for one in readings}


def test_modbus_line(tmp_path: Path) -> None:
    high, low = struct.unpack(">HH", struct.pack(">f", 0.2514))
    units = {
        3: Unit(holding={107: [low, high]}),
        4: Unit(input={0: [52, 0xFFFF - 4]}),
        9: Unit(discrete={0: [0, 0, 1]}),
    }
    file = example(tmp_path, "modbus-line.toml", ("/dev/serial/by-id/usb-rs485-line-1", str(tmp_path / "line")))
    with Bus.line(tmp_path / "line", units) as bus, running(file) as (sink, inlets):
        sink.wait(4)
        up(inlets)
        assert (4, "input", 0, 2) in bus.asked, "neighbours are read in one request"
    found = said(sink.readings)
    assert found == {
        ("lathe-04", LEVEL): pytest.approx(251.4, abs=1e-4),
        ("lathe-04", BRIX): 5.2,
        ("lathe-04", WARMTH): -0.5,
        ("lathe-04", RUNNING): 1.0,
    }


def test_modbus_tcp_with_current_loops(tmp_path: Path) -> None:
    """Half of the span, a broken wire, and 20.7 mA: doubtful."""
    with Bus.tcp({1: Unit(input={0: [19_200, 3_200, 33_120]})}) as bus:
        place = ('host = "192.0.2.17"', f'host = "127.0.0.1"\ntcp_port = {bus.port}')
        with running(example(tmp_path, "modbus-tcp-4-20-ma.toml", place)) as (sink, inlets):
            sink.wait(3)
            up(inlets)
    found = {(one.sump, one.signal): one for one in sink.readings}
    assert said(sink.readings) == {
        ("grinder-1", LEVEL): 500.0,
        ("grinder-1", BRIX): None,
        ("saw-2", LEVEL): pytest.approx(-21.875),
    }
    assert found["grinder-1", BRIX].reason == "2.00 mA means a broken wire or failed sensor (NE 43)"
    assert found["saw-2", LEVEL].quality is Quality.DOUBTFUL


def test_senml(tmp_path: Path, broker: Broker) -> None:
    file = example(tmp_path, "senml.toml", ('host = "127.0.0.1"', f'host = "127.0.0.1"\nport = {broker.port}'))
    pack = (
        '[{"bn":"urn:dev:mac:0024befffe804ff1:","bt":1930339800,"n":"level","u":"m","v":0.2514},'
        '{"n":"brix","u":"degBx","v":5.2},{"n":"temperature","u":"Cel","v":24.5}]'
    )
    with running(file, NOW_S) as (sink, inlets):
        up(inlets)
        talker = Talker(broker.port)
        talker.say("hall/lathe-04", pack.encode())
        sink.wait(3)
        talker.close()
    assert said(sink.readings) == {("lathe-04", LEVEL): 251.4, ("lathe-04", BRIX): 5.2, ("lathe-04", WARMTH): 24.5}
    assert {one.time_s for one in sink.readings} == {1_930_339_800.0}


def test_senml_by_the_published_vectors(tmp_path: Path, broker: Broker) -> None:
    """RFC 8428 sections 5.1.1 to 5.1.3, spelt as in the working group's older files: what is for us, what is not."""
    address = "hall/lathe-04?urn:dev:mac:0024befffe804ff1"
    file = example(
        tmp_path,
        "senml.toml",
        ('host = "127.0.0.1"', f'host = "127.0.0.1"\nport = {broker.port}'),
        (f"{address}:temperature", "hall/one?urn:dev:ow:10e2073a01080063"),
        (f"{address}:level", "hall/pack?urn:dev:ow:10e2073a01080063/current"),
        (f"{address}:brix", "hall/based?http://[2001:db8::2]/temperature"),
        ('unit = "degBx"', 'unit = "%"'),
    )
    one = b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    pack = (
        b'[{"bn":"urn:dev:ow:10e2073a01080063/","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},'
        b'{"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},'
        b'{"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]'
    )
    based = (
        b'[{"bn":"http://[2001:db8::2]/","bt":1.320078429e+09,"bver":5,"n":"temperature","u":"Cel","v":27.2},'
        b'{"n":"humidity","u":"%RH","v":80}]'
    )
    with running(file, NOW_S) as (sink, inlets):
        up(inlets)
        talker = Talker(broker.port)
        for topic, vector in (("hall/one", one), ("hall/pack", pack), ("hall/based", based)):
            talker.say(topic, vector)
        sink.wait(3)
        talker.close()
    assert said(sink.readings) == {("lathe-04", WARMTH): 23.1}
    why = " | ".join(refused.why for refused in sink.rejected)
    assert "lathe-04 level: the unit does not fit" in why, "amperes are no level"
    assert "lathe-04 refractometer: the unit does not fit" in why, "a temperature is no strength"


@pytest.mark.parametrize("spelling", ["iolink", "ioLink"])
def test_io_link(tmp_path: Path, broker: Broker, spelling: str) -> None:
    file = example(tmp_path, "io-link.toml", ('host = "127.0.0.1"', f'host = "127.0.0.1"\nport = {broker.port}'))
    told = {
        "level": '{"%s":{"valid":true,"value":[9,210,0,3]}}',
        "brix": '{"%s":{"valid":true,"value":{"Concentration":{"value":52}}}}',
        "pump": '{"%s":{"valid":true,"value":[0]},"iqValue":true}',
    }
    with running(file) as (sink, inlets):
        up(inlets)
        talker = Talker(broker.port)
        for name, payload in told.items():
            talker.say(f"gateway-1/devices/{name}/processdata/value", (payload % spelling).encode())
        sink.wait(3)
        talker.say("gateway-1/devices/pump/processdata/value", b'{"iqValue":false}')
        talker.say(
            "gateway-1/devices/level/processdata/value",
            b'{"%s":{"valid":false,"value":[9,210,0,3]}}' % spelling.encode(),
        )
        sink.wait(5)
        talker.close()
    first, later = said(sink.readings[:3]), said(sink.readings[3:])
    assert first == {("lathe-04", LEVEL): 251.4, ("lathe-04", BRIX): 5.2, ("lathe-04", RUNNING): 1.0}
    assert later == {("lathe-04", RUNNING): 0.0, ("lathe-04", LEVEL): None}
    assert sink.readings[-1].reason == "the device says that its process data is not valid"


@pytest.mark.parametrize("spelling", ["iolink", "ioLink"])
def test_io_link_by_the_published_vectors(tmp_path: Path, broker: Broker, spelling: str) -> None:
    """The community repository's examples [S]: four octets with a switch, a named field, a plain switch."""
    file = example(
        tmp_path,
        "io-link.toml",
        ('host = "127.0.0.1"', f'host = "127.0.0.1"\nport = {broker.port}'),
        ("?bit=16&length=16", "?bit=0&length=8&type=int"),
        ("?field=Concentration&scale=0.1", "?field=Name_1&scale=5.5"),
        ("?iqValue", "?cqValue"),
    )
    octets = '{"%s":{"valid":true,"value":[15,123,126,236]},"iqValue":true}'
    fields = '{"%s":{"valid":true,"value":{"Name_1":{"value":true}}}}'
    with running(file) as (sink, inlets):
        up(inlets)
        talker = Talker(broker.port)
        talker.say("gateway-1/devices/level/processdata/value", (octets % spelling).encode())
        talker.say("gateway-1/devices/brix/processdata/value", (fields % spelling).encode())
        talker.say("gateway-1/devices/pump/processdata/value", b'{"cqValue":false}')
        sink.wait(3)
        talker.close()
    # 236 as a signed octet is -20, times the example's 0.1 [D]
    assert said(sink.readings) == {("lathe-04", LEVEL): -2.0, ("lathe-04", BRIX): 5.5, ("lathe-04", RUNNING): 0.0}


def test_drop_folder(tmp_path: Path, broker: Broker) -> None:
    file = example(
        tmp_path,
        "drop-folder.toml",
        ('host = "127.0.0.1"', f'host = "127.0.0.1"\nport = {broker.port}'),
        ('settle = "10 s"', 'settle = "0.1 s"'),
    )
    drop = tmp_path / "drop"
    drop.mkdir()
    with running(file, NOW_S) as (sink, inlets):
        up(inlets)
        (drop / "2031-03-03.csv").write_text("time,sump,signal,value\n2031-03-03T06:00:00Z,washer,refractometer,5.2\n")
        sink.wait(1)
        wait_for((drop / "done" / "2031-03-03.csv").exists, "it is put aside")
        talker = Talker(broker.port)
        talker.say_json("washer/level", t=NOW_S - 60, v=251.4)
        sink.wait(2)
        talker.close()
    assert said(sink.readings) == {("washer", BRIX): 5.2, ("washer", LEVEL): 251.4}
