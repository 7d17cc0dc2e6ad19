"""A watch on losses that jump: a leak, a stuck valve, an overflow, or a job that takes far more than any before.

One-sided cumulative sums of the level's normalised residuals (Page 1954; k = 0.3, h = 9) free the leak and the rates
when the level falls faster (or slower) than they explain. Run lengths: tests/published/test_cusum.py.
Losses while the machine stands are watched apart (`nights`): slow leaks show there.
Columns of `State.leak_watch`: FALLING RISING LEAKING (grows to one while a leak shows) SINCE HEARD (bins with a level)
ROSE (bin since when the falling sum stands above zero) FREED (ROSE of the first time it freed the leak that shows now)
STOOD (bins with a level since then in which the machine stood).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model import nights
from monitor.model.kalman import measure
from monitor.model.layout import BIN_S, BINS_A_DAY, LEAK, LN_DRAG, LN_RUN, WIDTH, Fixed, Flags, Floats
from monitor.model.state import State

FALLING, RISING, LEAKING, SINCE, HEARD, ROSE, FREED, STOOD = range(8)
SLACK: Final = 0.3
LIMIT: Final = 9.0
FREED_LEAK: Final = 0.003
FREED_RATE: Final = 0.15
SAID: Final = 0.0012
OVER: Final = 0.0004
LASTS_BINS: Final = 16.0
UNSURE_LASTS_BINS: Final = 36.0
RUNS_LASTS_BINS: Final = 24.0
STOOD_BINS: Final = 8.0
"""A leak is said after it has shown for four hours, if the machine stood for two since it began: a job that takes much
does not show then. It takes six where the machine runs on, nine where its running is only guessed."""
NO_JOB: Final = 0.0035  # of full an hour: no job takes so much more than the one before
NOTHING: Final = 1e-5
REMEMBERED_BINS: Final = 2.0 * BINS_A_DAY
"""For so long what first freed a leak tells when it began."""
SETTLED_BINS: Final = 1.0 * BINS_A_DAY
UNSURE_SETTLED_BINS: Final = 4.0 * BINS_A_DAY
"""Before so many bins with a level nobody knows what a sump usually loses."""
WELL_KNOWN_BINS: Final = 4.0 * BINS_A_DAY
EARLY: Final = 0.003  # of full an hour: what may be said before usual losses are well known
NIGHT_BINS: Final = 1.5 * BINS_A_DAY
SLOW_SD: Final = 0.3
SLOW_BINS: Final = 4.0 * BINS_A_DAY  # further back than this nights tell no beginning


def summed(sums: Floats, score: Floats, slack: float = SLACK) -> Floats:
    """Return Page's one-sided sums after one more score: max(0, sum + score - slack), all in standard deviations."""
    return np.asarray(np.maximum(0.0, sums + score - slack))


def watch_losses(state: State, fixed: Fixed, score: Floats, use: Flags, stands: Flags, k: int) -> None:
    """Add one bin's normalised level residual (n,) to the sums and free what may have jumped, in place.

    `use` is where the level is believed, `stands` where the machine stood.
    """
    watch = state.leak_watch
    watch[:, HEARD] += use
    clipped = np.clip(score, -3.0, 3.0)
    watch[:, FALLING] = np.where(use, summed(watch[:, FALLING], -clipped), watch[:, FALLING])
    watch[:, RISING] = np.where(use, summed(watch[:, RISING], clipped), watch[:, RISING])
    watch[:, ROSE] = np.where(watch[:, FALLING] > 0.0, watch[:, ROSE], float(k + 1))
    falls = watch[:, FALLING] > LIMIT
    anew = falls & (state.mean[:, LEAK] < OVER * fixed.full_l)
    watch[:, FREED] = np.where(anew, watch[:, ROSE], watch[:, FREED])
    watch[:, STOOD] = np.where(anew, 0.0, watch[:, STOOD] + (use & stands))
    rises = (watch[:, RISING] > LIMIT) & (state.mean[:, LEAK] > OVER * fixed.full_l)
    freed = falls | rises
    state.cov[:, LEAK, LEAK] += np.where(freed, (FREED_LEAK * fixed.full_l) ** 2, 0.0)
    for column in (LN_RUN, LN_DRAG):
        state.cov[:, column, column] += np.where(falls, FREED_RATE**2, 0.0)
    watch[:, FALLING] = np.where(freed, 0.0, watch[:, FALLING])
    watch[:, RISING] = np.where(freed | (watch[:, RISING] > LIMIT), 0.0, watch[:, RISING])


