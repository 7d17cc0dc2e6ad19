"""Readings hours apart, taken by hand: what a few of them can tell, and what they cannot.

A dipstick is read to the next mark by a person, the machine may run or stand, and nobody says which. A filling between
two readings shows only as a level that did not fall, or as a strength that did. So each reading is weighed: how likely
is it if nobody came, how likely if somebody filled up, as people do, near full and back to the target? The machine runs
or stands in both, a chip or foam may spoil either. What is neither is held back until the next reading.
`State.fill` (n, 4): ln ODDS for a filling so far, the COUNT of levels held back, the sum of LITRES that they tell of,
the bin SINCE when.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from monitor.model.bins import Bin
from monitor.model.jumps import Look
from monitor.model.layout import DENSE_S, HOLD_UP, STRENGTH, VOLUME, Fixed, Flags, Floats, Ints
from monitor.model.state import LEVEL_IDLE, LEVEL_RUN, State

ODDS, COUNT, LITRES, SINCE = range(4)
A_READING: Final = 0.06  # odds that somebody filled up since the last reading
SURE: Final = 1.8  # ln odds at which one reading is believed,
LIKELY: Final = 0.5  # and several together;
UNSURE: Final = -0.7  # above these a reading is held back,
MOST: Final = 4  # so many at most
HINT: Final = 0.3  # a strength alone that makes a filling likelier is remembered
FILLED_TO: Final = 0.94  # of full
LEAST: Final = 0.05  # of full that anybody fills in
FULL_ALREADY: Final = 0.1  # odds for a filling of a sump that is full
AMOUNTS: Final = ((0.7, None, 0.05), (0.3, 0.12, 0.07))  # share, litres (None: up to full), deviation; of full
STRANGE: Final = 0.005  # of levels: foam, a slip of the pen
STRANGE_BRIX: Final = 0.02  # chips on the prism


def sparse(fixed: Fixed) -> Flags:
    """Tell whose levels are read so seldom that no two lie in neighbouring bins (n,)."""
    return np.asarray(fixed.has_level & (fixed.level_period_s > DENSE_S))


def keep_hold_up(state: State, fixed: Fixed, mean: Floats, var: Floats) -> None:
    """Keep the hold-up as it was before a level, in place, where nothing tells whether the machine ran at that moment.

    Such a level is as low as if the machine ran exactly where it is believed to run, so it cannot teach both. The
    covariances stay as the level left them: a consider state (Schmidt 1966).
    """
    rows = np.flatnonzero(sparse(fixed) & ~fixed.has_running)
    state.mean[rows, HOLD_UP] = mean[rows]
    state.cov[rows, HOLD_UP, HOLD_UP] = var[rows]


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard in a bin of some sumps (m,): rows; litres on the gauge, how many samples, chance that it ran.

    The refractometer's residual and whole variance in its unit; whether there was a level, a strength.
    """

    rows: Ints
    gauge: Floats
    count: Floats
    runs: Floats
    brix: Floats
    brix_var: Floats
    level_there: Flags
    brix_there: Flags


def look(
    state: State, fixed: Fixed, seen: tuple[Look, Look], at: tuple[Floats, Bin, Floats], k: int
) -> tuple[Look, Look, Floats]:
    """Return the looks with what may be a filling held back, and since which bin one is certain (n,), else infinity.

    `at`: the gauge's litres at the end of the bin, the bin, the chance that the machine ran.
    """
    by_level, by_brix = seen
    since = np.full(len(state.mean), np.inf)
    mine = sparse(fixed) & state.level_known
    rows = np.flatnonzero(mine & (by_level.there | by_brix.there))
    if not len(rows):
        return by_level, by_brix, since
    gauge, told, runs = at
    heard = Heard(
        rows,
        np.where(by_level.there, gauge, 0.0)[rows],
        np.maximum(told.level_n.sum(axis=1), 1.0)[rows],
        np.clip(runs[rows], 0.0, 1.0),
        by_brix.residual[rows],
        by_brix.total[rows],
        by_level.there[rows],
        (by_brix.there & state.strength_known)[rows],
    )
    held, filled, litres, first = _judge(state, fixed, heard, k)
    back = (held | filled) & heard.level_there
    odd, residual, odd_brix = by_level.odd.copy(), by_level.residual.copy(), by_brix.odd.copy()
    odd[rows] = back | (odd[rows] & (residual[rows] < 0.0))
    residual[rows] = np.where(back, litres, residual[rows])
    odd_brix[rows] |= held & heard.brix_there & ~heard.level_there
    since[rows] = np.where(filled, first, np.inf)
    return replace(by_level, residual=residual, odd=odd), replace(by_brix, odd=odd_brix), since


