"""The two operations of the filter, over many sumps at once: let time pass, take one scalar measurement in.

Time update: volume and strength are functions of the state (`Balance`), everything else stays or decays.
Measurement: scalar, in Joseph's form, so that the covariance stays symmetric and positive for any gain
(Bucy and Joseph 1968; checked against the Nile figures of Durbin and Koopman in tests/published).
"""

from __future__ import annotations

import numpy as np

from monitor.model.layout import STRENGTH, VOLUME, WIDTH, Flags, Floats


def carry_rows(cov: Floats, volume_row: Floats, strength_row: Floats) -> Floats:
    """Return F P F' where F is the unit matrix but for the rows of volume and strength ((n, 11) each)."""
    out = cov.copy()
    new_volume = np.einsum("ni,nij->nj", volume_row, cov)
    new_strength = np.einsum("ni,nij->nj", strength_row, cov)
    out[:, VOLUME, :] = new_volume
    out[:, :, VOLUME] = new_volume
    out[:, STRENGTH, :] = new_strength
    out[:, :, STRENGTH] = new_strength
    out[:, VOLUME, VOLUME] = np.einsum("ni,ni->n", new_volume, volume_row)
    both = np.einsum("ni,ni->n", new_volume, strength_row)
    out[:, VOLUME, STRENGTH] = both
    out[:, STRENGTH, VOLUME] = both
    out[:, STRENGTH, STRENGTH] = np.einsum("ni,ni->n", new_strength, strength_row)
    return out


def decay(mean: Floats, cov: Floats, column: int, keep: Floats | float, added_var: Floats | float) -> None:
    """Pull one column towards zero: x <- keep x + noise, in place."""
    mean[:, column] *= keep
    cov[:, column, :] *= np.reshape(keep, (-1, 1)) if np.ndim(keep) else keep
    cov[:, :, column] *= np.reshape(keep, (-1, 1)) if np.ndim(keep) else keep
    cov[:, column, column] += added_var


def spread(cov: Floats, rows: Floats) -> Floats:
    """Return the variance of each sump's measurement before its noise, h P h' ((n, 11) rows)."""
    return np.asarray(np.einsum("ni,nij,nj->n", rows, cov, rows))


def measure(mean: Floats, cov: Floats, rows: Floats, residual: Floats, noise_var: Floats, use: Flags) -> None:
    """Take one scalar a sump in, in place: residual = seen - expected, rows = its gradient; only where `use`."""
    side = np.einsum("nij,nj->ni", cov, rows)
    total = np.einsum("ni,ni->n", rows, side) + noise_var
    gain = np.where(use[:, None], side / total[:, None], 0.0)
    mean += gain * np.where(use, residual, 0.0)[:, None]
    cross = gain[:, :, None] * side[:, None, :]
    cov += gain[:, :, None] * gain[:, None, :] * total[:, None, None] - cross - cross.transpose(0, 2, 1)


def finite(mean: Floats, cov: Floats) -> Flags:
    """Tell which sumps hold finite numbers and no negative variance."""
    index = np.arange(WIDTH)
    good = np.isfinite(mean).all(axis=1) & np.isfinite(cov).all(axis=(1, 2))
    return np.asarray(good & (cov[:, index, index] >= 0.0).all(axis=1))
