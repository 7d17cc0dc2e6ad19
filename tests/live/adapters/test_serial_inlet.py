"""The serial inlet on pseudo-terminals: split, joined and dirty lines, the plug pulled and put back."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import pytest

from adapters.delivery import SourceState
from adapters.inlet import make_inlets
from adapters.lines import LinePattern
from adapters.pace import Pace
from adapters.routes import routes_of
from adapters.serial_line import LineSettings, SerialInlet
from monitor.plant.errors import SourceError
from monitor.plant.reading import Quality, Signal
from monitor.plant.types import Plant
from tests.fixtures.plants import plant, signal, source, sump
from tests.fixtures.ports import wait_for
from tests.fixtures.pty_line import PtyLine
from tests.live.adapters.sink import PACE, Sink

pytestmark = pytest.mark.live

PATTERN = (
    r"(?P<channel>[A-Z]\d) (?P<value>[-\d,]+) ?(?P<unit>mm|Brix)?"
    r"(?: (?P<temperature>[-\d,]+)C)?(?: (?P<status>[A-Z]+))?"
)

MakeInlet = Callable[..., SerialInlet]


def works(port: str, **options: object) -> Plant:
    settings = {"port": port, "pattern": PATTERN, "decimal": ",", **options}
    return plant(
        [source("bench", "serial", "line", settings)],
        sump(
            "lathe-04",
            signal(Signal.LEVEL, "bench", "L1", "mm"),
            signal(Signal.REFRACTOMETER, "bench", "R1", "degBx"),
            signal(Signal.COOLANT_TEMPERATURE, "bench", "R1", "degC"),
        ),
        sump("mill-02", signal(Signal.LEVEL, "bench", "L2", "mm")),
    )


@pytest.fixture
def inlet(pty_line: PtyLine) -> Iterator[MakeInlet]:
    """Give a maker of inlets on the test's line; all are stopped at the end."""
    made: list[SerialInlet] = []

    def make(**options: object) -> SerialInlet:
        shop = works(str(pty_line.path), **options)
        spec = shop.sources["bench"]
        channel = str(spec.options.get("channel", ""))
        pattern = LinePattern(str(spec.options["pattern"]), decimal=",", channel=channel)
        new = SerialInlet(LineSettings.of(spec), routes_of(shop, "bench"), pattern, time.time, pace=Pace(**PACE))
        made.append(new)
        return new

    yield make
    for one in made:
        one.stop()


def wait_up(one: SerialInlet) -> None:
    wait_for(lambda: one.health().state is SourceState.UP, "the port is open")


def test_lines_become_readings_of_their_channels(pty_line: PtyLine, inlet: MakeInlet) -> None:
    sink, one = Sink(), inlet()
    one.start(sink)
    wait_up(one)
    pty_line.send(b"L1 251,4 mm\r\nL2 -3\n\r\nR1 5,2 Brix 24,5C WARM\r")
    sink.wait(4)
    got = {(r.sump, r.signal): (r.value, r.quality) for r in sink.readings}
    assert got == {
        ("lathe-04", Signal.LEVEL): (251.4, Quality.GOOD),
        ("mill-02", Signal.LEVEL): (-3.0, Quality.GOOD),
        ("lathe-04", Signal.REFRACTOMETER): (5.2, Quality.DOUBTFUL),
        ("lathe-04", Signal.COOLANT_TEMPERATURE): (24.5, Quality.DOUBTFUL),
    }
    assert "WARM" in sink.readings[-1].reason


def test_split_joined_and_dirty_lines(pty_line: PtyLine, inlet: MakeInlet) -> None:
    sink, one = Sink(), inlet()
    one.start(sink)
    wait_up(one)
    for piece in (b"L1 2", b"51", b",4 mm", b"\r", b"\nL1 252,0 mm\r\nL1 25"):
        pty_line.send(piece)
        time.sleep(0.02)
    pty_line.send(
        b"3,0 mm\r\n\x00\xff\xfe garbage\r\nL1 12.5 mm\r\nX9 1 mm\r\nL1 1 Brix\r\n" + b"x" * 900 + b"\r\nL1 254 mm\r\n"
    )
    sink.wait(9)
    assert sink.values == [251.4, 252.0, 253.0, 254.0]
    why = " | ".join(refused.why for refused in sink.rejected)
    for word in ("printable ASCII", "does not fit the pattern", "listens to channel 'X9'", "mm", "longer than 256"):
        assert word in why
    assert one.health().rejected == 5
    assert one.health().received == 9


