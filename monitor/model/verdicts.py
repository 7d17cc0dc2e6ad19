"""Each hour a verdict on the suspects: which gauges drift or stand still, against rates that really changed.

What a fault has brought into the estimate is taken out of it (`monitor.model.suspects`). More is asked for where
running is only guessed, and time where the level falls: a leak shows itself within hours.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model import leaks, suspects, toggles, valves
from monitor.model.layout import LEAK, Fixed, Flags, Floats, Ints
from monitor.model.state import State
from monitor.model.trust import AWAY, BELIEVED, BRIX, DRIFTED, FROZEN, LEVEL, SWITCH

RAMP_SURE: Final = (10.0, 12.5)  # level, refractometer
FROZEN_SURE: Final = 7.5
FROZEN_SIZE: Final = (0.6, 1.6)
LEAST_RAMP: Final = (0.006, 0.12)  # of full a day, degrees Brix a day
STEEPEST_RAMP: Final = (0.05, 0.8)  # what is faster is no drift
GUESSED: Final = 1.5
LASTS_H: Final = 2.0
FALLS_LAST_H: Final = 5.0
SUSPECTED: Final = (
    (LEVEL, suspects.LEVEL_RAMP, suspects.LEVEL_STUCK),
    (BRIX, suspects.BRIX_RAMP, suspects.BRIX_STUCK),
)


@dataclass(frozen=True, slots=True)
class Guilty:
    """Rows found guilty of one reason: size of the fault, bin since when, how sure."""

    column: int
    reason: int
    rows: Ints
    size: Floats
    since: Floats
    sure: Floats


def reach(state: State, fixed: Fixed, k: int) -> Iterator[Guilty]:
    """Give who is guilty after bin k, signal by signal, and take out of the estimates what came of it, in place."""
    for column, ramp, stuck in SUSPECTED:
        asked = _asked(state, fixed, column)
        if not asked.any():
            state.suspicion[:, column] = 0.0
            continue
        still, moving = suspects.judge(state, stuck), suspects.judge(state, ramp)
        frozen, drifts = _weigh(state, fixed, column, still, moving)
        frozen, drifts = frozen & asked, drifts & asked
        falls = drifts & (moving.size < 0.0) & (column == LEVEL)
        state.suspicion[:, column] = np.where(frozen | drifts, state.suspicion[:, column] + 1.0, 0.0)
        lasts = state.suspicion[:, column] >= np.where(falls, FALLS_LAST_H, LASTS_H)
        for suspect, verdict, which, reason in (
            (stuck, still, frozen & lasts, FROZEN),
            (ramp, moving, drifts & lasts, DRIFTED),
        ):
            rows = np.flatnonzero(which)
            if len(rows):
                yield _settle(state, column, suspect, verdict, rows, reason, k)


def _asked(state: State, fixed: Fixed, column: int) -> Flags:
    has = fixed.has_refractometer & state.strength_known if column == BRIX else fixed.has_level & state.level_known
    if column == LEVEL:
        has &= (state.valve[:, valves.FLAG] == 0) & (state.mean[:, LEAK] < leaks.SAID * fixed.full_l)
    asked = has & (state.said[:, column] == BELIEVED) & suspects.settled(state, column)
    return np.asarray(asked & (state.leak_watch[:, leaks.LEAKING] < 1.0))


def _weigh(
    state: State, fixed: Fixed, column: int, still: suspects.Verdict, moving: suspects.Verdict
) -> tuple[Flags, Flags]:
    """Return whose signal stands still and whose drifts."""
    more = np.where(fixed.has_running & (state.said[:, SWITCH] == BELIEVED), 1.0, GUESSED)
    if column == BRIX:  # without a level nobody knows how much should have gone
        more = np.where(fixed.has_level & (state.said[:, LEVEL] == BELIEVED), more, GUESSED * more)
    frozen = (still.ratio > FROZEN_SURE * more) & (still.size > FROZEN_SIZE[0]) & (still.size < FROZEN_SIZE[1])
    fast = np.abs(moving.size)
    drifts = ~frozen & (moving.ratio > RAMP_SURE[column] * more)
    drifts &= (fast > LEAST_RAMP[column]) & (fast < STEEPEST_RAMP[column])
    if column == LEVEL:  # one that shows starts and stops is not still: it drifts about as fast as its sump falls
        lives = toggles.alive(state)
        drifts |= frozen & lives & (moving.size > LEAST_RAMP[LEVEL])
        frozen &= ~lives
    return np.asarray(frozen), np.asarray(drifts)


def _settle(
    state: State, column: int, suspect: int, verdict: suspects.Verdict, rows: Ints, reason: int, k: int
) -> Guilty:
    suspects.take_back(state, suspect, verdict, rows)
    size = verdict.size[rows]
    since = state.windows[rows, suspects.BEGUN, verdict.window[rows]].copy()
    if column == BRIX:
        state.offset[rows, BRIX] = np.where(reason == DRIFTED, size, 0.0)
    state.doubted[rows, column, AWAY] = size
    suspects.forget(state, rows, k + 1)
    sure = np.clip(1.0 - np.exp(-0.25 * verdict.ratio[rows]), 0.5, 0.99)
    return Guilty(column, reason, rows, size, since, np.asarray(sure))
