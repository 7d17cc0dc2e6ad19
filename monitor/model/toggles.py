"""Starts and stops as a test of the gauge: when the pump starts the level falls by the hold-up, after a stop it rises.

A level that shows no such steps though the machine is said to start and stop does not live; steps that are all larger
or smaller by the factor of a jump before them tell of another scale; steps while the running signal says that nothing
changed tell of that signal. Sums of log likelihood ratios after each start or stop, as Page (1954) has them.

`State.recent` (n, 8, 4) holds the last bins: GAUGE RAN LOST COUNT. `State.steps` (n, 15): DEAD and ALIVE (sums); the
ratio FACTOR of the last jump of the level (1 if the strength went along, as with a filling), and of the steps since
then and before it how many, their sum and the sum of their squares, litres (MANY SUM SQUARES, PAST PAST_SUM
PAST_SQUARES); of steps that no start or stop explains how many came in turn (STRAY), the last one's sign (SIDE) and bin
(WHEN); and how often the level jumped the other way within a day (SWINGS, fading), the last jump's sign and bin.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model.jumps import CONFIRMED
from monitor.model.layout import BINS_A_DAY, HOLD_UP, STRENGTH, VOLUME, Fixed, Flags, Floats, Ints
from monitor.model.state import LEVEL_IDLE, LEVEL_RUN, State

GAUGE, RAN, LOST, COUNT = range(4)
DEAD, ALIVE, FACTOR, MANY, SUM, SQUARES, PAST, PAST_SUM, PAST_SQUARES, STRAY, SIDE, WHEN = range(12)
SWINGS, SWING_SIDE, SWING_WHEN = range(12, 15)
ON: Final = 0.95
OFF: Final = 0.05
MOST: Final = 5.0
DEAD_SURE: Final = 9.0
ALIVE_SURE: Final = 9.0
SLACK: Final = 0.2  # of the hold-up: what drains late, what runs less
STILL_SD: Final = 0.0015  # of full
STRANGE: Final = 16.0
TOUCHED_BINS: Final = 6
SCALE_LEAST: Final = 0.1
SCALE_SURE: Final = 7.0
SCALE_STEPS: Final = 3.0
PAST_STEPS: Final = 6.0
ALIKE: Final = 0.35
SCALE_MOST: Final = 24.0
REMEMBERED: Final = 40.0
STRAYS: Final = 3.0
STRAY_NEAR: Final = 0.3
STRAY_BINS: Final = 288.0
SWINGS_MOST: Final = 3.5
MANY_BINS: Final = 9600.0


def note(state: State, gauge: Floats, ran: Floats, lost_l: Floats, count: Floats, k: int) -> None:
    """Put a bin into the ring, in place: the gauge's litres, running as told (NaN: none), litres lost, samples."""
    state.recent[:, k % state.recent.shape[1]] = np.stack([gauge, np.nan_to_num(ran, nan=-1.0), lost_l, count], axis=1)


