"""Signals that are not to be believed: stuck, drifting, noisy, changed places, or far off what the balance allows.

What each bin shows at once is judged here (a value that sticks, a jump that nothing real makes, noise, starts and stops
that do not show); slow faults are judged each hour (`monitor.model.verdicts`). A signal that is doubted counts for less
(`monitor.model.trust`) until it follows its sump again (`monitor.model.regained`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model import jumps, regained, rough, toggles, verdicts
from monitor.model.layout import BIAS, STRENGTH, Fixed, Flags, Floats, Ints
from monitor.model.state import State
from monitor.model.step import Stepped
from monitor.model.swaps import Pairs
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
    STILL,
    STUCK,
    SWAPPED,
    SWINGING,
    SWITCH,
)

HOUR_BINS: Final = 4
STUCK_BINS: Final = 30
ODD_SHARE: Final = 0.5
UP_JUMP_PCT: Final = 0.5
SAME_TIME_BINS: Final = 8.0
AGREE_BRIX: Final = 0.35
DIP_BINS: Final = 96
NO_STRENGTH: Final = 0.5  # of the lower band: what comes from there was never believed
KNOWN: Final = 3.0  # windows of `suspects` that make a sump known
SURE: Final = {STUCK: 0.95, ODD: 0.8, JUMPED: 0.8, FROZEN: 0.95, SCALED: 0.9, NOISY: 0.95, STILL: 0.9, SWINGING: 0.9}
NAMES: Final = ("level", "refractometer", "running signal")
WHY: Final = {
    STUCK: "says the same value over and over",
    ODD: "lies far off what the balance allows",
    JUMPED: "jumped though nobody touched the sump",
    FROZEN: "does not move though the sump does",
    SCALED: "jumped, and all it shows since is larger or smaller by as much: its scale was changed",
    NOISY: "is far noisier than it ever was",
    SWINGING: "jumps up and down again and again: it may be another sump's",
    STILL: "says that nothing starts or stops though the level shows that it does",
}


@dataclass(frozen=True, slots=True)
class Doubt:
    """What has just become doubtful: sump row, column of `State.said`, reason, since which bin, words, how sure."""

    row: int
    column: int
    reason: int
    since: int
    why: str
    sure: float


def look(state: State, fixed: Fixed, brought: Stepped, k: int) -> list[Doubt]:
    """Return what has just become doubtful; remember it, and believe again what follows its sump. In place."""
    loose = (state.said[:, LEVEL] == STUCK) & (state.same[:, LEVEL] == 0.0)
    state.steps[loose, toggles.DEAD] = 0.0  # starts and stops that it slept through no longer count
    reasons = _at_once(state, fixed, brought.jumped, k)
    state.doubted[:, :, LAST] = np.where(reasons > 0, float(k), state.doubted[:, :, LAST])
    found = _swapped(fixed, brought.swapped, k)
    found += [_plain(state, i, c, int(reasons[i, c]), k) for i, c in np.argwhere((reasons > 0) & (state.said == 0))]
    if k % HOUR_BINS == 0:
        for guilty in verdicts.reach(state, fixed, k):
            found += _slow(fixed, guilty, k)
    found = list({(one.row, one.column): one for one in reversed(found)}.values())[::-1]
    for one in found:
        _begin_to_doubt(state, one, brought.off, k)
    regained.look(state, fixed, brought, k)
    return found


def _begin_to_doubt(state: State, doubt: Doubt, off: tuple[Floats, Floats], k: int) -> None:
    row, column, reason = np.array([doubt.row]), doubt.column, doubt.reason
    state.said[row, column] = reason
    state.doubted[row, column, SINCE] = state.doubted[row, column, LAST] = float(k)
    if reason == NOISY:
        rough.raise_noise(state, column, row)
    elif reason == SWAPPED:
        state.doubted[row, column, AWAY] = np.nan_to_num(off[column][row])
    elif reason == SCALED:
        state.doubted[row, column, AWAY] = state.steps[row, toggles.FACTOR]
    elif reason == STILL:
        toggles.stand_corrected(state, row)
    if reason in (FROZEN, STILL, SWAPPED, SWINGING):
        toggles.begin_anew(state, row)
    if column == LEVEL:  # what it showed last is no filling
        state.jump[row, jumps.KIND] = jumps.NO_JUMP


def _at_once(state: State, fixed: Fixed, jumped: Flags, k: int) -> Floats:
    """Return the reason that a bin gives to doubt each signal (n, 3), 0 for none."""
    reasons = np.zeros((len(jumped), 3))
    known = state.unrest[:, :, 1].max(axis=1) >= KNOWN
    tests = (
        (LEVEL, STUCK, _sticks(state, LEVEL)),
        (LEVEL, ODD, state.odd_share[:, LEVEL] > ODD_SHARE),
        (LEVEL, NOISY, known & rough.noisy(state, LEVEL)),
        (LEVEL, FROZEN, known & toggles.dead(state)),
        (LEVEL, SWINGING, known & toggles.swings(state)),
        (LEVEL, SCALED, known & toggles.rescaled(state)),
        (BRIX, STUCK, _sticks(state, BRIX)),
        (BRIX, ODD, state.odd_share[:, BRIX] > ODD_SHARE),
        (BRIX, NOISY, known & rough.noisy(state, BRIX)),
        (BRIX, JUMPED, known & _jumped(state, fixed, jumped, k)),
        (SWITCH, STILL, known & toggles.unexplained(state)),
    )
    for column, reason, shows in tests:
        reasons[:, column] = np.where((reasons[:, column] == 0) & shows, reason, reasons[:, column])
    return reasons


def _sticks(state: State, column: int) -> Flags:
    run, longest = state.same[:, column], state.same[:, 2 + column]
    return np.asarray(run >= np.maximum(STUCK_BINS, 3.0 * longest))


def _jumped(state: State, fixed: Fixed, jumped: Flags, k: int) -> Flags:
    """Tell whose strength rose at once without its level, or moved the other way at the moment another's did.

    What comes back from a dip was a chip on the prism; beside a valve, which keeps the level, concentrate was given.
    """
    alone = jumped & fixed.has_level & (state.jump[:, jumps.KIND] == jumps.STRENGTH_ONLY)
    if not alone.any():
        return np.asarray(alone)
    before = 100.0 * state.jump[:, jumps.CONCENTRATE_BEFORE] / np.maximum(state.jump[:, jumps.VOLUME_BEFORE], 1.0)
    step = state.mean[:, STRENGTH] - before
    up, down = step > UP_JUMP_PCT, step < -UP_JUMP_PCT
    back = (k - state.dip[:, 0] < DIP_BINS) & (state.mean[:, STRENGTH] < state.dip[:, 1] + UP_JUMP_PCT)
    back |= before < NO_STRENGTH * fixed.low_pct
    back |= (state.valve[:, 0] > 0) & (state.mean[:, STRENGTH] < fixed.high_pct)
    dipped = np.stack([np.full(len(before), float(k)), before], axis=1)
    state.dip[:] = np.where((alone & down)[:, None], dipped, state.dip)
    return np.asarray((alone & up & ~back) | _crossed(state, fixed, alone & (up | down), step))


def _crossed(state: State, fixed: Fixed, alone: Flags, step: Floats) -> Flags:
    """Tell whose strength moved, as another's did at about that moment, to where the other one was (n,)."""
    crossed = np.zeros(len(step), dtype=np.bool_)
    first, kind = state.jump[:, jumps.FIRST], state.jump[:, jumps.KIND]
    shows = state.mean[:, STRENGTH] / fixed.factor + state.mean[:, BIAS]
    was = shows - step / fixed.factor
    for i in np.flatnonzero(alone):
        near = (kind == jumps.STRENGTH_ONLY) & (np.abs(first - first[i]) < SAME_TIME_BINS) & (step * step[i] < 0.0)
        near &= (np.abs(shows - was[i]) < AGREE_BRIX) & (np.abs(shows[i] - was) < AGREE_BRIX)
        crossed |= near
        crossed[i] |= near.any()
    return crossed


