"""What each bin tells of the sensors: starts, stops, noise, exchanged showings; and what is done with the doubted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.model import doubts, jumps, rough, suspects, swaps, toggles, trust
from monitor.model.bins import IDLE, RUNNING, UNSURE, Bin
from monitor.model.jumps import Look
from monitor.model.layout import BIAS, HOLD_UP, STRENGTH, VOLUME, WIDTH, Fixed, Flags, Floats
from monitor.model.state import State
from monitor.model.watch import Seen
from tests.unit.model.runs import idle_state


def known_state(count: int = 3) -> tuple[State, Fixed]:
    state, fixed = idle_state(count)
    state.level_known[:] = True
    state.mean[:, VOLUME] = 0.8 * fixed.full_l
    state.mean[:, HOLD_UP] = 0.05 * fixed.full_l
    state.cov[:, HOLD_UP, HOLD_UP] = (0.002 * fixed.full_l) ** 2
    state.noise[:, :2] = ((0.004 * fixed.full_l) ** 2)[:, None]
    return state, fixed


def days_of_shifts(state: State, fixed: Fixed, follows: Floats, told: Floats, days: int = 2) -> None:
    """Let machines start and stop twice a day; each gauge shows a share (n,) of the hold-up that is `told` (n,)."""
    for k in range(96 * days):
        runs = 1.0 if 24 <= k % 96 < 44 or 52 <= k % 96 < 80 else 0.0
        gauge = state.mean[:, VOLUME] - follows * runs * state.mean[:, HOLD_UP]
        toggles.note(state, gauge, told * runs, np.zeros(len(gauge)), np.full(len(gauge), 3.0), k)
        toggles.watch(state, fixed, k)


def test_a_level_that_shows_no_start_and_no_stop_does_not_live() -> None:
    state, fixed = known_state(2)
    days_of_shifts(state, fixed, follows=np.array([1.0, 0.0]), told=np.ones(2))
    assert toggles.dead(state).tolist() == [False, True]
    assert toggles.alive(state).tolist() == [True, False]


def test_without_starts_and_stops_nobody_can_tell() -> None:
    state, fixed = known_state(2)
    days_of_shifts(state, fixed, follows=np.array([1.0, 0.0]), told=np.full(2, np.nan))
    assert not toggles.dead(state).any()
    assert not toggles.alive(state).any()


def test_steps_that_grow_by_the_factor_of_a_jump_tell_of_another_scale() -> None:
    state, fixed = known_state(2)
    days_of_shifts(state, fixed, np.ones(2), np.ones(2))
    before = np.stack([state.mean[:, VOLUME] / 1.3, np.full(2, 8.0)], axis=1)
    toggles.note_jump(state, np.ones(2, dtype=np.bool_), before, 192)
    days_of_shifts(state, fixed, np.array([1.0, 1.3]), np.ones(2), days=3)
    assert toggles.rescaled(state).tolist() == [False, True]


def stray(state: State, rises: list[float], told: float = 0.0) -> None:
    for at, rise in enumerate(rises):
        for k in range(12 * at, 12 * at + 8):
            zero = np.zeros(len(state.mean))
            toggles.note(state, state.mean[:, VOLUME], zero + told, zero, zero + 3.0, k)
        before = state.mean[:, [VOLUME, 1]].copy()
        state.mean[:, VOLUME] += rise * state.mean[:, HOLD_UP]
        toggles.note_jump(state, np.ones(len(state.mean), dtype=np.bool_), before, 12 * at + 8)


def test_steps_by_the_hold_up_in_turn_tell_of_the_running_signal() -> None:
    state, _ = known_state(1)
    stray(state, [-1.0, 1.0, -1.0])
    assert toggles.unexplained(state).all()


@pytest.mark.parametrize("rises", [[-1.0, -1.0, -1.0], [-1.0, 1.0], [1.0, -1.0, 1.0], [-2.0, 2.0, -2.0]])
def test_other_steps_do_not(rises: list[float]) -> None:
    state, _ = known_state(1)
    stray(state, rises)
    assert not toggles.unexplained(state).any()


def swing(state: State, rises: list[float], every: int) -> None:
    for at, rise in enumerate(rises, 1):
        before = state.mean[:, [VOLUME, 1]].copy()
        state.mean[:, VOLUME] += rise
        toggles.note_jump(state, np.ones(len(state.mean), dtype=np.bool_), before, every * at)


def test_a_level_that_jumps_up_and_down_again_and_again_is_no_sumps_own() -> None:
    state, _ = known_state(1)
    swing(state, [30.0, -25.0, 40.0, -30.0, 35.0], every=6)
    assert toggles.swings(state).all()


@pytest.mark.parametrize(("rises", "every"), [([30.0, -25.0] * 4, 90), ([30.0, -30.0], 4), ([30.0] * 8, 6)])
def test_a_sump_that_is_emptied_and_filled_is(rises: list[float], every: int) -> None:
    state, _ = known_state(1)
    swing(state, rises, every)
    assert not toggles.swings(state).any()


def feel(state: State, sd: float, bins: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    zero, whole = np.zeros(len(state.mean)), np.ones(len(state.mean), dtype=np.bool_)
    for _ in range(bins):
        rough.watch(state, 1, 5.0 + sd * rng.normal(size=len(zero)), zero, zero, whole)


@pytest.mark.parametrize("seed", range(4))
def test_noise_many_times_its_own_is_told_and_ordinary_noise_is_not(seed: int) -> None:
    state, _ = idle_state(6)
    feel(state, 0.05, 600, seed)
    assert not rough.noisy(state, 1).any()
    feel(state, 0.3, 40, seed + 100)
    assert rough.noisy(state, 1).all()


def test_the_noise_that_was_usual_comes_back() -> None:
    state, _ = idle_state(2)
    feel(state, 0.05, 600, 1)
    usual = state.noise.copy()
    feel(state, 0.4, 40, 2)
    rough.raise_noise(state, 1, np.arange(2))
    assert (state.noise[:, 2:] > 4.0 * usual[:, 2:]).all()
    feel(state, 0.05, 200, 3)
    assert rough.quiet(state, 1).all()
    rough.lower_noise(state, 1, np.arange(2))
    assert np.array_equal(state.noise, usual)


def look_of(residual: Floats, var: float) -> Look:
    n, odd = len(residual), np.abs(residual) > 0.0
    return Look(residual, np.full(n, var), np.full(n, var), np.zeros((n, WIDTH)), np.ones(n, dtype=np.bool_), odd)


def pairs(level: Floats, brix: Floats, bins: int = 3) -> tuple[swaps.Pairs, swaps.Pairs]:
    """Show three sumps of 60, 70 and 80 % and of 4, 6 and 8 degrees Brix other values (n,); NaN keeps its own."""
    state, fixed = known_state(3)
    own_l, own_b = np.array([0.6, 0.7, 0.8]) * fixed.full_l, np.array([4.0, 6.0, 8.0])
    seen_l = np.where(np.isnan(level), own_l, level * fixed.full_l)
    seen_b = np.where(np.isnan(brix), own_b, brix)
    look, look_b = look_of(seen_l - own_l, (0.004 * fixed.full_l[0]) ** 2), look_of(seen_b - own_b, 0.05**2)
    for odd, one in ((state.level_odd, look), (state.brix_odd, look_b)):
        odd[:, 0], odd[:, 2] = np.where(one.odd, bins, 0.0), 100.0
    return swaps.look_at_pairs(state, fixed, look, seen_l, look_b, seen_b)


NONE = np.full(3, np.nan)


def test_two_levels_that_show_each_others_have_changed_places() -> None:
    assert pairs(np.array([0.8, np.nan, 0.6]), NONE) == ([(0, 2)], [])


def test_two_refractometers_too() -> None:
    assert pairs(NONE, np.array([np.nan, 8.0, 6.0])) == ([], [(1, 2)])


def test_level_and_refractometer_together_are_known_at_the_first_bin() -> None:
    swapped = np.array([0.8, np.nan, 0.6]), np.array([8.0, np.nan, 4.0])
    assert pairs(*swapped, bins=1) == ([(0, 2)], [(0, 2)])


def test_one_bin_of_one_signal_is_not_enough() -> None:
    assert pairs(np.array([0.8, np.nan, 0.6]), NONE, bins=1) == ([], [])


def test_fluid_that_was_carried_from_one_sump_to_another_is_no_exchange() -> None:
    assert pairs(np.array([0.75, np.nan, 0.65]), NONE) == ([], [])


def bin_of_levels(n: int) -> Bin:
    seen = Bin.empty(n)
    seen.level_l[:, IDLE], seen.level_l[:, RUNNING] = 100.0, 90.0
    seen.level_n[:, IDLE], seen.level_n[:, RUNNING] = 1.0, 2.0
    seen.brix[:], seen.brix_n[:], seen.running[:] = 5.0, 3.0, 0.7
    return seen


@pytest.mark.parametrize("reason", trust.UNHEARD)
def test_what_sticks_or_belongs_elsewhere_is_not_heard_and_the_neighbour_is(reason: int) -> None:
    state, fixed = idle_state(2)
    state.said[0, trust.LEVEL] = reason
    told, sensed = trust.heard(state, fixed, bin_of_levels(2))
    assert told.level_n.sum(axis=1).tolist() == [0.0, 3.0]
    assert sensed.has_level.tolist() == [False, True]
    assert told.brix_n.tolist() == [3.0, 3.0]


def test_a_running_signal_that_sticks_no_longer_sorts_the_levels() -> None:
    state, fixed = idle_state(2)
    state.said[1, trust.SWITCH] = trust.STILL
    seen = trust.unsorted(state, bin_of_levels(2))
    assert seen.level_n[1, UNSURE] == 3.0
    assert seen.level_l[1, UNSURE] == pytest.approx((100.0 + 2 * 90.0) / 3.0)
    assert seen.level_n[0, UNSURE] == 0.0
    told, _ = trust.heard(state, fixed, seen)
    assert np.isnan(told.running).tolist() == [False, True]


def test_a_drifting_level_shows_steps_only() -> None:
    state, _ = idle_state(1)
    state.said[0, trust.LEVEL] = trust.DRIFTED
    state.doubted[0, trust.LEVEL, trust.SINCE] = 10.0
    all_of_it: Flags = np.ones(1, dtype=np.bool_)
    trust.follow(state, np.array([6.0]), all_of_it, 11)
    assert state.offset[0, trust.LEVEL] == 6.0
    seen = Seen(np.array([106.0]), np.zeros(1), np.ones(1), all_of_it)
    assert trust.level_heard(state, seen).value.tolist() == [100.0]
    assert trust.level_heard(state, replace(seen, there=~all_of_it)).there.tolist() == [False]


def test_a_doubted_refractometer_makes_the_bias_less_sure() -> None:
    state, _ = idle_state(2)
    state.said[0, trust.BRIX] = trust.DRIFTED
    state.offset[0, trust.BRIX] = 0.4
    before = state.cov[:, BIAS, BIAS].copy()
    trust.drift(state, 24.0)
    assert state.mean[:, BIAS].tolist() == pytest.approx([0.4, 0.0])
    assert (state.cov[:, BIAS, BIAS] > before).tolist() == [True, False]


def test_starts_stops_and_what_drains_back_are_no_noise() -> None:
    state, fixed = known_state(2)
    rng, lost = np.random.default_rng(5), np.zeros(2)
    for k in range(400):
        runs = np.full(2, float(k % 4 >= 2))
        off = np.where(k % 4 == 0, [8.0, 0.0], 0.0)  # drains back for a while after each stop: not whole
        value = 0.8 * fixed.full_l + rng.standard_normal(2) + off + np.where(runs > 0.5, [8.0, 0.0], 0.0)
        rough.watch(state, 0, value, lost, runs, off == 0.0)
    assert not rough.noisy(state, 0).any()
    assert state.rough[:, 0, rough.SHARE] == pytest.approx([0.0, 0.0], abs=0.05)


def strength_jump(state: State, rows: list[int], steps_pct: list[float], k: int) -> Flags:
    state.jump[rows, jumps.KIND], state.jump[rows, jumps.FIRST] = jumps.STRENGTH_ONLY, k
    state.jump[rows, jumps.VOLUME_BEFORE] = 100.0
    state.jump[rows, jumps.CONCENTRATE_BEFORE] = state.mean[rows, STRENGTH]
    state.mean[rows, STRENGTH] += steps_pct
    jumped = np.zeros(len(state.mean), dtype=np.bool_)
    jumped[rows] = True
    return jumped


@pytest.mark.parametrize(("steps_pct", "doubted"), [([-2.0, 2.0], [True, True]), ([-2.0, -0.8], [False, False])])
def test_refractometers_that_move_to_where_the_other_was_changed_places(
    steps_pct: list[float], doubted: list[bool]
) -> None:
    state, fixed = known_state(2)
    state.mean[:, STRENGTH] = [9.0, 7.0]
    jumped = strength_jump(state, [0, 1], steps_pct, 50)
    assert doubts._jumped(state, fixed, jumped, 55).tolist() == doubted


def test_strengths_that_fall_and_rise_elsewhere_at_the_same_time_have_nothing_to_do_with_one_another() -> None:
    state, fixed = known_state(2)
    state.mean[:, STRENGTH] = [9.0, 7.0]
    jumped = strength_jump(state, [0, 1], [-1.5, 0.4], 50)
    assert not doubts._jumped(state, fixed, jumped, 55).any()


def test_a_filling_ends_no_suspicion_of_a_drift_but_that_of_a_gauge_that_stands() -> None:
    state, fixed = idle_state(2)
    state.fit[:], state.gram[:] = 3.0, 2.0
    state.windows[:, :] = 100.0
    before = [suspects.judge(state, which).ratio for which in range(4)]
    running, told = np.zeros(2), np.ones(2, dtype=np.bool_)
    suspects.bridge(state, fixed, np.array([0, 1]), running, told, 200)
    after = [suspects.judge(state, which).ratio for which in range(4)]
    for ramp, stuck in ((suspects.LEVEL_RAMP, suspects.LEVEL_STUCK), (suspects.BRIX_RAMP, suspects.BRIX_STUCK)):
        assert after[ramp] == pytest.approx(before[ramp])
        assert (before[stuck] != 0.0).all()
        assert (after[stuck] == 0.0).all()
