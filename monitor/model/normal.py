"""The normal distribution for arrays, without scipy (import time of the daemon)."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.model.layout import Floats

P: Final = 0.3275911
A: Final = (0.254829592, -0.284496736, 1.421413741, -1.453152027, 1.061405429)


def below(z: Floats) -> Floats:
    """Return the chance that a standard normal lies below z (Abramowitz and Stegun 7.1.26, error under 1.5e-7)."""
    x = np.abs(z) / np.sqrt(2.0)
    t = 1.0 / (1.0 + P * x)
    tail = t * (A[0] + t * (A[1] + t * (A[2] + t * (A[3] + t * A[4])))) * np.exp(-x * x)
    return np.asarray(np.where(z > 0.0, 1.0 - 0.5 * tail, 0.5 * tail))
