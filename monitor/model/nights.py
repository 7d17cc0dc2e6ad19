"""What goes while the machine stands, stretch by stretch: a slow leak shows there first, and any leak shows there too.

While a machine stands its level falls by evaporation alone, along a line. The slope of each stretch of some hours is
fitted and held against what the sump's earlier stretches told; Page's cumulative sum of the normalised excess (slack
0.5, limit 7; run lengths in tests/published/test_cusum.py) finds a loss too small to stand out in a day. It is no
filter of the filter's: rates that learn cannot learn it away.
Columns of `State.nights`: FIRST (bin) COUNT T Y TT TY VAR (sums over the stretch: hours and litres from its first
level, variance of a level) ORIGIN (litres) AIR (sum of what the weather does to evaporation) USUAL (litres an hour)
SPREAD (how far stretches lie from it, squared) KNOWN (stretches) SUM EXCESS (litres an hour, of the last stretch) ENDED
(bin) ROSE (first bin of the stretch with which the sum left zero).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model.layout import WEATHER, Fixed, Flags, Floats
from monitor.model.state import State
from monitor.model.watch import Seen

FIRST, COUNT, T, Y, TT, TY, VAR, ORIGIN, AIR, USUAL, SPREAD, KNOWN, SUM, EXCESS, ENDED, ROSE = range(16)
STANDS: Final = 0.05
DRAINED: Final = 0.02
RUNS: Final = 0.3
LEAST_H: Final = 3.5
LEAST_BINS: Final = 8.0
LONGEST_BINS: Final = 64.0
SETTLED: Final = 3.0
MEMORY: Final = 14.0
VARIES: Final = 0.25  # of what is usual, and of a still sump's first guess: nights differ by their air
STILL: Final = 0.0006  # of full an hour
SLACK: Final = 0.5
LIMIT: Final = 7.0
PRIOR: Final = 3.0
LEAST: Final = 0.0008  # of full an hour
CALM: Final = 2.0
MOST_Z: Final = 4.0
WILD: Final = 2.5


def watch(state: State, fixed: Fixed, level: Seen, running: Floats, use: Flags, broken: Flags, k: int) -> Flags:
    """Go on with the stretches, in place; tell which sumps' standing losses have just become too many.

    `level` is believed where `use`; `broken` is where somebody filled or took out, or a valve may have opened (n,).
    """
    night, value = state.nights, level.value
    ended = (night[:, COUNT] > 0) & (broken | (running > RUNS) | (k - night[:, FIRST] >= LONGEST_BINS))
    over = _close(night, fixed, ended & ~broken, k) if ended.any() else np.zeros(len(value), dtype=np.bool_)
    night[ended, FIRST : AIR + 1] = 0.0
    stands = use & (running < STANDS) & (level.running < DRAINED) & ~broken
    fresh = stands & (night[:, COUNT] == 0)
    night[:, FIRST] = np.where(fresh, float(k), night[:, FIRST])
    night[:, ORIGIN] = np.where(fresh, value, night[:, ORIGIN])
    hours, litres = 0.25 * (k - night[:, FIRST]), value - night[:, ORIGIN]
    for column, what in (
        (COUNT, np.ones_like(value)),
        (T, hours),
        (Y, litres),
        (TT, hours**2),
        (TY, hours * litres),
        (VAR, level.var),
        (AIR, np.exp(state.mean[:, WEATHER])),
    ):
        night[:, column] += np.where(stands, what, 0.0)
    return np.asarray(over)


def _close(night: Floats, fixed: Fixed, rows: Flags, k: int) -> Flags:
    """Hold the slopes of finished stretches against the usual; tell which sums went over the limit."""
    count = np.maximum(night[:, COUNT], 1.0)
    across = night[:, TT] - night[:, T] ** 2 / count
    spans = np.sqrt(12.0 * np.maximum(across, 0.0) / count)
    good = rows & (night[:, COUNT] >= LEAST_BINS) & (spans >= LEAST_H)
    safe = np.where(good, across, 1.0)
    air = np.maximum(night[:, AIR] / count, 0.3)
    lost = -(night[:, TY] - night[:, T] * night[:, Y] / count) / safe / air
    usual, known = night[:, USUAL], night[:, KNOWN]
    swing = VARIES * np.maximum(usual, STILL * fixed.full_l)
    spread = np.where(known > 0.0, (PRIOR * swing**2 + known * night[:, SPREAD]) / (PRIOR + known), swing**2)
    sd = np.sqrt(np.maximum(night[:, VAR] / count / safe, 0.0) + spread * (1.0 + 1.0 / np.maximum(known, 1.0)))
    judged = good & (known >= SETTLED)
    z = np.where(judged, np.clip((lost - usual) / sd, -MOST_Z, MOST_Z), 0.0)
    total = np.where(judged, np.maximum(0.0, night[:, SUM] + z - SLACK), night[:, SUM])
    night[:, ROSE] = np.where(judged & (night[:, SUM] == 0.0), night[:, FIRST], night[:, ROSE])
    over = judged & (total > LIMIT) & (lost - usual > LEAST * fixed.full_l)
    learns = good & (total < CALM)
    pace = 1.0 / np.minimum(known + 1.0, MEMORY)
    night[:, EXCESS] = np.where(judged, lost - usual, night[:, EXCESS])
    night[:, ENDED] = np.where(judged, float(k), night[:, ENDED])
    # what was said once is from then on usual: it is said again only if it grows
    night[:, USUAL] = np.where(over, lost, np.where(learns, usual + pace * (lost - usual), usual))
    off = np.where(good & (known >= 1.0), np.minimum((lost - usual) ** 2, (WILD * sd) ** 2), night[:, SPREAD])
    night[:, SPREAD] += pace * (off - night[:, SPREAD])
    night[:, KNOWN] = np.where(learns, known + 1.0, known)
    night[:, SUM] = np.where(over, 0.0, np.minimum(total, 2.0 * LIMIT))
    return np.asarray(over)


def agrees(state: State, leak: Floats, k: int, within_bins: float) -> Flags:
    """Tell where the last stretch, if there was one lately, lost at least half of a leak (litres an hour) more."""
    recent = k - state.nights[:, ENDED] <= within_bins
    return np.asarray(~recent | (state.nights[:, EXCESS] > 0.5 * leak))
