"""What each bin tells of the machine and of the sensors: does it run, how noisy is a signal, does a value stick."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model.bins import DRAINING, IDLE, RUNNING, UNSURE, Bin
from monitor.model.layout import HOLD_UP, VOLUME, Flags, Floats
from monitor.model.state import BRIX_IDLE, BRIX_RUN, LEVEL_IDLE, LEVEL_RUN, State

PERSIST: Final = 0.7
SLOWEST_LEARNING: Final = 1 / 200
FIRST_WEIGHT: Final = 12.0
GUESS_COUNTS: Final = 0.3  # what the level gives away of running is no independent witness
DRAIN_COUNTS: Final = 4.0
DRAIN_LEAST: Final = 0.03**2
SAME: Final = 1e-12


@dataclass(frozen=True, slots=True)
class Seen:
    """One scalar a sump as the filter takes it in: value, share of hold-up, noise variance, whether there is one."""

    value: Floats
    running: Floats
    var: Floats
    there: Flags


def likely_running(state: State, chance: Floats) -> Floats:
    """Return the chance that each machine runs (n,) before anything is heard of it, from what is usual at this hour."""
    likely = PERSIST * state.run_belief + (1.0 - PERSIST) * chance
    likely = np.where(np.abs(state.run_belief - chance) > 0.6, 0.5 * (likely + chance), likely)
    return np.asarray(np.clip(likely, 0.02, 0.98))


def believe_running(state: State, seen: Bin, likely: Floats) -> Floats:
    """Return the share of the bin that each machine ran (n,).

    Without a running signal the level gives it away by the hold-up.
    """
    guess = _by_level(state, seen, likely)
    belief = np.where(np.isnan(seen.running), guess, seen.running)
    state.run_belief = np.asarray(belief)
    return np.asarray(belief)


def told_of_running(seen: Bin, hours: float) -> Floats:
    """Return for how many hours of the bin something told whether each machine ran (n,)."""
    said, guessed = ~np.isnan(seen.running), seen.level_n[:, UNSURE] > 0
    return np.asarray(np.where(said, hours, np.where(guessed, GUESS_COUNTS * hours, 0.0)))


def _by_level(state: State, seen: Bin, prior: Floats) -> Floats:
    level, there = seen.level_l[:, UNSURE], seen.level_n[:, UNSURE] > 0
    count = np.maximum(seen.level_n[:, UNSURE], 1.0)
    off = np.where(there, level - state.mean[:, VOLUME], 0.0)
    cov, hold_up = state.cov, state.mean[:, HOLD_UP]
    var_idle = cov[:, VOLUME, VOLUME] + state.noise[:, LEVEL_IDLE] / count
    var_run = cov[:, VOLUME, VOLUME] + cov[:, HOLD_UP, HOLD_UP] - 2.0 * cov[:, VOLUME, HOLD_UP]
    var_run = var_run + state.noise[:, LEVEL_RUN] / count
    z_idle, z_run = off**2 / var_idle, (off + hold_up) ** 2 / var_run
    score = 0.5 * (z_idle - z_run) + 0.5 * np.log(var_idle / var_run)
    score = np.where(there & state.level_known & (np.minimum(z_idle, z_run) < 25.0), np.clip(score, -6.0, 6.0), 0.0)
    odds = np.log(prior / (1.0 - prior)) + score
    return np.asarray(1.0 / (1.0 + np.exp(-odds)))


def level_seen(state: State, seen: Bin, belief: Floats) -> Seen:
    """Join the level samples of a bin into one, weighted by how noisy each kind is."""
    hold_up = np.abs(state.mean[:, HOLD_UP])
    var = np.empty_like(seen.level_n)
    var[:, IDLE], var[:, RUNNING] = state.noise[:, LEVEL_IDLE], state.noise[:, LEVEL_RUN]
    count = np.maximum(seen.level_n, 1.0)
    mixed = belief * (1.0 - belief) * hold_up**2
    var[:, UNSURE] = belief * var[:, RUNNING] + (1.0 - belief) * var[:, IDLE] + mixed * count[:, UNSURE]
    unsure = DRAIN_COUNTS * state.drain[:, :, 1] * hold_up[:, None] ** 2
    var[:, DRAINING:] = 0.5 * (var[:, [IDLE]] + var[:, [RUNNING]]) + unsure * count[:, DRAINING:]
    out = np.zeros_like(var)
    out[:, RUNNING], out[:, UNSURE], out[:, DRAINING:] = 1.0, belief, state.drain[:, :, 0]
    weight = np.where(seen.level_n > 0, count / var, 0.0)
    total = weight.sum(axis=1)
    there = total > 0
    total = np.where(there, total, 1.0)
    value = (weight * np.nan_to_num(seen.level_l)).sum(axis=1) / total
    running = (weight * out).sum(axis=1) / total
    return Seen(
        value=np.asarray(value), running=np.asarray(running), var=np.asarray(1.0 / total), there=np.asarray(there)
    )


def learn_draining(state: State, seen: Bin, half_lost: Floats, use: Flags) -> None:
    """Learn what share of the hold-up is still out some minutes after a stop: one scalar filter a class, in place."""
    for j in range(state.drain.shape[1]):
        there = use & (seen.level_n[:, DRAINING + j] > 0)
        if not there.any():
            continue
        hold_up, mean, var = np.maximum(state.mean[:, HOLD_UP], 0.0), state.drain[:, j, 0], state.drain[:, j, 1]
        off = state.mean[:, VOLUME] + half_lost - np.where(there, seen.level_l[:, DRAINING + j], 0.0) - mean * hold_up
        noise = state.cov[:, VOLUME, VOLUME] + 0.25 * state.cov[:, HOLD_UP, HOLD_UP]
        noise = noise + 0.5 * (state.noise[:, LEVEL_IDLE] + state.noise[:, LEVEL_RUN]) + (0.1 * hold_up) ** 2
        total = hold_up**2 * var + noise
        there &= off**2 < 9.0 * total
        gain = np.where(there, var * hold_up / total, 0.0)
        state.drain[:, j, 0] = np.where(there, np.clip(mean + gain * off, 0.0, 1.0), mean)
        state.drain[:, j, 1] = np.where(there, np.maximum((1.0 - gain * hold_up) * var, DRAIN_LEAST), var)


def brix_seen(state: State, seen: Bin, belief: Floats) -> Seen:
    """Return the refractometer's middle of the bin with its noise."""
    there = seen.brix_n > 0
    var = belief * state.noise[:, BRIX_RUN] + (1.0 - belief) * state.noise[:, BRIX_IDLE]
    var = np.maximum(var / np.maximum(seen.brix_n, 1.0), 0.02**2)
    return Seen(value=np.nan_to_num(seen.brix), running=belief, var=np.asarray(var), there=np.asarray(there))


