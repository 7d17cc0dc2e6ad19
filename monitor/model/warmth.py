"""How warm the coolant is drives how much of it evaporates, where a sump's coolant temperature is measured.

Evaporation goes with the vapour-pressure deficit: what the surface could hold at its temperature, less what the air
holds (Dalton). The humidity of the air is not measured. It is taken as a share of saturation at the coolest the coolant
was within the last day, as FAO-56 (1998, equation 48) takes the vapour in the air from the day's lowest temperature
where nothing better is known; a share, since a hall is drier than a field at dawn. What is wrong with that share stays,
or wanders over days as the weather does, and the estimator's rates and weather carry it.

A sump's factor is its deficit relative to the first one heard, running and idle brought to the same height (running
warms the fluid; the rates LN_IDLE and LN_RUN know that already). Hours without a reading, and all hours ahead, have the
shape that the sump's own hours of the day had lately. How warm the last day was against what is usual for the sump
counts as weather ahead, and fades like it. A sump without the signal has the day's curve and nothing else.

`State.coolest` (n, 24): each hour's lowest saturation pressure, a ring. `State.warm_hours` (n, 24, 2): the factor of
each local hour, and how often it was seen. `State.warmth` (n, 8): the last saturation pressure; hours since it was
heard; how much running raises the deficit, and hours of running that told so; the first deficit; ln factor over the
last day and as usual; hours on which these two rest.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model.balance import day_curve
from monitor.model.layout import Fixed, Flags, Floats, added
from monitor.model.state import State

HELD_HPA, HEARD_H, RUNS, RUNS_SEEN, FIRST_HPA, LEVEL, USUAL, KNOWN_H = range(8)
FACTOR, SEEN = range(2)
AIR_SHARE: Final = 0.3
"""Chosen on three American airports' air of 2013 in halls half open and heated: the least evaporation left unexplained
over hours and days together (0.5 tells hours better and days worse)."""
HELD_FOR_H: Final = 2.0
HOUR_MEMORY: Final = 12.0  # bins of one local hour: three days
FIRST_SEEN: Final = 2.0
RUNS_MEMORY: Final = 256.0  # bins of running
RUNS_BOUNDS: Final = (0.7, 3.0)
FARTHEST: Final = 2.0
"""More than twice, or less than half, of what is usual at that hour is no weather but a sick thermometer."""
LEVEL_H: Final = 24.0
USUAL_H: Final = 240.0
SHORTEST_H: Final = 0.25
BINS_AN_HOUR: Final = 4


def saturation_hpa(celsius: Floats) -> Floats:
    """Return the saturation vapour pressure over water, hPa (Magnus form of WMO-No. 8, 2008, annex 4.B)."""
    return np.asarray(6.112 * np.exp(17.62 * celsius / (243.12 + celsius)))


def factor(state: State, fixed: Fixed, celsius: Floats, running: Floats, k: int, hour: float, hours: float) -> Floats:
    """Return each sump's evaporation in bin k relative to its rates (n,), and learn of its hours; `state` in place.

    `celsius` (n,) is NaN where nothing was heard; `hour` is the local hour of the day, `hours` the bin's length.
    """
    curve = np.full(len(celsius), day_curve(hour))
    if not fixed.has_temperature.any():
        return curve
    said = fixed.has_temperature & ~np.isnan(celsius)
    _hear(state, said, celsius, k, hours)
    fresh = state.warmth[:, HEARD_H] <= HELD_FOR_H
    raised = 1.0 + (state.warmth[:, RUNS] - 1.0) * running
    deficit = _deficit(state, fresh) / raised
    _begin(state, fresh, deficit, hour)
    known = state.warm_hours[:, 0, SEEN] > 0.0
    usual = np.where(known, state.warm_hours[:, int(hour) % 24, FACTOR], curve)
    warm = np.clip(deficit / state.warmth[:, FIRST_HPA], usual / FARTHEST, usual * FARTHEST)
    out = np.where(fresh, warm, usual)
    _learn_hours(state, said, out, raised, running, int(hour) % 24)
    _learn_level(state, known, out, hours)
    return np.asarray(out)


def ahead(state: State, hour: Floats) -> Floats:
    """Return what is usual in the hours ahead relative to the rates ((n, steps), or (1, steps) if all have one curve).

    `hour` (steps,) are local hours of the day.
    """
    curve = np.array([[day_curve(float(one)) for one in hour]])
    known = state.warm_hours[:, 0, SEEN] > 0.0
    if not known.any():
        return curve
    hours = state.warm_hours[:, :, FACTOR]
    height = np.exp(state.warmth[:, USUAL]) / np.where(known, added(hours) / hours.shape[1], 1.0)
    return np.where(known[:, None], hours[:, hour.astype(np.int64) % 24] * height[:, None], curve)


def anomaly(state: State) -> Floats:
    """Return by how much the last day's warmth moved the log of the evaporation away from the usual (n,)."""
    return np.asarray(state.warmth[:, LEVEL] - state.warmth[:, USUAL])


