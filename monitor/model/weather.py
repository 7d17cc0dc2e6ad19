"""The hall's common weather: what all sumps' evaporation says together is better known than by any one of them.

Every six hours each sump's own view of the common factor is joined with the others' (information added up, own share
left out, so nothing counts twice), with room for what is only this sump's. Sumps whose coolant temperature is measured
(`monitor.model.warmth`) and sumps without are joined apart: what is left for the weather to tell differs.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from monitor.model import suspects
from monitor.model.kalman import take_in
from monitor.model.layout import LN_IDLE, LN_RUN, WEATHER, Flags, Floats
from monitor.model.state import State

EVERY_BINS: Final = 24
OWN_SD: Final = 0.06
SETTLING: Final = 14.0
SLOWEST: Final = 1 / 120


def pool(state: State, hall: Floats, members: Flags) -> Floats:
    """Join the views of `members` in place; return the new `hall`: mean, variance, joinings so far.

    `hall` comes as it is expected now. Each sump's information is what its variance gained over the hall's expectation
    since the last joining.
    """
    own_mean, own_var = state.mean[:, WEATHER], np.maximum(state.cov[:, WEATHER, WEATHER], 1e-8)
    expected_mean, expected_var = float(hall[0]), float(hall[1])
    gain = np.maximum(1.0 / own_var - 1.0 / expected_var, 0.0)
    told = members & (gain > 1e-3)
    said = np.where(
        told, (own_mean / own_var - expected_mean / expected_var) / np.where(told, gain, 1.0), expected_mean
    )
    weight = np.where(told, 1.0 / (1.0 / np.where(told, gain, 1.0) + OWN_SD**2), 0.0)
    limit = 3.0 * np.sqrt(1.0 / np.where(told, gain, 1.0) + expected_var)
    said = np.clip(said, expected_mean - limit, expected_mean + limit)
    total = 1.0 / expected_var + math.fsum(weight)
    joint = (expected_mean / expected_var + math.fsum(weight * said)) / total
    others = np.maximum(total - 1.0 / expected_var - weight, 0.0)
    use = members & (others > 1e-3)
    others_said = (joint * total - expected_mean / expected_var - weight * said) / np.where(use, others, 1.0)
    along = state.cov[:, WEATHER].copy()
    whole = along[:, WEATHER] + 1.0 / np.where(use, others, 1.0) + OWN_SD**2
    suspects.follow(state, WEATHER, along, np.asarray(whole), np.asarray(use))
    take_in(state.mean, state.cov, along, np.asarray(whole), np.asarray(others_said - own_mean), np.asarray(use))
    shift = _level_out(state, joint, float(hall[2]), members)
    return np.array([joint - shift, 1.0 / total, hall[2] + 1.0])


def _level_out(state: State, joint: float, joinings: float, members: Flags) -> float:
    """Move what the weather shows on the long run over to the sumps' own rates; nothing evaporates differently.

    Rates times weather is all that is ever seen; without this a hall whose sumps all dry slower than the prior would be
    taken for one in cool weather that will not last.
    """
    shift = joint * max(1.0 / (SETTLING + joinings), SLOWEST)
    for column, moved in ((WEATHER, -shift), (LN_IDLE, shift), (LN_RUN, shift)):
        state.mean[members, column] += moved
    return shift
