"""What an automatic filling valve does in the filter: it opens at a mark of the gauge and lets in its litres.

Nobody says when it opened, and one opening hides in the noise of a level: few losses and no opening explain it as well
as many losses and one opening after the other. So for a sump with a valve the chances of all places its fluid may stand
at, and of all paces it may lose at while running, are carried along on a grid (a hidden Markov model, exact but for the
width of its cells): losses move them down, an opening lifts those below the mark, the level weighs them. While the
machine runs the filter takes the volume from the grid, and each day what the grid learnt of the pace. At rest, and
while a filling by people stands above the mark, the level shows the losses as in any other sump.

`State.grid` (n, PACES, PLACES): the chances, all zero where the grid is not in use. `State.pace` (n, PACES): what was
expected of the pace when it began, zero from the next day on where the grid is not in use. Columns of `State.valve`:
see monitor.model.valves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model.balance import Losses
from monitor.model.jumps import Look
from monitor.model.kalman import measure, move_rows, spread
from monitor.model.layout import (
    HOLD_UP,
    JOB,
    LN_DRAG,
    LN_RUN,
    STRENGTH,
    VALVE_MIX,
    VOLUME,
    WEATHER,
    WIDTH,
    Fixed,
    Flags,
    Floats,
    Ints,
)
from monitor.model.normal import below
from monitor.model.state import PACES, PLACES, State
from monitor.model.valves import ANCHOR, FLAG, MARK, MOST_ODDS, ODDS, SIZE
from monitor.model.watch import Seen

CELL: Final = 0.0025  # of full
ZERO_AT: Final = 34  # the place that stands at the anchor
AT: Final[Floats] = CELL * (np.arange(PLACES, dtype=np.float64) - ZERO_AT)
SLOWEST: Final = 0.013 / 24  # of full an hour while running
PACE_STEP: Final = 0.25  # in ln
LN_PACES: Final = np.log(SLOWEST) + PACE_STEP * np.arange(PACES)
MOST: Final = 3  # openings a bin
RAN: Final = 0.03
MARK_SD: Final = 0.0015  # of full
EDGE: Final = 0.2  # of an opening: what the middle of a bin does not show of it
UNEVEN: Final = 0.15  # of an opening: how much one differs from the next
FAR: Final = 16.0
FAINT: Final = 1e-5
PACE_SD: Final = 0.15  # from day to day, beside job and weather
ANY_PACE: Final = 0.05
SEEN_OPEN: Final = 0.25
ASTRAY: Final = 0.012  # of full that the mark may wander off the anchor
ABOVE: Final = 0.01  # of full above an opening: there no valve acts


@dataclass(slots=True)
class Filled:
    """What the grid says of a bin: litres let in (n,), and where it took the level in (n,)."""

    litres: Floats
    done: Flags


def fill(
    state: State, fixed: Fixed, running: Floats, look: Look, level: Seen, gone: Losses, hours: float
) -> tuple[Look, Filled]:
    """Let the valves open and take the levels in, in place; `look` is the level against a bin without openings.

    Returns the look against what the grid expected, and what was let in.
    """
    filled = Filled(np.zeros(len(running)), np.zeros(len(running), dtype=np.bool_))
    rows = _in_use(state, fixed)
    if not len(rows):
        return look, filled
    full, ran = fixed.full_l[rows], running[rows] > RAN
    grid = _fall(state.grid[rows], _shifts(state, rows, gone, running * hours, full))
    grid = _open(grid, _threshold(state, rows, ran, full), state.valve[rows, SIZE] / full)
    expected, unsure = _volume(grid, state, rows, full)
    held = np.where(ran, state.mean[rows, HOLD_UP], 0.0)
    acts = ran | (expected < state.valve[rows, MARK] + held + ABOVE * full)
    look, likely, fits = _weigh(
        state, rows, look, level, (grid, expected, unsure), (ran, acts), full, 0.5 * gone.net_l[rows]
    )
    grid = grid * likely[:, None, :]
    grid /= grid.sum(axis=(1, 2), keepdims=True)
    state.own_grid()
    state.grid[rows] = grid
    volume, var = _volume(grid, state, rows, full)
    filled.done[rows] = fits & acts
    litres = np.where(acts, volume - state.mean[rows, VOLUME], 0.0)
    filled.litres[rows] = litres
    _believe(state, rows, litres, acts & look.there[rows] & ~fits & (look.residual[rows] < 0.0))
    _pour(state, rows, litres, acts)
    _stand(state, rows[acts], var[acts])
    return look, filled


def _in_use(state: State, fixed: Fixed) -> Ints:
    """Begin the grids of sumps that came near their mark, end those of sumps that were filled; return which are on."""
    on = state.valve[:, FLAG] > 0
    if not on.any() and not state.pace.any():
        return np.flatnonzero(on)
    mark = state.valve[:, MARK] + state.mean[:, HOLD_UP]
    sd = np.sqrt(np.maximum(state.cov[:, VOLUME, VOLUME], 0.0))
    above = state.mean[:, VOLUME] - 2.0 * sd > mark + state.valve[:, SIZE] + ABOVE * fixed.full_l
    used = state.grid.sum(axis=(1, 2)) > 0.0
    stop = used & (~on | above)
    if stop.any():
        end(state, fixed, stop)
    astray = np.abs(mark - state.valve[:, ANCHOR]) > ASTRAY * fixed.full_l
    fresh = on & ~above & (~used | astray)
    if fresh.any():
        _begin(state, fixed, np.flatnonzero(fresh), mark)
    return np.flatnonzero(on & ~above)


def _begin(state: State, fixed: Fixed, rows: Ints, mark: Floats) -> None:
    full = fixed.full_l[rows]
    state.valve[rows, ANCHOR] = mark[rows]
    middle = (state.mean[rows, VOLUME] - mark[rows]) / full
    var = np.maximum(state.cov[rows, VOLUME, VOLUME], 0.0) / full**2 + CELL**2
    places = np.exp(-0.5 * (AT - middle[:, None]) ** 2 / var[:, None]) + 1e-12
    places /= places.sum(axis=1, keepdims=True)
    state.pace[rows] = _expected_pace(state, fixed, rows)
    state.own_grid()
    state.grid[rows] = state.pace[rows, :, None] * places[:, None, :]


def end(state: State, fixed: Fixed, rows: Flags) -> None:
    """Take what the grids of `rows` learnt of the pace into the filter and end them, in place."""
    rows = np.asarray(rows & (state.grid.sum(axis=(1, 2)) > 0.0))
    if not rows.any():
        return
    _learn_pace(state, fixed, rows)
    state.own_grid()
    state.grid[rows] = 0.0


def new_day(state: State, fixed: Fixed) -> None:
    """Take what the grids learnt of the day's pace into the filter and let them expect the next day's, in place."""
    used = state.grid.sum(axis=(1, 2)) > 0.0
    state.pace[~used] = 0.0
    if not used.any():
        return
    _learn_pace(state, fixed, used)
    rows = np.flatnonzero(used)
    state.pace[rows] = _expected_pace(state, fixed, rows)
    state.own_grid()
    state.grid[rows] = state.pace[rows, :, None] * state.grid[rows].sum(axis=1)[:, None, :]


def _pace(state: State) -> tuple[Floats, Floats]:
    """Return ln of the litres an hour lost while running (n,) and its gradient (n, 11)."""
    mean = state.mean
    vapour, drag = np.exp(mean[:, LN_RUN] + mean[:, WEATHER]), np.exp(mean[:, LN_DRAG] + mean[:, JOB])
    share = vapour / (vapour + drag)
    rows = np.zeros((len(share), WIDTH))
    rows[:, LN_RUN] = rows[:, WEATHER] = share
    rows[:, LN_DRAG] = rows[:, JOB] = 1.0 - share
    return np.log(vapour + drag), rows


def _expected_pace(state: State, fixed: Fixed, rows: Ints) -> Floats:
    ln_pace, gradient = _pace(state)
    var = spread(state.cov, gradient)[rows] + PACE_SD**2
    off = LN_PACES - (ln_pace[rows] - np.log(fixed.full_l[rows]))[:, None]
    chance = np.exp(-0.5 * off**2 / var[:, None]) + 1e-300
    chance /= chance.sum(axis=1, keepdims=True)
    return np.asarray((1.0 - ANY_PACE) * chance + ANY_PACE / PACES)


def _learn_pace(state: State, fixed: Fixed, use: Flags) -> None:
    """Take one scalar a sump in: what moves the chances of the paces from what was expected to what they are."""
    if not use.any():
        return
    prior, posterior = state.pace, state.grid.sum(axis=2)
    (m0, v0), (m1, v1) = (_ln_moments(np.where(use[:, None], one, 1.0 / PACES)) for one in (prior, posterior))
    tells = use & (v1 < 0.95 * v0)
    information = np.where(tells, 1.0 / v1 - 1.0 / v0, 1.0)
    said = np.where(tells, (m1 / v1 - m0 / v0) / information, 0.0) + np.log(fixed.full_l)
    ln_pace, gradient = _pace(state)
    measure(state.mean, state.cov, gradient, said - ln_pace, 1.0 / information + PACE_SD**2, np.asarray(tells))


def _ln_moments(chance: Floats) -> tuple[Floats, Floats]:
    mean = _along(chance, LN_PACES)
    return mean, np.asarray(_along(chance, LN_PACES**2) - mean**2 + PACE_STEP**2 / 12.0)


def _along(chance: Floats, values: Floats) -> Floats:
    """Return the mean of values by their chances (m, values): unlike a product of matrices the same in any company."""
    return np.asarray((chance * values).sum(axis=1))


def _shifts(state: State, rows: Ints, gone: Losses, run_h: Floats, full: Floats) -> Floats:
    """Return by how many places each pace takes the fluid down in a bin (m, PACES), by the hour as `gone`."""
    usual = np.exp(_pace(state)[0]) * run_h
    swing = np.where(run_h > 0.0, (gone.run_l + gone.drag_l) / np.maximum(usual, 1e-12), 0.0)
    idle = gone.idle_l[rows] / full
    return np.asarray((idle[:, None] + np.exp(LN_PACES) * (run_h * swing)[rows, None]) / CELL)


def _fall(grid: Floats, shift: Floats) -> Floats:
    """Move the chances down by a number of places each ((m, PACES)); what falls off the grid stays at its end."""
    whole = np.floor(shift).astype(np.int64)
    part = (shift - whole)[:, :, None]
    at = np.arange(PLACES) + whole[:, :, None]
    padded = np.concatenate([grid, np.zeros_like(grid)], axis=2)
    at = np.minimum(at, 2 * PLACES - 2)
    moved = (1.0 - part) * np.take_along_axis(padded, at, 2) + part * np.take_along_axis(padded, at + 1, 2)
    moved[:, :, 0] += np.maximum(grid.sum(axis=2) - moved.sum(axis=2), 0.0)
    return np.asarray(moved)


def _threshold(state: State, rows: Ints, ran: Flags, full: Floats) -> Floats:
    """Return the place below which the valve opens (of full, from the anchor): it sees the fluid in the sump."""
    held = np.where(ran, state.mean[rows, HOLD_UP], 0.0)
    return np.asarray((state.valve[rows, MARK] + held - state.valve[rows, ANCHOR]) / full)


def _open(grid: Floats, threshold: Floats, size: Floats) -> Floats:
    """Lift what lies below the threshold by one opening, several times a bin if need be."""
    chance = below((threshold[:, None] - AT) / MARK_SD - 1.0)
    lift = size / CELL
    whole = np.floor(lift).astype(np.int64)
    part = (lift - whole)[:, None, None]
    at = np.arange(PLACES) - whole[:, None, None] + PLACES
    for _ in range(MOST):
        opened = grid * chance[:, None, :]
        padded = np.concatenate([np.zeros_like(grid), opened], axis=2)
        lifted = (1.0 - part) * np.take_along_axis(padded, at, 2) + part * np.take_along_axis(padded, at - 1, 2)
        lifted[:, :, -1] += np.maximum(opened.sum(axis=2) - lifted.sum(axis=2), 0.0)
        grid = grid * (1.0 - chance[:, None, :]) + lifted
    return np.asarray(grid)


def _volume(grid: Floats, state: State, rows: Ints, full: Floats) -> tuple[Floats, Floats]:
    """Return mean and variance of the volume, litres (m,)."""
    places = grid.sum(axis=1)
    mean = _along(places, AT)
    var = _along(places, AT**2) - mean**2
    return np.asarray(state.valve[rows, ANCHOR] + mean * full), np.asarray((var + 1e-7) * full**2)


def _weigh(
    state: State,
    rows: Ints,
    look: Look,
    level: Seen,
    said: tuple[Floats, Floats, Floats],
    when: tuple[Flags, Flags],
    full: Floats,
    half_lost: Floats,
) -> tuple[Look, Floats, Flags]:
    """Return the look against the grid, how likely the level is at each place (m, PLACES), and where it fits at all."""
    (grid, expected, unsure), (ran, acts) = said, when
    out, there = level.running[rows], look.there[rows]
    var = level.var[rows] + ((1.0 - out) ** 2) * np.maximum(state.cov[rows, HOLD_UP, HOLD_UP], 0.0)
    var = var + np.where(ran, (EDGE * state.valve[rows, SIZE]) ** 2, 0.0)
    gauge = level.value[rows] - half_lost + out * state.mean[rows, HOLD_UP]
    off = gauge[:, None] - (state.valve[rows, ANCHOR, None] + AT * full[:, None])
    far = off**2 / var[:, None]
    nearest = np.where(grid.sum(axis=1) > FAINT, far, np.inf).min(axis=1)
    fits = there & (nearest < FAR)
    likely = np.exp(-0.5 * np.minimum(far - far.min(axis=1, keepdims=True), 60.0))
    new = Look(look.residual.copy(), look.known_var.copy(), look.total.copy(), look.along, look.there, look.odd.copy())
    own = rows[acts]
    new.residual[own] = np.where(there, gauge - expected, 0.0)[acts]
    new.known_var[own], new.total[own] = unsure[acts], (unsure + var)[acts]
    new.odd[own] = (there & ~fits)[acts]
    return new, np.where(fits[:, None], likely, 1.0), fits


def _believe(state: State, rows: Ints, litres: Floats, below_mark: Flags) -> None:
    """Believe in a valve more with each opening, less with each bin in which it should have opened and did not."""
    odds = state.valve[rows, ODDS] + SEEN_OPEN * np.clip(litres / state.valve[rows, SIZE], 0.0, 1.0) - below_mark
    state.valve[rows, ODDS] = np.minimum(odds, MOST_ODDS)


def pour(mean: Floats, cov: Floats, litres: Floats, told: Flags) -> None:
    """Let litres (m,) of the valve's mix in: means (m, 11) and covariances (m, 11, 11) in place.

    Where `told`, the litres are what the volume is known to lack, so that an error of the volume is one of the litres.
    """
    after = np.maximum(mean[:, VOLUME] + litres, 0.5 * mean[:, VOLUME])
    joined = mean[:, STRENGTH] + litres * (mean[:, VALVE_MIX] - mean[:, STRENGTH]) / after
    to_volume, to_strength = np.zeros_like(mean), np.zeros_like(mean)
    to_volume[:, VOLUME] = 1.0
    to_strength[:, STRENGTH], to_strength[:, VALVE_MIX] = 1.0 - litres / after, litres / after
    to_strength[:, VOLUME] = np.where(told, (joined - mean[:, VALVE_MIX]) / after, 0.0)
    move_rows(cov, to_volume, to_strength)
    mean[:, VOLUME], mean[:, STRENGTH] = after, joined


def _pour(state: State, rows: Ints, litres: Floats, acts: Flags) -> None:
    mean, cov = state.mean[rows], state.cov[rows]
    pour(mean, cov, litres, acts)
    slope = (mean[:, VALVE_MIX] - mean[:, STRENGTH]) / mean[:, VOLUME]
    cov[:, STRENGTH, STRENGTH] += (UNEVEN * slope) ** 2 * np.abs(litres) * state.valve[rows, SIZE]
    state.mean[rows], state.cov[rows] = mean, cov


def _stand(state: State, rows: Ints, var: Floats) -> None:
    """Let the volume be as uncertain as the grid has it; it tells nothing of anything else, in place."""
    state.cov[rows, VOLUME, :] = 0.0
    state.cov[rows, :, VOLUME] = 0.0
    state.cov[rows, VOLUME, VOLUME] = var
