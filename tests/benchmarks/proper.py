"""Proper scores of a forecast, smaller is better.

Sources: Gneiting and Raftery, "Strictly Proper Scoring Rules, Prediction, and Estimation", JASA 102(477), 2007
(pinball, interval score, CRPS of an ensemble); the closed form of the CRPS of a normal is Gneiting et al., Monthly
Weather Review 133, 2005. All functions work element by element on arrays.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def pinball(observed: ArrayLike, quantile: ArrayLike, level: float) -> Floats:
    """Return the pinball loss of a `level` quantile (0..1), in the unit of the observation."""
    gap = np.asarray(observed, float) - np.asarray(quantile, float)
    return np.asarray(np.maximum(level * gap, (level - 1.0) * gap))


def interval_score(observed: ArrayLike, low: ArrayLike, high: ArrayLike, share: float) -> Floats:
    """Return width plus penalty of a central interval that should hold `share` (0..1) of the truth."""
    seen, lo, hi = (np.asarray(part, float) for part in (observed, low, high))
    penalty = 2.0 / (1.0 - share)
    return np.asarray(hi - lo + penalty * (np.maximum(lo - seen, 0.0) + np.maximum(seen - hi, 0.0)))


def crps_normal(observed: ArrayLike, mean: ArrayLike, sd: ArrayLike) -> Floats:
    """Return the continuous ranked probability score of a normal forecast; `sd` above zero."""
    mu, sigma = np.asarray(mean, float), np.asarray(sd, float)
    z = (np.asarray(observed, float) - mu) / sigma
    density = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    below = 0.5 * (1.0 + np.vectorize(math.erf, otypes=[float])(z / math.sqrt(2.0)))
    return np.asarray(sigma * (z * (2.0 * below - 1.0) + 2.0 * density - 1.0 / math.sqrt(math.pi)))


def crps_ensemble(observed: float, members: ArrayLike) -> float:
    """Return the CRPS of equally likely members (the plain estimator, pairs with themselves included)."""
    drawn = np.asarray(members, float)
    spread = np.abs(drawn[:, None] - drawn[None, :]).mean()
    return float(np.abs(drawn - observed).mean() - 0.5 * spread)
