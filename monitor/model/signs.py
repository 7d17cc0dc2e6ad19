"""The signs each bin gives of how its sensors are: sticking, noise, starts and stops, and how far they are off.

All that a sensor shows counts here, believed or not: only so can it be believed again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model import rough, toggles, watch
from monitor.model.bins import Bin
from monitor.model.layout import BIAS, BIN_S, HOLD_UP, STRENGTH, VOLUME, Fixed, Flags, Floats
from monitor.model.state import State

DRAINED: Final = 0.02
WHOLE: Final = 0.6
"""A bin in which this share of the samples came that should is a whole one."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What the sensors showed in a bin: level, refractometer, running share as told (NaN: none), samples (n,)."""

    level: watch.Seen
    brix: watch.Seen
    switched: Floats
    level_n: Floats
    brix_n: Floats


def shown(state: State, seen: Bin, running: Floats, switched: Floats) -> Shown:
    """Read a bin as it came."""
    level, brix = watch.level_seen(state, seen, running), watch.brix_seen(state, seen, running)
    return Shown(level, brix, switched, np.where(level.there, seen.level_n.sum(axis=1), 0.0), seen.brix_n)


def note(state: State, fixed: Fixed, bin_shown: Shown, running: Floats, lost_l: Floats, k: int) -> None:
    """Take the signs of one bin in, in place."""
    level, brix = bin_shown.level, bin_shown.brix
    watch.watch_sticking(state, 0, level.value, level.there)
    watch.watch_sticking(state, 1, brix.value, brix.there)
    at_rest = level.value + level.running * state.mean[:, HOLD_UP]
    drained = (level.running < DRAINED) | (running > 0.5)
    whole = _whole(bin_shown.level_n, fixed.level_period_s)
    rough.watch(state, 0, at_rest, lost_l, running, whole & drained)
    whole = _whole(bin_shown.brix_n, fixed.refractometer_period_s)
    rough.watch(state, 1, brix.value, np.zeros(len(running)), running, whole)
    toggles.note(state, level.value, bin_shown.switched, lost_l, bin_shown.level_n, k)


def _whole(count: Floats, period_s: Floats) -> Flags:
    return np.asarray((count > 0.0) & (count >= WHOLE * BIN_S / np.minimum(period_s, BIN_S)))


def off(state: State, fixed: Fixed, bin_shown: Shown) -> tuple[Floats, Floats]:
    """Return how far level (litres) and refractometer (degrees Brix) lie off the estimate (n,), NaN of nothing."""
    level, brix = bin_shown.level, bin_shown.brix
    litres = level.value - (state.mean[:, VOLUME] - level.running * state.mean[:, HOLD_UP])
    degrees = brix.value - (state.mean[:, STRENGTH] / fixed.factor + state.mean[:, BIAS])
    return np.where(level.there, litres, np.nan), np.where(brix.there, degrees, np.nan)
