"""The hall's common weather: what all sumps' evaporation says together is better known than by any one of them.

Every six hours each sump's own view of the common factor is joined with the others' (information added up, own share
left out, so nothing counts twice), with room for what is only this sump's.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from monitor.model.kalman import measure
from monitor.model.layout import WEATHER, WIDTH, Floats
from monitor.model.state import State

EVERY_BINS: Final = 24
OWN_SD: Final = 0.06


def pool(state: State, hall: Floats) -> Floats:
    """Join the sumps' views in place; `hall` is (mean, variance) of the common factor expected now; return the new one.

    Each sump's information is what its variance gained over the hall's expectation since the last joining.
    """
    own_mean, own_var = state.mean[:, WEATHER], np.maximum(state.cov[:, WEATHER, WEATHER], 1e-8)
    expected_mean, expected_var = float(hall[0]), float(hall[1])
    gain = np.maximum(1.0 / own_var - 1.0 / expected_var, 0.0)
    told = gain > 1e-3
    said = np.where(told, (own_mean / own_var - expected_mean / expected_var) / np.where(told, gain, 1.0), expected_mean)
    weight = np.where(told, 1.0 / (1.0 / np.where(told, gain, 1.0) + OWN_SD**2), 0.0)
    limit = 3.0 * np.sqrt(1.0 / np.where(told, gain, 1.0) + expected_var)
    said = np.clip(said, expected_mean - limit, expected_mean + limit)
    total = 1.0 / expected_var + math.fsum(weight)
    joint = (expected_mean / expected_var + math.fsum(weight * said)) / total
    others = np.maximum(total - 1.0 / expected_var - weight, 0.0)
    use = others > 1e-3
    others_said = (joint * total - expected_mean / expected_var - weight * said) / np.where(use, others, 1.0)
    rows = np.zeros((len(own_mean), WIDTH))
    rows[:, WEATHER] = 1.0
    noise = 1.0 / np.where(use, others, 1.0) + OWN_SD**2
    measure(state.mean, state.cov, rows, others_said - own_mean, np.asarray(noise), np.asarray(use))
    return np.array([joint, 1.0 / total])
