"""From samples to readings: units, impossible values, the future."""

from __future__ import annotations

import pytest

from adapters.intake import Arrivals, Batch, Intake, Piece
from adapters.payloads import Payload, payload_named
from adapters.routes import Route
from adapters.sample import PayloadError, Sample
from monitor.plant.errors import SourceError
from monitor.plant.reading import Reading, Signal
from tests.fixtures.plants import signal

NOW_S = 1_930_000_000.0


def route(kind: Signal, unit: str) -> Route:
    return Route("lathe-04", signal(kind, "hall", "a", unit))


@pytest.mark.parametrize(
    ("kind", "unit", "sample", "value"),
    [
        (Signal.LEVEL, "in", Sample(10), 254),
        (Signal.LEVEL, "mm", Sample(10, unit="in"), 254),
        (Signal.LEVEL, "L", Sample(10, unit="US gal"), 37.85411784),
        (Signal.REFRACTOMETER, "degBx", Sample(5.2, unit="Brix"), 5.2),
        (Signal.COOLANT_TEMPERATURE, "degC", Sample(77, unit="degF"), 25),
        (Signal.CONDUCTIVITY, "uS/cm", Sample(2.1, unit="mS/cm"), 2100),
        (Signal.RUNNING, "1", Sample(1), 1),
        (Signal.PH, "1", Sample(9.2), 9.2),
        (Signal.MAKE_UP_METER, "m3", Sample(12.5), 12500),
    ],
)
def test_values_become_canonical_once(kind: Signal, unit: str, sample: Sample, value: float) -> None:
    reading = route(kind, unit).reading(sample, NOW_S)
    assert reading == Reading("lathe-04", kind, pytest.approx(value), NOW_S, NOW_S)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("kind", "unit", "sample", "words"),
    [
        (Signal.LEVEL, "mm", Sample(10, unit="degBx"), "unit does not fit"),
        (Signal.LEVEL, "L", Sample(10, unit="gal"), "which gallon"),
        (Signal.LEVEL, "mm", Sample(10, unit="furlong"), "unit does not fit"),
        (Signal.REFRACTOMETER, "degBx", Sample(5, unit="%"), "unit does not fit"),
        (Signal.LEVEL, "mm", Sample(-9999), "look at the sensor"),
        (Signal.REFRACTOMETER, "degBx", Sample(850), "look at the sensor"),
        (Signal.COOLANT_TEMPERATURE, "degC", Sample(-273.15), "look at the sensor"),
        (Signal.PH, "1", Sample(65535), "look at the sensor"),
        (Signal.RUNNING, "1", Sample(0.5), "send 1 while"),
        (Signal.LEVEL, "mm", Sample(1, time_s=NOW_S + 7200), "2.0 h in the future"),
        (Signal.LEVEL, "mm", Sample(1, time_s=NOW_S + 400), "6.7 min in the future"),
        (Signal.LEVEL, "mm", Sample(1, time_s=NOW_S + 864000), "10.0 days in the future"),
    ],
)
def test_refusals_say_what_would_be_right(kind: Signal, unit: str, sample: Sample, words: str) -> None:
    with pytest.raises(PayloadError) as refused:
        route(kind, unit).reading(sample, NOW_S)
    assert words in str(refused.value)


def test_no_value_keeps_its_reason() -> None:
    reading = route(Signal.LEVEL, "mm").reading(Sample(None, reason="dry"), NOW_S)
    assert (reading.value, reading.reason) == (None, "dry")


def test_one_topic_feeds_several_signals_and_one_refusal_stays_with_its_signal() -> None:
    listeners = (route(Signal.LEVEL, "mm"), Route("mill-02", signal(Signal.REFRACTOMETER, "hall", "a", "degBx")))
    batch = Batch()
    Intake("hall", {"a": listeners}, payload_named("json")).take(batch, Piece("a", b'{"v": 250}', NOW_S))
    assert [(reading.sump, reading.value) for reading in batch.readings] == [("lathe-04", 250)]
    assert [refused.why.split(":")[0] for refused in batch.rejected] == ["mill-02 refractometer"]


def test_several_values_of_one_pack_go_to_their_signals() -> None:
    listeners = (
        Route("lathe-04", signal(Signal.LEVEL, "hall", "a?l", "mm"), "l"),
        Route("lathe-04", signal(Signal.REFRACTOMETER, "hall", "a?r", "degBx"), "r"),
    )
    intake, batch = Intake("hall", {"a": listeners}, payload_named("senml")), Batch()
    pack = b'[{"n":"l","u":"m","v":0.25,"t":-60},{"n":"l","v":0.26,"u":"m"},{"n":"r","v":5},{"n":"other","v":1}]'
    assert intake.take(batch, Piece("a", pack, NOW_S))
    got = [(reading.signal.value, reading.value, reading.time_s) for reading in batch.readings]
    assert got == [("level", 250, NOW_S - 60), ("level", 260, NOW_S), ("refractometer", 5, NOW_S)]
    intake.take(batch, Piece("a", b'[{"n":"other","v":1}]', NOW_S))
    assert "no signal listens" in batch.rejected[0].why


def test_a_fault_of_a_parser_refuses_one_message(caplog: pytest.LogCaptureFixture) -> None:
    def broken(payload: bytes, _now_s: float) -> Sample:
        return Sample(1 / (len(payload) - 1))

    faulty = Payload(broken, lambda sample, _selector: (sample,), lambda _selector: None)
    intake, batch = Intake("hall", {"a": (route(Signal.LEVEL, "mm"),)}, faulty), Batch()
    intake.take(batch, Piece("a", b"1", NOW_S))
    intake.take(batch, Piece("a", b"12", NOW_S))
    assert [reading.value for reading in batch.readings] == [1]
    assert "own fault" in batch.rejected[0].why
    assert "own fault" in caplog.text


def test_arrivals_of_a_burst_are_told_apart_and_a_clock_set_back_is_followed() -> None:
    arrivals = Arrivals()
    burst = [arrivals.at("a", NOW_S) for _ in range(100)]
    assert len({round(time_s, 3) for time_s in burst}) == 100
    assert burst[0] == NOW_S
    assert arrivals.at("b", NOW_S) == NOW_S
    assert arrivals.at("a", NOW_S - 3600) == NOW_S - 3600


def test_an_unknown_payload_form_names_the_known_ones() -> None:
    with pytest.raises(SourceError, match="json, number, senml, iolink"):
        payload_named("xml")
