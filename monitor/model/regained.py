"""When a doubted signal is believed again: it has to show, in its own way, that it follows its sump.

One that stuck has to move, one that stood still to show starts and stops, one that drifted to stand a day where it is,
one that changed places or scale to come back by as much, one that was noisy to be quiet for half a day. One that falls
faster than any gauge drifts tells of a leak.
`State.offset_ring` (n, 2, 4, 2): every six hours how far level and refractometer are off, and what was expected.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model import jumps, leaks, rough, suspects, toggles, trust
from monitor.model.layout import BIAS, BINS_A_DAY, LEAK, STRENGTH, VOLUME, Fixed, Flags, Floats
from monitor.model.state import State
from monitor.model.step import Stepped
from monitor.model.trust import (
    AWAY,
    BRIX,
    DRIFTED,
    FROZEN,
    JUMPED,
    LAST,
    LEVEL,
    NOISY,
    ODD,
    SCALED,
    SINCE,
    STUCK,
    SWAPPED,
    SWINGING,
    SWITCH,
)

RING_BINS: Final = 24
RING: Final = 4
CALM_SHARE: Final = 0.2
CALM_BINS: Final = {STUCK: 24.0, ODD: 96.0, JUMPED: 96.0, NOISY: 48.0}
DRIFT_BINS: Final = 120.0
SLOWER: Final = 0.5
NEAR: Final = 0.25
BACK: Final = 0.5
SAME_FACTOR: Final = 0.08
FOLLOWS: Final = 0.35
FALLS: Final = 0.06  # of full a day
FALLS_SD: Final = 0.2
ALMOST: Final = 0.99
LEAST_MOVE: Final = (0.012, 0.1)  # of full, degrees Brix: less shows nothing


def look(state: State, fixed: Fixed, brought: Stepped, k: int) -> None:
    """Believe again what follows its sump, in place."""
    if k % RING_BINS and not state.said.any():
        return
    for column in (LEVEL, BRIX):
        off = brought.off[column]
        over = _calm(state, column, k)
        if k % RING_BINS == 0:
            over |= _after_hours(state, fixed, column, off, k)
        if column == LEVEL:
            lives = toggles.alive(state)
            over = (over & ((state.said[:, LEVEL] != SWAPPED) | lives | ~fixed.has_running)) | (
                np.isin(state.said[:, LEVEL], (FROZEN, SWINGING)) & lives
            )
            over |= _scaled_back(state, brought.jumped)
            if k % RING_BINS == 0:
                over |= _leaks(state, fixed, ~np.isnan(off), k)
        over &= ~np.isnan(off)
        if over.any():
            _again(state, column, off, over, k)
    moves = (state.said[:, SWITCH] > 0) & toggles.alive(state)
    state.said[moves, SWITCH] = trust.BELIEVED


def _again(state: State, column: int, off: Floats, over: Flags, k: int) -> None:
    rows = np.flatnonzero(over)
    suspects.know_better(state, column, rows[np.isin(state.said[rows, column], (DRIFTED, FROZEN))])
    rough.lower_noise(state, column, rows[state.said[rows, column] == NOISY])
    if column == LEVEL:
        toggles.begin_anew(state, rows)
        whole = over & np.isin(state.said[:, LEVEL], trust.UNHEARD)
        state.offset[whole | (over & (state.said[:, LEVEL] == SCALED)), LEVEL] = 0.0
        off = off - state.offset[:, LEVEL]
    trust.hear_again(state, np.nan_to_num(off), column, over)
    suspects.forget(state, rows, k + 1)


def _calm(state: State, column: int, k: int) -> Flags:
    """Tell which signals have given no reason for some time."""
    said, quiet = state.said[:, column], k - state.doubted[:, column, LAST]
    calm = state.odd_share[:, column] < CALM_SHARE
    over = (said == STUCK) & (quiet > CALM_BINS[STUCK])
    for reason in (ODD, JUMPED):
        over |= (said == reason) & (quiet > CALM_BINS[reason]) & calm
    return np.asarray(over | ((said == NOISY) & (quiet > CALM_BINS[NOISY]) & rough.quiet(state, column)))


def _scaled_back(state: State, jumped: Flags) -> Flags:
    undone = np.abs(state.steps[:, toggles.FACTOR] * state.doubted[:, LEVEL, AWAY] - 1.0) < SAME_FACTOR
    return np.asarray(jumped & (state.jump[:, jumps.KIND] > 0) & (state.said[:, LEVEL] == SCALED) & undone)


def _after_hours(state: State, fixed: Fixed, column: int, off: Floats, k: int) -> Flags:
    """Judge by where a signal was a day and six hours ago; keep where it is. In place."""
    ring, slot = state.offset_ring[:, column], (k // RING_BINS) % RING
    said, away = state.said[:, column], state.doubted[:, column, AWAY]
    unit = fixed.full_l if column == LEVEL else np.ones(len(off))
    drifted = state.offset[:, LEVEL] if column == LEVEL else state.mean[:, BIAS]
    followed = trust.followed(state) if column == LEVEL else said == DRIFTED
    here = np.where(followed, drifted, np.nan_to_num(off))
    expected = state.mean[:, VOLUME] if column == LEVEL else state.mean[:, STRENGTH] / fixed.factor
    moved, should = here - ring[:, slot, 0], expected - ring[:, slot, 1]
    before = ring[:, slot - 1, 0]
    ring[:, slot, 0], ring[:, slot, 1] = here, expected
    since = k - state.doubted[:, column, SINCE]
    stands = (said == DRIFTED) & (since > DRIFT_BINS) & (np.abs(moved) < SLOWER * np.abs(away) * unit)
    tells = np.abs(should) > LEAST_MOVE[column] * unit
    follows = (
        np.isin(said, (FROZEN, SWINGING)) & (since > DRIFT_BINS) & tells & (np.abs(moved) < FOLLOWS * np.abs(should))
    )
    returned = (said == SWAPPED) & (since > RING_BINS) & (np.abs(before) > BACK * np.abs(away))
    returned &= np.abs(off) < NEAR * np.abs(away)
    return np.asarray(stands | follows | returned)


def _leaks(state: State, fixed: Fixed, heard: Flags, k: int) -> Flags:
    """Tell whose level is followed down faster than gauges drift, and let that be a leak, in place."""
    before = state.offset_ring[:, LEVEL, (k // RING_BINS + 1) % RING, 0]  # eighteen hours ago
    fell = (before - state.offset[:, LEVEL]) / (0.75 * fixed.full_l)
    rows = trust.followed(state) & heard & (fell > FALLS) & (k - state.doubted[:, LEVEL, SINCE] > BINS_A_DAY)
    rate = np.where(rows, fell * fixed.full_l / 24.0, 0.0)
    state.mean[rows, LEAK] = rate[rows]
    state.cov[:, LEAK, LEAK] += (FALLS_SD * rate) ** 2
    state.leak_watch[rows, leaks.LEAKING] = ALMOST
    state.leak_watch[rows, leaks.FREED] = k - 0.75 * BINS_A_DAY
    return np.asarray(rows)
