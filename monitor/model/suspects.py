"""What could be wrong, followed along: the error that each suspected fault or change would have brought by now.

Generalised likelihood ratios (Willsky and Jones, IEEE Transactions on Automatic Control 21(1), 1976): the filter is
linear in small errors, so a fault that began at a known bin leaves a known trace in the estimate and in every
innovation since. For each suspect and each of some recent beginnings that trace is carried through the same steps as
the estimate, and what it predicts of the innovations is held against them. The sums give how much likelier a fault of
an instrument makes what was seen than rates that really changed, how large it is, and what the estimate would be
without it. A sump that strays from its model more than the model reckons is judged by what is usual for itself.

All runs along the sumps, in single precision: a sum of likelihoods need not be known better. `State.errors` (n, 11,
suspects, windows); `State.fit` (n, suspects, windows): sums of what is predicted by what is seen; `State.gram` (n, 22,
windows): of what is predicted by itself, those products that a verdict asks for (see `_add_products`).
`State.windows` (n, 6, windows): BEGUN LOST GROWN RUNNING BINS STILL (bins since a filling, which what sticks would not
have followed). `State.unrest` (n, 2, 2): sum and number of the ratios of windows gone by, for level and refractometer.
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
    WIDTH,
    Fixed,
    Flags,
    Floats,
    Ints,
    Singles,
    sumps_last,
)
from monitor.model.state import State

LEVEL_RAMP, BRIX_RAMP, LEVEL_STUCK, BRIX_STUCK, IDLE_STEP, RUN_STEP, DRAG_STEP = range(7)
"""Gauges that move by themselves (full a day, degrees Brix a day) or not at all; rates that changed (log)."""
REAL: Final = slice(IDLE_STEP, DRAG_STEP + 1)
REAL_SD: Final = np.array([0.1, 0.25, 0.7])
SQUARES: Final = 12
CROSSES: Final = 19
BEGUN, LOST, GROWN, RUNNING, BINS, STILL = range(6)
EVERY_BINS: Final = 48
YOUNGEST_BINS: Final = 32
COUNTS_BINS: Final = 96
CLIPPED: Final = 4.0
USUAL: Final = 0.7
USUAL_COUNTS: Final = 4.0
AT_MOST: Final = 6.0
SETTLED: Final = 5.0
LEARNT: Final = 2.0  # windows


@dataclass(frozen=True, slots=True)
class Verdict:
    """The likeliest beginning of one suspect: likelihood ratio (twice its log), size, its variance, window (n,)."""

    ratio: Floats
    size: Floats
    var: Floats
    window: Ints


def begin(state: State, running: Floats, k: int) -> None:
    """Open a window every half day, in place; the oldest makes room and tells what is usual."""
    fresh = np.flatnonzero(state.windows[:, BEGUN, 0] == 0.0)
    if len(fresh):
        forget(state, fresh, k)
    if k % EVERY_BINS:
        return
    w = (k // EVERY_BINS) % state.windows.shape[2]
    for signal, suspect in ((0, LEVEL_RAMP), (1, BRIX_RAMP)):
        force, mass = (one[:, w] for one in _alone(state, suspect))
        ratio = np.where(mass > 0.0, force**2 / np.where(mass > 0.0, mass, 1.0), 0.0)
        counts = (mass > 0.0) & (state.said[:, signal] == 0) & (state.windows[:, STILL, w] > COUNTS_BINS)
        state.unrest[:, signal, 0] += np.where(counts, np.minimum(ratio, AT_MOST), 0.0)
        state.unrest[:, signal, 1] += counts
    _open(state, np.arange(len(running)), w, running, k)


def forget(state: State, rows: Ints, k: int) -> None:
    """Begin all windows of some sumps anew, in place: what they held was settled."""
    for w in range(state.windows.shape[2]):
        _open(state, rows, w, state.run_belief, k)


def bridge(state: State, fixed: Fixed, rows: Ints, running: Floats, told: Flags, k: int) -> None:
    """Carry the windows of some sumps over a filling, in place: the estimate now stands where its gauges do.

    `running` is the share of the hold-up that is out, `told` where the refractometer was heard (n,).
    """
    errors, windows, many = state.errors[rows], state.windows[rows], len(REAL_SD)
    days = (k + 0.5 - windows[:, BEGUN]) / BINS_A_DAY
    factor = fixed.factor[rows, None]
    errors[:, VOLUME] = running[rows, None, None] * errors[:, HOLD_UP]
    errors[:, VOLUME, LEVEL_RAMP] += days * fixed.full_l[rows, None]
    strength = -factor[..., None] * errors[:, BIAS]
    strength[:, BRIX_RAMP] += days * factor
    errors[:, STRENGTH] = np.where(told[rows, None, None], strength, errors[:, STRENGTH])
    for suspect in (LEVEL_STUCK, BRIX_STUCK):
        errors[:, :, suspect] = 0.0
        state.fit[rows, suspect] = 0.0
        state.gram[rows, many * suspect : many * (suspect + 1)] = 0.0
        state.gram[rows, SQUARES + suspect] = 0.0
    windows[:, [LOST, GROWN, STILL]] = 0.0
    windows[:, RUNNING] = running[rows, None]
    state.errors[rows], state.windows[rows] = errors, windows


def _open(state: State, rows: Ints, w: int, running: Floats, k: int) -> None:
    state.errors[rows, :, :, w] = 0.0
    for suspect, column in ((IDLE_STEP, LN_IDLE), (RUN_STEP, LN_RUN), (DRAG_STEP, LN_DRAG)):
        state.errors[rows, column, suspect, w] = -1.0
    state.fit[rows, :, w] = 0.0
    state.gram[rows, :, w] = 0.0
    state.windows[rows, :, w] = 0.0
    state.windows[rows, BEGUN, w] = float(k)
    state.windows[rows, RUNNING, w] = running[rows]


def fade(state: State, job: float, weather: float) -> None:
    """Let errors of job and weather fade as these do, in place."""
    for column, keep in ((JOB, job), (WEATHER, weather)):
        if keep != 1.0:
            state.errors[:, column] *= keep


def carry(
    state: State, volume_row: Floats, strength_row: Floats, strength_before: Floats, lost_l: Floats, anchored: Flags
) -> None:
    """Let a bin pass over the errors, in place: gradients of the balance (n, 11), strength before it, litres lost.

    Where the volume is `anchored` to the gauge (a valve keeps it there) no error of it is left.
    """
    errors = sumps_last(state.errors)
    volume, strength = _along(errors, volume_row), _along(errors, strength_row)
    if anchored.any():
        volume[..., anchored] = 0.0
    errors[VOLUME], errors[STRENGTH] = volume, strength
    state.windows[:, LOST] += lost_l[:, None]
    state.windows[:, GROWN] += (state.mean[:, STRENGTH] - strength_before)[:, None]
    state.windows[:, BINS] += 1.0
    state.windows[:, STILL] += 1.0


def weigh_level(state: State, fixed: Fixed, look: Look, running: Floats, use: Flags, k: int) -> None:
    """Hold what each suspect predicts of the level's innovation against it, in place.

    `running` is the share of the hold-up that is out, `use` where the level is taken in.
    """
    errors, window = sumps_last(state.errors), sumps_last(state.windows)
    predicted = errors[HOLD_UP] * _single(running)
    predicted -= errors[VOLUME]
    predicted[LEVEL_RAMP] += _single((k + 0.5 - window[BEGUN]) / BINS_A_DAY * fixed.full_l)
    held = (running - window[RUNNING]) * state.mean[:, HOLD_UP]
    predicted[LEVEL_STUCK] += _single(window[LOST] + held)
    _weigh(state, predicted, look, use)


def weigh_brix(state: State, fixed: Fixed, look: Look, use: Flags, k: int) -> None:
    """Do the same for the refractometer's innovation."""
    errors, window = sumps_last(state.errors), sumps_last(state.windows)
    predicted = errors[STRENGTH] * _single(-1.0 / fixed.factor)
    predicted -= errors[BIAS]
    predicted[BRIX_RAMP] += _single((k + 0.5 - window[BEGUN]) / BINS_A_DAY)
    predicted[BRIX_STUCK] -= _single(window[GROWN] / fixed.factor)
    _weigh(state, predicted, look, use)


