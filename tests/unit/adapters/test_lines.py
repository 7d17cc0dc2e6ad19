"""Lines of serial instruments: framing and patterns."""

from __future__ import annotations

import pytest

from adapters.intake import Batch
from adapters.line_reader import LineReader
from adapters.lines import JOINED, Framing, Line, LinePattern, frame
from adapters.routes import Route
from adapters.sample import PayloadError, Sample
from monitor.plant.errors import SourceError
from monitor.plant.reading import Quality, Signal
from tests.fixtures.plants import signal

FULL = (
    r"(?:(?P<time>\S+) )?(?P<channel>[A-Z]\d) (?P<value>\S+)(?: (?P<unit>[a-zA-Z%]+))?"
    r"(?: (?P<temperature>\S+)C)?(?: <(?P<status>.*)>)?"
)


def test_the_first_line_after_joining_is_not_trusted() -> None:
    framing, lines = frame(JOINED, b"51.4\r\n251.5\r\n25")
    assert [(line.raw, bool(line.fault)) for line in lines] == [(b"51.4", True), (b"251.5", False)]
    assert framing == Framing(b"25")


def test_joining_between_two_lines_costs_nothing() -> None:
    _, lines = frame(JOINED, b"\n251.5\r\n")
    assert lines == [Line(b"251.5")]


def test_all_groups() -> None:
    said = LinePattern(FULL).read(Line(b"2031-03-03T21:30:00Z R1 5.25 Brix 24.5C <ok>"))
    assert said.channel == "R1"
    assert said.value == Sample(5.25, 1930339800.0, "Brix")
    assert said.temperature == Sample(24.5, 1930339800.0)


@pytest.mark.parametrize(
    ("status", "quality"),
    [("OK", Quality.GOOD), ("", Quality.GOOD), ("ERROR", Quality.BAD), ("prism dry", Quality.DOUBTFUL)],
)
def test_status_words(status: str, quality: Quality) -> None:
    said = LinePattern(FULL).read(Line(f"R1 5 <{status}>".encode()))
    assert said.value.quality is quality
    assert (said.value.reason == "") is (quality is Quality.GOOD)


@pytest.mark.parametrize(
    ("decimal", "text", "value"), [(",", "5,25", 5.25), (".", "- 5.25", -5.25), (",", "+7", 7), (",", ",5", 0.5)]
)
def test_decimal_signs(decimal: str, text: str, value: float) -> None:
    pattern = LinePattern(r"(?P<value>.+)", decimal=decimal, channel="x")
    assert pattern.read(Line(text.encode())).value.value == value


@pytest.mark.parametrize(
    ("decimal", "text"), [(",", "5.25"), (".", "5,25"), (",", "1.234,5"), (".", "1e5"), (".", "nan"), (".", "--")]
)
def test_no_number_with_that_decimal_sign(decimal: str, text: str) -> None:
    with pytest.raises(PayloadError, match="decimal"):
        LinePattern(r"(?P<value>.+)", decimal=decimal, channel="x").read(Line(text.encode()))


def test_a_pattern_fits_the_whole_line() -> None:
    with pytest.raises(PayloadError, match="pattern"):
        LinePattern(r"(?P<value>\d+)").read(Line(b"251 mm"))


@pytest.mark.parametrize("pattern", ["(", r"(?P<number>\d+)"])
def test_patterns_that_cannot_work(pattern: str) -> None:
    with pytest.raises(SourceError, match="pattern"):
        LinePattern(pattern)


def reader() -> LineReader:
    routes = {
        "R1": (
            Route("lathe-04", signal(Signal.REFRACTOMETER, "bench", "R1", "degBx")),
            Route("lathe-04", signal(Signal.COOLANT_TEMPERATURE, "bench", "R1", "degC")),
        )
    }
    return LineReader("bench", routes, LinePattern(FULL))


def test_a_line_without_its_temperature_keeps_the_value() -> None:
    batch = Batch()
    reader().take(batch, Line(b"R1 5.2 Brix"), 1_930_000_000.0)
    assert [reading.signal for reading in batch.readings] == [Signal.REFRACTOMETER]
    assert "no temperature" in batch.rejected[0].why


def test_a_wrong_unit_is_refused_with_the_channel() -> None:
    batch = Batch()
    reader().take(batch, Line(b"R1 5.2 mm 20C"), 1_930_000_000.0)
    assert [reading.value for reading in batch.readings] == [20]
    assert batch.rejected[0].where == "bench: channel R1"
    assert "unit" in batch.rejected[0].why
