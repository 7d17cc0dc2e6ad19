"""Automatic filling: a float valve that keeps a sump at a mark, with water or with thin mix.

The plant file does not say which sumps have one. It shows in the level: over days with the machine at work the level
does not fall as any sump's would, and it rises by itself, again and again, to about the same mark. The valve sees the
fluid in the sump, so while the pump runs the volume in the circuit is kept higher by the hold-up.
Columns of `State.valve`: FLAG MARK (litres in the gauge's sight) SINCE (bin). `State.hourly` is a ring of the last
120 h: sums of the volume, the gauge, the running share, and the number of bins.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model.kalman import carry_rows, measure
from monitor.model.layout import (
    FIRST_DRAG,
    FIRST_IDLE,
    FIRST_RUN,
    HOLD_UP,
    JOB,
    LEAK,
    LN_DRAG,
    LN_IDLE,
    LN_RUN,
    STRENGTH,
    VALVE_MIX,
    VOLUME,
    WIDTH,
    Fixed,
    Flags,
    Floats,
)
from monitor.model.state import LEVEL_IDLE, LEVEL_RUN, State

FLAG, MARK, SINCE = range(3)
VOLUMES, GAUGES, RUNS, COUNT = range(4)
RING_H: Final = 120
BINS_AN_HOUR: Final = 4
JUDGED_EVERY: Final = 24
LEAST_WINDOW_H: Final = 30
SMALL_RISE: Final = 0.009
LARGE_RISE: Final = 0.045
RISES: Final = 3
RISE_H: Final = 4
SAME_MARK: Final = 0.018
SURE: Final = 0.9
MAINS_SD: Final = 0.3
KEPT_WITHIN: Final = 0.035
LONG_H: Final = 60
LONG_RUN_H: Final = 20.0
LIVELY: Final = 0.006
STICKS: Final = 8.0
SLOWEST_IDLE: Final = 0.005 / 24
SLOWEST_RUN: Final = 0.025 / 24
STAYS: Final = 0.5
LOST: Final = 0.02
DENSE_S: Final = 2700.0
FILL_SD: Final = 0.008  # of full a bin: the valve opens late and stays open for some minutes
NEAR: Final = 0.006
FASTEST: Final = 0.07


def note(state: State, value: Floats, running: Floats, there: Flags, k: int) -> None:
    """Put one bin's level into the ring of hours, in place."""
    slot = (k // BINS_AN_HOUR) % RING_H
    if k % BINS_AN_HOUR == 0:
        state.hourly[:, slot] = 0.0
    volume = value + running * state.mean[:, HOLD_UP]
    for column, what in ((VOLUMES, volume), (GAUGES, value), (RUNS, running), (COUNT, np.ones(len(value)))):
        state.hourly[:, slot, column] += np.where(there, what, 0.0)


def inflow(state: State, fixed: Fixed, running: Floats, lost: Floats) -> tuple[Floats, Floats]:
    """Return what the valve adds in a bin and the deviation of that, litres (n,), zero without one."""
    on = state.valve[:, FLAG] > 0
    if not on.any():
        return np.zeros(len(on)), np.zeros(len(on))
    held = np.where(running > 0.3, state.mean[:, HOLD_UP], 0.0)
    missing = state.valve[:, MARK] + held - (state.mean[:, VOLUME] - lost)
    filled = np.where(on, np.clip(missing, 0.0, FASTEST * fixed.full_l), 0.0)
    near = np.exp(-np.clip(-missing, 0.0, None) / (NEAR * fixed.full_l))
    return np.asarray(filled), np.asarray(np.where(on, FILL_SD * fixed.full_l * near, 0.0))


def spread_inflow(state: State, deviation: Floats) -> None:
    """Let the filling be uncertain: volume and strength move along (1, (mix - strength) / volume), in place."""
    slope = (state.mean[:, VALVE_MIX] - state.mean[:, STRENGTH]) / np.maximum(state.mean[:, VOLUME], 1.0)
    var = deviation**2
    state.cov[:, VOLUME, VOLUME] += var
    state.cov[:, VOLUME, STRENGTH] += var * slope
    state.cov[:, STRENGTH, VOLUME] += var * slope
    state.cov[:, STRENGTH, STRENGTH] += var * slope**2


def learn_mix(state: State, deviation: Floats, look_residual: Floats, total: Floats, use: Flags) -> None:
    """Let what a filling did to the strength tell of its mix: carry its share of a level residual along, in place."""
    share = np.where(use & (deviation > 0.0), deviation**2 / total, 0.0) * look_residual
    part = np.clip(share / np.maximum(state.mean[:, VOLUME], 1.0), -0.1, 0.1)
    to_volume, to_strength = np.zeros((len(part), WIDTH)), np.zeros((len(part), WIDTH))
    to_volume[:, VOLUME], to_strength[:, STRENGTH], to_strength[:, VALVE_MIX] = 1.0, 1.0 - part, part
    state.cov = carry_rows(state.cov, to_volume, to_strength)


def judge(state: State, fixed: Fixed, k: int) -> None:
    """Look at the last days: which sumps keep their level by themselves, and at which mark. In place."""
    if k % JUDGED_EVERY:
        return
    _settle_mix(state, fixed)
    order = (np.arange(RING_H) + k // BINS_AN_HOUR + 1) % RING_H
    ring = state.hourly[:, order]
    for i in range(len(fixed.ids)):
        if fixed.has_level[i] and fixed.level_period_s[i] <= DENSE_S:
            _judge_one(state, fixed, i, ring[i][ring[i, :, COUNT] > 0], k)


def _judge_one(state: State, fixed: Fixed, i: int, hours: Floats, k: int) -> None:
    full = float(fixed.full_l[i])
    if len(hours) < LEAST_WINDOW_H:
        return
    means = hours / hours[:, COUNT : COUNT + 1]
    runs = means[:, RUNS]
    if state.valve[i, FLAG] > 0:
        mark = _mark(means)
        if means[-3:, GAUGES].max() < state.valve[i, MARK] - LOST * full:
            state.valve[i] = 0.0
        else:
            state.valve[i, MARK] += 0.3 * (mark - state.valve[i, MARK])
        return
    noise = np.sqrt(np.mean(state.noise[i, [LEVEL_IDLE, LEVEL_RUN]]) / max(4.0 * np.median(hours[:, COUNT]), 1.0))
    hold_up = max(float(state.mean[i, HOLD_UP]), 0.0) / full
    alive = state.same[i, 0] < STICKS and fixed.has_running[i]
    if _keeps_level(means[:, [VOLUMES, GAUGES]] / full, hold_up, float(noise) / full) or (
        alive and _never_falls(means[:, VOLUMES] / full, runs)
    ):
        state.valve[i] = (1.0, _mark(means), float(k))
        _forget_rates(state, fixed, i)


def mains_chance(state: State, fixed: Fixed) -> Floats:
    """Return the chance (n,) that a valve lets in plain water: either that or thin mix of about half the target."""
    mix, var = state.mean[:, VALVE_MIX], np.maximum(state.cov[:, VALVE_MIX, VALVE_MIX], 1e-6)
    water_var, thin_var = var + MAINS_SD**2, var + (0.16 * fixed.target_pct) ** 2
    water = np.exp(-0.5 * mix**2 / water_var) / np.sqrt(water_var)
    thin = np.exp(-0.5 * (mix - 0.55 * fixed.target_pct) ** 2 / thin_var) / np.sqrt(thin_var)
    return np.asarray(np.where(mix < 0.0, 1.0, water / np.maximum(water + thin, 1e-30)))


def _settle_mix(state: State, fixed: Fixed) -> None:
    """Where it is all but certain that the valve lets in water, take that for known."""
    water = (state.valve[:, FLAG] > 0) & (mains_chance(state, fixed) > SURE)
    if water.any():
        rows = np.zeros((len(water), WIDTH))
        rows[:, VALVE_MIX] = 1.0
        measure(state.mean, state.cov, rows, -state.mean[:, VALVE_MIX], np.full(len(water), MAINS_SD**2), water)


def _keeps_level(means: Floats, hold_up: float, noise: float) -> bool:
    """Tell whether the volume rose by itself again and again from one and the same mark (all in shares of full)."""
    volume, gauge = means.T
    pairs = 0.5 * (volume[1:] + volume[:-1])
    rise = pairs[3:] - pairs[:-3]  # the two hours after an hour against the two before it
    small = (rise > max(SMALL_RISE, 3.3 * noise)) & (rise < LARGE_RISE + hold_up)
    lows = []
    last = -RISE_H
    for h in np.flatnonzero(small):
        if h - last >= RISE_H:
            lows.append(float(gauge[h : h + 4].min()))
            last = int(h)
    if len(lows) < RISES:
        return False
    kept = np.sort(np.array(lows[-2 * RISES :]))
    tight = min(kept[-1] - kept[1], kept[-2] - kept[0]) if len(kept) > RISES else kept[-1] - kept[0]
    allowed = SAME_MARK if len(kept) > RISES else 0.6 * SAME_MARK
    mark = float(np.median(kept))
    since = int(np.flatnonzero(small)[0])
    stays = float(np.quantile(volume[since:], 0.7)) < mark + hold_up + KEPT_WITHIN
    return bool(tight < allowed and stays and np.quantile(gauge, 0.05) > mark - SAME_MARK)


def _never_falls(volume: Floats, runs: Floats) -> bool:
    """Tell whether since the last large move much less was lost than any working sump loses (shares of full)."""
    moved = np.abs(volume[2:] - volume[:-2]) > LARGE_RISE
    begin = int(np.flatnonzero(moved)[-1]) + 3 if moved.any() else 0
    v, r = volume[begin:], runs[begin:]
    if len(v) < LONG_H or r.sum() < LONG_RUN_H or np.ptp(v) < LIVELY:
        return False
    lost = float((SLOWEST_IDLE * (1.0 - r) + SLOWEST_RUN * r).sum())
    return float(v[:4].mean() - v[-4:].mean()) < STAYS * lost


def _mark(means: Floats) -> float:
    """Return the gauge's volume that the valve keeps: the low end of what is seen while the machine works."""
    working = means[means[:, RUNS] > 0.3]
    part = working if len(working) >= 8 else means
    return float(np.quantile(part[:, GAUGES], 0.2))


def _forget_rates(state: State, fixed: Fixed, i: int) -> None:
    """Begin the rates anew: what a level that does not fall taught of them was wrong."""
    full = float(fixed.full_l[i])
    for column, share, sd in (
        (LN_IDLE, FIRST_IDLE, 0.5),
        (LN_RUN, FIRST_RUN, 0.5),
        (LN_DRAG, FIRST_DRAG, 0.5),
        (LEAK, 0.0, 0.0),
    ):
        least = np.log(share * full) - 0.5 if share else 0.0
        state.mean[i, column] = max(float(state.mean[i, column]), float(least)) if share else 0.0
        state.cov[i, column, :] = 0.0
        state.cov[i, :, column] = 0.0
        state.cov[i, column, column] = sd**2 if share else (1e-5 * full) ** 2
    state.mean[i, JOB] = 0.0
    state.cov[i, VALVE_MIX, :] = 0.0
    state.cov[i, :, VALVE_MIX] = 0.0
    state.mean[i, VALVE_MIX] = 0.25 * float(fixed.target_pct[i])
    state.cov[i, VALVE_MIX, VALVE_MIX] = (0.3 * float(fixed.target_pct[i])) ** 2


def quiet(state: State, fixed: Fixed, running: Floats) -> Flags:
    """Tell where no valve can have acted lately, so that the level shows the losses alone."""
    held = np.where(running > 0.3, state.mean[:, HOLD_UP], 0.0)
    above = state.mean[:, VOLUME] - held > state.valve[:, MARK] + 2.0 * NEAR * fixed.full_l
    return np.asarray((state.valve[:, FLAG] == 0) | above)


def expected_rise(state: State, fixed: Fixed) -> Floats:
    """Return by how much a level may rise by its valve without anybody's help, litres (n,)."""
    hold_up = np.maximum(state.mean[:, HOLD_UP], 0.0)
    return np.asarray(np.where(state.valve[:, FLAG] > 0, 0.03 * fixed.full_l + hold_up, 0.0))
