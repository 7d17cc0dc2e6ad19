"""A signal far noisier than it ever was: the steps from bin to bin against the noise that was learnt of it.

What lies beyond three deviations is one step in a few hundred of a healthy signal, foam and chips apart, and every
other step of one whose noise is many times as large. `State.rough` (n, 2, 8), for level and refractometer: the last
bin's value BEFORE (NaN: none), the SHARE of far steps over some hours, their mean square TIMES the usual; the USUAL
mean square idle and running, and how many steps taught each (TAUGHT); whether the machine ran then (RAN). `State.calm`
(n, 4) keeps the noise that was learnt before a signal became noisy.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model.layout import Flags, Floats, Ints
from monitor.model.state import State

BEFORE, SHARE, TIMES, USUAL_IDLE, USUAL_RUN, TAUGHT_IDLE, TAUGHT_RUN, RAN = range(8)
FAR: Final = 3.0
PACE: Final = 1.0 / 16.0
FAR_SHARE: Final = 0.3
UNSURE_SHARE: Final = 0.15
MOST: Final = 150.0
FIRST_COUNTS: Final = 3.0
KNOWN_STEPS: Final = 60.0
SLOWEST: Final = 1.0 / 300.0
CLIPPED: Final = 12.0
QUIET: Final = 2.5
CLEAR: Final = 0.05
LOUDEST: Final = 100.0


def watch(state: State, column: int, value: Floats, lost: Floats, running: Floats, whole: Flags) -> None:
    """Hold a bin's value (litres at rest, degrees Brix; (n,)) against the last one less what was lost, in place.

    Only `whole` bins count, in which about as many samples came as should; of a level none while it drains back, and no
    step over a start or a stop, which shows how well the hold-up is known.
    """
    rough = state.rough[:, column]
    runs = running > 0.5
    clear = whole & ((running < CLEAR) | (running > 1.0 - CLEAR))
    step = value - rough[:, BEFORE] + lost
    use = clear & ~np.isnan(step)
    if column == 0:
        use &= runs == (rough[:, RAN] > 0.5)
    rough[:, RAN] = runs
    first = 2.0 * np.where(runs, state.noise[:, 2 * column + 1], state.noise[:, 2 * column])
    usual = np.where(runs, rough[:, USUAL_RUN], rough[:, USUAL_IDLE])
    taught = np.where(runs, rough[:, TAUGHT_RUN], rough[:, TAUGHT_IDLE])
    usual = np.where(usual > 0.0, usual, first)
    square = np.where(use, step, 0.0) ** 2 / usual
    far = (square > FAR**2) * 1.0
    known = use & (taught >= KNOWN_STEPS)
    rough[:, SHARE] += np.where(known, PACE * (far - rough[:, SHARE]), 0.0)
    rough[:, TIMES] += np.where(known, PACE * (np.minimum(square, MOST) - rough[:, TIMES]), 0.0)
    rough[:, BEFORE] = np.where(clear, value, np.nan)
    learns = use & (rough[:, SHARE] < UNSURE_SHARE) & (state.said[:, column] == 0)
    pace = np.maximum(1.0 / (FIRST_COUNTS + taught), SLOWEST)
    usual = usual * (1.0 + pace * (np.minimum(square, CLIPPED) - 1.0))
    for which, mine in ((USUAL_IDLE, ~runs), (USUAL_RUN, runs)):
        rough[:, which] = np.where(learns & mine, usual, rough[:, which])
        rough[:, which + 2] += learns & mine


def noisy(state: State, column: int) -> Flags:
    """Tell whose signal has become far noisier than it was (n,)."""
    return np.asarray(state.rough[:, column, SHARE] > FAR_SHARE)


def unsure(state: State, column: int) -> Flags:
    """Tell whose noise is not to be learnt now, since it may be a fault (n,)."""
    return np.asarray((state.rough[:, column, SHARE] > UNSURE_SHARE) & (state.calm[:, 2 * column] == 0.0))


def quiet(state: State, column: int) -> Flags:
    """Tell whose signal is as quiet again as it was (n,)."""
    return np.asarray((state.rough[:, column, TIMES] < QUIET) & (state.rough[:, column, SHARE] < UNSURE_SHARE))


def raise_noise(state: State, column: int, rows: Ints) -> None:
    """Keep what was usual and reckon with the noise that shows, in place."""
    both = slice(2 * column, 2 * column + 2)
    state.calm[rows, both] = state.noise[rows, both]
    state.noise[rows, both] *= np.clip(state.rough[rows, column, TIMES], 1.0, LOUDEST)[:, None]


def lower_noise(state: State, column: int, rows: Ints) -> None:
    """Return to the noise that was usual, in place."""
    both = slice(2 * column, 2 * column + 2)
    state.noise[rows, both] = state.calm[rows, both]
    state.calm[rows, both] = 0.0
