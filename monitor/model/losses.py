"""What each sump lost and got on each local day; the account closes: start + got - lost + unexplained = end.

What was lost is booked bin by bin at the rates known then. Where the sensors then move the volume, that is

- a move of all the days' starts, while the estimate of a new sump still settles on its first readings;
- part of the filling or take-out, while one is being weighed;
- unexplained, at all other times.

How large the unexplained litres should be by chance alone follows from the filter: its corrections are uncorrelated,
each with the variance that it takes off the volume's own, so their sum has the sum of these variances. A sump whose
other days on account were off by more (or less) than that has its doubt widened (or narrowed) by as much.
`State.ledger` (n, 9, 9) holds the last nine days, one row a day (day number modulo nine).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Final, Self

import numpy as np

from monitor.model.balance import Losses
from monitor.model.jumps import KIND, REMOVAL, TOP_UP
from monitor.model.layout import BINS_A_DAY, JOB, LN_DRAG, LN_RUN, VOLUME, WEATHER, Fixed, Flags, Floats
from monitor.model.state import LEVEL_IDLE, LEVEL_RUN, State

DAY, START, EVAPORATED, DRAGGED, LEAKED, VALVE, ADDED, TAKEN, CHANCE = range(9)
DAYS_KEPT: Final = 9
SETTLES_BINS: Final = 8.0
"""A new sump's estimate has settled after so many bins with a level, at the latest after a day."""
PRIOR_DAYS: Final = 4.0
LEAST_CHANCE: Final = 1e-4  # square litres
MOST_SQUARE: Final = 9.0


@dataclass(frozen=True, slots=True)
class LossDay:
    """One sump's account of one local day in litres; `unexplained_l` is what the sensors found beyond the rest.

    end_l = start_l - evaporated_l - dragged_out_l - leaked_l + valve_l + added_l - taken_out_l + unexplained_l
    """

    sump: str
    day: date
    start_l: float
    end_l: float
    evaporated_l: float
    evaporated_sd_l: float
    dragged_out_l: float
    dragged_out_sd_l: float
    leaked_l: float
    valve_l: float
    added_l: float
    taken_out_l: float
    unexplained_l: float
    unexplained_sd_l: float


def open_day(state: State, day: int) -> None:
    """Begin the account of a day (its ordinal) where it is not open yet, in place."""
    page = state.ledger[:, day % DAYS_KEPT]
    new = page[:, DAY] != day
    if new.any():
        page[new] = 0.0
        page[new, DAY] = day
        page[new, START] = state.mean[new, VOLUME]


def book_losses(state: State, day: int, gone: Losses) -> None:
    """Book what went in a bin."""
    page = state.ledger[:, day % DAYS_KEPT]
    for column, litres in (
        (EVAPORATED, gone.evaporated_l),
        (DRAGGED, gone.drag_l),
        (LEAKED, gone.leak_l),
    ):
        page[:, column] += litres


def book_filling(state: State, day: int, litres: Floats) -> None:
    """Book what automatic valves let in in a bin (n,)."""
    state.ledger[:, day % DAYS_KEPT, VALVE] += litres


def book_jumps(state: State, day: int, before_l: Floats, rows: Flags) -> None:
    """Book what was filled in or taken out on `rows`: the volume changed from `before_l` to what it is now."""
    moved = np.where(rows, state.mean[:, VOLUME] - before_l, 0.0)
    page = state.ledger[:, day % DAYS_KEPT]
    page[:, ADDED] += np.maximum(moved, 0.0)
    page[:, TAKEN] += np.maximum(-moved, 0.0)


@dataclass(frozen=True, slots=True)
class Stand:
    """Where the volumes stood before the sensors were heard: litres, their variance, whether known at all (n,)."""

    volume_l: Floats
    var: Floats
    known: Flags

    @classmethod
    def of(cls, state: State) -> Self:
        """Take the volumes down as they are."""
        return cls(state.mean[:, VOLUME].copy(), state.cov[:, VOLUME, VOLUME].copy(), state.level_known.copy())


