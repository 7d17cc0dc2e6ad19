"""When a signal counts as silent: by arrivals with a value, never by a value that does not change."""

from __future__ import annotations

from monitor.model.silence import Silence
from monitor.plant.reading import Quality, Reading, Signal
from tests.fixtures.plants import plant, signal, sump

T0 = 1_930_000_000.0
LEVEL = Signal.LEVEL


def hall() -> Silence:
    return Silence(plant([], sump("lathe-04", signal(LEVEL, "bus", "3/107", "mm"))))


def told(silence: Silence, minutes: range, value: float | None) -> None:
    for minute in minutes:
        at_s = T0 + 60.0 * minute
        quality = Quality.BAD if value is None else Quality.GOOD
        silence.add([Reading("lathe-04", LEVEL, value, at_s, at_s, quality, "" if value else "a broken wire")])


def test_a_value_that_does_not_change_is_not_silence() -> None:
    silence = hall()
    told(silence, range(0, 600, 5), 250.0)
    assert silence.silent("lathe-04", T0 + 600 * 60.0) == ()


def test_a_wire_that_was_never_whole_is_silence() -> None:
    silence = hall()
    told(silence, range(0, 120, 5), None)
    assert silence.silent("lathe-04", T0 + 121 * 60.0) == (LEVEL,)


def test_a_broken_wire_is_silence_though_the_source_goes_on_talking() -> None:
    silence = hall()
    told(silence, range(0, 60, 5), 250.0)
    told(silence, range(60, 300, 5), None)
    assert silence.silent("lathe-04", T0 + 170 * 60.0) == ()
    assert silence.silent("lathe-04", T0 + 180 * 60.0) == (LEVEL,)
    assert silence.last_heard_s("lathe-04", LEVEL) == T0 + 55 * 60.0
    told(silence, range(300, 310, 5), 251.0)
    assert silence.silent("lathe-04", T0 + 310 * 60.0) == ()