def watch(state: State, fixed: Fixed, k: int) -> None:
    """Hold a start or stop just seen against the hold-up, in place."""
    ring = state.recent[:, (k - np.arange(5)) % state.recent.shape[1]]  # now, one bin ago, …
    ran, there = ring[:, :, RAN], ring[:, :, COUNT] > 0
    on, off = ran > ON, (ran < OFF) & (ran >= 0.0)
    started = on[:, 0] & on[:, 1] & off[:, 3] & off[:, 4]
    stopped = off[:, 0] & off[:, 1] & on[:, 3] & on[:, 4]
    seen = (started | stopped) & there[:, [0, 1, 3, 4]].all(axis=1) & state.level_known
    if not seen.any():
        return
    sign = np.where(started, 1.0, -1.0)
    gauge, count = ring[:, :, GAUGE], np.maximum(ring[:, :, COUNT], 1.0)
    lost = ring[:, :4, LOST].sum(axis=1) - 0.5 * ring[:, 0, LOST] + 0.5 * ring[:, 3, LOST]
    after = np.where(started, 0.5 * (gauge[:, 0] + gauge[:, 1]), gauge[:, 0])
    before = 0.5 * (gauge[:, 3] + gauge[:, 4])
    noise = np.where(started[:, None], state.noise[:, [LEVEL_RUN, LEVEL_IDLE]], state.noise[:, [LEVEL_IDLE, LEVEL_RUN]])
    still_var = noise[:, 0] / count[:, 0] + 0.5 * noise[:, 1] / count[:, 3] + (STILL_SD * fixed.full_l) ** 2
    held = np.maximum(state.mean[:, HOLD_UP], 0.0)
    live_var = still_var + state.cov[:, HOLD_UP, HOLD_UP] + (SLACK * held) ** 2
    fell = before - after
    still, live = fell**2 / still_var, (fell - lost - sign * held) ** 2 / live_var
    score = np.clip(0.5 * (live - still + np.log(live_var / still_var)), -MOST, MOST)
    touched = (state.level_odd[:, 0] > 0) | (k - state.jump[:, CONFIRMED] <= TOUCHED_BINS)
    use = seen & ~touched & (np.minimum(still, live) < STRANGE)
    steps = state.steps
    steps[:, DEAD] = np.where(use, np.clip(steps[:, DEAD] + score, 0.0, 2.0 * DEAD_SURE), steps[:, DEAD])
    steps[:, ALIVE] = np.where(use, np.clip(steps[:, ALIVE] - score, 0.0, 2.0 * ALIVE_SURE), steps[:, ALIVE])
    steps[:, STRAY] = np.where(use & (score < -1.0), 0.0, steps[:, STRAY])
    step = np.where(use, sign * (fell - lost), 0.0)
    for column, value in ((MANY, use), (SUM, step), (SQUARES, step**2)):
        steps[:, column] += value


def note_jump(state: State, jumped: Flags, before: Floats, k: int) -> None:
    """Remember by which factor a level jumped, in place; volume and strength `before` that (n, 2)."""
    steps = state.steps
    before_l, strength = before.T
    after_l, grown = state.mean[:, VOLUME], state.mean[:, STRENGTH] - strength
    came = np.where(np.abs(after_l - before_l) > 0.0, after_l - before_l, 1.0)
    alike = np.abs(grown * after_l / came) < ALIKE * strength
    factor = np.where(alike, after_l / np.maximum(before_l, 1e-6), 1.0)
    steps[:, FACTOR] = np.where(jumped, factor, steps[:, FACTOR])
    for since, past in ((MANY, PAST), (SUM, PAST_SUM), (SQUARES, PAST_SQUARES)):
        steps[:, past] += np.where(jumped, steps[:, since], 0.0)
        steps[:, since] = np.where(jumped, 0.0, steps[:, since])
    fade = np.where(jumped, np.minimum(REMEMBERED / np.maximum(steps[:, PAST], 1.0), 1.0), 1.0)
    steps[:, PAST : PAST_SQUARES + 1] *= fade[:, None]
    _note_stray(state, jumped, after_l - before_l, k)
    _note_swing(state, jumped, np.sign(after_l - before_l), k)


def _note_swing(state: State, jumped: Flags, sign: Floats, k: int) -> None:
    steps = state.steps
    fade = np.exp(-np.minimum(k - steps[:, SWING_WHEN], MANY_BINS) / BINS_A_DAY)
    turned = (sign == -steps[:, SWING_SIDE]) & (k - steps[:, SWING_WHEN] < BINS_A_DAY)
    steps[:, SWINGS] = np.where(jumped, steps[:, SWINGS] * fade + turned, steps[:, SWINGS])
    steps[:, SWING_SIDE] = np.where(jumped, sign, steps[:, SWING_SIDE])
    steps[:, SWING_WHEN] = np.where(jumped, float(k), steps[:, SWING_WHEN])


