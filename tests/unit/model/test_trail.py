"""States and samples of past bins: what comes back is what was there, to the last bit."""

from __future__ import annotations

import random

import numpy as np
import pytest

from monitor.model.cells import CellStore, told_until
from monitor.model.layout import Fixed
from monitor.model.state import State
from monitor.model.trail import SIX_HOURS, Trail
from tests.unit.pipeline.shop import machines, plant_of

BEGIN = 100 * SIX_HOURS
BINS = 3 * SIX_HOURS
LONG = 2 * SIX_HOURS


def walked(last: int = BEGIN + BINS) -> tuple[Trail, dict[int, State]]:
    """Return a trail over some bins that change a little of the rings and all of the rest, and each state before."""
    dice = np.random.default_rng(5)
    state, trail, before = State.first(Fixed.of(plant_of(machines()))), Trail(LONG), {}
    for k in range(BEGIN, last):
        before[k] = old = state.copy()
        state.mean += dice.normal(size=state.mean.shape)
        state.cov *= 1.01
        state.hourly[:, k % 7] = dice.normal(size=state.hourly[:, 0].shape)
        state.losses[1, k % 96] = -0.0 if k % 3 else 0.0
        state.grid[k % 4 if k % 5 else slice(None)] += 1.0
        trail.add(k, old, np.array([float(k)]), state)
    before[last] = state
    return trail, before


@pytest.mark.parametrize("back", [1, 2, 3, 5, 8, 11, 20, 30, LONG])
def test_a_state_comes_back_to_the_last_bit(back: int) -> None:
    trail, before = walked()
    now = BEGIN + BINS
    kept = trail.back_to(now - back, before[now])
    assert kept is not None
    assert kept.k <= now - back
    assert kept.hall.tolist() == [float(kept.k)]
    assert {name: kept.whole[name].tobytes() for name in State.NAMES} == {
        name: getattr(before[kept.k], name).tobytes() for name in State.NAMES
    }


def test_the_trail_goes_on_from_where_it_went_back_to() -> None:
    trail, before = walked()
    now = BEGIN + BINS
    kept = trail.back_to(now - 4, before[now])
    assert kept is not None
    trail.add(kept.k, before[kept.k], kept.hall, before[kept.k + 1])
    again = trail.back_to(kept.k - 3, before[kept.k + 1])
    assert again is not None
    assert again.whole["hourly"].tobytes() == before[again.k].hourly.tobytes()


def test_near_bins_are_near_at_hand_and_far_ones_are_let_go() -> None:
    trail, before = walked()
    now = BEGIN + BINS
    kept = trail.back_to(now - 3, before[now])
    assert kept is not None
    assert kept.k == now - 4
    assert trail.back_to(now - LONG - 1, before[now]) is None


def test_samples_are_the_same_packed_and_open() -> None:
    dice = random.Random(2)
    told = [(dice.randrange(4), dice.randrange(3), float(dice.randrange(60)), dice.random()) for _ in range(400)]
    packed, plain = CellStore(), CellStore()
    for number, (k, key, time_s, value) in enumerate(told):
        assert packed.put(k, key, time_s, value) == plain.put(k, key, time_s, value)
        if number % 50 == 0:
            packed.pack_before(3)
    assert {k: packed.of(k) for k in range(5)} == {k: plain.of(k) for k in range(5)}
    packed.forget_before(2)
    assert not packed.of(1)
    assert packed.of(2) == plain.of(2)


def test_the_first_sample_of_a_moment_stands_and_later_ones_can_be_left_out() -> None:
    store = CellStore()
    for time_s, value in ((20.0, 1.0), (10.0, 2.0), (20.0, 3.0), (30.0, 4.0)):
        store.put(7, 1, time_s, value)
    assert list(store.of(7)[1]) == [10.0, 2.0, 20.0, 1.0, 30.0, 4.0]
    assert list(told_until(store.of(7), 20.0)[1]) == [10.0, 2.0, 20.0, 1.0]
    assert not told_until(store.of(7), 5.0)
