"""The two operations of the filter, over many sumps at once: let time pass, take one scalar measurement in.

Time update: volume and strength are functions of the state (`Balance`), everything else stays or decays.
Measurement: scalar, in a form that equals Joseph's (Bucy and Joseph 1968) and keeps the covariance symmetric and
positive; checked against the Nile figures of Durbin and Koopman and against Joseph's form in tests/published.
"""

from __future__ import annotations

import numpy as np

from monitor.model.layout import STRENGTH, VOLUME, WIDTH, Flags, Floats, added, zeros


def carry_rows(cov: Floats, volume_row: Floats, strength_row: Floats) -> Floats:
    """Return F P F' where F is the unit matrix but for the rows of volume and strength ((n, 11) each)."""
    out = cov.copy(order="K")
    move_rows(out, volume_row, strength_row)
    return out


def move_rows(cov: Floats, volume_row: Floats, strength_row: Floats) -> None:
    """Turn P into F P F' (see `carry_rows`) in place."""
    new_volume, new_strength = side(cov, volume_row), side(cov, strength_row)
    both = added(new_volume * strength_row)
    volume_var, strength_var = added(new_volume * volume_row), added(new_strength * strength_row)
    cov[:, VOLUME, :] = cov[:, :, VOLUME] = new_volume
    cov[:, STRENGTH, :] = cov[:, :, STRENGTH] = new_strength
    cov[:, VOLUME, VOLUME], cov[:, STRENGTH, STRENGTH] = volume_var, strength_var
    cov[:, VOLUME, STRENGTH] = cov[:, STRENGTH, VOLUME] = both


def decay(mean: Floats, cov: Floats, column: int, keep: Floats | float, added_var: Floats | float) -> None:
    """Pull one column towards zero: x <- keep x + noise, in place."""
    mean[:, column] *= keep
    cov[:, column, :] *= np.reshape(keep, (-1, 1)) if np.ndim(keep) else keep
    cov[:, :, column] *= np.reshape(keep, (-1, 1)) if np.ndim(keep) else keep
    cov[:, column, column] += added_var


def side(cov: Floats, rows: Floats) -> Floats:
    """Return P h, how each state moves along with each sump's measurement ((n, 11), as `rows`)."""
    total, scratch = zeros(*rows.shape), zeros(*rows.shape)
    for column in range(WIDTH):
        if rows[:, column].any():
            total += np.multiply(cov[:, column], rows[:, column, None], out=scratch)
    return total


def spread(cov: Floats, rows: Floats) -> Floats:
    """Return the variance of each sump's measurement before its noise, h P h' ((n, 11) rows)."""
    return added(rows * side(cov, rows))


def measure(mean: Floats, cov: Floats, rows: Floats, residual: Floats, noise_var: Floats, use: Flags) -> None:
    """Take one scalar a sump in, in place: residual = seen - expected, rows = its gradient; only where `use`."""
    few = np.flatnonzero(use)
    if 2 * len(few) > len(use):
        along = side(cov, rows)
        take_in(mean, cov, along, added(rows * along) + noise_var, residual, use)
    elif len(few):
        part_mean, part_cov, part_rows = mean[few], cov[few], rows[few]
        along = side(part_cov, part_rows)
        total = added(part_rows * along) + noise_var[few]
        take_in(part_mean, part_cov, along, total, residual[few], np.ones(len(few), dtype=np.bool_))
        mean[few], cov[few] = part_mean, part_cov


def take_in(mean: Floats, cov: Floats, along: Floats, total: Floats, residual: Floats, use: Flags) -> None:
    """Take a scalar in of which P h (`along`) and its whole variance h P h' + r (`total`) are known, in place.

    With the best gain K = P h / total Joseph's form (1 - K h) P (1 - K h)' + K r K' is P - u u', u = P h / sqrt(total):
    written so it is symmetric to the last bit.
    """
    root = np.sqrt(total)
    unit = np.where(use[:, None], along / root[:, None], 0.0)
    mean += unit * np.where(use, residual / root, 0.0)[:, None]
    scratch = np.empty_like(unit)
    for column in range(WIDTH):
        cov[:, column] -= np.multiply(unit, unit[:, column, None], out=scratch)


def finite(mean: Floats, cov: Floats) -> Flags:
    """Tell which sumps hold finite numbers and no negative variance."""
    index = np.arange(WIDTH)
    good = np.isfinite(mean).all(axis=1) & np.isfinite(cov).all(axis=(1, 2))
    return np.asarray(good & (cov[:, index, index] >= 0.0).all(axis=1))
