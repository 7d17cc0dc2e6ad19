"""4-20 mA: the line between its two ends, and the signal levels of NAMUR NE 43.

NE 43: 3.8 to 20.5 mA measuring information, 3.6 mA or less and 21.0 mA or more failure information [S]. What lies
between is kept as doubtful: common practice, no source.
"""

from __future__ import annotations

import pytest

from adapters.current_loop import judge, milliamperes
from monitor.plant.reading import Quality
from monitor.plant.types import CurrentLoop

LEVEL = CurrentLoop(0.0, 600.0)
GOOD, DOUBTFUL, BAD = Quality.GOOD, Quality.DOUBTFUL, Quality.BAD


@pytest.mark.parametrize(
    ("ma", "value"),
    [(4.0, 0.0), (12.0, 300.0), (20.0, 600.0), (8.0, 150.0), (3.8, -7.5), (20.5, 618.75)],
)
def test_value_is_low_plus_a_sixteenth_of_the_span_for_each_milliampere(ma: float, value: float) -> None:
    """12.00 mA is half of the span [D]."""
    found = judge(ma, LEVEL)
    assert found.value == pytest.approx(value)
    assert found[1:] == (GOOD, "")


@pytest.mark.parametrize(
    ("ma", "quality"),
    [
        (0.0, BAD), (3.5, BAD), (3.6, BAD), (3.61, DOUBTFUL), (3.79, DOUBTFUL), (3.8, GOOD),
        (20.5, GOOD), (20.51, DOUBTFUL), (20.99, DOUBTFUL), (21.0, BAD), (22.5, BAD), (-4.0, BAD), (1e9, BAD),
    ],
)  # fmt: skip
def test_the_levels_of_ne_43(ma: float, quality: Quality) -> None:
    value, found, reason = judge(ma, LEVEL)
    assert found is quality
    assert (value is None) is (quality is BAD)
    assert ("NE 43" in reason) is (quality is not GOOD)


def test_a_range_may_run_backwards() -> None:
    """A sensor above the fluid: the less distance, the more level."""
    assert judge(4.0, CurrentLoop(600.0, 0.0)).value == 600.0
    assert judge(16.0, CurrentLoop(600.0, 0.0)).value == 150.0


@pytest.mark.parametrize(
    ("counts", "said", "ma"),
    [
        ((0.0, 27648.0), 0, 4.0),  # a card that counts the span
        ((0.0, 27648.0), 13824, 12.0),
        ((0.0, 27648.0), -691.2, 3.6),  # below zero: a broken wire
        ((6400.0, 32000.0), 6400, 4.0),  # a card that counts from 0 mA on: 1600 a milliampere
        ((6400.0, 32000.0), 0, 0.0),
        ((4000.0, 20000.0), 12345, 12.345),  # microamperes
    ],
)
def test_counts_of_an_input_card(counts: tuple[float, float], said: float, ma: float) -> None:
    assert milliamperes(said, CurrentLoop(0.0, 600.0, counts)) == pytest.approx(ma)


def test_a_dead_input_card_is_a_broken_wire() -> None:
    assert judge(0, CurrentLoop(0.0, 600.0, (6400.0, 32000.0))).value is None
