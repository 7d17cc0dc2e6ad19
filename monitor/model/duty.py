"""When machines run: the told calendar, corrected by what each machine was seen to do.

Three layers, each the prior of the next: what the plant file tells of duty hours, the machine's own running share on
and off duty, and its own hours of the week (working days taken together). Hours in which a machine runs though it
usually does not are learnt faster: its shift plan may have changed. So are those in which it stood though it usually
runs, once it runs again within a day: until then it may as well be a stop.

A machine that stands still through hours in which it usually runs may stand for days: how long is drawn by Lindy's law
(as long again as it has stood, even odds). Where nearly all machines that should run have stood for an hour, the hall
is shut: each of them may stand for days, those that are not due yet too, the longer it lasts the likelier until the
next week begins, and no hours are learnt. How often a machine stopped for hours, and for how long it was watched, gives
the chance that it will in the days ahead.

`State.duty_hits`, `State.duty_hours` (n, 74): off and on duty, then 72 hours (Monday-Friday, Saturday, Sunday).
`State.stands` (n, 6): hours in which it usually runs, and hours in all, since the machine last ran; hours for which the
hall is shut (the same for all); by how much it ran more than usual in the last hours; stops so far; hours watched.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

import numpy as np

from monitor.model.layout import Flags, Floats, Ints
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
DUE_H, ALL_H, SHUT_H, CONTRARY, STOPS, WATCHED_H = range(6)
DUE: Final = 0.5
SHUT_AFTER_H: Final = 1.0
SHUT_SHARE: Final = 0.8
SHUT_OF: Final = 3
CONTRARY_H: Final = 2.0
CONTRARY_FROM: Final = 0.6
CONTRARY_PACE: Final = 4.0
MISSED_FROM_H: Final = 4.0
MISSED_COUNTS_H: Final = 5.0
DAY_H: Final = 24.0
FIRST_STOPS: Final = 0.1
FIRST_DAYS: Final = 20.0
WEEK_EVEN_H: Final = 8.0
"""A hall shut for a working day is as likely as not shut for the week (common practice, no source)."""


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


def learn(state: State, belief: Floats, weight: Floats, on_duty: Floats, slot: int, usual: Floats) -> None:
    """Take in the share of the time that machines ran; `weight` (n,) hours, zero where nothing told. In place.

    `usual` (n,) is the chance that each machine runs now.
    """
    known, due = weight > 0.0, usual >= DUE
    _learn_missed(state, known & (belief >= RUNS_AGAIN), slot)
    _count_standing(state, belief, weight, due)
    _look_at_hall(state, known & due, weight)
    weight = np.where((state.stands[:, DUE_H] > STANDS_LONG_H) | (state.stands[:, SHUT_H] > 0.0), 0.0, weight)
    state.stands[:, CONTRARY] += (belief - usual - state.stands[:, CONTRARY]) * np.minimum(weight / CONTRARY_H, 1.0)
    pace = np.where(state.stands[:, CONTRARY] > CONTRARY_FROM, CONTRARY_PACE, 1.0)
    short = state.stands[:, DUE_H] <= STANDS_FROM_H
    for column, share, memory in (
        (ON, on_duty * short, MEMORY_H),
        (OFF, (1.0 - on_duty) * short, MEMORY_H),
        (FIRST_SLOT + slot, pace, SLOT_MEMORY_H),
    ):
        _learn_share(state, column, weight * share, belief, memory)


def _learn_missed(state: State, runs: Flags, slot: int) -> None:
    """Learn the hours of a stop that ends now, begun within a day: this was perhaps no stop but a plan. In place."""
    missed = state.stands[:, DUE_H]
    ends = runs & (missed >= MISSED_FROM_H) & (missed <= STANDS_LONG_H) & (state.stands[:, ALL_H] < DAY_H)
    if not ends.any():
        return
    left = np.where(ends, missed, 0.0)
    for back in range(1, int(DAY_H)):
        column = FIRST_SLOT + slot // 24 * 24 + (slot - back) % 24
        hours = state.duty_hours[:, column]
        works = state.duty_hits[:, column] >= 0.5 * DUE * hours
        stood = (left > 0.0) & works & (back <= state.stands[:, ALL_H])
        left -= stood & (hours > 0.0)
        _learn_share(state, column, np.where(stood, MISSED_COUNTS_H, 0.0), np.zeros(len(stood)), SLOT_MEMORY_H)


def _count_standing(state: State, belief: Floats, weight: Floats, due: Flags) -> None:
    idle, known = belief < RUNS_AGAIN, weight > 0.0
    before = state.stands[:, DUE_H].copy()
    for column, hours in ((DUE_H, weight * due), (ALL_H, weight)):
        stood = state.stands[:, column] + hours
        state.stands[:, column] = np.where(known & ~idle, 0.0, np.where(known, stood, state.stands[:, column]))
    state.stands[:, STOPS] += (before <= STANDS_FROM_H) & (state.stands[:, DUE_H] > STANDS_FROM_H)
    state.stands[:, WATCHED_H] += weight


def _look_at_hall(state: State, due: Flags, weight: Floats) -> None:
    """Judge by the machines that should run now whether the hall is shut, in place; few of them change nothing.

    A plant with few machines is never told to be shut: what a larger one left behind is forgotten.
    """
    of = int(due.sum())
    if of < SHUT_OF:
        if len(due) < SHUT_OF:
            state.stands[:, SHUT_H] = 0.0
        return
    stand = int((due & (state.stands[:, DUE_H] >= SHUT_AFTER_H)).sum())
    shut = stand >= SHUT_SHARE * of
    state.stands[:, SHUT_H] = state.stands[:, SHUT_H] + float(weight.max()) if shut else 0.0


def _learn_share(state: State, column: int, hours: Floats, belief: Floats, memory_h: float) -> None:
    keep = 1.0 - hours / memory_h
    state.duty_hours[:, column] = state.duty_hours[:, column] * keep + hours
    state.duty_hits[:, column] = state.duty_hits[:, column] * keep + hours * belief


def stands_for(state: State, ranks: Floats, week_ranks: Floats, monday_h: float) -> Floats:
    """Return for how many hours yet each machine stands still in each future (n, draws), mostly zero.

    `ranks` and `week_ranks` (draws,) are even draws, `monday_h` the hours until the next week begins.
    """
    shut = state.stands[:, SHUT_H]
    stood = np.where((state.stands[:, DUE_H] > STANDS_FROM_H) | (shut > 0.0), state.stands[:, ALL_H], 0.0)
    yet = stood[:, None] * (1.0 / ranks[None, :] - 1.0)
    for_week = (stood > 0.0)[:, None] & (shut[:, None] / (shut[:, None] + WEEK_EVEN_H) > week_ranks)
    return np.asarray(np.where(for_week, monday_h, yet))


def stops_a_day(state: State) -> Floats:
    """Return the chance a day that each machine stops for a day or more (n,)."""
    days = state.stands[:, WATCHED_H] / 24.0
    return np.asarray((FIRST_STOPS + state.stands[:, STOPS]) / (FIRST_DAYS + days))