def learn_noise(
    state: State,
    columns: tuple[int, int],
    seen: Seen,
    residual: Floats,
    known_var: Floats,
    count: Floats,
    bounds: tuple[Floats, Floats],
    few: Flags,
) -> None:
    """Move the noise of one signal (idle, running) towards what its residuals show; single shocks weigh little.

    `bounds` are the least and largest variance of one sample: noise above that is no noise but a model gone astray.
    Where samples are `few`, the noise is that part of a residual which by its share of the whole variance should be
    noise, with what remains unknown of it (as in the EM algorithm: Dempster, Laird and Rubin 1977): never below zero,
    however small a residual.
    """
    total = known_var + seen.var
    squared = np.minimum(residual**2, 6.0 * total)
    share = np.where(few, seen.var / np.maximum(total, 1e-12), 1.0)
    shown = np.where(few, share**2 * squared + share * known_var, squared - known_var)
    for column, mine in ((columns[0], seen.running < 0.3), (columns[1], seen.running > 0.7)):
        use = seen.there & mine
        pace = np.maximum(1.0 / (FIRST_WEIGHT + state.noise_n[:, column]), SLOWEST_LEARNING)
        target = shown * np.maximum(count, 1.0)
        moved = np.maximum(state.noise[:, column] + pace * (target - state.noise[:, column]), bounds[0])
        state.noise[:, column] = np.where(use, np.minimum(moved, bounds[1]), state.noise[:, column])
        state.noise_n[:, column] += use


def watch_sticking(state: State, column: int, value: Floats, there: Flags) -> None:
    """Count for how many bins in a row a signal said exactly the same (but for the rounding of a weighted mean)."""
    same = there & (np.abs(value - state.last_seen[:, column]) <= SAME * np.abs(value))
    other = there & ~same
    state.same[:, 2 + column] = np.where(
        other, np.maximum(state.same[:, 2 + column], state.same[:, column]), state.same[:, 2 + column]
    )
    state.same[:, column] = np.where(same, state.same[:, column] + 1, np.where(other, 0.0, state.same[:, column]))
    state.last_seen[:, column] = np.where(there, value, state.last_seen[:, column])
