"""A sump's own past forecasts, scored: how far volume and strength came out from where they were expected a day before.

Every six hours the course of the next 24 h is foretold with its deviation and kept; when the day is over and nobody has
touched the sump, the squared normalised error goes into the sump's record. The root of its mean, drawn towards a prior
of `PRIOR_CASES`, is the factor by which the sump's futures are spread.
`State.told` (n, 4, 5) holds by slot: the due bin, volume and its deviation, ln strength and its deviation.
`State.score` (n, 4): sum of squares, cases, cases inside the 80 % interval, hits; all fade over some weeks.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model import jumps, warmth
from monitor.model.forecast import EDGES_H, STEP_H, Ahead
from monitor.model.kalman import spread
from monitor.model.layout import (
    CARRY,
    JOB,
    LEAK,
    LN_DRAG,
    LN_IDLE,
    LN_RUN,
    STRENGTH,
    VOLUME,
    WEATHER,
    WIDTH,
    Fixed,
    Floats,
    added,
    zeros,
)
from monitor.model.state import JOB_SD, State

EVERY_BINS: Final = 24
AHEAD_H: Final = 24.0
AHEAD_BINS: Final = 96
STEPS: Final = int(np.searchsorted(EDGES_H, AHEAD_H))
PRIOR_CASES: Final = 60.0
PRIOR_WIDTH: Final = 1.35
"""Wider than the model's own: what estimates share of an error that lasts does not show when one is held against
another (over invented halls a tenth more spread lets four of five intervals hold the truth)."""
FADES: Final = 1.0 - 1.0 / 100.0
WEATHER_DAY_SD: Final = 0.09
SHARE_SD: Final = 0.1
WANDERS: Final = 0.004  # what the estimate of ln strength itself wanders in a day
Z80: Final = 1.2816
NARROWEST: Final = 0.85
WIDEST: Final = 2.2
WORST: Final = 25.0
TOLD_FROM: Final = 20.0  # of fewer the share says little: intervals that lie close together miss together
DUE, VOLUME_TOLD, VOLUME_SD, LN_TOLD, LN_SD = range(5)
SQUARES, CASES, INSIDE, INSIDE_OF = range(4)


def keep_score(state: State, fixed: Fixed, ahead: Ahead, k: int) -> None:
    """Score what was foretold for bin k and foretell the next day, in place."""
    slot = (k // EVERY_BINS) % state.told.shape[1]
    _score(state, state.told[:, slot], k)
    state.told[:, slot] = _foretell(state, fixed, ahead, k)


def widths(state: State) -> Floats:
    """Return the factor for each sump's spread (n,)."""
    squares, cases = state.score[:, SQUARES], state.score[:, CASES]
    return np.asarray(
        np.clip(np.sqrt((PRIOR_CASES * PRIOR_WIDTH**2 + squares) / (PRIOR_CASES + cases)), NARROWEST, WIDEST)
    )


def coverage(state: State) -> Floats:
    """Return the share of each sump's own 80 % intervals of a day that held (n,), NaN before enough were scored."""
    of = state.score[:, INSIDE_OF]
    return np.asarray(np.where(of >= TOLD_FROM, state.score[:, INSIDE] / np.maximum(of, 1.0), np.nan))


def _score(state: State, told: Floats, k: int) -> None:
    made = k - AHEAD_BINS
    untouched = (state.jump[:, jumps.CONFIRMED] < made) & (state.level_odd[:, 0] == 0) & (state.brix_odd[:, 0] == 0)
    asked = (told[:, DUE] == k) & untouched & (state.valve[:, 0] == 0)
    ln_now = np.log(np.maximum(state.mean[:, STRENGTH], 0.1))
    for column, seen, middle, deviation in (
        (0, state.mean[:, VOLUME], told[:, VOLUME_TOLD], told[:, VOLUME_SD]),
        (1, ln_now, told[:, LN_TOLD], told[:, LN_SD]),
    ):
        # what no instrument told meanwhile came out as foretold because nobody looked
        due = asked & (k - state.last_bin[:, column] < AHEAD_BINS)
        z = np.where(due, (seen - middle) / np.maximum(deviation, 1e-9), 0.0)
        fade = np.where(due, FADES, 1.0)
        for part, what in (
            (SQUARES, np.minimum(z**2, WORST)),
            (CASES, np.ones(len(z))),
            (INSIDE, (np.abs(z) <= Z80) * 1.0),
            (INSIDE_OF, np.ones(len(z))),
        ):
            state.score[:, part] = state.score[:, part] * fade + np.where(due, what, 0.0)


def _foretell(state: State, fixed: Fixed, ahead: Ahead, k: int) -> Floats:
    """Return the five columns of `told`: the mean course of a day and its deviation by the first-order gradients."""
    mean = state.mean
    share, hours = ahead.share[:, :STEPS], STEP_H[:STEPS]
    curve = warmth.ahead(state, ahead.hour[:STEPS]) * hours
    air = np.exp(mean[:, WEATHER] + warmth.anomaly(state))
    idle = np.exp(mean[:, LN_IDLE]) * air * added((1.0 - share) * curve)
    run = np.exp(mean[:, LN_RUN]) * air * added(share * curve)
    drag = np.exp(mean[:, LN_DRAG] + mean[:, JOB]) * added(share * hours)
    leak = AHEAD_H * mean[:, LEAK]
    volume = np.maximum(mean[:, VOLUME] - idle - run - drag - leak, 0.02 * fixed.full_l)
    middle = 0.5 * (volume + mean[:, VOLUME])
    rows = zeros(len(volume), WIDTH)
    for column, lost in ((LN_IDLE, idle), (LN_RUN, run), (LN_DRAG, drag), (WEATHER, idle + run), (JOB, drag)):
        rows[:, column] = lost
    stirred = SHARE_SD * (run + drag)
    chance = (JOB_SD * drag) ** 2 + (WEATHER_DAY_SD * (idle + run)) ** 2
    level_rows = -rows
    level_rows[:, VOLUME], level_rows[:, LEAK] = 1.0, -AHEAD_H
    rich_rows = rows / middle[:, None]
    rich_rows[:, LN_DRAG] = rich_rows[:, JOB] = -(CARRY - 1.0) * drag / middle
    told = np.empty((len(volume), 5))
    told[:, DUE] = k + AHEAD_BINS
    told[:, VOLUME_TOLD] = volume
    told[:, VOLUME_SD] = np.sqrt(_spread(state.cov, level_rows) + chance + stirred**2)
    told[:, LN_TOLD] = np.log(np.maximum(mean[:, STRENGTH], 0.1)) + (idle + run - (CARRY - 1.0) * drag) / middle
    vapour_chance = (WEATHER_DAY_SD * (idle + run)) ** 2 + (SHARE_SD * run) ** 2
    told[:, LN_SD] = np.sqrt(_spread(state.cov, rich_rows) + vapour_chance / middle**2 + WANDERS**2)
    return told


def _spread(cov: Floats, rows: Floats) -> Floats:
    return np.asarray(np.maximum(spread(cov, rows), 0.0))
