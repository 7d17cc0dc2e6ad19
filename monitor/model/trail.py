"""States as they were before past bins, so that the estimator can go back there and go over the tail again.

A state is mostly rings (hours, days, bins) of which one bin changes a few places. So of a past state only what is small
is kept whole; of the rings the places that differ from the next later state are kept, and a past state is put together
by walking back from the present one. What comes back is the same to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Self

import numpy as np
import numpy.typing as npt

from monitor.model.layout import Floats, Ints, copy_of_touched, sumps_last
from monitor.model.state import State

SIX_HOURS: Final = 24
SHORT: Final = ((1, 1), (4, 12))
SHORTEST: Final = ((1, 1), (4, 4))
"""Of the bins behind the present one: the last, and every fourth of the last 12, or of the last 4 only."""
RING_FROM: Final = 11
"""Arrays with more numbers a sump than this are kept as places,"""
RESTLESS: Final = frozenset({"cov", "errors", "fit", "gram"})
"""apart from those of which all changes."""


@dataclass(frozen=True, slots=True)
class Places:
    """Where a ring differed from the next later one: some sumps, some columns, and what stood there."""

    rows: Ints
    columns: Ints
    values: Floats  # (columns, rows)

    @classmethod
    def differing(cls, old: Floats, new: Floats) -> Self:
        """Return the places in which two arrays differ, to the bit."""
        before, after = _flat(old), _flat(new)
        other = before.view(np.int64) != after.view(np.int64)
        columns, rows = np.flatnonzero(other.any(axis=1)), np.flatnonzero(other.any(axis=0))
        if 2 * len(rows) > len(old):
            rows = np.arange(len(old))
        return cls(rows, columns, before[np.ix_(columns, rows)])

    @classmethod
    def none(cls) -> Self:
        """Return no places."""
        nothing = np.zeros(0, dtype=np.int64)
        return cls(nothing, nothing, np.zeros((0, 0)))

    def over(self, later: Places) -> Places | None:
        """Return one that does what `later` and then this one do, None where they are not of the same sumps."""
        if not later.values.size:
            return self
        if not self.values.size:
            return later
        if not np.array_equal(self.rows, later.rows):
            return None
        more = ~np.isin(later.columns, self.columns)
        columns = np.concatenate([self.columns, later.columns[more]])
        return Places(self.rows, columns, np.concatenate([self.values, later.values[more]]))

    def put(self, ring: Floats) -> None:
        """Write what stood there, in place."""
        _flat(ring)[np.ix_(self.columns, self.rows)] = self.values


@dataclass(slots=True)
class Kept:
    """A state before bin k: arrays whole, of rings the steps back from the next later state, and the hall's weather."""

    k: int
    whole: dict[str, npt.NDArray[Any]]
    steps: dict[str, list[Places]]
    hall: Floats


class Trail:
    """Keeps the state before some of the last bins (`short`), and every six hours for `long` bins."""

    def __init__(self, long: int, short: tuple[tuple[int, int], ...] = SHORT) -> None:
        self._long, self._short = long, short
        self._kept: list[Kept] = []

    def clear(self) -> None:
        """Forget everything."""
        self._kept.clear()

    @property
    def first(self) -> int | None:
        """The earliest bin before which a state is kept."""
        return self._kept[0].k if self._kept else None

    def add(self, k: int, before: State, hall: Floats, after: State) -> None:
        """Keep the state `before` bin k, `after` being the present one, which bin k has been through."""
        whole, steps = {}, {}
        for name in State.NAMES:
            old = getattr(before, name)
            if _is_ring(name, old):
                new = getattr(after, name)
                steps[name] = [Places.none() if new is old else Places.differing(old, new)]
            else:
                whole[name] = old
        self._kept.append(Kept(k, whole, steps, hall))
        self._thin(k + 1)

    def _thin(self, now: int) -> None:
        for i in range(len(self._kept) - 1, -1, -1):
            if self._outlived(self._kept[i].k, now):
                if i:
                    self._join(self._kept[i - 1], self._kept[i])
                del self._kept[i]

    def _outlived(self, k: int, now: int) -> bool:
        if k % SIX_HOURS == 0:
            return now - k > self._long
        return not any(k % step == 0 and now - k <= reach for step, reach in self._short)

    @staticmethod
    def _join(earlier: Kept, gone: Kept) -> None:
        """Let the earlier state reach over one that is let go of."""
        for name, steps in earlier.steps.items():
            *others, last = gone.steps[name]
            joined = steps[0].over(last)
            earlier.steps[name] = [*others, *((last, steps[0]) if joined is None else (joined,)), *steps[1:]]

    def back_to(self, k: int, present: State) -> Kept | None:
        """Return the latest state kept before bin k or an earlier one, all arrays whole; what lies behind is forgotten.

        `present` is the state that the last bin added led to. None if nothing so early is kept.
        """
        if self.first is None or k < self.first:
            return None
        rings: dict[str, Floats] = {}
        while True:
            one = self._kept.pop()
            for name, steps in one.steps.items():
                if name not in rings:
                    mine = getattr(present, name)
                    rings[name] = copy_of_touched(mine) if name == "grid" else mine.copy(order="K")
                ring = rings[name]
                for places in steps:
                    places.put(ring)
            if one.k <= k:
                whole = {name: array.copy(order="K") for name, array in one.whole.items()} | rings
                return Kept(one.k, whole, {}, one.hall.copy())


def _is_ring(name: str, array: npt.NDArray[Any]) -> bool:
    return name not in RESTLESS and array.size > RING_FROM * len(array)


def _flat(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return a view with one quantity a row (…, n), whichever way the array lies."""
    return sumps_last(array).reshape(-1, len(array))