def _hear(state: State, said: Flags, celsius: Floats, k: int, hours: float) -> None:
    pressure = saturation_hpa(np.where(said, celsius, 20.0))
    state.warmth[:, HELD_HPA] = np.where(said, pressure, state.warmth[:, HELD_HPA])
    state.warmth[:, HEARD_H] = np.where(said, 0.0, state.warmth[:, HEARD_H] + hours)
    slot = (k // BINS_AN_HOUR) % state.coolest.shape[1]
    if k % BINS_AN_HOUR == 0:
        state.coolest[:, slot] = np.inf
    state.coolest[:, slot] = np.where(said, np.minimum(state.coolest[:, slot], pressure), state.coolest[:, slot])


def _deficit(state: State, fresh: Flags) -> Floats:
    pressure = state.warmth[:, HELD_HPA]
    coolest = np.minimum(state.coolest.min(axis=1), pressure)
    return np.asarray(np.where(fresh, pressure - AIR_SHARE * coolest, 1.0))


def _begin(state: State, fresh: Flags, deficit: Floats, hour: float) -> None:
    """Take the first moment heard of a sump for usual, and its hours for like the day's curve."""
    new = fresh & (state.warm_hours[:, 0, SEEN] == 0.0)
    if new.any():
        state.warmth[new, FIRST_HPA] = deficit[new] / day_curve(hour)
        state.warm_hours[new, :, FACTOR] = [day_curve(h + 0.5) for h in range(24)]
        state.warm_hours[new, :, SEEN] = FIRST_SEEN


def _learn_hours(state: State, said: Flags, warm: Floats, raised: Floats, running: Floats, hour: int) -> None:
    page, warmth = state.warm_hours[:, hour], state.warmth
    pace = running / (1.0 + np.minimum(warmth[:, RUNS_SEEN], RUNS_MEMORY))
    moved = warmth[:, RUNS] + pace * (warm * raised / np.maximum(page[:, FACTOR], 0.01) - warmth[:, RUNS])
    warmth[:, RUNS] = np.where(said, np.clip(moved, *RUNS_BOUNDS), warmth[:, RUNS])
    warmth[:, RUNS_SEEN] += np.where(said, running, 0.0)
    pace = 1.0 / (1.0 + np.minimum(page[:, SEEN], HOUR_MEMORY))
    page[:, FACTOR] = np.where(said, page[:, FACTOR] + pace * (warm - page[:, FACTOR]), page[:, FACTOR])
    page[:, SEEN] += said


def _learn_level(state: State, known: Flags, warm: Floats, hours: float) -> None:
    level = np.where(known, np.log(warm), 0.0)
    state.warmth[:, KNOWN_H] += np.where(known, hours, 0.0)
    for column, memory in ((LEVEL, LEVEL_H), (USUAL, USUAL_H)):
        pace = hours / np.clip(state.warmth[:, KNOWN_H], SHORTEST_H, memory)
        state.warmth[:, column] += (level - state.warmth[:, column]) * pace
