"""Signals that are not to be believed: stuck, drifting, changed places, or far off what the balance allows.

A refractometer that sticks or drifts shows in its bias, which moves in a day or two farther than any instrument drifts
by itself. One that changed places shows as strength that jumps while nobody touched the level: upwards nothing real
does that. A level that creeps upwards without a filling is an instrument's doing.
Columns of `State.said`: level, refractometer: 0 believed, 1 doubtful. `State.bias_ring` (n, 8): the bias every 6 h.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model import jumps
from monitor.model.layout import BIAS, STRENGTH, Fixed, Flags, Floats
from monitor.model.state import State
from monitor.model.valves import COUNT, RING_H, VOLUMES

EVERY_BINS: Final = 24
STUCK_BINS: Final = 32
ODD_SHARE: Final = 0.5
CALM_SHARE: Final = 0.2
DRIFTS: Final = ((4, 0.34), (8, 0.5))  # six-hour steps back, degrees Brix
ROUGHER: Final = 1.6
FIRST_STEPS: Final = 20.0
CREEPS: Final = 0.012
CREEP_STEP: Final = 0.008
UP_JUMP_PCT: Final = 0.5
SAME_TIME_BINS: Final = 8.0
BINS_A_DAY: Final = 96
STUCK, ODD, DRIFTED, JUMPED, CREPT = range(1, 6)
WHY: Final = {
    STUCK: "says the same value over and over",
    ODD: "lies far off what the balance allows",
    DRIFTED: "moved farther in a day or two than an instrument drifts",
    JUMPED: "jumped though nobody touched the sump",
    CREPT: "creeps upwards though nobody filled up",
}


def look(state: State, fixed: Fixed, jumped: Flags, k: int) -> list[tuple[int, int, int]]:
    """Return what has just become doubtful: (sump row, 0 level or 1 refractometer, reason); remember it."""
    level, brix = _stuck_or_odd(state, 0), _stuck_or_odd(state, 1)
    brix = np.where((brix == 0) & _jumped(state, fixed, jumped), JUMPED, brix)
    if k % EVERY_BINS == 0:
        drifted = _drifted(state, fixed, k)
        brix = np.where((brix == 0) & drifted, DRIFTED, brix)
        level = np.where((level == 0) & _crept(state, fixed, k), CREPT, level)
    found = []
    for column, reasons in ((0, level), (1, brix)):
        doubtful = reasons > 0
        found += [(int(i), column, int(reasons[i])) for i in np.flatnonzero(doubtful & (state.said[:, column] == 0))]
        state.doubted[:, column] = np.where(doubtful, float(k), state.doubted[:, column])
        over = (k - state.doubted[:, column] > BINS_A_DAY) & (state.odd_share[:, column] < CALM_SHARE)
        state.said[:, column] = np.where(doubtful, 1.0, np.where(over, 0.0, state.said[:, column]))
    return found


def _stuck_or_odd(state: State, column: int) -> Floats:
    run, longest = state.same[:, column], state.same[:, 2 + column]
    stuck = run >= np.maximum(STUCK_BINS, 3.0 * longest)
    odd = state.odd_share[:, column] > ODD_SHARE
    return np.asarray(np.where(stuck, STUCK, np.where(odd, ODD, 0)))


def _jumped(state: State, fixed: Fixed, jumped: Flags) -> Flags:
    alone = jumped & fixed.has_level & (state.jump[:, jumps.KIND] == jumps.STRENGTH_ONLY)
    if not alone.any():
        return np.asarray(alone)
    before = 100.0 * state.jump[:, jumps.CONCENTRATE_BEFORE] / np.maximum(state.jump[:, jumps.VOLUME_BEFORE], 1.0)
    step = state.mean[:, STRENGTH] - before
    lately = state.jump[:, jumps.KIND] == jumps.STRENGTH_ONLY
    lately &= np.abs(state.jump[:, jumps.FIRST] - np.max(state.jump[alone, jumps.FIRST])) < SAME_TIME_BINS
    both = bool((lately & (step > UP_JUMP_PCT)).any() and (lately & (step < -UP_JUMP_PCT)).any())
    return np.asarray((alone & (step > UP_JUMP_PCT)) | (lately & both & (np.abs(step) > UP_JUMP_PCT)))


def _drifted(state: State, fixed: Fixed, k: int) -> Flags:
    ring, now = state.bias_ring, state.mean[:, BIAS]
    steps = k // EVERY_BINS
    moved = np.zeros(len(now), dtype=np.bool_)
    # where running is guessed or a valve fills up, the balance itself wanders more
    rougher = np.where((state.valve[:, 0] > 0) | ~fixed.has_running, ROUGHER, 1.0)
    for back, most in DRIFTS:
        then = ring[:, (steps - back) % ring.shape[1]]
        untouched = k - state.jump[:, jumps.CONFIRMED] > back * EVERY_BINS
        moved |= untouched & (np.abs(now - then) > most * rougher)
    ring[:, steps % ring.shape[1]] = now
    state.bias_seen[:] = np.minimum(state.bias_seen + 1.0, 1e6)
    settled = state.bias_seen > FIRST_STEPS
    return np.asarray(moved & settled & fixed.has_refractometer & fixed.has_level & state.strength_known)


def _crept(state: State, fixed: Fixed, k: int) -> Flags:
    order = (np.arange(RING_H) + k // 4 + 1) % RING_H
    last = state.hourly[:, order[-28:]]
    full = last[:, :, COUNT] > 0
    volume = (
        np.where(full, last[:, :, VOLUMES] / np.where(full, last[:, :, COUNT], 1.0), np.nan) / fixed.full_l[:, None]
    )
    whole = full.all(axis=1)
    volume = np.nan_to_num(volume)
    rise = volume[:, -4:].mean(axis=1) - volume[:, :4].mean(axis=1)
    steps = np.abs(volume[:, 2:] - volume[:, :-2]).max(axis=1)
    touched = k - state.jump[:, jumps.CONFIRMED] < BINS_A_DAY + 16
    return np.asarray(whole & (rise > CREEPS) & (steps < 2.0 * CREEP_STEP) & ~touched & (state.valve[:, 0] == 0))
