"""Top-ups, removals and charges seen by the sensors: a residual that stays is no noise.

A bin whose level or strength lies far off what was expected is held back ("odd"). When the next ones agree, a jump is
entered: volume and mix together, as inputs with their own uncertainty; the filter then finds both by itself.
Columns of `State.jump`: KIND FIRST CONFIRMED VOLUME_BEFORE CONCENTRATE_BEFORE LOST CONCENTRATE_LOST SD_VOLUME
SD_STRENGTH.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model.kalman import carry_rows
from monitor.model.layout import BIAS, DENSE_S, HOLD_UP, STRENGTH, VOLUME, WIDTH, Fixed, Flags, Floats, zeros
from monitor.model.state import State
from monitor.model.valves import expected_rise

KIND, FIRST, CONFIRMED, VOLUME_BEFORE, CONCENTRATE_BEFORE, LOST, CONCENTRATE_LOST, SD_VOLUME, SD_STRENGTH = range(9)
NO_JUMP, TOP_UP, REMOVAL, STRENGTH_ONLY = range(4)

GOING_ON_BINS: Final = 4  # a filling that takes its time shows as several steps; within an hour they are one
GATE: Final = 4.5
HAND_GATE: Final = 3.2
LEAST_LEVEL: Final = 0.012  # of full: smaller steps are left to the filter
LEAST_STRENGTH: Final = 0.15  # points
LATELY_BINS: Final = 192
LEAST_FILL: Final = 0.03  # of full
FILLED_TO: Final = 0.93  # of full, where nobody sees how far
LOOSE: Final = 0.5  # points
THINNER: Final = 1.0  # points below water that a mix may seem to have
FOULED: Final = 0.35  # of the strength: a fall by more beside a level that stays is a chip on the prism
FOULED_READINGS: Final = 15.0


@dataclass(slots=True)
class Look:
    """What a measurement would say if believed: residual, variance before noise, total, what moves along, oddness."""

    residual: Floats
    known_var: Floats
    total: Floats
    along: Floats  # (n, 11) P h: how the states move along with it
    there: Flags
    odd: Flags


def look_at_level(
    state: State, fixed: Fixed, value: Floats, running: Floats, var: Floats, there: Flags, half_lost: Floats
) -> Look:
    """Compare the gauge with the expected volume (at the middle of the bin: half the bin's losses earlier)."""
    expected = state.mean[:, VOLUME] + half_lost - running * state.mean[:, HOLD_UP]
    residual = np.where(there, value - expected, 0.0)
    along = state.cov[:, VOLUME] - running[:, None] * state.cov[:, HOLD_UP]
    known = along[:, VOLUME] - running * along[:, HOLD_UP]
    total = known + var
    least = LEAST_LEVEL * fixed.full_l + np.where(residual > 0.0, expected_rise(state), 0.0)
    far = residual**2 > np.where(fixed.level_period_s > DENSE_S, HAND_GATE, GATE) ** 2 * total
    odd = there & state.level_known & far & (np.abs(residual) > least)
    return Look(residual, np.asarray(known), np.asarray(total), along, there, np.asarray(odd))


def look_at_brix(state: State, fixed: Fixed, value: Floats, var: Floats, there: Flags) -> Look:
    """Compare the refractometer with the expected strength and bias."""
    expected = state.mean[:, STRENGTH] / fixed.factor + state.mean[:, BIAS]
    residual = np.where(there, value - expected, 0.0)
    along = state.cov[:, STRENGTH] / fixed.factor[:, None] + state.cov[:, BIAS]
    known = along[:, STRENGTH] / fixed.factor + along[:, BIAS]
    total = known + var
    gate = np.where(fixed.refractometer_period_s > DENSE_S, HAND_GATE, GATE)
    odd = there & state.strength_known & (residual**2 > gate**2 * total)
    odd &= np.abs(residual) * fixed.factor > LEAST_STRENGTH
    return Look(residual, np.asarray(known), np.asarray(total), along, there, np.asarray(odd))


def count_odd(odd: Floats, look: Look, k: int) -> None:
    """Lengthen the run of odd bins on the same side, begin a new one, or end it (in place)."""
    same_side = look.odd & (odd[:, 0] > 0) & (np.sign(odd[:, 1]) == np.sign(look.residual))
    fresh = look.odd & ~same_side
    ended = look.there & ~look.odd
    odd[:, 0] = np.where(same_side, odd[:, 0] + 1, np.where(fresh, 1.0, np.where(ended, 0.0, odd[:, 0])))
    odd[:, 1] = np.where(
        same_side, odd[:, 1] + look.residual, np.where(fresh, look.residual, np.where(ended, 0.0, odd[:, 1]))
    )
    odd[:, 2] = np.where(fresh, float(k), odd[:, 2])


def confirmed_level(state: State, fixed: Fixed, level: Look, brix: Look, poured: Flags) -> Flags:
    """Tell which sumps' level jumped for certain.

    Two agreeing bins, or one with the strength moving as a filling moves it. Where readings are hours apart a fall
    needs two of them, or one far beyond all noise; `poured` are the fillings found there (`monitor.model.sparse`).
    """
    count, mean_off = state.level_odd[:, 0], state.level_odd[:, 1] / np.maximum(state.level_odd[:, 0], 1.0)
    agrees = np.abs(level.residual - mean_off) < 0.35 * np.abs(mean_off) + 3.0 * np.sqrt(level.total)
    dense = fixed.level_period_s <= DENSE_S
    fell = (level.residual < 0.0) & ((count >= 2) | (level.residual**2 > 36.0 * level.total) | brix.odd)
    by_samples = ((count >= 2) & agrees) | _filling(state, fixed, level, brix)
    return np.asarray(level.odd & np.where(dense, by_samples, poured | fell))


def _filling(state: State, fixed: Fixed, level: Look, brix: Look) -> Flags:
    """Tell where level and strength moved together as fluid of a possible strength would move them (foam does not).

    Where the strength fell by more than water explains, fluid was taken out first, or a chip lies on the prism while
    the fluid foams: the next bin tells.
    """
    volume, strength = state.mean[:, VOLUME], state.mean[:, STRENGTH]
    rises = level.there & brix.there & (level.residual > LEAST_FILL * fixed.full_l)
    litres = np.where(rises, level.residual, 1.0)
    mix = strength + brix.residual * fixed.factor * (volume + litres) / litres
    slack = 3.0 * np.sqrt(brix.total) * fixed.factor * (volume + litres) / litres
    possible = (mix > -slack - THINNER) & (mix < np.maximum(2.0 * fixed.target_pct, 15.0) + slack)
    return np.asarray(rises & state.strength_known & (brix.residual**2 > 12.0 * brix.total) & possible)


def gauged(state: State, k: int) -> Flags:
    """Tell which sumps' level was heard lately: a gauge that is told of and says nothing is none."""
    return np.asarray(k - state.last_bin[:, 0] <= LATELY_BINS)


def confirmed_strength(state: State, fixed: Fixed, level: Look, brix: Look, k: int) -> Flags:
    """Tell which sumps' strength jumped without their level (a refill to the same mark, or no gauge at all)."""
    dense, seen = fixed.refractometer_period_s <= DENSE_S, gauged(state, k)
    needed = np.where(dense, np.where(seen, 5.0, 3.0), np.where(seen, 3.0, 2.0))
    mean_off = state.brix_odd[:, 1] / np.maximum(state.brix_odd[:, 0], 1.0) * fixed.factor
    needed = np.where(seen & (mean_off < -FOULED * state.mean[:, STRENGTH]), FOULED_READINGS, needed)
    return np.asarray(brix.odd & ~level.odd & (state.brix_odd[:, 0] >= needed))


def enter_level_jump(state: State, fixed: Fixed, rows: Flags, brix: Look, k: int, logged_mix: Floats) -> None:
    """Enter a jump of the level on `rows`, in place: litres as a wide input, strength as the refractometer has it.

    `logged_mix` is what somebody logged at about this time (NaN: nothing). Where it agrees with what is seen, the mass
    balance with that mix holds; elsewhere the strength is set free, for fluid may have been taken out first.
    """
    volume, strength = state.mean[:, VOLUME].copy(), state.mean[:, STRENGTH].copy()
    litres = state.level_odd[:, 1] / np.maximum(state.level_odd[:, 0], 1.0)
    added = rows & (litres > 0)
    _remember(state, rows, np.where(added, TOP_UP, REMOVAL), state.level_odd[:, 2], k)
    after = np.maximum(volume + litres, 0.02 * fixed.full_l)
    step, told = _strength_step(state, fixed, brix), brix.there
    mix, mix_sd = _mix_of(state, fixed, litres, brix, logged_mix, added)
    balanced = added & ~np.isnan(mix)
    mix = np.where(balanced, mix, 0.0)
    free = np.where(told, strength + step, strength)
    new_strength = np.where(balanced, (strength * volume + mix * litres) / after, free)
    litres_sd = np.maximum(0.3 * np.abs(litres), 3.0 * np.sqrt(state.noise[:, 1]))
    _widen(state, rows, volume, strength, after, new_strength, np.where(balanced, litres, 0.0), litres_sd, mix, mix_sd)
    moved = told & (brix.odd | (state.brix_odd[:, 0] > 0) | added)
    loose = np.where(rows & ~balanced & moved, (np.abs(step) + LOOSE) ** 2, 0.0)
    state.cov[:, STRENGTH, STRENGTH] += loose
    state.mean[:, VOLUME] = np.where(rows, after, state.mean[:, VOLUME])
    state.mean[:, STRENGTH] = np.where(rows, np.clip(new_strength, 0.1, 60.0), state.mean[:, STRENGTH])
    state.level_odd[rows] = 0.0
    state.brix_odd[rows] = 0.0


def enter_strength_jump(state: State, fixed: Fixed, rows: Flags, k: int) -> None:
    """Enter a jump of the strength alone; with a gauge it may as well be the instrument, so the bias is freed too."""
    _remember(state, rows, np.full(len(rows), STRENGTH_ONLY), state.brix_odd[:, 2], k)
    step = state.brix_odd[:, 1] / np.maximum(state.brix_odd[:, 0], 1.0) * fixed.factor
    seen = gauged(state, k)
    diluted = rows & ~seen & (step < 0.0)
    volume = state.mean[:, VOLUME].copy()
    litres = np.where(diluted, np.maximum(FILLED_TO * fixed.full_l - volume, 0.05 * fixed.full_l), 0.0)
    known = state.cov[:, VOLUME, VOLUME]
    rest = np.where(diluted, np.minimum((0.06 * fixed.full_l) ** 2 / np.maximum(known, 1e-9), 1.0), 1.0)
    state.mean[:, VOLUME] += litres
    state.cov[:, VOLUME, :] *= np.sqrt(rest)[:, None]
    state.cov[:, :, VOLUME] *= np.sqrt(rest)[:, None]
    state.cov[:, VOLUME, VOLUME] += np.where(diluted, (0.03 * fixed.full_l) ** 2, 0.0)
    state.mean[:, STRENGTH] += np.where(rows, step, 0.0)
    state.cov[:, STRENGTH, STRENGTH] += np.where(rows, step**2, 0.0)
    state.cov[:, BIAS, BIAS] += np.where(rows & seen, (0.5 * step / fixed.factor) ** 2, 0.0)
    state.brix_odd[rows] = 0.0


def _strength_step(state: State, fixed: Fixed, brix: Look) -> Floats:
    many = state.brix_odd[:, 0] > 0
    mean_off = np.where(many, state.brix_odd[:, 1] / np.maximum(state.brix_odd[:, 0], 1.0), brix.residual)
    return np.asarray(np.where(brix.there, mean_off * fixed.factor, 0.0))


def _mix_of(
    state: State, fixed: Fixed, litres: Floats, brix: Look, logged_mix: Floats, added: Flags
) -> tuple[Floats, Floats]:
    """Return the strength of what was added and its deviation, NaN where only the refractometer can tell."""
    volume, strength = state.mean[:, VOLUME], state.mean[:, STRENGTH]
    safe = np.where(added, np.maximum(litres, 1e-6), 1.0)
    gain = (volume + safe) / safe * fixed.factor
    seen = strength + _strength_step(state, fixed, brix) / fixed.factor * gain
    told = np.nan_to_num(logged_mix)
    told_sd = 0.15 + 0.06 * told
    fits = (told - seen) ** 2 < 6.0 * (told_sd**2 + brix.total * gain**2 + (0.05 * (seen - strength)) ** 2)
    close = ~np.isnan(logged_mix) & (fits | ~brix.there)
    usual = _usual_mix(fixed, volume, strength, safe)
    few = fixed.level_period_s > DENSE_S
    blind = added & (~brix.there | few) & ~close
    mix = np.where(close, told, np.where(blind, usual, np.nan))
    return np.asarray(mix), np.asarray(np.where(close, told_sd, np.where(few, 2.5, 3.0)))


def _usual_mix(fixed: Fixed, volume: Floats, strength: Floats, litres: Floats) -> Floats:
    """Return the mix that brings a sump back to its target, as people aim at it (within what is ever mixed)."""
    aimed = (fixed.target_pct * (volume + litres) - strength * volume) / litres
    return np.asarray(np.clip(aimed, 0.0, 1.5 * fixed.target_pct))


def _widen(
    state: State,
    rows: Flags,
    volume: Floats,
    strength: Floats,
    after: Floats,
    new_strength: Floats,
    litres: Floats,
    litres_sd: Floats,
    mix: Floats,
    mix_sd: Floats,
) -> None:
    """Carry the covariance through c+ = (cV + m a) / (V + a) and add what is not known of a and m."""
    to_volume = zeros(len(rows), WIDTH)
    to_volume[:, VOLUME] = 1.0
    to_strength = zeros(len(rows), WIDTH)
    added = litres > 0
    to_strength[:, STRENGTH] = np.where(added, volume / after, 1.0)
    to_strength[:, VOLUME] = np.where(added, (strength - new_strength) / after, 0.0)
    carried = carry_rows(state.cov, to_volume, to_strength)
    by_litres = np.where(added, (mix - new_strength) / after, 0.0)
    by_mix = np.where(added, litres / after, 0.0)
    carried[:, VOLUME, VOLUME] += litres_sd**2
    carried[:, VOLUME, STRENGTH] += litres_sd**2 * by_litres
    carried[:, STRENGTH, VOLUME] += litres_sd**2 * by_litres
    carried[:, STRENGTH, STRENGTH] += (litres_sd * by_litres) ** 2 + (mix_sd * by_mix) ** 2
    state.cov = np.where(rows[:, None, None], carried, state.cov)


def _remember(state: State, rows: Flags, kind: Floats, first: Floats, k: int) -> None:
    jump = state.jump
    cov = state.cov
    going_on = (jump[:, KIND] == kind) & (kind != STRENGTH_ONLY) & (k - jump[:, CONFIRMED] <= GOING_ON_BINS)
    rows = rows & ~going_on
    values = (
        kind,
        first,
        np.full(len(rows), float(k)),
        state.mean[:, VOLUME],
        state.mean[:, VOLUME] * state.mean[:, STRENGTH] / 100.0,
        np.zeros(len(rows)),
        np.zeros(len(rows)),
        np.sqrt(cov[:, VOLUME, VOLUME]),
        np.sqrt(cov[:, STRENGTH, STRENGTH]),
    )
    for column, value in enumerate(values):
        jump[:, column] = np.where(rows, value, jump[:, column])
