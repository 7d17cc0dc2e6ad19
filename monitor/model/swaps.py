"""Sensors of two sumps that changed places: both jump at the same moment, each to where the other one was expected.

Nothing that happens to fluid does that, so it is known from the first bins, before either is taken for a filling. A
level is compared as the gauge shows it, in millimetres, since two sumps of different shape exchange those.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from monitor.model.jumps import Look
from monitor.model.layout import Fixed, Flags, Floats
from monitor.model.state import State

SAME_BINS: Final = 1.0
AGREE: Final = 3.0
APART: Final = 1.5
FAR_APART: Final = (3.0, 2.0)  # level and refractometer, where one alone changed places
STAYS: Final = 9.0
AGREE_MM: Final = 3.0
AGREE_BRIX: Final = 0.1
ALONE: Final = (2.0, 3.0)  # odd bins it takes for level and for refractometer; one where both changed places

Pairs = list[tuple[int, int]]


def look_at_pairs(
    state: State, fixed: Fixed, level: Look, value_l: Floats, brix: Look, value: Floats
) -> tuple[Pairs, Pairs]:
    """Return which pairs of sumps have exchanged their levels, and which their refractometers."""
    levels = _exchanged(state.level_odd, level.odd, *_as_shown(fixed, level, value_l))
    refractometers = _exchanged(
        state.brix_odd, brix.odd, value - brix.residual, value, AGREE * np.sqrt(brix.total) + AGREE_BRIX
    )
    both = levels.keys() & refractometers.keys()
    moved = brix.there & (brix.residual**2 > STAYS * brix.total)
    alone = {pair: apart for pair, apart in levels.items() if not moved[list(pair)].any()}
    return (
        sorted(both | _sure(state.level_odd, alone, 0)),
        sorted(both | _sure(state.brix_odd, refractometers, 1)),
    )


def _as_shown(fixed: Fixed, level: Look, value_l: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the expected and the seen showing of each gauge and how well both are known, millimetres (n,)."""
    expected, seen = value_l - level.residual, value_l
    deviation = AGREE * np.sqrt(level.total)
    rows = np.flatnonzero(level.odd)
    shown = np.full((3, len(value_l)), np.nan)
    for i in rows:
        litres = np.array([expected[i], seen[i], expected[i] + deviation[i]])
        shown[:, i] = np.interp(litres, fixed.gauge_l[i], fixed.gauge_mm[i])
    return shown[0], shown[1], np.abs(shown[2] - shown[0]) + AGREE_MM


def _exchanged(odd: Floats, now: Flags, expected: Floats, seen: Floats, near: Floats) -> dict[tuple[int, int], float]:
    """Return the pairs that show what was expected of each other, and how many tolerances both have moved at least."""
    rows = np.flatnonzero(now)
    off = np.abs(seen - expected)
    pairs: dict[tuple[int, int], float] = {}
    for at, i in enumerate(rows, 1):
        others = rows[at:]
        allowed = np.hypot(near[i], near[others])
        together = np.abs(odd[i, 2] - odd[others, 2]) <= SAME_BINS
        crossed = (np.abs(seen[i] - expected[others]) < allowed) & (np.abs(seen[others] - expected[i]) < allowed)
        apart = np.minimum(off[i], off[others]) / allowed
        found = together & crossed & (apart > APART)
        pairs |= {(int(i), int(j)): float(far) for j, far in zip(others[found], apart[found], strict=True)}
    return pairs


def _sure(odd: Floats, pairs: dict[tuple[int, int], float], column: int) -> set[tuple[int, int]]:
    """Return the pairs of one signal that lie far enough apart and have done so for long enough."""
    far = [pair for pair, apart in pairs.items() if apart > FAR_APART[column]]
    return {pair for pair in far if odd[list(pair), 0].min() >= ALONE[column]}


def set_aside(odd: Floats, look: Look, pairs: Pairs) -> Look:
    """Leave out what belongs to another sump: it is neither believed nor a jump. `odd` in place."""
    if not pairs:
        return look
    rows = np.array(pairs).ravel()
    odd[rows, 0] = 0.0
    there = look.there.copy()
    there[rows] = False
    return replace(look, there=there, odd=look.odd & there)