def book_corrections(state: State, fixed: Fixed, day: int, before: Stand, booked: Flags) -> None:
    """Book what the sensors moved since `before`, but for rows whose move is `booked` already."""
    moved = np.where(booked, 0.0, state.mean[:, VOLUME] - before.volume_l)
    settling = _settling(state, fixed, before.known)
    if settling.any():
        pages = state.ledger[:, :, START]
        pages += np.where(settling[:, None] & (state.ledger[:, :, DAY] > 0.0), moved[:, None], 0.0)
    kind = state.jump[:, KIND]
    weighed = ~settling & ((kind == TOP_UP) | (kind == REMOVAL))
    book_jumps(state, day, state.mean[:, VOLUME] - moved, weighed)
    taken_off = np.maximum(before.var - state.cov[:, VOLUME, VOLUME], 0.0)
    state.ledger[:, day % DAYS_KEPT, CHANCE] += np.where(booked | settling | weighed, 0.0, taken_off)


def _settling(state: State, fixed: Fixed, known: Flags) -> Flags:
    """Tell which sumps are so new that what moves them is only the step from a first guess to the first readings."""
    seen = state.noise_n[:, LEVEL_IDLE] + state.noise_n[:, LEVEL_RUN]
    young = (seen < SETTLES_BINS) & (state.bins_done < BINS_A_DAY)
    return np.asarray(young | (fixed.has_level & ~known))


def report(state: State, fixed: Fixed, i: int) -> list[LossDay]:
    """Return the days on account of one sump, oldest first; the last one is still open."""
    sump = fixed.ids[i]
    pages = sorted((page for page in state.ledger[i] if page[DAY] > 0.0), key=lambda page: float(page[DAY]))
    ends = [*(float(page[START]) for page in pages[1:]), float(state.mean[i, VOLUME])][: len(pages)]
    unexplained = [_unexplained(page, end) for page, end in zip(pages, ends, strict=True)]
    squares = [
        min(litres**2 / max(float(page[CHANCE]), LEAST_CHANCE), MOST_SQUARE)
        for page, litres in zip(pages, unexplained, strict=True)
    ]
    wider = [_wider([*squares[:k], *squares[k + 1 :]]) for k in range(len(pages))]
    sd = np.sqrt(np.maximum(np.diagonal(state.cov[i]), 0.0))
    return [_account(sump, *one, sd) for one in zip(pages, ends, unexplained, wider, strict=True)]


def _unexplained(page: Floats, end_l: float) -> float:
    start, evaporated, dragged, leaked, valve, added, taken = (float(value) for value in page[START:CHANCE])
    return end_l - start + evaporated + dragged + leaked - valve - added + taken


def _wider(others: list[float]) -> float:
    """Return by how much the sump's other days were off against chance: their mean square, held near one by a prior."""
    return math.sqrt((sum(others) + PRIOR_DAYS) / (len(others) + PRIOR_DAYS))


def _account(sump: str, page: Floats, end_l: float, unexplained_l: float, wider: float, sd: Floats) -> LossDay:
    start, evaporated, dragged, leaked, valve, added, taken, chance = (float(value) for value in page[START:])
    return LossDay(
        sump=sump,
        day=date.fromordinal(int(page[DAY])),
        start_l=start,
        end_l=end_l,
        evaporated_l=evaporated,
        evaporated_sd_l=evaporated * float(np.hypot(sd[LN_RUN], sd[WEATHER])),
        dragged_out_l=dragged,
        dragged_out_sd_l=dragged * float(np.hypot(sd[LN_DRAG], sd[JOB])),
        leaked_l=leaked,
        valve_l=valve,
        added_l=added,
        taken_out_l=taken,
        unexplained_l=unexplained_l,
        unexplained_sd_l=wider * math.sqrt(chance),
    )