def _plain(state: State, i: Ints, column: Ints, reason: int, k: int) -> Doubt:
    since = k - int(state.same[i, column]) if reason == STUCK else k
    return Doubt(int(i), int(column), reason, since, WHY[reason], SURE[reason])


def _swapped(fixed: Fixed, swapped: tuple[Pairs, Pairs], k: int) -> list[Doubt]:
    found = []
    for column, pairs in ((LEVEL, swapped[0]), (BRIX, swapped[1])):
        for pair in pairs:
            what = "levels and refractometers" if pair in swapped[0] and pair in swapped[1] else f"{NAMES[column]}s"
            for i, other in (pair, pair[::-1]):
                why = f"shows what belongs to {fixed.ids[other]}: the {what} of the two sumps changed places"
                found.append(Doubt(i, column, SWAPPED, k, why, 0.98))
    return found


def _slow(fixed: Fixed, guilty: verdicts.Guilty, k: int) -> list[Doubt]:
    found = []
    for i, size, since, sure in zip(guilty.rows, guilty.size, guilty.since, guilty.sure, strict=True):
        moves = _drift_words(float(size), guilty.column, float(fixed.full_l[i]))
        why = moves if guilty.reason == DRIFTED else WHY[guilty.reason]
        found.append(Doubt(int(i), guilty.column, guilty.reason, min(int(since), k), why, float(sure)))
    return found


def _drift_words(a_day: float, column: int, full_l: float) -> str:
    if column == BRIX:
        return f"drifts by {a_day:+.1f} degrees Brix a day against the balance"
    if a_day > 0.0:
        return f"rises by {a_day * full_l:.0f} L a day against the balance: the gauge drifts"
    return f"falls by {-a_day * full_l:.0f} L a day more than losses explain: the gauge drifts, or a little leaks"