def _note_stray(state: State, jumped: Flags, rise_l: Floats, k: int) -> None:
    ran = state.recent[:, :, RAN]
    on, off = (ran > ON).all(axis=1), ((ran < OFF) & (ran >= 0.0)).all(axis=1)
    held = state.mean[:, HOLD_UP]
    near = np.abs(np.abs(rise_l) - held) < STRAY_NEAR * held + 2.0 * np.sqrt(state.noise[:, LEVEL_RUN])
    sign = np.sign(rise_l)
    steps = state.steps
    first = np.where(on, 1.0, -1.0)  # said to run: the first stray step is a stop
    fresh = (steps[:, STRAY] == 0.0) | (k - steps[:, WHEN] > STRAY_BINS)
    stray = jumped & (on | off) & near & np.where(fresh, sign == first, sign == -steps[:, SIDE])
    spoils = jumped & ~stray
    steps[:, STRAY] = np.where(
        stray, np.where(fresh, 1.0, steps[:, STRAY] + 1.0), np.where(spoils, 0.0, steps[:, STRAY])
    )
    steps[:, SIDE] = np.where(stray, sign, steps[:, SIDE])
    steps[:, WHEN] = np.where(stray, float(k), steps[:, WHEN])


def stand_corrected(state: State, rows: Ints) -> None:
    """Take back, in place, the hold-up that a running signal which sticks has put on top of a volume or left out."""
    ran = state.recent[rows, :, RAN]
    first = np.where((ran > ON).all(axis=1), 1.0, -1.0)
    held, side = state.mean[rows, HOLD_UP], state.steps[rows, SIDE]
    state.mean[rows, VOLUME] -= np.where(side == first, side * held, 0.0)
    state.cov[rows, VOLUME, VOLUME] += (0.5 * held) ** 2


def begin_anew(state: State, rows: Ints) -> None:
    """Forget what starts and stops told so far, in place, so that only new ones count."""
    state.steps[rows, DEAD] = state.steps[rows, ALIVE] = state.steps[rows, STRAY] = 0.0
    state.steps[rows, SWINGS] = 0.0


def dead(state: State) -> Flags:
    """Tell whose level does not move at starts and stops (n,)."""
    return np.asarray(state.steps[:, DEAD] > DEAD_SURE)


def alive(state: State) -> Flags:
    """Tell whose level moves by the hold-up at starts and stops (n,)."""
    return np.asarray(state.steps[:, ALIVE] > ALIVE_SURE)


def rescaled(state: State) -> Flags:
    """Tell whose steps are all larger or smaller since a jump of the level, by the factor of that jump (n,)."""
    steps = state.steps
    many, past = np.maximum(steps[:, MANY], 1.0), np.maximum(steps[:, PAST], 2.0)
    usual, factor = steps[:, PAST_SUM] / past, steps[:, FACTOR]
    spread = np.maximum(steps[:, PAST_SQUARES] / past - usual**2, (0.1 * usual) ** 2) * past / (past - 1.0)
    seen = steps[:, SUM] / many
    var = np.maximum(spread * (1.0 / many + 1.0 / past), 1e-9)
    gain = 0.5 * ((seen - usual) ** 2 - (seen - factor * usual) ** 2) / var
    enough = (steps[:, PAST] >= PAST_STEPS) & (steps[:, MANY] >= SCALE_STEPS) & (steps[:, MANY] <= SCALE_MOST)
    fits = (seen - factor * usual) ** 2 < 4.0 * var
    return np.asarray(enough & (np.abs(factor - 1.0) > SCALE_LEAST) & fits & (gain > SCALE_SURE))


def unexplained(state: State) -> Flags:
    """Tell whose level went up and down in turn by the hold-up while nothing was said to start or stop (n,)."""
    return np.asarray(state.steps[:, STRAY] >= STRAYS)


def swings(state: State) -> Flags:
    """Tell whose level jumps up and down again and again as no sump is filled and emptied (n,)."""
    return np.asarray(state.steps[:, SWINGS] > SWINGS_MOST)
