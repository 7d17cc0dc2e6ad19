"""When machines run: the told calendar, corrected by what each machine was seen to do.

Three layers, each the prior of the next: what the plant file tells of duty hours, the machine's own running share on
and off duty, and its own hours of the week (working days taken together). A machine that stands still through hours
of duty may stand for days: how long is drawn by Lindy's law (as long again as it has stood, even odds).
`State.duty_hits`, `State.duty_hours` (n, 74): off and on duty, then 72 hours (Monday-Friday, Saturday, Sunday).
`State.stands` (n, 2): hours of duty, and hours in all, since the machine last ran.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

import numpy as np

from monitor.model.layout import Floats, Ints
from monitor.model.state import State

PRIOR_H: Final = 16.0
SLOT_PRIOR_H: Final = 4.0
MEMORY_H: Final = 24.0 * 14.0
SLOT_MEMORY_H: Final = 8.0
OFF_TOLD: Final = 0.02
OFF, ON, FIRST_SLOT = range(3)
SLOTS: Final = 72
STANDS_FROM_H: Final = 5.0
STANDS_LONG_H: Final = 15.0
RUNS_AGAIN: Final = 0.1


def slot_of(local: datetime) -> int:
    """Return the hour of the week that a local moment belongs to: 0-23 working days, 24-47 Saturday, 48-71 Sunday."""
    return max(local.weekday() - 4, 0) * 24 + local.hour


def chance(state: State, on_duty: Floats, expected: Floats, slots: Ints) -> Floats:
    """Return the chance that each machine runs in the hours with these slots ((n, hours)).

    `on_duty` (n, hours) is the share of each hour that the calendar covers, `expected` (n,) the told running share
    while on duty, NaN without a calendar.
    """
    told = np.where(np.isnan(expected), 0.5, expected)
    off_told = np.where(np.isnan(expected), 0.5, OFF_TOLD)
    on = (told * PRIOR_H + state.duty_hits[:, ON]) / (PRIOR_H + state.duty_hours[:, ON])
    off = (off_told * PRIOR_H + state.duty_hits[:, OFF]) / (PRIOR_H + state.duty_hours[:, OFF])
    usual = on_duty * on[:, None] + (1.0 - on_duty) * off[:, None]
    hits, hours = state.duty_hits[:, FIRST_SLOT + slots], state.duty_hours[:, FIRST_SLOT + slots]
    return np.asarray((usual * SLOT_PRIOR_H + hits) / (SLOT_PRIOR_H + hours))


def learn(state: State, belief: Floats, weight: Floats, on_duty: Floats, slot: int) -> None:
    """Take in the share of the time that machines ran; `weight` (n,) hours, zero where nothing told. In place."""
    idle = belief < RUNS_AGAIN
    known = weight > 0.0
    for column, hours in ((0, weight * on_duty), (1, weight)):
        stood = state.stands[:, column] + hours
        state.stands[:, column] = np.where(known & ~idle, 0.0, np.where(known, stood, state.stands[:, column]))
    weight = np.where(state.stands[:, 0] > STANDS_LONG_H, 0.0, weight)
    short = state.stands[:, 0] <= STANDS_FROM_H
    for column, share, memory in (
        (ON, on_duty * short, MEMORY_H),
        (OFF, (1.0 - on_duty) * short, MEMORY_H),
        (FIRST_SLOT + slot, np.ones_like(on_duty), SLOT_MEMORY_H),
    ):
        part = weight * share
        keep = 1.0 - part / memory
        state.duty_hours[:, column] = state.duty_hours[:, column] * keep + part
        state.duty_hits[:, column] = state.duty_hits[:, column] * keep + part * belief


def stands_for(state: State, ranks: Floats) -> Floats:
    """Return for how many hours yet each machine stands still in each future (n, draws), mostly zero."""
    stood = np.where(state.stands[:, 0] > STANDS_FROM_H, state.stands[:, 1], 0.0)
    return np.asarray(stood[:, None] * (1.0 / ranks[None, :] - 1.0))
