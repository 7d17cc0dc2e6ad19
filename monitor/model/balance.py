"""The mass balance of a sump over one bin, with its gradient.

    dV/dt    = -(E + D + L)
    d(cV)/dt = -k D c - L c

E evaporation (water only), D drag-out at the sump's strength with a little extra concentrate (k >= 1), L a leak
(trade-facts 1.4). What is filled in enters at once: by people in `jumps`, by an automatic valve in `filling`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.model.kalman import move_rows
from monitor.model.layout import (
    CARRY,
    JOB,
    LEAK,
    LN_DRAG,
    LN_IDLE,
    LN_RUN,
    STRENGTH,
    VOLUME,
    WEATHER,
    WIDTH,
    Floats,
    zeros,
)

DAY_SWING: Final = 0.14
WARMEST_H: Final = 19.0
TINY: Final = 1e-6
MOST_STRENGTH: Final = 100.0
"""Percent: concentrate alone. A sump that tells nothing for months is not reckoned beyond it."""


@dataclass(frozen=True, slots=True)
class Losses:
    """Litres lost in a bin ((n,) each): evaporated idle and running, dragged out, leaked."""

    idle_l: Floats
    run_l: Floats
    drag_l: Floats
    leak_l: Floats

    @property
    def evaporated_l(self) -> Floats:
        """Water gone as vapour."""
        return self.idle_l + self.run_l

    @property
    def fluid_l(self) -> Floats:
        """Fluid gone with parts, chips and leaks."""
        return self.drag_l + self.leak_l

    @property
    def net_l(self) -> Floats:
        """What the volume falls by."""
        return self.idle_l + self.run_l + self.drag_l + self.leak_l


def day_curve(hour_of_day: float) -> float:
    """Return the evaporation at a local hour relative to the day's mean (recordings: +-14 %, latest at night)."""
    return 1.0 + DAY_SWING * float(np.cos(2.0 * np.pi * (hour_of_day - WARMEST_H) / 24.0))


def losses(mean: Floats, running: Floats, hours: float, curve: Floats) -> Losses:
    """Return what goes in `hours` with the machine running a share `running` of the time (n,).

    `curve` (n,) is the evaporation relative to the sump's rates: the day's curve, or what the coolant's warmth does.
    """
    air = np.exp(mean[:, WEATHER]) * (hours * curve)
    return Losses(
        idle_l=np.exp(mean[:, LN_IDLE]) * (1.0 - running) * air,
        run_l=np.exp(mean[:, LN_RUN]) * running * air,
        drag_l=np.exp(mean[:, LN_DRAG] + mean[:, JOB]) * running * hours,
        leak_l=mean[:, LEAK] * hours,
    )


def no_more_than_there_is(gone: Losses, volume: Floats, least_l: Floats) -> Losses:
    """Hold losses back to what stands above `least_l` (n,): from a sump that is as good as empty nothing goes."""
    room, net = np.maximum(volume - least_l, 0.0), gone.net_l
    short = net > room
    share = np.where(short, room / np.where(short, net, 1.0), 1.0)
    return Losses(gone.idle_l * share, gone.run_l * share, gone.drag_l * share, gone.leak_l * share)


def advance(mean: Floats, cov: Floats, gone: Losses, hours: float, least_l: Floats) -> tuple[Floats, Floats]:
    """Let the losses happen: change mean and covariance in place; return the gradients of both (n, 11)."""
    volume, strength = mean[:, VOLUME].copy(), mean[:, STRENGTH].copy()
    middle = np.maximum(_log_mean(volume, gone.net_l), least_l)
    growth = (gone.evaporated_l - (CARRY - 1.0) * gone.drag_l) / middle
    growth = np.minimum(growth, np.log(MOST_STRENGTH / np.maximum(strength, TINY)))
    factor = np.exp(growth)
    volume_row, strength_row = _gradients(gone, hours, strength * factor, middle, growth, factor)
    mean[:, VOLUME] = np.maximum(volume - gone.net_l, least_l)
    mean[:, STRENGTH] = strength * factor
    move_rows(cov, volume_row, strength_row)
    return volume_row, strength_row


def _log_mean(volume: Floats, lost: Floats) -> Floats:
    """Return the logarithmic mean of the volume before and after: with it the strength follows the closed form."""
    share = np.clip(lost / volume, -0.5, 0.5)
    some = np.abs(share) > TINY
    return np.asarray(np.where(some, -lost / np.log1p(-np.where(some, share, 0.1)), volume - 0.5 * lost))


def _gradients(
    gone: Losses, hours: float, now: Floats, middle: Floats, growth: Floats, factor: Floats
) -> tuple[Floats, Floats]:
    n = len(now)
    volume_row = zeros(n, WIDTH)
    volume_row[:, VOLUME] = 1.0
    for column, lost in _sensitivities(gone, hours):
        volume_row[:, column] -= lost
    strength_row = zeros(n, WIDTH)
    strength_row[:, VOLUME] = -now * growth / middle
    strength_row[:, STRENGTH] = factor
    strength_row[:, LN_IDLE] = now * gone.idle_l / middle
    strength_row[:, LN_RUN] = now * gone.run_l / middle
    strength_row[:, LN_DRAG] = -now * (CARRY - 1.0) * gone.drag_l / middle
    strength_row[:, WEATHER] = now * gone.evaporated_l / middle
    strength_row[:, JOB] = strength_row[:, LN_DRAG]
    return volume_row, strength_row


def _sensitivities(gone: Losses, hours: float) -> tuple[tuple[int, Floats], ...]:
    return (
        (LN_IDLE, gone.idle_l),
        (LN_RUN, gone.run_l),
        (LN_DRAG, gone.drag_l),
        (WEATHER, gone.evaporated_l),
        (JOB, gone.drag_l),
        (LEAK, np.full_like(gone.drag_l, hours)),
    )
