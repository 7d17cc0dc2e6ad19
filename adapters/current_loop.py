"""4-20 mA through a transmitter: from milliamperes, or the counts of an input card, to a value. Pure.

The signal levels are those of NAMUR NE 43: 3.8 to 20.5 mA measure; 3.6 mA and below, and 21.0 mA and above, say that
wire or sensor failed; what lies between is not to be trusted (common practice: keep it, as doubtful).
"""

from __future__ import annotations

from typing import Final, NamedTuple

from monitor.plant.reading import Quality
from monitor.plant.types import CurrentLoop

LOW_MA: Final = 4.0
SPAN_MA: Final = 16.0
MEASURES_MA: Final = (3.8, 20.5)
FAILS_MA: Final = (3.6, 21.0)


class Judged(NamedTuple):
    """What a current means: value (none where wire or sensor failed), quality, and why it is not good."""

    value: float | None
    quality: Quality = Quality.GOOD
    reason: str = ""


def milliamperes(said: float, loop: CurrentLoop) -> float:
    """Return the current that the device means by a number."""
    if loop.counts is None:
        return said
    at_4, at_20 = loop.counts
    return LOW_MA + SPAN_MA * (said - at_4) / (at_20 - at_4)


def judge(said: float, loop: CurrentLoop) -> Judged:
    """Turn what the device said into a value in the signal's canonical unit, by the levels of NE 43."""
    ma = milliamperes(said, loop)
    if ma <= FAILS_MA[0] or ma >= FAILS_MA[1]:
        which = "broken wire or failed sensor" if ma <= FAILS_MA[0] else "short circuit or failed sensor"
        return Judged(None, Quality.BAD, f"{ma:.2f} mA means a {which} (NE 43)")
    value = loop.at_4_ma + (ma - LOW_MA) / SPAN_MA * (loop.at_20_ma - loop.at_4_ma)
    if MEASURES_MA[0] <= ma <= MEASURES_MA[1]:
        return Judged(value)
    low, high = MEASURES_MA
    return Judged(value, Quality.DOUBTFUL, f"{ma:.2f} mA lies outside {low:g} to {high:g} mA (NE 43)")
