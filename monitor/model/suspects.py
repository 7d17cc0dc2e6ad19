"""What could be wrong, followed along: the error that each suspected fault or change would have brought by now.

Generalised likelihood ratios (Willsky and Jones, IEEE Transactions on Automatic Control 21(1), 1976): the filter is
linear in small errors, so a fault that began at a known bin leaves a known trace in the estimate and in every
innovation since. For each suspect and each of some recent beginnings that trace is carried through the same steps as
the estimate, and what it predicts of the innovations is held against them. The sums give how much likelier a fault of
an instrument makes what was seen than rates that really changed, how large it is, and what the estimate would be
without it. A sump that strays from its model more than the model reckons is judged by what is usual for itself.

`State.errors` (n, windows, suspects, 11), `State.fit` and `State.gram`: sums of what is predicted by what is seen, and
of what is predicted by itself. `State.windows` (n, windows, 5): BEGUN LOST GROWN RUNNING BINS. `State.unrest` (n, 2,
2): sum and number of the ratios of windows gone by, for level and refractometer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model.jumps import Look
from monitor.model.layout import (
    BIAS,
    BINS_A_DAY,
    HOLD_UP,
    JOB,
    LN_DRAG,
    LN_IDLE,
    LN_RUN,
    STRENGTH,
    VOLUME,
    WEATHER,
    Fixed,
    Flags,
    Floats,
    Ints,
)
from monitor.model.state import State

LEVEL_RAMP, BRIX_RAMP, LEVEL_STUCK, BRIX_STUCK, IDLE_STEP, RUN_STEP, DRAG_STEP = range(7)
"""Gauges that move by themselves (full a day, degrees Brix a day) or not at all; rates that changed (log)."""
REAL: Final = slice(IDLE_STEP, DRAG_STEP + 1)
REAL_SD: Final = np.array([0.1, 0.25, 0.7])
BEGUN, LOST, GROWN, RUNNING, BINS = range(5)
EVERY_BINS: Final = 48
YOUNGEST_BINS: Final = 32
COUNTS_BINS: Final = 96
CLIPPED: Final = 4.0
USUAL: Final = 0.7
USUAL_COUNTS: Final = 4.0
AT_MOST: Final = 6.0
SETTLED: Final = 5.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """The likeliest beginning of one suspect: likelihood ratio (twice its log), size, its variance, window (n,)."""

    ratio: Floats
    size: Floats
    var: Floats
    window: Ints


def begin(state: State, running: Floats, k: int) -> None:
    """Open a window every half day, in place; the oldest makes room and tells what is usual."""
    fresh = np.flatnonzero(state.windows[:, 0, BEGUN] == 0.0)
    if len(fresh):
        forget(state, fresh, k)
    if k % EVERY_BINS:
        return
    w = (k // EVERY_BINS) % state.windows.shape[1]
    for signal, suspect in ((0, LEVEL_RAMP), (1, BRIX_RAMP)):
        force, mass = _alone(state, suspect)
        ratio = np.where(mass[:, w] > 0.0, force[:, w] ** 2 / np.where(mass[:, w] > 0.0, mass[:, w], 1.0), 0.0)
        counts = (mass[:, w] > 0.0) & (state.said[:, signal] == 0) & (k - state.windows[:, w, BEGUN] > COUNTS_BINS)
        state.unrest[:, signal, 0] += np.where(counts, np.minimum(ratio, AT_MOST), 0.0)
        state.unrest[:, signal, 1] += counts
    _open(state, np.arange(len(running)), w, running, k)


def forget(state: State, rows: Ints, k: int) -> None:
    """Begin all windows of some sumps anew, in place: what they held was settled."""
    for w in range(state.windows.shape[1]):
        _open(state, rows, w, state.run_belief, k)


def _open(state: State, rows: Ints, w: int, running: Floats, k: int) -> None:
    state.errors[rows, w] = 0.0
    for suspect, column in ((IDLE_STEP, LN_IDLE), (RUN_STEP, LN_RUN), (DRAG_STEP, LN_DRAG)):
        state.errors[rows, w, suspect, column] = -1.0
    state.fit[rows, w] = 0.0
    state.gram[rows, w] = 0.0
    state.windows[rows, w] = 0.0
    state.windows[rows, w, BEGUN] = float(k)
    state.windows[rows, w, RUNNING] = running[rows]


def fade(state: State, job: float, weather: float) -> None:
    """Let errors of job and weather fade as these do, in place."""
    state.errors[..., JOB] *= job
    state.errors[..., WEATHER] *= weather


def carry(
    state: State, volume_row: Floats, strength_row: Floats, strength_before: Floats, lost_l: Floats, anchored: Flags
) -> None:
    """Let a bin pass over the errors, in place: gradients of the balance (n, 11), strength before it, litres lost.

    Where the volume is `anchored` to the gauge (a valve keeps it there) no error of it is left.
    """
    volume, strength = _along(state.errors, volume_row), _along(state.errors, strength_row)
    state.errors[..., VOLUME] = np.where(anchored[:, None, None], 0.0, volume)
    state.errors[..., STRENGTH] = strength
    state.windows[:, :, LOST] += lost_l[:, None]
    state.windows[:, :, GROWN] += (state.mean[:, STRENGTH] - strength_before)[:, None]
    state.windows[:, :, BINS] += 1.0


def weigh_level(state: State, fixed: Fixed, look: Look, running: Floats, use: Flags, k: int) -> None:
    """Hold what each suspect predicts of the level's innovation against it, in place.

    `running` is the share of the hold-up that is out, `use` where the level is taken in.
    """
    errors = state.errors
    predicted = running[:, None, None] * errors[..., HOLD_UP] - errors[..., VOLUME]
    window = state.windows
    predicted[:, :, LEVEL_RAMP] += (k + 0.5 - window[:, :, BEGUN]) / BINS_A_DAY * fixed.full_l[:, None]
    held = (running[:, None] - window[:, :, RUNNING]) * state.mean[:, HOLD_UP, None]
    predicted[:, :, LEVEL_STUCK] += window[:, :, LOST] + held
    _weigh(state, predicted, look, use)


def weigh_brix(state: State, fixed: Fixed, look: Look, use: Flags, k: int) -> None:
    """Do the same for the refractometer's innovation."""
    predicted = -state.errors[..., STRENGTH] / fixed.factor[:, None, None] - state.errors[..., BIAS]
    window = state.windows
    predicted[:, :, BRIX_RAMP] += (k + 0.5 - window[:, :, BEGUN]) / BINS_A_DAY
    predicted[:, :, BRIX_STUCK] -= window[:, :, GROWN] / fixed.factor[:, None]
    _weigh(state, predicted, look, use)