def _weigh(state: State, predicted: Singles, look: Look, use: Flags) -> None:
    """Add up what is predicted (suspects, windows, n), in its place, and let the errors follow what was seen."""
    weight = np.where(use, 1.0 / np.sqrt(look.total), 0.0)
    predicted *= _single(weight)
    scratch = predicted * _single(np.clip(look.residual * weight, -CLIPPED, CLIPPED))
    fit = sumps_last(state.fit)
    fit += scratch
    _add_products(sumps_last(state.gram), predicted)
    _shift(sumps_last(state.errors), predicted, _single(sumps_last(look.along) * weight), scratch)


def _add_products(gram: Singles, predicted: Singles) -> None:
    """Add products to the sums: each fault of a gauge by each rate that changed, squares, rates by one another."""
    gauges, rates = predicted[:IDLE_STEP], predicted[REAL]
    for i, gauge in enumerate(gauges):
        gram[len(rates) * i : len(rates) * (i + 1)] += gauge * rates
    gram[SQUARES:CROSSES] += predicted * predicted
    gram[CROSSES : CROSSES + 2] += rates[0] * rates[1:]
    gram[CROSSES + 2] += rates[1] * rates[2]


def _shift(errors: Singles, by: Singles, gain: Singles, scratch: Singles) -> None:
    """Add `by` (suspects, windows, n) times each state's gain (11, n) to the errors, in place."""
    for column in np.flatnonzero(gain.any(axis=1)):
        np.multiply(by, gain[column], out=scratch)
        errors[column] += scratch


