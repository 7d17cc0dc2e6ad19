"""Losses while the machine stands: a slow leak shows in a few nights, air that varies and a stopped gauge do not."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.model import nights
from monitor.model.layout import WEATHER, Fixed
from monitor.model.state import State
from monitor.model.types import EventKind
from monitor.model.watch import Seen
from tests.unit.model.runs import HOUR_S, engine_over, idle_state
from tests.unit.pipeline.shop import BEGIN_S, Machine

NIGHT_BINS, DAY_BINS = 32, 64
NOISE_L = 1.0


def pass_nights(
    state: State, fixed: Fixed, losses_l_per_h: list[float], seed: int, air: float = 0.0, first: int = 0
) -> list[int]:
    """Pass one night and a day of work for each loss; return in which nights it was too much for the first sump."""
    rng, n = np.random.default_rng(seed), len(fixed.ids)
    var, still = np.full(n, NOISE_L**2), np.zeros(n)
    said = []
    for night, loss in enumerate(losses_l_per_h):
        state.mean[:, WEATHER] = air * rng.standard_normal()
        lost = loss * np.exp(state.mean[0, WEATHER])
        for b in range(NIGHT_BINS + DAY_BINS):
            k = first + night * (NIGHT_BINS + DAY_BINS) + b
            runs = np.full(n, 1.0 if b >= NIGHT_BINS else 0.0)
            level = Seen(300.0 - lost * 0.25 * b + NOISE_L * rng.standard_normal(n), runs, var, runs < 2.0)
            if nights.watch(state, fixed, level, runs, runs < 2.0, still > 0.0, k)[0]:
                said.append(night)
    return said


@pytest.mark.parametrize("seed", range(5))
def test_a_slow_leak_is_found_in_a_few_nights_and_said_once(seed: int) -> None:
    state, fixed = idle_state()
    said = pass_nights(state, fixed, [0.3] * 10 + [0.8] * 10, seed, air=0.1)
    assert len(said) == 1
    assert 10 <= said[0] <= 14


def test_nights_that_vary_with_the_air_say_nothing() -> None:
    said = []
    for seed in range(30):
        state, fixed = idle_state()
        said += pass_nights(state, fixed, [0.3] * 30, seed, air=0.2)
    assert len(said) <= 1, "thirty sump-months"


def test_what_a_sump_is_used_to_is_learnt_from_its_own_nights() -> None:
    rng = np.random.default_rng(8)
    state, fixed = idle_state()
    wild = np.abs(0.5 + 0.35 * rng.standard_normal(40))
    assert max(pass_nights(state, fixed, wild.tolist(), 3), default=0) < 10


def test_a_leak_that_the_last_night_does_not_show_is_not_agreed_to() -> None:
    state, fixed = idle_state()
    pass_nights(state, fixed, [0.3] * 8, 1)
    end = 8 * (NIGHT_BINS + DAY_BINS)
    assert not nights.agrees(state, np.full(3, 1.5), end, 144.0).any()
    assert nights.agrees(state, np.full(3, 1.5), end + 400, 144.0).all(), "too long ago to tell"


def test_a_new_sump_that_loses_much_has_no_leak() -> None:
    shop = [Machine("lathe-01", evaporation_l_per_h=3.5, drag_out_l_per_h=2.0)]
    engine = engine_over(shop, 80)
    assert [e for e in engine.events() if e.kind is EventKind.LOSS_JUMP and e.time_s < BEGIN_S + 80 * HOUR_S] == []
