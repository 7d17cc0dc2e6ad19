"""What each sump lost and got on each local day; the account closes: start + got - lost + unexplained = end.

`State.ledger` (n, 9, 8) holds the last nine days, one row a day (day number modulo nine).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

from monitor.model.balance import Losses
from monitor.model.layout import JOB, LEAK, LN_DRAG, LN_RUN, VOLUME, WEATHER, Fixed, Flags, Floats
from monitor.model.state import State

DAY, START, EVAPORATED, DRAGGED, LEAKED, VALVE, ADDED, TAKEN = range(8)
DAYS_KEPT: Final = 9


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
        (VALVE, gone.valve_l),
    ):
        page[:, column] += litres


def book_jumps(state: State, day: int, before_l: Floats, rows: Flags) -> None:
    """Book what was filled in or taken out on `rows`: the volume changed from `before_l` to what it is now."""
    moved = np.where(rows, state.mean[:, VOLUME] - before_l, 0.0)
    page = state.ledger[:, day % DAYS_KEPT]
    page[:, ADDED] += np.maximum(moved, 0.0)
    page[:, TAKEN] += np.maximum(-moved, 0.0)


def report(state: State, fixed: Fixed, sump: str) -> list[LossDay]:
    """Return the days on account of one sump, oldest first; the last one is still open."""
    i = fixed.ids.index(sump)
    pages = sorted((page for page in state.ledger[i] if page[DAY] > 0.0), key=lambda page: float(page[DAY]))
    ends = [*(float(page[START]) for page in pages[1:]), float(state.mean[i, VOLUME])][: len(pages)]
    return [_account(state, i, sump, page, end) for page, end in zip(pages, ends, strict=True)]


def _account(state: State, i: int, sump: str, page: Floats, end_l: float) -> LossDay:
    sd = np.sqrt(np.maximum(np.diagonal(state.cov[i]), 0.0))
    start, evaporated, dragged, leaked, valve, added, taken = (float(value) for value in page[START:])
    unexplained = end_l - start + evaporated + dragged + leaked - valve - added + taken
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
        unexplained_l=unexplained,
        unexplained_sd_l=float(np.hypot(np.sqrt(2.0) * sd[VOLUME], 24.0 * sd[LEAK])),
    )
