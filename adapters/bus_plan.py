"""Which registers are asked for together, and when. Pure: `now_s` is a monotonic clock's.

Values that lie side by side in a unit and come equally often are read in one request. A unit that does not answer is
asked again after waits that double, and behind all that is due from units that do answer: it costs the others at most
one time-out a wait. Where the line cannot carry all in time, what was asked longest ago comes first: all get less.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from adapters.routes import Route
from monitor.plant.registers import BIT_TABLES, RegisterAddress

MOST_REGISTERS: Final = 125
MOST_BITS: Final = 2000
"""What one request may ask for (Modbus Application Protocol V1.1b3, sections 6.1 to 6.4)."""
FIRST_WAIT_S: Final = 2.0
MOST_WAIT_S: Final = 60.0


@dataclass(frozen=True, slots=True)
class Point:
    """A value: where it lies, and the signals that it is for."""

    at: RegisterAddress
    routes: tuple[Route, ...]

    @property
    def period_s(self) -> float:
        """How often it is wanted."""
        return min(route.spec.period_s for route in self.routes)


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Values that are asked for together: so many registers (or bits) from `first` on."""

    unit: int
    table: str
    first: int
    count: int
    period_s: float
    points: tuple[Point, ...]

    @property
    def said(self) -> str:
        """The block in words, without its unit."""
        kind = self.table if self.table in BIT_TABLES else f"{self.table} register"
        return f"{kind} {self.first}" + (f" to {self.first + self.count - 1}" if self.count > 1 else "")


def blocks_of(points: Iterable[Point]) -> list[Block]:
    """Put values that touch, of one unit, table and period, together as far as one request reaches."""
    groups: list[list[Point]] = []
    key = lambda point: (point.at.unit, point.at.table, point.period_s, point.at.first)  # noqa: E731
    for point in sorted(points, key=key):
        if groups and _joins(groups[-1], point):
            groups[-1].append(point)
        else:
            groups.append([point])
    return [_block(group) for group in groups]


def apart(block: Block) -> list[Block]:
    """Return each value of a block as a block of its own."""
    return [_block([point]) for point in block.points]


def _joins(group: Sequence[Point], point: Point) -> bool:
    first, last = group[0], group[-1]
    same = (first.at.unit, first.at.table, first.period_s) == (point.at.unit, point.at.table, point.period_s)
    most = MOST_BITS if point.at.table in BIT_TABLES else MOST_REGISTERS
    return same and point.at.first <= last.at.end and point.at.end - first.at.first <= most


def _block(points: Sequence[Point]) -> Block:
    at = points[0].at
    end = max(point.at.end for point in points)
    return Block(at.unit, at.table, at.first, end - at.first, points[0].period_s, tuple(points))


@dataclass(slots=True)
class _Unit:
    """How a unit stands: failures in a row, when it may be asked again, and for what.

    A unit that failed is asked for the same once more: should the lost answer come late, it is still a right one.
    """

    failures: int = 0
    not_before_s: float = -math.inf
    only: Block | None = None


class Schedule:
    """What is to be asked next. A block comes due at the start and then at multiples of its period."""

    def __init__(
        self,
        blocks: Iterable[Block],
        now_s: float,
        *,
        first_wait_s: float = FIRST_WAIT_S,
        most_wait_s: float = MOST_WAIT_S,
    ) -> None:
        self._due = dict.fromkeys(blocks, now_s)
        self._asked = dict.fromkeys(self._due, -math.inf)
        self._units = {block.unit: _Unit() for block in self._due}
        self._first_wait_s, self._most_wait_s = first_wait_s, most_wait_s

    def next(self, now_s: float) -> Block | None:
        """Return what to ask now, None if nothing is due."""
        found: Block | None = None
        best = (math.inf, math.inf)
        for block, since_s in self._open():
            if since_s <= now_s and (rank := (self._rank(block, now_s - since_s), self._asked[block])) < best:
                found, best = block, rank
        return found

    def _rank(self, block: Block, late_s: float) -> int:
        """Well units come first, but none that failed waits for ever on a line that is never free."""
        if not self._units[block.unit].failures:
            return 1
        return 0 if late_s >= self._most_wait_s else 2

    def _open(self) -> Iterator[tuple[Block, float]]:
        """Yield what may be asked, and from when on."""
        for block, due_s in self._due.items():
            unit = self._units[block.unit]
            if unit.only is None or unit.only is block:
                yield block, max(due_s, unit.not_before_s)

    def wait_s(self, now_s: float) -> float:
        """Return how long nothing is due."""
        return max(0.0, min((since_s for _, since_s in self._open()), default=math.inf) - now_s)

    def answered(self, block: Block, now_s: float) -> None:
        """Note an answer, whatever it said: the block comes due at its next multiple, its unit is well."""
        self._units[block.unit] = _Unit()
        due_s, self._asked[block] = self._due[block], now_s
        self._due[block] = due_s + block.period_s * (math.floor((now_s - due_s) / block.period_s) + 1)

    def failed(self, block: Block, now_s: float) -> None:
        """Note that a unit did not answer: all it has is left alone for a while that doubles."""
        unit, self._asked[block] = self._units[block.unit], now_s
        unit.failures, unit.only = unit.failures + 1, block
        unit.not_before_s = now_s + min(self._most_wait_s, self._first_wait_s * 2.0 ** min(unit.failures - 1, 30))

    def failures(self, unit: int) -> int:
        """Return how often a unit did not answer in a row."""
        return self._units[unit].failures

    def units(self) -> list[int]:
        """Return the units in order."""
        return sorted(self._units)

    def replace(self, block: Block, blocks: Iterable[Block]) -> None:
        """Ask for parts of a block instead of it, at once."""
        due_s, asked_s = self._due.pop(block), self._asked.pop(block)
        for part in blocks:
            self._due[part], self._asked[part] = due_s, asked_s