def _weigh(state: State, predicted: Floats, look: Look, use: Flags) -> None:
    residual, total, along = look.residual, look.total, look.along
    root = np.sqrt(total)
    weight = np.where(use, 1.0 / root, 0.0)
    scaled = predicted * weight[:, None, None]
    state.fit += scaled * np.clip(residual * weight, -CLIPPED, CLIPPED)[:, None, None]
    state.gram += scaled[:, :, :, None] * scaled[:, :, None, :]
    state.errors += scaled[..., None] * (along * weight[:, None])[:, None, None, :]


def follow(state: State, column: int, along: Floats, total: Floats, use: Flags) -> None:
    """Let the errors follow what was learnt of one state from elsewhere, in place."""
    gain = np.where(use[:, None], along / total[:, None], 0.0)
    state.errors -= state.errors[..., column, None] * gain[:, None, None, :]


def judge(state: State, suspect: int) -> Verdict:
    """Return how likely one fault is against rates that changed; one that sticks is as large as it is."""
    force, mass = _alone(state, suspect)
    old = (state.windows[:, :, BINS] >= YOUNGEST_BINS) & (mass > 0.0)
    sure = np.where(old, mass, 1.0)
    size = np.where(old, force / sure, 0.0)
    stuck = suspect in (LEVEL_STUCK, BRIX_STUCK)
    ratio = np.where(old, 2.0 * force - mass if stuck else force * size, 0.0)
    best = ratio.argmax(axis=1)
    rows = np.arange(len(best))
    usual = unrest(state, 1 if suspect in (BRIX_RAMP, BRIX_STUCK) else 0)
    return Verdict(ratio[rows, best] / usual, size[rows, best], usual / sure[rows, best], best)


def unrest(state: State, signal: int) -> Floats:
    """Return by how much the ratios of a sump's windows exceed what chance alone brings (n,), at least 1."""
    total, number = state.unrest[:, signal, 0], state.unrest[:, signal, 1]
    return np.asarray(np.maximum((USUAL * USUAL_COUNTS + total) / (USUAL_COUNTS + number) / USUAL, 1.0))


def settled(state: State, signal: int) -> Flags:
    """Tell which sumps have passed enough windows to know what is usual."""
    return np.asarray(state.unrest[:, signal, 1] >= SETTLED)


def take_back(state: State, suspect: int, verdict: Verdict, rows: Ints) -> None:
    """Take out of the estimates what a fault brought into them, in place, and be less sure by what is unsure of it."""
    errors = state.errors[rows, verdict.window[rows], suspect]
    stuck = suspect in (LEVEL_STUCK, BRIX_STUCK)
    size = np.ones(len(rows)) if stuck else verdict.size[rows]
    doubt = np.maximum(np.sqrt(verdict.var[rows]), 0.3 * np.abs(size))
    state.mean[rows] -= size[:, None] * errors
    spread = doubt[:, None] * errors
    state.cov[rows] += spread[:, :, None] * spread[:, None, :]


def _alone(state: State, suspect: int) -> tuple[Floats, Floats]:
    """Return force and mass of a suspect beyond what changed rates explain (n, windows)."""
    shared = state.gram[:, :, suspect, REAL]
    others = state.gram[:, :, REAL, REAL] + np.diag(REAL_SD**-2.0)
    share = np.linalg.solve(others, shared[..., None])[..., 0]
    force = state.fit[:, :, suspect] - (share * state.fit[:, :, REAL]).sum(axis=-1)
    mass = state.gram[:, :, suspect, suspect] - (share * shared).sum(axis=-1)
    return np.asarray(force), np.asarray(mass)


def _along(errors: Floats, rows: Floats) -> Floats:
    return np.asarray(np.einsum("nwsi,ni->nws", errors, rows))