def keep_positive(state: State, fixed: Fixed) -> None:
    """Nothing leaks in: where the leak came out below zero it is taken for none, and the rates take the rest over."""
    below = state.mean[:, LEAK] < -NOTHING * fixed.full_l
    if not below.any():
        return
    rows = np.zeros((len(below), WIDTH))
    rows[:, LEAK] = 1.0
    measure(state.mean, state.cov, rows, -state.mean[:, LEAK], (NOTHING * fixed.full_l) ** 2, np.asarray(below))


def begin_slow(state: State, rows: Flags) -> None:
    """Let what goes too much while the machine stands be a leak, in place."""
    if not rows.any():
        return
    excess = state.nights[:, nights.EXCESS]
    gradient = np.zeros((len(rows), WIDTH))
    gradient[:, LEAK] = 1.0
    state.cov[:, LEAK, LEAK] += np.where(rows, excess**2, 0.0)
    measure(state.mean, state.cov, gradient, excess - state.mean[:, LEAK], (SLOW_SD * excess) ** 2 + 1e-12, rows)


def judge_leaks(state: State, fixed: Fixed, slow: Flags, k: int) -> Flags:
    """Return which sumps just began to leak; remember since when, and when it is over."""
    sd = np.sqrt(np.maximum(state.cov[:, LEAK, LEAK], 0.0))
    leak = state.mean[:, LEAK]
    was = state.leak_watch[:, LEAKING] >= 1.0
    sure = (state.leak_watch[:, STOOD] >= STOOD_BINS) | (leak > NO_JOB * fixed.full_l)
    lasting = np.where(sure, LASTS_BINS, RUNS_LASTS_BINS)
    needed = np.where(fixed.has_running, lasting, UNSURE_LASTS_BINS)
    bins_a_level = np.where(fixed.has_level, np.maximum(fixed.level_period_s / BIN_S, 1.0), 1.0)
    heard = state.leak_watch[:, HEARD] * bins_a_level
    known = heard >= np.where(fixed.has_running, SETTLED_BINS, UNSURE_SETTLED_BINS)
    least = np.where(heard < WELL_KNOWN_BINS, EARLY, SAID)
    shows = known & (leak > least * fixed.full_l) & (leak > np.where(leak > NO_JOB * fixed.full_l, 2.5, 4.0) * sd)
    shows &= state.valve[:, 0] == 0.0  # what a valve fills up again no level shows
    shows &= fixed.has_running | nights.agrees(state, leak, k, NIGHT_BINS)
    lasts = np.where(shows, np.minimum(state.leak_watch[:, LEAKING] + 1.0 / needed, 1.0), 0.0)
    over = leak < OVER * fixed.full_l
    began = ~was & ((lasts > 0.999) | slow)
    state.leak_watch[:, LEAKING] = np.where(was | began, np.where(over & ~slow, 0.0, 1.0), lasts)
    state.leak_watch[:, SINCE] = np.where(began, _since(state, slow, needed, k), state.leak_watch[:, SINCE])
    return np.asarray(began)


def _since(state: State, slow: Flags, needed: Floats, k: int) -> Floats:
    """Return the bin in which what now shows began to be lost: where the sum that told it last stood at zero (n,)."""
    freed = state.leak_watch[:, FREED]
    told = np.where(slow, np.maximum(state.nights[:, nights.ROSE], k - SLOW_BINS), freed)
    known = slow | (k - freed <= needed + REMEMBERED_BINS)
    return np.asarray(np.where(known, np.minimum(told, float(k)), float(k) - needed))
