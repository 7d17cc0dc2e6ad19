"""Bins: a running signal that speaks on change only, levels kept apart by what the machine did, any order."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.bins import DRAINING, HOLD_S, IDLE, RUNNING, UNSURE, Gatherer, Switch
from monitor.model.cells import SLOT_S, CellStore
from monitor.model.layout import BIN_S
from monitor.plant.reading import Reading, Signal
from tests.unit.pipeline.shop import Machine, plant_of

PLANT = plant_of([Machine("lathe-01")])
K = 2_000_000
BEGIN_S = K * BIN_S


def reading(signal: Signal, value: float, offset_s: float) -> Reading:
    """Return a reading some seconds after the bin's begin."""
    return Reading("lathe-01", signal, value, BEGIN_S + offset_s, BEGIN_S + offset_s)


def gathered(*readings: Reading) -> Gatherer:
    """Return a gatherer that has heard the readings."""
    gatherer = Gatherer(PLANT)
    gatherer.add(readings)
    return gatherer


def test_a_running_signal_holds_until_the_next_change() -> None:
    gatherer = gathered(
        reading(Signal.RUNNING, 1.0, -4000.0), reading(Signal.RUNNING, 0.0, 300.0), reading(Signal.RUNNING, 1.0, 600.0)
    )
    assert gatherer.bin(K).running[0] == pytest.approx(2.0 / 3.0)
    assert gatherer.bin(K + 1).running[0] == 1.0


def test_a_silent_running_signal_is_not_held_for_ever() -> None:
    gatherer = gathered(reading(Signal.RUNNING, 1.0, 0.0))
    assert gatherer.bin(K).running[0] == 1.0
    assert math.isnan(gatherer.bin(K + int(HOLD_S / BIN_S) + 1).running[0])


@pytest.mark.parametrize(
    ("offset_s", "group"),
    [
        (-100.0, RUNNING),
        (0.0, UNSURE),
        (200.0, DRAINING),
        (600.0, DRAINING + 1),
        (1500.0, DRAINING + 2),
        (4000.0, IDLE),
    ],
)
def test_levels_are_kept_apart_by_the_time_since_the_stop(offset_s: float, group: int) -> None:
    switch = Switch()
    for time_s, value in ((-5000.0, 1.0), (0.0, 0.0), (3600.0, 0.0)):
        switch.add(time_s, value)
    assert switch.group(offset_s) == group


def test_a_late_change_of_running_moves_levels_already_binned() -> None:
    gatherer = gathered(reading(Signal.RUNNING, 0.0, -5000.0), reading(Signal.LEVEL, 200.0, 400.0))
    assert gatherer.bin(K).level_n[0, IDLE] == 1
    gatherer.add([reading(Signal.RUNNING, 1.0, 100.0)])
    assert gatherer.bin(K).level_n[0, RUNNING] == 1
    assert gatherer.bin(K).level_n[0, IDLE] == 0


def test_the_first_value_of_a_moment_stands() -> None:
    gatherer = gathered(reading(Signal.REFRACTOMETER, 5.0, 10.0), reading(Signal.REFRACTOMETER, 9.0, 10.0))
    assert gatherer.bin(K).brix[0] == 5.0
    assert gatherer.bin(K).brix_n[0] == 1


def test_one_chip_on_the_prism_does_not_move_the_middle() -> None:
    gatherer = gathered(*(reading(Signal.REFRACTOMETER, value, 300.0 * i) for i, value in enumerate((5.2, 0.8, 5.3))))
    assert gatherer.bin(K).brix[0] == 5.2


def test_what_is_held_can_be_given_back() -> None:
    heard = (reading(Signal.RUNNING, 1.0, -4000.0), reading(Signal.RUNNING, 0.0, -30.0))
    again = Gatherer(PLANT)
    again.hold(gathered(*heard).held(K))
    assert again.bin(K).running[0] == gathered(*heard).bin(K).running[0] == 0.0


def test_a_bin_of_nothing_is_empty() -> None:
    empty = Gatherer(PLANT).bin(K)
    assert empty.level_n.sum() == 0
    assert np.isnan(empty.brix).all()


FLOOD = st.lists(
    st.tuples(st.integers(0, 40_000).map(lambda ms: ms / 1000.0), st.sampled_from([0.0, 1.0])),
    max_size=40,
    unique_by=lambda one: one[0],
)


@given(FLOOD, st.randoms())
def test_of_samples_that_crowd_the_first_of_each_five_seconds_counts(
    said: list[tuple[float, float]], dice: random.Random
) -> None:
    first: dict[float, tuple[float, float]] = {}
    for offset_s, value in sorted(said):
        first.setdefault((BEGIN_S + offset_s) // SLOT_S, (BEGIN_S + offset_s, value))
    expected = [number for one in first.values() for number in one]
    for _ in range(3):
        dice.shuffle(said)
        store = CellStore()
        for offset_s, value in said:
            store.put(K, 0, BEGIN_S + offset_s, value)
        assert list(store.of(K).get(0, ())) == expected


@given(FLOOD, st.randoms())
def test_of_a_running_signal_that_chatters_the_last_of_each_five_seconds_holds_on(
    said: list[tuple[float, float]], dice: random.Random
) -> None:
    slots: dict[float, list[tuple[float, float]]] = {}
    for offset_s, value in sorted(said):
        slots.setdefault((BEGIN_S + offset_s) // SLOT_S, []).append((BEGIN_S + offset_s, value))
    kept = [one for slot in slots.values() for one in ([slot[0], slot[-1]] if len(slot) > 1 else slot)]
    for _ in range(3):
        dice.shuffle(said)
        switch = Switch()
        for offset_s, value in said:
            switch.add(BEGIN_S + offset_s, value)
        assert list(zip(switch.times, switch.values, strict=True)) == list(dict.fromkeys(kept))


def test_hours_of_a_sensor_a_hundred_times_too_fast_take_no_more_room_than_one_in_five_seconds() -> None:
    gatherer = Gatherer(PLANT)
    for hour in range(2):
        for step in range(3600 * 20):
            offset_s = 3600.0 * hour + step / 20.0
            gatherer.add([reading(Signal.LEVEL, 250.0, offset_s), reading(Signal.RUNNING, float(step % 2), offset_s)])
    kept = sum(len(samples) // 2 for k in range(K, K + 8) for samples in gatherer._cells.of(k).values())
    assert kept == 2 * 3600 / SLOT_S
    assert len(gatherer._switches[0].times) == 2 * 2 * 3600 / SLOT_S
    assert gatherer.bin(K).level_n[0].sum() == BIN_S / SLOT_S