def follow(state: State, column: int, along: Floats, total: Floats, use: Flags) -> None:
    """Let the errors follow what was learnt of one state from elsewhere, in place."""
    errors = sumps_last(state.errors)
    gain = np.where(use, -sumps_last(along) / total, 0.0)
    by = errors[column].copy()
    _shift(errors, by, _single(gain), np.empty_like(by))


def judge(state: State, suspect: int) -> Verdict:
    """Return how likely one fault is against rates that changed; one that sticks is as large as it is."""
    force, mass = _alone(state, suspect)
    stuck = suspect in (LEVEL_STUCK, BRIX_STUCK)
    old = (state.windows[:, STILL if stuck else BINS] >= YOUNGEST_BINS) & (mass > 0.0)
    sure = np.where(old, mass, 1.0)
    size = np.where(old, force / sure, 0.0)
    ratio = np.where(old, 2.0 * force - mass if stuck else force * size, 0.0)
    best = ratio.argmax(axis=1)
    rows = np.arange(len(best))
    usual = unrest(state, 1 if suspect in (BRIX_RAMP, BRIX_STUCK) else 0)
    return Verdict(ratio[rows, best] / usual, size[rows, best], usual / sure[rows, best], best)


def unrest(state: State, signal: int) -> Floats:
    """Return by how much the ratios of a sump's windows exceed what chance alone brings (n,), at least 1."""
    total, number = state.unrest[:, signal, 0], state.unrest[:, signal, 1]
    return np.asarray(np.maximum((USUAL * USUAL_COUNTS + total) / (USUAL_COUNTS + number) / USUAL, 1.0))


def know_better(state: State, signal: int, rows: Ints) -> None:
    """Ask for more of sumps of which a slow fault was said that was none, or has passed, in place."""
    state.unrest[rows, signal] += (LEARNT * AT_MOST, LEARNT)


def settled(state: State, signal: int) -> Flags:
    """Tell which sumps have passed enough windows to know what is usual."""
    return np.asarray(state.unrest[:, signal, 1] >= SETTLED)


def take_back(state: State, suspect: int, verdict: Verdict, rows: Ints) -> None:
    """Take out of the estimates what a fault brought into them, in place, and be less sure by what is unsure of it."""
    errors = state.errors[rows, :, suspect, verdict.window[rows]].astype(np.float64)
    stuck = suspect in (LEVEL_STUCK, BRIX_STUCK)
    size = np.ones(len(rows)) if stuck else verdict.size[rows]
    doubt = np.maximum(np.sqrt(verdict.var[rows]), 0.3 * np.abs(size))
    state.mean[rows] -= size[:, None] * errors
    spread = doubt[:, None] * errors
    state.cov[rows] += spread[:, :, None] * spread[:, None, :]


def _alone(state: State, suspect: int) -> tuple[Floats, Floats]:
    """Return force and mass of a suspect beyond what changed rates explain (n, windows)."""
    gram, fit = state.gram.astype(np.float64), state.fit.astype(np.float64)
    many = len(REAL_SD)
    shared = gram[:, many * suspect : many * (suspect + 1)]
    share = _solved(gram[:, SQUARES + IDLE_STEP : CROSSES], gram[:, CROSSES:], shared)
    force = fit[:, suspect] - (share * fit[:, REAL]).sum(axis=1)
    mass = gram[:, SQUARES + suspect] - (share * shared).sum(axis=1)
    return np.asarray(force), np.asarray(mass)


def _solved(squares: Floats, crosses: Floats, right: Floats) -> Floats:
    """Return x of A x = right ((n, 3, windows) each) by elimination, A being the products of the rates and their prior.

    A is symmetric and positive, so that no pivot is looked for.
    """
    a, b, c = np.moveaxis(squares + (REAL_SD**-2.0)[:, None], 1, 0)
    ab, ac, bc = np.moveaxis(crosses, 1, 0)
    x, y, z = np.moveaxis(right, 1, 0)
    to_b, to_c = ab / a, ac / a
    b, bc, c = b - to_b * ab, bc - to_b * ac, c - to_c * ac
    y, z = y - to_b * x, z - to_c * x
    last = (z - bc / b * y) / (c - bc / b * bc)
    middle = (y - bc * last) / b
    return np.stack([(x - ab * middle - ac * last) / a, middle, last], axis=1)


def _along(errors: Singles, rows: Floats) -> Singles:
    """Return the errors (11, suspects, windows, n) summed up along gradients (n, 11)."""
    gradient = _single(sumps_last(rows))
    columns = [column for column in range(WIDTH) if gradient[column].any()]
    total: Singles = np.zeros_like(errors[0])
    scratch = np.empty_like(total)
    for column in columns:
        total += np.multiply(errors[column], gradient[column], out=scratch)
    return total


def _single(array: Floats) -> Singles:
    return np.asarray(array, dtype=np.float32)
