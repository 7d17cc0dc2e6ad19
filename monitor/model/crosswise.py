"""Levels that changed places, told by what came after: each gauge moves when the other's sump does, the other way.

Where two gauges showed nearly the same as they were exchanged, the exchange itself does not stand out (`swaps`). From
then on each start and stop shows in the wrong sump: where one gauge should have moved and did not, it is off one way,
and the other one, which moved without a reason, is off the other way at the same time and by as many millimetres.
Twice in turn, with a machine that started or stopped as its own gauge denies, or three times: nothing that happens to
fluid does that.

`State.leaps` (n, 4, 3): the last jumps of a level, newest first: WHEN (bin), RISE (millimetres of the gauge, or what it
shows), AGAINST (1 where the machine had just started or stopped and the gauge moved the other way than the hold-up).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model.layout import BINS_A_DAY, HOLD_UP, VOLUME, Fixed, Flags, Floats
from monitor.model.state import State
from monitor.model.swaps import Pairs
from monitor.model.toggles import RAN

WHEN, RISE, AGAINST = range(3)
NEAR_BINS: Final = 2.0
WITHIN_BINS: Final = 4.0 * BINS_A_DAY
TURNS: Final = 3
TURNS_AGAINST: Final = 2
BACK_BINS: Final = 4
TURNED: Final = 0.5
ALIKE: Final = 0.35
ALIKE_MM: Final = 5.0
UNSURE: Final = 0.03  # of full, after the volumes were put right


def note(state: State, fixed: Fixed, jumped: Flags, before_l: Floats, k: int) -> None:
    """Remember the levels that just jumped, in place; volumes before that, litres (n,)."""
    rows = np.flatnonzero(jumped)
    after_l = state.mean[:, VOLUME]
    rise = [np.diff(np.interp([before_l[i], after_l[i]], fixed.gauge_l[i], fixed.gauge_mm[i]))[0] for i in rows]
    ran = state.recent[rows, :, RAN]
    now, before = ran[:, k % ran.shape[1]], ran[:, (k - BACK_BINS) % ran.shape[1]]
    turned = np.where((now >= 0.0) & (before >= 0.0), now - before, 0.0)
    against = (np.abs(turned) > TURNED) & (turned * rise > 0.0)
    state.leaps[rows, 1:] = state.leaps[rows, :-1]
    state.leaps[rows, 0] = np.stack([np.full(len(rows), float(k)), np.array(rise), against * 1.0], axis=1)


def pairs(state: State, jumped: Flags, k: int) -> Pairs:
    """Return the pairs of sumps whose levels have just moved crosswise once more, and often enough."""
    believed, found = state.said[:, 0] == 0.0, set()
    for i in np.flatnonzero(jumped & believed):
        near = np.flatnonzero(believed & _crosswise(state.leaps[:, 0], state.leaps[i, 0]))
        found |= {(min(int(i), int(j)), max(int(i), int(j))) for j in near if _in_turn(state, int(i), int(j), k)}
    return sorted(found)


def _crosswise(leaps: Floats, mine: Floats) -> Flags:
    """Tell which jumps (m, 3) came with another one, the other way and as far (m,)."""
    apart = np.abs(leaps[:, RISE] + mine[RISE]) < ALIKE * np.abs(mine[RISE]) + ALIKE_MM
    return np.asarray((np.abs(leaps[:, WHEN] - mine[WHEN]) <= NEAR_BINS) & (leaps[:, RISE] * mine[RISE] < 0.0) & apart)


def _in_turn(state: State, i: int, j: int, k: int) -> bool:
    """Tell whether two levels jumped crosswise in turn."""
    turns, against, side = 0, False, 0.0
    for mine in state.leaps[i]:
        met = _crosswise(state.leaps[j], mine)
        if k - mine[WHEN] > WITHIN_BINS or not met.any() or mine[RISE] * side > 0.0:
            continue
        turns, side = turns + 1, mine[RISE]
        against |= bool(mine[AGAINST] or state.leaps[j, met, AGAINST].any())
    return turns >= (TURNS_AGAINST if against else TURNS)


def put_right(state: State, fixed: Fixed, shown_l: Floats, running: Floats, found: Pairs) -> None:
    """Give each of two sumps the volume that the other one's gauge shows, in place; litres last shown (n,).

    Both jumped within half an hour, so neither was last heard longer ago.
    """
    volumes = {}
    for pair in found:
        for i, j in (pair, pair[::-1]):
            shown_mm = np.interp(shown_l[j], fixed.gauge_l[j], fixed.gauge_mm[j])
            litres = np.interp(shown_mm, fixed.gauge_mm[i], fixed.gauge_l[i])
            volumes[i] = float(litres + running[i] * state.mean[i, HOLD_UP])
    for i, volume_l in volumes.items():
        state.mean[i, VOLUME] = volume_l
        state.cov[i, VOLUME, VOLUME] += (UNSURE * fixed.full_l[i]) ** 2
