"""Hand checks and logged top-ups as inputs of the filter, one entry at a time."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model.jumps import CONFIRMED
from monitor.model.kalman import carry_rows, measure
from monitor.model.layout import BIAS, DENSE_S, STRENGTH, VOLUME, WIDTH, Fixed, Flags, Floats
from monitor.model.logbook import Logbook
from monitor.model.state import State
from monitor.plant.reading import Entry, EntryKind

CHECK_SD: Final = 0.14  # points: a hand refractometer of 0.1-0.2 degBx (trade-facts 2.3), or a titration
MOVES: Final = frozenset({EntryKind.TOP_UP, EntryKind.REMOVAL, EntryKind.CHARGE})
BLIND_BINS: Final = 5


def take_entries(state: State, fixed: Fixed, logbook: Logbook, row: dict[str, int], k: int) -> Flags:
    """Let the entries of bin k act on the state, in place; tell which sumps were filled or emptied by that."""
    filled = np.zeros(len(fixed.ids), dtype=np.bool_)
    for entry in logbook.in_bin(k):
        i = row[entry.sump]
        if entry.kind is EntryKind.CHECK and entry.value is not None:
            _check(state, fixed, i, entry.value)
        elif entry.kind in MOVES and _blind(state, fixed, i, k) and not _seen_already(state, i, k, entry):
            _fill(state, fixed, i, entry)
            logbook.use(entry, k)
            state.jump[i, CONFIRMED] = float(k)
            filled[i] = True
    return filled


def _check(state: State, fixed: Fixed, i: int, value_pct: float) -> None:
    """Take a check in; one that is far off shows that refractometer or balance went astray: both are freed."""
    one = np.array([i])
    mean, cov = state.mean[one], state.cov[one]
    rows = np.zeros((1, WIDTH))
    rows[0, STRENGTH] = 1.0
    off = value_pct - float(mean[0, STRENGTH])
    noise = CHECK_SD**2
    if off**2 > 7.0 * (float(cov[0, STRENGTH, STRENGTH]) + noise) and state.strength_known[i]:
        noise += (0.2 * off) ** 2
        slope = -1.0 / float(fixed.factor[i]) if fixed.has_refractometer[i] else 0.0
        cov[0, STRENGTH, STRENGTH] += 0.5 * off**2
        cov[0, STRENGTH, BIAS] += 0.5 * off**2 * slope
        cov[0, BIAS, STRENGTH] += 0.5 * off**2 * slope
        cov[0, BIAS, BIAS] += 0.5 * (off * slope) ** 2
    measure(mean, cov, rows, np.array([off]), np.array([noise]), np.array([True]))
    state.mean[one], state.cov[one] = mean, cov
    state.strength_known[i] = True


def _blind(state: State, fixed: Fixed, i: int, k: int) -> bool:
    sparse = fixed.level_period_s[i] > DENSE_S
    return bool(sparse or not state.level_known[i] or k - state.last_bin[i, 0] > BLIND_BINS)


def _seen_already(state: State, i: int, k: int, entry: Entry) -> bool:
    """Tell whether the sensors had found this very filling before the entry's time."""
    first = state.jump[i, 1]
    return bool(state.jump[i, 0] > 0 and k - first < 26 and entry.kind is not EntryKind.REMOVAL)


def _fill(state: State, fixed: Fixed, i: int, entry: Entry) -> None:
    volume, strength = float(state.mean[i, VOLUME]), float(state.mean[i, STRENGTH])
    litres = entry.volume_l or 0.0
    mix = entry.mix_pct if entry.mix_pct is not None else strength
    one = np.array([i])
    if entry.kind is EntryKind.CHARGE:
        _set(state, i, litres or volume, mix)
        return
    if entry.kind is EntryKind.REMOVAL:
        state.mean[i, VOLUME] = max(volume - litres, 0.02 * float(fixed.full_l[i]))
        state.cov[i, VOLUME, VOLUME] += (0.25 * litres) ** 2
        return
    after = volume + litres
    joined = (strength * volume + mix * litres) / after
    to_volume, to_strength = np.zeros((1, WIDTH)), np.zeros((1, WIDTH))
    to_volume[0, VOLUME] = 1.0
    to_strength[0, STRENGTH], to_strength[0, VOLUME] = volume / after, (strength - joined) / after
    cov: Floats = carry_rows(state.cov[one], to_volume, to_strength)[0]
    litres_sd, mix_sd, slope = 0.12 * litres, 0.15 + 0.06 * mix, (mix - joined) / after
    cov[VOLUME, VOLUME] += litres_sd**2
    cov[VOLUME, STRENGTH] += litres_sd**2 * slope
    cov[STRENGTH, VOLUME] += litres_sd**2 * slope
    cov[STRENGTH, STRENGTH] += (litres_sd * slope) ** 2 + (mix_sd * litres / after) ** 2
    state.cov[i] = cov
    state.mean[i, VOLUME], state.mean[i, STRENGTH] = after, joined


def _set(state: State, i: int, litres: float, mix_pct: float) -> None:
    for column, value, sd in ((VOLUME, litres, 0.08 * litres), (STRENGTH, mix_pct, 0.3 + 0.06 * mix_pct)):
        state.mean[i, column] = value
        state.cov[i, column, :] = 0.0
        state.cov[i, :, column] = 0.0
        state.cov[i, column, column] = sd**2
