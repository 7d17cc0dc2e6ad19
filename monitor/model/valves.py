"""Automatic filling: a float valve that keeps a sump at a mark, with water or with thin mix.

The plant file does not say which sumps have one. It shows in the level: over days with the machine at work the level
does not fall as any sump's would, and it rises by itself, again and again, from about the same mark. The valve sees the
fluid in the sump, so while the pump runs the volume in the circuit is kept higher by the hold-up. What it does then is
reckoned in `filling`.
Columns of `State.valve`: FLAG MARK (litres in the gauge's sight at which it opens) SINCE (bin) SIZE (litres it lets in
each time it opens) ANCHOR (litres, see `filling`) ODDS (ln odds that it is really there). `State.hourly` is a ring of
the last 120 h: sums of the volume, the gauge, the running share, and the number of bins.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model.kalman import measure
from monitor.model.layout import (
    DENSE_S,
    FIRST_DRAG,
    FIRST_RUN,
    HOLD_UP,
    JOB,
    LEAK,
    LN_DRAG,
    LN_IDLE,
    LN_RUN,
    VALVE_MIX,
    VOLUME,
    WEATHER,
    WIDTH,
    Fixed,
    Flags,
    Floats,
)
from monitor.model.leaks import HEARD
from monitor.model.state import JOB_SD, LEVEL_IDLE, LEVEL_RUN, WEATHER_SD, State

FLAG, MARK, SINCE, SIZE, ANCHOR, ODDS = range(6)
VOLUMES, GAUGES, RUNS, COUNT = range(4)
RING_H: Final = 120
BINS_AN_HOUR: Final = 4
JUDGED_EVERY: Final = 24
LEAST_WINDOW_H: Final = 30
SMALL_RISE: Final = 0.009
LARGE_RISE: Final = 0.045
MOVED: Final = 0.03
RISES: Final = 3
RISE_H: Final = 4
SAME_MARK: Final = 0.018
SURE: Final = 0.9
MAINS_SD: Final = 0.3
THIN: Final = 0.55  # of the target: what proportioners are set to, and how far they lie apart
THIN_SD: Final = 0.16
DRAWN_SD: Final = 0.5
KEPT_WITHIN: Final = 0.035
LONG_H: Final = 60
LONG_RUN_H: Final = 20.0
LIVELY: Final = 0.006
STICKS: Final = 8.0
SLOWEST_IDLE: Final = 0.005 / 24
SLOWEST_RUN: Final = 0.025 / 24
STAYS: Final = 0.5
LOST: Final = 0.02
NEAR: Final = 0.006
FIRST_SIZE: Final = 0.021
SIZE_FROM_H: Final = 24
LARGER: Final = 1.45
NEAR_MARK: Final = 0.012  # of full
LARGEST: Final = 0.05
FIRST_ODDS: Final = 1.0
GIVEN_UP: Final = -1.0
MOST_ODDS: Final = 4.0
MOSTLY: Final = 0.9
WEEKDAYS_H: Final = 96


def note(state: State, value: Floats, running: Floats, there: Flags, k: int) -> None:
    """Put one bin's level into the ring of hours, in place."""
    slot = (k // BINS_AN_HOUR) % RING_H
    if k % BINS_AN_HOUR == 0:
        state.hourly[:, slot] = 0.0
    volume = value + running * state.mean[:, HOLD_UP]
    for column, what in ((VOLUMES, volume), (GAUGES, value), (RUNS, running), (COUNT, np.ones(len(value)))):
        state.hourly[:, slot, column] += np.where(there, what, 0.0)


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
        gone = means[-3:, GAUGES].max() < state.valve[i, MARK] - LOST * full
        if gone or state.valve[i, ODDS] < GIVEN_UP:
            state.valve[i] = 0.0
        else:
            size = _size(means[-WEEKDAYS_H:], _noise_of_an_hour(state, fixed, i), full)
            state.valve[i, SIZE], state.valve[i, MARK] = size, _mark(means[-WEEKDAYS_H:], size, full)
        return
    noise = np.sqrt(np.mean(state.noise[i, [LEVEL_IDLE, LEVEL_RUN]]) / max(4.0 * np.median(hours[:, COUNT]), 1.0))
    hold_up = max(float(state.mean[i, HOLD_UP]), 0.0) / full
    if state.same[i, 0] >= STICKS:
        return
    if _keeps_level(means[:, [VOLUMES, GAUGES]] / full, hold_up, float(noise) / full) or (
        fixed.has_running[i] and _never_falls(means[:, VOLUMES] / full, runs)
    ):
        size = FIRST_SIZE * full
        state.valve[i] = (1.0, _mark(means, size, full), float(k), size, 0.0, FIRST_ODDS)
        _forget_rates(state, fixed, i)


def there_chance(state: State) -> Floats:
    """Return the chance (n,) that a valve is really there, zero where none was found."""
    return np.asarray(np.where(state.valve[:, FLAG] > 0, 1.0 / (1.0 + np.exp(-state.valve[:, ODDS])), 0.0))


def mains_chance(state: State, fixed: Fixed) -> Floats:
    """Return the chance (n,) that a valve lets in plain water: either that or thin mix of about half the target."""
    mix, var = state.mean[:, VALVE_MIX], np.maximum(state.cov[:, VALVE_MIX, VALVE_MIX], 1e-6)
    water_var, thin_var = var + MAINS_SD**2, var + (THIN_SD * fixed.target_pct) ** 2
    water = np.exp(-0.5 * mix**2 / water_var) / np.sqrt(water_var)
    thin = np.exp(-0.5 * (mix - THIN * fixed.target_pct) ** 2 / thin_var) / np.sqrt(thin_var)
    return np.asarray(np.where(mix < 0.0, 1.0, water / np.maximum(water + thin, 1e-30)))


def _settle_mix(state: State, fixed: Fixed) -> None:
    """Where it is all but certain that the valve lets in water, take that for known; where not, draw it to thin mix."""
    on, chance = state.valve[:, FLAG] > 0, mains_chance(state, fixed)
    rows = np.zeros((len(on), WIDTH))
    rows[:, VALVE_MIX] = 1.0
    for use, mix, sd in (
        (on & (chance > SURE), 0.0, np.full(len(on), MAINS_SD)),
        (on & (chance < 1.0 - SURE), THIN * fixed.target_pct, DRAWN_SD * fixed.target_pct),
    ):
        if use.any():
            measure(state.mean, state.cov, rows, mix - state.mean[:, VALVE_MIX], sd**2, np.asarray(use))


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
    moved = np.abs(volume[2:] - volume[:-2]) > MOVED
    begin = int(np.flatnonzero(moved)[-1]) + 3 if moved.any() else 0
    v, r = volume[begin:], runs[begin:]
    if len(v) < LONG_H or r.sum() < LONG_RUN_H or np.ptp(v) < LIVELY:
        return False
    lost = float((SLOWEST_IDLE * (1.0 - r) + SLOWEST_RUN * r).sum())
    return float(v[:4].mean() - v[-4:].mean()) < STAYS * lost


def _mark(means: Floats, size: float, full: float) -> float:
    """Return the gauge's volume at which the valve opens: half an opening below the middle of what is seen at work."""
    working = means[means[:, RUNS] > MOSTLY]
    gauge = np.sort((working if len(working) >= 8 else means)[:, GAUGES])
    low = gauge[: max(len(gauge) // 2, 1)]
    kept = gauge[gauge < float(np.median(low)) + size + SAME_MARK * full]
    return float(kept.mean()) - 0.5 * size


def _noise_of_an_hour(state: State, fixed: Fixed, i: int) -> float:
    """Return the variance of an hour's mean of the gauge while running, square litres."""
    return float(state.noise[i, LEVEL_RUN] / max(3600.0 / fixed.level_period_s[i], 1.0))


def _size(means: Floats, noise_var: float, full: float) -> float:
    """Return the litres of an opening, from how far the gauge wanders above its mark at work.

    Between openings the level falls evenly, so it lies anywhere between the mark and an opening above it: its variance
    is the opening's square over twelve, beside the noise. One that is not clearly larger is taken for the usual one:
    some days tell it to a quarter.
    """
    gauge = means[means[:, RUNS] > MOSTLY, GAUGES]
    if len(gauge) < SIZE_FROM_H:
        return FIRST_SIZE * full
    gauge = _untouched(gauge, full)
    if len(gauge) < SIZE_FROM_H:
        return FIRST_SIZE * full
    seen = float(np.sqrt(12.0 * max(float(np.var(gauge)) - noise_var, 0.0)))
    return min(seen, LARGEST * full) if seen > LARGER * FIRST_SIZE * full else FIRST_SIZE * full


def _untouched(gauge: Floats, full: float) -> Floats:
    """Return the hours without those between a filling by people and the return to the mark."""
    low = float(np.quantile(gauge, 0.1)) + NEAR_MARK * full
    kept, filled, before = [], True, float(gauge[0])
    for litres in gauge.tolist():
        filled = (filled and litres > low) or litres - before > LARGE_RISE * full
        kept.append(not filled)
        before = litres
    return np.asarray(gauge[kept])


def _forget_rates(state: State, fixed: Fixed, i: int) -> None:
    """Begin the rates anew: what a level that does not fall taught of them, and of the hall's air, was wrong."""
    full, target = float(fixed.full_l[i]), float(fixed.target_pct[i])
    state.leak_watch[i, HEARD] = 0.0
    for column, mean, sd in (
        (LN_IDLE, float(np.log(fixed.first_idle_l_per_h[i])), 0.6),
        (LN_RUN, float(np.log(FIRST_RUN * full)), 0.6),
        (LN_DRAG, float(np.log(FIRST_DRAG * full)), 0.6),
        (LEAK, 0.0, 1e-5 * full),
        (WEATHER, 0.0, WEATHER_SD),
        (JOB, 0.0, JOB_SD),
        (VALVE_MIX, 0.25 * target, 0.3 * target),
    ):
        state.mean[i, column] = mean
        state.cov[i, column, :] = 0.0
        state.cov[i, :, column] = 0.0
        state.cov[i, column, column] = sd**2


def quiet(state: State, fixed: Fixed, running: Floats) -> Flags:
    """Tell where no valve can have acted lately, so that the level shows the losses alone."""
    held = np.where(running > 0.3, state.mean[:, HOLD_UP], 0.0)
    above = state.mean[:, VOLUME] - held > state.valve[:, MARK] + 2.0 * NEAR * fixed.full_l
    return np.asarray((state.valve[:, FLAG] == 0) | above)


def expected_rise(state: State) -> Floats:
    """Return by how much a level may rise by its valve without anybody's help, litres (n,)."""
    return np.asarray(np.where(state.valve[:, FLAG] > 0, state.valve[:, SIZE], 0.0))
