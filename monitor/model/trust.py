"""What is done with a signal that is doubted: how much of it is still heard, and what stands in for it.

A signal that sticks or belongs to another sump is not heard at all: the sump lives off the other one, as if it had no
such sensor. A level that drifts or has another scale still shows fillings; what it drifts is taken off it. A
refractometer that drifts or jumped is heard with a bias that is free to go along. A running signal that sticks is not
heard: the level's hold-up steps and the calendar tell.

`State.said` (n, 3) holds why, for level, refractometer, running. `State.doubted` (n, 3, 3): SINCE which bin, the LAST
one that spoke for it, how far AWAY the signal was then. `State.offset` (n, 2): litres taken off the level; degrees Brix
a day by which the refractometer drifts.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from monitor.model.bins import UNSURE, Bin
from monitor.model.layout import BIAS, VOLUME, Fixed, Flags, Floats
from monitor.model.state import State
from monitor.model.watch import Seen

LEVEL, BRIX, SWITCH = range(3)
BELIEVED, STUCK, ODD, DRIFTED, JUMPED, FROZEN, SWAPPED, SCALED, NOISY, STILL, SWINGING = range(11)
SINCE, LAST, AWAY = range(3)
UNHEARD: Final = (STUCK, FROZEN, SWAPPED, SWINGING)
FOLLOWED: Final = (DRIFTED, SCALED)
FREE_BIAS: Final = (DRIFTED, JUMPED, SCALED, ODD)
FREE_BIAS_A_DAY: Final = 0.4  # degrees Brix, a square root of a day
FOLLOWS: Final = 0.15


def unheard(state: State, column: int) -> Flags:
    """Tell whose signal is not heard at all (n,)."""
    return np.asarray(np.isin(state.said[:, column], UNHEARD))


def heard(state: State, fixed: Fixed, seen: Bin) -> tuple[Bin, Fixed]:
    """Return what is left of a bin, and of what each sump has, without what is not believed."""
    if not state.said.any():
        return seen, fixed
    level, brix, running = unheard(state, LEVEL), unheard(state, BRIX), state.said[:, SWITCH] > 0
    believed = replace(
        seen,
        level_n=np.where(level[:, None], 0.0, seen.level_n),
        brix_n=np.where(brix, 0.0, seen.brix_n),
        running=np.where(running, np.nan, seen.running),
    )
    sensed = replace(
        fixed,
        has_level=fixed.has_level & ~level,
        has_refractometer=fixed.has_refractometer & ~brix,
        has_running=fixed.has_running & ~running,
    )
    return believed, sensed


def unsorted(state: State, seen: Bin) -> Bin:
    """Return a bin whose levels are not told apart by a running signal that is doubted."""
    doubted = state.said[:, SWITCH] > 0
    if not doubted.any():
        return seen
    count = seen.level_n.sum(axis=1)
    middle = (np.nan_to_num(seen.level_l) * seen.level_n).sum(axis=1) / np.maximum(count, 1.0)
    level_l, level_n = seen.level_l.copy(), seen.level_n.copy()
    level_l[doubted], level_n[doubted] = np.nan, 0.0
    level_l[doubted, UNSURE] = np.where(count > 0, middle, np.nan)[doubted]
    level_n[doubted, UNSURE] = count[doubted]
    return replace(seen, level_l=level_l, level_n=level_n)


def level_heard(state: State, level: Seen) -> Seen:
    """Return the level without its drift; not there where it is not heard."""
    return replace(level, value=level.value - state.offset[:, LEVEL], there=level.there & ~unheard(state, LEVEL))


def level_last_heard(state: State) -> Floats:
    """Return the litres on each gauge, without its drift, in the last bin in which it said something (n,)."""
    return np.asarray(state.last_seen[:, LEVEL] - state.offset[:, LEVEL])


def followed(state: State) -> Flags:
    """Tell whose level shows steps only (n,)."""
    return np.asarray(np.isin(state.said[:, LEVEL], FOLLOWED))


def follow(state: State, residual: Floats, use: Flags, k: int) -> None:
    """Let the offset of a followed level go along with what it shows, in place; at first all the way."""
    pace = np.where(k - state.doubted[:, LEVEL, SINCE] <= 1.0, 1.0, FOLLOWS)
    moved = np.where(use & followed(state), pace * residual, 0.0)
    state.offset[:, LEVEL] += moved
    falls = np.minimum(moved, 0.0)
    state.cov[:, VOLUME, VOLUME] += falls**2  # it may be a leak after all


def drift(state: State, hours: float) -> None:
    """Let the bias of a doubted refractometer go its way, in place."""
    free = np.isin(state.said[:, BRIX], FREE_BIAS)
    state.mean[:, BIAS] += np.where(free, state.offset[:, BRIX] * hours / 24.0, 0.0)
    state.cov[:, BIAS, BIAS] += np.where(free, FREE_BIAS_A_DAY**2 * hours / 24.0, 0.0)


def hear_again(state: State, residual: Floats, column: int, rows: Flags) -> None:
    """Hear a signal again, in place: what it shows now lies within what is held possible."""
    state.said[rows, column] = BELIEVED
    off = np.where(rows, residual, 0.0)
    if column == LEVEL:
        state.cov[:, VOLUME, VOLUME] += off**2
    elif column == BRIX:
        state.cov[:, BIAS, BIAS] += off**2
        state.offset[rows, BRIX] = 0.0