def test_pulled_and_put_back(pty_line: PtyLine, inlet: MakeInlet) -> None:
    sink, one = Sink(), inlet()
    one.start(sink)
    for turn in range(3):
        wait_up(one)
        pty_line.send(b"L1 %d mm\r\nL1 77" % turn)
        wait_for(lambda turn=turn: float(turn) in sink.values, "the line is read")  # type: ignore[misc]
        time.sleep(0.05)
        pty_line.unplug()
        wait_for(lambda: one.health().state is SourceState.WAITING, "the loss is seen")
        assert str(pty_line.path) in one.health().detail
        pty_line.plug()
    assert sink.values == [0, 1, 2]
    assert all("cut off" in refused.why for refused in sink.rejected)


def test_a_port_that_is_not_there_yet_is_waited_for(pty_line: PtyLine, inlet: MakeInlet) -> None:
    pty_line.unplug()
    sink, one = Sink(), inlet()
    one.start(sink)
    wait_for(lambda: "is not there" in one.health().detail, "it says that the port is not there")
    assert one.health().state is SourceState.WAITING
    pty_line.plug()
    wait_up(one)
    pty_line.send(b"L1 5 mm\n")
    sink.wait(1)
    one.stop()
    assert one.health().state is SourceState.STOPPED


def test_a_port_has_one_reader(pty_line: PtyLine, inlet: MakeInlet) -> None:
    first, second = inlet(), inlet()
    first.start(Sink())
    wait_up(first)
    second.start(Sink())
    wait_for(lambda: second.health().state is SourceState.REFUSED, "the second is refused")
    assert "in use" in second.health().detail
    first.stop()
    wait_for(lambda: second.health().state is SourceState.UP, "the second takes over")


def test_a_line_that_was_talking_before_is_not_read_from_its_middle(pty_line: PtyLine, inlet: MakeInlet) -> None:
    """Bytes that come while the port opens may be the end of a longer number."""
    sink, one = Sink(), inlet(pattern=r"(?P<value>[-\d,]+)", channel="L1")
    one.start(sink)
    while one.health().state is not SourceState.UP:
        pty_line.send(b"1")
    pty_line.send(b"\r\n251,4\r\n")
    sink.wait(2)
    assert sink.values == [251.4]
    assert len(sink.rejected) == 1
    assert set(sink.rejected[0].raw) == {"1"}


def test_make_inlets_checks_the_line_without_opening_it(pty_line: PtyLine) -> None:
    (one,) = make_inlets(works("/dev/does-not-exist"), time.time)
    assert one.health().state is SourceState.STOPPED
    with pytest.raises(SourceError, match="channel"):
        make_inlets(works(str(pty_line.path), pattern=r"(?P<value>\d+)"), time.time)


def test_other_signals_are_taken_up_while_the_port_stays_open(inlet: MakeInlet, pty_line: PtyLine) -> None:
    sink, one = Sink(), inlet()
    one.start(sink)
    wait_for(lambda: one.health().state is SourceState.UP, "the port is open")
    pty_line.send(b"L1 250,0 mm\n")
    sink.wait(1)
    assert one.reroute(inlet(pattern=r"(?P<channel>[A-Z]\d)=(?P<value>[-\d,]+)"))
    pty_line.send(b"L2=251,5\nL1 252,0 mm\n")
    sink.wait(3)
    assert sink.values == [250.0, 251.5]
    assert len(sink.rejected) == 1
    assert not one.reroute(inlet(baud=19200))
    pty_line.send(b"L1=253,0\n")
    sink.wait(4)
    assert one.health().detail.startswith("reading ")
