from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.record.arrivals import LONGEST_MS, arrival, kept

T0 = 1_930_339_800.0
MOMENTS = st.floats(0.0, 4e9) | st.integers(0, 4_000_000_000).map(float)


def test_a_clock_of_whole_milliseconds_gives_small_numbers() -> None:
    assert kept(T0, T0) is None
    assert kept(T0, T0 + 0.21) == 210.0
    assert kept(T0 + 0.5, T0 + 0.75) == 250.0
    assert kept(T0, T0 - 2.0) == -2000.0
    assert kept(T0, round(T0 + 86_400.123, 3)) == 86_400_123.0


def test_a_finer_clock_and_a_longer_delay_are_kept_whole() -> None:
    fine, long = T0 + 0.2101234, T0 + 20 * 86_400.0
    assert kept(T0, fine) == fine
    assert kept(T0, long) == long
    assert kept(T0, 0.0) == bytes(8)


@given(MOMENTS, MOMENTS)
def test_every_arrival_comes_back_to_the_last_bit(time_s: float, arrived_s: float) -> None:
    assert arrival(time_s, kept(time_s, arrived_s)) == arrived_s


@given(MOMENTS, st.integers(-1000, 100_000_000))
def test_a_delay_of_whole_milliseconds_is_kept_small(time_s: float, delay_ms: int) -> None:
    whole_s = round(time_s, 3)
    arrived_s = round(whole_s + delay_ms / 1000.0, 3)
    found = kept(whole_s, arrived_s)
    assert found is None or (isinstance(found, float) and abs(found) < LONGEST_MS)


@given(st.floats(LONGEST_MS, 4e9))
def test_a_moment_of_an_earlier_release_is_read_as_such(arrived_s: float) -> None:
    assert arrival(T0, arrived_s) == arrived_s