def _judge(state: State, fixed: Fixed, heard: Heard, k: int) -> tuple[Flags, Flags, Floats, Floats]:
    """Weigh a filling (m,), in place (`State.fill`): held back, certain, litres, since which bin."""
    before, there = state.fill[heard.rows], heard.level_there
    by_level, litres = _level_says(state, fixed, heard)
    mean = before[:, LITRES] / np.maximum(before[:, COUNT], 1.0)
    amount = np.where(there, litres, np.where(before[:, COUNT] > 0, mean, _room(state, fixed, heard.rows)))
    by_brix = _brix_says(state, fixed, heard, amount)
    said = np.where(there, by_level, 0.0) + np.where(heard.brix_there, by_brix, 0.0)
    begun = before[:, ODDS] != 0.0
    odds = np.where(begun, before[:, ODDS], np.log(A_READING)) + said
    many = before[:, COUNT] + there
    filled = there & (odds > np.where(many > 1, LIKELY, SURE))
    held = ~filled & (odds > UNSURE) & (many < MOST)
    first = np.where(begun, before[:, SINCE], float(k))
    kept = held | (~there & (said > HINT))
    after = np.stack([odds, many, before[:, LITRES] + np.where(there, litres, 0.0), first], axis=1)
    state.fill[heard.rows] = np.where(kept[:, None], after, 0.0)
    return np.asarray(held), np.asarray(filled), np.asarray(amount), np.asarray(first)


def _room(state: State, fixed: Fixed, rows: Ints) -> Floats:
    return np.asarray(np.maximum(FILLED_TO * fixed.full_l[rows] - state.mean[rows, VOLUME], LEAST * fixed.full_l[rows]))


def _level_says(state: State, fixed: Fixed, heard: Heard) -> tuple[Floats, Floats]:
    """Return ln of the odds that the level gives for a filling, and how many litres that would be (m,)."""
    rows, full = heard.rows, fixed.full_l[heard.rows]
    cov, noise, held_up = state.cov[rows], state.noise[rows], state.mean[rows, HOLD_UP]
    idle_var = cov[:, VOLUME, VOLUME] + noise[:, LEVEL_IDLE] / heard.count
    run_var = cov[:, VOLUME, VOLUME] + cov[:, HOLD_UP, HOLD_UP] - 2.0 * cov[:, VOLUME, HOLD_UP]
    run_var = run_var + noise[:, LEVEL_RUN] / heard.count
    off, room = heard.gauge - state.mean[rows, VOLUME], _room(state, fixed, rows)
    rare = np.where(room > LEAST * full, 0.0, np.log(FULL_ALREADY))
    nothing, something, came = [], [], []
    for chance, residual, var in ((1.0 - heard.runs, off, idle_var), (heard.runs, off + held_up, run_var)):
        ln = np.log(np.maximum(chance, 1e-6))
        nothing.append(ln + _ln_normal(residual, var))
        for share, of_full, spread in AMOUNTS:
            middle, sd = room if of_full is None else of_full * full, spread * full
            something.append(ln + rare + np.log(share) + _ln_normal(residual - middle, var + sd**2))
            came.append(np.maximum(middle + sd**2 / (var + sd**2) * (residual - middle), LEAST * full))
    weights = np.exp(np.stack(something) - np.max(something, axis=0))
    litres = (weights * np.stack(came)).sum(axis=0) / weights.sum(axis=0)
    strange = np.log(STRANGE / (0.3 * full))
    return _ln_sum([*something, strange]) - _ln_sum([*nothing, strange]), np.asarray(litres)


def _brix_says(state: State, fixed: Fixed, heard: Heard, litres: Floats) -> Floats:
    """Return ln of the odds that a strength gives for a filling of so many litres (m,): back to target, or water."""
    rows = heard.rows
    volume, strength, factor = state.mean[rows, VOLUME], state.mean[rows, STRENGTH], fixed.factor[rows]
    part, target = litres / (volume + litres), fixed.target_pct[rows]
    aimed = np.clip(strength + (target - strength) / part, fixed.leanest_pct[rows], 1.5 * target)
    something = []
    for share, mix, sd in ((0.75, aimed, 0.3 + 0.1 * aimed), (0.25, 0.0, 0.5)):
        shift, spread = (mix - strength) * part / factor, sd * part / factor
        something.append(np.log(share) + _ln_normal(heard.brix - shift, heard.brix_var + spread**2))
    strange = np.log(STRANGE_BRIX / np.maximum(strength / factor, 1.0))
    return _ln_sum([*something, strange]) - _ln_sum([_ln_normal(heard.brix, heard.brix_var), strange])


def _ln_normal(off: Floats, var: Floats) -> Floats:
    return np.asarray(-0.5 * off**2 / var - 0.5 * np.log(2.0 * np.pi * var))


def _ln_sum(parts: list[Floats]) -> Floats:
    return np.asarray(np.logaddexp.reduce(np.stack(parts), axis=0))
